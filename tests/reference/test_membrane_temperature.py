"""Flow of a membrane by temperature, against a printed table of temperature correction.

Source: temperature correction factors of thin-film membranes as suppliers print them (rated at
25 °C; rated flow divided by the factor is the flow); read from a supplier's chart in 2026.
The drain's two figures: EPA WaterSense, supporting statement of the draft specification for
point-of-use reverse osmosis systems (2022), typical and labelled units.
"""

import pytest

from doughlab.formula.sizing import DRAIN, membrane_flow_share, size_membrane

PRINTED = {
    10: 1.711, 11: 1.648, 12: 1.588, 13: 1.530, 14: 1.475, 15: 1.422, 16: 1.371, 18: 1.276,
    20: 1.189, 22: 1.109, 24: 1.035, 25: 1.000, 26: 0.971, 27: 0.943, 28: 0.915, 29: 0.889,
}  # fmt: skip


@pytest.mark.parametrize(("tap_c", "factor"), PRINTED.items())
def test_the_share_of_the_rated_flow_is_one_over_the_printed_factor(tap_c, factor):
    assert 1.0 / membrane_flow_share(tap_c) == pytest.approx(factor, abs=0.0025)


def test_a_membrane_rated_1800_at_15_c_gives_1266():
    """The worked example beside that table."""
    assert 1800 * membrane_flow_share(15) == pytest.approx(1266, abs=2)


def test_litres_to_the_drain_are_those_of_labelled_and_typical_units():
    assert DRAIN == (2.3, 5.0)
    found = size_membrane(10, tap_c=25)
    assert found.drain_l == pytest.approx((23.0, 50.0))
    assert found.feed_l == pytest.approx((33.0, 60.0))
