"""Sheets of a day: what stands on them, and what comes back.

openpyxl (a general-purpose library) fills them in; the records are read back as the trial stores
them.
"""

from datetime import date, time

import pytest

from doughlab.cli import main
from doughlab.commands.answers import DoughAnswer
from doughlab.commands.new_formula import formula_text
from doughlab.errors import InputError
from doughlab.record.bench_desk import Bench
from doughlab.record.folder import read_folder
from doughlab.record.sheets_book import build_book
from doughlab.record.sheets_day import build_bench, build_scores, choose_day, list_day
from doughlab.record.sheets_keep import keep
from doughlab.record.sheets_read import read_book

from .conftest import rome
from .sheets_hand import (
    DAY,
    EVE,
    NIGHT,
    READ,
    bench_bytes,
    filled,
    find,
    header,
    opened,
    packed,
    score_bytes,
)


def take(folder, data, name="bench.xlsx", now=NIGHT, by="ada"):
    contents = read_folder(folder)
    read = read_book(data, contents, name=name)
    return read, keep(read, contents, now=now, by=by)


@pytest.fixture
def mixed(hand):
    for batch, at in [("B01", "03-02T09:00"), ("B02", "03-02T09:45"),
                      ("B03", "03-03T09:00"), ("B04", "03-03T09:45")]:  # fmt: skip
        hand.mix(batch, at)
    return hand


def test_a_day_has_a_row_for_each_thing_due(hand):
    sheet = build_bench(read_folder(hand.folder), DAY, now=EVE)
    rows = {p.title: [line.key for line in p.lines] for p in sheet.parts}
    assert rows["Read"] == ["read B01-1", "read B03-2", "read B02-1", "read B04-2"]
    assert rows["Bake"] == ["bake B01-3", "bake B03-4", "bake B02-3", "bake B04-4"]
    assert len(rows["Take out"]) == 8 and "Mix" not in rows


def test_balls_of_a_batch_that_is_not_mixed_yet_stand_on_the_sheet(hand):
    """The sheet is made the evening before; the mix itself stands on its own day."""
    contents = read_folder(hand.folder)
    first = list_day(contents, date(2026, 3, 2), now=rome("03-01T20:00"))
    assert [(d.step, d.item) for d in first] == [("mix", "B01"), ("mix", "B02")]


def test_the_next_day_with_something_due_is_chosen(mixed):
    contents = read_folder(mixed.folder)
    assert choose_day(contents, now=rome("02-27T10:00")) == date(2026, 3, 3)
    with pytest.raises(InputError) as error:
        choose_day(contents, now=rome("03-20T10:00"))
    assert str(error.value) == (
        "Nothing is due from today on; the plan goes from 2026-03-02 to 2026-03-05. Name a day of "
        "it: --day 2026-03-05"
    )


def test_the_same_sheet_gives_the_same_bytes(mixed):
    assert bench_bytes(mixed.folder) == bench_bytes(mixed.folder)


def test_readings_come_back_as_they_were_written(mixed):
    cells = {(k.replace("B01-2", "B03-2"), c): v for (k, c), v in READ.items()}
    read, kept = take(mixed.folder, filled(bench_bytes(mixed.folder), cells))
    assert not read.problems and not kept.problems and kept.stored == {"Read": 1}
    rows = mixed.open().records.readings
    assert [r["ph"] for r in rows] == [5.41, 5.43, 5.4]
    assert {r["sample_temp_c"] for r in rows} == {20.5}
    assert {r["read_at"] for r in rows} == {rome("03-04T09:45")}
    assert {(r["ball_id"], r["entered_by"], r["session"]) for r in rows} == {
        ("B03-2", "ada", "S02")
    }
    assert all(r["entered_at"] == NIGHT for r in rows)


