"""Constants agree with outside values; citations and cautions keep their form."""

import re
import subprocess
import sys

import pytest
import scipy.constants

from doughlab.errors import UnknownName
from doughlab.sources import CAUTIONS, CITATIONS, CONSTANTS, caution_sentences, cite
from doughlab.units import convert

# IUPAC abridged standard atomic weights 2021 (from memory); five digits, so 0.002 on a sum.
WEIGHTS = {"H": 1.008, "C": 12.011, "O": 15.999, "Na": 22.990, "Ca": 40.078}
FORMULAS = {
    "molar_mass_acetic": {"C": 2, "H": 4, "O": 2},
    "molar_mass_citric": {"C": 6, "H": 8, "O": 7},
    "molar_mass_lactic": {"C": 3, "H": 6, "O": 3},
    "molar_mass_bicarbonate_soda": {"Na": 1, "H": 1, "C": 1, "O": 3},
    "molar_mass_caco3": {"Ca": 1, "C": 1, "O": 3},
}


def value(name):
    return CONSTANTS[name].value


def test_physical_constants_are_those_of_codata():
    assert value("gas_constant") == pytest.approx(scipy.constants.R, rel=1e-12)
    faraday = scipy.constants.physical_constants["Faraday constant"][0]
    assert value("faraday_constant") == pytest.approx(faraday, rel=1e-12)
    assert value("zero_celsius_k") == scipy.constants.zero_Celsius


def test_nernst_slope_at_25_c_is_the_one_printed_in_meter_manuals():
    """59.16 mV a pH at 25 °C, 58.17 at 20 °C: two decimals as printed (from memory)."""
    for temp_c, printed in ((25, 59.16), (20, 58.17)):
        kelvin = temp_c + value("zero_celsius_k")
        slope = value("gas_constant") * kelvin * 2.302585093 / value("faraday_constant")
        assert 1000 * slope == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize("name", FORMULAS)
def test_molar_masses_are_sums_of_atomic_weights(name):
    total = sum(WEIGHTS[element] * n for element, n in FORMULAS[name].items())
    assert value(name) == pytest.approx(total, abs=0.002)


def test_an_equivalent_of_alkalinity_is_half_a_mole_of_calcium_carbonate():
    assert value("caco3_mg_per_meq") == pytest.approx(value("molar_mass_caco3") / 2, rel=1e-9)
    # USGS and phreeqc.dat use 50.05: the same to 0.02 %
    assert value("caco3_mg_per_meq") == pytest.approx(50.05, rel=2e-4)


def test_heat_of_water_and_ice_agree_with_their_definitions_in_other_units():
    # 1 Btu/(lb °F) = 4.1868 kJ/(kg K), International Table definition (NIST SP 811, from memory)
    assert value("water_specific_heat") == pytest.approx(4.1868, abs=0.001)
    # 1 Btu/lb = 2.326 kJ/kg exactly; ice melts at 143.4 Btu/lb, which the trade rounds to 144
    assert value("ice_latent_heat") / 2.326 == pytest.approx(143.4, abs=0.05)
    assert value("ice_latent_heat") / 2.326 == pytest.approx(144, abs=1)


def test_water_at_20_c_has_its_tabled_density():
    """0.99821 g/cm3 at 20 °C, standard density tables (from memory)."""
    assert value("water_density_20c") == pytest.approx(0.99821, abs=5e-5)


def test_cold_holding_limit_is_the_same_in_both_units():
    assert convert(value("cold_holding_c"), "temp_c", "temp_f") == 41


def test_limits_that_were_read_on_a_page():
    """ASTM D5464 scope; FDA CPG 525.825; Salvado et al. 2011: figures as printed there."""
    assert value("low_conductivity_us_cm") == 100
    assert value("vinegar_least_strength_pct") == 4
    assert value("yeast_growth_optimum_c") == 32.3
    assert value("yeast_growth_maximum_c") == 45.4


def test_every_constant_says_its_unit_and_its_source():
    for name, constant in CONSTANTS.items():
        assert constant.name == name and re.fullmatch(r"[a-z0-9_]+", name)
        assert constant.unit and len(constant.source) > 10
    with pytest.raises(AttributeError):
        CONSTANTS["gas_constant"].value = 8.0


def test_citations_carry_the_year_and_the_name_of_their_key():
    for key, reference in CITATIONS.items():
        assert re.fullmatch(r"[a-z0-9.-]+", key)
        assert reference.endswith((".", "]")), key
        dated = re.fullmatch(r"([a-z-]+)-((?:19|20)\d\d)", key)
        if dated:
            assert f"({dated[2]})" in reference, key
            first = dated[1].split("-")[0]
            assert first in reference.casefold(), key


def test_a_reference_not_seen_says_so_in_one_way():
    for key, reference in CITATIONS.items():
        if "memory" in reference:
            assert re.search(r" \[(?:[a-z]+ )?from memory\]$", reference), key


def test_cite_keeps_order_and_gives_each_reference_once():
    keys = ["dunnett-1955", "kenward-roger-1997", "dunnett-1955"]
    assert cite(keys) == [CITATIONS["dunnett-1955"], CITATIONS["kenward-roger-1997"]]
    assert cite([]) == []
    with pytest.raises(UnknownName) as caught:
        cite(["dunnet-1955"])
    assert str(caught.value).startswith(
        "citation 'dunnet-1955' is not known. Did you mean 'dunnett-1955'? Known: "
    )


NEEDED = (
    "raw_dough", "allergens", "not_for_sale", "cold_holding", "warm_cooler", "warm_up_ceiling",
    "glass_electrodes", "pierced_ball", "strips", "judges", "phone_and_hands", "local_code",
)  # fmt: skip


def test_every_caution_that_is_owed_is_there():
    assert set(NEEDED) <= set(CAUTIONS)
    assert caution_sentences() == [caution.sentence for caution in CAUTIONS.values()]
    assert caution_sentences(["judges", "strips", "judges"]) == [
        CAUTIONS["judges"].sentence,
        CAUTIONS["strips"].sentence,
    ]
    with pytest.raises(UnknownName, match="caution 'jugdes' is not known"):
        caution_sentences(["jugdes"])


@pytest.mark.parametrize("key", CAUTIONS)
def test_cautions_are_sentences_that_promise_nothing(key):
    caution = CAUTIONS[key]
    assert caution.sentence[0].isupper() and caution.sentence.endswith(".")
    assert caution.source
    assert not re.search(r"safe|\bpass|\brelease", caution.sentence, re.IGNORECASE)


def test_temperatures_in_cautions_agree_with_the_constant():
    limit = value("cold_holding_c")
    both = f"{limit:.0f} °C ({convert(limit, 'temp_c', 'temp_f'):.0f} °F)"
    named = {key for key, caution in CAUTIONS.items() if "°" in caution.sentence}
    assert named == {"cold_holding", "warm_cooler"}
    assert all(both in CAUTIONS[key].sentence for key in named)


def test_sources_load_nothing_heavy():
    code = (
        "import sys, doughlab.sources\n"
        "print([m for m in ('numpy', 'pandas', 'scipy', 'pint') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
