"""Plans: what every plan keeps, and how it is kept on disk."""

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, timedelta
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as limits
from hypothesis import strategies as st

from doughlab.errors import PlanError, UnknownName
from doughlab.plan.facts import describe_plan
from doughlab.plan.lock import checksum
from doughlab.plan.plan import Plan, build_plan, read_plan, write_plan
from doughlab.tables import RECORDS, TABLES

FILES = ("plan/batches.csv", "plan/balls.csv", "plan/schedule.csv", "plan/plan.lock")


@pytest.fixture(scope="module")
def plan(kitchen):
    return build_plan(kitchen)


@pytest.fixture
def kept(plan, tmp_path):
    write_plan(plan, tmp_path)
    return tmp_path


@st.composite
def kitchens(draw):
    """What a kitchen may ask for: factors left out, replicates, days, balls, spares, limits."""
    return {
        "out": draw(st.sets(st.sampled_from(["mixing_water", "hydration", "hold"]))),
        "replicates": draw(st.integers(1, 3)),
        "per_day": draw(st.integers(2, 9)),
        "ph_balls": draw(st.integers(0, 2)),
        "bake_balls": draw(st.integers(1, 2)),
        "spares": draw(st.integers(0, 2)),
        "places": draw(st.integers(20, 200)),
        "closed": tuple(draw(st.sets(st.sampled_from(["Mon", "Wed", "Sun"]), max_size=2))),
        "seed": draw(st.integers(0, 2**31 - 1)),
    }


def build(kitchen, without, change, ask):
    settings = without(*ask["out"])
    responses = dict(settings.responses)
    responses["ph"] = replace(responses["ph"], balls=ask["ph_balls"])
    responses["score"] = replace(responses["score"], balls=ask["bake_balls"])
    settings = change(
        settings,
        responses=responses,
        blocks={"days": None, "batches_per_day": ask["per_day"], "spares": ask["spares"],
                "replicates": ask["replicates"]},
        kitchen={"cooler_places": ask["places"], "closed": ask["closed"]},
    )  # fmt: skip
    return settings, build_plan(settings, seed=ask["seed"])


