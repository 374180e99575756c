"""Window pictures: what is drawn, not pixels; the numbers drawn are those of the decision."""

import importlib.util
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.colors import to_hex

import doughlab as dl
from doughlab.decision.window import WindowFound
from doughlab.errors import NotEstimable, UnknownName
from doughlab.report.style import CRUST, LEVEL_COLOURS, LEVEL_MARKERS
from doughlab.report.window_pictures import plot_share, window_panels


@pytest.fixture(scope="module")
def decision():
    """Three waters at two water temperatures on four days, invented; pH only."""
    name = "doughlab_tests_kitchen"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "analysis" / "kitchen.py"
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    kitchen = sys.modules[name]
    text = kitchen.WATERS_PH + "\n[window]\nlow = 5.35\nhigh = 5.75\n"
    return dl.decide(kitchen.invent(text, kitchen.usual_truth))


@pytest.fixture(scope="module")
def picture(decision):
    return dl.picture_window(decision)


def lines(ax, name):
    return [line for line in ax.get_lines() if line.get_gid() == name]


def test_every_water_has_its_colour_and_marker(decision, picture):
    panels = window_panels(decision)
    assert [p.words for p in panels] == ["tap", "reverse osmosis", "bottled"]
    tops = picture.fig.axes[::2]
    assert len(picture.fig.axes) == 2 * len(panels)
    for i, ax in enumerate(tops):
        assert to_hex(lines(ax, "mean")[0].get_color()) == LEVEL_COLOURS[i]
        assert lines(ax, "balls")[0].get_marker() == LEVEL_MARKERS[i]


def test_curves_are_those_of_the_decision_and_stop_at_the_tried_holds(decision, picture):
    course = window_panels(decision)[0].course
    top, under = picture.fig.axes[:2]
    drawn = lines(top, "mean")[0]
    assert np.allclose(drawn.get_ydata(), course.mean)
    assert (min(drawn.get_xdata()), max(drawn.get_xdata())) == (24.0, 72.0)
    assert np.allclose(lines(under, "share")[0].get_ydata(), 10 * course.share)
    for name in ("range", "batch", "ball"):
        assert len(lines(top, name)) == 2
    assert lines(under, "enough")[0].get_ydata()[0] == 8.0
    assert [float(t) for t in under.get_xticks()] == [24.0, 48.0, 72.0]


def test_window_is_a_band_on_the_same_heights_everywhere(picture):
    tops = picture.fig.axes[::2]
    assert {tuple(ax.get_ylim()) for ax in tops} == {tops[0].get_ylim()}
    edges = sorted(line.get_ydata()[0] for line in lines(tops[1], "window"))
    assert edges == [5.35, 5.75]


def test_raw_balls_are_those_of_the_settings_drawn(decision, picture):
    balls = decision.courses.balls
    own = balls[(balls["water"] == "bottled")
                & (balls["mixing_water"] == decision.recommended["mixing_water"])]  # fmt: skip
    drawn = lines(picture.fig.axes[4], "balls")[0]
    assert sorted(drawn.get_ydata()) == sorted(own["y"])


def test_text_and_caption_carry_the_numbers_drawn(decision, picture):
    course = window_panels(decision)[0].course
    alt = picture.alt.replace("\N{NO-BREAK SPACE}", " ")
    assert f"tap: enters {course.opens}, leaves {course.closes}; a new batch enters " in alt
    assert "of 10 new balls inside, with 95 % ranges: 24 h " in alt
    assert picture.caption.endswith("Nothing is drawn beyond the holds that were tried.")
    assert "dotted: 8 of 10" in picture.caption


def test_one_water_alone_is_the_recommended_one(decision):
    assert decision.recommended["water"] in [t.get_text() for t in dl.plot_window(decision).texts]
    ax = plot_share(decision, "bottled")
    assert "bottled" in [t.get_text() for t in ax.texts]
    assert any("8 of 10 inside: " in t.get_text() for t in ax.texts)


def test_unknown_water_names_the_known_ones(decision):
    with pytest.raises(UnknownName) as caught:
        dl.plot_window(decision, "botled")
    assert str(caught.value) == (
        "water 'botled' is not known. Did you mean 'bottled'? Known: bottled, reverse osmosis, tap."
    )


def test_without_a_window_or_holds_it_says_why(decision):
    window = WindowFound(None, None, "ph", False, "No band is given, and no bake was scored.")
    bare = SimpleNamespace(courses=None, window=window, settings=decision.settings, recommended={})
    with pytest.raises(NotEstimable) as caught:
        dl.plot_window(bare)
    assert str(caught.value) == "No band is given, and no bake was scored."
    bare.window = decision.window
    with pytest.raises(NotEstimable) as caught:
        dl.picture_window(bare)
    assert str(caught.value) == (
        "Fewer than two holds are recorded, so there are no hours to draw."
    )


def test_a_level_not_tried_at_these_settings_is_named(decision):
    courses = decision.courses
    kept = tuple(c for c in courses.each if c.setting["water"] != "bottled")
    known = {n: getattr(decision, n) for n in ("window", "settings", "recommended")}
    fewer = SimpleNamespace(courses=replace(courses, each=kept), **known)
    assert len(window_panels(fewer)) == 2
    with pytest.raises(NotEstimable) as caught:
        dl.plot_window(fewer, "bottled")
    assert str(caught.value) == (
        "'bottled' was not tried at these settings, so nothing can be drawn."
    )


def test_the_ends_of_the_window_are_ticks_and_no_letters_stand_on_the_curves(picture):
    for ax in picture.fig.axes[::2]:
        ticks = {label.get_text(): to_hex(label.get_color()) for label in ax.get_yticklabels()}
        assert ticks["5.35"] == ticks["5.75"] == CRUST
        places = sorted(ax.get_yticks())
        low, high = ax.get_ylim()
        assert min(b - a for a, b in pairwise(places)) > 0.1 * (high - low)
        assert [t.get_text() for t in ax.texts if "window" in t.get_text()] == []
