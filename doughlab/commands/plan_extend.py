"""Show what an extension of a kept plan adds; keep it.

`doughlab plan --extend` comes here. Nothing is written without --keep; rows that are there stay as
they are. The new batches are laid out by `plan.extend`, and whether old and new are judged
together is said by `plan.looks`.
"""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome
from doughlab.errors import PlanError

if TYPE_CHECKING:
    import argparse

    from doughlab.plan.extend import Searched
    from doughlab.plan.plan import Plan
    from doughlab.plan.spreads import Spreads


def run_extension(args: argparse.Namespace) -> Outcome:
    """Show, or keep, more batches of a kept plan.

    Raises
    ------
    PlanError
        When no plan is kept, or the new part cannot be laid out.
    InputError
        When a file of the folder, the wish or the reason cannot be used.
    """
    from doughlab.analysis.earlier import own_spreads, read_earlier
    from doughlab.commands.plan_calendar import read_seconds
    from doughlab.formula.formula import FILE, read_formula
    from doughlab.plan.extend import extend_plan, judge_extension, read_wish, write_extension
    from doughlab.plan.plan import read_plan
    from doughlab.settings import read_settings

    folder = Path(args.folder)
    settings = read_settings(folder / "trial.toml")
    kept, problems = read_plan(folder, settings)
    place = "" if str(folder) == "." else f" {folder}"
    if kept is None:
        why = f" {problems[0]}" if problems else ""
        raise PlanError(
            f"No plan is kept here that could be extended.{why} Keep one first: doughlab "
            f"plan{place} --keep"
        )
    formula = read_formula(folder / FILE) if (folder / FILE).exists() else None
    wish = read_wish(args.extend)
    new = extend_plan(
        kept,
        wish,
        reason=args.reason or "",
        at=datetime.now(ZoneInfo(settings.timezone)),
        formula=formula,
        seed=args.seed,
        calendar=args.calendar,
        seconds=read_seconds(args),
    )
    wrote = write_extension(new, folder) if args.keep else []
    spreads = read_earlier(folder, settings) | own_spreads(folder)
    searched = judge_extension(kept, new, wish)
    found, data = _describe(new, args.keep, spreads=spreads, searched=searched)
    found += [line for p in problems for line in _folded([f"- {p}"])]
    state, after = _state(args, place)
    return Outcome(found=[*found, state], wrote=wrote, next=[after], data=data)


def _state(args: argparse.Namespace, place: str) -> tuple[str, str]:
    """Say whether the part is kept, and what comes next."""
    if args.keep:
        return "this part is kept; what was there stays as it was", f"doughlab today{place}"
    reason = shlex.quote(args.reason) if args.reason else '"..."'
    more = f" --seed {args.seed}" if args.seed is not None else ""
    more += " --calendar" if args.calendar else ""
    words = f'doughlab plan{place} --extend "{args.extend}" --reason {reason}{more} --keep'
    return "nothing is written yet", f"keep it: {words}"


def _describe(
    new: Plan, keep: bool, *, spreads: Mapping[str, Spreads], searched: Searched | None
) -> tuple[list[str], dict[str, Any]]:
    """Say what is added, when it is mixed, how it is judged and what it will find."""
    from doughlab.plan.looks import describe_looks, first_unplanned, judged_rows, say_judged
    from doughlab.plan.parts import batches_by_part, take_batches
    from doughlab.plan.precision import plan_precision

    part = new.parts[-1]
    rows = take_batches(new, batches_by_part(new)[-1])
    alone, judged = first_unplanned(new) is not None, judged_rows(new)
    known = judged.settings.assumed
    stated = {n: a for n, a in known.items() if n not in spreads}  # records before guesses
    precision = plan_precision(replace(judged.settings, assumed=stated), judged, spreads=spreads)
    what = "the new part alone" if alone else "all parts together"
    lines = _folded([
        f"{str(part)[0].upper()}{str(part)[1:]}: {counted(len(rows.batches), 'batch', 'batches')} "
        f"and {len(rows.balls)} balls more. Reason: {part.reason}",
    ])  # fmt: skip
    lines += [f"  {line}" for line in _days(rows)]
    lines += _folded([str(searched)] if searched is not None else [])
    lines += _folded([*say_judged(new), *describe_looks(new)])
    lines += [f"What {what} will find:", *precision.text().splitlines()]
    lines += _folded(f"- {s}" for s in (*precision.warnings, *precision.notes))
    data = {
        "kept": keep,
        "part": part.number,
        "batches": [b["batch_id"] for b in rows.batches],
        "balls": len(rows.balls),
        "reason": part.reason,
        "at": part.at,
        "seed": part.seed,
        "judged": "alone" if alone else "together",
        "looks": describe_looks(new),
        "warnings": list(precision.warnings),
        "searched": None if searched is None else asdict(searched),
    }
    return lines, data


def _days(rows: Plan) -> list[str]:
    """Give one line for each new mixing day."""
    due = {r["item"]: r["due_at"] for r in rows.schedule if r["step"] == "mix"}
    found = []
    for block in dict.fromkeys(b["block"] for b in rows.batches):
        ids = [b["batch_id"] for b in rows.batches if b["block"] == block]
        at = f" {due[ids[0]]:%a %Y-%m-%d %H:%M}" if ids[0] in due else ""
        span = ids[0] if len(ids) == 1 else f"{ids[0]} to {ids[-1]}"
        found.append(f"{block}{at}: {counted(len(ids), 'batch', 'batches')}, {span}")
    return found


def _folded(sentences: Iterable[str]) -> list[str]:
    return [line for s in sentences for line in textwrap.wrap(s, 80, subsequent_indent="  ")]
