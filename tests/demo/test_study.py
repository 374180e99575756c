"""The demo's truth lies in the stated ranges as often as stated; small and seeded.

The large version is `python tests/demo/study.py`.
"""

import importlib.util
import sys
from pathlib import Path

import pytest

spec = importlib.util.spec_from_file_location("study", Path(__file__).parent / "study.py")
study = importlib.util.module_from_spec(spec)
sys.modules["study"] = study  # its dataclasses look their own module up
spec.loader.exec_module(study)

TRIALS = 600


@pytest.mark.parametrize("response", ["ph", "score"])
def test_water_test_keeps_five_per_cent_and_the_naive_one_does_not(response):
    found = study.false_alarms(response, trials=TRIALS)
    allowed = 0.05 + 3 * study.error_of(0.05, TRIALS)
    assert found["ours"] <= allowed
    assert found["naive"] > 2 * allowed


@pytest.mark.parametrize("response", ["ph", "score"])
@pytest.mark.parametrize("factor", ["water", "hold"])
def test_truth_lies_inside_the_ranges_at_the_stated_rate(response, factor):
    found = study.coverage(response, factor, trials=TRIALS)
    error = study.error_of(0.95, TRIALS)
    assert found["together"] >= 0.95 - 3 * error
    assert found["settled"] == 1.0
