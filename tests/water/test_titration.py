"""A bench titration finds what was put in, covers it at its rate, and says when it cannot be."""

import numpy as np
import pytest

from doughlab.errors import InputError, OutOfRange
from doughlab.water import AcidProduct, WaterSample, acid_dose, fit_titration
from doughlab.water.composition import alkalinity_meq_kg
from doughlab.water.curve import Curve, Setup
from doughlab.water.dose import Bench

VINEGAR = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
EXACT = Setup(ph_sd=0.02, scale_g=0.01)


def truth(alkalinity_mg_l, ph, grams, *, strength=1.0, kg=1.0, **more):
    """The true curve of a water: pH after each total of vinegar."""
    theta = np.array([[np.log(alkalinity_meq_kg(alkalinity_mg_l)), ph, np.log(strength), 0.0]])
    curve = Curve(np.zeros((1, 2)), kg, VINEGAR, Setup(), **more)
    return curve.ph(theta, np.asarray(grams, dtype=float))[0]


def points(*args, **more):
    """(grams, pH) pairs without any noise."""
    grams = args[2]
    return list(zip(grams, truth(*args, **more), strict=True))


GRAMS = [0.0, 1.0, 2.0, 3.0, 4.0]


def test_exact_readings_give_alkalinity_carbon_and_start():
    fit = fit_titration(points(150, 7.9, GRAMS), sample_kg=1, product=VINEGAR, setup=EXACT)
    assert fit.alkalinity_mg_l == pytest.approx(150, rel=0.005)
    assert fit.ph_start == pytest.approx(7.9, abs=0.01)
    assert fit.agrees
    assert fit.alkalinity_low < 150 < fit.alkalinity_high
    assert fit.carbon_low < fit.carbon_mmol_kg < fit.carbon_high


def test_dose_of_the_fit_equals_the_dose_of_the_water():
    tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, temp_c=20)
    fit = fit_titration(points(150, 7.9, GRAMS), sample_kg=1, product=VINEGAR, setup=EXACT)
    dose = acid_dose(
        tap, 6.2, acid="acetic", water_kg=12, product=VINEGAR, bench=Bench(scale_g=0.01)
    )
    got = fit.dose(6.2, water_kg=12)
    assert got.product_g == pytest.approx(dose.product_g, rel=0.01)
    assert got.low_g < dose.product_g < got.high_g
    assert str(got).endswith("weighed, into 12 kg; then check with the meter")


def test_a_weaker_bottle_changes_the_alkalinity_but_hardly_the_dose():
    """Strength and alkalinity cannot be told apart, the grams of this bottle can."""
    weak = points(150, 7.9, GRAMS, strength=0.8)
    fit = fit_titration(weak, sample_kg=1, product=VINEGAR, setup=EXACT)
    assert not fit.strength_measured
    assert fit.alkalinity_mg_l == pytest.approx(150 / 0.8, rel=0.04)
    true_grams = np.interp(-6.2, -truth(150, 7.9, np.linspace(0, 4, 400), strength=0.8),
                           np.linspace(0, 4, 400))  # fmt: skip
    assert fit.dose(6.2, water_kg=1).product_g == pytest.approx(true_grams, rel=0.01)
    assert "cannot tell the acid's strength" in " ".join(fit.notes)


def test_a_known_alkalinity_lets_the_strength_be_measured():
    weak = points(150, 7.9, GRAMS, strength=0.8)
    wide = AcidProduct("house vinegar", 5, "w/v", doubt_pct=30)
    setup = Setup(ph_sd=0.02, scale_g=0.01, known_alkalinity_mg_l=(150, 3))
    fit = fit_titration(weak, sample_kg=1, product=wide, setup=setup)
    assert fit.strength_measured
    assert fit.strength_pct == pytest.approx(4.0, rel=0.03)
    assert fit.strength_low < 4.0 < fit.strength_high


