"""Confirm study: do new batches lie in the ranges that were written down before them?

Run by hand: ``python tests/studies/confirm_study.py``; it writes confirm_study.csv beside it. The
suite repeats a few rows with fewer trials (test_confirm_study.py).

First trials are invented whole (plan, records) with true spreads that are known; the ranges for
confirming batches of one setting are made from them as `doughlab decide --confirm` does. Then many
confirming trials of that setting are invented at the same truth, on new days, and held against the
ranges. Columns: `first` (batches on days of the first trial), `day_sd`, `batch_sd` (true), `case`:
"as planned"; "lost" (one of four batches and a ball are lost, ranges made again by the rule);
"calibration" (first trial and confirming trial each read with one calibration, which differ by
0.016 pH); "moved" (the kitchen has moved by one margin, 0.10: how often that shows). `trials` first
trials, `each` confirming trials for each; `mean`, `batches`, `balls`: shares with the mean, all
batches, all balls inside; `all` three; `said`: how often all three were said to hold; `error`: one
standard error of `batches`, of the first trials' number. Seeded by the study's seed and the row.
"""

from __future__ import annotations

import csv
import importlib.util
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from doughlab.analysis import analyse
from doughlab.decision.chance import Predictor, build_predictor
from doughlab.decision.confirm import Ranges, adapt_ranges, make_confirm, spread_batches
from doughlab.errors import NotEstimable

SEED = 20260308
TRIALS = 100
EACH = 200
TABLE = Path(__file__).with_suffix(".csv")
BATCHES, DAYS, BALLS, BALL_SD = 4, 2, 2, 0.03
LOST = [("D1", 2), ("D1", 1), ("D2", 2)]
COLUMNS = (
    "first", "day_sd", "batch_sd", "case", "trials", "each", "mean", "batches", "balls", "all",
    "said", "error",
)  # fmt: skip
SPREADS = ((0.0, 0.05), (0.03, 0.05), (0.06, 0.03))
CASES = ("as planned", "lost", "calibration", "moved")
Row = dict[str, str]


@dataclass(frozen=True)
class First:
    """A first trial: its settings in the kitchen module, and the setting that is confirmed."""

    name: str
    text: str
    setting: tuple[tuple[str, str], ...]


FIRSTS = (
    First("24 batches on 4 days", "WATERS_PH",
          (("water", "tap"), ("mixing_water", "64 F"), ("hold", "48"))),
    First("10 batches on 5 days", "DAYS", (("water", "tap"), ("hold", "48"))),
)  # fmt: skip


def load_kitchen():
    """Load the module that invents whole trials in memory."""
    name = "doughlab_tests_kitchen"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "analysis" / "kitchen.py"
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def truth(levels) -> float:
    """A water moves the pH by hundredths, hold and temperature by tenths."""
    return (
        5.55
        + {"tap": 0.06}.get(levels["water"], 0.0)
        + {"54 F": 0.06, "64 F": -0.06}.get(levels.get("mixing_water", ""), 0.0)
        + {"24": 0.30, "48": 0.0, "72": -0.20}[levels["hold"]]
    )


def find_predictor(first: First, spreads: tuple[float, float], seed: int, shift: float):
    """Invent a first trial and fit it for predictions; None where it tells too little."""
    kitchen = load_kitchen()
    spread = kitchen.Spread(day=spreads[0], batch=spreads[1], ball=BALL_SD)
    trial = kitchen.invent(getattr(kitchen, first.text), lambda x: truth(x) + shift,
                           seed=seed, spread=spread)  # fmt: skip
    try:
        return build_predictor(analyse(trial, "ph"))
    except NotEstimable:
        return None


def held(
    ranges: Ranges, layout: Sequence[tuple[str, int]], centre: float,
    spreads: tuple[float, float], rng,
) -> np.ndarray:  # fmt: skip
    """Invent confirming trials; shape (3, each): mean, all batches, all balls inside."""
    days = {d: rng.normal(0, spreads[0], EACH) for d in dict(layout)}
    means, balls_in = [], np.ones(EACH, dtype=bool)
    batches_in = np.ones(EACH, dtype=bool)
    for (day, count), (low, high) in zip(layout, ranges.batches, strict=True):
        own = centre + days[day] + rng.normal(0, spreads[1], EACH)
        balls = own + rng.normal(0, BALL_SD, (count, EACH))
        balls_in &= ((balls >= ranges.ball[0]) & (balls <= ranges.ball[1])).all(axis=0)
        mean = balls.mean(axis=0)
        batches_in &= (mean >= low) & (mean <= high)
        means.append(mean)
    whole = np.mean(means, axis=0)
    return np.array([(whole >= ranges.mean[0]) & (whole <= ranges.mean[1]), batches_in, balls_in])


def confirm(
    predictor: Predictor, first: First, case: str, spreads: tuple[float, float], rng
) -> tuple[np.ndarray, float]:
    """Write ranges down and hold confirming trials against them."""
    setting = dict(first.setting)
    one = 1 if case == "calibration" else 5
    parts = make_confirm(predictor, setting, batches=BATCHES, days=DAYS, balls=BALLS,
                         calibrations=one)  # fmt: skip
    layout = LOST if case == "lost" else spread_batches(BATCHES, DAYS, BALLS)
    ranges = adapt_ranges(parts, layout)
    centre = truth(setting) + (0.10 if case == "moved" else 0.0)
    return held(ranges, layout, centre, spreads, rng), ranges.together


def study(
    first: First, spreads: tuple[float, float], *, trials: int, cases: Sequence[str] = CASES
) -> list[Row]:
    """Run one bench: every case on the same first trials."""
    place = [SEED, [f.name for f in FIRSTS].index(first.name), int(1000 * spreads[0])]
    rng = np.random.default_rng(place)
    found: dict[str, list[tuple[np.ndarray, float]]] = {case: [] for case in cases}
    for number in range(trials):
        shift = float(rng.normal(0, 0.016))  # of the one calibration of the first trial, seen by it
        plain = find_predictor(first, spreads, 1000 * place[1] + number, 0.0)
        if plain is None:
            continue
        for case in cases:
            predictor = plain
            if case == "calibration":
                predictor = find_predictor(first, spreads, 1000 * place[1] + number, shift)
            if predictor is not None:
                found[case].append(confirm(predictor, first, case, spreads, rng))
    return [_row(first, spreads, case, own) for case, own in found.items() if own]


def _row(first: First, spreads, case: str, own: list[tuple[np.ndarray, float]]) -> Row:
    inside = np.stack([o[0] for o in own])  # trials, 3, each
    shares = inside.mean(axis=(0, 2))
    per_trial = inside[:, 1].mean(axis=1)
    values = (
        first.name, f"{spreads[0]:g}", f"{spreads[1]:g}", case, str(len(own)), str(EACH),
        *(f"{s:.4f}" for s in shares), f"{inside.all(axis=1).mean():.4f}",
        f"{np.mean([o[1] for o in own]):.4f}",
        f"{per_trial.std() / np.sqrt(len(own)):.4f}",
    )  # fmt: skip
    return dict(zip(COLUMNS, values, strict=True))


def run(trials: int = TRIALS) -> list[Row]:
    """Run the whole study."""
    rows = []
    for first in FIRSTS:
        for spreads in SPREADS:
            rows += study(first, spreads, trials=trials)
            print(first.name, spreads, [r["batches"] for r in rows[-4:]], flush=True)
    return rows


def write(rows: Sequence[Row]) -> None:
    """Write the table."""
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    write(run(int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS))
