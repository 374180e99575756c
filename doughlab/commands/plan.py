"""Show what a plan needs and what it will find; keep it.

A thin door to the plan room: nothing is written without --keep, and warnings come first.
Calculation is left to `plan`; what is due when the plan is kept is left to `today`.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.designed import FRACTION, FULL
from doughlab.errors import InputError, PlanError, Problem

if TYPE_CHECKING:
    import argparse

    from doughlab.formula.formula import Formula
    from doughlab.plan.facts import PlanFacts
    from doughlab.plan.pilot import CarriedPrecision
    from doughlab.plan.plan import Plan
    from doughlab.plan.precision import Precision
    from doughlab.plan.spreads import Spreads
    from doughlab.settings import Settings


@dataclass(frozen=True)
class _Shown:
    """All that is said about one plan."""

    plan: Plan
    kept: bool
    facts: PlanFacts
    precision: Precision
    has_formula: bool
    problems: list[Problem]
    doses: tuple[str, ...] = ()
    carried: CarriedPrecision | None = None
    asked: Plan | str | None = None  # another plan that trial.toml asks for by now, or why none


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab plan`."""
    parser.add_argument("folder", nargs="?", default=".", type=Path, help="the trial folder")
    parser.add_argument("--keep", action="store_true", help="write the plan and freeze it")
    parser.add_argument(
        "--seed", type=int, help="another random order (default: seed in trial.toml)"
    )
    parser.add_argument(
        "--beside", nargs="+", type=Path, metavar="OTHER", help="other plans, side by side"
    )
    parser.add_argument(
        "--calendar", action="store_true", help="lay every step within what the kitchen holds"
    )
    parser.add_argument(
        "--minutes", metavar="N", help="how long --calendar looks for the best (20 s)"
    )
    parser.add_argument("--more", action="store_true", help="everything, not only what comes first")
    parser.add_argument("--extend", metavar="MORE", help="add to the kept plan: 12, '2 days'")
    parser.add_argument("--reason", help="why the plan is extended; kept with it")


def run(args: argparse.Namespace) -> Outcome:
    """Show the kept plan, or the plan that trial.toml asks for; write it with --keep.

    Raises
    ------
    PlanError
        When no plan can be made, or another one is kept and has records.
    InputError
        When a file of the folder cannot be used.
    """
    from doughlab.plan.plan import write_plan

    _check_options(args)
    if args.beside:
        from doughlab.commands.plan_beside import run_beside

        return run_beside(args)
    if args.extend is not None:
        from doughlab.commands.plan_extend import run_extension

        return run_extension(args)
    if args.calendar:
        from doughlab.commands.plan_calendar import run_calendar

        return run_calendar(args)
    shown = _show(args.folder, args.seed, anew=args.keep)
    wrote: list[str] = []
    if args.keep:
        _check_dated(shown.plan.settings)
        wrote = write_plan(shown.plan, args.folder)
    found = _found_lines(shown)
    found += _more_lines(shown) if args.more else []
    place = "" if str(args.folder) == "." else f" {args.folder}"
    if args.keep or shown.kept:
        found += _kept_lines(shown, args, place)
        after = [f"doughlab today{place}"]
    else:
        found.append("nothing is written yet")
        seed = f" --seed {args.seed}" if args.seed is not None else ""
        after = [f"keep this plan: doughlab plan{place}{seed} --keep"]
    return Outcome(found=found, wrote=wrote, next=after, data=_data(shown, args.keep))


def _kept_lines(shown: _Shown, args: argparse.Namespace, place: str) -> list[str]:
    """Say that the plan is kept, until when it can be made anew, and what trial.toml asks now."""
    from doughlab.commands.plan_anew import has_records, say_asked

    lines = ["this plan is kept; its order and its questions stay as they are"]
    if shown.asked is not None:
        lines += wrap(say_asked(shown.asked, shown.plan, args.folder, place), indent=0)
    elif args.keep and shown.precision.warnings and not has_records(args.folder):
        lines += wrap(
            "It cannot answer what stands first. Until the first record it can be kept anew: "
            f"change trial.toml, then again doughlab plan{place} --keep",
            indent=0,
        )
    return lines


