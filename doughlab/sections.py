"""Sections of trial.toml: their keys, with unit, range and default, and what they become.

`settings` reads the file with them and `doughlab new` writes it; each key stands here once.
Checks between sections are left to `settings`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from doughlab.cells import Column
from doughlab.confirming import CONFIRM
from doughlab.designed import PLAN
from doughlab.errors import InputError, UnknownName
from doughlab.instruments import Buffer, Meter, ReadingMethod
from doughlab.keys import (
    Key,
    Section,
    choice_key,
    id_key,
    key_table,
    number_key,
    text_key,
    whole_key,
)
from doughlab.looks import LOOKS
from doughlab.prices import AT_LEAST, PRICES
from doughlab.prices import Prices as Prices
from doughlab.slips import DayColumn
from doughlab.training import TRAINING
from doughlab.units import UNITS, parse_quantity
from doughlab.workday import (
    KITCHEN,
    PANEL,
    STEPS,
)
from doughlab.workday import WEEKDAYS as WEEKDAYS
from doughlab.workday import Kitchen as Kitchen
from doughlab.workday import Panel as Panel
from doughlab.workday import Step as Step

FACTOR_SETS = ("day", "batch", "ball")
FACTOR_KINDS = ("water", "category", "number")
RESPONSE_TABLES = ("readings", "bakes", "scores")
WATER_LOTS = ("batch", "day", "trial")


@dataclass(frozen=True)
class Question:
    """One question: which factor's levels are compared, on which response, how.

    `contrast` is "pairs", "vs:<level>" or "slope".
    """

    text: str
    factor: str
    response: str
    contrast: str = "pairs"
    primary: bool = True

    @property
    def reference(self) -> str | None:
        """The level that the others are compared with, for "vs:<level>"."""
        return self.contrast[3:] if self.contrast.startswith("vs:") else None


@dataclass(frozen=True)
class Factor:
    """What is varied, and its settings.

    Attributes
    ----------
    levels : tuple of str
        The text that was typed, in file order.
    values : tuple of float
        The same in the factor's unit, for kind "number"; empty otherwise.
    span : tuple of float
        Low and high as they were asked for, where the plan added levels; empty otherwise.
    shape : str
        "square" where the model follows a curve along a number; empty for the usual rule.

    Examples
    --------
    >>> Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0)).column
    'hold_h'
    """

    name: str
    set: str
    kind: str
    levels: tuple[str, ...]
    unit: str = ""
    title: str = ""
    values: tuple[float, ...] = ()
    span: tuple[float, ...] = ()
    shape: str = ""

    @property
    def column(self) -> str:
        """The column that carries it in plan/: the name, with the unit at the end."""
        if self.kind != "number" or not self.unit or self.name.endswith(f"_{self.unit}"):
            return self.name
        return f"{self.name}_{self.unit}"

    @property
    def words(self) -> str:
        """The words a cook reads: the title, else the name without underscores."""
        return self.title or self.name.replace("_", " ")

    def compared(self, contrast: str = "pairs") -> tuple[str, ...]:
        """List the levels that a question compares: of a curve its low and high.

        Examples
        --------
        >>> wet = Factor("hydration", "batch", "number", ("59", "60", "62.5", "65", "66"), "pct",
        ...              values=(59.0, 60.0, 62.5, 65.0, 66.0), span=(60.0, 65.0))
        >>> wet.compared()
        ('60', '65')
        """
        if not self.span or contrast.startswith("vs:"):
            return self.levels
        return tuple(self.level_of(v) for v in self.span)

    def as_column(self) -> Column:
        """Give the factor as a column of plan/batches.csv or plan/balls.csv."""
        if self.kind == "number":
            low, high = min(self.values), max(self.values)
            return Column(self.column, "number", self.words, unit=self.unit, low=low, high=high,
                          required=True)  # fmt: skip
        return Column(self.column, "choice", self.words, allowed=self.levels, required=True)

    def level_of(self, value: Any) -> str:
        """Give the level's text for a value from a table or a text that was typed.

        Raises
        ------
        UnknownName
            Where no level fits.

        Examples
        --------
        >>> Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0)).level_of(48.0)
        '48'
        """
        if self.kind == "number":
            try:
                wanted = (
                    value if isinstance(value, float) else parse_quantity(str(value), self.unit)
                )
            except InputError:
                raise UnknownName(f"level of {self.name}", str(value), self.levels) from None
            for text, known in zip(self.levels, self.values, strict=True):
                if abs(known - wanted) < 1e-3:
                    return text
        elif str(value) in self.levels:
            return str(value)
        raise UnknownName(f"level of {self.name}", str(value), self.levels)

    def value_of(self, level: str) -> float | str:
        """Give what stands in the plan's table for a level: the number, or the text."""
        return self.values[self.levels.index(level)] if self.kind == "number" else level


