"""What a client pays for: doubts and what came since on the first page, nothing to type, a date.

Expected values are worked out here from the files of the demo, by the rules named beside them.
"""

import csv
import re
import tomllib
from collections import defaultdict
from datetime import datetime
from itertools import pairwise
from statistics import fmean

import numpy as np
import pytest

from doughlab.cli import main
from doughlab.report.blocks import Grid, Listing, Words
from doughlab.report.chapters import formula_chapter
from doughlab.report.methods import sources_blocks
from doughlab.report.page import analyse_all, compose_document, render_document
from doughlab.report.since import read_since, since_blocks
from doughlab.report.text import Texts, without_commands
from doughlab.report.trusted import consent_words, meter_words, notes_of_check
from doughlab.sources import CITATIONS, FROM_MEMORY
from doughlab.trial import Trial


@pytest.fixture(scope="module")
def second(copy_trial):
    return Trial.open(copy_trial("lantern-quay-second"))


def words_of(blocks):
    return " ".join(b.text for b in blocks if isinstance(b, Words))


def section(document, key):
    return next(s for s in document.sections if s.key == key)


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_first_page_says_what_every_day_since_says(demo, whole):
    """Lots against the window at 48 h: means of their balls, moved along the recipe's curve."""
    folder = demo.folder / "daily"
    recipe = tomllib.loads((folder / "settled.toml").read_text(encoding="utf-8"))
    lots = defaultdict(list)
    for row in rows_of(folder / "readings.csv"):
        if abs(float(row["hold_h"]) - recipe["hold_h"]) <= 6:
            lots[row["lot"]].append(row)
    at_48 = []
    for balls in lots.values():
        hold = fmean(float(b["hold_h"]) for b in balls)
        expected = np.interp(hold, recipe["holds_h"], recipe["curve"])
        at_48.append(round(fmean(float(b["ph"]) for b in balls) - expected + recipe["expected"], 2))
    inside = sum(recipe["low"] <= v <= recipe["high"] for v in at_48)
    (said,) = (b.text for b in whole.sections[0].blocks
               if isinstance(b, Words) and b.text.startswith("Every day since"))  # fmt: skip
    assert f": {inside} of {len(at_48)} lots lay inside pH 5.35-5.75; the last, " in said
    assert f", at pH {at_48[-1]:.2f}, is outside. The charts call (" in said
    last = max(row["at"] for row in rows_of(folder / "readings.csv"))
    assert f"Records of every day up to {last[:10]}." in " ".join(whole.under_title)


def test_the_doubt_of_every_day_stands_before_the_answers(whole):
    blocks = whole.sections[0].blocks
    (at,) = (i for i, b in enumerate(blocks) if "Every day since" in getattr(b, "text", ""))
    assert blocks[at].kind == "caution"
    assert at < [b.type for b in blocks].index("finding")


def test_without_a_settled_recipe_nothing_came_since(tiny):
    assert read_since(tiny) is None and since_blocks(None, Texts()) == []


def test_what_a_later_trial_settled_is_not_left_open(demo, whole):
    """The recipe names the second trial: the same difference there is answered "same"."""
    (also,) = read_since(demo).recipe.also
    first = words_of(whole.sections[0].blocks)
    assert f"also stands on {also.trial.rstrip('?')}: {also.words}." in first
    (items,) = (b.items for b in section(whole, "open").blocks if isinstance(b, Listing))
    about = [i for i in items if "tap - reverse osmosis" in i and "bake score" in i]
    assert len(about) == 1 and "settled since by Lantern Quay, second trial" in about[0]
    assert any("Which water bakes better? tap - bottled" in i for i in items), "this one stays open"


