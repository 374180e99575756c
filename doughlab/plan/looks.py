"""Planned looks: at which level the ranges of each look stand, and what an extension does to them.

The commands show it with a plan, the analysis judges by it. The numbers come from
`stats.spending`; which records a look rests on is decided by the analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from doughlab.looks import Looks
from doughlab.plan.parts import batches_by_part, take_batches

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan

USUAL = 0.95
_TIMES = {2: "twice", 3: "three times", 4: "four times", 5: "five times"}


@dataclass(frozen=True)
class Look:
    """One planned look.

    Attributes
    ----------
    number, of : int
        Which look it is, and how many there are.
    batches : int
        Batches that it was planned after.
    level : float
        Of its ranges, 0 to 1; all looks together then err in about 5 of 100.
    """

    number: int
    of: int
    batches: int
    level: float

    @property
    def words(self) -> str:
        """Say which look it is.

        Examples
        --------
        >>> Look(1, 2, 12, 0.9969).words
        'look 1 of 2'
        """
        return f"look {self.number} of {self.of}"


def list_looks(looks: Looks, counts: Sequence[int] | None = None) -> tuple[Look, ...]:
    """Give the level of each look.

    Parameters
    ----------
    looks : Looks
    counts : sequence of int, optional
        Batches that were there at the looks so far, where some were lost; as planned without it.
        The last look always spends what is left of the error. A look that brought no batch more
        than the one before it is left out.

    Returns
    -------
    tuple of Look

    Examples
    --------
    >>> [round(look.level, 4) for look in list_looks(Looks((12, 24)))]
    [0.9969, 0.951]
    """
    whole = looks.whole
    if whole is None:
        return ()
    from doughlab.stats.spending import look_levels

    planned = looks.after_batches
    there = planned if counts is None else tuple(counts)[: len(planned)]
    shares: dict[int, float] = {}
    for number, count in enumerate(there, start=1):
        share = 1.0 if number == len(planned) else count / whole
        if share > max(shares.values(), default=0.0):
            shares[number] = share
    if not shares:
        return ()
    levels = look_levels(list(shares.values()), kind=looks.spend)
    return tuple(
        Look(n, len(planned), planned[n - 1], float(level))
        for n, level in zip(shares, levels, strict=True)
    )


def judged_level(looks: Looks, batches: int) -> float:
    """Give the level of the ranges that so many batches will be judged by.

    Parameters
    ----------
    looks : Looks
    batches : int

    Returns
    -------
    float
        That of the look after so many batches, else of the last look; 0.95 without looks.

    Examples
    --------
    >>> [round(judged_level(Looks((12, 24)), n), 3) for n in (12, 24, 30)]
    [0.997, 0.951, 0.951]
    """
    found = {look.batches: look.level for look in list_looks(looks)}
    return found.get(batches, found.get(looks.whole or 0, USUAL))


def first_unplanned(plan: Plan) -> int | None:
    """Find the first part that no planned look foresaw; None where all are foreseen.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    int or None
        A part is foreseen where the plan was within the batches of the last look with it.
    """
    sizes = [len(ids) for ids in batches_by_part(plan)]
    for number in range(2, len(sizes) + 1):
        if sum(sizes[:number]) > (plan.looks.whole or 0):
            return number
    return None


def judged_rows(plan: Plan) -> Plan:
    """Give what the last answer of a plan rests on: all of it, or a part that is judged alone.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Plan
        With the looks that were promised. The last part alone, without looks, where none of them
        foresaw it.
    """
    if first_unplanned(plan) is None:
        return replace(plan, settings=replace(plan.settings, looks=plan.looks))
    alone = replace(plan, settings=replace(plan.settings, looks=Looks()), looks=Looks())
    return take_batches(alone, batches_by_part(plan)[-1])


def say_judged(plan: Plan) -> list[str]:
    """Say whether the parts of an extended plan are judged together, and why.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of str
        One sentence; none for a plan that was never extended.
    """
    if not plan.parts:
        return []
    if first_unplanned(plan) is None:
        return [
            "The extension was planned before the data: old and new batches are judged together, "
            "and the looks share the error."
        ]
    return [
        f"No look was planned for {plan.parts[-1]}, so it is judged alone: old and new judged "
        "together after a look would call differences that are not there too often. The pooled "
        "numbers stand beside it as a second view."
    ]


def level_text(level: float) -> str:
    """Write the level of a range in per cent, with as many decimals as tell it from 100.

    Examples
    --------
    >>> level_text(0.95), level_text(0.9969), level_text(0.99977)
    ('95', '99.7', '99.98')
    """
    for decimals in range(1, 6):
        text = f"{100 * level:.{decimals}f}"
        if float(text) < 100:
            break
    return text.rstrip("0").rstrip(".")


def times_words(count: int) -> str:
    """Say how often in a word or two.

    Examples
    --------
    >>> times_words(2), times_words(7)
    ('twice', '7 times')
    """
    return _TIMES.get(count, f"{count} times")


def describe_looks(plan: Plan) -> list[str]:
    """Say when a plan is looked at, with which ranges, and what does not fit.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of str
        Sentences; empty where only the end is looked at.
    """
    looks = list_looks(plan.looks)
    if not looks:
        return []
    after = [str(look.batches) for look in looks]
    levels = [level_text(look.level) for look in looks]
    if len(looks) == 1:
        return [f"Looked at once, after {after[0]} batches, with {levels[0]} % ranges."]
    return [
        f"Looked at {times_words(len(looks))}, after {_and(after)} batches, with {_and(levels)} % "
        "ranges: so all looks together call a difference that is not there in about 5 of 100 "
        "trials, for each question (error spending).",
        *_misfits(plan),
    ]


def _misfits(plan: Plan) -> list[str]:
    """Say where the batches of the plan and the looks do not meet."""
    sizes = [len(ids) for ids in batches_by_part(plan)]
    found = []
    if first_unplanned(plan) is None and len(plan.batches) not in plan.looks.after_batches:
        coming = [n for n in plan.looks.after_batches if n > len(plan.batches)]
        if coming:
            more = coming[0] - len(plan.batches)
            found.append(
                f"The plan has {len(plan.batches)} batches and no look is planned there; the next "
                f"is after {coming[0]}, {more} more."
            )
    if sizes[0] > (plan.looks.whole or 0):
        found.append(say_beyond(plan))
    return found


def say_beyond(plan: Plan) -> str:
    """Say that a plan has more batches than its last look was planned after."""
    size, last = len(batches_by_part(plan)[0]), plan.looks.whole
    return (
        f"trial.toml, [looks]: the last look is after {last} batches, the plan has {size}. End "
        f"after_batches with {size}, or with more where an extension is planned."
    )


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
