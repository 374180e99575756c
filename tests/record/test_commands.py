"""The commands of the bench: what is asked, stored, listed and said next."""

import builtins
import json
import re
import subprocess
import sys
from datetime import datetime, timedelta

import pytest

from doughlab.cli import main


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


class Frozen(datetime):
    """A machine whose clock stands still."""

    stands = "2026-03-04T10:00:00+01:00"

    @classmethod
    def now(cls, tz=None):
        return datetime.fromisoformat(cls.stands)


@pytest.fixture
def say(hand, capsys, monkeypatch):
    """Run one command line in the folder, at a time that stands still; give code and output."""
    from doughlab.commands import record, today

    monkeypatch.chdir(hand.folder)
    monkeypatch.setattr(record, "datetime", Frozen)
    monkeypatch.setattr(today, "datetime", Frozen)

    def run(*words):
        code = main(list(words))
        out, err = capsys.readouterr()
        if "--json" not in words:
            assert max(map(len, [*out.splitlines(), *err.splitlines()]), default=0) <= 80
        return code, out, unwrapped(err)

    return run


def unwrapped(text):
    """Put lines that were cut for the terminal together again."""
    return re.sub(r"\n +", " ", text)


def test_what_was_stored_is_said_and_what_the_ball_still_needs(hand, say):
    hand.mix("B01", "03-02T09:00")
    calibration = {"calibration_id": "C1", "instrument": "meter", "slope_pct": 97.8}
    hand.write("calibrations", calibration | {"calibrated_at": rome("03-04T08:00")})
    code, out, err = say("record", "reading", "B01-1", "5.41", "5,43", "--by", "ana")
    stored = [r["entry_id"][:8] for r in hand.open().records.readings]
    assert (code, err) == (0, "")
    assert out.splitlines() == [
        "stored B01-1: pH 5.41, pH 5.43; read at 10:00, meter, slurry, calibration C1,",
        f"  session S02 (entry {stored[0]}, {stored[1]})",
        "wrote record/readings.csv",
        "next: B01-1 still needs 1 of 3 readings",
        "next: late: take out B01-3",
    ]
    assert {r["entered_by"] for r in hand.open().records.readings} == {"ana"}


def test_a_temperature_typed_in_fahrenheit_is_answered_in_fahrenheit(hand, say):
    _, out, _ = say("record", "mix", "B01", "--at", "2026-03-02 09:00", "water_temp_c=59 F")
    assert "mixing water 59 °F" in out
    assert hand.open().records.mixes[0]["water_temp_c"] == 15.0


def test_options_may_stand_between_the_words(hand, say):
    code, _, err = say("record", "note", "B01", "--by", "ana", "stiff", "--at", "9:00", "dough")
    assert (code, err) == (0, "")
    assert hand.open().records.notes[0]["note"] == "stiff dough"


def test_what_is_refused_is_said_and_not_stored(hand, say):
    code, out, err = say("record", "bake", "B01-1")
    assert (code, out) == (1, "")
    assert err == (
        "doughlab record: B01-1 is a ball for reading: it is pierced and never baked or served. "
        "Take the entry back, or correct the ball.\n"
    )
    assert not (hand.folder / "record").exists()


def test_a_correction_and_a_void_are_said(hand, say):
    hand.write("temperatures", {"place": "cooler", "at": rome("03-04T09:00"), "temp_c": 36,
                                "entry_id": "first-one"})  # fmt: skip
    _, out, _ = say("record", "temperature", "cooler", "3.6", "--replaces", "first",
                    "--reason", "decimal point", "--at", "9:00")  # fmt: skip
    (row,) = hand.open().records.temperatures
    assert out.splitlines()[0] == (
        f"stored cooler instead of first-on: at 09:00, temperature 3.6 °C (entry "
        f"{row['entry_id'][:8]})"
    )
    code, out, _ = say("record", "temperature", "--void", row["entry_id"], "--reason", "no cooler")
    assert code == 0
    assert f"stored cooler takes back {row['entry_id'][:8]}: no cooler" in out
    assert hand.open().records.temperatures == []


