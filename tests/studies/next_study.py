"""Next study: does an extended trial settle as often as "chance to settle" says?

Run by hand: ``python tests/studies/next_study.py``; it writes next_study.csv and next_study.md
beside it. The suite repeats a few rows with fewer trials (test_next_study.py).

First trials are invented over a wide spread of truths (normal, SD one margin for each water) and
of margins (1.2 to 4 true standard errors of a difference, evenly on a log scale); batches differ,
balls within them, mixing days too. Each is judged as the analysis does it: restricted likelihood,
Kenward-Roger, ranges that hold together for all pairs (Tukey), days fixed below six. Every
difference that is not settled gets its stated chances for several numbers of further batches; then
these batches are invented at the truth of that trial, on days of their own, and judged by the same
rule, alone or with the old ones. Columns: `way` (alone, together), `stated` ("truth": supposing the
truth of that trial, as the list does at both ends of a range; "average": over what is not known),
`method` ("now", or "before": the true error taken as found, as it was done at first),
`low` and `high` of a bin of stated chances, `count`, `said` and `came` (means of the bin), `error`
(one standard error of `came`). Rows of the bench "whole" come from whole trials in memory: plan,
extension, records, `analyse`, and the chances that `decide` states. The differences of one trial
are counted apart. Seeded by the study's seed and the bench.
"""

from __future__ import annotations

import csv
import importlib.util
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

from doughlab.analysis import analyse
from doughlab.decision.effort import batches_a_day
from doughlab.decision.outlook import foresee_steps, list_open
from doughlab.plan import build_plan
from doughlab.plan.extend import Wish, extend_plan
from doughlab.stats import FixedDesign, ManyTests
from doughlab.stats.outlook import chance_to_settle
from doughlab.stats.scale import student_cdf
from doughlab.stats.verdicts import NOT_SETTLED, chance_of_verdicts, judge_intervals

SEED = 20260306
TRIALS = 1500
WHOLE = 240
TABLE = Path(__file__).with_suffix(".csv")
TIMES = (0.5, 1.0, 2.0, 4.0)
RATIOS = (0.25, 1.0, 4.0)
BINS = 10
COLUMNS = ("bench", "way", "stated", "method", "low", "high", "count", "said", "came", "error")
OPEN = 3  # judge_intervals: not settled
Row = dict[str, str]


@dataclass(frozen=True)
class Bench:
    """A first trial: batches on mixing days, every hold in every batch."""

    name: str
    batches: int
    waters: int
    days: int
    holds: int = 3


BENCHES = (
    Bench("8 two waters", 8, 2, 1),
    Bench("12 two waters", 12, 2, 2),
    Bench("12 three waters", 12, 3, 2),
    Bench("24 three waters", 24, 3, 4),
)


