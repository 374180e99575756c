"""The meter: slope and offset from buffers, whether it may be believed, how far it drifts.

`desk` works out a calibration from what the meter showed in the buffers, `sense` flags readings
that rest on a failed one, `due` says when buffers are due. Buffers and their temperature tables
stand in `buffers`. What a reading costs in certainty is left to the measurement study.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from doughlab.errors import InputError
from doughlab.instruments import Meter
from doughlab.record.balls import hours_between
from doughlab.record.buffers import BUFFERS, BufferTable, build_buffer, match_buffer
from doughlab.sources import CONSTANTS

if TYPE_CHECKING:
    from doughlab.settings import Settings

Row = dict[str, Any]
_POINT = re.compile(
    r"(?P<buffer>[a-z0-9 .,_-]*[a-z0-9.]) *[:=] *"
    r"(?P<mv>[-+−]? ?[0-9]+(?:[.,][0-9]+)?) ?(?P<unit>mv|ph)?",
    re.IGNORECASE,
)
WIDE_PH = 0.05  # how far three buffers may lie off a line; common practice, no source


def nernst_mv(temp_c: float) -> float:
    """Give the slope of an ideal electrode, mV per pH.

    Parameters
    ----------
    temp_c : float
        Degrees Celsius, -5 to 100.

    Raises
    ------
    InputError
        Outside that range.

    References
    ----------
    R T ln 10 / F with CODATA 2018; checked in tests/reference/test_meter_nernst1889.py.

    Examples
    --------
    >>> round(nernst_mv(25), 4)
    59.1593
    """
    if not -5.0 <= temp_c <= 100.0:
        raise InputError(f"{temp_c:g} °C is no temperature of a buffer; give -5 to 100 °C.")
    ratio = CONSTANTS["gas_constant"].value / CONSTANTS["faraday_constant"].value
    return 1000.0 * ratio * (temp_c + CONSTANTS["zero_celsius_k"].value) * math.log(10.0)


@dataclass(frozen=True)
class Point:
    """What the meter showed in one buffer: `ph` of the buffer at its temperature, millivolts."""

    ph: float
    mv: float


@dataclass(frozen=True)
class Calibration:
    """A line through buffers: E = offset - slope x Nernst x (pH - 7).

    Attributes
    ----------
    slope_pct : float or None
        Per cent of the Nernst slope at `temp_c`; None from a single buffer.
    offset_mv : float
        Millivolts at pH 7.
    temp_c : float
        Of the buffers.
    points : tuple of Point
    off_ph : float
        How far the buffer that fits worst lies off the line through the others, in pH; 0 for one
        or two buffers.
    """

    slope_pct: float | None
    offset_mv: float
    temp_c: float
    points: tuple[Point, ...]
    off_ph: float = 0.0


def fit_calibration(points: Sequence[Point], *, temp_c: float = 25.0) -> Calibration:
    """Work out slope and offset from one, two, three or more buffers.

    Parameters
    ----------
    points : sequence of Point
        pH of each buffer at `temp_c`, and what the meter showed in it, in mV.
    temp_c : float
        Of the buffers, in degrees Celsius.

    Returns
    -------
    Calibration
        Least squares of mV on pH from three buffers on; from one, the offset with an ideal slope.

    Raises
    ------
    InputError
        Without a buffer, or with buffers less than 1 pH apart.

    References
    ----------
    Algebra of the Nernst line; the worked example of tests/reference/test_meter_nernst1889.py.

    Examples
    --------
    >>> found = fit_calibration([Point(7.01, -15), Point(4.01, 160)], temp_c=25)
    >>> round(found.slope_pct, 1), round(found.offset_mv, 1)
    (98.6, -14.4)
    """
    if not points:
        raise InputError("Name a buffer and what the meter showed in it: 7.00=-12mV.")
    ideal = nernst_mv(temp_c)
    if len(points) == 1:
        (one,) = points
        return Calibration(None, one.mv + ideal * (one.ph - 7.0), temp_c, (one,))
    far = max(p.ph for p in points) - min(p.ph for p in points)
    if far < 1.0:
        raise InputError(
            f"These buffers lie {far:.2f} pH apart, too near to tell the slope. Take two at least "
            "1 pH apart, on both sides of your window: 4 and 7."
        )
    n = len(points)
    ph, mv = sum(p.ph for p in points) / n, sum(p.mv for p in points) / n
    steep = sum((p.ph - ph) * (p.mv - mv) for p in points) / sum((p.ph - ph) ** 2 for p in points)
    offset = mv + steep * (7.0 - ph)
    off_ph = _off_the_others(points, offset, steep) if n > 2 and steep else 0.0
    return Calibration(-100.0 * steep / ideal, offset, temp_c, tuple(points), off_ph)


def _off_the_others(points: Sequence[Point], offset: float, steep: float) -> float:
    """Give how far the buffer that fits worst lies off the line through the others, in pH.

    A point draws the line to itself: its distance from the line without it is its distance from
    the line of all over 1 - h, h being its leverage (algebra of least squares; h is taken as 0.95
    at most, since a buffer that alone gives the slope cannot be checked).
    """
    worst = max(points, key=lambda p: abs(p.mv - offset - steep * (p.ph - 7.0)))
    middle = sum(p.ph for p in points) / len(points)
    whole = sum((p.ph - middle) ** 2 for p in points)
    leverage = 1.0 / len(points) + (worst.ph - middle) ** 2 / whole
    off_mv = abs(worst.mv - offset - steep * (worst.ph - 7.0))
    return off_mv / abs(steep) / max(1.0 - leverage, 0.05)


def known_buffers(settings: Settings) -> list[BufferTable]:
    """List the buffers of a trial: the user's own bottles first, then the common tables."""
    own = [build_buffer(b.name, b.temps_c, b.ph) for b in settings.buffers.values()]
    return [*own, *BUFFERS.values()]


