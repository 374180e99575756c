"""The kitchen card of a trial: what was tried in which rooms, brought together for the card.

The report and the command `mix` call it. What a room asks for is worked out by the formula room;
cells outside what was tried stay blank.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING, Any

from doughlab.units import convert

if TYPE_CHECKING:
    from doughlab.formula.card import CardBasis, KitchenCard
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.record.records import Records
    from doughlab.report.subject import Subject
    from doughlab.settings import Settings

FEWEST = 3  # mixes that a card learns from before it looks at others
TAP_C = 15.0  # where nobody says how warm the tap is
_ROOMS_C = tuple(float(t) for t in range(16, 33))
_ROOMS_F = tuple(float(t) for t in range(60, 93, 2))


def kitchen_card(trial: Subject, recommended: Mapping[str, str]) -> KitchenCard | None:
    """Make the card of a trial for the dough that is usual with the recommended settings.

    Parameters
    ----------
    trial : Trial
    recommended : mapping of str to str
        Factor to level; may be empty.

    Returns
    -------
    KitchenCard or None
        None without a formula, without a mix, or where no mix has a dough temperature.
    """
    from doughlab.formula.card import CardBasis, build_card
    from doughlab.formula.mixwater import learn_from_mixes

    formula, records, settings, plan = (
        trial.formula, trial.records, trial.settings, trial.frozen_plan,
    )  # fmt: skip
    if formula is None or not records.mixes:
        return None
    levels = batch_levels(settings, plan)
    mixes = like_recommended(settings, plan, records.mixes, recommended)
    own = learn_from_mixes(mixes, formula, levels=levels)
    dough_c = usual_dough_c(trial, recommended)
    dough_c = own.dough_c if dough_c is None else round(dough_c, 2)
    if dough_c is None:
        return None
    rooms = span_of(m.get("room_temp_c") for m in records.mixes)
    hold = recommended.get(settings.hold.name, "") if settings.hold else ""
    more = what_was_tried(settings, records, plan, hold=hold)
    formula = formula_at(formula, settings, recommended)
    basis = CardBasis(formula, own, dough_c, TAP_C, mix_rooms_c=rooms, film=formula.box.film,
                      flour_off_c=flour_off(records.mixes), **more)  # fmt: skip
    return build_card(card_rooms(settings.show_temperature),
                      within_cooler(basis, too_warm(settings, records)))  # fmt: skip


def like_recommended(
    settings: Settings, plan: Plan | None, mixes: Sequence[Any], recommended: Mapping[str, str]
) -> list[Any]:
    """Choose the mixes with the recommended temperatures; all where fewer than three were probed.

    Cold dough takes up more warmth from bowl and air than warm dough does (common practice, no
    source), so the card learns from mixes such as the ones it is for.

    Parameters
    ----------
    settings : Settings
    plan : Plan or None
    mixes : sequence of dict
        Rows of record/mixes.csv.
    recommended : mapping of str to str
        Factor to level.
    """
    setting = {f.name: recommended[f.name] for f in settings.factors_set("day", "batch")
               if f.unit == "temp_c" and f.name in recommended}  # fmt: skip
    if plan is None or not setting:
        return list(mixes)
    same = plan.mixed_as(setting)
    kept = [m for m in mixes if m["batch_id"] in same]
    enough = sum(m["dough_temp_c"] is not None for m in kept) >= FEWEST
    return kept if enough else list(mixes)


def formula_at(formula: Formula, settings: Settings, recommended: Mapping[str, str]) -> Formula:
    """Give the formula with the recommended percentages in place of its own.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> demo = open_demo()
    >>> formula_at(demo.formula, demo.settings, {"hydration": "65"}).percents["hydration"]
    65.0
    """
    factors = [settings.factors[n] for n in recommended if n in settings.factors]
    own = {f.name: float(f.value_of(recommended[f.name])) for f in factors
           if f.kind == "number" and f.name in formula.percents}  # fmt: skip
    return replace(formula, percents={**formula.percents, **own})


def flour_off(mixes: Iterable[Any]) -> float:
    """Give by how much the flour was warmer than the room, the median; 0 where nobody read it.

    Examples
    --------
    >>> flour_off([{"flour_temp_c": 19.0, "room_temp_c": 20.0}])
    -1.0
    """
    found = [m["flour_temp_c"] - m["room_temp_c"] for m in mixes
             if m["flour_temp_c"] is not None and m["room_temp_c"] is not None]  # fmt: skip
    return round(float(median(found)), 2) if found else 0.0


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
    return usual_dough(trial.frozen_plan, trial.records.mixes, recommended)


def usual_dough(
    plan: Plan | None, mixes: Sequence[Any], recommended: Mapping[str, str]
) -> float | None:
    """Give the usual dough temperature of mixes with these levels; as `usual_dough_c`."""
    if plan is None:
        return None
    mixed = plan.mixed_as(recommended)
    found = [m["dough_temp_c"] for m in mixes
             if m["batch_id"] in mixed and m["dough_temp_c"] is not None]  # fmt: skip
    return float(median(found)) if found else None


def card_rooms(show: str) -> list[float]:
    """List the rooms of a card in degrees Celsius: whole ones of the unit that is shown.

    Examples
    --------
    >>> card_rooms("C")[:3], round(card_rooms("F")[0], 1)
    ([16.0, 17.0, 18.0], 15.6)
    """
    if show == "F":
        return [convert(t, "temp_f", "temp_c") for t in _ROOMS_F]
    return list(_ROOMS_C)


def batch_levels(settings: Settings, plan: Plan | None) -> dict[str, dict[str, Any]]:
    """Give the levels of every planned batch."""
    if plan is None:
        return {}
    factors = settings.factors_set("day", "batch")
    return {str(row["batch_id"]): {f.name: row[f.column] for f in factors} for row in plan.batches}


def span_of(found: Iterable[Any]) -> tuple[float, float] | None:
    """Give the least and the most of what is known; None where nothing is.

    Examples
    --------
    >>> span_of([20, None, 24.5])
    (20.0, 24.5)
    """
    known = [float(v) for v in found if v is not None]
    return (min(known), max(known)) if known else None


def what_was_tried(
    settings: Settings, records: Records, plan: Plan | None, *, hold: str = ""
) -> dict[str, Any]:
    """Say in which rooms balls warmed up and were used, and what is usual.

    Parameters
    ----------
    settings : Settings
    records : Records
    plan : Plan or None
    hold : str
        The recommended level of the hold; where it is left out, the hold of use counts.

    Returns
    -------
    dict
        Arguments of `CardBasis`.
    """
    from doughlab.formula.stays import UsualDay, find_room
    from doughlab.record.balls import ball_states, hours_between

    usual = UsualDay.of(
        records.mixes, records.temperatures, warm_min=settings.kitchen.warm_min,
        limit_c=settings.limits.cooler_c,
    )  # fmt: skip
    states = ball_states(plan, records).values() if plan is not None else ()
    read = [*records.temperatures, *({"place": "room", "at": m["mixed_at"],
            "temp_c": m["room_temp_c"]} for m in records.mixes
            if m["mixed_at"] is not None and m["room_temp_c"] is not None)]  # fmt: skip
    rooms = [find_room(read, s.used_at) for s in states if s.used_at is not None]
    cores = [b["core_temp_c"] for b in records.bakes if b["core_temp_c"] is not None]
    spent = [
        hours_between(m["mixed_at"], m["cooled_at"]) for m in records.mixes
        if m["mixed_at"] is not None and m["cooled_at"] is not None
    ]  # fmt: skip
    return {
        "warm_rooms_c": span_of(rooms),
        "hold_rooms_c": span_of(rooms),
        "core_c": median(cores) if cores else None,
        "hold_h": _hold_h(settings, hold),
        "warm_h": usual.warm_h,
        "bench_h": usual.bench_h,
        "usual_room_c": usual.room_c,
        "cooler_c": usual.cooler_c,
        "warm_limit_h": settings.limits.warm_h,
        "spent_h": median(spent) if spent else 1.0,
    }


def _hold_h(settings: Settings, level: str) -> float | None:
    """Give the hours of a level of the hold, or of use where none is recommended."""
    if level and settings.hold is not None:
        return float(settings.hold.value_of(level))
    window = settings.window
    asked = settings.responses.get(window.response if window else "ph")
    return asked.use_hold_h if asked else None


def too_warm(settings: Settings, records: Records) -> str:
    """Say that the cooler was too warm when it was read last; empty where it was not."""
    if records.last_at is None:
        return ""
    from doughlab.record.due import cooler_words

    return cooler_words(settings, records, records.last_at)


def within_cooler(basis: CardBasis, warm: str) -> CardBasis:
    """Blank warm-up and hold where the cooler was too warm."""
    return replace(basis, warm_rooms_c=None, hold_rooms_c=None) if warm else basis
