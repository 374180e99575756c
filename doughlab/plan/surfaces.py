"""Surface plans: batches from which bends and turning points along numbers can be told.

`runs` takes its batches from here. How far out they lie is decided by `levels`, which knows what
a kitchen can set; the model of a surface is left to `model`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import TYPE_CHECKING

from doughlab.designed import BEHNKEN, Design
from doughlab.levels import axial_distance, list_codes, split_centres

if TYPE_CHECKING:
    from doughlab.plan.factors import Levels
    from doughlab.sections import Factor

Codes = tuple[float, ...]
"""Where a batch stands: -1 the low of a number, 1 its high, 0 the middle."""


def surface_parts(design: Design, numbers: int) -> list[list[Codes]]:
    """List the batches of a surface plan, in parts that belong on days of their own.

    Parameters
    ----------
    design : Design
        Central composite or Box-Behnken.
    numbers : int
        2 to 7 for a central composite plan, 3 to 5 for Box-Behnken.

    Returns
    -------
    list of list of tuple of float
        The corners with their middle batches, then the outer points with theirs; one part for
        Box-Behnken.

    References
    ----------
    Box and Wilson (1951), J. R. Stat. Soc. B 13, 1-45; Box and Behnken (1960), Technometrics 2,
    455-475; both from memory. Box-Behnken batches come from pyDOE3, which is right for 3 to 5
    numbers. Run counts are checked in
    tests/reference/test_fractions_box1978.py.

    Examples
    --------
    >>> [len(part) for part in surface_parts(Design("central-composite"), 3)]
    [11, 9]
    >>> len(surface_parts(Design("box-behnken"), 4)[0])
    27
    """
    if design.design == BEHNKEN:
        return [_behnken(numbers, design.count_centres(numbers))]
    inner, outer = split_centres(design, numbers)
    middle: Codes = (0.0,) * numbers
    corners = _corners(numbers, half=design.cube == "half")
    a = axial_distance(design, numbers)
    star = [
        tuple(end * a if i == j else 0.0 for j in range(numbers))
        for i in range(numbers)
        for end in (-1, 1)
    ]
    return [corners + [middle] * inner, star + [middle] * outer]


def _corners(numbers: int, *, half: bool) -> list[Codes]:
    """Give all corners, or the half whose last number is the product of the others."""
    free = numbers - half
    rows = []
    for signs in product((-1.0, 1.0), repeat=free):
        last = 1.0
        for s in signs:
            last *= s
        rows.append((*signs, last) if half else signs)
    return rows


def _behnken(numbers: int, centres: int) -> list[Codes]:
    from pyDOE3 import bbdesign

    edges = [tuple(map(float, row)) for row in bbdesign(numbers, center=1) if any(row)]
    return edges + [(0.0,) * numbers] * centres


def place_codes(design: Design, factors: Sequence[Factor], rows: Sequence[Codes]) -> list[Levels]:
    """Write codes as level texts, from the levels that the factors were widened to.

    Examples
    --------
    >>> from doughlab.levels import widen_levels
    >>> from doughlab.sections import Factor
    >>> wet = Factor("hydration", "batch", "number", ("60", "65"), "pct", values=(60.0, 65.0))
    >>> salt = Factor("salt", "batch", "number", ("2", "3"), "pct", values=(2.0, 3.0))
    >>> design = Design("central-composite", alpha="face")
    >>> wide = list(widen_levels({"hydration": wet, "salt": salt}, design).values())
    >>> place_codes(design, wide, [(-1.0, 0.0)])
    [{'hydration': '60', 'salt': '2.5'}]
    """
    codes = list_codes(design, len(factors))
    return [
        {
            f.name: f.levels[min(range(len(codes)), key=lambda i: abs(codes[i] - code))]
            for f, code in zip(factors, row, strict=True)
        }
        for row in rows
    ]
