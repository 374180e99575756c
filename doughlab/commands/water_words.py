"""What is typed for a water, understood piece by piece: acids, facts, points, shares.

The command `water` uses it; nothing is calculated here.
Leaves questions, answers and files' contents to that command.
"""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import fold, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, UnknownName
from doughlab.files import parse_rows, write_csv
from doughlab.tables import table
from doughlab.units import parse_quantity, typed_unit
from doughlab.water.sample import UNITS, WaterSample, alkalinity_from, hardness_from

if TYPE_CHECKING:
    from doughlab.water.products import AcidProduct

WATERS_FILE = "waters.csv"
_GIVEN = "facts, such as ph=7.9 alkalinity=150 hardness='8 dH' temp=18"
ACID_WORDS = (
    "vinegar", "lemon", "bottled lemon", "citric", "citric monohydrate", "lactic", "soda",
)  # fmt: skip
ACID_HELP = "vinegar 5%%, lemon, bottled lemon, citric, 'lactic 80%% w/w', soda"
_STRENGTH = re.compile(r"(?P<pct>[0-9]+(?:[.,][0-9]+)?)\s*%?\s*(?P<basis>w/[vw])?\s*\Z")
_UNKNOWN = ("n/a", "na", "?", "-", "unknown", "none")
_VOLUME = re.compile(
    r"\s*(?P<n>[0-9]+(?:[.,][0-9]+)?)\s*(?:(?P<l>l|litres?|liters?)|(?P<ml>ml)|"
    r"(?P<gal>gal|gallons?)|(?P<qt>qt|quarts?)|(?P<pt>pt|pints?))\s*",
    re.IGNORECASE,
)
# litres: US customary, NIST Handbook 44 (2023), appendix C; a litre of cold water is close to a kg
_LITRES_IN = {"l": 1.0, "ml": 0.001, "gal": 3.785411784, "qt": 0.946352946, "pt": 0.473176473}
_DEFAULT_STRENGTH = {"vinegar": 5.0}


def read_acid(text: str) -> tuple[str, AcidProduct | None]:
    """Understand "vinegar 5 %", "vinegar 6% w/w", "bottled lemon", "citric", "lactic 80% w/w".

    Returns
    -------
    tuple of (str, AcidProduct or None)
        Acid and product; ("soda", None) for sodium bicarbonate.

    Raises
    ------
    UnknownName, InputError
        With the acids that are known, or what the label has to say.

    Examples
    --------
    >>> read_acid("vinegar 6 %")[1].strength_pct
    6.0
    """
    from doughlab.water.products import AcidProduct

    words = " ".join(text.lower().split())
    found = _STRENGTH.search(words)
    name = words[: found.start()].strip() if found else words
    name = re.sub(r" (acid|juice|powder|anhydrous)\b", "", name.removeprefix("white "))
    name = {"bicarbonate": "soda", "acetic": "vinegar", "lemon bottled": "bottled lemon"}.get(
        name, name
    )
    if name not in ACID_WORDS:
        raise UnknownName("acid", text, ACID_WORDS)
    pct = float(found["pct"].replace(",", ".")) if found else _DEFAULT_STRENGTH.get(name)
    basis = found["basis"] if found else None
    if name == "soda":
        return "soda", None
    if name in ("lemon", "bottled lemon"):
        grams = None if pct is None else 10.0 * pct
        return "citric", AcidProduct.lemon_juice(bottled=name != "lemon", acidity_g_l=grams)
    if name.startswith("citric"):
        if pct is not None and pct < 90:
            raise InputError("Citric acid is weighed as powder here: --acid citric, without %.")
        return "citric", AcidProduct.citric_powder(monohydrate="mono" in name)
    if name == "lactic":
        if pct is None:
            raise InputError("Give the strength on the label: --acid 'lactic 80% w/w'.")
        return "lactic", AcidProduct("lactic acid", pct, basis or "w/w", acid="lactic")
    # stronger than vinegar is sold: it is not given a kitchen name, and is labelled by weight
    strong = float(pct or 0) > 10
    shown, usual = ("acetic acid", "w/w") if strong else ("white vinegar", "w/v")
    return "acetic", AcidProduct(f"{shown} {pct:g} %", float(pct or 0), basis or usual)


