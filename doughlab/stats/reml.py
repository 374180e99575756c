"""Reduce a design once and find the variances by restricted likelihood.

Called by fit.py for one response and by simulate.py for thousands on the same design.
Leaves tests to inference.py; notation is that of Kenward & Roger (1997), V = sum a_i Z_i Z_i' + s I.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RANK_TOL = 1e-10
MAX_STEPS = 80
TOP_RATIO = 1e12


@dataclass(frozen=True)
class Reduction:
    """A design reduced to the space in which random effects live.

    The fixed effects are held in the coordinates of an orthonormal basis of the model matrix
    (X = Q R), so that every matrix here is well scaled. B is an orthonormal basis, shape (n, r),
    of what the random terms span outside X.

    Attributes
    ----------
    n, rank : int
        Rows, and columns of X that are estimable together.
    q : array, shape (n, rank)
    r_full : array, shape (rank, p)
        Q'X; equals R on the kept columns.
    kept : int array, shape (rank,)
        Columns of X that are not repeats of columns before them.
    log_det : float
        log |X'X| over the kept columns.
    basis : array, shape (n, r)
        B.
    a : array, shape (k, r, r)
        A_i = F_i F_i' with (I - QQ') Z_i = B F_i.
    f : tuple of array, shape (r, levels of i)
        F_i.
    m : array, shape (k, rank, r)
        M_i = Q'Z_i F_i'.
    tt : array, shape (k, rank, rank)
        Q'Z_i Z_i'Q.
    diagonal : array, shape (r,) or None
        The diagonal of A_1 where there is one random term (A_1 is then diagonal).
    """

    n: int
    rank: int
    q: Floats
    r_full: Floats
    kept: NDArray[np.int64]
    log_det: float
    basis: Floats
    a: Floats
    f: tuple[Floats, ...]
    m: Floats
    tt: Floats
    diagonal: Floats | None

    @property
    def dof(self) -> int:
        """Count the rows left after the fixed effects, N = n - rank."""
        return self.n - self.rank

    def project(self, y: Floats) -> tuple[Floats, Floats, Floats]:
        """Reduce responses to what the fit needs.

        Parameters
        ----------
        y : array, shape (n,) or (n, R)

        Returns
        -------
        beta : array, shape (rank,) or (rank, R)
            Q'y, the least-squares coefficients in the coordinates of Q.
        w : array, shape (r,) or (r, R)
            B'y.
        s0 : float or array, shape (R,)
            Sum of squares outside both.
        """
        beta = self.q.T @ y
        rest = y - self.q @ beta
        w = self.basis.T @ rest
        rest -= self.basis @ w
        return beta, w, np.einsum("i...,i...->...", rest, rest)


@dataclass(frozen=True)
class Optimum:
    """Variance ratios that minimise the criterion, per data set.

    Attributes
    ----------
    ratios : array, shape (R, k)
        g_i = a_i / s; exactly 0.0 on the boundary.
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


def orthonormal_basis(x: Floats) -> tuple[Floats, Floats, NDArray[np.int64], float]:
    """Split X into an orthonormal basis and coordinates, setting repeats aside.

    Parameters
    ----------
    x : array, shape (n, p)

    Returns
    -------
    q : array, shape (n, rank)
    r_full : array, shape (rank, p)
        q'x.
    kept : int array, shape (rank,)
        Columns that add something to those before them.
    log_det : float
        log |X'X| over the kept columns.
    """
    n, p = x.shape
    if p == 0:
        return np.zeros((n, 0)), np.zeros((0, 0)), np.zeros(0, dtype=np.int64), 0.0
    kept = np.arange(p)
    q, r = np.linalg.qr(x)
    size = np.sqrt(np.einsum("ij,ij->j", r, r))
    pivots = np.abs(np.diag(r))
    if n < p or (pivots <= RANK_TOL * size[: len(pivots)]).any():
        kept = _independent_columns(x)
        q, r = np.linalg.qr(x[:, kept])
        log_det = 2.0 * float(np.log(np.abs(np.diag(r))).sum())
        return q, q.T @ x, kept, log_det
    return q, r, kept, 2.0 * float(np.log(pivots).sum())


def _independent_columns(x: Floats) -> NDArray[np.int64]:
    """Choose the columns that are not combinations of columns before them."""
    basis = np.zeros((x.shape[0], 0))
    kept: list[int] = []
    for j in range(x.shape[1]):
        column = x[:, j]
        size = np.linalg.norm(column)
        for _ in range(2):
            column = column - basis @ (basis.T @ column)
        rest = np.linalg.norm(column)
        if rest > 1e3 * RANK_TOL * size and size > 0:
            basis = np.column_stack([basis, column / rest])
            kept.append(j)
    return np.array(kept, dtype=np.int64)


