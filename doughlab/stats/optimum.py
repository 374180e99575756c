"""Find the variance ratios that minimise the likelihood, for many data sets at once.

Called by fit.py with one response and by simulate.py with thousands.
Leaves the design to reml.py; g_i = a_i / s, H = I + sum g_i A_i, Q = s0 + w'H^-1 w.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from doughlab.stats.reml import Reduction

Floats = NDArray[np.floating[Any]]
Rows = NDArray[np.integer[Any]]

MAX_STEPS = 100
TOP_RATIO = 1e13


@dataclass(frozen=True)
class Optimum:
    """Variance ratios that minimise the criterion, per data set.

    Attributes
    ----------
    ratios : array, shape (R, k)
        g_i; exactly 0.0 on the boundary.
    residual : array, shape (R,)
        s.
    criterion : array, shape (R,)
        log |H| + N log Q, without its constant.
    gradient : array, shape (R, k)
        Derivative by g_i, times g_i plus the reciprocal mean group size, so without unit.
    settled : bool array, shape (R,)
    """

    ratios: Floats
    residual: Floats
    criterion: Floats
    gradient: Floats
    settled: NDArray[np.bool_]


def optimise(
    reduction: Reduction,
    w: Floats,
    s0: Floats,
    *,
    allow_negative: bool = False,
    ml: Floats | None = None,
) -> Optimum:
    """Minimise the profiled likelihood for many data sets at once.

    Parameters
    ----------
    reduction : Reduction
    w : array, shape (R, r)
    s0 : array, shape (R,)
    allow_negative : bool
        Let a ratio go below zero, as long as the covariance stays positive.
    ml : array, shape (k, r0, r0), or None
        From `doughlab.stats.reml.unprojected`: minimise the unrestricted likelihood instead.

    Returns
    -------
    Optimum

    References
    ----------
    The restricted likelihood is that of Patterson & Thompson (1971), Biometrika 58, 545-554, with
    s = Q/N put in; derivatives by algebra. Checked in
    tests/reference/test_mixed_models_kenward1997.py.
    """
    dof = reduction.dof if ml is None else reduction.n
    k = len(reduction.a)
    if not k:
        criterion = dof * np.log(np.maximum(s0, 1e-300))
        none = np.zeros((len(s0), 0))
        return Optimum(none, s0 / dof, criterion, none, np.ones(len(s0), dtype=bool))
    if reduction.diagonal is not None and ml is None:
        profile: Profile = build_diagonal(reduction.diagonal, dof, w, s0)
        if k == 1:
            return _search_one(profile, allow_negative)
    else:
        a_log = reduction.a if ml is None else ml
        profile = DenseProfile(reduction.a, a_log, dof, w, s0)
    return _search_several(profile, allow_negative)


def optimise_profile(profile: Profile) -> Optimum:
    """Minimise a profile of one ratio, at or above zero."""
    return _search_one(profile, False)


class Profile(Protocol):
    """The profiled criterion of R data sets."""

    @property
    def dof(self) -> int:
        """N, or n for unrestricted likelihood."""

    @property
    def units(self) -> Floats:
        """Reciprocal mean group sizes, shape (k,)."""

    @property
    def lowest(self) -> Floats:
        """Ratios, shape (k,), below which H is never positive when the others are zero."""

    def on_grid(self, grid: Floats) -> Floats:
        """Criterion of every data set, shape (R, points), on ratios of shape (points, k)."""

    def value(self, g: Floats, rows: Rows) -> tuple[Floats, Floats]:
        """Criterion and Q of the chosen data sets; infinite where H is not positive."""

    def derivatives(self, g: Floats, rows: Rows) -> tuple[Floats, Floats, Floats]:
        """Gradient (R, k), Hessian and expected Hessian (R, k, k)."""


@dataclass(frozen=True)
class DiagonalProfile:
    """The criterion where all A_i are diagonal; equal columns are added up.

    Attributes
    ----------
    d : array, shape (k, r)
    counts : array, shape (r,)
        How many equal columns each stands for.
    dof : int
    w : array, shape (R, r)
        Sums of squares, not the values themselves.
    s0 : array, shape (R,)
    """

    d: Floats
    counts: Floats
    dof: int
    w: Floats
    s0: Floats

    @property
    def units(self) -> Floats:
        """Reciprocal mean group sizes, shape (k,)."""
        return self.counts.sum() / np.maximum(self.d @ self.counts, 1e-300)

    @property
    def lowest(self) -> Floats:
        """Ratios at which H stops being positive."""
        return -1.0 / np.maximum(self.d.max(axis=1), 1e-300)

    def on_grid(self, grid: Floats) -> Floats:
        """Criterion of every data set on a grid."""
        h = 1.0 + grid @ self.d
        q = self.s0[:, None] + self.w @ (1.0 / h).T
        return self.dof * np.log(np.maximum(q, 1e-300)) + np.log(h) @ self.counts

    def value(self, g: Floats, rows: Rows) -> tuple[Floats, Floats]:
        """Criterion and Q."""
        h = 1.0 + g @ self.d
        bad = (h <= 0).any(axis=1)
        h = np.where(h > 0, h, 1.0)
        q = self.s0[rows] + (self.w[rows] / h).sum(axis=1)
        value = self.dof * np.log(np.maximum(q, 1e-300)) + np.log(h) @ self.counts
        return np.where(bad, np.inf, value), q

    def derivatives(self, g: Floats, rows: Rows) -> tuple[Floats, Floats, Floats]:
        """Gradient, Hessian and expected Hessian."""
        h = 1.0 / (1.0 + g @ self.d)
        wh = self.w[rows] * h
        q = self.s0[rows] + wh.sum(axis=1)
        k = len(self.d)
        products = (self.d[:, None] * self.d[None]).reshape(k * k, -1)
        trace = h @ (self.d * self.counts).T
        cross = ((h * h) @ (products * self.counts).T).reshape(-1, k, k)
        wh *= h
        share = (wh @ self.d.T) / q[:, None]
        wh *= h
        both = (wh @ products.T).reshape(-1, k, k) / q[:, None, None]
        return _assemble(self.dof, trace, cross, share, both)


def build_diagonal(d: Floats, dof: int, w: Floats, s0: Floats) -> DiagonalProfile:
    """Add up the squares that belong to equal columns of d.

    Parameters
    ----------
    d : array, shape (k, r)
    dof : int
    w : array, shape (R, r)
    s0 : array, shape (R,)
    """
    place, first = equal_columns(d)
    counts = np.bincount(place, minlength=len(first)).astype(float)
    squares = w * w
    if len(first) < d.shape[1]:
        order = np.argsort(place, kind="stable")
        starts = np.searchsorted(place[order], np.arange(len(first)))
        squares = np.add.reduceat(squares[:, order], starts, axis=1)
    return DiagonalProfile(d[:, first], counts, dof, squares, s0)


def equal_columns(d: Floats) -> tuple[Rows, Rows]:
    """Group the columns of d that agree to ten digits.

    Parameters
    ----------
    d : array, shape (k, r)

    Returns
    -------
    place : int array, shape (r,)
        Group of each column.
    first : int array, shape (groups,)
        One column of each group.
    """
    r = d.shape[1]
    if r == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    size = np.maximum(d.max(axis=1, keepdims=True), 1e-300)
    key = d / size
    order = np.lexsort(np.round(key, 7))
    steps = np.abs(np.diff(key[:, order], axis=1)).max(axis=0) > 1e-10
    group = np.concatenate([[0], np.cumsum(steps)])
    place = np.empty(r, dtype=np.int64)
    place[order] = group
    return place, order[np.concatenate([[True], steps])]


@dataclass(frozen=True)
class DenseProfile:
    """The criterion of any design.

    Attributes
    ----------
    a : array, shape (k, r, r)
    a_log : array, shape (k, r0, r0)
        What the determinant is made of; equal to `a` for restricted likelihood.
    dof : int
    w : array, shape (R, r)
    s0 : array, shape (R,)
    """

    a: Floats
    a_log: Floats
    dof: int
    w: Floats
    s0: Floats

    @property
    def units(self) -> Floats:
        """Reciprocal mean group sizes, shape (k,)."""
        traces = np.einsum("irr->i", self.a_log)
        return self.a_log.shape[1] / np.maximum(traces, 1e-300)

    @property
    def lowest(self) -> Floats:
        """Ratios at which H stops being positive."""
        return -1.0 / np.maximum(np.linalg.eigvalsh(self.a_log)[:, -1], 1e-300)

    def _h(self, g: Floats, *, log: bool = False) -> Floats:
        a = self.a_log if log else self.a
        r = a.shape[1]
        h = (g @ a.reshape(len(a), -1)).reshape(-1, r, r)
        h[:, np.arange(r), np.arange(r)] += 1.0
        return h

    def _log_det(self, g: Floats) -> Floats:
        h = self._h(g, log=True)
        sign, log_det = np.linalg.slogdet(h)
        bad = sign <= 0
        if (g < 0).any():
            bad |= np.linalg.eigvalsh(h)[:, 0] <= 0
        return np.where(bad, np.inf, log_det)

    def on_grid(self, grid: Floats) -> Floats:
        """Criterion of every data set on a grid."""
        inverse = np.linalg.inv(self._h(grid))
        r = inverse.shape[1]
        flat = (self.w[:, :, None] * self.w[:, None, :]).reshape(len(self.w), r * r)
        q = self.s0[:, None] + flat @ inverse.reshape(len(grid), r * r).T
        return self._log_det(grid) + self.dof * np.log(np.maximum(q, 1e-300))

    def value(self, g: Floats, rows: Rows) -> tuple[Floats, Floats]:
        """Criterion and Q."""
        w = self.w[rows]
        u = np.linalg.solve(self._h(g), w[..., None])[..., 0]
        q = self.s0[rows] + np.einsum("nr,nr->n", w, u)
        value = self._log_det(g) + self.dof * np.log(np.maximum(q, 1e-300))
        return np.where(q > 0, value, np.inf), q

    def derivatives(self, g: Floats, rows: Rows) -> tuple[Floats, Floats, Floats]:
        """Gradient, Hessian and expected Hessian."""
        inverse = np.linalg.inv(self._h(g))
        w = self.w[rows]
        k, r = self.a.shape[:2]
        u = (inverse @ w[..., None])[..., 0]
        q = self.s0[rows] + np.einsum("nr,nr->n", w, u)
        v = (u @ self.a.reshape(k * r, r).T).reshape(-1, k, r)
        share = np.einsum("nir,nr->ni", v, u) / q[:, None]
        both = v @ inverse @ v.transpose(0, 2, 1) / q[:, None, None]
        if self.a_log is not self.a:
            inverse = np.linalg.inv(self._h(g, log=True))
        r0 = inverse.shape[1]
        ka = (inverse.reshape(-1, r0) @ np.concatenate(self.a_log, axis=1)).reshape(-1, r0, k, r0)
        ka = ka.transpose(0, 2, 1, 3)
        trace = np.einsum("nirr->ni", ka)
        flat = np.ascontiguousarray(ka).reshape(-1, k, r0 * r0)
        turned = np.ascontiguousarray(ka.transpose(0, 1, 3, 2)).reshape(-1, k, r0 * r0)
        cross = flat @ turned.transpose(0, 2, 1)
        return _assemble(self.dof, trace, cross, share, both)


def _assemble(
    dof: int, trace: Floats, cross: Floats, share: Floats, both: Floats
) -> tuple[Floats, Floats, Floats]:
    """Put gradient, Hessian and expected Hessian together."""
    gradient = trace - dof * share
    outer = share[:, :, None] * share[:, None, :]
    hessian = dof * (2.0 * both - outer) - cross
    expected = cross - trace[:, :, None] * trace[:, None, :] / dof
    return gradient, hessian, expected


def _finish(profile: Profile, g: Floats, settled: NDArray[np.bool_]) -> Optimum:
    """Evaluate the end points."""
    rows = np.arange(len(g))
    value, q = profile.value(g, rows)
    gradient = profile.derivatives(g, rows)[0] * (np.abs(g) + profile.units)
    uphill = np.where(g == 0.0, np.minimum(gradient, 0.0), gradient)
    settled = settled | (np.abs(uphill).max(axis=1) < 1e-8)
    return Optimum(g, q / profile.dof, value, gradient, settled)


def _search_one(profile: Profile, allow_negative: bool) -> Optimum:
    """Find one ratio per data set by Newton steps kept inside a bracket."""
    unit = float(profile.units[0])
    grid = np.concatenate([[0.0], np.logspace(-2, 4, 19)]) * unit
    edge = 0.0
    if allow_negative:
        edge = float(profile.lowest[0]) * (1.0 - 1e-12)
        grid = np.concatenate([edge * (1.0 - np.logspace(-6, -0.05, 12)), grid])
    best = profile.on_grid(grid[:, None]).argmin(axis=1)
    low = np.where(best == 0, edge, grid[np.maximum(best - 1, 0)])
    high = np.append(grid, TOP_RATIO * unit)[best + 1]
    g = grid[best].copy()
    settled = np.zeros(len(g), dtype=bool)
    tried_zero = np.full(len(g), allow_negative)
    todo = np.arange(len(g))
    for _ in range(MAX_STEPS):
        now = g[todo]
        first, second, _ = profile.derivatives(now[:, None], todo)
        first, second = first[:, 0], second[:, 0, 0]
        low[todo] = np.where(first < 0, now, low[todo])
        high[todo] = np.where(first > 0, now, high[todo])
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(second > 0, now - first / second, np.nan)
        inside = (step >= low[todo]) & (step <= high[todo])
        at_zero = (now == 0.0) & (first >= 0) & (not allow_negative)
        to_zero = (step < 0) & (low[todo] == 0) & ~tried_zero[todo]
        tried_zero[todo] |= to_zero | (now == 0.0)
        if not inside.all():
            step = np.where(inside, step, _split(low[todo], high[todo], unit))
            step[at_zero | to_zero] = 0.0
        g[todo] = step
        done = (np.abs(step - now) <= 1e-13 * (np.abs(step) + unit)) | at_zero
        settled[todo[done]] = True
        todo = todo[~done]
        if not len(todo):
            break
    return _finish(profile, g[:, None], settled)


def _split(low: Floats, high: Floats, unit: float) -> Floats:
    """Halve a bracket, by ratio where it spans several powers of ten."""
    middle = 0.5 * (low + high)
    wide = (low > 0) & (high > 100.0 * low)
    middle = np.where(wide, np.sqrt(np.maximum(low, 0) * high), middle)
    return np.where((low == 0.0) & (high > 10 * unit), 0.1 * high, middle)


def start_grid(units: Floats) -> Floats:
    """List ratios, shape (points, k), from which the search of several terms starts.

    Parameters
    ----------
    units : array, shape (k,)
        Reciprocal mean group sizes.

    Examples
    --------
    >>> start_grid(np.array([0.25, 0.5])).shape
    (36, 2)
    """
    k = len(units)
    steps = {2: (0.0, 0.1, 0.5, 2.0, 10.0, 60.0), 3: (0.0, 0.3, 2.0, 15.0)}.get(k, (0.0, 1.0, 8.0))
    if k > 5:
        steps = (0.0, 2.0)
    mesh = np.meshgrid(*[np.array(steps) * unit for unit in units], indexing="ij")
    return np.stack([m.ravel() for m in mesh], axis=1)


@dataclass(frozen=True)
class _Limits:
    """Where ratios may lie; at a limit they stop as long as the criterion falls beyond it."""

    units: Floats
    allow_negative: bool

    @property
    def top(self) -> Floats:
        """Ratios at which the residual counts as zero."""
        return TOP_RATIO * self.units

    def clip(self, g: Floats) -> Floats:
        """Bring ratios back inside."""
        return np.minimum(g if self.allow_negative else np.maximum(g, 0.0), self.top)

    def free(self, g: Floats, gradient: Floats) -> NDArray[np.bool_]:
        """Tell which ratios may move."""
        inside = (g < self.top) | (gradient > 0)
        return inside if self.allow_negative else inside & ((g > 0) | (gradient < 0))


def _search_several(profile: Profile, allow_negative: bool) -> Optimum:
    """Find several ratios per data set by projected Newton steps."""
    limits = _Limits(profile.units, allow_negative)
    grid = start_grid(limits.units)
    g = grid[profile.on_grid(grid).argmin(axis=1)].copy()
    todo = np.arange(len(g))
    value, _ = profile.value(g, todo)
    settled = np.zeros(len(g), dtype=bool)
    for _ in range(MAX_STEPS):
        gradient, hessian, expected = profile.derivatives(g[todo], todo)
        step = _newton_step(limits, g[todo], gradient, hessian, expected)
        new, new_value = _shorten(profile, limits, todo, g[todo], value[todo], step)
        change = np.abs(new - g[todo]) / (np.abs(new) + limits.units)
        g[todo], value[todo] = new, new_value
        done = change.max(axis=1) <= 1e-12
        settled[todo[done]] = True
        todo = todo[~done]
        if not len(todo):
            break
    return _finish(profile, g, settled)


def _newton_step(
    limits: _Limits, g: Floats, gradient: Floats, hessian: Floats, expected: Floats
) -> Floats:
    """Solve for the step of the free ratios; the expected Hessian steps in where needed."""
    free = limits.free(g, gradient)
    both = free[:, :, None] & free[:, None, :]
    eye = np.eye(g.shape[1])
    size = np.sqrt(np.abs(np.einsum("nii->ni", expected)))
    size = np.where(free, np.maximum(size, 1e-6 / (np.abs(g) + limits.units)), 1.0)
    outer = size[:, :, None] * size[:, None, :]
    chosen = np.where(both, hessian, eye) / outer
    shaky = np.linalg.eigvalsh(chosen)[:, 0] <= 1e-8
    chosen[shaky] = (np.where(both, expected, eye) / outer)[shaky] + 1e-9 * eye
    right = np.where(free, gradient, 0.0) / size
    return -np.linalg.solve(chosen, right[..., None])[..., 0] / size


def _shorten(
    profile: Profile, limits: _Limits, rows: Rows, g: Floats, value: Floats, step: Floats
) -> tuple[Floats, Floats]:
    """Take the step, halved until the criterion does not rise."""
    size = np.ones(len(g))
    new = limits.clip(g + step)
    new_value, _ = profile.value(new, rows)
    slack = 1e-11 * (1.0 + np.abs(value))
    for _ in range(50):
        worse = ~(new_value <= value + slack)
        if not worse.any():
            return new, new_value
        size[worse] *= 0.5
        new[worse] = limits.clip(g[worse] + size[worse, None] * step[worse])
        new_value[worse] = profile.value(new[worse], rows[worse])[0]
    worse = ~(new_value <= value + slack)
    new[worse], new_value[worse] = g[worse], value[worse]
    return new, new_value
