"""The reading method: how a sample is read, and what its temperature does to the number.

The bench shows the steps beside the first number; `sense` asks for what to look at. Slope, offset
and drift of the meter stand in `meter`, which calibration a reading rests on in `trust`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from doughlab.errors import Problem
from doughlab.instruments import ReadingMethod
from doughlab.record.meter import nernst_mv
from doughlab.record.records import Records
from doughlab.settings import Settings
from doughlab.units import format_quantity

Row = dict[str, Any]
READINGS = "record/readings.csv"
APART_C = 5.0  # samples of one session further apart are told of: rule of this project
# A closed water of 100 mg/L, dosed to pH 6 or not, moves this much from 10 to 20 or 20 to 30 °C:
# calculated with the constants of Plummer & Busenberg (1982), see water.chemistry.
WATER_PER_10_C = (0.05, 0.10)


def tell_steps(method: ReadingMethod) -> str:
    """Say how a reading is taken, in the order of the hands.

    Examples
    --------
    >>> print(tell_steps(ReadingMethod("direct"))[:44])
    Probe into a piece cut from the ball, no air
    """
    if method.kind == "strip":
        return (
            f"{method.sample_g:g} g of dough worked into {method.water_g:g} g of "
            f"{method.slurry_water}; after {method.wait_min:g} min wet the strip in the liquid, "
            "not in the dough; wait as long as the pack says; compare in daylight. The strip and "
            "what it touched are thrown away."
        )
    if method.kind == "slurry":
        return (
            f"{method.sample_g:g} g of dough worked into {method.water_g:g} g of "
            f"{method.slurry_water}; after {method.wait_min:g} min read the liquid when the number "
            "stands still, and its temperature; rinse, dab dry. The sample is thrown away."
        )
    return (
        "Probe into a piece cut from the ball, no air around it, always as deep; read when the "
        "number stands still, and the temperature beside it; rinse, dab dry. The piece is thrown "
        "away."
    )


def uncompensated_ph(ph: float, *, sample_c: float, set_c: float) -> float:
    """Give how far a meter is off that does not correct its slope for the sample's temperature.

    Parameters
    ----------
    ph : float
        True pH of the sample at its own temperature.
    sample_c, set_c : float
        Temperature of the sample, and the one that the meter reckons with, in degrees Celsius.

    Returns
    -------
    float
        pH shown less true pH.

    References
    ----------
    Algebra of the Nernst line through pH 7: shown - 7 = (pH - 7) k(sample) / k(set).

    Examples
    --------
    >>> round(uncompensated_ph(5.5, sample_c=10, set_c=25), 3)
    0.075
    """
    return (ph - 7.0) * (nernst_mv(sample_c) / nernst_mv(set_c) - 1.0)


def check_sample_temperatures(settings: Settings, records: Records) -> Iterator[Problem]:
    """Say where samples lie outside the trial's band, or far apart within a session.

    Two things move with the temperature: the probe, which a meter corrects, and the sample itself,
    which no meter does. Readings are used as they stand.

    Examples
    --------
    >>> rows = [{"ball_id": "B01-1", "ph": 5.5, "sample_temp_c": t, "session": "S1"}
    ...         for t in (12.0, 24.0)]
    >>> found = check_sample_temperatures(Settings("Demo", "DE"), Records.of(readings=rows))
    >>> print(next(found).message[:62])
    the samples of S1 were 12 °C to 24 °C. Temperature compensatio
    """
    show = settings.show_temperature
    method = settings.reading_method
    sessions: dict[Any, list[Row]] = {}
    for row in records.readings:
        if row["sample_temp_c"] is not None and row["ph"] is not None:
            sessions.setdefault(row["session"], []).append(row)
    yield from _unmeasured(records, method, show)
    low = -300.0 if method.temp_low_c is None else method.temp_low_c
    high = 300.0 if method.temp_high_c is None else method.temp_high_c
    for session, rows in sessions.items():
        name = f"the samples of {session}" if session else "samples"
        outside = [r for r in rows if not low <= r["sample_temp_c"] <= high]
        if outside:
            yield _outside(outside, method, show)
        coldest, warmest = (f(r["sample_temp_c"] for r in rows) for f in (min, max))
        if warmest - coldest > APART_C:
            ends = [format_quantity(t, "temp_c", show=show) for t in (coldest, warmest)]
            yield _note(rows[-1], f"{name} were {ends[0]} to {ends[1]}. {_apart(rows, settings)}")


def _unmeasured(records: Records, method: ReadingMethod, show: str) -> Iterator[Problem]:
    """Say once how many readings carry no temperature, where the trial has a band for it."""
    if method.temp_low_c is None and method.temp_high_c is None:
        return
    balls: dict[str, list[Row]] = {}
    for row in records.readings:
        if row["ph"] is not None and row["method"] != "strip":
            balls.setdefault(row["ball_id"], []).append(row)
    bare = [own for own in balls.values() if all(r["sample_temp_c"] is None for r in own)]
    if bare:
        typed = f"temp_c={'70F' if show == 'F' else '21C'}"
        yield _note(
            bare[0][0],
            f"no temperature of the sample was written down for {len(bare)} of {len(balls)} balls "
            f"read: whether it was {_band(method, show)} cannot be told. Write it beside the "
            f"reading, {typed}; where it was forgotten: doughlab record reading "
            f"{bare[0][0]['ball_id']} {typed}",
        )


def _band(method: ReadingMethod, show: str) -> str:
    ends = [
        f"{word} {format_quantity(t, 'temp_c', show=show)}"
        for word, t in (("from", method.temp_low_c), ("to", method.temp_high_c))
        if t is not None
    ]
    return " ".join(ends)


def _note(row: Row, words: str) -> Problem:
    return Problem(READINGS, words, row.get("_row"), "sample_temp_c", "note")


def _outside(rows: list[Row], method: ReadingMethod, show: str) -> Problem:
    first = rows[0]
    found = format_quantity(first["sample_temp_c"], "temp_c", show=show)
    more = f" {len(rows) - 1} more of that session too." if len(rows) > 1 else ""
    return _note(
        first,
        f"a sample of {found} was read; this trial reads {_band(method, show)}.{more} Let the "
        "sample come to the room before you read it; the reading is used.",
    )


def _apart(rows: list[Row], settings: Settings) -> str:
    """Tell the probe's part, which a meter corrects, from the sample's own, which none does."""
    window = settings.window
    ph = 5.5 if window is None else (window.low + window.high) / 2.0
    temps = [r["sample_temp_c"] for r in rows]
    off = abs(uncompensated_ph(ph, sample_c=min(temps), set_c=max(temps)))
    few, many = WATER_PER_10_C
    return (
        f"Temperature compensation takes out the probe's part only (up to {off:.2f} pH at "
        f"{ph:.3g}); the sample's own pH moves as well, in a water by {few:g} to {many:.2f} pH "
        "for 10 °C (18 °F), in a dough by an amount nobody knows. Read all samples at one "
        "temperature."
    )
