"""Buffers: what a buffer solution reads at its temperature.

The meter takes a buffer's pH at the temperature at which it was used. The table printed on the
bottle always wins: write it down as [buffers.<name>] in trial.toml.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from doughlab.errors import InputError, OutOfRange, UnknownName

NEAR_PH = 0.06  # how near a typed number must lie to a buffer's pH at 25 °C


@dataclass(frozen=True)
class BufferTable:
    """One buffer: pH by temperature, taken along a straight line between its rows.

    Attributes
    ----------
    name : str
    temps_c, ph : tuple of float
        Rising temperatures in degrees Celsius, and the pH at each.
    source : str
        Where the table comes from.
    """

    name: str
    temps_c: tuple[float, ...]
    ph: tuple[float, ...]
    source: str = "the bottle"

    def ph_at(self, temp_c: float) -> float:
        """Give the pH at a temperature.

        Raises
        ------
        OutOfRange
            Outside the table.

        Examples
        --------
        >>> round(BUFFERS["technical 7"].ph_at(18), 3)
        7.028
        """
        low, high = self.temps_c[0], self.temps_c[-1]
        if not low <= temp_c <= high:
            raise OutOfRange(
                f"Buffer {self.name} at {temp_c:g} °C: its table goes from {low:g} to {high:g} °C. "
                "Let the buffer come to room temperature, or enter the table of your bottle as "
                "[buffers.<name>] in trial.toml.",
                value=temp_c, low=low, high=high,
            )  # fmt: skip
        rows = list(zip(self.temps_c, self.ph, strict=True))
        for (t0, p0), (t1, p1) in pairwise(rows):
            if temp_c <= t1:
                return p0 + (p1 - p0) * (temp_c - t0) / (t1 - t0)
        return rows[-1][1]


_TEMPS = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
_JIS = "JIS Z 8802, as listed on a public page"
_TECHNICAL = "an instrument manual, tied to one stated recipe: the bottle's own table wins"


def _table(name: str, ph: Sequence[float], source: str) -> BufferTable:
    return BufferTable(name, _TEMPS[: len(ph)], tuple(ph), source)


BUFFERS: Mapping[str, BufferTable] = {
    t.name: t
    for t in (
        _table("technical 4", (4.00, 4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.03), _TECHNICAL),
        _table("technical 7", (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.98), _TECHNICAL),
        _table("technical 10", (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.89), _TECHNICAL),
        _table("phthalate", (4.01, 4.01, 4.00, 4.00, 4.00, 4.01, 4.01, 4.03), _JIS),
        _table("phosphate", (6.98, 6.95, 6.92, 6.90, 6.88, 6.86, 6.85, 6.84), _JIS),
        _table("borax", (9.46, 9.39, 9.33, 9.27, 9.22, 9.18, 9.14, 9.07), _JIS),
        _table("carbonate", (10.32, 10.25, 10.18, 10.12, 10.07, 10.02, 9.97), _JIS),
    )
}


def build_buffer(name: str, temps_c: Sequence[float], ph: Sequence[float]) -> BufferTable:
    """Build a buffer from the table on its bottle.

    Raises
    ------
    InputError
        When the lists do not match or the temperatures do not rise.

    Examples
    --------
    >>> build_buffer("blue bottle", (15, 25), (7.05, 7.01)).ph_at(20)
    7.03
    """
    where = f"trial.toml: [buffers.{name}]"
    if len(temps_c) != len(ph) or not temps_c:
        raise InputError(
            f"{where} has {len(temps_c)} temperatures and {len(ph)} pH values. Give one pH for "
            "each temperature, as printed on the bottle."
        )
    if any(b <= a for a, b in pairwise(temps_c)):
        raise InputError(f"{where}: temps_c must rise from left to right.")
    return BufferTable(name, tuple(map(float, temps_c)), tuple(map(float, ph)))


def match_buffer(text: str, tables: Sequence[BufferTable]) -> BufferTable:
    """Find a buffer by its name or by the pH printed large on its bottle.

    Parameters
    ----------
    text : str
        "7", "7.00", "4,01", "phosphate" or the name of an own bottle.
    tables : sequence of BufferTable
        Own bottles stand before the common tables, and their table is taken as it is. Of common
        ones whose pH at 25 °C is near the number the nearest is taken. A number with two decimals
        is what the bottle states at 25 °C: its table is moved by the hundredth or two that it
        lies beside it, so that a bottle of 4.01 is not taken for one of 4.00.

    Raises
    ------
    UnknownName
        With the nearest name.

    Examples
    --------
    >>> found = [match_buffer(text, list(BUFFERS.values())) for text in ("7", "7,01", "4.01")]
    >>> [(b.name, round(b.ph_at(25), 3), round(b.ph_at(20), 3)) for b in found]
    [('technical 7', 7.0, 7.02), ('technical 7', 7.01, 7.03), ('phthalate', 4.01, 4.0)]
    """
    wanted = " ".join(text.casefold().split())
    for t in tables:
        if t.name.casefold() == wanted:
            return t
    typed = wanted.removeprefix("ph").strip().replace(",", ".")
    try:
        number = float(typed)
    except ValueError:
        raise UnknownName("buffer", text, [t.name for t in tables]) from None
    near = {t: abs(_nominal(t) - number) for t in tables}
    fits = [t for t in tables if near[t] <= NEAR_PH + 1e-9]
    own = [t for t in fits if t.name not in BUFFERS]
    if not fits:
        raise UnknownName("buffer", text, [t.name for t in tables])
    best = min(own or fits, key=lambda t: round(near[t], 6))
    if own or len(typed.partition(".")[2]) < 2:
        return best
    return replace(best, ph=tuple(p + number - _nominal(best) for p in best.ph))


def _nominal(table: BufferTable) -> float:
    """Give the pH that a bottle states: at 25 °C, or the nearest temperature of its table."""
    return table.ph_at(min(max(25.0, table.temps_c[0]), table.temps_c[-1]))
