"""Slips at the bench: Fahrenheit without its unit, bare calibrations, things said twice."""

from dataclasses import replace
from datetime import datetime

import pytest

from doughlab.errors import InputError
from doughlab.record.desk import Asked
from doughlab.record.entry import build_entry
from doughlab.record.journal import append
from doughlab.record.records import Records
from doughlab.record.warmth import check_temperatures, read_as_f
from doughlab.settings import Settings


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


NOW = rome("03-04T10:00")


def ask(hand, action, *words, show="C", **more):
    contents = hand.open().contents
    settings = replace(contents.settings, show_temperature=show)
    contents = replace(contents, settings=settings)
    return build_entry(contents, Asked(action, words, NOW, **more))


def store(hand, action, *words, **more):
    entry = ask(hand, action, *words, **more)
    return append(hand.folder, entry.table, entry.rows, now=NOW)


@pytest.mark.parametrize("show", ["C", "F"])
def test_a_cooler_at_39_is_asked_about(hand, show):
    with pytest.raises(InputError, match=r"looks like 39 °F, which is 3.9 °C. Say which one: 39F"):
        ask(hand, "temperature", "cooler", "39", show=show)  # (39 - 32) / 1.8 = 3.9
    assert ask(hand, "temperature", "cooler", "39C", show=show).rows[0]["temp_c"] == 39
    told = ask(hand, "temperature", "cooler", "39F", show=show).rows[0]["temp_c"]
    assert told == pytest.approx(7 / 1.8)


def test_only_a_number_that_may_be_fahrenheit_is_asked_about(hand):
    assert ask(hand, "temperature", "cooler", "3.6", show="F").rows[0]["temp_c"] == 3.6
    assert ask(hand, "temperature", "room", "24").rows[0]["temp_c"] == 24
    with pytest.raises(InputError, match=r"room_temp_c: 45 without a unit"):
        ask(hand, "mix", "B01", "room_temp_c=45")
    assert read_as_f(24, "temp_c", place="room") is None


def test_check_notes_a_stored_fahrenheit_and_not_an_ordinary_one():
    rows = [{"place": p, "temp_c": t, "_row": i} for i, (p, t) in enumerate(
        [("cooler", 39.0), ("cooler", 4.0), ("room", 21.0), ("room", 50.0)], start=2)]  # fmt: skip
    found = list(check_temperatures(Settings("Demo", "DE"), Records.of(temperatures=rows)))
    assert [(p.row, p.level) for p in found] == [(2, "note"), (5, "note")]
    assert "39 °F would be 3.9 °C" in found[0].message


def test_a_calibration_takes_the_slope_and_refuses_to_be_empty(hand):
    with pytest.raises(InputError, match=r"slope_pct=97.8"):
        ask(hand, "calibration")
    row = ask(hand, "calibration", "97.8").rows[0]
    assert (row["calibration_id"], row["slope_pct"]) == ("C01", 97.8)
    row = ask(hand, "calibration", "C7", "97,8%").rows[0]
    assert (row["calibration_id"], row["slope_pct"]) == ("C7", 97.8)
    assert ask(hand, "calibration", "note=no slope shown").rows[0]["slope_pct"] is None


def test_a_ball_that_was_read_is_not_said_to_be_lost(hand):
    hand.mix("B02", "03-02T09:45")
    (entry,) = store(hand, "reading", "B02-2", "5.4")
    with pytest.raises(InputError) as refused:
        ask(hand, "lost", "B02-2", "the", "dog", "ate", "it")
    words = str(refused.value)
    assert "Nothing was stored" in words and "is marked lost" not in words
    assert f"doughlab record reading --void {entry[:8]} --reason TEXT" in words


def test_a_bake_can_be_added_to_in_the_unit_of_the_trial(hand):
    hand.mix("B01", "03-02T09:00")
    store(hand, "bake", "B01-4")
    store(hand, "bake", "B01-4", "core_temp_c=64F")
    (row,) = hand.open().records.bakes
    assert row["core_temp_c"] == pytest.approx(32 / 1.8)  # (64 - 32) / 1.8
    assert row["baked_at"] == NOW
    with pytest.raises(InputError, match=r"B01-4: core_temp_c is 64 °F already. To change it"):
        ask(hand, "bake", "B01-4", "core_temp_c=60F", show="F")
    with pytest.raises(InputError, match=r"Add to it with name=value, such as core_temp_c=64F"):
        ask(hand, "bake", "B01-4")
    store(hand, "bake", "B01-4", "core_temp_c=60F", reason="read again")
    assert hand.open().records.bakes[0]["core_temp_c"] == pytest.approx(28 / 1.8)


def test_a_loss_is_written_down_once_and_a_batch_with_its_reason(hand):
    store(hand, "lost", "B02-1", "dropped")
    with pytest.raises(InputError, match=r"B02-1 is marked lost already \(dropped\)"):
        ask(hand, "lost", "B02-1", "again")
    with pytest.raises(InputError, match=r"B03 is a whole batch. Say why"):
        ask(hand, "lost", "B03")
    store(hand, "lost", "B03", "mixer", "stopped")
    with pytest.raises(InputError, match=r"B03 is marked lost already"):
        ask(hand, "lost", "B03-2", "dropped")


def test_an_entry_is_taken_back_once(hand):
    (entry,) = store(hand, "temperature", "cooler", "4")
    (void,) = store(hand, "temperature", void=entry, reason="wrong cooler")
    with pytest.raises(InputError, match=r"was taken back already: wrong cooler. Nothing was"):
        ask(hand, "temperature", void=entry, reason="again")
    with pytest.raises(InputError, match=r"takes another entry back"):
        ask(hand, "temperature", void=void, reason="again")


def test_the_first_id_of_a_corrected_entry_can_still_be_taken_back(hand):
    (entry,) = store(hand, "temperature", "cooler", "4")
    store(hand, "temperature", "cooler", "5", replaces=entry, reason="misread")
    store(hand, "temperature", void=entry, reason="wrong cooler")
    assert hand.open().records.temperatures == []