def test_reading_the_same_file_twice_stores_nothing_twice(mixed):
    cells = {
        ("read B03-2", "Time"): time(9, 45), ("read B03-2", "pH, reading 1"): 5.41,
        ("take out B03-2", "Time"): time(8, 15), ("bake B03-4", "Time"): "9.50",
        ("bake B03-4", "Dough, before the oven, °C"): "18,5", ("notes 1", "Time"): "10:00",
        ("notes 1", "Ball, batch or trial"): "B03", ("notes 1", "What"): "note",
        ("notes 1", "Note"): "felt stiff", ("temperature 1", "Time"): "09:00",
        ("temperature 1", "Temperature, °C"): 3.4, ("buffers 1", "Time"): "8:30",
        ("buffers 1", "Buffers, °C"): 21, ("buffers 1", "Buffer 4 shows, mV"): 165,
        ("buffers 1", "Buffer 7 shows, mV"): -12,
    }  # fmt: skip
    data = filled(bench_bytes(mixed.folder), cells)
    _, first = take(mixed.folder, data)
    before = {p.name: p.read_bytes() for p in (mixed.folder / "record").iterdir()}
    _, second = take(mixed.folder, data)
    assert sum(first.stored.values()) == 6 and not first.problems
    assert (second.stored, second.again, second.problems) == ({}, 6, [])
    after = {p.name: p.read_bytes() for p in (mixed.folder / "record").iterdir()}
    assert before == after
    records = mixed.open().records
    assert [b["core_temp_c"] for b in records.bakes] == [18.5]
    assert [n["kind"] for n in records.notes] == ["pulled", "note"]
    # buffer 7 is 7.016 and the Nernst slope 58.366 mV at 21 °C, along the tables of a manual
    # (7.02 and 7.00 at 20 and 25 °C) and of R T ln 10 / F: 177 / 3.016 / 58.366
    assert records.calibrations[0]["slope_pct"] == pytest.approx(100.6, abs=0.05)
    assert records.readings[0]["calibration_id"] == "C01"


def test_a_mix_read_at_noon_is_completed_in_the_evening(hand):
    day = date(2026, 3, 2)
    data = bench_bytes(hand.folder, day, rome("03-01T20:00"))
    noon = {("mix B01", "Flour first wetted at"): "09:02", ("mix B01", "Mixing water, °C"): 15}
    _, first = take(hand.folder, filled(data, noon), now=rome("03-02T12:00"))
    evening = {**noon, ("mix B01", "Balled at"): "09:50", ("mix B01", "Flour, °C"): 20}
    _, second = take(hand.folder, filled(data, evening), now=rome("03-02T20:00"))
    _, third = take(hand.folder, filled(data, evening), now=rome("03-02T20:05"))
    assert (first.stored, second.stored, third.again) == ({"Mix": 1}, {"Mix": 1}, 1)
    (mix,) = hand.open().records.mixes
    assert (mix["mixed_at"], mix["balled_at"]) == (rome("03-02T09:02"), rome("03-02T09:50"))
    assert (mix["water_temp_c"], mix["flour_temp_c"]) == (15, 20)


def test_a_mix_without_its_time_is_never_given_the_time_of_reading(hand):
    day = date(2026, 3, 2)
    data = bench_bytes(hand.folder, day, rome("03-01T20:00"))
    _, kept = take(hand.folder, filled(data, {("mix B01", "Mixing water, °C"): 15}))
    assert [str(p) for p in kept.problems] == [
        "bench.xlsx, sheet Mix, row 5, column F (Flour first wetted at): Still empty. Enter flour "
        "first wetted at. The row was not stored."
    ]
    assert not hand.open().records.mixes


def test_a_cell_changed_after_it_was_read_is_said_and_not_stored(mixed):
    data = bench_bytes(mixed.folder)
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): 5.41}
    take(mixed.folder, filled(data, cells))
    entry = mixed.open().records.readings[0]["entry_id"][:8]
    _, kept = take(mixed.folder, filled(data, cells | {("read B03-2", "pH, reading 1"): 5.14}))
    assert [str(p) for p in kept.problems] == [
        "bench.xlsx, sheet Read, row 6, column G (pH, reading 1): pH was read from this sheet "
        f"before as 5.41; now it says 5.14. Correct the entry: doughlab record reading ... "
        f"--replaces {entry} --reason TEXT The row was not stored."
    ]
    _, more = take(mixed.folder, filled(data, cells | {("read B03-2", "pH, reading 2"): 5.43}))
    assert more.stored == {"Read": 1}
    assert [r["ph"] for r in mixed.open().records.readings] == [5.41, 5.43]


