"""Laws of the largest of several normals, at a known and at an estimated scale.

Called by multiplicity, which turns them into adjusted tests.
Which law fits a family of contrasts is left to the caller.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy.fft import dct
from scipy.special import log_ndtr, ndtr

from doughlab.errors import OutOfRange
from doughlab.stats.scale import log_scale_density, log_scale_limits

Floats = NDArray[np.float64]

_NODES_W = 257
_MANY_DF = 40
_STEP_U = 0.06  # step in log scale; halving it changes nothing above 1e-12


@dataclass(frozen=True)
class Law:
    """Log upper tail of a statistic at known scale, as a Chebyshev series on [0, top].

    `steep` bounds its fall: the log tail is never steeper than -steep * w**2 for large w.
    """

    series: Floats
    top: float
    steep: float

    def log_sf(self, w: Floats) -> Floats:
        """Evaluate the log tail; minus infinity beyond the top."""
        inside = chebyshev.chebval(np.minimum(w, self.top) * (2.0 / self.top) - 1.0, self.series)
        return np.where(w < self.top, np.minimum(inside, 0.0), -np.inf)


def _law_from(sf: Callable[[Floats], Floats], top: float, steep: float) -> Law:
    """Interpolate a tail at Chebyshev nodes and drop the coefficients that are rounding."""
    angles = np.pi * (np.arange(_NODES_W) + 0.5) / _NODES_W
    nodes = top * (np.cos(angles) + 1.0) / 2.0
    series = dct(np.log(sf(nodes)), type=2) / _NODES_W
    series[0] /= 2.0
    needed = np.flatnonzero(np.abs(series) > 2e-13)
    return Law(series[: int(needed[-1]) + 1 if needed.size else 1], top, steep)


@lru_cache(maxsize=64)
def range_law(k: int) -> Law:
    """Tail of the range of k standard normals, kept accurate in relative terms."""

    def sf(w: Floats) -> Floats:
        z = -9.0 + np.linspace(0.0, 1.0, 361) * (18.0 + w[:, None] / 2.0)
        step = z[:, 1] - z[:, 0]
        log_below = log_ndtr(z)
        share = np.exp(np.minimum(log_ndtr(z - w[:, None]) - log_below, -1e-300))
        with np.errstate(divide="ignore"):
            miss = -np.expm1((k - 1) * np.log1p(-share))
        weight = np.exp(-0.5 * z * z + (k - 1) * log_below)
        return k / np.sqrt(2.0 * np.pi) * step * (weight * miss).sum(axis=1)

    return _law_from(sf, 24.0, 0.25)


@lru_cache(maxsize=64)
def product_law(loadings: tuple[float, ...]) -> Law:
    """Tail of the largest absolute value of normals with correlation l_i * l_j."""
    load = np.array(loadings)
    own = np.sqrt(1.0 - load**2)
    finest = float(np.min(own / np.maximum(np.abs(load), 0.25)))
    points = int(min(np.ceil(26.0 / min(0.12, 0.5 * finest)), 20000))
    z = np.linspace(-13.0, 13.0, points)
    weight = np.exp(-0.5 * z * z) * (z[1] - z[0]) / np.sqrt(2.0 * np.pi)

    def sf(w: Floats) -> Floats:
        log_inside = np.zeros((w.size, z.size))
        with np.errstate(divide="ignore"):
            for one, rest in zip(load, own, strict=True):
                shift = one * z[None, :]
                outside = ndtr((-w[:, None] - shift) / rest) + ndtr((shift - w[:, None]) / rest)
                log_inside += np.log1p(-np.minimum(outside, 1.0))
        return -np.expm1(log_inside) @ weight

    return _law_from(sf, 12.0, 0.5)


def tail_over_scale(law: Law, q: Floats, df: Floats) -> Floats:
    """Average a law's tail over the scale s, where df * s**2 is chi-square on df."""
    if df.size and not (np.nan_to_num(df, nan=1.0) > 0).all():
        worst = float(np.nanmin(df))
        raise OutOfRange(
            f"Degrees of freedom are {worst:g}; they must be above 0.",
            value=worst,
            low=0.0,
            high=None,
        )
    flat_q, flat_df = np.maximum(q.ravel(), 0.0), df.ravel()
    result = np.where(flat_q > 0, np.exp(law.log_sf(np.nan_to_num(flat_q))), 1.0)
    result[np.isnan(flat_q) | np.isnan(flat_df)] = np.nan
    todo = np.flatnonzero(np.isfinite(flat_df) & np.isfinite(flat_q) & (flat_q > 0))
    todo = todo[np.argsort(flat_df[todo])]  # small df need long rows: keep them together
    for start in range(0, todo.size, 64):
        part = todo[start : start + 64]
        result[part] = _scale_mean(law, flat_q[part], flat_df[part])
    result[np.isposinf(flat_q)] = 0.0
    return result.reshape(q.shape)


