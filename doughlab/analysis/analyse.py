"""Analyse: from a trial's records to answers, for one response.

The door of the room: commands, notebooks, the report and the decision room call `analyse`.
What it finds is worded by `summary` and drawn by the report room.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from doughlab.analysis.answers import Answer, answer_questions, notice_changes
from doughlab.analysis.contrasts import LEAST_DF, compare_levels, find_basis, tabulate
from doughlab.analysis.dataset import Dataset, TrialLike, build_dataset, no_plan
from doughlab.analysis.doubt import Doubted, find_meter_sd, judge_doubt
from doughlab.analysis.guard import open_changes
from doughlab.analysis.models import TrialModel, choose_model, fit_model
from doughlab.analysis.residuals import ModelChecks, check_model
from doughlab.analysis.scores import JudgeCheck, check_all_judges
from doughlab.analysis.wording import in_words, joined, level_words
from doughlab.errors import NotEstimable
from doughlab.plan.model import ModelTerms
from doughlab.sections import Response
from doughlab.settings import Settings
from doughlab.stats import MixedFit

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan

MEAN_COLUMNS = ["term", "level", "estimate", "std_error", "df", "ci_low", "ci_high", "unit", "n"]


@dataclass(frozen=True)
class Analysis:
    """The answers of a trial on one response.

    Attributes
    ----------
    model : TrialModel
        The fitted model with its dataset and settings.
    answers : tuple of Answer
        Primary questions first, then all else, which is noticed and not tested.
    checks : ModelChecks
        Unusual balls, unusual batches, unequal spread.
    judge_checks : tuple of JudgeCheck
        For scores: whether the judges see the factors in question alike.
    changes : tuple of str
        Interactions that show.
    second_view : tuple of Answer
        The primary questions answered by all batches together, where a part is judged alone.
    doubted : Doubted or None
        Readings that rest on a failed, stale or missing calibration, and the answers without them.
    meter_sd : float
        How far all readings of pH may be off together; 0 for other responses.
    open_changes : str
        Of which pairs of factors it is open whether one changes what the other does.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> result.contrasts("water")[["contrast", "estimate", "ci_low", "ci_high"]].round(3)
                        contrast  estimate  ci_low  ci_high
    0      tap - reverse osmosis     0.078   0.026    0.130
    1              tap - bottled     0.054   0.002    0.106
    2  reverse osmosis - bottled    -0.024  -0.076    0.028
    >>> result.anova[["term", "df_den"]].round(1).head(2)
        term  df_den
    0  block    11.2
    1  water    11.0
    >>> result.response.unit, result.dataset.recorded, result.settings.code, result.changed
    ('ph', 70, 'LQ', ())
    >>> result.means("water", hold=48)[["level", "estimate"]].round(2)
                 level  estimate
    0              tap      5.61
    1  reverse osmosis      5.54
    2          bottled      5.57
    >>> result.answer("water").verdict_of("tap", "bottled")
    'differs'
    >>> result.verdicts[["question", "verdict"]].head(1)
           question  verdict
    0  Which water?  differs
    >>> result.terms.random, result.fit.n_used, result.judges_water
    (('batch', 'session'), 70, True)
    >>> len(result.noticed), len(result.notes), result.how[:10]
    (0, 3, 'y ~ block ')
    >>> result.hangs, result.open_changes[:20]
    ({'tap - bottled': 15}, 'water x mixing water')
    >>> len(result.text().splitlines()) > len(str(result).splitlines())
    True
    """

    model: TrialModel
    answers: tuple[Answer, ...]
    checks: ModelChecks = field(repr=False)
    judge_checks: tuple[JudgeCheck, ...] = ()
    changes: tuple[str, ...] = ()
    second_view: tuple[Answer, ...] = ()
    doubted: Doubted | None = None
    meter_sd: float = 0.0
    open_changes: str = ""

    @property
    def settings(self) -> Settings:
        """What the trial asked."""
        return self.model.settings

    @property
    def response(self) -> Response:
        """The response that was analysed."""
        return self.dataset.response

    @property
    def dataset(self) -> Dataset:
        """What was analysed, and what is missing."""
        return self.model.dataset

    @property
    def terms(self) -> ModelTerms:
        """The terms that the plan decided on."""
        return self.model.terms

    @property
    def fit(self) -> MixedFit:
        """The fitted model."""
        return self.model.fit

    @property
    def changed(self) -> tuple[str, ...]:
        """Say what was changed after the plan was frozen."""
        return self.dataset.changed

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Test every term that has units to be judged by (type III, Kenward-Roger).

        Returns
        -------
        DataFrame
            Columns term, df_num, df_den, statistic, p_value.
        """
        table = self.fit.anova()
        return table[~table["term"].isin(list(self.model.unjudged))].reset_index(drop=True)

    def means(self, factor: str, *, hold: str | float | None = None) -> pd.DataFrame:
        """Give the adjusted mean of every recorded level of a factor.

        Parameters
        ----------
        factor : str
        hold : str or float, optional
            At this tried hold; averaged over all holds without it.

        Returns
        -------
        DataFrame
            Columns term, level, estimate, std_error, df, ci_low, ci_high (each range for itself),
            unit, n (units with that level); without levels that fewer than one degree of freedom
            tells.

        Raises
        ------
        UnknownName
            For a factor or hold that the trial does not have.
        NotEstimable
            Where the factor has no unit to be judged by, or was not fitted.
        """
        own = self.settings.factor(factor)
        if not self.model.is_judged(factor):
            why = self.model.unjudged.get(factor) or self.model.left_out.get(factor, "")
            raise NotEstimable(f"No means for {own.words}: {why or 'it is not in the model.'}")
        levels = self.model.levels(own)
        at = self.model.at()
        other = self.settings.hold
        if hold is not None and other is not None and other.name != factor:
            level = other.level_of(hold if isinstance(hold, str) else float(hold))
            if self.model.holds_term(other.name):
                at = self.model.at(other, level)
            elif level not in self.model.levels(other):
                shown = level_words(other, level)
                raise NotEstimable(f"No means for {own.words}: nothing is recorded at {shown} yet.")
        at[factor] = [self.model.coded(own, level) for level in levels]
        table = self.fit.means(factor, at=at)
        counts = [find_basis(self.model, own, [level]).n for level in levels]
        table = table.assign(level=list(levels), unit=self.response.unit, n=counts)
        told = table[~(table["df"] < LEAST_DF)]
        if told.empty:
            raise NotEstimable(f"No means for {own.words}: they cannot be told yet.")
        return told[MEAN_COLUMNS].reset_index(drop=True)

    def contrasts(self, factor: str, *, hold: str | float | None = None) -> pd.DataFrame:
        """Give the differences between the levels of a factor.

        Parameters
        ----------
        factor : str
        hold : str or float, optional
            At this tried hold. Without it as in the answer: averaged over holds, or at the hold
            of use.

        Returns
        -------
        DataFrame
            term, level (the hold, empty where averaged), contrast, estimate, std_error, df,
            statistic, p_value, ci_low, ci_high, unit, n; adjusted for all pairs (Tukey), or as
            the question asked.

        Raises
        ------
        UnknownName
            For a factor or hold that the trial does not have.
        NotEstimable
            Where the records cannot tell.
        """
        own = self.settings.factor(factor)
        if hold is None:
            answer = self.answer(factor)
            if answer.unanswered:
                raise NotEstimable(answer.unanswered)
            return answer.table
        other = self.settings.hold
        if other is None or other.name == factor:
            return tabulate(compare_levels(self.model, own))
        level = other.level_of(hold if isinstance(hold, str) else float(hold))
        return tabulate(compare_levels(self.model, own, hold=level))

    def answer(self, factor: str) -> Answer:
        """Find the first answer about a factor.

        Raises
        ------
        UnknownName
            For a factor that the trial does not have.
        """
        self.settings.factor(factor)
        return next(a for a in self.answers if a.question.factor == factor)

    @cached_property
    def verdicts(self) -> pd.DataFrame:
        """List every difference with its verdict, primary questions first.

        Returns
        -------
        DataFrame
            question, contrast, estimate, ci_low, ci_high, unit, verdict, words, primary.
        """
        rows = [
            {
                "question": a.question.text,
                "contrast": c.words + (f" at {c.at}" if c.at else ""),
                "estimate": c.estimate,
                "ci_low": c.ci_low,
                "ci_high": c.ci_high,
                "unit": c.unit,
                "verdict": c.verdict,
                "words": f"{c.estimate_text.strip()} {c.range_text} {c.verdict_text}",
                "primary": a.primary,
            }
            for a in self.answers
            for c in a.comparisons
        ]
        columns = ["question", "contrast", "estimate", "ci_low", "ci_high", "unit", "verdict"]
        return pd.DataFrame(rows, columns=[*columns, "words", "primary"])

    @property
    def noticed(self) -> tuple[str, ...]:
        """Say what was noticed without being asked: the meter, interactions, balls, judges."""
        judges = tuple(j.sentence for j in self.judge_checks if j.shows)
        doubted = () if self.doubted is None else self.doubted.sentences
        return (*doubted, *self.changes, *self.checks.sentences, *judges)

    @property
    def notes(self) -> tuple[str, ...]:
        """Say what is shaky, what was left out and how differences were compared."""
        data = (*self.changed, *self.dataset.left_out, *self.dataset.notes)
        open_ = (self.open_changes,) if self.open_changes else ()
        answers = (*self._averages(), *(n for a in self.answers for n in a.notes), *open_)
        judges = tuple(j.sentence for j in self.judge_checks if not j.shows)
        model = (in_words(n, self.settings.factors) for n in self.model.notes)
        return tuple(dict.fromkeys((*data, *answers, *judges, *model)))

    def _averages(self) -> list[str]:
        """Say which factors were averaged over holds and which compared at one, and why."""
        groups: dict[str, list[str]] = {}
        for a in self.answers:
            words = self.settings.factor(a.question.factor).words
            if a.reason and words not in groups.setdefault(a.reason, []):
                groups[a.reason].append(words)
        return [f"{joined(names)}: {reason}" for reason, names in groups.items()]

    @cached_property
    def hangs(self) -> dict[str, int]:
        """Count for each primary difference that only just shows the batches it hangs on.

        Returns
        -------
        dict of str to int
            By `Comparison.named`: without how many single batches the verdict would be another.
            It takes a fit per batch, and only where there is such a difference.
        """
        bare = [c for a in self.answers if a.primary for c in a.comparisons if c.just]
        found = self.checks.influence if bare else None
        if found is None:
            return {}
        table = found.table[found.table["changed"]]
        rows = [table[(table["contrast"] == c.words) & (table["level"] == c.at)] for c in bare]
        counts = {c.named: int(r["without"].nunique()) for c, r in zip(bare, rows, strict=True)}
        return {name: n for name, n in counts.items() if n}

    @property
    def how(self) -> str:
        """Say how it was computed: model in words and as a formula, rows, versions."""
        levels = {t: self.terms.level.get(t, "") for t in self.model.fixed if ":" not in t}
        units = ", ".join(f"{t} by {u}" for t, u in levels.items() if u)
        return f"{self.fit.how} Compared: {units}. Kenward-Roger degrees of freedom."

    @property
    def judges_water(self) -> bool:
        """Tell whether a water is compared here, so that the caution about drinking stands."""
        return any(f.kind == "water" for f in self.settings.factors.values())

    def text(self) -> str:
        """Give the whole answer, lines of at most 80 characters."""
        from doughlab.analysis.summary import full_lines

        return "\n".join(full_lines(self))

    def __str__(self) -> str:
        """Give the answer in at most 15 lines of 80 characters."""
        from doughlab.analysis.summary import short_lines

        return "\n".join(short_lines(self))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        from doughlab.analysis.summary import html_text

        return html_text(self)


