"""Influence: what every batch, mixing day, session or judge does to the answers.

`ModelChecks.influence` asks here, only when it is looked at. Nothing is ever left out for good.
The fits without each group come from `stats.influence`; differences and verdicts from `contrasts`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from doughlab.analysis.answers import Answer, answer_question, answer_questions, compare_as
from doughlab.analysis.contrasts import FIXED, Comparison, tabulate
from doughlab.analysis.models import TrialModel, fit_model
from doughlab.analysis.wording import WIDTH, fold, joined, range_words, signed
from doughlab.errors import NotEstimable, UnknownName, listed
from doughlab.stats.influence import NOT_ESTIMABLE, Influence, Omission, omit_groups

WORDS = {
    "batch": ("batch", "batches"),
    "block": ("mixing day", "mixing days"),
    "session": ("session", "sessions"),
    "ball": ("ball", "balls"),
    "judge": ("judge", "judges"),
    "water_lot": ("water lot", "water lots"),
    "flour_lot": ("flour lot", "flour lots"),
    "preferment_lot": ("preferment lot", "preferment lots"),
}


@dataclass(frozen=True, eq=False)
class GroupInfluence:
    """What each group does to the answers, by fits without it.

    Attributes
    ----------
    group : str
        "batch", "block", "session", "ball", "judge" or a lot.
    table : DataFrame
        One row per group and difference of the primary questions: without (the group), term, level
        (the hold compared at), contrast, estimate, std_error, df, statistic, p_value, ci_low,
        ci_high, unit, n, change (from the estimate of all rows, same unit), share (the change in
        standard errors), before and after (verdicts) and changed. NaN and "not estimable" where
        the records cannot tell without the group.
    study : Influence
        Cook's distance, variances and fits without each group.
    sentences : tuple of str
        One per difference whose verdict hangs on a single group.
    line : str
        The result in at most 80 characters.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> without = analyse_demo("ph").checks.without("block")
    >>> without.decisive
    ['D3', 'D2', 'D1']
    >>> print(without.line[:40], len(without.notes))
    without one of 4 mixing days: 3 of 6 ver 2
    """

    group: str
    table: pd.DataFrame = field(repr=False)
    study: Influence = field(repr=False)
    sentences: tuple[str, ...]
    line: str

    @property
    def decisive(self) -> list[str]:
        """Name the groups without which a verdict would change, the largest change first."""
        return list(dict.fromkeys(_by_size(self.table[self.table["changed"]])["without"]))

    @property
    def notes(self) -> tuple[str, ...]:
        """Say which groups cannot be left out and what goes with them."""
        return self.study.notes

    def __str__(self) -> str:
        """Give the numbers in a few lines."""
        far = self.study.table.sort_values("statistic", ascending=False).head(3)
        named = ", ".join(f"{r.level} {r.statistic:.2g}" for r in far.itertuples())
        lines = [self.line, f"largest Cook's distances: {named}"[:WIDTH]]
        said = [line for s in (*self.sentences, *self.notes) for line in fold(s, indent="  ")]
        return "\n".join([*lines, *said][:15])

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        import html

        return f"<pre>{html.escape(str(self))}</pre>"


def leave_out(model: TrialModel, group: str = "batch") -> GroupInfluence:
    """Compare the levels of the primary questions without each group.

    Every fit is a new one. The question stays what it was: same differences, same hold.

    Parameters
    ----------
    model : TrialModel
        Or an `Analysis`, whose `model` is taken.
    group : str
        "batch", "block" (mixing day), "session", "ball", "judge", or a lot of the plan.

    Returns
    -------
    GroupInfluence
        Reported, never dropped.

    Raises
    ------
    UnknownName
        For a group that the records do not have.
    InputError
        Where there is one such group only.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> without = leave_out(analyse_demo("ph").model, "block")
    >>> [o.level for o in without.study.omissions]
    ['D1', 'D2', 'D3', 'D4']
    """
    model = getattr(model, "model", model)
    known = [g for g in WORDS if g in model.dataset.frame]
    if group not in known:
        raise UnknownName("Group", group, known, where=model.dataset.response.name)
    study = omit_groups(model.fit, group, data=model.frame)
    answers = find_asked(model)
    whole = [c for a in answers for c in a.comparisons]
    found = {o.level: compare_without(model, answers, group, o) for o in study.omissions}
    parts = [_tabulate(whole, own, level) for level, own in found.items()]
    table = pd.concat(parts, ignore_index=True)
    sentences = tuple(_sentences(whole, found, table, WORDS[group][1]))
    return GroupInfluence(group, table, study, sentences, _line(whole, table, group))


def find_asked(model: TrialModel) -> list[Answer]:
    """Answer the primary questions; without any, the others; without those, every factor."""
    response = model.dataset.response.name
    asked = [q for q in model.settings.questions if q.response == response]
    asked = [q for q in asked if q.primary] or asked
    if asked:
        return [answer_question(model, q) for q in asked]
    return list(answer_questions(model))


def compare_without(
    model: TrialModel, answers: Sequence[Answer], group: str, omission: Omission
) -> dict[tuple[str, str], Comparison]:
    """Compare the same levels at the same hold in the fit without one group.

    Parameters
    ----------
    model : TrialModel
    answers : sequence of Answer
        With all rows.
    group : str
    omission : Omission

    Returns
    -------
    dict of (words, hold) to Comparison
        What can be compared without the group.
    """
    other = model_without(model, group, omission)
    if other is None:
        return {}
    found: dict[tuple[str, str], Comparison] = {}
    for answer in answers:
        try:
            own = compare_as(other, answer)
        except NotEstimable:  # the rows of this answer say "not estimable"
            continue
        found |= {(c.words, c.at): c for c in own}
    return found


def model_without(model: TrialModel, group: str, omission: Omission) -> TrialModel | None:
    """Give the model without one group; None where nothing can be estimated then.

    Where a term cannot be estimated any more it is left out, as it would be had the group never
    been recorded.

    Parameters
    ----------
    model : TrialModel
    group : str
    omission : Omission
    """
    stays = (model.dataset.frame[group].astype(str) != omission.level).to_numpy()
    dataset = replace(model.dataset, frame=model.dataset.frame[stays])
    fit, whole = omission.fit, model.fit
    if fit is not None and (fit.random_names, set(fit.not_estimable)) == (
        whole.random_names, set(whole.not_estimable),
    ):  # fmt: skip
        return replace(model, dataset=dataset, fit=fit, frame=model.frame[stays])
    groups = [g.name for g in whole.design.groupings]
    try:
        return fit_model(
            model.settings, dataset, model.terms, fixed=list(model.fixed), random=groups
        )
    except NotEstimable:  # said in the notes of the study
        return None


def _tabulate(
    whole: Sequence[Comparison], found: dict[tuple[str, str], Comparison], level: str
) -> pd.DataFrame:
    """Lay the differences without one group beside those of all rows."""
    table = tabulate(whole)
    columns: dict[str, list[Any]] = {name: [] for name in (*FIXED, "n", "after", "changed")}
    for c in whole:
        other = found.get((c.words, c.at))
        for name in FIXED:
            columns[name].append(np.nan if other is None else getattr(other, name))
        columns["n"].append(0 if other is None else other.basis.n)
        columns["after"].append(NOT_ESTIMABLE if other is None else other.verdict)
        columns["changed"].append(other is None or _reading(other) != _reading(c))
    change = np.array(columns["estimate"], dtype=float) - table["estimate"].to_numpy(float)
    share = change / table["std_error"].to_numpy(float)
    before = [c.verdict for c in whole]
    after, changed = columns.pop("after"), np.array(columns.pop("changed"), dtype=bool)
    table = table.assign(**columns, change=change, share=share, before=before, after=after)
    table.insert(0, "without", level)
    return table.assign(changed=changed)


def _reading(c: Comparison) -> tuple[str, int]:
    """Give verdict and direction."""
    return c.verdict, int(c.ci_low > 0) - int(c.ci_high < 0)


def _by_size(table: pd.DataFrame) -> pd.DataFrame:
    """Sort by the size of the change; what cannot be compared any more comes first."""
    size = table["change"].abs().fillna(np.inf)
    return table.loc[size.sort_values(ascending=False, kind="stable").index]


def _line(whole: Sequence[Comparison], table: pd.DataFrame, group: str) -> str:
    """Give the result in one line."""
    if not len(table):
        return f"without one {WORDS[group][0]}: no primary difference to compare"
    groups = table["without"].nunique()
    head = f"without one of {groups} {WORDS[group][1]}:"
    hit = _by_size(table[table["changed"]])
    if not len(hit):
        largest = _by_size(table).iloc[0]
        d = max(c.decimals for c in whole)
        shift = signed(float(largest["change"]), d).strip()
        return f"{head} no verdict changes; largest shift {shift} ({largest['without']})"[:WIDTH]
    verdicts = len(hit[["contrast", "level"]].drop_duplicates())
    names = list(dict.fromkeys(hit["without"]))
    named = joined(names) if len(names) <= 3 else f"any of {len(names)}; most {names[0]}"
    return f"{head} {verdicts} of {len(whole)} verdicts could change ({named})"[:WIDTH]


def _sentences(
    whole: Sequence[Comparison],
    found: Mapping[str, Mapping[tuple[str, str], Comparison]],
    table: pd.DataFrame,
    plural: str,
) -> list[str]:
    """Say for each difference which groups its verdict hangs on."""
    said = []
    for c in whole:
        key = (c.words, c.at)
        words = c.words + (f" at {c.at}" if c.at else "")
        hit = table[(table["contrast"] == c.words) & (table["level"] == c.at) & table["changed"]]
        lost = [name for name, own in found.items() if key not in own]
        moved = [name for name in _by_size(hit)["without"] if key in found[name]]
        if lost:
            said.append(f"Without {joined_or(lost)} {words} could not be compared at all.")
        if moved:
            tail = ""
            if len(moved) > 1:
                tail = (f" The verdict would change without any one of {len(moved)} of the "
                        f"{len(found)} {plural}: {listed(moved)}.")  # fmt: skip
            one = _moved_words(c, found[moved[0]][key])
            said.append(f"Without {moved[0]} {words} {one}.{tail} Used all the same.")
    return said


def _moved_words(c: Comparison, other: Comparison) -> str:
    """Set the difference without a group beside that of all rows, ranges and verdicts too."""
    d = max(c.decimals, other.decimals)
    new, old = (
        f"{signed(x.estimate, d).strip()} {range_words(x.ci_low, x.ci_high, d)}" for x in (other, c)
    )
    after = f"from {c.verdict} to {other.verdict}"
    if c.verdict == other.verdict:
        after = f"to {other.verdict} on the other side of zero"
        if _reading(c)[1] == 0 or _reading(other)[1] == 0:
            after = f"from {_small(c)} to {_small(other)}"
    return f"would be {new} instead of {old}; its verdict would change {after}"


def _small(c: Comparison) -> str:
    """Give the verdict with "real but small" where it applies."""
    return f"{c.verdict} (real but small)" if c.small else c.verdict


def joined_or(names: Sequence[str]) -> str:
    """Join names by "or"; five at most are named.

    Examples
    --------
    >>> joined_or(["B01", "B02"])
    'B01 or B02'
    """
    return listed(names) if len(names) > 5 else joined(names, last="or")
