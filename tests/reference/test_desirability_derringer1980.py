"""The overall desirability of Derringer and Suich (1980), their tyre tread compound.

Derringer, G., Suich, R. (1980). Simultaneous optimization of several response variables. Journal of
Quality Technology 12(4), 214-219. Ends and targets of the first three responses as public summaries
of the article give them; those of hardness (60, 67.5, 75), the predicted responses at the printed
optimum and the desirabilities (as printed, three digits) from memory. The article is not open.
"""

import numpy as np
import pytest

from doughlab.decision.desirability import combine, peak, rise

PREDICTED = {"abrasion": 129.5, "modulus": 1300.0, "elongation": 465.7, "hardness": 68.0}
PRINTED = {"abrasion": 0.189, "modulus": 1.0, "elongation": 0.656, "hardness": 0.932}
OVERALL = 0.583


def parts():
    one = {name: np.array([value]) for name, value in PREDICTED.items()}
    return {
        "abrasion": rise(one["abrasion"], low=120, target=170),
        "modulus": rise(one["modulus"], low=1000, target=1300),
        "elongation": peak(one["elongation"], low=400, target=500, high=600),
        "hardness": peak(one["hardness"], low=60, target=67.5, high=75),
    }


@pytest.mark.parametrize("name", PREDICTED)
def test_each_desirability_is_that_of_the_article(name):
    """Half a unit of the last printed digit of the response, carried through the slope."""
    step = {"abrasion": 0.05 / 50, "modulus": 0.0, "elongation": 0.05 / 100, "hardness": 0.5 / 7.5}
    assert parts()[name][0] == pytest.approx(PRINTED[name], abs=step[name] + 0.0005)


def test_the_overall_desirability_is_that_of_the_article():
    """The printed parts make the printed whole; the rounded responses come within 0.002."""
    printed = [np.array([v]) for v in PRINTED.values()]
    assert combine(*printed)[0] == pytest.approx(OVERALL, abs=0.0005)
    assert combine(*parts().values())[0] == pytest.approx(OVERALL, abs=0.002)
