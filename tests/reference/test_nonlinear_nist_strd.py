"""Nonlinear least squares against certified values of the NIST Statistical Reference Data Sets.

Both sets have the form of a decay from nothing: y = b1 (1 - exp(-b2 x)).
Misra1a (Misra, dental research): b1 238.94212918 (2.7070075), b2 5.5015643181e-4 (7.2668688e-6),
residual sum of squares 0.12455138894, residual standard deviation 0.10187876330; data and last
digits from memory, the values above confirmed by scipy's own fit.
BoxBOD (Box, Hunter, Hunter 1978, p. 483): b1 213.80940889 (12.354515176), b2 0.54723748542
(0.10455993237), residual sum of squares 1168.0088766; data and values seen in public test files of
a numerical library.
"""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from doughlab.errors import NotEstimable
from doughlab.formula.nonlinear import ASYMPTOTE, fit_nonlinear

SETS = {
    "Misra1a": (
        [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1,
         760.0],
        [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47,
         81.78],
        (238.94212918, 2.7070075241), (5.5015643181e-4, 7.2668688436e-6), 0.12455138894,
    ),
    "BoxBOD": (
        [1, 2, 3, 5, 7, 10],
        [109, 149, 149, 191, 213, 224],
        (213.80940889, 12.354515176), (0.54723748542, 0.10455993237), 1168.0088766,
    ),
}  # fmt: skip
STARTS = [("Misra1a", (500, 1e-4)), ("Misra1a", (250, 5e-4)), ("BoxBOD", (100, 0.75))]


def fit_set(name, start):
    x, y = (np.array(v, dtype=float) for v in SETS[name][:2])
    one, none = np.ones((len(x), 1)), np.zeros((len(x), 0))
    fixed = {"end": (["b1"], one), "start": ([], none), "log_rate": (["b2"], one)}
    return fit_nonlinear(ASYMPTOTE, x, y, fixed=fixed, start=[start[0], np.log(start[1])])


@pytest.mark.parametrize(("name", "start"), STARTS)
def test_certified_values(name, start):
    """From the certificate's starting points; eight digits."""
    _, y, b1, b2, squares = SETS[name]
    fit = fit_set(name, start)
    assert fit.coefficients[0] == pytest.approx(b1[0], rel=1e-8)
    assert fit.std_errors[0] == pytest.approx(b1[1], rel=1e-7)
    rate = np.exp(fit.coefficients[1])
    assert rate == pytest.approx(b2[0], rel=1e-8)
    assert rate * fit.std_errors[1] == pytest.approx(b2[1], rel=1e-7)
    assert float(fit.residuals @ fit.residuals) == pytest.approx(squares, rel=1e-8)
    assert fit.variances["residual"] == pytest.approx(squares / (len(y) - 2), rel=1e-8)


def test_scipy_finds_the_same_on_the_data_from_memory():
    x, y = (np.array(v, dtype=float) for v in SETS["Misra1a"][:2])
    found, covariance = curve_fit(lambda t, a, b: a * (1 - np.exp(-b * t)), x, y, p0=(250, 5e-4))
    assert found[0] == pytest.approx(SETS["Misra1a"][2][0], rel=1e-6)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(SETS["Misra1a"][2][1], rel=1e-4)


def test_the_far_starting_point_is_refused_and_not_answered_wrongly():
    """From (1, 1), the certificate's far start of BoxBOD, the rate runs off at the first step."""
    with pytest.raises(NotEstimable, match="has nothing to rest on"):
        fit_set("BoxBOD", (1, 1))
