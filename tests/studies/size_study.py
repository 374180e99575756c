"""Size and coverage study: do tests keep 5 %, and ranges 95 %, on benches of 6 to 24 batches?

Run by hand: ``python tests/studies/size_study.py``; it writes size_study.csv and size_study.md
beside it, and goes on where it was interrupted. The suite repeats three of the benches with fewer
trials (test_size.py).

Every trial is invented on the null truth: no factor has an effect, so each rejection is a false
alarm. Estimates and ranges move with the truth one to one, so that coverage measured here holds for
any true difference. Random effects and residuals are normal.

Each bench has one pattern of lost balls. Variances are given in units of the residual variance. A
chunk of trials is seeded by the study's seed, its bench, its setting and its own number: results do
not depend on how many cores share the work, nor on the order in which chunks end. More cores:
``--jobs 8``; more machines: see size_study.md.
"""

from __future__ import annotations

import argparse
import csv
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from doughlab.stats import ContrastSet, FixedDesign, ManyTests

SEED = 20260301
TRIALS = 20_000
CHUNK = 1_000
LEVEL = 0.05
Row = dict[str, str]
TABLE = Path(__file__).with_suffix(".csv")
COLUMNS = (
    "bench", "batches", "balls", "lost", "rows", "random", "truth", "term", "set", "df_num",
    "df_den", "trials", "unsettled", "at_zero", "size", "size_error", "covered", "mean_covered",
    "bound",
)  # fmt: skip


@dataclass(frozen=True)
class Bench:
    """A trial as a kitchen could run it.

    `temp_set` says whether the second factor is set per batch or per mixing day; `twins` are balls
    of one batch at one hold; `lost` is the share of balls lost at random, `whole` the number of
    batches lost whole. `model` gives the fixed terms; names of `random` are random intercepts.
    """

    name: str
    batches: int
    waters: int
    model: str
    random: tuple[str, ...] = ("batch",)
    days: int = 1
    temps: int = 1
    temp_set: str = "batch"
    holds: int = 1
    twins: int = 1
    lots: int = 1
    judges: int = 1
    lost: float = 0.1
    whole: int = 0

    @property
    def balls(self) -> int:
        """Count the balls of a batch."""
        return self.holds * self.twins


BENCHES = (
    Bench("01", 6, 2, "water", twins=2),
    Bench("02", 6, 3, "water + hold", holds=2, twins=2),
    Bench("03", 6, 2, "day + water + hold", days=3, holds=4, twins=2),
    Bench("04", 8, 2, "day + water * hold", days=2, holds=3),
    Bench("05", 8, 2, "water * temp + hold", temps=2, holds=4, twins=2),
    Bench("06", 8, 4, "water + hold", holds=4, whole=1),
    Bench("07", 9, 3, "day + water + hold", days=3, holds=3),
    Bench("08", 12, 3, "day + water + temp", days=2, temps=2, twins=2),
    Bench("09", 12, 2, "day + water * temp + hold", days=3, temps=2, holds=4, whole=1),
    Bench("10", 16, 3, "day + water * temp + hold", days=4, temps=2, holds=3, lost=0.15),
    Bench("11", 24, 3, "day + water * temp + water:hold + hold", days=4, temps=2, holds=4, twins=2),
    Bench("12", 24, 4, "day + water + temp", days=4, temps=2, twins=2, whole=2),
    Bench("13", 8, 2, "water + hold", ("batch", "batch:hold"), holds=3, twins=2),
    Bench("14", 10, 2, "day + water * hold", ("batch", "batch:hold"), days=2, holds=3, twins=2),
    Bench("15", 12, 3, "day + water + hold", ("batch", "batch:hold"), days=3, holds=3, twins=2),
    Bench("16", 16, 2, "day + water * temp + hold", ("batch", "batch:hold"), days=4, temps=2,
          holds=4, twins=2),
    Bench("17", 12, 2, "water + temp + hold", ("day", "batch"), days=6, temps=2, holds=3),
    Bench("18", 18, 3, "water + hold", ("day", "batch"), days=6, holds=3),
    Bench("19", 16, 2, "water + temp + hold", ("day", "batch"), days=8, temps=2, temp_set="day",
          holds=3),
    Bench("20", 24, 3, "water * temp", ("day", "batch"), days=12, temps=2, twins=2, whole=1),
    Bench("21", 12, 2, "day + water + hold", ("batch", "session"), days=4, holds=3),
    Bench("22", 24, 3, "day + water * temp + hold", ("batch", "session"), days=4, temps=2, holds=3),
    Bench("23", 20, 4, "water + hold", ("lot", "batch"), holds=4, lots=5),
    Bench("24", 14, 2, "day + water * hold", ("lot", "batch"), days=2, holds=5, lots=4, lost=0.2),
    Bench("25", 18, 3, "day + water + hold", ("batch", "batch:hold", "session"), days=3, holds=3,
          twins=2),
    Bench("26", 24, 2, "water + temp + hold", ("day", "batch", "batch:hold"), days=8, temps=2,
          holds=3, twins=2),
    Bench("27", 12, 3, "water", ("batch", "ball", "judge"), twins=2, judges=3),
    Bench("28", 16, 2, "day + water * temp", ("batch", "ball", "judge"), days=4, temps=2, twins=2,
          judges=4),
)  # fmt: skip

