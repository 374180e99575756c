"""Confirm: ranges before the batches, a folder with a sealed plan, and the verdict on what came."""

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from doughlab.cli import main
from doughlab.confirming import Confirm
from doughlab.decision import confirm_folder, decide
from doughlab.decision.chance import build_predictor
from doughlab.decision.confirm import (
    adapt_ranges,
    build_ranges,
    make_confirm,
    most_outside,
    spread_batches,
)
from doughlab.decision.confirm_folder import fingerprint, write_confirmation, write_toml
from doughlab.decision.confirmed import judge_confirmation
from doughlab.errors import InputError, NotEstimable, PlanError
from doughlab.settings import parse_settings
from doughlab.trial import Trial

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
KNOWN = {"mean_df": 1e6, "batch_df": 1e6, "ball_df": 1e6}


# ranges, from the algebra of normal and t values


def test_batches_that_share_nothing_have_the_range_of_independent_values():
    """Sidak: m independent normals all inside with 0.95 where each is with 0.95 ** (1 / m)."""
    parts = Confirm(estimate=5.5, batch_sd=0.05, **KNOWN)
    found = build_ranges(parts, [("D1", 1)] * 4)
    half = 0.05 * stats.norm.ppf(0.5 + 0.5 * 0.95**0.25)
    assert found.batches[0][1] - 5.5 == pytest.approx(half, rel=0.01)
    assert found.mean[1] - 5.5 == pytest.approx(1.959964 * 0.05 / 2, rel=1e-4)


def test_batches_that_share_everything_have_the_range_of_one():
    parts = Confirm(estimate=5.5, estimate_sd=0.05, mean_df=9, batch_df=9, ball_df=9)
    found = build_ranges(parts, [("D1", 2)] * 4)
    one = 0.05 * stats.t.ppf(0.975, 9)
    for low, high in (found.mean, *found.batches, found.ball):
        assert (high - low) / 2 == pytest.approx(one, rel=0.01)


def test_the_largest_of_correlated_t_values_agrees_with_numerical_integration():
    """`simultaneous_critical` integrates the same law; it is checked against Dunnett's tables."""
    from doughlab.stats.multiplicity import simultaneous_critical

    parts = Confirm(estimate=5.5, estimate_sd=0.03, batch_sd=0.04, mean_df=11, batch_df=11,
                    ball_df=11)  # fmt: skip
    found = build_ranges(parts, [("D1", 1)] * 3)
    shared = 0.03**2 / (0.03**2 + 0.04**2)
    corr = np.full((3, 3), shared) + (1 - shared) * np.eye(3)
    half = float(simultaneous_critical(0.95, corr, 11)) * 0.05
    assert found.batches[0][1] - 5.5 == pytest.approx(half, rel=0.01)


def test_one_ball_needs_more_room_than_a_batch_and_a_batch_more_than_the_mean():
    parts = Confirm(estimate=5.5, estimate_sd=0.02, day_sd=0.03, batch_sd=0.04, ball_sd=0.03,
                    mean_df=20, batch_df=20, ball_df=20)  # fmt: skip
    found = build_ranges(parts, spread_batches(4, 2, 2))
    halves = [found.mean[1], found.batches[0][1], found.ball[1]]
    assert halves == sorted(halves)
    assert 0.85 < found.together < 0.95


def test_a_written_range_is_kept_for_what_was_planned_and_stretched_for_less():
    parts = Confirm(estimate=5.5, batch_sd=0.05, ball_sd=0.03, mean_low=5.40, mean_high=5.60,
                    batch_low=5.3, batch_high=5.7, ball_low=5.2, ball_high=5.8,
                    balls=2, **KNOWN)  # fmt: skip
    same = adapt_ranges(parts, spread_batches(4, 2, 2))
    assert same.mean == pytest.approx((5.40, 5.60))
    assert same.ball == pytest.approx((5.2, 5.8))
    less = adapt_ranges(parts, [("D1", 2), ("D2", 1)])
    # by hand: variances of the mean 0.05²/4 + 0.03²/8 and 0.05²/2 + 0.03² (1/2 + 1) / 4
    ratio = np.sqrt((0.05**2 / 2 + 0.03**2 * 1.5 / 4) / (0.05**2 / 4 + 0.03**2 / 8))
    assert less.mean[1] - 5.5 == pytest.approx(0.10 * ratio, rel=1e-3)
    assert less.batches[1][1] > less.batches[0][1]  # one ball tells its batch less