def group_sums(codes: NDArray[np.int64], levels: int, x: Floats) -> Floats:
    """Sum rows of x over groups.

    Parameters
    ----------
    codes : int array, shape (n,)
    levels : int
    x : array, shape (n, p)

    Returns
    -------
    array, shape (p, levels)
        x'Z.
    """
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(levels))
    return np.add.reduceat(x[order], starts, axis=0).T


def reduce_design(x: Floats, groups: Sequence[tuple[NDArray[np.int64], int]]) -> Reduction:
    """Reduce a design once, for any number of responses.

    Parameters
    ----------
    x : array, shape (n, p)
        Model matrix of the fixed effects.
    groups : sequence of (int array of shape (n,), number of levels)
        One per random term.

    Returns
    -------
    Reduction
    """
    n = x.shape[0]
    q, r_full, kept, log_det = orthonormal_basis(x)
    rank, k = len(kept), len(groups)
    if k == 0:
        empty = np.zeros((0, rank, rank))
        return Reduction(
            n,
            rank,
            q,
            r_full,
            kept,
            log_det,
            np.zeros((n, 0)),
            np.zeros((0, 0, 0)),
            (),
            np.zeros((0, rank, 0)),
            empty,
            np.zeros(0),
        )
    z = np.zeros((n, sum(levels for _, levels in groups)))
    edges = np.concatenate([[0], np.cumsum([levels for _, levels in groups])])
    for (codes, _), start in zip(groups, edges, strict=False):
        z[np.arange(n), start + codes] = 1.0
    leak = q.T @ z
    z -= q @ leak
    values, vectors = np.linalg.eigh(z.T @ z)
    top = values[-1] if values.size else 0.0
    good = values > max(top, 1e-300) * 1e-11 if top > 1e-9 else np.zeros(len(values), bool)
    root = np.sqrt(values[good])
    basis = z @ (vectors[:, good] / root)
    spread = (vectors[:, good] * root).T
    f = tuple(spread[:, s:e] for s, e in zip(edges[:-1], edges[1:], strict=True))
    t = [leak[:, s:e] for s, e in zip(edges[:-1], edges[1:], strict=True)]
    a = np.stack([fi @ fi.T for fi in f])
    m = np.stack([ti @ fi.T for ti, fi in zip(t, f, strict=True)])
    tt = np.stack([ti @ ti.T for ti in t])
    diagonal = values[good] if k == 1 else None
    return Reduction(n, rank, q, r_full, kept, log_det, basis, a, f, m, tt, diagonal)


def confounded_terms(a: Floats, dof: int) -> list[int]:
    """Find random terms whose variance the data cannot tell from those before.

    Parameters
    ----------
    a : array, shape (k, r, r)
        The A_i of a Reduction.
    dof : int
        N.

    Returns
    -------
    list of int
        Positions; such a term has one row per level, repeats another, or lies in the fixed terms.
    """
    k = len(a)
    gram = np.empty((k + 1, k + 1))
    gram[0, 0] = dof
    gram[0, 1:] = gram[1:, 0] = np.einsum("irr->i", a)
    gram[1:, 1:] = np.einsum("irs,jrs->ij", a, a)
    kept, lost = [0], []
    for i in range(1, k + 1):
        block = gram[np.ix_(kept, kept)]
        own = gram[i, i]
        left = own - gram[i, kept] @ np.linalg.solve(block, gram[kept, i])
        if own <= 1e-9 or left <= 1e-9 * own:
            lost.append(i - 1)
        else:
            kept.append(i)
    return lost


def optimise(
    reduction: Reduction,
    w: Floats,
    s0: Floats,
    *,
    allow_negative: bool = False,
    ml: Floats | None = None,
) -> Optimum:
    """Minimise the profiled restricted likelihood for many data sets at once.

    Parameters
    ----------
    reduction : Reduction
    w : array, shape (R, r)
    s0 : array, shape (R,)
    allow_negative : bool
        Let a ratio go below zero, as long as the covariance stays positive.
    ml : array, shape (k, r0, r0), or None
        From `unprojected`: minimise the unrestricted likelihood instead.

    Returns
    -------
    Optimum

    References
    ----------
    Criterion, gradient and Hessian of the profiled likelihood follow from Kenward & Roger (1997),
    Biometrics 53, 983-997, with s = Q/N put in. Checked in tests/reference.
    """
    dof = reduction.dof if ml is None else reduction.n
    if not len(reduction.a):
        criterion = dof * np.log(np.maximum(s0, 1e-300))
        none = np.zeros((len(s0), 0))
        return Optimum(none, s0 / dof, criterion, none, np.ones(len(s0), dtype=bool))
    if reduction.diagonal is not None:
        values = reduction.diagonal if ml is None else np.sort(np.diag(ml[0]))
        spectrum, squares = _merge_equal(reduction.diagonal, values, w**2)
        return _optimise_one(spectrum, squares, s0, dof, allow_negative)
    problem = _Profile(reduction.a, reduction.a if ml is None else ml, dof, w, s0)
    return _optimise_many(problem, allow_negative)


