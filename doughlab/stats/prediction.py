"""Predict new rows, random effects and residuals, and test for lack of fit.

Called by the methods of MixedFit.
Leaves the estimates to reml.py and inference.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from doughlab.errors import InputError, NotEstimable, OutOfRange, UnknownName
from doughlab.stats.design import Design
from doughlab.stats.inference import FTest, compute_moments, f_test, t_quantile
from doughlab.stats.optimum import optimise
from doughlab.stats.reml import confounded_terms, reduce_design
from doughlab.stats.terms import level_text

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.stats.result import MixedFit

Floats = NDArray[np.floating[Any]]


def read_settings(design: Design, rows: pd.DataFrame) -> Floats:
    """Turn a table of settings into model rows.

    Parameters
    ----------
    design : Design
    rows : DataFrame
        The columns of the fixed terms; other columns are not looked at.

    Returns
    -------
    array, shape (m, p)

    Raises
    ------
    UnknownName
        For a missing column or a level that the model does not have.
    InputError
        For a number that is blank.
    """
    needed = [*(f.column for f in design.factors.values()), *design.numbers]
    for name in needed:
        if name not in rows.columns:
            known = [str(c) for c in rows.columns]
            raise UnknownName("Column", name, known, where="Settings to predict")
    codes = {}
    for factor in design.factors.values():
        place = {text: i for i, text in enumerate(factor.levels)}
        texts = [level_text(v) for v in rows[factor.column]]
        for i, text in enumerate(texts):
            if text not in place:
                where = f"Settings to predict, row {i + 1}"
                raise UnknownName(f"Level of {factor.name}", text, factor.levels, where=where)
        codes[factor.name] = np.array([place[text] for text in texts], dtype=np.int64)
    numbers = {}
    for name in design.numbers:
        numbers[name] = rows[name].to_numpy(dtype=float, na_value=np.nan)
        if not np.isfinite(numbers[name]).all():
            row = int(np.flatnonzero(~np.isfinite(numbers[name]))[0])
            raise InputError(f"Settings to predict, row {row + 1}: {name} is not a number.")
    if not codes and not numbers:
        return np.ones((len(rows), design.matrix.shape[1]))
    return design.build_rows(codes, numbers)


def predict_rows(
    fit: MixedFit, rows: pd.DataFrame, *, new: str | Sequence[str], level: float
) -> pd.DataFrame:
    """Predict means and new values; see `MixedFit.predict`.

    The degrees of freedom of a new value match the first two moments of its estimated variance,
    with the covariance of the variances from the expected information (Satterthwaite 1946,
    Biometrics Bulletin 2, 110-114).
    """
    import pandas as pd

    check_level(level)
    parts = new_components(fit, new)
    matrix = read_settings(fit.design, rows)
    way = "kenward-roger" if fit.method == "reml" else "satterthwaite"
    mean = fit.test_rows(matrix, df=way)
    turned, good = fit.coordinates.convert(matrix)
    unit = fit.components / fit.scale**2
    extra = float(np.maximum(unit[parts], 0.0).sum())
    moments = fit.moments
    plain = np.einsum("ca,ab,cb->c", turned, moments.phi, turned) + extra
    slopes = np.stack([((turned @ d) * turned).sum(axis=1) for d in moments.d_phi], axis=1)
    slopes[:, parts] += 1.0
    weights = moments.w if way == "kenward-roger" else moments.s
    with np.errstate(divide="ignore", invalid="ignore"):
        df = 2.0 * plain**2 / np.einsum("ci,ij,cj->c", slopes, weights, slopes)
    df = np.where(good, df, np.nan) if len(parts) else mean.df
    sd = np.sqrt(mean.std_error**2 + extra * fit.scale**2)
    half = t_quantile(level, df) * sd
    return pd.DataFrame(
        {
            "estimate": mean.estimate,
            "std_error": mean.std_error,
            "sd": sd,
            "df": df,
            "ci_low": mean.estimate - half,
            "ci_high": mean.estimate + half,
        },
        index=rows.index,
    )


def new_components(fit: MixedFit, new: str | Sequence[str]) -> NDArray[np.int64]:
    """Choose the variances that a new value adds to the error of the mean.

    Parameters
    ----------
    fit : MixedFit
    new : "mean", "observation", or names of random terms

    Returns
    -------
    int array
        Positions in `fit.components`.
    """
    names = fit.random_names
    if isinstance(new, str):
        if new == "mean":
            return np.zeros(0, dtype=np.int64)
        if new == "observation":
            return np.arange(len(names))
        new = [new]
    for name in new:
        if name not in names:
            raise UnknownName("Random term", name, ["mean", "observation", *names], where="Model")
    return np.array(sorted(names.index(name) for name in new), dtype=np.int64)


def check_level(level: float) -> None:
    """Refuse an interval level that is not a share."""
    if not 0.0 < level < 1.0:
        raise OutOfRange(
            f"level={level} lies outside 0 to 1. For 95 % ranges write 0.95.",
            value=level,
            low=0.0,
            high=1.0,
        )


def predict_effects(fit: MixedFit, term: str, *, level: float) -> pd.DataFrame:
    """Predict the effect of every level of a random term; see `MixedFit.random_effects`.

    Best linear unbiased prediction, the error of the fixed coefficients included (Robinson 1991,
    Statistical Science 6, 15-32).
    """
    import pandas as pd

    check_level(level)
    names = fit.random_names[:-1]
    if term not in names:
        raise UnknownName("Random term", term, names, where="Model")
    i = names.index(term)
    unit = fit.components / fit.scale**2
    estimate, spread = fit.prepared.reduction.predict(fit.moments, unit)[i]
    estimate = fit.scale * estimate
    error = fit.scale * np.sqrt(np.maximum(spread, 0.0))
    half = float(ndtri(0.5 + 0.5 * level)) * error
    grouping = fit.prepared.groupings[i]
    return pd.DataFrame(
        {
            "term": [term] * len(estimate),
            "level": list(grouping.levels),
            "estimate": estimate,
            "std_error": error,
            "ci_low": estimate - half,
            "ci_high": estimate + half,
            "n": np.bincount(grouping.codes, minlength=len(estimate)),
        }
    )


def compute_residuals(fit: MixedFit, *, kind: str) -> pd.Series:
    """Compute residuals; see `MixedFit.residuals`."""
    import pandas as pd

    if kind not in ("conditional", "marginal"):
        raise InputError(f"kind='{kind}' is not known. Use 'conditional' or 'marginal'.")
    fitted = fit.design.matrix @ (fit.coordinates.back @ fit.moments.beta)
    rest = (fit.y - fit.shift) - fit.scale * fitted
    if kind == "conditional":
        found = fit.prepared.reduction.predict(fit.moments, fit.components / fit.scale**2)
        for grouping, (effect, _) in zip(fit.prepared.groupings, found, strict=True):
            rest = rest - fit.scale * effect[grouping.codes]
    return pd.Series(rest, index=fit.design.index, name="residual")


def compare_settings(fit: MixedFit) -> FTest:
    """Test the fixed terms against one mean per setting; see `MixedFit.lack_of_fit`."""
    cells, counts = _number_settings(fit.design.matrix)
    settings = np.zeros((len(cells), len(counts)))
    settings[np.arange(len(cells)), cells] = 1.0
    groupings = fit.prepared.groupings
    groups = [(g.codes, len(g.levels)) for g in groupings]
    larger = reduce_design(np.hstack([fit.design.matrix, settings]), groups)
    extra = larger.rank - fit.prepared.reduction.rank
    if extra == 0:
        raise NotEstimable("The fixed terms already give every setting a mean of its own.")
    if larger.dof < 1 or counts.max() == 1:
        raise NotEstimable("No setting was repeated, so lack of fit cannot be told from spread.")
    levels = [size for _, size in groups]
    lost = confounded_terms(larger.a, larger.dof, levels=levels) if groups else []
    if lost:
        name = groupings[lost[0]].name
        raise NotEstimable(
            f"No setting was repeated in another {name}, so lack of fit cannot be told from the "
            f"spread between levels of {name}."
        )
    beta, w, s0 = larger.project((fit.y - fit.shift) / fit.scale)
    if float(w @ w) + float(s0) <= 1e-20 * len(fit.y):
        raise NotEstimable("Repeats of a setting do not differ, so there is no spread to test by.")
    own_s0 = float(larger.floor_s0(s0))
    optimum = optimise(larger, w[None], np.array([own_s0]))
    variances = np.append(optimum.ratios[0], 1.0) * optimum.residual[0]
    moments = compute_moments(larger, beta, w, own_s0, variances)
    return f_test(moments, np.eye(larger.rank)[-extra:])


def _number_settings(matrix: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give each distinct row of a model matrix a number, whatever the units of its columns.

    Returns
    -------
    cells : int array, shape (n,)
    counts : int array, shape (settings,)
    """
    span = np.ptp(matrix, axis=0)
    place = (matrix - matrix.min(axis=0)) / np.where(span > 0, span, 1.0)
    _, cells, counts = np.unique(
        np.round(place, 10), axis=0, return_inverse=True, return_counts=True
    )
    return cells.ravel(), counts
