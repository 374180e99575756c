"""The bench without its server: what it shows, what it stores, what it refuses and where."""

import struct
import zlib
from dataclasses import replace
from datetime import timedelta

import pytest

from doughlab.record.bench_desk import Bench
from doughlab.record.bench_forms import FORMS, Refused, build_forms
from doughlab.record.bench_photo import PHOTOS, keep_photo, photo_kind
from doughlab.record.bench_scan import read_code
from doughlab.record.bench_sent import read_sent

from .conftest import picture, rome

NOW = rome("03-04T10:00")
JPEG = picture()


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
         "56.2 lies outside 4 to 7. A decimal point may be missing (5.62)."),
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


@pytest.mark.parametrize("typed", ["b1-2", " B01-2 ", "tw/b1-2", "B1-02"])
def test_a_ball_is_found_as_people_type_it(bench, typed):
    assert bench.ball(typed)["ball"] == "B01-2"
    assert bench.ball("b2") == {"batch": "B02", "ball": ""}


def test_times_of_a_phone_in_another_zone_are_stored_as_those_of_the_kitchen(bench, hand):
    """08:55 UTC is 09:55 in Rome in March; a photo's note too."""
    reading = sent("reading", "B01-1", at="2026-03-04T08:55:00+00:00", ph__1="5.41")
    assert bench.store(reading)["saved"] and bench.store(reading)["again"]
    keep_photo(bench, JPEG, entry_id="photo-0001", about="B01", at="2026-03-04T08:55:00+00:00")
    lines = (hand.folder / "record/readings.csv").read_text() + (
        hand.folder / "record/notes.csv"
    ).read_text()
    assert lines.count("2026-03-04T09:55+01:00") == 2 and "08:55" not in lines
    late = bench.store(sent("reading", "B01-1", at="2026-03-04T09:07:00+00:00", ph__1="5.4",
                            name="entry-002"))  # fmt: skip
    assert '"Read at" 10:07 lies after the entry itself (10:00).' in " ".join(late["warnings"])


def test_the_first_page_says_when_the_plan_goes_on(hand):
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text() + '\n[kitchen]\nclosed = ["Sun"]\n', encoding="utf-8")
    bench = Bench(hand.folder, clock=lambda: rome("03-01T10:00"))
    assert bench.overview()["idle"] == (
        "the kitchen is closed on Sundays; the plan goes on Monday 2 March, 09:00: mix B01"
    )


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


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "MPO"])
def test_a_photo_is_read_as_a_whole_before_it_is_kept(bench, hand, kind):
    """Drawn by Pillow; a phone that takes two pictures at once writes MPO, a JPEG by its start."""
    data = picture(kind)
    for cut in (len(data) // 2, len(data) - 40):
        with pytest.raises(Refused, match=r"damaged or cut off\. Take it again\."):
            keep_photo(bench, data[:cut], entry_id="photo-0001", about="B01-3")
    assert not (hand.folder / PHOTOS).exists() and not hand.open().records.notes
    assert keep_photo(bench, data, entry_id="photo-0001", about="B01-3")["saved"]
    ending = {"MPO": "jpg", "JPEG": "jpg"}.get(kind, kind.lower())
    assert [p.suffix for p in (hand.folder / PHOTOS).iterdir()] == [f".{ending}"]


def test_a_photo_that_states_a_monstrous_size_is_refused_before_it_is_unpacked(bench, hand):
    """A PNG of 200 bytes by ISO/IEC 15948: header, data, end; 900 million dots by its header."""
    parts = [(b"IHDR", struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)),
             (b"IDAT", zlib.compress(bytes(900))), (b"IEND", b"")]  # fmt: skip
    data = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in parts
    )
    for take in (lambda: keep_photo(bench, data, entry_id="photo-0001", about="B01-3"),
                 lambda: read_code(data)):  # fmt: skip
        with pytest.raises(Refused, match="The photo is too large to read"):
            take()
    assert not (hand.folder / PHOTOS).exists()


def cut(hand, table, lines):
    """Cut a journal off after that many lines, as a power cut in the middle of an entry does."""
    path = hand.folder / f"record/{table}.csv"
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:lines]))


