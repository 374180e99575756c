"""Spans: how far the groups of a layout reach, counted exactly.

`model` asks it which terms can be told apart and how many units are left over to judge by.
Which terms there are, and what is said about them, is left to `model`.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

Row = Mapping[str, Any]

PRIME = 2_147_483_647  # ranks of 0/1 columns are found modulo this prime, exactly and fast


def key_of(row: Row, columns: Sequence[str]) -> tuple[Any, ...]:
    """Give the group of a row: its values in some columns.

    Examples
    --------
    >>> key_of({"water": "tap", "hold": "24"}, ["hold"])
    ('24',)
    """
    return tuple(row.get(c) for c in columns)


class Span:
    """Grows a space of 0/1 columns and counts how far each term reaches out of it."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self.rows = rows
        self.basis: dict[int, list[int]] = {}
        self._reduce([1] * len(rows))

    @property
    def rank(self) -> int:
        """The number of dimensions so far, the common mean included."""
        return len(self.basis)

    def add(self, columns: Sequence[str]) -> int:
        """Add the groups of one term; give the number of new dimensions."""
        return self.add_groups([key_of(r, columns) for r in self.rows])

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
        other.rows, other.basis = self.rows, dict(self.basis)
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
    rows: Sequence[Row], term: str, terms: Sequence[str], labels: Sequence[Hashable | None]
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

    Examples
    --------
    >>> rows = [{"water": w, "salt": s} for w in ("tap", "ro") for s in ("2", "3")]
    >>> [leans_on(rows, t, ["water", "salt"], ["T1", "T1", "T2", "T2"]) for t in ("water", "salt")]
    [True, False]
    """
    parts = term.split(":")
    plain = Span(rows)
    for other in terms:
        if not set(parts) <= set(other.split(":")):
            plain.add(other.split(":"))
    held = plain.copy()
    held.add_groups(labels)
    return held.add(parts) < plain.add(parts)
