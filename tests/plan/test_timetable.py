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
from doughlab.plan.timetable import day_tables, list_timetable
from doughlab.report.week import picture_week, plot_week

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
    assert max(len(line) for line in lines[:-1]) <= 80
    said = " ".join(out.split())
    assert "Proven: no calendar does better in this order: holds that meet no other hold in" in said
    assert lines[-2] == "nothing is written yet"
    assert lines[-1] == f"next: keep this plan: doughlab plan {folder} --calendar --keep"
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
