"""The one column list of every CSV in a trial folder.

Reading, checks, the data package and the documentation are generated from it (`files`).
Factor columns and own responses are added by `settings`; the rooms say what a row means.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from doughlab.cells import Column
from doughlab.errors import UnknownName
from doughlab.units import unit_of


@dataclass(frozen=True)
class Table:
    """One CSV of the trial folder.

    Attributes
    ----------
    name, path, title : str
        Short name, place in the folder, words for it.
    columns : tuple of Column
        In file order.
    journal : bool
        True where rows are only ever appended (record/).

    Examples
    --------
    >>> table("readings").path
    'record/readings.csv'
    """

    name: str
    path: str
    title: str
    columns: tuple[Column, ...]
    journal: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in file order."""
        return tuple(c.name for c in self.columns)

    def column(self, name: str) -> Column:
        """Look a column up by its name.

        Raises
        ------
        UnknownName
            With the nearest name.
        """
        for c in self.columns:
            if c.name == name:
                return c
        raise UnknownName(f"column of {self.path}", name, self.names)

    def extended(self, columns: Iterable[Column]) -> Table:
        """Give the table with own columns (factors, own responses) added where missing."""
        have = set(self.names)
        own = tuple(c for c in columns if c.name not in have)
        return replace(self, columns=self.columns + own) if own else self

    def narrowed(self, columns: Iterable[Column]) -> Table:
        """Give the table with the limits of measured columns as near as own responses set them.

        Examples
        --------
        >>> ph = Column("ph", "number", "pH", low=3.5, high=7.5)
        >>> column = table("readings").narrowed([ph]).column("ph")
        >>> column.low, column.high
        (3.5, 7.5)
        """
        if self.name not in {"readings", "bakes"}:
            return self
        own = {c.name: c for c in columns}
        kept = (_narrow(c, own[c.name]) if c.name in own else c for c in self.columns)
        return replace(self, columns=tuple(kept))


def _narrow(column: Column, own: Column) -> Column:
    lows = [v for v in (column.low, own.low) if v is not None]
    highs = [v for v in (column.high, own.high) if v is not None]
    return replace(column, low=max(lows, default=None), high=min(highs, default=None))


JOURNAL_COLUMNS = (
    Column("entry_id", "id", "Entry", required=True, unique=True),
    Column("entered_at", "datetime", "Entered at", required=True),
    Column("entered_by", "text", "Entered by"),
    Column("action", "choice", "Action", allowed=("add", "replace", "void"), required=True),
    Column("replaces", "id", "Entry that this one replaces"),
    Column("reason", "text", "Reason"),
)

BALL = Column("ball_id", "id", "Ball", required=True, link="balls.ball_id")
BATCH = Column("batch_id", "id", "Batch", required=True, link="batches.batch_id")


def _mg(name: str, title: str, high: float) -> Column:
    column = f"{name}_mg_l"
    return Column(column, "number", title, unit=unit_of(column), low=0, high=high)


WATER_KINDS = (
    "tap", "well", "tank", "filtered", "softened", "reverse osmosis", "bottled", "blend",
    "adjusted",
)  # fmt: skip
PURPOSES = ("ph", "bake", "pair", "spare")
PIERCED = ("ph", "pair")  # read, thrown away, never baked
STEPS = ("preferment", "mix", "ball", "take_out", "read", "bake", "score")
NOTE_KINDS = ("note", "lost", "pulled", "photo", "consent", "care")
LOT_KINDS = ("water", "flour", "preferment", "starter")

_WATERS = Table(
    "waters",
    "waters.csv",
    "Waters: one row for each sample",
    (
        Column("water_id", "id", "Water", required=True, unique=True),
        Column("kind", "choice", "Kind", allowed=WATER_KINDS, required=True),
        Column("ph", "number", "pH", unit="ph", low=3.5, high=11),
        Column("temp_c", "number", "Temperature of the sample", unit="temp_c", low=0, high=50),
        _mg("alkalinity", "Alkalinity as CaCO3", 800),
        _mg("calcium", "Calcium", 600),
        _mg("magnesium", "Magnesium", 300),
        _mg("hardness", "Hardness as CaCO3", 1500),
        _mg("sodium", "Sodium", 1000),
        _mg("potassium", "Potassium", 200),
        _mg("chloride", "Chloride", 1000),
        _mg("sulphate", "Sulphate", 1500),
        _mg("nitrate", "Nitrate", 200),
        _mg("free_chlorine", "Free chlorine", 10),
        _mg("total_chlorine", "Total chlorine", 10),
        Column("conductivity_us_cm", "number", "Conductivity", unit="us_cm", low=0, high=5000),
        _mg("dissolved_solids", "Dissolved solids", 3000),
        Column("smell", "text", "Smell"),
        Column("taste", "text", "Taste"),
        Column("look", "text", "Look"),
        Column("sampling_point", "text", "Where the sample was drawn"),
        Column("flush_min", "number", "Minutes run before sampling", unit="min", low=0, high=240),
        Column("storage", "text", "How it was kept"),
        Column("treatment", "text", "Treatment, in order"),
        Column("sampled_at", "datetime", "Sampled at"),
        Column("said_by", "text", "Who says so: report, label, strip, own titration"),
        Column("uncertainty_pct", "number", "How sure, in per cent", unit="pct", low=0, high=100),
        Column("cost_per_l", "number", "Cost for a litre", low=0, high=1000),
    ),
)

