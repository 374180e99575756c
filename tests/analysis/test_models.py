"""The planned model: classical strata where balanced, and never a batch factor by balls."""

from dataclasses import replace

import numpy as np
import pytest

from doughlab.analysis import analyse
from doughlab.analysis.answers import forecast_words
from doughlab.errors import MissingRecords, NotEstimable
from doughlab.record.records import Records


def sums_of_squares(frame):
    """Classical split-plot strata of a balanced table, by sums of squares of means."""
    grand = frame["y"].mean()
    n = len(frame)

    def between(*names):
        means = frame.groupby(list(names), observed=True)["y"].agg(["mean", "size"])
        return float((means["size"] * (means["mean"] - grand) ** 2).sum())

    water, batch, hold = between("water"), between("batch"), between("hold")
    cell, total = between("water", "hold"), float(((frame["y"] - grand) ** 2).sum())
    waters, holds, batches = (frame[c].nunique() for c in ("water", "hold", "batch"))
    error_df = n - batches - (holds - 1) - (waters - 1) * (holds - 1)
    error = (total - batch - hold - (cell - water - hold)) / error_df
    whole = (batch - water) / (batches - waters)
    return {
        "water": (water / (waters - 1) / whole, batches - waters),
        "hold": (hold / (holds - 1) / error, error_df),
        "water:hold": ((cell - water - hold) / ((waters - 1) * (holds - 1)) / error, error_df),
    }


def test_balanced_trial_gives_the_classical_split_plot_table(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, lambda x: 5.5 - 0.005 * float(x["hold"]), seed=3)
    result = analyse(trial, "ph")
    assert result.fit.variances["batch"] > 0  # otherwise the strata test is another one
    wanted = sums_of_squares(result.dataset.frame)
    table = result.fit.anova().set_index("term")  # the hold too, not judged on one day
    for term, (f, df) in wanted.items():
        assert table.loc[term, "statistic"] == pytest.approx(f, rel=1e-8)
        assert table.loc[term, "df_den"] == pytest.approx(df, rel=1e-8)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_batch_factor_is_never_tested_on_more_units_than_batches(kitchen, seed):
    """Twelve balls of each hold in a batch make no further batches."""
    text = kitchen.PLAIN.replace("use_hold_h = 48", "use_hold_h = 48\nballs = 12")
    trial = kitchen.invent(text, lambda _: 5.5, seed=seed)
    result = analyse(trial, "ph")
    table = result.anova.set_index("term")
    assert len(result.dataset.frame) == 360
    assert table.loc["water", "df_den"] <= result.dataset.batches == 10
    for comparison in result.answer("water").comparisons:
        assert comparison.df <= 10
        assert (comparison.basis.unit, comparison.basis.n) == ("batch", 10)


def test_twins_of_one_hold_do_not_make_the_hold_more_certain(kitchen):
    """Balls that share batch and hold are one unit for the hold where holds differ by batch."""
    text = kitchen.PLAIN.replace("use_hold_h = 48", "use_hold_h = 48\nballs = 12")
    result = analyse(kitchen.invent(text, lambda _: 5.5, seed=4), "ph")
    assert "batch:hold" in result.terms.random
    assert result.fit.anova().set_index("term").loc["hold", "df_den"] <= 30


TWINS = "use_hold_h = 48\nballs = 2"


def test_one_batch_of_each_water_gets_no_verdict(kitchen):
    text = kitchen.PLAIN.replace("replicates = 5", "replicates = 1")
    result = analyse(kitchen.invent(text.replace("use_hold_h = 48", TWINS), lambda _: 5.5), "ph")
    answer = result.answer("water")
    assert not answer.comparisons
    assert "no batch is left over to judge by, so no range and no verdict" in answer.unanswered
    assert "water" not in set(result.anova["term"])
    assert "not answered: water" in str(result)
    with pytest.raises(NotEstimable, match="no batch is left over"):
        result.means("water")
    assert "no reading session is left over" in result.answer("hold").unanswered  # one day
    assert sum("no batch is left over" in n for n in result.notes) == 1


