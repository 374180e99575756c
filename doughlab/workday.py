"""Sections [kitchen], [panel] and [steps.<name>]: what a working day of a trial can hold.

`sections` lists them with the other sections; the calendar of the plan room keeps to them.
How long the dough itself takes stands in formula.toml; who works when is left to the kitchen.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.cells import Column
from doughlab.errors import InputError, UnknownName
from doughlab.keys import Key, Section, id_key, key_table, number_key, text_key, time_key, whole_key
from doughlab.slips import WeekdayColumn

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
GRIDS = (5, 10, 15, 30)
# Minutes of hands, and minutes of a step, where nobody says: common practice, no source.
HANDS_MIN = {"preferment": 10.0, "mix": 20.0, "second_mix": 10.0, "divide": 0.0, "ball": 10.0,
             "take_out": 0.0, "read": 10.0, "bake": 10.0, "score": 0.0,
             "dose": 5.0, "blend": 3.0, "carry": 3.0}  # fmt: skip
OWN_MINUTES = {"read": 10.0, "bake": 10.0, "score": 10.0}
WHERE_ELSE = {"take_out": "warm_min in [kitchen] of trial.toml"}


@dataclass(frozen=True)
class Kitchen:
    """What the kitchen holds and when it is open.

    Attributes
    ----------
    mix_at : str
        When the first mix of a day starts; in a calendar, the earliest.
    mixer_balls : int or None
        Most balls that one mix gives; None where the mixer sets no limit.
    warm_places : int
        Balls that can stand out of the cooler before use.
    hands : int
        People who can work on the trial at one time.
    staff_h : float or None
        Hours of hands in one day; None without a limit.
    hold_tolerance_min : float
        Minutes by which a hold may be shorter or longer than asked.
    read_at_night : bool
        Whether balls may be taken out, read and baked while the kitchen is closed for the night.
    grid_min : int
        Minutes between the times of a calendar: 5, 10, 15 or 30.
    balls_a_day : float or None
        Balls made on an open day, once settled; None where nobody says.
    thermometer_step : float or None
        Step of the thermometer for the mixing water, in the unit that is shown; None for 1 F or
        0.5 °C.
    scale_step_g : float
        Step of the scale for the water.
    """

    mixers: int = 1
    cooler_places: int = 120
    shelves: int = 4
    oven_slots_per_h: int = 12
    open_at: str = "09:00"
    close_at: str = "21:00"
    closed: tuple[str, ...] = ()
    mix_at: str = "09:00"
    mix_min: float = 45.0
    warm_min: float = 90.0
    mixer_balls: int | None = None
    warm_places: int = 60
    hands: int = 2
    staff_h: float | None = None
    hold_tolerance_min: float = 30.0
    read_at_night: bool = False
    grid_min: int = 10
    balls_a_day: float | None = None
    thermometer_step: float | None = None
    scale_step_g: float = 1.0

    @property
    def days_a_year(self) -> float:
        """Open days in a year, from the closed days of the week."""
        return 365.25 * (7 - len(set(self.closed))) / 7.0


@dataclass(frozen=True)
class _Grid(Column):
    """Minutes that divide an hour and a half-hour change of clocks."""

    def read(self, text: str) -> int:
        if text not in {str(g) for g in GRIDS}:
            raise InputError(f"grid_min {text} is not known. Known: 5, 10, 15 and 30 minutes.")
        return int(text)


@dataclass(frozen=True)
class Panel:
    """Who scores, how many samples each tastes in a session, between which hours, and how.

    Empty hours are the opening hours of the kitchen.

    Attributes
    ----------
    ideal : str
        The best one in words, written before the first bake; the top of every criterion.
    reference : str
        A named sample that every judge tastes first and nobody scores; empty without one.
    palate_rest_min : float
        Minutes between two samples (common practice, no source).
    from_oven_min : float
        Minutes from the oven to the judge, the same for every sample (common practice, no source).
    contains : str
        Allergens in the samples, told to every judge.
    duplicates : int
        Baked balls of each session that every judge tastes twice, under a second code; they count
        on top of `samples_per_session`.
    """

    judges: tuple[str, ...] = ()
    samples_per_session: int = 8
    from_at: str = ""
    until_at: str = ""
    ideal: str = ""
    reference: str = ""
    palate_rest_min: float = 2.0
    from_oven_min: float = 5.0
    contains: str = "wheat"
    duplicates: int = 0


@dataclass(frozen=True)
class Step:
    """One step of a dough or a ball: how long it lasts, and how long it needs a pair of hands.

    Hands are counted from the start of the step; None leaves the usual minutes.
    """

    name: str
    minutes: float | None = None
    hands_min: float | None = None


def _make_step(name: str, **found: float) -> Step:
    if name not in HANDS_MIN:
        raise UnknownName("step", name, HANDS_MIN)
    if "minutes" in found and name not in OWN_MINUTES:
        place = WHERE_ELSE.get(name, "[[steps]] of formula.toml")
        raise InputError(f"the minutes of '{name}' stand in {place}; only hands_min stands here.")
    return Step(name, **found)


KITCHEN = Section(
    key_table(
        whole_key("mixers", 1, 20, "Mixers."),
        whole_key("cooler_places", 1, 5000, "Balls that fit the cooler."),
        whole_key("shelves", 1, 60, "Shelves in the cooler."),
        whole_key("oven_slots_per_h", 1, 600, "Bakes an hour."),
        time_key("open_at", "When the kitchen opens."),
        time_key("close_at", "When it closes."),
        Key(
            WeekdayColumn("closed", "choice", "closed", allowed=WEEKDAYS),
            "Closed days.",
            many=True,
        ),
        time_key("mix_at", "When mixing starts."),
        number_key("mix_min", "min", 5, 480, "Minutes from one mix to the next."),
        number_key("warm_min", "min", 0, 480, "Minutes out of the cooler before use."),
        whole_key("mixer_balls", 1, 1000, "Most balls that one mix gives."),
        whole_key("warm_places", 1, 5000, "Balls that can stand out of the cooler."),
        whole_key("hands", 1, 40, "People who can work on the trial at one time."),
        number_key("staff_h", "h", 0.5, 400, "Hours of hands in one day."),
        number_key("hold_tolerance_min", "min", 0, 240, "How far a hold may be off."),
        Key(Column("read_at_night", "text", "read_at_night"), "Read while closed.", flag=True),
        Key(_Grid("grid_min", "integer", "grid_min"), "Minutes between the times of a calendar."),
        number_key("balls_a_day", "", 1, 100_000, "Balls made on an open day, once settled."),
        number_key("thermometer_step", "", 0.01, 10, "Its step, in the unit that is shown."),
        number_key("scale_step_g", "g", 0.01, 500, "Step of the scale for the water."),
    ),
    Kitchen,
)

PANEL = Section(
    key_table(
        id_key("judges", "Short names of the judges.", many=True),
        whole_key("samples_per_session", 1, 30, "Samples a judge tastes in a session."),
        time_key("from_at", "When the judges come."),
        time_key("until_at", "When they leave."),
        text_key("ideal", "The best one in words, written before the first bake."),
        text_key("reference", "A named sample that all taste first and nobody scores."),
        number_key("palate_rest_min", "min", 0, 60, "Minutes between two samples."),
        number_key("from_oven_min", "min", 0, 240, "Minutes from the oven to the judge."),
        text_key("contains", "Allergens in the samples."),
        whole_key("duplicates", 0, 8, "Baked balls tasted twice in each session, blind."),
    ),
    Panel,
)

STEPS = Section(
    key_table(
        number_key("minutes", "min", 1, 480, "How long the step lasts."),
        number_key("hands_min", "min", 0, 480, "How long it needs a pair of hands."),
    ),
    _make_step,
    many=True,
)