def test_a_judge_who_gives_a_code_is_never_told_the_ball(hand, say):
    hand.mix("B01", "03-02T09:00")
    hand.write("bakes", {"ball_id": "B01-3", "baked_at": rome("03-04T09:45")})
    code, out, _ = say("record", "score", "131", "ada", "crust=7")
    assert code == 0
    assert out.splitlines()[0].startswith("stored code 131: blind code 131, judge ada, crit")
    assert out.splitlines()[-1] == "next: code 131 still needs scores of ada, ben"
    code, _, err = say("record", "score", "131", "ada", "crust=8")
    assert code == 1
    assert err.startswith("doughlab record: ada scored crust of code 131 already in row 2 of ")
    _, done, _ = say("record", "score", "131", "ben", "crust=7", "--json")
    _, again, _ = say("record", "score", "131", "ben", "crust=7", "--json")
    assert "B01-3" not in out + err + done + again
    assert hand.open().records.scores[0]["ball_id"] == "B01-3"


def test_an_entry_is_taken_back_by_its_name_alone(hand, say):
    hand.mix("B01", "03-02T09:00")
    code, out, _ = say("record", "lost", "B01-2", "dropped")
    assert code == 0
    entry = re.search(r"entry ([0-9a-f]{8})", out)[1]
    code, _, err = say("record", "--void", entry)
    assert (code, err) == (1, "doughlab record: Say why it is taken back: --reason TEXT\n")
    code, _, err = say("record", "void", entry)
    assert (code, err) == (
        1,
        "doughlab record: To take an entry back say why: doughlab record --void "
        f"{entry} --reason TEXT\n",
    )
    code, out, _ = say("record", "--void", entry, "--reason", "it was B01-4")
    assert code == 0
    assert out.startswith(f"stored B01-2 takes back {entry}: it was B01-4 (entry ")
    code, _, err = say("record", "--void", "ffff9999", "--reason", "mistyped")
    assert (code, err) == (
        1,
        "doughlab record: No entry begins with 'ffff9999'. doughlab record names the entry when it "
        "stores one; it is also the first column of the file in record/.\n",
    )


def test_record_alone_says_what_can_be_written_down(hand, say):
    from doughlab.record.desk import ACTIONS

    code, _, err = say("record")
    assert (code, err) == (
        1,
        f"doughlab record: Say what is written down: {', '.join(ACTIONS)} or import. For example: "
        "doughlab record temperature cooler 38F\n",
    )
    assert "reading" in ACTIONS and "temperature" in ACTIONS


def test_a_cooler_above_the_limit_is_said_when_it_is_read(hand, say):
    code, out, _ = say("record", "temperature", "cooler", "45F")
    assert code == 0
    assert (
        "look: cooler 45 °F at 10:00, above 41 °F: no warm-up and no pH advice; follow your "
        "food-safety plan"
    ) in unwrapped(out)  # 41 F is 5 C: the limit of the settings
    _, out, _ = say("record", "temperature", "cooler", "3,6")
    assert "above" not in out
    _, out, _ = say("record", "temperature", "bench", "22")
    assert "above" not in out


def test_millivolts_that_no_probe_shows_are_refused_with_what_to_do(hand, say):
    # ideal at 20 C: 58.2 mV a pH (2.303 RT/F, common textbook formula); 72 mV over 3 pH is 41 %
    code, _, err = say("record", "calibration", "7.00=-12mV", "4.01=60mV", "temp_c=68F")
    assert (code, err) == (
        1,
        "doughlab record: 7.00=-12mV and 4.01=60mV would be a slope of 41 % (50 to 120 % is "
        "stored). Check that each number stands at its own buffer, with its sign; then rinse the "
        "probe, take fresh buffers and read again. Nothing was stored.\n",
    )
    assert not hand.open().records.calibrations


