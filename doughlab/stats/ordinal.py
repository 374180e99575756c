"""Cumulative link mixed model: ordered scores by fixed terms and random intercepts.

Called by the analysis of scores as the check of the mean-score model.
The likelihood is left to cumulative, the reading of formulas to design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from textwrap import shorten
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, expit, ndtr, ndtri

from doughlab.errors import InputError, NotEstimable, UnknownName
from doughlab.stats.categories import (
    code_response,
    column_labels,
    data_notes,
    fit_notes,
    independent_columns,
    treatment_matrix,
)
from doughlab.stats.cumulative import Maximum, Problem, maximise
from doughlab.stats.design import Design, Grouping, Term, build_design
from doughlab.stats.prediction import read_settings
from doughlab.stats.terms import parse_formula

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class OrdinalFit:
    """A fitted cumulative logit model.

    The chance of a score in category j or below is F(threshold_j - eta), F logistic; a positive
    coefficient means higher scores.

    Attributes
    ----------
    categories : tuple of str
        Categories used, from low to high.
    method : str
        "maximum likelihood", "Laplace" or "adaptive Gauss-Hermite, 10 nodes".
    notes : tuple of str
        Plain sentences on what is shaky.
    log_likelihood : float
    """

    categories: tuple[str, ...]
    method: str
    notes: tuple[str, ...]
    log_likelihood: float
    maximum: Maximum = field(repr=False)
    problem: Problem = field(repr=False)
    design: Design = field(repr=False)
    groupings: tuple[Grouping, ...] = field(repr=False)
    kept: NDArray[np.int64] = field(repr=False)

    @property
    def n_used(self) -> int:
        """Count the rows used."""
        return len(self.problem.y)

    @property
    def n_dropped(self) -> int:
        """Count the rows left out for a blank."""
        return self.design.n_dropped

    @cached_property
    def variances(self) -> pd.Series:
        """Give the variance of each random term on the logit scale."""
        import pandas as pd

        names = [g.name for g in self.groupings]
        return pd.Series(self.maximum.deviations**2, index=names, name="variance", dtype=float)

    @cached_property
    def thresholds(self) -> pd.DataFrame:
        """Give the thresholds between categories.

        Columns term ("threshold"), level such as "1|2", estimate, std_error.
        """
        import pandas as pd

        pairs = zip(self.categories[:-1], self.categories[1:], strict=True)
        cuts = self.problem.cuts
        return pd.DataFrame(
            {
                "term": "threshold",
                "level": [f"{a}|{b}" for a, b in pairs],
                "estimate": self.maximum.thresholds,
                "std_error": np.sqrt(np.diag(self.maximum.covariance)[:cuts]),
            }
        )

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Give the coefficients on the logit scale, treatment coding.

        Columns term, level, estimate, std_error, statistic, p_value, ci_low, ci_high; 95 % ranges
        and p values by the normal (Wald); `drop_terms` gives the better tests. An estimate without
        a finite value is infinite and has blank ranges.
        """
        return self.coefficient_table()

    def coefficient_table(self, *, level: float = 0.95) -> pd.DataFrame:
        """Give the coefficients with intervals of a chosen level.

        Parameters
        ----------
        level : float
            Of the intervals, above 0 and below 1.

        Returns
        -------
        DataFrame
            Columns as in `coefficients`.
        """
        import pandas as pd

        if not 0.0 < level < 1.0:
            raise InputError(f"level is {level:g}; it must be above 0 and below 1.")
        cuts = self.problem.cuts
        endless = self._endless()
        estimate = self.maximum.coefficients + 0.0
        estimate[endless] = np.copysign(np.inf, estimate[endless])
        error = np.where(endless, np.nan, np.sqrt(np.diag(self.maximum.covariance)[cuts:]))
        labels = column_labels(self.design)
        half = ndtri((1.0 + level) / 2.0) * error
        with np.errstate(divide="ignore", invalid="ignore"):
            z = estimate / error
        return pd.DataFrame(
            {
                "term": [labels[i][0] for i in self.kept],
                "level": [labels[i][1] for i in self.kept],
                "estimate": estimate,
                "std_error": error,
                "statistic": z,
                "p_value": 2.0 * ndtr(-np.abs(z)),
                "ci_low": estimate - half,
                "ci_high": estimate + half,
            }
        )

    def _endless(self) -> NDArray[np.bool_]:
        """Tell which coefficients have no finite maximum."""
        flat = self.maximum.flat
        if flat is None:
            return np.zeros(self.kept.size, dtype=bool)
        size = np.abs(flat)
        return size[self.problem.cuts :] > 0.01 * size.max()

    def drop_terms(self) -> pd.DataFrame:
        """Test each term that can be dropped, by likelihood ratio.

        A term that stands in a kept interaction is not dropped. The same rows and the same
        approximation are used for both models.

        Returns
        -------
        DataFrame
            Columns term, df, statistic (twice the difference of log likelihoods), p_value.
        """
        import pandas as pd

        rows = []
        for term in self.design.terms:
            own = (self.kept >= term.start) & (self.kept < term.stop)
            if not term.parts or not own.any() or _is_contained(self.design, term):
                continue
            smaller = replace(self.problem, matrix=self.problem.matrix[:, ~own])
            ratio = 2.0 * (self.log_likelihood - maximise(smaller).log_likelihood)
            ratio, df = max(ratio, 0.0), int(own.sum())
            rows.append((term.name, df, ratio, float(chdtrc(df, ratio))))
        return pd.DataFrame(rows, columns=["term", "df", "statistic", "p_value"])

    def predict_shares(self, rows: pd.DataFrame, *, average: bool = True) -> pd.DataFrame:
        """Predict the share of each category at given settings.

        Parameters
        ----------
        rows : DataFrame
            One row per setting, with the columns of the fixed terms.
        average : bool
            True: over all judges and groups, known or not. False: for one whose effects are all
            zero, which overstates how much scores agree.

        Returns
        -------
        DataFrame, index of `rows`
            One column per category, named as the category; each row adds up to 1.

        Raises
        ------
        UnknownName
            For a missing column or an unknown level.
        NotEstimable
            For a setting that the data cannot tell about.
        """
        import pandas as pd

        turned = self._setting_rows(rows)
        eta = turned @ self.maximum.coefficients
        spread = float(np.sqrt((self.maximum.deviations**2).sum())) if average else 0.0
        nodes, weights = np.polynomial.hermite_e.hermegauss(40 if spread else 1)
        shifted = eta[:, None] + spread * nodes
        at = self.maximum.thresholds[:, None, None] - shifted
        below = (expit(at) * weights).sum(axis=2) / weights.sum()
        edges = np.vstack([np.zeros(len(rows)), below, np.ones(len(rows))])
        return pd.DataFrame(np.diff(edges, axis=0).T, index=rows.index, columns=self.categories)

    def _setting_rows(self, rows: pd.DataFrame) -> Floats:
        """Turn settings into the kept treatment columns, refusing what cannot be told."""
        sums = read_settings(self.design, rows)
        own = self.design.matrix
        change, *_ = np.linalg.lstsq(own, treatment_matrix(self.design), rcond=1e-10)
        back = sums @ np.linalg.pinv(own, rcond=1e-10) @ own
        unknown = np.flatnonzero(np.abs(back - sums).max(axis=1) > 1e-6)
        if unknown.size:
            raise NotEstimable(
                f"Settings to predict, row {int(unknown[0]) + 1}: this combination did not occur, "
                "and the model needs it. Leave the interaction out or ask for another setting."
            )
        return (sums @ change)[:, self.kept]

    def effects(self, term: str) -> pd.DataFrame:
        """Give the most likely effect of each group of a random term.

        Parameters
        ----------
        term : str
            Name of the random term, as "judge".

        Returns
        -------
        DataFrame
            Columns term, level, estimate, std_error (conditional), on the logit scale.
        """
        import pandas as pd

        names = [g.name for g in self.groupings]
        if term not in names:
            raise UnknownName("Random term", term, names, where="Model")
        k = names.index(term)
        start = sum(len(g.levels) for g in self.groupings[:k])
        block = slice(start, start + len(self.groupings[k].levels))
        return pd.DataFrame(
            {
                "term": term,
                "level": list(self.groupings[k].levels),
                "estimate": self.maximum.modes[block],
                "std_error": np.sqrt(self.maximum.mode_variances[block]),
            }
        )

    @property
    def how(self) -> str:
        """Say how the model was fitted, in words and as a formula."""
        from importlib.metadata import version

        names = ", ".join(g.name for g in self.groupings) or "none"
        return (
            f"{self.design.formula.text}; random: {names}; cumulative logit, flexible thresholds, "
            f"{self.method}; {self.n_used} rows used, {self.n_dropped} left out; "
            f"doughlab {version('doughlab')}, numpy {np.__version__}."
        )

    def __str__(self) -> str:
        """Give the coefficients, the variances and the first notes in at most 15 lines."""
        lines = [f"{self.n_used} scores in {len(self.categories)} categories, {self.method}"]
        table = self.coefficients
        for row in table.head(6).itertuples():
            lines.append(
                f"{row.term} {row.level}".strip()[:40].ljust(40)
                + f"{row.estimate:9.3f}  ({row.ci_low:.3f} to {row.ci_high:.3f})"
            )
        if len(table) > 6:
            lines.append(f"and {len(table) - 6} more coefficients")
        for name, value in list(self.variances.items())[:3]:
            lines.append(f"variance of {name}: {value:.3f}")
        return "\n".join(
            [*lines, *(shorten(note, 80, placeholder=" ...") for note in self.notes[:3])]
        )

    def _repr_html_(self) -> str:
        """Show the same facts in a notebook."""
        return f"<pre>{escape(str(self))}</pre>"


