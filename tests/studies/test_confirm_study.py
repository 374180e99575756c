"""The confirm study, a small part of it again, and what its table says."""

import csv
from pathlib import Path

import pytest

from ..loading import load_script

HERE = Path(__file__).parent


study = load_script(HERE / "confirm_study.py")


def table(**wanted):
    with (HERE / "confirm_study.csv").open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file)
                if all(r[k] == v for k, v in wanted.items())]  # fmt: skip
    assert rows
    return rows


@pytest.mark.parametrize("case", ["as planned", "lost", "calibration"])
def test_new_batches_lie_in_the_ranges_written_down_before_them(case):
    rows = table(case=case)
    assert len(rows) == len(study.FIRSTS) * len(study.SPREADS)
    for r in rows:
        for kind in ("mean", "batches", "balls"):
            assert float(r[kind]) >= 0.95 - 2 * float(r["error"])


@pytest.mark.parametrize("case", ["as planned", "lost", "calibration"])
def test_all_three_hold_about_as_often_as_is_said(case):
    for r in table(case=case):
        assert float(r["all"]) >= float(r["said"]) - 2 * float(r["error"])


def test_a_kitchen_that_moved_by_a_margin_is_seen_more_often_where_days_differ_less():
    shown = [1 - float(r["all"]) for r in table(case="moved")]
    assert min(shown) > 0.2
    assert shown[0] > 0.5
    assert shown[0] > shown[2] and shown[3] > shown[5]


def test_a_few_trials_again_agree_with_the_table():
    (row,) = study.study(study.FIRSTS[1], study.SPREADS[1], trials=8, cases=("as planned",))
    kept = table(first=row["first"], day_sd=row["day_sd"], case="as planned")[0]
    for kind in ("mean", "batches", "balls"):
        error = float(kept["error"]) * (int(kept["trials"]) / 8) ** 0.5
        assert abs(float(row[kind]) - float(kept[kind])) <= 3 * error
