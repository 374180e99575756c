"""Formulas: a dough in baker's percentages, and the grams of one batch.

The plan counts flour with it and the bench reads its mixing card from it. formula.toml is parsed
and checked here; water temperature and ripening are left to other modules of this room.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, Problem, UnknownName
from doughlab.units import parse_quantity

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
_TOP = ("format", "name", "flours", "percent", "own", "batch", "steps")
_OWN = Column("own", "number", "Own ingredient", unit="pct", low=0, high=100)
_SHARE = Column("share_pct", "number", "Share of the flour", unit="pct", low=0, high=100,
                required=True)  # fmt: skip
_MINUTES = Column("minutes", "number", "Minutes", unit="min", low=0, high=10_080, required=True)
_STEP = Column("name", "choice", "Step", allowed=STEPS, required=True)
_NAME = Column("name", "text", "Name", required=True)


@dataclass(frozen=True)
class Formula:
    """A dough: baker's percentages (flour is 100), the batch, and its steps.

    Attributes
    ----------
    name : str
    percents : dict of str to float
        Baker's percent of hydration (water), salt, yeast, oil, malt.
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

    Examples
    --------
    >>> dough = Formula(percents={"hydration": 62, "salt": 2.5, "yeast": 0.3, "oil": 1.5})
    >>> dough.total_pct
    166.3
    """

    name: str = "house dough"
    percents: dict[str, float] = field(default_factory=dict)
    own: dict[str, float] = field(default_factory=dict)
    flours: dict[str, float] = field(default_factory=lambda: {"flour": 100.0})
    balls: int = 10
    ball_g: float = 260.0
    loss_pct: float = 0.0
    steps: tuple[tuple[str, float], ...] = ()

    @property
    def total_pct(self) -> float:
        """Flour and all ingredients, in per cent of flour."""
        return 100.0 + sum(self.percents.values()) + sum(self.own.values())

    def minutes_to_ball(self) -> float | None:
        """Add up the minutes from first wetting to balling; None where no step "ball" stands."""
        names = [name for name, _ in self.steps]
        if "ball" not in names:
            return None
        start = names.index("mix") if "mix" in names else 0
        return sum(minutes for _, minutes in self.steps[start : names.index("ball")])

    def split_flours(self, flour_g: float) -> dict[str, float]:
        """Divide grams of flour over the flours of the formula.

        Examples
        --------
        >>> Formula(flours={"strong": 80.0, "rye": 20.0}).split_flours(1000)
        {'strong': 800.0, 'rye': 200.0}
        """
        return {name: flour_g * share / 100.0 for name, share in self.flours.items()}


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
        Factor name to level (a number in the factor's unit, or the text that was typed). A factor
        named like an ingredient of the formula, or ball_g, takes its place; "hydration_pct" is
        the same as "hydration". Other factors do not change the grams.
    balls : int, optional
        The formula's own count unless given.

    Returns
    -------
    dict of str to float
        Grams by name: flour (all flours together), water, salt, yeast, oil, malt, then own.

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
    percents, own, ball_g = dict(formula.percents), dict(formula.own), formula.ball_g
    for name, level in (levels or {}).items():
        bare = name.removesuffix("_pct")
        if name == "ball_g" or name == "ball":
            ball_g = _level(level, name, BATCH["ball_g"])
        elif bare in PERCENTS:
            percents[bare] = _level(level, name, PERCENTS[bare])
        elif bare in own:
            own[bare] = _level(level, name, _OWN)
    count = formula.balls if balls is None else balls
    dough_g = count * ball_g / (1.0 - formula.loss_pct / 100.0)
    flour_g = dough_g / (100.0 + sum(percents.values()) + sum(own.values())) * 100.0
    grams = {"flour": flour_g}
    for key in PERCENTS:
        if key in percents:
            grams["water" if key == "hydration" else key] = flour_g * percents[key] / 100.0
    return grams | {name: flour_g * pct / 100.0 for name, pct in own.items()}


def _level(level: Any, name: str, column: Column) -> float:
    return parse_quantity(level, column.unit, what=name, low=column.low, high=column.high)


def read_formula(path: Path | str) -> Formula:
    """Read and check a formula.toml.

    Raises
    ------
    InputError
        With every problem of the file, each with line and key.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path} does not exist. Write the dough's formula there.") from None
    except UnicodeDecodeError:
        raise InputError(f"{FILE}: not UTF-8 text. Save it as UTF-8.") from None
    formula, problems = parse_formula(text)
    if formula is None:
        raise InputError.from_problems(problems, shown=12)
    return formula


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
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        row = int(line.group(1)) if line else None
        return None, [Problem(FILE, f"cannot be read: {error}.", row)]
    reader = _Reader(data, text)
    formula = reader.formula()
    return (None if reader.problems else formula), reader.problems


