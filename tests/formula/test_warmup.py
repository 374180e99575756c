"""Warm-up advice: learned only from warm-ups that varied, never beyond the user's limit."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.heat import FILMS, Body, DoughHeat
from doughlab.formula.warmup import WarmPair, Warmth, advise_warm_up, fit_warm_up, warm_hours

HEAT = DoughHeat(1150.0, 2.8, 0.45, 0.45, 0.45)
BALL = Body.ball(260, HEAT)
BOX = FILMS["box"]


def falls(rate, room_c, minutes):
    """Fall of pH of a ball by the rule under test, used as truth in simulations only."""
    from doughlab.formula.warmup import WARMEST_MODEL

    hours = warm_hours(BALL, BOX, WARMEST_MODEL, cooler_c=4.0, room_c=room_c, minutes=minutes)
    return rate * hours


WORTH = {(room, gap): falls(1.0, room, (0.0, gap)) for room in (18.0, 24.0) for gap in (75.0,)}


def make_pairs(rng, *, rate=0.12, batches=6, batch_sd=0.015, noise=0.012):
    pairs = []
    for b in range(batches):
        own = rate + rng.normal(0, batch_sd)
        for room in (18.0, 24.0):
            fall = own * WORTH[room, 75.0] + rng.normal(0, noise)
            pairs.append(WarmPair(f"B{b}-{room:g}", f"B{b}", room, 0.0, 75.0, 5.9, 5.9 - fall))
    return pairs


def make_model(seed=1, **more):
    pairs = make_pairs(np.random.default_rng(seed), **more)
    return fit_warm_up(pairs, body=BALL, film=BOX, cooler_c=4.0)


MODEL = make_model()


def warmth(**more):
    facts = {"ph": 5.84, "room_c": 19.0, "warmed_min": 60.0, "spent_h": 1.5, "limit_h": 4.0,
             "cooler_c": 3.5}  # fmt: skip
    return Warmth(**(facts | more))


def test_the_rate_is_learned():
    assert MODEL.batches == 6 and MODEL.pairs == 12
    assert MODEL.low < 0.12 < MODEL.high
    assert MODEL.rate == pytest.approx(0.12, rel=0.2)


def test_advice_reads_like_the_kitchen_speaks():
    sure = make_model(batch_sd=0.004, noise=0.004)
    advice = advise_warm_up(sure, warmth(ph=5.80, reading_sd=0.01), low=5.35, high=5.75)
    assert advice.kind == "warm"
    assert re.fullmatch(
        r"5\.80: above the window\. More warm-up: \d+ min \(\d+ to \d+\) at 19 °C, then read "
        r"again\. Warm time so far 1 h 30 of your 4 h\.",
        advice.words,
    )
    assert advice.low_min <= advice.minutes <= advice.high_min


def test_a_temperature_typed_in_fahrenheit_is_answered_in_it():
    words = advise_warm_up(MODEL, warmth(ph=5.80), low=5.35, high=5.75, show="F").words
    assert "at 66.2 °F" in words or "at 66 °F" in words


def test_the_advice_hits_the_window_in_a_made_up_kitchen():
    """After the minutes advised the average ball stands at the window's edge (5 min rounding)."""
    advice = advise_warm_up(MODEL, warmth(ph=5.83), low=5.35, high=5.75)
    fall = falls(MODEL.rate, 19.0, (60.0, 60.0 + advice.minutes))
    assert fall == pytest.approx(0.08, abs=falls(MODEL.rate, 19.0, (60.0, 63.0)) + 1e-6)


KINDS = st.builds(
    Warmth,
    ph=st.floats(4.8, 6.6),
    room_c=st.floats(17.5, 24.5),
    warmed_min=st.floats(0, 200),
    spent_h=st.floats(0, 6),
    limit_h=st.floats(0, 6),
    cooler_c=st.one_of(st.none(), st.floats(-1, 9)),
    cooler_limit_c=st.floats(-1, 5),
    reading_sd=st.floats(0.001, 0.08),
)


