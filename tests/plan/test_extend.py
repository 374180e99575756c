"""Extending a kept plan: what is there stays as it is, what is new goes on from it."""

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from doughlab.errors import InputError, PlanError
from doughlab.plan.extend import extend_plan, read_wish, write_extension
from doughlab.plan.parts import batches_by_part, describe_parts, take_batches
from doughlab.plan.plan import build_plan, read_plan, write_plan
from doughlab.sections import WarmUp

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
FILES = ("batches.csv", "balls.csv", "schedule.csv")


@pytest.fixture
def kept(kitchen, tmp_path):
    """A kept plan of 24 batches, as it is read back, with its folder."""
    write_plan(build_plan(kitchen), tmp_path)
    plan, problems = read_plan(tmp_path, kitchen)
    assert problems == []
    return plan, tmp_path


def extend(plan, text, folder=None, **more):
    new = extend_plan(plan, read_wish(text), **({"reason": "not settled", "at": NOW} | more))
    if folder is not None:
        write_extension(new, folder)
    return new


def tampered(folder, name, old, new):
    path = folder / "plan" / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def sentences(folder, settings):
    return [p.message for p in read_plan(folder, settings)[1]]


def test_two_extensions_leave_the_first_part_byte_for_byte(kitchen, kept):
    plan, folder = kept
    before = {n: (folder / "plan" / n).read_bytes() for n in FILES}
    extend(plan, "12", folder)
    once, problems = read_plan(folder, kitchen)
    assert problems == []
    extend(once, "1 day", folder)
    twice, problems = read_plan(folder, kitchen)
    assert problems == []
    assert all((folder / "plan" / n).read_bytes().startswith(before[n]) for n in FILES)
    assert twice.batches[:24] == plan.batches
    assert twice.balls[: len(plan.balls)] == plan.balls
    assert [len(ids) for ids in batches_by_part(twice)] == [24, 12, 6]


def test_ids_go_on_unbroken_and_stand_once(kept):
    plan, _ = kept
    new = extend(extend(plan, "12"), "6")
    ids = [b["batch_id"] for b in new.batches]
    assert ids == [f"B{i:02d}" for i in range(1, 43)]
    assert list(dict.fromkeys(b["block"] for b in new.batches)) == [f"D{i}" for i in range(1, 8)]
    balls = [b["ball_id"] for b in new.balls]
    assert len(set(balls)) == len(balls)
    assert all(b["ball_id"].rsplit("-", 1)[0] == b["batch_id"] for b in new.balls)


def test_sessions_of_the_new_part_are_its_own_and_come_later(kept):
    plan, _ = kept
    new = extend(plan, "12")
    old = {b["session"] for b in plan.balls if b["session"]}
    added = {b["session"] for b in new.balls[len(plan.balls) :] if b["session"]}
    assert not old & added
    assert max(old) < min(added)
    ended = max(r["due_at"] for r in plan.schedule)
    assert min(r["due_at"] for r in new.schedule[len(plan.schedule) :]) > ended
    assert min(r["due_at"] for r in new.schedule[len(plan.schedule) :]) > NOW


def test_blind_codes_are_drawn_anew_and_stand_once_in_a_session(kept):
    plan, _ = kept
    new = extend(plan, "24")
    codes = [(b["session"], b["blind_code"]) for b in new.balls if b["purpose"] == "bake"]
    assert len(set(codes)) == len(codes)
    half = len(codes) // 2
    assert [c for _, c in codes[:half]] != [c for _, c in codes[half:]]


@pytest.mark.parametrize("count", [6, 12, 18])
def test_levels_come_as_evenly_as_the_number_allows(kept, count):
    plan, _ = kept
    added = extend(plan, str(count)).batches[24:]
    assert len(added) == count
    for column in ("water", "mixing_water_temp_c", "hydration_pct"):
        counts = Counter(b[column] for b in added)
        assert max(counts.values()) - min(counts.values()) <= 1, column
    runs = Counter((b["water"], b["mixing_water_temp_c"], b["hydration_pct"]) for b in added)
    assert max(runs.values()) - min(runs.get(r, 0) for r in runs) <= 1


def test_what_came_least_often_so_far_comes_first(kept):
    plan, _ = kept
    new = extend(extend(plan, "6"), "6")
    runs = Counter((b["water"], b["mixing_water_temp_c"], b["hydration_pct"])
                   for b in new.batches[24:])  # fmt: skip
    assert set(runs.values()) == {1}
    assert len(runs) == 12


def test_a_new_batch_has_the_balls_of_an_old_one(kept):
    plan, _ = kept
    new = extend(plan, "6")

    def kinds(balls):
        return Counter((b["purpose"], b["hold_h"]) for b in balls)

    first = kinds(b for b in new.balls if b["batch_id"] == "B01")
    assert all(kinds(b for b in new.balls if b["batch_id"] == f"B{i}") == first
               for i in range(25, 31))  # fmt: skip


