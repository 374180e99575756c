"""Choose: recommended settings among those tried, by verdict and not by rank.

The door of the room: `decide(trial)`. What is the same is named together, what is not settled is
named as such, and the call stays with the owner. Layout is left to `words`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from doughlab.analysis.analyse import Analysis, analyse
from doughlab.analysis.contrasts import compare_levels
from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.standing import tell_standings
from doughlab.decision.chance import (
    Predictor,
    build_predictor,
    compare_chances,
    forecast,
    tried_settings,
)
from doughlab.decision.early import TooEarly, find_too_early
from doughlab.decision.followup import Confirmation, plan_confirmation, unsettled
from doughlab.decision.window import Hours, WindowFound, find_hours, find_window
from doughlab.errors import MissingRecords, NotEstimable
from doughlab.formula import batch_grams
from doughlab.sections import Factor
from doughlab.settings import Settings
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
        Chance that a new ball is inside the window, with its 95 % range.
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
    cheapest : bool
        Whether `chosen` was taken for its cost among waters that do as well.
    costs : dict of str to float
        Cost of a litre of each level, where it is a water and given.
    """

    factor: Factor
    chosen: str
    options: tuple[Option, ...] = ()
    cheapest: bool = False
    costs: dict[str, float] = field(default_factory=dict)


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
    hours : Hours or None
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
    """

    settings: Settings
    window: WindowFound
    table: pd.DataFrame = field(repr=False)
    recommended: dict[str, str] = field(default_factory=dict)
    choices: tuple[Choice, ...] = ()
    hours: Hours | None = None
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

    @property
    def chance(self) -> tuple[float, float, float] | None:
        """Chance that a new ball of the recommended setting is inside, with its range."""
        row = self.row_of(self.recommended)
        if row is None or not np.isfinite(row["chance"]):
            return None
        return float(row["chance"]), float(row["chance_low"]), float(row["chance_high"])

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


def decide(trial: TrialLike, *, analyses: Mapping[str, Analysis] | None = None) -> Decision:
    """Recommend settings among those tried, and say how sure that is.

    Parameters
    ----------
    trial : TrialLike
    analyses : mapping of str to Analysis, optional
        Where they were made already.

    Returns
    -------
    Decision
        Without a recommendation where the trial cannot tell; never raises for that.

    Raises
    ------
    PlanError, MissingRecords, NotEstimable
        Where no response can be analysed at all.
    """
    found = dict(analyses) if analyses else analyse_all(trial)
    settings = trial.settings
    window = find_window(settings, found)
    changed = next(iter(found.values())).changed
    rest: dict[str, Any] = {
        "open_questions": tuple(unsettled(found.values())),
        "changed": changed,
        "interim": any(a.dataset.interim for a in found.values()),
        "standing": tell_standings({a.response.words: a.dataset.standing for a in found.values()}),
        "provisional": any(a.dataset.standing.provisional for a in found.values()),
    }
    main = found.get(window.response)
    if main is None:
        return Decision(settings, window, pd.DataFrame(), **rest)
    predictor = build_predictor(main)
    table = _add_scores(forecast(predictor, tried_settings(main), window.ends), found)
    if window.ends is None:
        return Decision(settings, window, table, notes=predictor.notes, **rest)
    early = find_too_early(predictor, table, window)
    if early is not None:
        if not early.chances:
            table = table.assign(chance=np.nan, chance_low=np.nan, chance_high=np.nan)
        return Decision(settings, window, table, days=predictor.days, early=early, **rest)
    recommended, choices, table = choose_settings(predictor, table, found, trial.waters, window)
    return Decision(
        settings,
        window,
        table,
        recommended=recommended,
        choices=tuple(choices),
        hours=find_hours(predictor, recommended, window.ends),
        confirmation=plan_confirmation(predictor, recommended),
        notes=predictor.notes,
        days=predictor.days,
        water_g_per_ball=water_per_ball(trial, recommended),
        **rest,
    )


def analyse_all(trial: TrialLike) -> dict[str, Analysis]:
    """Analyse every response of a trial that can be.

    Raises
    ------
    MissingRecords
        Where none can, with the reason of the first.
    """
    found: dict[str, Analysis] = {}
    reasons: list[str] = []
    for name in trial.settings.responses:
        try:
            found[name] = analyse(trial, name)
        except (MissingRecords, NotEstimable) as error:
            reasons.append(str(error))
    if not found:
        raise MissingRecords(reasons[0] if reasons else "trial.toml names no response.")
    return found


def _add_scores(table: pd.DataFrame, found: Mapping[str, Analysis]) -> pd.DataFrame:
    """Put the mean score of every setting beside its chance."""
    for name, analysis in found.items():
        if analysis.response.kind != "score":
            continue
        tried = tried_settings(analysis)
        means = forecast(build_predictor(analysis), tried, None)
        keep = [*analysis.settings.factors, "estimate", "ci_low", "ci_high"]
        columns = {"estimate": name, "ci_low": f"{name}_low", "ci_high": f"{name}_high"}
        own = means[keep].rename(columns=columns)
        table = table.merge(own, on=list(analysis.settings.factors), how="left")
    return table


def choose_settings(
    predictor: Predictor,
    table: pd.DataFrame,
    found: Mapping[str, Analysis],
    waters: Mapping[str, Mapping[str, Any]],
    window: WindowFound,
) -> tuple[dict[str, str], list[Choice], pd.DataFrame]:
    """Choose a tried setting: best chance first, then a cheaper water that does as well.

    A cheaper water is taken only where at least as many balls are inside to within one of ten:
    with all else as it was, if every deciding response shows the same dough at that very setting,
    or at its own best setting, if the other deciding responses are the same between the two
    settings. What is not settled never moves the choice.

    Parameters
    ----------
    predictor : Predictor
    table : DataFrame
        With the chances.
    found : mapping of str to Analysis
    waters : mapping
        Rows of waters.csv by id.
    window : WindowFound
        With both ends.

    Returns
    -------
    recommended : dict of str to str
    choices : list of Choice
    table : DataFrame
        With the columns less_low and less_high: 95 % range of a chance minus the recommended one.
    """
    ends = window.ends or (-np.inf, np.inf)
    settings = predictor.model.settings
    main = found[window.response]
    top = int(table["chance"].to_numpy().argmax())
    at, cheapest = top, False
    table = _against(predictor, table, top, ends)
    for name, factor in settings.factors.items():
        costs = water_costs(factor, waters)
        if factor.kind == "water" and costs:
            place = find_cheaper(table, at, factor, _deciding(found, main, name), costs)
            at, cheapest = place, cheapest or place != at
    table = _against(predictor, table, at, ends)
    picked = {name: str(table[name].iloc[at]) for name in settings.factors}
    choices = [
        Choice(
            factor,
            picked[name],
            tuple(list_options(table, at, factor, _deciding(found, main, name))),
            cheapest and factor.kind == "water",
            water_costs(factor, waters),
        )
        for name, factor in settings.factors.items()
        if settings.hold is None or name != settings.hold.name
    ]
    return picked, choices, table


def _against(
    predictor: Predictor, table: pd.DataFrame, at: int, ends: tuple[float, float]
) -> pd.DataFrame:
    low, high = compare_chances(predictor, table, at, ends)
    return table.assign(less_low=low, less_high=high)


def _deciding(found: Mapping[str, Analysis], main: Analysis, factor: str) -> list[Analysis]:
    """Give the responses whose verdicts decide on a factor: the window's, and primary ones."""
    rest = [a for a in found.values() if a is not main]
    asked = [a for a in rest if any(b.primary and b.question.factor == factor for b in a.answers)]
    return [main, *asked]


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
    chance = rows["chance"].to_numpy()
    alike = rows[chance > chance.max() - NO_DIFFERENCE]
    changes = sum((alike[n] != level).to_numpy().astype(int) for n, level in setting.items())
    return int(alike.index[int(np.argmin(changes))])


