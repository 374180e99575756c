"""Sheets through another program: LibreOffice opens a filled .xlsx and saves it again.

What it saves is read as if it came from openpyxl, and its limits, locks, lists and hidden ids are
still there. `.ci/run` installs it and allows no skip.
"""

import shutil
import subprocess

import pytest

from doughlab.record.folder import read_folder
from doughlab.record.sheets_file import is_filled
from doughlab.record.sheets_keep import keep
from doughlab.record.sheets_read import read_book

from .conftest import rome
from .sheets_hand import NIGHT, bench_bytes, filled, find, header, opened, score_bytes

CELLS = {
    ("take out B03-2", "Time"): "8:15", ("read B03-2", "Time"): "9:45",
    ("read B03-2", "pH, reading 1"): 5.41, ("read B03-2", "pH, reading 2"): "5,43",
    ("bake B03-4", "Time"): "9:50",
    ("bake B03-4", "Dough, before the oven, °C"): 18.5, ("notes 1", "Time"): "10:00",
    ("notes 1", "Ball, batch or trial"): "B03", ("notes 1", "What"): "note",
    ("notes 1", "Note"): "Größe 2 – “stiff”", ("temperature 1", "Time"): "09:00",
    ("temperature 1", "Temperature, °C"): 3.4,
}  # fmt: skip


@pytest.fixture(scope="module")
def saved_again(tmp_path_factory):
    """Files saved again by LibreOffice, by name."""
    if not shutil.which("soffice"):
        pytest.skip("needs LibreOffice Calc; .ci/run installs it and allows no skip")

    def convert(files):
        there, back = tmp_path_factory.mktemp("there"), tmp_path_factory.mktemp("back")
        for name, data in files.items():
            (there / name).write_bytes(data)
        subprocess.run(
            ["soffice", f"-env:UserInstallation=file://{tmp_path_factory.mktemp('profile')}",
             "--headless", "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(back),
             *(str(there / name) for name in files)],
            check=True, capture_output=True, timeout=180,
        )  # fmt: skip
        return {name: (back / name).read_bytes() for name in files}

    return convert


def test_sheets_saved_by_libreoffice_are_read_as_they_were(hand, saved_again):
    hand.mix("B03", "03-03T09:00")
    hand.mix("B04", "03-03T09:45")
    judge = score_bytes(hand.folder, "ada")
    scores = {("place 1", "Time"): "10:05", ("place 1", "crust"): 7, ("place 1", "crumb"): 6.5}
    plain = bench_bytes(hand.folder)
    back = saved_again(
        {"bench.xlsx": filled(plain, CELLS), "ada.xlsx": filled(judge, scores), "plain.xlsx": plain}
    )
    _see_the_limits(opened(back["plain.xlsx"]))
    assert not is_filled(back["plain.xlsx"]) and is_filled(back["bench.xlsx"])
    for name in ("bench.xlsx", "ada.xlsx"):
        contents = read_folder(hand.folder)
        read = read_book(back[name], contents, name=name)
        kept = keep(read, contents, now=NIGHT)
        assert not read.problems and not kept.problems, [*read.problems, *kept.problems]
    records = hand.open().records
    assert [(r["ball_id"], r["ph"], r["read_at"]) for r in records.readings] == [
        ("B03-2", 5.41, rome("03-04T09:45")), ("B03-2", 5.43, rome("03-04T09:45"))
    ]  # fmt: skip
    assert [(b["core_temp_c"], b["baked_at"]) for b in records.bakes] == [
        (18.5, rome("03-04T09:50"))
    ]
    assert records.notes[-1]["note"] == "Größe 2 – “stiff”"
    assert [(t["place"], t["temp_c"]) for t in records.temperatures] == [("cooler", 3.4)]
    assert [(s["criterion"], s["score"]) for s in records.scores] == [("crust", 7), ("crumb", 6.5)]


def _see_the_limits(book):
    page = book["Read"]
    row, columns = header(page)
    assert page.protection.sheet and book["ids"].sheet_state == "hidden"
    assert page.cell(row + 1, columns["Ball"]).protection.locked
    assert not find(book, "read B03-2", "Time").protection.locked
    rules = [(r.type, float(r.formula1), float(r.formula2))
             for r in page.data_validations.dataValidation if r.type == "decimal"]  # fmt: skip
    assert ("decimal", 4.0, 7.0) in rules
    assert [r for r in book["Notes"].data_validations.dataValidation if r.type == "list"]
    assert page.print_title_rows == f"${row}:${row}"
    assert {p.name: p.value for p in book.custom_doc_props.props}["trial_code"] == "TW"
