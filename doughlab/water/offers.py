"""Ask suppliers the right questions, compare their offers, check what was delivered.

Called by the water command; an offer becomes a Supply for its cost.
It leaves prices and break-even to supply and the water itself to treatment.
"""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water.sample import WaterSample
from doughlab.water.supply import Part, Supply, SupplyCost, Use, supply_cost
from doughlab.water.treatment import reverse_osmosis

_YIELD_PER_DEGREE = 0.03  # a membrane gives about 3 % less per degree colder (common practice)
_RATED_TEMP_C = 25.0
_WORKING_H = 10.0
_REJECTION_SLACK = 2.0  # percentage points, for what hand meters can tell

QUESTIONS = (
    ("rejection_pct", "What rejection do you guarantee, at which feed and temperature?"),
    ("litres_per_day", "How many litres a day at 25 C, and at our feed temperature and pressure?"),
    ("tank_l", "How large is the tank, and how is it kept clean?"),
    ("waste_l_per_l", "How many litres go to the drain for each litre of product?"),
    ("adds_back", "How is hardness or alkalinity added back, and how is it set?"),
    ("purchase", "What does the unit cost, installed, and how long does it last?"),
    ("parts", "Which parts are replaced, when, at what price?"),
    ("service_per_year", "What does service cost in a year, what is in it, who comes how soon?"),
    ("pretreatment", "Which filter takes out chlorine before the membrane, and when is it due?"),
    ("bypass", "Is there a mixing valve, and can it be locked?"),
    ("materials", "Are all wetted parts meant for water of low alkalinity and for food?"),
    ("certificate", "Which standard is the unit certified to, and by whom?"),
    ("acceptance", "Which readings are taken together on delivery and after each service?"),
)
_SHORT = {
    "rejection_pct": "rejection", "litres_per_day": "litres a day", "tank_l": "tank",
    "waste_l_per_l": "litres to the drain", "adds_back": "adding hardness back",
    "service_per_year": "service", "bypass": "mixing valve", "certificate": "standard",
    "acceptance": "readings on delivery",
}  # fmt: skip


