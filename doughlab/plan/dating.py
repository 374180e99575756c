"""Dating: when every batch and ball of a plan is due, in which session, and where balls stand.

`build_plan` and `extend` date their batches with it. Which dates suit is chosen by `schedule`,
codes and places are drawn by `order`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from doughlab.plan.order import assign_places, draw_codes, make_rng
from doughlab.plan.schedule import Calendar, add_hours, choose_dates, mix_starts, name_sessions

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.settings import Settings

Row = dict[str, Any]


def date_balls(
    settings: Settings,
    batches: Sequence[Row],
    balls: Sequence[Row],
    *,
    formula: Formula | None,
    seed: int,
) -> tuple[Row, ...]:
    """Give balls their sessions, blind codes and places, and say when everything is due.

    Parameters
    ----------
    settings : Settings
        `blocks.start_on` is the earliest mixing day.
    batches, balls : sequence of dict
        In mixing order, with block and order, and with purpose and levels; sessions, codes and
        places are written into the balls.
    formula : Formula or None
    seed : int

    Returns
    -------
    tuple of dict
        Rows of plan/schedule.csv in time order; none while no first day is set.

    Raises
    ------
    PlanError
        When the kitchen is closed every day.
    """
    to_ball_min = _minutes_to_ball(settings, formula)
    hold = settings.hold
    sizes = Counter(b["block"] for b in batches)
    calendar = choose_dates(
        settings,
        days=len(sizes),
        batches=max(sizes.values()),
        to_ball_min=to_ball_min,
        holds=hold.values if hold else (),
    )
    clock = _Clock(settings, calendar, batches, to_ball_min)
    clock.give_sessions(balls)
    _give_codes(balls, seed)
    clock.give_places(balls, seed)
    return tuple(clock.list_steps(balls) if settings.blocks.start_on else [])


def _minutes_to_ball(settings: Settings, formula: Formula | None) -> float:
    minutes = formula.minutes_to_ball() if formula is not None else None
    return settings.kitchen.mix_min if minutes is None else minutes


def _give_codes(balls: Sequence[Row], seed: int) -> None:
    """Give every bake a code that is unique in its session."""
    sessions: dict[str, list[Row]] = {}
    for ball in balls:
        if ball["purpose"] == "bake":
            sessions.setdefault(ball["session"], []).append(ball)
    for name, rows in sessions.items():
        codes = draw_codes(len(rows), make_rng(seed, f"codes/{name}"))
        for ball, code in zip(rows, codes, strict=True):
            ball["blind_code"] = code


class _Clock:
    """Knows when every batch is balled and every ball is due."""

    def __init__(
        self, settings: Settings, calendar: Calendar, batches: Sequence[Row], to_ball_min: float
    ) -> None:
        self.settings = settings
        self.calendar = calendar
        self.batches = batches
        self.hold = settings.hold
        blocks = list(dict.fromkeys(b["block"] for b in batches))
        self.day = {b["batch_id"]: blocks.index(b["block"]) for b in batches}
        self.mixed: dict[str, datetime] = {}
        for d, block in enumerate(blocks):
            rows = [b for b in batches if b["block"] == block]
            starts = mix_starts(settings, calendar.dates[d], len(rows))
            for b, start in zip(rows, starts, strict=True):
                self.mixed[b["batch_id"]] = start
        self.balled = {b: add_hours(at, to_ball_min / 60.0) for b, at in self.mixed.items()}

    def due(self, ball: Row) -> datetime:
        hold_h = ball[self.hold.column] if self.hold else 0.0
        return add_hours(self.balled[ball["batch_id"]], hold_h)

    def give_sessions(self, balls: Sequence[Row]) -> None:
        half = {g.hold_h: (g.after, g.half) for g in self.calendar.groups}
        keys: dict[str, tuple[date, int]] = {}
        for ball in balls:
            if ball["purpose"] == "spare":
                continue
            hold_h = ball[self.hold.column] if self.hold else 0.0
            after, part = half[hold_h]
            on = self.calendar.dates[self.day[ball["batch_id"]]] + timedelta(days=after)
            keys[ball["ball_id"]] = (on, part)
        names = name_sessions(set(keys.values()))
        for ball in balls:
            if ball["ball_id"] in keys:
                ball["session"] = names[keys[ball["ball_id"]]]

    def leaves(self, balls: Sequence[Row]) -> dict[str, datetime]:
        """Say when each ball leaves the cooler; spares stay as long as their batch."""
        warm_h = self.settings.kitchen.warm_min / 60.0
        out = {
            b["ball_id"]: max(add_hours(self.due(b), -warm_h), self.balled[b["batch_id"]])
            for b in balls
            if b["purpose"] != "spare"
        }
        last: dict[str, datetime] = {}
        for b in balls:
            if b["ball_id"] in out:
                at = out[b["ball_id"]]
                last[b["batch_id"]] = max(at, last.get(b["batch_id"], at))
        return out | {b["ball_id"]: last[b["batch_id"]] for b in balls if b["ball_id"] not in out}

    def stays(self, balls: Sequence[Row]) -> list[tuple[str, str, datetime, datetime]]:
        leaves = self.leaves(balls)
        return [
            (b["ball_id"], b["batch_id"], self.balled[b["batch_id"]], leaves[b["ball_id"]])
            for b in balls
        ]

    def give_places(self, balls: Sequence[Row], seed: int) -> None:
        if self.hold is None:
            return
        kitchen = self.settings.kitchen
        rng = make_rng(seed, "places")
        places = assign_places(self.stays(balls), kitchen.cooler_places, kitchen.shelves, rng)
        for ball in balls:
            ball["place"] = places[ball["ball_id"]]

    def list_steps(self, balls: Sequence[Row]) -> list[Row]:
        rows: list[Row] = []
        for b in self.batches:
            name = b["batch_id"]
            rows.append({"step": "mix", "item": name, "due_at": self.mixed[name], "place": None})
            rows.append({"step": "ball", "item": name, "due_at": self.balled[name], "place": None})
        leaves = self.leaves(balls)
        for ball in balls:
            if ball["purpose"] == "spare":
                continue
            name, due = ball["ball_id"], self.due(ball)
            step = "bake" if ball["purpose"] == "bake" else "read"
            if leaves[name] < due and self.hold:
                rows.append({"step": "take_out", "item": name, "due_at": leaves[name],
                             "place": ball["place"]})  # fmt: skip
            rows.append({"step": step, "item": name, "due_at": due, "place": None})
        rank = {"mix": 0, "ball": 1, "take_out": 2, "read": 3, "bake": 4}
        return sorted(rows, key=lambda r: (r["due_at"], rank[r["step"]], r["item"]))
