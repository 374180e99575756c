"""Warm pairs from every day: a lot read, and read again after more warm-up.

`doughlab daily` learns the warm-up of the kitchen from them, beside the trial's own pairs. The
second ball may be a neighbour of the first: how balls differ is then in the spread of the rates.
"""

from __future__ import annotations

from typing import Any

from doughlab.daily.journals import DailyRecords
from doughlab.formula.warmup import LEAST_GAP_MIN, WarmPair

AGREE_MIN = 15.0  # how far the clock and the minutes out may disagree; rule of this project
SAME_DAY_H = 12.0


def daily_pairs(records: DailyRecords) -> list[WarmPair]:
    """List the lots that were read twice in one half day, both with their minutes out.

    The first and the last reading make the pair; the lot is the unit.

    Parameters
    ----------
    records : DailyRecords

    Returns
    -------
    list of WarmPair

    Examples
    --------
    >>> daily_pairs(DailyRecords())
    []
    """
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in records.readings:
        if row["lot"] and row["out_min"] is not None:
            groups.setdefault(str(row["lot"]), []).append(row)
    pairs = []
    for lot, rows in groups.items():
        first = rows[0]
        near = [r for r in rows if (r["at"] - first["at"]).total_seconds() <= SAME_DAY_H * 3600]
        last = near[-1]
        room = last["room_c"] if last["room_c"] is not None else first["room_c"]
        gap = last["out_min"] - first["out_min"]
        clock = (last["at"] - first["at"]).total_seconds() / 60.0
        if room is None or gap < LEAST_GAP_MIN or abs(gap - clock) > AGREE_MIN:
            continue
        pairs.append(WarmPair(lot, lot, float(room), float(first["out_min"]),
                              float(last["out_min"]), float(first["ph"]),
                              float(last["ph"])))  # fmt: skip
    return pairs
