"""Limits: what a setting must meet beside the window, from trial.toml.

`weigh` judges settings by them all at once. What trial.toml does not say is named and not judged.
They are the owner's limits about dough, money and hands; none is a limit of food safety.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from doughlab.analysis.analyse import Analysis
from doughlab.decision.window import WindowFound
from doughlab.prices import BEST
from doughlab.settings import Settings

BALLS, MONEY, HANDS = "balls", "water cost", "work"


@dataclass(frozen=True)
class Limit:
    """One limit.

    Attributes
    ----------
    what : str
        Name of a response, "water cost" or "work".
    kind : str
        "balls" for a response that new balls spread in, else as `what`.
    low, high : float
        Ends that are still inside; infinite where there is none.
    margin : float or None
        Where the lower end is the best setting found less this margin.
    words : str
        The limit as it is printed, such as "bake score 6.5 or more".

    Examples
    --------
    >>> Limit("score", "balls", 6.5, float("inf"), words="bake score 6.5 or more").margin is None
    True
    """

    what: str
    kind: str
    low: float = -np.inf
    high: float = np.inf
    margin: float | None = None
    words: str = ""


def list_limits(
    settings: Settings, found: Mapping[str, Analysis], window: WindowFound
) -> tuple[tuple[Limit, ...], tuple[str, ...], tuple[str, ...]]:
    """List the limits of a trial, and what has none.

    Parameters
    ----------
    settings : Settings
    found : mapping of str to Analysis
        The responses that could be analysed.
    window : WindowFound
        With both ends.

    Returns
    -------
    limits : tuple of Limit
        The window first.
    not_judged : tuple of str
        What has no limit, each with the key that would give it.
    blocked : tuple of str
        What has a limit and cannot be judged, each with the reason.
    """
    ends = window.ends or (-np.inf, np.inf)
    main = settings.responses[window.response]
    limits = [Limit(window.response, BALLS, *ends, words=f"{main.words} in {window.text}")]
    missing, blocked = [], []
    for name, response in settings.responses.items():
        if name == window.response:
            continue
        if response.at_least is None and response.at_most is None:
            missing.append(f"{response.words} (at_least in [responses.{name}])")
        elif name not in found:
            blocked.append(f"{response.words} (nothing could be analysed)")
        else:
            limits.append(_of_response(settings, name))
    own = settings.limits
    currency = f" {settings.currency}" if settings.currency else ""
    if own.water_cost_a_year is None:
        missing.append("cost of water (water_cost_a_year in [limits])")
    else:
        words = f"water {own.water_cost_a_year:g}{currency} a year or less"
        limits.append(Limit(MONEY, MONEY, high=own.water_cost_a_year, words=words))
    if own.work_h_a_day is None:
        missing.append("hours of work (work_h_a_day in [limits])")
    else:
        words = f"work {own.work_h_a_day:g} h a day or less"
        limits.append(Limit(HANDS, HANDS, high=own.work_h_a_day, words=words))
    return tuple(limits), tuple(missing), tuple(blocked)


def _of_response(settings: Settings, name: str) -> Limit:
    r = settings.responses[name]
    high = np.inf if r.at_most is None else float(r.at_most)
    most = "" if r.at_most is None else f"{r.at_most:g} or less"
    if r.at_least == BEST:
        words = f"{r.words} no more than {r.margin:g} under the best"
        words += f" and {most}" if most else ""
        return Limit(name, BALLS, high=high, margin=r.margin, words=words)
    low = -np.inf if r.at_least is None else float(r.at_least)
    least = "" if r.at_least is None else f"{r.at_least:g} or more"
    return Limit(name, BALLS, low, high, words=f"{r.words} {least or most}"
                 + (f" and {most}" if least and most else ""))  # fmt: skip
