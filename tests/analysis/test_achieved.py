"""The second look: slopes along what batches got, against algebra and R; no verdict moves."""

import csv
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import t as student

from doughlab.analysis import analyse, second_look
from doughlab.analysis.achieved import SAME_PH
from doughlab.analysis.covariates import COVARIATES, collect_achieved
from doughlab.errors import InputError, MissingRecords, PlanError
from doughlab.formula import Formula
from doughlab.record.records import Records

HERE = Path(__file__).parent
BESIDE = "beside the plan"
WATERS = {"tap": {"alkalinity_mg_l": 148.0}, "bottled": {"alkalinity_mg_l": 62.0},
          "reverse osmosis": {"alkalinity_mg_l": 9.0}}  # fmt: skip


def with_mixes(trial, change, lots=()):
    """Give each mix the columns that `change(batch row)` says; None takes the mix away."""
    rows = {b["batch_id"]: change(b) for b in trial.frozen_plan.batches}
    mixes = [
        m | rows[m["batch_id"]] for m in trial.records.mixes if rows[m["batch_id"]] is not None
    ]
    own = Records.of(mixes=mixes, lots=list(lots)).journals
    return replace(trial, records=Records({**trial.records.journals, **own}), waters=WATERS)


def row(look, term, level=BESIDE):
    found = look.table[(look.table["term"] == term) & (look.table["level"] == level)]
    assert len(found) == 1, look.table
    return found.iloc[0]


def add_to_readings(trial, shift):
    """Add shift(batch id) to every pH."""
    rows = [
        {**r, "ph": r["ph"] + shift(r["ball_id"].split("-")[0])} for r in trial.records.readings
    ]
    return trial.with_readings(rows)


@pytest.fixture(scope="module")
def temps(plain_trial):
    """An invented dough temperature for each batch of `plain_trial`."""
    rng = np.random.default_rng(8)
    return {b["batch_id"]: float(t) for b, t in zip(plain_trial.frozen_plan.batches,
                                                    rng.normal(24, 1, 10).round(1),
                                                    strict=True)}  # fmt: skip


@pytest.fixture(scope="module")
def warm(plain_trial, temps):
    """`plain_trial` with a dough temperature for each batch, and its pH moved along it."""
    trial = with_mixes(plain_trial, lambda b: {"dough_temp_c": temps[b["batch_id"]]})
    return add_to_readings(trial, lambda b: 0.05 * (temps[b] - 24))


def test_balanced_slope_is_least_squares_on_batch_means(warm, temps):
    """One ball for each batch and hold: the batch means carry all there is on a batch's value."""
    look = second_look(analyse(warm, "ph"), warm)
    means = analyse(warm, "ph").dataset.frame.groupby(["batch", "water"], observed=True)["y"].mean()
    y = means.to_numpy()
    batch, water = zip(*means.index, strict=True)
    x = np.column_stack([np.ones(10), [w == "tap" for w in water], [temps[b] for b in batch]])
    beta, rss, _, _ = np.linalg.lstsq(x.astype(float), y, rcond=None)
    df = 10 - 3
    error = np.sqrt(rss[0] / df * np.linalg.inv(x.T.astype(float) @ x)[2, 2])
    found = row(look, "achieved_dough_temp_c")
    assert found["estimate"] == pytest.approx(beta[2], rel=1e-7)
    assert found["std_error"] == pytest.approx(error, rel=1e-6)
    assert found["df"] == pytest.approx(df, rel=1e-6)
    assert found["ci_high"] == pytest.approx(beta[2] + student.ppf(0.975, df) * error, rel=1e-6)
    assert (found["contrast"], found["unit"], found["n"]) == ("per 1 °C", "ph", 10)


