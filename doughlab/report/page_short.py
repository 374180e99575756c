"""The cook's page: recipe, window, hours, room by room and what to do when, on one sheet.

`doughlab report --short` calls it; it says shorter what the report says. The kitchen card comes
from the formula room as it is; printing is left to `page_pdf`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from statistics import median
from typing import TYPE_CHECKING

from doughlab.analysis.wording import decimals_for
from doughlab.decision.words import BAND_CAUTION, chance_words, hours_words, setting_words
from doughlab.errors import MissingRecords, NotEstimable, PlanError
from doughlab.report.blocks import Block, Grid, Head, Listing, Section, Words, grid_of
from doughlab.report.chapters import batch_grid
from doughlab.report.deciding import confirm_words
from doughlab.report.methods import choose_cautions
from doughlab.report.page import Document
from doughlab.report.text import Texts, read_texts
from doughlab.units import axis_unit, convert, format_quantity

if TYPE_CHECKING:
    from pathlib import Path

    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.decided import Decision
    from doughlab.formula.card import KitchenCard
    from doughlab.report.subject import Subject

SHORT = "report/cook.pdf"


def decide_if_possible(
    trial: Subject, analyses: Mapping[str, Analysis]
) -> tuple[Decision | None, str]:
    """Decide; where that cannot be, say why.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis
        By response.
    """
    from doughlab.decision.choose import decide

    if not analyses:
        return None, Texts().say("plan_none" if trial.frozen_plan is None else "no_record")
    try:
        return decide(trial, analyses=analyses), ""
    except (PlanError, MissingRecords, NotEstimable) as error:
        return None, str(error)


def build_short(
    trial: Subject,
    decision: Decision | None,
    *,
    why: str = "",
    card: KitchenCard | None = None,
    texts: Texts | None = None,
    paper: str = "a4",
) -> Path:
    """Write the cook's page of a trial as a PDF into its folder.

    Parameters
    ----------
    trial : Trial
    decision : Decision or None
    why : str
        Why there is no decision.
    card : KitchenCard, optional
        Without it the page says that no room was tried.
    texts : Texts, optional
    paper : str
        "a4" or "letter".

    Returns
    -------
    Path
        report/cook.pdf in the trial folder, replaced in one step.

    Raises
    ------
    InputError
        For another paper, or where the letters to print with are missing.
    """
    from doughlab.report.page import write_aside
    from doughlab.report.page_pdf import print_short

    texts = texts or read_texts(trial.folder)
    document = compose_short(trial, decision, why=why, card=card, texts=texts)
    path = trial.folder / SHORT
    write_aside(path, print_short(document, texts, paper=paper))
    return path


def compose_short(
    trial: Subject, decision: Decision | None, *, why: str, card: KitchenCard | None, texts: Texts
) -> Document:
    """Compose the cook's page.

    Parameters
    ----------
    trial : Trial
    decision : Decision or None
    why : str
        Why there is no decision.
    card : KitchenCard or None
    texts : Texts

    Returns
    -------
    Document
        Five sections; the second and third stand beside each other.
    """
    say, settings, last = texts.say, trial.settings, trial.records.last_at
    sections = (
        Section("do", say("head_short_do"), tuple(_do(decision, why, texts))),
        Section("batch", say("head_short_batch"), _batch(trial, decision, texts)),
        Section("rooms", say("head_short_rooms"), _rooms(trial, card, texts)),
        Section("when", say("head_short_when"), (Listing(_when(trial, decision, texts)),)),
        Section("cautions", say("head_cautions"),
                (Words(" ".join(choose_cautions(trial)), "note"),)),
    )  # fmt: skip
    spoken = say("last_record", time=f"{last:%Y-%m-%d %H:%M}") if last else say("no_record")
    docket = say("docket", code=settings.code, dough=settings.dough)
    source = say(f"source_{settings.source}")
    return Document(settings.name, docket, (f"{source} {spoken}",), sections, ())


def _do(decision: Decision | None, why: str, texts: Texts) -> list[Block]:
    if decision is None:
        return [Words(texts.say("decision_none", why=why))]
    blocks: list[Block] = []
    if decision.interim:
        blocks.append(Words(texts.say("interim_decision"), "caution"))
    blocks += [Words(s, "caution") for s in (*decision.changed, *decision.standing)]
    if decision.recommended:
        key = "decision_so_far" if decision.provisional else "decision_use"
        use = texts.say(key, settings=setting_words(decision))
        blocks += [Words(use, "decision"), Words(chance_words(decision))]
    else:
        said = decision.early.sentences if decision.early else (decision.window.sentence,)
        blocks += [*(Words(s) for s in said), Words(texts.say("short_no_settings"))]
    if decision.hours is not None:
        blocks.append(Words(" ".join(hours_words(decision.hours, decision.window.text))))
    return blocks


def _batch(trial: Subject, decision: Decision | None, texts: Texts) -> tuple[Block, ...]:
    formula, plan = trial.formula, trial.frozen_plan
    if formula is None:
        return (Words(texts.say("formula_none")),)
    levels = {f.name: f.levels[0] for f in trial.settings.factors.values()}
    if decision is not None:
        levels |= decision.recommended
    counts = Counter(b["batch_id"] for b in plan.balls) if plan is not None else Counter[str]()
    balls = max(counts.values(), default=formula.balls)
    return (batch_grid(formula, levels, balls, texts),)


def _rooms(trial: Subject, card: KitchenCard | None, texts: Texts) -> tuple[Block, ...]:
    say, show = texts.say, trial.settings.show_temperature
    rows = [r for r in card.rows if (r.water_c, r.warm_h, r.hold_h) != (None,) * 3] if card else []
    if card is None or not rows:
        return (Words(say("short_rooms_none")),)
    unit = "temp_f" if show == "F" else "temp_c"

    def temp(value: float | None) -> str:
        return "" if value is None else f"{convert(value, 'temp_c', unit):.0f}"

    cells = [
        [temp(r.room_c), temp(r.water_c), "" if r.ice_g is None else f"{r.ice_g:.0f}",
         "" if r.warm_h is None else f"{60 * r.warm_h:.0f}",
         "" if r.hold_h is None else f"{r.hold_h:.0f}"]
        for r in rows
    ]  # fmt: skip
    b, sign = card.basis, axis_unit(unit)
    heads = [Head(say("col_room"), sign), Head(say("col_water"), sign), Head(say("col_ice"), "g"),
             Head(say("col_warm"), "min"), Head(trial.settings.hold.words if trial.settings.hold
             else say("col_use_hold"), "h")]  # fmt: skip
    caption = say(
        "short_rooms_caption", dough=format_quantity(b.dough_c, "temp_c", show=show, digits=0),
        tap=format_quantity(b.tap_c, "temp_c", show=show, digits=0),
    )  # fmt: skip
    grid: Grid = grid_of(caption, heads, cells)
    return (grid, *(Words(f"{n[0].upper()}{n[1:]}.", "note") for n in card.notes))


def _when(trial: Subject, decision: Decision | None, texts: Texts) -> tuple[str, ...]:
    say, settings = texts.say, trial.settings
    said = []
    if decision is not None and decision.window.ends is not None:
        response = settings.response(decision.window.response)
        if response.unit == "ph" and settings.hold is not None:  # pH falls while dough ripens
            d = decimals_for(response.margin)
            low, high = (f"{x:.{d}f}" for x in decision.window.ends)
            said += [say("short_over", high=high), say("short_under", low=low)]
        said.append(BAND_CAUTION)
    said.append(say("short_warm", warm_h=f"{settings.limits.warm_h:g}"))
    cooler = format_quantity(settings.limits.cooler_c, "temp_c", show=settings.show_temperature)
    said += [say("short_cooler", cooler=cooler), say("short_change")]
    if decision is not None and decision.confirmation is not None:
        said.append(confirm_words(decision, texts))
    return tuple(said)


def usual_dough_c(trial: Subject, recommended: Mapping[str, str]) -> float | None:
    """Give the usual dough temperature of batches mixed as recommended.

    Parameters
    ----------
    trial : Trial
    recommended : mapping of str to str
        Factor to level; those of balls are not looked at.

    Returns
    -------
    float or None
        Degrees Celsius, the median; None where no such batch has one.
    """
    plan = trial.frozen_plan
    if plan is None:
        return None
    factors = [f for f in trial.settings.factors_set("day", "batch") if f.name in recommended]
    mixed = {
        str(row["batch_id"]) for row in plan.batches
        if all(f.level_of(row[f.column]) == recommended[f.name] for f in factors)
    }  # fmt: skip
    found = [m["dough_temp_c"] for m in trial.records.mixes
             if m["batch_id"] in mixed and m["dough_temp_c"] is not None]  # fmt: skip
    return float(median(found)) if found else None