def test_a_file_is_taken_with_its_rows(hand, say, tmp_path):
    hand.mix("B01", "03-02T09:00")
    (tmp_path / "old.csv").write_text("ball_id,read_at,ph\n" + "B01-1,2026-03-04 09:45,5.41\n" * 3)
    code, out, _ = say("record", "import", "readings", str(tmp_path / "old.csv"))
    assert code == 0
    assert "wrote record/readings.csv" in out
    assert "B01-1 needs no more" in out
    assert len(hand.open().records.readings) == 3
    code, _, err = say("record", "import", "readings")
    assert (code, err) == (
        1,
        "doughlab record: Name the table and the file: doughlab record import readings old.csv. "
        "Tables: mixes, readings, bakes, scores, calibrations, temperatures, lots, notes, "
        "trainees.\n",
    )


def test_machines_get_the_same_facts(hand, say):
    _, out, _ = say("record", "temperature", "cooler", "3.6", "--json")
    facts = json.loads(out)
    assert facts["table"] == "temperatures"
    assert facts["entries"] == [hand.open().records.temperatures[0]["entry_id"]]
    _, out, _ = say("today", "--at", "2026-03-02 08:50", "--json")
    assert json.loads(out)["due"][0] == {
        "item": "B01", "step": "mix", "due_at": "2026-03-02T09:00:00+01:00", "when": "now",
        "late": False, "place": "", "words": "water tap",
    }  # fmt: skip
    _, out, _ = say("check", "--json")
    assert json.loads(out)["problems"] == []


def test_today_sets_the_day_in_lines(hand, say):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01-2", "pulled", "03-03T08:20")
    hand.write("calibrations", {"calibration_id": "C1", "instrument": "meter", "slope_pct": 97.8,
                                "calibrated_at": rome("03-02T06:30")})  # fmt: skip
    code, out, _ = say("today", "--at", "2026-03-03 09:50")
    assert code == 0
    assert out.splitlines() == [
        "Tuesday 3 March, 09:50                                      Two waters",
        "late   take out  B01-4 (08:15)   shelf 4, place 1; 90 min to warm; 1 h of your 4",
        "       h used; if it is out, write it down with --at TIME; else take it out now,",
        "       or mark it lost",
        "late   mix       B03 (09:00)   water tap; write it down if it is done",
        "now    read      B01-2   3 readings, on a piece you throw away",
        "now    bake      B01-4   by blind code, in the order of the judges' sheets",
        "now    mix       B04   water ro",
        "miss   mix       B02 (Mon 2 Mar 09:45)   water ro; write it down if it is done",
        "warm   B01-2     2 h 30 of your 4 h at room temperature",
        "meter  27 h since buffers; last 97.8 %: do the buffers before the next reading",
        "next: doughlab record pulled B01-4",
    ]
    assert max(map(len, out.splitlines())) <= 80


def test_today_does_not_have_a_ball_read_in_part_marked_lost(hand, say):
    """`record lost` refuses a ball that was read; no line that is said may be refused."""
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-1", "03-04T09:45", 5.41, 5.42)
    others = {b["batch_id"] for b in hand.open().frozen_plan.balls} - {"B01"}
    for about in ("B01-2", "B01-3", "B01-4", "B01-5", *sorted(others)):
        hand.note(about, "lost", "03-04T10:00", "dropped")
    _, out, _ = say("today", "--at", "2026-03-07 10:00", "--json")
    facts = json.loads(out)
    assert [(d["item"], d["step"], d["when"]) for d in facts["due"]] == [
        ("B01-1", "read", "missing")
    ]
    _, out, _ = say("today", "--at", "2026-03-07 10:00")
    assert "and not used any more: it keeps its 2 readings" in " ".join(out.split())
    assert "mark it lost" not in " ".join(out.split())
    assert [ln for ln in out.splitlines() if "doughlab record" in ln] == [
        "next: if it was done: doughlab record reading B01-1 PH --at '4 Mar TIME'"
    ]
    code, _, err = say("record", "lost", "B01-1", "too old")
    assert code == 1
    assert "is used already" in err


