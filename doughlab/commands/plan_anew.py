"""Part of the command `plan`: a kept plan beside what trial.toml asks for by now.

`plan` asks here. Until the first record a plan may be kept anew; afterwards it stays.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.errors import PlanError
from doughlab.tables import RECORDS, TABLES

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings


def plan_asked(
    kept: Plan, settings: Settings, formula: Formula | None, waters: dict[str, Any] | None
) -> Plan | str | None:
    """Make the plan that trial.toml asks for by now; None where it is the kept one.

    Another order is no other plan. One that was extended or searched is left alone; where none can
    be made, the reason comes back.
    """
    from doughlab.plan.plan import build_plan

    if kept.parts or settings.plan.design == "search":
        return None
    try:
        asked = build_plan(settings, formula=formula, waters=waters, seed=kept.seed)
    except PlanError as error:
        return str(error)
    return asked if _shape(asked) != _shape(kept) or _put_off(kept, settings) else None


def _shape(plan: Plan) -> tuple[Any, ...]:
    """Give what is mixed and what the balls are for, whatever the order."""
    outer = [f.column for f in plan.settings.factors_set("day", "batch")]
    inner = [f.column for f in plan.settings.factors_set("ball")]
    batches = Counter(tuple(str(b.get(c)) for c in outer) for b in plan.batches)
    balls = Counter((b["purpose"], *(str(b.get(c)) for c in inner)) for b in plan.balls)
    return batches, balls, len({b["block"] for b in plan.batches})


def _put_off(kept: Plan, settings: Settings) -> bool:
    """Tell whether the first mixing day was put off; a calendar may have begun later by itself."""
    first = min((s["due_at"].date().isoformat() for s in kept.schedule), default="")
    return bool(first) and first < settings.blocks.start_on


def has_records(folder: Path) -> bool:
    """Tell whether anything is recorded in a trial folder."""
    for name in RECORDS:
        path = folder / TABLES[name].path
        if path.is_file() and len([line for line in path.read_bytes().split(b"\n") if line]) > 1:
            return True
    return False


def take_asked(asked: Plan | str) -> Plan:
    """Give the plan that is asked for by now.

    Raises
    ------
    PlanError
        Where none can be made, with the reason.
    """
    if isinstance(asked, str):
        raise PlanError(asked)
    return asked


def say_asked(asked: Plan | str, kept: Plan, folder: Path, place: str) -> str:
    """Say that the kept plan is not what trial.toml asks for, and what can be done."""
    if isinstance(asked, str):
        why = "" if has_records(folder) else f": {asked}"
        return f"trial.toml asks for a plan by now that cannot be made; the kept one stays{why}"
    words = (
        f"trial.toml asks for another plan by now: {_size(asked)}; kept is one of {_size(kept)}."
    )
    if has_records(folder):
        return (
            f"{words} Records are made under the kept one, so it stays: change trial.toml back, "
            "add to the plan with --extend, or start a new trial folder."
        )
    return f"{words} Nothing is recorded yet, so it can be kept anew: doughlab plan{place} --keep"


def _size(plan: Plan) -> str:
    days = len({b["block"] for b in plan.batches})
    first = min((s["due_at"].date().isoformat() for s in plan.schedule), default="no day")
    return f"{len(plan.batches)} batches, {len(plan.balls)} balls, {days} days from {first}"
