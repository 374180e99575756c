"""What the kitchen keeps, what it can hold, what a value between levels assumes, until when."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doughlab.decision import decide
from doughlab.decision.between import draw_slope, judge_between, read_values, rows_at
from doughlab.decision.doable import round_to_kitchen, value_words
from doughlab.decision.expiry import expiry_conditions
from doughlab.decision.kept import find_kept, kept_words, list_deviations
from doughlab.decision.options import find_setting
from doughlab.decision.steady import find_steady
from doughlab.decision.told import kept_sentences
from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.formula import Formula
from doughlab.record.records import Records

COLD, WARM = "54 F", "64 F"
ROOM_SLOPE = 0.10  # pH for 1 °C, of the colder water only


@pytest.fixture(scope="module")
def kitchen_trial(kitchen, band):
    """An invented kitchen whose colder water minds the room, and that misses its water by 0.3."""
    text = kitchen.WATERS_PH + band
    spread = kitchen.Spread(day=0.01, batch=0.01, ball=0.01)
    trial = kitchen.invent(text, kitchen.usual_truth, spread=spread)
    rng = np.random.default_rng(11)
    water = {b["batch_id"]: b["mixing_water_temp_c"] for b in trial.frozen_plan.batches}
    mixes, rooms = [], {}
    for mix in trial.records.mixes:
        name = mix["batch_id"]
        rooms[name] = float(rng.uniform(18.0, 23.0))
        mixes.append({**mix, "room_temp_c": rooms[name], "flour_lot": "F1",
                      "water_temp_c": water[name] + float(rng.normal(0.2, 0.3))})  # fmt: skip
    rows = []
    for row in trial.records.readings:
        batch = row["ball_id"].split("-")[0]
        more = ROOM_SLOPE * (rooms[batch] - 20.5) if water[batch] < 15 else 0.0
        rows.append({**row, "ph": row["ph"] + more, "instrument": "bench meter"})
    bakes = {n: getattr(trial.records, n) for n in ("bakes", "scores", "notes")}
    return replace(trial, records=Records.of(mixes=mixes, readings=rows, **bakes))


@pytest.fixture(scope="module")
def decision(kitchen_trial):
    return decide(kitchen_trial)


@pytest.fixture(scope="module")
def predictor(decision):
    return decision.weighing.predictors["ph"]


def test_a_tried_setting_has_the_same_row_as_always(decision, predictor):
    setting = decision.weighing.setting
    factors = decision.settings.factors
    for i in (0, 7, len(setting) - 1):
        values = {n: f.value_of(str(setting[n].iloc[i])) for n, f in factors.items()}
        usual = predictor.rows(setting.iloc[[i]])
        assert rows_at(predictor, values) == pytest.approx(usual)


def test_between_two_levels_the_row_is_mixed_by_distance(predictor):
    """36 h lies halfway from 24 to 48 h, 30 h a quarter of the way."""
    rest = {"water": "tap", "mixing_water": 15.0}
    at = {h: rows_at(predictor, {**rest, "hold": h}) for h in (24.0, 30.0, 36.0, 48.0, 72.0)}
    # a parabola over the root of the hours through the three holds (numpy), as for the hours
    roots = np.sqrt([24.0, 48.0, 72.0])
    for hour in (30.0, 36.0):
        weights = [np.polyval(np.polyfit(roots, unit, 2), np.sqrt(hour)) for unit in np.eye(3)]
        wanted = sum(w * at[h] for w, h in zip(weights, (24.0, 48.0, 72.0), strict=True))
        assert at[hour] == pytest.approx(wanted)


def test_every_tried_fahrenheit_can_be_asked_for_again(kitchen, band):
    """55 F is 12.7778 °C in the plan and 12.77778 as typed; so are most whole Fahrenheits."""
    text = kitchen.WATERS_PH.replace("54 F", "55 F").replace("64 F", "65 F") + band
    usual = {"55 F": "54 F", "65 F": "64 F"}
    found = decide(kitchen.invent(text, lambda levels: kitchen.usual_truth(
        {**levels, "mixing_water": usual[levels["mixing_water"]]})))  # fmt: skip
    assert found.recommended["mixing_water"] in {"55 F", "65 F"}
    for level in ("55 F", "65 F"):
        values = read_values(found.weighing, found.recommended, {"mixing_water": level})
        assert values["mixing_water"] in found.settings.factors["mixing_water"].values
    assert kept_sentences(found)[0].startswith("As the kitchen can hold it: ")
    with pytest.raises(OutOfRange, match="lies outside 55 F to 65 F"):
        read_values(found.weighing, found.recommended, {"mixing_water": "54 F"})


def test_a_slope_is_the_difference_of_two_means_over_their_distance(predictor):
    base = {"water": "tap", "mixing_water": (54 - 32) / 1.8, "hold": 48.0}
    draws = draw_slope(predictor, base, "mixing_water")
    rows = pd.DataFrame([{"water": "tap", "mixing_water": w, "hold": "48"} for w in (COLD, WARM)])
    means = predictor.draws.means(predictor.rows(rows))
    assert draws == pytest.approx((means[:, 1] - means[:, 0]) / (10 / 1.8), rel=1e-4)


def test_the_share_between_levels_is_that_of_balls_drawn_one_by_one(decision, predictor):
    """Brute force: one ball for each draw of mean and spread; 95 in 100 within its error."""
    found = judge_between(decision.weighing, decision.recommended, {"hold": "34 h"})
    values = dict(found.values)
    assert values["hold"] == 34.0
    rng = np.random.default_rng(2)
    means = predictor.draws.means(rows_at(predictor, values))[:, 0]
    balls = means + np.sqrt(predictor.draws.spread()) * rng.standard_normal(len(means))
    share = ((balls >= 5.35) & (balls <= 5.75)).mean()
    assert found.share[1] <= share <= found.share[2]
    assert found.mean[1] <= found.mean[0] <= found.mean[2]
    assert 0 <= found.rounding[1] <= found.rounding[0] <= found.rounding[2] < 0.3


def test_a_straight_line_is_said_or_a_middle_level_asked_for(decision):
    found = judge_between(decision.weighing, decision.recommended, {"mixing_water": "60 F"})
    assert found.sentences[-1] == (
        "mixing water was not tried there: a straight line from 54 F to 64 F is assumed; two "
        "levels cannot show a bend, a middle level (15 °C) would."
    )
    bent = judge_between(decision.weighing, decision.recommended, {"hold": "36"}).sentences[-1]
    assert bent == (
        "hold was not tried there: a smooth curve through the means at 24 h, 48 h and 72 h is "
        "assumed, as for the hours."
    )


def test_a_hold_between_has_the_mean_and_share_of_its_hour(decision):
    """Two doors, one number: `--at hold=36h` and the hours of the recommended setting."""
    found = judge_between(decision.weighing, decision.recommended, {"hold": "36 h"})
    course, hour = decision.hours, float(found.values["hold"])
    assert found.mean[0] == pytest.approx(np.interp(hour, course.hours, course.mean), abs=0.004)
    assert found.share[0] == pytest.approx(course.share_at(hour)[0], abs=0.03)


def test_a_hold_that_ends_at_night_is_answered_as_asked_too(decision, predictor):
    """40 h end at night: the mean there is that of the hours' own curve, beside the nearest."""
    found = judge_between(decision.weighing, decision.recommended, {"hold": "40 h"})
    course, held = decision.hours, float(found.values["hold"])
    assert held != 40.0
    for mean, hour in ((found.asked["mean"], 40.0), (found.mean, held)):
        assert mean[0] == pytest.approx(np.interp(hour, course.hours, course.mean), abs=0.004)
    share = found.asked["share"]
    assert share[0] == pytest.approx(course.share_at(40.0)[0], abs=0.03)
    assert share[1] < share[0] < share[2]
    assert found.sentences[0].startswith(f"As asked, hold 40 h: pH {found.asked['mean'][0]:.2f} on")
    assert f"the nearest it can hold is {held:g} h." in found.sentences[1]
    assert f"hold {held:g} h: pH {found.mean[0]:.2f} on average" in found.sentences[2]
    assert judge_between(decision.weighing, decision.recommended, {"hold": "48 h"}).asked == {}


