"""Searched plans: days, batches and balls of trial.toml handed to the search, and taken back.

`designs` lays its days by it where [plan] says design = "search"; `kinds` says how good the plan
is. The search itself is `optimal`, which knows no trial.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from math import ceil, prod
from random import Random
from typing import TYPE_CHECKING, Any

from doughlab.errors import PlanError
from doughlab.plan.factors import Levels, cross_levels, is_forbidden
from doughlab.plan.model import RANDOM_BLOCKS_FROM, curve_numbers, is_curve
from doughlab.plan.order import shuffled
from doughlab.plan.span import Span

if TYPE_CHECKING:
    from doughlab.plan.candidates import SearchFactor
    from doughlab.plan.optimal import RunScores
    from doughlab.sections import Factor
    from doughlab.settings import Settings

_STARTS = 128  # more find the same plan again on trials of a kitchen's size

Found = tuple[Levels, tuple[Levels, ...], tuple[tuple[Levels, ...], ...]]
"""A mixing day: its day levels, its batches in mixing order, and the ball settings of each."""


def search_days(settings: Settings, rng: Random) -> list[Found]:
    """Search the settings of every day, batch and ball for the model that [plan] states.

    Parameters
    ----------
    settings : Settings
        `plan` says how many batches, for which model and by which criterion; forbidden
        combinations are never made; spreads are those of [assumed] for the first primary question.
    rng : random.Random

    Returns
    -------
    list of tuple
        Ball settings are empty where every batch takes all of them.

    Raises
    ------
    PlanError
        Where the number of batches is not said, or does not fit; from the search, where the
        model asks for more than the batches can tell.
    """
    from doughlab.plan.candidates import RunStructure
    from doughlab.plan.optimal import search_runs

    days = count_batches(settings)
    factors = searched_factors(settings)
    if not factors:
        raise PlanError(
            "trial.toml, [plan]: a search needs a factor that is set per day or per batch. "
            'Take design = "search" away.'
        )
    found = search_runs(
        [_as_searched(f) for f in factors],
        model=list_terms(settings, factors),
        structure=RunStructure(
            tuple(days),
            (_balls_searched(settings),) * sum(days),
            fixed_days=_fixed_days(settings, len(days)),
        ),
        variance_ratios=variance_ratios(settings),
        criterion=settings.plan.criterion,
        forbidden=_bans(settings, factors),
        seed=int(rng.random() * 2**31),
        starts=_STARTS,
    )
    return _take_back(settings, factors, found.rows, rng)


def count_batches(settings: Settings) -> list[int]:
    """Give the batches of each mixing day of a search.

    Raises
    ------
    PlanError
        Where it is not said how many, or they do not fit.
    """
    from doughlab.plan.designs import batches_a_day, spread

    design, blocks, limit = settings.plan, settings.blocks, batches_a_day(settings)
    if blocks.replicates > 1:
        raise PlanError(
            "trial.toml: a search decides itself which batches are repeated. Take replicates out "
            "of [blocks], and say the number of batches: runs in [plan]."
        )
    if design.batches:
        if max(design.batches) > limit:
            raise PlanError(
                f"trial.toml, [plan]: batches has a day of {max(design.batches)}; {limit} fit one. "
                "Spread them over more days, or raise batches_per_day in [blocks]."
            )
        return list(design.batches)
    if design.runs is None:
        raise PlanError(
            "trial.toml, [plan]: a search needs to know how many batches you can mix. Write "
            "runs = 12, or batches = [4, 4, 4] for each mixing day."
        )
    days = blocks.days or ceil(design.runs / limit)
    if days * limit < design.runs:
        raise PlanError(
            f"trial.toml, [plan]: {design.runs} batches do not fit {days} days of {limit}. "
            f"Set days = {ceil(design.runs / limit)} in [blocks], or runs = {days * limit}."
        )
    return [n for n in spread(design.runs, days) if n]


def searched_factors(settings: Settings) -> list[Factor]:
    """List the factors that a search sets; those of balls where batches cannot take all."""
    if _balls_searched(settings) > 1:
        return list(settings.factors.values())
    return settings.factors_set("day", "batch")


def _balls_searched(settings: Settings) -> int:
    """Count the balls of a batch in the search; 1 where every batch takes all ball settings."""
    asked = settings.plan.balls
    return asked if asked and asked < _crossed_balls(settings) else 1


def _crossed_balls(settings: Settings) -> int:
    return prod(len(f.levels) for f in settings.factors_set("ball"))


def _as_searched(factor: Factor) -> SearchFactor:
    """Give a factor as the model will fit it: a number with two levels or a curve, or levels."""
    from doughlab.plan.candidates import SearchFactor

    if factor.kind == "number" and (len(factor.levels) == 2 or is_curve(factor)):
        return SearchFactor(factor.name, factor.set, values=factor.values)  # type: ignore[arg-type]
    return SearchFactor(factor.name, factor.set, levels=factor.levels)  # type: ignore[arg-type]


def list_terms(settings: Settings, factors: Sequence[Factor]) -> list[str]:
    """List the terms of the stated model, as the search writes them.

    Without pairs that lack a combination, since the model takes those as nil; along a curve only
    without those that can then not be told.
    """
    model = settings.plan.model
    terms = [f.name for f in factors]
    if model == "curves":
        terms += [f"{f.name}^2" for f in factors if is_curve(f)]
    if model != "lines":
        pairs = combinations(factors, 2)
        terms += [f"{a.name}:{b.name}" for a, b in pairs if _is_told(settings, a, b)]
    return terms


def _is_told(settings: Settings, a: Factor, b: Factor) -> bool:
    """Tell whether the allowed combinations of two settings show how they change each other."""
    crossed = cross_levels([a, b])
    rows = [r for r in crossed if not is_forbidden(r, settings.forbidden)]
    if not is_curve(a) and not is_curve(b):
        return len(rows) == len(crossed)
    span = Span(rows, curve_numbers(settings))
    span.add([a.name])
    span.add([b.name])
    return span.add([a.name, b.name]) == prod(
        1 if is_curve(f) else len(f.levels) - 1 for f in (a, b)
    )


def _fixed_days(settings: Settings, days: int) -> bool:
    """Tell whether the model will hold days as blocks with an effect of their own."""
    if settings.blocks.kind != "day" or settings.factors_set("day"):
        return False
    return 1 < days < RANDOM_BLOCKS_FROM


def variance_ratios(settings: Settings) -> dict[str, float]:
    """Give the variances of days and batches, in units of what varies below them.

    From [assumed] for the response of the first primary question that has it; a batch varies as
    much as a ball where nothing is assumed.

    Returns
    -------
    dict
        "day" and "batch" over that of balls. Where every batch takes all ball settings only
        batches are set, and "day" stands over that of the mean of a batch.
    """
    asked = sorted(settings.questions, key=lambda q: not q.primary)
    names = [*(q.response for q in asked), *settings.responses]
    known = [settings.assumed[n] for n in names if n in settings.assumed]
    day, batch, ball = 0.0, 1.0, 1.0
    if known and known[0].ball_sd > 0:
        a = known[0]
        day, batch, ball = a.day_sd**2, a.batch_sd**2 + a.lot_sd**2, a.ball_sd**2
    if _balls_searched(settings) > 1:
        return {"day": day / ball, "batch": batch / ball}
    return {"day": day / (batch + ball / _crossed_balls(settings)), "batch": 0.0}


def _bans(settings: Settings, factors: Sequence[Factor]) -> list[dict[str, Any]]:
    """Give the forbidden combinations of searched factors, numbers as numbers."""
    known = {f.name: f for f in factors}
    found = []
    for entry in settings.forbidden:
        if entry and all(n in known for n in entry):
            found.append({n: _value(known[n], v) for n, v in entry.items()})
    return found


def _value(factor: Factor, level: str) -> str | float:
    return factor.value_of(level) if _as_searched(factor).values else level


def _take_back(
    settings: Settings, factors: Sequence[Factor], rows: Sequence[Mapping[str, Any]], rng: Random
) -> list[Found]:
    """Gather the balls of a search into days and batches, batches in random order."""
    inner = [f for f in factors if f.set == "ball"]
    outer = [f for f in factors if f.set != "ball"]
    days: dict[int, dict[int, tuple[Levels, list[Levels]]]] = {}
    for row in rows:
        levels = {f.name: f.level_of(row[f.name]) for f in outer}
        batch = days.setdefault(int(row["day"]), {}).setdefault(int(row["batch"]), (levels, []))
        batch[1].append({f.name: f.level_of(row[f.name]) for f in inner})
    set_by_day = [f.name for f in settings.factors_set("day")]
    found: list[Found] = []
    for batches in days.values():
        order = shuffled(batches.values(), rng)
        day = {n: order[0][0][n] for n in set_by_day}
        balls = tuple(tuple(own) for _, own in order) if inner else ()
        found.append((day, tuple(levels for levels, _ in order), balls))
    return shuffled(found, rng)


def judge_search(
    settings: Settings, batches: Sequence[Mapping[str, Any]], balls: Sequence[Mapping[str, Any]]
) -> RunScores:
    """Score a searched plan, for the model it was searched for.

    Parameters
    ----------
    settings : Settings
    batches, balls : sequence of dict
        Rows of plan/batches.csv and plan/balls.csv.
    """
    from doughlab.plan.optimal import judge_runs

    factors = searched_factors(settings)
    rows = _as_rows(settings, factors, batches, balls)
    days = len({b["block"] for b in batches})
    return judge_runs(
        [_as_searched(f) for f in factors],
        rows,
        model=list_terms(settings, factors),
        variance_ratios=variance_ratios(settings),
        forbidden=_bans(settings, factors),
        fixed_days=_fixed_days(settings, days),
    )


def _as_rows(
    settings: Settings,
    factors: Sequence[Factor],
    batches: Sequence[Mapping[str, Any]],
    balls: Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    """Write the rows of a plan as the search has them: one for each ball setting of a batch."""
    blocks = list(dict.fromkeys(b["block"] for b in batches))
    inner = [f for f in factors if f.set == "ball"]
    used: dict[str, set[tuple[str, ...]]] = {b["batch_id"]: set() for b in batches}
    for ball in balls:
        if ball["purpose"] != "spare":
            used[ball["batch_id"]].add(tuple(f.level_of(ball[f.column]) for f in inner))
    rows: list[dict[str, Any]] = []
    for i, b in enumerate(batches):
        outer = {f.name: _value(f, f.level_of(b[f.column])) for f in factors if f.set != "ball"}
        place = {"day": blocks.index(b["block"]), "batch": i}
        rows += [
            place | outer | {f.name: _value(f, v) for f, v in zip(inner, levels, strict=True)}
            for levels in sorted(used[b["batch_id"]])
        ]
    return rows


def search_more(
    settings: Settings,
    batches: Sequence[Mapping[str, Any]],
    balls: Sequence[Mapping[str, Any]],
    sizes: Sequence[int],
    rng: Random,
) -> list[Found]:
    """Search further days for a plan whose batches are made: the best ones given these.

    Parameters
    ----------
    settings : Settings
    batches, balls : sequence of dict
        Rows of the plan so far; they count, and stay as they are.
    sizes : sequence of int
        Batches of each new mixing day.
    rng : random.Random

    Returns
    -------
    list of tuple
        The new days, as from `search_days`.

    Raises
    ------
    PlanError
        From the search, where the model asks for more than all batches together can tell.
    """
    from doughlab.plan.candidates import RunStructure
    from doughlab.plan.optimal import search_runs

    factors = searched_factors(settings)
    days = len({b["block"] for b in batches}) + len(sizes)
    found = search_runs(
        [_as_searched(f) for f in factors],
        model=list_terms(settings, factors),
        structure=RunStructure(
            tuple(sizes),
            (_balls_searched(settings),) * sum(sizes),
            fixed_days=_fixed_days(settings, days),
        ),
        variance_ratios=variance_ratios(settings),
        criterion=settings.plan.criterion,
        forbidden=_bans(settings, factors),
        kept=_as_rows(settings, factors, batches, balls),
        seed=int(rng.random() * 2**31),
        starts=_STARTS,
    )
    return _take_back(settings, factors, found.rows[found.kept :], rng)
