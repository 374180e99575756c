"""The command `today`: what is due, what is late, what is missing, what to watch.

What is due is worked out by the record room; this module sets it in lines.
It speaks of a time that was asked for, or of now.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from doughlab.commands.lines import WIDTH, column, counted, joined, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.record.clock import parse_day, parse_when
from doughlab.record.due import (
    KEEPS,
    TOO_OLD,
    WHEN,
    Due,
    closed_words,
    cooler_words,
    idle_words,
    meter_words,
    study_state,
    study_words,
    warm_balls,
)
from doughlab.record.panel import panel_words
from doughlab.record.trainee import trainee_standings
from doughlab.trial import Trial

HEAD = 7
NO_ADVICE = "no warm-up advice"
STEP = 10
HINTS = {
    "read": "if it was read, write it down with --at TIME; else read it now, or mark it lost",
    "bake": "if it was baked, write it down with --at TIME; else bake it now, or mark it lost",
    "take_out": "if it is out, write it down with --at TIME; else take it out now, or mark it lost",
    "mix": "write it down if it is done",
    "ball": "write it down if it is done",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab today`."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder")
    parser.add_argument("--at", default="now", metavar="TIME",
                        help="another time or day, as 14:10, Friday, 2026-03-05")  # fmt: skip


def run(args: argparse.Namespace) -> Outcome:
    """List the day of a trial."""
    now = datetime.now().astimezone()
    _take_day(args, now)
    trial = Trial.open(Path(args.folder))
    settings = trial.settings
    at = _parse_at(args.at, settings.timezone, now, trial.contents.plan_day(now))
    todo = trial.due(at)
    local = at.astimezone(ZoneInfo(settings.timezone))
    found = [_title(settings.name, local, now)]
    found += [f"{shut}" for shut in [closed_words(settings, local)] if shut]
    for when in WHEN:
        found += _group_lines(when, [d for d in todo if d.when == when])
    if trial.frozen_plan and not trial.frozen_plan.schedule:
        found.append("the plan has no dates: start_on in [blocks] was empty when it was kept")
    elif not any(d.when != "missing" for d in todo):
        idle = idle_words(trial.frozen_plan, at) if trial.frozen_plan else ""
        due = "nothing more" if todo else "nothing"
        found += wrap(f"{due} is due today" + (f"; {idle}" if idle else ""))
    found += _watch_lines(trial, at)
    nexts = _nexts(todo, args.folder, trial, at) if todo else _after_plan(trial, at, args.folder)
    data = {"at": at.isoformat(), "due": [_as_json(d) for d in todo]}
    return Outcome(found=found, next=nexts, data=data)


def _after_plan(trial: Trial, at: datetime, folder: str) -> list[str]:
    """Name the answers as the next step, once the plan has ended and nothing is missing."""
    plan = trial.frozen_plan
    if plan is None or not plan.schedule or at < max(s["due_at"] for s in plan.schedule):
        return []
    place = "" if folder == "." else f" {folder}"
    return [f"all is written down; the answers: doughlab analyse{place}"]


def _take_day(args: argparse.Namespace, now: datetime) -> None:
    """Take a day that stands where the folder does: "today tomorrow"."""
    if args.at != "now" or Path(args.folder).exists():
        return
    try:
        parse_day(args.folder, timezone="UTC", now=now)
    except InputError:
        return
    args.at, args.folder = args.folder, "."


def _parse_at(text: str, timezone: str, now: datetime, near: date | None) -> datetime:
    """Read a time, or a day alone: then the day as it begins, with all that is due on it."""
    try:
        day = parse_day(text, timezone=timezone, now=now, past=False, near=near)
    except InputError:
        return parse_when(text, timezone=timezone, now=now, what="--at", near=near)
    return datetime.combine(day, time(), ZoneInfo(timezone))


def _title(name: str, at: datetime, now: datetime) -> str:
    year = "" if at.year == now.astimezone(at.tzinfo).year else f" {at.year}"
    day = f"{at:%A} {at.day} {at:%B}{year}, {at:%H:%M}"
    return f"{day}{name:>{max(len(name) + 2, WIDTH - 10 - len(day))}}"


def _group_lines(when: str, steps: Sequence[Due]) -> list[str]:
    """Set steps that belong together in one line each."""
    groups: dict[tuple[str, str, str], list[Due]] = {}
    for d in steps:
        day = f"{d.due_at:%a} {d.due_at.day} {d.due_at:%b} " if when == "missing" else ""
        hour = f"{day}{d.due_at:%H:%M}"
        groups.setdefault((d.step, hour, d.words), []).append(d)
    lines = []
    for (step, hour, words), same in groups.items():
        head = {"later": hour, "missing": "miss"}.get(when, when)
        tail = f" ({hour})" if when in {"late", "missing"} else ""
        hint = HINTS.get(step, "") if when in {"late", "missing"} else ""
        if words.startswith(NO_ADVICE) or TOO_OLD in words:
            hint = ""  # nor is it told to come out
        named = list(dict.fromkeys(d.place for d in same if d.place))
        more = [f"and {len(named) - 3} more"] if len(named) > 3 else []
        places = "; ".join([*named[:3], *more])
        text = f"{step.replace('_', ' '):<{STEP}}{joined(d.item for d in same)}{tail}"
        parts = [p for p in (places, words, hint) if p]
        lines += column(head, f"{text}   {'; '.join(parts)}".rstrip(), width=HEAD)
    return lines


def _watch_lines(trial: Trial, at: datetime) -> list[str]:
    """Say what to watch: balls that stand warm, the cooler, the meter, unreadable rows."""
    plan, records = trial.frozen_plan, trial.records
    lines = []
    for ball in warm_balls(plan, records, at) if plan else []:
        lines += column("warm", f"{ball.ball_id:<{STEP}}{ball.words}", width=HEAD)
    study = study_words(plan, records, at) if plan else ""
    if study:
        lines += column("next", study, width=HEAD)
    cooler = cooler_words(trial.settings, records, at)
    if cooler:
        lines += column("cooler", cooler, width=HEAD)
    panel = panel_words(trial.settings, records.until(at), at)
    if panel:
        lines += column("panel", panel, width=HEAD)
    for standing in trainee_standings(trial.settings, records, at):
        if standing.due:
            lines += column("pairs", standing.words, width=HEAD)
    meter = meter_words(trial.settings, records, at)
    if meter:
        lines += column("meter", meter, width=HEAD)
    unread = [p for p in trial.contents.problems if p.level == "error"]
    if unread:
        words = f"{counted(len(unread), 'thing')} cannot be used: doughlab check {trial.folder}"
        lines += column("files", words, width=HEAD)
    return lines


def _nexts(todo: Sequence[Due], folder: str, trial: Trial, at: datetime) -> list[str]:
    """Name the first thing to write down; what may have been done before asks for its time.

    A ball beyond the longest hold may have been used in time: only then it is marked lost.
    """
    first = next((d for when in WHEN for d in todo if d.when == when), todo[0])
    plan = trial.frozen_plan
    study = study_state(plan, trial.records, at) if plan and first.step == "read" else None
    if study is not None and study.left:
        r = study.left[0]
        where = "" if folder == "." else f" --folder {shlex.quote(folder)}"
        who = f"--by {shlex.quote(r.reader)}"
        meter = f"instrument={shlex.quote(r.meter)}"
        return [f"doughlab record reading {r.ball} PH {meter} {who}{where}"]
    too_old = TOO_OLD in first.words
    action = {"take_out": "pulled", "read": "reading", "ball": "mix"}.get(first.step, first.step)
    late = first.when == "late" and first.step in {"mix", "ball"}
    past = late or too_old or first.when == "missing"
    day = f"{first.due_at.day} {first.due_at:%b} " if first.when == "missing" else ""
    when = shlex.quote(f"{day}TIME") if past else "now"
    tail = f" balled_at={when}" if first.step == "ball" else ""
    if past and first.step not in {"ball", "score"}:
        tail = f" --at {when}"
    where = "" if folder == "." else f" --folder {shlex.quote(folder)}"
    number = " PH" if first.step == "read" and past else ""
    line = f"doughlab record {action} {first.item}{number}{tail}{where}"
    if not too_old:
        return [line]
    if KEEPS in first.words:
        return [f"if it was done: {line}"]
    return [
        f"if it was done: {line}",
        f'if it was not: doughlab record lost {first.item} "too old"{where}',
    ]


def _as_json(d: Due) -> dict[str, object]:
    return {"item": d.item, "step": d.step, "due_at": d.due_at.isoformat(), "when": d.when,
            "late": d.late, "place": d.place, "words": d.words}  # fmt: skip
