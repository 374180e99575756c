"""Files: how a CSV of the trial folder is read against its columns, written and described.

Plan and record read and write through here; `check_links` and `build_descriptor` serve checks.
Which columns there are stands in `tables`; locks and corrections are left to the record room.
"""

from __future__ import annotations

import contextlib
import csv
import gc
import io
import itertools
import operator
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, Problem, suggest
from doughlab.tables import JOURNAL_COLUMNS, Table
from doughlab.units import axis_unit


@dataclass(frozen=True)
class Rows:
    """What was read from one file.

    Attributes
    ----------
    rows : list of dict
        Column name to value (None where empty), complete rows only; key "_row" is the line number.
    problems : list of Problem
        Every cell or row that could not be read; the cells stand as None in `rows`.
    header : tuple of str
        The names in the first line, as they stand there.
    """

    rows: list[dict[str, Any]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    header: tuple[str, ...] = ()

    @property
    def bad_rows(self) -> set[int]:
        """Line numbers of the rows in which something cannot be used."""
        return {p.row for p in self.problems if p.level == "error" and p.row is not None}


def read_rows(folder: Path, table: Table) -> Rows:
    """Read one CSV of a trial folder against its columns.

    Parameters
    ----------
    folder : Path
        The trial folder.
    table : Table
        With own columns already added.

    Returns
    -------
    Rows
        A missing file gives no rows and no problem.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> read_rows(Path("no such folder"), table("lots"))
    Rows(rows=[], problems=[], header=())
    """
    path = Path(folder) / table.path
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return Rows()
    except OSError as error:
        message = say_unopened(error)
        return Rows(problems=[Problem(table.path, message)])
    return parse_rows(data, table)


def say_unopened(error: OSError) -> str:
    """Say why a file of the folder cannot be opened, and what to do.

    Parameters
    ----------
    error : OSError

    Examples
    --------
    >>> say_unopened(IsADirectoryError())
    'is a folder. Move it away: a file of that name belongs here.'
    """
    if isinstance(error, IsADirectoryError):
        return "is a folder. Move it away: a file of that name belongs here."
    return f"cannot be opened ({error.strerror}). Look at its rights, then try again."


def read_header(folder: Path, table: Table) -> tuple[str, ...]:
    """Read the names in the first line of a CSV; empty where there is no such file.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> read_header(Path("no such folder"), table("lots"))
    ()
    """
    path = Path(folder) / table.path
    if not path.is_file():
        return ()
    with path.open("rb") as file:
        return parse_rows(file.readline(), table).header


def parse_rows(text: str | bytes, table: Table) -> Rows:
    r"""Read the text of a CSV against the columns of a table.

    Every line is read by itself, so that one damaged line costs no other; a cell therefore holds
    no line break. Columns are read one after the other, each different text once: 100,000 rows
    take well under a second.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> head = "entry_id,entered_at,action,about,at,kind\n"
    >>> text = head + "1,2026-03-02T09:00Z,add,B01,never,note\n"
    >>> print(parse_rows(text, table("notes")).problems[0])
    record/notes.csv, row 2, column at: at 'never' is not a time. Write date, ...
    """
    problems: list[Problem] = []
    lines = _text_lines(text, table, problems)
    if not lines:
        return Rows(problems=problems)
    header = _split_line(lines[0], table, 1, problems)
    if header is None:
        return Rows(problems=problems)
    names = tuple(h.strip() for h in header)
    columns = _header_columns(names, table, problems)
    if not any(columns):
        return Rows([], problems, names)
    with collector_paused():
        numbers, texts = _split_lines(lines, len(columns), table, problems)
        rows = _read_columns(columns, numbers, texts, table, problems)
        _check_unique(rows, table, problems)
    problems.sort(key=lambda p: p.row or 0)
    return Rows(rows, problems, names)


@contextlib.contextmanager
def collector_paused() -> Iterator[None]:
    """Keep the search for cycles out of the way while many small objects are made.

    Examples
    --------
    >>> with collector_paused():
    ...     gc.isenabled()
    False
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was and not gc.get_freeze_count():
            gc.freeze()  # together: what was made counts as old, and is not searched at once
            gc.unfreeze()
        if was:
            gc.enable()


def _text_lines(text: str | bytes, table: Table, problems: list[Problem]) -> list[str]:
    decoded = ""
    if isinstance(text, str):
        decoded = text.removeprefix("\ufeff")
    else:
        try:
            decoded = text.decode("utf-8-sig")
        except UnicodeDecodeError:
            return _decode_lines(text, table, problems)
    lines = decoded.split("\n")
    if lines[-1] == "":
        lines.pop()
    return lines


def _decode_lines(data: bytes, table: Table, problems: list[Problem]) -> list[str]:
    """Read line by line where the file is not UTF-8, so that only damaged lines are lost."""
    lines = []
    for number, line in enumerate(data.removeprefix(b"\xef\xbb\xbf").split(b"\n"), start=1):
        try:
            lines.append(line.decode("utf-8"))
        except UnicodeDecodeError:
            message = "holds letters that are not UTF-8. Save the file as CSV UTF-8."
            problems.append(Problem(table.path, message, number))
            lines.append("")
    return lines


def _split_line(line: str, table: Table, number: int, problems: list[Problem]) -> list[str] | None:
    line = line.removesuffix("\r")
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line], strict=True), [])
    except csv.Error:
        message = (
            "cannot be read: the quotation marks do not pair up. A text with a comma stands in "
            "quotation marks, and no text holds a line break."
        )
        problems.append(Problem(table.path, message, number))
        return None


def _split_lines(
    lines: Sequence[str], width: int, table: Table, problems: list[Problem]
) -> tuple[Sequence[int], list[Sequence[str]]]:
    """Part every line after the first into cells; give line numbers, and the texts by column."""
    body = lines[1:]
    flat = ",".join(body)
    plain = '"' not in flat and "\r" not in flat and "," * (width - 1) not in body
    if plain and body and {line.count(",") for line in body} == {width - 1}:
        texts = flat.split(",")
        return range(2, len(body) + 2), [texts[i::width] for i in range(width)]
    numbers: list[int] = []
    cells: list[list[str]] = []
    for number, line in enumerate(body, start=2):
        found = _split_line(line, table, number, problems)
        if found is None or (len(found) != width and not line.strip(" ,;\r")):
            continue
        if len(found) != width:
            message = (
                f"has {len(found)} cells, the header has {width}. "
                "A comma inside a text needs quotation marks around the text."
            )
            problems.append(Problem(table.path, message, number))
        elif any(found):
            numbers.append(number)
            cells.append(found)
    return numbers, list(zip(*cells, strict=True))


def _header_columns(
    names: Sequence[str], table: Table, problems: list[Problem]
) -> list[Column | None]:
    known = {c.name: c for c in table.columns}
    if len(names) == 1 and known and any(mark in names[0] for mark in ";\t"):
        message = "the columns are not set apart by commas. Save it as CSV with commas."
        problems.append(Problem(table.path, message, 1))
        return [None]
    for name in dict.fromkeys(names):
        if name not in known:
            message = f"column '{name[:40]}' is not known.{suggest(name, table.names)}"
            problems.append(Problem(table.path, message, 1, name[:40]))
        elif names.count(name) > 1:
            message = f"column '{name}' stands twice."
            problems.append(Problem(table.path, message, 1, name))
    for c in table.columns:
        if c.required and c.name not in names:
            message = f"column '{c.name}' ({c.title.lower()}) is missing."
            problems.append(Problem(table.path, message, 1, c.name))
    return [known.get(name) for name in names]


def _read_columns(
    columns: Sequence[Column | None],
    numbers: Sequence[int],
    texts: Sequence[Sequence[str]],
    table: Table,
    problems: list[Problem],
) -> list[dict[str, Any]]:
    values: dict[str, Sequence[Any]] = {}
    voids = _void_rows(columns, texts) if table.journal else set()
    for column, column_texts in zip(columns, texts, strict=False):
        if column is None:
            continue
        read = column.read_many(column_texts)
        if read is None:
            excused = voids if column not in JOURNAL_COLUMNS else set()
            read = _read_each(column, column_texts, numbers, excused, table, problems)
        values[column.name] = read
    return _make_rows(table.names, values, numbers)


def _make_rows(
    names: Sequence[str], values: dict[str, Sequence[Any]], numbers: Sequence[int]
) -> list[dict[str, Any]]:
    """Make rows of columns; what is the same in all rows is written once and copied."""
    first = {name: found[0] for name, found in values.items() if found}
    pattern = {**dict.fromkeys(names), **first, "_row": 0}
    rows = [pattern.copy() for _ in numbers]
    for name, found in (*values.items(), ("_row", numbers)):
        same = name != "_row" and all(map(operator.is_, found, itertools.repeat(first.get(name))))
        if not same:
            for row, value in zip(rows, found, strict=True):
                row[name] = value
    return rows


def _void_rows(columns: Sequence[Column | None], texts: Sequence[Sequence[str]]) -> set[int]:
    """Find the rows that take an entry back: they need nothing but the journal's columns."""
    for column, column_texts in zip(columns, texts, strict=False):
        if column is not None and column.name == "action":
            return {i for i, t in enumerate(column_texts) if t.strip() == "void"}
    return set()


def _read_each(
    column: Column,
    texts: Sequence[str],
    numbers: Sequence[int],
    excused: set[int],
    table: Table,
    problems: list[Problem],
) -> list[Any]:
    """Read a column in which something is wrong, and say where."""
    values = []
    for i, text in enumerate(texts):
        value = None
        try:
            value = column.read(text)
        except InputError as error:
            if text.strip() or i not in excused:
                problems.append(Problem(table.path, str(error), numbers[i], column.name))
        values.append(value)
    return values


def _check_unique(rows: Sequence[dict[str, Any]], table: Table, problems: list[Problem]) -> None:
    for column in table.columns:
        if not _stands_once(column, table):
            continue
        if len(set(map(operator.itemgetter(column.name), rows))) == len(rows):
            continue
        seen: dict[Any, int] = {}
        for row in rows:
            value = row[column.name]
            if value is not None and seen.setdefault(value, row["_row"]) != row["_row"]:
                message = f"{column.name} '{value}' stands already in row {seen[value]}."
                problems.append(
                    Problem(table.path, f"{message} Give it once.", row["_row"], column.name)
                )


def write_csv(table: Table, rows: Iterable[dict[str, Any]]) -> str:
    """Give the CSV text of rows, header first, lines ended by a single line feed.

    Examples
    --------
    >>> small = Table("t", "t.csv", "T", (Column("a", "number", "A"),))
    >>> print(write_csv(small, [{"a": 1.0}]))
    a
    1
    <BLANKLINE>
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(table.names)
    for row in rows:
        writer.writerow([c.write(row.get(c.name)) for c in table.columns])
    return buffer.getvalue()


def check_links(
    rows: dict[str, Rows], tables: dict[str, Table], *, only: str = ""
) -> list[Problem]:
    """Find values that point to nothing, over all tables of a folder.

    Parameters
    ----------
    rows : dict of str to Rows
        By table name; a table without rows cannot be linked to and is passed over.
    tables : dict of str to Table
        The same names.
    only : str
        The one table whose links are looked at; all of them when left out.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> lots = Rows([{"lot_id": "T1", "water_id": "tpa", "_row": 2}])
    >>> rows = {"lots": lots, "waters": Rows([{"water_id": "tap"}])}
    >>> tables = {"lots": table("lots"), "waters": table("waters")}
    >>> print(check_links(rows, tables)[0].message)
    water_id 'tpa' is not in waters.csv. Did you mean 'tap'? Known: tap.
    """
    problems = []
    for name, found in rows.items():
        for column in tables[name].columns if only in ("", name) else ():
            if not column.link:
                continue
            target, key = column.link.split(".")
            known = {r[key] for r in rows[target].rows} if target in rows else set()
            for row in found.rows:
                value = row[column.name]
                if value is not None and value not in known:
                    where = tables[target].path
                    message = f"{column.name} '{value}' is not in {where}.{suggest(value, known)}"
                    place = row.get("_row")
                    problems.append(Problem(tables[name].path, message, place, column.name))
    return problems


def build_descriptor(name: str, tables: Iterable[Table]) -> dict[str, Any]:
    """Describe the CSV files as a Frictionless Data Package with Table Schemas.

    Returns
    -------
    dict
        Ready for `json.dumps`; units stand in the extra property "unit".

    References
    ----------
    Frictionless Data, Data Package and Table Schema (open standards).

    Examples
    --------
    >>> build_descriptor("Lantern Quay!", [])
    {'name': 'lantern-quay', 'resources': []}
    """
    resources = []
    for t in tables:
        fields = [_field(c, once=_stands_once(c, t)) for c in t.columns]
        schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
        keys = [c.name for c in t.columns if _stands_once(c, t)]
        if keys:
            schema["primaryKey"] = keys[:1]
        resource_name = t.name.replace("_", "-")
        resources.append(
            {"name": resource_name, "path": t.path, "title": t.title, "encoding": "utf-8",
             "format": "csv", "schema": schema}
        )  # fmt: skip
    package = re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-") or "trial"
    return {"name": package, "resources": resources}


def _stands_once(column: Column, table: Table) -> bool:
    """Tell whether a value stands once in the file: corrections repeat all but the entry's id."""
    return column.unique and (not table.journal or column.name == "entry_id")


def _field(column: Column, *, once: bool) -> dict[str, Any]:
    kind = {"number": "number", "integer": "integer", "datetime": "datetime"}
    described: dict[str, Any] = {
        "name": column.name,
        "title": column.title,
        "type": kind.get(column.kind, "string"),
    }
    if column.kind == "datetime":
        described["format"] = "any"
    if column.unit:
        described["unit"] = axis_unit(column.unit)
    limits: dict[str, Any] = {}
    if column.required:
        limits["required"] = True
    if once:
        limits["unique"] = True
    if column.allowed:
        limits["enum"] = list(column.allowed)
    if column.low is not None and column.kind in {"number", "integer"}:
        limits["minimum"] = column.low
    if column.high is not None and column.kind in {"number", "integer"}:
        limits["maximum"] = column.high
    if limits:
        described["constraints"] = limits
    return described
