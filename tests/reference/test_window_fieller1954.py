"""Ranges of the ends of a window, and of an hour, against R.

Fieller, E. C. (1954), J. R. Stat. Soc. B 16, 175-185, and the profile of the residual sum of
squares, worked out by R 4.2.2 (base R, make_window_values.R) on invented data. Six decimals as
printed there.
"""

import numpy as np
import pandas as pd
import pytest

from doughlab.decision.hours import passages
from doughlab.decision.scorecurve import ScoreCurve
from doughlab.stats import fit_mixed
from doughlab.stats.posterior import draw_posterior

X = [5.1, 5.2, 5.25, 5.3, 5.4, 5.45, 5.5, 5.6, 5.65, 5.7, 5.8, 5.9]
Y = [5.6, 6.2, 6.1, 6.9, 6.8, 7.3, 7.1, 7.2, 6.6, 6.9, 6.2, 5.4]
HOURS = np.repeat([24.0, 36.0, 48.0, 60.0, 72.0], 2)
PH = [5.86, 5.80, 5.74, 5.69, 5.60, 5.66, 5.52, 5.47, 5.44, 5.36]


def test_ends_of_the_window_are_profiled_as_r_does():
    table = pd.DataFrame({"x": X, "y": Y})
    centre = float(table["x"].mean())
    table = table.assign(x=table["x"] - centre, x2=(table["x"] - centre) ** 2)
    fit = fit_mixed(table, "y ~ x + x2")
    found = fit.test_rows(np.eye(3)[1:])
    curve = ScoreCurve(found.estimate, found.covariance, float(found.df[0]), centre, 4.9, 6.1, 1.0)
    low, high = curve.ends()
    # 720 directions of the ellipse and 201 points of pH: met to within 5e-5
    assert (low.value, low.low, low.high) == pytest.approx((5.188763, 5.128935, 5.230854), abs=5e-5)
    assert (high.value, high.low, high.high) == pytest.approx(
        (5.811196, 5.768230, 5.872584), abs=5e-5
    )


def test_hour_at_which_a_line_passes_an_edge_has_fiellers_range():
    fit = fit_mixed(pd.DataFrame({"h": HOURS, "y": PH}), "y ~ h")
    hours = np.linspace(24.0, 72.0, 25)
    rows = np.column_stack([np.ones(25), hours])
    curves = draw_posterior(fit, draws=40_000).means(rows)
    opens, _ = passages(hours, curves, fit.test_rows(rows).estimate, (5.0, 5.6))
    assert opens.value == pytest.approx(49.55556, abs=5e-6)
    # draws: 2.5 % points of 40,000, standard error 0.02 h
    assert (opens.low, opens.high) == pytest.approx((46.65907, 52.54479), abs=0.08)