class _Reader:
    """Walks the parsed TOML once and keeps every problem."""

    def __init__(self, data: Mapping[str, Any], text: str) -> None:
        self.data = data
        self.lines = text.splitlines()
        self.problems: list[Problem] = []

    def problem(self, message: str, section: str, key: str = "", *, nth: int = 0) -> None:
        place = f"{section}.{key}" if section and key else section or key
        self.problems.append(Problem(FILE, message, self._line(section, key, nth), place))

    def _line(self, section: str, key: str, nth: int) -> int | None:
        """Find the line of a key, in the nth section of that name."""
        seen, start = -1, 0
        inside = not section
        for number, line in enumerate(self.lines, start=1):
            header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
            if header:
                seen += header.group(1) == section
                inside = header.group(1) == section and seen == nth
                start = number if inside else start
            elif inside and key and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
                return number
        return start or None

    def formula(self) -> Formula | None:
        version = self.data.get("format")
        if version != FORMAT or isinstance(version, bool):
            newer = isinstance(version, int) and version > FORMAT
            more = " Update doughlab." if newer else f" Write format = {FORMAT} on the first line."
            self.problem(f"format must be {FORMAT}; found {version!r}.{more}", "", "format")
            return None
        for key in self.data:
            if key not in _TOP:
                section = isinstance(self.data[key], Mapping | list)
                place = (key, "") if section else ("", key)
                self.problem(str(UnknownName("key", key, _TOP)), *place)
        percents = self._numbers("percent", PERCENTS)
        if "hydration" not in percents and "hydration" not in self._table("percent", quiet=True):
            self.problem("'hydration' is missing: water in per cent of flour.", "percent")
        batch = self._numbers("batch", BATCH)
        found: dict[str, Any] = {"percents": percents, "own": self._own(), **batch}
        found["steps"] = tuple(self._rows("steps", {"name": _STEP, "minutes": _MINUTES}))
        flours = self._flours()
        if flours:
            found["flours"] = flours
        if "name" in self.data:
            found["name"] = self._read(_NAME, self.data["name"], "", "name")
        if self.problems:
            return None
        return Formula(**found)

    def _read(self, column: Column, value: Any, section: str, key: str, nth: int = 0) -> Any:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self.problem(f"{key} must be one value; found {value!r}.", section, key, nth=nth)
            return None
        try:
            return column.read(str(value))
        except InputError as error:
            self.problem(str(error), section, key, nth=nth)
            return None

    def _table(self, name: str, *, quiet: bool = False) -> Mapping[str, Any]:
        value = self.data.get(name, {})
        if isinstance(value, Mapping):
            return value
        if not quiet:
            self.problem(f"'{name}' must be a section: write [{name}] on a line.", "", name)
        return {}

    def _numbers(self, section: str, known: Mapping[str, Column]) -> dict[str, Any]:
        out = {}
        for key, value in self._table(section).items():
            if key not in known:
                what = "percentage" if section == "percent" else "key"
                more = " An ingredient of your own stands in [own]." if section == "percent" else ""
                self.problem(str(UnknownName(what, key, known)) + more, section, key)
                continue
            out[key] = self._read(known[key], value, section, key)
        return {k: v for k, v in out.items() if v is not None}

    def _own(self) -> dict[str, float]:
        out = {}
        for key, value in self._table("own").items():
            if key in PERCENTS or key in {"flour", "water"}:
                self.problem(f"'{key}' belongs into [percent].", "own", key)
                continue
            found = self._read(_OWN, value, "own", key)
            if found is not None:
                out[key] = found
        return out

    def _rows(self, section: str, known: Mapping[str, Column]) -> list[tuple[Any, ...]]:
        """Read a list of small sections; each gives its values in the order of `known`."""
        value = self.data.get(section, [])
        if not isinstance(value, list) or not all(isinstance(v, Mapping) for v in value):
            self.problem(f"write [[{section}]] with two brackets.", "", section)
            return []
        out = []
        for nth, row in enumerate(value):
            for key in row:
                if key not in known:
                    self.problem(str(UnknownName("key", key, known)), section, key, nth=nth)
            for key in known:
                if key not in row:
                    self.problem(f"'{key}' is missing.", section, nth=nth)
            read = [self._read(c, row[k], section, k, nth) for k, c in known.items() if k in row]
            if len(read) == len(known) and None not in read:
                out.append(tuple(read))
        return out

    def _flours(self) -> dict[str, float]:
        before = len(self.problems)
        rows = self._rows("flours", {"name": _NAME, "share_pct": _SHARE})
        names = [name for name, _ in rows]
        for nth, name in enumerate(names):
            if name in names[:nth]:
                self.problem(f"flour '{name}' stands twice.", "flours", "name", nth=nth)
        total = sum(share for _, share in rows)
        if rows and len(self.problems) == before and abs(total - 100.0) > 0.01:
            self.problem(
                f"the shares of the flours add up to {total:g} %, not 100 %.", "flours", "share_pct"
            )
        return dict(rows)
