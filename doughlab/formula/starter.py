"""Starters: when a fed starter or preferment is ripe, from the kitchen's own feedings.

Notebooks and the daily check ask here; hours are counted by `clock`.
What to do after a hot or cold night is left to `night`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.core import clock_words
from doughlab.formula.ripening import RipeningModel, cardinal_model
from doughlab.formula.student import t_quantile

LEAST_FEEDINGS = 3  # two leave a spread without a range; rule of this project
STARTER_CLOCK = cardinal_model("sourdough bacteria", reference_c=20.0)
DISCARD = (
    "Mouldy or discoloured: throw all of it away, do not taste it, wash the vessel hot, and start "
    "from a clean one."
)
RECORD = (
    f"Record {LEAST_FEEDINGS} feedings: grams of starter, flour and water, the temperature, and "
    "the hours until it was ripe"
)


def feed_grams(
    wanted_g: float, *, starter_part: float, flour_part: float, water_part: float
) -> dict[str, float]:
    """Give the grams of a feeding from its parts.

    Parameters
    ----------
    wanted_g : float
        Grams of fed starter, above 0.
    starter_part, flour_part, water_part : float
        Such as 1 : 4 : 4; starter and flour above 0.

    Examples
    --------
    >>> feed_grams(450, starter_part=1, flour_part=4, water_part=4)
    {'starter': 50.0, 'flour': 200.0, 'water': 200.0}
    """
    if wanted_g <= 0 or starter_part <= 0 or flour_part <= 0 or water_part < 0:
        raise InputError(
            "A feeding needs grams, starter and flour above 0, such as 450 g of 1:4:4."
        )
    whole = starter_part + flour_part + water_part
    parts = {"starter": starter_part, "flour": flour_part, "water": water_part}
    return {name: wanted_g * part / whole for name, part in parts.items()}


@dataclass(frozen=True)
class Feeding:
    """One feeding that was watched.

    Attributes
    ----------
    starter_g, flour_g, water_g : float
    temps : TemperatureHistory
        From feeding until it was ripe.
    ripe_h : float or None
        Hours until it was ripe, as the kitchen judges it; None where that is not recorded.
    readings : tuple of (hours, pH)
        Since the feeding.

    Examples
    --------
    >>> warm = TemperatureHistory.from_steps([(9, 24)])
    >>> Feeding(50, 200, 200, warm, ripe_h=8).dilution
    9.0
    """

    starter_g: float
    flour_g: float
    water_g: float
    temps: TemperatureHistory
    ripe_h: float | None = None
    readings: tuple[tuple[float, float], ...] = ()

    @property
    def dilution(self) -> float:
        """How many times the starter was thinned: all over starter.

        Raises
        ------
        InputError
            Without grams of starter and flour.
        """
        if self.starter_g <= 0 or self.flour_g <= 0:
            raise InputError("A feeding needs grams of starter and flour above 0.")
        return (self.starter_g + self.flour_g + self.water_g) / self.starter_g


@dataclass(frozen=True)
class StarterModel:
    """What own feedings say; see `fit_starter`.

    Attributes
    ----------
    log_hours, log_sd : float
        Mean and spread of the logarithm of hours per e-fold of thinning, at the reference.
    feedings : int
    fall, fall_sd : float or None
        pH an hour at the reference, and its spread between feedings; None without two readings.
    read_feedings : int
    clock : RipeningModel
    dilutions : (float, float)
        Least and most that was tried.

    Examples
    --------
    >>> warm = TemperatureHistory.from_steps([(12, 20)])
    >>> model = fit_starter([Feeding(50, 200, 200, warm, ripe_h=h) for h in (8.0, 8.5, 9.0)])
    >>> model.feedings, round(model.hours_to_ripe(9)[0], 1)
    (3, 8.5)
    """

    log_hours: float
    log_sd: float
    feedings: int
    fall: float | None
    fall_sd: float | None
    read_feedings: int
    clock: RipeningModel
    dilutions: tuple[float, float]

    def hours_to_ripe(self, dilution: float) -> tuple[float, float, float]:
        """Give equivalent hours until ripe: value, and the 95 % range of a single feeding."""
        half = t_quantile(self.feedings - 1) * self.log_sd * math.sqrt(1 + 1 / self.feedings)
        whole = math.log(dilution)
        return (
            whole * math.exp(self.log_hours),
            whole * math.exp(self.log_hours - half),
            whole * math.exp(self.log_hours + half),
        )


def fit_starter(
    feedings: Sequence[Feeding], *, clock: RipeningModel = STARTER_CLOCK
) -> StarterModel:
    """Learn the time to ripe from own feedings.

    A starter thinned n times needs time in proportion to the logarithm of n, as growth does;
    temperature is counted by the clock. The feeding is the unit.

    Parameters
    ----------
    feedings : sequence of Feeding
    clock : RipeningModel

    Returns
    -------
    StarterModel

    Raises
    ------
    NotEstimable
        With fewer than three feedings watched until ripe; says what to record.

    References
    ----------
    Exponential growth, so that time goes with the logarithm of the dilution; a rule of this
    project, the clock names its own source.

    Examples
    --------
    >>> fit_starter([])
    Traceback (most recent call last):
    ...
    doughlab.errors.NotEstimable: 0 feedings were watched until ripe. Record 3 feedings: ...
    """
    ripe = [f for f in feedings if f.ripe_h is not None]
    if len(ripe) < LEAST_FEEDINGS:
        count = "1 feeding was" if len(ripe) == 1 else f"{len(ripe)} feedings were"
        raise NotEstimable(f"{count} watched until ripe. {RECORD}.")
    logs = []
    for f in ripe:
        worth = equivalent_hours(f.temps, clock, end_h=f.ripe_h)
        if worth <= 0:
            raise NotEstimable(
                "A feeding stood so cold that its clock counts nothing. Leave it out, or use "
                "another clock."
            )
        logs.append(math.log(worth / math.log(f.dilution)))
    falls = [fall for f in feedings if (fall := _fall(f, clock)) is not None]
    enough = len(falls) >= LEAST_FEEDINGS
    dilutions = [f.dilution for f in ripe]
    return StarterModel(
        float(np.mean(logs)),
        float(np.std(logs, ddof=1)),
        len(ripe),
        float(np.mean(falls)) if enough else None,
        float(np.std(falls, ddof=1)) if enough else None,
        len(falls),
        clock,
        (min(dilutions), max(dilutions)),
    )


def _fall(feeding: Feeding, clock: RipeningModel) -> float | None:
    """Give the fall of pH per equivalent hour between first and last reading."""
    if len(feeding.readings) < 2:
        return None
    (h0, ph0), *_, (h1, ph1) = sorted(feeding.readings)
    worth = equivalent_hours(feeding.temps, clock, start_h=h0, end_h=h1)
    return (ph0 - ph1) / worth if worth > 0 else None


@dataclass(frozen=True)
class StarterAdvice:
    """What to do with a starter or preferment now.

    Attributes
    ----------
    kind : str
        "ripe", "wait", "past" or "discard".
    hours, low_h, high_h : float or None
        Hours until ripe at the temperature asked, with 95 % range; None where there are none.
    words : str

    Examples
    --------
    >>> StarterAdvice("use", 0.0, None, None, "4.10: ripe, use it now").words
    '4.10: ripe, use it now'
    """

    kind: str
    hours: float | None
    low_h: float | None
    high_h: float | None
    words: str


def foresee_ripe(
    model: StarterModel, *, dilution: float, temp_c: float, stood: TemperatureHistory | None = None
) -> StarterAdvice:
    """Say when a fed starter will be ripe at a temperature.

    Parameters
    ----------
    model : StarterModel
    dilution : float
        All over starter, above 1.
    temp_c : float
        Where it stands from now on, degrees Celsius.
    stood : TemperatureHistory, optional
        Where it stood since it was fed.

    Raises
    ------
    NotEstimable
        For a thinning well outside those tried, or a temperature at which nothing ripens.

    Examples
    --------
    >>> warm = TemperatureHistory.from_steps([(12, 20)])
    >>> watched = [Feeding(50, 200, 200, warm, ripe_h=h) for h in (8.0, 8.5, 9.0)]
    >>> foresee_ripe(fit_starter(watched), dilution=9, temp_c=20).words
    'ripe in 8 h 29 (6 h 20 to 11 h 23)'
    """
    least, most = model.dilutions
    if not 0.7 * least <= dilution <= 1.4 * most:
        raise NotEstimable(
            f"Thinned {dilution:.1f} times: feedings were watched from {least:.1f} to {most:.1f} "
            f"times only. {RECORD} of that kind."
        )
    rate = _rate_at(model.clock, temp_c)
    done = 0.0 if stood is None else equivalent_hours(stood, model.clock)
    value, low, high = (max(0.0, h - done) / rate for h in model.hours_to_ripe(dilution))
    if high == 0.0:
        return StarterAdvice("past", None, None, None, "past ripe by its hours: read its pH")
    words = f"ripe in {clock_words(value)} ({clock_words(low)} to {clock_words(high)})"
    return StarterAdvice("ripe" if value == 0 else "wait", value, low, high, words)


def _rate_at(clock: RipeningModel, temp_c: float) -> float:
    rate = float(clock.rate(temp_c))
    if rate <= 0:
        raise NotEstimable(f"At {temp_c:g} °C this clock counts nothing: no time can be foreseen.")
    return rate


def judge_reading(
    model: StarterModel,
    ph: float,
    *,
    ripe: tuple[float, float],
    temp_c: float,
    spoiled: bool = False,
) -> StarterAdvice:
    """Say from a reading whether a starter is ripe, or how long it still takes.

    Parameters
    ----------
    model : StarterModel
    ph : float
        Read just now, 2.5 to 7.5.
    ripe : (float, float)
        The kitchen's own band of a ripe one, pH.
    temp_c : float
        Where it stands, degrees Celsius.
    spoiled : bool
        Mouldy or discoloured; then nothing else counts.

    Returns
    -------
    StarterAdvice

    Raises
    ------
    NotEstimable
        Above the band without feedings read twice; says what to record.
    OutOfRange
        For a pH outside 2.5 to 7.5.

    Examples
    --------
    >>> warm = TemperatureHistory.from_steps([(12, 20)])
    >>> watched = [Feeding(50, 200, 200, warm, ripe_h=h) for h in (8.0, 8.5, 9.0)]
    >>> judge_reading(fit_starter(watched), 4.1, ripe=(3.9, 4.3), temp_c=20).words
    '4.10: ripe, use it now'
    """
    if spoiled:
        return StarterAdvice("discard", None, None, None, DISCARD)
    if not 2.5 <= ph <= 7.5:
        raise OutOfRange(f"pH {ph:g} lies outside 2.5 to 7.5. Read it again.", value=ph, low=2.5,
                         high=7.5)  # fmt: skip
    low, high = ripe
    if low <= ph <= high:
        return StarterAdvice("ripe", 0.0, 0.0, 0.0, f"{ph:.2f}: ripe, use it now")
    if ph < low:
        words = f"{ph:.2f}: past ripe; feed it again, or use less of it than planned"
        return StarterAdvice("past", None, None, None, words)
    if model.fall is None or model.fall_sd is None or model.fall <= 0:
        raise NotEstimable(
            f"{ph:.2f}: not ripe yet. How long it takes is not known: read pH after feeding and "
            f"once more before it is ripe, in {LEAST_FEEDINGS} feedings."
        )
    rate = _rate_at(model.clock, temp_c)
    hours = (ph - high) / model.fall
    n = model.read_feedings
    reach = t_quantile(n - 1) * model.fall_sd * math.sqrt(1 + 1 / n) / model.fall
    least, most = hours / (1 + reach), (hours / (1 - reach) if reach < 1 else math.inf)
    value, low_h, high_h = (h / rate for h in (hours, least, most))
    last = "no end known" if math.isinf(high_h) else clock_words(high_h)
    words = f"{ph:.2f}: ripe in {clock_words(value)} ({clock_words(low_h)} to {last}), read again"
    return StarterAdvice("wait", value, low_h, None if math.isinf(high_h) else high_h, words)
