"""Ways around a dose against PHREEQC: calcite, its ceiling, bicarbonate's ceiling, lactic acid.

PHREEQC version 3 (U.S. Geological Survey) runs through the package `phreeqc`. None of its
databases holds lactate, so lactic acid is compared with a species added to phreeqc.dat: pKa 3.86
and 0.33 kJ/mol (from memory), no metal complexes, as this package counts it.
"""

import numpy as np
import pytest
from phreeqc import Phreeqc

from doughlab.water import WaterSample
from doughlab.water.alternatives import base_ceiling
from doughlab.water.calcite import try_calcite
from doughlab.water.chemistry import acid_needed, known_water
from doughlab.water.composition import alkalinity_meq_kg, build_composition

LACTATE = """
SOLUTION_MASTER_SPECIES
 Lactate Lactate- 1.0 89.0705 89.0705
SOLUTION_SPECIES
 Lactate- = Lactate-
  log_k 0
 H+ + Lactate- = HLactate
  log_k 3.86
  delta_h 0.33 kJ
"""
PH, INDEX = '-LA("H+")', 'SI("Calcite")'
SOFT = {"ph": 6.0, "alkalinity_mg_l": 10.0, "calcium_mg_l": 2.0, "magnesium_mg_l": 1.0}
HARD = {"ph": 7.9, "alkalinity_mg_l": 150.0, "calcium_mg_l": 60.0, "magnesium_mg_l": 12.0}


def run(text, *expressions, database="phreeqc.dat", extra=""):
    """Run PHREEQC; give one column for each expression, a row for each step."""
    engine = Phreeqc()
    assert engine.LoadBuiltInDatabase(database) == 0
    heads = " ".join(f"c{i}" for i in range(len(expressions)))
    punch = (
        "SELECTED_OUTPUT\n -reset false\n -high_precision true\nUSER_PUNCH\n"
        f" -headings {heads}\n 10 PUNCH {', '.join(expressions)}\nEND\n"
    )
    fix = "PHASES\nFix_H+\n H+ = H+\n log_k 0\n"
    assert engine.RunString(extra + fix + punch + text) == 0, engine.GetErrorString()
    found = {k.lower(): np.array(v, dtype=float) for k, v in engine.GetSelectedOutput().items()}
    return [found[f"c{i}"] for i in range(len(expressions))]


def water(facts):
    """A sample and its PHREEQC input: sodium or chloride closes the charge balance."""
    sample = WaterSample("w", temp_c=20, **facts)
    meq = alkalinity_meq_kg(facts["alkalinity_mg_l"])
    calcium, magnesium = sample.mmol_kg("calcium"), sample.mmol_kg("magnesium")
    rest = meq - 2 * (calcium + magnesium)
    return sample, (
        f"SOLUTION 1\n temp 20\n pH {facts['ph']}\n units mmol/kgw\n Alkalinity {meq} meq/kgw\n"
        f" Ca {calcium}\n Mg {magnesium}\n Na {max(rest, 0)}\n Cl {max(-rest, 0)}\n"
    )


@pytest.mark.parametrize("target", [6.5, 7.0, 7.5])
def test_calcite_that_a_ph_takes_and_the_index_after_it(target):
    sample, text = water(SOFT)
    text += f"EQUILIBRIUM_PHASES 1\n Fix_H+ {-target} Calcite 10\nEND\n"
    dose, index = run(text, '10 - EQUI("Fix_H+")', INDEX)
    found = try_calcite(build_composition(sample), target)
    assert found.mg_per_kg == pytest.approx(dose[-1] * 100.087e3, rel=0.01)
    assert found.index_after == pytest.approx(index[-1], abs=0.05)
    assert found.index_before == pytest.approx(index[0], abs=0.05)


@pytest.mark.parametrize("ph", [5.5, 6.0, 6.8])
def test_ph_at_which_calcite_stops_dissolving(ph):
    """PHREEQC lets calcite dissolve to a saturation index of 0."""
    sample, text = water(SOFT | {"ph": ph})
    (got,) = run(text + "EQUILIBRIUM_PHASES 1\n Calcite 0 10\nEND\n", PH)
    found = try_calcite(build_composition(sample), 8.3)
    assert found.ceiling_ph == pytest.approx(got[-1], abs=0.03)
    assert found.works == (got[-1] > 8.3)


def test_a_hard_water_loses_calcite_in_phreeqc_too():
    sample, text = water(HARD)
    dose, _ = run(text + "EQUILIBRIUM_PHASES 1\n Calcite 0 10\nEND\n", '10 - EQUI("Calcite")', PH)
    assert dose[-1] < 0  # it settles: more calcite than was put in
    assert try_calcite(build_composition(sample), 8.2).index_before > 0


@pytest.mark.parametrize("facts", [SOFT, HARD, HARD | {"ph": 6.4}])
def test_highest_ph_that_bicarbonate_gives(facts):
    """PHREEQC adds bicarbonate in small steps; the highest pH on the way is the ceiling."""
    sample, text = water(facts)
    steps = " ".join(f"{x:.5g}" for x in np.geomspace(0.02, 30, 60))
    (ph,) = run(text + f"REACTION 1\n NaHCO3 1\n {steps} mmol\nEND\n", PH)
    top = base_ceiling(build_composition(sample, vary=False).state.totals)
    assert top == pytest.approx(ph.max(), abs=0.03)


def test_lactic_doses_of_random_waters():
    rng = np.random.default_rng(7)
    n = 60
    meq = rng.uniform(0.4, 6.4, n)
    ph, target, temp = rng.uniform(7.0, 8.4, n), rng.uniform(4.5, 6.8, n), rng.uniform(5, 30, n)
    text = "".join(
        f"SOLUTION 1\n temp {temp[i]}\n pH {ph[i]}\n units mmol/kgw\n Alkalinity {meq[i]} meq/kgw\n"
        f" Ca {meq[i] / 4}\n Na {meq[i] / 2}\nEQUILIBRIUM_PHASES 1\n"
        f" Fix_H+ {-target[i]} HLactate 10\nEND\n"
        for i in range(n)
    )
    (dose,) = run(text, '10 - EQUI("Fix_H+")', extra=LACTATE)
    state = known_water(ph=ph, alkalinity_meq_kg=meq, calcium=meq / 4, sodium=meq / 2, temp_c=temp)
    got = acid_needed(state.totals, target, acid="lactic").added
    assert got == pytest.approx(dose[1::2], rel=0.01)
