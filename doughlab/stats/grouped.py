"""One random term with many levels: everything from sums over its groups.

Called by fit.py in place of reml.py's reduction when groups are many; no matrix grows with them.
Leaves the search to optimum.py and the tests to inference.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.stats.inference import Moments
from doughlab.stats.reml import orthonormal_triangle

Floats = NDArray[np.floating[Any]]
Codes = NDArray[np.integer[Any]]

LEAST_LEVELS = 100


@dataclass(frozen=True)
class GroupedReduction:
    """A full-rank design with one random term, summed over groups of equal size.

    With V = I + g ZZ' the inverse is I - sum over groups of g/(1 + g m) 11', so that only sums of
    rows over each group are needed, and groups of equal size m are added up.

    Attributes
    ----------
    n, rank : int
    x : array, shape (n, p)
    r_full : array, shape (p, p)
        R with X = QR; Q is never formed.
    back : array, shape (p, p)
        R^-1.
    kept : int array, shape (p,)
    log_det : float
        log |X'X|.
    codes : int array, shape (n,)
    sums : array, shape (levels, p)
        Group sums of Q.
    place : int array, shape (levels,)
        Which distinct size each group has.
    sizes, counts : array, shape (u,)
        Distinct group sizes, and how many groups have each.
    squares : array, shape (u, p, p)
        Sums of outer products of the rows of `sums`, per size.
    """

    n: int
    rank: int
    x: Floats
    r_full: Floats
    back: Floats
    kept: Codes
    log_det: float
    codes: Codes
    sums: Floats
    place: Codes
    sizes: Floats
    counts: Floats
    squares: Floats

    @property
    def dof(self) -> int:
        """Count the rows left after the fixed effects."""
        return self.n - self.rank

    def is_confounded(self) -> bool:
        """Tell whether the variance of the term cannot be told from the residual."""
        total = self.squares.sum(axis=0)
        own = self.counts @ self.sizes**2 - 2.0 * self.sizes @ np.einsum("upp->u", self.squares)
        own += float((total * total).sum())
        trace = float(self.counts @ self.sizes - np.trace(total))
        return bool(own <= 1e-9 * self.n or own - trace**2 / self.dof <= 1e-9 * own)

    def predict(self, moments: Moments, variances: Floats) -> list[tuple[Floats, Floats]]:
        """Predict the random effects and the variances of their errors.

        Parameters
        ----------
        moments : Moments
            From `compute_grouped`.
        variances : array, shape (2,)
        """
        g = float(variances[0] / variances[1])
        m = self.sizes[self.place]
        inverse = moments.phi / variances[1]
        leak = ((self.sums @ inverse) * self.sums).sum(axis=1)
        zpz = m / (1.0 + g * m) - leak / (1.0 + g * m) ** 2
        spread = variances[0] - variances[0] * g * zpz
        return [(variances[0] * moments.v_inv_w, spread)]


def reduce_grouped(x: Floats, codes: Codes, levels: int) -> GroupedReduction | None:
    """Reduce a design with one random term.

    Parameters
    ----------
    x : array, shape (n, p)
    codes : int array, shape (n,)
    levels : int

    Returns
    -------
    GroupedReduction or None
        None where columns of x repeat one another.
    """
    r = orthonormal_triangle(x)
    if r is None:
        return None
    back = np.linalg.inv(r)
    order = None if (np.diff(codes) >= 0).all() else np.argsort(codes, kind="stable")
    count = np.bincount(codes, minlength=levels)
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    sums = np.add.reduceat(x if order is None else x[order], starts, axis=0) @ back
    sizes, place = np.unique(count, return_inverse=True)
    squares = np.stack([sums[place == i].T @ sums[place == i] for i in range(len(sizes))])
    log_det = 2.0 * float(np.log(np.abs(np.diag(r))).sum())
    counts = np.bincount(place).astype(float)
    kept = np.arange(x.shape[1])
    return GroupedReduction(
        len(x), x.shape[1], x, r, back, kept, log_det, codes, sums, place,
        sizes.astype(float), counts, squares,
    )  # fmt: skip


@dataclass(frozen=True)
class GroupedProfile:
    """The profiled criterion of one response on a grouped design.

    Attributes
    ----------
    red : GroupedReduction
    dof : int
        N, or n for unrestricted likelihood.
    beta0 : array, shape (p,)
        Least-squares estimates in the coordinates of Q.
    sums : array, shape (levels,)
        Group sums of the least-squares residuals.
    cross : array, shape (u, p)
        Sums of group sums of Q times those of the residuals, per size.
    squares : array, shape (u,)
        Sums of squares of `sums`, per size.
    total : float
        Residual sum of squares.
    """

    red: GroupedReduction
    dof: int
    beta0: Floats
    sums: Floats
    cross: Floats
    squares: Floats
    total: float

    @property
    def units(self) -> Floats:
        """Reciprocal mean group size, shape (1,)."""
        return np.array([len(self.sums) / self.red.n])

    @property
    def lowest(self) -> Floats:
        """Ratio at which V stops being positive."""
        return -1.0 / self.red.sizes[-1:]

    @property
    def within(self) -> float:
        """Sum of squares of the residuals within groups."""
        return float(self.total - self.squares @ (1.0 / self.red.sizes))

    def solve(self, g: float) -> tuple[Floats, Floats, Floats, float]:
        """Give 1/(1 + g m), K^-1 with K = Q'V^-1 Q, the shift of the estimates, and Q."""
        h = 1.0 / (1.0 + g * self.red.sizes)
        weight = g * h
        k = np.eye(self.red.rank) - np.tensordot(weight, self.red.squares, axes=1)
        right = -weight @ self.cross
        inverse = np.linalg.inv(k)
        shift = inverse @ right
        return h, inverse, shift, float(self.total - weight @ self.squares - right @ shift)

    def _criterion(self, g: float) -> tuple[float, float]:
        h, inverse, _, q = self.solve(g)
        value = self.dof * np.log(max(q, 1e-300)) - self.red.counts @ np.log(h)
        if self.dof == self.red.dof:
            value -= np.linalg.slogdet(inverse)[1]
        return float(value), q

    def on_grid(self, grid: Floats) -> Floats:
        """Criterion on ratios of shape (points, 1)."""
        return np.array([[self._criterion(float(g))[0] for g in grid[:, 0]]])

    def value(self, g: Floats, rows: Codes) -> tuple[Floats, Floats]:
        """Criterion and Q, each of shape (1,)."""
        value, q = self._criterion(float(g[0, 0]))
        return np.array([value]), np.array([q])

    def derivatives(self, g: Floats, rows: Codes) -> tuple[Floats, Floats, Floats]:
        """Gradient (1, 1), Hessian and expected Hessian (1, 1, 1)."""
        terms = self.terms(float(g[0, 0]))
        trace, cross = terms.trace, terms.trace_twice
        if self.dof != self.red.dof:
            trace, cross = terms.trace_free, terms.trace_twice_free
        share, both = terms.once / terms.q, terms.twice / terms.q
        gradient = trace - self.dof * share
        hessian = self.dof * (2.0 * both - share**2) - cross
        expected = cross - trace**2 / self.dof
        return (
            np.array([[gradient]]),
            np.array([[[hessian]]]),
            np.array([[[expected]]]),
        )

    def terms(self, g: float) -> GroupedTerms:
        """Evaluate all traces and quadratic forms at a ratio; G = ZZ', s = 1."""
        red = self.red
        h, inverse, shift, q = self.solve(g)
        sizes, counts = red.sizes, red.counts
        b = np.tensordot(h**2, red.squares, axes=1)
        d = np.tensordot(sizes * h**3, red.squares, axes=1)
        kb = inverse @ b
        per_size = self.squares - 2.0 * self.cross @ shift
        per_size += np.einsum("p,upq,q->u", shift, red.squares, shift)
        v = h**2 @ (self.cross - red.squares @ shift)
        free, free_twice = float(counts @ (sizes * h)), float(counts @ (sizes * h) ** 2)
        return GroupedTerms(
            h=h,
            inverse=inverse,
            shift=shift,
            q=q,
            b=b,
            d=d,
            trace=free - float(np.trace(kb)),
            trace_twice=free_twice - 2.0 * float((inverse * d).sum()) + float((kb * kb.T).sum()),
            trace_free=free,
            trace_twice_free=free_twice,
            once=float(h**2 @ per_size),
            twice=float((sizes * h**3) @ per_size - v @ inverse @ v),
        )


