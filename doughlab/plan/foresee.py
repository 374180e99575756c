"""Foresight: the range of every comparison at assumed spreads, before there are data.

`precision` turns it into smallest differences and chances. By algebra from the layout where the
strata are clean (Kenward-Roger at the assumed spreads), else from trials invented and fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.errors import NotEstimable
from doughlab.plan.chances import chance_error
from doughlab.plan.instrument import mean_spread
from doughlab.plan.looks import USUAL, judged_level
from doughlab.plan.model import ModelTerms, Row, choose_terms
from doughlab.stats.design import Design
from doughlab.stats.fit import Prepared
from doughlab.stats.inference import Moments, compute_moments, t_quantile, t_tests
from doughlab.stats.means import Grid, build_cells
from doughlab.stats.multiplicity import simultaneous_critical, tukey_isf
from doughlab.stats.repeat import join_tests
from doughlab.stats.simulate import ContrastSet, FixedDesign, ManyTests

if TYPE_CHECKING:
    from doughlab.sections import Assumed, Factor, Response
    from doughlab.settings import Settings

Floats = NDArray[np.floating[Any]]
DRAWS = 3000  # the most trials that are invented where algebra does not do
_AT_FIRST = 300
_TRUE_TO = 0.007  # standard error of a chance at which no more are invented
_CLEAN = 0.005  # share by which the adjusted covariance may exceed the plain one


@dataclass(frozen=True)
class Foresight:
    """A response's model at assumed spreads.

    Attributes
    ----------
    settings : Settings
    response : Response
    terms : ModelTerms
    fixed : FixedDesign
        The layout reduced for the model.
    moments : Moments
        Covariances at the assumed spreads.
    variances : dict of str to float
        Random term to assumed variance, "residual" last; unit of the response squared.
    level : float
        Of the ranges that verdicts will be read from; above 0.95 where looks share the error.
    """

    settings: Settings
    response: Response
    terms: ModelTerms
    fixed: FixedDesign
    moments: Moments
    variances: dict[str, float]
    level: float = USUAL

    @property
    def prepared(self) -> Prepared:
        """The layout, checked for what it can estimate."""
        return self.fixed.prepared

    @property
    def design(self) -> Design:
        """The model matrix and its terms."""
        return self.prepared.design

    def at(self, variances: Mapping[str, float]) -> Foresight:
        """Foresee the same layout at other variances.

        Parameters
        ----------
        variances : mapping
            Random terms to variances above 0, or 0 for all but "residual"; others stay.

        Returns
        -------
        Foresight
        """
        changed = {name: float(variances.get(name, v)) for name, v in self.variances.items()}
        return replace(self, moments=_moments(self.fixed, changed), variances=changed)


@dataclass(frozen=True)
class Foreseen:
    """One comparison before the data.

    Attributes
    ----------
    level, other : str
        Levels compared.
    std_error : float
        Foreseen standard error, in the unit of the response.
    df : float
        Foreseen degrees of freedom.
    critical : float
        Half width of the simultaneous 95 % range in standard errors.
    critical_at : function
        The same at other degrees of freedom, for more batches.
    draws : tuple of two arrays or None
        Over invented trials, where algebra does not do: how far the estimate lies from the best
        one, whose error is `std_error`, and half widths of the range.
    """

    level: str
    other: str
    std_error: float
    df: float
    critical: float
    critical_at: Callable[[Floats], Floats]
    draws: tuple[Floats, Floats] | None = None


def foresee(
    settings: Settings,
    layout: Sequence[Row],
    response: Response,
    *,
    terms: ModelTerms | None = None,
) -> Foresight:
    """Find the covariances of a response's model at its assumed spreads.

    Parameters
    ----------
    settings : Settings
        With `assumed` for the response.
    layout : sequence of dict
        As from `build_layout`.
    response : Response
    terms : ModelTerms, optional
        Chosen from the layout unless given.

    Returns
    -------
    Foresight

    Raises
    ------
    NotEstimable
        When no spread is assumed, or the layout has too few rows.

    Notes
    -----
    Every judge is planned to taste every sample, so a score is foreseen from the mean of a ball's
    judges: by algebra that gives the ranges of the full model, in which judges cancel.
    """
    assumed = settings.assumed.get(response.name)
    if assumed is None:
        raise NotEstimable(
            f"No spread is assumed for {response.words}: add [assumed.{response.name}] with "
            "batch_sd and ball_sd to trial.toml."
        )
    if not layout:
        raise NotEstimable(f"The plan has no ball for {response.words}: set balls = 1 or more.")
    terms = terms or choose_terms(settings, layout, response)
    judges = len({row["judge"] for row in layout}) if response.kind == "score" else 0
    if "ball" in terms.random:
        layout = list({row["ball"]: row for row in layout}.values())
    frame = build_frame(settings, layout, terms)
    random = [name for name in terms.random if name not in {"ball", "judge"}]
    fixed = FixedDesign(frame, terms.formula, random=random)
    variances = assume_variances(settings, response, assumed, terms, fixed.prepared, judges)
    if variances["residual"] <= 0:
        raise NotEstimable(
            f"The assumed spread of balls of {response.words} is 0. Nothing varies so little."
        )
    level = judged_level(settings.looks, len({row["batch"] for row in layout}))
    moments = _moments(fixed, variances)
    return Foresight(settings, response, terms, fixed, moments, variances, level)


def _moments(fixed: FixedDesign, variances: Mapping[str, float]) -> Moments:
    """Compute the covariances of a design whose variances, residual last, are known."""
    red, values = fixed.reduction, np.array(list(variances.values()))
    zeros = np.zeros(red.basis.shape[1])
    inner_df = red.dof - red.basis.shape[1]
    return compute_moments(red, np.zeros(red.rank), zeros, values[-1] * inner_df, values)


def build_frame(settings: Settings, layout: Sequence[Row], terms: ModelTerms) -> pd.DataFrame:
    """Turn a layout into the table the model is written for.

    Returns
    -------
    DataFrame
        Levels as categories in the order of trial.toml, two-level numbers minus their middle.
    """
    frame = pd.DataFrame(list(layout))
    for factor in settings.factors.values():
        if factor.name in terms.centres:
            values = {v: float(factor.value_of(v)) - terms.centres[factor.name]
                      for v in factor.levels}  # fmt: skip
            frame[factor.name] = frame[factor.name].map(values).astype(float)
        else:
            frame[factor.name] = pd.Categorical(frame[factor.name], categories=factor.levels)
    return frame


def assume_variances(
    settings: Settings,
    response: Response,
    assumed: Assumed,
    terms: ModelTerms,
    prepared: Prepared,
    judges: int = 0,
) -> dict[str, float]:
    """Give each random term of a response its assumed variance.

    A spread whose term is not in the model, because nothing shares it, is part of the residual.
    Flour and preferment lots, and twins in one batch and hold, count as equal. With `judges` each
    value is the mean of so many judges of one ball; how severe a judge is in general cancels. Where
    every batch gives one ball to taste, its balls' spread is part of the batches' and each value is
    one judge's.
    """
    residual, of_ball = assumed.ball_sd**2, 0.0
    method = settings.reading_method
    if response.table == "readings" and response.column == "ph":
        residual += mean_spread(method, assumed.reading_sd) ** 2
    elif response.table == "readings":
        residual += assumed.reading_sd**2 / method.readings_per_ball
    if judges and scores_stand_alone(terms, judges):
        residual, of_ball = assumed.judge_sd**2, residual
    elif judges:
        residual += assumed.judge_sd**2 / judges
    # a filling for each batch is one of the ways in which batches differ
    own_lots = settings.blocks.water_lots in {"", "batch"}
    batch = assumed.batch_sd**2 + of_ball + (assumed.lot_sd**2 if own_lots else 0.0)
    if "batch" not in terms.random:
        residual += batch
    known = {
        "block": assumed.day_sd**2,
        "session": assumed.session_sd**2,
        "batch": batch,
        "water_lot": assumed.lot_sd**2,
    }
    return {g.name: known.get(g.name, 0.0) for g in prepared.groupings} | {"residual": residual}


def scores_stand_alone(terms: ModelTerms, judges: int) -> bool:
    """Tell whether each score is a row of its own: several judges taste one ball of each batch."""
    return judges > 1 and "ball" not in terms.random


def compare(
    sight: Foresight,
    factor: Factor,
    *,
    contrast: str = "pairs",
    hold: str | None = None,
    seed: int = 0,
) -> list[Foreseen]:
    """Foresee the comparisons of a factor's levels, as the analysis will make them.

    Parameters
    ----------
    sight : Foresight
    factor : Factor
    contrast : "pairs", "vs:<level>" or "slope"
        Tukey, Dunnett, or the change from end to end along a line.
    hold : str, optional
        Level of the hold; averaged over all holds without it.
    seed : int
        Of the invented trials, where they are needed.

    Returns
    -------
    list of Foreseen

    Raises
    ------
    NotEstimable
        When the factor has no unit left over to judge it by.
    """
    return compare_all(sight, [ask(sight, factor, contrast=contrast, hold=hold)], seed=seed)[0]


def compare_all(
    sight: Foresight, families: Sequence[Asked], *, seed: int = 0, draw: bool = True
) -> list[list[Foreseen]]:
    """Foresee several families of comparisons; where trials are invented, the same for all.

    Parameters
    ----------
    sight : Foresight
    families : sequence of Asked
    seed : int
    draw : bool
        False: by algebra even where that is a little off, for numbers that are only set beside
        others.

    Returns
    -------
    list of list of Foreseen
        One list for each family; empty where the layout tells none of its levels apart.
    """
    found = [_by_algebra(sight, asked) if asked.pairs else [] for asked in families]
    unclean = {}
    for i, (asked, own) in enumerate(zip(families, found, strict=True)):
        plain = np.einsum("ca,ab,cb->c", asked.turned, sight.moments.phi, asked.turned)
        adjusted = np.array([f.std_error**2 for f in own])
        if draw and not (np.abs(adjusted / plain - 1.0) <= _CLEAN).all():
            unclean[i] = [replace(f, std_error=float(v**0.5))
                          for f, v in zip(own, plain, strict=True)]  # fmt: skip
    if unclean:
        drawn = _by_drawing(sight, [families[i] for i in unclean], list(unclean.values()), seed)
        for i, own in zip(unclean, drawn, strict=True):
            found[i] = own
    return found


@dataclass(frozen=True)
class Asked:
    """The comparisons of a factor's levels as hypotheses about the coefficients.

    Attributes
    ----------
    pairs : tuple of two texts each
        Levels compared; empty where the layout can tell none of them apart.
    rows : array, shape (c, p)
        Of the coefficients.
    turned : array, shape (c, rank)
        The same in the coordinates of the fit.
    contrast : str
    k : int
        Levels of the factor.
    level : float
        Of the ranges.
    """

    pairs: tuple[tuple[str, str], ...]
    rows: Floats
    turned: Floats
    contrast: str
    k: int
    level: float

    def as_family(self) -> ContrastSet:
        """Give them as one family of simultaneous comparisons."""
        kind = {"vs:": "reference", "slo": "own"}.get(self.contrast[:3], "pairs")
        kind = "own" if self.k == 2 else kind
        return ContrastSet(tuple(map("-".join, self.pairs)), self.rows, kind, self.k)

    def critical(self, covariance: Floats) -> Callable[[Floats], Floats]:
        """Give the half width of the ranges, in standard errors, as a function of the df."""
        return _critical(self.contrast, self.k, covariance, self.level)


def ask(sight: Foresight, factor: Factor, *, contrast: str, hold: str | None) -> Asked:
    """Set up the comparisons of a factor's levels; parameters and errors as for `compare`."""
    name = factor.name
    fitted = {t.name for t in sight.design.terms} - sight.prepared.lost_terms
    if name in sight.terms.not_estimable or name not in fitted:
        reason = sight.terms.reasons.get(name) or sight.prepared.not_estimable.get(name)
        raise NotEstimable(reason or f"{factor.words}: the plan cannot tell its levels apart.")
    levels = factor.compared(contrast)
    pairs, matrix = _contrasts(factor, levels, contrast)
    rows = matrix @ _mean_rows(sight, factor, levels, hold)
    turned, good = sight.prepared.coordinates.convert(rows)
    kept = tuple(pair for pair, ok in zip(pairs, good, strict=True) if ok)
    return Asked(kept, rows[good], turned[good], contrast, len(levels), sight.level)


