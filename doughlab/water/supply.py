"""What a water supply costs per kg of dough, per ball and per year.

Called by the water command and notebooks; every price is the user's own, in their own currency.
It leaves comparing two supplies to break_even and what a supplier offers to offers.
"""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water.constants import WATER_KG_PER_L

SUPPLY_KINDS = ("tap", "filter", "reverse osmosis", "bottled")
LEAST_KG, MOST_KG = 10.0, 1e7  # dough a year
_HIGHEST = {
    "price_per_l": 1e3, "waste_l_per_l": 10.0, "drain_per_l": 1e3, "purchase": 1e7,
    "service_per_year": 1e6, "other_per_l": 1e3,
}  # fmt: skip


@dataclass(frozen=True)
class Part:
    """Hold a part that is replaced: a cartridge, a membrane, a lamp.

    Attributes
    ----------
    name : str
        What it is.
    price : float
        Of one, in the user's currency.
    every_l : float or None
        Litres of product water after which it is replaced.
    every_months : float or None
        Months after which it is replaced at the latest; the earlier of the two counts.

    Examples
    --------
    >>> Part("membrane", 120, every_l=60000, every_months=24).per_year(90000)
    180.0
    """

    name: str
    price: float
    every_l: float | None = None
    every_months: float | None = None

    def __post_init__(self) -> None:
        """Refuse a part that is never replaced, or costs less than nothing."""
        check_number("price", self.price, 0.0, 1e6, where=self.name)
        if self.every_l is None and self.every_months is None:
            raise InputError(
                f"{self.name}: say when it is replaced, every_l (litres) or every_months, or both."
            )
        if self.every_l is not None:
            check_number("every_l", self.every_l, 1.0, 1e9, where=self.name)
        if self.every_months is not None:
            check_number("every_months", self.every_months, 0.1, 600.0, where=self.name)

    def per_year(self, litres: float) -> float:
        """Give its cost per year at a volume of product water."""
        by_volume = 0.0 if self.every_l is None else litres / self.every_l
        by_time = 0.0 if self.every_months is None else 12.0 / self.every_months
        return self.price * max(by_volume, by_time)