@pytest.mark.parametrize("kept", [1, 2])
def test_an_entry_cut_by_a_power_cut_is_whole_when_sent_again(bench, hand, kept):
    three = sent("reading", "B01-1", ph__1="5.41", ph__2="5.42", ph__3="5.43")
    bench.store(three)
    cut(hand, "readings", 1 + kept)
    got = bench.store(three)
    assert got["saved"] and got["rows"] == ["entry-001.1", "entry-001.2", "entry-001.3"]
    assert [r["ph"] for r in hand.open().records.readings] == [5.41, 5.42, 5.43]
    assert bench.store(three)["again"]
    assert len(hand.open().records.readings) == 3


def test_a_judges_card_cut_by_a_power_cut_is_whole_when_sent_again(bench, hand):
    card = sent("score", "131", session="S02", judge="ada", crust="7", crumb="6,5")
    bench.store(card)
    cut(hand, "scores", 2)
    assert bench.store(card)["saved"]
    found = {r["criterion"]: r["score"] for r in hand.open().records.scores}
    assert found == {"crust": 7, "crumb": 6.5}


def test_half_an_undo_is_whole_when_sent_again(bench, hand):
    bench.store(sent("reading", "B01-1", ph__1="5.41", ph__2="5.43"))
    undo = undoing("entry-001", "wrong ball", name="entry-002")
    bench.store(undo)
    cut(hand, "readings", 4)
    assert bench.store(undo)["rows"] == ["entry-002.1", "entry-002.2"]
    assert hand.open().records.readings == [] and bench.store(undo)["again"]


def test_another_entry_under_a_used_id_is_never_called_saved(bench, hand):
    bench.store(sent("reading", "B01-1", ph__1="5.41"))
    for other in (sent("reading", "B01-1", ph__1="5.49"), sent("reading", "B02-1", ph__1="5.41"),
                  sent("reading", "B01-1", ph__1="5.41", ph__2="5.42"),
                  sent("temperature", "cooler", temp_c="3.6")):  # fmt: skip
        with pytest.raises(Refused) as e:
            bench.store(other)
        assert str(e.value) == "Another entry is stored under this id. Enter it anew on the page."
    assert [r["ph"] for r in hand.open().records.readings] == [5.41]
    bench.store(sent("note", "B01", note="x", name="photo-0001"))
    with pytest.raises(Refused) as e:
        keep_photo(bench, JPEG, entry_id="photo-0001", about="B01-3")
    assert str(e.value) == "Another entry is stored under this id. Take the photo again."


@pytest.mark.parametrize("action", ["reading", "bake", "pulled", "lost", "note", "mix"])
def test_no_form_turns_a_judges_code_into_its_ball(bench, action):
    values = {"reading": {"ph__1": "5.4"}, "lost": {"note": "x"}, "note": {"note": "x"}}
    words = "131 is a code for judges. Here the ball's own name is wanted, from its label."
    for typed in ("131", "TW/131"):
        with pytest.raises(Refused) as e:
            bench.store(sent(action, typed, **values.get(action, {})))
        assert e.value.fields == {"about": words} and "B01" not in str(e.value)
        with pytest.raises(Refused, match="131 is a code for judges"):
            bench.ball(typed)
        with pytest.raises(Refused, match="131 is a code for judges"):
            keep_photo(bench, JPEG, entry_id="photo-0001", about=typed)


def test_what_judges_owe_is_counted_and_names_no_ball(bench, hand):
    for ball in ("B01-3", "B01-4"):
        hand.write("bakes", {"ball_id": ball, "baked_at": rome("03-04T09:00")})
    owed = [d for d in bench.overview()["due"] if d["step"] == "score"]
    assert [(d["item"], d["words"]) for d in owed] == [("", "2 samples not scored by everybody")]
    assert not [n for n in bench.ball("B01-3")["needs"] if "ada" in n or "score" in n]


def test_half_a_sign_and_a_novel_are_refused_by_themselves(bench):
    with pytest.raises(Refused) as e:
        sent("note", "B01", note="stiff \ud83d")
    assert e.value.fields == {
        "note": "This holds half a sign that no file can store. Delete it and type it again."
    }
    with pytest.raises(Refused) as e:
        sent("note", "B01", note="x" * 2001)
    assert e.value.fields == {"note": "2001 letters are too many; 2000 fit. Shorten it."}