@given(ask=kitchens())
@limits(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_plan_keeps_its_promises(kitchen, without, change, ask):
    settings, plan = build(kitchen, without, change, ask)
    check_purposes(plan, ask)
    check_days(plan)
    check_codes(plan)
    check_orders(plan)
    check_places(settings, plan)
    check_due(settings, plan)


def check_purposes(plan, ask):
    """A pierced ball is never baked: every ball has one purpose and only its own step."""
    assert len({b["ball_id"] for b in plan.balls}) == len(plan.balls)
    steps = {}
    for row in plan.schedule:
        steps.setdefault(row["item"], set()).add(row["step"])
    for ball in plan.balls:
        own = steps.get(ball["ball_id"], set()) - {"take_out"}
        assert own == {"ph": {"read"}, "bake": {"bake"}, "spare": set()}[ball["purpose"]]
    holds = 1 if "hold" in ask["out"] else 3
    for batch in plan.batches:
        counts = Counter(b["purpose"] for b in plan.balls if b["batch_id"] == batch["batch_id"])
        wanted = {"ph": holds * ask["ph_balls"], "bake": holds * ask["bake_balls"],
                  "spare": ask["spares"]}  # fmt: skip
        assert counts == {k: v for k, v in wanted.items() if v}


def check_days(plan):
    """Blocks are as even as arithmetic allows: sizes, and every level within its day."""
    days = {}
    for b in plan.batches:
        days.setdefault(b["block"], []).append(b)
    sizes = [len(d) for d in days.values()]
    assert max(sizes) - min(sizes) <= 1
    for f in plan.settings.factors_set("batch"):
        for day in days.values():
            counts = [sum(b[f.column] == f.value_of(v) for b in day) for v in f.levels]
            assert max(counts) - min(counts) <= 1
    for day in days.values():
        assert [b["order"] for b in day] == list(range(1, len(day) + 1))


def check_codes(plan):
    for session in plan.sessions:
        codes = [b["blind_code"] for b in plan.balls
                 if b["session"] == session and b["purpose"] == "bake"]  # fmt: skip
        assert len(set(codes)) == len(codes) and all(100 <= c <= 999 for c in codes)
    assert all(b["blind_code"] is None for b in plan.balls if b["purpose"] != "bake")


def check_orders(plan):
    for session in plan.sessions:
        bakes = sorted(b["ball_id"] for b in plan.balls
                       if b["session"] == session and b["purpose"] == "bake")  # fmt: skip
        orders = plan.serving_orders(session)
        assert set(orders) == {"J1", "J2", "J3", "J4"}
        assert all(sorted(order) == bakes for order in orders.values())


def check_places(settings, plan):
    """The cooler is not exceeded at any time, or it is said (replayed from the schedule)."""
    if settings.hold is None:
        assert all(b["place"] is None for b in plan.balls)
        return
    homeless = sum(b["place"] == "no place free" for b in plan.balls)
    facts = describe_plan(settings, plan)
    over = facts.cooler_peak > settings.kitchen.cooler_places
    assert bool(homeless) == over
    assert any("are in the cooler" in w for w in facts.warnings) == over


def check_due(settings, plan):
    """Holds are exact; a session serves one half day; take-out comes warm_min before."""
    due = {(r["step"], r["item"]): r["due_at"] for r in plan.schedule}
    sessions = {}
    for ball in plan.balls:
        if ball["purpose"] == "spare":
            assert ball["session"] is None
            continue
        step = "read" if ball["purpose"] == "ph" else "bake"
        ready = due[step, ball["ball_id"]].astimezone(UTC)
        balled = due["ball", ball["batch_id"]].astimezone(UTC)
        hold_h = ball["hold_h"] if settings.hold else 0.0
        assert ready - balled == timedelta(hours=hold_h)
        if settings.hold:
            out = due["take_out", ball["ball_id"]].astimezone(UTC)
            assert ready - out == timedelta(minutes=settings.kitchen.warm_min)
        sessions.setdefault(ball["session"], []).append(ready)
    starts = [min(v) for _, v in sorted(sessions.items())]
    assert starts == sorted(starts)
    assert all(max(v) - min(v) < timedelta(hours=12) for v in sessions.values())


def test_demo_counts(plan):
    """24 batches on 4 days, 7 balls each: 3 holds x (1 pH + 1 bake) + 1 spare."""
    assert len(plan.batches) == 24 and len(plan.balls) == 168
    assert Counter(b["purpose"] for b in plan.balls) == {"ph": 72, "bake": 72, "spare": 24}
    assert Counter(b["block"] for b in plan.batches) == {f"D{i}": 6 for i in (1, 2, 3, 4)}
    assert Counter(r["step"] for r in plan.schedule) == {
        "mix": 24, "ball": 24, "take_out": 144, "read": 72, "bake": 72,
    }  # fmt: skip


def test_same_seed_gives_the_same_bytes_and_another_does_not(kitchen, tmp_path):
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        write_plan(build_plan(kitchen, seed=seed), tmp_path / name)
    for file in FILES:
        one, two, other = ((tmp_path / n / file).read_bytes() for n in "abc")
        assert one == two
        assert one != other


def test_order_and_settings_are_left_to_chance(without):
    """Over 90 seeds each water comes first on day 1 about as often (30 +- 5 x 4.5)."""
    small = without("mixing_water", "hydration")
    first = Counter(build_plan(small, seed=s).batches[0]["water"] for s in range(90))
    assert len(first) == 3 and all(abs(n - 30) < 22 for n in first.values())


def test_which_ball_is_baked_is_left_to_chance(plan):
    """Ball 1 of the 24 batches is not always the same thing."""
    firsts = {(b["purpose"], b["hold_h"]) for b in plan.balls if b["ball_id"].endswith("-1")}
    assert len(firsts) >= 4


def test_rounds_of_a_session_follow_the_bakes(plan):
    session = plan.sessions[2]
    due = {r["item"]: r["due_at"] for r in plan.schedule if r["step"] == "bake"}
    order = plan.serving_orders(session)["J1"]
    times = [due[ball] for ball in order]
    assert all(b - a > timedelta(hours=-1) for a, b in pairwise(times))
    with pytest.raises(UnknownName, match="session 'S99' is not known"):
        plan.serving_orders("S99")


def test_a_water_that_is_not_in_waters_csv_is_refused(kitchen):
    with pytest.raises(UnknownName) as error:
        build_plan(kitchen, waters={"tap": {}, "bottled": {}, "reverse-osmosis": {}})
    assert str(error.value) == (
        "trial.toml, factors.water: water 'reverse osmosis' is not known. Did you mean "
        "'reverse-osmosis'? Known: bottled, reverse-osmosis, tap."
    )


def test_no_ball_at_all_is_refused(change, kitchen):
    none = {n: replace(r, balls=0) for n, r in kitchen.responses.items()}
    with pytest.raises(PlanError, match=r"no response needs a ball"):
        build_plan(change(responses=none))


def test_lookups_suggest_the_nearest(plan):
    assert plan.batch("B07")["batch_id"] == "B07" and plan.ball("B07-3")["batch_id"] == "B07"
    with pytest.raises(UnknownName, match="Did you mean 'B07-3'"):
        plan.ball("B07_3")


def test_frames_have_the_columns_of_the_files(plan):
    assert list(plan.batches_frame.columns) == list(plan.settings.table("batches").names)
    assert plan.balls_frame["hold_h"].dropna().isin([24, 48, 72]).all()
    assert len(plan.schedule_frame) == len(plan.schedule)


def test_a_plan_introduces_itself_in_a_line(plan):
    assert repr(plan) == "plan of Invented kitchen: 24 batches, 168 balls, mixing days: 4, seed 7"


def test_without_a_first_day_nothing_has_a_date(change):
    plan = build_plan(change(blocks={"start_on": ""}))
    assert plan.schedule == () and len(plan.sessions) == 6


# keeping and reading


def test_a_kept_plan_is_read_back_as_it_was(plan, kept):
    again, problems = read_plan(kept, plan.settings)
    assert again == plan and problems == []
    assert write_plan(again, kept) == []


def test_every_file_is_on_the_disk_before_it_takes_its_place(plan, tmp_path, monkeypatch):
    """Written aside, flushed to the disk, then put in place of the old one."""
    import os
    from pathlib import Path

    steps = []
    monkeypatch.setattr(os, "fsync", lambda number: steps.append("disk"))
    place = Path.replace
    monkeypatch.setattr(Path, "replace", lambda a, b: (steps.append("place"), place(a, b))[1])
    write_plan(plan, tmp_path)
    assert steps == ["disk"] * 4 + ["place"] * 4
    assert sorted(p.name for p in (tmp_path / "plan").iterdir()) == [
        "balls.csv", "batches.csv", "plan.lock", "schedule.csv",
    ]  # fmt: skip


def test_nothing_kept_is_no_plan_and_no_problem(kitchen, tmp_path):
    assert read_plan(tmp_path, kitchen) == (None, [])


def test_spelling_of_a_number_is_no_change(plan, kept):
    file = kept / "plan/batches.csv"
    file.write_text(file.read_text().replace(",60\n", ",60.0\n"), encoding="utf-8")
    again, problems = read_plan(kept, plan.settings)
    assert again.changed == () and problems == []


def test_a_changed_cell_is_said(plan, kept):
    file = kept / "plan/balls.csv"
    lines = file.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if ",bake,S03," in line)
    lines[at] = lines[at].replace(",S03,", ",S04,")
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    again, problems = read_plan(kept, plan.settings)
    assert again.changed == ("changed after the plan: a value in plan/balls.csv",)
    assert [p.level for p in problems] == ["note"]


