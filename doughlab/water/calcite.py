"""Dissolve calcite in a water: how much a pH takes, and whether it dissolves at all.

Called by alternatives for a water that is to be raised; a filter over calcite is meant.
It leaves the other ways to a pH to alternatives and scale in kettles to quality.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from doughlab.water.chemistry import calcite_index, closed
from doughlab.water.composition import Composition
from doughlab.water.constants import MOLAR_MASS
from doughlab.water.speciation import Totals

_MOST = 0.01  # mol/kg: a gram in a litre, far beyond what a filter over calcite gives


@dataclass(frozen=True)
class CalciteFilter:
    """Hold what a filter over calcite does for a water.

    Attributes
    ----------
    index_before, index_after : float
        Saturation index of calcite before and at the target, the highest that the water may have;
        minus infinity for a water without calcium.
    mg_per_kg : float
        Calcite dissolved at the target, mg per kg; infinite where no amount gives it.
    after : Totals
        The water with it.
    ceiling_ph : float
        pH at which the water is saturated and calcite stops dissolving, the lowest that the water
        may have.
    """

    index_before: float
    index_after: float
    mg_per_kg: float
    after: Totals
    ceiling_ph: float

    @property
    def works(self) -> bool:
        """Tell whether calcite dissolves in this water all the way to the target."""
        return bool(
            np.isfinite(self.mg_per_kg) and self.index_before < 0.0 and self.index_after <= 0.0
        )

    def refusal(self, target_ph: float) -> str:
        """Say why the filter is not offered; empty where it is.

        Parameters
        ----------
        target_ph : float
            What was asked for.
        """
        if self.works:
            return ""
        if self.index_before >= 0.0:
            return (
                "Not over calcite: this water already holds all that it can (saturation index "
                f"{self.index_before:+.1f}), so calcite settles instead of dissolving."
            )
        ceiling = math.floor(10 * self.ceiling_ph) / 10  # downwards: it lies below the target
        return (
            f"Not over calcite: it stops dissolving at about pH {ceiling:.1f} (saturation "
            f"index 0), below {target_ph:g}."
        )


def try_calcite(made: Composition, target_ph: float) -> CalciteFilter:
    """Work out a filter over calcite for a water: amount, saturation before and after.

    Where calcium is not known, the highest index of the water's range counts.

    Parameters
    ----------
    made : Composition
        The water with its extremes.
    target_ph : float
        pH that is wanted, above the water's own.

    Returns
    -------
    CalciteFilter

    References
    ----------
    Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011: solubility product; the index
    is checked against PHREEQC in tests/reference/test_phreeqc_live.py.

    Examples
    --------
    >>> from doughlab.water.composition import build_composition
    >>> from doughlab.water.sample import WaterSample
    >>> ro = WaterSample("ro", kind="reverse osmosis", ph=6, alkalinity_mg_l=5, hardness_mg_l=1)
    >>> found = try_calcite(build_composition(ro), 7.0)
    >>> found.works, round(found.mg_per_kg)
    (True, 15)
    """
    rows = [i for i, n in enumerate(made.labels) if n == "likely" or n.startswith("hardness")]
    waters = made.state.totals.part(rows)
    likely = waters.part([0])
    needed = _dissolved(likely, lambda w: float(closed(w).ph[0]) >= target_ph)
    full = _dissolved(waters, lambda w: float(np.max(calcite_index(closed(w)))) >= 0.0)
    amount = _MOST if needed is None else needed
    after = _with_calcite(waters, amount)
    saturated = _with_calcite(likely, _MOST if full is None else full)
    return CalciteFilter(
        float(np.max(calcite_index(closed(waters)))),
        float(np.max(calcite_index(closed(after)))),
        np.inf if needed is None else amount * 1e3 * MOLAR_MASS["calcium carbonate"],
        after.part([0]),
        float(closed(saturated).ph[0]),
    )


def _with_calcite(water: Totals, amount: float) -> Totals:
    """Dissolve calcium carbonate, mol/kg, in a water."""
    return water.changed(
        alkalinity=water.alkalinity + 2 * amount,
        carbon=water.carbon + amount,
        calcium=water.calcium + amount,
    )


def _dissolved(water: Totals, reached: Callable[[Totals], bool]) -> float | None:
    """Find the calcite at which something is reached, by halving; None beyond 10 mmol/kg."""
    low, high = 0.0, _MOST
    if not reached(_with_calcite(water, high)):
        return None
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if reached(_with_calcite(water, middle)) else (middle, high)
    return high