@dataclass(frozen=True)
class GroupedTerms:
    """Traces and quadratic forms at one ratio, for s = 1 and G = ZZ'.

    Attributes
    ----------
    h : array, shape (u,)
    inverse : array, shape (p, p)
        (Q'V^-1 Q)^-1.
    shift : array, shape (p,)
    q : float
        y'Py.
    b, d : array, shape (p, p)
        Q'V^-1 G V^-1 Q and Q'V^-1 G V^-1 G V^-1 Q.
    trace, trace_twice : float
        tr(PG), tr(PGPG).
    trace_free, trace_twice_free : float
        tr(V^-1 G), tr(V^-1 G V^-1 G).
    once, twice : float
        y'PGPy, y'PGPGPy.
    """

    h: Floats
    inverse: Floats
    shift: Floats
    q: float
    b: Floats
    d: Floats
    trace: float
    trace_twice: float
    trace_free: float
    trace_twice_free: float
    once: float
    twice: float


def build_profile(red: GroupedReduction, y: Floats, *, restricted: bool) -> GroupedProfile:
    """Reduce one response.

    Parameters
    ----------
    red : GroupedReduction
    y : array, shape (n,)
    restricted : bool
    """
    beta0 = red.back.T @ (red.x.T @ y)
    rest = y - red.x @ (red.back @ beta0)
    sums: Floats = np.bincount(red.codes, rest, len(red.place)).astype(float)
    u = len(red.sizes)
    cross = np.stack([sums[red.place == i] @ red.sums[red.place == i] for i in range(u)])
    squares: Floats = np.bincount(red.place, sums**2, u).astype(float)
    dof = red.dof if restricted else red.n
    return GroupedProfile(red, dof, beta0, sums, cross, squares, float(rest @ rest))


