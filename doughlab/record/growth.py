"""Growth: reads only what was added to a journal since it was last read.

The bench asks it after every entry, so that an entry costs no more in a long trial than in a
short one. Whatever is not a plain addition is left to `journal.read_journal`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from hashlib import blake2b
from pathlib import Path

from doughlab.record.journal import Journal, index_rows, read_journal, resolve
from doughlab.record.storage import torn_path
from doughlab.tables import Table

TAIL = 65_536


@dataclass(frozen=True)
class Grown:
    """A journal, and what is needed to read on from there.

    Attributes
    ----------
    journal : Journal
    size : int
        Bytes that were read.
    digest : bytes
        Of the last of these bytes, `TAIL` at most.
    whole : tuple of (int, bytes)
        Up to where the whole file was last compared, and its digest: a file that was edited above
        its end is read as a whole.
    lines : int
        Lines in them.
    ids : set of str
        Every entry in them; added to while the file grows, as is the journal's index.
    head : bytes
        The first line.
    """

    journal: Journal
    size: int = 0
    digest: bytes = b""
    whole: tuple[int, bytes] = (0, b"")
    lines: int = 0
    ids: set[str] = field(default_factory=set)
    head: bytes = b""


def read_on(
    folder: Path, table: Table, before: Grown | None = None, *, quick: bool = False
) -> Grown:
    """Read a journal, from where it was read before if only rows were added.

    Parameters
    ----------
    folder : Path
        The trial folder.
    table : Table
        A table with `journal=True`, own columns added.
    before : Grown, optional
        What the last call gave.
    quick : bool
        Compare only the end of what was read before, not all of it. An edit further up is found
        by the next call that is not quick.

    Returns
    -------
    Grown
        Its journal is the one that `read_journal` gives.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> read_on(Path("no such folder"), table("lots")).size
    0
    """
    path = Path(folder) / table.path
    if torn_path(path).exists():
        return Grown(read_journal(folder, table))
    try:
        if quick and before is not None and before.size:
            longer = _added_behind(path, table, before)
            if longer is not None:
                return longer
        data = path.read_bytes()
    except OSError:
        return Grown(read_journal(folder, table))
    if not data.endswith(b"\n"):
        return Grown(read_journal(folder, table))
    if before is not None and _is_same(data, before):
        end = before.size
        longer = _longer(data[end:], table, before, tail=data[max(0, end - TAIL) : end])
        if longer is not None:
            whole = (len(data), blake2b(data).digest())
            return before if longer is before else replace(longer, whole=whole)
    journal = resolve(data, table)
    if journal.problems:
        return Grown(journal)
    ids = {row["entry_id"] for row in journal.history}
    whole = (len(data), blake2b(data).digest())
    head = data[: data.index(b"\n") + 1]
    return Grown(journal, len(data), _tail(data), whole, data.count(b"\n"), ids, head)


def _tail(data: bytes) -> bytes:
    return blake2b(data[-TAIL:]).digest()


def _is_same(data: bytes, before: Grown) -> bool:
    """Tell whether the file still begins with all that was read."""
    size, digest = before.whole
    end = before.size
    return (
        0 < size <= end <= len(data)
        and blake2b(memoryview(data)[:size]).digest() == digest
        and _tail(data[max(0, end - TAIL) : end]) == before.digest
    )


def _added_behind(path: Path, table: Table, before: Grown) -> Grown | None:
    """Read only what stands behind the known end; None where it is no plain addition."""
    start = max(0, before.size - TAIL)
    with path.open("rb") as file:
        file.seek(start)
        data = file.read()
    seen = before.size - start
    if len(data) < seen or not data.endswith(b"\n") or _tail(data[:seen]) != before.digest:
        return None
    return _longer(data[seen:], table, before, tail=data[:seen])


def _longer(more: bytes, table: Table, before: Grown, *, tail: bytes) -> Grown | None:
    """Put new rows behind the known ones; None where they are not plain additions."""
    if not more:
        return before
    old, known = before.journal, before.ids
    found = resolve(before.head + more, table)
    plain = all(r["action"] == "add" and r["entry_id"] not in known for r in found.history)
    if found.problems or not plain:
        return None
    rows = [{**row, "_row": row["_row"] + before.lines - 1} for row in found.history]
    if old.index:
        index_rows(old.index, table, rows)
    journal = Journal(table, [*old.rows, *rows], [*old.history, *rows], index=old.index)
    known.update(row["entry_id"] for row in rows)
    return replace(
        before, journal=journal, size=before.size + len(more), digest=_tail(tail + more),
        lines=before.lines + more.count(b"\n"),
    )  # fmt: skip
