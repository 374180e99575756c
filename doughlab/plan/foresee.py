"""Foresight: the covariance of every comparison at assumed spreads, before there are data.

`precision` turns it into smallest differences and chances. It fits nothing: the covariance and
its degrees of freedom follow by algebra from the layout (Kenward-Roger at the assumed spreads).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.errors import NotEstimable
from doughlab.plan.model import ModelTerms, Row, choose_terms
from doughlab.stats.design import Design, build_design
from doughlab.stats.fit import Prepared, prepare_design
from doughlab.stats.inference import Moments, compute_moments, t_quantile, t_tests
from doughlab.stats.means import Grid, build_cells
from doughlab.stats.multiplicity import simultaneous_critical, tukey_isf
from doughlab.stats.reml import Reduction
from doughlab.stats.verdicts import chance_of_verdicts

if TYPE_CHECKING:
    from doughlab.sections import Assumed, Factor, Response
    from doughlab.settings import Settings

Floats = NDArray[np.floating[Any]]
LEVEL = 0.95


@dataclass(frozen=True)
class Foresight:
    """A response's model at assumed spreads.

    Attributes
    ----------
    settings : Settings
    response : Response
    terms : ModelTerms
    prepared : Prepared
        The layout reduced for the model.
    moments : Moments
        Covariances at the assumed spreads.
    variances : dict of str to float
        Random term to assumed variance, "residual" last; unit of the response squared.
    """

    settings: Settings
    response: Response
    terms: ModelTerms
    prepared: Prepared
    moments: Moments
    variances: dict[str, float]

    @property
    def design(self) -> Design:
        """The model matrix and its terms."""
        return self.prepared.design


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
    """

    level: str
    other: str
    std_error: float
    df: float
    critical: float
    critical_at: Callable[[Floats], Floats]


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
    frame = build_frame(settings, layout, terms)
    design, _ = build_design(frame, terms.formula, random=list(terms.random), response=False)
    prepared = prepare_design(design)
    variances = assume_variances(settings, response, assumed, terms, prepared)
    values = np.array(list(variances.values()))
    if values[-1] <= 0:
        raise NotEstimable(
            f"The assumed spread of balls of {response.words} is 0. Nothing varies so little."
        )
    red = cast(Reduction, prepared.reduction)  # the short form is only made on request
    zeros = np.zeros(red.basis.shape[1])
    inner_df = red.dof - red.basis.shape[1]
    moments = compute_moments(red, np.zeros(red.rank), zeros, values[-1] * inner_df, values)
    return Foresight(settings, response, terms, prepared, moments, variances)


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
    settings: Settings, response: Response, assumed: Assumed, terms: ModelTerms, prepared: Prepared
) -> dict[str, float]:
    """Give each random term of a response its assumed variance.

    A spread whose term is not in the model, because nothing shares it, is part of the residual.
    How severe a judge is in general is taken as large as judge_sd; with every judge tasting every
    sample it does not enter a comparison. Lots, and twins in one batch and hold, count as equal.
    """
    reading = 0.0
    if response.table == "readings":
        reading = assumed.reading_sd**2 / settings.reading_method.readings_per_ball
    known = {
        "block": assumed.day_sd**2,
        "session": assumed.session_sd**2,
        "batch": assumed.batch_sd**2,
        "judge": assumed.judge_sd**2,
        "ball": assumed.ball_sd**2 + reading,
    }
    found = {g.name: known.get(g.name, 0.0) for g in prepared.groupings}
    residual = 0.0 if "ball" in found else known["ball"]
    if response.kind == "score":
        residual += assumed.judge_sd**2
    if "batch" not in terms.random:
        residual += known["batch"]
    return found | {"residual": residual}


