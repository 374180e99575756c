"""Power helpers: limits and identities; published values stand in tests/reference."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import nctdtr

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.power import power_f, power_t, units_for_power


def test_power_without_an_effect_is_the_level():
    assert float(power_f(0.0, 3, df_den=16)) == pytest.approx(0.05, abs=1e-12)
    assert float(power_t(0.0, 16)) == pytest.approx(0.05, abs=1e-12)
    assert float(power_t(0.0, 16, sides=1, alpha=0.1)) == pytest.approx(0.1, abs=1e-12)


def test_a_two_sided_t_test_is_an_f_test():
    nc = np.linspace(0, 6, 25)
    np.testing.assert_allclose(power_t(nc, 9.5), power_f(nc**2, 1, df_den=9.5), atol=1e-9)


def test_the_sign_of_the_effect_does_not_matter_and_nothing_is_blank():
    nc, df = np.linspace(0, 40, 81), np.array([[1.0], [1.3], [4.0], [40.0]])
    power = power_t(nc, df)
    assert np.isfinite(power).all()
    np.testing.assert_allclose(power, power_t(-nc, df), atol=1e-9)


def test_power_of_t_is_the_tail_of_noncentral_t():
    limit = stats.t.ppf(0.975, 7.5)
    for nc in (0.5, 2.0, 4.0):
        tails = 1 - nctdtr(7.5, nc, limit) + nctdtr(7.5, nc, -limit)
        assert float(power_t(nc, 7.5)) == pytest.approx(tails, abs=1e-10)


def test_one_sided_power_at_known_error_is_normal():
    got = float(power_t(2.0, np.inf, sides=1))
    assert got == pytest.approx(stats.norm.sf(stats.norm.ppf(0.95) - 2.0), abs=1e-8)


def test_number_of_units_is_where_the_curve_crosses():
    def power(n: float) -> float:
        return float(power_t(np.sqrt(n), n - 1))

    n = units_for_power(power, 0.9)
    assert power(n) == pytest.approx(0.9, abs=1e-7)
    assert units_for_power(power, 0.06) == 2.0


def test_wrong_input_is_named():
    with pytest.raises(InputError, match="sides is 3; a test has 1 or 2 sides"):
        power_t(1.0, 5, sides=3)
    with pytest.raises(OutOfRange, match="alpha is 0; it must be above 0"):
        power_f(1.0, 2, df_den=5, alpha=0.0)
    with pytest.raises(OutOfRange, match=r"power of 0\.8 is not reached with 100 units"):
        units_for_power(lambda n: 0.3, 0.8, high=100)
