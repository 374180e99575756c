"""Outlook: the chance that more batches settle a difference that is open.

`nextstep` asks for every step of its list. How sure the chances themselves are was studied in
invented trials (tests/studies/next_study.md); what to do is left to `nextstep` and the owner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.contrasts import Comparison
from doughlab.decision.effort import batches_a_day
from doughlab.plan.looks import judged_level
from doughlab.plan.model import RANDOM_BLOCKS_FROM
from doughlab.stats.outlook import chance_to_settle
from doughlab.stats.scale import student_cdf
from doughlab.stats.verdicts import NOT_SETTLED

if TYPE_CHECKING:
    from doughlab.analysis.models import TrialModel
    from doughlab.plan.plan import Plan
    from doughlab.sections import Factor

Floats = NDArray[np.floating[Any]]
SINGLE = 0.025  # one-sided tail of a 95 % range for one comparison


@dataclass(frozen=True)
class Chances:
    """Chances that a step settles one open difference.

    Attributes
    ----------
    at_low, at_estimate, at_high : float
        Supposing the truth at the low end of the 95 % range, at the estimate, at the high end.
    average : float
        Averaged over what the records leave open.
    """

    at_low: float
    at_estimate: float
    at_high: float
    average: float


@dataclass(frozen=True)
class OpenDifference:
    """A difference that is not settled, with what is needed to look ahead.

    Attributes
    ----------
    response : str
        Words of the response.
    comparison : Comparison
    primary : bool
        Whether its question was primary.
    levels : int
        Recorded levels of its factor.
    fixed_days : bool
        Whether mixing days are told apart as fixed blocks.
    days, batches : int
        That it rests on.
    per_level : float
        Degrees of freedom of batches that each level of its factor takes, interactions included.
    """

    response: str
    comparison: Comparison
    primary: bool
    levels: int
    fixed_days: bool
    days: int
    batches: int
    per_level: float = 1.0

    @property
    def words(self) -> str:
        """The response and the difference."""
        return f"{self.response}, {self.comparison.words}"

    @property
    def ends(self) -> tuple[float, float]:
        """The ends of its range, no further than the scale of a score allows."""
        c = self.comparison
        return max(c.ci_low, -c.widest), min(c.ci_high, c.widest)

    @property
    def at_stake(self) -> float:
        """The largest difference that its range still holds, whatever its sign."""
        return max(abs(end) for end in self.ends)


def list_open(analyses: Sequence[Analysis], *, primary: bool = True) -> list[OpenDifference]:
    """List what is not settled, in the order of the answers.

    Parameters
    ----------
    analyses : sequence of Analysis
    primary : bool
        Only primary questions.

    Returns
    -------
    list of OpenDifference
        Differences that have a range and a standard error.
    """
    found = []
    for a in analyses:
        days = int(a.dataset.frame["block"].nunique())
        for answer in a.answers:
            if primary and not answer.primary:
                continue
            factor = a.settings.factor(answer.question.factor)
            levels, taken = len(a.model.levels(factor)), df_per_level(a.model, factor)
            found += [
                OpenDifference(a.response.words, c, answer.primary, levels,
                               a.model.holds_term("block"), days, a.dataset.batches, taken)
                for c in answer.comparisons
                if c.verdict == NOT_SETTLED and c.std_error > 0 and np.isfinite(c.ci_high)
            ]  # fmt: skip
    return found


def foresee_steps(
    open_: OpenDifference,
    plan: Plan,
    batches: Sequence[int],
    *,
    only_these: bool = False,
    spared: float = 0.0,
) -> list[Chances]:
    """Foresee what further batches would settle, for several numbers of them.

    Parameters
    ----------
    open_ : OpenDifference
    plan : Plan
        The kept plan; its looks decide whether old and new are judged together.
    batches : sequence of int
        Further batches, each 1 or more.
    only_these : bool
        All of them of the two levels compared, as a trial of their own.
    spared : float
        Degrees of freedom that a trial of its own saves by leaving a factor out.

    Returns
    -------
    list of Chances
        One for each number.
    """
    c = open_.comparison
    new = [_units(open_, plan, n) for n in batches]
    lost = [_lost(open_, math.ceil(n / batches_a_day(plan))) for n in batches]
    per = c.basis.df_per_batch
    used = max(0.0, per * c.basis.batches - _lost(open_, open_.days) - c.df)
    if only_these:
        used = max(0.0, used - (open_.levels - 2) * open_.per_level)
    out = []
    for n, units, gone in zip(batches, new, lost, strict=True):
        joint = not only_these and is_together(plan, n)
        if joint:
            tail = _tail(c) * (1.0 - judged_level(plan.looks, len(plan.batches) + n)) / (
                1.0 - c.range_level)  # fmt: skip
            fresh = max(0.0, per * units - (gone if open_.fixed_days else 0.0))
        else:
            tail = SINGLE if only_these else _tail(c) * 0.05 / (1.0 - c.range_level)
            fresh = per * units - gone - max(0.0, used - spared)
        share = open_.levels / 2.0 if only_these else 1.0
        low, high = open_.ends
        found = chance_to_settle(
            c.estimate, c.std_error, c.df, margin=c.margin, tail=tail,
            ratio=c.basis.batches / (units * share), df_new=fresh, together=joint,
            truth=np.array([low, c.estimate, high, np.nan]),
        )  # fmt: skip
        out.append(Chances(*(float(p) for p in found)))
    return out


def is_together(plan: Plan, batches: int) -> bool:
    """Tell whether further batches would be judged together with the old ones: looks foresaw it."""
    return len(plan.batches) + batches <= (plan.looks.whole or 0)


def df_per_level(model: TrialModel, factor: Factor) -> float:
    """Count the degrees of freedom of batches that a level takes: its own, and by other factors."""
    taken = 0.0
    for term in model.fixed:
        names = term.split(":")
        others = [model.settings.factors.get(n) for n in names if n != factor.name]
        if factor.name not in names or any(o is None or o.set == "ball" for o in others):
            continue
        taken += math.prod(len(model.levels(o)) - 1 for o in others if o is not None)
    return max(1.0, taken)


def _tail(c: Comparison) -> float:
    """Give the one-sided tail per difference that the printed range has."""
    half = (c.ci_high - c.ci_low) / 2.0 / c.std_error
    return float(student_cdf(c.df, -half))


def _units(open_: OpenDifference, plan: Plan, batches: int) -> float:
    """Count what batches add to the units that a difference rests on."""
    basis = open_.comparison.basis
    if basis.unit == "mixing day":
        return float(math.ceil(batches / batches_a_day(plan)))
    return batches * basis.batches / max(1, open_.batches)


def _lost(open_: OpenDifference, days: int) -> float:
    """Count the degrees of freedom that the mean and the mixing days take from the units."""
    per_batch = open_.comparison.basis.unit in {"batch", "water lot"}
    if not per_batch:
        return 1.0
    return float(days) if open_.fixed_days and 1 < days < RANDOM_BLOCKS_FROM else 1.0
