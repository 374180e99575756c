"""Fault finder: from the water to the room, what could have moved the pH, and how to tell.

`doughlab daily` walks it when a chart signals. What each cause explains comes from the trial's
slopes, or from conduction and the clock over the settled hold; the check is for the cook.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import Recipe
from doughlab.daily.standing import Standing
from doughlab.formula.heat import FILMS, Body, Film
from doughlab.formula.ripening import Q10Model
from doughlab.formula.steps import BallSteps
from doughlab.units import format_quantity

# How far off a thing is taken to be where nobody wrote it down: rules of this project.
OFF_C = {"water": 3.0, "dough": 2.0, "cooler": 1.5, "room": 3.0}
OFF_H = 0.5
UNRECORDED = 0.5  # what could be counts half beside what was written down
ALONE = 0.3  # a cause that explains less of the shift than this does not explain it alone
# The clock: a factor 2.6 for ten degrees (see Q10Model), its range here 2 to 4 as usual there.
Q10 = (2.6, 2.0, 4.0)


@dataclass(frozen=True)
class Suspect:
    """One station of the walk.

    Attributes
    ----------
    name, words : str
        The station, and what was found there or could be.
    recorded : bool
        Whether something was recorded; else the shift is of what could be.
    shift, low, high : float
        pH that it explains, or could explain, with its range.
    check : str
        The one check that tells it from the others.

    Examples
    --------
    >>> cold = Suspect("cooler", "2 °C, usual 4 °C", True, 0.06, 0.04, 0.09, CHECKS["cooler"])
    >>> round(cold.share(0.12), 2), cold.share(-0.12)
    (0.5, 0.0)
    """

    name: str
    words: str
    recorded: bool
    shift: float
    low: float
    high: float
    check: str

    def share(self, found: float) -> float:
        """Give the share of a shift that it explains; 0 where it points the other way."""
        return max(0.0, min(1.0, self.shift / found)) if found else 0.0


CHECKS = {
    "water": "measure the water in the jug: temperature, pH and alkalinity, beside the trial's",
    "dough": "probe the next dough in its middle as soon as the mixer stops",
    "minutes": "write down when flour is wetted and when the last tray is in the cooler",
    "stacking": "read a ball of the outer and one of the inmost tray of the same lot",
    "cooler": "leave a thermometer in a glass of water in the middle of the cooler for a night and "
    "compare it with the display; look at the door seal",
    "room": "read a ball straight from the cooler and again after its warm-up",
}


def walk_faults(
    recipe: Recipe,
    standing: Standing,
    records: DailyRecords,
    *,
    body: Body,
    film: Film = FILMS["box"],
    show: str = "",
) -> list[Suspect]:
    """Walk from the water to the room.

    Parameters
    ----------
    recipe : Recipe
    standing : Standing
        With at least one point.
    records : DailyRecords
        Lots whose water, dough and times were recorded.
    body : Body
        A ball of the recipe.
    film : Film
        Of its box.
    show : str
        Unit of temperature to answer in.

    Returns
    -------
    list of Suspect
        Six, in the order of the walk.

    References
    ----------
    Slopes of the trial; else conduction (`follow_core`) and the clock (`Q10Model`). Which
    checks are named is common practice, no source.

    Examples
    --------
    >>> from doughlab.daily.journals import read_daily
    >>> from doughlab.daily.recipe import read_recipe
    >>> from doughlab.daily.standing import find_standing
    >>> from doughlab.formula.steps import usual_body
    >>> from doughlab.notebook import open_demo
    >>> folder = open_demo().folder
    >>> recipe, records = read_recipe(folder), read_daily(folder)
    >>> standing = find_standing(recipe, records)
    >>> walk = walk_faults(recipe, standing, records, body=usual_body())
    >>> [s.name for s in walk]
    ['water', 'dough', 'minutes', 'stacking', 'cooler', 'room']
    """
    return _Walk(recipe, standing, records, body, film, show).stations()


class _Walk:
    """Holds what every station needs."""

    def __init__(
        self, recipe: Recipe, standing: Standing, records: DailyRecords, body: Body, film: Film,
        show: str,
    ) -> None:  # fmt: skip
        self.recipe, self.usual, self.body, self.show = recipe, recipe.usual, body, show
        u = self.usual
        self.film = film
        self.steps = BallSteps(
            u.bench_h, max(0.0, recipe.hold_h - u.bench_h - u.warm_h), u.warm_h, dough_c=u.dough_c,
            bench_c=u.room_c, cooler_c=u.cooler_c, room_c=u.room_c, cooler_film=film,
            room_film=film,
        )  # fmt: skip
        self.clocks = [Q10Model(q, reference_c=u.cooler_c) for q in Q10]
        self.base = [self.steps.ripening_h(body, c) for c in self.clocks]
        self.points = standing.points[standing.first :]
        self.room_counted = bool(standing.chart.room_slope)
        self.lots = [records.lots[p.lot] for p in self.points if p.lot in records.lots]
        found = standing.shift
        self.found = 0.0 if found is None else found[0]
        self.up = self.found >= 0

    def stations(self) -> list[Suspect]:
        return [self.water(), self.dough(), self.minutes(), self.stacking(), self.cooler(),
                self.room()]  # fmt: skip

    def slopes(self) -> tuple[float, float, float]:
        lever = next((x for x in self.recipe.levers if x.unit == "h"), None)
        own = self.recipe.slope_h
        return (own, own, own) if lever is None else (lever.slope, lever.low, lever.high)

    def by_clock(self, **changes: Any) -> tuple[float, float, float]:
        """Give the pH shift of changed stays, its range over the clock and the slope."""
        changed = replace(self.steps, **changes)
        more = [changed.ripening_h(self.body, c) - b
                for c, b in zip(self.clocks, self.base, strict=True)]  # fmt: skip
        slopes = self.slopes()
        every = [m * s for m in more for s in slopes]
        return more[0] * slopes[0], min(every), max(every)

    def mean(self, key: str) -> float | None:
        values = [float(lot[key]) for lot in self.lots if lot[key] is not None]
        return sum(values) / len(values) if values else None

    def temp(self, value_c: float) -> str:
        return format_quantity(value_c, "temp_c", show=self.show, digits=0)

    def step(self, kind: str) -> float:
        """Give the difference to try where nothing is recorded: colder where pH is high."""
        return -OFF_C[kind] if self.up else OFF_C[kind]

    def degrees(self, step_c: float) -> str:
        size = abs(step_c) * (1.8 if self.show == "F" else 1.0)
        unit = "°F" if self.show == "F" else "°C"
        return f"{size:.0f} {unit} {'colder' if step_c < 0 else 'warmer'}"

    def by_temperature(
        self, name: str, value: float | None, usual: float,
        shift: Callable[[float], tuple[float, float, float]],
    ) -> Suspect:  # fmt: skip
        if value is not None:
            words = f"{self.temp(value)}, usual {self.temp(usual)}"
            return Suspect(name, words, True, *shift(value), CHECKS[name])
        step = self.step(name)
        words = f"not recorded; {self.degrees(step)} could"
        return Suspect(name, words, False, *shift(usual + step), CHECKS[name])

    def water(self) -> Suspect:
        """Temperature by the trial's slope, and another water than the settled one."""
        name = self.recipe.setting.get("water", "")
        used = {str(lot["water"]) for lot in self.lots if lot["water"]} - {name}
        other = next((w for w in self.recipe.waters if w.name in used), None)
        if other is not None:
            words = f"{other.name} was used, settled on {name}"
            return Suspect("water", words, True, other.shift, other.low, other.high,
                           CHECKS["water"])  # fmt: skip
        lever = next((x for x in self.recipe.levers if x.unit == "temp_c"
                      and "water" in f"{x.name} {x.words}".casefold()), None)  # fmt: skip
        if lever is not None:
            at = lever

            def shift(value: float) -> tuple[float, float, float]:
                ends = sorted((value - at.now) * s for s in (at.low, at.high))
                return (value - at.now) * at.slope, ends[0], ends[1]

            return self.by_temperature("water", self.mean("water_temp_c"), lever.now, shift)
        same = sorted(self.recipe.waters, key=lambda w: -w.shift if self.up else w.shift)
        if same:
            words = f"not recorded; {same[0].name} in its place could"
            return Suspect("water", words, False, same[0].shift, same[0].low, same[0].high,
                           CHECKS["water"])  # fmt: skip
        words = "the trial tried no other water or temperature, so nothing is known"
        return Suspect("water", words, False, 0.0, 0.0, 0.0, CHECKS["water"])

    def dough(self) -> Suspect:
        return self.by_temperature("dough", self.mean("dough_temp_c"), self.usual.dough_c,
                                   lambda v: self.by_clock(dough_c=v))  # fmt: skip

    def minutes(self) -> Suspect:
        """Time from wetting to the cooler, against the usual."""
        spans = [(lot["cooled_at"] - lot["mixed_at"]).total_seconds() / 3600
                 for lot in self.lots if lot["cooled_at"] is not None]  # fmt: skip
        if spans:
            span = sum(spans) / len(spans)
            diff = span - self.usual.before_h
            words = f"{span * 60:.0f} min to the cooler, usual {self.usual.before_h * 60:.0f}"
        else:
            diff = max(-OFF_H, -self.usual.bench_h) if self.up else OFF_H
            words = f"not recorded; {abs(diff) * 60:.0f} min {'less' if diff < 0 else 'more'} could"
        bench = max(0.0, self.usual.bench_h + diff)
        found = self.by_clock(bench_h=bench, cooler_h=max(0.0, self.steps.cooler_h - diff))
        return Suspect("minutes", words, bool(spans), *found, CHECKS["minutes"])

    def stacking(self) -> Suspect:
        """How fast a ball cools where it stands: the two ends of its film."""
        side = "high" if self.up else "low"
        value = self.film.at(side)
        found = self.by_clock(cooler_film=Film(value, value, value))
        how = "freer air around the boxes" if self.up else "boxes stacked close"
        return Suspect("stacking", f"not recorded; {how} could", False, *found, CHECKS["stacking"])

    def cooler(self) -> Suspect:
        """Take what the cooler said; where that explains little, what its display may hide."""
        found = [p.cooler_c for p in self.points if p.cooler_c is not None]
        if not found:
            return self.by_temperature("cooler", None, self.usual.cooler_c, self.by_cooler)
        value = sum(found) / len(found)
        said = self.by_temperature("cooler", value, self.usual.cooler_c, self.by_cooler)
        if said.share(self.found) >= ALONE:
            return said
        step = self.step("cooler")
        words = f"it says {self.temp(value)}; {self.degrees(step)} than it says could"
        return Suspect("cooler", words, False, *self.by_cooler(value + step), CHECKS["cooler"])

    def by_cooler(self, value: float) -> tuple[float, float, float]:
        return self.by_clock(cooler_c=value)

    def room(self) -> Suspect:
        found = [p.room_c for p in self.points if p.room_c is not None]
        value = sum(found) / len(found) if found else None
        if self.room_counted and value is not None:
            words = f"{self.temp(value)}, usual {self.temp(self.usual.room_c)}; counted already"
            return Suspect("room", words, True, 0.0, 0.0, 0.0, CHECKS["room"])
        return self.by_temperature("room", value, self.usual.room_c,
                                   lambda v: self.by_clock(bench_c=v, room_c=v))  # fmt: skip