def test_slope_moves_by_what_is_added_along_the_value(warm, temps):
    """Equivariance of the generalised least squares: y + b x has the slope of y plus b."""
    steeper = add_to_readings(warm, lambda b: 0.4 * temps[b])
    before = row(second_look(analyse(warm, "ph"), warm), "achieved_dough_temp_c")
    after = row(second_look(analyse(steeper, "ph"), steeper), "achieved_dough_temp_c")
    assert after["estimate"] - before["estimate"] == pytest.approx(0.4, abs=1e-7)
    assert after["std_error"] == pytest.approx(before["std_error"], rel=1e-5)


def test_unbalanced_slope_with_a_blank_agrees_with_r(kitchen):
    """lme4 1.1-31, pbkrtest 0.5.2 on R 4.2.2, make_achieved_values.R beside this file.

    Tolerance: the two searches stop within a millionth of each other's variances.
    """
    text = (HERE / "achieved.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    trial = kitchen.invent(kitchen.PLAIN.replace("replicates = 5", "replicates = 6"),
                           lambda _: 5.5)  # fmt: skip
    planned = {b["ball_id"]: (b["batch_id"], b["hold_h"]) for b in trial.frozen_plan.balls}
    assert all(planned[r["ball"]] == (r["batch"], float(r["hold_h"])) for r in rows)
    values = {r["ball"]: float(r["ph"]) for r in rows}
    temps = {r["batch"]: float(r["dough_temp_c"]) if r["dough_temp_c"] else None for r in rows}
    trial = trial.with_readings(
        [r | {"ph": values[r["ball_id"]]} for r in trial.records.readings if r["ball_id"] in values]
    )
    trial = with_mixes(trial, lambda b: {"dough_temp_c": temps[b["batch_id"]]})
    look = second_look(analyse(trial, "ph"), trial)
    found = row(look, "achieved_dough_temp_c")
    for column, value in {"estimate": 0.01926973, "std_error": 0.01819556, "df": 7.542817,
                          "ci_low": -0.02313614, "ci_high": 0.06167561}.items():  # fmt: skip
        assert found[column] == pytest.approx(value, rel=2e-5), column
    assert found["n"] == 11
    assert (
        "dough temperature: missing for 1 of 12 batches (B04), left out of its rows." in look.notes
    )


def test_one_alkalinity_for_each_water_cannot_be_told_from_water(warm):
    look = second_look(analyse(warm, "ph"), warm)
    assert "achieved_alkalinity_mg_l" not in set(look.table["term"])
    assert (
        "alkalinity cannot be told from water: each water has one alkalinity in these records, "
        "and whatever else comes with it moves along."
    ) in look.unanswered
    assert any(n.startswith("Nothing is put in place of water") for n in look.notes)


def test_a_lot_of_the_same_water_with_another_alkalinity_tells_it(plain_trial):
    """Three tanks: two of tap water's samples, so alkalinity varies within a planned water."""
    late = {"B07", "B08", "B09", "B10"}
    trial = with_mixes(
        plain_trial,
        lambda b: {"water_lot": "T2" if b["batch_id"] in late and b["water"] == "tap" else None},
        lots=[{"lot_id": "T2", "kind": "water", "water_id": "reverse osmosis"}],
    )
    assert any(b["batch_id"] in late and b["water"] == "tap" for b in trial.frozen_plan.batches)
    look = second_look(analyse(trial, "ph"), trial)
    assert set(look.achieved.frame["achieved_alkalinity_mg_l"]) == {148.0, 62.0, 9.0}
    assert np.isfinite(row(look, "achieved_alkalinity_mg_l")["ci_low"])


def test_a_value_of_the_day_cannot_be_told_from_the_mixing_day(waters_trial, ph):
    trial = with_mixes(waters_trial, lambda b: {"room_temp_c": 18.0 + int(b["block"][1:])})
    look = second_look(ph, trial)
    assert any(s.startswith("room temperature cannot be told from mixing day: each mixing day has")
               for s in look.unanswered)  # fmt: skip


