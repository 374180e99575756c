"""The workbook: a sheet of a day as .xlsx, with lists, limits, locked cells and hidden ids.

`commands/sheets` writes what comes from here. Limits and locks help the hand that types; they
protect nothing: `sheets_read` checks every cell again.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from copy import copy
from datetime import datetime
from typing import Any

from doughlab.plan.lock import checksum
from doughlab.record.sheets_day import AT, Part, Sheet

Json = dict[str, Any]

IDS = "ids"
FORMAT = "1"
HEAD_ROW = 4
FIRST_LINE = HEAD_ROW + 1
LIST_COLUMN = 6
LETTERS = "Arial"
NUMBER_STEPS = {"ph": "0.00", "temp_c": "0.0", "score": "0.0"}
_STARTS = ("=", "+", "-", "@", "\t", "\r")
_LONG_AGO = datetime(2000, 1, 1)
HINTS = {
    "bench": "Fill the white cells only. Times like 14:10, numbers with point or comma as your "
             "program has them. Nothing measured: leave the cell empty.",
    "scores": "Fill the white cells only, in this order. Time when you tasted, like 14:10. A blank "
              "counts as missing, never as 0.",
}  # fmt: skip
_CAUTIONS = {
    "bench": "Trial, not for sale. Contains {contains}. Raw dough is not eaten. A pierced ball is "
             "thrown away, never baked. Local code and licensed people decide on food safety.",
    "scores": "Trial, not for sale. Contains {contains}: tell us of allergies before you taste. "
              "Tasting is your choice; you may stop at any time.",
}  # fmt: skip
GUIDE = "How to score"


def caution(sheet: Sheet) -> str:
    """Give the caution of a sheet, with the allergens of [panel].

    Examples
    --------
    >>> from datetime import date
    >>> sheet = Sheet("scores", "DE", "Demo", date(2026, 3, 5), "", (), contains="wheat, soya")
    >>> caution(sheet)[:43]
    'Trial, not for sale. Contains wheat, soya: '
    """
    return _CAUTIONS[sheet.kind].format(contains=sheet.contains)


def neutral(text: str) -> str:
    """Write a text so that no spreadsheet takes it for a formula.

    Examples
    --------
    >>> neutral("=1+1"), neutral("-5 degrees"), neutral("shelf 1")
    ("'=1+1", "'-5 degrees", 'shelf 1')
    """
    return f"'{text}" if text.startswith(_STARTS) else text


def list_ids(sheet: Sheet) -> list[tuple[str, str, str]]:
    """List the hidden ids: what the file is, then one row for each line; the seal is last."""
    rows = [
        ("doughlab sheet", FORMAT, ""), ("kind", sheet.kind, ""), ("trial", sheet.code, ""),
        ("day", sheet.day.isoformat(), ""), ("plan", sheet.mark, ""),
        ("judge", sheet.judge, ""), ("session", sheet.session, ""),
    ]  # fmt: skip
    rows += [(p.title, line.key, line.item) for p in sheet.parts for line in p.lines]
    rows = [(neutral(a), neutral(b), neutral(c)) for a, b, c in rows]
    return [*rows, ("seal", checksum([list(r) for r in rows]), "")]


def build_book(sheet: Sheet, *, paper: str = "a4") -> bytes:
    """Build the workbook of a sheet; the same sheet gives the same bytes.

    Parameters
    ----------
    sheet : Sheet
    paper : str
        "a4" or "letter".

    Returns
    -------
    bytes
        An .xlsx file.
    """
    from openpyxl import Workbook
    from openpyxl.packaging.custom import StringProperty

    book = Workbook()
    book.remove(book.active)
    ids = book.create_sheet(IDS)
    ids.sheet_state = "hidden"
    for row in list_ids(sheet):
        ids.append(row)
    lists = 0
    for part in sheet.parts:
        page = book.create_sheet(part.title)
        _lay_page(page, sheet, part, paper)
        for i, field in enumerate(part.fields):
            column = len(part.heads) + 1 + i
            if field.get("choices"):
                lists += 1
                _put_list(ids, lists, field)
            _limit(page, field, column, len(part.lines), lists)
    if sheet.guide:
        _lay_guide(book.create_sheet(GUIDE), sheet, paper)
    ids.protection.sheet = True
    book.move_sheet(ids, len(book.sheetnames) - 1)
    book.active = 0
    for name, value in (("trial_code", sheet.code), ("plan_checksum", sheet.mark)):
        book.custom_doc_props.append(StringProperty(name=name, value=value))
    book.properties.creator = "doughlab"
    book.properties.title = sheet.title
    book.properties.created = _LONG_AGO
    buffer = io.BytesIO()
    book.save(buffer)
    return _without_clock(buffer.getvalue())


def _lay_page(page: Any, sheet: Sheet, part: Part, paper: str) -> None:
    """Write title, hints, header and rows of one worksheet."""
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    looks = _Looks(page)
    _put(page, 1, 1, f"{part.title}   {sheet.title}").font = Font(name=LETTERS, size=16, bold=True)
    _put(page, 2, 1, HINTS[sheet.kind]).font = Font(name=LETTERS, size=11)
    _put(page, 3, 1, caution(sheet)).font = Font(name=LETTERS, size=11)
    heads = [*part.heads, *(str(f["label"]) for f in part.fields)]
    for column, text in enumerate(heads, start=1):
        looks.dress(_put(page, HEAD_ROW, column, text), "head")
    for number, line in enumerate(part.lines, start=FIRST_LINE):
        for column, text in enumerate(part.cells(line), start=1):
            looks.dress(_put(page, number, column, text), "fixed")
        for i, field in enumerate(part.fields):
            looks.dress(page.cell(number, len(part.heads) + 1 + i), _format(field))
        page.row_dimensions[number].height = 62 if part.action == "mix" else 30
    for column, width in enumerate(_widths(part), start=1):
        page.column_dimensions[get_column_letter(column)].width = width
    page.row_dimensions[HEAD_ROW].height = 48
    page.freeze_panes = page.cell(FIRST_LINE, len(part.heads) + 1)
    page.protection.sheet = True
    page.protection.formatColumns = page.protection.formatRows = False
    _set_print(page, sheet, paper)


def _lay_guide(page: Any, sheet: Sheet, paper: str) -> None:
    """Write what a judge is told and what the points mean; nothing of it is read back."""
    from openpyxl.styles import Alignment, Font

    for row, text in enumerate((sheet.title, *sheet.guide), start=1):
        cell = _put(page, row, 1, text)
        cell.font = Font(name=LETTERS, size=16 if row == 1 else 14, bold=row == 1)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    page.column_dimensions["A"].width = 100
    page.protection.sheet = True
    _set_print(page, sheet, paper)
    page.print_title_rows = None


class _Looks:
    """The looks of the cells of one worksheet, each worked out once: openpyxl is slow at it."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.known: dict[str, Any] = {}

    def dress(self, cell: Any, look: str) -> None:
        """Give a cell its look: "head", "fixed", or the number format of a cell to fill in."""
        if look not in self.known:
            self._work_out(cell, look)
            self.known[look] = cell._style
        cell._style = copy(self.known[look])

    def _work_out(self, cell: Any, look: str) -> None:
        from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

        side = Side(style="thin", color="000000")
        cell.border = Border(side, side, side, side)
        head = look == "head"
        cell.font = Font(name=LETTERS, size=12 if head else 14, bold=head)
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        if look in {"head", "fixed"}:
            cell.fill = PatternFill("solid", fgColor="E6E6E6")
        else:
            cell.protection = Protection(locked=False)
            cell.number_format = look


