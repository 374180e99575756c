"""What a dose is: the answer in grams with its range, and the bench it is meant for.

Made by dosing; read by cards, the water command, notebooks and reports.
It leaves finding the amount to dosing and the words around it to dose_notes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from textwrap import wrap

from doughlab.errors import OutOfRange
from doughlab.water.cautions import CAUTIONS, CHECK, SHORT
from doughlab.water.constants import TARGET_PH_HIGH, TARGET_PH_LOW
from doughlab.water.sample import WaterSample

VESSELS = ("closed", "covered", "open")
_LEAST_KG, _MOST_KG = 0.05, 5000.0


@dataclass(frozen=True)
class Alternative:
    """Hold one way around an unreasonable dose.

    Attributes
    ----------
    how : str
        stand, blend, source or treatment.
    what : str
        In words, with amounts.
    ph : float
        pH before any dose.
    mmol_per_kg : float
        Acid or bicarbonate still needed, mmol per kg; 0 where none is.
    cost : float or None
        Of the water for the batch, in the user's currency; None where a price is missing.
    left : str
        What is still to be done, in words; empty where nothing is.
    price : str
        Which price is missing and where it is written down; said where `cost` is None.

    Examples
    --------
    >>> print(Alternative("source", "use spring alone", 7.6, 0.0, 4.0))
    use spring alone: pH 7.60, nothing to add, water costs 4.00
    """

    how: str
    what: str
    ph: float
    mmol_per_kg: float
    cost: float | None = None
    left: str = ""
    price: str = "cost: not known, no cost_per_l in waters.csv"

    @property
    def cost_words(self) -> str:
        """Give the cost in words."""
        if self.cost is None:
            return self.price
        return "costs nothing" if self.cost == 0 else f"water costs {self.cost:.2f}"

    def __str__(self) -> str:
        """Give the way, what it reaches and what it costs."""
        rest = self.left or "nothing to add"
        ends = "left alone it ends at pH" if self.how == "stand" else "pH"
        return f"{self.what}: {ends} {self.ph:.2f}, {rest}, {self.cost_words}"


@dataclass(frozen=True)
class Bench:
    """Hold what the bench adds to a dose: scale, flour, temperature, other waters.

    Attributes
    ----------
    scale_g : float
        Resolution of the scale, 0.001 to 50 g.
    flour_kg : float or None
        Flour that the dosed water goes into, for the acid per kg of flour.
    read_temp_c : float or None
        Temperature at which the dosed water is read; that of the sample where not given.
    co2_lost_pct : float
        Share of the dissolved CO2 that a "covered" vessel loses before the pH is read, 0 to 100.
        Half is a stand-in, not a measurement: common practice, no source.
    co2_lost_range_pct : tuple of float, optional
        Lowest and highest share, carried into the range of the dose; 30 points either way where
        not given.
    others : tuple of WaterSample
        Waters at hand to blend with when a dose is unreasonable.
    treated_per_l : mapping
        What a litre costs through a treatment, such as {"reverse osmosis": 0.09}.
    show_temp : str
        Unit in which temperatures are answered: C, F, or both.

    Examples
    --------
    >>> Bench(co2_lost_pct=10).co2_lost
    (10, 0.0, 40.0)
    """

    scale_g: float = 0.1
    flour_kg: float | None = None
    read_temp_c: float | None = None
    co2_lost_pct: float = 50.0
    co2_lost_range_pct: tuple[float, float] | None = None
    others: tuple[WaterSample, ...] = ()
    treated_per_l: Mapping[str, float] = field(default_factory=dict)
    show_temp: str = "C"

    def __post_init__(self) -> None:
        """Refuse what no bench has."""
        check_range("a scale's step of", self.scale_g, 0.001, 50.0, unit=" g")
        check_range("flour of", self.flour_kg, 0.05, 5000.0, unit=" kg")
        check_range("a reading at", self.read_temp_c, 0.0, 50.0, unit=" C")
        for share in (self.co2_lost_pct, *(self.co2_lost_range_pct or ())):
            check_range("a loss of CO2 of", share, 0.0, 100.0, unit=" %")
        likely, low, high = self.co2_lost
        if not low <= likely <= high:
            raise OutOfRange(
                f"A loss of CO2 of {likely:g} % does not lie between {low:g} and {high:g} %. Give "
                "the lowest share first, such as 30 to 70 %.",
                value=likely, low=low, high=high,
            )  # fmt: skip

    @property
    def co2_lost(self) -> tuple[float, float, float]:
        """Give the share of CO2 lost under a cover: likely, lowest, highest, per cent."""
        likely = self.co2_lost_pct
        spread = (max(likely - 30.0, 0.0), min(likely + 30.0, 100.0))
        low, high = self.co2_lost_range_pct or spread
        return likely, low, high


@dataclass(frozen=True)
class Dose:
    """Hold a dose in grams, what it does and how sure that is.

    Ranges are 95 % ranges: alkalinity, starting pH, what is not known of the water, and the
    label's strength.

    Attributes
    ----------
    water, agent : str
        Name of the water; of the product.
    target_ph, water_kg : float
        What was asked for.
    vessel : str
        closed, covered or open.
    mmol_per_kg, mmol_low, mmol_high : float
        Acid or bicarbonate, mmol per kg of water, exact before rounding to the scale.
    product_g, product_low_g, product_high_g : float
        Product to weigh, at the scale's resolution.
    ph_reached, ph_low, ph_high : float
        pH that the weighed dose gives, and its range.
    ph_after_air : float
        pH after the dosed water has stood open until it agrees with the air, no scale settling.
    read_temp_c : float
        Temperature of those pH values.
    acid_g_per_kg_flour : float or None
        Pure acid per kg of flour, where the flour was given.
    sodium_mg_per_kg : float
        Sodium that the dose adds, mg per kg of water.
    alternatives : tuple of Alternative
        Ranked, where the dose is unreasonable; else empty.
    notes : tuple of str
        In words: what this dose means, then the cautions, then the meter.
    cautions : tuple of str
        The cautions among them; that on concentrated acid first.
    concentrated : bool
        Whether the acid is so strong that its caution comes before the dose.
    co2_lost_pct : tuple of float
        Share of the CO2 that was taken to leave before the reading: likely, lowest, highest.
    show_temp : str
        Unit in which its temperature is said: C or F.

    Examples
    --------
    >>> from doughlab.water import AcidProduct, WaterSample, acid_dose
    >>> tap = WaterSample(name="tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, temp_c=18)
    >>> dose = acid_dose(tap, target_ph=6.2, acid="acetic", water_kg=12, vessel="closed",
    ...                  product=AcidProduct("white vinegar", strength_pct=5, basis="w/v"))
    >>> dose.product_low_g < dose.product_g < dose.product_high_g, round(dose.ph_reached, 1)
    (True, 6.2)
    >>> print(dose.sentence[:40])
    26.1 g white vinegar (22.0 to 30.2), wei
    >>> len(dose.notes) > 0, dose.reach[:10], dose.decimals
    (True, 'reaches pH', 1)
    """

    water: str
    agent: str
    target_ph: float
    water_kg: float
    vessel: str
    mmol_per_kg: float
    mmol_low: float
    mmol_high: float
    product_g: float
    product_low_g: float
    product_high_g: float
    ph_reached: float
    ph_low: float
    ph_high: float
    ph_after_air: float
    read_temp_c: float
    acid_g_per_kg_flour: float | None = None
    sodium_mg_per_kg: float = 0.0
    alternatives: tuple[Alternative, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = field(default=(), repr=False)
    concentrated: bool = False
    co2_lost_pct: tuple[float, float, float] = (0.0, 0.0, 0.0)
    show_temp: str = "C"

    @property
    def sentence(self) -> str:
        """Give the dose in one sentence that ends with the meter."""
        g, low, high = (
            f"{v:.{self.decimals}f}"
            for v in (self.product_g, self.product_low_g, self.product_high_g)
        )
        into = f"weighed, into {self.water_kg:.4g} kg"
        return f"{g} g {self.agent} ({low} to {high}), {into}; {CHECK}"

    @property
    def reach(self) -> str:
        """Say which pH it gives, where and how warm it is read, and what air makes of it."""
        return (
            f"reaches pH {self.ph_reached:.2f} ({self.ph_low:.2f} to {self.ph_high:.2f}) at "
            f"{temp_words(self.read_temp_c, self.show_temp)} {in_vessel(self.vessel)}; standing "
            f"open it ends at pH {self.ph_after_air:.2f}"
        )

    @property
    def warning(self) -> str:
        """Give the caution that comes before the dose; empty for an ordinary kitchen acid."""
        return CAUTIONS["concentrated"] if self.concentrated else ""

    @property
    def remarks(self) -> tuple[str, ...]:
        """Give the notes of this dose alone, without the cautions that every dose carries."""
        return tuple(n for n in self.notes if n not in self.cautions)

    @property
    def decimals(self) -> int:
        """Give how many decimals the grams carry."""
        parts = [repr(round(v, 6)).partition(".")[2] for v in (self.product_g, self.product_low_g)]
        return min(max(len(p) if p != "0" else 0 for p in parts), 3)

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = [*wrap(self.warning, 80), *wrap(self.sentence, 80)]
        lines += wrap(
            f"reaches pH {self.ph_reached:.2f} ({self.ph_low:.2f} to {self.ph_high:.2f}) at "
            f"{temp_words(self.read_temp_c, self.show_temp)}, {self.vessel}; standing open it ends "
            f"at pH {self.ph_after_air:.2f}",
            80,
        )
        ways = [f"Instead, {i}: {way}." for i, way in enumerate(self.alternatives, start=1)]
        said = [line for n in (*ways, *self.remarks) for line in wrap(n, 80)]
        last = wrap(SHORT, 80)
        room = 15 - len(lines) - len(last)
        if len(said) > room:
            said = [*said[: room - 1], "(more in .notes and .cautions)"]
        return "\n".join([*lines, *said, *last])

    def _repr_html_(self) -> str:
        """Give the same facts for a notebook."""
        return "<pre>" + escape(str(self)) + "</pre>"


def check_range(what: str, value: float | None, low: float, high: float, *, unit: str = "") -> None:
    """Refuse a number outside its range, in a sentence; None passes.

    Raises
    ------
    OutOfRange
        With the value and both ends.

    Examples
    --------
    >>> check_range("flour of", 6000, 0.05, 5000, unit=" kg")
    Traceback (most recent call last):
    ...
    doughlab.errors.OutOfRange: Flour of 6000 kg lies outside 0.05 to 5000 kg. Check the unit and
    the decimal point.
    """
    if value is not None and not (math.isfinite(value) and low <= value <= high):
        raise OutOfRange(
            f"{what[:1].upper()}{what[1:]} {value:g}{unit} lies outside {low:g} to {high:g}{unit}. "
            "Check the unit and the decimal point.",
            value=value, low=low, high=high,
        )  # fmt: skip


def check_ask(target_ph: float, water_kg: float) -> None:
    """Refuse targets and amounts that are not dosed, whoever works the dose out.

    Raises
    ------
    OutOfRange
        For a target outside 4.5 to 8.3, or water outside 0.05 to 5000 kg.

    Examples
    --------
    >>> check_ask(3.0, 12)
    Traceback (most recent call last):
    ...
    doughlab.errors.OutOfRange: A target of pH 3 is not dosed; 4.5 to 8.3 is the range. Choose a
    target inside it.
    """
    if not TARGET_PH_LOW <= target_ph <= TARGET_PH_HIGH:
        raise OutOfRange(
            f"A target of pH {target_ph:g} is not dosed; {TARGET_PH_LOW} to {TARGET_PH_HIGH} is "
            "the range. Choose a target inside it.",
            value=target_ph, low=TARGET_PH_LOW, high=TARGET_PH_HIGH,
        )  # fmt: skip
    if not _LEAST_KG <= water_kg <= _MOST_KG:
        side, bound = ("little", "from 50 g on") if water_kg < 1 else ("much", "up to 5000 kg")
        amount = f"{1000 * water_kg:g} g" if water_kg < 1 else f"{water_kg:.4g} kg"
        raise OutOfRange(
            f"{amount} of water is too {side} to dose: {bound}. Check the unit, such as 12kg.",
            value=water_kg, low=_LEAST_KG, high=_MOST_KG,
        )  # fmt: skip


def temp_words(temp_c: float, show: str) -> str:
    """Write a temperature in the unit it was typed in; in both where nobody knows that any more.

    Examples
    --------
    >>> temp_words(18.0, "C"), temp_words(18.0, "F"), temp_words(18.0, "both")
    ('18 C', '64.4 F', '18 C (64.4 F)')
    """
    celsius, fahrenheit = f"{round(temp_c, 1):g} C", f"{round(temp_c * 1.8 + 32, 1):g} F"
    return {"F": fahrenheit, "both": f"{celsius} ({fahrenheit})"}.get(show, celsius)


def in_vessel(vessel: str) -> str:
    """Say in which vessel, with its article.

    Examples
    --------
    >>> in_vessel("open"), in_vessel("covered")
    ('in an open vessel', 'in a covered vessel')
    """
    return f"in {'an' if vessel[:1] in 'aeiou' else 'a'} {vessel} vessel"
