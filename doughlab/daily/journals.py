"""Daily journals: production lots, readings, limits and ticks, rows only ever added.

`doughlab daily` writes and reads through here; storing, locking and corrections are those of the
record room; their columns stand in `tables`. What a reading means is left to `standing`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from doughlab.errors import InputError, Problem, UnknownName, listed
from doughlab.record.balls import hours_between
from doughlab.record.journal import Journal, append, read_journal
from doughlab.tables import DAILY, JOURNAL_COLUMNS, Table

Row = dict[str, Any]
SAME_OUT_H = 12.0  # readings of a lot this near are taken for balls that stayed out
LOTS, READINGS, LIMITS, TICKS = (DAILY[n] for n in ("lots", "readings", "limits", "ticks"))


@dataclass(frozen=True)
class DailyRecords:
    """The current view of the four daily journals.

    Attributes
    ----------
    lots : dict of str to dict
        By lot, in the order of mixing.
    readings, limits, ticks : list of dict
        In order of time.
    problems : list of Problem

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> month = read_daily(open_demo().folder)
    >>> len(month.lots), len(month.readings), month.problems
    (28, 52, [])
    """

    lots: dict[str, Row] = field(default_factory=dict)
    readings: list[Row] = field(default_factory=list)
    limits: list[Row] = field(default_factory=list)
    ticks: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_daily(folder: Path, doughs: Collection[str] = ()) -> DailyRecords:
    """Read the daily journals of a folder; rows that cannot be used become problems.

    Parameters
    ----------
    folder : Path
    doughs : collection of str
        Names of the dough that is kept there. A row that names another dough is not used, so that
        two doughs never share limits; a row without a name counts. Empty takes every row.

    Examples
    --------
    >>> read_daily(Path("no such folder")).readings
    []
    """
    found = {name: read_journal(Path(folder), t) for name, t in DAILY.items()}
    problems = [p for journal in found.values() for p in journal.problems]
    for name, journal in found.items():
        found[name] = replace(journal, rows=_of_dough(journal, doughs, problems))
    lots: dict[str, Row] = {}
    for row in sorted(found["lots"].rows, key=lambda r: r["mixed_at"]):
        if row["lot"] in lots:
            words = f"lot '{row['lot']}' is added twice; the row mixed first counts. Take one back."
            problems.append(Problem(LOTS.path, words, row["_row"], "lot"))
            continue
        lots[row["lot"]] = row
    readings, limits, ticks = (_in_time(found[n]) for n in ("readings", "limits", "ticks"))
    return DailyRecords(lots, readings, limits, ticks, problems)


def _of_dough(journal: Journal, doughs: Collection[str], problems: list[Problem]) -> list[Row]:
    """Take the rows of one dough; the others become notes."""
    own = {d.casefold() for d in doughs}
    kept = []
    for row in journal.rows:
        if not own or row["dough"] is None or str(row["dough"]).casefold() in own:
            kept.append(row)
            continue
        words = (
            f"is about the dough '{row['dough']}', and this folder keeps {listed(list(doughs))}; "
            "the row is not used here. Enter it in the folder of its dough, and take it back here."
        )
        problems.append(Problem(journal.table.path, words, row["_row"], "dough", "note"))
    return kept


def _in_time(journal: Journal) -> list[Row]:
    return sorted(journal.rows, key=lambda r: r["at"])


def store_lot(
    folder: Path, values: Mapping[str, Any], *, by: str = "", now: datetime | None = None
) -> str:
    """Store a new lot; raises InputError where its name is taken or its times run backwards."""
    known = read_daily(folder).lots
    name = str(values.get("lot"))
    if name in known:
        at = known[name]["mixed_at"]
        raise InputError(
            f"Lot '{name}' is there already, mixed {at:%Y-%m-%d %H:%M}. Take another name, or "
            f"change it: doughlab daily --lot {name} --change trays=6 --reason TEXT"
        )
    _check_times(values)
    return append(folder, LOTS, [values], by=by, now=now)[0]


def change_lot(
    folder: Path,
    name: str,
    values: Mapping[str, Any],
    *,
    reason: str,
    by: str = "",
    now: datetime | None = None,
) -> str:
    """Store a new state of a lot as a correction of its row, such as the trays left.

    Raises
    ------
    UnknownName
        For a lot that is not there.
    """
    row = find_lot(read_daily(folder), name)
    kept = {c.name: row[c.name] for c in LOTS.columns if c not in JOURNAL_COLUMNS}
    changed = {**kept, **values}
    _check_times(changed)
    entry = {**changed, "action": "replace", "replaces": row["entry_id"], "reason": reason}
    return append(folder, LOTS, [entry], by=by, now=now)[0]


def find_lot(records: DailyRecords, name: str) -> Row:
    """Look a lot up; raises UnknownName with the nearest one."""
    if name not in records.lots:
        raise UnknownName("lot", name, records.lots, where=LOTS.path)
    return records.lots[name]


def _check_times(values: Mapping[str, Any]) -> None:
    times = [(n, values.get(n)) for n in ("mixed_at", "balled_at", "cooled_at")]
    there = [(n, t) for n, t in times if isinstance(t, datetime)]
    for (first, a), (second, b) in pairwise(there):
        if b < a:
            raise InputError(
                f"{second} {b:%H:%M} lies before {first} {a:%H:%M}. Look at the times of the lot."
            )
    left, trays = values.get("left"), values.get("trays")
    if left is not None and trays is not None and int(left) > int(trays):
        raise InputError(f"left {left} is more than the {trays} trays made. Look at the number.")


def correct(
    folder: Path,
    entry_id: str,
    values: Mapping[str, Any] | None,
    *,
    reason: str,
    by: str = "",
    now: datetime | None = None,
) -> str:
    """Replace a reading, or take any daily entry back.

    Parameters
    ----------
    folder : Path
    entry_id : str
        An entry's id or its beginning.
    values : mapping or None
        New values of a reading; None takes the entry back.
    reason : str

    Raises
    ------
    InputError
        Where no reason is given, or the id fits none or several.
    """
    found: list[tuple[Table, Row]] = []
    for table in DAILY.values():
        journal = read_journal(Path(folder), table)
        found += [(table, r) for r in journal.rows if str(r["entry_id"]).startswith(entry_id)]
    if not found:
        raise UnknownName("entry", entry_id, (), where="daily/")
    if len(found) > 1:
        ids = [str(r["entry_id"]) for _, r in found]
        raise InputError(f"'{entry_id}' fits several entries: {listed(ids)}. Give more of it.")
    table, row = found[0]
    if values is not None and table is not READINGS:
        raise InputError(f"'{entry_id}' is not a reading. Take it back with --void instead.")
    kept = {c.name: row[c.name] for c in table.columns if c not in JOURNAL_COLUMNS}
    entry = {
        **kept, **(values or {}), "action": "void" if values is None else "replace",
        "replaces": row["entry_id"], "reason": reason,
    }  # fmt: skip
    return append(folder, table, [entry], by=by, now=now)[0]


def guess_lot(records: DailyRecords, hold_h: float, at: datetime) -> str:
    """Find the one lot whose age fits a hold to two hours; empty where none or several do."""
    fits = []
    for name, row in records.lots.items():
        start = row["balled_at"] or row["mixed_at"]
        if row["left"] != 0 and abs(hours_between(start, at) - hold_h) <= 2.0:
            fits.append(name)
    return fits[0] if len(fits) == 1 else ""


def hold_of(row: Row, at: datetime) -> float:
    """Give the hours from balling to a time; from mixing where balling is not recorded."""
    return hours_between(row["balled_at"] or row["mixed_at"], at)


def out_minutes(
    records: DailyRecords, lot: str, *, hold_h: float, at: datetime, usual_min: float
) -> float:
    """Give the minutes a ball has been out, where nobody typed them: never less than it may be.

    The usual minutes; or longer, where the lot was read earlier that half day: then it counts
    from that reading. Readings without a lot count as the same balls where their hold is near.
    """
    longest = usual_min
    for r in records.readings:
        gone = (at - r["at"]).total_seconds() / 60.0
        same = r["lot"] == lot if lot else r["lot"] is None and abs(r["hold_h"] - hold_h) <= 6.0
        if same and 0.0 < gone <= SAME_OUT_H * 60.0:
            first = usual_min if r["out_min"] is None else float(r["out_min"])
            longest = max(longest, first + gone)
    return longest


def spent_h(row: Row | None, out_min: float, *, usual_before_h: float) -> float:
    """Give the hours at room temperature of a lot: before the cooler, and out of it now.

    Parameters
    ----------
    row : dict or None
        The lot; None where the reading names none.
    out_min : float
        Minutes out of the cooler now.
    usual_before_h : float
        Taken where the lot's times are not recorded.
    """
    first = usual_before_h
    if row is not None and row["cooled_at"] is not None:
        first = max(0.0, hours_between(row["mixed_at"], row["cooled_at"]))
    elif row is not None and row["balled_at"] is not None:
        first = max(usual_before_h, hours_between(row["mixed_at"], row["balled_at"]))
    return first + out_min / 60.0


def warmest_cooler(
    records: DailyRecords,
    temperatures: Sequence[Row],
    *,
    lot: Row | None,
    since: datetime,
    at: datetime,
) -> float | None:
    """Give the warmest that a lot's cooler was recorded while it was in it; None where nothing is.

    Readings of the lot itself, readings that name no other place, and cold places in
    record/temperatures.csv count.
    """
    from doughlab.formula.stays import COLD_PLACES, is_place

    def same_place(other: Row | None) -> bool:
        mine = None if lot is None else lot["place"]
        theirs = None if other is None else other["place"]
        return mine is None or theirs is None or mine == theirs

    found = [
        float(r["cooler_c"])
        for r in records.readings
        if r["cooler_c"] is not None
        and since <= r["at"] <= at
        and same_place(records.lots.get(r["lot"] or ""))
    ]
    found += [
        float(t["temp_c"])
        for t in temperatures
        if is_place(t, COLD_PLACES) and since <= t["at"] <= at
    ]
    return max(found, default=None)
