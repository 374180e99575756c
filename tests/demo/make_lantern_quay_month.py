"""Makes trials/lantern-quay/daily: the recipe that two trials settled, and a month of lots.

    python tests/demo/make_lantern_quay_month.py [FOLDER]

Everything is invented, as is the one fault: in the night of the 28th of April the thermostat of the
cooler sticks, the cooler runs at 1 C, and its display goes on saying what it always said. Lots lie
off the settled mean by LOT_SD, balls of a lot by BALL_SD; a colder cooler ripens slower by a
square-root law of temperature, which is not the clock of the fault finder.
"""

from __future__ import annotations

import shutil
import sys
import uuid
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from doughlab import __version__
from doughlab.daily.checklist import list_points
from doughlab.daily.journals import LIMITS, LOTS, READINGS, TICKS, read_daily
from doughlab.daily.recipe import write_recipe
from doughlab.daily.settle import build_recipe
from doughlab.daily.standing import new_limits
from doughlab.record.checks import write_datapackage
from doughlab.record.journal import append
from doughlab.trial import Trial

TRIALS = Path(__file__).parents[2] / "trials"
DEMO, SECOND = TRIALS / "lantern-quay", TRIALS / "lantern-quay-second"
SEED = 56
ZONE = ZoneInfo("America/New_York")
SETTLED = datetime(2026, 3, 28, 16, tzinfo=ZONE)
FIRST_MIX = datetime(2026, 3, 29, 10, 20, tzinfo=ZONE)
LAST_MIX = datetime(2026, 4, 29, 23, tzinfo=ZONE)
LAST_READ = datetime(2026, 4, 29, 12, tzinfo=ZONE)
OWN_LIMITS = datetime(2026, 4, 18, 15, tzinfo=ZONE)
FAULT = datetime(2026, 4, 28, 1, tzinfo=ZONE)
COOLER_C, FAULT_C = 3.4, 1.0
LOT_SD, BALL_SD = 0.030, 0.020
PH_PER_H = -0.0115  # about the checkpoint, at COOLER_C
WHO = ("Mo", "Ira")


def rate(temp_c: float) -> float:
    """Ripening an hour beside that at COOLER_C, by a square-root law that ends at -8 C."""
    return ((temp_c + 8.0) / (COOLER_C + 8.0)) ** 2


def shift_of(into: datetime, read: datetime) -> float:
    """PH that the fault adds to a lot: hours in the cold that count less."""
    hours = max(0.0, (min(read, LAST_READ) - max(into, FAULT)).total_seconds() / 3600.0)
    return PH_PER_H * hours * (rate(FAULT_C) - 1.0)


def mixing_days() -> list[datetime]:
    """Every day but Saturday: nobody reads on the closed Monday."""
    days = [FIRST_MIX + timedelta(days=n) for n in range(40)]
    return [d for d in days if d.weekday() != 5 and d <= LAST_MIX]


def make_rows(expected: float, rng: np.random.Generator) -> tuple[list[dict], list[dict]]:
    """Lots with their times and temperatures, and two balls of each at the checkpoint."""
    lots, readings = [], []
    for day in mixing_days():
        mixed = day + timedelta(minutes=int(rng.integers(-6, 15)))
        balled = mixed + timedelta(minutes=int(rng.integers(46, 58)))
        cooled = balled + timedelta(minutes=int(rng.integers(12, 20)))
        read = balled + timedelta(hours=48, minutes=int(rng.integers(-10, 15)))
        used = read <= LAST_READ
        room = 20.6 + rng.normal(0, 0.7)
        water = 17.8 + rng.normal(0, 0.2)
        name = f"L{day:%m%d}"
        lots.append({
            "lot": name, "dough": "house dough", "mixed_at": mixed, "balled_at": balled,
            "cooled_at": cooled, "trays": 6, "left": 0 if used else 6, "place": "walk-in",
            "water_temp_c": round(water, 1), "flour_lot": "F1", "water": "tap",
            "dough_temp_c": round(0.42 * water + 0.35 * room + 9.2 + rng.normal(0, 0.2), 1),
            "entered_at": cooled + timedelta(minutes=5),
        })  # fmt: skip
        off = rng.normal(0, LOT_SD) + shift_of(cooled, read)
        for ball in range(2):
            ph = expected + off + rng.normal(0, BALL_SD)
            at = read + timedelta(minutes=2 * ball)
            row = {"dough": "house dough", "lot": name, "at": at, "ph": round(float(ph), 2)}
            row |= {"hold_h": round((at - balled).total_seconds() / 3600, 2), "out_min": 15.0,
                    "room_c": round(20.6 + rng.normal(0, 0.7), 1),
                    "cooler_c": round(COOLER_C + rng.normal(0, 0.15), 1),
                    "instrument": "bench meter"}  # fmt: skip
            row["entered_at"] = at + timedelta(minutes=1)
            if used:
                readings.append(row)
    readings[-1]["note"] = "second day high; display of the walk-in as always"
    return lots, readings


class Book:
    """Stores rows in the order of their entry, with ids that are the same in every run."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.number = folder, 0

    def add(self, table, rows: list[dict]) -> None:
        for row in sorted(rows, key=lambda r: r["entered_at"]):
            self.number += 1
            name = f"lantern-quay month {SEED} {table.name} {self.number}"
            moment = row["entered_at"]
            entry = {k: _plain(v) for k, v in row.items() if k != "entered_at"}
            entry |= {"entry_id": str(uuid.uuid5(uuid.NAMESPACE_OID, name)),
                      "entered_by": WHO[moment.day % 2]}  # fmt: skip
            append(self.folder, table, [entry], now=moment)


def _plain(value):
    return float(value) if isinstance(value, np.floating) else value


def main(folder: Path) -> None:
    """Settle on both trials, then write the month."""
    shutil.rmtree(folder / "daily", ignore_errors=True)
    trial = Trial.open(folder)
    recipe = build_recipe(
        trial, by="Mo", now=SETTLED, version=__version__, expires_on="2027-03-01",
        also=[Trial.open(SECOND)],
    )  # fmt: skip
    write_recipe(folder, recipe, now=SETTLED)
    lots, readings = make_rows(recipe.expected, np.random.default_rng(SEED))
    book = Book(folder)
    book.add(LOTS, lots)
    before = [r for r in readings if r["at"] < OWN_LIMITS]
    book.add(READINGS, before)
    own = new_limits(recipe, read_daily(folder, [recipe.dough]))
    book.add(LIMITS, [{**own, "dough": recipe.dough, "at": OWN_LIMITS, "entered_at": OWN_LIMITS,
                       "reason": f"{own['n']} lots of our own, all alike"}])  # fmt: skip
    book.add(READINGS, [r for r in readings if r["at"] >= OWN_LIMITS])
    points = list_points("opening", recipe, trial.settings.limits, show="F")
    opened = LAST_READ - timedelta(hours=3)
    book.add(TICKS, [
        {"dough": recipe.dough, "at": opened, "checklist": "opening", "point": n, "words": words,
         "recipe": recipe.settled_at, "entered_at": opened}
        for n, words in enumerate(points[:3], start=1)
    ])  # fmt: skip
    (folder / "daily" / ".lock").unlink(missing_ok=True)
    (folder / ".lock").unlink(missing_ok=True)
    write_datapackage(folder, trial.settings)
    print(f"{folder.name}: {len(lots)} lots, {len(readings)} readings, limits {own['sd']:.4f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO)
