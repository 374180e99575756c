"""Differences: algebra on balanced trials, adjustment, holds, verdicts that the print shows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import dunnett, studentized_range

from doughlab.analysis import analyse
from doughlab.analysis.contrasts import (
    Basis,
    Comparison,
    common_decimals,
    compare_levels,
    stays_within_margin,
)
from doughlab.analysis.wording import amount_words
from doughlab.sections import Response
from doughlab.stats.verdicts import judge_interval


def mean_of(frame, **levels):
    for name, level in levels.items():
        frame = frame[frame[name] == level]
    return frame["y"].mean()


def test_differences_of_a_balanced_trial_are_differences_of_means(ph):
    result = ph
    frame = result.dataset.frame
    for c in result.answer("water").comparisons:
        wanted = mean_of(frame, water=c.level) - mean_of(frame, water=c.other)
        assert c.estimate == pytest.approx(wanted, abs=1e-10)


def test_means_of_a_balanced_trial_are_the_plain_means(plain):
    result = plain
    means = result.means("water")
    frame = result.dataset.frame
    for row in means.itertuples():
        assert row.estimate == pytest.approx(mean_of(frame, water=row.level), abs=1e-10)
    assert means["n"].tolist() == [5, 5]


def test_two_level_number_is_reported_high_minus_low(ph):
    result = ph
    (c,) = result.answer("mixing_water").comparisons
    frame = result.dataset.frame
    assert c.words == "64 F instead of 54 F"
    wanted = mean_of(frame, mixing_water="64 F") - mean_of(frame, mixing_water="54 F")
    assert c.estimate == pytest.approx(wanted, abs=1e-10)
    means = result.means("mixing_water").set_index("level")["estimate"]
    assert means["64 F"] - means["54 F"] == pytest.approx(wanted, abs=1e-10)


def test_numbers_are_compared_higher_minus_lower_whatever_their_order(kitchen):
    text = kitchen.DAYS.replace("levels = [24, 48, 72]", "levels = [72, 24, 48]")
    result = analyse(kitchen.invent(text, lambda x: 6 - 0.01 * float(x["hold"])), "ph")
    words = [c.words for c in result.answer("hold").comparisons]
    assert words == ["48 h instead of 24 h", "72 h instead of 24 h", "72 h instead of 48 h"]
    assert all(c.estimate < 0 for c in result.answer("hold").comparisons)


def test_pairs_are_widened_together_by_tukey(ph):
    result = ph
    for c in result.answer("water").comparisons:
        q = studentized_range.ppf(0.95, 3, c.df) / np.sqrt(2)
        assert (c.ci_high - c.ci_low) / 2 == pytest.approx(q * c.std_error, rel=1e-6)


def test_differences_from_one_level_are_widened_by_dunnett(kitchen):
    """One ball per batch, no blocks: the textbook one-way case, against scipy's Dunnett."""
    text = kitchen.PLAIN.replace(
        'levels = ["tap", "bottled"]', 'levels = ["tap", "bottled", "well"]'
    ).replace('response = "ph"', 'response = "ph"\ncontrast = "vs:tap"')
    start, end = text.index("[factors.hold]"), text.index("[responses.ph]")
    text = (text[:start] + text[end:]).replace("use_hold_h = 48", "")
    trial = kitchen.invent(text, lambda x: 5.5 + 0.05 * (x["water"] == "well"), seed=5)
    result = analyse(trial, "ph")
    frame = result.dataset.frame
    groups = {w: frame.loc[frame["water"] == w, "y"].to_numpy() for w in ("tap", "bottled", "well")}
    wanted = dunnett(groups["bottled"], groups["well"], control=groups["tap"], rng=1)
    found = result.answer("water").comparisons
    assert [c.words for c in found] == ["bottled - tap", "well - tap"]
    # scipy integrates by random points: agreement to its own accuracy
    assert [c.p_value for c in found] == pytest.approx(wanted.pvalue.tolist(), abs=2e-3)
    assert [c.df for c in found] == pytest.approx([12, 12])


@pytest.mark.parametrize("base", ["54 F", "64 F"])
def test_two_settings_of_a_number_may_be_asked_against_one_of_them(kitchen, base):
    """Identity: against one of two is the one difference that there is, up to its sign."""
    cold = '\n[[questions]]\ntext = "How cold?"\nfactor = "mixing_water"\nresponse = "ph"\n'
    trials = [
        kitchen.invent(f"{kitchen.WATERS_PH}{cold}contrast = '{contrast}'\n", kitchen.usual_truth)
        for contrast in ("pairs", f"vs:{base}")
    ]
    (pair,), (one,) = (analyse(t, "ph").answer("mixing_water").comparisons for t in trials)
    sign = 1 if base == "54 F" else -1
    assert one.estimate == pytest.approx(sign * pair.estimate, abs=1e-12)
    assert sorted((sign * one.ci_low, sign * one.ci_high)) == pytest.approx(
        [pair.ci_low, pair.ci_high]
    )


