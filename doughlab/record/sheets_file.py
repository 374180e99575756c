"""The file of a sheet: opened, and known by its hidden ids as one of this trial and plan.

`sheets_read` reads the cells of what is opened here. What is of another trial or plan, or whose
hidden ids were changed, is refused whole.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any
from xml.etree.ElementTree import ParseError

from doughlab.errors import InputError
from doughlab.plan.lock import checksum
from doughlab.record.folder import TrialFolder
from doughlab.record.sheets_book import FORMAT, IDS, list_ids, neutral
from doughlab.record.sheets_day import PARTS, Line, Part, Sheet, list_fields, need_plan, plan_mark

MOST_BYTES = 20_000_000
MOST_UNPACKED = 12_000_000  # ours have 0.2; a spreadsheet that saves them again writes up to 2
MOST_CELLS = 150_000  # ours have some hundreds
MOST_ROWS = 4000
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\b")
_CELLS = re.compile(rb"<(?:\w+:)?(?:c|row|si|xf|col)[ />]")
_BROKEN = (zipfile.BadZipFile, zlib.error, ParseError, LookupError, ValueError, TypeError,
           AttributeError, ArithmeticError, RuntimeError, OSError, EOFError)  # fmt: skip


def open_book(data: bytes, name: str) -> Any:
    """Open a workbook; what cannot be opened is a sentence."""
    from openpyxl import load_workbook

    if len(data) > MOST_BYTES:
        raise InputError(
            f"{name} has {len(data) / 1e6:.0f} MB; a sheet of ours has less than 1. Look whether "
            "it is the right file."
        )
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(i.file_size for i in packed.infolist())
            if unpacked > MOST_UNPACKED:
                raise InputError(
                    f"{name} unpacks to {unpacked / 1e6:.0f} MB; that is no sheet of ours. Look "
                    "whether it is the right file."
                )
            _refuse_bombs(packed, name)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl tells of things that it does not keep
            return load_workbook(io.BytesIO(data), data_only=False)
    except InputError:
        raise
    except _BROKEN:
        raise InputError(
            f"{name} cannot be opened as .xlsx: it is another kind of file, damaged, or has a "
            "password. Save it as .xlsx (Excel workbook) without a password, then read it again."
        ) from None


def _refuse_bombs(packed: zipfile.ZipFile, name: str) -> None:
    """Refuse what would keep the reader busy for minutes, before any cell is made of it.

    Merged cells are made one by one, though a merge is a few letters; ours have none.
    """
    cells = 0
    for part in packed.namelist():
        if not part.endswith(".xml") or not part.startswith("xl/"):
            continue
        text = packed.read(part)
        if b"\x00" in text:  # UTF-16, in which the signs below would be overlooked
            raise InputError(
                f"{name} is written in letters that we do not read (UTF-16). Save it as .xlsx "
                "(Excel workbook), then read it again."
            )
        if _MERGED.search(text):
            raise InputError(
                f"{name} has merged cells; sheets of ours have none. Take the merge away (Merge "
                "cells, once more), or make the sheet again and copy the values over: doughlab "
                "sheets FOLDER"
            )
        cells += len(_CELLS.findall(text))
    if cells > MOST_CELLS:
        raise InputError(
            f"{name} holds {cells:,} cells; a sheet of ours has some hundreds. Look whether it is "
            "the right file, or delete what stands below and beside the rows."
        )


def identify(book: Any, contents: TrialFolder, name: str) -> Sheet:
    """Say what the file is by its hidden ids; refuse what is not of this trial and plan."""
    rows = _id_rows(book, name)
    facts = {a: b for a, b, _ in rows[:7]}
    settings, plan = contents.settings, need_plan(contents)
    if facts.get("doughlab sheet") != FORMAT:
        raise InputError(
            f"{name} is no sheet that this version of doughlab reads. Make a new one: "
            "doughlab sheets FOLDER"
        )
    again = "Make the sheet again and copy the values over: doughlab sheets FOLDER"
    props = {p.name: p.value for p in book.custom_doc_props.props}
    for what, key, own in (
        ("trial_code", "trial", settings.code), ("plan_checksum", "plan", facts.get("plan", ""))
    ):  # fmt: skip
        if facts.get(key) != own or props.get(what, own) != own:
            theirs = facts.get(key) if facts.get(key) != own else props[what]
            if what == "trial_code":
                raise InputError(
                    f"{name} is a sheet of the trial {str(theirs)[:20]}; this folder holds "
                    f"{own}. Name the right folder, or the right file."
                )
            raise InputError(f"{name}: its plan checksum was changed. Nothing was read. {again}")
    if rows[-1][:2] != ("seal", checksum([list(r) for r in rows[:-1]])):
        raise InputError(f"{name}: the hidden sheet '{IDS}' was changed. Nothing was read. {again}")
    sheet = _rebuild(facts, rows[7:-1], contents)
    if sheet is None or list_ids(sheet) != rows:
        raise InputError(f"{name}: the hidden sheet '{IDS}' was changed. Nothing was read. {again}")
    items = [line.item for p in sheet.parts for line in p.lines]
    if sheet.kind == "scores":
        items = [str(b["ball_id"]) for b in plan.balls if b["session"] == sheet.session]
    if plan_mark(plan, items) != sheet.mark:
        raise InputError(
            f"{name} was made for another plan of {settings.code}: its batches or balls stand "
            f"otherwise in plan/. Nothing was read. {again}"
        )
    return sheet


def _id_rows(book: Any, name: str) -> list[tuple[str, str, str]]:
    if IDS not in book.sheetnames or not hasattr(book[IDS], "iter_rows"):
        raise InputError(
            f"{name} has no hidden sheet '{IDS}', so it is no sheet of doughlab, or that sheet was "
            "deleted. Make a new one: doughlab sheets FOLDER"
        )
    page = book[IDS]
    rows = []
    for row in page.iter_rows(max_row=min(page.max_row, MOST_ROWS), max_col=3, values_only=True):
        texts = tuple("" if v is None else str(v) for v in (*row, None, None)[:3])
        if any(texts):
            rows.append((texts[0], texts[1], texts[2]))
    return rows or [("", "", "")]


def _rebuild(
    facts: Mapping[str, str], rows: Sequence[tuple[str, str, str]], contents: TrialFolder
) -> Sheet | None:
    """Make the sheet again from its hidden ids; None where they say nothing that could be."""
    settings = contents.settings
    try:
        day = date.fromisoformat(facts.get("day", ""))
    except ValueError:
        return None
    lines: dict[str, list[Line]] = {}
    for title, key, item in rows:
        if title not in PARTS:
            return None
        lines.setdefault(title, []).append(Line(_plain(key), _plain(item)))
    asked = contents.has_preferment
    parts = tuple(
        Part(t, list_fields(settings, t, preferment=asked), tuple(own)) for t, own in lines.items()
    )
    mark, judge, session = (_plain(facts.get(k, "")) for k in ("plan", "judge", "session"))
    kind, code = facts.get("kind", ""), settings.code
    sheet = Sheet(kind, code, settings.name, day, mark, parts, judge, session)
    scores = sheet.kind == "scores"
    if scores and (
        sheet.judge not in settings.panel.judges
        or (contents.plan is not None and sheet.session not in contents.plan.sessions)
    ):
        return None
    return sheet if scores or sheet.kind == "bench" else None


def _plain(text: str) -> str:
    """Undo `neutral`.

    Examples
    --------
    >>> _plain("'=x"), _plain("'n")
    ('=x', "'n")
    """
    return text[1:] if text[:1] == "'" and neutral(text[1:]) == text else text


def is_filled(data: bytes) -> bool:
    """Tell whether anything stands in the cells to fill in; a file that cannot be read counts."""
    try:
        book = open_book(data, "")
    except InputError:
        return True
    pages = [p for p in book.worksheets if p.title != IDS]
    return not pages or any(
        c.value is not None and not c.protection.locked
        for p in pages for row in p.iter_rows(max_row=min(p.max_row, MOST_ROWS)) for c in row
    )  # fmt: skip
