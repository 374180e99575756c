"""Show the calendar of a plan; keep it with its picture and a file for calendar programs.

`doughlab plan --calendar` comes here. The calendar is laid by `plan.calendar`; a plan under which
records were made stays as it is, and only its days are shown.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.outcome import Outcome
from doughlab.errors import PlanError

if TYPE_CHECKING:
    import argparse

    from doughlab.formula.formula import Formula
    from doughlab.plan.calendar import WeekPlan
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

EVENTS, PICTURE = "report/plan.ics", "report/week.svg"


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
        week = lay_calendar(plan, formula=formula)
        plan = week.plan
    wrote: list[str] = []
    if args.keep:
        wrote = write_plan(plan, folder) if week is not None else []
        wrote += _write_pictures(plan, formula, folder)
    found = _found(plan, formula, week)
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


def _found(plan: Plan, formula: Formula | None, week: WeekPlan | None) -> list[str]:
    from doughlab.plan.timetable import day_tables

    if not plan.schedule:
        raise PlanError(
            "The kept plan has no dates: start_on in [blocks] was empty when it was kept."
        )
    lines = [*day_tables(plan, formula=formula), ""]
    notes = week.notes if week is not None else _kept_notes(plan, formula)
    for sentence in notes:
        lines += _folded(f"- {sentence}")
    return lines


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
    from doughlab.plan.timetable import list_timetable

    entries = [
        {"step": e.step, "item": e.item, "start": e.start.isoformat(), "end": e.end.isoformat(),
         "hands_min": e.hands_min, "place": e.place}
        for e in list_timetable(plan, formula=formula)
    ]  # fmt: skip
    data: dict[str, Any] = {"kept": kept, "seed": plan.seed, "timetable": entries}
    if week is None:
        return data | {"notes": _kept_notes(plan, formula)}
    aims = {"holds_alone": week.aims.alone, "working_days": week.aims.days}
    gap = dict(zip(("holds_alone", "working_days", "half_days"), week.gap, strict=True))
    return data | aims | {"proven": week.proven, "gap": gap, "notes": list(week.notes)}
