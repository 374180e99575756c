"""The window: given, found from the bake scores, or not to be told."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doughlab.decision.chance import build_predictor
from doughlab.decision.choose import analyse_all
from doughlab.decision.scorecurve import ScoreCurve, curve_of, expected_values, margin_ends
from doughlab.decision.window import find_window, judge_curve, needed_words

REACH = math.sqrt(1 / 14)  # half the window of the score 7 - 14 (pH - 5.5)^2, margin 1


@pytest.fixture(scope="module")
def scored(kitchen):
    """24 batches whose score follows the pH closely; balls differ much. Its own pH is kept."""
    seen = []

    def score(levels, own):
        seen.append(own)
        return kitchen.usual_score(levels, own)

    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=score,
                           spread=kitchen.Spread(score=0.1, judge=0.3, ball=0.06))  # fmt: skip
    return trial.settings, analyse_all(trial), seen


@pytest.fixture(scope="module")
def window(scored):
    return find_window(*scored[:2])


def curve(slope=0.0, bend=-14.0, error=(0.5, 2.0), **changes):
    """A curve known to within these standard errors, tried from 5.2 to 5.9."""
    made = ScoreCurve(np.array([slope, bend]), np.diag(np.square(error)), 30.0, 5.5, 5.2, 5.9, 1.0,
                      24)  # fmt: skip
    return replace(made, **changes)


def test_given_window_is_taken(windowed):
    window = find_window(windowed.settings, {})
    assert (window.low, window.high, window.given) == (5.35, 5.75, True)
    assert window.sentence == "The band 5.35-5.75 is the one that trial.toml gives."


def test_window_is_found_from_the_bake_scores(window):
    """One point is lost sqrt(1/14) = 0.267 from 5.5, by algebra; what is shown lies inside."""
    assert not window.given
    assert window.high_end.low - 0.01 <= 5.5 + REACH <= window.high_end.high + 0.01
    assert window.high_end.value == pytest.approx(5.5 + REACH, abs=0.04)
    assert window.high == pytest.approx(math.floor(window.high_end.low * 100) / 100)
    assert window.high <= 5.5 + REACH + 0.01
    assert "found from the bake score: no pH tried bakes better by 1 than any in it" in (
        window.sentence
    )


def test_notes_say_what_the_reading_misses(scored, window):
    """The textbook dilution: error variance of a reading over the variance of all readings."""
    assert window.notes[0].startswith("The pH of a scored ball is that expected of its setting, ")
    share = float(window.notes[0].split("come out ")[1].split(" % flatter.")[0]) / 100
    total = scored[1]["ph"].dataset.frame["y"].var()
    assert share == pytest.approx(0.06**2 / total, abs=0.04)
    assert window.notes[1].startswith("For 0.1 pH more the score changes by -0.")
    assert " within batches" in window.notes[1] and " between them" in window.notes[1]


def test_expected_ph_is_nearer_to_the_ball_than_its_twin(scored):
    """Against the pH that each scored ball really had, known since it was invented."""
    _, found, seen = scored
    frame = found["score"].dataset.frame.drop_duplicates("ball")
    own = np.array(seen)  # in the order of the balls, as they were invented
    expected = expected_values(build_predictor(found["ph"]), frame)
    keys = ["batch", "hold"]
    read = frame[keys].merge(found["ph"].dataset.frame[[*keys, "y"]], on=keys, how="left")["y"]
    assert np.std(expected - own) < 0.75 * np.std(read.to_numpy() - own)


def test_a_score_that_does_not_depend_on_ph_gives_no_window():
    window = judge_curve(curve(bend=0.0, error=(0.1, 0.5)))
    assert window.ends is None
    assert window.sentence == (
        "No band is given, and this trial cannot tell one: no pH within 5.20-5.90, as far as it "
        "was tried, bakes worse than another by 1. Needed: balls below 5.20 or above 5.90."
    )


def test_score_that_follows_the_hold_and_not_the_ph_is_told_apart():
    """Worse by 2 points at each longer hold, whatever the pH of the batch; known truth."""
    rng = np.random.default_rng(1)
    batches = np.repeat([f"B{i:02d}" for i in range(24)], 3)
    hold = np.tile([0.0, 1.0, 2.0], 24)
    ph = 5.8 - 0.2 * hold + np.repeat(rng.normal(0, 0.08, 24), 3)
    y = 8.0 - 2.0 * hold + rng.normal(0, 0.2, 72)
    table = pd.DataFrame({"batch": batches, "x": ph, "read": ph, "y": y})
    made = curve_of(table, ["batch"], margin=1.0)
    assert judge_curve(made).sentence == (
        "No band is given, and this trial cannot tell one: along the holds the bake score follows "
        f"pH otherwise than from batch to batch (p = {made.apart:.2g}), so something that goes "
        "with one of them is at work. Needed: batches whose pH differs at the same hold, or a band "
        "of your own."
    )
    assert made.notes[1].endswith(f"between them: not alike (p = {made.apart:.2g}).")


def test_where_only_holds_move_the_ph_nothing_is_tested():
    ph = np.tile([5.8, 5.5, 5.3], 12)
    table = pd.DataFrame({"batch": np.repeat([f"B{i}" for i in range(12)], 3), "x": ph, "read": ph,
                          "y": 7 - 14 * (ph - 5.5) ** 2})  # fmt: skip
    rng = np.random.default_rng(2)
    made = curve_of(table.assign(y=table["y"] + rng.normal(0, 0.2, 36)), ["batch"], margin=1.0)
    assert made.apart is None
    assert made.notes[1] == (
        "Only holds move the pH here; whether pH itself is at work is not tested."
    )


def test_without_scores_there_is_no_window(kitchen):
    settings = kitchen.read(kitchen.PLAIN)
    assert find_window(settings, {}).sentence == (
        "No band is given, and no pH is recorded: this trial cannot tell one."
    )


def test_batches_and_holds_that_agree_keep_the_window():
    assert judge_curve(curve(apart=0.02)).ends is not None
    assert judge_curve(curve(apart=0.002)).ends is None


def test_known_curve_gives_the_ends_of_algebra():
    window = judge_curve(curve(error=(1e-6, 1e-6)))
    assert (window.low, window.high) == (5.24, 5.76)
    assert window.low_end.text == "5.23 (5.23 to 5.23)"
    assert window.sentence == (
        "5.24-5.76 found from the bake score: no pH tried bakes better by 1 than any in it (95 %); "
        "by itself the band ends at 5.23 (5.23 to 5.23) and 5.77 (5.77 to 5.77)."
    )


def test_best_at_the_edge_of_what_was_tried_is_one_sided():
    """Falling by 5 for each pH from 5.2 on: the margin of 1 is lost at 5.4, by algebra."""
    window = judge_curve(curve(slope=-5.0, bend=0.0, error=(0.2, 0.01)))
    assert window.low_end.at_edge_surely and window.low == 5.2
    assert window.high_end.value == pytest.approx(5.4, abs=1e-6)
    assert window.high < 5.4
    assert window.sentence.endswith(
        f"ends at {window.high_end.text}. Its low end is only the edge of what was tried."
    )


def test_too_much_spread_says_how_many_batches_would_do():
    window = judge_curve(curve(error=(3.0, 12.0)))
    assert window.ends is None
    assert window.sentence.startswith(
        "No band is given, and this trial cannot tell one: within 5.20-5.90 no pH is shown to bake "
        "within 1 of the best. Needed: about "
    )
    batches = int(window.sentence.split("about ")[1].split()[0])
    assert 24 < batches < 200
    times = batches / 24
    low, high = curve(error=(3.0 / times**0.5, 12.0 / times**0.5)).ends()
    assert low.high < high.low


def test_hopeless_spread_and_flat_curves_are_called_so():
    assert needed_words(curve(bend=-14.0, error=(300.0, 1200.0))) == (
        "a steadier panel or more judges; more batches alone would probably never do"
    )
    assert needed_words(curve(bend=-0.5, error=(2.5, 9.0))) == (
        "balls below 5.20 or above 5.90; as it looks now, more batches of the same would only show "
        "that all of them bake alike"
    )


@pytest.mark.parametrize("bend", [-20.0, -6.0, 0.0, 3.0, 15.0])
@pytest.mark.parametrize("slope", [-8.0, 0.3, 6.0])
def test_ends_are_the_roots_of_algebra(slope, bend):
    """Of slope x + bend x^2 = best - 1 over -0.3 to 0.4, nearest to the best on either side."""
    x = np.linspace(-0.3, 0.4, 401)
    low, high = margin_ends(x, (slope * x + bend * x**2)[None], 1.0)
    top = -slope / (2 * bend) if bend < 0 else -0.3
    tops = [v for v in (-0.3, 0.4, top) if -0.3 <= v <= 0.4]
    best = max(tops, key=lambda v: slope * v + bend * v**2)
    roots = np.roots([bend, slope, 1.0 - slope * best - bend * best**2])
    real = [float(r.real) for r in roots if abs(r.imag) < 1e-9]
    wanted = (max([-0.3, *(r for r in real if r < best)]),
              min([0.4, *(r for r in real if r > best)]))  # fmt: skip
    assert (low[0], high[0]) == pytest.approx(wanted, abs=1e-4)


def test_a_skew_curve_is_followed_where_the_data_tell_it():
    """7 - 14 z^2 + 16 z^3, z from 5.5: ends by its roots, at -0.2346 and +0.3442."""
    rng = np.random.default_rng(1)
    x = np.tile(np.linspace(5.15, 5.95, 24), 20)
    z = x - 5.5
    table = pd.DataFrame({"x": x, "read": x, "y": 7 - 14 * z**2 + 16 * z**3,
                          "batch": np.tile([f"B{i}" for i in range(24)], 20)})  # fmt: skip
    made = curve_of(table.assign(y=table["y"] + rng.normal(0, 0.1, len(x))), [], margin=1.0)
    roots = np.roots([16.0, -14.0, 0.0, 1.0])
    low, high = (5.5 + r for r in sorted(roots.real)[:2])
    ends = made.ends()
    assert (ends[0].value, ends[1].value) == pytest.approx((low, high), abs=0.015)
    assert ends[0].low <= low <= ends[0].high and ends[1].low <= high <= ends[1].high


def test_bow_that_nothing_tells_is_held_at_a_quarter_of_the_margin():
    """Two independent sources of one number: variances add as reciprocals (textbook identity)."""
    loose = replace(curve(), coefficients=np.array([0.0, -14.0, 3.0]),
                    covariance=np.diag([0.25, 4.0, 9.0]))  # fmt: skip
    middle, covariance = loose.joined()
    assert covariance[2, 2] == pytest.approx(1 / (1 / 9 + 1 / 0.0625))
    assert middle[2] == pytest.approx(3.0 / 9 * covariance[2, 2])
    assert middle[:2].tolist() == [0.0, -14.0]


def test_a_changed_plan_is_carried_into_the_decision(decided):
    text = replace(decided, changed=("window changed after the plan.",)).text()
    assert text.startswith("Mind: window changed after the plan.")


def test_measured_response_alone_tells_no_window(kitchen, ph):
    window = find_window(kitchen.read(kitchen.PLAIN), {"ph": ph})
    assert window.sentence == (
        "No band is given, and no bake was scored: this trial cannot tell one."
    )