def _check_options(args: argparse.Namespace) -> None:
    """Refuse options that do not go together: none is passed over in silence."""
    if args.beside and args.extend is not None:
        raise InputError("--beside and --extend do not go together: extend first, then compare.")
    if args.reason is not None and args.extend is None and not args.beside:
        raise InputError("--reason goes with --extend: say how much is added, as --extend 12.")
    if args.minutes is not None and (args.beside or not args.calendar):
        raise InputError("--minutes goes with --calendar: it says how long to look for the best.")
    if args.more and (args.beside or args.extend is not None):
        raise InputError("--more does not go with --beside or --extend: all of that is shown.")


def _show(folder: Path, seed: int | None, *, anew: bool = False) -> _Shown:
    """Gather what is said of the kept plan, or of a new one.

    With `anew` a kept plan without records gives way to the one that trial.toml asks for by now.
    """
    from doughlab.commands.plan_anew import has_records, plan_asked, take_asked
    from doughlab.plan.facts import describe_plan
    from doughlab.plan.looks import judged_rows
    from doughlab.plan.pilot import carry_pilot
    from doughlab.plan.plan import build_plan, read_plan
    from doughlab.plan.precision import plan_precision
    from doughlab.settings import read_settings

    settings = read_settings(folder / "trial.toml")
    formula = _read_formula(folder)
    kept, problems = read_plan(folder, settings)
    waters = _read_waters(folder, settings)
    asked = None
    if kept is not None and seed in (None, kept.seed):
        plan = kept
        asked = plan_asked(kept, settings, formula, waters)
        if asked is not None and anew and not has_records(folder):
            plan, problems, asked = take_asked(asked), [], None
    else:
        plan = build_plan(settings, formula=formula, waters=waters, seed=seed)
    spreads = _earlier(folder, settings)
    judged = judged_rows(plan)
    return _Shown(
        plan,
        plan is kept,
        describe_plan(settings, plan, formula),
        plan_precision(judged.settings, judged, spreads=spreads),
        formula is not None,
        problems,
        _dose_words(plan, formula, folder),
        carry_pilot(spreads, judged, primary=True) if spreads else None,
        asked,
    )


def _earlier(folder: Path, settings: Settings) -> dict[str, Spreads]:
    """Read the spreads that an earlier trial measured, where trial.toml names one."""
    if not settings.assumed_from:
        return {}
    from doughlab.analysis.earlier import read_earlier

    return read_earlier(folder, settings)


def _dose_words(plan: Plan, formula: Formula | None, folder: Path) -> tuple[str, ...]:
    """Say where a scale with whole grams is too coarse for what is weighed."""
    from doughlab.plan.doses import find_small_dose, find_water_dose

    if formula is None:
        return ()
    waters = _read_waters(folder, plan.settings) or {}
    doses = (find_small_dose(plan, formula), find_water_dose(plan, formula, waters))
    return tuple(dose.sentence for dose in doses if dose is not None)


def _read_formula(folder: Path) -> Formula | None:
    from doughlab.formula.formula import FILE, read_formula

    return read_formula(folder / FILE) if (folder / FILE).exists() else None


def _read_waters(folder: Path, settings: Settings) -> dict[str, Any] | None:
    from doughlab.files import read_rows

    table = settings.table("waters")
    if not (folder / table.path).exists():
        return None
    return {row["water_id"]: row for row in read_rows(folder, table).rows}


def _check_dated(settings: Settings) -> None:
    """Refuse to freeze a calendar without dates; holds have to meet the opening days."""
    if settings.hold is not None and not settings.blocks.start_on:
        raise PlanError(
            "A kept plan needs its first mixing day, so that holds meet the opening days: set "
            'start_on = "YYYY-MM-DD" in [blocks] of trial.toml.'
        )


