"""Blind: what a judge reads names codes, never balls.

`doughlab record score` and the bench pass every answer to a judge through here.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from doughlab.record.duplicates import find_duplicate
from doughlab.record.serving import stand_ins

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.record.records import Records


def hide_balls(plan: Plan | None, text: str, records: Records | None = None) -> str:
    """Write blind codes where the ids of coded balls stand, or of spares in their place.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> ball = {"ball_id": "B03-4", "batch_id": "B03", "purpose": "bake", "blind_code": 417}
    >>> hide_balls(Plan(Settings("Demo", "DE"), (), (ball,), (), 1, "0"), "B03-4: nothing")
    'code 417: nothing'
    """
    balls = plan.balls if plan is not None else ()
    codes = {str(b["ball_id"]): f"code {b['blind_code']}" for b in balls if b.get("blind_code")}
    instead = stand_ins(plan, records) if records is not None else {}
    codes |= {spare: codes[ball] for ball, spare in instead.items() if ball in codes}
    return re.sub(r"[\w-]+", lambda found: codes.get(found[0], found[0]), text)


def find_coded(
    plan: Plan | None, session: str, code: int, records: Records | None = None
) -> str | None:
    """Find the ball served under a blind code in a session; None where there is none."""
    instead = stand_ins(plan, records) if records is not None else {}
    for ball in plan.balls if plan is not None else ():
        if ball.get("blind_code") == code and ball["session"] == session:
            return instead.get(str(ball["ball_id"]), str(ball["ball_id"]))
    for twice in find_duplicate(plan, code, session=session):
        return instead.get(twice, twice)
    return None
