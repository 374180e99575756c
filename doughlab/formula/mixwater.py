"""Mixing water: what today's batch needs, from formula, kitchen temperatures and own mixes.

`doughlab mix` and the kitchen card ask here.
Heat balance and ice stand in `temperature`, warming in `friction`, grams in `weighing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Any

from doughlab.errors import InputError, OutOfRange
from doughlab.formula.formula import PERCENTS, Formula
from doughlab.formula.friction import (
    FrictionModel,
    MixRecord,
    Rise,
    factor_rule_friction,
    fit_friction,
)
from doughlab.formula.temperature import (
    Part,
    WaterPlan,
    dough_temp_by_balance,
    plan_water,
    water_temp_by_balance,
    water_temp_by_factor,
)
from doughlab.formula.weighing import Weighing, weigh_batch

Row = Mapping[str, Any]
_MEASURED = ("water_temp_c", "dough_temp_c")


def list_parts(
    card: Weighing, formula: Formula, *, flour_c: float, room_c: float,
    ferment_c: float | None = None,
) -> tuple[list[Part], float]:  # fmt: skip
    """List what comes into the mixer beside the mixing water, and the grams of that water.

    Salt, oil and the like stand at room temperature; an acid product counts with the water.

    Parameters
    ----------
    card : Weighing
    formula : Formula
    flour_c, room_c : float
        Degrees Celsius.
    ferment_c : float, optional
        Preferments; room temperature unless given.
    """
    ferments = {f.name: f for f in formula.preferments}
    warmth = room_c if ferment_c is None else ferment_c
    parts, water_g = [], 0.0
    for p in card.parts:
        if p.step.startswith("preferment"):
            continue
        if p.name in ferments:
            f = ferments[p.name]
            flour = p.grams * 100.0 / (100.0 + f.hydration_pct)
            parts.append(
                Part.preferment(p.name, flour_g=flour, water_g=p.grams - flour, temp_c=warmth)
            )
        elif p.name in formula.flours:
            parts.append(Part.of("flour", p.grams, flour_c))
        elif p.name == "water" or (formula.acid and p.name == formula.acid.product):
            water_g += p.grams
        else:
            known = p.name if p.name in PERCENTS else "flour"
            parts.append(Part.of(known, p.grams, room_c))
    return parts, water_g


def rise_of_mix(mix: Row, formula: Formula, *, ferment_c: float | None = None) -> float | None:
    """Work out how much a recorded mix warmed its dough; None where a temperature is missing.

    Parameters
    ----------
    mix : mapping
        A row of record/mixes.csv.
    formula : Formula
        For what the row does not say: the grams.
    ferment_c : float, optional
        Its preferment, degrees Celsius, where the row does not say it (`preferment_temp_c`); room
        temperature unless given.

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62})
    >>> mix = {"flour_temp_c": 21, "water_temp_c": 21.558, "dough_temp_c": 24}
    >>> round(rise_of_mix(mix, dough), 3)
    2.667
    """
    flour_c = flour_of(mix)
    if flour_c is None or any(mix.get(name) is None for name in _MEASURED):
        return None
    water_c, dough_c = (float(mix[name]) for name in _MEASURED)
    room = mix.get("room_temp_c")
    room_c = flour_c if room is None else float(room)
    parts, water_g = list_parts(
        weigh_batch(formula), formula, flour_c=flour_c, room_c=room_c,
        ferment_c=_ferment_of(mix, ferment_c),
    )  # fmt: skip
    if mix.get("flour_g") and mix.get("water_g"):
        flour_g = sum(p.grams for p in parts if p.name == "flour")
        water_g = float(mix["water_g"]) * flour_g / float(mix["flour_g"]) if flour_g else water_g
    return dough_c - dough_temp_by_balance(parts, water_g=water_g, water_c=water_c)


def flour_of(mix: Row) -> float | None:
    """Give the flour of a mix, °C: as read, or where nobody read it as warm as the room.

    Flour that stands in the room takes its temperature (common practice, no source).

    Parameters
    ----------
    mix : mapping
        A row of record/mixes.csv.

    Examples
    --------
    >>> flour_of({"flour_temp_c": None, "room_temp_c": 22.2}), flour_of({"room_temp_c": None})
    (22.2, None)
    """
    read = mix.get("flour_temp_c")
    stood = mix.get("room_temp_c") if read is None else read
    return None if stood is None else float(stood)


def _ferment_of(mix: Row, otherwise: float | None) -> float | None:
    """Give the temperature of a mix's preferment, another one where the row does not say it."""
    stated = mix.get("preferment_temp_c")
    return otherwise if stated is None else float(stated)


def _usual_ferment(mixes: Iterable[Row]) -> float | None:
    """Give the middle of the preferments that mixes state; None where none does."""
    said = [float(m["preferment_temp_c"]) for m in mixes if m.get("preferment_temp_c") is not None]
    return median(said) if said else None


