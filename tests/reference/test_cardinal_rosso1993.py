"""The cardinal model against its equation worked by hand and published growth temperatures.

Equation: Rosso, Lobry, Flandrois (1993), J. Theor. Biol. 162, 447-463 (equation 2; seen as code in
two public repositories, the page from memory).
Baker's yeast: Salvado et al. (2011), Appl. Environ. Microbiol. 77, 2292, abstract: optimum 32.3 C,
maximum 45.4 C; minimum across the genus 1.3 to 4.3 C.
Sourdough: a public page by the first author of Gänzle et al. (1998), Appl. Environ. Microbiol. 64,
2616: lactobacilli optimum 32 to 33 C, generation time doubled at 20 and 37 C, fourfold at 15 and
39 C, no growth at 4 and 41 C; yeasts optimum 28 C, doubled at 20 and 32 C, fourfold at 14 and
34 C, none at 8 and 35 C.
"""

from fractions import Fraction

import pytest

from doughlab.formula.ripening import CardinalModel, cardinal_model


def by_hand(t, low, best, high):
    """The equation in exact fractions, written out term by term."""
    t, low, best, high = (Fraction(str(v)) for v in (t, low, best, high))
    top = (t - high) * (t - low) * (t - low)
    first = (best - low) * (t - best)
    second = (best - high) * (best + low - 2 * t)
    return float(top / ((best - low) * (first - second)))


def test_worked_by_hand():
    """(15 - 40)(15 - 0)^2 / (30 (30 (15 - 30) - (30 - 40)(30 + 0 - 30))) = 5625/13500."""
    model = CardinalModel(0, 30, 40, reference_c=30)
    assert model.rate(15.0) == pytest.approx(5625 / 13500, abs=1e-14)


@pytest.mark.parametrize("t", [3.0, 4, 10, 16.5, 20, 24, 27, 32.3, 38, 45])
def test_equation_in_exact_fractions(t):
    model = cardinal_model("yeast")
    expected = by_hand(t, 2.8, 32.3, 45.4)
    assert model.share_of_best(t) == pytest.approx(expected, rel=1e-12)


def test_bakers_yeast_has_the_published_temperatures():
    model = cardinal_model("yeast")
    assert model.optimum_c == 32.3 and model.maximum_c == 45.4
    assert 1.3 <= model.minimum_c <= 4.3
    assert model.minimum_c == pytest.approx((1.3 + 4.3) / 2)


@pytest.mark.parametrize(("temp_c", "slower"), [(20, 2), (15, 4)])
def test_lactobacilli_on_the_cold_side(temp_c, slower):
    """Generation times are told in whole factors: half a unit of 2 and of 4 is 2 +- 0.5."""
    found = 1.0 / cardinal_model("sourdough bacteria").share_of_best(temp_c)
    assert found == pytest.approx(slower, abs=0.5)


def test_sourdough_yeast_at_twice_the_generation_time():
    """Cold side only: above the optimum the equation falls later than the published figures."""
    found = 1.0 / cardinal_model("sourdough yeast").share_of_best(20)
    assert found == pytest.approx(2, abs=0.5)


@pytest.mark.parametrize(
    ("organism", "temps"), [("sourdough bacteria", (4, 41)), ("sourdough yeast", (8, 35))]
)
def test_no_growth_where_none_is_told(organism, temps):
    assert [cardinal_model(organism).rate(t) for t in temps] == [0.0, 0.0]


def test_yeast_near_27_c_agrees_with_ten_per_cent_per_degree_roughly():
    """A trade article says about 10 % per degree near 25 to 30 C; growth gives 3 to 11 %."""
    model = cardinal_model("yeast")
    steps = [model.rate(t + 1) / model.rate(t) - 1 for t in (21, 25, 29)]
    assert all(0.01 < s < 0.12 for s in steps)
