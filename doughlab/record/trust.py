"""Trust: which readings rest on a meter that may be believed, and how sure the meter can be.

`sense` asks it what to look at, the analysis which readings to try without (`find_doubt`), the
decision how far every reading may be off together (`meter_sd`). How a calibration is worked out
and judged stands in `meter`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from doughlab.errors import Problem, listed
from doughlab.record.balls import hours_between
from doughlab.record.journal import short_name
from doughlab.record.meter import (
    Drift,
    calibration_faults,
    calibration_gaps,
    free_calibration_id,
    last_calibration,
    measure_drift,
    stored_points,
)
from doughlab.record.records import Records
from doughlab.settings import Settings

Row = dict[str, Any]
READINGS, CALIBRATIONS = "record/readings.csv", "record/calibrations.csv"
TWICE_MIN = 30.0  # the same buffers again so soon are asked about; rule of this project
WHY = {
    "failed": "on a calibration that failed",
    "gap": "on a calibration that tells no slope",
    "old": "on buffers past their hours",
    "none": "on no calibration",
    "after": "on a calibration done after them",
    "meter": "on the calibration of another meter",
    "other": "on another meter than trial.toml names",
    "prepared": "on a sample made another way than most",
    "moved": "on a calibration that the meter had moved from by the next",
}

NAMED = ("failed", "gap", "old", "moved")  # reasons that name their calibrations


def _note(path: str, row: Row, column: str, words: str) -> Problem:
    return Problem(path, words, row.get("_row"), column, "note")


def middle_ph(settings: Settings) -> float:
    """Give the pH near which readings are expected: the middle of the window, or 5.5."""
    window = settings.window
    return 5.5 if window is None else (window.low + window.high) / 2.0


@dataclass(frozen=True)
class Doubt:
    """Readings that rest on a meter in doubt, by reason.

    Attributes
    ----------
    rows : tuple of (dict, str)
        The readings and the reason, a key of `WHY`; each once.
    of : int
        pH readings by the trial's method, these included.
    no_buffers : bool
        Whether no calibration is recorded at all.

    Examples
    --------
    >>> print(Doubt((({"calibration_id": "C02"}, "failed"),), 12).sentence)
    1 of 12 readings rests on a calibration that failed (C02).
    """

    rows: tuple[tuple[Row, str], ...] = field(default=(), repr=False)
    of: int = 0
    no_buffers: bool = False

    @property
    def n(self) -> int:
        """How many readings are in doubt."""
        return len(self.rows)

    @property
    def counts(self) -> dict[str, int]:
        """Readings by reason, the most frequent first."""
        return dict(Counter(why for _, why in self.rows).most_common())

    @property
    def sentence(self) -> str:
        """Say how many, and why; empty where none is in doubt."""
        if not self.rows:
            return ""
        if self.no_buffers:
            return f"No calibration is recorded: all {self.of} readings stand on the meter's word."
        parts = []
        for why, n in self.counts.items():
            ids = {r["calibration_id"] for r, w in self.rows if w == why}
            named = sorted(str(i) for i in ids if i is not None)
            shown = f" ({listed(named, shown=4)})" if named and why in NAMED else ""
            parts.append((n, f"{WHY[why]}{shown}"))
        rest = "rests" if self.n == 1 else "rest"
        if len(parts) == 1:
            return f"{self.n} of {self.of} readings {rest} {parts[0][1]}."
        inner = ", ".join(f"{n} {words}" for n, words in parts)
        return f"{self.n} of {self.of} readings {rest} on a meter in doubt: {inner}."


def find_doubt(settings: Settings, records: Records) -> Doubt:
    """Find the pH readings that rest on a failed, stale or missing calibration.

    So do those on a calibration that the meter had moved from by the next one, further than
    `drift_ph` of [meter] allows. Nothing is dropped here. A sample made another way than most
    (grams, water or wait of [reading_method] changed in mid-trial) is in doubt too.

    Parameters
    ----------
    settings : Settings
    records : Records

    Returns
    -------
    Doubt

    Examples
    --------
    >>> rows = [{"ball_id": "B01-1", "ph": 5.4}, {"ball_id": "B01-1", "ph": 5.41}]
    >>> find_doubt(Settings("Demo", "DE"), Records.of(readings=rows)).sentence
    "No calibration is recorded: all 2 readings stand on the meter's word."
    """
    kind = settings.reading_method.kind
    if kind == "strip":
        return Doubt()
    rows = [r for r in records.readings if r["ph"] is not None and r["method"] in (None, kind)]
    meter = _Meter(settings, records)
    usual = _usual_way(rows)
    moved = {d.first_id for d in find_moves(settings, records) if not meter.faults[d.then_id]}
    found = []
    for row in rows:
        said = meter.words(row)
        if said is not None:
            found.append((row, said[0]))
        elif row["prepared"] not in (None, usual):
            found.append((row, "prepared"))
        elif row["calibration_id"] in moved:
            found.append((row, "moved"))
    return Doubt(tuple(found), len(rows), not records.calibrations and bool(found))


def find_moves(settings: Settings, records: Records) -> list[Drift]:
    """Find the calibrations between which the meter moved further than trial.toml allows.

    Parameters
    ----------
    settings : Settings
        `drift_ph` of [meter], and the window in whose middle the move is told.
    records : Records

    Examples
    --------
    >>> find_moves(Settings("Demo", "DE"), Records())
    []
    """
    own = list({c["calibration_id"]: c for c in records.calibrations}.values())
    most = settings.meter.drift_ph
    return [d for d in measure_drift(own, at_ph=middle_ph(settings)) if abs(d.ph) > most]


def _usual_way(rows: list[Row]) -> str | None:
    """Give the way in which most samples were made; None where none is written down."""
    ways = Counter(r["prepared"] for r in rows if r["prepared"] is not None)
    return ways.most_common(1)[0][0] if ways else None


def meter_sd(settings: Settings, records: Records) -> float:
    """Give how far all readings of a trial may be off together, as a standard deviation in pH.

    The buffers' own error is shared by every reading that they stand behind, and no analysis sees
    it; neither does the meter's movement between buffers, where all sessions lie alike after them,
    nor how strips are off: balls that differ by less than a step fall on the same side of it.

    Parameters
    ----------
    settings : Settings
        `buffer_ph` (how far a buffer may be off its bottle) and `drift_ph` of [meter], and the
        step of the instrument.
    records : Records
        The calibrations: which buffers, and how far the meter moved from one to the next.

    Returns
    -------
    float
        For strips half a step either way, as they show fields of a colour and nothing between.

    Notes
    -----
    With buffers p1 and p2 a reading at p takes (p2 - p) / (p2 - p1) of the error of one and the
    rest of the other (algebra of the line). An error stated as plus or minus a is taken as
    rectangular: a / sqrt(3) (JCGM 100:2008, F.2.2.1 and 4.3.7). The movement between two
    calibrations is taken as growing evenly, so that a reading at any time between holds half of it
    on average; without two calibrations half of `drift_ph` is assumed, rectangular.

    Examples
    --------
    >>> round(meter_sd(Settings("Demo", "DE"), Records()), 4)
    0.0167
    """
    method, meter = settings.reading_method, settings.meter
    if method.kind == "strip":
        return method.rounding_sd
    at = middle_ph(settings)
    points = next((p for c in reversed(records.calibrations) if len(p := stored_points(c)) > 1), [])
    phs = sorted(p.ph for p in points) or [4.0, 7.0]
    share = (phs[-1] - at) / (phs[-1] - phs[0])
    buffers = meter.buffer_ph / math.sqrt(3.0) * math.hypot(share, 1.0 - share)
    moved = [d.ph / 2.0 for d in measure_drift(records.calibrations, at_ph=at)]
    if moved:
        drift = math.sqrt(math.fsum(d * d for d in moved)) / len(moved)
    else:
        drift = meter.drift_ph / 2.0 / math.sqrt(3.0)
    return math.hypot(buffers, drift)


def check_calibrations(settings: Settings, records: Records) -> Iterator[Problem]:
    """Say which readings rest on no calibration, an old or a failed one, and where a meter drifted.

    Readings are told of once for each session. Nothing is dropped: a reading stays what it is.

    Examples
    --------
    >>> from datetime import datetime
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> rows = [{"ball_id": "B01-1", "ph": 5.4, "read_at": at, "instrument": "m", "session": "S1"}]
    >>> found = check_calibrations(Settings("Demo", "DE"), Records.of(readings=rows))
    >>> print(next(found).message)
    names no calibration. Write the buffers down before the next reading. Were they done before...
    """
    method = settings.reading_method
    if method.kind == "strip":
        return
    meter = _Meter(settings, records)
    yield from _check_own(settings, records)
    yield from _check_twice(records)
    said: dict[tuple[Any, ...], tuple[Row, int, str, str]] = {}
    for row in records.readings:
        if row["ph"] is None or row["method"] == "strip":
            continue
        found = meter.words(row)
        if found:
            what, column, words = found
            key = (what, row["calibration_id"], row["session"], row["instrument"])
            first, count, column, words = said.get(key, (row, 0, column, words))
            said[key] = (first, count + 1, column, words)
    for row, count, column, words in said.values():
        others = "1 more reading" if count == 2 else f"{count - 1} more readings"
        more = f" The same holds for {others} of that session." if count > 1 else ""
        yield _note(READINGS, row, column, words + more)
    yield from _check_ways(records.readings)
    yield from _check_drift(settings, records)


def _check_own(settings: Settings, records: Records) -> Iterator[Problem]:
    """Judge every calibration by itself, so that it is heard before a ball is read."""
    for row in records.calibrations:
        name = row["calibration_id"]
        for fault in calibration_faults(row, settings.meter):
            column = "offset_mv" if fault.startswith("offset") else "slope_pct"
            yield _note(CALIBRATIONS, row, column, f"{name} failed: {fault}.")
        for gap in calibration_gaps(row, at_ph=middle_ph(settings)):
            yield _note(CALIBRATIONS, row, "buffers", f"{name}: {gap}.")


def _check_ways(readings: list[Row]) -> Iterator[Problem]:
    """Say where samples were made in several ways, or by a method that nobody wrote down."""
    rows = [r for r in readings if r["ph"] is not None]
    usual = _usual_way(rows)
    ways: dict[str, list[Row]] = {}
    for row in rows:
        if row["prepared"] not in (None, usual):
            ways.setdefault(row["prepared"], []).append(row)
    for way, own in ways.items():
        count = "1 reading is" if len(own) == 1 else f"{len(own)} readings are"
        words = (
            f"{count} of samples made another way ({way}; most: {usual}). They are used; the "
            "analysis tells the answer without them. Keep [reading_method] of trial.toml as it was."
        )
        yield _note(READINGS, own[0], "prepared", words)
    blank = [r for r in rows if r["method"] is None]
    if blank:
        count = "1 reading names" if len(blank) == 1 else f"{len(blank)} readings name"
        words = (
            f"{count} no method; they are taken as read by the trial's own. Were they? If not: "
            "doughlab record reading --void ENTRY --reason TEXT"
        )
        yield _note(READINGS, blank[0], "method", words)


def _check_twice(records: Records) -> Iterator[Problem]:
    """Ask about buffers that say the same as others of that meter a few minutes before."""
    told = ("instrument", "slope_pct", "offset_mv", "buffers", "temp_c")
    rows = sorted(records.calibrations, key=lambda c: c["calibrated_at"])
    for i, row in enumerate(rows):
        for k in range(i - 1, -1, -1):
            other = rows[k]
            hours = hours_between(other["calibrated_at"], row["calibrated_at"])
            if hours * 60 >= TWICE_MIN:
                break
            if all(row[n] == other[n] for n in told):
                entry = short_name(row.get("entry_id") or "ENTRY")
                words = (
                    f"{row['calibration_id']} says the same as {other['calibration_id']}, "
                    f"{hours * 60:.0f} min before. Typed twice? Then take it back: doughlab record "
                    f"calibration --void {entry} --reason TEXT"
                )
                yield _note(CALIBRATIONS, row, "calibrated_at", words)
                break


def _unnamed_words(row: Row, known: dict[str, Row], instrument: str) -> str:
    """Say how buffers are named, before the next reading and for one that is stored.

    Named are the buffers that the reading rests on; without any, those written down next.
    """
    meter = row["instrument"] or instrument or None
    before = last_calibration(known.values(), row["read_at"], meter)
    name = free_calibration_id(known) if before is None else before["calibration_id"]
    entry = short_name(row.get("entry_id") or "ENTRY")
    return (
        "names no calibration. Write the buffers down before the next reading. Were they done "
        f"before this one: doughlab record reading --replaces {entry} calibration_id={name} "
        "--reason TEXT."
    )


class _Meter:
    """What stands behind each reading; every calibration is judged once."""

    def __init__(self, settings: Settings, records: Records) -> None:
        self.settings = settings
        self.known = {c["calibration_id"]: c for c in records.calibrations}

    @cached_property
    def faults(self) -> dict[str, list[str]]:
        """What is wrong with each calibration."""
        meter = self.settings.meter
        return {name: calibration_faults(c, meter) for name, c in self.known.items()}

    def words(self, row: Row) -> tuple[str, str, str] | None:
        """Say why a reading is in doubt: a key of `WHY`, the column, the words."""
        method = self.settings.reading_method
        instrument = method.instrument
        if instrument and row["instrument"] not in (None, instrument):
            words = f"was taken with '{row['instrument']}'; trial.toml names '{instrument}'."
            return "other", "instrument", words
        name = row["calibration_id"]
        if name is None:
            return "none", "calibration_id", _unnamed_words(row, self.known, instrument)
        calibration = self.known.get(name)
        if calibration is None:
            return None
        age = hours_between(calibration["calibrated_at"], row["read_at"])
        if age < 0:
            words = "was taken before its calibration. Correct one of them."
            return "after", "calibration_id", words
        if age > method.calibrate_every_h:
            words = (
                f"rests on buffers {age:.0f} h old; they are due every "
                f"{method.calibrate_every_h:g} h."
            )
            return "old", "calibration_id", words
        if row["instrument"] not in (None, calibration["instrument"]):
            words = (
                f"was taken with '{row['instrument']}', its calibration is of "
                f"'{calibration['instrument']}'. Correct one of them."
            )
            return "meter", "instrument", words
        if self.faults[name]:
            words = f"rests on calibration {name}, which failed: {self.faults[name][0]}."
            return "failed", "calibration_id", words
        if calibration["slope_pct"] is None:
            words = f"rests on calibration {name}, which tells no slope. Do a second buffer."
            return "gap", "calibration_id", words
        return None


def _check_drift(settings: Settings, records: Records) -> Iterator[Problem]:
    """Say between which calibrations the meter moved further than trial.toml allows."""
    rows = {c["calibration_id"]: c for c in records.calibrations}
    for d in find_moves(settings, records):
        side = "high" if d.ph > 0 else "low"
        words = (
            f"the meter had moved by {abs(d.ph):.2f} pH since {d.first_id} ({d.hours:.0f} h "
            f"before): readings between may be up to that much too {side}. Do the buffers "
            "more often, and read one buffer again at the end of a session."
        )
        yield _note(CALIBRATIONS, rows[d.then_id], "offset_mv", words)
