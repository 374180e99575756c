"""The command `sheets`: a day on paper and as .xlsx, labels and cards; filled sheets read back.

The record room makes, sets and reads the sheets; this module writes files and answers.
"""

from __future__ import annotations

import argparse
import errno
import re
import shlex
from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.commands.lines import counted, joined, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, Problem, UnknownName
from doughlab.record.clock import parse_day
from doughlab.record.due import closed_words, idle_words
from doughlab.record.folder import TrialFolder, read_folder
from doughlab.record.names import find_id
from doughlab.record.panel import find_barred, list_unasked

if TYPE_CHECKING:
    from doughlab.record.sheets_keep import Kept
    from doughlab.record.sheets_read import Read

FOLDER = "sheets"
SHOWN = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab sheets`."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder")
    parser.add_argument("--day", default="", metavar="DATE",
                        help="as 2026-03-05, tomorrow, Friday; default: the next day with "
                             "something due")  # fmt: skip
    parser.add_argument("--paper", default="a4", choices=("a4", "letter"), help="size of the paper")
    parser.add_argument("--labels", default="", metavar="WHICH",
                        help="all, a batch or a ball; default: what is mixed that day")  # fmt: skip
    parser.add_argument("--read", default="", metavar="FILE",
                        help="read a filled .xlsx into the records")  # fmt: skip
    parser.add_argument("--by", default="", metavar="NAME", help="who reads it in")


def run(args: argparse.Namespace) -> Outcome:
    """Write the sheets of a day, or read a filled one."""
    now = datetime.now().astimezone().replace(microsecond=0)
    contents = read_folder(Path(args.folder))
    if args.read:
        return _read(args, contents, now)
    return _write(args, contents, now)


def _write(args: argparse.Namespace, contents: TrialFolder, now: datetime) -> Outcome:
    from doughlab.record.sheets_day import choose_day, day_words, list_day, need_plan

    need_plan(contents)
    zone = contents.settings.timezone
    if args.day:
        near = contents.plan_day(now)
        day = parse_day(args.day, timezone=zone, now=now, what="--day", past=False, near=near)
    else:
        day = choose_day(contents, now=now)
    files = make_files(contents, day, now=now, paper=args.paper, labels=args.labels)
    folder = Path(args.folder) / FOLDER / day.isoformat()
    try:
        filled = _put(folder, files)
    except OSError as error:
        raise InputError(_unwritten_words(folder, error)) from None
    steps = list_day(contents, day, now=now)
    found = [f"{day_words(day)}: {counted(len(steps), 'thing')} due"]
    found += _idle_lines(contents, day) if not steps else []
    found += [shut for shut in [closed_words(contents.settings, day)] if shut]
    found += _panel_lines(contents, scored=any(name.startswith("scores") for name in files))
    found += [
        line for name in filled
        for line in wrap(f"{name} is filled in and stays as it is: read it, or move it away, then "
                         "make the sheets again")
    ]  # fmt: skip
    place = f"{args.folder.rstrip('/')}/{FOLDER}/{day}" if args.folder != "." else f"{FOLDER}/{day}"
    where = "" if args.folder == "." else f" {shlex.quote(args.folder)}"
    nexts = ["print the PDFs at 100 %, or fill the .xlsx; then:",
             f"doughlab sheets{where} --read {shlex.quote(f'{place}/bench.xlsx')}"]  # fmt: skip
    data = {"day": day.isoformat(), "due": len(steps), "folder": place, "files": list(files),
            "kept": filled}  # fmt: skip
    wrote = [f"{place}/{name}" for name in files if name not in filled]
    return Outcome(found=found, wrote=wrote, next=nexts, data=data)


def _idle_lines(contents: TrialFolder, day: date) -> list[str]:
    """Say when the plan goes on, for a day without anything due."""
    noon = datetime.combine(day, time(12), ZoneInfo(contents.settings.timezone))
    return wrap(idle_words(contents.plan, noon)) if contents.plan is not None else []


def _panel_lines(contents: TrialFolder, *, scored: bool) -> list[str]:
    """Say who is not served, and on a day of tasting what the judges must know or be asked."""
    settings, said = contents.settings, []
    for judge, why in find_barred(settings, contents.records).items():
        said.append(f"not served, no score sheet: {judge}, who {why}")
    if scored and not settings.panel.ideal:
        said.append("the judges do not know what to look for: write the best one down in words, "
                    "ideal in [panel] of trial.toml")  # fmt: skip
    unasked = list_unasked(settings, contents.records)
    if scored and unasked:
        said.append(f"not asked yet, so ask before the first plate: {', '.join(unasked)}; "
                    f'doughlab record consent {unasked[0]} "no allergies"')  # fmt: skip
    if scored:
        said.append("judges get their own score sheet, never bench.* or plates.pdf")
    return [line for words in said for line in wrap(words)]


def _put(folder: Path, files: dict[str, bytes]) -> list[str]:
    """Write the files aside, then in place; give the filled .xlsx that were left alone."""
    from doughlab.record.sheets_file import is_filled

    folder.mkdir(parents=True, exist_ok=True)
    filled = []
    for name, data in files.items():
        path = folder / name
        if path.suffix == ".xlsx" and path.exists():
            before = path.read_bytes()
            if before != data and is_filled(before):
                filled.append(name)
                continue
        aside = folder / f"{name}.new"
        try:
            aside.write_bytes(data)
            aside.replace(path)
        except OSError:
            aside.unlink(missing_ok=True)
            raise
    return filled


def _unwritten_words(folder: Path, error: OSError) -> str:
    """Say why the sheets could not be written; the records are not touched by it."""
    if error.errno in {errno.ENOSPC, errno.EFBIG, errno.EDQUOT}:
        why, then = "the disk is full", "Make room"
    else:
        why, then = f"{error.strerror}", "Look at the rights of the folder"
    return (
        f"{folder} cannot be written: {why}. {then}, then make the sheets again; no record is "
        "touched by it."
    )


def make_files(
    contents: TrialFolder, day: date, *, now: datetime, paper: str = "a4", labels: str = ""
) -> dict[str, bytes]:
    """Make every file of a day; nothing is written.

    Parameters
    ----------
    contents : TrialFolder
    day : date
        At the place of the trial.
    now : datetime
        With offset.
    paper : str
        "a4" or "letter".
    labels : str
        "all", a batch or a ball; empty for the balls that are mixed that day.

    Returns
    -------
    dict of str to bytes
        By file name.
    """
    from doughlab.record import sheets_cards as cards
    from doughlab.record.sheets_book import build_book
    from doughlab.record.sheets_day import build_bench, build_scores, sessions_of, with_lots
    from doughlab.record.sheets_print import bench_data, labels_data, print_pages, scores_data

    bench = with_lots(build_bench(contents, day, now=now), contents.records)
    files = {"bench.xlsx": build_book(bench, paper=paper)}
    pages: dict[str, dict[str, Any]] = {"bench.pdf": bench_data(bench, paper=paper)}
    sessions = sessions_of(contents, day, now=now)
    for session in sessions:
        sheets = build_scores(contents, day, session)
        if sheets:
            pages[f"scores-{_slug(session)}.pdf"] = scores_data(sheets, contents, paper=paper)
        for i, sheet in enumerate(sheets, start=1):
            name = f"scores-{_slug(session)}-{i}-{_slug(sheet.judge)}.xlsx"
            files[name] = build_book(sheet, paper=paper)
    if sessions:
        pages["plates.pdf"] = cards.plates_card(contents, sessions, day, paper=paper, now=now)
    pages["day.pdf"] = cards.wall_card(contents, day, now=now, paper=paper)
    balls = choose_balls(contents, labels, day)
    if balls:
        pages["labels.pdf"] = labels_data(contents, balls, paper=paper)
    study = cards.study_card(contents, paper=paper)
    if study is not None and any(part.title == "Read" for part in bench.parts):
        pages["readings.pdf"] = study
    pages["buffers.pdf"] = cards.buffer_card(contents.settings, paper=paper)
    pages["meter.pdf"] = cards.meter_card(contents.settings, paper=paper)
    return files | {name: print_pages(data)[0] for name, data in pages.items()}


def _slug(text: str) -> str:
    """Make a part of a file name.

    Examples
    --------
    >>> _slug("../ada b")
    '___ada_b'
    """
    return re.sub(r"[^\w-]", "_", text)[:24]


def choose_balls(contents: TrialFolder, labels: str, day: date) -> list[str]:
    """Choose the balls that get labels.

    Raises
    ------
    UnknownName
        For a batch or a ball that is not in the plan.
    """
    plan = contents.plan
    if plan is None:
        return []
    zone = ZoneInfo(contents.settings.timezone)
    if labels:
        ids = {str(b[key]) for b in plan.balls for key in ("ball_id", "batch_id")}
        word = find_id(labels, ids)
        found = [
            str(b["ball_id"]) for b in plan.balls
            if word.casefold() == "all" or word in {str(b["ball_id"]), str(b["batch_id"])}
        ]  # fmt: skip
        if not found:
            known = [str(b["batch_id"]) for b in plan.batches]
            raise UnknownName("batch or ball", labels[:40], known, where="--labels")
        return found
    mixed = {
        str(r["item"]) for r in plan.schedule
        if r["step"] == "mix" and r["due_at"].astimezone(zone).date() == day
    }  # fmt: skip
    return [str(b["ball_id"]) for b in plan.balls if b["batch_id"] in mixed]


def _read(args: argparse.Namespace, contents: TrialFolder, now: datetime) -> Outcome:
    from doughlab.record.sheets_keep import keep
    from doughlab.record.sheets_read import read_book

    path = Path(args.read)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path} does not exist. Look at the name.") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder. Name the .xlsx file in it.") from None
    read = read_book(data, contents, name=path.name)
    kept = keep(read, contents, now=now, by=args.by)
    return _answer(args, read, kept)


def _answer(args: argparse.Namespace, read: Read, kept: Kept) -> Outcome:
    wrong = [p for p in read.problems if p.level == "error"] + kept.problems
    notes = [p for p in read.problems if p.level != "error"]
    found = [f"stored {counted(n, 'row')} of {title}" for title, n in kept.stored.items()]
    if kept.again:
        found.append(f"{counted(kept.again, 'row')} stored before, unchanged: nothing stored twice")
    if not kept.stored and not kept.again and not wrong:
        found.append("no row is filled in: nothing to store")
    found += _problem_lines("not stored", wrong)
    found += _problem_lines("look", notes)
    found += [line for words in kept.warnings for line in wrap(f"look: {words}")]
    where = "" if args.folder == "." else f" {shlex.quote(args.folder)}"
    nexts = [f"doughlab today{where}"]
    if wrong:
        nexts = [f"mend the cells named above and read the file again: doughlab sheets{where} "
                 f"--read {shlex.quote(args.read)}"]  # fmt: skip
    data = {
        "stored": kept.stored, "again": kept.again, "blank": read.blank, "entries": kept.ids,
        "problems": [str(p) for p in wrong], "notes": [str(p) for p in notes],
        "warnings": kept.warnings,
    }  # fmt: skip
    return Outcome([args.read], found, kept.tables, nexts, data, 1 if wrong else 0)


def _problem_lines(head: str, problems: Sequence[Problem]) -> list[str]:
    lines = [line for p in problems[:SHOWN] for line in wrap(f"{head}: {p}")]
    if len(problems) > SHOWN:
        lines.append(f"and {joined([str(len(problems) - SHOWN)])} more: --json lists them all")
    return lines
