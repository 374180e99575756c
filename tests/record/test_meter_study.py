"""A meter study at the bench: which ball, who, which meter comes next; counted by hand."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.plan.meters import count_readings, follow_study, list_readings
from doughlab.record.bench_desk import Bench
from doughlab.trial import Trial


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A kept study: 10 balls, 2 persons, 2 meters, twice: 80 readings."""
    folder = tmp_path_factory.mktemp("study") / "meters"
    assert main(["new", str(folder), "--for", "meter-study"]) == 0
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    lines = ['start_on = "2026-03-03"' if x.startswith("start_on") else x for x in text.split("\n")]
    (folder / "trial.toml").write_text("\n".join(lines), encoding="utf-8")
    assert main(["plan", str(folder), "--keep"]) == 0
    for batch in ("B01", "B02"):
        main(["record", "mix", batch, "mixed_at=2026-03-03 10:00", "balled_at=2026-03-03 10:35",
              "--folder", str(folder)])  # fmt: skip
    return folder


@pytest.fixture
def say(capsys):
    def run(*words):
        code = main([str(w) for w in words])
        out, err = capsys.readouterr()
        return code, " ".join(out.split()), err

    return run


def row(reading, **changed):
    given = {"ball_id": reading.ball, "entered_by": reading.reader, "instrument": reading.meter}
    return given | changed


def test_the_order_is_followed_reading_by_reading(kept):
    """Each planned reading that is taken moves the next one up; 80 less those taken are left."""
    plan = Trial.open(kept).frozen_plan
    order = list_readings(plan)
    assert count_readings(plan.settings) == 2 * 2 * 2
    for taken in (0, 1, 7, 79, 80):
        state = follow_study(plan, [row(r) for r in order[:taken]])
        assert (state.taken, len(state.left), state.others) == (taken, 80 - taken, 0)
        assert state.left[:1] == order[taken : taken + 1]
    assert follow_study(plan, map(row, order)).words == "every reading of the study is taken"


def test_a_reading_out_of_turn_counts_once_and_a_strange_one_is_named(kept):
    plan = Trial.open(kept).frozen_plan
    order = list_readings(plan)
    early = order[5]
    state = follow_study(plan, [row(early, entered_by=f" {early.reader.upper()} ")])
    assert state.taken == 1 and state.left == (*order[:5], *order[6:])
    strange = follow_study(
        plan, [row(order[0], instrument="meter_c"), row(order[1], entered_by=None)]
    )
    assert (strange.taken, strange.others) == (0, 2)
    assert strange.words.endswith(
        "; 2 readings were made by a person or meter that the study does not name: correct it"
    )
    lost = follow_study(plan, [], lost=[order[0].ball])
    assert len(lost.left) == 72 and all(r.ball != order[0].ball for r in lost.left)


def test_today_the_bench_and_a_notebook_say_which_is_next(kept, say):
    plan = Trial.open(kept).frozen_plan
    a, b = list_readings(plan)[:2]
    code, out, _ = say("today", kept, "--at", "2026-03-03 11:00")
    assert code == 0
    assert f"next {a.ball} by {a.reader} with {a.meter} (1 of 80, round 1); then" in out
    assert out.endswith(
        f"next: doughlab record reading {a.ball} PH instrument={a.meter} --by {a.reader} "
        f"--folder {kept}"
    )
    words = f"next reading: {a.ball} by {a.reader} with {a.meter} (1 of 80, round 1)"
    bench = Bench(Path(kept))
    form = next(f for f in bench.overview()["forms"] if f["action"] == "reading")
    meter = next(f for f in form["fields"] if f["name"] == "instrument")
    assert meter["choices"] == ["meter_a", "meter_b"] and "instrument" in form["needs"]
    assert [f["name"] for f in form["fields"] if f["name"].startswith("ph")] == ["ph#1"]
    due = Trial.open(kept).due(datetime(2026, 3, 3, 11, tzinfo=UTC))
    assert any(w.startswith(words) for w in due.watch)
    code, out, _ = say("record", "reading", a.ball, "5.61", f"instrument={a.meter}", "--by",
                       a.reader, "--at", "2026-03-03 10:50", "--folder", kept)  # fmt: skip
    assert code == 0 and f"{a.ball} still needs 7 of 8 readings" in out
    _, out, _ = say("today", kept, "--at", "2026-03-03 11:00")
    assert f"next {b.ball} by {b.reader} with {b.meter} (2 of 80, round 1)" in out


def test_the_day_before_and_other_trials_say_nothing(kept, say):
    assert " by chef with " not in say("today", kept, "--at", "2026-03-02 11:00")[1]
    from doughlab.notebook import open_demo
    from doughlab.record.due import study_words

    demo = open_demo()
    assert study_words(demo.frozen_plan, demo.records, demo.records.readings[0]["read_at"]) == ""
