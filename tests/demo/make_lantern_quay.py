"""Makes the records of trials/lantern-quay, the demo. Run by hand; everything is invented.

    python tests/demo/make_lantern_quay.py [FOLDER]

The settings are read from trial.toml in the folder; plan/ and record/ are made again from them.
The true effects stand in `invent.Truth`; the mishaps below are part of the story.
"""

from __future__ import annotations

import shutil
import sys
import uuid
from itertools import groupby
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from invent import Mishaps, Truth, due, invent

from doughlab.formula import read_formula
from doughlab.plan import build_plan, write_plan
from doughlab.record.journal import append
from doughlab.settings import read_settings

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
SEED = 54
WHO = {"mixes": "mixer", "scores": "judge"}


def choose_mishaps(plan) -> Mishaps:
    """Two pH balls and one bake lost, one judge away for a session, one batch in a hot room."""
    reads = sorted(due(plan, "read"))
    bakes = due(plan, "bake")
    lost = {
        reads[13]: "dropped on the floor",
        reads[50]: "label gone, could not be named",
        sorted(bakes)[31]: "stuck to the box and torn",
    }
    sessions = sorted({plan.ball(b)["session"] for b in bakes})
    return Mishaps(lost=lost, judge_away=("J3", sessions[len(sessions) // 2]), hot_batch="B11")


def entry_id(number: int) -> str:
    """Entry ids that are the same in every run."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"lantern-quay {SEED} {number}"))


def store(folder: Path, settings, tables: dict[str, list[dict]]) -> None:
    """Write the invented rows through the record room, in order of entry."""
    number = 0
    for name, rows in tables.items():
        table = settings.table(name)
        for moment, group in groupby(sorted(rows, key=when), key=when):
            ready = []
            for row in group:
                number += 1
                inner = {k: v for k, v in row.items() if k != "entered_at"}
                by = row["judge"] if name == "scores" else WHO.get(name, "bench")
                ready.append({**inner, "entry_id": entry_id(number), "entered_by": by})
            append(folder, table, ready, now=moment)


def when(row: dict):
    """Time of entry."""
    return row["entered_at"]


def mistype(tables: dict[str, list[dict]]) -> dict:
    """Swap two digits of one reading as a tired hand would; give the row as it should be."""
    row = next(r for r in tables["readings"] if 5.6 < r["ph"] < 5.7)
    right = dict(row)
    tenths, hundredths = f"{row['ph']:.2f}"[2:]
    row["ph"] = float(f"5.{hundredths}{tenths}")
    return right


def correct(folder: Path, settings, wrong: dict, right: dict) -> None:
    """Store the correction as a new row with its reason."""
    from datetime import timedelta

    from doughlab.record.journal import read_journal

    table = settings.table("readings")
    stored = next(
        r
        for r in read_journal(folder, table).rows
        if r["ball_id"] == right["ball_id"] and r["read_at"] == right["read_at"]
    )
    row = {k: v for k, v in right.items() if k != "entered_at"}
    row |= {
        "entry_id": entry_id(0),
        "action": "replace",
        "replaces": stored["entry_id"],
        "reason": "digits swapped when typed, meter display noted on paper",
        "entered_by": "bench",
    }
    append(folder, table, [row], now=wrong["entered_at"] + timedelta(minutes=20))


def main(folder: Path) -> None:
    """Make plan/ and record/ of the demo again."""
    settings = read_settings(folder / "trial.toml")
    formula = read_formula(folder / "formula.toml")
    for name in ("plan", "record", "report"):
        shutil.rmtree(folder / name, ignore_errors=True)
    plan = build_plan(settings, formula=formula)
    write_plan(plan, folder)
    tables = invent(plan, truth=Truth(), mishaps=choose_mishaps(plan), seed=SEED)
    right = mistype(tables)
    wrong = next(
        r
        for r in tables["readings"]
        if (r["ball_id"], r["read_at"]) == (right["ball_id"], right["read_at"])
    )
    store(folder, settings, tables)
    correct(folder, settings, wrong, right)
    rows = {name: len(rows) for name, rows in tables.items()}
    print(f"{folder.name}: {len(plan.batches)} batches, {len(plan.balls)} balls, rows {rows}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO)
