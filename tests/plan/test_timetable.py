"""The day tables, the picture of the week and `doughlab plan --calendar`."""

import json
import re
import shutil
from pathlib import Path

import pytest
from icalendar import Calendar

from doughlab.cli import main
from doughlab.errors import InputError
from doughlab.formula.formula import Formula
from doughlab.plan.calendar import lay_calendar
from doughlab.plan.plan import build_plan
from doughlab.plan.supplies import list_supplies
from doughlab.plan.timetable import day_tables, list_timetable, week_lines
from doughlab.report.week import picture_week, plot_week
from doughlab.sections import Factor

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
LONG = Formula(steps=(("mix", 15.0), ("rest", 20.0), ("second mix", 10.0), ("ball", 15.0)))


@pytest.fixture
def folder(tmp_path, small_text):
    """A small trial folder: two batches on two days."""
    (tmp_path / "trial.toml").write_text(small_text(), encoding="utf-8")
    return tmp_path


@pytest.fixture
def say(capsys):
    def run(*words):
        code = main(list(map(str, words)))
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_every_step_has_a_start_and_an_end(small):
    week = lay_calendar(build_plan(small(), formula=LONG), formula=LONG)
    entries = list_timetable(week.plan, formula=LONG)
    own = [e for e in entries if e.item == "B01"]
    assert [e.step for e in own] == ["mix", "rest", "second_mix", "ball", "cool"]
    minutes = [(e.start - own[0].start).total_seconds() / 60 for e in own]
    assert minutes == [0, 15, 35, 45, 60]  # 15 + 20 + 10 + 15, added up by hand
    assert [e.start for e in entries] == sorted(e.start for e in entries)


def test_day_tables_have_80_columns_and_every_row_of_the_plan(small):
    settings = small(holds=(24, 48, 72), replicates=6, spares=1)
    week = lay_calendar(build_plan(settings))
    lines = day_tables(week.plan)
    assert max(len(line) for line in lines) <= 80
    text = "\n".join(lines)
    for row in week.plan.schedule:
        assert re.search(rf"\b{row['item']}\b", text)
        assert f"{row['due_at']:%H:%M}  {row['step'].replace('_', ' ')}" in text
    assert re.match(r"\w{3} 2026-06-\d\d  mixing day D1; \d+\.\d h of hands$", lines[0])


def test_the_picture_of_the_week_draws_every_mix_and_every_use(small):
    week = lay_calendar(build_plan(small(holds=(24, 48), days=2, kitchen='closed = ["Wed"]')))
    ax = plot_week(week.plan)
    assert len(ax.patches) >= len(week.plan.batches)
    rings = [x for line in ax.lines if line.get_gid() == "use" for x in line.get_xdata()]
    hours = {r["due_at"].hour + r["due_at"].minute / 60 for r in week.plan.schedule
             if r["step"] == "read"}  # fmt: skip
    assert set(rings) == hours
    picture = picture_week(week.plan)
    for batch in week.plan.batches:
        assert f"mixes {batch['block']}" in picture.alt
    assert picture.svg() == picture_week(week.plan).svg()


def test_a_plan_without_dates_has_no_week(small):
    from dataclasses import replace

    plan = replace(build_plan(small()), schedule=())
    with pytest.raises(InputError) as caught:
        plot_week(plan)
    assert str(caught.value) == (
        "This plan has no dates. Set start_on in [blocks] before keeping it."
    )


