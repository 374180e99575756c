"""Formulas: a dough in baker's percentages, and the grams of one batch.

The plan counts flour with it, `weighing` makes the bench's card from it. formula.toml is read by
`reading`; water temperature and ripening are left to other modules of this room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.cells import Column
from doughlab.errors import InputError, UnknownName
from doughlab.formula.equipment import Box, Mixer
from doughlab.units import parse_quantity

if TYPE_CHECKING:
    from doughlab.errors import Problem

FORMAT = 1
FILE = "formula.toml"

# Baker's percentages that a formula knows; anything else stands in [own].
PERCENTS: dict[str, Column] = {
    "hydration": Column("hydration", "number", "Water", unit="pct", low=30, high=120),
    "salt": Column("salt", "number", "Salt", unit="pct", low=0, high=10),
    "yeast": Column("yeast", "number", "Yeast", unit="pct", low=0, high=10),
    "oil": Column("oil", "number", "Oil", unit="pct", low=0, high=50),
    "malt": Column("malt", "number", "Malt", unit="pct", low=0, high=10),
}
BATCH: dict[str, Column] = {
    "balls": Column("balls", "integer", "Balls in a batch", low=1, high=1000),
    "ball_g": Column("ball_g", "number", "Mass of a ball", unit="g", low=20, high=5000),
    "loss_pct": Column("loss_pct", "number", "Dough lost", unit="pct", low=0, high=30),
}
STEPS = ("preferment", "mix", "rest", "second mix", "bulk", "divide", "ball", "cool")
WATER_STEPS = ("mix", "second mix")
OWN = Column("own", "number", "Own ingredient", unit="pct", low=0, high=100)
SHARE = Column("share_pct", "number", "Share of the flour", unit="pct", low=0, high=100,
               required=True)  # fmt: skip

# Grams that do the same work as 1 g of instant yeast: common practice, no source.
YEAST_GRAMS = {"instant": 1.0, "active dry": 1.25, "fresh": 3.0}
YEAST_NOTE = "yeast kinds are converted by common practice, no source"


@dataclass(frozen=True)
class Preferment:
    """A part of the flour that is wetted and left to ferment before the mix.

    Attributes
    ----------
    name : str
    flour_pct : float
        Share of the whole flour that is in it, 0 to 100.
    hydration_pct : float
        Its water, per cent of its own flour; 45 is stiff, 100 and more is liquid.
    salt_pct, yeast_pct : float
        Per cent of its own flour.
    flour : str
        The flour it is made of; empty for the formula's blend.
    kind : str
        "preferment", or "starter" for a ripe starter that is fed apart.

    Examples
    --------
    >>> Preferment("stiff", flour_pct=20, hydration_pct=45).water_pct
    9.0
    >>> Preferment("loose", flour_pct=20, yeast_pct=0.5).of_whole("yeast")
    0.1
    """

    name: str
    flour_pct: float
    hydration_pct: float = 100.0
    salt_pct: float = 0.0
    yeast_pct: float = 0.0
    flour: str = ""
    kind: str = "preferment"

    @property
    def water_pct(self) -> float:
        """Its water in per cent of the whole flour."""
        return self.flour_pct * self.hydration_pct / 100.0

    def of_whole(self, name: str) -> float:
        """Its salt or yeast in per cent of the whole flour."""
        own = {"salt": self.salt_pct, "yeast": self.yeast_pct}[name]
        return self.flour_pct * own / 100.0


@dataclass(frozen=True)
class AcidInWater:
    """An acid product that is weighed into the mixing water.

    Attributes
    ----------
    product : str
    g_per_kg : float
        Grams of product for a kilogram of mixing water, 0 to 100.
    acid_pct : float
        Acid in the product, per cent of its mass; the rest is counted as water.

    Examples
    --------
    >>> AcidInWater("white vinegar 5 %", 1.6, 5.0).water_g(100.0)
    95.0
    """

    product: str
    g_per_kg: float
    acid_pct: float = 5.0

    def water_g(self, product_g: float) -> float:
        """Give the water in some grams of the product."""
        return product_g * (1.0 - self.acid_pct / 100.0)


@dataclass(frozen=True)
class Scale:
    """A scale of the kitchen.

    Attributes
    ----------
    name : str
    resolution_g, capacity_g : float
        The step that it shows, and the most that it takes, grams.

    Examples
    --------
    >>> Scale("bench", 1.0, 10_000).round(1180.9)
    1181.0
    """

    name: str
    resolution_g: float
    capacity_g: float

    def round(self, grams: float) -> float:
        """Give what the scale can show nearest to some grams."""
        return round(round(grams / self.resolution_g) * self.resolution_g, 6)


# Common practice, no source: [[scales]] says what the kitchen has.
USUAL_SCALES = (Scale("fine scale", 0.1, 500.0), Scale("bench scale", 1.0, 15_000.0))


@dataclass(frozen=True)
class Formula:
    """A dough: baker's percentages (flour is 100), the batch, and its steps.

    Percentages are of all the flour, preferments included: the water of a preferment is part of
    `hydration`, its salt and yeast are part of salt and yeast.

    Attributes
    ----------
    name : str
    percents : dict of str to float
        Baker's percent of hydration (all waters), salt, yeast, oil, malt.
    own : dict of str to float
        Baker's percent of other ingredients, by their own names.
    flours : dict of str to float
        Share of each flour in the flour, per cent; they add up to 100.
    balls : int
        Balls in a batch.
    ball_g : float
        Grams of one ball.
    loss_pct : float
        Per cent of the mixed dough that never becomes a ball.
    steps : tuple of (str, float)
        Name and minutes, in order.
    own_water_pct : dict of str to float
        Water in own ingredients, per cent of their mass; it counts as hydration.
    flour_lots : dict of str to str
    preferments : tuple of Preferment
    yeast_kind : str
        A key of `YEAST_GRAMS`; the yeast of the preferments is of the same kind.
    water_split : dict of str to float
        Step to share of the mixing water, per cent; empty for all in the mix.
    acid : AcidInWater or None
    scales : tuple of Scale
    mixer : Mixer
    box : Box
        Around the balls.

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62, "salt": 2.5, "yeast": 0.3, "oil": 1.5})
    >>> dough.total_pct
    166.3
    >>> dough.water_to_weigh_pct, dough.minutes_to_ball(), dough.minutes_of_mixing()
    (62, None, None)
    """

    name: str = "house dough"
    percents: dict[str, float] = field(default_factory=dict)
    own: dict[str, float] = field(default_factory=dict)
    flours: dict[str, float] = field(default_factory=lambda: {"flour": 100.0})
    balls: int = 10
    ball_g: float = 260.0
    loss_pct: float = 0.0
    steps: tuple[tuple[str, float], ...] = ()
    own_water_pct: dict[str, float] = field(default_factory=dict)
    flour_lots: dict[str, str] = field(default_factory=dict)
    preferments: tuple[Preferment, ...] = ()
    yeast_kind: str = "instant"
    water_split: dict[str, float] = field(default_factory=dict)
    acid: AcidInWater | None = None
    scales: tuple[Scale, ...] = USUAL_SCALES
    mixer: Mixer = field(default_factory=Mixer)
    box: Box = field(default_factory=Box)

    @property
    def total_pct(self) -> float:
        """Flour and all ingredients, in per cent of flour."""
        return 100.0 + sum(self.percents.values()) + sum(self.own.values()) - self._wet_own_pct

    @property
    def _wet_own_pct(self) -> float:
        """Water in own ingredients, per cent of flour: it stands in hydration already."""
        return sum(self.own[n] * w / 100.0 for n, w in self.own_water_pct.items() if n in self.own)

    @property
    def water_to_weigh_pct(self) -> float:
        """Mixing water and acid product's water, per cent of flour: what other waters leave."""
        others = sum(p.water_pct for p in self.preferments) + self._wet_own_pct
        return self.percents.get("hydration", 0.0) - others

    def minutes_to_ball(self) -> float | None:
        """Add up the minutes from first wetting to balling; None where no step "ball" stands."""
        names = [name for name, _ in self.steps]
        if "ball" not in names:
            return None
        start = names.index("mix") if "mix" in names else 0
        return sum(minutes for _, minutes in self.steps[start : names.index("ball")])

    def minutes_of_mixing(self) -> float | None:
        """Add up the minutes of the mixes; None where no step "mix" stands."""
        minutes = [m for name, m in self.steps if name in WATER_STEPS]
        return sum(minutes) if minutes else None

    def split_flours(self, flour_g: float) -> dict[str, float]:
        """Divide grams of flour over the flours of the formula.

        Examples
        --------
        >>> Formula(flours={"strong": 80.0, "rye": 20.0}).split_flours(1000)
        {'strong': 800.0, 'rye': 200.0}
        """
        return {name: flour_g * share / 100.0 for name, share in self.flours.items()}

    def with_levels(self, levels: Mapping[str, Any] | None) -> Formula:
        """Give the formula with the levels of a trial in place of its own values.

        Parameters
        ----------
        levels : mapping or None
            Factor name to level: a number in the factor's unit, or the text that was typed. A
            factor named like an ingredient, a flour of a blend, a preferment, ball_g or
            yeast_kind takes its place; "hydration_pct" is the same as "hydration". A flour's
            share is taken from or given to the other flours in proportion; another yeast kind
            keeps the yeast's work. Other factors change nothing.

        Raises
        ------
        InputError
            For a level that is no percentage, mass or yeast kind.

        Examples
        --------
        >>> blend = Formula(percents={"hydration": 60}, flours={"strong": 80.0, "rye": 20.0})
        >>> blend.with_levels({"rye": 40, "water": "tap"}).flours
        {'strong': 60.0, 'rye': 40.0}
        """
        changed = self
        for name, level in (levels or {}).items():
            changed = changed._with_level(name, level)
        return changed

    def _with_level(self, name: str, level: Any) -> Formula:
        bare = name.removesuffix("_pct")
        if name in {"ball_g", "ball"}:
            return replace(self, ball_g=_level(level, name, BATCH["ball_g"]))
        if name == "yeast_kind":
            return _with_yeast(self, str(level))
        if bare in PERCENTS:
            return replace(
                self, percents=self.percents | {bare: _level(level, name, PERCENTS[bare])}
            )
        if bare in self.own:
            return replace(self, own=self.own | {bare: _level(level, name, OWN)})
        if any(p.name == bare for p in self.preferments):
            share = _level(level, name, SHARE)
            changed = (replace(p, flour_pct=share) if p.name == bare else p
                       for p in self.preferments)  # fmt: skip
            return replace(self, preferments=tuple(changed))
        if bare in self.flours and len(self.flours) > 1:
            return replace(self, flours=_blend(self.flours, bare, _level(level, name, SHARE)))
        return self


