"""Fit a mixed model: the door of the statistics engine.

Called by analysis/, plan/ and anybody with a table of numbers.
Leaves matrices to design.py, variances to reml.py and all questions about the fit to result.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, NotEstimable, listed
from doughlab.stats.design import Design, Grouping, build_design
from doughlab.stats.estimable import (
    Coordinates,
    build_coordinates,
    difference_rows,
    empty_cells,
    explain_term,
    is_contained,
)
from doughlab.stats.grouped import (
    LEAST_LEVELS,
    GroupedReduction,
    build_profile,
    compute_grouped,
    reduce_grouped,
)
from doughlab.stats.inference import Moments, compute_moments
from doughlab.stats.optimum import Optimum, optimise, optimise_profile
from doughlab.stats.reml import (
    LEAST_RESIDUAL,
    Reduction,
    confounded_terms,
    reduce_design,
    unprojected,
)
from doughlab.stats.result import MixedFit

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating[Any]]

METHODS = ("reml", "ml")
CODINGS = ("sum", "treatment")
LARGEST = 1e140


def fit_mixed(
    data: pd.DataFrame,
    formula: str,
    *,
    random: Sequence[str] = (),
    method: str = "reml",
    allow_negative: bool = False,
    coding: str = "sum",
) -> MixedFit:
    """Fit a model with fixed terms and any number of random intercepts.

    Parameters
    ----------
    data : DataFrame
        One row per observation. A numeric column is a covariate, text or a Categorical a factor.
        Rows with a blank in a column of the model are left out and counted; "None" and "NA" typed
        as text are levels.
    formula : str
        Response and fixed terms, as in "y ~ block + a * b + I(x**2)"; ``C(x)`` makes a factor
        of a number, ``poly(x, 2)`` an orthogonal polynomial.
    random : sequence of str
        Random intercepts, as in ["block/plot", "rater"]; "a/b" stands for a and a:b. Empty:
        ordinary least squares.
    method : {"reml", "ml"}
        Restricted likelihood, or maximum likelihood for comparing likelihoods of models that differ
        in their fixed terms; Kenward-Roger inference needs "reml".
    allow_negative : bool
        Let variances be estimated below zero, as the classical analysis of strata does.
    coding : {"sum", "treatment"}
        How the coefficients are shown. Tests, means and the criterion do not depend on it.

    Returns
    -------
    MixedFit

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    InputError
        For a response that is not a number or reaches beyond 1e140 (or not to 1e-140), and for
        forms that are not fitted (random slopes).
    MissingRecords
        When no row is complete.
    NotEstimable
        When nothing of the model can be estimated.

    Notes
    -----
    The restricted criterion is that of sum-to-zero coding; another coding shifts it by a constant.
    A variance estimated at zero is reported as exactly 0.0, said in `notes`, kept by Kenward-Roger
    tests and left out by Satterthwaite tests. The Satterthwaite df of a term with several
    numerator df depend on the rows chosen (differences from the first level); Kenward-Roger df
    do not. Random slopes are not fitted.

    References
    ----------
    Patterson & Thompson (1971), Biometrika 58, 545-554; Kenward & Roger (1997), Biometrics 53,
    983-997. Checked in tests/reference/test_mixed_models_kenward1997.py.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({
    ...     "y": [5.61, 5.59, 5.52, 5.55, 5.44, 5.41, 5.47, 5.50],
    ...     "dose": ["low", "low", "low", "low", "high", "high", "high", "high"],
    ...     "plot": ["P1", "P1", "P2", "P2", "P3", "P3", "P4", "P4"],
    ... })
    >>> fit = fit_mixed(table, "y ~ dose", random=["plot"])
    >>> fit.anova().round(4).to_dict("records")
    [{'term': 'dose', 'df_num': 1, 'df_den': 2.0, 'statistic': 6.4696, 'p_value': 0.126}]
    """
    if method not in METHODS:
        raise InputError(f"method='{method}' is not known. Use 'reml' or 'ml'.")
    if coding not in CODINGS:
        raise InputError(f"coding='{coding}' is not known. Use 'sum' or 'treatment'.")
    design, y = build_design(data, formula, random=random)
    prepared = prepare_single(design, allow_negative=allow_negative)
    return fit_prepared(prepared, y, method=method, allow_negative=allow_negative, coding=coding)


@dataclass(frozen=True)
class Prepared:
    """A design, reduced and checked, that any number of responses can be fitted on.

    Attributes
    ----------
    design : Design
    reduction : Reduction or GroupedReduction
    groupings : tuple of Grouping
        The random terms that are fitted.
    coordinates : Coordinates
    not_estimable : dict of str to str
        Terms that cannot be estimated, with the reason; a random term that bears the name of a
        fixed one is called "random <name>".
    lost_terms : frozenset of str
        The fixed ones among them.
    notes : tuple of str
    """

    design: Design
    reduction: Reduction | GroupedReduction
    groupings: tuple[Grouping, ...]
    coordinates: Coordinates
    not_estimable: dict[str, str]
    lost_terms: frozenset[str]
    notes: tuple[str, ...]


def prepare_design(design: Design) -> Prepared:
    """Reduce a design and find what it cannot estimate.

    Parameters
    ----------
    design : Design

    Returns
    -------
    Prepared

    Raises
    ------
    NotEstimable
        When the fixed terms use up all rows, or none of them can be estimated.
    """
    reduction, groupings, reasons = reduce_terms(design)
    return complete_design(design, reduction, groupings, reasons)


def prepare_single(design: Design, *, allow_negative: bool = False) -> Prepared:
    """Prepare for a single fit: one random term with many levels goes the short way.

    Parameters
    ----------
    design : Design
    allow_negative : bool
        As in `fit_mixed`; the short way does not offer it.

    Returns
    -------
    Prepared

    Raises
    ------
    NotEstimable
        As `prepare_design`.
    """
    groupings = design.groupings
    if len(groupings) == 1 and len(groupings[0].levels) >= LEAST_LEVELS and not allow_negative:
        own = groupings[0]
        short = reduce_grouped(design.matrix, own.codes, len(own.levels))
        if short is not None and short.dof > 0 and not short.is_confounded():
            return complete_design(design, short, groupings, {})
    return prepare_design(design)


def complete_design(
    design: Design,
    reduction: Reduction | GroupedReduction,
    groupings: tuple[Grouping, ...],
    reasons: dict[str, str],
) -> Prepared:
    """Add the conversion of hypotheses and what cannot be estimated.

    Parameters
    ----------
    design : Design
    reduction : Reduction or GroupedReduction
    groupings : tuple of Grouping
    reasons : dict of str to str
        Random terms left out.
    """
    full = reduction.rank == design.matrix.shape[1]
    coordinates = build_coordinates(reduction.r_full, full_rank=full)
    fixed, notes = _check_terms(design, coordinates)
    lost_terms = frozenset(fixed)
    return Prepared(design, reduction, groupings, coordinates, reasons | fixed, lost_terms, notes)


def reduce_terms(design: Design) -> tuple[Reduction, tuple[Grouping, ...], dict[str, str]]:
    """Reduce a design, leaving out random terms whose variance cannot be told.

    Parameters
    ----------
    design : Design

    Returns
    -------
    reduction : Reduction
    groupings : tuple of Grouping
        The random terms that are left.
    reasons : dict of str to str
        The others, each with the reason.
    """
    groupings = design.groupings
    reduction = reduce_design(design.matrix, [(g.codes, len(g.levels)) for g in groupings])
    if reduction.dof < 1:
        n, rank = reduction.n, reduction.rank
        raise NotEstimable(
            f"{n} complete row{' is' if n == 1 else 's are'} not enough for the {rank} fixed "
            f"coefficient{'' if rank == 1 else 's'} of this model. Take terms out, or record more."
        )
    reasons: dict[str, str] = {}
    levels = [len(g.levels) for g in groupings]
    lost = confounded_terms(reduction.a, reduction.dof, levels=levels) if groupings else []
    if lost:
        fixed_names = {t.name for t in design.terms}
        for i in lost:
            name = groupings[i].name
            key = f"random {name}" if name in fixed_names else name
            reasons[key] = _explain_random(groupings, reduction, i, lost)
        groupings = tuple(g for i, g in enumerate(groupings) if i not in lost)
        reduction = reduce_design(design.matrix, [(g.codes, len(g.levels)) for g in groupings])
    return reduction, groupings, reasons


def _check_terms(
    design: Design, coordinates: Coordinates
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Find fixed terms that cannot be estimated, or only in part."""
    reasons: dict[str, str] = {}
    notes: list[str] = []
    any_part = False
    for term in design.terms:
        if not term.parts:
            continue
        if term.size and not coordinates.null.shape[1]:
            any_part = True
            continue
        rows = difference_rows(design, term)
        if len(rows) and coordinates.convert(rows)[1].all():
            any_part = True
            continue
        found = len(coordinates.estimable_part(rows)) if len(rows) else 0
        any_part |= found > 0
        empty = empty_cells(design, [p.name for p in term.parts])
        if found and len(term.parts) > 1 and empty and not is_contained(design, term):
            notes.append(
                f"{term.name} is tested on the combinations that have rows ({found} of {term.size} "
                f"degrees of freedom): no row has {listed(empty, shown=3)}."
            )
        else:
            reasons[term.name] = explain_term(design, coordinates.null, term)
    if reasons and not any_part:
        text = " ".join(f"{name}: {why}" for name, why in list(reasons.items())[:5])
        raise NotEstimable(f"None of the terms can be estimated. {text}")
    return reasons, tuple(notes)


