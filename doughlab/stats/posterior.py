"""Draw variances and coefficients of a mixed fit together, as far as the data tell them.

The decision room draws from here what new balls may do; nothing here knows of a window.
Estimates, tests and their ranges are left to `fit` and `inference`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from doughlab.errors import InputError
from doughlab.stats.estimable import Coordinates
from doughlab.stats.reml import Reduction, reduce_design

if TYPE_CHECKING:
    from doughlab.stats.result import MixedFit

Floats = NDArray[np.floating[Any]]

DRAWS = 4000
FIRST, SECOND = 512, 1024  # points looked at: over all ratios, then where the data put them
SEED = 20260302
SHARE_WIDE = 0.25  # of the second points that still come from all ratios
TAIL_DF = 4.0
SHRINK = 0.25
CHUNK = 256


@dataclass(frozen=True)
class PosteriorDraws:
    """Draws of all variances and coefficients of a fit, in the units of the response.

    Attributes
    ----------
    names : tuple of str
        Random terms, the residual last.
    variances : array, shape (d, k + 1)
    beta : array, shape (d, rank)
        In the coordinates of Q.
    points : float
        To how many equal points the weighted ones come (effective number).
    shift : float or array, shape (d, 1)
        What is added to every mean, in each draw.
    """

    names: tuple[str, ...]
    variances: Floats = field(repr=False)
    beta: Floats = field(repr=False)
    coordinates: Coordinates = field(repr=False)
    scale: float = field(repr=False)
    shift: float | Floats = field(repr=False)
    points: float = 0.0

    def means(self, rows: Floats) -> Floats:
        """Give every draw's mean of rows of sum-to-zero coefficients.

        Parameters
        ----------
        rows : array, shape (m, p)

        Returns
        -------
        array, shape (d, m)
            Not a number where a row cannot be estimated.
        """
        turned, good = self.coordinates.convert(rows)
        found = self.scale * (self.beta @ turned.T) + self.shift * rows[:, 0]
        return np.where(good, found, np.nan)

    def shifted(self, sd: float) -> PosteriorDraws:
        """Add an error that all means share, unknown but for its standard deviation.

        Parameters
        ----------
        sd : float
            0 or more, in the unit of the response; normal, its middle points in shuffled order
            with a fixed seed. Differences of means stay as they are.
        """
        count = len(self.beta)
        at = ndtri((np.random.default_rng(SEED).permutation(count) + 0.5) / count)
        return replace(self, shift=self.shift + sd * at[:, None])

    def spread(self, *, without: tuple[str, ...] = ()) -> Floats:
        """Give every draw's variance of a new value about its mean.

        Parameters
        ----------
        without : tuple of str
            Random terms that are left out.

        Returns
        -------
        array, shape (d,)
        """
        kept = [i for i, name in enumerate(self.names) if name not in without]
        return np.asarray(self.variances[:, kept].sum(axis=1))


def draw_posterior(
    fit: MixedFit, *, draws: int = DRAWS, seed: int = SEED, shrink: float = SHRINK
) -> PosteriorDraws:
    """Draw what the variances and coefficients of a restricted-likelihood fit may be.

    Parameters
    ----------
    fit : MixedFit
        By restricted likelihood.
    draws : int
        100 or more.
    seed : int
    shrink : float
        Power of what pulls large ratios back, 0 for nothing; see Notes.

    Returns
    -------
    PosteriorDraws

    Raises
    ------
    InputError
        For a fit by maximum likelihood.

    Notes
    -----
    Restricted likelihood times Jeffreys' prior of the variances, the root of the determinant of
    their expected information; coefficients have a flat prior. In balanced nested layouts every
    expected mean square over its observed one is then an inverse chi-square with the df of the
    analysis of variance, cut to variances of 0 or more. That cut makes ranges too wide where days
    are few; each term's (1 + ratio / size) to the power of minus `shrink` is multiplied in against
    it, with the size at which the term tells as much as the residual. The power is a rule of this
    project: in 120 to 150 invented trials of 2, 3, 4 and 8 days, 0 was too wide and 1/2 and 1 too
    bold where days differ most; 1/4 lies between and was then checked in 1,000 trials of each of
    ten cases (tests/studies/window_study.md). Ratios to the residual are weighted points of two
    passes (importance sampling, Owen and Zhou 2000); residual and coefficients are drawn from their
    exact distributions given the ratios.

    References
    ----------
    Box, G. E. P., Tiao, G. C. (1973). Bayesian Inference in Statistical Analysis, chapter 5: the
    one-way layout with this prior. Owen, A., Zhou, Y. (2000). J. Am. Stat. Assoc. 95, 135-143 (the
    mixture of all passes as proposal) [both from memory]. Checked against textbook limits in
    tests/stats/test_posterior.py.

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> rows = pd.DataFrame({"y": [5.61, 5.59, 5.52, 5.55, 5.44, 5.41, 5.47, 5.50],
    ...                      "plot": list("11223344")})
    >>> found = draw_posterior(fit_mixed(rows, "y ~ 1", random=["plot"]))
    >>> found.names, found.variances.shape, bool((found.variances >= 0).all())
    (('plot', 'residual'), (4000, 2), True)
    """
    if fit.method != "reml":
        raise InputError("Draws need a fit with method='reml'.")
    red = _dense(fit)
    beta0, w, s0 = red.project((fit.y - fit.shift) / fit.scale)
    target = _Target(red, np.asarray(w), float(red.floor_s0(np.asarray(s0))), shrink)
    rng = np.random.default_rng(seed)
    g, weights = _weighted_points(target, rng)
    cumulated = np.cumsum(weights)
    at = np.searchsorted(cumulated, (np.arange(draws) + rng.random()) / draws * cumulated[-1])
    used, which = np.unique(np.minimum(at, len(g) - 1), return_inverse=True)
    q, centre, root = target.moments(g[used], np.asarray(beta0))
    which = rng.permutation(which.ravel())
    residual = q[which] / rng.chisquare(red.dof, draws)
    noise = rng.standard_normal((draws, red.rank))
    beta = np.einsum("dij,dj->di", root[which], noise) * np.sqrt(residual)[:, None]
    variances = np.column_stack([g[used][which], np.ones(draws)]) * residual[:, None]
    return PosteriorDraws(
        tuple(fit.random_names), variances * fit.scale**2, beta + centre[which], fit.coordinates,
        fit.scale, fit.shift, float(weights.sum() ** 2 / (weights**2).sum()),
    )  # fmt: skip


def _dense(fit: MixedFit) -> Reduction:
    """Give the reduction of a fit; one that went the short way for many levels is made again."""
    prepared = fit.prepared
    if isinstance(prepared.reduction, Reduction):
        return prepared.reduction
    groups = [(g.codes, len(g.levels)) for g in prepared.groupings]
    return reduce_design(fit.design.matrix, groups)


@dataclass(frozen=True)
class _Target:
    """The density of the ratios of one response, up to a constant."""

    red: Reduction
    w: Floats
    s0: float
    shrink: float

    @cached_property
    def sizes(self) -> Floats:
        """Ratios at which a term tells about as much as the residual does, shape (k,)."""
        traces = np.einsum("irr->i", self.red.a)
        ranks = np.array([np.linalg.matrix_rank(a) for a in self.red.a])
        return np.asarray(ranks / np.maximum(traces, 1e-12))

    def log_density(self, g: Floats) -> Floats:
        """Give the log density at ratios g, shape (m, k), with respect to dg."""
        found = [self._log_density(g[i : i + CHUNK]) for i in range(0, len(g), CHUNK)]
        return np.concatenate(found)

    def _log_density(self, g: Floats) -> Floats:
        red = self.red
        k, r = red.a.shape[:2]
        log_det, q, info = self._diagonal(g) if red.diagonal is not None else self._full(g)
        info[:, k, k] += 0.5 * (red.dof - r)
        size = np.sqrt(np.einsum("nii->ni", info))
        scaled = info / (size[:, :, None] * size[:, None, :])
        prior = 0.5 * np.linalg.slogdet(scaled)[1] + np.log(size).sum(axis=1)
        prior -= self.shrink * np.log1p(g / self.sizes).sum(axis=1)
        return np.asarray(prior - 0.5 * log_det - 0.5 * red.dof * np.log(q))

    def _diagonal(self, g: Floats) -> tuple[Floats, Floats, Floats]:
        """Give log |H|, Q and the information where all A_i are diagonal; H = I + sum g_i A_i."""
        d = self.red.diagonal if self.red.diagonal is not None else np.zeros((0, 0))
        h = 1.0 / (1.0 + g @ d)
        parts = np.concatenate([h[:, None] * d, h[:, None]], axis=1)
        info = 0.5 * np.einsum("nir,njr->nij", parts, parts)
        return -np.log(h).sum(axis=1), (h * self.w**2).sum(axis=1) + self.s0, info

    def _full(self, g: Floats) -> tuple[Floats, Floats, Floats]:
        """Give the same for any design: tr(H^-1 A_i H^-1 A_j) is the square of F_i' H^-1 F_j."""
        red = self.red
        k, r = red.a.shape[:2]
        f = np.hstack(red.f)
        ends = np.cumsum([0, *(fi.shape[1] for fi in red.f)])
        h = np.eye(r) + np.tensordot(g, red.a, axes=1)
        log_det = np.linalg.slogdet(h)[1]
        right = np.column_stack([f, self.w])
        solved = np.linalg.solve(h, np.broadcast_to(right, (len(g), *right.shape)))
        q = solved[:, :, -1] @ self.w + self.s0
        pairs = f.T @ solved[:, :, :-1]
        info = np.empty((len(g), k + 1, k + 1))
        for i in range(k):
            own = slice(ends[i], ends[i + 1])
            for j in range(i + 1):
                other = slice(ends[j], ends[j + 1])
                info[:, i, j] = info[:, j, i] = (pairs[:, own, other] ** 2).sum(axis=(1, 2))
            info[:, i, k] = info[:, k, i] = (solved[:, :, own] ** 2).sum(axis=(1, 2))
        traces = np.stack(
            [np.einsum("nii->n", pairs[:, a:b, a:b]) for a, b in pairwise(ends)], axis=1
        )  # fmt: skip
        info[:, k, k] = np.maximum(r - (g * (traces + info[:, :k, k])).sum(axis=1), 0.0)
        return log_det, q, 0.5 * info

    def moments(self, g: Floats, beta0: Floats) -> tuple[Floats, Floats, Floats]:
        """Give Q, the generalised least-squares estimates and a root of their covariance.

        Parameters
        ----------
        g : array, shape (m, k)
        beta0 : array, shape (rank,)

        Returns
        -------
        arrays of shape (m,), (m, rank), (m, rank, rank)
            For a residual variance of 1.
        """
        red = self.red
        r = red.a.shape[1]
        h = np.eye(r) + np.tensordot(g, red.a, axes=1)
        c = np.tensordot(g, red.m, axes=1)
        cv = np.linalg.solve(h, c.transpose(0, 2, 1)).transpose(0, 2, 1)
        turned = np.linalg.solve(h, np.broadcast_to(self.w[:, None], (len(g), r, 1)))[..., 0]
        q = turned @ self.w + self.s0
        phi = np.eye(red.rank) + np.tensordot(g, red.tt, axes=1) - cv @ c.transpose(0, 2, 1)
        values, vectors = np.linalg.eigh(0.5 * (phi + phi.transpose(0, 2, 1)))
        scaled = vectors * np.sqrt(np.maximum(values, 1e-12))[:, None, :]
        root = scaled @ vectors.transpose(0, 2, 1)  # the one symmetric root: draws alike everywhere
        return q, beta0 - cv @ self.w, root


