"""Intake: rows from another CSV file, all of them or none."""

from datetime import datetime

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.record.folder import read_folder
from doughlab.record.intake import read_intake
from doughlab.record.journal import append

from .conftest import rome

NOW = datetime.fromisoformat("2026-03-06T10:00+01:00")
HEAD = "ball_id,read_at,ph,sample_temp_c,method\n"


def take(hand, text, table="readings"):
    path = hand.folder.parent / "old.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    entry = read_intake(read_folder(hand.folder), table, path, now=NOW)
    return append(hand.folder, entry.table, entry.rows, now=NOW), entry


def test_rows_with_units_and_local_times_are_taken(hand):
    hand.mix("B01", "03-02T09:00")
    text = (
        HEAD + 'B01-1,2026-03-04 09:45,"5,41",68 F,slurry\nB01-1,2026-03-04 09:46,5.43,20,slurry\n'
    )
    ids, _ = take(hand, text)
    rows = hand.open().records.readings
    assert [(r["ph"], r["sample_temp_c"]) for r in rows] == [(5.41, 20.0), (5.43, 20.0)]
    assert rows[0]["read_at"] == datetime.fromisoformat("2026-03-04T09:45+01:00")
    assert [r["entry_id"] for r in rows] == ids


def test_the_same_file_twice_stores_nothing_twice(hand):
    hand.mix("B01", "03-02T09:00")
    text = HEAD + "B01-1,2026-03-04 09:45,5.41,,slurry\n" * 2
    first, _ = take(hand, text)
    again, entry = take(hand, text)
    assert (first, len(set(first)), entry.warnings) == (again, 2, [])
    assert len(hand.open().records.history("readings")) == 2
    take(hand, text + "B01-2,2026-03-03 09:45,5.6,,slurry\n")
    assert len(hand.open().records.history("readings")) == 3


def buffers(hand, name, at, instrument="meter"):
    hand.write("calibrations", {"calibration_id": name, "instrument": instrument,
                                "slope_pct": 98.0, "calibrated_at": rome(at)})  # fmt: skip


def test_a_reading_of_a_file_names_the_buffers_before_it_of_its_meter(hand):
    """By hand: buffers at 8:00 on 3, 4 and 5 March; the pen's at 9:00 on 4 March."""
    hand.mix("B01", "03-02T09:00")
    for name, at in (("C03", "03-05T08:00"), ("C01", "03-03T08:00"), ("C02", "03-04T08:00")):
        buffers(hand, name, at)
    buffers(hand, "P01", "03-04T09:00", "pen")
    text = (
        "ball_id,read_at,ph,method,instrument,calibration_id\n"
        "B01-1,2026-03-02 18:00,5.61,slurry,meter,\n"
        "B01-1,2026-03-04 07:59,5.52,slurry,meter,\n"
        "B01-1,2026-03-04 08:00,5.51,slurry,meter,\n"
        "B01-1,2026-03-04 09:45,5.41,slurry,,\n"
        "B01-1,2026-03-04 09:46,5.42,slurry,pen,\n"
        "B01-1,2026-03-04 09:47,5.43,slurry,meter,C01\n"
        "B01-1,2026-03-05 09:45,5.31,slurry,meter,\n"
    )
    first, _ = take(hand, text)
    named = [r["calibration_id"] for r in hand.open().records.readings]
    assert named == [None, "C01", "C02", "C02", "P01", "C01", "C03"]
    buffers(hand, "C04", "03-04T09:40")
    again, _ = take(hand, text)
    assert again == first
    assert [r["calibration_id"] for r in hand.open().records.history("readings")] == named


def test_readings_without_buffers_before_them_are_imported_and_known_again(hand):
    hand.mix("B01", "03-02T09:00")
    text = HEAD + "B01-1,2026-03-04 09:45,5.41,,slurry\n"
    first, entry = take(hand, text)
    assert any("calibration_id=C01 --reason" in w for w in entry.warnings)
    buffers(hand, "C01", "03-04T08:00")
    again, _ = take(hand, text)
    assert (again, len(hand.open().records.history("readings"))) == (first, 1)
    assert hand.open().records.readings[0]["calibration_id"] is None


@pytest.mark.parametrize(
    ("text", "sentences"),
    [
        (HEAD + "B01-1,soon,5.41,,slurry\nB01-1,2026-03-04 09:45,54,20 kg,slur\n", [
            "old.csv, row 2, column read_at: read_at 'soon' is not a time. Write it like 14:10, "
            "yesterday 14:10 or 2026-03-05 14:10.",
            "old.csv, row 3, column ph: ph 54 lies outside 4 to 7. A decimal point may be "
            "missing (5.4).",
            "old.csv, row 3, column sample_temp_c: sample_temp_c '20 kg' is a weight in kg.",
            "old.csv, row 3, column method: method 'slur' is not known. Did you mean 'slurry'? "
            "Known: direct, slurry, strip."]),
        ("ball,read_at,ph\nB01-1,2026-03-04 09:45,5.4\n", [
            "old.csv, row 1, column ball: column 'ball' is not known. Did you mean 'ball_id'?",
            "old.csv, row 1, column ball_id: column 'ball_id' (ball) is missing."]),
        (HEAD + "B01-9,2026-03-04 09:45,5.41,,slurry\n\nB01-1,2026-03-02 08:00,5.41,,slurry\n", [
            "old.csv, row 2, column ball_id: ball_id 'B01-9' is not in plan/balls.csv.",
            "old.csv, row 4, column read_at: read_at 2026-03-02 08:00 lies before B01 "
            "was mixed (2026-03-02 09:00)."]),
        (b"\xff\xfe" + HEAD.encode(), ["old.csv, row 1: holds letters that are not UTF-8."]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_the_row_of_that_file(hand, text, sentences):
    hand.mix("B01", "03-02T09:00")
    with pytest.raises(InputError) as caught:
        take(hand, text)
    found = sorted(str(caught.value).splitlines())
    for sentence in sentences:
        assert any(f.startswith(sentence) for f in found), (sentence, found)
    assert not (hand.folder / "record" / "readings.csv").exists()


def test_a_card_that_stands_twice_in_the_file_is_said_with_both_rows(hand):
    hand.mix("B01", "03-02T09:00")
    hand.write(
        "bakes", {"ball_id": "B01-3", "baked_at": datetime.fromisoformat("2026-03-04T09:45+01:00")}
    )
    text = (
        "ball_id,judge,criterion,score\nB01-3,ada,crust,7\nB01-3,ada,crumb,7\nB01-3,ada,crust,8\n"
    )
    with pytest.raises(InputError) as caught:
        take(hand, text, "scores")
    assert str(caught.value) == (
        "old.csv, row 4, column criterion: ada scored crust of B01-3 already in row 2. Neither is "
        "used until one is taken back: --void ENTRY --reason TEXT."
    )


def test_a_file_without_rows_or_not_there_is_said(hand, tmp_path):
    contents = read_folder(hand.folder)
    with pytest.raises(InputError, match=r"none.csv does not exist. Look at the name."):
        read_intake(contents, "readings", tmp_path / "none.csv", now=NOW)
    (tmp_path / "empty.csv").write_text(HEAD)
    with pytest.raises(InputError, match=r"empty.csv holds no rows."):
        read_intake(contents, "readings", tmp_path / "empty.csv", now=NOW)
    with pytest.raises(UnknownName, match=r"table 'waters' is not known"):
        read_intake(contents, "waters", tmp_path / "empty.csv", now=NOW)
