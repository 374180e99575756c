"""Wording: levels, differences and ranges as a cook reads them, never at odds with the verdict.

Called by answers, analyse and the decision room. Rounding happens here and only for print.
What a range means for the question is left to `stats.verdicts`.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence

from doughlab.sections import Factor, Response
from doughlab.units import axis_unit

WIDTH = 80
MOST_DECIMALS = 9


def level_words(factor: Factor, level: str) -> str:
    """Write a level as it was typed, with its unit where only a number was typed.

    Parameters
    ----------
    factor : Factor
    level : str
        One of `factor.levels`.

    Examples
    --------
    >>> level_words(Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0)), "24")
    '24 h'
    >>> level_words(Factor("salt", "batch", "category", ("fine", "coarse")), "fine")
    'fine'
    """
    if factor.kind == "number" and re.fullmatch(r"[-+]?[\d.,]+", level.strip()):
        title = axis_unit(factor.unit) if factor.unit else ""
        return f"{level.strip()} {title}".strip()
    return level


def in_words(text: str, factors: Mapping[str, Factor]) -> str:
    """Write factors by their words where a sentence names them as trial.toml does.

    Examples
    --------
    >>> wet = Factor("mixing_water", "batch", "number", ("54 F", "64 F"), "temp_c")
    >>> in_words("It cannot be told from mixing_water.", {"mixing_water": wet})
    'It cannot be told from mixing water.'
    """
    for name, factor in factors.items():
        if "_" in name:  # any other name is a word of its own, or already one
            text = re.sub(rf"\b{re.escape(name)}\b", factor.words.replace("\\", r"\\"), text)
    return text


def difference_words(factor: Factor, level: str, other: str) -> str:
    """Name the difference of two levels: level minus other.

    Examples
    --------
    >>> hold = Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0))
    >>> difference_words(hold, "48", "24")
    '48 h instead of 24 h'
    >>> difference_words(Factor("water", "batch", "water", ("tap", "ro")), "tap", "ro")
    'tap - ro'
    """
    joint = " instead of " if factor.kind == "number" else " - "
    return level_words(factor, level) + joint + level_words(factor, other)


def decimals_for(size: float) -> int:
    """Give the decimals that show a size with two digits.

    Examples
    --------
    >>> decimals_for(0.1), decimals_for(1.0), decimals_for(25.0)
    (2, 1, 0)
    """
    if not (math.isfinite(size) and size > 0):
        return 2
    return min(MOST_DECIMALS, max(0, 1 - math.floor(math.log10(size) + 1e-9)))


def margin_decimals(margin: float) -> int:
    """Give the decimals that print a margin as it was set, up to three more than two digits.

    Examples
    --------
    >>> margin_decimals(0.1), margin_decimals(0.125), margin_decimals(1.0)
    (2, 3, 1)
    """
    start = decimals_for(margin)
    for d in range(start, min(start + 3, MOST_DECIMALS)):
        if math.isclose(round(margin, d), margin, rel_tol=1e-9):
            return d
    return min(start + 3, MOST_DECIMALS)


def agreeing_decimals(
    values: Sequence[float], decimals: int, reading: Callable[..., object]
) -> int:
    """Find the fewest decimals at which the printed values read as the exact ones do.

    Parameters
    ----------
    values : sequence of float
        For example the two ends of a range.
    decimals : int
        Where to begin, 0 to 9.
    reading : callable
        Takes the values and gives what they are read as, for example the verdict.

    Returns
    -------
    int
        9 where even nine decimals cannot show it.

    Examples
    --------
    >>> agreeing_decimals((0.0004, 0.12), 2, lambda low, high: low > 0)
    4
    """
    exact = reading(*values)
    for d in range(decimals, MOST_DECIMALS):
        if reading(*(round(v, d) for v in values)) == exact:
            return d
    return MOST_DECIMALS


def signed(value: float, decimals: int) -> str:
    """Write a number with its sign; zero has none.

    Examples
    --------
    >>> signed(0.066, 2), signed(-0.31, 2), signed(-0.001, 2)
    ('+0.07', '-0.31', ' 0.00')
    """
    shown = round(value, decimals)
    if shown == 0:
        return f" {0:.{decimals}f}"
    return f"{shown:+.{decimals}f}"


def range_words(low: float, high: float, decimals: int) -> str:
    """Write a 95 % range of a difference in brackets.

    Examples
    --------
    >>> range_words(-0.34, -0.28, 2)
    '(-0.34 to -0.28)'
    """
    return f"({signed(low, decimals)} to {signed(high, decimals)})"


def amount_words(value: float, response: Response) -> str:
    """Write an amount of a response with its unit: pH 0.10, 1.0 points, 3.0 °C.

    Examples
    --------
    >>> amount_words(0.1, Response("ph", "readings", "ph", margin=0.1))
    'pH 0.10'
    """
    text = f"{value:.{margin_decimals(response.margin)}f}"
    if response.unit == "ph" or (not response.unit and response.name == "ph"):
        return f"pH {text}"
    title = axis_unit(response.unit) if response.unit else ""
    if response.kind == "score" or response.unit == "score":
        title = "points"
    return f"{text} {title}".strip()


def fold(text: str, *, indent: str = "") -> list[str]:
    """Break a sentence into lines of at most 80 characters.

    Examples
    --------
    >>> fold("one two", indent="  ")
    ['one two']
    """
    return textwrap.wrap(
        text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def joined(words: Iterable[str], last: str = "and") -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> joined(["water", "temperature", "hydration"]), joined(["water"])
    ('water, temperature and hydration', 'water')
    """
    names = list(words)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def more_line(hidden: int, call: str) -> list[str]:
    """Say how many lines are left out and which call gives them; nothing where none is.

    Examples
    --------
    >>> more_line(1, "print(result.text())"), more_line(0, "print(result.text())")
    (['1 more line: print(result.text())'], [])
    """
    return [f"{hidden} more line{'s' if hidden > 1 else ''}: {call}"] if hidden else []