def _found_lines(shown: _Shown) -> list[str]:
    facts, precision = shown.facts, shown.precision
    sentences = [] if shown.plan.settings.confirm is not None else [*precision.warnings]
    short = any("for each level of" in s for s in sentences)
    if short and shown.plan.settings.plan.design in (FULL, FRACTION):
        more = shown.plan.settings.blocks.replicates
        sentences.append(
            f"More batches: replicates in [blocks] of trial.toml (now {more}), then days or "
            "batches_per_day, if they do not fit."
        )
    lines = [line for s in sentences for line in textwrap.wrap(s, 80)]
    lines += [part for line in str(facts).splitlines() for part in textwrap.wrap(line, 80)]
    if shown.plan.settings.confirm is not None:
        said = ("It compares nothing: it confirms one setting, and the ranges for it stand in "
                "trial.toml under [confirm].")  # fmt: skip
        return [*lines, *textwrap.wrap(said, 80), *map(str, shown.problems)]
    lines += precision.text().splitlines()
    from doughlab.plan.looks import describe_looks, say_judged
    from doughlab.plan.parts import describe_parts

    parted = [*describe_parts(shown.plan), *say_judged(shown.plan), *describe_looks(shown.plan)]
    told = [*precision.warnings, *precision.notes]
    notes = [n for n in precision.notes if not any(n in other for other in told if other != n)]
    after = [*parted, *facts.warnings, *notes]
    if shown.carried is not None:
        after += [*shown.carried.sentences, *shown.carried.notes]
    after += shown.doses
    if not shown.has_formula:
        after.append("No formula.toml yet, so the flour is not counted.")
    after += [str(p) for p in shown.problems]
    for sentence in after:
        lines += textwrap.wrap(sentence, 80, initial_indent="- ", subsequent_indent="  ")
    return lines


def _more_lines(shown: _Shown) -> list[str]:
    """Give what stands behind --more: every chance, and who reads which ball when."""
    from doughlab.plan.meters import reading_lines

    lines = reading_lines(shown.plan)
    if shown.precision.lines:
        said = (
            "In full: the smallest difference found 4 times in 5 and 9 in 10, how far a range "
            'reaches to each side, and how often "same" shows when the true difference is none, or '
            "half the margin:"
        )
        lines += [*textwrap.wrap(said, 80), *shown.precision.text(full=True).splitlines()]
    return lines or ["there is no more to say of this plan"]


def _data(shown: _Shown, keep: bool) -> dict[str, Any]:
    from doughlab.plan.meters import list_readings

    facts = shown.facts
    rows = shown.precision.table.to_dict("records")
    return {
        "kept": keep or shown.kept,
        "seed": shown.plan.seed,
        "batches": facts.batches,
        "balls": facts.balls,
        "days": facts.days,
        "flour_kg": facts.flour_kg,
        "sessions": {name: list(holds) for name, holds in facts.sessions.items()},
        "shared_sessions": facts.shared_sessions,
        "one_factor_batches": facts.one_factor_batches,
        "kind": list(facts.kind),
        "reading_order": [asdict(r) for r in list_readings(shown.plan)],
        "cooler_peak": facts.cooler_peak,
        "precision": [{k: _plain(v) for k, v in row.items()} for row in rows],
        "doses": list(shown.doses),
        "instruments": [
            {k: _plain(v) for k, v in row.items()}
            for p in shown.precision.purchases
            for row in p.table.to_dict("records")
        ],
        "carried": []
        if shown.carried is None
        else [
            {str(k): _plain(v) for k, v in row.items()}
            for row in shown.carried.table.to_dict("records")
        ],
        "warnings": [*shown.precision.warnings, *facts.warnings],
        "notes": list(shown.precision.notes),
        "problems": [str(p) for p in shown.problems],
    }


def _plain(value: Any) -> Any:
    """Leave out numbers that JSON has no word for."""
    return None if isinstance(value, float) and not math.isfinite(value) else value