def layout(bench: Bench, batches: int, *, first_day: int = 0, first_batch: int = 0) -> pd.DataFrame:
    """Lay out so many batches, waters in turn, on as many days as the bench would need."""
    days = days_of(bench, batches)
    rows = [
        {"batch": f"B{first_batch + i:03d}", "day": f"D{first_day + i * days // batches}",
         "water": f"W{i % bench.waters}", "hold": f"H{hold}"}
        for i in range(batches) for hold in range(bench.holds)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def days_of(bench: Bench, batches: int) -> int:
    """Count the mixing days of so many batches."""
    return max(1, -(-batches * bench.days // bench.batches))


def is_fixed(days: int) -> bool:
    """Tell whether days are a fixed block: several, fewer than six."""
    return 1 < days < 6


@lru_cache(maxsize=64)
def prepare(bench: Bench, first: int, more: int) -> tuple[FixedDesign, np.ndarray, pd.DataFrame]:
    """Prepare the design of the first batches, of more alone (first = 0), or of both."""
    parts = [layout(bench, first)] if first else []
    if more:
        parts.append(layout(bench, more, first_day=100, first_batch=100))
    frame = pd.concat(parts, ignore_index=True)
    days = frame["day"].nunique()
    fixed = "day + " if is_fixed(days) else ""
    random = ["day", "batch"] if days >= 6 else ["batch"]
    design = FixedDesign(frame, f"~ {fixed}water + hold", random=random)
    return design, design.build_contrasts("water"), frame


def judge(bench: Bench, first: int, more: int, y: np.ndarray) -> ManyTests:
    design, asked, _ = prepare(bench, first, more)
    return design.test_many(y, terms=[], contrasts=asked)


@dataclass(frozen=True)
class Drawn:
    """First trials with their truths."""

    ratio: float
    margin: np.ndarray
    effects: np.ndarray
    y: np.ndarray


def draw(bench: Bench, frame: pd.DataFrame, effects: np.ndarray, ratio: float, rng) -> np.ndarray:
    """Invent the values of a layout, shape (balls, trials)."""
    n = effects.shape[1]
    batch, day = (pd.factorize(frame[c])[0] for c in ("batch", "day"))
    y = rng.normal(size=(len(frame), n))
    y += np.sqrt(ratio) * rng.normal(size=(batch.max() + 1, n))[batch]
    y += rng.normal(size=(day.max() + 1, n))[day]
    return y + effects[frame["water"].str[1:].astype(int)]


def invent(bench: Bench, ratio: float, trials: int, rng) -> Drawn:
    """Invent first trials over many truths and margins."""
    _, _, frame = prepare(bench, bench.batches, 0)
    each = bench.batches / bench.waters
    error = np.sqrt(2.0 / each * (ratio + 1.0 / bench.holds))
    margin = error * np.exp(rng.uniform(np.log(1.2), np.log(4.0), trials))
    effects = margin * rng.normal(size=(bench.waters, trials))
    return Drawn(ratio, margin, effects, draw(bench, frame, effects, ratio, rng))


def study(
    bench: Bench, ratio: float, *, trials: int, times: Sequence[float] = TIMES
) -> list[tuple]:
    """Say the chances of what is open, go on, and see what came: tuples for the bins."""
    rng = np.random.default_rng(
        [SEED, [b.name for b in BENCHES].index(bench.name), int(100 * ratio)]
    )
    drawn = invent(bench, ratio, trials, rng)
    n = bench.batches
    first = judge(bench, n, 0, drawn.y)
    low, high = first.intervals()
    out = []
    pairs = [(i, j) for i in range(bench.waters) for j in range(i + 1, bench.waters)]
    for share in times:
        more = round(share * n)
        fresh = prepare(bench, 0, more)[2]
        new = draw(bench, fresh, drawn.effects, ratio, rng)
        for way in ("alone", "together"):
            old = n if way == "together" else 0
            later = judge(bench, old, more, np.vstack([drawn.y, new]) if old else new)
            ends = later.intervals()
            for at, (i, j) in enumerate(pairs):
                open_ = judge_intervals(low[:, at], high[:, at], drawn.margin) == OPEN
                open_ &= first.settled & (first.std_error[:, at] > 0)
                came = judge_intervals(ends[0][:, at], ends[1][:, at], drawn.margin) != OPEN
                truth = drawn.effects[i] - drawn.effects[j]
                said = _say(bench, first, at, drawn.margin, truth, open_, more, way)
                out += [(way, *key, p, came[open_]) for key, p in said.items()]
    return out


def _say(bench, first: ManyTests, at: int, margin, truth, open_, more: int, way: str) -> dict:
    """State the chances, as `decide` does and as it was done before."""
    s, df, e = (a[open_, at] for a in (first.std_error, first.df, first.estimate))
    low, high = (x[open_, at] for x in first.intervals())
    tail = student_cdf(df, -(high - low) / 2.0 / s)
    days = days_of(bench, more)
    lost = days if is_fixed(days) else 1.0
    if way == "together":
        lost = days if is_fixed(days + bench.days) else 0.0
    used = bench.batches - df - (bench.days if is_fixed(bench.days) else 1.0)
    df_new = more - lost - (used if way == "alone" else 0.0)
    given = {
        "margin": margin[open_],
        "tail": tail,
        "ratio": bench.batches / more,
        "df_new": df_new,
        "together": way == "together",
    }
    return {
        ("truth", "now"): chance_to_settle(e, s, df, truth=truth[open_], **given),
        ("average", "now"): chance_to_settle(e, s, df, **given),
        ("truth", "before"): before(e, s, df, tail, margin[open_], truth[open_], bench.batches,
                                    more, way),
    }  # fmt: skip


def before(e, s, df, tail, margin, truth, units: int, more: int, way: str) -> np.ndarray:
    """Take the true error as found, and one more df for each batch."""
    from doughlab.stats.scale import student_quantile

    total = units + more if way == "together" else more
    own = df + total - units
    b = units / total
    usable = own >= 1
    own = np.where(usable, own, 1.0)
    centre, spread = truth, s * np.sqrt(b)
    if way == "together":
        centre, spread = truth + b * (e - truth), s * np.sqrt(b * (1 - b))
    c = chance_of_verdicts(centre, s * np.sqrt(b), df=own, margin=margin,
                           critical=-student_quantile(own, tail), estimate_sd=spread)  # fmt: skip
    return np.where(usable, 1.0 - c.not_settled, 0.0)


def collect(bench: str, found: Sequence[tuple], bins: int = BINS) -> list[Row]:
    """Sort stated chances into bins and set what came beside them."""
    rows = []
    for way, stated, method in dict.fromkeys(f[:3] for f in found):
        own = [f for f in found if f[:3] == (way, stated, method)]
        p, came = (np.concatenate([np.asarray(f[k], dtype=float) for f in own]) for k in (3, 4))
        place = np.minimum((p * bins).astype(int), bins - 1)
        for b in range(bins):
            hit = place == b
            if hit.any():
                share = came[hit].mean()
                error = np.sqrt(max(share * (1 - share), 0.25 / hit.sum()) / hit.sum())
                rows.append(dict(zip(COLUMNS, (
                    bench, way, stated, method, f"{b / bins:g}", f"{(b + 1) / bins:g}",
                    str(int(hit.sum())), f"{p[hit].mean():.4f}", f"{share:.4f}", f"{error:.4f}",
                ), strict=True)))  # fmt: skip
    return rows


def run(trials: int = TRIALS) -> list[Row]:
    """Run the part over designs, all benches and then all of them together."""
    rows, every = [], []
    for bench in BENCHES:
        found = [t for ratio in RATIOS for t in study(bench, ratio, trials=trials)]
        rows += collect(bench.name, found)
        every += found
        print(bench.name, flush=True)
    rows += collect("all", every)
    return rows + collect("whole", whole(WHOLE), bins=5)


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


def whole(trials: int, *, first: int = 0) -> list[tuple]:
    """Plan, invent, analyse, state, extend, invent and analyse again; one tuple per trial."""
    kitchen = load_kitchen()
    out = []
    for number in range(first, first + trials):
        rng = np.random.default_rng([SEED, 9, number])
        text = kitchen.DAYS if number % 2 else kitchen.WATERS_PH
        effects = 0.1 * rng.normal(size=3)
        names = ["tap", "reverse osmosis", "bottled"]
        spread = kitchen.Spread(batch=float(rng.uniform(0.03, 0.12)))

        def truth(levels, effects=effects, names=names):
            return 5.5 + effects[names.index(levels["water"])]

        out += _whole_one(kitchen, text, truth, spread, int(rng.integers(1, 4)), number)
    return out


def _whole_one(kitchen, text: str, truth, spread, times: int, seed: int) -> list[tuple]:
    settings = kitchen.read(text)
    plan = build_plan(settings)
    trial = kitchen.invent_records(settings, plan, truth, seed=2 * seed, spread=spread)
    open_ = [o for o in list_open([analyse(trial, "ph")]) if o.comparison.factor == "water"]
    if not open_:
        return []
    more = times * len(plan.batches) // 2
    more += -more % batches_a_day(plan)
    said = [foresee_steps(o, plan, [more])[0].average for o in open_]
    whole_plan = extend_plan(plan, Wish(more), reason="study", at=kitchen.START)
    again = kitchen.invent_records(settings, whole_plan, truth, seed=2 * seed + 1, spread=spread)
    old = {b["ball_id"] for b in plan.balls}
    rows = [r for r in again.records.readings if r["ball_id"] not in old]
    done = again.with_readings([*trial.records.readings, *rows])
    answer = analyse(done, "ph").answer("water")
    later = {c.words: c.verdict for c in answer.comparisons}
    came = [later.get(o.comparison.words, NOT_SETTLED) != NOT_SETTLED for o in open_]
    return [("alone", "average", "now", np.array(said), np.array(came))]


def write(rows: Sequence[Row]) -> None:
    """Write the table."""
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


INTRO = """# Chance to settle: stated, and what came true

`python tests/studies/next_study.py`, seed {seed}; {trials} first trials for each of {benches}
benches and 3 batch variances, {count} open differences with 4 numbers of further batches each,
really invented at the truth of the trial and judged by the rule of the analysis. In hundredths: how
often "settled" was stated, and came. "now" is what `doughlab decide` states; "before" takes the
true error to be the one found. Error: one standard error of what came.

"Average" is over what the records leave open, "truth" supposes the truth of the trial (as the list
does at both ends of a range). Trials of one truth were drawn about zero with an SD of one margin:
where kitchens ask other questions, "average" may lie a few hundredths off.
"""


def summarise(rows: Sequence[Row], trials: int = TRIALS) -> str:
    """Write what the table says, all benches together and whole trials."""
    count = sum(int(r["count"]) for r in rows
                if (r["bench"], r["stated"], r["method"]) == ("all", "average", "now"))  # fmt: skip
    text = INTRO.format(seed=SEED, trials=trials, benches=len(BENCHES), count=f"{count // 8:,}")
    for bench, way, stated, method in dict.fromkeys(
        (r["bench"], r["way"], r["stated"], r["method"]) for r in rows
        if r["bench"] in ("all", "whole")
    ):  # fmt: skip
        own = [r for r in rows if (r["bench"], r["way"], r["stated"], r["method"])
               == (bench, way, stated, method)]  # fmt: skip
        name = "whole trials, " if bench == "whole" else ""
        text += f"\n## {name}new part {'judged alone' if way == 'alone' else 'and old together'}, "
        text += (
            f"{stated}, {method}\n\n| stated | came | error | differences |\n|---|---|---|---|\n"
        )
        for r in own:
            said, came, error = (f"{100 * float(r[k]):.1f}" for k in ("said", "came", "error"))
            text += f"| {said} | {came} | {error} | {r['count']} |\n"
        far = max(own, key=lambda r: abs(float(r["said"]) - float(r["came"])))
        gap = 100 * (float(far["came"]) - float(far["said"]))
        text += f"\nFurthest off: {gap:+.1f} where {100 * float(far['said']):.0f} was stated.\n"
    return text


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    found_rows = run(asked)
    write(found_rows)
    TABLE.with_suffix(".md").write_text(summarise(found_rows, asked), encoding="utf-8")
