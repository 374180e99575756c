"""What a dose advises beside its grams: whole sentences, none that leads a cook astray."""

import math
import re

import numpy as np
import pytest

from doughlab.errors import InputError, OutOfRange
from doughlab.water import AcidProduct, WaterSample, acid_dose, base_dose, blend_waters
from doughlab.water.alternatives import base_ceiling
from doughlab.water.calcite import try_calcite
from doughlab.water.cautions import CAUTIONS, list_cautions
from doughlab.water.chemistry import (
    acid_needed,
    base_needed,
    closed,
    in_air,
    known_water,
    with_base,
)
from doughlab.water.composition import build_composition
from doughlab.water.dose import Alternative, Bench

TAP = WaterSample(
    "tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, magnesium_mg_l=12, sodium_mg_l=20,
    temp_c=18, said_by="report",
)  # fmt: skip
SOFT = WaterSample(
    "spring",
    kind="bottled",
    ph=5.2,
    alkalinity_mg_l=10,
    calcium_mg_l=2,
    magnesium_mg_l=1,
    temp_c=20,
)
VINEGAR = AcidProduct("white vinegar", 5, "w/v")


def dose_of(sample=TAP, target=6.0, product=VINEGAR, acid="acetic", **more):
    return acid_dose(sample, target, **{"acid": acid, "water_kg": 12, "product": product, **more})


def refused(sample, target, **more):
    with pytest.raises(InputError) as error:
        base_dose(sample, target, water_kg=12, **more)
    return str(error.value)


# ------------------------------------------------------------------------------------- calcite


def test_a_water_that_would_lose_calcite_is_not_sent_over_it():
    """The numbers in it are compared with PHREEQC in tests/reference/test_water_ways_phreeqc.py."""
    said = refused(TAP, 8.2)
    totals = build_composition(TAP, vary=False).state.totals
    top, aired = base_ceiling(totals), in_air(totals).ph[0]
    assert said == (
        "No amount of sodium bicarbonate up to 2.5 g in a kg brings tap to pH 8.2: with little air "
        f"its own ceiling is pH {math.floor(100 * top) / 100:.2f}.\n"
        "1. let it stand open and stir until the meter reads 8.2, its CO2 leaves (scale may "
        f"settle): left alone it ends at pH {aired:.2f}, nothing to add, costs nothing.\n"
        "Not over calcite: this water already holds all that it can (saturation index +0.4), so "
        "calcite settles instead of dissolving."
    )


def test_a_water_that_fills_up_on_the_way_is_told_where_calcite_stops():
    fizzy = TAP.changed(name="spring", kind="bottled", ph=5.9)
    said = refused(fizzy, 8.2).splitlines()
    calcite = try_calcite(build_composition(fizzy), 8.2)
    assert calcite.index_before < 0 < calcite.index_after
    assert not calcite.works
    assert said[-1] == (
        "Not over calcite: it stops dissolving at about pH "
        f"{math.floor(10 * calcite.ceiling_ph) / 10:.1f} (saturation index 0), below 8.2."
    )
    assert "filter over calcite" not in " ".join(said[:-1])


def test_the_ph_at_which_calcite_stops_lies_below_the_target_it_is_refused_for():
    """Hardness 70 of which half to all may be calcium: the hardest of them stops first."""
    water = WaterSample("tap", ph=7.2, alkalinity_mg_l=60, hardness_mg_l=70, temp_c=20)
    refusals = 0
    for target in np.arange(7.90, 8.10, 0.01):
        found = try_calcite(build_composition(water), float(target))
        assert (found.ceiling_ph >= target - 1e-6) == found.works
        if not found.works:
            refusals += 1
            told = re.search(r"about pH ([0-9.]+) .* below ([0-9.]+)\.", found.refusal(target))
            assert float(told[1]) < float(told[2])
    assert 0 < refusals < 20


