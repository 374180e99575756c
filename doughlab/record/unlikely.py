"""Unlikely: numbers that may be right but look like slips of the hand or the scale.

`sense` asks here for notes about mixes and readings. Nothing is refused for being unlikely but an
acid without a name; ranges that cannot be are refused by the tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from statistics import median
from typing import TYPE_CHECKING, Any

from doughlab.errors import Problem
from doughlab.plan.meters import count_readings
from doughlab.record.balls import hours_between
from doughlab.record.journal import short_name
from doughlab.record.mixing import plan_grams
from doughlab.record.records import Records
from doughlab.record.series import GAP_MIN, part_balls
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
MOST_NAMED = 12  # entries in one line to copy


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
        entry = name_entries([far])
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


def check_reading_counts(settings: Settings, records: Records) -> Iterator[Problem]:
    """Say where a ball has more or fewer readings than planned, or readings far apart in time.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> at = datetime(2026, 3, 4, 9, tzinfo=UTC)
    >>> rows = [{"ball_id": "B01-1", "ph": 5.4, "read_at": at}] * 4
    >>> print(next(check_reading_counts(Settings("Demo", "DE"), Records.of(readings=rows))).message)
    B01-1 has 4 readings, 3 are planned. All are averaged. Was it read twice? Take the last set...
    """
    planned = count_readings(settings)
    warm_min = settings.kitchen.warm_min
    rows = [
        r for r in records.readings
        if r["method"] in (None, settings.reading_method.kind)
    ]  # fmt: skip
    for ball, series in part_balls(records, rows, warm_min=warm_min).items():
        used, every = series.used, [*series.used, *(r for g in series.others for r in g)]
        if not series.sure:
            words = (
                f"{ball} was read at times {GAP_MIN:g} min or more apart, and no take-out is "
                "recorded. The last reading is taken as the one in use. Say when it left the "
                f"cooler: doughlab record pulled {ball} --at TIME"
            )
            yield _note(READINGS, used[0], "read_at", words)
        if len(used) > planned:
            last = _last_set(used, planned)
            what = "set" if "," in last or last == "ENTRIES" else "one"
            words = (
                f"{ball} has {len(used)} readings, {planned} {'is' if planned == 1 else 'are'} "
                f"planned{_who(used)}. All are averaged. Was it read twice? Take the last {what} "
                f"back: doughlab record reading --void {last} --reason TEXT"
            )
            yield _note(READINGS, used[-1], "ball_id", words)
        elif len(used) < planned and records.last_at != used[-1]["read_at"]:
            words = f"{ball} has {len(used)} of {planned} readings. The mean of these is used."
            yield _note(READINGS, used[-1], "ball_id", words)
        times = [r["read_at"] for r in every]
        if hours_between(min(times), max(times)) > max(2.0, warm_min / 60 + 0.5):
            row = max(every, key=lambda r: r["read_at"])
            words = f"the readings of {ball} lie over 2 h apart. Is the time right?"
            yield _note(READINGS, row, "read_at", words)


def _last_set(used: Sequence[Row], planned: int) -> str:
    """Name the entries stored last, together; of one set with too many numbers those too many."""
    fresh = [r for r in used if r.get("entry_id") is None]
    if fresh:
        return name_entries(fresh)
    newest = max(used, key=lambda r: r.get("_row") or 0)
    own = [r for r in used if r.get("entered_at") == newest.get("entered_at")]
    return name_entries(own if len(own) < len(used) else list(used)[planned:][-planned:])


def name_entries(rows: Sequence[Row]) -> str:
    """Name rows as `--void` takes them; of very many only the last one.

    Rows that are not stored yet have no name: ENTRY or ENTRIES, which `record` fills in.

    Examples
    --------
    >>> name_entries([{"entry_id": "3608e144-9c1f"}, {"entry_id": "07bf3392-11aa"}])
    '3608e144,07bf3392'
    >>> name_entries([{"entry_id": None}])
    'ENTRY'
    """
    ids = [short_name(r["entry_id"]) for r in rows if r.get("entry_id")]
    if not ids:
        return "ENTRY" if len(rows) == 1 else "ENTRIES"
    return ",".join(ids if len(ids) <= MOST_NAMED else ids[-1:])


def _who(used: Sequence[Row]) -> str:
    """Say who read a ball, where it was more than one."""
    names = list(dict.fromkeys(str(r["entered_by"]) for r in used if r.get("entered_by")))
    return f", by {' and '.join(names)}" if len(names) > 1 else ""
