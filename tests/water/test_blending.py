"""Blends and treatments: what adds up adds up, the rest is solved."""

import pytest

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water import AcidProduct, WaterSample, acid_dose, blend_waters
from doughlab.water.blending import blend_to
from doughlab.water.dose import Bench
from doughlab.water.treatment import add_hardness, reverse_osmosis, soften

# The tap and reverse-osmosis waters of the PHREEQC mixing table, in mg/L (mmol/kg x molar mass x
# 0.99821 kg/L); 150 mg/L of alkalinity per kg there, so 149.7 per litre.
TAP = WaterSample(
    "tap", ph=7.8, alkalinity_mg_l=150 * 0.99821, calcium_mg_l=1.498698 * 40.078 * 0.99821,
    magnesium_mg_l=0.499566 * 24.305 * 0.99821, sodium_mg_l=0.6 * 22.990 * 0.99821,
    chloride_mg_l=0.799566 * 35.453 * 0.99821, sulphate_mg_l=0.399783 * 96.06 * 0.99821, temp_c=20,
    cost_per_l=0.003,
)  # fmt: skip
RO = WaterSample(
    "ro", kind="reverse osmosis", ph=5.8, alkalinity_mg_l=5 * 0.99821, calcium_mg_l=0,
    magnesium_mg_l=0, sodium_mg_l=0.149913 * 22.990 * 0.99821,
    chloride_mg_l=0.05 * 35.453 * 0.99821, sulphate_mg_l=0, temp_c=20, cost_per_l=0.02,
)  # fmt: skip


@pytest.mark.parametrize(
    ("share", "ph", "aired", "hardness"),
    [(0.10, 6.410, 7.742, 20), (0.25, 6.787, 8.055, 50), (0.50, 7.172, 8.312, 100),
     (0.75, 7.487, 8.462, 150), (0.90, 7.674, 8.528, 180)],
)  # fmt: skip
def test_blends_agree_with_phreeqc(share, ph, aired, hardness):
    """PHREEQC 3 through phreeqpython 1.6.2, MIX by mass, closed and at 417 ppm CO2."""
    blend = blend_waters([(TAP, share), (RO, 1 - share)])
    assert blend.sample.ph == pytest.approx(ph, abs=0.02)
    assert blend.ph_after_air == pytest.approx(aired, abs=0.02)
    assert blend.sample.known_hardness_mg_l == pytest.approx(hardness * 0.99821, rel=0.002)


def test_ph_of_a_blend_is_not_the_mean():
    assert blend_waters([(TAP, 1), (RO, 1)]).sample.ph - (7.8 + 5.8) / 2 > 0.3


def test_blending_with_itself_changes_nothing():
    blend = blend_waters([(TAP, 0.2), (TAP, 0.5), (TAP, 0.3)]).sample
    assert blend.ph == pytest.approx(TAP.ph, abs=1e-7)
    for field in ("alkalinity_mg_l", "calcium_mg_l", "sodium_mg_l", "sulphate_mg_l"):
        assert getattr(blend, field) == pytest.approx(getattr(TAP, field), rel=1e-12)


def test_any_number_of_waters_mix_as_two_steps_do():
    third = WaterSample("spring", kind="bottled", ph=7.2, alkalinity_mg_l=300, calcium_mg_l=90,
                        magnesium_mg_l=20, sodium_mg_l=5, chloride_mg_l=5, sulphate_mg_l=20,
                        temp_c=20)  # fmt: skip
    at_once = blend_waters([(TAP, 2), (RO, 1), (third, 1)]).sample
    first = blend_waters([(TAP, 2), (RO, 1)]).sample
    then = blend_waters([(first, 3), (third, 1)]).sample
    assert at_once.ph == pytest.approx(then.ph, abs=1e-4)
    assert at_once.alkalinity_mg_l == pytest.approx(then.alkalinity_mg_l)


