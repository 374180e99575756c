"""Between: a setting that lies between the tried ones, and what that assumes.

`doughlab decide --at` asks here. It recommends nothing: a setting that was never mixed is judged on
a straight line, a hold on the curve that its hours follow, and the answer says so or asks for a
middle level.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from doughlab.analysis.wording import joined, level_words
from doughlab.decision.chance import Predictor, tenths, tenths_span
from doughlab.decision.doable import Doable, round_to_kitchen, value_words
from doughlab.decision.hours import hour_weights
from doughlab.decision.weigh import Weighing
from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.plan.model import is_curve
from doughlab.sections import Factor
from doughlab.units import parse_quantity

Floats = NDArray[np.floating]
Three = tuple[float, float, float]
Values = Mapping[str, float | str]

SAME = 1e-3  # typed values this near a level are that level; in the unit of the factor


@dataclass(frozen=True)
class Between:
    """A setting between the tried ones.

    Attributes
    ----------
    values : dict of str to float or str
        As the kitchen can hold it, numbers in the unit of the factor.
    mean, share : tuple of float
        Mean of the window's response, and share of new balls inside, each with its 95 % range.
    rounding : tuple of float
        Share of a new ball's variance that the steps of thermometer, scale and hold bring, with
        its 95 % range.
    sentences : tuple of str
        What was asked for where the kitchen's hours move it, the answer, what it assumes.
    asked : dict of str to tuple of float
        "mean" and "share" as it was asked for, each with its 95 % range, where the kitchen's hours
        move it elsewhere; else empty.
    """

    values: dict[str, float | str]
    mean: Three
    share: Three
    rounding: Three
    sentences: tuple[str, ...]
    asked: dict[str, Three] = field(default_factory=dict)

    def __str__(self) -> str:
        """Give the sentences, one a line."""
        return "\n".join(self.sentences)


def read_values(weighing: Weighing, base: Mapping[str, str], typed: Mapping[str, str]) -> Values:
    """Read what was typed for some factors; the others stay as in a setting.

    Parameters
    ----------
    weighing : Weighing
    base : mapping of str to str
        Level text of every factor.
    typed : mapping of str to str
        Factor to what was typed, such as "59 F".

    Returns
    -------
    mapping of str to float or str

    Raises
    ------
    UnknownName
        For a factor or level that is not in the trial.
    OutOfRange
        For a number beyond what was tried.
    """
    settings = weighing.settings
    model = next(iter(weighing.predictors.values())).model
    out: dict[str, float | str] = {n: settings.factors[n].value_of(v) for n, v in base.items()}
    for name, text in typed.items():
        factor = settings.factor(name)
        if factor.kind != "number":
            out[name] = factor.level_of(text)
            continue
        value = parse_quantity(text, factor.unit, what=factor.words)
        tried = [float(factor.value_of(v)) for v in model.levels(factor)]
        near = min(tried, key=lambda v: abs(v - value))
        # levels keep four decimals: 55 F typed again is 12.77778, the level 12.7778
        value = near if abs(near - value) < SAME else value
        if not min(tried) <= value <= max(tried):
            low, high = (value_words(settings, factor, v) for v in (min(tried), max(tried)))
            shown = value_words(settings, factor, value)
            raise OutOfRange(
                f"{factor.words} {shown} lies outside {low} to {high}, as far as it was tried. "
                "Ask for a value inside, or try it in a further trial.",
                value=value, low=min(tried), high=max(tried),
            )  # fmt: skip
        out[name] = value
    return out


def rows_at(predictor: Predictor, values: Values, *, smooth: bool = True) -> Floats:
    """Build the model row of a setting between levels, shape (1, p).

    Numbers that enter as slopes or curves stand where they are; of categories that are numbers the
    rows of both neighbours are mixed by distance, which is a straight line between them. Holds are
    mixed as for the hours (`hours.hour_weights`), so that both give the same pH at an hour.

    Parameters
    ----------
    predictor : Predictor
    values : mapping of str to float or str
        Every factor, numbers in the unit of the factor.
    smooth : bool
        Holds on the curve of the hours; on a straight line without it.

    Returns
    -------
    array, shape (1, p)
    """
    model = predictor.model
    design = model.fit.design
    numbers: dict[str, Floats] = {}
    mixed: dict[str, list[tuple[str, float]]] = {}
    for name, factor in model.settings.factors.items():
        value = values[name]
        if name in design.numbers:
            numbers[name] = np.array([float(value) - model.terms.centres[name]])
        elif factor.kind == "number":
            mixed[name] = _neighbours(predictor, factor, float(value), smooth=smooth)
        else:
            mixed[name] = [(str(value), 1.0)]
    names = [n for n in mixed if n in design.factors]
    total = np.zeros((1, design.matrix.shape[1]))
    for combination in product(*(mixed[n] for n in names)):
        codes = {name: np.array([design.factors[name].levels.index(level)])
                 for name, (level, _) in zip(names, combination, strict=True)}  # fmt: skip
        codes |= {n: np.zeros(1, dtype=np.int64) for n in design.factors if n not in codes}
        weight = float(np.prod([w for _, w in combination]))
        total = total + weight * design.build_rows(codes, numbers)
    return total


def _neighbours(
    predictor: Predictor, factor: Factor, value: float, *, smooth: bool
) -> list[tuple[str, float]]:
    """Give the tried levels on both sides of a value with their weights."""
    pairs = sorted((float(factor.value_of(v)), v) for v in predictor.model.levels(factor))
    tried = np.array([v for v, _ in pairs])
    at = int(np.clip(np.searchsorted(tried, value), 1, max(len(tried) - 1, 1)))
    if len(tried) < 2 or np.isclose(tried, value).any():
        return [(pairs[int(np.abs(tried - value).argmin())][1], 1.0)]
    if smooth and _is_hold(predictor, factor):
        weights = hour_weights(tried, np.array([value]))[0]
        return [(level, float(w)) for (_, level), w in zip(pairs, weights, strict=True)]
    share = (value - tried[at - 1]) / (tried[at] - tried[at - 1])
    return [(pairs[at - 1][1], 1.0 - share), (pairs[at][1], share)]


def _is_hold(predictor: Predictor, factor: Factor) -> bool:
    hold = predictor.model.settings.hold
    return hold is not None and hold.name == factor.name


def is_smooth(predictor: Predictor, values: Values) -> bool:
    """Tell whether the curve of the hours can be told at a setting: every hold has a mean there.

    Parameters
    ----------
    predictor : Predictor
    values : mapping of str to float or str
        Every factor, numbers in the unit of the factor.

    Returns
    -------
    bool
        False where only the straight line between neighbours can be told.

    Raises
    ------
    NotEstimable
        Where not even its neighbours have one.
    """
    for smooth in (True, False):
        found = predictor.model.fit.test_rows(rows_at(predictor, values, smooth=smooth))
        if np.isfinite(found.estimate).all():
            return smooth
    raise NotEstimable(
        "Nothing can be said there: too few balls are recorded of the settings beside it. Ask for "
        "another setting, or record more balls."
    )


def draw_slope(predictor: Predictor, values: Values, name: str) -> Floats:
    """Draw the slope of the response along a number, between its tried neighbours.

    Parameters
    ----------
    predictor : Predictor
    values : mapping
        Every factor.
    name : str
        Of a number.

    Returns
    -------
    array, shape (d,)
        Per unit of the factor; 0 where fewer than two levels were recorded.
    """
    factor = predictor.model.settings.factors[name]
    tried = sorted(float(factor.value_of(v)) for v in predictor.model.levels(factor))
    if len(tried) < 2:
        return np.zeros(len(predictor.draws.variances))
    value = float(values[name])
    below = max((v for v in tried if v < value - 1e-9), default=tried[0])
    above = min((v for v in tried if v > value + 1e-9), default=tried[-1])
    ends = [predictor.draws.means(rows_at(predictor, {**values, name: v}))[:, 0]
            for v in (below, above)]  # fmt: skip
    return np.asarray((ends[1] - ends[0]) / (above - below))


def judge_between(weighing: Weighing, base: Mapping[str, str], typed: Mapping[str, str]) -> Between:
    """Judge a setting between the tried ones, as the kitchen can hold it.

    Parameters
    ----------
    weighing : Weighing
    base : mapping of str to str
        Level text of every factor, for what is not typed.
    typed : mapping of str to str
        Factor to what was typed.

    Returns
    -------
    Between

    Raises
    ------
    UnknownName, OutOfRange, InputError
        As `read_values`; InputError where nothing was recommended that could stand for the rest.

    Notes
    -----
    A step s that is rounded to adds a spread of s / sqrt(12), uniform, times the slope; what the
    batches of the trial were off by is in their spread already.
    """
    if not base:
        raise InputError("Nothing is recommended yet, so say a value for every factor with --at.")
    settings = weighing.settings
    predictor = next(iter(weighing.predictors.values()))
    asked = dict(read_values(weighing, base, typed))
    steps: dict[str, Doable] = {}
    for name, factor in settings.factors.items():
        if factor.kind == "number" and name in typed:
            steps[name] = round_to_kitchen(weighing.trial, factor, float(asked[name]))
            tried = [float(factor.value_of(v)) for v in predictor.model.levels(factor)]
            held = float(np.clip(steps[name].value, min(tried), max(tried)))
            near = min(tried, key=lambda v: abs(v - held))
            # a level that was tried stays itself, though the kitchen's steps miss it
            asked[name] = near if abs(near - held) <= 0.51 * steps[name].step else held
    smooth = is_smooth(predictor, asked)
    means = predictor.draws.means(rows_at(predictor, asked, smooth=smooth))[:, 0]
    variance = predictor.draws.spread()
    extra = sum((draw_slope(predictor, asked, n) ** 2 * d.step**2 / 12.0
                 for n, d in steps.items()), np.zeros(len(variance)))  # fmt: skip
    limit = weighing.limits[0]
    sd = np.sqrt(variance + extra)
    share = ndtr((limit.high - means) / sd) - ndtr((limit.low - means) / sd)
    three = _three(means), _three(share)
    rounding = _three(extra / (variance + extra))
    said = _answer(weighing, asked, three, rounding)
    assumed = [s for n in typed for s in _assumptions(predictor, asked, n, smooth=smooth)]
    words = [d.words for d in steps.values() if d.words]
    wanted, moved = _as_asked(weighing, predictor, asked, steps)
    kept = [f"Held {', '.join(words)}."] if words else []
    return Between(asked, *three, rounding, (*moved, said, *kept, *assumed), wanted)


def _as_asked(
    weighing: Weighing, predictor: Predictor, held: Values, steps: Mapping[str, Doable]
) -> tuple[dict[str, Three], list[str]]:
    """Judge what was asked for as well, where the kitchen's hours move it, and say why."""
    moved = {n: d for n, d in steps.items() if d.moved}
    if not moved:
        return {}, []
    values = {**held, **{n: d.wanted for n, d in moved.items()}}
    smooth = is_smooth(predictor, values)
    means = predictor.draws.means(rows_at(predictor, values, smooth=smooth))[:, 0]
    sd, limit = np.sqrt(predictor.draws.spread()), weighing.limits[0]
    mean = _three(means)
    share = _three(ndtr((limit.high - means) / sd) - ndtr((limit.low - means) / sd))
    settings = weighing.settings
    what = joined([
        f"{settings.factors[n].words} {value_words(settings, settings.factors[n], d.wanted)}"
        for n, d in moved.items()
    ])  # fmt: skip
    words = settings.responses[limit.what].words
    said = (
        f"As asked, {what}: {words} {mean[0]:.2f} on average ({mean[1]:.2f} to {mean[2]:.2f}), "
        f"about {tenths(share[0])} of 10 new balls inside ({tenths_span(share[1], share[2])})."
    )
    return {"mean": mean, "share": share}, [said, *(d.moved for d in moved.values())]


