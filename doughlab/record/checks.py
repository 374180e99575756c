"""Checks: every problem of a trial folder in one pass, each with file, row and column.

`doughlab check` and `Trial.problems` call it; nothing is changed or repaired.
Single cells are checked by `files`, what rows say about each other by `sense`.
"""

from __future__ import annotations

import json
import shlex
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.errors import DoughlabError, Problem, suggest
from doughlab.files import Rows, build_descriptor, check_links, read_header, read_rows
from doughlab.plan.lock import checksum, read_lock
from doughlab.plan.parts import batches_by_part, take_batches
from doughlab.plan.plan import build_plan
from doughlab.record.folder import TrialFolder, no_plan_words, read_folder, read_trial_toml
from doughlab.record.journal import Journal, read_journal
from doughlab.record.place import place_words
from doughlab.record.records import STATED_AT
from doughlab.record.sense import check_sense
from doughlab.settings import FILE, Settings, find_line
from doughlab.tables import DAILY, FILES, TABLES, Table, table
from doughlab.water.targets import check_levels

Row = dict[str, Any]

CLOCK_OFF = timedelta(minutes=2)
LONG_BEFORE = timedelta(days=60)
PACKAGE_FILE = "datapackage.json"
SETTLED = "daily/settled.toml"


def check_folder(folder: Path) -> list[Problem]:
    """List every problem of a trial folder.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of Problem
        By file and row; level "error" cannot be used, level "note" is used.

    Examples
    --------
    >>> print(check_folder(Path("no such folder"))[0])
    trial.toml: does not exist, so this is no trial folder. ...
    """
    folder = Path(folder)
    settings, problems = read_trial_toml(folder)
    if settings is None:
        waters = read_rows(folder, table("waters"))
        return _sorted([*problems, *waters.problems])
    return check_trial_folder(read_folder(folder))


def check_trial_folder(contents: TrialFolder) -> list[Problem]:
    """List every problem of a folder that was read already.

    Parameters
    ----------
    contents : TrialFolder
        As `read_folder` gives it.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> check_trial_folder(TrialFolder(Path("no such folder"), Settings("Demo", "DE")))
    []
    """
    problems = list(contents.problems)
    problems += _check_waters(contents)
    problems += _check_water_targets(contents)
    problems += _check_response_columns(contents)
    problems += _check_record_links(contents)
    problems += _check_ids_stand_once(contents)
    problems += _check_clocks(contents)
    problems += _check_odd_files(contents)
    problems += _check_plan_cells(contents)
    problems += check_daily_files(contents.path, contents.settings.dough)
    problems += _check_place(contents.path)
    settings, plan, records = contents.settings, contents.plan, contents.records
    problems += check_sense(settings, plan, records, formula=contents.formula)
    return _sorted(problems)


def _sorted(problems: list[Problem]) -> list[Problem]:
    order = [FILE, *(t.path for t in FILES)]

    def key(p: Problem) -> tuple[int, str, int, str]:
        place = order.index(p.file) if p.file in order else len(order)
        return place, p.file, p.row or 0, p.column

    return sorted(dict.fromkeys(problems), key=key)


def _check_waters(contents: TrialFolder) -> Iterator[Problem]:
    """Look for the water of every level of a water factor."""
    known = contents.water_rows
    path = table("waters").path
    here = contents.path == Path()
    place = "" if here else f" --folder {shlex.quote(str(contents.path))}"
    for factor in contents.settings.factors.values():
        if factor.kind != "water":
            continue
        for level in factor.levels:
            if level not in known:
                words = f"water '{level}' is not in {path}.{suggest(level, known)}"
                where = f"factors.{factor.name}"
                line = find_line(_toml_lines(contents.path), where, "levels")
                torn = [p for p in contents.waters.problems if p.level == "error"]
                step = f"Mend {path} first; it is named below." if torn else "Add a row for it."
                yield Problem(FILE, f"{words} {step}", line, f"{where}.levels")
            elif known[level]["alkalinity_mg_l"] is None:
                words = (
                    f"alkalinity of '{level}' is not known, so no acid dose can be given. Copy "
                    "the label or the water report, or measure it: "
                    f"doughlab water titrate {shlex.quote(level)}{place}"
                )
                yield Problem(path, words, known[level].get("_row"), "alkalinity_mg_l", "note")


