"""Test fixed effects after a restricted-likelihood fit: Kenward-Roger and Satterthwaite.

Called by the results of fit_mixed, by means.py and by simulate.py for single designs.
Leaves the variances to reml.py and the adjustment for many tests to multiplicity.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr, stdtrit

from doughlab.errors import InputError
from doughlab.stats.reml import Reduction

Floats = NDArray[np.floating[Any]]

METHODS = ("kenward-roger", "satterthwaite")


@dataclass(frozen=True)
class Moments:
    """Estimates, their covariance and its derivatives, in the coordinates of Q.

    Attributes
    ----------
    beta : array, shape (rank,)
        Generalised least-squares estimates.
    phi : array, shape (rank, rank)
        Their covariance at the estimated variances.
    d_phi : array, shape (k + 1, rank, rank)
        Its derivative by each variance, the residual last.
    phi_adjusted : array, shape (rank, rank)
        Kenward and Roger's adjusted covariance.
    w : array, shape (k + 1, k + 1)
        Covariance of the variances from the expected information.
    s : array, shape (k + 1, k + 1)
        The same from the observed information; rows of variances at zero are zero.
    v_inv_w : array, shape (r,)
        V^-1 w, for the random effects.
    """

    beta: Floats
    phi: Floats
    d_phi: Floats
    phi_adjusted: Floats
    w: Floats
    s: Floats
    v_inv_w: Floats

    @cached_property
    def rank(self) -> int:
        """Count the coordinates."""
        return len(self.beta)


def compute_moments(
    red: Reduction,
    beta0: Floats,
    w: Floats,
    s0: float,
    variances: Floats,
    *,
    ml: Floats | None = None,
) -> Moments:
    """Compute estimates, covariances and derivatives at given variances.

    Parameters
    ----------
    red : Reduction
    beta0, w, s0
        One response, from `Reduction.project`.
    variances : array, shape (k + 1,)
        Residual last; exact zeros mark the boundary.
    ml : array or None
        For maximum likelihood, the A_i of the random terms without projection, shape (k, r0, r0).

    Returns
    -------
    Moments

    References
    ----------
    Kenward & Roger (1997), Biometrics 53, 983-997; for a covariance linear in its variances the
    adjusted covariance is Phi + 2 sum W_ij E_i V^-1 E_j', E_i = M_i - C V^-1 A_i.
    """
    k, r = len(red.a), red.basis.shape[1]
    s = float(variances[-1])
    a = variances[:-1]
    v_inv = np.linalg.inv(np.tensordot(a, red.a, axes=1) + s * np.eye(r)) if k else np.zeros((r, r))
    c = np.tensordot(a, red.m, axes=1) if k else np.zeros((red.rank, r))
    cv = c @ v_inv
    beta = beta0 - cv @ w
    phi: Floats = s * np.eye(red.rank) + np.tensordot(a, red.tt, axes=1) - cv @ c.T
    va = np.concatenate([v_inv @ red.a, v_inv[None]])
    e = np.concatenate([red.m - cv @ red.a, -cv[None]])
    d_phi = np.empty((k + 1, red.rank, red.rank))
    for i in range(k):
        cross = red.m[i] @ cv.T
        d_phi[i] = red.tt[i] - cross - cv @ e[i].T
    d_phi[k] = np.eye(red.rank) + cv @ cv.T
    information = 0.5 * np.einsum("irs,jsr->ij", va, va)
    information[k, k] += 0.5 * (red.dof - r) / s**2
    w_expected = _invert_symmetric(information)
    adjusted = phi.copy()
    for i in range(k + 1):
        mixed = np.tensordot(w_expected[i], e, axes=1)
        adjusted += 2.0 * (e[i] @ v_inv) @ mixed.T
    adjusted = 0.5 * (adjusted + adjusted.T)
    if k and float(np.abs(a).max()) > 1e8 * s:
        phi, adjusted = _raise_to(phi, s), _raise_to(adjusted, s)
    u = v_inv @ w
    observed = _observed_information(red, va, u, s0, variances, ml)
    return Moments(beta, phi, d_phi, adjusted, w_expected, observed, u)


def _raise_to(matrix: Floats, least: float) -> Floats:
    """Lift eigenvalues that rounding took below the least they can be."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return (vectors * np.maximum(values, least)) @ vectors.T


