"""Differences that turn along another setting are never averaged away.

The cells of a balanced invented kitchen have plain means, so every difference can be had by hand.
"""

import numpy as np
import pytest
from scipy.stats import studentized_range

from doughlab.analysis import analyse
from doughlab.analysis.guard import find_change, open_changes
from doughlab.notebook import analyse_demo
from doughlab.stats.verdicts import SAME


def crossing(levels):
    """Water moves the pH by 0.3 up in one dough and down in the other; on average not at all."""
    up = 0.15 if levels["mixing_water"] == "64 F" else -0.15
    return 5.5 + (up if levels["water"] == "tap" else -up)


def two_waters(kitchen):
    return kitchen.WATERS.replace('["tap", "reverse osmosis", "bottled"]', '["tap", "bottled"]')


@pytest.fixture(scope="module")
def crossed(kitchen):
    return analyse(kitchen.invent(two_waters(kitchen), crossing, seed=3), "ph")


def cell(frame, **levels):
    for name, level in levels.items():
        frame = frame[frame[name] == level]
    return frame["y"].mean()


def test_a_crossover_is_given_for_each_level_and_never_called_the_same(crossed):
    answer, frame = crossed.answer("water"), crossed.dataset.frame
    assert answer.split == "mixing_water"
    assert [c.at for c in answer.comparisons] == ["54 F", "64 F"]
    for c in answer.comparisons:
        wanted = cell(frame, water="tap", mixing_water=c.at) - cell(
            frame, water="bottled", mixing_water=c.at
        )
        assert c.estimate == pytest.approx(wanted, abs=1e-9)
        assert c.verdict != SAME
    average = cell(frame, water="tap") - cell(frame, water="bottled")
    assert abs(average) < 0.1  # what an average would have called the same
    assert "tap - bottled at 54 F" in str(crossed) and "at 64 F" in answer.sentence
    assert any("given for each mixing water apart" in n for n in crossed.notes)


def test_ranges_of_both_levels_hold_together(crossed):
    """Two levels take half of the 5 % each (Bonferroni; two waters leave Tukey a plain t)."""
    for c in crossed.answer("water").comparisons:
        wide = studentized_range.ppf(1 - 0.05 / 2, 2, c.df) / np.sqrt(2) * c.std_error
        assert c.ci_high - c.estimate == pytest.approx(wide, rel=1e-6)
        assert c.estimate - c.ci_low == pytest.approx(wide, rel=1e-6)


def test_without_one_batch_the_same_levels_are_compared(crossed):
    table = crossed.checks.influence.table
    assert set(table["level"]) == {"54 F", "64 F"}
    assert not table["estimate"].isna().any()


def test_a_change_inside_the_margin_leaves_the_average(kitchen):
    small = kitchen.Spread(batch=0.005, ball=0.005)
    trial = kitchen.invent(two_waters(kitchen), lambda _: 5.5, seed=4, spread=small)
    result = analyse(trial, "ph")
    factors = result.settings.factors
    assert find_change(result.model, factors["water"], factors["mixing_water"]).state == "within"
    assert result.answer("water").split == "" and open_changes(result.model) == ""


def test_a_change_that_may_reach_the_margin_is_named_as_open(kitchen):
    """Nothing is there, but batches differ too much to rule it out: the average, and so it says."""
    wide = kitchen.Spread(batch=0.15, ball=0.02)
    result = analyse(kitchen.invent(two_waters(kitchen), lambda _: 5.5, seed=4, spread=wide), "ph")
    assert result.answer("water").split == ""
    assert open_changes(result.model).startswith("water x mixing water: that a difference stays")
    assert open_changes(result.model) in result.notes


def test_changes_that_are_picked_out_of_many_hold_together(score):
    """The t quantile at 0.05 / 3 of three changes, by scipy."""
    from scipy.stats import t

    from doughlab.analysis.contrasts import compare_changes

    factors = score.settings.factors
    args = (score.model, factors["hold"], factors["mixing_water"])
    table = compare_changes(*args, together=True)
    wide = t.ppf(1 - 0.05 / len(table) / 2, table["df"]) * table["std_error"]
    assert np.allclose(table["ci_high"] - table["estimate"], wide)
    assert np.allclose(table["estimate"], compare_changes(*args)["estimate"])


def test_a_bare_difference_says_only_just_and_names_what_it_hangs_on():
    ph_demo = analyse_demo("ph")
    (c,) = [c for c in ph_demo.answer("water").comparisons if c.just]
    assert c.verdict_text == "differs; only just"
    assert min(abs(c.ci_low), abs(c.ci_high)) < 0.1 * c.margin
    table = ph_demo.checks.influence.table
    moved = table[(table["contrast"] == c.words) & (table["before"] != table["after"])]
    assert ph_demo.hangs[c.named] == moved["without"].nunique()
    said = " ".join(ph_demo.text().split())
    assert f"any one of {len(moved)} of the 24 batches" in said
