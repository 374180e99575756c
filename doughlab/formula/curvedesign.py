"""Curve design: rows, terms and sum-to-zero columns for a curve over the hold.

`holdcurve` fits with it and predicts settings by it.
Which terms there are is decided by the plan and handed over; nothing is fitted here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from doughlab.errors import UnknownName
from doughlab.formula.alternate import CurveShape, Floats


def parts_of(term: str) -> tuple[str, ...]:
    """Name the columns whose product a term is; a square names its column twice.

    Examples
    --------
    >>> parts_of("water:hold"), parts_of("I(hydration ** 2)")
    (('water', 'hold'), ('hydration', 'hydration'))
    """
    square = re.fullmatch(r"I\((\w+) \*\* 2\)", term)
    return (square[1], square[1]) if square else tuple(term.split(":"))


@dataclass(frozen=True)
class CurveTerms:
    """The terms that a plan decided on, as far as a curve over the hold needs them.

    Attributes
    ----------
    fixed, random : tuple of str
        Terms by column, interactions as "a:b", squares of numbers as "I(a ** 2)"; the hold itself
        is passed over.
    hold : str
        Name of the hold.
    numbers : dict of str to dict of str to float
        Numbers that enter as slopes or along a bend: level text to value minus the middle.

    Examples
    --------
    >>> terms = CurveTerms(("block", "water", "hold", "water:hold"), ("batch",), "hold")
    >>> terms.level, terms.change
    (['block', 'water'], ['water'])
    """

    fixed: tuple[str, ...]
    random: tuple[str, ...]
    hold: str
    numbers: dict[str, dict[str, float]] = field(default_factory=dict)

    @property
    def level(self) -> list[str]:
        """Terms that move the level."""
        return [t for t in self.fixed if self.hold not in parts_of(t)]

    @property
    def bent(self) -> bool:
        """Whether the plan lets the hold itself bend, as a curve of second degree."""
        return f"I({self.hold} ** 2)" in self.fixed

    @property
    def change(self) -> list[str]:
        """What acts together with the hold, and so on the change."""
        parts = [parts_of(t) for t in self.fixed]
        both = [p for p in parts if len(p) == 2 and p.count(self.hold) == 1]
        return [next(n for n in p if n != self.hold) for p in both]


@dataclass(frozen=True)
class CurveRows:
    """Values of balls with their settings.

    Attributes
    ----------
    y : array, shape (n,)
    hold_h : array, shape (n,)
        Planned hold of each, hours.
    hours : array, shape (n,)
        What the curve runs over: hours held, or ripening hours minus what a usual ball adds.
    columns : dict of str to list of str
        Batch, block, session, lots and factors, one text for each value.

    Examples
    --------
    >>> CurveRows(np.array([5.9]), np.array([24.0]), np.array([24.2]), {"batch": ["B1"]}).y
    array([5.9])
    """

    y: Floats
    hold_h: Floats
    hours: Floats
    columns: dict[str, list[str]]


@dataclass(frozen=True)
class CurveDesign:
    """Sum-to-zero columns of level and change, and rows of them for settings.

    Attributes
    ----------
    fixed : dict of parameter to (names, matrix)
    terms : dict of parameter to list of terms
    levels : dict of factor to its recorded levels
    numbers : dict of factor to level values minus their middle
    notes : tuple of str
        Terms that the records cannot tell yet.
    """

    fixed: dict[str, tuple[list[str], Floats]]
    terms: dict[str, list[str]]
    levels: dict[str, tuple[str, ...]]
    numbers: dict[str, dict[str, float]]
    notes: tuple[str, ...] = ()

    @classmethod
    def build(cls, rows: CurveRows, terms: CurveTerms, shape: CurveShape) -> CurveDesign:
        """Build the design; terms that cannot be told apart are left out and named."""
        used = {p for t in terms.fixed for p in parts_of(t) if p in rows.columns}
        levels = {p: tuple(dict.fromkeys(sorted(rows.columns[p]))) for p in sorted(used)}
        coder = _Coder(levels, terms.numbers)
        notes: list[str] = []
        fixed, kept = {}, {}
        for name, asked in (("level", terms.level), ("change", terms.change)):
            wanted = [t for t in asked if all(len(levels.get(p, ())) > 1 for p in parts_of(t))]
            fixed[name], kept[name] = _whole(coder, rows.columns, wanted, notes)
        if "bend" in shape.parameters:
            fixed["bend"] = (["1"], np.ones((len(rows.y), 1)))
        settable = {n: v for n, v in levels.items() if n not in {"block", "session", "batch"}}
        return cls(fixed, kept, settable, terms.numbers, tuple(notes))

    def rows(self, setting: Mapping[str, str]) -> dict[str, Floats]:
        """Give one row for each parameter: a setting, other factors averaged."""
        for name, level in setting.items():
            if name not in self.levels:
                raise UnknownName("factor", name, self.levels)
            if level not in self.levels[name]:
                raise UnknownName(f"level of {name}", level, self.levels[name])
        coder = _Coder(self.levels, self.numbers)
        out = {}
        for parameter, (names, _) in self.fixed.items():
            row = np.zeros((1, len(names)))
            row[0, 0] = 1.0
            place = 1
            for term in self.terms.get(parameter, []):
                width = sum(n.startswith(f"{term}[") for n in names)
                parts = parts_of(term)
                if all(p in setting for p in parts):
                    row[0, place : place + width] = coder.columns(
                        term, {p: [setting[p]] for p in parts}
                    )[0]
                elif parts[0] == parts[-1] and len(parts) == 2:
                    # the square of a number does not average to nothing over its levels
                    every = coder.columns(term, {parts[0]: self.levels[parts[0]]})
                    row[0, place : place + width] = every.mean(axis=0)
                place += width
            out[parameter] = row
        return out


@dataclass(frozen=True)
class _Coder:
    """Turns texts into sum-to-zero columns, or a two-level number into its slope."""

    levels: Mapping[str, tuple[str, ...]]
    numbers: Mapping[str, Mapping[str, float]]

    def columns(self, term: str, texts: Mapping[str, Sequence[str]]) -> Floats:
        """Give the columns of a term, products for an interaction, shape (m, k)."""
        out: Floats | None = None
        for part in parts_of(term):
            own = self._part(part, texts[part])
            out = own if out is None else np.einsum("ij,ik->ijk", out, own).reshape(len(own), -1)
        return out if out is not None else np.ones((1, 1))

    def _part(self, name: str, texts: Sequence[str]) -> Floats:
        if name in self.numbers:
            return np.array([[self.numbers[name][t]] for t in texts])
        levels = self.levels[name]
        table = np.vstack([np.eye(len(levels) - 1), -np.ones((1, len(levels) - 1))])
        return np.asarray(table[[levels.index(t) for t in texts]])


def _whole(
    coder: _Coder, columns: Mapping[str, Sequence[str]], wanted: list[str], notes: list[str]
) -> tuple[tuple[list[str], Floats], list[str]]:
    """Join the terms whose columns can be told apart; the others are named."""
    n = len(next(iter(columns.values())))
    matrix, names = np.ones((n, 1)), ["1"]
    kept: list[str] = []
    for term in sorted(wanted, key=lambda t: len(parts_of(t))):
        own = coder.columns(term, columns)
        tried = np.hstack([matrix, own])
        if np.linalg.matrix_rank(tried) < tried.shape[1]:
            words = " x ".join(p.replace("_", " ") for p in parts_of(term))
            notes.append(f"{words}: left out, the records cannot tell it yet")
            continue
        matrix, kept = tried, [*kept, term]
        names += [f"{term}[{i + 1}]" for i in range(own.shape[1])]
    return (names, matrix), kept
