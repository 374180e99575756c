"""Split the spread of repeated measurements into what was measured and what measuring adds.

Called by the measurement study and by the agreement of judges.
Leaves mean squares and their ranges to mean_squares.py, likelihood ranges to profile.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.stats.design import Design, build_design
from doughlab.stats.fit import fit_mixed
from doughlab.stats.mean_squares import (
    MeanSquares,
    compute_mean_squares,
    draw_variances,
    is_balanced,
    sum_interval,
)
from doughlab.stats.profile import build_variance_profile, share_range, sum_range

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating[Any]]

METHODS = ("anova", "reml")
COLUMNS = (
    "term", "estimate", "std_error", "df", "ci_low", "ci_high", "n", "sd", "share", "share_low",
    "share_high",
)  # fmt: skip
REPEAT, MEASURING, TOTAL = "repeat", "measuring", "total"


@dataclass(frozen=True, eq=False)
class SpreadStudy:
    """Where the spread of repeated measurements comes from.

    Attributes
    ----------
    table : DataFrame
        One row per source, then "repeat", "measuring" (all but what was measured) and "total".
        Columns term, estimate (variance), std_error, df (Satterthwaite), ci_low, ci_high, n
        (levels; values for the last three), sd, share (of the total variance), share_low,
        share_high. Blank where there is no such number.
    method : str
        "anova" or "reml".
    level : float
        Of the ranges.
    notes : tuple of str
        What is shaky.
    how : str
    squares : MeanSquares or None
        For "anova".
    """

    table: pd.DataFrame
    method: str
    level: float
    notes: tuple[str, ...]
    how: str
    squares: MeanSquares | None = field(default=None, repr=False)

    def row(self, term: str) -> pd.Series:
        """Give one row of the table.

        Parameters
        ----------
        term : str
            As in the table.
        """
        from doughlab.errors import UnknownName

        found = self.table[self.table["term"] == term]
        if found.empty:
            raise UnknownName("Source of spread", term, list(self.table["term"]))
        return found.iloc[0]

    @property
    def measuring_share(self) -> float:
        """Give the share of measuring in the total variance."""
        return float(self.row(MEASURING)["share"])

    @property
    def measuring_sd_share(self) -> float:
        """Give the spread (SD) of measuring over the total spread; its square is the share."""
        return float(np.sqrt(self.measuring_share))

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Give the mean squares: term, df, sum_squares, mean_square; empty for "reml"."""
        import pandas as pd

        columns = ["term", "df", "sum_squares", "mean_square"]
        if self.squares is None:
            return pd.DataFrame(columns=columns)
        found = self.squares
        names = [":".join(t) or REPEAT for t in found.terms]
        parts = (names, found.df, found.sum_squares, found.mean_squares)
        return pd.DataFrame(dict(zip(columns, parts, strict=True)))

    def __str__(self) -> str:
        """Give each source with its range in at most 15 lines."""
        per = f"{100 * self.level:g} %"
        lines = [f"Spread (SD) by source, {per} ranges; share of the total variance"]
        for row in self.table.head(10).to_dict("records"):
            low, high = np.sqrt([row["ci_low"], row["ci_high"]])
            spread = f"{row['sd']:.4g} ({low:.4g} to {high:.4g})"
            lines.append(f"  {row['term'][:24]:<24} {spread:<34} {100 * row['share']:5.1f} %")
        lines += [note if len(note) <= 80 else f"{note[:76]} ..." for note in self.notes[:3]]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        """Show the same facts in a notebook."""
        return f"<pre>{escape(str(self))}</pre>"


