"""Two ready plans that say why waters differ: by their pH, by their hardness, by the rest of them.

Both are settings to copy; the kitchen and its waters are invented.
"""

import numpy as np
import pandas as pd
import pytest

from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision
from doughlab.settings import parse_settings
from doughlab.stats import fit_mixed
from doughlab.water import AcidProduct, WaterSample, acid_dose
from doughlab.water.targets import check_levels, planned_target
from doughlab.water.treatment import add_hardness, reverse_osmosis

HEAD = """
format = 1
name = "Why do our waters differ?"
code = "WHY"
source = "invented"
seed = 11
"""
TAIL = """
[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.10
balls = 2

[assumed.ph]
batch_sd = 0.03
ball_sd = 0.03
reading_sd = 0.01
lot_sd = 0.02                    # between two fillings of one water
"""

# A source x adjusted pH plan: every water as it comes, and every water brought to one pH.
# Read it like this: at "5.5 acetic" the waters have one pH, so what is left between them is the
# rest of them; within one water, "as is" against "5.5 acetic" is what its pH does.
SOURCE_X_PH = f"""{HEAD}
[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[[questions]]
text = "Is it only its pH?"
factor = "water_ph"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "reverse osmosis"]

[factors.water_ph]               # this name is known: the target is a gate before the flour
set = "batch"
kind = "category"
levels = ["as is", "5.5 acetic"] # one target that every water can be brought to with acid
title = "pH of the water"

[blocks]
days = 3
batches_per_day = 8              # every water at every pH twice a day
replicates = 6
water_lots = "day"               # each is filled and dosed once a day, for two batches
{TAIL}"""

# "Reverse osmosis with hardness added back": its row in waters.csv has the hardness of the tap and
# the alkalinity of the membrane's water. Against "reverse osmosis" only hardness differs, against
# "tap" everything but hardness.
HARDNESS_BACK = f"""{HEAD}
[[questions]]
text = "Is it the hardness?"
factor = "water"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "reverse osmosis", "hardness added back"]

[factors.water_ph]
set = "batch"
kind = "category"
levels = ["as is", "5.5 acetic"]

[blocks]
days = 4
batches_per_day = 6              # every water at every pH once a day
replicates = 4
water_lots = "batch"             # so each batch has a filling of its own
{TAIL}"""

TAP = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, hardness_mg_l=200, sodium_mg_l=20,
                  temp_c=18, said_by="report")  # fmt: skip
OSMOSIS = reverse_osmosis(TAP, rejection_pct=96).changed(name="reverse osmosis")
# 190 mg/L as CaCO3 is 1.898 mmol/L; as calcium chloride 1.898 x 110.984 = 210.7 mg/L (by hand)
BACK = add_hardness(OSMOSIS, {"calcium chloride": 210.7}).changed(name="hardness added back")
WATERS = {w.name: w for w in (TAP, OSMOSIS, BACK)}


def read(text):
    settings, problems = parse_settings(text)
    assert settings is not None, [str(p) for p in problems]
    assert problems == [] and check_levels(settings) == []
    return settings


def laid_out(settings):
    plan = build_plan(settings, waters=WATERS)
    layout = build_layout(settings, plan.batches, plan.balls, settings.responses["ph"])
    return plan, layout, choose_terms(settings, layout, settings.responses["ph"])


def water_ph(settings, row):
    """The pH that the water of a row truly has."""
    target = planned_target(settings, {"water_ph": row["water_ph"]})
    return WATERS[row["water"]].ph if target.ph is None else target.ph


def invent(settings, layout, *, by_ph=0.0, rest=None, seed=5):
    """Invent readings: 5.6, a slope along the water's pH, and the rest of each water."""
    rng, rest = np.random.default_rng(seed), rest or {}
    frame = pd.DataFrame(layout)
    lots, batches = frame["water_lot"].unique(), frame["batch"].unique()
    fillings = dict(zip(lots, rng.normal(0, 0.01, len(lots)), strict=True))
    mixes = dict(zip(batches, rng.normal(0, 0.01, len(batches)), strict=True))
    frame["y"] = [
        5.6 + by_ph * (water_ph(settings, row) - 5.5) + rest.get(row["water"], 0.0)
        + fillings[row["water_lot"]] + mixes[row["batch"]] + rng.normal(0, 0.01)
        for row in layout
    ]  # fmt: skip
    return frame


