"""Window study: do hours, shares and the ends of a band keep what their ranges promise?

Run by hand: ``python tests/studies/window_study.py``; it writes window_study.csv and .md beside it.
The suite repeats two cases with fewer trials (test_window_study.py). Everything is invented.

Truths are known and, but for the first case of either part, not the fitted model: pH falls along
the logarithm of the hours or as a decay (the fit joins the tried holds by a smooth curve), batches
have a pace of their own or heavy tails, scores follow a skew curve of pH. Each trial is seeded by
the study's seed, its case and its own number.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

SEED = 20260312
TRIALS = 1000
DRAWS = 2000
WINDOW = (5.35, 5.75)
NEW = 400  # new batches asked per trial
TABLE = Path(__file__).with_suffix(".csv")
COLUMNS = ("part", "case", "what", "trials", "n", "value", "error", "stated")
BINS = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
Row = dict[str, Any]


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


def line(h: np.ndarray) -> np.ndarray:
    """6.03 at 24 h, 5.55 at 48 h, 5.07 at 72 h: straight."""
    return 5.55 - 0.012 * (h - 48.0)


def logs(h: np.ndarray) -> np.ndarray:
    """5.84 at 24 h, 5.55 at 48 h, 5.38 at 72 h: along the logarithm."""
    return 5.55 - 0.42 * np.log(h / 48.0)


def decay(h: np.ndarray) -> np.ndarray:
    """5.89 at 24 h, 5.55 at 48 h, 5.39 at 72 h: towards 5.24 with 32 h."""
    return 5.24 + 0.31 * np.exp(-(h - 48.0) / 32.0)


@dataclass(frozen=True)
class Case:
    """A trial as a kitchen could run it, with its truth.

    `pace` is the spread (SD) of the batches' own pace; `tails` the df of the batches' deviations
    (0: normal). Without a spread of sessions they are not in the model either.
    """

    name: str
    curve: Callable[[np.ndarray], np.ndarray]
    days: int
    per_day: int
    day: float = 0.03
    batch: float = 0.04
    lot: float = 0.0
    session: float = 0.01
    ball: float = 0.03
    holds: tuple[int, ...] = (24, 48, 72)
    pace: float = 0.0
    tails: float = 0.0

    @property
    def batches(self) -> int:
        """Count the batches."""
        return self.days * self.per_day


CASES: tuple[Case, ...] = (
    Case("line, 4 days x 6", line, 4, 6),
    Case("log hours, 4 days x 6", logs, 4, 6),
    Case("log hours, 2 days x 6", logs, 2, 6, session=0.0),
    Case("log hours, 3 days x 4, days differ most", logs, 3, 4, day=0.06, batch=0.03, session=0.0),
    Case("log hours, 4 days x 6, days alike", logs, 4, 6, day=0.0, batch=0.05, session=0.0),
    Case("log hours, 12 days x 2", logs, 12, 2, session=0.0),
    Case("log hours, flour lots, 6 days x 4", logs, 6, 4, lot=0.03, session=0.0),
    Case("decay, five holds, 4 days x 6", decay, 4, 6, session=0.0, holds=(24, 36, 48, 60, 72)),
    Case("log hours, own pace, 4 days x 6", logs, 4, 6, pace=0.12, batch=0.02, session=0.0),
    Case("log hours, heavy tails, 4 days x 6", logs, 4, 6, tails=4.0, session=0.0),
)

SHIFT = {"tap": 0.04, "bottled": -0.02}


def trial_text(case: Case) -> str:
    """Write trial.toml of a case: two waters, one score-free response."""
    kitchen = load_kitchen()
    text = kitchen.PLAIN.replace('kind = "none"', f"days = {case.days}")
    text = text.replace("replicates = 5", f"replicates = {case.batches // 2}")
    return text.replace("[24, 48, 72]", str(list(case.holds)))


def base_predictor(case: Case) -> Any:
    """Analyse one invented trial; its design serves all others of the case."""
    from doughlab.analysis import analyse
    from doughlab.analysis.models import fit_model
    from doughlab.decision.chance import build_predictor
    from doughlab.record.records import Records

    kitchen = load_kitchen()
    trial = kitchen.invent(trial_text(case), lambda v: float(case.curve(float(v["hold"]))))
    if case.lot:
        day_of = {b["batch_id"]: b["block"] for b in trial.frozen_plan.batches}
        names = {d: f"F{i // 2}" for i, d in enumerate(sorted(set(day_of.values())))}
        mixes = [{**m, "flour_lot": names[day_of[m["batch_id"]]]} for m in trial.records.mixes]
        records = Records({**trial.records.journals, **Records.of(mixes=mixes).journals})
        trial = replace(trial, records=records)
    predictor = build_predictor(analyse(trial, "ph"))
    if case.session:
        return predictor
    model = predictor.model
    random = [n for n in model.fit.random_names[:-1] if n != "session"]
    model = fit_model(model.settings, model.dataset, model.terms, random=random, fixed=model.fixed)
    return replace(predictor, model=model)


def deviates(case: Case, rng: np.random.Generator, n: int) -> np.ndarray:
    """Draw deviations of batches."""
    if case.tails:
        return case.batch * rng.standard_t(case.tails, n) / np.sqrt(case.tails / (case.tails - 2))
    return rng.normal(0.0, case.batch, n)


def own_pace(case: Case, hours: np.ndarray, pace: np.ndarray) -> np.ndarray:
    """Give the values of batches that run faster or slower, shape (batches, hours)."""
    return case.curve(hours[None, :] * np.exp(pace)[:, None])


class HourCase:
    """Hours and shares of one case over many trials."""

    def __init__(self, case: Case) -> None:
        self.case, self.base = case, base_predictor(case)
        frame = self.base.model.frame.loc[list(self.base.model.fit.design.index)]
        groups = [n for n in ("block", "batch", "session", "flour_lot") if n in frame]
        self.codes = {n: pd.factorize(frame[n].astype(str))[0] for n in groups}
        self.hold = frame["hold"].astype(float).to_numpy()
        self.shift = frame["water"].astype(str).map(SHIFT).to_numpy()
        self.grid = np.linspace(case.holds[0], case.holds[-1], 241)
        self.asked = np.arange(case.holds[0], case.holds[-1] + 1.0, 6.0)

    def invent(self, rng: np.random.Generator) -> np.ndarray:
        """Invent the values of one trial."""
        case, codes = self.case, self.codes
        n = {name: c.max() + 1 for name, c in codes.items()}
        pace = rng.normal(0.0, case.pace, n["batch"])
        y = case.curve(self.hold * np.exp(pace)[codes["batch"]]) + self.shift
        y = y + deviates(case, rng, n["batch"])[codes["batch"]]
        for name, sd in (("block", case.day), ("session", case.session), ("flour_lot", case.lot)):
            if name in codes and sd:
                y = y + rng.normal(0.0, sd, n[name])[codes[name]]
        return y + rng.normal(0.0, case.ball, len(y))

    def new_batches(self, rng: np.random.Generator, n: int) -> np.ndarray:
        """Draw true curves of new batches of new days on the grid, shape (n, 241)."""
        case = self.case
        own = own_pace(case, self.grid, rng.normal(0.0, case.pace, n))
        move = deviates(case, rng, n) + rng.normal(0.0, np.hypot(case.day, case.lot), n)
        return own + move[:, None]

    def true_shares(self, shift: float) -> np.ndarray:
        """Shares of new balls inside at the hours asked, by 200,000 new batches."""
        case, rng = self.case, np.random.default_rng([SEED, 1])
        n = 200_000
        sd = np.sqrt(case.day**2 + case.lot**2 + case.session**2 + case.ball**2)
        move = deviates(case, rng, n) + rng.normal(0.0, sd, n)
        pace = rng.normal(0.0, case.pace, n)
        found = []
        for hour in self.asked:
            value = case.curve(hour * np.exp(pace)) + move + shift
            found.append(np.mean((value >= WINDOW[0]) & (value <= WINDOW[1])))
        return np.array(found)

    def average(self, shift: float) -> np.ndarray:
        """True average on the grid, by algebra; with an own pace over 100,000 batches."""
        if not self.case.pace:
            return self.case.curve(self.grid) + shift
        rng = np.random.default_rng([SEED, 2])
        hours = self.grid[::10]
        own = own_pace(self.case, hours, rng.normal(0.0, self.case.pace, 100_000)).mean(axis=0)
        return np.interp(self.grid, hours, own) + shift

    def run(self, trials: int, start: int = 0) -> list[Row]:
        """Count over trials."""
        from doughlab.decision.chance import Predictor
        from doughlab.decision.hours import first_passage, follow
        from doughlab.stats.fit import fit_prepared
        from doughlab.stats.posterior import draw_posterior

        case = self.case
        truth = {w: (self.average(s), self.true_shares(s)) for w, s in SHIFT.items()}
        hits: dict[str, list[float]] = {}
        stated: list[np.ndarray] = []
        for number in range(start, start + trials):
            rng = np.random.default_rng([SEED, CASES.index(case), number])
            fit = fit_prepared(self.base.model.fit.prepared, self.invent(rng))
            predictor = Predictor(replace(self.base.model, fit=fit), self.base.days)
            predictor.__dict__["draws"] = draw_posterior(fit, draws=DRAWS)
            new = self.new_batches(rng, NEW)
            for water, (mean, shares) in truth.items():
                course = follow(predictor, {"water": water}, WINDOW)
                for term, edge in (("opens", WINDOW[1]), ("closes", WINDOW[0])):
                    real = first_passage(self.grid, (mean - edge)[None])
                    each = first_passage(self.grid, new + SHIFT[water] - edge)
                    hits.setdefault(f"{term}, on average", []).append(
                        float(covers(getattr(course, term), real).mean())
                    )
                    hits.setdefault(f"{term}, a new batch", []).append(
                        float(covers(getattr(course, f"batch_{term}"), each).mean())
                    )
                found = np.array([course.share_at(h) for h in self.asked])
                stated.append(np.column_stack([found, shares]))
        rows = [_row("hours", case.name, what, v) for what, v in hits.items()]
        return rows + share_rows(case.name, np.stack(stated), trials)


def covers(found: Any, hours: np.ndarray) -> np.ndarray:
    """Tell whether a stated range holds true hours; infinite ones lie outside the tried holds."""
    first, last = found.tried
    low = found.low if found.low is not None else last if found.side == "after" else -np.inf
    high = found.high if found.high is not None else first if found.side == "before" else np.inf
    if found.side == "before" and found.high == last:
        high = np.inf
    if found.side == "after" and found.low == first:
        low = -np.inf
    return (hours >= low - 1e-9) & (hours <= high + 1e-9)


def share_rows(case: str, stated: np.ndarray, trials: int) -> list[Row]:
    """Coverage of the shares' ranges, and the reliability table: stated against true.

    `stated` has shape (trials x waters, hours, 4): share, low, high, truth. Hours of one trial hang
    together, so errors are those between trials.
    """
    share, low, high, true = np.moveaxis(stated, -1, 0)
    held = (low <= true) & (true <= high)
    rows = [
        _row("share", case, "range holds the truth", held.mean(axis=1)),
        _row("share", case, "truth lies above the range", (true > high).mean(axis=1)),
        _row("share", case, "truth lies below the range", (true < low).mean(axis=1)),
        _row("share", case, "stated minus true", (share - true).mean(axis=1)),
    ]
    for first, last in pairwise(BINS):
        hit = (share >= first) & (share < last if last < 1 else share <= 1)
        if not hit.any():
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            each = np.where(hit, true - share, 0.0).sum(axis=1)
        error = float(np.sqrt((each - each.mean()).var() * len(each)) / hit.sum())
        rows.append({"part": "share", "case": case, "what": f"true where {first:g} to {last:g} is "
                     "stated", "trials": trials, "n": int(hit.sum()),
                     "value": f"{true[hit].mean():.4f}", "error": f"{error:.4f}",
                     "stated": f"{share[hit].mean():.4f}"})  # fmt: skip
        rows.append({"part": "share", "case": case, "what": f"range holds it where {first:g} to "
                     f"{last:g} is stated", "trials": trials, "n": int(hit.sum()),
                     "value": f"{held[hit].mean():.4f}", "error": "", "stated": ""})  # fmt: skip
    return rows


def _row(part: str, case: str, what: str, values: Sequence[float] | np.ndarray) -> Row:
    found = np.asarray(values, dtype=float)
    error = found.std(ddof=1) / np.sqrt(len(found)) if len(found) > 1 else np.nan
    return {"part": part, "case": case, "what": what, "trials": "", "n": len(found),
            "value": f"{found.mean():.4f}", "error": f"{error:.4f}", "stated": ""}  # fmt: skip


def hill(x: np.ndarray) -> np.ndarray:
    """7 at pH 5.5, 6 at 0.267 from it: of second degree."""
    return 7.0 - 14.0 * (x - 5.5) ** 2


def skew(x: np.ndarray) -> np.ndarray:
    """Falls faster below 5.5 than above: not of second degree."""
    z = x - 5.5
    return 7.0 - 14.0 * z**2 + 16.0 * z**3


def falling(x: np.ndarray) -> np.ndarray:
    """Best at the lowest pH; 5 points for each pH."""
    return 7.0 - 5.0 * (x - 5.2)


def flat(x: np.ndarray) -> np.ndarray:
    """No pH within reach is worse by a point."""
    return 6.0 - 1.5 * (x - 5.5) ** 2


@dataclass(frozen=True)
class ScoreCase:
    """A trial whose bakes are scored; `by_hold` lets the hold itself move the score."""

    name: str
    score: Callable[[np.ndarray], np.ndarray]
    days: int = 4
    per_day: int = 6
    judges: int = 3
    ball: float = 0.03
    bake: float = 0.5
    by_hold: dict[int, float] = field(default_factory=dict)
    both: bool = False  # also without the correction for the error of the pH


SCORE_CASES = (
    ScoreCase("second degree, 24 batches", hill, both=True),
    ScoreCase("second degree, balls differ much", hill, ball=0.10, both=True),
    ScoreCase("second degree, 12 batches", hill, days=2),
    ScoreCase("skew, 24 batches", skew),
    ScoreCase("best at the edge, 24 batches", falling),
    ScoreCase("flat, 24 batches", flat),
    ScoreCase("the hold itself moves the score", flat, by_hold={24: 1.0, 48: 0.0, 72: -1.5}),
)
MARGIN = 1.0


class BandCase:
    """The band found from scores, of one case over many trials."""

    def __init__(self, case: ScoreCase) -> None:
        self.case = case
        name = case.name
        self.base = base_predictor(Case(name, decay, case.days, case.per_day, session=0.0))
        frame = self.base.model.frame.loc[list(self.base.model.fit.design.index)]
        self.frame = frame.reset_index(drop=True)
        self.batch = pd.factorize(self.frame["batch"].astype(str))[0]
        self.block = pd.factorize(self.frame["block"].astype(str))[0]
        self.hold = self.frame["hold"].astype(float).to_numpy()
        self.shift = self.frame["water"].astype(str).map({"tap": 0.08, "bottled": -0.04}).to_numpy()

    def invent(self, rng: np.random.Generator) -> tuple[np.ndarray, pd.DataFrame]:
        """Invent readings of the twins and scores of the baked balls, the mean of the judges."""
        case, n = self.case, len(self.frame)
        own = decay(self.hold) + self.shift
        own = own + rng.normal(0, 0.05, self.batch.max() + 1)[self.batch]
        own = own + rng.normal(0, 0.03, self.block.max() + 1)[self.block]
        read = own + rng.normal(0, case.ball, n)
        baked = own + rng.normal(0, case.ball, n)
        score = case.score(baked) + rng.normal(0, 0.3, self.batch.max() + 1)[self.batch]
        score = score + np.array([case.by_hold.get(int(h), 0.0) for h in self.hold])
        score = score + rng.normal(0, case.bake, n)
        y = score + rng.normal(0, 0.8, (case.judges, n)).mean(axis=0)
        return read, self.frame.assign(y=y, read=read)

    def run(self, trials: int, start: int = 0) -> list[Row]:
        """Count over trials."""
        from doughlab.decision.chance import Predictor
        from doughlab.decision.scorecurve import curve_of, expected_values
        from doughlab.decision.window import judge_curve
        from doughlab.stats.fit import fit_prepared

        case = self.case
        hits: dict[str, list[float]] = {}
        for number in range(start, start + trials):
            rng = np.random.default_rng([SEED, 100 + SCORE_CASES.index(case), number])
            read, frame = self.invent(rng)
            fit = fit_prepared(self.base.model.fit.prepared, read)
            predictor = Predictor(replace(self.base.model, fit=fit), self.base.days)
            random = ["block", "batch"]
            for way in ("", "along readings: ")[: 1 + case.both]:
                x = expected_values(predictor, frame) if not way else frame["read"]
                curve = curve_of(frame.assign(x=x), random, margin=MARGIN)
                # what is true within the range that this trial tried
                fine = np.linspace(curve.first, curve.last, 4001)
                y = case.score(fine)
                good = np.flatnonzero(y >= y.max() - MARGIN)
                real = fine[good[0]], fine[good[-1]]
                ends = curve.ends()
                for side, end, there in zip(("low", "high"), ends, real, strict=True):
                    held = end.low - 1e-3 <= there <= end.high + 1e-3
                    hits.setdefault(f"{way}range of the {side} end holds it", []).append(held)
                if way:
                    continue
                found = judge_curve(curve)
                hits.setdefault("a band is told", []).append(found.ends is not None)
                hits.setdefault("refused: batches and holds disagree", []).append(
                    curve.apart is not None and curve.apart < 0.01
                )
                if found.ends is not None:
                    wrong = max(real[0] - found.ends[0], found.ends[1] - real[1])
                    hits.setdefault("where told: all of it is truly inside", []).append(
                        wrong <= 1e-3
                    )
                    hits.setdefault("where told: part of the true band in it", []).append(
                        (found.ends[1] - found.ends[0]) / (real[1] - real[0])
                    )
        return [_row("band", case.name, what, v) for what, v in hits.items()]


def run_case(kind: str, at: int, trials: int, start: int = 0) -> list[Row]:
    """Run one case; its own process may."""
    made: Any = HourCase(CASES[at]) if kind == "hours" else BandCase(SCORE_CASES[at])
    return [{**row, "trials": trials} for row in made.run(trials, start)]


def run_study(
    trials: int, *, jobs: int = 1, show: bool = False, keep: Callable[..., None] | None = None
) -> list[Row]:
    """Run all cases, in the order of the table whatever ends first; keep what is done."""
    from joblib import Parallel, delayed

    asked = [("hours", i) for i in range(len(CASES))] + [
        ("band", i) for i in range(len(SCORE_CASES))
    ]
    start = time.monotonic()
    rows: list[Row] = []
    done = Parallel(n_jobs=jobs, return_as="generator")(
        delayed(run_case)(kind, i, trials) for kind, i in asked
    )
    for (kind, i), found in zip(asked, done, strict=True):
        rows += found
        if keep is not None:
            keep(rows)
        if show:
            print(f"{kind} {i}: {time.monotonic() - start:.0f} s", file=sys.stderr, flush=True)
    return rows


INTRO = """# Hours, shares and bands: what the ranges keep

