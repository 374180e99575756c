"""Cells: what each kind of column takes, refuses and writes."""

from datetime import datetime

import pytest

from doughlab.cells import Column
from doughlab.errors import InputError, UnknownName

PH = Column("ph", "number", "pH", unit="ph", low=2.5, high=9)
TEMP = Column("water_temp_c", "number", "Mixing water", unit="temp_c", low=0, high=50)
COUNT = Column("order", "integer", "Order", low=1, high=500)
AT = Column("at", "datetime", "At", required=True)
NAME = Column("lot_id", "id", "Lot", required=True)
NOTE = Column("note", "text", "Note")
STEP = Column("step", "choice", "Step", allowed=("mix", "read"))


@pytest.mark.parametrize(
    ("column", "text", "value"),
    [
        (PH, "5.62", 5.62),
        (PH, " 5,62 ", 5.62),
        (PH, "", None),
        (PH, "2.5", 2.5),
        (PH, "9", 9.0),
        (TEMP, "59 F", 15.0),
        (TEMP, "16,5 °C", 16.5),
        (TEMP, "1.5e1", 15.0),
        (COUNT, "12", 12),
        (COUNT, "12.0", 12),
        (AT, "2026-03-05T14:10+01:00", datetime.fromisoformat("2026-03-05T14:10+01:00")),
        (AT, "2026-03-05 14:10:30Z", datetime.fromisoformat("2026-03-05T14:10:30+00:00")),
        (NAME, "B07-3", "B07-3"),
        (NAME, "reverse osmosis", "reverse osmosis"),
        (NOTE, " sticky, wet ", "sticky, wet"),
        (STEP, "mix", "mix"),
    ],
)
def test_a_cell_is_read(column, text, value):
    assert column.read(text) == value


@pytest.mark.parametrize(
    ("column", "text", "message"),
    [
        (PH, "56.2", "ph 56.2 lies outside 2.5 to 9. A decimal point may be missing (5.62)."),
        (PH, "2.49", "ph 2.49 lies outside 2.5 to 9."),
        (PH, "1e400", "ph '1e400' is too large for a number. Type it again."),
        (TEMP, "59", "water_temp_c 59 lies outside 0 to 50 °C. 59 looks like Fahrenheit; in "
                     "Celsius that is 15.0. Type 59 F if that is meant."),
        (COUNT, "1.5", "order 1.5 is not a whole number."),
        (AT, "", "at is empty. Enter at."),
        (AT, "14:10", "at '14:10' is not a time. Write date, time and offset like "
                      "2026-03-05T14:10+01:00."),
        (AT, "2026-03-05T14:10", "at '2026-03-05T14:10' has no offset from UTC. Write date, time "
                                 "and offset like 2026-03-05T14:10+01:00."),
        (AT, "1926-03-05T14:10Z", "at '1926-03-05T14:10Z' lies in the year 1926. Write date, time "
                                  "and offset like 2026-03-05T14:10+01:00."),
        (NAME, "a;b", "lot_id 'a;b' is not a name: use up to 64 letters, digits, space and "
                      "- . : + / _"),
        (NAME, "a\x07", "lot_id 'a?' is not a name: use up to 64 letters, digits, space and "
                        "- . : + / _"),
        (NAME, "..", "lot_id '..' is not a name: use up to 64 letters, digits, space and "
                     "- . : + / _"),
        (NOTE, "a\nb", "note holds a character that cannot be printed (U+000A), a line break or a "
                       "damaged letter. Type it again, in one line."),
        (NOTE, "k\ufffdhl", "note holds a character that cannot be printed (U+FFFD), a line break "
                            "or a damaged letter. Type it again, in one line."),
        (NOTE, "x" * 2001, "note has 2001 letters; at most 2000 fit. Shorten it."),
        (STEP, "mixx", "step 'mixx' is not known. Did you mean 'mix'? Known: mix, read."),
    ],
)  # fmt: skip
def test_a_cell_is_refused_with_the_whole_sentence(column, text, message):
    with pytest.raises(InputError) as caught:
        column.read(text)
    assert str(caught.value) == message


@pytest.mark.parametrize("text", ["nan", "inf", "1_0", "0x10", "٣٤x", "5.4.1", "- 5", "4-5", "5/4"])
def test_what_only_looks_like_a_number_is_refused(text):
    with pytest.raises(InputError):
        PH.read(text)


def test_an_unknown_choice_keeps_its_facts():
    with pytest.raises(UnknownName) as caught:
        STEP.read("bake")
    assert (caught.value.name, caught.value.known) == ("bake", ("mix", "read"))


@pytest.mark.parametrize(
    ("column", "value", "text"),
    [
        (PH, 5.4, "5.4"),
        (PH, 5.0, "5"),
        (PH, None, ""),
        (PH, float("nan"), ""),
        (TEMP, 12.2222, "12.2222"),
        (AT, datetime.fromisoformat("2026-03-05T14:10+01:00"), "2026-03-05T14:10+01:00"),
        (AT, datetime.fromisoformat("2026-03-05T14:10:07+01:00"), "2026-03-05T14:10:07+01:00"),
        (COUNT, 3, "3"),
        (NOTE, "x, y", "x, y"),
    ],
)
def test_a_value_is_written_and_read_back(column, value, text):
    assert column.write(value) == text
    if text:
        assert column.read(text) == value


@pytest.mark.parametrize("column", [PH, AT, NAME, NOTE, STEP, COUNT, TEMP])
def test_a_whole_column_reads_as_its_cells_do(column):
    good = {"ph": ["5.4", "5,5"], "at": ["2026-03-05T14:10+01:00", "2026-03-06T14:10Z"],
            "lot_id": ["F1", "F 2"], "note": ["a", ""], "step": ["mix", "read"],
            "order": ["1", "2"], "water_temp_c": ["15", "59 F"]}[column.name]  # fmt: skip
    for texts in (good, good * 200, [*good * 200, *(f"{good[0]}" for _ in range(3))]):
        assert column.read_many(texts) == [column.read(t) for t in texts]
    bad = {"note": "a\x00"}.get(column.name, "?!")
    assert column.read_many([*good * 200, bad]) is None


def test_long_columns_of_different_texts_read_as_their_cells_do():
    times = [f"2026-03-{d:02d}T{h:02d}:00+01:00" for d in range(1, 29) for h in range(24)]
    assert AT.read_many(times) == [AT.read(t) for t in times]
    assert AT.read_many([*times, "2026-03-05T14:10"]) is None
    assert AT.read_many([*times, "1926-03-05T14:10Z"]) is None
    ids = [f"e-{i}" for i in range(500)]
    assert NAME.read_many(ids) == ids
    assert NAME.read_many([*ids, " x "])[-1] == "x"
    assert NAME.read_many([*ids, ""]) is None
    assert NAME.read_many([*ids, "a\nb"]) is None
