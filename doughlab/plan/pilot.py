"""Pilot: what the spreads that an earlier trial measured leave open about a plan.

A pilot of six batches says only roughly how batches differ, so that what a plan will find is a
range, and whether to go on or stop follows from it. `doughlab plan` and notebooks call
`carry_pilot`; the spreads themselves stand in `spreads`.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, NotEstimable
from doughlab.plan.chances import found_chance, match_df, smallest_difference
from doughlab.plan.enough import MOST_COPIES, OFTEN, Known, units_enough
from doughlab.plan.foresee import Foresight, ask, assume_variances, foresee
from doughlab.plan.lines import Line, build_lines, count_units, fill_chances, format_size
from doughlab.plan.model import build_layout
from doughlab.plan.spreads import ENDS, FIELDS, Spreads, use_spreads
from doughlab.stats.inference import t_tests
from doughlab.stats.verdicts import chance_of_verdicts

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.plan.plan import Plan
    from doughlab.sections import Response
    from doughlab.settings import Settings

Floats = NDArray[np.floating[Any]]
DRAWS = 300


@dataclass(frozen=True)
class Carried:
    """What a plan will find about one question, as far as the measured spreads tell.

    Attributes
    ----------
    line : Line
        At the spreads as measured.
    found : tuple of float
        Chance to find the margin: low end, mean over what is possible, high end.
    size : tuple of float
        Smallest difference found 4 times in 5: low end, median, high end.
    same : tuple of float
        Chance to show "same" if it is so: low end, mean, high end.
    units : tuple of int or None
        Units that find the margin 4 times in 5: at the low end of the spreads, as measured, at
        the high end; None beyond 40 times the plan.
    """

    line: Line
    found: tuple[float, float, float]
    size: tuple[float, float, float]
    same: tuple[float, float, float]
    units: tuple[int | None, int | None, int | None]

    @property
    def words(self) -> str:
        """Say the chance to find the margin as so many in 5, with its range."""
        low, _, high = (round(5 * f) for f in self.found)
        return f"{low} in 5" if low == high else f"{low} to {high} in 5"


@dataclass(frozen=True, repr=False)
class CarriedPrecision:
    """What a plan will find, with the uncertainty of the spreads carried along.

    Attributes
    ----------
    carried : tuple of Carried
        One for each question that can be judged.
    spreads : tuple of Spreads
    capacity : int or None
        Batches that [blocks] has room for: days x batches_per_day; None where it does not say.
    notes : tuple of str

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> carried = carry_pilot({}, open_demo().frozen_plan, draws=20)
    >>> carried.table.shape[0], carried.sentences
    (0, ())
    """

    carried: tuple[Carried, ...]
    spreads: tuple[Spreads, ...]
    capacity: int | None = None
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """One row for each question.

        Columns term, response, question, found_low, found_mean, found_high, size_low,
        size_median, size_high, same_low, same_mean, same_high, units_low, units, units_high, unit.
        """
        import pandas as pd

        ends = ("low", "mean", "high")
        rows = []
        for c in self.carried:
            row: dict[str, Any] = {"term": c.line.factor.name, "response": c.line.response.name}
            row["question"] = c.line.question.text if c.line.question else ""
            row |= {f"found_{e}": v for e, v in zip(ends, c.found, strict=True)}
            row |= {f"size_{e}": v for e, v in zip(("low", "median", "high"), c.size, strict=True)}
            row |= {f"same_{e}": v for e, v in zip(ends, c.same, strict=True)}
            row |= dict(zip(("units_low", "units", "units_high"), c.units, strict=True))
            rows.append(row | {"unit": c.line.level})
        return pd.DataFrame(rows)

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say each question's range, and whether to go on or stop."""
        return tuple(f"{_range_words(c)} {self.advise(c)}" for c in self.carried)

    def advise(self, carried: Carried) -> str:
        """Say whether to go on with the plan, with more, or to stop."""
        line, (low, enough, high) = carried.line, carried.units
        margin = format_size(line.response.margin, line.response)
        if enough is None:
            return (
                f"Stop, or ask for a larger margin: no plan of this kind up to {MOST_COPIES} times "
                f"the size would find {margin}."
            )
        many = count_units(enough, line.level)
        room = "" if low == high else f" ({low} to {high if high is not None else 'any number'})"
        if line.level == "batch" and self.capacity is not None and enough > self.capacity:
            return (
                f"It takes {many}{room}, and [blocks] has room for {self.capacity}: allow more "
                "mixing days, ask for a larger margin, or stop."
            )
        if carried.found[0] >= OFTEN:
            return "Go on with this plan: it does even at the high end of the spreads."
        if enough <= line.units:
            most = "more than can be named" if high is None else str(high)
            return f"Go on with this plan; at the high end of the spreads it takes {most}."
        return f"Go on with {many}{room} instead of {line.units}."

    def __str__(self) -> str:
        """Give the spreads and the sentences in at most 15 lines of 80 characters."""
        lines = [w for s in (*_measured(self.spreads), *self.sentences)
                 for w in textwrap.wrap(s, 80)]  # fmt: skip
        if len(lines) > 15:
            lines = [*lines[:14], f"and {len(lines) - 14} more lines: see sentences or table"]
        return "\n".join(lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        return f"<pre>{html.escape(str(self))}</pre>"


def _measured(spreads: Sequence[Spreads]) -> list[str]:
    return [f"{s.response}: {s.sentence}" for s in spreads]


def _range_words(c: Carried) -> str:
    line = c.line
    asked = line.question.text if line.question else line.factor.words
    margin = format_size(line.response.margin, line.response)
    now = line.chances.found_margin if line.chances else float("nan")
    low, _, high = (f"{100 * f:.0f}" for f in c.found)
    return (
        f'"{asked}" ({line.response.words}): a difference of {margin} is found {100 * now:.0f} '
        f"times in 100 if the spreads are as measured, {low} to {high} as far as they are known."
    )


def carry_pilot(
    spreads: Mapping[str, Spreads],
    plan: Plan,
    *,
    primary: bool = False,
    draws: int = DRAWS,
    seed: int = 0,
) -> CarriedPrecision:
    """Say what a plan will find as far as measured spreads tell, and whether to go on.

    Parameters
    ----------
    spreads : mapping of str to Spreads
        By response, as from `doughlab.analysis.read_spreads`; responses whose spreads trial.toml
        states itself are left out.
    plan : Plan
    primary : bool
        Only the primary questions.
    draws : int
        Sets of variances drawn from what is possible, 20 or more.
    seed : int

    Returns
    -------
    CarriedPrecision

    Raises
    ------
    InputError
        For fewer than 20 draws.

    Notes
    -----
    For every draw the range of each question is foreseen at its variances (Kenward-Roger); the
    ends are the 2.5 and 97.5 per cent quantiles, so 95 % ranges. A session's spread told by few
    days makes them a little narrow: what `plan_precision` draws, is reckoned by algebra here.

    References
    ----------
    Kenward & Roger (1997) as in `plan_precision`; how variances are drawn stands at
    `doughlab.plan.spreads.Spreads`.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> from dataclasses import replace
    >>> from doughlab.analysis import measure_spreads
    >>> from doughlab.plan import build_plan
    >>> plan = build_plan(replace(open_demo().settings, assumed={}))
    >>> carried = carry_pilot({"ph": measure_spreads(open_demo(), "ph")}, plan, draws=20)
    >>> carried.table[["term", "size_low", "size_median", "size_high"]].round(2)
               term  size_low  size_median  size_high
    0         water      0.06         0.08       0.12
    1  mixing_water      0.04         0.06       0.08
    2     hydration      0.04         0.06       0.08
    3          hold      0.03         0.04       0.07
    """
    if draws < 20:
        raise InputError(f"{draws} draws are too few for a range: take 20 or more.")
    settings = use_spreads(plan.settings, spreads)
    own = {n: s for n, s in spreads.items()
           if n in settings.responses and n not in plan.settings.assumed}  # fmt: skip
    carried: list[Carried] = []
    notes: list[str] = []
    for name, measured in own.items():
        response = settings.responses[name]
        layout = build_layout(settings, plan.batches, plan.balls, response)
        try:
            sight = foresee(settings, layout, response)
        except NotEstimable as error:
            notes.append(f"{response.words}: {error}")
            continue
        known = Known(sight, layout, seed)
        lines = fill_chances(build_lines(sight, layout, seed=seed)[0])
        asked = [
            x for x in lines
            if x.question is not None and x.chances is not None and x.primary >= primary
        ]  # fmt: skip
        carried += _carry(measured, known, asked, draws=draws, seed=seed)
        notes += measured.notes
    blocks = settings.blocks
    room = blocks.days * blocks.batches_per_day if blocks.days and blocks.batches_per_day else None
    return CarriedPrecision(tuple(carried), tuple(own.values()), room, tuple(notes))


def _carry(
    measured: Spreads, known: Known, lines: Sequence[Line], *, draws: int, seed: int
) -> list[Carried]:
    if not lines:
        return []
    drawn = measured.draw(draws, seed=seed)
    sets = [
        _variances(known.sight, {n: float(v[i]) for n, v in drawn.items()}) for i in range(draws)
    ]
    sights = [known.sight.at(v) for v in sets]
    return [_carry_line(line, known, sights, sets) for line in lines]


def _variances(sight: Foresight, drawn: Mapping[str, float]) -> dict[str, float]:
    """Put drawn variances where the plan's model has them, as `assume_variances` does."""
    settings, response = sight.settings, sight.response
    sds = {FIELDS[n]: v**0.5 for n, v in drawn.items()}
    assumed = replace(settings.assumed[response.name], **sds)
    judges = _judges(settings, response)
    return assume_variances(settings, response, assumed, sight.terms, sight.prepared, judges)


def _judges(settings: Settings, response: Response) -> int:
    return max(1, len(settings.panel.judges)) if response.kind == "score" else 0


def _carry_line(
    line: Line, known: Known, sights: Sequence[Foresight], sets: Sequence[Mapping[str, float]]
) -> Carried:
    asked = ask(known.sight, line.factor, contrast=line.contrast, hold=line.hold or None)
    critical = asked.critical(t_tests(known.sight.moments, asked.turned).covariance)
    se, df = np.empty(len(sights)), np.empty(len(sights))
    for i, sight in enumerate(sights):
        tests = t_tests(sight.moments, asked.turned)
        widest = int(np.argmax(tests.std_error))
        se[i], df[i] = tests.std_error[widest], tests.df[widest]
    df = np.clip(df, 0.5, 1e6)
    half = critical(df)
    margin = np.full(len(se), line.response.margin)
    found = found_chance(margin, se, df, half)
    same = chance_of_verdicts(0.0 * se, se, df=df, margin=margin, critical=half).same
    order = np.argsort(se * (half + 0.85))  # nearly the size itself: 0.85 SE more than half a range
    picks = [order[round(q * (len(order) - 1))] for q in (ENDS[0], 0.5, ENDS[1])]
    size = smallest_difference(se[picks], df[picks], half[picks], chance=np.full(3, 0.8))
    ends = (picks[0], picks[-1])
    low, high = (_units(line, known.with_variances(sets[i])) for i in ends)
    return Carried(
        line,
        _ends(found, float(found.mean())),
        (float(size[0]), float(size[1]), float(size[2])),
        _ends(same, float(same.mean())),
        (low, _units(line, known), high),
    )


def _units(line: Line, known: Known) -> int | None:
    """Find how many units are enough, fewer than planned included."""
    seen = match_df(line.see(known.sight, seed=known.seed))
    arrays = (np.array([getattr(seen, n)]) for n in ("std_error", "df", "critical"))
    if float(found_chance(np.array([line.response.margin]), *arrays)[0]) >= 0.8:
        return line.units
    return units_enough(line, known)


def _ends(values: Floats, middle: float) -> tuple[float, float, float]:
    low, high = np.quantile(values, ENDS)
    return float(low), middle, float(high)