@settings(deadline=None, max_examples=150)
@given(KINDS)
def test_no_advice_ever_reaches_beyond_the_limit(known):
    """Time already spent counts; beyond the limit only the food-safety plan is named."""
    advice = advise_warm_up(MODEL, known, low=5.35, high=5.75)
    left = max(0.0, (known.limit_h - known.spent_h) * 60)
    for minutes in (advice.minutes, advice.low_min, advice.high_min):
        assert minutes is None or 0 <= minutes <= left
    if known.cooler_c is not None and known.cooler_c > known.cooler_limit_c:
        assert advice.kind == "none"
    elif left == 0:
        assert advice.kind == "stop"
    if advice.kind in {"stop", "none"}:
        assert advice.minutes is None and advice.high_min is None
        assert "follow the food-safety plan" in advice.words
        assert "More warm-up" not in advice.words
    if advice.kind == "none":
        assert "pH" in advice.words and f"{known.ph:.2f}" not in advice.words
    assert not re.search(r"\bsafe\b", advice.words.replace("food-safety", ""))


@given(st.floats(5.01, 12.0), st.floats(-5, 5), KINDS)
def test_a_cooler_above_5_c_gives_no_advice_whatever_the_limit_says(cooler, limit, known):
    warm = Warmth(known.ph, known.room_c, known.warmed_min, known.spent_h, known.limit_h, cooler,
                  max(limit, cooler + 1), known.reading_sd)  # fmt: skip
    advice = advise_warm_up(MODEL, warm, low=5.35, high=5.75)
    assert advice.kind == "none" and advice.minutes is None
    assert advice.words.endswith("no advice on pH or warm-up; follow the food-safety plan of "
                                 "the kitchen.")  # fmt: skip


def test_the_limit_before_the_window_ends_the_advice():
    advice = advise_warm_up(MODEL, warmth(ph=6.3, spent_h=3.5), low=5.35, high=5.75)
    assert advice.words == (
        "6.30: above the window. Warm time so far 3 h 30 of your 4 h: the limit comes before the "
        "window, the advice ends here; follow the food-safety plan of the kitchen."
    )


def test_a_range_that_runs_into_the_limit_stops_there():
    near = next(
        a
        for s in np.arange(2.0, 4.0, 0.05)
        if (a := advise_warm_up(MODEL, warmth(ph=5.84, spent_h=float(s)), low=5.35, high=5.75)).kind
        == "warm"
        and "runs into the limit" in a.words
    )
    assert near.words.endswith(
        "The range runs into the limit: there the advice ends, follow the food-safety plan of "
        "the kitchen."
    )


def test_time_spent_before_the_cooler_counts():
    full = advise_warm_up(MODEL, warmth(spent_h=4.0, warmed_min=10), low=5.35, high=5.75)
    assert full.kind == "stop"
    assert full.words == (
        "Warm time so far 4 h of your 4 h: the limit is reached, follow the food-safety plan of "
        "the kitchen."
    )


def test_inside_and_below_the_window():
    inside = advise_warm_up(MODEL, warmth(ph=5.6), low=5.35, high=5.75)
    assert (inside.kind, inside.minutes) == ("use", 0.0)
    assert inside.words == "5.60: inside the window. Warm time so far 1 h 30 of your 4 h."
    below = advise_warm_up(MODEL, warmth(ph=5.2), low=5.35, high=5.75)
    assert below.kind == "past" and below.minutes is None
    assert below.words == (
        "5.20: below the window, more warm-up takes it further. Warm time so far 1 h 30 of your "
        "4 h."
    )


def test_a_cooler_that_is_not_recorded_is_asked_about():
    words = advise_warm_up(MODEL, warmth(ph=5.8, cooler_c=None), low=5.35, high=5.75).words
    assert words.endswith("The cooler is not recorded: see that it is at 5 °C or below.")


def test_a_room_that_was_not_tried_is_refused():
    with pytest.raises(NotEstimable) as raised:
        advise_warm_up(MODEL, warmth(room_c=30.0), low=5.35, high=5.75)
    assert str(raised.value) == (
        "No advice at 30 °C: warm-ups were read between 18 °C and 24 °C only. Record pairs near "
        "that temperature."
    )


