"""The joint study: a small part of it again, and what its table says."""

import csv
from pathlib import Path

import numpy as np
import pytest

from ..loading import load_script

HERE = Path(__file__).parent


study = load_script(HERE / "joint_study.py")


def table(what):
    with (HERE / "joint_study.csv").open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r["what"].startswith(what)]
    assert rows
    return rows


@pytest.mark.parametrize(
    "what", ["range holds the truth, settings", "range holds the truth, chosen"]
)
def test_ranges_of_the_joint_chance_hold_the_truth(what):
    for row in table(what):
        assert float(row["value"]) >= 0.95 - 0.02 - 2.0 * float(row["error"]), row


def test_stated_joint_chances_come_true_where_little_is_at_stake_and_where_much_is():
    """The middle of the draws: as often over as under, so near the truth in every class."""
    for row in table("true chance where"):
        assert abs(float(row["value"]) - float(row["stated"])) < 0.15, row


def test_the_loss_of_a_wrong_choice_is_an_upper_end():
    for row in table("true loss of the choice"):
        assert float(row["value"]) <= float(row["stated"]), row


def test_the_tie_has_the_sign_of_the_truth():
    found = {r["case"]: float(r["value"]) for r in table("tie between batches")}
    assert found["together"] > 0.5 and found["against"] < -0.5 and abs(found["no tie"]) < 0.3


def test_the_study_runs_again_in_small():
    """Two trials: each range of a setting in play should hold its truth 95 times in 100."""
    case, template, held = study.CASES[1], study.make_template(), []
    for number in range(2):
        joint, settings = study.run_trial(case, number, template)
        _, low, high = joint.chances
        held.append((low, high))
    truth = study.find_truth(case, settings)
    play = (truth > 0.02) & (truth < 0.99)
    assert np.mean([((a <= truth) & (truth <= b))[play] for a, b in held]) > 0.7
    assert joint.tie.shared > 0.5
