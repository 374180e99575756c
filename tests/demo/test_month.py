"""The demo's second trial and its month: what the files show, and where they come from."""

import csv
from datetime import datetime
from pathlib import Path

import pytest

from doughlab.daily.faults import rank_faults, walk_faults
from doughlab.daily.journals import DailyRecords, read_daily
from doughlab.daily.recipe import read_recipe
from doughlab.daily.settle import usual_of
from doughlab.daily.standing import find_standing
from doughlab.formula.steps import usual_body
from doughlab.plan.lock import checksum
from doughlab.record.checks import check_folder
from doughlab.trial import Trial

from ..loading import load_script

HERE = Path(__file__).parent
TRIALS = HERE.parents[1] / "trials"


month = load_script(HERE / "make_lantern_quay_month.py")


@pytest.fixture(scope="module")
def kept():
    """The recipe and the records of the month as they stand in the demo."""
    recipe = read_recipe(TRIALS / "lantern-quay")
    return recipe, read_daily(TRIALS / "lantern-quay", [recipe.dough])


def until(records, at):
    """What was known at a time."""
    return DailyRecords(
        {n: r for n, r in records.lots.items() if r["mixed_at"] <= at},
        [r for r in records.readings if r["at"] <= at],
        [r for r in records.limits if r["at"] <= at],
    )


def test_the_committed_month_comes_from_its_generator(kept):
    """Times, temperatures and pH again from the seed, about the mean that was settled on."""
    recipe, records = kept
    lots, readings = month.make_rows(recipe.expected, month.np.random.default_rng(month.SEED))
    assert [r["lot"] for r in lots] == list(records.lots)
    assert [(r["lot"], r["ph"], r["room_c"], r["cooler_c"]) for r in readings] == [
        (r["lot"], r["ph"], r["room_c"], r["cooler_c"]) for r in records.readings
    ]


def test_the_usual_dough_is_that_of_the_batches_mixed_as_settled(kept):
    """tap, 64 F, 65 % are B09 and B20 in plan/batches.csv; their dough stands in mixes.csv."""
    recipe, _ = kept
    with (TRIALS / "lantern-quay" / "record" / "mixes.csv").open(encoding="utf-8") as file:
        found = {r["batch_id"]: float(r["dough_temp_c"]) for r in csv.DictReader(file)}
    assert recipe.usual.dough_c == pytest.approx((found["B09"] + found["B20"]) / 2)
    trial = Trial.open(TRIALS / "lantern-quay")
    alike = trial.frozen_plan.mixed_as(recipe.setting)
    made = usual_of(trial.records, 90.0, 5.0, alike=alike)
    assert made.dough_c == pytest.approx(recipe.usual.dough_c)


def test_the_charts_are_silent_before_the_fault_and_call_within_two_days(kept):
    recipe, records = kept
    days = sorted({r["at"] for r in records.readings})
    calls = [at for at in days if find_standing(recipe, until(records, at)).now]
    assert calls
    assert min(calls) > month.FAULT
    assert (min(calls) - month.FAULT).total_seconds() <= 2 * 86400


def test_the_fault_finder_sends_to_the_cooler_first(kept):
    recipe, records = kept
    standing = find_standing(recipe, records)
    found = walk_faults(recipe, standing, records, body=usual_body())
    assert rank_faults(found, standing.shift[0])[0].name == "cooler"


def test_the_display_said_nothing(kept):
    """The fault is hidden: what the cooler said before and after it is alike."""
    _, records = kept
    said = [r["cooler_c"] for r in records.readings]
    assert max(said) - min(said) < 1.0


def test_the_recipe_stands_on_both_trials(kept):
    recipe, _ = kept
    second = Trial.open(TRIALS / "lantern-quay-second")
    plan = second.frozen_plan
    (also,) = recipe.also
    assert also.plan == checksum([plan.batches, plan.balls, plan.schedule])
    assert also.words.endswith("same")
    assert "28 batches on 7 mixing days" in also.words
    assert recipe.source == "invented" and recipe.settled_by == "Mo"


@pytest.mark.parametrize("name", ["lantern-quay", "lantern-quay-second"])
def test_the_demo_folders_have_no_problem(name):
    assert [str(p) for p in check_folder(TRIALS / name) if p.level == "error"] == []
    text = (TRIALS / name / "trial.toml").read_text(encoding="utf-8")
    assert 'source = "invented"' in text


def test_the_month_lasts_a_month_and_ends_with_trays_left(kept):
    _, records = kept
    first, last = records.readings[0]["at"], records.readings[-1]["at"]
    assert isinstance(first, datetime) and (last - first).days == 29
    assert sum(r["left"] > 0 for r in records.lots.values()) == 2
