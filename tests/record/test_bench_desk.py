"""The bench without its server: what it shows, what it stores, what it refuses and where."""

from dataclasses import replace
from datetime import timedelta

import pytest

from doughlab.record.bench_desk import Bench, read_sent
from doughlab.record.bench_forms import FORMS, Refused, build_forms
from doughlab.record.bench_photo import PHOTOS, keep_photo, photo_kind

from .conftest import rome

NOW = rome("03-04T10:00")
JPEG = bytes.fromhex("ffd8ffe000104a464946") + b"invented"


@pytest.fixture
def bench(hand):
    hand.mix("B01", "03-02T09:45")
    hand.mix("B02", "03-02T09:00")
    return Bench(hand.folder, clock=lambda: NOW)


def sent(action, about="", *, at="2026-03-04T09:55:00+01:00", name="entry-001", off=0.0, **values):
    raw = {"id": name, "action": action, "about": about, "at": at,
           "values": {k.replace("__", "#"): v for k, v in values.items() if k != "session"},
           "session": values.get("session", ""), "by": "ada"}  # fmt: skip
    return read_sent(raw, off=timedelta(minutes=off))


def undoing(about, reason="", *, name):
    values = {"action": "reading", "reason": reason}
    return read_sent({"id": name, "action": "undo", "about": about, "values": values})


def last(bench, table):
    return bench.contents.records.journals[table].rows[-1]


def test_three_readings_are_three_rows_of_one_entry(bench):
    got = bench.store(sent("reading", "B01-1", ph__1="5,41", ph__2="5.43", sample_temp_c="68 F"))
    assert (got["saved"], got["again"]) == (True, False)
    assert got["rows"] == ["entry-001.1", "entry-001.2"]
    rows = bench.contents.records.readings
    assert [r["ph"] for r in rows] == [5.41, 5.43]
    assert all(r["sample_temp_c"] == pytest.approx(20) and r["session"] == "S02" for r in rows)
    assert rows[0]["read_at"] == rome("03-04T09:55") and rows[0]["entered_by"] == "ada"


def test_an_entry_sent_twice_is_stored_once_even_by_another_bench(bench, hand):
    first = bench.store(sent("reading", "B01-1", ph__1="5.41", ph__2="5.43"))
    again = bench.store(sent("reading", "B01-1", ph__1="5.41", ph__2="5.43"))
    bare = Bench(hand.folder, clock=lambda: NOW)
    other = bare.store(sent("reading", "B01-1", ph__1="5.41", ph__2="5.43"))
    assert again["again"] and other["again"]
    assert first["rows"] == again["rows"] == other["rows"]
    assert len(hand.open().records.readings) == 2


def test_every_kind_of_entry_lands_in_its_table(bench):
    entries = [
        ("mix", "B03", "mixes", {"mixed_at": "09:10", "water_temp_c": "12", "acid_g": "4,5",
                                 "vessel": "covered", "acid": "white vinegar 5 %"}),
        ("pulled", "B01-3", "notes", {}),
        ("bake", "B01-3", "bakes", {"core_temp_c": "18", "bake_s": "95"}),
        ("temperature", "cooler", "temperatures", {"temp_c": "3.6"}),
        ("calibration", "", "calibrations", {"buffer__7": "-12", "buffer__4": "165",
                                             "temp_c": "20"}),
        ("lot", "W9", "lots", {"kind": "water", "water_id": "tap", "ph": "7.9"}),
        ("note", "B01", "notes", {"note": "stiff = good, kind=lost"}),
        ("lost", "B02-2", "notes", {"note": "dropped"}),
    ]  # fmt: skip
    for i, (action, about, table, values) in enumerate(entries):
        got = bench.store(sent(action, about, name=f"entry-{i:03d}", **values))
        assert got["saved"], got
        assert last(bench, table)["entry_id"] == f"entry-{i:03d}"
    assert last(bench, "mixes")["acid_g"] == 4.5
    assert last(bench, "mixes")["mixed_at"] == rome("03-04T09:10")
    assert last(bench, "bakes")["core_temp_c"] == 18
    assert last(bench, "calibrations")["slope_pct"] == pytest.approx(100.8, abs=0.05)
    notes = [(r["kind"], r["note"]) for r in bench.contents.records.notes]
    assert notes == [("pulled", None), ("note", "stiff = good, kind=lost"), ("lost", "dropped")]


def test_a_judge_gives_a_code_and_never_learns_the_ball(bench):
    got = bench.store(sent("score", "131", session="S02", judge="ada", crust="7", crumb="6,5"))
    assert got["saved"] and "B01" not in str(got)
    rows = bench.contents.records.scores
    assert {r["criterion"]: r["score"] for r in rows} == {"crust": 7, "crumb": 6.5}
    assert {(r["ball_id"], r["blind_code"], r["judge"]) for r in rows} == {("B01-3", 131, "ada")}


