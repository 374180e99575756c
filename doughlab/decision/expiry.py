"""Expiry: until when a decision stands, from what was tried while the trial ran.

`doughlab decide` lists the conditions; the daily room writes them into the settled recipe and
watches them. Beyond them nothing is known: that is no statement about food safety.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from doughlab.analysis.dataset import TrialLike
from doughlab.decision.decided import Decision
from doughlab.units import format_quantity

COOLER = "cooler"
NEAR_C = 1.0  # trials in one temperature in all but name say as much of one so near; our choice


@dataclass(frozen=True)
class Condition:
    """One condition that a decision stands under.

    Attributes
    ----------
    what : str
        "season", "water", "flour", "cooler", "holds", "mixer" or "meter".
    low, high : float or None
        What was tried, °C (hours for "holds"); None where it is not a number or not recorded.
    values : tuple of str
        What was in use, such as flour lots; empty where not recorded.
    since : str
        Date of the water's sample, or of the first mixing day; empty where not recorded.
    words : str
        The condition as a clause that follows "until".

    Examples
    --------
    >>> Condition("flour", values=("F1",), words="another flour lot than F1 is opened").values
    ('F1',)
    """

    what: str
    low: float | None = None
    high: float | None = None
    values: tuple[str, ...] = ()
    since: str = ""
    words: str = ""


def expiry_conditions(trial: TrialLike, decision: Decision) -> tuple[Condition, ...]:
    """List the conditions under which a decision stops to stand.

    The settled recipe (daily/settled.toml) takes its `expires_when` from `words` and what was tried
    from `low`, `high`, `values` and `since`: one entry each for season (rooms of the mixes), water
    (its sample), flour lots, cooler, holds, mixer and meter, always in that order and always all
    of them, with `values` and ends empty where nothing was recorded.

    Parameters
    ----------
    trial : TrialLike
    decision : Decision
        With a recommendation; without one the water and the holds stay empty.

    Returns
    -------
    tuple of Condition

    Examples
    --------
    >>> from doughlab.notebook import decide_demo, open_demo
    >>> [c.what for c in expiry_conditions(open_demo(), decide_demo())]
    ['season', 'water', 'flour', 'cooler', 'holds', 'mixer', 'meter']
    """
    records, show = trial.records, trial.settings.show_temperature
    mixes = list(records.mixes)
    rooms = [float(m["room_temp_c"]) for m in mixes if m.get("room_temp_c") is not None]
    coolers = [float(t["temp_c"]) for t in records.temperatures
               if COOLER in str(t.get("place", "")).casefold()]  # fmt: skip
    first = min((m["mixed_at"] for m in mixes if m.get("mixed_at")), default=None)
    return (
        _ends("season", rooms, show, "the room", "" if first is None else f"{first:%Y-%m-%d}"),
        _water(trial, decision),
        _lots(mixes),
        _ends(COOLER, coolers, show, "the cooler", ""),
        _holds(decision),
        _things("mixer", [m.get("mixer") for m in mixes]),
        _things("meter", [r.get("instrument") for r in records.readings]),
    )


def _ends(what: str, values: Sequence[float], show: str, place: str, since: str) -> Condition:
    """Give a range of temperatures that was tried."""
    if not values:
        return Condition(what, since=since,
                         words=f"{place} changes (its temperature was not recorded)")  # fmt: skip
    low, high = min(values), max(values)
    if high - low < NEAR_C:
        near = format_quantity(NEAR_C, "temp_diff_c", show=show, digits=0)
        one = format_quantity((low + high) / 2, "temp_c", show=show, digits=0)
        more = ", or another cooler is used" if what == COOLER else ""
        words = f"{place} is more than {near} from {one}, all that was tried{more}"
        return Condition(what, high - NEAR_C, low + NEAR_C, since=since, words=words)
    shown = " to ".join(format_quantity(v, "temp_c", show=show) for v in (low, high))
    more = ", or another cooler is used" if what == COOLER else ""
    words = f"{place} leaves {shown}, as far as it was tried{more}"
    return Condition(what, low, high, since=since, words=words)


def _water(trial: TrialLike, decision: Decision) -> Condition:
    """Give the water and the date of its sample."""
    names = [level for name, level in decision.recommended.items()
             if trial.settings.factors[name].kind == "water"]  # fmt: skip
    rows = [trial.waters.get(name, {}) for name in names]
    dates = [f"{r['sampled_at']:%Y-%m-%d}" for r in rows if hasattr(r.get("sampled_at"), "date")]
    since = min(dates) if dates else ""
    sampled = f" since its sample of {since}" if since else " (no sample is dated)"
    words = f"the water supplier gives notice of a change{sampled if names else ''}"
    return Condition("water", values=tuple(names), since=since, words=words)


def _lots(mixes: Sequence[dict[str, Any]]) -> Condition:
    lots = tuple(sorted({str(m["flour_lot"]) for m in mixes if m.get("flour_lot")}))
    named = f"than {', '.join(lots)} " if lots else ""
    more = " (one lot does not show how lots differ)" if len(lots) == 1 else ""
    if not lots:
        more = " (no lot was recorded)"
    return Condition("flour", values=lots, words=f"another flour lot {named}is opened{more}")


def _holds(decision: Decision) -> Condition:
    hold = decision.settings.hold
    if hold is None or decision.table.empty:
        return Condition("holds", words="balls are held in another way")
    tried = np.array([float(hold.value_of(str(v))) for v in decision.table[hold.name].unique()])
    low, high = float(tried.min()), float(tried.max())
    words = f"balls are held under {low:g} or over {high:g} h"
    return Condition("holds", low, high, words=words)


def _things(what: str, names: Sequence[Any]) -> Condition:
    """Give the mixers or meters that were in use."""
    used = tuple(sorted({str(n) for n in names if n}))
    named = f" than {', '.join(used)}" if used else ""
    return Condition(what, values=used, words=f"another {what}{named} is used")
