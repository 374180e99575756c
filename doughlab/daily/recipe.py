"""The settled recipe: what a trial recommended, written down once with its evidence.

`doughlab daily --settle` writes it into daily/settled.toml; every chart, list and advice of the
room starts from the file, so nothing moves until somebody settles anew on purpose. How settings
are chosen stands in the decision room.
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from doughlab.errors import InputError

FILE = "daily/settled.toml"
FORMAT = 1
EXPIRES_WHEN = (
    "the water supplier gives notice of a change",
    "another cooler, mixer or pH meter is used",
    "another flour lot than those tried is opened",
    "the room leaves the temperatures that were tried",
)
HEAD = """\
# The settled recipe: written by `doughlab daily --settle`, read every day.
# It speaks about the dough only. Local code and licensed professionals decide about food safety.
# Settle anew on purpose with --settle --reason; the earlier file is kept beside this one.
"""


@dataclass(frozen=True)
class Lever:
    """How far a setting moves the pH at the checkpoint, as the trial found it.

    Attributes
    ----------
    name, words, unit : str
    slope, low, high : float
        pH for one unit more, with its 95 % range.
    first, last : float
        What was tried, between which the slope holds.
    now : float
        Where the recipe stands.
    """

    name: str
    words: str
    unit: str
    slope: float
    low: float
    high: float
    first: float
    last: float
    now: float

    @property
    def shown(self) -> bool:
        """Whether its 95 % range leaves zero out."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class OtherWater:
    """How far another tried water lies from the settled one, pH with its 95 % range."""

    name: str
    shift: float
    low: float
    high: float


@dataclass(frozen=True)
class Usual:
    """What was usual in the trial; degrees Celsius and hours.

    Attributes
    ----------
    room_low_c, room_high_c : float
        Rooms of the mixes: what was tried.
    room_c, cooler_c, dough_c : float
    before_h : float
        From first wetting to the cooler, which counts as warm time.
    bench_h, warm_h : float
        From balling to the cooler, and out of it before use.
    """

    room_low_c: float
    room_high_c: float
    room_c: float
    cooler_c: float
    dough_c: float
    before_h: float
    bench_h: float
    warm_h: float


@dataclass(frozen=True)
class Tried:
    """What was in use while the trial ran; what is not known stays empty.

    Attributes
    ----------
    first_day, last_day : str
        Dates of the first and last mix.
    cooler_low_c, cooler_high_c : float
        Coldest and warmest that a cooler was recorded; both the usual one where none was.
    mixers, meters : tuple of str
    water : str
        The settled one, as in waters.csv.
    water_facts : str
        Its report in words: sampled when, pH, alkalinity.
    """

    first_day: str = ""
    last_day: str = ""
    cooler_low_c: float = 0.0
    cooler_high_c: float = 0.0
    mixers: tuple[str, ...] = ()
    meters: tuple[str, ...] = ()
    water: str = ""
    water_facts: str = ""


@dataclass(frozen=True)
class Evidence:
    """Another trial that the recipe stands on.

    Attributes
    ----------
    trial, plan, data : str
        Name, checksum of its plan and of its records.
    words : str
        Its size, and what it answered.
    """

    trial: str
    plan: str
    data: str
    words: str