def compute_grouped(profile: GroupedProfile, variances: Floats) -> Moments:
    """Compute the moments that the tests need, as `compute_moments` does.

    Parameters
    ----------
    profile : GroupedProfile
    variances : array, shape (2,)
        Of the term and the residual.

    Returns
    -------
    Moments
        `v_inv_w` holds Z'Py per group.

    References
    ----------
    Kenward & Roger (1997), Biometrics 53, 983-997, equations for P_i and Q_ij; the residual parts
    follow from V = I + gG.
    """
    red, s = profile.red, float(variances[1])
    g = float(variances[0]) / s
    t = profile.terms(g)
    b = [t.b, np.linalg.inv(t.inverse) - g * t.b]
    mixed = t.b - g * t.d
    q = [[t.d, mixed], [mixed, b[1] - g * mixed]]
    sizes, counts, h = red.sizes, red.counts, t.h
    free = np.array(
        [
            [t.trace_twice_free, counts @ (sizes * h**2)],
            [counts @ (sizes * h**2), red.n - counts.sum() + counts @ h**2],
        ]
    )
    kb = [t.inverse @ part for part in b]
    information = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            information[i, j] = 0.5 * (
                free[i, j] - 2.0 * (t.inverse * q[i][j]).sum() + (kb[i] * kb[j].T).sum()
            )
    w = np.linalg.inv(information)
    middle = sum(w[i, j] * (q[i][j] - b[i] @ t.inverse @ b[j]) for i in range(2) for j in range(2))
    adjusted = s * (t.inverse + 2.0 * t.inverse @ np.asarray(middle) @ t.inverse)
    d_phi = np.stack([k @ t.inverse for k in kb])
    observed = _observed(profile, t, g, s)
    if variances[0] == 0.0:
        observed = np.diag([0.0, 1.0 / observed[1, 1]])
    else:
        observed = np.linalg.inv(observed)
    m = red.sizes[red.place]
    z = (profile.sums - red.sums @ t.shift) / (1.0 + g * m) / s
    adjusted = 0.5 * (adjusted + adjusted.T)
    phi = s * t.inverse
    return Moments(profile.beta0 + t.shift, phi, d_phi, adjusted, w * s**2, observed, z)


def _observed(profile: GroupedProfile, t: GroupedTerms, g: float, s: float) -> Floats:
    """Give half the observed Hessian of the criterion by the two variances."""
    red = profile.red
    if profile.dof == red.dof:
        twice, once, n = t.trace_twice, t.trace, float(red.dof)
    else:
        twice, once, n = t.trace_twice_free, t.trace_free, float(red.n)
    mixed = once - g * twice
    last = n - g * once - g * mixed
    quad_mixed = t.once - g * t.twice
    quad_last = t.q - g * t.once - g * quad_mixed
    trace = np.array([[twice, mixed], [mixed, last]])
    quad = np.array([[t.twice, quad_mixed], [quad_mixed, quad_last]])
    return 0.5 * (2.0 * quad / s - trace) / s**2
