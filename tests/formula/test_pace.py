"""The pace is learned from holds at several temperatures, refused where they are alike."""

import numpy as np
import pytest

from doughlab.errors import InputError, NotEstimable, UnknownName
from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.pace import PaceReading, fit_pace
from doughlab.formula.ripening import Q10Model, SquareRootModel

TEMPS = (3.0, 8.0, 16.0)
HOURS = {3.0: (24, 48, 72), 8.0: (16, 32, 48), 16.0: (8, 16, 24)}


def kitchen(rng, truth, *, batches=8, noise=0.02, batch_sd=0.03):
    """Truth: pH falls from 6.1 to 5.2 with 0.03 an equivalent hour at 4 C."""
    readings = []
    for b in range(batches):
        own = rng.normal(0, batch_sd)
        for temp in TEMPS:
            for hours in HOURS[temp]:
                stays = ((0.4, 22.0), (float(hours), temp))
                worth = equivalent_hours(TemperatureHistory.from_steps(stays), truth)
                value = 5.2 + 0.9 * np.exp(-0.03 * worth) + own + rng.normal(0, noise)
                readings.append(PaceReading(f"B{b}", float(value), stays))
    return readings


def test_the_factor_is_found_again():
    pace = fit_pace(kitchen(np.random.default_rng(3), Q10Model(3.2, reference_c=4.0)))
    assert pace.low < 3.2 < pace.high
    assert pace.high - pace.low < 1.0
    assert pace.model.rate(14.0) == pytest.approx(pace.value)
    assert (pace.n, pace.batches, pace.temps_c) == (72, 8, (3.0, 16.0))
    assert str(pace).startswith("factor for 10 °C 3.")
    assert pace.model.source == "learned from own holds"


def test_the_minimum_of_the_square_root_model_is_found_again():
    truth = SquareRootModel(-3.0, reference_c=4.0)
    pace = fit_pace(kitchen(np.random.default_rng(4), truth), kind="square root")
    assert pace.low < -3.0 < pace.high
    assert pace.model.rate(14.0) == pytest.approx(((14 - pace.value) / (4 - pace.value)) ** 2)
    assert str(pace).startswith("minimum -")


def test_the_cardinal_minimum_keeps_the_published_optimum():
    pace = fit_pace(
        kitchen(np.random.default_rng(5), SquareRootModel(-6.0, reference_c=4.0)), kind="cardinal"
    )
    assert pace.model.optimum_c == 32.3 and pace.model.maximum_c == 45.4
    assert pace.value < 3.0


def test_holds_alike_in_temperature_are_refused():
    alike = [PaceReading(f"B{i}", 5.8 - 0.01 * i, ((24.0 + i, 4.0),)) for i in range(8)]
    with pytest.raises(NotEstimable) as raised:
        fit_pace(alike)
    assert str(raised.value) == (
        "The holds stood at 4 to 4 °C: too alike to learn a pace from. Hold balls at "
        "temperatures 3 °C or more apart, none in a cooler above 5 °C (such as 1 and 4 °C), or "
        "ripen some in the room only, as long as the warm time of the kitchen allows; read them "
        "at two ages."
    )
    with pytest.raises(NotEstimable, match="No ball is recorded yet"):
        fit_pace([])


def test_one_age_at_each_temperature_cannot_tell_the_pace():
    """Two ages in all: level, change and pace are three unknowns on two spots."""
    rng = np.random.default_rng(6)
    readings = [
        PaceReading(f"B{i % 4}", 5.8 - 0.02 * (t > 4) + rng.normal(0, 0.01), ((24.0, t),))
        for i, t in enumerate([4.0, 10.0] * 8)
    ]
    with pytest.raises(NotEstimable, match="cannot tell"):
        fit_pace(readings)


def test_wrong_calls_are_refused():
    with pytest.raises(UnknownName, match="Did you mean 'q10'"):
        fit_pace([], kind="q1")
    odd = [PaceReading("B1", 5.0, ((-1.0, 4.0),)), PaceReading("B1", 5.0, ((9.0, 14.0),))]
    with pytest.raises(InputError, match="shorter than nothing"):
        fit_pace(odd)


@pytest.mark.slow
def test_ranges_of_the_factor_hold_the_truth_at_their_rate():
    """Truth 2.8; 150 trials of 6 batches, seed 9; within three standard errors (5.4 points)."""
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(150):
        pace = fit_pace(kitchen(rng, Q10Model(2.8, reference_c=4.0), batches=6))
        held += pace.low <= 2.8 <= pace.high
    assert held / 150 == pytest.approx(0.95, abs=0.054)