@dataclass(frozen=True)
class Recipe:
    """A settled recipe.

    Attributes
    ----------
    dough, trial, source : str
    settled_at : str
        Date.
    settled_by, reason, version, plan, data : str
        Who, why anew, software version, checksums of plan and records.
    evidence : str
        What it stands on, in words.
    expires_on : str
        Date, or empty.
    expires_when : tuple of str
    setting, words : dict of str to str
        Level text of every factor, and how a cook reads it.
    low, high : float
        The window, pH.
    hold_h : float
        The checkpoint, hours.
    expected, expected_low, expected_high : float
        Mean pH there, with its 95 % range.
    single_low, single_high : float
        95 % range of one ball of one new lot there.
    lot_sd, ball_sd, df : float
        Spread between lots (days included) and between balls of a lot; degrees of freedom.
    holds_h, curve : tuple of float
        Hours from the shortest to the longest tried hold, and the mean pH at each: every tried
        hold, and the curve between them as `decide` takes it.
    flour_lots : tuple of str
        Tried.
    levers : tuple of Lever
    waters : tuple of OtherWater
    usual : Usual
    tried : Tried or None
        None in files of earlier versions.
    also : tuple of Evidence
        Other trials that it stands on.
    since : str
        Date since when its setting is in force; empty where it always was.
    format : int
        Of the file; always 1 here.

    Examples
    --------
    >>> recipe = example_recipe()
    >>> recipe.hold_h, recipe.expected, round(recipe.single_sd, 3)
    (48.0, 5.56, 0.058)
    >>> recipe.slope_h, recipe.hours_at(5.56), recipe.expired(date(2026, 4, 1))
    (-0.00875, 48.0, '')
    """

    dough: str
    trial: str
    source: str
    settled_at: str
    settled_by: str
    reason: str
    version: str
    plan: str
    data: str
    evidence: str
    expires_on: str
    expires_when: tuple[str, ...]
    setting: dict[str, str]
    words: dict[str, str]
    low: float
    high: float
    hold_h: float
    expected: float
    expected_low: float
    expected_high: float
    single_low: float
    single_high: float
    lot_sd: float
    ball_sd: float
    df: float
    holds_h: tuple[float, ...]
    curve: tuple[float, ...]
    usual: Usual
    flour_lots: tuple[str, ...] = ()
    levers: tuple[Lever, ...] = ()
    waters: tuple[OtherWater, ...] = ()
    tried: Tried | None = None
    also: tuple[Evidence, ...] = ()
    since: str = ""
    format: int = field(default=FORMAT)

    @property
    def single_sd(self) -> float:
        """Standard deviation of one ball of one new lot about the mean."""
        return float((self.lot_sd**2 + self.ball_sd**2) ** 0.5)

    def at(self, hold_h: float) -> float | None:
        """Give the mean pH at a hold, on straight lines; None outside the tried holds.

        Examples
        --------
        >>> from doughlab.daily.recipe import example_recipe
        >>> round(example_recipe().at(60), 3), example_recipe().at(90)
        (5.47, None)
        """
        return _line(hold_h, self.holds_h, self.curve)

    def hours_at(self, ph: float) -> float | None:
        """Give the hold at which the mean reaches a pH; None where no tried hold does."""
        for i in range(len(self.curve) - 1):
            a, b = self.curve[i], self.curve[i + 1]
            if a != b and min(a, b) <= ph <= max(a, b):
                first, last = self.holds_h[i], self.holds_h[i + 1]
                return first + (ph - a) / (b - a) * (last - first)
        return None

    @property
    def slope_h(self) -> float:
        """PH for one hour more of hold near the checkpoint; negative while the dough ripens."""
        found = [x for x in self.levers if x.unit == "h"]
        if found:
            return found[0].slope
        first, last = self.holds_h[0], self.holds_h[-1]
        return (self.curve[-1] - self.curve[0]) / (last - first) if last > first else 0.0

    def before(self, mixed_at: datetime) -> bool:
        """Tell whether a lot was mixed before this setting was settled.

        Examples
        --------
        >>> from doughlab.daily.recipe import example_recipe
        >>> example_recipe(since="2026-04-10").before(datetime(2026, 4, 9, 18))
        True
        """
        return bool(self.since) and f"{mixed_at:%Y-%m-%d}" < self.since

    def expired(self, day: date) -> str:
        """Say that its date is over; empty where it is not."""
        if self.expires_on and date.fromisoformat(self.expires_on) < day:
            return (
                f"The recipe was settled until {self.expires_on}: look whether it still holds, "
                "then settle it anew (--settle --reason)."
            )
        return ""


def _line(x: float, places: tuple[float, ...], values: tuple[float, ...]) -> float | None:
    if not places[0] - 1e-9 <= x <= places[-1] + 1e-9:
        return None
    for i in range(len(places) - 1):
        if x <= places[i + 1] + 1e-9:
            share = (x - places[i]) / (places[i + 1] - places[i])
            return values[i] + share * (values[i + 1] - values[i])
    return values[-1]


