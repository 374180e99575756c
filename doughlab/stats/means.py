"""Adjusted means, contrasts and slopes of a fitted model.

Called by the methods of MixedFit; every number is a row of coefficients tested in inference.py.
Leaves the contrast vectors and their adjustment to families.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, UnknownName
from doughlab.stats.design import Design, Factor
from doughlab.stats.families import Family, adjust_tests, build_family, choose_adjustment
from doughlab.stats.inference import TTests, f_tests, t_quantile
from doughlab.stats.terms import level_text

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.stats.result import MixedFit

Floats = NDArray[np.floating[Any]]

COLUMNS = [
    "term",
    "level",
    "contrast",
    "estimate",
    "std_error",
    "df",
    "statistic",
    "p_value",
    "ci_low",
    "ci_high",
]


@dataclass(frozen=True)
class Grid:
    """What adjusted means are averaged over.

    Attributes
    ----------
    at : mapping
        Column to a number, a level, or a list of them. Numbers not named stand at their mean,
        factors not named are averaged over all their levels.
    weights : {"equal", "observed"}
        Whether the combinations averaged over count alike, or as often as they have rows.
    """

    at: Mapping[str, Any] = field(default_factory=dict)
    weights: str = "equal"


@dataclass(frozen=True)
class Cells:
    """Adjusted means as rows of coefficients.

    Attributes
    ----------
    labels : list of tuple of str
        Levels of the named columns, one tuple per mean; the last column runs fastest.
    rows : array, shape (m, p)
    """

    labels: list[tuple[str, ...]]
    rows: Floats


def split_names(names: str | Sequence[str] | None) -> list[str]:
    """Read "a:b", ["a", "b"] or None as a list of names."""
    if names is None:
        return []
    if isinstance(names, str):
        return [part.strip() for part in names.split(":") if part.strip()]
    return [str(n) for n in names]


def build_cells(design: Design, names: Sequence[str], grid: Grid) -> Cells:
    """Build the rows of coefficients of adjusted means.

    Parameters
    ----------
    design : Design
    names : sequence of str
        Factors, or numbers that `grid.at` gives values for.
    grid : Grid

    Returns
    -------
    Cells

    Raises
    ------
    UnknownName
        For a factor, number or level that the model does not have.
    """
    if grid.weights not in ("equal", "observed"):
        raise InputError(f"weights='{grid.weights}' is not known. Use 'equal' or 'observed'.")
    at = _read_at(design, grid.at)
    focal = [_read_focal(design, name, at) for name in names]
    others = [f for f in design.factors.values() if f.name not in [key for key, _, _ in focal]]
    axes = [(key, values) for key, values, _ in focal]
    axes += [(f.name, at.get(f.name, np.arange(len(f.levels)))) for f in others]
    shape = [len(values) for _, values in axes] or [1]
    index = np.indices(shape).reshape(len(shape), -1)
    size = index.shape[1]
    codes: dict[str, NDArray[np.int64]] = {}
    numbers = {
        name: np.broadcast_to(at[name] if name in at else np.array([column.mean()]), (size,))
        for name, column in design.numbers.items()
        if name not in [key for key, _, _ in focal]
    }
    for (key, values), place in zip(axes, index, strict=False):
        (codes if key in design.factors else numbers)[key] = np.asarray(values)[place]
    rows = design.build_rows(codes, numbers)
    m = int(np.prod(shape[: len(focal)])) if focal else 1
    weights = _other_weights(others, codes, size) if grid.weights == "observed" else np.ones(size)
    weights = weights.reshape(m, -1)
    total = weights.sum(axis=1, keepdims=True)
    weights = weights / np.where(total > 0, total, 1.0)
    averaged = np.einsum("mw,mwp->mp", weights, rows.reshape(m, size // m, -1))
    texts = [labels for _, _, labels in focal]
    places = np.indices([len(t) for t in texts]).reshape(len(texts), -1).T if texts else [()]
    return Cells([tuple(t[i] for t, i in zip(texts, p, strict=True)) for p in places], averaged)


def _read_at(design: Design, at: Mapping[str, Any]) -> dict[str, NDArray[Any]]:
    """Turn the values of `at` into level positions or numbers."""
    found: dict[str, NDArray[Any]] = {}
    for name, value in at.items():
        many = list(value) if isinstance(value, list | tuple | np.ndarray) else [value]
        if name in design.numbers:
            found[name] = np.array([float(v) for v in many])
            continue
        if name not in design.factors and f"C({name})" not in design.factors:
            known = [*design.factors, *design.numbers]
            raise UnknownName("Factor", name, known, where="Model")
        factor = design.factor(name)
        found[factor.name] = np.array([find_level(factor, v) for v in many])
    return found


def find_level(factor: Factor, value: Any) -> int:
    """Find the position of a level by its text or its number."""
    text = level_text(value)
    if text not in factor.levels:
        raise UnknownName(f"Level of {factor.name}", text, factor.levels, where="Model")
    return factor.levels.index(text)


def _read_focal(
    design: Design, name: str, at: Mapping[str, NDArray[Any]]
) -> tuple[str, NDArray[Any], list[str]]:
    """Give key, values and labels of a column that means are asked for."""
    if name in design.numbers and name not in design.factors:
        if name not in at:
            raise InputError(
                f"'{name}' is a number in this model. Say where its means are wanted, as in "
                f"at={{'{name}': [8, 24]}}, or ask for fit.slope('{name}')."
            )
        return name, at[name], [level_text(v) for v in at[name]]
    factor = design.factor(name)
    values = at.get(factor.name, np.arange(len(factor.levels)))
    return factor.name, values, [factor.levels[i] for i in values]


def _other_weights(others: list[Factor], codes: Mapping[str, Any], size: int) -> Floats:
    """Count the rows of each combination that is averaged over."""
    if not others:
        return np.ones(size)
    shape = tuple(len(f.levels) for f in others)
    cell = np.ravel_multi_index(tuple(f.codes for f in others), shape)
    counts = np.bincount(cell, minlength=int(np.prod(shape))).astype(float)
    asked = np.ravel_multi_index(tuple(codes[f.name] for f in others), shape)
    return counts[asked]


def tabulate(
    tests: TTests,
    labels: Mapping[str, Sequence[str]],
    *,
    level: float,
    factor: Floats | None = None,
) -> pd.DataFrame:
    """Lay tests out with the fixed columns.

    Parameters
    ----------
    tests : TTests
    labels : mapping
        Texts for term, level and contrast.
    level : float
        Of the intervals.
    factor : array or None
        Half width in standard errors; None for single t intervals.
    """
    import pandas as pd

    if not 0.0 < level < 1.0:
        raise InputError(f"level={level} lies outside 0 to 1. For 95 % ranges write 0.95.")
    half = tests.std_error * (t_quantile(level, tests.df) if factor is None else factor)
    return pd.DataFrame(
        {
            **{name: list(texts) for name, texts in labels.items()},
            "estimate": tests.estimate,
            "std_error": tests.std_error,
            "df": tests.df,
            "statistic": tests.statistic,
            "p_value": tests.p_value,
            "ci_low": tests.estimate - half,
            "ci_high": tests.estimate + half,
        }
    )


def compute_means(
    fit: MixedFit, names: str | Sequence[str], *, grid: Grid, level: float, df: str | None
) -> pd.DataFrame:
    """Compute adjusted means; see `MixedFit.means`."""
    listed = split_names(names)
    cells = build_cells(fit.design, listed, grid)
    tests = fit.test_rows(cells.rows, df=df)
    count = len(cells.labels)
    labels = {
        "term": [":".join(listed) or "mean"] * count,
        "level": [":".join(label) for label in cells.labels],
        "contrast": [""] * count,
    }
    return tabulate(tests, labels, level=level)


@dataclass(frozen=True)
class ContrastRequest:
    """What contrasts are wanted.

    Attributes
    ----------
    names, by : list of str
    method : str or mapping
    adjust, reference : str or None
    level : float
    df : str or None
    """

    names: list[str]
    by: list[str]
    method: str | Mapping[str, Sequence[float]]
    adjust: str | None
    reference: str | None
    level: float
    df: str | None


def compute_contrasts(fit: MixedFit, request: ContrastRequest, grid: Grid) -> pd.DataFrame:
    """Compute contrasts of adjusted means; see `MixedFit.contrasts`."""
    import pandas as pd

    cells = build_cells(fit.design, [*request.by, *request.names], grid)
    depth = len(request.by)
    groups: dict[tuple[str, ...], list[int]] = {}
    for i, label in enumerate(cells.labels):
        groups.setdefault(label[:depth], []).append(i)
    tables = []
    adjust = ""
    reference = request.reference
    for label, members in groups.items():
        levels = [":".join(cells.labels[i][depth:]) for i in members]
        if request.adjust == "dunnett" and reference is None:
            reference = levels[0]
        family = build_family(levels, request.method, reference)
        adjust = choose_adjustment(request.adjust, family)
        tests = fit.test_rows(family.matrix @ cells.rows[members], df=request.df)
        p, factor = adjust_tests(tests, family, adjust, level=request.level)
        labels = {
            "term": [":".join(request.names)] * len(family.labels),
            "level": [":".join(label)] * len(family.labels),
            "contrast": family.labels,
        }
        table = tabulate(tests, labels, level=request.level, factor=factor)
        table["p_value"] = p
        tables.append(table)
    table = pd.concat(tables, ignore_index=True) if len(tables) > 1 else tables[0]
    table.attrs["adjust"] = adjust
    table.attrs["family"] = f"{len(tables[0])} contrasts" + (" per group" if depth else "")
    return table


def compute_simple_effects(
    fit: MixedFit, names: Sequence[str], by: Sequence[str], *, grid: Grid, df: str
) -> pd.DataFrame:
    """Test the means of a term within levels of others; see `MixedFit.simple_effects`."""
    import pandas as pd

    cells = build_cells(fit.design, [*by, *names], grid)
    depth = len(by)
    groups: dict[tuple[str, ...], list[int]] = {}
    for i, label in enumerate(cells.labels):
        groups.setdefault(label[:depth], []).append(i)
    found = {}
    for label, members in groups.items():
        rows = cells.rows[members[1:]] - cells.rows[members[0]]
        turned, good = fit.coordinates.convert(rows)
        if len(rows) and good.all():
            found[":".join(label)] = turned
    tests = f_tests(fit.moments, list(found.values()), df=df)
    columns = ("df_num", "df_den", "statistic", "p_value")
    return pd.DataFrame(
        {
            "term": [":".join(names)] * len(tests),
            "level": list(found),
            **{c: np.array([getattr(t, c) for t in tests], dtype=float) for c in columns},
        }
    )


def slope_rows(
    design: Design, name: str, by: Sequence[str], grid: Grid
) -> tuple[Floats, list[tuple[str, ...]]]:
    """Build the rows of coefficients of slopes along a number.

    Parameters
    ----------
    design : Design
    name : str
        A numeric column.
    by : sequence of str
        Factors; one slope per combination of their levels.
    grid : Grid
        A value of `name` in `at` says where; else at its mean.

    Returns
    -------
    rows : array, shape (m, p)
    labels : list of tuple of str
    """
    if name not in design.numbers:
        raise UnknownName("Number", name, list(design.numbers), where="Model")
    column = design.numbers[name]
    centre = float(grid.at.get(name, column.mean()))
    step = 1e-3 * (float(np.ptp(column)) or 1.0)
    low, high = (
        build_cells(design, by, Grid({**grid.at, name: value}, grid.weights))
        for value in (centre - step, centre + step)
    )
    return (high.rows - low.rows) / (2.0 * step), low.labels


def compute_slope(
    fit: MixedFit, name: str, *, by: Sequence[str], grid: Grid, level: float, df: str | None
) -> pd.DataFrame:
    """Compute the slope along a number; see `MixedFit.slope`."""
    rows, places = slope_rows(fit.design, name, by, grid)
    labels = {
        "term": [name] * len(rows),
        "level": [":".join(label) for label in places],
        "contrast": ["slope"] * len(rows),
    }
    return tabulate(fit.test_rows(rows, df=df), labels, level=level)


def compute_linear(
    fit: MixedFit,
    vectors: Mapping[str, Sequence[float]],
    *,
    adjust: str,
    level: float,
    df: str | None,
) -> pd.DataFrame:
    """Test own combinations of coefficients; see `MixedFit.linear`."""
    p = fit.design.matrix.shape[1]
    rows = np.array([list(map(float, v)) for v in vectors.values()])
    if rows.shape != (len(vectors), p):
        raise InputError(f"Each vector needs {p} numbers, one per row of fit.coefficients.")
    if adjust == "tukey":
        raise InputError("adjust='tukey' is for all pairs. Use 'dunnett', 'holm' or 'none' here.")
    family = Family(list(vectors), rows, "own")
    tests = fit.test_rows(rows @ shown_coding(fit.design, fit.coding), df=df)
    p_value, factor = adjust_tests(tests, family, choose_adjustment(adjust, family), level=level)
    count = len(vectors)
    labels = {"term": [""] * count, "level": [""] * count, "contrast": list(vectors)}
    table = tabulate(tests, labels, level=level, factor=factor)
    table["p_value"] = p_value
    return table


def shown_coding(design: Design, coding: str) -> Floats:
    """Give the rows of sum-to-zero coefficients that make the coefficients shown.

    Parameters
    ----------
    design : Design
    coding : {"sum", "treatment"}

    Returns
    -------
    array, shape (p, p)
    """
    p = design.matrix.shape[1]
    if coding == "sum":
        return np.eye(p)
    rng = np.random.default_rng(1)
    size = 20 * p + 50
    codes = {f.name: rng.integers(len(f.levels), size=size) for f in design.factors.values()}
    numbers = {name: rng.permutation(np.resize(v, size)) for name, v in design.numbers.items()}
    ours = design.build_rows(codes, numbers)
    theirs = design.build_rows(codes, numbers, coding="treatment")
    return np.linalg.lstsq(theirs, ours, rcond=None)[0]


def compute_coefficients(fit: MixedFit) -> pd.DataFrame:
    """Lay out the fixed coefficients; see `MixedFit.coefficients`."""
    design = fit.design
    tests = fit.test_rows(shown_coding(design, fit.coding))
    terms: list[str] = []
    levels: list[str] = []
    for term in design.terms:
        texts = [""]
        for part, full in zip(term.parts, term.full, strict=True):
            if part.name in design.factors:
                own = list(design.factors[part.name].levels)
                if not full:
                    own = own[1:] if fit.coding == "treatment" else own[:-1]
            else:
                own = [str(i + 1) for i in range(part.degree)] if part.degree else [""]
            texts = [f"{t}:{o}".strip(":") for o in own for t in texts]
        terms += [term.name] * term.size
        levels += texts
    labels = {"term": terms, "level": levels, "contrast": [""] * len(terms)}
    return tabulate(tests, labels, level=0.95)
