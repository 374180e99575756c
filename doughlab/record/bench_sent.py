"""What a phone sends: its shape checked, nothing else, and the ids that its rows carry.

`bench` reads entries with it, `bench_desk` judges and stores them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from doughlab.record.bench_forms import FORMS, LONGEST, Refused

Json = dict[str, Any]
CLOCK_OFF = timedelta(minutes=2)
ENTRY_ID = re.compile(r"[A-Za-z0-9-]{8,48}")


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
        isinstance(t, str) for t in (*texts.values(), *values, *values.values())
    ):
        raise Refused("This is not an entry of the page. Open the page again.")
    _check_texts({**texts, **values})
    if not ENTRY_ID.fullmatch(texts["id"]):
        raise Refused("The entry has no id of its own. Open the page again.")
    if texts["action"] not in FORMS and texts["action"] != "undo":
        raise Refused(f"The bench cannot store '{texts['action'][:20]}'. Open the page again.")
    lead = raw.get("lead")  # how far the phone was ahead when it was typed, in seconds
    if isinstance(lead, (int, float)) and abs(lead) < 10 * 366 * 86400:
        off = timedelta(seconds=round(lead))
    return Sent(
        texts["id"], texts["action"], texts["about"].strip(), values, texts["at"],
        texts["by"].strip()[:40], texts["session"], off,
    )  # fmt: skip


def local_time(text: str, timezone: str) -> str:
    """Write a time as it is where the trial is; anything else is left to who reads it.

    Examples
    --------
    >>> local_time("2026-11-29T07:35:10+00:00", "America/New_York"), local_time("junk", "UTC")
    ('2026-11-29T02:35:10-05:00', 'junk')
    """
    try:
        at = datetime.fromisoformat(text)
        return at.astimezone(ZoneInfo(timezone)).isoformat() if at.tzinfo is not None else text
    except (ValueError, OverflowError):
        return text


def _check_texts(texts: Mapping[str, str]) -> None:
    """Refuse text that no file can hold, or that is longer than a field."""
    for name, text in texts.items():
        if len(name) > LONGEST or len(text) > LONGEST:
            words = f"{len(text)} letters are too many; {LONGEST} fit. Shorten it."
            raise Refused(words, {name[:40]: words})
        if any("\ud800" <= c <= "\udfff" for c in name + text):
            words = "This holds half a sign that no file can store. Delete it and type it again."
            raise Refused(words, {name.encode("utf-8", "replace").decode()[:40]: words})


def with_ids(rows: Sequence[Json], sent: Sent) -> list[Json]:
    """Give each row the id of its entry, and say where the phone's clock is off.

    Parameters
    ----------
    rows : sequence of dict
    sent : Sent

    Returns
    -------
    list of dict
        Ids are the entry's own, or with .1, .2 behind it where it has several rows.

    Examples
    --------
    >>> sent = Sent("12345678-a", "reading", "B01-1", {}, "", off=timedelta(minutes=7))
    >>> with_ids([{"ph": 5.41}, {"ph": 5.43}], sent)[1]
    {'ph': 5.43, 'entry_id': '12345678-a.2', 'note': 'clock of the phone 7 min fast'}
    """
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
