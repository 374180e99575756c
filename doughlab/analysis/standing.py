"""Standing: which batches the verdicts stand on, at which level, and why.

`build_dataset` asks here before anything is fitted, so that a look that was not planned never
gives a final verdict, and a part that no look foresaw is judged alone. Which looks and parts there
are is kept in the plan; what the ranges then are is left to `contrasts`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from doughlab.plan.looks import (
    USUAL,
    Look,
    first_unplanned,
    level_text,
    list_looks,
    times_words,
)
from doughlab.plan.parts import batches_by_part

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan


@dataclass(frozen=True)
class Standing:
    """What the verdicts stand on.

    Attributes
    ----------
    batches : frozenset of str or None
        The batches that are judged; None where it is all of them.
    level : float
        Of the ranges that verdicts are read from, 0 to 1.
    provisional : bool
        Whether the verdicts are those of a look that was not planned.
    alone : bool
        Whether a part is judged without the batches before it.
    coming : int or None
        Batches at the next planned look; None where none is to come.
    sentences : tuple of str
        All this for a cook; empty for a trial that was looked at once, at its end.

    Examples
    --------
    >>> Standing().range_words
    '95 % ranges'
    """

    batches: frozenset[str] | None = None
    level: float = USUAL
    provisional: bool = False
    alone: bool = False
    coming: int | None = None
    sentences: tuple[str, ...] = ()

    @property
    def range_words(self) -> str:
        """Name the ranges that verdicts are read from."""
        return f"{level_text(self.level)} % ranges"


def tell_standings(standings: Mapping[str, Standing]) -> tuple[str, ...]:
    """Say what the verdicts of several responses stand on.

    Parameters
    ----------
    standings : mapping of str to Standing
        By the response's words.

    Returns
    -------
    tuple of str
        Each sentence once; with the responses before it where they do not all stand alike.

    Examples
    --------
    >>> tell_standings({"pH": Standing(sentences=("Look 1.",)), "score": Standing()})
    ('pH: Look 1.',)
    """
    found: dict[str, list[str]] = {}
    for words, standing in standings.items():
        for sentence in standing.sentences:
            found.setdefault(sentence, []).append(words)
    return tuple(
        sentence if len(names) == len(standings) else f"{', '.join(names)}: {sentence}"
        for sentence, names in found.items()
    )


_UNSEALED = (
    "plan/plan.lock is missing or cannot be read, so nothing tells whether this plan was extended "
    "and which looks were promised: every verdict is provisional. Bring the file back."
)

Collect = Callable[[Sequence[str]], Any]
"""Gives the dataset of some batches; None where nothing is recorded for them."""


def find_standing(plan: Plan, collect: Collect) -> Standing:
    """Find what the verdicts stand on.

    Parameters
    ----------
    plan : Plan
    collect : callable
        Batch ids to their `Dataset`, or None where nothing is recorded for them.

    Returns
    -------
    Standing

    Notes
    -----
    A look is reached once every ball of its batches is recorded or marked lost; it stands until
    the next one is reached, whatever is recorded in between. A part that was added without a
    planned look is judged alone, once it is complete; until then the answer before it stands.
    Without plan.lock nobody can tell parts and promised looks, so nothing is final.
    """
    if not plan.sealed:
        return Standing(provisional=True, sentences=(_UNSEALED,))
    parts = batches_by_part(plan)
    unplanned = first_unplanned(plan)
    if unplanned is None:
        return _judge_together(plan, [b for ids in parts for b in ids], collect)
    for number in range(len(parts), unplanned - 1, -1):
        if _is_complete(collect(parts[number - 1])):
            return _judge_alone(plan, number, answers=number - unplanned + 2)
    before = [b for ids in parts[: unplanned - 1] for b in ids]
    found = _judge_together(plan, before, collect)
    words = (
        f"{_capital(str(plan.parts[unplanned - 1]))} was added after a look that was not planned: "
        "it is judged alone, once every ball of it is recorded or marked lost. Until then the "
        "answer of the batches before it stands."
    )
    return replace(found, batches=found.batches or frozenset(before),
                   sentences=(*found.sentences, words))  # fmt: skip


def _is_complete(dataset: Any) -> bool:
    return dataset is not None and not dataset.interim


def _judge_alone(plan: Plan, number: int, *, answers: int) -> Standing:
    """Judge one part without what came before it; `answers` counts it and those before."""
    parts = batches_by_part(plan)
    words = (
        f"{_capital(str(plan.parts[number - 1]))} was added after a look that was not planned, so "
        "it is judged alone; with the batches before it there would be too many false alarms. All "
        "batches together are given as a second view, without a verdict."
    )
    often = (
        "An answer by itself calls a difference that is not there in about 5 of 100 trials; the "
        f"{answers} answers that this trial then has, in up to {5 * answers}."
    )
    sentences = [words, often]
    if number < len(parts):
        sentences.append(
            f"{_capital(str(plan.parts[number]))} is not complete yet and stays out of this answer "
            "until then."
        )
    return Standing(frozenset(parts[number - 1]), alone=True, sentences=tuple(sentences))


def _judge_together(plan: Plan, ids: Sequence[str], collect: Collect) -> Standing:
    """Judge by the last planned look that is reached; without looks, by all that there is."""
    looks = plan.looks
    if looks.whole is None:
        whole = collect(ids)
        interim = whole is not None and whole.interim
        words = (
            "This look before the end was not planned, so every verdict is provisional until all "
            "balls are recorded or marked lost.",
        )
        return Standing(provisional=interim, sentences=words if interim else ())
    counts: list[int] = []
    for count in looks.after_batches:
        found = collect(ids[:count]) if count <= len(ids) else None
        if found is None or found.interim:
            break
        counts.append(found.batches)
    coming = looks.after_batches[len(counts) :]
    if not counts:
        return Standing(
            level=list_looks(looks)[0].level,
            provisional=True,
            coming=coming[0],
            sentences=(
                f"No look is planned before {coming[0]} batches are complete, so every verdict is "
                "provisional.",
            ),
        )
    look = list_looks(looks, counts)[-1]
    there = looks.after_batches[len(counts) - 1]
    later = collect(ids) if there < len(ids) else None
    more = later.batches - counts[-1] if later is not None else 0
    return Standing(
        frozenset(ids[:there]) if there < len(ids) else None,
        level=look.level,
        coming=coming[0] if coming else None,
        sentences=_look_words(look, there, coming, more),
    )


def _look_words(look: Look, there: int, coming: Sequence[int], more: int) -> tuple[str, ...]:
    """Say which look it is, why its ranges are what they are, and what waits for the next."""
    if look.of == 1:
        return ()
    found = [
        f"{_capital(look.words)}, as planned, after {there} batches: its verdicts stand on "
        f"{level_text(look.level)} % ranges, because this trial is looked at "
        f"{times_words(look.of)} and the looks share the error."
    ]
    if coming and more:
        some, stay = ("1 batch more is recorded; it waits", "stays") if more == 1 else (
            f"{more} batches more are recorded; they wait", "stay")  # fmt: skip
        found.append(
            f"{some} for the look after {coming[0]} and {stay} out of this answer until then."
        )
    elif coming:
        found.append(f"The next look is after {coming[0]} batches.")
    return tuple(found)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