def _explain_random(
    groupings: tuple[Grouping, ...], red: Reduction, i: int, lost: list[int]
) -> str:
    """Say why the variance of a random term cannot be told."""
    own = groupings[i]
    if len(own.levels) == len(own.codes):
        return (
            f"Every level of {own.name} has one row, so its spread cannot be told from the "
            "residual; it is part of the residual here."
        )
    if np.trace(red.a[i]) <= 1e-9 * red.n:
        return f"The fixed terms already tell every level of {own.name} apart; it was left out."
    kept = [g for j, g in enumerate(groupings) if j not in lost]
    for other in kept:
        pairs = {(int(a), int(b)) for a, b in zip(own.codes, other.codes, strict=True)}
        if len(pairs) == len(own.levels) == len(other.levels):
            return f"It groups the rows exactly as {other.name} does; it was left out."
    if not kept:
        return "Its spread cannot be told from the residual; it is part of the residual here."
    others = listed([g.name for g in kept])
    return f"Its spread cannot be told from that of {others}, which stands for both here."


def fit_prepared(
    prepared: Prepared,
    y: Floats,
    *,
    method: str = "reml",
    allow_negative: bool = False,
    coding: str = "sum",
) -> MixedFit:
    """Fit one response on a prepared design.

    Parameters
    ----------
    prepared : Prepared
    y : array, shape (n,)
    method, allow_negative, coding
        As in `fit_mixed`.

    Returns
    -------
    MixedFit
    """
    red, restricted = prepared.reduction, method == "reml"
    shift = _pivot(prepared.design, y)
    _check_size(float(np.abs(y - shift).max(initial=0.0)))
    if isinstance(red, GroupedReduction):
        found = _estimate_grouped(red, y - shift, restricted=restricted)
        if found is None:
            return fit_prepared(prepare_design(prepared.design), y, method=method, coding=coding)
    else:
        groups = None if restricted else [(g.codes, len(g.levels)) for g in prepared.groupings]
        found = _estimate_dense(red, y - shift, groups=groups, allow_negative=allow_negative)
    optimum, variances, moments, scale = found
    dof = red.dof if restricted else red.n
    criterion = float(optimum.criterion[0]) + dof * (
        1.0 + np.log(2.0 * np.pi) - np.log(dof) + 2.0 * np.log(scale)
    )
    if restricted:
        criterion += red.log_det
    notes = (*_dropped_note(prepared.design), *prepared.notes, *_fit_notes(prepared, optimum))
    return MixedFit(
        prepared=prepared,
        y=y,
        shift=shift,
        scale=scale,
        method=method,
        coding=coding,
        criterion=criterion,
        components=variances * scale**2,
        slopes=np.append(optimum.gradient[0], 0.0),
        moments=moments,
        notes=notes,
        allow_negative=allow_negative,
    )