def test_ranges_cover_the_truth_at_their_rate():
    """80 simulated titrations: alkalinity, dose and carbon inside their 95 % ranges.

    Truth drawn fresh each time: alkalinity 40 to 300 mg/L, start pH 7 to 8.6, label off by 5 %
    (95 %), meter off by 0.03 (SD), reading scatter 0.02 to 0.05 as stated, grams shown to 0.1 g.
    With 80 runs a true rate of 95 % gives at least 70 hits with a chance of 99.7 % (binomial).
    """
    rng = np.random.default_rng(2035)
    hits = np.zeros(3)
    for _ in range(80):
        ph_sd = rng.uniform(0.02, 0.05)
        alkalinity, start = rng.uniform(40, 300), rng.uniform(7, 8.6)
        strength = np.exp(rng.normal() * 0.05 / 1.96)
        step = alkalinity / 100 * 0.475
        grams = np.concatenate([[0.0], np.cumsum(step * rng.uniform(0.8, 1.2, 4))])
        read = truth(alkalinity, start, grams, strength=strength)
        read = read + rng.normal() * 0.03 + rng.normal(size=5) * ph_sd
        shown = list(zip(np.round(grams, 1), read, strict=True))
        fit = fit_titration(shown, sample_kg=1, product=VINEGAR, setup=Setup(ph_sd=ph_sd))
        theta = np.array([np.log(alkalinity_meq_kg(alkalinity)), start, np.log(strength), 0.0])
        dose = fit.dose(6.2, water_kg=1)
        true_dose = fit.curve.dose_grams(theta, np.zeros((4, 4)), 6.2)[0]
        carbon = float(fit.curve.waters(theta[None, :]).carbon[0]) * 1e3
        hits += [
            fit.alkalinity_low <= alkalinity <= fit.alkalinity_high,
            dose.low_g <= true_dose <= dose.high_g,
            fit.carbon_low <= carbon <= fit.carbon_high,
        ]
    assert np.all(hits >= 70), hits
    assert np.any(hits < 80)  # ranges that never miss would be too wide


def test_meter_that_is_off_is_named():
    off = [(g, ph + 0.5) for g, ph in points(150, 7.9, GRAMS)]
    fit = fit_titration(off, sample_kg=1, product=VINEGAR, setup=EXACT)
    assert not fit.agrees
    assert fit.notes[0].startswith("These points disagree with any water")
    assert any("The meter may read 0.5 pH too high" in n for n in fit.notes[:3])


def test_one_wrong_reading_is_named():
    wrong = points(150, 7.9, GRAMS)
    wrong[2] = (wrong[2][0], wrong[2][1] + 0.6)
    fit = fit_titration(wrong, sample_kg=1, product=VINEGAR, setup=EXACT)
    assert not fit.agrees
    assert "Likely one wrong reading: pH 6.87 at 2 g" in " ".join(fit.notes[:3])


def test_escaped_gas_is_named():
    lost = points(150, 7.9, GRAMS, lost_share=0.5)
    fit = fit_titration(lost, sample_kg=1, product=VINEGAR, setup=EXACT)
    assert not fit.agrees
    assert any("CO2 may have escaped" in n for n in fit.notes[:3])


def test_points_that_disagree_widen_the_range():
    right = fit_titration(points(150, 7.9, GRAMS), sample_kg=1, product=VINEGAR, setup=EXACT)
    wrong = points(150, 7.9, GRAMS)
    wrong[2] = (wrong[2][0], wrong[2][1] + 0.6)
    wide = fit_titration(wrong, sample_kg=1, product=VINEGAR, setup=EXACT)
    ratio = (wide.alkalinity_high / wide.alkalinity_low) / (
        right.alkalinity_high / right.alkalinity_low
    )
    assert ratio > 1.3


def test_next_addition_lies_beyond_the_last_and_narrows_the_range():
    first = points(150, 7.9, [0.0, 0.5])
    fit = fit_titration(first, sample_kg=1, product=VINEGAR, setup=Setup(scale_g=0.01))
    assert fit.next_grams is not None
    assert fit.next_grams > 0.5
    grams = [0.0, 0.5, fit.next_grams]
    again = fit_titration(
        points(150, 7.9, grams), sample_kg=1, product=VINEGAR, setup=Setup(scale_g=0.01)
    )
    before, after = (f.alkalinity_high / f.alkalinity_low for f in (fit, again))
    assert after < before


def test_an_addition_right_beside_the_last_is_worse_than_the_one_advised():
    setup = Setup(scale_g=0.01)
    fit = fit_titration(points(150, 7.9, [0.0, 0.5]), sample_kg=1, product=VINEGAR, setup=setup)

    def width(extra):
        f = fit_titration(
            points(150, 7.9, [0.0, 0.5, extra]), sample_kg=1, product=VINEGAR, setup=setup
        )
        return f.alkalinity_high / f.alkalinity_low

    assert width(fit.next_grams) < width(0.6)


def test_larger_sample_makes_a_coarse_scale_matter_less():
    small = fit_titration(
        points(150, 7.9, [0, 0.5, 1.0, 1.5], kg=0.5), sample_kg=0.5, product=VINEGAR
    )
    large = fit_titration(points(150, 7.9, [0, 2, 4, 6], kg=2.0), sample_kg=2, product=VINEGAR)
    assert (
        large.alkalinity_high / large.alkalinity_low < small.alkalinity_high / small.alkalinity_low
    )


def test_result_becomes_a_sample_that_can_be_dosed():
    fit = fit_titration(points(150, 7.9, GRAMS), sample_kg=1, product=VINEGAR)
    tap = fit.as_sample("tap", sodium_mg_l=20.0)
    assert tap.said_by == "own titration"
    low, high = tap.alkalinity_range_mg_l
    assert low < 150 < high
    assert tap.sodium_mg_l == 20.0


