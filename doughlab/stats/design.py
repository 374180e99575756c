"""Build the model matrix and the random groupings from a table and a formula.

Called by fit.py, simulate.py, influence.py and means.py (which builds rows for settings).
Leaves reading of formulas to terms.py and every estimate to reml.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, MissingRecords, NotEstimable, UnknownName, listed
from doughlab.stats.terms import (
    ModelFormula,
    Part,
    encode_column,
    evaluate_part,
    expand_random,
    parse_formula,
    used_columns,
)

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating[Any]]
Codes = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Factor:
    """A factor of the model: its levels and the level of each row.

    Attributes
    ----------
    name : str
        As printed in tables.
    column : str
        Column of the table.
    levels : tuple of str
        Levels that have rows, in order.
    codes : int array, shape (n,)
        Position of each row's level.
    """

    name: str
    column: str
    levels: tuple[str, ...]
    codes: Codes


@dataclass(frozen=True)
class Term:
    """A fixed term and the columns it owns in the model matrix.

    Attributes
    ----------
    name : str
        Parts joined by ":"; the intercept is "(Intercept)".
    parts : tuple of Part
        Empty for the intercept.
    full : tuple of bool
        Per part, whether a factor keeps all its levels (no term in the model holds the rest
        of this term without it).
    start, stop : int
        Its columns are ``start:stop``.
    """

    name: str
    parts: tuple[Part, ...]
    full: tuple[bool, ...]
    start: int
    stop: int

    @property
    def size(self) -> int:
        """Count the columns of the term."""
        return self.stop - self.start


@dataclass(frozen=True)
class Grouping:
    """A random term: the group of each row.

    Attributes
    ----------
    name : str
        Columns joined by ":".
    columns : tuple of str
        Columns whose combination numbers the groups.
    levels : tuple of str
        Group names, joined by ":".
    codes : int array, shape (n,)
    """

    name: str
    columns: tuple[str, ...]
    levels: tuple[str, ...]
    codes: Codes


@dataclass(frozen=True)
class Design:
    """Everything of a model that does not depend on the response.

    Attributes
    ----------
    formula : ModelFormula
    matrix : array, shape (n, p)
        Sum-to-zero coding, whatever coding the coefficients are shown in.
    terms : tuple of Term
        The intercept first where there is one.
    factors : mapping of str to Factor
    numbers : mapping of str to array, shape (n,)
        Numeric columns that the formula uses.
    bases : mapping of str to array
        Per ``poly`` part, the coefficients that make its orthogonal polynomials.
    groupings : tuple of Grouping
    index : pandas Index, length n
        Labels of the rows used.
    n_dropped : int
        Rows left out for a blank.
    """

    formula: ModelFormula
    matrix: Floats
    terms: tuple[Term, ...]
    factors: Mapping[str, Factor]
    numbers: Mapping[str, Floats]
    bases: Mapping[str, Floats]
    groupings: tuple[Grouping, ...]
    index: pd.Index
    n_dropped: int

    def build_rows(
        self,
        codes: Mapping[str, Codes],
        numbers: Mapping[str, Floats],
        *,
        coding: str = "sum",
    ) -> Floats:
        """Build model rows for settings given as level codes and numbers.

        Parameters
        ----------
        codes : mapping of factor name to int array, shape (m,)
        numbers : mapping of column to array, shape (m,)
        coding : {"sum", "treatment"}

        Returns
        -------
        array, shape (m, p)
        """
        known = next(iter((*codes.values(), *numbers.values())), np.zeros(1))
        builder = _Builder(self.factors, self.bases, codes, numbers, len(known), coding)
        return builder.matrix(self.terms)

    def term(self, name: str) -> Term:
        """Find a term by name, in any order of its parts."""
        wanted = frozenset(name.replace(" ", "").split(":"))
        for term in self.terms:
            parts = frozenset(p.name.replace(" ", "") for p in term.parts) or {term.name}
            if parts == wanted:
                return term
        raise UnknownName("Term", name, [t.name for t in self.terms], where="Model")

    def factor(self, name: str) -> Factor:
        """Find a factor by name; ``C(x)`` and ``x`` name the same one."""
        bare = name.strip()
        for key in (bare, bare.removeprefix("C(").removesuffix(")"), f"C({bare})"):
            if key in self.factors:
                return self.factors[key]
        raise UnknownName("Factor", name, list(self.factors), where="Model")


@lru_cache(maxsize=128)
def sum_coding(k: int) -> Floats:
    """Give the sum-to-zero coding of k levels; the last level gets -1 throughout.

    Examples
    --------
    >>> sum_coding(3)
    array([[ 1.,  0.],
           [ 0.,  1.],
           [-1., -1.]])
    """
    table = np.vstack([np.eye(k - 1), -np.ones((1, k - 1))])
    table.flags.writeable = False
    return table


def build_design(
    data: pd.DataFrame, formula: str, *, random: Sequence[str] = (), response: bool = True
) -> tuple[Design, Floats]:
    """Build the design and the response vector from a table.

    Parameters
    ----------
    data : DataFrame
        One row per observation.
    formula : str
        See `doughlab.stats.terms.parse_formula`.
    random : sequence of str
        Random intercepts; "a/b" stands for a and a:b.
    response : bool
        False leaves the response out (it then need not be a column), as for a simulation.

    Returns
    -------
    design : Design
    y : array, shape (n,)
        Empty when response is False.

    Raises
    ------
    UnknownName
        For a column that is not in the table.
    MissingRecords
        When no complete row is left.
    InputError
        For a response or covariate that is not a number, or infinite.
    """
    model = parse_formula(formula)
    paths = expand_random(tuple([random] if isinstance(random, str) else random))
    read = _read_table(data, model, paths, response=response)
    keep = np.isfinite(read.y)
    for codes, _ in read.coded.values():
        keep &= codes >= 0
    for column in read.numbers.values():
        keep &= np.isfinite(column)
    if not keep.any():
        raise MissingRecords(_nothing_left(read.table))
    rows = None if keep.all() else np.flatnonzero(keep)
    index = data.index if rows is None else data.index[rows]
    used = {name: _used_levels(*item, rows) for name, item in read.coded.items()}
    factors = {
        name: Factor(name, col, used[col][1], used[col][0]) for name, col in read.as_factor.items()
    }
    numbers = read.numbers
    if rows is not None:
        numbers = {name: column[rows] for name, column in numbers.items()}
    polynomials = {p.name: p for term in model.terms for p in term if p.kind == "poly"}
    bases = {name: _poly_basis(numbers[p.column], p) for name, p in polynomials.items()}
    terms = _place_terms(model, factors)
    places = {name: f.codes for name, f in factors.items()}
    matrix = _Builder(factors, bases, places, numbers, len(index)).matrix(terms)
    groupings = tuple(_build_grouping(path, used) for path in paths)
    lost = len(data) - len(index)
    design = Design(model, matrix, terms, factors, numbers, bases, groupings, index, lost)
    return design, (read.y if rows is None else read.y[rows])


def take_rows(design: Design, rows: NDArray[np.int64]) -> Design:
    """Build the design of some of the rows, as if the table had held no others.

    Parameters
    ----------
    design : Design
    rows : int array, shape (m,)
        Positions of the rows to keep.

    Returns
    -------
    Design
        Levels without rows are dropped. `n_dropped` is that of the whole.

    Raises
    ------
    NotEstimable
        Where too few different numbers are left for an orthogonal polynomial.
    """
    factors = {}
    for name, f in design.factors.items():
        codes, levels = _used_levels(f.codes, f.levels, rows)
        factors[name] = Factor(name, f.column, levels, codes)
    numbers = {name: column[rows] for name, column in design.numbers.items()}
    parts = {p.name: p for term in design.terms for p in term.parts if p.kind == "poly"}
    bases = {name: _poly_basis(numbers[p.column], p) for name, p in parts.items()}
    terms = _place_terms(design.formula, factors)
    places = {name: f.codes for name, f in factors.items()}
    matrix = _Builder(factors, bases, places, numbers, len(rows)).matrix(terms)
    groupings = []
    for g in design.groupings:
        codes, levels = _used_levels(g.codes, g.levels, rows)
        groupings.append(Grouping(g.name, g.columns, levels, codes))
    index = design.index[rows]
    return Design(
        design.formula, matrix, terms, factors, numbers, bases, tuple(groupings), index,
        design.n_dropped,
    )  # fmt: skip


@dataclass(frozen=True)
class _Read:
    """The columns of a table as the model uses them, all rows.

    `as_factor` maps the name of a factor to its column.
    """

    table: Mapping[str, pd.Series]
    as_factor: Mapping[str, str]
    coded: Mapping[str, tuple[Codes, tuple[str, ...]]]
    numbers: Mapping[str, Floats]
    y: Floats


def _read_table(
    data: pd.DataFrame, model: ModelFormula, paths: tuple[tuple[str, ...], ...], *, response: bool
) -> _Read:
    """Decide which columns are factors and which numbers, and read them."""
    columns = _needed_columns(model, paths, response=response)
    for name in columns:
        if name not in data.columns:
            raise UnknownName("Column", name, [str(c) for c in data.columns], where="Table")
        if getattr(data[name], "ndim", 1) != 1:
            raise InputError(f"Table: two columns are called '{name}'. Rename one of them.")
    table = {name: data[name] for name in columns}
    numeric = {name: _is_number(column) for name, column in table.items()}
    parts = {part.name: part for term in model.terms for part in term}
    as_factor = {
        p.name: p.column
        for p in parts.values()
        if p.kind == "factor" or (p.kind == "column" and not numeric[p.column])
    }
    as_number = {
        name
        for p in parts.values()
        if p.name not in as_factor
        for name in ([p.column] if p.kind in ("column", "poly") else used_columns(p))
    }
    coded_columns = {*as_factor.values(), *(c for path in paths for c in path)}
    coded = {name: encode_column(table[name]) for name in sorted(coded_columns)}
    numbers = {name: _read_number(table, name, numeric[name]) for name in sorted(as_number)}
    y = _read_response(table, model.response, numeric) if response else np.zeros(len(data))
    return _Read(table, as_factor, coded, numbers, y)


def _needed_columns(
    model: ModelFormula, paths: tuple[tuple[str, ...], ...], *, response: bool
) -> list[str]:
    names: dict[str, None] = {}
    if response:
        names.update(dict.fromkeys(sorted(used_columns(model.response))))
    for term in model.terms:
        for part in term:
            names.update(dict.fromkeys(sorted(used_columns(part))))
    for path in paths:
        names.update(dict.fromkeys(path))
    return list(names)


def _is_number(column: pd.Series) -> bool:
    kind = getattr(column.dtype, "kind", "O")
    return kind in "iuf"


def _read_number(table: Mapping[str, pd.Series], name: str, numeric: bool) -> Floats:
    """Read a numeric column; blanks become NaN, infinities are refused."""
    if not numeric:
        raise InputError(
            f"Column '{name}' holds text, but the formula calculates with it. "
            "Enter numbers in every row, or use the column as it stands as a factor."
        )
    values = table[name].to_numpy(dtype=float, na_value=np.nan)
    if np.isinf(values).any():
        row = int(np.flatnonzero(np.isinf(values))[0])
        raise InputError(f"Column '{name}', row {row + 1}: the value is infinite. Correct it.")
    return values


def _read_response(
    table: Mapping[str, pd.Series], part: Part, numeric: Mapping[str, bool]
) -> Floats:
    """Read the response, a column or an expression of columns."""
    columns = {}
    for name in used_columns(part):
        if not numeric[name]:
            texts = [v for v in table[name] if isinstance(v, str) and v.strip()]
            seen = f", for example '{texts[0]}'" if texts else ""
            raise InputError(
                f"Response '{name}' is not a column of numbers{seen}. "
                "Enter one number per row and leave lost values blank."
            )
        columns[name] = _read_number(table, name, True)
    if part.tree is None:
        return columns[part.column]
    values = evaluate_part(part, columns)
    given = np.all([np.isfinite(c) for c in columns.values()], axis=0)
    if (given & ~np.isfinite(values)).any():
        row = int(np.flatnonzero(given & ~np.isfinite(values))[0])
        raise InputError(f"Response '{part.name}', row {row + 1}: it cannot be calculated there.")
    return values


def _nothing_left(table: Mapping[str, pd.Series]) -> str:
    empty = [name for name, column in table.items() if column.isna().all()]
    if empty:
        return f"No row is complete: nothing is entered in {listed(empty)}."
    return f"No row is complete in all of {listed(list(table))}."


def _used_levels(
    codes: Codes, levels: tuple[str, ...], rows: NDArray[np.int64] | None
) -> tuple[Codes, tuple[str, ...]]:
    """Keep the chosen rows and drop levels without rows."""
    if rows is not None:
        codes = codes[rows]
    counts = np.bincount(codes, minlength=len(levels))
    if counts.all():
        return codes, levels
    place = np.cumsum(counts > 0) - 1
    return place[codes], tuple(t for t, c in zip(levels, counts, strict=True) if c)


def _build_grouping(
    path: tuple[str, ...], used: Mapping[str, tuple[Codes, tuple[str, ...]]]
) -> Grouping:
    """Give each combination of the columns of a random term a number."""
    codes, levels = used[path[0]]
    names = list(levels)
    for column in path[1:]:
        inner, inner_levels = used[column]
        cell = codes * len(inner_levels) + inner
        counts = np.bincount(cell, minlength=len(names) * len(inner_levels))
        place = np.cumsum(counts > 0) - 1
        codes = place[cell]
        k = len(inner_levels)
        names = [f"{names[c // k]}:{inner_levels[c % k]}" for c in np.flatnonzero(counts)]
    return Grouping(":".join(path), path, tuple(names), codes)


def _poly_basis(x: Floats, part: Part) -> Floats:
    """Find coefficients (centre, scale, triangle) of orthogonal polynomials of x.

    The columns have mean zero and unit length, as orthogonal polynomials usually do.
    """
    if len(np.unique(x)) <= part.degree:
        raise NotEstimable(
            f"{part.name} needs at least {part.degree + 1} different values of '{part.column}'."
        )
    centre, scale = float(x.mean()), float(np.ptp(x)) or 1.0
    powers = np.vander((x - centre) / scale, part.degree + 1, increasing=True)
    r = np.asarray(np.linalg.qr(powers, mode="r"))
    signs = np.sign(np.diag(r))
    triangle = np.linalg.inv(r) * signs
    return np.vstack(
        [np.full((1, part.degree + 1), centre), np.full((1, part.degree + 1), scale), triangle]
    )


def _place_terms(model: ModelFormula, factors: Mapping[str, Factor]) -> tuple[Term, ...]:
    """Give each term its columns and decide which factors keep all levels."""
    present = {frozenset(p.name for p in term) for term in model.terms}
    if model.intercept:
        present.add(frozenset())
    terms: list[Term] = [Term("(Intercept)", (), (), 0, 1)] if model.intercept else []
    start = len(terms)
    for parts in model.terms:
        names = frozenset(p.name for p in parts)
        full = tuple(p.name in factors and names - {p.name} not in present for p in parts)
        size = 1
        for part, whole in zip(parts, full, strict=True):
            if part.name in factors:
                size *= len(factors[part.name].levels) - (not whole)
            else:
                size *= part.degree or 1
        terms.append(Term(":".join(p.name for p in parts), parts, full, start, start + size))
        start += size
    return tuple(terms)


@dataclass(frozen=True)
class _Builder:
    """Builds rows of a model matrix from level codes and numbers."""

    factors: Mapping[str, Factor]
    bases: Mapping[str, Floats]
    codes: Mapping[str, Codes]
    numbers: Mapping[str, Floats]
    n: int
    coding: str = "sum"

    def matrix(self, terms: Sequence[Term]) -> Floats:
        """Build all terms; the first part of a term runs fastest."""
        matrix = np.empty((self.n, terms[-1].stop if terms else 0))
        blocks: dict[tuple[tuple[str, bool], ...], Floats] = {}
        for term in terms:
            if not term.parts:
                matrix[:, term.start] = 1.0
                continue
            keys = list(zip((p.name for p in term.parts), term.full, strict=True))
            for i, (part, key) in enumerate(zip(term.parts, keys, strict=True)):
                if (key,) not in blocks:
                    blocks[(key,)] = self.columns(part, key[1])
                path = tuple(keys[: i + 1])
                if path not in blocks:
                    one, before = blocks[(key,)], blocks[path[:-1]]
                    block = one[:, :, None] * before[:, None, :]
                    blocks[path] = block.reshape(self.n, -1)
            matrix[:, term.start : term.stop] = blocks[tuple(keys)]
        return matrix

    def columns(self, part: Part, full: bool) -> Floats:
        """Code one part of a term."""
        if part.name in self.factors:
            k = len(self.factors[part.name].levels)
            table: Floats = np.eye(k)
            if not full:
                table = sum_coding(k) if self.coding == "sum" else table[:, 1:]
            return table[self.codes[part.name]]
        if part.kind == "poly":
            basis = self.bases[part.name]
            x = (self.numbers[part.column] - basis[0, 0]) / basis[1, 0]
            return (np.vander(x, part.degree + 1, increasing=True) @ basis[2:])[:, 1:]
        if part.kind == "number":
            values = np.broadcast_to(evaluate_part(part, self.numbers), (self.n,))
            if not np.isfinite(values).all():
                raise InputError(f"'{part.name}' cannot be calculated in every row. Check it.")
            return values[:, None]
        return self.numbers[part.column][:, None]
