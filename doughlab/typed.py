"""The names of units and the grammar of typed numbers.

Called by units.py, which hands the public names on to every room.
Leaves conversion, ranges and the sentence around a refusal to units.py.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass

from doughlab.errors import UnknownName

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
    "angle": "an angle",
    "ph": "a pH",
    "score": "a score",
    "number": "a plain number",
}

# kind | name | pint unit | factor to it | decimals | shown | also typed (spaces and case aside).
# Cups and spoons are US customary, as in pint. Bare gallons, pints and quarts are left out on
# purpose: they differ by a fifth between countries. One German degree is 10 mg CaO per litre, one
# French degree 10 mg CaCO3, gpg a grain per US gallon, an English degree a grain per imperial
# gallon; meq and HCO3 by the molar masses 100.0869 and 61.0168 g/mol. Checked in the tests.
_TYPED = """
temperature  | C      | degC        | 1 | 1 | °C  | c celsius centigrade
temperature  | F      | degF        | 1 | 1 | °F  | f fahrenheit
temperature  | K      | kelvin      | 1 | 1 | K   | k kelvin
temp_diff    | C      | delta_degC  | 1 | 1 | °C  | c celsius k kelvin
temp_diff    | F      | delta_degF  | 1 | 1 | °F  | f fahrenheit
mass         | kg     | kilogram    | 1 | 3 | kg  | kg kgs kilo kilos kilogram kilograms
mass         | g      | gram        | 1 | 1 | g   | g gram grams
mass         | mg     | milligram   | 1 | 1 | mg  | mg milligram milligrams
mass         | lb     | pound       | 1 | 2 | lb  | lb lbs pound pounds
mass         | oz     | ounce       | 1 | 2 | oz  | oz ounce ounces
volume       | L      | liter       | 1 | 3 | L   | l liter liters litre litres
volume       | mL     | milliliter  | 1 | 1 | mL  | ml milliliter milliliters millilitre millilitres
volume       | cup    | cup         | 1 | 2 | cup | cup cups
volume       | tbsp   | tablespoon  | 1 | 2 | tbsp | tbsp tablespoon tablespoons
volume       | tsp    | teaspoon    | 1 | 2 | tsp | tsp teaspoon teaspoons
volume       | fl oz  | fluid_ounce | 1 | 2 | fl oz | floz fl.oz fluidounce fluidounces
volume       | US gal | gallon      | 1 | 3 | US gal | usgal usgallon usgallons
volume       | UK gal | imperial_gallon | 1 | 3 | UK gal | ukgal ukgallon ukgallons
time         | days   | day         | 1 | 2 | days | d day days
time         | h      | hour        | 1 | 2 | h   | h hr hrs hour hours
time         | min    | minute      | 1 | 1 | min | min mins minute minutes
time         | s      | second      | 1 | 0 | s   | s sec secs second seconds
length       | mm     | millimeter  | 1 | 1 | mm  | mm millimeter millimeters millimetre millimetres
length       | cm     | centimeter  | 1 | 2 | cm  | cm centimeter centimeters centimetre centimetres
length       | in     | inch        | 1 | 2 | in  | in inch inches
percent      | %      | percent     | 1 | 1 | %   | % pct percent
mg_l         | mg/L   | mg/liter    | 1 | 1 | mg/L | mg/l ppm
mg_l         | g/L    | g/liter     | 1 | 3 | g/L | g/l
mg_l         | ug/L   | ug/liter    | 1 | 0 | µg/L | ug/l
alkalinity   | mg/L   | mg/liter    | 1 | 0 | mg/L | mg/l mg/lcaco₃ ppm ppmcaco₃
alkalinity   | meq/L  | mg/liter    | 50.04345 | 2 | meq/L | meq/l
alkalinity   | mg/L HCO3 | mg/liter | 0.820158 | 0 | mg/L HCO3 | mg/lhco₃
alkalinity   | dH     | mg/liter    | 17.848 | 1 | °dH | dh °dh dkh °dkh
alkalinity   | fH     | mg/liter    | 10 | 1 | °fH | fh
alkalinity   | Clark  | mg/liter    | 14.254 | 1 | °Clark | clark °e
alkalinity   | gpg    | mg/liter    | 17.118 | 1 | gpg | gpg
mmol_l       | mmol/L | mmol/liter  | 1 | 3 | mmol/L | mmol/l
mmol_l       | mol/L  | mol/liter   | 1 | 4 | mol/L | mol/l
mmol_kg      | mmol/kg | mmol/kg    | 1 | 3 | mmol/kg | mmol/kg
conductivity | uS/cm  | microsiemens/cm | 1 | 0 | µS/cm | us/cm
conductivity | mS/cm  | millisiemens/cm | 1 | 3 | mS/cm | ms/cm
conductivity | mS/m   | millisiemens/m  | 1 | 1 | mS/m | ms/m
voltage      | mV     | millivolt   | 1 | 1 | mV  | mv
voltage      | V      | volt        | 1 | 4 | V   | v
angle        | deg    | degree      | 1 | 1 | deg | deg degree degrees
ph           | pH     | ph          | 1 | 2 | pH  | ph
score        | points | score       | 1 | 2 | points | point points pts
number       |        | number      | 1 | 6 |     |
"""
# suffix | kind | name | two things one could type | title where it is not what is shown.
_SUFFIXES = """
temp_c      | temperature  | C       | 16.5 or 62 F
temp_f      | temperature  | F       | 62 or 16.5 C
temp_diff_c | temp_diff    | C       | 2.5 or 4.5 F
temp_diff_f | temp_diff    | F       | 4.5 or 2.5 C
g           | mass         | g       | 250 or 9 oz
kg          | mass         | kg      | 12.5 or 27 lb 9 oz
mg          | mass         | mg      | 120 or 0.12 g
lb          | mass         | lb      | 1 1/2 or 680 g
oz          | mass         | oz      | 9 or 255 g
h           | time         | h       | 48 or 2 days
min         | time         | min     | 90 or 1 h 30 min
s           | time         | s       | 90 or 1 min 30 s
days        | time         | days    | 2 or 48 h
ml          | volume       | mL      | 250 or 0.25 L
l           | volume       | L       | 1.5 or 1500 mL
mm          | length       | mm      | 35 or 3.5 cm
pct         | percent      | %       | 65 or 65 %
mg_l        | mg_l         | mg/L    | 60 or 60 mg/L
mg_l_caco3  | alkalinity   | mg/L    | 150 or 8.4 dH | mg/L as CaCO3
mmol_l      | mmol_l       | mmol/L  | 1.5 or 1.5 mmol/L
mmol_kg     | mmol_kg      | mmol/kg | 1.5 or 1.5 mmol/kg
us_cm       | conductivity | uS/cm   | 450 or 0.45 mS/cm
mv          | voltage      | mV      | -15 or -15 mV
deg         | angle        | deg     | 33.5 or 33.5 deg | °
ph          | ph           | pH      | 5.41 or 5,41
score       | score        | points  | 7 or 7.5 | score
            | number       |         | 3 or 0.5
