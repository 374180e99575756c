"""Section [prices] and what a response must reach: limits that settings are chosen by.

`sections` lists them with the other sections; the decision room weighs with them.
Prices of waters stand in waters.csv; nothing here is a limit of food safety.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.cells import Column
from doughlab.errors import InputError
from doughlab.keys import Key, Section, key_table, number_key

BEST = "best"
# Where nobody says: invented round numbers, always named as assumed beside what follows from them.
ASSUMED_FLOUR_KG = 1.0
ASSUMED_HOUR = 20.0
ASSUMED_BALL = 0.5


@dataclass(frozen=True)
class Prices:
    """What things cost, in the user's own currency; None where nobody says.

    Attributes
    ----------
    flour_kg : float or None
        A kilogram of flour.
    hour : float or None
        An hour of work.
    ball : float or None
        A ball that cannot be used.

    Examples
    --------
    >>> Prices(flour_kg=1.4).flour_kg
    1.4
    """

    flour_kg: float | None = None
    hour: float | None = None
    ball: float | None = None


@dataclass(frozen=True)
class _AtLeast(Column):
    """A number, or "best": the best setting found less the margin."""

    def read(self, text: str) -> float | str:
        if text.strip().casefold() == BEST:
            return BEST
        try:
            return float(text)
        except ValueError:
            raise InputError(
                f"at_least '{text}' is not known. Write a number, or \"{BEST}\" for no more than "
                "the margin under the best setting."
            ) from None


AT_LEAST = Key(_AtLeast("at_least", "text", "at_least"), 'A number, or "best".')

PRICES = Section(
    key_table(
        number_key("flour_kg", "", 0, 1e6, "A kilogram of flour."),
        number_key("hour", "", 0, 1e6, "An hour of work."),
        number_key("ball", "", 0, 1e6, "A ball that cannot be used."),
    ),
    Prices,
)
