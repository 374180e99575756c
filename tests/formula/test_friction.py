"""Friction is learned: few mixes are drawn to the usual figure, ranges cover, odd mixes refused."""

import numpy as np
import pytest

from doughlab.errors import OutOfRange
from doughlab.formula.friction import (
    PRIOR_RISE_C,
    MixRecord,
    factor_rule_friction,
    fit_friction,
)


def test_without_a_mix_it_is_the_usual_figure_and_a_wide_range():
    rise = fit_friction([]).foresee(minutes=10)
    assert rise.value_c == pytest.approx(PRIOR_RISE_C)
    assert rise.n == 0 and rise.high_c - rise.low_c > 8
    assert rise.words == (
        "usual figure, no source: no mix of yours has flour, water and dough measured"
    )


def test_few_mixes_are_drawn_to_the_usual_figure_and_many_are_not():
    pulls = []
    for n in (1, 3, 10, 60):
        rise = fit_friction([MixRecord(6.0, minutes=12, dough_kg=5)] * n).foresee(
            minutes=12, dough_kg=5
        )
        assert PRIOR_RISE_C < rise.value_c < 6.0
        pulls.append(6.0 - rise.value_c)
    assert pulls == sorted(pulls, reverse=True)
    assert pulls[0] > 0.3 and pulls[-1] < 0.05


def test_words_name_how_many_were_alike():
    mixes = [MixRecord(3.0, mixer="spiral")] * 2 + [MixRecord(4.0, mixer="fork")] * 7
    model = fit_friction(mixes)
    assert model.foresee(mixer="fork").words == "from 9 mixes of yours"
    assert model.foresee(mixer="spiral").words == (
        "from 9 mixes of yours, 2 of this kind: drawn to the usual figure"
    )
    assert fit_friction(mixes[:1]).foresee(mixer="spiral").words == (
        "from 1 mix of yours, 1 of this kind: drawn to the usual figure"
    )


def test_a_mixer_never_used_has_a_wider_range():
    model = fit_friction([MixRecord(3.0 + 0.1 * (i % 3), mixer="spiral") for i in range(20)])
    known, other = model.foresee(mixer="spiral"), model.foresee(mixer="fork")
    assert other.high_c - other.low_c > known.high_c - known.low_c
    assert known.mean_high_c - known.mean_low_c < known.high_c - known.low_c


def test_longer_mixing_and_heavier_doughs_are_told_apart():
    rng = np.random.default_rng(7)
    mixes = []
    for _ in range(80):
        minutes, kg = float(rng.uniform(6, 18)), float(rng.uniform(3, 20))
        rise = 2.0 + 0.25 * (minutes - 10) + 0.5 * np.log(kg / 8) + rng.normal(0, 0.3)
        mixes.append(MixRecord(float(rise), minutes, kg))
    model = fit_friction(mixes)
    short, long = (model.foresee(minutes=m, dough_kg=8).value_c for m in (8, 16))
    light, heavy = (model.foresee(minutes=10, dough_kg=k).value_c for k in (4, 16))
    assert long - short == pytest.approx(8 * 0.25, abs=0.25)
    assert heavy - light == pytest.approx(0.5 * np.log(4), abs=0.3)


@pytest.mark.parametrize("n", [3, 8, 25])
def test_ranges_hold_the_next_mix_at_their_rate(n):
    """Truth: kitchens with their own rise, slope and noise, drawn as wide as the belief says.

    Seed 11, 600 kitchens. 95 % within three standard errors of a share (2.7 points).
    """
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(600):
        noise = np.sqrt(4 * 0.8**2 / rng.chisquare(4))
        ratio = noise / 0.8
        level = PRIOR_RISE_C + ratio * rng.normal(0, 2.0)
        slope = 0.15 + ratio * rng.normal(0, 0.15)
        minutes = rng.uniform(8, 14, n + 1)
        truth = np.clip(level + slope * (minutes - 11) + rng.normal(0, noise, n + 1), -4.9, 19.9)
        model = fit_friction([MixRecord(t, m) for t, m in zip(truth[:n], minutes, strict=False)])
        rise = model.foresee(minutes=float(minutes[n]))
        held += rise.low_c <= truth[n] <= rise.high_c
    assert held / 600 == pytest.approx(0.95, abs=0.027)


def test_ranges_hold_in_an_ordinary_kitchen_too():
    """Truth fixed, not drawn: rise 3.4 C, noise 0.5 C; at least 93 % of next mixes, seed 12."""
    rng = np.random.default_rng(12)
    held = 0
    for _ in range(400):
        truth = rng.normal(3.4, 0.5, 9)
        rise = fit_friction([MixRecord(float(t), 12.0, 5.0) for t in truth[:8]]).foresee(
            minutes=12.0, dough_kg=5.0
        )
        held += rise.low_c <= truth[8] <= rise.high_c
    assert held / 400 > 0.93


def test_factor_rule_friction_finds_the_water_again():
    assert factor_rule_friction(24, flour_c=21, room_c=22, water_c=21) == 8
    assert factor_rule_friction(24, flour_c=21, room_c=22, water_c=25, preferment_c=20) == 8


def test_a_mix_that_cannot_have_been_is_refused():
    with pytest.raises(OutOfRange) as raised:
        MixRecord(31.0)
    assert str(raised.value) == (
        "A mix that warmed its dough by 31.0 °C lies outside -5 to 20 °C. Check the temperatures "
        "of flour, water and dough."
    )
    with pytest.raises(OutOfRange, match="minutes 0 of a mix must lie above 0"):
        MixRecord(3.0, minutes=0)
