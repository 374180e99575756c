"""The window: the pH band in which a ball is ready, and the hours at which it is entered and left.

`choose` takes both from here. A band that is not given is looked for in the bake scores.
The band is about handling and baking; it says nothing about food safety.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.decision.chance import Predictor
from doughlab.errors import NotEstimable
from doughlab.settings import Settings
from doughlab.stats import MixedFit, fit_mixed
from doughlab.stats.scale import student_quantile

Floats = NDArray[np.floating]

STEPS = 81
HOUR_STEP = 0.25
FEWEST = 6


@dataclass(frozen=True)
class WindowFound:
    """The band, and where it comes from.

    Attributes
    ----------
    low, high : float or None
        Ends, in the unit of the response; None where this trial cannot tell.
    response : str
        The response it is about.
    given : bool
        True where trial.toml gives it.
    sentence : str
        Where it comes from, or why there is none.
    """

    low: float | None
    high: float | None
    response: str
    given: bool
    sentence: str

    @property
    def ends(self) -> tuple[float, float] | None:
        """Both ends; None where there is no band."""
        if self.low is None or self.high is None:
            return None
        return self.low, self.high

    @property
    def text(self) -> str:
        """The band as it is printed, such as 5.35-5.75."""
        ends = self.ends
        return "no band" if ends is None else f"{ends[0]:.2f}-{ends[1]:.2f}"


def find_window(settings: Settings, analyses: Mapping[str, Analysis]) -> WindowFound:
    """Take the window from trial.toml, else look for it in the bake scores.

    Parameters
    ----------
    settings : Settings
    analyses : mapping of str to Analysis
        By response name, as far as they could be analysed.

    Returns
    -------
    WindowFound
    """
    if settings.window is not None:
        w = settings.window
        return WindowFound(w.low, w.high, w.response, True, f"The band {w.low:.2f}-{w.high:.2f} "
                           "is the one that trial.toml gives.")  # fmt: skip
    measured = [n for n, r in settings.responses.items() if r.table == "readings" and n in analyses]
    name = "ph" if "ph" in measured else next(iter(measured), "")
    scored = [n for n, r in settings.responses.items() if r.kind == "score" and n in analyses]
    if not name or not scored:
        lacking = "no pH is recorded" if not name else "no bake was scored"
        words = f"No band is given, and {lacking}: this trial cannot tell one."
        return WindowFound(None, None, name or "ph", False, words)
    try:
        return _search(analyses[name], analyses[scored[0]])
    except NotEstimable as error:
        words = f"No band is given, and this trial cannot tell one: {error}"
        return WindowFound(None, None, name, False, words)


def _search(measured: Analysis, scored: Analysis) -> WindowFound:
    """Find the pH range that no other pH in the trial beats by the score's margin."""
    fit, x, centre = fit_curve(measured, scored)
    margin = scored.response.margin
    fine = bool((keeps := within_margin(fit, x - centre, margin)).any())
    name, words = measured.response.name, scored.response.words
    seen = f"{x[0]:.2f}-{x[-1]:.2f}"
    if not fine:
        raise NotEstimable(f"within {seen} no pH is shown to bake within {margin:g} of the best.")
    if keeps.all():
        raise NotEstimable(
            f"no pH within {seen}, as far as it was tried, bakes worse than another by {margin:g}."
        )
    kept = x[_longest(keeps)]
    low, high = math.ceil(kept[0] * 100) / 100, math.floor(kept[-1] * 100) / 100
    if low >= high:
        raise NotEstimable("the scores spread too much to narrow the pH down.")
    ends = [f"{side} end is only the edge of what was tried"
            for side, hit in (("low", keeps[0]), ("high", keeps[-1])) if hit]  # fmt: skip
    tail = f" Its {' and its '.join(ends)}." if ends else ""
    return WindowFound(low, high, name, False,
                       f"{low:.2f}-{high:.2f} found from the {words}: no pH tried bakes better by "
                       f"{margin:g} than any in it (95 %).{tail}")  # fmt: skip


def fit_curve(measured: Analysis, scored: Analysis) -> tuple[MixedFit, Floats, float]:
    """Fit the score as a curve of the pH that the ball's twins had in use.

    A scored ball is never pierced, so its pH is the mean of the pH balls of its batch and hold.

    Parameters
    ----------
    measured, scored : Analysis

    Returns
    -------
    fit : MixedFit
        Of "y ~ x + I(x**2)", x the pH minus its mean, with the random terms of the score.
    x : array, shape (81,)
        pH over the range that was tried.
    centre : float

    Raises
    ------
    NotEstimable
        With fewer than six different pH values, or where scores do not vary.
    """
    keys = ["batch", *(f.name for f in scored.settings.factors_set("ball"))]
    ph = measured.dataset.frame.groupby(keys, observed=True)["y"].mean().rename("x")
    frame = scored.dataset.frame.merge(ph.reset_index(), on=keys, how="inner")
    if frame["x"].nunique() < FEWEST:
        raise NotEstimable(f"fewer than {FEWEST} settings have both a pH and a bake score.")
    centre = float(frame["x"].mean())
    frame = frame.assign(x=frame["x"] - centre)
    random = [t for t in scored.terms.random if set(t.split(":")) <= set(frame.columns)]
    if "block" in scored.terms.fixed and "block" not in random:
        random.insert(0, "block")
    fit = fit_mixed(frame, "y ~ x + I(x**2)", random=random)
    x = np.linspace(float(frame["x"].min()), float(frame["x"].max()), STEPS) + centre
    return fit, x, centre


