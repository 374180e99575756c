"""Families of contrasts over named levels, and their adjustment for many tests.

Called by means.py and simulate.py.
Leaves the distributions of extremes to multiplicity.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, UnknownName
from doughlab.stats.inference import TTests, t_quantile

Floats = NDArray[np.floating[Any]]

ADJUSTMENTS = ("tukey", "dunnett", "holm", "bonferroni", "none")
LEAST_DF = 0.01  # below it a family has no end that a number can hold


@dataclass(frozen=True)
class Family:
    """A family of contrasts over k levels.

    Attributes
    ----------
    labels : list of str
    matrix : array, shape (c, k)
    kind : str
        "pairs", "reference", "poly" or "own".
    """

    labels: list[str]
    matrix: Floats
    kind: str


def build_family(
    levels: Sequence[str], method: str | Mapping[str, Sequence[float]], reference: str | None
) -> Family:
    """Build contrasts over named levels.

    Parameters
    ----------
    levels : sequence of str
    method : "pairs", "poly" or mapping of label to k numbers
    reference : str or None
        With "pairs": only the differences from this level.

    Returns
    -------
    Family

    Examples
    --------
    >>> build_family(["high", "low"], "pairs", None).labels
    ['high - low']
    """
    k = len(levels)
    eye = np.eye(k)
    if not isinstance(method, str):
        matrix = np.array([list(map(float, v)) for v in method.values()])
        if matrix.shape != (len(method), k):
            raise InputError(
                f"Own contrasts need {k} numbers each, one per level: {', '.join(levels)}."
            )
        return Family(list(method), matrix, "own")
    if method == "poly":
        degrees = ["linear", "quadratic", "cubic", "quartic"]
        matrix = polynomial_contrasts(levels)
        names = [degrees[i] if i < 4 else f"degree {i + 1}" for i in range(len(matrix))]
        return Family(names, matrix, "poly")
    if method != "pairs":
        raise InputError(f"method='{method}' is not known. Use 'pairs', 'poly' or own vectors.")
    if reference is not None:
        if reference not in levels:
            raise UnknownName("Level", reference, levels)
        base = list(levels).index(reference)
        rest = [i for i in range(k) if i != base]
        return Family(
            [f"{levels[i]} - {reference}" for i in rest],
            np.stack([eye[i] - eye[base] for i in rest]) if rest else np.zeros((0, k)),
            "reference",
        )
    pairs = [(i, j) for i in range(k) for j in range(i + 1, k)]
    matrix = np.zeros((len(pairs), k))
    for row, (i, j) in enumerate(pairs):
        matrix[row, i], matrix[row, j] = 1.0, -1.0
    return Family([f"{levels[i]} - {levels[j]}" for i, j in pairs], matrix, "pairs")


def polynomial_contrasts(levels: Sequence[str]) -> Floats:
    """Build orthogonal polynomial contrasts; whole numbers where levels are equally spaced.

    Parameters
    ----------
    levels : sequence of str
        Numbers as text give the spacing; other texts count as equally spaced.

    Returns
    -------
    array, shape (k - 1, k)

    References
    ----------
    Fisher, R. A. & Yates, F., Statistical Tables, orthogonal polynomials (equal spacing).

    Examples
    --------
    >>> polynomial_contrasts(["0", "0.2", "0.4", "0.6"]).astype(int).tolist()
    [[-3, -1, 1, 3], [1, -1, -1, 1], [-1, 3, -3, 1]]
    """
    k = len(levels)
    try:
        x = np.array([float(t) for t in levels])
    except ValueError:
        x = np.arange(float(k))
    if len(np.unique(x)) < k:
        x = np.arange(float(k))
    equal = np.allclose(np.diff(x), x[1] - x[0], rtol=1e-9) if k > 1 else True
    x = np.arange(float(k)) if equal else (x - x.mean()) / np.ptp(x)
    q, r = np.linalg.qr(np.vander(x - x.mean(), k, increasing=True))
    q = (q * np.sign(np.diag(r))).T[1:]
    if not equal:
        return q
    return np.array([_whole_numbers(row) for row in q])


def _whole_numbers(row: Floats) -> Floats:
    """Scale a contrast to the smallest whole numbers, if there are small ones."""
    smallest = np.abs(row[np.abs(row) > 1e-9]).min()
    for times in range(1, 2000):
        scaled = row / smallest * times
        if np.abs(scaled - np.round(scaled)).max() < 1e-6 * times:
            whole = np.round(scaled)
            return whole / math.gcd(*[int(abs(v)) for v in whole])
    return row


def adjust_tests(
    tests: TTests, family: Family, adjust: str, *, level: float
) -> tuple[Floats, Floats | None]:
    """Adjust p values and interval widths for a family of contrasts.

    Parameters
    ----------
    tests : TTests
        Of the whole family; NaN rows stay NaN and do not count. Below 0.01 degrees of freedom
        nothing can be told: p is 1 and the width endless.
    family : Family
    adjust : str
        One of "tukey", "dunnett", "holm", "bonferroni", "none". The intervals of "holm" are those
        of Bonferroni, since a stepwise test has no simple interval.
    level : float

    Returns
    -------
    p_value : array
    factor : array or None
        Half width in standard errors.
    """
    from doughlab.stats import multiplicity as many

    good = np.isfinite(tests.statistic)
    p = np.full(len(good), np.nan)
    factor = np.full(len(good), np.nan)
    t, df = np.abs(tests.statistic[good]), np.maximum(tests.df[good], LEAST_DF)
    count = len(t)
    if adjust == "none" or not count:
        return tests.p_value, None
    if adjust == "tukey":
        k = family.matrix.shape[1]
        p[good] = many.tukey_sf(math.sqrt(2.0) * t, k, df)
        factor[good] = many.tukey_isf(1.0 - level, k, df) / math.sqrt(2.0)
    elif adjust == "dunnett":
        own = tests.covariance[np.ix_(good, good)]
        size = np.sqrt(np.diag(own))
        corr = own / size[:, None] / size[None, :]
        p[good] = many.dunnett_p(t, corr, df)
        factor[good] = many.dunnett_critical(level, corr, df)
    else:
        raw = tests.p_value[good]
        p[good] = np.minimum(1.0, count * raw) if adjust == "bonferroni" else _holm(raw)
        factor[good] = t_quantile(1.0 - (1.0 - level) / count, df)
    endless = good & (tests.df < LEAST_DF)
    p[endless], factor[endless] = 1.0, np.inf
    return p, factor


def _holm(p: Floats) -> Floats:
    """Adjust p values by Holm's step-down rule (Holm 1979, Scand. J. Stat. 6, 65-70)."""
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, stepped)
    return adjusted


def choose_adjustment(adjust: str | None, family: Family) -> str:
    """Choose the usual adjustment of a family where none is asked for."""
    if adjust is None:
        return {"pairs": "tukey", "reference": "dunnett"}.get(family.kind, "none")
    if adjust not in ADJUSTMENTS:
        raise UnknownName("Adjustment", adjust, ADJUSTMENTS)
    if adjust == "tukey" and family.kind != "pairs":
        raise InputError("adjust='tukey' is for all pairs. Use 'dunnett', 'holm' or 'none' here.")
    return adjust