def with_ph(settings, **parts):
    changed = {**settings.responses, "ph": replace(settings.responses["ph"], **parts)}
    return replace(settings, responses=changed)


def with_question(settings, **parts):
    first, *rest = settings.questions
    return replace(settings, questions=(replace(first, **parts), *rest))


@pytest.mark.parametrize(
    ("edit", "sentence"),
    [
        (lambda s: with_ph(s, margin=0.2), "the margin of 'ph' was 0.1, is 0.2"),
        (lambda s: with_ph(s, use_hold_h=24.0), "the hold of use of 'ph' was 48, is 24"),
        (
            lambda s: with_question(s, contrast="vs:tap"),
            "the comparison of 'Which water?' was pairs, is vs:tap",
        ),
        (
            lambda s: replace(s, questions=s.questions[:1]),
            "the question 'Which hold?' was taken away",
        ),
        (
            lambda s: with_question(s, primary=False),
            "the question 'Which water?' was water on ph, primary, is water on ph, not primary",
        ),
        (
            lambda s: replace(s, panel=replace(s.panel, judges=("J1",))),
            "the model of 'score'",
        ),
    ],
)
def test_changed_promises_are_named_with_both_values(plan, kept, edit, sentence):
    again, problems = read_plan(kept, edit(plan.settings))
    assert f"changed after the plan: {sentence}" in again.changed
    assert f"plan/plan.lock: changed after the plan: {sentence}." in [str(p) for p in problems]