"""
NO_UNIT = ("ph", "score", "number")
_FRACTIONS = ("mass", "volume", "time", "length", "percent", "number")

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
_GROUPED = re.compile(r"[1-9][0-9]{0,2}([.,])[0-9]{3}(?:\1[0-9]{3})*")
_UNCLEAR = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
_VULGAR = re.compile(r"\s*[\u00bc-\u00be\u2150-\u215e]")
_LOOKALIKES = str.maketrans(
    dict.fromkeys("\u00a0\u2007\u2008\u2009\u200a\u202f\t", " ")
    | {"\u2212": "-", "\u2044": "/", "º": "°", "˚": "°", "℃": "°C", "℉": "°F"}
    | {"µ": "u", "μ": "u", "’": "'"}
)
_NOT_ONE_NUMBER = (
    (re.compile(r"[0-9]{1,4}([./-])[0-9]{1,2}\1(?:[0-9]{2,4})?\Z"), "looks like a date"),
    (
        re.compile(r"(?i)(?:about|approx|around|roughly|ca\b|circa|[~≈<>≤≥±])|.*(?:\?|±|\+/-)"),
        "is not one exact number",
    ),
    (re.compile(r"(?i).*[0-9]\s*(?:-|–|—|\.{2,3}|…|~|to\b|or\b)\s*[0-9]"), "looks like a range"),
)


@dataclass(frozen=True)
class TypedUnit:
    """A unit as people type it: its kind and how pint knows it.

    `factor` turns it into the pint unit first (17.848 for a German degree, else 1).

    Examples
    --------
    >>> BY_SPELLING["mass", "lbs"]
    TypedUnit(kind='mass', name='lb', pint='pound', factor=1.0, decimals=2, shown='lb')
    """

    kind: str
    name: str
    pint: str
    factor: float
    decimals: int
    shown: str


def cells(table: str) -> list[list[str]]:
    """Cut a text table into stripped cells.

    Examples
    --------
    >>> cells("g | mass")
    [['g', 'mass']]
    """
    return [[cell.strip() for cell in line.split("|")] for line in table.splitlines() if line]


BY_SPELLING: dict[tuple[str, str], TypedUnit] = {
    (kind, spelling): TypedUnit(kind, name, pint, float(factor), int(decimals), shown)
    for kind, name, pint, factor, decimals, shown, spellings in cells(_TYPED)
    for spelling in spellings.split() or [""]
}
BY_NAME = {(typed.kind, typed.name): typed for typed in BY_SPELLING.values()}


@dataclass(frozen=True)
class Unit:
    """A unit of our tables: the end of a column name and what stands on an axis.

    Attributes
    ----------
    suffix : str
        Such as "temp_c"; empty for a plain number.
    title : str
        For axis labels and table heads, such as "°C"; empty where there is none.
    typed : TypedUnit
        The same unit as people type it.
    example : str
        Two things one could type, for messages.

    Examples
    --------
    >>> UNITS["mg_l_caco3"].title, UNITS["mg_l_caco3"].kind
    ('mg/L as CaCO3', 'alkalinity')
    """

    suffix: str
    title: str
    typed: TypedUnit
    example: str

    @property
    def kind(self) -> str:
        """Give the kind of quantity, a key of `KINDS`."""
        return self.typed.kind


UNITS: dict[str, Unit] = {
    suffix: Unit(suffix, (title or [BY_NAME[kind, name].shown])[0], BY_NAME[kind, name], example)
    for suffix, kind, name, example, *title in cells(_SUFFIXES)
}


class UnreadableError(Exception):
    """Why a text is no quantity, and the advice that fits better than the usual one.

    Examples
    --------
    >>> read_parts("4-5", "mass", where="flour")
    Traceback (most recent call last):
    ...
    doughlab.typed.UnreadableError: looks like a range
    """

    def __init__(self, why: str, *, advice: str = "", hint: str = "") -> None:
        super().__init__(why)
        self.advice, self.hint = advice, hint


Parts = list[tuple[float, TypedUnit | None]]


def read_parts(text: str, kind: str, *, where: str) -> list[Parts]:
    """Read numbers with their units; two readings where a comma is unclear.

    Parameters
    ----------
    text : str
        Such as "2 lb 3 oz".
    kind : str
        Wanted kind, a key of `KINDS`; a unit of another kind is refused.
    where : str
        Column and text, for the message about a unit that is not known.

    Returns
    -------
    list of list of (float, TypedUnit or None)
        One reading, or two: the comma as decimal mark, then as thousands mark. None stands for
        a number typed without unit.

    Raises
    ------
    UnreadableError
        When the text is not one quantity of that kind.
    UnknownName
        When a unit is not known.

    Examples
    --------
    >>> [[(number, unit.name) for number, unit in reading]
    ...  for reading in read_parts("2 lb 3 oz", "mass", where="flour")]
    [[(2.0, 'lb'), (3.0, 'oz')]]
    >>> [reading[0][0] for reading in read_parts("1,234", "mass", where="flour")]
    [1.234, 1234.0]
    """
    if _PLAIN.match(text):
        return [[(finite(float(text)), None)]]
    sign, matches = _split(text)
    typed = [_look_up(match["unit"], kind, where=where) for match in matches]
    unclear = any(_UNCLEAR.fullmatch(match["number"]) for match in matches)
    return [
        [
            (finite(sign * _number(match, kind, mark)), unit)
            for match, unit in zip(matches, typed, strict=True)
        ]
        for mark in ((".", "") if unclear else (".",))
    ]


def finite(value: float) -> float:
    """Refuse what is not a finite number; turn -0 into 0.

    Examples
    --------
    >>> finite(-0.0)
    0.0
    """
    if not math.isfinite(value):
        raise UnreadableError("is not a finite number")
    return value + 0.0


def first_unit(text: str) -> TypedUnit | None:
    """Find the first unit in a text, of whatever kind.

    Examples
    --------
    >>> first_unit("2 lb 3 oz").name
    'lb'
    """
    key = spelling_key(_split(text)[1][0]["unit"])
    return next((BY_SPELLING[k, key] for k in KINDS if key and (k, key) in BY_SPELLING), None)


def _split(text: str) -> tuple[int, list[re.Match[str]]]:
    """Find sign, numbers and unit names; refuse what is not one quantity."""
    text = text.strip()
    if not text:
        raise UnreadableError("is empty")
    if len(text) > 60:
        raise UnreadableError("is too long for one number with its unit")
    tidy = _VULGAR.sub(_spell_fraction, text).translate(_LOOKALIKES).strip()
    tidy = re.sub(r"(?i)\Aph ?([-+]?[0-9.,]+)\Z", r"\1 ph", tidy)
    for pattern, why in _NOT_ONE_NUMBER:
        if pattern.match(tidy):
            raise UnreadableError(why)
    sign = -1 if tidy[0] in "-–" else 1
    rest = re.sub(r"\s+", " ", tidy[1:] if tidy[0] in "-–+" else tidy)
    rest = re.sub(r"(?i)((?:ca|h)co)3-?", r"\1₃", rest)
    rest = re.sub(r"(?<=[^\W\d]|[.])(?:,| and) (?=[0-9])", " ", rest)
    parts: list[re.Match[str]] = []
    place = 0
    while place < len(rest) or not parts:
        part = None if rest.startswith(" ") else _PART.match(rest, place)
        if part is None:
            raise UnreadableError("cannot be read as a number")
        parts.append(part)
        place = part.end()
    if len(parts) > 1 and (sign < 0 or not all(part["unit"] for part in parts)):
        raise UnreadableError("holds more than one number, or a number without its unit")
    return sign, parts


def _spell_fraction(match: re.Match[str]) -> str:
    """Write ½ as 1/2, apart from a whole number before it."""
    fraction = unicodedata.normalize("NFKC", match[0].strip())
    before = match.string[: match.start()][-1:]
    return f" {fraction}" if before.isdigit() or match[0][0].isspace() else fraction


def spelling_key(spelled: str) -> str:
    """Bring a typed unit name into the form of the table.

    Examples
    --------
    >>> spelling_key("mg/L as CaCO₃"), spelling_key("Hrs."), spelling_key("deg F")
    ('mg/lcaco₃', 'hrs', 'f')
    """
    key = spelled.replace(" ", "").replace("µ", "u").replace("3", "₃").rstrip(".").casefold()
    key = key.replace("asca", "ca").replace("ashco", "hco")
    return re.sub(r"\A(?:°|deg(?:rees?)?)(?=[cf])", "", key)


def _look_up(spelled: str, kind: str, *, where: str) -> TypedUnit | None:
    """Find the unit that was typed, within the wanted kind."""
    key = spelling_key(spelled)
    if not key or (kind in ("temperature", "temp_diff") and key in ("°", "deg", "degrees")):
        return None
    found = BY_SPELLING.get((kind, key))
    if found is not None:
        return found
    for other_kind, a_kind in KINDS.items():
        other = BY_SPELLING.get((other_kind, key))
        if other is not None:
            in_unit = "" if other_kind in NO_UNIT else f" in {other.shown}"
            weigh = " Weigh it." if (other_kind, kind) == ("volume", "mass") else ""
            raise UnreadableError(f"is {a_kind}{in_unit}", hint=weigh)
    names = [name for k, name in BY_NAME if k == kind and name]
    if not names:
        raise UnreadableError(f"ends in '{spelled.strip()}'")
    raise UnknownName("unit", spelled.strip(), names, where=where)


def _number(part: re.Match[str], kind: str, mark: str) -> float:
    """Read one number; `mark` stands for an unclear comma, "." or nothing."""
    token = part["number"]
    if part["clock"]:
        typed = BY_SPELLING.get(("time", spelling_key(part["unit"])))
        if typed is None or typed.name not in ("h", "min"):
            hours, minutes = token.split(":")[:2]
            why, advice = "looks like a time of day", f"Type {hours} h {minutes} min."
            raise UnreadableError(why, advice=advice if kind == "time" else "")
        return sum(int(digits) / 60**i for i, digits in enumerate(token.split(":")))
    if part["bottom"]:
        top, bottom = int(part["top"]), int(part["bottom"])
        if kind not in _FRACTIONS or not 0 < top < bottom:
            raise UnreadableError("cannot be read as a fraction here")
        return int(part["whole"] or 0) + top / bottom
    if part["exp"]:
        return float(token)
    if part["spaced"]:
        return float(re.sub("[ ']", "", token).replace(",", "."))
    if _UNCLEAR.fullmatch(token):
        return float(token.replace(",", mark))
    last = max(token.rfind("."), token.rfind(","))
    head, tail = (token[:last], token[last + 1 :]) if last >= 0 else (token, "")
    if last >= 0 and token[last] in head:  # 1.904.700: the same mark twice can only group
        head, tail = token, ""
    if head and not head.isdecimal() and not _GROUPED.fullmatch(head):
        raise UnreadableError("has points or commas that do not fit one number")
    return float(f"{re.sub('[.,]', '', head) or 0}.{tail or 0}")


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