def test_a_measured_temperature_stands_in_place_of_the_planned_one(waters_trial, ph):
    """Exactly the planned degrees: in place the planned slope comes back, beside it cannot be."""
    trial = with_mixes(waters_trial, lambda b: {"water_temp_c": b["mixing_water_temp_c"]})
    look = second_look(ph, trial)
    assert any(
        s.startswith("water temperature cannot be told from mixing water") for s in look.unanswered
    )
    found = row(look, "achieved_water_temp_c", "in place of mixing water")
    planned = ph.contrasts("mixing_water").iloc[0]
    degrees = 10 / 1.8  # 64 F instead of 54 F
    assert found["estimate"] * degrees == pytest.approx(planned["estimate"], rel=1e-4)
    assert found["ci_low"] * degrees == pytest.approx(planned["ci_low"], rel=1e-4)
    assert found["df"] == pytest.approx(planned["df"], rel=1e-6)


PH_TEXT = '[factors.water_ph]\nset = "batch"\nkind = "category"\nlevels = ["as is", "6.0"]\n\n'


@pytest.fixture(scope="module")
def crossed(kitchen):
    """Two waters, each as is and at pH 6: dough pH moves 0.2 for each pH, tap 0.05 above."""
    text = kitchen.PLAIN.replace("[factors.hold]", PH_TEXT + "[factors.hold]")
    spread = kitchen.Spread(day=0.0, batch=0.002, ball=0.001)
    trial = kitchen.invent(text, lambda x: 5.0 - 0.004 * float(x["hold"]), spread=spread, seed=2)
    rng = np.random.default_rng(3)
    start = {("tap", "as is"): 7.9, ("bottled", "as is"): 7.4,
             ("tap", "6.0"): 6.1, ("bottled", "6.0"): 5.9}  # fmt: skip
    batches = {b["batch_id"]: b for b in trial.frozen_plan.batches}
    ph = {n: round(start[b["water"], b["water_ph"]] + rng.normal(0, 0.1), 2)
          for n, b in batches.items()}  # fmt: skip
    acid = {"tap": 4.0, "bottled": 2.0}
    trial = with_mixes(trial, lambda b: {
        "water_ph": ph[b["batch_id"]], "flour_g": 1000.0, "water_g": 600.0,
        "acid": "White vinegar" if b["water_ph"] == "6.0" else None,
        "acid_g": acid[b["water"]] if b["water_ph"] == "6.0" else None,
    })  # fmt: skip
    return add_to_readings(
        trial, lambda n: 0.2 * ph[n] + (0.05 if batches[n]["water"] == "tap" else 0.0)
    )


def test_crossed_plan_tells_the_ph_of_a_water_from_the_rest_of_it(crossed):
    look = second_look(analyse(crossed, "ph"), crossed)
    slope = row(look, "achieved_water_ph", "in place of water ph")
    rest = row(look, "water", SAME_PH)
    assert slope["ci_low"] < 0.2 < slope["ci_high"]
    assert slope["ci_high"] - slope["ci_low"] < 0.02
    assert rest["contrast"].startswith("tap - bottled at pH ")
    assert rest["ci_low"] < 0.05 < rest["ci_high"]
    assert rest["ci_high"] - rest["ci_low"] < 0.02
    assert not any(n.startswith("Nothing is put in place") for n in look.notes)


def test_waters_without_a_common_ph_are_not_compared_at_one(crossed):
    apart = with_mixes(crossed, lambda b: {"water_ph": (8.0 if b["water"] == "tap" else 5.0)
                       + (0.3 if b["water_ph"] == "6.0" else 0.0)
                       + 0.01 * int(b["batch_id"][1:])})  # fmt: skip
    look = second_look(analyse(apart, "ph"), apart)
    assert SAME_PH not in set(look.table["level"])
    assert any(
        s == "tap - bottled at the same water pH: no pH was reached by both, so the rest of these "
        "waters cannot be told from their pH."
        for s in look.unanswered
    )


