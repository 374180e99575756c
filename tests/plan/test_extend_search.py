"""Extending a searched plan: the best batches beside those that were made, against all there are.

The reference is every possible addition, scored with X'X written here by hand (sum-to-zero days,
-1 and 1 for two settings): nothing of the search or of its scores is used.
"""

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from itertools import combinations_with_replacement, product

import numpy as np
import pytest

from doughlab.cli import main
from doughlab.plan.extend import extend_plan, judge_extension, read_wish, write_extension
from doughlab.plan.parts import batches_by_part
from doughlab.plan.plan import build_plan, read_plan, write_plan
from doughlab.settings import parse_settings

NOW = datetime(2026, 6, 20, 12, tzinfo=UTC)
TEXT = """
format = 1
name = "Invented search"
code = "IS"
timezone = "UTC"
seed = {seed}
source = "invented"

[factors.water]
set = "batch"
kind = "category"
levels = ["tap", "well"]

[factors.oil]
set = "batch"
kind = "category"
levels = ["low", "high"]

[factors.salt]
set = "batch"
kind = "category"
levels = ["less", "more"]

[factors.hold]
set = "ball"
kind = "number"
levels = [24, 48]
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1

[assumed.ph]
batch_sd = 0.05
ball_sd = 0.03

[blocks]
kind = "day"
batches_per_day = 4
spares = 1
start_on = "2026-06-01"

[plan]
design = "search"
runs = {runs}
model = "{model}"
"""
CODE = {"tap": -1, "well": 1, "low": -1, "high": 1, "less": -1, "more": 1}


def planned(*, seed=1, runs=6, model="lines", more=""):
    settings, problems = parse_settings(TEXT.format(seed=seed, runs=runs, model=model) + more)
    assert settings is not None, [str(p) for p in problems]
    return build_plan(settings)


def extended(plan, text, **more):
    return extend_plan(plan, read_wish(text), reason="not settled", at=NOW, **more)


def setting(batch):
    return tuple(CODE[batch[name]] for name in ("water", "oil", "salt"))


def efficiency(days, *, pairs):
    """100 |X'X|^(1/p) / n of batches given as a list of days, each a list of settings."""
    rows = []
    for d, runs in enumerate(days):
        day = np.eye(len(days))[d][:-1] if d < len(days) - 1 else -np.ones(len(days) - 1)
        for a, b, c in runs:
            rows.append([1, a, b, c, *([a * b, a * c, b * c] if pairs else []), *day])
    x = np.array(rows, dtype=float)
    sign, log = np.linalg.slogdet(x.T @ x)
    return 100 * float(np.exp(log / x.shape[1])) / len(x) if sign > 0 else 0.0


def by_day(batches):
    days = {}
    for b in batches:
        days.setdefault(b["block"], []).append(setting(b))
    return list(days.values())


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("model", "runs", "more"), [("lines", 6, 2), ("lines", 7, 3), ("pairs", 9, 3)]
)
def test_the_new_batches_are_the_best_of_all(seed, model, runs, more):
    plan = planned(seed=seed, runs=runs, model=model)
    new = extended(plan, str(more))
    made = by_day(plan.batches)
    every = combinations_with_replacement(list(product((-1, 1), repeat=3)), more)
    best = max(efficiency([*made, list(day)], pairs=model == "pairs") for day in every)
    found = efficiency(by_day(new.batches), pairs=model == "pairs")
    assert found == pytest.approx(best, rel=1e-9)
    told = judge_extension(plan, new, read_wish(str(more)))
    assert told.after == pytest.approx(found, rel=1e-6)
    assert told.before == pytest.approx(efficiency(made, pairs=model == "pairs"), rel=1e-6)
    assert told.copied <= told.after * (1 + 1e-9)


@pytest.mark.parametrize("wish", ["4", "6", "2 days", "1 replicate"])
def test_it_is_never_worse_than_copies(wish):
    plan = planned(seed=5, runs=10, model="pairs")
    told = judge_extension(plan, extended(plan, wish), read_wish(wish))
    assert told.after >= told.copied * (1 - 1e-9)


