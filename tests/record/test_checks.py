"""Checks: the whole folder in one pass."""

import json
import shutil
from datetime import datetime
from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.record.checks import check_folder, write_datapackage

ROOT = Path(__file__).parents[2]


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


def said(hand):
    return [str(p) for p in check_folder(hand.folder)]


def test_a_new_folder_has_no_problem(hand):
    assert said(hand) == []


def test_a_folder_that_is_none_says_how_to_make_one(tmp_path):
    assert [str(p) for p in check_folder(tmp_path)] == [
        "trial.toml: does not exist, so this is no trial folder. Make one: doughlab new FOLDER"
    ]


def test_a_broken_trial_toml_does_not_hide_the_waters(hand):
    (hand.folder / "trial.toml").write_text("format = 1\nname = 'x'\n")
    (hand.folder / "waters.csv").write_text("water_id,kind,ph\ntap,tap,71\n")
    found = said(hand)
    assert len(found) == 2
    assert found[1].startswith("waters.csv, row 2, column ph: ph 71 lies outside 3.5 to 11.")


def test_problems_of_several_files_come_in_one_pass_and_in_order(hand):
    (hand.folder / "waters.csv").write_text("water_id,kind\ntap,tapp\n")
    (hand.folder / "formula.toml").write_text("format = 1\n[percent]\nhydration = 620\n")
    hand.read("B09-1", "03-04T10:00", 5.4)
    hand.note("B01-1", "lost", "03-04T10:00")
    files = [p.file for p in check_folder(hand.folder)]
    assert files[0] == "trial.toml"
    assert set(files) == {"trial.toml", "waters.csv", "formula.toml", "record/readings.csv"}
    order = ["trial.toml", "waters.csv", "record/readings.csv", "formula.toml"]
    assert list(dict.fromkeys(files)) == order


def test_a_response_whose_column_no_record_has_is_noted(hand):
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text().replace('column = "ph"', 'column = "phh"'))
    assert said(hand) == []  # nothing is recorded yet: a column of one's own comes with a value
    path.write_text(path.read_text().replace('column = "phh"', 'column = "ph"'))
    hand.read("B09-1", "03-04T10:00", 5.4)
    before = said(hand)
    path.write_text(path.read_text().replace('column = "ph"', 'column = "phh"'))
    (new,) = [s for s in said(hand) if s not in before]
    assert new == (
        "trial.toml, row 27, column responses.ph.column: record/readings.csv has no column 'phh' "
        "yet. Did you mean 'ph'? Known: acidity_ml, ph, sample_temp_c. Correct the name, or enter "
        "the first value."
    )
    assert [p.level for p in check_folder(hand.folder) if str(p) == new] == ["note"]


@pytest.mark.parametrize("name", ["readings", "bakes", "scores", "mixes", "notes"])
def test_a_folder_where_a_table_belongs_is_said(hand, name):
    (hand.folder / "record" / f"{name}.csv").mkdir(parents=True)
    (found,) = said(hand)
    assert found.startswith(f"record/{name}.csv: ") and "folder" in found


def test_every_level_of_a_water_has_its_row(hand):
    path = hand.folder / "waters.csv"
    path.write_text("water_id,kind,alkalinity_mg_l\ntapp,tap,150\nro,reverse osmosis,\n")
    assert said(hand) == [
        "trial.toml, row 17, column factors.water.levels: water 'tap' is not in waters.csv. Did "
        "you mean 'tapp'? Known: ro, tapp. Add a row for it.",
        "waters.csv, row 3, column alkalinity_mg_l: alkalinity of 'ro' is not known, so no acid "
        "dose can be given. Copy the label or the water report, or measure it: doughlab water "
        f"titrate ro --folder {hand.folder}",
    ]


