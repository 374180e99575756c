"""The report on paper: the same chapters as the page, as one tagged PDF.

`doughlab report --pdf` calls it. The layout stands in templates/report.typ; every text goes there
as data and is never read as markup. It reads no clock: the same folder gives the same bytes.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.errors import InputError
from doughlab.report.blocks import Block, Drawing, Finding, Grid, Listing, Section, Words, typeset
from doughlab.report.page import (
    Document,
    compose_document,
    verdict_class,
    with_decimal_mark,
    write_aside,
)
from doughlab.report.text import Texts, read_texts

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.decided import Decision
    from doughlab.report.subject import Subject

Json = dict[str, Any]

PDF = "report/report.pdf"
PAPERS = {"a4": "a4", "letter": "us-letter"}
LINE = 100  # letters of a table beside each other, gaps counted as three
LONG = 22  # letters from which a column may break its cells
HEAD = 14  # letters that the head of a column may have beside each other in any case
DIGEST = 40  # letters without a space from which a cell is set small, as a checksum


def build_pdf(
    trial: Subject,
    *,
    analyses: Mapping[str, Analysis] | None = None,
    failed: Mapping[str, str] | None = None,
    decision: Decision | None = None,
    texts: Texts | None = None,
    paper: str = "a4",
) -> Path:
    """Write the report of a trial as one PDF into its folder.

    Parameters
    ----------
    trial, analyses, failed, decision, texts
        As for `build_report`.
    paper : str
        "a4" or "letter".

    Returns
    -------
    Path
        report/report.pdf in the trial folder, replaced in one step.

    Raises
    ------
    InputError
        For another paper, or where the letters to print with are missing.
    """
    texts = texts or read_texts(trial.folder)
    document = compose_document(
        trial, analyses=analyses, failed=failed, decision=decision, texts=texts
    )
    (made,) = print_document(document_data(document, texts, paper=paper))
    path = trial.folder / PDF
    write_aside(path, made)
    return path


def document_data(document: Document, texts: Texts, *, paper: str = "a4") -> Json:
    """Give a report as what the layout reads.

    Parameters
    ----------
    document : Document
    texts : Texts
    paper : str
        "a4" or "letter".

    Returns
    -------
    dict
        Texts with their minus signs set, drawings as SVG; empty sections are left out.

    Raises
    ------
    InputError
        For another paper.

    Examples
    --------
    >>> page = Document("Trial", "Trial X", (), (Section("a", "Answer", (Words("-0.3"),)),), ())
    >>> document_data(page, Texts())["sections"][0]["blocks"]
    [{'type': 'words', 'text': '\u22120.3', 'kind': 'plain'}]
    """
    if paper not in PAPERS:
        raise InputError(f"There is no paper '{paper}'. Take {' or '.join(PAPERS)}.")
    document = with_decimal_mark(document, texts.say("decimal_mark"))
    return {
        "lang": texts.say("language"), "paper": PAPERS[paper],
        "title": document.title, "docket": document.docket,
        "under": list(document.under_title), "footer": list(document.footer),
        "short": False, "size": SIZES[0], "dossier": any(s.whole for s in document.sections),
        "sections": [_section(s, i) for i, s in enumerate(document.sections) if not s.empty],
    }  # fmt: skip


SIZES = (11.0, 10.5, 10.0, 9.5, 9.0, 8.5)  # points; the largest that keeps the page one


def print_short(document: Document, texts: Texts, *, paper: str = "a4") -> bytes:
    """Set a short document on one page, in the largest letters that fit.

    Parameters
    ----------
    document : Document
        Its second and third sections stand beside each other.
    texts : Texts
    paper : str
        "a4" or "letter".

    Returns
    -------
    bytes
        A PDF of one page; of more where even the smallest letters do not fit.

    Raises
    ------
    InputError
        For another paper, or where the letters to print with are missing.
    """
    data = {**document_data(document, texts, paper=paper), "short": True}
    for size in SIZES:
        data["size"] = size
        if len(print_document(data, form="png", ppi=10.0)) == 1:
            break
    return print_document(data)[0]


def _section(section: Section, number: int = 0) -> Json:
    return {
        "title": section.title, "whole": section.whole, "number": number,
        "blocks": [_block(b) for b in section.blocks],
        "parts": [_section(p) for p in section.parts if not p.empty],
    }  # fmt: skip


def _block(block: Block) -> Json:
    if isinstance(block, Words):
        return {"type": block.type, "text": typeset(block.text), "kind": block.kind}
    if isinstance(block, Listing):
        items = [typeset(item) for item in block.items]
        return {"type": block.type, "items": items, "ordered": block.ordered,
                "small": block.small}  # fmt: skip
    if isinstance(block, Drawing):
        p = block.picture
        width, height = (float(x) for x in p.fig.get_size_inches())
        return {"type": block.type, "svg": p.svg(), "alt": p.alt, "caption": typeset(p.caption),
                "width": width, "height": height}  # fmt: skip
    if isinstance(block, Finding):
        rows = [[typeset(name), typeset(number), said, verdict_class(verdict)]
                for name, number, said, verdict in block.rows]  # fmt: skip
        return {"type": block.type, "question": typeset(block.question),
                "sentence": typeset(block.sentence), "rows": rows}  # fmt: skip
    return _grid(block)


def _grid(block: Grid) -> Json:
    longest = [max((len(row[i]) for row in block.rows), default=0)
               for i in range(len(block.heads))]  # fmt: skip
    heads = [{"words": fold_head(h.words, n), "unit": fold_head(h.unit, n),
              "number": h.number and i > 0}
             for i, (h, n) in enumerate(zip(block.heads, longest, strict=True))]  # fmt: skip
    rows = [[{"text": typeset(c), "digest": _is_digest(c)} for c in row] for row in block.rows]
    return {"type": block.type, "caption": typeset(block.caption), "heads": heads, "rows": rows,
            "widths": column_widths(block)}  # fmt: skip


def _is_digest(cell: str) -> bool:
    return len(cell) > DIGEST and " " not in cell


def fold_head(words: str, longest: int) -> str:
    """Break the head of a column that is wider than its cells.

    Examples
    --------
    >>> fold_head("of 10 new balls inside", 4).splitlines()
    ['of 10 new', 'balls inside']
    """
    return "\n".join(textwrap.wrap(words, max(longest, HEAD), break_long_words=False))


def column_widths(block: Grid) -> list[int]:
    """Give each column a share of the width; 0 lets it take what its words need.

    Where all columns together are wider than the page, those of long words share what is left;
    short ones never break.

    Examples
    --------
    >>> from doughlab.report.blocks import Head
    >>> column_widths(Grid("", (Head("ball"), Head("why")), (("B01-1", "dropped " * 15),)))
    [0, 40]
    """
    cells = [[row[i] for row in block.rows] for i in range(len(block.heads))]
    longest = [max((len(c) for c in column if not _is_digest(c)), default=0) for column in cells]
    if sum(max(n, HEAD) + 3 for n in longest) <= LINE:
        return [0] * len(longest)
    return [min(n, 40) if n > LONG else 0 for n in longest]


def print_document(data: Json, *, form: str = "pdf", ppi: float = 100.0) -> list[bytes]:
    """Set a report with typst; the same data gives the same bytes.

    Parameters
    ----------
    data : dict
        From `document_data`.
    form : str
        "pdf", tagged after PDF/UA-1, or "png" for one picture of each page.
    ppi : float
        Of pictures, in dots per inch.

    Returns
    -------
    list of bytes
        One PDF, or one PNG for each page.

    Raises
    ------
    InputError
        Where the letters to print with are missing.
    """
    import typst

    spec = find_spec("matplotlib")  # its letters: the same on every machine, nothing to install
    if spec is None or not spec.origin:
        raise InputError("matplotlib is not installed, so there are no letters to print with.")
    fonts = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    page = files("doughlab.report") / "templates" / "report.typ"
    standards = {"pdf_standards": ["ua-1"]} if form == "pdf" else {}
    made: Any = typst.compile(  # type: ignore[call-overload]
        page.read_bytes(), font_paths=[str(fonts)], ignore_system_fonts=True, format=form, ppi=ppi,
        sys_inputs={"data": json.dumps(data, ensure_ascii=False)}, **standards,
    )  # fmt: skip
    return list(made) if isinstance(made, list) else [made]
