"""The pH of a dosed water is a gate: today, record mix and check speak before flour goes in."""

import json
from datetime import datetime

import pytest

from doughlab.cli import main
from doughlab.errors import PlanError
from doughlab.plan import build_plan, write_plan
from doughlab.settings import parse_settings
from doughlab.trial import Trial

TOML = """
format = 1
name = "Two waters at one pH"
code = "WP"
timezone = "Europe/Rome"
source = "invented"

[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "ro"]

[factors.water_ph]
set = "batch"
kind = "category"
levels = ["as is", "5.5 acetic"]

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1

[blocks]
days = 2
replicates = 2
start_on = "2026-03-03"
water_lots = "day"
"""
WATERS = [
    {"water_id": "tap", "kind": "tap", "alkalinity_mg_l": 150.0},
    {"water_id": "ro", "kind": "reverse osmosis", "alkalinity_mg_l": 8.0},
]
MIXES = "record/mixes.csv"


class Frozen(datetime):
    """A machine whose clock stands still."""

    @classmethod
    def now(cls, tz=None):
        return datetime.fromisoformat("2026-03-03T08:55:00+01:00")


@pytest.fixture
def trial(tmp_path):
    folder = tmp_path / "trial"
    made = Trial.create(folder, TOML, waters=WATERS)
    write_plan(build_plan(made.settings), folder)
    return Trial.open(folder)


@pytest.fixture
def batches(trial):
    """The first batch of the first day that is dosed, and the first that is not."""
    first = [b for b in trial.frozen_plan.batches if b["block"] == "D1"]
    dosed = next(b["batch_id"] for b in first if b["water_ph"] == "5.5 acetic")
    return dosed, next(b["batch_id"] for b in first if b["water_ph"] == "as is")


@pytest.fixture
def say(trial, capsys, monkeypatch):
    """Run one command line in the folder; give the code and the output as one line of words."""
    from doughlab.commands import record, today

    monkeypatch.chdir(trial.folder)
    monkeypatch.setattr(record, "datetime", Frozen)
    monkeypatch.setattr(today, "datetime", Frozen)

    def run(*words):
        code = main(list(words))
        out, err = capsys.readouterr()
        if "--json" not in words:
            assert max(map(len, out.splitlines()), default=0) <= 80
        return code, " ".join((out + err).split())

    return run


def test_today_names_the_target_before_anything_is_mixed(say, batches):
    _, out = say("today")
    assert "water to pH 5.5 with acetic acid; read 5.44 to 5.56 before flour goes in" in out
    assert "water as it comes, nothing added" in out


def test_a_mix_without_its_water_ph_is_told_at_once_and_by_check(say, batches, trial):
    dosed, plain = batches
    sentence = (
        f"{dosed}: the pH of the dosed water is not written down (target 5.5, 5.44 to 5.56). Read "
        "it before flour goes in, and add it: water_ph=NUMBER."
    )
    code, out = say("record", "mix", dosed)
    assert code == 0 and f"look: {sentence}" in out
    _, out = say("check")
    assert f"note: {MIXES}, row 2, column water_ph: {sentence}" in out
    code, out = say("record", "mix", dosed, "water_ph=5.52")
    assert code == 0 and "look:" not in out
    assert dosed not in say("check")[1].replace(MIXES, "")
    _, out = say("record", "mix", plain)
    assert "look:" not in out


def test_a_water_off_its_target_is_told_with_what_to_do(say, batches):
    dosed, _ = batches
    code, out = say("record", "mix", dosed, "water_ph=5.61", "acid_g=30", "acid=white vinegar")
    assert code == 0
    assert (
        f"look: {dosed}: the water reads pH 5.61, 0.11 above its target 5.5 (5.44 to 5.56). No "
        "flour yet? Add a little more by weight, stir, read again. Flour is in? Leave a note; the "
        "planned level is analysed." in out
    )
    _, out = say("check")
    assert f"column water_ph: {dosed}: the water reads pH 5.61" in out
    assert "no problems, 1 note" in out


def test_the_warning_stands_in_the_answer_for_machines(say, batches):
    _, out = say("record", "mix", batches[0], "water_ph=5.3", "--json")
    assert any("0.20 below its target 5.5" in w for w in json.loads(out)["warnings"])


def test_acid_in_a_water_planned_as_it_comes_is_told(say, batches):
    _, plain = batches
    _, out = say("record", "mix", plain, "acid_g=12", "acid=white vinegar", "water_ph=6.4")
    assert f"{plain}: planned with its water as it comes, but 12 g of acid are written" in out


def test_levels_that_cannot_be_dosed_are_found_by_check_and_refused_by_the_plan(tmp_path):
    folder = tmp_path / "trial"
    Trial.create(folder, TOML.replace("5.5 acetic", "5.5 acetik"), waters=WATERS)
    trial = Trial.open(folder)
    (said,) = [str(p) for p in trial.problems if "acetik" in str(p)]
    assert said.startswith("trial.toml, row 21, column factors.water_ph.levels: '5.5 acetik': ")
    assert "Did you mean 'acetic'?" in said
    with pytest.raises(PlanError, match=r"factors\.water_ph: '5\.5 acetik'"):
        build_plan(trial.settings)


def test_the_lot_of_the_plan_stands_in_today(trial, say):
    first = trial.frozen_plan.batches[0]
    assert first["water_lot"]
    assert f"water lot {first['water_lot']}" in say("today")[1]


def test_water_lots_is_read_and_checked():
    assert parse_settings(TOML)[0].blocks.water_lots == "day"
    settings, problems = parse_settings(TOML.replace('water_lots = "day"', 'water_lots = "week"'))
    assert settings is None
    assert "water_lots" in str(problems[0])
