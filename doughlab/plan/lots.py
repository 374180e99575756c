"""Water lots: which batches share one filling of a water, and what then rests on it.

`build_plan` names the lots, `model` and `precision` ask what is compared on them.
Batches of one filling, dosed or not, are not independent of each other: the filling is the unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from doughlab.plan.span import parts_of
from doughlab.water.targets import DOSE_FACTOR, find_target_factor

if TYPE_CHECKING:
    from doughlab.plan.model import ModelTerms
    from doughlab.sections import Factor
    from doughlab.settings import Settings

Row = Mapping[str, Any]

LOT = "water_lot"
LEAST_LEFT = 3  # lots wanted to judge by, as many as batches (see model.choose_terms)


def water_factors(settings: Settings) -> list[Factor]:
    """List the factors that say what stands in a tank: the water, its pH, its acid.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> water = Factor("water", "batch", "water", ("tap", "ro"))
    >>> dosed = Factor("water_ph", "batch", "category", ("as is", "5.5 acetic"))
    >>> flour = Factor("flour", "batch", "category", ("soft", "strong"))
    >>> all_of_them = {f.name: f for f in (water, flour, dosed)}
    >>> [f.name for f in water_factors(Settings("Demo", "DE", factors=all_of_them))]
    ['water', 'water_ph']
    """
    target = find_target_factor(settings)
    return [
        f
        for f in settings.factors_set("day", "batch")
        if f.kind == "water" or f.name == DOSE_FACTOR or (target and f.name == target.name)
    ]


def name_water_lots(settings: Settings, batches: Sequence[Row]) -> list[str | None]:
    """Name the water lot of each batch, in the order in which lots are filled.

    Parameters
    ----------
    settings : Settings
        `blocks.water_lots`: "day" fills each water (at each pH) anew every mixing day, "trial"
        once, "batch" for every batch.
    batches : sequence of dict
        Rows of plan/batches.csv in mixing order.

    Returns
    -------
    list of str or None
        None throughout where the setting is absent.

    Examples
    --------
    >>> from doughlab.sections import Blocks, Factor
    >>> from doughlab.settings import Settings
    >>> water = Factor("water", "batch", "water", ("tap", "ro"))
    >>> settings = Settings("Demo", "DE", factors={"water": water}, blocks=Blocks(water_lots="day"))
    >>> rows = [{"batch_id": f"B{i}", "block": "D1", "water": w}
    ...         for i, w in enumerate(("ro", "tap", "ro"))]
    >>> name_water_lots(settings, rows)
    ['W01', 'W02', 'W01']
    """
    lasts = settings.blocks.water_lots
    if not lasts:
        return [None] * len(batches)
    columns = [f.column for f in water_factors(settings)]
    period = {"batch": "batch_id", "day": "block", "trial": ""}[lasts]
    keys = [(row.get(period), *(row[c] for c in columns)) for row in batches]
    found = list(dict.fromkeys(keys))
    width = max(2, len(str(len(found))))
    return [f"W{found.index(key) + 1:0{width}d}" for key in keys]


def lots_within(layout: Sequence[Row], term: str) -> bool:
    """Tell whether each lot has one setting of a term: it is compared lot against lot.

    Examples
    --------
    >>> rows = [{"water": "tap", "salt": s, "water_lot": "W01"} for s in ("2", "3")]
    >>> lots_within(rows, "water"), lots_within(rows, "salt")
    (True, False)
    """
    parts = [p for p in parts_of(term) if p != "block"]
    seen: dict[Any, tuple[Any, ...]] = {}
    return all(
        seen.setdefault(row.get(LOT), setting) == setting
        for row in layout
        for setting in [tuple(row.get(p) for p in parts)]
    )


def rest_on_lots(settings: Settings, layout: Sequence[Row], terms: ModelTerms) -> ModelTerms:
    """Say which terms are compared on water lots.

    Parameters
    ----------
    settings : Settings
    layout : sequence of dict
        As from `build_layout`.
    terms : ModelTerms
        As chosen by the layout.

    Returns
    -------
    ModelTerms
        With level "lot" for terms that rest on shared lots.
    """
    if LOT not in terms.random or any(row.get(LOT) is None for row in layout):
        return terms
    batch_terms = [t for t in terms.fixed if terms.level[t] == "batch"]
    resting = [t for t in batch_terms if lots_within(layout, t)]
    return replace(terms, level={**terms.level, **dict.fromkeys(resting, "lot")})


def say_hidden(names: str, lot: str, left: int) -> str:
    """Say that settings cannot be told from their lots, and what would tell them apart.

    Parameters
    ----------
    names : str
        The settings, in the words of the trial.
    lot : str
        "water_lot", "flour_lot" or "preferment_lot".
    left : int
        Lots that the fixed terms leave over.

    Examples
    --------
    >>> say_hidden("hydration", "flour_lot", 0)[:60]
    'hydration: the flour lot changes only together with it, so w'
    """
    thing = "tank" if lot == LOT else lot.replace("_", " ")
    if left and lot == LOT:
        return (
            f"{names}: too few fillings of the waters are left over to judge by ({left}; "
            f"{LEAST_LEFT} are wanted), so no range and no verdict. Mix on more days, each with "
            "fresh fillings."
        )
    if left:
        return (
            f"{names}: too few {thing}s are left over to judge by ({left}; {LEAST_LEFT} are "
            "wanted), so no range and no verdict. Use more of them for each setting."
        )
    other = "water" if lot == LOT else "setting"
    mend = f"Use two or more {thing}s for each setting."
    if lot == LOT:
        mend = (
            'Fill and dose anew each day, on two mixing days or more (water_lots = "day" in '
            "[blocks])."
        )
    return (
        f"{names}: the {thing} changes only together with it, so what shows may be this {thing}, "
        f"not this {other}: no range and no verdict. {mend}"
    )