@dataclass(frozen=True)
class OwnMixes:
    """What the kitchen's mixes say about warming.

    Attributes
    ----------
    model : FrictionModel
        For the heat balance.
    factor_friction_c : float or None
        For the factor rule: the middle of own mixes; None without one.
    dough_c : float or None
        The middle of the dough temperatures reached.
    frictions : dict of (mixer, speed) to float
        The factor rule's friction of each kind of mix.
    left_out : tuple of str
        Mixes whose temperatures cannot be, in words.
    ferment_c : float or None
        The middle of the preferments that the mixes state, degrees Celsius; None where none does.
    unsaid : int
        Mixes with a preferment that do not say how warm it was.

    Examples
    --------
    >>> own = learn_from_mixes([], Formula(percents={"hydration": 62}))
    >>> own.factor_friction_c is None, own.model.foresee().n
    (True, 0)
    """

    model: FrictionModel
    factor_friction_c: float | None
    dough_c: float | None
    left_out: tuple[str, ...] = ()
    frictions: dict[tuple[str, str], float] = field(default_factory=dict)
    ferment_c: float | None = None
    unsaid: int = 0


def learn_from_mixes(
    mixes: Iterable[Row], formula: Formula, *, levels: Mapping[str, Row] | None = None,
    ferment_c: float | None = None,
) -> OwnMixes:  # fmt: skip
    """Learn the warming from recorded mixes.

    Parameters
    ----------
    mixes : iterable of mapping
        Rows of record/mixes.csv.
    formula : Formula
    levels : mapping of batch to its levels, optional
        What the plan changes of the formula, batch by batch.
    ferment_c : float, optional
        The preferment of today, degrees Celsius. Mixes that do not say theirs
        (`preferment_temp_c`) are taken to have had the same: warming learned with it and used with
        it, what is off in it cancels.

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62})
    >>> mix = {"flour_temp_c": 21, "room_temp_c": 21, "water_temp_c": 16, "dough_temp_c": 22}
    >>> own = learn_from_mixes([mix], dough)
    >>> own.factor_friction_c, own.model.foresee().n
    (8.0, 1)
    """
    records, doughs, left_out = [], [], []
    mixes = list(mixes)
    usual = _usual_ferment(mixes)
    otherwise = usual if ferment_c is None else ferment_c
    unsaid = 0
    frictions: dict[tuple[str, str], list[float]] = {}
    for mix in mixes:
        changed = formula.with_levels((levels or {}).get(str(mix.get("batch_id"))))
        rise = rise_of_mix(mix, changed, ferment_c=otherwise)
        if rise is None:
            continue
        kg = float(mix["flour_g"]) / 1e3 * changed.total_pct / 100 if mix.get("flour_g") else None
        try:
            own = kind_of_mix(mix, formula)
            records.append(MixRecord(rise, mix.get("mix_min"), kg, *own))
        except OutOfRange as error:
            left_out.append(f"{mix.get('batch_id', 'a mix')}: {error}")
            continue
        doughs.append(float(mix["dough_temp_c"]))
        ferment = _ferment_of(mix, otherwise) if changed.preferments else None
        unsaid += bool(changed.preferments) and mix.get("preferment_temp_c") is None
        if mix.get("room_temp_c") is not None:
            frictions.setdefault(own, []).append(_factor_friction(mix, ferment))
    return OwnMixes(
        fit_friction(records),
        median(f for own in frictions.values() for f in own) if frictions else None,
        _usual_dough(doughs, mixes),
        tuple(left_out),
        {own: median(found) for own, found in frictions.items()},
        usual,
        unsaid,
    )


def _factor_friction(mix: Row, ferment_c: float | None) -> float:
    """Give the factor rule's friction of a mix that says dough, flour, room and water."""
    room_c, water_c, dough_c = (
        float(mix[n]) for n in ("room_temp_c", "water_temp_c", "dough_temp_c")
    )
    stood = flour_of(mix)
    flour_c = room_c if stood is None else stood
    return factor_rule_friction(
        dough_c, flour_c=flour_c, room_c=room_c, water_c=water_c, preferment_c=ferment_c
    )


def _usual_dough(doughs: list[float], mixes: list[Row]) -> float | None:
    """Take the dough of the mixes that teach the warming; where none does, of all that say one."""
    told = [float(m["dough_temp_c"]) for m in mixes if m.get("dough_temp_c") is not None]
    return median(doughs or told) if doughs or told else None


def kind_of_mix(mix: Row, formula: Formula) -> tuple[str, str]:
    """Give mixer and speed of a recorded mix; what it does not say is taken from the formula.

    Examples
    --------
    >>> kind_of_mix({"mixer": "spiral", "mixer_speed": None}, Formula())
    ('spiral', '')
    """
    named = (mix.get("mixer"), mix.get("mixer_speed"))
    return (
        formula.mixer.name if named[0] is None else str(named[0]),
        formula.mixer.speed if named[1] is None else str(named[1]),
    )


