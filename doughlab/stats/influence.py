"""Leave one group out at a time, fit again, and see what changes.

Called by MixedFit.influence and by the checks of analysis/.
Leaves every fit to fit.py and every mean and contrast to the fits themselves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, NotEstimable, UnknownName, listed
from doughlab.stats.design import take_rows
from doughlab.stats.fit import fit_prepared, prepare_single
from doughlab.stats.means import split_names
from doughlab.stats.terms import encode_column
from doughlab.stats.verdicts import VERDICTS, judge_intervals

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.stats.result import MixedFit

Floats = NDArray[np.floating[Any]]
Codes = NDArray[np.integer[Any]]
Question = Callable[["MixedFit"], "pd.DataFrame"]

KEYS = ["term", "level", "contrast"]
NOT_ESTIMABLE = "not estimable"
ABOVE, BELOW, NOT_SHOWN = "above zero", "below zero", "not shown"


@dataclass(frozen=True, eq=False)
class Omission:
    """The fit without one group.

    Attributes
    ----------
    level : str
        The group left out.
    n : int
        Its rows.
    fit : MixedFit or None
        None where nothing can be estimated without it.
    reason : str
        Why; empty where there is a fit.
    lost : dict of str to tuple of str
        Per factor, the levels that had rows in this group only.
    """

    level: str
    n: int
    fit: MixedFit | None = field(repr=False)
    reason: str = ""
    lost: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Influence:
    """What each group does to a fit, by fits without it.

    Attributes
    ----------
    term : str
        What was left out, level by level.
    whole : MixedFit
        The fit of all rows.
    omissions : tuple of Omission
        One per group.
    table : DataFrame
        One row per group: term, level (the group), df_num (coefficients compared), statistic
        (Cook's distance), n (its rows). NaN where there is no fit without it.
    notes : tuple of str
        Groups that cannot be left out, levels that go with a group, variances that fall to zero.

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> rows = pd.DataFrame({"y": [5.6, 5.5, 5.4, 5.5, 5.2, 5.3], "dose": list("ababab"),
    ...                      "plot": list("112233")})
    >>> study = fit_mixed(rows, "y ~ dose", random=["plot"]).influence("plot")
    >>> [o.level for o in study.omissions], len(study.variances), len(study.means("dose"))
    (['1', '2', '3'], 6, 6)
    >>> len(study.contrasts("dose")), len(study.ask(lambda fit: fit.means("dose")))
    (3, 6)
    """

    term: str
    whole: MixedFit = field(repr=False)
    omissions: tuple[Omission, ...] = field(repr=False)
    table: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()

    @cached_property
    def variances(self) -> pd.DataFrame:
        """Give the variances without each group.

        Returns
        -------
        DataFrame
            Columns without, term (as `MixedFit.variances` names it), estimate, change (from that
            of all rows). NaN for a variance that cannot be told without the group.
        """
        import pandas as pd

        whole = self.whole.variances
        rows = []
        for omission in self.omissions:
            own = {} if omission.fit is None else omission.fit.variances.to_dict()
            for name, value in whole.items():
                estimate = float(own.get(name, np.nan))
                rows.append((omission.level, name, estimate, estimate - float(value)))
        return pd.DataFrame(rows, columns=["without", "term", "estimate", "change"])

    def means(self, term: str | Sequence[str], **options: Any) -> pd.DataFrame:
        """Compute adjusted means without each group.

        Parameters
        ----------
        term : str or sequence of str
        **options
            As in `MixedFit.means`. Numbers stand at their mean over all rows unless `at` says
            otherwise, so that only the fit changes.

        Returns
        -------
        DataFrame
            As `ask`, without conclusions.
        """
        options["at"] = self._place(term, options)
        table = self.ask(lambda fit: fit.means(term, **options))
        return table.drop(columns=["before", "after", "changed"])

    def contrasts(
        self, term: str | Sequence[str], *, margin: float | None = None, **options: Any
    ) -> pd.DataFrame:
        """Compare adjusted means without each group.

        Parameters
        ----------
        term : str or sequence of str
        margin : float, optional
            Smallest difference that matters, above 0, in units of the response: conclusions are
            then the verdicts of `doughlab.stats.verdicts`.
        **options
            As in `MixedFit.contrasts`; numbers stand as in `means`. Where a group takes a level
            of the term with it, polynomial and own contrasts cannot be estimated without it.

        Returns
        -------
        DataFrame
            As `ask`.
        """
        options["at"] = self._place(term, options)
        whole = self.whole.design.factors
        own = {name for n in split_names(term) for name in (n, f"C({n})") if name in whole}
        pairs = options.get("method", "pairs") == "pairs"

        def question(fit: MixedFit) -> pd.DataFrame:
            if not pairs and any(fit.design.factors[f].levels != whole[f].levels for f in own):
                raise NotEstimable("A level of the contrast has no rows.")
            return fit.contrasts(term, **options)

        return self.ask(question, margin=margin)

    def ask(self, question: Question, *, margin: float | None = None) -> pd.DataFrame:
        """Ask the fit of all rows and every fit without a group the same question.

        Parameters
        ----------
        question : function of a MixedFit
            Gives a table with the columns of `MixedFit.contrasts`, one row per estimate.
        margin : float, optional
            As in `contrasts`.

        Returns
        -------
        DataFrame
            One row per group and estimate: without (the group), the columns of the question,
            change (from the estimate of all rows), share (the change in standard errors of the
            estimate of all rows), before and after (conclusions with all rows and without the
            group) and changed. Without a margin a conclusion is "above zero", "below zero" or
            "not shown". NaN and "not estimable" where it cannot be told without the group.
        """
        import pandas as pd

        whole = question(self.whole).set_index(KEYS)
        before, side = conclude(whole, margin)
        tables = []
        for omission in self.omissions:
            found = _answer(question, omission.fit, whole)
            after, other_side = conclude(found, margin)
            change = found["estimate"] - whole["estimate"]
            tables.append(
                found.assign(
                    without=omission.level,
                    change=change,
                    share=change / whole["std_error"],
                    before=before,
                    after=after,
                    changed=(before != after) | (side != other_side),
                ).reset_index()
            )
        table = pd.concat(tables, ignore_index=True)
        return table[["without", *(c for c in table.columns if c != "without")]]

    def _place(self, term: str | Sequence[str], options: Mapping[str, Any]) -> dict[str, Any]:
        """Hold every number at its mean over all rows, unless the options say where."""
        numbers = self.whole.design.numbers
        asked = set(split_names(term)) | set(split_names(options.get("by")))
        place = {n: float(column.mean()) for n, column in numbers.items() if n not in asked}
        return place | dict(options.get("at") or {})

    def __str__(self) -> str:
        """Give the groups with the largest distances, in at most 15 lines."""
        order = self.table.sort_values("statistic", ascending=False, na_position="last").head(8)
        lines = [f"without one {self.term} of {len(self.table)} at a time, Cook's distance:"]
        lines += [
            f"  {str(row.level)[:40]}: {row.statistic:.3g} ({row.n} rows)"
            for row in order.itertuples()
        ]
        lines += [note[:80] for note in self.notes]
        return "\n".join(lines[:15])

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        import html

        return f"<pre>{html.escape(str(self))}</pre>"


def _answer(question: Question, fit: MixedFit | None, whole: pd.DataFrame) -> pd.DataFrame:
    """Ask one fit; rows that it cannot answer are NaN."""
    if fit is None:
        return whole * np.nan
    try:
        found = question(fit).set_index(KEYS)
    except (InputError, NotEstimable):  # a level that is named in the question has no rows left
        return whole * np.nan
    return found.reindex(whole.index)


def conclude(table: pd.DataFrame, margin: float | None) -> tuple[NDArray[Any], NDArray[Any]]:
    """Draw the conclusion of every interval of a table.

    Parameters
    ----------
    table : DataFrame
        With ci_low and ci_high.
    margin : float or None
        For verdicts; None for the side of zero.

    Returns
    -------
    words : array of str
    side : int array
        1 and -1 where the interval lies above and below zero, 0 elsewhere.
    """
    low, high = table["ci_low"].to_numpy(float), table["ci_high"].to_numpy(float)
    side = (low > 0).astype(int) - (high < 0).astype(int)
    if margin is None:
        words = np.array([BELOW, NOT_SHOWN, ABOVE], dtype=object)[side + 1]
    else:
        words = np.array(VERDICTS, dtype=object)[judge_intervals(low, high, margin)]
    return np.where(np.isfinite(low) & np.isfinite(high), words, NOT_ESTIMABLE), side


def omit_groups(fit: MixedFit, group: str, *, data: pd.DataFrame | None = None) -> Influence:
    """Fit again without each level of a group, one at a time.

    Each fit is a new search for the variances, on the same rows less one group; the design is not
    read again from the table.

    Parameters
    ----------
    fit : MixedFit
    group : str
        A random term as "day:batch", a factor of the model, or a column of `data`.
    data : DataFrame, optional
        The table that was fitted, for a column that the model does not use.

    Returns
    -------
    Influence

    Raises
    ------
    UnknownName
        For a group that neither the model nor `data` has.
    InputError
        For a group with one level only, and for `data` that lacks rows of the fit.

    References
    ----------
    Cook (1977), Technometrics 19, 15-18, for groups as in Demidenko & Stukel (2005), Statistics in
    Medicine 24, 893-909 (pages from memory): (b - b_g)' C^-1 (b - b_g) / p, with C the covariance
    of the p coefficients b of all rows. Where a level goes with the group, over what both fits can
    estimate. Checked in tests/reference/test_influence_demidenko2005.py.

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> table = pd.DataFrame({
    ...     "y": [5.61, 5.59, 5.52, 5.55, 5.44, 5.41, 5.47, 5.50],
    ...     "dose": ["low", "low", "low", "low", "high", "high", "high", "high"],
    ...     "plot": ["P1", "P1", "P2", "P2", "P3", "P3", "P4", "P4"],
    ... })
    >>> found = omit_groups(fit_mixed(table, "y ~ dose", random=["plot"]), "plot")
    >>> found.table.round(3).to_dict("records")[0]
    {'term': 'plot', 'level': 'P1', 'df_num': 2, 'statistic': 0.54, 'n': 2}
    >>> print(found.contrasts("dose")[["without", "estimate", "change"]].round(4).head(2))
      without  estimate  change
    0      P1   -0.0800  0.0325
    1      P2   -0.1450 -0.0325
    """
    import pandas as pd

    codes, levels = find_groups(fit, group, data)
    counts = np.bincount(codes[codes >= 0], minlength=len(levels))
    places = np.flatnonzero(counts)
    if len(places) < 2:
        raise InputError(f"{group} has one level in the rows used, so none can be left out.")
    omissions = tuple(_omit(fit, codes != i, levels[i], int(counts[i])) for i in places)
    pairs = zip(omissions, places, strict=True)
    measured = [cook_distance(fit, o.fit, codes != i) for o, i in pairs]
    table = pd.DataFrame(
        {
            "term": [group] * len(omissions),
            "level": [o.level for o in omissions],
            "df_num": np.array([p for _, p in measured], dtype=np.int64),
            "statistic": np.array([d for d, _ in measured], dtype=float),
            "n": np.array([o.n for o in omissions], dtype=np.int64),
        }
    )
    notes = (*_blank_note(group, codes), *_omission_notes(fit, group, omissions))
    return Influence(group, fit, omissions, table, notes)


def find_groups(
    fit: MixedFit, group: str, data: pd.DataFrame | None
) -> tuple[Codes, tuple[str, ...]]:
    """Find the group of every row used.

    Parameters
    ----------
    fit : MixedFit
    group : str
    data : DataFrame or None

    Returns
    -------
    codes : int array, shape (n,)
        -1 for a row whose group is blank.
    levels : tuple of str
    """
    design = fit.design
    groupings = {g.name: g for g in design.groupings}
    if group in groupings:
        return groupings[group].codes, groupings[group].levels
    for name in (group, f"C({group})"):
        if name in design.factors:
            return design.factors[name].codes, design.factors[name].levels
    columns = [] if data is None else [str(c) for c in data.columns]
    if data is None or group not in data.columns:
        known = list(dict.fromkeys([*groupings, *design.factors, *columns]))
        raise UnknownName("Group", group, known, where="Model")
    if not data.index.is_unique or not design.index.isin(data.index).all():
        raise InputError("data is not the table that was fitted: its row labels differ.")
    return encode_column(data.loc[design.index, group])


def refit_rows(fit: MixedFit, keep: NDArray[np.bool_]) -> MixedFit:
    """Fit the same model to some of the rows.

    Parameters
    ----------
    fit : MixedFit
    keep : bool array, shape (n,)

    Returns
    -------
    MixedFit
        What `fit_mixed` gives for these rows of the table.

    Raises
    ------
    NotEstimable
        Where nothing can be estimated from them.
    """
    rows = np.flatnonzero(keep)
    prepared = prepare_single(take_rows(fit.design, rows), allow_negative=fit.allow_negative)
    return fit_prepared(
        prepared,
        fit.y[rows],
        method=fit.method,
        allow_negative=fit.allow_negative,
        coding=fit.coding,
    )


def _omit(fit: MixedFit, keep: NDArray[np.bool_], level: str, n: int) -> Omission:
    """Fit without one group, or say why that cannot be done."""
    try:
        found = refit_rows(fit, keep)
    except NotEstimable as error:
        return Omission(level, n, None, str(error))
    lost = {}
    for name, factor in fit.design.factors.items():
        left = set(found.design.factors[name].levels)
        gone = tuple(text for text in factor.levels if text not in left)
        if gone:
            lost[name] = gone
    return Omission(level, n, found, "", lost)


def cook_distance(
    fit: MixedFit, other: MixedFit | None, keep: NDArray[np.bool_]
) -> tuple[float, int]:
    """Measure how far the coefficients of two fits lie apart.

    Parameters
    ----------
    fit : MixedFit
        Of all rows.
    other : MixedFit or None
        Of the rows kept; its coding may differ.
    keep : bool array, shape (n,)

    Returns
    -------
    distance : float
        NaN without another fit.
    df_num : int
        Combinations of coefficients that both fits estimate.
    """
    if other is None:
        return float("nan"), 0
    matrix = fit.design.matrix[keep]
    size = np.linalg.norm(matrix, axis=0)
    size[size == 0] = 1.0
    u, s, vt = np.linalg.svd(matrix / size, full_matrices=False)
    rank = int((s > 1e-10 * s[0]).sum())
    apart = _fitted(fit)[keep] - _fitted(other) + (fit.shift - other.shift)
    combined = (u[:, :rank].T @ apart) / s[:rank]
    turned, _ = fit.coordinates.convert(vt[:rank] * size)
    covariance = turned @ fit.moments.phi @ turned.T * fit.scale**2
    return float(combined @ np.linalg.solve(covariance, combined)) / rank, rank


def _fitted(fit: MixedFit) -> Floats:
    """Give the fitted values of the fixed terms, less the shift of the fit."""
    return fit.design.matrix @ (fit.coordinates.back @ fit.moments.beta) * fit.scale


def _blank_note(group: str, codes: Codes) -> tuple[str, ...]:
    blank = int((codes < 0).sum())
    if not blank:
        return ()
    rows = "1 row is" if blank == 1 else f"{blank} rows are"
    return (f"{rows} in no {group} and stayed in every fit.",)


def _omission_notes(fit: MixedFit, group: str, omissions: Sequence[Omission]) -> list[str]:
    """Say what goes with a group: the fit, a level, or the spread of a random term."""
    notes = [f"Without {o.level}: {o.reason}" for o in omissions if o.fit is None][:5]
    own = (group, f"C({group})")
    if any(name in fit.design.factors for name in own):
        notes.append(f"Without a level of {group} means are over its other levels.")
    gone: dict[str, list[str]] = {}
    for omission in omissions:
        for name, texts in omission.lost.items():
            if name in own:
                continue
            gone.setdefault(f"{name} {listed(list(texts), shown=3)}", []).append(omission.level)
    for words, levels in list(gone.items())[:5]:
        notes.append(f"Without {listed(levels)} no row has {words}; means are over the rest.")
    for term, value in fit.variances.items():
        name = str(term)
        left = [o for o in omissions if o.fit is not None]
        unknown = [o.level for o in left if o.fit and name not in o.fit.variances.index]
        zero = [o.level for o in left if o.fit and o.fit.variances.get(name, 1.0) == 0.0]
        if unknown:
            notes.append(f"Without {listed(unknown)} the variance of {name} cannot be told.")
        if zero and value != 0.0:
            notes.append(f"Without {listed(zero)} the variance of {name} is estimated at zero.")
    return notes
