"""Test thousands of responses on one design in one vectorised pass.

Called by plan/precision and by the size and coverage studies.
Leaves the search for variances to optimum.py and the vectorised moments to kernels.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr

from doughlab.errors import InputError, NotEstimable, UnknownName, listed
from doughlab.stats.design import build_design
from doughlab.stats.estimable import difference_rows
from doughlab.stats.families import build_family
from doughlab.stats.fit import complete_design, reduce_terms
from doughlab.stats.inference import (
    Moments,
    compute_moments,
    f_tests,
    kenward_roger_df,
    t_quantile,
    t_tests,
)
from doughlab.stats.kernels import Hypotheses, Kernel, ManyMoments, build_kernel
from doughlab.stats.means import Grid, build_cells, slope_rows, split_names
from doughlab.stats.optimum import optimise
from doughlab.stats.reml import LEAST_RESIDUAL

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating[Any]]

CHUNK = 1000


@dataclass(frozen=True)
class ContrastSet:
    """Contrasts to be tested in every data set, as one family.

    Attributes
    ----------
    labels : tuple of str
    rows : array, shape (c, p)
        Of sum-to-zero coefficients.
    kind : str
        "pairs", "reference", "poly", "own" or "slope"; pairs are adjusted by Tukey's rule, a
        reference by Dunnett's, others not at all.
    k : int
        Levels that the family compares.

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> from doughlab.stats import FixedDesign
    >>> rows = pd.DataFrame({"dose": list("aabb") * 2, "plot": list("stuvstuv")})
    >>> design = FixedDesign(rows, "~ dose", random=["plot"])
    >>> asked = design.build_contrasts("dose")
    >>> asked.labels, asked.kind, asked.k
    (('a - b',), 'pairs', 2)
    """

    labels: tuple[str, ...]
    rows: Floats
    kind: str
    k: int


@dataclass(frozen=True)
class ManyTests:
    """Tests of R data sets; every row is one data set.

    Attributes
    ----------
    terms : tuple of str
        The t terms tested.
    df_num : array, shape (t,)
    df_den, statistic, p_value : array, shape (R, t)
        Kenward-Roger F tests. NaN where a data set does not vary at all.
    contrasts : ContrastSet or None
    estimate, std_error, df : array, shape (R, c)
        Of the contrasts, with Kenward-Roger standard errors and degrees of freedom.
    correlation : array, shape (c, c)
        Of the contrasts, mean over the data sets; Dunnett's rule uses it.
    variances : array, shape (R, k + 1)
        Residual last; exactly 0.0 on the boundary.
    settled : bool array, shape (R,)
        Whether the search for the variances settled.

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> from doughlab.stats import FixedDesign
    >>> rows = pd.DataFrame({"dose": list("aabb") * 2, "plot": list("stuvstuv")})
    >>> design = FixedDesign(rows, "~ dose", random=["plot"])
    >>> tests = design.test_many(np.random.default_rng(1).normal(size=(8, 200)))
    >>> tests.terms, tests.df_den.shape, tests.variances.shape
    (('dose',), (200, 1), (200, 2))
    >>> pair = design.build_contrasts("dose")
    >>> tests = design.test_many(np.random.default_rng(1).normal(size=(8, 200)), contrasts=pair)
    >>> low, high = tests.intervals()
    >>> bool(np.allclose(high - low, 2 * tests.half_widths())), tests.at_zero.shape
    (True, (200,))
    >>> out = (low > 0) | (high < 0)
    >>> bool((out == (tests.contrast_p_values() < 0.05)).all())
    True
    """

    terms: tuple[str, ...]
    df_num: Floats
    df_den: Floats
    statistic: Floats
    p_value: Floats
    contrasts: ContrastSet | None
    estimate: Floats
    std_error: Floats
    df: Floats
    correlation: Floats
    variances: Floats
    settled: NDArray[np.bool_]

    @property
    def at_zero(self) -> NDArray[np.bool_]:
        """Tell which data sets have a variance estimated at exactly zero, shape (R,)."""
        return (self.variances[:, :-1] == 0.0).any(axis=1)

    def contrast_p_values(self) -> Floats:
        """Give two-sided p values of the contrasts, each for itself, shape (R, c)."""
        return 2.0 * stdtr(self.df, -np.abs(self.estimate / self.std_error))

    def half_widths(self, level: float = 0.95) -> Floats:
        """Give half widths of the intervals, simultaneous within the family.

        Parameters
        ----------
        level : float
            Of all intervals of one data set together.

        Returns
        -------
        array, shape (R, c)
            The critical value is interpolated in 1/df; the error is below 1e-6 of the width for
            pairs, and for a reference that of `dunnett_critical`.

        Raises
        ------
        InputError
            Where no contrasts were asked for.
        """
        if self.contrasts is None:
            raise InputError("No contrasts were asked for. Pass contrasts= to test_many.")
        kind, k = self.contrasts.kind, self.contrasts.k
        if kind == "pairs" and k > 2:
            from doughlab.stats.multiplicity import tukey_isf

            return self.std_error * _interpolate(
                self.df, lambda df: tukey_isf(1.0 - level, k, df) / np.sqrt(2.0)
            )
        if kind == "reference" and len(self.contrasts.labels) > 1:
            from doughlab.stats.multiplicity import dunnett_critical

            corr = self.correlation

            def critical(df: Floats) -> Floats:
                return np.array([np.max(dunnett_critical(level, corr, float(d))) for d in df])

            return self.std_error * _interpolate(self.df, critical)
        return self.std_error * t_quantile(level, self.df)

    def intervals(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Give the ends of the simultaneous intervals, each of shape (R, c)."""
        half = self.half_widths(level)
        return self.estimate - half, self.estimate + half


