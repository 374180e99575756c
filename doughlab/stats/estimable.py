"""Tell what a design can estimate, and say in words why it cannot.

Called by fit.py and means.py for every hypothesis.
Leaves the numbers to inference.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import listed
from doughlab.stats.design import Design, Term, sum_coding
from doughlab.stats.reml import orthonormal_basis

Floats = NDArray[np.floating[Any]]

TOL = 1e-8


@dataclass(frozen=True)
class Coordinates:
    """Turns hypotheses about coefficients into the coordinates of Q.

    Attributes
    ----------
    back : array, shape (p, rank)
        Right inverse of Q'X.
    null : array, shape (p, p - rank)
        Combinations of coefficients that the rows cannot see; no columns at full rank.
    r_full : array, shape (rank, p)

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> rows = pd.DataFrame({"y": [5.6, 5.5, 5.4, 5.5], "dose": list("aabb")})
    >>> own = fit_mixed(rows, "y ~ dose", random=[]).coordinates
    >>> own.convert(np.eye(2))[1].tolist(), own.estimable_part(np.eye(2)).shape
    ([True, True], (2, 2))
    """

    back: Floats
    null: Floats
    r_full: Floats

    def convert(self, rows: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Convert hypotheses and tell which of them can be estimated.

        Parameters
        ----------
        rows : array, shape (c, p)

        Returns
        -------
        turned : array, shape (c, rank)
        good : bool array, shape (c,)
        """
        turned = rows @ self.back
        if not self.null.shape[1]:
            return turned, np.ones(len(rows), dtype=bool)
        size = np.maximum(np.abs(rows).max(axis=1), 1e-300)
        return turned, np.abs(rows @ self.null).max(axis=1) <= TOL * size

    def estimable_part(self, rows: Floats) -> Floats:
        """Give an independent set of combinations of the rows that can be estimated.

        Parameters
        ----------
        rows : array, shape (q, p)

        Returns
        -------
        array, shape (found, rank)
            In the coordinates of Q; the rows themselves where all can be estimated.
        """
        turned, good = self.convert(rows)
        if good.all():
            return turned
        u, s, _ = np.linalg.svd(rows @ self.null, full_matrices=True)
        seen = int((s > TOL * max(1.0, s[0])).sum())
        return u[:, seen:].T @ turned


def build_coordinates(r_full: Floats, *, full_rank: bool) -> Coordinates:
    """Prepare the conversion for one design.

    Parameters
    ----------
    r_full : array, shape (rank, p)
        Q'X.
    full_rank : bool
        Whether rank equals p and r_full is a triangle.
    """
    p = r_full.shape[1]
    if full_rank:
        return Coordinates(np.linalg.inv(r_full), np.zeros((p, 0)), r_full)
    size = np.linalg.norm(r_full, axis=0)
    size[size == 0] = 1.0
    u, s, vt = np.linalg.svd(r_full / size, full_matrices=True)
    rank = len(s)
    back = (vt[:rank].T / s) @ u.T
    null = vt[rank:].T / size[:, None]
    null /= np.maximum(np.abs(null).max(axis=0), 1e-300)
    return Coordinates(back / size[:, None], null, r_full)


def difference_rows(design: Design, term: Term) -> Floats:
    """Write the hypothesis of a term as level i minus the first level, crossed over its parts.

    Parameters
    ----------
    design : Design
    term : Term

    Returns
    -------
    array, shape (columns of the term, p)
        Rows about all coefficients. Kenward-Roger does not depend on this choice; the degrees of
        freedom of Fai and Cornelius do.
    """
    block: Floats = np.ones((1, 1))
    for part, full in zip(term.parts, term.full, strict=True):
        if part.name in design.factors:
            k = len(design.factors[part.name].levels)
            own = np.eye(k) if full else sum_coding(k)[1:] - sum_coding(k)[:1]
        else:
            own = np.eye(part.degree or 1)
        block = np.kron(own, block)
    rows = np.zeros((len(block), design.matrix.shape[1]))
    rows[:, term.start : term.stop] = block
    return rows


