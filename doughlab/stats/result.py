"""The result of fit_mixed: what was estimated, and the questions it answers.

Made by fit.py; read by analysis/ and shown by report/.
Leaves tests to inference.py, means and contrasts to means.py, predictions to prediction.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError
from doughlab.stats.design import Design, Term
from doughlab.stats.estimable import Coordinates, difference_rows, second_type_rows
from doughlab.stats.inference import FTest, Moments, TTests, check_method, f_tests, t_tests
from doughlab.stats.reml import LEAST_RESIDUAL

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.stats.fit import Prepared
    from doughlab.stats.influence import Influence

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    Tables that come back use the columns term, level, contrast, estimate, std_error, df, statistic,
    p_value, ci_low, ci_high. The degrees of freedom are those of Kenward-Roger unless
    "satterthwaite" is asked for, or the fit is by maximum likelihood.

    Attributes
    ----------
    method : str
        "reml" or "ml".
    coding : str
        How the coefficients are shown.
    notes : tuple of str
        Plain sentences on what is shaky: rows left out, variances at zero, empty combinations.
    y : array, shape (n,)
        The response of the rows used.
    shift, scale : float
        The fit was made on (y - shift) / scale.
    criterion : float
        -2 log likelihood, restricted or not.
    components : array, shape (k + 1,)
        Variances, residual last; a residual of zero is kept just above it.
    slopes : array, shape (k + 1,)
        See `gradient`.
    moments : Moments
        Estimates and covariances on the scale of the fit.
    prepared : Prepared
        The design.
    allow_negative : bool
        Whether variances may be estimated below zero.

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> rows = pd.DataFrame({"y": [5.61, 5.59, 5.52, 5.55, 5.44, 5.41, 5.47, 5.50],
    ...                      "dose": list("llllhhhh"), "plot": list("11223344")})
    >>> fit = fit_mixed(rows, "y ~ dose", random=["plot"])
    >>> fit.anova()[["term", "df_num", "df_den", "statistic"]].round(2)
       term  df_num  df_den  statistic
    0  dose       1     2.0       6.47
    >>> fit.contrasts("dose")[["contrast", "estimate", "ci_low", "ci_high"]].round(2)
      contrast  estimate  ci_low  ci_high
    0    h - l     -0.11    -0.3     0.08
    >>> fit.n_used, fit.n_dropped, fit.not_estimable, fit.random_names
    (8, 0, {}, ['plot', 'residual'])
    >>> fit.variances.round(5).to_dict(), bool(abs(fit.gradient["plot"]) < 1e-3)
    ({'plot': 0.00176, 'residual': 0.00039}, True)
    >>> round(float(fit.reml_criterion + 2 * fit.log_likelihood), 9), fit.how[:8]
    (0.0, 'y ~ dose')
    >>> fit.means("dose")["estimate"].round(3).tolist(), len(fit.coefficients)
    ([5.455, 5.568], 2)
    >>> fit.predict(rows.head(1)).shape, len(fit.random_effects("plot")), len(fit.residuals())
    ((1, 6), 4, 8)
    >>> fit.linear({"h": [1, 1], "l": [1, -1]})["estimate"].round(3).tolist()
    [5.455, 5.568]
    >>> len(fit.influence("plot").table), fit.test_rows(np.eye(2)).df.round(1).tolist()
    (4, [2.0, 2.0])
    >>> fit.design.matrix.shape, fit.coordinates.null.shape
    ((8, 2), (2, 0))
    >>> from doughlab.notebook import analyse_demo
    >>> demo = analyse_demo("ph").fit
    >>> demo.simple_effects("hold", by="water")[["level", "df_num"]].head(1)
      level  df_num
    0   tap     2.0
    >>> demo.slope("hydration")["contrast"].tolist()
    ['slope']
    """

    method: str
    coding: str
    notes: tuple[str, ...]
    y: Floats = field(repr=False)
    shift: float = field(repr=False)
    scale: float = field(repr=False)
    criterion: float = field(repr=False)
    components: Floats = field(repr=False)
    slopes: Floats = field(repr=False)
    moments: Moments = field(repr=False)
    prepared: Prepared = field(repr=False)
    allow_negative: bool = False

    @property
    def design(self) -> Design:
        """Give the design: matrix, terms, factors and random groupings."""
        return self.prepared.design

    @property
    def coordinates(self) -> Coordinates:
        """Give the conversion of hypotheses that the tests use."""
        return self.prepared.coordinates

    @property
    def not_estimable(self) -> dict[str, str]:
        """Name the terms that cannot be estimated, each with the reason."""
        return dict(self.prepared.not_estimable)

    @property
    def n_used(self) -> int:
        """Count the rows used."""
        return len(self.y)

    @property
    def n_dropped(self) -> int:
        """Count the rows left out for a blank."""
        return self.design.n_dropped

    @property
    def random_names(self) -> list[str]:
        """Name the random terms, then the residual."""
        return [*(g.name for g in self.prepared.groupings), "residual"]

    @cached_property
    def variances(self) -> pd.Series:
        """Give the variance of each random term; the last is the residual."""
        import pandas as pd

        shown = self.components.copy()
        if shown[-1] < 10.0 * LEAST_RESIDUAL * self.scale**2:
            shown[-1] = 0.0
        return pd.Series(shown, index=self.random_names, name="variance")

    @cached_property
    def gradient(self) -> pd.Series:
        """Give the slope of the criterion at the optimum.

        Derivative by the ratio of each variance to the residual, times that ratio plus the
        reciprocal mean group size, so that it has no unit. Zero at an inner optimum; positive
        for a variance held at zero. The residual is solved for exactly.
        """
        import pandas as pd

        return pd.Series(self.slopes, index=self.random_names, name="gradient")

    @property
    def reml_criterion(self) -> float:
        """Give -2 log restricted likelihood (sum-to-zero); InputError for a fit by "ml"."""
        if self.method != "reml":
            raise InputError("This fit is by maximum likelihood. Fit with method='reml' for this.")
        return self.criterion

    @property
    def log_likelihood(self) -> float:
        """Give the log likelihood, restricted for a REML fit."""
        return -0.5 * self.criterion

    @property
    def how(self) -> str:
        """Say how the model was fitted, in words and as a formula."""
        from importlib.metadata import version

        names = ", ".join(self.random_names[:-1]) or "none"
        way = "restricted likelihood" if self.method == "reml" else "maximum likelihood"
        return (
            f"{self.design.formula.text}; random: {names}; {way}, sum-to-zero coding; "
            f"{self.n_used} rows used, {self.n_dropped} left out; doughlab {version('doughlab')}, "
            f"numpy {np.__version__}."
        )

    def _method(self, df: str | None) -> str:
        """Choose and check the way degrees of freedom are found."""
        if df is None:
            return "kenward-roger" if self.method == "reml" else "satterthwaite"
        check_method(df)
        if df == "kenward-roger" and self.method == "ml":
            raise InputError("Kenward-Roger needs a fit with method='reml'.")
        return df

    def test_rows(self, rows: Floats, *, df: str | None = None) -> TTests:
        """Estimate and test rows of sum-to-zero coefficients.

        Parameters
        ----------
        rows : array, shape (c, p)
        df : {"kenward-roger", "satterthwaite"} or None

        Returns
        -------
        TTests
            NaN where a row cannot be estimated.
        """
        turned, good = self.coordinates.convert(rows)
        tests = t_tests(self.moments, turned, df=self._method(df))
        shift = self.shift * rows[:, 0] if self.shift else 0.0
        estimate = np.where(good, tests.estimate * self.scale + shift, np.nan)
        error = np.where(good, tests.std_error * self.scale, np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = estimate / error
        from scipy.special import stdtr

        return TTests(
            estimate,
            error,
            np.where(good, tests.df, np.nan),
            t,
            2.0 * stdtr(tests.df, -np.abs(t)),
            tests.covariance * self.scale**2,
        )

    def anova(self, *, df: str | None = None, type: int = 3, scaling: bool = False) -> pd.DataFrame:
        """Test every fixed term.

        Parameters
        ----------
        df : {"kenward-roger", "satterthwaite"} or None
            None: Kenward-Roger for a REML fit. The Satterthwaite degrees of freedom of a term with
            several numerator degrees are those of Fai and Cornelius, on differences of each level
            from the first (type 3) or on the rows of the elimination (types 2 and 1).
        type : {3, 2, 1}
            3: each term given all others, sum-to-zero; 2: each given all that do not contain it,
            as a given b but not a:b; 1: each given those before it.
        scaling : bool
            Add the column scaling, Kenward and Roger's lambda (already in the statistic).

        Returns
        -------
        DataFrame
            Columns term, df_num, df_den, statistic, p_value. Terms that cannot be estimated are
            left out and named in `not_estimable`.

        Raises
        ------
        InputError
            For another type, or Kenward-Roger of a fit by maximum likelihood.
        """
        import pandas as pd

        way = self._method(df)
        if type not in (1, 2, 3):
            raise InputError(
                f"type={type} is not known. Use 3 (each given all), 2 (all that do not contain it) "
                "or 1 (sequential)."
            )
        pairs = [(t.name, self._term_rows(t, type, way)) for t in self.design.terms if t.parts]
        pairs = [(name, rows) for name, rows in pairs if len(rows)]
        found = f_tests(self.moments, [rows for _, rows in pairs], df=way)
        table: dict[str, Any] = {
            "term": [name for name, _ in pairs],
            "df_num": np.array([len(rows) for _, rows in pairs], dtype=np.int64),
        }
        for column in ["df_den", "statistic", "p_value", *(["scaling"] if scaling else [])]:
            table[column] = np.array([getattr(test, column) for test in found], dtype=float)
        return pd.DataFrame(table)

    def _term_rows(self, term: Term, type: int, way: str) -> Floats:
        """Give the hypothesis of a term in the coordinates of Q; no rows if not estimable."""
        red = self.prepared.reduction
        if type == 1:
            own = np.flatnonzero((red.kept >= term.start) & (red.kept < term.stop))
            pivots = red.r_full[own, red.kept[own]]
            return np.eye(red.rank)[own] / pivots[:, None]
        if type == 2:
            return second_type_rows(self.design, red.r_full, term)
        if term.name in self.prepared.lost_terms:
            return np.zeros((0, red.rank))
        if way == "kenward-roger" and not self.coordinates.null.shape[1]:
            return self.coordinates.back[term.start : term.stop]
        return self.coordinates.estimable_part(difference_rows(self.design, term))

    def means(
        self,
        term: str | Sequence[str],
        *,
        by: str | Sequence[str] | None = None,
        at: Mapping[str, Any] | None = None,
        weights: str = "equal",
        level: float = 0.95,
        df: str | None = None,
    ) -> pd.DataFrame:
        """Compute adjusted means.

        Parameters
        ----------
        term : str or sequence of str
            Factors, as "a" or "a:b"; a number may be named when `at` gives its values.
        by : str or sequence of str, optional
            Further factors; the means of each of their levels stand together.
        at : mapping, optional
            Values at which numbers (else at their mean) and factors (else averaged) are held.
        weights : {"equal", "observed"}
            Average over the other factors with equal weights, or as often as combinations have
            rows.
        level : float
            Of the intervals, each for itself.
        df : {"kenward-roger", "satterthwaite"} or None

        Returns
        -------
        DataFrame
            Columns term, level, contrast (empty), estimate, std_error, df, statistic (against 0),
            p_value, ci_low, ci_high; NaN where a mean cannot be estimated.
        """
        from doughlab.stats.means import Grid, compute_means, split_names

        names = [*split_names(by), *split_names(term)]
        return compute_means(self, names, grid=Grid(at or {}, weights), level=level, df=df)

    def contrasts(
        self,
        term: str | Sequence[str],
        *,
        method: str | Mapping[str, Sequence[float]] = "pairs",
        adjust: str | None = None,
        reference: str | None = None,
        by: str | Sequence[str] | None = None,
        at: Mapping[str, Any] | None = None,
        weights: str = "equal",
        level: float = 0.95,
        df: str | None = None,
    ) -> pd.DataFrame:
        """Compare adjusted means.

        Parameters
        ----------
        term : str or sequence of str
            As in `means`.
        method : "pairs", "poly" or mapping of label to numbers
            All differences, orthogonal polynomials over the levels, or own vectors, one number per
            level.
        adjust : {"tukey", "dunnett", "holm", "bonferroni", "none"} or None
            None: Tukey for pairs, Dunnett against a reference, else none. P values and intervals
            are adjusted alike; with "holm" the intervals are those of Bonferroni.
        reference : str, optional
            Only differences from this level.
        by : str or sequence of str, optional
            Compare within each level of these factors; each level is a family of its own.
        at, weights, df
            As in `means`.
        level : float
            Simultaneous level of the intervals.

        Returns
        -------
        DataFrame
            The columns of `means`; contrast such as "high - low", level the level of `by`.
            `attrs` says the adjustment and the size of the family.
        """
        from doughlab.stats.means import ContrastRequest, Grid, compute_contrasts, split_names

        request = ContrastRequest(
            names=split_names(term),
            by=split_names(by),
            method=method,
            adjust=adjust,
            reference=reference,
            level=level,
            df=df,
        )
        return compute_contrasts(self, request, Grid(at or {}, weights))

    def simple_effects(
        self,
        term: str | Sequence[str],
        *,
        by: str | Sequence[str],
        at: Mapping[str, Any] | None = None,
        df: str | None = None,
    ) -> pd.DataFrame:
        """Test whether the means of a term are alike within each level of other factors.

        Parameters
        ----------
        term, by : str or sequence of str
            As in `means`.
        at, df
            As in `means`.

        Returns
        -------
        DataFrame
            Columns term, level (of `by`), df_num, df_den, statistic, p_value; each test for
            itself. A level at which some mean cannot be estimated is left out.
        """
        from doughlab.stats.means import Grid, compute_simple_effects, split_names

        grid = Grid(at or {})
        way = self._method(df)
        return compute_simple_effects(self, split_names(term), split_names(by), grid=grid, df=way)

    def slope(
        self,
        number: str,
        *,
        by: str | Sequence[str] | None = None,
        at: Mapping[str, Any] | None = None,
        level: float = 0.95,
        df: str | None = None,
    ) -> pd.DataFrame:
        """Compute the slope along a number, at its mean unless `at` says where.

        Parameters
        ----------
        number : str
            A numeric column of the model.
        by : str or sequence of str, optional
            A slope for each level of these factors.
        at, level, df
            As in `means`.

        Returns
        -------
        DataFrame
            The columns of `means`, contrast "slope". Exact for powers up to the second; beyond
            that, and for functions, the chord over a thousandth of the range.
        """
        from doughlab.stats.means import Grid, compute_slope, split_names

        names = split_names(by)
        return compute_slope(self, number, by=names, grid=Grid(at or {}), level=level, df=df)

    def linear(
        self,
        vectors: Mapping[str, Sequence[float]],
        *,
        adjust: str = "none",
        level: float = 0.95,
        df: str | None = None,
    ) -> pd.DataFrame:
        """Estimate own combinations of the coefficients as `coefficients` shows them.

        Parameters
        ----------
        vectors : mapping of label to p numbers
            In the order of the rows of `coefficients`.
        adjust : {"dunnett", "holm", "bonferroni", "none"}
            "dunnett" adjusts by the multivariate t of the vectors given.
        level, df
            As in `contrasts`.
        """
        from doughlab.stats.means import compute_linear

        return compute_linear(self, vectors, adjust=adjust, level=level, df=df)

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Give the fixed coefficients in the coding asked for, with the columns of `means`."""
        from doughlab.stats.means import compute_coefficients

        return compute_coefficients(self)

    def predict(
        self,
        rows: pd.DataFrame,
        *,
        new: str | Sequence[str] = "observation",
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Predict the mean and a new value for settings of the fixed terms.

        Parameters
        ----------
        rows : DataFrame
            One row per setting, with the columns of the fixed terms.
        new : "mean", "observation", or names of random terms
            What ci_low and ci_high hold: the mean itself; one new row from new levels of all random
            terms; or the mean of many rows from a new level of the terms named.
        level : float

        Returns
        -------
        DataFrame
            Columns estimate, std_error (of the mean), sd (of what `new` names about the estimate,
            the error of the mean included), df, ci_low, ci_high.
        """
        from doughlab.stats.prediction import predict_rows

        return predict_rows(self, rows, new=new, level=level)

    def residuals(self, *, kind: str = "conditional") -> pd.Series:
        """Give residuals, with the index of the rows used.

        Parameters
        ----------
        kind : {"conditional", "marginal"}
            From the fitted value with the random effects, or of the fixed terms alone.
        """
        from doughlab.stats.prediction import compute_residuals

        return compute_residuals(self, kind=kind)

    def random_effects(self, term: str, *, level: float = 0.95) -> pd.DataFrame:
        """Predict the effect of every level of a random term.

        Parameters
        ----------
        term : str
            As `variances` names it.
        level : float
            Of the intervals, which take the variances as known.

        Returns
        -------
        DataFrame
            Columns term, level, estimate, std_error, ci_low, ci_high, n (rows of the level).
        """
        from doughlab.stats.prediction import predict_effects

        return predict_effects(self, term, level=level)

    def influence(self, group: str, *, data: pd.DataFrame | None = None) -> Influence:
        """Fit again without each level of a group, and see what changes.

        Parameters
        ----------
        group : str
            A random term as "day:batch", a factor of the model, or a column of `data`.
        data : DataFrame, optional
            The table that was fitted, for a column that the model does not use.

        Returns
        -------
        Influence
            Its `table` holds Cook's distance of every group; ask it for contrasts and means.
        """
        from doughlab.stats.influence import omit_groups

        return omit_groups(self, group, data=data)

    def lack_of_fit(self) -> FTest:
        """Test the fixed terms against a mean of its own for every setting that has replicates.

        Returns
        -------
        FTest
            Kenward-Roger, in the larger model with the same random terms.

        Raises
        ------
        NotEstimable
            When the fixed terms already use every setting, no setting is repeated, or none is
            repeated in another level of a random term (balls of one batch are no replicates of
            what the whole batch has).

        Examples
        --------
        >>> import pandas as pd
        >>> from doughlab.stats import fit_mixed
        >>> rows = pd.DataFrame({"y": [5.0, 5.2, 5.9, 6.1, 5.1, 4.9], "dose": [0, 0, 1, 1, 2, 2]})
        >>> fit = fit_mixed(rows, "y ~ dose", random=[])
        >>> round(fit.lack_of_fit().statistic, 2)  # by hand: 2 * 1.9**2 / 6 / 0.02
        60.17
        """
        from doughlab.stats.prediction import compare_settings

        return compare_settings(self)

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = [
            self.design.formula.text[:80],
            f"{self.n_used} rows used, {self.n_dropped} left out",
        ]
        for name, value in list(self.variances.items())[:4]:
            lines.append(f"  variance {name}: {value:.6g}")
        table = self.anova().head(6)
        for term, q, m, f, p in zip(*(table[c] for c in table.columns), strict=True):
            lines.append(f"  {str(term)[:30]}: F({q:g}, {m:.2f}) = {f:.4g}, p = {p:.4g}")
        lines += [f"  {name} cannot be estimated"[:80] for name in list(self.not_estimable)[:2]]
        if self.notes:
            lines.append(f"  {len(self.notes)} notes: {self.notes[0]}"[:80])
        return "\n".join(lines[:15])

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        import html

        return f"<pre>{html.escape(str(self))}</pre>"
