"""The dose card for the wall, and its check against later readings.

Built from a titration or from a water sample; printed by the water command and the report.
It leaves fitting to titration, doses to dosing and a supply over the year to drift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING

import numpy as np

from doughlab.errors import InputError, OutOfRange
from doughlab.water.cautions import CAUTIONS, CHECK, SHORT, list_cautions
from doughlab.water.constants import TARGET_PH_HIGH, TARGET_PH_LOW
from doughlab.water.dose import Bench, temp_words
from doughlab.water.dosing import acid_dose
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample

if TYPE_CHECKING:
    from doughlab.water.titration import TitrationFit

CARD_TARGETS = (7.0, 6.75, 6.5, 6.25, 6.0, 5.75, 5.5, 5.25, 5.0)
_USE = f"Weigh it, stir gently, {CHECK}."
_VESSEL = (
    "Closed vessel: a lid lies on, little air contact, never sealed. In an open one the CO2 leaves "
    "and the pH climbs to the last column, in minutes when stirred, hours to days when still."
)
_READING_PH = 0.1  # a kitchen meter's own doubt, 95 % (common practice, no source)


@dataclass(frozen=True)
class CardRow:
    """Hold one line of the card: a pH, the grams for it with their 95 % range, the pH after air."""

    target_ph: float
    product_g: float
    low_g: float
    high_g: float
    ph_after_air: float | None = None

    @property
    def cells(self) -> tuple[str, str, str, str]:
        """Give the line as it is printed: pH, grams, range, pH after air.

        Examples
        --------
        >>> CardRow(6.0, 31.4, 26.4, 36.4, 8.02).cells
        ('6.00', '31.4', '26.4 to 36.4', '8.0')
        """
        aired = "" if self.ph_after_air is None else f"{self.ph_after_air:.1f}"
        span = f"{self.low_g:.1f} to {self.high_g:.1f}"
        return f"{self.target_ph:.2f}", f"{self.product_g:.1f}", span, aired


@dataclass(frozen=True)
class DoseCard:
    """Hold grams for each pH, for one water, one bottle and one amount of water.

    Attributes
    ----------
    water, product : str
        Names.
    water_kg : float
        The amount the grams are for.
    rows : tuple of CardRow
        From high pH to low.
    alkalinity_mg_l : float
        What the card stands on.
    made_on : str
        Date of the measurement, as given.
    cautions : tuple of str
        To be printed with it.
    basis : str
        Where the alkalinity comes from: report, label, own titration ...
    temp_c : float or None
        Temperature of the water that the grams are for; None where nobody measured it.
    concentrated : bool
        Whether the bottle is so strong that its caution stands above the lines.
    instead : str
        Ordinary vinegar with its grams, where the bottle is concentrated.
    """

    water: str
    product: str
    water_kg: float
    rows: tuple[CardRow, ...]
    alkalinity_mg_l: float
    made_on: str
    cautions: tuple[str, ...]
    basis: str = ""
    temp_c: float | None = None
    concentrated: bool = False
    instead: str = ""

    @property
    def head(self) -> tuple[str, ...]:
        """Give what stands above the lines: amount, bottle, water and vessel, a sentence each."""
        from_whom = self.basis or "nobody says from where"
        dated = f", {self.made_on}" if self.made_on else ", no date"
        temp = "temperature not measured, 20 C taken"
        if self.temp_c is not None:
            temp = f"at {temp_words(self.temp_c, 'C')} ({self.temp_c * 1.8 + 32:.0f} F)"
        above = [CAUTIONS["concentrated"]] if self.concentrated else []
        return (
            *above,
            *([self.instead] if self.instead else []),
            f"{self.water}, {self.water_kg:.4g} kg: grams of {self.product}",
            f"Water {temp}; alkalinity {self.alkalinity_mg_l:.0f} mg/L ({from_whom}{dated}).",
            _VESSEL,
        )

    @property
    def lines(self) -> tuple[str, ...]:
        """Give the card in lines of at most 80 characters; the cautions apart."""
        rows = []
        for row in self.rows:
            ph, grams, span, aired = row.cells
            rows.append(f"  {ph}  {grams:>8}   {span:16}   {aired}".rstrip())
        head = [line for text in self.head for line in wrap(text, 80)]
        return (*head, "   pH      grams   95 % range         pH after air", *rows, _USE)

    def __str__(self) -> str:
        """Give the card with the cautions of its case and, in short, those of every dose."""
        own = [CAUTIONS[k] for k in ("laboratory", "lemon") if CAUTIONS[k] in self.cautions]
        said = " ".join([*own, _USE, SHORT, CAUTIONS["dough only"]])
        return "\n".join([*self.lines[:-1], *wrap(said, 80)])

    def _repr_html_(self) -> str:
        """Give the card for a notebook or a phone, with every caution in full."""
        from html import escape

        title, *about = self.head[-3:]
        above = [f"<p><b>{escape(text)}</b></p>" for text in (*self.head[:-3], title)]
        above += [f"<p>{escape(text)}</p>" for text in about]
        heads = "".join(f"<th>{h}</th>" for h in ("pH", "grams", "95 % range", "pH after air"))
        rows = "".join(
            "<tr>" + "".join(f"<td>{cell}</td>" for cell in row.cells) + "</tr>"
            for row in self.rows
        )
        said = "".join(f"<li>{escape(c)}</li>" for c in self.cautions)
        return (
            f"<div>{''.join(above)}<table><tr>{heads}</tr>{rows}</table>"
            f"<p>{_USE}</p><ul>{said}</ul></div>"
        )

    def expected_ph(self, product_g: float, water_kg: float) -> tuple[float, float, float]:
        """Give the pH that some grams should give: value, low, high.

        Raises
        ------
        OutOfRange
            When the grams lie beyond the card's lines.

        Examples
        --------
        >>> rows = (CardRow(7.0, 1, 0.9, 1.1), CardRow(6.0, 3, 2.7, 3.3))
        >>> card = DoseCard("tap", "vinegar", 1.0, rows, 100, "", ())
        >>> card.expected_ph(2.0, 1.0)[0]
        6.5
        """
        grams = product_g * self.water_kg / water_kg
        first, last = self.rows[0].product_g, self.rows[-1].product_g
        if not first <= grams <= last:
            raise OutOfRange(
                f"{product_g:g} g in {water_kg:.4g} kg lies outside this card "
                f"({first:g} to {last:g} g in {self.water_kg:.4g} kg). Use a dose from its lines.",
                value=grams, low=first, high=last,
            )  # fmt: skip
        ph = [r.target_ph for r in self.rows]
        value = float(np.interp(grams, [r.product_g for r in self.rows], ph))
        # Where the water takes more (the high grams), the same grams leave the pH higher.
        high = float(np.interp(grams, [r.high_g for r in self.rows], ph))
        low = float(np.interp(grams, [r.low_g for r in self.rows], ph))
        return value, min(low, value), max(high, value)


@dataclass(frozen=True)
class CardCheck:
    """Hold how a later reading agrees with a card.

    Attributes
    ----------
    agrees : bool
        Whether the reading lies inside the range, the meter's doubt included.
    expected_ph, low, high, read_ph : float
        What the card says, and what was read.
    advice : str
        What to do.
    """

    agrees: bool
    expected_ph: float
    low: float
    high: float
    read_ph: float
    advice: str

    def __str__(self) -> str:
        """Give the comparison in a sentence."""
        return (
            f"read pH {self.read_ph:.2f}, the card says {self.expected_ph:.2f} "
            f"({self.low:.2f} to {self.high:.2f}): {self.advice}"
        )


def build_card(
    source: TitrationFit | WaterSample,
    *,
    water: str,
    water_kg: float,
    product: AcidProduct,
    acid: str = "acetic",
    made_on: str = "",
) -> DoseCard:
    """Build the card of a titrated or known water.

    Parameters
    ----------
    source : TitrationFit or WaterSample
        A fit gives its own product's grams; a sample needs pH and alkalinity.
    water : str
        Name to print.
    water_kg : float
        The amount that the kitchen doses.
    product : AcidProduct
        The bottle; for a fit the one that was titrated.
    acid : str
        acetic, citric or lactic.
    made_on : str
        Date to print; that of the sample where not given.

    Raises
    ------
    InputError
        When no pH of the card lies below the water's own.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, temp_c=18)
    >>> card = build_card(tap, water="tap", water_kg=12,
    ...                   product=AcidProduct("white vinegar", 5, "w/v"))
    >>> card.rows[0].target_ph, card.rows[0].product_g < card.rows[-1].product_g
    (7.0, True)
    """
    start = float(source.ph or 0.0) if isinstance(source, WaterSample) else source.ph_start
    targets = [t for t in CARD_TARGETS if TARGET_PH_LOW <= t <= min(TARGET_PH_HIGH, start - 0.1)]
    if not targets:
        raise InputError(
            f"{water} is at pH {start:.2f}: no line of the card lies below it. It needs no acid."
        )
    if isinstance(source, WaterSample):
        rows = _sample_rows(source, targets, acid=acid, water_kg=water_kg, product=product)
        alkalinity, sample = float(source.alkalinity_mg_l or 0.0), source
        basis, made_on = source.said_by, made_on or source.sampled_at[:10]
    else:
        rows = _fit_rows(source, targets, water_kg=water_kg, product=product)
        alkalinity, sample = source.alkalinity_mg_l, source.as_sample(water)
        basis = f"own titration, {source.curve.count} readings"
    cautions = list_cautions(
        lemon=product.may_carry_sulphites,
        low_alkalinity=alkalinity < 40,
        laboratory=bool(sample.needs_laboratory),
        concentrated=product.concentrated,
    )
    return DoseCard(
        water, product.name, water_kg, tuple(rows), alkalinity, made_on, cautions,
        basis, sample.temp_c, product.concentrated,
        _vinegar_line(sample, targets, water_kg) if product.concentrated and product.liquid else "",
    )  # fmt: skip


def _vinegar_line(sample: WaterSample, targets: list[float], water_kg: float) -> str:
    """Offer ordinary vinegar instead of a concentrated acid, with its grams for one line."""
    target = 6.0 if 6.0 in targets else targets[0]
    vinegar = AcidProduct("ordinary white vinegar", 5.0, "w/v")
    dose = acid_dose(sample, target, acid="acetic", water_kg=water_kg, product=vinegar)
    return (
        f"Ordinary white vinegar (5 %) does the same without goggles: {dose.product_g:.1f} g for "
        f"pH {target:.2f}, and a card of its own."
    )


def _sample_rows(
    sample: WaterSample, targets: list[float], *, acid: str, water_kg: float, product: AcidProduct
) -> list[CardRow]:
    """Work the lines out from what is known of a water."""
    fine = Bench(scale_g=0.01)
    found = [
        acid_dose(sample, t, acid=acid, water_kg=water_kg, product=product, bench=fine)
        for t in targets
    ]
    return [
        CardRow(d.target_ph, d.product_g, d.product_low_g, d.product_high_g, d.ph_after_air)
        for d in found
    ]


def _fit_rows(
    fit: TitrationFit, targets: list[float], *, water_kg: float, product: AcidProduct
) -> list[CardRow]:
    """Work the lines out from a titration, for the bottle that was titrated."""
    if fit.curve.product != product:
        raise InputError(
            f"The titration was done with {fit.curve.product.name}; a card for another "
            "bottle needs its own titration, or a card from the sample."
        )
    doses = [fit.dose(t, water_kg=water_kg) for t in targets]
    aired = fit.ph_after_air([d.product_g for d in doses], water_kg=water_kg)
    return [
        CardRow(d.target_ph, d.product_g, d.low_g, d.high_g, ph)
        for d, ph in zip(doses, aired, strict=True)
    ]


def check_card(card: DoseCard, *, product_g: float, water_kg: float, ph_read: float) -> CardCheck:
    """Compare a later reading of dosed water with the card.

    The water was read at once after dosing, little air in between.

    Examples
    --------
    >>> rows = (CardRow(7.0, 1, 0.9, 1.1), CardRow(6.0, 3, 2.7, 3.3))
    >>> card = DoseCard("tap", "vinegar", 1.0, rows, 100, "", ())
    >>> check_card(card, product_g=2.0, water_kg=1.0, ph_read=6.55).agrees
    True
    """
    value, low, high = card.expected_ph(product_g, water_kg)
    low, high = (
        value - math.hypot(value - low, _READING_PH),
        value + math.hypot(high - value, _READING_PH),
    )
    agrees = low <= ph_read <= high
    if agrees:
        advice = "the card still fits."
    elif ph_read > high:
        advice = (
            "the water takes more acid than on the card, the acid is weaker, or it stood open. "
            "Put the meter into its buffers, read again at once; if it stays, titrate anew."
        )
    else:
        advice = (
            "the water takes less acid than on the card, or the acid is stronger. Put the meter "
            "into its buffers, check the bottle; if it stays, titrate anew."
        )
    return CardCheck(agrees, value, low, high, ph_read, advice)