def test_acid_is_counted_per_kilogram_of_dough_as_weighed(crossed):
    """4 g in 1000 g flour, 600 g water and the acid; without a formula nothing else is known."""
    frame = collect_achieved(crossed, ["B01", "B02", "B03", "B04", "B05"]).frame
    plan = {b["batch_id"]: b for b in crossed.frozen_plan.batches}
    for r in frame.to_dict("records"):
        b = plan[r["batch"]]
        grams = {"tap": 4.0, "bottled": 2.0}[b["water"]] if b["water_ph"] == "6.0" else 0.0
        assert r["achieved_acid_g_per_kg"] == pytest.approx(grams / (1.600 + grams / 1000))


@pytest.fixture
def formula():
    return Formula(percents={"hydration": 60.0, "salt": 2.0, "oil": 3.0}, ball_g=200.0)


def test_formula_gives_the_dough_that_was_not_weighed(crossed, formula):
    """105 % of 1000 g flour and 600 g water, and the balls' mass where neither is weighed."""
    batch = next(b for b in crossed.frozen_plan.batches if b["water_ph"] == "6.0")
    name, grams = batch["batch_id"], {"tap": 4.0, "bottled": 2.0}[batch["water"]]
    parts = {"settings": crossed.settings, "frozen_plan": crossed.frozen_plan, "waters": WATERS,
             "formula": formula}  # fmt: skip
    weighed = SimpleNamespace(**parts, records=crossed.records)
    found = collect_achieved(weighed, [name])
    value = found.frame["achieved_acid_g_per_kg"].iloc[0]
    assert value == pytest.approx(1000 * grams / (1050 + 600 + grams))
    assert not found.notes
    bare = with_mixes(crossed, lambda _: {"flour_g": None})
    found = collect_achieved(SimpleNamespace(**parts, records=bare.records), [name])
    balls = sum(b["batch_id"] == name for b in crossed.frozen_plan.balls)
    value = found.frame["achieved_acid_g_per_kg"].iloc[0]
    assert value == pytest.approx(1000 * grams / (200.0 * balls))
    assert found.notes == (
        f"acid dose: the dough of {name} was not weighed; its mass is that of the formula.",
    )


def test_blank_acid_is_none_only_where_the_plan_says_as_is(crossed):
    blank = with_mixes(crossed, lambda _: {"acid_g": None})
    plan = {b["batch_id"]: b for b in blank.frozen_plan.batches}
    frame = collect_achieved(blank, list(plan)).frame.set_index("batch")
    for name, b in plan.items():
        value = frame.loc[name, "achieved_acid_g_per_kg"]
        assert value == 0 if b["water_ph"] == "as is" else np.isnan(value)


def test_grams_of_two_acids_are_not_one_scale(crossed):
    names = {"tap": "Citric acid", "bottled": "white vinegar"}
    mixed = with_mixes(crossed, lambda b: {"acid": names[b["water"]]})
    look = second_look(analyse(mixed, "ph"), mixed)
    assert "achieved_acid_g_per_kg" not in set(look.table["term"])
    assert any("are different acids and cannot be put on one scale" in s for s in look.unanswered)


def test_missing_mixes_are_counted_and_left_out(warm, temps):
    gone = {"B02", "B05"}
    part = with_mixes(warm, lambda b: None if b["batch_id"] in gone else {})
    result = analyse(part, "ph")
    look = second_look(result, part)
    assert look.achieved.without_mix == ("B02", "B05")
    assert "10 batches, 8 with a mix recorded (none for B02, B05)." in str(look)
    assert "2 of 10 batches have no mix recorded (B02, B05)." in look.notes
    found = row(look, "achieved_dough_temp_c")
    assert (found["n"], found["df"]) == (8, pytest.approx(8 - 3, rel=1e-6))


