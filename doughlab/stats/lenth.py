"""Lenth's method: which effects of an experiment without repeats stand out from noise.

Called by the analysis of factorial experiments that have one run per setting.
Where replicates exist the residual of the mixed model is used instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.scale import student_cdf, student_quantile

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class LenthResult:
    """Effects judged against their own typical size.

    Attributes
    ----------
    table : DataFrame
        Columns term, estimate, std_error (the pseudo standard error), df, statistic, p_value (each
        effect for itself), ci_low, ci_high (margin of error), stands_out (beyond the margin of
        error), surely (beyond the simultaneous one).
    s0 : float
        1.5 x median of the absolute effects.
    pse : float
        Pseudo standard error.
    df : float
        A third of the number of effects.
    margin_of_error, simultaneous_margin : float
        Half widths of the ranges for one effect and for all together.
    """

    table: pd.DataFrame
    s0: float
    pse: float
    df: float
    margin_of_error: float
    simultaneous_margin: float

    def __str__(self) -> str:
        """Name the effects that stand out."""
        out = self.table.loc[self.table["stands_out"], "term"]
        sure = self.table.loc[self.table["surely"], "term"]
        return (
            f"{len(self.table)} effects, pseudo standard error {self.pse:.4g} ({self.df:.3g} df)\n"
            f"beyond {self.margin_of_error:.4g} (one effect): {', '.join(out) or 'none'}\n"
            f"beyond {self.simultaneous_margin:.4g} (all effects): {', '.join(sure) or 'none'}"
        )


def judge_effects(
    effects: Mapping[str, float] | Sequence[float], *, level: float = 0.95
) -> LenthResult:
    """Find effects that stand out when no run is repeated.

    It takes for granted that most effects are nothing but noise, and that all have the same
    standard error, as in an orthogonal two-level design.

    Parameters
    ----------
    effects : mapping of name to float, or sequence of float
        At least three, all in one unit.
    level : float
        Of the ranges, above 0 and below 1.

    Returns
    -------
    LenthResult

    Raises
    ------
    InputError
        With fewer than three effects, a blank one, or effects that are all zero.
    OutOfRange
        When the level lies outside its range.

    References
    ----------
    Lenth (1989), Technometrics 31, 469-473. Checked in
    tests/reference/test_lenth_montgomery1997.py.

    Examples
    --------
    >>> found = judge_effects({"a": 20.0, "b": 1.0, "ab": -0.5, "c": 0.8, "ac": 1.2})
    >>> print(found)
    5 effects, pseudo standard error 1.35 (1.67 df)
    beyond 7.077 (one effect): a
    beyond 18.7 (all effects): a
    """
    import pandas as pd

    if not 0.0 < level < 1.0:
        raise OutOfRange(
            f"level is {level:g}; it must be above 0 and below 1.", value=level, low=0, high=1
        )
    if isinstance(effects, Mapping):
        names, values = list(effects), list(effects.values())
    else:
        values = list(effects)
        names = [str(i + 1) for i in range(len(values))]
    size = np.array(values, dtype=float)
    if len(size) < 3 or not np.isfinite(size).all():
        raise InputError(f"{len(size)} effects; at least three are needed, none of them blank.")
    s0 = 1.5 * float(np.median(np.abs(size)))
    near = np.abs(size)[np.abs(size) < 2.5 * s0]
    pse = 1.5 * float(np.median(near)) if near.size else 0.0
    if not pse > 0.0:
        raise InputError("At least half of the effects are exactly zero; no noise can be told.")
    df = len(size) / 3.0
    one = float(student_quantile(df, (1.0 + level) / 2.0)) * pse
    gamma = (1.0 + level ** (1.0 / len(size))) / 2.0
    every = float(student_quantile(df, gamma)) * pse
    t = size / pse
    table = pd.DataFrame(
        {
            "term": names,
            "estimate": size,
            "std_error": pse,
            "df": df,
            "statistic": t,
            "p_value": 2.0 * np.array([float(student_cdf(df, -abs(v))) for v in t]),
            "ci_low": size - one,
            "ci_high": size + one,
            "stands_out": np.abs(size) > one,
            "surely": np.abs(size) > every,
        }
    )
    return LenthResult(table, s0, pse, df, one, every)
