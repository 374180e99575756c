"""Hours: when a ball of each setting enters and leaves the window, and how many are inside when.

`choose` asks for the recommended setting, notebooks and the report for all of them. Nothing is
said of hours beyond the tried holds; the band is about handling and baking, not food safety.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from doughlab.decision.chance import Predictor, told_holds, tried_settings
from doughlab.errors import NotEstimable
from doughlab.formula.shapes import HourRange
from doughlab.plan.span import parts_of
from doughlab.sections import Factor

if TYPE_CHECKING:
    from doughlab.decision.decided import Decision

Floats = NDArray[np.floating]

STEP_H = 2.0  # hours between points of a curve; passages are found between them
FEWEST_STEPS, MOST_STEPS = 24, 48  # over the tried holds
BALL_TERMS = ("session", "ball", "residual")  # what differs within a batch, or is read with it
SEED = 20260302
ENOUGH = 8.0  # balls of ten; [limits] inside_of_10
COLUMNS = ["term", "level", "estimate", "ci_low", "ci_high", "unit", "n", "side"]
AVERAGE, SINGLE, SHARE = "on average", "a new batch", "enough balls"


@dataclass(frozen=True)
class Course:
    """One setting over the hours of the hold.

    Attributes
    ----------
    setting : dict of str to str
        Level text of every factor but the hold.
    hours : array, shape (m,)
        From the shortest to the longest tried hold.
    mean, mean_low, mean_high : array, shape (m,)
        On average over days and batches, with its 95 % range.
    batch_low, batch_high : array, shape (m,)
        95 % range of the mean of a single new batch of a new day.
    ball_low, ball_high : array, shape (m,)
        95 % range of a single new ball, read once more with the same meter.
    share, share_low, share_high : array, shape (m,)
        Share of new balls inside, with its 95 % range.
    opens, closes, batch_opens, batch_closes : HourRange
        When the average enters and leaves the window; the same with the range of a new batch.
    share_opens, share_closes : HourRange or None
        When enough balls are inside, and when no more; None where there never are.
    n, enough : int, float
        Balls recorded; how many of ten are enough.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> course = decide_demo().hours
    >>> course.tried, course.inside_ever, len(course.share_at(48.0))
    ((24.0, 72.0), True, 3)
    """

    setting: dict[str, str]
    hours: Floats = field(repr=False)
    mean: Floats = field(repr=False)
    mean_low: Floats = field(repr=False)
    mean_high: Floats = field(repr=False)
    batch_low: Floats = field(repr=False)
    batch_high: Floats = field(repr=False)
    ball_low: Floats = field(repr=False)
    ball_high: Floats = field(repr=False)
    share: Floats = field(repr=False)
    share_low: Floats = field(repr=False)
    share_high: Floats = field(repr=False)
    opens: HourRange
    closes: HourRange
    batch_opens: HourRange
    batch_closes: HourRange
    share_opens: HourRange | None
    share_closes: HourRange | None
    n: int = 0
    enough: float = ENOUGH

    @property
    def tried(self) -> tuple[float, float]:
        """Give the shortest and the longest tried hold, hours."""
        return float(self.hours[0]), float(self.hours[-1])

    @property
    def inside_ever(self) -> bool:
        """Tell whether the average is inside the window at any hour of the tried holds."""
        return self.opens.side != "after" and self.closes.side != "before"

    def share_at(self, hour: float) -> tuple[float, float, float]:
        """Give the share inside at an hour between the tried holds, with its range."""
        found = [np.interp(hour, self.hours, y) for y in
                 (self.share, self.share_low, self.share_high)]  # fmt: skip
        return float(found[0]), float(found[1]), float(found[2])


@dataclass(frozen=True)
class Courses:
    """All settings of a trial over the hours of the hold, against one window.

    Attributes
    ----------
    window : tuple of float
    enough : float
        Balls of ten that must be inside for the hours to count.
    factors : dict of str to Factor
        Every factor but the hold.
    each : tuple of Course
        In planned order.
    balls : DataFrame
        Raw balls: factors as texts, hold_h, y.
    unit, words : str
        Of the response.
    notes : tuple of str
        What the hours rest on, and what they leave out.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> courses = decide_demo().courses
    >>> len(courses.each), len(courses.table()), len(courses.shares([48.0]))
    (12, 72, 12)
    >>> courses.of({"water": "tap"}).setting["water"]
    'tap'
    """

    window: tuple[float, float]
    enough: float
    factors: dict[str, Factor]
    each: tuple[Course, ...]
    balls: pd.DataFrame = field(repr=False)
    unit: str = "ph"
    words: str = "pH"
    notes: tuple[str, ...] = ()

    def of(self, setting: Mapping[str, str]) -> Course | None:
        """Find a setting; levels of the hold and of unknown factors are not looked at."""
        for course in self.each:
            if all(course.setting[n] == setting.get(n, course.setting[n]) for n in self.factors):
                return course
        return None

    def table(self) -> pd.DataFrame:
        """Tabulate the hours of every setting; see `hours_table`."""
        rows: list[dict[str, Any]] = []
        for course in self.each:
            for term, ranges in (
                ("opens", (course.opens, course.batch_opens, course.share_opens)),
                ("closes", (course.closes, course.batch_closes, course.share_closes)),
            ):
                for level, found in zip((AVERAGE, SINGLE, SHARE), ranges, strict=True):
                    rows.append({**course.setting, "term": term, "level": level, **_cells(found),
                                 "unit": "h", "n": course.n})  # fmt: skip
        return pd.DataFrame(rows, columns=[*self.factors, *COLUMNS])

    def shares(self, hold_h: Sequence[float] | None = None) -> pd.DataFrame:
        """Tabulate the share of new balls inside by hour, with its 95 % range.

        Parameters
        ----------
        hold_h : sequence of float, optional
            Hours within the tried holds; every 6 h and both ends unless given.

        Returns
        -------
        DataFrame
            Factor levels, hold_h, estimate, ci_low, ci_high (shares), unit, n.

        Raises
        ------
        NotEstimable
            Outside the tried holds.
        """
        rows = []
        for course in self.each:
            for hour in check_hours(course, hold_h):
                share, low, high = course.share_at(hour)
                rows.append({**course.setting, "hold_h": hour, "estimate": share, "ci_low": low,
                             "ci_high": high, "unit": "share", "n": course.n})  # fmt: skip
        return pd.DataFrame(rows)


def check_hours(course: Course, hold_h: Sequence[float] | None) -> list[float]:
    """Give the hours asked for, or every 6 h; refuse what lies beyond the tried holds."""
    first, last = course.tried
    if hold_h is None:
        inner = np.arange(np.ceil(first / 6.0) * 6.0, last, 6.0)
        return sorted({first, *map(float, inner), last})
    for hour in hold_h:
        if not first - 1e-9 <= hour <= last + 1e-9:
            raise NotEstimable(
                f"{hour:g} h lies outside the holds that were tried, {first:g} to {last:g} h. "
                "Nothing is said beyond them; try that hold."
            )
    return [float(h) for h in hold_h]


def _cells(found: HourRange | None) -> dict[str, Any]:
    if found is None:
        return {"estimate": np.nan, "ci_low": np.nan, "ci_high": np.nan, "side": "never"}
    ends = {"estimate": found.value, "ci_low": found.low, "ci_high": found.high}
    cells: dict[str, Any] = {k: np.nan if v is None else v for k, v in ends.items()}
    return {**cells, "side": found.side}


def hours_table(decision: Decision) -> pd.DataFrame:
    """Tabulate when balls of every tried setting enter and leave the window; see `build_courses`.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    DataFrame
        Factor levels; term ("opens", "closes"); level ("on average"; "a new batch": the same hour
        with the 95 % range of a single new batch; "enough balls": the hours at which the share of
        new balls inside reaches [limits] inside_of_10, and no longer does); estimate, ci_low,
        ci_high in hours; unit; n (balls); side. An hour or end outside the tried holds is blank;
        side says where the estimate lies: "inside" them, "before" (at the shortest hold already),
        "after" (not by the longest), "never".

    Raises
    ------
    NotEstimable
        Without a window, or where fewer than two holds were recorded.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> hours_table(decide_demo())[["water", "term", "level", "side"]].head(2)
      water   term        level    side
    0   tap  opens   on average  inside
    1   tap  opens  a new batch  inside
    """
    courses = decision.courses
    if courses is None:
        why = decision.window.sentence if decision.window.ends is None else (
            "Fewer than two holds are recorded, so there are no hours to tell.")  # fmt: skip
        raise NotEstimable(why)
    return courses.table()


def build_courses(
    predictor: Predictor, window: tuple[float, float], *, enough: float = ENOUGH
) -> Courses | None:
    """Follow every tried setting over the hours of the hold.

    Parameters
    ----------
    predictor : Predictor
        Of the response that the window is about.
    window : tuple of float
    enough : float
        Balls of ten that must be inside for the hours to count, above 0 and under 10.

    Returns
    -------
    Courses or None
        None where the trial has no hold or fewer than two holds were recorded.

    Notes
    -----
    Between the holds a plan with the hold as a number (surfaces) gives its own curve. Holds as
    single levels are joined by a cubic spline over the root of the hours, a parabola for three of
    them and a straight line for two: it follows straight lines exactly, and bends that slow down
    (logarithms, decays) closely. Ranges are those of draws of means and variances together
    (`stats.posterior`): a passage is found in every draw, and 95 % of them lie between the ends.
    """
    hold = predictor.model.settings.hold
    if hold is None or len(predictor.model.levels(hold)) < 2:
        return None
    table = [r for r in tried_table(predictor, hold) if len(told_holds(predictor, r)) > 1]
    each = tuple(follow(predictor, row, window, enough=enough) for row in table)
    factors = {n: f for n, f in predictor.model.settings.factors.items() if n != hold.name}
    response = predictor.model.dataset.response
    return Courses(
        window, enough, factors, each, _raw_balls(predictor, hold, factors), response.unit,
        response.words, (curve_words(predictor, hold), *predictor.notes),
    )  # fmt: skip


def tried_table(predictor: Predictor, hold: Factor) -> list[dict[str, Any]]:
    """List the settings that were tried at two holds or more, with their balls as n."""
    from types import SimpleNamespace

    model = predictor.model
    seen = tried_settings(SimpleNamespace(settings=model.settings, dataset=model.dataset,
                                          model=model))  # type: ignore[arg-type] # fmt: skip
    names = [n for n in model.settings.factors if n != hold.name]
    if not names:
        return [{"n": int(seen["n"].sum())}]
    found = seen.groupby(names, sort=False)["n"].agg(["sum", "size"]).reset_index()
    found = found[found["size"] > 1]
    return [{**{n: str(r[n]) for n in names}, "n": int(r["sum"])} for r in found.to_dict("records")]


def curve_words(predictor: Predictor, hold: Factor) -> str:
    """Say what is taken between the tried holds."""
    if hold.name in predictor.model.fit.design.numbers:
        return ("Between the tried holds the fitted curve of second degree is taken."
                if _degree(predictor, hold) == 2 else
                "Between the tried holds a straight line is taken.")  # fmt: skip
    if len(predictor.model.levels(hold)) == 2:
        return "Between the two tried holds a straight line is taken; a bend cannot be seen."
    return "Between the tried holds a smooth curve through their means is taken."


def hour_rows(predictor: Predictor, setting: Mapping[str, Any], hours: Floats) -> Floats:
    """Build the model rows of a setting at hours between the tried holds.

    Parameters
    ----------
    predictor : Predictor
        Of a trial with a hold.
    setting : mapping of str to str
        Level text of every factor; the hold's is not looked at.
    hours : array, shape (m,)
        Between the holds whose mean can be told (`chance.told_holds`).

    Returns
    -------
    array, shape (m, p)
    """
    model = predictor.model
    hold = model.settings.hold
    if hold is None:
        raise ValueError("hour_rows needs a trial with a hold")
    levels = told_holds(predictor, setting)
    tried = np.array([float(hold.value_of(level)) for level in levels])
    names = [n for n in model.settings.factors if n != hold.name]
    own = {n: str(setting[n]) for n in names}
    rows = predictor.rows(pd.DataFrame([{**own, hold.name: level} for level in levels]))
    return np.asarray(hour_weights(tried, hours, degree=_degree(predictor, hold)) @ rows)


def _degree(predictor: Predictor, hold: Factor) -> int | None:
    """Give the degree of the hold's own curve in the model; None for a level each."""
    if hold.name not in predictor.model.fit.design.numbers:
        return None
    squares = {parts_of(t) for t in predictor.model.fixed if "**" in t}
    return 2 if (hold.name, hold.name) in squares else 1