def fit_ordinal(
    data: pd.DataFrame, formula: str, *, random: Sequence[str] = (), quadrature: int = 1
) -> OrdinalFit:
    """Fit ordered scores with any number of crossed random intercepts.

    Cumulative logit with flexible thresholds. Maximum likelihood by Laplace's approximation, or
    by adaptive Gauss-Hermite quadrature for a single random term.

    Parameters
    ----------
    data : DataFrame
        One row per score. The score is a column of numbers (ordered by size) or an ordered
        Categorical; rows with a blank are left out and counted.
    formula : str
        Such as "rating ~ temp * contact"; read as by `fit_mixed`.
    random : sequence of str
        Random intercepts, as in ["judge", "group/unit"].
    quadrature : int
        1 for Laplace, up to 50 nodes for one random term.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    InputError
        For a score that is neither number nor ordered, fewer than two categories in use, a formula
        without intercept, or quadrature with several random terms.
    UnknownName
        For a column that the table does not have.
    MissingRecords
        When no row is complete.

    References
    ----------
    McCullagh, P. (1980), J. R. Stat. Soc. B 42, 109; Tutz, G. and Hennevogl, W. (1996), Comput.
    Stat. Data Anal. 22, 537. Checked in tests/reference/test_ordinal_randall1989.py.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({
    ...     "score": [1, 2, 2, 3, 2, 3, 3, 3, 1, 2, 1, 3],
    ...     "kind": ["old"] * 4 + ["new"] * 4 + ["old", "new"] * 2,
    ... })
    >>> fit = fit_ordinal(table, "score ~ kind")
    >>> fit.drop_terms().round(3).to_dict("records")
    [{'term': 'kind', 'df': 1, 'statistic': 5.145, 'p_value': 0.023}]
    """
    model = parse_formula(formula)
    if not model.intercept:
        raise InputError(
            f"Formula '{formula}': the thresholds take the place of the intercept. Leave out '0 +'."
        )
    coded, names = code_response(data, model.response.name, model.response.kind)
    design, y = build_design(coded, formula, random=random)
    if quadrature != 1 and len(design.groupings) != 1:
        raise InputError(
            f"quadrature={quadrature} needs exactly one random term; there are "
            f"{len(design.groupings)}. Use quadrature=1 (Laplace)."
        )
    if not 1 <= quadrature <= 50 or int(quadrature) != quadrature:
        raise InputError(f"quadrature={quadrature}; give a whole number from 1 to 50.")
    used = np.unique(y.astype(int))
    if used.size < 2:
        raise InputError(
            f"All scores are {names[int(used[0])]}; ordered categories need two or more in use."
        )
    categories = tuple(names[i] for i in used.tolist())
    return _fit_design(design, np.searchsorted(used, y).astype(np.int64), categories, quadrature)


