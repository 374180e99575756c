"""Whatever water is asked about: a dose with its numbers in order, or a sentence; never a crash."""

import re
from collections import Counter

import numpy as np

from doughlab.errors import InputError
from doughlab.water import AcidProduct, WaterSample, acid_dose, base_dose
from doughlab.water.dose import Bench

PRODUCTS = {
    "acetic": AcidProduct("white vinegar", 5, "w/v"),
    "citric": AcidProduct.citric_powder(),
    "lactic": AcidProduct("lactic acid", 80, "w/w", acid="lactic"),
}
KINDS = ("tap", "well", "softened", "reverse osmosis", "bottled", "tank")
MORE = {"temp_c": (2, 40), "hardness_mg_l": (0, 400), "calcium_mg_l": (0, 120),
        "sodium_mg_l": (0, 300), "uncertainty_pct": (0, 100)}  # fmt: skip


def random_water(rng):
    """Any water: none to much alkalinity, sour to alkaline, most facts missing."""
    alkalinity = rng.choice([0.0, rng.uniform(0, 5), rng.uniform(5, 40), rng.uniform(40, 800)])
    more = {k: float(rng.uniform(*r)) for k, r in MORE.items() if rng.random() < 0.4}
    return WaterSample("w", kind=str(rng.choice(KINDS)), ph=float(rng.uniform(3.6, 9.8)),
                       alkalinity_mg_l=float(alkalinity), **more)  # fmt: skip


def asked(rng, water):
    """One question on a water: acid or soda, any vessel, a target at an edge or between."""
    target = float(rng.choice([4.5, 8.3, rng.uniform(4.5, 8.3)]))
    read_c = float(rng.uniform(2, 40)) if rng.random() < 0.4 else None
    bench = Bench(scale_g=0.001, read_temp_c=read_c)
    if rng.random() < 0.4:
        vessel = str(rng.choice(["closed", "open"]))
        return target, base_dose(water, target, water_kg=12, vessel=vessel, bench=bench)
    acid, vessel = str(rng.choice(list(PRODUCTS))), str(rng.choice(["closed", "covered", "open"]))
    return target, acid_dose(water, target, acid=acid, water_kg=12, product=PRODUCTS[acid],
                             vessel=vessel, bench=bench)  # fmt: skip


def test_every_answer_is_in_order_and_every_refusal_a_sentence():
    rng = np.random.default_rng(77)
    seen = Counter()
    for _ in range(110):
        try:
            target, dose = asked(rng, random_water(rng))
        except InputError as refusal:
            seen["refused"] += 1
            assert not re.search(r"\b(nan|inf)\b", str(refusal))
            continue
        seen[dose.vessel] += 1
        assert dose.product_low_g <= dose.product_g <= dose.product_high_g
        assert dose.ph_low <= dose.ph_reached <= dose.ph_high
        if dose.product_g > 0.1:  # a hundred steps of the scale
            assert abs(dose.ph_reached - target) < 0.03
        said = " ".join([str(dose), *map(str, dose.alternatives), *dose.notes])
        assert not re.search(r"\b(nan|inf)\b", said)
    assert all(seen[v] > 2 for v in ("closed", "covered", "open", "refused"))