def _set_print(page: Any, sheet: Sheet, paper: str) -> None:
    page.print_title_rows = f"{HEAD_ROW}:{HEAD_ROW}"
    page.page_setup.orientation = "landscape"
    page.page_setup.paperSize = {"a4": 9, "letter": 1}[paper]
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.oddFooter.left.text = f"{sheet.code}  {sheet.day}"
    page.oddFooter.right.text = "&P/&N"


def _put(page: Any, row: int, column: int, text: str) -> Any:
    """Write a text that stays a text."""
    cell = page.cell(row, column)
    cell.value = neutral(text)
    cell.data_type = "s"
    return cell


def _format(field: Json) -> str:
    if field["kind"] == "time":
        return "hh:mm"
    if field["kind"] == "number":
        return NUMBER_STEPS.get(str(field.get("unit")), "General")
    return "@"


def _widths(part: Part) -> Iterator[float]:
    fixed = {"Row": 21, "Due": 8, "Place": 20, "What to do": 42}
    for head in part.heads:
        yield fixed.get(head, 14)
    for field in part.fields:
        wide = field["kind"] == "text" and not field.get("choices")
        yield 34 if field["name"] == "note" else 18 if wide else 13


def _put_list(ids: Any, number: int, field: Json) -> None:
    """Write the choices of a field beside the hidden ids."""
    column = LIST_COLUMN + number - 1
    for row, text in enumerate(field["choices"], start=1):
        cell = ids.cell(row, column)
        cell.value = neutral(str(text))
        cell.data_type = "s"


def _limit(page: Any, field: Json, column: int, lines: int, number: int) -> None:
    """Add the list or the limits of a column of cells."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    letter = get_column_letter(column)
    choices = field.get("choices")
    if choices:
        source = get_column_letter(LIST_COLUMN + number - 1)
        rule = DataValidation(
            type="list", formula1=f"{IDS}!${source}$1:${source}${len(choices)}",
            errorStyle="stop" if field["strict"] else "warning",
        )  # fmt: skip
        rule.error = "Take one of the list."
    elif field["kind"] == "number":
        low, high = _ends(field)
        rule = DataValidation(type="decimal", operator="between", formula1=low, formula2=high)
        rule.error = f"A number from {low} to {high}, please. Look at the decimal sign."
    elif field["name"] == AT or field["kind"] == "time":
        rule = DataValidation(type="time", operator="between", formula1="0", formula2="0.999989",
                              errorStyle="warning")  # fmt: skip
        rule.error = "A time of the day like 14:10, please."
    else:
        return
    rule.errorTitle = str(field["label"])[:32]
    rule.showErrorMessage, rule.allow_blank = True, True
    rule.add(f"{letter}{FIRST_LINE}:{letter}{FIRST_LINE + lines - 1}")
    page.add_data_validation(rule)


def _ends(field: Json) -> tuple[str, str]:
    low, high = field.get("low"), field.get("high")
    return f"{-1e6 if low is None else low:.10g}", f"{1e6 if high is None else high:.10g}"


def _without_clock(data: bytes) -> bytes:
    """Set every time in the file to one fixed time, so that the same sheet gives the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                stamp = f"{_LONG_AGO:%Y-%m-%dT%H:%M:%SZ}".encode()
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, content)
            info = zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, content)
    return out.getvalue()
