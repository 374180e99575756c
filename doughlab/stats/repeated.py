"""Classical repeated measures: F tests within subjects, and whether their conditions hold.

Called by the agreement of judges, as a check beside the mixed model.
Needs complete data; lost values, groups of subjects and covariates are left to fit_mixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtrc

from doughlab.errors import NotEstimable, UnknownName

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class WithinTerm:
    """One term within subjects.

    Attributes
    ----------
    statistic, df_num, df_den : float
        F and its degrees of freedom where the condition holds.
    mauchly : float
        Mauchly's W, 1 where all differences between levels spread alike; NaN for one df or with
        fewer subjects than degrees of freedom.
    p_mauchly : float
        By chi-square, with the second-order term.
    greenhouse_geisser, huynh_feldt : float
        Epsilons that both degrees of freedom are multiplied with; the latter at most 1 there.
    """

    statistic: float
    df_num: float
    df_den: float
    mauchly: float
    p_mauchly: float
    greenhouse_geisser: float
    huynh_feldt: float

    def p_value(self, epsilon: float = 1.0) -> float:
        """Give the p value with the degrees of freedom multiplied by an epsilon."""
        used = min(1.0, epsilon)
        return float(fdtrc(used * self.df_num, used * self.df_den, self.statistic))


def compare_within(
    data: pd.DataFrame, response: str, *, subject: str, within: Sequence[str]
) -> pd.DataFrame:
    """Test factors within subjects, with and without correction for unequal spread.

    Parameters
    ----------
    data : DataFrame
        One row per value; several of one subject at one setting are averaged.
    response, subject : str
        Columns.
    within : sequence of str
        One to three columns, every combination once for every subject.

    Returns
    -------
    DataFrame
        One row per factor and interaction: term, df_num, df_den, statistic, p_value, mauchly,
        p_mauchly, epsilon_gg (Greenhouse-Geisser), p_gg, epsilon_hf (Huynh-Feldt, may exceed 1),
        p_hf.

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    NotEstimable
        With a gap, fewer than two subjects or two levels, or no spread about the means.

    References
    ----------
    Mauchly (1940), Ann. Math. Stat. 11, 204; Greenhouse & Geisser (1959), Psychometrika 24, 95;
    Huynh & Feldt (1976), J. Educ. Stat. 1, 69 (all from memory). Checked in
    tests/reference/test_repeated_obrien1985.py.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"who": list("aaabbbcccddd"), "hour": [1, 2, 3] * 4,
    ...                       "y": [1, 2, 4, 2, 4, 5, 1, 3, 3, 2, 3, 6]})
    >>> found = compare_within(table, "y", subject="who", within=["hour"])
    >>> print(found[["df_num", "df_den", "statistic", "epsilon_gg"]].round(3).values.tolist())
    [[2.0, 6.0, 20.25, 0.552]]
    """
    import pandas as pd

    names = [within] if isinstance(within, str) else list(within)
    for name in (response, subject, *names):
        if name not in data.columns:
            raise UnknownName("Column", name, [str(c) for c in data.columns], where="Table")
    wide = data.pivot_table(index=subject, columns=names, values=response, observed=True)
    sizes = [data[n].nunique() for n in names]
    if wide.shape[1] < np.prod(sizes) or wide.isna().any(axis=None):
        raise NotEstimable("Repeated measures need every combination from every subject.")
    if len(wide) < 2 or min(sizes) < 2:
        raise NotEstimable("Repeated measures need two subjects and two levels of each factor.")
    y = wide.to_numpy(dtype=float)
    rows = []
    for size in range(1, len(names) + 1):
        for chosen in combinations(range(len(names)), size):
            term = _test_term(y, _contrasts(sizes, chosen))
            rows.append({"term": ":".join(names[i] for i in chosen), **_record(term)})
    return pd.DataFrame(rows)


def _contrasts(sizes: Sequence[int], chosen: Sequence[int]) -> Floats:
    """Build orthonormal contrasts of a term over all cells, rows of unit length."""
    rows = np.ones((1, 1))
    for i, k in enumerate(sizes):
        part = np.full((1, k), 1.0 / np.sqrt(k))
        if i in chosen:
            part = np.linalg.svd(np.ones((1, k)))[2][1:]
        rows = np.kron(rows, part)
    return rows


def _test_term(y: Floats, rows: Floats) -> WithinTerm:
    """Test one term from the contrasts of every subject."""
    n, q = len(y), len(rows)
    scores = y @ rows.T
    spread = np.atleast_2d(np.cov(scores, rowvar=False))
    total = float(np.trace(spread))
    if not total > 1e-20 * float((y**2).mean()):
        raise NotEstimable("Subjects do not differ about the means at all; nothing can be tested.")
    mean = scores.mean(axis=0)
    gg = total**2 / (q * float((spread**2).sum()))
    below = n - 1 - q * gg
    hf = (n * q * gg - 2.0) / (q * below) if below > 0 else np.inf
    w = p = np.nan
    if q > 1 and n > q:
        w = float(np.linalg.det(spread / total * q))
        p = _mauchly_p(w, q, n - 1)
    return WithinTerm(n * float(mean @ mean) / total, q, q * (n - 1.0), w, p, gg, hf)


def _mauchly_p(w: float, q: int, df: int) -> float:
    """Give the p value of Mauchly's W by chi-square, with the second-order term."""
    factor = 1.0 - (2 * q**2 + q + 2) / (6 * q * df)
    top = (q + 2) * (q - 1) * (q - 2) * (2 * q**3 + 6 * q**2 + 3 * q + 2)
    second = top / (288.0 * (df * q * factor) ** 2)
    chi = -df * factor * np.log(max(w, 1e-300))
    free = q * (q + 1) / 2 - 1
    first = float(chdtrc(free, chi))
    return first + second * (float(chdtrc(free + 4, chi)) - first)


def _record(term: WithinTerm) -> dict[str, float]:
    return {
        "df_num": float(term.df_num),
        "df_den": float(term.df_den),
        "statistic": term.statistic,
        "p_value": term.p_value(),
        "mauchly": term.mauchly,
        "p_mauchly": term.p_mauchly,
        "epsilon_gg": term.greenhouse_geisser,
        "p_gg": term.p_value(term.greenhouse_geisser),
        "epsilon_hf": term.huynh_feldt,
        "p_hf": term.p_value(term.huynh_feldt),
    }
