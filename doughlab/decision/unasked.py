"""Unasked: scores that take no part in the choice, since no limit is set for them.

`words` says beside the choice how the chosen setting stands there. What a limit would change is
left to the owner, who sets it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doughlab.analysis.wording import (
    amount_words,
    decimals_for,
    level_words,
    range_words,
    signed,
)
from doughlab.decision.options import find_setting

if TYPE_CHECKING:
    from doughlab.decision.decided import Decision
    from doughlab.sections import Response


@dataclass(frozen=True)
class Unasked:
    """A score without a limit, at the chosen setting and where it is highest.

    Attributes
    ----------
    response : Response
    here, top : float
        Estimated means, in points: of the chosen setting, and the highest of those that are not
        shown to have fewer balls inside.
    more, more_low, more_high : float
        Highest less chosen, with the 95 % range of that one difference; 0 where the chosen is
        the highest.
    at : int
        Position of the highest in `Decision.table`.
    of : int
        Settings that it is the highest of.
    """

    response: Response
    here: float
    top: float
    more: float
    more_low: float
    more_high: float
    at: int
    of: int


def find_unasked(decision: Decision) -> tuple[Unasked, ...]:
    """Find the scores that take no part in the choice.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    tuple of Unasked
        Empty where nothing is recommended, or every score has a limit.

    Notes
    -----
    The range is of the two settings that are named, over draws of their means
    (`joint.Joint.means`). The highest of many noisy means was picked for being high, so its lead
    looks larger than it is; the words say so.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> found = find_unasked(decide_demo())[0]
    >>> found.response.name, found.here < found.top, found.more_low < found.more < found.more_high
    ('score', True, True)
    """
    weighing, table = decision.weighing, decision.table
    at = find_setting(table, decision.recommended) if decision.recommended else None
    if weighing is None or at is None:
        return ()
    limited = {limit.what for limit in weighing.limits}
    rivals = table["less_high"].to_numpy(dtype=float) >= 0
    rivals[at] = True
    out = []
    for name, response in weighing.settings.responses.items():
        if response.kind != "score" or name in limited or name not in weighing.joint.means:
            continue
        means = table[name].to_numpy(dtype=float)
        usable = np.flatnonzero(rivals & np.isfinite(means))
        if not np.isfinite(means[at]) or len(usable) < 2:
            continue
        top = int(usable[np.argmax(means[usable])])
        gain = weighing.joint.means[name][:, top] - weighing.joint.means[name][:, at]
        low, high = np.quantile(gain, [0.025, 0.975])
        out.append(Unasked(response, float(means[at]), float(means[top]),
                           float(means[top] - means[at]), float(low), float(high), top,
                           len(usable)))  # fmt: skip
    return tuple(out)


def unasked_words(decision: Decision) -> list[str]:
    """Say which scores take no part in the choice, and what they are there.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    list of str
        One sentence for each.
    """
    out = []
    for found in find_unasked(decision):
        r = found.response
        d = decimals_for(r.margin)
        head = (f"{r.words[:1].upper()}{r.words[1:]} takes no part in this choice, for want of a "
                f"limit (at_least in [responses.{r.name}]): {found.here:.{d}f} here")  # fmt: skip
        if found.at == find_setting(decision.table, decision.recommended):
            out.append(
                f"{head}, the highest of the {found.of} settings not shown to have fewer inside."
            )
            continue
        row = decision.table.iloc[found.at]
        where = ", ".join(level_words(f, str(row[n])) for n, f in decision.settings.factors.items())
        out.append(
            f"{head}; the highest of {found.of} settings not shown to have fewer inside is "
            f"{where}: {found.top:.{d}f}, {signed(found.more, d).strip()} "
            f"{range_words(found.more_low, found.more_high, d)}, probably less, as it was "
            f"picked for being highest; {amount_words(r.margin, r)} would matter."
        )
    return out