# Batch variance, and that of every other random term, in units of the residual variance.
TRUTHS = ((0.0, 0.0), (0.0, 0.5), (0.25, 0.5), (1.0, 0.5), (4.0, 1.0))


def truths(bench: Bench) -> list[tuple[float, float]]:
    """List the true variances of a bench; with the batch alone, the second one plays no part."""
    if bench.random == ("batch",):
        return [(batch, 0.0) for batch in sorted({b for b, _ in TRUTHS})]
    return list(TRUTHS)


def lay_out(bench: Bench) -> pd.DataFrame:
    """Lay a bench out: one row per value, lost balls (and as many single scores) left out.

    Runs are shuffled within each complete replicate and dealt to the mixing days in turn; a factor
    set per day alternates over days. Lots change after every few batches, whatever the day.
    Mixing days and holds are one calendar day apart, so that a session serves several holds.
    """
    rng = np.random.default_rng([SEED, int(bench.name)])
    own_temps = bench.temps if bench.temp_set == "batch" else 1
    runs = list(product(range(bench.waters), range(own_temps)))
    order: list[tuple[int, int]] = []
    while len(order) < bench.batches:
        order += [runs[i] for i in rng.permutation(len(runs))]
    rows = []
    for i, (water, temp) in enumerate(order[: bench.batches]):
        day = i * bench.days // bench.batches
        temp = temp if bench.temp_set == "batch" else day % bench.temps
        lot = i * 3 // max(1, bench.batches // bench.lots) % bench.lots
        for hold, twin in product(range(bench.holds), range(bench.twins)):
            rows.append((f"D{day}", f"B{i:02}", f"w{water}", f"t{temp}", f"h{hold}",
                         f"S{day + hold}", f"L{lot}", f"B{i:02}-{hold}{twin}"))  # fmt: skip
    names = ["day", "batch", "water", "temp", "hold", "session", "lot", "ball"]
    frame = pd.DataFrame(rows, columns=names)
    gone = set(rng.choice(sorted(set(frame["batch"])), bench.whole, replace=False))
    frame = frame[~frame["batch"].isin(gone)]
    lost = rng.choice(len(frame), round(bench.lost * len(frame)), replace=False)
    frame = frame.drop(index=frame.index[lost])
    if bench.judges > 1:
        judges = pd.DataFrame({"judge": [f"J{j}" for j in range(bench.judges)]})
        frame = frame.merge(judges, "cross")
        absent = rng.choice(len(frame), round(bench.lost * len(frame)), replace=False)
        frame = frame.drop(index=frame.index[absent])
    return frame.reset_index(drop=True)


@dataclass(frozen=True)
class Prepared:
    """A bench ready for many trials: `sizes` and `codes` of its random terms."""

    bench: Bench
    frame: pd.DataFrame
    design: FixedDesign
    pairs: ContrastSet
    asked: ContrastSet
    codes: tuple[np.ndarray, ...]