def test_slope_is_the_change_along_the_least_squares_line(kitchen):
    text = kitchen.DAYS + (
        '\n[[questions]]\ntext = "How fast does it fall?"\nfactor = "hold"\nresponse = "ph"\n'
        'contrast = "slope"\nprimary = false\n'
    )
    result = analyse(kitchen.invent(text, lambda x: 6 - 0.01 * float(x["hold"]), seed=2), "ph")
    frame = result.dataset.frame
    slope = np.polyfit(frame["hold"].astype(float), frame["y"], 1)[0]
    (c,) = result.answer("hold").comparisons
    assert c.words == "72 h instead of 24 h, along a line"
    assert c.estimate == pytest.approx(48 * slope, abs=1e-10)


def interacting(levels):
    """Tap is 0.3 higher at 72 h only."""
    return 5.5 + 0.3 * (levels["water"] == "tap" and levels["hold"] == "72")


def test_waters_are_averaged_over_holds_only_where_holds_do_not_change_them(kitchen, plain):
    steady = plain.answer("water")
    assert steady.averaged_over_holds and steady.at_hold is None
    assert steady.elsewhere[0].at == "48 h"
    moving = analyse(kitchen.invent(kitchen.PLAIN, interacting), "ph")
    answer = moving.answer("water")
    assert not answer.averaged_over_holds and answer.at_hold == 48.0
    (c,) = answer.comparisons
    frame = moving.dataset.frame
    wanted = mean_of(frame, water="tap", hold="48") - mean_of(frame, water="bottled", hold="48")
    assert c.estimate == pytest.approx(wanted, abs=1e-10)
    assert "water: compared at 48 h, since other holds may change a difference by the margin." in (
        moving.notes
    )
    assert "tap - bottled at 48 h" in str(moving)
    assert any("water x hold shows: tap - bottled changes by +0.3" in n for n in moving.noticed)


def test_an_interaction_that_may_reach_the_margin_counts_as_moving(kitchen):
    """No change is shown, but the ranges are wide: absence of evidence is not evidence."""
    trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5, spread=kitchen.Spread(ball=0.15))
    result = analyse(trial, "ph")
    settings = result.settings
    assert stays_within_margin(result.model, settings.factor("water"), settings.hold) is False
    assert not result.answer("water").averaged_over_holds


def test_without_a_hold_of_use_the_average_stands_and_says_so(kitchen):
    text = kitchen.PLAIN.replace("use_hold_h = 48", "")
    answer = analyse(kitchen.invent(text, interacting), "ph").answer("water")
    assert answer.averaged_over_holds and "set use_hold_h" in answer.reason


def test_change_of_a_difference_is_a_difference_of_differences(kitchen):
    from doughlab.analysis.contrasts import compare_changes

    result = analyse(kitchen.invent(kitchen.PLAIN, interacting), "ph")
    table = compare_changes(result.model, result.settings.factor("water"), result.settings.hold)
    row = table.set_index("contrast").loc["tap - bottled: 72 h instead of 24 h"]
    frame = result.dataset.frame
    wanted = [
        mean_of(frame, water="tap", hold=h) - mean_of(frame, water="bottled", hold=h)
        for h in ("72", "24")
    ]
    assert row["estimate"] == pytest.approx(wanted[0] - wanted[1], abs=1e-10)


def test_answer_at_another_hold_can_be_asked_for(ph):
    result = ph
    table = result.contrasts("water", hold=72)
    frame = result.dataset.frame
    wanted = mean_of(frame, water="tap", hold="72") - mean_of(frame, water="bottled", hold="72")
    row = table[table["contrast"] == "tap - bottled"].iloc[0]
    assert row["estimate"] == pytest.approx(wanted, abs=1e-10)
    assert row["level"] == "72 h"
    assert table.columns.tolist() == [
        "term", "level", "contrast", "estimate", "std_error", "df", "statistic", "p_value",
        "ci_low", "ci_high", "unit", "n",
    ]  # fmt: skip


def test_lost_balls_move_estimates_but_stop_nothing(waters_trial, ph):
    whole = ph
    some = [b["ball_id"] for b in waters_trial.frozen_plan.balls[::11] if b["purpose"] == "ph"]
    part = analyse(waters_trial.lose(*some), "ph")
    assert part.dataset.recorded == 72 - len(some)
    for a, b in zip(whole.verdicts.itertuples(), part.verdicts.itertuples(), strict=True):
        assert a.contrast.split(" at ")[0] == b.contrast.split(" at ")[0]
        assert a.estimate == pytest.approx(b.estimate, abs=0.05)


def make(low, high, margin=0.1):
    return Comparison(
        "water", "a", "b", "a - b", "", (low + high) / 2, 0.02, 12.0, 1.0, 0.5, low, high, "ph",
        margin, Basis("batch", 24, 24),
    )  # fmt: skip


@given(
    low=st.floats(-3, 3), width=st.floats(1e-6, 3), margin=st.sampled_from([0.1, 0.125, 1.0, 0.03])
)
def test_printed_range_never_contradicts_its_verdict(low, width, margin):
    c = make(low, low + width, margin)
    low_text, high_text = c.range_text.strip("()").split(" to ")
    printed = float(low_text), float(high_text)
    if c.decimals < 9:
        assert judge_interval(*printed, margin) == c.verdict
        assert (printed[0] > 0 or printed[1] < 0) == (c.ci_low > 0 or c.ci_high < 0)


