"""Look study: do looks that share the error, and parts judged alone, keep 5 % of false alarms?

Run by hand: ``python tests/studies/look_study.py``; it writes look_study.csv beside it. The suite
repeats a few rows with fewer trials (test_look_study.py).

Every trial is invented on the null truth: no factor has an effect. Batches differ, and balls within
them; every mixing day has its own level, and a part has its own days. Variances are given in units
of the residual variance. Each look is judged as the analysis does it: restricted likelihood,
Kenward-Roger, ranges that hold together for all pairs (Tukey), at the level of the look.

Two tables in one file. "looks": false alarms of all planned looks together, every trial looked at
each time. "extend": a first part, extended where the difference of two waters is not settled, and
three ways to judge then: planned looks, the new part alone, and all together as if nothing had been
seen ("pooled"). Columns: `extended`, share of trials that are extended; `first`, false alarms of
the first look or part; `judged`, false alarms of the later answer among the extended trials;
`overall`, trials with a false alarm in either; `error`, its standard error. Trials are seeded by
the study's seed, the bench and the truth.
"""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from doughlab.stats import FixedDesign, ManyTests
from doughlab.stats.spending import look_levels

SEED = 20260302
TRIALS = 20_000
TABLE = Path(__file__).with_suffix(".csv")
RATIOS = (0.0, 0.25, 1.0, 4.0)
WIDTHS = (1.7, 1.4)
COLUMNS = (
    "table", "bench", "batches", "waters", "term", "spend", "batch_ratio", "margin", "trials",
    "extended", "first", "judged", "overall", "error",
)  # fmt: skip
Row = dict[str, str]


@dataclass(frozen=True)
class Bench:
    """A trial that is looked at after some batches; `days` mixing days belong to each part."""

    name: str
    looks: tuple[int, ...]
    waters: int = 2
    days: int = 1
    holds: int = 3

    @property
    def whole(self) -> int:
        """Count the batches of the whole trial."""
        return self.looks[-1]


BENCHES = (
    Bench("8", (4, 8)),
    Bench("12", (6, 12)),
    Bench("12 three waters", (6, 12), waters=3),
    Bench("16", (8, 16), days=2),
    Bench("18 three looks", (6, 12, 18), waters=3),
    Bench("20 early look", (6, 20)),
    Bench("24", (12, 24), days=2),
    Bench("24 three waters", (12, 24), waters=3, days=2),
    Bench("24 four looks", (6, 12, 18, 24), waters=2),
)


@lru_cache(maxsize=64)
def layout(bench: Bench) -> pd.DataFrame:
    """Lay the balls out: waters in turn, days within parts, every hold in every batch."""
    rows, start = [], 0
    for part, end in enumerate(bench.looks):
        size = end - start
        for i in range(size):
            day = f"D{part}-{i * bench.days // size}"
            for hold in range(bench.holds):
                rows.append({"batch": f"B{start + i:02d}", "day": day,
                             "water": f"W{i % bench.waters}", "hold": f"H{hold}"})  # fmt: skip
        start = end
    return pd.DataFrame(rows)


@lru_cache(maxsize=256)
def design_of(bench: Bench, first: int, last: int) -> tuple[FixedDesign, np.ndarray]:
    """Prepare the design of the batches from `first` up to `last`, and their rows."""
    whole = layout(bench)
    number = whole["batch"].str[1:].astype(int)
    rows = np.flatnonzero((number >= first) & (number < last))
    data = whole.iloc[rows].reset_index(drop=True)
    day = "day + " if data["day"].nunique() > 1 else ""
    return FixedDesign(data, f"~ {day}water + hold", random=["batch"]), rows


def draw(bench: Bench, ratio: float, trials: int) -> np.ndarray:
    """Invent trials without any effect of water or hold, shape (balls, trials)."""
    key = [SEED, BENCHES.index(bench) if bench in BENCHES else 99, round(100 * ratio)]
    rng = np.random.default_rng(key)
    rows = layout(bench)
    batch, day = (pd.factorize(rows[c])[0] for c in ("batch", "day"))
    y = rng.normal(size=(len(rows), trials))
    y += np.sqrt(ratio) * rng.normal(size=(batch.max() + 1, trials))[batch]
    return y + rng.normal(size=(day.max() + 1, trials))[day]


