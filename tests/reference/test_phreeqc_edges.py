"""Doses at the edges read back by PHREEQC: soft and hard waters, 2 to 40 C, pH 4.5 and 8.3.

PHREEQC version 3 (U.S. Geological Survey) runs through phreeqpython with its own phreeqc.dat and
the food acids' protonation constants added (NIST 46 as printed in minteq.v4.dat; lactic 3.86 from
memory), no metal complexes of the acids. Our dose is added to its water as a reaction, and what it
then reads, little air or in equilibrium with 417 ppm CO2, is compared with the pH asked for.
"""

import numpy as np
import pytest

from doughlab.water.chemistry import acid_needed, in_air, known_water

WATERS = 180
ACIDS = """SOLUTION_MASTER_SPECIES
 Acetate Acetate- 1.0 59.0446 59.0446
 Citrate Citrate-3 2.0 189.1002 189.1002
 Lactate Lactate- 1.0 89.0705 89.0705
SOLUTION_SPECIES
 Acetate- = Acetate-
 log_k 0
 H+ + Acetate- = HAcetate
 log_k 4.757
 delta_h 0.41 kJ
 Lactate- = Lactate-
 log_k 0
 H+ + Lactate- = HLactate
 log_k 3.86
 delta_h 0.33 kJ
 Citrate-3 = Citrate-3
 log_k 0
 H+ + Citrate-3 = HCitrate-2
 log_k 6.396
 delta_h 3.3472 kJ
 2 H+ + Citrate-3 = H2Citrate-
 log_k 11.157
 delta_h 1.297 kJ
 3 H+ + Citrate-3 = H3Citrate
 log_k 14.285
 delta_h -2.7614 kJ
END
"""
PHASE = {"acetic": "HAcetate", "citric": "H3Citrate", "lactic": "HLactate"}


@pytest.fixture(scope="module")
def waters():
    """A third each under 20, up to 320 and up to 800 mg/L; charges balanced."""
    rng = np.random.default_rng(4242)
    meq = np.concatenate([rng.uniform(*r, WATERS // 3) for r in ((1, 20), (20, 320), (320, 800))])
    meq = meq / 50.04345
    chloride, sulphate = (rng.uniform(0, m, WATERS) * rng.integers(0, 2, WATERS) for m in (8, 4))
    share = rng.dirichlet([1.0, 0.7, 1.0], WATERS).T * (meq + chloride + 2 * sulphate)
    return {
        "ph": rng.uniform(6.0, 9.3, WATERS), "alkalinity_meq_kg": meq, "calcium": share[0] / 2,
        "magnesium": share[1] / 2, "sodium": share[2], "sulphate": sulphate, "inert": chloride,
        "temp_c": rng.uniform(2, 40, WATERS),
    }  # fmt: skip


@pytest.fixture(scope="module")
def engine():
    import phreeqpython

    made = phreeqpython.PhreeqPython()
    made.ip.run_string(ACIDS)
    return made


@pytest.mark.parametrize("acid", PHASE)
@pytest.mark.parametrize("air", [False, True])
def test_phreeqc_reads_the_ph_that_was_asked_for(waters, engine, acid, air):
    state = known_water(**waters)
    start = in_air(state.totals).ph if air else state.ph
    rng = np.random.default_rng(6)
    top = np.minimum(start - 0.05, 8.3)
    target = np.where(np.arange(WATERS) % 3 == 0, 4.5, rng.uniform(4.5, np.maximum(top, 4.6)))
    target[1::3] = top[1::3]
    asked = np.flatnonzero(top > 4.6)
    assert asked.size > 0.9 * WATERS
    lost = None if air else 0.0
    found = acid_needed(state.totals, target, acid=acid, lost_share=lost, complexes=False).added
    gas = "EQUILIBRIUM_PHASES 1\n CO2(g) -3.38 10\n" if air else ""
    w, read = waters, np.full(WATERS, np.nan)
    for i in asked:
        engine.ip.run_string(
            f"SOLUTION 1\n temp {w['temp_c'][i]}\n pH {w['ph'][i]}\n units mmol/kgw\n"
            f" Alkalinity {w['alkalinity_meq_kg'][i]} meq/kgw\n Ca {w['calcium'][i]}\n"
            f" Mg {w['magnesium'][i]}\n Na {w['sodium'][i]}\n Cl {w['inert'][i]}\n"
            f" S(6) {w['sulphate'][i]}\nREACTION 1\n {PHASE[acid]} {found[i] * 1e3}\n 1 mmol\n"
            f"{gas}SAVE solution 1\nEND\n"
        )
        read[i] = engine.ip.get_ph(1)
    assert np.abs(read - target)[asked].max() < 0.02
