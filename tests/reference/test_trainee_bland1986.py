"""Limits of agreement: Bland & Altman (1986), Lancet 327, 307-310.

Data: their table of peak flow by a large and a mini meter, first measurement of each on 17 people
(l/min). The data and the printed results are from memory of the paper; that the data give the
printed mean and standard deviation of the differences is itself part of the check.
"""

import pytest

from doughlab.analysis.spread import agreement_ranges
from doughlab.record.trainee import fit_agreement

LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


@pytest.fixture
def found():
    return fit_agreement([a - b for a, b in zip(LARGE, MINI, strict=True)])


def test_mean_difference_and_its_spread(found):
    assert found.n == 17
    assert found.mean == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)


def test_limits_of_agreement(found):
    """Printed with 2 standard deviations (-79.7 and 75.5); here with 1.96, as later papers do."""
    assert found.mean - 2 * found.sd == pytest.approx(-79.7, abs=0.1)
    assert found.mean + 2 * found.sd == pytest.approx(75.5, abs=0.1)
    assert found.low == pytest.approx(found.mean - 1.96 * found.sd)


def test_ranges_of_the_mean_and_the_limits(found):
    """Printed: mean -22.0 to 17.8; limits, from 2 SD, 40.9 to 110.1 (half-width 34.6)."""
    ranges = agreement_ranges(found)
    assert ranges["mean"] == pytest.approx((-22.0, 17.8), abs=0.1)
    low, high = ranges["high"]
    assert (high - low) / 2 == pytest.approx(34.6, abs=0.1)
