"""Pictures of every day: what is drawn are the lots, limits and calls; what is said too."""

import numpy as np
import pytest

from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import example_recipe
from doughlab.daily.standing import find_standing
from doughlab.errors import MissingRecords
from doughlab.report import picture_daily, plot_daily, plot_daily_temperatures
from doughlab.report.daily_pictures import example_standing


@pytest.fixture(scope="module")
def month():
    return example_standing()


def drawn(ax, gid):
    return [line for line in ax.get_lines() if line.get_gid() == gid]


def test_every_lot_stands_at_its_day_and_ph(month):
    recipe, standing = month
    (line,) = drawn(plot_daily(recipe, standing), "lots")
    assert line.get_xdata() == pytest.approx(range(14))
    off = np.array([1, -2, 2, 0, -1, 3, -3, 1, 0, -1, 2, -2, 1, 20]) / 100
    assert line.get_ydata() == pytest.approx(5.56 + off)


def test_limits_lie_three_standard_deviations_about_the_centre(month):
    """The settled recipe's: lots 0.05, balls 0.03, so 3 sqrt(0.0034)."""
    recipe, standing = month
    places = sorted(line.get_ydata()[0] for line in drawn(plot_daily(recipe, standing), "limit"))
    half = 3 * (0.05**2 + 0.03**2) ** 0.5
    assert places == pytest.approx([5.56 - half, 5.56, 5.56 + half])


def test_only_the_lot_that_calls_is_marked(month):
    recipe, standing = month
    (mark,) = drawn(plot_daily(recipe, standing), "calls")
    assert list(mark.get_xdata()) == pytest.approx([13.0])
    assert standing.calls == (13,)


def test_cooler_and_room_are_drawn_in_the_unit_asked_for(month):
    _, standing = month
    ax = plot_daily_temperatures(standing, show="F")
    (cooler,), (room,) = drawn(ax, "cooler"), drawn(ax, "room")
    assert cooler.get_ydata() == pytest.approx([38.3] * 14)
    assert room.get_ydata()[0] == pytest.approx(20.1 * 1.8 + 32)
    assert ax.get_ylabel() == "read at, °F"


def test_the_alternative_text_carries_the_numbers(month):
    recipe, standing = month
    alt = picture_daily(recipe, standing).alt
    assert alt.replace("\xa0", " ") == (
        "14 lots from 2026-04-01 to 2026-04-14, pH at 48 h; window 5.35 to 5.75; limits 5.39 to "
        "5.73, from the settled recipe. The last 5: 5.55, 5.58, 5.54, 5.57, 5.76. A chart called "
        "on 2026-04-14. Cooler 3.5 °C to 3.5 °C. Room 20.1 °C to 21.4 °C."
    )


def test_a_quiet_month_says_so():
    recipe = example_recipe()
    points = example_standing()[1].points
    rows = [{"lot": p.lot, "at": p.at, "hold_h": 48.0, "ph": p.ph, "room_c": None,
             "cooler_c": None} for p in points[:-1]]  # fmt: skip
    standing = find_standing(recipe, DailyRecords(readings=rows))
    picture = picture_daily(recipe, standing)
    said, _, key = picture.caption.partition(". ")
    assert said == "All lots lie as expected"
    assert key.startswith("Filled marks are lots, open marks their balls; shaded the window, 5.35")
    assert "the limits of the chart" in key
    assert picture.alt.endswith("No chart called.")


def test_without_a_lot_there_is_no_chart():
    recipe = example_recipe()
    with pytest.raises(MissingRecords) as caught:
        plot_daily(recipe, find_standing(recipe, DailyRecords()))
    assert str(caught.value) == ("No lot was read near the checkpoint yet, so there is no chart.")
