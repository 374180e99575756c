"""Slips: what a hand that edits a TOML file gets wrong most often, and how it is written.

Who reads such a file calls `read_toml`; `settings` calls the time and day readers here too.
Nothing is repaired: the sentences say what to type, and the file stays as it is.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError

_KEY = re.compile(r"\s*[\w\"'.-]+\s*=\s*(?P<value>.*)$")
_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_COUNTS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_CLOCK = re.compile(r"([0-9]{1,2})(?:[:.]([0-9]{2}))?\s*([ap])?\.?(?:m\.?)?", re.IGNORECASE)


def read_toml(text: str) -> tuple[dict[str, Any] | None, str, int | None]:
    """Read a TOML file that somebody edits by hand.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    dict or None
        None where it is not TOML.
    str
        What to type then, or the words of the parser; "" where all is well.
    int or None
        The line that says so, from 1.

    Examples
    --------
    >>> read_toml("salt = 2.5")
    ({'salt': 2.5}, '', None)
    >>> read_toml("salt = 2,5")
    (None, 'Write decimals with a point: salt = 2.5', 1)
    """
    try:
        return tomllib.loads(text), "", None
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        row = int(found[1]) if found else max(1, len(text.splitlines()))
        if "Unclosed array" in str(error):
            opened = _find_open_list(text.splitlines()[:row])
            if opened is not None:
                return None, explain_slip(text, opened), opened
        whole = found is None and _is_toml(text.splitlines()[-1])  # the slip stands further up
        return None, ("" if whole else explain_slip(text, row)) or f"{error}.", row


def _find_open_list(lines: Sequence[str]) -> int | None:
    """Find the last row that begins a list and does not end it; the parser stops further down."""
    for row in range(len(lines), 0, -1):
        found = _KEY.match(lines[row - 1])
        value = found["value"].split("#")[0].strip() if found else ""
        if value.startswith("["):
            return None if value.endswith("]") else row
    return None


def _is_toml(line: str) -> bool:
    try:
        tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return False
    return True


def explain_slip(text: str, row: int | None) -> str:
    """Say how a line is written that TOML cannot read; empty where the slip is not known.

    Parameters
    ----------
    text : str
        The whole file.
    row : int or None
        The line the parser stopped at, from 1.

    Returns
    -------
    str
        One or two sentences, or "".

    Examples
    --------
    >>> explain_slip("margin = 0,1", 1)
    'Write decimals with a point: margin = 0.1'
    >>> explain_slip("temperature = F", 1)
    'Words stand in quotation marks: temperature = "F"'
    """
    lines = text.splitlines()
    if row is None or not 1 <= row <= len(lines):
        return ""
    line = lines[row - 1].strip()
    if line.startswith("["):
        return "" if line.split("#")[0].rstrip().endswith("]") else _explain_bracket(line)
    found = _KEY.match(line)
    if found is None:
        return _explain_no_equals(line)
    key = line[: found.start("value")].split("=")[0].strip()
    value = found["value"].split("#")[0].strip()
    if not value:
        return f"Nothing stands behind {key} =. Give a value, or put # before the line."
    return _explain_value(key, value)


def _explain_value(key: str, value: str) -> str:
    if _COMMA.fullmatch(value):
        return f"Write decimals with a point: {key} = {value.replace(',', '.')}"
    if value.startswith("["):
        return _explain_list(key, value)
    if value.casefold() in _COUNTS:
        return f"Write numbers in digits: {key} = {_COUNTS.index(value.casefold()) + 1}"
    for mark in "\"'":
        if value.startswith(mark) and value.count(mark) == 1:
            return f"The closing quotation mark is missing: {key} = {value}{mark}"
    if any(mark in value for mark in "“”„«»"):
        plain = re.sub("[“”„«»]", "", value)
        return f'Use straight quotation marks: {key} = "{plain}"'
    if value.casefold() in {"yes", "no", "true", "false"}:
        return f"Yes is true and no is false, in small letters: {key} = {_flag(value)}"
    if re.fullmatch(r"[^\"'\[\]{}=]+", value):
        return f'Words stand in quotation marks: {key} = "{value}"'
    return ""


def _flag(value: str) -> str:
    return "true" if value.casefold() in {"yes", "true"} else "false"


def _explain_list(key: str, value: str) -> str:
    if not value.endswith("]"):
        return f'A list ends with a bracket: {key} = ["one", "two"]'
    items = [item.strip() for item in value[1:-1].split(",") if item.strip()]
    if items and not re.search("[\"']", value):
        quoted = ", ".join(f'"{item}"' for item in items)
        return f"Each word of a list stands in quotation marks: {key} = [{quoted}]"
    return ""


def _explain_bracket(line: str) -> str:
    name = line.strip("[] ")
    ends = ("[[", "]]") if line.startswith("[[") else ("[", "]")
    return f"A section name stands between brackets: {ends[0]}{name}{ends[1]}"


def _explain_no_equals(line: str) -> str:
    found = re.match(r"([A-Za-z_]\w*)\s*:\s*(.+)$", line)
    if found:
        return f"Write = where the colon stands: {found[1]} = {found[2]}"
    if re.fullmatch(r"[\w ,.'!?()-]+", line):
        return "Put # before a remark, or write it as key = value."
    return ""


def read_clock(text: str) -> str | None:
    """Understand a time of day as people write it; None where it is none.

    Examples
    --------
    >>> read_clock("9am"), read_clock("12 pm"), read_clock("21.30"), read_clock("25")
    ('09:00', '12:00', '21:30', None)
    """
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        return None
    hour, minute, half = int(found[1]), int(found[2] or 0), (found[3] or "").casefold()
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    return f"{hour:02d}:{minute:02d}" if hour < 24 and minute < 60 else None


def find_weekday(text: str, known: Sequence[str]) -> str:
    """Give the short name of a weekday that was spelled out; empty where it is none.

    Examples
    --------
    >>> find_weekday("Sundays", ("Sat", "Sun"))
    'Sun'
    """
    full = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    word = text.strip().casefold().rstrip(".")
    word = word.removesuffix("s") if word.removesuffix("s") in full else word
    for name in full:
        if len(word) >= 3 and name.startswith(word) and name[:3].capitalize() in known:
            return name[:3].capitalize()
    return ""


@dataclass(frozen=True)
class ClockColumn(Column):
    """A time of day, HH:MM.

    Examples
    --------
    >>> ClockColumn("open_at", "text", "open_at").read("09:00")
    '09:00'
    """

    def read(self, text: str) -> str:
        """Read it, or say how it is written."""
        from datetime import time

        try:
            return time.fromisoformat(text.strip()).strftime("%H:%M")
        except ValueError:
            meant = read_clock(text) or "09:00"
            raise InputError(
                f"{self.name} '{text}' is not a time of day. Write it like {meant}."
            ) from None


@dataclass(frozen=True)
class WeekdayColumn(Column):
    """A day of the week, three letters.

    Examples
    --------
    >>> WeekdayColumn("closed", "choice", "closed", allowed=("Mon", "Sun")).read("Sun")
    'Sun'
    """

    def read(self, text: str) -> Any:
        """Read it, or say how it is written."""
        meant = find_weekday(text, self.allowed)
        if meant and text != meant:
            raise InputError(f"{self.name} '{text}': write days with three letters: \"{meant}\".")
        return super().read(text)


def _meant_day(text: str) -> str:
    """Give year, month and day of 11/24/2026 or 24.11.2026, where only one can be the month."""
    found = re.fullmatch(r"\s*([0-9]{1,2})([/.])([0-9]{1,2})[/.]([0-9]{4})\s*", text)
    if found is None:
        return "2026-03-02"
    first, second = int(found[1]), int(found[3])
    day, month = (first, second) if found[2] == "." or first > 12 else (second, first)
    clear = found[2] == "." or max(first, second) > 12 or first == second
    if not clear or not (1 <= month <= 12 and 1 <= day <= 31):
        return "2026-03-02"
    return f"{found[4]}-{month:02d}-{day:02d}"


@dataclass(frozen=True)
class DayColumn(Column):
    """A calendar day, ISO 8601.

    Examples
    --------
    >>> DayColumn("start_on", "text", "start_on").read("2026-03-02")
    '2026-03-02'
    """

    def read(self, text: str) -> str:
        """Read it, or say how it is written."""
        from datetime import date

        try:
            return date.fromisoformat(text.strip()).isoformat()
        except ValueError:
            raise InputError(
                f"{self.name} '{text}' is not a day. Write it like {_meant_day(text)}."
            ) from None
