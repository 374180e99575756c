"""Power and sample size against R (power.anova.test, power.t.test) and statsmodels.

The effect sizes f are those of Cohen, J. (1988), Statistical Power Analysis. The numbers were
computed with R 4.2.2 and statsmodels 0.15.0.
"""

import numpy as np
import pytest

from doughlab.stats.power import power_f, power_t, units_for_power

# R searches these sizes by uniroot, whose default tolerance is the fourth root of the machine
# precision: its printed digits are good to this, not to half a unit.
R_ROOT = 1.3e-4


def half_unit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.split(".")[1])


def anova_power(n: float, groups: int, f: float) -> float:
    return float(power_f(groups * n * f**2, groups - 1, df_den=groups * (n - 1)))


def test_power_anova_test():
    # power.anova.test(groups = 4, n = 5, between.var = 1, within.var = 3)
    f = np.sqrt(3 / 4 * 1 / 3)  # between.var has divisor groups - 1
    assert anova_power(5, 4, f) == pytest.approx(0.3535594, abs=half_unit("0.3535594"))
    n = units_for_power(lambda n: anova_power(n, 4, f), 0.80)
    assert n == pytest.approx(11.92613, abs=R_ROOT)


def test_four_groups_of_45():
    assert anova_power(45, 4, 0.25) == pytest.approx(0.8039869, abs=half_unit("0.8039869"))


@pytest.mark.parametrize(
    ("groups", "f", "printed"),
    [
        (2, 0.10, "393.406"),
        (2, 0.25, "63.766"),
        (2, 0.40, "25.525"),
        (3, 0.10, "322.157"),
        (3, 0.25, "52.397"),
        (3, 0.40, "21.104"),
        (4, 0.10, "273.543"),
        (4, 0.25, "44.599"),
        (4, 0.40, "18.043"),
    ],
)
def test_size_of_group_for_a_power_of_080(groups, f, printed):
    n = units_for_power(lambda n: anova_power(n, groups, f), 0.80)
    assert n == pytest.approx(float(printed), abs=half_unit(printed))


def test_power_t_test():
    # power.t.test(n = 20, delta = 1, sd = 1), strict = FALSE and TRUE
    nc = 1 / np.sqrt(2 / 20)
    assert float(power_t(nc, 38, both_tails=False)) == pytest.approx(0.8689528, abs=5e-8)
    assert float(power_t(nc, 38)) == pytest.approx(0.8689530, abs=5e-8)


def test_size_for_a_power_of_090():
    # power.t.test(power = .90, delta = 1), two-sided (one tail counted) and one-sided
    def power(n: float, sides: int) -> float:
        return float(power_t(np.sqrt(n / 2), 2 * (n - 1), sides=sides, both_tails=False))

    two, one = (units_for_power(lambda n, s=s: power(n, s), 0.90) for s in (2, 1))
    assert two == pytest.approx(22.02110, abs=R_ROOT)
    assert one == pytest.approx(17.84713, abs=R_ROOT)


@pytest.mark.parametrize(
    ("df_num", "df_den", "noncentrality", "printed"),
    [(2, 27, 5, "0.4579923"), (3, 16, 10, "0.6442332"), (1, 4, 8, "0.5716095")],
)
def test_noncentral_f(df_num, df_den, noncentrality, printed):
    got = float(power_f(noncentrality, df_num, df_den=df_den))
    assert got == pytest.approx(float(printed), abs=half_unit(printed))
