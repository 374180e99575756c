"""Say in words what a dose means at the bench.

Called by dosing, which has the numbers; each sentence stands once.
It leaves cautions to cautions and other ways to alternatives.
"""

from __future__ import annotations

from textwrap import wrap

import numpy as np

from doughlab.water.cautions import CHECK
from doughlab.water.chemistry import at_temperature, closed, with_acid
from doughlab.water.composition import Composition
from doughlab.water.constants import LOW_ALKALINITY_MG_L
from doughlab.water.dose import Dose, temp_words
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import State
from doughlab.water.targets import MISSED_PH

TASTED_G_PER_KG_FLOUR = 2.0  # acid that is usually tasted in dough: common practice, no source
_FEW_STEPS = 20  # grams of fewer steps of the scale than this are weighed from a dilution
_DRIFT_PH = 0.3
# What decides how soon the CO2 leaves: common practice, no source.
HOW_SOON = (
    "minutes when it is stirred hard or poured, hours to days when it stands still in a deep pot; "
    "surface and stirring decide (common practice)."
)
COVERED_WHY = (
    "Surface, stirring and minutes decide it (common practice): read the dosed water again just "
    "before the flour goes in."
)
_SALT_PER_SODIUM = 2.542  # molar mass of NaCl over that of Na
_DROP_MMOL = 0.042  # a 0.05 mL drop of 5 % vinegar: 0.05 mL x 0.8326 mol/L

# How the notes begin that no first answer leaves out.
LEADING = ("Laboratory before anybody", "The alkalinity of", "Ordinary white vinegar",
           "This is few steps of a scale")  # fmt: skip
_FLOUR_SIDE = "per kg flour:"
_CLOSED = "Closed means little air contact, never a sealed container."


def first_sentences(dose: Dose, *, room: int) -> list[str]:
    """Choose what is said of a dose before --more: grams, pH, the best other way, what matters.

    Parameters
    ----------
    dose : Dose
    room : int
        Lines of 80 characters in all; what must be said is said beyond them too.

    Returns
    -------
    list of str
        Sentences, not cut into lines; cautions are left to `cautions.brief_cautions`.
    """
    drifts = dose.ph_after_air - dose.ph_reached > _DRIFT_PH and dose.vessel != "open"
    said = [dose.sentence, dose.reach + (": dose just before mixing" if drifts else "")]
    said = [f"caution: {dose.warning}", *said] if dose.warning else said
    said += [f"instead: {way}" for way in dose.alternatives[:1]]
    others: list[str] = []
    for note in dose.remarks[:-1]:
        if note == _CLOSED:  # the caution on sealed containers says it
            continue
        leads = note.startswith(LEADING) or _FLOUR_SIDE in note
        (said if leads else others).append(note)
    left = room - sum(_lines(s) for s in said)
    for note in others:
        if _lines(note) <= left:
            said.append(note)
            left -= _lines(note)
    return said


def _lines(text: str) -> int:
    return len(wrap(text, 80, subsequent_indent="  "))


def acid_notes(
    sample: WaterSample, dose: Dose, *, acid: str, made: Composition, reached: State, scale_g: float
) -> tuple[str, ...]:
    """Write the notes of an acid dose, the most important first, the cautions last."""
    notes = _first_notes(sample)
    notes += _low_alkalinity_note(sample, reached, acid)
    if dose.ph_after_air - dose.ph_reached > _DRIFT_PH and dose.vessel != "open":
        notes.append(
            f"Standing open it goes back towards pH {dose.ph_after_air:.1f} as its CO2 leaves: "
            f"{HOW_SOON} Dose just before mixing, or keep a lid lying on."
        )
    if dose.vessel == "closed":
        notes.append(_CLOSED)
    if dose.vessel == "covered":
        likely, low, high = dose.co2_lost_pct
        notes.append(
            f"Covered: {likely:g} % of the CO2 taken to leave before the reading, {low:g} to "
            f"{high:g} % in the range. {COVERED_WHY}"
        )
    notes += _kitchen_air_note(dose)
    notes += _weighing_note(dose, scale_g)
    notes.append(
        "Add nine tenths, stir gently, read, then the rest: going back up from too low costs "
        "bicarbonate and adds sodium."
    )
    notes += _flour_note(dose, acid)
    if acid == "lactic":
        notes.append(
            "Lactic acid is counted without its calcium complexes (no constants found); strong "
            "lactic acid also holds bound acid that acts slowly. Read again after ten minutes."
        )
    notes += _temperature_note(dose, reached)
    notes += _assumed_notes(made)
    return (*notes, *dose.cautions, f"Dose by weight, {CHECK}.")