def test_text_keeps_to_fifteen_lines_of_eighty():
    text = str(fit_titration(points(150, 7.9, GRAMS), sample_kg=1, product=VINEGAR))
    assert text.startswith("alkalinity 150 mg/L (")
    assert len(text.splitlines()) <= 15
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("pairs", "sentence"),
    [
        ([(0, 7.9)], "A titration needs at least two different amounts, best the untouched water "
         "(0 g) and three additions. Add some acid, stir, read, and enter that point too."),
        ([(0, 7.9), (1, 68)], "Point 2: pH 68 lies outside 2.5 to 11. A decimal point may be "
         "missing."),
        ([(0, 7.9), (-1, 6.8)], "Point 2: -1 g added is not an amount for this sample."),
        ([(0, 6.5), (1, 7.0)], "The pH did not fall from 6.5 while acid was added. Check that the "
         "grams are totals since the start, and the meter in its buffers."),
    ],
)  # fmt: skip
def test_what_is_no_titration_is_refused_with_the_whole_sentence(pairs, sentence):
    with pytest.raises(InputError) as error:
        fit_titration(pairs, sample_kg=1, product=VINEGAR)
    assert str(error.value) == sentence


def test_sample_mass_in_grams_is_noticed():
    with pytest.raises(InputError, match="sample_kg 1000 lies outside"):
        fit_titration([(0, 7.9), (1, 6.8)], sample_kg=1000, product=VINEGAR)


def test_setup_refuses_impossible_noise():
    with pytest.raises(OutOfRange, match="ph_sd 2 lies outside"):
        Setup(ph_sd=2)


def test_without_the_untouched_water_the_fit_still_works_but_is_wider():
    full = fit_titration(points(150, 7.9, GRAMS), sample_kg=1, product=VINEGAR)
    part = fit_titration(points(150, 7.9, GRAMS[1:]), sample_kg=1, product=VINEGAR)
    assert part.alkalinity_low < 150 < part.alkalinity_high
    assert part.alkalinity_high / part.alkalinity_low > full.alkalinity_high / full.alkalinity_low


@pytest.mark.parametrize(
    "points",
    [
        [(0, 6.1), (1.0, 3.9), (2.0, 3.7)],
        [(0, 6.0), (1.0, 3.8)],
        [(0, 8.0), (1.0, 3.0), (2.0, 2.9), (3.0, 2.8)],
        [(0, 7.9), (5.0, 3.6)],
    ],
)
def test_too_coarse_additions_are_refused_with_what_to_do(points):
    """Steps of 1 g in a water that holds almost nothing: no number, no traceback."""
    vinegar = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
    with pytest.raises(InputError, match=r"leave the alkalinity open.*additions of 0\.1 g"):
        fit_titration(points, sample_kg=1, product=vinegar)


def test_an_alkalinity_that_no_kitchen_has_is_refused():
    vinegar = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
    with pytest.raises(InputError, match=r"more than a kitchen's water has \(800\)"):
        fit_titration([(0, 8.0), (1, 7.9), (2, 7.8), (3, 7.7)], sample_kg=1, product=vinegar)


def test_a_ph_that_rises_is_named_with_its_place():
    vinegar = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
    with pytest.raises(InputError, match=r"rose from 4 at 2 g to 5\.82 at 3 g"):
        fit_titration([(0, 7.9), (1, 6.74), (2, 4.0), (3, 5.82)], sample_kg=1, product=vinegar)


@pytest.mark.parametrize("target", [3.0, 4.4, 8.4])
def test_a_titration_doses_no_target_outside_the_range(target):
    fit = fit_titration([(0, 7.9), (1, 6.74), (2, 6.27), (3, 5.82)], sample_kg=1, product=VINEGAR)
    with pytest.raises(OutOfRange) as error:
        fit.dose(target, water_kg=12)
    assert str(error.value) == (
        f"A target of pH {target:g} is not dosed; 4.5 to 8.3 is the range. "
        "Choose a target inside it."
    )


def test_a_titrated_water_that_is_there_already_needs_no_acid():
    fit = fit_titration([(0, 7.9), (1, 6.74), (2, 6.27), (3, 5.82)], sample_kg=1, product=VINEGAR)
    with pytest.raises(InputError) as error:
        fit.dose(8.2, water_kg=12)
    assert str(error.value) == (
        f"The titrated water is at pH {fit.ph_start:.2f}; pH 8.2 needs no acid. Read it again "
        "before mixing; to raise it ask for sodium bicarbonate (soda)."
    )
    with pytest.raises(OutOfRange, match="too much to dose"):
        fit.dose(6.2, water_kg=12_000)
