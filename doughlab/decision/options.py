"""Options: every tried level that was not chosen, against the one that was.

`choose` and `cheaper` ask here. Which setting is chosen is left to `choose`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.contrasts import compare_levels
from doughlab.decision.chance import Predictor
from doughlab.errors import NotEstimable
from doughlab.sections import Factor
from doughlab.stats.scale import student_quantile
from doughlab.stats.verdicts import NOT_SETTLED, SAME, judge_interval

CHANCE_MARGIN = 0.1  # one ball of ten
NO_DIFFERENCE = 0.001  # chances this near are no reason to change another factor


@dataclass(frozen=True)
class Cell:
    """A tried setting against the recommended one.

    Attributes
    ----------
    setting : dict of str to str
        Level text of every factor.
    chance, chance_low, chance_high : float
        Chance that a new ball is inside the window, with its 95 % range; with further limits, that
        it meets all of them.
    less_low, less_high : float
        95 % range of that chance minus the recommended one.
    """

    setting: dict[str, str]
    chance: float
    chance_low: float
    chance_high: float
    less_low: float
    less_high: float

    @property
    def as_good(self) -> bool:
        """Whether at least as many balls are inside, to within one of ten."""
        return self.less_low > -CHANCE_MARGIN


@dataclass(frozen=True)
class Demand:
    """What a level of a water costs and asks for.

    Attributes
    ----------
    cost : float or None
        Of a litre; None where not known.
    to_do : tuple of str
        Beside opening a tap, such as "dosing acid".

    Examples
    --------
    >>> Demand(0.3, ("carrying bottles",)).cost
    0.3
    """

    cost: float | None = None
    to_do: tuple[str, ...] = ()


@dataclass(frozen=True)
class Option:
    """A level that was not chosen, against the one that was.

    Attributes
    ----------
    level : str
    verdicts : dict of str to str
        Response (words) to the verdict on the two levels, for every deciding response; compared
        at the recommended hold and the other recommended settings.
    answered : dict of str to str
        The same as the questions answered it, averaged over holds or at the hold of use.
    best : Cell
        The tried setting with this level that has the best chance.
    swapped : Cell or None
        The recommended setting with this level in it; None where it was not tried.
    """

    level: str
    verdicts: dict[str, str]
    answered: dict[str, str]
    best: Cell
    swapped: Cell | None

    @property
    def same(self) -> bool:
        """Whether it gives the same dough there, by every deciding response."""
        return all(v == SAME for v in self.verdicts.values())

    @property
    def either(self) -> bool:
        """Whether it can stand in: the same dough, and as many balls inside."""
        return self.same and self.swapped is not None and self.swapped.as_good


@dataclass(frozen=True)
class Choice:
    """What is said about one factor.

    Attributes
    ----------
    factor : Factor
    chosen : str
        Level text.
    options : tuple of Option
        The other levels that were tried.
    why : str
        "cost" or "ease" where `chosen` was taken for it among those that do as well; else empty.
    demands : dict of str to Demand
        What each level costs and asks for, where it is a water or dosed.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> water = next(c for c in decide_demo().choices if c.factor.name == "water")
    >>> water.chosen, water.cheapest, sorted(water.costs)
    ('tap', False, ['bottled', 'reverse osmosis', 'tap'])
    """

    factor: Factor
    chosen: str
    options: tuple[Option, ...] = ()
    why: str = ""
    demands: dict[str, Demand] = field(default_factory=dict)

    @property
    def costs(self) -> dict[str, float]:
        """Cost of a litre of each level, where it is a water and given."""
        return {level: d.cost for level, d in self.demands.items() if d.cost is not None}

    @property
    def cheapest(self) -> bool:
        """Whether it was taken for its cost among those that do as well."""
        return self.why == "cost"


def list_options(
    table: pd.DataFrame, at: int, factor: Factor, deciding: Sequence[Analysis]
) -> list[Option]:
    """Set every other tried level of a factor against the one at a position of the table.

    Parameters
    ----------
    table : DataFrame
        With chance, less_low and less_high.
    at : int
        Position of the setting compared with.
    factor : Factor
    deciding : sequence of Analysis

    Returns
    -------
    list of Option
        In the order of trial.toml.
    """
    names = list(deciding[0].settings.factors)
    setting = {n: str(table[n].iloc[at]) for n in names}
    chosen = setting[factor.name]
    pairs = {a.response.words: verdicts_at(a, factor, setting) for a in deciding}
    options = []
    for level in factor.levels:
        rows = table[table[factor.name] == level]
        if level == chosen or rows.empty:
            continue
        best = _cell(table, _best_row(rows, setting), names)
        place = find_setting(table, setting | {factor.name: level})
        swapped = None if place is None else _cell(table, place, names)
        verdicts = {words: found.get(level, NOT_SETTLED) for words, found in pairs.items()}
        answered = {a.response.words: a.answer(factor.name).verdict_of(level, chosen)
                    for a in deciding}  # fmt: skip
        options.append(Option(level, verdicts, answered, best, swapped))
    return options


def _best_row(rows: pd.DataFrame, setting: Mapping[str, str]) -> int:
    """Find the row with the best chance; of those alike, the one that changes least."""
    name = "all" if "all" in rows else "chance"
    chance = np.nan_to_num(rows[name].to_numpy(dtype=float), nan=-1.0)
    alike = rows[chance > chance.max() - NO_DIFFERENCE]
    changes = sum((alike[n] != level).to_numpy().astype(int) for n, level in setting.items())
    return int(alike.index[int(np.argmin(changes))])


def _cell(table: pd.DataFrame, at: int, names: Sequence[str]) -> Cell:
    row = table.iloc[at]
    name = "all" if "all" in table else "chance"
    numbers = (name, f"{name}_low", f"{name}_high", "less_low", "less_high")
    return Cell({n: str(row[n]) for n in names}, *(float(row[k]) for k in numbers))


def find_setting(table: pd.DataFrame, setting: Mapping[str, str]) -> int | None:
    """Find the position of a setting in a table; None where it was not tried.

    Parameters
    ----------
    table : DataFrame
        A column of level texts for each factor.
    setting : mapping of str to str
        Level text of every factor.
    """
    hit = np.ones(len(table), dtype=bool)
    for name, level in setting.items():
        hit &= (table[name] == level).to_numpy()
    return int(np.argmax(hit)) if hit.any() else None


def verdicts_at(analysis: Analysis, factor: Factor, setting: Mapping[str, str]) -> dict[str, str]:
    """Give the verdict on every other level of a factor, all else as in a setting.

    Parameters
    ----------
    analysis : Analysis
    factor : Factor
    setting : mapping of str to str
        Level text of every factor, `factor` included: what the others are compared with.

    Returns
    -------
    dict of str to str
        Level to verdict, ranges holding together over all pairs; levels that the records cannot
        compare there are left out.
    """
    own = setting[factor.name]
    try:
        found = compare_levels(analysis.model, factor, setting=setting)
    except NotEstimable:
        return {}
    return {c.level if c.other == own else c.other: c.verdict
            for c in found if own in (c.level, c.other)}  # fmt: skip


def verdict_of_settings(
    analysis: Analysis, one: Mapping[str, str], other: Mapping[str, str], *, pairs: int = 1
) -> str:
    """Give the verdict on two whole settings, which may differ in several factors.

    Parameters
    ----------
    analysis : Analysis
    one, other : mapping of str to str
        Level text of every factor.
    pairs : int
        How many such verdicts are looked at together; 1 or more (Bonferroni).

    Returns
    -------
    str
        "not settled" where the records cannot tell.
    """
    model = analysis.model
    frame = pd.DataFrame([dict(one), dict(other)])
    there = all(frame[n].isin(list(model.levels(f))).all()
                for n, f in model.settings.factors.items())  # fmt: skip
    if not there or any(frame[n].nunique() > 1 and not model.is_judged(n) for n in one):
        return NOT_SETTLED
    rows = Predictor(model, 0).rows(frame)
    test = model.fit.test_rows(rows[:1] - rows[1:])
    estimate, error, df = (float(v[0]) for v in (test.estimate, test.std_error, test.df))
    if not (np.isfinite(estimate) and error > 0 and df >= 1):
        return NOT_SETTLED
    beyond = (1.0 - model.range_level) / 2.0 / pairs
    half = float(student_quantile(df, 1.0 - beyond)) * error
    return judge_interval(estimate - half, estimate + half, analysis.response.margin)
