"""Scores: judges as a spread, and the stated check whether they see levels alike."""

from dataclasses import replace

import pytest

from doughlab.analysis import analyse
from doughlab.record.records import Records


def test_judges_balls_and_batches_are_spreads(score):
    result = score
    assert {"batch", "ball", "judge"} <= set(result.terms.random)
    assert result.anova.set_index("term").loc["water", "df_den"] <= result.dataset.batches
    assert "3 judges" in str(result)


def test_more_judges_do_not_make_more_batches(kitchen):
    """The water is judged by batches, however many judges taste."""
    text = kitchen.WATERS.replace('["J1", "J2", "J3"]', str([f"J{i}" for i in range(9)]).replace(
        "'", '"'))  # fmt: skip
    trial = kitchen.invent(text, kitchen.usual_truth, score=kitchen.usual_score)
    result = analyse(trial, "score")
    assert len(result.dataset.frame) == 72 * 9
    assert result.anova.set_index("term").loc["water", "df_den"] <= 24


def test_judges_that_see_a_water_differently_are_noticed(kitchen):
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score)
    asked = kitchen.WATERS + (
        '\n[[questions]]\ntext = "Which water bakes better?"\nfactor = "water"\n'
        'response = "score"\n'
    )
    plan = trial.frozen_plan
    tap = {b["batch_id"] for b in plan.batches if b["water"] == "tap"}
    rows = [{**r, "score": r["score"] + 3.0}
            if r["judge"] == "J1" and r["ball_id"][:3] in tap else r
            for r in trial.records.scores]  # fmt: skip
    settings = kitchen.read(asked)
    records = Records({**trial.records.journals, **Records.of(scores=rows).journals})
    odd = analyse(replace(trial, settings=settings, records=records), "score")
    (check,) = odd.judge_checks
    assert check.factor == "water" and check.p_value < 1e-6 and check.view_sd > 0.5
    assert any("do not see water alike" in s for s in odd.noticed)
    usual = analyse(replace(trial, settings=settings), "score")
    assert usual.judge_checks[0].p_value > 0.05
    (note,) = [n for n in usual.notes if "3 judges see water differently is not shown" in n]
    assert "nor that they see it alike: the ranges hold for these judges." in note
    assert usual.answer("water").comparisons  # the verdicts do not depend on it


def test_an_absent_judge_is_counted_and_stops_nothing(waters_trial):
    rows = [r for r in waters_trial.records.scores
            if not (r["judge"] == "J3" and r["ball_id"].startswith("B0"))]  # fmt: skip
    records = Records({**waters_trial.records.journals, **Records.of(scores=rows).journals})
    result = analyse(replace(waters_trial, records=records), "score")
    assert "189 scores by 3 judges, 27 absent" in result.text().replace("\n  ", " ")
    assert result.dataset.interim is False


def test_one_judge_is_enough(kitchen):
    text = kitchen.WATERS.replace('["J1", "J2", "J3"]', '["J1"]')
    trial = kitchen.invent(text, kitchen.usual_truth, score=kitchen.usual_score)
    result = analyse(trial, "score")
    assert result.judge_checks == () and "1 judge" in str(result)
    assert result.answer("hold").comparisons[0].std_error == pytest.approx(0.25, abs=0.2)