def _blend(flours: Mapping[str, float], name: str, share: float) -> dict[str, float]:
    """Set one flour's share; the others keep their proportions."""
    rest = sum(s for n, s in flours.items() if n != name)
    if rest == 0:
        raise InputError(
            f"'{name}' is all of the flour: there is no other flour to change against."
        )
    return {n: share if n == name else s * (100.0 - share) / rest for n, s in flours.items()}


def _with_yeast(formula: Formula, kind: str) -> Formula:
    factor = convert_yeast(1.0, formula.yeast_kind, kind)
    percents = dict(formula.percents)
    if "yeast" in percents:
        percents["yeast"] *= factor
    inside = tuple(replace(p, yeast_pct=p.yeast_pct * factor) for p in formula.preferments)
    return replace(formula, percents=percents, preferments=inside, yeast_kind=kind)


def convert_yeast(amount: float, from_kind: str, to_kind: str) -> float:
    """Convert an amount of yeast between kinds (common practice, no source).

    Parameters
    ----------
    amount : float
        Grams or per cent.
    from_kind, to_kind : str
        "instant", "active dry" or "fresh".

    Raises
    ------
    UnknownName
        For another kind.

    Examples
    --------
    >>> convert_yeast(1.0, "instant", "fresh"), convert_yeast(3.0, "fresh", "active dry")
    (3.0, 1.25)
    """
    for kind in (from_kind, to_kind):
        if kind not in YEAST_GRAMS:
            raise UnknownName("yeast kind", kind, YEAST_GRAMS)
    return amount * YEAST_GRAMS[to_kind] / YEAST_GRAMS[from_kind]


