"""The command `water`: know a water, dose it, card it, blend it, cost it, compare offers.

Every answer works from waters.csv, from facts typed after --given, or from a supply file.
The water room calculates; this module asks, finds the waters and says what was found.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands import water_supply as supply
from doughlab.commands import water_words as words
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.units import parse_quantity

if TYPE_CHECKING:
    from doughlab.water.curve import Setup
    from doughlab.water.sample import WaterSample
    from doughlab.water.titration import TitrationFit

_ACID = "vinegar 5%%, lemon, bottled lemon, citric, 'lactic 80%% w/w', soda"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab water` and of its parts."""
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    for name, (help_line, add) in _PARTS.items():
        part = parts.add_parser(
            name,
            help=help_line,
            description=f"{help_line[0].upper()}{help_line[1:]}.",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        add(part)
        # The program adds --json after the parts were made; each part has to know it too.
        part.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )


def run(args: argparse.Namespace) -> Outcome:
    """Answer one part."""
    return _RUN[args.part](args)


# ------------------------------------------------------------------------------------- titrate


def _add_titrate(part: argparse.ArgumentParser) -> None:
    part.add_argument("name", help="the water, such as tap")
    part.add_argument(
        "--points", nargs="+", metavar="G:PH", help="total grams and pH: 0:7.9 1.2:6.8"
    )
    part.add_argument("--sample", metavar="MASS", help="weighed water, such as 1kg")
    part.add_argument("--acid", metavar="ACID", help=_ACID.replace(", soda", ""))
    part.add_argument("--temp", metavar="TEMP", help="temperature of the sample, such as 18C")
    part.add_argument("--scale", default="0.1g", metavar="MASS", help="resolution of the scale")
    part.add_argument("--card", metavar="MASS", help="print a dose card for this much water")
    part.add_argument("--keep", action="store_true", help="write the result into the file")
    words.add_file(part)


def _run_titrate(args: argparse.Namespace) -> Outcome:
    from doughlab.water.card import build_card
    from doughlab.water.cautions import list_cautions
    from doughlab.water.titration import fit_titration

    path = Path(args.file)
    known = words.read_waters(path).get(args.name)
    acid, product = words.read_acid(args.acid or _ask("Which acid?", "vinegar 5%", args))
    if product is None:
        raise InputError("A titration needs an acid; soda raises the pH. Take vinegar.")
    sample_kg = (
        words.read_grams(args.sample or _ask("How much water, weighed?", "1kg", args), "sample")
        / 1e3
    )
    temp = args.temp or _ask("Its temperature?", "20C", args)
    setup = _setup(acid, temp, args.scale)

    def fit(points: list[tuple[float, float]]) -> TitrationFit:
        return fit_titration(points, sample_kg=sample_kg, product=product, setup=setup, water=known)

    points = words.read_points(args.points) if args.points else _ask_points(fit)
    found = fit(points)
    kind = {} if known is None else {"kind": known.kind}
    sample = found.as_sample(args.name, **kind)
    low, high = found.alkalinity_low, found.alkalinity_high
    lines = [
        f"{args.name}: alkalinity {found.alkalinity_mg_l:.0f} mg/L ({low:.0f} to {high:.0f}), "
        "measured in the pot",
        f"inorganic carbon {found.carbon_mmol_kg:.2f} mmol/kg, starting pH {found.ph_start:.2f}",
        *found.notes,
    ]
    data = _titration_data(args.name, found)
    if args.card:
        card = build_card(
            found,
            water=args.name,
            water_kg=words.read_grams(args.card, "card") / 1e3,
            product=product,
            made_on=datetime.now().astimezone().date().isoformat(),
        )
        lines += str(card).splitlines()
        data["card"] = [asdict(row) for row in card.rows]
    cautions = list_cautions(
        lemon=product.may_carry_sulphites,
        low_alkalinity=found.alkalinity_mg_l < 40,
        laboratory=bool(known and known.needs_laboratory),
    )
    wrote = [_keep(path, known, sample)] if args.keep else []
    return words.answer(
        lines, cautions, wrote=wrote, data=data,
        read=[f"{path.name}: {args.name}"] if known else [],
        next_lines=[
            f"doughlab water dose {args.name} --ph 6.2 --water 12kg, then check with the meter"
        ],
    )  # fmt: skip


def _setup(acid: str, temp: str, scale: str) -> Setup:
    from doughlab.water.curve import Setup

    temp_c = parse_quantity(temp, "temp_c", what="temperature", low=0, high=50)
    return Setup(acid=acid, temp_c=temp_c, scale_g=words.read_grams(scale, "scale"))


def _keep(path: Path, known: WaterSample | None, sample: WaterSample) -> str:
    """Write the titrated values over what was known of the water."""
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


def _ask_points(fit: Any) -> list[tuple[float, float]]:
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


# ------------------------------------------------------------------------------- dose and card


