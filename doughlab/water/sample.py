"""A water: what is known of it, in which unit, and what is missing.

Made by a person, from a row of waters.csv, by a blend or a treatment; imports nothing heavy.
It leaves judging the numbers to quality and every calculation to chemistry and dosing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.tables import WATER_KINDS, table
from doughlab.water.constants import (
    ACIDS,
    CACO3_MG_L_IN,
    HARDNESS_MMOL_L,
    MOLAR_MASS,
    WATER_KG_PER_L,
)

# How far a stated alkalinity may be off, 95 %, where nobody says: common practice, no source.
_UNCERTAINTY_PCT = {
    "own titration": 5.0,
    "laboratory": 5.0,
    "report": 10.0,
    "label": 10.0,
    "strip": 25.0,
}
_UNSAID_PCT = 15.0
PH_PLUS_MINUS = 0.1  # between kitchens' meters; AOAC 973.41: 44 analysts, SD 0.10 to 0.20

_UNIT_NAMES = {
    "mg/l caco3": "mg/L CaCO3", "mg/l": "mg/L CaCO3", "ppm": "mg/L CaCO3",
    "ppm caco3": "mg/L CaCO3",
    "mg/l hco3": "mg/L HCO3", "mg/l bicarbonate": "mg/L HCO3", "mg/l hco3-": "mg/L HCO3",
    "mmol/l": "mmol/L", "meq/l": "meq/L",
    "german degree": "German degree", "dh": "German degree", "dkh": "German degree",
    "french degree": "French degree", "fh": "French degree",
    "english degree": "English degree", "clark": "English degree", "eh": "English degree",
    "us grain": "US grain", "gpg": "US grain", "grain/us gallon": "US grain",
}  # fmt: skip
UNITS = ("mg/L CaCO3", "mg/L HCO3", "mmol/L", "meq/L", "German degree", "French degree",
         "English degree", "US grain")  # fmt: skip


def alkalinity_from(value: float, unit: str) -> float:
    """Turn an alkalinity in any usual unit into mg/L as CaCO3.

    Parameters
    ----------
    value : float
        As the report prints it.
    unit : str
        mg/L CaCO3, mg/L HCO3 (bicarbonate), mmol/L or meq/L (the same for alkalinity), German,
        French or English degree, US grain (per US gallon).

    Returns
    -------
    float
        mg/L as CaCO3.

    Raises
    ------
    UnknownName
        For a unit that is not known.

    References
    ----------
    Definitions of the degrees; factors in tests/reference/test_water_constants_plummer1982.py.

    Examples
    --------
    >>> round(alkalinity_from(183, "mg/L HCO3"), 1)
    150.1
    """
    return value * CACO3_MG_L_IN["mmol/L" if _unit(unit) == "meq/L" else _unit(unit)]


def hardness_from(value: float, unit: str) -> float:
    """Turn a hardness in any usual unit into mg/L as CaCO3.

    One mmol/L of calcium and magnesium is 100.1 mg/L, twice as much as 1 mmol/L of alkalinity.

    Examples
    --------
    >>> round(hardness_from(2.0, "mmol/L"), 1), round(hardness_from(10, "German degree"), 1)
    (200.2, 178.5)
    """
    name = _unit(unit)
    if name == "mg/L HCO3":
        raise InputError("Hardness is not given as bicarbonate. Bicarbonate is an alkalinity.")
    if name == "mmol/L":
        return value * HARDNESS_MMOL_L
    return value * CACO3_MG_L_IN["mmol/L" if name == "meq/L" else name]


def _unit(unit: str) -> str:
    """Find the unit that was meant."""
    key = " ".join(unit.strip().replace("°", "").lower().split())
    key = key.removesuffix("s") if key.endswith(("degrees", "grains")) else key
    if key not in _UNIT_NAMES:
        raise UnknownName("unit of alkalinity or hardness", unit, UNITS)
    return _UNIT_NAMES[key]


@dataclass(frozen=True)
class WaterSample:
    """Hold what is known of one water; what is not known stays None.

    Concentrations are in mg per litre as reports give them; see `alkalinity_from` and
    `hardness_from` for other units.

    Attributes
    ----------
    name : str
        Its id in waters.csv.
    ph : float or None
        3.5 to 11, read at `temp_c`.
    alkalinity_mg_l : float or None
        As CaCO3, 0 to 800. Of a water with acid added: the alkalinity before the acid, which
        adding acid does not change.
    calcium_mg_l, magnesium_mg_l, sodium_mg_l, potassium_mg_l : float or None
        The metals.
    hardness_mg_l : float or None
        As CaCO3.
    chloride_mg_l, sulphate_mg_l, nitrate_mg_l : float or None
        The other ions.
    free_chlorine_mg_l, total_chlorine_mg_l : float or None
        The difference is combined chlorine (chloramine).
    temp_c : float or None
        Temperature at which the pH was read.
    kind : str
        tap, well, tank, filtered, softened, reverse osmosis, bottled, blend or adjusted.
    conductivity_us_cm, dissolved_solids_mg_l : float or None
        At 25 C; residue or sum.
    smell, taste, look, sampling_point, storage, treatment : str
        In words; treatment in its order.
    flush_min : float or None
        Minutes the tap ran before sampling.
    sampled_at : str
        Date and time with offset.
    said_by : str
        report, label, strip, own titration, laboratory ...
    uncertainty_pct : float or None
        How far the alkalinity may be off, 95 %, in per cent of it.
    cost_per_l : float or None
        In the user's own currency.
    acid, acid_mmol_kg : str, float
        Food acid that was added, mmol per kg of water.
    laboratory_reason : str
        Why a laboratory comes first, carried over by a blend or a treatment.

    Raises
    ------
    OutOfRange, UnknownName
        For a value that no water has, or a kind that is not known.

    Examples
    --------
    >>> tap = WaterSample(name="tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60)
    >>> tap.alkalinity_range_mg_l
    (127.5, 172.5)
    >>> tap.missing[0]
    'temp_c'
    >>> tap.doubt_pct, tap.known_hardness_mg_l
    (15.0, None)
    >>> tap.changed(free_chlorine_mg_l=0.2, total_chlorine_mg_l=1.0).combined_chlorine_mg_l
    0.8
    """

    name: str
    ph: float | None = None
    alkalinity_mg_l: float | None = None
    calcium_mg_l: float | None = None
    magnesium_mg_l: float | None = None
    sodium_mg_l: float | None = None
    hardness_mg_l: float | None = None
    potassium_mg_l: float | None = None
    chloride_mg_l: float | None = None
    sulphate_mg_l: float | None = None
    nitrate_mg_l: float | None = None
    temp_c: float | None = None
    kind: str = "tap"
    free_chlorine_mg_l: float | None = None
    total_chlorine_mg_l: float | None = None
    conductivity_us_cm: float | None = None
    dissolved_solids_mg_l: float | None = None
    smell: str = ""
    taste: str = ""
    look: str = ""
    sampling_point: str = ""
    flush_min: float | None = None
    storage: str = ""
    treatment: str = ""
    sampled_at: str = ""
    said_by: str = ""
    uncertainty_pct: float | None = None
    cost_per_l: float | None = None
    acid: str = ""
    acid_mmol_kg: float = 0.0
    laboratory_reason: str = ""

    def __post_init__(self) -> None:
        """Refuse what no water has."""
        if not str(self.name).strip():
            raise InputError("A water needs a name, such as tap or spring-a.")
        if self.kind not in WATER_KINDS:
            raise UnknownName("kind of water", self.kind, WATER_KINDS, where=self.name)
        if self.acid and self.acid not in ACIDS:
            raise UnknownName("acid", self.acid, ACIDS, where=self.name)
        if not (math.isfinite(self.acid_mmol_kg) and 0 <= self.acid_mmol_kg <= 200):
            raise OutOfRange(
                f"{self.name}: acid_mmol_kg {self.acid_mmol_kg} lies outside 0 to 200.",
                value=self.acid_mmol_kg, low=0, high=200,
            )  # fmt: skip
        for field in fields(self):
            value = getattr(self, field.name)
            if "float | None" in str(field.type) and value is not None:
                _check_range(self.name, field.name, value)

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> WaterSample:
        """Make a water from a row of waters.csv, parsed or as text; blanks stay missing.

        Raises
        ------
        UnknownName
            For a column that waters.csv does not have.

        Examples
        --------
        >>> WaterSample.from_row({"water_id": "tap", "kind": "tap", "ph": "7,9"}).ph
        7.9
        """
        columns = table("waters")
        known: dict[str, Any] = {"name": row["water_id"]}
        names = {f.name: f for f in fields(cls)}
        for key, raw in row.items():
            if key in ("water_id", "_row") or raw is None or raw == "":
                continue
            if key not in names:
                raise UnknownName("column of waters.csv", key, ("water_id", *names))
            value = raw
            if isinstance(raw, str) and key in columns.names and key != "sampled_at":
                value = columns.column(key).read(raw)
            known[key] = value.isoformat() if hasattr(value, "isoformat") else value
        return cls(**known)

    def as_row(self) -> dict[str, Any]:
        """Give the columns of waters.csv; missing values as None.

        Raises
        ------
        InputError
            For a water with acid in it: waters.csv lists waters before dosing.

        Examples
        --------
        >>> WaterSample("tap", ph=7.9).as_row()["water_id"]
        'tap'
        """
        if self.acid_mmol_kg > 0:
            raise InputError(
                f"{self.name} holds {self.acid} acid; waters.csv lists waters before dosing. "
                "Write the dose into the mix."
            )
        row: dict[str, Any] = {"water_id": self.name}
        for name in table("waters").names:
            if name != "water_id":
                value = getattr(self, name)
                row[name] = None if value == "" else value
        return row

    def changed(self, **values: Any) -> WaterSample:
        """Give a copy with some fields replaced.

        Examples
        --------
        >>> WaterSample("tap", ph=7.9).changed(ph=7.8).ph
        7.8
        """
        return replace(self, **values)

    @property
    def missing(self) -> tuple[str, ...]:
        """Name the fields that a dose would use and nobody has given."""
        wanted = [
            "ph",
            "alkalinity_mg_l",
            "temp_c",
            "sodium_mg_l",
            "chloride_mg_l",
            "sulphate_mg_l",
        ]
        absent = [n for n in wanted if getattr(self, n) is None]
        if self.calcium_mg_l is None and self.hardness_mg_l is None:
            absent.append("calcium_mg_l")
        if self.magnesium_mg_l is None and (
            self.hardness_mg_l is None or self.calcium_mg_l is None
        ):
            absent.append("magnesium_mg_l")
        return tuple(absent)

    @property
    def doubt_pct(self) -> float:
        """Give how far the alkalinity may be off, 95 %, as stated or by who says it."""
        if self.uncertainty_pct is not None:
            return self.uncertainty_pct
        said = self.said_by.lower()
        known = [pct for words, pct in _UNCERTAINTY_PCT.items() if words in said]
        return max(known, default=_UNSAID_PCT)

    @property
    def alkalinity_range_mg_l(self) -> tuple[float, float] | None:
        """Give the 95 % range of the alkalinity, mg/L as CaCO3; None where it is missing."""
        if self.alkalinity_mg_l is None:
            return None
        half = self.alkalinity_mg_l * self.doubt_pct / 100.0
        return (self.alkalinity_mg_l - half, self.alkalinity_mg_l + half)

    @property
    def combined_chlorine_mg_l(self) -> float | None:
        """Give total minus free chlorine (chloramine), where both are known."""
        if self.total_chlorine_mg_l is None or self.free_chlorine_mg_l is None:
            return None
        return max(self.total_chlorine_mg_l - self.free_chlorine_mg_l, 0.0)

    @property
    def known_hardness_mg_l(self) -> float | None:
        """Give the hardness as CaCO3, stated or from calcium and magnesium."""
        if self.calcium_mg_l is not None and self.magnesium_mg_l is not None:
            whole = HARDNESS_MMOL_L
            return whole * (
                self.calcium_mg_l / MOLAR_MASS["calcium"]
                + self.magnesium_mg_l / MOLAR_MASS["magnesium"]
            )
        return self.hardness_mg_l

    @property
    def needs_laboratory(self) -> str:
        """Say every reason why a laboratory comes before anybody tastes; empty without one.

        Examples
        --------
        >>> WaterSample("bore", kind="well", smell="eggs").needs_laboratory
        "water from a well; smell noted as 'eggs'"
        """
        reasons = [self.laboratory_reason] if self.laboratory_reason else []
        if self.kind in ("well", "tank") and not reasons:
            reasons.append(f"water from a {self.kind}")
        for what, words in (("smell", self.smell), ("look", self.look), ("taste", self.taste)):
            said = f"{what} noted as '{words.strip()}'"
            known = any(said in reason for reason in reasons)
            if words and words.strip().lower() not in _PLAIN_WORDS and not known:
                reasons.append(said)
        return "; ".join(reasons)

    def mmol_kg(self, ion: str) -> float | None:
        """Give one ion in mmol per kg of water; None where it is missing.

        Reports count per litre at about 20 C; a litre then holds 0.9982 kg of water.

        Examples
        --------
        >>> round(WaterSample("tap", calcium_mg_l=40).mmol_kg("calcium"), 4)
        0.9998
        """
        value = getattr(self, f"{ion}_mg_l")
        return None if value is None else value / MOLAR_MASS[ion] / WATER_KG_PER_L


_PLAIN_WORDS = frozenset(
    {"none", "no", "nothing", "clear", "clean", "neutral", "normal", "usual", "fresh", "ok", "good",
     "plain", "flat", "-"}
)  # fmt: skip


def _check_range(name: str, field: str, value: Any) -> None:
    """Refuse a number outside the plausible range of its column."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{name}: {field} '{value}' is not a number.")
    column = table("waters").column(field)
    low = -math.inf if column.low is None else column.low
    high = math.inf if column.high is None else column.high
    if not low <= value <= high:
        raise OutOfRange(
            f"{name}: {field} {value:g} lies outside {low:g} to {high:g}. Check the unit and the "
            "decimal point.",
            value=float(value), low=column.low, high=column.high,
        )  # fmt: skip
