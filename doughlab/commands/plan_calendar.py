"""Show the calendar of a plan; keep it with its picture and a file for calendar programs.

`doughlab plan --calendar` comes here. The calendar is laid by `plan.calendar`; a plan under which
records were made stays as it is, and only its days are shown.
"""

from __future__ import annotations

import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.outcome import Outcome
from doughlab.errors import PlanError
from doughlab.units import parse_quantity

if TYPE_CHECKING:
    import argparse

    from doughlab.formula.formula import Formula
    from doughlab.plan.calendar import WeekPlan
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

EVENTS, PICTURE = "report/plan.ics", "report/week.svg"
MOST_LINES, MOST_PROOF = 28, 9  # of the first answer; what was written and what is next come on top


def run_calendar(args: argparse.Namespace) -> Outcome:
    """Lay and show the calendar; write it with --keep.

    Raises
    ------
    PlanError
        When no calendar fits, with the limit that breaks it and the cheapest way out.
    InputError
        When a file of the folder cannot be used.
    """
    from doughlab.files import read_rows
    from doughlab.formula.formula import FILE, read_formula
    from doughlab.plan.calendar import lay_calendar
    from doughlab.plan.plan import read_plan, write_plan
    from doughlab.settings import read_settings
    from doughlab.tables import RECORDS

    folder = Path(args.folder)
    settings = read_settings(folder / "trial.toml")
    formula = read_formula(folder / FILE) if (folder / FILE).exists() else None
    kept, problems = read_plan(folder, settings)
    known = kept is not None and args.seed in (None, kept.seed)
    started = any(read_rows(folder, settings.table(name)).rows for name in RECORDS)
    plan = kept if kept is not None and known else _build(folder, settings, formula, args.seed)
    week: WeekPlan | None = None
    if not (known and started):
        week = lay_calendar(plan, formula=formula, seconds=read_seconds(args))
        plan = week.plan
    wrote: list[str] = []
    if args.keep:
        wrote = write_plan(plan, folder) if week is not None else []
        wrote += _write_pictures(plan, formula, folder)
    found = _found(plan, formula, week, more=args.more)
    found += [line for p in problems for line in _folded(f"- {p}")]
    place = "" if str(folder) == "." else f" {folder}"
    if args.keep or week is None:
        found.append("this plan is kept; its order and its questions stay as they are")
        after = [f"doughlab today{place}"]
        if not args.keep:
            after.append(f"picture and calendar file: doughlab plan{place} --calendar --keep")
    else:
        found.append("nothing is written yet")
        seed = f" --seed {args.seed}" if args.seed is not None else ""
        after = [f"keep this plan: doughlab plan{place} --calendar{seed} --keep"]
    if not args.more:
        seed = f" --seed {args.seed}" if args.seed is not None and not args.keep else ""
        after.append(f"every step of every day: doughlab plan{place} --calendar{seed} --more")
    data = _data(plan, formula, week, kept=args.keep or week is None)
    return Outcome(found=found, wrote=wrote, next=after, data=data)


def _build(folder: Path, settings: Settings, formula: Formula | None, seed: int | None) -> Plan:
    """Build the plan that trial.toml asks for."""
    from doughlab.files import read_rows
    from doughlab.plan.plan import build_plan

    waters = None
    if (folder / settings.table("waters").path).exists():
        rows = read_rows(folder, settings.table("waters")).rows
        waters = {row["water_id"]: row for row in rows}
    return build_plan(settings, formula=formula, waters=waters, seed=seed)


def read_seconds(args: argparse.Namespace) -> float:
    """Read how long to look for the best calendar.

    Raises
    ------
    InputError
        For no time, or one outside 0.1 to 600 minutes.
    """
    from doughlab.plan.calendar import SECONDS

    if args.minutes is None:
        return SECONDS
    return 60.0 * parse_quantity(args.minutes, "min", what="--minutes", low=0.1, high=600.0)


