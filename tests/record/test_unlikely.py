"""Unlikely numbers: slips of the scale, readings far apart, a ball read twice; asked about."""

import pytest

from doughlab.cli import main
from doughlab.record.records import Records
from doughlab.record.unlikely import check_mix_slips, check_reading_slips
from doughlab.settings import Settings


def mixes(**row):
    return Records.of(mixes=[{"batch_id": "B01", **row}])


@pytest.fixture
def weighed():
    """The plan and the formula of the demo."""
    from doughlab.notebook import open_demo

    trial = open_demo()
    return trial.frozen_plan, trial.formula


def slips(plan, formula, **row):
    return [p.message for p in check_mix_slips(plan, mixes(**row), formula)]


def test_water_a_tenth_of_the_plan_is_asked_about(weighed):
    plan, formula = weighed
    from doughlab.record.mixing import plan_grams

    wanted = plan_grams(plan, "B01", formula)
    flour, water = wanted["flour"], wanted["water"]
    assert slips(plan, formula, flour_g=flour, water_g=water) == []
    assert slips(plan, formula, water_g=1.4 * water) == []
    (alone,) = slips(plan, formula, water_g=round(water / 10))
    assert alone == (
        f"water_g {round(water / 10)}; the plan weighs {water:.0f} g for B01. Is a digit missing, "
        "or one too many?"
    )
    (beside,) = slips(plan, formula, flour_g=1000.0, water_g=65.0)
    assert beside == (
        "water_g 65 beside 1000 g of flour is a hydration of 6.5 %; the plan has "
        f"{100 * water / flour:.3g} %. Is a digit missing, or one too many?"
    )


def test_acid_that_cannot_be_is_asked_about():
    """Acid lowers the pH: chemistry. 108 g/kg: ten times what hard water takes, and more."""
    assert slips(None, None, acid="citric", acid_g=75.0, water_g=695.0, water_ph_before=6.0,
                 water_ph=6.2) == [
        "acid lowers the pH; this says that 75 g of citric raised it from 6 to 6.2. Correct one of "
        "them.",
        "75 g of citric in 695 g of water is 108 g for a kilogram, more than any water takes. Is "
        "the decimal point right?",
    ]  # fmt: skip
    assert slips(None, None, acid="vinegar 5 %", acid_g=4.0, water_g=695.0, water_ph_before=7.8,
                 water_ph=6.2) == []  # fmt: skip


def test_an_acid_without_a_name_is_refused(hand, capsys):
    words = ["record", "mix", "B01", "acid=-", "acid_g=5.1", "--folder", str(hand.folder)]
    assert main(words) == 1
    assert " ".join(capsys.readouterr().err.split()) == (
        "doughlab record: acid '-' names no product. Write what it was, or leave it out."
    )


def far(*values):
    rows = [{"ball_id": "B01-1", "ph": v, "entry_id": f"entry-{i:04d}"}
            for i, v in enumerate(values)]  # fmt: skip
    return [p.message for p in check_reading_slips(Settings("Demo", "DE"),
                                                   Records.of(readings=rows))]  # fmt: skip


def test_one_of_three_that_lies_far_off_is_asked_about():
    assert far(5.62, 5.60, 5.63) == [] == far(5.4)
    assert far(5.62, 5.10, 5.63) == [
        "B01-1: 5.1 lies 0.53 from the other readings (5.62, 5.63). Read once more; if it was a "
        "slip, take it back: doughlab record reading --void entry-00 --reason TEXT"
    ]
    assert far(5.4, 5.62)[0].startswith("B01-1: two readings, 5.62 and 5.4, lie 0.22 apart.") or (
        far(5.4, 5.62)[0].startswith("B01-1: two readings, 5.4 and 5.62, lie 0.22 apart.")
    )


def test_a_reading_outside_the_trials_own_limits_is_refused(hand, capsys):
    """trial.toml of the small trial: low = 4, high = 7."""
    hand.mix("B01", "03-02T09:00")
    words = ["record", "reading", "B01-1", "5.62", "8.6", "5.63", "--folder", str(hand.folder)]
    assert main(words) == 1
    assert "ph 8.6 lies outside 4 to 7" in " ".join(capsys.readouterr().err.split())
    assert hand.open().records.readings == []


def test_a_ball_read_by_two_is_asked_about_by_each_set(hand, capsys):
    hand.mix("B01", "03-02T09:00")
    folder = ["--folder", str(hand.folder), "--at", "2026-03-04 09:45"]
    for who, sets in (("ada", 3), ("ben", 6), ("cleo", 9)):
        words = ["record", "reading", "B01-1", "5.40", "5.41", "5.40", "--by", who, *folder]
        assert main(words) == 0
        out = " ".join(capsys.readouterr().out.split())
        assert (f"B01-1 has {sets} readings, 3 are planned" in out) == (sets > 3)
    (said,) = [w for w in hand.said() if "9 readings" in w]
    assert "3 are planned, by ada and ben and cleo. All are averaged. Was it read twice?" in said