def test_balls_that_share_nothing_leave_the_window_as_a_binomial_law_has_it():
    """scipy.stats.binom: eight balls, each outside by the normal law."""
    parts = Confirm(estimate=5.5, ball_sd=0.1, **KNOWN)
    for window in ((5.3, 5.7), (5.4, 5.6), (5.0, 6.0), (5.45, 9.0)):
        each = stats.norm.cdf(window[0], 5.5, 0.1) + stats.norm.sf(window[1], 5.5, 0.1)
        found = most_outside(parts, spread_batches(4, 2, 2), window)
        assert found == stats.binom.ppf(0.95, 8, each)


def test_balls_that_share_everything_leave_the_window_together_or_not_at_all():
    """Each outside with 0.046 (two standard deviations): 95 of 100 times none, else all eight."""
    parts = Confirm(estimate=5.5, estimate_sd=0.1, **KNOWN)
    assert most_outside(parts, spread_batches(4, 2, 2), (5.3, 5.7)) == 0
    assert most_outside(parts, spread_batches(4, 2, 2), (5.35, 5.65)) == 8  # 0.13 each


def test_one_calibration_adds_what_two_differ_by(ph):
    setting = {"water": "tap", "mixing_water": "64 F", "hold": "48"}
    predictor = build_predictor(ph)
    many, one = (make_confirm(predictor, setting, batches=4, days=2, balls=2, calibrations=n)
                 for n in (9, 1))  # fmt: skip
    assert (many.meter_sd, one.meter_sd) == (0.0, 0.016)
    assert one.mean_high - one.mean_low > many.mean_high - many.mean_low


# the folder


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("confirm") / "check"
    trial = Trial.open(DEMO)
    return trial, write_confirmation(trial, folder, start_on="2026-05-04")


def test_the_folder_holds_one_setting_with_its_plan_kept(written):
    trial, found = written
    assert set(found.files) == {
        "trial.toml", "waters.csv", "formula.toml", "plan/batches.csv", "plan/balls.csv",
        "plan/schedule.csv", "plan/plan.lock",
    }  # fmt: skip
    made = Trial.open(found.folder)
    assert made.problems == []
    assert made.settings.confirm.of == trial.settings.name
    assert made.settings.confirm.made_from == fingerprint(trial)
    assert all(len(f.levels) == 1 for f in made.settings.factors.values())
    assert len(made.plan) == 4 and made.plan["block"].nunique() == 2
    sizes = made.balls.groupby("batch_id").size()
    assert set(sizes) == {7}  # as large as the batches of the first trial
    assert (made.balls["purpose"] == "ph").sum() == 8
    promised = json.loads((found.folder / "plan/plan.lock").read_text())["promised"]["confirm"]
    assert promised["mean_low"] == made.settings.confirm.mean_low


def test_a_trial_of_one_level_is_refused_without_a_section_that_confirms():
    text = (
        'format = 1\nname = "x"\ncode = "XX"\n[factors.water]\nset = "batch"\nkind = "water"\n'
        'levels = ["tap"]\n'
    )
    _, problems = parse_settings(text)
    assert problems[0].message == ("factor 'water' has 1 level. Give two or more to compare.")