def base_notes(
    sample: WaterSample,
    dose: Dose,
    *,
    made: Composition,
    scale_g: float,
    ceiling: float | None = None,
    edge: bool = False,
) -> tuple[str, ...]:
    """Write the notes of a bicarbonate dose, the cautions last."""
    notes = _first_notes(sample)
    if float(sample.alkalinity_mg_l or 0.0) < LOW_ALKALINITY_MG_L:
        notes.append(_steady_words(sample))
    salt = dose.sodium_mg_per_kg * _SALT_PER_SODIUM / 1000.0
    notes.append(
        f"Adds {dose.sodium_mg_per_kg:.0f} mg sodium per kg of water, as much as {salt:.2f} g of "
        "table salt."
    )
    if dose.ph_after_air - dose.ph_reached > _DRIFT_PH:
        notes.append(f"Standing open it rises on to pH {dose.ph_after_air:.1f} as CO2 leaves.")
    if ceiling is not None:
        notes.append(
            "While little air reaches it, bicarbonate alone takes this water no higher than about "
            f"pH {ceiling:.1f}."
        )
    if edge:
        notes.append(
            "This target lies at the edge of what bicarbonate can do: were the water a little "
            "other than given, no amount up to 2.5 g in a kg would reach it. Take the range as "
            "open above."
        )
    notes += _kitchen_air_note(dose)
    notes += _weighing_note(dose, scale_g)
    notes += _assumed_notes(made)
    return (*notes, *dose.cautions, f"Dose by weight, {CHECK}.")


def _kitchen_air_note(dose: Dose) -> list[str]:
    """Say which air an open vessel stands in: CO2 decides its pH."""
    if dose.vessel != "open":
        return []
    return [
        "Open: reckoned in outdoor air (417 ppm CO2); the range reaches to a kitchen's air with "
        "burners on (2800 ppm), in which the pH stays lower."
    ]


def _first_notes(sample: WaterSample) -> list[str]:
    """Put the laboratory before everything else."""
    if not sample.needs_laboratory:
        return []
    return [
        f"Laboratory before anybody tastes: {sample.needs_laboratory}. The dose is about the pH "
        "only."
    ]


def _steady_words(sample: WaterSample) -> str:
    """Say that a water of low alkalinity has no steady pH."""
    return (
        f"The alkalinity of {sample.name} is under {LOW_ALKALINITY_MG_L:g} mg/L: its pH cannot be "
        "held; air, a splash or the meter's own electrolyte moves it. Take it as a dose, not as "
        "a pH, and stir little."
    )


def _low_alkalinity_note(sample: WaterSample, reached: State, acid: str) -> list[str]:
    """Warn of a pH that cannot be held, before the dose or after it."""
    notes = []
    if float(sample.alkalinity_mg_l or 0.0) < LOW_ALKALINITY_MG_L:
        notes.append(_steady_words(sample))
    one = reached.totals.part([0])
    drop = np.array([_DROP_MMOL * 1e-3])
    moved = float((closed(one).ph - closed(with_acid(one, acid, drop)).ph)[0])
    if moved > 0.1:
        notes.append(
            f"A drop more of vinegar in a litre moves this dosed water by {moved:.1f} pH: weigh, "
            "do not count drops."
        )
    return notes


def _weighing_note(dose: Dose, scale_g: float) -> list[str]:
    """Say how to weigh an amount that is small for the scale."""
    missed = abs(dose.ph_reached - dose.target_ph) > MISSED_PH
    if dose.product_g >= _FEW_STEPS * scale_g and not missed:
        return []
    if dose.agent == "sodium bicarbonate" or dose.product_g < 2 * scale_g:
        how = (
            "Dissolve 10 g in 990 g of the water being dosed and weigh a hundred times the grams "
            "of it"
        )
    else:
        how = (
            "Mix 1 part with 9 parts of the water being dosed, by weight, and weigh ten times the "
            "grams of it"
        )
    exact = dose.mmol_per_kg * dose.water_kg
    near = f", the nearest step gives pH {dose.ph_reached:.2f}" if missed else ""
    return [
        f"This is few steps of a scale of {scale_g:g} g ({exact:.3g} mmol in all){near}. {how}."
    ]


def _flour_note(dose: Dose, acid: str) -> list[str]:
    """Say how much acid the flour gets."""
    name = f"{acid} acid"
    if dose.acid_g_per_kg_flour is None:
        return [f"Give the flour to see the {name} per kg of flour."]
    amount = dose.acid_g_per_kg_flour
    side = "below" if amount < TASTED_G_PER_KG_FLOUR else "at or above"
    return [f"{amount:.2g} g {name} per kg flour: {side} what is usually tasted (common practice)."]


def _temperature_note(dose: Dose, reached: State) -> list[str]:
    """Say what the same dosed water reads when cold; a meter's correction does not do this."""
    cold = 4.0
    if dose.vessel == "open" or abs(dose.read_temp_c - cold) < 3.0:
        return []
    ph = float(closed(at_temperature(reached.totals.part([0]), cold)).ph[0])
    return [
        f"Read at {temp_words(dose.read_temp_c, dose.show_temp)}. The same water at "
        f"{temp_words(cold, dose.show_temp)} truly has pH {ph:.2f}; a meter's temperature "
        "correction does not take that away."
    ]


def _assumed_notes(made: Composition) -> list[str]:
    """Say what was missing and what was taken instead."""
    notes = [f"{made.sample.name}: {text}." for text in made.assumed]
    if made.sample.uncertainty_pct is None:
        said = made.sample.said_by or "nobody says who measured it"
        notes.append(
            f"Alkalinity taken as good to {made.sample.doubt_pct:g} % ({said}); give uncertainty= "
            "in per cent where you know better."
        )
    return notes