def test_a_ball_read_on_the_phone_too_is_not_stored_twice(mixed):
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): 5.41,
             ("take out B03-2", "Time"): "8:20"}  # fmt: skip
    data = filled(bench_bytes(mixed.folder), cells)
    mixed.note("B03-2", "pulled", "03-04T08:15")
    mixed.read("B03-2", "03-04T09:40", 5.41, 5.42, 5.40)
    _, kept = take(mixed.folder, data)
    assert [str(p) for p in kept.problems] == [
        "bench.xlsx, sheet Take out, row 7: B03-2 is written down as taken out at 2026-03-04 08:15 "
        "already. Leave the cell empty, or correct that entry. The row was not stored.",
        "bench.xlsx, sheet Read, row 6: B03-2 has 3 of 3 readings already, the last at 2026-03-04 "
        "09:40; with these it would have 4. Were they entered on the phone too? Further readings: "
        "doughlab record reading. The row was not stored.",
    ]


def test_a_trial_in_fahrenheit_is_filled_in_and_read_in_fahrenheit(mixed):
    toml = mixed.folder / "trial.toml"
    text = toml.read_text()
    toml.write_text(text.replace("[[questions]]", '[units]\ntemperature = "F"\n\n[[questions]]', 1))
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): 5.41,
             ("read B03-2", "Sample, °F"): 68, ("temperature 1", "Time"): "9:00",
             ("temperature 1", "Temperature, °F"): "39,2", ("bake B03-4", "Time"): "9:50",
             ("bake B03-4", "Dough, before the oven, °F"): 64.4}  # fmt: skip
    data = filled(bench_bytes(mixed.folder), cells)
    _, first = take(mixed.folder, data)
    _, second = take(mixed.folder, data)
    assert not first.problems and not second.problems and second.again == 3
    records = mixed.open().records
    assert records.readings[0]["sample_temp_c"] == 20.0  # 68 F is 20 °C: definition of the scale
    assert records.temperatures[0]["temp_c"] == 4.0
    assert records.bakes[0]["core_temp_c"] == 18.0


def test_a_preferment_that_is_due_stands_on_the_sheet_and_becomes_a_lot(hand):
    from doughlab.files import write_csv

    plan = read_folder(hand.folder).plan
    due = {"step": "preferment", "item": "P1", "due_at": rome("03-01T18:00"), "place": None}
    rows = [due, *plan.schedule]
    (hand.folder / "plan" / "schedule.csv").write_text(
        write_csv(hand.settings.table("schedule"), rows)
    )
    data = bench_bytes(hand.folder, date(2026, 3, 1), rome("03-01T09:00"))
    cells = {("preferment P1", "Time"): "18:05", ("preferment P1", "Kind"): "preferment",
             ("preferment P1", "pH"): "4,1"}  # fmt: skip
    _, kept = take(hand.folder, filled(data, cells), now=rome("03-01T19:00"))
    _, again = take(hand.folder, filled(data, cells), now=rome("03-01T19:00"))
    assert not kept.problems and kept.stored == {"Preferment": 1} and again.again == 1
    (lot,) = hand.open().records.lots
    assert (lot["lot_id"], lot["kind"], lot["ph"], lot["made_at"]) == (
        "P1", "preferment", 4.1, rome("03-01T18:05")
    )  # fmt: skip


def test_a_full_disk_says_so_and_what_was_stored_before_stays(mixed, monkeypatch):
    from doughlab.record import sheets_keep
    from doughlab.record.storage import NotStored

    calls = []

    def append(*args, **kwargs):
        calls.append(args)
        if len(calls) == 2:
            raise NotStored("record/readings.csv: the disk is full.")
        return real(*args, **kwargs)

    real = sheets_keep.append
    monkeypatch.setattr(sheets_keep, "append", append)
    cells = {("take out B03-2", "Time"): "8:15", ("read B03-2", "Time"): "9:45",
             ("read B03-2", "pH, reading 1"): 5.41}  # fmt: skip
    data = filled(bench_bytes(mixed.folder), cells)
    with pytest.raises(NotStored):
        take(mixed.folder, data)
    _, again = take(mixed.folder, data)
    assert (again.stored, again.again) == ({"Read": 1}, 1)
    assert len(mixed.open().records.notes) == 1


