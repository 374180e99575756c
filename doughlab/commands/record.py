"""The command `record`: write down what happened, one entry at a time or from a file.

The desk of the record room understands and judges the words; the journal stores them.
This module only asks, stores and answers.
"""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.record.blind import hide_balls
from doughlab.record.desk import ACTIONS, Asked
from doughlab.record.draft import JOURNAL_NAMES, name_item
from doughlab.record.due import Due, cooler_words, due, list_needs
from doughlab.record.entry import Entry, build_entry
from doughlab.record.folder import TrialFolder, read_folder
from doughlab.record.intake import read_intake
from doughlab.record.journal import append, short_name
from doughlab.record.records import Records
from doughlab.settings import FILE
from doughlab.tables import RECORDS
from doughlab.units import format_quantity

Row = dict[str, Any]
SHOWN = 6
_TAKEN_BACK = ("void", "undo", "delete", "remove", "cancel")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab record`."""
    parser.epilog = _examples()
    # Options may stand between the words: "record mix B03 --at 9:05 mix_min=12".
    parser.parse_args = parser.parse_intermixed_args  # type: ignore[method-assign]
    parser.add_argument(
        "action", nargs="?", metavar="ACTION", help=f"{', '.join(ACTIONS)}, or import"
    )
    parser.add_argument(
        "words", nargs="*", metavar="WORD", help="item, numbers, text, and columns as name=value"
    )
    parser.add_argument("--folder", default=".", help="the trial folder (default: this one)")
    parser.add_argument("--at", default="", metavar="TIME", help="when: 14:10, yesterday 14:10")
    parser.add_argument("--by", default="", metavar="NAME", help="who writes it down")
    parser.add_argument("--replaces", default="", metavar="ENTRY", help="correct this entry")
    parser.add_argument(
        "--void",
        default="",
        metavar="ENTRY",
        help="take this entry back, or several: 3608e144,07bf3392",
    )
    parser.add_argument("--reason", default="", metavar="TEXT", help="why it is corrected")


def _examples() -> str:
    lines = ["what can be written down:"]
    for name, action in ACTIONS.items():
        lines += [f"  {name} {action.example}", f"      {action.help}"]
    lines += ["  import readings old.csv", "      rows of another file, all of them or none"]
    lines += ["  --void 3608e144 --reason 'was B05-3'", "      an entry is taken back"]
    return "\n".join(lines)


def run(args: argparse.Namespace) -> Outcome:
    """Store what was typed, and say what is stored and what comes next."""
    now = datetime.now().astimezone().replace(microsecond=0)
    _take_folder(args)
    contents = read_folder(Path(args.folder))
    args.action = args.action or _action_of(contents, args.void)
    if args.action in _TAKEN_BACK:
        entry = args.words[0] if args.words else "ENTRY"
        raise InputError(
            f"To take an entry back say why: doughlab record --void {entry} --reason TEXT"
        )
    if args.action == "import":
        entry = _import(contents, args.words, now)
    else:
        asked = Asked(
            args.action, tuple(args.words), now, args.at, args.replaces, args.void, args.reason
        )
        try:
            entry = build_entry(contents, asked)
        except InputError as error:
            if not _by_code(args.action, args.words):
                raise
            hide = partial(hide_balls, contents.plan, records=contents.records)
            hidden = [replace(p, message=hide(p.message)) for p in error.problems]
            raise InputError(hide(str(error)), problems=hidden) from None
    ids = append(Path(args.folder), entry.table, entry.rows, by=args.by, now=now)
    outcome = _answer(read_folder(Path(args.folder)), entry, ids, now)
    return _blinded(contents, outcome) if _by_code(args.action, args.words) else outcome


def _take_folder(args: argparse.Namespace) -> None:
    """Take the trial folder from the last word, where other commands have it; say what was meant.

    A ball or batch in place of the action is asked back with the whole line.
    """
    if args.folder == "." and args.words and (Path(args.words[-1]) / FILE).is_file():
        args.folder = args.words.pop()
    if args.action and re.fullmatch(r"[A-Za-z]\d+(-\d+)?", args.action):
        what = "reading" if "-" in args.action else "mix"
        line = shlex.join(["doughlab", "record", what, args.action, *args.words])
        raise InputError(f"Say what is written down of {args.action}, such as: {line}")


def _action_of(contents: TrialFolder, void: str) -> str:
    """Find what kind of entry is taken back, from the entry alone."""
    if not void:
        raise InputError(
            f"Say what is written down: {', '.join(ACTIONS)} or import. For example: "
            "doughlab record temperature cooler 38F"
        )
    first = re.split(r"[,;\s]+", void.strip())[0]
    for name, journal in contents.records.journals.items():
        if journal.fitting(first):
            return next(a for a, action in ACTIONS.items() if action.table == name)
    raise InputError(
        f"No entry begins with '{void}'. doughlab record names the entry when it stores one; it "
        "is also the first column of the file in record/."
    )


def _by_code(action: str, words: Sequence[str]) -> bool:
    """Tell whether a judge gave a blind code: the answer must not say which ball that is."""
    return (
        action == "score" and bool(words) and re.fullmatch(r"[1-9][0-9]{2}", words[0]) is not None
    )


def _blinded(contents: TrialFolder, outcome: Outcome) -> Outcome:
    hide = partial(hide_balls, contents.plan, records=contents.records)
    found, first = list(map(hide, outcome.found)), list(map(hide, outcome.next[:1]))
    warnings, about = (list(map(hide, outcome.data[k])) for k in ("warnings", "about"))
    data = {**outcome.data, "warnings": warnings, "about": about}
    return replace(outcome, found=found, next=first, data=data)


def _import(contents: TrialFolder, words: Sequence[str], now: datetime) -> Entry:
    if len(words) != 2:
        raise InputError(
            "Name the table and the file: doughlab record import readings old.csv. "
            f"Tables: {', '.join(RECORDS)}."
        )
    return read_intake(contents, words[0], Path(words[1]), now=now)


def _answer(contents: TrialFolder, entry: Entry, ids: Sequence[str], now: datetime) -> Outcome:
    stored = _stored_words(entry, ids, contents.settings.show_temperature)
    looks = [*_with_ids(entry, ids), *_cooler_look(contents, entry)]
    found = stored + [line for words in looks for line in wrap(f"look: {words}")]
    nexts: list[str] = []
    plan = contents.plan
    if plan is not None:
        known = {str(b["ball_id"]) for b in plan.balls}
        for ball in [b for b in entry.about if b in known][:SHOWN]:
            needs = list_needs(plan, contents.records, ball)
            nexts.append(
                f"{ball} still needs {', '.join(needs)}" if needs else f"{ball} needs no more"
            )
        nexts += _next_words(due(plan, contents.records, now))
    data = {"entries": list(ids), "table": entry.table.name, "about": list(entry.about),
            "warnings": looks}  # fmt: skip
    return Outcome(found=found, wrote=[entry.table.path], next=nexts, data=data)


def _with_ids(entry: Entry, ids: Sequence[str]) -> list[str]:
    """Name the entry that a warning would have taken back: the odd reading, now that it is stored.

    Where the warning names no number, the newest row is meant; the last one of several.
    """
    out = []
    for words in entry.warnings:
        number = re.search(r": ([0-9.]+) lies ", words)
        odd = [
            name for row, name in zip(entry.rows, ids, strict=True)
            if number and row.get("ph") is not None and f"{row['ph']:g}" == number[1]
        ]  # fmt: skip
        entry_id = (odd or list(ids))[-1][:8]
        every = ",".join(name[:8] for name in ids)
        words = words.replace("--void ENTRIES", f"--void {every}")
        words = words.replace("--replaces ENTRY", f"--replaces {ids[0][:8]}")
        out.append(words.replace("--void ENTRY", f"--void {entry_id}"))
    return out


def _cooler_look(contents: TrialFolder, entry: Entry) -> list[str]:
    """Say at once that a cooler read now is above the kitchen's own limit."""
    if entry.table.name != "temperatures" or entry.rows[0].get("action") == "void":
        return []
    read = {r["place"].casefold() for r in entry.rows}
    rows = [r for r in contents.records.temperatures if r["place"].casefold() in read]
    show = entry.shown.get("temp_c") or contents.settings.show_temperature
    settings = replace(contents.settings, show_temperature=show)
    at = max(r["at"] for r in entry.rows)
    words = cooler_words(settings, Records.of(temperatures=rows), at)
    return [words] if words else []


def _next_words(todo: Sequence[Due]) -> list[str]:
    """Name the first thing that is due, late ones first."""
    for when in ("late", "now", "later"):
        steps = [d for d in todo if d.when == when]
        if steps:
            first = steps[0]
            same = [d.item for d in steps if d.step == first.step and d.due_at == first.due_at]
            hour = "late" if when == "late" else "now" if when == "now" else f"{first.due_at:%H:%M}"
            more = f" and {len(same) - SHOWN} more" if len(same) > SHOWN else ""
            return [f"{hour}: {first.step.replace('_', ' ')} {' '.join(same[:SHOWN])}{more}"]
    return []


def _stored_words(entry: Entry, ids: Sequence[str], show: str) -> list[str]:
    """Say what was stored: by item, what differs between its rows, then what they share."""
    groups: dict[str, list[tuple[Row, str]]] = {}
    for row, entry_id in zip(entry.rows, ids, strict=True):
        groups.setdefault(str(row[name_item(entry.table)]), []).append((row, entry_id[:8]))
    lines = []
    for item, pairs in list(groups.items())[:SHOWN]:
        rows = [row for row, _ in pairs]
        words = "; ".join(w for w in _cells_words(entry, rows, show) if w)
        names = f"entry {', '.join(name for _, name in pairs[:SHOWN])}"
        lines += wrap(f"stored {item}{_done_words(rows)} {words} ({names})")
    if len(groups) > SHOWN:
        lines.append(f"stored {len(ids)} rows in all")
    return lines


def _done_words(rows: Sequence[Row]) -> str:
    action = rows[0].get("action") or ""
    what = {"replace": " instead of ", "void": " takes back "}.get(action, "")
    return f"{what}{', '.join(short_name(r['replaces']) for r in rows)}:" if what else ":"


def _cells_words(entry: Entry, rows: Sequence[Row], show: str) -> tuple[str, str]:
    """Give the cells that differ between the rows, row by row, and the cells they share."""
    if rows[0].get("action") == "void":
        return "", str(rows[0]["reason"])
    item = name_item(entry.table)
    hidden = JOURNAL_NAMES | {item, "prepared"}  # the trial's own way, the same on every row
    own = [c for c in entry.table.columns if c.name not in hidden]
    filled = [c for c in own if any(r.get(c.name) is not None for r in rows)]
    varying = [c for c in filled if len({r.get(c.name) for r in rows}) > 1]
    shared = [c for c in filled if c not in varying]
    units = {c.name: entry.shown.get(c.name) or (show if c.unit == "temp_c" else "") for c in own}
    each = [" ".join(_cell_words(c, r[c.name], units[c.name]) for c in varying) for r in rows]
    same = [_cell_words(c, rows[0][c.name], units[c.name]) for c in shared]
    return ", ".join(w for w in each if w), ", ".join(same)


def _cell_words(column: Column, value: Any, show: str) -> str:
    if value is None:
        return ""
    name = column.title.split(",")[0].lower()
    if column.kind == "datetime":
        today = value.date() == datetime.now(value.tzinfo).date()
        return f"{name} {value:%H:%M}" if today else f"{name} {value:%a %d %b %H:%M}"
    if column.kind == "number":
        text = format_quantity(value, column.unit, show=show) if column.unit else f"{value:g}"
        return text if column.name == "ph" else f"{name} {text}"
    return str(value) if column.kind in {"text", "choice"} else f"{name} {value}"
