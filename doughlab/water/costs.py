"""Costs of supplies side by side over volumes, and which numbers decide between two of them.

Notebooks and the pictures of the report room read these results.
It leaves the cost of one supply to supply, and crossings and levers to break_even.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from textwrap import wrap

from doughlab.errors import InputError
from doughlab.water.break_even import BreakEven, Lever, break_even, find_levers
from doughlab.water.supply import LEAST_KG, MOST_KG, Supply, Use, check_number, supply_cost

_STEPS = 48


def balls_a_day(use: Use, dough_kg_per_year: float) -> float:
    """Turn kg of dough a year into balls of a mean mixing day.

    Examples
    --------
    >>> balls_a_day(Use(dough_kg_per_year=20000, ball_g=250, days_per_year=320), 20000)
    250.0
    """
    return dough_kg_per_year * 1000.0 / use.ball_g / use.days_per_year


@dataclass(frozen=True)
class CostComparison:
    """Hold what supplies cost in a year over a range of volumes.

    Attributes
    ----------
    use : Use
        The kitchen's own volume, ball and mixing days.
    currency : str
        The user's own; empty where it is not said.
    dough_kg_per_year : tuple of float, shape (v,)
        Volumes, rising.
    per_year : dict of tuple of float, shape (v,)
        Supply to cost per year, in the order the supplies were given.
    at_use : dict of float
        Supply to cost per year at the kitchen's own volume.
    crossings : tuple of BreakEven
        One for each pair of supplies.
    """

    use: Use
    currency: str
    dough_kg_per_year: tuple[float, ...]
    per_year: dict[str, tuple[float, ...]]
    at_use: dict[str, float]
    crossings: tuple[BreakEven, ...]

    @property
    def cheapest(self) -> str:
        """Name the supply that costs least at the kitchen's own volume."""
        return min(self.at_use, key=lambda name: self.at_use[name])

    def shown_crossings(self) -> list[tuple[BreakEven, float]]:
        """List the volumes of equal cost inside the range, rising: pair and kg a year."""
        low, high = self.dough_kg_per_year[0], self.dough_kg_per_year[-1]
        found = [(c, kg) for c in self.crossings for kg in c.dough_kg_per_year if low < kg < high]
        return sorted(found, key=lambda pair: pair[1])

    def __str__(self) -> str:
        """Say the costs at the kitchen's own volume, then from where another is cheaper."""
        money = f" {self.currency}" if self.currency else ""
        balls = balls_a_day(self.use, self.use.dough_kg_per_year)
        lines = [f"at {balls:.0f} balls a day, {self.use.litres_per_year:.0f} L of water a year:"]
        width = max(len(name) for name in self.at_use)
        lines += [
            f"  {name:<{width}} {cost:8.0f}{money} a year"
            for name, cost in sorted(self.at_use.items(), key=lambda kv: kv[1])
        ]
        lines += [crossing_words(c, self.use) for c in self.crossings]
        return "\n".join(lines)


def crossing_words(crossing: BreakEven, use: Use, *, along: str = "balls") -> str:
    """Say from where another supply is cheaper, in "balls" a day or "kg" of dough a year.

    Examples
    --------
    >>> use = Use(dough_kg_per_year=20000, ball_g=250, days_per_year=300)
    >>> crossing_words(BreakEven("bottled", "unit", (3000.0,), "bottled"), use)
    'bottled is cheaper below 40 balls a day, unit above'
    """
    first, second = crossing.first, crossing.second
    other = second if crossing.cheaper_below == first else first
    if not crossing.dough_kg_per_year:
        return f"{crossing.cheaper_below} is cheaper than {other} at any volume"
    unit = "balls a day" if along == "balls" else "kg of dough a year"
    volumes = crossing.dough_kg_per_year
    where = [f"{balls_a_day(use, kg) if along == 'balls' else kg:.0f}" for kg in volumes]
    if len(where) == 1:
        return f"{crossing.cheaper_below} is cheaper below {where[0]} {unit}, {other} above"
    return f"{first} and {second} cost the same at {', '.join(where)} {unit}"


