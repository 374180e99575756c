"""Units at the border: what a cook types in, what a person reads out.

Called wherever text becomes a number: tables, settings, record, command line, figures.
Leaves column lists to tables.py; inside the rooms numbers are plain floats with named units.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from numbers import Real
from typing import TYPE_CHECKING, Any, NoReturn, overload

from doughlab.errors import InputError, OutOfRange, UnknownName

if TYPE_CHECKING:
    import numpy as np

KINDS = {
    "temperature": "a temperature",
    "temp_diff": "a temperature difference",
    "mass": "a weight",
    "volume": "a volume",
    "time": "a time",
    "length": "a length",
    "percent": "a percentage",
    "mg_l": "a concentration",
    "alkalinity": "an alkalinity or hardness",
    "mmol_l": "an amount per litre",
    "mmol_kg": "an amount per kilogram",
    "conductivity": "a conductivity",
    "voltage": "a voltage",
    "ph": "a pH",
    "score": "a score",
    "number": "a plain number",
}


@dataclass(frozen=True)
class TypedUnit:
    """A unit as people type it: what kind it is and how pint knows it.

    `factor` turns it into the pint unit first (17.848 for a German degree, else 1).
    """

    kind: str
    name: str
    pint: str
    factor: float = 1.0
    decimals: int = 1
    shown: str = ""


@dataclass(frozen=True)
class Unit:
    """A unit of our tables: the suffix of a column and what stands on an axis.

    Attributes
    ----------
    suffix : str
        End of the column name, such as "temp_c"; empty for a plain number.
    title : str
        For axis labels and table heads, such as "°C"; empty where there is none.
    typed : TypedUnit
        The same unit as people type it.
    example : str
        Two things one could type, for messages.
    """

    suffix: str
    title: str
    typed: TypedUnit
    example: str

    @property
    def kind(self) -> str:
        """Give the kind of quantity, a key of `KINDS`."""
        return self.typed.kind


_DEG = "{0} °{0} deg{0} degree{0} degrees{0}"
_C, _F = _DEG.format("c") + " celsius centigrade", _DEG.format("f") + " fahrenheit"
_CACO = "mg/l mg/las{0} mg/l{0} ppm ppmas{0} ppm{0}".format("caco₃")

# kind: (name, pint, factor, decimals, shown, spellings without spaces, in lower case).
# Cup, tbsp, tsp and fl oz are US customary, as in pint. Bare gallons, pints and quarts are left
# out on purpose: they differ by a fifth between countries.
# German degree = 10 mg CaO/L and French degree = 10 mg CaCO3/L; grain per US gallon 17.118;
# English degree = grain per imperial gallon, 14.254 (from memory); meq and HCO3 by the molar
# masses 100.0869 (CaCO3) and 61.0168 (HCO3).
_SPELLINGS: dict[str, tuple[tuple[str, str, float, int, str, str], ...]] = {
    "temperature": (
        ("C", "degC", 1, 1, "°C", _C),
        ("F", "degF", 1, 1, "°F", _F),
        ("K", "kelvin", 1, 1, "K", "k kelvin"),
    ),
    "temp_diff": (
        ("C", "delta_degC", 1, 1, "°C", _C + " k kelvin"),
        ("F", "delta_degF", 1, 1, "°F", _F),
    ),
    "mass": (
        ("kg", "kilogram", 1, 3, "kg", "kg kgs kilo kilos kilogram kilograms"),
        ("g", "gram", 1, 1, "g", "g gram grams"),
        ("mg", "milligram", 1, 1, "mg", "mg milligram milligrams"),
        ("lb", "pound", 1, 2, "lb", "lb lbs pound pounds"),
        ("oz", "ounce", 1, 2, "oz", "oz ounce ounces"),
    ),
    "volume": (
        ("L", "liter", 1, 3, "L", "l liter liters litre litres"),
        ("mL", "milliliter", 1, 1, "mL", "ml milliliter milliliters millilitre millilitres"),
        ("cup", "cup", 1, 2, "cup", "cup cups"),
        ("tbsp", "tablespoon", 1, 2, "tbsp", "tbsp tablespoon tablespoons"),
        ("tsp", "teaspoon", 1, 2, "tsp", "tsp teaspoon teaspoons"),
        ("fl oz", "fluid_ounce", 1, 2, "fl oz", "floz fl.oz fluidounce fluidounces"),
        ("US gal", "gallon", 1, 3, "US gal", "usgal usgallon usgallons"),
        ("UK gal", "imperial_gallon", 1, 3, "UK gal", "ukgal ukgallon ukgallons impgal"),
    ),
    "time": (
        ("days", "day", 1, 2, "days", "d day days"),
        ("h", "hour", 1, 2, "h", "h hr hrs hour hours"),
        ("min", "minute", 1, 1, "min", "min mins minute minutes"),
        ("s", "second", 1, 0, "s", "s sec secs second seconds"),
    ),
    "length": (
        ("mm", "millimeter", 1, 1, "mm", "mm millimeter millimeters millimetre millimetres"),
        ("cm", "centimeter", 1, 2, "cm", "cm centimeter centimeters centimetre centimetres"),
        ("in", "inch", 1, 2, "in", "in inch inches"),
    ),
    "percent": (("%", "percent", 1, 1, "%", "% pct percent"),),
    "mg_l": (
        ("mg/L", "milligram/liter", 1, 1, "mg/L", "mg/l ppm"),
        ("g/L", "gram/liter", 1, 3, "g/L", "g/l"),
        ("ug/L", "microgram/liter", 1, 0, "µg/L", "ug/l"),
    ),
    "alkalinity": (
        ("mg/L", "milligram/liter", 1, 0, "mg/L", _CACO),
        ("meq/L", "milligram/liter", 50.04345, 2, "meq/L", "meq/l"),
        ("mg/L HCO3", "milligram/liter", 0.820158, 0, "mg/L HCO3", "mg/lhco₃ mg/lashco₃"),
        ("dH", "milligram/liter", 17.848, 1, "°dH", "dh °dh dkh °dkh"),
        ("fH", "milligram/liter", 10, 1, "°fH", "fh °fh"),
        ("Clark", "milligram/liter", 14.254, 1, "°Clark", "clark °clark °e"),
        ("gpg", "milligram/liter", 17.118, 1, "gpg", "gpg"),
    ),
    "mmol_l": (
        ("mmol/L", "millimole/liter", 1, 3, "mmol/L", "mmol/l"),
        ("mol/L", "mole/liter", 1, 4, "mol/L", "mol/l"),
    ),
    "mmol_kg": (("mmol/kg", "millimole/kilogram", 1, 3, "mmol/kg", "mmol/kg"),),
    "conductivity": (
        ("uS/cm", "microsiemens/centimeter", 1, 0, "µS/cm", "us/cm"),
        ("mS/cm", "millisiemens/centimeter", 1, 3, "mS/cm", "ms/cm"),
        ("mS/m", "millisiemens/meter", 1, 1, "mS/m", "ms/m"),
    ),
    "voltage": (("mV", "millivolt", 1, 1, "mV", "mv"), ("V", "volt", 1, 4, "V", "v")),
    "ph": (("pH", "ph", 1, 2, "pH", "ph"),),
    "score": (("points", "score", 1, 2, "points", "point points pts"),),
    "number": (("", "number", 1, 6, "", ""),),
}
_BY_SPELLING = {
    (kind, spelling): TypedUnit(kind, name, pint, factor, decimals, shown)
    for kind, rows in _SPELLINGS.items()
    for name, pint, factor, decimals, shown, spellings in rows
    for spelling in (spellings.split() or [""])
}


def _unit(suffix: str, kind: str, spelling: str, example: str, title: str | None = None) -> Unit:
    typed = _BY_SPELLING[kind, spelling]
    return Unit(suffix, typed.shown if title is None else title, typed, example)


UNITS: dict[str, Unit] = {
    u.suffix: u
    for u in (
        _unit("temp_c", "temperature", "c", "16.5 or 62 F"),
        _unit("temp_f", "temperature", "f", "62 or 16.5 C"),
        _unit("temp_diff_c", "temp_diff", "c", "2.5 or 4.5 F"),
        _unit("temp_diff_f", "temp_diff", "f", "4.5 or 2.5 C"),
        _unit("g", "mass", "g", "250 or 9 oz"),
        _unit("kg", "mass", "kg", "12.5 or 27 lb 9 oz"),
        _unit("mg", "mass", "mg", "120 or 0.12 g"),
        _unit("lb", "mass", "lb", "1 1/2 or 680 g"),
        _unit("oz", "mass", "oz", "9 or 255 g"),
        _unit("h", "time", "h", "48 or 2 days"),
        _unit("min", "time", "min", "90 or 1 h 30 min"),
        _unit("s", "time", "s", "90 or 1 min 30 s"),
        _unit("days", "time", "days", "2 or 48 h"),
        _unit("ml", "volume", "ml", "250 or 0.25 L"),
        _unit("l", "volume", "l", "1.5 or 1500 mL"),
        _unit("mm", "length", "mm", "35 or 3.5 cm"),
        _unit("pct", "percent", "%", "65 or 65 %"),
        _unit("mg_l", "mg_l", "mg/l", "60 or 60 mg/L"),
        _unit("mg_l_caco3", "alkalinity", "mg/l", "150 or 8.4 dH", title="mg/L as CaCO3"),
        _unit("mmol_l", "mmol_l", "mmol/l", "1.5 or 1.5 mmol/L"),
        _unit("mmol_kg", "mmol_kg", "mmol/kg", "1.5 or 1.5 mmol/kg"),
        _unit("us_cm", "conductivity", "us/cm", "450 or 0.45 mS/cm"),
        _unit("mv", "voltage", "mv", "-15 or -15 mV"),
        _unit("ph", "ph", "ph", "5.41"),
        _unit("score", "score", "points", "7 or 7.5", title="score"),
        _unit("", "number", "", "3 or 0.5"),
    )
}
# Tried in this order when a bare number lies outside its range.
_LOOKS_LIKE: dict[str, tuple[tuple[str, str], ...]] = {
    "temp_c": (("f", "Fahrenheit"),),
    "h": (("min", "minutes"), ("days", "days"), ("s", "seconds")),
    "min": (("h", "hours"), ("s", "seconds"), ("days", "days")),
    "s": (("min", "minutes"), ("h", "hours")),
    "g": (("kg", "kilograms"), ("mg", "milligrams"), ("lb", "pounds"), ("oz", "ounces")),
    "kg": (("g", "grams"), ("lb", "pounds")),
    "ml": (("l", "litres"),),
    "l": (("ml", "millilitres"),),
    "mm": (("cm", "centimetres"), ("in", "inches")),
    "us_cm": (("ms/cm", "mS/cm"),),
    "mmol_l": (("mol/l", "mol/L"),),
    "mv": (("v", "volts"),),
}
_FRACTIONS = ("mass", "volume", "time", "length", "percent", "number")
_CLOCK_UNITS = ("h", "hr", "hrs", "hour", "hours", "min", "mins", "minute", "minutes")
_TWO_PARTS = ("mass", "volume", "time")
_PLAIN = re.compile(r"[-+]?[0-9]+(?:\.[0-9]+)?\Z")
_PART = re.compile(
    r"""\s*(?P<number>
      (?P<clock>[0-9]{1,3}(?::[0-5][0-9]){1,2})
    | (?:(?P<whole>[0-9]{1,4})[ ])?(?P<top>[0-9]{1,2})/(?P<bottom>[0-9]{1,2})
    | (?P<exp>[0-9]+(?:\.[0-9]+)?[eE][-+]?[0-9]{1,3})
    | (?P<spaced>[1-9][0-9]{0,2}(?:[ '][0-9]{3})+(?:[.,][0-9]+)?)
    | (?P<plain>[0-9.,]*[0-9]))(?![0-9.,:/])\s*
    (?P<unit>(?:(?:[^\W\d_]|[°%])(?:[^\W\d_]|[°%/]|\.(?=\s|\Z)|[ ](?=[^\W\d_]|[°%/]))*)?)\s*""",
    re.VERBOSE,
)
_GROUPED = re.compile(r"[1-9][0-9]{0,2}(?:([.,])[0-9]{3})(?:\1[0-9]{3})*")
_COMMA_OF_THREE = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
_VULGAR = re.compile(r"\s*[\u00bc-\u00be\u2150-\u215e]")
_TIDY = str.maketrans(
    dict.fromkeys("\u00a0\u2007\u2008\u2009\u200a\u202f\t", " ")
    | {"\u2212": "-", "\u2044": "/", "º": "°", "˚": "°", "℃": "°C", "℉": "°F"}
    | {"µ": "u", "μ": "u", "’": "'"}
)
_DATE = re.compile(r"[0-9]{1,4}[./-][0-9]{1,2}[./-](?:[0-9]{2,4})?")
_RANGE = re.compile(r"[0-9]\s*(?:-|–|—|\.{2,3}|…|~|to\b|or\b)\s*[0-9]", re.IGNORECASE)
_ABOUT = re.compile(
    r"(?:about|approx\.?|approximately|around|roughly|circa|ca\.?|[~≈<>≤≥±])|.*(?:\?|±|\+/-)",
    re.IGNORECASE,
)


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
    >>> parse_quantity("59 F", "temp_c")
    15.0
    >>> parse_quantity("9 F", "temp_diff_c")
    5.0
    >>> parse_quantity("1 1/2 lb", "g")
    680.388555
    >>> parse_quantity("2 days 4 h", "h"), parse_quantity("16,5", "temp_c")
    (52.0, 16.5)
    >>> parse_quantity("59", "temp_c", what="water_temp_c", low=-5, high=45)
    Traceback (most recent call last):
    ...
    doughlab.errors.OutOfRange: water_temp_c 59 lies outside -5 to 45 °C. 59 looks like
    Fahrenheit; in Celsius that is 15.0. Type 59 F if that is meant.
    """
    wanted = _known_unit(unit)
    if not isinstance(text, str):
        return _in_range(_bare(text, wanted, what=what), wanted, "", what=what, low=low, high=high)
    if _PLAIN.match(text):
        value = _finite(float(text), text, wanted, what=what)
        return _in_range(value, wanted, "", what=what, low=low, high=high)
    sign, parts = _split(text, wanted, what=what)
    typed = [_look_up(part["unit"], wanted, text, what=what) for part in parts]
    unclear = [part["number"] for part in parts if _COMMA_OF_THREE.fullmatch(part["number"])]
    readings = []
    for commas in (".", "") if unclear else (".",):
        numbers = [_number(part, wanted, commas, text, what=what) for part in parts]
        value = sign * _join(numbers, typed, wanted, text, what=what)
        readings.append(_finite(value, text, wanted, what=what))
    inside = [value for value in readings if _inside(value, low, high)]
    if len(inside) == 2:
        one, other = unclear[0].replace(",", "."), unclear[0].replace(",", "")
        raise InputError(
            f"{what} {_shown(text)} can be read as {one} or as {other}; both are possible here. "
            f"Type {one} or {other}."
        )
    shown = "" if typed[0] == wanted.typed else text
    return _in_range((inside or readings)[0], wanted, shown, what=what, low=low, high=high)


def _known_unit(unit: str) -> Unit:
    """Look up a suffix, or say which ones there are."""
    if unit not in UNITS:
        raise UnknownName("unit suffix", unit, [name for name in UNITS if name])
    return UNITS[unit]


def _bare(value: object, wanted: Unit, *, what: str) -> float:
    """Take a number from a spreadsheet cell or a program."""
    if isinstance(value, bool) or not isinstance(value, Real):
        _refuse(what, str(value), f"is a {type(value).__name__}, not a number", wanted)
    return _finite(float(value), str(value), wanted, what=what)


def _finite(value: float, text: str, wanted: Unit, *, what: str) -> float:
    """Refuse what is not a finite number; turn -0 into 0."""
    if not math.isfinite(value):
        _refuse(what, text, "is not a finite number", wanted)
    return value + 0.0


def _shown(text: str) -> str:
    """Quote typed text for a message, short and printable."""
    clean = "".join(c if c.isprintable() else "?" for c in text.strip())
    return f"'{clean}'" if len(clean) <= 40 else f"'{clean[:37]}...'"


def _wish(wanted: Unit) -> str:
    """Say what would be right."""
    in_unit = f" in {wanted.title}" if wanted.kind not in ("ph", "score", "number") else ""
    return f"{KINDS[wanted.kind].capitalize()}{in_unit} is wanted, such as {wanted.example}."


def _refuse(what: str, text: str, why: str, wanted: Unit, *, hint: str = "") -> NoReturn:
    """Say what was found and what would be right."""
    raise InputError(f"{what} {_shown(text)} {why}. {_wish(wanted)}{hint}")


def _split(text: str, wanted: Unit, *, what: str) -> tuple[int, list[re.Match[str]]]:
    """Find sign, numbers and unit names; refuse what is not one quantity."""
    tidy = _VULGAR.sub(_spell_fraction, text).translate(_TIDY).strip()
    if not tidy:
        raise InputError(f"{what} is empty. {_wish(wanted)}")
    if len(tidy) > 60:
        _refuse(what, text, "is too long for one number with its unit", wanted)
    if _DATE.fullmatch(tidy):
        _refuse(what, text, "looks like a date", wanted)
    if _ABOUT.match(tidy):
        _refuse(what, text, "is not one exact number", wanted)
    if _RANGE.search(tidy):
        _refuse(what, text, "looks like a range; type one number", wanted)
    sign = -1 if tidy[0] in "-–" else 1
    rest = re.sub(r"\s+", " ", tidy[1:] if tidy[0] in "-–+" else tidy)
    rest = re.sub(r"(?i)(ca|h)co3-?", r"\1co₃", rest)
    rest = re.sub(r"(?<=[^\W\d])(?:,| and) (?=[0-9])", " ", rest)
    if wanted.kind == "ph":
        rest = re.sub(r"(?i)\Aph\s*(?=[0-9])", "", rest)
    parts: list[re.Match[str]] = []
    place = 0
    while place < len(rest):
        part = None if rest.startswith(" ") else _PART.match(rest, place)
        if part is None:
            _refuse(what, text, "cannot be read as a number", wanted)
        parts.append(part)
        place = part.end()
    if not parts:
        _refuse(what, text, "has no number in it", wanted)
    if len(parts) > 1 and (sign < 0 or not all(part["unit"] for part in parts)):
        _refuse(what, text, "holds more than one number", wanted)
    return sign, parts


def _spell_fraction(match: re.Match[str]) -> str:
    """Write ½ as 1/2, apart from a whole number before it."""
    fraction = unicodedata.normalize("NFKC", match[0].strip()).replace("\u2044", "/")
    before = match.string[: match.start()][-1:]
    return f" {fraction}" if before.isdigit() or match[0][0].isspace() else fraction


def _look_up(spelled: str, wanted: Unit, text: str, *, what: str) -> TypedUnit:
    """Find the unit that was typed, within the wanted kind."""
    key = spelled.replace(" ", "").rstrip(".").casefold()
    if not key or (wanted.kind in ("temperature", "temp_diff") and key in ("°", "deg", "degrees")):
        return wanted.typed
    found = _BY_SPELLING.get((wanted.kind, key))
    if found is not None:
        return found
    for kind in KINDS:
        other = _BY_SPELLING.get((kind, key))
        if other is not None:
            hint = " Weigh it." if (kind, wanted.kind) == ("volume", "mass") else ""
            _refuse(what, text, f"is {KINDS[kind]} in {other.name}", wanted, hint=hint)
    names = [row[0] for row in _SPELLINGS[wanted.kind] if row[0]]
    if not names:
        _refuse(what, text, f"has a unit, '{spelled.strip()}'", wanted)
    raise UnknownName("unit", spelled.strip(), names, where=f"{what} {_shown(text)}")


def _number(part: re.Match[str], wanted: Unit, commas: str, text: str, *, what: str) -> float:
    """Read one number; `commas` stands for an unclear comma ("." or "")."""
    token = part["number"]
    if part["clock"]:
        if wanted.kind != "time" or part["unit"].strip(" .").casefold() not in _CLOCK_UNITS:
            _refuse(what, text, "looks like a time of day", wanted)
        return sum(int(n) / 60**i for i, n in enumerate(token.split(":")))
    if part["bottom"]:
        top, bottom = int(part["top"]), int(part["bottom"])
        if wanted.kind not in _FRACTIONS or not 0 < top < bottom:
            _refuse(what, text, "cannot be read as a fraction", wanted)
        return int(part["whole"] or 0) + top / bottom
    if part["exp"]:
        return float(token)
    if part["spaced"]:
        return float(re.sub("[ ']", "", token).replace(",", "."))
    if _COMMA_OF_THREE.fullmatch(token):
        return float(token.replace(",", commas))
    head, mark, tail = token, "", ""
    if (last := max(token.rfind("."), token.rfind(","))) >= 0:
        head, mark, tail = token[:last], token[last], token[last + 1 :]
    if mark and mark in head:  # 1.904.700: the same mark twice can only group
        head, tail = token, ""
    if not head.isdecimal() and head and not _GROUPED.fullmatch(head):
        _refuse(what, text, "has points or commas that do not fit one number", wanted)
    return float(f"{re.sub('[.,]', '', head) or 0}.{tail or 0}")


def _join(
    numbers: list[float], typed: list[TypedUnit], wanted: Unit, text: str, *, what: str
) -> float:
    """Add the parts of "2 lb 3 oz" in the wanted unit."""
    if len(numbers) == 1:
        return _change(numbers[0], typed[0], wanted.typed)
    sizes = [_change(1.0, one, wanted.typed) for one in typed]
    parts = [n * size for n, size in zip(numbers, sizes, strict=True)]
    if (
        wanted.kind not in _TWO_PARTS
        or any(n != int(n) for n in numbers[:-1])
        or any(part >= above for part, above in zip(parts[1:], sizes, strict=False))
    ):
        _refuse(what, text, "has parts that do not make one quantity", wanted)
    return _tidied(sum(parts), wanted.typed)


def _inside(value: float, low: float | None, high: float | None) -> bool:
    """Tell whether a value lies in a range, ends included."""
    return (low is None or value >= low) and (high is None or value <= high)


def _in_range(
    value: float, wanted: Unit, typed: str, *, what: str, low: float | None, high: float | None
) -> float:
    """Give the value back, or say what it looks like."""
    if _inside(value, low, high):
        return value
    if typed:
        says = (
            f"{what} {_shown(typed)} is {format_quantity(value, wanted.suffix)}; "
            f"that {_beside(wanted, low, high)}."
        )
    else:
        says = explain_out_of_range(value, wanted.suffix, low, high, what=what)
    raise OutOfRange(says, value=value, low=low, high=high)


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
    wanted = _known_unit(unit)
    if _inside(value, low, high) or not math.isfinite(value):
        return None
    said = f"{value:.10g}"
    for spelling, word in _LOOKS_LIKE.get(unit, ()):
        other = _BY_SPELLING[wanted.kind, spelling]
        would_be = _change(value, other, wanted.typed)
        if _inside(would_be, low, high):
            typed = f"{said} {other.name}"
            if word == "Fahrenheit":
                that = f"in Celsius that is {would_be:.1f}"
            else:
                that = f"that is {format_quantity(would_be, unit)}"
            sentence = f"{said} looks like {word}; {that}. Type {typed} if that is meant."
            return Guess(sentence, typed, would_be)
    if unit == "pct" and 0 < value <= 1 and _inside(100 * value, low, high):
        typed = f"{100 * value:.10g}"
        sentence = f"{said} looks like a fraction of 1; type {typed} if {typed} % is meant."
        return Guess(sentence, typed, float(typed))
    for tenth in (10, 100, 1000):
        if abs(value) >= tenth and _inside(value / tenth, low, high):
            typed = f"{value / tenth:.10g}"
            return Guess(f"A decimal point may be missing ({typed}).", typed, float(typed))
    if value < 0 and _inside(-value, low, high):
        return Guess(f"The minus sign may be wrong ({said[1:]}).", said[1:], -value)
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
    wanted = _known_unit(unit)
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


@lru_cache(maxsize=256)
def _pint_unit(name: str) -> Any:
    """Keep parsed pint units, so that a column converts fast."""
    return _registry().Unit(name)


def _change(value: Any, source: TypedUnit, target: TypedUnit) -> Any:
    """Convert between two units of one kind; pint is loaded only where they differ."""
    if source == target:
        return value
    if source.pint == target.pint:
        return _tidied(value * source.factor / target.factor, target)
    quantity = _registry().Quantity(value * source.factor, _pint_unit(source.pint))
    return _tidied(quantity.to(_pint_unit(target.pint)).magnitude / target.factor, target)


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
    kind = _known_unit(from_unit if from_unit in UNITS else to_unit).kind
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
    found = _BY_SPELLING.get((kind, name.replace(" ", "").replace("µ", "u").casefold()))
    if found is None:
        names = [row[0] for row in _SPELLINGS[kind] if row[0]]
        raise UnknownName("unit", name, names)
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
    _, parts = _split(text, UNITS[""], what="value")
    key = parts[0]["unit"].replace(" ", "").rstrip(".").casefold()
    for kind in KINDS:
        if key and (kind, key) in _BY_SPELLING:
            return _BY_SPELLING[kind, key].name
    return ""


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
    wanted = _known_unit(unit)
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


def unit_of(column: str) -> str:
    """Tell the unit of a column from the end of its name.

    Examples
    --------
    >>> unit_of("water_temp_c"), unit_of("friction_diff_c"), unit_of("alkalinity_mg_l")
    ('temp_c', 'temp_diff_c', 'mg_l_caco3')
    >>> unit_of("ph"), unit_of("balls")
    ('ph', '')
    """
    if column in UNITS:
        return column
    if column.endswith("_mg_l") and column.startswith(("alkalinity", "hardness")):
        return "mg_l_caco3"
    for ending, suffix in (("_diff_c", "temp_diff_c"), ("_diff_f", "temp_diff_f")):
        if column.endswith(ending):
            return suffix
    fits = [suffix for suffix in UNITS if suffix and column.endswith(f"_{suffix}")]
    return max(fits, key=len, default="")


def axis_unit(name: str) -> str:
    """Give the unit for an axis label, from a unit or a column name.

    Examples
    --------
    >>> axis_unit("temp_c"), axis_unit("alkalinity_mg_l"), axis_unit("hold_h")
    ('°C', 'mg/L as CaCO3', 'h')
    """
    return UNITS[name if name in UNITS else unit_of(name)].title
