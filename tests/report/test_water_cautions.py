"""Every card and page that has to do with acid in water carries the cautions on both."""

import html
import json
import re
from pathlib import Path

import pytest

from doughlab.report.methods import choose_cautions, is_dosed_trial
from doughlab.report.page import compose_page
from doughlab.trial import Trial
from doughlab.water.cautions import list_cautions

ROOT = Path(__file__).parents[2]
# What the cautions on acid and water have to name, in the words of the design of this project.
NAMED = {
    "food grade": "Food-grade acid",
    "eyes": "off eyes and skin",
    "chlorine": "Never let acid meet chlorine sanitiser: toxic gas.",
    "sealed": "Never dose in a sealed container: gas pressure.",
    "closed is explained": "means little air contact",
    "plumbing": "Never dose plumbed lines",
}

PLAIN = """
format = 1
name = "Tank"
code = "TNK"
source = "invented"
[factors.flour]
set = "batch"
kind = "category"
levels = ["soft", "strong"]
[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
[blocks]
days = 2
replicates = 4
start_on = "2026-03-02"
"""
DOSED = (
    PLAIN
    + """
[factors.water_ph]
set = "batch"
kind = "category"
levels = ["as is", "LEVEL"]
"""
)


def made(folder, text, waters=()):
    return Trial.create(folder, text, waters=waters)


def page_words(trial):
    text = re.sub(r"<[^>]+>", " ", compose_page(trial))
    return " ".join(html.unescape(text).replace("\u00a0", " ").split())


@pytest.mark.parametrize("level", ["5.5 acetic", "5.5 lemon", "7.6 soda"])
def test_the_page_of_a_dosed_water_carries_every_caution(tmp_path, level):
    trial = made(tmp_path / "t", DOSED.replace("LEVEL", level))
    assert is_dosed_trial(trial)
    words = page_words(trial)
    for name, sentence in NAMED.items():
        assert sentence in words, name
    assert "whether a water is fit to drink is not judged here" in words
    assert "Water of low alkalinity attacks metal" in words  # acid takes the alkalinity away
    assert ("sulphites" in words) == ("lemon" in level)


def test_the_page_carries_them_when_only_the_records_say_a_dose(tmp_path):
    from doughlab.plan import build_plan, write_plan
    from doughlab.record.journal import append

    trial = made(tmp_path / "t", PLAIN)
    write_plan(build_plan(trial.settings), trial.folder)
    trial = Trial.open(trial.folder)
    assert not is_dosed_trial(trial)
    assert not any("chlorine" in c for c in choose_cautions(trial))
    due = {r["item"]: r["due_at"] for r in trial.frozen_plan.schedule if r["step"] == "mix"}
    mix = {"batch_id": "B01", "mixed_at": due["B01"], "acid": "bottled lemon", "acid_g": 20.0}
    append(trial.folder, trial.settings.table("mixes"), [mix], now=due["B01"])
    again = Trial.open(trial.folder)
    assert is_dosed_trial(again)
    words = page_words(again)
    for sentence in (*NAMED.values(), "sulphites"):
        assert sentence in words


def test_a_trial_without_water_says_nothing_of_acid(tmp_path):
    words = page_words(made(tmp_path / "t", PLAIN))
    assert "chlorine sanitiser" not in words and "fit to drink" not in words


def test_a_smelling_tank_is_sent_to_the_laboratory_first(tmp_path):
    text = PLAIN.replace('kind = "category"\nlevels = ["soft", "strong"]',
                         'kind = "water"\nlevels = ["tap", "tank"]')  # fmt: skip
    waters = [
        {"water_id": "tap", "kind": "tap", "ph": 7.9, "alkalinity_mg_l": 150.0},
        {"water_id": "tank", "kind": "tap", "ph": 7.0, "alkalinity_mg_l": 0.0, "smell": "eggs"},
    ]
    cautions = choose_cautions(made(tmp_path / "t", text, waters))
    assert "Laboratory test before anybody tastes it." in cautions
    assert any("attacks metal" in c for c in cautions)  # an alkalinity of 0 is known, not missing


def test_no_caution_stands_twice(tmp_path):
    trial = made(tmp_path / "t", DOSED.replace("LEVEL", "5.5 acetic"))
    cautions = choose_cautions(trial)
    assert len(cautions) == len(set(cautions))


def test_the_notebook_on_water_prints_every_caution():
    book = json.loads((ROOT / "notebooks" / "05_water.ipynb").read_text(encoding="utf-8"))
    printed = " ".join(
        line
        for cell in book["cells"]
        for output in cell.get("outputs", [])
        for line in output.get("text", output.get("data", {}).get("text/plain", []))
    )
    words = " ".join(printed.split())
    for caution in list_cautions():
        assert caution in words
    told = " ".join("".join(c["source"]) for c in book["cells"] if c["cell_type"] == "markdown")
    assert "whether a water is fit to drink is not judged here" in told
    assert "laboratory before anybody tastes" in told
    for promise in (" is safe", "safe to", " release"):
        assert promise not in (words + told).lower()
