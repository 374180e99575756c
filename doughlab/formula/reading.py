"""Reading: formula.toml parsed and checked, every problem with its line in one go.

`formula` hands its file over; the trial folder and the plan read through that.
What the numbers mean stands in `formula`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, Problem, UnknownName
from doughlab.formula.equipment import Box, Mixer
from doughlab.formula.formula import (
    BATCH,
    FILE,
    FORMAT,
    OWN,
    PERCENTS,
    SHARE,
    STEPS,
    WATER_STEPS,
    YEAST_GRAMS,
    AcidInWater,
    Formula,
    Preferment,
    Scale,
)
from doughlab.formula.heat import FILMS
from doughlab.slips import read_toml

_TOP = (
    "format", "name", "flours", "percent", "own", "batch", "steps", "preferments", "yeast",
    "water", "acid", "scales", "mixer", "box",
)  # fmt: skip


def _number(
    name: str, title: str, unit: str, low: float, high: float, *, required: bool = False
) -> Column:
    return Column(name, "number", title, unit=unit, low=low, high=high, required=required)


_NAME = Column("name", "text", "Name", required=True)
_FLOURS = {"name": _NAME, "share_pct": SHARE, "lot": Column("lot", "id", "Flour lot")}
_STEPS = {
    "name": Column("name", "choice", "Step", allowed=STEPS, required=True),
    "minutes": _number("minutes", "Minutes", "min", 0, 10_080, required=True),
}
_PREFERMENTS = {
    "name": _NAME,
    "flour_pct": _number("flour_pct", "Share of all the flour", "pct", 0, 100, required=True),
    "hydration": _number("hydration", "Its water", "pct", 30, 300, required=True),
    "salt": _number("salt", "Its salt", "pct", 0, 10),
    "yeast": _number("yeast", "Its yeast", "pct", 0, 10),
    "flour": Column("flour", "text", "Its flour"),
    "kind": Column("kind", "choice", "Kind", allowed=("preferment", "starter")),
}
_WATER = {
    "step": Column("step", "choice", "Step", allowed=WATER_STEPS, required=True),
    "share_pct": _number("share_pct", "Share of the mixing water", "pct", 0, 100, required=True),
}
_ACID = {
    "product": Column("product", "text", "Acid product", required=True),
    "g_per_kg": _number("g_per_kg", "Grams for a kilogram of water", "", 0, 100, required=True),
    "acid_pct": _number("acid_pct", "Acid in the product", "pct", 0.1, 100, required=True),
}
_SCALES = {
    "name": _NAME,
    "resolution_g": _number("resolution_g", "Step of the scale", "g", 0.001, 100, required=True),
    "capacity_g": _number("capacity_g", "Most it carries", "g", 1, 1e6, required=True),
}
_MIXER = {
    "name": Column("name", "text", "Mixer"),
    "speed": Column("speed", "text", "Speed or programme"),
    "carries_kg": _number("carries_kg", "Most dough in it", "kg", 0.1, 1000),
}
_BOX = {
    "air": Column("air", "choice", "Air around a ball", allowed=tuple(FILMS)),
    "w_m2k": _number("w_m2k", "Film coefficient", "", 0.1, 500),
    "low_w_m2k": _number("low_w_m2k", "Its lower end", "", 0.1, 500),
    "high_w_m2k": _number("high_w_m2k", "Its upper end", "", 0.1, 500),
}
_OWN_WATER = _number("water_pct", "Water in it", "pct", 0, 100)
_YEAST = Column("kind", "choice", "Kind of yeast", allowed=tuple(YEAST_GRAMS), required=True)


def read_formula_file(path: Path) -> Formula:
    """Read and check a formula.toml.

    Raises
    ------
    InputError
        With every problem of the file, each with line and key.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            f"{path} does not exist. doughlab new FOLDER writes one with every line explained; "
            "put your own numbers in."
        ) from None
    except UnicodeDecodeError:
        raise InputError(f"{FILE}: not UTF-8 text. Save it as UTF-8.") from None
    formula, problems = parse_formula_text(text)
    if formula is None:
        raise InputError.from_problems(problems, shown=12)
    return formula


