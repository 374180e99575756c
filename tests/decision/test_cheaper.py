"""A water is taken for its cost, or as less to do, never by its rank alone."""

import numpy as np
import pandas as pd
import pytest

from doughlab.decision import decide
from doughlab.decision.brief import option_line
from doughlab.decision.cheaper import compare_demands, find_first
from doughlab.decision.options import Demand
from doughlab.decision.to_do import list_to_do

DOSED = """
[factors.water_ph]
set = "batch"
kind = "category"
levels = ["as is", "6.2 acetic"]
title = "water pH"
"""
HOLDS = {"24": 0.30, "48": 0.0, "72": -0.30}


def flat(levels):
    return 5.55 + HOLDS[levels["hold"]]


@pytest.fixture(scope="module")
def dosed(kitchen, band):
    """Two waters, as they are and dosed, that all give the same dough."""
    text = kitchen.PLAIN.replace("replicates = 5", "replicates = 3").replace(
        'kind = "none"', 'days = 4')  # fmt: skip
    text = text.replace("[factors.hold]", DOSED + "\n[factors.hold]") + band
    spread = kitchen.Spread(day=0.005, batch=0.01, ball=0.01)
    waters = {"tap": {"kind": "tap"}, "bottled": {"kind": "bottled"}}
    return decide(kitchen.invent(text, flat, spread=spread, waters=waters))


def test_of_the_same_waters_the_one_with_less_to_do_is_taken(dosed):
    """No price is known: no bottles and no dose come before bottles and a dose."""
    assert dosed.recommended["water"] == "tap"
    assert dosed.recommended["water_ph"] == "as is"


def test_one_reading_does_not_decide_between_waters_that_start_alike(dosed):
    """A ball of a hundred is no difference; two are, and what costs less is no reason then."""
    waters = {"tap": {"kind": "tap"}, "bottled": {"kind": "bottled"}}
    table = pd.DataFrame({"water": ["bottled", "tap", "tap"],
                          "water_ph": ["as is", "6.2 acetic", "as is"],
                          "hold": ["48"] * 3})  # fmt: skip

    def first(*chance):
        return find_first(dosed.settings, table, np.array(chance), waters)

    assert first(0.990, 0.5, 0.985) == 2 and first(0.985, 0.5, 0.990) == 2
    assert first(0.990, 0.5, 0.970) == 0
    assert first(0.990, 0.989, np.nan) == 0  # a dose asks for as much as bottles do: no reason
    priced = {"tap": {"cost_per_l": 0.01}, "bottled": {"cost_per_l": 0.3}}
    assert find_first(dosed.settings, table, np.array([0.99, 0.1, 0.98]), priced) == 2


def test_what_a_water_asks_for_is_said_beside_it(dosed):
    choice = next(c for c in dosed.choices if c.factor.name == "water_ph")
    line = option_line(dosed, choice, choice.options[0])
    assert line.startswith("Water pH 6.2 acetic: the same pH, will do as well; ")
    assert "more to do: dosing acid" in line
    text = " ".join(dosed.text().split())
    dear = "which is cheaper is not known (cost_per_l in waters.csv); more to do: carrying bottles"
    assert dear in text


@pytest.mark.parametrize(
    ("one", "other", "why"),
    [
        (Demand(0.1), Demand(0.2), "cost"),
        (Demand(0.1, ("dosing acid", "blending")), Demand(0.2), "cost"),  # money comes first
        (Demand(0.2), Demand(0.1, ("dosing acid",)), ""),
        (Demand(0.2), Demand(0.2, ("dosing acid",)), "ease"),
        (Demand(None), Demand(0.2, ("dosing acid",)), "ease"),
        (Demand(None, ("blending",)), Demand(None, ("dosing acid",)), ""),
        (Demand(), Demand(), ""),
    ],
)
def test_cost_comes_first_then_fewer_things_to_do(one, other, why):
    assert compare_demands(one, other) == why
    assert not why or compare_demands(other, one) == ""  # never both ways


def test_a_dosed_blend_is_both(dosed):
    waters = {"tap": {"kind": "blend"}}
    setting = dosed.recommended | {"water": "tap", "water_ph": "6.2 acetic"}
    assert list_to_do(dosed.settings, setting, waters) == ("blending", "dosing acid")