def test_a_hungry_water_is_offered_calcite_with_what_it_takes_and_its_price():
    dose = base_dose(SOFT, 6.9, water_kg=12)
    way = next(w for w in dose.alternatives if w.how == "treatment")
    mg = try_calcite(build_composition(SOFT), 6.9).mg_per_kg
    assert str(way) == (
        f"filter over calcite, which dissolves {mg:.0f} mg/kg and adds as much hardness: pH 6.90, "
        f"nothing to add, cost: {mg / 1000:.2g} kg of calcite for 1000 kg of water and the filter "
        "itself; give it in supply.toml as a supply called calcite (doughlab water cost --example)"
    )
    priced = base_dose(SOFT, 6.9, water_kg=12, bench=Bench(treated_per_l={"calcite": 0.02}))
    way = next(w for w in priced.alternatives if w.how == "treatment")
    assert str(way).endswith("nothing to add, water costs 0.24")


@pytest.mark.parametrize("ph", [5.5, 6.5, 7.2, 7.8, 8.2])
@pytest.mark.parametrize("alkalinity", [5, 40, 150, 300])
@pytest.mark.parametrize("target", [6.8, 7.5, 8.2])
def test_calcite_is_offered_only_between_hunger_and_saturation(ph, alkalinity, target):
    water = WaterSample("w", ph=ph, alkalinity_mg_l=alkalinity, temp_c=20)
    if ph >= target:
        return
    found = try_calcite(build_composition(water), target)
    assert found.works == (
        np.isfinite(found.mg_per_kg) and found.index_before < 0 and found.index_after <= 0
    )
    assert bool(found.refusal(target)) != found.works
    if found.works:
        assert found.ceiling_ph >= target - 1e-6
        assert closed(found.after).ph[0] == pytest.approx(target, abs=1e-4)


# -------------------------------------------------------------------------- ceilings, nonsense


@pytest.mark.parametrize(
    "water",
    [TAP, SOFT, TAP.changed(ph=5.9), SOFT.changed(ph=6.5), TAP.changed(alkalinity_mg_l=20)],
)
def test_the_ceiling_is_where_doses_end(water):
    """Below it some bicarbonate reaches the pH, above it none: two ways to the same number."""
    totals = build_composition(water, vary=False).state.totals
    top = base_ceiling(totals)
    below, above = (base_needed(totals, top + step).added[0] for step in (-0.01, 0.01))
    assert below <= 0.030  # mol/kg, 2.5 g
    assert not above <= 0.030
    assert closed(with_base(totals, np.array([below]))).ph[0] == pytest.approx(top - 0.01, abs=1e-4)


@pytest.mark.parametrize("target", [8.2, 8.3])
def test_a_target_near_the_top_names_this_waters_own_ceiling(target):
    """Waters differ: the ceiling is a number of their own, never 8.3 for all of them."""
    said = {
        refused(w, target).split("ceiling is pH ")[1][:4] for w in (TAP, SOFT, TAP.changed(ph=6))
    }
    assert len(said) == 3
    assert all(5.2 < float(s) < target for s in said)


def test_a_dose_names_the_ceiling_of_its_water():
    dose = base_dose(SOFT, 6.5, water_kg=12)
    top = base_ceiling(build_composition(SOFT, vary=False).state.totals)
    assert (
        "While little air reaches it, bicarbonate alone takes this water no higher than about pH "
        f"{top:.1f}."
    ) in dose.notes
    wide = base_dose(SOFT.changed(alkalinity_mg_l=2), 7.5, water_kg=12, vessel="open")
    assert not any("no higher than" in n for n in wide.notes)