def read_facts(words: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Understand facts on waters, such as ph=7.9 alkalinity="8.4 dH" or ro.ph=5.8.

    Returns
    -------
    dict of dict
        Water name (empty where none was said) to column to value.

    Raises
    ------
    InputError, UnknownName
        With the word that was not understood.

    Examples
    --------
    >>> read_facts(["ph=7.9", "alkalinity=150", "ro.ph=5.8"])
    {'': {'ph': 7.9, 'alkalinity_mg_l': 150.0}, 'ro': {'ph': 5.8}}
    >>> round(read_facts(["bicarbonate=183 mg/L"])[""]["alkalinity_mg_l"])
    150
    """
    columns = {c.name: c for c in table("waters").columns}
    short = {re.sub(r"_(mg_l|c|us_cm|min|pct)\Z", "", name): name for name in columns}
    found: dict[str, dict[str, Any]] = {}
    for word in words:
        left, equals, value = word.partition("=")
        water, dot, key = left.rpartition(".")
        if not equals or not value.strip():
            raise InputError(f"'{word}' was not understood. Write name=value, such as ph=7.9.")
        if key.strip().lower() in ("bicarbonate", "hco3"):  # as a bottle's label has it
            bare = re.fullmatch(r"\s*[0-9.,]+\s*(?:mg/l|ppm)?\s*", value, re.IGNORECASE)
            key, value = "alkalinity", f"{value.split()[0]} mg/L HCO3" if bare else value
        name = key.strip().lower() if key.strip().lower() in columns else short.get(key.lower(), "")
        if not name:
            raise UnknownName("fact on a water", key, short)
        facts = found.setdefault(water if dot else "", {})
        if columns[name].kind == "number" and value.strip().lower() in _UNKNOWN:
            continue  # what nobody knows stays missing
        if name in ("alkalinity_mg_l", "hardness_mg_l"):
            facts[name] = _read_alkalinity(name, value)
        else:
            facts[name] = columns[name].read(_with_hour(value) if name == "sampled_at" else value)
    return found


def _with_hour(day: str) -> str:
    """Give a day alone its noon here; a full time stays as it is typed."""
    if not re.fullmatch(r"\s*[0-9]{4}-[0-9]{2}-[0-9]{2}\s*", day):
        return day
    try:
        noon = datetime.fromisoformat(f"{day.strip()}T12:00").astimezone()
    except ValueError:
        return day
    return noon.isoformat(timespec="minutes")


def _read_alkalinity(name: str, value: str) -> float:
    """Read an alkalinity or hardness with its unit."""
    match = re.match(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*(.*)\Z", value)
    if match is None:
        raise InputError(f"{name} '{value}' is not a number. Write it like 150 or '8.4 dH'.")
    number, unit = float(match[1].replace(",", ".")), match[2].strip() or "mg/L CaCO3"
    convert = alkalinity_from if name == "alkalinity_mg_l" else hardness_from
    try:
        return convert(number, unit)
    except UnknownName:
        raise UnknownName(f"unit in {name}={value}:", unit, UNITS) from None


def read_points(words: Sequence[str]) -> list[tuple[float, float]]:
    """Understand pairs of total grams and pH, such as 0:7.9 1.2:6.8.

    Examples
    --------
    >>> read_points(["0:7.9", "1,2:6,8", "2.4 g, pH 6.2"])
    [(0.0, 7.9), (1.2, 6.8), (2.4, 6.2)]
    """
    found = []
    for word in words:
        bare = re.sub(r"(?i)\bph\b|(?<=[0-9])\s*g\b", " ", word).strip()
        parts = re.split(r"\s*[:;]\s*|\s*,\s+|\s+", bare)
        if len(parts) != 2:
            raise InputError(
                f"'{word}' was not understood. Write total grams and pH, such as 1.2:6.8."
            )
        grams = parse_quantity(parts[0], "g", what="grams", low=0, high=50_000)
        found.append((grams, parse_quantity(parts[1], "ph", what="pH", low=2.5, high=11)))
    return found


def read_vessel(text: str) -> tuple[str, dict[str, Any]]:
    """Understand "closed", "open", "covered", "covered 30%", "covered 20-60%".

    Returns
    -------
    tuple of (str, dict)
        The vessel, and what it says of a bench: the share of the CO2 that leaves, per cent.

    Raises
    ------
    InputError
        For a share that is none; the vessel's name is checked where it is used.

    Examples
    --------
    >>> read_vessel("covered 20-60%")
    ('covered', {'co2_lost_pct': 40.0, 'co2_lost_range_pct': (20.0, 60.0)})
    """
    name, _, share = " ".join(text.lower().split()).partition(" ")
    if not share:
        return name, {}
    found = re.fullmatch(r"([0-9.,]+)\s*%?(?:\s*(?:-|to)\s*([0-9.,]+)\s*%?)?", share)
    if name != "covered" or found is None:
        raise InputError(
            f"--vessel '{text}' was not understood. Write closed, open or covered; covered may "
            "have the share of the CO2 that leaves: 'covered 30%' or 'covered 20-60%'."
        )
    ends = [parse_quantity(v, "pct", what="--vessel", low=0, high=100) for v in found.groups() if v]
    bench: dict[str, Any] = {"co2_lost_pct": sum(ends) / len(ends)}
    if len(ends) == 2:
        bench["co2_lost_range_pct"] = (ends[0], ends[1])
    return name, bench


def typed_in(given: Sequence[str]) -> str:
    """Tell in which unit a temperature was typed: F or C; both where it stands in the file.

    Examples
    --------
    >>> typed_in(["ph=7.9", "temp=64.4 F"]), typed_in([])
    ('F', 'both')
    """
    temps = [w.partition("=")[2] for w in given if re.match(r"(.*\.)?temp(_c)?=", w.lower())]
    if not temps:
        return "both"
    return "F" if any(typed_unit(t) == "F" for t in temps) else "C"


def read_treated(path: Path) -> dict[str, float]:
    """Read what a litre costs through reverse osmosis or calcite from a supply file beside waters.

    Parameters
    ----------
    path : Path
        supply.toml; none there gives no prices.

    Returns
    -------
    dict of float
        "reverse osmosis" and "calcite" to the cost of a litre at the file's volume.
    """
    from doughlab.water.supply import supply_cost
    from doughlab.water.supply_file import read_supply_file

    if not path.exists():
        return {}
    file = read_supply_file(path)
    found: dict[str, float] = {}
    for supply in file.supplies:
        kind = "calcite" if "calcite" in supply.name.lower() else supply.kind
        if kind in ("calcite", "reverse osmosis"):
            cost = supply_cost(supply, file.use).per_l
            found[kind] = min(cost, found.get(kind, cost))
    return found


def read_shares(words: Sequence[str]) -> list[tuple[str, float | None]]:
    """Understand names with shares, such as tap=60 ro=40, or names alone.

    Examples
    --------
    >>> read_shares(["tap=60", "ro"])
    [('tap', 60.0), ('ro', None)]
    """
    found: list[tuple[str, float | None]] = []
    for word in words:
        name, equals, share = word.partition("=")
        number = parse_quantity(share.rstrip("% "), "", what=f"share of {name}") if equals else None
        found.append((name.strip(), number))
    return found


def read_waters(path: Path) -> dict[str, WaterSample]:
    """Read a waters.csv; a missing file gives no waters.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    if not path.exists():
        return {}
    rows = parse_rows(path.read_bytes(), table("waters"))
    bad = [p for p in rows.problems if p.level == "error"]
    if bad:
        raise InputError.from_problems(bad)
    return {row["water_id"]: WaterSample.from_row(row) for row in rows.rows}


def find_water(
    name: str, waters: dict[str, WaterSample], facts: dict[str, dict[str, Any]], path: Path
) -> WaterSample:
    """Put together what the file and the words say on one water.

    Raises
    ------
    UnknownName
        When neither the file nor the words know it.
    """
    own = {**facts.get("", {}), **facts.get(name, {})}
    if name in waters:
        return waters[name].changed(**own)
    if not own:
        if not waters:
            raise InputError(
                f"Nothing is known of '{name}': there is no {path.name} here. Give what you know, "
                "such as --given ph=7.9 alkalinity=150, or titrate it first."
            )
        raise UnknownName("water", name, waters, where=path.name)
    return WaterSample.from_row({"water_id": name, **{"kind": "tap"}, **own})


def refuse_bare(facts: dict[str, dict[str, Any]], names: Sequence[str]) -> None:
    """Refuse facts without a water's name where several waters are asked for.

    They would stand over what the file says of each, and make all of them the same water.

    Raises
    ------
    InputError
        With the form that says which water is meant.
    """
    if facts.get("") and len(set(names)) > 1:
        key = plain(next(iter(facts[""]))).lower().replace(" ", "_")
        raise InputError(
            f"--given {key}=... does not say which of {' and '.join(names)} it is about. Write the "
            f"water in front: --given {names[-1]}.{key}=..."
        )


def keep_water(path: Path, sample: WaterSample) -> str:
    """Write a water into waters.csv, replacing its row; other rows stay as they are.

    An earlier measurement of another day stays as a row of its own, its day behind the name: the
    drift log of the supply.

    Returns
    -------
    str
        What was written, in words.
    """
    waters = table("waters")
    rows: list[dict[str, Any]] = []
    if path.exists():
        found = parse_rows(path.read_bytes(), waters)
        bad = [p for p in found.problems if p.level == "error"]
        if bad:
            raise InputError.from_problems(bad)
        rows = found.rows
    old = next((r for r in rows if r["water_id"] == sample.name), None)
    said = "added" if old is None else "replaced"
    new = {k: float(f"{v:.6g}") if isinstance(v, float) else v for k, v in sample.as_row().items()}
    kept = [new if r is old else r for r in rows]
    earlier = _earlier(old, sample) if old is not None else None
    if earlier is not None and all(r["water_id"] != earlier["water_id"] for r in rows):
        kept.append(earlier)
        said += f", the earlier one kept as {earlier['water_id']}"
    aside = path.with_name(path.name + ".new")
    text = write_csv(waters, kept if old is not None else [*kept, new])
    aside.write_text(text, encoding="utf-8", newline="")
    aside.replace(path)
    return f"{path.name}: {sample.name} {said}"


def _earlier(old: dict[str, Any], new: WaterSample) -> dict[str, Any] | None:
    """Give the row of an earlier day under a name of its own; None where it says no day."""
    day = old["sampled_at"].date().isoformat() if old.get("sampled_at") else ""
    if not day or old.get("alkalinity_mg_l") is None or new.sampled_at.startswith(day):
        return None
    return {**old, "water_id": f"{new.name}-{day}"}


_PLAIN = {
    "ph": "pH", "temp_c": "temperature", "waste_l_per_l": "litres to the drain",
    "litres_per_day": "litres a day", "tank_l": "tank", "adds_back": "adding hardness back",
    "service_per_year": "service", "rejection_pct": "rejection", "price_per_l": "price of a litre",
}  # fmt: skip


def plain(name: str) -> str:
    """Give a column or key in kitchen words.

    Examples
    --------
    >>> plain("alkalinity_mg_l"), plain("ph")
    ('alkalinity', 'pH')
    """
    return _PLAIN.get(name, re.sub(r"_(mg_l|c|us_cm|min|pct)\Z", "", name).replace("_", " "))


def find_log(name: str, waters: dict[str, WaterSample]) -> list[WaterSample]:
    """Find a water and its earlier measurements: rows called NAME-DAY that have an alkalinity.

    Examples
    --------
    >>> tap = WaterSample("tap-2026-03-05", alkalinity_mg_l=150, sampled_at="2026-03-05")
    >>> [w.name for w in find_log("tap", {"tap-2026-03-05": tap})]
    ['tap-2026-03-05']
    """
    own = re.compile(re.escape(name) + r"(-[0-9]{4}-[0-9]{2}-[0-9]{2})?")
    return [
        w for key, w in waters.items()
        if own.fullmatch(key) and w.alkalinity_mg_l is not None and w.sampled_at
    ]  # fmt: skip


def sample_cautions(*samples: WaterSample) -> tuple[str, ...]:
    """Choose the cautions for waters as they are.

    Examples
    --------
    >>> len(sample_cautions(WaterSample("tap", alkalinity_mg_l=150)))
    2
    """
    from doughlab.water.cautions import list_water_cautions
    from doughlab.water.constants import LOW_ALKALINITY_MG_L

    known = [s.alkalinity_mg_l for s in samples if s.alkalinity_mg_l is not None]
    return list_water_cautions(
        low_alkalinity=any(a < 2 * LOW_ALKALINITY_MG_L for a in known),
        laboratory=any(s.needs_laboratory for s in samples),
    )


def add_file(part: argparse.ArgumentParser) -> None:
    """Add the option that names the file of the waters."""
    part.add_argument(
        "--file", default=WATERS_FILE, metavar="CSV", help="waters (default: waters.csv here)"
    )


def add_given(part: argparse.ArgumentParser) -> None:
    """Add the option that takes facts on waters."""
    part.add_argument("--given", nargs="+", default=[], metavar="NAME=VALUE", help=_GIVEN)


def read_grams(text: str, what: str, *, low: float = 0.0001, high: float = 1e12) -> float:
    """Read a mass; a bare number counts as grams.

    Examples
    --------
    >>> read_grams("12kg", "--water")
    12000.0
    """
    volume = _VOLUME.fullmatch(text)
    if volume is not None and what in ("--water", "sample"):
        unit = next(u for u in _LITRES_IN if volume[u])
        amount = float(volume["n"].replace(",", "."))
        kg = f"{amount * _LITRES_IN[unit]:.4g}"
        named = {"l": "L", "ml": "ml"}.get(unit, f"US {unit}")
        raise InputError(
            f"{what} '{text}' is a volume. Weigh it: {amount:g} {named} of water weighs close to "
            f"{kg} kg; type {kg}kg."
        )
    return parse_quantity(text, "g", what=what, low=low, high=high)


def command(part: str, name: str, file: str, *options: str) -> str:
    """Write a command on one water as it can be typed, with its file where that is not the usual.

    Examples
    --------
    >>> command("titrate", "well water", "waters.csv", "--keep")
    "doughlab water titrate 'well water' --keep"
    """
    parts = [f"doughlab water {part} {shlex.quote(name)}", *options]
    return fold(parts + ([f"--file {shlex.quote(file)}"] if file != WATERS_FILE else []))


def read_scale(text: str) -> float:
    """Read the step of a scale, grams.

    Examples
    --------
    >>> read_scale("0.1g")
    0.1
    """
    return read_grams(text, "--scale", low=0.001, high=10.0)


def answer(
    lines: list[str],
    cautions: tuple[str, ...],
    *,
    read: list[str] | None = None,
    wrote: list[str] | None = None,
    next_lines: list[str] | None = None,
    tail: list[str] | None = None,
    data: dict[str, Any] | None = None,
    code: int = 0,
) -> Outcome:
    """Put an answer together, cut to 80 columns, cautions after what was found."""
    found = [cut for line in lines for cut in ([line] if line[:1] == " " else wrap(line))]
    found += tail or []
    said = [c for c in cautions if f"caution: {c}" not in lines]
    found += [cut for c in said for cut in wrap(f"caution: {c}")]
    facts = {**(data or {}), "cautions": list(cautions)}
    nexts = [cut for n in next_lines or [] for cut in [n]]
    return Outcome(
        read=read or [], found=found, wrote=wrote or [], next=nexts, data=facts, code=code
    )
