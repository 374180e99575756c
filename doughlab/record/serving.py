"""Serving: which balls are baked and tasted, and which spare takes the place of a lost one.

The plates, the score sheets, the judges' cards and `due` ask here. A ball that was pierced or lost
before its bake is not served; a spare of its batch takes its place and its code, so that a judge
notices nothing. Nothing is stored: plan and records say everything.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.plan.order import list_sittings
from doughlab.record.duplicates import order_plates, plated_ball
from doughlab.record.panel import find_barred
from doughlab.record.records import Records

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan

Row = dict[str, Any]
LATE_MIX = timedelta(hours=12)  # a batch not written down so long after its hour is told of


def gone_balls(records: Records) -> dict[str, datetime]:
    """Give the balls that cannot be served, and since when: pierced, or lost before their bake.

    Examples
    --------
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> row = {"ball_id": "B01-4", "ph": 5.4, "read_at": at}
    >>> list(gone_balls(Records.of(readings=[row])))
    ['B01-4']
    """
    baked = {b["ball_id"]: b["baked_at"] for b in records.bakes}
    gone: dict[str, datetime] = {}
    stated = [(r["ball_id"], r["read_at"]) for r in records.readings]
    stated += [(n["about"], n["at"]) for n in records.notes if n["kind"] == "lost"]
    for ball, at in stated:
        if ball in baked and baked[ball] <= at:
            continue
        gone[ball] = min(at, gone.get(ball, at))
    return gone


def stand_ins(plan: Plan | None, records: Records) -> dict[str, str]:
    """Give, for each ball of the bake that is gone, the spare that takes its place.

    The balls are gone through in the order in which they were lost, the spares of their batch in
    the order of the plan; a lost batch has none.

    Returns
    -------
    dict of str to str
        Planned ball to spare; balls for which no spare is left are not in it.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> balls = ({"ball_id": "B01-4", "batch_id": "B01", "purpose": "bake"},
    ...          {"ball_id": "B01-5", "batch_id": "B01", "purpose": "spare"})
    >>> plan = Plan(Settings("Demo", "DE"), (), balls, (), 1, "0")
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> stand_ins(plan, Records.of(notes=[{"about": "B01-4", "kind": "lost", "at": at}]))
    {'B01-4': 'B01-5'}
    """
    gone = gone_balls(records) if plan is not None else {}
    if plan is None or not gone:
        return {}
    balls = {str(b["ball_id"]): b for b in plan.balls}
    free: dict[str, list[str]] = {}
    for ball, row in balls.items():
        if row["purpose"] == "spare" and ball not in gone and row["batch_id"] not in gone:
            free.setdefault(str(row["batch_id"]), []).append(ball)
    found = {}
    for ball in sorted(gone, key=lambda b: (gone[b], b)):
        own = balls.get(ball)
        spares = free.get(str(own["batch_id"])) if own and own["purpose"] == "bake" else None
        if spares:
            found[ball] = spares.pop(0)
    return found


def code_of(plan: Plan | None, records: Records, ball: str) -> int | None:
    """Give the blind code under which a ball is served; a spare has that of the ball it replaces.

    Examples
    --------
    >>> code_of(None, Records(), "B01-4") is None
    True
    """
    if plan is None:
        return None
    codes = {str(b["ball_id"]): b.get("blind_code") for b in plan.balls}
    planned = next((p for p, spare in stand_ins(plan, records).items() if spare == ball), ball)
    return codes.get(planned)


def serve_session(plan: Plan, records: Records, session: str) -> dict[str, str]:
    """List the planned bakes of a session that are served, each with the ball on the plate.

    A batch whose mixing nobody wrote down yet is served too: on paper, records come late.

    Returns
    -------
    dict of str to str
        Planned ball to the ball that is served: itself, or a spare.
    """
    gone, instead = gone_balls(records), stand_ins(plan, records)
    return {
        ball: instead.get(ball, ball)
        for ball, batch in _bakes(plan, session)
        if batch not in gone and (ball not in gone or ball in instead)
    }


def _bakes(plan: Plan, session: str) -> Iterable[tuple[str, str]]:
    for b in plan.balls:
        if b["session"] == session and b["purpose"] == "bake":
            yield str(b["ball_id"]), str(b["batch_id"])


def unwritten_batches(plan: Plan, records: Records, now: datetime) -> set[str]:
    """List the batches whose hour of mixing is half a day past and that nobody wrote down.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> step = {"step": "mix", "item": "B01", "due_at": at, "place": None}
    >>> plan = Plan(Settings("Demo", "DE"), (), (), (step,), 1, "0")
    >>> unwritten_batches(plan, Records(), at + timedelta(days=1))
    {'B01'}
    """
    mixed = {m["batch_id"] for m in records.mixes}
    due = {str(r["item"]): r["due_at"] for r in plan.schedule if r["step"] == "mix"}
    return {batch for batch, at in due.items() if batch not in mixed and at + LATE_MIX < now}


def serve_orders(plan: Plan, records: Records, session: str) -> dict[str, list[tuple[int, str]]]:
    """Give each judge the order of a session, as planned, less what is gone, spares in place.

    A judge who said no, or who is allergic to what the samples contain, is not in it.

    Returns
    -------
    dict of str to list of (int, str)
        Judge to place and plate: a planned ball, or its duplicate (see `duplicates`);
        `serve_session` says which ball is on the plate. Places are those of the plan: they do
        not move when a ball is lost.
    """
    served = serve_session(plan, records, session)
    barred = find_barred(plan.settings, records)
    return {
        judge: [
            (i, plate)
            for i, plate in enumerate(order_plates(plan, session, judge, order), start=1)
            if plated_ball(plate) in served
        ]
        for judge, order in plan.serving_orders(session).items()
        if judge not in barred
    }


def list_hours(plan: Plan, session: str) -> dict[str, str]:
    """Give each bake of a session the hour of its sitting; empty where one sitting is all.

    Returns
    -------
    dict of str to str
        Planned ball to hour and minute at the place of the trial.
    """
    zone = ZoneInfo(plan.settings.timezone)
    own = {ball for ball, _ in _bakes(plan, session)}
    times = {str(r["item"]): r["due_at"] for r in plan.schedule
             if r["step"] == "bake" and r["item"] in own}  # fmt: skip
    parts = list_sittings(times, plan.settings.panel.samples_per_session)
    if len(parts) < 2 or set(times) != own:
        return {}
    hours: dict[str, str] = {}
    for part in parts:
        start = min(times[ball] for ball in part).astimezone(zone)
        hours |= dict.fromkeys(part, f"{start:%H:%M}")
    return hours