def test_ways_that_reach_nothing_are_dropped_and_none_says_infinity():
    """A carbonic blend partner cannot be brought to the target by any bicarbonate."""
    fizzy = WaterSample("fizzy", kind="bottled", ph=5.0, alkalinity_mg_l=300, temp_c=12)
    seen = 0
    for target in (7.5, 8.0, 8.2, 8.3):
        for sample in (SOFT, fizzy, TAP.changed(ph=6.2)):
            bench = Bench(others=(fizzy, SOFT.changed(name="other"), TAP))
            try:
                dose = base_dose(sample, target, water_kg=12, bench=bench)
                said = " ".join([str(dose), *map(str, dose.alternatives), *dose.notes])
            except InputError as error:
                said = str(error)
            seen += "1." in said or "1:" in said
            words = set(said.replace(",", " ").replace(":", " ").split())
            assert not words & {"inf", "nan", "-inf", "None"}, said
            assert "mmol/kg" not in said
    assert seen >= 10


def test_what_is_left_to_weigh_is_said_in_grams_and_missing_prices_where_they_belong():
    hard = WaterSample("town", ph=7.4, alkalinity_mg_l=600, temp_c=15)
    dose = dose_of(hard, 4.6, water_kg=10)
    blend = next(w for w in dose.alternatives if w.how == "blend")
    grams = blend.mmol_per_kg * VINEGAR.grams_per_mol("acetic") / 1e3 * 10
    assert str(blend).endswith(
        f"then {grams:.3g} g white vinegar, cost: not known, no such unit in supply.toml "
        "(doughlab water cost --example)"
    )
    soft = WaterSample("spring", kind="bottled", ph=7.0, alkalinity_mg_l=40, temp_c=15)
    source = next(
        w for w in dose_of(hard, 4.6, water_kg=10, bench=Bench(others=(soft,))).alternatives
        if w.how == "source"
    )  # fmt: skip
    assert source.cost_words == "cost: not known, no cost_per_l for spring in waters.csv"
    unit = Bench(treated_per_l={"reverse osmosis": 0.09})
    priced = dose_of(hard, 4.6, water_kg=10, bench=unit).alternatives
    treated = next(w for w in priced if w.how == "treatment")
    assert treated.cost == pytest.approx(0.9)  # 10 L at 0.09


def test_a_treated_water_that_falls_below_the_target_is_not_called_done():
    """Reverse osmosis lets CO2 pass: with little alkalinity left the pH is below 6.8 at once."""
    hard = WaterSample("town", ph=7.2, alkalinity_mg_l=780, temp_c=15)
    dose = dose_of(hard, 6.8, water_kg=10, bench=Bench(flour_kg=0.5))
    treated = next(w for w in dose.alternatives if w.how == "treatment")
    assert treated.ph < 6.8
    assert treated.mmol_per_kg == 0
    assert "already below 6.8 without acid, so let its CO2 leave or blend less" in str(treated)


def test_an_alternative_without_a_price_says_so():
    way = Alternative("source", "use spring alone", 7.0, 0.0, None)
    assert str(way) == (
        "use spring alone: pH 7.00, nothing to add, cost: not known, no cost_per_l in waters.csv"
    )


# ---------------------------------------------------------------------------- concentrated acid


@pytest.mark.parametrize(
    "product",
    [AcidProduct("acetic acid 80 %", 80, "w/w", acid="acetic"),
     AcidProduct("lactic acid", 80, "w/w", acid="lactic"),
     AcidProduct("vinegar essence", 25, "w/w", acid="acetic")],
)  # fmt: skip
def test_concentrated_acid_is_warned_of_first_and_vinegar_offered(product):
    dose = dose_of(product=product, acid=product.acid)
    plain = dose_of()
    assert dose.cautions[0] == CAUTIONS["concentrated"]
    assert " ".join(str(dose).split()).startswith(CAUTIONS["concentrated"])
    grams, low, high = plain.product_g, plain.product_low_g, plain.product_high_g
    assert (
        f"Ordinary white vinegar (5 %) does the same without goggles: {grams:.1f} g ({low:.1f} to "
        f"{high:.1f}) into 12 kg."
    ) in dose.notes