Made by `python tests/studies/window_study.py` from window_study.csv; not edited by hand.

{trials:,} invented trials of each case, seed {seed}; a trial's truth is known. Window 5.35-5.75,
two waters, one pH ball of each batch and hold. Only the first case of hours is nearly the fitted
model (any straight line is followed exactly); the others fall along the logarithm of the hours or
as a decay, which no term of the fit is, or have batches with a pace of their own, or heavy tails.
A new batch comes from a new day and lot; a new ball from a new batch. Reading sessions differ, and
are in the model, in the first two cases. Scores are means of three judges. "error" is the
Monte-Carlo standard error, from trial to trial. {draws:,} draws in each trial (4,000 in use).

Ranges that lie partly outside the tried holds are open there, which is why closing hours near 72 h
hold more often than they need to. Where a middling share is stated the true one is higher on
average: most true shares of these cases are high, and a trial that states 0.5 has often missed low.

"""


def summarise(rows: Sequence[Row]) -> str:
    """Write the summary from the table."""
    trials = int(rows[0]["trials"])
    text = INTRO.format(trials=trials, seed=SEED, draws=DRAWS)
    value = {(r["part"], r["case"], r["what"]): r for r in rows}

    def cell(part: str, case: str, what: str, *, times: float = 100.0) -> str:
        r = value.get((part, case, what))
        if r is None:
            return ""
        return f"{times * float(r['value']):.1f} ({times * float(r['error']):.1f})"

    text += "## Opening and closing hours: % of 95 % ranges that hold the truth (error)\n\n"
    text += "| case | opens, average | closes, average | opens, new batch | closes, new batch |\n"
    text += "|---|---|---|---|---|\n"
    names = list(dict.fromkeys(r["case"] for r in rows if r["part"] == "hours"))
    for name in names:
        both = [f"{t}, {v}" for v in ("on average", "a new batch") for t in ("opens", "closes")]
        cells = [cell("hours", name, what) for what in both]
        text += f"| {name} | {' | '.join(cells)} |\n"
    text += "\n## Share inside, every 6 h: % of 95 % ranges that hold the truth (error)\n\n"
    text += "| case | range holds it | truth above | truth below | stated minus true, points |\n"
    text += "|---|---|---|---|---|\n"
    for name in names:
        cells = [cell("share", name, what) for what in (
            "range holds the truth", "truth lies above the range", "truth lies below the range",
            "stated minus true")]  # fmt: skip
        text += f"| {name} | {' | '.join(cells)} |\n"
    text += (
        "\n## Reliability: where this share is stated, the true one is on average (error), %\n\n"
    )
    bins = [f"{a:g} to {b:g}" for a, b in pairwise(BINS)]
    text += f"| case | {' | '.join(bins)} |\n" + "|---" * (len(bins) + 1) + "|\n"
    for name in names:
        cells = []
        for b in bins:
            r = value.get(("share", name, f"true where {b} is stated"))
            shown = [100 * float(r[k]) for k in ("stated", "value", "error")] if r else []
            cells.append(f"{shown[0]:.0f}: {shown[1]:.1f} ({shown[2]:.1f})" if shown else "")
        text += f"| {name} | {' | '.join(cells)} |\n"
    text += "\nStated mean, then the true mean. Range holds the truth in these bins, %:\n\n"
    text += f"| case | {' | '.join(bins)} |\n" + "|---" * (len(bins) + 1) + "|\n"
    for name in names:
        cells = []
        for b in bins:
            r = value.get(("share", name, f"range holds it where {b} is stated"))
            cells.append("" if r is None else f"{100 * float(r['value']):.1f}")
        text += f"| {name} | {' | '.join(cells)} |\n"
    return text + band_text(rows, cell)


def band_text(rows: Sequence[Row], cell: Callable[..., str]) -> str:
    """Write the part on bands found from scores."""
    text = "\n## Band found from bake scores, margin 1 point: % (error)\n\n"
    heads = {
        "range of the low end holds it": "low end held",
        "range of the high end holds it": "high end held",
        "along readings: range of the low end holds it": "low, along readings",
        "along readings: range of the high end holds it": "high, along readings",
        "a band is told": "told",
        "where told: all of it is truly inside": "told: all truly inside",
        "where told: part of the true band in it": "told: part of the true band",
        "refused: batches and holds disagree": "batches and holds disagree",
    }
    text += f"| case | {' | '.join(heads.values())} |\n" + "|---" * (len(heads) + 1) + "|\n"
    for name in dict.fromkeys(r["case"] for r in rows if r["part"] == "band"):
        text += f"| {name} | {' | '.join(cell('band', name, what) for what in heads)} |\n"
    return text + (
        '\n"along readings" is the same curve without the correction for the error of the pH. In '
        "the last case the score does not follow the pH alone: no band should be told.\n"
    )


def write_table(rows: Sequence[Row], path: Path) -> None:
    """Write the table."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    """Run by command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=TRIALS, help="per case")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--out", type=Path, default=TABLE)
    args = parser.parse_args()
    rows = run_study(
        args.trials, jobs=args.jobs, show=True, keep=lambda r: write_table(r, args.out)
    )
    write_table(rows, args.out)
    with args.out.open(encoding="utf-8", newline="") as file:
        kept = list(csv.DictReader(file))
    args.out.with_suffix(".md").write_text(summarise(kept), encoding="utf-8")
    print(f"{args.out.name}: {len(rows)} rows of {args.trials} trials each case.")


if __name__ == "__main__":
    # imported by its name, so that other processes find the functions that they are sent
    from window_study import main as run

    run()