@dataclass(frozen=True)
class Response:
    """What is measured or scored, and the smallest difference that matters (margin).

    `balls` is how many balls per batch and ball setting the plan reserves for it; balls whose
    `table` is readings are pierced and never baked. `at_least` and `at_most` are the limits that
    settings are chosen by; "best" is the best setting found less the margin.

    Examples
    --------
    >>> ph = Response("ph", "readings", "ph", margin=0.1, unit="ph")
    >>> ph.words, ph.purpose, ph.as_column().name
    ('pH', 'ph', 'ph')
    """

    name: str
    table: str
    column: str
    margin: float
    unit: str = ""
    low: float | None = None
    high: float | None = None
    use_hold_h: float | None = None
    kind: str = "measure"
    balls: int = 1
    title: str = ""
    at_least: float | str | None = None
    at_most: float | None = None

    @property
    def words(self) -> str:
        """The words a cook reads for it."""
        return self.title or ("pH" if self.name == "ph" else self.name.replace("_", " "))

    @property
    def purpose(self) -> str:
        """The purpose of the balls that give it: "ph" (pierced) or "bake"."""
        return "ph" if self.table == "readings" else "bake"

    def as_column(self) -> Column:
        """Give the response as a column of its table."""
        return Column(self.column, "number", self.words, unit=self.unit, low=self.low,
                      high=self.high)  # fmt: skip


@dataclass(frozen=True)
class Window:
    """The pH band in which a ball is ready to use."""

    low: float
    high: float
    response: str = "ph"


@dataclass(frozen=True)
class Blocks:
    """Mixing days and repeats. `kind` "day" makes each mixing day a block, "none" has no blocks.

    `water_lots` says how long one filling (tank, dosed tank) of each water lasts: "batch", "day" or
    "trial"; empty where nobody says, and the plan then names no lots.
    """

    kind: str = "day"
    days: int | None = None
    batches_per_day: int | None = None
    replicates: int = 1
    spares: int = 1
    start_on: str = ""
    water_lots: str = ""


@dataclass(frozen=True)
class Criterion:
    """One line of the rubric."""

    name: str
    title: str = ""
    low: float = 0.0
    high: float = 10.0
    weight: float = 1.0
    words: str = ""


@dataclass(frozen=True)
class WarmUp:
    """Balls read at take-out and again in use, from which the warm-up of a ball is learned.

    `rooms` are the places where they warm, named as their temperatures are written down; each of
    `batches` batches gives one such ball for each room. Empty where none is asked for.
    """

    rooms: tuple[str, ...] = ()
    batches: int = 3

    def check(self, *, warm_min: float, warm_h: float, hold: bool) -> str:
        """Say what is wrong and what would be right; empty where nothing is.

        Examples
        --------
        >>> WarmUp(("bench",)).check(warm_min=90, warm_h=4, hold=True)[:28]
        'rooms names 1 place; a warm-'
        """
        if not self.rooms:
            return ""
        names = [r.casefold() for r in self.rooms]
        if len(set(names)) < 2 or len(set(names)) < len(names):
            count = "1 place" if len(set(names)) == 1 else "a place twice"
            return (
                f"rooms names {count}; a warm-up is learned from two places at least 3 °C (5 °F) "
                'apart, as rooms = ["bench", "store"].'
            )
        cold = [r for r in self.rooms for w in ("cooler", "fridge", "cold", "shelf")
                if w in r.casefold()]  # fmt: skip
        if cold:
            return f"'{cold[0]}' reads like a cooler. Name a place where balls warm up."
        if not hold:
            return "needs a hold (a ball factor in hours): a ball warms after the cooler."
        if warm_min < 20:
            return (
                f"warm_min {warm_min:g} in [kitchen] leaves no warm-up to read. Give 45 or more, "
                "or take [warm_up] away."
            )
        if warm_min / 60 > warm_h:
            return (
                f"warm_min {warm_min:g} in [kitchen] is more than warm_h {warm_h:g} in [limits] "
                "allows. Shorten it."
            )
        return ""


