"""Dates: which date each mixing day gets, by a program of its own, proven.

`calendar` asks for dates, tries the hours of them, and bars what does not fit. The program knows
everything that hangs on dates alone: closed days, sessions, tasters, the cooler at night, hours.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

from doughlab.plan.horizon import Choice, Horizon, list_choices, longest_gap
from doughlab.plan.program import FOUND, UNKNOWN, Program, Solved
from doughlab.plan.work import DayWork, WorkTimes, count_twice, is_scored

if TYPE_CHECKING:
    pass

FIRST_WITHIN = 6  # days after start_on at which the first mixing day may still lie

Cut = tuple[tuple[int, Choice], ...]
"""Choices of some mixing days that do not go together."""


@dataclass(frozen=True)
class Aims:
    """What a calendar is judged by, the first thing first.

    Attributes
    ----------
    alone : int
        Holds of a mixing day that meet no other hold in their session; 0 where the trial has
        fewer than two.
    days : int
        Dates on which somebody works.
    end : int
        Half days from the first possible date to the last session.
    """

    alone: int
    days: int
    end: int


@dataclass(frozen=True)
class Dated:
    """Dates that were found, and what is known about others.

    Attributes
    ----------
    status : str
        As `Solved`.
    choices : tuple of Choice
        One for each mixing day.
    aims : Aims or None
    """

    status: str
    choices: tuple[Choice, ...] = ()
    aims: Aims | None = None


class DateProgram:
    """The program of the dates; it is solved again after every cut.

    Parameters
    ----------
    horizon : Horizon
    times : WorkTimes
    works : sequence of DayWork, shape (d,)
    aimless : bool
        Whether any dates will do.
    apart : bool
        Whether a mixing day begins only after everything of the one before is used.
    """

    def __init__(
        self,
        horizon: Horizon,
        times: WorkTimes,
        works: Sequence[DayWork],
        *,
        aimless: bool = False,
        apart: bool = False,
    ) -> None:
        self.horizon, self.times, self.works = horizon, times, works
        self.apart = apart
        self.settings = horizon.settings
        days = range(horizon.before, len(horizon.dates))
        known: dict[tuple[object, int], list[Choice]] = {}
        self.choices: list[list[Choice]] = []
        for work in works:
            kind = (len(work.batches), work.holds)
            for day in days:
                if (kind, day) not in known:
                    known[kind, day] = list_choices(horizon, times, work, day)
            self.choices.append([c for day in days for c in known[kind, day]])
        self.gap = longest_gap(works)
        self.choices = self._within_reach(self.choices)
        self.program = Program()
        self.columns: list[dict[Choice, int]] = []
        self.arcs: list[dict[tuple[Choice, Choice], int]] = []
        if all(self.choices):
            self._lay(aimless=aimless)

    def _within_reach(self, choices: Sequence[list[Choice]]) -> list[list[Choice]]:
        """Keep the dates that a mixing day can have: the first one in the first week."""
        first = self.horizon.before
        return [
            [c for c in own if first + d <= c.day <= first + FIRST_WITHIN + d * self.gap]
            for d, own in enumerate(choices)
        ]

    def add_cut(self, cut: Cut) -> None:
        """Bar choices that do not go together, wherever the same comes again."""
        for moved in self._moved(cut):
            terms = [(self.columns[d][c], 1.0) for d, c in moved]
            self.program.add_row(terms, high=len(terms) - 1)

    def _moved(self, cut: Cut) -> list[Cut]:
        """List a cut for all mixing days that ask the same, on every date that is the same."""
        out = []
        first = cut[0][1].day
        asked = [self.works[d].kind for d, _ in cut]
        for own in combinations(range(len(self.works)), len(cut)):
            if [self.works[d].kind for d in own] != asked:
                continue
            for day in range(self.horizon.before, len(self.horizon.dates)):
                moved = [(d, self._twin(d, c, day - first))
                         for d, (_, c) in zip(own, cut, strict=True)]  # fmt: skip
                if all(twin is not None for _, twin in moved):
                    out.append(tuple((d, twin) for d, twin in moved if twin is not None))
        return out

    def _twin(self, d: int, choice: Choice, by: int) -> Choice | None:
        """Find the choice that is the same, some days later."""
        night = self.horizon.midnights
        for twin in self.columns[d]:
            if twin.day != choice.day + by or twin.shape != choice.shape:
                continue
            last = max([choice.day, *(day for day, _ in choice.sessions)])
            shift = night[twin.day] - night[choice.day]
            same_clock = all(night[i + by] - night[i] == shift for i in range(choice.day, last + 1))
            spans = (twin.low - choice.low, twin.high - choice.high)
            if same_clock and spans == (shift, shift):
                return twin
        return None

    def solve(self, seconds: float) -> Dated:
        """Find the best dates that no cut bars."""
        if any(not c for c in self.choices):
            return Dated("none")
        solved = self.program.solve(seconds)
        if solved.status != FOUND or solved.values is None:
            return Dated(solved.status)
        chosen = self._chosen(solved)
        if not solved.proven:
            return Dated(UNKNOWN, chosen, self.measure(chosen))
        return Dated(FOUND, chosen, self.measure(chosen))

    def _chosen(self, solved: Solved) -> tuple[Choice, ...]:
        values = solved.values
        if values is None:
            return ()
        return tuple(max(own, key=lambda c: values[own[c]]) for own in self.columns)

    def measure(self, choices: Sequence[Choice]) -> Aims:
        """Tell what a calendar with these choices reaches."""
        served: dict[tuple[int, int], set[float]] = {}
        worked: set[int] = set()
        for work, choice in zip(self.works, choices, strict=True):
            for hold, session in zip(work.holds, choice.sessions, strict=True):
                served.setdefault(session, set()).add(hold)
            worked |= choice.dates
        alone = (
            sum(len(served[session]) == 1 for choice in choices for session in choice.sessions)
            if self._holds() > 1
            else 0
        )
        end = max(2 * (day - self.horizon.before) + half for day, half in served)
        return Aims(alone, len(worked), end)

    def _holds(self) -> int:
        return len({h for w in self.works for h in w.holds})

    def _lay(self, *, aimless: bool) -> None:
        p = self.program
        for own in self.choices:
            self.columns.append(dict(zip(own, p.add_columns(len(own)), strict=True)))
            p.add_row([(c, 1.0) for c in self.columns[-1].values()], low=1, high=1)
        self.served: list[dict[tuple[int, int], list[Choice]]] = []
        for own in self.choices:
            served: dict[tuple[int, int], list[Choice]] = {}
            for choice in own:
                for session in set(choice.sessions):
                    served.setdefault(session, []).append(choice)
            self.served.append(served)
        self._keep_order()
        if not aimless:
            self._weigh()
        self._limit_days()
        self._limit_uses()
        self._limit_sessions()
        self._limit_cooler()

    def _keep_order(self) -> None:
        """Lead from each mixing day to the next: later, and within the gap that is ever needed."""
        p = self.program
        for before, after in pairwise(self.columns):
            pairs = [
                (c, d)
                for c in before
                for d in after
                if 0 < d.day - c.day <= self.gap
                and not (self.apart and min(d.dates) <= max(c.dates) + 1)
            ]
            arcs = dict(zip(pairs, p.add_columns(len(pairs), whole=False), strict=True))
            self.arcs.append(arcs)
            for place, own in enumerate((before, after)):
                through: dict[Choice, list[int]] = {c: [] for c in own}
                for pair, arc in arcs.items():
                    through[pair[place]].append(arc)
                for choice, ways in through.items():
                    p.add_row([(own[choice], 1.0), *((w, -1.0) for w in ways)], low=0, high=0)

    def _weigh(self) -> None:
        """Price sessions of one hold, days of work and the end, each far above the next."""
        p, dates = self.program, len(self.horizon.dates)
        later: list[dict[Choice, int]] = [_rank_hours(own) for own in self.columns]
        per_end = float(1 + sum(max(rank.values(), default=0) for rank in later))
        per_day = per_end * (2 * dates + 1)
        per_alone = per_day * (dates + 1)
        for own, rank in zip(self.columns, later, strict=True):
            for choice, column in own.items():
                p.cost[column] += rank[choice]  # among equals, the earlier hours
        for choice, column in self.columns[-1].items():
            last = max((2 * day + half for day, half in choice.sessions), default=0)
            p.cost[column] += per_end * last
        used: dict[int, int] = {}
        for own in self.columns:
            worked: dict[int, list[int]] = {}
            for choice, column in own.items():
                for day in choice.dates:
                    worked.setdefault(day, []).append(column)
            for day, columns in worked.items():
                if day not in used:
                    (used[day],) = p.add_columns(1, whole=False)
                    p.cost[used[day]] = per_day
                p.add_row([(used[day], 1.0), *((c, -1.0) for c in columns)], low=0)
        if self._holds() > 1:
            for d in range(len(self.works)):
                self._price_alone(d, per_alone)

    def _price_alone(self, d: int, price: float) -> None:
        """Reward every hold of a mixing day whose session serves another hold too."""
        p = self.program
        for choice, column in self.columns[d].items():
            for hold, session in zip(self.works[d].holds, choice.sessions, strict=True):
                beside = self._beside(d, choice, hold, session)
                if not beside:
                    continue
                (together,) = p.add_columns(1, whole=False)
                p.cost[together] = -price
                p.add_row([(together, 1.0), (column, -1.0)], high=0)
                p.add_row([(together, 1.0), *((b, -1.0) for b in beside)], high=0)

    def _beside(self, d: int, choice: Choice, hold: float, session: tuple[int, int]) -> list[int]:
        """List the columns that put another hold into a session of a mixing day."""
        if any(s == session and h != hold
               for h, s in zip(self.works[d].holds, choice.sessions, strict=True)):  # fmt: skip
            return [self.columns[d][choice]]
        found = []
        for e, work in enumerate(self.works):
            joins = [c for c in self.served[e].get(session, ())
                     if any(s == session and h != hold
                            for h, s in zip(work.holds, c.sessions, strict=True))]  # fmt: skip
            if e == d - 1:
                found += [self.arcs[e][c, choice] for c in joins if (c, choice) in self.arcs[e]]
            elif e == d + 1:
                found += [self.arcs[d][choice, c] for c in joins if (choice, c) in self.arcs[d]]
            elif e != d:
                found += [self.columns[e][c] for c in joins]
        return found

    def _limit_days(self) -> None:
        """Keep the hours of hands, and the bakes that the oven and the day can take."""
        kitchen = self.settings.kitchen
        open_min = self.horizon.hours(0)[1] - self.horizon.hours(0)[0]
        room = kitchen.hands * open_min
        if kitchen.read_at_night:
            room = kitchen.hands * 1500
        if kitchen.staff_h is not None:
            room = min(room, int(kitchen.staff_h * 60))
        needed: dict[int, list[tuple[int, float]]] = {}
        for work, own in zip(self.works, self.columns, strict=True):
            for choice, column in own.items():
                for day, minutes in self._hands(work, choice).items():
                    needed.setdefault(day, []).append((column, minutes))
        for terms in needed.values():
            if sum(minutes for _, minutes in terms) > room:
                self.program.add_row(terms, high=room)

    def _hands(self, work: DayWork, choice: Choice) -> dict[int, float]:
        """Count the minutes of hands that a choice asks of each date."""
        found: dict[int, float] = {}
        spans = [s for s in self.times.batch if s.step != "cool"]
        for span, day in zip(spans, choice.worked, strict=True):
            found[day] = found.get(day, 0.0) + span.hands_min * len(work.batches)
        for hold, (day, _) in zip(work.holds, choice.sessions, strict=True):
            twice = count_twice(work, hold)
            found[day] = found.get(day, 0.0) + self.times.use["read"][1] * twice
            for step in ("read", "bake"):
                count = work.count(hold, step)
                found[day] = found.get(day, 0.0) + self.times.use[step][1] * count
                if step == "bake" and is_scored(self.settings):
                    found[day] += self.times.use["score"][1] * count
                if hold * 60 > self.times.warm_min:
                    found[day] += self.times.use["take_out"][1] * count
        return {day: minutes for day, minutes in found.items() if minutes > 0}

    def _limit_uses(self) -> None:
        """Keep the bakes of a date, and the balls that warm up, to what its hours can take."""
        kitchen, warm = self.settings.kitchen, max(self.times.warm_min, 1.0)
        limits = {"bake": (60.0, kitchen.oven_slots_per_h)}
        if self.settings.hold is not None:
            limits[""] = (warm, kitchen.warm_places)
        for step, (every, places) in limits.items():
            used: dict[int, list[tuple[int, float]]] = {}
            for work, own in zip(self.works, self.columns, strict=True):
                for choice, column in own.items():
                    for hold, (day, _) in zip(work.holds, choice.sessions, strict=True):
                        if step or hold * 60 > warm:
                            steps = (step,) if step else ("read", "bake")
                            count = sum(work.count(hold, s) for s in steps)
                            used.setdefault(day, []).append((column, count))
            for day, terms in used.items():
                most = places * (self._length(day, step) // every + 1)
                if sum(n for _, n in terms) > most:
                    self.program.add_row(terms, high=most)

    def _length(self, day: int, step: str) -> float:
        """Give the minutes between the first and the last use that a date allows."""
        kitchen, panel = self.settings.kitchen, self.settings.panel
        night = self.horizon.midnights
        opens, closes = self.horizon.hours(day)
        if kitchen.read_at_night:
            opens, closes = night[day], night[day + 1]
        low, high = float(opens), float(closes)
        warmed = all(h * 60 > self.times.warm_min for w in self.works for h in w.holds)
        if self.settings.hold is not None and warmed and not kitchen.read_at_night:
            low += self.times.warm_min
        if step == "bake" and is_scored(self.settings):
            baked, tasted = self.times.use["bake"][0], self.times.use["score"][0]
            low = max(low, self.horizon.minute(day, panel.from_at or kitchen.open_at) - baked)
            left = self.horizon.minute(day, panel.until_at or kitchen.close_at)
            high = min(high, left - baked - tasted)
        return max(0.0, high - low)

    def _limit_sessions(self) -> None:
        """Keep what a judge tastes in a session."""
        if not is_scored(self.settings):
            return
        tasted: dict[tuple[int, int], list[tuple[int, float]]] = {}
        for work, own in zip(self.works, self.columns, strict=True):
            for choice, column in own.items():
                for hold, session in zip(work.holds, choice.sessions, strict=True):
                    tasted.setdefault(session, []).append((column, work.count(hold, "bake")))
        for terms in tasted.values():
            self.program.add_row(terms, high=self.settings.panel.samples_per_session)

    def _limit_cooler(self) -> None:
        """Keep the balls that stand in the cooler over each night."""
        if self.settings.hold is None:
            return
        for night in range(self.horizon.before, len(self.horizon.dates)):
            end = self.horizon.midnights[night + 1]
            terms = []
            for work, own in zip(self.works, self.columns, strict=True):
                for choice, column in own.items():
                    inside = self._inside(work, choice, end)
                    if inside:
                        terms.append((column, float(inside)))
            if terms:
                self.program.add_row(terms, high=self.settings.kitchen.cooler_places)

    def _inside(self, work: DayWork, choice: Choice, midnight: int) -> int:
        """Count the balls of a day that must be in the cooler at a midnight."""
        steps = [s.step for s in self.times.batch if s.step != "cool"]
        night = self.horizon.midnights
        if night[choice.worked[steps.index("ball")]] >= midnight:
            return 0
        if self.settings.kitchen.read_at_night:  # warming up may begin before midnight
            late = {h for h, (day, _) in zip(work.holds, choice.sessions, strict=True)
                    if night[day] > midnight}  # fmt: skip
        else:
            late = {h for h, (day, _) in zip(work.holds, choice.sessions, strict=True)
                    if night[day] >= midnight}  # fmt: skip
        balls = 0
        for batch in work.batches:
            own = sum(u.hold_h in late for u in batch.uses)
            longest = max((u.hold_h for u in batch.uses), default=None)
            balls += own + (batch.spares if longest in late else 0)
        return balls


def _rank_hours(choices: Iterable[Choice]) -> dict[Choice, int]:
    """Rank the choices of each date by their hours, from 0."""
    seen: dict[int, int] = {}
    ranks: dict[Choice, int] = {}
    for choice in sorted(choices, key=lambda c: c.low):
        ranks[choice] = seen.get(choice.day, 0)
        seen[choice.day] = ranks[choice] + 1
    return ranks
