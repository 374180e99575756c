"""Ripening models: how fast a dough ripens at a temperature, against a reference.

The clock adds up hours with them; the curve of the hold and the kitchen card use the clock.
Temperature histories and the ball's own temperature are left to `clock` and `core`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from doughlab.errors import InputError, UnknownName
from doughlab.sources import CONSTANTS

Floats = Any  # a float, or an array of any shape, in and out alike

# This close to the minimum a growth model is guesswork: rule of this project.
GROWTH_EDGE_C = 3.0


class RipeningModel(Protocol):
    """What a ripening model offers.

    `rate` is 1 at `reference_c` by definition; `breaks_c` are the temperatures at which the rate
    has a kink, so that an integral can stop there.
    """

    @property
    def reference_c(self) -> float:
        """Temperature at which an hour counts as an hour."""
        ...

    @property
    def breaks_c(self) -> tuple[float, ...]:
        """Temperatures at which the rate has a kink."""
        ...

    @property
    def words(self) -> str:
        """Name, parameters and source in one line."""
        ...

    def rate(self, temp_c: Floats) -> Floats:
        """Give the hours at the reference that one hour at a temperature is worth."""
        ...


@dataclass(frozen=True)
class CardinalModel:
    """Growth between a minimum and a maximum temperature, fastest at an optimum.

    Zero outside minimum to maximum. It describes growth, so near the minimum, where a cooler
    stands, it says less than a dough shows: souring goes on where growth has stopped.

    Attributes
    ----------
    minimum_c, optimum_c, maximum_c : float
        The cardinal temperatures, degrees Celsius. The optimum lies above the middle of the
        other two, else the equation has a pole between them.
    reference_c : float
        Temperature at which an hour counts as an hour; between minimum and maximum.
    source : str
        Where the cardinal temperatures come from.

    References
    ----------
    Rosso, L., Lobry, J. R., Flandrois, J. P. (1993). An unexpected correlation between cardinal
    temperatures of microbial growth highlighted by a new model. J. Theor. Biol. 162, 447-463.
    Checked in tests/reference/test_cardinal_rosso1993.py.

    Examples
    --------
    >>> model = CardinalModel(2.8, 32.3, 45.4, reference_c=20)
    >>> round(model.rate(32.3), 2), model.rate(20), model.rate(46)
    (1.68, 1.0, 0.0)
    >>> model.breaks_c, round(float(model.share_of_best(32.3)), 6), model.words[:14]
    ((2.8, 45.4), 1.0, 'cardinal model')
    """

    minimum_c: float
    optimum_c: float
    maximum_c: float
    reference_c: float = 20.0
    source: str = "own"

    def __post_init__(self) -> None:
        """Refuse temperatures that the equation does not hold for."""
        low, best, high = self.minimum_c, self.optimum_c, self.maximum_c
        if not low < best < high:
            raise InputError(
                f"Cardinal temperatures {low:g}, {best:g}, {high:g} C: minimum, optimum and "
                "maximum must rise in this order."
            )
        if best <= (low + high) / 2:
            raise InputError(
                f"Optimum {best:g} C must lie above the middle of minimum and maximum "
                f"({(low + high) / 2:g} C); the cardinal model holds for such organisms only."
            )
        if not low < self.reference_c < high:
            raise InputError(
                f"Reference {self.reference_c:g} C must lie between minimum {low:g} C and maximum "
                f"{high:g} C, where the model's rate is not zero."
            )

    @property
    def breaks_c(self) -> tuple[float, ...]:
        """Temperatures at which the rate has a kink."""
        return (self.minimum_c, self.maximum_c)

    @property
    def words(self) -> str:
        """Name, parameters and source in one line."""
        return (
            f"cardinal model (Rosso et al. 1993), {self.minimum_c:g}, {self.optimum_c:g}, "
            f"{self.maximum_c:g} °C ({self.source}), hours counted at {self.reference_c:g} °C"
        )

    def share_of_best(self, temp_c: Floats) -> Floats:
        """Give the rate as a share of the rate at the optimum, 0 to 1."""
        t = np.asarray(temp_c, dtype=float)
        low, best, high = self.minimum_c, self.optimum_c, self.maximum_c
        inside = (t > low) & (t < high)
        u = np.where(inside, t, best)
        above = (u - high) * (u - low) ** 2
        bend = (best - low) * (u - best) - (best - high) * (best + low - 2 * u)
        value = np.where(inside, above / ((best - low) * bend), 0.0)
        return value if value.ndim else float(value)

    def rate(self, temp_c: Floats) -> Floats:
        """Give the hours at the reference that one hour at a temperature is worth."""
        return self.share_of_best(temp_c) / self.share_of_best(self.reference_c)


@dataclass(frozen=True)
class SquareRootModel:
    """The square root of the rate rises on a line from a minimum temperature.

    Holds below the optimum; with `maximum_c` and `bend` the four-parameter form that falls to
    zero at the maximum.

    Attributes
    ----------
    minimum_c : float
        Where the line meets zero, degrees Celsius; often lies below the real minimum of growth.
    maximum_c : float or None
        None for the two-parameter form.
    bend : float
        Per degree Celsius; how sharply the rate falls near the maximum.
    reference_c : float
    source : str

    References
    ----------
    Ratkowsky, D. A., Olley, J., McMeekin, T. A., Ball, A. (1982). Relationship between
    temperature and growth rate of bacterial cultures. J. Bacteriol. 149, 1-5; Ratkowsky, D. A.,
    et al. (1983). J. Bacteriol. 154, 1222-1226. [from memory]

    Examples
    --------
    >>> SquareRootModel(-5, reference_c=20).rate(7.5)
    0.25
    >>> line = SquareRootModel(-5, reference_c=20)
    >>> line.breaks_c, line.words[:17]
    ((-5,), 'square-root model')
    """

    minimum_c: float
    maximum_c: float | None = None
    bend: float = 0.3
    reference_c: float = 20.0
    source: str = "own"

    def __post_init__(self) -> None:
        """Refuse parameters that give no rate at the reference."""
        high = math.inf if self.maximum_c is None else self.maximum_c
        if not self.minimum_c < self.reference_c < high:
            raise InputError(
                f"Reference {self.reference_c:g} C must lie above the minimum "
                f"{self.minimum_c:g} C and below the maximum."
            )
        if self.bend <= 0:
            raise InputError(f"bend {self.bend:g} must lie above 0 per degree Celsius.")

    @property
    def breaks_c(self) -> tuple[float, ...]:
        """Temperatures at which the rate has a kink."""
        return tuple(t for t in (self.minimum_c, self.maximum_c) if t is not None)

    @property
    def words(self) -> str:
        """Name, parameters and source in one line."""
        more = "" if self.maximum_c is None else f" to {self.maximum_c:g}"
        return (
            f"square-root model (Ratkowsky et al. 1982), from {self.minimum_c:g}{more} °C "
            f"({self.source}), hours counted at {self.reference_c:g} °C"
        )

    def _root(self, temp_c: Floats) -> Floats:
        t = np.asarray(temp_c, dtype=float)
        root = np.clip(t - self.minimum_c, 0.0, None)
        if self.maximum_c is not None:
            under = np.minimum(t - self.maximum_c, 0.0)
            root = root * -np.expm1(self.bend * under)
        return root

    def rate(self, temp_c: Floats) -> Floats:
        """Give the hours at the reference that one hour at a temperature is worth."""
        value = (self._root(temp_c) / self._root(self.reference_c)) ** 2
        return value if value.ndim else float(value)


@dataclass(frozen=True)
class Q10Model:
    """The rate is multiplied by a fixed factor for every ten degrees Celsius.

    It never stops, neither in the cold nor in the heat, so it is used where the temperatures lie
    close together or where a trial has shown its factor.

    Attributes
    ----------
    q10 : float
        Factor for ten degrees Celsius; 1 to 10.
    reference_c : float
    source : str

    Examples
    --------
    >>> round(Q10Model(2.0, reference_c=4).rate(24), 6)
    4.0
    >>> Q10Model(2.0, reference_c=4).breaks_c, Q10Model(2.0, reference_c=4).words[:27]
    ((), 'factor 2 for every 10 °C (a')
    """

    q10: float = 2.6
    reference_c: float = 20.0
    source: str = "about 10 % per °C, a trade article on yeast near 25 to 30 °C"

    def __post_init__(self) -> None:
        """Refuse a factor that is none."""
        if not 1.0 <= self.q10 <= 10.0:
            raise InputError(
                f"q10 {self.q10:g} lies outside 1 to 10. It is the factor by which the dough "
                "ripens faster when it is 10 C warmer, usually 2 to 4."
            )

    @property
    def breaks_c(self) -> tuple[float, ...]:
        """Temperatures at which the rate has a kink: none."""
        return ()

    @property
    def words(self) -> str:
        """Name, parameters and source in one line."""
        return (
            f"factor {self.q10:g} for every 10 °C ({self.source}), hours counted at "
            f"{self.reference_c:g} °C"
        )

    def rate(self, temp_c: Floats) -> Floats:
        """Give the hours at the reference that one hour at a temperature is worth."""
        value = self.q10 ** ((np.asarray(temp_c, dtype=float) - self.reference_c) / 10.0)
        return value if np.ndim(value) else float(value)


_SALVADO = (
    "optimum and maximum Salvado et al. 2011; minimum the middle of 1.3 to 4.3 °C, the range "
    "of its genus there"
)
# The page was read, the paper not: sources.CITATIONS["gaenzle-1998"].
_GAENZLE = (
    "generation times of a sourdough lactobacillus and a sourdough yeast, from the work of "
    "Gänzle et al. 1998 as told by its first author on a public page"
)

# name: (minimum, optimum, maximum in Celsius, source as printed above)
ORGANISMS: dict[str, tuple[float, float, float, str]] = {
    "yeast": (
        2.8,
        CONSTANTS["yeast_growth_optimum_c"].value,
        CONSTANTS["yeast_growth_maximum_c"].value,
        _SALVADO,
    ),
    "sourdough bacteria": (4.0, 32.5, 41.0, _GAENZLE),
    "sourdough yeast": (8.0, 28.0, 35.0, _GAENZLE),
}


def cardinal_model(organism: str = "yeast", *, reference_c: float = 20.0) -> CardinalModel:
    """Give the cardinal model of an organism with published temperatures.

    Parameters
    ----------
    organism : str
        A key of `ORGANISMS`: "yeast" (baker's yeast), "sourdough bacteria", "sourdough yeast".
    reference_c : float
        Degrees Celsius.

    Raises
    ------
    UnknownName
        For another organism.

    Examples
    --------
    >>> cardinal_model("yeast").optimum_c
    32.3
    """
    if organism not in ORGANISMS:
        raise UnknownName("organism", organism, ORGANISMS)
    low, best, high, source = ORGANISMS[organism]
    return CardinalModel(low, best, high, reference_c=reference_c, source=source)


def explain_cold(model: RipeningModel, coldest_c: float) -> str:
    """Say where a growth model is asked about the cold that it hardly knows.

    Parameters
    ----------
    model : RipeningModel
    coldest_c : float
        Coldest temperature of a history, degrees Celsius.

    Returns
    -------
    str
        A sentence, empty where there is nothing to say.

    Examples
    --------
    >>> explain_cold(cardinal_model("yeast"), 18)
    ''
    """
    if not isinstance(model, CardinalModel) or coldest_c >= model.minimum_c + GROWTH_EDGE_C:
        return ""
    return (
        f"At {coldest_c:g} °C the growth model counts next to nothing, while a dough still sours: "
        "learn its pace in the cold from a trial with two hold temperatures."
    )
