"""Power in a balanced split plot: simulated trials against the closed form.

Expected mean squares of the split plot: Cochran, W. G. & Cox, G. M. (1957), Experimental Designs,
2nd edition, chapter 7 (from memory): main plots e + h b on w (r - 1) df, sub-plots e on
w (r - 1)(h - 1) df. Power is the tail of noncentral F, here by scipy.stats.ncf (a general-purpose
library); differences of two means by scipy.stats.nct.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f, ncf, nct
from scipy.stats import t as student

from doughlab.plan import build_plan, plan_precision
from doughlab.sections import Assumed, Blocks, Factor, Question, Response
from doughlab.settings import Settings
from doughlab.stats import FixedDesign

WATERS, BATCHES, HOLDS = 3, 5, 4  # w waters, r batches of each, h holds in each batch
BATCH_SD, BALL_SD = 0.05, 0.03
TRIALS = 4000
MAIN = BALL_SD**2 + HOLDS * BATCH_SD**2
DF_MAIN = WATERS * (BATCHES - 1)
DF_SUB = DF_MAIN * (HOLDS - 1)


@pytest.fixture(scope="module")
def shares():
    """Shares of trials in which each term is found, and in which water 0 - 1 leaves zero out."""
    rows = [
        (f"w{w}", f"B{w}{r}", f"h{h}")
        for w in range(WATERS) for r in range(BATCHES) for h in range(HOLDS)
    ]  # fmt: skip
    data = pd.DataFrame(rows, columns=["water", "batch", "hold"])
    water = np.array([0.05, -0.05, 0.0])[pd.factorize(data["water"])[0]]
    hold = np.array([0.015, -0.015, 0.0, 0.0])[pd.factorize(data["hold"])[0]]
    rng = np.random.default_rng(1957)
    codes, names = pd.factorize(data["batch"])
    y = rng.normal(0, BALL_SD, (len(data), TRIALS))
    y += rng.normal(0, BATCH_SD, (len(names), TRIALS))[codes]
    y += (water + hold)[:, None]
    design = FixedDesign(data, "~ water * hold", random=["batch"])
    tests = design.test_many(y, terms=["water", "hold", "water:hold"])
    return dict(zip(tests.terms, (tests.p_value < 0.05).mean(axis=0), strict=True))


def closed(noncentrality, df_num, df_den):
    return float(ncf.sf(f.isf(0.05, df_num, df_den), df_num, df_den, noncentrality))


def band(power):
    return 4 * float(np.sqrt(power * (1 - power) / TRIALS))


def test_waters_are_found_between_batches(shares):
    wanted = closed(BATCHES * HOLDS * 2 * 0.05**2 / MAIN, WATERS - 1, DF_MAIN)
    # a batch variance estimated at zero stays in the test, which then is a little cautious
    assert shares["water"] == pytest.approx(wanted, abs=band(wanted))


def test_holds_are_found_within_batches(shares):
    wanted = closed(WATERS * BATCHES * 2 * 0.015**2 / BALL_SD**2, HOLDS - 1, DF_SUB)
    assert shares["hold"] == pytest.approx(wanted, abs=band(wanted))


def test_an_interaction_that_is_not_there_is_found_in_five_per_cent(shares):
    assert shares["water:hold"] == pytest.approx(0.05, abs=band(0.05))


def plan_of(levels):
    """Two waters on one bench: `levels` names which one question is asked."""
    waters = Factor("water", "batch", "water", ("tap", "bottled"))
    stage = Factor("stage", "ball", "category", ("early", "late"))
    settings = Settings(
        "Invented", "INV",
        questions=(Question("Which?", levels, "rise"),),
        factors={"water": waters, "stage": stage},
        responses={"rise": Response("rise", "bakes", "rise", margin=0.05)},
        assumed={"rise": Assumed("rise", BATCH_SD, BALL_SD)},
        blocks=Blocks(kind="none", replicates=8, spares=0),
    )  # fmt: skip
    table = plan_precision(settings, build_plan(settings)).table.set_index("term")
    return table.loc[levels]


@pytest.mark.parametrize(
    ("term", "variance", "df"),
    [
        ("water", 2 / 8 * (BATCH_SD**2 + BALL_SD**2 / 2), 14),  # 16 batches less 2
        ("stage", 2 / 16 * BALL_SD**2, 14),  # 32 balls less 16 batches, stage and water x stage
    ],
)
def test_what_a_plan_finds_is_the_closed_form_of_its_level(term, variance, df):
    row = plan_of(term)
    limit, shift = student.isf(0.025, df), 0.05 / variance**0.5
    assert (row.std_error, row.df) == pytest.approx((variance**0.5, df))
    wanted = nct.sf(limit, df, shift) + nct.cdf(-limit, df, shift)
    assert row.found_margin == pytest.approx(wanted, abs=1e-7)
    for chance, found in ((0.8, row.found_80), (0.9, row.found_90)):
        back = nct.sf(limit, df, found / variance**0.5)
        assert back == pytest.approx(chance, abs=2e-6)
    assert row.half_width == pytest.approx(limit * variance**0.5)


def test_judges_of_a_score_average_like_balls():
    """Balls scored by j judges: variance of a batch's mean b + (e + o/j) / 2, 14 df."""
    waters = Factor("water", "batch", "water", ("tap", "bottled"))
    settings = Settings(
        "Invented", "INV",
        questions=(Question("Which?", "water", "score"),),
        factors={"water": waters},
        responses={"score": Response("score", "scores", "score", margin=1, kind="score", balls=2)},
        assumed={"score": Assumed("score", 0.4, 0.5, judge_sd=1.0)},
        blocks=Blocks(kind="none", replicates=8, spares=0),
    )  # fmt: skip
    for judges in (2, 4):
        panel = replace(settings.panel, judges=tuple(f"J{i}" for i in range(judges)))
        own = replace(settings, panel=panel)
        row = plan_precision(own, build_plan(own)).table.iloc[0]
        variance = 2 / 8 * (0.4**2 + (0.5**2 + 1.0 / judges) / 2)
        assert (row.std_error, row.df) == pytest.approx((variance**0.5, 14))
