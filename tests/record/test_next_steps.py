"""What is said when something is missing, mixed up or comes from another program's CSV."""

from datetime import datetime

import pytest

from doughlab.cli import main
from doughlab.errors import InputError, PlanError
from doughlab.record.desk import Asked
from doughlab.record.entry import build_entry
from doughlab.record.folder import read_folder, read_trial_toml
from doughlab.record.intake import read_intake

NOW = datetime.fromisoformat("2026-03-06T10:00+01:00")


def take(hand, text):
    path = hand.folder.parent / "old.csv"
    path.write_bytes(text.encode())
    return read_intake(read_folder(hand.folder), "readings", path, now=NOW)


def ask(hand, action, *words):
    return build_entry(read_folder(hand.folder), Asked(action, words, NOW))


def test_semicolons_with_decimal_commas_are_read(hand):
    hand.mix("B01", "03-02T09:00")
    text = "ball_id;read_at;ph;note\r\nB01-1;2026-03-04 09:45;5,41;soft, wet\r\n\r\n"
    (row,) = take(hand, text).rows
    assert (row["ball_id"], row["ph"], row["note"]) == ("B01-1", 5.41, "soft, wet")


def test_a_first_line_with_both_marks_is_refused(hand):
    with pytest.raises(InputError):
        take(hand, "ball_id;read_at,ph\nB01-1;2026-03-04 09:45,5\n")


def test_rows_of_a_semicolon_file_keep_their_numbers(hand):
    with pytest.raises(InputError, match=r"old.csv, row 4, column ph"):
        take(hand, "ball_id;read_at;ph\n\nB01-1;2026-03-04 09:45;5,4\nB01-1;2026-03-04 09:45;x\n")


def test_an_unknown_ball_is_listed_with_the_other_faults(hand):
    with pytest.raises(InputError) as caught:
        take(hand, "ball_id,read_at,ph\nB01-1,soon,5.4\nB09-9,2026-03-04 09:45,5.4\n")
    first, second = str(caught.value).splitlines()
    assert first.startswith("old.csv, row 2, column read_at")
    assert second.startswith("old.csv, row 3, column ball_id: ball_id 'B09-9' is not in plan/balls")


def test_a_batch_given_for_a_ball_names_its_balls(hand):
    with pytest.raises(InputError, match=r"B02 is a batch. Name the ball: B02-1, B02-2\."):
        ask(hand, "reading", "b02", "5.6")
    with pytest.raises(InputError, match=r"Name the ball: B02-3, B02-4, B02-5\."):
        ask(hand, "bake", "B02")


def test_before_a_plan_the_step_is_said_with_the_folder(hand):
    for path in (hand.folder / "plan").iterdir():
        path.unlink()
    with pytest.raises(InputError, match=r"keep it: doughlab plan \S+ --keep"):
        ask(hand, "mix", "B01")


def test_a_lost_part_of_the_plan_is_named(hand):
    (hand.folder / "plan" / "balls.csv").unlink()
    with pytest.raises(PlanError, match=r"plan/balls.csv is gone. Bring it back from a copy"):
        hand.open().due(NOW)


def test_a_file_given_for_the_folder_is_said(hand, capsys):
    assert main(["check", str(hand.folder / "trial.toml")]) == 0  # its folder is meant
    capsys.readouterr()
    assert main(["today", str(hand.folder / "waters.csv")]) == 1
    words = " ".join(capsys.readouterr().err.split())
    assert "is a file. Give the folder of the trial instead; it stands in" in words
    assert read_trial_toml(hand.folder)[0] is not None


def test_an_unknown_judge_says_where_judges_stand(hand):
    with pytest.raises(InputError, match=r"A new judge is added to judges in \[panel\]"):
        ask(hand, "score", "B01-3", "cleo", "crust=7")
