"""Answers: each question of the trial answered with differences, ranges and verdicts.

`analyse` calls `answer_questions`; the report prints the sentences, the decision room reads them.
Layout is left to `summary`; how a difference is estimated stands in `contrasts`.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from doughlab.analysis.contrasts import (
    Comparison,
    bend,
    compare_changes,
    compare_levels,
    stays_within_margin,
    tabulate,
)
from doughlab.analysis.guard import Change, compare_apart, find_split
from doughlab.analysis.models import TrialModel, term_words
from doughlab.analysis.plain import plain_words
from doughlab.analysis.wording import (
    agreeing_decimals,
    decimals_for,
    joined,
    level_words,
    range_words,
    signed,
)
from doughlab.errors import NotEstimable
from doughlab.sections import Factor, Question
from doughlab.stats.multiplicity import holm
from doughlab.stats.settle import SettleForecast
from doughlab.stats.verdicts import NOT_SETTLED

NOTICED_BELOW = 0.05
SHARED_ERROR = (
    "Old and new batches judged together after this look share the error: that needs looks planned "
    "beforehand ([looks] in trial.toml). Otherwise the new ones are judged alone; they may be "
    "fewer, since the old ones pull towards what they showed."
)


@dataclass(frozen=True)
class Answer:
    """The answer to one question.

    Attributes
    ----------
    question : Question
        As in trial.toml; made up, and not primary, for a factor nobody asked about.
    comparisons : tuple of Comparison
        What the verdicts are read from.
    averaged_over_holds : bool
        Whether the differences are averaged over the tried holds; False for the hold itself.
    at_hold : float or None
        Hours of the hold they were compared at, where not averaged.
    elsewhere : tuple of Comparison
        The same differences the other way: averaged where `comparisons` are at one hold, at
        `use_hold_h` where they are averaged. Noticed, not judged.
    reason : str
        Why it is averaged over holds or not; follows the factor's name and a colon.
    unanswered : str
        Why there is no answer; empty where there is one.
    notes : tuple of str
    asked : bool
        False for a factor that no question names.
    split : str
        The factor for each level of which `comparisons` stand, since it is seen to change them by
        what may matter; empty where they are averaged over all others.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> answer = analyse_demo("ph").answers[0]
    >>> len(answer.comparisons), answer.primary
    (3, True)
    >>> answer.verdict_of("tap", "bottled"), answer.table.shape[0]
    ('differs', 3)
    >>> answer.forecasts, answer.settle_lines, answer.sentence[:12]
    ({}, (), 'Which water?')
    >>> [(c.named, c.verdict) for c in answer.otherwise], answer.split
    ([('tap - bottled at 48 h', 'not settled')], '')
    """

    question: Question
    comparisons: tuple[Comparison, ...] = ()
    averaged_over_holds: bool = True
    at_hold: float | None = None
    elsewhere: tuple[Comparison, ...] = ()
    reason: str = ""
    unanswered: str = ""
    notes: tuple[str, ...] = ()
    asked: bool = True
    split: str = ""

    @property
    def primary(self) -> bool:
        """Whether the question was primary; all else is noticed, not tested."""
        return self.question.primary

    @property
    def table(self) -> pd.DataFrame:
        """The differences with the fixed columns."""
        return tabulate(self.comparisons)

    @cached_property
    def forecasts(self) -> dict[str, SettleForecast]:
        """How many more batches would settle what is not settled, by the difference's name."""
        found = {c.named: c.forecast() for c in self.comparisons}
        return {name: f for name, f in found.items() if f is not None}

    @property
    def sentence(self) -> str:
        """The answer in one or a few sentences."""
        if self.unanswered:
            return f"{self.question.text} Not answered: {self.unanswered}"
        parts = [f"{c.named if self.split else c.words} {c.estimate_text.strip()} {c.range_text}, "
                 f"{c.verdict_text}" for c in self.comparisons]  # fmt: skip
        at = "" if self.split else self.comparisons[0].at
        where = f" at {at}" if at else ""
        return f"{self.question.text} Compared{where}: {'; '.join(parts)}."

    @property
    def settle_lines(self) -> tuple[str, ...]:
        """Say for each difference that is not settled what would settle it."""
        return tuple(
            f"{c.named if self.split else c.words}: {forecast_words(self.forecasts[c.named], c)}"
            for c in self.comparisons
            if c.named in self.forecasts
        )

    def verdict_of(self, level: str, other: str) -> str:
        """Give the verdict on two levels, in either order.

        Returns
        -------
        str
            "not settled" where the two were not compared, and where they were compared at each
            level of another factor with more than one verdict.
        """
        found = {c.verdict for c in self.comparisons if {c.level, c.other} == {level, other}}
        return found.pop() if len(found) == 1 else NOT_SETTLED

    @property
    def otherwise(self) -> tuple[Comparison, ...]:
        """Where averaged over holds: what stands otherwise at the hold of use alone."""
        if not self.averaged_over_holds or self.split:
            return ()
        own = {c.words: c.verdict for c in self.comparisons}
        return tuple(c for c in self.elsewhere if c.at and own.get(c.words) != c.verdict)