def _check_water_targets(contents: TrialFolder) -> Iterator[Problem]:
    """Find levels of the water's pH that nobody can dose."""
    for name, words in check_levels(contents.settings):
        where = f"factors.{name}"
        line = find_line(_toml_lines(contents.path), where, "levels")
        yield Problem(FILE, words, line, f"{where}.levels")


def _check_response_columns(contents: TrialFolder) -> Iterator[Problem]:
    """Find responses whose column is not in the records, though records there are."""
    for r in contents.settings.responses.values():
        known = contents.settings.table(r.table)
        header = read_header(contents.path, known)
        kept = contents.records.journals.get(r.table)
        if r.column in header or kept is None or not kept.rows:
            continue
        numbers = [c.name for c in known.columns if c.name in header and c.kind == "number"]
        words = f"{known.path} has no column '{r.column}' yet.{suggest(r.column, numbers)}"
        line = find_line(_toml_lines(contents.path), f"responses.{r.name}", "column")
        words += " Correct the name, or enter the first value."
        yield Problem(FILE, words, line, f"responses.{r.name}.column", "note")


def _toml_lines(folder: Path) -> list[str]:
    path = folder / FILE
    return path.read_text(encoding="utf-8-sig").splitlines() if path.exists() else []


def _check_record_links(contents: TrialFolder) -> list[Problem]:
    """Find records about balls, batches, waters or calibrations that do not exist."""
    tables = {name: contents.settings.table(name) for name in TABLES}
    rows = {
        name: Rows([r for r in j.rows if r.get("_row") is not None])
        for name, j in contents.records.journals.items()
    }
    rows["waters"] = contents.waters
    if contents.plan is not None:
        rows["batches"] = Rows(list(contents.plan.batches))
        rows["balls"] = Rows(list(contents.plan.balls))
    elif any(j.rows for j in contents.records.journals.values()):
        words = (
            "there are records, but no plan that can be read, so they belong to no ball. "
            f"{no_plan_words(contents.path)}"
        )
        return [Problem("plan/balls.csv", words), *_links_of(rows, tables)]
    return _links_of(rows, tables)


def _links_of(rows: dict[str, Rows], tables: Mapping[str, Any]) -> list[Problem]:
    """Check links to the tables at hand, from records and lots."""
    found = check_links(rows, dict(tables))
    return [p for p in found if p.row is not None]


def _check_ids_stand_once(contents: TrialFolder) -> Iterator[Problem]:
    """Find lots, calibrations and batches that are written down twice."""
    keys = {"calibrations": "calibration_id", "lots": "lot_id", "mixes": "batch_id"}
    for name, column in keys.items():
        seen: dict[str, Any] = {}
        for row in getattr(contents.records, name):
            first = seen.setdefault(row[column], row.get("_row"))
            if first != row.get("_row"):
                words = (
                    f"{column} '{row[column]}' stands already in row {first}; the first one "
                    "counts. Correct one of them, or take it back, with a reason."
                )
                yield Problem(table(name).path, words, row.get("_row"), column)


def _check_clocks(contents: TrialFolder) -> Iterator[Problem]:
    """Flag times that cannot be right: after the entry, or long before the trial."""
    plan = contents.plan
    start = min((r["due_at"] for r in plan.schedule), default=None) if plan else None
    for name, journal in contents.records.journals.items():
        path = journal.table.path
        yield from _check_entry_order(journal.history, path)
        for row in journal.rows:
            for column in STATED_AT[name]:
                words = clock_words(row[column], row["entered_at"], start, column)
                if words:
                    yield Problem(path, words, row.get("_row"), column, "note")


