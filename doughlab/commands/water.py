"""The command `water`: know a water, dose it, card it, blend it, cost it, compare offers.

Every answer works from waters.csv, from facts typed after --given, or from a supply file.
The water room calculates; this module asks, finds the waters and says what was found.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands import water_supply as supply
from doughlab.commands import water_titrate as titrate
from doughlab.commands import water_words as words
from doughlab.commands.lines import fold
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, UnknownName
from doughlab.units import parse_quantity

if TYPE_CHECKING:
    from doughlab.water.blending import Blend
    from doughlab.water.dose import Dose
    from doughlab.water.sample import WaterSample

DOSE_LINES = 14  # of the first answer to a usual dose
_WORTH_DOSING = 6.4  # the blend's pH from which on a dose to 6.2 is offered


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab water` and of its parts."""
    parts = parser.add_subparsers(dest="part", metavar="PART")
    for name, (help_line, add) in _PARTS.items():
        part = parts.add_parser(
            name,
            help=help_line,
            description=f"{help_line[0].upper()}{help_line[1:]}.",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        add(part)
        part.add_argument("--folder", default="", help=argparse.SUPPRESS)
        # The program adds --json after the parts were made; each part has to know it too.
        part.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )


def run(args: argparse.Namespace) -> Outcome:
    """Answer one part; without one, say which there are."""
    if args.part is None:
        lines = [f"  {name:<9}{about}" for name, (about, _) in _PARTS.items()]
        return Outcome(
            found=["Say what you want to know of a water: doughlab water PART", *lines],
            next=["doughlab water site tap", "doughlab water titrate tap"],
            code=2,
        )
    _settle_file(args)
    return _RUN[args.part](args)


def _settle_file(args: argparse.Namespace) -> None:
    """Find the files in the trial folder that was named, as --folder or behind --file."""
    folder = Path(args.folder)
    if not args.folder and hasattr(args, "file") and Path(args.file).is_dir():
        folder = Path(args.file)
    if folder == Path():
        return
    if hasattr(args, "file"):
        args.file = str(folder / words.WATERS_FILE)
    if hasattr(args, "supply") and args.supply == supply.SUPPLY_FILE:
        args.supply = str(folder / supply.SUPPLY_FILE)


# ------------------------------------------------------------------------------- dose and card


def _add_dose(part: argparse.ArgumentParser) -> None:
    part.add_argument("name", help="the water, such as tap")
    part.add_argument("--ph", required=True, metavar="PH", help="target, 4.5 to 8.3")
    part.add_argument("--water", required=True, metavar="MASS", help="water to dose, such as 12kg")
    part.add_argument("--acid", default="vinegar 5%", metavar="ACID", help=words.ACID_HELP)
    part.add_argument(
        "--vessel",
        default="closed",
        help="closed (a lid lies on), covered ('covered 20-60%%': CO2 lost), open; never sealed",
    )
    part.add_argument("--flour", metavar="MASS", help="flour that it goes into")
    part.add_argument("--scale", default="0.1g", metavar="MASS", help="resolution of the scale")
    # eight options stand in the list; the answer itself and the end of the help name this one
    part.add_argument("--more", action="store_true", help=argparse.SUPPRESS)
    part.epilog = "--more: every note and caution in full, not only what comes first"
    words.add_given(part)
    words.add_file(part)


def _run_dose(args: argparse.Namespace) -> Outcome:
    from doughlab.water.cautions import brief_cautions
    from doughlab.water.dose import Bench
    from doughlab.water.dose_notes import first_sentences
    from doughlab.water.dosing import acid_dose, base_dose

    path = Path(args.file)
    waters = words.read_waters(path)
    sample = words.find_water(args.name, waters, words.read_facts(args.given), path)
    target = parse_quantity(args.ph, "ph", what="--ph")
    water_kg = words.read_grams(args.water, "--water") / 1e3
    flour = None if args.flour is None else words.read_grams(args.flour, "--flour") / 1e3
    vessel, lost = words.read_vessel(args.vessel)
    bench = Bench(
        scale_g=words.read_scale(args.scale),
        flour_kg=flour,
        others=tuple(w for n, w in waters.items() if n != args.name),
        treated_per_l=words.read_treated(path.with_name(supply.SUPPLY_FILE)),
        show_temp=words.typed_in(args.given),
        **lost,
    )
    acid, product = words.read_acid(args.acid)
    if product is None:
        dose = base_dose(sample, target, water_kg=water_kg, vessel=vessel, bench=bench)
    else:
        dose = acid_dose(
            sample, target, acid=acid, water_kg=water_kg, product=product, vessel=vessel,
            bench=bench,
        )  # fmt: skip
    read = [f"{path.name}: {args.name}"] if args.name in waters else []
    if args.more:
        nexts = ["stir it in, then check with the meter"]
        lines, cautions = _dose_lines(dose), dose.cautions
    else:
        nexts = ["stir it in, then check with the meter; every note in full: add --more"]
        cautions = brief_cautions(dose.cautions)
        own = sum(len(words.wrap(f"caution: {c}")) for c in cautions)
        lines = first_sentences(dose, room=DOSE_LINES - len(read) - len(nexts) - own)
    found = words.answer(lines, cautions, data=asdict(dose), read=read, next_lines=nexts)
    return replace(found, data={**found.data, "cautions": list(dose.cautions)})


