"""Confirm: ranges for a few new batches of the recommended setting, before they are mixed.

`followup` makes the short answer of it, `confirm_folder` a whole trial folder, and `confirmed`
judges what came by the same rule. Whether to confirm is left to the owner.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri
from scipy.stats import qmc

from doughlab.confirming import Confirm
from doughlab.decision.chance import Predictor
from doughlab.stats.scale import student_quantile

Floats = NDArray[np.floating[Any]]
LEVEL = 0.95
GOES = 16_000
POWER = 14  # of two: points that the largest of many is judged by
MOST_NUMBERS = 4_000_000
SEED = 20260307
METER_SD = 0.016  # pH: two buffers each known to 0.02 (rectangular); common practice, no source
_LOTS = ("water_lot", "flour_lot", "preferment_lot")


@dataclass(frozen=True)
class Ranges:
    """Where new batches should lie.

    Attributes
    ----------
    mean : tuple of float
        95 % range for the mean of the batches' means.
    batches : tuple of (float, float)
        For each batch's mean; all of them hold at once in 95 of 100.
    ball : tuple of float
        For every ball; all of them hold at once in 95 of 100.
    together : float
        How often the three hold together.
    """

    mean: tuple[float, float]
    batches: tuple[tuple[float, float], ...]
    ball: tuple[float, float]
    together: float


def build_ranges(parts: Confirm, layout: Sequence[tuple[str, int]]) -> Ranges:
    """Make the ranges for batches as they were planned, or as they came.

    Parameters
    ----------
    parts : Confirm
        Estimate, spreads and degrees of freedom; its own ranges are not looked at.
    layout : sequence of (str, int)
        Mixing day and number of balls of each batch; 1 or more batches of 1 or more balls.

    Returns
    -------
    Ranges

    Notes
    -----
    Every value is the estimate plus errors: that of the estimate, the lots and the meter's
    calibration are shared by all; day and session by the batches of a day; the batch's by its
    balls. The simultaneous ranges take the largest of such correlated t values (multivariate t, at
    the correlations that the spreads give): its 95 % point over evenly spread points (scrambled
    Sobol points of a fixed seed, 16,384 or as many as memory allows), within about 0.02 of
    `stats.multiplicity.simultaneous_critical`. They are narrower than those of Bonferroni, and as
    wide as one range where all is shared. Degrees of freedom match the first two moments of each
    variance (Satterthwaite 1946).

    Examples
    --------
    >>> parts = Confirm(estimate=5.5, batch_sd=0.05, mean_df=1e6, batch_df=1e6, ball_df=1e6)
    >>> found = build_ranges(parts, [("D1", 1), ("D1", 1)])
    >>> print([round(x, 3) for x in found.batches[0]])  # 5.5 -+ 2.236 x 0.05: two at once
    [5.388, 5.612]
    """
    drawn = _draw_errors(parts, layout)
    single = float(student_quantile(parts.mean_df, 0.5 + LEVEL / 2)) * drawn.mean_sd
    largest = (np.abs(drawn.batches) / drawn.batch_sd).max(axis=1) / drawn.batch_scale
    batches = float(np.quantile(largest, LEVEL)) * drawn.batch_sd
    largest = np.abs(drawn.balls).max(axis=1) / drawn.ball_sd / drawn.ball_scale
    ball = float(np.quantile(largest, LEVEL)) * drawn.ball_sd
    held = np.abs(drawn.batches.mean(axis=1)) <= single * drawn.batch_scale
    held &= (np.abs(drawn.batches) <= batches * drawn.batch_scale[:, None]).all(axis=1)
    held &= (np.abs(drawn.balls) <= ball * drawn.ball_scale[:, None]).all(axis=1)
    at = parts.estimate
    return Ranges(
        (at - single, at + single),
        tuple((at - float(h), at + float(h)) for h in batches),
        (at - ball, at + ball),
        float(held.mean()),
    )


def most_outside(
    parts: Confirm, layout: Sequence[tuple[str, int]], window: tuple[float, float]
) -> int:
    """Say how many of the new balls may lie outside a window where nothing changed.

    Parameters
    ----------
    parts : Confirm
        Estimate, spreads and degrees of freedom; its own ranges are not looked at.
    layout : sequence of (str, int)
        Mixing day and number of balls of each batch; 1 or more batches of 1 or more balls.
    window : tuple of float
        Low and high end, in the unit of the response; both belong to it.

    Returns
    -------
    int
        So many or fewer lie outside in 95 of 100.

    Notes
    -----
    Counted over the draws that `build_ranges` uses; balls that share a day or a batch go out
    together, so the number is larger than that of independent balls.

    Examples
    --------
    >>> parts = Confirm(estimate=5.5, ball_sd=0.1, mean_df=1e6, batch_df=1e6, ball_df=1e6)
    >>> most_outside(parts, [("D1", 4), ("D2", 4)], (5.3, 5.7))  # each 4.6 in 100, by itself
    1
    """
    drawn = _draw_errors(parts, layout)
    values = parts.estimate + drawn.balls / drawn.ball_scale[:, None]
    outside = ((values < window[0]) | (values > window[1])).sum(axis=1)
    return int(np.quantile(outside, LEVEL, method="higher"))


@dataclass(frozen=True)
class _Errors:
    """Drawn errors of batches and balls, with their standard deviations.

    The scales are how far an estimated standard deviation is from the true one, one per draw.
    """

    batches: Floats
    balls: Floats
    batch_sd: Floats
    ball_sd: float
    mean_sd: float
    batch_scale: Floats
    ball_scale: Floats


def _draw_errors(parts: Confirm, layout: Sequence[tuple[str, int]]) -> _Errors:
    """Lay out errors of new batches and balls over evenly spread points."""
    batch = np.repeat(np.arange(len(layout)), [n for _, n in layout])
    day = pd.factorize(np.array([d for d, _ in layout]))[0]
    days, m, n = int(day.max()) + 1, len(layout), len(batch)
    shared = math.sqrt(parts.estimate_sd**2 + parts.lot_sd**2 + parts.meter_sd**2)
    own_day = math.hypot(parts.day_sd, parts.session_sd)
    power = max(9, min(POWER, int(math.log2(MOST_NUMBERS / (m + n)))))
    points = qmc.Sobol(2 + days + m + n, scramble=True, rng=np.random.default_rng(SEED))
    uniform = np.clip(points.random_base2(power), 1e-12, 1.0 - 1e-12)
    z = ndtri(uniform[:, 1:])
    above = (
        shared * z[:, :1] + own_day * z[:, 1 + day] + parts.batch_sd * z[:, 1 + days : 1 + days + m]
    )
    balls = above[:, batch] + parts.ball_sd * z[:, 1 + days + m :]
    each = np.bincount(batch)
    means = np.stack([balls[:, batch == i].mean(axis=1) for i in range(m)], axis=1)
    over_days = float((np.bincount(day) ** 2).sum()) / m**2
    common = shared**2 + own_day**2 + parts.batch_sd**2
    batch_sd = np.sqrt(common + parts.ball_sd**2 / each)
    mean_sd = math.sqrt(
        shared**2 + own_day**2 * over_days + parts.batch_sd**2 / m
        + parts.ball_sd**2 * float((1.0 / each).sum()) / m**2
    )  # fmt: skip
    scales = [_scale(df, uniform[:, 0]) for df in (parts.batch_df, parts.ball_df)]
    floor = 1e-300
    return _Errors(
        means, balls, np.maximum(batch_sd, floor), max(math.sqrt(common + parts.ball_sd**2), floor),
        mean_sd, *scales,
    )  # fmt: skip


def _scale(df: float, shares: Floats) -> Floats:
    """Give roots of chi-square over df at shares of its law."""
    if df >= 1e5:
        return np.ones(len(shares))
    return np.sqrt(np.asarray(chdtri(df, 1.0 - shares)) / df)


def spread_batches(batches: int, days: int, balls: int) -> list[tuple[str, int]]:
    """Lay batches out on days, as evenly as they go.

    Examples
    --------
    >>> spread_batches(3, 2, 1)
    [('D1', 1), ('D1', 1), ('D2', 1)]
    """
    return [(f"D{i * days // batches + 1}", balls) for i in range(batches)]


def make_confirm(
    predictor: Predictor,
    setting: Mapping[str, str],
    *,
    batches: int,
    days: int,
    balls: int,
    calibrations: int | None = None,
) -> Confirm:
    """Say beforehand what new batches of a setting should give.

    Parameters
    ----------
    predictor : Predictor
    setting : mapping of str to str
        Level text of every factor.
    batches, days, balls : int
        1 or more; days at most batches.
    calibrations : int, optional
        Calibrations of the meter that the first trial was read with. With one or none how they
        differ is in no spread, and 0.016 pH is added for a response in pH.

    Returns
    -------
    Confirm
        Without the names; `confirm_folder` adds them.

    Notes
    -----
    New days, batches and balls are drawn for every draw of the mean and the variances that the
    first trial leaves open (`Predictor.draws`), with a fixed seed. A range reaches as far from the
    estimate as 95 of 100 draws of the mean, or of the batch (the ball) that lies furthest off: so
    the ranges of batches and of balls hold for all of them at once, whatever they share. Measured
    over invented trials: tests/studies/confirm_study.csv.
    """
    row = predictor.rows(pd.DataFrame([dict(setting)]))
    means = predictor.draws.means(row)[:, 0]
    estimate = float(np.median(means))
    low, high = np.quantile(means, [0.025, 0.975])
    terms = _new_variances(predictor)
    response = predictor.model.dataset.response
    untold = response.unit == "ph" and calibrations is not None and calibrations < 2
    numbers: dict[str, Any] = {
        f"{name}_sd": _six(math.sqrt(float(np.median(v)))) for name, v in terms.items()
    }
    numbers |= {"estimate": _six(estimate), "estimate_sd": _six(float(high - low) / 3.92)}
    numbers |= {
        "mean_df": _six(_spread_df(predictor, batches, days, balls)),
        "batch_df": _six(_spread_df(predictor, 1, 1, balls)),
        "ball_df": _six(_spread_df(predictor, 1, 1, 1)),
    }
    parts = Confirm(response=response.name, batches=batches, days=days, balls=balls,
                    meter_sd=METER_SD if untold else 0.0, **numbers)  # fmt: skip
    halves = _furthest(parts, terms, means)
    written: dict[str, Any] = {
        f"{name}_{end}": _six(parts.estimate + sign * half)
        for name, half in halves.items()
        for end, sign in (("low", -1.0), ("high", 1.0))
    }
    return replace(parts, **written)


def _furthest(parts: Confirm, terms: Mapping[str, Floats], means: Floats) -> dict[str, float]:
    """Draw new batches and balls; how far 95 of 100 of each kind lie from the estimate."""
    rng = np.random.default_rng(SEED)
    pick = np.resize(np.arange(len(means)), max(len(means), GOES))
    layout = spread_batches(parts.batches, parts.days, parts.balls)
    day = pd.factorize(np.array([d for d, _ in layout]))[0]
    sd = {name: np.sqrt(v[pick])[:, None] for name, v in terms.items()}

    def draw(count: int) -> Floats:
        return rng.standard_normal((len(pick), count))

    shared = (means[pick] - parts.estimate)[:, None] + sd["lot"] * draw(1)
    shared = shared + parts.meter_sd * draw(1)
    days = (sd["day"] * draw(parts.days) + sd["session"] * draw(parts.days))[:, day]
    batch = shared + days + sd["batch"] * draw(parts.batches)
    furthest, total = np.zeros(len(pick)), np.zeros((len(pick), parts.batches))
    for _ in range(parts.balls):
        ball = batch + sd["ball"] * draw(parts.batches)
        furthest = np.maximum(furthest, np.abs(ball).max(axis=1))
        total += ball
    own = total / parts.balls
    off = {"mean": np.abs(own.mean(axis=1)), "batch": np.abs(own).max(axis=1), "ball": furthest}
    return {name: float(np.quantile(values, LEVEL)) for name, values in off.items()}


def adapt_ranges(confirm: Confirm, layout: Sequence[tuple[str, int]]) -> Ranges:
    """Make the ranges for batches as they came, from the ones that were written down.

    Parameters
    ----------
    confirm : Confirm
        As it was written.
    layout : sequence of (str, int)
        Mixing day and number of balls of each batch that came.

    Returns
    -------
    Ranges
        The written ones, each stretched or shrunk as `build_ranges` has it between the two
        layouts: fewer batches tell the mean less, and fewer values need less room for the furthest
        of them.
    """
    planned = build_ranges(confirm, spread_batches(confirm.batches, confirm.days, confirm.balls))
    came, at = build_ranges(confirm, layout), confirm.estimate

    def half(name: str, new: tuple[float, float], old: tuple[float, float]) -> float:
        written = getattr(confirm, f"{name}_high") - getattr(confirm, f"{name}_low")
        return float(written / 2.0 * (new[1] - new[0]) / (old[1] - old[0]))

    mean = half("mean", came.mean, planned.mean)
    ball = half("ball", came.ball, planned.ball)
    wide = [half("batch", own, planned.batches[0]) for own in came.batches]
    return Ranges((at - mean, at + mean), tuple((at - w, at + w) for w in wide),
                  (at - ball, at + ball), came.together)  # fmt: skip


def _six(value: float) -> float:
    """Round to six significant digits, as it is written down."""
    return float(f"{value:.6g}")


def _new_variances(predictor: Predictor) -> dict[str, Floats]:
    """Sum the drawn variances by what is new in a confirming trial at one hold."""
    draws = predictor.draws
    zero = np.zeros(len(draws.variances))
    groups = ("day", "session", "lot", "batch", "ball")
    out: dict[str, Floats] = dict.fromkeys(groups, zero)
    places = {"block": "day", "session": "session", "residual": "ball"} | dict.fromkeys(
        _LOTS, "lot"
    )
    for name, values in zip(draws.names, draws.variances.T, strict=True):
        place = places.get(name) or ("batch" if name.startswith("batch") else "ball")
        out[place] = out[place] + np.maximum(values, 0.0)
    return out


def _spread_df(predictor: Predictor, batches: int, days: int, balls: int) -> float:
    """Give the degrees of freedom of the variance of a mean over so many new levels."""
    divisors: dict[str, float] = {}
    for name in predictor.draws.names:
        if name in {"block", "session"}:
            divisors[name] = float(days)
        elif name.startswith("batch"):
            divisors[name] = float(batches)
        elif name not in _LOTS:
            divisors[name] = float(batches * balls)
    return min(max(predictor.spread(divisors)[1], 1.0), 1e6)