def test_a_trainee_is_taken_from_the_form(bench, hand):
    text = (hand.folder / "trial.toml").read_text()
    text += '\n[training]\ntrainees = ["zoe"]\nexperienced = ["ada", "ben"]\n'
    (hand.folder / "trial.toml").write_text(text)
    got = bench.store(sent("trainee", "zoe", kind="reading", trainee_value="5,40",
                           experienced_value="5.41", experienced="ada"))  # fmt: skip
    row = last(bench, "trainees")
    assert got["saved"]
    assert (row["trainee"], row["trainee_value"], row["experienced"]) == ("zoe", 5.4, "ada")
    form = next(f for f in bench.overview()["forms"] if f["action"] == "trainee")
    assert form["known"] == ["zoe"]
    assert form["fields"][3]["choices"] == ["ada", "ben"]


def test_a_second_value_asks_why_beside_a_field_and_is_taken_with_it(bench):
    bench.store(sent("bake", "B01-3", core_temp_c="18"))
    later = {"at": "2026-03-04T09:58:00+01:00", "name": "entry-002"}
    with pytest.raises(Refused) as e:
        bench.store(sent("bake", "B01-3", core_temp_c="19", **later))
    assert e.value.fields == {
        "reason": 'B01-3: "Core of the dough, before the oven" is 18 °C already. To change it, say '
        "why in the last field."
    }
    bench.store(sent("bake", "B01-3", core_temp_c="19", reason="misread", **later))
    row = last(bench, "bakes")
    assert (row["core_temp_c"], row["reason"]) == (19, "misread")
    assert row["baked_at"] == rome("03-04T09:55")  # the time of the bake did not move


def test_the_second_phone_is_told_of_the_first_ones_readings(bench):
    three = {"ph__1": "5.41", "ph__2": "5.42", "ph__3": "5.43"}
    assert not [w for w in bench.store(sent("reading", "B01-1", **three))["warnings"] if "had" in w]
    for name, had in (("entry-002", 3), ("entry-003", 6)):
        said = bench.store(sent("reading", "B01-1", name=name, **three))["warnings"]
        assert (
            f"B01-1 had {had} readings before these (5.41, 5.42, 5.43, the last at 09:55 by ada); "
            "3 are planned, and all are averaged. Entered twice? Then open the ball and take one "
            "back there."
        ) in said


def test_a_baked_ball_is_not_read_and_its_scores_stay_open(bench):
    bench.store(sent("bake", "B01-3"))
    with pytest.raises(Refused) as e:
        bench.store(sent("reading", "B01-3", ph__1="5.4", name="entry-002"))
    assert str(e.value) + "".join(e.value.fields.values()) == (
        "B01-3 is baked already, so no dough of it is left to read. Nothing was stored. Look at "
        "the label of the ball that was read."
    )
    card = sent("score", "131", session="S02", judge="ada", crust="7", crumb="6", name="entry-003")
    assert bench.store(card)["warnings"] == []


def test_a_score_before_any_bake_is_told(bench):
    card = sent("score", "131", session="S02", judge="ada", crust="7", crumb="6")
    said = bench.store(card)["warnings"]
    assert "No bake of this sample is written down yet: tell whoever bakes." in said


def test_an_hour_belongs_to_the_day_on_which_it_was_typed(bench):
    """Typed yesterday evening without wifi, sent this morning."""
    bench.store(sent("mix", "B03", mixed_at="18:10", at="2026-03-03T18:30:00+01:00"))
    assert last(bench, "mixes")["mixed_at"] == rome("03-03T18:10")


def test_an_hour_that_is_still_to_come_is_asked_about(bench):
    with pytest.raises(Refused) as e:
        bench.store(sent("mix", "B03", mixed_at="23:10"))
    assert e.value.fields == {
        "mixed_at": "23:10 is still to come; it is 10:00. If it was yesterday: yesterday 23:10."
    }
    bench.store(sent("mix", "B03", mixed_at="yesterday 23:10", name="entry-002"))
    assert last(bench, "mixes")["mixed_at"] == rome("03-03T23:10")


def test_a_clock_that_was_wrong_while_typing_is_flagged_though_it_is_right_now(bench):
    raw = {"id": "entry-001", "action": "temperature", "about": "cooler", "by": "ada",
           "values": {"temp_c": "3.6"}, "at": "2026-03-04T10:12:00+01:00", "lead": 720}  # fmt: skip
    bench.store(read_sent(raw))
    assert last(bench, "temperatures")["note"] == "clock of the phone 12 min fast"


