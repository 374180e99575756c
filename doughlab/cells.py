"""Cells: what one column holds, and how the text of a cell becomes its value.

`tables` lists the columns and reads files with them; settings and forms read single values.
Units are parsed by `units`; what a value means is left to the rooms.
"""

from __future__ import annotations

import math
import operator
import re
import string
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from doughlab.errors import InputError, UnknownName
from doughlab.units import explain_out_of_range, parse_quantity

LONGEST_TEXT = 2000
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ufffd]")
_ID = re.compile(r"[\w .:/+-]{1,64}")
_PLAIN = re.compile(r"[-+]?[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]{1,3})?")


@dataclass(frozen=True)
class Column:
    """One column: what it holds, in which unit, and what is allowed in it.

    Attributes
    ----------
    name : str
        The header, a Python name with the unit at its end.
    kind : str
        One of text, id, number, integer, datetime, choice.
    title : str
        The words a cook reads for it.
    unit : str
        Unit suffix as in `doughlab.units.UNITS`; empty where there is none.
    low, high : float or None
        Plausible range, both ends included.
    allowed : tuple of str
        The choices, for kind "choice".
    required, unique : bool
        Whether it may be empty, and whether a value may stand twice.
    link : str
        "table.column" that must hold the value.

    Examples
    --------
    >>> Column("ph", "number", "pH", unit="ph", low=2.5, high=9).read("5,62")
    5.62
    """

    name: str
    kind: str
    title: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    allowed: tuple[str, ...] = ()
    required: bool = False
    unique: bool = False
    link: str = ""

    def read(self, text: str) -> Any:
        """Turn the text of one cell into its value; None where it is empty.

        Raises
        ------
        InputError
            With the sentence for the cook: what was found, what would be right.
        """
        text = text.strip()
        if not text:
            if self.required:
                raise InputError(f"{self.name} is empty. Enter {self.title.lower()}.")
            return None
        return _READERS[self.kind](self, text)

    def read_many(self, texts: Sequence[str]) -> list[Any] | None:
        """Read a whole column at once, each different text only once.

        Parameters
        ----------
        texts : sequence of str, length n

        Returns
        -------
        list, length n, or None
            None where any text cannot be read: `read` says which and why.

        Examples
        --------
        >>> Column("ph", "number", "pH", unit="ph").read_many(["5,62", "", "5,62"])
        [5.62, None, 5.62]
        """
        head = texts[:100]
        fast = _FAST.get(self.kind) if len(texts) > 100 and len(set(head)) > 25 else None
        if fast is not None and type(self) is Column:
            values = fast(texts)
            if values is not None:
                return values
        distinct = set(texts)
        try:
            found = {text: self.read(text) for text in distinct}
        except InputError:
            return None
        if len(found) == 1:
            return [found[texts[0]]] * len(texts)
        return list(map(found.__getitem__, texts))

    def write(self, value: Any) -> str:
        """Turn a value into the text that stands in the file.

        Examples
        --------
        >>> Column("water_g", "number", "Water", unit="g").write(1904.7)
        '1904.7'
        """
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return ""
        if isinstance(value, datetime):
            return value.isoformat(timespec="seconds" if value.second else "minutes")
        if isinstance(value, float):
            return repr(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
        return str(value)


def _read_text(column: Column, text: str) -> str:
    found = _UNPRINTABLE.search(text)
    if found:
        raise InputError(
            f"{column.name} holds a character that cannot be printed (U+{ord(found[0]):04X}), "
            "a line break or a damaged letter. Type it again, in one line."
        )
    if len(text) > LONGEST_TEXT:
        raise InputError(
            f"{column.name} has {len(text)} letters; at most {LONGEST_TEXT} fit. Shorten it."
        )
    return text


def _read_id(column: Column, text: str) -> str:
    if not _ID.fullmatch(text) or text in {".", ".."}:
        shown = _UNPRINTABLE.sub("?", text[:40])
        raise InputError(
            f"{column.name} '{shown}' is not a name: use up to 64 letters, digits, space "
            "and - . : + / _"
        )
    return text


def _read_number(column: Column, text: str) -> float:
    if not _PLAIN.fullmatch(text):
        return parse_quantity(text, column.unit, what=column.name, low=column.low, high=column.high)
    value = float(text)
    if not math.isfinite(value):
        raise InputError(f"{column.name} '{text[:40]}' is too large for a number. Type it again.")
    if (column.low is not None and value < column.low) or (
        column.high is not None and value > column.high
    ):
        raise InputError(
            explain_out_of_range(value, column.unit, column.low, column.high, what=column.name)
        )
    return value


def _read_integer(column: Column, text: str) -> int:
    value = _read_number(column, text)
    if value != int(value):
        raise InputError(f"{column.name} {text} is not a whole number.")
    return int(value)


def _read_datetime(column: Column, text: str) -> datetime:
    right = "Write date, time and offset like 2026-03-05T14:10+01:00."
    try:
        value = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{column.name} '{text[:40]}' is not a time. {right}") from None
    if value.tzinfo is None:
        raise InputError(f"{column.name} '{text}' has no offset from UTC. {right}")
    if not 2000 <= value.year <= 2100:
        raise InputError(f"{column.name} '{text}' lies in the year {value.year}. {right}")
    return value


def _read_choice(column: Column, text: str) -> str:
    if text not in column.allowed:
        raise UnknownName(column.name, text[:40], column.allowed)
    return text


_READERS = {
    "text": _read_text,
    "id": _read_id,
    "number": _read_number,
    "integer": _read_integer,
    "datetime": _read_datetime,
    "choice": _read_choice,
}


def _read_many_times(texts: Sequence[str]) -> list[Any] | None:
    """Read times that are all plain; None leaves them to the careful reader."""
    if min(texts)[:4] < "2000" or max(texts)[:4] > "2100":
        return None
    try:
        values = list(map(datetime.fromisoformat, texts))
    except ValueError:
        return None
    return values if all(map(_ZONE, values)) else None


def _read_many_ids(texts: Sequence[str]) -> list[Any] | None:
    """Take ids that are all plain; None leaves them to the careful reader."""
    joined = "\n".join(texts)
    if joined.count("\n") != len(texts) - 1:
        return None
    if joined.isascii():
        lengths = set(map(len, texts))
        fits = not joined.encode().translate(None, _PLAIN_BYTES)
        plain = fits and min(lengths) > 0 and max(lengths) <= 64
    else:
        plain = _PLAIN_IDS.fullmatch(joined) is not None
    return list(texts) if plain else None


_ZONE = operator.attrgetter("tzinfo")
_PLAIN_BYTES = (string.ascii_letters + string.digits + "_:+-\n").encode()
_PLAIN_IDS = re.compile(r"[\w:+-]{1,64}(?:\n[\w:+-]{1,64})*")
_FAST = {"datetime": _read_many_times, "id": _read_many_ids}
