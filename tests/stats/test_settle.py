"""How many more units settle a result: against simulation, limits and algebra."""

import numpy as np
import pytest
from scipy import stats

from doughlab.errors import OutOfRange
from doughlab.stats.settle import Finding, units_to_settle
from doughlab.stats.verdicts import judge_intervals

OPEN = Finding(0.05, -0.08, 0.18, 0.06, 12, margin=0.15, units=16)


def simulated_share_settled(finding: Finding, truth: float, more: int, together: bool) -> float:
    """Draw the true error as the finding leaves it open, then further units; 60 000 times.

    Normal theory: the true variance is df s^2 over a chi-square, new units bring a variance with
    degrees of freedom of their own, pooled with the old where both are judged together.
    """
    rng, n = np.random.default_rng(8), 60_000
    unit_sd = finding.std_error * np.sqrt(finding.units)
    true_sd = unit_sd * np.sqrt(finding.df / rng.chisquare(finding.df, n))
    new = truth + true_sd / np.sqrt(more) * rng.standard_normal(n)
    total = finding.units + more if together else more
    df = finding.df + total - finding.units
    centre = (finding.units * finding.estimate + more * new) / total if together else new
    critical = (finding.ci_high - finding.ci_low) / 2 / finding.std_error
    level = stats.t.cdf(-critical, finding.df)
    own = more if together else df
    squares = true_sd**2 * rng.chisquare(own, n) + (finding.df * unit_sd**2 if together else 0.0)
    half = -stats.t.ppf(level, df) * np.sqrt(squares / df / total)
    return float((judge_intervals(centre - half, centre + half, finding.margin) != 3).mean())


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("end", ["ci_low", "ci_high"])
def test_the_number_given_is_the_first_that_suffices(together, end):
    forecast = units_to_settle(OPEN, together=together)
    more = forecast.at_low if end == "ci_low" else forecast.at_high
    truth = getattr(OPEN, end)
    error = 4 * np.sqrt(0.8 * 0.2 / 60_000) + 0.003  # and the midpoints of the integration
    assert simulated_share_settled(OPEN, truth, more, together) >= 0.8 - error
    assert simulated_share_settled(OPEN, truth, more - 1, together) < 0.8 + error


def test_a_spread_that_is_only_estimated_asks_for_more_than_a_known_one():
    """Limit: the fewer df behind the same 95 % t range, the more units settle it alone."""
    more = []
    for df in (1e6, 20, 5):
        half = stats.t.ppf(0.975, df) * 0.06
        found = Finding(0.05, 0.05 - half, 0.05 + half, 0.06, df, margin=0.15, units=16)
        more.append(units_to_settle(found, together=False).at_estimate)
    assert more == sorted(set(more))


def test_any_truth_needs_at_least_as_many_as_each_end():
    forecast = units_to_settle(OPEN)
    assert forecast.whatever >= max(forecast.at_low, forecast.at_estimate, forecast.at_high)


def test_half_the_error_needs_fewer_units():
    finer = Finding(0.05, -0.015, 0.115, 0.03, 12, margin=0.08, units=16)
    wide = Finding(0.05, -0.08, 0.18, 0.06, 12, margin=0.08, units=16)
    assert units_to_settle(finer).at_high < units_to_settle(wide, most=400).at_high


def test_a_part_that_no_unit_reduces_is_told_as_probably_never():
    forecast = units_to_settle(OPEN, fixed_share=0.9)
    assert forecast.at_low is None
    assert forecast.at_high is None
    assert str(forecast) == (
        "More units needed: probably never if the truth is at the low end, "
        "probably never at the high end."
    )


def test_a_margin_far_below_the_noise_is_told_as_probably_never():
    hopeless = Finding(0.0, -0.5, 0.5, 0.23, 12, margin=0.02, units=16)
    forecast = units_to_settle(hopeless)
    assert forecast.at_estimate is None
    assert forecast.whatever is None
    assert forecast.most == 160


def test_a_settled_result_needs_none():
    forecast = units_to_settle(Finding(0.0, -0.05, 0.05, 0.02, 12, margin=0.15, units=16))
    assert (forecast.at_low, forecast.at_high, forecast.whatever) == (0, 0, 0)
    assert forecast.notes == ()


def test_looking_twice_is_said_aloud():
    assert "plan it, or judge the new part alone" in units_to_settle(OPEN).notes[0]


def test_wrong_input_is_named():
    with pytest.raises(OutOfRange, match=r"fixed_share is 1\.2; it lies from 0 to 1"):
        units_to_settle(OPEN, fixed_share=1.2)
    with pytest.raises(OutOfRange, match="number of units is 0"):
        units_to_settle(Finding(0.05, -0.08, 0.18, 0.06, 12, margin=0.15, units=0))
