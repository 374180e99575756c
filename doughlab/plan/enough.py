"""Enough: how many more batches, or judges, would find the smallest difference that matters.

`precision` says it of questions that a plan answers weakly, `purchase` weighs an instrument in
batches with it. What has been found already, and how much more would settle that, is left to
`stats.settle`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.errors import NotEstimable
from doughlab.plan.chances import found_chance, match_df
from doughlab.plan.foresee import Foreseen, Foresight, copy_layout, foresee, scores_stand_alone
from doughlab.plan.lines import Line, count_units, format_size

if TYPE_CHECKING:
    from doughlab.plan.plan import Row

MOST_COPIES = 40  # beyond forty times the plan no number of batches is named
MOST_JUDGES = 12
OFTEN = 0.795  # 4 times in 5, said in whole times of 100


@dataclass(frozen=True)
class Known:
    """A response's foresight and layout, and foresights of larger plans as they are asked for.

    Attributes
    ----------
    sight : Foresight
    layout : sequence of dict
        As from `build_layout`.
    seed : int
        Of the invented trials, where algebra does not do.
    changed : dict of str to float
        Variances that are to be others than assumed.
    larger : dict of (int, bool) to Foresight
        What was asked for, at the spreads assumed.
    seen : dict of (Line's names, int) to Foreseen
        What was asked for, at the spreads in `changed`.
    """

    sight: Foresight
    layout: Sequence[Row]
    seed: int = 0
    changed: dict[str, float] = field(default_factory=dict)
    larger: dict[tuple[int, bool], Foresight] = field(default_factory=dict)
    seen: dict[tuple[str, str, str, int], Foreseen] = field(default_factory=dict)

    def with_variances(self, changed: Mapping[str, float]) -> Known:
        """Give the same at other variances."""
        return replace(self, sight=self.sight.at(changed), changed=dict(changed), seen={})

    def at(self, copies: int, *, same_terms: bool) -> Foresight:
        """Foresee so many times the plan, on further days."""
        key = copies, same_terms
        if key not in self.larger:
            layout = copy_layout(self.layout, copies)
            terms = self.sight.terms if same_terms else None
            self.larger[key] = foresee(
                self.sight.settings, layout, self.sight.response, terms=terms
            )
        return self.larger[key].at(self.changed) if self.changed else self.larger[key]

    def see(self, line: Line, copies: int = 1) -> Foreseen:
        """Foresee a line at so many times the plan; its least sure comparison.

        Raises
        ------
        NotEstimable
            Where nothing can be judged.
        """
        key = line.factor.name, line.contrast, line.hold, copies
        if key not in self.seen:
            same = line.least is not None
            sight = self.sight if copies == 1 else self.at(copies, same_terms=same)
            self.seen[key] = line.see(sight, seed=self.seed)
        return self.seen[key]


def units_enough(line: Line, known: Known, *, difference: float | None = None) -> int | None:
    """Find how many units find a difference 4 times in 5, adding days like the planned ones.

    Parameters
    ----------
    line : Line
    known : Known
        Of its response.
    difference : float, optional
        The margin unless given.

    Returns
    -------
    int or None
        Units in all, those of the plan included and never fewer; None beyond 40 times the plan.

    Notes
    -----
    The squared standard error is a part that shrinks with the number of units and one that does
    not; the degrees of freedom grow along a line. Both are read off the plan and twice the plan.
    """
    wanted = line.response.margin if difference is None else difference
    ends = _two_sizes(line, known)
    if ends is None:
        return None
    (k0, first), (k1, second) = ends
    part = (second.std_error**2 - first.std_error**2) / (1.0 / k1 - 1.0 / k0)
    rest = max(first.std_error**2 - part / k0, 0.0)

    def suffices(units: Any) -> Any:
        copies_at = units / line.units
        df = first.df + (second.df - first.df) * (copies_at - k0) / (k1 - k0)
        se = np.sqrt(rest + part / copies_at)
        return found_chance(np.full(len(units), wanted), se, df, first.critical_at(df)) >= 0.8

    steps = np.geomspace(k0 * line.units, MOST_COPIES * line.units, 24).round()
    if not suffices(steps[-1:])[0]:
        return None
    at = int(suffices(steps).argmax())
    between = np.arange(steps[max(at - 1, 0)], steps[at] + 1)
    return int(between[int(suffices(between).argmax())])


def _two_sizes(line: Line, known: Known) -> list[tuple[int, Foreseen]] | None:
    """Foresee a line at two sizes of the plan: the plan itself where it can be judged."""
    try:
        seen = [(1, known.see(line) if known.changed else line.least)]
    except NotEstimable:
        return None
    steps = [(copies, found) for copies, found in seen if found is not None]
    for copies in (2, 3):
        if len(steps) == 2:
            break
        try:
            steps.append((copies, known.see(line, copies)))
        except NotEstimable:
            continue
    return [(k, match_df(found)) for k, found in steps] if len(steps) == 2 else None


def judges_enough(line: Line, known: Known) -> tuple[int, int | None, float]:
    """Find how many judges would find the margin 4 times in 5, all else as planned.

    Parameters
    ----------
    line : Line
        Of a score.
    known : Known

    Returns
    -------
    now : int
        Judges of the panel.
    enough : int or None
        Judges in all; None where even 12 would not do, or nothing is assumed about judges.
    chance : float
        How often 12 would find it.
    """
    panel = max(1, len({row.get("judge") for row in known.layout}))
    one = known.sight.settings.assumed[line.response.name].judge_sd ** 2
    residual = known.sight.variances["residual"]

    def chance(judges: int) -> float:
        changed = residual + one / judges - one / panel
        if scores_stand_alone(known.sight.terms, panel):  # so that a batch's mean is right
            changed = one * panel / judges
        sight = known.sight.at({"residual": changed})
        seen = match_df(line.see(sight, seed=known.seed))
        arrays = (np.array([getattr(seen, n)]) for n in ("std_error", "df", "critical"))
        return float(found_chance(np.array([line.response.margin]), *arrays)[0])

    best = chance(MOST_JUDGES)
    if panel >= MOST_JUDGES or best < OFTEN:
        return panel, None, best
    return panel, next(j for j in range(panel, MOST_JUDGES + 1) if chance(j) >= OFTEN), best


def is_weak(line: Line) -> bool:
    """Tell whether a plan finds the margin less than half of the time, or judges nothing."""
    return line.chances is None or line.chances.found_margin < 0.5


def judge_line(line: Line, known: Known) -> str:
    """Say that a question cannot be answered, or only weakly; empty where it can."""
    if line.question is None:
        return ""
    asked = f'"{line.question.text}" ({line.response.words})'
    if line.chances is None:
        return f"This plan cannot answer {asked}: {line.reason}{_would_do(line, known)}"
    if line.chances.found_margin >= OFTEN:
        return ""
    margin = format_size(line.response.margin, line.response)
    more = units_enough(line, known)
    panel = _panel_words(line, known)
    if is_weak(line):
        found = format_size(line.chances.found_80, line.response)
        have = per_level(line, line.units)
        mend = f"No plan of this kind up to {MOST_COPIES} times the size would find {margin}."
        if more is not None:
            mend = f"{_each(line, more)} would find {margin}."
        return f"This plan cannot answer {asked}: {have} will find {found} at best. {mend}{panel}"
    often = _times(line.chances.found_margin)
    mend = f" {per_level(line, more)} would find it 4 times in 5." if more is not None else ""
    return f"{asked}: a difference of {margin} is found {often}.{mend}{panel}"


def _would_do(line: Line, known: Known) -> str:
    """Say how many units would find the margin where nothing can be judged; empty where none."""
    more = units_enough(line, known)
    if more is None:
        return ""
    margin = format_size(line.response.margin, line.response)
    return (
        f" {per_level(line, more)}, on days like the planned, would find a difference of {margin} "
        "4 times in 5."
    )


def _panel_words(line: Line, known: Known) -> str:
    """Say whether a larger panel would do instead; empty for what is not scored."""
    assumed = known.sight.settings.assumed[line.response.name]
    if line.response.kind != "score" or assumed.judge_sd <= 0 or line.least is None:
        return ""
    now, enough, best = judges_enough(line, known)
    have = "1 judge" if now == 1 else f"{now} judges"
    if enough is not None:
        return f" So would {enough} judges instead of {now}."
    if now >= MOST_JUDGES:
        return ""
    return f" {have} are a weak panel, but even {MOST_JUDGES} would find it {_times(best)} only."


def _times(chance: float) -> str:
    return f"{100 * chance:.0f} times in 100"


def _each(line: Line, units: int) -> str:
    return str(ceil(units / len(line.factor.compared())))


def per_level(line: Line, units: int) -> str:
    """Count the units of each level in words."""
    each = ceil(units / len(line.factor.compared()))
    return f"{count_units(each, line.level)} for each level of {line.factor.words}"
