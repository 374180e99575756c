"""Which batches verdicts stand on: planned looks, looks that were not, and parts judged alone."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from doughlab.analysis import analyse
from doughlab.analysis.dataset import build_dataset
from doughlab.analysis.standing import Standing, tell_standings
from doughlab.decision import decide
from doughlab.looks import Looks
from doughlab.plan.extend import extend_plan, read_wish
from doughlab.plan.parts import batches_by_part, take_batches

AT = datetime(2026, 5, 1, 12, tzinfo=UTC)
LOOK_ONE = (
    "Look 1 of 2, as planned, after 10 batches: its verdicts stand on 99.7 % ranges, because this "
    "trial is looked at twice and the looks share the error."
)
UNPLANNED = (
    "This look before the end was not planned, so every verdict is provisional until all balls are "
    "recorded or marked lost."
)
ALONE = (
    "Part 2 (B11 to B20) was added after a look that was not planned, so it is judged alone; with "
    "the batches before it there would be too many false alarms. All batches together are "
    "given as a second view, without a verdict."
)
OFTEN = (
    "An answer by itself calls a difference that is not there in about 5 of 100 trials; the {} "
    "answers that this trial then has, in up to {}."
)
UNTIL = (
    "Part 2 (B11 to B20) was added after a look that was not planned: it is judged alone, once "
    "every ball of it is recorded or marked lost. Until then the answer of the batches before it "
    "stands."
)


def truth(levels):
    return 5.5 + 0.01 * (levels["water"] == "tap")


@pytest.fixture(scope="module")
def grown(kitchen):
    """Make an extended trial: grown(looks, "10", "10") has 10 batches and two parts more."""

    def make(looks=(), *wishes, seed=1):
        base = kitchen.invent(kitchen.PLAIN, truth, seed=seed)
        settings = replace(base.settings, looks=Looks(tuple(looks)))
        plan = replace(base.frozen_plan, settings=settings, looks=settings.looks)
        for wish in wishes:
            plan = extend_plan(plan, read_wish(wish), reason="open", at=AT)
        return kitchen.invent_records(settings, plan, truth, seed=seed)

    return make


def first(trial, count):
    """Keep the readings of the first batches."""
    ids = {b["batch_id"] for b in trial.frozen_plan.batches[:count]}
    kept = [r for r in trial.records.readings if r["ball_id"].rsplit("-", 1)[0] in ids]
    return trial.with_readings(kept)


def never_extended(trial):
    """Give the first part as a trial of its own, without looks."""
    plan = trial.frozen_plan
    own = replace(take_batches(plan, batches_by_part(plan)[0]), parts=(), looks=Looks())
    return first(replace(trial, frozen_plan=own), 10)


def head(result):
    return " ".join(str(result).split())


# looks


def test_a_trial_looked_at_once_says_nothing_of_looks(grown):
    data = build_dataset(grown(), "ph")
    assert (data.standing.level, data.standing.sentences, data.whole) == (0.95, (), None)


def test_the_first_planned_look_has_wider_ranges(grown):
    trial = first(grown((10, 20), "10"), 10)
    data = build_dataset(trial, "ph")
    assert data.standing.sentences == (LOOK_ONE, "The next look is after 20 batches.")
    assert data.standing.level == pytest.approx(0.99695, abs=5e-5)  # bound 2.963, Lan and DeMets
    assert data.batches == 10
    wide = analyse(trial, "ph").answer("water").comparisons[0]
    usual = analyse(never_extended(trial), "ph").answer("water").comparisons[0]
    assert wide.estimate == pytest.approx(usual.estimate)
    assert wide.ci_high - wide.ci_low > 1.4 * (usual.ci_high - usual.ci_low)
    assert "99.7 % ranges in brackets" in head(analyse(trial, "ph"))


def test_the_last_planned_look_judges_all_together(grown):
    data = build_dataset(grown((10, 20), "10"), "ph")
    assert data.standing.level == pytest.approx(0.95102, abs=5e-5)  # bound 1.969
    assert data.batches == 20
    assert data.standing.sentences == (
        "Look 2 of 2, as planned, after 20 batches: its verdicts stand on 95.1 % ranges, because "
        "this trial is looked at twice and the looks share the error.",
    )


def test_between_two_looks_the_earlier_one_stands(grown):
    trial = grown((10, 20), "10")
    at_look, between = build_dataset(first(trial, 10), "ph"), build_dataset(first(trial, 13), "ph")
    assert between.standing.sentences == (
        LOOK_ONE,
        "3 batches more are recorded; they wait for the look after 20 and stay out of this answer "
        "until then.",
    )
    assert between.frame["y"].tolist() == at_look.frame["y"].tolist()
    assert between.whole.batches == 13


def test_one_batch_more_is_said_in_one_word(grown):
    data = build_dataset(first(grown((10, 20), "10"), 11), "ph")
    assert data.standing.sentences[1] == (
        "1 batch more is recorded; it waits for the look after 20 and stays out of this answer "
        "until then."
    )


def test_before_the_first_planned_look_verdicts_are_provisional(grown):
    result = analyse(first(grown((10, 20), "10"), 8), "ph")
    assert result.dataset.standing.sentences == (
        "No look is planned before 10 batches are complete, so every verdict is provisional.",
    )
    assert all(c.verdict_text.startswith(f"{c.verdict} so far")
               for a in result.answers for c in a.comparisons)  # fmt: skip


def test_a_look_within_the_first_plan(grown):
    data = build_dataset(first(grown((6, 10)), 6), "ph")
    assert data.standing.level > 0.95
    assert data.batches == 6
    assert data.standing.coming == 10


def test_a_lost_batch_changes_the_level_of_the_look_and_not_the_look(grown):
    trial = first(grown((10, 20), "10"), 10)
    lost = [b["ball_id"] for b in trial.frozen_plan.balls if b["batch_id"] == "B10"]
    data = build_dataset(trial.lose(*lost), "ph")
    assert data.standing.level > 0.99695
    assert not data.standing.provisional
    assert data.batches == 9


def test_what_waits_for_a_look_has_no_forecast(grown):
    trial = first(grown((10, 20), "10"), 10)
    result = analyse(trial, "ph")
    assert all(not a.forecasts for a in result.answers)
    opened = decide(trial).open_questions
    if any(c.verdict == "not settled" for c in result.answer("water").comparisons):
        assert opened[-1].endswith("the next planned look is after 20 batches.")


# looks that were not planned


def test_a_look_before_the_end_is_provisional(grown):
    trial = first(grown(), 8)
    result = analyse(trial, "ph")
    assert result.dataset.standing.sentences == (UNPLANNED,)
    assert UNPLANNED in head(result)
    assert set(result.verdicts["verdict"]) <= {"same", "matters", "differs", "not settled"}
    assert all(" so far" in w for w in result.verdicts["words"])
    decision = decide(trial)
    assert decision.provisional and decision.standing == (UNPLANNED,)
    assert UNPLANNED in " ".join(str(decision).split())


def test_a_provisional_verdict_keeps_what_is_known_beyond_it(grown):
    c = analyse(first(grown(), 8), "ph").answer("water").comparisons[0]
    known = replace(c, ci_low=0.02, ci_high=0.2, margin=0.1)
    assert known.verdict_text == "differs so far; at least 0.02"
    assert replace(known, ci_high=0.05).verdict_text == "same so far (real but small)"
    assert replace(known, provisional=False).verdict_text == "differs; at least 0.02"


# parts


def test_an_extension_that_no_look_foresaw_is_judged_alone(grown):
    trial = grown((), "10")
    result = analyse(trial, "ph")
    data = result.dataset
    assert data.standing.sentences == (ALONE, OFTEN.format(2, 10))
    assert data.standing.level == 0.95
    assert set(data.frame["batch"]) == set(batches_by_part(trial.frozen_plan)[1])
    own = result.answer("water").comparisons[0]
    pooled = result.second_view[0].comparisons[0]
    assert pooled.std_error < own.std_error
    text = result.text()
    assert "All 20 batches together, a second view without verdicts (95 % ranges):" in text
    assert decide(trial).standing == (ALONE, OFTEN.format(2, 10))


def test_the_new_part_does_not_lean_on_the_old_one(grown):
    """The confirmatory numbers are those of the new part analysed as a trial of its own."""
    trial = grown((), "10")
    before = analyse(trial, "ph").answer("water").comparisons[0]
    old = set(batches_by_part(trial.frozen_plan)[0])
    shifted = [r | {"ph": r["ph"] + 0.3 * (r["ball_id"].rsplit("-", 1)[0] in old)}
               for r in trial.records.readings]  # fmt: skip
    after = analyse(trial.with_readings(shifted), "ph").answer("water").comparisons[0]
    assert (after.estimate, after.ci_low, after.ci_high) == (
        before.estimate, before.ci_low, before.ci_high,
    )  # fmt: skip


@pytest.mark.parametrize("count", [10, 15])
def test_until_the_new_part_is_complete_the_old_answer_stands(grown, count):
    trial = grown((), "10")
    data = build_dataset(first(trial, count), "ph")
    assert data.standing.sentences == (UNTIL,)
    assert data.batches == 10
    assert not data.standing.provisional
    plain = analyse(never_extended(trial), "ph").answer("water").comparisons[0]
    stands = analyse(first(trial, count), "ph").answer("water").comparisons[0]
    assert stands.estimate == pytest.approx(plain.estimate)
    assert (stands.ci_low, stands.ci_high) == pytest.approx((plain.ci_low, plain.ci_high))


def test_a_third_part_is_judged_alone_in_its_turn(grown):
    trial = grown((), "10", "10")
    assert set(build_dataset(trial, "ph").frame["batch"]) == {f"B{i}" for i in range(21, 31)}
    data = build_dataset(first(trial, 25), "ph")
    assert set(data.frame["batch"]) == {f"B{i}" for i in range(11, 21)}
    assert data.standing.sentences == (
        ALONE,
        OFTEN.format(2, 10),
        "Part 3 (B21 to B30) is not complete yet and stays out of this answer until then.",
    )


def test_without_a_lock_nothing_is_final(grown):
    trial = grown((), "10")
    plan = replace(trial.frozen_plan, sealed=False, parts=(), looks=Looks())
    data = build_dataset(replace(trial, frozen_plan=plan), "ph")
    assert data.standing.provisional
    assert data.standing.sentences == (
        "plan/plan.lock is missing or cannot be read, so nothing tells whether this plan was "
        "extended and which looks were promised: every verdict is provisional. Bring the file "
        "back.",
    )


def test_a_part_beyond_the_last_look_is_judged_alone(grown):
    trial = grown((10, 20), "10", "10")
    assert set(build_dataset(trial, "ph").frame["batch"]) == {f"B{i}" for i in range(21, 31)}
    data = build_dataset(first(trial, 20), "ph")
    assert data.batches == 20
    assert data.standing.level == pytest.approx(0.95102, abs=5e-5)
    assert data.standing.sentences[0].startswith("Look 2 of 2")
    assert data.standing.sentences[-1].startswith("Part 3 (B21 to B30) was added after a look")


def test_scores_wait_for_every_judge_of_a_look(kitchen):
    base = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score)
    settings = replace(base.settings, looks=Looks((12, 24)))
    plan = replace(base.frozen_plan, settings=settings, looks=settings.looks)
    trial = replace(base, settings=settings, frozen_plan=plan)
    assert build_dataset(trial, "score").standing.sentences[0].startswith("Look 2 of 2")
    early = {b["batch_id"] for b in trial.frozen_plan.batches[:12]}
    scores = [s for s in trial.records.scores
              if s["judge"] != "J2" or s["ball_id"].rsplit("-", 1)[0] in early]  # fmt: skip
    records = replace(trial.records, journals={**trial.records.journals,
                      **kitchen.Records.of(scores=scores).journals})  # fmt: skip
    data = build_dataset(replace(trial, records=records), "score")
    assert data.standing.sentences[0].startswith("Look 1 of 2")
    assert data.absent == {}


def test_responses_that_stand_alike_say_it_once():
    one = Standing(sentences=("Look 1 of 2.",))
    assert tell_standings({"pH": one, "bake score": one}) == ("Look 1 of 2.",)
    other = Standing(sentences=("Provisional.",))
    assert tell_standings({"pH": one, "bake score": other, "volume": one}) == (
        "pH, volume: Look 1 of 2.", "bake score: Provisional.",
    )  # fmt: skip
