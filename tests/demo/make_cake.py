"""Makes plan/ and record/ of trials/cake from the published data. Run by hand.

    python tests/demo/make_cake.py

Data: Cochran and Cox (1957), Experimental Designs; data set `cake` of the R package lme4
(tests/reference/data/cake.csv). A recipe batch of the publication is a batch here, a cake a ball.
The order of mixing is not published: batches stand in the order of the data.
"""

from __future__ import annotations

import csv
import shutil
import sys
import uuid
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from doughlab.formula import read_formula
from doughlab.plan import build_plan, write_plan
from doughlab.record.journal import append
from doughlab.settings import read_settings

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "trials" / "cake"
DATA = ROOT / "tests" / "reference" / "data" / "cake.csv"
# the publication gives no dates; the times only have to stand in order
START = datetime(1957, 1, 1, 9, tzinfo=UTC).replace(year=2001)


def read_data() -> dict[tuple[str, str], dict[str, float]]:
    """Angles by (recipe, replicate), then by temperature."""
    out: dict[tuple[str, str], dict[str, float]] = {}
    with DATA.open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            cakes = out.setdefault((row["recipe"], row["replicate"]), {})
            cakes[f"{row['temperature']} C"] = float(row["angle"])
    return out


def main() -> None:
    """Build the plan's shape, put the published recipes in, record every angle."""
    settings = read_settings(FOLDER / "trial.toml")
    formula = read_formula(FOLDER / "formula.toml")
    for name in ("plan", "record", "report"):
        shutil.rmtree(FOLDER / name, ignore_errors=True)
    data = read_data()
    plan = build_plan(settings, formula=formula)
    if len(plan.batches) != len(data):
        sys.exit(f"the plan has {len(plan.batches)} batches, the data {len(data)}")
    batches, angles = [], {}
    for batch, (key, cakes) in zip(plan.batches, data.items(), strict=True):
        batches.append({**batch, "recipe": key[0]})
        angles[batch["batch_id"]] = cakes
    plan = replace(plan, batches=tuple(batches))
    write_plan(plan, FOLDER)
    temperature = settings.factor("temperature")
    rows = []
    for number, ball in enumerate(plan.balls):
        level = temperature.level_of(ball[temperature.column])
        rows.append(
            {
                "entry_id": str(uuid.uuid5(uuid.NAMESPACE_OID, f"cake {number}")),
                "ball_id": ball["ball_id"],
                "baked_at": START + timedelta(minutes=number),
                "angle_deg": angles[ball["batch_id"]][level],
            }
        )
    append(FOLDER, settings.table("bakes"), rows, by="published", now=START + timedelta(days=1))
    print(f"cake: {len(batches)} batches, {len(rows)} cakes")


if __name__ == "__main__":
    main()