def test_vinegar_is_not_called_concentrated_and_powder_is_not_replaced():
    plain = dose_of(product=AcidProduct("strong vinegar", 10, "w/v"))
    assert not plain.concentrated
    assert CAUTIONS["concentrated"] not in plain.cautions
    powder = dose_of(product=AcidProduct.citric_powder(), acid="citric")
    assert powder.cautions[0] == CAUTIONS["concentrated"]  # dust and splashes of the solution
    assert not any("Ordinary white vinegar" in n for n in powder.notes)
    assert list_cautions(concentrated=True, laboratory=True)[:2] == (
        CAUTIONS["concentrated"],
        CAUTIONS["laboratory"],
    )


# ------------------------------------------------------------------------------ vessel and gas


def test_the_share_of_gas_is_stated_and_its_range_is_in_the_grams():
    dose = dose_of(vessel="covered")
    assert dose.co2_lost_pct == (50.0, 20.0, 80.0)
    assert (
        "Covered: 50 % of the CO2 taken to leave before the reading, 20 to 80 % in the range. "
        "Surface, stirring and minutes decide it (common practice): read the dosed water again "
        "just before the flour goes in."
    ) in dose.notes
    sure = dose_of(vessel="covered", bench=Bench(co2_lost_range_pct=(50, 50)))
    assert sure.product_g == dose.product_g
    assert dose.product_low_g < sure.product_low_g
    assert dose.product_high_g > sure.product_high_g
    assert dose.ph_high > sure.ph_high  # more gas lost than thought: the pH ends higher
    assert dose.ph_low < sure.ph_low


def test_ends_of_the_share_give_the_closed_dose_and_less_than_the_open_one():
    none = dose_of(vessel="covered", bench=Bench(co2_lost_pct=0, co2_lost_range_pct=(0, 0)))
    assert none.product_g == dose_of().product_g
    doses = [
        dose_of(vessel="covered", bench=Bench(co2_lost_pct=p)).mmol_per_kg for p in (0, 25, 60, 95)
    ]
    assert doses == sorted(doses)
    assert doses[-1] < dose_of(vessel="open").mmol_per_kg


def test_a_share_outside_its_own_range_is_refused():
    with pytest.raises(OutOfRange) as error:
        Bench(co2_lost_pct=80, co2_lost_range_pct=(20, 60))
    assert str(error.value) == (
        "A loss of CO2 of 80 % does not lie between 20 and 60 %. Give the lowest share first, such "
        "as 30 to 70 %."
    )
    with pytest.raises(OutOfRange) as error:
        Bench(co2_lost_pct=120)
    assert str(error.value) == (
        "A loss of CO2 of 120 % lies outside 0 to 100 %. Check the unit and the decimal point."
    )


@pytest.mark.parametrize("share", [0.5, 0.99])
@pytest.mark.parametrize("acid", ["acetic", "citric", "lactic"])
def test_covered_lies_between_closed_and_open_for_every_water(share, acid):
    """100 random waters; where no acid is needed in a vessel its dose counts as nothing."""
    rng = np.random.default_rng(41)
    n = 100
    meq = rng.uniform(0.04, 14, n)
    waters = known_water(
        ph=rng.uniform(5.5, 9.3, n), alkalinity_meq_kg=meq, calcium=meq / 4, sodium=meq / 2,
        temp_c=rng.uniform(3, 35, n),
    ).totals  # fmt: skip
    target = rng.uniform(4.5, 8.3, n)
    shut, covered, wide = (
        np.nan_to_num(acid_needed(waters, target, acid=acid, lost_share=x).added)
        for x in (0.0, share, 1.0)
    )
    assert np.all(covered >= np.minimum(shut, wide) - 1e-10)
    assert np.all(covered <= np.maximum(shut, wide) + 1e-10)
    assert np.mean(covered > shut) > 0.5  # and it is not one of them in disguise


