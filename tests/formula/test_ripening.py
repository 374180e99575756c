"""Ripening models: what holds for each of them by definition, and what they refuse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import InputError, UnknownName
from doughlab.formula.ripening import (
    ORGANISMS,
    CardinalModel,
    Q10Model,
    SquareRootModel,
    cardinal_model,
    explain_cold,
)

MODELS = [
    cardinal_model("yeast"),
    cardinal_model("sourdough bacteria"),
    cardinal_model("sourdough yeast"),
    SquareRootModel(-4.0),
    SquareRootModel(-4.0, maximum_c=42.0, bend=0.25),
    Q10Model(2.6),
]
NAMES = ["yeast", "bacteria", "sourdough yeast", "root", "root 4", "q10"]


@pytest.mark.parametrize("model", MODELS, ids=NAMES)
def test_an_hour_at_the_reference_is_an_hour(model):
    assert model.rate(model.reference_c) == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize("model", MODELS, ids=NAMES)
def test_no_rate_is_negative_and_arrays_equal_single_numbers(model):
    temps = np.linspace(-20, 60, 161)
    rates = model.rate(temps)
    assert rates.shape == temps.shape and (rates >= 0).all()
    assert [model.rate(float(t)) for t in temps] == pytest.approx(list(rates), rel=1e-14)


@pytest.mark.parametrize("organism", ORGANISMS)
def test_growth_is_zero_outside_its_temperatures_and_best_at_the_optimum(organism):
    model = cardinal_model(organism)
    assert model.rate(model.minimum_c) == 0 and model.rate(model.maximum_c) == 0
    assert model.rate(model.minimum_c - 5) == 0 and model.rate(model.maximum_c + 5) == 0
    temps = np.linspace(model.minimum_c, model.maximum_c, 4001)
    assert temps[np.argmax(model.rate(temps))] == pytest.approx(model.optimum_c, abs=0.01)
    assert model.share_of_best(model.optimum_c) == pytest.approx(1.0)


@given(st.floats(1.0, 10.0), st.floats(0, 40), st.floats(-5, 45))
def test_ten_degrees_are_worth_the_factor(q10, reference, temp):
    model = Q10Model(q10, reference_c=reference)
    assert model.rate(temp + 10) == pytest.approx(q10 * model.rate(temp), rel=1e-12)


def test_square_root_of_the_rate_is_a_straight_line():
    temps = np.array([0.0, 10.0, 20.0, 30.0])
    roots = np.sqrt(SquareRootModel(-4.0, reference_c=16.0).rate(temps))
    assert roots == pytest.approx((temps + 4.0) / 20.0)


def test_four_parameter_square_root_falls_to_zero_at_the_maximum():
    model = SquareRootModel(-4.0, maximum_c=42.0, bend=0.25)
    assert model.rate(42.0) == 0 and model.rate(50.0) == 0
    assert model.rate(36.0) > 0


def test_cardinal_temperatures_must_rise():
    with pytest.raises(InputError) as raised:
        CardinalModel(30, 20, 40)
    assert str(raised.value) == (
        "Cardinal temperatures 30, 20, 40 C: minimum, optimum and maximum must rise in this order."
    )


def test_an_optimum_below_the_middle_is_refused():
    with pytest.raises(InputError) as raised:
        CardinalModel(0, 19, 40)
    assert str(raised.value) == (
        "Optimum 19 C must lie above the middle of minimum and maximum (20 C); the cardinal "
        "model holds for such organisms only."
    )


def test_a_reference_without_growth_is_refused():
    with pytest.raises(InputError) as raised:
        cardinal_model("yeast", reference_c=2)
    assert str(raised.value) == (
        "Reference 2 C must lie between minimum 2.8 C and maximum 45.4 C, where the model's "
        "rate is not zero."
    )
    with pytest.raises(InputError, match="must lie above the minimum 5 C"):
        SquareRootModel(5.0, reference_c=4.0)


def test_a_factor_that_is_none_is_refused():
    with pytest.raises(InputError) as raised:
        Q10Model(0.4)
    assert str(raised.value) == (
        "q10 0.4 lies outside 1 to 10. It is the factor by which the dough ripens faster when it "
        "is 10 C warmer, usually 2 to 4."
    )
    with pytest.raises(InputError, match="bend 0 must lie above 0"):
        SquareRootModel(-4.0, maximum_c=42.0, bend=0.0)


def test_unknown_organism_suggests_the_nearest():
    with pytest.raises(UnknownName, match="Did you mean 'yeast'"):
        cardinal_model("yest")


def test_the_cold_is_said_to_be_guesswork_for_growth_only():
    said = explain_cold(cardinal_model("yeast"), 4.0)
    assert said == (
        "At 4 °C the growth model counts next to nothing, while a dough still sours: learn its "
        "pace in the cold from a trial with two hold temperatures."
    )
    assert explain_cold(Q10Model(2.6), 4.0) == ""


@pytest.mark.parametrize("model", MODELS, ids=NAMES)
def test_words_name_the_parameters(model):
    assert f"hours counted at {model.reference_c:g} °C" in model.words
