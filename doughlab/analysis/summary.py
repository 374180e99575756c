"""Summaries: an analysis as lines of at most 80 characters, whole or short.

`Analysis.text`, `str` and the notebook's view come from here, with the same facts.
Numbers are rounded here only; sentences about one difference stand in `answers`.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from doughlab.analysis.answers import SHARED_ERROR
from doughlab.analysis.contrasts import common_decimals, find_basis
from doughlab.analysis.plain import plain_words
from doughlab.analysis.scores import count_scores
from doughlab.analysis.wording import WIDTH, amount_words, fold, joined, more_line, signed
from doughlab.errors import listed

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.analysis.answers import Answer
    from doughlab.analysis.contrasts import Comparison

SHORT = 15
LONGEST_WORDS = 36
AT_LEAST = "at least "
ALONE = " alone"
CAUTION = "About the dough only; whether a water is fit to drink is not judged here."


def full_lines(analysis: Analysis) -> list[str]:
    """Give the whole answer: what was recorded, answers, what was noticed, cautions.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    list of str
        Each at most 80 characters.
    """
    lines = [*head_lines(analysis), ""]
    for block in answer_blocks(analysis):
        lines += block
    for sentence in hanging_sentences(analysis):
        lines += fold(f"Mind: {sentence}", indent="  ")
    lines += _settle_lines(analysis)
    lines += second_view_lines(analysis)
    lines += fold(basis_sentence(analysis), indent="  ")
    for label, sentences in (
        ("Noticed", analysis.noticed),
        ("Left out", analysis.dataset.left_out),
        ("Note", _other_notes(analysis)),
    ):
        for sentence in sentences:
            lines += fold(f"{label}: {sentence}", indent="  ")
    return [*lines, *_caution(analysis)]


def short_lines(analysis: Analysis) -> list[str]:
    """Give the answer in at most 15 lines: what must be said first, the rest as it fits.

    Changes after the plan, the primary answers and the caution always stand; what does not fit
    is counted, and `text()` has it. Lines that only repeat the nearer end of a range are left out.
    """
    head, caution = head_lines(analysis), _caution(analysis)
    whole = answer_blocks(analysis)
    blocks = [[line for line in block if not line.lstrip().startswith(AT_LEAST)] for block in whole]
    room = SHORT - len(head) - len(caution) - 1
    kept: list[str] = []
    hidden = 0
    extra = [line for s in analysis.noticed for line in fold(f"Noticed: {s}", indent="  ")]
    for block in [*blocks, fold(basis_sentence(analysis), indent="  "), extra]:
        if hidden == 0 and len(kept) + len(block) <= room:
            kept += block
            continue
        fits = max(0, room - len(kept)) if hidden == 0 else 0
        if fits > 1:
            kept += block[:fits]
        else:
            fits = 0
        hidden += len(block) - fits
    hidden += sum(map(len, whole)) - sum(map(len, blocks)) + len(_settle_lines(analysis))
    hidden += len(hanging_sentences(analysis))
    hidden += len(analysis.dataset.left_out) + len(_other_notes(analysis))
    hidden += len(second_view_lines(analysis))
    more = more_line(hidden, "print(result.text())")
    return [*head, *kept, *more, *caution][:SHORT]


def html_text(analysis: Analysis) -> str:
    """Give the facts of `str` as HTML: a table of the differences between its lines."""
    rows = "".join(
        "<tr><td>{}</td><td>{}</td><td style='text-align:right'>{}</td><td>{}</td><td>{}</td></tr>"
        .format(*(html.escape(t) for t in (_title(a), name, c.estimate_text.strip(),
                                           c.range_text, c.verdict_text)))
        for a in analysis.answers
        for name, c in _named(a)
    )  # fmt: skip
    head = "".join(f"<p>{html.escape(line)}</p>" for line in head_lines(analysis))
    unanswered = "".join(
        f"<p>{html.escape(a.sentence)}</p>" for a in analysis.answers if a.unanswered
    )
    tail = [basis_sentence(analysis), *(f"Noticed: {s}" for s in analysis.noticed)]
    foot = "".join(f"<p>{html.escape(line)}</p>" for line in [*tail, *_caution(analysis)])
    ranges = analysis.dataset.standing.range_words.removesuffix("s")
    titles = ("question", "difference", "estimate", ranges, "verdict")
    columns = "".join(f"<th>{t}</th>" for t in titles)
    return f"{head}<table><tr>{columns}</tr>{rows}</table>{unanswered}{foot}"


def head_lines(analysis: Analysis) -> list[str]:
    """Say what was planned, recorded, lost and is missing, and what the ranges are."""
    data, response = analysis.dataset, analysis.response
    what = {"readings": "read", "bakes": "recorded", "scores": "scored"}[response.table]
    kind = {"readings": "pH ", "bakes": "", "scores": "bake "}[response.table]
    if response.table == "readings" and response.name != "ph":
        kind = ""
    counted = f"{data.planned} {kind}balls planned, {data.recorded} {what}"
    if data.lost:
        reasons = listed([f"{ball} {why}" for ball, why in data.lost.items()], shown=3)
        counted += f", {len(data.lost)} lost ({reasons})"
    if "judge" in data.frame:
        counted += f"; {count_scores(analysis.model)}"
    lines = fold(counted, indent="  ")
    for sentence in analysis.changed:
        lines += fold(f"Mind: {sentence}", indent="  ")
    for sentence in interim_sentences(analysis):
        lines += fold(sentence, indent="  ")
    for sentence in data.standing.sentences:
        lines += fold(sentence, indent="  ")
    margin, ranges = amount_words(response.margin, response), data.standing.range_words
    return [*lines, *fold(f"{response.words}: {ranges} in brackets; margin {margin}")]


def interim_sentences(analysis: Analysis) -> list[str]:
    """Say which records are due but absent, and what to do about them.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    list of str
        Empty where nothing is due.
    """
    data, found = analysis.dataset, []
    if data.missing:
        found.append(
            f"Interim: {len(data.missing)} balls have no {analysis.response.words} yet "
            f"({listed(list(data.missing), shown=3)}). Enter them, or mark them lost."
        )
    if data.absent:
        judges = [f"{judge} {n}" for judge, n in data.absent.items()]
        total = sum(data.absent.values())
        some = f"{total} scores of balls that others scored are" if total > 1 else (
            "1 score of a ball that others scored is")  # fmt: skip
        found.append(
            f"Interim: {some} absent ({listed(judges, shown=3)}). Enter them, or note who stays "
            f'away: doughlab record note {analysis.settings.code} "{next(iter(data.absent))} away"'
        )
    return found


def answer_blocks(analysis: Analysis) -> list[list[str]]:
    """Give the lines of each question: primary ones one by one, the rest as one block."""
    width = _width(analysis)
    blocks = []
    for answer in analysis.answers:
        if answer.primary:
            blocks.append([*fold(_title(answer)), *_rows(answer, width)])
    rest = [a for a in analysis.answers if not a.primary]
    if rest:
        title = f"What else moves the {analysis.response.words}? (noticed, not a primary question)"
        lines = fold(title if blocks else f"What moves the {analysis.response.words}?")
        blocks.append([*lines, *(line for a in rest for line in _rows(a, width))])
    return blocks


def _title(answer: Answer) -> str:
    """Give the question, and over which holds it is averaged, with the reason."""
    if answer.unanswered or not (answer.averaged_over_holds and answer.reason):
        return answer.question.text
    return f"{answer.question.text} ({answer.reason.rstrip('.')})"


def _width(analysis: Analysis) -> int:
    words = [len(c.named) for a in analysis.answers for c in a.comparisons]
    words += [len(c.named + ALONE) for a in analysis.answers for c in a.otherwise]
    return max([w for w in words if w <= LONGEST_WORDS], default=20)


def _rows(answer: Answer, width: int) -> list[str]:
    """Lay out the differences of an answer, numbers under one another."""
    if answer.unanswered:
        return fold(f"  not answered: {answer.unanswered}", indent="    ")
    shown = _named(answer)
    d = common_decimals([c for _, c in shown])
    numbers = [(signed(c.estimate, d), signed(c.ci_low, d), signed(c.ci_high, d))
               for _, c in shown]  # fmt: skip
    sizes = [max(len(n[i]) for n in numbers) for i in range(3)]
    lines = []
    for (name, c), (estimate, low, high) in zip(shown, numbers, strict=True):
        text = f"{estimate:>{sizes[0]}}  ({low:>{sizes[1]}} to {high:>{sizes[2]}})"
        lines += _row(name, width, text, (c.verdict_words(d), c.verdict_head))
    return lines


def _named(answer: Answer) -> list[tuple[str, Comparison]]:
    """Name the differences of an answer, and those that stand otherwise at the hold of use."""
    own = [(c.named, c) for c in answer.comparisons]
    return own + [(c.named + ALONE, c) for c in answer.otherwise]


def _row(words: str, width: int, numbers: str, verdicts: tuple[str, str]) -> list[str]:
    """Lay out one difference; what is known beyond the bare verdict goes below if need be."""
    head = [f"  {words:<{width}}"]
    if len(words) > width:
        head = [*fold(f"  {words}", indent="    "), f"  {'':<{width}}"]
    full, bare = verdicts
    line = f"{head[-1]}  {numbers}   {full}"
    if len(line) <= WIDTH:
        return [*head[:-1], line]
    more = full.removeprefix(bare).lstrip("; ")
    line = f"{head[-1]}  {numbers}   {bare}"
    if len(line) <= WIDTH:
        start = min(len(line) - len(bare), WIDTH - len(more))
        return [*head[:-1], line, " " * start + more]
    return [*head[:-1], f"{head[-1]}  {numbers}", f"    {full}"]


def hanging_sentences(analysis: Analysis) -> list[str]:
    """Say which differences that only just show hang on single batches.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    list of str
    """
    total = analysis.dataset.batches
    return [
        f"{name} only just differs and hangs on single batches: without "
        f"{'any one' if n > 1 else 'one'} of {n} of the {total} batches the verdict would be "
        "another. Do not build on it."
        for name, n in analysis.hangs.items()
    ]


def _settle_lines(analysis: Analysis) -> list[str]:
    """Say what would settle the primary questions, and what judging old and new together costs."""
    said = [text for a in analysis.answers if a.primary for text in a.settle_lines]
    lines = [line for text in said for line in fold(f"Not settled: {text}.", indent="  ")]
    return [*lines, *(fold(SHARED_ERROR, indent="  ") if said else [])]


def second_view_lines(analysis: Analysis) -> list[str]:
    """Give the differences of all batches together, where a part is judged alone.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    list of str
        A heading and one line for each difference, without a verdict; empty otherwise.
    """
    if not analysis.second_view:
        return []
    lines = fold(second_view_title(analysis), indent="  ")
    for answer in analysis.second_view:
        for c in answer.comparisons:
            at = f" at {c.at}" if c.at else ""
            lines += fold(
                f"  {c.words}{at}  {c.estimate_text.strip()} {c.range_text}", indent="    "
            )
    return lines


def second_view_title(analysis: Analysis) -> str:
    """Say what the second view is."""
    whole = analysis.dataset.whole
    batches = whole.batches if whole is not None else 0
    return f"All {batches} batches together, a second view without verdicts (95 % ranges):"


def basis_sentence(analysis: Analysis) -> str:
    """Say which factors were compared on what, and on how many of them.

    Parameters
    ----------
    analysis : Analysis
    """
    groups: dict[str, list[str]] = {}
    counts: dict[str, str] = {}
    for name, factor in analysis.settings.factors.items():
        if not any(a.question.factor == name and a.comparisons for a in analysis.answers):
            continue
        basis = find_basis(analysis.model, factor)
        groups.setdefault(basis.unit, []).append(factor.words)
        counts[basis.unit] = basis.words
        if basis.sessions:
            counts[basis.unit] += f" in {basis.sessions} reading sessions"
    parts = [
        f"{unit} against {unit} for {joined(names)} ({counts[unit]})"
        for unit, names in groups.items()
    ]
    return f"Compared {', '.join(parts)}." if parts else "Nothing could be compared."


def _other_notes(analysis: Analysis) -> tuple[str, ...]:
    said = {*analysis.changed, *analysis.dataset.left_out}
    factors = analysis.settings.factors
    return tuple(plain_words(n, factors) for n in analysis.notes if n not in said)


def _caution(analysis: Analysis) -> list[str]:
    return [CAUTION] if analysis.judges_water else []