def _fit_design(
    design: Design, y: NDArray[np.int64], categories: tuple[str, ...], quadrature: int
) -> OrdinalFit:
    matrix = treatment_matrix(design)
    kept = independent_columns(matrix)
    columns = matrix[:, kept]
    centre, scale = columns.mean(axis=0), columns.std(axis=0)
    groupings = tuple(g for g in design.groupings if len(g.levels) > 1)
    problem = Problem(
        y,
        (columns - centre) / scale,
        tuple(g.codes.astype(np.int64) for g in groupings),
        tuple(len(g.levels) for g in groupings),
        quadrature if groupings else 1,
    )
    found = _unscale(maximise(problem), centre, scale)
    method = "maximum likelihood"
    if groupings:
        method = (
            "Laplace" if quadrature == 1 else f"adaptive Gauss-Hermite, {int(quadrature)} nodes"
        )
    notes = (
        *data_notes(design, y, categories, kept),
        *fit_notes(design, groupings, found, kept),
    )
    return OrdinalFit(
        categories, method, notes, found.log_likelihood, found, problem, design, groupings, kept
    )


def _unscale(found: Maximum, centre: Floats, scale: Floats) -> Maximum:
    """Bring estimates back from standardised columns."""
    cuts, p = found.thresholds.size, scale.size
    back = np.eye(cuts + p)
    back[cuts:, cuts:] = np.diag(1.0 / scale)
    back[:cuts, cuts:] = centre / scale
    both = back @ np.concatenate([found.thresholds, found.coefficients])
    return replace(
        found,
        thresholds=both[:cuts],
        coefficients=both[cuts:],
        covariance=back @ found.covariance @ back.T,
    )


def _is_contained(design: Design, term: Term) -> bool:
    """Whether a larger term holds all parts of this one."""
    own = {part.name for part in term.parts}
    return any(own < {part.name for part in other.parts} for other in design.terms)