def _add_dose(part: argparse.ArgumentParser) -> None:
    part.add_argument("name", help="the water, such as tap")
    part.add_argument("--ph", required=True, metavar="PH", help="target, 4.5 to 8.3")
    part.add_argument("--water", required=True, metavar="MASS", help="water to dose, such as 12kg")
    part.add_argument("--acid", default="vinegar 5%", metavar="ACID", help=_ACID)
    part.add_argument(
        "--vessel", default="closed", help="closed (a lid lies on), covered or open; never sealed"
    )
    part.add_argument("--flour", metavar="MASS", help="flour that it goes into")
    part.add_argument("--scale", default="0.1g", metavar="MASS", help="resolution of the scale")
    words.add_given(part)
    words.add_file(part)


def _run_dose(args: argparse.Namespace) -> Outcome:
    from doughlab.water.dose import Bench
    from doughlab.water.dosing import acid_dose, base_dose

    path = Path(args.file)
    waters = words.read_waters(path)
    sample = words.find_water(args.name, waters, words.read_facts(args.given), path)
    target = parse_quantity(args.ph, "ph", what="--ph")
    water_kg = words.read_grams(args.water, "--water") / 1e3
    flour = None if args.flour is None else words.read_grams(args.flour, "--flour") / 1e3
    bench = Bench(
        scale_g=words.read_grams(args.scale, "--scale"),
        flour_kg=flour,
        others=tuple(w for n, w in waters.items() if n != args.name),
    )
    acid, product = words.read_acid(args.acid)
    if product is None:
        dose = base_dose(sample, target, water_kg=water_kg, vessel=args.vessel, bench=bench)
    else:
        dose = acid_dose(
            sample, target, acid=acid, water_kg=water_kg, product=product, vessel=args.vessel,
            bench=bench,
        )  # fmt: skip
    lines = [
        dose.sentence,
        f"reaches pH {dose.ph_reached:.2f} ({dose.ph_low:.2f} to {dose.ph_high:.2f}) at "
        f"{dose.read_temp_c:g} C in a {dose.vessel} vessel; standing open it ends at pH "
        f"{dose.ph_after_air:.2f}",
        *(f"instead, {i}: {way}" for i, way in enumerate(dose.alternatives, start=1)),
        *dose.notes[:-1],
    ]
    read = [f"{path.name}: {args.name}"] if args.name in waters else []
    nexts = ["stir it in, then check with the meter"]
    return words.answer(lines, dose.cautions, data=asdict(dose), read=read, next_lines=nexts)


def _add_card(part: argparse.ArgumentParser) -> None:
    part.add_argument("name", help="the water, such as tap")
    part.add_argument("--water", required=True, metavar="MASS", help="water to dose, such as 12kg")
    part.add_argument("--acid", default="vinegar 5%", metavar="ACID", help=_ACID)
    part.add_argument(
        "--check", metavar="G:PH", help="hold a later reading against it: grams and pH, 26:6.3"
    )
    words.add_given(part)
    words.add_file(part)


def _run_card(args: argparse.Namespace) -> Outcome:
    from doughlab.water.card import build_card, check_card

    path = Path(args.file)
    sample = words.find_water(
        args.name, words.read_waters(path), words.read_facts(args.given), path
    )
    acid, product = words.read_acid(args.acid)
    if product is None:
        raise InputError("A card is made for an acid; for soda ask for one dose.")
    water_kg = words.read_grams(args.water, "--water") / 1e3
    card = build_card(
        sample, water=args.name, water_kg=water_kg, product=product, acid=acid,
        made_on=sample.sampled_at[:10],
    )  # fmt: skip
    lines = str(card).splitlines()
    data: dict[str, Any] = {"card": asdict(card)}
    code = 0
    if args.check:
        ((grams, ph),) = words.read_points([args.check])
        check = check_card(card, product_g=grams, water_kg=water_kg, ph_read=ph)
        lines = [str(check)]
        data["check"] = asdict(check)
        code = 0 if check.agrees else 1
    nexts = ["weigh it, then check with the meter"]
    return words.answer(lines, card.cautions, data=data, next_lines=nexts, code=code)


# ----------------------------------------------------------------------------- blend and site


def _add_blend(part: argparse.ArgumentParser) -> None:
    part.add_argument(
        "waters", nargs="+", metavar="WATER[=SHARE]", help="tap=60 ro=40, or tap ro with a target"
    )
    part.add_argument("--alkalinity", metavar="MG_L", help="find the blend of two with this")
    part.add_argument("--hardness", metavar="MG_L", help="find the blend of two with this")
    part.add_argument(
        "--membrane", metavar="PCT", help="let 'ro' be the first water through a membrane"
    )
    part.add_argument(
        "--soften", metavar="MG_L", help="let 'soft' be the first water softened to this hardness"
    )
    words.add_given(part)
    words.add_file(part)