def test_a_device_whose_clock_runs_ahead_is_flagged(hand):
    hand.write("temperatures", {"place": "room", "at": rome("03-04T10:03"), "temp_c": 20},
               {"place": "room", "at": rome("03-04T10:02"), "temp_c": 20},
               entered="03-04T10:00")  # fmt: skip
    assert said(hand) == [
        "record/temperatures.csv, row 2, column at: at 2026-03-04 10:03 lies after the entry "
        "itself (2026-03-04 10:00). Is the clock of that device right?"
    ]


def test_a_time_long_before_the_trial_is_flagged(hand):
    hand.write("temperatures", {"place": "room", "at": rome("01-01T10:03"), "temp_c": 20},
               {"place": "room", "at": datetime.fromisoformat("2025-12-31T10:00+01:00"),
                "temp_c": 20})  # fmt: skip
    assert said(hand) == [
        "record/temperatures.csv, row 3, column at: at 2025-12-31 lies more than 60 days before "
        "the first step of the plan (2026-03-02). Is the date right?"
    ]


@pytest.mark.parametrize(
    ("hours", "rows"),
    [((9, 10, 11), []), ((9, 15, 10, 11), [3]), ((9, 10, 5, 11), [4]), ((15, 9, 10), [2])],
)
def test_rows_are_entered_in_the_order_they_stand(hand, hours, rows):
    """Append-only: an entry time out of order was edited, or another clock wrote it."""
    for hour in hours:
        hand.write("notes", {"about": "B01", "at": rome("03-02T09:00"), "kind": "note"},
                   entered=f"03-04T{hour:02d}:00")  # fmt: skip
    found = [p for p in check_folder(hand.folder) if p.column == "entered_at"]
    assert [p.row for p in found] == rows
    for p in found:
        assert p.message == (
            "entered_at does not follow the row above it. Two machines wrote with different "
            "clocks, or the file was edited by hand."
        )


def test_files_that_are_not_read_are_named(hand):
    (hand.folder / "record").mkdir(exist_ok=True)
    (hand.folder / "record" / "reading.csv").write_text("x\n")
    (sentence,) = said(hand)
    assert sentence.startswith(
        "record/reading.csv: doughlab does not read this file. Did you mean 'record/readings.csv'?"
    )


def test_records_without_a_plan_belong_to_nothing(hand):
    hand.note("B01-1", "note", "03-04T10:00")
    shutil.rmtree(hand.folder / "plan")
    assert said(hand) == [
        "plan/balls.csv: there are records, but no plan that can be read, so they belong to no "
        f"ball. {hand.folder} has no plan yet. Look at one, then keep it: doughlab plan "
        f"{hand.folder} --keep"
    ]


def test_a_changed_plan_is_stated(hand):
    path = hand.folder / "plan" / "balls.csv"
    path.write_text(path.read_text().replace("B01-1,B01,ph", "B01-1,B01,spare"))
    found = check_folder(hand.folder)
    assert any(
        p.file == "plan/plan.lock" and p.message.startswith("changed after the plan: a value in")
        for p in found
    )
    assert hand.open().frozen_plan.changed


def test_a_changed_cell_of_a_made_plan_is_named(tmp_path):
    folder = tmp_path / "demo"
    shutil.copytree(ROOT / "trials" / "lantern-quay", folder)
    path = folder / "plan" / "balls.csv"
    lines = path.read_text().splitlines()
    cells = lines[3].split(",", 4)
    lines[3] = ",".join([*cells[:3], "S99", cells[4]])
    path.write_text("\n".join(lines) + "\n")
    found = [p for p in check_folder(folder) if p.file == "plan/balls.csv"]
    assert [(p.row, p.column, p.level) for p in found] == [(4, "session", "note")]
    assert found[0].message == (
        f"session is 'S99', the kept plan has '{cells[3]}'. Put it back, or every result says "
        "that the plan was changed."
    )


def test_a_missing_row_of_a_made_plan_is_said(tmp_path):
    folder = tmp_path / "demo"
    shutil.copytree(ROOT / "trials" / "lantern-quay", folder)
    path = folder / "plan" / "schedule.csv"
    path.write_text("\n".join(path.read_text().splitlines()[:-1]) + "\n")
    found = [p for p in check_folder(folder) if p.file == "plan/schedule.csv"]
    assert len(found) == 1
    assert found[0].message.endswith("Bring the file back.")


