"""Warm-up pairs: reserved by the plan, read twice, learned from, and never averaged.

Truths are invented and written here; expected counts follow by hand from the key [warm_up].
"""

import importlib.util
from collections import Counter
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from doughlab.errors import PlanError
from doughlab.plan.plan import build_plan, write_plan
from doughlab.record.due import due, list_needs
from doughlab.record.journal import append
from doughlab.record.records import Records
from doughlab.settings import parse_settings
from doughlab.trial import Trial

spec = importlib.util.spec_from_file_location("made", Path(__file__).with_name("conftest.py"))
assert spec is not None and spec.loader is not None
made = importlib.util.module_from_spec(spec)
spec.loader.exec_module(made)

ASKED = made.TOML + '\n[warm_up]\nrooms = ["bench", "store"]\n'
ROOM_C = {"bench": 24.0, "store": 18.0}
RATE = 0.12  # pH an hour at 20 C, invented


def settings_of(text):
    settings, problems = parse_settings(text)
    assert settings is not None, problems
    return settings


@pytest.fixture(scope="module")
def plan():
    return build_plan(settings_of(ASKED))


def pairs_of(plan):
    return [b for b in plan.balls if b["purpose"] == "pair"]


def test_three_batches_give_one_ball_for_each_room_at_the_hold_of_use(plan):
    pairs = pairs_of(plan)
    assert set(Counter(b["batch_id"] for b in pairs).values()) == {2}
    assert len(pairs) == 6 and {b["hold_h"] for b in pairs} == {48.0}
    days = {b["batch_id"]: b["block"] for b in plan.batches}
    assert len({days[b["batch_id"]] for b in pairs}) == 2  # both mixing days


def test_the_other_balls_of_the_plan_stay_as_they_are(plan):
    plain = build_plan(settings_of(made.TOML))
    keys = ("batch_id", "purpose", "hold_h")
    shape = [Counter(tuple(b[k] for k in keys) for b in p.balls if b["purpose"] != "pair")
             for p in (plan, plain)]  # fmt: skip
    assert shape[0] == shape[1] and plan.batches == plain.batches


def test_each_pair_is_read_at_take_out_and_in_use_in_its_room(plan):
    for first, second in zip(pairs_of(plan)[::2], pairs_of(plan)[1::2], strict=True):
        for ball, room in ((first, "bench"), (second, "store")):
            steps = [r for r in plan.schedule if r["item"] == ball["ball_id"]]
            assert [r["step"] for r in steps] == ["take_out", "read", "read"]
            assert [r["place"] for r in steps] == [ball["place"], room, room]
            assert steps[1]["due_at"] == steps[0]["due_at"]
            assert steps[2]["due_at"] - steps[1]["due_at"] == timedelta(minutes=60)


def test_pairs_survive_the_disk_and_the_same_seed_gives_the_same(plan, tmp_path):
    from doughlab.plan.plan import read_plan

    write_plan(plan, tmp_path)
    again, problems = read_plan(tmp_path, settings_of(ASKED))
    assert problems == [] and again is not None
    assert again.balls == plan.balls and build_plan(settings_of(ASKED)).balls == plan.balls


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ('rooms = ["bench"]', "rooms names 1 place; a warm-up is learned from two places at least "
         '3 °C (5 °F) apart, as rooms = ["bench", "store"].'),
        ('rooms = ["bench", "Bench"]', "rooms names 1 place; a warm-up is learned from two places "
         'at least 3 °C (5 °F) apart, as rooms = ["bench", "store"].'),
        ('rooms = ["bench", "store", "bench"]', "rooms names a place twice; a warm-up is learned "
         'from two places at least 3 °C (5 °F) apart, as rooms = ["bench", "store"].'),
        ('rooms = ["bench", "cold room"]', "'cold room' reads like a cooler. Name a place where "
         "balls warm up."),
    ],
)  # fmt: skip
def test_rooms_that_tell_nothing_are_refused(section, words):
    _, problems = parse_settings(made.TOML + f"\n[warm_up]\n{section}\n")
    assert [p.message for p in problems] == [words]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("warm_min = 60", "warm_min = 10", "warm_min 10 in [kitchen] leaves no warm-up to read. "
         "Give 45 or more, or take [warm_up] away."),
        ("warm_h = 4", "warm_h = 0.5", "warm_min 60 in [kitchen] is more than warm_h 0.5 in "
         "[limits] allows. Shorten it."),
        ('set = "ball"\nkind = "number"\nlevels = [24, 48, 72]\nunit = "h"',
         'set = "ball"\nkind = "category"\nlevels = ["a", "b"]',
         "needs a hold (a ball factor in hours): a ball warms after the cooler."),
    ],
)  # fmt: skip
def test_a_warm_up_that_cannot_be_is_refused(old, new, words):
    _, problems = parse_settings(ASKED.replace(old, new))
    assert words in [p.message for p in problems]


def test_more_batches_than_the_trial_has_are_refused():
    with pytest.raises(PlanError) as raised:
        build_plan(settings_of(ASKED + "batches = 9\n"))
    assert str(raised.value) == (
        "trial.toml: [warm_up] asks for pairs of 9 batches, the trial has 8. Make it longer with "
        "replicates in [blocks]."
    )


