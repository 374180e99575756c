"""Sizing: cooler places, reverse osmosis water and ice for the balls of a day.

`doughlab mix --size` asks here before anything is bought. Grams and mixing water come from the
formula, ice and heat balance from `temperature`. Every figure that is not the kitchen's own is
named, with its range; what a unit really gives stands on its plate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from doughlab.errors import OutOfRange

# A ball box of 600 x 400 mm outside (the module of ISO 3394) and 70 to 130 mm deep, from memory.
BOX_L = (16.8, 31.2)
# Litres of cooler for a litre of box: air around and between stacks. Common practice, no source.
AIR = (1.3, 2.0)
PULL_DOWN_H = 6.0  # hours in which a day's dough gives its heat away; rule of this project
# Litres to the drain for a litre of product. EPA WaterSense, supporting statement of the draft
# specification for point-of-use reverse osmosis (2022): typical units send 5 down the drain;
# labelled ones at most 2.3.
DRAIN = (2.3, 5.0)
# Membranes are rated at 25 °C: flow falls by exp(K (1/T - 1/298.15)), K = 3020 below, 2640 above.
# Checked against a published table in tests/reference/test_membrane_temperature.py.
RATED_K = 298.15
COLD_K, WARM_K = 3020.0, 2640.0
RUN_H = 20.0  # hours a day that a small unit may run to fill its tank; rule of this project
MOST_BALLS, MOST_HOLD_H = 5000, 240.0


@dataclass(frozen=True)
class CoolerSize:
    """What the cooler has to hold and to take away.

    Attributes
    ----------
    lots : tuple of int
        Days' lots in the cooler at once: used before the new one goes in, and after.
    balls, boxes : tuple of int
    litres : tuple of float
        Of cooler, from shallow boxes with little air to deep ones with much.
    kwh : float
        Heat of one day's dough, cooled to the cooler.
    watts : float
        The same within six hours, beside doors, walls and everything else in it.
    """

    lots: tuple[int, int]
    balls: tuple[int, int]
    boxes: tuple[int, int]
    litres: tuple[float, float]
    kwh: float
    watts: float


def size_cooler(
    balls: int,
    *,
    hold_h: float,
    box_balls: int,
    ball_g: float,
    specific_heat_kj_kgk: float,
    dough_c: float,
    cooler_c: float,
) -> CoolerSize:
    """Size the cooler for balls of one day, mixed every day and held.

    Parameters
    ----------
    balls : int
        A day, 1 to 5000.
    hold_h : float
        0 to 240, above 0.
    box_balls : int
        In one box.
    ball_g : float
    specific_heat_kj_kgk : float
        Of the dough; `estimate_dough_heat` tells it.
    dough_c, cooler_c : float
        Of dough that goes in, and of the cooler.

    Returns
    -------
    CoolerSize

    Raises
    ------
    OutOfRange
        For balls, box or hold that cannot be.

    References
    ----------
    Sensible heat m c dT only: the heat of fermentation is left out, and the dough does not freeze.

    Examples
    --------
    >>> found = size_cooler(120, hold_h=48, box_balls=12, ball_g=260, specific_heat_kj_kgk=2.8,
    ...                     dough_c=24, cooler_c=4)
    >>> found.lots, found.balls, found.boxes, round(found.kwh, 2)
    ((2, 3), (240, 360), (20, 30), 0.49)
    """
    _check("balls", balls, 1, MOST_BALLS)
    _check("hold_h", hold_h, 1, MOST_HOLD_H)
    _check("box_balls", box_balls, 1, 60)
    lots = math.ceil(hold_h / 24.0 - 1e-9), math.floor(hold_h / 24.0 + 1e-9) + 1
    boxes_a_day = math.ceil(balls / box_balls)
    boxes = lots[0] * boxes_a_day, lots[1] * boxes_a_day
    heat_kj = balls * ball_g / 1000.0 * specific_heat_kj_kgk * max(0.0, dough_c - cooler_c)
    return CoolerSize(
        lots, (lots[0] * balls, lots[1] * balls), boxes,
        (boxes[0] * BOX_L[0] * AIR[0], boxes[1] * BOX_L[1] * AIR[1]),
        heat_kj / 3600.0, heat_kj / PULL_DOWN_H / 3.6,
    )  # fmt: skip


@dataclass(frozen=True)
class MembraneSize:
    """What reverse osmosis has to give.

    Attributes
    ----------
    product_l : float
        A day.
    drain_l, feed_l : tuple of float
        A day: to the drain, and from the tap in all.
    flow_share : float
        Of the rated flow that is left at the tap's temperature.
    rated_l : float
        Litres a day that the plate has to state, at 25 °C.
    """

    product_l: float
    drain_l: tuple[float, float]
    feed_l: tuple[float, float]
    flow_share: float
    rated_l: float


def membrane_flow_share(tap_c: float) -> float:
    """Give the share of its rated flow that a membrane has at a water temperature.

    Parameters
    ----------
    tap_c : float
        1 to 45 °C.

    Raises
    ------
    OutOfRange
        Beyond these.

    References
    ----------
    exp(K (1/298.15 - 1/T)), T in kelvin, K 3020 below 25 °C and 2640 above, as makers of
    polyamide membranes print it.

    Examples
    --------
    >>> round(membrane_flow_share(10), 3), membrane_flow_share(25)
    (0.585, 1.0)
    """
    _check("tap_c", tap_c, 1, 45)
    kelvin = tap_c + 273.15
    return math.exp((COLD_K if tap_c < 25.0 else WARM_K) * (1.0 / RATED_K - 1.0 / kelvin))


def size_membrane(
    product_l: float, *, tap_c: float, drain: tuple[float, float] = DRAIN
) -> MembraneSize:
    """Size reverse osmosis for the water of a day.

    Parameters
    ----------
    product_l : float
        Litres a day, above 0.
    tap_c : float
        The coldest tap of the year sizes the unit.
    drain : (float, float)
        Litres to the drain for one of product, low and high.

    Returns
    -------
    MembraneSize

    Examples
    --------
    >>> found = size_membrane(20, tap_c=10)
    >>> found.drain_l, round(found.rated_l)
    ((46.0, 100.0), 41)
    """
    _check("product_l", product_l, 0.1, 1e5)
    share = membrane_flow_share(tap_c)
    low, high = (product_l * d for d in drain)
    rated = product_l / share * 24.0 / RUN_H
    return MembraneSize(
        product_l, (low, high), (product_l + low, product_l + high), share, rated
    )  # fmt: skip


def _check(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise OutOfRange(
            f"{name} {value:g} lies outside {low:g} to {high:g}. Look at the number.", value=value,
            low=low, high=high,
        )  # fmt: skip