def test_missing_values_stay_missing_and_are_said():
    label = WaterSample("spring", kind="bottled", ph=7.2, sodium_mg_l=5, temp_c=20)
    blend = blend_waters([(TAP, 1), (label, 1)])
    assert blend.sample.ph is None
    assert blend.sample.alkalinity_mg_l is None
    assert blend.sample.sodium_mg_l == pytest.approx((TAP.sodium_mg_l + 5) / 2)
    assert "pH or alkalinity of spring is missing" in blend.notes[0]
    assert blend_waters([(TAP, 1), (label, 0)]).sample.ph == pytest.approx(7.8, abs=1e-7)


def test_doubt_of_a_blend_adds_by_squares():
    blend = blend_waters([(TAP.changed(uncertainty_pct=10), 1), (RO.changed(uncertainty_pct=0), 1)])
    by_hand = 100 * (0.5 * TAP.alkalinity_mg_l * 0.10) / blend.sample.alkalinity_mg_l
    assert blend.sample.uncertainty_pct == pytest.approx(by_hand)


def test_blend_can_be_dosed():
    """PHREEQC: half tap, half reverse osmosis to pH 6.0, closed, 1.0541 mmol/kg of acetic acid."""
    blend = blend_waters([(TAP, 1), (RO, 1)]).sample
    dose = acid_dose(blend, 6.0, acid="acetic", water_kg=1, bench=Bench(scale_g=0.001),
                     product=AcidProduct("white vinegar", 5))  # fmt: skip
    assert dose.mmol_per_kg == pytest.approx(1.0541, rel=0.01)


def test_acid_in_the_parts_is_shared_out_by_mass():
    """By hand: 1 kg with 1 mmol and 3 kg with 2 mmol are 4 kg with 7 mmol, 1.75 mmol/kg."""
    one, two = (TAP.changed(ph=6.5, acid="acetic", acid_mmol_kg=n) for n in (1.0, 2.0))
    assert blend_waters([(one, 1), (two, 3)]).sample.acid_mmol_kg == pytest.approx(1.75)
    thin = blend_waters([(two, 1), (RO, 1)]).sample
    assert (thin.acid, thin.acid_mmol_kg) == ("acetic", pytest.approx(1.0))
    assert blend_waters([(one, 2), (one, 5)]).sample.acid_mmol_kg == pytest.approx(1.0)


def test_blend_that_reaches_a_target():
    blend = blend_to(TAP, RO, alkalinity_mg_l=77.5 * 0.99821)
    assert [share for _, share in blend.parts] == pytest.approx([0.5, 0.5])
    hard = blend_to(TAP, RO, hardness_mg_l=50 * 0.99821)
    assert hard.parts[0][1] == pytest.approx(0.25, abs=0.001)
    assert hard.sample.cost_per_l == pytest.approx(0.25 * 0.003 + 0.75 * 0.02, rel=0.01)


def test_target_outside_both_waters_is_refused_with_both_ends():
    with pytest.raises(InputError) as error:
        blend_to(
            TAP.changed(alkalinity_mg_l=150), RO.changed(alkalinity_mg_l=5), alkalinity_mg_l=200
        )
    assert str(error.value) == (
        "An alkalinity of 200 mg/L does not lie between tap (150) and ro (5). "
        "Choose a value between, or another water."
    )
    with pytest.raises(InputError, match="Ask for one thing"):
        blend_to(TAP, RO)
    with pytest.raises(InputError, match="tap: the hardness is missing"):
        bare = WaterSample("tap", ph=7.8, alkalinity_mg_l=150)
        blend_to(bare, RO, hardness_mg_l=20)


@pytest.mark.parametrize("shares", [(-1, 2), (float("nan"), 1)])
def test_impossible_shares_are_refused(shares):
    with pytest.raises(InputError, match="is not possible; use 0 or more"):
        blend_waters([(TAP, shares[0]), (RO, shares[1])])