def _scale_mean(law: Law, q: Floats, df: Floats) -> Floats:
    """Integrate over u = log s by the trapezoidal rule, which is spectrally accurate here."""
    low, right = log_scale_limits(df)
    low = low - 0.5 * np.log1p(2.0 * law.steep * q**2 / df)
    points = int(max(120, np.ceil((right - low).max() / _STEP_U)))
    u = low[:, None] + np.linspace(0.0, 1.0, points) * (right - low)[:, None]
    exponent = log_scale_density(u, df[:, None]) + law.log_sf(q[:, None] * np.exp(u))
    return np.exp(exponent).sum(axis=1) * (u[:, 1] - u[:, 0])


def solve_upper(tail: Callable[[Floats, Floats], Floats], p: Floats, df: Floats) -> Floats:
    """Solve tail(x, df) = p for x > 0.

    Many df at one p are interpolated: log x is a smooth function of 1 / df. Where 24 Chebyshev
    nodes do not reach 1e-10, each is solved by itself.
    """
    known = ~np.isnan(df)
    if p.size and np.ptp(p) == 0 and np.unique(df[known]).size > _MANY_DF:
        place = 1.0 / df[known]
        low, high = float(place.min()), float(place.max())
        angles = np.pi * (np.arange(24) + 0.5) / 24
        nodes = low + (high - low) * (np.cos(angles) + 1.0) / 2.0
        logs = np.log(_solve_each(tail, np.full(24, p.flat[0]), 1.0 / nodes))
        series = dct(logs, type=2) / 24
        series[0] /= 2.0
        if np.abs(series[-3:]).max() < 1e-11:
            found = np.full(df.shape, np.nan)
            at = (place - low) / (high - low) * 2.0 - 1.0
            found[known] = np.exp(chebyshev.chebval(at, series))
            return found
    return _solve_each(tail, p, df)


def _solve_each(tail: Callable[[Floats, Floats], Floats], p: Floats, df: Floats) -> Floats:
    """Solve in logarithms by a secant kept in its bracket."""
    flat_p, flat_df = p.ravel(), df.ravel()

    def miss(at: Floats, rows: NDArray[np.intp]) -> Floats:
        with np.errstate(divide="ignore"):
            log_tail = np.log(tail(np.exp(at), flat_df[rows]))
        return np.maximum(log_tail, -745.0) - np.log(flat_p[rows])

    low, high, f_low, f = _bracket(miss, flat_p.size)
    todo = np.arange(flat_p.size)
    x, before, f_before = high.copy(), low.copy(), f_low
    for _ in range(200):
        slope = (f[todo] - f_before[todo]) / (x[todo] - before[todo])
        step = x[todo] - f[todo] / np.where(slope < 0, slope, -np.inf)
        inside = (step > low[todo]) & (step < high[todo])
        before[todo], f_before[todo] = x[todo], f[todo]
        x[todo] = np.where(inside, step, (low[todo] + high[todo]) / 2.0)
        f[todo] = miss(x[todo], todo)
        low[todo] = np.where(f[todo] > 0, x[todo], low[todo])
        high[todo] = np.where(f[todo] > 0, high[todo], x[todo])
        moved = np.abs(x[todo] - before[todo]) > 1e-13
        todo = todo[moved & (np.abs(f[todo]) > 1e-12) & (high[todo] - low[todo] > 1e-14)]
        if not todo.size:
            break
    return np.where(np.isnan(flat_df), np.nan, np.exp(x)).reshape(p.shape)


def _bracket(
    miss: Callable[[Floats, NDArray[np.intp]], Floats], size: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Step out until a falling function is above zero at low and below it at high."""
    low, high = np.full(size, 0.0), np.full(size, 1.5)
    everything = np.arange(size)
    f_low, f_high = miss(low, everything), miss(high, everything)
    while (rows := np.flatnonzero((f_high > 0) & (high < 600))).size:
        low[rows], f_low[rows] = high[rows], f_high[rows]
        high[rows] += 1.0
        f_high[rows] = miss(high[rows], rows)
    while (rows := np.flatnonzero((f_low < 0) & (low > -600))).size:
        high[rows], f_high[rows] = low[rows], f_low[rows]
        low[rows] -= 2.0
        f_low[rows] = miss(low[rows], rows)
    return low, high, f_low, f_high
