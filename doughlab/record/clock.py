"""Clock: a time as somebody types it, made into a time with its offset from UTC.

`record`, `today`, imports and the bench read typed times with it.
Stored times are ISO 8601 with offset and are read by `cells`.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from doughlab.errors import InputError

_CLOCK = re.compile(r"(\d{1,2})(?:[:.h](\d{2})(?::(\d{2}))?)?\s*(?:([ap])\.?m\.?)?", re.IGNORECASE)
_AGO = re.compile(r"(\d{1,3}(?:[.,]\d)?)\s*(min|minutes?|h|hours?) ago", re.IGNORECASE)
_JOINS = re.compile(r"(?<!\S)(?:on|at|the) ", re.IGNORECASE)
_DAYS = {"today": 0, "yesterday": -1, "tomorrow": 1}
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september",
           "october", "november", "december")  # fmt: skip
_SPELLED = re.compile(
    r"(?:(\d{1,2})(?:st|nd|rd|th|\.)? +([a-z]{3,9})|([a-z]{3,9})\.? +(\d{1,2})(?:st|nd|rd|th)?)"
    r"\.?(?:,? +(\d{4}))?(?:,? +|$)",
    re.IGNORECASE,
)
_RIGHT = "Write it like 14:10, yesterday 14:10 or 2026-03-05 14:10."


def parse_when(
    text: str, *, timezone: str, now: datetime, what: str = "time", near: date | None = None
) -> datetime:
    """Read a time as a cook types it.

    Parameters
    ----------
    text : str
        "now", "14:10", "2:10 pm", "9 am", "20 min ago", "yesterday at 14:10", "Friday 14:10" (the
        last one), "27 Nov 14:10", "Fri Nov 27, 2pm", "27.11.2026 14:10", "11/27 noon" (where only
        one of the two can be the month), "2026-03-05 14:10", or ISO 8601 with offset. Without a
        day it is the day of `now`.
    timezone : str
        IANA name; the trial's.
    now : datetime
        With offset.
    what : str
        Name of the column or option, for the message.
    near : date, optional
        A date without a year is taken in the year nearest to it; the day of `now` when left out.

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
    words = _JOINS.sub("", text.strip())
    if words.casefold() == "now":
        return local_now.replace(microsecond=0)
    if ago := _AGO.fullmatch(words):
        size = 60 if ago[2].casefold().startswith("m") else 3600
        off = timedelta(seconds=round(float(ago[1].replace(",", ".")) * size))
        return (now - off).astimezone(zone).replace(microsecond=0)
    stated = _iso(words)
    if stated is not None:
        _check_year(stated.date(), text, what)
    if stated is not None and stated.tzinfo is not None:
        return stated
    if stated is None:
        day, clock = _split(words, local_now.date(), text, what, near)
        _check_year(day, text, what)
        stated = datetime.combine(day, _clock(clock, text, what))
    return _place(stated, zone, text, what)


def _iso(words: str) -> datetime | None:
    try:
        return datetime.fromisoformat(words) if re.match(r"\d{4}-\d{2}-\d{2}[T ]", words) else None
    except ValueError:
        return None


def parse_day(
    text: str, *, timezone: str, now: datetime, what: str = "day", past: bool = True,
    near: date | None = None,
) -> date:  # fmt: skip
    """Read a day as a cook types it.

    Parameters
    ----------
    text : str
        "2026-03-05", "today", "tomorrow", "Friday", "27 Nov", "Nov 27", "27.11.2026".
    timezone : str
        IANA name; the trial's.
    now : datetime
        With offset.
    what : str
        Name of the option, for the message.
    past : bool
        Whether a weekday is the last one or, where False, the next; today is either.
    near : date, optional
        A date without a year is taken in the year nearest to it; today when left out.

    Raises
    ------
    InputError
        When the text is no day.

    Examples
    --------
    >>> now = datetime.fromisoformat("2026-03-05T14:10+01:00")
    >>> print(parse_day("Monday", timezone="Europe/Rome", now=now, past=False))
    2026-03-09
    """
    today = now.astimezone(ZoneInfo(timezone)).date()
    try:
        found = _find_day(_JOINS.sub("", text.strip()), today, past=past, near=near)
    except _NoDayError as error:
        if str(error):
            raise InputError(f"{what} '{text[:40]}' {error}") from None
        found = None
    if found is None or found[1]:
        raise InputError(
            f"{what} '{text[:40]}' is no date. Write it like 2026-03-05, tomorrow, Friday or 5 Mar."
        )
    _check_year(found[0], text, what)
    return found[0]


