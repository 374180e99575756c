"""Trust: which readings rest on a meter that may be believed.

`sense` asks it. How a calibration is worked out and judged stands in `meter`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from doughlab.errors import Problem
from doughlab.record.balls import hours_between
from doughlab.record.meter import calibration_faults, measure_drift
from doughlab.record.records import Records
from doughlab.settings import Settings

Row = dict[str, Any]
READINGS, CALIBRATIONS = "record/readings.csv", "record/calibrations.csv"


def _note(path: str, row: Row, column: str, words: str) -> Problem:
    return Problem(path, words, row.get("_row"), column, "note")


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
    names no calibration. Do the buffers and name them.
    """
    method = settings.reading_method
    if method.kind == "strip":
        return
    known = {c["calibration_id"]: c for c in records.calibrations}
    said: dict[tuple[Any, ...], tuple[Row, int, str, str]] = {}
    for row in records.readings:
        if row["ph"] is None or row["method"] == "strip":
            continue
        found = _calibration_words(row, known, settings)
        if found:
            what, column, words = found
            key = (what, row["calibration_id"], row["session"], row["instrument"])
            first, count, _, _ = said.get(key, (row, 0, column, words))
            said[key] = (first, count + 1, column, words)
    for row, count, column, words in said.values():
        others = "does 1 more reading" if count == 2 else f"do {count - 1} more readings"
        more = f" So {others} of that session." if count > 1 else ""
        yield _note(READINGS, row, column, words + more)
    yield from _check_drift(settings, records)


def _calibration_words(
    row: Row, known: dict[str, Row], settings: Settings
) -> tuple[str, str, str] | None:
    every_h = settings.reading_method.calibrate_every_h
    instrument = settings.reading_method.instrument
    calibration = known.get(row["calibration_id"])
    if instrument and row["instrument"] not in (None, instrument):
        words = f"was taken with '{row['instrument']}'; trial.toml names '{instrument}'."
        return "other", "instrument", words
    if row["calibration_id"] is None:
        return "none", "calibration_id", "names no calibration. Do the buffers and name them."
    if calibration is None:
        return None
    age = hours_between(calibration["calibrated_at"], row["read_at"])
    if age < 0:
        return "after", "calibration_id", "was taken before its calibration. Correct one of them."
    if age > every_h:
        words = f"rests on buffers {age:.0f} h old; they are due every {every_h:g} h."
        return "old", "calibration_id", words
    if row["instrument"] not in (None, calibration["instrument"]):
        words = (
            f"was taken with '{row['instrument']}', its calibration is of "
            f"'{calibration['instrument']}'. Correct one of them."
        )
        return "meter", "instrument", words
    faults = calibration_faults(calibration, settings.meter)
    if faults:
        words = f"rests on calibration {calibration['calibration_id']}, which failed: {faults[0]}."
        return "failed", "calibration_id", words
    return None


def _check_drift(settings: Settings, records: Records) -> Iterator[Problem]:
    """Say between which calibrations the meter moved further than trial.toml allows."""
    window, meter = settings.window, settings.meter
    at_ph = 5.5 if window is None else (window.low + window.high) / 2.0
    rows = {c["calibration_id"]: c for c in records.calibrations}
    for d in measure_drift(list(rows.values()), at_ph=at_ph):
        if abs(d.ph) > meter.drift_ph:
            side = "high" if d.ph > 0 else "low"
            words = (
                f"the meter had moved by {abs(d.ph):.2f} pH since {d.first_id} ({d.hours:.0f} h "
                f"before): readings between may be up to that much too {side}. Do the buffers "
                "more often, and read one buffer again at the end of a session."
            )
            yield _note(CALIBRATIONS, rows[d.then_id], "offset_mv", words)