def _dose_lines(dose: Dose) -> list[str]:
    """Say a dose: the caution on concentrated acid first, then grams, pH, other ways, notes."""
    return [
        *([f"caution: {dose.warning}"] if dose.warning else []),
        dose.sentence,
        dose.reach,
        *(f"instead, {i}: {way}" for i, way in enumerate(dose.alternatives, start=1)),
        *dose.remarks[:-1],
    ]


def _add_card(part: argparse.ArgumentParser) -> None:
    part.add_argument("name", help="the water, such as tap")
    part.add_argument("--water", required=True, metavar="MASS", help="water to dose, such as 12kg")
    part.add_argument("--acid", default="vinegar 5%", metavar="ACID", help=words.ACID_HELP)
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
    lines = list(card.lines)
    data: dict[str, Any] = {"card": asdict(card)}
    code = 0
    if args.check:
        ((grams, ph),) = words.read_points([args.check])
        check = check_card(card, product_g=grams, water_kg=water_kg, ph_read=ph)
        lines = [str(check)]
        data["check"] = asdict(check)
        code = 0 if check.agrees else 1
    nexts = [_after_check(args, code) if args.check else "weigh it, then check with the meter"]
    return words.answer(lines, card.cautions, data=data, next_lines=nexts, code=code)


def _after_check(args: argparse.Namespace, code: int) -> str:
    """Say what to do with a card that was held against a reading."""
    if code == 0:
        return "go on with this card; check it again when the season or the bottle changes"
    return words.command("titrate", args.name, args.file, "--keep")


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
    part.add_argument(
        "--add", nargs="+", default=[], metavar="SALT=MG_L",
        help="hardness added back, anhydrous: 'calcium chloride=55' 'magnesium sulphate=30'",
    )  # fmt: skip
    words.add_given(part)
    words.add_file(part)


def _run_blend(args: argparse.Namespace) -> Outcome:
    from doughlab.water.blending import blend_to, blend_waters

    asked = words.read_shares(args.waters)
    parts = _blend_parts(args, [name for name, _ in asked])
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
    if args.add:
        blend = _with_salts(blend, args.add)
    lines = str(blend).splitlines()
    cautions = words.sample_cautions(blend.sample)
    sample = {k: v for k, v in asdict(blend.sample).items() if v not in (None, "")}
    data = {"parts": blend.parts, "sample": sample, "ph_after_air": blend.ph_after_air}
    nexts = ["read its pH with the meter", *_dose_blend(blend.sample)]
    return words.answer(lines, cautions, data=data, next_lines=nexts)


def _dose_blend(sample: WaterSample) -> list[str]:
    """Write the command that doses a blend, where enough is known of it."""
    if sample.ph is None or sample.alkalinity_mg_l is None or sample.ph < _WORTH_DOSING:
        return []
    known = {"ph": sample.ph, "alkalinity": sample.alkalinity_mg_l,
             "hardness": sample.known_hardness_mg_l, "temp": sample.temp_c}  # fmt: skip
    facts = " ".join(f"{k}={v:.3g}" for k, v in known.items() if v is not None)
    parts = ["doughlab water dose blend", "--ph 6.2", "--water 12kg", f"--given {facts}"]
    return [fold(parts)]


def _with_salts(blend: Blend, words_typed: list[str]) -> Blend:
    """Add hardness back to a blend; its pH moves a little, its alkalinity does not."""
    from doughlab.water.chemistry import in_air
    from doughlab.water.composition import build_composition
    from doughlab.water.treatment import add_hardness

    salts: dict[str, float] = {}
    for word in words_typed:
        name, equals, amount = word.partition("=")
        if not equals:
            raise InputError(f"--add '{word}' was not understood. Write 'calcium chloride=55'.")
        salts[" ".join(name.lower().split())] = parse_quantity(amount, "mg_l", what=f"--add {name}")
    hard = add_hardness(blend.sample, salts)
    state = build_composition(hard, vary=False).state
    said = ", ".join(f"{mg:g} mg/L {name}" for name, mg in salts.items())
    notes = (*blend.notes, f"Hardness added back: {said}. It brings no alkalinity.")
    return replace(blend, sample=hard, ph_after_air=float(in_air(state.totals).ph[0]), notes=notes)