@pytest.mark.parametrize(("by", "noted"), [("", "ada"), ("ben", "ben")])
def test_a_judges_sheet_is_by_the_judge_unless_somebody_says_who_read_it_in(mixed, by, noted):
    data = score_bytes(mixed.folder, "ada")
    row, columns = header(opened(data)["Scores"])
    code = int(opened(data)["Scores"].cell(row + 1, columns["Code"]).value)
    plan = read_folder(mixed.folder).plan
    ball = next(b["ball_id"] for b in plan.balls if b["blind_code"] == code)
    mixed.write("bakes", {"ball_id": ball, "baked_at": rome("03-04T10:00")})
    cells = {("place 1", "Time"): "10:05", ("place 1", "crust"): 7, ("place 1", "crumb"): 6}
    _, kept = take(mixed.folder, filled(data, cells), "ada.xlsx", by=by)
    assert not kept.problems
    assert {(r["judge"], r["entered_by"]) for r in mixed.open().records.scores} == {("ada", noted)}


def test_scores_come_back_by_code_and_session(mixed):
    data = score_bytes(mixed.folder, "ada")
    page = opened(data)["Scores"]
    row, columns = header(page)
    code = int(page.cell(row + 1, columns["Code"]).value)
    cells = {("place 1", "Time"): "10:05", ("place 1", "crust"): 7, ("place 1", "crumb"): "6,5"}
    contents = read_folder(mixed.folder)
    ball = next(b for b in contents.plan.balls if b["blind_code"] == code)
    mixed.write("bakes", {"ball_id": ball["ball_id"], "baked_at": rome("03-04T10:00")})
    _, kept = take(mixed.folder, filled(data, cells), "ada.xlsx")
    assert not kept.problems and kept.stored == {"Scores": 1}
    rows = mixed.open().records.scores
    assert [(r["criterion"], r["score"], r["position"]) for r in rows] == [
        ("crust", 7, 1), ("crumb", 6.5, 1)
    ]  # fmt: skip
    assert {(r["ball_id"], r["judge"], r["blind_code"]) for r in rows} == {
        (ball["ball_id"], "ada", code)
    }
    _, again = take(mixed.folder, filled(data, cells), "ada.xlsx")
    assert (again.stored, again.again) == ({}, 1)


def test_a_judges_file_reveals_no_ball(mixed):
    """Every byte of the unpacked file is looked through, shown or hidden."""
    import io
    import zipfile

    contents = read_folder(mixed.folder)
    ids = [str(b["ball_id"]) for b in contents.plan.balls]
    ids += [str(b["batch_id"]) for b in contents.plan.batches]
    places = [str(b["place"]) for b in contents.plan.balls]
    for judge in ("ada", "ben"):
        with zipfile.ZipFile(io.BytesIO(score_bytes(mixed.folder, judge))) as packed_file:
            text = " ".join(packed_file.read(n).decode() for n in packed_file.namelist())
        assert not [i for i in (*ids, *places) if i in text]
    orders = [[line.item for line in s.parts[0].lines] for s in build_scores(contents, DAY, "S02")]
    assert sorted(orders[0]) == sorted(orders[1]) and orders[0] != orders[1]


def test_what_is_said_to_a_judge_names_codes_and_no_ball(mixed):
    data = score_bytes(mixed.folder, "ada")
    cells = {("place 1", "Time"): "10:05", ("place 1", "crust"): 7}
    code = find(opened(data), "place 1", "Code").value
    ball = next(b for b in mixed.plan.balls if str(b["blind_code"]) == code)["ball_id"]
    mixed.write("scores", {"ball_id": ball, "judge": "ada", "criterion": "crust", "score": 4,
                           "scored_at": rome("03-04T10:04")})  # fmt: skip
    _, kept = take(mixed.folder, filled(data, cells), "ada.xlsx")
    assert [str(p) for p in kept.problems] == [
        f"ada.xlsx, sheet Scores, row 5: ada scored crust of code {code} already "
        "in row 2 of record/scores.csv. The first one stays. The row was not stored."
    ]


def test_text_that_looks_like_a_formula_is_neutralised(hand):
    """OWASP, CSV Injection: a cell that begins with = + - @ is read as a formula."""
    from dataclasses import replace

    sheet = build_bench(read_folder(hand.folder), DAY, now=EVE)
    part = next(p for p in sheet.parts if p.title == "Read")
    evil = ["=HYPERLINK(1)", "+1", "-1", "@SUM(1)"]
    lines = tuple(
        replace(x, place=t, words=t) for x, t in zip(part.lines, evil, strict=True)
    )  # fmt: skip
    book = opened(build_book(replace(sheet, parts=(replace(part, lines=lines),))))
    cells = [c for page in book.worksheets for row in page.iter_rows() for c in row]
    assert not [c for c in cells if c.data_type == "f"]
    assert [find(book, x.key, "Place").value for x in lines] == [f"'{t}" for t in evil]