def within_margin(fit: MixedFit, x: Floats, margin: float) -> NDArray[np.bool_]:
    """Tell at which x no other x is better by the margin, at 95 %.

    Parameters
    ----------
    fit : MixedFit
        Of a quadratic curve in x.
    x : array, shape (m,)
    margin : float

    Returns
    -------
    bool array, shape (m,)
        True where, for every other x, the upper end of the 95 % range of what is lost lies below
        the margin. Each must, so none is widened for their number; the best x is not taken as
        known.
    """
    first, second = np.meshgrid(x, x, indexing="ij")
    step, square = (second - first).ravel(), (second**2 - first**2).ravel()
    pair = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    tests = fit.test_rows(pair)
    gain = step * tests.estimate[0] + square * tests.estimate[1]
    c = tests.covariance
    variance = step**2 * c[0, 0] + 2 * step * square * c[0, 1] + square**2 * c[1, 1]
    t = float(student_quantile(float(tests.df.min()), 0.975))
    upper = (gain + t * np.sqrt(np.maximum(variance, 0.0))).reshape(len(x), len(x))
    np.fill_diagonal(upper, 0.0)
    return np.asarray((upper < margin).all(axis=1))


def _longest(flags: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give the positions of the longest unbroken run of True."""
    positions = np.flatnonzero(flags)
    runs = np.split(positions, np.flatnonzero(np.diff(positions) > 1) + 1)
    return np.asarray(max(runs, key=len))


@dataclass(frozen=True)
class Crossing:
    """An hour at which the mean passes an end of the window.

    Attributes
    ----------
    hour : float
        On straight lines between the tried holds.
    low, high : float or None
        95 % range of the hour; None where it runs past the tried holds.
    single_h : float
        How much earlier or later a single new batch may be, in hours (95 %).
    """

    hour: float
    low: float | None
    high: float | None
    single_h: float


@dataclass(frozen=True)
class Hours:
    """When the mean of a setting is inside the window.

    Attributes
    ----------
    opens, closes : Crossing or None
        None where the end is not passed within the tried holds.
    inside_at_first, inside_at_last : bool
        Whether the mean is inside at the shortest and at the longest tried hold.
    first_h, last_h : float
        Shortest and longest tried hold.
    """

    opens: Crossing | None
    closes: Crossing | None
    inside_at_first: bool
    inside_at_last: bool
    first_h: float
    last_h: float


def find_hours(
    predictor: Predictor, setting: Mapping[str, str], window: tuple[float, float]
) -> Hours | None:
    """Find the hours at which the mean enters and leaves the window.

    Parameters
    ----------
    predictor : Predictor
    setting : mapping of str to str
        Level text of every factor; the hold's is not looked at.
    window : tuple of float

    Returns
    -------
    Hours or None
        None where fewer than two holds were recorded.
    """
    hold = predictor.model.settings.hold
    if hold is None:
        return None
    levels = predictor.model.levels(hold)
    if len(levels) < 2:
        return None
    tried = np.array([float(hold.value_of(level)) for level in levels])
    rows = predictor.rows(pd.DataFrame([{**setting, hold.name: level} for level in levels]))
    hours = np.arange(tried[0], tried[-1] + 1e-9, HOUR_STEP)
    weights = np.stack([np.interp(hours, tried, unit) for unit in np.eye(len(tried))], axis=1)
    estimate, error, df = predictor.means(weights @ rows)
    half = student_quantile(df, 0.975) * error
    variance, batch_df = predictor.spread({"ball": math.inf, "residual": math.inf})
    reach = float(student_quantile(batch_df, 0.975)) * math.sqrt(variance)
    inside = (estimate >= window[0]) & (estimate <= window[1])
    band = (estimate - half, estimate, estimate + half)
    opens = closes = None
    if inside.any() and not inside[0]:
        opens = _cross(hours, band, int(np.argmax(inside)), window, reach)
    if inside.any() and not inside[-1]:
        last = len(inside) - 1 - int(np.argmax(inside[::-1]))
        closes = _cross(hours, band, last + 1, window, reach)
    return Hours(opens, closes, bool(inside[0]), bool(inside[-1]), float(tried[0]),
                 float(tried[-1]))  # fmt: skip


def _cross(
    hours: Floats,
    band: tuple[Floats, Floats, Floats],
    at: int,
    window: tuple[float, float],
    reach: float,
) -> Crossing:
    """Find where the mean passes the nearer end between steps at - 1 and at."""
    low, estimate, high = band
    before, after = estimate[at - 1], estimate[at]
    edge = min(window, key=lambda end: abs((before + after) / 2.0 - end))
    slope = (after - before) / (hours[at] - hours[at - 1])
    hour = float(hours[at - 1] + (edge - before) / slope)
    covered = (low <= edge) & (edge <= high)
    covered[[at - 1, at]] = True
    first, last = at, at
    while first > 0 and covered[first - 1]:
        first -= 1
    while last < len(hours) - 1 and covered[last + 1]:
        last += 1
    return Crossing(
        hour,
        None if first == 0 else min(float(hours[first]), hour),
        None if last == len(hours) - 1 else max(float(hours[last]), hour),
        reach / abs(float(slope)),
    )
