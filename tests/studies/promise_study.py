"""Promises: what `plan_precision` and "how many more batches" say, against invented trials.

Run by hand: ``python tests/studies/promise_study.py``; it prints three tables and writes
promise_study.md beside it. The suite repeats them small (test_promise.py).

1. The demo's plan table: every line's "finds 4 in 5", "9 in 10", "same" at zero and at half a
   margin, against trials invented at the assumed spreads and fitted with the analysis' model.
2. The same promise through the whole analysis of the demo's balls: averaging over holds, families,
   verdicts as printed.
3. "How many more batches": first trials that are not settled go on with as many as the forecast
   says, the truth at the low or at the high end of the range; settled then 4 times in 5?
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from doughlab.plan import build_layout, choose_terms, plan_precision, read_plan
from doughlab.settings import read_settings
from doughlab.stats import FixedDesign
from doughlab.stats.settle import Finding, units_to_settle
from doughlab.stats.verdicts import judge_intervals

SEED = 20260304
DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
TABLE = Path(__file__).with_suffix(".md")
SPREADS = {  # [assumed] of the demo's trial.toml; readings: 0.02, the mean of three
    "ph": {"batch": 0.05, "ball": (0.03**2 + 0.02**2 / 3) ** 0.5},
    "score": {"batch": 0.4, "ball": 0.5, "judge": 1.0, "one": 1.0},
}


@dataclass(frozen=True)
class Promise:
    """One promised share and the share that came true."""

    line: str
    what: str
    promised: float
    kept: float
    trials: int

    @property
    def error(self) -> float:
        return float(np.sqrt(self.promised * (1 - self.promised) / self.trials))


def invent_noise(frame: pd.DataFrame, response: str, trials: int, rng) -> np.ndarray:
    """Errors at the demo's assumed spreads, term by term."""
    spreads = SPREADS[response]
    noise = rng.normal(0, spreads.get("one", 0.0), (len(frame), trials))
    for name in ("batch", "ball", "judge"):
        if name in spreads:
            codes, levels = pd.factorize(frame[name])
            noise += rng.normal(0, spreads[name], (len(levels), trials))[codes]
    return noise


def demo_promises(response: str, *, trials: int, seed: int = SEED, lines=None) -> list[Promise]:
    """Hold every line of the demo's plan table against invented trials."""
    settings = read_settings(DEMO / "trial.toml")
    plan, _ = read_plan(DEMO, settings)
    table = plan_precision(settings, plan).table
    own = settings.responses[response]
    layout = build_layout(settings, plan.batches, plan.balls, own)
    terms = choose_terms(settings, layout, own)
    frame = pd.DataFrame(layout)
    for name, middle in terms.centres.items():
        f = settings.factors[name]
        frame[name] = [float(f.value_of(v)) - middle for v in frame[name]]
    for f in settings.factors.values():
        if f.name not in terms.centres:
            frame[f.name] = pd.Categorical(frame[f.name], categories=f.levels)
    noise = invent_noise(frame, response, trials, np.random.default_rng([seed, len(response)]))
    fixed = FixedDesign(frame, terms.formula, random=list(terms.random))
    found = []
    for row in table[table.response == response].itertuples():
        words = f"{row.term} on {response}" + (f" at {row.level} h" if row.level else "")
        if lines is None or words in lines:
            found += _hold(row, words, frame, terms, fixed, noise)
    return found


