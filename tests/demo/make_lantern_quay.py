"""Makes the records of trials/lantern-quay, the demo. Run by hand; everything is invented.

    python tests/demo/make_lantern_quay.py [FOLDER]

The settings are read from trial.toml in the folder; plan/ and record/ are made again from them.
The true effects stand in `invent.Truth`; the mishaps below are part of the story.
"""

from __future__ import annotations

import shutil
import sys
import uuid
from datetime import timedelta
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
    """Two pH balls and one bake lost, one judge away for a session."""
    reads = sorted(due(plan, "read"))
    bakes = due(plan, "bake")
    lost = {
        reads[13]: "dropped on the floor",
        reads[50]: "label gone, could not be named",
        sorted(bakes)[31]: "stuck to the box and torn",
    }
    sessions = sorted({plan.ball(b)["session"] for b in bakes})
    return Mishaps(lost=lost, judge_away=("J3", sessions[len(sessions) // 2]))


def when(row: dict):
    """Time of entry."""
    return row["entered_at"]


def name_entries(tables: dict[str, list[dict]], *, name_space: str) -> None:
    """Give every row who entered it and an id that is the same in every run."""
    number = 0
    for name, rows in tables.items():
        for row in sorted(rows, key=when):
            number += 1
            row["entry_id"] = str(uuid.uuid5(uuid.NAMESPACE_OID, f"{name_space} {number}"))
            row["entered_by"] = row["judge"] if name == "scores" else WHO.get(name, "bench")


def mistype(tables: dict[str, list[dict]]) -> None:
    """Swap two digits of one reading as a tired hand would, and correct it by a new row."""
    row = next(r for r in tables["readings"] if 5.6 < r["ph"] < 5.7)
    right = {
        **row,
        "entry_id": str(uuid.uuid5(uuid.NAMESPACE_OID, f"lantern-quay {SEED} correction")),
        "action": "replace",
        "replaces": row["entry_id"],
        "reason": "digits swapped when typed; the display was noted on paper",
        "entered_at": row["entered_at"] + timedelta(minutes=21),
    }
    tenths, hundredths = f"{row['ph']:.2f}"[2:]
    row["ph"] = float(f"5.{hundredths}{tenths}")
    tables["readings"].append(right)


def store(folder: Path, settings, tables: dict[str, list[dict]]) -> None:
    """Write the invented rows through the record room, in order of entry."""
    for name, rows in tables.items():
        for moment, group in groupby(sorted(rows, key=when), key=when):
            ready = [{k: v for k, v in row.items() if k != "entered_at"} for row in group]
            append(folder, settings.table(name), ready, now=moment)


def main(folder: Path) -> None:
    """Make plan/ and record/ of the demo again."""
    settings = read_settings(folder / "trial.toml")
    formula = read_formula(folder / "formula.toml")
    for name in ("plan", "record", "report"):
        shutil.rmtree(folder / name, ignore_errors=True)
    plan = build_plan(settings, formula=formula)
    write_plan(plan, folder)
    tables = invent(plan, truth=Truth(), mishaps=choose_mishaps(plan), seed=SEED)
    rows = {name: len(rows) for name, rows in tables.items()}
    name_entries(tables, name_space=f"lantern-quay {SEED}")
    mistype(tables)
    store(folder, settings, tables)
    (folder / "record" / ".lock").unlink(missing_ok=True)
    print(f"{folder.name}: {len(plan.batches)} batches, {len(plan.balls)} balls, rows {rows}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO)