@dataclass(frozen=True)
class Limits:
    """The user's own limits: from the local rule, and what a year or a day may cost.

    `water_cost_a_year` (own currency) and `work_h_a_day` (hours of hands for `balls_a_day` of
    [kitchen]) are None where settings are not judged by them. `inside_of_10` is how many balls of
    ten must be inside the window for its hours to count; 8 leaves two that can be used first or
    put back (common practice, no source).
    """

    warm_h: float = 4.0
    cooler_c: float = 5.0
    max_hold_h: float = 96.0
    water_cost_a_year: float | None = None
    work_h_a_day: float | None = None
    inside_of_10: float = 8.0


@dataclass(frozen=True)
class Assumed:
    """Standard deviations assumed for a response before there is an earlier trial."""

    name: str
    batch_sd: float
    ball_sd: float
    day_sd: float = 0.0
    session_sd: float = 0.0
    judge_sd: float = 0.0
    reading_sd: float = 0.0
    lot_sd: float = 0.0


def read_levels(
    name: str, levels: tuple[str, ...], kind: str, unit: str, *, least: int = 2
) -> tuple[float, ...]:
    """Check the levels of a factor and give their numbers; a confirming trial has 1 of each.

    Returns
    -------
    tuple of float
        In the factor's unit, for kind "number"; empty otherwise.

    Raises
    ------
    InputError
        Fewer than two levels, doubled levels, or a text where a number belongs.

    Examples
    --------
    >>> read_levels("mixing_water", ("50 F", "68 F"), "number", "temp_c")
    (10.0, 20.0)
    """
    if len(levels) < least:
        raise InputError(f"factor '{name}' has {len(levels)} level. Give two or more to compare.")
    if kind != "number":
        if len(set(levels)) < len(levels):
            raise InputError(f"factor '{name}' names a level twice.")
        return ()
    low, high = _PLAUSIBLE.get(unit, (None, None))
    values = tuple(round(parse_quantity(v, unit, what=name, low=low, high=high), 4) for v in levels)
    if len(set(values)) < len(values):
        raise InputError(f"factor '{name}' names a level twice.")
    return values


_PLAUSIBLE: dict[str, tuple[float, float]] = {
    "temp_c": (-30.0, 300.0),
    "h": (0.0, 240.0),
    "pct": (0.0, 200.0),
    "ph": (2.5, 11.0),
}


def _make_factor(*, least: int = 2, **found: Any) -> Factor:
    names = (found["name"], found["levels"], found["kind"], found.get("unit", ""))
    values = read_levels(*names, least=least)
    return Factor(values=values, **found)


@dataclass(frozen=True)
class _Contrast(Column):
    """How levels are compared."""

    def read(self, text: str) -> str:
        if text in {"pairs", "slope"} or (text.startswith("vs:") and len(text) > 3):
            return text
        raise InputError(f"contrast '{text}' is not known. Known: pairs, slope, vs:<level>.")


@dataclass(frozen=True)
class _Unit(Column):
    """A unit suffix."""

    def read(self, text: str) -> str:
        if text not in UNITS:
            raise UnknownName("unit", text, [u for u in UNITS if u])
        return text


