"""Decimal marks: a document with every number written with a comma, where its texts ask for it.

`page` and `page_pdf` call it just before a document is laid out. Versions, files and checksums
keep their points.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from doughlab.report.blocks import Block, Drawing, Finding, Grid, Head, Listing, Section, Words
from doughlab.report.picture import Picture

if TYPE_CHECKING:
    from matplotlib.axis import Axis

AS_THEY_ARE = ("software", "files", "sources")  # parts whose points are no decimal marks
_NUMBER = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?![\w]|\.\d)")
DIGEST = 40  # letters without a blank, from which a cell is a checksum


def mark_numbers(text: str, mark: str) -> str:
    """Write the numbers of a text with a decimal mark.

    Parameters
    ----------
    text : str
    mark : str
        "." or ",".

    Examples
    --------
    >>> mark_numbers("pH 5.35-5.75 (+0.03), doughlab 0.1.0", ",")
    'pH 5,35-5,75 (+0,03), doughlab 0.1.0'
    """
    if len(text) > DIGEST and " " not in text:
        return text
    return _NUMBER.sub(rf"\1{mark}\2", text)


def mark_section(section: Section, mark: str) -> Section:
    """Write the numbers of a section, its tables and its pictures with a decimal mark.

    Parameters
    ----------
    section : Section
    mark : str
        "." or ",".

    Examples
    --------
    >>> mark_section(Section("a", "A", (Words("0.5 h"),)), ",").blocks[0].text
    '0,5 h'
    """
    if section.key.rpartition("-")[2] in AS_THEY_ARE:
        return section
    return replace(
        section,
        title=mark_numbers(section.title, mark),
        blocks=tuple(_block(b, mark) for b in section.blocks),
        parts=tuple(mark_section(p, mark) for p in section.parts),
    )


def _block(block: Block, mark: str) -> Block:
    if isinstance(block, Words):
        return replace(block, text=mark_numbers(block.text, mark))
    if isinstance(block, Listing):
        return replace(block, items=tuple(mark_numbers(x, mark) for x in block.items))
    if isinstance(block, Finding):
        rows = tuple(
            (mark_numbers(name, mark), mark_numbers(number, mark), mark_numbers(said, mark), bare)
            for name, number, said, bare in block.rows
        )
        return Finding(mark_numbers(block.question, mark), mark_numbers(block.sentence, mark), rows)
    if isinstance(block, Grid):
        heads = tuple(Head(mark_numbers(h.words, mark), h.unit, h.number) for h in block.heads)
        cells = tuple(tuple(mark_numbers(c, mark) for c in row) for row in block.rows)
        return Grid(mark_numbers(block.caption, mark), heads, cells)
    return Drawing(mark_picture(block.picture, mark))


def mark_picture(picture: Picture, mark: str) -> Picture:
    """Write the numbers of a picture with a decimal mark, those on its axes too.

    Parameters
    ----------
    picture : Picture
        Its figure is changed.
    mark : str
        "." or ",".
    """
    from matplotlib.text import Text

    from doughlab.report.style import use_style

    with use_style():
        picture.fig.draw_without_rendering()
        for ax in picture.fig.axes:
            limits = ax.get_xlim(), ax.get_ylim()
            for axis in (ax.xaxis, ax.yaxis):
                _mark_axis(axis, mark)
            ax.set_xlim(limits[0])
            ax.set_ylim(limits[1])
        for text in picture.fig.findobj(Text):
            if isinstance(text, Text) and text.get_text():
                text.set_text(mark_numbers(text.get_text(), mark))
    return Picture(picture.fig, mark_numbers(picture.alt, mark),
                   mark_numbers(picture.caption, mark))  # fmt: skip


def _mark_axis(axis: Axis, mark: str) -> None:
    places = [float(x) for x in axis.get_majorticklocs()]
    words = [label.get_text() for label in axis.get_majorticklabels()]
    if any(words) and len(words) == len(places):
        axis.set_ticks(places, [mark_numbers(w, mark) for w in words])