def hour_weights(tried: Floats, hours: Floats, *, degree: int | None = None) -> Floats:
    """Give the weights of the means at the tried holds that make the mean at other hours.

    Parameters
    ----------
    tried : array, shape (k,)
        Rising, two or more.
    hours : array, shape (m,)
        Between the first and the last.
    degree : int, optional
        Of the polynomial that the means lie on in the model; None joins them by a spline over the
        root of the hours.

    Returns
    -------
    array, shape (m, k)
        Every row adds up to 1.

    Examples
    --------
    >>> tried = np.array([24.0, 48.0, 72.0])
    >>> print((hour_weights(tried, np.array([36.0])) @ tried).round(9))
    [36.]
    >>> print((hour_weights(tried, np.array([36.0])) @ np.log(tried)).round(3), 3.584)
    [3.577] 3.584
    """
    if degree is not None:
        powers = np.vander(tried / tried[-1], degree + 1)
        return np.asarray(np.vander(hours / tried[-1], degree + 1) @ np.linalg.pinv(powers))
    if len(tried) == 2:
        share = (hours - tried[0]) / (tried[1] - tried[0])
        return np.stack([1.0 - share, share], axis=1)
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(np.sqrt(tried), np.eye(len(tried)))(np.sqrt(hours)))


def follow(
    predictor: Predictor,
    setting: Mapping[str, Any],
    window: tuple[float, float],
    *,
    enough: float = ENOUGH,
) -> Course:
    """Follow one setting over the hours of the hold.

    Parameters
    ----------
    predictor : Predictor
        Of a trial with two or more recorded holds.
    setting : mapping
        Level text of every factor, and n (balls) where known.
    window : tuple of float
    enough : float
    """
    model, draws = predictor.model, predictor.draws
    hold = model.settings.hold
    if hold is None:
        raise ValueError("follow needs a trial with a hold")
    ends = [float(hold.value_of(v)) for v in told_holds(predictor, setting)]
    steps = int(np.clip(np.ceil((ends[-1] - ends[0]) / STEP_H), FEWEST_STEPS, MOST_STEPS))
    hours = np.linspace(ends[0], ends[-1], steps + 1)
    rows = hour_rows(predictor, setting, hours)
    estimate = model.fit.test_rows(rows).estimate
    means = draws.means(rows)
    rng = np.random.default_rng(SEED)
    noise = rng.standard_normal((len(means), 1))  # the same for both, so that the bands nest
    batch_sd = np.sqrt(draws.spread(without=_within(draws.names)))[:, None]
    ball_sd = np.sqrt(draws.spread())[:, None]
    batches = means + noise * batch_sd
    balls = means + noise * ball_sd
    inside = ndtr((window[1] - means) / ball_sd) - ndtr((window[0] - means) / ball_sd)
    share_low, share, share_high = np.quantile(inside, [0.025, 0.5, 0.975], axis=0)
    hit = [passages(hours, curves, estimate, window) for curves in (means, batches)]
    counted = share_hours(hours, (share, share_low, share_high), enough / 10.0)
    names = [n for n in model.settings.factors if n != hold.name]
    return Course(
        {n: str(setting[n]) for n in names}, hours, estimate, *_band(means), *_band(batches),
        *_band(balls), share, share_low, share_high, *hit[0], *hit[1], *counted,
        n=int(setting.get("n", 0)), enough=enough,
    )  # fmt: skip