def unprojected(groups: Sequence[tuple[NDArray[np.int64], int]], n: int) -> Floats:
    """Express the random terms among themselves, without regard to X.

    Parameters
    ----------
    groups : sequence of (int array of shape (n,), number of levels)
    n : int

    Returns
    -------
    array, shape (k, r0, r0)
        Matrices with the nonzero eigenvalues of sum g_i Z_i Z_i' for any g; diagonal for k = 1.
    """
    if not groups:
        return np.zeros((0, 0, 0))
    if len(groups) == 1:
        codes, levels = groups[0]
        return np.diag(np.bincount(codes, minlength=levels).astype(float))[None]
    edges = np.concatenate([[0], np.cumsum([levels for _, levels in groups])])
    z = np.zeros((n, edges[-1]))
    for (codes, _), start in zip(groups, edges, strict=False):
        z[np.arange(n), start + codes] = 1.0
    values, vectors = np.linalg.eigh(z.T @ z)
    good = values > values[-1] * 1e-11
    spread = (vectors[:, good] * np.sqrt(values[good])).T
    return np.stack(
        [spread[:, s:e] @ spread[:, s:e].T for s, e in zip(edges[:-1], edges[1:], strict=True)]
    )


@dataclass(frozen=True)
class _Spectrum:
    """Eigenvalues for the quadratic form, and for the determinant with how often each occurs."""

    d: Floats
    d_log: Floats
    counts: Floats


def _merge_equal(d: Floats, d_log: Floats, squares: Floats) -> tuple[_Spectrum, Floats]:
    """Add up the squares that share an eigenvalue; d and d_log are sorted."""

    def starts(values: Floats) -> NDArray[np.int64]:
        return np.flatnonzero(np.concatenate([[True], np.diff(values) > 1e-10 * values[-1]]))

    if not len(d):
        return _Spectrum(d, d_log, np.ones(len(d_log))), squares
    start, start_log = starts(d), starts(d_log)
    counts = np.diff(np.append(start_log, len(d_log))).astype(float)
    merged = squares if len(start) == len(d) else np.add.reduceat(squares, start, axis=1)
    return _Spectrum(d[start], d_log[start_log], counts), merged


