"""Read ordered scores, the columns that explain them, and what is shaky about both.

Called by ordinal, which fits and answers.
Formulas and factors are left to design, the likelihood to cumulative.
"""

from __future__ import annotations

from collections.abc import Sequence
from numbers import Real
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, MissingRecords, UnknownName
from doughlab.stats.cumulative import Maximum
from doughlab.stats.design import Design, Grouping
from doughlab.stats.terms import level_text, sort_levels

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

_CROWDED = 0.15  # McHorney and Tarlov (1995), Qual. Life Res. 4, 293: floor and ceiling at 15 %


def code_response(data: pd.DataFrame, name: str, kind: str) -> tuple[pd.DataFrame, list[str]]:
    """Replace the score column by positions 0, 1, ... and list the categories.

    Parameters
    ----------
    data : DataFrame
    name, kind : str
        The response of the formula and what it is ("column" is wanted).

    Returns
    -------
    data : DataFrame
        A copy with the positions; blanks stay blank.
    categories : list of str
        From low to high.

    Raises
    ------
    InputError
        For scores that are neither numbers nor ordered.
    UnknownName
        When the column is not there.
    MissingRecords
        When no score is entered.
    """
    import pandas as pd

    if kind != "column":
        raise InputError(f"The score '{name}' must be a column, not a calculation.")
    if name not in data.columns:
        raise UnknownName("Column", name, [str(c) for c in data.columns], where="Table")
    column = data[name]
    if isinstance(column.dtype, pd.CategoricalDtype):
        if not column.dtype.ordered:
            raise InputError(
                f"Score '{name}' is a Categorical without an order. Use ordered=True, or numbers."
            )
        names = [level_text(v) for v in column.cat.categories]
        codes = column.cat.codes.to_numpy().astype(float)
        coded = np.where(codes < 0, np.nan, codes)
    else:
        given = column[column.notna()]
        wrong = [v for v in given if not isinstance(v, Real) or isinstance(v, bool)]
        if wrong:
            raise InputError(
                f"Score '{name}' is not a column of numbers, for example '{wrong[0]}'. Enter "
                "numbers, or make it an ordered Categorical."
            )
        values = column.to_numpy(dtype=float, na_value=np.nan)
        texts = sort_levels([level_text(v) for v in np.unique(values[np.isfinite(values)])])
        place = {float(text): i for i, text in enumerate(texts)}
        names = texts
        coded = np.array([place.get(float(v), np.nan) for v in values])
    if not np.isfinite(coded).any():
        raise MissingRecords(f"No score is entered in '{name}'.")
    return data.assign(**{name: coded}), names


def treatment_matrix(design: Design) -> Floats:
    """Build the fixed columns in treatment coding, the intercept first.

    Parameters
    ----------
    design : Design

    Returns
    -------
    array, shape (n, p)
    """
    codes = {name: f.codes for name, f in design.factors.items()}
    if not codes and not design.numbers:
        return np.ones(design.matrix.shape)
    return np.asarray(design.build_rows(codes, design.numbers, coding="treatment"), dtype=float)


def independent_columns(matrix: Floats) -> NDArray[np.int64]:
    """Keep the columns that the intercept and earlier columns do not already give.

    Parameters
    ----------
    matrix : array, shape (n, p)
        The intercept first.

    Returns
    -------
    int array
        Places of the columns kept, the intercept not among them.

    Examples
    --------
    >>> print(independent_columns(np.array([[1.0, 1, 0], [1, 0, 1], [1, 1, 0]])))
    [1]
    """
    basis = np.ones((matrix.shape[0], 1)) / np.sqrt(matrix.shape[0])
    kept = []
    for i in range(1, matrix.shape[1]):
        column = matrix[:, i]
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        length = float(np.linalg.norm(rest))
        if length > 1e-8 * max(float(np.linalg.norm(column)), 1e-300):
            kept.append(i)
            basis = np.column_stack([basis, rest / length])
    return np.array(kept, dtype=np.int64)


