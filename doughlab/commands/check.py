"""The command `check`: every problem of a trial folder, listed in one pass.

The checks stand in the record room; this module lists them and writes datapackage.json.
Nothing is repaired here.
"""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Sequence
from pathlib import Path

from doughlab.commands.lines import counted, joined, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import Problem
from doughlab.record.checks import (
    PACKAGE_FILE,
    check_folder,
    describe_folder,
    write_datapackage,
)
from doughlab.record.desk import ACTIONS
from doughlab.record.export import zip_package
from doughlab.record.folder import FORMULA_FILE, read_trial_toml
from doughlab.record.journal import short_name
from doughlab.record.storage import FULL
from doughlab.settings import FILE, FORMAT, Settings
from doughlab.tables import FILES, TABLES

_ITEM = re.compile(r"\bB\d+(?:-\d+)?\b")
_VALUE = re.compile(
    r"'[^']*'|\b[0-9a-f]{8}\b(?:\.\d+)?(?:,[0-9a-f]{8}\b(?:\.\d+)?)*|[-+]?\d[\d.,:T+-]*"
)
SHOWN = 5
ALIKE = 2  # of problems that say the same of other rows so many are told in full
_ENTRY = re.compile(r'"?([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f.-]+)')  # a UUID (RFC 9562), perhaps .2


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab check`."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder")
    parser.add_argument(
        "--zip", metavar="FILE", help="write the whole trial as one open data package"
    )
    parser.add_argument(
        "--upgrade", action="store_true", help="bring a folder of an older format up to date"
    )


def run(args: argparse.Namespace) -> Outcome:
    """List the problems and describe the files for other programs."""
    folder = Path(args.folder)
    settings, _ = read_trial_toml(folder)
    problems = check_folder(folder)
    errors = [p for p in problems if p.level == "error"]
    notes = [p for p in problems if p.level != "error"]
    found = []
    if args.upgrade and settings is not None:
        found.append(f"format {FORMAT} is the newest format: nothing to upgrade")
    ids = _entries(folder, problems)
    entries = [ids[p] for p in errors]
    told = [(p, f"{p} (entry {e})" if e else str(p)) for p, e in zip(errors, entries, strict=True)]
    found += [line for words in shorten(told) for line in wrap(words)]
    grouped = [(p, f"note: {words}") for p, words in group_notes(notes)]
    found += [line for words in shorten(grouped) for line in wrap(words)]
    found.append(_summary(errors, notes))
    wrote, unwritten = _write(folder, settings, args.zip)
    found += unwritten
    return Outcome(
        read=[_read_words(folder)],
        found=found,
        wrote=wrote,
        next=[_next(list(zip(errors, entries, strict=True)), args.folder)],
        data={"problems": [_as_json(p, ids[p]) for p in problems]},
        code=1 if errors else 0,
    )


def _write(folder: Path, settings: Settings | None, target: str) -> tuple[list[str], list[str]]:
    """Write datapackage.json and the zip; give what was written, and what was not and why."""
    if settings is None:
        why = "trial.toml cannot be used"
        return [], [f"{target} was not written: {why}"] if target else []
    wrote, said = [], []
    try:
        wrote.append(write_datapackage(folder, settings).name)
    except OSError as error:
        why = "the disk is full" if error.errno in FULL else f"{error.strerror}"
        said.append(f"{PACKAGE_FILE} not written: {why}. No record is touched by it, and what is "
                    "said above holds.")  # fmt: skip
    if target:
        package = describe_folder(folder, settings)
        path, count, left = zip_package(folder, Path(target), package)
        wrote.append(f"{path}: {counted(count, 'file')}, an open data package")
        said += [f"{name} is a link to something else and is not in the zip" for name in left]
    return wrote, [line for text in said for line in wrap(text)]


def shorten(told: Sequence[tuple[Problem, str]]) -> list[str]:
    """Tell problems of one kind twice, notes once, then only in how many other rows they stand.

    Parameters
    ----------
    told : sequence of (Problem, str)
        Each with the words that tell it.

    Examples
    --------
    >>> told = [(p, str(p)) for i in range(2, 42)
    ...         for p in [Problem("a.csv", f"ph {50 + i} lies outside 4 to 7.", i, "ph")]]
    >>> len(shorten(told)), shorten(told)[2]
    (3, 'a.csv, column ph: 38 more like these, in rows 4 5 6 7 8 and 33 more; each: --json')
    """
    groups: dict[tuple[str, str, str], list[tuple[Problem, str]]] = {}
    for p, words in told:
        shape = _VALUE.sub("#", _ITEM.sub("*", p.message))
        groups.setdefault((p.file, p.column, shape), []).append((p, words))
    said = []
    for (file, column, _), group in groups.items():
        most = 1 if group[0][1].startswith("note: ") else ALIKE
        few = group if len(group) <= ALIKE + 1 else group[:most]
        said += [words for _, words in few]
        rest = group[len(few) :]
        if rest:
            head = "note: " if rest[0][1].startswith("note: ") else ""
            rows = joined([str(p.row) for p, _ in rest if p.row], shown=SHOWN)
            where = f", in rows {rows}" if rows else ""
            place = f"{file}, column {column}" if column else file
            said.append(f"{head}{place}: {len(rest)} more like these{where}; each: --json")
    return said


def group_notes(notes: Sequence[Problem]) -> list[tuple[Problem, str]]:
    """Write notes, those that say the same of several balls or rows once, each with its first.

    Examples
    --------
    >>> notes = [Problem("a.csv", f"B0{i}-1 has 1 of 3 readings.", i, "ph", "note")
    ...          for i in (2, 3, 4)]
    >>> [words for _, words in group_notes(notes)]
    ['a.csv, row 2, column ph: B02-1 has 1 of 3 readings. So it is with B03-1 and B04-1.']
    """
    groups: dict[tuple[str, str, str], list[Problem]] = {}
    for p in notes:
        groups.setdefault((p.file, p.column, _ITEM.sub("*", p.message)), []).append(p)
    said = []
    for first, *rest in groups.values():
        names = dict.fromkeys(m[0] for p in rest for m in [_ITEM.search(p.message)] if m)
        words = str(first)
        if rest and not words.endswith((".", "?")):
            words += "."
        if rest and names:
            shown = list(names)[:SHOWN]
            more = len(names) - len(shown)
            tail = [f"{more} more"] if more else shown[1:][-1:]
            ahead = shown if more else shown[: max(1, len(shown) - 1)]
            words += f" So it is with {' and '.join([', '.join(ahead), *tail])}."
        elif rest:
            rows = f"{len(rest)} more rows" if len(rest) > 1 else "1 more row"
            words += f" So it is in {rows}."
        said.append((first, words))
    return said


def _read_words(folder: Path) -> str:
    names = [FILE, FORMULA_FILE, *(t.path for t in FILES)]
    there = [n for n in names if (folder / n).exists()]
    return f"{counted(len(there), 'file')} of {folder}"


def _summary(errors: list[Problem], notes: list[Problem]) -> str:
    if not errors and not notes:
        return "no problems"
    parts = [counted(len(errors), "problem")] if errors else ["no problems"]
    if notes:
        parts.append(f"{counted(len(notes), 'note')} (used as they are)")
    return ", ".join(parts)


def _entries(folder: Path, problems: Sequence[Problem]) -> dict[Problem, str]:
    """Find the entry that each problem of a record stands in, by its row; empty where none is.

    The row is the line of the file, and its first cell names the entry.
    """
    lines: dict[str, list[str]] = {}
    out = dict.fromkeys(problems, "")
    for p in problems:
        if p.row is None or not p.file.startswith(("record/", "daily/")):
            continue
        if p.file not in lines:
            text = (folder / p.file).read_bytes().decode("utf-8-sig", "replace")
            lines[p.file] = text.splitlines()
        own = lines[p.file]
        found = _ENTRY.match(own[p.row - 1]) if 0 < p.row <= len(own) else None
        out[p] = short_name(found[1]) if found else ""
    return out


def _next(errors: Sequence[tuple[Problem, str]], folder: str) -> str:
    """Name the line that mends the first problem that one line can mend."""
    if not errors:
        kept = (Path(folder) / TABLES["batches"].path).exists()
        return f"doughlab {'today' if kept else 'plan'} {folder}"
    where = "" if folder == "." else f" --folder {shlex.quote(folder)}"
    for p, entry in errors:
        if entry and p.file.startswith("record/"):
            table = next(t.name for t in TABLES.values() if t.path == p.file)
            action = next(name for name, a in ACTIONS.items() if a.table == table)
            if table == "notes":
                action = "note"
            value = f" {p.column}=RIGHT" if p.column else " COLUMN=RIGHT"
            return f"doughlab record {action} --replaces {entry}{value} --reason TEXT{where}"
    if any(p.file.startswith("record/") for p, _ in errors):
        return "write down what is missing: each line above says how"
    for p, entry in errors:
        if entry and p.file.startswith("daily/"):
            return f"take the row back: doughlab daily {folder} --void {entry} --reason TEXT"
    return f"mend the files, then: doughlab check {folder}"


def _as_json(p: Problem, entry: str) -> dict[str, object]:
    return {"file": p.file, "row": p.row, "column": p.column, "level": p.level,
            "message": p.message, "entry": entry}  # fmt: skip
