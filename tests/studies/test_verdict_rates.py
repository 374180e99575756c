"""How often each verdict falls, in invented trials and by formula.

The formula (`chance_of_verdicts`) takes the standard error as exact chi-square; balanced benches
with a batch variance well off zero are such. Truth, seed and band stand beside each test.
"""

import numpy as np
import pandas as pd
import pytest

from doughlab.stats import FixedDesign
from doughlab.stats.multiplicity import tukey_isf
from doughlab.stats.scale import student_quantile
from doughlab.stats.verdicts import VERDICTS, chance_of_verdicts, error_rates, judge_intervals

TRIALS = 4000
BAND = 4 * np.sqrt(0.25 / TRIALS)  # four simulation errors at their largest
MARGIN = 1.0


def bench(waters, batches, balls):
    rows = [(f"w{i % waters}", f"B{i}") for i in range(batches) for _ in range(balls)]
    return pd.DataFrame(rows, columns=["water", "batch"])


def run(waters, batches, balls, *, truth, batch_sd, seed):
    """Verdict shares on w0 - w1 by simulation; batch SD given, ball SD 0.3, w0 raised by truth."""
    data = bench(waters, batches, balls)
    design = FixedDesign(data, "~ water", random=["batch"])
    rng = np.random.default_rng(seed)
    codes = pd.factorize(data["batch"])[0]
    y = 0.3 * rng.normal(size=(len(data), TRIALS))
    y += batch_sd * rng.normal(size=(batches, TRIALS))[codes]
    y += truth * (data["water"] == "w0").to_numpy()[:, None]
    many = design.test_many(y, terms=[], contrasts=design.build_contrasts("water"))
    assert many.at_zero.mean() < 0.01
    low, high = many.intervals()
    found = judge_intervals(low[:, 0], high[:, 0], MARGIN)
    small = (found == VERDICTS.index("same")) & ((low[:, 0] > 0) | (high[:, 0] < 0))
    return [float((found == i).mean()) for i in range(4)], float(small.mean())


def formula(waters, batches, balls, *, truth, batch_sd):
    df = batches - waters
    std_error = np.sqrt(2.0 * (batch_sd**2 + 0.09 / balls) / (batches / waters))
    critical = student_quantile(df, 0.975)
    if waters > 2:
        critical = tukey_isf(0.05, waters, df) / np.sqrt(2.0)
    return (
        chance_of_verdicts(truth, std_error, df=df, margin=MARGIN, critical=float(critical)),
        float(std_error),
        float(critical),
    )


@pytest.mark.parametrize("truth", [0.0, 0.5, MARGIN, 1.8])
@pytest.mark.parametrize("layout", [(2, 8, 3), (3, 12, 4)])
def test_verdicts_fall_as_often_as_the_formula_says(layout, truth):
    found, small = run(*layout, truth=truth, batch_sd=0.5, seed=41)
    chances, _, _ = formula(*layout, truth=truth, batch_sd=0.5)
    wanted = [chances.matters, chances.differs, chances.same, chances.not_settled]
    assert found == pytest.approx([float(c) for c in wanted], abs=BAND)
    assert small == pytest.approx(float(chances.real_but_small), abs=BAND)


def test_wrong_verdicts_are_as_rare_as_promised():
    # Two waters, 16 batches of 3 balls, batch SD 0.5; nominal: any difference where there is none
    # 5 %, "matters" at the margin 2.5 %, "same" at the margin at most 2.5 %.
    _, std_error, critical = formula(2, 16, 3, truth=0.0, batch_sd=0.5)
    rates = error_rates(std_error=std_error, df=14, margin=MARGIN, critical=critical)
    nothing, small = run(2, 16, 3, truth=0.0, batch_sd=0.5, seed=42)
    at_margin, _ = run(2, 16, 3, truth=MARGIN, batch_sd=0.5, seed=43)
    band = 4 * np.sqrt(0.05 * 0.95 / TRIALS)
    assert nothing[0] + nothing[1] + small == pytest.approx(0.05, abs=band)
    assert rates.difference_from_nothing == pytest.approx(0.05, abs=1e-6)
    assert at_margin[0] == pytest.approx(0.025, abs=band)
    assert rates.matters_at_margin == pytest.approx(0.025, abs=1e-3)
    assert at_margin[2] <= 0.025 + band
    assert at_margin[2] == pytest.approx(rates.same_at_margin, abs=band)
