"""What a report needs of a trial: its files, read and checked.

The chapters take it; `doughlab.Trial` has everything asked for here.
Opening a folder is left to the front door.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from doughlab.analysis.dataset import TrialLike

if TYPE_CHECKING:
    from doughlab.errors import Problem
    from doughlab.formula.formula import Formula
    from doughlab.record.balls import BallState


class Subject(TrialLike, Protocol):
    """The trial that a report is about."""

    @property
    def folder(self) -> Path:
        """Where the trial stands."""
        ...

    @property
    def formula(self) -> Formula | None:
        """The dough's formula, or None."""
        ...

    @property
    def problems(self) -> Sequence[Problem]:
        """Every problem of the folder."""
        ...

    @property
    def ball_states(self) -> Mapping[str, BallState]:
        """The state of every planned ball; empty without a plan."""
        ...
