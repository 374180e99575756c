"""Many invented trials on the demo's plan: false alarms, and whether the truth is in the ranges.

    python tests/demo/study.py [TRIALS]          (20000 by default; prints the table)

test_study.py runs the same, small. The truth is `invent.Truth`; every trial draws new days,
sessions, batches, balls and judges and loses the same balls as the demo.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from invent import Truth, settings_of
from make_lantern_quay import DEMO, choose_mishaps

from doughlab.plan import read_plan
from doughlab.plan.model import build_layout, choose_terms
from doughlab.settings import read_settings
from doughlab.stats.simulate import FixedDesign

SEED = 20260301


@dataclass(frozen=True)
class Bench:
    """The demo's plan as a table of values, one row for each value that was not lost."""

    plan: object
    frame: pd.DataFrame  # factor columns as the model takes them, block, batch, session, ball ...
    formula: str
    random: tuple[str, ...]
    cells: list[dict]  # the setting of each row, for the truth


def build_bench(response_name: str) -> Bench:
    """Lay the demo's plan out for one response, without the lost balls."""
    settings = read_settings(DEMO / "trial.toml")
    plan, problems = read_plan(DEMO, settings)
    assert plan is not None and not problems
    response = settings.response(response_name)
    layout = build_layout(settings, plan.batches, plan.balls, response)
    terms = choose_terms(settings, layout, response)
    gone = choose_mishaps(plan)
    kept = [
        row
        for row in layout
        if row["ball"] not in gone.lost
        and (row.get("judge"), row["session"]) != (gone.judge_away or (None, None))
    ]
    cells = [settings_of(plan, plan.ball(row["ball"])) for row in kept]
    frame = pd.DataFrame(kept)
    for name in terms.as_number:
        frame[name] = [cell[name] - terms.centres[name] for cell in cells]
    return Bench(plan, frame, terms.formula, terms.random, cells)


def draw(values, sd: float, trials: int, rng) -> np.ndarray:
    """One normal effect for each different value and trial, shape (rows, trials)."""
    codes, groups = pd.factorize(pd.Series(values))
    return rng.normal(0, sd, (len(groups), trials))[codes]


def invent_ph(bench: Bench, truth: Truth, trials: int, rng) -> np.ndarray:
    """The mean reading of every ball, shape (balls, trials)."""
    mean = np.array([truth.ball_ph(cell) for cell in bench.cells])[:, None]
    ball = mean + draw(bench.frame["block"], truth.day_sd, trials, rng)
    ball = ball + draw(bench.frame["session"], truth.session_sd, trials, rng)
    ball = ball + draw(bench.frame["batch"], truth.batch_sd, trials, rng)
    ball = ball + rng.normal(0, truth.ball_sd, ball.shape)
    readings = ball + rng.normal(0, truth.reading_sd, (3, *ball.shape))
    return np.round(readings, 2).mean(axis=0)


def invent_scores(bench: Bench, truth: Truth, trials: int, rng) -> np.ndarray:
    """The weighted score of every judge and ball, shape (rows, trials)."""
    frame = bench.frame
    mean = np.array([truth.ball_ph(cell) for cell in bench.cells])[:, None]
    ph = mean + draw(frame["block"], truth.day_sd, trials, rng)
    ph = ph + draw(frame["batch"], truth.batch_sd, trials, rng)
    water = np.array([truth.water_score[cell["water"]] for cell in bench.cells])[:, None]
    ball = truth.best_score - truth.score_per_ph2 * (ph - truth.best_ph) ** 2 + water
    ball = ball + draw(frame["batch"], truth.score_batch_sd, trials, rng)
    ball = ball + draw(frame["ball"], truth.score_bake_sd, trials, rng)
    ball = ball + draw(frame["judge"], truth.judge_sd, trials, rng)
    ball = ball + rng.normal(0, truth.judge_ball_sd, ball.shape)
    weights = np.array([c.weight for c in bench.plan.settings.rubric.values()])
    criteria = ball + rng.normal(0, truth.criterion_sd, (len(weights), *ball.shape))
    criteria = np.clip(np.floor(2 * criteria + 0.5) / 2, 0, 10)
    return np.tensordot(weights / weights.sum(), criteria, axes=1)


INVENT = {"ph": invent_ph, "score": invent_scores}


def true_mean(bench: Bench, truth: Truth, response: str, factor: str, level) -> float:
    """True mean at a level, all other settings weighted equally."""
    settings = bench.plan.settings
    options = []
    for f in settings.factors.values():
        values = f.levels if f.kind != "number" or f.name == "hold" else f.values
        options.append([(f.name, v) for v in values])
    found = []
    for combination in product(*options):
        cell = dict(combination)
        if cell[factor] != level:
            continue
        ph = truth.ball_ph(cell)
        # the spread of days and batches moves every cell's mean score by the same amount
        found.append(ph if response == "ph" else truth.ball_score(cell, ph))
    return float(np.mean(found))


def coverage(response: str, factor: str, *, trials: int, seed: int = SEED) -> dict[str, float]:
    """How often all 95 % ranges of a factor's pairs hold the truth together."""
    truth, bench = Truth(), build_bench(response)
    rng = np.random.default_rng([seed, 1])
    design = FixedDesign(bench.frame, bench.formula, random=bench.random)
    contrasts = design.build_contrasts(factor)
    y = INVENT[response](bench, truth, trials, rng)
    found = design.test_many(y, terms=[factor], contrasts=contrasts)
    low, high = found.intervals()
    true = []
    for label in contrasts.labels:
        first, second = label.split(" - ")
        means = [true_mean(bench, truth, response, factor, level) for level in (first, second)]
        true.append(means[0] - means[1])
    inside = (low <= np.array(true)) & (np.array(true) <= high)
    return {
        "together": float(inside.all(axis=1).mean()),
        "each": float(inside.mean()),
        "settled": float(found.settled.mean()),
    }


def false_alarms(response: str, *, trials: int, seed: int = SEED) -> dict[str, float]:
    """How often "water" is called different when no water differs: our test, and the naive one.

    The naive test treats every ball as independent (ordinary least squares on balls).
    """
    bench = build_bench(response)
    same = dict.fromkeys(Truth().water_ph, 0.0)
    truth = replace(Truth(), water_ph=same, water_score=same)
    rng = np.random.default_rng([seed, 2])
    y = INVENT[response](bench, truth, trials, rng)
    rates = {}
    for name, random in (("ours", bench.random), ("naive", ())):
        design = FixedDesign(bench.frame, bench.formula, random=random)
        p = design.test_many(y, terms=["water"]).p_value[:, 0]
        rates[name] = float((p < 0.05).mean())
    return rates


def error_of(rate: float, trials: int) -> float:
    """Simulation error (one standard deviation) of a rate."""
    return float(np.sqrt(rate * (1 - rate) / trials))


def main(trials: int) -> None:
    """Print both tables."""
    print(f"{trials} invented trials on the demo's plan, seed {SEED}; 95 % wanted, 5 % allowed")
    for response in INVENT:
        found = false_alarms(response, trials=trials)
        print(f"false alarms, water on {response}: ours {found['ours']:.4f}, naive "
              f"{found['naive']:.4f} (error {error_of(0.05, trials):.4f})")  # fmt: skip
        for factor in ("water", "hold"):
            found = coverage(response, factor, trials=trials)
            print(f"truth inside, {factor} on {response}: together {found['together']:.4f}, "
                  f"each {found['each']:.4f}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
