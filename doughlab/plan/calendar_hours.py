"""Hours: the time of day of every mix and every use, once the dates are chosen.

A mixed-integer program in steps: a column says "begun by then", so that waiting, holds and order
are differences of two columns and the program stays tight. `calendar` calls it; dates are left to
`calendar_dates`, and whether the result holds is found out by `replay`, which knows neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import ceil, floor
from time import monotonic
from typing import TYPE_CHECKING

from doughlab.plan.horizon import Choice, Horizon, mix_starts_on, step_days
from doughlab.plan.program import FOUND, NONE, Program
from doughlab.plan.work import BatchWork, DayWork, Use, WorkTimes, is_scored

if TYPE_CHECKING:
    import numpy as np

EARLIEST_SHARE = 0.6  # of the time goes to the earliest mixes; the rest to holds near to theirs


@dataclass(frozen=True)
class Timed:
    """Elapsed minutes of every mix and every use.

    Attributes
    ----------
    status : str
        As `Solved`.
    mixes : dict of str to int
        Batch to the minute of first wetting.
    uses : dict of str to int
        Ball to the minute it is read or baked.
    proven : bool
        Whether the mixes cannot be earlier, nor the holds nearer with these mixes.
    early_min : float
        Minutes by which all mixes together could be earlier at most; 0 where that is proven.
    """

    status: str
    mixes: dict[str, int] = field(default_factory=dict)
    uses: dict[str, int] = field(default_factory=dict)
    proven: bool = False
    early_min: float = 0.0

    @classmethod
    def join(cls, parts: Sequence[Timed]) -> Timed:
        """Put the hours of days that share nothing beside each other."""
        missing = [t.status for t in parts if t.status != FOUND]
        if missing:
            return cls(NONE if NONE in missing else missing[0])
        return cls(
            FOUND,
            {name: at for t in parts for name, at in t.mixes.items()},
            {name: at for t in parts for name, at in t.uses.items()},
            all(t.proven for t in parts),
            sum(t.early_min for t in parts),
        )


class _Start:
    """When something begins: a slot of the grid from `first` to `last`."""

    def __init__(self, program: Program, slots: Sequence[int]) -> None:
        self.first, self.last = slots[0], slots[-1]
        self.columns = program.add_columns(self.last - self.first)
        for a, b in pairwise(self.columns):
            program.add_row([(a, 1.0), (b, -1.0)], high=0)
        allowed = set(slots)
        for slot in range(self.first + 1, self.last):
            if slot not in allowed:
                begun, before = self.columns[slot - self.first], self.columns[slot - self.first - 1]
                program.add_row([(begun, 1.0), (before, -1.0)], low=0, high=0)

    def begun(self, slot: int) -> int | bool:
        """Give the column "begun by this slot", or False before it can and True after."""
        if slot < self.first:
            return False
        return True if slot >= self.last else self.columns[slot - self.first]

    def slot(self, values: np.ndarray) -> int:
        """Read the slot from the values of the columns."""
        return self.first + sum(bool(values[c] < 0.5) for c in self.columns)


@dataclass
class _Sum:
    """A sum of "begun by" columns and whole numbers."""

    terms: list[tuple[int, float]] = field(default_factory=list)
    constant: float = 0.0

    def add(self, begun: int | bool, by: float) -> None:
        if begun is True:
            self.constant += by
        elif begun is not False:
            self.terms.append((begun, by))

    def keep(
        self, program: Program, *, low: float | None = None, high: float | None = None
    ) -> None:
        """Make a row of it, unless it holds by itself."""
        most = self.constant + sum(max(v, 0.0) for _, v in self.terms)
        least = self.constant + sum(min(v, 0.0) for _, v in self.terms)
        if high is not None and most > high:
            program.add_row(self.terms, high=high - self.constant)
        if low is not None and least < low:
            program.add_row(self.terms, low=low - self.constant)


class _Busy:
    """Counts what is going on in every slot."""

    def __init__(self, grid: int) -> None:
        self.grid = grid
        self.slots: dict[int, _Sum] = {}

    def count(self, start: _Start, *, after: float, end: float) -> None:
        """Count a start whose work lasts from one minute after it to another."""
        if end <= after:
            return
        first, last = floor(after / self.grid), ceil(end / self.grid)
        for slot in range(start.first + first, start.last + last):
            row = self.slots.setdefault(slot, _Sum())
            row.add(start.begun(slot - first), 1.0)
            row.add(start.begun(slot - last), -1.0)

    def keep(self, program: Program, most: int) -> None:
        """Keep every slot to a limit."""
        for row in self.slots.values():
            row.keep(program, high=most)


class HourProgram:
    """The program of the hours for chosen dates.

    Parameters
    ----------
    horizon : Horizon
    times : WorkTimes
    days : sequence of (DayWork, Choice)
        Some or all mixing days.
    """

    def __init__(
        self, horizon: Horizon, times: WorkTimes, days: Sequence[tuple[DayWork, Choice]]
    ) -> None:
        self.horizon, self.times, self.days = horizon, times, days
        self.kitchen = horizon.settings.kitchen
        self.grid = self.kitchen.grid_min
        self.scored = is_scored(horizon.settings)
        self.holds = horizon.settings.hold is not None
        self.program = Program()
        self.mixes: dict[str, _Start] = {}
        self.uses: dict[str, tuple[_Start, Use, str]] = {}
        self.possible = all(self._lay_day(work, choice) for work, choice in days)
        if self.possible:
            self._limit_mixers()
            self._limit_hands()
            self._limit_oven()
            self._limit_warm()
            self._limit_cooler()

    def solve(self, seconds: float) -> Timed:
        """Find any hours that keep every limit."""
        if not self.possible:
            return Timed(NONE)
        solved = self.program.solve(seconds)
        if solved.status != FOUND or solved.values is None:
            return Timed(solved.status)
        mixed = {name: start.slot(solved.values) for name, start in self.mixes.items()}
        return self._timed(mixed, solved.values)

    def tidy(self, known: Timed, seconds: float) -> Timed:
        """Find the earliest mixes, then with these the holds nearest to what was asked.

        Parameters
        ----------
        known : Timed
            Hours that fit: they are kept where the time is up before better ones are found.
        seconds : float
        """
        end = monotonic() + seconds
        for start in self.mixes.values():
            for column in start.columns:
                self.program.cost[column] = -1.0
        solved = self.program.solve(seconds * EARLIEST_SHARE)
        mixed = {name: known.mixes[name] // self.grid for name in self.mixes}
        if solved.values is not None:
            earlier = {name: start.slot(solved.values) for name, start in self.mixes.items()}
            mixed = earlier if sum(earlier.values()) <= sum(mixed.values()) else mixed
        early = 0.0 if solved.proven else self._early_min(mixed, solved.bound)
        self._fix(mixed)
        nearer = self.program.solve(end - monotonic())
        if nearer.status == FOUND and nearer.values is not None:
            proven = solved.proven and nearer.proven
            return replace(self._timed(mixed, nearer.values), proven=proven, early_min=early)
        if solved.values is not None:
            mixed = {name: start.slot(solved.values) for name, start in self.mixes.items()}
            early = 0.0 if solved.proven else self._early_min(mixed, solved.bound)
            return replace(self._timed(mixed, solved.values), early_min=early)
        return replace(known, early_min=early)

    def _timed(self, mixed: dict[str, int], values: np.ndarray) -> Timed:
        used = {name: start.slot(values) for name, (start, _, _) in self.uses.items()}
        return Timed(
            FOUND,
            {name: slot * self.grid for name, slot in mixed.items()},
            {name: slot * self.grid for name, slot in used.items()},
        )

    def _early_min(self, mixed: dict[str, int], bound: float) -> float:
        """Give the minutes by which the mixes together could be earlier, as far as is known."""
        starts = self.mixes.values()
        least = max(sum(s.last for s in starts) + bound, float(sum(s.first for s in starts)))
        return max(0.0, sum(mixed.values()) - least) * self.grid

    def _fix(self, mixed: dict[str, int]) -> None:
        """Hold the mixes and price the minutes by which a use is off its hold."""
        program = self.program
        program.cost = [0.0] * len(program.cost)
        for name, slot in mixed.items():
            start = self.mixes[name]
            for i, column in enumerate(start.columns):
                value = float(start.first + i >= slot)
                program.add_row([(column, 1.0)], low=value, high=value)
        for start, use, batch in self.uses.values():
            ideal = mixed[batch] * self.grid + self.times.to_ball_min + use.hold_h * 60
            off = [abs(s * self.grid - ideal) for s in range(start.first, start.last + 1)]
            for i, column in enumerate(start.columns):
                program.cost[column] = off[i] - off[i + 1]

    def _lay_day(self, work: DayWork, choice: Choice) -> bool:
        """Lay the starts of one mixing day; False where something has no time at all."""
        starts = [
            at // self.grid
            for at in mix_starts_on(self.horizon, self.times, choice.day)
            if step_days(self.horizon, self.times, at) == choice.worked
        ]
        lead, mixers = ceil(self.times.mixer[0][1] / self.grid), self.kitchen.mixers
        count = len(work.batches)
        for i, batch in enumerate(work.batches):
            low = starts[0] + i // mixers * lead if starts else 0
            high = starts[-1] - (count - 1 - i) // mixers * lead if starts else -1
            slots = [s for s in starts if low <= s <= high]
            if not slots:
                return False
            self.mixes[batch.batch_id] = _Start(self.program, slots)
            if not self._lay_uses(work, choice, batch):
                return False
        self._keep_order(work, lead)
        first, last = (self.mixes[work.batches[i].batch_id] for i in (0, -1))
        terms = [(c, -float(self.grid)) for s in (first, last) for c in s.columns]
        fixed = 2 * self.times.to_ball_min + self.grid * (first.last + last.last)
        self.program.add_row(terms, low=2 * choice.low - fixed, high=2 * choice.high - fixed)
        return True

    def _keep_order(self, work: DayWork, lead: int) -> None:
        starts = [self.mixes[b.batch_id] for b in work.batches]
        for before, after in pairwise(starts):
            self._not_before(before, after, 0)
        for before, after in zip(starts, starts[self.kitchen.mixers :], strict=False):
            self._not_before(before, after, lead)

    def _not_before(self, first: _Start, then: _Start, wait: int) -> None:
        """Begin one thing at least some slots after another."""
        for slot in range(then.first, then.last + 1):
            row = _Sum()
            row.add(then.begun(slot), 1.0)
            row.add(first.begun(slot - wait), -1.0)
            row.keep(self.program, high=0)

    def _not_after(self, first: _Start, then: _Start, wait: int) -> None:
        """Begin one thing at most some slots after another."""
        for slot in range(then.first - 1, then.last):
            row = _Sum()
            row.add(then.begun(slot), 1.0)
            row.add(first.begun(slot - wait), -1.0)
            row.keep(self.program, low=0)

    def _lay_uses(self, work: DayWork, choice: Choice, batch: BatchWork) -> bool:
        mix, times, grid = self.mixes[batch.batch_id], self.times, self.grid
        off = self.kitchen.hold_tolerance_min
        session = dict(zip(work.holds, choice.sessions, strict=True))
        last: dict[tuple[float, str], _Start] = {}
        for use in batch.uses:
            wait = times.to_ball_min + use.hold_h * 60
            least = ceil(max(wait - off, times.to_ball_min + times.ball_min) / grid)
            most = floor((wait + off) / grid)
            low, high = self._span(session[use.hold_h][0], use)
            low = max(ceil(low / grid), mix.first + least)
            high = min(floor(high / grid), mix.last + most)
            if low > high or least > most:
                return False
            start = _Start(self.program, range(low, high + 1))
            self.uses[use.ball_id] = (start, use, batch.batch_id)
            self._not_before(mix, start, least)
            self._not_after(mix, start, most)
            twin = None if use.twice else last.get((use.hold_h, use.step))
            if twin is not None:  # balls that are alike are used in the order of their numbers
                self._not_before(twin, start, 0)
            if not use.twice:
                last[use.hold_h, use.step] = start
        return True

    def _span(self, day: int, use: Use) -> tuple[float, float]:
        """Give the first and the last minute at which a ball may be used on a date."""
        opens, closes = self.horizon.hours(day)
        if self.kitchen.read_at_night:
            opens, closes = self.horizon.midnights[day], self.horizon.midnights[day + 1] - 1
        minutes, hands = self.times.use[use.step]
        low, high = float(opens), closes - max(minutes, hands)
        if self._is_warmed(use) and not self.kitchen.read_at_night:
            low += self.times.warm_min
            high = min(high, closes - self.times.use["take_out"][1] + self.times.warm_min)
        panel = self.horizon.settings.panel
        if use.step == "bake" and self.scored:
            baked, tasted = minutes, self.times.use["score"][0]
            came = panel.from_at or self.kitchen.open_at
            left = panel.until_at or self.kitchen.close_at
            low = max(low, self.horizon.minute(day, came) - baked)
            high = min(high, self.horizon.minute(day, left) - baked - tasted)
        return low, high

    def _is_warmed(self, use: Use) -> bool:
        """Tell whether a ball comes out of the cooler before its use."""
        return self.holds and use.hold_h * 60 > self.times.warm_min

    def _limit_mixers(self) -> None:
        if len(self.times.mixer) == 1:
            return  # order and waits keep a single mix per batch apart
        busy = _Busy(self.grid)
        taken: list[tuple[float, float]] = []
        for a, b in self.times.mixer:  # on the grid two turns of one batch may share a slot
            a, b = floor(a / self.grid) * self.grid, ceil(b / self.grid) * self.grid
            taken.append((max(a, taken[-1][1]) if taken else a, b))
        for start in self.mixes.values():
            for a, b in taken:
                busy.count(start, after=a, end=b)
        busy.keep(self.program, self.kitchen.mixers)

    def _limit_hands(self) -> None:
        busy, use_times = _Busy(self.grid), self.times.use
        for start in self.mixes.values():
            for span in self.times.batch:
                busy.count(start, after=span.start, end=span.start + span.hands_min)
        for start, use, _ in self.uses.values():
            busy.count(start, after=0.0, end=use_times[use.step][1])
            if use.step == "bake" and self.scored:
                baked = use_times["bake"][0]
                busy.count(start, after=baked, end=baked + use_times["score"][1])
            if self._is_warmed(use):
                out = -self.times.warm_min
                first = use_times["read"][1] if use.twice else 0.0
                busy.count(start, after=out, end=out + use_times["take_out"][1])
                busy.count(start, after=out, end=out + first)
        busy.keep(self.program, self.kitchen.hands)

    def _limit_oven(self) -> None:
        busy = _Busy(self.grid)
        for start, use, _ in self.uses.values():
            if use.step == "bake":
                busy.count(start, after=0.0, end=60.0)
        busy.keep(self.program, self.kitchen.oven_slots_per_h)

    def _limit_warm(self) -> None:
        busy = _Busy(self.grid)
        for start, use, _ in self.uses.values():
            if self._is_warmed(use):
                busy.count(start, after=-self.times.warm_min, end=0.0)
        busy.keep(self.program, self.kitchen.warm_places)

    def _limit_cooler(self) -> None:
        """Count balls from balling to taking out; spares stay until their batch is used up."""
        if not self.holds:
            return
        enter = self.times.to_ball_min
        works = {b.batch_id: b for work, _ in self.days for b in work.batches}
        shift = floor(enter / self.grid)
        entered = {s + shift for m in self.mixes.values() for s in range(m.first, m.last + 1)}
        for slot in sorted(entered):  # it is never fuller than when balls come in
            row = _Sum()
            for name, start in self.mixes.items():
                balls, longest = (
                    works[name].balls,
                    max((u.hold_h for u in works[name].uses), default=0),
                )
                late = enter + longest * 60 + self.kitchen.hold_tolerance_min
                row.add(start.begun(slot - shift), balls)
                row.add(start.begun(slot - ceil(late / self.grid)), -works[name].spares)
            for start, use, _ in self.uses.values():
                warm = self.times.warm_min if self._is_warmed(use) else 0.0
                row.add(start.begun(slot + floor(warm / self.grid)), -1.0)
            row.keep(self.program, high=self.kitchen.cooler_places)
