"""Warmth: temperatures that look as if they were read in Fahrenheit and stand as Celsius.

The desk asks before such a number is stored, the checks point to those that stand in the files.
It only asks; nothing is changed, and limits of food safety are left to `due`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, Problem
from doughlab.record.records import Records
from doughlab.settings import Settings
from doughlab.tables import Table
from doughlab.units import convert, format_quantity, typed_unit

_PLAIN = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?")
# The same as formula.stays.COLD_PLACES, which loads numpy; a test holds them together.
COOLERS = (
    "cooler", "fridge", "cold", "shelf", "refriger", "chill", "walk-in", "walk in", "retard",
    "cool room", "coolroom", "cool box", "coolbox",
)  # fmt: skip
# What is usual in a kitchen, degrees Celsius: common practice, no source.
_COOLER = (-5.0, 15.0)
_USUAL = {
    "room_temp_c": (5.0, 40.0),
    "flour_temp_c": (0.0, 35.0),
    "water_temp_c": (0.0, 38.0),
    "preferment_temp_c": (0.0, 35.0),
    "dough_temp_c": (10.0, 35.0),
    "sample_temp_c": (0.0, 38.0),
    "core_temp_c": (0.0, 35.0),
    "oven_temp_c": (150.0, 550.0),
    "temp_c": (5.0, 40.0),
}


def is_cooler(place: str) -> bool:
    """Tell whether a place is a cooler, by its name: cooler, fridge, walk-in, retarder and so on.

    Examples
    --------
    >>> is_cooler("Cooler 1"), is_cooler("bench")
    (True, False)
    """
    return any(word in place.casefold() for word in COOLERS)


def usual_range(column: str, *, place: str = "") -> tuple[float, float] | None:
    """Give the usual temperatures of a column or place, degrees Celsius; None for other columns.

    Examples
    --------
    >>> usual_range("temp_c", place="cooler")
    (-5.0, 15.0)
    """
    return _COOLER if column == "temp_c" and is_cooler(place) else _USUAL.get(column)


def read_as_f(value: float, column: str, *, place: str = "") -> float | None:
    """Read a number as degrees Fahrenheit, where that is a usual temperature.

    Parameters
    ----------
    value : float
        As it was typed or stands in the file.
    column : str
        Such as "room_temp_c".
    place : str
        Name of the room or cooler, for the table of temperatures.

    Returns
    -------
    float or None
        Degrees Celsius; None where it would not be usual.

    Examples
    --------
    >>> round(read_as_f(39, "temp_c", place="cooler"), 1), read_as_f(3.6, "temp_c", place="cooler")
    (3.9, None)
    """
    usual = usual_range(column, place=place)
    if usual is None:
        return None
    found = convert(value, "temp_f", "temp_c")
    return found if usual[0] <= found <= usual[1] else None


def ask_unit(table: Table, typed: Mapping[str, Any], *, show: str) -> None:
    """Refuse a number without unit that may well be Fahrenheit, and ask which it is.

    Parameters
    ----------
    table : Table
        Where it is to be stored.
    typed : mapping
        Column to text as typed.
    show : str
        Unit that the trial shows, "C" or "F". In a Fahrenheit trial every number is asked about
        but one that is usual as Celsius only; else only one that is usual as Fahrenheit only.

    Raises
    ------
    InputError
        With both ways of typing it.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> ask_unit(table("temperatures"), {"place": "cooler", "temp_c": "39"}, show="C")
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: cooler: 39 without a unit would be 39 °C; it looks like 39 °F...
    """
    place = str(typed.get("place") or "")
    asked: dict[str, tuple[float, float, bool]] = {}
    for column in table.columns:
        text = typed.get(column.name)
        if column.unit != "temp_c" or not isinstance(text, str) or not text.strip():
            continue
        if typed_unit(text):
            continue
        value = _read(column, text, show)
        if value is None:
            continue
        as_f = read_as_f(value, column.name, place=place)
        usual = _is_usual(value, column.name, place)
        if (usual or show != "F") if as_f is None else (usual and show != "F"):
            continue
        what = place or column.name
        asked[what] = (value, convert(value, "temp_f", "temp_c"), as_f is not None)
    if asked:
        raise InputError(_ask_words(asked, named=not place))


def _read(column: Column, text: str, show: str) -> float | None:
    """Read a bare number; in a Fahrenheit trial also one that is out of range as Celsius."""
    try:
        value: float | None = column.read(text)
    except InputError:
        if show != "F" or not _PLAIN.fullmatch(text.strip()):
            raise
        return float(text.replace(",", "."))
    return value


def _ask_words(asked: Mapping[str, tuple[float, float, bool]], *, named: bool) -> str:
    """Ask of which kind one or several numbers are, with both ways of typing them."""
    said = []
    for what, (value, as_f, likely) in asked.items():
        shown = format_quantity(as_f, "temp_c", digits=1)
        looks = f"it looks like {value:g} °F, which is" if likely else f"{value:g} °F would be"
        said.append(f"{what}: {value:g} without a unit would be {value:g} °C; {looks} {shown}.")
    ways = [
        " ".join(f"{what}={v:g}{unit}" if named and len(asked) > 1 else f"{v:g}{unit}"
                 for what, (v, _, _) in asked.items())
        for unit in "FC"
    ]  # fmt: skip
    return f"{' '.join(said)} Say which one: {' or '.join(ways)}. Nothing was stored."


def _is_usual(value: float, column: str, place: str) -> bool:
    return _lies_in(value, usual_range(column, place=place))


def _lies_in(value: float, usual: tuple[float, float] | None) -> bool:
    return usual is None or usual[0] <= value <= usual[1]


def check_temperatures(settings: Settings, records: Records) -> Iterator[Problem]:
    """Point to stored temperatures that are odd as Celsius and usual as Fahrenheit.

    Examples
    --------
    >>> rows = [{"place": "cooler", "temp_c": 39.0, "_row": 2}]
    >>> found = check_temperatures(Settings("Demo", "DE"), Records.of(temperatures=rows))
    >>> print(next(found).message)
    cooler 39 °C is not usual; 39 °F would be 3.9 °C. If it was read in °F, correct it with ...
    """
    usual = cache(usual_range)  # few places, and thousands of rows
    for name, journal in records.journals.items():
        columns = [c for c in settings.table(name).columns if c.unit == "temp_c"]
        for row in journal.rows:
            place = str(row.get("place") or "")
            for column in columns:
                value = row.get(column.name)
                if value is None or _lies_in(value, usual(column.name, place=place)):
                    continue
                as_f = read_as_f(value, column.name, place=place)
                if as_f is None:
                    continue
                words = (
                    f"{place or column.name} {value:g} °C is not usual; {value:g} °F would be "
                    f"{format_quantity(as_f, 'temp_c', digits=1)}. If it was read in °F, correct "
                    "it with a new entry and a reason; else leave it."
                )
                path = journal.table.path
                yield Problem(path, words, row.get("_row"), column.name, "note")
