"""Probe readings for the command `ripe`: the film of air around a ball, calibrated by two of them.

Reads what was typed and says what belongs into formula.toml; the formula room works it out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from doughlab.commands.lines import wrap
from doughlab.errors import InputError
from doughlab.units import parse_quantity

if TYPE_CHECKING:
    from doughlab.commands.ripe_facts import BallFacts
    from doughlab.formula.heat import Film

EXAMPLE = "'20 min 7C, 60 min 13C'"


def read_probe(text: str) -> list[tuple[float, float]]:
    """Read minutes and cores.

    Parameters
    ----------
    text : str
        Readings apart by commas or semicolons, each a time and a temperature.

    Returns
    -------
    list of (hours, degrees Celsius)

    Raises
    ------
    InputError
        Saying which part, and how it is written.

    Examples
    --------
    >>> read_probe("30 min 50F; 1 h 13C")
    [(0.5, 10.0), (1.0, 13.0)]
    """
    found = []
    for part in (p.strip() for p in text.replace(";", ",").split(",")):
        words = part.split()
        cut = next(
            (i for i in range(len(words) - 1, 0, -1) if words[i][:1].isdigit() or
             words[i][:1] in "+-"), 0
        )  # fmt: skip
        if not cut:
            raise InputError(
                f"--probe '{part[:40]}' is not understood. Write minutes since the ball came out "
                f"and its core, at least two of them: --probe {EXAMPLE}"
            )
        time, core = " ".join(words[:cut]), " ".join(words[cut:])
        minutes = parse_quantity(time, "min", what="--probe, time", low=1, high=600)
        core_c = parse_quantity(core, "temp_c", what="--probe, core", low=-2, high=45)
        found.append((minutes / 60.0, core_c))
    return found


def calibrate(text: str, facts: BallFacts) -> tuple[Film, list[str]]:
    """Calibrate the film of a ball that warms up, and say what to write down.

    Parameters
    ----------
    text : str
        As typed.
    facts : BallFacts
        The ball, its room and the cooler it came from.

    Returns
    -------
    Film, list of str
        The film and lines of at most 80 characters.
    """
    from doughlab.formula.core import calibrate_film

    readings = read_probe(text)
    film = calibrate_film(
        facts.body, readings, start_c=facts.cooler.mean_c, surroundings_c=facts.room_c
    )
    value, low, high = (f"{film.at(s):.2g}" for s in ("value", "low", "high"))
    lines = wrap(
        f"air around the ball: {value} W/m2K ({low} to {high}), by {len(readings)} probe readings. "
        "To keep it, write in formula.toml:"
    )
    keys = f"  w_m2k = {value}", f"  low_w_m2k = {low}", f"  high_w_m2k = {high}"
    return film, [*lines, "  [box]", *keys]
