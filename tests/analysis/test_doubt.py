"""Readings in doubt: how many, why, and the answers without them; a second view, never a drop."""

import re
import shutil
from pathlib import Path

import pytest

from doughlab.analysis import analyse
from doughlab.analysis.doubt import judge_doubt
from doughlab.notebook import analyse_demo
from doughlab.trial import Trial

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
FAILED = {"C01", "C02", "C03", "C04"}


@pytest.fixture(scope="module")
def failed(tmp_path_factory):
    """The demo, but that the first four calibrations showed a slope of 70 %."""
    folder = tmp_path_factory.mktemp("failed") / "trial"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("report", "notebooks"))
    path = folder / "record" / "calibrations.csv"
    lines = path.read_text().splitlines(keepends=True)
    own = [re.sub(r",(9[0-9.]+),([-0-9.]+),", r",70,\2,", ln) if ln.split(",")[6] in FAILED else ln
           for ln in lines]  # fmt: skip
    path.write_text("".join(own))
    return Trial.open(folder)


@pytest.fixture(scope="module")
def found(failed):
    return analyse(failed, "ph")


def test_the_answer_says_how_many_hang_on_failed_calibrations(failed, found):
    rows = failed.records.readings
    hang = sum(r["calibration_id"] in FAILED for r in rows)
    assert 0 < hang < len(rows)
    assert found.noticed[0].startswith(
        f"{hang} of {len(rows)} readings rest on a calibration that failed (C01, C02, C03, C04)"
    )
    assert "Noticed: " + found.noticed[0][:40] in " ".join(found.text().split())


def test_the_answers_themselves_are_those_of_all_readings(found):
    sound = analyse_demo("ph")
    assert found.contrasts("water").equals(sound.contrasts("water"))
    assert sound.doubted is None


def test_the_second_view_is_that_of_a_trial_without_these_readings(failed, found, tmp_path):
    """A folder from which the rows were cut gives the same numbers."""
    less = tmp_path / "less"
    shutil.copytree(failed.folder, less)
    path = less / "record" / "readings.csv"
    lines = path.read_text().splitlines(keepends=True)
    head = lines[0].rstrip("\n").split(",").index("calibration_id")
    path.write_text("".join(ln for ln in lines if ln.split(",")[head] not in FAILED))
    again = analyse(Trial.open(less), "ph")
    there = [c for a in again.answers if a.primary for c in a.comparisons]
    here = [c for a in found.doubted.answers for c in a.comparisons]
    assert [c.estimate for c in here] == pytest.approx([c.estimate for c in there])
    assert [c.verdict for c in here] == [c.verdict for c in there]
    before = [c.verdict for a in found.answers if a.primary for c in a.comparisons]
    changed = sum(a != b for a, b in zip(before, [c.verdict for c in there], strict=True))
    assert len(found.doubted.changed) == changed
    word = "otherwise" if changed else "every verdict stays"
    assert word in found.noticed[1] and "They are used" in found.noticed[1]


def test_without_any_calibration_the_meters_word_is_all(failed, found):
    class Bare:
        settings, frozen_plan, waters = failed.settings, failed.frozen_plan, failed.waters
        records = type(failed.records)({
            k: v for k, v in failed.records.journals.items() if k != "calibrations"
        })  # fmt: skip

    for row in Bare.records.readings:
        row["calibration_id"] = None
    told = judge_doubt(Bare(), found.response, found.answers)
    count = len(Bare.records.readings)
    assert told.sentences == (
        f"No calibration is recorded: all {count} readings stand on the meter's word.",
    )
