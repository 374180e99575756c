"""Blocks: what a report is made of, before anybody decides on HTML or paper.

`chapters`, `results` and `methods` build them; the template in `templates/` lays them out.
No sentence stands here: texts come from `text`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

from doughlab.report.picture import Picture

PHONE_LETTERS = 44  # letters beside each other in a table on a phone of 390 px
PAGE_LETTERS = 70  # beside each other in the text column of a laptop's page, in the widest letters
GAP_LETTERS = 2
MOST_LINES = 3  # of a cell in a column as narrow as its longest word


def longest_word(text: str) -> int:
    """Count the letters of the longest word.

    Examples
    --------
    >>> longest_word("reverse osmosis"), longest_word("")
    (7, 0)
    """
    return max(map(len, text.split()), default=0)


@dataclass(frozen=True)
class Words:
    """A paragraph.

    `kind` is "plain", "decision" (what to do, largest), "lead", "note" (small) or "caution".
    """

    text: str
    kind: str = "plain"
    type: ClassVar[str] = "words"


@dataclass(frozen=True)
class Listing:
    """A list of sentences; `ordered` numbers them, `small` sets them in two columns."""

    items: tuple[str, ...]
    ordered: bool = False
    small: bool = False
    type: ClassVar[str] = "listing"


@dataclass(frozen=True)
class Head:
    """The head of a table column: its words, its unit (once), and whether numbers stand in it."""

    words: str
    unit: str = ""
    number: bool = True


@dataclass(frozen=True)
class Grid:
    """A table whose first column names the rows.

    Attributes
    ----------
    caption : str
        Says what the table holds.
    heads : tuple of Head, shape (c,)
    rows : tuple of tuple of str, shape (r, c)
        Cells as they are printed; empty where there is nothing.
    """

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    type: ClassVar[str] = "grid"

    @property
    def wide(self) -> bool:
        """Tell whether a phone has no room for its columns beside each other.

        Examples
        --------
        >>> Grid("Waters", (Head("water"), Head("pH")), (("tap", "7.9"),)).wide
        False
        """
        cells = [[row[i] for row in self.rows] for i in range(len(self.heads))]
        words = [max(map(longest_word, column), default=0) for column in cells]
        most = [max(map(len, column), default=0) for column in cells]
        needed = sum(
            GAP_LETTERS + max(longest_word(h.words), len(h.unit), m if h.number and i else w)
            for i, (h, w, m) in enumerate(zip(self.heads, words, most, strict=True))
        )
        tall = any(m > MOST_LINES * w for m, w in zip(most, words, strict=True))
        return needed > PHONE_LETTERS or (tall and len(self.heads) > 3)

    @property
    def broad(self) -> bool:
        """Tell whether its cells, unbroken, need more room than the text column of a page.

        Examples
        --------
        >>> Grid("Waters", (Head("water"), Head("pH")), (("tap", "7.9"),)).broad
        False
        """
        needed = sum(
            GAP_LETTERS + max(longest_word(h.words), len(h.unit), *(len(r[i]) for r in self.rows))
            for i, h in enumerate(self.heads)
        )
        return needed > PAGE_LETTERS


@dataclass(frozen=True)
class Drawing:
    """A picture in its place."""

    picture: Picture
    type: ClassVar[str] = "drawing"


@dataclass(frozen=True)
class Finding:
    """One question with its verdicts.

    Each row is a name, a number with its range, the verdict as it is said, and the bare verdict.
    """

    question: str
    sentence: str
    rows: tuple[tuple[str, str, str, str], ...] = ()
    type: ClassVar[str] = "finding"


Block = Words | Listing | Grid | Drawing | Finding


@dataclass(frozen=True)
class Section:
    """A part of the report with its heading; parts may hold parts.

    Attributes
    ----------
    key : str
        Anchor in the page.
    title : str
    blocks : tuple of Block
    parts : tuple of Section
    folded : bool
        A page shows its title and unfolds the rest when asked; paper always shows all.
    whole : bool
        Its parts are chapters of their own: one trial of a dossier.
    """

    key: str
    title: str
    blocks: tuple[Block, ...] = ()
    parts: tuple[Section, ...] = field(default_factory=tuple)
    folded: bool = False
    whole: bool = False

    @property
    def empty(self) -> bool:
        """Tell whether there is nothing to show."""
        return not self.blocks and not self.parts


def typeset(text: str) -> str:
    """Write minus signs as such, and keep numbers and their units on one line.

    Examples
    --------
    >>> typeset("tap - bottled -0.31 (-0.34 to -0.28)")
    'tap \u2212 bottled \u22120.31 (\u22120.34 to \u22120.28)'
    >>> typeset("inside 5,35-5,75")
    'inside 5,35\u20135,75'
    """
    text = _MINUS.sub("\u2212", text).replace(" - ", " \u2212 ").replace(" x ", " \u00d7 ")
    text = _SPAN.sub("\\1\u2013\\2", text)
    return _STICKY.sub("\u00a0", text)


def whole_names(markup: str) -> str:
    """Keep names of balls, and days, on one line of a page.

    Parameters
    ----------
    markup : str
        Escaped already.

    Examples
    --------
    >>> whole_names("lost B05-2")
    'lost <span class="whole-name">B05-2</span>'
    """
    return _NAME.sub(r'<span class="whole-name">\g<0></span>', markup)


_NAME = re.compile(r"(?<![\w-])(?:[A-Za-z]{1,3}\d{1,3}-\d{1,3}|\d{4}-\d{2}-\d{2})(?![\w-])")
_MINUS = re.compile(r"(?<![\w.,/-])-(?=\d)")
_SPAN = re.compile(r"(?<![\w.-])(\d+[.,]\d+)-(\d+[.,]\d+)(?![\w-])")
_STICKY = re.compile(
    r"(?<=\d) (?=(?:°[CF]|[%FC]|h|g|kg|mg|min|mL|ml|mmol)(?![\w]))|(?<=\bpH) (?=\d)"
)


def grid_of(
    caption: str, heads: Sequence[Head], rows: Sequence[Sequence[str]], *, drop_empty: bool = True
) -> Grid:
    """Make a table; columns in which nothing stands are dropped.

    Examples
    --------
    >>> heads = [Head("water"), Head("pH"), Head("smell")]
    >>> grid_of("Waters", heads, [["tap", "7.9", ""]]).heads[-1]
    Head(words='pH', unit='', number=True)
    """
    keep = [i for i in range(len(heads)) if i == 0 or not drop_empty or any(r[i] for r in rows)]
    return Grid(
        caption,
        tuple(heads[i] for i in keep),
        tuple(tuple(row[i] for i in keep) for row in rows),
    )
