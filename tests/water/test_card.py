"""The card of the wall, its later check, and the drift of a supply."""

import re
from html import escape

import numpy as np
import pytest

from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.water import AcidProduct, WaterSample, fit_titration
from doughlab.water.card import build_card, check_card
from doughlab.water.cautions import list_cautions
from doughlab.water.dosing import dose_table
from doughlab.water.drift import check_drift

TAP = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, sodium_mg_l=20, temp_c=18)
VINEGAR = AcidProduct("white vinegar", 5, "w/v")


@pytest.fixture(scope="module")
def card():
    return build_card(TAP, water="tap", water_kg=12, product=VINEGAR, made_on="2026-03-05")


def test_lines_rise_in_grams_as_the_ph_falls(card):
    grams = [r.product_g for r in card.rows]
    assert grams == sorted(grams)
    assert all(r.low_g < r.product_g < r.high_g for r in card.rows)
    assert card.rows[0].target_ph == 7.0


def test_grams_of_the_card_give_its_ph(card):
    curve = dose_table(TAP, [r.product_g for r in card.rows], acid="acetic", water_kg=12,
                       product=VINEGAR)  # fmt: skip
    assert np.abs(curve["ph_closed"] - [r.target_ph for r in card.rows]).max() < 0.005


def test_text_of_the_card_keeps_to_the_page(card):
    lines = str(card).splitlines()
    assert len(lines) <= 18  # nine lines of grams, what they hold for, the cautions
    assert max(map(len, lines)) <= 80
    assert card.lines[-1] == "Weigh it, stir gently, then check with the meter."


def test_every_card_carries_the_cautions_on_acid_and_water(card):
    said = " ".join(str(card).split())
    for words in ("then check with the meter", "Food-grade acid only", "Eyes and skin",
                  "Never near chlorine sanitiser (toxic gas)", "Not in a sealed container",
                  "not into plumbed lines", "drinkability not judged"):  # fmt: skip
        assert words in said
    page = card._repr_html_()
    assert page.startswith("<div><p><b>tap, 12 kg: grams of white vinegar</b></p>")
    for row, line in zip(card.rows, card.lines[-1 - len(card.rows) :], strict=False):
        cells = re.search(rf"<tr><td>{row.target_ph:.2f}</td>(.*?)</tr>", page)[1]
        assert re.findall(r"<td>(.*?)</td>", cells) == re.split(r"\s{2,}", line.strip())[1:]
    for caution in list_cautions():
        assert caution in card.cautions
        assert escape(caution) in page


def test_card_of_a_well_and_of_bottled_lemon_says_its_own_cautions_first():
    well = WaterSample("well", kind="well", ph=7.6, alkalinity_mg_l=30, hardness_mg_l=40)
    lemon = AcidProduct.lemon_juice(bottled=True)
    card = build_card(well, water="well", water_kg=2, product=lemon, acid="citric")
    said = " ".join(str(card).split())
    assert "Laboratory test before anybody tastes it." in said
    assert "Bottled lemon juice may carry sulphites" in said
    assert "Water of low alkalinity attacks metal: use plastic, glass or stainless steel." in (
        card.cautions
    )
    assert "attacks metal" in card._repr_html_()


def test_card_of_a_titration_uses_its_own_bottle(card):
    points = [(0, 7.9), (1.0, 6.74), (2.0, 6.27), (3.0, 5.82)]
    fit = fit_titration(points, sample_kg=1, product=VINEGAR)
    own = build_card(fit, water="tap", water_kg=12, product=VINEGAR)
    by_ph = {r.target_ph: r.product_g for r in own.rows}
    assert by_ph[6.0] == pytest.approx(next(r.product_g for r in card.rows if r.target_ph == 6.0),
                                       rel=0.03)  # fmt: skip
    with pytest.raises(InputError, match="a card for another bottle needs its own titration"):
        build_card(fit, water="tap", water_kg=12, product=AcidProduct("house vinegar", 6))


def test_a_reading_that_fits_keeps_the_card(card):
    grams = card.rows[4].product_g
    check = check_card(card, product_g=grams / 2, water_kg=6, ph_read=6.05)
    assert check.agrees
    assert str(check) == (
        f"read pH 6.05, the card says 6.00 ({check.low:.2f} to {check.high:.2f}): the card still "
        "fits."
    )


@pytest.mark.parametrize(("ph", "words"), [(6.6, "takes more acid"), (5.4, "takes less acid")])
def test_a_reading_that_does_not_fit_says_why(card, ph, words):
    check = check_card(card, product_g=card.rows[4].product_g, water_kg=12, ph_read=ph)
    assert not check.agrees
    assert words in check.advice
    assert "titrate anew" in check.advice


def test_grams_beyond_the_card_are_refused(card):
    with pytest.raises(OutOfRange, match="lies outside this card"):
        check_card(card, product_g=500, water_kg=12, ph_read=4.0)


def test_no_card_for_a_water_below_its_lines():
    with pytest.raises(InputError, match="no line of the card lies below it"):
        build_card(TAP.changed(ph=5.0), water="tap", water_kg=12, product=VINEGAR)


def measured(alkalinity, day, pct=5.0):
    """One titration of the year."""
    return WaterSample("tap", ph=7.8, alkalinity_mg_l=alkalinity, sampled_at=day,
                       uncertainty_pct=pct, said_by="own titration")  # fmt: skip


def test_a_steady_supply_keeps_its_card():
    drift = check_drift([measured(150, "2026-01-10"), measured(153, "2026-04-10"),
                         measured(148, "2026-08-10")])  # fmt: skip
    assert drift.steady
    assert drift.slope_low < 0 < drift.slope_high
    assert "keep the card" in str(drift)


def test_a_supply_that_switches_is_seen_and_the_newest_used():
    drift = check_drift([measured(150, "2026-01-10"), measured(95, "2026-06-10")])
    assert not drift.steady
    assert drift.slope_mg_l_per_month is None
    assert "Use the newest (95 mg/L)" in drift.advice


def test_drift_by_hand():
    """Weighted mean and chi square of two values, 100 and 120, each 5 % (95 %)."""
    drift = check_drift([measured(100, "2026-01-10"), measured(120, "2026-06-10")])
    spread = np.array([5.0, 6.0]) / 1.96
    weight = 1 / spread**2
    mean = float(weight @ [100, 120] / weight.sum())
    assert drift.mean_mg_l == pytest.approx(mean)
    # chi square 26.2 with one degree of freedom: p = 2 (1 - Phi(sqrt 26.2)), far below 0.001
    assert drift.p_value < 1e-6


def test_trend_of_a_rising_supply():
    """10 mg/L a month put in; months of 30.4375 days."""
    days = ["2026-01-01", "2026-04-02", "2026-07-02", "2026-10-01"]  # 91 days apart
    rise = [150 + 10 * i * 91 / 30.4375 for i in range(4)]
    drift = check_drift([measured(a, d) for a, d in zip(rise, days, strict=True)])
    assert drift.slope_mg_l_per_month == pytest.approx(10, rel=1e-6)
    assert drift.slope_low > 0


def test_drift_asks_for_a_second_measurement_and_a_date():
    with pytest.raises(NotEstimable, match="two measurements"):
        check_drift([measured(150, "2026-01-10")])
    with pytest.raises(InputError, match="sampled_at 'spring' is not a date"):
        check_drift([measured(150, "spring"), measured(150, "2026-01-10")])