def _hold(row, words, frame, terms, fixed, noise) -> list[Promise]:
    at = dict.fromkeys(terms.centres, 0.0) | ({"hold": row.level} if row.level else {})
    first, last = row.contrast.split(" - ")
    scale = float(np.ptp(frame[row.term])) if row.term in terms.centres else 1.0
    if row.term in terms.centres:
        step = frame[row.term].to_numpy() / scale
    else:
        step = (frame[row.term] == first).to_numpy().astype(float)
    asked = fixed.build_contrasts(row.term, at=at)
    place = 0
    if row.term not in terms.centres:
        place = [set(x.split(" - ")) for x in asked.labels].index({first, last})
    out = []
    for what, size, promised, same in (
        ("found 4 in 5", row.found_80, 0.8, False),
        ("found 9 in 10", row.found_90, 0.9, False),
        ("same at zero", 0.0, row.same_if_zero, True),
        ("same at half", row.margin / 2, row.same_if_half, True),
    ):
        tests = fixed.test_many(noise + size * step[:, None], terms=[row.term], contrasts=asked)
        low, high = (e[:, place] * scale for e in tests.intervals())
        kept = (low > -row.margin) & (high < row.margin) if same else (low > 0) | (high < 0)
        out.append(Promise(words, what, float(promised), float(kept.mean()), noise.shape[1]))
    return out


def analysed_promises(*, trials: int, seed: int = SEED) -> list[Promise]:
    """Hold "which water, pH" against the whole analysis of the demo's recorded balls."""
    from doughlab.analysis.answers import answer_questions
    from doughlab.analysis.dataset import build_dataset
    from doughlab.analysis.models import choose_model, fit_model
    from doughlab.trial import Trial

    trial = Trial.open(DEMO)
    line = plan_precision(trial.settings, trial.frozen_plan).table.iloc[0]
    data = build_dataset(trial, "ph")
    terms = choose_model(trial.settings, trial.frozen_plan, data)
    first, last = line.contrast.split(" - ")
    rng = np.random.default_rng([seed, 77])
    noise = invent_noise(data.frame, "ph", trials, rng) + 5.5
    step = (data.frame["water"] == first).to_numpy().astype(float)
    out = []
    for what, size, promised in (
        ("found 4 in 5", line.found_80, 0.8), ("same at zero", 0.0, line.same_if_zero),
    ):  # fmt: skip
        kept = 0
        for i in range(trials):
            y = noise[:, i] + size * step
            model = fit_model(trial.settings, replace(data, frame=data.frame.assign(y=y)), terms)
            answer = next(a for a in answer_questions(model) if a.question.factor == "water")
            c = next(c for c in answer.comparisons if {c.level, c.other} == {first, last})
            kept += c.verdict == "same" if size == 0 else c.ci_low > 0 or c.ci_high < 0
        out.append(Promise("water on ph, whole analysis", what, float(promised), kept / trials,
                           trials))  # fmt: skip
    return out


def bench(batches: int, balls: int = 3) -> pd.DataFrame:
    """Two waters in turn, so many batches in all."""
    rows = [(f"w{i % 2}", f"B{i}") for i in range(batches) for _ in range(balls)]
    return pd.DataFrame(rows, columns=["water", "batch"])


def _values(frame, difference, trials, rng) -> np.ndarray:
    """Batches differ by 0.05, balls by 0.03; the waters by a given difference."""
    codes, names = pd.factorize(frame["batch"])
    y = rng.normal(0, 0.03, (len(frame), trials))
    y += rng.normal(0, 0.05, (len(names), trials))[codes]
    return y + difference * (frame["water"] == "w0").to_numpy()[:, None]


