"""Live comparison with PHREEQC over seeded random waters.

PHREEQC version 3 (U.S. Geological Survey) runs here through the packages `phreeqc` (its
minteq.v4.dat holds acetate and citrate with their metal complexes) and `phreeqpython` (its own
phreeqc.dat). Alkalinity is always given in meq/kgw: in mg/L the two files mean different things.

Where minteq.v4.dat is the measure, waters have 17 to 30 C: it moves the carbonate constants with
one enthalpy, which at 5 C puts pK1 0.05 below the curve of Plummer and Busenberg (1982) that
phreeqc.dat and this package follow. Against phreeqc.dat the whole range 4 to 30 C is compared.
"""

import numpy as np
import pytest
from phreeqc import Phreeqc

from doughlab.water.chemistry import (
    acid_needed,
    after_loss,
    at_temperature,
    base_needed,
    buffer_intensity,
    calcite_index,
    closed,
    in_air,
    known_water,
    mixed,
    with_acid,
)

WATERS = 240
PHASE = {"acetic": "H(Acetate)", "citric": "H3(Citrate)"}
IONS = ("calcium", "magnesium", "sodium", "sulphate", "inert")


@pytest.fixture(scope="module")
def waters():
    """Random waters, charges balanced: the metals carry alkalinity, chloride and sulphate."""
    rng = np.random.default_rng(20250311)
    alkalinity = rng.uniform(20, 320, WATERS) / 50.04345
    chloride, sulphate = rng.uniform(0, 1.5, WATERS), rng.uniform(0, 1.0, WATERS)
    charge = alkalinity + chloride + 2 * sulphate
    share = rng.dirichlet([2.0, 1.0, 2.0], WATERS).T
    start = rng.uniform(7.0, 9.5, WATERS)
    return {
        "ph": start,
        "alkalinity_meq_kg": alkalinity,
        "calcium": charge * share[0] / 2,
        "magnesium": charge * share[1] / 2,
        "sodium": charge * share[2],
        "sulphate": sulphate,
        "inert": chloride,
        "temp_c": rng.uniform(17, 30, WATERS),
        "target": rng.uniform(4.5, np.minimum(start - 0.5, 7.0)),
    }


@pytest.fixture(scope="module")
def wide(waters):
    """The same waters from 4 to 30 C with targets up to 8.3."""
    rng = np.random.default_rng(88)
    top = np.minimum(waters["ph"] - 0.3, 8.3)
    return waters | {"temp_c": rng.uniform(4, 30, WATERS), "target": rng.uniform(4.5, top)}


def solution(w, i, number=1):
    """PHREEQC input of one water."""
    return (
        f"SOLUTION {number}\n temp {w['temp_c'][i]}\n pH {w['ph'][i]}\n units mmol/kgw\n"
        f" Alkalinity {w['alkalinity_meq_kg'][i]} meq/kgw\n Ca {w['calcium'][i]}\n"
        f" Mg {w['magnesium'][i]}\n Na {w['sodium'][i]}\n Cl {w['inert'][i]}\n"
        f" S(6) {w['sulphate'][i]}\n"
    )


def run(database, text, headings, expressions):
    """Run PHREEQC; give the punched columns as arrays."""
    engine = Phreeqc()
    assert engine.LoadBuiltInDatabase(database) == 0
    punch = (
        "SELECTED_OUTPUT\n -reset false\n -high_precision true\nUSER_PUNCH\n"
        f" -headings {' '.join(headings)}\n 10 PUNCH {', '.join(expressions)}\nEND\n"
    )
    fix = "PHASES\nFix_H+\n H+ = H+\n log_k 0\n"
    assert engine.RunString(fix + punch + text) == 0, engine.GetErrorString()
    return {k: np.array(v, dtype=float) for k, v in engine.GetSelectedOutput().items()}


def ours(w, rows=slice(None)):
    """The same waters, solved here."""
    names = ("ph", "alkalinity_meq_kg", "temp_c", *IONS)
    return known_water(**{n: w[n][rows] for n in names})


