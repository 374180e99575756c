"""The page: one trial folder in, one self-contained HTML file out.

`doughlab report`, `doughlab demo` and `dl.build_report` call it; chapters come from the modules
beside it. It reads no clock: the same folder and the same software give the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from doughlab.errors import MissingRecords, NotEstimable, PlanError
from doughlab.plan.plan import software_version
from doughlab.report.appendix import appendix_chapter
from doughlab.report.blocks import (
    Block,
    Grid,
    Listing,
    Section,
    Words,
    typeset,
    whole_names,
)
from doughlab.report.cards import daily_chapter, decide_if_possible
from doughlab.report.chapters import (
    course_chapter,
    formula_chapter,
    waters_chapter,
)
from doughlab.report.deciding import Told, decision_chapter
from doughlab.report.marks import mark_section
from doughlab.report.methods import cautions_chapter, methods_chapter
from doughlab.report.planning import plan_chapter
from doughlab.report.results import (
    answer_chapter,
    ball_pictures,
    draw,
    open_chapter,
    open_comparisons,
    results_chapter,
)
from doughlab.report.since import Since, read_since, settle_open, since_blocks
from doughlab.report.text import Texts, read_texts
from doughlab.report.trusted import meter_cautions
from doughlab.report.window_pictures import picture_window

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.decided import Decision
    from doughlab.report.subject import Subject

REPORT = "report/report.html"


def build_report(
    trial: Subject,
    *,
    analyses: Mapping[str, Analysis] | None = None,
    failed: Mapping[str, str] | None = None,
    decision: Decision | None = None,
    texts: Texts | None = None,
) -> Path:
    r"""Write the report of a trial as one HTML file into its folder.

    Parameters
    ----------
    trial : Trial
        With or without records; what is missing is said.
    analyses : mapping of str to Analysis, optional
        By response. Made from the records without it.
    failed : mapping of str to str, optional
        Response to the reason why it could not be analysed; only beside `analyses`.
    decision : Decision, optional
        Made from the analyses without it.
    texts : Texts, optional
        The sentences of the page; without it ours, with report-texts.toml of the folder.

    Returns
    -------
    Path
        report/report.html in the trial folder, replaced in one step.

    Examples
    --------
    >>> import tempfile
    >>> from doughlab import Trial
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     trial = Trial.create(folder, "format = 1\nname = 'Small'\ncode = 'SM'")
    ...     build_report(trial).name
    'report.html'
    """
    path = trial.folder / REPORT
    write_aside(
        path, compose_page(trial, analyses=analyses, failed=failed, decision=decision, texts=texts)
    )
    return path


def compose_page(
    trial: Subject,
    *,
    analyses: Mapping[str, Analysis] | None = None,
    failed: Mapping[str, str] | None = None,
    decision: Decision | None = None,
    texts: Texts | None = None,
) -> str:
    """Compose the report of a trial; nothing is written.

    Parameters
    ----------
    trial, analyses, failed, decision, texts
        As for `build_report`.

    Returns
    -------
    str
        The HTML document.
    """
    texts = texts or read_texts(trial.folder)
    document = compose_document(
        trial, analyses=analyses, failed=failed, decision=decision, texts=texts
    )
    return render_document(document, texts)


@dataclass(frozen=True)
class Document:
    """The whole report before anybody decides on HTML or paper.

    Attributes
    ----------
    title, docket : str
    under_title, footer : tuple of str
    sections : tuple of Section
    """

    title: str
    docket: str
    under_title: tuple[str, ...]
    sections: tuple[Section, ...]
    footer: tuple[str, ...]


def with_decimal_mark(document: Document, mark: str) -> Document:
    """Write every number of a document with a decimal mark; "." changes nothing."""
    if mark == ".":
        return document
    return replace(document, sections=tuple(mark_section(s, mark) for s in document.sections))


def compose_document(
    trial: Subject,
    *,
    analyses: Mapping[str, Analysis] | None = None,
    failed: Mapping[str, str] | None = None,
    decision: Decision | None = None,
    texts: Texts,
) -> Document:
    """Compose the chapters of the report, for the page and for paper alike.

    Parameters
    ----------
    trial, analyses, failed, decision, texts
        As for `build_report`.

    Returns
    -------
    Document
    """
    failed = failed or {}
    if analyses is None:
        analyses, failed = analyse_all(trial)
    if trial.frozen_plan is None:  # the page does not name where the folder stands
        failed = dict.fromkeys(failed, texts.say("plan_none"))
    if decision is None:
        decision, _ = decide_if_possible(trial, analyses, texts)
    told = decision_chapter(trial, analyses, decision, texts)
    since, doubts = read_since(trial), meter_cautions(trial, analyses, texts)
    recommended = decision.recommended if decision is not None else {}
    left = open_chapter(analyses, failed, texts)
    answer = answer_chapter(trial, analyses, failed, texts, told)
    sections = [
        _with_after(answer, decision, told, [*doubts, *since_blocks(since, texts)], texts),
        waters_chapter(trial, texts),
        formula_chapter(trial, texts, recommended),
        plan_chapter(trial, texts),
        course_chapter(trial, texts, ball_pictures(analyses, texts)),
        results_chapter(analyses, texts),
        settle_open(left, analyses, open_comparisons(analyses, texts), since, texts),
        _with_pictures(told.section, decision, texts),
        daily_chapter(trial, decision, texts),
        cautions_chapter(trial, texts),
        methods_chapter(trial, analyses, texts),
        appendix_chapter(trial, texts),
    ]  # fmt: skip
    settings, say = trial.settings, texts.say
    return Document(
        title=settings.name,
        docket=say("docket", code=settings.code, dough=settings.dough),
        under_title=_under_title(trial, since, texts),
        sections=tuple(sections),
        footer=(say("footer_made", version=software_version()), say("footer_again")),
    )


def _with_after(
    section: Section, decision: Decision | None, told: Told, after: list[Block], texts: Texts
) -> Section:
    """Put doubts, and what came since, behind the decision; say why one is taken of two alike."""
    first = ("caution", "decision", "lead")
    choices = decision.choices if decision is not None else ()
    either = any(o.either and not c.why for c in choices for o in c.options)
    opening = [b for b in section.blocks if isinstance(b, Words) and b.kind in first]
    blocks: list[Block] = [*opening, *after]
    for block in section.blocks:
        if block in opening:
            continue
        blocks.append(block)
        if either and isinstance(block, Listing) and block.items == told.others:
            blocks.append(Words(texts.say("others_either"), "note"))
    return replace(section, blocks=tuple(blocks))


def _under_title(trial: Subject, since: Since | None, texts: Texts) -> tuple[str, ...]:
    """Say for whom and by whom, of what, and up to which record: the date of the report."""
    say, last = texts.say, trial.records.last_at
    spoken = say("last_record", time=f"{last:%Y-%m-%d %H:%M}") if last else say("no_record")
    if since is not None and since.last_at is not None:
        spoken += " " + say("last_daily", date=f"{since.last_at:%Y-%m-%d}")
    lines = (say("for_whom"), say("by_whom"), trial.settings.about,
             say(f"source_{trial.settings.source}"), spoken)  # fmt: skip
    return tuple(line for line in lines if line)


def _with_pictures(section: Section, decision: Decision | None, texts: Texts) -> Section:
    """Put the pictures of the hours into the decision, and fold its table of all settings."""
    grids = tuple(b for b in section.blocks if isinstance(b, Grid))
    others = [b for b in section.blocks if not isinstance(b, Grid)]
    part = Section("settings", texts.say("head_settings"), grids, folded=True)
    return replace(section, blocks=(*others, *hours_pictures(decision, texts)),
                   parts=(part,) if grids else ())  # fmt: skip


def hours_pictures(decision: Decision | None, texts: Texts) -> list[Block]:
    """Picture the window and the share inside against the hours, where the trial has both."""
    if decision is None or decision.window.ends is None or decision.settings.hold is None:
        return []
    return draw(lambda: picture_window(decision, texts=texts), texts)


def analyse_all(trial: Subject) -> tuple[dict[str, Analysis], dict[str, str]]:
    """Analyse every response; say why where one cannot be analysed.

    Returns
    -------
    dict of str to Analysis
        By response, those that questions name first.
    dict of str to str
        Response to the reason.
    """
    from doughlab.analysis.analyse import analyse

    found: dict[str, Analysis] = {}
    failed: dict[str, str] = {}
    asked = [q.response for q in trial.settings.questions]
    for name in dict.fromkeys([*asked, *trial.settings.responses]):
        try:
            found[name] = analyse(trial, name)
        except (PlanError, MissingRecords, NotEstimable) as error:
            failed[name] = str(error)
    return found, failed


def render_document(document: Document, texts: Texts) -> str:
    """Lay a document out as one HTML page that asks nothing from outside.

    Parameters
    ----------
    document : Document
        Empty sections are left out.
    texts : Texts

    Returns
    -------
    str
        A whole HTML document, UTF-8, lines ended by single line feeds.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
    from markupsafe import Markup, escape

    document = with_decimal_mark(document, texts.say("decimal_mark"))
    env = Environment(
        loader=PackageLoader("doughlab.report", "templates"),
        autoescape=select_autoescape(["html", "j2"], default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    env.filters["typeset"] = lambda text: Markup(whole_names(str(escape(typeset(text)))))
    env.filters["picture"] = Markup
    env.filters["verdict_class"] = verdict_class
    css = Path(__file__).with_name("templates").joinpath("report.css").read_text(encoding="utf-8")
    blocks = env.get_template("blocks.html.j2").module
    sections = [s for s in document.sections if not s.empty]
    return env.get_template("report.html.j2").render(
        lang=texts.say("language"), title=document.title, docket=document.docket,
        under_title=list(document.under_title), footer=list(document.footer), sections=sections,
        say=texts.say, chapter=blocks.chapter, draw=blocks.draw, css=Markup(css),  # type: ignore[attr-defined]
    )  # fmt: skip


def verdict_class(verdict: str) -> str:
    """Give the style class of a verdict.

    Examples
    --------
    >>> verdict_class("differs"), verdict_class("not settled")
    ('differs', 'not-settled')
    """
    return verdict.replace(" ", "-")


def write_aside(path: Path, content: str | bytes) -> None:
    """Write a file beside its place, then put it there in one step; texts become UTF-8."""
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f".{path.name}.new")
    aside.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    aside.replace(path)