def _found(plan: Plan, formula: Formula | None, week: WeekPlan | None, *, more: bool) -> list[str]:
    """Say what was proven, the days and what to have ready; with `more` every step as well."""
    from doughlab.plan.supplies import supply_lines
    from doughlab.plan.timetable import day_tables, week_lines

    if not plan.schedule:
        raise PlanError(
            "The kept plan has no dates: start_on in [blocks] was empty when it was kept."
        )
    notes = list(week.notes) if week is not None else _kept_notes(plan, formula)
    proof = [line for sentence in notes for line in _folded(f"- {sentence}")]
    days, ready = [*_head_lines(plan)], supply_lines(plan, formula)
    if more:
        return [*days, *proof, *ready, "", *day_tables(plan, formula=formula), ""]
    room = MOST_LINES - len(days) - len(proof[:MOST_PROOF]) - len(ready)
    short = proof[:MOST_PROOF]
    if len(proof) > MOST_PROOF:
        short[-1] = f"  and {len(proof) - MOST_PROOF + 1} more lines: --more"
    return [*days, *short, *week_lines(plan, formula=formula, most=room), *ready]


def _head_lines(plan: Plan) -> list[str]:
    """Say how much it is and from when to when."""
    batches, balls = len(plan.batches), len(plan.balls)
    days = len({b["block"] for b in plan.batches})
    first, last = plan.schedule[0]["due_at"], plan.schedule[-1]["due_at"]
    return textwrap.wrap(
        f"{batches} batch{'es' if batches > 1 else ''} on {days} mixing "
        f"day{'s' if days > 1 else ''}, {balls} balls: {first:%a %Y-%m-%d} to {last:%a %Y-%m-%d}",
        80, subsequent_indent="  ",
    )  # fmt: skip


def _kept_notes(plan: Plan, formula: Formula | None) -> list[str]:
    """Say what a plan that stays as it is asks of the kitchen as it is now."""
    from doughlab.plan.replay import replay

    wrong = replay(plan, formula=formula)
    head = "Records have been made under this plan, so its calendar stays as it was kept."
    if not wrong:
        return [head, "It keeps every limit of [kitchen] and [panel]."]
    more = [f"and {len(wrong) - 5} more."] if len(wrong) > 5 else []
    return [head, *wrong[:5], *more]


def _folded(sentence: str) -> list[str]:
    return textwrap.wrap(sentence, 80, subsequent_indent="  ")


def _write_pictures(plan: Plan, formula: Formula | None, folder: Path) -> list[str]:
    from doughlab.plan.icalendar import list_events, write_icalendar
    from doughlab.report.week import picture_week

    events = write_icalendar(list_events(plan, formula=formula), name=plan.settings.name)
    texts = {EVENTS: events, PICTURE: picture_week(plan, formula=formula).svg()}
    (folder / "report").mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        aside = folder / f"{name}.new"
        aside.write_bytes(text.encode("utf-8"))  # line ends as they are
        aside.replace(folder / name)
    return list(texts)


def _data(
    plan: Plan, formula: Formula | None, week: WeekPlan | None, *, kept: bool
) -> dict[str, Any]:
    from doughlab.plan.supplies import list_supplies
    from doughlab.plan.timetable import list_timetable

    entries = [
        {"step": e.step, "item": e.item, "start": e.start.isoformat(), "end": e.end.isoformat(),
         "hands_min": e.hands_min, "place": e.place}
        for e in list_timetable(plan, formula=formula)
    ]  # fmt: skip
    data: dict[str, Any] = {"kept": kept, "seed": plan.seed, "timetable": entries}
    data["supplies_g"] = None if formula is None else asdict(list_supplies(plan, formula))
    if week is None:
        return data | {"notes": _kept_notes(plan, formula)}
    aims = {"holds_alone": week.aims.alone, "working_days": week.aims.days}
    gap = dict(zip(("holds_alone", "working_days", "half_days"), week.gap, strict=True))
    hours = {"hours_proven": week.tidy, "earlier_min": week.early_min}
    return data | aims | hours | {"proven": week.proven, "gap": gap, "notes": list(week.notes)}
