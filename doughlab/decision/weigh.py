"""Weigh: everything a tried setting is judged by, side by side.

`choose` makes one; the trade-off, the overall desirability and the cost of a wrong choice read it.
It names no setting; what is not asked for is not computed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.dataset import TrialLike
from doughlab.decision.chance import Predictor, tenths
from doughlab.decision.early import TooEarly
from doughlab.decision.joint import Joint, draw_joint
from doughlab.decision.limits import BALLS, HANDS, MONEY, Limit, list_limits
from doughlab.decision.running import Running, run_setting
from doughlab.decision.window import WindowFound
from doughlab.settings import Settings

HALF = 0.5


@dataclass(frozen=True)
class Weighing:
    """What the tried settings are judged by.

    Attributes
    ----------
    trial : TrialLike
    predictors : dict of str to Predictor
        By response; the window's first, then the scores and what has a limit.
    setting : DataFrame
        A column of level texts for each factor, in the order of `Decision.table`.
    limits : tuple of Limit
        The window first.
    not_judged : tuple of str
        What has no limit, each with the key that would give it.
    blocked : tuple of str
        What has a limit and cannot be judged, each with the reason.
    running : tuple of Running
        What each setting asks for once settled.
    """

    trial: TrialLike = field(repr=False)
    predictors: dict[str, Predictor] = field(repr=False)
    setting: pd.DataFrame = field(repr=False)
    limits: tuple[Limit, ...]
    not_judged: tuple[str, ...]
    running: tuple[Running, ...] = field(repr=False)
    blocked: tuple[str, ...] = ()

    @property
    def settings(self) -> Settings:
        """What trial.toml says."""
        return self.trial.settings

    @property
    def several(self) -> bool:
        """Whether there is a limit beside the window."""
        return len(self.limits) > 1

    @cached_property
    def joint(self) -> Joint:
        """Draws of what every setting may give."""
        return draw_joint(self.predictors, self.setting, self.limits, met=self.met)

    @property
    def met(self) -> dict[str, NDArray[np.bool_]]:
        """Limit that no ball spreads in to whether each setting meets it."""
        values = {MONEY: self.costs, HANDS: self.hours}
        return {x.what: values[x.what] <= x.high for x in self.limits if x.what in values}

    @property
    def costs(self) -> NDArray[np.float64]:
        """Cost of water a year of each setting; blank where not known."""
        return np.array([np.nan if r.water_cost_a_year is None else r.water_cost_a_year
                         for r in self.running])  # fmt: skip

    @property
    def hours(self) -> NDArray[np.float64]:
        """Hours of hands a day of each setting; blank where not known."""
        return np.array([np.nan if r.work_h_a_day is None else r.work_h_a_day
                         for r in self.running])  # fmt: skip

    def add_columns(self, table: pd.DataFrame) -> pd.DataFrame:
        """Put money, hands and, with several limits, the joint chance into a table of chances.

        Parameters
        ----------
        table : DataFrame

        Returns
        -------
        DataFrame
            With water_cost_a_year, work_h_a_day, all, all_low and all_high; the last three are
            those of the window where there is no other limit.
        """
        chances = (table["chance"], table["chance_low"], table["chance_high"])
        middle, low, high = self.joint.chances if self.several else chances
        return table.assign(
            water_cost_a_year=self.costs, work_h_a_day=self.hours, all=middle, all_low=low,
            all_high=high,
        )  # fmt: skip


def weigh_settings(
    trial: TrialLike,
    predictors: Mapping[str, Predictor],
    table: pd.DataFrame,
    found: Mapping[str, Analysis],
    window: WindowFound,
) -> Weighing:
    """Set everything side by side that tried settings are judged by.

    Parameters
    ----------
    trial : TrialLike
    predictors : mapping of str to Predictor
        By response, the window's first; one for every response with a limit.
    table : DataFrame
        A column of level texts for each factor.
    found : mapping of str to Analysis
    window : WindowFound
        With both ends.

    Returns
    -------
    Weighing
        A limit on money or hands that cannot be reckoned stands among `blocked`, with what is
        missing for it.
    """
    names = list(trial.settings.factors)
    setting = table[names].reset_index(drop=True)
    running = tuple(run_setting(trial, {str(k): str(v) for k, v in row.items()})
                    for row in setting.to_dict("records"))  # fmt: skip
    limits, missing, blocked = list_limits(trial.settings, found, window)
    kept, out = [], list(blocked)
    for limit in limits:
        values = {MONEY: "water_cost_a_year", HANDS: "work_h_a_day"}.get(limit.what)
        if limit.kind != BALLS and all(getattr(r, values or "") is None for r in running):
            why = " and ".join(running[0].unknown) if running else ""
            out.append(f"{limit.what} ({why} missing)")
        else:
            kept.append(limit)
    return Weighing(trial, dict(predictors), setting, tuple(kept), missing, running, tuple(out))


def find_beyond(weighing: Weighing, table: pd.DataFrame) -> TooEarly | None:
    """Find whether even the best setting fails one of several limits too often.

    Parameters
    ----------
    weighing : Weighing
    table : DataFrame
        With the column all.

    Returns
    -------
    TooEarly or None
        None where half of the balls or more meet all limits somewhere.
    """
    chance = np.nan_to_num(table["all"].to_numpy(dtype=float), nan=-1.0)
    if not weighing.several or chance.max() >= HALF:
        return None
    alone = weighing.joint.alone
    tops = {x: float(np.nanmax(np.quantile(alone[x.what], 0.5, axis=0))) for x in weighing.limits}
    worst = min(tops, key=lambda x: tops[x])
    best = tops[worst]
    count = tenths(max(chance.max(), 0.0))
    return TooEarly(
        f"even at the best setting tried only about {count} of 10 new balls meet all limits at "
        f"once; hardest to meet is {worst.words} ({tenths(best)} of 10 by itself at best)",
        "a wider limit, or settings that were not tried yet",
        chances=True,
    )
