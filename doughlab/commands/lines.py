"""Lines: text cut to the width of a terminal, for the answers of commands.

The commands that list things use it; nothing is measured or coloured here.
What the lines say is left to them.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 80
_COMMAND = 72  # less "next: " and what joins the lines of a command


def wrap(text: str, *, indent: int = 2) -> list[str]:
    """Cut a text into lines of at most 80 characters, later ones set in.

    Examples
    --------
    >>> wrap("B05-2", indent=4)
    ['B05-2']
    """
    lines = textwrap.wrap(
        text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False, break_long_words=False
    )
    return lines or [""]


def fold(parts: Sequence[str]) -> str:
    """Join the parts of a command, broken where it is longer than a line (the shell reads on).

    Examples
    --------
    >>> fold(["doughlab water site", "tap"])
    'doughlab water site tap'
    """
    lines = [parts[0]]
    for part in parts[1:]:
        if len(lines[-1]) + len(part) > _COMMAND:
            lines[-1] += " \\"
            lines.append("    " + part)
        else:
            lines[-1] += " " + part
    return "\n".join(lines)


def column(head: str, text: str, *, width: int) -> list[str]:
    """Set a text beside a head of fixed width, its later lines under its first.

    Examples
    --------
    >>> column("now", "take out B03-2", width=7)
    ['now    take out B03-2']
    """
    return wrap(f"{head:<{width}}{text}", indent=width)


def counted(number: int, one: str, many: str = "") -> str:
    """Write a number with its word.

    Examples
    --------
    >>> counted(1, "problem"), counted(3, "batch", "batches")
    ('1 problem', '3 batches')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def joined(items: Iterable[str], *, shown: int = 12) -> str:
    """Set items beside each other, at most a few.

    Examples
    --------
    >>> joined(["B01-1", "B02-1", "B03-1"], shown=2)
    'B01-1 B02-1 and 1 more'
    """
    names = list(items)
    more = f" and {len(names) - shown} more" if len(names) > shown else ""
    return " ".join(names[:shown]) + more
