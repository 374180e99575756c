"""Sentences about model terms: what is left out, what cannot be judged, and why.

`model` decides and calls these; the analysis names its terms with them too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from doughlab.plan.span import parts_of

if TYPE_CHECKING:
    from doughlab.settings import Settings

_OWN = {"order": "place in the day"}


def unjudged_words(
    settings: Settings, terms: Sequence[str], level: str, *, left: int, least: int
) -> str:
    """Say that too few units are left over to judge terms by, and what would mend it."""
    names = ", ".join(term_words(settings, t) for t in terms)
    mend = {
        "day": "Mix each setting on two or more days.",
        "batch": "Mix each setting in two or more batches (replicates).",
        "ball": "Use two or more batches.",
        "session": "Mix on two or three days, so that sessions serve several holds.",
    }[level]
    one, many = {
        "day": ("mixing day", "mixing days"),
        "batch": ("batch", "batches"),
        "ball": ("ball", "balls"),
        "session": ("reading session", "reading sessions"),
    }[level]
    if left == 0:
        also = " (what shows may be the meter or the oven of that half day)"
        return (
            f"{names}: no {one} is left over to judge by{also if level == 'session' else ''}, so "
            f"no range and no verdict. {mend}"
        )
    many_more = "mixing days" if level == "session" else many
    return (
        f"{names}: too few {many} are left over to judge by ({left}; {least} are wanted), "
        f"so no range and no verdict. Plan more {many_more}."
    )


def confounded_words(name: str) -> str:
    """Say that a group of balls goes with a setting or a day."""
    if name == "session":
        return (
            "Every session serves one hold of one mixing day: what the session does cannot be "
            "told from the hold."
        )
    words = name.replace("_", " ")
    return (
        f"The {words} changes only together with another setting or the mixing day: what it does "
        "is counted there."
    )


def mixed_words(settings: Settings, others: Sequence[str], terms: Sequence[str]) -> str:
    """Say which terms were left out, and what in the model stands for them as well."""
    left_out = " and ".join(term_words(settings, t) for t in terms)
    it = "it is" if len(terms) == 1 else "they are"
    nil = f"; {it} not in the model and taken as nil."
    if list(others) == ["block"]:
        return f"{left_out} cannot be told from the mixing days{nil}"
    if len(others) == 1:
        held = term_words(settings, others[0])
        return (
            f"{held} cannot be told from {left_out}: what shows for {held} may come from "
            f"{'it' if len(terms) == 1 else 'them'}{nil}"
        )
    named = ["the mixing days" if t == "block" else term_words(settings, t) for t in others]
    from_what = f"{', '.join(named[:-1])} and {named[-1]} together" if named else "the rest"
    return f"{left_out} cannot be told from {from_what}{nil}"


def term_words(settings: Settings, term: str) -> str:
    """Write a term in the words of the trial.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> [term_words(Settings("Demo", "DE"), t) for t in ("batch:hold", "I(hydration ** 2)")]
    ['batch x hold', 'bend of hydration']
    """
    factors = settings.factors
    names = [factors[p].words if p in factors else _OWN.get(p, p) for p in parts_of(term)]
    if len(names) == 2 and parts_of(term)[0] == parts_of(term)[1]:
        return f"bend of {names[0]}"
    return " x ".join(names)