def test_the_command_shows_proves_and_keeps(folder, say):
    code, out, err = say("plan", folder, "--calendar")
    lines = out.splitlines()
    assert code == 0 and err == "" and not (folder / "plan").exists()
    assert max(len(line) for line in lines if not line.startswith("next:")) <= 80
    said = " ".join(out.split())
    assert "Proven: no calendar does better in this order: holds that meet no other hold in" in said
    assert lines[-3] == "nothing is written yet"
    assert lines[-2] == f"next: keep this plan: doughlab plan {folder} --calendar --keep"
    assert lines[-1] == (f"next: every step of every day: doughlab plan {folder} --calendar --more")
    code, out, _ = say("plan", folder, "--calendar", "--keep")
    for name in ("plan/schedule.csv", "plan/plan.lock", "report/plan.ics", "report/week.svg"):
        assert f"wrote {name}" in out and (folder / name).exists()
    data = (folder / "report/plan.ics").read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n")
    rows = (folder / "plan/schedule.csv").read_text(encoding="utf-8").splitlines()[1:]
    events = Calendar.from_ical(data).walk("VEVENT")
    assert sum(len(str(e["SUMMARY"]).split(", ")) for e in events) == len(rows)
    kept = {p.name: p.read_bytes() for p in (folder / "plan").iterdir()}
    assert say("plan", folder, "--calendar", "--keep")[0] == 0
    assert {p.name: p.read_bytes() for p in (folder / "plan").iterdir()} == kept
    assert say("plan", folder)[0] == 0 and say("check", folder)[0] == 0


def test_what_is_kept_is_due_on_its_day(folder, say):
    say("plan", folder, "--calendar", "--keep")
    row = (folder / "plan/schedule.csv").read_text(encoding="utf-8").splitlines()[1]
    step, item, at = row.split(",")[:3]
    code, out, _ = say("today", folder, "--at", at)
    assert code == 0 and step == "mix" and re.search(rf"now +mix +{item}", out)


def test_json_says_the_same(folder, say):
    code, out, _ = say("plan", folder, "--calendar", "--json")
    facts = json.loads(out, parse_constant=pytest.fail)
    assert code == 0 and facts["proven"] is True and facts["kept"] is False
    assert (facts["holds_alone"], facts["working_days"]) == (2, 4)
    assert set(facts["gap"].values()) == {0}
    assert (facts["hours_proven"], facts["earlier_min"], facts["supplies_g"]) == (True, 0.0, None)
    assert {e["step"] for e in facts["timetable"]} == {"mix", "ball", "cool", "take_out", "read"}


def test_a_plan_with_records_stays_and_says_what_it_exceeds(tmp_path, say):
    shutil.copytree(DEMO, tmp_path / "demo")
    before = (tmp_path / "demo/plan/schedule.csv").read_bytes()
    code, out, _ = say("plan", tmp_path / "demo", "--calendar")
    said = " ".join(out.split())
    assert code == 0
    assert "- Records have been made under this plan, so its calendar stays as it was kept." in said
    assert (
        "- 4 pairs of hands are needed at the most; 2 are there, first exceeded Wed 2026-03-04 "
        "09:40."
    ) in said
    assert (tmp_path / "demo/plan/schedule.csv").read_bytes() == before


def test_a_calendar_that_cannot_be_is_refused_with_the_way_out(folder, say):
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    text = text.replace("[kitchen]", "[kitchen]\nmixer_balls = 1")
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    code, out, err = say("plan", folder, "--calendar")
    assert (code, out) == (1, "")
    assert " ".join(err.split()) == (
        "doughlab plan: No calendar fits this kitchen (proven, on a grid of 10 minutes). The limit "
        "that breaks it: mixer_balls = 1 in [kitchen] (balls that one mix gives: 1). The cheapest "
        "way out: mixer_balls = 2 in [kitchen], 1 more."
    )


@pytest.fixture
def demo(tmp_path):
    """A kept plan with records: its calendar stays, so that nothing is searched."""
    shutil.copytree(DEMO, tmp_path / "demo")
    return tmp_path / "demo"


