"""Programs: rows and columns of a mixed-integer program, gathered and handed to HiGHS.

`calendar_dates` and `calendar_hours` write their models with it, and say what the numbers mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

FOUND, NONE, UNKNOWN = "found", "none", "unknown"
_ENDED, _LIMIT, _INFEASIBLE = 0, 1, 2  # status of scipy.optimize.milp


@dataclass(frozen=True)
class Solved:
    """What came out of a program.

    Attributes
    ----------
    status : str
        "found", "none" (proven that nothing fits) or "unknown" (the time was up).
    values : array, shape (n,) or None
    cost, bound : float
        Reached, and the lowest that is possible.
    """

    status: str
    values: np.ndarray | None = None
    cost: float = float("inf")
    bound: float = float("-inf")

    @property
    def proven(self) -> bool:
        """Whether nothing better is possible; costs are whole numbers."""
        return self.status == FOUND and self.cost - self.bound < 0.5


@dataclass
class Program:
    """A mixed-integer program that grows by columns and rows; least cost is wanted.

    What it costs is a whole number at every solution, so that a gap under one is none.

    Examples
    --------
    >>> program = Program()
    >>> a, b = program.add_columns(2)
    >>> program.cost[a] = program.cost[b] = 1.0
    >>> program.add_row([(a, 1.0), (b, 2.0)], low=1.5)
    >>> solved = program.solve(10)
    >>> solved.status, solved.cost, solved.proven
    ('found', 1.0, True)
    """

    cost: list[float] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)
    highest: list[float] = field(default_factory=list)
    _entries: tuple[list[int], list[int], list[float]] = field(default_factory=lambda: ([], [], []))
    _low: list[float] = field(default_factory=list)
    _high: list[float] = field(default_factory=list)

    def add_columns(self, count: int, *, whole: bool = True, high: float = 1.0) -> range:
        """Add columns from 0 to `high` and give their numbers."""
        start = len(self.cost)
        self.cost += [0.0] * count
        self.whole += [int(whole)] * count
        self.highest += [high] * count
        return range(start, start + count)

    def add_row(
        self,
        terms: Sequence[tuple[int, float]],
        *,
        low: float = float("-inf"),
        high: float = float("inf"),
    ) -> None:
        """Keep a sum of columns between two ends."""
        row = len(self._low)
        rows, columns, values = self._entries
        for column, value in terms:
            rows.append(row)
            columns.append(column)
            values.append(value)
        self._low.append(low)
        self._high.append(high)

    def solve(self, seconds: float) -> Solved:
        """Solve with HiGHS, for a given time at most.

        Raises
        ------
        RuntimeError
            When HiGHS ends in a way that a sound program never leads to.
        """
        import numpy as np
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import coo_array

        if any(low > high for low, high in zip(self._low, self._high, strict=True)):
            return Solved(NONE)
        rows, columns, values = self._entries
        matrix = coo_array((values, (rows, columns)), shape=(len(self._low), len(self.cost)))
        found = milp(
            np.array(self.cost),
            constraints=LinearConstraint(matrix.tocsc(), self._low, self._high),
            integrality=np.array(self.whole),
            bounds=Bounds(0, np.array(self.highest)),
            options={"time_limit": max(seconds, 0.1), "mip_rel_gap": 1e-9},
        )
        if found.status == _INFEASIBLE:
            return Solved(NONE)
        if found.status not in (_ENDED, _LIMIT):
            raise RuntimeError(f"HiGHS: {found.message}")
        bound = getattr(found, "mip_dual_bound", None)
        bound = float("-inf") if bound is None else float(bound)
        if found.x is None:
            return Solved(UNKNOWN, bound=bound)
        return Solved(FOUND, np.asarray(found.x), float(found.fun), bound)
