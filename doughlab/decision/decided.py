"""Decided: what a trial recommends, as one frozen result.

`choose` makes it; `words`, the report, the command and the daily room read it. It calculates
nothing; layout is left to `words`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from doughlab.decision.ahead import Ahead
from doughlab.decision.chance import Predictor
from doughlab.decision.confirmed import ConfirmVerdict
from doughlab.decision.early import TooEarly
from doughlab.decision.followup import Confirmation
from doughlab.decision.hours import Course, Courses, build_courses
from doughlab.decision.options import Choice
from doughlab.decision.weigh import Weighing
from doughlab.decision.window import WindowFound
from doughlab.settings import Settings


@dataclass(frozen=True)
class Decision:
    """What a trial recommends, how sure that is, and what comes next.

    Attributes
    ----------
    settings : Settings
    window : WindowFound
    table : DataFrame
        One row per tried setting and hold: factor levels, n, estimate, std_error, df, ci_low,
        ci_high, sd, chance, chance_low, chance_high, then the mean of each score with its range,
        and less_low, less_high: 95 % range of the chance minus the recommended one. In planned
        order, not by rank.
    recommended : dict of str to str
        Level text of every factor, hold included; empty where this trial cannot tell.
    choices : tuple of Choice
        One for each factor but the hold.
    hours : Course or None
        The recommended setting over the hours of the hold; all of them: `courses`.
    confirmation : Confirmation or None
    open_questions : tuple of str
        What is not settled and what would settle it.
    notes : tuple of str
        What the chances leave out, or what was widened.
    changed : tuple of str
        "changed after the plan" sentences.
    water_g_per_ball : float or None
        Grams of water in a ball, from formula.toml.
    interim : bool
        Whether records are still to come.
    days : int
        Mixing days that the chances rest on.
    early : TooEarly or None
        Why nothing is recommended though there is a band; None where something is.
    standing : tuple of str
        Which batches the verdicts stand on, and at which level, where that has to be said.
    provisional : bool
        Whether this is a look that was not planned.
    weighing : Weighing or None
        What the settings are judged by beside the window; None where nothing can be judged.
    predictor : Predictor or None
        Of the window's response; None where it was not analysed.
    ahead : Ahead or None
        What to try next, what moves one setting, where curves are level; None for a trial that
        confirms another.
    confirmed : ConfirmVerdict or None
        What a confirming trial says; None for any other trial.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> decision = decide_demo()
    >>> decision.recommended
    {'water': 'tap', 'mixing_water': '64 F', 'hydration': '65', 'hold': '48'}
    >>> chance, low, high = decision.chance
    >>> low < chance <= high
    True
    >>> decision.chance_of_all is None
    True
    >>> decision.row_of(decision.recommended)["hold"], len(decision.at_holds())
    ('48', 3)
    >>> len(decision.courses.each), decision.text().splitlines()[0] == str(decision).splitlines()[0]
    (12, True)
    """

    settings: Settings
    window: WindowFound
    table: pd.DataFrame = field(repr=False)
    recommended: dict[str, str] = field(default_factory=dict)
    choices: tuple[Choice, ...] = ()
    hours: Course | None = None
    confirmation: Confirmation | None = None
    open_questions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    water_g_per_ball: float | None = None
    interim: bool = False
    days: int = 0
    early: TooEarly | None = None
    standing: tuple[str, ...] = ()
    provisional: bool = False
    weighing: Weighing | None = field(default=None, repr=False)
    ahead: Ahead | None = field(default=None, repr=False)
    confirmed: ConfirmVerdict | None = field(default=None, repr=False)
    predictor: Predictor | None = field(default=None, repr=False)

    @cached_property
    def courses(self) -> Courses | None:
        """Follow every tried setting over the hours; None without a window or without holds."""
        if self.predictor is None or self.window.ends is None:
            return None
        return build_courses(
            self.predictor, self.window.ends, enough=self.settings.limits.inside_of_10
        )

    @property
    def chance(self) -> tuple[float, float, float] | None:
        """Chance that a new ball of the recommended setting is inside, with its range."""
        row = self.row_of(self.recommended)
        if row is None or not np.isfinite(row["chance"]):
            return None
        return float(row["chance"]), float(row["chance_low"]), float(row["chance_high"])

    @property
    def chance_of_all(self) -> tuple[float, float, float] | None:
        """Chance that a new ball of it meets all limits at once; None with the window alone."""
        row = self.row_of(self.recommended)
        if row is None or self.weighing is None or not self.weighing.several:
            return None
        return float(row["all"]), float(row["all_low"]), float(row["all_high"])

    def row_of(self, setting: Mapping[str, str]) -> pd.Series | None:
        """Find the row of the table for a setting; None where it was not tried."""
        if not setting:
            return None
        hit = np.ones(len(self.table), dtype=bool)
        for name, level in setting.items():
            hit &= (self.table[name] == level).to_numpy()
        return self.table[hit].iloc[0] if hit.any() else None

    def at_holds(self) -> pd.DataFrame:
        """Give the rows of the recommended setting at every tried hold."""
        hold = self.settings.hold
        hit = np.ones(len(self.table), dtype=bool)
        for name, level in self.recommended.items():
            if hold is None or name != hold.name:
                hit &= (self.table[name] == level).to_numpy()
        return self.table[hit]

    def text(self) -> str:
        """Give the whole decision, lines of at most 80 characters."""
        from doughlab.decision.words import full_lines

        return "\n".join(full_lines(self))

    def __str__(self) -> str:
        """Give the decision in at most 15 lines of 80 characters."""
        from doughlab.decision.words import short_lines

        return "\n".join(short_lines(self))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        import html

        return "".join(f"<p>{html.escape(line)}</p>" for line in str(self).splitlines())