def study_spread(
    data: pd.DataFrame,
    response: str,
    *,
    part: str,
    measured_by: Sequence[str] = (),
    method: str | None = None,
    level: float = 0.95,
) -> SpreadStudy:
    """Split the spread of measurements by what was measured and by whom.

    All sources are random and normal. Pairs of sources are sources of their own where
    combinations are repeated; what more of them do together is part of the repeat.

    Parameters
    ----------
    data : DataFrame
        One row per measurement; rows with a blank are left out and counted.
    response : str
        Column of numbers.
    part : str
        Column that names what was measured.
    measured_by : sequence of str
        Columns that name who or what measured it: operator, instrument; up to three.
    method : {"anova", "reml"} or None
        Mean squares, for balanced data only, or restricted likelihood. None: mean squares where
        the data are balanced.
    level : float
        Of the ranges, each for itself.

    Returns
    -------
    SpreadStudy

    Raises
    ------
    InputError
        For an unknown method, one column named twice, unbalanced data with "anova", or data
        without any repeat.
    UnknownName
        For a column that the table does not have.
    NotEstimable
        With fewer than two parts or levels of a source, or values that do not differ.

    References
    ----------
    Ranges by mean squares: see `doughlab.stats.mean_squares`; shares by generalized intervals.
    By likelihood: see `doughlab.stats.profile`. Checked in
    tests/reference/test_spread_graybill1980.py.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({
    ...     "value": [5.1, 5.2, 5.3, 5.2, 5.8, 5.7, 5.9, 6.0, 5.4, 5.5, 5.4, 5.6],
    ...     "piece": ["p1"] * 4 + ["p2"] * 4 + ["p3"] * 4,
    ...     "meter": ["m1", "m1", "m2", "m2"] * 3,
    ... })
    >>> study = study_spread(table, "value", part="piece", measured_by=["meter"])
    >>> print(study.table[["term", "estimate", "share"]].round(4).to_string(index=False))
           term  estimate  share
          piece    0.1050 0.8873
          meter    0.0058 0.0493
    piece:meter    0.0000 0.0000
         repeat    0.0075 0.0634
      measuring    0.0133 0.1127
          total    0.1183 1.0000
    """
    names = [part, *([measured_by] if isinstance(measured_by, str) else measured_by)]
    _check_request(names, method, level)
    design, y = build_design(data, f"{response} ~ 1", random=names)
    for grouping in design.groupings:
        if len(grouping.levels) < 2:
            raise NotEstimable(
                f"{grouping.name}: only '{grouping.levels[0]}' has values; its spread needs at "
                "least two."
            )
    codes = [g.codes for g in design.groupings]
    chosen = method or ("anova" if is_balanced(codes) else "reml")
    if np.ptp(y) == 0.0:
        raise NotEstimable(f"All values of {response} are {y[0]:g}: there is no spread to split.")
    notes = []
    if design.n_dropped:
        rows = "1 row" if design.n_dropped == 1 else f"{design.n_dropped} rows"
        notes.append(f"{rows} with a blank left out, {len(y)} used.")
    request = _Request(names, [len(g.levels) for g in design.groupings], len(y), level)
    if chosen == "anova":
        found = compute_mean_squares(y, codes, names)
        table, more = _by_mean_squares(found, request)
    else:
        found, (table, more) = None, _by_likelihood(data, response, design, request)
    few = [n for n, k in zip(names[1:], request.levels[1:], strict=True) if k < 5]
    if few:
        more.append(f"{', '.join(few)}: few levels, so that its spread is hardly known.")
    how = {"anova": "mean squares of the balanced random model", "reml": "restricted likelihood"}
    text = f"{response} by {' x '.join(names)}, all random; {how[chosen]}; {len(y)} values used."
    return SpreadStudy(table, chosen, level, (*notes, *more), text, found)


def _check_request(names: Sequence[str], method: str | None, level: float) -> None:
    if method is not None and method not in METHODS:
        raise InputError(f"method='{method}' is not known. Use 'anova' or 'reml'.")
    if len(set(names)) < len(names):
        raise InputError(f"A column is named twice: {', '.join(names)}.")
    if len(names) > 4:
        raise InputError(f"measured_by names {len(names) - 1} columns; at most three are split.")
    if not 0.0 < level < 1.0:
        raise OutOfRange(
            f"level is {level:g}; it must be above 0 and below 1.", value=level, low=0, high=1
        )


@dataclass(frozen=True)
class _Request:
    """What was asked: the part first, then what it was measured by."""

    names: Sequence[str]
    levels: Sequence[int]
    n: int
    level: float

    def count(self, term: str) -> int:
        """Count the levels of a term, or the values behind a sum."""
        held = dict(zip(self.names, self.levels, strict=True))
        parts = term.split(":")
        return int(np.prod([held[p] for p in parts])) if set(parts) <= set(held) else self.n

    def sums(self, terms: Sequence[str]) -> dict[str, Floats]:
        """Give the rows of 0 and 1 that make each source and both sums."""
        rows = dict(zip(terms, np.eye(len(terms)), strict=True))
        measuring = np.array([float(t != self.names[0]) for t in terms])
        return {**rows, MEASURING: measuring, TOTAL: np.ones(len(terms))}


