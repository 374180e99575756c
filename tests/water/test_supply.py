"""Costs of a supply against sums by hand, and offers held against the need."""

import pytest

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water import WaterSample, supply_cost
from doughlab.water.break_even import break_even, cost_curve, find_levers
from doughlab.water.offers import (
    QUESTIONS,
    Offer,
    check_delivery,
    compare_offers,
    question_sheet,
)
from doughlab.water.supply import Part, Supply, Use

USE = Use(dough_kg_per_year=20_000, ball_g=250, hydration_pct=60, other_pct=3)
LITRES = 20_000 * 60 / 163 / 0.99821  # by hand
TAP = Supply("tap", "tap", price_per_l=0.004)
BOTTLED = Supply("bottled", "bottled", price_per_l=0.35)
UNIT = Supply(
    "unit", "reverse osmosis", price_per_l=0.004, waste_l_per_l=2, drain_per_l=0.003,
    purchase=2400, life_years=8, service_per_year=180,
    parts=(Part("membrane", 150, every_l=50_000, every_months=36), Part("carbon", 25, None, 6)),
)  # fmt: skip


def test_water_of_a_kg_of_dough():
    assert USE.water_kg_per_kg_dough == pytest.approx(60 / 163)
    assert USE.litres_per_year == pytest.approx(LITRES)


def test_cost_of_a_unit_by_hand():
    cost = supply_cost(UNIT, USE)
    by_hand = (
        LITRES * 0.004 + LITRES * 2 * (0.004 + 0.003) + 2400 / 8 + 180
        + 150 * max(LITRES / 50_000, 12 / 36) + 25 * 12 / 6
    )  # fmt: skip
    assert cost.per_year == pytest.approx(by_hand)
    assert sum(cost.shares.values()) == pytest.approx(cost.per_year)
    assert cost.per_kg_dough == pytest.approx(by_hand / 20_000)
    assert cost.per_ball == pytest.approx(by_hand / 20_000 * 0.25)
    assert cost.per_l == pytest.approx(by_hand / LITRES)


def test_a_part_is_replaced_by_volume_or_by_time_whichever_is_sooner():
    part = Part("membrane", 100, every_l=10_000, every_months=12)
    assert part.per_year(5_000) == 100
    assert part.per_year(30_000) == 300


def test_a_part_that_is_never_replaced_is_refused():
    with pytest.raises(InputError) as error:
        Part("lamp", 30)
    assert str(error.value) == (
        "lamp: say when it is replaced, every_l (litres) or every_months, or both."
    )


def test_break_even_is_where_the_costs_are_equal():
    even = break_even(BOTTLED, UNIT, USE)
    assert even.cheaper_below == "bottled"
    assert len(even.dough_kg_per_year) == 1
    at = Use(dough_kg_per_year=even.dough_kg_per_year[0], ball_g=250, hydration_pct=60, other_pct=3)
    assert supply_cost(BOTTLED, at).per_year == pytest.approx(supply_cost(UNIT, at).per_year)
    # by hand, below 50 000 L / 3 years: fixed 300 + 180 + 50 + 50 = 580 over 0.35 - 0.018 a litre
    assert at.litres_per_year == pytest.approx(580 / (0.35 - 0.018), rel=1e-6)


def test_no_break_even_says_which_is_cheaper_always():
    even = break_even(TAP, BOTTLED, USE)
    assert even.dough_kg_per_year == ()
    assert str(even) == "tap is cheaper than bottled at any volume."
    assert "below" in str(break_even(BOTTLED, UNIT, USE))


def test_levers_move_costs_by_what_their_share_says():
    levers = find_levers(BOTTLED, UNIT, USE, change_pct=20)
    first = levers[0]
    assert (first.supply, first.what) == ("bottled", "price_per_l")
    assert first.swing == pytest.approx(0.4 * supply_cost(BOTTLED, USE).per_kg_dough)
    swings = [lever.swing for lever in levers]
    assert swings == sorted(swings, reverse=True)
    bottle = first
    assert bottle.break_even_low > bottle.break_even_high  # a cheaper bottle moves it up


