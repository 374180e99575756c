"""Sheets on paper: bench sheet, score sheets, labels and cards as PDF.

`commands/sheets` writes what comes from here. The layout stands in sheet_pages/pages.typ; texts
go there as data and are never read as markup. What stands on a card is left to `sheets_cards`.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.errors import InputError
from doughlab.record.panel import tell_judges
from doughlab.record.sheets_book import caution
from doughlab.record.sheets_code import code_drawing
from doughlab.record.sheets_day import ASK_FIRST, Part, Sheet, need_plan

if TYPE_CHECKING:
    from doughlab.record.folder import TrialFolder

Json = dict[str, Any]

PAPERS = {"a4": "a4", "letter": "us-letter"}
ROOMY = 10  # samples that leave room for high boxes on one page
CODE_MM = 25.5  # the dark part of a label's code; its white border comes on top
BORDER = 4  # white modules around a code, as segno sets by default
# margins left and top, size of a label, all in mm: three beside each other
LABELS = {"a4": ((7.2, 15.1), (63.5, 38.1), 2.5), "letter": ((7.9, 13.7), (65.0, 42.0), 2.5)}
HINT = {
    "bench": "Write times like 14:10. Nothing measured: leave the box empty. Type it in later: "
             "the same rows stand in the .xlsx.",
    "scores": "Taste in this order. Write when you tasted, like 14:10. A blank counts as missing.",
}  # fmt: skip
_WIDE = {"Row": 15, "Due": 11, "Place": 20, "What to do": 40}
# letters in a line of a label at 11 pt; points for its small lines together; smallest letters
LINE_LETTERS, LINES_TALL, LEAST_LETTERS = 12, 66.0, 6.0
FACES, FACES_WIDE = 20.0, 95.0  # points of a ball's id, and of all its letters together


def print_pages(data: Json, *, form: str = "pdf", ppi: float = 150.0) -> list[bytes]:
    """Set pages; the same data gives the same bytes.

    Parameters
    ----------
    data : dict
        What pages.typ reads, with `kind`, `paper` ("a4" or "letter"), `title`, `foot`, `caution`.
    form : str
        "pdf", or "png" for one picture of each page.
    ppi : float
        Of pictures, in dots per inch.

    Returns
    -------
    list of bytes
        One PDF, or one PNG for each page.
    """
    import typst

    spec = find_spec("matplotlib")  # its own letters: the same on every machine, nothing to install
    if spec is None or not spec.origin:
        raise InputError("matplotlib is not installed, so there are no letters to print with.")
    fonts = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    page = files("doughlab.record") / "sheet_pages" / "pages.typ"
    given = {**data, "paper": PAPERS[data["paper"]]}
    made: Any = typst.compile(  # type: ignore[call-overload]
        page.read_bytes(), font_paths=[str(fonts)], ignore_system_fonts=True, format=form, ppi=ppi,
        sys_inputs={"data": json.dumps(given, ensure_ascii=False)},
    )  # fmt: skip
    return list(made) if isinstance(made, list) else [made]


def bench_data(sheet: Sheet, *, paper: str = "a4") -> Json:
    """Give the bench sheet for `print_pages`."""
    return {
        "kind": "bench", "paper": paper, "title": sheet.title, "hint": HINT["bench"],
        "foot": f"{sheet.code}  {sheet.day}", "caution": caution(sheet),
        "parts": [_part_data(p) for p in sheet.parts],
    }  # fmt: skip


def _part_data(part: Part) -> Json:
    """Set a part as a table, or as cards where it has too many boxes for one line."""
    labels = [str(f["label"]) for f in part.fields]
    cards = part.action == "mix"
    heads = [h for h in part.heads if h != "Row"]
    wide = [_WIDE.get(h, 14) for h in heads]
    wide += [30 if f["name"] == "note" else 15 for f in part.fields]
    lines: list[Any] = [part.cells(line)[1:] for line in part.lines]
    if cards:
        lines = [{"item": x.item, "due": x.due, "words": x.words} for x in part.lines]
    return {"title": part.title, "cards": cards, "heads": heads, "fields": labels,
            "widths": wide, "lines": lines, "tall": 8}  # fmt: skip


def scores_data(sheets: Sequence[Sheet], contents: TrialFolder, *, paper: str = "a4") -> Json:
    """Give the score sheets of a session for `print_pages`: one page or more for each judge."""
    rubric = [
        {"label": c.title or c.name.replace("_", " "),
         "words": f"{c.low:g} to {c.high:g}. {c.words}".strip()}
        for c in contents.settings.rubric.values() if c.weight > 0
    ]  # fmt: skip
    pages, own = [], list(tell_judges(contents.settings))
    for sheet in sheets:
        told = [*(words for words in sheet.guide[:1] if words == ASK_FIRST), *own]
        part = _part_data(sheet.parts[0])
        part["tall"] = 11 if len(part["lines"]) <= ROOMY else 9
        part["heads"] = ["Place", "Code"]
        part["lines"] = [(line.key.rpartition(" ")[2], line.item) for line in sheet.parts[0].lines]
        part["widths"] = [9, 12, *([18] * len(part["fields"]))]
        pages.append({"title": sheet.title, "told": told, "rubric": rubric,
                      "foot": f"{sheet.code}  {sheet.session}  {sheet.judge}  {sheet.day}",
                      "sittings": _sittings(part, sheet.breaks)})  # fmt: skip
    first = sheets[0]
    return {
        "kind": "scores", "paper": paper, "title": f"Scores {first.session} {first.code}",
        "hint": HINT["scores"], "foot": f"{first.code}  {first.session}  {first.day}",
        "caution": caution(first), "pages": pages,
    }  # fmt: skip


def _sittings(part: Json, breaks: Sequence[str]) -> list[Json]:
    """Part a score sheet by sittings, so that the rest between them is seen."""
    if not breaks:
        return [{"title": "", "part": part}]
    out = []
    for hour in dict.fromkeys(breaks):
        own = [line for line, at in zip(part["lines"], breaks, strict=True) if at == hour]
        out.append({"title": f"Sitting at {hour}", "part": {**part, "lines": own}})
    return out


def labels_data(contents: TrialFolder, balls: Sequence[str], *, paper: str = "a4") -> Json:
    """Give the labels of balls for `print_pages`.

    Parameters
    ----------
    contents : TrialFolder
    balls : sequence of str
        Ball ids of the plan.
    paper : str
        "a4" (21 on a page) or "letter" (18).
    """
    plan = need_plan(contents)
    zone = ZoneInfo(contents.settings.timezone)
    planned = {str(r["item"]): r["due_at"] for r in plan.schedule if r["step"] == "mix"}
    mixed = {**planned, **{m["batch_id"]: m["mixed_at"] for m in contents.records.mixes}}
    margin, size, gap = LABELS[paper]
    labels = []
    for ball in balls:
        batch = str(plan.ball(ball)["batch_id"])
        at, drawn = mixed.get(batch), code_drawing(f"{contents.settings.code}/{ball}")
        day = f"{at.astimezone(zone):%Y-%m-%d}" if at else "mixed"
        allergen = f"contains {contents.settings.panel.contains}"
        labels.append({
            "ball": ball, "mixed": day, "allergen": allergen, "trial": "trial, not for sale",
            "big": round(min(FACES, FACES_WIDE / max(len(ball), 1)), 1),
            "small": label_letters(day, allergen, "trial, not for sale"),
            "svg": drawn, "code": code_size(drawn),
        })  # fmt: skip
    return {
        "kind": "labels", "paper": paper, "title": f"Labels {contents.settings.code}",
        "foot": "", "caution": "", "labels": labels, "margin": margin, "size": size, "gap": gap,
    }  # fmt: skip


def label_letters(*texts: str) -> float:
    """Give the size of a label's small letters, in points: 11, smaller where much must fit.

    Examples
    --------
    >>> label_letters("2026-03-02", "contains wheat", "trial, not for sale")
    11.0
    >>> label_letters("2026-03-02", "contains wheat, soya, milk, sesame, egg, nuts and mustard",
    ...               "trial, not for sale") < 9
    True
    """
    size = 11.0
    while size > LEAST_LETTERS:
        wide = int(LINE_LETTERS * 11.0 / size)
        lines = sum(len(textwrap.wrap(text, wide)) for text in texts)
        if lines * size <= LINES_TALL:
            break
        size -= 0.5
    return size


def code_size(svg: str) -> float:
    """Give the width of a drawing, in mm, whose dark part is `CODE_MM` wide.

    Examples
    --------
    >>> round(code_size(code_drawing("LQ/B07-3")), 2)
    35.21
    """
    modules = int(svg.partition('viewBox="0 0 ')[2].split()[0])
    return CODE_MM * modules / (modules - 2 * BORDER)