@dataclass(frozen=True)
class _Code(Column):
    """The short code on labels."""

    def read(self, text: str) -> str:
        import re

        if not re.fullmatch(r"[A-Z][A-Z0-9]{1,7}", text):
            raise InputError(
                f"code '{text}' must be 2 to 8 of A-Z and 0-9, a letter first: it stands on labels."
            )
        return text


TOP = Section(
    key_table(
        text_key("name", "What people call this trial.", required=True),
        Key(_Code("code", "text", "code"), "Two to eight capitals for labels.", required=True),
        text_key("dough", "The dough's name."),
        text_key("about", "One sentence about the trial."),
        text_key("timezone", "IANA name, like Europe/Rome."),
        text_key("currency", "Your own, like EUR."),
        whole_key("seed", 0, 2**31 - 1, "Seed of every random order."),
        choice_key("source", ("own", "invented", "published"), "Where the records come from."),
        text_key("assumed_from", "Folder of an earlier trial whose spreads are planned with."),
    )
)

QUESTION = Section(
    key_table(
        text_key("text", "The question in your words.", required=True),
        id_key("factor", "The factor whose levels are compared.", required=True),
        id_key("response", "The response it is judged on.", required=True),
        Key(_Contrast("contrast", "text", "contrast"), "pairs, slope or vs:<level>."),
        Key(Column("primary", "text", "primary"), "At most three.", flag=True),
    )
)

