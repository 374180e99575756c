"""Sheets kept: filled rows made into entries, judged as `doughlab record` does, and stored.

`commands/sheets` calls it with what `sheets_read` found. Each row of a sheet is stored whole or
not at all; its ids follow from trial, day and row, so that a file read twice is stored once.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, Problem
from doughlab.plan.meters import count_readings
from doughlab.record.bench_forms import FORMS, FieldErrors
from doughlab.record.blind import find_coded, hide_balls
from doughlab.record.desk import Asked
from doughlab.record.entry import Entry, build_entry
from doughlab.record.folder import TrialFolder
from doughlab.record.journal import Journal, append, read_journal
from doughlab.record.records import Records
from doughlab.record.sheets_day import AT, NOTE_KINDS, Sheet, column_of
from doughlab.record.sheets_read import Filled, Read

Row = dict[str, Any]
_SHEET_ROWS = uuid.UUID("0c4f0f4e-51f0-5c0a-8f0e-6f1b1f6f7c11")
_MENDED = frozenset({"mix", "bake"})  # said again, these are completed


@dataclass
class Kept:
    """What became of a file.

    Attributes
    ----------
    stored : dict of str to int
        Rows of the sheet by worksheet.
    again : int
        Rows that were stored before, with the same values.
    problems : list of Problem
        Of rows that were not stored.
    warnings : list of str
        What should be looked at, though it was stored.
    ids : list of str
        Of the entries stored now.
    tables : list of str
        Files that got rows.
    """

    stored: dict[str, int] = field(default_factory=dict)
    again: int = 0
    problems: list[Problem] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    tables: list[str] = field(default_factory=list)


def keep(read: Read, contents: TrialFolder, *, now: datetime, by: str = "") -> Kept:
    """Judge and store the rows of a sheet, one after another.

    Parameters
    ----------
    read : Read
        What `read_book` found.
    contents : TrialFolder
        The trial as it stands.
    now : datetime
        When it is read, with offset.
    by : str
        Who reads it in; a judge's sheet is by the judge.

    Returns
    -------
    Kept

    Raises
    ------
    NotStored
        When the disk, the rights or the lock do not allow it; rows before it are stored.
    """
    kept = Kept()
    hide = _hider(read.sheet, contents)
    by = by or read.sheet.judge
    for row in read.rows:
        try:
            entry = _Keeper(read.sheet, contents, row, now).entry()
        except InputError as error:
            kept.problems += _problems(row, error, hide)
            continue
        if entry is None:
            kept.again += 1
            continue
        try:
            ids = append(contents.path, entry.table, entry.rows, by=by, now=now)
        except InputError as error:  # another writer was faster
            kept.problems += _problems(row, error, hide)
            continue
        contents = _with_stored(contents, entry, ids, now)
        kept.ids += ids
        kept.stored[row.part.title] = kept.stored.get(row.part.title, 0) + 1
        kept.warnings += [f"{row.where}, row {row.row}: {hide(w)}" for w in entry.warnings]
        if entry.table.path not in kept.tables:
            kept.tables.append(entry.table.path)
    return kept


def _hider(sheet: Sheet, contents: TrialFolder) -> Callable[[str], str]:
    """Give what is said about a row: to a judge codes, never balls."""
    if sheet.kind == "scores":
        return lambda text: hide_balls(contents.plan, text, contents.records)
    return lambda text: text


def _with_stored(
    contents: TrialFolder, entry: Entry, ids: Sequence[str], now: datetime
) -> TrialFolder:
    """Add what was stored to the records; a correction is read again, since it moves others."""
    table, journals = entry.table, contents.records.journals
    before = journals.get(table.name, Journal(table))
    if any(row.get("replaces") for row in entry.rows):
        fresh = read_journal(contents.path, table)
    else:
        rows = [
            {**dict.fromkeys(table.names), "action": "add", **row, "entry_id": own,
             "entered_at": now, "_row": len(before.history) + i}
            for i, (row, own) in enumerate(zip(entry.rows, ids, strict=True), start=2)
        ]  # fmt: skip
        fresh = replace(before, rows=[*before.rows, *rows], history=[*before.history, *rows])
    return replace(contents, records=Records({**journals, table.name: fresh}))


def _problems(row: Filled, error: InputError, hide: Callable[[str], str]) -> list[Problem]:
    """Put what is wrong beside the cell that it is about."""
    if isinstance(error, FieldErrors):
        found = list(error.fields.items())
    elif error.problems:
        form = FORMS[row.part.action]
        stated = _stated(form.table)
        found = [
            (AT if p.column == stated else form.field_of(p.column), p.message)
            for p in error.problems
        ]
    else:
        found = [("", str(error))]
    return [
        Problem(row.where, f"{hide(words)} The row was not stored.", row.row, row.column(name))
        for name, words in dict.fromkeys(found)
    ]


class _Keeper:
    """One filled row on its way to an entry."""

    def __init__(self, sheet: Sheet, contents: TrialFolder, row: Filled, now: datetime) -> None:
        self.sheet, self.contents, self.row, self.now = sheet, contents, row, now
        self.values = dict(row.values)
        self.at = self.values.pop(AT, "")
        self.action = row.part.action
        if self.action == "note":
            self.action = self.values.pop("kind", "note")
            if self.action not in NOTE_KINDS:
                shown = ", ".join(NOTE_KINDS)
                raise FieldErrors({"kind": f"'{self.action[:40]}' is not one of {shown}."})
        self.table = contents.settings.table(FORMS[self.action].table)

    def entry(self) -> Entry | None:
        """Make the entry; None where all of it is stored already."""
        about = self._about()
        words = FORMS[self.action].words_of(self.contents, about, self._texts())
        if self.action in _MENDED:
            return self._completed(about, words)
        if self.action == "score":
            words.append(f"position={self.row.line.key.rpartition(' ')[2]}")
            words.append(f"blind_code={self.row.line.item}")
        entry = None
        names = self._names()
        ids = [self._id(name) for name in names]
        before = {r["entry_id"]: r for r in self.contents.records.history(self.table.name)
                  if r["entry_id"] in set(ids)}  # fmt: skip
        if before:
            return self._compared(words, dict(zip(ids, names, strict=True)), before)
        self._check_elsewhere(about)
        entry = build_entry(self.contents, Asked(self.action, tuple(words), self.now, at=self.at))
        rows = [{**r, "entry_id": i} for r, i in zip(entry.rows, ids, strict=True)]
        return replace(entry, rows=rows)

    def _about(self) -> str:
        if self.action in {"note", "lost"}:
            return self.values.pop("about", "")
        if self.action != "score":
            return "" if self.action == "calibration" else self.row.line.item
        ball = find_coded(
            self.contents.plan, self.sheet.session, int(self.row.line.item), self.contents.records
        )
        if ball is None:
            raise InputError(
                f"No sample of {self.sheet.session} has the code {self.row.line.item}."
            )
        return ball

    def _texts(self) -> dict[str, str]:
        """Give the fields as the form takes them."""
        if self.action in {"note", "lost"} and not self.values.get("note"):
            raise FieldErrors({"note": "Still empty. Say what happened."})
        if self.action == "score":
            return {"judge": self.sheet.judge, **self.values}
        if self.action == "pulled":
            return {}
        return self.values

    def _names(self) -> list[str]:
        """Name the rows that the entry will have."""
        if self.action == "reading":
            return [n for n in self.values if n.startswith("ph#")]
        return list(self.values) if self.action == "score" else [""]

    def _id(self, name: str) -> str:
        sheet = self.sheet
        own = (sheet.kind, sheet.judge, sheet.session) if sheet.judge else (sheet.day.isoformat(),)
        item = self.row.line.item if sheet.judge else self.row.line.key
        return str(uuid.uuid5(_SHEET_ROWS, "\x1f".join((sheet.code, *own, item, name))))

    def _compared(
        self, words: Sequence[str], names: dict[str, str], before: dict[str, Row]
    ) -> Entry | None:
        """Compare a row that was read before; a cell changed since is said, a new one is added."""
        wrong: dict[str, str] = self._buffers_changed(words, before)
        for entry_id, stored in before.items():
            for name, text in self._cells(names[entry_id]):
                column = self._column(name)
                if column is None or stored.get(column.name) == self._value(column, text):
                    continue
                was = column.write(stored.get(column.name)) or "empty"
                wrong[name] = (
                    f"{column.title} was read from this sheet before as {was}; now it says "
                    f"{text[:40]}. Correct the entry: doughlab record {self.action} ... "
                    f"--replaces {entry_id[:8]} --reason TEXT"
                )
        if wrong:
            raise FieldErrors(wrong)
        new = [n for i, n in names.items() if i not in before]
        if not new:
            return None
        kept = {k: v for k, v in self._texts().items() if k not in names.values() or k in new}
        about = self._about()
        some = FORMS[self.action].words_of(self.contents, about, kept)
        if self.action == "score":
            some.append(words[-1])
        entry = build_entry(self.contents, Asked(self.action, tuple(some), self.now, at=self.at))
        rows = [{**r, "entry_id": self._id(n)} for r, n in zip(entry.rows, new, strict=True)]
        return replace(entry, rows=rows)

    def _buffers_changed(self, words: Sequence[str], before: dict[str, Row]) -> dict[str, str]:
        """Compare millivolts by what they come to: they are not stored one by one."""
        if self.action != "calibration" or not any("mV" in w for w in words):
            return {}
        asked = Asked(self.action, tuple(words), self.now, at=self.at)
        (fresh,) = build_entry(self.contents, asked).rows
        (stored,) = before.values()
        if fresh["buffers"] == stored["buffers"]:
            return {}
        name = next(n for n in self.values if n.startswith("buffer#"))
        return {
            name: f"the buffers were read from this sheet before as {stored['buffers'] or 'empty'};"
            f" now they come to {fresh['buffers']}. Correct the entry: doughlab record "
            f"calibration ... --replaces {str(stored['entry_id'])[:8]} --reason TEXT"
        }

    def _value(self, column: Column, text: str) -> Any:
        """Read a cell as it would be stored: a bare temperature is in the trial's own unit."""
        bare = re.fullmatch(r"[-+−]?[0-9]+(?:[.,][0-9]+)?", text) is not None
        if bare and column.unit == "temp_c" and self.contents.settings.show_temperature == "F":
            text = f"{text} F"
        return _value(column, text)

    def _cells(self, name: str) -> list[tuple[str, str]]:
        """List the filled cells that one stored row answers for."""
        shared = [(k, v) for k, v in self.values.items() if k not in self._names()]
        own = [(name, self.values[name])] if name in self.values else []
        return [*own, *shared, *([(AT, self.at)] if self.at else [])]

    def _column(self, name: str) -> Column | None:
        """Give the column that a field is stored in; None where it is worked out from several."""
        own = {c.name: c for c in self.table.columns}
        if name == AT:
            return own[_stated(self.table.name)]
        if self.action == "score" and name in self.contents.settings.rubric:
            return own["score"]
        return own.get(column_of(self.action, name))

    def _check_elsewhere(self, about: str) -> None:
        """Refuse a row whose ball has the same by another way: it would be stored twice."""
        records = self.contents.records
        if self.action == "pulled":
            for note in records.notes:
                if note["kind"] == "pulled" and note["about"] == about:
                    raise InputError(
                        f"{about} is written down as taken out at {note['at']:%Y-%m-%d %H:%M} "
                        "already. Leave the cell empty, or correct that entry."
                    )
        if self.action == "reading":
            plan = self.contents.plan
            pair = plan is not None and plan.ball(about)["purpose"] == "pair"
            wanted = count_readings(self.contents.settings) * (2 if pair else 1)
            given = [r for r in records.readings if r["ball_id"] == about]
            total = len(given) + len(self._names())
            if given and total > wanted:
                raise InputError(
                    f"{about} has {len(given)} of {wanted} readings already, the last at "
                    f"{given[-1]['read_at']:%Y-%m-%d %H:%M}; with these it would have {total}. "
                    "Were they entered on the phone too? Further readings: doughlab record reading."
                )

    def _completed(self, about: str, words: list[str]) -> Entry | None:
        """Add a mix or a bake, or what is new about it."""
        stated = _stated(self.table.name)
        item = "batch_id" if self.action == "mix" else "ball_id"
        base = next((r for r in getattr(self.contents.records, self.table.name)
                     if r[item] == about), None)  # fmt: skip
        if self.at:
            words.append(f"{stated}={self.at}")
        if base is None:
            if not any(w.startswith(f"{stated}=") for w in words):
                column = self.table.column(stated)
                raise FieldErrors({stated: f"Still empty. Enter {column.title.lower()}."})
            fresh = words[1:]
        else:
            fresh = [w for w in words[1:] if self._is_new(w, base)]
        if not fresh:
            return None
        asked = Asked(self.action, (about, *fresh), self.now)
        entry = build_entry(self.contents, asked)
        entry_id = self._id("\x1f".join(sorted(fresh)))
        return replace(entry, rows=[{**r, "entry_id": entry_id} for r in entry.rows])

    def _is_new(self, word: str, base: Row) -> bool:
        name, _, text = word.partition("=")
        column = self.table.column(name)
        return bool(base[name] != _value(column, text))


def _stated(table: str) -> str:
    """Give the column that holds when it happened."""
    return {
        "mixes": "mixed_at", "readings": "read_at", "bakes": "baked_at", "scores": "scored_at",
        "calibrations": "calibrated_at", "temperatures": "at", "notes": "at", "lots": "made_at",
    }[table]  # fmt: skip


def _value(column: Column, text: str) -> Any:
    """Read a text as its column does; what cannot be read equals nothing stored."""
    try:
        return column.read(text)
    except InputError:
        return text
