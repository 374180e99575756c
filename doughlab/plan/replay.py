"""Replay: walks through a calendar minute by minute and lists everything that does not hold.

It reads the rows of the plan and the limits of the kitchen, and nothing of the programs that made
them: no grid, no slots, no choices. `calendar` shows no result that it objects to.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.plan.pairs import PAIR
from doughlab.plan.work import WorkTimes, is_scored, list_times
from doughlab.tables import PIERCED
from doughlab.workday import WEEKDAYS

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

Row = Mapping[str, Any]


def replay(plan: Plan, *, formula: Formula | None = None) -> list[str]:
    """Replay the schedule of a plan against its kitchen.

    Parameters
    ----------
    plan : Plan
        With dates.
    formula : Formula, optional
        Gives the steps of the dough.

    Returns
    -------
    list of str
        Sentences; empty where every step is there once and in order, every hold within its
        tolerance, and no limit exceeded at any minute.
    """
    if not plan.schedule:
        return ["The plan has no dates: start_on in [blocks] of trial.toml."]
    walk = _Walk(plan, list_times(plan.settings, formula))
    walk.check_steps()
    if not walk.found:  # times mean something only where every step is there once
        walk.check_order()
        walk.check_holds()
        walk.check_hours()
        walk.check_minutes()
        walk.check_oven()
        walk.check_panel()
        walk.check_sessions()
    return walk.found


@dataclass(frozen=True)
class _Work:
    """Something that lasts: step, item, start and end."""

    step: str
    item: str
    start: datetime
    end: datetime


class _Walk:
    """The rows of a plan, sorted by what they are about."""

    def __init__(self, plan: Plan, times: WorkTimes) -> None:
        self.plan, self.times = plan, times
        self.kitchen, self.settings = plan.settings.kitchen, plan.settings
        self.zone = ZoneInfo(plan.settings.timezone)
        self.at: dict[tuple[str, str], datetime] = {}
        self.counts = Counter((r["step"], r["item"]) for r in plan.schedule)
        self.first: dict[str, datetime] = {}  # readings before the last one of a ball
        for row in sorted(plan.schedule, key=lambda r: r["due_at"].astimezone(UTC)):
            key, at = (row["step"], row["item"]), row["due_at"].astimezone(UTC)
            if row["step"] == "read" and key in self.at:
                self.first[row["item"]] = self.at[key]
            self.at[key] = at
        self.used = {b["ball_id"]: b for b in plan.balls if b["purpose"] != "spare"}
        self.found: list[str] = []

    def say(self, sentence: str) -> None:
        self.found.append(sentence)

    def local(self, at: datetime) -> str:
        return f"{at.astimezone(self.zone):%a %Y-%m-%d %H:%M}"

    def use_step(self, ball: Row) -> str:
        return "read" if ball["purpose"] in PIERCED else "bake"

    def hold_h(self, ball: Row) -> float:
        hold = self.settings.hold
        return float(ball[hold.column]) if hold else 0.0

    def use_at(self, ball: Row) -> datetime:
        return self.at[self.use_step(ball), ball["ball_id"]]

    def times_due(self, step: str, item: str) -> int:
        """Give how often a step is due: a ball of a warm-up pair is read at take-out, too."""
        paired = step == "read" and self.used[item]["purpose"] == PAIR
        return 2 if paired and ("take_out", item) in self.at else 1

    def check_steps(self) -> None:
        """Check that every batch and ball has each of its steps once, and nothing else."""
        wanted = {(s, b["batch_id"]) for b in self.plan.batches for s in ("mix", "ball")}
        if any(s.step == "preferment" for s in self.times.batch):
            wanted |= {("preferment", b["batch_id"]) for b in self.plan.batches}
        for name, ball in self.used.items():
            wanted.add((self.use_step(ball), name))
            warmed = self.settings.hold is not None and self.times.warm_min > 0
            if warmed and self.hold_h(ball) * 60 > self.times.warm_min:
                wanted.add(("take_out", name))
        for step, item in sorted(wanted - set(self.counts)):
            self.say(f"{item} is never due for '{step}'.")
        for (step, item), n in sorted(self.counts.items()):
            if (step, item) not in wanted:
                self.say(f"{item} is due for '{step}', which it has no need of.")
            elif n > self.times_due(step, item):
                self.say(f"{item} is due {n} times for '{step}'.")

    def check_order(self) -> None:
        """Check that doughs are balled when ready, and that days and batches keep their order."""
        to_ball = timedelta(minutes=self.times.to_ball_min)
        for b in self.plan.batches:
            name = b["batch_id"]
            if self.at["ball", name] - self.at["mix", name] != to_ball:
                self.say(f"{name} is not balled {self.times.to_ball_min:g} minutes after mixing.")
            for span in self.times.batch:
                before = self.at.get((span.step, name))
                ready = self.at["mix", name] + timedelta(minutes=span.start)
                if span.step == "preferment" and before != ready:
                    self.say(f"The preferment of {name} is not begun at {self.local(ready)}.")
        days: dict[str, list[Row]] = {}
        for b in self.plan.batches:
            days.setdefault(b["block"], []).append(b)
        dates: dict[str, set[str]] = {}
        for block, rows in days.items():
            ordered = sorted(rows, key=lambda r: r["order"])
            mixes = [self.at["mix", r["batch_id"]] for r in ordered]
            if mixes != sorted(mixes):
                self.say(f"The batches of {block} are not mixed in their order.")
            dates[block] = {self.local(m)[:14] for m in mixes}
            if len(dates[block]) > 1:
                self.say(f"The batches of {block} are mixed on more than one date.")
        if len({d for found in dates.values() for d in found}) < len(days):
            self.say("Two mixing days share a date.")

    def check_holds(self) -> None:
        """Check that balls are used after their hold, and taken out in time to warm up."""
        allowed = timedelta(minutes=self.kitchen.hold_tolerance_min)
        ready = timedelta(minutes=self.times.ball_min)
        for name, ball in self.used.items():
            balled, used = self.at["ball", ball["batch_id"]], self.use_at(ball)
            wanted = timedelta(hours=self.hold_h(ball))
            late = used - balled - max(wanted, timedelta())
            if abs(late) > max(allowed, ready if not wanted else timedelta()):
                self.say(
                    f"{name} is used {late.total_seconds() / 60:+.0f} minutes off its hold of "
                    f"{self.hold_h(ball):g} h."
                )
            if used < balled + ready:
                self.say(f"{name} is used before its batch is balled.")
            out = self.at.get(("take_out", name))
            if self.times_due(self.use_step(ball), name) == 2 and self.first.get(name) != out:
                self.say(f"{name} is not read when it is taken out.")
            if out is not None and used - out != timedelta(minutes=self.times.warm_min):
                self.say(f"{name} is not taken out {self.times.warm_min:g} minutes before use.")
            if out is not None and out < balled:
                self.say(f"{name} is taken out before it is balled.")

    def hands(self) -> list[_Work]:
        """List the pieces of work that need a pair of hands."""
        out = []
        for b in self.plan.batches:
            mixed = self.at["mix", b["batch_id"]]
            for s in self.times.batch:
                start = mixed + timedelta(minutes=s.start)
                out.append(_Work(s.step, b["batch_id"], start, start + _min(s.hands_min)))
        for name, ball in self.used.items():
            step, used = self.use_step(ball), self.use_at(ball)
            minutes, hands = self.times.use[step]
            out.append(_Work(step, name, used, used + _min(hands)))
            if name in self.first:
                start = self.first[name]
                out.append(_Work(step, name, start, start + _min(hands)))
            if ("take_out", name) in self.at:
                start = self.at["take_out", name]
                out.append(
                    _Work("take_out", name, start, start + _min(self.times.use["take_out"][1]))
                )
            if step == "bake" and is_scored(self.settings):
                start = used + _min(minutes)
                out.append(_Work("score", name, start, start + _min(self.times.use["score"][1])))
        return out

    def check_hours(self) -> None:
        """Check that nothing is done on a closed day, and by night only what is allowed."""
        busy = [w for w in self.hands() if w.step in _PRESENT or w.end > w.start]
        for w in busy:
            end = max(w.end, w.start + _min(self._lasts(w.step)))
            start, until = w.start.astimezone(self.zone), end.astimezone(self.zone)
            if WEEKDAYS[start.weekday()] in self.kitchen.closed:
                self.say(f"{w.item} is due for '{w.step}' on a closed day: {self.local(start)}.")
            night = self.kitchen.read_at_night and w.step in {"take_out", "read", "bake"}
            opens, closes = self._opening(start)
            if not night and not (opens <= start and until <= closes):
                self.say(
                    f"'{w.step}' of {w.item} at {self.local(start)} does not lie in the opening "
                    f"hours, {self.kitchen.open_at} to {self.kitchen.close_at}."
                )

    def _lasts(self, step: str) -> float:
        """Give the minutes in which somebody has to be there for a step to happen at all."""
        if step in self.times.use:
            return self.times.use[step][0]
        return sum(s.minutes for s in self.times.batch if s.step == step and step in _PRESENT)

    def _opening(self, at: datetime) -> tuple[datetime, datetime]:
        ends = []
        for text in (self.kitchen.open_at, self.kitchen.close_at):
            hour, minute = (int(part) for part in text.split(":")[:2])
            ends.append(at.replace(hour=hour, minute=minute, second=0, microsecond=0, fold=0))
        return ends[0], ends[1]

    def check_minutes(self) -> None:
        """Check minute by minute: mixers, hands, places in the cooler, places to warm up."""
        k = self.kitchen
        mixing = [
            _Work("mix", b["batch_id"], self.at["mix", b["batch_id"]] + _min(a),
                  self.at["mix", b["batch_id"]] + _min(e))
            for b in self.plan.batches
            for a, e in self.times.mixer
        ]  # fmt: skip
        self._most(mixing, k.mixers, "mixers are in use")
        self._most(self.hands(), k.hands, "pairs of hands are needed")
        self._most(self._cooler(), k.cooler_places, "balls are in the cooler")
        warm = [
            _Work("warm", name, self.at["take_out", name], self.use_at(ball))
            for name, ball in self.used.items()
            if ("take_out", name) in self.at
        ]
        self._most(warm, k.warm_places, "balls are warming up")
        if k.mixer_balls is not None:
            for name, n in Counter(b["batch_id"] for b in self.plan.balls).items():
                if n > k.mixer_balls:
                    self.say(f"{name} gives {n} balls; the mixer gives {k.mixer_balls}.")
        if k.staff_h is not None:
            spent: Counter[str] = Counter()
            for w in self.hands():
                spent[self.local(w.start)[:14]] += int((w.end - w.start).total_seconds()) // 60
            for day, minutes in sorted(spent.items()):
                if minutes > k.staff_h * 60:
                    self.say(
                        f"{day} needs {minutes / 60:.1f} hours of hands; there are {k.staff_h:g}."
                    )

    def _cooler(self) -> list[_Work]:
        """List the stays; a spare stays until the last ball of its batch is taken out."""
        if self.settings.hold is None:
            return []
        leaves: dict[str, datetime] = {}
        last: dict[str, datetime] = {}
        for name, ball in self.used.items():
            batch = ball["batch_id"]
            leaves[name] = self.at.get(("take_out", name), self.use_at(ball))
            last[batch] = max(leaves[name], last.get(batch, leaves[name]))
        return [
            _Work("cool", b["ball_id"], self.at["ball", b["batch_id"]],
                  leaves.get(b["ball_id"], last.get(b["batch_id"], self.at["ball", b["batch_id"]])))
            for b in self.plan.balls
        ]  # fmt: skip

    def _most(self, works: Iterable[_Work], limit: int, words: str) -> None:
        """Count minute by minute; say the first minute at which too many run."""
        minutes: Counter[int] = Counter()
        for w in works:
            for minute in range(int(w.start.timestamp()) // 60, int(w.end.timestamp()) // 60):
                minutes[minute] += 1
        over = [m for m, n in minutes.items() if n > limit]
        if over:
            first, most = min(over), max(minutes.values())
            when = self.local(datetime.fromtimestamp(first * 60, UTC))
            self.say(f"{most} {words} at the most; {limit} are there, first exceeded {when}.")

    def check_oven(self) -> None:
        """Check that no hour takes more bakes than the oven does."""
        bakes = sorted(at for (step, _), at in self.at.items() if step == "bake")
        limit = self.kitchen.oven_slots_per_h
        most = max((sum(t <= u < t + _min(60) for u in bakes) for t in bakes), default=0)
        if most > limit:
            self.say(f"{most} bakes are due within one hour; the oven takes {limit}.")

    def check_panel(self) -> None:
        """Check that tasting happens while the judges are there, and not too much of it."""
        if not is_scored(self.settings):
            return
        panel = self.settings.panel
        came = panel.from_at or self.kitchen.open_at
        left = panel.until_at or self.kitchen.close_at
        baked, tasted = self.times.use["bake"][0], self.times.use["score"][0]
        for name, ball in self.used.items():
            if ball["purpose"] == "bake":
                start = (self.use_at(ball) + _min(baked)).astimezone(self.zone)
                end = (start.astimezone(UTC) + _min(tasted)).astimezone(self.zone)
                if not (came <= f"{start:%H:%M}" and f"{end:%H:%M}" <= left):
                    self.say(f"{name} is tasted at {self.local(start)}; judges: {came} to {left}.")
        bakes = Counter(b["session"] for b in self.used.values() if b["purpose"] == "bake")
        for session, n in sorted(bakes.items()):
            if n > panel.samples_per_session:
                limit = panel.samples_per_session
                self.say(f"A judge tastes {n} samples in {session}; the limit is {limit}.")

    def check_sessions(self) -> None:
        """Check that a session lies on one date, and that balls alike share theirs."""
        dates: dict[str, set[str]] = {}
        sessions: dict[tuple[str, float], set[str]] = {}
        block = {b["batch_id"]: b["block"] for b in self.plan.batches}
        for ball in self.used.values():
            dates.setdefault(ball["session"], set()).add(self.local(self.use_at(ball))[:14])
            key = (block[ball["batch_id"]], self.hold_h(ball))
            sessions.setdefault(key, set()).add(ball["session"])
        for session, found in sorted(dates.items()):
            if len(found) > 1:
                self.say(f"{session} lies on {len(found)} dates.")
        for (day, hold_h), found in sorted(sessions.items()):
            if len(found) > 1:
                self.say(f"The balls of {day} with {hold_h:g} h are used in {len(found)} sessions.")


_PRESENT = {"mix", "second_mix", "ball", "take_out", "read", "bake"}


def _min(minutes: float) -> timedelta:
    return timedelta(minutes=minutes)