def read_points(
    words: Iterable[str], *, temp_c: float, tables: Sequence[BufferTable]
) -> tuple[Point, ...]:
    """Read buffers as typed: "7.00=-12mV", "4.01: 165 mV", "phthalate=163".

    Parameters
    ----------
    words : iterable of str
    temp_c : float
        Of the buffers; each buffer's pH is taken at it.
    tables : sequence of BufferTable
        Known buffers, the user's own first.

    Raises
    ------
    InputError
        What was found and how it is written.
    UnknownName
        For a buffer that no table has.
    """
    found = []
    for word in words:
        match = _POINT.fullmatch(word.strip())
        if match is None or (match["unit"] or "").lower() == "ph":
            raise InputError(
                f"'{word}' is no buffer with its millivolts. Write it like 7.00=-12mV and "
                "4.01=165mV; a meter without millivolts shows its slope: slope_pct=97.8."
            )
        mv = float(match["mv"].replace(" ", "").replace(",", ".").replace("−", "-"))
        if abs(mv) > 600.0:
            raise InputError(
                f"'{word}': {mv:g} mV lies outside -600 to 600. Read the millivolts, not the pH."
            )
        found.append(Point(match_buffer(match["buffer"].strip(), tables).ph_at(temp_c), mv))
    return tuple(found)


def judge_calibration(
    slope_pct: float | None, offset_mv: float | None, meter: Meter, *, off_ph: float = 0.0
) -> list[str]:
    """Say what is wrong with a calibration by the bands of trial.toml.

    Parameters
    ----------
    slope_pct, offset_mv : float or None
        None where the meter does not show it; nothing is then said of it.
    meter : Meter
        Section [meter]: the bands and where they come from.
    off_ph : float
        How far a third buffer lies off the line through the others, in pH.

    Returns
    -------
    list of str
        Sentences; empty where it lies within the bands.

    Examples
    --------
    >>> judge_calibration(81.0, -12.0, Meter())
    ['slope 81 % lies outside 85 to 105 %: clean the probe, take fresh buffers and do them...
    """
    said = []
    if slope_pct is not None and not meter.slope_low_pct <= slope_pct <= meter.slope_high_pct:
        said.append(
            f"slope {slope_pct:.3g} % lies outside {meter.slope_low_pct:g} to "
            f"{meter.slope_high_pct:g} %: clean the probe, take fresh buffers and do them again; "
            "if it stays so, replace the probe"
        )
    if offset_mv is not None and abs(offset_mv) > meter.offset_mv:
        said.append(
            f"offset {offset_mv:+.3g} mV lies outside -{meter.offset_mv:g} to {meter.offset_mv:g} "
            "mV: soak the probe, take a fresh buffer 7 and do it again; if it stays so, replace "
            "the probe"
        )
    if off_ph > WIDE_PH:
        said.append(
            f"one buffer lies {off_ph:.2f} pH off the line through the others: one of them is "
            "stale or was mixed up; open fresh bottles"
        )
    return said


