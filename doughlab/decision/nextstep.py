"""Next steps: one ranked list of what to try next, with its cost and what it would settle.

`decide` calls `find_next`; `next_words` puts it into lines. One-setting moves stand in `levers`,
a confirming trial in `confirm`. Which step is taken is left to the owner.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.wording import amount_words, level_words
from doughlab.decision.chance import tenths
from doughlab.decision.effort import Effort, batches_a_day, count_effort
from doughlab.decision.outlook import (
    Chances,
    OpenDifference,
    df_per_level,
    foresee_steps,
    is_together,
    list_open,
)
from doughlab.plan.kinds import count_runs
from doughlab.plan.model import is_curve
from doughlab.sections import Factor
from doughlab.stats.outlook import SPREADS, chi_scales
from doughlab.stats.scale import student_quantile
from doughlab.stats.verdicts import SAME, chance_of_verdicts

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

EXTEND, TWO, DROP, MOVE, MIDDLE, STOP = (
    "extend", "two levels", "drop", "move", "middle", "stop")  # fmt: skip
ENOUGH = 0.8
MOST_TIMES = 4  # further batches looked at: up to so many times what there is
DEAR_TIMES = 2  # more than so many times what there is: stopping is named first
MOST_PAIRS = 2


@dataclass(frozen=True)
class Settles:
    """What a step would settle: the difference, and the chances."""

    words: str
    low: float
    high: float
    chances: Chances


@dataclass(frozen=True)
class Step:
    """One thing to do next.

    Attributes
    ----------
    kind : str
        "extend", "two levels", "drop", "move", "middle" or "stop".
    words : str
        What to do, without a full stop.
    why : str
        What it is for, a sentence; empty where the chances say it.
    effort : Effort or None
        What it costs; None for stopping.
    settles : tuple of Settles
        Open differences with their chances; empty where nothing can be foreseen.
    judged : str
        "together" or "alone": whether the old batches count in the verdict.
    command : str
        What to type; empty where it is not one command.
    """

    kind: str
    words: str
    why: str = ""
    effort: Effort | None = None
    settles: tuple[Settles, ...] = ()
    judged: str = ""
    command: str = ""

    @property
    def chance(self) -> float:
        """The average chance over the differences that it is about; 0 where none is foreseen."""
        return float(np.mean([s.chances.average for s in self.settles])) if self.settles else 0.0


@dataclass(frozen=True)
class NextSteps:
    """What to try next.

    Attributes
    ----------
    open : tuple of str
        The open differences of the primary questions.
    steps : tuple of Step
        Ranked: first what settles with a chance of 8 in 10 or more, the fewest batches first,
        then the others by their chance, then what nothing is foreseen for. Stopping comes first
        where nothing settles within twice the batches of the trial, last otherwise.
    answered : bool
        Whether every primary question has an answer, settled or not.
    """

    open: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    answered: bool = True


def find_next(
    plan: Plan | None,
    analyses: Mapping[str, Analysis],
    recommended: Mapping[str, str],
    *,
    formula: Formula | None = None,
    folder: str = "",
) -> NextSteps:
    """List what to try next.

    Parameters
    ----------
    plan : Plan or None
        The kept plan; without one there is no list.
    analyses : mapping of str to Analysis
    recommended : mapping of str to str
        The recommended setting; empty where there is none.
    formula : Formula, optional
        For the flour.
    folder : str
        Stands in the commands.

    Returns
    -------
    NextSteps
    """
    if plan is None or not analyses:
        return NextSteps()
    found = list(analyses.values())
    waits = any(a.dataset.standing.coming is not None for a in found)
    open_ = list_open(found)
    scope = _Scope(plan, found, recommended, formula, folder)
    steps: list[Step] = []
    if open_:
        spare = scope.same_factors()
        steps += [scope.extend(open_)]
        if not waits:
            steps += scope.two_levels(open_)
            steps += [scope.drop(open_, factor) for factor in spare]
    steps += scope.move() + scope.middle(open_)
    steps = _ranked(steps)
    if open_:
        stop = scope.stop(open_)
        first = not any(s.chance >= ENOUGH and s.effort is not None
                        and s.effort.batches <= DEAR_TIMES * len(plan.batches)
                        for s in steps)  # fmt: skip
        steps = [stop, *steps] if first and not waits else [*steps, stop]
    asked = [q for q in plan.settings.questions if q.primary]
    answered = all(q.response in analyses for q in asked) and not any(
        x.primary and x.unanswered for a in found for x in a.answers
    )
    return NextSteps(tuple(o.words for o in open_), tuple(steps), answered)


def _ranked(steps: Sequence[Step]) -> list[Step]:
    def key(step: Step) -> tuple[float, float]:
        if step.chance >= ENOUGH and step.effort is not None:
            return 0.0, step.effort.batches
        return (1.0, -step.chance) if step.settles else (2.0, 0.0)

    return sorted(steps, key=key)


class _Scope:
    """What the steps are made from."""

    def __init__(
        self, plan: Plan, found: Sequence[Analysis], recommended: Mapping[str, str],
        formula: Formula | None, folder: str,
    ) -> None:  # fmt: skip
        self.plan, self.found, self.formula = plan, found, formula
        self.recommended = dict(recommended)
        self.settings = plan.settings
        self.place = f" {folder}" if folder and folder != "." else ""
        self.day = batches_a_day(plan)

    def numbers(self) -> list[int]:
        """List the numbers of further batches that are looked at: whole mixing days."""
        most = max(self.day, MOST_TIMES * len(self.plan.batches))
        count = most // self.day
        days = sorted({*range(1, min(count, 8) + 1), *np.linspace(1, count, 12).astype(int)})
        return [int(d) * self.day for d in days]

    def effort(self, batches: int) -> Effort:
        """Count what batches cost."""
        return count_effort(self.plan, batches, formula=self.formula)

    def enough(
        self, open_: Sequence[OpenDifference], see: Callable[[OpenDifference], list[Chances]]
    ) -> tuple[int, tuple[Settles, ...]]:
        """Find the first number that settles 8 in 10 on average; else one more of the same."""
        numbers = self.numbers()
        chances = [see(o) for o in open_]
        means = [float(np.mean([c[i].average for c in chances])) for i in range(len(numbers))]
        hit = next((i for i, m in enumerate(means) if m >= ENOUGH), None)
        if hit is None:
            size = len(self.plan.batches)
            hit = min(range(len(numbers)), key=lambda i: abs(numbers[i] - size))
        told = tuple(Settles(o.words, *o.ends, c[hit]) for o, c in zip(open_, chances, strict=True))
        return numbers[hit], told

    def extend(self, open_: Sequence[OpenDifference]) -> Step:
        """Go on with the same plan: by the next planned look, or alone."""
        coming = [a.dataset.standing.coming for a in self.found]
        waits = [n for n in coming if n is not None]
        if waits:
            more = max(1, max(waits) - min(o.batches for o in open_))
            told = tuple(Settles(o.words, *o.ends, foresee_steps(o, self.plan, [more])[0])
                         for o in open_)  # fmt: skip
            words = f"go on to the next planned look, after {max(waits)} batches"
            kept = len(self.plan.batches) >= max(waits)
            command = f"doughlab today{self.place}" if kept else self._extension(more)
            return Step(EXTEND, words, "", self.effort(more), told, "together", command)
        numbers = self.numbers()
        count, told = self.enough(open_, lambda o: foresee_steps(o, self.plan, numbers))
        joint = is_together(self.plan, count)
        why = "" if joint else (
            "No look was planned for them, so the new batches are judged alone.")  # fmt: skip
        return Step(EXTEND, f"extend the trial by {count} batches of the same", why,
                    self.effort(count), told, "together" if joint else "alone",
                    self._extension(count))  # fmt: skip

    def _extension(self, count: int) -> str:
        return f'doughlab plan{self.place} --extend {count} --reason "..."'

    def two_levels(self, open_: Sequence[OpenDifference]) -> list[Step]:
        """Compare two levels only, as a trial of their own; the pairs that bring most first."""
        numbers = self.numbers()
        asked = [o for o in open_ if o.levels > 2 and o.comparison.other]
        steps = []
        for o in sorted(asked, key=self._weight):
            factor = self.settings.factor(o.comparison.factor)
            pair = [level_words(factor, x) for x in (o.comparison.level, o.comparison.other)]
            count, told = self.enough(
                [o], lambda d: foresee_steps(d, self.plan, numbers, only_these=True)
            )
            why = f"A trial of its own with two levels of {factor.words}; all batches tell them."
            steps.append(Step(TWO, f"only {pair[0]} and {pair[1]}, {count} batches", why,
                              self.effort(count), told, "alone"))  # fmt: skip
        best = sorted(steps, key=lambda s: (s.chance < ENOUGH, s.effort.batches if s.effort else 0))
        return best[:MOST_PAIRS]

    def _weight(self, o: OpenDifference) -> tuple[bool, float]:
        """Put differences from the recommended level first, then the larger ones."""
        level = self.recommended.get(o.comparison.factor)
        return level not in (o.comparison.level, o.comparison.other), -o.at_stake

    def same_factors(self) -> list[Factor]:
        """List the factors that every answer settled as the same."""
        out = []
        for name, factor in self.settings.factors.items():
            answers = [x for a in self.found for x in a.answers if x.question.factor == name]
            told = [c for x in answers for c in x.comparisons]
            if (
                factor.set != "ball"
                and told
                and all(c.verdict == SAME for c in told)
                and not any(x.unanswered for x in answers)
            ):
                out.append(factor)
        return out

    def drop(self, open_: Sequence[OpenDifference], factor: Factor) -> Step:
        """Leave a factor out that makes no difference."""
        numbers = self.numbers()
        each = min(df_per_level(a.model, factor) for a in self.found)
        saved = each * (len(factor.levels) - 1)
        count, told = self.enough(
            open_, lambda o: foresee_steps(o, self.plan, numbers, spared=saved)
        )
        runs = count_runs(self.settings)
        fewer = max(1, runs // len(factor.levels))
        why = (
            f"{factor.words[0].upper()}{factor.words[1:]} is the same everywhere: one batch of "
            f"each combination takes {fewer} instead of {runs}."
        )
        level = self.recommended.get(factor.name, factor.levels[0])
        words = f"a new trial with {factor.words} at {level_words(factor, level)}, {count} batches"
        return Step(DROP, words, why, self.effort(count), told, "alone")

    def stop(self, open_: Sequence[OpenDifference]) -> Step:
        """Leave it open: say what is at stake at worst."""
        worst = max(open_, key=lambda o: o.at_stake / o.comparison.margin)
        response = next(a.response for a in self.found if a.response.words == worst.response)
        stake = amount_words(worst.at_stake, response)
        margin = amount_words(worst.comparison.margin, response)
        why = f"At worst {worst.words} is {stake} one way; {margin} would matter."
        return Step(STOP, "stop here and leave it open", why)

    def move(self) -> list[Step]:
        """Name numbers whose best setting is at an end of what was tried."""
        steps = []
        for a in self.found:
            if a.response.kind != "score":
                continue
            for answer in a.answers:
                factor = self.settings.factor(answer.question.factor)
                level = self.recommended.get(factor.name)
                if factor.kind != "number" or level is None or is_curve(factor):
                    continue
                steps += self._over_the_edge(a, factor, level)
        return steps

    def _over_the_edge(self, a: Analysis, factor: Factor, level: str) -> list[Step]:
        tried = sorted(zip(factor.values, factor.levels, strict=True))
        ends = {tried[0][1]: (-1.0, tried[1][1]), tried[-1][1]: (1.0, tried[-2][1])}
        if level not in ends:
            return []
        side, inner = ends[level]
        better = [
            c for answer in a.answers if answer.question.factor == factor.name
            for c in answer.comparisons
            if {c.level, c.other} == {level, inner}
            and (c.ci_low > 0 if c.level == level else c.ci_high < 0)
        ]  # fmt: skip
        if not better:
            return []
        runs = count_runs(self.settings)
        way = "highest" if side > 0 else "lowest"
        why = (f"{a.response.words[0].upper()}{a.response.words[1:]} is best at the {way} tried, "
               "and nothing is known beyond it.")  # fmt: skip
        past, end = ("above", "lowest") if side > 0 else ("below", "highest")
        words = f"try {factor.words} {past} {level_words(factor, level)}, with that as {end} level"
        return [Step(MOVE, words, why, self.effort(runs))]

    def middle(self, open_: Sequence[OpenDifference]) -> list[Step]:
        """Ask for batches in the middle of a number with two levels, whose bend is not told."""
        del open_
        main = self.found[0]
        steps = []
        for answer in main.answers:
            factor = self.settings.factor(answer.question.factor)
            if factor.kind != "number" or len(factor.levels) != 2 or factor.set != "batch":
                continue
            told = [c for c in answer.comparisons if c.verdict != SAME and c.std_error > 0]
            if not told:
                continue
            c = told[0]
            count, chance = _bend(c, self.day)
            ends = [level_words(factor, x) for x in factor.levels]
            margin = amount_words(main.response.margin, main.response)
            why = (f"Whether {main.response.words} bends between {ends[0]} and {ends[1]} cannot be "
                   f"told; a bend of {margin} would then be found {tenths(chance)} in 10 "
                   "times.")  # fmt: skip
            words = f"{count} batches, half in the middle of {factor.words}, half at its ends"
            steps.append(Step(MIDDLE, words, why, self.effort(count)))
        return steps


def _bend(c: Any, day: int) -> tuple[int, float]:
    """Find how many batches tell a bend of the margin 8 times in 10, and the chance.

    Half of them in the middle, half at the ends, on every mixing day: days differ, and batches of
    a day of their own would show that as a bend. The comparison of middle and ends has an error
    squared of (2 / n + 2 / n) times the batches' variance; that of two ends, on `units` batches, is
    4 / units of it, and tells it with its own degrees of freedom, over which the chance is
    averaged. The new batches are judged alone: mean, slope, bend and days take their df.
    """
    units = max(2, c.basis.batches)
    true = c.std_error * np.sqrt(units) / 2.0 / chi_scales(np.array([c.df]), SPREADS)[0]
    chance, count = 0.0, 4
    for count in range(4, max(8, 2 * units) + 1, 4):
        df = count - 3.0 - (math.ceil(count / day) - 1.0)
        if df < 1:
            continue
        found = chance_of_verdicts(c.margin, true * np.sqrt(4.0 / count), df=df, margin=c.margin,
                                   critical=float(student_quantile(df, 0.975)))  # fmt: skip
        chance = float((found.matters + found.differs + found.real_but_small).mean())
        if chance >= ENOUGH:
            break
    return count, chance
