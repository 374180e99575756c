"""The chapter on the plan: what it needs, why it is as it is, and what it could see.

`page` calls `plan_chapter`; counts and foresight come from the plan room as they stand.
The calendar is drawn by `course`; what happened afterwards is told by `chapters`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doughlab.analysis.earlier import read_earlier
from doughlab.analysis.wording import amount_words, decimals_for, joined, level_words
from doughlab.errors import DoughlabError
from doughlab.plan.facts import PlanFacts, describe_plan
from doughlab.plan.looks import describe_looks, judged_rows, say_judged
from doughlab.plan.parts import describe_parts
from doughlab.plan.precision import chance_words, plan_precision
from doughlab.report.blocks import Block, Drawing, Grid, Head, Listing, Section, Words, grid_of
from doughlab.report.pictures import picture_plan
from doughlab.report.text import Texts
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.report.subject import Subject
    from doughlab.sections import Response
    from doughlab.settings import Settings

PURPOSES = ("ph", "bake", "pair", "spare")


def plan_chapter(trial: Subject, texts: Texts) -> Section:
    """Tell the plan and why it is as it is.

    Parameters
    ----------
    trial : Trial
    texts : Texts
    """
    say, plan, settings = texts.say, trial.frozen_plan, trial.settings
    title = say("head_plan")
    if plan is None:
        return Section("plan", title, (Words(say("plan_none")),))
    facts = describe_plan(settings, plan, trial.formula)
    parted = (*describe_parts(plan), *say_judged(plan), *describe_looks(plan))
    blocks: list[Block] = [
        Words(_count_words(plan, facts, texts)),
        *([Listing(parted)] if parted else []),
        Words(say("plan_unit")),
        *(Words(text) for text in [_why_words(plan, facts, texts)] if text),
        *(Words(f"{said[0].upper()}{said[1:]}.") for said in facts.kind),
        _factor_grid(settings, facts, plan, texts),
        _margin_grid(settings, texts),
    ]
    if plan.schedule and settings.blocks.kind == "day":
        blocks.append(Drawing(picture_plan(plan, texts=texts)))
    blocks += _precision_blocks(trial, plan, texts)
    blocks += [Listing(facts.warnings)] if facts.warnings else []
    blocks += [Words(f"{s[0].upper()}{s[1:]}.", "caution") for s in plan.changed]
    return Section("plan", title, tuple(blocks))


def _count_words(plan: Plan, facts: PlanFacts, texts: Texts) -> str:
    if plan.settings.blocks.kind == "none":
        return texts.say("plan_counts_plain", batches=facts.batches, balls=facts.balls)
    one = plan.batches[0]["batch_id"]
    each = Counter(b["purpose"] for b in plan.balls if b["batch_id"] == one)
    purposes = joined(
        texts.say(f"plan_for_{purpose}", n=each[purpose]) for purpose in PURPOSES if each[purpose]
    )
    text = texts.say("plan_counts", batches=facts.batches, balls=facts.balls, days=facts.days,
                     purposes=purposes)  # fmt: skip
    if facts.flour_kg is not None:
        text += " " + texts.say("plan_flour", flour=format_quantity(facts.flour_kg, "kg", digits=1))
    return text


def _why_words(plan: Plan, facts: PlanFacts, texts: Texts) -> str:
    say, settings = texts.say, plan.settings
    said = []
    if settings.hold is not None and facts.sessions:
        shared, total = facts.shared_sessions, len(facts.sessions)
        said.append(say("plan_stagger", shared=shared, sessions=total))
    if settings.source != "published":  # its order was drawn by others, if at all
        plain = settings.blocks.kind == "none"
        said.append(say("plan_random_plain" if plain else "plan_random", seed=plan.seed))
    if any(r.table == "scores" for r in settings.responses.values()):
        said.append(say("plan_judges", judges=len(settings.panel.judges) or 1))
    if facts.one_factor_batches is not None:
        said.append(say("plan_one_at_a_time", batches=facts.one_factor_batches))
    return " ".join(said)


def _factor_grid(settings: Settings, facts: PlanFacts, plan: Plan, texts: Texts) -> Grid:
    say = texts.say
    counts = {
        "batch": say("based_batches", n=facts.batches),
        "ball": say("based_balls", n=sum(b["purpose"] != "spare" for b in plan.balls)),
        "day": say("based_days", n=facts.days),
    }
    heads = [Head(say("col_factor")), Head(say("col_levels"), number=False),
             Head(say("col_set"), number=False), Head(say("col_based_on"))]  # fmt: skip
    rows = [
        [f.words, ", ".join(level_words(f, v) for v in f.levels), f.set, counts[f.set]]
        for f in settings.factors.values()
    ]
    return grid_of(say("factors_caption"), heads, rows)


def _margin_grid(settings: Settings, texts: Texts) -> Grid:
    say, window = texts.say, settings.window
    heads = [Head(say("col_response")), Head(say("col_margin")),
             Head(say("col_use_hold"), number=False), Head(say("col_window"))]  # fmt: skip
    rows = []
    for r in settings.responses.values():
        hold = settings.hold
        at = say("use_all")
        if hold is not None and r.use_hold_h is not None:
            at = say("use_hold", hold=level_words(hold, hold.level_of(r.use_hold_h)))
        band = window_words(r, settings, texts) if window and window.response == r.name else ""
        rows.append([r.words, amount_words(r.margin, r), at, band])
    return grid_of(say("margins_caption"), heads, rows)


def window_words(response: Response, settings: Settings, texts: Texts) -> str:
    """Write the window of a response as two numbers; empty where it has none."""
    window = settings.window
    if window is None or window.response != response.name:
        return ""
    d = decimals_for(response.margin)
    return texts.say("window_words", low=f"{window.low:.{d}f}", high=f"{window.high:.{d}f}")


def _precision_blocks(trial: Subject, plan: Plan, texts: Texts) -> list[Block]:
    """Say what the plan could see, by the rule that gives the verdicts."""
    say, settings = texts.say, trial.settings
    try:
        spreads = read_earlier(trial.folder, settings)
        judged = judged_rows(plan)
        seen = plan_precision(judged.settings, judged, spreads=spreads)
    except DoughlabError as error:
        return [Words(say("precision_none", why=str(error)), "note")]
    heads = [Head(say("col_factor")), Head(say("col_response"), number=False),
             Head(say("col_based_on")), Head(say("col_found")), Head(say("col_same"))]  # fmt: skip
    shown = seen.table.head(len(seen.lines))
    rows = [_line_cells(settings, row, texts) for row in shown.to_dict("records")]
    blocks: list[Block] = []
    if rows:
        blocks.append(grid_of(say("precision_caption"), heads, rows))
    if seen.assumed:
        blocks.append(Words(f"{seen.assumed[0].upper()}{seen.assumed[1:]}.", "note"))
    if seen.warnings or seen.notes:
        blocks.append(Listing((*seen.warnings, *seen.notes)))
    return blocks


def _line_cells(settings: Settings, row: Mapping[Any, Any], texts: Texts) -> list[str]:
    """Write one line of `Precision.table`."""
    response = settings.response(row["response"])
    where, hold = response.words, settings.hold
    if row["level"] and hold is not None:
        where += " " + texts.say("at_hold", hold=level_words(hold, row["level"]))
    found = same = "-"
    if row["found_80"] == row["found_80"]:  # a blank where nothing can be judged
        found = amount_words(row["found_80"], response)
        same = chance_words(row["same_if_zero"])
    return [settings.factor(row["term"]).words, where, row["based_on"], found, same]