def test_the_data_package_holds_for_an_outside_reader(hand):
    """Checked by frictionless, a reader of the open standard that knows nothing of doughlab."""
    import warnings

    hand.write("lots", {"lot_id": "F1", "kind": "flour", "made_at": rome("03-01T09:00")})
    first, _ = hand.read("B01-1", "03-04T10:15", 4.5, 5.4)
    hand.read("B01-1", "03-04T10:15", 5.4, action="replace", replaces=first, reason="typo")
    (row,) = hand.note("B01", "note", "03-04T10:00", 'said "no", twice')
    hand.write("notes", {"action": "void", "replaces": row, "reason": "x", "about": "B01",
                         "at": rome("03-04T10:00"), "kind": "note"})  # fmt: skip
    path = write_datapackage(hand.folder, hand.settings)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import frictionless

        report = frictionless.validate(str(path))
    assert report.valid, report.flatten(["title", "message"])
    assert sorted(t.name for t in report.tasks) == [
        "balls", "batches", "lots", "notes", "readings", "schedule", "waters",
    ]  # fmt: skip
    text = (hand.folder / "record" / "readings.csv").read_text()
    (hand.folder / "record" / "readings.csv").write_text(text.replace(",5.4,", ",54,"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert not frictionless.validate(str(path)).valid


def test_the_data_package_is_the_same_twice_and_leaves_nothing_aside(hand):
    first = write_datapackage(hand.folder, hand.settings).read_bytes()
    assert write_datapackage(hand.folder, hand.settings).read_bytes() == first
    assert not list(hand.folder.glob("*.new"))


def test_check_says_like_notes_once(hand, capsys):
    """Each ball with a reading short is one note; the list names the first and counts the rest."""
    for batch in ("B01", "B02"):
        hand.mix(batch, "03-02T09:00")
        for ball, day in ((1, "03-04"), (2, "03-03")):
            hand.read(f"{batch}-{ball}", f"{day}T09:00", 5.4)
    hand.mix("B03", "03-03T09:00")
    hand.read("B03-1", "03-05T09:00", 5.4, 5.4, 5.4)
    assert main(["check", str(hand.folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.count("1 of 3 readings") == 1
    assert "B01-1 has 1 of 3 readings. The mean of these is used. So it is with" in said


def test_forty_like_problems_are_a_few_lines_and_none_is_lost(hand, capsys):
    """Pairs of readings that carry no calibration known, no number, no ball of the plan."""
    for batch in ("B01", "B02"):
        hand.mix(batch, "03-02T09:00")
    ids = hand.read("B01-2", "03-03T10:00", *([5.4] * 120))
    path = hand.folder / "record/readings.csv"
    lines = path.read_text().splitlines()
    for i in range(1, 41):
        lines[i] = lines[i].replace(",5.4,", f",{50 + i % 9}.4,")
        lines[40 + i] = lines[40 + i].replace("B01-2", f"B0{1 + i // 9}-9")
        lines[80 + i] = lines[80 + i].replace("2026-03-03T10:00", f"2026-03-03T{24 + i}:00")
    path.write_text("\n".join(lines) + "\n")
    assert main(["check", str(hand.folder)]) == 1
    said = capsys.readouterr().out
    assert len(said.splitlines()) <= 36
    words = " ".join(said.split())
    assert "120 problems" in words
    for column in ("ph", "ball_id", "read_at"):
        assert f"record/readings.csv, column {column}: 38 more like these, in rows" in words
    assert f"(entry {ids[0][:8]})" in words and "'B05-9'" not in words
    assert main(["check", str(hand.folder), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)["problems"]
    errors = [p for p in found if p["level"] == "error"]
    assert sorted(p["entry"] for p in errors) == sorted(i[:8] for i in ids)
    assert sum("B05-9" in p["message"] for p in errors) == 5  # 36 to 40