def _within(names: Sequence[str]) -> tuple[str, ...]:
    """Name the random terms that differ between balls of a batch."""
    return tuple(n for n in names if n in BALL_TERMS or n.startswith("batch:"))


def _band(draws: Floats) -> tuple[Floats, Floats]:
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    return low, high


def passages(
    hours: Floats, curves: Floats, estimate: Floats, window: tuple[float, float]
) -> tuple[HourRange, HourRange]:
    """Find when curves enter and leave a window, with the 95 % range of their draws.

    Parameters
    ----------
    hours : array, shape (m,)
    curves : array, shape (d, m)
        Draws.
    estimate : array, shape (m,)
        Says whether the curves fall or rise.
    window : tuple of float

    Returns
    -------
    opens, closes : HourRange
        Hours outside the tried ones are None; `side` says where the estimate lies.

    Examples
    --------
    >>> hours = np.linspace(24.0, 72.0, 49)
    >>> line = 6.4 - hours / 60
    >>> opens, closes = passages(hours, np.tile(line, (100, 1)), line, (5.35, 5.75))
    >>> print(opens, "-", closes)
    39 h (39 to 39) - 63 h (63 to 63)
    """
    falls = estimate[-1] <= estimate[0]
    enter, leave = (window[1], window[0]) if falls else window
    sign = 1.0 if falls else -1.0
    found = []
    for edge in (enter, leave):
        value = first_passage(hours, sign * (estimate - edge)[None])[0]
        every = first_passage(hours, sign * (curves - edge))
        low, high = np.quantile(every, [0.025, 0.975], method="nearest")
        found.append(_range(value, low, high, hours))
    return found[0], found[1]


