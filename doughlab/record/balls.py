"""Balls: the state of every planned ball, derived from what was recorded.

The analysis takes hold times from here, `due` and the bench what a ball still needs.
Nothing is stored: the plan and the records say everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from doughlab.record.records import Records
from doughlab.record.series import part_balls, take_outs

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan

Row = dict[str, Any]

STATES = ("planned", "mixed", "held", "pulled", "read", "baked", "scored", "lost")


@dataclass(frozen=True)
class BallState:
    """What has happened to one ball so far.

    Attributes
    ----------
    ball_id, batch_id, purpose : str
        From the plan.
    state : str
        One of planned, mixed, held, pulled, read, baked, scored, lost.
    lost_reason : str
        Why it was lost; empty where it was not.
    mixed_at, balled_at, cooled_at, pulled_at, used_at : datetime or None
        First wetting, balling, into the cooler, out of it, first reading in use or bake.
    planned_hold_h : float or None
        The hold the plan asks for, in hours.
    hold_h : float or None
        Hours from balling to use, warm-up included; None until both are recorded.
    age_h : float or None
        Hours from first wetting to use.
    warm_min : float or None
        Minutes out of the cooler before use.
    readings : int
        How many readings it has.
    pierced : bool
        True once it was read: never baked or served.

    Examples
    --------
    >>> BallState("B01-1", "B01", "ph").state
    'planned'
    """

    ball_id: str
    batch_id: str
    purpose: str
    state: str = "planned"
    lost_reason: str = ""
    mixed_at: datetime | None = None
    balled_at: datetime | None = None
    cooled_at: datetime | None = None
    pulled_at: datetime | None = None
    used_at: datetime | None = None
    planned_hold_h: float | None = None
    hold_h: float | None = None
    age_h: float | None = None
    warm_min: float | None = None
    readings: int = 0
    pierced: bool = False

    def warm_h(self, at: datetime) -> float:
        """Give the hours at room temperature up to a time: before the cooler and after it.

        Before the cooler it counts from first wetting; where the time of cooling is not
        recorded, up to balling, so that the truth is this or more.
        """
        total = 0.0
        before = self.cooled_at or self.balled_at
        if self.mixed_at is not None and before is not None:
            total += max(0.0, hours_between(self.mixed_at, before))
        if self.pulled_at is not None:
            total += max(0.0, hours_between(self.pulled_at, self.used_at or at))
        return total


def hours_between(start: datetime, end: datetime) -> float:
    """Give the hours from one time to another, across clock changes.

    Examples
    --------
    >>> before = datetime.fromisoformat("2026-03-29T01:30+01:00")
    >>> hours_between(before, datetime.fromisoformat("2026-03-29T03:30+02:00"))
    1.0
    """
    return (end - start).total_seconds() / 3600.0


def ball_states(plan: Plan, records: Records) -> dict[str, BallState]:
    """Derive the state of every planned ball.

    Parameters
    ----------
    plan : Plan
        The frozen plan.
    records : Records
        What was recorded so far.

    Returns
    -------
    dict of str to BallState
        By ball id, in the order of the plan. A ball of a lost batch is lost.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> ball = {"ball_id": "B01-1", "batch_id": "B01", "purpose": "ph"}
    >>> plan = Plan(Settings("Demo", "DE"), (), (ball,), (), 1, "0")
    >>> dropped = {"about": "B01-1", "kind": "lost", "note": "dropped"}
    >>> state = ball_states(plan, Records.of(notes=[dropped]))["B01-1"]
    >>> state.state, state.lost_reason
    ('lost', 'dropped')
    """
    return dict(BallStates(plan, records))


class BallStates(Mapping[str, BallState]):
    """The states of all planned balls, each worked out when it is asked for.

    Parameters
    ----------
    plan : Plan
    records : Records

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> ball = {"ball_id": "B01-1", "batch_id": "B01", "purpose": "ph"}
    >>> plan = Plan(Settings("Demo", "DE"), (), (ball,), (), 1, "0")
    >>> states = BallStates(plan, Records())
    >>> states["B01-1"].state, states.get("B09-1")
    ('planned', None)
    """

    def __init__(self, plan: Plan, records: Records) -> None:
        self._balls = {str(ball["ball_id"]): ball for ball in plan.balls}
        self._hold = plan.settings.hold
        self._facts = _Facts(records, plan.settings.kitchen.warm_min)
        self._known: dict[str, BallState] = {}

    def __getitem__(self, ball_id: str) -> BallState:
        if ball_id not in self._known:
            ball = self._balls[ball_id]
            planned = ball.get(self._hold.column) if self._hold else None
            self._known[ball_id] = _ball_state(ball, planned, self._facts)
        return self._known[ball_id]

    def __iter__(self) -> Iterator[str]:
        return iter(self._balls)

    def __len__(self) -> int:
        return len(self._balls)


class _Facts:
    """The records looked up by ball and batch."""

    def __init__(self, records: Records, warm_min: float) -> None:
        self.mixes: dict[str, Row] = {}
        for mix in records.mixes:
            self.mixes.setdefault(mix["batch_id"], mix)
        self.readings = _by_ball(records.readings)
        self.bakes = _by_ball(records.bakes)
        self.scored = {s["ball_id"] for s in records.scores}
        self.lost = {n["about"]: n for n in records.notes if n["kind"] == "lost"}
        self.pulled = take_outs(records)
        parted = part_balls(records, records.readings, warm_min=warm_min)
        self.read_at = {ball: s.first_at for ball, s in parted.items()}


def _by_ball(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["ball_id"], []).append(row)
    return found


def _ball_state(ball: Row, planned_hold_h: float | None, facts: _Facts) -> BallState:
    ball_id, batch_id = str(ball["ball_id"]), str(ball["batch_id"])
    mix = facts.mixes.get(batch_id, {})
    readings = facts.readings.get(ball_id, [])
    bakes = facts.bakes.get(ball_id, [])
    used = [facts.read_at.get(ball_id), *(b["baked_at"] for b in bakes)]
    used_at = min((t for t in used if t is not None), default=None)
    pulled_at = facts.pulled.get(ball_id)
    mixed_at, balled_at = mix.get("mixed_at"), mix.get("balled_at")
    lost = facts.lost.get(ball_id) or facts.lost.get(batch_id)
    warm = [b["warm_min"] for b in bakes if b["warm_min"] is not None]
    if not warm and pulled_at is not None and used_at is not None:
        warm = [hours_between(pulled_at, used_at) * 60]
    return BallState(
        ball_id=ball_id,
        batch_id=batch_id,
        purpose=str(ball["purpose"]),
        state=_state(ball_id, lost, readings, bakes, pulled_at, mix, facts),
        lost_reason=(lost["note"] or "no reason given") if lost else "",
        mixed_at=mixed_at,
        balled_at=balled_at,
        cooled_at=mix.get("cooled_at"),
        pulled_at=pulled_at,
        used_at=used_at,
        planned_hold_h=planned_hold_h,
        hold_h=hours_between(balled_at, used_at) if balled_at and used_at else None,
        age_h=hours_between(mixed_at, used_at) if mixed_at and used_at else None,
        warm_min=warm[0] if warm else None,
        readings=len(readings),
        pierced=bool(readings),
    )


def _state(
    ball_id: str,
    lost: Row | None,
    readings: list[Row],
    bakes: list[Row],
    pulled_at: datetime | None,
    mix: Row,
    facts: _Facts,
) -> str:
    steps = (
        ("lost", lost is not None),
        ("scored", ball_id in facts.scored),
        ("baked", bool(bakes)),
        ("read", bool(readings)),
        ("pulled", pulled_at is not None),
        ("held", mix.get("balled_at") is not None),
        ("mixed", bool(mix)),
    )
    return next((name for name, is_so in steps if is_so), "planned")
