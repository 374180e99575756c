"""When another supply is cheaper, and which price decides it.

Called by the water command and notebooks; pictures are drawn elsewhere from these rows.
It leaves the cost of one supply to supply and what a supplier offers to offers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from doughlab.water.supply import LEAST_KG, MOST_KG, Supply, Use, check_number, supply_cost

_SCAN_STEPS = 400


@dataclass(frozen=True)
class BreakEven:
    """Hold at which volumes two supplies cost the same.

    Attributes
    ----------
    first, second : str
        Names.
    dough_kg_per_year : tuple of float
        Volumes of equal cost, rising; empty where one is always cheaper.
    cheaper_below : str
        The one that is cheaper below the first of them (or always).
    """

    first: str
    second: str
    dough_kg_per_year: tuple[float, ...]
    cheaper_below: str

    def __str__(self) -> str:
        """Give the answer in a sentence."""
        other = self.second if self.cheaper_below == self.first else self.first
        if not self.dough_kg_per_year:
            return f"{self.cheaper_below} is cheaper than {other} at any volume."
        where = ", ".join(f"{v:.0f}" for v in self.dough_kg_per_year)
        return f"{self.cheaper_below} is cheaper below {where} kg dough a year, {other} above."


def break_even(first: Supply, second: Supply, use: Use) -> BreakEven:
    """Find the volumes of dough at which two supplies cost the same.

    Looked for between 10 kg and 10 000 t of dough a year, by sign changes of the difference and
    halving between them (loading a library for it would take longer than all the sums).

    Examples
    --------
    >>> tap = Supply("bottled", "bottled", price_per_l=0.40)
    >>> unit = Supply("reverse osmosis", "reverse osmosis", price_per_l=0.004, purchase=1600,
    ...               service_per_year=200)
    >>> print(break_even(tap, unit, Use(dough_kg_per_year=20000)))
    bottled is cheaper below 2675 kg dough a year, reverse osmosis above.
    """

    def difference(log_kg: float) -> float:
        at = replace(use, dough_kg_per_year=math.exp(log_kg))
        return supply_cost(first, at).per_year - supply_cost(second, at).per_year

    low, high = math.log(LEAST_KG) + 1e-9, math.log(MOST_KG) - 1e-9
    grid = [low + (high - low) * i / _SCAN_STEPS for i in range(_SCAN_STEPS + 1)]
    values = [difference(x) for x in grid]
    found = [
        math.exp(_root(difference, a, b))
        for a, b, va, vb in zip(grid, grid[1:], values, values[1:], strict=False)
        if va * vb < 0
    ]
    cheaper = first.name if values[0] < 0 or (values[0] == 0 and values[-1] <= 0) else second.name
    return BreakEven(first.name, second.name, tuple(found), cheaper)


def _root(difference: Callable[[float], float], low: float, high: float) -> float:
    """Halve an interval with a sign change down to a root."""
    rising = difference(high) > 0
    for _ in range(50):
        middle = (low + high) / 2
        if (difference(middle) > 0) == rising:
            high = middle
        else:
            low = middle
    return (low + high) / 2


@dataclass(frozen=True)
class Lever:
    """Hold how one price moves the cost and the break-even, for a sensitivity picture.

    Attributes
    ----------
    supply, what : str
        Whose number, which number.
    low_per_kg, high_per_kg : float
        Cost per kg of dough with the number lowered and raised.
    break_even_low, break_even_high : float or None
        First break-even with the number lowered and raised, kg dough a year.
    """

    supply: str
    what: str
    low_per_kg: float
    high_per_kg: float
    break_even_low: float | None
    break_even_high: float | None

    @property
    def swing(self) -> float:
        """Give how far the cost per kg moves between the two."""
        return abs(self.high_per_kg - self.low_per_kg)


def find_levers(
    first: Supply, second: Supply, use: Use, *, change_pct: float = 20.0
) -> tuple[Lever, ...]:
    """Change every number of two supplies in turn, the strongest first.

    Parameters
    ----------
    first, second : Supply
        The pair that is compared.
    use : Use
        The volume.
    change_pct : float
        How far each number is lowered and raised, 1 to 90 per cent.

    Returns
    -------
    tuple of Lever
        Sorted by swing; numbers that are zero are left out.

    Examples
    --------
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.40)
    >>> unit = Supply("ro", "reverse osmosis", price_per_l=0.004, purchase=1600)
    >>> find_levers(bottled, unit, Use(dough_kg_per_year=20000))[0].what
    'price_per_l'
    """
    check_number("change_pct", change_pct, 1.0, 90.0)
    found = []
    for own, other in ((first, second), (second, first)):
        for what, changed in _numbers(own):
            ends = [changed(1 - change_pct / 100), changed(1 + change_pct / 100)]
            costs = [supply_cost(s, use).per_kg_dough for s in ends]
            even = [break_even(s, other, use).dough_kg_per_year for s in ends]
            first_even = [e[0] if e else None for e in even]
            found.append(Lever(own.name, what, costs[0], costs[1], first_even[0], first_even[1]))
    return tuple(sorted(found, key=lambda lever: -lever.swing))


def _numbers(supply: Supply) -> list[tuple[str, Callable[[float], Supply]]]:
    """List every number of a supply that is not zero, with a way to scale it."""
    out: list[tuple[str, Callable[[float], Supply]]] = []
    for field in fields(Supply):
        value = getattr(supply, field.name)
        if isinstance(value, int | float) and not isinstance(value, bool) and value > 0:
            if field.name == "life_years" and supply.purchase == 0:
                continue
            out.append((field.name, _scaled(supply, field.name, float(value))))
    for i, part in enumerate(supply.parts):
        out.append((f"price of {part.name}", _part_scaled(supply, i)))
    return out


def _scaled(supply: Supply, name: str, value: float) -> Callable[[float], Supply]:
    """Give a function that scales one number."""

    def scaled(factor: float) -> Supply:
        change: dict[str, Any] = {name: value * factor}
        return replace(supply, **change)

    return scaled


def _part_scaled(supply: Supply, place: int) -> Callable[[float], Supply]:
    """Give a function that scales the price of one part."""

    def scaled(factor: float) -> Supply:
        parts = list(supply.parts)
        parts[place] = replace(parts[place], price=parts[place].price * factor)
        return replace(supply, parts=tuple(parts))

    return scaled


def cost_curve(
    supplies: Sequence[Supply], use: Use, dough_kg_per_year: Sequence[float]
) -> list[dict[str, float]]:
    """Give the cost per kg of dough over volumes, a row for each volume; for a picture.

    Examples
    --------
    >>> tap = Supply("tap", "tap", price_per_l=0.004)
    >>> cost_curve([tap], Use(dough_kg_per_year=1000), [1000, 2000])[0]["tap"] > 0
    True
    """
    rows = []
    for kg in dough_kg_per_year:
        at = replace(use, dough_kg_per_year=float(kg))
        row = {"dough_kg_per_year": float(kg)}
        row.update({s.name: supply_cost(s, at).per_kg_dough for s in supplies})
        rows.append(row)
    return rows
