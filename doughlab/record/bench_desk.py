"""The bench without its server: what the page shows, and entries from phones made safe.

`bench` hands over what phones send and shows what comes back. Entries go the way of `doughlab
record`: `entry.build_entry` judges, `journal.append` stores. An entry carries an id made on the
phone; ids stand in the files, so that one sent twice, or again after a stop, is stored once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from time import monotonic
from typing import Any
from zoneinfo import ZoneInfo

from doughlab.errors import InputError, Problem
from doughlab.plan.meters import count_readings
from doughlab.record.bench_forms import FORMS, FieldErrors, Form, Refused
from doughlab.record.bench_sent import ENTRY_ID, Sent, local_time, with_ids
from doughlab.record.bench_views import refuse_code, view_ball, view_card, view_overview
from doughlab.record.bench_words import place_lines, say, say_all
from doughlab.record.blind import find_coded, hide_balls
from doughlab.record.clock import parse_when
from doughlab.record.desk import ACTIONS, Asked
from doughlab.record.entry import build_entry, draft_rows
from doughlab.record.folder import TrialFolder, read_folder
from doughlab.record.growth import Grown, read_on
from doughlab.record.journal import append
from doughlab.record.records import Records
from doughlab.tables import RECORDS, TABLES

Json = dict[str, Any]
MOST_ENTRIES = 200
WAIT_S = 3.0  # for another program; then the phone keeps the entry and sends it again
SHOWN_FOR = timedelta(seconds=20)
AHEAD = timedelta(minutes=15)
# Where the first page takes longer, it takes a sixth of the time at most.
SLOW_S, REST = 0.3, 5.0
COMPARE_S = 10.0  # so often the files are compared as a whole with what was read of them
_BY_BALL = frozenset({"pulled", "reading", "bake", "lost", "note", "mix"})
# What was typed, of rows that carry assumed columns too; the rest may differ when sent again.
_TYPED = {
    "readings": ("ball_id", "ph", "acidity_ml", "read_at"), "bakes": ("ball_id", "core_temp_c"),
    "scores": ("ball_id", "judge", "criterion", "score"), "notes": ("about", "kind", "at"),
    "calibrations": ("buffers", "slope_pct", "temp_c"), "lots": ("lot_id", "kind"),
    "temperatures": ("place", "temp_c", "at"), "mixes": ("batch_id",),
    "trainees": ("trainee", "kind", "trainee_value", "experienced_value"),
}  # fmt: skip
_STILL = ("trial.toml", "waters.csv", "formula.toml", "plan/batches.csv", "plan/balls.csv",
          "plan/schedule.csv", "plan/plan.lock")  # fmt: skip


@dataclass(frozen=True)
class _View:
    """The first page as it was last worked out: of which records, when, how long it took."""

    trial: TrialFolder
    at: datetime
    made: float
    cost: float
    shown: Json


class Bench:
    """A trial folder at the bench: read when something changed, written entry by entry.

    Parameters
    ----------
    folder : Path
    clock : callable, optional
        Gives the time with offset; for tests.
    """

    def __init__(self, folder: Path, *, clock: Callable[[], datetime] | None = None) -> None:
        self.folder = Path(folder)
        self._clock = clock or (lambda: datetime.now().astimezone().replace(microsecond=0))
        self._contents: TrialFolder | None = None
        self._stamps: dict[str, tuple[int, int]] = {}
        self._grown: dict[str, Grown] = {}
        self._ids: dict[str, set[str]] = {}
        self._compared = 0.0
        self._view: _View | None = None

    @property
    def now(self) -> datetime:
        """The time of this machine."""
        return self._clock()

    @property
    def contents(self) -> TrialFolder:
        """The trial as it stands on the disk; only what changed is read again."""
        return self._read(quick=False)

    def _read(self, *, quick: bool) -> TrialFolder:
        """Read what changed; quickly for an entry, which needs the end of the files only."""
        now = monotonic()
        quick = quick or now - self._compared < COMPARE_S
        self._compared = self._compared if quick else now
        paths = {name: TABLES[name].path for name in RECORDS}
        stamps = {path: self._stamp(path) for path in (*_STILL, *paths.values())}
        if self._contents is None or any(stamps[p] != self._stamps.get(p) for p in _STILL):
            self._contents, self._grown = read_folder(self.folder), {}
            self._ids = {}
        else:
            moved = [n for n, p in paths.items() if stamps[p] != self._stamps.get(p)]
            if moved:
                settings, old = self._contents.settings, self._contents.records
                for n in moved:
                    own, grown = settings.table(n), self._grown.get(n)
                    self._grown[n] = read_on(self.folder, own, grown, quick=quick)
                fresh = {n: self._grown[n].journal for n in moved}
                self._contents = replace(self._contents, records=Records({**old.journals, **fresh}))
        self._stamps = stamps
        return self._contents

    def _stamp(self, path: str) -> tuple[int, int]:
        try:
            found = (self.folder / path).stat()
        except OSError:
            return (0, 0)
        return (found.st_mtime_ns, found.st_size)

    def overview(self) -> Json:
        """Say what the first page shows; worked out once for a while, whoever asks.

        In a long trial, where that takes its time, it may be a few seconds old, so that phones
        that save get their answer; it says so, and the page asks again.
        """
        trial, now, start = self.contents, self.now, monotonic()
        known = self._view
        if known is not None:
            current = known.trial is trial and now - known.at <= SHOWN_FOR
            rests = known.cost > SLOW_S and start - known.made < REST * known.cost
            if current or rests:
                return known.shown | {"now": now.isoformat(), "old": not current}
        shown = view_overview(trial, now)
        made = monotonic()
        self._view = _View(trial, now, made, made - start, shown)
        return shown

    def ball(self, text: str) -> Json:
        """Say what a scanned or typed ball is and still needs; see `bench_views.view_ball`."""
        return view_ball(self.contents, text, self.now)

    def card(self, judge: str, session: str) -> Json:
        """Give one judge's card of a session; see `bench_views.view_card`."""
        return view_card(self.contents, judge, session)

    def store(self, sent: Sent) -> Json:
        """Store one entry; it is answered only after the disk has it.

        Returns
        -------
        dict
            id, saved, again (the files had it already), rows (ids in the files), words, warnings.

        Raises
        ------
        Refused
            When it cannot be stored.
        NotStored
            When the disk cannot take it just now; the phone keeps it and sends it again.
        """
        trial = self._read(quick=True)
        sent = replace(sent, at=local_time(sent.at, trial.settings.timezone))
        form = FORMS.get(sent.action)
        try:
            return self._undo(trial, sent) if form is None else self._keep(trial, sent, form)
        except InputError as error:
            raise self._refusal(trial, sent, form, error) from None

    def _refusal(
        self, trial: TrialFolder, sent: Sent, form: Form | None, error: InputError
    ) -> Refused:
        """Write a refusal for the phone, each sentence beside the field that it is about."""
        fields = dict(error.fields) if isinstance(error, FieldErrors) else {}
        rest: list[str] = []
        if form is not None and not fields:
            fields = _field_words(error.problems, form)
            if not fields:
                shown = form.fields(trial.settings)
                fields, rest = place_lines(str(error).splitlines(), form, shown)
        elif not fields:
            rest = str(error).splitlines()
        hide: Callable[[str], str] = str
        if sent.action == "score":
            hide = partial(_hide, trial, sent)
        table = form.table if form is not None else ""
        for name, line in fields.items():
            own = name.partition("#")[0]
            bare = line.removeprefix(f"{own} ").removeprefix(f"{own}: ")
            fields[name] = hide(say(bare, trial.settings, now=self.now, table=table))
        words = " ".join(hide(w) for w in say_all(rest, trial.settings, now=self.now))
        return Refused(words or "Look at the fields marked below.", fields)

    def _stored(self, trial: TrialFolder, entry_id: str) -> dict[str, list[str]]:
        """Find the rows that an entry left in the files, by table."""
        rows = re.compile(re.escape(entry_id) + r"(\.\d+)?")
        found: dict[str, list[str]] = {}
        for name in RECORDS:
            ids = self._known_ids(trial, name)
            if not ids & {entry_id, f"{entry_id}.1"}:
                continue
            own = [i for i in ids if i.startswith(entry_id) and rows.fullmatch(i)]
            found[name] = sorted(own, key=lambda i: (len(i), i))
        return found

    def _known_ids(self, trial: TrialFolder, name: str) -> set[str]:
        """Give the ids of a journal; gathered anew for one that is not read on, being damaged."""
        grown = self._grown.get(name)
        if grown is not None and grown.ids:
            return grown.ids
        if grown is not None or name not in self._ids:
            self._ids[name] = {r["entry_id"] for r in trial.records.history(name)}
        return self._ids[name]

    def _keep(self, trial: TrialFolder, sent: Sent, form: Form) -> Json:
        typed = {k: v for k, v in sent.values.items() if k != "reason"}
        about = self._about(trial, sent)
        words = tuple(form.words_of(trial, about, self._dated(trial, sent, form, typed)))
        if sent.action == "score":
            words += (f"blind_code={sent.about}",)
        asked = Asked(
            sent.action, words, self.now, at=sent.at, reason=sent.values.get("reason", ""),
            device=True,
        )  # fmt: skip
        stored = self._stored(trial, sent.entry_id)
        if stored:
            return self._again(trial, sent, asked, stored)
        if _stands(trial, sent.action, about):
            asked = replace(asked, at="")  # what is added later does not move the time
        entry = build_entry(trial, asked)
        self._refuse_ahead(entry.rows, typed)
        said = entry.warnings + _twice_words(trial, sent.action, about, len(entry.rows))
        said += _unbaked_words(trial, sent.action, about)
        rows = with_ids(entry.rows, sent)
        grown = self._grown.get(entry.table.name)
        ids = append(self.folder, entry.table, rows, by=sent.by, now=self.now, wait_s=WAIT_S,
                     seen=grown.size if grown else 0)  # fmt: skip
        warnings = say_all(said, trial.settings, now=self.now)
        if sent.action == "score":
            warnings = [_hide(trial, sent, w) for w in warnings]
        return {"id": sent.entry_id, "saved": True, "again": False, "rows": ids,
                "words": "saved", "warnings": warnings}  # fmt: skip

    def _dated(
        self, trial: TrialFolder, sent: Sent, form: Form, typed: Mapping[str, str]
    ) -> dict[str, str]:
        """Give hours as typed the day on which they were typed: the phone may send them later."""
        if not sent.at:
            return dict(typed)
        zone, wrong, out = trial.settings.timezone, {}, dict(typed)
        at = parse_when(sent.at, timezone=zone, now=self.now, what="time")
        for field in form.fields(trial.settings):
            name, text = str(field["name"]), typed.get(str(field["name"]), "").strip()
            if field["kind"] != "time" or not text:
                continue
            try:
                out[name] = parse_when(text, timezone=zone, now=at, what=name).isoformat()
            except InputError as error:
                wrong[name] = str(error)
        if wrong:
            raise FieldErrors(wrong)
        return out

    def _refuse_ahead(self, rows: Sequence[Json], typed: Mapping[str, str]) -> None:
        """Ask about a typed time that has not come yet: most often it was yesterday."""
        wrong = {
            name: f"{value:%H:%M} is still to come; it is {self.now.astimezone(value.tzinfo):%H:%M}"
            f". If it was yesterday: yesterday {value:%H:%M}."
            for row in rows for name, value in row.items()
            if isinstance(value, datetime) and typed.get(name, "").strip()
            and value - self.now > AHEAD
        }  # fmt: skip
        if wrong:
            raise FieldErrors(wrong)

    def _again(
        self, trial: TrialFolder, sent: Sent, asked: Asked, stored: Mapping[str, list[str]]
    ) -> Json:
        """Answer an entry whose id is in the files: the same is acknowledged, the rest added.

        A power cut may have left some of its rows only; these are not stored twice, the others
        are. Another entry under the same id is refused, since it would be lost.
        """
        table = trial.settings.table(ACTIONS[sent.action].table)
        known = stored.get(table.name, [])
        history = trial.records.history(table.name)
        own = {r["entry_id"]: r for r in history if r["entry_id"] in set(known)}
        before = _without(trial, table.name, set(known))
        about = self._about(trial, sent)
        if _stands(before, sent.action, about):
            asked = replace(asked, at="")
        rows = with_ids(draft_rows(before, asked), sent)
        names = [n for n in table.names if n in _TYPED.get(table.name, table.names)]
        given = {row["entry_id"] for row in rows}
        same = (
            bool(known)
            and given.issuperset(known)
            and all(
                row["entry_id"] not in own
                or all(row.get(n) == own[row["entry_id"]][n] for n in names)
                for row in rows
            )
        )
        if not same:
            raise Refused("Another entry is stored under this id. Enter it anew on the page.")
        missing = [r for r in rows if r["entry_id"] not in own]
        if missing:
            append(self.folder, table, missing, by=sent.by, now=self.now, wait_s=WAIT_S)
        ids = [r["entry_id"] for r in rows]
        return {"id": sent.entry_id, "saved": True, "again": not missing, "rows": ids,
                "words": "saved", "warnings": []}  # fmt: skip

    def _about(self, trial: TrialFolder, sent: Sent) -> str:
        """Name what the entry is about; a judge gives a code, and nobody else does."""
        form = FORMS[sent.action]
        if sent.action != "score":
            if form.about and not sent.about:
                raise Refused("Say what it is about.", {"about": "Scan it or type it here."})
            if form.action in _BY_BALL:
                refuse_code(trial, sent.about)
            return sent.about
        code = int(sent.about) if re.fullmatch(r"[1-9][0-9]{2}", sent.about) else 0
        ball = find_coded(trial.plan, sent.session, code, trial.records)
        if ball is None:
            shown = sent.about[:10]
            raise Refused(
                f"No sample of this session has the code {shown}.",
                {"about": f"{shown} is not on your card: take the three digits from the plate."},
            )
        return ball

    def _undo(self, trial: TrialFolder, sent: Sent) -> Json:
        """Take back every row of an entry, one correction row each; each once."""
        action, target = sent.values.get("action", ""), sent.about
        if action not in ACTIONS or not ENTRY_ID.fullmatch(target):
            raise Refused("There is nothing to take back. Open the page again.")
        table = trial.settings.table(ACTIONS[action].table)
        rows = self._stored(trial, target).get(table.name, [])
        if not rows:
            raise Refused("That entry is not in the files, so there is nothing to take back.")
        done = set(self._stored(trial, sent.entry_id).get(table.name, []))
        reason = sent.values.get("reason", "").strip() or "taken back at the bench"
        many, ids, drafts = len(rows) > 1, [], []
        for i, row_id in enumerate(rows, start=1):
            own = f"{sent.entry_id}.{i}" if many else sent.entry_id
            ids.append(own)
            if own not in done:
                asked = Asked(action, (), self.now, void=row_id, reason=reason)
                drafts += [{**r, "entry_id": own} for r in build_entry(trial, asked).rows]
        if drafts:
            append(self.folder, table, drafts, by=sent.by, now=self.now, wait_s=WAIT_S)
        return {"id": sent.entry_id, "saved": True, "again": not drafts, "rows": ids,
                "words": "taken back", "warnings": []}  # fmt: skip


