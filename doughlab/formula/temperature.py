"""Temperature: how warm or cold the mixing water has to be, and how much ice that takes.

`doughlab mix` and the kitchen card ask here; the warming by the mixer is learned in `friction`.
Celsius and grams throughout; what was typed in Fahrenheit is answered in it by the command.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from doughlab.errors import InputError, OutOfRange
from doughlab.sources import CONSTANTS

WATER_CP = CONSTANTS["water_specific_heat"].value
FLOUR_CP = CONSTANTS["flour_specific_heat"].value
ICE_K = CONSTANTS["ice_latent_heat"].value / WATER_CP  # kelvin that melting is worth
# kJ/(kg K), handbook figures from memory; whatever is not listed counts as flour
SPECIFIC_HEATS = {"flour": FLOUR_CP, "water": WATER_CP, "salt": 0.88, "oil": 1.97}

HOTTEST_WATER_C = 45.0  # just below the 45.4 C at which baker's yeast stops (Salvado et al. 2011)
MOST_ICE_PCT = 50.0  # of the mixing water; common practice, no source
MUCH_ICE_PCT = 25.0  # from here on: see that it melts; common practice, no source


@dataclass(frozen=True)
class Part:
    """What comes into the mixer beside the mixing water.

    Attributes
    ----------
    name : str
    grams : float
    temp_c : float
        Degrees Celsius.
    specific_heat_kj_kgk : float

    Examples
    --------
    >>> Part.of("flour", 1000, 21).specific_heat_kj_kgk
    1.76
    >>> Part.preferment("loose", flour_g=500, water_g=500, temp_c=20).grams
    1000
    >>> water = Part.of("water", 1000, 15)
    >>> round(water.heat_kj_k, 2)
    4.19
    """

    name: str
    grams: float
    temp_c: float
    specific_heat_kj_kgk: float

    @classmethod
    def of(cls, name: str, grams: float, temp_c: float) -> Part:
        """Make a part with the specific heat of its name; an unknown one counts as flour."""
        return cls(name, grams, temp_c, SPECIFIC_HEATS.get(name, FLOUR_CP))

    @classmethod
    def preferment(cls, name: str, *, flour_g: float, water_g: float, temp_c: float) -> Part:
        """Make a preferment from its flour and water.

        Raises
        ------
        InputError
            Where it weighs nothing.
        """
        grams = flour_g + water_g
        if grams <= 0:
            raise InputError(f"Preferment '{name}' weighs nothing.")
        cp = (flour_g * FLOUR_CP + water_g * WATER_CP) / grams
        return cls(name, grams, temp_c, cp)

    @property
    def heat_kj_k(self) -> float:
        """Heat that warms it by one kelvin."""
        return self.grams / 1000.0 * self.specific_heat_kj_kgk


def water_temp_by_factor(
    target_c: float,
    *,
    flour_c: float,
    room_c: float,
    friction_c: float,
    preferment_c: float | None = None,
) -> float:
    """Work out the water temperature by the factor rule of the trade.

    Factor 3: three times the wanted dough temperature, minus flour, room and friction. With a
    preferment factor 4, minus its temperature too. The rule weighs everything alike, so its
    friction belongs to it and is not the warming of the dough (see `friction`).

    Parameters
    ----------
    target_c : float
        Wanted dough temperature, 5 to 40 degrees Celsius.
    flour_c, room_c : float
        Degrees Celsius.
    friction_c : float
        The rule's friction, a difference in degrees Celsius.
    preferment_c : float, optional
        Temperature of a preferment; makes it factor 4.

    Returns
    -------
    float
        Degrees Celsius; may lie below zero, then it stands for ice.

    References
    ----------
    Rule of the trade, common practice. In Fahrenheit the same numbers come out, since the weights
    add up to one. Checked in tests/reference/test_water_temperature_trade.py.

    Examples
    --------
    >>> water_temp_by_factor(24, flour_c=21, room_c=22, friction_c=8)
    21
    >>> water_temp_by_factor(24, flour_c=21, room_c=22, friction_c=8, preferment_c=20)
    25
    """
    _check_target(target_c)
    if preferment_c is None:
        return 3 * target_c - flour_c - room_c - friction_c
    return 4 * target_c - flour_c - room_c - friction_c - preferment_c


def water_temp_by_balance(
    target_c: float, parts: Sequence[Part], *, water_g: float, rise_c: float
) -> float:
    """Work out the water temperature by a heat balance.

    The dough before the mixer warms it is a mixture; water closes the balance. The room enters
    through the rise only.

    Parameters
    ----------
    target_c : float
        Wanted dough temperature, 5 to 40 degrees Celsius.
    parts : sequence of Part
        Everything but the mixing water.
    water_g : float
        Mixing water, grams, above 0.
    rise_c : float
        How much mixing warms the dough, a difference in degrees Celsius.

    Returns
    -------
    float
        Degrees Celsius; may lie below zero, then it stands for ice.

    Raises
    ------
    OutOfRange
        For a target no dough has.
    InputError
        Without water.

    References
    ----------
    Heat balance of a mixture, sum of m c (T - target) = 0; specific heats are handbook figures,
    from memory. Checked in tests/reference/test_water_temperature_trade.py.

    Examples
    --------
    >>> water = water_temp_by_balance(24, [Part.of("flour", 100, 21)], water_g=62, rise_c=8 / 3)
    >>> round(water, 2)
    21.56
    """
    _check_target(target_c)
    if water_g <= 0:
        raise InputError("There is no mixing water to set a temperature with.")
    before = target_c - rise_c
    missing = sum(p.heat_kj_k * (before - p.temp_c) for p in parts)
    return before + missing / (water_g / 1000.0 * WATER_CP)


def dough_temp_by_balance(
    parts: Sequence[Part],
    *,
    water_g: float,
    water_c: float,
    rise_c: float = 0.0,
    ice_g: float = 0.0,
) -> float:
    """Foresee the dough temperature from what comes into the mixer.

    Parameters
    ----------
    parts : sequence of Part
        Everything but water and ice.
    water_g, water_c : float
        Liquid mixing water, grams and degrees Celsius.
    rise_c : float
        How much mixing warms the dough, a difference in degrees Celsius.
    ice_g : float
        Ice at 0 C that melts in the dough, grams.

    Examples
    --------
    >>> round(dough_temp_by_balance([Part.of("flour", 100, 21)], water_g=62, water_c=21.558,
    ...                             rise_c=8 / 3), 3)
    24.0
    """
    water = water_g / 1000.0 * WATER_CP
    ice = ice_g / 1000.0 * WATER_CP
    capacity = sum(p.heat_kj_k for p in parts) + water + ice
    if capacity <= 0:
        raise InputError("There is nothing in the mixer.")
    heat = sum(p.heat_kj_k * p.temp_c for p in parts) + water * water_c - ice * ICE_K
    return heat / capacity + rise_c


def ice_for(water_g: float, *, tap_c: float, wanted_c: float) -> float:
    """Work out the ice that cools tap water to a temperature, as part of the same mass.

    ice = W (tap - wanted) / (tap + 79.68), in Celsius. A wanted temperature below zero stands for
    ice that goes on melting in the dough.

    Parameters
    ----------
    water_g : float
        Ice and water together, grams.
    tap_c, wanted_c : float
        Degrees Celsius; tap 0 or above.

    Returns
    -------
    float
        Grams; 0 where the tap is cold enough. Never more than `water_g` is worth: see `plan_water`.

    Raises
    ------
    OutOfRange
        For tap water below 0 degrees Celsius.

    References
    ----------
    Latent heat over specific heat, 333.55/4.186 = 79.68 K. Checked in
    tests/reference/test_ice_latent_heat.py.

    Examples
    --------
    >>> round(ice_for(1000, tap_c=20, wanted_c=4), 2)
    160.51
    """
    if tap_c < 0:
        raise OutOfRange(f"Tap water of {tap_c:g} °C is ice.", value=tap_c, low=0, high=None)
    return max(0.0, water_g * (tap_c - wanted_c) / (tap_c + ICE_K))


def ice_by_trade_rule(water: float, *, tap_f: float, wanted_f: float) -> float:
    """Work out the ice by the trade's rule in Fahrenheit.

    ice = W (tap - wanted) / (tap + 112); 112 is 144 Btu per pound minus 32.

    Parameters
    ----------
    water : float
        Ice and water together, in any unit of mass.
    tap_f, wanted_f : float
        Degrees Fahrenheit.

    Returns
    -------
    float
        In the unit of `water`.

    Examples
    --------
    >>> round(ice_by_trade_rule(1000, tap_f=68, wanted_f=39.2), 1)
    160.0
    """
    return max(0.0, water * (tap_f - wanted_f) / (tap_f + 112.0))


@dataclass(frozen=True)
class WaterPlan:
    """How to get mixing water of a temperature from the tap.

    Attributes
    ----------
    wanted_c : float
        What the dough needs; below zero stands for ice.
    reached_c : float
        What tap, ice and hot water give.
    tap_g, ice_g, hot_g : float
        Grams; together the mixing water.
    notes : tuple of str
        What to watch.

    Examples
    --------
    >>> plan_water(1000, wanted_c=20, tap_c=20).liquid_c
    20.0
    """

    wanted_c: float
    reached_c: float
    tap_g: float
    ice_g: float
    hot_g: float
    notes: tuple[str, ...] = ()

    @property
    def reached(self) -> bool:
        """Whether the water gets as cold or warm as the dough needs."""
        return abs(self.reached_c - self.wanted_c) < 0.05

    @property
    def liquid_c(self) -> float:
        """Temperature of the water without its ice, tap and hot mixed."""
        whole = self.tap_g + self.hot_g
        if whole == 0:
            return 0.0
        mass = whole + self.ice_g
        return (self.reached_c * mass + self.ice_g * ICE_K) / whole


def plan_water(
    water_g: float,
    *,
    wanted_c: float,
    tap_c: float,
    hot_c: float | None = None,
    most_ice_pct: float = MOST_ICE_PCT,
) -> WaterPlan:
    """Plan tap water, ice and hot water for a temperature.

    Parameters
    ----------
    water_g : float
        Mixing water in all, grams, above 0.
    wanted_c : float
        Degrees Celsius; below zero stands for ice.
    tap_c : float
        Degrees Celsius, 0 to 60.
    hot_c : float, optional
        Hot water at hand, degrees Celsius.
    most_ice_pct : float
        Most ice in the water, per cent of its mass, 0 to 100.

    Returns
    -------
    WaterPlan
        Within the limits: never above 45 C, never more ice than stated; `reached` tells.

    Raises
    ------
    OutOfRange
        For no water, or water that is not liquid (0 to 100 degrees Celsius).

    References
    ----------
    Two-part mixture of tap and hot water, ice as in `ice_for`; the hottest water and the most
    ice are stated where they stand, common practice, no source.

    Examples
    --------
    >>> plan = plan_water(600, wanted_c=2, tap_c=18)
    >>> round(plan.ice_g, 2), round(plan.tap_g, 2), plan.reached
    (98.28, 501.72, True)
    """
    if water_g <= 0:
        raise OutOfRange(f"water_g {water_g:g} must lie above 0 g.", value=water_g, low=0,
                         high=None)  # fmt: skip
    for name, value in (("tap_c", tap_c), ("hot_c", 60.0 if hot_c is None else hot_c)):
        if not 0 <= value <= 100:
            raise OutOfRange(
                f"{name} {value:g} lies outside 0 to 100 °C. Enter liquid water.", value=value,
                low=0, high=100,
            )  # fmt: skip
    if wanted_c > tap_c + 0.05:
        return _warm_water(water_g, wanted_c, tap_c, hot_c)
    ice = ice_for(water_g, tap_c=tap_c, wanted_c=wanted_c)
    most = water_g * most_ice_pct / 100.0
    notes = []
    if ice > most:
        ice = most
        notes.append(
            f"more than {most_ice_pct:g} % ice would be needed: chill the flour as well, or mix "
            "less long"
        )
    elif ice > water_g * MUCH_ICE_PCT / 100.0:
        notes.append("that is much ice: use it fine, and see that it melts while mixing")
    reached = (tap_c * (water_g - ice) - ICE_K * ice) / water_g
    return WaterPlan(wanted_c, reached, water_g - ice, ice, 0.0, tuple(notes))


def _warm_water(water_g: float, wanted_c: float, tap_c: float, hot_c: float | None) -> WaterPlan:
    notes = []
    goal = min(wanted_c, HOTTEST_WATER_C)
    if wanted_c > HOTTEST_WATER_C:
        notes.append(
            f"water above {HOTTEST_WATER_C:g} °C harms yeast: warm flour and room instead, or "
            "accept a cooler dough"
        )
    if hot_c is None:
        notes.append("warm the water, and measure it")
        return WaterPlan(wanted_c, goal, water_g, 0.0, 0.0, tuple(notes))
    if hot_c <= goal:
        notes.append("the hot water is not hot enough")
        if hot_c <= tap_c:  # it would only cool the tap's
            return WaterPlan(wanted_c, tap_c, water_g, 0.0, 0.0, tuple(notes))
        return WaterPlan(wanted_c, hot_c, 0.0, 0.0, water_g, tuple(notes))
    hot = water_g * (goal - tap_c) / (hot_c - tap_c)
    return WaterPlan(wanted_c, goal, water_g - hot, 0.0, hot, tuple(notes))


def _check_target(target_c: float) -> None:
    if not 5 <= target_c <= 40:
        raise OutOfRange(
            f"A dough of {target_c:g} °C lies outside 5 to 40 °C. In Fahrenheit type the unit, "
            "such as 75 F.",
            value=target_c,
            low=5,
            high=40,
        )