def example_recipe(**changes: Any) -> Recipe:
    """Give a small invented recipe, for doctests and tests.

    Examples
    --------
    >>> example_recipe().hold_h
    48.0
    """
    base = Recipe(
        dough="house dough", trial="invented", source="invented", settled_at="2026-03-20",
        settled_by="M", reason="", version="0", plan="sha256:0", data="sha256:0",
        evidence="invented", expires_on="", expires_when=EXPIRES_WHEN,
        setting={"water": "tap", "hold": "48"}, words={"water": "tap", "hold": "hold 48 h"},
        low=5.35, high=5.75, hold_h=48.0, expected=5.56, expected_low=5.50, expected_high=5.62,
        single_low=5.40, single_high=5.72, lot_sd=0.05, ball_sd=0.03, df=12.0,
        holds_h=(24.0, 48.0, 72.0), curve=(5.80, 5.56, 5.38),
        usual=Usual(18.0, 24.0, 21.0, 3.6, 23.5, 1.0, 0.3, 1.5), flour_lots=("F1",),
        levers=(
            Lever("hold", "hold", "h", -0.00875, -0.010, -0.0075, 24.0, 72.0, 48.0),
            Lever("mixing_water", "mixing water", "temp_c", -0.02, -0.03, -0.01, 12.0, 18.0, 15.0),
        ),
        waters=(OtherWater("bottled", -0.08, -0.14, -0.02),),
    )  # fmt: skip
    return replace(base, **changes)


def recipe_text(recipe: Recipe) -> str:
    """Write a recipe as TOML.

    Examples
    --------
    >>> "hold_h = 48.0" in recipe_text(example_recipe())
    True
    """
    flat, tables = [], []
    for name, value in asdict(recipe).items():
        if value is None:
            continue
        if isinstance(value, Mapping):
            tables.append(f"\n[{name}]\n" + "".join(_entry(k, v) for k, v in value.items()))
        elif isinstance(value, tuple) and value and isinstance(value[0], Mapping):
            tables += [f"\n[[{name}]]\n" + "".join(_entry(k, v) for k, v in row.items())
                       for row in value]  # fmt: skip
        else:
            flat.append(_entry(name, value))
    return HEAD + "".join(flat) + "".join(tables)


def _entry(name: str, value: Any) -> str:
    return f"{json.dumps(name) if not name.isidentifier() else name} = {_value(value)}\n"


def _value(value: Any) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, float):
        return repr(float(value))
    return json.dumps(value, ensure_ascii=False)


def read_recipe(folder: Path) -> Recipe | None:
    """Read the settled recipe of a folder; None where nothing is settled yet.

    Raises
    ------
    InputError
        Where the file was edited so that it cannot be used.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> read_recipe(open_demo().folder).hold_h
    48.0
    >>> read_recipe(Path("no such folder")) is None
    True
    """
    path = Path(folder) / FILE
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return None
    except (UnicodeDecodeError, OSError) as error:
        raise InputError(f"{FILE} cannot be read ({type(error).__name__}). {_AGAIN}") from None
    try:
        return parse_recipe(text)
    except (tomllib.TOMLDecodeError, TypeError, ValueError, KeyError) as error:
        raise InputError(f"{FILE} cannot be read: {error}. {_AGAIN}") from None


_AGAIN = "Bring it back from a copy, or settle anew: doughlab daily --settle --reason TEXT."