def _hide(trial: TrialFolder, sent: Sent, text: str) -> str:
    """Write codes for balls: for the one on the judge's plate the code that is on it."""
    code = int(sent.about) if sent.about.isascii() and sent.about.isdigit() else 0
    own = find_coded(trial.plan, sent.session, code, trial.records)
    if own is not None:
        text = re.sub(rf"(?<![\w-]){re.escape(own)}(?![\w-])", f"code {code}", text)
    return hide_balls(trial.plan, text, trial.records)


def _without(trial: TrialFolder, table: str, ids: set[str]) -> TrialFolder:
    """Give the trial as it was without some rows of a table."""
    journals = trial.records.journals
    old = journals[table]
    history = [r for r in old.history if r["entry_id"] not in ids]
    gone = {r["entry_id"] for r in old.history if r["replaces"] in ids}
    mended = {r["replaces"] for r in old.history if r["entry_id"] in ids and r["replaces"]}
    rows = [r for r in old.rows if r["entry_id"] not in ids | gone]
    rows += [r for r in old.history if r["entry_id"] in mended]
    fresh = replace(old, rows=rows, history=history)
    return replace(trial, records=Records({**journals, table: fresh}))


def _stands(trial: TrialFolder, action: str, about: str) -> bool:
    """Tell whether a mix or bake is written down already, so that an entry only adds to it."""
    records = trial.records
    rows = {"mix": records.mixes, "bake": records.bakes}.get(action, [])
    word = about.rpartition("/")[2].casefold()
    return any(
        str(r["batch_id" if action == "mix" else "ball_id"]).casefold() == word for r in rows
    )


