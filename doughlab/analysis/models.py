"""Models: the terms that the plan decided on, fitted to what was recorded.

`analyse`, the checks and the decision room fit through here, so all speak of one model.
Which terms there are is decided by `plan.model`; differences and verdicts are left to `contrasts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doughlab.analysis.plain import plain_words
from doughlab.errors import NotEstimable
from doughlab.plan.model import (
    LOTS,
    ModelTerms,
    build_layout,
    choose_terms,
    find_unaffordable,
    find_unjudged,
)
from doughlab.plan.parts import take_batches
from doughlab.plan.span import parts_of
from doughlab.plan.termwords import term_words
from doughlab.stats import MixedFit, fit_mixed
from doughlab.stats.terms import used_columns

if TYPE_CHECKING:
    from doughlab.analysis.dataset import Dataset
    from doughlab.plan.plan import Plan
    from doughlab.sections import Factor
    from doughlab.settings import Settings
    from doughlab.stats.terms import Part


@dataclass(frozen=True)
class TrialModel:
    """A response of a trial with its model fitted.

    Attributes
    ----------
    settings : Settings
    dataset : Dataset
    terms : ModelTerms
        What the plan decided.
    fit : MixedFit
    frame : DataFrame
        What was fitted: as `dataset.frame`, numbers that enter as slopes minus their middle.
    left_out : dict of str to str
        Terms of the plan that the records cannot estimate, and interactions that would leave too
        few batches to judge by, each with the reason.
    unjudged : dict of str to str
        Fixed terms that are estimated but have too few units to be judged by, with the reason.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> model = analyse_demo("ph").model
    >>> model.fixed[:3], model.terms.random
    (('block', 'water', 'mixing_water'), ('batch', 'session'))
    >>> water, hydration = (model.settings.factor(n) for n in ("water", "hydration"))
    >>> model.levels(water), model.coded(hydration, "65"), model.at(hydration, "60")["hydration"]
    (('tap', 'reverse osmosis', 'bottled'), 2.5, -2.5)
    >>> model.holds_term("hold", "water"), model.is_judged("water"), model.range_level, model.notes
    (True, True, 0.95, ())
    """

    settings: Settings
    dataset: Dataset
    terms: ModelTerms
    fit: MixedFit = field(repr=False)
    frame: pd.DataFrame = field(repr=False)
    left_out: dict[str, str] = field(default_factory=dict)
    unjudged: dict[str, str] = field(default_factory=dict)

    @property
    def range_level(self) -> float:
        """The level of the ranges that verdicts are read from."""
        return self.dataset.standing.level

    @property
    def fixed(self) -> tuple[str, ...]:
        """Name the fixed terms that were fitted."""
        return tuple(t.name for t in self.fit.design.terms if t.parts)

    def holds_term(self, *names: str) -> bool:
        """Tell whether the fitted model has a term, in any order of its parts."""
        wanted = set(names)
        return any(set(t.split(":")) == wanted for t in self.fixed)

    def is_judged(self, factor: str) -> bool:
        """Tell whether a factor was fitted and has units to be judged by."""
        return self.holds_term(factor) and factor not in self.unjudged

    def levels(self, factor: Factor) -> tuple[str, ...]:
        """List the levels of a factor that were recorded, numbers from low to high."""
        return self._levels[factor.name]

    @cached_property
    def _levels(self) -> dict[str, tuple[str, ...]]:
        found = {}
        for name, factor in self.settings.factors.items():
            there = set(self.dataset.frame[name].astype(str))
            order = factor.levels
            if factor.kind == "number":
                pairs = sorted(zip(factor.values, factor.levels, strict=True))
                order = tuple(level for _, level in pairs)
            found[name] = tuple(level for level in order if level in there)
        return found

    def coded(self, factor: Factor, level: str) -> Any:
        """Give a level as the fit knows it: its text, or the number minus the middle."""
        if factor.name in self.terms.centres:
            return float(factor.value_of(level)) - self.terms.centres[factor.name]
        return level

    def at(self, factor: Factor | None = None, level: str | None = None) -> dict[str, Any]:
        """Say where numbers stand: in the middle, one factor at a level if asked."""
        place: dict[str, Any] = dict.fromkeys(self.fit.design.numbers, 0.0)
        if factor is not None and level is not None:
            place[factor.name] = self.coded(factor, level)
        return place

    @property
    def notes(self) -> tuple[str, ...]:
        """Say what is shaky: about the plan, the terms and the fit."""
        hidden = "subtract a typical value"  # the numbers are centred already
        fitted = tuple(n for n in self.fit.notes if hidden not in n)
        named = tuple(f"{term_words(self.settings, t)}: {why}" for t, why in self.left_out.items())
        unjudged = tuple(dict.fromkeys(self.unjudged.values()))
        planned = tuple(n for n in self.terms.notes if n not in unjudged)
        return (*planned, *unjudged, *named, *fitted)


def choose_model(settings: Settings, plan: Plan, dataset: Dataset) -> ModelTerms:
    """Give the terms for a dataset: decided by plan and recorded lots, never by a result."""
    frame, judged = dataset.frame, dataset.standing.batches
    if judged is not None:
        plan = take_batches(plan, judged)
    there = [lot for lot in LOTS if lot in frame]
    lots = frame.drop_duplicates("batch").set_index("batch")[there].to_dict("index")
    rows = build_layout(settings, plan.batches, plan.balls, dataset.response)
    layout = [{**row, **lots.get(row["batch"], {})} for row in rows]
    terms = choose_terms(settings, layout, dataset.response)
    alike = {lot for lot in LOTS if lot not in there or frame[lot].nunique() < 2}
    return replace(terms, random=tuple(r for r in terms.random if r not in alike))


def fit_model(
    settings: Settings,
    dataset: Dataset,
    terms: ModelTerms,
    *,
    random: Sequence[str] | None = None,
    fixed: Sequence[str] | None = None,
) -> TrialModel:
    """Fit the planned model; what the records cannot estimate is left out and named.

    Parameters
    ----------
    settings : Settings
    dataset : Dataset
    terms : ModelTerms
    random, fixed : sequence of str, optional
        Other terms than the planned ones, for a labelled second model.

    Returns
    -------
    TrialModel

    Raises
    ------
    NotEstimable
        Where nothing can be estimated yet; says what is missing.

    References
    ----------
    `doughlab.stats.fit_mixed` names the sources.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> model = fit_model(result.settings, result.dataset, result.terms, random=["batch"])
    >>> model.fit.variances.round(5)
    batch       0.00118
    residual    0.00089
    Name: variance, dtype: float64
    """
    frame = code_frame(dataset.frame, settings, terms)
    asked = list(terms.fixed if fixed is None else fixed)
    groups = list(terms.random if random is None else random)
    asked, left_out = _drop_single(asked, frame)
    dear = find_unaffordable(settings, _rows_of(dataset.frame), dataset.response, asked)
    asked, left_out = [t for t in asked if t not in dear], left_out | dear
    fit = _fit(frame, asked, groups, dataset)
    lost = _lost_pairs(fit, asked)
    while lost:
        left_out |= lost
        asked = [t for t in asked if t not in lost]
        fit = _fit(frame, asked, groups, dataset)
        lost = _lost_pairs(fit, asked)
    unjudged = find_used_up(settings, frame, fit, groups)
    fitted = _rows_of(dataset.frame.loc[list(fit.design.index)])
    unjudged |= find_unjudged(settings, fitted, dataset.response, asked)
    unjudged |= terms.reasons
    kept = {t: why for t, why in unjudged.items() if t in asked}
    return TrialModel(settings, dataset, terms, fit, frame, left_out, kept)


def code_frame(frame: pd.DataFrame, settings: Settings, terms: ModelTerms) -> pd.DataFrame:
    """Replace the levels of numbers that enter as slopes by the number minus its middle."""
    out = frame.copy()
    for name in terms.as_number:
        factor = settings.factors[name]
        values = {lev: float(factor.value_of(lev)) - terms.centres[name] for lev in factor.levels}
        out[name] = out[name].astype(object).map(values).astype(float)
    return out


def _fit(
    frame: pd.DataFrame, asked: Sequence[str], groups: Sequence[str], dataset: Dataset
) -> MixedFit:
    """Fit, or say in the words of the trial that too little is recorded."""
    formula = "y ~ " + (" + ".join(asked) if asked else "1")
    try:
        return fit_mixed(frame, formula, random=list(groups))
    except NotEstimable as error:
        balls = "1 ball" if dataset.recorded == 1 else f"{dataset.recorded} balls"
        do = "does" if dataset.recorded == 1 else "do"
        batches = "1 batch" if dataset.batches == 1 else f"{dataset.batches} batches"
        raise NotEstimable(
            f"{dataset.response.words}: {balls} of {batches} {do} not tell the planned "
            f"comparisons yet. {plain_words(str(error), {})}"
        ) from error


def _drop_single(asked: list[str], frame: pd.DataFrame) -> tuple[list[str], dict[str, str]]:
    """Leave out terms of a column that shows one level only."""
    single = {p for t in asked for p in parts_of(t) if frame[p].nunique() < 2}
    hit = [t for t in asked if any(p in single for p in parts_of(t))]
    why = "only one level is recorded so far; the other settings are answered without it."
    return [t for t in asked if t not in hit], dict.fromkeys(hit, why)


def _lost_pairs(fit: MixedFit, asked: Sequence[str]) -> dict[str, str]:
    """Name the interactions that cannot be estimated at all; factors stay in the model.

    A factor whose average cannot be told, since a combination is empty, can still be compared
    where the combinations are there.
    """
    return {t: why for t, why in fit.not_estimable.items() if t in asked and len(parts_of(t)) > 1}


def _rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give rows with their levels as texts, laid out as the plan is."""
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(k): v for k, v in row.items()} for row in rows]