def test_cost_curve_falls_with_volume_for_a_unit_and_not_for_bottles():
    rows = cost_curve([BOTTLED, UNIT], USE, [5_000, 20_000, 80_000])
    assert rows[0]["unit"] > rows[1]["unit"] > rows[2]["unit"]
    assert rows[0]["bottled"] == pytest.approx(rows[2]["bottled"])


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (lambda: Supply("x", "river"), UnknownName),
        (lambda: Supply("x", price_per_l=-1), OutOfRange),
        (lambda: Supply("x", price_per_l="3"), InputError),
        (lambda: Use(dough_kg_per_year=0), OutOfRange),
        (lambda: Offer("x", rejection_pct=10), OutOfRange),
    ],
)
def test_impossible_numbers_are_refused(make, kind):
    with pytest.raises(kind):
        make()


def test_text_of_a_cost_names_the_largest_shares():
    text = str(supply_cost(UNIT, USE))
    assert text.startswith("unit: ")
    assert "purchase" in text
    assert max(map(len, text.splitlines())) <= 80


FEED = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, hardness_mg_l=200, temp_c=10)


def test_question_sheet_carries_the_need_and_every_question():
    sheet = question_sheet(USE, feed=FEED)
    assert f"{USE.litres_peak_day:.0f} on the busiest" in sheet
    assert "alkalinity 150 mg/L, hardness 200 mg/L" in sheet
    assert f"{len(QUESTIONS)}. " in sheet
    assert max(map(len, sheet.splitlines())) <= 80


def test_offers_that_cover_the_busiest_day_come_first():
    small = Offer("small", rejection_pct=97, litres_per_day=30, tank_l=5, waste_l_per_l=3,
                  purchase=900, service_per_year=100)  # fmt: skip
    large = Offer("large", rejection_pct=95, litres_per_day=200, tank_l=40, waste_l_per_l=1,
                  purchase=2400, service_per_year=150)  # fmt: skip
    reviews = compare_offers([small, large], USE, feed=FEED, feed_price_per_l=0.004)
    assert [r.offer.supplier for r in reviews] == ["large", "small"]
    assert reviews[0].peak_covered is True
    assert reviews[1].peak_covered is False
    # 3 % less a degree below 25 C: 200 x 0.97^15
    assert reviews[0].litres_per_day_cold == pytest.approx(200 * 0.97**15)
    assert reviews[0].water.alkalinity_mg_l == pytest.approx(150 * 0.05)
    assert "does not cover the busiest day" in " ".join(str(reviews[1]).split())


def test_unanswered_questions_are_listed_and_counted_as_nothing():
    review = compare_offers([Offer("terse", rejection_pct=96)], USE)[0]
    assert review.peak_covered is None
    assert "not answered, counted as nothing: litres a day, tank" in review.findings[-1]
    assert "rejection_pct" not in review.offer.unanswered
    with pytest.raises(InputError, match="no offer to compare"):
        compare_offers([], USE)


def test_delivered_water_is_held_against_the_promise():
    feed = WaterSample("tap", conductivity_us_cm=600, alkalinity_mg_l=150)
    good = check_delivery(WaterSample("ro", conductivity_us_cm=20), feed, promised_pct=96)
    assert good.as_promised
    assert good.rejection_pct == pytest.approx(100 * (1 - 20 / 600))
    bad = check_delivery(WaterSample("ro", conductivity_us_cm=60), feed, promised_pct=96)
    assert not bad.as_promised
    assert "measured 90.0 %: less. Read both again" in bad.findings[0]
    by_acid = check_delivery(WaterSample("ro", alkalinity_mg_l=6), feed, promised_pct=96)
    assert by_acid.by == "alkalinity"


def test_chlorine_after_a_unit_is_said():
    feed = WaterSample("tap", conductivity_us_cm=600)
    wet = WaterSample("ro", conductivity_us_cm=20, total_chlorine_mg_l=0.5)
    assert any(
        "carbon filter is due" in f for f in check_delivery(wet, feed, promised_pct=96).findings
    )


def test_a_check_that_says_nothing_is_refused():
    feed = WaterSample("tap", conductivity_us_cm=600)
    product = WaterSample("ro", alkalinity_mg_l=5)
    with pytest.raises(InputError, match="sampled on the same day"):
        check_delivery(product, feed, promised_pct=96)
    with pytest.raises(InputError, match="Sample between membrane and mixing valve"):
        check_delivery(feed, feed, promised_pct=96, added_back=True)
