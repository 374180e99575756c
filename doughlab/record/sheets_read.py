"""Sheets read back: a filled .xlsx, cell by cell, every doubt with its sheet, row and column.

`commands/sheets` hands over the bytes; `sheets_keep` stores what comes out. A file of another
trial or plan, or one whose rows or columns were moved about, is refused whole.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from doughlab.errors import InputError, Problem, listed
from doughlab.record.clock import parse_when
from doughlab.record.folder import TrialFolder
from doughlab.record.sheets_book import GUIDE, IDS, neutral
from doughlab.record.sheets_cells import cell_text
from doughlab.record.sheets_day import AT, PARTS, Line, Part, Sheet
from doughlab.record.sheets_file import MOST_ROWS, identify, open_book

Json = dict[str, Any]

MOST_BESIDE = 20
HEADER_WITHIN = 15
# readings take the calibration before them, a bake the take-out
STORED_IN_ORDER = ("Buffers", "Temperature", "Preferment", "Mix", "Take out", "Read", "Bake",
                   "Scores", "Notes")  # fmt: skip
_TIME_WORDS = re.compile(r"[0-9]{1,2}[:.h][0-9]{2}|[0-9]{4}-[0-9]{2}-[0-9]{2}")


@dataclass(frozen=True)
class Filled:
    """One row that somebody filled in.

    Attributes
    ----------
    part : Part
    line : Line
    values : dict of str to str
        By field, as text; times as ISO 8601 with offset. Empty cells are left out.
    where : str
        File and worksheet, for messages.
    row : int
        As the program shows it.
    """

    part: Part
    line: Line
    values: dict[str, str]
    where: str
    row: int

    def column(self, name: str) -> str:
        """Name the column of a field as the program shows it."""
        names = [str(f["name"]) for f in self.part.fields]
        if name not in names:
            return ""
        return column_words(self.part, len(self.part.heads) + names.index(name))


@dataclass(frozen=True)
class Read:
    """What was read from a file.

    Attributes
    ----------
    sheet : Sheet
        What the file is.
    rows : list of Filled
        Rows without a fault, in the order in which they are stored.
    problems : list of Problem
        Level "error": the row was not taken; "note": look at it.
    blank : int
        Rows that nobody filled in.
    """

    sheet: Sheet
    rows: list[Filled] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    blank: int = 0


def column_words(part: Part, index: int) -> str:
    """Name a column by its letter and its label.

    Examples
    --------
    >>> column_words(Part("Take out", ({"name": "at", "label": "Time"},), ()), 5)
    'F (Time)'
    """
    labels = [*part.heads, *(str(f["label"]) for f in part.fields)]
    letter = chr(65 + index) if index < 26 else f"{chr(64 + index // 26)}{chr(65 + index % 26)}"
    return f"{letter} ({labels[index]})" if index < len(labels) else letter


def read_book(data: bytes, contents: TrialFolder, *, name: str = "sheet.xlsx") -> Read:
    """Read a filled workbook; nothing is stored.

    Parameters
    ----------
    data : bytes
        The file.
    contents : TrialFolder
        The trial that it is to belong to.
    name : str
        Of the file, for messages.

    Returns
    -------
    Read

    Raises
    ------
    InputError
        Where the file is no sheet of this trial and plan, or what it is was changed; then no row
        of it is used.
    """
    return read_opened(open_book(data, name), contents, name=name)


def read_opened(book: Any, contents: TrialFolder, *, name: str = "sheet.xlsx") -> Read:
    """Read a workbook that openpyxl has opened; see `read_book`."""
    sheet = identify(book, contents, name)
    found = Read(sheet)
    seen: list[str] = []
    met: set[str] = set()
    whole: list[tuple[Part, str]] = []
    blank = 0
    for page in book.worksheets:
        if page.title in {IDS, GUIDE}:
            continue
        where = f"{name}, sheet {page.title}"
        grid = _grid(page, sheet, where, found.problems)
        part, head = _find_part(page.title, grid, sheet, where, found.problems)
        if part is None:
            continue
        met.add(part.title)
        reader = _Page(grid[head:], part, sheet, contents, where, seen)
        if reader.check_header(grid[head - 1], found.problems):
            blank += reader.read(found)
            whole.append((part, where))
    for part, where in whole:
        gone = [line.key for line in part.lines if neutral(line.key) not in seen]
        if gone:
            words = f"these rows are gone, and nothing was read of them: {listed(gone, shown=8)}."
            found.problems.append(Problem(where, words, level="note"))
    for part in sheet.parts:
        if part.title not in met:
            words = "is not in the file, so nothing was read from it."
            found.problems.append(Problem(f"{name}, sheet {part.title}", words, level="note"))
    order = {title: i for i, title in enumerate(STORED_IN_ORDER)}
    counts = Counter(seen)
    rows = [r for r in found.rows if counts[neutral(r.line.key)] == 1]
    rows = sorted(rows, key=lambda r: order[r.part.title])
    return replace(found, rows=rows, blank=blank)


def _grid(page: Any, sheet: Sheet, where: str, problems: list[Problem]) -> list[tuple[Any, ...]]:
    """Take the cells of a worksheet, row by row; what stands far away is said, not read."""
    wide = max(len(p.heads) + len(p.fields) for p in sheet.parts) + 3
    last, across = page.max_row, page.max_column
    if last > MOST_ROWS:
        words = (
            f"has {last} rows; nothing below row {MOST_ROWS} was read. Delete what stands there."
        )
        problems.append(Problem(where, words))
    if across > wide + MOST_BESIDE:
        words = (
            f"something stands far to the right, in column number {across}; it was not read. "
            "Delete it, or move it into a cell of the sheet."
        )
        problems.append(Problem(where, words))
    across = min(max(across, wide), wide + MOST_BESIDE)
    return list(page.iter_rows(max_row=min(last, MOST_ROWS), max_col=across))


def _find_part(
    title: str, grid: Sequence[Sequence[Any]], sheet: Sheet, where: str, problems: list[Problem]
) -> tuple[Part | None, int]:
    """Find the header of a worksheet, and by its first known row which part it is."""
    firsts = [_text(row[0]) for row in grid]
    known = {p.title: p for p in sheet.parts}
    if "Row" not in firsts[:HEADER_WITHIN]:
        if title in known:
            words = (
                "the header row, which begins with 'Row', is gone or was changed. Nothing was "
                "read from this sheet. Put it back as it was."
            )
            problems.append(Problem(where, words))
        elif any(c.value is not None for row in grid for c in row):
            words = "is no sheet of ours and was not read."
            problems.append(Problem(where, words, level="note"))
        return None, 0
    head = firsts.index("Row") + 1
    keys = {neutral(line.key): p for p in sheet.parts for line in p.lines}
    named = [keys[t] for t in firsts[head:] if t in keys]
    part = named[0] if named else known.get(title)
    if part is None:
        problems.append(Problem(where, "holds no row of ours and was not read.", level="note"))
    elif part.title != title:
        words = f"was renamed; it is read as {part.title}."
        problems.append(Problem(where, words, level="note"))
    return part, head


def _text(cell: Any) -> str:
    return "" if cell.value is None else str(cell.value).strip()


class _Page:
    """One worksheet while it is read."""

    def __init__(
        self, rows: Sequence[Sequence[Any]], part: Part, sheet: Sheet, contents: TrialFolder,
        where: str, seen: list[str],
    ) -> None:  # fmt: skip
        self.rows, self.part, self.sheet, self.where, self.seen = rows, part, sheet, where, seen
        self.zone = contents.settings.timezone
        self.lines = {neutral(line.key): line for line in part.lines}
        self.wide = len(part.heads) + len(part.fields)

    def check_header(self, cells: Sequence[Any], problems: list[Problem]) -> bool:
        """Compare the header with what it was; a sheet with moved columns is not read."""
        wanted = [*self.part.heads, *(str(f["label"]) for f in self.part.fields)]
        found = [_text(c) for c in cells]
        fine = True
        for i, text in enumerate(found):
            right = neutral(wanted[i]) if i < len(wanted) else ""
            if text == right:
                continue
            fine = False
            was = f"'{right}' stood" if right else "nothing stood"
            words = (
                f"the header reads '{text[:40]}' where {was}. Columns were moved, or the header "
                "was changed; nothing was read from this sheet. Put them back as they were."
            )
            problems.append(Problem(self.where, words, cells[0].row, column_words(self.part, i)))
        return fine

    def read(self, found: Read) -> int:
        """Read every row below the header; give the number of blank ones."""
        blank = 0
        for cells in self.rows:
            if all(c.value is None for c in cells):
                continue
            problems: list[Problem] = []
            filled = self._row(cells, problems)
            found.problems.extend(problems)
            if filled is None:
                blank += not problems
            elif not any(p.level == "error" for p in problems):
                found.rows.append(filled)
        return blank

    def _row(self, cells: Sequence[Any], problems: list[Problem]) -> Filled | None:
        """Read one row; None where nothing is filled in or it is none of ours."""
        number = cells[0].row
        entries = cells[len(self.part.heads) : self.wide]
        typed = any(c.value is not None and _text(c) for c in entries)
        key = _text(cells[0])
        line = self.lines.get(key)

        def wrong(index: int, words: str) -> None:
            problems.append(Problem(self.where, words, number, column_words(self.part, index)))

        if line is None:
            rest = [c for c in cells[1:] if _text(c)]
            if not key and not rest:
                return None
            shown = f"'{key[:40]}' is no row of this sheet" if key else "the row has no name"
            wrong(0, f"{shown}. Put its name back as it was; nothing of it was taken.")
            return None
        if key in self.seen:
            wrong(0, f"'{key}' stands in the file more than once, so none of these rows was taken. "
                     "Keep the right one and delete the others.")  # fmt: skip
        self.seen.append(key)
        self._check_item(cells, line, wrong)
        for i in range(self.wide, len(cells)):
            if _text(cells[i]):
                wrong(i, f"'{_text(cells[i])[:40]}' stands beside the sheet. Move it into a cell "
                         "of the sheet, or delete it.")  # fmt: skip
        if not typed:
            return None
        values = dict(self._values(entries, wrong))
        self._check_time(entries, wrong)
        return Filled(self.part, line, values, self.where, number)

    def _check_item(self, cells: Sequence[Any], line: Line, wrong: Any) -> None:
        """Compare the ball, batch or code of a row with the one that it was made for."""
        item = PARTS[self.part.title][1]
        if not item or item not in self.part.heads:
            return
        index = self.part.heads.index(item)
        found = _text(cells[index])
        if found != neutral(line.item):
            shown = f"'{found[:40]}'" if found else "nothing"
            wrong(index, f"holds {shown}, but row '{line.key}' is about {line.item}. Ids were "
                         "changed or only a part of the sheet was sorted. Nothing of the row was "
                         "taken; put it back.")  # fmt: skip

    def _values(self, entries: Sequence[Any], wrong: Any) -> Iterator[tuple[str, str]]:
        for i, (cell, one) in enumerate(zip(entries, self.part.fields, strict=True)):
            index = len(self.part.heads) + i
            try:
                text = cell_text(cell, one)
                if text and one["kind"] == "time":
                    text = self._when(text, str(one["label"]))
            except InputError as error:
                wrong(index, f"{error} The row was not stored.")
                continue
            if text:
                yield str(one["name"]), text

    def _when(self, text: str, what: str) -> str:
        """Give a time its day and offset; it belongs to the sheet's day or the night after."""
        day = self.sheet.day
        noon = datetime.combine(day, time(12), ZoneInfo(self.zone))
        if not _TIME_WORDS.match(text):
            raise InputError(f"{what} '{text[:40]}' is not a time. Write it like 14:10.")
        at = parse_when(text, timezone=self.zone, now=noon, what=what)
        start = datetime.combine(day, time(), ZoneInfo(self.zone))
        if not start <= at < start + timedelta(hours=36):
            raise InputError(
                f"{what} says {at:%Y-%m-%d %H:%M}, but this sheet is for {day}. Write the hour "
                "alone, like 14:10; what happened after midnight with its date."
            )
        return at.isoformat()

    def _check_time(self, entries: Sequence[Any], wrong: Any) -> None:
        """Ask for the time: a row from paper never gets the one at which it is read."""
        names = [str(f["name"]) for f in self.part.fields]
        if AT in names and not _text(entries[names.index(AT)]):
            words = "is empty, but the row is filled in. When was it? Write it like 14:10."
            wrong(len(self.part.heads) + names.index(AT), words)
