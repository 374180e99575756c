"""How fast doses are, as a ratio to PHREEQC calls in the same run.

Run with `pytest tests/benchmarks/bench_water.py`. The rival is PHREEQC at its quickest: one call
for each water and dose, in which a phase that fixes the pH takes the acid it needs (no root
search around it). Both are timed in processor time and by their best pass, so that a busy
machine counts alike.
"""

import time

import numpy as np
from phreeqc import Phreeqc

from doughlab.water.chemistry import acid_needed, known_water

WATERS = 16_384
CALLS = 300
LEAST_RATIO = 100


def waters(count):
    """Random waters with calcium, magnesium and sodium, charges balanced."""
    rng = np.random.default_rng(12)
    meq = rng.uniform(0.3, 6.0, count)
    share = rng.dirichlet([2.0, 1.0, 2.0], count).T
    return {
        "ph": rng.uniform(7.0, 9.0, count),
        "alkalinity_meq_kg": meq,
        "calcium": meq * share[0] / 2,
        "magnesium": meq * share[1] / 2,
        "sodium": meq * share[2],
    }


def phreeqc_seconds(acid, target=6.0):
    """Processor seconds of one PHREEQC call, and its doses."""
    engine = Phreeqc()
    engine.LoadBuiltInDatabase("minteq.v4.dat")
    engine.RunString(
        "PHASES\nFix_H+\n H+ = H+\n log_k 0\nSELECTED_OUTPUT\n -reset false\n"
        ' -high_precision true\nUSER_PUNCH\n -headings dose\n 10 PUNCH 10 - EQUI("Fix_H+")\nEND\n'
    )
    w = waters(CALLS)
    doses, best = [], np.inf
    for i in range(CALLS):
        if i % 100 == 0:
            began = time.process_time()
        engine.RunString(
            f"SOLUTION 1\n temp 20\n pH {w['ph'][i]}\n units mmol/kgw\n"
            f" Alkalinity {w['alkalinity_meq_kg'][i]} meq/kgw\n Ca {w['calcium'][i]}\n"
            f" Mg {w['magnesium'][i]}\n Na {w['sodium'][i]}\n"
            f"EQUILIBRIUM_PHASES 1\n Fix_H+ {-target} {acid} 10\nEND\n"
        )
        doses.append(engine.GetSelectedOutput()["dose"][-1])
        if i % 100 == 99:
            best = min(best, (time.process_time() - began) / 100)
    return best, np.array(doses)


def our_seconds(acid, target=6.0):
    """Processor seconds of one dose among many, water and dose both solved; and doses."""
    w = waters(WATERS)
    best = np.inf
    for _ in range(5):
        began = time.process_time()
        added = acid_needed(known_water(**w).totals, target, acid=acid).added
        best = min(best, (time.process_time() - began) / WATERS)
    few = waters(CALLS)
    return best, acid_needed(known_water(**few).totals, target, acid=acid).added, added


def compare(acid, phase):
    """Print the ratio; the doses agree, so both did the same work."""
    theirs, expected = phreeqc_seconds(phase)
    ours, got, many = our_seconds(acid)
    print(
        f"\n{acid}: PHREEQC {theirs * 1e3:.3f} ms, ours {ours * 1e6:.2f} us, {theirs / ours:.0f} x"
    )
    assert np.isfinite(many).all()
    assert np.abs(got / expected - 1).max() < 0.03
    return theirs / ours


def test_acetic_doses_are_a_hundred_times_faster_than_phreeqc_calls():
    assert compare("acetic", "H(Acetate)") >= LEAST_RATIO


def test_citric_doses_are_a_hundred_times_faster_than_phreeqc_calls():
    assert compare("citric", "H3(Citrate)") >= LEAST_RATIO