def compare_costs(
    supplies: Sequence[Supply], use: Use, *, currency: str = "", most_kg: float | None = None
) -> CostComparison:
    """Compare what supplies cost in a year, from almost nothing to a stated volume.

    Parameters
    ----------
    supplies : sequence of Supply
        Two or more, each with its own name.
    use : Use
        The kitchen's own volume.
    currency : str
        To be printed.
    most_kg : float, optional
        The largest volume, kg dough a year, above 20; twice the kitchen's own without it.

    Returns
    -------
    CostComparison

    Raises
    ------
    InputError
        With fewer than two supplies, or a name that stands twice.
    OutOfRange
        For a volume that no kitchen has.

    Examples
    --------
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.32)
    >>> unit = Supply("unit", "reverse osmosis", price_per_l=0.004, purchase=1600)
    >>> print(compare_costs([bottled, unit], Use(dough_kg_per_year=20000)))
    at 267 balls a day, 7552 L of water a year:
      unit         230 a year
      bottled     2416 a year
    bottled is cheaper below 22 balls a day, unit above
    """
    names = [s.name for s in supplies]
    if len(names) < 2 or len(set(names)) < len(names):
        raise InputError("Give two or more supplies, each with a name of its own.")
    most = 2.0 * use.dough_kg_per_year if most_kg is None else most_kg
    check_number("most_kg", most, 2 * LEAST_KG, MOST_KG)
    volumes = [LEAST_KG + (most - LEAST_KG) * i / _STEPS for i in range(_STEPS + 1)]
    at = [replace(use, dough_kg_per_year=kg) for kg in volumes]
    return CostComparison(
        use,
        currency,
        tuple(volumes),
        {s.name: tuple(supply_cost(s, u).per_year for u in at) for s in supplies},
        {s.name: supply_cost(s, use).per_year for s in supplies},
        tuple(break_even(a, b, use) for a, b in combinations(supplies, 2)),
    )


@dataclass(frozen=True)
class Sensitivity:
    """Hold how each number of two supplies moves the difference of their costs.

    Attributes
    ----------
    first, second : str
        Names; the difference is first minus second, per year at the kitchen's own volume.
    currency : str
        The user's own.
    change_pct : float
        How far each number is lowered and raised.
    difference : float
        As the numbers stand: above zero where the first costs more.
    ends : tuple of (Lever, float, float)
        Lever, difference with its number lowered, and raised; the strongest first.
    """

    first: str
    second: str
    currency: str
    change_pct: float
    difference: float
    ends: tuple[tuple[Lever, float, float], ...]

    @property
    def deciding(self) -> tuple[str, ...]:
        """Name the numbers whose change turns the choice around."""
        return tuple(
            lever_words(lever)
            for lever, low, high in self.ends
            if min(low, high) < 0 < max(low, high)
        )

    @property
    def sentences(self) -> tuple[str, str]:
        """Say which one costs more, and which numbers turn that around."""
        money = f" {self.currency}" if self.currency else ""
        dear, cheap = self.first, self.second
        if self.difference < 0:
            dear, cheap = cheap, dear
        what = "; ".join(self.deciding) or "none of them"
        return (
            f"{dear} costs {abs(self.difference):.0f}{money} a year more than {cheap}",
            f"{self.change_pct:g} % less or more of one number turns it around: {what}",
        )

    def __str__(self) -> str:
        """Give the sentences in lines of at most 80 characters."""
        return "\n".join(part for line in self.sentences for part in wrap(line, 80))


def lever_words(lever: Lever) -> str:
    """Write the name of a number as people read it, with its supply.

    Examples
    --------
    >>> lever_words(Lever("tap", "price_per_l", 0.1, 0.2, None, None))
    'price of a litre (tap)'
    """
    return f"{_WORDS.get(lever.what, lever.what)} ({lever.supply})"


_WORDS = {
    "price_per_l": "price of a litre",
    "waste_l_per_l": "waste water",
    "drain_per_l": "price of the drain",
    "purchase": "purchase",
    "life_years": "years it lasts",
    "service_per_year": "service",
    "other_per_l": "handling and power",
}


def compare_levers(
    first: Supply, second: Supply, use: Use, *, currency: str = "", change_pct: float = 20.0
) -> Sensitivity:
    """Find which number decides between two supplies at the kitchen's own volume.

    Parameters
    ----------
    first, second : Supply
    use : Use
    currency : str
        To be printed.
    change_pct : float
        How far each number is lowered and raised, 1 to 90 per cent.

    Returns
    -------
    Sensitivity

    Raises
    ------
    InputError
        Where both supplies have one name.

    Examples
    --------
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.06)
    >>> unit = Supply("unit", "reverse osmosis", price_per_l=0.004, purchase=3200)
    >>> print(compare_levers(bottled, unit, Use(dough_kg_per_year=20000)))
    bottled costs 23 a year more than unit
    20 % less or more of one number turns it around: price of a litre (bottled);
    years it lasts (unit); purchase (unit)
    """
    if first.name == second.name:
        raise InputError(f"Both supplies are called '{first.name}'. Name two different ones.")
    costs = {s.name: supply_cost(s, use).per_kg_dough for s in (first, second)}
    kg, sign = use.dough_kg_per_year, {first.name: 1.0, second.name: -1.0}
    difference = kg * (costs[first.name] - costs[second.name])
    ends = []
    for lever in find_levers(first, second, use, change_pct=change_pct):
        low, high = (
            difference + sign[lever.supply] * kg * (cost - costs[lever.supply])
            for cost in (lever.low_per_kg, lever.high_per_kg)
        )
        ends.append((lever, low, high))
    return Sensitivity(first.name, second.name, currency, change_pct, difference, tuple(ends))
