"""Studentized range against the NIST/SEMATECH handbook and R's qtukey and ptukey."""

import numpy as np
import pytest

from doughlab.stats.multiplicity import tukey_isf, tukey_sf

# NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1 (Tukey's method), four groups of five.
GROUPS = (
    (6.9, 5.4, 5.8, 4.6, 4.0),
    (8.3, 6.8, 7.8, 9.2, 6.5),
    (8.0, 10.5, 8.1, 6.9, 9.3),
    (5.8, 3.8, 6.1, 5.6, 6.2),
)
# p values computed with R 4.2.2 (TukeyHSD) on these data.
P_VALUES = {
    (1, 2): "0.022793",
    (1, 3): "0.002211",
    (2, 4): "0.035154",
    (3, 4): "0.003451",
    (2, 3): "0.664465",
}


def half_unit(printed: str) -> float:
    """Half a unit of the last printed digit."""
    return 0.5 * 10.0 ** -len(printed.split(".")[1])


def standard_error() -> float:
    within = np.mean([np.var(g, ddof=1) for g in GROUPS])
    return float(np.sqrt(within / 5))


def test_handbook_quantile_and_half_width():
    q = float(tukey_isf(0.05, 4, 16))
    assert q == pytest.approx(4.04609, abs=half_unit("4.04609"))  # R: qtukey(.95, 4, 16)
    assert q * standard_error() == pytest.approx(2.087, abs=half_unit("2.087"))  # handbook


@pytest.mark.parametrize(("pair", "printed"), P_VALUES.items())
def test_handbook_pairs(pair, printed):
    first, second = (np.mean(GROUPS[i - 1]) for i in pair)
    q = abs(first - second) / standard_error()
    assert float(tukey_sf(q, 4, 16)) == pytest.approx(float(printed), abs=half_unit(printed))


def test_r_quantile_and_tail():
    # R 4.2.2: qtukey(.95, 3, 10) and ptukey(3.5, 4, 45, lower.tail = FALSE)
    assert float(tukey_isf(0.05, 3, 10)) == pytest.approx(3.876777, abs=half_unit("3.876777"))
    assert float(tukey_sf(3.5, 4, 45)) == pytest.approx(0.07775435, abs=half_unit("0.07775435"))


def test_cake_pairs_of_the_mixed_model():
    # lme4/cake (Cook 1938): t values and Tukey p values from R (emmeans 1.8.4)
    three = float(tukey_sf(np.sqrt(2) * 0.60164, 3, 42))
    assert three == pytest.approx(0.81999, abs=1e-5)  # t itself is printed to five digits
    six = float(tukey_sf(np.sqrt(2) * 3.611121, 6, 210))
    assert six == pytest.approx(0.00506084, abs=1.5e-8)  # half a unit of p plus that of t


def test_plant_growth_interval():
    # datasets/PlantGrowth, TukeyHSD in R 4.2.2: trt2 - trt1 0.865 [0.173784, 1.556216], p 0.0120064
    low, high = 0.173784, 1.556216
    q = float(tukey_isf(0.05, 3, 27))
    std_error = (high - low) / 2 / (q / np.sqrt(2))
    p = float(tukey_sf(np.sqrt(2) * 0.865 / std_error, 3, 27))
    assert p == pytest.approx(0.0120064, abs=1e-6)  # the interval is printed to six decimals