def _weighted_points(target: _Target, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Lay points over all ratios, then where the density is; weigh them by the mixture of both."""
    k = len(target.red.a)
    if k == 0:
        return np.zeros((1, 0)), np.ones(1)
    sizes = target.sizes
    first = _wide(_even(FIRST, k), sizes)
    density = target.log_density(first)
    weight = _normal(density - _log_wide(first, sizes))
    z = np.log(first)
    mean = weight @ z
    cov = (z - mean).T @ ((z - mean) * weight[:, None]) * 1.3 + 0.05 * np.eye(k)
    wide = int(SHARE_WIDE * SECOND)
    narrow = _student(rng, SECOND - wide, mean, cov)
    g = np.concatenate([first, _wide(_even(wide, k, start=FIRST), sizes), narrow])
    n_wide = FIRST + wide
    share = n_wide / len(g)
    mixture = np.logaddexp(
        np.log(share) + _log_wide(g, sizes), np.log1p(-share) + _log_student(g, mean, cov)
    )
    every = np.concatenate([density, target.log_density(g[FIRST:])])
    return g, _normal(every - mixture)


def _normal(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _even(n: int, k: int, *, start: int = 0) -> Floats:
    """Spread n points evenly over the unit cube: multiples of powers of the root of x^(k+1)=x+1."""
    root = 1.5
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (k + 1))
    steps = root ** -np.arange(1.0, k + 1)
    return np.asarray((0.5 + np.arange(start + 1, start + n + 1)[:, None] * steps) % 1.0)


def _wide(u: Floats, sizes: Floats) -> Floats:
    """Turn points of the unit cube into ratios from 0 to infinity, half of them under the size."""
    inside = np.clip(u, 1e-9, 1.0 - 1e-9)
    return np.asarray(sizes * (1.0 - inside) / inside)


def _log_wide(g: Floats, sizes: Floats) -> Floats:
    return np.asarray((np.log(sizes) - 2.0 * np.log(sizes + g)).sum(axis=1))


def _student(rng: np.random.Generator, n: int, mean: Floats, cov: Floats) -> Floats:
    """Draw ratios whose logarithms have a multivariate t distribution."""
    lower = np.linalg.cholesky(cov)
    z = rng.standard_normal((n, len(mean))) @ lower.T
    z *= np.sqrt(TAIL_DF / rng.chisquare(TAIL_DF, n))[:, None]
    return np.exp(np.clip(mean + z, -60.0, 60.0))


def _log_student(g: Floats, mean: Floats, cov: Floats) -> Floats:
    """Give the log density of `_student` with respect to dg."""
    from scipy.special import gammaln

    k = len(mean)
    z = np.log(g) - mean
    distance = (z * np.linalg.solve(cov, z.T).T).sum(axis=1)
    constant = gammaln((TAIL_DF + k) / 2) - gammaln(TAIL_DF / 2)
    constant -= 0.5 * (k * np.log(TAIL_DF * np.pi) + np.linalg.slogdet(cov)[1])
    shape = -(TAIL_DF + k) / 2 * np.log1p(distance / TAIL_DF)
    return np.asarray(constant + shape - np.log(g).sum(axis=1))
