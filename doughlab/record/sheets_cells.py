"""Cells of a filled sheet: what a spreadsheet left in one of them, as somebody would type it.

`sheets_read` takes every cell through here. Ranges and units are judged later, by the forms of
the bench.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

from doughlab.errors import InputError

Json = dict[str, Any]
_NOTHING = frozenset({"n/a", "na", "n.a.", "none", "nil", "null", "-", "–", "—", "x", "?", "/"})


def cell_text(cell: Any, one: Json) -> str:
    """Give the text of an entry cell, as somebody would type it.

    Raises
    ------
    InputError
        For what a spreadsheet made of it: a formula, an error, a date in place of a number.
    """
    value, label = cell.value, str(one["label"])
    if value is None:
        return ""
    if isinstance(value, str) and not value.strip():
        return ""
    if cell.data_type == "f" or not isinstance(
        value, str | bool | int | float | date | time | timedelta
    ):
        raise InputError(f"{label} holds a formula. Type the value itself.")
    if cell.data_type == "e":
        raise InputError(f"{label} holds the error {value!s:.20}. Type the value itself.")
    if isinstance(value, bool):
        raise InputError(f"{label} holds {str(value).upper()}. {_right(one)}")
    text = value.strip() if isinstance(value, str) else ""
    if text.casefold() in _NOTHING and one["kind"] != "text":
        raise InputError(
            f"{label} holds '{text}'. Nothing measured: leave the cell empty. {_right(one)}"
        )
    if one["kind"] == "time":
        return _time_text(value, label)
    if isinstance(value, date | time | timedelta):
        raise InputError(_became_date(value, one))
    return text if isinstance(value, str) else f"{value:.12g}"


def _right(one: Json) -> str:
    low, high = one.get("low"), one.get("high")
    if one["kind"] == "time":
        return "Write a time like 14:10."
    if one["kind"] == "choice":
        return f"Take one of: {', '.join(one['choices'])}."
    if one["kind"] == "number" and low is not None and high is not None:
        return f"A number from {low:.10g} to {high:.10g} is right."
    return "Type a number." if one["kind"] == "number" else "Type a text."


def _time_text(value: Any, label: str) -> str:
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, datetime) and value.year > 1910:
        return value.isoformat(sep=" ", timespec="minutes")
    if isinstance(value, datetime):  # a number such as 9.45 in a cell that shows times
        raise InputError(f"{label} holds a number, not a time. Write it like 14:10.")
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, timedelta) and timedelta() <= value < timedelta(days=1):
        minutes = round(value.total_seconds() / 60)
        return f"{minutes // 60}:{minutes % 60:02d}"
    raise InputError(f"{label} holds {value!s:.30}, which is not a time. Write it like 14:10.")


def _became_date(value: Any, one: Json) -> str:
    """Say what a spreadsheet made a date of."""
    label = str(one["label"])
    if not isinstance(value, date):
        return f"{label} holds the time {value!s:.20}. {_right(one)}"
    shown = f"{value:%Y-%m-%d}" if value.year >= 1000 else str(value)[:10]
    if one["kind"] != "number":
        return f"{label} became the date {shown}. Type it again with a ' in front: a text."
    month = f"{value.month}.{value.year % 100:02d}"
    day = f"{value.day}.{value.month} or {value.month}.{value.day}"
    meant = month if value.day == 1 and value.year < 2000 else day
    return (
        f"{label} became the date {shown} (was {meant} typed?). Make the cell a number and type "
        f"it again with your decimal sign. {_right(one)}"
    )