def first_passage(hours: Floats, above: Floats) -> Floats:
    """Give the hour at which each curve first reaches zero from above.

    Parameters
    ----------
    hours : array, shape (m,)
    above : array, shape (d, m)

    Returns
    -------
    array, shape (d,)
        Minus infinity where it lies under zero from the first hour on, infinity where it never
        comes there.
    """
    under = above <= 0
    at = under.argmax(axis=1)
    row = np.arange(len(above))
    before = np.maximum(at - 1, 0)
    a, b = above[row, before], above[row, at]
    with np.errstate(divide="ignore", invalid="ignore"):
        hour = hours[before] + (hours[at] - hours[before]) * a / (a - b)
    return np.where(under[:, 0], -np.inf, np.where(under.any(axis=1), hour, np.inf))


def _range(value: float, low: float, high: float, hours: Floats) -> HourRange:
    first, last = float(hours[0]), float(hours[-1])
    side = "inside" if np.isfinite(value) else "before" if value < 0 else "after"
    # a range that reaches over all tried hours names the far one, so that it is not taken for one
    # that lies wholly outside
    if side == "before" and high == np.inf:
        high = last
    if side == "after" and low == -np.inf:
        low = first
    ends = [float(v) if np.isfinite(v) else None for v in (value, low, high)]
    return HourRange(ends[0], ends[1], ends[2], side, (first, last))


