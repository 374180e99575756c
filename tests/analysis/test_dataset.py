"""One value per ball, joined with the frozen plan; what is missing is said."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from doughlab.analysis import build_dataset
from doughlab.errors import MissingRecords, PlanError, Problem, UnknownName
from doughlab.record.journal import append
from doughlab.record.records import Records
from doughlab.trial import Trial


def test_value_of_a_ball_is_the_mean_of_its_readings(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5, spread=kitchen.Spread(reading=0.05),
                           readings=3)  # fmt: skip
    data = build_dataset(trial, "ph")
    row = data.frame.iloc[4]
    values = [r["ph"] for r in trial.records.readings if r["ball_id"] == row["ball"]]
    assert row["y"] == pytest.approx(np.mean(values))
    assert row["spread"] == pytest.approx(np.std(values, ddof=1))
    assert (row["n_readings"], len(data.frame)) == (3, 30)


def test_frame_carries_the_frozen_plan(waters_trial):
    data = build_dataset(waters_trial, "ph")
    plan = waters_trial.frozen_plan
    row = data.frame.iloc[10]
    ball, batch = plan.ball(row["ball"]), plan.batch(row["batch"])
    assert (row["water"], row["block"]) == (batch["water"], batch["block"])
    assert float(row["hold"]) == ball["hold_h"]
    assert row["mixing_water"] in {"54 F", "64 F"}
    assert row["session"] == ball["session"]
    assert data.frame["hold"].cat.categories.tolist() == ["24", "48", "72"]


def test_lost_balls_are_named_with_their_reason(plain_trial):
    plan = plain_trial.frozen_plan
    ball = next(b["ball_id"] for b in plan.balls if b["purpose"] == "ph")
    data = build_dataset(plain_trial.lose(ball, reason="label gone"), "ph")
    assert data.lost == {ball: "label gone"}
    assert (data.planned, data.recorded, data.interim) == (30, 29, False)


def test_absent_records_make_it_interim(plain_trial):
    rows = [r for r in plain_trial.records.readings if not r["ball_id"].startswith("B02")]
    data = build_dataset(plain_trial.with_readings(rows), "ph")
    assert data.interim and len(data.missing) == 3
    assert all(ball.startswith("B02") for ball in data.missing)


def test_nothing_recorded_is_an_error_that_says_what_to_do(plain_trial):
    with pytest.raises(MissingRecords) as caught:
        build_dataset(plain_trial.with_readings([]), "ph")
    assert str(caught.value) == (
        "No pH has been recorded for any of the 30 balls planned. "
        "Enter readings: doughlab record reading"
    )


def test_without_a_plan_there_is_nothing_to_compare_with(plain_trial):
    with pytest.raises(PlanError, match=r"This folder has no plan yet\. .* doughlab plan --keep$"):
        build_dataset(replace(plain_trial, frozen_plan=None), "ph")


def test_unknown_response_suggests_the_nearest(plain_trial):
    with pytest.raises(UnknownName, match="Known: ph"):
        build_dataset(plain_trial, "pH")


def test_score_is_the_weighted_mean_of_the_rubric(kitchen, waters_trial):
    ball = next(b for b in waters_trial.frozen_plan.balls if b["purpose"] == "bake")["ball_id"]
    rows = [{"ball_id": ball, "judge": "J1", "criterion": "crust", "score": 8.0},
            {"ball_id": ball, "judge": "J1", "criterion": "crumb", "score": 5.0},
            {"ball_id": ball, "judge": "J2", "criterion": "crust", "score": 8.0}]  # fmt: skip
    trial = replace(waters_trial, records=Records.of(scores=rows))
    data = build_dataset(trial, "score")
    assert data.frame["y"].tolist() == [7.0]  # weights 2 and 1
    assert data.left_out == (f"1 score without a criterion left out: J2 on {ball} (crumb).",)


def test_score_of_a_pierced_ball_is_left_out(waters_trial):
    ball = next(b for b in waters_trial.frozen_plan.balls if b["purpose"] == "bake")["ball_id"]
    rows = [*waters_trial.records.readings,
            {**waters_trial.records.readings[0], "ball_id": ball}]  # fmt: skip
    data = build_dataset(waters_trial.with_readings(rows), "score")
    assert ball not in set(data.frame["ball"])
    assert data.left_out == (f"bake score of {ball} left out: the ball was pierced for a reading "
                             "before it was baked.",)  # fmt: skip
    ph = build_dataset(waters_trial.with_readings(rows), "ph")
    assert ph.notes == (f"{ball} planned for something else; the value counts.",)


def test_spare_counts_at_the_tried_hold_it_had(plain_trial):
    plan = plain_trial.frozen_plan
    spare = next(b for b in plan.balls if b["purpose"] == "spare")
    mix = next(m for m in plain_trial.records.mixes if m["batch_id"] == spare["batch_id"])
    row = {**plain_trial.records.readings[0], "ball_id": spare["ball_id"],
           "read_at": mix["balled_at"] + timedelta(hours=47.5)}  # fmt: skip
    data = build_dataset(plain_trial.with_readings([*plain_trial.records.readings, row]), "ph")
    used = data.frame[data.frame["ball"] == spare["ball_id"]].iloc[0]
    assert used["hold"] == "48"
    assert data.notes == (f"Spares used: {spare['ball_id']}, at the hold they had.",)
    off = {**row, "read_at": mix["balled_at"] + timedelta(hours=36)}
    data = build_dataset(plain_trial.with_readings([*plain_trial.records.readings, off]), "ph")
    assert data.left_out == (f"{spare['ball_id']} left out: a spare used at none of the tried "
                             "holds.",)  # fmt: skip


def test_planned_hold_is_analysed_and_the_miss_is_said(plain_trial):
    rows = list(plain_trial.records.readings)
    late = rows[0]
    rows[0] = {**late, "read_at": late["read_at"] + timedelta(hours=5)}
    data = build_dataset(plain_trial.with_readings(rows), "ph")
    planned = plain_trial.frozen_plan.ball(late["ball_id"])["hold_h"]
    assert float(data.frame.set_index("ball").loc[late["ball_id"], "hold"]) == planned
    assert data.notes == (f"Held more than 2 h off the plan, which is analysed: {late['ball_id']} "
                          f"{planned + 5:.1f} h instead of {planned:.0f} h.",)  # fmt: skip


def test_other_reading_methods_are_not_pooled(plain_trial):
    rows = list(plain_trial.records.readings)
    strip = {**rows[0], "ph": 7.0, "method": "strip"}
    data = build_dataset(plain_trial.with_readings([*rows, strip]), "ph")
    assert data.frame["y"].max() < 6
    assert "Readings by strip are left out" in data.left_out[0]


def test_ball_that_is_not_in_the_plan_is_left_out(plain_trial):
    rows = [*plain_trial.records.readings, {**plain_trial.records.readings[0], "ball_id": "B99-1"}]
    data = build_dataset(plain_trial.with_readings(rows), "ph")
    assert data.left_out == ("pH of B99-1 left out: not in the plan. See doughlab check.",)


def test_unreadable_rows_are_named(plain_trial):
    journals = dict(plain_trial.records.journals)
    problem = Problem("record/readings.csv", "ph 'x' is not a number.", 7, "ph")
    journals["readings"] = replace(journals["readings"], problems=[problem])
    data = build_dataset(replace(plain_trial, records=Records(journals)), "ph")
    assert data.left_out == ("record/readings.csv, row 7: cannot be used. See doughlab check.",)


def test_correction_counts_and_the_wrong_number_does_not(kitchen, tmp_path):
    """Through the folder: journal on disk, a replacing row, Trial.open."""
    from doughlab.plan.plan import write_plan

    invented = kitchen.invent(kitchen.PLAIN, lambda _: 5.5)
    folder = Trial.create(tmp_path / "t", kitchen.PLAIN).folder
    write_plan(invented.frozen_plan, folder)
    table = invented.settings.table("readings")
    rows = [{k: v for k, v in r.items() if k in {"ball_id", "read_at", "ph", "method"}}
            for r in invented.records.readings]  # fmt: skip
    ids = append(folder, table, [{**rows[0], "ph": 8.4}, *rows[1:]])
    wrong = build_dataset(Trial.open(folder), "ph").frame.set_index("ball")["y"]
    append(folder, table, [{**rows[0], "action": "replace", "replaces": ids[0], "reason": "typo"}])
    right = build_dataset(Trial.open(folder), "ph").frame.set_index("ball")["y"]
    ball = rows[0]["ball_id"]
    assert wrong[ball] == pytest.approx(8.4)
    assert right[ball] == pytest.approx(rows[0]["ph"])
    assert len(right) == len(wrong) == 30


def test_lots_that_the_plan_does_not_name_are_said(plain_trial):
    mixes = [{**m, "water_lot": f"L{i // 4}"} for i, m in enumerate(plain_trial.records.mixes)]
    journals = {**plain_trial.records.journals, **Records.of(mixes=mixes).journals}
    data = build_dataset(replace(plain_trial, records=Records(journals)), "ph")
    assert data.notes[0].startswith("3 water lots were used, which the plan does not name")
    assert data.frame["water_lot"].nunique() == 3
