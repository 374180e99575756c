"""Covariates: what each batch got, as measured, beside what the plan asked for.

`achieved` fits them in its second look; notebooks read the frame.
What a value does to the dough is left to `achieved`; nothing missing is filled in from the plan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from doughlab.analysis.dataset import TrialLike, no_plan
from doughlab.errors import listed
from doughlab.formula.weighing import weigh_batch

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.sections import Factor
    from doughlab.settings import Settings

PH_FACTOR = "water_ph"
AS_IS = "as is"


@dataclass(frozen=True)
class Covariate:
    """A measured value of a batch.

    Attributes
    ----------
    column : str
        Its column in the frame of `Achieved`, and its term in a second look.
    words : str
        What a cook calls it.
    step : str
        One unit of it, as in "per 1 °C".
    needs : str
        The columns that it is read from.

    Examples
    --------
    >>> Covariate("achieved_room_temp_c", "room temperature", "1 °C", "room_temp_c").words
    'room temperature'
    """

    column: str
    words: str
    step: str
    needs: str

    def replaces(self, settings: Settings) -> str:
        """Name the planned factor that it is the measured side of; empty where there is none.

        A water as such is never replaced: its pH, its alkalinity and all else in it come
        together. Acid and pH stand in place of the factor `water_ph`, temperatures in place of
        the one planned temperature of the water or the dough.
        """
        own = settings.factors_set("day", "batch")
        if self.column in {"achieved_water_ph", "achieved_acid_g_per_kg"}:
            found = [f.name for f in own if f.name == PH_FACTOR]
        elif self.column in {"achieved_water_temp_c", "achieved_dough_temp_c"}:
            warm = [f for f in own if f.kind == "number" and f.unit == "temp_c"]
            found = [f.name for f in warm if {"water", "dough"} & set(_name_parts(f))]
        else:
            found = []
        return found[0] if len(found) == 1 else ""


def _name_parts(factor: Factor) -> list[str]:
    return f"{factor.name} {factor.title}".replace("_", " ").casefold().split()


COVARIATES = (
    Covariate("achieved_water_ph", "water pH", "pH 1", "water_ph in record/mixes.csv"),
    Covariate("achieved_alkalinity_mg_l", "alkalinity", "1 mg/L",
              "alkalinity_mg_l in waters.csv"),
    Covariate("achieved_acid_g_per_kg", "acid dose", "1 g/kg dough", "acid_g in record/mixes.csv"),
    Covariate("achieved_water_temp_c", "water temperature", "1 °C",
              "water_temp_c in record/mixes.csv"),
    Covariate("achieved_dough_temp_c", "dough temperature", "1 °C",
              "dough_temp_c in record/mixes.csv"),
    Covariate("achieved_room_temp_c", "room temperature", "1 °C",
              "room_temp_c in record/mixes.csv"),
)  # fmt: skip


@dataclass(frozen=True)
class Achieved:
    """What the batches of a trial got.

    Attributes
    ----------
    frame : DataFrame, one row per batch asked for
        batch, mixed (whether a mix is recorded), then one column per covariate: pH, mg/L as
        CaCO3, g acid product per kg dough, °C; blank where not recorded.
    unusable : dict of str to str
        Covariate column to the reason why its values cannot be compared.
    notes : tuple of str
        How values were come by.
    """

    frame: pd.DataFrame
    unusable: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def without_mix(self) -> tuple[str, ...]:
        """Name the batches that have no mix recorded."""
        return tuple(self.frame.loc[~self.frame["mixed"], "batch"])

    def without(self, column: str) -> tuple[str, ...]:
        """Name the batches that lack a covariate."""
        return tuple(self.frame.loc[self.frame[column].isna(), "batch"])


def collect_achieved(trial: TrialLike, batches: Sequence[str]) -> Achieved:
    """Collect what batches got, from the mixes, the waters and the formula.

    Parameters
    ----------
    trial : TrialLike
        With a frozen plan; its `formula`, where it has one, gives the dough not weighed.
    batches : sequence of str

    Returns
    -------
    Achieved
        The alkalinity is that of the sample of the batch's water: of its water lot in
        record/lots.csv where it names one, else of the planned water. No acid counts as 0 only
        where the plan says "as is"; elsewhere a blank is a blank.

    Raises
    ------
    PlanError
        Where no plan was kept.
    """
    plan = trial.frozen_plan
    if plan is None:
        raise no_plan(trial)
    mixes = {m["batch_id"]: m for m in trial.records.mixes}
    levels = _levels(plan, trial.settings)
    lots = {lot["lot_id"]: lot.get("water_id") for lot in trial.records.lots}
    formula = getattr(trial, "formula", None)
    rows, unweighed, dosed = [], [], False
    for name in batches:
        mix = mixes.get(name, {})
        acid_g = _acid_g(mix, levels[name])
        dough_g = None if acid_g is None else _dough_g(plan, trial.settings, formula, mix, name)
        dosed |= bool(acid_g)
        if acid_g and dough_g and not _is_weighed(mix, formula):
            unweighed.append(name)
        rows.append({
            "batch": name,
            "mixed": name in mixes,
            "achieved_water_ph": mix.get("water_ph"),
            "achieved_alkalinity_mg_l": _alkalinity(trial, mix, levels[name], lots),
            "achieved_acid_g_per_kg": _acid_share(acid_g, dough_g),
            "achieved_water_temp_c": mix.get("water_temp_c"),
            "achieved_dough_temp_c": mix.get("dough_temp_c"),
            "achieved_room_temp_c": mix.get("room_temp_c"),
        })  # fmt: skip
    frame = pd.DataFrame(rows)
    numbers = [c.column for c in COVARIATES]
    frame[numbers] = frame[numbers].astype(float)
    return Achieved(
        frame, _mixed_products([mixes[b] for b in batches if b in mixes]),
        tuple(_notes(unweighed, formula)) if dosed else (),
    )  # fmt: skip


def _levels(plan: Plan, settings: Settings) -> dict[str, dict[str, str]]:
    own = settings.factors_set("day", "batch")
    return {b["batch_id"]: {f.name: f.level_of(b[f.column]) for f in own} for b in plan.batches}


def _alkalinity(
    trial: TrialLike,
    mix: Mapping[str, Any],
    levels: Mapping[str, str],
    lots: Mapping[str, str | None],
) -> float | None:
    """Give the alkalinity of the water that a mixed batch was made with."""
    if not mix:
        return None
    named = lots.get(mix.get("water_lot") or "")
    planned = [levels[f.name] for f in trial.settings.factors.values()
               if f.kind == "water" and f.name in levels]  # fmt: skip
    water = named or (planned[0] if len(planned) == 1 else None)
    return trial.waters.get(water, {}).get("alkalinity_mg_l") if water else None


def _acid_g(mix: Mapping[str, Any], levels: Mapping[str, str]) -> float | None:
    """Give the acid of a batch; a blank is none only where the plan says so."""
    if not mix:
        return None
    if mix.get("acid_g") is None and levels.get(PH_FACTOR, "").strip().casefold() == AS_IS:
        return 0.0
    return mix.get("acid_g")


def _acid_share(acid_g: float | None, dough_g: float | None) -> float | None:
    if acid_g is None or acid_g == 0:
        return acid_g
    return None if dough_g is None else 1000.0 * acid_g / dough_g


def _is_weighed(mix: Mapping[str, Any], formula: Formula | None) -> bool:
    """Tell whether the mix says flour and water; with a preferment they are not all of it."""
    return bool(mix.get("flour_g") and mix.get("water_g")) and not (
        formula is not None and formula.preferments
    )


def _dough_g(
    plan: Plan, settings: Settings, formula: Formula | None, mix: Mapping[str, Any], batch: str
) -> float | None:
    """Give the grams of dough in a batch: as weighed, else as the formula asks."""
    row = plan.batch(batch)
    levels = {f.name: f.level_of(row[f.column]) for f in settings.factors_set("day", "batch")}
    if _is_weighed(mix, formula):
        other_pct = 0.0
        if formula is not None:
            changed = formula.with_levels(levels)
            other_pct = changed.total_pct - 100.0 - changed.water_to_weigh_pct
        whole = mix["flour_g"] * (1.0 + other_pct / 100.0) + mix["water_g"]
        return float(whole + (mix.get("acid_g") or 0.0))
    if formula is None:
        return None
    total = 0.0
    for ball in plan.balls:
        if ball["batch_id"] == batch:
            cells = {f: ball.get(f.column) for f in settings.factors_set("ball")}
            own = {f.name: f.level_of(v) for f, v in cells.items() if v is not None}
            total += weigh_batch(formula, levels=levels | own, balls=1).dough_g
    return total or None


def _mixed_products(mixes: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Refuse grams of different acids: they are not one scale."""
    used = (str(m["acid"]).strip() for m in mixes if m.get("acid") and m.get("acid_g"))
    products = {name.casefold(): name for name in used}
    if len(products) < 2:
        return {}
    names = listed([f"'{p}'" for p in products.values()], shown=3)
    why = f"acid dose: grams of {names} are different acids and cannot be put on one scale."
    return {"achieved_acid_g_per_kg": why}


def _notes(unweighed: list[str], formula: Formula | None) -> list[str]:
    notes = []
    if unweighed:
        notes.append(
            f"acid dose: the dough of {listed(unweighed, shown=3)} was not weighed; its mass is "
            "that of the formula."
        )
    if formula is None:
        notes.append(
            "acid dose: without formula.toml the dough is counted as flour, water and acid."
        )
    return notes
