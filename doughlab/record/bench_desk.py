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
from pathlib import Path
from typing import Any

from doughlab.errors import DoughlabError, InputError, Problem
from doughlab.record.bench_forms import FORMS, FieldErrors, Form, build_forms
from doughlab.record.blind import find_coded, hide_balls
from doughlab.record.desk import ACTIONS, Asked
from doughlab.record.due import due, list_needs
from doughlab.record.entry import build_entry
from doughlab.record.folder import TrialFolder, read_folder
from doughlab.record.growth import Grown, read_on
from doughlab.record.journal import append
from doughlab.record.panel import list_unasked, tell_judges
from doughlab.record.place import place_words
from doughlab.record.records import Records
from doughlab.record.storage import NotStored
from doughlab.record.watch import list_watch
from doughlab.tables import RECORDS, TABLES

Json = dict[str, Any]
CLOCK_OFF = timedelta(minutes=2)
MOST_ENTRIES = 200
LONGEST = 2000
_ID = re.compile(r"[A-Za-z0-9-]{8,48}")
_STILL = ("trial.toml", "waters.csv", "formula.toml", "plan/batches.csv", "plan/balls.csv",
          "plan/schedule.csv", "plan/plan.lock")  # fmt: skip


class Refused(DoughlabError):  # noqa: N818
    """An entry that was not stored: the whole sentence, and what to say beside which field."""

    def __init__(self, words: str, fields: Mapping[str, str] | None = None) -> None:
        super().__init__(words)
        self.fields = dict(fields or {})


@dataclass(frozen=True)
class Sent:
    """One entry as a phone sent it, its shape checked and nothing else.

    Attributes
    ----------
    entry_id : str
        Made on the phone.
    action : str
        A key of `bench_forms.FORMS`, or "undo".
    about : str
        Ball, batch, blind code, place or lot.
    values : dict of str to str
        By field, as typed.
    at : str
        When it happened, ISO 8601 with offset, by the phone's clock.
    by : str
        Who.
    session : str
        Of a judge's card.
    off : timedelta
        How far the phone's clock is ahead of this machine's.
    """

    entry_id: str
    action: str
    about: str
    values: dict[str, str]
    at: str
    by: str = ""
    session: str = ""
    off: timedelta = timedelta()


