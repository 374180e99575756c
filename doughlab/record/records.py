"""Records: everything that was written down in a trial, as it counts now.

`trial`, the checks, the bench and the analysis take a `Records`; it never changes a file.
Locks and corrections stand in `journal`; the state of a ball in `balls`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from doughlab.errors import Problem, UnknownName
from doughlab.record.journal import Journal, last_time, read_journal
from doughlab.settings import Settings
from doughlab.tables import RECORDS, table

Row = dict[str, Any]

# The time that a row of each journal states; the first one given counts.
STATED_AT = {
    "mixes": ("mixed_at", "balled_at", "cooled_at"),
    "readings": ("read_at",),
    "bakes": ("baked_at", "out_at"),
    "scores": ("scored_at",),
    "calibrations": ("calibrated_at",),
    "temperatures": ("at",),
    "lots": ("made_at",),
    "notes": ("at",),
    "trainees": ("at",),
}


@dataclass(frozen=True)
class Records:
    """What was recorded in a trial: the current view of every journal.

    Attributes
    ----------
    journals : dict of str to Journal
        By table name, all nine.

    Examples
    --------
    >>> Records.of(notes=[{"about": "B01", "kind": "note"}]).notes[0]["about"]
    'B01'
    """

    journals: dict[str, Journal] = field(default_factory=dict)

    @classmethod
    def of(cls, **rows: Iterable[Row]) -> Records:
        """Build records from rows in memory, such as a simulated trial.

        Parameters
        ----------
        **rows : iterable of dict
            By table name; columns that are left out stand as None.
        """
        journals = {}
        for name, given in rows.items():
            t = table(name)
            full = [{**dict.fromkeys(t.names), **row} for row in given]
            journals[name] = Journal(t, full, full)
        return cls(journals)

    def _rows(self, name: str) -> list[Row]:
        journal = self.journals.get(name)
        return journal.rows if journal else []

    @property
    def mixes(self) -> list[Row]:
        """One row for each batch that was mixed."""
        return self._rows("mixes")

    @property
    def readings(self) -> list[Row]:
        """One row for each number from an instrument."""
        return self._rows("readings")

    @property
    def bakes(self) -> list[Row]:
        """One row for each ball baked."""
        return self._rows("bakes")

    @property
    def scores(self) -> list[Row]:
        """One row for each judge, ball and criterion."""
        return self._rows("scores")

    @property
    def calibrations(self) -> list[Row]:
        """One row for each calibration of the meter."""
        return self._rows("calibrations")

    @property
    def temperatures(self) -> list[Row]:
        """One row for each temperature of a room or cooler."""
        return self._rows("temperatures")

    @property
    def lots(self) -> list[Row]:
        """One row for each tank, flour, preferment or starter."""
        return self._rows("lots")

    @property
    def notes(self) -> list[Row]:
        """Notes, lost balls, balls taken out."""
        return self._rows("notes")

    @property
    def trainees(self) -> list[Row]:
        """One row for each pair of a trainee's and an experienced person's number."""
        return self._rows("trainees")

    def history(self, name: str) -> list[Row]:
        """Give every row of a journal in file order, corrections included.

        Raises
        ------
        UnknownName
            For a table that is no journal.
        """
        if name not in RECORDS:
            raise UnknownName("record table", name, RECORDS)
        journal = self.journals.get(name)
        return journal.history if journal else []

    @property
    def problems(self) -> list[Problem]:
        """Rows that cannot be used, over all journals."""
        return [
            p for name in RECORDS if name in self.journals for p in self.journals[name].problems
        ]

    @property
    def empty(self) -> bool:
        """Whether nothing has been recorded yet."""
        return not any(j.rows for j in self.journals.values())

    def until(self, at: datetime) -> Records:
        """Give the records of what had happened by a time; nothing is left out for now.

        Parameters
        ----------
        at : datetime
            With offset. A row without a stated time is kept.
        """
        return Records(
            {
                name: replace(journal, rows=[r for r in map(_by(name, at), journal.rows) if r])
                for name, journal in self.journals.items()
            }
        )

    @property
    def last_at(self) -> datetime | None:
        """Time of the last record: the latest time stated, never after it was entered.

        Reports speak of this time and never of "now". None where nothing is recorded.
        """
        times = [
            found
            for name, journal in self.journals.items()
            for column in STATED_AT[name]
            if (found := last_time(journal.rows, column)) is not None
        ]
        return max(times, default=None)


def _by(name: str, at: datetime) -> Callable[[Row], Row | None]:
    """Make a view of one row as it stood at a time: None before it happened."""
    first, *later = STATED_AT[name]

    def view(row: Row) -> Row | None:
        if row[first] is not None and row[first] > at:
            return None
        to_come = {c: None for c in later if row[c] is not None and row[c] > at}
        return {**row, **to_come} if to_come else row

    return view


def read_records(folder: Path, settings: Settings) -> Records:
    """Read every journal of a trial folder.

    Parameters
    ----------
    folder : Path
        The trial folder.
    settings : Settings
        Brings the own response columns.

    Returns
    -------
    Records
        A missing file is an empty journal; what cannot be read stands in `problems`.

    Examples
    --------
    >>> read_records(Path("no such folder"), Settings("Demo", "DE")).empty
    True
    """
    return Records({name: read_journal(folder, settings.table(name)) for name in RECORDS})