RECORD = (
    "Record pairs: read a ball when it comes out of the cooler and the same ball again 60 to 90 "
    "min later, at least one ball of 3 batches, in two room temperatures at least 3 °C (5 °F) "
    "apart. A new plan reserves the balls with [warm_up] in trial.toml."
)


@pytest.mark.parametrize(
    ("keep", "why"),
    [
        (lambda p: [], "no ball was read twice while it warmed up"),
        (lambda p: [WarmPair("B1-1", "B1", 20, 0, 15, 5.8, 5.78)],
         "no two readings of a ball lie 20 min or more apart"),
        (lambda p: [q for q in p if q.batch in {"B0", "B1"}],
         "only 2 batches have a pair of readings (B0, B1)"),
        (lambda p: p[:1], "only 1 batch has a pair of readings (B0)"),
        (lambda p: [q for q in p if q.room_c == 18.0],
         "the rooms of the pairs are all alike (18 to 18 °C), so another room is a guess"),
    ],
)  # fmt: skip
def test_warm_ups_that_did_not_vary_are_refused_with_what_to_record(keep, why):
    pairs = keep(make_pairs(np.random.default_rng(1)))
    with pytest.raises(NotEstimable) as raised:
        fit_warm_up(pairs, body=BALL, film=BOX, cooler_c=4.0)
    assert str(raised.value) == f"No advice on warming up yet: {why}. {RECORD}"


def test_a_fall_that_is_not_shown_is_refused():
    pairs = make_pairs(np.random.default_rng(2), rate=0.0, noise=0.03)
    with pytest.raises(NotEstimable, match="so a fall is not shown"):
        fit_warm_up(pairs, body=BALL, film=BOX, cooler_c=4.0)


def test_rooms_that_disagree_are_noted():
    pairs = [
        WarmPair(f"{b}-{r}", f"B{b}", r, 0, 75, 5.9, 5.9 - k * WORTH[r, 75.0] - 0.001 * b)
        for b in range(4)
        for r, k in ((18.0, 0.05), (24.0, 0.2))
    ]
    model = fit_warm_up(pairs, body=BALL, film=BOX, cooler_c=4.0)
    assert len(model.notes) == 1
    assert model.notes[0].startswith("warm rooms move pH more than the clock expects")


def test_a_pair_that_runs_backwards_is_refused():
    with pytest.raises(InputError, match="must come after the first"):
        WarmPair("B1-1", "B1", 20.0, 60, 30, 5.8, 5.9)


def test_ranges_of_the_rate_hold_the_truth_at_their_rate():
    """Truth 0.12 an hour, batches 0.015, pair noise 0.012; 300 trials of 6 batches, seed 21."""
    rng = np.random.default_rng(21)
    worth = {room: WORTH[room, 75.0] for room in (18.0, 24.0)}
    held = 0
    for _ in range(300):
        rates = []
        for _ in range(6):
            own = 0.12 + rng.normal(0, 0.015)
            pairs = np.array([[w, own * w + rng.normal(0, 0.012)] for w in worth.values()])
            rates.append(np.sum(pairs[:, 0] * pairs[:, 1]) / np.sum(pairs[:, 0] ** 2))
        half = 2.5706 * np.std(rates, ddof=1) / np.sqrt(6)  # t table, 5 df
        held += abs(np.mean(rates) - 0.12) <= half
    assert held / 300 == pytest.approx(0.95, abs=0.038)


def test_the_fit_is_the_mean_of_the_batch_rates():
    """The same arithmetic as in the simulation above, worked out here on one set of pairs."""
    pairs = make_pairs(np.random.default_rng(5))
    model = fit_warm_up(pairs, body=BALL, film=BOX, cooler_c=4.0)
    rates = []
    for b in range(6):
        own = [p for p in pairs if p.batch == f"B{b}"]
        w = np.array([WORTH[p.room_c, 75.0] for p in own])
        f = np.array([p.first_ph - p.second_ph for p in own])
        rates.append(np.sum(w * f) / np.sum(w**2))
    assert model.rate == pytest.approx(np.mean(rates))
    assert model.std_error == pytest.approx(np.std(rates, ddof=1) / np.sqrt(6))
    assert model.high - model.rate == pytest.approx(2.5706 * model.std_error, rel=1e-4)
