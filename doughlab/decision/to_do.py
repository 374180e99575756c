"""To do: what a water asks for beside opening a tap.

`cheaper` names the easier of two waters by it, `running` its minutes. How a dose or a blend is
made stands in the water room.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from doughlab.analysis.covariates import AS_IS, PH_FACTOR
from doughlab.settings import Settings

# What a water asks for beside opening a tap, in the order a day meets it.
DOSE, BLEND, CARRY, KEEP = "dosing acid", "blending", "carrying bottles", "keeping the unit"
FILTER = "changing the filter"
KINDS = {
    "bottled": (CARRY,), "blend": (BLEND,), "adjusted": (DOSE,), "filtered": (FILTER,),
    "softened": (KEEP,), "reverse osmosis": (KEEP,),
}  # fmt: skip


def list_to_do(
    settings: Settings, setting: Mapping[str, str], waters: Mapping[str, Mapping[str, Any]]
) -> tuple[str, ...]:
    """List what a setting's water asks for beside opening a tap.

    Parameters
    ----------
    settings : Settings
    setting : mapping of str to str
        Level text of every factor.
    waters : mapping
        Rows of waters.csv by id; a water that is not there asks for nothing.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> list_to_do(trial.settings, {"water": "bottled"}, trial.waters)
    ('carrying bottles',)
    """
    found: list[str] = []
    for name, level in setting.items():
        factor = settings.factors[name]
        if factor.kind == "water":
            found += KINDS.get(str(waters.get(level, {}).get("kind", "")), ())
        elif name == PH_FACTOR and level.strip().casefold() != AS_IS:
            found.append(DOSE)
    return tuple(dict.fromkeys(found))
