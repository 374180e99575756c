"""What a day of balls needs before anything is bought: cooler, reverse osmosis, ice.

Only `mix` calls it, with --size. The sums stand in `doughlab.formula.sizing`; every assumption is
said beside its number.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.units import format_quantity, parse_quantity

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.formula.mixwater import Kitchen, OwnMixes
    from doughlab.formula.sizing import CoolerSize, MembraneSize

COOLER_C = 4.0  # where the trial's own is not asked
PLATES = (
    "Buy to your busiest day and your coldest and warmest tap: ask again with those. The cooler's "
    "own plate and your local code decide what it may hold."
)


def size_day(
    args: argparse.Namespace, formula: Formula, kitchen: Kitchen, own: OwnMixes, *, dough_c: float,
    show: str,
) -> Outcome:  # fmt: skip
    """Say what cooler, membrane and ice a day's balls need.

    Parameters
    ----------
    args : argparse.Namespace
        With size, hold and box.
    formula : Formula
    kitchen : Kitchen
        Tap and room as stated.
    own : OwnMixes
        Friction of the kitchen's own mixes, where there are any.
    dough_c : float
    show : str
        Unit of temperature to answer in.

    Returns
    -------
    Outcome

    Raises
    ------
    InputError
        Where a number cannot be.
    """
    from doughlab.formula.heat import estimate_dough_heat
    from doughlab.formula.sizing import size_cooler, size_membrane
    from doughlab.formula.weighing import weigh_batch

    if not 1 <= args.size <= 5000:
        raise InputError(f"--size {args.size} lies outside 1 to 5000 balls a day. Give the balls "
                         "of one day.")  # fmt: skip
    if not 1 <= args.box <= 60:
        raise InputError(f"--box {args.box} lies outside 1 to 60. Give the balls of one box.")
    hold = parse_quantity(args.hold, "h", what="--hold", low=1.0, high=240.0)
    card = weigh_batch(formula, balls=args.size)
    heat = estimate_dough_heat(formula.percents.get("hydration", 60.0), temp_c=10.0)
    cooler = size_cooler(
        args.size, hold_h=hold, box_balls=args.box, ball_g=formula.ball_g,
        specific_heat_kj_kgk=heat.specific_heat_kj_kgk, dough_c=dough_c, cooler_c=COOLER_C,
    )  # fmt: skip
    litres, ice = _ice(formula, kitchen, own, dough_c=dough_c, balls=args.size)
    membrane = size_membrane(litres, tap_c=max(1.0, kitchen.tap_c))
    found = [f"{args.size} balls of {formula.ball_g:.4g} g a day, held {hold:g} h: "
             f"{card.dough_g / 1000:.1f} kg dough, {litres:.1f} L water"]  # fmt: skip
    found += _cooler_lines(cooler, args.box, dough_c, show)
    found += _membrane_lines(membrane, kitchen.tap_c, show)
    found += _ice_lines(ice, kitchen, show, own=bool(own.frictions))
    found += wrap(PLATES)
    data = {"cooler": asdict(cooler), "membrane": asdict(membrane), "water_l": litres,
            "ice_kg": list(ice), "hold_h": hold}  # fmt: skip
    nexts = ["doughlab water cost --example: what these waters cost a year"]
    return Outcome(read=[str(Path(args.folder))], found=found, data=data, next=nexts)


def _ice(
    formula: Formula, kitchen: Kitchen, own: OwnMixes, *, dough_c: float, balls: int
) -> tuple[float, tuple[float, float, float]]:
    """Give litres of mixing water, and kg of ice with its range over how mixing warms."""
    from doughlab.formula.mixwater import plan_mix

    middle = plan_mix(formula, kitchen, own, dough_c=dough_c, balls=balls)
    half = (middle.high_c - middle.low_c) / 2.0
    ends = [plan_mix(formula, kitchen, own, dough_c=dough_c + step, balls=balls)
            for step in (half, -half)]  # fmt: skip
    litres = (middle.water.tap_g + middle.water.ice_g + middle.water.hot_g) / 1000.0
    low, high = (p.water.ice_g / 1000.0 for p in ends)
    return litres, (middle.water.ice_g / 1000.0, low, high)


def _cooler_lines(found: CoolerSize, box: int, dough_c: float, show: str) -> list[str]:
    dough, cold = (format_quantity(v, "temp_c", show=show, digits=0) for v in (dough_c, COOLER_C))
    return [
        *wrap(f"cooler: {found.boxes[0]} to {found.boxes[1]} boxes of {box} "
              f"({found.balls[0]} to {found.balls[1]} balls; {found.lots[0]} lots where one is "
              f"used before the next goes in, {found.lots[1]} where not)"),
        *wrap(f"  {found.litres[0]:.0f} to {found.litres[1]:.0f} L inside, for boxes of 600 x 400 "
              "mm, 70 to 130 mm deep, with a third to as much again of air around them (common "
              "practice, no source)", indent=4),
        *wrap(f"  a day's dough gives {found.kwh:.2f} kWh from {dough} to {cold}: "
              f"{found.watts:.0f} W over 6 h, beside doors, walls and what else stands there; the "
              "heat of ripening is left out", indent=4),
    ]  # fmt: skip


def _membrane_lines(found: MembraneSize, tap_c: float, show: str) -> list[str]:
    tap = format_quantity(tap_c, "temp_c", show=show, digits=0)
    return [
        *wrap(f"reverse osmosis: {found.product_l:.1f} L a day where all water is, "
              f"{found.drain_l[0]:.0f} to {found.drain_l[1]:.0f} L to the drain (2.3 to 5 for one: "
              "a labelled unit to a typical one, EPA WaterSense 2022)"),
        *wrap(f"  rated for {found.rated_l:.0f} L a day or more: a membrane is rated at 25 °C and "
              f"gives {100 * found.flow_share:.0f} % of it at {tap}, and runs 20 h of 24; low "
              "pressure gives less", indent=4),
    ]  # fmt: skip


def _ice_lines(
    ice: tuple[float, float, float], kitchen: Kitchen, show: str, *, own: bool
) -> list[str]:
    tap, room = (format_quantity(v, "temp_c", show=show, digits=0)
                 for v in (kitchen.tap_c, kitchen.room_c))  # fmt: skip
    source = "friction of your own mixes" if own else "usual friction, not your mixer's"
    if ice[2] <= 0.0:
        return wrap(f"ice: none at tap {tap} and room {room} ({source})")
    return wrap(f"ice: {ice[0]:.1f} kg a day ({ice[1]:.1f} to {ice[2]:.1f}) at tap {tap} and room "
                f"{room}, as part of the water ({source})")  # fmt: skip