def _check_year(day: date, text: str, what: str) -> None:
    """Refuse a year that no trial is of; the tables take the same ones."""
    if not 2000 <= day.year <= 2100:
        raise InputError(f"{what} '{text[:40]}' lies in the year {day.year}. {_RIGHT}")


def _find_day(
    words: str, today: date, *, past: bool = True, near: date | None = None
) -> tuple[date, str] | None:
    """Find a day at the beginning of words, and the rest; None where there is none."""
    first, _, rest = words.partition(" ")
    name = first.casefold().rstrip(",")
    if name in _DAYS:
        return today + timedelta(days=_DAYS[name]), rest
    if len(name) >= 3 and (weekday := _index(name.rstrip("."), _WEEKDAYS)) is not None:
        dated = _find_date(rest.strip(), near or today)
        if dated is not None:
            return _same_weekday(dated[0], weekday, first), dated[1]
        off = (today.weekday() - weekday) % 7 if past else -((weekday - today.weekday()) % 7)
        return today - timedelta(days=off), rest
    return _find_date(words, near or today)


def _find_date(words: str, near: date) -> tuple[date, str] | None:
    """Find a day of the calendar at the beginning of words, and the rest."""
    first, _, rest = words.partition(" ")
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", first):
        return _date(int(first[:4]), int(first[5:7]), int(first[8:])), rest
    dotted = re.match(r"(\d{1,2})\.(\d{1,2})\.(\d{4})?(?: +|$)", words)
    if dotted:
        return _near(near, int(dotted[2]), int(dotted[1]), dotted[3]), words[dotted.end() :]
    slashed = re.match(r"(\d{1,2})/(\d{1,2})(?:/(\d{4}))?(?:,? +|$)", words)
    if slashed:
        day, month = _part_slashed(int(slashed[1]), int(slashed[2]))
        return _near(near, month, day, slashed[3]), words[slashed.end() :]
    spelled = _SPELLED.match(words)
    if spelled and (month_at := _index((spelled[2] or spelled[3]).casefold(), _MONTHS)) is not None:
        day = int(spelled[1] or spelled[4])
        return _near(near, month_at + 1, day, spelled[5]), words[spelled.end() :]
    return None


def _part_slashed(first: int, second: int) -> tuple[int, int]:
    """Tell day and month of 11/27 or 27/11; 4/5 is another day on each side of the ocean."""
    if first <= 12 and second <= 12 and first != second and min(first, second) > 0:
        ways = " or ".join(
            f"{day} {_MONTHS[month - 1][:3].capitalize()}"
            for day, month in ((second, first), (first, second))
        )
        raise _NoDayError(f"may be {ways}. Write the month as a word.")
    return (second, first) if first <= 12 else (first, second)


def _same_weekday(day: date, weekday: int, typed: str) -> date:
    if day.weekday() != weekday:
        right = _WEEKDAYS[day.weekday()].capitalize()
        raise _NoDayError(f"names {typed}, but {day} is a {right}. Write the right one of the two.")
    return day


def _index(word: str, names: tuple[str, ...]) -> int | None:
    fits = [i for i, name in enumerate(names) if name.startswith(word)]
    return fits[0] if len(fits) == 1 else None


def _near(near: date, month: int, day: int, year: str | None) -> date:
    """Give a day of a year, or of the year that puts it nearest to a day."""
    if year:
        return _date(int(year), month, day)
    found = []
    for off in (-1, 0, 1):
        try:
            found.append(date(near.year + off, month, day))
        except ValueError:
            continue  # 29 February in another year
    if not found:
        raise _NoDayError
    return min(found, key=lambda d: abs(d - near))


class _NoDayError(Exception):
    """A day that no calendar has, or that may be two days; the text says which."""


def _date(year: int, month: int, day: int) -> date:
    try:
        return date(year, month, day)
    except ValueError:
        raise _NoDayError from None


def _split(words: str, today: date, text: str, what: str, near: date | None) -> tuple[date, str]:
    try:
        found = _find_day(words, today, near=near)
    except _NoDayError as error:
        why = str(error) or f"is no day of the calendar. {_RIGHT}"
        raise InputError(f"{what} '{text[:40]}' {why}") from None
    return (today, words) if found is None else found


def _clock(words: str, text: str, what: str) -> time:
    found = _CLOCK.fullmatch("12:00" if words.strip().casefold() == "noon" else words.strip())
    if found is None or not (found[2] or found[4]):
        raise InputError(f"{what} '{text[:40]}' is not a time. {_RIGHT}")
    hour, half = int(found[1]), (found[4] or "").casefold()
    if half and 1 <= hour <= 12:
        hour = hour % 12 + (12 if half == "p" else 0)
    elif half:
        hour = 99
    try:
        return time(hour, int(found[2] or 0), int(found[3] or 0))
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
