"""Answers: what a cook says about a trial to come, understood piece by piece.

`doughlab new` asks and calls one reader for each question.
"Don't know" is always an answer; what is taken then is for `new` to say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from doughlab.errors import InputError
from doughlab.sections import WEEKDAYS, Factor, read_levels
from doughlab.slips import read_clock
from doughlab.tables import WATER_KINDS
from doughlab.units import parse_quantity, typed_unit

_UNKNOWN = {
    "", "?", "-", "idk", "no idea", "dont know", "i dont know", "do not know", "i do not know",
    "not sure", "im not sure", "dunno", "i dunno", "no clue", "unknown", "not known",
}  # fmt: skip
_NOTHING = {"no", "none", "nothing", "nothing else", "nope"}
_NUMBER = r"[0-9]+(?:[.,][0-9]+)?"
_COMMA = r"(?:,(?![0-9])|(?<![0-9]),)"  # one between two digits may be a decimal comma
_JOIN = rf"(?:{_COMMA}|;|/|\bor\b|\band\b|\bto\b|\bversus\b|\bvs\b)"
_OR = re.compile(rf"\s*{_JOIN}(?:\s*{_JOIN})*\s*", re.IGNORECASE)
_ABOUT = re.compile(
    r"\b(?:about|around|roughly|approx\.?|approximately|maybe)\s+|~\s*", re.IGNORECASE
)
_TIME = r"([0-9]{1,2}(?:[:.][0-9]{2})?\s*(?:[ap]\.?m\.?)?)"
_COUNTS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
           "twelve")  # fmt: skip
_COUNTED = re.compile(rf"\b(?:{'|'.join(_COUNTS)})\b", re.IGNORECASE)
_DOZEN = re.compile(r"\b(?:([0-9]+)|a)?\s*dozens?\b", re.IGNORECASE)
_MASS = re.compile(
    rf"\b((?:{_NUMBER}|[0-9]+ [0-9]/[0-9])\s*(?:(?:pounds?|lbs?)\s+{_NUMBER}\s*(?:ounces?|oz)|"
    r"grams?|g|kg|ounces?|oz|pounds?|lbs?))\b",
    re.IGNORECASE,
)

_WATER = re.compile(
    rf"({_NUMBER})\s*(?:%|percent|pct)\s*(?:water|hydration)|"
    rf"(?:water|hydration)\s*(?:of\s*)?({_NUMBER})\s*(?:%|percent|pct)?",
    re.IGNORECASE,
)
_STEPS = {"hundredths": 0.01, "hundredth": 0.01, "tenths": 0.1, "tenth": 0.1}
_NUMERAL = re.compile(rf"[-+]?[0-9]|\b(?:{'|'.join(_COUNTS)})\b", re.IGNORECASE)

# What a cook calls it: (factor name, set, unit, title). A unit makes it a number.
_KNOWN: dict[str, tuple[str, str, str, str]] = {
    "mixing water": ("water_temp_c", "batch", "temp_c", "mixing water"),
    "water temperature": ("water_temp_c", "batch", "temp_c", "mixing water"),
    "water temp": ("water_temp_c", "batch", "temp_c", "mixing water"),
    "hydration": ("hydration", "batch", "pct", "hydration"),
    "salt": ("salt", "batch", "pct", "salt"),
    "yeast": ("yeast", "batch", "pct", "yeast"),
    "oil": ("oil", "batch", "pct", "oil"),
    "malt": ("malt", "batch", "pct", "malt"),
    "ball": ("ball_g", "batch", "g", "ball"),
    "ball mass": ("ball_g", "batch", "g", "ball"),
    "ball weight": ("ball_g", "batch", "g", "ball"),
    "hold": ("hold", "ball", "h", "hold"),
    "hold time": ("hold", "ball", "h", "hold"),
}


def is_unknown(answer: str) -> bool:
    """Tell whether an answer means "don't know".

    Examples
    --------
    >>> is_unknown("Don't know"), is_unknown(" ? "), is_unknown("tap")
    (True, True, False)
    """
    return answer.strip().casefold().replace("'", "").replace("’", "").rstrip(".!") in _UNKNOWN


@dataclass(frozen=True)
class DoughAnswer:
    """The dough: its name, grams of a ball, balls of a batch."""

    name: str = "house dough"
    ball_g: float = 260.0
    balls: int = 0
    ball: str = ""  # as typed, where another unit than grams was said
    hydration: float = 0.0  # percent of the flour; 0 where nobody said it

    def __str__(self) -> str:
        """Say it again."""
        number = f", {self.balls} a batch" if self.balls else ""
        water = f", {self.hydration:g} % water" if self.hydration else ""
        return f"{self.name}, balls of {self.ball or f'{self.ball_g:g} g'}{number}{water}"


def read_dough(answer: str) -> DoughAnswer:
    """Understand "house dough, 260 g balls, 18 a batch".

    Examples
    --------
    >>> read_dough("house dough, 260 g balls, 18 a batch").balls
    18
    >>> read_dough("city dough, about 9 oz balls, two dozen a batch").ball
    '9 oz'
    """
    found: dict[str, Any] = {}
    for typed in _pieces(answer):
        piece = _ABOUT.sub("", typed if "name" not in found else _numerals(typed))
        water = _WATER.fullmatch(piece.strip())
        if water:
            found["hydration"] = parse_quantity(
                water[1] or water[2], "pct", what="hydration", low=40, high=120
            )
            continue
        mass = None if "ball_g" in found else _MASS.search(piece)
        if mass:
            found["ball_g"] = parse_quantity(mass[1], "g", what="ball", low=20, high=5000)
            found["ball"] = "" if re.search(r"[0-9]\s*k?g", mass[1]) else mass[1]
            words = [
                piece[: mass.start()],
                re.sub(r"^\s*(?:each|balls?)\b", "", piece[mass.end() :]),
            ]
        else:
            words = [piece]
        for word in filter(None, (w.strip() for w in words)):
            _note_dough(word, typed, found)
    return DoughAnswer(**found)


def _note_dough(words: str, typed: str, found: dict[str, Any]) -> None:
    """Note the count or the name of a dough; refuse what is neither."""
    before = re.fullmatch(r"(.*?)\s*\b([0-9]+) balls? (?:of|at)", _numerals(words))
    if before and "balls" not in found:  # "city dough 24 balls of 9 oz"
        words, found["balls"] = before[1], int(before[2])
        if not words:
            return
    count = re.fullmatch(
        r"([0-9]+)\s*(?:balls?|pieces)?\s*(?:(?:a|per|in a|to a|each|/)\s*(?:batch|mix))?",
        _numerals(words), re.IGNORECASE,
    )  # fmt: skip
    if count and "balls" not in found and 1 <= int(count[1]) <= 2000:
        found["balls"] = int(count[1])
    elif "name" not in found and not re.match(r"[0-9]", words):
        found["name"] = words
    else:
        raise InputError(
            f"'{typed}' was not understood. Say it like: house dough, 260 g balls, 18 a batch"
        )


def _numerals(text: str) -> str:
    """Write counts in digits: "two dozen" is 24."""
    text = _COUNTED.sub(lambda m: str(_COUNTS.index(m[0].casefold()) + 1), text)
    return _DOZEN.sub(lambda m: str(12 * int(m[1] or 1)), text)


def _pieces(answer: str) -> list[str]:
    return [p.strip() for p in re.split(rf";|{_COMMA}", answer) if p.strip()]


_WATER_WORDS = {
    "ro": "reverse osmosis", "osmosis": "reverse osmosis", "mineral": "bottled",
    "spring": "bottled", "bottle": "bottled", "bottles": "bottled", "jug": "bottled",
    "jugs": "bottled", "filter": "filtered", "soft": "softened",
    "softener": "softened", "faucet": "tap",
}  # fmt: skip


def read_waters(answer: str) -> dict[str, str]:
    """Understand "tap, reverse osmosis, bottled": water id to kind, empty where not said.

    Examples
    --------
    >>> read_waters("tap, RO, spring bottled")
    {'tap': 'tap', 'RO': 'reverse osmosis', 'spring bottled': 'bottled'}
    """
    waters: dict[str, str] = {}
    for piece in filter(None, _OR.split(answer.strip())):
        name = " ".join(piece.split())
        if not re.fullmatch(r"[\w .:+-]{1,40}", name):
            raise InputError(f"'{piece}' is not a name for a water. Say it like: tap, bottled")
        words = name.casefold()
        twice = re.fullmatch(r"(.+) \1", words)
        if twice or words in {w.casefold() for w in waters}:
            raise InputError(
                f"water '{name}' was named twice. Name each once, with commas between: tap, bottled"
            )
        kinds = [k for k in WATER_KINDS if k in words]
        kinds += [kind for word, kind in _WATER_WORDS.items() if word in words.split()]
        plain = re.sub(r" water\Z", "", name, flags=re.IGNORECASE)
        waters[plain] = kinds[0] if kinds else ""
    if not waters:
        raise InputError(f"'{answer}' names no water. Say it like: tap, bottled")
    return waters


def read_factors(answer: str) -> list[Factor]:
    """Understand "mixing water 54 to 64 F; hydration 60 or 65 %; hold 24, 48, 72 h".

    Pieces are set apart by semicolons, or by a comma before the name of the next one. A name that
    is not known, with words instead of numbers, becomes a category of your own ("flour strong or
    soft"). "Nothing" gives an empty list.

    Examples
    --------
    >>> [(f.name, f.levels) for f in read_factors("mixing water 54 to 64 F; hold 24, 48 h")]
    [('water_temp_c', ('54 F', '64 F')), ('hold', ('24', '48'))]
    """
    factors: list[Factor] = []
    if answer.strip().casefold().rstrip(".!") in _NOTHING:
        return factors
    for piece in _part_factors(answer):
        factor = _read_factor(piece)
        if factor.name in {f.name for f in factors}:
            raise InputError(f"'{factor.words}' was named twice.")
        factors.append(factor)
    return factors


def _part_factors(answer: str) -> list[str]:
    """Part what is varied: at semicolons, and where a name follows the levels of another."""
    out: list[str] = []
    names = "|".join(map(re.escape, sorted(_KNOWN, key=len, reverse=True)))
    for piece in answer.split(";"):
        begun = False
        for part in re.split(rf"\s*(?:{_COMMA}|\band\b|\+)\s*", piece):
            words = part.strip()
            named = re.match(rf"(?:the\s+)?(?:{names})\b", words, re.IGNORECASE)
            fresh = not _NUMERAL.match(words) and begun and _NUMERAL.search(out[-1])
            if begun and not named and not fresh:
                out[-1] += f", {words}" if words else ""
            elif words:
                out.append(re.sub(r"\Athe\s+", "", words))
                begun = True
    return [_numerals(p) if _NUMERAL.search(p) else p for p in out]


def _read_factor(piece: str) -> Factor:
    found = re.match(r"([^\W\d_][^\d]*?)\s*[:=]?\s+(?=[-+]?[0-9])", piece)
    words = " ".join(found[1].casefold().split()) if found else ""
    if found and words in _KNOWN:
        name, set_, unit, title = _KNOWN[words]
        levels = _levels(piece[found.end() :], unit, title)
        values = read_levels(title, levels, "number", unit)
        return Factor(name, set_, "number", levels, unit, title, values)
    if found:
        names = ", ".join(dict.fromkeys(t for *_, t in _KNOWN.values()))
        raise InputError(
            f"'{piece}': '{found[1]}' is not known as a number. Known: {names}. A choice of your "
            "own has words: flour strong or soft"
        )
    return _read_choice(piece)


def _read_choice(piece: str) -> Factor:
    name, _, rest = piece.partition(":") if ":" in piece else piece.partition(" ")
    levels = tuple(w for w in _OR.split(rest.strip()) if w)
    key = re.sub(r"[^a-z0-9]+", "_", name.strip().casefold()).strip("_")
    if len(levels) < 2 or not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", key):
        raise InputError(
            f"'{piece}' was not understood. Say it like: hydration 60 or 65 %; hold 24, 48 h"
        )
    read_levels(name, levels, "category", "")
    return Factor(key, "batch", "category", levels, "", name.strip())


def _spaced(text: str, unit: str) -> str:
    """Set commas into "55F 65F", "24h 48h" and "24,48,72 h"; "2 lb 3 oz" is one quantity."""
    if re.fullmatch(r"[0-9]+(?:,[0-9]+){2,}\D*", text):
        return text.replace(",", ", ")
    found = re.findall(rf"({_NUMBER})\s*([^\s\d,;]*)(?:\s+|$)", text)
    units = {typed for _, typed in found}
    alone = len(units - {""}) <= 1 and unit in {"temp_c", "pct", "h"}
    if alone and len(found) > 1 and re.fullmatch(rf"(?:{_NUMBER}\s*[^\s\d,;]*\s*)+", text):
        return ", ".join(f"{n} {u}".strip() for n, u in found)
    return text


def _levels(text: str, unit: str, title: str) -> tuple[str, ...]:
    """Part the levels; a unit at the end belongs to all that have none."""
    span = re.match(rf"\s*({_NUMBER})\s*[-–]\s*({_NUMBER})\s*(.*)$", text)
    if span:
        raise InputError(
            f"{title} '{text.strip()}' looks like a range. Name the settings to compare: "
            f"{title} {span[1]}, {span[2]} {span[3]}".rstrip()
        )
    parts = [p for p in _OR.split(_spaced(text.strip(), unit)) if p]
    last = typed_unit(parts[-1]) if parts else ""
    out = []
    for part in parts:
        own = typed_unit(part)
        one = last.rstrip("s") if part.strip() == "1" and last in {"days", "hours"} else last
        typed = part if own or not last else f"{part} {one}"
        plain = re.fullmatch(rf"({_NUMBER})\s*(.*)", typed)
        value = parse_quantity(typed, unit, what=title)
        same = plain and abs(float(plain[1].replace(",", ".")) - value) < 1e-9
        spaced = re.sub(r"([0-9])([a-zA-Z°])", r"\1 \2", typed)
        out.append(plain[1].replace(",", ".") if plain and same else spaced)
    return tuple(out)


def read_window(answer: str) -> tuple[float, float]:
    """Understand "5.35 to 5.75".

    Examples
    --------
    >>> read_window("pH 5.35 to 5.75"), read_window("5,8 down to 5,4")
    ((5.35, 5.75), (5.4, 5.8))
    """
    numbers = [n.replace(",", ".") for n in re.findall(_NUMBER, answer)]
    if len(numbers) == 1:
        raise InputError(f"{numbers[0]} is one end only. Say both ends: 5.35 to 5.75")
    if len(numbers) != 2:
        raise InputError(f"'{answer.strip()}' was not understood. Say it like: 5.35 to 5.75")
    low, high = sorted(parse_quantity(n, "ph", what="pH", low=2.5, high=9) for n in numbers)
    if low == high:
        raise InputError(f"Both ends are {low:g}. Say it like: 5.35 to 5.75")
    return low, high


@dataclass(frozen=True)
class Margins:
    """The smallest differences that matter."""

    ph: float = 0.1
    score: float = 1.0

    def __str__(self) -> str:
        """Say it again."""
        return f"a difference to notice: pH {self.ph:g}, score {self.score:g}"


def read_margins(answer: str) -> Margins:
    """Understand "pH 0.10, score 1".

    Examples
    --------
    >>> read_margins("pH 0,05, score 1 of 10")
    Margins(ph=0.05, score=1.0)
    """
    found: dict[str, float] = {}
    for piece in _pieces(_fractions(answer)):
        match = re.fullmatch(
            rf"(ph|score|points?)?\s*({_NUMBER})\s*(?:(?:(ph|score|points?)\s*)?(?:of [0-9]+)?)",
            piece,
            re.IGNORECASE,
        )
        if match and match[1] and match[3] and match[1].casefold() != match[3].casefold():
            match = None
        key = "ph" if match and (match[1] or match[3] or "ph").casefold() == "ph" else "score"
        if match is None or key in found:
            raise InputError(f"'{piece}' was not understood. Say it like: pH 0.10, score 1")
        found[key] = float(match[2].replace(",", "."))
        limit = 3.0 if key == "ph" else 10.0
        if not 0 < found[key] <= limit:
            raise InputError(
                f"A difference of {found[key]:g} in {key} is not between 0 and {limit:g}."
            )
    return Margins(**found)


def _fractions(text: str) -> str:
    """Write "half a point" and "1/10" as decimals."""
    text = re.sub(r"\bhalf(?: an?)?\b", "0.5", _numerals(text), flags=re.IGNORECASE)
    return re.sub(r"\b([0-9]+)/([1-9][0-9]*)\b", lambda m: f"{int(m[1]) / int(m[2]):.4g}", text)


@dataclass(frozen=True)
class KitchenAnswer:
    """Mixers, cooler places, oven slots an hour, opening hours, closed days."""

    mixers: int = 1
    cooler_places: int = 120
    oven_slots_per_h: int = 12
    open_at: str = "09:00"
    close_at: str = "21:00"
    closed: tuple[str, ...] = ()
    said: frozenset[str] = field(default=frozenset())

    def __str__(self) -> str:
        """Say it again."""
        closed = f", closed {', '.join(self.closed)}" if self.closed else ""
        mixers = f"{self.mixers} mixer{'s' if self.mixers > 1 else ''}"
        return (
            f"{mixers}, {self.cooler_places} cooler places, {self.oven_slots_per_h} bakes an "
            f"hour, open {self.open_at} to {self.close_at}{closed}"
        )


_MIXER = r"^([0-9]+)\s*(?:spirals?|planetar(?:y|ies)|forks?)$"


def _unclear_kitchen(piece: str) -> str:
    """Say what a piece of the kitchen would have to say."""
    if re.search(r"at (?:a time|once)", piece, re.IGNORECASE):
        return (
            f"'{piece}': how many bakes is that in an hour, loading included? Say it like: 12 an "
            "hour"
        )
    if re.search(r"\b(?:tubs?|trays?|box(?:es)?|bins?|shel(?:f|ves))\b", piece, re.IGNORECASE):
        return f"'{piece}': how many balls fit the cooler in all? Say it like: 120 places"
    return (
        f"'{piece}' was not understood. Say it like: 1 mixer, 120 places, 6 an hour, "
        "9-21, closed Mondays"
    )


def read_kitchen(answer: str) -> KitchenAnswer:
    """Understand "1, 120, 6 an hour, 9-21, closed Mondays".

    Examples
    --------
    >>> kitchen = read_kitchen("1, 120, 6 an hour, 9-21, closed Mondays")
    >>> kitchen.cooler_places, kitchen.oven_slots_per_h, kitchen.close_at, kitchen.closed
    (120, 6, '21:00', ('Mon',))
    """
    found: dict[str, Any] = {}
    for piece in _pieces(re.sub(r"\s+(?=closed\b)", ", ", answer, flags=re.IGNORECASE)):
        place, words = _place(_digits(piece.casefold()))
        hours = re.fullmatch(rf"(?:open\s*)?(?:from\s*)?{_TIME}\s*(?:-|–|to)\s*{_TIME}", words)
        slots = re.fullmatch(
            r"([0-9]+)\s*(?:oven slots?|bakes?|balls?|pizzas?|loaves)?\s*"
            r"(?:an|per|/|a)\s*h(?:our)?", words
        )  # fmt: skip
        plain = re.fullmatch(
            r"([0-9]+)\s*(?:(?:spiral|planetary|stand|fork|big|small|dough)\s+)?"
            r"(mixers?|(?:cooler )?(?:places?|balls?))?", re.sub(_MIXER, r"\1 mixer", words)
        )  # fmt: skip
        if hours:
            _check_halves(hours[1], hours[2])
            found["open_at"], found["close_at"] = (_hour(hours[k], piece) for k in (1, 2))
        elif slots and place != "cooler":
            found["oven_slots_per_h"] = int(slots[1])
        elif words.startswith("closed"):
            found["closed"] = _closed_days(words.removeprefix("closed"), piece)
        elif plain and place != "oven":
            named = (plain[2] or "").startswith("mixer") or (
                not plain[2] and not place and "mixers" not in found
            )
            found["mixers" if named else "cooler_places"] = int(plain[1])
        else:
            raise InputError(_unclear_kitchen(piece))
    kitchen = KitchenAnswer(**found, said=frozenset(found))
    if kitchen.open_at >= kitchen.close_at:
        raise InputError(_explain_hours(kitchen.open_at, kitchen.close_at))
    limits = {"mixers": 20, "cooler_places": 5000, "oven_slots_per_h": 600}
    for name, most in limits.items():
        if not 1 <= getattr(kitchen, name) <= most:
            raise InputError(
                f"{name.replace('_', ' ')}: {getattr(kitchen, name)} is not 1 to {most}."
            )
    return kitchen


def _check_halves(first: str, second: str) -> None:
    """Refuse "6-9pm": six in the morning or in the evening? "11-10pm" can only be the morning."""
    opens, evening, closes = (read_clock(t) for t in (first, f"{first}pm", second))
    bare = re.fullmatch(r"(?!12)[0-9]{1,2}(?:[:.][0-9]{2})?", first.strip())  # 12 is noon
    if bare and "p" in second and evening and closes and opens and evening < closes:
        raise InputError(
            f"{first.strip()} may be the morning or the evening. Write {first.strip()}am or "
            f"{first.strip()}pm, as {first.strip()}pm-{second.strip()}"
        )


def _explain_hours(opens: str, closes: str) -> str:
    """Say what hours were meant that end before they begin."""
    evening = f"{int(closes[:2]) + 12:02d}:{closes[3:]}"
    if closes == "00:00" or not opens < evening < "24":
        meant = f"For a kitchen open past midnight write the end of the day: {opens} to 23:59"
    else:
        meant = f"If the evening is meant: {opens} to {evening}"
    return f"{closes} does not lie after {opens}. {meant}"


def _place(words: str) -> tuple[str, str]:
    """Take "oven" or "cooler" off a piece: "oven 8 an hour", "120 balls in the cooler"."""
    found = re.fullmatch(
        r"(?:(?P<first>oven|cooler)(?:\s*:)?\s+)?(?P<words>.*?)"
        r"(?:\s+in\s+the\s+(?P<last>oven|cooler))?", words
    )  # fmt: skip
    if found is None:
        return "", words
    bare = re.sub(r"\A(?:bakes|holds|takes|has)\s+", "", found["words"])
    rest = bare if found["first"] else found["words"]
    return found["first"] or found["last"] or "", _digits(rest)


def _digits(words: str) -> str:
    """Write a count that stands first in digits: "one mixer" is "1 mixer"."""
    first, _, rest = words.partition(" ")
    return f"{_COUNTS.index(first) + 1} {rest}" if first in _COUNTS else words


def _hour(typed: str, piece: str) -> str:
    time = read_clock(typed)
    if time is None:
        raise InputError(f"'{piece}' is no time of the day. Say it like: 9-21")
    return time


def _closed_days(words: str, piece: str) -> tuple[str, ...]:
    days = [w[:3].capitalize() for w in re.findall(r"[a-z]+", words) if w not in {"on", "and"}]
    if not days or not set(days) <= set(WEEKDAYS):
        raise InputError(f"'{piece}' was not understood. Say it like: closed Mondays and Tuesdays")
    if len(set(days)) == len(WEEKDAYS):
        raise InputError("A kitchen that is closed on all seven days cannot run a trial.")
    return tuple(dict.fromkeys(days))


@dataclass(frozen=True)
class MeterAnswer:
    """How pH is read: by a meter or by strips, in which steps, with which buffers."""

    kind: str = "slurry"
    resolution: float = 0.01
    buffers: str = ""

    def __str__(self) -> str:
        """Say it again."""
        what = "strips read" if self.kind == "strip" else "the meter reads"
        buffers = f", buffers {self.buffers}" if self.buffers else ""
        return f"{what} in steps of {self.resolution:g}{buffers}"


def read_meter(answer: str) -> MeterAnswer:
    """Understand "yes, reads 0.01; buffers 4 and 7", "strips" or "no".

    Examples
    --------
    >>> read_meter("yes, reads 0.01; buffers 4 and 7")
    MeterAnswer(kind='slurry', resolution=0.01, buffers='4 and 7')
    """
    kind, resolution, buffers = "slurry", 0.01, ""
    for piece in _pieces(answer):
        words = piece.casefold()
        reads = re.search(rf"\b({_NUMBER})(?:\s*(?:ph|steps?))?$", words)
        if "strip" in words or words in {"no", "none", "no meter"}:
            kind, resolution = "strip", 0.5
        elif found := re.search(r"\bbuffers?\b:?\s*(.*)", piece, re.IGNORECASE):
            buffers = found[1]
        elif "direct" in words or "spear" in words:
            kind = "direct"
        elif (step := words.removeprefix("reads ").removeprefix("in ")) in _STEPS:
            resolution = _STEPS[step]
        elif reads:
            resolution = parse_quantity(reads[1], "ph", what="step", low=0.001, high=1)
        elif words not in {"yes", "y", "a meter", "meter", "ph meter", "a ph meter", "ph pen"}:
            raise InputError(
                f"'{piece}' was not understood. Say it like: yes, reads 0.01; buffers 4 and 7"
            )
    return MeterAnswer(kind, resolution, buffers)