def clock_words(
    stated: datetime | None, entered: datetime | None, start: datetime | None, column: str
) -> str:
    """Say what is odd about a stated time beside its entry and the start of the plan.

    Examples
    --------
    >>> entered = datetime.fromisoformat("2026-03-04T10:00Z")
    >>> clock_words(entered + timedelta(minutes=2), entered, None, "at")
    ''
    >>> clock_words(entered + timedelta(minutes=3), entered, None, "at")
    'at 2026-03-04 10:03 lies after the entry itself (2026-03-04 10:00). Is the clock of...
    """
    if stated is None:
        return ""
    if entered is not None and stated > entered + CLOCK_OFF:
        return (
            f"{column} {stated:%Y-%m-%d %H:%M} lies after the entry itself "
            f"({entered.astimezone(stated.tzinfo):%Y-%m-%d %H:%M}). Is the clock of that device "
            "right?"
        )
    if start is not None and stated < start - LONG_BEFORE:
        return (
            f"{column} {stated:%Y-%m-%d} lies more than 60 days before the first step of the "
            f"plan ({start:%Y-%m-%d}). Is the date right?"
        )
    return ""


def _check_entry_order(history: list[Row], path: str) -> Iterator[Problem]:
    """Flag an entry time that does not fit between its neighbours in an append-only file."""
    times = [(r["entered_at"], r.get("_row")) for r in history if r["entered_at"] is not None]
    for i in range(1, len(times)):
        (before, before_row), (now, row) = times[i - 1], times[i]
        if before <= now + CLOCK_OFF:
            continue
        rising = i < 2 or times[i - 2][0] <= now + CLOCK_OFF
        late = rising and (i > 1 or (i + 1 < len(times) and before > times[i + 1][0] + CLOCK_OFF))
        words = (
            "entered_at does not follow the row above it. Two machines wrote with different "
            "clocks, or the file was edited by hand."
        )
        yield Problem(path, words, before_row if late else row, "entered_at", "note")


def check_daily_files(folder: Path, dough: str) -> list[Problem]:
    """List the problems of daily/: cells, corrections, unknown lots, other doughs, clocks.

    Parameters
    ----------
    folder : Path
    dough : str
        Of trial.toml; the name in daily/settled.toml counts too.

    Examples
    --------
    >>> check_daily_files(Path("no such folder"), "house dough")
    []
    """
    journals = {name: read_journal(folder, t) for name, t in DAILY.items()}
    problems = [p for j in journals.values() for p in j.problems]
    names, found = _dough_names(folder, dough)
    problems += found
    lots = {r["lot"]: r for r in journals["lots"].rows}
    for journal in journals.values():
        path = journal.table.path
        problems += _check_entry_order(journal.history, path)
        for row in journal.rows:
            if row["dough"] is not None and str(row["dough"]).casefold() not in names:
                words = (
                    f"is about the dough '{row['dough']}', and this folder keeps '{dough}'; the "
                    "row is not used here. Enter it in the folder of its dough, and take it back "
                    "here."
                )
                problems.append(Problem(path, words, row["_row"], "dough", "note"))
            column = "mixed_at" if "mixed_at" in row else "at"
            words = clock_words(row[column], row["entered_at"], None, column)
            if words:
                problems.append(Problem(path, words, row["_row"], column, "note"))
    return [*problems, *_check_daily_lots(journals["readings"], lots)]


def _dough_names(folder: Path, dough: str) -> tuple[set[str], list[Problem]]:
    """Give the names of the folder's dough; a settled.toml that is no TOML is a problem."""
    path = folder / SETTLED
    names = {dough.casefold()}
    try:
        settled = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (FileNotFoundError, NotADirectoryError):
        return names, []
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        words = (
            f"cannot be read ({type(error).__name__}). Bring it back from a copy, or settle anew: "
            "doughlab daily --settle --reason TEXT."
        )
        return names, [Problem(SETTLED, words)]
    return names | {str(settled.get("dough", dough)).casefold()}, []


def _check_daily_lots(readings: Journal, lots: Mapping[str, Row]) -> Iterator[Problem]:
    """Find readings about lots that are not there, or before they were mixed."""
    path = readings.table.path
    for row in readings.rows:
        lot = row["lot"]
        if lot is not None and lot not in lots:
            near = suggest(str(lot), lots)
            words = f"lot '{lot}' is not in {DAILY['lots'].path}.{near} It counts without its lot."
            yield Problem(path, words, row["_row"], "lot", "note")
        elif lot is not None and row["at"] < lots[lot]["mixed_at"]:
            words = f"read before lot '{lot}' was mixed. Look at the date of one of them."
            yield Problem(path, words, row["_row"], "at", "note")


