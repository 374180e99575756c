"""The demo's truth lies in the stated ranges as often as stated; small and seeded.

The large version is `python tests/demo/study.py`.
"""

from pathlib import Path

import pytest

from ..loading import load_script

study = load_script(Path(__file__).with_name("study.py"))

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
