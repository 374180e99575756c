"""Comparisons with one level against R's multivariate t and a published table."""

import numpy as np
import pytest

from doughlab.stats.multiplicity import dunnett_critical, dunnett_p, simultaneous_p

# datasets/PlantGrowth (Dobson 1983), weight of dried plants, ten in each group.
CTRL = (4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14)
TRT1 = (4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69)
TRT2 = (6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26)

# Dunnett, C. W. (1964), Biometrics 20, 482-491, two-sided 5 % points for 1 to 9 treatments and a
# control. The table is quoted from memory.
TABLE_1964 = {
    5: (2.57, 3.03, 3.29, 3.48, 3.62, 3.73, 3.82, 3.90, 3.97),
    10: (2.23, 2.57, 2.76, 2.89, 2.99, 3.07, 3.14, 3.19, 3.24),
    20: (2.09, 2.38, 2.54, 2.65, 2.73, 2.80, 2.86, 2.90, 2.95),
    np.inf: (1.96, 2.21, 2.35, 2.44, 2.51, 2.57, 2.61, 2.65, 2.69),
}


def equal_groups(m: int) -> np.ndarray:
    return np.full((m, m), 0.5) + 0.5 * np.eye(m)


def test_plant_growth_against_the_control():
    # R 4.2.2, emmeans with the multivariate t: 0.3227 and 0.1535
    within = np.mean([np.var(g, ddof=1) for g in (CTRL, TRT1, TRT2)])
    t = np.array([np.mean(g) - np.mean(CTRL) for g in (TRT1, TRT2)]) / np.sqrt(within * 0.2)
    p = dunnett_p(t, equal_groups(2), 27)
    assert p == pytest.approx([0.3227, 0.1535], abs=0.00005)


def test_alfalfa_date_against_none():
    # nlme/Alfalfa, R 4.2.2: S20 - None 0.2066667, SE 0.05574514, 45 df, p 0.001635 by the
    # multivariate t, which R integrates by a random rule. Direct double integration of the same
    # statistic by scipy's quad gives 0.00163393, so two units of the last digit are allowed.
    p = dunnett_p([0.2066667 / 0.05574514] * 3, equal_groups(3), 45)
    assert p[0] == pytest.approx(0.001635, abs=2e-6)
    assert p[0] == pytest.approx(0.0016339305, abs=1e-9)


@pytest.mark.parametrize("df", TABLE_1964)
def test_two_sided_five_percent_points(df):
    got = [float(dunnett_critical(0.95, equal_groups(m), df)) for m in range(1, 10)]
    assert got == pytest.approx(TABLE_1964[df], abs=0.005)


# R 4.2.2, mvtnorm 1.1-3: pmvt(..., algorithm = GenzBretz(maxpts = 5e7, abseps = 2e-7)), whose
# stated error is below 2e-7 in every row.
UNEQUAL = np.sqrt(np.array([3, 4, 6, 5]) / (np.array([3, 4, 6, 5]) + 8))
GENERAL = np.array(
    [[1, 0.6, 0.3, -0.2], [0.6, 1, 0.45, 0.1], [0.3, 0.45, 1, 0.55], [-0.2, 0.1, 0.55, 1]]
)


def test_unequal_groups_against_mvtnorm():
    corr = np.outer(UNEQUAL, UNEQUAL)
    np.fill_diagonal(corr, 1.0)
    assert dunnett_p([2.7] * 4, corr, 11)[0] == pytest.approx(0.069148219, abs=2e-7)


@pytest.mark.parametrize(
    ("t", "df", "p"), [(2.6, 7, 0.10487921), (4.0, 7, 0.016564664), (2.6, 40, 0.045212412)]
)
def test_any_correlation_against_mvtnorm(t, df, p):
    # no product of loadings: integrated over directions, promised to 5e-4 of the p value
    assert simultaneous_p([t] * 4, GENERAL, df)[0] == pytest.approx(p, rel=5e-4)
