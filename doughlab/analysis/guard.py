"""Guard: no average over settings along which a difference is seen to change by what may matter.

`answers` asks here whether a difference is given on average or for each level of another factor;
the rule is fixed beforehand and read from ranges alone. Whether a difference is averaged over the
holds is left to `answers.choose_average`, estimates to `contrasts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from doughlab.analysis.contrasts import (
    Comparison,
    compare_changes,
    compare_levels,
    stays_within_margin,
)
from doughlab.analysis.models import TrialModel, term_words
from doughlab.analysis.wording import (
    agreeing_decimals,
    decimals_for,
    joined,
    level_words,
    range_words,
    signed,
)
from doughlab.errors import NotEstimable
from doughlab.sections import Factor
from doughlab.stats.verdicts import SAME

WITHIN, SHOWN, OPEN = "within", "shown", "open"


@dataclass(frozen=True)
class Change:
    """How far the differences of one factor change along another.

    Attributes
    ----------
    by : str
        The other factor.
    state : "within", "shown" or "open"
        "within": every range of a change lies inside the margin, each for itself (Berger 1982,
        as in `contrasts.stays_within_margin`). "shown": of the ranges that hold together, one
        excludes zero and reaches the margin. "open": neither.
    words : str
        The largest change with its 95 % range; for "shown" the largest that is shown.
    size : float
        Of that change, in the unit of the response.
    """

    by: str
    state: str
    words: str
    size: float


def find_change(model: TrialModel, factor: Factor, by: Factor) -> Change | None:
    """Tell how far the differences of a factor change along another one.

    Parameters
    ----------
    model : TrialModel
    factor, by : Factor

    Returns
    -------
    Change or None
        None where the model has no such interaction, or nothing of it can be estimated.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> model = analyse_demo("score").model
    >>> hold, mixing = (model.settings.factor(n) for n in ("hold", "mixing_water"))
    >>> found = find_change(model, hold, mixing)
    >>> found.by, found.state, round(found.size, 1)
    ('mixing_water', 'shown', 1.5)
    >>> print(found.words)
    72 h instead of 24 h changes by -1.5 (-2.7 to -0.3) for 64 F instead of 54 F
    """
    if stays_within_margin(model, factor, by):
        table, state = compare_changes(model, factor, by), WITHIN
    else:
        table, state = compare_changes(model, factor, by, together=True), OPEN
    table = table[np.isfinite(table["ci_low"].to_numpy(dtype=float))]
    if table.empty:
        return None
    margin = model.dataset.response.margin
    low, high = table["ci_low"].to_numpy(), table["ci_high"].to_numpy()
    shown = ((low <= -margin) | (high >= margin)) & ((low > 0) | (high < 0))
    if state == OPEN and shown.any():
        table, state = table[shown], SHOWN
    row = table.iloc[int(table["estimate"].abs().to_numpy().argmax())]
    pair, along = str(row["contrast"]).split(": ", 1)
    ends = (float(row["ci_low"]), float(row["ci_high"]))
    d = agreeing_decimals(ends, decimals_for(margin), lambda a, b: a > 0 or b < 0)
    size = float(row["estimate"])
    words = f"{pair} changes by {signed(size, d).strip()} {range_words(*ends, d)} for {along}"
    return Change(by.name, state, words, abs(size))


def find_split(
    model: TrialModel, factor: Factor, averages: Sequence[Comparison]
) -> tuple[Change | None, Change | None]:
    """Find the factor along which differences must be given level by level, not on average.

    The rule, fixed beforehand: an average is never called the same where its differences are seen
    to change along another factor by what may matter; then each level of it is told apart. An
    average with another verdict stands as it was planned, and the change is told beside it.

    Parameters
    ----------
    model : TrialModel
    factor : Factor
        Whose levels are compared.
    averages : sequence of Comparison
        On average over the other factors.

    Returns
    -------
    split : Change or None
        Of the other factors with a change that is shown, the one with the largest, where an
        average is the same. Never the hold: differences stand at the hold of use where holds may
        change them. Nor a number with three or more levels along a curve: there differences stand
        in its middle, which was tried.
    beside : Change or None
        The same where no average is called the same.
    """
    hold, curved = model.settings.hold, model.terms.centres
    others = [
        f for n, f in model.settings.factors.items()
        if n != factor.name and f is not hold and not (n in curved and len(model.levels(f)) > 2)
    ]  # fmt: skip
    if not model.is_judged(factor.name):
        return None, None
    found = [c for c in (find_change(model, factor, by) for by in others) if c is not None]
    largest = max((c for c in found if c.state == SHOWN), key=lambda c: c.size, default=None)
    if any(c.verdict == SAME for c in averages):
        return largest, None
    return None, largest


def compare_apart(
    model: TrialModel,
    factor: Factor,
    by: Factor,
    *,
    contrast: str = "pairs",
    hold: str | None = None,
) -> list[Comparison]:
    """Compare the levels of a factor at each level of another one.

    Parameters
    ----------
    model : TrialModel
    factor : Factor
    by : Factor
        At each of its recorded levels.
    contrast : str
        As in `contrasts.compare_levels`.
    hold : str, optional
        At this hold.

    Returns
    -------
    list of Comparison
        Level by level. The ranges of all levels hold together: each level takes its part of what
        may go wrong (Bonferroni; Miller 1981, Simultaneous Statistical Inference, from memory).

    Raises
    ------
    NotEstimable
        Where nothing can be compared at any level.
    """
    levels = model.levels(by)
    part = (1.0 - model.range_level) / len(levels)
    found: list[Comparison] = []
    why = ""
    for level in levels:
        try:
            own = compare_levels(model, factor, contrast=contrast, hold=hold,
                                 setting={by.name: level}, range_level=1.0 - part)  # fmt: skip
        except NotEstimable as error:
            why = str(error)
            continue
        where = level_words(by, level)
        found += [
            replace(c, at=f"{where}, {c.at}" if c.at else where,
                    p_value=min(1.0, c.p_value * len(levels)))
            for c in own
        ]  # fmt: skip
    if not found and why:
        raise NotEstimable(why)
    return found


def open_changes(model: TrialModel) -> str:
    """Name the pairs of factors of which it is open whether one changes what the other does.

    Parameters
    ----------
    model : TrialModel

    Returns
    -------
    str
        One sentence; empty where every pair is known to stay within the margin, or is shown. The
        hold is not named: `Answer.reason` speaks of it.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> print(open_changes(analyse_demo("ph").model)[:52])
    water x mixing water, water x hydration and mixing w
    """
    hold, factors = model.settings.hold, model.settings.factors
    named = [n for n, f in factors.items() if f is not hold and model.is_judged(n)]
    found = [
        term_words(model.settings, f"{a}:{b}")
        for a, b in combinations(named, 2)
        if (c := find_change(model, factors[a], factors[b])) is not None and c.state == OPEN
    ]
    if not found:
        return ""
    verb = "stay" if len(found) > 1 else "stays"
    return (f"{joined(found)}: that a difference {verb} the same along the other to within the "
            "margin is neither shown nor ruled out, so each verdict is about the average over "
            "the other.")  # fmt: skip
