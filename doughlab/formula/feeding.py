"""Feeding: ratio, temperature and hours of a starter, each found from the other two.

`doughlab ripe STARTER` asks here. Own feedings are learned by `starter`; without three of them
the hours are common practice, wide, and said so. Grams of a dough are left to `weighing`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.ripening import RipeningModel
from doughlab.formula.starter import (
    LEAST_FEEDINGS,
    STARTER_CLOCK,
    Feeding,
    StarterModel,
    fit_starter,
)

# Hours at 24 °C in which a fed starter is ripe, for each e-fold of thinning: 1:1:1 in about 4.7 h,
# 1:5:5 in about 10 h, and up to 1.8 times shorter or longer. Common practice, no source.
USUAL_H, USUAL_C, USUAL_SPREAD = 4.3, 24.0, 1.8
# Where a starter is kept to ripen, °C: common practice, no source.
LEAST_C, MOST_C = 8.0, 32.0
MOST_PARTS = 100.0
_RATIO = re.compile(r"\s*([0-9.,]+)\s*:\s*([0-9.,]+)(?:\s*:\s*([0-9.,]+))?\s*")

Span = tuple[float, float, float]
"""A value and its 95 % range."""

OpenSpan = tuple[float, float | None, float | None]
"""The same with an end that may not be known."""


@dataclass(frozen=True)
class Ratio:
    """A feeding in parts, the starter 1.

    Attributes
    ----------
    flour, water : float
        For one part of starter.

    Examples
    --------
    >>> Ratio(4, 4).dilution, str(Ratio(4, 4))
    (9.0, '1:4:4')
    """

    flour: float
    water: float

    @property
    def dilution(self) -> float:
        """How many times the starter is thinned."""
        return 1.0 + self.flour + self.water

    def __str__(self) -> str:
        """Write it as cooks do."""
        return f"1:{_part(self.flour)}:{_part(self.water)}"

    @classmethod
    def of_dilution(cls, dilution: float, *, hydration_pct: float) -> Ratio:
        """Give the feeding that thins so many times and keeps a hydration.

        Examples
        --------
        >>> str(Ratio.of_dilution(9, hydration_pct=100))
        '1:4:4'
        """
        flour = (dilution - 1.0) / (1.0 + hydration_pct / 100.0)
        return cls(flour, flour * hydration_pct / 100.0)


def _part(value: float) -> str:
    return f"{value:.0f}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def read_ratio(text: str, *, hydration_pct: float = 100.0) -> Ratio:
    """Read a feeding: starter : flour : water, or starter : flour with the starter's own water.

    Parameters
    ----------
    text : str
    hydration_pct : float
        Of the starter, where the water is not said.

    Raises
    ------
    InputError
        With what would be right.

    Examples
    --------
    >>> str(read_ratio("2 : 8 : 8")), str(read_ratio("1:5", hydration_pct=50))
    ('1:4:4', '1:5:2.5')
    """
    found = _RATIO.fullmatch(text)
    try:
        parts = [float(p.replace(",", ".")) for p in found.groups() if p] if found else []
    except ValueError:
        parts = []
    if len(parts) < 2 or parts[0] <= 0 or parts[1] <= 0:
        raise InputError(
            f"'{text.strip()}' is no feeding. Write starter, flour and water, such as 1:4:4."
        )
    water = parts[2] if len(parts) == 3 else parts[1] * hydration_pct / 100.0
    ratio = Ratio(parts[1] / parts[0], water / parts[0])
    if ratio.dilution > MOST_PARTS:
        raise OutOfRange(
            f"{text.strip()} thins the starter {ratio.dilution:.0f} times; {MOST_PARTS:.0f} is the "
            "most that is reckoned with. Feed it in two goes.",
            value=ratio.dilution, low=1.0, high=MOST_PARTS,
        )  # fmt: skip
    return ratio


@dataclass(frozen=True)
class FeedRule:
    """Hours until ripe: those per e-fold of thinning, counted by a clock.

    Attributes
    ----------
    at_reference : (float, float, float)
        Hours per e-fold at the clock's reference: value and 95 % range of a single feeding.
    clock : RipeningModel
    feedings : int
        Own feedings behind it; 0 for common practice.
    dilutions : (float, float) or None
        Least and most that own feedings tried.

    Examples
    --------
    >>> value, low, high = usual_rule().hours(3.0, 24.0)
    >>> round(value, 1), round(low, 1), round(high, 1)
    (4.7, 2.6, 8.5)
    """

    at_reference: Span
    clock: RipeningModel
    feedings: int = 0
    dilutions: tuple[float, float] | None = None

    def hours(self, dilution: float, temp_c: float) -> Span:
        """Give the hours until ripe and their 95 % range.

        Parameters
        ----------
        dilution : float
            All over starter, above 1.
        temp_c : float
            8 to 32 degrees Celsius.

        Raises
        ------
        OutOfRange
            Beyond these temperatures.
        NotEstimable
            For a thinning well outside those that own feedings tried.
        """
        self._check(dilution)
        rate = self._rate(temp_c)
        value, low, high = (math.log(dilution) * k / rate for k in self.at_reference)
        return value, low, high

    def dilution(self, hours: float, temp_c: float) -> Span:
        """Give the thinning that is ripe after some hours, and the range that could be it.

        Raises
        ------
        OutOfRange, NotEstimable
            As `hours`; or where the hours are too many for any feeding.
        """
        worth = hours * self._rate(temp_c)
        value, high, low = (math.exp(min(worth / k, 20.0)) for k in self.at_reference)
        if value > MOST_PARTS:
            raise NotEstimable(
                f"{hours:g} h at {temp_c:.0f} °C are too long for one feeding: keep it cooler, or "
                "feed it in between."
            )
        self._check(value)
        return value, low, min(high, MOST_PARTS)

    def temperature(self, hours: float, dilution: float) -> OpenSpan:
        """Give the temperature at which a feeding is ripe after some hours, with its range.

        Returns
        -------
        tuple of float
            Value, and the ends of its range; None for an end below 8 or above 32 °C.

        Raises
        ------
        NotEstimable
            Where it lies outside 8 to 32 °C.
        """
        self._check(dilution)
        value, low, high = (
            self._temp_of_rate(math.log(dilution) * k / hours) for k in self.at_reference
        )
        if value is None:
            warmest = self.hours(dilution, self._warmest)[0]
            side = "longer" if hours < warmest else "shorter"
            raise NotEstimable(
                f"No temperature from {LEAST_C:g} to {MOST_C:g} °C makes it ripe in {hours:g} h: "
                f"take a {side} time, or another feeding."
            )
        return value, low, high

    @property
    def _warmest(self) -> float:
        """The temperature up to which warmer is faster."""
        grid = [LEAST_C + 0.1 * i for i in range(round((MOST_C - LEAST_C) * 10) + 1)]
        return max(grid, key=lambda t: float(self.clock.rate(t)))

    def _temp_of_rate(self, rate: float) -> float | None:
        """Find the temperature of a rate where warmer is faster; None outside 8 to 32 °C."""
        low, high = LEAST_C, self._warmest
        if not float(self.clock.rate(low)) <= rate <= float(self.clock.rate(high)):
            return None
        for _ in range(60):
            middle = (low + high) / 2.0
            low, high = (middle, high) if float(self.clock.rate(middle)) < rate else (low, middle)
        return (low + high) / 2.0

    def _rate(self, temp_c: float) -> float:
        if not LEAST_C <= temp_c <= MOST_C:
            raise OutOfRange(
                f"{temp_c:.1f} °C lies outside {LEAST_C:g} to {MOST_C:g} °C, in which a starter is "
                "left to ripen. Say where it stands.",
                value=temp_c, low=LEAST_C, high=MOST_C,
            )  # fmt: skip
        return float(self.clock.rate(temp_c))

    def _check(self, dilution: float) -> None:
        if self.dilutions is None:
            return
        least, most = self.dilutions
        if not 0.7 * least <= dilution <= 1.4 * most:
            raise NotEstimable(
                f"Thinned {dilution:.1f} times: your feedings were watched from {least:.1f} to "
                f"{most:.1f} times only. Write down {LEAST_FEEDINGS} of that kind too."
            )


def usual_rule(clock: RipeningModel = STARTER_CLOCK) -> FeedRule:
    """Give the rule of a kitchen that has watched no feedings yet: common practice, no source."""
    middle = USUAL_H * float(clock.rate(USUAL_C))
    return FeedRule((middle, middle / USUAL_SPREAD, middle * USUAL_SPREAD), clock)


def own_rule(model: StarterModel) -> FeedRule:
    """Give the rule that own feedings teach.

    Examples
    --------
    >>> warm = TemperatureHistory.from_steps([(12, 20)])
    >>> model = fit_starter([Feeding(50, 200, 200, warm, ripe_h=h) for h in (8.0, 8.5, 9.0)])
    >>> [round(h, 1) for h in own_rule(model).hours(9, 20)]
    [8.5, 6.3, 11.4]
    """
    value, low, high = model.hours_to_ripe(math.e)
    return FeedRule((value, low, high), model.clock, model.feedings, model.dilutions)


@dataclass(frozen=True)
class Watched:
    """Feedings of one starter that were written down.

    Attributes
    ----------
    feedings : tuple of Feeding
        Those with ratio, temperature and hours.
    left_out : tuple of str
        Why others were not used.
    """

    feedings: tuple[Feeding, ...] = ()
    left_out: tuple[str, ...] = ()

    def rule(self) -> FeedRule:
        """Learn from them; with fewer than three take what is usual."""
        if len(self.feedings) < LEAST_FEEDINGS:
            return usual_rule()
        return own_rule(fit_starter(self.feedings))


def watch_feedings(lots: Iterable[Mapping[str, Any]], *, hydration_pct: float) -> Watched:
    """Gather the feedings of record/lots.csv.

    Parameters
    ----------
    lots : iterable of dict
        Rows: kind "starter", with `fed`, `stood_temp_c` and `ripe_h`.
    hydration_pct : float
        Of the starter, for feedings written without their water.

    Returns
    -------
    Watched

    Examples
    --------
    >>> row = {"lot_id": "S1", "kind": "starter", "fed": "1:4:4", "stood_temp_c": 24, "ripe_h": 9}
    >>> len(watch_feedings([row], hydration_pct=100).feedings)
    1
    """
    found: list[Feeding] = []
    left: list[str] = []
    for row in lots:
        cells = [row.get(name) for name in ("fed", "stood_temp_c", "ripe_h")]
        if row.get("kind") != "starter" or all(c is None for c in cells):
            continue
        names = ("fed=1:4:4", "stood_temp_c=75F", "ripe_h=9")
        missing = [n for n, c in zip(names, cells, strict=True) if c is None]
        if missing:
            left.append(f"{row['lot_id']} does not say {' and '.join(missing)}")
            continue
        try:
            ratio = read_ratio(str(row["fed"]), hydration_pct=hydration_pct)
        except InputError as error:
            left.append(f"{row['lot_id']}: {error}")
            continue
        ripe_h = float(row["ripe_h"])
        stood = TemperatureHistory.from_steps([(ripe_h, float(row["stood_temp_c"]))])
        found.append(Feeding(1.0, ratio.flour, ratio.water, stood, ripe_h=ripe_h))
    return Watched(tuple(found), tuple(left))


def feed_for(needed_g: float, ratio: Ratio) -> dict[str, float]:
    """Give the grams of a feeding that leaves as much as was taken, to feed again.

    Parameters
    ----------
    needed_g : float
        Ripe starter that goes into the dough, above 0.
    ratio : Ratio

    Returns
    -------
    dict of str to float
        Grams of starter, flour and water; together `needed_g` and the starter part.

    Examples
    --------
    >>> feed_for(400, Ratio(4, 4))
    {'starter': 50.0, 'flour': 200.0, 'water': 200.0}
    """
    if needed_g <= 0:
        raise InputError("A feeding is for more than 0 g of starter. Say how much the dough takes.")
    part = needed_g / (ratio.dilution - 1.0)
    return {"starter": part, "flour": part * ratio.flour, "water": part * ratio.water}


def list_common() -> Sequence[Ratio]:
    """List feedings that are often used: common practice, no source."""
    return (Ratio(1, 1), Ratio(2, 2), Ratio(5, 5))