def test_what_does_not_fit_is_refused_with_what_would(written, tmp_path):
    trial, found = written
    with pytest.raises(InputError) as full:
        write_confirmation(trial, found.folder)
    assert str(full.value) == (
        f"{found.folder} is there already and not empty. Nothing is overwritten: name a new folder."
    )
    with pytest.raises(InputError, match="--days is 5; it lies from 1 to 4"):
        write_confirmation(trial, tmp_path / "a", days=5)
    with pytest.raises(InputError, match="--batches is 1; it lies from 2 to 60"):
        write_confirmation(trial, tmp_path / "a", batches=1)
    with pytest.raises(InputError) as day:
        write_confirmation(trial, tmp_path / "a", start_on="Monday")
    assert str(day.value) == "--start-on 'Monday' is no date. Write it as 2026-05-04."
    assert not (tmp_path / "a").exists()


def test_toml_is_read_back_as_it_was_written():
    import tomllib

    data = {"name": 'a "b" \\ c', "n": 1.5, "on": True, "many": [1, 2], "s": {"k": 1},
            "deep": {"one": {"x": "y"}}}  # fmt: skip
    assert tomllib.loads(write_toml(data)) == data


# the verdict


def records(trial, values, *, instrument="bench meter", skip=()):
    """Readings of every pH ball: values by batch, balls 0.02 either side of it."""
    from doughlab.record.records import Records

    rows, mixes = [], []
    due = {r["item"]: r["due_at"] for r in trial.frozen_plan.schedule if r["step"] == "read"}
    for batch in trial.frozen_plan.batches:
        at = next(r["due_at"] for r in trial.frozen_plan.schedule
                  if r["step"] == "mix" and r["item"] == batch["batch_id"])  # fmt: skip
        mixes.append({"batch_id": batch["batch_id"], "mixed_at": at,
                      "balled_at": at + timedelta(minutes=50), "dough_temp_c": 22.0,
                      "cooled_at": at + timedelta(minutes=60)})  # fmt: skip
        own = [b for b in trial.frozen_plan.balls
               if b["batch_id"] == batch["batch_id"] and b["purpose"] == "ph"]  # fmt: skip
        for ball, step in zip(own, (-0.02, 0.02), strict=True):
            if ball["ball_id"] not in skip:
                name = ball["ball_id"]
                rows.append({"entry_id": name, "ball_id": name, "read_at": due[name],
                             "ph": values[batch["batch_id"]] + step, "method": "slurry",
                             "instrument": instrument})  # fmt: skip
    return Records.of(mixes=mixes, readings=rows)


@pytest.fixture(scope="module")
def made(written):
    return Trial.open(written[1].folder)


def with_records(made, found):
    return replace(made, contents=replace(made.contents, records=found))


GOOD = {"B01": 5.55, "B02": 5.56, "B03": 5.54, "B04": 5.57}


def test_nothing_read_is_not_yet(made):
    verdict = judge_confirmation(made)
    assert verdict.verdict == "not yet"
    assert verdict.sentences == (
        "Not yet: nothing is read. To confirm: tap, mixing water 64 F, hydration 65 %, hold 48 h "
        "(recommended by: Lantern Quay: which water for the new building?).",
    )


def test_values_inside_confirm(made):
    verdict = judge_confirmation(with_records(made, records(made, GOOD)))
    c = verdict.confirm
    assert verdict.verdict == "confirmed"
    assert verdict.mean.value == pytest.approx(5.555)
    assert verdict.sentences[1] == (
        f"pH, mean of 4 batches: 5.55, inside {c.mean_low:.2f} to {c.mean_high:.2f}."
    ) or verdict.sentences[1].startswith("pH, mean of 4 batches: 5.56, inside ")
    assert verdict.sentences[2] == (
        f"All 4 batches lie inside {c.batch_low:.2f} to {c.batch_high:.2f} (a range for all of "
        "them at once)."
    )
    assert verdict.look_at == () and not verdict.adapted


