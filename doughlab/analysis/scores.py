"""Scores: do the judges see the levels of a factor alike? A stated check beside the analysis.

`analyse` notices with it and the report prints it. The verdicts never depend on it.
How far judges agree with each other and with themselves is left to the measurement study.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from doughlab.analysis.models import TrialModel, fit_model
from doughlab.errors import NotEstimable
from doughlab.sections import Factor
from doughlab.stats.multiplicity import holm

NOTICED_BELOW = 0.05


@dataclass(frozen=True)
class JudgeCheck:
    """Whether the judges see the levels of a factor alike.

    Attributes
    ----------
    factor : str
    judges : int
    df_num, df_den, statistic, p_value : float
        F test of judge x factor, judges and their interaction as fixed terms (Kenward-Roger).
    judge_sd : float
        How far judges differ in general, in points: standard deviation.
    view_sd : float
        How far they differ in how they see the levels, in points: standard deviation; 0 where
        none is shown.
    words : str
        The factor as a cook reads it.
    """

    factor: str
    judges: int
    df_num: float
    df_den: float
    statistic: float
    p_value: float
    judge_sd: float
    view_sd: float
    words: str

    @property
    def shows(self) -> bool:
        """Whether judges are shown to see the levels differently."""
        return self.p_value < NOTICED_BELOW

    @property
    def sentence(self) -> str:
        """What the check says."""
        p = f"p = {self.p_value:.2g}"
        if self.shows:
            return (
                f"The {self.judges} judges do not see {self.words} alike (they differ by SD "
                f"{self.view_sd:.1f} points in it; {p}): the ranges hold for these judges."
            )
        return (
            f"That the {self.judges} judges see {self.words} differently is not shown ({p}), nor "
            "that they see it alike: the ranges hold for these judges."
        )


def check_all_judges(model: TrialModel, factors: Sequence[str]) -> list[JudgeCheck]:
    """Check several factors; p values are adjusted for their number by Holm's rule.

    Parameters
    ----------
    model : TrialModel
    factors : sequence of str
    """
    found = [check_judges(model, model.settings.factor(name)) for name in factors]
    checks = [c for c in found if c is not None]
    if not checks:
        return []
    adjusted = holm([c.p_value for c in checks])
    return [replace(c, p_value=float(p)) for c, p in zip(checks, adjusted, strict=True)]


def check_judges(model: TrialModel, factor: Factor) -> JudgeCheck | None:
    """Check whether judges and levels interact.

    Parameters
    ----------
    model : TrialModel
        Of a score.
    factor : Factor

    Returns
    -------
    JudgeCheck or None
        None where there is one judge, or the records cannot tell.
    """
    frame = model.dataset.frame
    if "judge" not in frame or frame["judge"].nunique() < 2 or not model.is_judged(factor.name):
        return None
    term = f"judge:{factor.name}"
    rest = [r for r in model.fit.random_names[:-1] if r != "judge"]
    asked = [t for t in model.terms.fixed if t not in model.left_out]
    try:
        fixed = fit_model(model.settings, model.dataset, model.terms, random=rest,
                          fixed=[*asked, "judge", term])  # fmt: skip
    except NotEstimable:
        return None
    table = fixed.fit.anova()
    row = table[table["term"].isin([term, f"{factor.name}:judge"])]
    if row.empty:
        return None
    found = row.iloc[0]
    view_sd = 0.0
    if found["p_value"] < NOTICED_BELOW:
        views = fit_model(model.settings, model.dataset, model.terms, random=[*rest, "judge", term],
                          fixed=asked)  # fmt: skip
        view_sd = float(np.sqrt(max(0.0, float(views.fit.variances.get(term, 0.0)))))
    return JudgeCheck(
        factor=factor.name,
        judges=int(frame["judge"].nunique()),
        df_num=float(found["df_num"]),
        df_den=float(found["df_den"]),
        statistic=float(found["statistic"]),
        p_value=float(found["p_value"]),
        judge_sd=float(np.sqrt(max(0.0, float(model.fit.variances.get("judge", 0.0))))),
        view_sd=view_sd,
        words=factor.words,
    )


def count_scores(model: TrialModel) -> str:
    """Say how many scores by how many judges the analysis rests on, and how many are absent.

    Parameters
    ----------
    model : TrialModel
        Of a score.
    """
    frame = model.dataset.frame
    judges = frame["judge"].nunique()
    expected = max(judges, len(model.settings.panel.judges)) * model.dataset.recorded
    absent = expected - len(frame)
    words = f"{len(frame)} scores by {judges} judge{'s' if judges > 1 else ''}"
    return f"{words}, {absent} absent" if absent > 0 else words