def test_only_the_cells_to_fill_are_unlocked_and_limited(mixed):
    book = opened(bench_bytes(mixed.folder))
    page = book["Read"]
    row, columns = header(page)
    assert page.protection.sheet and book["ids"].sheet_state == "hidden"
    assert page.print_title_rows == f"${row}:${row}"
    assert page.cell(row + 1, columns["Ball"]).protection.locked
    assert not page.cell(row + 1, columns["pH, reading 1"]).protection.locked
    rules = {str(r.sqref): (r.type, r.formula1, r.formula2)
             for r in page.data_validations.dataValidation}  # fmt: skip
    assert rules["G5:G8"] == ("decimal", "4", "7")
    kinds = [r for r in book["Notes"].data_validations.dataValidation if r.type == "list"]
    assert kinds[0].formula1.startswith("ids!$")
    names = {p.name: p.value for p in book.custom_doc_props.props}
    assert names["trial_code"] == "TW" and names["plan_checksum"].startswith("sha256:")


NOT_STORED = " The row was not stored."
SAID = {
    "n/a": "pH, reading 1 holds 'n/a'. Nothing measured: leave the cell empty. A number from 4 "
           "to 7 is right.",
    541: "ph 541 lies outside 4 to 7. A decimal point may be missing (5.41). The row was not "
         "stored.",
    date(2026, 5, 4): "pH, reading 1 became the date 2026-05-04 (was 4.5 or 5.4 typed?). Make the "
                      "cell a number and type it again with your decimal sign. A number from 4 "
                      "to 7 is right.",
    date(1941, 5, 1): "pH, reading 1 became the date 1941-05-01 (was 5.41 typed?). Make the cell a "
                      "number and type it again with your decimal sign. A number from 4 to 7 is "
                      "right.",
    "=5+1": "pH, reading 1 holds a formula. Type the value itself.",
    True: "pH, reading 1 holds TRUE. A number from 4 to 7 is right.",
    time(5, 41): "pH, reading 1 holds the time 05:41:00. A number from 4 to 7 is right.",
}  # fmt: skip


@pytest.mark.parametrize("value", SAID, ids=str)
def test_a_wrong_cell_is_said_with_its_sheet_row_and_column(mixed, value):
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): value}
    read, kept = take(mixed.folder, filled(bench_bytes(mixed.folder), cells))
    said = [str(p) for p in [*read.problems, *kept.problems]]
    words = SAID[value].removesuffix(NOT_STORED) + NOT_STORED
    assert said == [f"bench.xlsx, sheet Read, row 6, column G (pH, reading 1): {words}"]
    assert not mixed.open().records.readings


TIMES = {
    "": "is empty, but the row is filled in. When was it? Write it like 14:10.",
    "now": "Time 'now' is not a time. Write it like 14:10.",
    9.45: "Time holds a number, not a time. Write it like 14:10.",
    "25:00": "Time '25:00' is no time of the day. Write it like 14:10, yesterday 14:10 or "
             "2026-03-05 14:10.",
    date(2026, 4, 3): "Time says 2026-04-03 00:00, but this sheet is for 2026-03-04. Write the "
                      "hour alone, like 14:10; what happened after midnight with its date.",
    "2026-04-03 09:45": "Time says 2026-04-03 09:45, but this sheet is for 2026-03-04. Write the "
                        "hour alone, like 14:10; what happened after midnight with its date.",
}  # fmt: skip


@pytest.mark.parametrize("value", TIMES, ids=str)
def test_a_wrong_time_is_said(mixed, value):
    cells = {("read B03-2", "Time"): value, ("read B03-2", "pH, reading 1"): 5.41}
    read, _ = take(mixed.folder, filled(bench_bytes(mixed.folder), cells))
    where = "bench.xlsx, sheet Read, row 6, column F (Time): "
    assert [str(p) for p in read.problems] == [where + TIMES[value] + NOT_STORED * bool(value)]
    assert not mixed.open().records.readings


def test_a_sheet_of_another_trial_is_refused(mixed, tmp_path):
    data = bench_bytes(mixed.folder)
    toml = mixed.folder / "trial.toml"
    toml.write_text(toml.read_text().replace('code = "TW"', 'code = "OT"'))
    with pytest.raises(InputError) as error:
        take(mixed.folder, data)
    assert str(error.value) == (
        "bench.xlsx is a sheet of the trial TW; this folder holds OT. Name the right folder, or "
        "the right file."
    )