def compare(
    sight: Foresight, factor: Factor, *, contrast: str = "pairs", hold: str | None = None
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

    Returns
    -------
    list of Foreseen

    Raises
    ------
    NotEstimable
        When the factor has no unit left over to judge it by.
    """
    name = factor.name
    fitted = {t.name for t in sight.design.terms} - sight.prepared.lost_terms
    if name in sight.terms.not_estimable or name not in fitted:
        reason = next((n for n in sight.terms.notes if factor.words in n), "")
        raise NotEstimable(reason or f"{factor.words}: the plan cannot tell its levels apart.")
    levels = list(factor.levels)
    at: dict[str, Any] = dict.fromkeys(sight.design.numbers, 0.0)
    if name in sight.terms.centres:
        at[name] = [float(factor.value_of(v)) - sight.terms.centres[name] for v in levels]
    own = sight.settings.hold
    if hold is not None and own is not None and own.name != name:
        middle = sight.terms.centres.get(own.name)
        at[own.name] = hold if middle is None else float(own.value_of(hold)) - middle
    means = build_cells(sight.design, [name], Grid(at=at)).rows
    pairs, matrix = _contrasts(factor, levels, contrast)
    rows, good = sight.prepared.coordinates.convert(matrix @ means)
    tests = t_tests(sight.moments, rows)
    critical = _critical(contrast, len(levels), tests.covariance)
    kinds, place = np.unique(tests.df.round(6), return_inverse=True)
    half = critical(kinds)[place]
    return [
        Foreseen(level, other, float(tests.std_error[i]), float(tests.df[i]), float(half[i]),
                 critical)
        for i, (level, other) in enumerate(pairs)
        if good[i]
    ]  # fmt: skip


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


def _critical(contrast: str, k: int, covariance: Floats) -> Callable[[Floats], Floats]:
    """Give the half width of the question's simultaneous ranges as a function of the df."""
    if contrast == "slope" or k == 2:
        return lambda df: t_quantile(LEVEL, np.asarray(df))
    if contrast.startswith("vs:"):
        size = np.sqrt(np.diag(covariance))
        corr = covariance / size[:, None] / size[None, :]
        return lambda df: simultaneous_critical(LEVEL, corr, np.asarray(df))
    return lambda df: tukey_isf(1.0 - LEVEL, k, np.asarray(df)) / np.sqrt(2.0)


def smallest_difference(
    std_error: Floats, df: Floats, critical: Floats, *, chance: float | Floats
) -> Floats:
    """Find the true difference whose range leaves zero out with a given chance.

    Parameters
    ----------
    std_error, df, critical : array, shape (n,)
        Foreseen standard error, degrees of freedom and half width in standard errors.
    chance : float or array, shape (..., n)
        Such as 0.8 for four times in five.

    Returns
    -------
    array, shape of the chance and (n,) together
        In the unit of the standard error, to 1e-6 of it.

    Examples
    --------
    Two groups of 20: what is found with the chance 0.8689530 is one standard deviation.

    >>> se = np.array([(2 / 20) ** 0.5])
    >>> print(smallest_difference(se, np.array([38.0]), np.array([2.024394]), chance=0.868953))
    [1.]
    """
    shape = np.broadcast_shapes(np.shape(chance), std_error.shape)
    low, high = np.zeros(shape), np.ones(shape)
    while (found_chance(high, 1.0, df, critical) < chance).any():
        high = high * 2.0
    for _ in range(26):
        middle = (low + high) / 2.0
        enough = found_chance(middle, 1.0, df, critical) >= chance
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high * std_error


def found_chance(
    difference: Floats, std_error: Floats | float, df: Floats, critical: Floats
) -> Floats:
    """Compute the chance that the range of a true difference leaves zero out."""
    c = chance_of_verdicts(difference, std_error, df=df, margin=1.0, critical=critical)
    return c.matters + c.differs + c.real_but_small


def copy_layout(layout: Sequence[Row], copies: int) -> list[dict[str, Any]]:
    """Repeat a layout on further days, with batches, balls and sessions of their own."""
    own = ("block", "batch", "ball", "session", "water_lot", "flour_lot", "preferment_lot")
    return [
        {k: f"{v}/{c}" if k in own and v is not None else v for k, v in row.items()}
        for c in range(copies)
        for row in layout
    ]