def test_waters_left_with_one_batch_each_get_no_verdict(kitchen):
    """The plan could judge them, what is left of the trial cannot: balls never stand in."""
    trial = kitchen.invent(kitchen.PLAIN.replace("use_hold_h = 48", TWINS), lambda _: 5.5)
    kept = {}
    for b in trial.frozen_plan.batches:
        kept.setdefault(b["water"], b["batch_id"])
    gone = [b["ball_id"] for b in trial.frozen_plan.balls if b["batch_id"] not in kept.values()]
    result = analyse(trial.lose(*gone), "ph")
    assert (result.dataset.batches, len(result.dataset.frame)) == (2, 12)
    assert "is left over to judge by" in result.answer("water").unanswered
    assert "water" not in set(result.anova["term"])


def test_waters_left_with_two_batches_each_get_no_verdict(kitchen):
    """4 batches - 2 waters = 2 left over: their ranges would be too short (plan/model.py)."""
    trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5)
    by_water = {}
    for b in trial.frozen_plan.batches:
        by_water.setdefault(b["water"], []).append(b["batch_id"])
    kept = [b for batches in by_water.values() for b in batches[:2]]
    gone = [b["ball_id"] for b in trial.frozen_plan.balls if b["batch_id"] not in kept]
    result = analyse(trial.lose(*gone), "ph")
    assert result.dataset.batches == 4
    assert "too few batches are left over to judge by (2; 3 are wanted)" in (
        result.answer("water").unanswered
    )
    assert "water" not in set(result.anova["term"])


def test_hold_of_the_first_day_is_not_judged_though_the_plan_can(waters_trial, ph):
    """Each session has served one hold so far: it cannot be told from the hold yet."""
    assert len(ph.answer("hold").comparisons) == 3
    plan = waters_trial.frozen_plan
    first = {b["batch_id"] for b in plan.batches if b["block"] == "D1"}
    rows = [r for r in waters_trial.records.readings if r["ball_id"][:3] in first]
    result = analyse(waters_trial.with_readings(rows), "ph")
    assert result.dataset.interim and "hold" not in result.terms.not_estimable
    assert "no reading session is left over to judge by" in result.answer("hold").unanswered
    assert "hold" not in set(result.anova["term"])
    assert sum("no reading session" in n for n in result.notes) == 1


def test_two_batches_of_one_ball_for_each_hold_answer_nothing(plain_trial):
    kept = {}
    for b in plain_trial.frozen_plan.batches:
        kept.setdefault(b["water"], b["batch_id"])
    balls = plain_trial.frozen_plan.balls
    gone = [b["ball_id"] for b in balls if b["batch_id"] not in kept.values()]
    result = analyse(plain_trial.lose(*gone), "ph")
    assert not any(a.comparisons for a in result.answers)
    assert "no batch is left over to judge by" in result.answer("water").unanswered
    assert (
        "water x hold: too few balls are recorded to tell it from the balls' own differences; it "
        "is taken as nil." in result.notes
    )


def test_one_batch_of_one_ball_for_each_hold_is_too_little(plain_trial):
    first = plain_trial.frozen_plan.batches[0]["batch_id"]
    balls = plain_trial.frozen_plan.balls
    gone = [b["ball_id"] for b in balls if b["batch_id"] != first]
    with pytest.raises(NotEstimable, match="pH: 3 balls of 1 batch "):
        analyse(plain_trial.lose(*gone), "ph")


def test_a_level_without_records_is_named_and_the_rest_answered(waters_trial):
    plan = waters_trial.frozen_plan
    batches = {b["batch_id"] for b in plan.batches if b["water"] == "bottled"}
    rows = [r for r in waters_trial.records.readings if r["ball_id"][:3] not in batches]
    result = analyse(waters_trial.with_readings(rows), "ph")
    answer = result.answer("water")
    assert [c.words for c in answer.comparisons] == ["tap - reverse osmosis"]
    assert "water: bottled cannot be compared yet." in answer.notes
    assert result.dataset.interim


def test_only_one_water_recorded_so_far_still_answers_the_hold(waters_trial):
    plan = waters_trial.frozen_plan
    batches = {b["batch_id"] for b in plan.batches if b["water"] == "tap"}
    rows = [r for r in waters_trial.records.readings if r["ball_id"][:3] in batches]
    result = analyse(waters_trial.with_readings(rows), "ph")
    assert "only one level is recorded so far" in result.answer("water").unanswered
    assert len(result.answer("hold").comparisons) == 3


