"""Invents the records of a trial from a plan and a known truth. Everything it makes is invented.

Used by make_lantern_quay.py and make_lantern_quay_second.py (the demo folders) and study.py (many
trials, is the truth covered?).
The sizes of the true effects follow what is known: a water moves dough pH by a few hundredths,
hold and temperature by tenths; batches differ by about 0.05 pH, balls by about 0.03.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np


@dataclass(frozen=True)
class Truth:
    """The true effects and spreads of the invented kitchen."""

    ph: float = 5.55
    water_ph: dict[str, float] = field(
        default_factory=lambda: {"tap": 0.06, "reverse osmosis": 0.0, "bottled": 0.01}
    )
    ph_per_c_water: float = -0.021  # about -0.12 from 54 F to 64 F
    ph_per_pct_hydration: float = -0.002
    hold_ph: dict[str, float] = field(default_factory=lambda: {"24": 0.28, "48": 0.0, "72": -0.20})
    day_sd: float = 0.03
    session_sd: float = 0.01
    batch_sd: float = 0.05
    ball_sd: float = 0.03
    reading_sd: float = 0.015
    best_score: float = 7.4
    best_ph: float = 5.55
    score_per_ph2: float = 14.0
    water_score: dict[str, float] = field(
        default_factory=lambda: {"tap": 0.0, "reverse osmosis": 0.1, "bottled": 0.0}
    )
    score_batch_sd: float = 0.4
    score_bake_sd: float = 0.5
    judge_sd: float = 0.5  # how generous a judge is
    judge_ball_sd: float = 0.9  # one judge, one ball, all criteria
    criterion_sd: float = 0.7  # one judge, one ball, one criterion
    fixed: dict[str, float] = field(default_factory=dict)  # settings that a trial does not vary

    def ball_ph(self, setting: dict) -> float:
        """True mean pH of a ball, before day, batch and ball spread.

        `setting`: water (text), mixing_water (C), hydration (%), hold (text).
        """
        return (
            self.ph
            + self.water_ph[setting["water"]]
            + self.ph_per_c_water * (setting["mixing_water"] - 15.0)
            + self.ph_per_pct_hydration * (setting["hydration"] - 62.5)
            + self.hold_ph[setting["hold"]]
        )

    def ball_score(self, setting: dict, ph: float) -> float:
        """True mean score of a bake whose dough had this pH in use."""
        fall = self.score_per_ph2 * (ph - self.best_ph) ** 2
        return self.best_score - fall + self.water_score[setting["water"]]


@dataclass(frozen=True)
class Mishaps:
    """What went wrong: balls lost, a judge away."""

    lost: dict[str, str] = field(default_factory=dict)  # ball -> why
    judge_away: tuple[str, str] | None = None  # judge, session


def settings_of(plan, ball: dict) -> dict:
    """The setting of one ball: category levels as text, two-level numbers as numbers."""
    batch = plan.batch(ball["batch_id"])
    out = {}
    for factor in plan.settings.factors.values():
        row = ball if factor.set == "ball" else batch
        value = row[factor.column]
        out[factor.name] = factor.level_of(value) if factor.name == "hold" else value
    return out


def due(plan, step: str) -> dict[str, datetime]:
    """When each item is due for a step."""
    return {row["item"]: row["due_at"] for row in plan.schedule if row["step"] == step}


def true_balls(plan, truth: Truth, rng) -> dict[str, dict]:
    """True pH and score of every ball, with its batch, day and session spread."""
    days = {b["block"]: rng.normal(0, truth.day_sd) for b in plan.batches}
    sessions = {s: rng.normal(0, truth.session_sd) for s in sorted(_sessions(plan))}
    batch_ph, batch_score = {}, {}
    for batch in plan.batches:
        batch_ph[batch["batch_id"]] = rng.normal(0, truth.batch_sd)
        batch_score[batch["batch_id"]] = rng.normal(0, truth.score_batch_sd)
    out = {}
    for ball in plan.balls:
        setting = settings_of(plan, ball) if ball["purpose"] != "spare" else None
        if setting is not None:
            setting = truth.fixed | setting
        noise = rng.normal(0, truth.ball_sd), rng.normal(0, truth.score_bake_sd)
        if setting is None:
            continue
        mean = truth.ball_ph(setting) + batch_ph[ball["batch_id"]]
        mean += days[plan.batch(ball["batch_id"])["block"]]
        out[ball["ball_id"]] = {
            "ph": mean + noise[0] + sessions[ball["session"]],
            "score": truth.ball_score(setting, mean) + batch_score[ball["batch_id"]] + noise[1],
        }
    return out


def _sessions(plan) -> set[str]:
    return {b["session"] for b in plan.balls if b["session"]}


def invent(plan, *, truth: Truth, mishaps: Mishaps, seed: int) -> dict[str, list[dict]]:
    """Invent every record of a trial.

    Returns
    -------
    dict of table name to list of rows
        Columns of the record tables without the entry columns; "entered_at" says when.
    """
    rng = np.random.default_rng(seed)
    balls = true_balls(plan, truth, rng)
    tables = {"lots": _lots(plan), "mixes": _mixes(plan, rng, truth)}
    tables["calibrations"] = _calibrations(plan, rng)
    tables["temperatures"] = _cooler(plan, rng)
    lost = mishaps.lost
    tables["readings"] = _readings(plan, balls, truth, rng, lost, tables["calibrations"])
    tables["bakes"] = _bakes(plan, rng, lost)
    tables["scores"] = _scores(plan, balls, truth, rng, mishaps)
    tables["notes"] = _notes(plan, lost)
    return {name: [_plain(row) for row in rows] for name, rows in tables.items()}


def _plain(row: dict) -> dict:
    """Numbers of the random generator as plain ones."""
    return {k: float(v) if isinstance(v, np.floating) else v for k, v in row.items()}


def _lots(plan) -> list[dict]:
    first = min(due(plan, "mix").values())
    row = {"lot_id": "F1", "kind": "flour", "made_at": first - timedelta(days=1)}
    return [{**row, "note": "one pallet for the whole trial", "entered_at": first}]


def _mixes(plan, rng, truth) -> list[dict]:
    rows = []
    for batch_id, at in due(plan, "mix").items():
        batch = plan.batch(batch_id)
        room = 20.5 + rng.normal(0, 0.8)
        planned_c = batch.get("mixing_water_temp_c", truth.fixed.get("mixing_water"))
        water_c = planned_c + rng.normal(0, 0.2)
        dough_c = 0.42 * water_c + 0.35 * room + 9.2 + rng.normal(0, 0.2)
        rows.append(
            {
                "batch_id": batch_id,
                "mixed_at": at + timedelta(minutes=int(rng.integers(-3, 8))),
                "balled_at": at + timedelta(minutes=int(rng.integers(48, 58))),
                "cooled_at": at + timedelta(minutes=int(rng.integers(62, 75))),
                "room_temp_c": round(room, 1),
                "flour_temp_c": round(20.0 + rng.normal(0, 0.4), 1),
                "water_temp_c": round(water_c, 1),
                "dough_temp_c": round(dough_c, 1),
                "mix_min": 12.0,
                "water_ph": round(_WATER_PH[batch["water"]] + rng.normal(0, 0.05), 2),
                "flour_lot": "F1",
                "entered_at": at + timedelta(minutes=80),
            }
        )
    return rows


_WATER_PH = {"tap": 7.9, "reverse osmosis": 6.1, "bottled": 7.4}


def _days(plan) -> list[datetime]:
    """Ten minutes before the first reading of each calendar day."""
    first: dict = {}
    for at in due(plan, "read").values():
        first[at.date()] = min(at, first.get(at.date(), at))
    return [first[day] - timedelta(minutes=40) for day in sorted(first)]


def _calibrations(plan, rng) -> list[dict]:
    return [
        {
            "calibration_id": f"C{number:02d}",
            "instrument": "bench meter",
            "calibrated_at": at,
            "buffers": "4.00 and 7.00",
            "temp_c": round(20.5 + rng.normal(0, 0.5), 1),
            "slope_pct": round(98.0 + rng.normal(0, 0.4), 1),
            "offset_mv": round(2.0 + rng.normal(0, 1.5), 1),
            "entered_at": at + timedelta(minutes=5),
        }
        for number, at in enumerate(_days(plan), start=1)
    ]


def _cooler(plan, rng) -> list[dict]:
    return [
        {
            "place": "cooler",
            "at": at,
            "temp_c": round(3.4 + rng.normal(0, 0.3), 1),
            "entered_at": at + timedelta(minutes=1),
        }
        for at in _days(plan)
    ]


def _readings(plan, balls, truth, rng, lost, calibrations) -> list[dict]:
    rows = []
    by_day = {c["calibrated_at"].date(): c["calibration_id"] for c in calibrations}
    for ball_id, at in due(plan, "read").items():
        noise = rng.normal(0, truth.reading_sd, plan.settings.reading_method.readings_per_ball)
        if ball_id in lost:
            continue
        start = at + timedelta(minutes=int(rng.integers(-5, 10)))
        for number, error in enumerate(noise):
            rows.append(
                {
                    "ball_id": ball_id,
                    "read_at": start + timedelta(minutes=number),
                    "ph": round(balls[ball_id]["ph"] + error, 2),
                    "sample_temp_c": round(19.5 + rng.normal(0, 0.8), 1),
                    "instrument": "bench meter",
                    "method": "slurry",
                    "calibration_id": by_day[at.date()],
                    "session": plan.ball(ball_id)["session"],
                    "entered_at": start + timedelta(minutes=number + 1),
                }
            )
    return rows


def _bakes(plan, rng, lost) -> list[dict]:
    rows = []
    for ball_id, at in due(plan, "bake").items():
        warm = float(rng.integers(85, 100))
        core = round(15.5 + rng.normal(0, 0.7), 1)
        oven = float(round(400 + rng.normal(0, 8)))
        if ball_id in lost:
            continue
        rows.append(
            {
                "ball_id": ball_id,
                "out_at": at - timedelta(minutes=warm),
                "warm_min": warm,
                "core_temp_c": core,
                "baked_at": at,
                "oven_temp_c": oven,
                "bake_s": 110.0,
                "entered_at": at + timedelta(minutes=3),
            }
        )
    return rows


def _scores(plan, balls, truth, rng, mishaps: Mishaps) -> list[dict]:
    rubric = plan.settings.rubric
    leniency = {j: rng.normal(0, truth.judge_sd) for j in plan.settings.panel.judges}
    rows = []
    for ball_id, at in due(plan, "bake").items():
        ball = plan.ball(ball_id)
        for judge, lean in leniency.items():
            own = rng.normal(0, truth.judge_ball_sd)
            noise = rng.normal(0, truth.criterion_sd, len(rubric))
            if ball_id in mishaps.lost or mishaps.judge_away == (judge, ball["session"]):
                continue
            for criterion, error in zip(rubric.values(), noise, strict=True):
                value = balls[ball_id]["score"] + lean + own + error
                value = min(max(math.floor(2 * value + 0.5) / 2, criterion.low), criterion.high)
                rows.append(
                    {
                        "ball_id": ball_id,
                        "blind_code": ball["blind_code"],
                        "judge": judge,
                        "criterion": criterion.name,
                        "score": value,
                        "scored_at": at + timedelta(minutes=6),
                        "entered_at": at + timedelta(minutes=9),
                    }
                )
    return rows


def _notes(plan, lost) -> list[dict]:
    rows = []
    times = due(plan, "read") | due(plan, "bake")
    for ball_id, why in lost.items():
        at = times[ball_id]
        row = {"about": ball_id, "at": at, "kind": "lost", "note": why, "entered_at": at}
        rows.append(row)
    return rows
