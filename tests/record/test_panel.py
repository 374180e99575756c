"""The panel: what judges are told and asked, and what they still owe."""

import json

import pytest

from doughlab.cli import main
from doughlab.record.bench_desk import Bench
from doughlab.record.panel import CONSENT, count_owed, list_unasked, panel_words, tell_judges
from doughlab.sections import Panel
from doughlab.settings import Settings

from .conftest import rome


def bake(hand, ball, at):
    hand.write("bakes", {"ball_id": ball, "baked_at": rome(at)})


def score(hand, ball, judge, **points):
    rows = [{"ball_id": ball, "judge": judge, "criterion": c, "score": s, "scored_at": None}
            for c, s in points.items()]  # fmt: skip
    hand.write("scores", *rows)


def test_judges_are_told_the_best_one_the_reference_the_times_and_the_allergens():
    panel = Panel(
        ("ada",), ideal="thin and crisp", reference="yesterday's service", palate_rest_min=3,
        from_oven_min=4, contains="malt",
    )  # fmt: skip
    assert tell_judges(Settings("Demo", "DE", panel=panel)) == [
        "The best one, as agreed before the first bake: thin and crisp.",
        "Taste first, by its name and without a score: yesterday's service.",
        "Each sample 4 min from the oven; 3 min, water and a bite of plain bread between two.",
        "The samples contain malt. Allergic to any of it, or not feeling well: do not taste.",
        CONSENT,
    ]
    assert tell_judges(Settings("Demo", "DE"))[0] == (
        "Nobody has written down yet what the best one is like: ask before the first sample."
    )


def test_missing_scores_stand_under_the_name_of_the_judge(hand):
    bake(hand, "B01-4", "03-03T09:45")
    bake(hand, "B02-4", "03-03T10:30")
    score(hand, "B01-4", "ada", crust=6, crumb=5)
    score(hand, "B02-4", "ada", crust=6)
    records, settings = hand.open().records, hand.settings
    assert count_owed(settings, records) == {"ada": 1, "ben": 2}
    assert count_owed(settings, records, rome("03-03T10:00")) == {"ben": 1}
    hand.note("B02-4", "lost", "03-03T11:00", "dropped")
    assert count_owed(settings, hand.open().records) == {"ben": 1}
    assert panel_words(settings, records) == (
        "cards not whole: ada 1, ben 2; allergies and consent not written down: ada, ben; "
        'doughlab record consent ada "no allergies"'
    )


def test_consent_is_asked_once_and_stands_in_the_notes(hand, capsys):
    folder = str(hand.folder)
    card = Bench(hand.folder).card("ada", "S02")
    assert card["asked"] is False and card["told"] == tell_judges(hand.settings)
    assert main(["record", "consent", "Ada", "no allergies", "--folder", folder]) == 0
    row = hand.open().records.notes[0]
    assert (row["about"], row["kind"], row["note"]) == ("ada", "consent", "no allergies")
    assert list_unasked(hand.settings, hand.open().records) == ["ben"]
    assert Bench(hand.folder).card("ada", "S02")["asked"] is True
    assert hand.said() == []
    capsys.readouterr()
    assert main(["record", "consent", "adda", "none", "--folder", folder]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab record: judge 'adda' is not known. Did you mean 'ada'? Known: ada, ben. A new "
        "judge is added to judges in [panel] of trial.toml."
    )
    assert main(["record", "consent", "ben", "--folder", folder]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab record: Say which allergies were told, or that there are none: doughlab record "
        'consent ada "no allergies"'
    )


def test_a_consent_of_nobody_in_the_panel_is_a_problem(hand):
    hand.note("carl", "consent", "03-03T09:00", "none")
    assert hand.said(level="error") == [
        "record/notes.csv, row 2, column about: judge 'carl' is not known. Known: ada, ben. A new "
        "judge is added to judges in [panel] of trial.toml."
    ]


def test_today_shows_what_the_panel_owes(hand, capsys):
    bake(hand, "B01-4", "03-03T09:45")
    at = ["--at", "2026-03-03 12:00"]
    assert main(["today", str(hand.folder), *at]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "panel cards not whole: ada 1, ben 1; allergies and consent not written down" in said
    assert any("cards not whole" in w for w in Bench(hand.folder).overview()["watch"])


@pytest.mark.parametrize("given", [["protein cleaning"], ["note=protein cleaning"]])
def test_care_of_the_meter_is_kept(hand, capsys, given):
    assert main(["record", "care", *given, "--folder", str(hand.folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["about"] == ["meter"]
    row = hand.open().records.notes[0]
    assert (row["about"], row["kind"], row["note"]) == ("meter", "care", "protein cleaning")
    assert hand.said() == []


def test_care_without_words_is_asked_for(hand, capsys):
    assert main(["record", "care", "--folder", str(hand.folder)]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab record: Say what was done to the meter: doughlab record care protein cleaning, "
        "new storage liquid"
    )
