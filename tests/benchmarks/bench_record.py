"""A long trial: opening it beside pandas reading the same CSV, what is due, entries at the bench.

100 batches of 20 balls, each read 50 times (invented). Processor time where two things are
compared, since other work on the machine must not decide; wall time for the disk.
"""

import os
import random
import shutil
import time
import uuid
from datetime import datetime, timedelta

import pandas as pd
import pytest

from doughlab.files import write_csv
from doughlab.plan.plan import Plan, write_plan
from doughlab.record.bench_desk import Bench
from doughlab.record.bench_sent import read_sent
from doughlab.trial import Trial

READINGS, MOST_SECONDS = 100_000, 0.5
START = datetime.fromisoformat("2026-03-02T09:00+01:00")
TOML = """
format = 1
name = "Long"
code = "LONG"
timezone = "Europe/Rome"
source = "invented"

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "ro"]

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1

[reading_method]
instrument = "meter"
readings_per_ball = 10
"""


def make_trial(folder, readings):
    """A trial with a kept plan and that many readings."""
    trial = Trial.create(
        folder, TOML, waters=[{"water_id": w, "kind": "tap"} for w in ("tap", "ro")]
    )
    batches, balls, schedule = [], [], []
    for i in range(100):
        batch, at = f"B{i + 1:03d}", START + timedelta(days=i // 10, minutes=45 * (i % 10))
        batches.append({"batch_id": batch, "block": f"D{i // 10 + 1}", "order": i % 10 + 1,
                        "water": ("tap", "ro")[i % 2]})  # fmt: skip
        schedule.append({"step": "mix", "item": batch, "due_at": at})
        for k in range(20):
            ball = f"{batch}-{k + 1}"
            balls.append({"ball_id": ball, "batch_id": batch, "purpose": "ph", "session": "S01"})
            schedule.append({"step": "read", "item": ball, "due_at": at + timedelta(hours=24)})
    blank = {"flour_lot": None, "water_lot": None, "preferment_lot": None, "place": None,
             "blind_code": None}  # fmt: skip
    parts = [tuple({**blank, **row} for row in rows) for rows in (batches, balls, schedule)]
    write_plan(Plan(trial.settings, *parts, 1, "0"), folder)
    table, rng = trial.settings.table("readings"), random.Random(7)
    rows = (
        {"entry_id": str(uuid.UUID(int=rng.getrandbits(128))), "entered_at": at, "read_at": at,
         "entered_by": "ada", "action": "add", "ball_id": balls[i % len(balls)]["ball_id"],
         "ph": round(5.3 + 0.3 * rng.random(), 2), "sample_temp_c": round(20 + 4 * rng.random(), 1),
         "instrument": "meter", "method": "slurry", "session": "S01"}
        for i in range(readings)
        for at in (START + timedelta(days=1, seconds=2 * i),)
    )  # fmt: skip
    (folder / "record").mkdir()
    (folder / table.path).write_text(write_csv(table, rows))
    return folder


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    """The long trial."""
    return make_trial(tmp_path_factory.mktemp("long") / "trial", READINGS)


def timed(*calls, rounds=7):
    """The least processor seconds of each call, taken by turns."""
    best = [float("inf")] * len(calls)
    for _ in range(rounds):
        for i, call in enumerate(calls):
            start = time.process_time()
            call()
            best[i] = min(best[i], time.process_time() - start)
    return best


def test_opens_half_a_second_behind_pandas_at_most(benchmark, long):
    """The whole folder, plan and links of the journals included, beside one read of one CSV."""
    path = long / "record/readings.csv"
    ours, theirs = timed(lambda: Trial.open(long), lambda: pd.read_csv(path))
    benchmark.extra_info |= {"ours_s": round(ours, 3), "pandas_s": round(theirs, 3)}
    benchmark.pedantic(Trial.open, (long,), rounds=3)
    assert len(Trial.open(long).records.readings) == len(pd.read_csv(path)) == READINGS
    assert ours - theirs <= MOST_SECONDS


def test_what_is_due_costs_no_more_than_opening(benchmark, long):
    trial, at = Trial.open(long), START + timedelta(hours=30)
    opened, worked_out = timed(lambda: Trial.open(long), lambda: trial.due(at))
    benchmark.extra_info |= {"open_s": round(opened, 3), "due_s": round(worked_out, 3)}
    assert benchmark.pedantic(trial.due, (at,), rounds=3)
    assert worked_out <= opened


def store_many(bench, count, name):
    """Store that many readings one by one; give processor and wall seconds of one."""
    cpu, wall = time.process_time(), time.perf_counter()
    for k in range(count):
        ball = f"B{k % 100 + 1:03d}-1"
        sent = {"id": f"{name}-{k:04d}-bench", "action": "reading", "about": ball,
                "values": {"ph#1": "5.41"}, "at": "2026-03-20T09:00+01:00", "by": "ada",
                "session": ""}  # fmt: skip
        assert bench.store(read_sent(sent))["saved"]
    return (time.process_time() - cpu) / count, (time.perf_counter() - wall) / count


def test_an_entry_waits_for_the_disk_and_little_else(benchmark, long, tmp_path):
    """Beside a bare append and fsync; in a long trial beside a new one."""
    for name, count in (("short", 1_000), ("many", READINGS)):
        make_trial(tmp_path / name, count)
    seconds = {}
    for name in ("short", "many"):
        bench = Bench(tmp_path / name)
        store_many(bench, 3, f"warm-{name}")
        seconds[name] = store_many(bench, 30, name)
    probe = os.open(tmp_path / "probe", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    start = time.perf_counter()
    for _ in range(30):
        os.write(probe, b"x" * 150)
        os.fsync(probe)
    bare = (time.perf_counter() - start) / 30
    os.close(probe)
    benchmark.extra_info |= {
        "entries_per_s_short": round(1 / seconds["short"][1]),
        "entries_per_s_100000": round(1 / seconds["many"][1]),
        "bare_fsync_per_s": round(1 / bare),
        "cpu_ms_short": round(1000 * seconds["short"][0], 1),
        "cpu_ms_100000": round(1000 * seconds["many"][0], 1),
    }
    bench = Bench(tmp_path / "short")
    numbers = iter(range(10_000))
    benchmark.pedantic(lambda: store_many(bench, 1, f"once{next(numbers):05d}"), rounds=10)
    assert seconds["many"][0] < 3 * seconds["short"][0] + 0.01  # hardly more for 100,000 rows
    shutil.rmtree(tmp_path / "many")
