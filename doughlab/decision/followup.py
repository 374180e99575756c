"""Follow-up: what to confirm, and what the next trial would have to settle.

`choose` ends a decision with it. Ranges are written down before the confirming batches are mixed.
Whether to go on is the owner's call; designs are left to the plan room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.answers import SHARED_ERROR, forecast_words
from doughlab.decision.chance import Predictor
from doughlab.decision.confirm import make_confirm, most_outside, spread_batches
from doughlab.stats.verdicts import NOT_SETTLED

CONFIRM_BATCHES = 4
CONFIRM_DAYS = 2
CONFIRM_BALLS = 2


@dataclass(frozen=True)
class Confirmation:
    """What a few new batches of the recommended setting should give.

    Attributes
    ----------
    batches, days : int
        New batches, spread over so many new mixing days.
    low, high : float
        95 % range for their mean.
    single_low, single_high : float
        For every ball; holds for all of them at once in 95 of 100.
    batch_low, batch_high : float
        For the mean of every batch; holds for all of them at once in 95 of 100.
    balls : int
        Balls read of each batch.
    outside : int or None
        Of all balls read, so many or fewer may lie outside the window in 95 of 100.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> planned = decide_demo().confirmation
    >>> planned.batches, planned.days, planned.single_low < planned.batch_low < planned.low
    (4, 2, True)
    >>> 0 <= planned.outside < planned.batches * planned.balls
    True
    """

    batches: int
    days: int
    low: float
    high: float
    single_low: float
    single_high: float
    batch_low: float
    batch_high: float
    balls: int = CONFIRM_BALLS
    outside: int | None = None


def plan_confirmation(
    predictor: Predictor,
    setting: Mapping[str, str],
    *,
    batches: int = CONFIRM_BATCHES,
    days: int = CONFIRM_DAYS,
    balls: int = CONFIRM_BALLS,
    window: tuple[float, float] | None = None,
) -> Confirmation:
    """Say beforehand where the mean of new batches of a setting should lie.

    Parameters
    ----------
    predictor : Predictor
    setting : mapping of str to str
        Level text of every factor.
    batches, days, balls : int
        1 or more; days at most batches, balls of each batch.
    window : tuple of float, optional
        To count the balls that may lie outside it.

    Returns
    -------
    Confirmation
        Should one of the three fall outside, the trial and the kitchen do not agree; how the
        ranges are made stands in `confirm`.
    """
    c = make_confirm(predictor, setting, batches=batches, days=days, balls=balls)
    layout = spread_batches(batches, days, balls)
    outside = None if window is None else most_outside(c, layout, window)
    return Confirmation(batches, days, c.mean_low, c.mean_high, c.ball_low, c.ball_high,
                        c.batch_low, c.batch_high, balls, outside)  # fmt: skip


def unsettled(analyses: Iterable[Analysis], *, primary: bool = True) -> list[str]:
    """Say what is not settled and how many more batches would settle it.

    Parameters
    ----------
    analyses : iterable of Analysis
    primary : bool
        Only primary questions.

    Returns
    -------
    list of str
        One sentence for each difference, the response first; then what judging old and new
        batches together costs.
    """
    analyses = list(analyses)
    found, counted = [], False
    for analysis in analyses:
        for answer in analysis.answers:
            if primary and not answer.primary:
                continue
            if answer.unanswered:
                found.append(f"{analysis.response.words}: {answer.sentence}")
            for c in answer.comparisons:
                seen = answer.forecasts.get(c.named)
                if seen is not None:
                    counted = True
                    found.append(f"{analysis.response.words}, "
                                 f"{c.named if answer.split else c.words}: not settled; "
                                 f"{forecast_words(seen, c)}.")  # fmt: skip
    said = [*found, SHARED_ERROR] if counted else found
    return [*said, *waiting(analyses, primary=primary)]


def waiting(analyses: Iterable[Analysis], *, primary: bool = True) -> list[str]:
    """Name what is not settled and waits for a planned look.

    Parameters
    ----------
    analyses : iterable of Analysis
    primary : bool
        Only primary questions.

    Returns
    -------
    list of str
    """
    return [
        f"{a.response.words}, {c.words}: {c.verdict_text}; the next planned look is after "
        f"{a.dataset.standing.coming} batches."
        for a in analyses
        for answer in a.answers
        if answer.asked and (answer.primary or not primary)
        for c in answer.comparisons
        if c.waits and c.verdict == NOT_SETTLED
    ]
