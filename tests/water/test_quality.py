"""What does not fit together in a water is found; nothing is changed or guessed in silence."""

import pytest

from doughlab.errors import InputError
from doughlab.water import WaterSample
from doughlab.water.quality import bound_alkalinity, check_sample, ion_balance, saturation_index
from doughlab.water.site import guide_site

FULL = WaterSample(
    "tap", ph=7.8, alkalinity_mg_l=150, calcium_mg_l=60.06, magnesium_mg_l=12.14, sodium_mg_l=13.79,
    chloride_mg_l=28.35, sulphate_mg_l=38.40, temp_c=20,
)  # fmt: skip


def said(sample):
    """All findings in one text."""
    return " | ".join(str(p) for p in check_sample(sample))


def test_a_balanced_water_balances():
    """The tap of the PHREEQC table: 2 x 1.4987 + 2 x 0.4996 + 0.6 on the side of the cations."""
    balance = ion_balance(FULL)
    assert balance.cations_meq_l == pytest.approx(4.597, abs=0.01)
    assert abs(balance.error_pct) < 0.5
    assert balance.missing == ("potassium", "nitrate")
    assert "do not balance" not in said(FULL)


def test_a_typing_slip_in_sodium_shows_in_the_balance():
    assert "the ions do not balance" in said(FULL.changed(sodium_mg_l=137.9))


def test_balance_is_refused_without_what_it_needs():
    with pytest.raises(InputError, match="no ion balance without the alkalinity"):
        ion_balance(WaterSample("tap", calcium_mg_l=40))
    with pytest.raises(InputError, match="without hardness or sodium"):
        ion_balance(WaterSample("tap", alkalinity_mg_l=40))


def test_saturation_index_equals_phreeqc():
    """PHREEQC 3 (phreeqpython 1.6.2): calcite SI 0.310 for this water."""
    low, high = saturation_index(FULL)
    assert low == high == pytest.approx(0.310, abs=0.02)


def test_saturation_index_is_a_range_where_only_hardness_is_known():
    part = FULL.changed(calcium_mg_l=None, magnesium_mg_l=None, hardness_mg_l=200)
    low, high = saturation_index(part)
    assert low < 0.310 < high
    with pytest.raises(InputError, match="without calcium or hardness"):
        saturation_index(WaterSample("tap", ph=7.8, alkalinity_mg_l=150))


def test_missing_alkalinity_is_bounded_by_the_other_ions():
    low, high = bound_alkalinity(FULL.changed(alkalinity_mg_l=None))
    assert low < 150 < high
    with pytest.raises(InputError, match="cannot be bounded without sodium, chloride"):
        bound_alkalinity(WaterSample("tap", hardness_mg_l=200, sulphate_mg_l=3))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"free_chlorine_mg_l": 2.0, "total_chlorine_mg_l": 1.0}, "free chlorine 2 above total"),
        ({"hardness_mg_l": 20}, "hardness 20 mg/L does not fit calcium and magnesium (200 mg/L)"),
        ({"ph": 3.5}, "would hold more CO2 than any bottle"),
        ({"conductivity_us_cm": 2500}, "is unusual (70 to 130 per meq/L are)"),
        ({"conductivity_us_cm": 460, "dissolved_solids_mg_l": 460}, "do not fit; a pocket meter's"),
        ({"kind": "softened"}, "the softener is off, bypassed or due"),
        ({"kind": "softened"}, "a softener keeps the alkalinity"),
        ({"kind": "reverse osmosis"}, "or the membrane is due"),
        ({"kind": "bottled", "ph": 9.4}, "its alkalinity, not its pH, decides the acid"),
        ({"alkalinity_mg_l": 300}, "more alkalinity than hardness"),
        ({"ph": 7.0}, "standing open its pH rises to about 8."),
        ({"alkalinity_mg_l": 12, "ph": 7.0}, "no steady pH, and it attacks metal"),
        ({"ph": 8.6}, "scale forms when warmed"),
        ({"ph": 6.8}, "dissolves scale and metal"),
        ({"conductivity_us_cm": 60}, "an ordinary electrode errs (ASTM D5464)"),
        ({"temp_c": None}, "the temperature of the pH reading is missing"),
        ({"free_chlorine_mg_l": 0.1, "total_chlorine_mg_l": 1.5}, "standing does not remove it"),
        ({"kind": "well"}, "laboratory before anybody tastes: water from a well"),
        ({"ph": 10.8, "alkalinity_mg_l": 10}, "cannot belong to one water"),
    ],
)  # fmt: skip
def test_each_oddity_is_named(changes, words):
    assert words in said(FULL.changed(**changes))


def test_a_plain_water_raises_nothing_that_is_wrong():
    found = check_sample(FULL.changed(conductivity_us_cm=460, dissolved_solids_mg_l=300, ph=8.2))
    assert [str(p) for p in found if p.level == "error"] == []


def test_contradictions_are_errors_and_the_rest_notes():
    levels = {p.level for p in check_sample(FULL.changed(ph=3.5))}
    assert "error" in levels
    assert {p.level for p in check_sample(FULL.changed(kind="softened"))} == {"note"}


def test_the_guide_starts_with_the_laboratory_where_it_must():
    well = guide_site(WaterSample("bore", kind="well"))
    assert well.next_step.what == "laboratory test"
    assert "bottled water" in well.meanwhile
    odd = guide_site(WaterSample("tap", smell="musty"))
    assert odd.steps[0].what == "laboratory test"


def test_the_guide_never_asks_to_taste_a_well():
    assert all("taste of" not in s.what for s in guide_site(WaterSample("b", kind="well")).steps)
    assert "taste" in guide_site(WaterSample("tap")).steps[0].what


def test_the_guide_marks_what_is_done_and_asks_for_the_next():
    full = FULL.changed(smell="none", look="clear", sampling_point="kitchen", flush_min=2,
                        free_chlorine_mg_l=0.2, total_chlorine_mg_l=0.3)  # fmt: skip
    guide = guide_site(full)
    assert guide.next_step.what.startswith("the same again on another day")
    assert guide_site(WaterSample("tap", smell="none", look="clear", sampling_point="k",
                                  flush_min=1)).next_step.what.startswith("alkalinity")  # fmt: skip


def test_the_guide_keeps_to_eighty_columns_and_says_what_carries_over():
    lines = guide_site(FULL).lines()
    assert max(map(len, lines)) <= 80
    text = " ".join(lines)
    assert "does not carry over: the grams of acid" in text
