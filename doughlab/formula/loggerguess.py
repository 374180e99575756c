"""Logger guess: how a temperature logger's CSV is written, guessed for a person to confirm.

`logger` reads the file with the guess once nothing is open.
Readings, gaps and clocks are left to it.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from statistics import median

from doughlab.errors import InputError

# Rules of this project.
MOST_LOOKED_AT = 400
SURE_C = 15.0  # a median below it is Celsius whatever the place
SURE_F = 50.0  # a median above it is Fahrenheit

_NUMBER = re.compile(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*°?\s*([CF]?)\s*", re.IGNORECASE)
DATES = {
    "year-month-day": ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d"),
    "day-month-year": ("%d/%m/%Y", "%d.%m.%Y", "%d-%m-%Y", "%d/%m/%y", "%d.%m.%y", "%d-%b-%Y"),
    "month-day-year": ("%m/%d/%Y", "%m-%d-%Y", "%m/%d/%y"),
}
_CLOCKS = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p")


@dataclass(frozen=True)
class LoggerGuess:
    r"""How a logger file is taken to be written.

    Attributes
    ----------
    separator : str
        Between cells.
    first_row : int
        Line number of the first reading (the first line of the file is 1).
    time_columns : tuple of int
        One column, or date and time, counted from 0.
    time_format : str
        For `datetime.strptime`; "iso" for ISO 8601.
    order : str
        "year-month-day", "day-month-year" or "month-day-year".
    temp_column : int
    unit : str
        "C" or "F".
    names : tuple of str
        The header's names; empty where there is none.
    questions : tuple of str
        What the file does not tell; a person answers before it is read.

    Examples
    --------
    >>> print(guess_logger("time,temp C\n2026-03-02 09:00,3.4\n2026-03-02 09:10,3.5"))
    time: column 1 'time', year-month-day
    temperature: column 2 'temp C', in °C
    """

    separator: str
    first_row: int
    time_columns: tuple[int, ...]
    time_format: str
    order: str
    temp_column: int
    unit: str
    names: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()

    @property
    def sure(self) -> bool:
        """Whether the file told everything."""
        return not self.questions

    def confirmed(self, *, unit: str = "", order: str = "", temp_column: int = 0) -> LoggerGuess:
        """Answer questions: unit "C" or "F", order of the date, temperature column from 1."""
        changed, left = self, list(self.questions)
        if unit:
            if unit not in {"C", "F"}:
                raise InputError(f"Unit '{unit}' of a logger is not known. Known: C, F.")
            changed, left = replace(changed, unit=unit), _without(left, "unit")
        if order:
            if order not in DATES:
                raise InputError(f"Order '{order}' is not known. Known: {', '.join(DATES)}.")
            if changed.order != order:
                shown = changed.time_format
                swapped = shown.replace("%d", "%x").replace("%m", "%d").replace("%x", "%m")
                changed = replace(changed, order=order, time_format=swapped)
            left = _without(left, "date")
        if temp_column:
            changed = replace(changed, temp_column=temp_column - 1)
            left = _without(left, "column")
        return replace(changed, questions=tuple(left))

    def __str__(self) -> str:
        """Say what is taken for what, and what is still asked."""
        columns = " and ".join(self._named(i) for i in self.time_columns)
        lines = [
            f"time: {columns}, {self.order}",
            f"temperature: {self._named(self.temp_column)}, in °{self.unit}",
        ]
        return "\n".join([*lines, *(q.split(": ", 1)[1] for q in self.questions)])

    def _named(self, column: int) -> str:
        name = self.names[column] if column < len(self.names) else ""
        return f"column {column + 1}" + (f" '{name}'" if name else "")


def _without(questions: Sequence[str], topic: str) -> list[str]:
    return [q for q in questions if not q.startswith(f"{topic}: ")]


def guess_logger(text: str) -> LoggerGuess:
    r"""Guess how a logger file is written, from its header and its first rows.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    LoggerGuess
        With a question for whatever the file leaves open.

    Raises
    ------
    InputError
        Where no column of times or no column of temperatures is found.

    Examples
    --------
    >>> guess_logger("time,temp\n2026-03-02 09:00,38.5\n2026-03-02 09:10,38.6").questions[0][:32]
    'unit: the middle temperature is '
    """
    lines = text.removeprefix("\ufeff").splitlines()
    separator = _find_separator(lines)
    rows = [
        (n, split_cells(line, separator)) for n, line in enumerate(lines, start=1) if line.strip()
    ]
    rows = rows[: MOST_LOOKED_AT + 40]
    first, columns, time_format, order, doubt = _find_times(rows)
    data = [(n, cells) for n, cells in rows if n >= first]
    before = [cells for n, cells in rows if n < first]
    wide = [b for b in before if len(b) > max(columns)]
    names = tuple(wide[-1]) if wide else ()
    temp, more = _find_temperature(data, names, columns)
    values = [v for _, c in data if len(c) > temp and (v := read_number(c[temp])) is not None]
    unit, unit_doubt = _find_unit(values, data, names, temp)
    questions = tuple(q for q in (doubt, more, unit_doubt) if q)
    return LoggerGuess(separator, first, columns, time_format, order, temp, unit, names,
                       questions)  # fmt: skip


def split_cells(line: str, separator: str) -> list[str]:
    """Split a line into its cells, quotation marks and blanks taken off.

    Examples
    --------
    >>> split_cells('"02.03.2026 09:00";"3,4"', ";")
    ['02.03.2026 09:00', '3,4']
    """
    return [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]


def _find_separator(lines: Sequence[str]) -> str:
    """Take the sign that divides most lines into the same number of cells."""
    best, score = ",", 0.0
    looked = [line for line in lines if line.strip()][-MOST_LOOKED_AT:]
    for sign in (";", "\t", ","):
        counts = [line.count(sign) for line in looked]
        if counts and max(counts) > 0:
            usual = max(set(counts), key=counts.count)
            found = counts.count(usual) / len(counts) if usual else 0.0
            if found > score + 0.05:
                best, score = sign, found
    return best


def _find_times(
    rows: Sequence[tuple[int, list[str]]],
) -> tuple[int, tuple[int, ...], str, str, str]:
    """Find the first row with a time, its columns, the format, and a doubt about the date."""
    for number, cells in rows:
        for columns in [(i,) for i in range(len(cells))] + [
            (i, i + 1) for i in range(len(cells) - 1)
        ]:
            stamp = " ".join(cells[c] for c in columns)
            formats = [f for f in _formats() if parse_stamp(stamp, f[0]) is not None]
            if not formats:
                continue
            stamps = [" ".join(c[i] for i in columns) for n, c in rows
                      if n >= number and len(c) > max(columns)]  # fmt: skip
            kept = _fitting(stamps, formats)
            if kept:
                doubt = ""
                if len({order for _, order in kept}) > 1:
                    doubt = (
                        f"date: '{stamps[0]}' can be day-month-year or month-day-year: say which, "
                        "as order=day-month-year"
                    )
                return number, columns, kept[0][0], kept[0][1], doubt
    raise InputError(
        "No column of dates and times was found in the logger file. Export it again as CSV with "
        "date and time, such as 2026-03-02 09:00."
    )


def _formats() -> list[tuple[str, str]]:
    found = [("iso", "year-month-day")]
    for order, dates in DATES.items():
        found += [(f"{d} {c}", order) for d in dates for c in _CLOCKS]
    return found


def parse_stamp(stamp: str, form: str) -> datetime | None:
    """Read a time in a format; None where it is none.

    Examples
    --------
    >>> parse_stamp("2.3.2026 09:00", "%d.%m.%Y %H:%M").month
    3
    """
    try:
        if form == "iso":
            if not re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", stamp):
                return None
            return datetime.fromisoformat(stamp.replace(" ", "T", 1))
        return datetime.strptime(stamp, form)
    except ValueError:
        return None


def _fitting(stamps: Sequence[str], formats: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Keep the formats that read nearly all stamps and give the steadiest steps."""
    scored = []
    for form in formats:
        times = [parse_stamp(s, form[0]) for s in stamps[:MOST_LOOKED_AT]]
        read = [t.replace(tzinfo=None) for t in times if t is not None]
        if len(read) < 0.9 * len(times):
            continue
        steps = [(b - a).total_seconds() for a, b in pairwise(read)]
        backwards = sum(s < 0 for s in steps)
        longest = max((abs(s) for s in steps), default=0.0)
        scored.append((backwards, len(times) - len(read), longest, form))
    if not scored:
        return []
    best = min(s[:3] for s in scored)
    return [form for *score, form in scored if tuple(score) == best]


