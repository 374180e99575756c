"""The calendar: dates against a search through all of them, and elapsed hours."""

from datetime import UTC, date, datetime, timedelta
from itertools import combinations
from zoneinfo import ZoneInfo

import pytest

from doughlab.errors import PlanError
from doughlab.plan.schedule import UNDATED, add_hours, choose_dates, mix_starts, name_sessions

WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def judge(dates, holds, closed):
    """Count again, from the dates alone: holds on closed days, in shared sessions, sessions."""
    served = {}
    for start in dates:
        for hold in holds:
            served.setdefault(start + timedelta(hours=hold), set()).add((start, hold))
    shut = sum(len(v) for on, v in served.items() if WEEK[on.weekday()] in closed)
    shared = sum(len(v) for v in served.values() if len({h for _, h in v}) > 1)
    return shut, -shared, len(served)


CASES = [
    (closed, days, holds)
    for closed in [(), ("Mon",), ("Mon", "Tue"), ("Sat", "Sun"), ("Wed",)]
    for days in [1, 2, 3, 4]
    for holds in [(24, 48, 72), (24, 72), (48,), (24, 48, 72, 96)]
    if days < 4 or len(holds) < 4  # four days of four holds can need more than three weeks
]


@pytest.mark.parametrize(("closed", "days", "holds"), CASES)
def test_calendar_is_the_best_of_all_calendars(change, closed, days, holds):
    """Every choice of days within three weeks is tried by brute force."""
    settings = change(kitchen={"closed": closed})
    found = choose_dates(settings, days=days, batches=6, to_ball_min=40, holds=holds)
    start = date.fromisoformat(settings.blocks.start_on)
    open_days = [
        start + timedelta(days=t)
        for t in range(21)
        if WEEK[(start + timedelta(days=t)).weekday()] not in closed
    ]
    best = min(judge(dates, holds, closed) for dates in combinations(open_days, days))
    assert judge(found.dates, holds, closed) == best
    assert all(WEEK[d.weekday()] not in closed for d in found.dates)
    assert found.closed == best[0]


def test_four_days_in_a_row_serve_four_of_six_sessions_twice_or_more(kitchen):
    """Open every day: 12 (mixing day, hold) pairs meet in 6 sessions as 1, 2, 3, 3, 2, 1.

    The first session can only hold the first day's shortest hold, the last one the last day's
    longest, whatever the calendar: 10 of 12 pairs is the most that can share a session.
    """
    found = choose_dates(kitchen, days=4, batches=6, to_ball_min=40, holds=[24, 48, 72])
    assert [len(v) for v in found.sessions().values()] == [1, 2, 3, 3, 2, 1]


def test_closed_mondays_leave_two_and_two_days(change):
    """With Mondays closed only Tue, Wed, Thu can be mixed on (24 to 72 h later never Monday)."""
    settings = change(kitchen={"closed": ("Mon",)})
    found = choose_dates(settings, days=4, batches=6, to_ball_min=40, holds=[24, 48, 72])
    assert [WEEK[d.weekday()] for d in found.dates] == ["Tue", "Wed", "Tue", "Wed"]
    assert [len(v) for v in found.sessions().values()] == [1, 2, 2, 1] * 2
    assert found.closed == 0


def test_when_no_calendar_keeps_closed_days_the_fewest_fall_on_them(change):
    """Only Wednesdays open: holds of 24, 48 and 72 h can never be read on an open day."""
    settings = change(kitchen={"closed": ("Mon", "Tue", "Thu", "Fri", "Sat", "Sun")})
    found = choose_dates(settings, days=2, batches=6, to_ball_min=40, holds=[24, 48, 72])
    assert found.closed == 6 and {WEEK[d.weekday()] for d in found.dates} == {"Wed"}


def test_kitchen_that_is_always_closed_is_refused(change):
    with pytest.raises(PlanError) as error:
        choose_dates(change(kitchen={"closed": WEEK}), days=1, batches=1, to_ball_min=0, holds=[24])
    assert str(error.value) == (
        "trial.toml: [kitchen] closed names all seven days. Leave one open."
    )


def test_holds_of_a_day_and_a_half_go_to_the_second_half_of_the_day(change):
    """From 10:40 on, 24 h are in the morning and 30 h in the afternoon: two sessions a day."""
    settings = change(kitchen={"close_at": "23:00"})
    found = choose_dates(settings, days=1, batches=2, to_ball_min=40, holds=[24, 30])
    assert [key[1] for key in found.sessions()] == [0, 1]


def test_without_holds_days_follow_each_other(change):
    settings = change(kitchen={"closed": ("Tue",)}, blocks={"start_on": "2026-03-02"})
    found = choose_dates(settings, days=3, batches=6, to_ball_min=40, holds=[])
    assert [d.day for d in found.dates] == [2, 4, 5]


def test_without_a_first_day_the_calendar_is_counted_from_a_monday(change):
    found = choose_dates(
        change(blocks={"start_on": ""}), days=1, batches=1, to_ball_min=0, holds=[24]
    )
    assert found.dates == (UNDATED,) and UNDATED.weekday() == 0


def test_hours_are_elapsed_hours_over_the_change_of_the_clocks():
    """New York put its clocks forward on 2026-03-08 at 2:00 (IANA time zone data)."""
    late = datetime(2026, 3, 7, 10, 40, tzinfo=ZoneInfo("America/New_York"))
    ready = add_hours(late, 48)
    assert ready.isoformat() == "2026-03-09T11:40:00-04:00"
    assert ready.astimezone(UTC) - late.astimezone(UTC) == timedelta(hours=48)


def test_two_mixers_work_side_by_side(change):
    starts = mix_starts(change(kitchen={"mixers": 2}), date(2026, 3, 3), 5)
    assert [s.strftime("%H:%M") for s in starts] == ["10:00", "10:00", "10:40", "10:40", "11:20"]


def test_sessions_are_named_in_time_order():
    keys = [(date(2026, 3, 4), 1), (date(2026, 3, 3), 0), (date(2026, 3, 4), 0)]
    assert list(name_sessions(keys).items()) == [
        ((date(2026, 3, 3), 0), "S01"),
        ((date(2026, 3, 4), 0), "S02"),
        ((date(2026, 3, 4), 1), "S03"),
    ]
