"""The overview: states, next steps, verdicts, and what several trials say together."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from doughlab.analysis.experience import compare_over_trials, over_two, pool_spreads
from doughlab.cli import main
from doughlab.plan.spreads import Spread, Spreads
from doughlab.report.overview import gather_experience, look_over, read_settled
from doughlab.trial import Trial

from .conftest import renew_ids

LATER = datetime(2026, 4, 1, 10, tzinfo=UTC)


@pytest.fixture(scope="module")
def line(demo):
    return look_over(demo, at=LATER)


def test_an_answered_trial_shows_every_primary_verdict_and_no_other(line, analyses):
    assert line.state == "answered"
    primary = {(a.response.words, c.words, c.verdict) for a in analyses.values()
               for x in a.answers if x.primary for c in x.comparisons}  # fmt: skip
    shown = {(v.response, v.difference.partition(" at ")[0], v.verdict) for v in line.verdicts}
    assert shown == primary and primary
    assert all(v.verdict in v.number for v in line.verdicts)


def test_days_since_the_last_record_are_those_of_the_calendar(line, demo):
    assert line.days_since == (LATER.date() - demo.records.last_at.date()).days


def test_states_follow_plan_and_records(unplanned, planned, tiny):
    assert look_over(unplanned, at=LATER).state == "no plan"
    assert look_over(tiny, at=LATER).state == "interim"


def test_a_planned_trial_names_its_first_mix_before_and_on_the_day(planned):
    first = min(planned.frozen_plan.schedule, key=lambda row: row["due_at"])
    for at in (first["due_at"] - timedelta(days=40), first["due_at"] - timedelta(hours=1)):
        seen = look_over(planned, at=at)
        assert (seen.state, seen.late) == ("planned", 0)
        assert (seen.next_due.step, seen.next_due.item) == (first["step"], first["item"])
        assert seen.next_due.due_at == first["due_at"]
    late = look_over(planned, at=first["due_at"] + timedelta(days=90))
    assert late.late > 0 and late.next_due.when == "missing"


def test_records_that_tell_nothing_yet_are_running(planned):
    from doughlab.record.journal import append

    mix = {"batch_id": planned.frozen_plan.batches[0]["batch_id"], "entry_id": "m1",
           "mixed_at": datetime(2026, 3, 2, 9, tzinfo=UTC)}  # fmt: skip
    append(planned.folder, planned.settings.table("mixes"), [mix], now=LATER)
    assert look_over(Trial.open(planned.folder), at=LATER).state == "running"


def test_the_same_trial_twice_halves_the_variance_and_moves_nothing(analyses):
    """Identity: two equal estimates have that mean, no spread between, error over root two."""
    rows = compare_over_trials({"one": analyses.values(), "two": analyses.values()})
    assert {r.response for r in rows} == {"ph", "score"}
    for row in rows:
        assert row.combined.estimate == pytest.approx(row.estimates[0], abs=1e-12)
        assert row.combined.between_sd == 0
        assert row.combined.std_error == pytest.approx(row.std_errors[0] / 2**0.5)


def test_levels_the_other_way_round_are_turned(ph):
    from dataclasses import replace

    answer = next(a for a in ph.answers if a.question.factor == "water")
    c = answer.comparisons[0]
    back = replace(c, level=c.other, other=c.level, words=f"{c.other} - {c.level}",
                   estimate=-c.estimate)  # fmt: skip
    other = replace(ph, answers=(replace(answer, comparisons=(back,)),))
    (row,) = compare_over_trials({"one": [ph], "two": [other]})
    assert row.words == c.words and row.estimates == pytest.approx((c.estimate, c.estimate))


def test_one_trial_alone_says_nothing_over_trials(analyses):
    assert compare_over_trials({"one": analyses.values()}) == ()


def test_pooled_variances_are_weighted_by_degrees_of_freedom():
    """Sum of squares over sum of degrees of freedom: the pooled variance of any textbook."""
    a = Spreads("ph", (Spread("batch", 0.0025, 5, {"ball": 0.5}), Spread("ball", 0.0009, 18)))
    b = Spreads("ph", (Spread("ball", 0.0025, 6),))
    batch, ball = pool_spreads({"a": a, "b": b})
    assert ball.sd**2 == pytest.approx((18 * 0.0009 + 6 * 0.0025) / 24)
    assert (batch.sd, batch.df, batch.trials) == (pytest.approx(0.05), 5, ("a",))
    assert ball.trials == ("a", "b") and ball.low < ball.sd < ball.high


def test_the_range_of_a_pooled_ball_spread_is_that_of_a_chi_square():
    """Equal variances: 24 df together, so sqrt(24 s2 / chi2) with 12.401 and 39.364 (table of
    chi-square, 24 df, 0.025 and 0.975); the weighted draws are near, not equal."""
    one = Spreads("ph", (Spread("ball", 0.01, 18),))
    two = Spreads("ph", (Spread("ball", 0.01, 6),))
    (ball,) = pool_spreads({"a": one, "b": two})
    assert ball.low == pytest.approx((0.24 / 39.364) ** 0.5, rel=0.1)
    assert ball.high == pytest.approx((0.24 / 12.401) ** 0.5, rel=0.2)


def test_interim_trials_are_left_out_of_what_trials_say_together(line, tiny):
    seen = gather_experience([line, look_over(tiny, at=LATER)])
    assert {name for name, _, _ in seen.spreads} == {"ph", "score"}
    trials = {name for parts in seen.spreads.values() for p in parts for name in p.trials}
    assert trials == {str(line.folder)}


@pytest.mark.parametrize(
    ("day", "words"),
    [
        ("2026-04-01", "ends on 2026-04-01, today: look whether it still holds"),
        ("2026-04-02", "ends on 2026-04-02, in 1 day: look whether it still holds"),
        ("2026-05-01", "ends on 2026-05-01, in 30 days: look whether it still "
         "holds"),
        ("2026-05-02", ""),
        ("2026-03-31", "ended on 2026-03-31: look whether it still holds"),
        ("", ""),
        ("soon", "daily/settled.toml cannot be read: Invalid isoformat string: "
         "'soon'"),
    ],
)  # fmt: skip
def test_a_settled_recipe_is_named_when_it_ends_soon(tmp_path, day, words):
    (tmp_path / "daily").mkdir()
    (tmp_path / "daily" / "settled.toml").write_text(f'expires_on = "{day}"', encoding="utf-8")
    assert read_settled(tmp_path).words(LATER.date()) == words


def test_a_settled_file_that_is_no_toml_is_said_not_raised(tmp_path):
    (tmp_path / "daily").mkdir()
    (tmp_path / "daily" / "settled.toml").write_bytes(b"\xff\xfe")
    said = read_settled(tmp_path).words(LATER.date())
    assert said == "daily/settled.toml cannot be read (UnicodeDecodeError)"


@pytest.fixture
def desk(tiny, tmp_path, monkeypatch):
    """A folder with an interim trial, one without a plan and a broken one."""
    place = tmp_path / "desk"
    shutil.copytree(tiny.folder, place / "client" / "first")
    (place / "second").mkdir()
    for name in ("trial.toml", "waters.csv"):
        shutil.copy(tiny.folder / name, place / "second" / name)
    (place / "third").mkdir()
    (place / "third" / "trial.toml").write_text("format = 1\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return place


def test_command_lists_every_trial_and_one_that_cannot_be_opened(desk, capsys):
    (desk / "second" / "daily").mkdir()
    (desk / "second" / "daily" / "settled.toml").write_text('expires_on = "2026-04-03"')
    assert main(["overview", "desk", "--at", "2026-04-01 10:00"]) == 1
    shown = capsys.readouterr().out
    flat = " ".join(shown.split())
    assert "read 3 trial folders" in shown
    assert "desk/client/first: Tiny <b>& small</b> (TINY), house dough (invented)" in flat
    assert "state interim; last record 2026-03-" in flat
    assert "state no plan open " in flat
    assert " settled ends on 2026-04-03, in 2 days: look whether it still holds" in flat
    assert "desk/third: cannot be opened. trial.toml" in flat
    assert "answer pH, tap - well: " in flat
    assert "next: doughlab check desk/third" in shown
    assert "next: doughlab plan desk/second" in shown
    own = [x for x in shown.splitlines() if not x.startswith(("read ", "next: "))]
    assert max(map(len, own)) <= 80


def test_command_tells_machines_the_same(desk, capsys):
    assert main(["overview", "desk/client/first", "--at", "2026-04-01 10:00", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    (trial,) = facts["trials"]
    assert (trial["state"], trial["code"], trial["errors"]) == ("interim", "TINY", 0)
    assert trial["verdicts"][0]["difference"] == "tap - well"
    assert facts["spreads"] == [] and facts["over_trials"] == []


def test_two_answered_trials_share_their_spreads_and_differences(copy_trial, capsys, tmp_path):
    place = tmp_path / "two"
    for name in ("a", "b"):
        shutil.copytree(copy_trial("cake"), place / name)
    renew_ids(place / "b")
    assert main(["overview", str(place)]) == 0
    flat = " ".join(capsys.readouterr().out.split())
    assert "angle: how much it varies, over 2 published trials" in flat
    assert "[assumed.angle] batch_sd = 6.5 ball_sd = 4.5" in flat
    assert f"several trials (no verdict rests on it): breaking angle, A - B: {place}/a +" in flat
    assert "Paule and Mandel" not in flat and "15 differences: " in flat
    assert "Two trials hardly tell how far trials differ" in flat


def test_what_is_left_of_single_scores_is_not_called_judges(capsys):
    """`judge_sd` of [assumed] is one judge on one ball, so the label says single scores."""
    assert main(["overview", str(Path(__file__).parents[2] / "trials")]) == 0
    out = capsys.readouterr().out
    assert "single scores         1 (95 % range" in out and "between judges" not in out
    assert "judge_sd = 1" in out


def test_two_trials_get_no_range_together_and_three_do(analyses):
    """One degree of freedom: t is 12.71 at 95 % (any table of t), so a range would say nothing."""
    two = compare_over_trials({name: analyses.values() for name in "ab"})
    three = compare_over_trials({name: analyses.values() for name in "abc"})
    assert not any(o.ranged for o in two) and all(o.ranged for o in three)
    assert [s.split()[0] for s in over_two(two)] == ["Two"]
    assert [s.split()[0] for s in over_two(three)] == ["Each"]
    assert [s.split()[0] for s in over_two([*two, *three])] == ["Each", "Two"]
    assert over_two([]) == ()


def test_a_copy_of_a_trial_is_named_and_counts_once(copy_trial, capsys, tmp_path):
    """The same rows twice are no second trial: batch against batch holds for trials too."""
    place = tmp_path / "two"
    for name in ("a", "backup"):
        shutil.copytree(copy_trial("cake"), place / name)
    assert main(["overview", str(place), "--json"]) == 0
    seen = json.loads(capsys.readouterr().out)
    assert seen["copies"] == {str(place / "backup"): str(place / "a")}
    assert {t for s in seen["spreads"] for t in s["trials"]} == {str(place / "a")}
    (df,) = (s["df"] for s in seen["spreads"] if s["spread"] == "batch")
    assert df == pytest.approx(42.0)  # 45 batches less 3 recipes
    assert seen["over_trials"] == []


def test_invented_trials_are_never_pooled_with_a_kitchens_own(line, analyses):
    from dataclasses import replace

    own = replace(line, folder=Path("own"), source="own", entries=frozenset({"x"}))
    seen = gather_experience([line, own])
    pools = {key: {t for p in parts for t in p.trials} for key, parts in seen.spreads.items()}
    assert {key[2] for key in pools} == {"invented", "own"}
    assert all(len(trials) == 1 for trials in pools.values())
    assert seen.over_trials == () and seen.copies == {}


def test_of_two_copies_the_one_with_more_entries_stands(line):
    from doughlab.analysis.experience import find_copies

    found = find_copies({"old": {"1"}, "new": {"1", "2"}, "other": {"3"}, "empty": set()})
    assert found == {"old": "new"}


def test_steps_long_overdue_are_told_and_no_longer_asked_for(planned, capsys):
    last = max(row["due_at"] for row in planned.frozen_plan.schedule)
    for days, word in ((1, "next "), (60, "undone ")):
        at = f"{last + timedelta(days=days):%Y-%m-%d %H:%M}"
        main(["overview", str(planned.folder), "--at", at])
        flat = " ".join(capsys.readouterr().out.split())
        assert f" {word}" in flat and ("never done" in flat) == (days == 60)


def test_a_place_without_trials_is_refused_with_the_next_step(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    assert main(["overview", "empty"]) == 1
    assert " ".join(capsys.readouterr().err.split()) == (
        "doughlab overview: No trial.toml stands in 'empty' or in the folders below it. Start a "
        "trial: doughlab new trials/my-trial"
    )
    assert main(["overview", "nowhere"]) == 1
    assert " ".join(capsys.readouterr().err.split()) == (
        "doughlab overview: 'nowhere' is no folder. Name a trial folder, or one that holds "
        "trials: doughlab overview trials"
    )
