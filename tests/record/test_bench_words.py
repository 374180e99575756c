"""What a phone shows speaks the kitchen's words; what is wrong stands beside its field."""

import re

import pytest

from doughlab.errors import DoughlabError
from doughlab.record.bench_desk import Bench
from doughlab.record.bench_forms import FORMS
from doughlab.record.bench_sent import read_sent
from doughlab.record.bench_words import place_lines, say
from doughlab.settings import Settings

from .conftest import rome

NOW = rome("03-04T10:00")
HERE = Settings("Demo", "DE", timezone="Europe/Rome")
TERMINAL = re.compile(r"doughlab|--\w|\b[a-z]+_[a-z]\w*|\.csv|\bTEXT\b|\bTIME\b|\d{4}-\d\d-\d\d|=")


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        ("B05-2: core_temp_c is 18 °C, baked_at is 2026-03-04T09:34:15+01:00 already. To change it "
         "say why: --reason TEXT",
         'B05-2: "Core of the dough, before the oven" is 18 °C, "Baked at" is 09:34 already. To '
         "change it, say why in the last field."),
        ("no balling time of B02 is recorded, so the hold of B02-4, B02-6 is not known. Write it "
         "down: doughlab record mix B02 balled_at=TIME",
         "no balling time of B02 is recorded, so the hold of B02-4, B02-6 is not known. Write it "
         "down: Mix B02, with its time of balling"),
        ("B01-1 is used already (record/readings.csv, row 2), so it cannot be marked lost too. "
         "Nothing was stored. If it was lost after all, take that entry back first: doughlab "
         "record reading --void 1234abcd --reason TEXT",
         "B01-1 is used already (the readings), so it cannot be marked lost too. Nothing was "
         "stored. If it was lost after all, open the ball and take it back there."),
        ("The millivolts of a buffer need its temperature: add temp_c=21, as the thermometer in "
         "the buffer shows.",
         "The millivolts of a buffer need its temperature: fill it in, as the thermometer in the "
         "buffer shows."),
        ("names no calibration. Were they done before this one: doughlab record reading --replaces "
         "3608e144 calibration_id=C01 --reason TEXT. The same holds for 2 more readings.",
         "names no calibration. Were they done before this one, have it name them at the laptop. "
         "The same holds for 2 more readings."),
        ("lot 'F9' is not in record/lots.csv. Write it down: doughlab record lot F9",
         "lot 'F9' is not in the lots. Write it down: Lot F9"),
        ("balled_at '25:10' is no time of the day. Write it like 14:10, yesterday 14:10 or "
         "2026-03-05 14:10.",
         "\"Balled at\" '25:10' is no time of the day. Write it like 14:10 or yesterday 14:10."),
    ],
)  # fmt: skip
def test_a_sentence_of_the_terminal_becomes_one_of_the_kitchen(told, shown):
    assert say(told, HERE, now=NOW) == shown


SLIPS = [
    ("bake", "B01-1", {}), ("bake", "B02", {}), ("bake", "B01-3", {"core_temp_c": "19"}),
    ("lost", "B01-3", {"note": "x"}), ("lost", "B02-2", {"note": "once more"}),
    ("lost", "B03", {"note": ""}), ("mix", "B01", {"mixed_at": "08:00"}), ("mix", "B01", {}),
    ("mix", "B02", {"balled_at": "25:10", "water_temp_c": "200"}),
    ("mix", "B03", {"flour_lot": "F9", "mixed_at": "09:00", "balled_at": "08:00"}),
    ("calibration", "", {"buffer#7": "165", "buffer#4": "-12", "temp_c": "20"}),
    ("calibration", "", {"buffer#7": "-12"}), ("calibration", "", {}),
    ("calibration", "", {"buffer#7": "-12", "buffer#phosphate": "-4", "temp_c": "20"}),
    ("temperature", "cooler", {"temp_c": "39"}), ("temperature", "cooler", {"temp_c": "600"}),
    ("score", "131", {"judge": "ada"}), ("score", "131", {"judge": "eve", "crust": "7"}),
    ("reading", "B01-3", {"ph#1": "5.4"}), ("reading", "B88-1", {"ph#1": "5.4"}),
    ("reading", "B01-1", {"ph#1": "5.4", "read_at": "soon"}), ("pulled", "B03-1", {"at": "x"}),
    ("lot", "W9", {"kind": "water", "water_id": "nowhere"}), ("consent", "eve", {"note": "none"}),
    ("trainee", "zoe", {"kind": "reading", "trainee_value": "5.4", "experienced_value": "5.4"}),
    ("note", "nothing", {"note": "x"}), ("care", "", {"note": ""}),
]  # fmt: skip


def test_no_slip_at_the_bench_answers_with_a_command_line(hand):
    """Every answer and every look of slips over all forms, and where each refusal stands."""
    hand.mix("B01", "03-02T09:45")
    hand.write("bakes", {"ball_id": "B01-3", "baked_at": rome("03-04T09:00"), "core_temp_c": 18.0})
    hand.note("B02-2", "lost", "03-03T09:00", "dropped")
    bench, said, placed = Bench(hand.folder, clock=lambda: NOW), [], 0
    for i, (action, about, values) in enumerate(SLIPS):
        sent = read_sent({"id": f"entry-{i:03d}", "action": action, "about": about, "by": "ada",
                          "values": values, "at": NOW.isoformat(), "session": "S02"})  # fmt: skip
        try:
            said += bench.store(sent)["warnings"]
        except DoughlabError as error:
            said += [str(error), *error.fields.values()]
            placed += bool(error.fields)
    found = [f"{TERMINAL.search(s)[0]!r} in: {s}" for s in said if TERMINAL.search(s)]
    assert len(said) > 30 and placed >= 20
    assert not found, "\n".join(found)


def test_a_refusal_about_no_field_stands_above_the_form():
    shown = [{"name": "balled_at"}, {"name": "note"}]
    placed, rest = place_lines(["The mixer stopped."], FORMS["mix"], shown)
    assert (placed, rest) == ({}, ["The mixer stopped."])
