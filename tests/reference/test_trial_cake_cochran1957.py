"""The published cakes through a trial folder: the same answers as R gives on the same data.

Data: Cochran & Cox (1957), Experimental Designs, 2nd edition, table 7.5 (table number from memory);
data set `cake` of the R package lme4. Expected values: data/mixed_models.json, made by
data/mixed_models.R with R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4. The classical strata
(aov with Error(recipe:replicate)): recipe 135.09 on 2 over 11402.7 on 42, temperature 2100.300
on 5, recipe:temperature 205.978 on 10, residual 4298.889 on 210.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from doughlab.analysis import analyse
from doughlab.decision import decide
from doughlab.record.records import Records
from doughlab.trial import Trial

HERE = Path(__file__).parent
WANTED = json.loads((HERE / "data" / "mixed_models.json").read_text())
FOLDER = HERE.parents[1] / "trials" / "cake"


@pytest.fixture(scope="module")
def result():
    return analyse(Trial.open(FOLDER), "angle")


def test_variances_agree_with_lme4(result):
    wanted = WANTED["cake"]["reml_variance"]
    assert result.fit.variances["batch"] == pytest.approx(wanted["rr"], rel=1e-6)
    assert result.fit.variances["residual"] == pytest.approx(wanted["Residual"], rel=1e-6)


def test_anova_agrees_with_pbkrtest(result):
    table = result.anova.set_index("term")
    for row in WANTED["cake"]["anova_kr"]:
        own = table.loc[row["term"]]
        assert own["df_num"] == row["num_df"]
        assert own["df_den"] == pytest.approx(row["den_df"], rel=1e-6)
        assert own["statistic"] == pytest.approx(row["F_scaled"], rel=1e-6)
        assert own["p_value"] == pytest.approx(row["p"], rel=1e-5)


def test_anova_is_the_classical_strata_table(result):
    table = result.anova.set_index("term")
    recipe = (135.09 / 2) / (11402.7 / 42)
    temperature = (2100.300 / 5) / (4298.889 / 210)
    both = (205.978 / 10) / (4298.889 / 210)
    # sums of squares are printed to five or six digits
    assert table.loc["recipe", "statistic"] == pytest.approx(recipe, rel=1e-4)
    assert table.loc["temperature", "statistic"] == pytest.approx(temperature, rel=1e-6)
    assert table.loc["recipe:temperature", "statistic"] == pytest.approx(both, rel=1e-5)


@pytest.mark.parametrize("factor", ["recipe", "temperature"])
def test_means_agree_with_emmeans(result, factor):
    wanted = WANTED["cake"]["emm"][factor]["means"]
    found = result.means(factor)
    assert [level.removesuffix(" C") for level in found["level"]] == [m[factor] for m in wanted]
    for column, key in (("estimate", "emmean"), ("std_error", "SE"), ("df", "df"),
                        ("ci_low", "lower.CL"), ("ci_high", "upper.CL")):  # fmt: skip
        assert found[column].tolist() == pytest.approx([m[key] for m in wanted], rel=1e-6)


@pytest.mark.parametrize("factor", ["recipe", "temperature"])
def test_tukey_pairs_agree_with_emmeans(result, factor):
    """R gives earlier minus later; numbers are higher minus lower here, so signs turn."""
    wanted = WANTED["cake"]["emm"][factor]["pairs_tukey_kr"]
    found = result.contrasts(factor)
    sign = -1.0 if factor == "temperature" else 1.0
    joint = " instead of " if factor == "temperature" else " - "
    ours = {tuple(row["contrast"].split(joint)): row for row in found.to_dict("records")}
    assert len(ours) == len(wanted)
    for row in wanted:
        a, b = row["contrast"].replace("temperature", "").split(" - ")
        own = ours[(f"{b} C", f"{a} C")] if sign < 0 else ours[(a, b)]
        assert own["estimate"] == pytest.approx(sign * row["estimate"], rel=1e-6)
        assert own["std_error"] == pytest.approx(row["SE"], rel=1e-6)
        assert own["df"] == pytest.approx(row["df"], rel=1e-6)
        # emmeans takes the studentized range from R's ptukey, good to about 1e-8
        assert own["p_value"] == pytest.approx(row["p.value"], rel=1e-5, abs=1e-8)
        ends = sorted([sign * row["lower.CL"], sign * row["upper.CL"]])
        assert [own["ci_low"], own["ci_high"]] == pytest.approx(ends, rel=1e-5, abs=1e-6)


def test_cakes_taken_out_give_the_values_of_r_on_the_rest():
    """Rows 1, 50, 137, 200, 269 and 270 of the data lost: the same six cakes lost here."""
    trial = Trial.open(FOLDER)
    data = np.genfromtxt(HERE / "data" / "cake.csv", delimiter=",", names=True, dtype=None,
                         encoding="utf-8")  # fmt: skip
    rows = [data[i - 1] for i in WANTED["cake_dropped"]["dropped_rows"]]
    lost = {(str(r["recipe"]), int(r["replicate"]), int(r["temperature"])) for r in rows}
    recipes = {b["batch_id"]: b["recipe"] for b in trial.frozen_plan.batches}
    replicate = {b: int(i) for b, i in zip(recipes, _replicates(data, recipes), strict=True)}
    gone = {b["ball_id"] for b in trial.frozen_plan.balls
            if (recipes[b["batch_id"]], replicate[b["batch_id"]], round(b["temperature_temp_c"]))
            in lost}  # fmt: skip
    assert len(gone) == 6
    rows = [r for r in trial.records.bakes if r["ball_id"] not in gone]
    part = analyse(_Part(trial, Records.of(bakes=rows)), "angle")
    wanted = WANTED["cake_dropped"]
    assert part.fit.n_used == wanted["n"] == 264
    assert part.fit.variances["batch"] == pytest.approx(wanted["reml_variance"]["rr"], rel=1e-6)
    table = part.anova.set_index("term")
    for row in wanted["anova_kr"]:
        assert table.loc[row["term"], "df_den"] == pytest.approx(row["den_df"], rel=1e-6)
        assert table.loc[row["term"], "statistic"] == pytest.approx(row["F_scaled"], rel=1e-6)
    means = part.means("recipe")
    emm = wanted["emm"]["recipe"]
    assert means["estimate"].tolist() == pytest.approx([m["emmean"] for m in emm["means"]])
    pairs = part.contrasts("recipe")
    for row, own in zip(emm["pairs_tukey_kr"], pairs.to_dict("records"), strict=True):
        assert own["estimate"] == pytest.approx(row["estimate"], rel=1e-6)
        assert own["p_value"] == pytest.approx(row["p.value"], rel=1e-5)


class _Part:
    """A trial with other records."""

    def __init__(self, trial, records):
        self.settings, self.frozen_plan, self.waters = (
            trial.settings, trial.frozen_plan, trial.waters,
        )  # fmt: skip
        self.records = records


def _replicates(data, recipes):
    """Replicate number of each batch: batches stand in the order of the data."""
    order = list(dict.fromkeys((str(r["recipe"]), int(r["replicate"])) for r in data))
    assert [recipe for recipe, _ in order] == list(recipes.values())
    return [number for _, number in order]


def test_recipes_are_compared_by_batches_and_temperatures_by_cakes(result):
    text = " ".join(result.text().split())
    assert "batch against batch for recipe (45 batches)" in text
    assert "ball against ball for baking temperature (270 balls)" in text


def test_a_trial_without_a_window_recommends_nothing():
    text = decide(Trial.open(FOLDER)).text()
    assert "this trial cannot tell one" in text and "Use " not in text
