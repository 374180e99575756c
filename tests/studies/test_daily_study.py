"""The daily study, a few of its months again, and what its table says."""

import csv
from math import sqrt
from pathlib import Path

from ..loading import load_script

HERE = Path(__file__).parent


study = load_script(HERE / "daily_study.py")


def table():
    with (HERE / "daily_study.csv").open(encoding="utf-8") as file:
        return [{k: int(v) for k, v in row.items()} for row in csv.DictReader(file)]


def test_a_few_months_come_out_as_the_table_says():
    assert study.run(4) == table()[:4]


def test_more_balls_are_inside_with_the_advice_than_with_fixed_hours():
    """The mean gain over months, three standard errors away from none."""
    rows = table()
    gains = [(r["advised"] - r["fixed"]) / r["balls"] for r in rows]
    mean = sum(gains) / len(gains)
    sd = sqrt(sum((g - mean) ** 2 for g in gains) / (len(gains) - 1))
    assert len(rows) >= 500
    assert mean > 3 * sd / sqrt(len(gains))
    # where fixed hours do well, advice costs little
    good = [g for g, r in zip(gains, rows, strict=True) if r["fixed"] > 0.97 * r["balls"]]
    assert sum(good) / len(good) > -0.02


def test_the_ceiling_is_never_broken():
    assert sum(r["over_limit"] for r in table()) == 0
