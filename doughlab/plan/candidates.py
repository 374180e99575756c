"""What a searched plan may choose from: factors, days and batches, model terms, allowed levels.

`optimal.search_runs` states its task here; `exchange` reads the coded tables. Which plan is best is
left to those two. Nothing here knows a dough: levels are texts or numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise, product
from typing import Literal

import numpy as np
import numpy.typing as npt

from doughlab.errors import InputError, PlanError, UnknownName, listed

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ban = Mapping[str, str | float | tuple[float, float]]
"""Factor to level, number, or (low, high) range; all of them together are never made."""
Row = dict[str, str | float]
"""Factor name to level or number, with the positions "day" and "batch" (from 0)."""

SETS = ("day", "batch", "ball")
_PRESETS = ("mains", "two-way", "quadratic")
_RANK = 1e-9  # smallest eigenvalue, relative to the largest, of terms that can be told apart


@dataclass(frozen=True)
class SearchFactor:
    """A factor of a searched plan.

    Parameters
    ----------
    name : str
        Not "day" or "batch": these hold the positions in the rows.
    set : str
        "day", "batch" or "ball": what shares one setting.
    levels : tuple of str
        Of a category, at least two. Coded sum-to-zero.
    values : tuple of float
        Of a number, at least two different ones. Coded -1 (smallest) to 1 (largest).
    refine : bool
        A number may also take settings between `values`, to 1/1000 of the range.

    Examples
    --------
    >>> SearchFactor.between("hydration", "batch", 60, 70, steps=3).values
    (60.0, 65.0, 70.0)
    """

    name: str
    set: Literal["day", "batch", "ball"]
    levels: tuple[str, ...] = ()
    values: tuple[float, ...] = ()
    refine: bool = False

    def __post_init__(self) -> None:
        if self.name in ("day", "batch"):
            raise InputError(f"A factor cannot be named '{self.name}'; call it by what is varied.")
        if self.set not in SETS:
            raise UnknownName("set", self.set, SETS, where=self.name)
        if bool(self.levels) == bool(self.values):
            raise InputError(f"{self.name}: give levels (a category) or values (a number).")
        given = self.levels or self.values
        if len(given) < 2 or len(set(given)) < len(given):
            shown = listed([str(v) for v in given])
            raise InputError(f"{self.name}: needs two or more different levels; found {shown}.")
        if not all(np.isfinite(self.values)):
            raise InputError(f"{self.name}: every value must be a plain number.")
        if self.refine and self.levels:
            raise InputError(f"{self.name}: only a number can be set between its levels.")

    @classmethod
    def between(
        cls,
        name: str,
        set: Literal["day", "batch", "ball"],
        low: float,
        high: float,
        *,
        steps: int = 21,
        refine: bool = False,
    ) -> SearchFactor:
        """Make a number on an even grid of `steps` values, both ends included."""
        grid = tuple(float(v) for v in np.linspace(low, high, steps).round(12))
        return cls(name, set, values=grid, refine=refine)

    @property
    def is_number(self) -> bool:
        """Whether it is a number (else a category)."""
        return bool(self.values)

    @property
    def options(self) -> Floats:
        """Positions to choose from: scaled numbers in -1 to 1, or level numbers from 0."""
        if not self.is_number:
            return np.arange(len(self.levels), dtype=float)
        return self.scale(np.array(self.values))

    def scale(self, values: Floats) -> Floats:
        """Bring numbers to -1 (smallest value) to 1 (largest)."""
        low, high = min(self.values), max(self.values)
        return (2.0 * values - (low + high)) / (high - low)

    def place(self, level: str | float) -> float:
        """Give the position of a level text or a number.

        Raises
        ------
        InputError
            When the level is not known, or not a number.
        """
        if not self.is_number:
            if level not in self.levels:
                raise UnknownName("level", str(level), self.levels, where=self.name)
            return float(self.levels.index(str(level)))
        try:
            return float(self.scale(np.array(float(level))))
        except ValueError:
            raise InputError(f"{self.name}: '{level}' is not a number.") from None

    def read(self, position: float) -> str | float:
        """Give the level text or number at a position."""
        if not self.is_number:
            return self.levels[round(position)]
        near = int(np.argmin(np.abs(self.options - position)))
        if abs(self.options[near] - position) < 1e-9:
            return self.values[near]
        low, high = min(self.values), max(self.values)
        return float(round((low + high) / 2 + position * (high - low) / 2, 10))


@dataclass(frozen=True)
class RunStructure:
    """Days, batches and balls of the runs to be found.

    Parameters
    ----------
    batches : tuple of int
        Batches of each day, 1 or more.
    balls : tuple of int
        Balls of each batch, days in order, 1 or more.
    fixed_days : bool
        Days are blocks with an effect of their own in the model, instead of a random one.

    Examples
    --------
    >>> RunStructure((2, 1), (4, 4, 3)).day_of_ball.tolist()
    [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1]
    """

    batches: tuple[int, ...]
    balls: tuple[int, ...]
    fixed_days: bool = False

    def __post_init__(self) -> None:
        if not self.batches or min(self.batches) < 1 or not self.balls or min(self.balls) < 1:
            raise InputError("Every day needs at least one batch, and every batch one ball.")
        if sum(self.batches) != len(self.balls):
            raise InputError(
                f"The days have {sum(self.batches)} batches in all, but balls are given for "
                f"{len(self.balls)}. Give one number of balls for each batch."
            )

    @property
    def batch_of_ball(self) -> npt.NDArray[np.int64]:
        """Batch number from 0 of each ball, shape (n,)."""
        return np.repeat(np.arange(len(self.balls)), self.balls)

    @property
    def day_of_ball(self) -> npt.NDArray[np.int64]:
        """Day number from 0 of each ball, shape (n,)."""
        return np.repeat(np.arange(len(self.batches)), self.batches)[self.batch_of_ball]

    def slices(self, unit: str) -> list[slice]:
        """Give the balls of each day, batch or ball, as slices in order."""
        n = sum(self.balls)
        of = {"day": self.day_of_ball, "batch": self.batch_of_ball, "ball": np.arange(n)}[unit]
        edges = [0, *(np.flatnonzero(np.diff(of)) + 1).tolist(), n]
        return [slice(a, b) for a, b in pairwise(edges)]


@dataclass(frozen=True)
class Coding:
    """A model as products: row of X = product over factors of one coded value for each column.

    Attributes
    ----------
    factors : tuple of SearchFactor
    terms : tuple of str
        Mean first; "a", "a:b", "a^2" as in the model.
    codes : int array, shape (k, p)
        Which code of the factor enters the column; 0 is the constant 1.
    term_of : int array, shape (p,)
        Position in `terms` of each column.
    """

    factors: tuple[SearchFactor, ...]
    terms: tuple[str, ...]
    codes: npt.NDArray[np.int64]
    term_of: npt.NDArray[np.int64]

    def basis(self, f: int, positions: Floats) -> Floats:
        """Codes of factor f at positions: 1, then sum-to-zero columns or powers; last axis q."""
        factor = self.factors[f]
        if factor.is_number:
            powers = np.arange(self.codes[f].max() + 1)
            return positions[..., None] ** powers
        count = len(factor.levels)
        table = np.ones((count, count))
        table[:-1, 1:] = np.eye(count - 1)
        table[-1, 1:] = -1.0
        return table[positions.astype(int)]

    def parts(self, f: int, positions: Floats) -> Floats:
        """Give what factor f multiplies into each column at positions; last axis p."""
        return self.basis(f, positions)[..., self.codes[f]]

    def rows(self, positions: Floats) -> Floats:
        """Model rows at positions of all factors, (..., k) to (..., p)."""
        out = np.ones((*positions.shape[:-1], self.codes.shape[1]))
        for f in range(len(self.factors)):
            out *= self.parts(f, positions[..., f])
        return out

    def with_days(self, days: int) -> Coding:
        """Append the columns of fixed days, which no factor touches."""
        more = np.zeros((len(self.factors), days - 1), dtype=np.int64)
        place = np.full(days - 1, len(self.terms))
        return Coding(
            self.factors,
            (*self.terms, "day") if days > 1 else self.terms,
            np.hstack([self.codes, more]),
            np.concatenate([self.term_of, place]),
        )

    def unit_of_columns(self) -> list[str]:
        """Level at which each column is judged: "day", "batch" or "ball"."""
        depth = np.zeros(self.codes.shape[1], dtype=int)
        for f, factor in enumerate(self.factors):
            depth = np.maximum(depth, np.where(self.codes[f] > 0, SETS.index(factor.set), 0))
        return [SETS[d] for d in depth]


def build_coding(factors: Sequence[SearchFactor], model: str | Sequence[str]) -> Coding:
    """Turn a stated model into coded columns.

    Parameters
    ----------
    factors : sequence of SearchFactor
    model : str or sequence of str
        "mains"; "two-way" (mains and all interactions of two); "quadratic" (also the squares of
        numbers with three or more values); or a list of terms: "a", "a:b", "a^2", "a^2:b".
        The mean is always in.

    Returns
    -------
    Coding

    Raises
    ------
    InputError
        When a name is not known, a category is squared, or a term is there twice.

    Examples
    --------
    >>> flour = SearchFactor("flour", "batch", levels=("a", "b", "c"))
    >>> hold = SearchFactor("hold", "ball", values=(24, 48, 72))
    >>> build_coding([flour, hold], "quadratic").terms
    ('mean', 'flour', 'hold', 'flour:hold', 'hold^2')
    """
    names = [f.name for f in factors]
    if len(set(names)) < len(names):
        raise InputError(f"Two factors have the same name: {listed(sorted(names))}.")
    terms = _preset(factors, model) if isinstance(model, str) else [t.strip() for t in model]
    powers = [_read_term(factors, term) for term in terms]
    keys = [tuple(sorted(p.items())) for p in powers]
    for term, key in zip(terms, keys, strict=True):
        if keys.count(key) > 1:
            raise InputError(f"The model has the term '{term}' twice; take one away.")
    columns = [np.zeros(len(factors), dtype=np.int64)]
    term_of = [0]
    for number, power in enumerate(powers, start=1):
        choices = [
            [power[f]] if factors[f].is_number else list(range(1, len(factors[f].levels)))
            for f in power
        ]
        for choice in product(*choices):
            column = np.zeros(len(factors), dtype=np.int64)
            column[list(power)] = choice
            columns.append(column)
            term_of.append(number)
    return Coding(tuple(factors), ("mean", *terms), np.array(columns).T, np.array(term_of))


def _preset(factors: Sequence[SearchFactor], model: str) -> list[str]:
    """Terms of a model given by one word."""
    if model not in _PRESETS:
        raise UnknownName("model", model, _PRESETS)
    terms = [f.name for f in factors]
    if model != "mains":
        terms += [f"{a.name}:{b.name}" for a, b in combinations(factors, 2)]
    if model == "quadratic":
        terms += [f"{f.name}^2" for f in factors if len(f.values) > 2]
    return terms


def _read_term(factors: Sequence[SearchFactor], term: str) -> dict[int, int]:
    """Read "a:b^2" into factor position to power."""
    names = [f.name for f in factors]
    found: dict[int, int] = {}
    for piece in term.split(":"):
        name, _, power = piece.strip().partition("^")
        if name not in names:
            raise UnknownName("factor", name, names, where=f"model term '{term}'")
        f = names.index(name)
        if power and (not power.isdigit() or not 1 <= int(power) <= 4):
            raise InputError(f"model term '{term}': write a power as ^2, ^3 or ^4.")
        if power and not factors[f].is_number:
            raise InputError(f"model term '{term}': {name} is a category and has no square.")
        if f in found:
            raise InputError(f"model term '{term}' names {name} twice; write {name}^2.")
        found[f] = int(power or 1)
    return found


@dataclass(frozen=True)
class Bans:
    """Forbidden combinations in positions.

    Attributes
    ----------
    ranges : tuple of dict
        Each: factor position to (low, high) of its positions; all together are forbidden.
    """

    ranges: tuple[dict[int, tuple[float, float]], ...] = ()

    def hit(self, positions: Floats) -> Flags:
        """Whether each row of positions (..., k) is forbidden; shape (...)."""
        out = np.zeros(positions.shape[:-1], dtype=bool)
        for ban in self.ranges:
            inside = np.ones_like(out)
            for f, (low, high) in ban.items():
                inside &= (positions[..., f] >= low) & (positions[..., f] <= high)
            out |= inside
        return out

    def closed(self, rows: Floats, f: int, options: Floats) -> Flags | None:
        """Which options of factor f are closed by the other settings of a unit's rows.

        Parameters
        ----------
        rows : array, shape (s, m, k)
        options : array, shape (l,)

        Returns
        -------
        bool array, shape (s, l), or None
            None when no forbidden combination names the factor.
        """
        touching = [ban for ban in self.ranges if f in ban]
        if not touching:
            return None
        out = np.zeros((len(rows), len(options)), dtype=bool)
        for ban in touching:
            inside = np.ones(rows.shape[:2], dtype=bool)
            for g, (low, high) in ban.items():
                if g != f:
                    inside &= (rows[..., g] >= low) & (rows[..., g] <= high)
            low, high = ban[f]
            within = np.asarray((options >= low) & (options <= high))
            out |= np.asarray(inside.any(axis=1))[:, None] & within[None, :]
        return out


def build_bans(factors: Sequence[SearchFactor], forbidden: Sequence[Ban]) -> Bans:
    """Read forbidden combinations: factor to level, number or (low, high) range.

    Raises
    ------
    InputError
        When a factor or level is not known.

    Examples
    --------
    >>> hold = SearchFactor("hold", "ball", values=(24, 48, 72))
    >>> build_bans([hold], [{"hold": (48, 72)}]).hit(np.array([[-1.0], [0.0], [1.0]]))
    array([False,  True,  True])
    """
    names = [f.name for f in factors]
    ranges = []
    for ban in forbidden:
        read: dict[int, tuple[float, float]] = {}
        for name, level in ban.items():
            if name not in names:
                raise UnknownName("factor", name, names, where="forbidden combination")
            f = names.index(name)
            ends = level if isinstance(level, tuple) else (level, level)
            low, high = sorted(factors[f].place(end) for end in ends)
            read[f] = (low - 1e-9, high + 1e-9)
        if read:
            ranges.append(read)
    return Bans(tuple(ranges))


def build_moments(coding: Coding, bans: Bans) -> tuple[Floats, int]:
    """Average f f' of the model rows over every allowed combination of levels.

    Exact: factors that no ban names enter as a product of their own averages, the others are
    enumerated together. The same matrix carries the I-criterion and tells which terms can be told
    apart at all, since its rank is that of all allowed rows together.

    Returns
    -------
    tuple
        The matrix, shape (p, p), and the number of allowed combinations.

    Raises
    ------
    PlanError
        When nothing is allowed, or the named factors have over a million combinations.
    """
    named = sorted({f for ban in bans.ranges for f in ban})
    p = coding.codes.shape[1]
    moments, count = np.ones((p, p)), 1
    for f, factor in enumerate(coding.factors):
        if f not in named:
            part = coding.parts(f, factor.options)
            moments *= part.T @ part / len(part)
            count *= len(part)
    if not named:
        return moments, count
    options = [coding.factors[f].options for f in named]
    if np.prod([float(len(o)) for o in options]) > 1e6:
        raise PlanError(
            "The forbidden combinations name factors with over a million combinations of values. "
            "Give the numbers fewer values (a coarser grid)."
        )
    grid = np.stack([g.ravel() for g in np.meshgrid(*options, indexing="ij")], axis=1)
    wide = np.full((len(grid), len(coding.factors)), np.nan)
    wide[:, named] = grid
    grid = grid[~bans.hit(wide)]
    if not len(grid):
        raise PlanError("The forbidden combinations leave nothing to make. Take one away.")
    total = np.zeros((p, p))
    for start in range(0, len(grid), 20_000):
        block = np.ones((len(grid[start : start + 20_000]), p))
        for column, f in enumerate(named):
            block *= coding.parts(f, grid[start : start + 20_000, column])
        total += block.T @ block
    return moments * total / len(grid), count * len(grid)


def find_inestimable(coding: Coding, moments: Floats) -> str:
    """Name the first term that the terms before it already say on all allowed rows; else ""."""
    scale = np.sqrt(np.diag(moments))
    if (scale < 1e-12).any():
        return coding.terms[coding.term_of[int(np.argmin(scale))]]
    unit = moments / np.outer(scale, scale)
    for number, term in enumerate(coding.terms):
        upto = coding.term_of <= number
        eigen = np.linalg.eigvalsh(unit[np.ix_(upto, upto)])
        if eigen[0] < _RANK * eigen[-1]:
            return term
    return ""
