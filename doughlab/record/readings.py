"""Readings: one value per ball from its numbers at use, by one reading method only.

The analysis takes its measured responses from here; checks and reports say what was left out.
Which balls were planned, and which are lost, is left to `balls` and the analysis.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from doughlab.errors import listed
from doughlab.record.records import Records
from doughlab.record.series import GAP_MIN, Series, part_balls
from doughlab.sections import Response
from doughlab.settings import Settings

Row = dict[str, Any]


@dataclass(frozen=True)
class BallValue:
    """The value of one ball: the mean of its readings at use.

    Attributes
    ----------
    ball_id : str
    value : float
        Mean, in the unit of the response.
    n : int
        How many readings.
    spread : float or None
        Standard deviation between them; None for a single one.
    first_at : datetime or None
        When the first of them was taken.
    rows : tuple of dict
        The readings themselves.
    """

    ball_id: str
    value: float
    n: int
    spread: float | None = None
    first_at: datetime | None = None
    rows: tuple[Row, ...] = field(default=(), repr=False)


def ball_values(
    records: Records, settings: Settings, response: Response | str, *,
    without: Collection[str] = (),
) -> dict[str, BallValue]:  # fmt: skip
    """Average the numbers of each ball for one measured response.

    Readings by another method than the trial's are not pooled with the rest, nor are those that
    lie 20 minutes or more apart: a ball read when it came out of the cooler and again in use has
    the value in use (`series.part_series`). What is left out is named by `left_out`.

    Parameters
    ----------
    records : Records
    settings : Settings
    response : Response or str
        A response of kind "measure", in table readings or bakes.
    without : collection of str
        Balls that have no value, such as those reserved for warm-up pairs.

    Returns
    -------
    dict of str to BallValue
        Only balls that have at least one usable number.

    References
    ----------
    Standard deviation with n - 1: ISO 3534-1.

    Examples
    --------
    >>> settings = Settings("Demo", "DE")
    >>> ph = Response("ph", "readings", "ph", 0.1)
    >>> rows = [{"ball_id": "B01-1", "ph": value} for value in (5.40, 5.44)]
    >>> ball_values(Records.of(readings=rows), settings, ph)["B01-1"].value
    5.42
    """
    wanted = settings.response(response) if isinstance(response, str) else response
    used, _ = _split(records, settings, wanted, without)
    parted = _part(records, settings, wanted, used)
    return {ball: _average(ball, list(s.used), wanted) for ball, s in parted.items()}


def left_out(
    records: Records, settings: Settings, response: Response | str, *,
    without: Collection[str] = (),
) -> list[str]:  # fmt: skip
    """Say in sentences which numbers `ball_values` does not use, but for the balls `without`.

    Returns
    -------
    list of str
        Empty where every number is used.

    Examples
    --------
    >>> row = {"ball_id": "B01-1", "ph": 6.0, "method": "strip"}
    >>> ph = Response("ph", "readings", "ph", 0.1)
    >>> left_out(Records.of(readings=[row]), Settings("Demo", "DE"), ph)
    ['Readings by strip are left out: the trial reads by slurry (B01-1).']
    """
    wanted = settings.response(response) if isinstance(response, str) else response
    used, other = _split(records, settings, wanted, without)
    methods: dict[str, list[str]] = {}
    for row in other:
        balls = methods.setdefault(row["method"], [])
        if row["ball_id"] not in balls:
            balls.append(row["ball_id"])
    said = [
        f"Readings by {method} are left out: the trial reads by {settings.reading_method.kind} "
        f"({listed(balls)})."
        for method, balls in methods.items()
    ]
    return said + _pair_words(_part(records, settings, wanted, used))


def _pair_words(parted: dict[str, Series]) -> list[str]:
    """Say which balls were read at two times, and which of the two counts."""
    sure = [ball for ball, s in parted.items() if s.others and s.sure]
    unsure = [ball for ball, s in parted.items() if not s.sure]
    said = []
    for balls, why in (
        (sure, "nearest to the usual warm-up counts"),
        (unsure, "no take-out is recorded, so the last one is taken as the one in use"),
    ):
        if balls:
            said.append(
                f"{listed(balls)} read at times {GAP_MIN:g} min or more apart: the reading in use "
                f"is the value ({why}); the others only tell how fast a ball warms up."
            )
    return said


def _part(
    records: Records, settings: Settings, response: Response, used: list[Row]
) -> dict[str, Series]:
    """Part the readings of each ball by time; bakes and scores are one series."""
    if response.table == "readings":
        return part_balls(records, used, warm_min=settings.kitchen.warm_min, column=response.column)
    by_ball: dict[str, list[Row]] = {}
    for row in used:
        by_ball.setdefault(row["ball_id"], []).append(row)
    return {ball: Series(tuple(rows)) for ball, rows in by_ball.items()}


def _split(
    records: Records, settings: Settings, response: Response, without: Collection[str]
) -> tuple[list[Row], list[Row]]:
    """Part the rows that hold the response: by the trial's method, and by another one."""
    rows = {
        "readings": records.readings,
        "bakes": records.bakes,
        "scores": records.scores,
    }[response.table]
    have = [r for r in rows if r.get(response.column) is not None and r["ball_id"] not in without]
    if response.table != "readings":
        return have, []
    kind = settings.reading_method.kind
    used = [r for r in have if r["method"] in (None, kind)]
    return used, [r for r in have if r["method"] not in (None, kind)]


def _average(ball: str, rows: list[Row], response: Response) -> BallValue:
    values = [float(r[response.column]) for r in rows]
    mean = math.fsum(values) / len(values)
    spread = None
    if len(values) > 1:
        spread = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))
    column = {"readings": "read_at", "bakes": "baked_at", "scores": "scored_at"}[response.table]
    times = [r[column] for r in rows if r.get(column) is not None]
    return BallValue(ball, mean, len(values), spread, min(times, default=None), tuple(rows))