def test_own_buffers_have_their_fields(bench, hand):
    text = (hand.folder / "trial.toml").read_text()
    text += "\n[buffers.blue]\ntemps_c = [15, 25]\nph = [7.05, 7.01]\n"
    (hand.folder / "trial.toml").write_text(text)
    form = next(f for f in bench.overview()["forms"] if f["action"] == "calibration")
    assert [f["label"] for f in form["fields"][:6]] == [
        f"Buffer {b} shows, mV" for b in ("blue", "4", "7", "10", "6.86", "9.18")
    ]
    raw = {"buffer#blue": "-1,7", "buffer#phosphate": "7", "buffer#4": "173", "temp_c": "20"}
    bench.store(read_sent({"id": "entry-001", "action": "calibration", "values": raw,
                           "at": "2026-03-04T09:55:00+01:00"}))  # fmt: skip
    assert last(bench, "calibrations")["buffers"] == "7.03 -1.7 mV; 6.88 +7 mV; 4.00 +173 mV"


def test_a_lost_ball_says_so_and_a_spare_waits(bench):
    bench.store(sent("lost", "B02-2", note="dropped"))
    assert bench.ball("B02-2")["lost"] == "lost: dropped"
    spare = bench.ball("B02-5")
    assert (spare["needs"], spare["is"]) == ([], "spare: takes the place of a lost ball")


def test_a_card_is_cut_into_the_planned_sittings(bench, hand):
    text = (hand.folder / "trial.toml").read_text()
    text = text.replace("[panel]", "[panel]\nsamples_per_session = 2")
    (hand.folder / "trial.toml").write_text(text)
    card = bench.card("ada", "S02")
    due = {r["item"]: r["due_at"] for r in hand.plan.schedule if r["step"] == "bake"}
    served = {b["blind_code"]: due[b["ball_id"]] for b in hand.plan.balls if b["session"] == "S02"
              and b["purpose"] == "bake"}  # fmt: skip
    first = sorted(served.values())
    assert [c["sitting"] for c in card["codes"]] == [f"{first[0]:%H:%M}"] * 2 + [
        f"{first[2]:%H:%M}"
    ] * (len(served) - 2)
    assert card["rest"] == "2 samples at a sitting, then a rest"


def test_a_held_lock_leaves_the_entry_on_the_phone(bench, hand, monkeypatch):
    from doughlab.record.storage import NotStored, locked

    monkeypatch.setattr("doughlab.record.bench_desk.WAIT_S", 0.05)
    with locked(hand.folder), pytest.raises(NotStored, match="Nothing was stored"):
        bench.store(sent("temperature", "cooler", temp_c="3.6"))
    assert bench.store(sent("temperature", "cooler", temp_c="3.6"))["saved"]


def test_a_full_disk_keeps_the_photo_on_the_phone(bench, hand):
    from doughlab.record.storage import NotStored

    elsewhere = hand.folder.parent / "elsewhere"
    elsewhere.mkdir()
    (hand.folder / "record/photos").symlink_to(elsewhere)  # a link is not followed either
    with pytest.raises(NotStored, match="This folder may only be read"):
        keep_photo(bench, JPEG, entry_id="photo-0001", about="B01-3")
    assert not list(elsewhere.iterdir())
    (hand.folder / "record/photos").unlink()
    (hand.folder / "record/photos").write_text("in the way")
    with pytest.raises(NotStored, match="Nothing was stored; what was stored before is whole"):
        keep_photo(bench, JPEG, entry_id="photo-0001", about="B01-3")


def test_a_first_page_that_takes_long_rests_and_says_so(bench, hand, monkeypatch):
    import doughlab.record.bench_desk as desk

    seconds = iter([0.0, 0.0, 1.0, 2.0, 2.0, 9.0, 9.0, 10.0])  # compare, start and end of each
    monkeypatch.setattr(desk, "monotonic", lambda: next(seconds))
    first = bench.overview()
    hand.note("B01", "note", "03-04T09:00", "stiff")
    assert bench.overview()["old"] is True  # worked out in 1 s, 1 s ago
    assert "old" not in first and "old" not in bench.overview()  # 8 s ago: worked out anew


def test_an_entry_is_known_again_beside_a_line_that_was_set_aside(bench, hand):
    """A journal with a .torn file beside it is read as a whole each time."""
    (hand.folder / "record/bakes.csv.torn").write_text("half a li\n")
    bake = sent("bake", "B01-3", core_temp_c="18")
    assert not bench.store(bake)["again"]
    assert bench.store(bake)["again"]
    assert len(hand.open().records.bakes) == 1
