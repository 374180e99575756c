"""The report room: figures and pictures of results, and the page a client keeps.

`plot_means`, `plot_contrasts`, `plot_hold`, `plot_interaction`, `plot_balls`, `plot_residuals` and
`plot_plan` take a result and give an Axes; the `picture_` functions of the same names give a
`Picture` with its numbers as alternative text and a caption, for notebooks. `plot_dose`,
`plot_costs` and `plot_levers` do the same for results of the water room, `plot_daily` and
`plot_daily_temperatures` for the chart of every day. `plot_window`,
`plot_share` and `picture_window` draw the hours of a decision. `build_report` writes
one self-contained page into the trial folder. Colours and markers come from `style`, every
sentence from `text`. Names load on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "Picture": "picture",
    "Texts": "text",
    "build_report": "page",
    "picture_balls": "pictures",
    "picture_contrasts": "pictures",
    "picture_costs": "water_pictures",
    "picture_daily": "daily_pictures",
    "picture_dose": "water_pictures",
    "picture_hold": "pictures",
    "picture_interaction": "pictures",
    "picture_levers": "water_pictures",
    "picture_means": "pictures",
    "picture_plan": "pictures",
    "picture_residuals": "pictures",
    "picture_week": "week",
    "picture_window": "window_pictures",
    "plot_balls": "course",
    "plot_contrasts": "figures",
    "plot_costs": "water_pictures",
    "plot_daily": "daily_pictures",
    "plot_dose": "water_pictures",
    "plot_daily_temperatures": "daily_pictures",
    "plot_hold": "lines",
    "plot_interaction": "lines",
    "plot_levers": "water_pictures",
    "plot_means": "figures",
    "plot_plan": "course",
    "plot_residuals": "course",
    "plot_share": "window_pictures",
    "plot_week": "week",
    "plot_window": "window_pictures",
    "use_style": "style",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name from its module on first use (PEP 562)."""
    if name in _HOMES:
        return getattr(import_module(f"doughlab.report.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'doughlab.report' has no attribute {name!r}")