def test_part(bench: Bench, y: np.ndarray, first: int, last: int, *, term: str) -> ManyTests:
    """Fit and test the batches from `first` up to `last`."""
    design, rows = design_of(bench, first, last)
    return design.test_many(y[rows], terms=[], contrasts=design.build_contrasts(term))


def alarms(tests: ManyTests, level: float) -> np.ndarray:
    """Tell in which trials a range leaves zero out, shape (trials,)."""
    low, high = tests.intervals(level)
    return ((low > 0) | (high < 0)).any(axis=1)


def study_looks(bench: Bench, ratio: float, *, spend: str, term: str, trials: int) -> Row:
    """Count the trials in which any look calls a difference that is not there.

    `spend` "none" judges every look by 95 % ranges, as if it were the only one; "once" looks at the
    end only.
    """
    y = draw(bench, ratio, trials)
    looks = bench.looks[-1:] if spend == "once" else bench.looks
    shares = [n / bench.whole for n in looks]
    levels = [0.95] * len(shares)
    if spend in ("late", "even"):
        levels = list(look_levels(shares, kind=spend))
    called = [alarms(test_part(bench, y, 0, n, term=term), level)
              for n, level in zip(looks, levels, strict=True)]  # fmt: skip
    overall = np.any(called, axis=0).mean()
    return _row("looks", bench, ratio, trials, term=term, spend=spend, first=called[0].mean(),
                overall=overall)  # fmt: skip


def study_extension(
    bench: Bench, ratio: float, *, way: str, trials: int, widths: float = WIDTHS[0]
) -> Row:
    """Extend where it is not settled, and count false alarms by one way to judge.

    The margin is so many times the half width that a 95 % range of the first part has on average:
    the larger it is, the more trials end as "same", and the less a trial that is extended is like
    any other.
    """
    y = draw(bench, ratio, trials)
    n = bench.looks[0]
    first = test_part(bench, y, 0, n, term="water")
    levels = look_levels([n / bench.whole, 1.0]) if way == "looks" else (0.95, 0.95)
    margin = widths * np.nanmean(first.half_widths(0.95))
    low, high = (e[:, 0] for e in first.intervals(float(levels[0])))
    called = (low > 0) | (high < 0)
    same = (low > -margin) & (high < margin)
    extended = ~called & ~same
    start = n if way == "alone" else 0
    later = alarms(test_part(bench, y, start, bench.whole, term="water"), float(levels[1]))
    return _row("extend", bench, ratio, trials, spend=way, margin=widths, extended=extended.mean(),
                first=called.mean(), judged=later[extended].mean(),
                overall=(called | (extended & later)).mean())  # fmt: skip


def _row(table: str, bench: Bench, ratio: float, trials: int, *, term: str = "water",
         spend: str, **shares: float) -> Row:  # fmt: skip
    overall = shares["overall"]
    shares["error"] = float(np.sqrt(overall * (1 - overall) / trials))
    row = dict.fromkeys(COLUMNS, "")
    row |= {"table": table, "bench": bench.name, "batches": "/".join(map(str, bench.looks)),
            "waters": str(bench.waters), "term": term, "spend": spend,
            "batch_ratio": f"{ratio:g}", "trials": str(trials)}  # fmt: skip
    return row | {k: f"{v:.4f}" for k, v in shares.items()}


def run(trials: int = TRIALS) -> list[Row]:
    """Run the whole study."""
    rows = []
    for bench in BENCHES:
        for ratio in RATIOS:
            for spend in ("late", "even", "none", "once"):
                rows.append(study_looks(bench, ratio, spend=spend, term="water", trials=trials))
            rows += [study_looks(bench, ratio, spend=spend, term="hold", trials=trials)
                     for spend in ("late", "once")]  # fmt: skip
        print(bench.name, *(r["overall"] for r in rows[-24:]), flush=True)
    for bench in (BENCHES[1], BENCHES[3], BENCHES[6]):
        for ratio in RATIOS:
            rows += [study_extension(bench, ratio, way=way, trials=trials, widths=widths)
                     for widths in WIDTHS for way in ("looks", "alone", "pooled")]  # fmt: skip
        print(bench.name, *(r["judged"] for r in rows[-24:]), flush=True)
    return rows


def write(rows: Sequence[Row]) -> None:
    """Write the table."""
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    write(run(int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS))
