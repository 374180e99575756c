"""Looks: when a trial is looked at before its end, said in trial.toml before the data.

`sections` lists the keys, `settings` checks them. What each look is worth is left to `plan.looks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from doughlab.cells import Column
from doughlab.keys import Key, Section, choice_key, key_table

SPENDS = ("late", "even")
MOST_LOOKS = 8


@dataclass(frozen=True)
class Looks:
    """After how many batches a trial is looked at, and how the looks share the error.

    Attributes
    ----------
    after_batches : tuple of int
        Batches at each look, rising; the last is the whole trial with all its planned extensions.
        Empty where only the end is looked at.
    spend : str
        "late" keeps nearly all of the error for the end, "even" gives each look about as much.

    Examples
    --------
    >>> Looks((12, 24)).whole, Looks().whole
    (24, None)
    """

    after_batches: tuple[int, ...] = ()
    spend: str = "late"

    @property
    def whole(self) -> int | None:
        """Count the batches of the whole trial; None where no looks are planned."""
        return self.after_batches[-1] if self.after_batches else None

    def check(self) -> str:
        """Say what is wrong with the numbers and what would be right; empty where nothing is."""
        if not self.after_batches:
            return ""
        shown = ", ".join(map(str, self.after_batches))
        if any(b <= a for a, b in pairwise(self.after_batches)):
            return (
                f"after_batches [{shown}] must rise: the batches at each look, the whole trial "
                "last, as [12, 24]."
            )
        if len(self.after_batches) > MOST_LOOKS:
            return (
                f"after_batches names {len(self.after_batches)} looks; at most {MOST_LOOKS} can "
                "be planned. Look less often."
            )
        return ""


LOOKS = Section(
    key_table(
        Key(
            Column("after_batches", "integer", "after_batches", low=2, high=500),
            "Batches at each look; the whole trial last.",
            many=True,
            required=True,
        ),
        choice_key("spend", SPENDS, "late keeps the error for the end, even shares it alike."),
    ),
    Looks,
)