def read_number(cell: str) -> float | None:
    """Read a number with decimal point or comma and perhaps a unit; None where it is none.

    Examples
    --------
    >>> read_number("38,5 °F"), read_number("error")
    (38.5, None)
    """
    found = _NUMBER.fullmatch(cell)
    return float(found[1].replace(",", ".")) if found else None


def _find_temperature(
    data: Sequence[tuple[int, list[str]]], names: Sequence[str], times: Sequence[int]
) -> tuple[int, str]:
    """Find the temperature column: by its name, else the only column of fitting numbers."""
    width = max(len(c) for _, c in data)
    able = []
    for column in range(width):
        cells = [c[column] for _, c in data if len(c) > column and c[column]]
        numbers = [v for c in cells if (v := read_number(c)) is not None]
        if column not in times and cells and len(numbers) >= 0.5 * len(cells):
            able.append((column, numbers))
    named = [
        c for c, _ in able
        if c < len(names) and re.search(r"temp|°|celsius|fahrenheit|probe", names[c], re.IGNORECASE)
    ]  # fmt: skip
    if len(named) == 1:
        return named[0], ""
    counting = [c for c, v in able if _counts_up(v)]
    left = named or [c for c, _ in able if c not in counting]
    if not left:
        raise InputError(
            "No column of temperatures was found in the logger file. Export it again with one "
            "temperature in each row."
        )
    if len(left) == 1:
        return left[0], ""
    listed = ", ".join(
        f"{c + 1} '{names[c]}'" if c < len(names) and names[c] else str(c + 1) for c in left
    )
    return left[0], f"column: several columns could be the temperature ({listed}): say which"


def _counts_up(values: Sequence[float]) -> bool:
    """Tell a column of row numbers: it rises by one."""
    return len(values) > 2 and all(
        b - a == 1 for a, b in pairwise(values)
    )  # fmt: skip


def _find_unit(
    values: Sequence[float],
    data: Sequence[tuple[int, list[str]]],
    names: Sequence[str],
    column: int,
) -> tuple[str, str]:
    """Find the unit: in the name, in the cells, else from how large the numbers are."""
    name = names[column] if column < len(names) else ""
    cells = [c[column] for _, c in data if len(c) > column]
    for text in (name, *cells[:1]):
        if re.search(r"°\s*F|fahrenheit|\bF\b|[(_ ]F\)?$", text, re.IGNORECASE):
            return "F", ""
        if re.search(r"°\s*C|celsius|\bC\b|[(_ ]C\)?$", text, re.IGNORECASE):
            return "C", ""
    middle = median(values)
    if middle < SURE_C:
        return "C", ""
    if middle > SURE_F:
        return "F", ""
    return "C", (
        f"unit: the middle temperature is {middle:g}, which can be °F (cold) or °C (warm): say "
        "which, as unit=F"
    )