@lru_cache(maxsize=4)
def prepare(bench: Bench) -> Prepared:
    """Prepare a bench; the ranges looked at are all pairs of waters and every water's own mean."""
    frame = lay_out(bench)
    design = FixedDesign(frame, f"y ~ {bench.model}", random=list(bench.random))
    if design.not_estimable:
        raise SystemExit(f"Bench {bench.name} cannot be estimated: {design.not_estimable}")
    levels = sorted(set(frame["water"]))
    pairs = design.build_contrasts("water")
    own = {w: [float(v == w) for v in levels] for w in levels}
    means = design.build_contrasts("water", method=own)
    rows = np.vstack([pairs.rows, means.rows])
    asked = replace(means, labels=pairs.labels + means.labels, rows=rows)
    codes = tuple(
        frame.groupby(name.split(":"), sort=False).ngroup().to_numpy() for name in bench.random
    )
    return Prepared(bench, frame, design, pairs, asked, codes)


def invent(ready: Prepared, truth: tuple[float, float], trials: int, chunk: int) -> np.ndarray:
    """Invent the responses of one chunk of trials, one per column."""
    bench = ready.bench
    seed = [SEED, int(bench.name), TRUTHS.index(_listed(truth)), chunk, 1]
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(len(ready.frame), trials))
    for name, codes in zip(bench.random, ready.codes, strict=True):
        sd = np.sqrt(truth[0] if name == "batch" else truth[1])
        y += sd * rng.normal(size=(codes.max() + 1, trials))[codes]
    return y


def _listed(truth: tuple[float, float]) -> tuple[float, float]:
    """Find a truth in TRUTHS; with the batch alone the second variance plays no part."""
    return next(t for t in TRUTHS if t == truth or (truth[1] == 0.0 and t[0] == truth[0]))


@dataclass(frozen=True)
class Counts:
    """What chunks of trials counted, term by term where an array; df are summed over trials."""

    trials: int
    unsettled: int
    at_zero: int
    rejected: np.ndarray
    df_num: np.ndarray
    df_den: np.ndarray
    covered: int
    mean_covered: np.ndarray

    def __add__(self, other: Counts) -> Counts:
        """Add the counts of another chunk."""
        return Counts(*(a + b for a, b in zip(vars(self).values(), vars(other).values(),
                                              strict=True)))  # fmt: skip


def count_chunk(bench: Bench, truth: tuple[float, float], trials: int, chunk: int) -> Counts:
    """Run one chunk of trials; the unit of work that cores share."""
    ready = prepare(bench)
    many = ready.design.test_many(invent(ready, truth, trials, chunk), contrasts=ready.asked)
    c = len(ready.pairs.labels)
    pairs = cut(many, ready.pairs, slice(None, c))
    low, high = pairs.intervals(1.0 - LEVEL)
    means = cut(many, replace(ready.asked, labels=ready.asked.labels[c:]), slice(c, None))
    below, above = means.intervals(1.0 - LEVEL)
    return Counts(
        trials=trials,
        unsettled=int((~many.settled).sum()),
        at_zero=int(many.at_zero.sum()),
        rejected=(many.p_value < LEVEL).sum(axis=0),
        df_num=many.df_num * trials,
        df_den=many.df_den.sum(axis=0),
        covered=int(((low <= 0) & (high >= 0)).all(axis=1).sum()),
        mean_covered=((below <= 0) & (above >= 0)).sum(axis=0),
    )


def cut(many: ManyTests, contrasts: ContrastSet, part: slice) -> ManyTests:
    """Keep some of the contrasts, as a family of their own."""
    return replace(
        many,
        contrasts=contrasts,
        estimate=many.estimate[:, part],
        std_error=many.std_error[:, part],
        df=many.df[:, part],
        correlation=many.correlation[part, part],
    )


def set_of(bench: Bench, term: str) -> str:
    """Say whether a term is set per day, batch or ball; "block" for the mixing day itself."""
    parts = term.split(":")
    if "hold" in parts:
        return "ball"
    if parts == ["day"]:
        return "block"
    return bench.temp_set if parts == ["temp"] else "batch"