def analyse(trial: TrialLike, response: str) -> Analysis:
    """Answer the trial's questions on one response from its records.

    Lost balls never stop it; what cannot be estimated is named, and the rest answered.

    Parameters
    ----------
    trial : TrialLike
        A `doughlab.Trial` with a frozen plan.
    response : str
        A response of trial.toml, such as "ph".

    Returns
    -------
    Analysis
        Differences are in the unit of the response: pH in pH units, scores in points, temperatures
        in degrees Celsius. `str` gives the answers, `text()` all of it, `verdicts` one row for each
        difference.

    Notes
    -----
    The margin is the smallest difference that matters: `margin` of the response in trial.toml,
    above 0, in its unit. A verdict is read from the 95 % range of a difference, as printed:

    - "matters": wholly beyond the margin on one side.
    - "same": wholly inside the margin; "real but small" where it leaves zero out all the same.
    - "differs": zero is left out, but the range reaches inside the margin; "only just" where it
      comes nearer to zero than a tenth of the margin.
    - "not settled": everything else; this trial cannot tell.

    Ranges of one question hold together. Differences are averaged over the holds only where no
    range of a change between holds reaches the margin; else they stand at `use_hold_h`. An average
    over another factor is told level by level where it would be called the same although changes
    along that factor are shown that reach the margin (`doughlab.analysis.guard`).

    Raises
    ------
    UnknownName
        For a response that the trial does not have.
    PlanError
        Where no plan was kept.
    MissingRecords
        Where nothing was recorded for the response.
    NotEstimable
        Where too little is recorded to estimate anything.

    References
    ----------
    Restricted likelihood and Kenward & Roger (1997) as in `doughlab.stats.fit_mixed`; ranges of
    all pairs by Tukey (1953), against one level by Dunnett (1955); verdicts by where the range
    lies, as in Schuirmann (1987). Published trials in
    tests/reference/test_trial_cake_cochran1957.py.

    Examples
    --------
    >>> import doughlab as dl
    >>> result = dl.analyse(dl.notebook.open_trial(), "ph")
    >>> result.verdicts[["contrast", "verdict"]].head(3)
                        contrast  verdict
    0      tap - reverse osmosis  differs
    1              tap - bottled  differs
    2  reverse osmosis - bottled     same
    """
    dataset = build_dataset(trial, response)
    plan = trial.frozen_plan
    if plan is None:
        raise no_plan(trial)
    terms = choose_model(trial.settings, plan, dataset)
    model = fit_model(trial.settings, dataset, terms)
    answers = answer_questions(model)
    asked = list(dict.fromkeys(a.question.factor for a in answers if a.asked))
    return Analysis(
        model=model,
        answers=answers,
        checks=check_model(model),
        judge_checks=tuple(check_all_judges(model, asked)),
        changes=notice_changes(model),
        second_view=_pool(trial.settings, plan, dataset),
        doubted=judge_doubt(trial, dataset.response, answers),
        meter_sd=find_meter_sd(trial, dataset.response),
        open_changes=open_changes(model),
    )


def _pool(settings: Settings, plan: Plan, dataset: Dataset) -> tuple[Answer, ...]:
    """Answer the primary questions by all batches, where the verdicts stand on a part alone."""
    whole = dataset.whole
    if whole is None or not dataset.standing.alone:
        return ()
    with suppress(NotEstimable):
        answers = answer_questions(fit_model(settings, whole, choose_model(settings, plan, whole)))
        return tuple(a for a in answers if a.primary and a.comparisons)
    return ()
