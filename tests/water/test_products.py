"""What stands on a bottle, turned into grams."""

import pytest

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water import AcidProduct


@pytest.mark.parametrize(
    ("strength", "basis", "mol_per_l"),
    [(5, "w/v", 0.8326), (5, "w/w", 0.8372), (4, "w/v", 0.6661), (6, "w/v", 0.9991)],
)
def test_vinegar_holds_what_the_handbook_says(strength, basis, mol_per_l):
    """50.0 g/L over 60.052 g/mol; 5 % w/w at density 1.0055: 50.3 g/L."""
    product = AcidProduct("white vinegar", strength, basis)
    assert 1005.5 / product.grams_per_mol("acetic") == pytest.approx(mol_per_l, abs=5e-5)


def test_grams_of_vinegar_per_mmol():
    """5 % w/w: 1 mmol of acetic acid stands in 1.20104 g."""
    assert AcidProduct("v", 5, "w/w").grams_per_mol("acetic") / 1e3 == pytest.approx(
        1.20104, abs=1e-5
    )


def test_by_weight_and_by_volume_differ_by_half_a_per_cent():
    by_volume, by_weight = (AcidProduct("v", 5, b).grams_per_mol("acetic") for b in ("w/v", "w/w"))
    assert by_volume / by_weight - 1 == pytest.approx(0.0055, abs=1e-6)


def test_citric_powder_with_crystal_water_weighs_more():
    dry, wet = (AcidProduct.citric_powder(monohydrate=m) for m in (False, True))
    assert dry.grams_per_mol("citric") == pytest.approx(192.123)
    assert wet.grams_per_mol("citric") == pytest.approx(210.14, rel=1e-6)


def test_lemon_juice_follows_its_acidity():
    """Penniston et al. 2008: fresh 48.0 g/L (SD 3.8), bottled 34 to 39 g/L."""
    fresh, bottled = AcidProduct.lemon_juice(), AcidProduct.lemon_juice(bottled=True)
    assert fresh.strength_pct == pytest.approx(4.8)
    assert fresh.doubt_pct == pytest.approx(100 * 2 * 3.8 / 48.0, abs=0.1)
    low, high = (10 * bottled.strength_pct * (1 + s * bottled.doubt_pct / 100) for s in (-1, 1))
    assert low < 34 and high > 39
    assert bottled.may_carry_sulphites and not fresh.may_carry_sulphites
    assert AcidProduct.lemon_juice(acidity_g_l=55).strength_pct == pytest.approx(5.5)


@pytest.mark.parametrize(
    ("make", "kind", "words"),
    [
        (lambda: AcidProduct("v", 5, "v/v"), UnknownName, "basis of strength 'v/v'"),
        (lambda: AcidProduct("v", 0), OutOfRange, "vinegar is usually 4 to 8 %"),
        (lambda: AcidProduct("v", 5, acid="formic"), UnknownName, "acid 'formic'"),
        (lambda: AcidProduct("citric solution", 20, "w/v", acid="citric").mass_fraction, InputError,
         "needs its density. Weigh 100 mL"),
    ],
)  # fmt: skip
def test_impossible_labels_are_refused(make, kind, words):
    with pytest.raises(kind) as error:
        make()
    assert words in str(error.value)


def test_weak_vinegar_is_noticed():
    assert AcidProduct("rice vinegar", 3.5).label_note.startswith("rice vinegar: 3.5 % is weaker")
    assert AcidProduct("rice vinegar", 4.5).label_note == ""
