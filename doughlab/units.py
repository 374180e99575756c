"""Units at the border: what a cook types in, what a person reads out.

Called wherever text becomes a number: tables, settings, record, command line, figures.
Leaves column lists to tables.py; inside the rooms numbers are plain floats with named units.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from numbers import Real
from typing import TYPE_CHECKING, Any, overload

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.typed import (
    BY_NAME,
    BY_SPELLING,
    KINDS,
    NO_UNIT,
    UNITS,
    Parts,
    TypedUnit,
    Unit,
    UnreadableError,
    axis_unit,
    finite,
    first_unit,
    read_parts,
    spelling_key,
    unit_of,
)

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "KINDS",
    "UNITS",
    "Guess",
    "TypedUnit",
    "Unit",
    "axis_unit",
    "convert",
    "explain_out_of_range",
    "format_quantity",
    "guess_meaning",
    "parse_quantity",
    "typed_unit",
    "unit_of",
]

# What a bare number outside its range may be, tried in this order: suffix, name, word.
_LOOKS_LIKE = {
    "temp_c": (("F", "Fahrenheit"),),
    "h": (("min", "minutes"), ("days", "days"), ("s", "seconds")),
    "min": (("h", "hours"), ("s", "seconds"), ("days", "days")),
    "s": (("min", "minutes"), ("h", "hours")),
    "g": (("kg", "kilograms"), ("mg", "milligrams"), ("lb", "pounds"), ("oz", "ounces")),
    "kg": (("g", "grams"), ("lb", "pounds")),
    "ml": (("L", "litres"),),
    "l": (("mL", "millilitres"),),
    "mm": (("cm", "centimetres"), ("in", "inches")),
    "us_cm": (("mS/cm", "mS/cm"),),
    "mmol_l": (("mol/L", "mol/L"),),
    "mv": (("V", "volts"),),
}
_TWO_PARTS = ("mass", "volume", "time")


def parse_quantity(
    text: str | float,
    unit: str,
    *,
    what: str = "value",
    low: float | None = None,
    high: float | None = None,
) -> float:
    """Read what a cook typed into a number in the wanted unit.

    A bare number is taken in the wanted unit. Decimal comma and decimal point are equal. A comma
    before exactly three digits ("1,234") can be read two ways: the reading inside the range is
    taken, and where both lie inside (or no range is given) the text is refused. A single point is
    always the decimal point, as in our own files. Cups and spoons are US customary.

    Parameters
    ----------
    text : str or float
        "59 F", "16,5 °C", "1 1/2 lb", "2 lb 3 oz", "3 days", "1:30 h", "65 %"; a number from a
        spreadsheet cell counts as bare.
    unit : str
        Suffix of the column, a key of `UNITS`, such as "temp_c", "temp_diff_c" or "g".
    what : str
        Name of the column or question, for the message.
    low, high : float or None
        Plausible range in the wanted unit, both ends included.

    Returns
    -------
    float
        Value in `unit`; conversions are rounded to 12 significant digits.

    Raises
    ------
    InputError
        When the text is no single number with a fitting unit; `UnknownName` for a unit that is
        not known, `OutOfRange` for a value outside `low` to `high`.

    Examples
    --------
    >>> parse_quantity("59 F", "temp_c"), parse_quantity("9 F", "temp_diff_c")
    (15.0, 5.0)
    >>> parse_quantity("1 1/2 lb", "g"), parse_quantity("2 days 4 h", "h")
    (680.388555, 52.0)
    >>> parse_quantity("59", "temp_c", what="water_temp_c", low=-5, high=45)
    Traceback (most recent call last):
    ...
    doughlab.errors.OutOfRange: water_temp_c 59 lies outside -5 to 45 °C. 59 looks like
    Fahrenheit; in Celsius that is 15.0. Type 59 F if that is meant.
    """
    wanted = _known(unit)
    where = f"{what} {_shown(text)}" if not isinstance(text, str) or text.strip() else what
    try:
        value, converted = _read(text, wanted, low=low, high=high, where=where)
    except UnreadableError as problem:
        advice = problem.advice or _wish(wanted) + problem.hint
        raise InputError(f"{where} {problem}. {advice}") from None
    if _inside(value, low, high):
        return value
    says = explain_out_of_range(value, unit, low, high, what=what)
    if converted:
        says = f"{where} is {format_quantity(value, unit)}; that {_beside(wanted, low, high)}."
    raise OutOfRange(says, value=value, low=low, high=high)


def _known(unit: str) -> Unit:
    """Look up a suffix, or say which ones there are."""
    if unit not in UNITS:
        raise UnknownName("unit suffix", unit, [name for name in UNITS if name])
    return UNITS[unit]


def _shown(value: object) -> str:
    """Quote what was typed for a message, short and printable."""
    huge = isinstance(value, int) and abs(value) > 10**300
    text = "a huge number" if huge else str(value)
    clean = "".join(c if c.isprintable() else "?" for c in text[:60].strip())
    return f"'{clean}'" if len(clean) <= 40 else f"'{clean[:37]}...'"


def _wish(wanted: Unit) -> str:
    """Say what would be right."""
    in_unit = "" if wanted.kind in NO_UNIT else f" in {wanted.title}"
    kind = KINDS[wanted.kind]
    return f"{kind[0].upper()}{kind[1:]}{in_unit} is wanted, such as {wanted.example}."


def _read(
    text: object, wanted: Unit, *, low: float | None, high: float | None, where: str
) -> tuple[float, bool]:
    """Give the value and whether it was typed in another unit than the wanted one."""
    if isinstance(text, Real) and not isinstance(text, bool):
        huge = isinstance(text, int) and abs(text) > 10**300
        return finite(math.inf if huge else float(text)), False
    if not isinstance(text, str):
        raise UnreadableError("is not a number")
    readings = read_parts(text, wanted.kind, where=where)
    values = [finite(_join(parts, wanted)) for parts in readings]
    inside = [n for n, value in enumerate(values) if _inside(value, low, high)]
    if len(inside) == 2:
        unit = f" {readings[0][0][1].name}" if readings[0][0][1] else ""
        one, other = (
            next(f"{a:.10g}" for (a, _), (b, _) in zip(*pair, strict=True) if a != b)
            for pair in (readings, readings[::-1])
        )
        why = f"can be read as {one} or as {other}; both are possible here"
        raise UnreadableError(why, advice=f"Type {one}{unit} or {other}{unit}.")
    chosen = inside[0] if inside else 0
    return values[chosen], readings[chosen][0][1] not in (None, wanted.typed)


def _join(parts: Parts, wanted: Unit) -> float:
    """Add the parts of "2 lb 3 oz" in the wanted unit."""
    number, typed = parts[0]
    if len(parts) == 1:
        return float(_change(number, typed or wanted.typed, wanted.typed))
    numbers = [number for number, _ in parts]
    sizes = [float(_change(1.0, typed or wanted.typed, wanted.typed)) for _, typed in parts]
    amounts = [number * size for number, size in zip(numbers, sizes, strict=True)]
    if (
        wanted.kind not in _TWO_PARTS
        or any(number != int(number) for number in numbers[:-1])
        or any(amount >= size for amount, size in zip(amounts[1:], sizes, strict=False))
    ):
        raise UnreadableError("has parts that do not make one quantity")
    return float(_tidied(sum(amounts), wanted.typed))


def _inside(value: float, low: float | None, high: float | None) -> bool:
    """Tell whether a value lies in a range, ends included."""
    return (low is None or value >= low) and (high is None or value <= high)


def _beside(unit: Unit, low: float | None, high: float | None) -> str:
    """Name the range that was missed."""
    title = f" {unit.title}" if unit.kind not in ("ph", "score", "number") else ""
    if low is None:
        return f"lies above {high:.10g}{title}"
    if high is None:
        return f"lies below {low:.10g}{title}"
    return f"lies outside {low:.10g} to {high:.10g}{title}"


@dataclass(frozen=True)
class Guess:
    """What a number outside its range may have been meant to be.

    `sentence` is for the cook, `typed` what to type instead, `value` what that gives.

    Examples
    --------
    >>> guess_meaning(0.65, "pct", 40, 100).typed
    '65'
    """

    sentence: str
    typed: str
    value: float


def guess_meaning(
    value: float, unit: str, low: float | None = None, high: float | None = None
) -> Guess | None:
    """Guess what a number outside its range was meant to be.

    Parameters
    ----------
    value : float
        Number in `unit`.
    unit : str
        Key of `UNITS`.
    low, high : float or None
        Plausible range in `unit`.

    Returns
    -------
    Guess or None
        None where the value lies inside, or nothing likely would.

    Examples
    --------
    >>> guess_meaning(59, "temp_c", -5, 45)
    Guess(sentence='59 looks like Fahrenheit; in Celsius that is 15.0. Type 59 F if that is
    meant.', typed='59 F', value=15.0)
    """
    wanted = _known(unit)
    if _inside(value, low, high) or not math.isfinite(value):
        return None
    said = f"{value:.10g}"
    if value < 0 and _inside(-value, low, high):
        return Guess(f"The minus sign may be wrong ({said[1:]}).", said[1:], -value)
    far = value > 2 * high if high is not None and value > high else value < (low or 0) / 2
    if not far and wanted.kind != "temperature":
        return None
    for name, word in _LOOKS_LIKE.get(unit, ()):
        would_be = _change(value, BY_NAME[wanted.kind, name], wanted.typed)
        if _inside(would_be, low, high):
            that = f"that is {format_quantity(would_be, unit)}"
            if word == "Fahrenheit":
                that = f"in Celsius that is {would_be:.1f}"
            sentence = f"{said} looks like {word}; {that}. Type {said} {name} if that is meant."
            return Guess(sentence, f"{said} {name}", would_be)
    if unit == "pct" and 0 < value <= 1 and _inside(100 * value, low, high):
        typed = f"{100 * value:.10g}"
        sentence = f"{said} looks like a fraction of 1. Type {typed} if {typed} % is meant."
        return Guess(sentence, typed, float(typed))
    for divisor in (10, 100, 1000):
        if far and value >= divisor and _inside(value / divisor, low, high):
            typed = f"{value / divisor:.10g}"
            slip = (
                "A decimal point may be missing"
                if "." in typed
                else "There may be a digit too many"
            )
            return Guess(f"{slip} ({typed}).", typed, float(typed))
    return None


def explain_out_of_range(
    value: float,
    unit: str,
    low: float | None = None,
    high: float | None = None,
    *,
    what: str = "",
) -> str:
    """Say that a number lies outside its range and what it looks like.

    Parameters
    ----------
    value : float
        Number in `unit`.
    unit : str
        Key of `UNITS`.
    low, high : float or None
        Plausible range in `unit`, ends included.
    what : str
        Column or question, put in front.

    Returns
    -------
    str
        One to three sentences; empty where the value lies inside.

    Examples
    --------
    >>> explain_out_of_range(56.2, "ph", 2.5, 9, what="ph")
    'ph 56.2 lies outside 2.5 to 9. A decimal point may be missing (5.62).'
    >>> explain_out_of_range(1440, "h", None, 96, what="hold_h")
    'hold_h 1440 lies above 96 h. 1440 looks like minutes; that is 24 h. Type 1440 min if that
    is meant.'
    """
    wanted = _known(unit)
    if _inside(value, low, high):
        return ""
    guess = guess_meaning(value, unit, low, high)
    head = f"{what} {value:.10g} {_beside(wanted, low, high)}.".strip()
    return f"{head} {guess.sentence}" if guess else head


@lru_cache(maxsize=1)
def _registry() -> Any:
    """Make the one pint registry, on first use."""
    import pint

    return pint.UnitRegistry()


# exact by definition and used at every start; pint's registry takes most of a second to make
_EXACT_LINES = {
    ("degF", "degC"): (-160 / 9, 5 / 9),
    ("degC", "degF"): (32.0, 9 / 5),
    ("delta_degF", "delta_degC"): (0.0, 5 / 9),
    ("delta_degC", "delta_degF"): (0.0, 9 / 5),
    ("kilogram", "gram"): (0.0, 1000.0),
    ("gram", "kilogram"): (0.0, 0.001),
}


@lru_cache(maxsize=256)
def _line(source: str, target: str) -> tuple[float, float]:
    """Ask pint once for offset and slope between two units; every conversion is a line."""
    start, end = (
        float(_registry().Quantity(value, source).to(target).magnitude) for value in (0.0, 1000.0)
    )
    return start, (end - start) / 1000.0


def _change(value: Any, source: TypedUnit, target: TypedUnit) -> Any:
    """Convert between two units of one kind; pint is loaded only where they differ."""
    if source == target:
        return value
    offset, slope = 0.0, 1.0
    if source.pint != target.pint:
        pair = (source.pint, target.pint)
        offset, slope = _EXACT_LINES.get(pair) or _line(*pair)
    return _tidied((offset + slope * (value * source.factor)) / target.factor, target)


def _tidied(value: Any, unit: TypedUnit) -> Any:
    """Cut the noise of conversion: 12 digits, 10 decimals where zero is not absolute."""
    if not isinstance(value, Real):
        return value
    return float(f"{round(value, 10) if unit.kind == 'temperature' else value:.12g}")


@overload
def convert(value: float, from_unit: str, to_unit: str) -> float: ...
@overload
def convert(value: np.ndarray, from_unit: str, to_unit: str) -> np.ndarray: ...
def convert(value: Any, from_unit: str, to_unit: str) -> Any:
    """Convert a number or an array between two units of one kind.

    Parameters
    ----------
    value : float or array, shape (n,)
        In `from_unit`.
    from_unit, to_unit : str
        Keys of `UNITS`; one of them may be a name as typed, such as "F" or "lb".

    Returns
    -------
    float or array, shape (n,)
        In `to_unit`; single numbers are rounded to 12 significant digits.

    Raises
    ------
    InputError
        When no factor joins the two units; `UnknownName` when neither is a key of `UNITS`.

    Examples
    --------
    >>> convert(59, "temp_f", "temp_c"), convert(9, "temp_diff_f", "temp_diff_c")
    (15.0, 5.0)
    >>> convert(48, "h", "days"), convert(1, "lb", "g")
    (2.0, 453.59237)
    >>> convert(1, "h", "g")
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: No factor joins h (a time) and g (a weight).
    """
    kind = _known(from_unit if from_unit in UNITS else to_unit).kind
    source, target = _named(from_unit, kind), _named(to_unit, kind)
    if source.kind != target.kind:
        raise InputError(
            f"No factor joins {source.shown or 'no unit'} ({KINDS[source.kind]}) "
            f"and {target.shown or 'no unit'} ({KINDS[target.kind]})."
        )
    return _change(value, source, target)


def _named(name: str, kind: str) -> TypedUnit:
    """Find a unit by suffix, or by a typed name within one kind."""
    if name in UNITS:
        return UNITS[name].typed
    found = BY_SPELLING.get((kind, spelling_key(name)))
    if found is None:
        raise UnknownName("unit", name, [one for k, one in BY_NAME if k == kind and one])
    return found


def typed_unit(text: str) -> str:
    """Name the unit that was typed, so that the answer can be given in it.

    Parameters
    ----------
    text : str
        Something that `parse_quantity` read without complaint.

    Returns
    -------
    str
        Such as "F", "lb" or "days", for `format_quantity(show=...)`; empty for a bare number.

    Examples
    --------
    >>> typed_unit("59 °F"), typed_unit("2 lb 3 oz"), typed_unit("16,5")
    ('F', 'lb', '')
    """
    try:
        typed = first_unit(text)
    except UnreadableError as problem:
        raise InputError(f"{_shown(text)} {problem}.") from None
    return typed.name if typed else ""


def format_quantity(value: float, unit: str, *, show: str = "", digits: int | None = None) -> str:
    """Write a number with its unit for people.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        Key of `UNITS`.
    show : str
        Unit to show it in, as typed: "F", "lb", "days"; empty for `unit` itself.
    digits : int or None
        Decimals; None takes the usual number for the unit and drops zeros at the end.

    Returns
    -------
    str
        `parse_quantity` reads it back, within the decimals shown.

    Raises
    ------
    InputError
        When `show` is another kind of unit.

    Examples
    --------
    >>> format_quantity(15, "temp_c", show="F"), format_quantity(15, "temp_c")
    ('59 °F', '15 °C')
    >>> format_quantity(5.4, "ph"), format_quantity(24, "h", show="days")
    ('pH 5.40', '1 day')
    """
    wanted = _known(unit)
    typed = _named(show, wanted.kind) if show else wanted.typed
    if typed.kind != wanted.kind:
        convert(value, unit, show)
    if not math.isfinite(value):
        return "no value"
    value = _change(value, wanted.typed, typed) + 0.0
    text = f"{value:.{typed.decimals if digits is None else digits}f}"
    if digits is None and "." in text and typed.kind != "ph":
        text = text.rstrip("0").rstrip(".")
    if float(text) == 0:
        text = text.lstrip("-")
    if typed.kind == "ph":
        return f"pH {text}"
    label = typed.shown[:-1] if text == "1" and typed.name in ("days", "points") else typed.shown
    return f"{text}{' ' if label else ''}{label}"
