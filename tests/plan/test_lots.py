"""Water lots: batches of one filling are one unit, in the plan and in what it will find."""

from collections import Counter
from dataclasses import replace

import pytest
from scipy import stats

from doughlab.files import write_csv
from doughlab.plan.lots import LEAST_LEFT, lots_within, name_water_lots
from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision

LOT_SD, BATCH_SD, BALL_SD = 0.04, 0.05, 0.03
HIDDEN = (
    "water: the tank changes only together with it, so what shows may be this tank, not this "
    "water: no range and no verdict. Fill and dose anew each day, on two mixing days or more "
    '(water_lots = "day" in [blocks]).'
)


@pytest.fixture(scope="module")
def only_water(without, change):
    """Three waters, two batches of each on each of four days, one ball, no hold."""
    plain = without("mixing_water", "hydration", "hold", "score")
    ph = replace(plain.assumed["ph"], batch_sd=BATCH_SD, ball_sd=BALL_SD, lot_sd=LOT_SD)
    return change(
        plain,
        blocks={"days": 4, "batches_per_day": 6, "replicates": 8, "water_lots": "day"},
        responses={"ph": replace(plain.responses["ph"], balls=2)},
        assumed={"ph": ph},
    )


def terms_of(settings, plan=None):
    plan = plan or build_plan(settings)
    ph = settings.responses["ph"]
    layout = build_layout(settings, plan.batches, plan.balls, ph)
    return choose_terms(settings, layout, ph), layout


def test_without_the_setting_the_plan_is_byte_for_byte_as_before(kitchen, change):
    plan = build_plan(kitchen)
    named = build_plan(change(blocks={"water_lots": "day"}))
    assert {b["water_lot"] for b in plan.batches} == {None}
    bare = tuple({**b, "water_lot": None} for b in named.batches)
    table = kitchen.table("batches")
    assert write_csv(table, bare) == write_csv(table, plan.batches)
    assert (named.balls, named.schedule) == (plan.balls, plan.schedule)


def test_a_filling_serves_one_water_on_one_day(only_water):
    plan = build_plan(only_water)
    lots = Counter(b["water_lot"] for b in plan.batches)
    assert len(lots) == 12 and set(lots.values()) == {2}
    keys = {(b["water_lot"], b["water"], b["block"]) for b in plan.batches}
    assert len(keys) == 12
    assert plan.batches[0]["water_lot"] == "W01"


@pytest.mark.parametrize(("lasts", "lots"), [("batch", 24), ("day", 12), ("trial", 3)])
def test_how_long_a_filling_lasts(only_water, change, lasts, lots):
    plan = build_plan(change(only_water, blocks={"water_lots": lasts}))
    assert len({b["water_lot"] for b in plan.batches}) == lots


def test_a_dosed_tank_is_a_filling_of_its_own(only_water, change):
    from doughlab.sections import Factor

    dosed = Factor("water_ph", "batch", "category", ("as is", "5.5 acetic"))
    settings = change(only_water, factors={**only_water.factors, "water_ph": dosed},
                      blocks={"replicates": 4, "water_lots": "trial"})  # fmt: skip
    rows = build_plan(settings).batches
    assert len({b["water_lot"] for b in rows}) == 6
    assert len({(b["water_lot"], b["water"], b["water_ph"]) for b in rows}) == 6


def test_other_factors_share_a_filling(kitchen, change):
    plan = build_plan(change(blocks={"water_lots": "day"}))
    assert len({b["water_lot"] for b in plan.batches}) == 12
    assert name_water_lots(kitchen, plan.batches) == [None] * 24


def test_the_lot_is_an_error_level_and_the_water_rests_on_it(only_water):
    terms, layout = terms_of(only_water)
    assert terms.random == ("water_lot", "batch")
    assert terms.level["water"] == "lot"
    assert terms.not_estimable == ()
    assert lots_within(layout, "water") and not lots_within(layout, "ball")


def test_what_varies_within_a_filling_still_rests_on_batches(change):
    terms, _ = terms_of(change(blocks={"water_lots": "day"}))
    assert "water_lot" in terms.random
    assert terms.level["water"] == "lot"
    assert terms.level["mixing_water"] == terms.level["water:hydration"] == "batch"
    assert terms.level["hold"] == terms.level["water:hold"] == "ball"