def test_what_was_made_stays_byte_for_byte_and_sealed(tmp_path):
    plan = planned(runs=8, model="pairs")
    write_plan(plan, tmp_path)
    kept, problems = read_plan(tmp_path, plan.settings)
    names = ("batches.csv", "balls.csv", "schedule.csv")
    before = {n: (tmp_path / "plan" / n).read_bytes() for n in names}
    new = extended(kept, "5")
    write_extension(new, tmp_path)
    again, problems = read_plan(tmp_path, plan.settings)
    assert problems == []
    assert all((tmp_path / "plan" / n).read_bytes().startswith(before[n]) for n in names)
    assert again.batches[:8] == plan.batches and again.balls[: len(plan.balls)] == plan.balls
    assert [len(ids) for ids in batches_by_part(again)] == [8, 5]
    assert [b["batch_id"] for b in again.batches] == [f"B{i:02d}" for i in range(1, 14)]
    added = again.batches[8:]
    assert Counter(b["block"] for b in added) in ({"D3": 3, "D4": 2}, {"D3": 2, "D4": 3})
    kinds = Counter((b["purpose"], b["hold_h"]) for b in again.balls if b["batch_id"] == "B09")
    assert kinds == {("ph", 24.0): 1, ("ph", 48.0): 1, ("spare", None): 1}
    path = tmp_path / "plan" / "batches.csv"
    path.write_text(path.read_text().replace("B10,D3", "B10,D4", 1))
    assert "part 2" in read_plan(tmp_path, plan.settings)[1][0].message


def test_forbidden_combinations_are_not_made_later_either():
    plan = planned(runs=8, more='\n[[forbidden]]\nwater = "well"\noil = "high"\n')
    new = extended(plan, "6")
    assert not any(b["water"] == "well" and b["oil"] == "high" for b in new.batches)


def test_searched_balls_are_searched_on():
    """Two of three holds in each batch: six batches more hold each pair of them twice."""
    text = TEXT.replace("[24, 48]", "[24, 48, 72]").format(seed=1, runs=6, model="lines")
    settings, problems = parse_settings(text + "balls = 2\n")
    assert problems == []
    plan = build_plan(settings)
    new = extended(plan, "6")
    held = {}
    for ball in new.balls:
        if ball["purpose"] == "ph":
            held.setdefault(ball["batch_id"], set()).add(ball["hold_h"])
    assert {len(h) for h in held.values()} == {2}
    added = Counter(tuple(sorted(held[b["batch_id"]])) for b in new.batches[6:])
    assert added == {(24.0, 48.0): 2, (24.0, 72.0): 2, (48.0, 72.0): 2}


def test_one_ball_setting_for_each_batch_is_refused():
    """Then the hold would be set per batch: nothing is passed over in silence."""
    _, problems = parse_settings(TEXT.format(seed=1, runs=6, model="lines") + "balls = 1\n")
    assert problems[0].message == "balls 1 lies outside 2 to 50."


def test_the_same_seed_finds_the_same_batches():
    plan = planned()
    assert extended(plan, "4") == extended(plan, "4")


def test_other_plans_are_copied_and_say_nothing_of_a_search(kitchen):
    plan = build_plan(replace(kitchen, seed=1))
    new = extend_plan(plan, read_wish("6"), reason="x", at=NOW)
    assert judge_extension(plan, new, read_wish("6")) is None


def test_the_command_says_what_it_tells_before_and_after(tmp_path, capsys):
    (tmp_path / "trial.toml").write_text(TEXT.format(seed=1, runs=6, model="lines"))
    assert main(["plan", str(tmp_path), "--keep"]) == 0
    capsys.readouterr()
    assert main(["plan", str(tmp_path), "--extend", "4", "--reason", "open"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert (
        "The new batches are the best that the search finds beside those already planned: "
        "D-efficiency "
    ) in said
    assert "% so far, " in said and "had they copied batches that are there)." in said