def record_all(folder, plan, *, pair_ph=5.0):
    """Every pH ball at 5.60, and pairs that fall by RATE at a pH far from the others."""
    from doughlab.formula.heat import FILMS
    from doughlab.formula.steps import usual_body
    from doughlab.formula.warmup import WARMEST_MODEL, warm_hours

    rng = np.random.default_rng(20260304)
    settings = plan.settings
    rows = {"mixes": [], "readings": [], "notes": [], "temperatures": []}
    balled = {r["item"]: r["due_at"] for r in plan.schedule if r["step"] == "ball"}
    for batch, at in balled.items():
        rows["mixes"].append({"batch_id": batch, "mixed_at": at - timedelta(minutes=45),
                              "balled_at": at, "cooled_at": at})  # fmt: skip
        rows["temperatures"].append({"place": "cooler", "at": at, "temp_c": 4.0})
    slopes = {b: RATE + rng.normal(0, 0.01) for b in balled}
    for step in plan.schedule:
        ball = next((b for b in plan.balls if b["ball_id"] == step["item"]), None)
        if ball is None:
            continue
        about, at = ball["ball_id"], step["due_at"]
        if step["step"] == "take_out":
            rows["notes"].append({"about": about, "at": at, "kind": "pulled"})
        elif step["step"] == "read" and ball["purpose"] == "ph":
            value = 5.60 + rng.normal(0, 0.01)
            rows["readings"].append({"ball_id": about, "read_at": at, "ph": value})
        elif step["step"] == "read":
            room = ROOM_C[step["place"]]
            first = not any(r["ball_id"] == about for r in rows["readings"])
            worth = warm_hours(usual_body(), FILMS["box"], WARMEST_MODEL, cooler_c=4.0,
                               room_c=room, minutes=(0, 60))  # fmt: skip
            fall = 0.0 if first else slopes[ball["batch_id"]] * worth
            rows["readings"].append({"ball_id": about, "read_at": at, "ph": pair_ph - fall})
            rows["temperatures"].append({"place": step["place"], "at": at, "temp_c": room})
    for name, found in rows.items():
        append(folder, settings.table(name), found, now=max(r["due_at"] for r in plan.schedule))


@pytest.fixture(scope="module")
def recorded(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pairs")
    (folder / "trial.toml").write_text(ASKED, encoding="utf-8")
    (folder / "formula.toml").write_text(made.FORMULA, encoding="utf-8")
    (folder / "waters.csv").write_text(made.WATERS, encoding="utf-8")
    write_plan(plan, folder)
    record_all(folder, plan)
    return folder


def test_the_rate_is_learned_with_each_ball_in_its_own_room(recorded, plan):
    """Two rooms at the same hour: only the place tells them apart. Truth 0.12 pH an hour."""
    from doughlab.commands.ripe_facts import collect_facts, find_pairs, fit_trial_warm_up
    from doughlab.record.folder import read_folder

    contents = read_folder(recorded)
    found = find_pairs(contents)
    assert sorted(p.room_c for p in found) == [18.0] * 3 + [24.0] * 3
    ball = next(b["ball_id"] for b in plan.balls if b["purpose"] == "spare")
    at = max(r["due_at"] for r in plan.schedule)
    model = fit_trial_warm_up(contents, collect_facts(contents, ball, at))
    assert model.rooms_c == (18.0, 24.0) and (model.batches, model.pairs) == (3, 6)
    assert model.low < RATE < model.high and model.rate == pytest.approx(RATE, abs=0.02)


def test_no_average_of_the_trial_holds_a_pair(recorded, plan):
    from doughlab.analysis import build_dataset
    from doughlab.commands.ripe_facts import fit_trial_curve
    from doughlab.record.folder import read_folder

    trial = Trial.open(recorded)
    data = build_dataset(trial, "ph")
    pairs = {b["ball_id"] for b in pairs_of(plan)}
    assert not pairs & set(data.frame["ball"])
    assert data.frame["y"].min() > 5.5  # a pair stands near 5.0
    assert (data.planned, data.recorded, data.left_out) == (24, 24, ())
    contents = read_folder(recorded)
    curve = fit_trial_curve(contents, contents.settings.response("ph"))
    assert float(curve.predict([48.0]).value[0]) > 5.5


def test_the_day_asks_for_both_readings(plan):
    ball = pairs_of(plan)[0]["ball_id"]
    steps = [r for r in plan.schedule if r["item"] == ball]
    batch = ball.split("-")[0]
    mix = next(r["due_at"] for r in plan.schedule if r["item"] == batch)
    mixes = [{"batch_id": batch, "mixed_at": mix, "balled_at": mix + timedelta(minutes=45)}]
    out = steps[0]["due_at"]
    note = {"about": ball, "kind": "pulled", "at": out}
    first = [{"ball_id": ball, "ph": 5.8, "read_at": out}] * 2
    late = [{"ball_id": ball, "ph": 5.7, "read_at": steps[2]["due_at"]}] * 2

    def asked(readings, at):
        records = Records.of(mixes=mixes, notes=[note], readings=readings)
        return [(d.due_at, d.words, d.place) for d in due(plan, records, at) if d.item == ball]

    words = "2 readings, on a piece you throw away; warm-up pair"
    both = [(out, words, "bench"), (steps[2]["due_at"], words, "bench")]
    assert asked([], out) == both
    assert asked(first, out) == [(steps[2]["due_at"], words, "bench")]
    assert asked([*first, *late], steps[2]["due_at"]) == []
    records = Records.of(mixes=mixes, notes=[note], readings=first)
    assert list_needs(plan, records, ball) == ["2 of 4 readings"]


def test_a_pair_is_never_baked(recorded, plan, tmp_path):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(recorded, copy)
    ball = pairs_of(plan)[0]["ball_id"]
    append(copy, plan.settings.table("bakes"),
           [{"ball_id": ball, "baked_at": max(r["due_at"] for r in plan.schedule)}])  # fmt: skip
    said = [p.message for p in Trial.open(copy).problems if p.file == "record/bakes.csv"]
    assert (
        f"{ball} is a ball for reading: it is pierced and never baked or served. Take the entry "
        "back, or correct the ball." in said
    )
