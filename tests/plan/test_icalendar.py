"""The iCalendar file against the rules of RFC 5545 and an outside reader (PyPI icalendar)."""

import re
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from doughlab.plan.icalendar import Event, escape_text, fold_line, list_events, write_icalendar
from doughlab.plan.plan import build_plan

AT = datetime(2026, 3, 8, 3, 30, tzinfo=timezone(timedelta(hours=-4)))


def event(**parts):
    base = {"uid": "u1", "start": AT, "end": AT + timedelta(minutes=40), "summary": "Mix B01"}
    return Event(**(base | parts))


def test_lines_end_in_cr_lf_and_have_at_most_75_octets():
    """RFC 5545, 3.1: CRLF; SHOULD NOT be longer than 75 octets, excluding the line break."""
    words = "wärmer Teig, müde; " * 20
    text = write_icalendar([event(summary=words, description=words)], name="Käse")
    data = text.encode("utf-8")
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert data.count(b"\n") == data.count(b"\r\n") == data.count(b"\r")
    assert max(len(line) for line in data.split(b"\r\n")) == 75
    for line in data.split(b"\r\n"):
        line.decode("utf-8")  # no letter is cut in two


def test_the_properties_an_event_must_have():
    """RFC 5545, 3.6: PRODID and VERSION once; 3.6.1: UID and DTSTAMP once, DTEND after DTSTART."""
    text = write_icalendar([event(), event(uid="u2")])
    lines = text.split("\r\n")
    assert lines[0] == "BEGIN:VCALENDAR" and lines[-2] == "END:VCALENDAR"
    assert lines.count("VERSION:2.0") == 1
    assert sum(line.startswith("PRODID:") for line in lines) == 1
    for part in text.split("BEGIN:VEVENT")[1:]:
        for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY"):
            assert len(re.findall(rf"^{name}:", part, re.MULTILINE)) == 1, name


def test_times_are_utc_in_the_second_form():
    """RFC 5545, 3.3.5, form 2: a Z and no TZID. 03:30 at -04:00 is 07:30 UTC (arithmetic)."""
    text = write_icalendar([event()])
    assert "DTSTART:20260308T073000Z\r\n" in text and "DTEND:20260308T081000Z\r\n" in text
    assert "TZID" not in text


def test_text_is_escaped():
    r"""RFC 5545, 3.3.11: \\ \; \, and \n; the example of that section, word for word."""
    source = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    assert escape_text(source) == r"Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    assert escape_text("a;b,c\\d\r\ne\x07") == r"a\;b\,c\\d\ne"


def test_an_alarm_only_where_it_is_asked_for():
    """RFC 5545, 3.6.6: a display alarm has ACTION, TRIGGER and DESCRIPTION."""
    assert "VALARM" not in write_icalendar([event()])
    text = write_icalendar([event()], alarm_min=15)
    found = Calendar.from_ical(text).walk("VALARM")
    assert len(found) == 1 and found[0]["ACTION"] == "DISPLAY"
    assert found[0]["TRIGGER"].dt == timedelta(minutes=-15)
    assert found[0]["DESCRIPTION"] == "Mix B01"


TEXTS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=200)


@settings(deadline=None, max_examples=60)
@given(TEXTS, TEXTS)
def test_an_outside_reader_finds_what_was_written(summary, description):
    text = write_icalendar([event(summary=summary, description=description)])
    (found,) = Calendar.from_ical(text.encode("utf-8")).walk("VEVENT")
    assert found["SUMMARY"] == summary
    assert str(found.get("DESCRIPTION", "")) == description
    assert found["DTSTART"].dt == AT and found["DTEND"].dt == AT + timedelta(minutes=40)


@given(TEXTS)
def test_unfolding_gives_the_line_back(text):
    """RFC 5545, 3.1: unfolding removes CRLF and the one blank after it."""
    assert fold_line(text).replace("\r\n ", "") == text


def test_a_plan_becomes_events_that_stay_the_same(kitchen):
    plan = build_plan(kitchen)
    events = list_events(plan)
    rows = [(r["step"], r["item"]) for r in plan.schedule]
    assert sum(len(e.summary.split(", ")) for e in events) == len(rows)
    assert len({e.uid for e in events}) == len(events)
    text = write_icalendar(events)
    assert text == write_icalendar(list_events(build_plan(kitchen)))
    first = min(r["due_at"] for r in plan.schedule).astimezone(UTC)
    found = Calendar.from_ical(text).walk("VEVENT")
    assert {e["DTSTAMP"].dt for e in found} == {first}
    mixes = {str(e["SUMMARY"])[4:]: e["DTSTART"].dt for e in found if e["SUMMARY"][:3] == "Mix"}
    assert mixes == {r["item"]: r["due_at"] for r in plan.schedule if r["step"] == "mix"}


def test_an_event_that_moves_keeps_its_uid(kitchen, change):
    later = change(blocks={"start_on": "2026-03-09"})
    one, two = list_events(build_plan(kitchen)), list_events(build_plan(later))
    assert {e.uid for e in one} == {e.uid for e in two}
    assert {e.start for e in one}.isdisjoint({e.start for e in two if e.summary == "Mix B01"})


@pytest.mark.parametrize("minutes", [None, 0, 30])
def test_an_outside_reader_reads_any_alarm(minutes):
    assert Calendar.from_ical(write_icalendar([event()], alarm_min=minutes)).errors == []