SECTIONS: dict[str, Section] = {
    "units": Section(key_table(choice_key("temperature", ("C", "F"), "What to show."))),
    "factors": Section(
        key_table(
            choice_key("set", FACTOR_SETS, "Set per day, batch or ball.", required=True),
            choice_key("kind", FACTOR_KINDS, "water, category or number.", required=True),
            text_key("levels", "The settings to compare.", required=True, many=True),
            Key(_Unit("unit", "text", "unit"), "Unit of a number."),
            text_key("title", "Words for it."),
        ),
        _make_factor,
        many=True,
    ),
    "responses": Section(
        key_table(
            choice_key("table", RESPONSE_TABLES, "Where it is recorded.", required=True),
            id_key("column", "Its column there.", required=True),
            Key(_Unit("unit", "text", "unit"), "Its unit."),
            number_key(
                "margin", "", 1e-9, 1e9, "The smallest difference that matters.", required=True
            ),
            number_key("low", "", None, None, "Lowest plausible value."),
            number_key("high", "", None, None, "Highest plausible value."),
            number_key("use_hold_h", "h", 0, 240, "The hold at which levels are compared."),
            choice_key("kind", ("measure", "score"), "measure or score."),
            whole_key("balls", 0, 50, "Balls per batch and ball setting."),
            text_key("title", "Words for it."),
            AT_LEAST,
            number_key("at_most", "", None, None, "The most that is wanted."),
        ),
        Response,
        many=True,
    ),
    "window": Section(
        key_table(
            number_key("low", "ph", 2.5, 9, "Lower end of the band.", required=True),
            number_key("high", "ph", 2.5, 9, "Upper end of the band.", required=True),
            id_key("response", "The response it is about."),
        ),
        Window,
    ),
    "blocks": Section(
        key_table(
            choice_key("kind", ("day", "none"), "day or none."),
            whole_key("days", 1, 60, "Mixing days."),
            whole_key("batches_per_day", 1, 60, "Batches that fit a day."),
            whole_key("replicates", 1, 60, "Batches of each combination."),
            whole_key("spares", 0, 20, "Spare balls in each batch."),
            Key(DayColumn("start_on", "text", "start_on"), "First mixing day."),
            choice_key("water_lots", WATER_LOTS, "How long one filling of each water lasts."),
        ),
        Blocks,
    ),
    "plan": PLAN,
    "looks": LOOKS,
    "confirm": CONFIRM,
    "kitchen": KITCHEN,
    "panel": PANEL,
    "steps": STEPS,
    "training": TRAINING,
    "rubric": Section(
        key_table(
            text_key("title", "Words for it."),
            number_key("low", "", -100, 100, "Lowest score."),
            number_key("high", "", -100, 100, "Highest score."),
            number_key("weight", "", 0, 1000, "Its share of the whole."),
            text_key("words", "What the points mean."),
        ),
        Criterion,
        many=True,
    ),
    "reading_method": Section(
        key_table(
            choice_key("kind", ("direct", "slurry", "strip"), "How pH is read."),
            number_key("sample_g", "g", 1, 500, "Dough in the sample."),
            number_key("water_g", "g", 0, 1000, "Water added to it."),
            text_key("slurry_water", "Which water: purified, distilled, bottled."),
            number_key("wait_min", "min", 0, 120, "Minutes to wait."),
            whole_key("readings_per_ball", 1, 10, "Readings of each ball."),
            number_key("resolution", "ph", 0.001, 1, "Step of the instrument."),
            number_key("temp_low_c", "temp_c", -2, 60, "Coolest sample that is read."),
            number_key("temp_high_c", "temp_c", -2, 60, "Warmest sample that is read."),
            text_key("instrument", "Which meter."),
            number_key("calibrate_every_h", "h", 1, 720, "Hours between buffers."),
        ),
        ReadingMethod,
    ),
    "meter": Section(
        key_table(
            number_key("slope_low_pct", "pct", 50, 100, "Lowest slope, per cent of Nernst."),
            number_key("slope_high_pct", "pct", 100, 120, "Highest slope, per cent of Nernst."),
            number_key("offset_mv", "mv", 1, 120, "Furthest offset at pH 7, either way."),
            number_key("drift_ph", "ph", 0.005, 1, "Largest drift between two calibrations."),
            number_key("buffer_ph", "ph", 0, 0.5, "How sure the buffers are, plus or minus."),
            number_key("settle_s", "s", 5, 600, "Longest time until it stands still in a buffer."),
            text_key("bands_source", "Where these bands come from."),
            text_key("probe", "Which probe: spear, flat, non-glass."),
            Key(DayColumn("probe_since", "text", "probe_since"), "In use since."),
            number_key("probe_life_months", "", 1, 120, "Months a probe is expected to last."),
        ),
        Meter,
    ),
    "buffers": Section(
        key_table(
            number_key(
                "temps_c",
                "temp_c",
                -5,
                100,
                "Temperatures on the bottle.",
                many=True,
                required=True,
            ),
            number_key("ph", "ph", 0, 14, "pH at each of them.", many=True, required=True),
        ),
        Buffer,
        many=True,
    ),
    "warm_up": Section(
        key_table(
            text_key(
                "rooms", "Places where the balls warm, two or more.", required=True, many=True
            ),
            whole_key("batches", 3, 60, "Batches that give a ball for each place."),
        ),
        WarmUp,
    ),
    "limits": Section(
        key_table(
            number_key("warm_h", "h", 0, 24, "Cumulative hours at room temperature allowed."),
            number_key("cooler_c", "temp_c", -5, 5, "Highest cooler temperature."),
            number_key("max_hold_h", "h", 1, 240, "Longest hold."),
            number_key("water_cost_a_year", "", 0, 1e7, "The most that water may cost a year."),
            number_key("work_h_a_day", "h", 0, 1000, "The most hours of hands in a day."),
            number_key("inside_of_10", "", 1, 9.9, "Balls of ten inside for its hours to count."),
        ),
        Limits,
    ),
    "prices": PRICES,
    "assumed": Section(
        key_table(
            number_key("batch_sd", "", 0, 1e6, "Between batches.", required=True),
            number_key("ball_sd", "", 0, 1e6, "Between balls of a batch.", required=True),
            number_key("day_sd", "", 0, 1e6, "Between mixing days."),
            number_key("session_sd", "", 0, 1e6, "Between sessions."),
            number_key("judge_sd", "", 0, 1e6, "Single scores: one judge, one ball."),
            number_key("reading_sd", "", 0, 1e6, "Between readings of a ball."),
            number_key("lot_sd", "", 0, 1e6, "Between fillings of one water."),
        ),
        Assumed,
        many=True,
    ),
}