def find_used_up(
    settings: Settings, frame: pd.DataFrame, fit: MixedFit, groups: Sequence[str]
) -> dict[str, str]:
    """Find fixed terms whose own units are all used up by the model.

    A factor set per batch must be judged by batches. Where the fixed terms tell every batch
    apart, the fit has no batch variance left, and the factor would be judged by balls instead.

    Parameters
    ----------
    settings : Settings
    frame : DataFrame
        The rows that were fitted.
    fit : MixedFit
    groups : sequence of str
        The random terms that were asked for.

    Returns
    -------
    dict of str to str
        Term to reason; a term constant within each group of a used-up random term.
    """
    rows = frame.loc[list(fit.design.index)]
    have = set(fit.random_names)
    found: dict[str, str] = {}
    for group in groups:
        if group in have or group in LOTS or group == "session":
            continue
        codes = rows.groupby(group.split(":"), observed=True, sort=False).ngroup().to_numpy()
        if len(np.unique(codes)) == len(codes) or not _is_used_up(fit.design.matrix, codes):
            continue
        for term in fit.design.terms:
            if term.parts and _is_constant(rows, _columns_of(term.parts), codes):
                found[term.name] = _used_up_words(settings, term.name, group)
    return found


def _columns_of(parts: Sequence[Part]) -> list[str]:
    """Name the columns of the table that the parts of a term take."""
    return sorted({column for p in parts for column in used_columns(p)})


def _is_used_up(matrix: np.ndarray, codes: np.ndarray) -> bool:
    """Tell whether the fixed terms already tell every group apart."""
    indicator = np.zeros((len(codes), int(codes.max()) + 1))
    indicator[np.arange(len(codes)), codes] = 1.0
    projected = matrix @ np.linalg.lstsq(matrix, indicator, rcond=None)[0]
    return bool(np.abs(indicator - projected).max() < 1e-7)


def _is_constant(rows: pd.DataFrame, columns: Sequence[str], codes: np.ndarray) -> bool:
    counts = rows[list(columns)].groupby(codes).nunique()
    return bool((counts <= 1).to_numpy().all())


def _used_up_words(settings: Settings, term: str, group: str) -> str:
    unit = {"block": "mixing day", "batch": "batch", "ball": "ball", "judge": "judge"}.get(
        group, term_words(settings, group)
    )
    return (
        f"{term_words(settings, term)}: no {unit} is left over to judge by, so no range and no "
        "verdict."
    )
