"""Unlikely: numbers that may be right but look like slips of the hand or the scale.

`sense` asks here for notes about mixes and readings. Nothing is refused for being unlikely but an
acid without a name; ranges that cannot be are refused by the tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from statistics import median
from typing import TYPE_CHECKING, Any

from doughlab.errors import Problem
from doughlab.record.mixing import plan_grams
from doughlab.record.records import Records
from doughlab.record.series import part_balls
from doughlab.settings import Settings

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

Row = dict[str, Any]
MIXES, READINGS = "record/mixes.csv", "record/readings.csv"
APART_PH = 0.1  # readings of one ball further apart are asked about; rule of this project
HYDRATION_OFF = 0.2  # share by which water to flour may miss the plan; rule of this project
GRAMS_OFF = 1.5  # how many times the planned grams; rule of this project
# hard water takes up to about 6 g of 5 % vinegar a kilogram (water.dosing); rule of this project
MOST_ACID_G_KG = 30.0


def _note(path: str, row: Row, column: str, words: str) -> Problem:
    return Problem(path, words, row.get("_row"), column, "note")


def check_mix_slips(
    plan: Plan | None, records: Records, formula: Formula | None = None
) -> Iterator[Problem]:
    """Compare water and acid of each mix with what the plan weighs.

    Parameters
    ----------
    plan : Plan or None
    records : Records
    formula : Formula, optional
        Without it only what needs no plan is looked at.

    Examples
    --------
    >>> row = {"batch_id": "B01", "acid": "citric", "acid_g": 0.2, "water_ph_before": 6.0,
    ...        "water_ph": 6.2}
    >>> print(next(check_mix_slips(None, Records.of(mixes=[row]))).message)
    acid lowers the pH; this says that 0.2 g of citric raised it from 6 to 6.2. Correct one...
    """
    for row in records.mixes:
        wanted: Mapping[str, float] = {}
        if plan is not None and formula is not None:
            wanted = plan_grams(plan, str(row["batch_id"]), formula)
        yield from _check_water(row, wanted)
        yield from _check_acid(row, wanted)


def _check_water(row: Row, wanted: Mapping[str, float]) -> Iterator[Problem]:
    water, flour = row["water_g"], row["flour_g"]
    if not water or not wanted:
        return
    if flour:
        done, planned = 100 * water / flour, 100 * wanted["water"] / wanted["flour"]
        if abs(done / planned - 1.0) > HYDRATION_OFF:
            words = (
                f"water_g {water:g} beside {flour:g} g of flour is a hydration of {done:.3g} %; "
                f"the plan has {planned:.3g} %. Is a digit missing, or one too many?"
            )
            yield _note(MIXES, row, "water_g", words)
    elif not 1.0 / GRAMS_OFF <= water / wanted["water"] <= GRAMS_OFF:
        words = (
            f"water_g {water:g}; the plan weighs {wanted['water']:.0f} g for {row['batch_id']}. Is "
            "a digit missing, or one too many?"
        )
        yield _note(MIXES, row, "water_g", words)


def _check_acid(row: Row, wanted: Mapping[str, float]) -> Iterator[Problem]:
    acid, acid_g = row["acid"], row["acid_g"]
    if acid is not None and not re.search(r"[^\W\d_]", acid):
        words = f"acid '{acid}' names no product. Write what it was, or leave it out."
        yield Problem(MIXES, words, row.get("_row"), "acid")
    if not acid_g:
        return
    name = acid or "acid"
    before, after = row["water_ph_before"], row["water_ph"]
    if before is not None and after is not None and after > before:
        words = (
            f"acid lowers the pH; this says that {acid_g:g} g of {name} raised it from {before:g} "
            f"to {after:g}. Correct one of them."
        )
        yield _note(MIXES, row, "water_ph", words)
    water = row["water_g"] or wanted.get("water")
    planned = wanted.get("acid")
    if planned and not 1.0 / GRAMS_OFF <= acid_g / planned <= GRAMS_OFF:
        words = (
            f"acid_g {acid_g:g}; the plan weighs {planned:.3g} g of {name} for {row['batch_id']}. "
            "Is the decimal point right?"
        )
        yield _note(MIXES, row, "acid_g", words)
    elif water and 1000.0 * acid_g / water > MOST_ACID_G_KG:
        words = (
            f"{acid_g:g} g of {name} in {water:.4g} g of water is {1000 * acid_g / water:.0f} g "
            "for a kilogram, more than any water takes. Is the decimal point right?"
        )
        yield _note(MIXES, row, "acid_g", words)


def check_reading_slips(settings: Settings, records: Records) -> Iterator[Problem]:
    """Ask about a reading that lies far from the others of its ball.

    Examples
    --------
    >>> rows = [{"ball_id": "B01-1", "ph": ph} for ph in (5.62, 5.10, 5.63)]
    >>> print(next(check_reading_slips(Settings("Demo", "DE"), Records.of(readings=rows))).message)
    B01-1: 5.1 lies 0.53 from the other readings (5.62, 5.63). Read once more; if it was a slip,...
    """
    method = settings.reading_method
    limit = max(APART_PH, 2.0 * method.resolution)
    rows = [r for r in records.readings if r["method"] in (None, method.kind)]
    for ball, series in part_balls(records, rows, warm_min=settings.kitchen.warm_min).items():
        used = [r for r in series.used if r["ph"] is not None]
        if len(used) < 2:
            continue
        middle = median(r["ph"] for r in used)
        far = max(used, key=lambda r: abs(r["ph"] - middle))
        rest = [r["ph"] for r in used if r is not far]
        off = abs(far["ph"] - median(rest))
        if off <= limit + 1e-9:
            continue
        entry = str(far.get("entry_id") or "ENTRY")[:8]
        if len(rest) == 1:
            said = f"{ball}: two readings, {rest[0]:g} and {far['ph']:g}, lie {off:.2g} apart."
        else:
            others = ", ".join(f"{v:g}" for v in rest[:4])
            said = f"{ball}: {far['ph']:g} lies {off:.2g} from the other readings ({others})."
        words = (
            f"{said} Read once more; if it was a slip, take it back: doughlab record reading "
            f"--void {entry} --reason TEXT"
        )
        yield _note(READINGS, used[-1], "ph", words)
