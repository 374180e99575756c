"""The part titrate of the command `water`: alkalinity with vinegar, a scale and a meter.

What is not given as an option is asked; after each point the next best one is advised.
Leaves the fit to the water room and the words typed to water_words.
"""

from __future__ import annotations

import argparse
import math
import re
import shlex
import sys
from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from doughlab.commands import water_words as words
from doughlab.commands.lines import fold, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.nearby import find_trials
from doughlab.units import format_quantity, parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.water.card import DoseCard
    from doughlab.water.curve import Setup
    from doughlab.water.products import AcidProduct
    from doughlab.water.sample import WaterSample
    from doughlab.water.titration import TitrationFit

    Fitter = Callable[[list[tuple[float, float]]], TitrationFit]

_USUAL_ACID = "vinegar 5%"
_LEAST_KG, _MOST_KG = 0.05, 50.0
T = TypeVar("T")
_BARE = re.compile(r"\s*[0-9]+(?:[.,][0-9]+)?\s*")
_BACK = ("drop", "back", "undo")
_END = ("", "done", "end", "stop", "ready", "q", "quit")


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
    from doughlab.water.cautions import CAUTIONS

    path = Path(args.file)
    known = words.read_waters(path).get(args.name)
    bottle = _bottle(args)
    fit = _fitter(args, known, bottle)
    asked = not args.points
    found = _ask_points(fit, args) if asked else fit(words.read_points(args.points))
    product = bottle[1]
    low, high = found.alkalinity_low, found.alkalinity_high
    lines = [
        *([f"caution: {CAUTIONS['concentrated']}"] if product.concentrated else []),
        f"{args.name}: alkalinity {found.alkalinity_mg_l:.0f} mg/L ({low:.0f} to {high:.0f}), "
        "measured in the pot",
        f"from {len(args.points)} points in {args.sample_kg:g} kg at {args.shown_temp}",
        f"inorganic carbon {found.carbon_mmol_kg:.2f} mmol/kg, starting pH {found.ph_start:.2f}",
        *_changed(known, found),
        *found.notes,
    ]
    data = _titration_data(args.name, found)
    if args.card:
        card = _card(args, found, product)
        lines += card.lines
        data["card"] = [asdict(row) for row in card.rows]
    if asked and not args.keep:
        args.keep = _ask_keep(path, args.name)
    return words.answer(
        lines,
        _cautions(found, product, known),
        wrote=[_keep(path, known, args.name, found)] if args.keep else [],
        read=[f"{path.name}: {args.name}"] if known else [],
        next_lines=[
            *([] if args.keep else [_keep_command(args, bottle)]),
            _next_command(args, found, bottle),
            "stir it in, then check with the meter",
        ],
        data=data,
    )


def _changed(known: WaterSample | None, found: TitrationFit) -> list[str]:
    """Say that a water is no longer what the file has, beyond the range of both."""
    if known is None or known.alkalinity_mg_l is None:
        return []
    was, is_now = known.alkalinity_mg_l, found.alkalinity_mg_l
    half = (is_now - found.alkalinity_low) if was < is_now else (found.alkalinity_high - is_now)
    if abs(is_now - was) <= math.hypot(half, was * known.doubt_pct / 100):
        return []
    return [
        f"The file had {was:.0f} mg/L: {'more' if is_now > was else 'less'} acid is needed now. "
        "Take the old card off the wall, and look once more whether meter, bottle and grams were "
        "right."
    ]


def _next_command(
    args: argparse.Namespace, found: TitrationFit, bottle: tuple[str, AcidProduct, str]
) -> str:
    """Write the command for a dose, as it can be typed: with the facts where none were kept."""
    target = 6.2 if found.ph_start > 6.4 else max(round(found.ph_start - 0.5, 1), 4.5)
    water = args.card or "12kg"
    parts = ["doughlab water dose", shlex.quote(args.name), f"--ph {target:g}", f"--water {water}"]
    parts += [f"--acid {shlex.quote(bottle[2])}"] if bottle[2] != _USUAL_ACID else []
    parts += [f"--file {shlex.quote(args.file)}"] if args.file != words.WATERS_FILE else []
    if not args.keep:
        sample = found.as_sample(args.name)
        temp = shlex.quote(f"temp={args.temp}")
        parts.append(
            f"--given ph={sample.ph:g} alkalinity={sample.alkalinity_mg_l:.0f} {temp} "
            f"uncertainty={sample.uncertainty_pct:.0f}"
        )
    return fold(parts)


def _keep_command(args: argparse.Namespace, bottle: tuple[str, AcidProduct, str]) -> str:
    """Write the command that keeps what was measured: the points must not be lost."""
    parts = ["keep it: doughlab water titrate", shlex.quote(args.name)]
    parts += ["--points", *(shlex.quote(p) for p in args.points)]
    parts += [f"--sample {args.sample_kg:g}kg", f"--temp {shlex.quote(args.temp)}"]
    parts += [f"--acid {shlex.quote(bottle[2])}"] if bottle[2] != _USUAL_ACID else []
    parts += [f"--file {shlex.quote(args.file)}"] if args.file != words.WATERS_FILE else []
    return fold([*parts, "--keep"])


def _ask_keep(path: Path, name: str) -> bool:
    """Ask whether what was measured is written down; no where nobody answers."""
    near = [] if path.exists() else find_trials(path.parent)
    if near:
        words = (
            f"There is no {path.name} here. For a trial's own answer no, and type the line that is "
            f"then shown with --folder {shlex.quote(str(near[0]))}."
        )
        print("\n".join(wrap(words, indent=0)), file=sys.stderr)
    print(f"Write it into {path.name}, as '{name}'? (empty: yes) ", end="", file=sys.stderr,
          flush=True)  # fmt: skip
    typed = _read_line()
    return typed is not None and typed.lower() in {"", "y", "yes", "ok", "j"}


