"""Findings: an answer of the analysis as a short sentence with its numbers listed under it.

`results` puts them on the page, `pictures` into captions; verdicts are taken, never made.
Sentences come from `text`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from doughlab.analysis.contrasts import Comparison
from doughlab.analysis.wording import amount_words, joined, level_words
from doughlab.report.blocks import Finding
from doughlab.report.figures import number_words, verdict_words
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.analysis.answers import Answer

MOST_NAMED = 3
ORDER = ("matters", "differs", "same", "not settled")


def summarise(result: Analysis, answer: Answer, texts: Texts, *, numbers: bool = False) -> str:
    """Say what the verdicts of an answer come to, in one or a few short sentences.

    Parameters
    ----------
    result : Analysis
    answer : Answer
        One of `result.answers`.
    texts : Texts
    numbers : bool
        Add the difference with its range where there is only one.

    Returns
    -------
    str
    """
    if answer.unanswered:
        return texts.say("sum_unanswered", why=answer.unanswered)
    found = answer.comparisons
    where = texts.say("sum_at", at=found[0].at) if found[0].at and not answer.split else ""
    verdicts = {c.verdict for c in found}
    if len(found) == 1:
        text = texts.say(f"sum_one_{_key(found[0].verdict)}")
        if numbers:
            text += " " + texts.say("sum_number", words=found[0].words,
                                    number=number_words(found[0], texts))  # fmt: skip
    elif len(verdicts) == 1:
        text = texts.say(f"sum_all_{_key(found[0].verdict)}")
    else:
        text = _mixed(result, found, texts)
    if found[0].provisional:
        text = texts.say("sum_so_far", text=f"{text[0].lower()}{text[1:]}")
    return f"{where}{text[0].lower()}{text[1:]}" if where else text


def _mixed(result: Analysis, found: Sequence[Comparison], texts: Texts) -> str:
    """Sum verdicts of several kinds up: by name, or by count where names would be too many."""
    groups = {v: [pair_words(result, c) for c in found if c.verdict == v] for v in ORDER}
    groups = {verdict: names for verdict, names in groups.items() if names}
    if max(map(len, groups.values())) > MOST_NAMED:
        counts = [texts.say(f"count_{_key(v)}", n=len(names)) for v, names in groups.items()]
        return texts.say("sum_counts", n=len(found), counts=joined(counts))
    return " ".join(
        texts.say(f"sum_{_key(verdict)}", names="; ".join(names))
        for verdict, names in groups.items()
    )


def _key(verdict: str) -> str:
    return verdict.replace(" ", "_")


def pair_words(result: Analysis, comparison: Comparison) -> str:
    """Name the two levels of a comparison: "tap and bottled", "48 h instead of 24 h"."""
    factor = result.settings.factor(comparison.factor)
    if result.answer(comparison.factor).split:
        return comparison.named
    if factor.kind == "number" or not comparison.other:
        return comparison.words
    levels = (comparison.level, comparison.other)
    return joined(level_words(factor, level) for level in levels)


def finding_of(result: Analysis, answer: Answer, texts: Texts) -> Finding:
    """Make the block of one question: question, summary, each difference with its verdict."""
    words = result.response.words
    margin = amount_words(result.response.margin, result.response).removeprefix(f"{words} ")
    asked = texts.say("asked", question=answer.question.text, response=words, margin=margin,
                      over=asked_over(answer, texts))  # fmt: skip
    return Finding(
        asked,
        summarise(result, answer, texts),
        verdict_rows(result, answer, texts),
    )


def verdict_rows(
    result: Analysis, answer: Answer, texts: Texts
) -> tuple[tuple[str, str, str, str], ...]:
    """List differences as (words, number with range, verdict as it is said, the bare verdict).

    Those that stand otherwise at the hold of use alone follow. A difference that only just shows
    says when it hangs on single batches.
    """
    rows = []
    for c in answer.comparisons:
        said = verdict_words(c, texts)
        if answer.primary and c.named in result.hangs:
            said = texts.say("verdict_hangs", verdict=said)
        words = c.named if answer.split else c.words
        rows.append((words, number_words(c, texts), said, c.verdict))
    for c in answer.otherwise:
        words = texts.say("alone", words=c.words, at=c.at)
        rows.append((words, number_words(c, texts), verdict_words(c, texts), c.verdict))
    return tuple(rows)


def asked_over(answer: Answer, texts: Texts) -> str:
    """Say in a heading where an answer stands: averaged over holds and why, or at which hold."""
    if answer.unanswered or answer.split:
        return ""
    if answer.averaged_over_holds and answer.reason:
        return "; " + answer.reason.rstrip(".")
    found = answer.comparisons
    return texts.say("asked_at", at=found[0].at) if found and found[0].at else ""
