"""Purchase: what another pH instrument would be worth to a plan, in batches.

`plan_precision` adds its sentence; the notebook prints its table. What a reading leaves in a ball's
mean comes from `instrument`, how many batches would do from `enough`; the price is your own, and
scales are left to `doses`.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from doughlab.instruments import ReadingMethod
from doughlab.plan.chances import Chances, find_chances
from doughlab.plan.enough import Known, units_enough
from doughlab.plan.instrument import mean_spread
from doughlab.plan.lines import Line, count_units, format_size

if TYPE_CHECKING:
    import pandas as pd


# What is sold: strips with one colour for half a pH, pocket and bench meters (common practice,
# no source).
OFFERED = (("strip", 0.5), ("slurry", 0.1), ("slurry", 0.01))
_ALIKE = 1.005  # differences found that lie closer are called as much


@dataclass(frozen=True)
class Offer:
    """One instrument and what the plan would find with it.

    Attributes
    ----------
    kind : str
        "strip" or "meter".
    step : float
        Step of the instrument, pH.
    own : bool
        Whether it is that of [reading_method].
    spread : float
        What it leaves in the mean of a ball's readings (standard deviation), pH.
    sees : bool
        False where a step is wider than the margin: then nothing is reckoned.
    chances : Chances or None
    units : int or None
        Units (batches, for what is set per batch) with which it finds the margin 4 times in 5;
        None where it does not see it, or beyond 40 times the plan.
    as_finest : int or None
        Units with which it finds as much as the finest instrument does in the plan.
    """

    kind: str
    step: float
    own: bool
    spread: float
    sees: bool
    chances: Chances | None = None
    units: int | None = None
    as_finest: int | None = None

    @property
    def words(self) -> str:
        """The instrument in words."""
        return f"{self.kind} with steps of {self.step:g}"


@dataclass(frozen=True, repr=False)
class Purchase:
    """What each instrument would find about the hardest primary question on a pH.

    Attributes
    ----------
    line : Line
        The comparison that the answer rests on.
    offers : tuple of Offer
        Coarsest first.
    lost : Chances
        With the plan's own instrument and one unit lost.
    """

    line: Line
    offers: tuple[Offer, ...]
    lost: Chances

    @property
    def own(self) -> Offer:
        """The instrument of [reading_method]."""
        return next(o for o in self.offers if o.own)

    @property
    def finest(self) -> Offer:
        """The instrument with the smallest step."""
        return self.offers[-1]

    @property
    def table(self) -> pd.DataFrame:
        """All instruments as a DataFrame.

        Columns instrument, step, own, sees, spread, found_80, found_margin, same_if_zero (blank
        where it cannot see the margin), units, as_finest, unit.
        """
        import pandas as pd

        names = ("found_80", "found_margin", "same_if_zero")
        rows = [
            {"instrument": o.words, "step": o.step, "own": o.own, "sees": o.sees,
             "spread": o.spread}
            | {n: getattr(o.chances, n) if o.chances else float("nan") for n in names}
            | {"units": o.units, "as_finest": o.as_finest, "unit": self.line.level}
            for o in self.offers
        ]  # fmt: skip
        return pd.DataFrame(rows)

    @property
    def sentence(self) -> str:
        """Say which instrument the margin needs, and what it is worth in batches."""
        line, own, finest = self.line, self.own, self.finest
        margin = format_size(line.response.margin, line.response)
        about = f'For "{line.question.text if line.question else line.factor.words}"'
        if not own.sees:
            seen = [o for o in self.offers if o.sees]
            if not seen:
                return f"{about} no instrument is fine enough for a margin of {margin}."
            return (
                f"{about} the margin of {margin} needs a {seen[0].words}: no number of batches "
                f"makes up for a {own.words}."
            )
        if own is finest:
            return self._coarser_words(about)
        return self._finer_words(about)

    def _finer_words(self, about: str) -> str:
        own, finest = self.own, self.finest
        more = _more(own, self.line)
        if more == 0:
            return f"{about} a {finest.words} would find no more than your {own.words}."
        if more is None:
            return f"{about} no number of batches makes up for a {own.words}."
        return (
            f"{about} your {own.words} needs {_count(more, self.line)} for what a {finest.words} "
            f"finds: the finer one pays where it costs less. {self._beside_a_loss(finest)}"
        )

    def _coarser_words(self, about: str) -> str:
        coarser = [o for o in self.offers if o.sees and not o.own]
        if not coarser:
            return f"{about} your {self.own.words} is the coarsest that sees the margin."
        other = coarser[-1]
        more = _more(other, self.line)
        if more == 0:
            return f"{about} a {other.words} would find as much as your {self.own.words}."
        if more is None:
            return f"{about} no number of batches makes up for a {other.words}."
        return (
            f"{about} a {other.words} would need {_count(more, self.line)} for what your "
            f"{self.own.words} finds: the finer one pays where it costs less. "
            f"{self._beside_a_loss(other)}"
        )

    def _beside_a_loss(self, other: Offer) -> str:
        """Set the other instrument beside one lost unit: how often each finds the margin."""
        margin = format_size(self.line.response.margin, self.line.response)
        own, beside = self.own.chances, other.chances
        if own is None or beside is None or not self.lost.found_margin >= 0:
            return ""
        times = [f"{100 * c.found_margin:.0f}" for c in (beside, own, self.lost)]
        return (
            f"{margin} is then found {times[0]} times in 100 instead of {times[1]}; with one "
            f"{self.line.level} lost of {self.line.units}, {times[2]}."
        )

    def __str__(self) -> str:
        """Give the table and the sentence, at most 15 lines of 80 characters."""
        import textwrap

        head = ("instrument", "leaves", "finds 4 in 5", "margin with", "like finest")
        rows = [head, *(self._row(o) for o in self.offers)]
        w = [max(len(row[i]) for row in rows) for i in range(len(head))]
        lines = [
            "  ".join([f"{a:<{w[0]}}", *(f"{c:>{n}}" for c, n in zip(rest, w[1:], strict=True))])
            for a, *rest in rows
        ]
        return "\n".join([*(x.rstrip() for x in lines), *textwrap.wrap(self.sentence, 80)])

    __repr__ = __str__

    def _row(self, offer: Offer) -> tuple[str, ...]:
        name = f"{offer.words}{' (yours)' if offer.own else ''}"
        if not offer.sees or offer.chances is None:
            return name, f"{offer.spread:.2g}", "cannot see it", "-", "-"
        level = self.line.level
        units = [count_units(n, level) if n else "-" for n in (offer.units, offer.as_finest)]
        return name, f"{offer.spread:.2g}", self.line.size(offer.chances.found_80), *units

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        return f"<pre>{html.escape(str(self))}</pre>"


def _more(offer: Offer, line: Line) -> int | None:
    return None if offer.as_finest is None else max(0, offer.as_finest - line.units)


def _count(more: int, line: Line) -> str:
    """Count further units in words: 1 more batch, 2 more batches."""
    number, _, unit = count_units(more, line.level).partition(" ")
    return f"{number} more {unit}"


def compare_instruments(lines: Sequence[Line], known: Known) -> Purchase | None:
    """Find what strips and meters would find about the hardest question on a pH.

    Parameters
    ----------
    lines : sequence of Line
        Of one response, chances filled in.
    known : Known
        Of that response.

    Returns
    -------
    Purchase or None
        None where the response is not a pH that is read, or no question on it can be judged.

    Notes
    -----
    An instrument changes the spread of a ball's mean reading (`mean_spread`); all other spreads
    stay. A meter repeats a sample as well as the plan assumes, a strip to half a step; where no
    spread of readings is assumed, the balls' spread holds that of the plan's own instrument.
    """
    response = known.sight.response
    if response.table != "readings" or response.column != "ph":
        return None
    asked = [x for x in lines if x.question is not None and x.chances is not None]
    if not asked:
        return None
    line = min(asked, key=lambda x: (not x.primary, x.chances.found_margin if x.chances else 1.0))
    method = known.sight.settings.reading_method
    offered = dict.fromkeys([*OFFERED, (method.kind, method.resolution)])
    kinds = sorted(offered, key=lambda o: (-o[1], o[0] != "strip"))
    seen = {(kind == "strip", step): _offer(line, known, kind, step) for kind, step in kinds}
    offers = list(seen.values())
    target = offers[-1][0].chances
    done = []
    for offer, own in offers:
        if not offer.sees or target is None:
            done.append(offer)
            continue
        same = units_enough(line, own, difference=target.found_80 * _ALIKE)
        done.append(replace(offer, units=units_enough(line, own), as_finest=same))
    return Purchase(line, tuple(done), _with_one_lost(line, known))


def _offer(line: Line, known: Known, kind: str, step: float) -> tuple[Offer, Known]:
    """Foresee the line with one instrument; its number of batches is left to the caller."""
    settings = known.sight.settings
    method, assumed = settings.reading_method, settings.assumed[line.response.name]
    own = (kind == "strip") == (method.kind == "strip") and step == method.resolution
    repeat = _scatter(method, assumed.reading_sd)
    usual = ReadingMethod(kind, resolution=step)
    if kind != "strip" and method.kind != "strip":
        scatter = max(repeat, _scatter(usual, usual.reading_sd))
    else:
        scatter = _scatter(usual, usual.reading_sd)
    tool = replace(method, kind=kind, resolution=step)
    spread = mean_spread(tool, (step**2 / 12.0 + scatter**2) ** 0.5)
    ours = assumed.reading_sd or method.reading_sd
    now = mean_spread(method, ours)
    words = "strip" if kind == "strip" else "meter"
    if own:
        return Offer(words, step, True, now, step <= line.response.margin, line.chances), known
    offer = Offer(words, step, False, spread, step <= line.response.margin)
    if not offer.sees:
        return offer, known
    residual = known.sight.variances["residual"]
    least = min(residual, spread**2 + 1e-4 * residual)
    other = known.with_variances({"residual": max(residual + spread**2 - now**2, least)})
    (chances,) = find_chances([other.see(line)], [line.response.margin])
    return replace(offer, chances=chances), other


def _scatter(method: ReadingMethod, reading_sd: float) -> float:
    """Give how far readings scatter besides rounding: their repeatability."""
    sd = reading_sd or method.reading_sd
    return float(max(sd**2 - method.rounding_sd**2, 0.0) ** 0.5)


def _with_one_lost(line: Line, known: Known) -> Chances:
    """Find what the plan finds when one unit of a level in the comparison gives nothing."""
    from doughlab.errors import NotEstimable
    from doughlab.plan.foresee import foresee

    column = {"day": "block", "lot": "water_lot", "batch": "batch", "ball": "ball"}[line.level]
    level = line.least.level if line.least else line.factor.levels[0]
    gone = next(r[column] for r in known.layout if r[line.factor.name] == level)
    left = [r for r in known.layout if r[column] != gone]
    try:
        sight = foresee(known.sight.settings, left, known.sight.response, terms=known.sight.terms)
        drawn = line.least is not None and line.least.draws is not None
        seen = line.see(sight, seed=known.seed, draw=drawn)
    except NotEstimable:
        return Chances(*(float("nan"),) * 6)
    (chances,) = find_chances([seen], [line.response.margin])
    return chances
