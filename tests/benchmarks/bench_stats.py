"""Speed of the statistics engine, as ratios to statsmodels MixedLM in the same run.

statsmodels offers no Kenward-Roger table: its side is the bare fit, ours the fit with the table.
"""

import time
import warnings
from statistics import median

import numpy as np
import pandas as pd
import pytest

from doughlab.stats import FixedDesign, fit_mixed

ONE = "ph ~ day + water * temp * hold"
TWO = "ph ~ water * temp * hold"


def bench_table(repeats=1, seed=1):
    """4 bake days x 4 batches; 3 waters x 2 temperatures over the batches; 4 holds x 3 balls."""
    rng = np.random.default_rng(seed)
    combinations = [(w, t) for w in "abc" for t in ("18", "22")]
    rows = [
        (f"d{d}", f"B{r}-{d}-{i}", *combinations[(d * 4 + i) % 6], hold)
        for r in range(repeats)
        for d in range(4)
        for i in range(4)
        for hold in ("4h", "8h", "16h", "24h")
        for _ in range(3)
    ]
    data = pd.DataFrame(rows, columns=["day", "batch", "water", "temp", "hold"])
    return data.assign(ph=simulate(data, 1, rng)[:, 0])


def simulate(data, count, rng):
    """Responses with batch SD 0.5, day SD 0.4, ball SD 1."""
    y = rng.normal(size=(len(data), count))
    for column, sd in (("batch", 0.5), ("day", 0.4)):
        codes = pd.factorize(data[column])[0]
        y += sd * rng.normal(size=(codes.max() + 1, count))[codes]
    return y


def statsmodels_fit(data, formula, *, groups="batch", nested=None):
    """The fit of statsmodels, warnings about convergence silenced."""
    import statsmodels.formula.api as smf

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        extra = {"vc_formula": {nested: f"0 + C({nested})"}, "re_formula": "1"} if nested else {}
        return smf.mixedlm(formula, data, groups=data[groups], **extra).fit()


def interleave(ours, theirs, *, rounds):
    """Median seconds of both, measured turn about."""
    times = ([], [])
    ours()
    theirs()
    for _ in range(rounds):
        for call, kept in zip((ours, theirs), times, strict=True):
            start = time.perf_counter()
            call()
            kept.append(time.perf_counter() - start)
    return median(times[0]), median(times[1])


def report(benchmark, ours, theirs, floor):
    """Write both medians and their ratio into the benchmark record."""
    benchmark.extra_info.update(
        ours_ms=round(ours * 1e3, 3), statsmodels_ms=round(theirs * 1e3, 3), ratio=theirs / ours
    )
    print(f"\nours {ours * 1e3:.2f} ms, statsmodels {theirs * 1e3:.1f} ms, x {theirs / ours:.1f}")
    assert theirs / ours >= floor


CASES = {
    "one term": (ONE, ["batch"], {"groups": "batch"}, 1, 21, 3.0),
    "day and batch": (TWO, ["day", "batch"], {"groups": "day", "nested": "batch"}, 1, 11, 2.5),
    "19,200 rows": (ONE, ["batch"], {"groups": "batch"}, 100, 5, 20.0),
}


@pytest.mark.parametrize("name", CASES)
def test_one_fit_with_its_kenward_roger_table(benchmark, name):
    formula, random, theirs, repeats, rounds, floor = CASES[name]
    data = bench_table(repeats)

    def fit():
        return fit_mixed(data, formula, random=random).anova()

    pair = interleave(fit, lambda: statsmodels_fit(data, formula, **theirs), rounds=rounds)
    report(benchmark, *pair, floor)
    benchmark.pedantic(fit, rounds=10, warmup_rounds=1)


@pytest.mark.parametrize(
    ("formula", "random", "floor"), [(ONE, ["batch"], 150.0), (TWO, ["day", "batch"], 50.0)]
)
def test_a_thousand_simulated_trials(benchmark, formula, random, floor):
    data = bench_table()
    y = simulate(data, 1000, np.random.default_rng(2))
    design = FixedDesign(data, formula, random=random)
    single = {"groups": "batch"} if random == ["batch"] else {"groups": "day", "nested": "batch"}

    def one_by_statsmodels():
        return statsmodels_fit(data, formula, **single)

    ours, theirs = interleave(lambda: design.test_many(y), one_by_statsmodels, rounds=9)
    report(benchmark, ours, 1000 * theirs, floor)
    benchmark.pedantic(lambda: design.test_many(y), rounds=5, warmup_rounds=1)


def test_a_thousand_trials_with_lost_balls(benchmark):
    data = bench_table().drop(index=[3, 50, 77, 120]).reset_index(drop=True)
    y = simulate(data, 1000, np.random.default_rng(2))
    design = FixedDesign(data, TWO, random=["day", "batch"])
    benchmark.pedantic(lambda: design.test_many(y), rounds=5, warmup_rounds=1)


def test_a_power_curve_of_twenty_points(benchmark):
    data = bench_table()
    design = FixedDesign(data, ONE, random=["batch"])
    y = simulate(data, 1000, np.random.default_rng(3))
    effect = (data["water"] == "a").to_numpy(float)[:, None]

    def curve():
        return [
            (design.test_many(y + size * effect, terms=["water"]).p_value < 0.05).mean()
            for size in np.linspace(0, 2, 20)
        ]

    power = benchmark.pedantic(curve, rounds=3, warmup_rounds=1)
    # statsmodels has no test with degrees of freedom: 20,000 of its plain fits stand beside it
    one = data.assign(y=y[:, 0])
    fits = interleave(lambda: None, lambda: statsmodels_fit(one, ONE), rounds=3)[1]
    report(benchmark, benchmark.stats.stats.median, 20_000 * fits, 150)
    assert power[0] < 0.07
    assert power[-1] > 0.9


def test_all_tukey_pairs_of_24_means(benchmark):
    fit = fit_mixed(bench_table(), ONE, random=["batch"])
    pairs = benchmark.pedantic(lambda: fit.contrasts("water:temp:hold"), rounds=5, warmup_rounds=1)
    assert len(pairs) == 276


def test_the_foresight_of_a_plan_with_random_days(benchmark, tmp_path):
    """A ready trial of 8 mixing days, dense layout; beside it one plain fit of its rows."""
    from doughlab.cli import main
    from doughlab.plan import build_plan, plan_precision
    from doughlab.settings import read_settings

    assert main(["new", str(tmp_path / "it"), "--for", "hardness-back"]) == 0
    settings = read_settings(tmp_path / "it" / "trial.toml")
    plan = build_plan(settings)
    data = bench_table()
    ours, theirs = interleave(
        lambda: plan_precision(settings, plan),
        lambda: statsmodels_fit(data, TWO, groups="day", nested="batch"),
        rounds=3,
    )
    report(benchmark, ours, 500 * theirs, 1)  # some 500 trials are invented and fitted
    benchmark.pedantic(lambda: plan_precision(settings, plan), rounds=3, warmup_rounds=1)
