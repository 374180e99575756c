"""Instrument: whether the steps of a pH instrument can show the differences that are asked for.

`plan_precision` puts its sentences before everything else that it foresees; `foresee` takes from
here what the steps leave in the mean of a ball's readings. What another instrument would find is
left to `purchase`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.instruments import ReadingMethod
    from doughlab.settings import Settings


def mean_spread(method: ReadingMethod, reading_sd: float) -> float:
    """Give the spread that reading leaves in the mean of a ball's readings.

    Readings repeated on one ball mostly stop at the same step, so that their mean keeps part of
    the rounding: it shrinks with the number of readings only as far as they scatter by a step.

    Parameters
    ----------
    method : ReadingMethod
        Its `resolution` (step d) and `readings_per_ball` (n).
    reading_sd : float
        Spread of one reading about the true value, rounding included; 0 or more, in the unit of
        the response. At 0 nothing is added: the balls' spread then holds it.

    Returns
    -------
    float
        Standard deviation of the mean, same unit.

    Notes
    -----
    With a true value that lies anywhere within a step and normal scatter s, one reading has the
    variance d^2/12 + s^2. Of it repeats share the sum over k = 1, 2, ... of
    d^2 / (2 pi^2 k^2) exp(-(2 pi k s / d)^2)
    (Fourier series of the rounding error, averaged over the scatter; by algebra, checked against
    invented readings in tests/plan/test_instrument.py).

    Examples
    --------
    Three readings on a meter with steps of 0.1, repeatable to 0.01 and to 0.1:

    >>> from doughlab.instruments import ReadingMethod
    >>> coarse = ReadingMethod(resolution=0.1)
    >>> round(mean_spread(coarse, 0.0306), 4), round(mean_spread(coarse, 0.104), 4)
    (0.0235, 0.06)
    """
    if reading_sd <= 0:
        return 0.0
    step = method.resolution
    scatter = math.sqrt(max(reading_sd**2 - step**2 / 12.0, 0.0))
    turn = 2.0 * math.pi * scatter / step
    shared = sum(
        step**2 / (2.0 * math.pi**2 * k**2) * math.exp(-((k * turn) ** 2)) for k in range(1, 200)
    )
    shared = min(shared, reading_sd**2)
    return math.sqrt(shared + (reading_sd**2 - shared) / method.readings_per_ball)


def instrument_warnings(settings: Settings) -> list[str]:
    """Say where the instrument's steps are too coarse for what is asked.

    Parameters
    ----------
    settings : Settings
        Margins in pH, `resolution` of [reading_method] in pH, assumed `reading_sd` in pH.

    Returns
    -------
    list of str
        One sentence for each pH response whose margin is smaller than a step, and one where the
        assumed spread of readings is smaller than steps alone leave (step / sqrt(12)).

    Examples
    --------
    >>> from doughlab.sections import ReadingMethod, Response
    >>> from doughlab.settings import Settings
    >>> ph = Response("ph", "readings", "ph", 0.1, unit="ph")
    >>> strips = ReadingMethod("strip", resolution=0.5)
    >>> instrument_warnings(Settings("x", "X1", responses={"ph": ph}, reading_method=strips))[0]
    'Strips that read in steps of 0.5 cannot see a pH difference of 0.1: take a finer ...'
    """
    method = settings.reading_method
    tool = "Strips that read" if method.kind == "strip" else "A meter that reads"
    out = []
    for response in settings.responses.values():
        if response.table != "readings" or response.column != "ph":
            continue
        if method.resolution > response.margin:
            out.append(
                f"{tool} in steps of {method.resolution:g} cannot see a {response.words} "
                f"difference of {response.margin:g}: take a finer instrument, or ask for a "
                "difference of at least one step (margin in trial.toml). What follows about "
                f"{response.words} says too much."
            )
        assumed = settings.assumed.get(response.name)
        # two digits may have been written down; a hundredth less is no mistake, and 0 says that
        # ball_sd holds it all
        if assumed is not None and 0 < assumed.reading_sd < 0.95 * method.rounding_sd:
            out.append(
                f"reading_sd = {assumed.reading_sd:g} in [assumed.{response.name}] is less than "
                f"steps of {method.resolution:g} leave by themselves "
                f"({method.rounding_sd:.2g}). Set reading_sd = {method.reading_sd:.2g} or your own."
            )
    return out