def test_what_is_said_of_a_score_names_codes_only(bench):
    card = {"session": "S02", "judge": "ada", "crust": "7", "crumb": "6"}
    bench.store(sent("score", "131", **card))
    with pytest.raises(Refused) as e:  # the same sample once more
        bench.store(sent("score", "131", name="entry-002", **card))
    assert "code 131" in str(e.value) and "B01-3" not in str(e.value) + str(e.value.fields)
    with pytest.raises(Refused) as e:
        bench.store(sent("score", "999", session="S02", judge="ada", crust="7", name="entry-003"))
    assert str(e.value) == "No sample of this session has the code 999."
    assert e.value.fields == {
        "about": "999 is not on your card: take the three digits from the plate."
    }


@pytest.mark.parametrize(
    ("action", "about", "values", "field", "words"),
    [
        ("reading", "B01-1", {"ph__1": "5.41", "ph__2": "56.2"}, "ph#2",
         "56.2 lies outside 2.5 to 9. A decimal point may be missing (5.62)."),
        ("reading", "B01-1", {"ph__1": "method=strip"}, "ph#1",
         "'method=strip' is not a number. Type it again."),
        ("reading", "B01-1", {}, "ph#1", "Still empty."),
        ("reading", "", {"ph__1": "5.4"}, "about", "Scan it or type it here."),
        ("temperature", "cooler", {"temp_c": ""}, "temp_c", "Still empty."),
        ("lot", "W9", {"kind": "gold"}, "kind",
         "'gold' is not one of water, flour, preferment, starter."),
        ("score", "131", {"judge": "ada", "crust": "70"}, "crust",
         "'70' is no score from 0 to 10. Type it again."),
        ("score", "131", {"judge": "eve", "crust": "7"}, "judge",
         "'eve' is not one of ada, ben."),
        ("calibration", "", {"buffer__7": "7,02 pH", "temp_c": "20"}, "buffer#7",
         "'7,02 pH' is not a number of millivolts. Type it again."),
        ("note", "B01", {"colour": "red", "note": "x"}, "colour",
         "This field is not known here. Open the page again."),
    ],
)  # fmt: skip
def test_what_is_wrong_stands_beside_its_field_and_nothing_is_stored(
    bench, action, about, values, field, words
):
    with pytest.raises(Refused) as e:
        bench.store(sent(action, about, session="S02", **values))
    assert e.value.fields == {field: words}
    assert not bench.contents.records.readings and not bench.contents.records.scores


def test_a_ball_of_another_trial_or_none_is_refused(bench):
    with pytest.raises(Refused, match="ZZ/B01-1 is a label of another trial; this one is TW"):
        bench.ball("ZZ/B01-1")
    with pytest.raises(Refused, match="B77-1 is no ball of this trial"):
        bench.ball("B77-1")
    with pytest.raises(Refused) as e:
        bench.store(sent("reading", "B77-1", ph__1="5.4"))
    assert list(e.value.fields) == ["about"]


def test_a_scanned_label_opens_its_ball(bench):
    found = bench.ball(" tw/b01-1 ")
    assert (found["ball"], found["purpose"], found["needs"]) == (
        "B01-1", "ph", ["take out", "3 readings"],
    )  # fmt: skip
    bench.store(sent("reading", "TW/B01-1", ph__1="5.41"))
    (entry,) = bench.ball("B01-1")["entries"]
    assert entry == {
        "id": "entry-001", "action": "reading", "values": "5.41", "clock": "09:55", "by": "ada",
    }  # fmt: skip
    assert bench.ball("b01")["batch"] == "B01"  # a batch is no dead end: its balls are listed


def test_undo_takes_back_every_row_with_a_reason(bench):
    bench.store(sent("reading", "B01-1", ph__1="5.41", ph__2="5.43"))
    undo = undoing("entry-001", "wrong ball", name="entry-002")
    got = bench.store(undo)
    assert (got["words"], got["rows"]) == ("taken back", ["entry-002.1", "entry-002.2"])
    assert bench.contents.records.readings == []
    history = bench.contents.records.history("readings")
    assert [(r["action"], r["reason"]) for r in history[2:]] == [("void", "wrong ball")] * 2
    assert bench.store(undo)["again"]
    with pytest.raises(Refused, match="not in the files, so there is nothing to take back"):
        bench.store(undoing("entry-999", name="entry-003"))


@pytest.mark.parametrize(
    ("off", "said"),
    [(0, None), (1.9, None), (7, "clock of the phone 7 min fast"),
     (-180, "clock of the phone 180 min slow")],
)  # fmt: skip
def test_a_clock_off_by_over_two_minutes_is_flagged(bench, off, said):
    bench.store(sent("temperature", "cooler", temp_c="3.6", off=off))
    assert last(bench, "temperatures")["note"] == said