def forecast_words(forecast: SettleForecast, comparison: Comparison) -> str:
    """Say how many more batches would settle it, at both ends of the range.

    Parameters
    ----------
    forecast : SettleForecast
        Old and new batches judged together.
    comparison : Comparison

    Returns
    -------
    str
        Both ways: judged together with the old ones, and the new ones alone. `SHARED_ERROR`
        stands beside it.
    """
    words = _ends_words(forecast, comparison)
    alone = comparison.forecast(chance=forecast.chance, together=False)
    if alone is None:
        return words
    if alone.at_low is None and alone.at_high is None:
        return f"{words}; new ones judged alone probably never"
    counts = [f"{n} more" if n is not None else "probably never"
              for n in (alone.at_low, alone.at_high)]  # fmt: skip
    numbers = counts[0] if counts[0] == counts[1] else " or ".join(counts)
    return f"{words}; new ones judged alone {numbers.replace(' more or', ' or')}"


def _ends_words(forecast: SettleForecast, comparison: Comparison) -> str:
    c = comparison
    unit = c.basis.more
    most = c.widest  # no score differs by more than its scale
    low = signed(max(c.ci_low, -most), c.decimals).strip()
    high = signed(min(c.ci_high, most), c.decimals).strip()
    if forecast.at_low is None and forecast.at_high is None:
        return f"more {unit} would probably never settle it"
    if forecast.at_low == forecast.at_high:
        return f"settled by about {forecast.at_low} more {unit} at either end of its range"
    if forecast.at_low is None:
        return (f"probably never settled if it is really {low}, by about {forecast.at_high} more "
                f"{unit} if {high}")  # fmt: skip
    if forecast.at_high is None:
        return (f"probably never settled if it is really {high}, by about {forecast.at_low} more "
                f"{unit} if {low}")  # fmt: skip
    return (f"settled by about {forecast.at_low} more {unit} if it is really {low}, "
            f"{forecast.at_high} if {high}")  # fmt: skip


def answer_questions(model: TrialModel) -> tuple[Answer, ...]:
    """Answer every question on the model's response, then every factor nobody asked about.

    Returns
    -------
    tuple of Answer
        Primary questions first, each group in the order of trial.toml.
    """
    response = model.dataset.response.name
    questions = [q for q in model.settings.questions if q.response == response]
    answers = [answer_question(model, q) for q in sorted(questions, key=lambda q: not q.primary)]
    named = {q.factor for q in questions}
    for name, factor in model.settings.factors.items():
        if name not in named:
            text = f"Does {factor.words} move the {model.dataset.response.words}?"
            extra = Question(text, name, response, "pairs", primary=False)
            answers.append(answer_question(model, extra, asked=False))
    return tuple(answers)


