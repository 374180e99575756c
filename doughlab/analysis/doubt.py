"""Doubt: readings that hang on a meter nobody can vouch for, and the answers without them.

`analyse` calls it for pH; its sentences stand first among what is noticed. Which readings are in
doubt is found by `record.trust`; they are used in the answers, and never dropped in silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.analysis.answers import Answer, answer_questions
from doughlab.analysis.dataset import TrialLike, build_dataset
from doughlab.analysis.models import choose_model, fit_model
from doughlab.errors import MissingRecords, NotEstimable, listed
from doughlab.record.records import Records
from doughlab.record.trust import Doubt, find_doubt, meter_sd
from doughlab.sections import Response

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings


@dataclass(frozen=True)
class Doubted:
    """What hangs on a meter in doubt, and the primary answers without it.

    Attributes
    ----------
    doubt : Doubt
    answers : tuple of Answer
        Primary questions (all where none is) answered by the other readings alone; empty where
        these tell nothing.
    changed : tuple of str
        The verdicts that are others without them, in words.

    Examples
    --------
    >>> Doubted(Doubt((({"calibration_id": "C02"}, "failed"),), 12), (), ()).sentences[1]
    'Without them nothing could be compared. They are used.'
    """

    doubt: Doubt
    answers: tuple[Answer, ...] = ()
    changed: tuple[str, ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say how many readings, why, and what the answers are without them."""
        if self.doubt.no_buffers:
            return (self.doubt.sentence,)
        if not self.answers:
            return self.doubt.sentence, "Without them nothing could be compared. They are used."
        if not self.changed:
            return self.doubt.sentence, "Without them every verdict stays as it is. They are used."
        said = "; ".join(self.changed)
        return (
            self.doubt.sentence,
            f"Without them it would be otherwise: {said}. They are used in the answers above; "
            "settle which of the two to believe before you act on it.",
        )


@dataclass(frozen=True)
class _Without:
    """A trial with fewer readings."""

    trial: TrialLike
    records: Records

    @property
    def settings(self) -> Settings:
        return self.trial.settings

    @property
    def frozen_plan(self) -> Plan | None:
        return self.trial.frozen_plan

    @property
    def waters(self) -> Any:
        return self.trial.waters


def judge_doubt(
    trial: TrialLike, response: Response, answers: tuple[Answer, ...]
) -> Doubted | None:
    """Find the readings in doubt and answer the primary questions without them.

    Parameters
    ----------
    trial : TrialLike
    response : Response
        Only readings of pH hang on a meter.
    answers : tuple of Answer
        Those with all readings.

    Returns
    -------
    Doubted or None
        None where no reading is in doubt.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo, open_demo
    >>> result = analyse_demo("ph")
    >>> judge_doubt(open_demo(), result.response, result.answers) is None
    True
    """
    if (response.table, response.column) != ("readings", "ph"):
        return None
    doubt = find_doubt(trial.settings, trial.records)
    if not doubt.rows:
        return None
    if doubt.no_buffers:
        return Doubted(doubt)
    try:
        fresh = _answer_without(trial, response, doubt)
    except (NotEstimable, MissingRecords):
        return Doubted(doubt)
    asked = [a for a in answers if a.primary] or answers  # with no primary question, all
    questions = {a.question for a in asked}
    told = tuple(a for a in fresh if a.question in questions and a.comparisons)
    return Doubted(doubt, told, tuple(_list_changes(asked, told)))


def find_meter_sd(trial: TrialLike, response: Response) -> float:
    """Give how far all readings of a response may be off together, in pH; 0 where none is read.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> [round(find_meter_sd(trial, trial.settings.response(n)), 4) for n in ("ph", "score")]
    [0.0092, 0.0]
    """
    if (response.table, response.column) != ("readings", "ph"):
        return 0.0
    return meter_sd(trial.settings, trial.records)


def told_doubts(analysis: Analysis) -> tuple[str, ...]:
    """Say for a decision what its answers hang on; empty where no calibration is recorded at all.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> told_doubts(analyse_demo("ph"))
    ()
    """
    doubted = analysis.doubted
    return () if doubted is None or doubted.doubt.no_buffers else doubted.sentences


def _answer_without(trial: TrialLike, response: Response, doubt: Doubt) -> tuple[Answer, ...]:
    records, gone = trial.records, {id(row) for row, _ in doubt.rows}
    kept = Records.of(**{
        name: [r for r in j.rows if id(r) not in gone] if name == "readings" else j.rows
        for name, j in records.journals.items()
    })  # fmt: skip
    less = _Without(trial, kept)
    dataset = build_dataset(less, response.name)
    plan = trial.frozen_plan
    if plan is None:
        return ()
    model = fit_model(trial.settings, dataset, choose_model(trial.settings, plan, dataset))
    return tuple(answer_questions(model))


def _list_changes(with_: Sequence[Answer], without: Sequence[Answer]) -> list[str]:
    """Name the verdicts that differ, and those that cannot be told any more.

    One answer may average over holds where the other compares at one; then the two are compared.
    """
    told = [(a.question.text, c) for a in without for c in a.comparisons]
    there = {(text, c.words, c.at): c for text, c in told}
    there_at_all = {(text, c.words): c for text, c in reversed(told)}
    said, gone = [], []
    for answer in with_:
        for c in answer.comparisons:
            text = answer.question.text
            found = there.get((text, c.words, c.at)) or there_at_all.get((text, c.words))
            words = c.words + (f" at {c.at}" if c.at else "")
            if found is None:
                gone.append(words)
            elif found.verdict != c.verdict:
                ranged = found.range_text.replace("( ", "(")
                said.append(f"{words}: {c.verdict} becomes {found.verdict} {ranged}")
    if gone:
        said.append(f"not told any more: {listed(gone, shown=4)}")
    return said
