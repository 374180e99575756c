"""The demo trial, copied and analysed once for all tests of the report room."""

import csv
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GENERATED = shutil.ignore_patterns("report", "notebooks", "datapackage.json")


@pytest.fixture(scope="session")
def copy_trial(tmp_path_factory):
    """Copy a trial that comes along; give the folder."""

    def copy(name):
        folder = tmp_path_factory.mktemp(name) / name
        shutil.copytree(ROOT / "trials" / name, folder, ignore=GENERATED)
        return folder

    return copy


@pytest.fixture(scope="session")
def demo(copy_trial):
    from doughlab.trial import Trial

    return Trial.open(copy_trial("lantern-quay"))


@pytest.fixture(scope="session")
def analyses(demo):
    from doughlab.report.page import analyse_all

    found, failed = analyse_all(demo)
    assert not failed
    return found


@pytest.fixture(scope="session")
def ph(analyses):
    return analyses["ph"]


@pytest.fixture(scope="session")
def score(analyses):
    return analyses["score"]


@pytest.fixture(scope="session")
def decision(demo, analyses):
    from doughlab.decision.choose import decide

    return decide(demo, analyses=analyses)


@pytest.fixture(scope="session")
def whole(demo, analyses, decision):
    """The report of the demo before it is laid out."""
    from doughlab.report.page import compose_document
    from doughlab.report.text import Texts

    return compose_document(demo, analyses=analyses, decision=decision, texts=Texts())


@pytest.fixture(scope="session")
def page(whole):
    from doughlab.report.page import render_document
    from doughlab.report.text import Texts

    return render_document(whole, Texts())


TINY = """
format = 1
name = "Tiny <b>& small</b>"
code = "TINY"
source = "invented"
[[questions]]
text = "Which <water>?"
factor = "water"
response = "ph"
[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "well"]
[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
[blocks]
days = 2
replicates = 4
start_on = "2026-03-02"
"""
TINY_WATERS = (
    {"water_id": "tap", "kind": "tap", "ph": 7.9, "alkalinity_mg_l": 150.0},
    {"water_id": "well", "kind": "well", "ph": 6.4, "smell": "eggs"},
)


def make_tiny(folder, *, stage="recorded"):
    """A trial of two waters on two days: unplanned, planned, or read but for one ball."""
    from doughlab.trial import Trial

    trial = Trial.create(folder, TINY, waters=TINY_WATERS)
    if stage != "unplanned":
        trial = plan_tiny(trial)
    return record_tiny(trial) if stage == "recorded" else trial


def plan_tiny(unplanned):
    """Plan it on two days and keep the plan."""
    from doughlab.plan import build_plan, write_plan
    from doughlab.trial import Trial

    write_plan(build_plan(unplanned.settings), unplanned.folder)
    return Trial.open(unplanned.folder)


def record_tiny(planned):
    """Write down every mix and a reading of every ball but the last."""
    import random

    from doughlab.record.journal import append
    from doughlab.trial import Trial

    plan, rng = planned.frozen_plan, random.Random(3)
    due = {(row["step"], row["item"]): row["due_at"] for row in plan.schedule}
    balls = [b["ball_id"] for b in plan.balls if b["purpose"] == "ph"]
    mixes = [
        {"batch_id": b, "mixed_at": due["mix", b], "balled_at": due["ball", b]}
        for b in (row["batch_id"] for row in plan.batches)
    ]
    readings = [
        {"ball_id": ball, "read_at": due["read", ball], "ph": round(rng.gauss(5.6, 0.1), 2),
         "method": "slurry"}
        for ball in balls[:-1]
    ]  # fmt: skip
    last = max(due.values())
    for name, rows in (("mixes", mixes), ("readings", readings)):
        named = [{**row, "entry_id": f"{name}-{i}"} for i, row in enumerate(rows)]
        append(planned.folder, planned.settings.table(name), named, now=last)
    return Trial.open(planned.folder)


@pytest.fixture
def unplanned(tmp_path):
    """A trial of two waters, without a plan."""
    return make_tiny(tmp_path / "tiny", stage="unplanned")


@pytest.fixture
def planned(unplanned):
    """The same on two days with its plan kept, nothing recorded."""
    return plan_tiny(unplanned)


@pytest.fixture
def tiny(planned):
    """The same with one reading of every ball but the last."""
    return record_tiny(planned)


def renew_ids(folder):
    """Give every entry another id, as if the trial had been entered anew: no copy any more."""
    for path in (folder / "record").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            row["entry_id"] = f"b{row['entry_id']}"
            row["replaces"] = f"b{row['replaces']}" if row["replaces"] else ""
        if rows:
            with path.open("w", encoding="utf-8", newline="") as file:
                out = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
                out.writeheader()
                out.writerows(rows)