def _mean_rows(sight: Foresight, factor: Factor, levels: Sequence[str], hold: str | None) -> Floats:
    """Give the coefficients of the mean of each level of a factor that is compared."""
    name, own = factor.name, sight.settings.hold
    at: dict[str, Any] = dict.fromkeys(sight.design.numbers, 0.0)
    if name in sight.terms.centres:
        at[name] = [float(factor.value_of(v)) - sight.terms.centres[name] for v in levels]
    if hold is not None and own is not None and own.name != name:
        middle = sight.terms.centres.get(own.name)
        at[own.name] = hold if middle is None else float(own.value_of(hold)) - middle
    return build_cells(sight.design, [name], Grid(at=at)).rows


def _by_algebra(sight: Foresight, asked: Asked) -> list[Foreseen]:
    tests = t_tests(sight.moments, asked.turned)
    critical = asked.critical(tests.covariance)
    kinds, place = np.unique(tests.df.round(6), return_inverse=True)
    half = critical(kinds)[place]
    return [
        Foreseen(level, other, float(tests.std_error[i]), float(tests.df[i]), float(half[i]),
                 critical)
        for i, (level, other) in enumerate(asked.pairs)
    ]  # fmt: skip


def _by_drawing(
    sight: Foresight, families: Sequence[Asked], found: Sequence[Sequence[Foreseen]], seed: int
) -> list[list[Foreseen]]:
    """Invent trials without any difference, fit them, and keep shifts and half widths.

    A difference shifts every estimate by itself and leaves the range's length as it is, so one
    set of trials answers for all differences. The best estimate (variances known) is independent
    of both, so its error is left to algebra, and a few hundred trials say enough.
    """
    rng = np.random.default_rng(seed)
    rows = np.concatenate([asked.rows for asked in families])
    together = ContrastSet(tuple(map(str, range(len(rows)))), rows, "own", 2)
    parts: list[ManyTests] = []
    have, wanted = 0, _AT_FIRST
    while True:
        noise = _invent(sight, rng, wanted - have)
        tests = sight.fixed.test_many(noise, terms=[], contrasts=together)
        best = sight.fixed.estimate_at(noise, together, list(sight.variances.values()))
        parts.append(replace(tests, estimate=tests.estimate - best))
        out = _read_draws(sight, families, found, join_tests(parts))
        have = wanted
        error = max(chance_error(f, sight.response.margin) for own in out for f in own)
        if error <= _TRUE_TO or have >= DRAWS:
            return out
        # the error falls with the root of their number: go straight to where it will do
        wanted = min(DRAWS, 100 * ceil(have * (error / _TRUE_TO) ** 2 / 100))