@dataclass(frozen=True)
class Drift:
    """How far the meter moved between two calibrations of the same instrument.

    Attributes
    ----------
    first_id, then_id : str
        The calibrations.
    hours : float
        Between them.
    ph : float
        What a meter set at the first showed too high at the second, in pH, at `at_ph`.
    at_ph : float
    """

    first_id: str
    then_id: str
    hours: float
    ph: float
    at_ph: float


def measure_drift(calibrations: Sequence[Row], *, at_ph: float = 5.5) -> list[Drift]:
    """Work out the drift between successive calibrations of each instrument.

    A meter set by the first line reads a true pH p as 7 - (E - offset1) / (slope1 k), where E is
    what the probe gives by the second line and k the Nernst slope at the temperature of the
    second; the difference from p is the drift.

    Parameters
    ----------
    calibrations : sequence of dict
        Rows of record/calibrations.csv; those without slope or offset are passed over.
    at_ph : float
        Where it is wanted: the middle of the window.

    Examples
    --------
    >>> at = datetime.fromisoformat
    >>> rows = [{"calibration_id": "C01", "instrument": "m", "temp_c": 25.0, "slope_pct": 100.0,
    ...          "offset_mv": 0.0, "calibrated_at": at("2026-03-02T09:00+00:00")},
    ...         {"calibration_id": "C02", "instrument": "m", "temp_c": 25.0, "slope_pct": 100.0,
    ...          "offset_mv": -5.9159, "calibrated_at": at("2026-03-03T09:00+00:00")}]
    >>> [(round(d.ph, 3), d.hours) for d in measure_drift(rows)]
    [(0.1, 24.0)]
    """
    found = []
    last: dict[str, Row] = {}
    told = [c for c in calibrations if None not in (c["slope_pct"], c["offset_mv"])]
    for row in sorted(told, key=lambda c: c["calibrated_at"]):
        before = last.get(row["instrument"])
        last[row["instrument"]] = row
        if before is None:
            continue
        # the meter corrects the Nernst slope for temperature, so both lines are taken at one
        ideal = nernst_mv(25.0 if row["temp_c"] is None else row["temp_c"])
        given = row["offset_mv"] - row["slope_pct"] / 100.0 * ideal * (at_ph - 7.0)
        shown = 7.0 - (given - before["offset_mv"]) / (before["slope_pct"] / 100.0 * ideal)
        hours = hours_between(before["calibrated_at"], row["calibrated_at"])
        found.append(
            Drift(before["calibration_id"], row["calibration_id"], hours, shown - at_ph, at_ph)
        )
    return found


def age_months(since: str, at: datetime) -> float:
    """Give the age of a probe in months of 30.4 days.

    Parameters
    ----------
    since : str
        Date YYYY-MM-DD.
    at : datetime
        With offset.

    Examples
    --------
    >>> round(age_months("2025-03-02", datetime.fromisoformat("2026-03-02T09:00+00:00")))
    12
    """
    return (at.date() - datetime.fromisoformat(since).date()).days / 30.4


def calibration_faults(row: Row, meter: Meter) -> list[str]:
    """Say what is wrong with a recorded calibration; see `judge_calibration`."""
    off = 0.0
    points = [_stored_point(text) for text in (row.get("buffers") or "").split(";")]
    if len(points) > 2 and all(points):
        kept = [p for p in points if p is not None]
        off = fit_calibration(kept, temp_c=25.0 if row["temp_c"] is None else row["temp_c"]).off_ph
    return judge_calibration(row["slope_pct"], row["offset_mv"], meter, off_ph=off)


def _stored_point(text: str) -> Point | None:
    found = re.fullmatch(r" *([0-9.]+) ([+-][0-9.]+) mV *", text)
    return Point(float(found[1]), float(found[2])) if found else None