def rows_of(bench: Bench, truth: tuple[float, float], counts: Counts) -> Iterator[Row]:
    """Make the rows of the table, one per fixed term."""
    ready = prepare(bench)
    frame, n = ready.frame, counts.trials
    balls = bench.batches * bench.balls
    error = float(np.sqrt(LEVEL * (1 - LEVEL) / n))
    at_zero = counts.at_zero / n
    for i, term in enumerate(t for t in ready.design.prepared.design.terms if t.parts):
        size = int(counts.rejected[i]) / n
        kind = set_of(bench, term.name)
        shares = {}
        if term.name == "water":
            shares = {"covered": counts.covered / n, "mean_covered": counts.mean_covered.min() / n}
        yield {
            "bench": bench.name,
            "batches": str(frame["batch"].nunique()),
            "balls": str(bench.balls),
            "lost": str(balls - frame["ball"].nunique()),
            "rows": str(len(frame)),
            "random": "+".join(bench.random),
            "truth": truth_words(bench, truth),
            "term": term.name,
            "set": kind,
            "df_num": f"{counts.df_num[i] / n:.0f}",
            "df_den": f"{counts.df_den[i] / n:.2f}",
            "trials": str(n),
            "unsettled": str(counts.unsettled),
            "at_zero": f"{at_zero:.4f}",
            "size": f"{size:.4f}",
            "size_error": f"{error:.4f}",
            **{name: f"{share:.4f}" for name, share in shares.items()},
            "bound": judge(kind, [size, *(1.0 - s for s in shares.values())], at_zero, error),
        }


def judge(kind: str, rates: Sequence[float], at_zero: float, error: float) -> str:
    """Say whether a term set per batch keeps its bounds; other terms are shown, not judged.

    `rates` are the false alarms of the test and the misses of the ranges: everywhere at most 5 %
    + 3 simulation errors, and between 4.5 and 5.5 % where under 5 % of the fits touch zero.
    """
    if kind != "batch":
        return ""
    if max(rates) > LEVEL + 3 * error:
        return "above"
    if at_zero < 0.05 and not (max(rates) <= 0.055 and min(rates) >= 0.045):
        return "outside 4.5-5.5"
    return "kept"


