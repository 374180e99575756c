"""Pictures of a water: what is drawn are the numbers of the results, what is said too."""

import numpy as np
import pytest

from doughlab.errors import UnknownName
from doughlab.report import (
    picture_costs,
    picture_dose,
    picture_levers,
    plot_costs,
    plot_dose,
    plot_levers,
)
from doughlab.report.text import Texts
from doughlab.water import AcidProduct, WaterSample, acid_dose
from doughlab.water.costs import compare_costs, compare_levers
from doughlab.water.dosing import dose_table
from doughlab.water.supply import Supply, Use

TAP = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, sodium_mg_l=20, temp_c=18)
VINEGAR = AcidProduct("white vinegar", 5, "w/v")
READINGS = [(0.0, 7.9), (12.0, 6.74), (24.0, 6.27)]
BOTTLED = Supply("bottled", "bottled", price_per_l=0.32)
UNIT = Supply("unit", "reverse osmosis", price_per_l=0.004, purchase=1900, service_per_year=160)
TANK = Supply("tank", "tap", price_per_l=0.004)


@pytest.fixture(scope="module")
def table():
    return dose_table(TAP, np.linspace(0, 50, 51), acid="acetic", water_kg=12, product=VINEGAR)


@pytest.fixture(scope="module")
def dose():
    return acid_dose(TAP, 6.2, acid="acetic", water_kg=12, product=VINEGAR)


@pytest.fixture(scope="module")
def costs():
    return compare_costs([BOTTLED, UNIT, TANK], Use(dough_kg_per_year=20_000), currency="EUR")


def drawn(ax, gid):
    return [line for line in ax.get_lines() if line.get_gid() == gid]


def plain(text):
    return text.replace("\u2212", "-").replace("\u00a0", " ")


def test_both_curves_stand_where_the_table_puts_them(table):
    ax = plot_dose(table)
    for column in ("ph_closed", "ph_open"):
        (line,) = drawn(ax, column)
        assert np.array_equal(line.get_xdata(), table["grams"])
        assert np.array_equal(line.get_ydata(), table[column])
    assert [t.get_text() for t in ax.texts if t.get_fontweight() == "bold"] == ["closed", "open"]
    assert ax.get_xlabel() == "acid product, g"


def test_colour_does_not_carry_closed_and_open_alone(table):
    ax = plot_dose(table)
    styles = {drawn(ax, c)[0].get_linestyle() for c in ("ph_closed", "ph_open")}
    assert styles == {"-", "--"}


def test_target_is_marked_with_the_grams_and_their_range(table, dose):
    ax = plot_dose(table, dose=dose, readings=READINGS)
    (mark,), (span,) = drawn(ax, "dose"), drawn(ax, "range")
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (dose.product_g, 6.2)
    assert list(span.get_xdata()) == [dose.product_low_g, dose.product_high_g]
    (target,) = drawn(ax, "target")
    assert set(target.get_ydata()) == {6.2}
    (read,) = drawn(ax, "readings")
    assert list(zip(read.get_xdata(), read.get_ydata(), strict=True)) == READINGS
    assert read.get_markerfacecolor() == "none"
    assert ax.get_xlabel() == "white vinegar into 12 kg of water, g"


def test_the_mark_lies_on_the_closed_curve(table, dose):
    on_curve = np.interp(dose.product_g, table["grams"], table["ph_closed"])
    assert on_curve == pytest.approx(6.2, abs=0.02)  # the scale's step and 1 g between points


def test_alternative_text_of_a_dose_names_the_numbers(table, dose):
    picture = picture_dose(table, dose=dose, readings=READINGS)
    alt = plain(picture.alt)
    low, high = dose.product_low_g, dose.product_high_g
    assert f"{dose.product_g:.1f} g of white vinegar ({low:.1f} to {high:.1f})" in alt
    for i in (0, 12, 25, 50):
        assert f"{table['grams'][i]:.3g} g {table['ph_closed'][i]:.2f}" in alt
        assert f"{table['ph_open'][i]:.2f}" in alt
    assert "Readings: 0 g 7.90, 12 g 6.74 and 24 g 6.27." in alt


