"""Growth: reads only what was added to a journal since it was last read.

The bench asks it after every entry, so that an entry costs no more in a long trial than in a
short one. Whatever is not a plain addition is left to `journal.read_journal`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from hashlib import blake2b
from pathlib import Path

from doughlab.record.journal import Journal, read_journal, resolve
from doughlab.record.storage import torn_path
from doughlab.tables import Table


@dataclass(frozen=True)
class Grown:
    """A journal, and what is needed to read on from there.

    Attributes
    ----------
    journal : Journal
    size : int
        Bytes that were read.
    digest : bytes
        Of these bytes: a file that was edited above its end is read as a whole.
    lines : int
        Lines in them.
    ids : set of str
        Every entry in them; added to while the file grows.
    """

    journal: Journal
    size: int = 0
    digest: bytes = b""
    lines: int = 0
    ids: set[str] = field(default_factory=set)


def read_on(folder: Path, table: Table, before: Grown | None = None) -> Grown:
    """Read a journal, from where it was read before if only rows were added.

    Parameters
    ----------
    folder : Path
        The trial folder.
    table : Table
        A table with `journal=True`, own columns added.
    before : Grown, optional
        What the last call gave.

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
    try:
        data = path.read_bytes()
    except OSError:
        return Grown(read_journal(folder, table))
    if torn_path(path).exists() or not data.endswith(b"\n"):
        return Grown(read_journal(folder, table))
    longer = _added(data, table, before) if before is not None else None
    if longer is not None:
        return longer
    journal = resolve(data, table)
    if journal.problems:
        return Grown(journal)
    ids = {row["entry_id"] for row in journal.history}
    return Grown(journal, len(data), blake2b(data).digest(), data.count(b"\n"), ids)


def _added(data: bytes, table: Table, before: Grown) -> Grown | None:
    """Put new rows behind the known ones; None where the file did more than grow by rows."""
    size = before.size
    if not 0 < size <= len(data):
        return None
    seen = blake2b(memoryview(data)[:size])
    if seen.digest() != before.digest:
        return None
    if size == len(data):
        return before
    old = before.journal
    end = data.index(b"\n") + 1
    more = resolve(data[:end] + data[size:], table)
    plain = all(r["action"] == "add" and r["entry_id"] not in before.ids for r in more.history)
    if more.problems or not plain:
        return None
    rows = [{**row, "_row": row["_row"] + before.lines - 1} for row in more.history]
    journal = Journal(table, [*old.rows, *rows], [*old.history, *rows])
    seen.update(memoryview(data)[size:])
    before.ids.update(row["entry_id"] for row in rows)
    lines = before.lines + data.count(b"\n", size)
    return Grown(journal, len(data), seen.digest(), lines, before.ids)