def second_type_rows(design: Design, r_full: Floats, term: Term) -> Floats:
    """Write the hypothesis of a term given all others but those that contain it (type II).

    Parameters
    ----------
    design : Design
    r_full : array, shape (rank, p)
        Q'X.
    term : Term

    Returns
    -------
    array, shape (found, rank)
        In the coordinates of Q: the rows of the elimination that takes the term after every term
        that does not contain it, each with 1 at its own column.

    References
    ----------
    Yates (1934), J. Am. Stat. Assoc. 29, 51, the method of fitting constants (from memory);
    containment by the names of the parts.
    """
    names = {p.name for p in term.parts}
    before = [t for t in design.terms if not names <= {p.name for p in t.parts}]
    columns = [np.arange(t.start, t.stop) for t in (*before, term)]
    basis, triangle, kept, _ = orthonormal_basis(r_full[:, np.concatenate(columns)])
    own = np.flatnonzero(kept >= sum(len(c) for c in columns[:-1]))
    return basis[:, own].T / triangle[own, kept[own]][:, None]


def is_contained(design: Design, term: Term) -> bool:
    """Tell whether a larger term of the model contains this one."""
    names = {p.name for p in term.parts}
    return any(names < {p.name for p in other.parts} for other in design.terms)


def find_partners(design: Design, null: Floats, term: Term) -> list[str]:
    """Name the terms that a term cannot be told from."""
    touching = np.abs(null[term.start : term.stop]).max(axis=0, initial=0.0) > 1e-7
    found = []
    for other in design.terms:
        if other.name == term.name or not other.parts:
            continue
        block = null[other.start : other.stop][:, touching]
        if block.size and np.abs(block).max() > 1e-7:
            found.append(other.name)
    return found


def explain_term(design: Design, null: Floats, term: Term) -> str:
    """Say why a term cannot be estimated.

    Parameters
    ----------
    design : Design
    null : array, shape (p, p - rank)
    term : Term

    Returns
    -------
    str
        One sentence with the levels concerned.
    """
    names = [p.name for p in term.parts]
    for name in names:
        if name in design.factors and len(design.factors[name].levels) == 1:
            return f"Every row has {name} '{design.factors[name].levels[0]}'."
        if name in design.numbers and not np.ptp(design.numbers[name]):
            return f"Every row has {name} {design.numbers[name][0]:g}."
    for other in design.terms:
        factor_names = [p.name for p in other.parts]
        related = set(names) <= set(factor_names)
        if related and len(factor_names) > 1:
            empty = empty_cells(design, factor_names)
            if empty:
                return f"No row has {listed(empty, shown=3)}."
    partners = find_partners(design, null, term)
    nested = _explain_nesting(design, names, partners)
    if nested:
        return nested
    if partners:
        return f"It cannot be told from {listed(partners)}: they change together in every row."
    return "Its columns repeat one another in the rows that are there."


def empty_cells(design: Design, names: list[str]) -> list[str]:
    """List the combinations of factor levels that have no row.

    Parameters
    ----------
    design : Design
    names : list of str
        Parts of a term; numbers among them are passed over.

    Returns
    -------
    list of str
        Such as "a 'low' with b '24'".
    """
    factors = [design.factors[n] for n in names if n in design.factors]
    if len(factors) < 2:
        return []
    shape = tuple(len(f.levels) for f in factors)
    cell = np.ravel_multi_index(tuple(f.codes for f in factors), shape)
    counts = np.bincount(cell, minlength=int(np.prod(shape)))
    found = []
    for index in np.flatnonzero(counts == 0):
        place = np.unravel_index(index, shape)
        found.append(
            " with ".join(f"{f.name} '{f.levels[i]}'" for f, i in zip(factors, place, strict=True))
        )
    return found


def _explain_nesting(design: Design, names: list[str], partners: list[str]) -> str:
    """Find a level of one factor that always comes with one level of another."""
    if len(names) != 1 or names[0] not in design.factors:
        return ""
    own = design.factors[names[0]]
    for partner in partners:
        other = design.factors.get(partner)
        if other is None:
            continue
        for a, b in ((own, other), (other, own)):
            for i, level in enumerate(a.levels):
                seen = np.unique(b.codes[a.codes == i])
                if len(seen) == 1 and len(b.levels) > 1:
                    only = b.levels[int(seen[0])]
                    return (
                        f"It cannot be told from {partner}: every row with {a.name} '{level}' "
                        f"has {b.name} '{only}'."
                    )
    return ""