def answer_question(model: TrialModel, question: Question, *, asked: bool = True) -> Answer:
    """Answer one question, at the hold of use or averaged over holds.

    Parameters
    ----------
    model : TrialModel
    question : Question
    asked : bool
        False for a question made up for a factor that nobody asked about.

    Returns
    -------
    Answer
        With `unanswered` set where the records cannot tell; it never raises for missing balls.
    """
    factor = model.settings.factor(question.factor)
    only = _only_hold(model, factor)
    hold = _use_hold(model, factor)
    averaged, reason = choose_average(model, factor, hold)
    at, elsewhere_at = (None, hold) if averaged else (only or hold, None)
    try:
        found = _compare(model, question, at, "")
        change, beside = find_split(model, factor, found)
        found = _compare(model, question, at, change.by) if change is not None else found
    except NotEstimable as error:
        why = plain_words(str(error), model.settings.factors)
        return Answer(question, unanswered=why, asked=asked)
    if not found:
        return Answer(question, unanswered=_empty_words(model, factor, at), asked=asked)
    elsewhere: list[Comparison] = []
    if hold is not None:
        with suppress(NotEstimable):
            elsewhere = compare_levels(model, factor, contrast=question.contrast, hold=elsewhere_at)
    return Answer(
        question=question,
        comparisons=tuple(found),
        averaged_over_holds=averaged,
        at_hold=None if at is None else _hours(model, at),
        elsewhere=tuple(elsewhere),
        reason=reason,
        notes=(*_split_words(model, factor, change, beside), *_gaps(model, question, found),
               *_trend(model, factor, change)),
        asked=asked,
        split="" if change is None else change.by,
    )  # fmt: skip


def _compare(
    model: TrialModel, question: Question, hold: str | None, split: str
) -> list[Comparison]:
    """Compare on average over the other factors, or at each level of the one that is named."""
    factor, contrast = model.settings.factor(question.factor), question.contrast
    if not split:
        return compare_levels(model, factor, contrast=contrast, hold=hold)
    by = model.settings.factor(split)
    return compare_apart(model, factor, by, contrast=contrast, hold=hold)


def compare_as(model: TrialModel, answer: Answer) -> list[Comparison]:
    """Compare in another fit what an answer compares: same contrast, hold and levels.

    Parameters
    ----------
    model : TrialModel
        Fitted to other rows, for example without one batch.
    answer : Answer

    Returns
    -------
    list of Comparison
        Empty where the hold of the answer is not among the rows.

    Raises
    ------
    NotEstimable
        Where these rows cannot tell.
    """
    hold, at = model.settings.hold, None
    if hold is not None and answer.at_hold is not None:
        at = hold.level_of(float(answer.at_hold))
        if at not in model.levels(hold):
            return []
    return _compare(model, answer.question, at, answer.split)


def _split_words(
    model: TrialModel, factor: Factor, change: Change | None, beside: Change | None
) -> tuple[str, ...]:
    """Say why there is no average, or what changes beside it."""
    if change is not None:
        by = model.settings.factor(change.by)
        return (f"{factor.words}: given for each {by.words} apart, since an average would hide "
                f"that {change.words}.",)  # fmt: skip
    if beside is None:
        return ()
    by = model.settings.factor(beside.by)
    return (f"{factor.words}: on average over {by.words}, along which it changes: "
            f"{beside.words}.",)  # fmt: skip


def _use_hold(model: TrialModel, factor: Factor) -> str | None:
    """Give the hold at which a factor is compared; None where there is no such hold."""
    hold, hours = model.settings.hold, model.dataset.response.use_hold_h
    if hold is None or hold.name == factor.name or hours is None or not model.holds_term(hold.name):
        return None
    level = hold.level_of(float(hours))
    return level if level in model.levels(hold) else None


def _only_hold(model: TrialModel, factor: Factor) -> str | None:
    """Give the hold that all records are of; None where there are several or none."""
    hold = model.settings.hold
    if hold is None or hold.name == factor.name or len(model.levels(hold)) != 1:
        return None
    return model.levels(hold)[0]


def _hours(model: TrialModel, level: str) -> float | None:
    hold = model.settings.hold
    return None if hold is None else float(hold.value_of(level))


def choose_average(model: TrialModel, factor: Factor, hold: str | None) -> tuple[bool, str]:
    """Decide whether differences are averaged over the holds, and say why.

    They are where no difference between two levels changes by the margin between two holds, as
    far as the 95 % ranges tell; otherwise they stand at the hold of use.

    Parameters
    ----------
    model : TrialModel
    factor : Factor
    hold : str or None
        The hold of use.

    Returns
    -------
    averaged : bool
    reason : str
        Follows the factor's name and a colon; empty where there is nothing to decide.
    """
    other = model.settings.hold
    if other is None or other.name == factor.name:
        return False, ""
    only, lacking = _only_hold(model, factor), _lacking_use(model, other)
    if only is not None:
        said = lacking or "no other hold is recorded yet."
        return False, f"compared at {level_words(other, only)}; {said}"
    steady = stays_within_margin(model, factor, other)
    if steady is None:
        return True, "averaged over the holds, which the model takes to change no difference."
    if steady:
        return True, "averaged over the holds, which change no difference by the margin."
    if hold is None:
        return True, ("averaged over the holds, though these may change a difference by the "
                      f"margin; {lacking or 'set use_hold_h to compare at one hold.'}")  # fmt: skip
    return False, (f"compared at {level_words(other, hold)}, since other holds may change a "
                   "difference by the margin.")  # fmt: skip


