"""Guide: the words of the house, which question is answered where, every message there is.

Called by `cli` as `doughlab help words`, `questions` and `messages`. The messages are read from
the source itself, so that the list cannot fall behind; how a message is raised is left to the
rooms.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PAGES = ("words", "questions", "messages")

# one word, one meaning; ISO 3534-3 names designs, ISO 7870 control charts
WORDS: dict[str, str] = {
    "trial": "one experiment: one or a few questions, one folder under trials/",
    "dough": "a named recipe of the shop with its own window, rubric and daily limits",
    "factor, level": "what is varied, and its settings; set for a day, a batch or a ball",
    "run": "one combination of the day and batch factors",
    "batch": "one mixing of dough; replicates of a run are batches of their own",
    "lot": "water tank, flour lot, preferment or starter that several batches share",
    "ball": "one dough ball, from exactly one batch",
    "block": "the mixing day, or another group of batches that share a disturbance",
    "session": "the occasion of reading, baking and scoring: one for each half day",
    "hold": "hours from balling to use at a stated temperature, warm-up included",
    "age": "hours from the first wetting of the flour",
    "reading": "one number from an instrument, with method, calibration and time",
    "score": "one number from one judge on one criterion of the rubric",
    "rubric": "the criteria of a score with their written points and weights",
    "blind code": "three digits that name a baked ball to the judges, and nothing else",
    "window": "the pH band in which a ball is ready to use; it opens and closes at some hour",
    "margin": "the smallest difference that matters to you, fixed before the data",
    "95 % range": "where the true value lies, in 95 of 100 trials judged like this one",
    "matters": "verdict: the whole range lies beyond the margin",
    "differs": "verdict: there is a difference; whether it matters is not shown",
    "same": "verdict: the whole range lies inside the margin",
    "not settled": "verdict: this trial cannot tell",
    "noticed": "seen in the data without having been asked: look, do not conclude",
    "interim": "said of an answer while records are due that are not there",
    "alkalinity": "how much acid a water takes before its pH gives way, mg/L as CaCO3",
    "hydration": "water in per cent of the flour's weight (flour = 100, baker's percentage)",
    "checkpoint": "the moment of the day at which a settled dough is read",
    "limits": "where readings of a dough in its usual state lie; not the window",
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
    >>> QUESTIONS[0].call
    'doughlab.plan.plan_precision'
    """

    words: str
    command: str
    call: str


QUESTIONS: tuple[Question, ...] = (
    Question("Can this plan answer me?", "plan FOLDER", "doughlab.plan.plan_precision"),
    Question("Which of two plans?", "plan FOLDER --beside OTHER", "doughlab.plan.compare_plans"),
    Question("Does it fit my week?", "plan FOLDER --calendar", "doughlab.plan.lay_calendar"),
    Question("How hard is my water?", "water titrate tap", "doughlab.water.fit_titration"),
    Question("How much vinegar?", "water dose tap --ph 6.2 --water 12kg",
             "doughlab.water.acid_dose"),
    Question("Which blend?", "water blend tap ro", "doughlab.water.blend_waters"),
    Question("What does a water cost?", "water cost", "doughlab.water.supply_cost"),
    Question("How cold must the water be?", "mix FOLDER --tap 60F", "doughlab.formula.plan_mix"),
    Question("When is this ball ready?", "ripe B01-1 FOLDER", "doughlab.formula.foresee_ripe"),
    Question("What is due now?", "today FOLDER", "doughlab.Trial.due"),
    Question("Is anything wrong?", "check FOLDER", "doughlab.Trial.problems"),
    Question("Do two settings differ?", "analyse FOLDER ph", "doughlab.analyse"),
    Question("How did the judges work?", "analyse FOLDER score", "doughlab.analysis.check_panel"),
    Question("What shall we use?", "decide FOLDER", "doughlab.decide"),
    Question("Is today's dough in line?", "daily FOLDER --read 5.61 --hold 48h",
             "doughlab.daily.find_standing"),
    Question("What moved it?", "daily FOLDER --faults", "doughlab.daily.walk_faults"),
    Question("What do all trials say?", "overview trials",
             "doughlab.analysis.experience.compare_over_trials"),
    Question("What do I hand over?", "report FOLDER --pdf", "doughlab.build_report"),
)  # fmt: skip


@dataclass(frozen=True)
class Message:
    """One sentence that doughlab can say when something is wrong.

    Attributes
    ----------
    place : str
        Module, as "record/journal".
    line : int
    kind : str
        Name of the error, or "Problem" for a finding of a check.
    text : str
        With a name in braces where a value goes.

    Examples
    --------
    >>> Message("record/clock", 12, "InputError", "{time} lies in the future.").kind
    'InputError'
    """

    place: str
    line: int
    kind: str
    text: str


def list_messages(word: str = "") -> list[Message]:
    """List every message of the package, read from its source.

    Parameters
    ----------
    word : str
        Only messages that hold it, large or small letters.

    Returns
    -------
    list of Message
        By module, then line.

    Examples
    --------
    >>> list_messages("one hold gives no curve")[0].place
    'formula/shapes'
    """
    trees = _read_sources()
    calls = [(place, node) for place, tree in trees.items() for node in _calls(tree)]
    kinds = _kinds(trees.values())
    found = [_message(place, node) for place, node in calls if _name(node) in kinds]
    return [m for m in found if m and word.casefold() in m.text.casefold()]


@cache
def _read_sources() -> dict[str, ast.Module]:
    root = Path(__file__).parent
    return {
        path.relative_to(root).with_suffix("").as_posix(): ast.parse(
            path.read_text(encoding="utf-8")
        )
        for path in sorted(root.rglob("*.py"))
    }


def _calls(tree: ast.AST) -> list[ast.Call]:
    return [n for n in ast.walk(tree) if isinstance(n, ast.Call)]


def _name(node: ast.Call) -> str:
    return node.func.id if isinstance(node.func, ast.Name) else ""


def _kinds(trees: Iterable[ast.Module]) -> set[str]:
    """Collect the names of all errors: a class is one when a class above it is."""
    bases = {
        node.name: {b.id for b in node.bases if isinstance(b, ast.Name)}
        for tree in trees
        for node in tree.body
        if isinstance(node, ast.ClassDef)
    }
    known = {"DoughlabError"}
    while more := {name for name, above in bases.items() if above & known} - known:
        known |= more
    return {*known, "Problem"}


def _message(place: str, node: ast.Call) -> Message | None:
    kind = _name(node)
    said = node.args[1:] if kind == "Problem" else node.args
    if not said:
        return None
    text = _text(said[0])
    if kind == "UnknownName":
        text += " '{name}' is not known. Did you mean '{near}'? Known: {known}."
    return Message(place, node.lineno, kind, text) if " " in text else None


def _text(node: ast.expr) -> str:
    """Write a string of the source with a name in braces where a value goes."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(v) for v in node.values)
    if isinstance(node, ast.FormattedValue):
        return "{" + ast.unparse(node.value).split("(")[0].rsplit(".", 1)[-1] + "}"
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _text(node.left) + _text(node.right)
    return ""


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

    def holds(*texts: str) -> bool:
        return any(word.casefold() in t.casefold() for t in texts)

    if page == "words":
        rows = [(name, text) for name, text in WORDS.items() if holds(name, text)]
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