def _one_term(
    g: Floats, spectrum: _Spectrum, squares: Floats, s0: Floats, dof: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Give criterion, first and second derivative and Q for one random term; g has shape (R, 1)."""
    h = 1.0 / (1.0 + g * spectrum.d)
    dh = spectrum.d * h
    sh = squares * h
    q = s0 + sh.sum(axis=1)
    sh *= dh
    q1 = sh.sum(axis=1)
    sh *= dh
    q2 = sh.sum(axis=1)
    if spectrum.d_log is not spectrum.d:
        h = 1.0 / (1.0 + g * spectrum.d_log)
        dh = spectrum.d_log * h
    value = dof * np.log(q) - np.log(h) @ spectrum.counts
    first = dh @ spectrum.counts - dof * q1 / q
    second = -(dh * dh) @ spectrum.counts + dof * (2.0 * q2 / q - (q1 / q) ** 2)
    return value, first, second, q


def _optimise_one(
    spectrum: _Spectrum, squares: Floats, s0: Floats, dof: int, allow_negative: bool
) -> Optimum:
    """Find one ratio per data set by Newton steps kept inside a bracket."""
    counts = spectrum.counts
    scale = float(spectrum.d_log @ counts / counts.sum())
    top = float(max(spectrum.d_log[-1], spectrum.d[-1] if len(spectrum.d) else 0.0))
    grid = np.concatenate([[0.0], np.logspace(-2, 4, 19)]) / scale
    if allow_negative:
        grid = np.concatenate([-(1.0 - np.logspace(-6, -0.05, 12)) / top, grid])
    q = s0[:, None] + squares @ (1.0 / (1.0 + spectrum.d[:, None] * grid))
    profile = (
        dof * np.log(np.maximum(q, 1e-300)) + np.log1p(grid[:, None] * spectrum.d_log) @ counts
    )
    best = profile.argmin(axis=1)
    edge = -(1.0 - 1e-12) / top if allow_negative else 0.0
    low = np.where(best == 0, edge, grid[np.maximum(best - 1, 0)])
    above = np.append(grid, TOP_RATIO / scale)
    high = above[best + 1]
    g = grid[best].copy()
    settled = np.zeros(len(g), dtype=bool)
    tried_zero = np.full(len(g), allow_negative)
    todo = np.arange(len(g))
    for _ in range(MAX_STEPS):
        _, first, second, _ = _one_term(g[todo, None], spectrum, squares[todo], s0[todo], dof)
        now = g[todo]
        low[todo] = np.where(first < 0, now, low[todo])
        high[todo] = np.where(first > 0, now, high[todo])
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(second > 0, now - first / second, np.nan)
        inside = (step >= low[todo]) & (step <= high[todo])
        at_zero = (now == 0.0) & (first >= 0) & (not allow_negative)
        to_zero = (step < 0) & (low[todo] == 0) & ~tried_zero[todo]
        tried_zero[todo] |= to_zero | (now == 0.0)
        step = np.where(inside, step, _split(low[todo], high[todo], 1.0 / scale))
        step = np.where(at_zero | to_zero, 0.0, step)
        g[todo] = step
        done = (np.abs(step - now) <= 1e-13 * (np.abs(step) + 1.0 / scale)) | at_zero
        settled[todo[done]] = True
        todo = todo[~done]
        if not len(todo):
            break
    value, first, _, q = _one_term(g[:, None], spectrum, squares, s0, dof)
    gradient = first * (np.abs(g) + 1.0 / scale)
    settled |= np.abs(gradient) < 1e-8
    return Optimum(g[:, None], q / dof, value, gradient[:, None], settled)


def _split(low: Floats, high: Floats, unit: float) -> Floats:
    """Halve a bracket, by ratio where it spans several powers of ten."""
    middle = 0.5 * (low + high)
    wide = (low > 0) & (high > 100.0 * low)
    middle = np.where(wide, np.sqrt(np.maximum(low, 0) * high), middle)
    return np.where((low == 0.0) & (high > 10 * unit), 0.1 * high, middle)


@dataclass(frozen=True)
class _Profile:
    """The profiled criterion of several random terms for R data sets."""

    a: Floats
    a_log: Floats
    dof: int
    w: Floats
    s0: Floats

    def inverse(self, g: Floats) -> tuple[Floats, Floats]:
        """Give H^-1, shape (R, r, r), and log |H|; H = I + sum g_i A_i."""
        h = np.tensordot(g, self.a, axes=1)
        h += np.eye(self.a.shape[1])
        sign, log_det = np.linalg.slogdet(h)
        log_det = np.where(sign > 0, log_det, np.inf)
        return np.linalg.inv(h), log_det

    def value(self, g: Floats, rows: NDArray[np.int64]) -> Floats:
        """Give the criterion; infinite where H is not positive definite."""
        h = np.tensordot(g, self.a, axes=1)
        h += np.eye(self.a.shape[1])
        sign, log_det = np.linalg.slogdet(h)
        w = self.w[rows]
        q = self.s0[rows] + np.einsum("nr,nr->n", w, np.linalg.solve(h, w[..., None])[..., 0])
        bad = (sign <= 0) | (q <= 0)
        if (g < 0).any():
            bad |= np.linalg.eigvalsh(h)[:, 0] <= 0
        return np.where(bad, np.inf, log_det + self.dof * np.log(np.where(bad, 1.0, q)))

    def derivatives(self, g: Floats, rows: NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
        """Give gradient (R, k), Hessian and expected Hessian (R, k, k)."""
        inverse, _ = self.inverse(g)
        w = self.w[rows]
        u = np.einsum("nrs,ns->nr", inverse, w)
        q = self.s0[rows] + np.einsum("nr,nr->n", w, u)
        ka = inverse[:, None] @ self.a
        trace = np.einsum("nirr->ni", ka)
        cross = np.einsum("nirs,njsr->nij", ka, ka, optimize=False)
        v = np.einsum("irs,ns->nir", self.a, u)
        quad = np.einsum("nir,nr->ni", v, u)
        both = np.einsum("nir,njr->nij", v, np.einsum("nrs,njs->njr", inverse, v))
        share = quad / q[:, None]
        outer = share[:, :, None] * share[:, None, :]
        gradient = trace - self.dof * share
        hessian = -cross + self.dof * (2.0 * both / q[:, None, None] - outer)
        expected = cross - trace[:, :, None] * trace[:, None, :] / self.dof
        return gradient, hessian, expected


def start_grid(a: Floats) -> Floats:
    """List ratios, shape (points, k), from which the search of several terms starts.

    Parameters
    ----------
    a : array, shape (k, r, r)
    """
    k = len(a)
    steps = {2: (0.0, 0.1, 0.5, 2.0, 10.0, 60.0), 3: (0.0, 0.3, 2.0, 15.0)}.get(k, (0.0, 1.0, 8.0))
    scales = np.array([np.einsum("rr->", ai) / max(np.linalg.matrix_rank(ai), 1) for ai in a])
    if k > 5:
        steps = (0.0, 2.0)
    mesh = np.meshgrid(*[np.array(steps) / s for s in scales], indexing="ij")
    return np.stack([m.ravel() for m in mesh], axis=1)


def _optimise_many(problem: _Profile, allow_negative: bool) -> Optimum:
    """Find several ratios per data set by projected Newton steps."""
    grid = start_grid(problem.a)
    inverse, log_det = problem.inverse(grid)
    w = problem.w
    flat = (w[:, :, None] * w[:, None, :]).reshape(len(w), -1)
    q = problem.s0[:, None] + flat @ inverse.reshape(len(grid), -1).T
    best = (log_det + problem.dof * np.log(np.maximum(q, 1e-300))).argmin(axis=1)
    g = grid[best].copy()
    unit = np.array([1.0 / max(np.einsum("rr->", ai) / ai.shape[0], 1e-300) for ai in problem.a])
    value = problem.value(g, np.arange(len(g)))
    settled = np.zeros(len(g), dtype=bool)
    todo = np.arange(len(g))
    for _ in range(MAX_STEPS):
        gradient, hessian, expected = problem.derivatives(g[todo], todo)
        step = _newton_step(g[todo], gradient, hessian, expected, allow_negative)
        new, new_value = _shorten(problem, todo, g[todo], value[todo], step, allow_negative)
        change = np.abs(new - g[todo]) / (np.abs(new) + unit)
        g[todo], value[todo] = new, new_value
        done = change.max(axis=1) <= 1e-12
        settled[todo[done]] = True
        todo = todo[~done]
        if not len(todo):
            break
    gradient, _, _ = problem.derivatives(g, np.arange(len(g)))
    inverse, log_det = problem.inverse(g)
    q = problem.s0 + np.einsum("nr,nrs,ns->n", w, inverse, w)
    gradient = gradient * (np.abs(g) + unit)
    free = np.where(g == 0.0, np.minimum(gradient, 0.0), gradient)
    settled |= np.abs(free).max(axis=1) < 1e-8
    return Optimum(g, q / problem.dof, value, gradient, settled)


def _newton_step(
    g: Floats, gradient: Floats, hessian: Floats, expected: Floats, allow_negative: bool
) -> Floats:
    """Solve for the step of the free ratios; the expected Hessian steps in where needed."""
    k = g.shape[1]
    free = np.ones(g.shape, dtype=bool) if allow_negative else (g > 0) | (gradient < 0)
    both = free[:, :, None] & free[:, None, :]
    eye = np.eye(k)
    chosen = np.where(both, hessian, eye)
    size = np.sqrt(np.abs(np.einsum("nii->ni", np.where(both, expected, eye))))
    scaled = chosen / (size[:, :, None] * size[:, None, :])
    shaky = np.linalg.eigvalsh(scaled)[:, 0] <= 1e-8
    if shaky.any():
        chosen[shaky] = np.where(both, expected, eye)[shaky]
    right = np.where(free, gradient, 0.0)
    return -np.linalg.solve(chosen, right[..., None])[..., 0]


def _shorten(
    problem: _Profile,
    rows: NDArray[np.int64],
    g: Floats,
    value: Floats,
    step: Floats,
    allow_negative: bool,
) -> tuple[Floats, Floats]:
    """Take the step, halved until the criterion does not rise."""

    def moved(size: Floats) -> Floats:
        new = g + size[:, None] * step
        return new if allow_negative else np.maximum(new, 0.0)

    size = np.ones(len(g))
    new = moved(size)
    new_value = problem.value(new, rows)
    slack = 1e-11 * (1.0 + np.abs(value))
    for _ in range(40):
        worse = ~(new_value <= value + slack)
        if not worse.any():
            break
        size[worse] *= 0.5
        new[worse] = moved(size)[worse]
        new_value[worse] = problem.value(new[worse], rows[worse])
    worse = ~(new_value <= value + slack)
    new[worse], new_value[worse] = g[worse], value[worse]
    return new, new_value