def _check_odd_files(contents: TrialFolder) -> Iterator[Problem]:
    """Name files in record/, plan/ and daily/ that doughlab does not read."""
    known = {t.path for t in FILES}
    for part in ("record", "plan", "daily"):
        folder = contents.path / part
        if not folder.is_dir():
            continue
        for path in sorted(folder.glob("*.csv")):
            name = f"{part}/{path.name}"
            if name not in known:
                words = f"doughlab does not read this file.{suggest(name, known)}"
                yield Problem(name, words, level="note")


def _check_place(folder: Path) -> Iterator[Problem]:
    """Say that something else writes into the folder, or that it lies on another machine."""
    words = place_words(folder)
    if words and (folder / FILE).exists():
        yield Problem("this folder", words, level="note")


def _check_plan_cells(contents: TrialFolder) -> Iterator[Problem]:
    """Find the cells of plan/ that were changed since the plan was kept.

    The lock only tells that a file was changed. The same seed makes the same plan, so the plan is
    made again, and where it fits the lock it tells the row and the column.
    """
    plan = contents.plan
    lock = read_lock(contents.path)[0] if plan is not None and plan.changed else None
    if plan is None or lock is None:
        return
    plan = take_batches(plan, batches_by_part(plan)[0]) if plan.parts else plan
    sums = lock.get("checksums", {})
    parts = [
        p for p in ("batches", "balls", "schedule") if sums.get(p) != checksum(getattr(plan, p))
    ]
    if not parts:
        return
    try:
        again = build_plan(contents.settings, formula=contents.formula, seed=plan.seed)
    except DoughlabError:
        return  # the settings make another plan now; the lock has said so
    for part in parts:
        kept = getattr(again, part)
        if sums.get(part) == checksum(kept):
            yield from _changed_cells(contents.settings.table(part), kept, getattr(plan, part))


def _changed_cells(table_: Table, kept: Sequence[Row], found: Sequence[Row]) -> Iterator[Problem]:
    if len(kept) != len(found):
        words = f"has {len(found)} rows, the kept plan has {len(kept)}. Bring the file back."
        yield Problem(table_.path, words, level="note")
        return
    for number, (then, now) in enumerate(zip(kept, found, strict=True), start=2):
        for column in table_.columns:
            before, after = column.write(then[column.name]), column.write(now[column.name])
            if before != after:
                words = (
                    f"{column.name} is '{after}', the kept plan has '{before}'. Put it back, or "
                    "every result says that the plan was changed."
                )
                yield Problem(table_.path, words, number, column.name, "note")


def describe_folder(folder: Path, settings: Settings) -> dict[str, Any]:
    """Describe every CSV of the folder that is there; see `write_datapackage`.

    Examples
    --------
    >>> describe_folder(Path("no such folder"), Settings("Demo", "DE"))
    {'name': 'demo', 'resources': []}
    """
    there = [t for t in FILES if (folder / t.path).exists()]
    return build_descriptor(settings.name, [_as_stored(folder, settings, t) for t in there])


def write_datapackage(folder: Path, settings: Settings) -> Path:
    """Describe every CSV of the folder in datapackage.json, written aside and replaced.

    Parameters
    ----------
    folder : Path
    settings : Settings
        Brings factor columns and own responses.

    Returns
    -------
    Path
        The file. Only tables whose file exists are listed.

    References
    ----------
    Frictionless Data Package and Table Schema (open standards).

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_datapackage(Path(folder), Settings("Demo", "DE"))
    ...     json.loads(path.read_text())
    {'name': 'demo', 'resources': []}
    """
    folder = Path(folder)
    text = json.dumps(describe_folder(folder, settings), indent=1, ensure_ascii=False) + "\n"
    path = folder / PACKAGE_FILE
    aside = folder / f"{PACKAGE_FILE}.new"
    try:
        aside.write_text(text, encoding="utf-8", newline="\n")
        aside.replace(path)
    except OSError:
        aside.unlink(missing_ok=True)
        raise
    return path


def _as_stored(folder: Path, settings: Settings, known: Table) -> Table:
    """Give a table with its columns in the order of the file's first line."""
    t = settings.table(known.name) if known.name in TABLES else known
    header = read_header(folder, t)
    columns = {c.name: c for c in t.columns}
    return replace(t, columns=tuple(columns.get(n) or Column(n, "text", n) for n in header))