def test_a_combination_without_records_does_not_stop_the_others(waters_trial):
    """No tap ball at 72 h yet: averages over holds cannot be told, differences at 48 h can."""
    plan = waters_trial.frozen_plan
    tap = {b["batch_id"] for b in plan.batches if b["water"] == "tap"}
    gone = {b["ball_id"] for b in plan.balls if b["batch_id"] in tap and b["hold_h"] == 72.0}
    rows = [r for r in waters_trial.records.readings if r["ball_id"] not in gone]
    result = analyse(waters_trial.with_readings(rows), "ph")
    answer = result.answer("water")
    assert [c.at for c in answer.comparisons] == ["48 h"] * 3
    assert [c.words for c in result.answer("hold").comparisons] == ["48 h instead of 24 h"]
    assert "hold: 72 h cannot be compared yet." in result.notes
    assert result.dataset.interim


def test_a_single_reading_is_too_little_and_says_so(plain_trial):
    with pytest.raises((NotEstimable, MissingRecords)):
        analyse(plain_trial.with_readings(plain_trial.records.readings[:1]), "ph")


def test_same_value_everywhere_is_refused_in_words(plain_trial):
    rows = [{**r, "ph": 5.5} for r in plain_trial.records.readings]
    with pytest.raises(NotEstimable, match="does not vary"):
        analyse(plain_trial.with_readings(rows), "ph")


def test_terms_are_those_of_the_plan(waters_trial, ph):
    """Lost balls change what can be estimated, never the model."""
    whole = ph
    some = [b["ball_id"] for b in waters_trial.frozen_plan.balls[::9]]
    part = analyse(waters_trial.lose(*some), "ph")
    assert part.terms == whole.terms
    assert part.model.fixed == whole.model.fixed


def test_planned_terms_are_not_dropped_for_their_p_value(ph):
    result = ph
    assert set(result.model.fixed) == set(result.terms.fixed)
    assert result.anova["p_value"].max() > 0.3


def test_changes_after_the_plan_stand_on_the_result(waters_trial):
    sentence = "margin of ph changed after the plan: 0.1 became 0.2."
    plan = replace(waters_trial.frozen_plan, changed=(sentence,))
    result = analyse(replace(waters_trial, frozen_plan=plan), "ph")
    assert sentence in result.notes
    for text in (str(result), result.text(), result._repr_html_()):
        assert sentence in text.replace("\n  ", " ")


def test_numbers_with_two_levels_enter_minus_their_middle(ph):
    model = ph.model
    assert model.frame["mixing_water"].unique() == pytest.approx(
        np.array([1, -1]) * 5 / 1.8, abs=1e-3
    ) or model.frame["mixing_water"].unique() == pytest.approx(
        np.array([-1, 1]) * 5 / 1.8, abs=1e-3
    )


def with_lots(trial, name_lot, column="water_lot"):
    """The same trial with a lot written down at each mixing: name_lot(batch row, number)."""
    batches = {b["batch_id"]: b for b in trial.frozen_plan.batches}
    mixes = [{**m, column: name_lot(batches[m["batch_id"]], i)}
             for i, m in enumerate(trial.records.mixes)]  # fmt: skip
    return replace(trial, records=Records({**trial.records.journals,
                                           **Records.of(mixes=mixes).journals}))  # fmt: skip


def test_one_recorded_tank_for_each_water_gives_the_water_no_verdict(waters_trial, ph):
    """The plan names no lots; the bench wrote down that each water came from one tank."""
    assert ph.answer("water").comparisons
    result = analyse(with_lots(waters_trial, lambda b, _: f"T-{b['water'][:3]}"), "ph")
    answer = result.answer("water")
    assert not answer.comparisons
    assert "what shows may be this tank, not this water" in answer.unanswered
    assert "water" not in set(result.anova["term"])
    assert "water_lot" not in result.terms.random
    for name in ("mixing_water", "hold"):  # tanks are the same on both sides of these
        assert result.answer(name).comparisons
    assert any(n.startswith("3 water lots were used, which the plan does not name") for n in
               result.notes)  # fmt: skip