def test_today_reads_a_day_of_the_plan_and_says_when_it_is_idle(hand, say, monkeypatch):
    """The plan goes from Monday 2 to Thursday 5 March 2026; asked in that year and in the next."""
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text() + '\n[kitchen]\nclosed = ["Sun"]\n', encoding="utf-8")
    _, out, _ = say("today", "--at", "Mar 1")
    lines = out.splitlines()
    assert lines[0].startswith("Sunday 1 March, 00:00  ")
    assert lines[1] == "the kitchen is closed on Sundays"
    assert lines[2] == "nothing is due today; the plan goes on Monday 2 March, 09:00: mix B01"
    monkeypatch.setattr(Frozen, "stands", "2027-01-05T10:00:00+01:00")
    _, out, _ = say("today", "--at", "2 Mar")
    assert out.splitlines()[0].startswith("Monday 2 March 2026, 00:00  ")
    assert "09:00  mix       B01" in out
    _, out, _ = say("today", "--at", "2026-03-08")
    assert "nothing more is due today; the plan ended on Thursday 5 March" in out
    _, out, _ = say("record", "temperature", "cooler", "3.6", "--at", "Mar 3, 2pm", "--by", "ada")
    assert [r["at"].isoformat() for r in hand.open().records.temperatures] == [
        "2026-03-03T14:00:00+01:00"
    ]


def test_what_was_missed_is_written_down_with_its_own_time(hand, say):
    """A command that is copied must not write today's time for what was done another day."""
    for at, words in (
        ("2026-03-02 08:50", "record mix B01"),
        ("2026-03-02 09:50", "record mix B01 --at TIME"),
        ("2026-03-09 07:50", "record mix B01 --at '2 Mar TIME'"),
    ):
        assert say("today", "--at", at)[1].splitlines()[-1] == f"next: doughlab {words}"
    for name, minutes in (("B01", 2), ("B02", 47)):
        start = rome("03-02T09:00") + timedelta(minutes=minutes)
        hand.write("mixes", {"batch_id": name, "mixed_at": start})
    out = say("today", "--at", "2026-03-09 07:50")[1]
    assert out.splitlines()[-1] == "next: doughlab record mix B01 balled_at='2 Mar TIME'"


def test_today_says_what_cannot_be_used(hand, say):
    hand.note("B01", "note", "03-04T10:00")
    path = hand.folder / "record" / "notes.csv"
    path.write_text(path.read_text().replace(",note,", ",nothing,"))
    code, out, _ = say("today", "--at", "2026-03-02 08:50")
    assert code == 0
    assert "files  1 thing cannot be used: doughlab check" in out


def test_today_without_plan_or_folder_says_what_to_do(tmp_path, capsys):
    assert main(["today", str(tmp_path)]) == 1
    assert "trial.toml: does not exist, so this is no trial folder." in capsys.readouterr().err


def test_check_lists_problems_and_says_how_to_mend_records(hand, say):
    hand.note("B77", "note", "03-04T10:00")
    code, out, _ = say("check")
    lines = unwrapped(out).splitlines()
    assert code == 1
    assert lines[0] == "read 6 files of ."
    assert lines[1].startswith("record/notes.csv, row 2, column about: 'B77' is nothing of this")
    assert "1 problem" in lines
    entry = hand.open().records.notes[0]["entry_id"][:8]
    assert lines[1].endswith(f"(entry {entry})")
    assert lines[-2:] == [
        "wrote datapackage.json",
        f"next: doughlab record note --replaces {entry} about=RIGHT --reason TEXT",
    ]
    line = lines[-1].removeprefix("next: doughlab ").replace("RIGHT", "B01").split()
    assert say(*line)[0] == 0  # it can be copied as it stands, with what is right filled in
    assert say("check")[0] == 0


def test_check_has_nothing_to_upgrade_and_refuses_a_newer_format(hand, say):
    code, out, _ = say("check", "--upgrade")
    assert code == 0
    assert "format 1 is the newest format: nothing to upgrade" in out
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text().replace("format = 1", "format = 2"))
    code, out, _ = say("check", "--upgrade")
    assert code == 1
    assert (
        "trial.toml, row 2, column format: format 2 is newer than this doughlab reads\n"
        "  (1). Update doughlab." in out
    )


