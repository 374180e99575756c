"""Logger files: guessed, confirmed, read; gaps, odd rows and wrong clocks are told."""

from datetime import datetime, timedelta

import pytest

from doughlab.errors import InputError
from doughlab.formula.logger import read_logger
from doughlab.formula.loggerguess import guess_logger


def made(stamp, *, n=40, step_min=10, temp=lambda i: 3.4 + 0.1 * (i % 3), head="Time,Temp (°C)",
         sep=",", start="2026-03-13 09:00"):  # fmt: skip
    at = datetime.fromisoformat(start)
    rows = [
        f"{(at + timedelta(minutes=step_min * i)).strftime(stamp)}{sep}{temp(i)}" for i in range(n)
    ]
    return "\n".join([head, *rows])


STAMPS = {
    "iso": ("%Y-%m-%d %H:%M", "year-month-day"),
    "iso T": ("%Y-%m-%dT%H:%M:%S", "year-month-day"),
    "slashes": ("%Y/%m/%d %H:%M:%S", "year-month-day"),
    "dots": ("%d.%m.%Y %H:%M", "day-month-year"),
    "us": ("%m/%d/%Y %I:%M:%S %p", "month-day-year"),
    "short us": ("%m/%d/%y %H:%M", "month-day-year"),
    "day first": ("%d/%m/%Y %H:%M", "day-month-year"),
    "names": ("%d-%b-%Y %H:%M", "day-month-year"),
}


@pytest.mark.parametrize("name", STAMPS)
def test_dates_are_read_in_every_order(name):
    """The thirteenth cannot be a month, so the file tells its order itself."""
    stamp, order = STAMPS[name]
    text = made(stamp)
    guess = guess_logger(text)
    assert guess.sure and guess.order == order
    series = read_logger(text, guess, timezone="America/New_York")
    assert series.times[0].isoformat() == "2026-03-13T09:00:00-04:00"
    assert len(series.times) == 40 and series.gaps == () and series.problems == ()
    assert series.temps_c[:3] == pytest.approx((3.4, 3.5, 3.6))


def test_a_file_with_semicolons_decimal_commas_and_a_preamble():
    text = "Serial no;A17\nInterval;10 min\n\nNo;Date;Time;Temp;Humidity\n"
    at = datetime(2026, 3, 13, 9)
    for i in range(30):
        t = at + timedelta(minutes=10 * i)
        text += f"{i + 1};{t:%d.%m.%Y};{t:%H:%M:%S};3,{i % 10};{80 + i % 3}\n"
    guess = guess_logger(text)
    assert guess.sure
    assert str(guess) == (
        "time: column 2 'Date' and column 3 'Time', day-month-year\n"
        "temperature: column 4 'Temp', in °C"
    )
    series = read_logger(text, guess)
    assert series.temps_c[1] == pytest.approx(3.1) and len(series.times) == 30


def test_quoted_cells_with_decimal_commas():
    text = 'Time,Temp C\n"2026-03-13 09:00","3,4"\n"2026-03-13 09:10","3,6"\n'
    assert read_logger(text, guess_logger(text)).temps_c == (3.4, 3.6)


@pytest.mark.parametrize(
    ("head", "temp", "unit"),
    [
        ("Time,Temp (°F)", lambda i: 38.5, "F"),
        ("Time,Temp_F", lambda i: 38.5, "F"),
        ("Time,Fahrenheit", lambda i: 38.5, "F"),
        ("Time,Temperature", lambda i: "38.5 °F", "F"),
        ("Time,Temperature", lambda i: 3.6, "C"),
        ("Time,Temperature", lambda i: 72, "F"),
        ("Time,Celsius", lambda i: 38.5, "C"),
    ],
)
def test_the_unit_is_in_the_name_the_cells_or_the_size(head, temp, unit):
    text = made("%Y-%m-%d %H:%M", head=head, temp=temp)
    guess = guess_logger(text)
    assert guess.sure and guess.unit == unit


def test_a_number_that_may_be_either_unit_is_asked_about():
    text = made("%Y-%m-%d %H:%M", head="Time,Temperature", temp=lambda i: 38.5)
    guess = guess_logger(text)
    assert not guess.sure
    assert str(guess).splitlines()[-1] == (
        "the middle temperature is 38.5, which can be °F (cold) or °C (warm): say which, as unit=F"
    )
    with pytest.raises(InputError) as raised:
        read_logger(text, guess, file="cooler.csv")
    assert str(raised.value) == (
        "cooler.csv: the middle temperature is 38.5, which can be °F (cold) or °C (warm): say "
        "which, as unit=F."
    )
    series = read_logger(text, guess.confirmed(unit="F"))
    assert series.temps_c[0] == pytest.approx((38.5 - 32) / 1.8)
    with pytest.raises(InputError, match="Known: C, F"):
        guess.confirmed(unit="K")


def test_a_day_that_may_be_a_month_is_asked_about():
    text = made("%m/%d/%Y %H:%M", start="2026-03-04 09:00", n=20)
    guess = guess_logger(text)
    assert guess.questions == (
        "date: '03/04/2026 09:00' can be day-month-year or month-day-year: say which, as "
        "order=day-month-year",
    )
    for order, month in (("day-month-year", 4), ("month-day-year", 3)):
        series = read_logger(text, guess.confirmed(order=order))
        assert series.times[0].month == month
    with pytest.raises(InputError, match="Known: year-month-day"):
        guess.confirmed(order="whenever")


def test_over_midnight_the_steps_tell_the_order():
    """From the fourth to the fifth of March: read the other way the file would jump a month."""
    text = made("%m/%d/%Y %H:%M", start="2026-03-04 20:00", n=60)
    guess = guess_logger(text)
    assert guess.sure and guess.order == "month-day-year"


