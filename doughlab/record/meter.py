"""The meter: slope and offset from buffers, whether it may be believed, how far it drifts.

`desk` works out a calibration from what the meter showed in the buffers, `sense` flags readings
that rest on a failed one, `due` says when buffers are due. Buffers and their temperature tables
stand in `buffers`. What a reading costs in certainty is left to the measurement study.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Sequence
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
# How far a buffer may lie off the line through the others. By algebra (least squares through 4, 7
# and 10): a buffer 4 this far off moves a reading at 5.4 by 0.045 pH, less than the drift allowed;
# sound buffers with 0.01 pH and 0.5 mV of scatter each reach it in 2 of 100 calibrations.
WIDE_PH = 0.075
LEAST_SPAN = 1.0  # pH that the other buffers must span, so that they tell a line


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
        Each buffer is left out in turn: how far it lies off the line through the others, the
        largest of them, in pH; 0 for one or two buffers. Three buffers cannot tell which of them
        is wrong.
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
    off_ph = _off_the_others(points) if n > 2 else 0.0
    return Calibration(-100.0 * steep / ideal, offset, temp_c, tuple(points), off_ph)


def _off_the_others(points: Sequence[Point]) -> float:
    """Leave each buffer out in turn; give the largest distance from the line of the others, in pH.

    A buffer whose fellows lie less than 1 pH apart is passed over: they tell no line.
    """
    worst = 0.0
    for i, one in enumerate(points):
        rest = [*points[:i], *points[i + 1 :]]
        ph, mv = (sum(v) / len(rest) for v in ([p.ph for p in rest], [p.mv for p in rest]))
        if max(p.ph for p in rest) - min(p.ph for p in rest) < LEAST_SPAN:
            continue
        whole = sum((p.ph - ph) ** 2 for p in rest)
        steep = sum((p.ph - ph) * (p.mv - mv) for p in rest) / whole
        if steep:
            worst = max(worst, abs((one.mv - mv - steep * (one.ph - ph)) / steep))
    return worst


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
        How far a buffer lies off the line through the others, in pH; see `Calibration`.

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
            f"one of the buffers lies {off_ph:.2f} pH off the line through the others: one of them "
            "is stale or was mixed up, and they cannot tell which; open fresh bottles"
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
        Rows of record/calibrations.csv. One without a slope, from a single buffer, is taken with
        the slope before it, or an ideal one; one without an offset is passed over.
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
    told = [c for c in calibrations if c["offset_mv"] is not None]
    for row in sorted(told, key=lambda c: c["calibrated_at"]):
        before = last.get(row["instrument"])
        if row["slope_pct"] is None:
            row = {**row, "slope_pct": 100.0 if before is None else before["slope_pct"]}
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


def last_calibration(
    calibrations: Iterable[Row], at: datetime, instrument: str | None = None
) -> Row | None:
    """Give the calibration that a reading rests on: the latest at or before it, of its meter.

    Parameters
    ----------
    calibrations : iterable of dict
        Rows of record/calibrations.csv.
    at : datetime
        When the reading was taken, with offset.
    instrument : str, optional
        The meter that took it; any where left out.

    Returns
    -------
    dict or None
        None where there is none.

    Examples
    --------
    >>> at = datetime.fromisoformat
    >>> rows = [{"calibration_id": "C01", "instrument": "m",
    ...          "calibrated_at": at("2026-03-02T09:00+00:00")},
    ...         {"calibration_id": "C02", "instrument": "m",
    ...          "calibrated_at": at("2026-03-03T09:00+00:00")}]
    >>> last_calibration(rows, at("2026-03-03T08:00+00:00"), "m")["calibration_id"]
    'C01'
    >>> last_calibration(rows, at("2026-03-03T08:00+00:00"), "pen") is None
    True
    """
    fits = [c for c in calibrations
            if c["calibrated_at"] <= at and instrument in (None, c["instrument"])]  # fmt: skip
    return max(fits, key=lambda c: c["calibrated_at"], default=None)


def free_calibration_id(known: Collection[str]) -> str:
    """Give the name that the next calibration takes.

    Parameters
    ----------
    known : collection of str
        The names in use.

    Examples
    --------
    >>> free_calibration_id([]), free_calibration_id(["C01", "C03"])
    ('C01', 'C02')
    """
    return next(n for i in range(1, len(known) + 2) if (n := f"C{i:02d}") not in known)


def calibration_faults(row: Row, meter: Meter) -> list[str]:
    """Say what is wrong with a recorded calibration; see `judge_calibration`."""
    points, off = stored_points(row), 0.0
    if len(points) > 2:
        off = fit_calibration(
            points, temp_c=25.0 if row["temp_c"] is None else row["temp_c"]
        ).off_ph
    return judge_calibration(row["slope_pct"], row["offset_mv"], meter, off_ph=off)


def stored_points(row: Row) -> list[Point]:
    """Read the buffers of a stored calibration; empty where they were noted in other words.

    Examples
    --------
    >>> stored_points({"buffers": "7.02 -12 mV; 4.00 +165 mV"})
    [Point(ph=7.02, mv=-12.0), Point(ph=4.0, mv=165.0)]
    """
    found = [_stored_point(text) for text in (row.get("buffers") or "").split(";")]
    return [p for p in found if p is not None] if all(found) else []


def calibration_gaps(row: Row, *, at_ph: float = 5.5) -> list[str]:
    """Say what a calibration cannot tell: no slope, or buffers on one side of the readings.

    Parameters
    ----------
    row : dict
        Of record/calibrations.csv.
    at_ph : float
        Where readings are expected: the middle of the window.

    Examples
    --------
    >>> calibration_gaps({"buffers": "7.02 -12 mV", "slope_pct": None, "offset_mv": -12.0})
    ['it tells no slope, so that a worn probe would not show: do a second buffer, 4 for dough']
    """
    if row["slope_pct"] is None and row["offset_mv"] is None:
        return [
            "it tells neither slope nor offset, so that nothing shows whether the meter was right: "
            "write down the millivolts in each buffer, or the slope that it shows"
        ]
    if row["slope_pct"] is None:
        return [
            "it tells no slope, so that a worn probe would not show: do a second buffer, 4 for "
            "dough"
        ]
    ends = sorted(p.ph for p in stored_points(row))
    if ends and not ends[0] <= at_ph <= ends[-1]:
        other = "4" if at_ph < ends[0] else "10"
        named = " and ".join(f"{ph:.2f}" for ph in ends)
        return [f"its buffers {named} lie on one side of your readings, near {at_ph:.3g}: take "
                f"one of the other side too, {other}"]  # fmt: skip
    return []


def _stored_point(text: str) -> Point | None:
    found = re.fullmatch(r" *([0-9.]+) ([+-][0-9.]+) mV *", text)
    return Point(float(found[1]), float(found[2])) if found else None
