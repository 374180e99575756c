"""Clock: a time as somebody types it, made into a time with its offset from UTC.

`record`, `today`, imports and the bench read typed times with it.
Stored times are ISO 8601 with offset and are read by `cells`.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from doughlab.errors import InputError

_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})(?::(\d{2}))?\s*(am|pm)?", re.IGNORECASE)
_DAYS = {"today": 0, "yesterday": -1, "tomorrow": 1}
_RIGHT = "Write it like 14:10, yesterday 14:10 or 2026-03-05 14:10."


def parse_when(text: str, *, timezone: str, now: datetime, what: str = "time") -> datetime:
    """Read a time as a cook types it.

    Parameters
    ----------
    text : str
        "now", "14:10", "2:10 pm", "yesterday 14:10", "2026-03-05 14:10", or ISO 8601 with
        offset. Without a day it is the day of `now`.
    timezone : str
        IANA name; the trial's.
    now : datetime
        With offset.
    what : str
        Name of the column or option, for the message.

    Returns
    -------
    datetime
        With the offset of that place and day.

    Raises
    ------
    InputError
        When the text is no time, or the clocks were changed at that hour so that it does not
        exist or occurs twice.

    Examples
    --------
    >>> now = datetime.fromisoformat("2026-03-05T14:10+01:00")
    >>> print(parse_when("yesterday 9:30", timezone="Europe/Rome", now=now))
    2026-03-04 09:30:00+01:00
    """
    zone = ZoneInfo(timezone)
    local_now = now.astimezone(zone)
    words = text.strip()
    if words.casefold() == "now":
        return local_now.replace(microsecond=0)
    stated = _iso(words)
    if stated is not None and stated.tzinfo is not None:
        return stated
    if stated is None:
        day, clock = _split(words, local_now.date(), text, what)
        stated = datetime.combine(day, _clock(clock, text, what))
    return _place(stated, zone, text, what)


def _iso(words: str) -> datetime | None:
    try:
        return datetime.fromisoformat(words) if re.match(r"\d{4}-\d{2}-\d{2}[T ]", words) else None
    except ValueError:
        return None


def _split(words: str, today: date, text: str, what: str) -> tuple[date, str]:
    first, _, rest = words.partition(" ")
    if first.casefold() in _DAYS:
        return today + timedelta(days=_DAYS[first.casefold()]), rest
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", first):
        try:
            return date.fromisoformat(first), rest
        except ValueError:
            raise InputError(f"{what} '{text[:40]}' is no day of the calendar. {_RIGHT}") from None
    return today, words


def _clock(words: str, text: str, what: str) -> time:
    found = _CLOCK.fullmatch(words.strip())
    if not found:
        raise InputError(f"{what} '{text[:40]}' is not a time. {_RIGHT}")
    hour, half = int(found[1]), (found[4] or "").casefold()
    if half and 1 <= hour <= 12:
        hour = hour % 12 + (12 if half == "pm" else 0)
    elif half:
        hour = 99
    try:
        return time(hour, int(found[2]), int(found[3] or 0))
    except ValueError:
        raise InputError(f"{what} '{text[:40]}' is no time of the day. {_RIGHT}") from None


def _place(stated: datetime, zone: ZoneInfo, text: str, what: str) -> datetime:
    """Give a local time its offset; refuse an hour that the clocks skip or repeat."""
    first = stated.replace(tzinfo=zone, fold=0)
    second = stated.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != stated:
        why = "does not exist: the clocks were put forward"
    else:
        why = "occurs twice: the clocks were put back"
    offsets = sorted({f"{t:%z}" for t in (first, second)})
    shown = " or ".join(f"{o[:3]}:{o[3:]}" for o in offsets)
    raise InputError(
        f"{what} '{text[:40]}' {why} in {zone.key}. Write it with its offset ({shown}), "
        f"like {stated:%Y-%m-%dT%H:%M}{offsets[0][:3]}:{offsets[0][3:]}."
    )
