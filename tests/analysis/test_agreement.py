"""Panels: agreement, use of the scale, repeats, ends of the scale, the answer without a judge."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doughlab.analysis import analyse
from doughlab.analysis.agreement import (
    agreement_by_model,
    check_panel,
    intraclass,
    rank_agreement,
)
from doughlab.analysis.judges import compare_scale_use, count_ends, drop_judges, measure_repeats
from doughlab.analysis.ordered import check_ordered
from doughlab.errors import InputError, MissingRecords, NotEstimable, UnknownName
from doughlab.record.records import Records


def panel(targets=8, judges=4, seed=1, noise=0.5):
    """Invented scores: targets SD 1.5, judges SD 0.8."""
    rng = np.random.default_rng(seed)
    ball, judge = rng.normal(0, 1.5, targets), rng.normal(0, 0.8, judges)
    return pd.DataFrame(
        [
            (f"b{i}", f"j{k}", 6.0 + ball[i] + judge[k] + rng.normal(0, noise))
            for i in range(targets)
            for k in range(judges)
        ],
        columns=["ball", "judge", "y"],
    )


@pytest.fixture(scope="module")
def scored(kitchen):
    """The analysis of the score of an invented trial with three judges."""
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score)
    return analyse(trial, "score")


def without(trial, gone):
    """The trial without the scores for which `gone(row)` holds."""
    rows = [r for r in trial.records.scores if not gone(r)]
    journals = {**trial.records.journals, **Records.of(scores=rows).journals}
    return replace(trial, records=Records(journals))


def test_same_order_from_all_is_full_agreement():
    data = pd.DataFrame({"judge": list("aaabbb"), "ball": ["x", "y", "z"] * 2,
                         "y": [1.0, 2.0, 3.0, 4.0, 8.0, 9.0]})  # fmt: skip
    found = rank_agreement(data)
    assert found.w == pytest.approx(1.0) and found.statistic == pytest.approx(4.0)
    assert "2 judges put 3 balls in order alike by W = 1.00" in found.sentence


def test_lost_scores_set_aside_whatever_costs_least():
    data = panel()
    one_ball = data.drop(index=[1, 2])  # ball b0 lacks two judges
    found = rank_agreement(one_ball)
    assert (found.judges, found.targets) == (4, 7)
    assert found.left_out == "1 of the balls set aside for lost scores: b0."
    one_judge = data[~((data["judge"] == "j3") & (data["ball"] != "b0"))]
    found = rank_agreement(one_judge)
    assert (found.judges, found.targets) == (3, 8)
    assert found.left_out == "1 of the judges set aside for lost scores: j3."
    apart = data[data["ball"].str[1].astype(int) % 4 == data["judge"].str[1].astype(int)]
    with pytest.raises(NotEstimable, match="needs no complete scores"):
        rank_agreement(apart)


def test_scores_that_never_differ_are_refused():
    flat = panel().assign(y=5.0)
    with pytest.raises(NotEstimable, match="nothing to rank"):
        rank_agreement(flat)
    with pytest.raises(NotEstimable, match="All scores are the same"):
        intraclass(flat)
    with pytest.raises(NotEstimable, match="scores that differ"):
        agreement_by_model(flat)
    with pytest.raises(UnknownName, match="Column 'bal' is not known"):
        rank_agreement(flat, target="bal")


def test_pingouin_settings_are_left_as_they_were():
    import pingouin as pg

    before = pg.options["round.column.CI95"]
    intraclass(panel())
    assert pg.options["round.column.CI95"] == before


def test_shift_and_scale_of_scores_leave_agreement_alone():
    data = panel()
    other = data.assign(y=3.0 + 2.0 * data["y"]).sample(frac=1.0, random_state=3)
    for name in (intraclass, agreement_by_model):
        one, two = name(data), name(other)
        np.testing.assert_allclose(one["estimate"], two["estimate"], rtol=1e-6)
        np.testing.assert_allclose(one["ci_low"], two["ci_low"], rtol=1e-4, atol=1e-6)
    assert rank_agreement(data).w == pytest.approx(rank_agreement(other).w)


def test_agreement_by_model_covers_its_truth():
    # Truth: balls SD 1.5, judges SD 0.8, noise SD 0.5: ICC(2,1) 0.717, ICC(3,1) 0.9. 20 panels of
    # 8 balls and 4 judges, seeds 1 to 20; at least 16 of 20 ranges must hold it (a 95 % range
    # misses that with chance 0.003).
    wanted = {"ICC(2,1)": 2.25 / (2.25 + 0.64 + 0.25), "ICC(3,1)": 0.9}
    hits = dict.fromkeys(wanted, 0)
    for seed in range(1, 21):
        found = agreement_by_model(panel(seed=seed)).set_index("term")
        for term, truth in wanted.items():
            hits[term] += found.loc[term, "ci_low"] <= truth <= found.loc[term, "ci_high"]
    assert min(hits.values()) >= 16, hits


def test_repeated_scores_put_disagreement_into_the_pair():
    data = pd.concat([panel(), panel()])  # every score twice, alike
    rng = np.random.default_rng(4)
    data = data.assign(y=data["y"] + rng.normal(0, 0.1, len(data)))
    found = agreement_by_model(data).set_index("term")["estimate"]
    single = agreement_by_model(panel()).set_index("term")["estimate"]
    assert found["ICC(3,1)"] == pytest.approx(single["ICC(3,1)"], abs=0.05)


def test_scale_use_recovers_exact_lines_with_lost_scores():
    place = np.array([-2.0, -1.0, 0.0, 0.5, 2.5])
    lines = {"a": (6.0, 1.0), "b": (5.0, 0.4), "c": (7.0, 1.6), "d": (6.5, -0.2)}
    rows = [(f"b{i}", j, level + slope * place[i]) for j, (level, slope) in lines.items()
            for i in range(5)]  # fmt: skip
    data = pd.DataFrame(rows, columns=["ball", "judge", "y"]).drop(index=[7])
    found = compare_scale_use(data).set_index("judge")
    mean = np.mean([slope for _, slope in lines.values()])
    for judge, (_, slope) in lines.items():
        assert found.loc[judge, "stretch"] == pytest.approx(slope / mean, abs=1e-6)
        assert found.loc[judge, "noise_sd"] == pytest.approx(0.0, abs=1e-6)
    assert found["shift"].sum() == pytest.approx(0.0, abs=1e-9)
    assert found.loc["b", "n"] == 4 and found.loc["a", "highest"] == 8.5


def test_scale_use_of_few_or_flat_scores_is_blank():
    few = compare_scale_use(panel(targets=3))
    assert few["stretch"].isna().all() and few["shift"].notna().all()
    flat = panel().assign(y=lambda d: d["judge"].str[1].astype(float))
    assert compare_scale_use(flat)["stretch"].isna().all()
    with pytest.raises(NotEstimable, match="Only one judge"):
        compare_scale_use(panel(judges=1))


def test_repeats_have_the_spread_of_their_differences():
    data = pd.DataFrame({"judge": ["a"] * 6, "ball": list("xxyyzz"),
                         "y": [4.0, 5.0, 7.0, 9.0, 5.0, 5.0]})  # fmt: skip
    found = measure_repeats(data, same=["ball"])
    assert found.sd == pytest.approx(np.sqrt((1 + 4 + 0) / 2 / 3))
    row = found.table.iloc[-1]
    assert row["limit"] == pytest.approx(1.959964 * np.sqrt(2) * found.sd)
    assert row["ci_low"] < found.sd < row["ci_high"]
    assert "SD 0.91" in found.sentence
    assert measure_repeats(data.iloc[::2], same=["ball"]) is None
    with pytest.raises(InputError, match="level is 1"):
        measure_repeats(data, same=["ball"], level=1.0)


def test_ends_of_the_scale_are_counted_and_said():
    data = pd.DataFrame({"judge": list("aabb"), "y": [0.0, 10.0, 10.0, 6.0]})
    found = count_ends(data, low=0.0, high=10.0)
    assert found.table.iloc[-1][["at_low", "at_high"]].tolist() == [1, 2]
    assert found.sentences[0].startswith("1 of 4 scores stand at the lowest (0), 2 at the highest")
    assert any("ceiling" in s for s in found.sentences)
    with pytest.raises(InputError, match="A score of 10 lies outside the scale of 0 to 9"):
        count_ends(data, low=0.0, high=9.0)
    with pytest.raises(InputError, match="give low, then high"):
        count_ends(data, low=5.0, high=5.0)


def test_a_panel_of_a_trial_is_described(scored):
    found = check_panel(scored)
    assert found.ranks.judges == 3 and found.ranks.targets == 72
    assert found.agreement["n"].tolist() == [216] * 4
    assert found.intraclass["n"].tolist() == [216] * 6
    assert len(found.scale_use) == 3
    assert found.repeats is None  # one ball for each batch and hold: no twins
    assert (found.ends.low, found.ends.high) == (0.0, 10.0)
    lines = str(found).splitlines()
    assert len(lines) <= 15 and max(map(len, lines)) <= 80
    assert "is the ball's own" in str(found).replace("\n  ", " ")
    assert found._repr_html_().startswith("<pre>")
    hold = found.ranks_of("hold")
    assert (hold.judges, hold.targets) == (3, 3)
    with pytest.raises(UnknownName):
        found.ranks_of("salt")


def test_twins_are_the_repeats_of_a_trial(kitchen):
    text = kitchen.WATERS.replace('kind = "score"', 'kind = "score"\nballs = 2')
    trial = kitchen.invent(text, kitchen.usual_truth, score=kitchen.usual_score)
    found = check_panel(analyse(trial, "score"))
    row = found.repeats.table.iloc[-1]
    assert row["groups"] == 24 * 3 * 3 and row["df"] == 24 * 3 * 3
    # truth: balls and criteria each SD 0.5 beside the pH's own spread; two criteria, weights 2 to 1
    assert found.repeats.sd == pytest.approx(0.5 * np.sqrt(1 + 5 / 9), abs=0.15)
    assert "twin ball" in str(found)


def test_lost_scores_do_not_stop_a_panel(waters_trial):
    trial = without(waters_trial, lambda r: r["judge"] == "J3" and r["ball_id"] < "B12")
    found = check_panel(analyse(trial, "score"))
    assert found.agreement["n"].iloc[0] < 216
    assert "set aside for lost scores" in found.ranks.sentence
    assert len(str(found).splitlines()) <= 15


def test_the_answer_without_each_judge(scored):
    found = drop_judges(scored, "hold")
    # the score falls off on both sides of pH 5.5: the hold acts differently along the mixing water
    assert list(found["judge"]) == [j for j in ("J1", "J2", "J3") for _ in range(2 * 3)]
    with_all = {c.named: c.estimate for c in scored.answer("hold").comparisons}
    for row in found.itertuples():
        assert row.change == pytest.approx(row.estimate - with_all[row.contrast])
        assert abs(row.change) < 1.0
    # complete scores: what one judge adds the others lack, but for the weights of the sessions
    assert found.groupby("contrast")["change"].sum().abs().max() < 0.05
    assert found["turned"].equals(found["verdict"] != found["verdict_all"])


def test_a_judge_who_makes_the_difference_is_found(kitchen):
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score)
    plan = trial.frozen_plan
    tap = {b["batch_id"] for b in plan.batches if b["water"] == "tap"}
    rows = [{**r, "score": r["score"] + 3.0}
            if r["judge"] == "J1" and r["ball_id"][:3] in tap else r
            for r in trial.records.scores]  # fmt: skip
    journals = {**trial.records.journals, **Records.of(scores=rows).journals}
    odd = analyse(replace(trial, records=Records(journals)), "score")
    found = drop_judges(odd, "water")
    tap_rows = found[found["contrast"].str.contains("tap")]
    moved = tap_rows.groupby("judge")["change"].apply(lambda c: c.abs().max())
    assert moved.idxmax() == "J1" and moved["J1"] == pytest.approx(1.0, abs=0.25)


def test_ordered_check_stands_beside_the_mean_scores(scored):
    found = check_ordered(scored, ["hold", "mixing_water"])
    assert list(found.table["term"]) == ["hold", "mixing_water"]
    assert found.table["df"].tolist() == [2, 1]
    assert (found.table["p_value"] < 1e-3).all() and found.table["alike"].all()
    assert found.step == 1.0
    assert "the same factors show as by the mean scores" in str(found)
    assert found.table["p_mean_scores"].iloc[0] == pytest.approx(
        scored.anova.set_index("term").loc["hold", "p_value"]
    )


def test_ordered_check_refuses_what_it_cannot_fit(scored, waters_trial):
    with pytest.raises(InputError, match=r"leaves [0-9]+ categories; at most 15"):
        check_ordered(scored, ["hold"], step=0.01)
    with pytest.raises(InputError, match="step is 0"):
        check_ordered(scored, ["hold"], step=0.0)
    with pytest.raises(NotEstimable, match="hardly differ"):
        check_ordered(scored, ["hold"], step=100.0)
    with pytest.raises(UnknownName):
        check_ordered(scored, ["salt"])
    measured = analyse(waters_trial, "ph")
    with pytest.raises(NotEstimable, match="measured, not scored"):
        check_ordered(measured)
    with pytest.raises(NotEstimable, match="measured, not scored"):
        check_panel(measured)


def test_one_judge_has_no_panel(waters_trial):
    trial = without(waters_trial, lambda r: r["judge"] != "J1")
    alone = analyse(trial, "score")
    with pytest.raises(MissingRecords, match="Only one judge has scored"):
        check_panel(alone)
    with pytest.raises(NotEstimable, match="nobody to leave out"):
        drop_judges(alone, "hold")
