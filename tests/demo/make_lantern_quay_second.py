"""Makes the records of trials/lantern-quay-second, the demo's second trial; all invented.

    python tests/demo/make_lantern_quay_second.py [FOLDER]

The kitchen and its true effects are those of the first trial (`invent.Truth`): at 64 F, 65 % and
48 h osmosis water bakes 0.04 points of ten worse than tap, so "same" is the truth.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from invent import Mishaps, Truth, due, invent
from make_lantern_quay import name_entries, store

from doughlab.formula import read_formula
from doughlab.plan import build_plan, write_plan
from doughlab.record.checks import write_datapackage
from doughlab.settings import read_settings

SECOND = Path(__file__).parents[2] / "trials" / "lantern-quay-second"
SEED = 55
FIXED = {"mixing_water": 17.8, "hydration": 65.0}
TRUTH = replace(Truth(), fixed=FIXED)


def choose_mishaps(plan) -> Mishaps:
    """One bake lost, nobody away."""
    bakes = sorted(due(plan, "bake"))
    return Mishaps(lost={bakes[20]: "fell from the peel"})


def main(folder: Path) -> None:
    """Make plan/, record/ and datapackage.json of the second trial again."""
    settings = read_settings(folder / "trial.toml")
    formula = read_formula(folder / "formula.toml")
    for name in ("plan", "record", "report"):
        shutil.rmtree(folder / name, ignore_errors=True)
    plan = build_plan(settings, formula=formula)
    write_plan(plan, folder)
    tables = invent(plan, truth=TRUTH, mishaps=choose_mishaps(plan), seed=SEED)
    name_entries(tables, name_space=f"lantern-quay-second {SEED}")
    store(folder, settings, tables)
    (folder / "record" / ".lock").unlink(missing_ok=True)
    write_datapackage(folder, settings)
    rows = {name: len(found) for name, found in tables.items()}
    print(f"{folder.name}: {len(plan.batches)} batches, {len(plan.balls)} balls, rows {rows}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SECOND)
