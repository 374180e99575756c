"""iCalendar: the steps of a plan as events that any calendar program can show (RFC 5545).

`doughlab plan --calendar --keep` writes the file. All times are UTC, so that no table of clock
changes has to travel along; the program that shows them turns them into local time. The same plan
gives the same bytes: nothing in the file comes from the clock of the computer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from uuid import NAMESPACE_URL, uuid5

from doughlab.plan.work import list_times

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

OCTETS = 75  # of a content line, its line break left out: RFC 5545, 3.1
WORDS = {"preferment": "Preferment", "mix": "Mix", "ball": "Ball", "take_out": "Take out",
         "read": "Read", "bake": "Bake", "score": "Score"}  # fmt: skip


@dataclass(frozen=True)
class Event:
    """One entry of a calendar.

    Attributes
    ----------
    uid : str
        Stays the same when the event moves.
    start, end : datetime
        With offset; start before end.
    summary, description : str
    """

    uid: str
    start: datetime
    end: datetime
    summary: str
    description: str = ""


def list_events(plan: Plan, *, formula: Formula | None = None) -> list[Event]:
    """List the events of a plan: what is due at the same time for the same step is one.

    Parameters
    ----------
    plan : Plan
        With dates.
    formula : Formula, optional
        Says how long mixing and balling last.

    Returns
    -------
    list of Event
        In time order.
    """
    times = list_times(plan.settings, formula)
    lasts = {s.step: s.minutes for s in times.batch} | {k: m for k, (m, _) in times.use.items()}
    together: dict[tuple[datetime, str], list[Mapping[str, Any]]] = {}
    for row in plan.schedule:
        together.setdefault((row["due_at"].astimezone(UTC), row["step"]), []).append(row)
    out = []
    for (start, step), rows in together.items():
        items = [str(r["item"]) for r in rows]
        minutes = max(lasts.get(step, 0.0), 5.0)  # an event of no length is hard to see
        name = f"doughlab/{plan.settings.code}/{plan.settings.name}/{plan.seed}"
        uid = str(uuid5(NAMESPACE_URL, f"{name}/{step}/{'+'.join(items)}"))
        places = [f"{r['item']}: {r['place']}" for r in rows if r["place"]]
        title = f"{WORDS[step]} {', '.join(items)}"
        words = "\n".join([plan.settings.name, *places])
        out.append(Event(uid, start, start + timedelta(minutes=minutes), title, words))
    return sorted(out, key=lambda e: (e.start, e.summary))


def write_icalendar(
    events: Sequence[Event], *, name: str = "", alarm_min: int | None = None
) -> str:
    r"""Write events as the text of an iCalendar file.

    Parameters
    ----------
    events : sequence of Event
    name : str
        What the calendar is called in each event's category; nothing where it is empty.
    alarm_min : int, optional
        Minutes before an event at which it rings; no alarm without it.

    Returns
    -------
    str
        Lines end in CR LF and have at most 75 octets. Write it as UTF-8, line ends untouched.
        The stamp that each event must carry is the start of the first one.

    References
    ----------
    RFC 5545 (2009), Internet Calendaring and Scheduling Core Object Specification: 3.1 (lines),
    3.3.5 form 2 (UTC), 3.3.11 (text), 3.4, 3.6.1, 3.6.6, 3.7.3, 3.8.4.7, 3.8.7.2. Checked in
    tests/plan/test_icalendar.py.

    Examples
    --------
    >>> at = datetime(2026, 3, 4, 14, tzinfo=UTC)
    >>> event = Event("1", at, at + timedelta(minutes=40), "Mix B01, B02")
    >>> print(write_icalendar([event]).splitlines()[4:9])
    ['UID:1', 'DTSTAMP:20260304T140000Z', 'DTSTART:20260304T140000Z', 'DTEND:20260304T144000Z',
     'SUMMARY:Mix B01\\, B02']
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//doughlab//plan//EN"]
    stamp = _utc(min(e.start for e in events)) if events else ""
    for event in events:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{event.uid}",
            f"DTSTAMP:{stamp}",
            f"DTSTART:{_utc(event.start)}",
            f"DTEND:{_utc(event.end)}",
            f"SUMMARY:{escape_text(event.summary)}",
        ]
        if event.description:
            lines.append(f"DESCRIPTION:{escape_text(event.description)}")
        if name:
            lines.append(f"CATEGORIES:{escape_text(name)}")
        if alarm_min is not None:
            lines += ["BEGIN:VALARM", "ACTION:DISPLAY", f"TRIGGER:-PT{alarm_min}M",
                      f"DESCRIPTION:{escape_text(event.summary)}", "END:VALARM"]  # fmt: skip
        lines.append("END:VEVENT")
    lines.append("END:VCALENDAR")
    return "".join(f"{fold_line(line)}\r\n" for line in lines)


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def escape_text(text: str) -> str:
    r"""Escape a text value: backslash, semicolon, comma and line break.

    Control characters that a text may not hold are left out.

    Examples
    --------
    >>> print(escape_text("a, b; c\\d"))
    a\, b\; c\\d
    """
    for mark in ("\\", ";", ","):
        text = text.replace(mark, f"\\{mark}")
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
    return "".join(c for c in text if c == "\t" or (ord(c) >= 32 and ord(c) != 127))


def fold_line(line: str) -> str:
    r"""Fold a content line so that no piece has more than 75 octets in UTF-8.

    Letters of several octets stay whole.

    Examples
    --------
    >>> [len(part) for part in fold_line("x" * 160).split("\r\n")]
    [75, 75, 12]
    """
    parts, piece, size = [], "", 0
    for letter in line:
        octets = len(letter.encode("utf-8"))
        if size + octets > OCTETS:
            parts.append(piece)
            piece, size = " ", 1
        piece += letter
        size += octets
    return "\r\n".join([*parts, piece])