def _bottle(args: argparse.Namespace) -> tuple[str, AcidProduct, str]:
    """Settle the acid: its name, the bottle, and the words that were typed for it."""

    def read(text: str) -> tuple[str, AcidProduct, str]:
        acid, product = words.read_acid(text)
        if product is None:
            raise InputError("A titration needs an acid; soda raises the pH. Take vinegar.")
        return acid, product, text

    return _settle(args, "acid", "Which acid?", _USUAL_ACID, read)


def _fitter(
    args: argparse.Namespace, known: WaterSample | None, bottle: tuple[str, AcidProduct, str]
) -> Fitter:
    """Settle amount and temperature; give what fits points."""
    from doughlab.water.titration import fit_titration

    acid, product, _ = bottle
    sample_kg = _settle(args, "sample", "How much water, weighed?", "1kg", _read_sample)
    temp_c, args.temp = _settle(args, "temp", "Its temperature?", "20C", _read_temp)
    args.sample_kg = sample_kg
    args.shown_temp = format_quantity(temp_c, "temp_c", show=typed_unit(args.temp) or "C")
    setup = _setup(acid, temp_c, args.scale)

    def fit(points: list[tuple[float, float]]) -> TitrationFit:
        return fit_titration(points, sample_kg=sample_kg, product=product, setup=setup, water=known)

    return fit


def _read_temp(text: str) -> tuple[float, str]:
    """Read the temperature, Celsius, and keep the words for the next command."""
    return parse_quantity(text, "temp_c", what="temperature", low=0, high=50), text


def _read_sample(text: str) -> float:
    """Read the weighed water, kg; refuse what is no sample, in kitchen words."""
    grams = words.read_grams(text, "sample")
    kg = grams / 1e3
    if _LEAST_KG <= kg <= _MOST_KG:
        return kg
    if kg < _LEAST_KG:
        meant = f" Type {text.strip()}kg if kilograms are meant." if _BARE.fullmatch(text) else ""
        raise InputError(
            f"{grams:g} g of water is too little to titrate: weigh 50 g or more, best 1 to 2 kg."
            f"{meant}"
        )
    raise InputError(f"{kg:g} kg of water is too much to titrate: weigh 50 kg or less, best 1kg.")


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
        concentrated=product.concentrated,
    )


def _setup(acid: str, temp_c: float, scale: str) -> Setup:
    from doughlab.water.curve import Setup

    return Setup(acid=acid, temp_c=temp_c, scale_g=words.read_scale(scale))


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


def _settle(
    args: argparse.Namespace, option: str, question: str, example: str, read: Callable[[str], T]
) -> T:
    """Take an option, or ask until an answer reads; an empty answer takes the example.

    Questions go to the error stream, so that the answer alone stands in the output.
    """
    given = getattr(args, option)
    if given or args.points:
        return read(given or example)
    while True:
        print(f"{question} (empty: {example}) ", end="", file=sys.stderr, flush=True)
        try:
            typed = input().strip()
        except EOFError:
            raise InputError(
                f"'{question}' was not answered. Give it as an option: --{option} '{example}'."
            ) from None
        try:
            return read(typed or example)
        except InputError as error:
            print("\n".join(wrap(f"{error} Please answer again.")), file=sys.stderr)


def _ask_points(fit: Fitter, args: argparse.Namespace) -> TitrationFit:
    """Ask for grams and pH until they are enough; what was typed stays until it is taken back.

    The points are left in `args`, in the form that --points takes.
    """
    print(
        "Total grams added so far and the pH, such as 0 7.9 (0 is the untouched water).\n"
        "'drop' takes the last point back; an empty line ends.",
        file=sys.stderr,
    )
    points: list[tuple[float, float]] = []
    while True:
        print(f"point {len(points) + 1}: ", end="", file=sys.stderr, flush=True)
        typed = _read_line()
        try:
            if typed is None or typed.lower() in _END:
                args.points = [f"{g:g}:{ph:g}" for g, ph in points]
                return fit(points)
            if typed.lower() in _BACK:
                print(_take_back(points), file=sys.stderr)
                continue
            points += words.read_points([typed])
            if len(points) > 1:
                _say_after(fit(points))
        except InputError as error:
            if typed is None:
                raise InputError(f"{error} {_typed_so_far(points)}") from None
            print("\n".join(wrap(f"{error} {_typed_so_far(points)}")), file=sys.stderr)


def _say_after(found: TitrationFit) -> None:
    """Say after a point what to do next; first what is odd, while it can be read again."""
    odd = found.notes[:-1] if not found.agrees else ()
    for note in (*(n for n in odd if not n.startswith("The points cannot")), found.notes[-1]):
        print("\n".join(wrap(note)), file=sys.stderr)
    if odd:
        print("'drop' takes the last point back.", file=sys.stderr)


def _read_line() -> str | None:
    """Read one answer; None where nobody is there to answer any more."""
    try:
        return input().strip()
    except (EOFError, KeyboardInterrupt):
        print(file=sys.stderr)
        return None


def _take_back(points: list[tuple[float, float]]) -> str:
    """Drop the last point and say which."""
    if not points:
        return "There is no point to take back."
    grams, ph = points.pop()
    return f"Taken back: {grams:g} g, pH {ph:g}. {_typed_so_far(points)}"


def _typed_so_far(points: list[tuple[float, float]]) -> str:
    """Say what is kept, in the form that --points takes."""
    if not points:
        return "No point is kept yet."
    return "Kept so far: " + " ".join(f"{g:g}:{ph:g}" for g, ph in points) + "."