def share_hours(
    hours: Floats, shares: tuple[Floats, Floats, Floats], enough: float
) -> tuple[HourRange | None, HourRange | None]:
    """Find when enough balls are inside and when no more, with 95 % ranges.

    Parameters
    ----------
    hours : array, shape (m,)
    shares : tuple of array, shape (m,)
        Share inside and both ends of its range.
    enough : float
        A share.

    Returns
    -------
    opens, closes : HourRange or None
        None where the share never reaches it. An end is None where the range's own share reaches it
        at no tried hour or at the first (last) one already.
    """
    middle, low, high = (_reach(hours, s - enough) for s in shares)
    if middle is None:
        return None, None
    first, last = float(hours[0]), float(hours[-1])
    wide = high or middle
    # where the low end never reaches it, that enough are ever inside is not shown
    sure = low or (np.inf, -np.inf)
    opens = (middle[0], wide[0], sure[0])
    closes = (middle[1], sure[1], wide[1])
    out = []
    for (value, a, b), edge in ((opens, first), (closes, last)):
        side = "inside" if value != edge else "before" if edge == first else "after"
        shown = [v if np.isfinite(v) and v != edge else None for v in (value, a, b)]
        out.append(HourRange(shown[0], shown[1], shown[2], side, (first, last)))
    return out[0], out[1]


def _reach(hours: Floats, above: Floats) -> tuple[float, float] | None:
    """Give the first and last hour of the longest stretch at or above zero."""
    over = np.flatnonzero(above >= 0)
    if not len(over):
        return None
    runs = np.split(over, np.flatnonzero(np.diff(over) > 1) + 1)
    run = max(runs, key=len)
    first, last = int(run[0]), int(run[-1])

    def between(i: int, j: int) -> float:
        a, b = above[i], above[j]
        return float(hours[i] + (hours[j] - hours[i]) * a / (a - b))

    opens = float(hours[0]) if first == 0 else between(first - 1, first)
    closes = float(hours[-1]) if last == len(hours) - 1 else between(last + 1, last)
    return opens, closes


def _raw_balls(predictor: Predictor, hold: Factor, factors: Mapping[str, Factor]) -> pd.DataFrame:
    frame = predictor.model.dataset.frame.drop_duplicates("ball")
    planned = [float(hold.value_of(str(v))) for v in frame[hold.name]]
    out = frame[list(factors)].astype(str).assign(hold_h=planned, y=frame["y"].to_numpy())
    return out.reset_index(drop=True)


def find_hours(
    predictor: Predictor,
    setting: Mapping[str, str],
    window: tuple[float, float],
    *,
    enough: float = ENOUGH,
) -> Course | None:
    """Follow one setting as `follow` does; None where fewer than two holds have a mean there."""
    hold = predictor.model.settings.hold
    if hold is None or len(told_holds(predictor, setting)) < 2:
        return None
    return follow(predictor, setting, window, enough=enough)
