"""Clock: times as they are typed, at the place of the trial."""

from datetime import datetime

import pytest

from doughlab.errors import InputError
from doughlab.record.clock import parse_day, parse_when

NOW = datetime.fromisoformat("2026-03-29T14:10:05+02:00")


def when(text, timezone="Europe/Rome"):
    return parse_when(text, timezone=timezone, now=NOW, what="--at").isoformat()


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("now", "2026-03-29T14:10:05+02:00"),
        ("9:30", "2026-03-29T09:30:00+02:00"),
        ("09.30", "2026-03-29T09:30:00+02:00"),
        ("9h30", "2026-03-29T09:30:00+02:00"),
        ("1:30", "2026-03-29T01:30:00+01:00"),
        ("2:10 pm", "2026-03-29T14:10:00+02:00"),
        ("12:00 am", "2026-03-29T00:00:00+01:00"),
        ("12:15 PM", "2026-03-29T12:15:00+02:00"),
        ("yesterday 14:10", "2026-03-28T14:10:00+01:00"),
        ("Tomorrow 7:05", "2026-03-30T07:05:00+02:00"),
        ("2026-03-05 14:10", "2026-03-05T14:10:00+01:00"),
        ("Friday 10:50", "2026-03-27T10:50:00+01:00"),
        ("fri, 10:50", "2026-03-27T10:50:00+01:00"),
        ("sunday 10:50", "2026-03-29T10:50:00+02:00"),
        ("27 Nov 10:50", "2025-11-27T10:50:00+01:00"),
        ("5 April 2027 9:00", "2027-04-05T09:00:00+02:00"),
        ("29.11.2026 10:50", "2026-11-29T10:50:00+01:00"),
        ("5.4. 10:50", "2026-04-05T10:50:00+02:00"),
        ("2026-03-05T14:10", "2026-03-05T14:10:00+01:00"),
        ("2026-03-05T14:10-05:00", "2026-03-05T14:10:00-05:00"),
        ("2026-10-25 02:30+01:00", "2026-10-25T02:30:00+01:00"),
    ],
)
def test_a_time_is_read_as_it_is_typed(text, time):
    assert when(text) == time


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("2:30", "--at '2:30' does not exist: the clocks were put forward in Europe/Rome. Write it "
                 "with its offset (+01:00 or +02:00), like 2026-03-29T02:30+01:00."),
        ("2026-10-25 02:30", "--at '2026-10-25 02:30' occurs twice: the clocks were put back in "
                             "Europe/Rome. Write it with its offset (+01:00 or +02:00), like "
                             "2026-10-25T02:30+01:00."),
        ("25:10", "--at '25:10' is no time of the day. Write it like 14:10, yesterday 14:10 or "
                  "2026-03-05 14:10."),
        ("13:10 pm", "--at '13:10 pm' is no time of the day. Write it like 14:10, yesterday 14:10 "
                     "or 2026-03-05 14:10."),
        ("2026-02-30 10:00", "--at '2026-02-30 10:00' is no day of the calendar. Write it like "
                             "14:10, yesterday 14:10 or 2026-03-05 14:10."),
        ("soon", "--at 'soon' is not a time. Write it like 14:10, yesterday 14:10 or 2026-03-05 "
                 "14:10."),
        ("", "--at '' is not a time. Write it like 14:10, yesterday 14:10 or 2026-03-05 14:10."),
    ],
)  # fmt: skip
def test_what_is_no_time_is_refused(text, message):
    with pytest.raises(InputError) as caught:
        when(text)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("text", "day"),
    [("2026-03-05", "2026-03-05"), ("tomorrow", "2026-03-30"), ("Friday", "2026-04-03"),
     ("Sunday", "2026-03-29"), ("27 Nov", "2026-11-27"), ("29.11.2026", "2026-11-29")],
)  # fmt: skip
def test_a_day_is_read_as_it_is_typed(text, day):
    """29 March 2026 is a Sunday (ISO 8601 calendar); a weekday to come is the next one."""
    assert datetime.fromisoformat("2026-03-29").isoweekday() == 7
    found = parse_day(text, timezone="Europe/Rome", now=NOW.replace(month=6) if "Nov" in text
                      else NOW, past=False)  # fmt: skip
    assert found.isoformat() == day


@pytest.mark.parametrize("text", ["", "30 Feb", "31.4.2026", "5 Mai", "T", "Friday 10:00", "29/11"])
def test_what_is_no_day_is_refused(text):
    with pytest.raises(InputError) as caught:
        parse_day(text, timezone="Europe/Rome", now=NOW, what="--day")
    assert str(caught.value) == (
        f"--day '{text}' is no date. Write it like 2026-03-05, tomorrow, Friday or 5 Mar."
    )


def test_the_day_is_that_of_the_place():
    late = datetime.fromisoformat("2026-03-05T23:30+00:00")
    got = parse_when("00:15", timezone="Europe/Rome", now=late)
    assert got.isoformat() == "2026-03-06T00:15:00+01:00"