def test_a_sheet_of_another_plan_is_refused(mixed):
    data = bench_bytes(mixed.folder)
    plan = mixed.folder / "plan" / "balls.csv"
    plan.write_text(plan.read_text().replace("shelf 2, place 3", "shelf 9, place 3"))
    with pytest.raises(InputError) as error:
        take(mixed.folder, data)
    assert str(error.value) == (
        "bench.xlsx was made for another plan of TW: its batches or balls stand otherwise in "
        "plan/. Nothing was read. Make the sheet again and copy the values over: doughlab sheets "
        "FOLDER"
    )


def test_ids_changed_in_the_hidden_sheet_are_refused(mixed):
    book = opened(bench_bytes(mixed.folder))
    for row in book["ids"].iter_rows():
        if row[1].value == "read B03-2":
            row[2].value = "B04-2"
    with pytest.raises(InputError) as error:
        take(mixed.folder, packed(book))
    assert str(error.value) == (
        "bench.xlsx: the hidden sheet 'ids' was changed. Nothing was read. Make the sheet again "
        "and copy the values over: doughlab sheets FOLDER"
    )


def test_a_changed_ball_a_double_row_and_moved_columns_are_said(mixed):
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): 5.41,
             ("read B04-2", "Time"): "9:45", ("read B04-2", "pH, reading 1"): 5.41}  # fmt: skip
    book = opened(filled(bench_bytes(mixed.folder), cells))
    find(book, "read B03-2", "Ball").value = "B04-2"
    read, _ = take(mixed.folder, packed(book))
    assert [str(p) for p in read.problems] == [
        "bench.xlsx, sheet Read, row 6, column C (Ball): holds 'B04-2', but row 'read B03-2' is "
        "about B03-2. Ids were changed or only a part of the sheet was sorted. Nothing of the row "
        "was taken; put it back."
    ]
    book = opened(filled(bench_bytes(mixed.folder), cells))
    page = book["Read"]
    for column in range(1, page.max_column + 1):
        page.cell(20, column).value = page.cell(8, column).value
    read, _ = take(mixed.folder, packed(book))
    assert [str(p) for p in read.problems] == [
        "bench.xlsx, sheet Read, row 20, column A (Row): 'read B04-2' stands in the file more than "
        "once, so none of these rows was taken. Keep the right one and delete the others."
    ]
    assert len(mixed.open().records.readings) == 2  # of B04-2, from the first file, and of B03-2
    book = opened(filled(bench_bytes(mixed.folder), cells))
    page = book["Read"]
    for row in range(1, page.max_row + 1):
        a, b = page.cell(row, 7).value, page.cell(row, 10).value
        page.cell(row, 7).value, page.cell(row, 10).value = b, a
    read, _ = take(mixed.folder, packed(book))
    assert next(p.message for p in read.problems) == (
        "the header reads 'Sample, °C' where 'pH, reading 1' stood. Columns were moved, or the "
        "header was changed; nothing was read from this sheet. Put them back as they were."
    )


def rename(book):
    book["Bake"].title = "Oven"


def behead(book):
    book["Bake"].delete_rows(4)


def drop(book):
    book.remove(book["Bake"])


def shorten(book):
    book["Bake"].delete_rows(6)


def scribble(book):
    book["Bake"].cell(6, 14).value = "was hot"


def unname(book):
    book["Bake"].cell(6, 1).value = None
    book["Bake"].cell(6, 6).value = "9:50"


def add_own(book):
    book.create_sheet("Mine").cell(1, 1).value = "shopping"


def go_far(book):
    book["Bake"].cell(6, 200).value = 1


def go_deep(book):
    book["Bake"].cell(9000, 2).value = 1


SHAPES = {
    rename: "sheet Oven: was renamed; it is read as Bake.",
    behead: "sheet Bake: the header row, which begins with 'Row', is gone or was changed. Nothing "
            "was read from this sheet. Put it back as it was.",
    drop: "sheet Bake: is not in the file, so nothing was read from it.",
    shorten: "sheet Bake: these rows are gone, and nothing was read of them: bake B03-4.",
    scribble: "sheet Bake, row 6, column N: 'was hot' stands beside the sheet. Move it into a cell "
              "of the sheet, or delete it.",
    unname: "sheet Bake, row 6, column A (Row): the row has no name. Put its name back as it was; "
            "nothing of it was taken.",
    add_own: "sheet Mine: is no sheet of ours and was not read.",
    go_far: "sheet Bake: something stands far to the right, in column number 200; it was not read. "
            "Delete it, or move it into a cell of the sheet.",
    go_deep: "sheet Bake: has 9000 rows; nothing below row 4000 was read. Delete what stands "
             "there.",
}  # fmt: skip