def column_labels(design: Design) -> list[tuple[str, str]]:
    """Name term and level of each treatment column, in the order of the matrix.

    Parameters
    ----------
    design : Design

    Returns
    -------
    list of (str, str)
    """
    labels: list[tuple[str, str]] = []
    for term in design.terms:
        names = [""]
        for part, full in zip(term.parts, term.full, strict=True):
            if part.name in design.factors:
                levels = design.factors[part.name].levels
                own: Sequence[str] = levels if full else levels[1:]
            else:
                own = [str(i + 1) for i in range(part.degree)] if part.kind == "poly" else [""]
            names = [f"{a}:{b}".strip(":") for b in own for a in names]
        labels.extend((term.name, name) for name in names)
    return labels


def data_notes(
    design: Design, y: NDArray[np.int64], categories: tuple[str, ...], kept: NDArray[np.int64]
) -> list[str]:
    """Say what is shaky about the scores and the columns.

    Parameters
    ----------
    design : Design
    y : int array, shape (n,)
        Position of each score among the categories.
    categories : tuple of str
    kept : int array
        Columns of the treatment matrix in use.

    Returns
    -------
    list of str
        Blanks, floor and ceiling, rare categories, columns that cannot be told apart.
    """
    notes = []
    if design.n_dropped:
        rows = "1 row" if design.n_dropped == 1 else f"{design.n_dropped} rows"
        notes.append(f"{rows} with a blank {'was' if design.n_dropped == 1 else 'were'} left out.")
    shares = np.bincount(y, minlength=len(categories)) / y.size
    for place, word, end in ((0, "bottom", "floor"), (-1, "top", "ceiling")):
        if shares[place] > _CROWDED:
            notes.append(
                f"{100 * shares[place]:.0f} % of the scores stand at the {word} of the scale "
                f"({categories[place]}): a {end} hides differences beyond it."
            )
    if (shares * y.size < 5).any():
        rare = [c for c, s in zip(categories, shares, strict=True) if s * y.size < 5]
        notes.append(f"Fewer than 5 scores in category {', '.join(rare)}.")
    lost = sorted(set(range(1, design.matrix.shape[1])) - set(kept.tolist()))
    for term in design.terms:
        gone = [i for i in lost if term.start <= i < term.stop]
        if gone:
            notes.append(
                f"{len(gone)} of {term.size} columns of '{term.name}' cannot be told from other "
                "terms and were left out."
            )
    return notes


def fit_notes(
    design: Design, groupings: Sequence[Grouping], found: Maximum, kept: NDArray[np.int64]
) -> list[str]:
    """Say what is shaky about the fit.

    Parameters
    ----------
    design : Design
    groupings : sequence of Grouping
        Random terms in use.
    found : Maximum
    kept : int array
        Columns of the treatment matrix in use.

    Returns
    -------
    list of str
        Variances at zero or on few levels, complete separation, an optimum not reached.
    """
    notes: list[str] = []
    for grouping in design.groupings:
        if len(grouping.levels) < 2:
            notes.append(f"Random term '{grouping.name}' has one level and was left out.")
    for grouping, sd in zip(groupings, found.deviations, strict=True):
        if sd == 0.0:
            notes.append(f"The variance of '{grouping.name}' is estimated as 0.")
        elif len(grouping.levels) < 5:
            notes.append(
                f"The variance of '{grouping.name}' rests on {len(grouping.levels)} levels only."
            )
    if found.flat is not None:
        labels = column_labels(design)
        cuts = found.thresholds.size
        size = np.abs(found.flat[cuts:]) if kept.size else np.zeros(1)
        name = labels[kept[int(np.argmax(size))]][0] if size.max() > 1e-3 else "a threshold"
        notes.append(
            f"'{name}' separates the categories completely: its estimate has no finite value. "
            "Trust the likelihood-ratio test, not the estimate and its range."
        )
    elif found.gradient > 1e-4:
        notes.append(f"The likelihood did not settle (slope {found.gradient:.1g} left).")
    return notes