def _cell(table: pd.DataFrame, at: int, names: Sequence[str]) -> Cell:
    row = table.iloc[at]
    numbers = ("chance", "chance_low", "chance_high", "less_low", "less_high")
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


def water_costs(factor: Factor, waters: Mapping[str, Mapping[str, Any]]) -> dict[str, float]:
    """Look up the cost of a litre of each level of a water factor, where it is given.

    Parameters
    ----------
    factor : Factor
    waters : mapping
        Rows of waters.csv by id.
    """
    if factor.kind != "water":
        return {}
    given = {level: waters.get(level, {}).get("cost_per_l") for level in factor.levels}
    return {level: float(cost) for level, cost in given.items() if cost is not None}


def find_cheaper(
    table: pd.DataFrame,
    at: int,
    factor: Factor,
    deciding: Sequence[Analysis],
    costs: Mapping[str, float],
) -> int:
    """Find the setting of the cheapest water that does as well as the one at a position.

    Parameters
    ----------
    table : DataFrame
        With chance, less_low and less_high against the setting with the best chance.
    at : int
    factor : Factor
    deciding : sequence of Analysis
        The window's response first.
    costs : mapping of str to float
        Cost of a litre.

    Returns
    -------
    int
        Position in the table; `at` where nothing cheaper does as well or its cost is not known.
    """
    setting = {n: str(table[n].iloc[at]) for n in deciding[0].settings.factors}
    cheapest, place = costs.get(setting[factor.name]), at
    if cheapest is None:
        return at
    options = list_options(table, at, factor, deciding)
    for option in options:
        cost = costs.get(option.level)
        if cost is None or cost >= cheapest:
            continue
        either = option.swapped if option.either else None
        wanted = either or option.best
        alike = option.either or all(
            verdict_of_settings(a, setting, wanted.setting, pairs=len(options)) == SAME
            for a in deciding[1:]
        )
        if wanted.as_good and alike:
            found = find_setting(table, wanted.setting)
            cheapest, place = cost, at if found is None else found
    return place


def water_per_ball(trial: TrialLike, setting: Mapping[str, str]) -> float | None:
    """Give the grams of water in one ball of a setting; None without a formula."""
    formula = getattr(trial, "formula", None)
    if formula is None:
        return None
    levels = {
        name: trial.settings.factors[name].value_of(level)
        for name, level in setting.items()
        if trial.settings.factors[name].kind == "number"
    }
    return batch_grams(formula, levels=levels, balls=1).get("water")