def test_what_decides_the_way_back_in_air_is_said_instead_of_a_time():
    dose = dose_of(target=6.2)
    assert (
        f"Standing open it goes back towards pH {dose.ph_after_air:.1f} as its CO2 leaves: minutes "
        "when it is stirred hard or poured, hours to days when it stands still in a deep pot; "
        "surface and stirring decide (common practice). Dose just before mixing, or keep a lid "
        "lying on."
    ) in dose.notes


def test_an_open_vessel_has_its_article():
    with pytest.raises(InputError) as error:
        dose_of(TAP.changed(ph=6.8), 8.2, vessel="closed")
    assert str(error.value) == (
        "tap is at pH 6.80; pH 8.2 needs no acid. Read it again before mixing; to raise it ask for "
        "sodium bicarbonate (soda)."
    )
    with pytest.raises(InputError) as error:
        dose_of(WaterSample("ro", ph=9.0, alkalinity_mg_l=5, temp_c=20), 8.0, vessel="open")
    assert "In an open vessel this water comes to pH 7.1" in str(error.value)


# ------------------------------------------------------------------------------- kitchen words


@pytest.mark.parametrize(
    ("kg", "sentence"),
    [(0.012, "12 g of water is too little to dose: from 50 g on. Check the unit, such as 12kg."),
     (6000, "6000 kg of water is too much to dose: up to 5000 kg. Check the unit, such as 12kg.")],
)  # fmt: skip
def test_amounts_that_are_not_dosed_are_refused_in_kitchen_words(kg, sentence):
    with pytest.raises(OutOfRange) as error:
        dose_of(water_kg=kg)
    assert str(error.value) == sentence


def test_small_amounts_are_diluted_with_the_water_being_dosed():
    notes = " ".join(dose_of(water_kg=0.5).notes)
    assert (
        "Mix 1 part with 9 parts of the water being dosed, by weight, and weigh ten times the "
        "grams of it."
    ) in notes
    ro = WaterSample("ro", kind="reverse osmosis", ph=5.6, alkalinity_mg_l=2, temp_c=20)
    notes = " ".join(base_dose(ro, 6.5, water_kg=5).notes)
    assert (
        "Dissolve 10 g in 990 g of the water being dosed and weigh a hundred times the grams of it."
    ) in notes


def test_every_reason_for_a_laboratory_is_said():
    bore = WaterSample("bore", kind="well", smell="eggs", look="brown", ph=7.5, alkalinity_mg_l=200)
    assert bore.needs_laboratory == (
        "water from a well; smell noted as 'eggs'; look noted as 'brown'"
    )
    dose = dose_of(bore)
    assert dose.notes[0] == (
        "Laboratory before anybody tastes: water from a well; smell noted as 'eggs'; look noted as "
        "'brown'. The dose is about the pH only."
    )
    mix = blend_waters([(bore, 1), (TAP, 1)]).sample
    assert mix.needs_laboratory == f"bore: {bore.needs_laboratory}"
    assert mix.changed(smell="eggs").needs_laboratory == mix.needs_laboratory


def test_temperatures_are_answered_in_the_unit_of_the_question():
    warm = dose_of(target=6.2, bench=Bench(show_temp="F"))
    assert any(n.startswith("Read at 64.4 F. The same water at 39.2 F truly") for n in warm.notes)
    assert "at 64.4 F, closed" in str(warm)
    assert any(
        n.startswith("Read at 18 C. The same water at 4 C") for n in dose_of(target=6.2).notes
    )


def test_the_way_through_air_says_where_to_stop():
    fizzy = WaterSample("spring", kind="bottled", ph=6.0, alkalinity_mg_l=50, temp_c=20)
    ways = base_dose(fizzy, 7.0, water_kg=1).alternatives
    assert str(ways[0]).startswith(
        "let it stand open and stir until the meter reads 7, its CO2 leaves: left alone it ends at "
        "pH 8.1"
    )
