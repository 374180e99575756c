"""What today tells for each mix: water, settings in the trial's unit, grams of the batch."""

from pathlib import Path

import pytest

from doughlab.formula.formula import Formula
from doughlab.plan.plan import Plan
from doughlab.record.mixing import mix_words
from doughlab.sections import Factor
from doughlab.settings import Settings
from doughlab.trial import Trial

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"


def lay(show="C", balls=10, **row):
    factors = {
        "water": Factor("water", "batch", "water", ("tap", "ro")),
        "mixing_water": Factor(
            "mixing_water", "batch", "number", ("12 C", "18 C"), "temp_c", "mixing water", (12, 18)
        ),
        "hydration": Factor("hydration", "batch", "number", ("60", "65"), "pct", values=(60, 65)),
    }
    settings = Settings("Demo", "DE", factors=factors, show_temperature=show)
    batch = {"batch_id": "B01", "water": "tap", "mixing_water_temp_c": 15.0, "hydration_pct": 60.0}
    own = tuple({"ball_id": f"B01-{i}", "batch_id": "B01"} for i in range(1, balls + 1))
    return Plan(settings, (batch | row,), own, (), 1, "0")


def test_grams_are_for_the_balls_of_the_plan_not_of_the_formula():
    # 10 balls of 162 g at 100 + 60 + 2 parts: 1620 g / 162 x 100 = 1000 g flour, 600 g water.
    formula = Formula(percents={"hydration": 70, "salt": 2}, balls=3, ball_g=162)
    words = mix_words(lay(), "B01", formula=formula)
    assert words == (
        "water tap; mixing water 15 °C; hydration 60 %; 10 balls: flour 1000 g, water 600 g"
    )


def test_temperature_is_said_in_the_unit_that_the_trial_shows():
    assert "mixing water 59 °F" in mix_words(lay("F"), "B01")  # 15 x 1.8 + 32


def test_lots_follow_and_an_unknown_batch_says_nothing():
    assert mix_words(lay(water_lot="T2"), "B01").endswith("; water lot T2")
    assert mix_words(lay(), "B99") == ""


def test_the_demo_lists_every_mix_with_what_goes_in():
    trial = Trial.open(DEMO)
    plan = trial.frozen_plan
    for batch in plan.batches:
        words = mix_words(plan, batch["batch_id"], formula=trial.formula)
        assert f"water {batch['water']}; mixing water " in words
        assert f"hydration {batch['hydration_pct']:g} %" in words
        assert " °F" in words
    first = mix_words(plan, "B01", formula=trial.formula)
    # by hand: 7 x 260 g / 0.985 dough; parts 100 + hydration + 2.5 salt + 0.12 yeast + 1.5 oil
    pct = float(plan.batches[0]["hydration_pct"])
    flour = 7 * 260 / 0.985 * 100 / (104.12 + pct)
    assert f"7 balls: flour {flour:.0f} g, water " in first
    said = float(first.split("water ")[-1].split(" g")[0])
    assert said == pytest.approx(flour * pct / 100, abs=1.0)  # the bench scale shows whole grams
