"""Planned looks: their levels, what is foreseen, and what does not fit a plan."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from doughlab.looks import Looks
from doughlab.plan.extend import extend_plan, read_wish
from doughlab.plan.lock import build_lock, sealed_looks
from doughlab.plan.looks import (
    describe_looks,
    first_unplanned,
    judged_rows,
    level_text,
    list_looks,
    say_beyond,
    say_judged,
    times_words,
)
from doughlab.plan.plan import build_plan, read_plan, write_plan
from doughlab.plan.precision import plan_precision

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)


def extended(plan, *texts):
    for text in texts:
        plan = extend_plan(plan, read_wish(text), reason="not settled", at=NOW)
    return plan


def test_levels_are_the_published_ones():
    # two equal looks, O'Brien-Fleming and Pocock type spending: bounds 2.963 and 1.969, 2.157 and
    # 2.201 (tests/reference/test_spending_lan1983.py), as two-sided normal levels
    assert [look.level for look in list_looks(Looks((12, 24)))] == pytest.approx(
        [0.99695, 0.95102], abs=5e-5
    )
    assert [look.level for look in list_looks(Looks((12, 24), "even"))] == pytest.approx(
        [0.96900, 0.97227], abs=5e-5
    )


def test_lost_batches_leave_less_for_the_first_look_and_more_for_the_last():
    whole, lost = list_looks(Looks((12, 24))), list_looks(Looks((12, 24)), [10, 22])
    assert lost[0].level > whole[0].level
    assert lost[1].level < whole[1].level
    assert [look.words for look in lost] == ["look 1 of 2", "look 2 of 2"]


def test_a_look_without_a_new_batch_spends_nothing():
    looks = list_looks(Looks((6, 12, 24)), [6, 6, 20])
    assert [look.number for look in looks] == [1, 3]
    assert list_looks(Looks((6, 12)), [0]) == ()
    assert list_looks(Looks()) == ()


def test_an_extension_within_the_last_look_is_foreseen(change):
    settings = change(looks=Looks((24, 36)))
    plan = build_plan(settings)
    assert first_unplanned(plan) is None
    assert first_unplanned(extended(plan, "12")) is None
    assert first_unplanned(extended(plan, "12", "12")) == 3
    assert first_unplanned(extended(plan, "24")) == 2
    assert first_unplanned(extended(build_plan(change()), "12")) == 2


def test_what_is_said_of_the_looks(change):
    plan = build_plan(change(looks=Looks((24, 36))))
    head = (
        "Looked at twice, after 24 and 36 batches, with 98.8 and 95.4 % ranges: so all looks "
        "together call a difference that is not there in about 5 of 100 trials, for each question "
        "(error spending)."
    )
    assert describe_looks(plan) == [head]
    assert describe_looks(extended(plan, "6")) == [
        head,
        "The plan has 30 batches and no look is planned there; the next is after 36, 6 more.",
    ]
    assert describe_looks(build_plan(change())) == []
    assert describe_looks(build_plan(change(looks=Looks((24,))))) == [
        "Looked at once, after 24 batches, with 95 % ranges."
    ]


def test_a_last_look_before_the_end_of_the_plan(change):
    plan = build_plan(change(looks=Looks((6, 12))))
    assert say_beyond(plan) == (
        "trial.toml, [looks]: the last look is after 12 batches, the plan has 24. End "
        "after_batches with 24, or with more where an extension is planned."
    )
    assert describe_looks(plan)[-1] == say_beyond(plan)


def test_looks_are_sealed_with_the_plan(change, tmp_path):
    settings = change(looks=Looks((24, 36), "even"))
    write_plan(build_plan(settings), tmp_path)
    plan, problems = read_plan(tmp_path, settings)
    assert problems == []
    assert plan.looks == settings.looks


def test_looks_changed_after_the_plan_do_not_count(change, tmp_path):
    write_plan(build_plan(change(looks=Looks((24, 36)))), tmp_path)
    plan, problems = read_plan(tmp_path, change(looks=Looks((24, 48))))
    assert [p.message for p in problems] == [
        "changed after the plan: the planned looks, 'after_batches' was 24, 36, is 24, 48."
    ]
    assert plan.looks == Looks((24, 36))


def test_looks_added_or_taken_away_after_the_plan_are_reported(change, tmp_path):
    write_plan(build_plan(change()), tmp_path)
    plan, problems = read_plan(tmp_path, change(looks=Looks((24, 48))))
    assert [p.message for p in problems] == [
        "changed after the plan: the planned looks, 'after_batches' was added.",
        "changed after the plan: the planned looks, 'spend' was added.",
    ]
    assert plan.looks == Looks()
    other = tmp_path / "other"
    other.mkdir()
    write_plan(build_plan(change(looks=Looks((24, 48)))), other)
    assert [p.message for p in read_plan(other, change())[1]] == [
        "changed after the plan: the planned looks, 'after_batches' was taken away.",
        "changed after the plan: the planned looks, 'spend' was taken away.",
    ]


@pytest.mark.parametrize("odd", [{"after_batches": "24, x"}, {"spend": "early"}, {}])
def test_a_lock_with_odd_looks_promises_none(odd):
    promised = {"after_batches": "24, 36", "spend": "late"} | odd if odd else None
    assert sealed_looks({"promised": {"looks": promised}}) == Looks()


def test_a_plan_without_looks_or_parts_writes_the_lock_as_it_always_did(change):
    plan = build_plan(change())
    lock = build_lock(plan)
    assert '"looks"' not in lock
    assert lock == build_lock(replace(plan, parts=()))


def test_precision_foresees_the_ranges_of_the_look(change, without):
    few = without("hydration", "hold", "score")
    plan = build_plan(few)
    assert len(plan.batches) == 12

    def widths(*after):
        own = replace(few, looks=Looks(after))
        return plan_precision(own, plan).table["half_width"].to_numpy()

    assert (widths(6, 12) > widths()).all()
    assert (widths(12, 24) > widths(6, 12)).all()


def test_what_is_judged(change):
    plan = build_plan(change(looks=Looks((24, 36))))
    assert judged_rows(plan).batches == plan.batches
    together = extended(plan, "12")
    assert judged_rows(together).batches == together.batches
    alone = judged_rows(extended(plan, "12", "6"))
    assert [b["batch_id"] for b in alone.batches] == [f"B{i}" for i in range(37, 43)]
    assert alone.settings.looks == alone.looks == Looks()


def test_what_is_said_of_the_parts(change):
    plan = build_plan(change(looks=Looks((24, 36))))
    assert say_judged(plan) == []
    assert say_judged(extended(plan, "12")) == [
        "The extension was planned before the data: old and new batches are judged together, and "
        "the looks share the error."
    ]
    assert say_judged(extended(plan, "12", "6")) == [
        "No look was planned for part 3 (B37 to B42), so it is judged alone: old and new judged "
        "together after a look would call differences that are not there too often. The pooled "
        "numbers stand beside it as a second view."
    ]


def test_words():
    assert [level_text(x) for x in (0.95, 0.9, 0.97227, 0.99998)] == ["95", "90", "97.2", "99.998"]
    assert [times_words(n) for n in (2, 3, 8)] == ["twice", "three times", "8 times"]
