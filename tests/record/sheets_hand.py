"""A hand that fills in sheets with openpyxl, the way a spreadsheet program leaves them."""

import io

from openpyxl import load_workbook

from doughlab.record.folder import read_folder
from doughlab.record.sheets_book import build_book
from doughlab.record.sheets_day import build_bench, build_scores

from .conftest import rome

DAY = rome("03-04T09:00").date()  # two reads and two bakes of 24 h, two of 48 h of the first day
EVE = rome("03-04T07:00")
NIGHT = rome("03-04T22:00")


def bench_bytes(folder, day=DAY, now=EVE):
    return build_book(build_bench(read_folder(folder), day, now=now))


def score_bytes(folder, judge, session="S02", day=DAY):
    sheets = build_scores(read_folder(folder), day, session)
    return build_book(next(s for s in sheets if s.judge == judge))


def opened(data):
    return load_workbook(io.BytesIO(data))


def packed(book):
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def header(page):
    """Row number of the header and its labels by column."""
    row = next(r for r in range(1, 12) if page.cell(r, 1).value == "Row")
    return row, {page.cell(row, c).value: c for c in range(1, page.max_column + 1)}


def find(book, key, label):
    """The cell of a row's name and a column's label."""
    for page in book.worksheets:
        if page.title in {"ids", "How to score"}:
            continue
        row, columns = header(page)
        for r in range(row + 1, page.max_row + 1):
            if page.cell(r, 1).value == key:
                return page.cell(r, columns[label])
    raise AssertionError(f"no row {key}")


def filled(data, cells):
    """The file with cells filled in: (row's name, column's label) to value."""
    book = opened(data)
    for (key, label), value in cells.items():
        find(book, key, label).value = value
    return packed(book)


READ = {
    ("read B01-2", "Time"): "09:45", ("read B01-2", "pH, reading 1"): 5.41,
    ("read B01-2", "pH, reading 2"): "5,43", ("read B01-2", "pH, reading 3"): 5.4,
    ("read B01-2", "Sample, °C"): 20.5,
}  # fmt: skip