def _by_mean_squares(found: MeanSquares, request: _Request) -> tuple[pd.DataFrame, list[str]]:
    """Estimate by mean squares."""
    terms = [":".join(t) or REPEAT for t in found.terms]
    raw, squares = found.variances, found.mean_squares
    drawn = draw_variances(found)
    total = drawn.sum(axis=1)
    tail = 50.0 * (1.0 - request.level)
    shown = np.maximum(raw, 0.0)
    records = []
    for term, row in request.sums(terms).items():
        c = row @ found.rows
        low, high = sum_interval(c, squares, df=found.df, level=request.level)
        error = float(np.sqrt(2.0 * ((c * squares) ** 2 / found.df).sum()))
        value = float(row @ shown)
        shares = np.percentile(drawn @ row / total, [tail, 100.0 - tail])
        records.append(_record(request, term, value, error, (low, high), tuple(shares)))
    notes = [
        f"{term}: estimated at {value:.3g}, shown as 0."
        for term, value in zip(terms, raw, strict=True)
        if value < 0.0
    ]
    if raw[-1] == 0.0:
        notes.append("Repeats do not differ at all: the values are rounded too coarsely.")
    return _table(records), notes


def _by_likelihood(
    data: pd.DataFrame, response: str, design: Design, request: _Request
) -> tuple[pd.DataFrame, list[str]]:
    """Estimate by restricted likelihood."""
    pairs = [":".join(p) for p in combinations(request.names, 2)]
    repeated = _has_repeats(design) or len(request.names) > 2
    random = [*request.names, *(pairs if repeated else [])]
    fit = fit_mixed(data, f"{response} ~ 1", random=random)
    if request.names[0] not in fit.variances.index:
        raise NotEstimable(fit.not_estimable.get(request.names[0], "The parts cannot be told."))
    terms = [*fit.random_names[:-1], REPEAT]
    held = fit.variances.to_numpy()
    if held[-1] == 0.0:
        raise NotEstimable(
            "Repeats do not differ at all, so that no spread can be told from them. Record more "
            "decimals."
        )
    profile = build_variance_profile(fit)
    covariance = fit.moments.w * fit.scale**4
    sums = request.sums(terms)
    shares = {t: share_range(profile, sums[t], of=sums[TOTAL], level=request.level) for t in terms}
    low, high = shares[request.names[0]]
    shares |= {MEASURING: (1.0 - high, 1.0 - low), TOTAL: (1.0, 1.0)}
    records = []
    for term, row in sums.items():
        error = float(max(0.0, float(row @ covariance @ row)) ** 0.5)
        ends = sum_range(profile, row, level=request.level)
        records.append(_record(request, term, float(row @ held), error, ends, shares[term]))
    lost = [f"{name}: {why}" for name, why in fit.not_estimable.items()]
    zero = [f"{t}: estimated at 0." for t, v in zip(terms, held, strict=True) if v == 0.0]
    return _table(records), [*lost, *zero]


def _has_repeats(design: Design) -> bool:
    """Tell whether some combination of all sources has more than one value."""
    rows = np.column_stack([g.codes for g in design.groupings])
    return len(np.unique(rows, axis=0)) < len(rows)


def _record(
    request: _Request,
    term: str,
    value: float,
    error: float,
    ends: tuple[float, float],
    shares: tuple[float, ...],
) -> dict[str, Any]:
    low, high = (float(max(0.0, end)) for end in ends)
    return {
        "term": term,
        "estimate": value,
        "std_error": error,
        "df": 2.0 * (value / error) ** 2 if error > 0.0 else np.nan,
        "ci_low": low,
        "ci_high": high,
        "n": request.count(term),
        "sd": np.sqrt(value),
        "share_low": float(shares[0]),
        "share_high": float(shares[1]),
    }


def _table(records: list[dict[str, Any]]) -> pd.DataFrame:
    """Lay out the records; the share is that of the total in the last row."""
    import pandas as pd

    total = records[-1]["estimate"]
    for record in records:
        record["share"] = record["estimate"] / total if total > 0 else np.nan
    return pd.DataFrame(records, columns=list(COLUMNS))