def parse_recipe(text: str) -> Recipe:
    """Parse the text of a recipe; raises ValueError where a key is missing or has another kind."""
    data = tomllib.loads(text)
    version = data.get("format")
    if isinstance(version, int) and version > FORMAT:
        raise ValueError(f"it is of format {version}, newer than {FORMAT}: update doughlab")
    if version != FORMAT:
        raise ValueError(f"format must be {FORMAT}, found {data.get('format')!r}")
    values: dict[str, Any] = {}
    for spot in fields(Recipe):
        kind = str(spot.type)
        if spot.name in {"usual", "levers", "waters", "tried", "also"}:
            continue
        if spot.name == "since" and spot.name not in data:
            continue  # files of earlier versions
        if spot.name not in data:
            raise ValueError(f"'{spot.name}' is missing")
        values[spot.name] = _read(spot.name, data[spot.name], kind)
    values["usual"] = _row(Usual, data.get("usual", {}), "usual")
    values["levers"] = tuple(_row(Lever, r, "levers") for r in data.get("levers", []))
    values["waters"] = tuple(_row(OtherWater, r, "waters") for r in data.get("waters", []))
    values["also"] = tuple(_row(Evidence, r, "also") for r in data.get("also", []))
    if "tried" in data:
        values["tried"] = _row(Tried, data["tried"], "tried")
    recipe = Recipe(**values)
    if not recipe.low < recipe.high:
        raise ValueError("low must lie under high")
    if len(recipe.holds_h) != len(recipe.curve) or not recipe.holds_h:
        raise ValueError("holds_h and curve must be of one length")
    if recipe.expires_on:
        date.fromisoformat(recipe.expires_on)
    return recipe


def _read(name: str, value: Any, kind: str) -> Any:
    if kind == "float" and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if kind == "int" and isinstance(value, int):
        return value
    if kind == "str" and isinstance(value, str):
        return value
    if kind.startswith("tuple[float") and isinstance(value, list):
        return tuple(_read(name, v, "float") for v in value)
    if kind.startswith("tuple[str") and isinstance(value, list):
        return tuple(_read(name, v, "str") for v in value)
    if kind.startswith("dict") and isinstance(value, dict):
        return {str(k): _read(name, v, "str") for k, v in value.items()}
    raise ValueError(f"'{name}' is not what belongs there: {value!r}"[:120])


def _row(kind: type, row: Any, where: str) -> Any:
    names = [f.name for f in fields(kind)]
    if not isinstance(row, dict) or set(row) != set(names):
        raise ValueError(f"[{where}] needs exactly {', '.join(names)}")
    return kind(**{f.name: _read(f"{where}.{f.name}", row[f.name], str(f.type))
                   for f in fields(kind)})  # fmt: skip


def _since(folder: Path, recipe: Recipe) -> str:
    """Give the date from which lots are of a recipe's setting, beside the one it follows."""
    try:
        earlier = read_recipe(folder)
    except InputError:
        earlier = None
    same = earlier is not None and (earlier.setting, earlier.dough) == (
        recipe.setting, recipe.dough)  # fmt: skip
    return earlier.since if earlier is not None and same else recipe.settled_at


def write_recipe(folder: Path, recipe: Recipe, *, now: datetime) -> list[str]:
    """Write a recipe: aside, then in place; an earlier one is kept under its time.

    Where the earlier one has another setting, the new one says since when it is in force, so that
    lots mixed before are not set against it.

    Returns
    -------
    list of str
        The files written, from the folder.

    Raises
    ------
    InputError
        Where a recipe is settled already and no reason is given.

    Examples
    --------
    >>> import tempfile
    >>> from datetime import UTC
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_recipe(Path(folder), example_recipe(), now=datetime(2026, 3, 20, tzinfo=UTC))
    ['daily/settled.toml']
    """
    path = Path(folder) / FILE
    written = [FILE]
    if path.exists():
        if not recipe.reason.strip():
            raise InputError(
                f"{FILE} is there already; limits are changed on purpose only. Say why: "
                "doughlab daily --settle --reason TEXT (the earlier file is kept)."
            )
        recipe = replace(recipe, since=_since(folder, recipe))
        kept = path.with_name(f"settled-until-{now:%Y%m%dT%H%M%S}.toml")
        kept.write_bytes(path.read_bytes())
        written.append(f"daily/{kept.name}")
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_suffix(".toml.new")
    with aside.open("w", encoding="utf-8", newline="\n") as file:
        file.write(recipe_text(recipe))
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path)
    return written
