"""Heat: what a dough ball, its box and the air around it are made of, in numbers.

`core` and whoever asks it take the ball, its heat properties and the film of air from here.
How the temperature runs is left to `core`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from doughlab.errors import InputError, OutOfRange, UnknownName

# Choi and Okos (1986), coefficients from memory: value at 0 C, per C, per C squared.
_CHOI_OKOS: dict[str, dict[str, tuple[float, float, float]]] = {
    "cp": {  # kJ/(kg K)
        "water": (4.1762, -9.0864e-5, 5.4731e-6),
        "protein": (2.0082, 1.2089e-3, -1.3129e-6),
        "fat": (1.9842, 1.4733e-3, -4.8008e-6),
        "carbohydrate": (1.5488, 1.9625e-3, -5.9399e-6),
        "ash": (1.0926, 1.8896e-3, -3.6817e-6),
    },
    "k": {  # W/(m K); the fat's slope as printed on a secondary page, a tenth of it elsewhere
        "water": (0.57109, 1.7625e-3, -6.7036e-6),
        "protein": (0.17881, 1.1958e-3, -2.7178e-6),
        "fat": (0.18071, -2.7604e-3, -1.7749e-7),
        "carbohydrate": (0.20141, 1.3874e-3, -4.3312e-6),
        "ash": (0.32962, 1.4011e-3, -2.9069e-6),
    },
    "density": {  # kg/m3
        "water": (997.18, 3.1439e-3, -3.7574e-3),
        "protein": (1329.9, -0.5184, 0.0),
        "fat": (925.59, -0.41757, 0.0),
        "carbohydrate": (1599.1, -0.31046, 0.0),
        "ash": (2423.8, -0.28063, 0.0),
    },
}
# Flour as used for the figures of a dough: per cent; "usual figures, from memory".
_FLOUR = {"water": 14.0, "protein": 12.0, "fat": 1.2, "carbohydrate": 72.3, "ash": 0.5}


@dataclass(frozen=True)
class DoughHeat:
    """How a dough takes up and conducts heat.

    Attributes
    ----------
    density_kg_m3, specific_heat_kj_kgk : float
    conductivity_w_mk : float
        Middle of the two bounds.
    conductivity_low_w_mk, conductivity_high_w_mk : float
        Series and parallel bound: heat across layers, and along them.

    Examples
    --------
    >>> round(estimate_dough_heat(60).density_kg_m3)
    1237
    """

    density_kg_m3: float
    specific_heat_kj_kgk: float
    conductivity_w_mk: float
    conductivity_low_w_mk: float
    conductivity_high_w_mk: float


def estimate_dough_heat(
    hydration_pct: float, *, temp_c: float = 20.0, salt_pct: float = 2.5, gas_pct: float = 0.0
) -> DoughHeat:
    """Estimate the heat properties of a dough from what is in it.

    Parameters
    ----------
    hydration_pct : float
        Water in per cent of flour, 30 to 120.
    temp_c : float
        Degrees Celsius, 0 to 40.
    salt_pct : float
        Per cent of flour.
    gas_pct : float
        Share of gas in the volume, 0 to 80: less mass, and less conduction after Maxwell's rule
        for bubbles that conduct nothing.

    Returns
    -------
    DoughHeat

    Raises
    ------
    OutOfRange
        Where a value lies outside the range that is stated for it.

    References
    ----------
    Choi, Y., Okos, M. R. (1986), coefficients from memory; flour 14 % water, 12 % protein, 1.2 %
    fat, 0.5 % ash. Checked in tests/reference/test_dough_heat_choi1986.py.

    Examples
    --------
    >>> round(estimate_dough_heat(60).specific_heat_kj_kgk, 3)
    2.793
    """
    for name, value, low, high in (
        ("hydration_pct", hydration_pct, 30.0, 120.0),
        ("temp_c", temp_c, 0.0, 40.0),
        ("gas_pct", gas_pct, 0.0, 80.0),
    ):
        if not low <= value <= high:
            raise OutOfRange(
                f"{name} {value:g} lies outside {low:g} to {high:g}.", value=value, low=low,
                high=high,
            )  # fmt: skip
    parts = dict(_FLOUR)
    parts["water"] += hydration_pct
    parts["ash"] += salt_pct
    total = sum(parts.values())
    shares = {name: mass / total for name, mass in parts.items()}
    cp, k, density = ({n: _poly(c, temp_c) for n, c in _CHOI_OKOS[q].items()}
                      for q in ("cp", "k", "density"))  # fmt: skip
    volumes = {n: s / density[n] for n, s in shares.items()}
    whole = sum(volumes.values())
    gas = gas_pct / 100.0
    bubbles = (1.0 - gas) / (1.0 + gas / 2.0)
    along = sum(volumes[n] / whole * k[n] for n in shares) * bubbles
    across = bubbles / sum(volumes[n] / whole / k[n] for n in shares)
    return DoughHeat(
        density_kg_m3=(1.0 - gas) / whole,
        specific_heat_kj_kgk=sum(s * cp[n] for n, s in shares.items()),
        conductivity_w_mk=(along + across) / 2.0,
        conductivity_low_w_mk=across,
        conductivity_high_w_mk=along,
    )


def _poly(coefficients: tuple[float, float, float], t: float) -> float:
    a, b, c = coefficients
    return a + b * t + c * t * t


@dataclass(frozen=True)
class Film:
    """How well the air around a ball takes heat from it, with the range it may lie in.

    Attributes
    ----------
    value_w_m2k, low_w_m2k, high_w_m2k : float
        W/(m2 K), box and radiation included.
    source : str

    Examples
    --------
    >>> FILMS["box"].value_w_m2k
    5.0
    >>> FILMS["box"].at("low") < FILMS["box"].at("value") < FILMS["box"].at("high")
    True
    """

    value_w_m2k: float
    low_w_m2k: float
    high_w_m2k: float
    source: str = "own"

    def __post_init__(self) -> None:
        """Refuse a range that does not hold its value."""
        if not 0 < self.low_w_m2k <= self.value_w_m2k <= self.high_w_m2k:
            raise InputError(
                f"A film coefficient of {self.value_w_m2k:g} W/m2K must lie in its range "
                f"{self.low_w_m2k:g} to {self.high_w_m2k:g}, above 0."
            )

    def at(self, side: str) -> float:
        """Give the coefficient at "value", "low" or "high".

        Raises
        ------
        UnknownName
            For another side.
        """
        if side not in {"value", "low", "high"}:
            raise UnknownName("side of a range", side, ("value", "low", "high"))
        return float(getattr(self, f"{side}_w_m2k"))


_HANDBOOK = "usual engineering range, from memory; two probe readings calibrate it"
FILMS: dict[str, Film] = {
    "open": Film(8.0, 5.0, 12.0, f"still air and radiation, {_HANDBOOK}"),
    "box": Film(5.0, 3.0, 8.0, f"closed box in still air, {_HANDBOOK}"),
    "stack": Film(3.0, 1.5, 5.0, f"closed boxes in a stack, {_HANDBOOK}"),
    "fan": Film(15.0, 10.0, 25.0, f"open tray before a fan, {_HANDBOOK}"),
}


def film_through_box(outer: Film, *, wall_mm: float, inner: Film, wall_w_mk: float = 0.2) -> Film:
    """Join the film outside a box, its wall and the air inside to one coefficient.

    Parameters
    ----------
    outer, inner : Film
    wall_mm : float
        Thickness of the wall, 0 to 50 mm.
    wall_w_mk : float
        Conductivity of the wall; 0.2 W/(m K) is usual for plastics, from memory.

    Examples
    --------
    >>> box = film_through_box(Film(10, 10, 10), wall_mm=2, inner=Film(10, 10, 10))
    >>> round(box.value_w_m2k, 3)
    4.762
    """
    if not 0 <= wall_mm <= 50:
        raise OutOfRange(f"wall_mm {wall_mm:g} lies outside 0 to 50 mm.", value=wall_mm, low=0,
                         high=50)  # fmt: skip
    wall = wall_mm / 1000.0 / wall_w_mk

    def joined(side: str) -> float:
        return 1.0 / (1.0 / outer.at(side) + wall + 1.0 / inner.at(side))

    return Film(joined("value"), joined("low"), joined("high"), "box worked out from its layers")


@dataclass(frozen=True)
class Body:
    """A ball (sphere) or a slab of dough.

    Attributes
    ----------
    shape : str
        "sphere" or "slab".
    half_m : float
        Radius; or half thickness; or the whole thickness where one side rests on an insulator.
    heat : DoughHeat

    Examples
    --------
    >>> heat = DoughHeat(1150, 2.8, 0.45, 0.45, 0.45)
    >>> ball = Body.ball(250, heat)
    >>> round(1000 * ball.half_m, 2), round(ball.biot(10), 4)
    (37.3, 0.8289)
    >>> loaf = Body.slab(50, heat, one_sided=True)
    >>> loaf.half_m, round(loaf.fourier_per_h, 3)
    (0.05, 0.201)
    """

    shape: str
    half_m: float
    heat: DoughHeat

    @classmethod
    def ball(cls, ball_g: float, heat: DoughHeat) -> Body:
        """Make a ball of a mass in grams, 20 to 5000.

        Raises
        ------
        OutOfRange
            For another mass.
        """
        if not 20 <= ball_g <= 5000:
            raise OutOfRange(f"ball_g {ball_g:g} lies outside 20 to 5000 g.", value=ball_g, low=20,
                             high=5000)  # fmt: skip
        volume = ball_g / 1000.0 / heat.density_kg_m3
        return cls("sphere", (3.0 * volume / (4.0 * math.pi)) ** (1.0 / 3.0), heat)

    @classmethod
    def slab(cls, thickness_mm: float, heat: DoughHeat, *, one_sided: bool = False) -> Body:
        """Make a slab; `one_sided` where it rests on something that passes no heat.

        Raises
        ------
        OutOfRange
            For a thickness outside 2 to 500 mm.
        """
        if not 2 <= thickness_mm <= 500:
            raise OutOfRange(f"thickness_mm {thickness_mm:g} lies outside 2 to 500 mm.",
                             value=thickness_mm, low=2, high=500)  # fmt: skip
        return cls("slab", thickness_mm / 1000.0 / (1.0 if one_sided else 2.0), heat)

    @property
    def fourier_per_h(self) -> float:
        """Fourier numbers that pass in an hour."""
        heat = self.heat
        capacity = heat.density_kg_m3 * heat.specific_heat_kj_kgk * 1000.0
        return heat.conductivity_w_mk / capacity * 3600.0 / self.half_m**2

    def biot(self, film_w_m2k: float) -> float:
        """Give the Biot number of a film."""
        return film_w_m2k * self.half_m / self.heat.conductivity_w_mk


def with_gas(body: Body, gas_pct: float) -> Body:
    """Give the ball of the same mass once it holds gas: larger, lighter, conducting less.

    Examples
    --------
    >>> ball = Body.ball(250, DoughHeat(1200, 2.8, 0.45, 0.45, 0.45))
    >>> round(with_gas(ball, 50).half_m / ball.half_m, 3)
    1.26
    """
    if not 0 <= gas_pct <= 80:
        raise OutOfRange(f"gas_pct {gas_pct:g} lies outside 0 to 80 %.", value=gas_pct, low=0,
                         high=80)  # fmt: skip
    gas = gas_pct / 100.0
    bubbles = (1.0 - gas) / (1.0 + gas / 2.0)
    heat = replace(
        body.heat,
        density_kg_m3=body.heat.density_kg_m3 * (1.0 - gas),
        conductivity_w_mk=body.heat.conductivity_w_mk * bubbles,
        conductivity_low_w_mk=body.heat.conductivity_low_w_mk * bubbles,
        conductivity_high_w_mk=body.heat.conductivity_high_w_mk * bubbles,
    )
    power = 1.0 / 3.0 if body.shape == "sphere" else 1.0
    return Body(body.shape, body.half_m / (1.0 - gas) ** power, heat)
