"""Spread of readings: a door to the measurement study, from the records of a trial."""

import json
import random

import pytest

from doughlab.analysis.spread import spread_of_readings
from doughlab.cli import main
from doughlab.errors import MissingRecords, NotEstimable
from doughlab.record.journal import append
from doughlab.trial import Trial

AT = "2026-03-05T10:00+01:00"


@pytest.fixture
def study(tmp_path, capsys):
    """The ready meter study: its plan kept, nothing read yet."""
    folder = tmp_path / "study"
    assert main(["new", str(folder), "--for", "meter-study"]) == 0
    assert main(["plan", str(folder), "--keep"]) == 0
    capsys.readouterr()
    return folder


def read(folder, *, sd, repeats=2):
    """Invented readings, crossed, with known spreads; the seed is 5."""
    trial, rng = Trial.open(folder), random.Random(5)
    balls = [b["ball_id"] for b in trial.frozen_plan.balls if b["purpose"] == "ph"]
    ball = {b: rng.gauss(5.5, sd["ball"]) for b in balls}
    person, meter = {"chef": 0.0, "sous": sd["person"]}, {"meter_a": 0.0, "meter_b": sd["meter"]}
    rows = [
        {"ball_id": b, "read_at": AT, "ph": round(ball[b] + p + m + rng.gauss(0, sd["repeat"]), 3),
         "entered_by": who, "instrument": which, "method": "slurry"}
        for b in balls for who, p in person.items() for which, m in meter.items()
        for _ in range(repeats)
    ]  # fmt: skip
    append(folder, trial.settings.table("readings"), rows)
    return Trial.open(folder)


def test_balls_persons_and_meters_are_told_apart(study):
    """Truth: balls 0.2, one person 0.1 higher (SD 0.1 / root 2), meters alike, repeat 0.01."""
    trial = read(study, sd={"ball": 0.2, "person": 0.1, "meter": 0.0, "repeat": 0.01})
    found = spread_of_readings(trial)
    assert found.row("repeat")["sd"] == pytest.approx(0.01, rel=0.25)
    assert found.row("person")["sd"] == pytest.approx(0.1 / 2**0.5, rel=0.15)
    assert found.row("meter")["sd"] < 0.01
    ball = found.row("ball")
    assert ball["ci_low"] < 0.2**2 < ball["ci_high"]
    assert found.row("measuring")["estimate"] < ball["estimate"]


def test_one_meter_is_left_out_of_the_sources(study):
    trial = read(study, sd={"ball": 0.2, "person": 0.1, "meter": 0.0, "repeat": 0.01})
    for row in trial.records.readings:
        row["instrument"] = "meter_a"
    assert "meter" not in set(spread_of_readings(trial).table["term"])


def test_the_command_gives_the_ranges(study, capsys):
    read(study, sd={"ball": 0.2, "person": 0.05, "meter": 0.02, "repeat": 0.01})
    assert main(["analyse", str(study), "--spread"]) == 0
    said = capsys.readouterr().out
    assert "Spread (SD) by source, 95 % ranges; share of the total variance" in said
    assert all(len(line) <= 80 for line in said.splitlines() if str(study) not in line)
    assert main(["analyse", str(study), "--spread", "--json"]) == 0
    terms = [r["term"] for r in json.loads(capsys.readouterr().out)["spread"]]
    assert terms[:3] == ["ball", "person", "meter"] and terms[-2:] == ["measuring", "total"]


def test_without_repeats_it_says_what_to_read(study):
    with pytest.raises(MissingRecords) as none:
        spread_of_readings(Trial.open(study))
    assert str(none.value) == (
        "There are no readings of ph yet. A plan for them: doughlab new FOLDER --for meter-study"
    )
    trial = read(study, sd={"ball": 0.2, "person": 0.1, "meter": 0.0, "repeat": 0.01}, repeats=1)
    with pytest.raises(NotEstimable) as once:
        spread_of_readings(trial)
    assert str(once.value) == (
        "The spread of readings needs two balls or more, and some ball read twice by one person "
        "with one meter. Read again, or plan it: doughlab new FOLDER --for meter-study"
    )