def test_no_mix_at_all_is_said_and_bad_use_refused(warm, plain_trial, ph):
    none = with_mixes(warm, lambda _: None)
    with pytest.raises(MissingRecords, match="No mix is recorded for any of the 10 batches"):
        second_look(analyse(none, "ph"), none)
    with pytest.raises(InputError, match="belongs to another trial"):
        second_look(ph, warm)
    with pytest.raises(PlanError, match="has no plan yet"):
        collect_achieved(replace(plain_trial, frozen_plan=None), ["B01"])


def test_what_was_not_recorded_and_what_never_changed_is_named(warm):
    same = with_mixes(warm, lambda _: {"water_ph": 7.4, "water_temp_c": None})
    said = second_look(analyse(same, "ph"), same).unanswered
    assert "water pH: 7.4 in every batch that has one, so there is nothing to compare." in said
    assert (
        "water temperature: not recorded for any of 10 batches (water_temp_c in record/mixes.csv)."
    ) in said


def test_too_few_batches_left_give_no_range(warm):
    """Three batches with a value, two waters and a slope: no batch is left over to judge by."""
    plan = warm.frozen_plan.batches
    kept = {next(b["batch_id"] for b in plan if b["water"] == w) for w in ("tap", "bottled")}
    kept.add(next(b["batch_id"] for b in plan if b["batch_id"] not in kept))
    few = with_mixes(warm, lambda b: {} if b["batch_id"] in kept else {"dough_temp_c": None})
    look = second_look(analyse(few, "ph"), few)
    assert "achieved_dough_temp_c" not in set(look.table["term"])
    assert any(s.startswith("dough temperature") for s in look.unanswered)


def test_verdicts_are_never_changed(crossed):
    result = analyse(crossed, "ph")
    before = result.text(), result.verdicts.copy()
    look = second_look(result, crossed)
    assert result.text() == before[0] == analyse(crossed, "ph").text()
    assert result.verdicts.equals(before[1])
    assert not {"verdict", "words"} & set(look.table.columns)


def test_every_value_is_looked_at_whatever_its_p_value(waters_trial, ph):
    rng = np.random.default_rng(1)
    trial = with_mixes(waters_trial, lambda b: {
        "water_ph": 7 + rng.normal(), "water_temp_c": b["mixing_water_temp_c"] + rng.normal(),
        "dough_temp_c": 24 + rng.normal()})  # fmt: skip
    look = second_look(ph, trial)
    beside = set(look.table.loc[look.table["level"] == BESIDE, "term"])
    usual = {c.column for c in COVARIATES} - {"achieved_alkalinity_mg_l", "achieved_acid_g_per_kg"}
    assert beside == usual
    assert look.table["p_value"].max() > 0.3


def test_scores_are_looked_at_by_batches_too(waters_trial, score):
    rng = np.random.default_rng(2)
    trial = with_mixes(waters_trial, lambda b: {"dough_temp_c": 24 + rng.normal()})
    found = row(second_look(score, trial), "achieved_dough_temp_c")
    assert (found["unit"], found["n"]) == ("score", 24)
    assert found["df"] <= 24


@pytest.mark.parametrize("which", ["warm", "crossed", "demo"])
def test_text_fits_and_says_what_it_is(which, request):
    if which == "demo":
        import doughlab as dl

        trial = dl.Trial.open(HERE.parents[1] / "trials" / "lantern-quay")
    else:
        trial = request.getfixturevalue(which)
    look = second_look(analyse(trial, "ph"), trial)
    for text in (str(look), look.text()):
        assert text.startswith("A second look, not the answer: what was achieved\n")
        assert max(map(len, text.splitlines())) <= 80
    assert len(str(look).splitlines()) <= 15
    assert repr(look) == str(look)
    shown = look._repr_html_()
    assert "A second look, not the answer" in shown and shown.count("<tr>") == 1 + len(look.table)


def test_bare_result_in_a_notebook_is_its_summary(waters_trial, ph):
    from doughlab.decision import decide

    decision = decide(waters_trial, analyses={"ph": ph})
    assert repr(ph) == str(ph)
    assert repr(decision) == str(decision)