def test_a_tried_value_assumes_nothing(decision):
    found = judge_between(decision.weighing, decision.recommended, {"hold": "48 h"})
    assert not any("assumed" in s for s in found.sentences)


def test_beyond_what_was_tried_nothing_is_said(decision):
    with pytest.raises(OutOfRange) as error:
        judge_between(decision.weighing, decision.recommended, {"hold": "90 h"})
    assert str(error.value) == (
        "hold 90 h lies outside 24 h to 72 h, as far as it was tried. Ask for a value inside, or "
        "try it in a further trial."
    )
    with pytest.raises(UnknownName):
        judge_between(decision.weighing, decision.recommended, {"water": "well"})
    with pytest.raises(InputError) as empty:
        judge_between(decision.weighing, {}, {"hold": "48"})
    assert str(empty.value) == (
        "Nothing is recommended yet, so say a value for every factor with --at."
    )


def test_settings_are_rounded_to_what_the_kitchen_can_hold(kitchen):
    """By hand: 62.6 F to 63 F; 1000 g flour and a 5 g scale; 40 h after 09:45 is 01:45."""
    text = kitchen.WATERS_PH + '\n[units]\ntemperature = "F"\n[kitchen]\nscale_step_g = 5\n'
    text = text.replace("[factors.hold]", '[factors.hydration]\nset = "batch"\nkind = "number"\n'
                        'levels = [60, 66]\nunit = "pct"\n\n[factors.hold]')  # fmt: skip
    settings = kitchen.read(text)
    formula = Formula(percents={"hydration": 60}, ball_g=160.0, balls=10)
    trial = SimpleNamespace(settings=settings, formula=formula)
    factors = settings.factors
    water = round_to_kitchen(trial, factors["mixing_water"], 17.0)
    assert water.value == pytest.approx((63 - 32) / 1.8)
    assert water.step == pytest.approx(1 / 1.8)
    wet = round_to_kitchen(trial, factors["hydration"], 60.2)
    assert wet.words == "hydration to 5 g of water in a batch"
    flour = 1600 / 1.602
    assert wet.step == pytest.approx(100 * 5 / flour)
    assert wet.value == pytest.approx(round(60.2 / wet.step) * wet.step)
    hold = round_to_kitchen(trial, factors["hold"], 40.0)
    assert hold.value == 35.0  # 20:45; the kitchen closes at 21:00 and opens at 09:00
    assert hold.words == "hold to half an hour, in use at 20:45"
    assert hold.moved == (
        "Hold 40 h would end at 01:45, when the kitchen is closed (open 09:00 to 21:00); the "
        "nearest it can hold is 35 h. Mixing at another time moves that: mix_at in [kitchen]."
    )
    assert round_to_kitchen(trial, factors["hold"], 47.9).moved == ""
    assert value_words(settings, factors["mixing_water"], 15.0) == "59 °F"


