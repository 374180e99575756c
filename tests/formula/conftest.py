"""An invented trial folder with paired warm-up readings, for the commands of the formula room."""

from datetime import datetime, timedelta

import numpy as np
import pytest

TOML = """
format = 1
name = "Invented kitchen"
code = "INV"
source = "invented"
timezone = "Europe/Rome"
seed = 7

[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "bottled"]

[factors.hold]
set = "ball"
kind = "number"
levels = [24, 48, 72]
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.10
use_hold_h = 48

[window]
low = 5.35
high = 5.75

[blocks]
days = 2
replicates = 4
spares = 1
start_on = "2026-03-02"

[kitchen]
warm_min = 60

[limits]
warm_h = 4
cooler_c = 5

[reading_method]
readings_per_ball = 2
"""

FORMULA = """
format = 1
name = "house dough"

[[flours]]
name = "bread flour"
share_pct = 100

[percent]
hydration = 62
salt = 2.5
yeast = 0.2

[batch]
balls = 18
ball_g = 260
loss_pct = 1.5

[[steps]]
name = "mix"
minutes = 12
"""
WATERS = "water_id,kind\ntap,tap\nbottled,bottled\n"
HOLD_PH = {24.0: 5.90, 48.0: 5.60, 72.0: 5.40}


def write_trial(folder, *, cooler_c=3.5, pairs=True, mixes=True):
    """Write the folder: 8 batches, pH at three holds, some balls read twice in two rooms."""
    from doughlab.plan.plan import build_plan, write_plan
    from doughlab.record.journal import append
    from doughlab.settings import parse_settings

    settings, problems = parse_settings(TOML)
    assert settings is not None, problems
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in (("trial.toml", TOML), ("formula.toml", FORMULA), ("waters.csv", WATERS)):
        (folder / name).write_text(text, encoding="utf-8")
    plan = build_plan(settings)
    write_plan(plan, folder)
    rng = np.random.default_rng(20260302)
    now = datetime.fromisoformat("2026-03-20T12:00+01:00")
    rows = {"mixes": [], "readings": [], "notes": [], "temperatures": []}
    due = {r["item"]: r["due_at"] for r in plan.schedule if r["step"] == "mix"}
    effect = {b["batch_id"]: rng.normal(0, 0.03) for b in plan.batches}
    balled = {}
    for b in plan.batches:
        name, at = b["batch_id"], due[b["batch_id"]]
        balled[name] = at + timedelta(minutes=45)
        rows["mixes"].append(
            {"batch_id": name, "mixed_at": at, "balled_at": balled[name],
             "cooled_at": balled[name] + timedelta(minutes=15), "room_temp_c": 21.0,
             "flour_temp_c": 20.0, "water_temp_c": 16.0, "dough_temp_c": 23.0 + rng.normal(0, 0.3),
             "mix_min": 12.0}
        )  # fmt: skip
    if not mixes:
        rows["mixes"] = []
    for ball in plan.balls:
        if ball["purpose"] != "ph" or not mixes:
            continue
        hold, name = ball["hold_h"], ball["ball_id"]
        at = balled[ball["batch_id"]] + timedelta(hours=hold)
        value = HOLD_PH[hold] + effect[ball["batch_id"]] + rng.normal(0, 0.01)
        early = timedelta(minutes=75 if pairs and hold == 24.0 else 0)
        out = at - early - timedelta(minutes=2)
        rows["notes"].append({"about": name, "at": out, "kind": "pulled"})
        if early:
            room = 18.0 if int(ball["batch_id"][1:]) % 2 else 25.0
            fall = 0.05 if room == 18.0 else 0.11
            first = value + fall + rng.normal(0, 0.004)
            rows["readings"].append({"ball_id": name, "read_at": at - early, "ph": first})
            rows["temperatures"].append({"place": "room", "at": out, "temp_c": room})
        rows["readings"].append({"ball_id": name, "read_at": at, "ph": value})
    first = min(balled.values())
    for day in range(10):
        at = first + timedelta(days=day, hours=1)
        rows["temperatures"].append({"place": "cooler", "at": at, "temp_c": cooler_c})
    for name, found in rows.items():
        if found:
            append(folder, settings.table(name), found, by="test", now=now)
    return folder, plan, balled


@pytest.fixture(scope="session")
def ripe_trial(tmp_path_factory):
    """The folder, its plan and the times of balling."""
    return write_trial(tmp_path_factory.mktemp("trial") / "inv")


@pytest.fixture(scope="session")
def make_trial(tmp_path_factory):
    """Make another such folder."""

    def make(**more):
        return write_trial(tmp_path_factory.mktemp("trial") / "inv", **more)

    return make
