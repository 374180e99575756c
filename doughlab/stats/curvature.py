"""Identity plus weighted cross products of random groupings, solved by elimination.

Called by cumulative, which needs its logarithm, its solutions and parts of its inverse.
What the weights are is left to the caller.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]


class Curvature:
    """The matrix I + S Z' W Z S of crossed random intercepts.

    The largest random term has a diagonal block and is eliminated first, so that only the
    smaller ones make a dense matrix.

    Parameters
    ----------
    weight : array, shape (n,)
        Weight of each row.
    groups : sequence of int array, shape (n,)
        Group of each row, one array per term; at least one term.
    sizes : sequence of int
        Groups per term.
    sd : array, shape (number of terms,)
        Standard deviation of each term.

    Examples
    --------
    >>> c = Curvature(np.ones(4), [np.array([0, 0, 1, 1])], [2], np.array([2.0]))
    >>> print(c.solve(np.array([9.0, 18.0])), round(c.log_det, 4))
    [1. 2.] 4.3944
    """

    def __init__(
        self, weight: Floats, groups: Sequence[Codes], sizes: Sequence[int], sd: Floats
    ) -> None:
        self.groups, self.sizes, self.sd = groups, sizes, sd
        self.big = int(np.argmax(sizes))
        self.others = [k for k in range(len(sizes)) if k != self.big]
        ends = np.cumsum([0, *(sizes[k] for k in self.others)])
        self.block = {k: slice(ends[i], ends[i + 1]) for i, k in enumerate(self.others)}
        self.diagonal = 1.0 + self._cross(weight, self.big, self.big)
        self.dense = np.eye(int(ends[-1]))
        across = np.zeros((sizes[self.big], int(ends[-1])))
        for i, k in enumerate(self.others):
            across[:, self.block[k]] = self._cross(weight, self.big, k)
            for j in self.others[: i + 1]:
                cross = self._cross(weight, k, j)
                if j == k:
                    self.dense[self.block[k], self.block[k]] += np.diag(cross)
                else:
                    self.dense[self.block[k], self.block[j]] += cross
                    self.dense[self.block[j], self.block[k]] += cross.T
        self.half = across / self.diagonal[:, None]
        root = np.linalg.cholesky(self.dense - across.T @ self.half)
        self.inverse_dense = np.linalg.inv(root)
        self.inverse_dense = self.inverse_dense.T @ self.inverse_dense
        self.log_det = float(np.log(self.diagonal).sum() + 2.0 * np.log(np.diag(root)).sum())

    def _cross(self, weight: Floats, k: int, j: int) -> Floats:
        """Sum weights over pairs of groups; one sum per group when the terms are the same."""
        scale = self.sd[k] * self.sd[j]
        if k == j:
            return scale * np.bincount(self.groups[k], weight, self.sizes[k])
        cell = self.groups[k] * self.sizes[j] + self.groups[j]
        sums = np.bincount(cell, weight, self.sizes[k] * self.sizes[j])
        return scale * sums.reshape(self.sizes[k], self.sizes[j])

    def _split(self, v: Floats) -> tuple[Floats, Floats]:
        first = sum(self.sizes[: self.big])
        last = first + self.sizes[self.big]
        return v[first:last], np.concatenate([v[:first], v[last:]])

    def _join(self, big: Floats, rest: Floats) -> Floats:
        first = sum(self.sizes[: self.big])
        return np.concatenate([rest[:first], big, rest[first:]])

    def solve(self, v: Floats) -> Floats:
        """Solve for one right-hand side, in the order of the terms."""
        big, rest = self._split(v)
        answer = self.inverse_dense @ (rest - self.half.T @ big)
        return self._join(big / self.diagonal - self.half @ answer, answer)

    def shares(self) -> list[Floats]:
        """Give per term and row the inverse's row summed over the row's own groups.

        The entry of term k is the sum over terms j of sd_j times the inverse at the row's groups
        in k and j.
        """
        across = -self.half @ self.inverse_dense
        own = self._big_variances(across)
        result = []
        for k in range(len(self.sizes)):
            total = np.zeros(self.groups[0].size)
            for j in range(len(self.sizes)):
                total += self.sd[j] * self._entries(k, j, across, own)
            result.append(total)
        return result

    def _entries(self, k: int, j: int, across: Floats, own: Floats) -> Floats:
        """Pick the inverse at each row's groups in two terms."""
        if k == j == self.big:
            return own[self.groups[k]]
        if k == self.big:
            return across[self.groups[k], self.groups[j] + self.block[j].start]
        if j == self.big:
            return self._entries(j, k, across, own)
        row = self.groups[k] + self.block[k].start
        return self.inverse_dense[row, self.groups[j] + self.block[j].start]

    def _big_variances(self, across: Floats) -> Floats:
        return 1.0 / self.diagonal - (across * self.half).sum(axis=1)

    def variances(self) -> Floats:
        """Give the diagonal of the inverse, in the order of the terms."""
        own = self._big_variances(-self.half @ self.inverse_dense)
        return self._join(own, np.diag(self.inverse_dense))
