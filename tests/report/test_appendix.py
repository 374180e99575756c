"""Everything that was recorded stands in the report: by row, by day, and as a picture.

What is expected is read from the CSV files of the demo with the csv module.
"""

import csv
from collections import Counter, defaultdict
from dataclasses import replace

import pytest

from doughlab.report.appendix import appendix_chapter
from doughlab.report.blocks import Grid, Words
from doughlab.report.cards import daily_chapter, limits_grid
from doughlab.report.page import Document, render_document
from doughlab.report.page_pdf import document_data
from doughlab.report.text import Texts
from doughlab.report.timeline import days_grid, notes_grid, picture_timeline, timeline_blocks

SAY = Texts().say


def rows_of(trial, name):
    """The rows of a record that count: corrected and voided ones left out."""
    path = trial.folder / "record" / f"{name}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    gone = {r["replaces"] for r in rows if r["action"] in ("replace", "void")}
    return [r for r in rows if r["entry_id"] not in gone and r["action"] != "void"]


@pytest.fixture(scope="module")
def appendix(demo):
    return appendix_chapter(demo, Texts())


def grid_of_part(appendix, name):
    (part,) = (p for p in appendix.parts if p.key == f"appendix-{name}")
    (grid,) = (b for b in part.blocks if isinstance(b, Grid))
    return part, grid


def test_every_reading_stands_in_the_row_of_its_ball(demo, appendix):
    wanted = defaultdict(list)
    for r in sorted(rows_of(demo, "readings"), key=lambda r: r["read_at"]):
        wanted[r["ball_id"]].append(f"{float(r['ph']):.2f}")
    part, grid = grid_of_part(appendix, "readings")
    at = next(i for i, h in enumerate(grid.heads) if h.words == "pH")
    assert {r[0]: r[at].split(", ") for r in grid.rows} == wanted
    assert part.title == f"Readings: {sum(map(len, wanted.values()))}"


def test_every_mark_stands_in_the_row_of_its_judge_and_ball(demo, appendix):
    wanted = {(r["ball_id"], r["judge"], demo.settings.rubric[r["criterion"]].title):
              float(r["score"]) for r in rows_of(demo, "scores")}  # fmt: skip
    _, grid = grid_of_part(appendix, "scores")
    heads = [h.words for h in grid.heads]
    judge = heads.index("judge")
    found = {
        (row[0], row[judge], title): float(row[heads.index(title)])
        for row in grid.rows for title in ("Crust", "Crumb", "Flavour")
        if row[heads.index(title)]
    }  # fmt: skip
    assert found == wanted


@pytest.mark.parametrize("name", ["mixes", "bakes", "calibrations", "temperatures", "lots"])
def test_every_other_row_stands_in_the_appendix(demo, appendix, name):
    part, grid = grid_of_part(appendix, name)
    wanted = rows_of(demo, name)
    assert len(grid.rows) == len(wanted) and part.title.endswith(f": {len(wanted)}")
    first = {"mixes": "batch_id", "bakes": "ball_id", "calibrations": "calibration_id",
             "temperatures": "place", "lots": "lot_id"}[name]  # fmt: skip
    assert [row[0] for row in grid.rows] == [r[first] for r in wanted]


def test_what_is_the_same_in_every_row_is_said_once(appendix):
    part, grid = grid_of_part(appendix, "readings")
    said = next(b.text for b in part.blocks if isinstance(b, Words))
    assert said.startswith("The same in every row: ") and "Instrument: bench meter" in said
    assert "instrument" not in [h.words for h in grid.heads]


def test_the_page_folds_the_appendix_and_paper_shows_it(appendix):
    document = Document("T", "T", (), (appendix,), ())
    page = render_document(document, Texts())
    assert page.count("<details ") == len(appendix.parts) == page.count("<summary>")
    (section,) = document_data(document, Texts())["sections"]
    assert [p["title"] for p in section["parts"]] == [p.title for p in appendix.parts]
    assert all(p["blocks"][-1]["rows"] for p in section["parts"])


