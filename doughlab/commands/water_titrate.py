"""The part titrate of the command `water`: alkalinity with vinegar, a scale and a meter.

What is not given as an option is asked; after each point the next best one is advised.
Leaves the fit to the water room and the words typed to water_words.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands import water_words as words
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.units import parse_quantity

if TYPE_CHECKING:
    from doughlab.water.card import DoseCard
    from doughlab.water.curve import Setup
    from doughlab.water.products import AcidProduct
    from doughlab.water.sample import WaterSample
    from doughlab.water.titration import TitrationFit

    Fitter = Callable[[list[tuple[float, float]]], TitrationFit]


def add(part: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab water titrate`."""
    part.add_argument("name", help="the water, such as tap")
    part.add_argument(
        "--points", nargs="+", metavar="G:PH", help="total grams and pH: 0:7.9 1.2:6.8"
    )
    part.add_argument("--sample", metavar="MASS", help="weighed water, such as 1kg")
    part.add_argument("--acid", metavar="ACID", help=words.ACID_HELP.replace(", soda", ""))
    part.add_argument("--temp", metavar="TEMP", help="temperature of the sample, such as 18C")
    part.add_argument("--scale", default="0.1g", metavar="MASS", help="resolution of the scale")
    part.add_argument("--card", metavar="MASS", help="print a dose card for this much water")
    part.add_argument("--keep", action="store_true", help="write the result into the file")
    words.add_file(part)


def run(args: argparse.Namespace) -> Outcome:
    """Fit the points that were given or asked for, and say what they show."""
    path = Path(args.file)
    known = words.read_waters(path).get(args.name)
    fit, product = _fitter(args, known)
    found = fit(words.read_points(args.points) if args.points else _ask_points(fit))
    low, high = found.alkalinity_low, found.alkalinity_high
    lines = [
        f"{args.name}: alkalinity {found.alkalinity_mg_l:.0f} mg/L ({low:.0f} to {high:.0f}), "
        "measured in the pot",
        f"inorganic carbon {found.carbon_mmol_kg:.2f} mmol/kg, starting pH {found.ph_start:.2f}",
        *found.notes,
    ]
    data = _titration_data(args.name, found)
    if args.card:
        card = _card(args, found, product)
        lines += card.lines
        data["card"] = [asdict(row) for row in card.rows]
    again = f"doughlab water dose {args.name} --ph 6.2 --water 12kg, then check with the meter"
    return words.answer(
        lines,
        _cautions(found, product, known),
        wrote=[_keep(path, known, args.name, found)] if args.keep else [],
        read=[f"{path.name}: {args.name}"] if known else [],
        next_lines=[again],
        data=data,
    )


def _fitter(args: argparse.Namespace, known: WaterSample | None) -> tuple[Fitter, AcidProduct]:
    """Settle acid, amount and temperature; give what fits points, and the acid's bottle."""
    from doughlab.water.titration import fit_titration

    acid, product = words.read_acid(args.acid or _ask("Which acid?", "vinegar 5%", args))
    if product is None:
        raise InputError("A titration needs an acid; soda raises the pH. Take vinegar.")
    amount = args.sample or _ask("How much water, weighed?", "1kg", args)
    sample_kg = words.read_grams(amount, "sample") / 1e3
    setup = _setup(acid, args.temp or _ask("Its temperature?", "20C", args), args.scale)

    def fit(points: list[tuple[float, float]]) -> TitrationFit:
        return fit_titration(points, sample_kg=sample_kg, product=product, setup=setup, water=known)

    return fit, product


def _card(args: argparse.Namespace, found: TitrationFit, product: AcidProduct) -> DoseCard:
    """Build the card of the titrated bottle."""
    from doughlab.water.card import build_card

    return build_card(
        found,
        water=args.name,
        water_kg=words.read_grams(args.card, "card") / 1e3,
        product=product,
        made_on=datetime.now().astimezone().date().isoformat(),
    )


def _cautions(
    found: TitrationFit, product: AcidProduct, known: WaterSample | None
) -> tuple[str, ...]:
    from doughlab.water.cautions import list_cautions

    return list_cautions(
        lemon=product.may_carry_sulphites,
        low_alkalinity=found.alkalinity_mg_l < 40,
        laboratory=bool(known and known.needs_laboratory),
    )


def _setup(acid: str, temp: str, scale: str) -> Setup:
    from doughlab.water.curve import Setup

    temp_c = parse_quantity(temp, "temp_c", what="temperature", low=0, high=50)
    return Setup(acid=acid, temp_c=temp_c, scale_g=words.read_grams(scale, "scale"))


def _keep(path: Path, known: WaterSample | None, name: str, found: TitrationFit) -> str:
    """Write the titrated values over what was known of the water."""
    sample = found.as_sample(name)
    now = datetime.now().astimezone().isoformat(timespec="minutes")
    measured = {
        n: getattr(sample, n)
        for n in ("ph", "alkalinity_mg_l", "temp_c", "said_by", "uncertainty_pct")
    }
    kept = sample if known is None else known.changed(**measured)
    return words.keep_water(path, kept.changed(sampled_at=now))


def _titration_data(name: str, fit: TitrationFit) -> dict[str, Any]:
    """Give the fit for machines."""
    fields = (
        "alkalinity_mg_l", "alkalinity_low", "alkalinity_high", "carbon_mmol_kg", "ph_start",
        "strength_pct", "strength_measured", "agrees", "p_value", "next_grams", "residuals",
    )  # fmt: skip
    return {"water": name, **{f: getattr(fit, f) for f in fields}}


def _ask(question: str, example: str, args: argparse.Namespace) -> str:
    """Ask one question on the terminal; an empty answer takes the example.

    Questions go to the error stream, so that the answer alone stands in the output.
    """
    if getattr(args, "points", None):
        return example
    print(f"{question} ({example}) ", end="", file=sys.stderr, flush=True)
    try:
        return input().strip() or example
    except EOFError:
        raise InputError(f"'{question}' was not answered. Give it as an option.") from None


def _ask_points(fit: Fitter) -> list[tuple[float, float]]:
    """Ask for grams and pH until an empty line; advise after each from the second on."""
    print(
        "Total grams added so far and the pH, such as 0 7.9; an empty line ends.",
        file=sys.stderr,
    )
    points: list[tuple[float, float]] = []
    while True:
        print(f"point {len(points) + 1}: ", end="", file=sys.stderr, flush=True)
        try:
            typed = input().strip()
        except EOFError:
            typed = ""
        if not typed:
            return points
        try:
            points += words.read_points([typed])
            if len(points) > 1:
                print(fit(points).notes[-1], file=sys.stderr)
        except InputError as error:
            print(error, file=sys.stderr)
