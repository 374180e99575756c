"""The dossier: several trials of one client in one document, with one first page over all of them.

`doughlab report --dossier` calls it. Every trial stands in it as it stands in its own report, in
the order in which they were begun; the first part says what was asked and settled over all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.analysis.answers import SHARED_ERROR
from doughlab.analysis.experience import compare_over_trials, find_copies, over_two
from doughlab.analysis.wording import amount_words, decimals_for, joined, level_words, signed
from doughlab.errors import InputError
from doughlab.plan.plan import software_version
from doughlab.report.blocks import Block, Head, Listing, Section, Words, grid_of
from doughlab.report.cards import decide_if_possible
from doughlab.report.deciding import decision_chapter, without_keys
from doughlab.report.figures import number_words, verdict_words
from doughlab.report.overview import list_entries
from doughlab.report.page import (
    Document,
    analyse_all,
    compose_document,
    render_document,
    write_aside,
)
from doughlab.report.results import (
    comparison_key,
    open_chapter,
    open_comparisons,
    primary_findings,
)
from doughlab.report.text import Texts, read_texts
from doughlab.stats.verdicts import NOT_SETTLED

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.analysis.contrasts import Comparison
    from doughlab.decision.choose import Decision
    from doughlab.report.subject import Subject

ENDINGS = (".html", ".pdf")
MOST_ROWS = 6  # differences of a question that the first part lists one by one
_LATE = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Chapter:
    """One trial of a dossier with what was found in it."""

    trial: Subject
    analyses: Mapping[str, Analysis]
    failed: Mapping[str, str]
    decision: Decision | None
    texts: Texts


def build_dossier(trials: Sequence[Subject], path: Path, *, paper: str = "a4") -> Path:
    r"""Write several trials into one document.

    Parameters
    ----------
    trials : sequence of Trial
        In any order; those begun first stand first.
    path : Path
        The file, ending in .html or .pdf; replaced in one step.
    paper : str
        Of a PDF: "a4" or "letter".

    Returns
    -------
    Path

    Raises
    ------
    InputError
        For another ending or paper, and for texts of a trial that cannot be used.

    Examples
    --------
    >>> import tempfile
    >>> from doughlab import Trial
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     trial = Trial.create(Path(folder) / "a", "format = 1\nname = 'Small'\ncode = 'SM'")
    ...     build_dossier([trial], Path(folder) / "all.html").name
    'all.html'
    """
    path = Path(path)
    if path.suffix not in ENDINGS:
        raise InputError(
            f"{path} ends in '{path.suffix}'. A dossier is one page or one PDF: let its name end "
            "in .html or .pdf."
        )
    document, texts = compose_dossier(trials)
    if path.suffix == ".html":
        write_aside(path, render_document(document, texts))
        return path
    from doughlab.report.page_pdf import document_data, print_document

    (made,) = print_document(document_data(document, texts, paper=paper))
    write_aside(path, made)
    return path


def compose_dossier(trials: Sequence[Subject]) -> tuple[Document, Texts]:
    """Compose the dossier of several trials.

    Parameters
    ----------
    trials : sequence of Trial
        One or more.

    Returns
    -------
    Document
        Its sections are the part over all trials, then every trial whole.
    Texts
        Those of the first trial, in which the part over all is told.
    """
    ordered = sorted(trials, key=lambda t: (t.settings.source == "published", *begun_at(t)))
    chapters = [_found(t) for t in ordered]
    texts = chapters[0].texts
    say = texts.say
    first = Section("all", say("head_all"), (), tuple(_over_all(chapters, texts)), whole=True)
    wholes = [_whole(c, f"t{i}") for i, c in enumerate(chapters, start=1)]
    doughs = dict.fromkeys(c.trial.settings.dough for c in chapters)
    last = max((t for c in chapters if (t := c.trial.records.last_at)), default=None)
    spoken = say("last_record", time=f"{last:%Y-%m-%d %H:%M}") if last else say("no_record")
    sources = dict.fromkeys(say(f"source_{c.trial.settings.source}") for c in chapters)
    document = Document(
        title=say("dossier_title", doughs=", ".join(doughs)),
        docket=say("dossier_docket", trials=len(chapters)),
        under_title=(*sources, spoken),
        sections=(first, *wholes),
        footer=(say("dossier_made", version=software_version()), say("dossier_again")),
    )
    return document, texts


def begun_at(trial: Subject) -> tuple[datetime, str]:
    """Tell when a trial was begun: its first mix, else its first planned step; late without.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    datetime, str
        With the name of the folder, so that the order is the same each time.
    """
    plan = trial.frozen_plan
    mixed = [m["mixed_at"] for m in trial.records.mixes if m["mixed_at"] is not None]
    planned = [r["due_at"] for r in plan.schedule if r["due_at"]] if plan is not None else []
    return min(mixed, default=min(planned, default=_LATE)), trial.folder.name


def _found(trial: Subject) -> Chapter:
    texts = read_texts(trial.folder)
    analyses, failed = analyse_all(trial)
    if trial.frozen_plan is None:  # as the page: no word on where the folder stands
        failed = dict.fromkeys(failed, texts.say("plan_none"))
    decision, _ = decide_if_possible(trial, analyses, texts)
    return Chapter(trial, analyses, failed, decision, texts)


def _whole(chapter: Chapter, prefix: str) -> Section:
    """Make the whole report of a trial one section, its anchors its own."""
    document = compose_document(
        chapter.trial, analyses=chapter.analyses, failed=chapter.failed,
        decision=chapter.decision, texts=chapter.texts,
    )  # fmt: skip
    lead: tuple[Block, ...] = tuple(
        Words(line, "note") for line in (document.docket, *document.under_title)
    )
    parts = tuple(_anchored(s, prefix) for s in document.sections)
    return Section(prefix, document.title, lead, parts, whole=True)


def _anchored(section: Section, prefix: str) -> Section:
    parts = tuple(_anchored(p, prefix) for p in section.parts)
    return replace(section, key=f"{prefix}-{section.key}", parts=parts)


def _over_all(chapters: Sequence[Chapter], texts: Texts) -> list[Section]:
    """Make the first part: what was asked and settled, what is open, the same over trials."""
    say = texts.say
    parts = {i: _asked(c, f"all-{i}") for i, c in enumerate(chapters, start=1)}
    own = tuple(parts[i] for i, c in enumerate(chapters, start=1) if not _published(c))
    lent = tuple(part for part in parts.values() if part not in own)
    found = [
        Section("all-list", say("head_trials"), (_list_trials(chapters, texts),)),
        Section("all-use", say("head_use"), use_blocks(chapters, texts)),
        Section("all-asked", say("head_asked"), (), own),
        Section("all-published", say("head_published"), (), lent),
    ]
    found = [s for s in found if not s.empty]
    codes = _codes(chapters)
    items = tuple(
        text for i, c in enumerate(chapters)
        for text in _open(c, codes[i], _settled_later(chapters[i + 1 :], codes[i + 1 :]))
    )  # fmt: skip
    blocks: tuple[Block, ...] = (Listing(items),) if items else (Words(say("open_none")),)
    found.append(Section("all-open", say("head_open"), blocks))
    together = _together(chapters, texts)
    if together:
        found.append(Section("all-together", say("head_together"), together))
    return found


def _published(chapter: Chapter) -> bool:
    return chapter.trial.settings.source == "published"


def use_blocks(chapters: Sequence[Chapter], texts: Texts) -> tuple[Block, ...]:
    """Say for each dough what to use: each setting as the last of the kitchen's trials has it.

    Parameters
    ----------
    chapters : sequence of Chapter
        In the order in which the trials were begun; published ones take no part.
    texts : Texts
    """
    say, codes = texts.say, _codes(chapters)
    used: dict[str, dict[str, tuple[str, str]]] = {}
    alone: dict[str, dict[str, set[str]]] = {}
    before: list[str] = []
    for code, c in zip(codes, chapters, strict=True):
        if c.decision is None or _published(c):
            continue
        settings = used.setdefault(c.trial.settings.dough, {})
        own = alone.setdefault(c.trial.settings.dough, {}).setdefault(code, set())
        for name, level in c.decision.recommended.items():
            factor = c.decision.settings.factor(name)
            shown = level_words(factor, level)
            words = shown if factor.kind == "water" else f"{factor.words} {shown}"
            earlier = settings.get(name)
            if earlier is not None and earlier[0] != words:
                before.append(say("use_later", trial=earlier[1], setting=earlier[0]))
            settings[name] = words, code
            own.add(words)
    blocks: list[Block] = []
    for dough, settings in used.items():
        if not settings:
            continue
        parts = [say("use_part", setting=w, trial=code) for w, code in settings.values()]
        blocks.append(Words(say("use_over_all", dough=dough, settings=joined(parts)), "lead"))
        alike = [code for code, own in alone[dough].items()
                 if own == {words for words, _ in settings.values()}]  # fmt: skip
        note = say("use_alike", trials=joined(alike)) if alike else say("use_mixed")
        blocks.append(Words(note, "note"))
    return (*blocks, *(Words(b) for b in before)) or (Words(say("use_none")),)


def _list_trials(chapters: Sequence[Chapter], texts: Texts) -> Block:
    say = texts.say
    heads = [Head(say("col_trial")), Head(say("col_dough"), number=False), Head(say("col_begun")),
             Head(say("col_records")), Head(say("col_batches")), Head(say("col_balls")),
             Head(say("col_records_are"), number=False)]  # fmt: skip
    rows = []
    for c in chapters:
        begun, _ = begun_at(c.trial)
        last, plan = c.trial.records.last_at, c.trial.frozen_plan
        rows.append([
            f"{c.trial.settings.name} ({c.trial.settings.code})", c.trial.settings.dough,
            "" if begun == _LATE else f"{begun:%Y-%m-%d}", f"{last:%Y-%m-%d}" if last else "",
            str(len(c.trial.records.mixes)) if c.trial.records.mixes else "",
            "" if plan is None else str(sum(s.state in ("read", "baked", "scored")
                                            for s in c.trial.ball_states.values())),
            say(f"kind_{c.trial.settings.source}"),
        ])  # fmt: skip
    return grid_of(say("trials_caption"), heads, rows)


def _asked(chapter: Chapter, key: str) -> Section:
    """Say what one trial was asked and what it settled."""
    trial, texts = chapter.trial, chapter.texts
    told = decision_chapter(trial, chapter.analyses, chapter.decision, texts)
    blocks: list[Block] = [
        Words(text, kind) for text, kind in zip(told.lead, ("lead", "plain"), strict=False)
    ]
    found = [f if len(f.rows) <= MOST_ROWS else replace(f, rows=())
             for f in primary_findings(trial, chapter.analyses, texts)]  # fmt: skip
    blocks += [
        Words(texts.say("answer_none", why=why)) for why in dict.fromkeys(chapter.failed.values())
    ]
    name = f"{trial.settings.name} ({trial.settings.code})"
    return Section(key, name, (*blocks, *found))


def _settled_later(
    later: Sequence[Chapter], codes: Sequence[str]
) -> dict[tuple[str, ...], tuple[str, Comparison]]:
    """Find the differences that later trials settled: which trial, and its answer."""
    return {
        comparison_key(a, x): (code, x)
        for c, code in zip(later, codes, strict=True)
        for a in c.analyses.values()
        for answer in a.answers
        for x in answer.comparisons
        if x.verdict != NOT_SETTLED and not x.provisional
    }


def _open(
    chapter: Chapter, code: str, since: Mapping[tuple[str, ...], tuple[str, Comparison]]
) -> list[str]:
    """List what a trial left open, with its code; where a later one settled it, its answer."""
    say = chapter.texts.say
    told = dict.fromkeys(
        item for b in open_chapter(chapter.analyses, chapter.failed, chapter.texts).blocks
        if isinstance(b, Listing) for item in b.items
    )  # fmt: skip
    answered: dict[str, str] = {}
    for key, sentence in open_comparisons(chapter.analyses, chapter.texts):
        if key in since:
            trial, c = since[key]
            at = f" {say('at_hold', hold=c.at)}" if c.at else ""
            words = chapter.analyses[key[0]].response.words
            answered[sentence] = say(
                "settled_since", what=f"{words}, {c.words}{at}", trial=trial,
                number=number_words(c, chapter.texts), verdict=verdict_words(c, chapter.texts),
            )  # fmt: skip
    shared = without_keys(SHARED_ERROR)
    if len(answered) and all(t in answered or t == shared for t in told):
        told.pop(shared, None)
    return [f"{code}: {answered.get(item, item)}" for item in told]


def _together(chapters: Sequence[Chapter], texts: Texts) -> tuple[Block, ...]:
    """Set the differences that several trials measured beside each other."""
    say = texts.say
    codes = _codes(chapters)
    named = dict(zip(codes, chapters, strict=True))
    copies = find_copies({code: list_entries(c.trial) for code, c in named.items()})
    again: list[Block] = [
        Words(say("copy_of", copy=copy, trial=first), "note") for copy, first in copies.items()
    ]
    codes = [code for code in codes if code not in copies]
    over = compare_over_trials({code: named[code].analyses.values() for code in codes})
    if not over:
        return tuple(again)
    rows, ranged = [], any(o.ranged for o in over)
    for o in over:
        response = _response(chapters, o.response)
        d = decimals_for(response.margin)
        each = dict(zip(o.trials, o.estimates, strict=True))
        low, high = (signed(v, d).strip() for v in (o.combined.low, o.combined.high))
        mean = signed(o.combined.estimate, d).strip()
        over_all = [mean, say("from_to", low=low, high=high)] if o.ranged else ["", ""]
        at = f" {say('at_hold', hold=o.at)}" if o.at else ""
        rows.append([
            f"{response.words}, {o.words}{at}",
            *(signed(each[code], d).strip() if code in each else "" for code in codes),
            *(over_all if ranged else []),
            amount_words(response.margin, response),
        ])  # fmt: skip
    heads = [Head(say("col_comparison")), *(Head(code) for code in codes)]
    heads += [Head(say("col_mean")), Head(say("range", level="95"))] if ranged else []
    heads.append(Head(say("col_margin")))
    how = [Words(words, "note") for words in over_two(over)]
    return (grid_of(say("together_caption"), heads, rows), *again, *how)


def _codes(chapters: Sequence[Chapter]) -> list[str]:
    """Give every trial a name of its own: its code, with its number where two have the same."""
    codes = [c.trial.settings.code for c in chapters]
    return [code if codes.count(code) == 1 else f"{code} {i}"
            for i, code in enumerate(codes, start=1)]  # fmt: skip


def _response(chapters: Sequence[Chapter], name: str) -> Any:
    return next(c.analyses[name].response for c in chapters if name in c.analyses)