_BATCHES = Table(
    "batches",
    "plan/batches.csv",
    "Plan: batches",
    (
        Column("batch_id", "id", "Batch", required=True, unique=True),
        Column("block", "id", "Mixing day (block)", required=True),
        Column("order", "integer", "Order in the day", required=True, low=1, high=500),
        Column("flour_lot", "id", "Flour lot"),
        Column("water_lot", "id", "Water tank or bottle lot"),
        Column("preferment_lot", "id", "Preferment lot"),
    ),
)

_BALLS = Table(
    "balls",
    "plan/balls.csv",
    "Plan: balls",
    (
        Column("ball_id", "id", "Ball", required=True, unique=True),
        Column("batch_id", "id", "Batch", required=True, link="batches.batch_id"),
        Column("purpose", "choice", "Purpose", allowed=PURPOSES, required=True),
        Column("session", "id", "Session"),
        Column("blind_code", "integer", "Blind code", low=100, high=999),
        Column("place", "text", "Place in the cooler"),
    ),
)

_SCHEDULE = Table(
    "schedule",
    "plan/schedule.csv",
    "Plan: what is due",
    (
        Column("step", "choice", "Step", allowed=STEPS, required=True),
        Column("item", "id", "Batch or ball", required=True),
        Column("due_at", "datetime", "Due at", required=True),
        Column("place", "text", "Place"),
    ),
)

