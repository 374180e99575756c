"""Chance to settle: against simulation by numpy, and limits where other formulas are exact."""

import numpy as np
import pytest
from scipy import stats

from doughlab.errors import OutOfRange
from doughlab.stats.outlook import chance_to_settle
from doughlab.stats.verdicts import chance_of_verdicts, judge_intervals

SEEN = {"estimate": 0.05, "std_error": 0.06, "df": 6}
NEW = {"margin": 0.15, "tail": 0.025, "ratio": 0.7, "df_new": 8}


def simulated(truth, *, together, trials=120_000):
    """Draw the true error about the one found, the truth, and new data; judge by the rule."""
    rng = np.random.default_rng(4)
    e, s, df = SEEN.values()
    r, new_df, b = NEW["ratio"], NEW["df_new"], NEW["ratio"] / (1 + NEW["ratio"])
    error = s * np.sqrt(df / rng.chisquare(df, trials))
    at = rng.normal(e, error) if truth is None else np.full(trials, truth)
    new, square = rng.normal(at, np.sqrt(r) * error), rng.chisquare(new_df, trials)
    estimate, total = new, new_df
    found = np.sqrt(r) * error * np.sqrt(square / new_df)
    if together:
        estimate, total = b * e + (1 - b) * new, df + new_df
        found = np.sqrt(b * (df * s**2 + error**2 * square) / total)
    half = stats.t.ppf(0.975, total) * found
    return (judge_intervals(estimate - half, estimate + half, NEW["margin"]) != 3).mean()


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("truth", [None, 0.1, -0.04])
def test_it_is_what_happens_in_drawn_trials(truth, together):
    stated = float(chance_to_settle(**SEEN, **NEW, together=together, truth=truth))
    assert stated == pytest.approx(simulated(truth, together=together), abs=0.006)


@pytest.mark.parametrize("truth", [0.0, 0.1, 0.2])
def test_with_a_known_spread_it_is_the_chance_of_the_verdicts(truth):
    """Infinite df so far: the exact integral of `chance_of_verdicts`, checked by Schuirmann."""
    stated = chance_to_settle(0.05, 0.06, np.inf, margin=0.15, tail=0.025, ratio=0.5, df_new=12,
                              truth=truth)  # fmt: skip
    exact = chance_of_verdicts(truth, 0.06 * np.sqrt(0.5), df=12, margin=0.15,
                               critical=stats.t.ppf(0.975, 12))  # fmt: skip
    assert float(stated) == pytest.approx(1.0 - float(exact.not_settled), abs=0.004)


def test_an_unknown_spread_makes_it_less_sure_than_a_known_one():
    sure = chance_to_settle(0.05, 0.06, np.inf, margin=0.3, tail=0.025, ratio=0.5, df_new=12)
    unsure = chance_to_settle(0.05, 0.06, 3, margin=0.3, tail=0.025, ratio=0.5, df_new=12)
    assert float(unsure) < float(sure)


def test_no_degree_of_freedom_settles_nothing_and_endless_data_settle_all():
    none = chance_to_settle(**SEEN, margin=0.15, tail=0.025, ratio=2.0, df_new=0.5)
    much = chance_to_settle(**SEEN, margin=0.15, tail=0.025, ratio=1e-8, df_new=1e5)
    assert float(none) == 0.0
    assert float(much) == pytest.approx(1.0, abs=1e-3)


def test_arrays_are_answered_in_their_shape():
    found = chance_to_settle(np.zeros((2, 1)), 0.06, 9, margin=0.15, tail=0.025,
                             ratio=np.array([0.5, 1.0, 2.0]), df_new=9)  # fmt: skip
    assert found.shape == (2, 3)
    assert (np.diff(found, axis=1) < 0).all()


def test_a_ratio_of_nothing_is_refused_by_name():
    with pytest.raises(OutOfRange, match="The ratio is 0; it must be above 0"):
        chance_to_settle(**SEEN, margin=0.15, tail=0.025, ratio=0.0, df_new=9)
