"""Names: what a cook calls a ball, a batch or a column, found among the names there are.

The desk and the bench look names up here: "b1-2" is B01-2, "room=72F" is room_temp_c.
What is not clear is refused by whoever asked; nothing is guessed here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from doughlab.cells import Column
from doughlab.errors import InputError
from doughlab.units import typed_unit

_TEMPERATURES = ("C", "F", "K")
_MASSES = ("mg", "g", "kg", "oz", "lb")


def find_id(word: str, ids: Iterable[str]) -> str:
    """Find an id, whatever its letters' case and the zeros before its numbers.

    Parameters
    ----------
    word : str
        As typed: "b1-2", "B01-2".
    ids : iterable of str
        The ids there are.

    Returns
    -------
    str
        The id, or the word itself where none or several are meant.

    Examples
    --------
    >>> find_id("b1-2", ["B01-1", "B01-2"]), find_id("B07", ["B01"])
    ('B01-2', 'B07')
    """
    known = [str(i) for i in ids]
    if word in known:
        return word
    fits = [i for i in known if _plain(i) == _plain(word)]
    return fits[0] if len(fits) == 1 else word


def _plain(text: str) -> str:
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", text.strip().casefold())


def find_column(name: str, text: str, columns: Mapping[str, Column]) -> str:
    """Find the column that a kitchen word means, by the beginning of its name and by the unit.

    Parameters
    ----------
    name : str
        As typed before the "=": "room", "water_temp", "balled".
    text : str
        What stands behind it: "72F" can only be a temperature, "17 oz" only a weight.
    columns : mapping of str to Column
        The columns that may be filled.

    Returns
    -------
    str
        The column's name, or `name` where none or several are meant.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> columns = {c.name: c for c in table("mixes").columns}
    >>> find_column("room", "72F", columns), find_column("water", "17 oz", columns)
    ('room_temp_c', 'water_g')
    >>> find_column("water", "54", columns)
    'water'
    """
    word = name.casefold().replace(" ", "_").replace("-", "_")
    if word in columns:
        return word
    fits = [c for c in columns.values() if c.name.startswith(f"{word}_")]
    whole = [c for c in fits if c.name in {f"{word}_{c.unit}", f"{word}_c", f"{word}_at"}]
    unit = _unit(text)
    for sort, units in (("temp_c", _TEMPERATURES), ("g", _MASSES)):
        if unit in units:
            fits = [c for c in fits if c.unit == sort]
            whole = [c for c in whole if c.unit == sort]
    chosen = fits if len(fits) == 1 else whole
    return chosen[0].name if len(chosen) == 1 else name


def _unit(text: str) -> str:
    try:
        return typed_unit(text)
    except InputError:
        return ""


def list_bare(words: Iterable[tuple[str, str]], columns: Mapping[str, Column]) -> list[str]:
    """List temperatures that were typed without C or F, as they would be typed in Fahrenheit.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> columns = {c.name: c for c in table("mixes").columns}
    >>> list_bare([("room", "72"), ("dough", "75F"), ("mix_min", "12")], columns)
    ['room=72F']
    """
    found = []
    for name, text in words:
        column = columns.get(find_column(name, text, columns))
        if column is not None and column.unit == "temp_c" and re.fullmatch(r"[-\d.,]+", text):
            found.append(f"{name}={text}F")
    return found