def test_a_meter_that_had_moved_stands_on_the_first_page_and_in_the_decision(second):
    """Two buffers give E = offset - slope x 59.16 mV x T / 298.15 K x (pH - 7) (Nernst, CODATA)."""
    lines = sorted(rows_of(second.folder / "record" / "calibrations.csv"),
                   key=lambda r: datetime.fromisoformat(r["calibrated_at"]))  # fmt: skip
    moved = []
    for one, two in pairwise(lines):
        nernst = 1000 * 8.314462618 * np.log(10) / 96485.33212 * (float(two["temp_c"]) + 273.15)
        given = float(two["offset_mv"]) - float(two["slope_pct"]) / 100 * nernst * (5.55 - 7)
        shown = 7 - (given - float(one["offset_mv"])) / (float(one["slope_pct"]) / 100 * nernst)
        moved.append((abs(shown - 5.55), one))
    most, before = max(moved, key=lambda pair: pair[0])
    readings = rows_of(second.folder / "record" / "readings.csv")
    balls = {r["ball_id"] for r in readings}
    touched = {r["ball_id"] for r in readings if r["calibration_id"] == before["calibration_id"]}
    (said,) = meter_words(second, Texts())
    assert f"moved by {most:.2f} pH" in said and "too low; the margin is pH 0.10" in said
    assert f"readings of {len(touched)} of {len(balls)} balls" in said
    analyses, failed = analyse_all(second)
    document = compose_document(second, analyses=analyses, failed=failed, texts=Texts())
    assert said in words_of(document.sections[0].blocks)
    assert "Without them every verdict stays as it is." in words_of(document.sections[0].blocks)
    assert "a calibration that the meter had moved from by the next (C06)" in words_of(
        section(document, "decision").blocks
    )
    noted = [
        i for b in section(document, "course").blocks if isinstance(b, Listing) for i in b.items
    ]
    assert any("the meter had moved by 0.08 pH since C06" in i for i in noted)


def test_a_meter_that_stood_still_is_not_doubted(demo):
    assert meter_words(demo, Texts()) == [] and notes_of_check(demo, Texts()) == []


def test_consent_is_told_as_it_was_written_down(copy_trial, monkeypatch):
    folder = copy_trial("lantern-quay")
    assert consent_words(Trial.open(folder), Texts()) == [
        "Allergies and consent were not written down for J1, J2, J3 and J4.",
        "Scores that were not given: J3 6.",
    ]
    for judge in ("J1", "J2", "J3", "J4"):
        main(["record", "consent", judge, "no allergies", "--folder", str(folder)])
    said = consent_words(Trial.open(folder), Texts())
    assert said[0] == "Allergies and consent were written down for all 4 judges."


def test_a_client_is_given_nothing_to_type(page):
    shown = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    assert not re.findall(r"doughlab [a-z]+[^<]{0,40}", shown.replace("doughlab with", ""))


@pytest.mark.parametrize(
    ("sentence", "kept"),
    [
        ("They are used; doughlab record reading --void ENTRY --reason TEXT", "They are used."),
        ("Read it again: doughlab check trials/a. Then bake.", "Read it again. Then bake."),
        ("Made by doughlab 0.1.0 from files.", "Made by doughlab 0.1.0 from files."),
    ],
)
def test_a_command_goes_and_the_sentence_stays(sentence, kept):
    assert without_commands(sentence) == kept


def test_the_dough_is_the_recommended_one(demo):
    """Water of the recommended hydration: 65 % of the flour, in the table and in its note."""
    blocks = formula_chapter(demo, Texts(), {"hydration": "65"}).blocks
    (grid,) = (b for b in blocks if isinstance(b, Grid))
    rows = {row[0]: row for row in grid.rows}
    assert rows["water"][1] == "65"
    assert float(rows["water"][2]) == pytest.approx(0.65 * float(rows["bread flour"][2]), abs=1)
    said = "hydration from 60 % to 65 %. The table shows hydration 65 %, as recommended."
    assert said in words_of(blocks)
    assert "as recommended" not in words_of(formula_chapter(demo, Texts()).blocks)


def test_client_and_consultant_stand_under_the_title(tiny):
    texts = Texts({"for_whom": "For the owners.", "by_whom": "By a consultant."})
    assert compose_document(tiny, texts=texts).under_title[:2] == (
        "For the owners.", "By a consultant.",
    )  # fmt: skip
    assert "For the owners." not in compose_document(tiny, texts=Texts()).under_title


def test_what_was_cited_from_memory_is_said_once(analyses):
    listing, note = sources_blocks(analyses, Texts())
    full = {text.removesuffix(FROM_MEMORY): text for text in CITATIONS.values()}
    memory = [i for i, item in enumerate(listing.items, 1) if full[item].endswith(FROM_MEMORY)]
    assert memory and not any("memory" in item for item in listing.items)
    assert [int(n) for n in re.findall(r"\d+", note.text)] == memory


def test_the_name_of_a_ball_is_never_broken(whole):
    page = render_document(whole, Texts())
    assert '<span class="whole-name">B05-2</span>' in page
    assert re.search(r"\.whole-name \{ white-space: nowrap; \}", page)