def batch_grams(
    formula: Formula,
    *,
    levels: Mapping[str, Any] | None = None,
    balls: int | None = None,
) -> dict[str, float]:
    """Weigh out one batch, losses included.

    Parameters
    ----------
    formula : Formula
    levels : mapping, optional
        Factor name to level, as for `Formula.with_levels`.
    balls : int, optional
        The formula's own count unless given; 1 gives a ball, a day's count gives the day.

    Returns
    -------
    dict of str to float
        Grams by name: flour (all flours together, preferments included), water (all waters but
        that of own ingredients), salt, yeast, oil, malt, then own. An acid product is counted as
        water; its acid, a gram or two, is left to `weighing`.

    Raises
    ------
    InputError
        For a level that is no percentage or mass.

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62, "salt": 2.5, "yeast": 0.3, "oil": 1.5},
    ...                 ball_g=260, loss_pct=1.5)
    >>> {name: round(g, 2) for name, g in batch_grams(dough, balls=12).items()}
    {'flour': 1904.7, 'water': 1180.91, 'salt': 47.62, 'yeast': 5.71, 'oil': 28.57}
    """
    changed = formula.with_levels(levels)
    count = changed.balls if balls is None else balls
    dough_g = count * changed.ball_g / (1.0 - changed.loss_pct / 100.0)
    flour_g = dough_g / changed.total_pct * 100.0
    grams = {"flour": flour_g}
    for key in PERCENTS:
        if key in changed.percents:
            grams["water" if key == "hydration" else key] = flour_g * changed.percents[key] / 100.0
    if "water" in grams:
        grams["water"] -= flour_g * changed._wet_own_pct / 100.0
    return grams | {name: flour_g * pct / 100.0 for name, pct in changed.own.items()}