def settled_shares(
    *, firsts: int, goes: int, seed: int = SEED, batches: int = 12, margin: float = 0.1
) -> dict[str, tuple[float, int, float]]:
    """Go on with unsettled first trials; share settled, how many firsts, batches added (median)."""
    rng = np.random.default_rng([seed, 5])
    frame = bench(batches)
    design = FixedDesign(frame, "~ water", random=["batch"])
    asked = design.build_contrasts("water")
    first = _values(frame, 0.06, 40 * firsts, rng)
    tests = design.test_many(first, terms=[], contrasts=asked)
    low, high = (e[:, 0] for e in tests.intervals())
    open_ones = np.flatnonzero(
        (judge_intervals(low, high, margin) == 3) & ~tests.at_zero & tests.settled
    )[:firsts]
    shares: dict[str, list[float]] = {"low": [], "high": []}
    added: dict[str, list[int]] = {"low": [], "high": []}
    for i in open_ones:
        finding = Finding(
            float(tests.estimate[i, 0]), float(low[i]), float(high[i]),
            float(tests.std_error[i, 0]), float(tests.df[i, 0]), margin, batches,
        )  # fmt: skip
        forecast = units_to_settle(finding)
        for end, more, truth in (
            ("low", forecast.at_low, low[i]), ("high", forecast.at_high, high[i]),
        ):  # fmt: skip
            if more is None:
                continue
            even = more + more % 2
            own_sd = float(np.sqrt(batches) * tests.std_error[i, 0] / 2.0)  # as it was estimated
            df = float(tests.df[i, 0])
            true_sd = own_sd * np.sqrt(df / rng.chisquare(df, goes))  # as that leaves it open
            shares[end].append(_go_on(first[:, i], float(truth), even, goes, margin, true_sd, rng))
            added[end].append(even)
    return {e: (float(np.mean(s)), len(s), float(np.median(added[e]))) for e, s in shares.items()}


def _go_on(first, truth, more, goes, margin, batch_mean_sd, rng) -> float:
    """Add batches at a truth; judge old and new together by a fit of all.

    A batch mean of three balls varies by an SD of its own in each go, drawn from what the first
    trial leaves open; its balls by 0.03, or by less where even the batch means vary less.
    """
    old = len(first) // 3
    frame = bench(old + more)
    new = frame.iloc[len(first) :]
    codes, names = pd.factorize(new["batch"])
    balls = np.minimum(0.03, np.sqrt(3.0) * batch_mean_sd)
    between = np.sqrt(np.maximum(batch_mean_sd**2 - balls**2 / 3, 0.0))
    y = rng.normal(0, 1, (len(new), goes)) * balls
    y += (rng.normal(0, 1, (len(names), goes)) * between)[codes]
    y += truth * (new["water"] == "w0").to_numpy()[:, None]
    means = first.reshape(old, 3).mean(axis=1)
    y += means[1::2].mean()  # where the first trial's w1 lies
    whole = np.vstack([np.repeat(first[:, None], goes, axis=1), y])
    design = FixedDesign(frame, "~ water", random=["batch"])
    tests = design.test_many(whole, terms=[], contrasts=design.build_contrasts("water"))
    low, high = (e[:, 0] for e in tests.intervals())
    return float((judge_intervals(low, high, margin) != 3).mean())


def forecast_seconds(repeats: int = 50) -> float:
    """Processor time of one forecast of more batches."""
    finding = Finding(0.06, -0.01, 0.13, 0.031, 10, 0.1, 12)
    units_to_settle(finding)
    start = time.process_time()
    for _ in range(repeats):
        units_to_settle(finding)
    return (time.process_time() - start) / repeats


def main(trials: int, whole: int, firsts: int) -> None:
    """Print and write the three tables."""
    lines = [
        "# Promises of the plan against invented trials",
        "",
        f"`python tests/studies/promise_study.py`, seed {SEED}; error: one simulation SD.",
        "",
        "| line | promise | promised | kept | error | trials |",
        "|---|---|---|---|---|---|",
    ]
    found = [p for r in SPREADS for p in demo_promises(r, trials=trials)]
    found += analysed_promises(trials=whole)
    lines += [
        f"| {p.line} | {p.what} | {p.promised:.3f} | {p.kept:.3f} | {p.error:.3f} | {p.trials} |"
        for p in found
    ]
    lines += [
        "", "| more batches, truth at the | settled (0.8 promised) | first trials | added |",
        "|---|---|---|---|",
    ]  # fmt: skip
    for end, (share, count, more) in settled_shares(firsts=firsts, goes=400).items():
        lines.append(f"| {end} end | {share:.3f} | {count} | {more:.0f} |")
    lines += ["", f"One forecast takes {1000 * forecast_seconds():.0f} ms of processor time."]
    text = "\n".join(lines) + "\n"
    print(text)
    TABLE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:4]) if len(sys.argv) > 3 else (4000, 400, 100))
