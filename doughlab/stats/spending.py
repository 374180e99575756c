"""Error spending: what level each look at growing data has, so that all looks share one error.

Called by the planning of trials that are looked at before the end, and by their analysis.
Which looks there are, and what is judged at one, is left to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from doughlab.errors import InputError, OutOfRange

Floats = NDArray[np.float64]

LATE, EVEN = "late", "even"
KINDS = (LATE, EVEN)
FARTHEST = 12.0  # standard deviations; what lies beyond has a chance under 1e-32


def spend_error(fraction: ArrayLike, *, alpha: float = 0.05, kind: str = LATE) -> Floats:
    """Give the two-sided error that may be spent until a share of the data is there.

    Parameters
    ----------
    fraction : float or array
        Share of the whole information, 0 to 1; counted as 1 beyond.
    alpha : float
        Error of all looks together, two-sided, above 0 and below 1.
    kind : "late" or "even"
        "late" spends little before the end (O'Brien-Fleming type): 4 - 4 Phi(z / sqrt(t)) with z
        the upper alpha / 4 point, each side for itself. "even" spends it about alike at every
        look (Pocock type): alpha ln(1 + (e - 1) t).

    Returns
    -------
    array
        0 at 0, alpha at 1.

    Raises
    ------
    OutOfRange, InputError
        For an alpha outside its range; for another kind.

    References
    ----------
    Lan, K. K. G. and DeMets, D. L. (1983), Biometrika 70, 659-663. Checked in
    tests/reference/test_spending_lan1983.py.

    Examples
    --------
    >>> print(spend_error([0.5, 1.0]).round(5), spend_error([0.5, 1.0], kind="even").round(4))
    [0.00305 0.05   ] [0.031 0.05 ]
    """
    if not 0.0 < alpha < 1.0:
        raise OutOfRange(
            f"alpha is {alpha:g}; it must be above 0 and below 1.", value=alpha, low=0, high=1
        )
    t = np.clip(np.asarray(fraction, dtype=float), 0.0, 1.0)
    if kind == EVEN:
        return np.asarray(alpha * np.log1p((np.e - 1.0) * t))
    if kind != LATE:
        raise InputError(f"kind '{kind}' is not known. Known: {', '.join(KINDS)}.")
    z = -ndtri(alpha / 4.0)
    root = np.sqrt(np.where(t > 0, t, 1.0))
    return np.asarray(np.where(t > 0, 4.0 * ndtr(-z / root), 0.0))


def crossing_chances(
    bounds: Sequence[float], fractions: Sequence[float], *, drift: float = 0.0
) -> Floats:
    """Compute the chance of crossing two-sided bounds for the first time at each look.

    Parameters
    ----------
    bounds : sequence of float, k looks
        On the scale of the standardised statistic, above 0; inf where nothing is judged.
    fractions : sequence of float, k looks
        Share of the information at each look, above 0 and rising.
    drift : float
        Expected standardised statistic at a share of 1; 0 where there is no difference.

    Returns
    -------
    array, shape (k,)
        Their sum is the chance of crossing at all.

    Raises
    ------
    InputError
        When fractions do not rise, or do not match the bounds.

    Notes
    -----
    The statistic times the root of the share is a Brownian motion seen at the looks. Its density
    inside the bounds is carried from look to look by Gauss-Legendre integration, to about 1e-9.

    References
    ----------
    Armitage, P., McPherson, C. K. and Rowe, B. C. (1969), J. R. Stat. Soc. A 132, 235-244.
    Checked in tests/reference/test_spending_lan1983.py.

    Examples
    --------
    >>> print(crossing_chances([1.96, 1.96], [0.5, 1.0]).sum().round(3))
    0.083
    """
    times = _rising(fractions)
    if len(bounds) != len(times):
        raise InputError(f"{len(times)} looks need {len(times)} bounds; got {len(bounds)}.")
    walk = _Walk(drift)
    found = []
    for bound, time in zip(bounds, times, strict=True):
        found.append(walk.chance_beyond(float(bound), time))
        walk.stay_within(float(bound), time)
    return np.array(found)


def spending_bounds(fractions: Sequence[float], *, alpha: float = 0.05, kind: str = LATE) -> Floats:
    """Find the two-sided bounds that spend the error as far as the data have come.

    Parameters
    ----------
    fractions : sequence of float, k looks
        Share of the planned information at each look so far, above 0 and rising; later looks
        need not be known yet.
    alpha, kind
        As in `spend_error`.

    Returns
    -------
    array, shape (k,)
        On the scale of the standardised statistic.

    Raises
    ------
    InputError, OutOfRange
        As `crossing_chances` and `spend_error`.

    Examples
    --------
    >>> print(spending_bounds([0.5, 1.0]).round(3))
    [2.963 1.969]
    """
    times = _rising(fractions)
    steps = np.diff(spend_error(times, alpha=alpha, kind=kind), prepend=0.0)
    walk = _Walk(0.0)
    bounds = []
    for time, step in zip(times, steps, strict=True):
        bound = walk.find_bound(float(step), time)
        walk.stay_within(bound, time)
        bounds.append(bound)
    return np.array(bounds)


def look_levels(fractions: Sequence[float], *, alpha: float = 0.05, kind: str = LATE) -> Floats:
    """Give the level at which the range of each look stands, such as 0.997 and then 0.951.

    Parameters
    ----------
    fractions, alpha, kind
        As in `spending_bounds`.

    Returns
    -------
    array, shape (k,)
        One minus the two-sided nominal level of each look. A range of that level by Student's t
        is judged like any other: the levels are exact for normal statistics and carried over to
        t (significance level approach).

    References
    ----------
    Jennison, C. and Turnbull, B. W. (2000), Group Sequential Methods, section 4.4 (t statistics)
    and chapter 9 (repeated confidence intervals), from memory. Small numbers of groups are
    simulated in tests/studies/look_study.py.

    Examples
    --------
    >>> print(look_levels([0.5, 1.0]).round(4))
    [0.9969 0.951 ]
    """
    bounds = spending_bounds(fractions, alpha=alpha, kind=kind)
    return np.asarray(1.0 - 2.0 * ndtr(-bounds))


def _rising(fractions: Sequence[float]) -> list[float]:
    times = [float(t) for t in fractions]
    if not times or times[0] <= 0 or any(b <= a for a, b in pairwise(times)):
        shown = ", ".join(f"{t:g}" for t in times) or "none"
        raise InputError(f"The shares at the looks must be above 0 and rise; got {shown}.")
    return times


@lru_cache(maxsize=32)
def _gauss(count: int) -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(count)


class _Walk:
    """A Brownian motion that has stayed within all bounds so far."""

    def __init__(self, drift: float) -> None:
        self.drift = drift
        self.time = 0.0
        self.points: Floats = np.zeros(1)
        self.masses: Floats = np.ones(1)

    def chance_beyond(self, bound: float, time: float) -> float:
        """Give the chance of standing beyond a bound at a later time, never before."""
        ahead = time - self.time
        edge, root = bound * np.sqrt(time), np.sqrt(ahead)
        centre = self.points + self.drift * ahead
        beyond = ndtr((-edge - centre) / root) + ndtr((centre - edge) / root)
        return float(self.masses @ beyond)

    def find_bound(self, chance: float, time: float) -> float:
        """Find the bound beyond which that much chance lies; inf for none."""
        if self.chance_beyond(FARTHEST, time) >= chance:
            return float("inf")
        return float(brentq(lambda b: self.chance_beyond(b, time) - chance, 0.0, FARTHEST,
                            xtol=1e-12))  # fmt: skip

    def stay_within(self, bound: float, time: float) -> None:
        """Move on to a later time and drop what lies beyond the bound."""
        ahead = time - self.time
        root = float(np.sqrt(ahead))
        reach = FARTHEST * float(np.sqrt(time)) + abs(self.drift) * time
        edge = min(bound * float(np.sqrt(time)), reach)
        nodes, weights = _gauss(100 * int(np.clip(np.ceil(0.4 * edge / root), 2, 20)))
        points = edge * nodes
        steps = (points[:, None] - self.points[None, :] - self.drift * ahead) / root
        density = np.exp(-0.5 * steps**2) / (root * np.sqrt(2.0 * np.pi))
        self.masses = edge * weights * (density @ self.masses)
        self.points, self.time = points, time