ALL = {
    "dough": "house dough, 250 g balls, 12 a batch",
    "question": "Which water for the new building?",
    "waters": "tap, reverse osmosis, bottled",
    "vary": "mixing water 54 to 64 F; hydration 60 or 65 %; hold 24, 48, 72 h",
    "window": "5.35 to 5.75",
    "difference": "pH 0.05, score 2",
    "kitchen": "2, 90, 6 an hour, 8-20, closed Mondays and Tuesdays",
    "meter": "yes, reads 0.02; buffers 4 and 7",
}


def options(**changes):
    return [w for k, v in (ALL | changes).items() for w in (f"--{k}", v)]


@pytest.fixture
def silent(monkeypatch):
    """Nobody answers any question."""

    def nobody(prompt=""):
        raise EOFError

    monkeypatch.setattr(builtins, "input", nobody)


def test_every_answer_can_be_an_option(tmp_path, capsys):
    from doughlab.trial import Trial

    folder = tmp_path / "lantern-quay"
    assert main(["new", str(folder), *options()]) == 0
    out = capsys.readouterr().out
    assert "taken:" not in out
    assert "still needed: alkalinity of 'tap' and 'reverse osmosis' and 'bottled'." in out
    trial = Trial.open(folder)
    s = trial.settings
    assert (s.name, s.code, s.dough, s.show_temperature) == (
        "Lantern Quay",
        "LQ",
        "house dough",
        "F",
    )
    assert {f.name: f.levels for f in s.factors.values()} == {
        "water": ("tap", "reverse osmosis", "bottled"),
        "water_temp_c": ("54 F", "64 F"),
        "hydration": ("60", "65"),
        "hold": ("24", "48", "72"),
    }
    assert (s.window.low, s.window.high) == (5.35, 5.75)
    assert (s.response("ph").margin, s.response("bake").margin) == (0.05, 2.0)
    assert (s.kitchen.mixers, s.kitchen.cooler_places, s.kitchen.open_at) == (2, 90, "08:00")
    assert s.kitchen.closed == ("Mon", "Tue")
    assert s.reading_method.resolution == 0.02
    assert s.questions[0].text == "Which water for the new building?"
    assert (trial.formula.ball_g, trial.formula.balls) == (250.0, 12)
    assert list(trial.waters) == ["tap", "reverse osmosis", "bottled"]
    assert {p.level for p in trial.problems} == {"note"}
    assert (s.blocks.days, s.blocks.replicates) == (6, 2)


def test_a_new_trial_can_be_planned_at_once(tmp_path, silent):
    from doughlab.plan import build_plan
    from doughlab.trial import Trial

    main(["new", str(tmp_path / "t"), *options()])
    trial = Trial.open(tmp_path / "t")
    plan = build_plan(trial.settings, formula=trial.formula, waters=trial.waters)
    assert len(plan.batches) == 24
    assert plan.schedule


def test_dont_know_is_always_an_answer_and_stands_in_the_file(tmp_path, monkeypatch, capsys):
    from doughlab.trial import Trial

    said = iter(["don't know", "?", "?", "", "I don't know", "idk", "Don't know.", "not sure", "?",
                 "?"])  # fmt: skip
    monkeypatch.setattr(builtins, "input", lambda prompt="": next(said))
    assert main(["new", str(tmp_path / "t")]) == 0
    out = capsys.readouterr().out
    assert out.count("taken: ") == 8
    text = (tmp_path / "t" / "trial.toml").read_text()
    assert "# - Meter? a meter that reads 0.01\n" in text
    assert "# [window]" in text
    trial = Trial.open(tmp_path / "t")
    assert list(trial.settings.factors) == ["water", "hold"]
    assert {p.level for p in trial.problems} == {"note"}