def test_a_blend_of_nothing_is_refused():
    with pytest.raises(InputError, match="at least one water"):
        blend_waters([])


def test_the_laboratory_follows_a_well_through_blend_and_treatment():
    well = TAP.changed(name="well", kind="well")
    assert "water from a well" in blend_waters([(well, 1), (RO, 1)]).sample.needs_laboratory
    assert reverse_osmosis(well).needs_laboratory == "water from a well"
    assert soften(well).needs_laboratory == "water from a well"


def test_softener_swaps_hardness_for_sodium_and_keeps_the_alkalinity():
    soft = soften(TAP, hardness_left_mg_l=0)
    assert soft.alkalinity_mg_l == TAP.alkalinity_mg_l
    assert soft.known_hardness_mg_l == 0
    # two sodium for each calcium or magnesium: 2 x 1.998264 mmol/kg
    gained = (soft.sodium_mg_l - TAP.sodium_mg_l) / 22.990 / 0.99821
    assert gained == pytest.approx(2 * (1.498698 + 0.499566), rel=1e-3)
    # calcium no longer binds carbonate: a little more of it is free
    assert TAP.ph < soft.ph < TAP.ph + 0.1


def test_softener_without_hardness_says_what_is_missing():
    with pytest.raises(InputError, match="the hardness is missing"):
        soften(WaterSample("tap", ph=7.8, alkalinity_mg_l=150))
    with pytest.raises(InputError, match="cannot be softened to 500 mg/L"):
        soften(TAP, hardness_left_mg_l=500)


def test_reverse_osmosis_holds_ions_back_and_lets_carbon_dioxide_pass():
    ro = reverse_osmosis(TAP, rejection_pct=95)
    assert ro.alkalinity_mg_l == pytest.approx(TAP.alkalinity_mg_l * 0.05, rel=1e-6)
    assert ro.calcium_mg_l == pytest.approx(TAP.calcium_mg_l * 0.05, rel=1e-6)
    # by hand: the CO2 of the tap (pK1 6.3819 at 20 C) meets a twentieth of its bicarbonate
    assert ro.ph == pytest.approx(7.8 - 1.301, abs=0.1)


@pytest.mark.parametrize("pct", [20, 100])
def test_impossible_rejection_is_refused(pct):
    with pytest.raises(OutOfRange, match=r"lies outside 50 to 99\.9"):
        reverse_osmosis(TAP, rejection_pct=pct)


def test_hardness_added_back_moves_hardness_but_hardly_the_ph():
    hard = add_hardness(RO, {"calcium chloride": 110.984, "magnesium sulphate": 60.183})
    assert hard.known_hardness_mg_l == pytest.approx(1.5 * 100.0869, rel=1e-4)
    assert hard.alkalinity_mg_l == RO.alkalinity_mg_l
    assert hard.ph == pytest.approx(RO.ph, abs=0.05)
    with pytest.raises(UnknownName, match="Did you mean 'calcium chloride'"):
        add_hardness(RO, {"calcium cloride": 10})


def test_text_of_a_blend_keeps_to_the_page():
    lines = str(blend_waters([(TAP, 1), (RO, 1)])).splitlines()
    assert len(lines) <= 15
    assert max(map(len, lines)) <= 80


def test_hardness_left_by_a_membrane_is_kept_when_more_is_added_back():
    tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, hardness_mg_l=200, temp_c=18)
    osmosis = reverse_osmosis(tap, rejection_pct=96)
    hard = add_hardness(osmosis, {"calcium chloride": 110.984})
    # by hand: 4 % of 200 mg/L, and one mmol/L more, 100.0869 mg/L as CaCO3
    assert hard.known_hardness_mg_l == pytest.approx(8 + 100.0869)
    assert hard.chloride_mg_l == pytest.approx(2 * 35.453)
    assert hard.calcium_mg_l is None  # the membrane's share of it is not known