def test_the_water_is_judged_by_lots_as_the_strata_say(only_water):
    """The split-plot by algebra: waters on 12 fillings, 2 batches of each, 2 balls of a batch.

    Day x water interaction is the error stratum of water: (4 - 1)(3 - 1) = 6 degrees of freedom,
    expected mean square 4 lot + 2 batch + ball on the scale of a ball (Cochran and Cox 1957,
    Experimental Designs, chapter 7, from memory; checked here by the closed form).
    """
    line = plan_precision(only_water, build_plan(only_water)).lines[0]
    assert line.based_on == "12 water lots"
    variance = 2 / 4 * (LOT_SD**2 + BATCH_SD**2 / 2 + BALL_SD**2 / 4)
    reading = only_water.assumed["ph"].reading_sd
    assert reading == 0
    assert line.least.std_error == pytest.approx(variance**0.5, rel=1e-6)
    assert line.least.df == pytest.approx(6, rel=1e-6)
    tukey = stats.studentized_range.ppf(0.95, 3, 6) / 2**0.5
    assert line.least.critical == pytest.approx(tukey, rel=1e-3)


def test_a_filling_for_each_batch_adds_to_the_batches(only_water, change):
    settings = change(only_water, blocks={"water_lots": "batch"})
    terms, _ = terms_of(settings)
    assert terms.random == ("batch",) and terms.level["water"] == "batch"
    line = plan_precision(settings, build_plan(settings)).lines[0]
    variance = 2 / 8 * (LOT_SD**2 + BATCH_SD**2 + BALL_SD**2 / 2)
    assert line.based_on == "24 batches"
    assert line.least.std_error == pytest.approx(variance**0.5, rel=1e-6)
    assert line.least.df == pytest.approx(24 - 4 - 2, rel=1e-6)


def test_fillings_shared_by_batches_find_less(only_water, change):
    shared, own = (
        plan_precision(s, build_plan(s)).lines[0].chances.found_80
        for s in (only_water, change(only_water, blocks={"water_lots": "batch"}))
    )
    assert shared > 1.3 * own


def test_one_tank_of_each_water_for_the_trial_is_said_plainly(only_water, change):
    settings = change(only_water, blocks={"water_lots": "trial"})
    terms, _ = terms_of(settings)
    assert terms.random == ("batch",)
    assert HIDDEN in terms.notes
    assert HIDDEN in plan_precision(settings, build_plan(settings)).notes


def test_a_single_mixing_day_hides_the_tank_too(only_water, change):
    settings = change(only_water, blocks={"days": 1, "batches_per_day": 6, "replicates": 2})
    assert HIDDEN in terms_of(settings)[0].notes


def test_too_few_fillings_give_no_verdict(only_water, change):
    days = change(only_water, blocks={"days": 2, "batches_per_day": 6, "replicates": 4})
    terms, _ = terms_of(days)
    left = 6 - 2 - 2  # fillings - days - (waters - 1)
    assert left < LEAST_LEFT
    assert terms.level["water"] == "lot" and terms.not_estimable == ("water",)
    assert terms.reasons["water"] == (
        "water: too few fillings of the waters are left over to judge by (2; 3 are wanted), so no "
        "range and no verdict. Mix on more days, each with fresh fillings."
    )
    three = change(only_water, blocks={"days": 3, "batches_per_day": 6, "replicates": 6})
    assert terms_of(three)[0].not_estimable == ()


def test_unsaid_spread_of_fillings_is_told(only_water, change):
    alike = replace(only_water.assumed["ph"], lot_sd=0.0)
    precision = plan_precision(*_planned(change(only_water, assumed={"ph": alike})))
    assert (
        "No spread is assumed between fillings of one water for pH, so they count as alike: add "
        "lot_sd to [assumed.ph]." in precision.notes
    )
    said = plan_precision(*_planned(only_water))
    assert not any("fillings of one water for" in n for n in said.notes)
    assert "water lots by 0.04" in said.assumed


def _planned(settings):
    return settings, build_plan(settings)
