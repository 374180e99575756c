"""What the bench shows: the first page, one ball, one judge's card.

`bench_desk` asks for them. A judge may hold the same phone: no view names a ball beside a code, and
what judges still owe is counted, never listed by ball.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from doughlab.plan.plan import Plan
from doughlab.record.bench_forms import Refused, build_forms
from doughlab.record.bench_words import say_all
from doughlab.record.due import Due, closed_words, due, idle_words, list_needs
from doughlab.record.duplicates import AGAIN, list_duplicates, plate_code, plated_ball
from doughlab.record.folder import TrialFolder
from doughlab.record.names import find_id
from doughlab.record.panel import find_barred, list_unasked, tell_judges
from doughlab.record.place import place_words
from doughlab.record.records import Records
from doughlab.record.serving import list_hours, serve_orders, serve_session
from doughlab.record.watch import list_watch
from doughlab.tables import PIERCED

Json = dict[str, Any]
Row = dict[str, Any]
_OWN = re.compile(r"(.*?)(\.\d+)?")
_PURPOSES = {"ph": "for reading, then thrown away", "pair": "for two readings, then thrown away",
             "bake": "for the bake", "spare": "spare: takes the place of a lost ball"}  # fmt: skip


def view_overview(trial: TrialFolder, at: datetime) -> Json:
    """Say what the first page shows: what is due, what to watch, the forms; no blind code."""
    plan, settings, records = trial.plan, trial.settings, trial.records
    todo = due(plan, records, at, formula=trial.formula) if plan is not None else []
    watch = list_watch(settings, plan, records, at)
    place = place_words(trial.path)
    watch += [f"This trial {place}"] if place else []
    batches = plan.batches if plan is not None else ()
    balls = plan.balls if plan is not None else ()
    places = dict.fromkeys(str(r["place"]) for r in records.temperatures)
    lost = {n["about"] for n in records.notes if n["kind"] == "lost"}
    steps = [_step(d) for d in todo if d.step != "score"] + _scores_owed(todo)
    return {
        "name": settings.name, "code": settings.code, "now": at.isoformat(),
        "temperature": settings.show_temperature, "timezone": settings.timezone,
        "due": sorted(steps, key=lambda d: datetime.fromisoformat(d["at"])),
        "idle": _idle(plan, at),
        "watch": say_all(watch, settings, now=at),
        "forms": build_forms(settings, places=places, preferment=trial.has_preferment),
        "batches": [{"batch": b["batch_id"], "day": b["block"]} for b in batches],
        "balls": [
            {"ball": b["ball_id"], "batch": b["batch_id"], "purpose": b["purpose"],
             "lost": bool(lost & {b["ball_id"], b["batch_id"]})} for b in balls
        ],
        "people": list_people(trial),
        "judges": list(settings.panel.judges) if _is_scored(trial) else [],
        "sessions": _sessions(plan, settings.timezone) if plan is not None else [],
        "needs_plan": plan is None,
    }  # fmt: skip


def _idle(plan: Plan | None, at: datetime) -> str:
    """Say why nothing is due: a closed day, and when the plan goes on."""
    if plan is None:
        return ""
    local = at.astimezone(ZoneInfo(plan.settings.timezone))
    said = [closed_words(plan.settings, local), idle_words(plan, at)]
    return "; ".join(words for words in said if words)


def _step(d: Due) -> Json:
    return {"item": d.item, "step": d.step, "at": d.due_at.isoformat(), "when": d.when,
            "place": d.place, "words": d.words}  # fmt: skip


def _scores_owed(todo: Sequence[Due]) -> list[Json]:
    """Count what judges owe: a list by ball would tell a judge which code is which ball."""
    owed = [d for d in todo if d.step == "score"]
    if not owed:
        return []
    count = f"{len(owed)} samples" if len(owed) > 1 else "1 sample"
    first = min(owed, key=lambda d: d.due_at)
    return [_step(first) | {"item": "", "place": "", "words": f"{count} not scored by everybody"}]


def _is_scored(trial: TrialFolder) -> bool:
    return any(r.kind == "score" for r in trial.settings.responses.values())


def list_people(trial: TrialFolder) -> list[str]:
    """List who may hold a phone: named in the settings, or seen in the records."""
    settings = trial.settings
    named = [*settings.panel.judges, *settings.training.trainees, *settings.training.experienced]
    seen: dict[str, None] = {}
    for table in ("mixes", "readings", "bakes", "notes", "temperatures"):
        for row in trial.records.history(table)[-200:]:
            seen.setdefault(str(row["entered_by"] or ""), None)
    return [p for p in dict.fromkeys([*named, *seen]) if p][:12]


def _bakes_due(plan: Plan, session: str) -> dict[str, datetime]:
    own = {b["ball_id"] for b in plan.balls if b["session"] == session and b["purpose"] == "bake"}
    return {r["item"]: r["due_at"] for r in plan.schedule
            if r["step"] == "bake" and r["item"] in own}  # fmt: skip


def _sessions(plan: Plan, timezone: str) -> list[Json]:
    """List the sessions that have bakes, each with its day."""
    zone, out = ZoneInfo(timezone), []
    for session in plan.sessions:
        times = _bakes_due(plan, session).values()
        if any(b["session"] == session and b["purpose"] == "bake" for b in plan.balls):
            day = min(times).astimezone(zone).date().isoformat() if times else ""
            out.append({"session": session, "day": day})
    return out


def view_ball(trial: TrialFolder, text: str, at: datetime) -> Json:
    """Say what a scanned or typed ball is, what it has and still needs; or which batch it is.

    Raises
    ------
    Refused
        For a label of another trial, a judge's code, or a ball that is not in the plan.
    """
    plan, code = trial.plan, trial.settings.code
    shown = text.strip()[:40]
    head, slash, rest = text.strip().partition("/")
    if slash and head.casefold() != code.casefold():
        raise Refused(f"{shown} is a label of another trial; this one is {code}.")
    typed = rest if slash else head
    refuse_code(trial, typed)
    word = find_id(typed, (b["batch_id"] for b in plan.batches) if plan else ())
    for batch in plan.batches if plan else ():
        if batch["batch_id"] == word:
            return {"batch": batch["batch_id"], "ball": ""}
    word = find_id(typed, (b["ball_id"] for b in plan.balls) if plan else ())
    ball = next((b for b in (plan.balls if plan else ()) if b["ball_id"] == word), None)
    if plan is None or ball is None:
        raise Refused(
            f"{shown} is no ball of this trial. Look at the label again, or choose the batch below."
        )
    own, purpose = str(ball["ball_id"]), str(ball["purpose"])
    return {
        "ball": own, "batch": ball["batch_id"], "purpose": purpose, "is": _PURPOSES[purpose],
        "pierced": purpose in PIERCED, "place": ball["place"] or "",
        "session": ball["session"] or "", "lost": _lost_words(trial.records, own),
        "needs": _needs(trial, plan, ball), "entries": list(_entries(trial, own, at)),
    }  # fmt: skip


def refuse_code(trial: TrialFolder, word: str) -> None:
    """Refuse a judge's code where a ball is wanted: the answer would tell which ball it is.

    Raises
    ------
    Refused
    """
    tail = word.strip().rpartition("/")[2]
    if re.fullmatch(r"[1-9][0-9]{2}", tail):
        words = f"{tail} is a code for judges. Here the ball's own name is wanted, from its label."
        raise Refused(words, {"about": words})


def _lost_words(records: Records, ball: str) -> str:
    for note in records.notes:
        if note["kind"] == "lost" and note["about"] in {ball, ball.rpartition("-")[0]}:
            return f"lost: {note['note']}" if note["note"] else "lost"
    return ""


def _needs(trial: TrialFolder, plan: Plan, ball: Row) -> list[str]:
    """Say what a ball needs; who owes a score is not said, since a judge may read it."""
    if ball["purpose"] == "spare" and not any(
        b["ball_id"] == ball["ball_id"] for b in trial.records.bakes
    ):
        return []
    found = list_needs(plan, trial.records, str(ball["ball_id"]))
    return [n for n in found if not n.startswith("scores of ")]


def _entries(trial: TrialFolder, ball: str, at: datetime) -> Iterator[Json]:
    """List what stands about a ball, entry by entry, so that any phone can take one back."""
    records, zone = trial.records, ZoneInfo(trial.settings.timezone)
    found: dict[tuple[str, str], tuple[datetime | None, str, list[str]]] = {}
    rows = [("reading", r, r["read_at"], f"{r['ph']:g}" if r["ph"] is not None else "")
            for r in records.readings if r["ball_id"] == ball]  # fmt: skip
    rows += [("bake", r, r["baked_at"], "") for r in records.bakes if r["ball_id"] == ball]
    rows += [
        (str(r["kind"]), r, r["at"], str(r["note"] or ""))
        for r in records.notes
        if r["about"] == ball and r["kind"] in {"pulled", "lost", "note"}
    ]
    for action, row, when, words in rows:
        match = _OWN.fullmatch(str(row["entry_id"]))
        key = (action, match[1] if match else str(row["entry_id"]))
        by = str(row["entered_by"] or "")
        found.setdefault(key, (when, by, []))[2].append(words)
    for (action, entry), (when, by, parts) in found.items():
        local = None if when is None else when.astimezone(zone)
        same = local is not None and local.date() == at.astimezone(zone).date()
        clock = "" if local is None else f"{local:%H:%M}" if same else f"{local:%d %b %H:%M}"
        yield {"id": entry, "action": action, "values": " ".join(p for p in parts if p),
               "clock": clock, "by": by}  # fmt: skip


def view_card(trial: TrialFolder, judge: str, session: str) -> Json:
    """Give one judge's card of a session: codes in the judge's own order, what is scored.

    Raises
    ------
    Refused
        For a judge or a session that the trial does not have.
    """
    plan = trial.plan
    if plan is None or judge not in trial.settings.panel.judges:
        raise Refused(f"{judge[:40]} is no judge of this trial.")
    if session not in plan.sessions:
        raise Refused(f"{session[:40]} is no session of this trial.")
    barred = find_barred(trial.settings, trial.records).get(judge)
    if barred:
        raise Refused(f"{judge} {barred}: not served here. Ask at the laptop.")
    order = serve_orders(plan, trial.records, session).get(judge, [])
    served = serve_session(plan, trial.records, session)
    twice = {served.get(b, b): code for b, code in list_duplicates(plan, session).items()}
    scored: dict[str, set[str]] = {}
    for row in trial.records.scores:
        if row["judge"] == judge and row["score"] is not None:
            second = twice.get(row["ball_id"]) == row["blind_code"] is not None
            plate = row["ball_id"] + (AGAIN if second else "")
            scored.setdefault(plate, set()).add(row["criterion"])
    needed = {c.name for c in trial.settings.rubric.values() if c.weight > 0}
    sittings = list_hours(plan, session)
    return {
        "judge": judge, "session": session, "told": tell_judges(trial.settings),
        "asked": judge not in list_unasked(trial.settings, trial.records),
        "first": trial.settings.panel.reference,
        "rest": f"{trial.settings.panel.samples_per_session} samples at a sitting, then a rest",
        "codes": [
            {"code": plate_code(plan, session, plate), "position": i,
             "sitting": sittings.get(ball, ""),
             "done": needed <= scored.get(served[ball] + plate[len(ball):], set())}
            for i, plate in order for ball in (plated_ball(plate),)
        ],
    }  # fmt: skip