def test_the_first_page_tells_no_blind_code(bench, hand):
    codes = {str(b["blind_code"]) for b in hand.plan.balls if b["blind_code"]}
    text = str(bench.overview())
    assert not [c for c in codes if c in text]
    assert {f["action"] for f in bench.overview()["forms"]} == set(FORMS) - {"trainee"}


def test_a_card_has_each_code_of_the_session_once_in_the_judges_order(bench, hand):
    orders = hand.plan.serving_orders("S02")
    for judge, order in orders.items():
        card = bench.card(judge, "S02")
        expected = [hand.plan.ball(b)["blind_code"] for b in order]
        assert [c["code"] for c in card["codes"]] == expected
        assert not any(c["done"] for c in card["codes"])
    bench.store(sent("score", "131", session="S02", judge="ada", crust="7", crumb="6"))
    done = {c["code"]: c["done"] for c in bench.card("ada", "S02")["codes"]}
    assert [code for code, yes in done.items() if yes] == [131]
    with pytest.raises(Refused, match="eve is no judge of this trial"):
        bench.card("eve", "S02")
    with pytest.raises(Refused, match="S99 is no session of this trial"):
        bench.card("ada", "S99")


def test_forms_show_the_unit_of_the_trial_and_its_ranges(hand):
    forms = {f["action"]: f for f in build_forms(replace(hand.settings, show_temperature="F"))}
    field = {f["name"]: f for f in forms["mix"]["fields"]}["water_temp_c"]
    assert (field["label"], field["low"], field["high"]) == ("Mixing water, °F", 32.0, 122.0)
    reading = [f["name"] for f in forms["reading"]["fields"]]
    assert reading[:3] == ["ph#1", "ph#2", "ph#3"]


def test_a_bare_number_is_fahrenheit_where_the_trial_shows_it(bench, hand):
    text = (hand.folder / "trial.toml").read_text()
    (hand.folder / "trial.toml").write_text(f'{text}\n[units]\ntemperature = "F"\n')
    bench.store(sent("temperature", "cooler", temp_c="38"))
    assert last(bench, "temperatures")["temp_c"] == pytest.approx(10 / 3)


def test_a_doubtful_temperature_is_asked_about_beside_its_field(bench):
    with pytest.raises(Refused) as e:
        bench.store(sent("temperature", "cooler", temp_c="39"))
    assert "39 °F, which is 3.9 °C" in str(e.value) + str(e.value.fields)


@pytest.mark.parametrize(
    "raw",
    [None, [], "x", {"id": "entry-001"}, {"id": "e", "action": "note"},
     {"id": "../../etc/x", "action": "note"}, {"id": "entry-001", "action": "rm"},
     {"id": "entry-001", "action": "note", "values": {"note": 5}},
     {"id": "entry-001", "action": "note", "values": ["note"]}],
)  # fmt: skip
def test_what_the_page_does_not_send_is_refused(raw):
    with pytest.raises(Refused, match="Open the page again"):
        read_sent(raw)


def test_only_what_changed_is_read_again(bench, hand, monkeypatch):
    before = bench.contents
    assert bench.contents is before
    hand.read("B01-1", "03-04T09:50", 5.4)
    monkeypatch.setattr("doughlab.record.bench_desk.read_folder", lambda f: pytest.fail("all read"))
    assert [r["ph"] for r in bench.contents.records.readings] == [5.4]
    assert bench.contents.plan is before.plan


def test_a_photo_is_stored_once_and_named_in_a_note(bench, hand):
    for _ in range(2):
        got = keep_photo(bench, JPEG, entry_id="photo-0001", about="B01-3", by="ada")
        assert got["saved"]
    (row,) = bench.contents.records.notes
    assert (row["kind"], row["about"]) == ("photo", "B01-3")
    assert row["note"] == f"{PHOTOS}/B01-3_photo-0001.jpg"
    assert (hand.folder / row["note"]).read_bytes() == JPEG
    assert [p.name for p in (hand.folder / PHOTOS).iterdir()] == ["B01-3_photo-0001.jpg"]


def test_no_part_of_a_photos_name_is_a_path_that_was_sent(bench, hand):
    with pytest.raises(Refused):
        keep_photo(bench, JPEG, entry_id="../../x.jpg", about="B01-3")
    with pytest.raises(Refused):
        keep_photo(bench, JPEG, entry_id="photo-0001", about="../../../B01")
    with pytest.raises(Refused, match=r"This is no photo \(JPEG, PNG or WebP\). Take it again"):
        keep_photo(bench, b"<svg onload=alert(1)>", entry_id="photo-0001", about="B01-3")
    assert not (hand.folder / PHOTOS).exists()
    assert photo_kind(b"RIFF0000WEBPVP8 ") == "webp"