def _three(values: Floats) -> Three:
    low, middle, high = np.quantile(values, [0.025, 0.5, 0.975])
    return float(middle), float(low), float(high)


def _answer(weighing: Weighing, values: Values, three: tuple[Three, Three], rounding: Three) -> str:
    settings, (mean, share) = weighing.settings, three
    parts = []
    for name, value in values.items():
        factor = settings.factors[name]
        shown = str(value)
        if factor.kind == "number":
            shown = value_words(settings, factor, float(value))
        parts.append(shown if factor.kind == "water" else f"{factor.words} {shown}")
    words = settings.responses[weighing.limits[0].what].words
    return (
        f"{', '.join(parts)}: {words} {mean[0]:.2f} on average ({mean[1]:.2f} to {mean[2]:.2f}), "
        f"about {tenths(share[0])} of 10 new balls inside ({tenths_span(share[1], share[2])}); "
        f"{_percent(rounding)} of their spread (variance) comes from rounding."
    )


def _percent(three: Three) -> str:
    middle, low, high = (100.0 * v for v in three)
    return f"{middle:.1f} % ({low:.1f} to {high:.1f} %)"


def _assumptions(predictor: Predictor, values: Values, name: str, *, smooth: bool) -> list[str]:
    """Say what a value between levels assumes, and how it could be tested."""
    settings = predictor.model.settings
    factor = settings.factors[name]
    if factor.kind != "number":
        return []
    levels = sorted(predictor.model.levels(factor), key=lambda v: float(factor.value_of(v)))
    tried = [float(factor.value_of(v)) for v in levels]
    value = float(values[name])
    if np.isclose(tried, value).any():
        return []
    if is_curve(factor):
        return [f"{factor.words}: on the curve that the plan lets it follow."]
    if smooth and _is_hold(predictor, factor) and len(levels) > 2:
        means = joined([level_words(factor, v) for v in levels])
        return [f"{factor.words} was not tried there: a smooth curve through the means at {means} "
                "is assumed, as for the hours."]  # fmt: skip
    at = int(np.searchsorted(tried, value))
    ends = f"{level_words(factor, levels[at - 1])} to {level_words(factor, levels[at])}"
    head = f"{factor.words} was not tried there: a straight line from {ends} is assumed"
    if len(levels) == 2:
        middle = value_words(settings, factor, (tried[0] + tried[1]) / 2.0)
        return [f"{head}; two levels cannot show a bend, a middle level ({middle}) would."]
    told = _bend(predictor, values, factor, levels)
    return [f"{head}; {told or 'whether it bends cannot be told'}."]


def _bend(predictor: Predictor, values: Values, factor: Factor, levels: list[str]) -> str:
    """Say how far the middle levels lie off the line between the outer ones."""
    tried = [float(factor.value_of(v)) for v in levels]
    means = [predictor.draws.means(rows_at(predictor, {**values, factor.name: v}))[:, 0]
             for v in tried]  # fmt: skip
    parts = []
    for level, value, mean in list(zip(levels, tried, means, strict=True))[1:-1]:
        share = (value - tried[0]) / (tried[-1] - tried[0])
        off = mean - ((1.0 - share) * means[0] + share * means[-1])
        middle, low, high = _three(off)
        if not np.isfinite(middle):
            continue
        shown = "a bend is shown" if low > 0 or high < 0 else "no bend is shown"
        parts.append(f"at {level_words(factor, level)} {middle:+.2f} ({low:+.2f} to {high:+.2f}) "
                     f"off the line from end to end, {shown}")  # fmt: skip
    return "; ".join(parts)