def test_an_answer_that_is_not_understood_is_asked_again(tmp_path, monkeypatch, capsys):
    said = iter(["7 up", "house dough"] + ["don't know"] * 7)
    monkeypatch.setattr(builtins, "input", lambda prompt="": next(said))
    assert main(["new", str(tmp_path / "t")]) == 0
    assert capsys.readouterr().err == (
        "'7 up' was not understood. Say it like: house dough, 260 g balls, 18 a batch. Or\n"
        "  type: don't know.\n"
    )


def test_nobody_there_takes_every_default(tmp_path, silent, capsys):
    assert main(["new", str(tmp_path / "t")]) == 0
    assert capsys.readouterr().out.count("taken: ") == 8


def test_nothing_is_overwritten(tmp_path, silent, capsys):
    (tmp_path / "waters.csv").write_text("mine\n")
    assert main(["new", str(tmp_path)]) == 1
    assert unwrapped(capsys.readouterr().err) == (
        f"doughlab new: {tmp_path} already holds waters.csv. Nothing is overwritten: choose "
        "another folder, or edit the files.\n"
    )
    assert sorted(p.name for p in tmp_path.iterdir()) == ["waters.csv"]


@pytest.mark.parametrize(
    ("option", "answer", "sentence"),
    [
        ("dough", "7 up", "--dough: '7 up' was not understood. Say it like: house dough, 260 g "
         "balls, 18 a batch"),
        ("dough", "5 g balls", "--dough: ball 5 lies outside 20 to 5000 g."),
        ("waters", "tap, tap", "--waters: water 'tap' was named twice."),
        ("waters", "tap; <b>", "--waters: '<b>' is not a name for a water. Say it like: tap, "
         "bottled"),
        ("vary", "hydratoin 60 or 65", "--vary: 'hydratoin 60 or 65': 'hydratoin' is not known as "
         "a number. Known: mixing water, hydration, salt, yeast, oil, malt, ball, hold. A choice "
         "of your own has words: flour strong or soft"),
        ("vary", "hydration 60", "--vary: factor 'hydration' has 1 level. Give two or more to "
         "compare."),
        ("vary", "hold 24, 48 h; hold 3, 4 h", "--vary: 'hold' was named twice."),
        ("vary", "flour", "--vary: 'flour' was not understood. Say it like: hydration 60 or 65 %; "
         "hold 24, 48 h"),
        ("window", "5.3 to 5.3", "--window: Both ends are 5.3. Say it like: 5.35 to 5.75"),
        ("window", "about 5", "--window: 5 is one end only. Say both ends: 5.35 to 5.75"),
        ("window", "low", "--window: 'low' was not understood. Say it like: 5.35 to 5.75"),
        ("difference", "ph 9", "--difference: A difference of 9 in ph is not between 0 and 3."),
        ("difference", "much", "--difference: 'much' was not understood. Say it like: pH 0.10, "
         "score 1"),
        ("kitchen", "21-9", "--kitchen: 09:00 does not lie after 21:00."),
        ("kitchen", "closed Moonday", "--kitchen: 'closed Moonday' was not understood. Say it "
         "like: closed Mondays and Tuesdays"),
        ("kitchen", "0", "--kitchen: mixers: 0 is not 1 to 20."),
        ("meter", "a parrot", "--meter: 'a parrot' was not understood. Say it like: yes, reads "
         "0.01; buffers 4 and 7"),
    ],
)  # fmt: skip
def test_an_option_that_is_not_understood_is_said(
    tmp_path, silent, capsys, option, answer, sentence
):
    assert main(["new", str(tmp_path / "t"), *options(**{option: answer})]) == 1
    assert unwrapped(capsys.readouterr().err).startswith(f"doughlab new: {sentence}")
    assert not (tmp_path / "t").exists()


def test_one_water_and_strips_still_make_a_trial(tmp_path, silent):
    from doughlab.trial import Trial

    words = options(waters="tap", vary="nothing", meter="strips", question="?", window="?")
    assert main(["new", str(tmp_path / "t"), *words]) == 0
    s = Trial.open(tmp_path / "t").settings
    assert list(s.factors) == ["hold"]
    assert (s.reading_method.kind, s.reading_method.readings_per_ball) == ("strip", 1)