@pytest.mark.parametrize("damage", SHAPES, ids=lambda d: d.__name__)
def test_a_sheet_that_lost_its_shape_is_said(mixed, damage):
    book = opened(bench_bytes(mixed.folder))
    damage(book)
    read, _ = take(mixed.folder, packed(book))
    assert str(read.problems[0]) == f"bench.xlsx, {SHAPES[damage]}"


ODD_NOTES = {
    ("What", "lots"): "column D (What): 'lots' is not one of note, lost. The row was not stored.",
    ("What", "n/a"): "column D (What): What holds 'n/a'. Nothing measured: leave the cell empty. "
                     "Take one of: note, lost.",
    ("Note", None): "column E (Note): Still empty. Say what happened. The row was not stored.",
    ("Note", date(2026, 5, 4)): "column E (Note): Note became the date 2026-05-04. Type it again "
                                "with a ' in front: a text.",
    ("Note", "#N/A"): "column E (Note): Note holds the error #N/A. Type the value itself.",
    ("Note", "two\nlines"): "column E (Note): note holds a character that cannot be printed "
                            "(U+000A), a line break or a damaged letter. Type it again, in one "
                            "line. The row was not stored.",
    ("Note", "x" * 2001): "column E (Note): note has 2001 letters; at most 2000 fit. Shorten it. "
                          "The row was not stored.",
}  # fmt: skip


@pytest.mark.parametrize(("label", "value"), ODD_NOTES, ids=lambda v: str(v)[:12])
def test_an_odd_note_is_said(mixed, label, value):
    cells = {("notes 1", "Time"): "10:00", ("notes 1", "Ball, batch or trial"): "B03",
             ("notes 1", "What"): "note", ("notes 1", "Note"): "stiff"}  # fmt: skip
    cells["notes 1", label] = value
    read, kept = take(mixed.folder, filled(bench_bytes(mixed.folder), cells))
    said = [str(p).partition("row 5, ")[2] for p in [*read.problems, *kept.problems]]
    assert said == [ODD_NOTES[label, value].removesuffix(NOT_STORED) + NOT_STORED]
    assert not mixed.open().records.notes


def test_buffers_changed_after_they_were_read_are_said(mixed):
    cells = {("buffers 1", "Time"): "8:30", ("buffers 1", "Buffers, °C"): 25,
             ("buffers 1", "Buffer 4 shows, mV"): 165,
             ("buffers 1", "Buffer 7 shows, mV"): -12}  # fmt: skip
    data = bench_bytes(mixed.folder)
    take(mixed.folder, filled(data, cells))
    entry = mixed.open().records.calibrations[0]["entry_id"][:8]
    _, kept = take(mixed.folder, filled(data, cells | {("buffers 1", "Buffer 7 shows, mV"): -21}))
    assert [str(p) for p in kept.problems] == [
        "bench.xlsx, sheet Buffers, row 5, column E (Buffer 4 shows, mV): the buffers were read "
        "from this sheet before as 4.00 +165 mV; 7.00 -12 mV; now they come to 4.00 +165 mV; 7.00 "
        f"-21 mV. Correct the entry: doughlab record calibration ... --replaces {entry} --reason "
        "TEXT The row was not stored."
    ]


def test_a_plan_without_dates_has_no_sheets(hand):
    (hand.folder / "plan" / "schedule.csv").write_text("step,item,due_at,place\n")
    with pytest.raises(InputError) as error:
        choose_day(read_folder(hand.folder), now=EVE)
    assert str(error.value) == (
        "The plan has no dates, so no day has a sheet: start_on in [blocks] of trial.toml was "
        "empty when it was kept."
    )