def _interpolate(df: Floats, critical: Any) -> Floats:
    """Evaluate a smooth function of 1/df through Chebyshev points."""
    good = np.isfinite(df)
    if not good.any():
        return np.full(df.shape, np.nan)
    x = 1.0 / df[good]
    low, high = float(x.min()), float(x.max())
    if high - low <= 1e-12 * high:
        out = np.full(df.shape, np.nan)
        out[good] = critical(np.array([1.0 / high]))[0]
        return out
    nodes = np.polynomial.chebyshev.chebpts1(20)
    centre, half = 0.5 * (low + high), 0.5 * (high - low)
    values = np.log(critical(1.0 / (centre + half * nodes)))
    series = np.polynomial.chebyshev.chebfit(nodes, values, 19)
    out = np.full(df.shape, np.nan)
    out[good] = np.exp(np.polynomial.chebyshev.chebval((x - centre) / half, series))
    return out


class FixedDesign:
    """A design prepared once, for any number of responses.

    Parameters
    ----------
    data : DataFrame
        The settings of every row; the response need not be there.
    formula : str
        As for `fit_mixed`; what stands left of "~" is not looked at.
    random : sequence of str
        Random intercepts.

    Raises
    ------
    NotEstimable
        As `fit_mixed`; for lost values leave their rows out and make one design per pattern.

    References
    ----------
    Kenward & Roger (1997), Biometrics 53, 983-997, as in `fit_mixed`; checked against it in
    tests/stats/test_simulate.py.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"dose": list("aabb") * 2, "plot": list("stuvstuv")})
    >>> design = FixedDesign(rows, "~ dose", random=["plot"])
    >>> noise = np.random.default_rng(1).normal(size=(8, 500))
    >>> design.test_many(noise).p_value.shape
    (500, 1)
    >>> design.n, list(design.index)[:3], design.not_estimable, design.random_names
    (8, [0, 1, 2], {}, ['plot', 'residual'])
    """

    def __init__(self, data: pd.DataFrame, formula: str, *, random: Sequence[str] = ()) -> None:
        text = f"response {formula}" if formula.strip().startswith("~") else formula
        design, _ = build_design(data, text, random=random, response=False)
        self.reduction, groupings, reasons = reduce_terms(design)
        self.prepared = complete_design(design, self.reduction, groupings, reasons)

    @property
    def n(self) -> int:
        """Count the rows that a response must have."""
        return self.reduction.n

    @property
    def index(self) -> pd.Index:
        """Give the labels of the rows used, in the order of a response."""
        return self.prepared.design.index

    @property
    def not_estimable(self) -> dict[str, str]:
        """Name the terms that cannot be estimated, each with the reason."""
        return dict(self.prepared.not_estimable)

    @property
    def random_names(self) -> list[str]:
        """Name the random terms fitted, then the residual."""
        return [*(g.name for g in self.prepared.groupings), "residual"]

    def build_contrasts(
        self,
        term: str | Sequence[str],
        *,
        method: str | Mapping[str, Sequence[float]] = "pairs",
        reference: str | None = None,
        at: Mapping[str, Any] | None = None,
        weights: str = "equal",
    ) -> ContrastSet:
        """Build the contrasts of a factor, or the slope along a number.

        Parameters
        ----------
        term : str or sequence of str
            Factors as in `MixedFit.contrasts`, or one numeric column for its slope.
        method, reference, at, weights
            As in `MixedFit.contrasts`.

        Returns
        -------
        ContrastSet

        Raises
        ------
        NotEstimable
            Where a contrast cannot be estimated on this design.
        """
        design, names = self.prepared.design, split_names(term)
        grid = Grid(at or {}, weights)
        if len(names) == 1 and names[0] in design.numbers and names[0] not in design.factors:
            rows, _ = slope_rows(design, names[0], [], grid)
            found = ContrastSet((names[0],), rows, "slope", 1)
        else:
            cells = build_cells(design, names, grid)
            levels = [":".join(label) for label in cells.labels]
            family = build_family(levels, method, reference)
            found = ContrastSet(
                tuple(family.labels), family.matrix @ cells.rows, family.kind, len(levels)
            )
        good = self.prepared.coordinates.convert(found.rows)[1]
        if not good.all():
            lost = [label for label, ok in zip(found.labels, good, strict=True) if not ok]
            raise NotEstimable(f"This design cannot estimate {listed(lost)}.")
        return found

    def test_many(
        self,
        y: Floats,
        *,
        terms: Sequence[str] | None = None,
        contrasts: ContrastSet | None = None,
    ) -> ManyTests:
        """Fit and test every column of y.

        Parameters
        ----------
        y : array, shape (n, R)
            One response per column.
        terms : sequence of str, optional
            Terms to test; None: all that can be estimated.
        contrasts : ContrastSet, optional
            From `build_contrasts`.

        Returns
        -------
        ManyTests

        Raises
        ------
        InputError
            Where y has another number of rows, or a blank.
        """
        y = np.asarray(y, dtype=float)
        if y.ndim != 2 or y.shape[0] != self.n:
            raise InputError(f"Responses need {self.n} rows, one column each; got {y.shape}.")
        if not np.isfinite(y).all():
            raise InputError("A response has a blank. Make a design without the lost rows.")
        kernel = build_kernel(self.reduction, self._hypotheses(terms, contrasts))
        parts = [
            self._test_chunk(kernel, y[:, start : start + CHUNK], contrasts)
            for start in range(0, max(y.shape[1], 1), CHUNK)
        ]
        joined = [np.concatenate(items) for items in zip(*parts, strict=True)]
        df_den, statistic, p_value, estimate, error, df, corr, variances, settled = joined
        good = np.isfinite(corr).all(axis=1)
        c = 0 if contrasts is None else len(contrasts.labels)
        mean = corr[good].mean(axis=0).reshape(c, c) if good.any() and c else np.eye(c)
        return ManyTests(
            terms=kernel.hypotheses.names,
            df_num=np.array([len(r) for r in kernel.hypotheses.terms], dtype=float),
            df_den=df_den,
            statistic=statistic,
            p_value=p_value,
            contrasts=contrasts,
            estimate=estimate,
            std_error=error,
            df=df,
            correlation=mean,
            variances=variances,
            settled=settled.astype(bool),
        )

    def estimate_at(self, y: Floats, contrasts: ContrastSet, variances: Sequence[float]) -> Floats:
        """Estimate contrasts at variances that are known, by generalised least squares.

        Parameters
        ----------
        y : array, shape (n, R)
            One response per column.
        contrasts : ContrastSet
            From `build_contrasts`.
        variances : sequence of float
            In the order of `random_names`, the residual last and above 0.

        Returns
        -------
        array, shape (R, c)
            Best linear unbiased estimates. What an estimate with fitted variances adds to them
            depends on the residuals only and is independent of them (Kackar & Harville 1984, JASA
            79, 853-862, from memory).

        Examples
        --------
        >>> import pandas as pd
        >>> rows = pd.DataFrame({"dose": list("aabb") * 2, "plot": list("stuvstuv")})
        >>> design = FixedDesign(rows, "~ dose", random=["plot"])
        >>> asked = design.build_contrasts("dose")
        >>> y = np.array([[1.0, 2.0, 3.0, 4.0, 1.0, 2.0, 3.0, 4.0]]).T
        >>> print(design.estimate_at(y, asked, [0.2, 0.1]).round(6))
        [[-2.]]
        """
        red, rows = self.reduction, self.prepared.coordinates.convert(contrasts.rows)[0]
        beta, w, _ = red.project(np.asarray(y, dtype=float))
        ratios = np.asarray(variances[:-1], dtype=float) / variances[-1]
        h = np.eye(red.basis.shape[1]) + np.tensordot(ratios, red.a, axes=1)
        spread = rows @ np.tensordot(ratios, red.m, axes=1)
        found: Floats = (rows @ beta - spread @ np.linalg.solve(h, w)).T
        return found

    def _hypotheses(self, terms: Sequence[str] | None, contrasts: ContrastSet | None) -> Hypotheses:
        """Turn terms and contrasts into rows in the coordinates of Q."""
        design, coordinates = self.prepared.design, self.prepared.coordinates
        if terms is None:
            chosen = [t for t in design.terms if t.parts and t.name not in self.prepared.lost_terms]
        else:
            chosen = [design.term(name) for name in terms]
        for term in chosen:
            if term.name in self.prepared.lost_terms:
                raise NotEstimable(f"{term.name}: {self.prepared.not_estimable[term.name]}")
            if not term.parts:
                raise UnknownName("Term", term.name, [t.name for t in design.terms if t.parts])
        rows = [coordinates.estimable_part(difference_rows(design, t)) for t in chosen]
        own: Floats = np.zeros((0, self.reduction.rank))
        if contrasts is not None:
            own = coordinates.convert(contrasts.rows)[0]
        return Hypotheses(tuple(t.name for t in chosen), tuple(rows), own)

    def _test_chunk(
        self, kernel: Kernel, y: Floats, contrasts: ContrastSet | None
    ) -> tuple[Floats, ...]:
        """Test at most CHUNK data sets."""
        red = self.reduction
        shift = y[0] if self._has_intercept else np.zeros(y.shape[1])
        beta, w, s0 = red.project(y - shift)
        scale = np.sqrt((np.einsum("rn,rn->n", w, w) + s0) / red.dof)
        flat = scale <= 1e-13 * np.maximum(np.abs(y).max(axis=0, initial=0.0), 1e-300)
        scale = np.where(flat, 1.0, scale)
        unit_w = np.ascontiguousarray((w / scale).T)
        unit_s0 = np.where(flat, 1.0, red.floor_s0(s0 / scale**2))
        optimum = optimise(red, unit_w, unit_s0)
        s = optimum.residual
        alike = np.flatnonzero(s < 10.0 * LEAST_RESIDUAL)  # rows of a group do not differ
        ratios = optimum.ratios.copy()
        ratios[alike] = 0.0
        moments = kernel.evaluate(ratios, beta / scale, unit_w)
        tests = np.empty((3, len(kernel.hypotheses.terms), y.shape[1]))
        for i, rows in enumerate(kernel.hypotheses.terms):
            q = len(rows)
            m, scaling = kenward_roger_df(moments.a1[i], moments.a2[i], q)
            f = moments.quadratic[i] / (q * s) * scaling
            tests[:, i] = m, f, fdtrc(q, m, f)
        for at in map(int, alike):
            found = np.append(optimum.ratios[at], 1.0) * s[at]
            one = compute_moments(red, beta[:, at] / scale[at], unit_w[at], unit_s0[at], found)
            self._test_alike(kernel.hypotheses, one, at, tests, moments, s)
        estimate = moments.estimate * scale
        if contrasts is not None:
            estimate += contrasts.rows[:, :1] * shift
        error = np.sqrt(moments.variance * s) * scale
        df = 2.0 / np.maximum(moments.a2_contrast, 1e-300)
        columns = [*tests, estimate, error, df, moments.correlation]
        columns = [np.where(flat, np.nan, c).T for c in columns]
        variances = np.column_stack([optimum.ratios, np.ones(len(s))]) * s[:, None]
        variances = np.where(flat[:, None], 0.0, variances * scale[:, None] ** 2)
        return (*columns, variances, optimum.settled)

    def _test_alike(
        self,
        hypotheses: Hypotheses,
        one: Moments,
        i: int,
        tests: Floats,
        moments: ManyMoments,
        s: Floats,
    ) -> None:
        """Put the careful path of a single fit in place of data set i, which has no residual."""
        for j, found in enumerate(f_tests(one, hypotheses.terms)):
            tests[:, j, i] = found.df_den, found.statistic, found.p_value
        if len(hypotheses.contrasts):
            t = t_tests(one, hypotheses.contrasts)
            moments.estimate[:, i] = t.estimate
            moments.variance[:, i] = t.std_error**2 / s[i]
            moments.a2_contrast[:, i] = 2.0 / t.df
            error = np.outer(t.std_error, t.std_error)
            moments.correlation[:, i] = (t.covariance / error).ravel()

    @property
    def _has_intercept(self) -> bool:
        """Tell whether a constant may be subtracted first."""
        terms = self.prepared.design.terms
        return bool(terms) and not terms[0].parts
