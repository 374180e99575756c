"""The drift of a supply: what its measurements over a year say.

Called by the water command with every sample of one water that waters.csv holds.
It leaves a single measurement to titration and the card made of it to card.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from textwrap import wrap

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.water.sample import WaterSample


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
        mean = f", mean {self.mean_mg_l:.0f}" if self.steady else ""
        text = (
            f"{self.n} measurements, {self.low_mg_l:.0f} to {self.high_mg_l:.0f} mg/L{mean}. "
            f"{self.advice}"
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