@dataclass(frozen=True)
class Supply:
    """Hold one way to come by water.

    Attributes
    ----------
    name : str
        What it is called here.
    kind : str
        tap, filter, reverse osmosis or bottled.
    price_per_l : float
        Of a litre bought: from the main, or in the bottle.
    waste_l_per_l : float
        Litres to the drain for each litre of product, 0 to 10.
    drain_per_l : float
        Price of a litre to the drain.
    purchase, life_years : float
        Of the unit, and how long it is written off.
    service_per_year : float
        Service, rent, sanitising, tests.
    other_per_l : float
        Handling, power, deposit, per litre of product.
    parts : tuple of Part
        What is replaced.

    Examples
    --------
    >>> Supply("tap", "tap", price_per_l=0.004).waste_l_per_l
    0.0
    """

    name: str
    kind: str = "tap"
    price_per_l: float = 0.0
    waste_l_per_l: float = 0.0
    drain_per_l: float = 0.0
    purchase: float = 0.0
    life_years: float = 8.0
    service_per_year: float = 0.0
    other_per_l: float = 0.0
    parts: tuple[Part, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no supply has."""
        if self.kind not in SUPPLY_KINDS:
            raise UnknownName("kind of supply", self.kind, SUPPLY_KINDS, where=self.name)
        for name, high in _HIGHEST.items():
            check_number(name, getattr(self, name), 0.0, high, where=self.name)
        check_number("life_years", self.life_years, 0.5, 50.0, where=self.name)


@dataclass(frozen=True)
class Use:
    """Hold how much water the kitchen needs.

    Attributes
    ----------
    dough_kg_per_year : float
        10 to 10 million.
    ball_g : float
        One dough ball.
    hydration_pct : float
        Water in per cent of the flour.
    other_pct : float
        Salt, yeast, oil ... in per cent of the flour.
    days_per_year : float
        Mixing days.
    peak_factor : float
        Busiest day over the mean day.

    Examples
    --------
    >>> use = Use(dough_kg_per_year=20000)
    >>> round(use.water_kg_per_kg_dough, 3), round(use.litres_per_year)
    (0.377, 7552)
    """

    dough_kg_per_year: float
    ball_g: float = 250.0
    hydration_pct: float = 62.0
    other_pct: float = 2.5
    days_per_year: float = 300.0
    peak_factor: float = 1.5

    def __post_init__(self) -> None:
        """Refuse what no kitchen has."""
        check_number("dough_kg_per_year", self.dough_kg_per_year, LEAST_KG, MOST_KG)
        check_number("ball_g", self.ball_g, 20.0, 5000.0)
        check_number("hydration_pct", self.hydration_pct, 20.0, 150.0)
        check_number("other_pct", self.other_pct, 0.0, 100.0)
        check_number("days_per_year", self.days_per_year, 1.0, 366.0)
        check_number("peak_factor", self.peak_factor, 1.0, 10.0)

    @property
    def water_kg_per_kg_dough(self) -> float:
        """Give the water in a kg of dough, kg."""
        return self.hydration_pct / (100.0 + self.hydration_pct + self.other_pct)

    @property
    def litres_per_year(self) -> float:
        """Give the litres of dough water in a year."""
        return self.dough_kg_per_year * self.water_kg_per_kg_dough / WATER_KG_PER_L

    @property
    def litres_per_day(self) -> float:
        """Give the litres of a mean mixing day."""
        return self.litres_per_year / self.days_per_year

    @property
    def litres_peak_day(self) -> float:
        """Give the litres of the busiest day."""
        return self.litres_per_day * self.peak_factor


@dataclass(frozen=True)
class SupplyCost:
    """Hold what a supply costs at a stated volume.

    Attributes
    ----------
    name : str
        Of the supply.
    per_year, per_l, per_kg_dough, per_ball : float
        In the user's currency.
    shares : dict of float
        Per year: water, waste, purchase, service, other and each part.

    Examples
    --------
    >>> tap = Supply("tap", "tap", price_per_l=0.004)
    >>> cost = supply_cost(tap, Use(dough_kg_per_year=20000, ball_g=250))
    >>> cost.name, round(cost.per_l, 4), round(cost.shares["water"] / cost.per_year, 6)
    ('tap', 0.004, 1.0)
    """

    name: str
    per_year: float
    per_l: float
    per_kg_dough: float
    per_ball: float
    shares: dict[str, float]

    def __str__(self) -> str:
        """Give one line for the cook and one with the largest shares."""
        parts = sorted(self.shares.items(), key=lambda kv: -kv[1])
        said = ", ".join(
            f"{name} {100 * v / self.per_year:.0f} %" for name, v in parts[:4] if v > 0
        )
        head = (
            f"{self.name}: {self.per_kg_dough:.4f} per kg dough, {self.per_ball:.4f} per ball, "
            f"{self.per_year:.0f} a year"
        )
        lines = wrap(head, 80)
        return "\n".join(lines + (wrap(f"of that {said}", 80) if said else []))


def supply_cost(supply: Supply, use: Use) -> SupplyCost:
    """Find what a supply costs per kg of dough, per ball and per year.

    The purchase is spread evenly over its life; parts are replaced by volume or by time,
    whichever comes first. No interest is counted.

    Parameters
    ----------
    supply : Supply
        Prices in the user's own currency.
    use : Use
        Dough and hydration.

    Returns
    -------
    SupplyCost

    References
    ----------
    Cost over life divided evenly, parts by use or by time; arithmetic of this project, no
    source.

    Examples
    --------
    >>> tap = Supply("tap", "tap", price_per_l=0.004)
    >>> cost = supply_cost(tap, Use(dough_kg_per_year=20000, ball_g=250))
    >>> round(cost.per_year, 2), round(cost.per_ball, 6)
    (30.21, 0.000378)
    """
    litres = use.litres_per_year
    shares = {
        "water": litres * supply.price_per_l,
        "waste": litres * supply.waste_l_per_l * (supply.price_per_l + supply.drain_per_l),
        "purchase": supply.purchase / supply.life_years,
        "service": supply.service_per_year,
        "handling and power": litres * supply.other_per_l,
    }
    for part in supply.parts:
        shares[part.name] = shares.get(part.name, 0.0) + part.per_year(litres)
    total = sum(shares.values())
    per_kg = total / use.dough_kg_per_year
    return SupplyCost(
        supply.name, total, total / litres, per_kg, per_kg * use.ball_g / 1000.0, shares
    )


def check_number(name: str, value: float, low: float, high: float, *, where: str = "") -> None:
    """Refuse what is not a number inside its range.

    Raises
    ------
    InputError, OutOfRange
        With the name, the value and both ends.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        head = f"{where}: " if where else ""
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise InputError(f"{head}{name} '{value}' is not a number.")
        raise OutOfRange(
            f"{head}{name} {value:g} lies outside {low:g} to {high:g}.",
            value=float(value), low=low, high=high,
        )  # fmt: skip
