"""Normal tolerance factors against the NIST/SEMATECH handbook and reference values.

NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: 43 observations, 90 % content, 99 %
confidence (the example's inputs are quoted from memory). The 95 / 95 factors were computed
independently with scipy 1.17.1 (noncentral t; direct integration for the exact two-sided ones).
"""

import pytest

from doughlab.stats.tolerance import tolerance_factor, tolerance_factor_one_sided

HALF = 0.00005  # half a unit of the fourth digit


def test_handbook_example():
    assert tolerance_factor(43, 0.90, confidence=0.99, method="howe") == pytest.approx(
        2.2173, abs=HALF
    )
    assert tolerance_factor(43, 0.90, confidence=0.99) == pytest.approx(2.2228, abs=HALF)
    assert tolerance_factor_one_sided(43, 0.90, confidence=0.99) == pytest.approx(1.8740, abs=HALF)


@pytest.mark.parametrize(
    ("n", "howe", "exact", "one_sided"),
    [
        (5, 5.0935, 5.0769, 4.2027),
        (10, 3.3819, 3.3934, 2.9110),
        (20, 2.7523, 2.7603, 2.3960),
        (30, 2.5496, 2.5549, 2.2198),
    ],
)
def test_factors_of_95_per_cent(n, howe, exact, one_sided):
    assert tolerance_factor(n, method="howe") == pytest.approx(howe, abs=HALF)
    assert tolerance_factor(n) == pytest.approx(exact, abs=HALF)
    assert tolerance_factor_one_sided(n) == pytest.approx(one_sided, abs=HALF)