def _run_blend(args: argparse.Namespace) -> Outcome:
    from doughlab.water.blending import blend_to, blend_waters
    from doughlab.water.cautions import CAUTIONS
    from doughlab.water.treatment import reverse_osmosis, soften

    path = Path(args.file)
    waters, facts = words.read_waters(path), words.read_facts(args.given)
    asked = words.read_shares(args.waters)
    first = words.find_water(asked[0][0], waters, facts, path)
    made = {asked[0][0]: first}
    if args.membrane is not None:
        pct = parse_quantity(args.membrane, "pct", what="--membrane")
        made["ro"] = reverse_osmosis(first, rejection_pct=pct).changed(name="ro")
    if args.soften is not None:
        left = parse_quantity(args.soften, "mg_l", what="--soften")
        made["soft"] = soften(first, hardness_left_mg_l=left).changed(name="soft")
    parts = [made.get(n) or words.find_water(n, waters, facts, path) for n, _ in asked]
    target = {
        f"{key}_mg_l": parse_quantity(value, "mg_l_caco3", what=f"--{key}")
        for key, value in (("alkalinity", args.alkalinity), ("hardness", args.hardness))
        if value is not None
    }
    if target:
        if len(parts) != 2:
            raise InputError("A target needs exactly two waters, such as: blend tap ro.")
        blend = blend_to(
            parts[0],
            parts[1],
            alkalinity_mg_l=target.get("alkalinity_mg_l"),
            hardness_mg_l=target.get("hardness_mg_l"),
        )
    else:
        blend = blend_waters(
            [(w, 1.0 if s is None else s) for w, (_, s) in zip(parts, asked, strict=True)]
        )
    lines = str(blend).splitlines()
    first_one = ("laboratory",) if blend.sample.needs_laboratory else ()
    cautions = tuple(CAUTIONS[k] for k in (*first_one, "dough only"))
    sample = {k: v for k, v in asdict(blend.sample).items() if v not in (None, "")}
    data = {"parts": blend.parts, "sample": sample, "ph_after_air": blend.ph_after_air}
    return words.answer(lines, cautions, data=data, next_lines=["read its pH with the meter"])


def _add_site(part: argparse.ArgumentParser) -> None:
    part.add_argument(
        "names", nargs="+", metavar="NAME", help="the water; several samples of one show its drift"
    )
    words.add_given(part)
    words.add_file(part)


def _run_site(args: argparse.Namespace) -> Outcome:
    from doughlab.water.card import check_drift
    from doughlab.water.cautions import CAUTIONS
    from doughlab.water.quality import check_sample
    from doughlab.water.site import guide_site

    path = Path(args.file)
    waters, facts = words.read_waters(path), words.read_facts(args.given)
    if len(args.names) > 1:
        drift = check_drift([words.find_water(n, waters, facts, path) for n in args.names])
        return words.answer(
            str(drift).splitlines(), (CAUTIONS["dough only"],), data=asdict(drift),
            next_lines=["titrate again when the season turns"],
        )  # fmt: skip
    name = args.names[0]
    empty = not facts and name not in waters
    sample = _blank(name) if empty else words.find_water(name, waters, facts, path)
    problems = check_sample(sample)
    guide = guide_site(sample)
    lines = [p.message for p in problems]
    if sample.missing:
        lines.append("not known yet: " + ", ".join(sample.missing))
    cautions = (CAUTIONS["dough only"], CAUTIONS["local"])
    step = guide.next_step
    data = {
        "problems": [p.message for p in problems],
        "missing": sample.missing,
        "steps": [asdict(s) for s in guide.steps],
        "meanwhile": guide.meanwhile,
    }
    code = 1 if any(p.level == "error" for p in problems) else 0
    return words.answer(
        lines, cautions, data=data, tail=guide.lines(), code=code,
        next_lines=[step.what] if step else [],
    )  # fmt: skip


def _blank(name: str) -> WaterSample:
    """Start a water of which nothing is known."""
    from doughlab.water.sample import WaterSample

    return WaterSample(name)


_PARTS = {
    "titrate": ("find the alkalinity with vinegar, a scale and a meter", _add_titrate),
    "dose": ("grams of acid or soda that bring a water to a pH", _add_dose),
    "card": ("a dose card for the wall, and its check later on", _add_card),
    "blend": ("mix waters, or find the mix that has a wanted alkalinity", _add_blend),
    "site": ("what is known of a water, what is odd, what to test next", _add_site),
    "cost": ("what each supply costs, and from when another is cheaper", supply.add_cost),
    "compare": (
        "question suppliers, compare offers, check what was delivered",
        supply.add_compare,
    ),
}
_RUN = {
    "titrate": _run_titrate,
    "dose": _run_dose,
    "card": _run_card,
    "blend": _run_blend,
    "site": _run_site,
    "cost": supply.run_cost,
    "compare": supply.run_compare,
}
