"""Series: readings of one ball parted into those at take-out and those at use.

`readings` averages one series only, `balls` takes its time of use from it, and `doughlab ripe`
learns the warm-up from the two ends. What the numbers say is left to all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from doughlab.record.records import Records

Row = dict[str, Any]

# Readings this far apart are no repeats: the ball warms and ripens in between. Rule of this
# project, well above the minutes that three readings of one sample take.
GAP_MIN = 20.0


@dataclass(frozen=True)
class Series:
    """The readings of one ball, in series.

    Attributes
    ----------
    used : tuple of dict
        The series that gives the ball's value.
    others : tuple of tuple of dict
        Earlier and later series, in time order; empty for most balls.
    sure : bool
        False where several series stand there and no take-out is recorded, so that the last one
        is only taken to be the one at use.

    Examples
    --------
    >>> Series(({"ph": 5.4},)).others
    ()
    """

    used: tuple[Row, ...]
    others: tuple[tuple[Row, ...], ...] = ()
    sure: bool = True

    @property
    def first_at(self) -> datetime | None:
        """When the first reading at use was taken."""
        return self.used[0].get("read_at") if self.used else None


def part_series(rows: Sequence[Row], *, out_at: datetime | None, warm_min: float) -> Series:
    """Part the readings of one ball where 20 minutes or more lie between two of them.

    A ball is used once it has warmed as long as the kitchen warms its balls, so the series nearest
    to that time counts; of two as near, the later.

    Parameters
    ----------
    rows : sequence of dict
        Readings of one ball with read_at; without a time they belong to the first series.
    out_at : datetime or None
        When the ball left the cooler; None takes the last series.
    warm_min : float
        Usual minutes out of the cooler before use.

    Returns
    -------
    Series

    Examples
    --------
    >>> from datetime import timedelta
    >>> out = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> rows = [{"ph": ph, "read_at": out + timedelta(minutes=m)}
    ...         for ph, m in ((5.84, 0), (5.86, 4), (5.70, 90))]
    >>> [r["ph"] for r in part_series(rows, out_at=out, warm_min=90).used]
    [5.7]
    """
    timed = sorted((r for r in rows if r.get("read_at") is not None), key=lambda r: r["read_at"])
    untimed = [r for r in rows if r.get("read_at") is None]
    groups: list[list[Row]] = []
    for row in timed:
        if groups and _minutes(groups[-1][-1]["read_at"], row["read_at"]) < GAP_MIN:
            groups[-1].append(row)
        else:
            groups.append([row])
    if not groups:
        return Series(tuple(rows))
    groups[0] = [*untimed, *groups[0]]
    pick = len(groups) - 1
    if out_at is not None:
        off = [abs(_minutes(out_at, g[-1]["read_at"]) - warm_min) for g in groups]
        pick = max(range(len(groups)), key=lambda i: (-off[i], i))
    others = tuple(tuple(g) for i, g in enumerate(groups) if i != pick)
    return Series(tuple(groups[pick]), others, len(groups) == 1 or out_at is not None)


def take_outs(records: Records) -> dict[str, datetime]:
    """Give the time at which each ball left the cooler, by its first note or bake that says so.

    Examples
    --------
    >>> take_outs(Records.of(notes=[{"about": "B01-1", "kind": "pulled", "at": None}]))
    {}
    """
    stated = [(n["about"], n["at"]) for n in records.notes if n["kind"] == "pulled"]
    stated += [(b["ball_id"], b["out_at"]) for b in records.bakes]
    found: dict[str, datetime] = {}
    for ball, at in stated:
        if at is not None:
            found[ball] = min(at, found.get(ball, at))
    return found


def part_balls(
    records: Records, rows: Sequence[Row], *, warm_min: float, column: str = "ph"
) -> dict[str, Series]:
    """Part the readings of every ball; see `part_series`.

    Where a ball has numbers in the column, only these are parted: acid is titrated at leisure.

    Parameters
    ----------
    records : Records
        For the take-outs.
    rows : sequence of dict
        The readings to part.
    warm_min : float
    column : str

    Examples
    --------
    >>> list(part_balls(Records(), [{"ball_id": "B01-1", "ph": 5.4}], warm_min=90))
    ['B01-1']
    """
    by_ball: dict[str, list[Row]] = {}
    for row in rows:
        by_ball.setdefault(row["ball_id"], []).append(row)
    out = take_outs(records)
    return {
        ball: part_series(
            [r for r in mine if r.get(column) is not None] or mine,
            out_at=out.get(ball), warm_min=warm_min,
        )
        for ball, mine in by_ball.items()
    }  # fmt: skip


def _minutes(start: datetime, end: datetime) -> float:
    return (end - start).total_seconds() / 60.0