NAMES: Mapping[str, str] = {
    "water": "water", "dough": "dough temperature", "minutes": "minutes to the cooler",
    "stacking": "place and stacking", "cooler": "cooler: door and logger", "room": "room",
}  # fmt: skip


def rank_faults(suspects: list[Suspect], shift: float) -> list[Suspect]:
    """Order the stations for checking: by the share they explain, what could be counting half.

    What points the other way, or explains nothing, is left out.

    Parameters
    ----------
    suspects : list of Suspect
        As from `walk_faults`.
    shift : float
        How far lots lie off, pH.

    Returns
    -------
    list of Suspect

    Examples
    --------
    >>> cold = Suspect("cooler", "2 °C, usual 4 °C", True, 0.06, 0.04, 0.09, CHECKS["cooler"])
    >>> warm = Suspect("room", "26 °C, usual 21 °C", True, -0.05, -0.07, -0.03, CHECKS["room"])
    >>> [s.name for s in rank_faults([warm, cold], 0.10)]
    ['cooler']
    """

    def weight(s: Suspect) -> float:
        return s.share(shift) * (1.0 if s.recorded else UNRECORDED)

    return [s for s in sorted(suspects, key=weight, reverse=True) if s.share(shift) > 0.02]


def _signed(value: float) -> str:
    """Write a shift with its sign; a zero has none."""
    text = f"{value:+.2f}"
    return "0.00" if float(text) == 0 else text


