"""Lines: one comparison that a plan foresees, with what it will find, and the words for it.

`precision` lists them for a whole plan; `purchase`, `pilot` and `beside` ask for more of the same.
Ranges come from `foresee`, chances from `chances`; what to do about them is left to `enough`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.errors import NotEstimable
from doughlab.plan.chances import Chances, find_chances
from doughlab.plan.foresee import Asked, Foreseen, Foresight, ask, compare_all

if TYPE_CHECKING:
    from doughlab.plan.plan import Row
    from doughlab.sections import Factor, Question, Response
    from doughlab.settings import Settings

_HARDLY, _SURELY = 0.1, 0.95


@dataclass(frozen=True)
class Line:
    """What the plan will find about one factor and response.

    Attributes
    ----------
    factor : Factor
    response : Response
    question : Question or None
        None where nobody asked.
    hold : str
        Level of the hold the comparison stands at; empty where averaged over all holds.
    level : str
        "day", "lot", "batch" or "ball": the units compared.
    units : int
        How many of them.
    least : Foreseen or None
        The least sure comparison of the family; None where nothing can be judged.
    reason : str
        Why not, in that case.
    chances : Chances or None
        What it will find; None where nothing can be judged.
    """

    factor: Factor
    response: Response
    question: Question | None
    hold: str
    level: str
    units: int
    least: Foreseen | None = None
    reason: str = ""
    chances: Chances | None = None

    @property
    def based_on(self) -> str:
        """The units in words, as in "24 batches"."""
        return count_units(self.units, self.level)

    @property
    def contrast(self) -> str:
        """How its levels are compared: as the question asks, else in pairs."""
        return self.question.contrast if self.question else "pairs"

    @property
    def primary(self) -> bool:
        """Tell whether a primary question rests on it."""
        return self.question is not None and self.question.primary

    @property
    def scope(self) -> str:
        """The response in words, with the hold it is compared at."""
        if not self.hold:
            return self.response.words
        bare = self.hold.replace(".", "").isdigit()
        return f"{self.response.words} at {self.hold}{' h' if bare else ''}"

    def size(self, size: float) -> str:
        """Write a difference; a score that would need more than its scale is never found."""
        low, high = self.response.low, self.response.high
        bounded = self.response.kind == "score" and low is not None and high is not None
        if low is not None and high is not None and bounded and size > high - low:
            return "none"
        return format_size(size, self.response)

    def see(self, sight: Foresight, *, seed: int = 0, draw: bool = True) -> Foreseen:
        """Foresee the same comparison at another foresight; its least sure one.

        Parameters
        ----------
        sight : Foresight
        seed : int
        draw : bool
            As for `compare_all`.

        Raises
        ------
        NotEstimable
            Where nothing can be judged.
        """
        asked = ask(sight, self.factor, contrast=self.contrast, hold=self.hold or None)
        (found,) = compare_all(sight, [asked], seed=seed, draw=draw)
        if not found:
            raise NotEstimable(_alike(self.factor))
        return least_sure(found)

    def as_row(self) -> dict[str, Any]:
        """Give it as a row of `Precision.table`."""
        nan = float("nan")
        least, chances = self.least, self.chances or Chances(*(nan,) * 6)
        return {
            "term": self.factor.name,
            "level": self.hold,
            "contrast": f"{least.level} - {least.other}" if least else "",
            "std_error": least.std_error if least else nan,
            "df": least.df if least else nan,
            "unit": self.response.unit,
            "n": self.units,
            "response": self.response.name,
            "question": self.question.text if self.question else "",
            "based_on": self.based_on,
            "critical": least.critical if least else nan,
            **asdict(chances),
            "margin": self.response.margin,
        }


def build_lines(
    sight: Foresight, layout: Sequence[Row], *, seed: int = 0
) -> tuple[list[Line], list[Line]]:
    """Foresee every factor on one response, without the chances.

    Parameters
    ----------
    sight : Foresight
    layout : sequence of dict
        As from `build_layout`.
    seed : int
        Of the invented trials, where algebra does not do.

    Returns
    -------
    lines : list of Line
        At the hold of use where there is one.
    others : list of Line
        The same averaged over all holds.
    """
    lines, others = [], []
    for factor in sight.settings.factors.values():
        main, *average = _holds(sight.settings, factor, sight.response)
        lines.append(_line(sight, layout, factor, main))
        others += [_line(sight, layout, factor, hold) for hold in average]
    full = _see_all(sight, [*lines, *others], seed)
    return full[: len(lines)], full[len(lines) :]


def _see_all(sight: Foresight, lines: Sequence[Line], seed: int) -> list[Line]:
    """Foresee the lines together, so that invented trials serve them all."""
    asked: dict[int, Asked] = {}
    out = list(lines)
    for i, line in enumerate(lines):
        try:
            asked[i] = ask(sight, line.factor, contrast=line.contrast, hold=line.hold or None)
        except NotEstimable as error:
            out[i] = replace(line, reason=str(error))
    found = compare_all(sight, list(asked.values()), seed=seed)
    for i, own in zip(asked, found, strict=True):
        seen = {"least": least_sure(own)} if own else {"reason": _alike(lines[i].factor)}
        out[i] = replace(lines[i], **seen)
    return out


def _alike(factor: Factor) -> str:
    return f"{factor.words}: the plan cannot tell its levels apart."


def _holds(settings: Settings, factor: Factor, response: Response) -> list[str]:
    """List where a factor is compared: at the hold of use first, then over all holds."""
    hold = settings.hold
    if hold is None or hold.name == factor.name or response.use_hold_h is None:
        return [""]
    return [hold.level_of(response.use_hold_h), ""]


def _question(settings: Settings, factor: Factor, response: Response) -> Question | None:
    asked = [
        q for q in settings.questions if q.factor == factor.name and q.response == response.name
    ]
    return min(asked, key=lambda q: not q.primary) if asked else None


def _line(sight: Foresight, layout: Sequence[Row], factor: Factor, hold: str) -> Line:
    question = _question(sight.settings, factor, sight.response)
    level = sight.terms.level.get(factor.name, factor.set)
    column = {"day": "block", "lot": "water_lot", "batch": "batch", "ball": "ball"}[level]
    return Line(factor, sight.response, question, hold, level, len({r[column] for r in layout}))


def least_sure(found: Sequence[Foreseen]) -> Foreseen:
    """Choose the widest range; the first of those that differ by rounding only."""
    return max(found, key=lambda c: float(f"{c.std_error * c.critical:.9g}"))


def fill_chances(lines: Sequence[Line]) -> list[Line]:
    """Find the chances of all lines in one go."""
    live = [line.least for line in lines if line.least is not None]
    margins = [line.response.margin for line in lines if line.least is not None]
    found = iter(find_chances(live, margins))
    return [line if line.least is None else replace(line, chances=next(found)) for line in lines]


def count_units(n: int, level: str) -> str:
    """Count units in words.

    Examples
    --------
    >>> count_units(24, "batch"), count_units(1, "ball")
    ('24 batches', '1 ball')
    """
    one, many = {"day": ("mixing day", "mixing days"), "lot": ("water lot", "water lots"),
                 "batch": ("batch", "batches"), "ball": ("ball", "balls")}[level]  # fmt: skip
    return f"{n} {one if n == 1 else many}"


def chance_words(chance: float) -> str:
    """Say a chance in words.

    Examples
    --------
    >>> [chance_words(c) for c in (0.03, 0.68, 0.97)]
    ['hardly', '7 in 10', 'surely']
    """
    if chance < _HARDLY:
        return "hardly"
    return "surely" if chance >= _SURELY else f"{min(9, max(1, round(chance * 10)))} in 10"


def format_size(size: float, response: Response) -> str:
    """Write a size with the digits that its margin deserves: pH 0.096 is 0.10."""
    if response.unit == "ph":
        return f"{size:.2f}"
    digits = max(0, 1 - int(np.floor(np.log10(response.margin))))
    return f"{size:.{digits}f}"