def _observed_information(
    red: Reduction, va: Floats, u: Floats, s0: float, variances: Floats, ml: Floats | None
) -> Floats:
    """Invert half the observed Hessian of the criterion; variances at zero are left out."""
    k, r = len(red.a), len(u)
    s = float(variances[-1])
    au = np.concatenate([red.a @ u, u[None]])
    vau = np.einsum("irs,s->ir", va, u)
    hessian = 2.0 * np.einsum("ir,jr->ij", au, vau)
    if ml is None:
        hessian -= np.einsum("irs,jsr->ij", va, va)
        hessian[k, k] -= (red.dof - r) / s**2
    else:
        r0 = ml.shape[1]
        inverse = np.linalg.inv(np.tensordot(variances[:-1], ml, axes=1) + s * np.eye(r0))
        full = np.concatenate([inverse @ ml, inverse[None]])
        hessian -= np.einsum("irs,jsr->ij", full, full)
        hessian[k, k] -= (red.n - r0) / s**2
    hessian[k, k] += 2.0 * s0 / s**3
    live = np.flatnonzero(np.append(variances[:-1] != 0.0, True))
    covariance = np.zeros((k + 1, k + 1))
    covariance[np.ix_(live, live)] = 2.0 * _invert_symmetric(hessian[np.ix_(live, live)])
    return covariance


def _invert_symmetric(matrix: Floats) -> Floats:
    """Invert a small symmetric matrix whose rows may differ much in size."""
    size = np.sqrt(np.abs(np.diag(matrix)))
    size[size == 0] = 1.0
    outer = size[:, None] * size[None, :]
    scaled = matrix / outer
    try:
        inverse = np.linalg.inv(scaled)
    except np.linalg.LinAlgError:
        inverse = np.full_like(scaled, np.inf)
    if not np.isfinite(inverse).all() or np.abs(inverse).max() > 1e14:
        inverse = np.linalg.pinv(scaled, rcond=1e-14, hermitian=True)
    return inverse / outer


@dataclass(frozen=True)
class FTest:
    """An F test of one hypothesis.

    Attributes
    ----------
    df_num, df_den : float
    statistic : float
        F; with Kenward-Roger already multiplied by `scaling`.
    scaling : float
        lambda; 1 for Satterthwaite.
    p_value : float

    Examples
    --------
    >>> FTest(df_num=1.0, df_den=2.0, statistic=8.76, scaling=1.0, p_value=0.098).df_den
    2.0
    """

    df_num: float
    df_den: float
    statistic: float
    scaling: float
    p_value: float


def f_test(moments: Moments, rows: Floats, *, df: str = "kenward-roger") -> FTest:
    """Test that all rows of a hypothesis are zero.

    Parameters
    ----------
    moments : Moments
    rows : array, shape (q, rank)
        Independent rows, in the coordinates of Q.
    df : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    FTest

    References
    ----------
    Kenward & Roger (1997); Fai & Cornelius (1996), J. Stat. Comput. Simul. 54, 363-378.
    """
    return f_tests(moments, [rows], df=df)[0]


def f_tests(
    moments: Moments, hypotheses: Sequence[Floats], *, df: str = "kenward-roger"
) -> list[FTest]:
    """Test several hypotheses; see `f_test`."""
    check_method(df)
    pieces = _satterthwaite if df == "satterthwaite" else _kenward_roger
    if not hypotheses:
        return []
    q = np.array([float(len(rows)) for rows in hypotheses])
    m, scaling, raw = pieces(moments, hypotheses, q)
    statistic = raw / q * scaling
    p_value = fdtrc(q, m, statistic)
    return [FTest(*map(float, row)) for row in zip(q, m, statistic, scaling, p_value, strict=True)]


