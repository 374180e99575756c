"""Lenth's method on the unreplicated 2^4 filtration-rate experiment.

Data and effects: Montgomery, Design and Analysis of Experiments (1997), the pilot-plant filtration
example; pseudo standard error and margins by Lenth (1989), Technometrics 31, 469-473, computed by
hand from his formulas and R 4.2.2's qt.
"""

from itertools import product

import numpy as np
import pandas as pd
import pytest

from doughlab.stats import fit_mixed
from doughlab.stats.lenth import judge_effects

RATES = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
LARGE = {"A": 21.625, "C": 9.875, "D": 14.625, "A:C": -18.125, "A:D": 16.625}


def filtration() -> pd.DataFrame:
    """The 16 runs in standard order, A fastest."""
    signs = [row[::-1] for row in product((-1.0, 1.0), repeat=4)]
    return pd.DataFrame(signs, columns=list("ABCD")).assign(rate=RATES)


def effects() -> dict[str, float]:
    """All 15 effects: mean at the high level minus mean at the low level."""
    data = filtration()
    found = {}
    for place in product((0, 1), repeat=4):
        names = [n for n, used in zip("ABCD", place, strict=True) if used]
        if names:
            found[":".join(names)] = float(data[names].prod(axis=1) @ data["rate"]) / 8
    return found


def test_effects_of_the_filtration_rate():
    found = effects()
    assert np.mean(RATES) == 70.0625
    for name, value in LARGE.items():
        assert found[name] == value
    assert all(abs(v) <= 4.2 for name, v in found.items() if name not in LARGE)


def test_effects_agree_with_the_fitted_model():
    table = fit_mixed(filtration(), "rate ~ A * C + A * D").coefficients.set_index("term")
    for name, value in LARGE.items():
        assert 2 * table.loc[name, "estimate"] == pytest.approx(value, abs=1e-9)


def test_lenth_margins_of_the_filtration_rate():
    found = judge_effects(effects())
    assert found.s0 == pytest.approx(3.9375, abs=5e-5)
    assert found.pse == pytest.approx(2.625, abs=5e-4)
    assert found.df == 5
    assert found.margin_of_error == pytest.approx(6.7478, abs=5e-5)
    assert found.simultaneous_margin == pytest.approx(13.699, abs=5e-4)
    table = found.table.set_index("term")
    assert set(table.index[table["stands_out"]]) == set(LARGE)
    assert set(table.index[table["surely"]]) == {"A", "D", "A:C", "A:D"}