def test_the_answer_comes_first_and_every_step_behind_more(demo, say):
    """Days, hours and counts as plan/schedule.csv of the demo has them, counted by hand."""
    code, out, _ = say("plan", demo, "--calendar")
    lines = out.splitlines()
    assert code == 0 and len(lines) <= 35
    assert lines[0] == "24 batches on 4 mixing days, 168 balls: Tue 2026-03-03 to Sat 2026-03-14"
    days = [line for line in lines if re.match(r"  \w{3} 2026-", line)]
    assert len(days) == 10
    words = [" ".join(line.split()) for line in days]
    assert words[0] == "Tue 2026-03-03 09:00-13:10 B01 to B06 3.0 h"
    assert words[2] == "Thu 2026-03-05 08:10-13:20 S02 24+48 h: read 12, bake 12 4.0 h"
    assert not any("take out" in line for line in lines)
    code, more, _ = say("plan", demo, "--calendar", "--more")
    assert code == 0 and "  08:10  take out   B01-3, B01-5" in more
    assert all(line in more.splitlines() for line in lines[:4])


def test_what_to_have_ready_is_added_up(demo, say):
    """By hand: 168 balls of 260 g and 1.5 % lost are 44.345 kg dough, half at 60 %, half at 65 %.

    22.173 kg / 1.6412 = 13.510 kg flour and 22.173 / 1.6912 = 13.111: 26.62 kg; a third of
    13.510 x 0.60 + 13.111 x 0.65 = 16.63 kg water for each water; 2.5 % salt is 666 g.
    """
    said = " ".join(say("plan", demo, "--calendar")[1].split())
    assert "to have ready: 26.6 kg bread flour, 666 g salt, 31.9 g yeast, 399 g oil" in said
    assert "water: 5.54 kg tap, 5.54 kg bottled, 5.54 kg reverse osmosis" in said
    assert "labels for 168 balls; at most 72 balls in the cooler of 120 places" in said
    facts = json.loads(say("plan", demo, "--calendar", "--json")[1])["supplies_g"]
    assert sum(facts["flours"].values()) == pytest.approx(26_621, abs=2)
    assert facts["waters"]["tap"] == pytest.approx(5543, abs=2)


def test_a_long_trial_stays_short_and_counts_the_days_it_leaves_out(small):
    plan = build_plan(small(holds=(24, 48, 72), days=9, replicates=9))
    lines = week_lines(plan, most=9)
    assert len(lines) == 10 and max(map(len, lines)) <= 80  # a head, 8 days, those left out
    worked = {r["due_at"].date() for r in plan.schedule}
    shown = sum(bool(re.match(r"  \w{3} 2026-", line)) for line in lines)
    assert (
        lines[-1] == f"  and {len(worked) - shown} more working days, the last {max(worked):%a %F}"
    )


def test_balls_of_several_masses_are_weighed_each_by_itself(change, kitchen):
    """By hand: 60 % water and nothing else: a ball of 160 g holds 100 g flour, one of 320 g 200."""
    mass = Factor("ball_g", "ball", "number", ("160", "320"), unit="g", values=(160.0, 320.0))
    factors = {n: f for n, f in kitchen.factors.items() if n not in {"hold", "hydration"}}
    plan = build_plan(
        change(factors={**factors, "ball_g": mass}, questions=(), blocks={"spares": 0})
    )
    found = list_supplies(plan, Formula(percents={"hydration": 60.0}))
    heavy = sum(b["ball_g"] == 320 for b in plan.balls)
    assert heavy and found.flour_g == pytest.approx(100 * (len(plan.balls) + heavy))
    assert sum(found.waters.values()) == pytest.approx(0.6 * found.flour_g)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--minutes", "5"), "--minutes goes with --calendar: it says how long to look for"),
        (("--calendar", "--minutes", "soon"), "--minutes 'soon' cannot be read as a number."),
        (("--more", "--extend", "6"), "--more does not go with --beside or --extend: all"),
    ],
)  # fmt: skip
def test_options_that_do_not_go_together_are_refused(folder, say, words, said):
    code, out, err = say("plan", folder, *words)
    assert (code, out) == (1, "") and said in " ".join(err.split())