def percents_from_grams(
    grams: Mapping[str, float],
    *,
    flours: Iterable[str] = ("flour",),
    own_water_pct: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """Give the baker's percentages of a batch that was weighed.

    Parameters
    ----------
    grams : mapping of str to float
        Grams by name; "water" is the water.
    flours : iterable of str
        Names of the flours in it.
    own_water_pct : mapping, optional
        Water in other ingredients, per cent of their mass.

    Returns
    -------
    dict of str to float
        Per cent of flour: hydration after all waters are counted, then the others by name.

    Raises
    ------
    InputError
        Where no flour was weighed.

    Examples
    --------
    >>> percents_from_grams({"flour": 500, "water": 300, "milk": 50}, own_water_pct={"milk": 88})
    {'hydration': 68.8, 'milk': 10.0}
    """
    names = set(flours)
    flour_g = sum(g for n, g in grams.items() if n in names)
    if flour_g <= 0:
        raise InputError(f"No flour stands in the grams ({', '.join(sorted(names))} is wanted).")
    wet = sum(grams.get(n, 0.0) * w / 100.0 for n, w in (own_water_pct or {}).items())
    out = {"hydration": (grams.get("water", 0.0) + wet) / flour_g * 100.0}
    for name, g in grams.items():
        if name not in names and name != "water":
            out[name] = g / flour_g * 100.0
    return out


def _level(level: Any, name: str, column: Column) -> float:
    return parse_quantity(level, column.unit, what=name, low=column.low, high=column.high)


def read_formula(path: Path | str) -> Formula:
    """Read and check a formula.toml.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    Formula

    Raises
    ------
    InputError
        With every problem of the file, each with line and key.

    Examples
    --------
    >>> read_formula("no-such-folder/formula.toml")
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: no-such-folder/formula.toml does not exist. doughlab new FOLDER ...
    """
    from doughlab.formula.reading import read_formula_file

    return read_formula_file(Path(path))


def parse_formula(text: str) -> tuple[Formula | None, list[Problem]]:
    r"""Parse the text of a formula.toml.

    Returns
    -------
    Formula or None, list of Problem
        None where a problem was found.

    Examples
    --------
    >>> formula, problems = parse_formula("format = 1\n[percent]\nhydration = 62\nsallt = 2.5")
    >>> print(problems[0])
    formula.toml, row 4, column percent.sallt: percentage 'sallt' is not known. Did you mean
    'salt'? Known: hydration, malt, oil, salt, yeast. An ingredient of your own stands in [own].
    """
    from doughlab.formula.reading import parse_formula_text

    return parse_formula_text(text)
