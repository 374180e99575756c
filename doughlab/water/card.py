"""The dose card for the wall, its check against later readings, and a supply's drift.

Built from a titration or from a water sample; printed by the water command and the report.
It leaves fitting to titration, doses to dosing and layout of sheets to the record room.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from textwrap import wrap
from typing import TYPE_CHECKING

import numpy as np

from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.water.cautions import CAUTIONS, CHECK, SHORT, list_cautions
from doughlab.water.constants import TARGET_PH_HIGH, TARGET_PH_LOW
from doughlab.water.dose import Bench
from doughlab.water.dosing import acid_dose
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample

if TYPE_CHECKING:
    from doughlab.water.titration import TitrationFit

CARD_TARGETS = (7.0, 6.75, 6.5, 6.25, 6.0, 5.75, 5.5, 5.25, 5.0)
_USE = f"Weigh it, stir gently, {CHECK}."
_READING_PH = 0.1  # a kitchen meter's own doubt, 95 % (common practice, no source)


@dataclass(frozen=True)
class CardRow:
    """Hold one line of the card: a pH and the grams for it, with their 95 % range."""

    target_ph: float
    product_g: float
    low_g: float
    high_g: float


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
    """

    water: str
    product: str
    water_kg: float
    rows: tuple[CardRow, ...]
    alkalinity_mg_l: float
    made_on: str
    cautions: tuple[str, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """Give the card in lines of at most 80 characters; the cautions apart."""
        dated = f", measured {self.made_on}" if self.made_on else ""
        head = wrap(
            f"{self.water}, {self.water_kg:g} kg: grams of {self.product}; alkalinity "
            f"{self.alkalinity_mg_l:.0f} mg/L{dated}",
            80,
        )
        rows = [
            f"  {row.target_ph:.2f}  {row.product_g:8.1f}   {row.low_g:.1f} to {row.high_g:.1f}"
            for row in self.rows
        ]
        return (*head, "   pH      grams   95 % range", *rows, _USE)

    def __str__(self) -> str:
        """Give the card with the cautions of its case and, in short, those of every dose."""
        own = [CAUTIONS[k] for k in ("laboratory", "lemon") if CAUTIONS[k] in self.cautions]
        said = " ".join([*own, _USE, SHORT, CAUTIONS["dough only"]])
        return "\n".join([*self.lines[:-1], *wrap(said, 80)])

    def _repr_html_(self) -> str:
        """Give the card for a notebook, with every caution in full."""
        from html import escape

        said = "".join(f"<li>{escape(c)}</li>" for c in self.cautions)
        return f"<pre>{escape(chr(10).join(self.lines))}</pre><ul>{said}</ul>"

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
                f"{product_g:g} g in {water_kg:g} kg lies outside this card "
                f"({first:g} to {last:g} g in {self.water_kg:g} kg). Use a dose from its lines.",
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
        Date to print.

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
    else:
        rows = _fit_rows(source, targets, water_kg=water_kg, product=product)
        alkalinity, sample = source.alkalinity_mg_l, source.as_sample(water)
    cautions = list_cautions(
        lemon=product.may_carry_sulphites,
        low_alkalinity=alkalinity < 40,
        laboratory=bool(sample.needs_laboratory),
    )
    return DoseCard(water, product.name, water_kg, tuple(rows), alkalinity, made_on, cautions)


def _sample_rows(
    sample: WaterSample, targets: list[float], *, acid: str, water_kg: float, product: AcidProduct
) -> list[CardRow]:
    """Work the lines out from what is known of a water."""
    fine = Bench(scale_g=0.01)
    found = [
        acid_dose(sample, t, acid=acid, water_kg=water_kg, product=product, bench=fine)
        for t in targets
    ]
    return [CardRow(d.target_ph, d.product_g, d.product_low_g, d.product_high_g) for d in found]


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
    return [CardRow(d.target_ph, d.product_g, d.low_g, d.high_g) for d in doses]


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


@dataclass(frozen=True)
class Drift:
    """Hold what repeated measurements of a supply say.

    Attributes
    ----------
    n : int
        Measurements.
    mean_mg_l, low_mg_l, high_mg_l : float
        Weighted mean of the alkalinity; lowest and highest measurement.
    steady : bool
        Whether their differences are no larger than their own ranges explain.
    p_value : float
        Chance of differences this large from a steady supply.
    slope_mg_l_per_month : float or None
        Trend, where three or more dates are known.
    slope_low, slope_high : float or None
        Its 95 % range.
    advice : str
        What to do.
    """

    n: int
    mean_mg_l: float
    low_mg_l: float
    high_mg_l: float
    steady: bool
    p_value: float
    slope_mg_l_per_month: float | None
    slope_low: float | None
    slope_high: float | None
    advice: str

    def __str__(self) -> str:
        """Give the drift in at most three sentences."""
        text = (
            f"{self.n} measurements, {self.low_mg_l:.0f} to {self.high_mg_l:.0f} mg/L, mean "
            f"{self.mean_mg_l:.0f}. {self.advice}"
        )
        return "\n".join(wrap(text, 80))


def check_drift(samples: Sequence[WaterSample]) -> Drift:
    """Judge whether a supply is steady over the samples of a year.

    Parameters
    ----------
    samples : sequence of WaterSample
        At least two of the same supply, each with alkalinity and sampled_at.

    Raises
    ------
    NotEstimable
        With fewer than two measurements.
    InputError
        Where a date cannot be read.

    References
    ----------
    Weighted mean and chi-square test of constancy (Cochran 1954, Biometrics 10, 101).

    Examples
    --------
    >>> said = {"uncertainty_pct": 5, "ph": 7.8}
    >>> spring = WaterSample("s", alkalinity_mg_l=150, sampled_at="2026-03-01", **said)
    >>> autumn = WaterSample("a", alkalinity_mg_l=210, sampled_at="2026-09-01", **said)
    >>> check_drift([spring, autumn]).steady
    False
    """
    from scipy.special import chdtrc

    known = [s for s in samples if s.alkalinity_mg_l is not None]
    if len(known) < 2:
        raise NotEstimable("Drift needs two measurements of the alkalinity. Titrate again later.")
    days = np.array([_day(s) for s in known], dtype=float)
    value = np.array([s.alkalinity_mg_l for s in known], dtype=float)
    spread = np.maximum(value * np.array([s.doubt_pct for s in known]) / 100 / 1.96, 0.5)
    weight = 1.0 / spread**2
    mean = float(np.sum(weight * value) / np.sum(weight))
    chi2 = float(np.sum(weight * (value - mean) ** 2))
    p_value = float(chdtrc(len(value) - 1, chi2))
    slope = _slope(days, value, weight)
    steady = p_value >= 0.05
    newest = known[int(np.argmax(days))]
    if steady:
        advice = "No change beyond what the measurements' own ranges explain: keep the card."
    else:
        advice = (
            f"The supply changes. Use the newest ({newest.alkalinity_mg_l:.0f} mg/L), and titrate "
            "before each new card; ask the supplier when the source is switched."
        )
    return Drift(
        len(value), mean, float(value.min()), float(value.max()), steady, p_value, *slope, advice
    )


def _slope(
    days: np.ndarray, value: np.ndarray, weight: np.ndarray
) -> tuple[float | None, float | None, float | None]:
    """Fit a weighted line; mg/L per month with its 95 % range, from three dates on."""
    if len(np.unique(days)) < 3:
        return None, None, None
    centre = np.sum(weight * days) / np.sum(weight)
    around = days - centre
    square = float(np.sum(weight * around**2))
    slope = float(np.sum(weight * around * value) / square)
    half = 1.96 / math.sqrt(square)
    month = 365.25 / 12
    return slope * month, (slope - half) * month, (slope + half) * month


def _day(sample: WaterSample) -> int:
    """Read the day of a sample."""
    text = sample.sampled_at
    try:
        return datetime.fromisoformat(text).date().toordinal()
    except ValueError:
        raise InputError(
            f"{sample.name}: sampled_at '{text}' is not a date. Write it like "
            f"{date(2026, 3, 5).isoformat()}."
        ) from None
