"""Expiry: whether what ends a settled recipe has come true, told from records.

`doughlab daily` and the overview ask here. The conditions in words stand in the recipe; here each
is set against daily readings and lots, calibrations and waters.csv. What cannot be seen from
records (a notice on paper) stays a point of the opening checklist.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import Recipe
from doughlab.units import format_quantity

Row = dict[str, Any]
# Rules of this project.
RECENT = 5  # readings and lots that are looked back on
SEVERAL = 2  # of them outside before it is said
ROOM_OFF_C = 1.0  # beyond what was tried
COOLER_OFF_C = 1.0


@dataclass(frozen=True)
class Ended:
    """One condition that has come true.

    Attributes
    ----------
    what : str
        "date", "room", "cooler", "flour", "water", "report", "mixer" or "meter".
    words : str
        What was found, what was tried, and what to do.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> over = example_recipe(expires_on="2026-06-01")
    >>> [e.what for e in find_ended(over, DailyRecords(), day=date(2026, 6, 2))]
    ['date']
    """

    what: str
    words: str


def find_ended(
    recipe: Recipe,
    records: DailyRecords,
    *,
    day: date,
    waters: Mapping[str, Mapping[str, Any]] | None = None,
    calibrations: Sequence[Row] = (),
    show: str = "",
) -> list[Ended]:
    """List what has come true of the conditions that end a recipe.

    Parameters
    ----------
    recipe : Recipe
    records : DailyRecords
    day : date
        The day that is asked about.
    waters : mapping of str to dict, optional
        Rows of waters.csv as they stand now.
    calibrations : sequence of dict
        Of the trial folder; they tell which meter is in use.
    show : str
        Unit of temperature to answer in.

    Returns
    -------
    list of Ended
        Empty where nothing is seen.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> find_ended(example_recipe(), DailyRecords(), day=date(2026, 6, 2))
    []
    """
    found = [
        _date(recipe, day),
        _temperature(recipe, records, "room", show),
        _temperature(recipe, records, "cooler", show),
        _flour(recipe, records),
        _water(recipe, records),
        _report(recipe, waters or {}),
        _mixer(recipe, records),
        _meter(recipe, records, calibrations),
    ]
    return [e for e in found if e is not None]


def ended_lines(ended: Sequence[Ended]) -> list[str]:
    """Set what has come true in sentences, with what to do at the end.

    Examples
    --------
    >>> ended_lines([Ended("flour", "Flour lot F2 is in use.")])[-1]
    'So the recipe is past what it was settled for: try again what has changed, then settle it...
    """
    if not ended:
        return []
    return [
        *(e.words for e in ended),
        "So the recipe is past what it was settled for: try again what has changed, then settle "
        "it anew (--settle --reason), or settle it anew with the reason why it still holds.",
    ]


def _date(recipe: Recipe, day: date) -> Ended | None:
    words = recipe.expired(day)
    return Ended("date", words) if words else None


def _temperature(recipe: Recipe, records: DailyRecords, kind: str, show: str) -> Ended | None:
    """Tell whether the last rooms or coolers lie beyond what was tried."""
    usual, tried = recipe.usual, recipe.tried
    if kind == "room":
        low, high, off = usual.room_low_c, usual.room_high_c, ROOM_OFF_C
    elif tried is None:
        return None
    else:
        low, high, off = tried.cooler_low_c, tried.cooler_high_c, COOLER_OFF_C
    known = [(r["at"], float(r[f"{kind}_c"])) for r in records.readings
             if r[f"{kind}_c"] is not None][-RECENT:]  # fmt: skip
    outside = [v for _, v in known if not low - off <= v <= high + off]
    if len(outside) < SEVERAL:
        return None
    mean = sum(outside) / len(outside)
    shown, first, last = (
        format_quantity(v, "temp_c", show=show, digits=0) for v in (mean, low, high)
    )
    return Ended(kind, (
        f"The {kind} was outside what was tried ({first} to {last}) at {len(outside)} of the last "
        f"{len(known)} readings, {shown} on average there, so what is expected is a guess there."
    ))  # fmt: skip


def _lots_since(recipe: Recipe, records: DailyRecords) -> list[Row]:
    """Give the lots that were mixed since the recipe was settled."""
    start = date.fromisoformat(recipe.settled_at)
    return [r for r in records.lots.values() if r["mixed_at"].date() >= start]


def _others(rows: Sequence[Row], column: str, tried: Sequence[str]) -> tuple[str, str]:
    """Name the newest untried value among the last lots, and the day it was first seen."""
    known = {t.casefold() for t in tried}
    new = [r for r in rows[-RECENT:] if r.get(column) and str(r[column]).casefold() not in known]
    if not new or not known:
        return "", ""
    name = str(new[-1][column])
    first = next(r for r in rows if str(r.get(column)) == name)
    return name, f"{first['mixed_at']:%Y-%m-%d}"


def _flour(recipe: Recipe, records: DailyRecords) -> Ended | None:
    name, since = _others(_lots_since(recipe, records), "flour_lot", recipe.flour_lots)
    if not name:
        return None
    return Ended("flour", (
        f"Flour lot {name} was not in the trial (mixed from {since}; tried: "
        f"{', '.join(recipe.flour_lots)}): read more balls until its own lots are on the chart, or "
        "try it (doughlab new FOLDER --for flour-lot)."
    ))  # fmt: skip


def _water(recipe: Recipe, records: DailyRecords) -> Ended | None:
    settled = recipe.setting.get("water") or (recipe.tried.water if recipe.tried else "")
    name, since = _others(_lots_since(recipe, records), "water", [settled] if settled else [])
    if not name:
        return None
    return Ended("water", f"Water {name} was used from {since}; settled on {settled}.")


def _report(recipe: Recipe, waters: Mapping[str, Mapping[str, Any]]) -> Ended | None:
    """Tell whether the report of the settled water is another one now."""
    tried = recipe.tried
    if tried is None or not tried.water or tried.water not in waters:
        return None
    now = water_facts(waters[tried.water])
    if not tried.water_facts or now == tried.water_facts:
        return None
    return Ended("report", (
        f"The report of {tried.water} has changed in waters.csv: {now}; settled on "
        f"{tried.water_facts}."
    ))  # fmt: skip


def water_facts(row: Mapping[str, Any]) -> str:
    """Say in a few words what a row of waters.csv reports.

    Examples
    --------
    >>> water_facts({"ph": 7.9, "alkalinity_mg_l": 150.0, "sampled_at": None})
    'pH 7.9, alkalinity 150 mg/L'
    """
    sampled = row.get("sampled_at")
    parts = [f"sampled {sampled:%Y-%m-%d}" if hasattr(sampled, "strftime") else ""]
    parts += [f"pH {row['ph']:g}" if row.get("ph") is not None else ""]
    alkalinity = row.get("alkalinity_mg_l")
    parts += [f"alkalinity {alkalinity:g} mg/L" if alkalinity is not None else ""]
    return ", ".join(p for p in parts if p)


def _mixer(recipe: Recipe, records: DailyRecords) -> Ended | None:
    tried = recipe.tried.mixers if recipe.tried else ()
    name, since = _others(_lots_since(recipe, records), "mixer", tried)
    if not name:
        return None
    return Ended("mixer", (
        f"Mixer {name} was used from {since}; tried: {', '.join(tried)}. Its dough may come out "
        "at another temperature: write down water, flour, room and dough at "
        "every mix, and compare (doughlab new FOLDER --for scale-up)."
    ))  # fmt: skip


def _meter(recipe: Recipe, records: DailyRecords, calibrations: Sequence[Row]) -> Ended | None:
    tried = recipe.tried.meters if recipe.tried else ()
    known = {t.casefold() for t in tried}
    start = date.fromisoformat(recipe.settled_at)
    used = [(r["at"], r.get("instrument")) for r in records.readings]
    used += [(c["calibrated_at"], c.get("instrument")) for c in calibrations]
    new = sorted((at, str(name)) for at, name in used
                 if name and at.date() >= start and str(name).casefold() not in known)  # fmt: skip
    if not new or not known:
        return None
    at, name = new[-1]
    return Ended("meter", (
        f"Meter {name} was used on {at:%Y-%m-%d}; tried: {', '.join(tried)}. Read one dough with "
        "both before their numbers share a chart (doughlab new FOLDER --for meter-study)."
    ))  # fmt: skip