def test_margin_is_printed_as_it_was_set():
    """A margin of 0.125 printed as 0.12 would make an end at 0.123 look beyond it."""
    assert amount_words(0.125, Response("ph", "readings", "ph", margin=0.125)) == "pH 0.125"
    assert amount_words(0.1, Response("ph", "readings", "ph", margin=0.1)) == "pH 0.10"


@given(
    ends=st.lists(st.tuples(st.floats(-0.3, 0.3), st.floats(1e-6, 0.3)), min_size=1, max_size=5),
    margin=st.sampled_from([0.1, 0.125, 0.03]),
)
def test_ranges_under_one_another_never_contradict_their_verdicts(ends, margin):
    rows = [make(low, low + width, margin) for low, width in ends]
    d = common_decimals(rows)
    shown = float(amount_words(margin, Response("ph", "readings", "ph", margin=margin)).split()[1])
    for c in rows:
        printed = round(c.ci_low, d), round(c.ci_high, d)
        if d < 9:
            assert judge_interval(*printed, shown) == c.verdict


def test_more_digits_for_one_row_do_not_move_an_end_of_another_onto_the_margin():
    """0.1249 reads as inside 0.125 with two digits, and as on it with three."""
    rows = [make(-0.05, 0.1249, 0.125), make(0.0004, 0.2, 0.125)]
    assert [c.decimals for c in rows] == [2, 4] and common_decimals(rows) == 4
    rows = [make(-0.05, 0.1249, 0.125), make(0.004, 0.2, 0.125)]
    assert [c.decimals for c in rows] == [2, 3] and common_decimals(rows) == 4


def test_digits_are_added_where_two_would_mislead():
    assert make(0.004, 0.14).range_text == "(+0.004 to +0.140)"
    assert make(-0.0996, 0.0996).range_text == "(-0.0996 to +0.0996)"
    assert make(-0.05, 0.08).range_text == "(-0.05 to +0.08)"


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (-0.05, 0.08, "same"),
        (0.02, 0.08, "same (real but small)"),
        (0.12, 0.30, "matters"),
        (-0.30, -0.12, "matters"),
        (-0.17, -0.07, "differs; at least 0.07"),
        (-0.02, 0.14, "not settled"),
    ],
)
def test_verdict_words(low, high, words):
    assert make(low, high).verdict_text == words


def test_not_settled_says_what_would_settle_it_at_both_ends():
    from doughlab.analysis.answers import forecast_words

    c = make(-0.01, 0.13)
    forecast = c.forecast()
    text, alone = forecast_words(forecast, c), c.forecast(together=False)
    assert text == (f"settled by about {forecast.at_low} more batches if it is really -0.01, "
                    f"{forecast.at_high} if +0.13; new ones judged alone {alone.at_low} or "
                    f"{alone.at_high} more")  # fmt: skip
    assert alone.at_low > forecast.at_low and not alone.together
    assert make(-0.05, 0.05).forecast() is None


def test_more_batches_after_a_look_are_offered_both_ways(kitchen):
    """Every "about n more batches" stands with the shared error and with the new part alone."""
    from doughlab.decision.followup import unsettled

    trial = kitchen.invent(kitchen.WATERS_PH, kitchen.usual_truth,
                           spread=kitchen.Spread(batch=0.12))  # fmt: skip
    result = analyse(trial, "ph")
    assert any(c.verdict == "not settled" for c in result.answer("water").comparisons)
    for said in (" ".join(result.text().split()), " ".join(unsettled([result]))):
        assert said.count("new ones judged alone") == said.count(
            "not settled; settled"
        ) + said.count("Not settled:")
        assert said.count("judged together after this look share the error") == 1


def test_probably_never_is_said_where_that_is_the_truth():
    """A range forty times the margin: ten times the batches do not narrow it enough."""
    from doughlab.analysis.answers import forecast_words

    c = make(-0.01, 0.8, margin=0.01)
    assert c.forecast(chance=0.9).at_low is None
    assert "probably never settled if it is really -0.010" in forecast_words(c.forecast(), c)


def test_two_levels_of_a_hold_are_answered_like_any_other(kitchen):
    text = kitchen.DAYS.replace("levels = [24, 48, 72]", "levels = [24, 48]")
    result = analyse(kitchen.invent(text, lambda x: 6 - 0.01 * float(x["hold"])), "ph")
    assert result.terms.as_number == ("hold",)
    frame = result.dataset.frame
    (c,) = result.answer("hold").comparisons
    assert c.estimate == pytest.approx(mean_of(frame, hold="48") - mean_of(frame, hold="24"))
    (w,) = compare_levels(result.model, result.settings.factor("water"), hold="48")
    wanted = mean_of(frame, water="tap", hold="48") - mean_of(frame, water="bottled", hold="48")
    assert w.estimate == pytest.approx(wanted)
