"""Invents small trials in memory with a known truth. Everything it makes is invented.

Loaded by the fixtures of tests/analysis and tests/decision.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from doughlab.plan.plan import Plan, build_plan
from doughlab.record.records import Records
from doughlab.settings import Settings, parse_settings

START = datetime(2026, 3, 2, 9, tzinfo=UTC)

HEAD = """
format = 1
name = "Invented kitchen"
code = "INV"
source = "invented"
seed = 7
"""

WATERS = (
    HEAD
    + """
[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "reverse osmosis", "bottled"]

[factors.mixing_water]
set = "batch"
kind = "number"
levels = ["54 F", "64 F"]
unit = "temp_c"
title = "mixing water"

[factors.hold]
set = "ball"
kind = "number"
levels = [24, 48, 72]
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.10
use_hold_h = 48

[responses.score]
table = "scores"
column = "score"
unit = "score"
kind = "score"
margin = 1.0
use_hold_h = 48
title = "bake score"

[blocks]
days = 4
replicates = 4
spares = 1

[panel]
judges = ["J1", "J2", "J3"]

[rubric.crust]
weight = 2

[rubric.crumb]
weight = 1
"""
)

# the same without bake scores
WATERS_PH = (
    WATERS[: WATERS.index("[responses.score]")]
    + WATERS[WATERS.index("[blocks]") : WATERS.index("[panel]")]
)

PLAIN = (
    HEAD
    + """
[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "bottled"]

[factors.hold]
set = "ball"
kind = "number"
levels = [24, 48, 72]
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.10
use_hold_h = 48

[blocks]
kind = "none"
replicates = 5
spares = 1
"""
)

# the same on five mixing days, so that sessions serve several holds and a hold can be judged
DAYS = PLAIN.replace('kind = "none"', "days = 5")


@dataclass(frozen=True)
class MemoryTrial:
    """A trial that stands in memory only."""

    settings: Settings
    frozen_plan: Plan | None
    records: Records
    waters: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def with_readings(self, rows: list[dict[str, Any]]) -> MemoryTrial:
        return replace(self, records=Records({**self.records.journals,
                                              **Records.of(readings=rows).journals}))  # fmt: skip

    def with_notes(self, rows: list[dict[str, Any]]) -> MemoryTrial:
        return replace(self, records=Records({**self.records.journals,
                                              **Records.of(notes=rows).journals}))  # fmt: skip

    def lose(self, *balls: str, reason: str = "dropped") -> MemoryTrial:
        """Mark balls lost and take their readings and scores away."""
        notes = [{"about": b, "at": START, "kind": "lost", "note": reason} for b in balls]
        kept = [r for r in self.records.readings if r["ball_id"] not in balls]
        return self.with_readings(kept).with_notes([*self.records.notes, *notes])


@dataclass(frozen=True)
class Spread:
    """Standard deviations of an invented kitchen."""

    day: float = 0.03
    batch: float = 0.05
    ball: float = 0.03
    reading: float = 0.0
    judge: float = 0.5
    score: float = 0.5


def read(text: str) -> Settings:
    settings, problems = parse_settings(text)
    assert settings is not None, problems
    return settings


def invent(
    text: str,
    truth: Callable[[dict[str, Any]], float],
    *,
    seed: int = 1,
    spread: Spread | None = None,
    score: Callable[[dict[str, Any], float], float] | None = None,
    readings: int = 1,
    waters: Mapping[str, Mapping[str, Any]] | None = None,
) -> MemoryTrial:
    """Invent a whole trial: truth(levels) is the mean pH of a ball with these level texts."""
    settings = read(text)
    return invent_records(settings, build_plan(settings), truth, seed=seed, spread=spread,
                          score=score, readings=readings, waters=waters)  # fmt: skip


def invent_records(
    settings: Settings,
    plan: Plan,
    truth: Callable[[dict[str, Any]], float],
    *,
    seed: int = 1,
    spread: Spread | None = None,
    score: Callable[[dict[str, Any], float], float] | None = None,
    readings: int = 1,
    waters: Mapping[str, Mapping[str, Any]] | None = None,
) -> MemoryTrial:
    """Invent the records of a plan, every ball of it."""
    sd, rng = spread or Spread(), np.random.default_rng(seed)
    days = {d: rng.normal(0, sd.day) for d in sorted({b["block"] for b in plan.batches})}
    batches = {b["batch_id"]: b for b in plan.batches}
    effects = {b: rng.normal(0, sd.batch) for b in batches}
    judges = {j: rng.normal(0, sd.judge) for j in settings.panel.judges}
    mixes, rows, scores, bakes = [], [], [], []
    start = {}
    for i, name in enumerate(batches):
        start[name] = START + timedelta(hours=i)
        mixes.append({"batch_id": name, "mixed_at": start[name], "balled_at": start[name],
                      "room_temp_c": 20.0 + rng.normal(0, 0.5)})  # fmt: skip
    for ball in plan.balls:
        name = ball["ball_id"]
        batch = batches[ball["batch_id"]]
        if ball["purpose"] == "spare":
            continue
        levels = {f.name: f.level_of((ball if f.set == "ball" else batch)[f.column])
                  for f in settings.factors.values()}  # fmt: skip
        hold_h = float(ball["hold_h"]) if "hold_h" in ball else 0.0
        at = start[ball["batch_id"]] + timedelta(hours=hold_h)
        own = truth(levels) + days[batch["block"]] + effects[ball["batch_id"]]
        if ball["purpose"] == "ph":
            value = own + rng.normal(0, sd.ball)
            rows += [{"entry_id": f"{name}.{k}", "ball_id": name, "read_at": at,
                      "ph": float(value + rng.normal(0, sd.reading)), "method": "slurry"}
                     for k in range(readings)]  # fmt: skip
            continue
        bakes.append({"ball_id": name, "baked_at": at})
        base = (score(levels, own) if score else 6.0) + rng.normal(0, sd.score)
        for judge, shift in judges.items():
            for criterion in settings.rubric:
                value = base + shift + rng.normal(0, sd.score)
                scores.append({"ball_id": name, "judge": judge, "criterion": criterion,
                               "score": float(value), "scored_at": at})  # fmt: skip
    records = Records.of(mixes=mixes, readings=rows, bakes=bakes, scores=scores)
    return MemoryTrial(settings, plan, records, waters or {})


def usual_truth(levels: dict[str, Any]) -> float:
    """A water moves the pH by hundredths, hold and temperature by tenths."""
    return (
        5.55
        + {"tap": 0.06, "reverse osmosis": 0.0, "bottled": 0.01}[levels["water"]]
        + {"54 F": 0.06, "64 F": -0.06}[levels["mixing_water"]]
        + {"24": 0.30, "48": 0.0, "72": -0.20}[levels["hold"]]
    )


def usual_score(levels: dict[str, Any], ph: float) -> float:
    """Best at pH 5.5, one point less 0.27 away from it."""
    return 7.0 - 14.0 * (ph - 5.5) ** 2
