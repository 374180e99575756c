"""Reading on gives what reading the whole file gives; only additions are read by themselves."""

import pytest

from doughlab.record import growth
from doughlab.record.growth import read_on
from doughlab.record.journal import read_journal

from .conftest import rome


@pytest.fixture
def readings(hand):
    """The table of readings, with three of them in the file."""
    hand.read("B01-2", "03-03T09:45", 5.41, 5.43, 5.40)
    return hand.settings.table("readings")


def same(hand, table, grown):
    """The journal read on is the one read whole."""
    whole = read_journal(hand.folder, table)
    return (grown.journal.rows, grown.journal.history) == (whole.rows, whole.history)


def test_added_rows_are_read_by_themselves(hand, readings, monkeypatch):
    first = read_on(hand.folder, readings)
    hand.read("B02-2", "03-03T10:30", 5.51)
    sizes = []
    resolve = growth.resolve
    monkeypatch.setattr(
        growth, "resolve", lambda data, t: sizes.append(data.count(b"\n")) or resolve(data, t)
    )
    second = read_on(hand.folder, readings, first)
    assert sizes == [2]  # the header and the new row
    assert [r["_row"] for r in second.journal.rows] == [2, 3, 4, 5]
    assert same(hand, readings, second)
    assert read_on(hand.folder, readings, second) is second


@pytest.mark.parametrize("change", ["edited", "shorter", "corrected", "torn", "twice", "wider"])
def test_anything_but_an_addition_reads_the_whole_file(hand, readings, change):
    first = read_on(hand.folder, readings)
    path = hand.folder / "record/readings.csv"
    data = path.read_bytes()
    if change == "edited":
        path.write_bytes(data.replace(b"5.43", b"5.48"))
        hand.read("B02-2", "03-03T10:30", 5.51)
    elif change == "shorter":
        path.write_bytes(data[: data[:-1].rindex(b"\n") + 1])
    elif change == "corrected":
        row = first.journal.rows[0]
        hand.write("readings", {"action": "replace", "replaces": row["entry_id"], "ph": 5.44,
                                "reason": "misread", "ball_id": "B01-2",
                                "read_at": rome("03-03T09:45")})  # fmt: skip
    elif change == "torn":
        path.write_bytes(data + b"half a li")
    elif change == "twice":
        path.write_bytes(data + data.splitlines(keepends=True)[1])
    else:
        lines = data.decode().splitlines()
        path.write_text(
            "\n".join([lines[0] + ",colour", *(line + "," for line in lines[1:])]) + "\n"
        )
    second = read_on(hand.folder, readings, first)
    assert same(hand, readings, second)
    assert second.journal.problems == read_journal(hand.folder, readings).problems
    third = read_on(hand.folder, readings, second)
    assert same(hand, readings, third)
