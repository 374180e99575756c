"""Trade-off: the tried settings that no other is shown to beat in everything at once.

`words` prints its short table behind --more. It ranks nothing: what to give up for what is the
owner's to say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doughlab.decision.options import CHANCE_MARGIN
from doughlab.decision.weigh import Weighing

Floats = NDArray[np.floating]

ERROR = 0.05


@dataclass(frozen=True)
class TradeOff:
    """Which settings are left, and which are beaten by what.

    Attributes
    ----------
    kept : tuple of int
        Positions of the settings that are not shown to be beaten.
    beaten_by : dict of int to int
        Position of a beaten setting to that of one that beats it.
    judged : tuple of str
        What was looked at.

    Examples
    --------
    >>> TradeOff((0, 2), {1: 0}, ("share inside",)).kept
    (0, 2)
    """

    kept: tuple[int, ...]
    beaten_by: dict[int, int]
    judged: tuple[str, ...]


def find_tradeoff(weighing: Weighing) -> TradeOff:
    """Find the settings that no other is shown to beat.

    Parameters
    ----------
    weighing : Weighing

    Returns
    -------
    TradeOff

    Notes
    -----
    One setting beats another where it is shown to be no worse in everything (share inside to one
    ball of ten, a score to its margin, money and hands exactly) and better in something. "Shown"
    is in all but 5 % of the draws, divided by the number of settings that might beat it
    (Bonferroni), of all responses together.
    """
    joint, settings = weighing.joint, weighing.settings
    first = weighing.limits[0].what
    names = {first: "share inside"}
    draws: list[tuple[Floats, float]] = [(joint.alone[first], CHANCE_MARGIN)]
    for name, response in settings.responses.items():
        if response.kind == "score" and name in joint.means:
            draws.append((joint.means[name], response.margin))
            names[name] = response.words
    fixed = [-v for v in (weighing.costs, weighing.hours) if np.isfinite(v).all()]
    judged = list(names.values())
    judged += ["cost of water"] if np.isfinite(weighing.costs).all() else []
    judged += ["hours of work"] if np.isfinite(weighing.hours).all() else []
    beaten: dict[int, int] = {}
    count = len(weighing.setting)
    need = 1.0 - ERROR / max(count - 1, 1)
    for i in range(count):
        winners = np.flatnonzero(_beats(draws, fixed, i, need))
        if len(winners):
            beaten[i] = int(winners[0])
    kept = tuple(i for i in range(count) if i not in beaten)
    return TradeOff(kept, beaten, tuple(judged))


def _beats(
    draws: Sequence[tuple[Floats, float]], fixed: Sequence[Floats], at: int, need: float
) -> NDArray[np.bool_]:
    """Tell which settings are shown to beat the one at a position."""
    no_worse: NDArray[np.bool_] = np.ones(draws[0][0].shape, dtype=bool)
    better = np.zeros(no_worse.shape[1], dtype=bool)
    for values, margin in draws:
        gain = values - values[:, [at]]
        no_worse &= gain >= -margin  # a blank is never shown
        better |= (gain > 0).mean(axis=0) >= need
    shown = no_worse.mean(axis=0) >= need
    for own in fixed:
        shown &= own >= own[at]
        better |= own > own[at]
    out = shown & better
    out[at] = False
    return np.asarray(out)