def test_how_close_a_setting_was_kept_is_told_from_its_own_records(decision, kitchen_trial):
    """Mean and standard deviation with t and chi-square ranges, as scipy.stats has them."""
    kept, missing = find_kept(decision.weighing, decision.recommended)
    assert missing == ()
    water = next(k for k in kept if k.factor.name == "mixing_water")
    planned = {b["batch_id"]: b["mixing_water_temp_c"] for b in kitchen_trial.frozen_plan.batches}
    off = np.array([m["water_temp_c"] - planned[m["batch_id"]]
                    for m in kitchen_trial.records.mixes])  # fmt: skip
    assert water.n == len(off) == 24
    half = stats.t.ppf(0.975, 23) * off.std(ddof=1) / np.sqrt(24)
    assert water.offset == pytest.approx((off.mean(), off.mean() - half, off.mean() + half))
    ends = [off.std(ddof=1) * np.sqrt(23 / stats.chi2.ppf(q, 23)) for q in (0.975, 0.025)]
    assert water.sd[1:] == pytest.approx(tuple(ends))
    # a cooler mix is 0.12 higher over 10 F: slope -0.0216 for 1 °C
    assert water.slope[0] == pytest.approx(-0.0216, abs=0.012)
    assert 0 < water.part[1] <= water.part[0] <= water.part[2] <= 1
    words = kept_words(decision.weighing, water)
    assert words.startswith("mixing water was kept to 0.")
    assert "standard deviation, n 24)" in words and words.endswith("of the spread (variance) of pH")


