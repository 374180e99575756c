"""The room of the waters: know one, set its pH by weight, mix it, choose its supply.

A `WaterSample` holds what is known of a water and leaves missing what is not. `acid_dose` and
`base_dose` answer in grams of an `AcidProduct` with a range; `fit_titration` finds the alkalinity
from a few grams and pH readings; `blend_waters` mixes; `supply_cost` compares sources by what
they cost per kilogram of dough. All of them stand on `chemistry`, which solves for the species.

Names are looked up when they are used, so that reading waters.csv loads nothing heavy.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doughlab.water.blending import blend_waters
    from doughlab.water.dosing import acid_dose, base_dose
    from doughlab.water.products import AcidProduct
    from doughlab.water.sample import WaterSample
    from doughlab.water.supply import supply_cost
    from doughlab.water.titration import fit_titration

__all__ = [
    "AcidProduct",
    "WaterSample",
    "acid_dose",
    "base_dose",
    "blend_waters",
    "fit_titration",
    "supply_cost",
]
_HOME = {
    "AcidProduct": "products",
    "WaterSample": "sample",
    "acid_dose": "dosing",
    "base_dose": "dosing",
    "blend_waters": "blending",
    "fit_titration": "titration",
    "supply_cost": "supply",
}


def __getattr__(name: str) -> Any:
    """Load a public name from the module that holds it."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
