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
        ("2pm", "2026-03-29T14:00:00+02:00"),
        ("12 p.m.", "2026-03-29T12:00:00+02:00"),
        ("noon", "2026-03-29T12:00:00+02:00"),
        ("yesterday 2pm", "2026-03-28T14:00:00+01:00"),
        ("Nov 27 2pm", "2025-11-27T14:00:00+01:00"),
        ("March 5, 2026 14:10", "2026-03-05T14:10:00+01:00"),
        ("Fri 27 Mar 10:50", "2026-03-27T10:50:00+01:00"),
        ("Fri. Mar 27th, 10:50", "2026-03-27T10:50:00+01:00"),
        ("3/27 10:50", "2026-03-27T10:50:00+01:00"),
        ("27/3/2026 10:50", "2026-03-27T10:50:00+01:00"),
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
        ("4/5 10:00", "--at '4/5 10:00' may be 5 Apr or 4 May. Write the month as a word."),
        ("13/14 10:00", "--at '13/14 10:00' is no day of the calendar. Write it like 14:10, "
                        "yesterday 14:10 or 2026-03-05 14:10."),
        ("Mon 27 Mar 10:50", "--at 'Mon 27 Mar 10:50' names Mon, but 2026-03-27 is a Friday. "
                             "Write the right one of the two."),
        ("14", "--at '14' is not a time. Write it like 14:10, yesterday 14:10 or 2026-03-05 "
               "14:10."),
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


@pytest.mark.parametrize("text", ["", "30 Feb", "31.4.2026", "5 Mai", "T", "Friday 10:00", "31/31"])
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


def test_a_time_ago_and_a_date_nearest_to_the_plan():
    """Joining words are dropped; without a year the one nearest to the plan's day counts."""
    assert when("20 min ago") == "2026-03-29T13:50:05+02:00"
    assert when("yesterday at 2pm") == "2026-03-28T14:00:00+01:00"
    plan_day = NOW.date().replace(year=2024)
    found = parse_when("Tue 26 Mar 9am", timezone="UTC", now=NOW, near=plan_day)
    assert found.isoformat() == "2024-03-26T09:00:00+00:00"


def test_a_day_that_may_be_two_days_is_refused():
    with pytest.raises(InputError) as caught:
        parse_day("4/5", timezone="Europe/Rome", now=NOW)
    assert str(caught.value) == "day '4/5' may be 5 Apr or 4 May. Write the month as a word."


@pytest.mark.parametrize(
    "text",
    ["0001-01-01T00:00+14:00", "9999-12-31T23:59-14:00", "9999-12-31 23:59", "5 Mar 1999 10:00"],
)
def test_a_year_of_no_trial_is_refused(text):
    with pytest.raises(InputError, match=r"--at '.*' lies in the year (1|9999|1999)\. Write it"):
        parse_when(text, timezone="Europe/Rome", now=NOW, what="--at")
    with pytest.raises(InputError, match=r"--day '31.12.9999' lies in the year 9999"):
        parse_day("31.12.9999", timezone="Europe/Rome", now=NOW, what="--day")
