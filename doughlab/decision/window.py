"""The window: the pH band in which a ball is ready, given or found from the bake scores.

`choose` takes it from here. The bake score is followed along the pH in use by `scorecurve`; the
hours at which the band is entered and left are found by `hours`.
The band is about handling and baking; it says nothing about food safety.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from doughlab.analysis.analyse import Analysis
from doughlab.decision.scorecurve import End, ScoreCurve, fit_score_curve
from doughlab.errors import NotEstimable
from doughlab.settings import Settings

ALPHA = 0.01  # chance that a trial is refused its band though pH alone is at work
MOST_TIMES = 64.0  # more batches than this many times those of the trial: probably never


@dataclass(frozen=True)
class WindowFound:
    """The band, and where it comes from.

    Attributes
    ----------
    low, high : float or None
        Ends, in the unit of the response; None where this trial cannot tell. A band that was found
        holds what is shown: from the upper end of the range of its low end to the lower end of the
        range of its high end.
    response : str
        The response it is about.
    given : bool
        True where trial.toml gives it.
    sentence : str
        Where it comes from, or why there is none and what would be needed.
    low_end, high_end : End or None
        Where the ends themselves lie, with their 95 % ranges; None where the band is given, or
        nothing could be fitted.
    notes : tuple of str
        What the curve rests on: error of the pH, batches against holds, its shape.

    Examples
    --------
    >>> given = WindowFound(5.35, 5.75, "ph", given=True, sentence="trial.toml gives it.")
    >>> given.ends, given.text
    ((5.35, 5.75), '5.35-5.75')
    """

    low: float | None
    high: float | None
    response: str
    given: bool
    sentence: str
    low_end: End | None = None
    high_end: End | None = None
    notes: tuple[str, ...] = field(default=())

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
        curve = fit_score_curve(analyses[name], analyses[scored[0]])
    except NotEstimable as error:
        words = f"No band is given, and this trial cannot tell one: {error}"
        return WindowFound(None, None, name, False, words)
    return judge_curve(curve)


def judge_curve(curve: ScoreCurve) -> WindowFound:
    """Read the band from the curve of the score along the pH, or say what stands against it.

    Parameters
    ----------
    curve : ScoreCurve

    Returns
    -------
    WindowFound

    Notes
    -----
    Every end is profiled: of all curves whose coefficients lie within the 95 % range of a single
    quantity (t squared, in the metric of their Kenward-Roger covariance), the lowest and the
    highest end are taken. For a straight line that is Fieller's range (Fieller 1954, J. R. Stat.
    Soc. B 16, 175). What is in the band for all of these curves is in the band that is used.
    """
    low, high = curve.ends()
    known = {"low_end": low, "high_end": high, "notes": curve.notes}

    def without(why: str) -> WindowFound:
        words = f"No band is given, and this trial cannot tell one: {why}"
        return WindowFound(None, None, curve.response, False, words, **known)  # type: ignore[arg-type]

    seen = f"{curve.first:.2f}-{curve.last:.2f}"
    if curve.apart is not None and curve.apart < ALPHA:
        return without(
            f"along the holds the {curve.words} follows {curve.of} otherwise than from batch to "
            f"batch (p = {curve.apart:.2g}), so something that goes with one of them is at work. "
            f"Needed: batches whose {curve.of} differs at the same hold, or a band of your own."
        )
    if low.at_edge_surely and high.at_edge_surely:
        return without(
            f"no {curve.of} within {seen}, as far as it was tried, bakes worse than another by "
            f"{curve.margin:g}. Needed: balls below {curve.first:.2f} or above {curve.last:.2f}."
        )
    inner = (math.ceil(low.high * 100 - 1e-6) / 100, math.floor(high.low * 100 + 1e-6) / 100)
    if inner[0] >= inner[1]:
        return without(
            f"within {seen} no {curve.of} is shown to bake within {curve.margin:g} of the best. "
            f"Needed: {needed_words(curve)}."
        )
    edges = [f"{side} end is only the edge of what was tried" for side, end in
             (("low", low), ("high", high)) if end.at_edge_surely]  # fmt: skip
    tail = f" Its {' and its '.join(edges)}." if edges else ""
    told = " and ".join(f"{end.text}" for end in (low, high) if not end.at_edge_surely)
    return WindowFound(
        *inner, curve.response, False,
        f"{inner[0]:.2f}-{inner[1]:.2f} found from the {curve.words}: no {curve.of} tried bakes "
        f"better by {curve.margin:g} than any in it (95 %); by itself the band ends at {told}."
        f"{tail}", **known,  # type: ignore[arg-type]
    )  # fmt: skip


def needed_words(curve: ScoreCurve) -> str:
    """Say what would let a trial tell the band, if the curve is as it looks now."""
    low, high = curve.ends()
    if low.at_edge and high.at_edge:
        return (f"balls below {curve.first:.2f} or above {curve.last:.2f}; as it looks now, more "
                "batches of the same would only show that all of them bake alike")  # fmt: skip
    times = 1.0
    while times < MOST_TIMES:
        times *= 1.15
        low, high = curve.ends(times=times)
        if low.high + 0.01 < high.low:
            batches = math.ceil(times * curve.batches)
            return f"about {batches} batches in all, {curve.batches} so far"
    return "a steadier panel or more judges; more batches alone would probably never do"