def _invent(sight: Foresight, rng: np.random.Generator, trials: int) -> Floats:
    """Draw the errors of trials at the assumed spreads, shape (n, trials)."""
    noise: Floats = rng.normal(0.0, sight.variances["residual"] ** 0.5, (sight.fixed.n, trials))
    for g in sight.prepared.groupings:
        spread = sight.variances[g.name] ** 0.5
        noise += rng.normal(0.0, 1.0, (len(g.levels), trials))[g.codes] * spread
    return noise


def _read_draws(
    sight: Foresight,
    families: Sequence[Asked],
    found: Sequence[Sequence[Foreseen]],
    tests: ManyTests,
) -> list[list[Foreseen]]:
    """Give every family its shifts and its simultaneous half widths."""
    out, start = [], 0
    for asked, own in zip(families, found, strict=True):
        part = slice(start, start := start + len(asked.pairs))
        mine = replace(
            tests,
            contrasts=asked.as_family(),
            estimate=tests.estimate[:, part],
            std_error=tests.std_error[:, part],
            df=tests.df[:, part],
            correlation=tests.correlation[part, part],
        )
        half = mine.half_widths(sight.level)
        out.append([replace(f, draws=(mine.estimate[:, i], half[:, i])) for i, f in enumerate(own)])
    return out