def _blend_parts(args: argparse.Namespace, names: list[str]) -> list[WaterSample]:
    """Find the waters of a blend; 'ro' and 'soft' are made of the first where that is asked."""
    from doughlab.water.treatment import reverse_osmosis, soften

    path = Path(args.file)
    waters, facts = words.read_waters(path), words.read_facts(args.given)
    derived = {"ro": args.membrane, "soft": args.soften}
    words.refuse_bare(facts, [n for n in names if derived.get(n) is None])
    if "ro" in names and args.membrane is None and not {"ro"} & {*waters, *facts}:
        raise InputError(
            f"Nothing is known of 'ro'. Let it be {names[0]} through a membrane: --membrane 95 "
            "(per cent held back); or give its facts: --given ro.ph=5.8 ro.alkalinity=5."
        )
    first = words.find_water(names[0], waters, facts, path)
    made = {names[0]: first}
    if args.membrane is not None:
        pct = parse_quantity(args.membrane, "pct", what="--membrane")
        made["ro"] = reverse_osmosis(first, rejection_pct=pct).changed(name="ro")
    if args.soften is not None:
        left = parse_quantity(args.soften, "mg_l", what="--soften")
        made["soft"] = soften(first, hardness_left_mg_l=left).changed(name="soft")
    return [made.get(n) or words.find_water(n, waters, facts, path) for n in names]


def _add_site(part: argparse.ArgumentParser) -> None:
    part.add_argument(
        "names", nargs="+", metavar="NAME", help="the water; several samples of one show its drift"
    )
    words.add_given(part)
    part.add_argument("--keep", action="store_true", help="write what is --given into the file")
    words.add_file(part)


def _run_site(args: argparse.Namespace) -> Outcome:
    from doughlab.water.quality import check_sample, describe_sample
    from doughlab.water.site import guide_site

    path = Path(args.file)
    waters, facts = words.read_waters(path), words.read_facts(args.given)
    if len(args.names) > 1:
        words.refuse_bare(facts, args.names)
        return _drift([words.find_water(n, waters, facts, path) for n in args.names])
    name = args.names[0]
    empty = not facts and name not in waters
    _check_site(args, waters, path)
    sample = _blank(name) if empty else words.find_water(name, waters, facts, path)
    problems = check_sample(sample)
    guide = guide_site(sample)
    lines = [*describe_sample(sample), *(p.message for p in problems)]
    log = words.find_log(name, waters)
    if len(log) > 1:
        lines += _drift(log).found[:-1]
    if sample.missing:
        lines.append("not known yet: " + ", ".join(words.plain(n) for n in sample.missing))
    cautions = words.sample_cautions(sample)
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
        wrote=[words.keep_water(path, sample)] if args.keep and not code else [],
        next_lines=[step.what, _tick_words(name, path)] if step else [],
    )  # fmt: skip


def _check_site(args: argparse.Namespace, waters: dict[str, WaterSample], path: Path) -> None:
    """Refuse a name that is nearly one of the file, and --keep without anything to keep."""
    name = args.names[0]
    if name not in waters and not args.given and get_close_matches(name, waters, 1, 0.75):
        raise UnknownName("water", name, waters, where=path.name)
    if args.keep and not args.given:
        raise InputError(
            "--keep writes what is given, and nothing is. Write it like: "
            f"{words.command('site', name, str(path), '--given ph=7.9 said_by=label --keep')}"
        )


def _tick_words(name: str, path: Path) -> str:
    """Say how what was found is written down, so that the list ticks it."""
    return "write it down: " + words.command(
        "site", name, str(path), "--given smell=none", "--keep"
    )


def _drift(samples: list[WaterSample]) -> Outcome:
    """Say what the measurements of one supply show."""
    from doughlab.water.drift import check_drift

    drift = check_drift(samples)
    return words.answer(
        str(drift).splitlines(), words.sample_cautions(*samples), data=asdict(drift),
        next_lines=["titrate again when the season turns"],
    )  # fmt: skip


def _blank(name: str) -> WaterSample:
    """Start a water of which nothing is known."""
    from doughlab.water.sample import WaterSample

    return WaterSample(name)


_PARTS = {
    "titrate": ("find the alkalinity with vinegar, a scale and a meter", titrate.add),
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
    "titrate": titrate.run,
    "dose": _run_dose,
    "card": _run_card,
    "blend": _run_blend,
    "site": _run_site,
    "cost": supply.run_cost,
    "compare": supply.run_compare,
}