def test_day_settings_keep_whole_days(change, kitchen):
    temp = replace(kitchen.factors["mixing_water"], set="day")
    settings = change(factors={**kitchen.factors, "mixing_water": temp})
    plan = build_plan(settings)
    added = extend(plan, "12").batches[24:]
    for block in {b["block"] for b in added}:
        assert len({b["mixing_water_temp_c"] for b in added if b["block"] == block}) == 1
    assert Counter(b["mixing_water_temp_c"] for b in added).most_common()[0][1] == 6


def test_fillings_of_water_go_on_counting(change):
    settings = change(blocks={"water_lots": "trial"})
    plan = build_plan(settings)
    assert {b["water_lot"] for b in plan.batches} == {"W01", "W02", "W03"}
    new = extend(plan, "6")
    assert {b["water_lot"] for b in new.batches[24:]} == {"W04", "W05", "W06"}


def test_replicates_and_days_are_counted_in_batches(kept):
    plan, _ = kept
    assert len(extend(plan, "1 replicate").batches) == 36
    two = extend(plan, "2 days")
    assert len(two.batches) == 36
    assert len({b["block"] for b in two.batches[24:]}) == 2


def test_the_same_seed_gives_the_same_extension(kept):
    plan, _ = kept
    assert extend(plan, "12") == extend(plan, "12")
    assert extend(plan, "12", seed=3).balls != extend(plan, "12", seed=4).balls


def test_an_extended_plan_is_kept_already(kitchen, kept):
    plan, folder = kept
    extend(plan, "12", folder)
    assert write_plan(read_plan(folder, kitchen)[0], folder) == []


def test_the_part_says_what_was_added_when_and_why(kept):
    plan, _ = kept
    new = extend(plan, "12", reason="tap against bottled is open")
    assert describe_parts(new) == [
        "Extended on 2026-03-20 by 12 batches, part 2 (B25 to B36): tap against bottled is open"
    ]
    assert describe_parts(plan) == []
    assert len(take_batches(new, batches_by_part(new)[1]).balls) == len(plan.balls) // 2


def test_the_new_part_fits_the_kitchen_where_a_calendar_is_asked_for(kept):
    plan, _ = kept
    new = extend(plan, "6", calendar=True)
    assert new.batches[:24] == plan.batches
    assert new.balls[: len(plan.balls)] == plan.balls
    assert new.schedule[: len(plan.schedule)] == plan.schedule
    rows = take_batches(new, batches_by_part(new)[1])
    assert [b["batch_id"] for b in rows.batches] == [f"B{i}" for i in range(25, 31)]
    assert {b["session"] for b in rows.balls if b["session"]} & set(plan.sessions) == set()
    assert min(r["due_at"] for r in rows.schedule) > max(r["due_at"] for r in plan.schedule)
    due = {r["item"]: r["due_at"] for r in rows.schedule if r["step"] in ("read", "bake")}
    assert all(9 <= at.hour <= 21 for at in due.values())


# tampering


def test_a_changed_value_is_laid_to_its_part(kitchen, kept):
    plan, folder = kept
    extend(plan, "12", folder)
    tampered(folder, "batches.csv", "B02,D1,2,", "B02,D1,4,")
    assert sentences(folder, kitchen) == [
        "changed after the plan: a value in plan/batches.csv of part 1 (B01 to B24)."
    ]
    tampered(folder, "batches.csv", "B02,D1,4,", "B02,D1,2,")
    tampered(folder, "batches.csv", "B26,D5,2,", "B26,D5,4,")
    assert sentences(folder, kitchen) == [
        "changed after the plan: a value in plan/batches.csv of part 2 (B25 to B36)."
    ]


def test_an_extension_does_not_seal_an_earlier_change(kitchen, kept):
    _, folder = kept
    tampered(folder, "batches.csv", "B02,D1,2,", "B02,D1,4,")
    changed, _ = read_plan(folder, kitchen)
    extend(changed, "12", folder)
    assert sentences(folder, kitchen) == [
        "changed after the plan: a value in plan/batches.csv of part 1 (B01 to B24)."
    ]


def test_an_edited_reason_breaks_the_seal(kitchen, kept):
    plan, folder = kept
    extend(plan, "12", folder)
    tampered(folder, "plan.lock", "not settled", "planned so")
    assert sentences(folder, kitchen) == ["changed after the plan: plan.lock itself was edited."]


def test_a_part_cut_out_of_the_lock_leaves_rows_that_fit_no_seal(kitchen, kept):
    plan, folder = kept
    extend(plan, "12", folder)
    path = folder / "plan" / "plan.lock"
    lock = json.loads(path.read_text())
    lock["parts"].pop()
    path.write_text(json.dumps(lock))
    assert sentences(folder, kitchen) == [
        "changed after the plan: plan.lock itself was edited.",
        "changed after the plan: a value in plan/batches.csv.",
        "changed after the plan: a value in plan/balls.csv.",
        "changed after the plan: a value in plan/schedule.csv.",
        "changed after the plan: the model of 'ph'.",
        "changed after the plan: the model of 'score'.",
    ]


