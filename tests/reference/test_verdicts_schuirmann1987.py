"""Two one-sided tests (Schuirmann 1987) against R, and their power against published numbers."""

import numpy as np
import pytest
from scipy import stats

from doughlab.stats.scale import student_quantile
from doughlab.stats.verdicts import chance_of_verdicts, two_one_sided

# datasets/PlantGrowth (Dobson 1983)
CTRL = np.array([4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14])
TRT1 = np.array([4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69])


def test_plant_growth_pooled():
    # R 4.2.2, bounds -1 and 1: t 4.402205 and -2.019684, p 0.0292791, 90 % [-0.169048, 0.911048]
    std_error = np.sqrt((CTRL.var(ddof=1) + TRT1.var(ddof=1)) / 2 * 0.2)
    test = two_one_sided(CTRL.mean() - TRT1.mean(), std_error, df=18, margin=1.0)
    assert test.statistic_low == pytest.approx(4.402205, abs=5e-7)
    assert test.statistic_high == pytest.approx(-2.019684, abs=5e-7)
    assert test.p_value == pytest.approx(0.0292791, abs=5e-8)
    assert test.ci_low == pytest.approx(-0.169048, abs=5e-7)
    assert test.ci_high == pytest.approx(0.911048, abs=5e-7)
    assert test.equivalent


def test_plant_growth_welch():
    # R 4.2.2: df 16.52359, p 0.0299693
    v = np.array([CTRL.var(ddof=1), TRT1.var(ddof=1)]) / 10
    df = v.sum() ** 2 / (v**2 / 9).sum()
    assert df == pytest.approx(16.52359, abs=5e-6)
    test = two_one_sided(CTRL.mean() - TRT1.mean(), np.sqrt(v.sum()), df=df, margin=1.0)
    assert test.p_value == pytest.approx(0.0299693, abs=5e-8)


@pytest.mark.parametrize(("cv", "n", "printed"), [(0.30, 40, 0.815845), (0.20, 20, 0.834680)])
def test_power_of_the_crossover_equivalence_trial(cv, n, printed):
    # Classic two-period crossover, true ratio 0.95, limits 0.80 to 1.25, alpha 0.05; exact power
    # by Owen's Q as tabulated for average bioequivalence (numbers quoted from memory).
    std_error = np.sqrt(np.log(1 + cv**2)) * np.sqrt(2 / n)
    got = chance_of_verdicts(
        np.log(0.95),
        std_error,
        df=n - 2,
        margin=np.log(1.25),
        critical=student_quantile(n - 2, 0.95),
    )
    assert float(got.same) == pytest.approx(printed, abs=5e-7)


def test_two_sided_power_of_t_as_a_special_case():
    # power.t.test(n = 20, delta = 1, sd = 1, strict = TRUE) in R 4.2.2: 0.8689530. With a margin
    # beyond all reach, "zero left out" is "real but small".
    got = chance_of_verdicts(
        1.0, np.sqrt(2 / 20), df=38, margin=50.0, critical=stats.t.ppf(0.975, 38)
    )
    assert float(got.real_but_small) == pytest.approx(0.8689530, abs=5e-8)
