"""Intake: rows from another CSV file, for a journal of this trial.

`doughlab record import` calls it. All rows are taken or none; what is wrong is listed at once.
Reading the same file again stores nothing twice.
"""

from __future__ import annotations

import csv
import io
import uuid
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, UnknownName
from doughlab.files import parse_rows
from doughlab.record.clock import parse_when
from doughlab.record.draft import JOURNAL_NAMES
from doughlab.record.entry import Entry, broken_links, judge, refuse_ahead
from doughlab.record.folder import TrialFolder
from doughlab.record.meter import last_calibration
from doughlab.tables import RECORDS, Table

Row = dict[str, Any]
_FILE_ROWS = uuid.UUID("5b0d6c5e-7f0e-5d57-9d2c-2f7a5f1f3a10")


@dataclass(frozen=True)
class LocalTime(Column):
    """A time of another file: without an offset it is taken at the place of the trial."""

    timezone: str = "UTC"
    now: datetime | None = None

    def read(self, text: str) -> Any:
        """Read a time as `parse_when` does, then check it as our own files do."""
        if text.strip() and self.now is not None:
            at = parse_when(text, timezone=self.timezone, now=self.now, what=self.name)
            text = at.isoformat()
        return super().read(text)


def read_intake(contents: TrialFolder, name: str, path: Path, *, now: datetime) -> Entry:
    """Read rows for a journal from a CSV file, and judge them all.

    Parameters
    ----------
    contents : TrialFolder
    name : str
        Table, such as "readings".
    path : Path
        A CSV with the table's column names in its first line; the journal's own columns may be
        left out. Cells may carry units, times may be local. Semicolons between the cells are
        read too, where the first line holds no comma.
    now : datetime
        When it is entered.

    Returns
    -------
    Entry
        Every row with an id made from its content, so that the same row is stored once.

    Raises
    ------
    InputError
        With every problem, each with the row and column of that file.

    Notes
    -----
    A reading that names no calibration takes the one it rests on; see `last_calibration`.
    """
    if name not in RECORDS:
        raise UnknownName("table", name, RECORDS)
    table = contents.settings.table(name)
    rows = _read(contents, table, Path(path), now)
    if name == "readings":
        rows = _with_calibrations(contents, rows)
    try:
        fresh = _fresh(contents, table, rows)
        refuse_ahead(table, fresh, now)
        entry = judge(contents, table, fresh, now=now)
    except InputError as error:
        placed = [replace(p, file=Path(path).name) for p in error.problems]
        raise InputError.from_problems(placed, shown=12) from None
    plain = [{k: v for k, v in row.items() if k != "_row"} for row in rows]
    return replace(entry, rows=plain)


def _read(contents: TrialFolder, table: Table, path: Path, now: datetime) -> list[Row]:
    own = [c for c in table.columns if c.name not in JOURNAL_NAMES]
    times = {"timezone": contents.settings.timezone, "now": now}
    columns = [LocalTime(**{**vars(c), **times}) if c.kind == "datetime" else c for c in own]
    kept = [replace(c, required=False) for c in table.columns if c.name in JOURNAL_NAMES]
    shape = replace(table, path=path.name, columns=(*columns, *kept), journal=False)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path} does not exist. Look at the name.") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder. Name the CSV file in it.") from None
    found = parse_rows(_with_commas(data), shape)
    if found.problems:
        rows = [{**dict.fromkeys(table.names), **row, "_row": -row["_row"]} for row in found.rows]
        links = broken_links(contents, table, rows)
        unknown = [replace(p, file=path.name, row=-(p.row or 0)) for p in links]
        problems = sorted([*found.problems, *unknown], key=lambda p: p.row or 0)
        raise InputError.from_problems(problems, shown=12)
    if not found.rows:
        raise InputError(f"{path.name} holds no rows.")
    return _with_ids(table, found.rows)


def _with_commas(data: bytes) -> bytes:
    """Turn a file whose cells are set apart by semicolons into one with commas, line by line.

    Only where the first line holds semicolons and no comma; else the file is left as it is, and
    is judged so. A decimal comma stays in its cell, where its column reads it.
    """
    first = data.split(b"\n", 1)[0]
    if b";" not in first or b"," in first:
        return data
    try:
        lines = data.decode("utf-8-sig").split("\n")
        cells = [next(csv.reader([ln.removesuffix("\r")], delimiter=";", strict=True), [])
                 for ln in lines]  # fmt: skip
    except (UnicodeDecodeError, csv.Error):
        return data
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    for row in cells:
        if any(row):
            writer.writerow(row)
        else:
            buffer.write("\n")
    return buffer.getvalue().encode()


def _with_ids(table: Table, rows: Sequence[Row]) -> list[Row]:
    """Give every row an id that follows from what it says and how often it was said before."""
    said: Counter[str] = Counter()
    out = []
    for row in rows:
        own = {c.name: row[c.name] for c in table.columns if c.name not in JOURNAL_NAMES}
        text = "\x1f".join(table.column(k).write(v) for k, v in own.items())
        said[text] += 1
        name = f"{table.name}\x1e{text}\x1e{said[text]}"
        entry_id = row.get("entry_id") or str(uuid.uuid5(_FILE_ROWS, name))
        out.append({**own, "entry_id": entry_id, "_row": row["_row"]})
    return out


def _with_calibrations(contents: TrialFolder, rows: Sequence[Row]) -> list[Row]:
    """Let every reading without a calibration name the one it rests on, as at the desk.

    One that is stored already keeps what was stored then, so that it is known again.
    """
    stored = {r["entry_id"]: r for r in contents.records.history("readings")}
    method = contents.settings.reading_method
    out = []
    for row in rows:
        name = row["calibration_id"]
        if name is None and row["entry_id"] in stored:
            name = stored[row["entry_id"]]["calibration_id"]
        elif name is None and method.kind != "strip":
            meter = row["instrument"] or method.instrument or None
            last = last_calibration(contents.records.calibrations, row["read_at"], meter)
            name = None if last is None else last["calibration_id"]
        out.append({**row, "calibration_id": name})
    return out


def _fresh(contents: TrialFolder, table: Table, rows: Sequence[Row]) -> list[Row]:
    """Leave out the rows that are stored already: they were judged then."""
    stored = {r["entry_id"] for r in contents.records.history(table.name)}
    return [r for r in rows if r["entry_id"] not in stored]
