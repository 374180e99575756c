"""Blind: what a judge reads names codes, never balls.

`doughlab record score` and the bench pass every answer to a judge through here.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan


def hide_balls(plan: Plan | None, text: str) -> str:
    """Write blind codes where the ids of coded balls stand.

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
    return re.sub(r"[\w-]+", lambda found: codes.get(found[0], found[0]), text)


def find_coded(plan: Plan | None, session: str, code: int) -> str | None:
    """Find the ball of a blind code in a session; None where there is none."""
    for ball in plan.balls if plan is not None else ():
        if ball.get("blind_code") == code and ball["session"] == session:
            return str(ball["ball_id"])
    return None
