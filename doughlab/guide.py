"""Guide: the words of the house, which question is answered where, every message there is.

Called by `cli` as `doughlab help words`, `questions` and `messages`. What a message says is read
from the source by `messages`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

PAGES = ("words", "questions", "messages")

# one word, one meaning; ISO 3534-3 names designs, ISO 7870 control charts
WORDS: dict[str, str] = {
    # the trial
    "trial": "one experiment: one or a few questions, one folder under trials/",
    "dough": "a named recipe of the shop with its own window, rubric and daily limits",
    "factor, level": "what is varied, and its settings; set for a day, a batch or a ball",
    "setting": "one level of every factor together, as a dough is made",
    "run": "one combination of the day and batch factors",
    "batch": "one mixing of dough; replicates of a run are batches of their own",
    "replicate": "the same run mixed again; without it nobody knows how batches differ",
    "lot": "water tank, flour lot, preferment or starter that several batches share; every day: "
    "one mixing of a settled dough, in its trays",
    "ball": "one dough ball, from exactly one batch",
    "spare": "a ball that is planned to stand in for one that is lost",
    "block": "the mixing day, or another group of batches that share a disturbance",
    "session": "the occasion of reading, baking and scoring: one for each half day",
    "sitting": "a part of a session in which a judge tastes no more than a mouth can tell apart",
    "pilot": "a few batches that measure how far batches and balls differ, to plan with",
    "look": 'answering before the end; planned looks share the error, others are "so far"',
    "extension": "batches added to a kept plan, with a reason; judged alone or as planned",
    "mixed up with": "two effects that a smaller plan cannot tell apart (aliased)",
    # time and temperature
    "hold": "hours from balling to use at a stated temperature, warm-up included",
    "age": "hours from the first wetting of the flour",
    "warm time": "hours at room temperature, all together; your own limit ends the advice",
    "core": "the temperature in the middle of the ball or dough, by a probe",
    "mixer's heat": "degrees that mixing adds (friction); learned from your own mixes",
    "clock": "how much faster dough ripens when warmer; Q10: how many times faster by 10 °C",
    "rounding": "what a kitchen can set: a degree, a gram, half an hour",
    # dough and water
    "hydration": "water in per cent of the flour's weight (flour = 100, baker's percentage)",
    "biga": "a stiff preferment, about half as much water as flour (common practice)",
    "poolish": "a wet preferment, as much water as flour (common practice)",
    "tub, tray": "what balls lie in while they are held; cooler places are counted in balls",
    "preferment": "a part of the flour that is wetted and left to ferment before the mix",
    "alkalinity": "how much acid a water takes before its pH gives way, mg/L as CaCO3",
    "hardness": "calcium and magnesium in a water, mg/L as CaCO3; it is not alkalinity",
    "dose": "grams of acid or bicarbonate that bring a water to a pH; a range, then the meter",
    "titration": "alkalinity measured with vinegar, a scale and a meter, in three or four steps",
    "blend": "two waters mixed by weight; alkalinity mixes by weight too, pH does not",
    "open, closed": "a vessel where air changes the water's pH, or hardly; never a sealed one",
    # the bench
    "reading": "one number from an instrument, with method, calibration and time",
    "method": "how a reading is taken: direct or in slurry, grams, water, wait; never mixed",
    "buffer": "a bottle of known pH by which the meter is set",
    "calibration": "the meter read in two or three buffers; it gives slope and offset",
    "slope": "of a meter: millivolts for one pH, in per cent of what theory says (Nernst); of a "
    "factor: how far the response moves for one unit more",
    "offset": "of a meter: millivolts in buffer 7, which should be near 0",
    "drift": "a slow move of a meter between buffers, or of lots from day to day",
    "score": "one number from one judge on one criterion of the rubric",
    "rubric": "the criteria of a score with their written points and weights",
    "single scores": "what differs when one judge scores one ball; `judge_sd` in [assumed]",
    "blind code": "three digits that name a baked ball to the judges, and nothing else",
    "plate": "what a judge gets; a duplicate is the same ball on two plates with two codes",
    "entry": "one stored row; a correction is a new row with a reason, nothing is erased",
    "fingerprint": "a number made from all records or the plan; another number, other contents",
    # the answer
    "margin": "the smallest difference that matters to you, fixed before the data",
    "95 % range": "where the true value lies, in 95 of 100 trials judged like this one",
    "matters": "verdict: the whole range lies beyond the margin",
    "differs": "verdict: there is a difference; whether it matters is not shown",
    "same": 'verdict: the whole range lies inside the margin; "real but small" where a '
    "difference is shown all the same",
    "not settled": "verdict: this trial cannot tell",
    "so far": "said of a verdict from a look that was not planned",
    "interim": "said of an answer while records are due that are not there",
    "noticed": "seen in the data without having been asked: look, do not conclude",
    "primary": "said of the questions, three at most, that the plan was made for",
    "finds 4 in 5": "in a plan: the difference that four of five such trials would show",
    "SD": "standard deviation: how far single values lie from their mean, as a rule",
    "spread": "how far batches, balls, readings or judges differ; an SD, or its square (variance)",
    "p": "how often chance alone would show as much as this; never the size of a difference",
    "bends": "said of a line along a number where the middle lies off the straight way",
    "interaction": "the effect of one factor differs with the level of another",
    "freedom": "degrees of freedom: how many values tell a spread; few make wide ranges "
    "(Kenward-Roger)",
    "Tukey, Dunnett": "all ranges of a question are true at once: all pairs, or against one level",
    "intraclass": "correlation: the part of the spread of scores that is the balls' own, 0 to 1",
    # the decision
    "window": "the pH band in which a ball is ready to use; it opens and closes at some hour",
    "inside": "how many of ten new balls lie in the window: new days, lots, batches and meter "
    "counted in",
    "enters, leaves": "the hours of the hold at which the dough comes into the window and out",
    "trade-off": "settings that no other is shown to beat in all that counts at once",
    "desirability": "one number from several responses, 0 to 1; another view, not the choice",
    "confirm": "new batches of the chosen setting against a range that is written down before",
    # every day
    "settled": "a recipe written down once, with its evidence and what ends it",
    "checkpoint": "the moment of the day at which a settled dough is read",
    "limits": "where readings of a dough in its usual state lie; not the window",
    "moving range": "the step from one lot to the next",
    "run rules": "named published patterns on a chart that seldom come by chance",
    "EWMA": "an average in which new lots weigh more; it shows slow drift",
    "CUSUM": "what lies off is added up lot by lot; it shows a small lasting shift",
    "Cp, Cpk": "capability: the window over the spread; from the mean to the nearer end of it",
    "fault finder": "from the water to the room: what each could explain, and one check for each",
}


@dataclass(frozen=True)
class Question:
    """A question of the kitchen, and where it is answered.

    Attributes
    ----------
    words : str
    command : str
        What to type after `doughlab`.
    call : str
        The same from Python, a public name with its room.

    Examples
    --------
    >>> next(q.call for q in QUESTIONS if q.command == "today FOLDER")
    'doughlab.Trial.due'
    """

    words: str
    command: str
    call: str


QUESTIONS: tuple[Question, ...] = (
    Question("What does it look like?", "demo", "doughlab.notebook.open_demo"),
    Question("How do I begin?", "new trials/my-trial", "doughlab.Trial.create"),
    Question("What does trial.toml say?", "check FOLDER", "doughlab.read_settings"),
    # plan
    Question("Can this plan answer me?", "plan FOLDER", "doughlab.plan_precision"),
    Question("What does it need?", "plan FOLDER --more", "doughlab.plan.describe_plan"),
    Question("Which of two plans?", "plan FOLDER --beside OTHER", "doughlab.plan.compare_plans"),
    Question("Does it fit my week?", "plan FOLDER --calendar", "doughlab.plan.lay_calendar"),
    Question("How do I begin the trial?", "plan FOLDER --keep", "doughlab.build_plan"),
    Question("May I add batches?", "plan FOLDER --extend 12",
             "doughlab.plan.extend.extend_plan"),
    Question("What does a pilot tell?", "plan FOLDER", "doughlab.plan.carry_pilot"),
    # water
    Question("What is known of my water?", "water site tap", "doughlab.water.WaterSample"),
    Question("How much acid does it take?", "water titrate tap", "doughlab.water.fit_titration"),
    Question("How much vinegar?", "water dose tap --ph 6.2 --water 12kg",
             "doughlab.water.acid_dose"),
    Question("How much bicarbonate?", "water dose ro --ph 7.5 --water 12kg",
             "doughlab.water.base_dose"),
    Question("Which blend?", "water blend tap ro", "doughlab.water.blend_waters"),
    Question("What does a water cost?", "water cost", "doughlab.water.supply_cost"),
    # at the bench
    Question("How cold must the water be?", "mix FOLDER --tap 60F", "doughlab.formula.plan_mix"),
    Question("What goes into a batch?", "mix FOLDER --tap 60F --batch B03",
             "doughlab.formula.weigh_batch"),
    Question("And on a hot day?", "mix FOLDER --card --tap 60F", "doughlab.formula.build_card"),
    Question("When is this ball ready?", "ripe B01-1 FOLDER", "doughlab.formula.foresee_ripe"),
    Question("How long must it warm up?", "ripe B01-1 FOLDER --room 70F --ph 5.79",
             "doughlab.formula.advise_warm_up"),
    Question("Where do I write it down?", "record reading B01-1 5.62", "doughlab.Trial.readings"),
    Question("And on a phone?", "bench FOLDER --lan", "doughlab.notebook.open_bench"),
    Question("And on paper?", "sheets FOLDER", "doughlab.Trial.scores"),
    Question("What is due now?", "today FOLDER", "doughlab.Trial.due"),
    Question("Is anything wrong?", "check FOLDER", "doughlab.Trial.problems"),
    # the answer
    Question("Do two settings differ?", "analyse FOLDER ph", "doughlab.analyse"),
    Question("How does that look?", "report FOLDER", "doughlab.plot_means"),
    Question("Does one change the other?", "analyse FOLDER", "doughlab.plot_interaction"),
    Question("Which ball lies odd?", "analyse FOLDER", "doughlab.plot_balls"),
    Question("Did we mix what we planned?", "analyse FOLDER --achieved",
             "doughlab.analysis.second_look"),
    Question("Meter, person or ball?", "analyse FOLDER --spread",
             "doughlab.analysis.measure_spreads"),
    Question("How did the judges work?", "analyse FOLDER score", "doughlab.analysis.check_panel"),
    # the decision
    Question("What shall we use?", "decide FOLDER", "doughlab.decide"),
    Question("From when to when?", "decide FOLDER --more", "doughlab.hours_table"),
    Question("And a setting between?", "decide FOLDER --at hold=40h", "doughlab.plot_window"),
    Question("Is it really so?", "decide FOLDER --confirm trials/check",
             "doughlab.decision.Confirmation"),
    # every day
    Question("How do we keep it?", "daily FOLDER --settle --by Mo", "doughlab.daily.build_recipe"),
    Question("Is today's dough in line?", "daily FOLDER --read 5.61 --hold 48h",
             "doughlab.daily.find_standing"),
    Question("Which tray next?", "daily FOLDER", "doughlab.daily.order_trays"),
    Question("What moved it?", "daily FOLDER --faults", "doughlab.daily.walk_faults"),
    # the file
    Question("What do all trials say?", "overview trials",
             "doughlab.analysis.experience.compare_over_trials"),
    Question("What do I hand over?", "report FOLDER --pdf", "doughlab.build_report"),
    Question("Several trials in one?", "report trials --dossier all.html",
             "doughlab.report.dossier.build_dossier"),
    Question("And in a notebook?", "lab FOLDER", "doughlab.notebook.open_trial"),
)  # fmt: skip


def guide_lines(page: str, word: str = "") -> list[str]:
    """Write a page of the guide, 80 columns.

    Parameters
    ----------
    page : {"words", "questions", "messages"}
    word : str
        Only what holds it.

    Examples
    --------
    >>> guide_lines("words", "margin")[0]
    'margin         the smallest difference that matters to you, fixed before the'
    """
    from doughlab.commands.lines import wrap
    from doughlab.messages import list_messages

    def holds(*texts: str) -> bool:
        start = r"\b" if word[:1].isalnum() else ""
        return any(re.search(start + re.escape(word), t, re.IGNORECASE) for t in texts)

    if page == "words":
        rows = [(name, text) for name, text in WORDS.items() if holds(name, text)]
        rows.sort(key=lambda row: word.casefold() not in row[0].casefold())  # names come first
        return [line for name, text in rows for line in wrap(f"{name:<15}{text}", indent=15)]
    if page == "questions":
        asked = [q for q in QUESTIONS if holds(q.words, q.command, q.call)]
        return [
            line for q in asked for line in (q.words, f"    doughlab {q.command}", f"    {q.call}")
        ]
    out: list[str] = []
    for message in list_messages(word):
        out += [f"{message.place}.py, line {message.line}: {message.kind}"]
        out += wrap("    " + message.text, indent=4)
    return out


def look_up(word: str) -> list[str]:
    """Look a word up that somebody typed without a page: the words of the house, then questions.

    Parameters
    ----------
    word : str
        One or several words.

    Returns
    -------
    list of str
        Words that are called so or are explained with it, then questions. Where nothing holds
        several words together, what holds each of them. Empty where nothing is found.

    Examples
    --------
    >>> look_up("checkpoint")[0]
    'checkpoint     the moment of the day at which a settled dough is read'
    """
    whole = [*guide_lines("words", word), *guide_lines("questions", word)]
    parts = [part for part in word.split() if len(part) > 2]
    if whole or len(parts) < 2:
        return whole
    found: list[str] = []
    for part in parts:
        block = look_up(part)
        found += [] if set(block) <= set(found) else block
    return found
