"""The first week from nothing: its days, and spreads that the next plan takes."""

import json
from datetime import timedelta

import numpy as np
import pytest

from doughlab.analysis.earlier import read_spreads
from doughlab.analysis.experience import pool_spreads
from doughlab.cli import main
from doughlab.commands.ready import FIRST_WEEK
from doughlab.record.journal import append
from doughlab.trial import Trial

SDS = {"day": 0.04, "batch": 0.05, "ball": 0.03}


@pytest.fixture(scope="module")
def week(tmp_path_factory):
    """A first week, planned, mixed and read with invented spreads."""
    folder = tmp_path_factory.mktemp("desk") / "week"
    assert main(["new", str(folder), "--for", "first-week"]) == 0
    assert main(["plan", str(folder), "--keep"]) == 0
    trial = Trial.open(folder)
    plan, rng = trial.frozen_plan, np.random.default_rng(7)
    days = {b["block"]: rng.normal(0, SDS["day"]) for b in plan.batches}
    batches = {b["batch_id"]: days[b["block"]] + rng.normal(0, SDS["batch"]) for b in plan.batches}
    due = {(r["step"], r["item"]): r["due_at"] for r in plan.schedule}
    mixes = [
        {"batch_id": b, "mixed_at": due["mix", b], "cooled_at": due["mix", b] + timedelta(hours=1)}
        for b in batches
    ]
    readings = []
    for ball in plan.balls:
        if ball["purpose"] != "ph":
            continue
        off = batches[ball["batch_id"]] + rng.normal(0, SDS["ball"])
        mean = 5.9 - 0.012 * ball["hold_h"] + off
        readings += [
            {"ball_id": ball["ball_id"], "read_at": due["read", ball["ball_id"]],
             "ph": round(float(mean + rng.normal(0, 0.01)), 2), "method": "slurry",
             "instrument": "pen"} for _ in range(3)
        ]  # fmt: skip
    last = max(r["read_at"] for r in readings) + timedelta(hours=1)
    append(folder, trial.settings.table("mixes"), mixes, now=last)
    append(folder, trial.settings.table("readings"), readings, now=last)
    return folder


def test_mixing_and_reading_fall_on_the_days_that_are_told(week):
    """Four mixing days in a row, read on the 2nd to the 6th; the 7th is for the sums."""
    plan = Trial.open(week).frozen_plan
    first = min(r["due_at"].date() for r in plan.schedule)
    days = {step: sorted({(r["due_at"].date() - first).days + 1 for r in plan.schedule
                          if r["step"] == step}) for step in ("mix", "read")}  # fmt: skip
    assert days == {"mix": [1, 2, 3, 4], "read": [2, 3, 4, 5, 6]}
    assert len(FIRST_WEEK) == 7


def test_new_tells_each_of_the_seven_days(tmp_path, capsys):
    assert main(["new", str(tmp_path / "w"), "--for", "first-week", "--json"]) == 0
    days = json.loads(capsys.readouterr().out)["days"]
    assert days == list(FIRST_WEEK)
    assert [d.split(":")[0] for d in days] == [f"day {n}" for n in range(1, 8)]


def test_the_week_ends_with_spreads_that_hold_the_truth(week):
    told = {part.name: part for part in pool_spreads({"week": read_spreads(week)["ph"]})}
    for name, sd in SDS.items():
        assert told[name].low <= sd <= told[name].high, name


def test_the_next_plan_takes_them(week, capsys):
    folder = week.parent / "next"
    assert main(["new", str(folder), "--for", "choose-water"]) == 0
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8").replace(
        "seed = ", 'assumed_from = "../week"\nseed = ', 1
    )
    head, _, rest = text.partition("[assumed.ph]")
    path.write_text(head + rest[rest.index("[assumed.") :], encoding="utf-8")
    capsys.readouterr()
    assert main(["plan", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "First week" in said