def test_several_temperatures_are_asked_about():
    text = "Time,Probe A,Probe B\n" + "\n".join(
        f"2026-03-13 {9 + i // 6:02d}:{10 * (i % 6):02d},{3.4 + i % 2},{20 + i % 2}"
        for i in range(30)
    )
    guess = guess_logger(text)
    assert "several columns could be the temperature (2 'Probe A', 3 'Probe B')" in str(guess)
    series = read_logger(text, guess.confirmed(temp_column=3, unit="C"))
    assert series.temps_c[0] == 20


def test_gaps_are_told_and_long_ones_are_not_bridged():
    lines = made("%Y-%m-%d %H:%M").splitlines()
    text = "\n".join(lines[:15] + lines[30:])
    series = read_logger(text, guess_logger(text))
    assert [(a.strftime("%H:%M"), b.strftime("%H:%M")) for a, b in series.gaps] == [
        ("11:10", "13:50")
    ]
    with pytest.raises(InputError) as raised:
        series.history()
    assert str(raised.value) == (
        "The logger has no reading from 2026-03-13 11:10 to 13:50 (2.7 h); a gap of more than 1 h "
        "is not guessed. Count the parts before and after it, or give the temperature of that "
        "time."
    )
    assert series.history(bridge_h=3).duration_h == pytest.approx(6.5)
    early = series.between(series.times[0], series.times[10])
    assert early.gaps == () and early.history().duration_h == pytest.approx(100 / 60)


def test_rows_that_do_not_read_are_told_with_their_line():
    lines = made("%Y-%m-%d %H:%M").splitlines()
    lines[5] = lines[5].split(",")[0] + ",error"
    lines[6] = "not a time,3.4"
    lines[7] = lines[7].split(",")[0] + ",850.0"
    lines[8] = "x"
    lines.insert(20, lines[12])
    text = "\n".join(lines)
    series = read_logger(text, guess_logger(text), file="cooler.csv")
    said = [str(p) for p in series.problems]
    assert said[:4] == [
        "cooler.csv, row 6: 'error' is no temperature.",
        "cooler.csv, row 7: 'not a time' is no time.",
        "cooler.csv, row 8: 850 °C lies outside what a logger reads; left out.",
        "cooler.csv, row 9: has 1 cell only.",
    ]
    assert said[4] == (
        "cooler.csv: time 2026-03-13 10:50 runs backwards: was the clock set? Left out."
    )
    assert len(series.times) == 36
    assert series.words()[-1].startswith("5 rows not used, the first: cooler.csv, row 6")


@pytest.mark.parametrize("start", ["2000-01-01 00:00", "2026-05-13 09:00"])
def test_a_clock_that_cannot_be_right_is_refused(start):
    text = made("%Y-%m-%d %H:%M", start=start)
    now = datetime.fromisoformat("2026-03-14T12:00+00:00")
    with pytest.raises(InputError) as raised:
        read_logger(text, guess_logger(text), now=now)
    assert str(raised.value).endswith(
        "cannot be; the logger's clock is wrong. Read its clock beside a right one, and tell how "
        "many minutes it runs fast: with doughlab ripe as --log-is fast=5 (-5 where it is slow), "
        "in Python as clock_fast_min=5."
    )


def test_a_clock_that_runs_fast_is_set_back_as_told():
    text = made("%Y-%m-%d %H:%M")
    series = read_logger(text, guess_logger(text), clock_fast_min=25)
    assert series.times[0].strftime("%H:%M") == "08:35"
    assert series.notes == ("clock set back by 25 min, as told",)
    slow = read_logger(text, guess_logger(text), clock_fast_min=-25)
    assert slow.times[0].strftime("%H:%M") == "09:25"
    assert slow.notes == ("clock set forward by 25 min, as told",)


def test_a_logger_keeps_its_own_time_when_the_clocks_change():
    """New York, 8 March 2026, 02:00 to 03:00 does not exist; the steps stay ten minutes."""
    text = made("%Y-%m-%d %H:%M", start="2026-03-08 00:00", n=60)
    series = read_logger(text, guess_logger(text), timezone="America/New_York")
    assert series.gaps == () and series.history().duration_h == pytest.approx(59 / 6)
    assert series.times[-1].isoformat() == "2026-03-08T10:50:00-04:00"
    assert series.notes[0].endswith("the logger is taken to have kept its own time")


def test_a_logger_that_changed_with_the_clocks_has_no_gap_either():
    lines = made("%Y-%m-%d %H:%M", start="2026-03-08 00:00", n=60).splitlines()
    text = "\n".join(line for line in lines if not line.startswith("2026-03-08 02:"))
    series = read_logger(text, guess_logger(text), timezone="America/New_York")
    assert series.gaps == () and series.history().duration_h == pytest.approx(59 / 6 - 1)
    assert series.notes == ("the clocks were changed meanwhile, and the logger changed with them",)


def test_a_period_the_logger_does_not_hold_is_told():
    text = made("%Y-%m-%d %H:%M")
    series = read_logger(text, guess_logger(text))
    first = series.times[0]
    with pytest.raises(InputError, match=r"Is its clock right\?"):
        series.between(first - timedelta(days=9), first - timedelta(days=8))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello\nworld", "No column of dates and times was found"),
        ("", "No column of dates and times was found"),
        ("Time,Name\n2026-03-13 09:00,x\n2026-03-13 09:10,y", "No column of temperatures"),
    ],
)
def test_what_is_no_logger_file_is_refused(text, words):
    with pytest.raises(InputError, match=words):
        guess_logger(text)


def test_hardly_a_row_is_refused():
    text = "Time,Temp C\n2026-03-13 09:00,3.4"
    with pytest.raises(InputError, match="hardly a row could be read"):
        read_logger(text, guess_logger(text))