def parse_formula_text(text: str) -> tuple[Formula | None, list[Problem]]:
    """Parse the text of a formula.toml; None where a problem was found."""
    data, hint, row = read_toml(text)
    if data is None:
        return None, [Problem(FILE, f"cannot be read: {hint}", row)]
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
        found: dict[str, Any] = {"percents": percents, **self._numbers("batch", BATCH)}
        found["own"], found["own_water_pct"] = self._own()
        found["steps"] = tuple((r["name"], r["minutes"]) for r in self._rows("steps", _STEPS))
        found |= self._flours() | self._optional()
        if "name" in self.data:
            found["name"] = self._read(_NAME, self.data["name"], "", "name")
        if self.problems:
            return None
        formula = Formula(**found)
        self._check_waters(formula)
        return formula

    def _optional(self) -> dict[str, Any]:
        """Read what most formulas do without."""
        found: dict[str, Any] = {"preferments": self._preferments()}
        split = {r["step"]: r["share_pct"] for r in self._rows("water", _WATER)}
        if split and abs(sum(split.values()) - 100.0) > 0.01:
            total = sum(split.values())
            self.problem(
                f"the shares of the water add up to {total:g} %, not 100 %.", "water", "share_pct"
            )
        found["water_split"] = split
        yeast = self._one("yeast", {"kind": _YEAST})
        if yeast.get("kind"):
            found["yeast_kind"] = yeast["kind"]
        acid = self._one("acid", _ACID)
        if acid and None not in acid.values():
            found["acid"] = AcidInWater(**acid)
        scales = tuple(Scale(**r) for r in self._rows("scales", _SCALES))
        if scales:
            found["scales"] = scales
        return found | self._equipment()

    def _equipment(self) -> dict[str, Any]:
        """Read mixer and box; each of their keys may be left out."""
        mixer = self._one("mixer", _MIXER, whole=False)
        box = self._one("box", _BOX, whole=False)
        found: dict[str, Any] = {}
        if mixer:
            found["mixer"] = Mixer(**{k: v for k, v in mixer.items() if v is not None})
        if box and None not in box.values():
            try:
                found["box"] = Box(**box)
            except InputError as error:
                self.problem(str(error), "box")
        return found

    def _one(
        self, section: str, known: Mapping[str, Column], *, whole: bool = True
    ) -> dict[str, Any]:
        """Read one section with its own keys; `whole` requires all of them."""
        if section not in self.data:
            return {}
        table = self._table(section)
        for key in table:
            if key not in known:
                self.problem(str(UnknownName("key", key, known)), section, key)
        for key in known:
            if whole and key not in table:
                self.problem(f"'{key}' is missing.", section)
        return {k: self._read(c, table[k], section, k) for k, c in known.items() if k in table}

    def _preferments(self) -> tuple[Preferment, ...]:
        out: list[Preferment] = []
        taken = set(PERCENTS) | {"flour", "water"} | set(self._table("own", quiet=True))
        for nth, r in enumerate(self._rows("preferments", _PREFERMENTS)):
            if r["name"] in {p.name for p in out} or r["name"] in taken:
                self.problem(f"the name '{r['name']}' is taken already.", "preferments", "name",
                             nth=nth)  # fmt: skip
            kind, salt, yeast = r["kind"] or "preferment", r["salt"] or 0.0, r["yeast"] or 0.0
            out.append(
                Preferment(
                    r["name"], r["flour_pct"], r["hydration"], salt, yeast, r["flour"] or "", kind
                )
            )
        return tuple(out)

    def _check_waters(self, formula: Formula) -> None:
        """See that preferments and formula fit together."""
        from doughlab.formula.weighing import find_misfit

        misfit = find_misfit(formula)
        if misfit:
            section = "preferments" if formula.preferments else "own"
            self.problem(misfit, section)

    def _read(self, column: Column, value: Any, section: str, key: str, nth: int = 0) -> Any:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self.problem(f"{key} must be one value; found {value!r}.", section, key, nth=nth)
            return None
        if column.kind in {"number", "integer"} and not str(value).strip():
            self.problem(f"{key} has no value. Type a number, or take the line out.", section, key,
                         nth=nth)  # fmt: skip
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

    def _own(self) -> tuple[dict[str, float], dict[str, float]]:
        """Read own ingredients: a percentage, or { pct = 5, water_pct = 88 }."""
        out, water = {}, {}
        for key, value in self._table("own").items():
            if key in PERCENTS or key in {"flour", "water"}:
                self.problem(f"'{key}' belongs into [percent].", "own", key)
                continue
            if isinstance(value, Mapping):
                if "pct" not in value or set(value) - {"pct", "water_pct"}:
                    self.problem(
                        f"'{key}' must be a number or {{ pct = 5, water_pct = 88 }}.", "own", key
                    )
                    continue
                wet = self._read(_OWN_WATER, value.get("water_pct", 0), "own", key)
                if wet:
                    water[key] = wet
                value = value["pct"]
            found = self._read(OWN, value, "own", key)
            if found is not None:
                out[key] = found
        return out, water

    def _rows(self, section: str, known: Mapping[str, Column]) -> list[dict[str, Any]]:
        """Read a list of small sections; whole ones come back, with None for what is left out."""
        value = self.data.get(section, [])
        if not isinstance(value, list) or not all(isinstance(v, Mapping) for v in value):
            self.problem(f"write [[{section}]] with two brackets.", "", section)
            return []
        out = []
        for nth, row in enumerate(value):
            before = len(self.problems)
            for key in row:
                if key not in known:
                    self.problem(str(UnknownName("key", key, known)), section, key, nth=nth)
            for key, column in known.items():
                if key not in row and column.required:
                    self.problem(f"'{key}' is missing.", section, nth=nth)
            read = {k: self._read(c, row[k], section, k, nth) for k, c in known.items() if k in row}
            if len(self.problems) == before:
                out.append({k: read.get(k) for k in known})
        return out

    def _flours(self) -> dict[str, Any]:
        before = len(self.problems)
        rows = self._rows("flours", _FLOURS)
        names = [r["name"] for r in rows]
        for nth, name in enumerate(names):
            if name in names[:nth]:
                self.problem(f"flour '{name}' stands twice.", "flours", "name", nth=nth)
        total = sum(r["share_pct"] for r in rows)
        if rows and len(self.problems) == before and abs(total - 100.0) > 0.01:
            self.problem(
                f"the shares of the flours add up to {total:g} %, not 100 %.", "flours", "share_pct"
            )
        if not rows:
            return {}
        lots = {r["name"]: r["lot"] for r in rows if r["lot"]}
        return {"flours": {r["name"]: r["share_pct"] for r in rows}, "flour_lots": lots}