def test_a_file_far_too_large_is_not_opened(mixed):
    import io
    import zipfile

    with pytest.raises(InputError) as error:
        take(mixed.folder, bytes(21_000_000))
    assert str(error.value) == (
        "bench.xlsx has 21 MB; a sheet of ours has less than 1. Look whether it is the right file."
    )
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("xl/workbook.xml", bytes(90_000_000))
    with pytest.raises(InputError) as error:
        take(mixed.folder, bomb.getvalue())
    assert str(error.value) == (
        "bench.xlsx unpacks to 90 MB; that is no sheet of ours. Look whether it is the right file."
    )


def test_rows_sorted_whole_are_read_by_their_names(mixed):
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): 5.41}
    book = opened(filled(bench_bytes(mixed.folder), cells))
    page = book["Read"]
    rows = [[c.value for c in row] for row in page.iter_rows(min_row=5, max_row=8)]
    for number, row in enumerate(reversed(rows), start=5):
        for column, value in enumerate(row, start=1):
            page.cell(number, column).value = value
    read, kept = take(mixed.folder, packed(book))
    assert not read.problems and kept.stored == {"Read": 1}


def test_what_is_no_workbook_is_said(mixed):
    for data in (b"", b"not a zip", b"PK\x03\x04broken", bench_bytes(mixed.folder)[:5000]):
        with pytest.raises(InputError) as error:
            take(mixed.folder, data)
        assert str(error.value) == (
            "bench.xlsx cannot be opened as .xlsx: it is another kind of file, damaged, or has a "
            "password. Save it as .xlsx (Excel workbook) without a password, then read it again."
        )


def test_the_command_writes_reads_and_keeps_a_filled_sheet(mixed, capsys):
    folder = str(mixed.folder)
    assert main(["sheets", folder, "--day", "2026-03-04", "--labels", "B01"]) == 0
    said = capsys.readouterr().out
    assert "Wednesday 4 March 2026: 16 things due" in said and "labels.pdf" in said
    path = mixed.folder / "sheets" / "2026-03-04" / "bench.xlsx"
    cells = {("read B03-2", "Time"): "9:45", ("read B03-2", "pH, reading 1"): "n/a",
             ("take out B03-2", "Time"): "8:15"}  # fmt: skip
    path.write_bytes(filled(path.read_bytes(), cells))
    assert main(["sheets", folder, "--read", str(path)]) == 1
    said = capsys.readouterr().out
    assert "stored 1 row of Take out" in said and "sheet Read, row 6, column G" in said
    assert main(["sheets", folder, "--day", "2026-03-04"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "bench.xlsx is filled in and stays as it is: read it, or move it away" in said
    assert find(opened(path.read_bytes()), "take out B03-2", "Time").value == "8:15"


def test_the_command_says_what_is_wrong_with_its_options(mixed, capsys):
    folder = str(mixed.folder)
    for words, said in {
        ("--day", "soon"): "--day 'soon' is no date. Write it like 2026-03-05, tomorrow, Friday "
        "or 5 Mar.",
        ("--day", "30 Feb"): "--day '30 Feb' is no date. Write it like 2026-03-05, tomorrow, "
        "Friday or 5 Mar.",
        ("--read", "no.xlsx"): "no.xlsx does not exist. Look at the name.",
        ("--day", "2026-03-04", "--labels", "B9"): "--labels: batch or ball 'B9' is not known.",
    }.items():
        assert main(["sheets", folder, *words]) == 1
        assert said in " ".join(capsys.readouterr().err.split())


def test_the_temperature_of_a_preferment_is_asked_for_where_there_is_one(hand):
    """On the phone and on the sheet; written and read back it stands in the mix."""

    def asked():
        (mix,) = [f for f in Bench(hand.folder).overview()["forms"] if f["action"] == "mix"]
        on_phone = any(f["name"] == "preferment_temp_c" for f in mix["fields"])
        sheet = build_bench(read_folder(hand.folder), date(2026, 3, 2), now=rome("03-01T09:00"))
        (part,) = [p for p in sheet.parts if p.title == "Mix"]
        return on_phone, any(f["name"] == "preferment_temp_c" for f in part.fields)

    assert asked() == (False, False)
    text = formula_text(DoughAnswer(), [])
    taken_in = text.replace("# [[preferments]]", "[[preferments]]", 1).split("[[preferments]]", 1)
    keys = taken_in[1].split("\n\n", 1)
    text = f"{taken_in[0]}[[preferments]]{keys[0].replace(chr(10) + '# ', chr(10))}\n\n{keys[1]}"
    (hand.folder / "formula.toml").write_text(text, encoding="utf-8")
    assert asked() == (True, True)
