"""The parts cost and compare of the command `water`.

Both read a supply file, or write an example of one; the water room does the sums.
Leaves waters, doses and cards to the command water itself.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict, replace
from itertools import combinations
from pathlib import Path
from typing import Any

from doughlab.commands import water_words as words
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, UnknownName
from doughlab.units import parse_quantity

SUPPLY_FILE = "supply.toml"
NO_PROMISE_PCT = 95.0  # only fills the comparison where nothing was promised; never said


def add_cost(part: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab water cost`."""
    part.add_argument("supply", nargs="?", default=SUPPLY_FILE, help="supply file (supply.toml)")
    part.add_argument("--example", action="store_true", help="write an example file to start from")
    part.add_argument("--dough", metavar="MASS", help="dough in a year, instead of the file's")
    part.add_argument("--between", nargs=2, metavar="NAME", help="what decides between these two")


def run_cost(args: argparse.Namespace) -> Outcome:
    """Say what each supply costs and from when another is cheaper."""
    from doughlab.water.break_even import break_even
    from doughlab.water.cautions import list_water_cautions
    from doughlab.water.supply import supply_cost
    from doughlab.water.supply_file import read_supply_file

    path = Path(args.supply)
    if args.example:
        return _write_example(path)
    file = read_supply_file(path)
    use = file.use
    if args.dough is not None:
        use = replace(use, dough_kg_per_year=words.read_grams(args.dough, "--dough") / 1e3)
    if not file.supplies:
        raise InputError(f"{path.name} holds no [[supply]]. Add one, or start from --example.")
    costs = sorted((supply_cost(s, use) for s in file.supplies), key=lambda c: c.per_year)
    money = f" in {file.currency}" if file.currency else ""
    lines = [
        f"{use.litres_per_year:.0f} litres of dough water a year for {use.dough_kg_per_year:.0f} "
        f"kg dough; costs{money}, your own prices"
    ]
    lines += [line for cost in costs for line in str(cost).splitlines()]
    pairs = [break_even(a, b, use) for a, b in combinations(file.supplies, 2)]
    lines += [str(p) for p in pairs]
    data: dict[str, Any] = {
        "currency": file.currency,
        "costs": [asdict(c) for c in costs],
        "break_even": [asdict(p) for p in pairs],
    }
    if args.between:
        lines += _levers(args.between, file.supplies, use, data)
    nexts = [f"doughlab water compare {path}"]
    membrane = any(s.kind == "reverse osmosis" for s in file.supplies)
    cautions = list_water_cautions(low_alkalinity=membrane)
    return words.answer(lines, cautions, read=[str(path)], data=data, next_lines=nexts)


def _write_example(path: Path) -> Outcome:
    """Write an example to start from; what is there already stays."""
    from doughlab.water.supply_file import EXAMPLE

    if path.exists():
        raise InputError(f"{path} is there already; nothing is overwritten. Name another file.")
    path.write_text(EXAMPLE, encoding="utf-8")
    return Outcome(
        wrote=[f"{path}: an example with invented prices"],
        next=[f"put your own prices in, then: doughlab water cost {path}"],
    )


def _levers(names: list[str], supplies: Any, use: Any, data: dict[str, Any]) -> list[str]:
    """Say which prices decide between two supplies."""
    from doughlab.water.break_even import find_levers

    by_name = {s.name: s for s in supplies}
    for name in names:
        if name not in by_name:
            raise UnknownName("supply", name, by_name)
    levers = find_levers(by_name[names[0]], by_name[names[1]], use)
    data["levers"] = [asdict(lever) for lever in levers]
    lines = ["20 % less or more of one number; cost per kg dough, break-even in kg a year:"]
    for lever in levers[:6]:
        even = [
            "none" if v is None else f"{v:.0f}"
            for v in (lever.break_even_low, lever.break_even_high)
        ]
        lines.append(
            f"  {lever.supply}, {words.plain(lever.what)}: {lever.low_per_kg:.4f} to "
            f"{lever.high_per_kg:.4f}; {even[0]} and {even[1]}"
        )
    return lines


def add_compare(part: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab water compare`."""
    part.add_argument("supply", nargs="?", default=SUPPLY_FILE, help="supply file (supply.toml)")
    part.add_argument("--questions", action="store_true", help="the question sheet for suppliers")
    part.add_argument(
        "--check", nargs=2, metavar=("PRODUCT", "FEED"), help="check delivered water of waters.csv"
    )
    part.add_argument("--promised", metavar="PCT", help="rejection that was promised, as 95%%")
    words.add_given(part)
    words.add_file(part)


def run_compare(args: argparse.Namespace) -> Outcome:
    """Write the question sheet, compare offers, or check delivered water."""
    from doughlab.water.cautions import list_water_cautions
    from doughlab.water.offers import compare_offers, question_sheet
    from doughlab.water.supply_file import read_supply_file

    if args.check:
        return _check(args)
    cautions = list_water_cautions(low_alkalinity=True)
    file = read_supply_file(Path(args.supply))
    if args.questions:
        sheet = question_sheet(file.use, feed=file.feed).splitlines()
        return words.answer(sheet, cautions, next_lines=["write their answers into the file"])
    tap = file.tap
    reviews = compare_offers(
        list(file.offers), file.use, feed=file.feed,
        feed_price_per_l=tap.price_per_l if tap else 0.0,
        drain_per_l=max((s.drain_per_l for s in file.supplies), default=0.0),
    )  # fmt: skip
    lines = [line for r in reviews for line in str(r).splitlines()]
    data = {
        "offers": [
            {
                "supplier": r.offer.supplier,
                "per_year": r.cost.per_year,
                "peak_covered": r.peak_covered,
                "unanswered": r.offer.unanswered,
                "findings": r.findings,
            }
            for r in reviews
        ]
    }
    nexts = ["ask for what was not answered; check the water on delivery (--check)"]
    return words.answer(lines, cautions, read=[args.supply], data=data, next_lines=nexts)


def _check(args: argparse.Namespace) -> Outcome:
    """Hold delivered water against the promise."""
    from doughlab.water.cautions import list_water_cautions
    from doughlab.water.offers import check_delivery

    path = Path(args.file)
    waters, facts = words.read_waters(path), words.read_facts(args.given)
    product, feed = (words.find_water(n, waters, facts, path) for n in args.check)
    told = args.promised is not None
    text = args.promised if told else f"{NO_PROMISE_PCT:g} %"
    promised = parse_quantity(text, "pct", what="--promised", low=50, high=99.9)
    check = check_delivery(product, feed, promised_pct=promised)
    if not told:  # the first finding compares with a promise that nobody made
        found = (
            f"measured {check.rejection_pct:.1f} %; nothing was promised here: give the figure of "
            "the contract with --promised PCT."
        )
        check = replace(check, findings=(found, *check.findings[1:]))
    data = asdict(check) | ({} if told else {"as_promised": None})
    return words.answer(
        str(check).splitlines(),
        list_water_cautions(
            low_alkalinity=True, laboratory=bool(product.needs_laboratory or feed.needs_laboratory)
        ),
        data=data,
        next_lines=["write both readings down"],
        code=0 if check.as_promised or not told else 1,
    )
