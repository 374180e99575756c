"""Ahead: what comes after an analysis, worked out when somebody looks.

A `Decision` carries one. Steps with their cost and chance stand in `nextstep`, moves of one setting
in `levers`, level places of curves in `surface`, all words in `next_words`.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.dataset import TrialLike
from doughlab.decision.chance import Predictor
from doughlab.decision.followup import waiting
from doughlab.decision.levers import Lever, find_levers
from doughlab.decision.nextstep import NextSteps, find_next
from doughlab.decision.surface import Surface, find_surface


@dataclass(frozen=True)
class Ahead:
    """What to do next, as far as a trial tells; nothing is computed before it is asked for.

    Attributes
    ----------
    trial : TrialLike
    analyses : mapping of str to Analysis
    recommended : dict of str to str
        Level text of every factor; empty where nothing is recommended.
    predictor : Predictor or None
        Of the window's response.
    ends : tuple of float or None
        The window; its middle is where a ball is best.
    """

    trial: TrialLike = field(repr=False)
    analyses: Mapping[str, Analysis] = field(repr=False)
    recommended: Mapping[str, str] = field(default_factory=dict)
    predictor: Predictor | None = field(default=None, repr=False)
    ends: tuple[float, float] | None = None

    @cached_property
    def steps(self) -> NextSteps:
        """The ranked list."""
        return find_next(
            self.trial.frozen_plan,
            self.analyses,
            self.recommended,
            formula=getattr(self.trial, "formula", None),
            folder=_folder(self.trial),
        )

    @cached_property
    def levers(self) -> tuple[Lever, ...]:
        """How far each number would move the ball to the middle of the window."""
        if self.predictor is None or self.ends is None or not self.recommended:
            return ()
        middle = (self.ends[0] + self.ends[1]) / 2.0
        return tuple(find_levers(self.predictor, self.recommended, middle))

    @cached_property
    def surfaces(self) -> tuple[Surface, ...]:
        """Where each response is level along numbers that may bend."""
        found = (find_surface(a, self.recommended) for a in self.analyses.values())
        return tuple(s for s in found if s is not None)

    @cached_property
    def unanswered(self) -> tuple[str, ...]:
        """Say which primary questions have no answer yet, or wait for a planned look."""
        found = [
            f"{a.response.words}: {answer.sentence}"
            for a in self.analyses.values()
            for answer in a.answers
            if answer.primary and answer.unanswered
        ]
        responses = self.trial.settings.responses
        missing = [
            f"{responses[q.response].words}: {q.text} Not answered: it cannot be analysed yet."
            for q in self.trial.settings.questions
            if q.primary and q.response in responses and q.response not in self.analyses
        ]
        return (*found, *missing, *waiting(self.analyses.values()))


def _folder(trial: TrialLike) -> str:
    """Give the trial's folder for a command: as seen from here, else its name alone."""
    folder = getattr(trial, "folder", None)
    if folder is None:
        return ""
    seen = os.path.relpath(Path(folder))
    return Path(folder).name if seen.startswith("..") else seen