@pytest.mark.parametrize(
    "words",
    [["--help"], ["record", "--help"], ["check", "."], ["today", "."],
     ["record", "note", "B01", "x"], ["new", "fresh", "--waters", "tap"]],
    ids=lambda words: " ".join(words),
)  # fmt: skip
def test_quick_commands_load_no_statistics(hand, words):
    """Started in a fresh interpreter; what they import is read from its list of modules."""
    code = (
        "import sys; from doughlab.cli import main; code = main(sys.argv[1:]);"
        "heavy = {'numpy', 'pandas', 'scipy', 'statsmodels', 'pingouin', 'matplotlib', 'seaborn',"
        " 'formulaic', 'pint', 'pyDOE3'};"
        "print(sorted(heavy & {m.split('.')[0] for m in sys.modules}), code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=hand.folder, capture_output=True, text=True, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == "[] 0", done.stdout + done.stderr


def test_places_of_several_balls_are_set_apart(hand, say):
    hand.mix("B01", "03-02T09:00")
    _, out, _ = say("today", "--at", "2026-03-04 08:00")
    said = " ".join(out.split())
    places = {b["ball_id"]: b["place"] for b in hand.open().frozen_plan.balls}
    assert places["B01-1"] != places["B01-3"]
    assert f"B01-1 B01-3 {places['B01-1']}; {places['B01-3']}; 90 min to warm" in said


def test_an_odd_reading_is_named_as_it_is_stored(hand, say):
    """The look on the second of three numbers names its entry, not the word ENTRY."""
    hand.mix("B01", "03-02T09:00")
    _, out, _ = say("record", "reading", "B01-1", "5.41", "6.43", "5.40")
    said = " ".join(out.split())
    names = re.search(r"\(entry (\w{8}), (\w{8}), (\w{8})\)", said)
    assert (
        "6.43 lies 1 from the other readings (5.41, 5.4). Read once more; if it was a slip, "
        in said
    )
    assert f"doughlab record reading --void {names[2]} --reason TEXT" in said


def test_after_the_plan_the_answers_come_next(hand, say):
    for batch in ("B01", "B02", "B03", "B04"):
        assert say("record", "lost", batch, "oven broke", "--at", "2026-03-04 09:00")[0] == 0
    assert "next:" not in say("today", "--at", "2026-03-04 09:30")[1]
    _, out, _ = say("today", "--at", "2026-03-08")
    assert out.splitlines()[-1] == "next: all is written down; the answers: doughlab analyse"


def test_today_takes_a_day_in_the_place_of_its_folder(hand, say):
    _, asked, _ = say("today", "--at", "2026-03-03")
    for word in ("2026-03-03", "Mar 3"):
        assert say("today", word)[1] == asked


def test_labels_of_a_batch_or_a_ball_are_found_as_they_are_typed(hand):
    from datetime import date

    from doughlab.commands.sheets import choose_balls

    contents, day = hand.open().contents, date(2026, 3, 2)
    own = [f"B01-{k}" for k in range(1, 6)]
    for typed in ("b1", "B01", "b01"):
        assert choose_balls(contents, typed, day) == own
    assert choose_balls(contents, "b1-3", day) == ["B01-3"]
    assert len(choose_balls(contents, "All", day)) == 20


def test_the_rest_of_a_set_taken_back_in_part_is_named(hand, say):
    """One of three numbers taken back: the others stay, are said, and their line takes them."""
    hand.mix("B01", "03-02T09:00")
    _, out, _ = say("record", "reading", "B01-1", "5.41", "5.43", "5.40")
    one, two, three = re.search(
        r"\(entry (\w{8}), (\w{8}), (\w{8})\)", " ".join(out.split())
    ).groups()
    _, out, _ = say("record", "--void", two, "--reason", "was B01-2")
    said = " ".join(out.split())
    assert (
        "look: 2 more were stored together with it and stay in use (5.41, 5.4). To take them back "
        f"too: doughlab record reading --void {one},{three} --reason TEXT" in said
    )
    assert [r["ph"] for r in hand.open().records.readings] == [5.41, 5.4]
    code, out, _ = say("record", "reading", "--void", f"{one},{three}", "--reason", "was B01-2")
    assert (code, "stay" in out) == (0, False)
    assert f"stored B01-1 takes back {one}, {three}: was B01-2" in " ".join(out.split())
    assert hand.open().records.readings == []
    assert "next: B01-1 still needs take out, 3 readings" in out  # not pierced any more
    code, _, err = say("record", "reading", "--void", one, "--reason", "again")
    assert (code, "was taken back already: was B01-2. Nothing was stored." in err) == (1, True)


def test_a_set_typed_twice_is_taken_back_by_the_line_that_is_said(hand, say):
    """The line named at entry, and the one that check names, both take the whole second set."""
    hand.mix("B01", "03-02T09:00")
    say("record", "reading", "B01-1", "5.41", "5.43", "5.40", "--at", "2026-03-04 09:30")
    Frozen.stands, before = "2026-03-04T10:05:00+01:00", Frozen.stands
    try:
        _, out, _ = say("record", "reading", "B01-1", "5.41", "5.43", "5.40", "--at", "9:32")
        line = r"Take the last set back: doughlab record reading --void (\S+) --reason TEXT"
        named = re.search(line, " ".join(out.split()))[1]
        assert re.search(line, " ".join(say("check", ".")[1].split()))[1] == named
        assert say("record", "reading", "--void", named, "--reason", "typed twice")[0] == 0
    finally:
        Frozen.stands = before
    assert [r["read_at"].minute for r in hand.open().records.readings] == [30, 30, 30]


def test_a_week_written_up_late_is_first_asked_for_its_times(hand, say):
    """Mixed on 2 March, asked on the 20th: what was done then is not told to be thrown away."""
    hand.mix("B01", "03-02T09:00")
    for batch in ("B02", "B03", "B04"):
        say("record", "lost", batch, "not mixed")
    out = say("today", "--at", "2026-03-20 10:00")[1]
    said = " ".join(out.split())
    assert said.count("if it was done, write it down with its time; else it is over your") >= 3
    assert [line.strip() for line in out.splitlines() if "doughlab record" in line] == [
        "next: if it was done: doughlab record pulled B01-2 --at '3 Mar TIME'",
        'next: if it was not: doughlab record lost B01-2 "too old"',
    ]


def test_a_hold_far_off_its_plan_is_a_problem(hand, say, monkeypatch):
    """Balled on 2 March at 09:45, read on the 20th at 10:00: 432.25 h beside a longest of 96 h."""
    hand.mix("B01", "03-02T09:00")
    monkeypatch.setattr(Frozen, "stands", "2026-03-20T10:00:00+01:00")
    _, out, _ = say("record", "reading", "B01-1", "5.41", "5.43", "5.40")
    said = " ".join(out.split())
    ids = ",".join(re.search(r"\(entry (\w{8}), (\w{8}), (\w{8})\)", said).groups())
    words = (
        "B01-1 was held 432.2 h, planned were 48 h and your longest hold is 96 h. It is analysed "
        f"as 48 h all the same. If the time is wrong: doughlab record reading --void {ids} "
        "--reason TEXT. Then write it down with its time."
    )
    assert f"look: {words}" in said
    code, out, _ = say("check")
    assert code == 1
    assert f"record/readings.csv, row 2, column read_at: {words}" in " ".join(out.split())
    assert "1 problem, " in out
    monkeypatch.setattr(Frozen, "stands", "2026-03-20T10:05:00+01:00")
    assert say("record", "reading", "--void", ids, "--reason", "no time")[0] == 0
    say("record", "reading", "B01-1", "5.41", "5.43", "5.40", "--at", "2026-03-04 09:45")
    assert say("check")[0] == 0
