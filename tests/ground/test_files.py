"""Files: a CSV read against its columns, written, linked and described."""

import json
import time

import pytest

from doughlab.cells import Column
from doughlab.files import (
    Rows,
    build_descriptor,
    check_links,
    parse_rows,
    read_header,
    read_rows,
    say_unopened,
    write_csv,
)
from doughlab.tables import TABLES, Table, table

SMALL = Table("small", "small.csv", "Small", (
    Column("name", "id", "Name", required=True, unique=True),
    Column("ph", "number", "pH", unit="ph", low=2.5, high=9),
    Column("note", "text", "Note"),
))  # fmt: skip


def said(text, t=SMALL):
    return [str(p) for p in parse_rows(text, t).problems]


def test_rows_carry_their_line_number():
    found = parse_rows("name,ph,note\na,5,x\n\n,,\nb,6,\n", SMALL)
    assert found.rows == [
        {"name": "a", "ph": 5.0, "note": "x", "_row": 2},
        {"name": "b", "ph": 6.0, "note": None, "_row": 5},
    ]
    assert (found.problems, found.header) == ([], ("name", "ph", "note"))


@pytest.mark.parametrize("text", ["", "\ufeff", "name,ph,note", "name,ph,note\r\n"])
def test_an_empty_file_has_no_rows_and_no_problem(text):
    assert parse_rows(text, SMALL).rows == []
    assert said(text) == []


@pytest.mark.parametrize("eol", ["\n", "\r\n"])
@pytest.mark.parametrize("end", ["", "eol"])
def test_line_ends_and_a_mark_at_the_beginning_do_not_matter(eol, end):
    text = '\ufeffname,ph,note\na,5,"x, y"\nb,6,z' + ("\n" if end else "")
    found = parse_rows(text.replace("\n", eol).encode(), SMALL)
    assert [(r["name"], r["ph"], r["note"]) for r in found.rows] == [
        ("a", 5, "x, y"),
        ("b", 6, "z"),
    ]
    assert found.problems == []


def test_columns_may_stand_in_any_order_and_be_left_out():
    found = parse_rows("note,name\nx,a\n", SMALL)
    assert found.rows == [{"name": "a", "ph": None, "note": "x", "_row": 2}]


@pytest.mark.parametrize(
    ("text", "sentences"),
    [
        ("nam,ph,note\na,5,\n", [
            "small.csv, row 1, column nam: column 'nam' is not known. Did you mean 'name'? Known: "
            "name, note, ph.",
            "small.csv, row 1, column name: column 'name' (name) is missing."]),
        ("name,ph,ph\na,5,6\n", ["small.csv, row 1, column ph: column 'ph' stands twice."]),
        ("name;ph;note\na;5;x\n", [
            "small.csv, row 1: the columns are not set apart by commas. Save it as CSV with "
            "commas."]),
        ("name,ph,note\na,5\n", [
            "small.csv, row 2: has 2 cells, the header has 3. A comma inside a text needs "
            "quotation marks around the text."]),
        ('name,ph,note\na,5,"x\nb,6,y\n', [
            "small.csv, row 2: cannot be read: the quotation marks do not pair up. A text with a "
            "comma stands in quotation marks, and no text holds a line break."]),
        ("name,ph,note\na,5,x\na,6,y\n", [
            "small.csv, row 3, column name: name 'a' stands already in row 2. Give it once."]),
        ("name,ph,note\n,56.2,x\n", [
            "small.csv, row 2, column name: name is empty. Enter name.",
            "small.csv, row 2, column ph: ph 56.2 lies outside 2.5 to 9. A decimal point may be "
            "missing (5.62)."]),
    ],
)  # fmt: skip
def test_every_problem_is_said_with_its_place(text, sentences):
    assert said(text) == sentences


def test_a_bad_cell_is_empty_and_its_row_known():
    found = parse_rows("name,ph,note\na,lots,x\nb,6,y\n", SMALL)
    assert [r["ph"] for r in found.rows] == [None, 6.0]
    assert found.bad_rows == {2}


def test_a_file_that_cannot_be_opened_is_a_problem(tmp_path):
    (tmp_path / "small.csv").mkdir()
    assert [str(p) for p in read_rows(tmp_path, SMALL).problems] == [
        "small.csv: is a folder. Move it away: a file of that name belongs here."
    ]
    assert read_header(tmp_path, SMALL) == ()
    locked = say_unopened(PermissionError(13, "Permission denied"))
    assert locked == "cannot be opened (Permission denied). Look at its rights, then try again."


def test_a_missing_file_is_no_problem(tmp_path):
    assert read_rows(tmp_path, SMALL) == Rows()
    assert read_header(tmp_path, SMALL) == ()


def test_what_is_written_is_read_back():
    rows = [
        {"name": "a", "ph": 5.41, "note": 'say "x", y'},
        {"name": "b", "ph": None, "note": None},
    ]
    text = write_csv(SMALL, rows)
    assert text == 'name,ph,note\na,5.41,"say ""x"", y"\nb,,\n'
    found = parse_rows(text, SMALL)
    assert [{k: r[k] for k in SMALL.names} for r in found.rows] == rows


def test_a_value_that_points_to_nothing_is_named():
    lots, mixes = table("lots"), table("waters")
    rows = {"lots": Rows([{"lot_id": "T1", "water_id": "tpa", "_row": 7}]),
            "waters": Rows([{"water_id": "tap", "_row": 2}])}  # fmt: skip
    found = check_links(rows, {"lots": lots, "waters": mixes})
    assert [str(p) for p in found] == [
        "record/lots.csv, row 7, column water_id: water_id 'tpa' is not in waters.csv. Did you "
        "mean 'tap'? Known: tap."
    ]


def test_a_journal_repeats_ids_in_corrections_only_its_entries_stand_once():
    described = {r["name"]: r for r in build_descriptor("x", TABLES.values())["resources"]}
    fields = {f["name"]: f for f in described["lots"]["schema"]["fields"]}
    assert described["lots"]["schema"]["primaryKey"] == ["entry_id"]
    assert fields["entry_id"]["constraints"]["unique"] is True
    assert "unique" not in fields["lot_id"]["constraints"]
    assert fields["ph"]["constraints"] == {"minimum": 2.5, "maximum": 11}
    assert described["waters"]["schema"]["primaryKey"] == ["water_id"]


def test_the_descriptor_names_the_package_for_machines():
    package = build_descriptor("Lantern Quay: which water?", [SMALL])
    assert package["name"] == "lantern-quay-which-water"
    assert json.loads(json.dumps(package)) == package


def test_ten_thousand_rows_are_read_at_once():
    lines = [f"n{i},{5 + i % 40 / 100:.2f},note {i % 7}" for i in range(10_000)]
    start = time.process_time()
    found = parse_rows("\n".join(["name,ph,note", *lines]) + "\n", SMALL)
    assert len(found.rows) == 10_000
    assert time.process_time() - start < 2.0
