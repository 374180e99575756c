"""Alkalinity found from titration curves that PHREEQC drew.

PHREEQC version 3 (U.S. Geological Survey) through the package `phreeqc`, minteq.v4.dat as shipped
(acetate with its calcium and magnesium complexes); and one curve printed by phreeqpython 1.6.2.
"""

import numpy as np
import pytest
from phreeqc import Phreeqc

from doughlab.water import AcidProduct, fit_titration
from doughlab.water.curve import Setup

VINEGAR = AcidProduct("white vinegar", strength_pct=5, basis="w/w")
GRAMS_PER_MMOL = 60.052 / 1000 / 0.05


def test_alkalinity_of_random_waters_within_three_per_cent():
    """24 waters with all ions, 17 to 28 C, five exact readings each in 1 kg."""
    rng = np.random.default_rng(41)
    engine = Phreeqc()
    engine.LoadBuiltInDatabase("minteq.v4.dat")
    for _ in range(24):
        meq, chloride, sulphate = rng.uniform(0.6, 6), rng.uniform(0, 1.5), rng.uniform(0, 0.8)
        share = rng.dirichlet([2, 1, 2]) * (meq + chloride + 2 * sulphate)
        temp, start = rng.uniform(17, 28), rng.uniform(7.0, 8.8)
        steps = np.array([0.25, 0.5, 0.75, 0.95]) * meq
        base = (
            f"SOLUTION 1\n temp {temp}\n pH {start}\n units mmol/kgw\n Alkalinity {meq} meq/kgw\n"
            f" Ca {share[0] / 2}\n Mg {share[1] / 2}\n Na {share[2]}\n Cl {chloride}\n"
            f" S(6) {sulphate}\n"
        )
        engine.RunString(
            "SELECTED_OUTPUT\n -reset false\n -high_precision true\nUSER_PUNCH\n -headings pH\n"
            ' 10 PUNCH -LA("H+")\n' + base + "REACTION 1\n H(Acetate) 1\n "
            + " ".join(str(s) for s in steps) + " mmol\nEND\n"
        )  # fmt: skip
        ph = engine.GetSelectedOutput()["pH"]
        points = list(zip([0.0, *(steps * GRAMS_PER_MMOL)], ph, strict=True))
        setup = Setup(ph_sd=0.01, meter_sd=0.01, scale_g=0.001, temp_c=temp)
        fit = fit_titration(points, sample_kg=1, product=VINEGAR, setup=setup)
        expected = meq * 50.04345 * 0.99821
        assert fit.alkalinity_mg_l == pytest.approx(expected, rel=0.03)
        assert fit.agrees


def test_printed_curve_of_100_mg():
    """Acetic, phreeqc.dat, alkalinity 100/50.04345 meq/kgw, start pH 8.0, 20 C, three digits."""
    mmol = [0, 0.25, 0.50, 0.75, 1.00, 1.25, 1.50, 1.75, 2.00]
    ph = [8.0, 7.150, 6.812, 6.570, 6.363, 6.164, 5.962, 5.751, 5.542]
    points = [(m * GRAMS_PER_MMOL, p) for m, p in zip(mmol, ph, strict=True)]
    setup = Setup(ph_sd=0.01, meter_sd=0.01, scale_g=0.001)
    fit = fit_titration(points, sample_kg=1, product=VINEGAR, setup=setup)
    assert fit.alkalinity_mg_l == pytest.approx(100 * 0.99821, rel=0.01)
    assert fit.carbon_mmol_kg == pytest.approx(2.0278, rel=0.01)