def test_balls_outside_the_window_are_named_though_their_range_holds_them(made):
    """The range of balls is wider than the window, so they confirm the trial, not the use."""
    verdict = judge_confirmation(with_records(made, records(made, GOOD | {"B04": 5.75})))
    low, high = made.settings.window.low, made.settings.window.high
    assert verdict.verdict == "confirmed" and verdict.confirm.ball_high > high
    out = [h.what for h in verdict.balls if not low <= h.value <= high]
    assert [h.what for h in verdict.outside_window] == out and len(out) == 1
    assert ("Mean, batches and balls lie inside their ranges, but 1 of 8 balls lies outside the "
            "window.") in verdict.sentences[0]  # fmt: skip
    assert (f"Outside the window 5.35 to 5.75: {out[0]} 5.77; by the first trial up to "
            f"{verdict.most_outside} of 8 may (95 of 100).") in verdict.sentences  # fmt: skip
    many = replace(verdict, most_outside=0)
    assert any(s.endswith("by the first trial none should (95 of 100), so these are too many.")
               for s in many.sentences)  # fmt: skip
    none = replace(verdict, window=None)
    assert none.outside_window == () and "window" not in none.text()


def test_a_mean_outside_says_by_how_much_and_what_all_share(made):
    high = {k: v + 0.3 for k, v in GOOD.items()}
    verdict = judge_confirmation(with_records(made, records(made, high)))
    assert verdict.verdict == "not confirmed"
    assert verdict.mean.beyond == pytest.approx(5.855 - verdict.confirm.mean_high)
    assert " over " in verdict.sentences[1]
    assert verdict.look_at == (
        "what all batches share: the meter and its buffers, the water as it comes now, the flour "
        "lot, the cooler.",
    )


def test_one_batch_outside_is_named_with_its_mix(made):
    found = records(made, GOOD | {"B03": 5.10})
    mixes = [dict(m) for m in found.mixes]
    for m in mixes:
        m["dough_temp_c"] = 26.0 if m["batch_id"] == "B03" else 22.0
    from doughlab.record.records import Records

    verdict = judge_confirmation(with_records(
        made, Records.of(mixes=mixes, readings=list(found.readings))))  # fmt: skip
    assert [h.what for h in verdict.batches if h.beyond] == ["B03"]
    assert verdict.look_at == (
        "batch B03: its weights, its water and its temperatures. Beside the others: dough 7 F "
        "warmer.",
    )


def test_the_batches_of_one_day_outside_point_at_the_day(made):
    verdict = judge_confirmation(with_records(
        made, records(made, GOOD | {"B03": 5.15, "B04": 5.16})))  # fmt: skip
    assert verdict.look_at == (
        "what the batches of D2 share: that day's room, its meter calibration, its place in the "
        "cooler.",
    )


def test_a_ball_still_due_is_not_yet_and_a_lost_one_adapts_the_ranges(made):
    found = records(made, GOOD, skip={"B04-1", "B04-2", "B01-1"} & {
        b["ball_id"] for b in made.frozen_plan.balls if b["purpose"] == "ph"})  # fmt: skip
    due = judge_confirmation(with_records(made, found))
    assert due.verdict == "not yet"
    lost = sorted(due.missing)
    at = found.readings[0]["read_at"]
    from doughlab.record.records import Records

    notes = [{"about": b, "at": at, "kind": "lost", "note": "dropped"} for b in lost]
    verdict = judge_confirmation(with_records(made, Records.of(
        mixes=list(found.mixes), readings=list(found.readings), notes=notes)))  # fmt: skip
    assert verdict.verdict == "confirmed"
    assert verdict.adapted and set(verdict.lost) == set(lost)
    c = verdict.confirm
    assert verdict.mean.high - verdict.mean.low > c.mean_high - c.mean_low
    assert verdict.sentences[-1] == (
        f"Written down for 4 batches of 2 balls: mean {c.mean_low:.2f} to {c.mean_high:.2f}; for "
        "what came the ranges are made by the same rule."
    )


