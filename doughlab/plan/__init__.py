"""The plan room: from questions and kitchen limits to batches, balls and days.

`build_plan` makes a `Plan` from settings; `plan_precision` says what it can find; `write_plan`
keeps it and `read_plan` reads it back. Reading needs no numerical library. Names load on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "ModelTerms": "model",
    "Plan": "plan",
    "build_plan": "plan",
    "carry_pilot": "pilot",
    "compare_plans": "beside",
    "plan_precision": "precision",
    "read_plan": "plan",
    "write_plan": "plan",
    "PlanFacts": "facts",
    "Precision": "precision",
    "WeekPlan": "calendar",
    "lay_calendar": "calendar",
    "build_layout": "model",
    "describe_plan": "facts",
    "describe_kind": "kinds",
    "choose_fraction": "fractions",
    "read_fraction": "fractions",
    "list_readings": "meters",
    "choose_terms": "model",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name from its module on first use (PEP 562)."""
    if name in _HOMES:
        return getattr(import_module(f"doughlab.plan.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'doughlab.plan' has no attribute {name!r}")