def test_days_count_what_was_recorded_on_them(demo):
    grid = days_grid(demo, Texts())
    heads = [h.words for h in grid.heads]
    for name, time, head in (("readings", "read_at", "balls read"),
                             ("bakes", "baked_at", "baked"),
                             ("scores", "scored_at", "balls scored")):  # fmt: skip
        balls = defaultdict(set)
        for r in rows_of(demo, name):
            balls[r[time][:10]].add(r["ball_id"])
        found = {row[0][3:]: int(row[heads.index(head)]) for row in grid.rows
                 if row[heads.index(head)]}  # fmt: skip
        assert found == {day: len(own) for day, own in balls.items()}
    lost = Counter(r["at"][:10] for r in rows_of(demo, "notes") if r["kind"] == "lost")
    assert {row[0][3:]: row[-1].count("B") for row in grid.rows if row[-1]} == lost


def test_holds_are_told_beside_their_plan(demo):
    said = [b.text for b in timeline_blocks(demo, Texts()) if isinstance(b, Words)]
    assert "Mixing: 24 of 24 batches were mixed on the planned day." in said
    off = {b: 60 * abs(s.hold_h - s.planned_hold_h) for b, s in demo.ball_states.items()
           if s.hold_h is not None and s.planned_hold_h is not None}  # fmt: skip
    worst = max(off, key=off.get)
    assert any(f"the farthest off is {worst}, by {off[worst]:.0f} min." in s for s in said)


def test_the_timeline_names_every_batch_and_every_lost_ball(demo):
    picture = picture_timeline(demo)
    for b in demo.frozen_plan.batches:
        assert f"{b['batch_id']} ({b['water']}) mixed " in picture.alt
    for ball in ("B05-2", "B11-2", "B17-4"):
        assert ball in picture.alt and ball in picture.caption
    (ax,) = picture.fig.axes
    assert sum(line.get_gid() == "mix" for line in ax.lines) == 24
    assert sum(len(line.get_xdata()) for line in ax.lines if line.get_gid() == "lost") == 3


def test_a_trial_without_records_has_no_timeline_and_no_appendix(planned):
    assert timeline_blocks(planned, Texts()) == []
    assert appendix_chapter(planned, Texts()).empty
    assert notes_grid(planned, Texts()) is None


def test_daily_limits_come_from_the_owner_and_the_trial(demo):
    rows = {r[0]: r[1:] for r in limits_grid(demo, None, None, Texts()).rows}
    assert rows["cooler"] == ("41 °F at most", "the kitchen's own limit")
    assert rows["time at room temperature, all of it added up"][0] == "4 h at most"
    rooms = [float(r["room_temp_c"]) * 1.8 + 32 for r in rows_of(demo, "mixes")]
    low, high = rows["room while mixing"][0].split(" to ")
    assert (low, high) == (f"{min(rooms):.0f} °F", f"{max(rooms):.0f} °F")


def test_a_settled_recipe_that_cannot_be_read_is_said_and_not_used(planned):
    path = planned.folder / "daily" / "settled.toml"
    path.parent.mkdir()
    path.write_text("dough = ", encoding="utf-8")
    first = daily_chapter(planned, None, Texts()).parts[0].blocks[0]
    assert first.kind == "caution"
    assert first.text.startswith(
        "The settled recipe is not used: daily/settled.toml cannot be read: "
    )
    assert first.text.endswith(
        "Bring it back from a copy, or settle anew: doughlab daily --settle --reason TEXT."
    )


def test_a_settled_recipe_brings_its_limits_and_lists(planned, monkeypatch):
    from doughlab.daily.recipe import example_recipe
    from doughlab.report import cards

    settled = replace(example_recipe(), settled_by="M", expires_on="2027-01-31")
    monkeypatch.setattr(cards, "read_recipe", lambda folder: settled)
    chapter = daily_chapter(planned, None, Texts())
    text = chapter.parts[0].blocks[0].text
    assert text.startswith(f"Settled for every day on {settled.settled_at} by M, on ")
    assert " It holds until 2027-01-31." in text and settled.expires_when[0] in text
    assert [p.title for p in chapter.parts[-2:]] == [SAY("head_opening"), SAY("head_mixing")]