def test_one_tank_of_one_water_is_enough(waters_trial):
    only = with_lots(waters_trial, lambda b, _: "T1" if b["water"] == "reverse osmosis" else None)
    result = analyse(only, "ph")
    assert "this tank, not this water" in result.answer("water").unanswered
    assert any(n.startswith("No water lot is recorded for B0") for n in result.notes)


def test_tanks_filled_anew_each_day_are_a_spread_of_their_own(waters_trial, ph):
    """4 days x 3 waters: 12 - 4 - 2 = 6 tanks left over, so at most about 6 df for the water."""
    result = analyse(with_lots(waters_trial, lambda b, _: f"{b['block']}{b['water'][:3]}"), "ph")
    assert result.terms.random[0] == "water_lot" == result.fit.random_names[0]
    table = result.anova.set_index("term")
    assert table.loc["water", "df_den"] <= 8 < ph.anova.set_index("term").loc["water", "df_den"]
    assert result.answer("water").comparisons
    assert not any("look surer" in n for n in result.notes)
    basis = result.answer("water").comparisons[0].basis
    assert (basis.unit, basis.n, basis.batches) == ("water lot", 8, 12)  # two waters of three
    assert "water lot against water lot for water (12 water lots)" in " ".join(str(result).split())
    forecast = replace(result.answer("water").comparisons[0], estimate=0.0, ci_low=-0.2,
                       ci_high=0.2)  # fmt: skip
    assert "more water lots" in forecast_words(forecast.forecast(), forecast)


def test_tanks_of_the_first_day_only_hide_the_water_so_far(waters_trial):
    trial = with_lots(waters_trial, lambda b, _: f"{b['block']}{b['water'][:3]}")
    first = {b["batch_id"] for b in trial.frozen_plan.batches if b["block"] == "D1"}
    rows = [r for r in trial.records.readings if r["ball_id"][:3] in first]
    result = analyse(trial.with_readings(rows), "ph")
    assert result.dataset.interim and not result.answer("water").comparisons


def test_flour_from_one_sack_changes_nothing(waters_trial, ph):
    result = analyse(with_lots(waters_trial, lambda *_: "F1", column="flour_lot"), "ph")
    assert result.terms == ph.terms
    assert result.verdicts.equals(ph.verdicts)


def test_recorded_lot_overrides_the_planned_one(waters_trial):
    plan = waters_trial.frozen_plan
    batches = tuple({**b, "water_lot": "W01"} for b in plan.batches)
    trial = replace(waters_trial, frozen_plan=replace(plan, batches=batches))
    trial = with_lots(trial, lambda b, i: "W02" if i % 2 else None)
    result = analyse(trial, "ph")
    assert set(result.dataset.frame["water_lot"]) == {"W01", "W02"}
    assert any(
        n.startswith("Another water lot than planned counts: B02 W02 instead of W01")
        for n in result.notes
    )


def after(trial, batches):
    """The same trial when so many batches have been read."""
    done = {b["batch_id"] for b in trial.frozen_plan.batches[:batches]}
    rows = [r for r in trial.records.readings if r["ball_id"][:3] in done]
    return analyse(trial.with_readings(rows), "ph")


def test_more_batches_never_give_fewer_answers(waters_trial):
    """Left over without the interaction: 8 - 2 days - 2 waters - 1 = 3; 2 of each up to then."""
    answered = set()
    for batches in range(4, 13):
        result = after(waters_trial, batches)
        now = {a.question.factor for a in result.answers if a.comparisons}
        assert answered <= now, batches
        answered = now
        assert ("water" in now) is (batches >= 8)
    assert answered == {"water", "mixing_water", "hold"}


def test_interaction_that_uses_up_the_batches_so_far_is_left_out_and_named(waters_trial):
    result = after(waters_trial, 9)
    assert "water:mixing_water" in result.terms.fixed
    assert "water:mixing_water" not in result.model.fixed
    assert (
        "water x mixing water: too few batches are recorded to tell it from the batches' own "
        "differences; it is taken as nil." in result.notes
    )
    assert "water:mixing_water" in after(waters_trial, 10).model.fixed  # 10 - 2 - 3 - 2 = 3
