"""Weighing: the bench's card of a batch, step by step, as the kitchen's scales can show it.

`doughlab mix` and the bench sheet print it. Percentages stand in `formula`, dosing in the water
room; here every water is counted and every rounding is shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from doughlab.errors import InputError, OutOfRange
from doughlab.formula.formula import PERCENTS, YEAST_NOTE, Formula, Preferment, Scale

FAR_OFF_PCT = 10.0  # beyond it the scale's number is not offered; rule of this project
COARSE_PCT = 2.0  # a rounding of more than this is named; rule of this project


@dataclass(frozen=True)
class WeighedPart:
    """One line of the card.

    Attributes
    ----------
    step : str
        "preferment <name>", "mix" or "second mix".
    name : str
        What is weighed.
    grams : float
        Exact.
    weighed_g : float
        What the scale can show nearest to it.
    scale : str
        Name of the scale; empty for a preferment that goes in whole.
    made : bool
        True for a preferment made from lines above it: its grams are counted there already.

    Examples
    --------
    >>> WeighedPart("mix", "yeast", 1.43, 1.4, "fine scale").error_pct
    -2.1
    """

    step: str
    name: str
    grams: float
    weighed_g: float
    scale: str = ""
    made: bool = False

    @property
    def error_pct(self) -> float:
        """Rounding in per cent of the exact grams."""
        return round(100.0 * (self.weighed_g - self.grams) / self.grams, 2) if self.grams else 0.0

    @property
    def scale_words(self) -> str:
        """What to weigh: the scale's number; the exact grams where that would be far off.

        Examples
        --------
        >>> WeighedPart("mix", "salt", 83.2, 85, "bench").scale_words
        '85 g'
        >>> WeighedPart("mix", "yeast", 0.8, 0, "bench").scale_words
        '0.8 g on a finer scale'
        """
        if abs(self.error_pct) > FAR_OFF_PCT:
            return f"{self.grams:.2g} g on a finer scale"
        return f"{self.weighed_g:g} g"


@dataclass(frozen=True)
class Weighing:
    """What to weigh for one batch.

    Attributes
    ----------
    parts : tuple of WeighedPart
        In the order of the steps.
    balls : int
    ball_g, dough_g, flour_g : float
        Grams; flour is all the flour.
    hydration_pct : float
        All waters over all flour, as the formula asks.
    hydration_weighed_pct : float
        The same with what the scales show.
    notes : tuple of str

    Examples
    --------
    >>> weigh_batch(Formula(percents={"hydration": 60}), balls=2).steps()
    ['mix']
    """

    parts: tuple[WeighedPart, ...]
    balls: int
    ball_g: float
    dough_g: float
    flour_g: float
    hydration_pct: float
    hydration_weighed_pct: float
    notes: tuple[str, ...] = ()

    def grams(self, name: str, *, step: str = "") -> float:
        """Add up the exact grams of a name, in one step or in all.

        Examples
        --------
        >>> weigh_batch(Formula(percents={"hydration": 60}), balls=1).grams("water")
        97.5
        """
        return sum(
            p.grams for p in self.parts if p.name == name and not p.made and step in {"", p.step}
        )

    def steps(self) -> list[str]:
        """List the steps in order."""
        return list(dict.fromkeys(p.step for p in self.parts))


def weigh_batch(
    formula: Formula,
    *,
    levels: Mapping[str, Any] | None = None,
    balls: int | None = None,
) -> Weighing:
    """Make the card of one batch: what is weighed when, and what the scales make of it.

    Parameters
    ----------
    formula : Formula
    levels : mapping, optional
        Factor name to level, as for `Formula.with_levels`.
    balls : int, optional
        The formula's own count unless given.

    Returns
    -------
    Weighing

    Raises
    ------
    InputError
        Where preferments or own ingredients hold more water, salt, yeast or flour than the
        formula has.
    OutOfRange
        For fewer than one ball.

    References
    ----------
    Baker's percentages: flour is 100. Common practice, no source.

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 60, "salt": 2}, balls=10, ball_g=162,
    ...                 preferments=(Preferment("stiff", 20, 50),))
    >>> card = weigh_batch(dough)
    >>> [(p.step, p.name, p.weighed_g) for p in card.parts][:2]
    [('preferment stiff', 'flour', 200.0), ('preferment stiff', 'water', 100.0)]
    """
    changed = formula.with_levels(levels)
    misfit = find_misfit(changed)
    if misfit:
        raise InputError(f"{changed.name}: {misfit}")
    count = changed.balls if balls is None else balls
    if count < 1:
        raise OutOfRange(f"{count} balls are no batch.", value=count, low=1, high=None)
    dough_g = count * changed.ball_g / (1.0 - changed.loss_pct / 100.0)
    per_100 = changed.total_pct + _acid_pct(changed)
    flour_g = dough_g / per_100 * 100.0
    card = _Card(changed, flour_g)
    parts = [*card.preferments(), *card.mix()]
    weighed = _weighed_hydration(changed, parts)
    return Weighing(
        tuple(parts), count, changed.ball_g, dough_g, flour_g,
        changed.percents.get("hydration", 0.0), weighed, tuple(_notes(changed, parts, weighed)),
    )  # fmt: skip


def find_misfit(formula: Formula) -> str:
    """Say where the parts of a formula do not fit together; empty where they do.

    Examples
    --------
    >>> find_misfit(Formula(percents={"hydration": 60}, preferments=(Preferment("wet", 80, 90),)))
    'the waters before the mix are 72 % of the flour, the formula has 60 %. Lower the share or the
    water of a preferment.'
    """
    ferments = formula.preferments
    flour = sum(p.flour_pct for p in ferments)
    if flour > 100.0 + 1e-9:
        return f"the preferments take {flour:g} % of the flour; 100 % is all of it."
    for name in dict.fromkeys(p.flour for p in ferments if p.flour):
        if name not in formula.flours:
            return f"preferment flour '{name}' is not a flour of the formula."
    for name, left in _flour_left(formula).items():
        if left < -1e-9:
            return (
                f"the preferments take more '{name}' than the formula has: {-left:g} % of the "
                "flour is missing."
            )
    left = formula.water_to_weigh_pct
    whole = formula.percents.get("hydration", 0.0)
    if left < -1e-9:
        return (
            f"the waters before the mix are {whole - left:g} % of the flour, the formula has "
            f"{whole:g} %. Lower the share or the water of a preferment."
        )
    for name in ("salt", "yeast"):
        inside = sum(p.of_whole(name) for p in ferments)
        if inside > formula.percents.get(name, 0.0) + 1e-9:
            return (
                f"the preferments hold {inside:g} % {name}, the formula has "
                f"{formula.percents.get(name, 0.0):g} %. The formula counts all of it."
            )
    return ""


def _flour_left(formula: Formula) -> dict[str, float]:
    """Give what each flour leaves for the mix, per cent of all the flour."""
    left = dict(formula.flours)
    for ferment in formula.preferments:
        for name, share in _flours_of(formula, ferment).items():
            if name in left:
                left[name] -= share
    return left


def _flours_of(formula: Formula, ferment: Preferment) -> dict[str, float]:
    """Give the flours of a preferment, per cent of all the flour."""
    if ferment.flour:
        return {ferment.flour: ferment.flour_pct}
    named = dict.fromkeys(formula.flours, 0.0)
    for other in formula.preferments:
        if other.flour in named:
            named[other.flour] += other.flour_pct
    free = {n: max(0.0, s - named[n]) for n, s in formula.flours.items()}
    total = sum(free.values())
    if total == 0:
        return {n: ferment.flour_pct * s / 100.0 for n, s in formula.flours.items()}
    return {n: ferment.flour_pct * s / total for n, s in free.items()}


def _acid_pct(formula: Formula) -> float:
    """Give the pure acid, per cent of flour: the only part of a product that is not water."""
    if formula.acid is None:
        return 0.0
    return _water_and_acid(formula)[1] * formula.acid.acid_pct / 100.0


def _water_and_acid(formula: Formula) -> tuple[float, float]:
    """Divide what is left to weigh into water and acid product, per cent of flour."""
    left, acid = formula.water_to_weigh_pct, formula.acid
    if acid is None:
        return left, 0.0
    share = acid.g_per_kg / 1000.0
    water = left / (1.0 + acid.water_g(share))
    return water, water * share


class _Card:
    """Writes the lines of a batch in order."""

    def __init__(self, formula: Formula, flour_g: float) -> None:
        self.formula = formula
        self.flour_g = flour_g

    def line(self, step: str, name: str, pct: float, *, scale: Scale | None = None) -> WeighedPart:
        grams = self.flour_g * pct / 100.0
        scale = scale or choose_scale(grams, self.formula.scales)
        return WeighedPart(step, name, grams, scale.round(grams), scale.name)

    def preferments(self) -> list[WeighedPart]:
        lines = []
        for f in self.formula.preferments:
            if f.kind == "starter":
                continue
            step = f"preferment {f.name}"
            flours = _flours_of(self.formula, f)
            lines += [self.line(step, n, s) for n, s in flours.items() if s > 0]
            lines.append(self.line(step, "water", f.water_pct))
            for name in ("salt", "yeast"):
                if f.of_whole(name) > 0:
                    lines.append(self.line(step, name, f.of_whole(name)))
        return lines

    def mix(self) -> list[WeighedPart]:
        formula = self.formula
        lines = [self.line("mix", n, s) for n, s in _flour_left(formula).items() if s > 1e-9]
        water, product = _water_and_acid(formula)
        split = formula.water_split or {"mix": 100.0}
        lines += self._waters("mix", water * split.get("mix", 0.0) / 100.0, product)
        for f in formula.preferments:
            inside = 100.0 + f.hydration_pct + f.salt_pct + f.yeast_pct
            pct = f.flour_pct * inside / 100.0
            grams = self.flour_g * pct / 100.0
            if f.kind == "starter":
                lines.append(self.line("mix", f.name, pct))
            else:
                lines.append(WeighedPart("mix", f.name, grams, grams, "", True))
        for name in PERCENTS:
            left = formula.percents.get(name, 0.0)
            if name in {"salt", "yeast"}:
                left -= sum(f.of_whole(name) for f in formula.preferments)
            if name != "hydration" and left > 1e-9:
                lines.append(self.line("mix", name, left))
        lines += [self.line("mix", n, pct) for n, pct in formula.own.items() if pct > 0]
        later = water * split.get("second mix", 0.0) / 100.0
        return lines + self._waters("second mix", later, 0.0)

    def _waters(self, step: str, water: float, product: float) -> list[WeighedPart]:
        """Write water and acid product; the product goes into the water before it is split."""
        lines = []
        if water > 1e-9:
            lines.append(self.line(step, "water", water))
        if product > 1e-9 and self.formula.acid is not None:
            lines.append(self.line(step, self.formula.acid.product, product))
        return lines


def choose_scale(grams: float, scales: Sequence[Scale]) -> Scale:
    """Choose the finest scale that carries some grams; else the one that carries most.

    Examples
    --------
    >>> choose_scale(20, (Scale("fine", 0.1, 500), Scale("bench", 1, 15_000))).name
    'fine'
    """
    able = [s for s in scales if s.capacity_g >= grams]
    return min(able, key=lambda s: s.resolution_g) if able else max(
        scales, key=lambda s: s.capacity_g
    )  # fmt: skip


def _weighed_hydration(formula: Formula, parts: Sequence[WeighedPart]) -> float:
    """Work the hydration out again from what the scales show."""
    flour = water = 0.0
    starters = {f.name: f for f in formula.preferments if f.kind == "starter"}
    for p in parts:
        if p.made:
            continue
        if p.name in formula.flours:
            flour += p.weighed_g
        elif p.name == "water":
            water += p.weighed_g
        elif formula.acid is not None and p.name == formula.acid.product:
            water += formula.acid.water_g(p.weighed_g)
        elif p.name in starters:
            whole = 100.0 + starters[p.name].hydration_pct
            flour += p.weighed_g * 100.0 / whole
            water += p.weighed_g * starters[p.name].hydration_pct / whole
        else:
            water += p.weighed_g * formula.own_water_pct.get(p.name, 0.0) / 100.0
    return 100.0 * water / flour if flour else math.nan


def _notes(formula: Formula, parts: Sequence[WeighedPart], weighed: float) -> list[str]:
    notes = []
    capacity = {s.name: s for s in formula.scales}
    for p in parts:
        if p.made or p.grams == 0:
            continue
        scale = capacity[p.scale]
        if p.grams > scale.capacity_g:
            loads = math.ceil(p.grams / scale.capacity_g)
            notes.append(f"{p.name}: {loads} loads on the {p.scale}")
        if abs(p.error_pct) > COARSE_PCT:
            notes.append(
                f"{p.name} {p.grams:.3g} g: the {p.scale} shows {scale.resolution_g:g} g steps, "
                f"{abs(p.error_pct):.0f} % off. Use a finer scale, or weigh it for several batches"
            )
    whole = formula.percents.get("hydration", 0.0)
    if abs(weighed - whole) >= 0.05:
        notes.append(f"hydration as weighed {weighed:.1f} % instead of {whole:g} %")
    if formula.yeast_kind != "instant" and formula.percents.get("yeast", 0.0) > 0:
        notes.append(f"{formula.yeast_kind} yeast; {YEAST_NOTE}")
    if formula.acid is not None:
        notes.append("the acid's own water is counted; dose just before mixing, check by meter")
    return notes


def split_day(balls: int, *, formula: Formula, mixer_kg: float) -> list[int]:
    """Divide a day's balls over batches that a mixer can carry, as evenly as can be.

    Parameters
    ----------
    balls : int
        Balls of the day, 1 or more.
    formula : Formula
    mixer_kg : float
        Most dough in the mixer, kilograms.

    Returns
    -------
    list of int
        Balls of each batch, larger ones first.

    Raises
    ------
    InputError
        Where not even one ball fits.
    OutOfRange
        For fewer than one ball.

    Examples
    --------
    >>> split_day(100, formula=Formula(ball_g=250), mixer_kg=10)
    [34, 33, 33]
    """
    if balls < 1:
        raise OutOfRange(f"{balls} balls are no day.", value=balls, low=1, high=None)
    one_g = formula.ball_g / (1.0 - formula.loss_pct / 100.0)
    most = int(mixer_kg * 1000.0 / one_g + 1e-9)
    if most < 1:
        raise InputError(f"A mixer for {mixer_kg:g} kg cannot mix one ball of {one_g:.0f} g dough.")
    count = math.ceil(balls / most)
    base, more = divmod(balls, count)
    return [base + 1] * more + [base] * (count - more)
