"""Scores: judges as a spread, and the stated check whether they see levels alike."""

from dataclasses import replace

import pytest
from statsmodels.stats.multitest import multipletests

from doughlab.analysis import analyse
from doughlab.analysis.scores import check_all_judges, check_judges
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


def test_p_values_of_several_factors_are_adjusted_by_the_rule_of_holm(score):
    """Beside statsmodels: multipletests(method="holm") of the p value of each factor alone."""
    names = [f.name for f in score.model.settings.factors.values()]
    alone = [check_judges(score.model, score.model.settings.factor(n)).p_value for n in names]
    together = [c.p_value for c in check_all_judges(score.model, names)]
    _, expected, _, _ = multipletests(alone, method="holm")
    assert len(names) == 3 and max(expected / alone) > 1.5
    assert together == pytest.approx(expected, rel=1e-12)
    assert [c.p_value for c in check_all_judges(score.model, names[:1])] == alone[:1]


def test_an_absent_judge_is_counted_and_stops_nothing(waters_trial):
    rows = [r for r in waters_trial.records.scores
            if not (r["judge"] == "J3" and r["ball_id"].startswith("B0"))]  # fmt: skip
    records = Records({**waters_trial.records.journals, **Records.of(scores=rows).journals})
    result = analyse(replace(waters_trial, records=records), "score")
    assert "189 scores by 3 judges, 27 absent" in result.text().replace("\n  ", " ")
    assert result.dataset.interim is False


def scored(trial, keep):
    rows = [r for r in trial.records.scores if keep(r)]
    return replace(trial, records=Records({**trial.records.journals,
                                           **Records.of(scores=rows).journals}))  # fmt: skip


def test_a_judge_without_any_scores_makes_a_result_interim(waters_trial):
    part = scored(waters_trial, lambda r: r["judge"] != "J3")
    result = analyse(part, "score")
    assert result.dataset.missing == () and result.dataset.absent == {"J3": 72}
    assert result.dataset.interim
    for text in (result.text(), str(result)):
        said = " ".join(text.split())
        assert "Interim: 72 scores of balls that others scored are absent (J3 72)." in said
    assert max(map(len, str(result).splitlines())) <= 80


def test_scores_of_the_last_session_are_due_and_missed_ones_are_not(waters_trial):
    sessions = {b["ball_id"]: b["session"] for b in waters_trial.frozen_plan.balls}
    baked = sorted({sessions[r["ball_id"]] for r in waters_trial.records.scores})
    first = scored(waters_trial, lambda r: r["judge"] != "J3" or sessions[r["ball_id"]] != baked[0])
    assert not analyse(first, "score").dataset.interim
    last = scored(waters_trial, lambda r: r["judge"] != "J3" or sessions[r["ball_id"]] != baked[-1])
    data = analyse(last, "score").dataset
    assert data.interim and set(data.absent) == {"J3"}
    assert data.absent["J3"] == len({r["ball_id"] for r in last.records.scores
                                     if sessions[r["ball_id"]] == baked[-1]})  # fmt: skip


def test_a_judge_noted_as_away_is_not_waited_for(waters_trial):
    part = scored(waters_trial, lambda r: r["judge"] != "J3")
    note = {"about": waters_trial.settings.code, "kind": "note", "note": "J3 away, will not score"}
    assert not analyse(part.with_notes([note]), "score").dataset.interim
    other = {**note, "note": "J33 away"}
    assert analyse(part.with_notes([other]), "score").dataset.interim


def test_one_judge_is_enough(kitchen):
    text = kitchen.WATERS.replace('["J1", "J2", "J3"]', '["J1"]')
    trial = kitchen.invent(text, kitchen.usual_truth, score=kitchen.usual_score)
    result = analyse(trial, "score")
    assert result.judge_checks == () and "1 judge" in str(result)
    assert result.answer("hold").comparisons[0].std_error == pytest.approx(0.25, abs=0.2)
