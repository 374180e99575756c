"""Mix waters: what adds up adds up, and the pH is solved anew.

Called by the water command and notebooks; parts may be any number of known waters.
It leaves softeners, membranes and added salts to treatment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from doughlab.errors import InputError
from doughlab.water.chemistry import closed, in_air, mixed
from doughlab.water.composition import build_composition
from doughlab.water.constants import CHARGE
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import Totals

_MIXED = (
    "alkalinity_mg_l", "hardness_mg_l", *(f"{ion}_mg_l" for ion in CHARGE), "temp_c",
    "free_chlorine_mg_l", "total_chlorine_mg_l", "cost_per_l",
)  # fmt: skip


@dataclass(frozen=True)
class Blend:
    """Hold a blend as a water of its own, and what it is made of.

    Attributes
    ----------
    sample : WaterSample
        Kind "blend"; what one part does not know is missing, except that unknown parts of share
        zero do not count.
    parts : tuple of (str, float)
        Names and mass shares, adding up to 1.
    ph_after_air : float or None
        pH after standing open; None where the pH cannot be solved.
    notes : tuple of str
        In words.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, hardness_mg_l=200, temp_c=20)
    >>> ro = WaterSample("ro", kind="reverse osmosis", ph=5.8, alkalinity_mg_l=5,
    ...                  hardness_mg_l=0, temp_c=20)
    >>> round(blend_waters([(tap, 1), (ro, 1)]).sample.alkalinity_mg_l, 2)
    77.5
    """

    sample: WaterSample
    parts: tuple[tuple[str, float], ...]
    ph_after_air: float | None
    notes: tuple[str, ...]

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        made = ", ".join(f"{100 * share:.0f} % {name}" for name, share in self.parts)
        water = self.sample
        facts = []
        if water.alkalinity_mg_l is not None:
            facts.append(f"alkalinity {water.alkalinity_mg_l:.0f} mg/L")
        if water.known_hardness_mg_l is not None:
            facts.append(f"hardness {water.known_hardness_mg_l:.0f} mg/L")
        if water.ph is not None:
            facts.append(f"pH {water.ph:.2f} closed, {self.ph_after_air:.2f} after air")
        if water.cost_per_l is not None:
            facts.append(f"cost {water.cost_per_l:.4g} a litre")
        lines = wrap(f"{made}: {'; '.join(facts)}", 80)
        lines += [line for n in self.notes for line in wrap(n, 80)]
        return "\n".join(lines[:15])

    def _repr_html_(self) -> str:
        """Give the same facts for a notebook."""
        from html import escape

        return "<pre>" + escape(str(self)) + "</pre>"


def blend_waters(parts: Sequence[tuple[WaterSample, float]], *, name: str = "blend") -> Blend:
    """Mix any number of waters by mass.

    Alkalinity, ions, carbon and heat mix linearly; the pH does not and is solved.

    Parameters
    ----------
    parts : sequence of (WaterSample, float)
        Waters with their shares; at least 0, scaled to add up to 1.
    name : str
        Id of the blend.

    Returns
    -------
    Blend
        Its sample can be dosed; its pH is missing where a part lacks pH or alkalinity.

    Raises
    ------
    InputError
        Without parts, with a negative share, or with different acids in the parts.

    References
    ----------
    Constants as in `acid_dose`. Checked against PHREEQC in
    tests/reference/test_acid_dose_parkhurst2013.py.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, hardness_mg_l=200, temp_c=20)
    >>> round(blend_waters([(tap, 0.3), (tap, 0.7)]).sample.ph, 6)
    7.8
    """
    used = _checked(parts)
    acids = sorted({w.acid for w, _ in used if w.acid_mmol_kg > 0})
    if len(acids) > 1:
        raise InputError(
            f"These waters hold different acids ({', '.join(acids)}); their blend is not "
            "calculated. Blend the waters first and dose the blend."
        )
    values: dict[str, Any] = {field: _mean(used, field) for field in _MIXED}
    if values["hardness_mg_l"] is None:
        values["hardness_mg_l"] = _mean(used, "known_hardness_mg_l")
    unsolved = [w.name for w, _ in used if w.ph is None or w.alkalinity_mg_l is None]
    ph = aired = None
    if not unsolved:
        totals = mixed([_likely(w) for w, _ in used], [s for _, s in used])
        ph, aired = float(closed(totals).ph[0]), float(in_air(totals).ph[0])
        values["temp_c"] = float(totals.temp_c[0])
    sample = WaterSample(
        name,
        kind="blend",
        ph=ph,
        treatment=" + ".join(f"{100 * s:.3g} % {w.name}" for w, s in used),
        said_by="blend of " + ", ".join(w.name for w, _ in used),
        uncertainty_pct=_doubt(used, values["alkalinity_mg_l"]),
        acid=acids[0] if acids else "",
        acid_mmol_kg=sum(s * w.acid_mmol_kg for w, s in used),
        laboratory_reason=_laboratory(used),
        **values,
    )
    shares = tuple((w.name, s) for w, s in used)
    return Blend(sample, shares, aired, _notes(used, unsolved))


def blend_to(
    first: WaterSample,
    second: WaterSample,
    *,
    alkalinity_mg_l: float | None = None,
    hardness_mg_l: float | None = None,
    name: str = "blend",
) -> Blend:
    """Find the blend of two waters that has a wanted alkalinity or hardness.

    Parameters
    ----------
    first, second : WaterSample
        Each with the wanted quantity known.
    alkalinity_mg_l, hardness_mg_l : float
        One of them, mg/L as CaCO3.

    Raises
    ------
    InputError
        When it is asked for both or none, or the wanted value is not between the two waters.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, temp_c=20)
    >>> ro = WaterSample("ro", kind="reverse osmosis", ph=5.8, alkalinity_mg_l=5, temp_c=20)
    >>> [round(share, 3) for _, share in blend_to(tap, ro, alkalinity_mg_l=63).parts]
    [0.4, 0.6]
    """
    if (alkalinity_mg_l is None) == (hardness_mg_l is None):
        raise InputError("Ask for one thing: alkalinity_mg_l or hardness_mg_l.")
    what = "alkalinity" if alkalinity_mg_l is not None else "hardness"
    wanted = alkalinity_mg_l if alkalinity_mg_l is not None else hardness_mg_l
    field = "alkalinity_mg_l" if what == "alkalinity" else "known_hardness_mg_l"
    have = [getattr(w, field) for w in (first, second)]
    for water, value in zip((first, second), have, strict=True):
        if value is None:
            raise InputError(f"{water.name}: the {what} is missing, so no blend can be found.")
    low, high = sorted(have)
    if wanted is None or not low <= wanted <= high or low == high:
        article = "An" if what == "alkalinity" else "A"
        raise InputError(
            f"{article} {what} of {wanted:g} mg/L does not lie between {first.name} "
            f"({have[0]:g}) and "
            f"{second.name} ({have[1]:g}). Choose a value between, or another water."
        )
    share = (wanted - have[1]) / (have[0] - have[1])
    return blend_waters([(first, share), (second, 1.0 - share)], name=name)


def _checked(parts: Sequence[tuple[WaterSample, float]]) -> list[tuple[WaterSample, float]]:
    """Refuse shares that are none; drop parts of share zero; scale to 1."""
    for water, share in parts:
        if not (math.isfinite(share) and share >= 0):
            raise InputError(f"{water.name}: a share of {share:g} is not possible; use 0 or more.")
    total = sum(share for _, share in parts)
    if not parts or total <= 0:
        raise InputError("A blend needs at least one water with a share above 0.")
    return [(w, s / total) for w, s in parts if s > 0]


def _likely(sample: WaterSample) -> Totals:
    """Give the likely totals of a water."""
    return build_composition(sample, vary=False).state.totals


def _mean(parts: list[tuple[WaterSample, float]], field: str) -> float | None:
    """Give the mean by mass; missing where one part does not know it."""
    total = 0.0
    for water, share in parts:
        value = getattr(water, field)
        if value is None:
            return None
        total += share * value
    return total


def _doubt(parts: list[tuple[WaterSample, float]], alkalinity: float | None) -> float | None:
    """Give the blend's doubt of the alkalinity in per cent: parts add by their squares."""
    if not alkalinity:
        return None
    halves = [s * float(w.alkalinity_mg_l or 0.0) * w.doubt_pct / 100 for w, s in parts]
    return min(100.0 * math.hypot(*halves) / alkalinity, 100.0)


def _laboratory(parts: list[tuple[WaterSample, float]]) -> str:
    """Carry the reason for a laboratory over to the blend."""
    return "; ".join(f"{w.name}: {w.needs_laboratory}" for w, _ in parts if w.needs_laboratory)


def _notes(parts: list[tuple[WaterSample, float]], unsolved: list[str]) -> tuple[str, ...]:
    """Say what the blend cannot say."""
    reason = _laboratory(parts)
    notes = [f"Laboratory before anybody tastes: {reason}."] if reason else []
    if unsolved:
        notes.append(
            f"The pH of the blend stays open: pH or alkalinity of {', '.join(unsolved)} is missing."
        )
    else:
        notes.append("The pH is solved, not averaged; read it with the meter before dosing.")
    return tuple(notes)
