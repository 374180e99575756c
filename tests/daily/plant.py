"""An invented kitchen that keeps a dough: not the fitted model, other curve and other clock.

The pH falls along a logistic (the recipe has straight lines between holds); the rate follows a
square-root law of temperature (Ratkowsky et al. 1982, J. Bacteriol. 149, 1, from memory), where the
fault finder has a factor for ten degrees; a ball warms and cools as one lump. All invented.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from doughlab.daily.journals import LOTS, READINGS, DailyRecords
from doughlab.daily.recipe import Lever, Recipe, Usual, example_recipe

START = datetime(2026, 4, 1, 9, tzinfo=UTC)
LAG_H = 1.4  # how slowly a ball follows its surroundings
STEP_H = 0.1


def rate(temp_c):
    """Ripening a hour, 1 at 4 °C, by a square-root law that ends at -8 °C."""
    return np.maximum(temp_c + 8.0, 0.0) ** 2 / 144.0


@dataclass(frozen=True)
class Kitchen:
    """How the kitchen runs."""

    cooler_c: float = 3.6
    room_c: float = 21.0
    dough_c: float = 23.5
    bench_h: float = 0.3
    warm_h: float = 1.5
    lot_sd: float = 0.025
    ball_sd: float = 0.02


def ripened(kitchen, hold_h, coolers):
    """Hours at 4 °C that a hold is worth; `coolers` gives the cooler at hours since balling."""
    ball, total = kitchen.dough_c, 0.0
    for k in range(round(hold_h / STEP_H)):
        hour = k * STEP_H
        cold = kitchen.bench_h <= hour < hold_h - kitchen.warm_h
        around = coolers(hour) if cold else kitchen.room_c
        ball += (around - ball) * STEP_H / LAG_H
        total += rate(ball) * STEP_H
    return total


def ph_of(hours):
    """A logistic fall from 6.05 to 5.05 about 63 hours."""
    return 5.05 + 1.0 / (1.0 + np.exp((hours - 63.0) / 24.0))


def settled(kitchen=None, **changes) -> Recipe:
    """The recipe that a good trial in this kitchen settles on: its own means, a small spread."""
    k = kitchen or Kitchen()
    holds = (24.0, 48.0, 72.0)
    curve = tuple(float(ph_of(ripened(k, h, lambda _: k.cooler_c))) for h in holds)
    slope = (curve[2] - curve[0]) / 48.0
    base = example_recipe(
        holds_h=holds, curve=curve, expected=curve[1], lot_sd=k.lot_sd, ball_sd=k.ball_sd,
        low=curve[1] - 0.12, high=curve[1] + 0.12,
        usual=Usual(18.0, 24.0, k.room_c, k.cooler_c, k.dough_c, 1.0, k.bench_h, k.warm_h),
        levers=(Lever("hold", "hold", "h", slope, slope * 1.15, slope * 0.85, 24.0, 72.0, 48.0),
                Lever("mixing_water", "mixing water", "temp_c", -0.02, -0.03, -0.01, 10, 20, 15)),
    )  # fmt: skip
    return replace(base, **changes)


def lot_row(name, mixed_at, **values):
    row = {**dict.fromkeys(LOTS.names), "lot": name, "dough": "house dough", "mixed_at": mixed_at}
    return {**row, "balled_at": mixed_at + timedelta(minutes=42),
            "cooled_at": mixed_at + timedelta(hours=1), "entry_id": name, **values}  # fmt: skip


def reading_row(lot, at, ph, *, hold_h=48.0, **values):
    row = {**dict.fromkeys(READINGS.names), "lot": lot, "at": at, "hold_h": hold_h, "ph": ph}
    return {**row, **values}


def month(seed, *, days=30, fault_day=None, fault_c=0.0, shown=True, kitchen=None, balls=2):
    """Records of a month: a lot a day, read after 48 h; the cooler moves on a day.

    `shown` tells whether the display shows what the cooler does.
    """
    k, rng = kitchen or Kitchen(), np.random.default_rng(seed)
    lots, readings = {}, []
    for day in range(days):
        mixed = START + timedelta(days=day - 2)
        balled = mixed + timedelta(minutes=42)
        fault_h = None if fault_day is None else (fault_day - (day - 2)) * 24.0

        def cooler(hour, fault_h=fault_h):
            return fault_c if fault_h is not None and hour >= fault_h else k.cooler_c

        room = k.room_c + rng.normal(0, 0.7)
        mean = ph_of(ripened(replace(k, room_c=room), 48.0, cooler)) + rng.normal(0, k.lot_sd)
        name, at = f"L{day:02d}", balled + timedelta(hours=48)
        now = cooler(46.0)
        lots[name] = lot_row(name, mixed, water_temp_c=15.0, dough_temp_c=k.dough_c, left=0)
        for _ in range(balls):
            readings.append(reading_row(
                name, at, round(mean + rng.normal(0, k.ball_sd), 2), room_c=round(room, 1),
                cooler_c=round(now if shown else k.cooler_c, 1),
            ))  # fmt: skip
    return DailyRecords(lots, readings)


def upto(records, day):
    """What is known after the reading of a day."""
    last = START + timedelta(days=day, hours=2)
    return replace(records, readings=[r for r in records.readings if r["at"] <= last])