@pytest.mark.parametrize(("acid", "tolerance"), [("acetic", 0.025), ("citric", 0.03)])
def test_doses_of_random_waters_with_complexes(waters, acid, tolerance):
    text = "".join(
        solution(waters, i)
        + f"EQUILIBRIUM_PHASES 1\n Fix_H+ {-waters['target'][i]} {PHASE[acid]} 10\nEND\n"
        for i in range(WATERS)
    )
    out = run("minteq.v4.dat", text, ["dose"], ['10 - EQUI("Fix_H+")'])
    expected = out["dose"][1::2] * 1e3
    assert len(expected) == WATERS >= 200
    got = acid_needed(ours(waters).totals, waters["target"], acid=acid).added * 1e3
    assert got == pytest.approx(expected, rel=tolerance)


# Protonation constants of NIST 46 as printed in minteq.v4.dat, added to phreeqc.dat.
ACIDS_ONLY = """SOLUTION_MASTER_SPECIES
 Acetate Acetate- 1.0 59.0446 59.0446
 Citrate Citrate-3 2.0 189.1002 189.1002
SOLUTION_SPECIES
 Acetate- = Acetate-
 log_k 0
 H+ + Acetate- = HAcetate
 log_k 4.757
 delta_h 0.41 kJ
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
PHASES
 Fix_H+
 H+ = H+
 log_k 0
SELECTED_OUTPUT
 -reset false
 -high_precision true
USER_PUNCH
 -headings dose
 10 PUNCH 10 - EQUI("Fix_H+")
END
"""


@pytest.mark.parametrize(("acid", "phase"), [("acetic", "HAcetate"), ("citric", "H3Citrate")])
def test_doses_of_random_waters_without_complexes(wide, acid, phase):
    import phreeqpython

    engine = phreeqpython.PhreeqPython().ip
    engine.run_string(ACIDS_ONLY)
    engine.run_string(
        "".join(
            solution(wide, i)
            + f"EQUILIBRIUM_PHASES 1\n Fix_H+ {-wide['target'][i]} {phase} 10\nEND\n"
            for i in range(WATERS)
        )
    )
    rows = engine.get_selected_output_array()[1:]
    expected = np.array([r[0] for r in rows], dtype=float)[1::2] * 1e3
    totals = ours(wide).totals
    got = acid_needed(totals, wide["target"], acid=acid, complexes=False).added * 1e3
    assert got == pytest.approx(expected, rel=0.01)


def test_inorganic_carbon_of_random_waters(waters):
    text = "".join(solution(waters, i) + "END\n" for i in range(WATERS))
    out = run("minteq.v4.dat", text, ["C", "I"], ['TOT("C")', "MU"])
    state = ours(waters)
    assert state.totals.carbon == pytest.approx(out["C"], rel=0.02)
    # the sulphate pairs of the two data files differ by up to 0.1 in log K: 3 % of the strength
    assert state.ionic_strength == pytest.approx(out["I"], rel=0.03)


def test_ph_after_a_dose_of_random_waters(waters):
    mmol = 0.6 * waters["alkalinity_meq_kg"]
    text = "".join(
        solution(waters, i) + f"REACTION 1\n {PHASE['acetic']} 1\n {mmol[i]} mmol\nEND\n"
        for i in range(WATERS)
    )
    out = run("minteq.v4.dat", text, ["pH"], ['-LA("H+")'])
    got = closed(with_acid(ours(waters).totals, "acetic", mmol * 1e-3)).ph
    assert np.abs(got - out["pH"][1::2]).max() < 0.02


def test_random_blends_against_mix_of_the_other_package(wide):
    """phreeqpython with its own phreeqc.dat; pairs of neighbours, 30 to 70 % of the first."""
    import phreeqpython

    engine = phreeqpython.PhreeqPython()
    share = np.random.default_rng(7).uniform(0.3, 0.7, 40)
    expected = []
    for i in range(40):
        for number in (1, 2):
            engine.ip.run_string(solution(wide, 2 * i + number - 1, number) + "END\n")
        block = f"MIX 3\n 1 {share[i]}\n 2 {1 - share[i]}\nSAVE solution 3\nEND\n"
        engine.ip.run_string(block)
        expected.append(engine.ip.get_ph(3))
    first, second = (ours(wide, slice(k, 80, 2)).totals for k in (0, 1))
    got = [
        closed(mixed([first.part([i]), second.part([i])], [share[i], 1 - share[i]])).ph[0]
        for i in range(40)
    ]
    assert np.abs(np.array(got) - expected).max() < 0.02


