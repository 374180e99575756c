"""The appendix: every row that counts, as it stands in the files of the trial folder.

`page` puts it last, folded on the page and in full on paper. Readings of a ball stand in one row,
so do the marks of a judge for a ball; what is the same throughout is said once above its table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doughlab.cells import Column
from doughlab.report.blocks import Block, Head, Section, Words, grid_of
from doughlab.report.chapters import cell_text, column_words, head_of
from doughlab.report.text import Texts
from doughlab.tables import JOURNAL_COLUMNS, RECORDS

if TYPE_CHECKING:
    from doughlab.report.subject import Subject
    from doughlab.settings import Settings

Row = Mapping[str, Any]
ORDER = ("mixes", "readings", "bakes", "scores", "calibrations", "temperatures", "lots", "notes",
         "trainees")  # fmt: skip
_JOURNAL = {c.name for c in JOURNAL_COLUMNS}
_EACH = {"readings": ("ball_id",), "scores": ("ball_id", "blind_code", "judge", "position")}
_SPREAD = "criterion"


def appendix_chapter(trial: Subject, texts: Texts) -> Section:
    """List every mix, reading, bake, score, calibration, temperature, lot and note that counts.

    Parameters
    ----------
    trial : Trial
    texts : Texts
    """
    parts = []
    for name in (*ORDER, *(n for n in RECORDS if n not in ORDER)):
        rows = getattr(trial.records, name)
        if rows:
            parts.append(_part(trial, name, rows, texts))
    lead: tuple[Block, ...] = (Words(texts.say("appendix_lead")),) if parts else ()
    return Section("appendix", texts.say("head_appendix"), lead, tuple(parts))


def _part(trial: Subject, name: str, rows: Sequence[Row], texts: Texts) -> Section:
    settings = trial.settings
    columns = [c for c in settings.table(name).columns if c.name not in _JOURNAL]
    title = texts.say(f"appendix_{name}", n=len(rows))
    columns = [c for c in columns if any(r.get(c.name) is not None for r in rows)]
    same, columns = _part_same(columns, rows, settings)
    said = "; ".join(f"{column_words(name, c, texts)}: {text}" for c, text in same)
    if name == "scores":
        heads, cells = _scores(columns, rows, settings, texts)
    elif name == "readings":
        heads, cells = _readings(columns, rows, settings, texts)
    else:
        heads = [head_of(c, settings, name, texts) for c in columns]
        cells = [[cell_text(r.get(c.name), c, settings) for c in columns] for r in rows]
    blocks: list[Block] = [Words(texts.say("appendix_same", same=said), "note")] if said else []
    blocks.append(grid_of(texts.say(f"appendix_{name}_caption"), heads, cells))
    return Section(f"appendix-{name}", title, tuple(blocks), folded=True)


def _part_same(
    columns: Sequence[Column], rows: Sequence[Row], settings: Settings
) -> tuple[list[tuple[Column, str]], list[Column]]:
    """Part columns that say the same in every row from the others; the first always stays."""
    same, kept = [], list(columns[:1])
    for c in columns[1:]:
        found = {cell_text(r.get(c.name), c, settings) for r in rows}
        if len(found) == 1 and len(rows) > 1 and c.kind not in ("number", "datetime"):
            same.append((c, found.pop()))
        else:
            kept.append(c)
    return same, kept


def gather(rows: Sequence[Row], by: Sequence[str]) -> dict[tuple[Any, ...], list[Row]]:
    """Gather rows by some columns, in the order of the first row of each group.

    Examples
    --------
    >>> rows = [{"ball_id": "B01-1", "ph": 5.6}, {"ball_id": "B01-1", "ph": 5.7}]
    >>> [len(found) for found in gather(rows, ["ball_id"]).values()]
    [2]
    """
    groups: dict[tuple[Any, ...], list[Row]] = {}
    for row in rows:
        groups.setdefault(tuple(row.get(name) for name in by), []).append(row)
    return groups


def _readings(
    columns: Sequence[Column], rows: Sequence[Row], settings: Settings, texts: Texts
) -> tuple[list[Head], list[list[str]]]:
    """Set the readings of a ball into one row, each column in the order they were read."""
    cells = []
    for group in gather(rows, _EACH["readings"]).values():
        line = []
        for c in columns:
            each = [cell_text(r.get(c.name), c, settings) for r in group]
            if c.kind == "datetime":
                line.append(texts.say("from_to", low=each[0], high=each[-1][-5:])
                            if len(each) > 1 else each[0])  # fmt: skip
            else:
                line.append(each[0] if len(set(each)) == 1 and c.kind != "number"
                            else ", ".join(each))  # fmt: skip
        cells.append(line)
    return [head_of(c, settings, "readings", texts) for c in columns], cells


def _scores(
    columns: Sequence[Column], rows: Sequence[Row], settings: Settings, texts: Texts
) -> tuple[list[Head], list[list[str]]]:
    """Set the marks of a judge for a ball into one row, with a column for each criterion."""
    by_name = {c.name: c for c in columns}
    if _SPREAD not in by_name or "score" not in by_name:
        return ([head_of(c, settings, "scores", texts) for c in columns],
                [[cell_text(r.get(c.name), c, settings) for c in columns]
                 for r in rows])  # fmt: skip
    named = [c for c in columns if c.name in _EACH["scores"]]
    others = [c for c in columns if c not in named and c.name not in (_SPREAD, "score")]
    asked = list(dict.fromkeys(str(r.get(_SPREAD)) for r in rows))
    cells = []
    for group in gather(rows, [c.name for c in named]).values():
        marks = [
            ", ".join(cell_text(r.get("score"), by_name["score"], settings)
                      for r in group if str(r.get(_SPREAD)) == name)
            for name in asked
        ]  # fmt: skip
        line = [cell_text(group[0].get(c.name), c, settings) for c in named]
        rest = [", ".join(dict.fromkeys(cell_text(r.get(c.name), c, settings) for r in group))
                for c in others]  # fmt: skip
        cells.append([*line, *marks, *rest])
    rubric = settings.rubric
    words = [(rubric[n].title or n) if n in rubric else n for n in asked]
    heads = [head_of(c, settings, "scores", texts) for c in named]
    heads += [Head(w) for w in words]
    heads += [head_of(c, settings, "scores", texts) for c in others]
    return heads, cells