def _kenward_roger(
    moments: Moments, hypotheses: Sequence[Floats], q: Floats
) -> tuple[Floats, Floats, Floats]:
    """Find df, scaling and the quadratic form of each hypothesis."""
    a1, a2, raw = np.empty(len(q)), np.empty(len(q)), np.empty(len(q))
    flat_w = moments.w.ravel()
    k = len(moments.w)
    for i, rows in enumerate(hypotheses):
        inverse = np.linalg.inv(rows @ moments.phi @ rows.T)
        u = inverse @ (rows @ moments.d_phi @ rows.T)
        trace = u.trace(axis1=1, axis2=2)
        a1[i] = trace @ moments.w @ trace
        a2[i] = flat_w @ (u.reshape(k, -1) @ u.transpose(0, 2, 1).reshape(k, -1).T).ravel()
        value = rows @ moments.beta
        raw[i] = value @ np.linalg.solve(rows @ moments.phi_adjusted @ rows.T, value)
    m, scaling = kenward_roger_df(a1, a2, q)
    return m, scaling, raw


def kenward_roger_df(a1: Floats, a2: Floats, q: Floats | float) -> tuple[Floats, Floats]:
    """Find the denominator df and the scaling of Kenward-Roger F tests.

    Parameters
    ----------
    a1, a2 : array, shape (R,)
        sum W_ij tr U_i tr U_j and sum W_ij tr(U_i U_j).
    q : float or array, shape (R,)
        Rows of each hypothesis.

    Returns
    -------
    m, scaling : array, shape (R,)

    Notes
    -----
    Where groups are so few that the F distribution to be matched has no mean (A2 >= q) the
    formulas of the paper turn negative. There, and for q = 1, where they say the same, the df are
    2q/A2 with scaling 1; this is exact for balanced designs.

    References
    ----------
    Kenward & Roger (1997), pages 986-988. The limits at 0/0 are those of Halekoh & Hojsgaard
    (2014), J. Stat. Softw. 59(9).
    """
    a2 = np.maximum(a2, 1e-300)
    left = 1.0 - a2 / q
    with np.errstate(all="ignore"):
        b = (a1 + 6.0 * a2) / (2.0 * q)
        g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2)
        below = 3.0 * q + 2.0 * (1.0 - g)
        v0 = 1.0 + g / below * b
        v1 = 1.0 - (q - g) / below * b
        v2 = 1.0 - (q + 2.0 - g) / below * b
        v0 = np.where(np.abs(v0) < 1e-10, 0.0, v0)
        ratio = np.where((np.abs(left) < 1e-14) & (np.abs(v1) < 1e-14), 1.0, left / v1)
        rho = ratio**2 * v0 / (q * v2)
        m = 4.0 + (q + 2.0) / (q * rho - 1.0)
        scaling = np.where(np.abs(m - 2.0) < 1e-2, 1.0, m * left / (m - 2.0))
        sound = (left > 0) & (m > 2.0) & (scaling > 0) & np.not_equal(q, 1.0)
    return np.where(sound, m, 2.0 * q / a2), np.where(sound, scaling, 1.0)


def _satterthwaite(
    moments: Moments, hypotheses: Sequence[Floats], q: Floats
) -> tuple[Floats, Floats, Floats]:
    """Find the df of Fai and Cornelius and the quadratic form of each hypothesis."""
    m, raw = np.empty(len(q)), np.empty(len(q))
    for i, rows in enumerate(hypotheses):
        values, vectors = np.linalg.eigh(rows @ moments.phi @ rows.T)
        turned = vectors.T @ rows
        raw[i] = ((turned @ moments.beta) ** 2 / values).sum()
        d = ((turned @ moments.d_phi) * turned).sum(axis=2).T
        nu = 2.0 * values**2 / _spread_of(d, moments, moments.s)
        m[i] = fai_cornelius_df(nu[None, :])[0]
    return m, np.ones(len(q)), raw


