"""Spans: how far the groups of a layout reach, counted exactly.

`model` asks it which terms can be told apart and how many units are left over to judge by.
Which terms there are, and what is said about them, is left to `model`.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

Row = Mapping[str, Any]
Numbers = Mapping[str, Mapping[str, int]]
"""Factors that enter by their number: level text to a whole number, 0 in the middle."""

PRIME = 2_147_483_647  # ranks of 0/1 columns are found modulo this prime, exactly and fast


def key_of(row: Row, columns: Sequence[str]) -> tuple[Any, ...]:
    """Give the group of a row: its values in some columns.

    Examples
    --------
    >>> key_of({"water": "tap", "hold": "24"}, ["hold"])
    ('24',)
    """
    return tuple(row.get(c) for c in columns)


def parts_of(term: str) -> tuple[str, ...]:
    """Name the columns whose product a term is; a square names its column twice.

    Examples
    --------
    >>> parts_of("water:hydration"), parts_of(square_of("hydration"))
    (('water', 'hydration'), ('hydration', 'hydration'))
    """
    square = re.fullmatch(r"I\((\w+) \*\* 2\)", term)
    return (square[1], square[1]) if square else tuple(term.split(":"))


def square_of(name: str) -> str:
    """Name the square of a number as a model term.

    Examples
    --------
    >>> square_of("hydration")
    'I(hydration ** 2)'
    """
    return f"I({name} ** 2)"


class Span:
    """Grows a space of columns and counts how far each term reaches out of it.

    A term is the 0/1 columns of its groups, times its numbers where it has any in `numbers`.
    """

    def __init__(self, rows: Sequence[Row], numbers: Numbers | None = None) -> None:
        self.rows = rows
        self.numbers = numbers or {}
        self.basis: dict[int, list[int]] = {}
        self._reduce([1] * len(rows))

    @property
    def rank(self) -> int:
        """The number of dimensions so far, the common mean included."""
        return len(self.basis)

    def add(self, columns: Sequence[str]) -> int:
        """Add the columns of one term; give the number of new dimensions."""
        groups = [c for c in columns if c not in self.numbers]
        labels = [key_of(r, groups) for r in self.rows]
        if len(groups) == len(columns):
            return self.add_groups(labels)
        weights = [1] * len(self.rows)
        for c in columns:
            if c in self.numbers:
                weights = [
                    w * self.numbers[c][r[c]] for w, r in zip(weights, self.rows, strict=True)
                ]
        return self.add_columns(
            [[w * (own == label) for w, own in zip(weights, labels, strict=True)]
             for label in dict.fromkeys(labels)]
        )  # fmt: skip

    def add_columns(self, columns: Sequence[Sequence[int]]) -> int:
        """Add columns of whole numbers; give the number of new dimensions."""
        before = len(self.basis)
        for column in columns:
            self._reduce([v % PRIME for v in column])
        return len(self.basis) - before

    def add_groups(self, labels: Sequence[Hashable | None]) -> int:
        """Add one group for each label but None; give the number of new dimensions."""
        before = len(self.basis)
        groups: dict[Hashable, list[int]] = {}
        for i, label in enumerate(labels):
            if label is not None:
                groups.setdefault(label, [0] * len(self.rows))[i] = 1
        for indicator in groups.values():
            self._reduce(indicator)
        return len(self.basis) - before

    def grows(self, columns: Sequence[str]) -> bool:
        """Tell whether a term reaches out of the space, leaving the space as it is."""
        return self.copy().add(columns) > 0

    def copy(self) -> Span:
        """Give a space that grows apart from this one."""
        other = object.__new__(Span)
        other.rows, other.basis, other.numbers = self.rows, dict(self.basis), self.numbers
        return other

    def _reduce(self, vector: list[int]) -> None:
        for pivot, known in self.basis.items():
            factor = vector[pivot]
            if factor:
                vector = [(v - factor * k) % PRIME for v, k in zip(vector, known, strict=True)]
        for pivot, value in enumerate(vector):
            if value:
                inverse = pow(value, -1, PRIME)
                self.basis[pivot] = [v * inverse % PRIME for v in vector]
                return


def leans_on(
    rows: Sequence[Row],
    term: str,
    terms: Sequence[str],
    labels: Sequence[Hashable | None],
    numbers: Numbers | None = None,
) -> bool:
    """Tell whether a term reaches less far once the groups of the labels are held fixed.

    Parameters
    ----------
    rows : sequence of dict
    term : str
        Columns joined by ":"; terms that contain it do not count against it.
    terms : sequence of str
        All fixed terms.
    labels : sequence
        The group of each row; None where it has none.
    numbers : mapping, optional
        As for `Span`.

    Examples
    --------
    >>> rows = [{"water": w, "salt": s} for w in ("tap", "ro") for s in ("2", "3")]
    >>> [leans_on(rows, t, ["water", "salt"], ["T1", "T1", "T2", "T2"]) for t in ("water", "salt")]
    [True, False]
    """
    parts = parts_of(term)
    plain = Span(rows, numbers)
    for other in terms:
        if other != term and not set(parts) <= set(parts_of(other)):
            plain.add(parts_of(other))
    held = plain.copy()
    held.add_groups(labels)
    return held.add(parts) < plain.add(parts)
