"""The pH meter against CODATA constants, a worked example and a published formula."""

import pytest

from doughlab.record.buffers import BUFFERS
from doughlab.record.meter import Point, fit_calibration, nernst_mv

# R T ln 10 / F with the CODATA constants of scipy.constants, computed apart from this project
NERNST = {0: 54.1988, 4: 54.9925, 10: 56.1830, 15: 57.1751, 20: 58.1672, 25: 59.1593,
          30: 60.1515, 37: 61.5404, 50: 64.1199}  # fmt: skip


@pytest.mark.parametrize(("temp_c", "mv"), NERNST.items())
def test_nernst_slope(temp_c, mv):
    assert nernst_mv(temp_c) == pytest.approx(mv, abs=5e-5)


def test_nernst_slope_follows_the_constants_of_scipy():
    from math import log

    from scipy.constants import R, physical_constants

    faraday = physical_constants["Faraday constant"][0]
    assert nernst_mv(18.0) == pytest.approx(1000 * R * 291.15 * log(10) / faraday, rel=1e-9)


def test_two_buffers_of_a_training_page():
    """7.01 shows -15 mV and 4.01 shows 160 mV at 25 C: 175 mV over 3.00 pH, 58.33 mV/pH, 98.6 %."""
    found = fit_calibration([Point(7.01, -15.0), Point(4.01, 160.0)], temp_c=25.0)
    assert found.slope_pct == pytest.approx(98.6, abs=0.05)
    assert found.slope_pct * 0.591593 == pytest.approx(58.33, abs=0.005)


@pytest.mark.parametrize("temp_c", [0, 10, 15, 20, 25, 30, 40])
def test_phthalate_lies_on_the_published_formula(temp_c):
    """Hetzer et al. (1977), J. Res. NBS 81A, 21, abstract; the table is rounded to 0.01."""
    t = temp_c + 273.15
    formula = 2073.44 / t - 13.3270 + 0.045199 * t - 3.4846e-5 * t**2
    assert BUFFERS["phthalate"].ph_at(temp_c) == pytest.approx(formula, abs=0.0065)


def test_phthalate_lies_on_the_older_form():
    """4.000 + 0.0000479 (t - 15)^2, printed in 1946."""
    for temp_c in (10, 15, 20, 25, 30, 40):
        older = 4.000 + 0.0000479 * (temp_c - 15) ** 2
        assert BUFFERS["phthalate"].ph_at(temp_c) == pytest.approx(older, abs=0.0065)


def test_buffer_rows_as_listed():
    """JIS Z 8802 as listed on a public page; technical buffers from one instrument manual."""
    listed = {
        ("phosphate", 0): 6.98, ("phosphate", 25): 6.86, ("phosphate", 40): 6.84,
        ("borax", 5): 9.39, ("borax", 25): 9.18, ("carbonate", 25): 10.02, ("carbonate", 30): 9.97,
        ("technical 4", 25): 4.00, ("technical 7", 25): 7.00, ("technical 7", 5): 7.09,
        ("technical 10", 25): 10.01, ("technical 10", 40): 9.89,
    }  # fmt: skip
    for (name, temp_c), ph in listed.items():
        assert BUFFERS[name].ph_at(temp_c) == pytest.approx(ph, abs=1e-9)
