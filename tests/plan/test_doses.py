"""Doses too small for a scale: by hand, and the pH of a dosed water against weighing it.

That the steps of a bench scale are 1 g and of a fine one 0.1 g is common practice, no source.
"""

from dataclasses import replace

import pytest

from doughlab.formula.formula import Formula
from doughlab.formula.weighing import weigh_batch
from doughlab.plan.doses import SmallDose, WaterDose, find_small_dose, find_water_dose
from doughlab.plan.plan import build_plan
from doughlab.sections import Factor
from doughlab.water.dose import Bench
from doughlab.water.dosing import acid_dose
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample


def test_a_small_dose_is_named_with_what_each_scale_may_be_off(without):
    """By hand: 7 balls x 260 g at 60 % water, 2 % salt, 0.1 % yeast: 1820/162.1 = 11.227 g a %."""
    small = without("mixing_water", "hydration", "hold", "score")
    plan = build_plan(small)
    balls = sum(b["batch_id"] == "B01" for b in plan.balls)
    formula = Formula(percents={"hydration": 60, "salt": 2, "yeast": 0.1}, ball_g=260)
    dose = find_small_dose(plan, formula)
    grams = balls * 260 / 162.1 * 0.1
    assert (dose.name, dose.grams) == ("yeast", pytest.approx(grams))
    assert dose.off_pct == pytest.approx({1.0: 50 / grams, 0.1: 5 / grams})
    plenty = replace(formula, percents={"hydration": 60})
    assert find_small_dose(plan, plenty) is None


def test_a_small_dose_in_words():
    assert SmallDose("yeast", 1.3, {1.0: 38.46, 0.1: 3.846}).sentence == (
        "yeast 1.3 g a batch: scale steps of 1 g are up to 38 % off, 0.1 g up to 3.8 %."
    )


TAP = {"water_id": "tap", "kind": "tap", "ph": 7.9, "temp_c": 18.0, "alkalinity_mg_l": 150.0}
FORMULA = Formula(percents={"hydration": 60, "salt": 2, "yeast": 0.3}, ball_g=260)


@pytest.fixture(scope="module")
def dosed(without, change):
    """One ball a batch: tap as it comes and brought to pH 6.2, so that doses are small."""
    small = without("mixing_water", "hydration", "hold", "score")
    water = replace(small.factors["water"], levels=("tap", "bottled"))

    def make(level):
        target = Factor("water_ph", "batch", "category", ("as is", level))
        return build_plan(
            change(small, factors={"water": water, "water_ph": target},
                   blocks={"days": 2, "batches_per_day": 4, "replicates": 2, "spares": 0})
        )  # fmt: skip

    return make


def test_a_dosed_water_moves_as_far_as_half_a_step_of_acid_moves_it(dosed):
    """The pH reached with half a gram more and less, searched with the dose itself."""
    plan = dosed("6.2 acetic")
    found = find_water_dose(plan, FORMULA, {"tap": TAP})
    assert (found.water, found.target, found.product) == ("tap", "6.2 acetic", "white vinegar 5 %")
    water_kg = weigh_batch(FORMULA, balls=1).grams("water") / 1000

    def grams(ph):
        vinegar = AcidProduct("white vinegar", 5, "w/v")
        return acid_dose(WaterSample.from_row(TAP), ph, acid="acetic", water_kg=water_kg,
                         product=vinegar, bench=Bench(scale_g=0.001)).product_g  # fmt: skip

    assert found.grams == pytest.approx(grams(6.2))
    moved = found.moves_ph[0.1]  # half of 0.1 g
    assert abs(grams(6.2 - moved) - grams(6.2) - 0.05) < 0.006
    assert found.moves_ph[1.0] == pytest.approx(10 * moved)


def test_a_large_batch_or_no_acid_needs_no_finer_scale(dosed):
    plan = dosed("6.2 acetic")
    assert find_water_dose(plan, replace(FORMULA, ball_g=20_000), {"tap": TAP}) is None
    assert find_water_dose(dosed("7.5 soda"), FORMULA, {"tap": TAP}) is None
    assert find_water_dose(plan, FORMULA, {"tap": {**TAP, "alkalinity_mg_l": None}}) is None


def test_a_dosed_water_in_words():
    dose = WaterDose("tap", "6.2 acetic", "white vinegar 5 %", 0.31, {1.0: 0.512, 0.1: 0.0512})
    assert dose.sentence == (
        "tap to 6.2 acetic: 0.31 g of white vinegar 5 % a batch; scale steps of 1 g move its pH by "
        "up to 0.51, 0.1 g by up to 0.05."
    )