def _contrasts(
    factor: Factor, levels: Sequence[str], contrast: str
) -> tuple[list[tuple[str, str]], Floats]:
    """Give the pairs compared and their coefficients over the levels' means."""
    eye = np.eye(len(levels))
    if contrast == "slope":
        x = np.array([float(factor.value_of(v)) for v in levels])
        centred = x - x.mean()
        line = centred / (centred @ centred) * (x.max() - x.min())
        return [(levels[int(x.argmax())], levels[int(x.argmin())])], line[None]
    if contrast.startswith("vs:"):
        base = levels.index(contrast[3:])
        rest = [i for i in range(len(levels)) if i != base]
        return [(levels[i], levels[base]) for i in rest], np.stack(
            [eye[i] - eye[base] for i in rest]
        )
    both = list(combinations(range(len(levels)), 2))
    return [(levels[i], levels[j]) for i, j in both], np.stack([eye[i] - eye[j] for i, j in both])


def _critical(
    contrast: str, k: int, covariance: Floats, level: float
) -> Callable[[Floats], Floats]:
    """Give the half width of the question's simultaneous ranges as a function of the df."""
    if contrast == "slope" or k == 2:
        return lambda df: t_quantile(level, np.asarray(df))
    if contrast.startswith("vs:"):
        size = np.sqrt(np.diag(covariance))
        corr = covariance / size[:, None] / size[None, :]
        return lambda df: simultaneous_critical(level, corr, np.asarray(df))
    return lambda df: tukey_isf(1.0 - level, k, np.asarray(df)) / np.sqrt(2.0)


def copy_layout(layout: Sequence[Row], copies: int) -> list[dict[str, Any]]:
    """Repeat a layout on further days, with batches, balls and sessions of their own."""
    own = ("block", "batch", "ball", "session", "water_lot", "flour_lot", "preferment_lot")
    return [
        {k: f"{v}/{c}" if k in own and v is not None else v for k, v in row.items()}
        for c in range(copies)
        for row in layout
    ]