def test_another_meter_is_said_and_looked_at_first(made):
    found = records(made, {k: v + 0.3 for k, v in GOOD.items()}, instrument="new meter")
    verdict = judge_confirmation(with_records(made, found))
    assert verdict.look_at == ("the meter: it is another one, and all readings share it.",)
    assert verdict.notes[0] == (
        "Read with new meter; the first trial was read with bench meter. How two meters differ is "
        "not in the ranges: read one ball with both before trusting either."
    )


def test_a_range_changed_after_the_plan_is_said_with_every_result(written, tmp_path):
    import shutil

    folder = tmp_path / "moved"
    shutil.copytree(written[1].folder, folder)
    text = (folder / "trial.toml").read_text()
    c = written[1].confirm
    (folder / "trial.toml").write_text(
        text.replace(f"mean_low = {c.mean_low!r}", "mean_low = 5.0"))  # fmt: skip
    changed = Trial.open(folder)
    verdict = judge_confirmation(with_records(changed, records(changed, GOOD)))
    assert verdict.changed
    assert verdict.sentences[0].startswith(
        "Mind: changed after the plan: what was to be confirmed, 'mean_low' was ")  # fmt: skip
    assert verdict.sentences[0].endswith("is 5.")


def test_a_trial_that_confirms_nothing_says_how_to_write_one(windowed_ph):
    with pytest.raises(PlanError) as error:
        judge_confirmation(windowed_ph)
    assert str(error.value) == (
        "This trial confirms nothing: trial.toml has no [confirm]. Write a confirming trial: "
        "doughlab decide --confirm NEWFOLDER"
    )


def test_a_trial_that_recommends_nothing_has_nothing_to_confirm(written, tmp_path, monkeypatch):
    none = SimpleNamespace(recommended={}, early=None,
                           window=SimpleNamespace(sentence="No band is given."))  # fmt: skip
    monkeypatch.setattr(confirm_folder, "analyse_all", lambda _: {})
    monkeypatch.setattr(confirm_folder, "decide", lambda *_, **__: none)
    with pytest.raises(NotEstimable) as error:
        write_confirmation(written[0], tmp_path / "a")
    assert str(error.value) == (
        "There is nothing to confirm yet: no setting is recommended. No band is given."
    )


def test_decide_gives_the_verdict_of_a_confirming_trial(made):
    found = decide(with_records(made, records(made, GOOD)))
    assert found.confirmed.verdict == "confirmed"
    assert found.ahead is None and found.recommended == {}
    assert found.text().startswith("Confirmed: tap, mixing water 64 F")
    mean = found.confirmed.mean
    # by algebra: errors lie evenly about none, so a shift by half the width is outside 1 in 2
    half = (mean.high - mean.low) / 2
    assert found.confirmed.sentences[0].endswith(
        f"That a mean is off by {half:.2f} they would show about every second time only."
    )


def test_the_command_writes_and_judges(written, capsys, monkeypatch):
    found = written[1]
    asked = {}

    def write(_, folder, **given):
        asked.update(given, folder=folder)
        return found

    monkeypatch.setattr(confirm_folder, "write_confirmation", write)
    assert main(["decide", str(DEMO), "--confirm", "check", "--batches", "3", "--balls", "1"]) == 0
    assert asked == {"folder": "check", "batches": 3, "balls": 1}
    out = capsys.readouterr().out
    assert "Written down before the batches, pH: mean of 4 batches " in out
    assert "wrote check/plan/plan.lock" in out
    flat = " ".join(out.split())
    assert f"Up to {found.outside} of the 8 balls may lie outside the window" in flat
    assert "Of each batch 2 balls are read; the other 5 make it as large as a batch of" in flat
    folder = str(found.folder)
    assert main(["decide", folder]) == 0
    assert "Not yet: nothing is read." in capsys.readouterr().out
    assert main(["analyse", folder, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "not yet"
    assert main(["plan", folder]) == 0
    assert "It compares nothing: it confirms one setting" in capsys.readouterr().out
    assert main(["decide", folder, "--balls", "1"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab decide: --balls goes with --confirm: name the new folder, as --confirm "
        "trials/harbour-check."
    )
