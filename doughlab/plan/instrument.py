"""Instrument: whether the steps of a pH instrument can show the differences that are asked for.

`plan_precision` puts its sentences before everything else that it foresees.
The spread that steps leave is that of `sections.ReadingMethod`; choosing a meter is left to you.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.settings import Settings


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