@dataclass(frozen=True)
class Offer:
    """Hold what a supplier offers; what was not answered stays None.

    Attributes
    ----------
    supplier : str
        Name.
    rejection_pct : float or None
        Guaranteed rejection of ions, per cent.
    litres_per_day : float or None
        Product at 25 C.
    tank_l : float or None
        Tank.
    waste_l_per_l : float or None
        Litres to the drain for each litre of product.
    adds_back : str
        How hardness is added back; empty where it was not answered.
    purchase, life_years, service_per_year : float or None
        Price, years it is written off, service.
    parts : tuple of Part
        What is replaced; empty where it was not answered.
    answered : tuple of str
        Further questions answered (keys of QUESTIONS).

    Examples
    --------
    >>> Offer("A", rejection_pct=96).unanswered[0]
    'litres_per_day'
    """

    supplier: str
    rejection_pct: float | None = None
    litres_per_day: float | None = None
    tank_l: float | None = None
    waste_l_per_l: float | None = None
    adds_back: str = ""
    purchase: float | None = None
    life_years: float = 8.0
    service_per_year: float | None = None
    parts: tuple[Part, ...] = ()
    answered: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no unit does, and answers to questions that nobody asks."""
        for key in self.answered:
            if key not in dict(QUESTIONS):
                raise UnknownName("question", key, dict(QUESTIONS), where=self.supplier)
        for name, low, high in (("rejection_pct", 50.0, 99.9), ("litres_per_day", 1.0, 1e6),
                                ("tank_l", 0.0, 1e6), ("waste_l_per_l", 0.0, 10.0)):  # fmt: skip
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise OutOfRange(
                    f"{self.supplier}: {name} {value:g} lies outside {low:g} to {high:g}.",
                    value=value, low=low, high=high,
                )  # fmt: skip

    @property
    def unanswered(self) -> tuple[str, ...]:
        """List the questions that this offer leaves open."""
        own = {k: getattr(self, k) for k in self.__dataclass_fields__}
        return tuple(
            key
            for key, _ in QUESTIONS
            if key not in self.answered and own.get(key) in (None, "", ())
        )

    def as_supply(self, *, feed_price_per_l: float, drain_per_l: float) -> Supply:
        """Make a supply of it, what was not answered counted as nothing."""
        return Supply(
            self.supplier,
            "reverse osmosis",
            price_per_l=feed_price_per_l,
            drain_per_l=drain_per_l,
            waste_l_per_l=self.waste_l_per_l or 0.0,
            purchase=self.purchase or 0.0,
            life_years=self.life_years,
            service_per_year=self.service_per_year or 0.0,
            parts=self.parts,
        )


@dataclass(frozen=True)
class OfferReview:
    """Hold one offer held against the kitchen's need.

    Attributes
    ----------
    offer : Offer
        As given.
    cost : SupplyCost
        With what was not answered counted as nothing.
    water : WaterSample or None
        What the membrane would give from the feed; None where rejection or feed are unknown.
    litres_per_day_cold : float or None
        Product a day at the feed's temperature.
    peak_covered : bool or None
        Whether unit and tank give the busiest day within the working hours.
    findings : tuple of str
        In words.
    """

    offer: Offer
    cost: SupplyCost
    water: WaterSample | None
    litres_per_day_cold: float | None
    peak_covered: bool | None
    findings: tuple[str, ...]

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = str(self.cost).splitlines()
        for text in self.findings:
            lines += wrap(text, 78, initial_indent="  ", subsequent_indent="  ")
        return "\n".join(lines[:15])


def question_sheet(use: Use, *, feed: WaterSample | None = None) -> str:
    """Write the question sheet for suppliers, with the kitchen's own numbers on top.

    Examples
    --------
    >>> print(question_sheet(Use(dough_kg_per_year=20000)).splitlines()[0])
    We need 25 litres of dough water on a mean day, 38 on the busiest.
    """
    lines = [
        f"We need {use.litres_per_day:.0f} litres of dough water on a mean day, "
        f"{use.litres_peak_day:.0f} on the busiest."
    ]
    if feed is not None and feed.alkalinity_mg_l is not None:
        hard = feed.known_hardness_mg_l
        said = f", hardness {hard:.0f} mg/L" if hard is not None else ""
        lines.append(f"Feed: alkalinity {feed.alkalinity_mg_l:.0f} mg/L{said} (as CaCO3).")
    for number, (_, ask) in enumerate(QUESTIONS, start=1):
        lines += wrap(f"{number}. {ask}", 80, subsequent_indent="   ")
    return "\n".join(lines)


def compare_offers(
    offers: list[Offer],
    use: Use,
    *,
    feed: WaterSample | None = None,
    feed_price_per_l: float = 0.0,
    drain_per_l: float = 0.0,
) -> tuple[OfferReview, ...]:
    """Hold offers against the planned dough, the one with fewest open points first.

    Parameters
    ----------
    offers : list of Offer
        At least one.
    use : Use
        Planned dough and the busiest day.
    feed : WaterSample, optional
        The water that goes in: for what comes out, and for its temperature.
    feed_price_per_l, drain_per_l : float
        Prices of the main and the drain.

    Returns
    -------
    tuple of OfferReview
        Sorted: those that cover the busiest day first, then fewest open questions, then cost.

    Examples
    --------
    >>> use = Use(dough_kg_per_year=20000)
    >>> review = compare_offers([Offer("A", rejection_pct=96, litres_per_day=200)], use)[0]
    >>> review.peak_covered
    True
    """
    if not offers:
        raise InputError("There is no offer to compare. Send the question sheet first.")
    reviews = [
        _review(o, use, feed, feed_price_per_l=feed_price_per_l, drain_per_l=drain_per_l)
        for o in offers
    ]
    return tuple(
        sorted(
            reviews,
            key=lambda r: (r.peak_covered is not True, len(r.offer.unanswered), r.cost.per_year),
        )
    )


def _review(
    offer: Offer,
    use: Use,
    feed: WaterSample | None,
    *,
    feed_price_per_l: float,
    drain_per_l: float,
) -> OfferReview:
    """Hold one offer against the need."""
    findings: list[str] = []
    supply = offer.as_supply(feed_price_per_l=feed_price_per_l, drain_per_l=drain_per_l)
    cost = supply_cost(supply, use)
    litres, covered = _capacity(offer, use, feed, findings)
    water = None
    known = feed is not None and feed.alkalinity_mg_l is not None and feed.ph is not None
    if feed is not None and known and offer.rejection_pct is not None:
        water = reverse_osmosis(feed, rejection_pct=offer.rejection_pct)
        findings.append(
            f"gives about {water.alkalinity_mg_l:.0f} mg/L alkalinity and pH {water.ph:.1f}; low "
            "alkalinity has no steady pH and attacks metal."
        )
    if offer.waste_l_per_l is not None:
        drained = use.litres_per_year * offer.waste_l_per_l
        findings.append(f"sends about {drained / 1000:.1f} m3 a year to the drain.")
    if offer.unanswered:
        said = ", ".join(_SHORT.get(key, key) for key in offer.unanswered)
        findings.append(f"not answered, counted as nothing: {said}.")
    return OfferReview(offer, cost, water, litres, covered, tuple(findings))


def _tank(offer: Offer) -> str:
    """Say how large the tank is, or that nobody said."""
    return "no tank said" if offer.tank_l is None else f"a tank of {offer.tank_l:g} litres"


def _capacity(
    offer: Offer, use: Use, feed: WaterSample | None, findings: list[str]
) -> tuple[float | None, bool | None]:
    """Compare litres a day and tank with the busiest day, cold feed counted."""
    if offer.litres_per_day is None:
        return None, None
    temp = _RATED_TEMP_C if feed is None or feed.temp_c is None else feed.temp_c
    litres = offer.litres_per_day * (1 - _YIELD_PER_DEGREE) ** max(_RATED_TEMP_C - temp, 0.0)
    at_hand = litres * _WORKING_H / 24.0 + (offer.tank_l or 0.0)
    covered = at_hand >= use.litres_peak_day and litres >= use.litres_per_day
    verb = "covers" if covered else "does not cover"
    findings.append(
        f"{litres:.0f} litres a day at {temp:g} C and {_tank(offer)}: {verb} the busiest day "
        f" ({use.litres_peak_day:.0f} litres in {_WORKING_H:g} h)."
    )
    return litres, covered


@dataclass(frozen=True)
class Delivery:
    """Hold a check of delivered water against what was promised.

    Attributes
    ----------
    rejection_pct : float
        Measured, from feed and product.
    by : str
        Which quantity it was worked out from.
    as_promised : bool
        Whether it reaches the promise, less what hand meters can tell.
    findings : tuple of str
        In words, with what to do.
    """

    rejection_pct: float
    by: str
    as_promised: bool
    findings: tuple[str, ...]

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = [f"rejection {self.rejection_pct:.1f} %, from {self.by} before and after"]
        lines += [line for f in self.findings for line in wrap(f, 80)]
        return "\n".join(lines[:15])


def check_delivery(
    product: WaterSample, feed: WaterSample, *, promised_pct: float, added_back: bool = False
) -> Delivery:
    """Check the water of a unit on acceptance, or after a service.

    Parameters
    ----------
    product, feed : WaterSample
        Sampled together, after the unit has run; both with conductivity, alkalinity or hardness.
    promised_pct : float
        Rejection of the contract, or of the last check.
    added_back : bool
        Whether hardness is added back before the sampling point: then no rejection follows.

    Raises
    ------
    InputError
        When no quantity is known on both sides, or hardness is added back.

    Examples
    --------
    >>> feed = WaterSample("tap", conductivity_us_cm=600)
    >>> product = WaterSample("ro", kind="reverse osmosis", conductivity_us_cm=60)
    >>> check_delivery(product, feed, promised_pct=96).as_promised
    False
    """
    if added_back:
        raise InputError(
            "Hardness is added back before this sample, so it says nothing on the membrane. "
            "Sample between membrane and mixing valve."
        )
    pairs = {
        "conductivity": (feed.conductivity_us_cm, product.conductivity_us_cm),
        "alkalinity": (feed.alkalinity_mg_l, product.alkalinity_mg_l),
        "hardness": (feed.known_hardness_mg_l, product.known_hardness_mg_l),
    }
    both = {k: (a, b) for k, (a, b) in pairs.items() if a and b is not None}
    if not both:
        raise InputError(
            "Give conductivity, alkalinity or hardness of both waters, sampled on the same day."
        )
    by, (before, after) = next(iter(both.items()))
    rejection = 100.0 * (1.0 - after / before)
    fine = rejection >= promised_pct - _REJECTION_SLACK
    findings = [
        f"promised {promised_pct:g} %, measured {rejection:.1f} %"
        + (
            "."
            if fine
            else ": less. Read both again, then call the supplier before the next trial."
        )
    ]
    chlorine = product.total_chlorine_mg_l or product.free_chlorine_mg_l
    if chlorine and chlorine > 0.1:
        findings.append(
            f"{chlorine:g} mg/L chlorine after the unit: the carbon filter is due, and chlorine "
            "harms membranes."
        )
    findings.append(
        "After a service: flush, wait an hour, sample feed and product together, write both down; "
        "titrate the product before the next dose card."
    )
    return Delivery(rejection, by, fine, tuple(findings))