@dataclass(frozen=True)
class Kitchen:
    """The temperatures of today.

    Attributes
    ----------
    room_c, flour_c, tap_c : float
        Degrees Celsius.
    hot_c : float or None
        Hot water at hand.
    ferment_c : float or None
        A preferment that goes in; where it is not said as in own mixes, else as the room.

    Examples
    --------
    >>> Kitchen(room_c=22, flour_c=21, tap_c=18).hot_c is None
    True
    """

    room_c: float
    flour_c: float
    tap_c: float
    hot_c: float | None = None
    ferment_c: float | None = None


@dataclass(frozen=True)
class MixPlan:
    """Today's mixing water.

    Attributes
    ----------
    dough_c : float
        Wanted, degrees Celsius.
    water_c : float
        What the heat balance asks for; below zero it stands for ice.
    water : WaterPlan
    factor_c : float
        What the factor rule asks for.
    rise : Rise
    reached_c, low_c, high_c : float
        Dough that this water gives, with the 95 % range of a single mix.
    card : Weighing

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62})
    >>> plan = plan_mix(dough, Kitchen(22, 21, 18), learn_from_mixes([], dough), dough_c=24)
    >>> plan.low_c < plan.reached_c < plan.high_c, plan.water.reached
    (True, True)
    """

    dough_c: float
    water_c: float
    water: WaterPlan
    factor_c: float
    rise: Rise
    reached_c: float
    low_c: float
    high_c: float
    card: Weighing


def plan_mix(
    formula: Formula,
    kitchen: Kitchen,
    own: OwnMixes,
    *,
    dough_c: float | None,
    water_c: float | None = None,
    balls: int | None = None,
    minutes: float | None = None,
    kind: tuple[str, str] | None = None,
) -> MixPlan:
    """Plan the water of a batch for today's temperatures.

    Parameters
    ----------
    formula : Formula
    kitchen : Kitchen
    own : OwnMixes
    dough_c : float or None
        Wanted dough temperature, degrees Celsius; None where the water is given.
    water_c : float, optional
        Water that is set, as in a trial; the dough then comes out as it does.
    balls : int, optional
    minutes : float, optional
        Of mixing; the usual ones unless given.
    kind : (mixer, speed), optional
        The formula's unless given.

    Returns
    -------
    MixPlan

    Raises
    ------
    InputError
        Where the formula leaves no water to set a temperature with, or where neither dough nor
        water is given.

    References
    ----------
    `water_temp_by_balance`, `fit_friction` and `plan_water` name the sources.

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62})
    >>> plan = plan_mix(dough, Kitchen(22, 21, 18), learn_from_mixes([], dough), dough_c=24)
    >>> round(plan.water_c, 1), round(plan.reached_c, 1)
    (21.6, 24.0)
    """
    if kitchen.ferment_c is None:
        kitchen = replace(kitchen, ferment_c=own.ferment_c)
    card = weigh_batch(formula, balls=balls)
    parts, water_g = list_parts(
        card, formula, flour_c=kitchen.flour_c, room_c=kitchen.room_c, ferment_c=kitchen.ferment_c
    )
    if water_g <= 0:
        raise InputError(f"{formula.name}: the preferments hold all the water; none is left to mix "
                         "warm or cold.")  # fmt: skip
    known = [r.dough_kg for r in own.model.records if r.dough_kg is not None]
    own_kind = formula.mixer.kind if kind is None else kind
    rise = own.model.foresee(
        minutes=minutes, dough_kg=card.dough_g / 1000.0 if known else None, mixer=own_kind[0],
        speed=own_kind[1],
    )  # fmt: skip
    if water_c is not None:
        without = dough_temp_by_balance(parts, water_g=water_g, water_c=water_c)
        dough_c = without + rise.value_c
    elif dough_c is None:
        raise InputError("Say how warm the dough, or the water, shall be.")
    else:
        water_c = water_temp_by_balance(dough_c, parts, water_g=water_g, rise_c=rise.value_c)
    water = plan_water(water_g, wanted_c=water_c, tap_c=kitchen.tap_c, hot_c=kitchen.hot_c)
    before = dough_temp_by_balance(parts, water_g=water_g, water_c=water.reached_c)
    with_ferment = kitchen.ferment_c if formula.preferments else None
    factors = 3 if with_ferment is None else 4
    friction = own.frictions.get(own_kind, own.factor_friction_c)
    factor_c = water_temp_by_factor(
        dough_c,
        flour_c=kitchen.flour_c,
        room_c=kitchen.room_c,
        friction_c=factors * rise.value_c if friction is None else friction,
        preferment_c=with_ferment,
    )
    return MixPlan(
        dough_c, water_c, water, factor_c, rise, before + rise.value_c, before + rise.low_c,
        before + rise.high_c, card,
    )  # fmt: skip