def _spread_of(d: Floats, moments: Moments, weights: Floats) -> Floats:
    """Give the variance of each contrast's variance, shape (c,); d has shape (c, k).

    A variance held at its floor can leave the observed information without a minimum there, and
    this variance below zero; the expected information then stands in, as in Kenward-Roger.
    """
    found = np.einsum("ci,ij,cj->c", d, weights, d)
    return np.where(found > 0.0, found, np.einsum("ci,ij,cj->c", d, moments.w, d))


def fai_cornelius_df(nu: Floats) -> Floats:
    """Combine the df of independent contrasts into one.

    Parameters
    ----------
    nu : array, shape (R, q)

    Returns
    -------
    array, shape (R,)
        The common value where all agree to 1e-8; 2 where any is 2 or less.

    Examples
    --------
    >>> print(fai_cornelius_df(np.array([[10.0, 10.0], [10.0, 20.0]])).round(4))
    [10.     13.0769]
    """
    q = nu.shape[1]
    same = np.abs(nu - nu.mean(axis=1, keepdims=True)).max(axis=1) < 1e-8
    with np.errstate(divide="ignore", invalid="ignore"):
        e = (nu / (nu - 2.0)).sum(axis=1)
        mixed = 2.0 * e / (e - q)
    low = (nu <= 2.0).any(axis=1)
    return np.where(same, nu.mean(axis=1), np.where(low, 2.0, mixed))


def check_method(df: str) -> None:
    """Refuse a df method that is not known."""
    if df not in METHODS:
        raise InputError(f"df='{df}' is not known. Use 'kenward-roger' or 'satterthwaite'.")


@dataclass(frozen=True)
class TTests:
    """t tests of single contrasts.

    Attributes
    ----------
    estimate, std_error, df, statistic, p_value : array, shape (c,)
        `p_value` is two-sided and unadjusted.
    covariance : array, shape (c, c)
        Of the estimates.

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> rows = pd.DataFrame({"y": [5.6, 5.5, 5.4, 5.5], "dose": list("aabb")})
    >>> tests = fit_mixed(rows, "y ~ dose", random=[]).test_rows(np.eye(2))
    >>> tests.estimate.round(3).tolist(), tests.df.round(1).tolist(), tests.covariance.shape
    ([5.5, 0.05], [2.0, 2.0], (2, 2))
    """

    estimate: Floats
    std_error: Floats
    df: Floats
    statistic: Floats
    p_value: Floats
    covariance: Floats


def t_tests(moments: Moments, rows: Floats, *, df: str = "kenward-roger") -> TTests:
    """Estimate and test contrasts one at a time.

    Parameters
    ----------
    moments : Moments
    rows : array, shape (c, rank)
        In the coordinates of Q.
    df : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    TTests
    """
    check_method(df)
    kenward_roger = df == "kenward-roger"
    plain = np.einsum("ca,ab,cb->c", rows, moments.phi, rows, optimize=True)
    d = np.stack([((rows @ di) * rows).sum(axis=1) for di in moments.d_phi], axis=1)
    weights = moments.w if kenward_roger else moments.s
    below = _spread_of(d, moments, weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        nu = 2.0 * plain**2 / below
    covariance = rows @ (moments.phi_adjusted if kenward_roger else moments.phi) @ rows.T
    error = np.sqrt(np.diag(covariance))
    estimate = rows @ moments.beta
    with np.errstate(divide="ignore", invalid="ignore"):
        t = estimate / error
    return TTests(estimate, error, nu, t, 2.0 * stdtr(nu, -np.abs(t)), covariance)


def t_quantile(level: float, df: Floats) -> Floats:
    """Give the two-sided t quantile for an interval of the given level.

    Examples
    --------
    >>> print(t_quantile(0.95, np.array([10.0])).round(4))
    [2.2281]
    """
    return stdtrit(df, 0.5 + 0.5 * level)