def run_study(
    benches: Sequence[Bench] = BENCHES,
    *,
    trials: int = TRIALS,
    jobs: int = 1,
    show: bool = False,
    known: Sequence[Row] = (),
    keep: Callable[[Sequence[Row]], None] | None = None,
) -> list[Row]:
    """Run the study.

    Parameters
    ----------
    benches : sequence of Bench
    trials : int
        Per bench and truth; whole chunks of 1,000, the last one shorter.
    jobs : int
        Processes; with a joblib backend such as dask around the call, more machines.
    show : bool
        Print a progress line that says what is done.
    known : sequence of dict
        Rows of an earlier run with as many trials, which are not run again.
    keep : function, optional
        Called with all rows so far whenever a bench and truth are done.

    Returns
    -------
    list of dict
        The rows of the table, in the order of `benches`.
    """
    from joblib import Parallel, delayed

    sizes = [CHUNK] * (trials // CHUNK) + ([trials % CHUNK] if trials % CHUNK else [])
    rows: list[Row] = []
    start = time.monotonic()
    with Parallel(n_jobs=jobs) as pool:
        for bench, truth in ((b, t) for b in benches for t in truths(b)):
            place = (bench.name, truth_words(bench, truth), str(trials))
            old = [r for r in known if (r["bench"], r["truth"], r["trials"]) == place]
            if old:
                rows += old
                continue
            done = pool(delayed(count_chunk)(bench, truth, size, i) for i, size in enumerate(sizes))
            total = done[0]
            for counts in done[1:]:
                total = total + counts
            rows += rows_of(bench, truth, total)
            if keep is not None:
                keep(rows)
            if show:
                print(
                    f"bench {bench.name}, variances {place[1]}: {trials} trials tested, "
                    f"{time.monotonic() - start:.0f} s so far",
                    file=sys.stderr,
                    flush=True,
                )
    return rows


def truth_words(bench: Bench, truth: tuple[float, float]) -> str:
    """Write true variances: that of the batch, then that of the other random terms."""
    return "/".join(f"{v:g}" for v in truth[: len(bench.random)])


def read_table(path: Path) -> list[Row]:
    """Read a table; no rows where there is none."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_table(rows: Sequence[Row], path: Path) -> None:
    """Write the table."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


INTRO = """# Size and coverage of tests and ranges

Made by `python tests/studies/size_study.py` from size_study.csv; not edited by hand.

Each of the {benches} benches is a trial as a kitchen could run it: 6 to 24 batches, 2 to 8 balls
of each, one pattern of lost balls (and scores, and whole batches), one to three random terms. On
the truth that no factor has an effect, {trials:,} trials are invented for each bench and each
setting of the variances, from no batch variance at all to four times that of a ball, seed {seed}.
Counted are false alarms of the nominal 5 % test (Kenward-Roger, type III) and misses of the 95 %
ranges: of all pairs of waters together (Tukey), and of each water's mean (the worst one).

Bounds, for factors set per batch: at most 5 % + 3 simulation errors ({high:.2f} %) everywhere, and
between 4.5 and 5.5 % where a variance is estimated at zero in under 5 % of the trials. Terms set
per ball or per day and the mixing days themselves are in the table, but not judged. Where a true
variance is near zero it is often estimated at zero; it stays in the test, which then errs on the
cautious side.

On more cores: `--jobs 8`. On more machines, by a joblib backend, for example dask:

    import joblib, size_study                      # in tests/studies
    from dask.distributed import Client
    client = Client("scheduler:8786")
    client.upload_file("size_study.py")
    with joblib.parallel_config(backend="dask"):
        rows = size_study.run_study(jobs=-1)
    size_study.write_table(rows, size_study.TABLE)

Each chunk of 1,000 trials has its own seed, so that the table is the same on any number of them.

"""


def summarise(rows: Sequence[Row]) -> str:
    """Write the summary: what was run, and every bound that is not kept."""
    judged = [r for r in rows if r["bound"]]
    trials = int(rows[0]["trials"])
    error = float(np.sqrt(LEVEL * (1.0 - LEVEL) / trials))
    inner = [r for r in judged if float(r["at_zero"]) < 0.05]
    text = INTRO.format(
        benches=len({r["bench"] for r in rows}),
        trials=trials,
        seed=SEED,
        high=100 * (LEVEL + 3 * error),
    )
    text += f"{len(judged)} tests are judged, {len(inner)} of them by both bounds.\n\n"
    text += "| batch variance | tests | mean size % | largest size % | least cover of pairs % |\n"
    text += "|---|---|---|---|---|\n"
    for truth in sorted({r["truth"].split("/")[0] for r in judged}, key=float):
        own = [r for r in judged if r["truth"].split("/")[0] == truth]
        sizes = [100 * float(r["size"]) for r in own]
        cover = min(100 * float(r["covered"]) for r in own if r["covered"])
        text += (
            f"| {truth} | {len(own)} | {np.mean(sizes):.2f} | {max(sizes):.2f} | {cover:.2f} |\n"
        )
    missed = [r for r in judged if r["bound"] != "kept"]
    text += f"\n{len(judged) - len(missed)} of {len(judged)} keep their bounds."
    if not missed:
        return text + "\n"
    text += " The others:\n\n| bench | random | truth | term | size % | pairs missed % | "
    text += "mean missed % | at zero % | bound |\n" + "|---" * 9 + "|\n"
    for r in missed:
        lost = [
            f"{100 - 100 * float(r[c]):.2f}" if r[c] else "" for c in ("covered", "mean_covered")
        ]
        cells = [r["bench"], r["random"], r["truth"], r["term"], f"{100 * float(r['size']):.2f}"]
        cells += [*lost, f"{100 * float(r['at_zero']):.1f}", r["bound"]]
        text += f"| {' | '.join(cells)} |\n"
    return text


def main() -> None:
    """Run by command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=TRIALS, help="per bench and truth")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--bench", action="append", help="only these, such as 07; repeatable")
    parser.add_argument("--out", type=Path, default=TABLE, help="table to write, or to go on with")
    parser.add_argument("--afresh", action="store_true", help="run again what the table has")
    parser.add_argument("--progress", action="store_true", help="say what is done, also in a log")
    args = parser.parse_args()
    chosen = [b for b in BENCHES if not args.bench or b.name in args.bench]
    rows = run_study(
        chosen,
        trials=args.trials,
        jobs=args.jobs,
        show=args.progress or sys.stderr.isatty(),
        known=[] if args.afresh else read_table(args.out),
        keep=lambda rows: write_table(rows, args.out),
    )
    write_table(rows, args.out)
    rows = read_table(args.out)
    args.out.with_suffix(".md").write_text(summarise(rows), encoding="utf-8")
    judged = [r for r in rows if r["bound"]]
    kept = sum(r["bound"] == "kept" for r in judged)
    print(
        f"{args.out.name}: {len(rows)} rows; {kept} of {len(judged)} judged ones keep the bounds."
    )


if __name__ == "__main__":
    # imported by its name, so that other processes find the functions that they are sent
    from size_study import main as run

    run()
