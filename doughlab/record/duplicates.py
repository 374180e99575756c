"""Duplicate plates: a baked ball tasted twice by every judge, under a second code.

Twin balls (`balls = 2` in a scored response) show a judge's spread and what two balls differ in; a
duplicate of one ball shows the judge's alone. The orders of serving, the cards and the sheets ask
here; nothing is stored beside the plan, since all of it follows from its seed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from random import Random
from typing import TYPE_CHECKING, Any

from doughlab.plan.order import CODES, make_rng, serve_rounds, shuffled

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan

AGAIN = "+"  # behind the ball whose second plate it is; no id of a ball ends with it


def plated_ball(plate: str) -> str:
    """Give the planned ball that lies on a plate.

    Examples
    --------
    >>> plated_ball("B03-4+"), plated_ball("B03-4")
    ('B03-4', 'B03-4')
    """
    return plate.removesuffix(AGAIN)


def list_duplicates(plan: Plan | None, session: str) -> Mapping[str, int]:
    """Give the planned balls of a session that are plated twice, with their second codes.

    Examples
    --------
    >>> list_duplicates(None, "S01")
    {}
    """
    if plan is None or not plan.settings.panel.duplicates:
        return {}
    bakes = tuple((str(b["ball_id"]), b.get("blind_code")) for b in _bakes(plan, session))
    return _draw(bakes, plan.seed, session, plan.settings.panel.duplicates)


def _bakes(plan: Plan, session: str) -> Iterator[Mapping[str, Any]]:
    return (b for b in plan.balls if b["session"] == session and b["purpose"] == "bake")


@lru_cache(maxsize=64)
def _draw(
    bakes: tuple[tuple[str, int | None], ...], seed: int, session: str, count: int
) -> dict[str, int]:
    """Draw balls, and codes that no other plate of the session has."""
    rng, taken = make_rng(seed, f"twice/{session}"), {code for _, code in bakes}
    balls = shuffled(sorted(ball for ball, _ in bakes), rng)[:count]
    free = [code for code in shuffled(CODES, rng) if code not in taken]
    return dict(zip(balls, free, strict=False))


def plate_code(plan: Plan, session: str, plate: str) -> int | None:
    """Give the three digits on a plate.

    Parameters
    ----------
    plan : Plan
    session : str
    plate : str
        A planned ball, with `AGAIN` behind it for its second plate.
    """
    if plate.endswith(AGAIN):
        return list_duplicates(plan, session).get(plated_ball(plate))
    code = plan.ball(plate)["blind_code"]
    return None if code is None else int(code)


def find_duplicate(plan: Plan | None, code: int, *, session: str = "") -> list[str]:
    """Find the planned balls whose second plate has a code, in one session or in any.

    Examples
    --------
    >>> find_duplicate(None, 417)
    []
    """
    sessions = (plan.sessions if plan is not None else ()) if not session else (session,)
    return [
        ball for own in sessions
        for ball, second in list_duplicates(plan, own).items() if second == code
    ]  # fmt: skip


def second_codes(plan: Plan | None) -> dict[str, int]:
    """Give the second code of every ball of the plan that has one."""
    found: dict[str, int] = {}
    for session in plan.sessions if plan is not None else ():
        found.update(list_duplicates(plan, session))
    return found


def order_plates(plan: Plan, session: str, judge: str, order: Sequence[str]) -> list[str]:
    """Put the second plates into a judge's order, each in the round of its ball, apart from it.

    Parameters
    ----------
    plan : Plan
    session, judge : str
    order : sequence of str
        Of the plan.

    Returns
    -------
    list of str
        Plates; the order as it is where the trial has no duplicates.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> order_plates(Plan(Settings("Demo", "DE"), (), (), (), 1, "0"), "S01", "ada", ["B01-3"])
    ['B01-3']
    """
    twice = list_duplicates(plan, session)
    out = list(order)
    if not twice:
        return out
    due = {str(r["item"]): r["due_at"] for r in plan.schedule if r["step"] == "bake"}
    dated = {ball: due[ball] for ball in order if ball in due}
    rounds = serve_rounds(dated, plan.settings.panel.samples_per_session)
    rng = make_rng(plan.seed, f"twice/{session}/{judge}")
    for ball in twice:
        own = next((set(r) for r in rounds if ball in r), set(order))
        out.insert(_place(out, ball, own, rng), ball + AGAIN)
    return out


def _place(plates: Sequence[str], ball: str, own: set[str], rng: Random) -> int:
    """Draw a place within the round of a ball, with another plate between where there is one."""
    within = [i for i, plate in enumerate(plates) if plated_ball(plate) in own]
    at = plates.index(ball)
    places = [i for i in range(within[0], within[-1] + 2) if i not in (at, at + 1)]
    return places[int(rng.random() * len(places))] if places else at + 1
