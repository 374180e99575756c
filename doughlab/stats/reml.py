"""Reduce a design with random terms once, for any number of responses.

Called by fit.py for one response and by simulate.py for thousands on the same design.
Leaves the search for the variances to optimum.py; V = sum a_i Z_i Z_i' + s I throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from doughlab.stats.inference import Moments

Floats = NDArray[np.floating[Any]]
Codes = NDArray[np.integer[Any]]

RANK_TOL = 1e-10
LEAST_RESIDUAL = 1e-7  # of the whole spread; below it double precision no longer carries tests


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
    diagonal : array, shape (k, r) or None
        The diagonals of the A_i where all of them are diagonal, as they can be made for one random
        term, and for several in designs that are balanced within the groups.
    """

    n: int
    rank: int
    q: Floats
    r_full: Floats
    kept: Codes
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

    def floor_s0(self, s0: Floats) -> Floats:
        """Keep the residual sum of squares of unit responses off zero.

        Without it a response whose rows do not differ within groups has an unbounded likelihood.

        Parameters
        ----------
        s0 : array, shape (R,)
            Of responses scaled so that w'w + s0 = N.
        """
        return np.maximum(s0, (self.dof - self.basis.shape[1]) * LEAST_RESIDUAL)

    def predict(self, moments: Moments, variances: Floats) -> list[tuple[Floats, Floats]]:
        """Predict the random effects and the variances of their errors.

        Parameters
        ----------
        moments : Moments
        variances : array, shape (k + 1,)
            Residual last.

        Returns
        -------
        list of (array, array), each of shape (levels,)
            One pair per random term. Best linear unbiased prediction; the error of the fixed
            coefficients is included.
        """
        v = np.tensordot(variances[:-1], self.a, axes=1)
        v += variances[-1] * np.eye(self.basis.shape[1])
        found = []
        for a, f in zip(variances[:-1], self.f, strict=True):
            spread = a - a**2 * (f * np.linalg.solve(v, f)).sum(axis=0)
            found.append((a * (f.T @ moments.v_inv_w), spread))
        return found

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


def orthonormal_basis(x: Floats) -> tuple[Floats, Floats, Codes, float]:
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
    kept: Codes = np.arange(p)
    q, r = np.linalg.qr(x)
    size = np.sqrt(np.einsum("ij,ij->j", r, r))
    pivots = np.abs(np.diag(r))
    if n < p or (pivots <= RANK_TOL * size[: len(pivots)]).any():
        kept = _independent_columns(x)
        q, r = np.linalg.qr(x[:, kept])
        log_det = 2.0 * float(np.log(np.abs(np.diag(r))).sum())
        return q, q.T @ x, kept, log_det
    return q, r, kept, 2.0 * float(np.log(pivots).sum())


def orthonormal_triangle(x: Floats) -> Floats | None:
    """Find R with X = QR without forming Q; None where columns repeat one another.

    Parameters
    ----------
    x : array, shape (n, p)
    """
    gram = x.T @ x
    size = np.sqrt(np.diag(gram))
    if not (size > 0).all():
        return None
    try:
        quick = np.linalg.cholesky(gram / size[:, None] / size[None, :]).T * size
        if (np.diag(quick) > 1e-4 * size).all():
            return quick
    except np.linalg.LinAlgError:
        pass
    sure = np.asarray(np.linalg.qr(x, mode="r"))
    return None if (np.abs(np.diag(sure)) <= RANK_TOL * size).any() else sure


def _independent_columns(x: Floats) -> Codes:
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