Estimate = tuple[Optimum, Floats, Moments, float]


def _estimate_dense(
    red: Reduction,
    y: Floats,
    *,
    groups: list[tuple[NDArray[np.integer[Any]], int]] | None,
    allow_negative: bool,
) -> Estimate:
    """Estimate on a reduced design, by unrestricted likelihood where groups are given.

    The variances and moments are those of y / scale.
    """
    beta0, w, s0 = red.project(y)
    scale = _scale(float(w @ w) + float(s0), red.dof, y)
    ml = None if groups is None else unprojected(groups, red.n)
    unit_w, unit_s0 = w / scale, float(red.floor_s0(s0 / scale**2))
    optimum = optimise(red, unit_w[None], np.array([unit_s0]), allow_negative=allow_negative, ml=ml)
    variances = np.append(optimum.ratios[0], 1.0) * optimum.residual[0]
    moments = compute_moments(red, beta0 / scale, unit_w, unit_s0, variances, ml=ml)
    return optimum, variances, moments, scale


def _estimate_grouped(red: GroupedReduction, y: Floats, *, restricted: bool) -> Estimate | None:
    """Estimate on a grouped design; None where rows within groups hardly differ."""
    scale = _scale(build_profile(red, y, restricted=restricted).total, red.dof, y)
    profile = build_profile(red, y / scale, restricted=restricted)
    if profile.within < 1e-6 * profile.total:
        return None
    optimum = optimise_profile(profile)
    variances = np.append(optimum.ratios[0], 1.0) * optimum.residual[0]
    return optimum, variances, compute_grouped(profile, variances), scale