_MIXES = Table(
    "mixes",
    "record/mixes.csv",
    "Mixes: one row for each batch",
    (
        *JOURNAL_COLUMNS,
        BATCH,
        Column("mixed_at", "datetime", "Flour first wetted at", required=True),
        Column("balled_at", "datetime", "Balled at"),
        Column("cooled_at", "datetime", "In the cooler at"),
        Column("room_temp_c", "number", "Room", unit="temp_c", low=0, high=50),
        Column("flour_temp_c", "number", "Flour", unit="temp_c", low=-5, high=45),
        Column("water_temp_c", "number", "Mixing water", unit="temp_c", low=0, high=50),
        Column("preferment_temp_c", "number", "Preferment", unit="temp_c", low=0, high=45),
        Column("dough_temp_c", "number", "Dough after mixing", unit="temp_c", low=5, high=40),
        Column("mix_min", "number", "Minutes of mixing", unit="min", low=0, high=120),
        Column("mixer", "text", "Mixer"),
        Column("mixer_speed", "text", "Speed or programme of the mixer"),
        Column("flour_g", "number", "Flour", unit="g", low=50, high=200_000),
        Column("water_g", "number", "Water", unit="g", low=20, high=200_000),
        Column("water_ph_before", "number", "Water pH before dosing", unit="ph", low=3, high=11),
        Column("water_ph", "number", "Water pH at mixing", unit="ph", low=3, high=11),
        Column("acid", "text", "Acid product"),
        Column("acid_g", "number", "Acid product", unit="g", low=0, high=5000),
        Column(
            "since_dosing_min", "number", "Minutes since dosing", unit="min", low=0, high=20_000
        ),
        Column("vessel", "choice", "Vessel", allowed=("open", "covered", "closed")),
        Column("flour_lot", "id", "Flour lot"),
        Column("water_lot", "id", "Water tank or bottle lot"),
        Column("preferment_lot", "id", "Preferment lot"),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_READINGS = Table(
    "readings",
    "record/readings.csv",
    "Readings: one row for each number from an instrument",
    (
        *JOURNAL_COLUMNS,
        BALL,
        Column("read_at", "datetime", "Read at", required=True),
        Column("ph", "number", "pH", unit="ph", low=2.5, high=9),
        Column("sample_temp_c", "number", "Sample", unit="temp_c", low=-2, high=60),
        Column(
            "acidity_ml",
            "number",
            "Titratable acidity, 0.1 mol/L in 10 g",
            unit="ml",
            low=0,
            high=60,
        ),
        Column("instrument", "text", "Instrument"),
        Column("method", "choice", "Reading method", allowed=("direct", "slurry", "strip")),
        Column("calibration_id", "id", "Calibration", link="calibrations.calibration_id"),
        Column("session", "id", "Session"),
        Column("note", "text", "Note"),
        Column("prepared", "text", "How the sample was made"),
    ),
    journal=True,
)

_BAKES = Table(
    "bakes",
    "record/bakes.csv",
    "Bakes: one row for each ball baked",
    (
        *JOURNAL_COLUMNS,
        BALL,
        Column("out_at", "datetime", "Taken out of the cooler at"),
        Column("warm_min", "number", "Minutes out of the cooler", unit="min", low=0, high=1440),
        Column("core_temp_c", "number", "Dough, before the oven", unit="temp_c", low=-2, high=45),
        Column("baked_at", "datetime", "Baked at", required=True),
        Column("oven_temp_c", "number", "Oven", unit="temp_c", low=100, high=600),
        Column("bake_s", "number", "Seconds in the oven", unit="s", low=20, high=3600),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_SCORES = Table(
    "scores",
    "record/scores.csv",
    "Scores: one row for each judge, ball and criterion",
    (
        *JOURNAL_COLUMNS,
        BALL,
        Column("blind_code", "integer", "Blind code", low=100, high=999),
        Column("judge", "id", "Judge", required=True),
        Column("criterion", "id", "Criterion", required=True),
        Column("score", "number", "Score", unit="score", low=0, high=100),
        Column("position", "integer", "Place in the serving order", low=1, high=60),
        Column("scored_at", "datetime", "Scored at"),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_CALIBRATIONS = Table(
    "calibrations",
    "record/calibrations.csv",
    "Calibrations of the meter",
    (
        *JOURNAL_COLUMNS,
        Column("calibration_id", "id", "Calibration", required=True, unique=True),
        Column("instrument", "text", "Instrument", required=True),
        Column("calibrated_at", "datetime", "Calibrated at", required=True),
        Column("buffers", "text", "Buffers used"),
        Column("temp_c", "number", "Buffers", unit="temp_c", low=0, high=50),
        Column("slope_pct", "number", "Slope, per cent of Nernst", unit="pct", low=50, high=120),
        Column("offset_mv", "number", "Offset at pH 7", unit="mv", low=-120, high=120),
        Column("note", "text", "Note"),
        Column("settle_s", "number", "Seconds until it stood still", unit="s", low=0, high=600),
    ),
    journal=True,
)

_TEMPERATURES = Table(
    "temperatures",
    "record/temperatures.csv",
    "Temperatures of rooms and coolers",
    (
        *JOURNAL_COLUMNS,
        Column("place", "text", "Place", required=True),
        Column("at", "datetime", "At", required=True),
        Column("temp_c", "number", "Temperature", unit="temp_c", low=-30, high=60, required=True),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_LOTS = Table(
    "lots",
    "record/lots.csv",
    "Lots: tanks, flour, preferments, starters that batches share",
    (
        *JOURNAL_COLUMNS,
        Column("lot_id", "id", "Lot", required=True, unique=True),
        Column("kind", "choice", "Kind", allowed=LOT_KINDS, required=True),
        Column("made_at", "datetime", "Made or opened at"),
        Column("water_id", "id", "Water", link="waters.water_id"),
        Column("ph", "number", "pH", unit="ph", low=2.5, high=11),
        Column("fed", "text", "Starter fed, in parts"),
        Column("stood_temp_c", "number", "Starter stood at", unit="temp_c", low=5, high=40),
        Column("ripe_h", "number", "Starter ripe after", unit="h", low=0.5, high=96),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_NOTES = Table(
    "notes",
    "record/notes.csv",
    "Notes, lost balls, balls taken out",
    (
        *JOURNAL_COLUMNS,
        Column("about", "id", "Trial, day, batch or ball", required=True),
        Column("at", "datetime", "At", required=True),
        Column("kind", "choice", "Kind", allowed=NOTE_KINDS, required=True),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_TRAINEES = Table(
    "trainees",
    "record/trainees.csv",
    "Trainees: their numbers beside those of an experienced person",
    (
        *JOURNAL_COLUMNS,
        Column("trainee", "id", "Trainee", required=True),
        Column("kind", "choice", "Kind", allowed=("reading", "dose"), required=True),
        Column("at", "datetime", "At", required=True),
        Column(
            "trainee_value", "number", "Trainee's pH or grams", low=0.001, high=5000, required=True
        ),
        Column("experienced", "id", "Experienced person", required=True),
        Column(
            "experienced_value",
            "number",
            "Experienced person's pH or grams",
            low=0.001,
            high=5000,
            required=True,
        ),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        _WATERS, _BATCHES, _BALLS, _SCHEDULE, _MIXES, _READINGS, _BAKES, _SCORES,
        _CALIBRATIONS, _TEMPERATURES, _LOTS, _NOTES, _TRAINEES,
    )
}  # fmt: skip

RECORDS = tuple(name for name, t in TABLES.items() if t.journal)


def _temp(name: str, title: str, low: float = 0, high: float = 50) -> Column:
    return Column(name, "number", title, unit="temp_c", low=low, high=high)


_DAILY_LOTS = Table(
    "daily_lots",
    "daily/lots.csv",
    "Every day: production lots",
    (
        *JOURNAL_COLUMNS,
        Column("lot", "id", "Lot", required=True),
        Column("dough", "text", "Dough", required=True),
        Column("mixed_at", "datetime", "Flour first wetted at", required=True),
        Column("balled_at", "datetime", "Balled at"),
        Column("cooled_at", "datetime", "In the cooler at"),
        Column("trays", "integer", "Trays made", low=0, high=500),
        Column("left", "integer", "Trays left", low=0, high=500),
        Column("place", "text", "Place"),
        _temp("water_temp_c", "Mixing water"),
        _temp("dough_temp_c", "Dough after mixing", 5, 40),
        Column("flour_lot", "id", "Flour lot"),
        Column("water", "id", "Water"),
        Column("mixer", "text", "Mixer"),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_DAILY_READINGS = Table(
    "daily_readings",
    "daily/readings.csv",
    "Every day: readings at the checkpoint",
    (
        *JOURNAL_COLUMNS,
        Column("dough", "text", "Dough"),
        Column("lot", "id", "Lot"),
        Column("at", "datetime", "Read at", required=True),
        Column("hold_h", "number", "Hold", unit="h", low=0, high=240, required=True),
        Column("ph", "number", "pH", unit="ph", low=2.5, high=9, required=True),
        _temp("room_c", "Room"),
        _temp("cooler_c", "Cooler", -30, 50),
        Column("out_min", "number", "Minutes out of the cooler", unit="min", low=0, high=1440),
        Column("instrument", "text", "Meter"),
        Column("note", "text", "Note"),
    ),
    journal=True,
)

_DAILY_LIMITS = Table(
    "daily_limits",
    "daily/limits.csv",
    "Every day: limits computed anew on purpose",
    (
        *JOURNAL_COLUMNS,
        Column("dough", "text", "Dough"),
        Column("at", "datetime", "Computed at", required=True),
        Column("centre", "number", "Centre, off what is expected", required=True, low=-5, high=5),
        Column("sd", "number", "Standard deviation", required=True, low=1e-6, high=5),
        Column("n", "integer", "Readings behind them", required=True, low=2, high=100_000),
        Column("room_slope", "number", "pH for 1 °C of room", low=-1, high=1),
        _temp("room_ref_c", "Room that the slope is counted from"),
        Column("ball_sd", "number", "Standard deviation of balls of one lot", low=0, high=5),
    ),
    journal=True,
)

_DAILY_TICKS = Table(
    "daily_ticks",
    "daily/ticks.csv",
    "Every day: points of the checklists that were ticked",
    (
        *JOURNAL_COLUMNS,
        Column("dough", "text", "Dough"),
        Column("at", "datetime", "Ticked at", required=True),
        Column("checklist", "choice", "Checklist", allowed=("opening", "mixing"), required=True),
        Column("point", "integer", "Point", required=True, low=1, high=99),
        Column("words", "text", "What was ticked", required=True),
        Column("recipe", "text", "Settled on", required=True),
    ),
    journal=True,
)

# One dough for each folder: a row that names another one is not used there.
DAILY: dict[str, Table] = {
    t.name.removeprefix("daily_"): t
    for t in (_DAILY_LOTS, _DAILY_READINGS, _DAILY_LIMITS, _DAILY_TICKS)
}

FILES: tuple[Table, ...] = (*TABLES.values(), *DAILY.values())


def table(name: str) -> Table:
    """Look a table up by its short name.

    Raises
    ------
    UnknownName
        With the nearest name.

    Examples
    --------
    >>> table("mixes").journal
    True
    """
    if name not in TABLES:
        raise UnknownName("table", name, TABLES)
    return TABLES[name]