def test_rows_of_the_new_part_taken_away_are_missed(kitchen, kept):
    plan, folder = kept
    before = (folder / "plan" / "schedule.csv").read_text()
    extend(plan, "12", folder)
    (folder / "plan" / "schedule.csv").write_text(before)
    assert sentences(folder, kitchen) == [
        "changed after the plan: a value in plan/schedule.csv of part 2 (B25 to B36)."
    ]


def test_a_due_time_of_no_batch_is_noticed(kitchen, kept):
    plan, folder = kept
    extend(plan, "12", folder)
    with (folder / "plan" / "schedule.csv").open("a") as file:
        file.write("read,B99-1,2026-05-04T10:00-04:00,\n")
    assert sentences(folder, kitchen) == [
        "changed after the plan: a row of no batch in plan/schedule.csv."
    ]


def test_questions_changed_after_the_data_are_reported_as_before(kitchen, change, kept):
    plan, folder = kept
    extend(plan, "12", folder)
    ph = replace(kitchen.responses["ph"], margin=0.2)
    settings = change(responses={**kitchen.responses, "ph": ph})
    assert sentences(folder, settings) == [
        "changed after the plan: the margin of 'ph' was 0.1, is 0.2."
    ]


# what is refused


@pytest.mark.parametrize("text", ["0", "some", "12 hours", "1000", "12 from Monday", ""])
def test_a_wish_that_cannot_be_read(text):
    with pytest.raises(InputError) as error:
        read_wish(text)
    assert str(error.value) == (
        f"--extend '{text}' cannot be read. Write a number of batches, days or replicates, as 12, "
        '"2 days" or "1 replicate from 2026-05-04"; at most 500.'
    )


def test_a_date_that_does_not_exist():
    with pytest.raises(InputError) as error:
        read_wish("12 from 2026-02-30")
    assert str(error.value) == (
        "--extend '12 from 2026-02-30': 2026-02-30 is no date. Write it as 2026-05-04."
    )


def test_no_reason(kept):
    with pytest.raises(InputError) as error:
        extend(kept[0], "12", reason=" ")
    assert str(error.value) == (
        'An extension needs its reason, which is kept: --reason "water not settled".'
    )


def test_a_start_before_the_end_of_the_old_part(kept):
    with pytest.raises(PlanError) as error:
        extend(kept[0], "12 from 2026-03-03")
    ended = max(r["due_at"] for r in kept[0].schedule).date()
    assert str(error.value) == (
        f"The kept plan runs until {ended}; the new part cannot begin on 2026-03-03. Begin on "
        f"{ended.replace(day=ended.day + 1)} or later."
    )


def test_too_many(kept):
    with pytest.raises(PlanError) as error:
        extend(kept[0], "100 days")
    assert str(error.value) == "600 batches more are too many; at most 500 can be added."


def test_a_lock_that_is_gone(kept):
    plan, folder = kept
    new = extend(plan, "12")
    (folder / "plan" / "plan.lock").unlink()
    with pytest.raises(PlanError) as error:
        write_extension(new, folder)
    assert str(error.value) == (
        "The plan cannot be extended. plan/plan.lock is missing. Look at it: doughlab check"
    )


def test_extended_by_two_people_at_once(kept):
    plan, folder = kept
    extend(plan, "12", folder)
    with pytest.raises(PlanError) as error:
        extend(plan, "6", folder)
    assert str(error.value) == (
        "The plan cannot be extended. The kept plan was extended by someone else meanwhile. Look "
        "at it: doughlab check"
    )


def test_new_batches_give_pairs_of_their_own_that_are_read_twice(kitchen):
    """Algebra: pairs are no setting; one replicate is one batch of each combination."""
    settings = replace(kitchen, warm_up=WarmUp(("bench", "store"), batches=3))
    plan = build_plan(settings)
    combos = len({tuple(b[f.column] for f in settings.factors_set("batch")) for b in plan.batches})
    for wish, added, paired in (("1 replicate", combos, 3), ("2", 2, 2)):
        new = extend(extend(plan, wish), wish)
        for ids in batches_by_part(new)[1:]:
            pairs = [b for b in new.balls if b["batch_id"] in ids and b["purpose"] == "pair"]
            assert len(ids) == added
            assert Counter(Counter(b["batch_id"] for b in pairs).values()) == {2: paired}
            steps = Counter((r["item"], r["step"]) for r in new.schedule)
            for ball in pairs:
                assert steps[ball["ball_id"], "read"] == 2 and ball["hold_h"] == 48
                assert steps[ball["ball_id"], "take_out"] == 1
