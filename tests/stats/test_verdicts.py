"""The four verdicts: their rule, their chances, and how often they mislead."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import nctdtr

from doughlab.errors import InputError, OutOfRange
from doughlab.stats import verdicts as vd


@pytest.mark.parametrize(
    ("low", "high", "verdict", "small"),
    [
        (-0.05, 0.09, "same", False),
        (0.01, 0.09, "same", True),
        (-0.09, -0.01, "same", True),
        (0.11, 0.30, "matters", False),
        (-0.30, -0.11, "matters", False),
        (0.01, 0.30, "differs", False),
        (-0.30, -0.01, "differs", False),
        (0.01, 0.10, "differs", False),  # an end on the margin is not inside it
        (0.10, 0.30, "differs", False),  # nor beyond it
        (-0.01, 0.30, "not settled", False),
        (-0.30, 0.30, "not settled", False),
        (0.0, 0.30, "not settled", False),  # zero on the end is not left out
    ],
)
def test_rule_of_each_verdict(low, high, verdict, small):
    assert vd.judge_interval(low, high, 0.10) == verdict
    assert vd.judge_interval(-high, -low, 0.10) == verdict
    assert bool(vd.is_real_but_small(low, high, 0.10)) is small
    assert vd.VERDICTS[vd.judge_intervals([low], [high], 0.10)[0]] == verdict


def test_blank_and_endless_intervals_are_not_settled():
    assert vd.judge_interval(np.nan, np.nan, 0.1) == "not settled"
    assert vd.judge_interval(-np.inf, np.inf, 0.1) == "not settled"
    assert vd.judge_interval(0.2, np.inf, 0.1) == "matters"


def test_verdict_does_not_depend_on_the_unit():
    rng = np.random.default_rng(2)
    low = rng.normal(0, 1, 500)
    high = low + rng.exponential(1, 500)
    np.testing.assert_array_equal(
        vd.judge_intervals(low, high, 0.5), vd.judge_intervals(60 * low, 60 * high, 30.0)
    )


def test_two_one_sided_tests_agree_with_their_interval():
    rng = np.random.default_rng(3)
    for estimate, std_error, df in zip(
        rng.normal(0, 0.5, 200), rng.uniform(0.05, 1, 200), rng.uniform(1, 30, 200), strict=True
    ):
        test = vd.two_one_sided(estimate, std_error, df=df, margin=0.7)
        inside = test.ci_low > -0.7 and test.ci_high < 0.7
        assert test.equivalent == inside


def test_two_one_sided_with_known_error_is_normal():
    test = vd.two_one_sided(0.1, 0.2, df=np.inf, margin=0.5)
    assert test.p_value == pytest.approx(stats.norm.sf(2.0), rel=1e-12)
    assert str(test).startswith("p 0.02275 (two one-sided tests against a margin of 0.5); 90 %")


@pytest.mark.parametrize("df", [2.3, 8.5, 40.0, 1000.0])
@pytest.mark.parametrize("truth", [0.0, 0.3, 1.0])
def test_chances_with_a_closed_form_are_tails_of_noncentral_t(df, truth):
    critical = stats.t.ppf(0.975, df)
    got = vd.chance_of_verdicts(truth, 0.4, df=df, margin=1.0, critical=critical)
    matters = 1 - nctdtr(df, (truth - 1) / 0.4, critical) + nctdtr(df, (truth + 1) / 0.4, -critical)
    apart = 1 - nctdtr(df, truth / 0.4, critical) + nctdtr(df, truth / 0.4, -critical)
    assert float(got.matters) == pytest.approx(matters, abs=1e-9)
    assert float(got.matters + got.differs + got.real_but_small) == pytest.approx(apart, abs=1e-9)


@pytest.mark.parametrize(("df", "truth"), [(1.0, 0.2), (3.0, 0.4), (9.0, 0.2), (np.inf, 0.75)])
def test_chances_agree_with_simulated_intervals(df, truth):
    # seed 3, 200 000 intervals, band of four simulation errors
    rng, n = np.random.default_rng(3), 200_000
    critical = float(vd.student_quantile(df, 0.975))
    scale = 1.0 if np.isinf(df) else np.sqrt(rng.chisquare(df, n) / df)
    centre, half = truth + 0.25 * rng.standard_normal(n), critical * 0.25 * scale
    codes = vd.judge_intervals(centre - half, centre + half, 0.8)
    small = vd.is_real_but_small(centre - half, centre + half, 0.8).mean()
    want = vd.chance_of_verdicts(truth, 0.25, df=df, margin=0.8, critical=critical)
    shares = [*np.bincount(codes, minlength=4) / n, small]
    chances = [want.matters, want.differs, want.same, want.not_settled, want.real_but_small]
    for share, chance in zip(shares, map(float, chances), strict=True):
        assert share == pytest.approx(chance, abs=4 * np.sqrt(max(chance, 1e-5) / n))


def test_chances_add_up_and_mirror():
    truth = np.linspace(-3, 3, 41)
    got = vd.chance_of_verdicts(truth, 0.5, df=7.3, margin=1.0, critical=2.6)
    total = got.matters + got.differs + got.same + got.not_settled
    np.testing.assert_allclose(total, 1.0, atol=1e-8)
    np.testing.assert_allclose(got.same, got.same[::-1], atol=1e-9)
    np.testing.assert_allclose(got.matters, got.matters[::-1], atol=1e-9)


def test_finer_trials_settle_everything_but_the_margin_itself():
    for truth, verdict in ((0.0, "same"), (0.6, "same"), (1.6, "matters"), (1.0, "differs")):
        got = vd.chance_of_verdicts(truth, 0.01, df=30, margin=1.0, critical=2.04)
        assert float(getattr(got, verdict)) > 0.94
    coarse = vd.chance_of_verdicts(0.5, 100.0, df=5, margin=1.0, critical=2.57)
    assert float(coarse.not_settled) == pytest.approx(0.95, abs=0.001)
    assert float(coarse.same) < 1e-3


@pytest.mark.parametrize("df", [1.0, 4.0, 20.0, np.inf])
@pytest.mark.parametrize("std_error", [0.02, 0.2, 1.0, 10.0])
def test_wrong_verdicts_stay_within_the_level_of_the_interval(df, std_error):
    critical = float(vd.student_quantile(df, 0.975))
    rates = vd.error_rates(std_error=std_error, df=df, margin=0.5, critical=critical)
    assert rates.difference_from_nothing == pytest.approx(0.05, abs=1e-8)
    assert rates.matters_at_margin <= 0.05 + 1e-8  # both sides, when the margin is a trifle
    assert rates.same_at_margin <= 0.025 + 1e-8
    if std_error == 0.02 and df >= 4:
        assert rates.same_at_margin == pytest.approx(0.025, abs=1e-4)
        assert rates.matters_at_margin == pytest.approx(0.025, abs=1e-4)


def test_wrong_input_is_named():
    with pytest.raises(OutOfRange, match="margin is 0; the smallest difference that matters"):
        vd.judge_interval(-1, 1, 0.0)
    with pytest.raises(OutOfRange, match="margin is nan"):
        vd.judge_interval(-1, 1, np.nan)
    with pytest.raises(InputError, match="runs from 2 down to 1; give low, then high"):
        vd.judge_interval(2, 1, 0.5)
    with pytest.raises(OutOfRange, match="standard error is 0; it must be above 0"):
        vd.chance_of_verdicts(0.0, [0.1, 0.0], df=5, margin=1, critical=2)
    with pytest.raises(OutOfRange, match=r"alpha is 0\.5"):
        vd.two_one_sided(0.0, 1.0, df=4, margin=1.0, alpha=0.5)
    with pytest.raises(OutOfRange, match="degrees of freedom is -1"):
        vd.two_one_sided(0.0, 1.0, df=-1, margin=1.0)
