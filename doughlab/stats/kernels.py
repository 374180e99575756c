"""Kenward-Roger moments of chosen hypotheses, vectorised over data sets of one design.

Called by simulate.py.
Leaves the variances to optimum.py; formulas are those of inference.py, written for s = 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from doughlab.stats.optimum import equal_columns
from doughlab.stats.reml import Reduction

Floats = NDArray[np.floating[Any]]
Rows = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Hypotheses:
    """What is tested in every data set, in the coordinates of Q.

    Attributes
    ----------
    names : tuple of str
    terms : tuple of array, shape (q, rank)
    contrasts : array, shape (c, rank)
    """

    names: tuple[str, ...]
    terms: tuple[Floats, ...]
    contrasts: Floats


@dataclass(frozen=True)
class ManyMoments:
    """What the tests need, per data set, for a residual variance of 1.

    Attributes
    ----------
    a1, a2, quadratic : list of array, shape (R,)
        Per term: Kenward and Roger's A1 and A2, and (L b)'(L Phi_A L')^-1 (L b).
    estimate, variance, a2_contrast : array, shape (c, R)
    correlation : array, shape (c * c, R)
    """

    a1: list[Floats]
    a2: list[Floats]
    quadratic: list[Floats]
    estimate: Floats
    variance: Floats
    a2_contrast: Floats
    correlation: Floats


class Kernel(Protocol):
    """Evaluates the moments of one design."""

    @property
    def hypotheses(self) -> Hypotheses:
        """What is tested."""

    def evaluate(self, g: Floats, beta: Floats, w: Floats) -> ManyMoments:
        """Evaluate at ratios g (R, k), least-squares beta (rank, R) and w (R, r)."""


@dataclass(frozen=True)
class Layout:
    """Which pairs of hypothesis rows are needed: lower triangles of terms, and of the contrasts.

    Attributes
    ----------
    rows : array, shape (m, rank)
        All rows, terms first.
    left, right : int array, shape (o,)
        Row numbers of each pair.
    starts : tuple of int
        Where each term's pairs begin; then where those of the contrasts begin.
    sizes : tuple of int
        Rows of each term; then the number of contrasts.
    """

    rows: Floats
    left: Rows
    right: Rows
    starts: tuple[int, ...]
    sizes: tuple[int, ...]

    def floor(self, k0: Floats) -> Floats:
        """Give the least a variance can be: that of least squares at the residual variance.

        Parameters
        ----------
        k0 : array, shape (o,)
            L L' on the pairs.

        Returns
        -------
        array, shape (o, 1)
            No bound for pairs of different rows.
        """
        return np.where(self.left == self.right, (1.0 - 1e-9) * k0, -np.inf)[:, None]


def _build_layout(hypotheses: Hypotheses, rank: int) -> Layout:
    blocks = [*hypotheses.terms, hypotheses.contrasts]
    left: list[Rows] = []
    right: list[Rows] = []
    starts: list[int] = []
    first, pairs = 0, 0
    for block in blocks:
        i, j = np.tril_indices(len(block))
        left.append(first + i)
        right.append(first + j)
        starts.append(pairs)
        first += len(block)
        pairs += len(i)
    rows = np.vstack(blocks) if first else np.zeros((0, rank))
    sizes = tuple(len(b) for b in blocks)
    return Layout(rows, np.concatenate(left), np.concatenate(right), tuple(starts), sizes)


def build_kernel(red: Reduction, hypotheses: Hypotheses) -> Kernel:
    """Prepare the evaluation for a design.

    Parameters
    ----------
    red : Reduction
    hypotheses : Hypotheses

    Returns
    -------
    Kernel
        The faster kind where all A_i are diagonal.
    """
    layout = _build_layout(hypotheses, red.rank)
    rows, left, right = layout.rows, layout.left, layout.right
    n = np.einsum("ma,iar->imr", rows, red.m, optimize=True)
    k0 = np.einsum("oa,oa->o", rows[left], rows[right])
    turned = rows @ red.tt
    ki = np.einsum("ioa,oa->io", turned[:, left], rows[right])
    if red.diagonal is None:
        return DenseKernel(hypotheses, layout, red, n, k0, ki)
    place, first = equal_columns(red.diagonal)
    products = n[:, None, left] * n[None, :, right]
    merged = np.zeros((*products.shape[:3], len(first)))
    for j, group in enumerate(place):
        merged[..., group] += products[..., j]
    k = len(red.a)
    merged = merged.transpose(2, 0, 1, 3).reshape(len(left), k * k * len(first))
    return DiagonalKernel(hypotheses, layout, red, n, k0, ki, merged, place, first)


@dataclass(frozen=True)
class DiagonalKernel:
    """Evaluates moments where all A_i are diagonal: sums over their distinct columns.

    Attributes
    ----------
    hypotheses : Hypotheses
    layout : Layout
    red : Reduction
    n : array, shape (k, m, r)
        L M_i.
    k0 : array, shape (o,)
        L L' on the pairs of the layout.
    ki : array, shape (k, o)
        L Q'Z_i Z_i'Q L' on the pairs.
    products : array, shape (o, k k u)
        Sums of L M_i M_j' L' over equal columns.
    place, first : int array
        From `equal_columns`.
    """

    hypotheses: Hypotheses
    layout: Layout
    red: Reduction
    n: Floats
    k0: Floats
    ki: Floats
    products: Floats
    place: Rows
    first: Rows

    def evaluate(self, g: Floats, beta: Floats, w: Floats) -> ManyMoments:
        """Evaluate the moments."""
        count, k = g.shape
        d = self.red.diagonal[:, self.first] if self.red.diagonal is not None else np.zeros((0, 0))
        times = np.bincount(self.place, minlength=len(self.first)).astype(float)
        h = 1.0 / (1.0 + g @ d)
        outer = g[:, :, None] * g[:, None, :]
        hd = h[:, None, :] * d
        covariance = self._information(h, d, times)

        def summed(parts: Floats) -> Floats:
            return self.products @ parts.reshape(count, -1).T

        phi = self.k0[:, None] + self.ki.T @ g.T - summed(outer[..., None] * h[:, None, None])
        d_phi = []
        for i in range(k):
            part = -outer[..., None] * hd[:, i, None, None, :]
            part[:, i] += g[:, :, None]
            part[:, :, i] += g[:, :, None]
            d_phi.append(self.ki[i][:, None] - summed(part * h[:, None, None]))
        e = np.empty((count, k + 1, k, len(self.first)))
        e[:, :k] = -g[:, None, :, None] * hd[:, :, None, :]
        e[:, np.arange(k), np.arange(k)] += 1.0
        e[:, k] = -g[:, :, None] * h[:, None, :]
        mixed = np.einsum("nij,njlu->nilu", covariance, e)
        part = np.einsum("nilu,nimu->nlmu", e, mixed) * h[:, None, None]
        adjusted = phi + 2.0 * summed(part)
        wh = w * h[:, self.place]
        value = self.layout.rows @ beta
        for i in range(k):
            value -= g[:, i] * (self.n[i] @ wh.T)
        floor = self.layout.floor(self.k0)
        phi, adjusted = np.maximum(phi, floor), np.maximum(adjusted, floor)
        return collect(self.layout, g, covariance, phi, d_phi, adjusted, value)

    def _information(self, h: Floats, d: Floats, times: Floats) -> Floats:
        """Invert the expected information of the ratios and the residual, shape (R, k+1, k+1)."""
        k = len(d)
        full = np.vstack([d, np.ones((1, d.shape[1]))])
        pairs = (full[:, None] * full[None] * times).reshape((k + 1) ** 2, -1)
        info = 0.5 * ((h * h) @ pairs.T).reshape(-1, k + 1, k + 1)
        info[:, k, k] += 0.5 * (self.red.dof - len(self.place))
        return invert_small(info)


@dataclass(frozen=True)
class DenseKernel:
    """Evaluates moments of any design, with one small matrix inverse per data set.

    Attributes
    ----------
    hypotheses : Hypotheses
    layout : Layout
    red : Reduction
    n, k0, ki
        As in `DiagonalKernel`.
    """

    hypotheses: Hypotheses
    layout: Layout
    red: Reduction
    n: Floats
    k0: Floats
    ki: Floats

    def evaluate(self, g: Floats, beta: Floats, w: Floats) -> ManyMoments:
        """Evaluate the moments."""
        count, k = g.shape
        r, m = self.red.a.shape[1], len(self.layout.rows)
        left, right = self.layout.left, self.layout.right
        h = (g @ self.red.a.reshape(k, r * r)).reshape(count, r, r)
        h[:, np.arange(r), np.arange(r)] += 1.0
        inverse = np.linalg.inv(h)
        spread = (g @ self.n.reshape(k, m * r)).reshape(count, m, r)
        cv = spread @ inverse
        flat = cv.reshape(count * m, r)
        e = [n - (flat @ a).reshape(count, m, r) for n, a in zip(self.n, self.red.a, strict=True)]
        e.append(-cv)
        covariance = self._information(inverse)

        def paired(one: Floats, other: Floats) -> Floats:
            return np.einsum("nor,nor->on", one[:, left], other[:, right])

        phi = self.k0[:, None] + self.ki.T @ g.T - paired(cv, spread)
        d_phi = []
        for i in range(k):
            known = np.einsum("or,nor->on", self.n[i][left], cv[:, right])
            d_phi.append(self.ki[i][:, None] - known - paired(cv, e[i]))
        adjusted = phi.copy()
        for i in range(k + 1):
            mixed = sum(covariance[:, i, j, None, None] * e[j] for j in range(k + 1))
            adjusted += 2.0 * paired(e[i] @ inverse, np.asarray(mixed))
        value = self.layout.rows @ beta - np.einsum("nmr,nr->mn", cv, w)
        floor = self.layout.floor(self.k0)
        phi, adjusted = np.maximum(phi, floor), np.maximum(adjusted, floor)
        return collect(self.layout, g, covariance, phi, d_phi, adjusted, value)

    def _information(self, inverse: Floats) -> Floats:
        """Invert the expected information of the ratios and the residual, shape (R, k+1, k+1)."""
        k, r = self.red.a.shape[:2]
        count = len(inverse)
        va = [(inverse.reshape(-1, r) @ a).reshape(count, r, r) for a in self.red.a]
        va.append(inverse)
        flat = np.stack(va, axis=1).reshape(count, k + 1, r * r)
        turned = np.stack([v.transpose(0, 2, 1) for v in va], axis=1).reshape(count, k + 1, r * r)
        info = 0.5 * flat @ turned.transpose(0, 2, 1)
        info[:, k, k] += 0.5 * (self.red.dof - r)
        return invert_small(info)


def invert_small(info: Floats) -> Floats:
    """Invert symmetric matrices whose rows may differ much in size.

    Parameters
    ----------
    info : array, shape (R, k, k)
    """
    size = np.sqrt(np.einsum("nii->ni", info))
    size = np.where(size > 0, size, 1.0)
    outer = size[:, :, None] * size[:, None, :]
    return np.linalg.inv(info / outer) / outer


def collect(
    layout: Layout,
    g: Floats,
    covariance: Floats,
    phi: Floats,
    d_phi: list[Floats],
    adjusted: Floats,
    value: Floats,
) -> ManyMoments:
    """Turn pairs into the quantities of each test.

    Parameters
    ----------
    layout : Layout
    g : array, shape (R, k)
    covariance : array, shape (R, k + 1, k + 1)
        W for s = 1.
    phi, adjusted : array, shape (o, R)
    d_phi : list of array, shape (o, R)
    value : array, shape (m, R)
        L b.

    Returns
    -------
    ManyMoments
    """
    a1, a2, quadratic = [], [], []
    first = 0
    for start, q in zip(layout.starts[:-1], layout.sizes[:-1], strict=True):
        one = slice(start, start + q * (q + 1) // 2)
        u = whiten(phi[one], [d[one] for d in d_phi], q)
        traces = np.stack([np.einsum("iin->n", ui) for ui in u], axis=1) if u else g
        cross = np.empty((len(g), len(u), len(u)))
        for i, ui in enumerate(u):
            for j, uj in enumerate(u[: i + 1]):
                cross[:, i, j] = cross[:, j, i] = np.einsum("abn,abn->n", ui, uj)
        found = _a1_a2(g, covariance, traces, cross, q)
        a1.append(found[0])
        a2.append(found[1])
        lower = cholesky(adjusted[one], q)
        quadratic.append((forward(lower, value[first : first + q, None])[:, 0] ** 2).sum(axis=0))
        first += q
    c = layout.sizes[-1]
    pairs = slice(layout.starts[-1], layout.starts[-1] + c * (c + 1) // 2)
    left, right = np.tril_indices(c)
    on = np.flatnonzero(left == right)
    variance = adjusted[pairs][on]
    own = phi[pairs][on]
    a2_contrast = np.empty_like(own)
    for row in range(c):
        u1 = np.stack([d[pairs][on[row]] / own[row] for d in d_phi], axis=1) if d_phi else g
        a2_contrast[row] = _a1_a2(g, covariance, u1, u1[:, :, None] * u1[:, None, :], 1)[1]
    correlation = np.empty((c, c, len(g)))
    scaled = adjusted[pairs] / np.sqrt(variance[left] * variance[right])
    correlation[left, right] = correlation[right, left] = scaled
    return ManyMoments(
        a1, a2, quadratic, value[first:], variance, a2_contrast, correlation.reshape(c * c, len(g))
    )


def _a1_a2(
    g: Floats, covariance: Floats, traces: Floats, cross: Floats, q: int
) -> tuple[Floats, Floats]:
    """Find A1 and A2; the residual follows from sum a_i U_i + s U_s = I."""
    k = g.shape[1]
    t = np.empty((len(g), k + 1))
    t[:, :k] = traces
    t[:, k] = q - np.einsum("ni,ni->n", g, traces)
    both = np.empty((len(g), k + 1, k + 1))
    both[:, :k, :k] = cross
    both[:, k, :k] = both[:, :k, k] = traces - np.einsum("nij,nj->ni", cross, g)
    both[:, k, k] = t[:, k] - np.einsum("ni,ni->n", g, both[:, k, :k])
    a1 = np.einsum("ni,nij,nj->n", t, covariance, t)
    return a1, np.einsum("nij,nij->n", covariance, both)


def cholesky(packed: Floats, q: int) -> Floats:
    """Factor q x q matrices of many data sets at once.

    Parameters
    ----------
    packed : array, shape (q (q + 1) / 2, R)
        Lower triangles, row by row.

    Returns
    -------
    array, shape (q, q, R)
        Lower factors; a pivot lost to rounding is held at 1e-14 of its diagonal.
    """
    lower = np.zeros((q, q, packed.shape[1]))
    lower[np.tril_indices(q)] = packed
    for j in range(q):
        least = np.maximum(1e-14 * lower[j, j], 1e-300)
        for i in range(j):
            lower[j:, j] -= lower[j:, i] * lower[j, i]
        lower[j, j] = np.sqrt(np.maximum(lower[j, j], least))
        lower[j + 1 :, j] /= lower[j, j]
    return lower


def forward(lower: Floats, right: Floats) -> Floats:
    """Solve L x = b for many data sets at once.

    Parameters
    ----------
    lower : array, shape (q, q, R)
    right : array, shape (q, columns, R)
    """
    x = right.copy()
    for i in range(len(lower)):
        for j in range(i):
            x[i] -= lower[i, j] * x[j]
        x[i] /= lower[i, i]
    return x


def whiten(phi: Floats, d_phi: list[Floats], q: int) -> list[Floats]:
    """Compute L^-1 D L^-T with phi = L L', whose traces are those of phi^-1 D.

    Parameters
    ----------
    phi : array, shape (q (q + 1) / 2, R)
    d_phi : list of array, same shape

    Returns
    -------
    list of array, shape (q, q, R)
    """
    if not d_phi:
        return []
    lower = cholesky(phi, q)
    i, j = np.tril_indices(q)
    found = []
    for packed in d_phi:
        full = np.empty((q, q, packed.shape[1]))
        full[i, j] = packed
        full[j, i] = packed
        half = forward(lower, full)
        found.append(forward(lower, half.transpose(1, 0, 2)))
    return found