def fault_lines(
    suspects: list[Suspect], shift: tuple[float, float, float], *, lots: int = 2
) -> list[str]:
    """Set the walk in sentences: the shift, what to check first, then every station.

    Parameters
    ----------
    suspects : list of Suspect
        As from `walk_faults`.
    shift : tuple of float
        Mean and 95 % range of how far lots lie off.
    lots : int
        How many lots it is the mean of; after one, a second ball is asked for.

    Examples
    --------
    >>> cold = Suspect("cooler", "2 °C, usual 4 °C", True, 0.06, 0.04, 0.09, CHECKS["cooler"])
    >>> print(fault_lines([cold], (0.10, 0.05, 0.15))[0][:66])
    Fault finder: the last 2 lots lie 0.10 high (+0.05 to +0.15). Read
    """
    side = "high" if shift[0] > 0 else "low"
    who = "this lot lies" if lots == 1 else f"the last {lots} lots lie"
    out = [
        f"Fault finder: {who} {abs(shift[0]):.2f} {side} "
        f"({_signed(shift[1])} to {_signed(shift[2])}). Read the meter's buffers before anything "
        f"else{', and a second ball of this lot' if lots == 1 else ''}."
    ]
    ranked = rank_faults(suspects, shift[0])
    if ranked and all(s.share(shift[0]) < ALONE for s in ranked):
        out.append("Nothing on the walk explains it alone; also look at yeast, flour and scales.")
    if ranked:
        first = ranked[0]
        out.append(f"Check first: {NAMES[first.name]} ({first.words}): {first.check}.")
        if len(ranked) > 1:
            second = ranked[1]
            out.append(f"Then: {NAMES[second.name]}: {second.check}.")
    else:
        out.append("Nothing on the walk explains it: look at yeast, flour lot and scales.")
    for number, s in enumerate(suspects, start=1):
        verb = "explains" if s.recorded else "explain"
        ends = sorted((s.low, s.high))
        span = f"{_signed(s.shift)} ({_signed(ends[0])} to {_signed(ends[1])})"
        joint = f"; {verb}" if s.recorded else f" {verb}"
        out.append(f"  {number} {NAMES[s.name]}: {s.words}{joint} {span}")
    return out