def test_what_was_not_written_down_is_named(decision):
    hold = decision.settings.hold
    assert list_deviations(decision.weighing, hold).abs().max() < 1e-6  # read on the hour
    odd = replace(hold, name="salt", unit="pct", set="batch")
    frame = decision.weighing.predictors["ph"].model.dataset.frame
    frame["salt"] = frame["hold"]
    assert list_deviations(decision.weighing, odd).empty


def test_a_decision_stands_until_what_was_tried_is_left(decision, kitchen_trial):
    found = {c.what: c for c in expiry_conditions(kitchen_trial, decision)}
    assert list(found) == ["season", "water", "flour", "cooler", "holds", "mixer", "meter"]
    rooms = [m["room_temp_c"] for m in kitchen_trial.records.mixes]
    assert (found["season"].low, found["season"].high) == (min(rooms), max(rooms))
    assert found["flour"].values == ("F1",)
    assert found["flour"].words == (
        "another flour lot than F1 is opened (one lot does not show how lots differ)"
    )
    assert found["cooler"].words == "the cooler changes (its temperature was not recorded)"
    assert (found["holds"].low, found["holds"].high) == (24.0, 72.0)
    assert found["meter"].words == "another meter than bench meter is used"
    assert found["water"].words == (
        "the water supplier gives notice of a change (no sample is dated)"
    )


def test_a_trial_in_one_room_does_not_end_by_a_degree(decision, kitchen_trial):
    """All mixes at 22 °C (71.6 °F): a room of 22.9 ends nothing, one of 23.1 does."""
    mixes = [{**m, "room_temp_c": 22.0} for m in kitchen_trial.records.mixes]
    one = SimpleNamespace(
        records=SimpleNamespace(mixes=mixes, temperatures=(), readings=()),
        settings=replace(kitchen_trial.settings, show_temperature="F"), waters={},
    )  # fmt: skip
    season = expiry_conditions(one, decision)[0]
    assert season.low < 21.1 < 22.9 < season.high < 23.1
    assert season.words == "the room is more than 2 °F from 72 °F, all that was tried"


def test_the_setting_that_minds_the_room_less_is_found(decision, predictor):
    """The colder water moves by 0.10 pH for 1 °C of the room, the warmer one not at all."""
    weighing = decision.weighing
    every = decision.table.assign(less_low=0.0)  # whatever the chances say of a setting
    steady = find_steady(weighing, every, decision.recommended)
    cold = (weighing.setting["mixing_water"] == COLD).to_numpy()
    assert steady.slope[cold].mean() == pytest.approx(ROOM_SLOPE, abs=0.02)
    assert steady.slope[~cold].mean() == pytest.approx(0.0, abs=0.02)
    assert ((steady.low <= 0) & (steady.high >= 0))[~cold].mean() > 0.7
    assert weighing.setting["mixing_water"].iloc[steady.best] == WARM
    assert steady.sentences[-1] == (
        "Nobody set the room, so something that came with it may be at work; of several settings "
        "the smallest slope is partly luck."
    )
    chosen = weighing.setting.iloc[0].to_dict() | {"mixing_water": COLD, "hold": "72"}
    against = find_steady(weighing, decision.table.assign(less_low=0.0), chosen)
    assert against.shown and find_setting(weighing.setting, chosen) != against.best
    assert "a difference is shown" in " ".join(against.sentences)


def test_without_rooms_that_differ_nothing_is_said_of_them(decision):
    model = decision.weighing.predictors["ph"].model
    frame = model.dataset.frame.assign(room_temp_c=20.0)
    still = replace(model, dataset=replace(model.dataset, frame=frame))
    own = replace(decision.weighing, predictors={
        "ph": replace(decision.weighing.predictors["ph"], model=still)})  # fmt: skip
    assert find_steady(own, decision.table, decision.recommended).sentences == (
        "Which setting minds the room least cannot be told: 24 batches have a room temperature, "
        "and 6 that differ are needed.",
    )
