"""Agreement of a panel: do judges rank, rate and repeat alike, and does the answer hang on one.

Called after `analyse` for a scored response; the verdicts never depend on it.
How each judge uses the scale stands in `judges`, the check by ordered categories in `ordered`.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.judges import (
    Repeatability,
    ScaleEnds,
    compare_scale_use,
    count_ends,
    drop_judges,
    measure_repeats,
)
from doughlab.analysis.ordered import OrderedCheck, check_ordered
from doughlab.analysis.wording import fold
from doughlab.errors import MissingRecords, NotEstimable, UnknownName
from doughlab.stats import fit_mixed
from doughlab.stats.profile import build_variance_profile, share_range

Target = str | Sequence[str]

KINDS = {
    "ICC(1,1)": ("ICC(1,1)", "one score, other judges each time"),
    "ICC(A,1)": ("ICC(2,1)", "one judge's score as it stands"),
    "ICC(C,1)": ("ICC(3,1)", "one judge's score, level of the judge set aside"),
    "ICC(1,k)": ("ICC(1,k)", "mean of the panel, other judges each time"),
    "ICC(A,k)": ("ICC(2,k)", "mean of the panel as it stands"),
    "ICC(C,k)": ("ICC(3,k)", "mean of the panel, level of the judges set aside"),
}


@dataclass(frozen=True)
class RankAgreement:
    """Whether judges put the targets in the same order.

    Attributes
    ----------
    targets, judges : int
        Used: every one of these judges scored every one of these targets.
    statistic, df, p_value : float
        Friedman's chi-square, corrected for ties.
    w : float
        Kendall's W, corrected for ties: 0 no agreement, 1 the same order from all.
    left_out : str
        What was set aside for lost scores; empty where nothing was.
    what : str
        "balls" or "settings".

    Examples
    --------
    >>> from doughlab.analysis import check_panel
    >>> from doughlab.notebook import analyse_demo
    >>> found = check_panel(analyse_demo("score")).ranks_of("water")
    >>> found.judges, found.targets, round(found.w, 2)
    (4, 3, 0.25)
    >>> print(found.sentence[:55])
    4 judges put 3 settings in order alike by W = 0.25 (no
    """

    targets: int
    judges: int
    statistic: float
    df: float
    p_value: float
    w: float
    left_out: str = ""
    what: str = "settings"

    @property
    def sentence(self) -> str:
        """What it says."""
        shown = "" if self.p_value < 0.05 else "no more than by chance, "
        text = (
            f"{self.judges} judges put {self.targets} {self.what} in order alike by W = "
            f"{self.w:.2f} ({shown}p = {self.p_value:.2g}; 0 no agreement, 1 the same order)."
        )
        return f"{text} {self.left_out}".strip()


def rank_agreement(
    scores: pd.DataFrame, *, target: Target = "ball", judge: str = "judge", value: str = "y"
) -> RankAgreement:
    """Test whether judges put targets in the same order (Friedman), and how closely (Kendall's W).

    Parameters
    ----------
    scores : DataFrame
        One row per score; several scores of one judge on one target are averaged first.
    target : str or sequence of str
        Columns that name what was scored: a ball, or the levels of a factor.
    judge, value : str
        Columns.

    Returns
    -------
    RankAgreement
        On complete scores: targets that lack a score, or judges that do, are set aside, whichever
        keeps more scores.

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    NotEstimable
        With fewer than two judges or two targets in common, or when nobody tells targets apart.

    References
    ----------
    Friedman (1937), J. Am. Stat. Assoc. 32, 675; Kendall & Babington Smith (1939), Ann. Math. Stat.
    10, 275 (both from memory). Checked in tests/reference/test_agreement_friedman1937.py.

    Examples
    --------
    >>> table = pd.DataFrame({"judge": list("aaabbbccc"), "ball": ["x", "y", "z"] * 3,
    ...                       "y": [3, 5, 8, 2, 6, 7, 4, 4, 9]})
    >>> found = rank_agreement(table)
    >>> print(round(found.statistic, 3), round(found.w, 3))
    5.636 0.939
    """
    table, left_out = complete_table(scores, target=target, judge=judge, value=value)
    if (table.nunique(axis=1) < 2).all():
        raise NotEstimable("Every judge gave all of them the same score; there is nothing to rank.")
    judges, targets = table.shape
    ranks = table.rank(axis=1).to_numpy() - (targets + 1) / 2.0  # ties share their mean rank
    between, within = float((ranks.sum(axis=0) ** 2).sum()), float((ranks**2).sum())
    statistic = (targets - 1) * between / within
    return RankAgreement(
        targets=targets,
        judges=judges,
        statistic=statistic,
        df=float(targets - 1),
        p_value=float(chdtrc(targets - 1, statistic)),
        w=between / (judges * within),
        left_out=left_out,
        what=_what(target),
    )


def intraclass(
    scores: pd.DataFrame, *, target: Target = "ball", judge: str = "judge", value: str = "y"
) -> pd.DataFrame:
    """Compute the six intraclass correlations of Shrout and Fleiss.

    Parameters
    ----------
    scores, target, judge, value
        As in `rank_agreement`; complete scores only. `agreement_by_model` uses all of them.

    Returns
    -------
    DataFrame
        Columns term ("ICC(1,1)" to "ICC(3,k)"), estimate, df_num, df_den, statistic, p_value (no
        differences between targets), ci_low, ci_high (95 %), n (scores used), words.

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    NotEstimable
        With fewer than two judges or two targets in common, or scores that never differ.

    References
    ----------
    Shrout & Fleiss (1979), Psychol. Bull. 86, 420-428; ranges of McGraw & Wong (1996), Psychol.
    Methods 1, 30 (from memory); computed by pingouin. Checked in
    tests/reference/test_agreement_shrout1979.py.

    Examples
    --------
    >>> table = pd.DataFrame({"judge": list("ab") * 3, "ball": list("xxyyzz"),
    ...                       "y": [3.0, 4.0, 6.0, 6.0, 8.0, 9.0]})
    >>> print(intraclass(table)["estimate"].round(3).tolist())
    [0.948, 0.949, 0.974, 0.973, 0.974, 0.987]
    """
    import pingouin as pg

    table, _ = complete_table(scores, target=target, judge=judge, value=value)
    if float(np.ptp(table.to_numpy())) == 0.0:
        raise NotEstimable("All scores are the same; agreement cannot be told from that.")
    long = pd.DataFrame({"y": table.stack()}).reset_index()
    digits = pg.options["round.column.CI95"]
    pg.options["round.column.CI95"] = None
    try:
        with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
            # the library's own use of pandas, which is no news to the reader
            warnings.simplefilter("ignore", DeprecationWarning)
            found = pg.intraclass_corr(long, targets="target", raters="judge", ratings="y")
    finally:
        pg.options["round.column.CI95"] = digits
    low, high = np.array(found["CI95"].tolist(), dtype=float).T
    return pd.DataFrame(
        {
            "term": [KINDS[kind][0] for kind in found["Type"]],
            "estimate": found["ICC"].to_numpy(),
            "df_num": found["df1"].to_numpy(),
            "df_den": found["df2"].to_numpy(),
            "statistic": found["F"].to_numpy(),
            "p_value": found["pval"].to_numpy(),
            "ci_low": low,
            "ci_high": high,
            "n": table.size,
            "words": [KINDS[kind][1] for kind in found["Type"]],
        }
    )


def agreement_by_model(
    scores: pd.DataFrame,
    *,
    target: Target = "ball",
    judge: str = "judge",
    value: str = "y",
    kinds: Sequence[str] = ("2", "3"),
) -> pd.DataFrame:
    """Compute agreement from all scores, lost ones or not, by a mixed model.

    Targets and judges are random; where judges scored a target twice, so is their pair, which
    counts as disagreement. On complete scores it equals ICC(2, .) and ICC(3, .) of `intraclass`,
    unless a variance would fall below zero there.

    Parameters
    ----------
    scores, target, judge, value
        As in `rank_agreement`.
    kinds : sequence of str
        "2", the level of a judge counts as disagreement, and "3", it does not; each takes its time.

    Returns
    -------
    DataFrame
        Columns term ("ICC(2,1)", "ICC(3,1)", "ICC(2,k)", "ICC(3,k)"; k judges), estimate, ci_low,
        ci_high (95 %, profile of the restricted likelihood), n (scores used), words.

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    NotEstimable
        With fewer than two judges or targets, or scores that never differ.

    References
    ----------
    The intraclass correlations of Shrout & Fleiss (1979), Psychol. Bull. 86, 420-428, and
    McGraw & Wong (1996), Psychol. Methods 1, 30 (from memory), from restricted likelihood.
    Checked in tests/reference/test_agreement_shrout1979.py.

    Examples
    --------
    >>> import pandas as pd
    >>> scores = pd.DataFrame({"ball": list("aabbccdd"), "judge": ["ada", "ben"] * 4,
    ...                        "y": [6.0, 6.5, 7.0, 7.0, 4.5, 5.5, 8.0, 8.5]})
    >>> agreement_by_model(scores)[["term", "estimate", "n"]].round(3)
           term  estimate  n
    0  ICC(2,1)     0.906  8
    1  ICC(3,1)     0.956  8
    2  ICC(2,k)     0.951  8
    3  ICC(3,k)     0.978  8
    """
    names = _columns(scores, target, judge, value)
    used = scores[[*names, judge, value]].dropna()
    frame = pd.DataFrame({"y": used[value].astype(float), "judge": used[judge].astype(str)})
    frame["target"] = _joined(used, names)
    judges = frame["judge"].nunique()
    if judges < 2 or frame["target"].nunique() < 2 or float(np.ptp(frame["y"])) == 0.0:
        raise NotEstimable("Agreement needs two judges, two targets and scores that differ.")
    twice = bool(frame.duplicated(["target", "judge"]).any())
    fit = fit_mixed(
        frame, "y ~ 1", random=["target", "judge", *(["target:judge"] if twice else [])]
    )
    if "target" not in fit.variances.index or fit.variances["residual"] <= 0.0:
        raise NotEstimable("These scores do not tell targets from single scores.")
    terms = list(fit.variances.index)
    own = np.array([float(t == "target") for t in terms])
    whole = {"2": np.ones(len(terms)), "3": np.array([float(t != "judge") for t in terms])}
    whole = {kind: whole[kind] for kind in kinds}
    profile = build_variance_profile(fit)
    shares = {
        kind: (float(own @ fit.variances / (of @ fit.variances)), *share_range(profile, own, of=of))
        for kind, of in whole.items()
    }
    records = []
    for size, k in (("1", 1), ("k", judges)):
        for kind, found in shares.items():
            ends = [k * v / (1.0 + (k - 1) * v) for v in found]  # Spearman-Brown
            words = KINDS[f"ICC({'A' if kind == '2' else 'C'},{size})"][1]
            records.append((f"ICC({kind},{size})", *ends, len(frame), words))
    return pd.DataFrame(records, columns=["term", "estimate", "ci_low", "ci_high", "n", "words"])


def complete_table(
    scores: pd.DataFrame, *, target: Target, judge: str, value: str
) -> tuple[pd.DataFrame, str]:
    """Arrange scores as judges x targets without a gap.

    Returns
    -------
    table : DataFrame
        One row per judge, one column per target.
    left_out : str
        What was set aside; empty where nothing was.

    Raises
    ------
    UnknownName, NotEstimable
        As in `rank_agreement`.
    """
    names = _columns(scores, target, judge, value)
    used = scores[[*names, judge, value]].dropna()
    keys = {"judge": used[judge].astype(str), "target": _joined(used, names)}
    frame = pd.DataFrame({**keys, "y": used[value].astype(float)})
    wide = frame.pivot_table(index="judge", columns="target", values="y", observed=True)
    gaps = wide.isna()
    by_target, by_judge = wide.loc[:, ~gaps.any(axis=0)], wide.loc[~gaps.any(axis=1)]
    kept, gone, what = by_target, gaps.any(axis=0), f"of the {_what(target)}"
    if by_judge.size > by_target.size:
        kept, gone, what = by_judge, gaps.any(axis=1), "of the judges"
    if kept.shape[0] < 2 or kept.shape[1] < 2:
        raise NotEstimable(
            f"No two judges scored the same two of {wide.shape[1]} {_what(target)}. Use "
            "agreement_by_model, which needs no complete scores."
        )
    if not gone.any():
        return kept, ""
    count = int(gone.sum())
    shown = ", ".join(str(name) for name in gone.index[gone][:5])
    more = f" and {count - 5} more" if count > 5 else ""
    return kept, f"{count} {what} set aside for lost scores: {shown}{more}."


def _columns(scores: pd.DataFrame, target: Target, judge: str, value: str) -> list[str]:
    """Check the columns; give those that name a target."""
    names = [target] if isinstance(target, str) else list(target)
    for name in (*names, judge, value):
        if name not in scores.columns:
            raise UnknownName("Column", name, [str(c) for c in scores.columns], where="Scores")
    return names


def _what(target: Target) -> str:
    """Name what was scored, as a cook does."""
    return "balls" if target == "ball" else "settings"


def _joined(frame: pd.DataFrame, names: Sequence[str]) -> pd.Series:
    """Name each target by its columns."""
    return frame[list(names)].astype(str).agg(":".join, axis=1)


@dataclass(frozen=True)
class PanelCheck:
    """How a panel of judges worked in one trial; tables are made when they are asked for.

    Attributes
    ----------
    analysis : Analysis
        Of a scored response, with two judges or more.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> from doughlab.analysis import check_panel
    >>> check_panel(analyse_demo("score")).ends.table[["judge", "n", "at_low", "at_high"]].tail(2)
      judge    n  at_low  at_high
    3    J4   71       0        0
    4   all  278       0        1
    >>> panel = check_panel(analyse_demo("score"))
    >>> panel.scores["judge"].nunique(), panel.repeats is None, panel.duplicates is None
    (4, True, True)
    >>> panel.ranks.judges, panel.ranks_of("water").targets, len(panel.scale_use)
    (4, 3, 4)
    >>> print(panel.sentences[0][:41])
    Of the spread of a single score, 39 % (22
    """

    analysis: Analysis

    @property
    def scores(self) -> pd.DataFrame:
        """Give the scores: y, ball, judge and the settings, one row per judge and ball."""
        return self.analysis.dataset.frame

    @cached_property
    def ranks(self) -> RankAgreement:
        """Compare how the judges rank the balls."""
        return rank_agreement(self.scores)

    def ranks_of(self, factor: str) -> RankAgreement:
        """Compare how the judges rank the levels of a factor.

        Parameters
        ----------
        factor : str
            Of the trial.
        """
        self.analysis.settings.factor(factor)
        return rank_agreement(self.scores, target=factor)

    @cached_property
    def agreement(self) -> pd.DataFrame:
        """Compute agreement on single balls from all scores; see `agreement_by_model`."""
        return agreement_by_model(self.scores)

    @cached_property
    def _own_share(self) -> pd.DataFrame:
        """Give the lines of the agreement that the sentences need, without the others' time."""
        if "agreement" in self.__dict__:
            return self.agreement
        return agreement_by_model(self.scores, kinds=["2"])

    @cached_property
    def intraclass(self) -> pd.DataFrame:
        """Compute the six intraclass correlations on balls that all judges scored."""
        return intraclass(self.scores)

    @cached_property
    def scale_use(self) -> pd.DataFrame:
        """Compare how each judge uses the scale; see `judges.compare_scale_use`."""
        return compare_scale_use(self.scores)

    @cached_property
    def repeats(self) -> Repeatability | None:
        """Measure how closely a judge repeats a score on twin balls; None where none are twins.

        Twins are balls of one batch with the same settings, scored in the same session.
        """
        return measure_repeats(self.scores, same=self._same)

    @cached_property
    def duplicates(self) -> Repeatability | None:
        """Measure how closely a judge repeats a score on a second plate of the same ball.

        None where no ball was tasted twice. The model takes the mean of both plates.
        """
        twice = self.scores[self.scores["n_readings"] == 2]
        if twice.empty:
            return None
        half = twice["spread"].astype(float) / np.sqrt(2.0)  # two values lie spread / sqrt(2) off
        both = [twice.assign(y=twice["y"] + sign * half) for sign in (-1.0, 1.0)]
        found = measure_repeats(pd.concat(both), same=["ball"])
        if found is None:
            return None
        table = found.table.assign(correlation=np.nan)  # which plate came first is not known here
        return replace(found, table=table, same_ball=True)

    @cached_property
    def ends(self) -> ScaleEnds:
        """Count the scores at both ends of the rubric's scale."""
        rubric = [c for c in self.analysis.settings.rubric.values() if c.weight > 0]
        total = sum(c.weight for c in rubric)
        low, high = (
            sum(c.weight * getattr(c, side) for c in rubric) / total for side in ("low", "high")
        )
        return count_ends(self.scores, low=low, high=high)

    @cached_property
    def ordered(self) -> OrderedCheck:
        """Check the tests of the mean scores by a model for ordered categories."""
        return check_ordered(self.analysis)

    def without_judge(self, factor: str) -> pd.DataFrame:
        """Answer about a factor again without each judge in turn; see `judges.drop_judges`."""
        return drop_judges(self.analysis, factor)

    @property
    def _same(self) -> list[str]:
        columns = ["batch", "session", *self.analysis.settings.factors]
        return [c for c in columns if c in self.scores and self.scores[c].notna().any()]

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say what was found, most telling first; the ordered check is left out for its time."""
        table = self._own_share.set_index("term")
        one, every = table.loc["ICC(2,1)"], table.loc["ICC(2,k)"]
        judges = self.scores["judge"].nunique()
        said = [
            f"Of the spread of a single score, {100 * one['estimate']:.0f} % "
            f"({100 * one['ci_low']:.0f} to {100 * one['ci_high']:.0f} %) is the ball's own; of "
            f"the mean of {judges} judges, {100 * every['estimate']:.0f} % (intraclass "
            "correlation)."
        ]
        try:
            said.append(self.ranks.sentence)
        except NotEstimable as error:
            said.append(str(error))
        said += [r.sentence for r in (self.duplicates, self.repeats) if r is not None]
        said += self.ends.sentences
        return tuple(said)

    def __str__(self) -> str:
        """Give what was found in at most 15 lines of 80 characters."""
        lines = [line for s in self.sentences for line in fold(s, indent="  ")]
        return "\n".join(lines[:15])

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        from html import escape

        return f"<pre>{escape(str(self))}</pre>"


def check_panel(analysis: Analysis) -> PanelCheck:
    """Look at how the panel of a scored response worked.

    Parameters
    ----------
    analysis : Analysis
        From `analyse`, of a response in table scores.

    Returns
    -------
    PanelCheck

    Raises
    ------
    NotEstimable
        For a response that is not scored.
    MissingRecords
        With scores by a single judge.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> check_panel(analyse_demo("score")).sentences[0][:62]
    'Of the spread of a single score, 39 % (22 to 52 %) is the ball'
    """
    frame = analysis.dataset.frame
    if "judge" not in frame:
        raise NotEstimable(
            f"{analysis.response.words} is measured, not scored; a panel has scores by judges."
        )
    if frame["judge"].nunique() < 2:
        raise MissingRecords("Only one judge has scored so far; agreement needs two.")
    return PanelCheck(analysis)
