"""The formula room: a dough in baker's percentages, and the grams of one batch.

`read_formula` gives a `Formula` from formula.toml; `batch_grams` weighs out a batch of it, with the
levels of a trial in place of the formula's own. Names load on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "Formula": "formula",
    "batch_grams": "formula",
    "parse_formula": "formula",
    "read_formula": "formula",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name from its module on first use (PEP 562)."""
    if name in _HOMES:
        return getattr(import_module(f"doughlab.formula.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'doughlab.formula' has no attribute {name!r}")
