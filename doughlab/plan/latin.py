"""Latin squares: every setting on every mixing day, and once at each place of the day.

`designs` lays its days by them. Place may be the order of mixing, the oven deck or the mixer: what
is told apart from the settings is whatever goes with the order.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from doughlab.errors import PlanError
from doughlab.plan.order import shuffled, williams_rows

if TYPE_CHECKING:
    from doughlab.plan.factors import Levels
    from doughlab.settings import Settings

_MOST = 12


def draw_square(n: int, rng: Random) -> list[list[int]]:
    """Draw a Latin square: n rows, each number once in every row and column.

    An even number of settings follow each other equally often as well (Williams 1949).

    Examples
    --------
    >>> square = draw_square(4, Random(1))
    >>> all(sorted(line) == [0, 1, 2, 3] for line in (*square, *zip(*square)))
    True
    """
    rows = williams_rows(n)[:n]
    names = shuffled(range(n), rng)
    places = list(range(n)) if n % 2 == 0 else shuffled(range(n), rng)
    return [[names[row[p]] for p in places] for row in shuffled(rows, rng)]


def latin_days(settings: Settings, runs: list[Levels], rng: Random) -> list[tuple[Levels, ...]]:
    """Lay settings out over days in mixing order; one square for each replicate.

    Raises
    ------
    PlanError
        When the settings do not fit a day, or the days are not a whole number of squares.
    """
    n, blocks = len(runs), settings.blocks
    from doughlab.plan.designs import batches_a_day

    if settings.factors_set("day"):
        raise PlanError(
            "trial.toml, [plan]: in a Latin square every setting is mixed on every day, so none "
            'is set per day. Set it per batch, or take design = "latin-square" away.'
        )
    if not 3 <= n <= _MOST:
        raise PlanError(
            f"trial.toml, [plan]: a Latin square is for 3 to {_MOST} settings; found {n}. "
            'Take design = "latin-square" away.'
        )
    limit = batches_a_day(settings)
    if n > limit:
        raise PlanError(
            f"A Latin square of {n} settings mixes {n} batches a day; {limit} fit one. "
            "Take settings away, or raise batches_per_day in [blocks]."
        )
    days = n * blocks.replicates
    if blocks.days not in (None, days):
        raise PlanError(
            f"A Latin square of {n} settings takes {n} mixing days, and {days} with replicates = "
            f"{blocks.replicates}; found days = {blocks.days}. Set days = {days} in [blocks]."
        )
    squares = [draw_square(n, rng) for _ in range(blocks.replicates)]
    return [tuple(runs[i] for i in row) for square in squares for row in square]