def test_random_waters_in_air_against_the_other_package(wide):
    import phreeqpython

    engine = phreeqpython.PhreeqPython()
    expected = []
    for i in range(60):
        text = solution(wide, i) + "EQUILIBRIUM_PHASES 1\n CO2(g) -3.38 10\n"
        engine.ip.run_string(text + "SAVE solution 1\nEND\n")
        expected.append(engine.ip.get_ph(1))
    got = in_air(ours(wide, slice(0, 60)).totals).ph
    assert np.abs(got - expected).max() < 0.02


def test_random_waters_keep_their_carbon_when_warmed(wide):
    """Read true at another temperature: the meter's correction does not do this."""
    other = np.random.default_rng(9).uniform(4, 30, 60)
    text = "".join(
        solution(wide, i) + f"REACTION_TEMPERATURE 1\n {other[i]}\nEND\n" for i in range(60)
    )
    out = run("phreeqc.dat", text, ["pH"], ['-LA("H+")'])
    got = closed(at_temperature(ours(wide, slice(0, 60)).totals, other)).ph
    # phreeqc.dat of 2024 has another CaHCO3+ than the older file: 0.02 instead of 0.01
    assert np.abs(got - out["pH"][1::2]).max() < 0.02


def test_bicarbonate_of_random_sour_waters(waters):
    """Each water mixed down to pH 5.2 to 6 with CO2 in it, then raised by PHREEQC."""
    rows = slice(0, 60)
    sour = dict(waters)
    sour["ph"] = np.random.default_rng(3).uniform(5.2, 6.2, WATERS)
    sour["alkalinity_meq_kg"] = waters["alkalinity_meq_kg"] / 10
    target = sour["ph"] + 0.6
    text = "".join(
        solution(sour, i) + f"EQUILIBRIUM_PHASES 1\n Fix_H+ {-target[i]} NaHCO3 10\nEND\n"
        for i in range(60)
    )
    out = run("minteq.v4.dat", text, ["dose"], ['10 - EQUI("Fix_H+")'])
    got = base_needed(ours(sour, rows).totals, target[rows]).added * 1e3
    assert got == pytest.approx(out["dose"][1::2] * 1e3, rel=0.02)


def test_calcite_index_of_random_waters(waters):
    text = "".join(solution(waters, i) + "END\n" for i in range(60))
    out = run("phreeqc.dat", text, ["si"], ['SI("Calcite")'])
    got = calcite_index(ours(waters, slice(0, 60)))
    assert np.abs(got - out["si"]).max() < 0.05


def test_partial_loss_of_random_waters(waters):
    """Remove half of the dissolved CO2 of a dosed water in PHREEQC, by a negative reaction."""
    rows = slice(0, 40)
    base = ours(waters, rows)
    dosed = acid_needed(base.totals, np.full(40, 6.0), acid="acetic")
    gone = 0.5 * dosed.co2 * 1e3
    text = "".join(
        solution(waters, i)
        + f"REACTION 1\n {PHASE['acetic']} {dosed.added[i] * 1e3}\n CO2 {-gone[i]}\n 1 mmol\nEND\n"
        for i in range(40)
    )
    out = run("minteq.v4.dat", text, ["pH"], ['-LA("H+")'])
    assert np.abs(after_loss(dosed, 0.5).ph - out["pH"][1::2]).max() < 0.03


def test_buffer_at_ph_8_where_pairs_count(waters):
    """Alkalinity 100, half calcium: PHREEQC's slope between two small additions of base."""
    meq = 100 / 50.04345
    step = 0.002
    one = {k: np.array([v]) for k, v in {
        "ph": 8.0, "alkalinity_meq_kg": meq, "calcium": meq / 4, "magnesium": 0.0,
        "sodium": meq / 2, "sulphate": 0.0, "inert": 0.0, "temp_c": 20.0}.items()}  # fmt: skip
    text = "".join(
        solution(one, 0) + f"REACTION 1\n {what} 1\n {step} mmol\nEND\n" for what in ("NaOH", "HCl")
    )
    ph = run("phreeqc.dat", text, ["pH"], ['-LA("H+")'])["pH"][1::2]
    expected = 2 * step / (ph[0] - ph[1])
    assert buffer_intensity(ours(one))[0] * 1e3 == pytest.approx(expected, rel=0.03)
