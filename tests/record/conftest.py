"""A small invented trial that has a kept plan, and a hand that writes records into it."""

import io
import os
import random
from datetime import datetime, timedelta

import pytest
from PIL import Image

TOML = """
format = 1
name = "Two waters"
code = "TW"
timezone = "Europe/Rome"
seed = 4
source = "invented"

[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "ro"]

[factors.hold]
set = "ball"
kind = "number"
unit = "h"
levels = ["24", "48"]

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
low = 4
high = 7
use_hold_h = 48

[responses.bake]
table = "scores"
column = "score"
kind = "score"
margin = 1

[rubric.crust]
weight = 2
[rubric.crumb]

[panel]
judges = ["ada", "ben"]

[reading_method]
instrument = "meter"

[blocks]
days = 2
replicates = 2
start_on = "2026-03-02"
"""
WATERS = [
    {"water_id": "tap", "kind": "tap", "alkalinity_mg_l": 150.0},
    {"water_id": "ro", "kind": "reverse osmosis", "alkalinity_mg_l": 8.0},
]


@pytest.fixture(autouse=True)
def quick_disk(request, monkeypatch):
    """Wait for the disk in the tests that are about it; servers are programs of their own."""
    if not request.module.__name__.endswith("test_durability"):
        monkeypatch.setattr(os, "fsync", lambda handle: None)


def picture(kind="JPEG", *, dots=24):
    """A photo as a phone sends it: noise, which no format packs small (over a byte a dot)."""
    noise, out = random.Random(dots).randbytes(dots * dots * 3), io.BytesIO()
    Image.frombytes("RGB", (dots, dots), noise).save(out, kind, quality=95)
    return out.getvalue()


def rome(text: str) -> datetime:
    """A time in the trial's place, before the clocks change at the end of March."""
    return datetime.fromisoformat(f"2026-{text}+01:00")


def lay_plan(settings):
    """A plan laid by hand: four batches on two days, five balls each, holds 24 and 48 h.

    Ball 1 and 2 are for reading at 48 and 24 h, 3 and 4 for the bake at 48 and 24 h, 5 is spare.
    """
    from doughlab.plan.plan import Plan

    batches, balls, schedule = [], [], []
    starts = ["03-02T09:00", "03-02T09:45", "03-03T09:00", "03-03T09:45"]
    blank = {"flour_lot": None, "water_lot": None, "preferment_lot": None}
    for i, start in enumerate(starts, start=1):
        batch, day = f"B{i:02d}", 1 + (i > 2)
        water = ("ro", "tap")[i % 2]
        batches.append({"batch_id": batch, "block": f"D{day}", "order": 2 - i % 2, **blank,
                        "water": water})  # fmt: skip
        balled = rome(start) + timedelta(minutes=45)
        schedule += [_step("mix", batch, rome(start)), _step("ball", batch, balled)]
        for k, (purpose, hold) in enumerate(
            [("ph", 48.0), ("ph", 24.0), ("bake", 48.0), ("bake", 24.0), ("spare", None)], start=1
        ):
            ball, place = f"{batch}-{k}", f"shelf {k}, place {i}"
            session = None if hold is None else f"S{day + int(hold) // 24 - 1:02d}"
            code = 100 * i + 10 * k + 1 if purpose == "bake" else None
            balls.append({"ball_id": ball, "batch_id": batch, "purpose": purpose,
                          "session": session, "blind_code": code, "place": place,
                          "hold_h": hold})  # fmt: skip
            if hold is not None:
                due = balled + timedelta(hours=hold)
                schedule.append(_step("take_out", ball, due - timedelta(minutes=90), place))
                schedule.append(_step("read" if purpose == "ph" else "bake", ball, due))
    schedule.sort(key=lambda row: row["due_at"])
    return Plan(settings, tuple(batches), tuple(balls), tuple(schedule), 4, "0")


def _step(step, item, due_at, place=None):
    return {"step": step, "item": item, "due_at": due_at, "place": place}


class Hand:
    """Writes records into the trial, the way the bench does, at a stated time of entry."""

    def __init__(self, folder):
        from doughlab.trial import Trial

        self.folder = folder
        self.open = lambda: Trial.open(folder)
        self.settings = self.open().settings
        self.plan = self.open().frozen_plan

    def write(self, table, *rows, entered="03-20T12:00"):
        from doughlab.record.journal import append

        return append(self.folder, self.settings.table(table), rows, now=rome(entered))

    def mix(self, batch, at, **more):
        """Mixed at a time, balled 45 minutes later, in the cooler 15 minutes after that."""
        start = rome(at)
        row = {"batch_id": batch, "mixed_at": start, "balled_at": start + timedelta(minutes=45),
               "cooled_at": start + timedelta(minutes=60)}  # fmt: skip
        return self.write("mixes", row | more)

    def read(self, ball, at, *values, **more):
        row = {"ball_id": ball, "read_at": rome(at), "method": "slurry", "instrument": "meter"}
        return self.write("readings", *({**row, "ph": v, **more} for v in values))

    def note(self, about, kind, at, text=""):
        return self.write("notes", {"about": about, "kind": kind, "at": rome(at), "note": text})

    def said(self, *, level=None):
        """The problems of the folder as whole sentences."""
        return [str(p) for p in self.open().problems if level in (None, p.level)]


def lay_trial(folder):
    """Make the trial in a folder, with its plan kept."""
    from doughlab.plan.plan import write_plan
    from doughlab.trial import Trial

    trial = Trial.create(folder, TOML, waters=WATERS)
    write_plan(lay_plan(trial.settings), folder)
    return Hand(folder)


@pytest.fixture
def hand(tmp_path):
    return lay_trial(tmp_path / "trial")


@pytest.fixture(scope="module")
def resting(tmp_path_factory):
    """One trial for all tests of a module that store nothing."""
    return lay_trial(tmp_path_factory.mktemp("resting") / "trial")
