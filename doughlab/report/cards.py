"""Cards for the kitchen: what to do, one batch, room by room, what to do when, daily limits.

The report's chapter on every day and the cook's page are made of them. Limits come from the
decision, the settled recipe and the owner's own settings; the kitchen card from `kitchen`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from doughlab.analysis.wording import decimals_for, level_words
from doughlab.daily.checklist import list_points
from doughlab.daily.journals import read_daily
from doughlab.daily.recipe import Recipe, read_recipe
from doughlab.daily.standing import find_standing
from doughlab.decision.words import (
    BAND_CAUTION,
    band_words,
    chance_words,
    hours_words,
    setting_words,
)
from doughlab.errors import InputError, MissingRecords, NotEstimable, PlanError
from doughlab.report.blocks import Block, Grid, Head, Listing, Section, Words, grid_of
from doughlab.report.chapters import batch_grid
from doughlab.report.daily_pictures import picture_daily
from doughlab.report.deciding import confirm_words
from doughlab.report.kitchen import kitchen_card, span_of
from doughlab.report.results import draw
from doughlab.report.text import Texts, without_commands
from doughlab.units import axis_unit, convert, format_quantity

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.choose import Decision
    from doughlab.formula.card import KitchenCard
    from doughlab.report.subject import Subject


def decide_if_possible(
    trial: Subject, analyses: Mapping[str, Analysis], texts: Texts
) -> tuple[Decision | None, str]:
    """Decide; where that cannot be, say why.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis
        By response.
    texts : Texts
    """
    from doughlab.decision.choose import decide

    if not analyses:
        return None, texts.say("plan_none" if trial.frozen_plan is None else "no_record")
    try:
        return decide(trial, analyses=analyses), ""
    except (PlanError, MissingRecords, NotEstimable) as error:
        return None, str(error)


def daily_chapter(trial: Subject, decision: Decision | None, texts: Texts) -> Section:
    """Tell what every day is held against, and give the cards for the wall.

    Parameters
    ----------
    trial : Trial
    decision : Decision or None
    texts : Texts
    """
    say = texts.say
    recipe, lead = _settled(trial, texts)
    limits: tuple[Block, ...] = (*lead, limits_grid(trial, decision, recipe, texts))
    card = kitchen_card(trial, decision.recommended if decision is not None else {})
    parts = [
        Section("limits", say("head_limits"), limits),
        Section("card-rooms", say("head_short_rooms"), rooms_card(trial, card, texts)),
        Section("card-batch", say("head_short_batch"), batch_card(trial, decision, texts)),
        Section("card-when", say("head_short_when"),
                (Listing(when_card(trial, decision, texts)),)),
    ]  # fmt: skip
    if recipe is not None:
        show = trial.settings.show_temperature
        parts += since_part(trial, recipe, texts)
        for name in ("opening", "mixing"):
            points = list_points(name, recipe, trial.settings.limits, show=show)
            listed = Listing(tuple(without_commands(p) for p in points))
            parts.append(Section(f"card-{name}", say(f"head_{name}"), (listed,)))
    return Section("daily", say("head_daily"), (), tuple(parts))


def since_part(trial: Subject, recipe: Recipe, texts: Texts) -> list[Section]:
    """Show the chart of every day since the recipe was settled; empty without a lot."""
    standing = find_standing(recipe, read_daily(trial.folder, (trial.settings.dough,)))
    if not standing.points:
        return []
    show = trial.settings.show_temperature
    drawn = draw(lambda: picture_daily(recipe, standing, show=show, texts=texts), texts)
    return [Section("since", texts.say("head_since"), tuple(drawn))]


def _settled(trial: Subject, texts: Texts) -> tuple[Recipe | None, tuple[Words, ...]]:
    """Read the settled recipe, and say since when it holds."""
    say = texts.say
    try:
        recipe = read_recipe(trial.folder)
    except InputError as error:
        return None, (Words(say("settled_unread", why=str(error)), "caution"),)
    if recipe is None:
        return None, (Words(say("settled_not")),)
    said = [say("settled_on", at=recipe.settled_at, by=recipe.settled_by,
                evidence=recipe.evidence)]  # fmt: skip
    if recipe.expires_on:
        said.append(say("settled_until", until=recipe.expires_on))
    said.append(say("settled_ends", changes="; ".join(recipe.expires_when)))
    return recipe, (Words(" ".join(said)),)


def limits_grid(
    trial: Subject, decision: Decision | None, recipe: Recipe | None, texts: Texts
) -> Grid:
    """List the limits of every day with where each comes from.

    Parameters
    ----------
    trial : Trial
    decision : Decision or None
    recipe : Recipe or None
        The settled one; its expectation stands before the trial's.
    texts : Texts
    """
    say, settings = texts.say, trial.settings
    limits, show = settings.limits, settings.show_temperature
    rows = _window_rows(decision, recipe, texts)
    rows.append([say("limit_hold"), say("most", value=f"{limits.max_hold_h:g} h"),
                 say("from_own")])  # fmt: skip
    rows.append([say("limit_warm"), say("most", value=f"{limits.warm_h:g} h"), say("from_own")])
    cooler = format_quantity(limits.cooler_c, "temp_c", show=show)
    rows.append([say("limit_cooler"), say("most", value=cooler), say("from_own")])
    rooms = span_of(m.get("room_temp_c") for m in trial.records.mixes)
    if rooms is not None:
        low, high = (format_quantity(t, "temp_c", show=show, digits=0) for t in rooms)
        rows.append([say("limit_room"), say("from_to", low=low, high=high), say("from_tried")])
    heads = [Head(say("col_what")), Head(say("col_limit")), Head(say("col_from"), number=False)]
    return grid_of(say("limits_caption"), heads, rows)


def _window_rows(decision: Decision | None, recipe: Recipe | None, texts: Texts) -> list[list[str]]:
    """Give the limits of the response whose window it is."""
    say = texts.say
    if decision is None or decision.window.ends is None:
        return []
    response = decision.settings.response(decision.window.response)
    hold, d = decision.settings.hold, decimals_for(response.margin)
    at = ""
    if hold is not None and hold.name in decision.recommended:
        at = " " + say("at_hold", hold=level_words(hold, decision.recommended[hold.name]))
    words: dict[str, str] = {"response": response.words, "at": at}

    def ends(low: float, high: float) -> str:
        return say("from_to", low=f"{low:.{d}f}", high=f"{high:.{d}f}")

    rows = [
        [
            say("limit_window", **words),
            ends(*decision.window.ends),
            say("from_window" if decision.window.given else "from_found"),
        ]
    ]
    if recipe is not None:
        words["at"] = " " + say("at_hold", hold=f"{recipe.hold_h:g} h")
        who = say("from_settled", at=recipe.settled_at, by=recipe.settled_by)
        rows.append([say("limit_expected", **words),
                     ends(recipe.expected_low, recipe.expected_high), who])  # fmt: skip
        rows.append([say("limit_single", **words),
                     ends(recipe.single_low, recipe.single_high), who])  # fmt: skip
    elif decision.confirmation is not None:
        c = decision.confirmation
        rows.append([say("limit_mean", **words), ends(c.low, c.high), say("from_trial")])
        rows.append([say("limit_single", **words), ends(c.single_low, c.single_high),
                     say("from_trial")])  # fmt: skip
    return rows


def do_card(decision: Decision | None, why: str, texts: Texts) -> tuple[Block, ...]:
    """Say what to do: settings, how sure, the hours.

    Parameters
    ----------
    decision : Decision or None
    why : str
        Why there is no decision.
    texts : Texts
    """
    if decision is None:
        return (Words(texts.say("decision_none", why=why)),)
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
        blocks.append(Words(" ".join(hours_words(decision.hours, band_words(decision)))))
    return tuple(blocks)


def batch_card(trial: Subject, decision: Decision | None, texts: Texts) -> tuple[Block, ...]:
    """Give one batch of the kitchen (balls of formula.toml), as recommended, in grams."""
    formula = trial.formula
    if formula is None:
        return (Words(texts.say("formula_none")),)
    levels = {f.name: f.levels[0] for f in trial.settings.factors.values()}
    if decision is not None:
        levels |= decision.recommended
    return (batch_grid(formula, levels, formula.balls, texts),)


def rooms_card(trial: Subject, card: KitchenCard | None, texts: Texts) -> tuple[Block, ...]:
    """Give water, ice, warm-up and hold for each room that was tried.

    Parameters
    ----------
    trial : Trial
    card : KitchenCard or None
        None says that no room was tried.
    texts : Texts
    """
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


def when_card(trial: Subject, decision: Decision | None, texts: Texts) -> tuple[str, ...]:
    """Say what to do when pH, time or the cooler is not as it should be."""
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
