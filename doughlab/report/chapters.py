"""Chapters on what there was and what happened: waters, dough, records, losses, corrections.

`page` puts them in order; each takes a trial and a `Texts` and gives a Section.
The plan is told by `planning`, results by `results`, methods by `methods`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doughlab.analysis.wording import joined, level_words
from doughlab.report.blocks import Block, Drawing, Grid, Head, Listing, Section, Words, grid_of
from doughlab.report.text import ENGLISH, Texts
from doughlab.report.timeline import notes_grid, timeline_blocks
from doughlab.report.trusted import consent_words, notes_of_check
from doughlab.tables import JOURNAL_COLUMNS, RECORDS, table
from doughlab.units import axis_unit, convert, format_quantity

if TYPE_CHECKING:
    from doughlab.cells import Column
    from doughlab.formula.formula import Formula
    from doughlab.record.balls import BallState
    from doughlab.report.subject import Subject
    from doughlab.settings import Settings

WATER_COLUMNS = (
    "kind", "ph", "alkalinity_mg_l", "hardness_mg_l", "calcium_mg_l", "magnesium_mg_l",
    "sodium_mg_l", "chloride_mg_l", "sulphate_mg_l", "total_chlorine_mg_l", "temp_c",
)  # fmt: skip
PURPOSES = ("ph", "bake", "pair", "spare")
DONE = {"ph": ("read",), "pair": ("read",), "bake": ("baked", "scored"), "spare": ()}


def shown_unit(unit: str, settings: Settings) -> str:
    """Give the unit in which a column is shown: °F for temperatures where the kitchen uses it.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> shown_unit("temp_c", Settings("x", "X1", show_temperature="F"))
    'temp_f'
    """
    return "temp_f" if unit == "temp_c" and settings.show_temperature == "F" else unit


def cell_text(value: Any, column: Column, settings: Settings) -> str:
    """Write one value for a table of the report; empty where there is none.

    Examples
    --------
    >>> from doughlab.cells import Column
    >>> from doughlab.settings import Settings
    >>> fahrenheit = Settings("x", "X1", show_temperature="F")
    >>> cell_text(15.0, Column("temp_c", "number", "Sample", unit="temp_c"), fahrenheit)
    '59'
    """
    if value is None:
        return ""
    if column.kind == "datetime":
        return f"{value:%Y-%m-%d %H:%M}"
    if column.kind == "number":
        unit = shown_unit(column.unit, settings)
        if unit != column.unit:
            return f"{convert(value, column.unit, unit):.1f}".removesuffix(".0")
        return f"{value:.2f}" if column.unit == "ph" else f"{value:.4g}"
    return str(value)


def column_words(name: str, column: Column, texts: Texts) -> str:
    """Give the words of a column: of the texts, unless trial.toml names it otherwise.

    Parameters
    ----------
    name : str
        Of its table.
    column : Column
    texts : Texts

    Examples
    --------
    >>> from doughlab.tables import table
    >>> column_words("readings", table("readings").column("session"), Texts())
    'Session'
    """
    key = f"column_{name}_{column.name}"
    return texts.say(key) if ENGLISH.get(key) == column.title else column.title


def head_of(column: Column, settings: Settings, name: str, texts: Texts) -> Head:
    """Make the head of a table column from a column of the trial folder.

    Parameters
    ----------
    column : Column
    settings : Settings
    name : str
        Of its table.
    texts : Texts
    """
    unit = axis_unit(shown_unit(column.unit, settings)) if column.unit else ""
    words = column_words(name, column, texts).removesuffix(" as CaCO3")
    words = words[0].lower() + words[1:] if words[1:2].islower() else words
    number = column.kind in ("number", "integer")
    return Head(words, "" if unit == words else unit, number)


def waters_chapter(trial: Subject, texts: Texts) -> Section:
    """Tell which waters were tried, what is known of them and what is missing."""
    say, settings = texts.say, trial.settings
    blocks: list[Block] = []
    if trial.waters:
        blocks.append(_water_grid(trial.waters, settings, texts))
        priced = any(w.get("cost_per_l") is not None for w in trial.waters.values())
        if settings.currency and priced:
            blocks.append(Words(say("waters_cost", currency=settings.currency), "note"))
        blocks.append(Words(say("water_about"), "note"))
    elif any(f.kind == "water" for f in settings.factors.values()):
        blocks.append(Words(say("waters_none")))
    said = water_remarks(trial.waters, texts)
    if said:
        blocks.append(Listing(said))
    return Section("waters", say("head_waters"), tuple(blocks))


def water_remarks(waters: Mapping[str, Mapping[str, Any]], texts: Texts) -> tuple[str, ...]:
    """Say of each water what its numbers mean for the dough, and what is not known.

    Parameters
    ----------
    waters : mapping of str to mapping
        Rows of waters.csv by id.
    texts : Texts
    """
    from doughlab.sources import CONSTANTS
    from doughlab.water.sample import WaterSample

    low = CONSTANTS["low_alkalinity_mg_l"].value
    said = []
    for name, row in waters.items():
        alkalinity = row.get("alkalinity_mg_l")
        if alkalinity is None:
            said.append(texts.say("water_unknown", water=name))
        elif alkalinity < low:
            said.append(texts.say("water_low", water=name, low=f"{low:g}"))
        why = WaterSample.from_row(row).needs_laboratory
        if why:
            said.append(texts.say("water_laboratory", water=name, why=why))
    return tuple(said)


def _water_grid(waters: Mapping[str, Mapping[str, Any]], settings: Settings, texts: Texts) -> Grid:
    """One column for each water; what nobody knows of any water is left out."""
    say, spec = texts.say, table("waters")
    rows = []
    for name in (*WATER_COLUMNS, "cost_per_l", "uncertainty_pct", "said_by"):
        column = spec.column(name)
        cells = [cell_text(w.get(name), column, settings) for w in waters.values()]
        if any(cells):
            head = head_of(column, settings, "waters", texts)
            words = say(f"col_{name}") if name in ("said_by", "uncertainty_pct") else head.words
            rows.append([f"{words}, {head.unit}" if head.unit else words, *cells])
    heads = [Head(say("col_quantity")), *(Head(name) for name in waters)]
    return grid_of(say("waters_caption"), heads, rows, drop_empty=False)


def formula_chapter(
    trial: Subject, texts: Texts, recommended: Mapping[str, str] | None = None
) -> Section:
    """Give the formula in baker's percentages and the grams of one batch.

    Parameters
    ----------
    trial : Trial
    texts : Texts
    recommended : mapping of str to str, optional
        Level of every factor, as the decision has it; the first of each factor without it.
    """
    from doughlab.formula.formula import batch_grams

    say, formula, settings = texts.say, trial.formula, trial.settings
    title = say("head_formula")
    if formula is None:
        return Section("formula", title, (Words(say("formula_none")),))
    first = {f.name: f.levels[0] for f in settings.factors.values()}
    varied = first | dict(recommended or {})
    balls = _balls_planned(trial) or formula.balls
    blocks: list[Block] = [batch_grid(formula, varied, balls, texts)]
    whole = batch_grams(formula, levels=first, balls=balls)
    moved = [f for f in settings.factors.values() if batch_grams(
        formula, levels=first | {f.name: f.levels[-1]}, balls=balls) != whole]  # fmt: skip
    if moved:
        shown = joined(f"{f.words} {level_words(f, varied[f.name])}" for f in moved)
        names = joined(say("formula_range", factor=f.words, low=level_words(f, f.levels[0]),
                           high=level_words(f, f.levels[-1])) for f in moved)  # fmt: skip
        key = "formula_recommended" if recommended else "formula_levels"
        blocks.append(Words(say(key, factors=names, levels=shown), "note"))
    if formula.steps:
        steps = "; ".join(f"{name} {minutes:g} min" for name, minutes in formula.steps)
        blocks.append(Words(say("formula_steps", steps=steps)))
    return Section("formula", title, tuple(blocks))


def batch_grid(formula: Formula, levels: Mapping[str, str], balls: int, texts: Texts) -> Grid:
    """Set one batch as a table: baker's percentages and grams.

    Parameters
    ----------
    formula : Formula
    levels : mapping of str to str
        Factor to its level, as trial.toml writes it.
    balls : int
        Of the batch.
    texts : Texts
    """
    from doughlab.formula.formula import batch_grams

    say = texts.say
    grams = batch_grams(formula, levels=levels, balls=balls)
    flour = grams.pop("flour")
    rows = [[name, f"{share:g}", f"{g:.0f}"]
            for (name, g), share in zip(formula.split_flours(flour).items(),
                                        formula.flours.values(), strict=True)]  # fmt: skip
    rows += [[name, f"{100 * g / flour:.3g}", f"{g:.0f}" if g >= 20 else f"{g:.1f}"]
             for name, g in grams.items()]  # fmt: skip
    caption = say("formula_caption", name=formula.name, balls=balls,
                  ball_g=format_quantity(formula.ball_g, "g"),
                  loss=format_quantity(formula.loss_pct, "pct"))  # fmt: skip
    heads = [Head(say("col_ingredient")), Head(say("col_percent"), axis_unit("pct")),
             Head(say("col_grams"), axis_unit("g"))]  # fmt: skip
    return grid_of(caption, heads, rows)


def _balls_planned(trial: Subject) -> int:
    """Give the balls of a batch as the kept plan has them, the most where they differ; else 0."""
    plan = trial.frozen_plan
    counts = Counter(b["batch_id"] for b in plan.balls) if plan is not None else Counter[str]()
    return max(counts.values(), default=0)


def course_chapter(trial: Subject, texts: Texts, pictures: Sequence[Block]) -> Section:
    """Tell what was recorded, lost and corrected.

    Parameters
    ----------
    trial : Trial
    texts : Texts
    pictures : sequence of Block
        Balls in mixing order, one for each response.
    """
    say = texts.say
    blocks: list[Block] = []
    states = trial.ball_states
    told = timeline_blocks(trial, texts)
    blocks += [b for b in told if not isinstance(b, Drawing)]
    if states:
        blocks.append(_state_grid(states, texts))
        lost = {b: s for b, s in states.items() if s.state == "lost"}
        if lost:
            blocks.append(Words(say("course_lost", count=len(lost), planned=len(states))))
            blocks.append(_lost_grid(lost, texts))
        else:
            blocks.append(Words(say("course_none_lost")))
    blocks += [b for b in told if isinstance(b, Drawing)]
    blocks += pictures
    blocks += _corrections(trial, texts)
    notes = notes_grid(trial, texts)
    blocks += [notes] if notes is not None else []
    blocks += _meter(trial, texts)
    blocks += [Words(said) for said in consent_words(trial, texts)]
    blocks += notes_of_check(trial, texts)
    problems = [p for p in trial.problems if p.level == "error"]
    if problems:
        text = say("problems_some", count=len(problems), first=str(problems[0]))
        blocks.append(Words(text, "caution"))
    return Section("course", say("head_course"), tuple(blocks))


def _state_grid(states: Mapping[str, BallState], texts: Texts) -> Grid:
    say = texts.say
    rows = []
    for purpose in PURPOSES:
        mine = [s for s in states.values() if s.purpose == purpose]
        if not mine:
            continue
        lost = sum(s.state == "lost" for s in mine)
        done = sum(s.state in DONE[purpose] for s in mine)
        due = "" if purpose == "spare" else str(len(mine) - lost - done)
        got = "" if purpose == "spare" else str(done)
        rows.append([say(f"purpose_{purpose}"), str(len(mine)), got, str(lost), due])
    heads = [Head(say(f"col_{n}")) for n in ("purpose", "planned", "recorded", "lost", "missing")]
    return grid_of(say("course_counts"), heads, rows)


def _lost_grid(lost: Mapping[str, BallState], texts: Texts) -> Grid:
    say = texts.say
    heads = [Head(say("col_ball")), Head(say("col_purpose"), number=False),
             Head(say("col_reason"), number=False)]  # fmt: skip
    rows = [[b, say(f"purpose_{s.purpose}"), s.lost_reason] for b, s in lost.items()]
    return grid_of(say("lost_caption"), heads, rows)


def list_corrections(
    trial: Subject, texts: Texts | None = None
) -> list[tuple[str, str, str, str, str, str]]:
    """List every correction: record, item, what it was, what it is, reason, by whom.

    Parameters
    ----------
    trial : Trial
    texts : Texts, optional
        English without it.

    Returns
    -------
    list of tuple of six str
        In file order; "is" stays empty for a row that was struck out.
    """
    own, texts = {c.name for c in JOURNAL_COLUMNS}, texts or Texts()
    found = []
    for name in RECORDS:
        spec = trial.settings.table(name)
        history = trial.records.history(name)
        by_id = {row["entry_id"]: row for row in history}
        for row in history:
            old = by_id.get(row["replaces"]) if row["action"] in ("replace", "void") else None
            if old is None:
                continue
            item = old.get("ball_id") or old.get("batch_id") or old.get("about") or old["entry_id"]
            columns = [c for c in spec.columns if c.name not in own]
            if row["action"] == "replace":
                columns = [c for c in columns if row[c.name] != old[c.name]]
            else:
                columns = [c for c in columns if c.kind == "number" and old[c.name] is not None]
            was, now = (
                ", ".join(
                    f"{column_words(name, c, texts)} {cell_text(r[c.name], c, trial.settings)}"
                    for c in columns
                )
                for r in (old, row)
            )
            gone = row["action"] == "void"
            found.append((texts.say(f"record_{name}"), item, was, "" if gone else now,
                          row["reason"] or "", row["entered_by"] or ""))  # fmt: skip
    return found


def _corrections(trial: Subject, texts: Texts) -> list[Block]:
    say = texts.say
    found = list_corrections(trial, texts)
    if not found:
        return [Words(say("corrections_none"))]
    heads = [Head(say("col_ball")), *(Head(say(f"col_{n}"), number=False) for n in
             ("record", "was", "is", "reason", "by"))]  # fmt: skip
    rows = [[item, name, was, now or say("voided"), reason, by]
            for name, item, was, now, reason, by in found]  # fmt: skip
    return [grid_of(say("corrections_caption"), heads, rows)]


def _meter(trial: Subject, texts: Texts) -> list[Block]:
    say = texts.say
    rows = trial.records.calibrations
    if not rows:
        return [Words(say("meter_none"))] if trial.records.readings else []
    spec = table("calibrations")
    names = ("calibrated_at", "instrument", "buffers", "slope_pct", "offset_mv", "temp_c")
    columns = [spec.column(n) for n in names]
    heads = [Head(say("col_when")), Head(say("col_instrument"), number=False),
             Head(say("col_buffers"), number=False), Head(say("col_slope"), axis_unit("pct")),
             Head(say("col_offset"), axis_unit("mv")),
             Head(say("col_at_temp"), axis_unit(shown_unit("temp_c", trial.settings)))]  # fmt: skip
    cells = [[cell_text(r.get(c.name), c, trial.settings) for c in columns] for r in rows]
    return [grid_of(say("meter_caption"), heads, cells)]