def test_an_edited_lock_is_said(plan, kept):
    lock = json.loads((kept / "plan/plan.lock").read_text())
    lock["promised"]["margins"]["ph"] = 0.2
    lock["checksums"]["margins"] = checksum(lock["promised"]["margins"])
    (kept / "plan/plan.lock").write_text(json.dumps(lock), encoding="utf-8")
    changed = replace(plan.settings.responses["ph"], margin=0.2)
    settings = replace(plan.settings, responses={**plan.settings.responses, "ph": changed})
    again, _ = read_plan(kept, settings)
    assert again.changed == ("changed after the plan: plan.lock itself was edited",)


def test_a_missing_lock_is_said(plan, kept):
    (kept / "plan/plan.lock").unlink()
    again, _ = read_plan(kept, plan.settings)
    assert again.changed == (
        "changed after the plan: plan.lock is missing, so nothing shows that this is the plan that "
        "was kept",
    )
    assert plan.sealed and not again.sealed


@pytest.mark.parametrize("text", ["{", "[]", '{"format": 9}', '{"format": 1}', "\x00", "[[[["])
def test_a_spoilt_lock_is_no_traceback(plan, kept, text):
    (kept / "plan/plan.lock").write_text(text, encoding="utf-8")
    again, problems = read_plan(kept, plan.settings)
    assert problems and all("plan.lock" in p.file for p in problems)
    assert again is None or again.changed


def test_a_cell_that_cannot_be_read_gives_no_plan_but_its_place(plan, kept):
    file = kept / "plan/balls.csv"
    text = file.read_text().replace("B01-2,B01", "B01-2,B99", 1)
    file.write_text(text, encoding="utf-8")
    again, problems = read_plan(kept, plan.settings)
    assert again is None
    assert str(problems[0]).startswith(
        "plan/balls.csv, row 3, column batch_id: batch 'B99' is not known. Did you mean"
    )


def test_only_a_spare_ball_may_lack_its_hold(plan, kept):
    file = kept / "plan/balls.csv"
    lines = file.read_text().splitlines()
    lines[1] = lines[1].rsplit(",", 1)[0] + ","
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    again, problems = read_plan(kept, plan.settings)
    assert again is None
    assert str(problems[0]) == (
        "plan/balls.csv, row 2, column hold_h: hold_h is empty. Only a spare ball has no hold."
    )


def test_a_missing_file_is_named(plan, kept):
    (kept / "plan/batches.csv").unlink()
    again, problems = read_plan(kept, plan.settings)
    assert again is None
    assert str(problems[0]) == (
        "plan/batches.csv: is missing, but other files of the kept plan are there. Bring it back."
    )


def test_another_plan_replaces_one_without_records(kitchen, kept):
    other = build_plan(kitchen, seed=99)
    assert write_plan(other, kept) == list(FILES)
    assert read_plan(kept, kitchen)[0] == other


@pytest.mark.parametrize("name", RECORDS)
def test_another_plan_is_refused_once_there_are_records(kitchen, kept, name):
    path = kept / TABLES[name].path
    path.parent.mkdir(exist_ok=True)
    path.write_text("entry_id\n1\n", encoding="utf-8")
    before = {f: (kept / f).read_bytes() for f in FILES}
    with pytest.raises(PlanError) as error:
        write_plan(build_plan(kitchen, seed=99), kept)
    assert str(error.value) == (
        f"A plan is kept already and {TABLES[name].path} holds records made under it. It stays as "
        "it is: change it back, or start a new trial folder for the new plan."
    )
    assert {f: (kept / f).read_bytes() for f in FILES} == before


def test_the_same_plan_may_be_kept_again_with_records(kitchen, kept):
    (kept / "record").mkdir()
    (kept / "record/mixes.csv").write_text("entry_id\n1\n", encoding="utf-8")
    assert write_plan(build_plan(kitchen), kept) == []


def test_reading_a_plan_loads_no_numbers(kept, plan):
    """Quick commands read plans: no numpy, pandas or scipy behind read_plan."""
    import subprocess
    import sys

    code = (
        "import sys\nfrom doughlab.plan import read_plan, build_plan, write_plan\n"
        "from doughlab.plan.plan import Plan\n"
        "print([m for m in ('numpy', 'pandas', 'scipy', 'formulaic') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert isinstance(plan, Plan)
