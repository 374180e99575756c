"""The settled recipe: what decide recommends, with its evidence, read back as written."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

import doughlab as dl
from doughlab.daily.advice import order_trays
from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import (
    example_recipe,
    parse_recipe,
    read_recipe,
    recipe_text,
    write_recipe,
)
from doughlab.daily.settle import build_recipe, data_fingerprint
from doughlab.daily.standing import find_standing
from doughlab.errors import InputError


def test_the_demo_is_settled_on_what_decide_recommends(shop, capsys):
    from doughlab.cli import main

    command = ["daily", str(shop), "--settle", "--by", "Mo", "--expires", "2027-03-01",
               "--expires-when", "another yeast"]  # fmt: skip
    assert main([*command, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    trial = dl.Trial.open(shop)
    decision = dl.decide(trial)
    recipe = read_recipe(shop)
    assert recipe.setting == decision.recommended == facts["setting"]
    row = decision.row_of(decision.recommended)
    assert recipe.expected == pytest.approx(row["estimate"])
    assert (recipe.expected_low, recipe.expected_high) == pytest.approx(
        (row["ci_low"], row["ci_high"])
    )
    assert recipe.single_sd == pytest.approx(row["sd"])
    at_holds = [recipe.at(h) for h in (24.0, 48.0, 72.0)]
    assert at_holds == pytest.approx(decision.at_holds()["estimate"].tolist())
    # every day and decide have one curve: the same hour of entering, the same mean at each hour
    assert recipe.hours_at(5.75) == pytest.approx(decision.hours.opens.value, abs=0.2)
    known = np.interp([30.0, 45.0, 60.0], decision.hours.hours, decision.hours.mean)
    assert [recipe.at(h) for h in (30.0, 45.0, 60.0)] == pytest.approx(known, abs=0.002)
    assert (recipe.low, recipe.high, recipe.hold_h) == (5.35, 5.75, 48.0)
    hold = next(x for x in recipe.levers if x.unit == "h")
    ends = recipe.curve[-1] - recipe.curve[0]
    assert hold.slope == pytest.approx(ends / 48.0) and hold.low < hold.slope < hold.high < 0
    assert recipe.settled_by == "Mo" and recipe.expires_when[-1] == "another yeast"
    assert recipe.data == data_fingerprint(trial.records)
    assert recipe.version == dl.__version__
    # a second time only with a reason; the earlier file stays beside the new one
    assert main(command) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab daily: daily/settled.toml is there already; it is changed on purpose only. Say "
        "why: --settle --by NAME --reason TEXT (the earlier file is kept)."
    )


def test_the_fingerprint_moves_with_one_value(shop):
    trial = dl.Trial.open(shop)
    before = data_fingerprint(trial.records)
    path = shop / "record" / "readings.csv"
    path.write_text(path.read_text("utf-8").replace(",5.81,", ",5.82,", 1), "utf-8")
    assert data_fingerprint(dl.Trial.open(shop).records) != before


def test_a_recipe_is_read_back_as_it_was_written():
    recipe = example_recipe(setting={"water": 'the "blue" tap', "hold": "48"}, curve=(5.8, 5.6, 5))
    assert parse_recipe(recipe_text(recipe)) == recipe


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("format = 1", "format = 9", "it is of format 9, newer than 1: update doughlab"),
        ("format = 1", "format = 0", "format must be 1, found 0"),
        ("low = 5.35", "low = 6.0", "low must lie under high"),
        ("low = 5.35", 'low = "x"', "'low' is not what belongs there: 'x'"),
        ("hold_h = 48.0\n", "", "'hold_h' is missing"),
        ("cooler_c = 3.6\n", "", "[usual] needs exactly room_low_c, room_high_c, room_c, "
         "cooler_c, dough_c, before_h, bench_h, warm_h"),
    ],
)  # fmt: skip
def test_an_edited_recipe_says_what_is_wrong(kept, old, new, words):
    path = kept / "daily" / "settled.toml"
    path.write_text(path.read_text("utf-8").replace(old, new, 1), "utf-8")
    with pytest.raises(InputError) as found:
        read_recipe(kept)
    assert str(found.value) == (
        f"daily/settled.toml cannot be read: {words}. Bring it back from a copy, or settle anew: "
        "doughlab daily --settle --reason TEXT."
    )


def test_a_recipe_settled_anew_keeps_the_earlier_file(kept):
    anew = replace(example_recipe(), reason="new cooler", expected=5.6)
    written = write_recipe(kept, anew, now=datetime(2026, 5, 1, tzinfo=UTC))
    assert written == ["daily/settled.toml", "daily/settled-until-20260501T000000.toml"]
    assert read_recipe(kept).expected == 5.6
    assert parse_recipe((kept / written[1]).read_text("utf-8")).expected == 5.56


def test_another_setting_says_since_when_it_is_in_force(kept):
    """Lots of the setting before it are no points of its chart, and their trays get no hours."""
    first = read_recipe(kept)
    assert first.since == ""
    same = replace(first, reason="spring", settled_at="2026-05-01")
    write_recipe(kept, same, now=datetime(2026, 5, 1, tzinfo=UTC))
    assert read_recipe(kept).since == ""
    other = {**first.setting, "water": "bottled"}
    anew = replace(same, reason="new water", setting=other, settled_at="2026-06-01")
    write_recipe(kept, anew, now=datetime(2026, 6, 1, tzinfo=UTC))
    recipe = read_recipe(kept)
    assert recipe.since == "2026-06-01"
    later = replace(recipe, reason="summer", settled_at="2026-07-01")
    write_recipe(kept, later, now=datetime(2026, 7, 1, tzinfo=UTC))
    assert read_recipe(kept).since == "2026-06-01"


def test_lots_and_limits_of_an_earlier_setting_are_left_out(plant):
    recipe = example_recipe(settled_at="2026-04-10", since="2026-04-10")
    old, new = (datetime(2026, 4, d, 9, tzinfo=UTC) for d in (11, 12))
    rows = [plant.reading_row("L1", old, 6.2), plant.reading_row("L2", new, 5.6)]
    own = {"at": datetime(2026, 4, 9, tzinfo=UTC), "centre": 0.3, "sd": 0.01, "n": 12,
           "room_slope": None, "room_ref_c": None, "ball_sd": None}  # fmt: skip
    records = DailyRecords({}, rows, [own])
    standing = find_standing(recipe, records)
    assert [p.lot for p in standing.points] == ["L2"]  # L1 was balled on the 9th
    assert standing.chart.limits.how == "the settled recipe"
    assert find_standing(replace(recipe, settled_at="2026-04-01"), records).chart.limits.n == 12
    lots = {"L1": plant.lot_row("L1", old - timedelta(hours=49), left=3, trays=3)}
    (tray,) = order_trays(recipe, DailyRecords(lots), at=old)
    assert tray.state == "earlier"
    assert tray.words == (
        "L1 (48 h, 3 trays): mixed before this setting was settled, no hours; read a ball first"
    )


def test_a_hold_that_cannot_be_told_is_no_point_of_the_curve(kitchen):
    """One ball only was read at 72 h: the means of most settings there cannot be told."""
    trial = kitchen.invent(kitchen.WATERS_PH + "\n[window]\nlow = 5.35\nhigh = 5.75\n",
                           kitchen.usual_truth)  # fmt: skip
    of = {b["batch_id"]: b["water"] for b in trial.frozen_plan.batches}
    late = {b["ball_id"]: of[b["batch_id"]] for b in trial.frozen_plan.balls if b["hold_h"] == 72}
    kept = next(ball for ball, water in late.items() if water == "reverse osmosis")
    few = [r for r in trial.records.readings if r["ball_id"] == kept or r["ball_id"] not in late]
    recipe = build_recipe(trial.with_readings(few), by="Mo", version="0",
                          now=datetime(2026, 5, 1, tzinfo=UTC))  # fmt: skip
    assert (recipe.holds_h[0], recipe.holds_h[-1]) == (24.0, 48.0)
    assert np.isfinite(recipe.curve).all() and recipe.at(60.0) is None
    assert parse_recipe(recipe_text(recipe)) == recipe


def test_an_expired_recipe_says_so():
    recipe = example_recipe(expires_on="2026-06-01")
    assert recipe.expired(date(2026, 6, 1)) == ""
    assert recipe.expired(date(2026, 6, 2)) == (
        "The recipe was settled until 2026-06-01: look whether it still holds, then settle it anew "
        "(--settle --reason)."
    )


def test_nothing_is_settled_without_a_name(shop, daily):
    assert daily(shop, "--settle") == (
        1,
        "doughlab daily: Say who settles it: --settle --by NAME. The name stays in the file.",
    )
    assert not (shop / "daily").exists()


def test_a_trial_without_a_recommendation_settles_nothing(shop, daily):
    for name in ("readings", "scores", "bakes"):
        path = shop / "record" / f"{name}.csv"
        path.write_text(path.read_text("utf-8").split("\n", 1)[0] + "\n", "utf-8")
    code, said = daily(shop, "--settle", "--by", "Mo")
    assert code == 1 and not (shop / "daily").exists()
    assert "no" in said.casefold() and "Traceback" not in said