def _twice_words(trial: TrialFolder, action: str, about: str, count: int) -> list[str]:
    """Say that a ball had readings already: a second phone may have entered the same ones."""
    if action != "reading" or trial.plan is None:
        return []
    word = about.rpartition("/")[2].casefold()
    ball = next((b for b in trial.plan.balls if str(b["ball_id"]).casefold() == word), None)
    readings = trial.records.journals.get("readings")
    had = readings.of([ball["ball_id"]]) if readings is not None and ball is not None else []
    planned = count_readings(trial.settings)
    planned *= 2 if ball is not None and ball["purpose"] == "pair" else 1
    if not had or ball is None or len(had) + count <= planned:
        return []
    zone = ZoneInfo(trial.settings.timezone)
    by = f" by {had[-1]['entered_by']}" if had[-1]["entered_by"] else ""
    shown = ", ".join(f"{r['ph']:g}" for r in had[-3:] if r["ph"] is not None)
    return [
        f"{ball['ball_id']} had {len(had)} readings before these ({shown}, the last at "
        f"{had[-1]['read_at'].astimezone(zone):%H:%M}{by}); {planned} are planned, and all are "
        "averaged. Entered twice? Then open the ball and take one back there."
    ]


def _unbaked_words(trial: TrialFolder, action: str, ball: str) -> list[str]:
    if action != "score" or any(b["ball_id"] == ball for b in trial.records.bakes):
        return []
    return ["No bake of this sample is written down yet: tell whoever bakes."]


def _field_words(problems: Sequence[Problem], form: Form | None) -> dict[str, str]:
    """Put each problem beside the field that it is about."""
    if form is None:
        return {}
    out: dict[str, str] = {}
    for p in problems:
        name = form.field_of(p.column or "")
        if name:
            out.setdefault(name, p.message)
    return out
