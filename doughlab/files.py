"""Files: how a CSV of the trial folder is read against its columns, written and described.

Plan and record read and write through here; `check_links` and `build_descriptor` serve checks.
Which columns there are stands in `tables`; locks and corrections are left to the record room.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, Problem, suggest
from doughlab.tables import Table
from doughlab.units import unit_title


@dataclass(frozen=True)
class Rows:
    """What was read from one file.

    Attributes
    ----------
    rows : list of dict
        Column name to value (None where empty), complete rows only; key "_row" is the line number.
    problems : list of Problem
        Every cell or row that could not be read; the cells stand as None in `rows`.
    """

    rows: list[dict[str, Any]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


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
    """
    path = Path(folder) / table.path
    if not path.exists():
        return Rows()
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        return Rows(problems=[Problem(table.path, "not UTF-8 text. Save it as CSV UTF-8.", line)])
    return parse_rows(text, table)


def parse_rows(text: str, table: Table) -> Rows:
    r"""Read the text of a CSV against the columns of a table.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> found = parse_rows("entry_id,about,at,kind\n1,B01,never,note\n", table("notes"))
    >>> print(found.problems[0])
    record/notes.csv, row 2, column at: at 'never' is not a time. Write date, ...
    """
    out = Rows()
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    lines = _csv_lines(reader, table, out)
    header = next(lines, None)
    if header is None:
        return out
    columns = _header_columns(header[1], table, out)
    seen: dict[str, dict[Any, int]] = {c.name: {} for c in table.columns if c.unique}
    for row_number, cells in lines:
        if not any(c.strip() for c in cells):
            continue
        if len(cells) != len(columns):
            out.problems.append(
                Problem(
                    table.path,
                    f"has {len(cells)} cells, the header has {len(columns)}. "
                    "A comma inside a text needs quotation marks around the text.",
                    row_number,
                )
            )
            continue
        row = _read_row(cells, columns, table, row_number, out.problems)
        for name, known in seen.items():
            value = row.get(name)
            if value is not None and known.setdefault(value, row_number) != row_number:
                message = f"{name} '{value}' stands already in row {known[value]}. Give it once."
                out.problems.append(Problem(table.path, message, row_number, name))
        out.rows.append(row)
    return out


def _csv_lines(reader: Any, table: Table, out: Rows) -> Iterator[tuple[int, list[str]]]:
    while True:
        start = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            out.problems.append(
                Problem(table.path, f"cannot be read from here on ({error}).", start)
            )
            return
        yield start, cells


def _header_columns(header: Sequence[str], table: Table, out: Rows) -> list[Column | None]:
    names = [h.strip() for h in header]
    known = {c.name: c for c in table.columns}
    for name in names:
        if name not in known:
            hint = suggest(name, table.names)
            message = f"column '{name[:40]}' is not known.{hint}"
            out.problems.append(Problem(table.path, message, 1, name[:40]))
        elif names.count(name) > 1:
            message = f"column '{name}' stands twice."
            out.problems.append(Problem(table.path, message, 1, name))
    for c in table.columns:
        if c.required and c.name not in names:
            message = f"column '{c.name}' ({c.title.lower()}) is missing."
            out.problems.append(Problem(table.path, message, 1, c.name))
    return [known.get(name) for name in names]


def _read_row(
    cells: Sequence[str],
    columns: Sequence[Column | None],
    table: Table,
    row_number: int,
    problems: list[Problem],
) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(table.names)
    row["_row"] = row_number
    for column, text in zip(columns, cells, strict=True):
        if column is None:
            continue
        try:
            row[column.name] = column.read(text)
        except InputError as error:
            problems.append(Problem(table.path, str(error), row_number, column.name))
    return row


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


def check_links(rows: dict[str, Rows], tables: dict[str, Table]) -> list[Problem]:
    """Find values that point to nothing, over all tables of a folder.

    Parameters
    ----------
    rows : dict of str to Rows
        By table name; a table without rows cannot be linked to and is passed over.
    tables : dict of str to Table
        The same names.
    """
    problems = []
    for name, found in rows.items():
        for column in tables[name].columns:
            if not column.link:
                continue
            target, key = column.link.split(".")
            known = {r[key] for r in rows[target].rows} if target in rows else set()
            for row in found.rows:
                value = row[column.name]
                if value is not None and value not in known:
                    where = tables[target].path
                    message = f"{column.name} '{value}' is not in {where}.{suggest(value, known)}"
                    problems.append(Problem(tables[name].path, message, row["_row"], column.name))
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
    """
    resources = []
    for t in tables:
        fields = [_field(c) for c in t.columns]
        schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
        keys = [c.name for c in t.columns if c.unique]
        if keys:
            schema["primaryKey"] = keys[:1]
        resource_name = t.name.replace("_", "-")
        resources.append(
            {"name": resource_name, "path": t.path, "title": t.title, "encoding": "utf-8",
             "format": "csv", "schema": schema}
        )  # fmt: skip
    package = re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-") or "trial"
    return {"name": package, "resources": resources}


def _field(column: Column) -> dict[str, Any]:
    kind = {"number": "number", "integer": "integer", "datetime": "datetime"}
    described: dict[str, Any] = {
        "name": column.name,
        "title": column.title,
        "type": kind.get(column.kind, "string"),
    }
    if column.kind == "datetime":
        described["format"] = "any"
    if column.unit:
        described["unit"] = unit_title(column.unit)
    limits: dict[str, Any] = {}
    if column.required:
        limits["required"] = True
    if column.unique:
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
