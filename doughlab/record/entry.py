"""Entries: what somebody wants to write down, made into rows and judged before storing.

`doughlab record` and the bench build entries here and hand the rows to `journal.append`.
The same sense checks judge an entry before it is stored and the folder afterwards.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from doughlab.errors import InputError, Problem, UnknownName
from doughlab.files import Rows, check_links
from doughlab.record.checks import CLOCK_OFF, clock_words
from doughlab.record.desk import ACTIONS, Asked, Desk
from doughlab.record.draft import JOURNAL_NAMES, Draft, name_item
from doughlab.record.folder import TrialFolder, no_plan_words
from doughlab.record.journal import Journal, check_row, short_name
from doughlab.record.records import STATED_AT, Records
from doughlab.record.sense import check_sense
from doughlab.record.warmth import ask_unit
from doughlab.tables import Table
from doughlab.units import typed_unit

Row = dict[str, Any]
_UNSTORED = re.compile(r", row -\d+,")
PLANNED = frozenset({"mix", "pulled", "reading", "bake", "score", "lost"})
LAST = 50
_BY_ITEM = ("mixes", "readings", "bakes", "scores", "notes")


@dataclass(frozen=True)
class Entry:
    """Rows that may be stored.

    Attributes
    ----------
    table : Table
    rows : list of dict
        Ready for `journal.append`.
    about : tuple of str
        The balls, batches or other items they are about.
    warnings : list of str
        What should be looked at, though it may be stored.
    shown : dict of str to str
        Column to the unit it was typed in, so that the answer can be given in it.
    """

    table: Table
    rows: list[Row]
    about: tuple[str, ...] = ()
    warnings: list[str] = field(default_factory=list)
    shown: dict[str, str] = field(default_factory=dict)


def build_entry(contents: TrialFolder, asked: Asked) -> Entry:
    """Make rows of what was typed, and judge them.

    Parameters
    ----------
    contents : TrialFolder
        The trial as it stands.
    asked : Asked

    Returns
    -------
    Entry

    Raises
    ------
    InputError
        When it cannot be stored: a value that cannot be, an unknown ball, a pierced ball baked.

    Examples
    --------
    >>> from pathlib import Path
    >>> from doughlab.settings import Settings
    >>> trial = TrialFolder(Path("no such folder"), Settings("Demo", "DE"))
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> entry = build_entry(trial, Asked("temperature", ("cooler", "38 F"), now))
    >>> entry.about, round(entry.rows[0]["temp_c"], 2), entry.shown
    (('cooler',), 3.33, {'temp_c': 'F'})
    """
    desk = _sit_down(contents, asked)
    if asked.void:
        return _void(desk)
    drafts = _draft(desk)
    rows = [_finish(desk.table, draft, asked.reason) for draft in drafts]
    if not asked.device:
        refuse_ahead(desk.table, rows, asked.now)
    entry = judge(contents, desk.table, rows, now=asked.now)
    return replace(entry, shown=_typed_units(desk.table, drafts[0].typed))


def refuse_ahead(table: Table, rows: Sequence[Row], now: datetime) -> None:
    """Refuse times that have not come yet, but for two minutes by which clocks may differ.

    Parameters
    ----------
    table : Table
    rows : sequence of dict
        Parsed; "_row" where they come from a file.
    now : datetime
        With offset.

    Raises
    ------
    InputError
        With each such row and column.

    Examples
    --------
    >>> from doughlab.tables import table
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> rows = [{"place": "cooler", "at": datetime.fromisoformat("2026-03-02T22:10+00:00")}]
    >>> refuse_ahead(table("temperatures"), rows, now)
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: at Mon 2 Mar 22:10 is still to come; it is Mon 2 Mar 09:00. ...
    """
    problems = []
    for row in rows:
        for column in STATED_AT[table.name]:
            at = row.get(column)
            if at is not None and at > now + CLOCK_OFF:
                local = now.astimezone(at.tzinfo)
                words = (
                    f"{column} {at:%a} {at.day} {at:%b %H:%M} is still to come; it is {local:%a} "
                    f"{local.day} {local:%b %H:%M}. Nothing was stored. Write it down once it is "
                    f"done; if it was the day before: yesterday {at:%H:%M}."
                )
                problems.append(Problem(table.path, words, row.get("_row"), column))
    if problems:
        raise InputError("\n".join(dict.fromkeys(p.message for p in problems)), problems=problems)


def draft_rows(contents: TrialFolder, asked: Asked) -> list[Row]:
    """Make the rows of `build_entry` without judging them: what an entry was, sent once more.

    Raises
    ------
    InputError
        When no row can be made of it.

    Examples
    --------
    >>> from pathlib import Path
    >>> from doughlab.settings import Settings
    >>> trial = TrialFolder(Path("no such folder"), Settings("Demo", "DE"))
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> len(draft_rows(trial, Asked("temperature", ("cooler", "3.6"), now)))
    1
    """
    desk = _sit_down(contents, asked)
    return [_finish(desk.table, draft, asked.reason) for draft in _draft(desk)]


def _sit_down(contents: TrialFolder, asked: Asked) -> Desk:
    if asked.action not in ACTIONS:
        raise UnknownName("action", asked.action, ACTIONS)
    return Desk(contents, asked, contents.settings.table(ACTIONS[asked.action].table))


def _draft(desk: Desk) -> list[Draft]:
    asked, show = desk.asked, desk.settings.show_temperature
    if desk.contents.plan is None and asked.action in PLANNED:
        raise InputError(no_plan_words(desk.contents.path))
    drafts = ACTIONS[asked.action].build(desk)
    if asked.replaces:
        drafts = [_mend(desk, drafts)]
    for draft in drafts:
        ask_unit(desk.table, draft.row | draft.typed, show=show)
    return drafts


def _typed_units(table: Table, typed: Row) -> dict[str, str]:
    numbers = {c.name for c in table.columns if c.kind == "number" and c.unit}
    texts = {k: v for k, v in typed.items() if k in numbers and isinstance(v, str) and v}
    return {k: unit for k, v in texts.items() if (unit := typed_unit(v))}


def _journal(desk: Desk) -> Journal:
    return desk.contents.records.journals.get(desk.table.name, Journal(desk.table))


def _void(desk: Desk) -> Entry:
    """Take entries back; what each was about is copied, so that the new row says it too.

    Several are named with commas or spaces between them. What was stored together with them and
    stays is said, with the line that takes it too.
    """
    if not desk.asked.reason:
        raise InputError("Say why it is taken back: --reason TEXT")
    journal, item = _journal(desk), name_item(desk.table)
    named = [b for w in re.split(r"[,;\s]+", desk.asked.void) if w for b in _named(journal, w)]
    bases = list({b["entry_id"]: b for b in named}.values())
    needed = {c.name for c in desk.table.columns if c.required} - JOURNAL_NAMES
    rows = []
    for base in bases:
        _check_not_void(journal, base)
        row = {k: base[k] for k in needed}
        mark = {"action": "void", "replaces": base["entry_id"], "reason": desk.asked.reason}
        rows.append(row | mark)
    about = tuple(dict.fromkeys(str(base[item]) for base in bases))
    return Entry(desk.table, rows, about, _stay_words(desk, journal, bases))


def _named(journal: Journal, word: str) -> list[Row]:
    """Find the entry of a name; the rows of one set from a phone, where the name is of the set."""
    fits = journal.fitting(word)
    sets = {str(r["entry_id"]).partition(".")[0] for r in fits}
    if len(fits) > 1 and len(sets) == 1 and all("." in str(r["entry_id"]) for r in fits):
        current = {r["entry_id"] for r in journal.rows}
        return [r for r in fits if r["entry_id"] in current] or fits
    return [journal.entry(word)]


def _stay_words(desk: Desk, journal: Journal, bases: Sequence[Row]) -> list[str]:
    """Name the rows that were stored together with those taken back, and stay in use."""
    root = _rooted(journal)
    gone = {root(b["entry_id"]) for b in bases}
    first = {r["entry_id"]: r for r in journal.history}
    item = name_item(desk.table)

    def kept_with(row: Row) -> tuple[Any, ...]:
        start = first[root(row["entry_id"])]
        return start[item], start.get("judge"), start["entered_at"], start["entered_by"]

    own = {kept_with(b) for b in bases if b["entered_at"] is not None}
    stay = [r for r in journal.rows if root(r["entry_id"]) not in gone and kept_with(r) in own]
    if not stay:
        return []
    shown = [f"{r[c]:g}" for r in stay for c in ("ph", "score") if r.get(c) is not None]
    numbers = f" ({', '.join(shown)})" if len(shown) == len(stay) else ""
    many = f"{len(stay)} more were" if len(stay) > 1 else "one more was"
    stays, them = ("stay", "them") if len(stay) > 1 else ("stays", "it")
    ids = ",".join(short_name(r["entry_id"]) for r in stay)
    return [
        f"{many} stored together with it and {stays} in use{numbers}. To take {them} back too: "
        f"doughlab record {desk.asked.action} --void {ids} --reason TEXT"
    ]


def _rooted(journal: Journal) -> Callable[[str], str]:
    """Give the way from an entry back to the first one that it corrects."""
    first = {r["entry_id"]: r["replaces"] for r in journal.history if r["replaces"]}

    def root(entry_id: str) -> str:
        seen: set[str] = set()
        while entry_id in first and entry_id not in seen:
            seen.add(entry_id)
            entry_id = first[entry_id]
        return entry_id

    return root


def _check_not_void(journal: Journal, base: Row) -> None:
    """Refuse to take back what is taken back already, or a row that itself took one back."""
    if base["action"] == "void":
        raise InputError(
            f"entry '{short_name(base['entry_id'])}' takes another entry back. To have that one "
            "again: --replaces with its id, and name=value."
        )
    root = _rooted(journal)
    own = root(base["entry_id"])
    if all(root(r["entry_id"]) != own for r in journal.rows):
        voids = [r for r in journal.history if r["action"] == "void" and root(r["entry_id"]) == own]
        why = f": {voids[-1]['reason']}" if voids else ""
        raise InputError(
            f"entry '{short_name(base['entry_id'])}' was taken back already{why}. Nothing was "
            "stored."
        )


def _mend(desk: Desk, drafts: Sequence[Draft]) -> Draft:
    """Lay what was typed over the entry that it replaces."""
    if not desk.asked.reason:
        raise InputError("Say why it is corrected: --reason TEXT")
    if len(drafts) != 1:
        raise InputError(
            f"One entry replaces one entry; {len(drafts)} were given. Correct them one by one."
        )
    if not drafts[0].typed:
        raise InputError("Say what is right: name=value, beside --replaces.")
    return replace(drafts[0], mends=_journal(desk).entry(desk.asked.replaces))


def _finish(table: Table, draft: Draft, reason: str) -> Row:
    """Check the cells of a draft and say what it mends."""
    own = replace(table, columns=tuple(c for c in table.columns if c.name not in JOURNAL_NAMES))
    row = check_row(own, draft.row)
    if draft.mends is not None:
        row |= {"action": "replace", "replaces": draft.mends["entry_id"]}
        row["reason"] = reason or "completed"
    return row


def judge(contents: TrialFolder, table: Table, rows: Sequence[Row], *, now: datetime) -> Entry:
    """Judge rows against the plan and what is recorded, before they are stored.

    Parameters
    ----------
    contents : TrialFolder
    table : Table
        Where they belong.
    rows : sequence of dict
        Parsed values; "_row" where they come from a file, for the messages.
    now : datetime
        When they are entered.

    Returns
    -------
    Entry
        With what should be looked at.

    Raises
    ------
    InputError
        With everything that forbids to store them.

    Examples
    --------
    >>> from pathlib import Path
    >>> from doughlab.settings import Settings
    >>> from doughlab.tables import table
    >>> trial = TrialFolder(Path("no such folder"), Settings("Demo", "DE"))
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> lot = {"lot_id": "F1", "kind": "flour", "made_at": now}
    >>> judge(trial, table("lots"), [lot], now=now).about
    ('F1',)
    """
    fresh = [
        {**dict.fromkeys(table.names), **row, "entered_at": now, "_row": -row.get("_row", i)}
        for i, row in enumerate(rows, start=1)
    ]
    records = _related(contents, table, fresh)
    formula = contents.formula
    before = set(check_sense(contents.settings, contents.plan, records, formula=formula))
    after = _with_rows(records, table, fresh)
    after_all = check_sense(contents.settings, contents.plan, after, formula=formula)
    found = [p for p in after_all if p not in before]
    found += broken_links(contents, table, fresh)
    from_file = any("_row" in row for row in rows)
    found = [replace(p, message=_told(p.message, from_file=from_file)) for p in found]
    errors = [p for p in found if p.level == "error" and (p.row or 0) < 0]
    if errors:
        problems = [replace(p, row=-(p.row or 0)) for p in errors]
        raise InputError("\n".join(dict.fromkeys(p.message for p in errors)), problems=problems)
    warnings = [p.message for p in found if p.level == "error" or p.row is None or p.row < 0]
    for row in fresh:
        warnings += [clock_words(row[c], now, None, c) for c in STATED_AT[table.name]]
    about = tuple(dict.fromkeys(str(row[name_item(table)]) for row in fresh))
    plain = [{k: v for k, v in row.items() if k != "_row"} for row in rows]
    return Entry(table, plain, about, [w for w in dict.fromkeys(warnings) if w])


def _told(message: str, *, from_file: bool) -> str:
    """Say rows that are not stored yet by their place in the file they come from, or not at all."""
    return re.sub(r"row -(\d+)", r"row \1", message) if from_file else _UNSTORED.sub("", message)


def _related(contents: TrialFolder, table: Table, rows: Sequence[Row]) -> Records:
    """Take the records that the rows can disagree with: of their batches and judges."""
    if contents.plan is None:
        return contents.records
    batch_of = {b["ball_id"]: b["batch_id"] for b in contents.plan.balls}
    items = {row[name_item(table)] for row in rows}
    batches = {batch_of.get(item, item) for item in items}
    wanted = items | batches
    if table.name != "readings":  # a reading has nothing to say about other balls of its batch
        wanted |= {ball for ball, batch in batch_of.items() if batch in batches}
    judges = {row.get("judge") for row in rows} - {None}
    journals = {}
    for name, journal in contents.records.journals.items():
        kept = journal.rows
        if name in _BY_ITEM:
            kept = journal.of(wanted | judges if name == "notes" else wanted)
        if name == "temperatures":  # each is judged by itself; the last ones tell the time
            kept = kept[-LAST:]
        if name == "scores" and judges:
            kept = [r for r in journal.rows if r["ball_id"] in wanted or r["judge"] in judges]
        journals[name] = Journal(journal.table, kept, kept)
    return Records(journals)


def _with_rows(records: Records, table: Table, rows: Sequence[Row]) -> Records:
    gone = {row.get("replaces") for row in rows} - {None}
    before = records.journals.get(table.name, Journal(table)).rows
    kept = [r for r in before if r["entry_id"] not in gone]
    return Records({**records.journals, table.name: Journal(table, [*kept, *rows])})


def broken_links(contents: TrialFolder, table: Table, rows: Sequence[Row]) -> list[Problem]:
    """Find values of new rows that point to nothing; their "_row" is below zero.

    Examples
    --------
    >>> from pathlib import Path
    >>> from doughlab.settings import Settings
    >>> from doughlab.tables import table
    >>> trial = TrialFolder(Path("no such folder"), Settings("Demo", "DE"))
    >>> row = {**dict.fromkeys(table("readings").names), "ball_id": "B9", "_row": -2}
    >>> print(broken_links(trial, table("readings"), [row])[0].message)
    ball_id 'B9' is not in plan/balls.csv.
    """
    there: Mapping[str, Rows] = {
        "waters": contents.waters,
        **{name: Rows(j.rows) for name, j in contents.records.journals.items()},
    }
    if contents.plan is not None:
        plan = {"batches": contents.plan.batches, "balls": contents.plan.balls}
        there = {**there, **{name: Rows(list(found)) for name, found in plan.items()}}
    linked = {c.link.split(".")[0] for c in table.columns if c.link}
    targets = {name: Rows(there[name].rows) for name in linked if name in there}
    targets[table.name] = Rows(list(rows))
    tables = {name: contents.settings.table(name) for name in {*targets, *linked}}
    found = check_links(targets, tables, only=table.name)
    return [p for p in found if p.file == table.path and (p.row or 0) < 0]