def reduce_design(x: Floats, groups: Sequence[tuple[Codes, int]]) -> Reduction:
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
            np.zeros((0, 0)),
        )
    z, edges = _indicators(groups, n)
    leak = q.T @ z
    z -= q @ leak
    values, vectors = np.linalg.eigh(z.T @ z)
    top = values[-1] if values.size else 0.0
    good = values > top * 1e-11 if top > 1e-9 else np.zeros(len(values), bool)
    root = np.sqrt(values[good])
    basis = z @ (vectors[:, good] / root)
    spread = (vectors[:, good] * root).T
    diagonal = values[good][None] if k == 1 else None
    if k > 1:
        turn, diagonal = _joint_eigenvectors([spread[:, s:e] for s, e in edges])
        basis, spread = basis @ turn, turn.T @ spread
    f = tuple(spread[:, s:e] for s, e in edges)
    t = [leak[:, s:e] for s, e in edges]
    a = np.stack([fi @ fi.T for fi in f])
    m = np.stack([ti @ fi.T for ti, fi in zip(t, f, strict=True)])
    tt = np.stack([ti @ ti.T for ti in t])
    return Reduction(n, rank, q, r_full, kept, log_det, basis, a, f, m, tt, diagonal)


def _indicators(
    groups: Sequence[tuple[Codes, int]], n: int
) -> tuple[Floats, list[tuple[int, int]]]:
    """Build the indicator columns of all random terms, and where each term begins and ends."""
    stops = np.cumsum([levels for _, levels in groups]).tolist()
    edges = [(stop - levels, stop) for (_, levels), stop in zip(groups, stops, strict=True)]
    z = np.zeros((n, stops[-1]))
    for (codes, _), (start, _) in zip(groups, edges, strict=True):
        z[np.arange(n), start + codes] = 1.0
    return z, edges


def _joint_eigenvectors(f: list[Floats]) -> tuple[Floats, Floats | None]:
    """Find the basis in which all F_i F_i' are diagonal, if there is one."""
    r = f[0].shape[0]
    if r == 0:
        return np.eye(0), np.zeros((len(f), 0))
    a = [fi @ fi.T for fi in f]
    sizes = [max(float(np.abs(ai).max()), 1e-300) for ai in a]
    mixed = sum(
        ai * ((1.0 + 0.6180339887 * i) / size)
        for i, (ai, size) in enumerate(zip(a, sizes, strict=True))
    )
    _, turn = np.linalg.eigh(np.asarray(mixed))
    diagonals = np.empty((len(f), r))
    for i, (ai, size) in enumerate(zip(a, sizes, strict=True)):
        turned = turn.T @ ai @ turn
        diagonals[i] = np.diag(turned)
        np.fill_diagonal(turned, 0.0)
        if np.abs(turned).max() > 1e-10 * size:
            return np.eye(r), None
    return turn, np.maximum(diagonals, 0.0)


def confounded_terms(a: Floats, dof: int, *, levels: Sequence[int]) -> list[int]:
    """Find random terms whose variance the data cannot tell from the others.

    Terms with more levels are kept before terms with fewer: where plots and the blocks they lie in
    cannot be told apart, taking all their spread for that of the plots errs on the cautious side
    for what is set per plot.

    Parameters
    ----------
    a : array, shape (k, r, r)
        The A_i of a Reduction.
    dof : int
        N.
    levels : sequence of int
        Levels of each term.

    Returns
    -------
    list of int
        Positions; such a term has one row per level, repeats another, or lies in the fixed terms.
    """
    k = len(a)
    gram = np.empty((k + 1, k + 1))
    gram[0, 0] = dof
    gram[0, 1:] = gram[1:, 0] = np.einsum("irr->i", a)
    flat = a.reshape(k, -1)
    gram[1:, 1:] = flat @ flat.T
    kept, lost = [0], []
    for i in sorted(range(1, k + 1), key=lambda i: (-levels[i - 1], i)):
        block = gram[np.ix_(kept, kept)]
        own = gram[i, i]
        left = own - gram[i, kept] @ np.linalg.solve(block, gram[kept, i])
        if own <= 1e-9 or left <= 1e-9 * own:
            lost.append(i - 1)
        else:
            kept.append(i)
    return sorted(lost)


def unprojected(groups: Sequence[tuple[Codes, int]], n: int) -> Floats:
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
    z, edges = _indicators(groups, n)
    values, vectors = np.linalg.eigh(z.T @ z)
    good = values > values[-1] * 1e-11
    spread = (vectors[:, good] * np.sqrt(values[good])).T
    return np.stack([spread[:, s:e] @ spread[:, s:e].T for s, e in edges])