def contrast(fit, factor, level, other, **at):
    """Difference of two levels: estimate and half of its 95 % range."""
    table = fit.contrasts(factor, adjust="none", at=at)
    row = table[table["contrast"] == f"{level} - {other}"]
    sign = 1.0
    if row.empty:
        row, sign = table[table["contrast"] == f"{other} - {level}"], -1.0
    (row,) = row.to_dict("records")
    return sign * row["estimate"], (row["ci_high"] - row["ci_low"]) / 2


@pytest.mark.parametrize("text", [SOURCE_X_PH, HARDNESS_BACK], ids=["source", "hardness"])
def test_both_plans_build_and_can_tell_everything_apart(text):
    settings = read(text)
    plan, _, terms = laid_out(settings)
    assert len(plan.batches) == 24
    assert {"water", "water_ph", "water:water_ph"} <= set(terms.fixed)
    assert terms.not_estimable == ()
    assert not any("cannot be told" in n for n in terms.notes)


def test_fillings_of_the_source_plan_are_its_error_level():
    settings = read(SOURCE_X_PH)
    _, _, terms = laid_out(settings)
    assert terms.random == ("water_lot", "batch")
    for term in ("water", "water_ph", "water:water_ph"):
        assert terms.level[term] == "lot"


def test_every_water_of_both_plans_can_be_dosed_to_its_target():
    vinegar = AcidProduct("white vinegar", 5, "w/v")
    for water in WATERS.values():
        assert water.ph > 5.6
        dose = acid_dose(water, 5.5, acid="acetic", water_kg=100, product=vinegar)
        assert dose.ph_reached == pytest.approx(5.5, abs=0.02)


def test_the_source_plan_sees_the_margin():
    settings = read(SOURCE_X_PH)
    precision = plan_precision(settings, build_plan(settings))
    assert precision.warnings == ()
    assert precision.lines[0].based_on == "12 water lots"
    assert precision.lines[0].chances.found_80 < settings.responses["ph"].margin


def test_its_pH_is_told_from_the_rest_when_only_the_pH_acts():
    settings = read(SOURCE_X_PH)
    _, layout, terms = laid_out(settings)
    fit = fit_mixed(invent(settings, layout, by_ph=0.05), terms.formula, random=list(terms.random))
    own, half = contrast(fit, "water_ph", "as is", "5.5 acetic", water="tap")
    assert own == pytest.approx(0.05 * (TAP.ph - 5.5), abs=half) and own > half
    rest, half = contrast(fit, "water", "tap", "reverse osmosis", water_ph="5.5 acetic")
    assert abs(rest) < half
    both, half = contrast(fit, "water", "tap", "reverse osmosis", water_ph="as is")
    assert both == pytest.approx(0.05 * (TAP.ph - OSMOSIS.ph), abs=half)


def test_the_rest_is_told_from_its_pH_when_only_the_rest_acts():
    settings = read(SOURCE_X_PH)
    _, layout, terms = laid_out(settings)
    frame = invent(settings, layout, rest={"tap": 0.12})
    fit = fit_mixed(frame, terms.formula, random=list(terms.random))
    rest, half = contrast(fit, "water", "tap", "reverse osmosis", water_ph="5.5 acetic")
    assert rest == pytest.approx(0.12, abs=half) and rest > half
    own, half = contrast(fit, "water_ph", "as is", "5.5 acetic", water="tap")
    assert abs(own) < half


def test_the_water_with_hardness_added_back_is_what_it_says():
    assert BACK.known_hardness_mg_l == pytest.approx(200 * 0.04 + 190, rel=0.01)
    assert pytest.approx(TAP.known_hardness_mg_l, rel=0.02) == BACK.known_hardness_mg_l
    assert BACK.alkalinity_mg_l == OSMOSIS.alkalinity_mg_l == pytest.approx(6.0)
    assert BACK.kind == "adjusted" and "calcium chloride added" in BACK.treatment


@pytest.mark.parametrize(
    ("rest", "hardness", "others"),
    [
        ({"tap": 0.12, "hardness added back": 0.12}, 0.12, 0.0),  # it is the hardness
        ({"tap": 0.12}, 0.0, 0.12),  # it is all but the hardness
    ],
)
def test_hardness_is_told_from_the_rest_of_the_tap(rest, hardness, others):
    settings = read(HARDNESS_BACK)
    _, layout, terms = laid_out(settings)
    fit = fit_mixed(invent(settings, layout, rest=rest), terms.formula, random=list(terms.random))
    at = {"water_ph": "5.5 acetic"}
    found, half = contrast(fit, "water", "hardness added back", "reverse osmosis", **at)
    assert found == pytest.approx(hardness, abs=half) and half < 0.05
    found, half = contrast(fit, "water", "tap", "hardness added back", **at)
    assert found == pytest.approx(others, abs=half) and half < 0.05
