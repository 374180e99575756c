"""The daily room: keeping a settled dough where it was settled.

`chart` holds limits, run rules, EWMA and CUSUM; `runlength` how often they alarm falsely and how
soon they find a drift; `capability` how a spread fits the window. `settle` writes the `recipe`,
`journals` keep lots and readings, `standing` charts them, `advice` and `faults` say what to do,
`checklist` makes the lists. A shop of several doughs is told apart by `shop`, each seen in a
`glance`; `expiry` notices what ends a recipe. Names load on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "Capability": "capability",
    "Ended": "expiry",
    "Glance": "glance",
    "KeptDough": "shop",
    "Recipe": "recipe",
    "Standing": "standing",
    "Suspect": "faults",
    "Today": "advice",
    "Tray": "advice",
    "advise_today": "advice",
    "advise_water": "advice",
    "between_spread": "spread",
    "build_recipe": "settle",
    "choose_dough": "shop",
    "daily_pairs": "warmpairs",
    "due_readings": "shop",
    "find_ended": "expiry",
    "find_standing": "standing",
    "list_doughs": "shop",
    "order_trays": "advice",
    "rank_faults": "faults",
    "read_daily": "journals",
    "read_recipe": "recipe",
    "share_inside": "spread",
    "take_glance": "glance",
    "uneven_lot": "spread",
    "walk_faults": "faults",
    "write_recipe": "recipe",
    "Limits": "chart",
    "Signal": "chart",
    "chart_constants": "constants",
    "cusum": "chart",
    "cusum_run_length": "runlength",
    "ewma": "chart",
    "ewma_run_length": "runlength",
    "fault_lines": "faults",
    "find_signals": "chart",
    "individuals_limits": "chart",
    "measure_capability": "capability",
    "moving_range_limit": "chart",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name from its module on first use (PEP 562)."""
    if name in _HOMES:
        return getattr(import_module(f"doughlab.daily.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'doughlab.daily' has no attribute {name!r}")