def read_sent(raw: Any, *, off: timedelta = timedelta()) -> Sent:
    """Check the shape of one entry.

    Raises
    ------
    Refused
        Where it is not what the page sends.

    Examples
    --------
    >>> sent = read_sent({"id": "12345678-a", "action": "note", "about": "B01",
    ...                   "values": {"note": "stiff"}, "at": "2026-03-05T09:00+01:00"})
    >>> sent.about, sent.values
    ('B01', {'note': 'stiff'})
    """
    if not isinstance(raw, dict):
        raise Refused("This is not an entry of the page. Open the page again.")
    texts = {k: raw.get(k, "") for k in ("id", "action", "about", "at", "by", "session")}
    values = raw.get("values", {})
    if not isinstance(values, dict) or not all(
        isinstance(t, str) and len(t) <= LONGEST
        for t in (*texts.values(), *values, *values.values())
    ):
        raise Refused("This is not an entry of the page. Open the page again.")
    if not _ID.fullmatch(texts["id"]):
        raise Refused("The entry has no id of its own. Open the page again.")
    if texts["action"] not in FORMS and texts["action"] != "undo":
        raise Refused(f"The bench cannot store '{texts['action'][:20]}'. Open the page again.")
    return Sent(
        texts["id"], texts["action"], texts["about"].strip(), values, texts["at"],
        texts["by"].strip()[:40], texts["session"], off,
    )  # fmt: skip


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

    @property
    def now(self) -> datetime:
        """The time of this machine."""
        return self._clock()

    @property
    def contents(self) -> TrialFolder:
        """The trial as it stands on the disk; only what changed is read again."""
        paths = {name: TABLES[name].path for name in RECORDS}
        stamps = {path: self._stamp(path) for path in (*_STILL, *paths.values())}
        if self._contents is None or any(stamps[p] != self._stamps.get(p) for p in _STILL):
            self._contents, self._grown = read_folder(self.folder), {}
        else:
            moved = [n for n, p in paths.items() if stamps[p] != self._stamps.get(p)]
            if moved:
                settings, old = self._contents.settings, self._contents.records
                for n in moved:
                    self._grown[n] = read_on(self.folder, settings.table(n), self._grown.get(n))
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
        """Say what the first page shows: what is due, what to watch, the forms; no blind code."""
        trial, at = self.contents, self.now
        plan, settings, records = trial.plan, trial.settings, trial.records
        todo = due(plan, records, at, formula=trial.formula) if plan is not None else []
        watch = list_watch(settings, plan, records, at)
        place = place_words(self.folder)
        watch += [f"This trial {place}"] if place else []
        batches = plan.batches if plan is not None else ()
        balls = plan.balls if plan is not None else ()
        return {
            "name": settings.name, "code": settings.code, "now": at.isoformat(),
            "temperature": settings.show_temperature,
            "due": [
                {"item": d.item, "step": d.step, "at": d.due_at.isoformat(), "when": d.when,
                 "place": d.place, "words": d.words}
                for d in todo
            ],
            "watch": watch,
            "forms": build_forms(settings),
            "batches": [{"batch": b["batch_id"], "day": b["block"]} for b in batches],
            "balls": [
                {"ball": b["ball_id"], "batch": b["batch_id"], "purpose": b["purpose"]}
                for b in balls
            ],
            "judges": list(settings.panel.judges),
            "sessions": list(plan.sessions) if plan is not None else [],
            "needs_plan": plan is None,
        }  # fmt: skip

    def ball(self, text: str) -> Json:
        """Say what a scanned or typed ball is and what it still needs.

        Raises
        ------
        Refused
            For a label of another trial, or a ball that is not in the plan.
        """
        trial = self.contents
        plan, code = trial.plan, trial.settings.code
        head, slash, rest = text.strip().partition("/")
        if slash and head.casefold() != code.casefold():
            raise Refused(f"{text.strip()[:40]} is a label of another trial; this one is {code}.")
        word = (rest if slash else head).casefold()
        found = [b for b in (plan.balls if plan else ()) if str(b["ball_id"]).casefold() == word]
        if plan is None or not found:
            raise Refused(f"{text.strip()[:40]} is no ball of this trial. Look at the label again.")
        ball = found[0]
        records, own = trial.records, ball["ball_id"]
        given = [f"pH {r['ph']:g}" for r in records.readings if r["ball_id"] == own and r["ph"]]
        return {
            "ball": own, "batch": ball["batch_id"], "purpose": ball["purpose"],
            "place": ball["place"] or "", "session": ball["session"] or "",
            "needs": list_needs(plan, records, own), "given": given,
        }  # fmt: skip

    def card(self, judge: str, session: str) -> Json:
        """Give one judge's card of a session: codes in the judge's own order, what is scored.

        Raises
        ------
        Refused
            For a judge or a session that the trial does not have.
        """
        trial = self.contents
        plan = trial.plan
        if plan is None or judge not in trial.settings.panel.judges:
            raise Refused(f"{judge[:40]} is no judge of this trial.")
        if session not in plan.sessions:
            raise Refused(f"{session[:40]} is no session of this trial.")
        order = plan.serving_orders(session).get(judge, [])
        scored: dict[str, set[str]] = {}
        for row in trial.records.scores:
            if row["judge"] == judge and row["score"] is not None:
                scored.setdefault(row["ball_id"], set()).add(row["criterion"])
        needed = {c.name for c in trial.settings.rubric.values() if c.weight > 0}
        return {
            "judge": judge, "session": session, "told": tell_judges(trial.settings),
            "asked": judge not in list_unasked(trial.settings, trial.records),
            "codes": [
                {"code": plan.ball(b)["blind_code"], "position": i,
                 "done": needed <= scored.get(b, set())}
                for i, b in enumerate(order, start=1)
            ],
        }  # fmt: skip

    def store(self, sent: Sent) -> Json:
        """Store one entry; it is answered only after the disk has it.

        Returns
        -------
        dict
            id, "saved", `words` for the page, `warnings`, and the ids of its rows.

        Raises
        ------
        Refused
            With the sentence and the fields; nothing was stored.
        """
        trial = self.contents
        form = FORMS.get(sent.action)
        blind = sent.action == "score"
        known = self._stored(trial, sent.entry_id)
        if known:
            return {"id": sent.entry_id, "saved": True, "again": True, "rows": known,
                    "words": "saved", "warnings": []}  # fmt: skip
        try:
            return self._undo(trial, sent) if form is None else self._keep(trial, sent, form)
        except NotStored as error:
            raise Refused(str(error)) from None
        except InputError as error:
            own = error.fields if isinstance(error, FieldErrors) else {}
            fields = own or _field_words(error.problems, form)
            words = str(error) if not fields else ""
            if blind:
                words = hide_balls(trial.plan, words)
                fields = {k: hide_balls(trial.plan, v) for k, v in fields.items()}
            raise Refused(words or "Look at the fields marked below.", fields) from None

    def _stored(self, trial: TrialFolder, entry_id: str) -> list[str]:
        """Find the rows that an entry left in the files."""
        rows = re.compile(re.escape(entry_id) + r"(\.\d+)?")
        found = []
        for name in RECORDS:
            ids = self._grown[name].ids if name in self._grown else set()
            if ids and not ids & {entry_id, f"{entry_id}.1"}:
                continue
            found += [
                str(r["entry_id"])
                for r in trial.records.history(name)
                if r["entry_id"].startswith(entry_id) and rows.fullmatch(r["entry_id"])
            ]
        return found

    def _keep(self, trial: TrialFolder, sent: Sent, form: Form) -> Json:
        words = form.words_of(trial, self._about(trial, sent), sent.values)
        asked = Asked(sent.action, tuple(words), self.now, at=sent.at)
        entry = build_entry(trial, asked)
        rows = _with_ids(entry.rows, sent)
        ids = append(self.folder, entry.table, rows, by=sent.by, now=self.now)
        warnings = [hide_balls(trial.plan, w) if sent.action == "score" else w
                    for w in entry.warnings]  # fmt: skip
        return {"id": sent.entry_id, "saved": True, "again": False, "rows": ids,
                "words": "saved", "warnings": warnings}  # fmt: skip

    def _about(self, trial: TrialFolder, sent: Sent) -> str:
        """Name what the entry is about; a judge gives a code, never a ball."""
        form = FORMS[sent.action]
        if sent.action != "score":
            if form.about and not sent.about:
                raise Refused("Say what it is about.", {"about": "Scan it or type it here."})
            return sent.about
        code = int(sent.about) if re.fullmatch(r"[1-9][0-9]{2}", sent.about) else 0
        ball = find_coded(trial.plan, sent.session, code)
        if ball is None:
            shown = sent.about[:10]
            raise Refused(
                f"No sample of this session has the code {shown}.",
                {"about": f"{shown} is not on your card: take the three digits from the plate."},
            )
        return ball

    def _undo(self, trial: TrialFolder, sent: Sent) -> Json:
        """Take back every row of an entry, one correction row each."""
        action, target = sent.values.get("action", ""), sent.about
        if action not in ACTIONS or not _ID.fullmatch(target):
            raise Refused("There is nothing to take back. Open the page again.")
        rows = self._stored(trial, target)
        if not rows:
            raise Refused("That entry is not in the files, so there is nothing to take back.")
        reason = sent.values.get("reason", "").strip() or "taken back at the bench"
        drafts, table = [], trial.settings.table(ACTIONS[action].table)
        for entry_id in rows:
            asked = Asked(action, (), self.now, void=entry_id, reason=reason)
            drafts += build_entry(trial, asked).rows
        ids = append(self.folder, table, _with_ids(drafts, sent), by=sent.by, now=self.now)
        return {"id": sent.entry_id, "saved": True, "again": False, "rows": ids,
                "words": "taken back", "warnings": []}  # fmt: skip


def _with_ids(rows: Sequence[Json], sent: Sent) -> list[Json]:
    """Give each row the id of its entry, and say where the phone's clock is off."""
    many = len(rows) > 1
    out = []
    for i, row in enumerate(rows, start=1):
        new = {**row, "entry_id": f"{sent.entry_id}.{i}" if many else sent.entry_id}
        if abs(sent.off) > CLOCK_OFF and row.get("action") != "void":
            minutes = round(abs(sent.off).total_seconds() / 60)
            side = "fast" if sent.off > timedelta() else "slow"
            said = f"clock of the phone {minutes} min {side}"
            new["note"] = f"{row['note']}; {said}" if row.get("note") else said
        out.append(new)
    return out


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
