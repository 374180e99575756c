"""Draft: one row before it is judged.

The desk makes drafts of what was typed, `entry` makes rows of them; what was only assumed is kept
apart from what somebody said.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from doughlab.tables import JOURNAL_COLUMNS, Table

Row = dict[str, Any]
JOURNAL_NAMES = frozenset(c.name for c in JOURNAL_COLUMNS)


@dataclass(frozen=True)
class Draft:
    """One row before it is judged: what was typed, and what was assumed around it.

    Examples
    --------
    >>> Draft({"ph": "5.41"}, {"method": "slurry"}).row
    {'method': 'slurry', 'ph': '5.41'}
    """

    typed: Row
    assumed: Row = field(default_factory=dict)
    mends: Row | None = None

    @property
    def row(self) -> Row:
        """The row: what was typed over what was assumed, or over the entry that it mends."""
        if self.mends is None:
            return {**self.assumed, **self.typed}
        kept = {k: v for k, v in self.mends.items() if k not in JOURNAL_NAMES and k != "_row"}
        return {**kept, **self.typed}


def name_item(table: Table) -> str:
    """Name the column that says what a row is about: the first one of its own.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> name_item(table("readings"))
    'ball_id'
    """
    return next(c.name for c in table.columns if c.name not in JOURNAL_NAMES)
