"""The cook's page: recipe, window, hours, room by room and what to do when, on one sheet.

`doughlab report --short` calls it; it says shorter what the report says. Its parts come from
`cards`, printing from `page_pdf`, the page for a phone from `page`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from doughlab.report.blocks import Listing, Section
from doughlab.report.cards import (
    batch_card,
    decide_if_possible,
    do_card,
    rooms_card,
    when_card,
)
from doughlab.report.kitchen import kitchen_card
from doughlab.report.methods import choose_cautions
from doughlab.report.page import Document, render_document, write_aside
from doughlab.report.text import Texts, read_texts

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.choose import Decision
    from doughlab.report.subject import Subject

SHORT = "report/cook.pdf"
SHORT_PAGE = "report/cook.html"


def build_short(
    trial: Subject,
    *,
    analyses: Mapping[str, Analysis] | None = None,
    decision: Decision | None = None,
    texts: Texts | None = None,
    paper: str = "a4",
) -> tuple[Path, Path]:
    """Write the cook's page of a trial into its folder: one sheet of paper, and one for a phone.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis, optional
        By response. Made from the records without it.
    decision : Decision, optional
        Made from the analyses without it.
    texts : Texts, optional
        Ours without it, with report-texts.toml of the folder.
    paper : str
        "a4" or "letter".

    Returns
    -------
    Path, Path
        report/cook.pdf and report/cook.html in the trial folder, each replaced in one step.

    Raises
    ------
    InputError
        For another paper, or where the letters to print with are missing.
    """
    from doughlab.report.page import analyse_all
    from doughlab.report.page_pdf import print_short

    texts = texts or read_texts(trial.folder)
    why = ""
    if decision is None:
        found = analyse_all(trial)[0] if analyses is None else analyses
        decision, why = decide_if_possible(trial, found, texts)
    document = compose_short(trial, decision, why=why, texts=texts)
    paths = trial.folder / SHORT, trial.folder / SHORT_PAGE
    write_aside(paths[0], print_short(document, texts, paper=paper))
    write_aside(paths[1], render_document(document, texts))
    return paths


def compose_short(trial: Subject, decision: Decision | None, *, why: str, texts: Texts) -> Document:
    """Compose the cook's page.

    Parameters
    ----------
    trial : Trial
    decision : Decision or None
    why : str
        Why there is no decision.
    texts : Texts

    Returns
    -------
    Document
        Five sections; the second and third stand beside each other on paper.
    """
    say, settings, last = texts.say, trial.settings, trial.records.last_at
    card = kitchen_card(trial, decision.recommended if decision is not None else {})
    sections = (
        Section("do", say("head_short_do"), do_card(decision, why, texts)),
        Section("batch", say("head_short_batch"), batch_card(trial, decision, texts)),
        Section("rooms", say("head_short_rooms"), rooms_card(trial, card, texts)),
        Section("when", say("head_short_when"), (Listing(when_card(trial, decision, texts)),)),
        Section("cautions", say("head_cautions"),
                (Listing(choose_cautions(trial), small=True),)),
    )  # fmt: skip
    spoken = say("last_record", time=f"{last:%Y-%m-%d %H:%M}") if last else say("no_record")
    docket = say("docket", code=settings.code, dough=settings.dough)
    source = say(f"source_{settings.source}")
    return Document(settings.name, docket, (f"{source} {spoken}",), sections, ())
