"""The palette against published simulations of colour blindness; looks and style."""

import itertools

import numpy as np
import pytest

from doughlab.report import style
from doughlab.settings import Factor

# Machado, Oliveira and Fernandes (2009), A physiologically-based model for simulation of color
# vision deficiency, IEEE Transactions on Visualization and Computer Graphics 15, 1291-1298:
# matrices for severity 1.0 from the authors' page of the paper, applied to linear RGB.
MACHADO = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ, D65.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear_rgb(colour):
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(linear):
    """CIE 1976 L*a*b* (ISO/CIE 11664-4)."""
    ratio = TO_XYZ @ linear / TO_XYZ.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def seen(colour, eyes):
    linear = linear_rgb(colour)
    if eyes != "normal":
        linear = np.clip(np.array(MACHADO[eyes]) @ linear, 0, 1)
    return lab(linear)


def contrast(one, other):
    """WCAG 2.2, contrast ratio of relative luminances."""
    a, b = sorted((float(TO_XYZ[1] @ linear_rgb(c)) for c in (one, other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


def test_lab_of_white_and_red_are_those_of_the_standard():
    # White is L* 100 by definition; red #ff0000 is 53.24, 80.09, 67.20 in the usual tables (from
    # memory, checked to the digits that the four-digit sRGB matrix carries).
    assert lab(linear_rgb("#ffffff")) == pytest.approx([100, 0, 0], abs=0.02)
    assert lab(linear_rgb("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.05)


@pytest.mark.parametrize("eyes", ["normal", *MACHADO])
def test_level_colours_stay_apart_to_all_eyes(eyes):
    for one, other in itertools.combinations(style.LEVEL_COLOURS, 2):
        distance = np.linalg.norm(seen(one, eyes) - seen(other, eyes))
        assert distance >= 20, (one, other, round(distance, 1))


@pytest.mark.parametrize("eyes", ["normal", *MACHADO])
def test_accent_is_told_from_every_level_colour(eyes):
    for colour in style.LEVEL_COLOURS:
        assert np.linalg.norm(seen(colour, eyes) - seen(style.CRUST, eyes)) >= 20, colour


def test_level_colours_stay_apart_in_grey_print():
    lightness = sorted(lab(linear_rgb(c))[0] for c in style.LEVEL_COLOURS)
    assert np.diff(lightness).min() >= 7.5


TEXT = [(style.INK, 7), (style.SOFT_INK, 4.5), (style.CRUST, 4.5)]
MARKS = [(colour, 3) for colour in style.LEVEL_COLOURS]


@pytest.mark.parametrize("ground", [style.PAPER, style.MARGIN_BAND, style.WINDOW_BAND])
@pytest.mark.parametrize(("colour", "least"), TEXT + MARKS)
def test_ink_is_readable_on_paper_and_on_both_bands(colour, least, ground):
    # WCAG 2.2: 3 for graphical objects, 4.5 for text, 7 for enhanced text.
    assert contrast(colour, ground) >= least


def test_thirty_six_levels_have_different_looks():
    looks = style.assign_looks([f"w{i}" for i in range(36)])
    assert len({(look.colour, look.marker) for look in looks.values()}) == 36
    assert len({look.dashes for look in list(looks.values())[:6]}) == 6


def test_water_carries_the_colour_and_keeps_it_by_its_place():
    hold = Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0))
    water = Factor("water", "batch", "water", ("tap", "bottled", "osmosis"))
    looks = style.build_looks([hold, water])
    assert looks.factor == "water"
    assert looks.of("water", "osmosis").colour == style.LEVEL_COLOURS[2]
    assert looks.of("hold", "48") == style.PLAIN
    assert style.build_looks([hold]).factor == "hold"


def test_style_leaves_no_trace():
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    with style.use_style():
        assert mpl.rcParams["svg.hashsalt"] == "doughlab"
    assert dict(mpl.rcParams) == before