def test_caption_of_a_dose_ends_with_the_cautions(table, dose):
    caption = picture_dose(table, dose=dose).caption
    assert "then check with the meter" in caption
    for words in ("Food-grade acid only", "Eyes and skin", "chlorine sanitiser (toxic gas)",
                  "Never dose in a sealed container", "drinkability not judged"):  # fmt: skip
        assert words in caption
        assert words in picture_dose(table).caption


def test_cost_lines_marks_and_own_volume(costs):
    ax = plot_costs(costs)
    lines = drawn(ax, "cost")
    assert [list(line.get_ydata()) for line in lines] == [list(v) for v in costs.per_year.values()]
    assert len({line.get_color() for line in lines}) == 3
    ((crossing, kg),) = costs.shown_crossings()
    (ring,) = drawn(ax, "crossing")
    assert ring.get_xdata()[0] == pytest.approx(kg / 0.25 / 300)
    at = np.interp(kg, costs.dough_kg_per_year, costs.per_year[crossing.second])
    assert ring.get_ydata()[0] == pytest.approx(at, rel=1e-3)
    (own,) = drawn(ax, "own")
    assert own.get_xdata()[0] == pytest.approx(20_000 / 0.25 / 300)
    words = [t.get_text() for t in ax.texts]
    assert "cost a year, EUR" in words
    assert {"bottled", "unit", "tank"} <= set(words)
    assert ax.get_xlabel() == "balls a day"


def test_costs_along_kg_of_dough(costs):
    ax = plot_costs(costs, along="kg")
    assert list(drawn(ax, "cost")[0].get_xdata()) == list(costs.dough_kg_per_year)
    assert "kg of dough a year" in picture_costs(costs, along="kg").alt
    with pytest.raises(UnknownName):
        plot_costs(costs, along="litres")


def test_texts_of_costs_name_every_supply_and_crossing(costs):
    picture = picture_costs(costs)
    for name, cost in costs.at_use.items():
        assert f"{name} {cost:.0f} EUR" in picture.caption
    assert picture.caption.startswith("At 267 balls a day tank costs least: ")
    assert "tank is cheaper than unit at any volume" in picture.alt
    assert "ottled is cheaper below" in picture.caption
    assert "drink" not in picture.caption.replace("drinkability not judged", "")


def test_levers_cross_zero_only_where_they_decide():
    dear = Supply("bottled", "bottled", price_per_l=0.055)
    levers = compare_levers(dear, UNIT, Use(dough_kg_per_year=20_000), currency="EUR")
    ax = plot_levers(levers, most=5)
    bars = drawn(ax, "range")
    wanted = [(min(low, high), max(low, high)) for _, low, high in levers.ends[:5]]
    assert [tuple(bar.get_xdata()) for bar in bars] == wanted
    accent = {bar.get_color() for bar, (low, high) in zip(bars, wanted, strict=True)
              if low < 0 < high}  # fmt: skip
    other = {bar.get_color() for bar, (low, high) in zip(bars, wanted, strict=True)
             if not low < 0 < high}  # fmt: skip
    assert accent and other and not accent & other
    assert plain(ax.get_xlabel()) == "bottled - unit, cost a year, EUR"


def test_texts_of_levers_name_both_ends_and_what_decides():
    levers = compare_levers(BOTTLED, UNIT, Use(dough_kg_per_year=20_000))
    picture = picture_levers(levers)
    _, low, high = levers.ends[0]
    assert f"price of a litre (bottled) {low:+.0f} to {high:+.0f}" in plain(picture.alt)
    assert picture.caption.endswith("turns it around: none of them.")


def test_same_result_gives_the_same_bytes(table, dose, costs):
    assert picture_dose(table, dose=dose).png() == picture_dose(table, dose=dose).png()
    assert picture_costs(costs).svg() == picture_costs(costs).svg()


def test_words_can_be_replaced(table):
    texts = Texts({"line_closed": "chiuso"})
    assert "chiuso" in [t.get_text() for t in plot_dose(table, texts=texts).texts]
