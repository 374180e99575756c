"""Calendar: dates and hours for every step of a plan, within everything the kitchen can hold.

`doughlab plan --calendar` calls `lay_calendar`. Two programs, both solved by HiGHS: dates that are
the best there can be (`calendar_dates`), and hours for them or the proof that there are none
(`calendar_hours`); what does not fit is barred and the dates are chosen again. So the first
calendar that fits is the best one, on the time grid of the kitchen. Runs, days and the order
within a day stay as planned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from math import ceil
from time import monotonic
from typing import TYPE_CHECKING, Any

from doughlab.errors import PlanError
from doughlab.plan.calendar_dates import Aims, Cut, Dated, DateProgram
from doughlab.plan.calendar_hours import HourProgram, Timed
from doughlab.plan.designs import clock_minutes
from doughlab.plan.horizon import Choice, Horizon, count_days
from doughlab.plan.order import assign_places, draw_codes, make_rng
from doughlab.plan.pairs import add_first_readings
from doughlab.plan.program import FOUND, NONE
from doughlab.plan.replay import replay
from doughlab.plan.schedule import name_sessions
from doughlab.plan.work import DayWork, Use, WorkTimes, list_times, list_work

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

Row = dict[str, Any]
SECONDS = 20.0  # until it says how far it came; --minutes looks longer
DATES_SHARE = 0.5  # of the time that is left goes to dates, the rest to their hours
AIMS_SHARE = 0.6  # of the time goes to the best dates; then to any whose mixing days lie apart
_RANK = {"preferment": 0, "mix": 1, "ball": 2, "take_out": 3, "read": 4, "bake": 5}


@dataclass(frozen=True, repr=False)
class WeekPlan:
    """A plan with a calendar that fits the kitchen.

    Attributes
    ----------
    plan : Plan
        With new sessions, codes, places and due times; its batches are as they were.
    aims : Aims
        What the calendar reaches.
    proven : bool
        Whether no calendar serves more holds together, or takes fewer days, or ends sooner.
    best : Aims or None
        Where it is not proven: what a calendar could reach at best.
    tidy : bool
        Whether the hours within the days are proven too: earliest mixes, then nearest holds.
    seconds : float
        How long it took.
    early_min : float
        Minutes by which all mixes together could still be earlier at most; 0 where it is tidy.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> from dataclasses import replace
    >>> from doughlab.plan import build_plan, lay_calendar
    >>> demo = open_demo().settings
    >>> small = replace(demo, blocks=replace(demo.blocks, days=1, batches_per_day=12, replicates=1))
    >>> week = lay_calendar(build_plan(small))
    >>> week.gap
    (0, 0, 0)
    >>> print(week.notes[0][:30])
    Times stand on a grid of 10 mi
    """

    plan: Plan
    aims: Aims
    proven: bool
    best: Aims | None
    tidy: bool
    seconds: float
    early_min: float = 0.0

    @property
    def gap(self) -> tuple[int, int, int]:
        """How far each aim may be from the best: lone sessions, days, half days to the end."""
        if self.best is None:
            return (0, 0, 0)
        return (self.aims.alone - self.best.alone, self.aims.days - self.best.days,
                self.aims.end - self.best.end)  # fmt: skip

    @property
    def notes(self) -> tuple[str, ...]:
        """Say in sentences what was proven, and on what grid."""
        kitchen = self.plan.settings.kitchen
        grid = f"Times stand on a grid of {kitchen.grid_min} minutes"
        out = [f"{grid}; holds are exact within {kitchen.hold_tolerance_min:g} minutes."]
        start = date.fromisoformat(self.plan.settings.blocks.start_on)
        hold = self.plan.settings.hold
        holds = len(hold.levels) if hold is not None else 0
        reached = _aims_words(self.aims, start, holds=holds)
        if self.proven:
            out.append(f"Proven: no calendar does better in this order: {reached}.")
        else:
            at_best = ""
            if self.best is not None:
                at_best = f" At best: {_aims_words(self.best, start, holds=holds)}."
            out.append(f"Not proven, the time was up. Reached: {reached}.{at_best}")
        if not self.tidy:
            out.append(self._untidy())
        if not (self.proven and self.tidy):
            out[-1] += " To look longer: --minutes 5."
        return tuple(out)

    def _untidy(self) -> str:
        """Say what is not proven about the hours within the days, and how far it can be off."""
        each = self.early_min / max(1, len(self.plan.batches))
        what = "that no hold could be nearer to what was asked"
        if each >= 1.0:
            what = (
                f"that mixes stand as early as they can (at most {each:.0f} minutes earlier each, "
                "on average)"
            )
        return f"The hours fit every limit. Not proven, since {self.seconds:.0f} s were up: {what}."

    def __str__(self) -> str:
        """Give the size and the notes."""
        return "\n".join([str(self.plan), *self.notes])

    __repr__ = __str__


def _aims_words(aims: Aims, start: date, *, holds: int) -> str:
    lone = f"holds that meet no other hold in their session: {aims.alone}"
    if aims.alone == 0:
        lone = "every hold meets another one in its session"
    days = f"{aims.days} working day{'s' if aims.days != 1 else ''}"
    last = start + timedelta(days=aims.end // 2)
    said = [days, f"the last session on {last:%a %Y-%m-%d}"]
    return ", ".join([lone, *said] if holds > 1 else said)


class CalendarImpossible(PlanError):  # noqa: N818
    """No calendar fits the kitchen, proven; `explain` in `relax` says what would mend it."""


def lay_calendar(
    plan: Plan, *, formula: Formula | None = None, seconds: float = SECONDS
) -> WeekPlan:
    """Lay the calendar of a plan.

    Parameters
    ----------
    plan : Plan
        Its days, its batches and their order stay; `blocks.start_on` is the earliest mixing day.
    formula : Formula, optional
        Gives the steps of the dough.
    seconds : float
        Time to look for the best one; half of it more where nothing fits and a way out is sought.

    Returns
    -------
    WeekPlan
        Aims in this order: fewest sessions that serve one hold only, fewest days on which
        somebody works, earliest last session; then the earliest mixes, then holds as near to
        theirs as these allow.

    Raises
    ------
    CalendarImpossible
        When nothing fits: with the limit that breaks it and the cheapest way out.
    PlanError
        Without a first mixing day, when a batch is too large for the mixer, or when the time is
        up before any calendar is found.

    References
    ----------
    Whole-number programs solved by HiGHS through scipy; what comes before what is a rule of
    this project.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> from dataclasses import replace
    >>> from doughlab.plan import build_plan
    >>> demo = open_demo().settings
    >>> small = replace(demo, blocks=replace(demo.blocks, days=1, batches_per_day=12, replicates=1))
    >>> week = lay_calendar(build_plan(small))
    >>> week.proven
    True
    """
    began = monotonic()
    search = Search(plan.settings, list_work(plan), list_times(plan.settings, formula))
    found = search.run(seconds)
    if found is None:
        from doughlab.plan.relax import explain

        left = max(seconds - (monotonic() - began), seconds / 2)
        raise CalendarImpossible(explain(plan, formula=formula, seconds=left))
    return _fill(plan, search, found, formula, monotonic() - began)


@dataclass(frozen=True)
class Laid:
    """Dates and hours that fit."""

    choices: tuple[Choice, ...]
    timed: Timed
    aims: Aims
    proven: bool
    best: Aims | None


class Search:
    """Looks for the best dates whose hours fit.

    Parameters
    ----------
    settings : Settings
    works : sequence of DayWork
    times : WorkTimes
    aimless : bool
        Whether any calendar will do; it is found sooner.
    """

    def __init__(
        self,
        settings: Settings,
        works: Sequence[DayWork],
        times: WorkTimes,
        *,
        aimless: bool = False,
    ) -> None:
        if not settings.blocks.start_on:
            raise PlanError(
                'A calendar needs its first mixing day: set start_on = "YYYY-MM-DD" in [blocks] '
                "of trial.toml."
            )
        start = date.fromisoformat(settings.blocks.start_on)
        lead = -min(0.0, *(s.start for s in times.batch), 0.0)
        self.settings, self.works, self.times = settings, works, times
        self.aimless = aimless
        self.horizon = Horizon(settings, start, days=count_days(works), before=ceil(lead / 1440))
        # shapes of groups of days: one of them, with hours that fit or that none do
        self._known: dict[object, tuple[Cut, Timed]] = {}

    def may_fit(self, seconds: float) -> bool:
        """Tell whether dates alone speak against every calendar."""
        limit = self.settings.kitchen.mixer_balls
        if limit is not None and any(b.balls > limit for w in self.works for b in w.batches):
            return False
        program = DateProgram(self.horizon, self.times, self.works, aimless=True)
        return program.solve(seconds).status != NONE

    def run(self, seconds: float, *, tidy: bool = True) -> Laid | None:
        """Find the best calendar; None when it is proven that there is none.

        Raises
        ------
        PlanError
            When the time is up before anything is found.
        """
        end, first_end = monotonic() + seconds, monotonic() + seconds * AIMS_SHARE
        limit = self.settings.kitchen.mixer_balls
        if limit is not None and any(b.balls > limit for w in self.works for b in w.batches):
            return None
        chosen, best, ruled_out = self._look(first_end)
        if ruled_out:
            return None
        proven = chosen is not None and chosen.aims == best
        if chosen is None:  # mixing days that share no date ask little of the kitchen
            chosen = self._look_apart(end)
        if chosen is None or chosen.aims is None:
            raise PlanError(
                f"No calendar was found in {seconds:.0f} s, and none was ruled out. Look longer "
                "(--minutes 5), or take a wider grid_min in [kitchen] or fewer batches a day."
            )
        timed = self._hours(chosen.choices, end - monotonic())
        if tidy:
            timed = self._tidy(chosen.choices, end - monotonic())
        return Laid(chosen.choices, timed, chosen.aims, proven, None if proven else best)

    def _look_apart(self, end: float) -> Dated | None:
        """Look for dates that share nothing: the best of them, else any."""
        middle = monotonic() + (end - monotonic()) / 2.0
        return self._look(middle, apart=True)[0] or self._look(end, apart=True, aimless=True)[0]

    def _look(
        self, end: float, *, apart: bool = False, aimless: bool | None = None
    ) -> tuple[Dated | None, Aims | None, bool]:
        """Look for dates whose hours fit; also give what is proven the best, or that none fit."""
        any_dates = self.aimless if aimless is None else aimless
        program = DateProgram(self.horizon, self.times, self.works, aimless=any_dates, apart=apart)
        best: Aims | None = None
        proven = True
        while monotonic() < end:
            dated = program.solve((end - monotonic()) * DATES_SHARE)
            if dated.status == NONE and proven:
                return None, None, True
            if not dated.choices:
                break
            if proven and dated.status == FOUND:  # nothing that fits does better than this
                best = dated.aims
            timed = self._hours(dated.choices, end - monotonic())
            if timed.status == FOUND:
                return dated, best, False
            proven = proven and timed.status == NONE
            program.add_cut(self._cut(dated, timed, end))
        return None, best, False

    def _hours(
        self, choices: Sequence[Choice], seconds: float, *, only: Sequence[int] = ()
    ) -> Timed:
        """Find hours for each group of days that share something, until one has none."""
        end = monotonic() + seconds
        parts: list[Timed] = []
        for group in self._groups(choices, only or range(len(choices))):
            days = tuple((d, choices[d]) for d in group)
            shape = self._shape(days)
            if shape not in self._known:
                found = self._program(days).solve(end - monotonic())
                if found.status not in (NONE, FOUND):
                    return found
                self._known[shape] = days, found
            if self._known[shape][1].status == NONE:
                return Timed(NONE)
            parts.append(self._moved(self._known[shape], days))
        return Timed.join(parts)

    def _tidy(self, choices: Sequence[Choice], seconds: float) -> Timed:
        """Bring hours that fit to the earliest mixes and the nearest holds, group by group."""
        end = monotonic() + seconds
        groups = [
            tuple((d, choices[d]) for d in g) for g in self._groups(choices, range(len(choices)))
        ]
        tidied: dict[object, tuple[Cut, Timed]] = {}
        different = len({self._shape(days) for days in groups})
        for days in groups:
            shape = self._shape(days)
            if shape not in tidied:
                share = (end - monotonic()) / (different - len(tidied))
                known = self._moved(self._known[shape], days)
                tidied[shape] = days, self._program(days).tidy(known, share)
        return Timed.join([self._moved(tidied[self._shape(days)], days) for days in groups])

    def _shape(self, days: Cut) -> object:
        """Give what two groups of days share when one is the other some days later."""
        night, first = self.horizon.midnights, days[0][1].day
        out = []
        for d, c in days:
            span = c.low - night[c.day], c.high - night[c.day]
            ends = [(night[on] - night[first], night[on + 1] - night[first])
                    for on in sorted(c.dates)]  # fmt: skip
            out.append((self.works[d].kind, c.day - first, c.shape, span, tuple(ends)))
        return tuple(out)

    def _moved(self, known: tuple[Cut, Timed], days: Cut) -> Timed:
        """Give the hours of a group that is another one some days later."""
        there, timed = known
        night = self.horizon.midnights
        by = night[days[0][1].day] - night[there[0][1].day]
        pairs = [
            pair
            for (a, _), (b, _) in zip(there, days, strict=True)
            for pair in zip(self.works[a].batches, self.works[b].batches, strict=True)
        ]
        uses = [
            (old.ball_id, new.ball_id)
            for a, b in pairs
            for old, new in zip(_in_order(a.uses), _in_order(b.uses), strict=True)
        ]
        mixes = {b.batch_id: timed.mixes[a.batch_id] + by for a, b in pairs}
        used = {new: timed.uses[old] + by for old, new in uses}
        return replace(timed, mixes=mixes, uses=used)

    def _program(self, days: Cut) -> HourProgram:
        return HourProgram(self.horizon, self.times, [(self.works[d], c) for d, c in days])

    def _groups(self, choices: Sequence[Choice], kept: Sequence[int]) -> list[list[int]]:
        """Part the days into groups that share no date: nothing of one limits another."""
        kitchen = self.settings.kitchen
        night = 1440 - clock_minutes(kitchen.close_at) + clock_minutes(kitchen.open_at)
        apart = 1 if kitchen.read_at_night or night < max(60.0, self.times.warm_min) else 0
        groups: list[list[int]] = []
        last = -1
        for d in sorted(kept, key=lambda d: min(choices[d].dates)):
            dates = choices[d].dates
            if groups and min(dates) <= last + apart:
                groups[-1].append(d)
            else:
                groups.append([d])
            last = max(last, *dates)
        return groups

    def _cut(self, dated: Dated, timed: Timed, end: float) -> Cut:
        """Find the fewest days that do not go together, by leaving one after another out."""
        kept = list(range(len(dated.choices)))
        chosen = dated.choices
        if timed.status == NONE:
            for group in self._groups(chosen, kept):
                known = self._known.get(self._shape(tuple((d, chosen[d]) for d in group)))
                if known is not None and known[1].status == NONE:
                    kept = group
                    break
            for d in list(kept):
                fewer = [k for k in kept if k != d]
                if fewer and monotonic() < end:
                    part = self._hours(chosen, end - monotonic(), only=fewer)
                    kept = fewer if part.status == NONE else kept
        return tuple((d, dated.choices[d]) for d in kept)


def _in_order(uses: Sequence[Use]) -> list[Use]:
    """Sort the uses of a batch so that those of a batch that asks the same stand beside them."""
    return sorted(uses, key=lambda u: (u.hold_h, u.step, u.twice, u.ball_id))


def _fill(
    plan: Plan, search: Search, found: Laid, formula: Formula | None, seconds: float
) -> WeekPlan:
    """Write dates and hours into the rows of the plan, and replay them."""
    horizon, times = search.horizon, search.times
    mixed = {name: horizon.moment(m) for name, m in found.timed.mixes.items()}
    balled = {name: horizon.moment(m + times.to_ball_min) for name, m in found.timed.mixes.items()}
    used = {name: horizon.moment(m) for name, m in found.timed.uses.items()}
    balls = [dict(b) for b in plan.balls]
    _give_sessions(balls, search, found)
    leaves = _give_places(plan, balls, search, found, balled)
    rows: list[Row] = []
    lead = -min(0.0, *(s.start for s in times.batch), 0.0)
    for name, at in mixed.items():
        start = horizon.moment(found.timed.mixes[name] - lead)
        if times.batch[0].step == "preferment":
            rows.append({"step": "preferment", "item": name, "due_at": start, "place": None})
        rows.append({"step": "mix", "item": name, "due_at": at, "place": None})
        rows.append({"step": "ball", "item": name, "due_at": balled[name], "place": None})
    place = {b["ball_id"]: b["place"] for b in balls}
    for work in search.works:
        for use in (u for b in work.batches for u in b.uses):
            if use.ball_id in leaves:
                out = leaves[use.ball_id]
                rows.append({"step": "take_out", "item": use.ball_id, "due_at": out,
                             "place": place[use.ball_id]})  # fmt: skip
            rows.append({"step": use.step, "item": use.ball_id, "due_at": used[use.ball_id],
                         "place": None})  # fmt: skip
    rows.sort(key=lambda r: (r["due_at"], _RANK[r["step"]], r["item"]))
    dated = add_first_readings(plan.settings, balls, rows)
    laid = replace(plan, balls=tuple(balls), schedule=dated)
    wrong = replay(laid, formula=formula)
    if wrong:
        raise RuntimeError("the calendar does not pass its replay: " + " ".join(wrong[:3]))
    timed = found.timed
    return WeekPlan(laid, found.aims, found.proven, found.best, timed.proven, seconds,
                    timed.early_min)  # fmt: skip


def _give_sessions(balls: Sequence[Row], search: Search, found: Laid) -> None:
    """Name the sessions in time order, and draw codes that are unique in each."""
    dates = search.horizon.dates
    keys: dict[str, tuple[date, int]] = {}
    for work, choice in zip(search.works, found.choices, strict=True):
        session = dict(zip(work.holds, choice.sessions, strict=True))
        for use in (u for b in work.batches for u in b.uses):
            day, half = session[use.hold_h]
            keys[use.ball_id] = (dates[day], half)
    names = name_sessions(set(keys.values()))
    baked: dict[str, list[Row]] = {}
    for ball in balls:
        key = keys.get(ball["ball_id"])
        ball["session"] = names[key] if key else None
        ball["blind_code"] = None
        if ball["purpose"] == "bake":
            baked.setdefault(ball["session"], []).append(ball)
    for name, rows in baked.items():
        codes = draw_codes(len(rows), make_rng(search.settings.seed, f"codes/{name}"))
        for ball, code in zip(rows, codes, strict=True):
            ball["blind_code"] = code


def _give_places(
    plan: Plan, balls: Sequence[Row], search: Search, found: Laid, balled: dict[str, datetime]
) -> dict[str, datetime]:
    """Give every ball its place in the cooler; return when each is taken out."""
    horizon, times, timed = search.horizon, search.times, found.timed
    if plan.settings.hold is None:
        return {}
    uses = {u.ball_id: u for w in search.works for b in w.batches for u in b.uses}
    leaves = {
        name: horizon.moment(timed.uses[name] - times.warm_min)
        for name, use in uses.items()
        if use.hold_h * 60 > times.warm_min
    }
    last: dict[str, datetime] = {}
    for ball in balls:
        at = leaves.get(ball["ball_id"], balled[ball["batch_id"]])
        last[ball["batch_id"]] = max(at, last.get(ball["batch_id"], at))
    stays = [
        (b["ball_id"], b["batch_id"], balled[b["batch_id"]],
         last[b["batch_id"]] if b["purpose"] == "spare"
         else leaves.get(b["ball_id"], balled[b["batch_id"]]))
        for b in balls
    ]  # fmt: skip
    kitchen, rng = plan.settings.kitchen, make_rng(plan.seed, "places")
    places = assign_places(stays, kitchen.cooler_places, kitchen.shelves, rng)
    for ball in balls:
        ball["place"] = places[ball["ball_id"]]
    return leaves if times.warm_min else {}