def _lacking_use(model: TrialModel, hold: Factor) -> str:
    """Say that the hold of use is not recorded yet; empty where it is, or none is set."""
    hours = model.dataset.response.use_hold_h
    if hours is None or float(hours) in [float(hold.value_of(x)) for x in model.levels(hold)]:
        return ""
    return f"the hold of use, {level_words(hold, f'{hours:g}')}, is not recorded yet."


def _empty_words(model: TrialModel, factor: Factor, at: str | None) -> str:
    where = ""
    if at is not None and model.settings.hold is not None:
        where = f" at {level_words(model.settings.hold, at)}"
    return f"not every combination with {factor.words} is recorded{where} yet."


def _gaps(model: TrialModel, question: Question, found: list[Comparison]) -> tuple[str, ...]:
    """Name the levels that could not be compared."""
    factor = model.settings.factor(question.factor)
    if question.contrast == "slope":
        return ()
    seen = {c.level for c in found} | {c.other for c in found}
    lacking = [level_words(factor, level) for level in factor.compared(question.contrast)
               if level not in seen]  # fmt: skip
    if not lacking:
        return ()
    return (f"{factor.words}: {joined(lacking)} cannot be compared yet.",)


def _trend(model: TrialModel, factor: Factor, change: Change | None) -> tuple[str, ...]:
    """Show the trend along a number with three or more levels; none on average where it parts."""
    curve = None if change is not None else bend(model, factor)
    if curve is None:
        return ()
    try:
        line = compare_levels(model, factor, contrast="slope")
    except NotEstimable:
        return ()
    if not line:
        return ()
    c = line[0]
    shape = "no bend is shown" if curve["p_value"] >= NOTICED_BELOW else "it bends"
    return (f"{factor.words}: {c.words} {c.estimate_text.strip()} {c.range_text}; {shape} "
            f"({p_words(curve['p_value'])}).",)  # fmt: skip


def p_words(p: float) -> str:
    """Write a p value with two digits, and small ones as a bound.

    Examples
    --------
    >>> p_words(0.034), p_words(2.8e-06)
    ('p = 0.034', 'p < 0.001')
    """
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def notice_changes(model: TrialModel) -> tuple[str, ...]:
    """Name two-way interactions that show, with the largest change of a difference.

    Returns
    -------
    tuple of str
        Only interactions whose test stays below 0.05 after Holm's adjustment for their number.
    """
    table = model.fit.anova()
    if table.empty:  # nothing but the mean could be fitted
        return ()
    pairs = table[table["term"].str.contains(":") & ~table["term"].isin(list(model.unjudged))]
    if pairs.empty:
        return ()
    adjusted = holm(pairs["p_value"].to_numpy())
    return tuple(
        _change_words(model, term)
        for term, p in zip(pairs["term"], adjusted, strict=True)
        if p < NOTICED_BELOW
    )


def _change_words(model: TrialModel, term: str) -> str:
    first, second = (model.settings.factors[p] for p in term.split(":"))
    table = compare_changes(model, first, second)
    row = table.iloc[int(table["statistic"].abs().to_numpy().argmax())]
    pair, along = str(row["contrast"]).split(": ", 1)
    low, high = float(row["ci_low"]), float(row["ci_high"])
    start = decimals_for(model.dataset.response.margin)
    d = agreeing_decimals((low, high), start, lambda a, b: a > 0 or b < 0)
    change = signed(float(row["estimate"]), d).strip()
    return (f"{term_words(model.settings, term)} shows: {pair} changes by {change} "
            f"{range_words(low, high, d)} for {along}.")  # fmt: skip
