"""Journals: append-only CSV files that lose no acknowledged row.

`record`, the bench and the imports write through `append`; `records` reads through here.
What a row means is left to the other modules of the room.
"""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from doughlab.errors import InputError, Problem, UnknownName, listed
from doughlab.files import Rows, parse_rows, say_unopened, write_csv
from doughlab.record.storage import (
    NotStored,
    cut_tail,
    locked,
    read_ends,
    set_aside,
    storage_words,
    torn_path,
    widen,
    write_end,
)
from doughlab.tables import JOURNAL_COLUMNS, Table

_OURS = {c.name for c in JOURNAL_COLUMNS}
_NOT_COMPARED = {"_row", "entered_at", "entered_by"}


@dataclass(frozen=True)
class Journal:
    """One journal as it was read.

    Attributes
    ----------
    table : Table
        Its columns.
    rows : list of dict
        The current view: corrections applied, voided entries gone, in the order of entry.
    history : list of dict
        Every row that could be read, in file order, corrections included.
    problems : list of Problem
        Rows that cannot be used and corrections that point to nothing.
    torn : bool
        True where the last line has no end: it was cut off while being written.
    """

    table: Table
    rows: list[dict[str, Any]] = field(default_factory=list)
    history: list[dict[str, Any]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    torn: bool = False
    index: dict[Any, list[dict[str, Any]]] = field(default_factory=dict, compare=False, repr=False)

    def of(self, items: Collection[Any]) -> list[dict[str, Any]]:
        """Give the rows of the current view about some items, in their order.

        The rows are sorted by item when first asked for, so that an entry in a long trial looks
        at few of them.

        Examples
        --------
        >>> from doughlab.tables import table
        >>> rows = [{"lot_id": name, "_row": i} for i, name in enumerate(("F1", "F2"), start=2)]
        >>> [row["lot_id"] for row in Journal(table("lots"), rows, rows).of(["F2", "F9"])]
        ['F2']
        """
        if not self.index and self.rows:
            index_rows(self.index, self.table, self.rows)
        own = [row for item in items if item in self.index for row in self.index[item]]
        return sorted(own, key=lambda row: row.get("_row") or 0)

    def fitting(self, entry_id: str) -> list[dict[str, Any]]:
        """List the entries of the history whose id begins so, or that are named so in short.

        Examples
        --------
        >>> from doughlab.tables import table
        >>> rows = [{"entry_id": f"3608e144-9c1f.{i}"} for i in (1, 2, 12)]
        >>> journal = Journal(table("lots"), rows, rows)
        >>> [r["entry_id"] for r in journal.fitting("3608e144.2")], len(journal.fitting("3608"))
        (['3608e144-9c1f.2'], 3)
        """
        head, dot, number = entry_id.partition(".")
        return [
            r for r in self.history
            if (own := str(r["entry_id"])).startswith(entry_id)
            or (dot and own.startswith(head) and own.endswith(dot + number))
        ]  # fmt: skip

    def entry(self, entry_id: str) -> dict[str, Any]:
        """Find an entry of the history by its id or the beginning of its id.

        Raises
        ------
        InputError
            Where none or several fit.
        """
        fits = self.fitting(entry_id)
        exact = [r for r in fits if r["entry_id"] == entry_id]
        if len(exact or fits) == 1:
            return (exact or fits)[0]
        if not fits:
            raise UnknownName("entry", entry_id, (), where=self.table.path)
        ids = [str(r["entry_id"]) for r in fits]
        raise InputError(
            f"{self.table.path}: '{entry_id}' fits several entries: {listed(ids)}. Give more of it."
        )


def short_name(entry_id: object) -> str:
    """Give the short name of an entry: its first 8 characters, and its number in a phone's set.

    Examples
    --------
    >>> short_name("3608e144-9c1f-4aa0-8d55-0f2b6c1d7e90.2"), short_name("a1")
    ('3608e144.2', 'a1')
    """
    head, dot, number = str(entry_id).partition(".")
    return head[:8] + dot + number


def index_rows(
    index: dict[Any, list[dict[str, Any]]], table: Table, rows: Sequence[dict[str, Any]]
) -> None:
    """Add rows to an index by what they are about: the first column of the table's own."""
    key = next((c.name for c in table.columns if c.name not in _OURS), "")
    for row in rows:
        index.setdefault(row.get(key), []).append(row)


def read_journal(folder: Path, table: Table) -> Journal:
    """Read a journal and apply its corrections.

    A line without an end is read again under the lock, since another writer may just be at it;
    reading never changes a file.

    Parameters
    ----------
    folder : Path
        The trial folder.
    table : Table
        A table with `journal=True`, own columns added.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> read_journal(Path("no such folder"), table("lots")).rows
    []
    """
    path = Path(folder) / table.path
    try:
        data = path.read_bytes()
        if data and not data.endswith(b"\n"):
            with contextlib.suppress(NotStored), locked(Path(folder)):
                data = path.read_bytes()
    except FileNotFoundError:
        return Journal(table, problems=_torn_file_problem(path, table))
    except OSError as error:
        message = say_unopened(error)
        return Journal(table, problems=[Problem(table.path, message)])
    journal = resolve(data, table)
    return replace(journal, problems=journal.problems + _torn_file_problem(path, table))


def resolve(data: bytes, table: Table) -> Journal:
    r"""Read the bytes of a journal and apply its corrections.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> head = b"entry_id,entered_at,action,replaces,reason,place,at,temp_c\n"
    >>> day = b"2026-03-02T09:00Z"
    >>> first = b"a," + day + b",add,,,cooler," + day + b",36\n"
    >>> second = b"b," + day + b",replace,a,decimal point,cooler," + day + b",3.6\n"
    >>> [r["temp_c"] for r in resolve(head + first + second, table("temperatures")).rows]
    [3.6]
    """
    whole, tail = cut_tail(data)
    found = parse_rows(whole, table)
    problems = list(found.problems)
    bad = found.bad_rows
    broken = _header_broken(found, table)
    history = [] if broken else list(found.rows)
    history = [r for r in history if r["_row"] not in bad] if bad else history
    view, mended = _apply_corrections(history, found.rows, table, problems)
    problems = [_after_mending(p, mended) for p in problems]
    if tail.strip():
        message = (
            "the last line has no end: it was cut off while being written, or edited by hand. "
            "It is not used. Enter it again; the next entry sets this line aside."
        )
        problems.append(Problem(table.path, message, whole.count(b"\n") + 1))
    return Journal(table, view, history, problems, torn=bool(tail.strip()))


def _after_mending(problem: Problem, mended: Mapping[int, int]) -> Problem:
    """Turn the problem of a row that was corrected or taken back into a note: it is not used."""
    by = mended.get(problem.row or 0)
    if by is None:
        return problem
    words = f"{problem.message} Corrected in row {by}; this row is not used."
    return replace(problem, message=words, level="note")


def _header_broken(found: Rows, table: Table) -> bool:
    """Tell whether the first line lacks a column that every row needs."""
    needed = {c.name for c in table.columns if c.required}
    return bool(needed - set(found.header)) or len(set(found.header)) < len(found.header)


def _apply_corrections(
    history: Sequence[dict[str, Any]],
    read: Sequence[dict[str, Any]],
    table: Table,
    problems: list[Problem],
) -> tuple[list[dict[str, Any]], dict[int, int]]:
    """Resolve replace and void; give the view, and for each mended row the row that mends it."""
    if all(r["action"] == "add" and r["replaces"] is None for r in history):
        return list(history), {}
    known = {r["entry_id"]: r for r in reversed(read) if r["entry_id"] is not None}
    root: dict[str, str] = {}
    current: dict[str, dict[str, Any] | None] = {}
    mended: dict[int, int] = {}
    for row in history:
        own, target = row["entry_id"], row["replaces"]
        if row["action"] == "add":
            if target is not None:
                message = "an added entry replaces nothing. Use action replace, or leave it empty."
                problems.append(Problem(table.path, message, row["_row"], "replaces", "note"))
            root[own], current[own] = own, row
            continue
        wrong = _correction_problem(row, known)
        if wrong:
            problems.append(Problem(table.path, wrong, row["_row"], "replaces"))
            continue
        first = root.get(target, target)
        root[own] = first
        _note_odd_correction(row, first, current, table, problems)
        mended[known[target]["_row"]] = row["_row"]
        current.setdefault(first, None)
        current[first] = row if row["action"] == "replace" else None
    view = [r for r in current.values() if r is not None]
    used = {r["_row"] for r in view}
    return view, {row: by for row, by in mended.items() if row not in used}


def _correction_problem(row: dict[str, Any], known: Mapping[str, dict[str, Any]]) -> str:
    target = row["replaces"]
    if target is None:
        return f"action {row['action']} names no entry. Write the entry's id here."
    if target not in known or known[target]["_row"] > row["_row"]:
        return (
            f"entry '{target}' does not stand above this row, so there is nothing to "
            f"{row['action']}. The row is not used. Copy the id from column entry_id."
        )
    if target == row["entry_id"]:
        return "an entry cannot replace itself. The row is not used."
    return ""


def _note_odd_correction(
    row: dict[str, Any],
    first: str,
    current: Mapping[str, dict[str, Any] | None],
    table: Table,
    problems: list[Problem],
) -> None:
    if not row["reason"]:
        message = f"no reason stands beside action {row['action']}. Say why in a note."
        problems.append(Problem(table.path, message, row["_row"], "reason", "note"))
    if first not in current:
        return
    now = current[first]
    if now is None and row["action"] == "replace":
        message = f"entry '{row['replaces']}' was taken back before; this row stands for it again."
        problems.append(Problem(table.path, message, row["_row"], "replaces", "note"))
    elif now is not None and now["entry_id"] != row["replaces"]:
        message = (
            f"entry '{row['replaces']}' was already replaced in row {now['_row']}; "
            "the later row counts."
        )
        problems.append(Problem(table.path, message, row["_row"], "replaces", "note"))


def _torn_file_problem(path: Path, table: Table) -> list[Problem]:
    torn = torn_path(path)
    if not torn.exists():
        return []
    message = (
        f"a line that was cut off while being written was set aside in {table.path}.torn. "
        "Enter it again if it is missing, then delete that file."
    )
    return [Problem(f"{table.path}.torn", message)]


def check_row(table: Table, row: Mapping[str, Any], number: int = 1) -> dict[str, Any]:
    """Check one row against its table before it is stored.

    Parameters
    ----------
    table : Table
        Own columns added.
    row : mapping
        Column name to text as typed, or to a value.
    number : int
        Which entry of several, for the message.

    Returns
    -------
    dict
        Column name to parsed value, every column present.

    Raises
    ------
    InputError
        With every problem of the row; `UnknownName` is among them for an unknown column.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> row = {"entry_id": "a", "entered_at": "2026-03-02T09:00Z", "action": "add",
    ...        "place": "cooler", "at": "2026-03-02T09:00Z", "temp_c": "39.2 F"}
    >>> check_row(table("temperatures"), row)["temp_c"]
    4.0
    """
    problems: list[Problem] = []
    values: dict[str, Any] = dict.fromkeys(table.names)
    void = row.get("action") == "void"
    for name in row:
        if name not in values and name != "_row":
            error = UnknownName("column", str(name), table.names)
            problems.append(Problem(table.path, str(error), number, str(name)[:40]))
    for column in table.columns:
        value = row.get(column.name)
        text = value if isinstance(value, str) else column.write(value)
        if not text.strip() and (void and column.name not in _OURS):
            continue
        try:
            values[column.name] = column.read(text)
        except InputError as error:
            problems.append(Problem(table.path, str(error), number, column.name))
    if problems:
        words = [f"{p.column}: {p.message}" if len(problems) > 1 else p.message for p in problems]
        raise InputError("\n".join(words), problems=problems)
    return values


def append(
    folder: Path,
    table: Table,
    rows: Sequence[Mapping[str, Any]],
    *,
    by: str = "",
    now: datetime | None = None,
    wait_s: float | None = None,
    seen: int = 0,
) -> list[str]:
    """Store rows at the end of a journal: all of them, or none.

    Each row is checked first. Then: lock, set a torn last line aside, append, flush, fsync. The
    ids are returned only after the disk has the rows. A row whose `entry_id` is already stored
    with the same values is acknowledged again and not stored twice.

    Parameters
    ----------
    folder : Path
        The trial folder.
    table : Table
        A table with `journal=True`, own columns added.
    rows : sequence of mapping
        Column name to text or value; `action` is "add" where left out.
    by : str
        Who enters, where the row does not say.
    now : datetime, optional
        Time of entry with offset; the clock of this machine when left out.
    wait_s : float, optional
        Seconds to wait for another writer; half a minute when left out.
    seen : int
        Bytes of the file, from its start, that the caller knows to hold none of these ids.

    Returns
    -------
    list of str
        The entry ids, in the order of `rows`.

    Raises
    ------
    InputError
        When a row cannot be accepted; nothing is stored.
    NotStored
        When the disk, the rights or the lock do not allow it; nothing is stored.

    Examples
    --------
    >>> import tempfile
    >>> from doughlab.tables import table
    >>> lot = {"lot_id": "F1", "kind": "flour", "entry_id": "phone-1"}
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     append(Path(folder), table("lots"), [lot])
    ...     [row["lot_id"] for row in read_journal(Path(folder), table("lots")).rows]
    ['phone-1']
    ['F1']
    """
    moment = now or datetime.now().astimezone()
    if moment.tzinfo is None:
        raise InputError("The time of entry needs an offset from UTC.")
    checked = _check_rows(table, rows, by, moment)
    if not checked:
        return []
    folder = Path(folder)
    path = folder / table.path
    look_up = any(row.get("entry_id") or row.get("replaces") for row in rows)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with locked(folder, wait_s):
            _append_locked(path, table, checked, look_up=look_up, seen=seen)
    except OSError as error:
        raise NotStored(storage_words(error, table.path)) from error
    return [row["entry_id"] for row in checked]


def _check_rows(
    table: Table, rows: Sequence[Mapping[str, Any]], by: str, moment: datetime
) -> list[dict[str, Any]]:
    problems: list[Problem] = []
    checked: list[dict[str, Any]] = []
    for number, row in enumerate(rows, start=1):
        full = {"action": "add", **row, "entered_at": moment}
        full["entry_id"] = row.get("entry_id") or str(uuid.uuid4())
        full["entered_by"] = row.get("entered_by") or by
        try:
            values = check_row(table, full, number)
        except InputError as error:
            problems.extend(error.problems)
            continue
        if values["action"] != "add" and not (values["replaces"] and values["reason"]):
            message = "a correction needs the entry it is about and a reason: --reason TEXT."
            problems.append(Problem(table.path, message, number, "reason"))
        checked.append(values)
    if problems:
        if len(rows) == 1:
            words = [p.message for p in problems]
            raise InputError("\n".join(words), problems=problems)
        raise InputError.from_problems(problems, shown=12)
    return checked


def _append_locked(
    path: Path, table: Table, rows: list[dict[str, Any]], *, look_up: bool, seen: int = 0
) -> None:
    first, end, tail = read_ends(path)
    if tail:
        set_aside(path, end, tail)
    header = _header(first, table)
    if look_up and header:
        corrects = any(row["replaces"] for row in rows)
        whole = _new_bytes(path, 0 if corrects or seen > end else seen)
        stored = _stored_entries(whole, table, rows)
        rows = [row for row in rows if row["entry_id"] not in stored]
    if not rows:
        return
    if not header:
        if end and path.read_bytes()[:end].strip():
            raise NotStored(
                f"{table.path}, row 1: is empty. Delete that line, then enter it again."
            )
        write_end(path, 0, write_csv(table, rows).encode())
        return
    missing = [n for n in table.names if n not in header and any(r[n] is not None for r in rows)]
    if missing:
        end = widen(path, missing)
        header = (*header, *missing)
    lines = write_csv(_in_file_order(table, header), rows).split("\n", 1)[1]
    write_end(path, end, lines.encode())


def _new_bytes(path: Path, seen: int) -> bytes:
    """Read the first line and what stands behind the bytes that the caller has seen."""
    with path.open("rb") as file:
        if not seen:
            return file.read()
        first = file.readline()
        file.seek(max(seen, len(first)))
        return first + file.read()


def _header(first: bytes, table: Table) -> tuple[str, ...]:
    """Read the first line; refuse to write under one that does not fit."""
    if not first.strip():
        return ()
    found = parse_rows(first, table)
    if _header_broken(found, table):
        raise NotStored(
            f"{table.path}, row 1: {' '.join(p.message for p in found.problems[:3])} "
            "The entry was not stored, since it could not be read again. Mend the first line, "
            "then enter it again."
        )
    return found.header


def _in_file_order(table: Table, header: Sequence[str]) -> Table:
    known = {c.name: c for c in table.columns}
    fill = JOURNAL_COLUMNS[-1]
    return replace(table, columns=tuple(known.get(n, replace(fill, name=n)) for n in header))


def _stored_entries(whole: bytes, table: Table, rows: list[dict[str, Any]]) -> set[str]:
    """Find which rows are stored already; check that corrections point to something."""
    named = [row["entry_id"] for row in rows] + [row["replaces"] for row in rows]
    if not any(name and name.encode() in whole for name in named):
        known = {}  # the common case: new ids, nothing to correct, and no need to read the rows
    else:
        known = {r["entry_id"]: r for r in parse_rows(whole, table).rows}
    stored = set()
    for row in rows:
        before = known.get(row["entry_id"])
        if before is not None:
            changed = [n for n in row if n not in _NOT_COMPARED and row[n] != before[n]]
            if changed:
                raise InputError(
                    f"entry '{row['entry_id']}' is stored already with other values "
                    f"({listed(changed)}). Correct it with --replaces and a reason."
                )
            stored.add(row["entry_id"])
        target = row["replaces"]
        if target and target not in known and before is None:
            raise UnknownName("entry", target, (), where=table.path)
    return stored


def last_time(rows: Sequence[Mapping[str, Any]], column: str) -> datetime | None:
    """Give the latest time in a column, none later than its row was entered.

    A device clock that runs ahead must not move the end of a trial.

    Examples
    --------
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> print(last_time([{"at": at, "entered_at": at}], "at"))
    2026-03-02 09:00:00+00:00
    """
    times = [
        min(r[column], r["entered_at"])
        for r in rows
        if r[column] is not None and r["entered_at"] is not None
    ]
    return max(times, default=None)
