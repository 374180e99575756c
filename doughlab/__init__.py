"""doughlab: settle a dough by trial bakes, and keep it there.

`Trial.open` reads a trial folder; `build_plan` and `plan_precision` say what a trial needs and
will find; `analyse` answers its questions and `decide` what to do next. Numbers carry their unit
in the name (`hold_h`, `water_temp_c`); results are frozen and print in a few lines. The names
below are loaded when they are first used, so that `import doughlab` comes at once.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doughlab import notebook
    from doughlab.analysis import analyse
    from doughlab.decision import decide, hours_table
    from doughlab.errors import (
        DoughlabError,
        InputError,
        MissingRecords,
        NotEstimable,
        OutOfRange,
        PlanError,
        UnknownName,
    )
    from doughlab.plan import build_plan, plan_precision
    from doughlab.report import (
        build_report,
        picture_interaction,
        picture_means,
        picture_window,
        plot_balls,
        plot_interaction,
        plot_means,
        plot_window,
    )
    from doughlab.settings import read_settings
    from doughlab.trial import Trial

# name: where it lives; an empty name means the module itself
_HOMES = {
    "Trial": "doughlab.trial",
    "analyse": "doughlab.analysis",
    "build_plan": "doughlab.plan",
    "build_report": "doughlab.report",
    "decide": "doughlab.decision",
    "hours_table": "doughlab.decision",
    "notebook": "",
    "picture_interaction": "doughlab.report",
    "picture_means": "doughlab.report",
    "picture_window": "doughlab.report",
    "plan_precision": "doughlab.plan",
    "plot_balls": "doughlab.report",
    "plot_interaction": "doughlab.report",
    "plot_means": "doughlab.report",
    "plot_window": "doughlab.report",
    "read_settings": "doughlab.settings",
    "DoughlabError": "doughlab.errors",
    "InputError": "doughlab.errors",
    "MissingRecords": "doughlab.errors",
    "NotEstimable": "doughlab.errors",
    "OutOfRange": "doughlab.errors",
    "PlanError": "doughlab.errors",
    "UnknownName": "doughlab.errors",
}

__all__ = [
    "DoughlabError",
    "InputError",
    "MissingRecords",
    "NotEstimable",
    "OutOfRange",
    "PlanError",
    "Trial",
    "UnknownName",
    "analyse",
    "build_plan",
    "build_report",
    "decide",
    "hours_table",
    "notebook",
    "picture_interaction",
    "picture_means",
    "picture_window",
    "plan_precision",
    "plot_balls",
    "plot_interaction",
    "plot_means",
    "plot_window",
    "read_settings",
]


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562)."""
    if name == "__version__":
        from importlib.metadata import version

        return version("doughlab")
    if name not in _HOMES:
        raise AttributeError(f"module 'doughlab' has no attribute '{name}'")
    home = _HOMES[name]
    if not home:
        return importlib.import_module(f"doughlab.{name}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
