"""Joint study: does the chance that all limits are met keep what its range promises?

Run by hand: ``python tests/studies/joint_study.py``; it writes joint_study.csv and .md beside it.
The suite repeats one case with fewer trials (test_joint_study.py). Everything is invented.

24 batches on 4 days, three waters, two mixing waters, three holds; pH 5.35-5.75 and a bake score of
6 or more. Days and batches move pH and score together by a known slope; in the last case the score
bows with the pH, which the model does not know. The truth of every setting is drawn ball by ball.
Each trial is seeded by the study's seed, its case and its own number.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

SEED = 20260329
TRIALS = 120
BALLS = 40_000  # drawn for the truth of a setting
TABLE = Path(__file__).with_suffix(".csv")
COLUMNS = ("case", "what", "trials", "n", "value", "error", "stated")
BINS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
LOW, HIGH, LEAST = 5.35, 5.75, 6.0
DAY, BATCH, BALL, JUDGE, TASTE, ONCE = 0.03, 0.05, 0.03, 0.5, 0.4, 0.4
Row = dict[str, Any]
NOTE = """\
The stated chance is the middle of the draws. Two chances that may each have been missed
low multiply, so it is cautious: for settings in play it lies under the truth more often
than over it. For the chosen setting the luck of the choice takes most of that away. Where
the score bows with the pH of a batch, which no term of the model is, balls spread less near
the best than the model has it: ranges miss more often there, nearly always because more
balls meet the limits than was said ("truth below the range" is the other side).
"""


@dataclass(frozen=True)
class Case:
    """How the score goes with what days and batches do to the pH."""

    name: str
    score: Callable[[np.ndarray, np.ndarray], np.ndarray]


def linear(slope: float) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """The score of a setting, and so many points for one pH more of its batch."""
    return lambda mean, shift: 6.9 - 8.0 * (mean - 5.5) ** 2 + slope * shift


CASES = (
    Case("no tie", linear(0.0)),
    Case("together", linear(8.0)),
    Case("against", linear(-8.0)),
    Case("bows", lambda mean, shift: 7.2 - 14.0 * (mean + shift - 5.5) ** 2),
)


def load_kitchen() -> Any:
    """The module that invents trials in memory."""
    name = "doughlab_tests_kitchen"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "analysis" / "kitchen.py"
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def make_template() -> dict[str, Any]:
    """Analyse one invented trial: plan, data sets and terms are those of every trial."""
    from doughlab.decision.choose import analyse_all

    kitchen = load_kitchen()
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score)
    return analyse_all(trial)


def mean_ph(frame: pd.DataFrame) -> np.ndarray:
    """The mean pH of settings given as level texts."""
    kitchen = load_kitchen()
    names = ["water", "mixing_water", "hold"]
    return np.array([kitchen.usual_truth(r) for r in frame[names].astype(str).to_dict("records")])


def find_truth(case: Case, settings: pd.DataFrame) -> np.ndarray:
    """The share of balls that meet both limits at every setting, ball by ball."""
    rng = np.random.default_rng(SEED)
    shift = rng.normal(0, np.hypot(DAY, BATCH), BALLS)
    out = []
    for mean in mean_ph(settings):
        ph = mean + shift + rng.normal(0, BALL, BALLS)
        score = case.score(np.full(BALLS, mean), shift) + rng.normal(0, TASTE, BALLS)
        out.append(((ph >= LOW) & (ph <= HIGH) & (score >= LEAST)).mean())
    return np.array(out)


def run_trial(case: Case, number: int, template: dict[str, Any]) -> tuple[Any, pd.DataFrame]:
    """Invent the records of one trial and draw its joint chances."""
    from doughlab.decision.chance import build_predictor, tried_settings
    from doughlab.decision.joint import draw_joint
    from doughlab.decision.limits import Limit

    rng = np.random.default_rng([SEED, CASES.index(case), number])
    frames = {n: a.dataset.frame for n, a in template.items()}
    first = frames["ph"].drop_duplicates("batch")
    days = {d: rng.normal(0, DAY) for d in sorted(first["block"].unique())}
    shifts = {b: days[d] + rng.normal(0, BATCH)
              for b, d in zip(first["batch"], first["block"], strict=True)}  # fmt: skip
    predictors = {}
    for name, frame in frames.items():
        shift = frame["batch"].map(shifts).to_numpy(dtype=float)
        mean = mean_ph(frame)
        if name == "ph":
            y = mean + shift + rng.normal(0, BALL, len(frame))
        else:
            balls = {b: rng.normal(0, TASTE) for b in frame["ball"].unique()}
            judges = {j: rng.normal(0, JUDGE) for j in frame["judge"].unique()}
            y = case.score(mean, shift) + frame["ball"].map(balls).to_numpy(dtype=float)
            y = y + frame["judge"].map(judges).to_numpy(dtype=float)
            y = y + rng.normal(0, ONCE, len(frame))
        dataset = replace(template[name].dataset, frame=frame.assign(y=y))
        model = replace(template[name].model, dataset=dataset)
        predictors[name] = build_predictor(replace(template[name], model=model))
    settings = tried_settings(template["ph"])
    limits = (Limit("ph", "balls", LOW, HIGH), Limit("score", "balls", LEAST))
    return draw_joint(predictors, settings, limits), settings


def run_case(case: Case, trials: int, template: dict[str, Any]) -> list[Row]:
    """Run one case and sum it up."""
    truth: np.ndarray | None = None
    stated, held, over, chosen, loss, ties, product = [], [], [], [], [], [], []
    for number in range(trials):
        joint, settings = run_trial(case, number, template)
        if truth is None:
            truth = find_truth(case, settings)
        middle, low, high = joint.chances
        at = int(middle.argmax())
        stated.append(middle)
        held.append((low <= truth) & (truth <= high))
        over.append(truth < low)
        chosen.append((middle[at], truth[at], held[-1][at], over[-1][at]))
        gain = np.maximum(joint.every.max(axis=1) - joint.every[:, at], 0.0)
        loss.append((gain.mean(), truth.max() - truth[at], np.quantile(gain, 0.975)))
        ties.append(joint.tie.shared)
        product.append(np.median(joint.alone["ph"] * joint.alone["score"], axis=0))
    assert truth is not None
    return list(_sum_up(case.name, trials, truth, np.array(stated), np.array(held),
                        np.array(over), np.array(chosen, dtype=float), np.array(loss), ties,
                        np.array(product)))  # fmt: skip


def _sum_up(
    case: str, trials: int, truth: np.ndarray, stated: np.ndarray, held: np.ndarray,
    over: np.ndarray, chosen: np.ndarray, loss: np.ndarray, ties: list[float], product: np.ndarray,
) -> Any:  # fmt: skip
    def row(what: str, values: np.ndarray, said: float | str = "", n: int | None = None) -> Row:
        each = np.asarray(values, dtype=float)
        error = each.std(ddof=1) / np.sqrt(len(each)) if len(each) > 1 else float("nan")
        return {"case": case, "what": what, "trials": trials, "n": len(each) if n is None else n,
                "value": round(float(each.mean()), 4), "error": round(float(error), 4),
                "stated": said}  # fmt: skip

    live = (truth > 0.02) & (truth < 0.99)
    yield row("range holds the truth, settings in play", held[:, live].mean(axis=1), 0.95)
    yield row("range holds the truth, chosen setting", chosen[:, 2], 0.95)
    yield row("truth below the range, settings in play", over[:, live].mean(axis=1), 0.025)
    yield row("truth below the range, chosen setting", chosen[:, 3], 0.025)
    yield row("stated above the truth, settings in play", (stated > truth)[:, live].mean(axis=1))
    yield row("true chance of the chosen setting", chosen[:, 1], round(chosen[:, 0].mean(), 4))
    yield row("tie between batches", np.array(ties))
    yield row(
        "error of the stated chance, settings in play", (stated - truth)[:, live].mean(axis=1)
    )
    yield row("the same for the product of both chances",
              (product - truth)[:, live].mean(axis=1))  # fmt: skip
    yield row("true loss of the choice", loss[:, 1], round(loss[:, 0].mean(), 4))
    yield row("true loss within its upper end", loss[:, 1] <= loss[:, 2], 0.975)
    flat, true = stated.ravel(), np.tile(truth, len(stated))
    for low, high in pairwise(BINS):
        own = (flat >= low) & ((flat < high) | (high == 1.0))
        if own.sum() >= 20:
            yield row(f"true chance where {low:g} to {high:g} is stated", true[own],
                      round(flat[own].mean(), 4))  # fmt: skip


def write_table(rows: list[Row], minutes: float) -> None:
    """Write the numbers and a page to read."""
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    lines = [
        "# Joint study",
        "",
        "Invented trials with a known truth; made by `python tests/studies/joint_study.py`.",
        f"Seed {SEED}, {rows[0]['trials']} trials a case, {minutes:.0f} minutes on one core.",
        "",
        NOTE,
        "| case | what | n | value | its error | stated |",
        "|---|---|---|---|---|---|",
    ]
    lines += [f"| {r['case']} | {r['what']} | {r['n']} | {r['value']} | {r['error']} | "
              f"{r['stated']} |" for r in rows]  # fmt: skip
    TABLE.with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Run all cases and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=TRIALS)
    start = time.time()
    trials = parser.parse_args().trials
    template = make_template()
    rows = [row for case in CASES for row in run_case(case, trials, template)]
    write_table(rows, (time.time() - start) / 60.0)
    print(TABLE.with_suffix(".md").read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
