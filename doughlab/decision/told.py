"""Told: the sentences behind the choice, for --more and the report.

Limits, what is not judged, the cost of a wrong choice, another view, what the kitchen kept, and
until when the decision stands. Nothing is decided here; layout is left to the callers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from doughlab.analysis.wording import joined
from doughlab.decision.between import judge_between
from doughlab.decision.expiry import expiry_conditions
from doughlab.decision.kept import find_kept, kept_words
from doughlab.decision.words import find_position
from doughlab.decision.wrong import WrongChoice, weigh_wrong_choice, wrong_words

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.decided import Decision


def told_sentences(decision: Decision, found: Mapping[str, Analysis]) -> list[str]:
    """Give the sentences behind a recommendation.

    Parameters
    ----------
    decision : Decision
    found : mapping of str to Analysis
        The responses, as they were analysed.

    Returns
    -------
    list of str
        Empty where nothing is recommended.
    """
    weighing = decision.weighing
    if weighing is None or not decision.recommended:
        return []
    out = []
    if weighing.not_judged:
        out.append(f"Not judged, for want of a limit: {'; '.join(weighing.not_judged)}.")
    wrong = find_wrong(decision, found)
    if wrong is not None:
        out.append(wrong_words(wrong, decision.settings.currency))
    return [*out, *kept_sentences(decision), *expiry_words(decision)]


def kept_sentences(decision: Decision) -> list[str]:
    """Say how close each setting was kept, and what is not recorded."""
    if decision.weighing is None or not decision.recommended:
        return []
    weighing, factors = decision.weighing, decision.settings.factors
    kept, missing = find_kept(weighing, decision.recommended)
    words = [kept_words(weighing, k) for k in kept]
    numbers = {n: v for n, v in decision.recommended.items() if factors[n].kind == "number"}
    held = judge_between(weighing, decision.recommended, numbers)
    out = [f"As the kitchen can hold it: {' '.join(held.sentences)}"] if numbers else []
    out += [f"{text[0].upper()}{text[1:]}." for text in words]
    if missing:
        out.append(f"How close {joined(missing)} was kept is not recorded.")
    return out


def find_wrong(decision: Decision, found: Mapping[str, Analysis]) -> WrongChoice | None:
    """Weigh the cost of a wrong choice; None where nothing is recommended."""
    weighing = decision.weighing
    if weighing is None or not decision.recommended:
        return None
    return weigh_wrong_choice(weighing, decision.table, find_position(decision), found)


def expiry_line(decision: Decision) -> list[str]:
    """Say in short until when the decision stands."""
    if decision.weighing is None or not decision.recommended:
        return []
    found = {c.what: c for c in expiry_conditions(decision.weighing.trial, decision)}
    lots = f" ({', '.join(found['flour'].values)})" if found["flour"].values else ""
    return [f"Stands until water, flour lot{lots}, cooler, mixer or meter change, or "
            f"{found['season'].words}."]  # fmt: skip


def expiry_words(decision: Decision) -> list[str]:
    """Say until when the decision stands."""
    if decision.weighing is None or not decision.recommended:
        return []
    found = expiry_conditions(decision.weighing.trial, decision)
    return [f"Stands until {'; '.join(c.words for c in found)}."]
