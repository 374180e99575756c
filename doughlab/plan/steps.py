"""Steps: everything the same, one setting moved; and what the same answers cost crossed.

`runs` takes its batches from here and `kinds` says what they cost. People work like this, and it
stays possible; that settings may change each other it cannot see.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from math import ceil, lcm
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doughlab.plan.factors import Levels
    from doughlab.sections import Factor


def step_runs(factors: Sequence[Factor]) -> list[Levels]:
    """List the base, the first setting of everything, and each setting moved alone from it.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> water = Factor("water", "batch", "category", ("tap", "ro", "well"))
    >>> salt = Factor("salt", "batch", "category", ("2", "3"))
    >>> [" ".join(run.values()) for run in step_runs([water, salt])]
    ['tap 2', 'ro 2', 'well 2', 'tap 3']
    """
    base = {f.name: f.levels[0] for f in factors}
    return [base, *({**base, f.name: level} for f in factors for level in f.levels[1:])]


def count_crossed(factors: Sequence[Factor], batches: Sequence[Mapping[str, Any]]) -> int | None:
    """Count the batches that a crossed plan takes for the differences that steps give.

    In a crossed plan every batch is used for every factor: with N batches the difference of two
    settings of k has the variance 2 k / N, in units of that of a batch. N is the fewest whose
    differences from the base are as sure as those of the steps, and that shares out evenly over
    each pair of factors.

    Returns
    -------
    int or None
        None with fewer than two factors: there is nothing to cross.

    Examples
    --------
    Three factors of two settings, four batches of each of the four combinations:

    >>> from doughlab.sections import Factor
    >>> factors = [Factor(n, "batch", "category", ("-", "+")) for n in "abc"]
    >>> count_crossed(factors, [row for row in step_runs(factors) for _ in range(4)])
    8
    """
    if len(factors) < 2:
        return None
    wanted = 0.0
    base = {f.name: f.value_of(f.levels[0]) for f in factors}
    at_base = sum(all(b[f.column] == base[f.name] for f in factors) for b in batches)
    for f in factors:
        counts = Counter(b[f.column] for b in batches)
        others = [1.0 / at_base + 1.0 / counts[f.value_of(v)] for v in f.levels[1:]]
        wanted = max(wanted, 2.0 * len(f.levels) * len(others) / sum(others))
    even = 1
    for i, a in enumerate(factors):
        for b in factors[i + 1 :]:
            even = lcm(even, len(a.levels) * len(b.levels))
    return ceil(wanted / even - 1e-9) * even