def _scale(total: float, dof: int, y: Floats) -> float:
    """Give the residual spread, or refuse a response without any."""
    scale = float(np.sqrt(total / dof))
    if scale <= 1e-13 * max(float(np.abs(y).max()), 1e-300):
        raise NotEstimable(
            "The response does not vary about the fixed terms at all, so no error can be "
            "estimated. Check that the column holds measured values."
        )
    return scale


def _check_size(largest: float) -> None:
    """Refuse responses whose squares no number holds."""
    if largest > LARGEST or 0.0 < largest < 1.0 / LARGEST:
        raise InputError(
            f"The response reaches {largest:.0e}, and its square cannot be calculated. Enter it in "
            "another unit."
        )


def _pivot(design: Design, y: Floats) -> float:
    """Choose a number to subtract first, so that a large common part costs no digits."""
    if not design.terms or design.terms[0].parts:
        return 0.0
    return float(y[0])


def _dropped_note(design: Design) -> tuple[str, ...]:
    if not design.n_dropped:
        return ()
    rows = "1 row" if design.n_dropped == 1 else f"{design.n_dropped} rows"
    return (f"{rows} with a blank left out, {len(design.index)} used.",)


def _fit_notes(prepared: Prepared, optimum: Optimum) -> list[str]:
    """Say what is shaky about the estimated variances."""
    notes = []
    names = [g.name for g in prepared.groupings]
    for name, ratio in zip(names, optimum.ratios[0], strict=True):
        if ratio == 0.0:
            notes.append(
                f"The variance of {name} is estimated at zero. Kenward-Roger tests keep the term "
                "and are cautious; Satterthwaite tests leave it out."
            )
        elif ratio < 0.0:
            notes.append(
                f"The variance of {name} is estimated below zero, as the classical analysis of "
                "strata allows; read it as zero spread."
            )
    if optimum.residual[0] < 10.0 * LEAST_RESIDUAL:
        notes.append(
            "The residual is estimated at zero: rows that share their levels do not differ. Only "
            "tests between groups mean anything here."
        )
    if not optimum.settled[0]:
        worst = float(np.abs(optimum.gradient[0]).max())
        notes.append(f"The search for the variances did not settle (largest gradient {worst:.1e}).")
    for term in prepared.design.terms:
        kinds = [p.name in prepared.design.factors for p in term.parts]
        if any(kinds) and not all(kinds):
            number = next(p.name for p, k in zip(term.parts, kinds, strict=True) if not k)
            notes.append(
                f"With {term.name} in the model, tests of its factors are made where {number} is "
                f"0; subtract a typical value from {number} to test there."
            )
    return notes
