"""What a plan promises comes true: the study, small (promise_study.py; its table beside it)."""

from pathlib import Path

import numpy as np
import pytest

from ..loading import load_script

HERE = Path(__file__).parent
study = load_script(HERE / "promise_study.py")

LINES = {
    "ph": {"water on ph at 48 h", "mixing_water on ph at 48 h", "hold on ph"},
    "score": {"water on score at 48 h"},
}


@pytest.mark.parametrize("response", ["ph", "score"])
def test_the_demo_table_is_true_when_simulated(response):
    """4 in 5, 9 in 10 and both chances of "same", 500 trials; bands of 3.5 simulation errors."""
    found = study.demo_promises(response, trials=500, lines=LINES[response])
    assert len(found) == 4 * len(LINES[response])
    for p in found:
        assert p.kept == pytest.approx(p.promised, abs=max(3.5 * p.error, 0.01)), p


def test_more_batches_settle_it_four_times_in_five_at_both_ends():
    """12 first trials x 150 ways to go on; a mean of 12 such shares varies by about 0.04."""
    shares = study.settled_shares(firsts=12, goes=150)
    for end in ("low", "high"):
        share, firsts, added = shares[end]
        assert firsts >= 10 and added >= 2
        assert 0.8 - 0.12 <= share <= 0.97, (end, share)


def test_a_forecast_of_more_batches_is_quick():
    assert study.forecast_seconds(5) < 0.5


def test_the_committed_table_keeps_every_promise():
    """Every line of promise_study.md lies within 3.5 errors; the whole analysis finds no less."""
    text = (HERE / "promise_study.md").read_text(encoding="utf-8")
    rows = [line.strip("| ").split(" | ") for line in text.splitlines() if line.startswith("| ")]
    shares = [r for r in rows if len(r) == 6 and r[2][0].isdigit()]
    assert len(shares) >= 50
    for line, what, promised, kept, error, _ in shares:
        low = float(promised) - 3.5 * float(error) - 0.01
        high = 1.0 if "whole" in line else float(promised) + 3.5 * float(error) + 0.01
        assert low <= float(kept) <= high, (line, what)
    ends = [r for r in rows if len(r) == 4 and r[0].endswith("end")]
    assert [np.round(float(r[1]), 1) >= 0.8 for r in ends] == [True, True]
