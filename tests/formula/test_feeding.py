"""Feedings of a starter: ratio, temperature and hours, each from the others; own ones learned.

Checked by the law of growth (hours go with the logarithm of the thinning), by mass balance, by
Student's t, and where hours of a kitchen without records are meant: common practice, no source.
"""

import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t

from doughlab.cli import main
from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.feeding import (
    Ratio,
    feed_for,
    own_rule,
    read_ratio,
    usual_rule,
    watch_feedings,
)
from doughlab.formula.starter import STARTER_CLOCK, Feeding, fit_starter

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
SOUR = '[[preferments]]\nname = "sour"\nkind = "starter"\nflour_pct = 10\nhydration = 100\n\n'
USUAL = usual_rule()


def own(*hours, parts=(4, 4), temp_c=20.0):
    warm = [TemperatureHistory.from_steps([(h, temp_c)]) for h in hours]
    return [Feeding(1, *parts, w, ripe_h=h) for h, w in zip(hours, warm, strict=True)]


# ---- the rule


@pytest.mark.parametrize(
    ("ratio", "least", "most"), [("1:1:1", 4, 6), ("1:2:2", 5, 8), ("1:5:5", 8, 12)]
)
def test_usual_hours_are_those_of_common_practice(ratio, least, most):
    """At 24 degrees, as bakers tell it: common practice, no source; the range holds all of it."""
    value, low, high = USUAL.hours(read_ratio(ratio).dilution, 24.0)
    assert least <= value <= most
    assert low <= least and most <= high


@pytest.mark.parametrize(("thin", "thick"), [(9.0, 3.0), (21.0, 5.0)])
def test_hours_go_with_the_logarithm_of_the_thinning(thin, thick):
    """Exponential growth: ln(21) / ln(5) times as long, whatever the temperature."""
    for temp_c in (16.0, 24.0):
        ratio = USUAL.hours(thin, temp_c)[0] / USUAL.hours(thick, temp_c)[0]
        assert ratio == pytest.approx(math.log(thin) / math.log(thick))


def test_hours_go_against_the_rate_of_the_clock():
    warm, cold = USUAL.hours(9.0, 26.0), USUAL.hours(9.0, 18.0)
    faster = float(STARTER_CLOCK.rate(26.0) / STARTER_CLOCK.rate(18.0))
    assert [c / w for c, w in zip(cold, warm, strict=True)] == pytest.approx([faster] * 3)


@pytest.mark.parametrize("temp_c", [12.0, 18.5, 24.0, 29.0])
@pytest.mark.parametrize("dilution", [3.0, 9.0, 41.0])
def test_each_of_the_three_is_found_from_the_other_two(temp_c, dilution):
    """Identities: feeding and temperature come back from the hours that they take."""
    hours, low, high = USUAL.hours(dilution, temp_c)
    assert USUAL.dilution(hours, temp_c)[0] == pytest.approx(dilution)
    assert USUAL.temperature(hours, dilution)[0] == pytest.approx(temp_c, abs=1e-6)
    _, thick, thin = USUAL.dilution(hours, temp_c)
    assert thick < dilution < thin
    assert USUAL.hours(thick, temp_c)[2] == pytest.approx(hours)  # the slowest would take that
    assert low < hours < high


def test_own_feedings_give_students_range():
    """Three feedings: t(0.975, 2) = 4.303 as tables print it; mean and spread of the logarithms."""
    watched = (8.0, 8.5, 9.0)
    rule = own_rule(fit_starter(own(*watched)))
    logs = np.log(watched)
    half = t.ppf(0.975, 2) * logs.std(ddof=1) * math.sqrt(4 / 3)
    assert t.ppf(0.975, 2) == pytest.approx(4.303, abs=5e-4)
    wanted = np.exp([logs.mean(), logs.mean() - half, logs.mean() + half])
    assert rule.hours(9.0, 20.0) == pytest.approx(tuple(wanted))
    assert (rule.feedings, rule.dilutions) == (3, (9.0, 9.0))
    with pytest.raises(
        NotEstimable, match=r"Thinned 3\.0 times: your feedings were watched from 9"
    ):
        rule.hours(3.0, 20.0)


def test_what_cannot_be_is_said_with_its_way_out():
    with pytest.raises(OutOfRange, match=r"4\.0 °C lies outside 8 to 32 °C"):
        USUAL.hours(9.0, 4.0)
    with pytest.raises(NotEstimable, match="take a longer time, or another feeding"):
        USUAL.temperature(1.0, 9.0)
    with pytest.raises(NotEstimable, match="take a shorter time, or another feeding"):
        USUAL.temperature(400.0, 3.0)
    with pytest.raises(NotEstimable, match="too long for one feeding: keep it cooler"):
        USUAL.dilution(40.0, 28.0)


# ---- ratios and grams


@pytest.mark.parametrize(
    ("text", "said"),
    [("1:4:4", "1:4:4"), ("2:8:8", "1:4:4"), (" 1 : 2,5 : 2 ", "1:2.5:2"), ("1:5", "1:5:2.5")],
)
def test_a_feeding_is_read_as_cooks_write_it(text, said):
    assert str(read_ratio(text, hydration_pct=50)) == said


@pytest.mark.parametrize("text", ["4", "1:0:1", "0:1:1", "1:a:1", "1:1:1:1", "1:,:1", ""])
def test_what_is_no_feeding_says_what_is(text):
    with pytest.raises(InputError) as caught:
        read_ratio(text)
    assert str(caught.value).endswith(
        "is no feeding. Write starter, flour and water, such as 1:4:4."
    )
    with pytest.raises(OutOfRange, match="Feed it in two goes"):
        read_ratio("1:80:80")


@pytest.mark.parametrize("ratio", [Ratio(1, 1), Ratio(4, 2), Ratio(10, 10)])
def test_a_feeding_leaves_what_the_next_one_takes(ratio):
    """Mass balance: all of it less what the dough takes is the starter that was put in."""
    g = feed_for(370.0, ratio)
    assert sum(g.values()) - 370.0 == pytest.approx(g["starter"])
    assert g["flour"] / g["starter"] == pytest.approx(ratio.flour)


# ---- what was written down


def test_feedings_that_lack_something_are_named_and_not_used():
    rows = [
        {"lot_id": "S1", "kind": "starter", "fed": "1:4:4", "stood_temp_c": 24, "ripe_h": 9},
        {"lot_id": "S2", "kind": "starter", "fed": "1-4-4", "stood_temp_c": 24, "ripe_h": 9},
        {"lot_id": "S3", "kind": "starter", "fed": "1:4:4", "stood_temp_c": None, "ripe_h": None},
        {"lot_id": "S4", "kind": "starter"},
        {"lot_id": "F1", "kind": "flour", "fed": "1:4:4", "stood_temp_c": 24, "ripe_h": 9},
    ]
    watched = watch_feedings(rows, hydration_pct=100)
    assert [f.dilution for f in watched.feedings] == [9.0]
    assert watched.left_out == (
        "S2: '1-4-4' is no feeding. Write starter, flour and water, such as 1:4:4.",
        "S3 does not say stood_temp_c=75F and ripe_h=9",
    )
    assert watched.rule().feedings == 0


# ---- the command


@pytest.fixture
def folder(tmp_path):
    """The demo with a starter in its dough; its lots do not know the columns yet."""
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("report", "notebooks"))
    path = tmp_path / "demo" / "formula.toml"
    text = path.read_text(encoding="utf-8").replace("[percent]", f"{SOUR}[percent]")
    path.write_text(text, encoding="utf-8")
    return tmp_path / "demo"


@pytest.fixture
def say(capsys):
    def run(*words):
        code = main([str(w) for w in words])
        out, err = capsys.readouterr()
        assert all(len(x) <= 80 for x in out.splitlines() if not x.startswith(("read ", "next:")))
        return code, " ".join(out.split()), " ".join(err.split())

    return run


def test_the_command_answers_hours_feeding_and_temperature(folder, say):
    code, out, _ = say("ripe", "sour", folder, "--room", "75.2F", "--feed", "1:4:4")
    assert code == 0
    assert (
        "sour, 100 % water, at 75 °F: fed 1:4:4 it is ripe in 9 h 27 (5 h 15 to 17 h, 95 %" in out
    )
    assert "28 g starter, 111 g flour, 111 g water; as much is left to feed again" in out
    assert "common practice, no source, up to 1.8 times shorter or longer; 3 of your own" in out
    assert "it is not eaten" in out
    code, out, _ = say("ripe", "SOUR", folder, "--room", "24C", "--feed", "9.45h")
    assert code == 0 and "in 9 h 27 at 24 °C feed it 1:4:4 (1:" in out
    code, out, _ = say("ripe", "sour", folder, "--feed", "1:4:4 in 9.45 h")
    assert code == 0 and "to be ripe in 9 h 27 keep it at 75 °F (6" in out
    code, out, _ = say("ripe", "sour", folder, "--room", "75F")
    assert [f"fed {r} it is ripe in" in out for r in ("1:1:1", "1:2:2", "1:5:5")] == [True] * 3


def test_own_feedings_take_the_place_of_common_practice(folder, say):
    for name, hours in (("S01", 8), ("S02", 8.5), ("S03", 9)):
        code, _, err = say("record", "lot", name, "starter", "fed=1:4:4", "stood_temp_c=68F",
                           f"ripe_h={hours}", "--folder", folder)  # fmt: skip
        assert (code, err) == (0, "")
    _, out, _ = say("ripe", "sour", folder, "--room", "68F", "--feed", "1:4:4")
    assert "it is ripe in 8 h 29 (6 h 20 to 11 h 23" in out  # as doughlab.formula.starter's test
    assert "from 3 feedings of yours" in out and "no source, up to" not in out


def test_a_folder_with_a_formula_alone_is_enough(folder, tmp_path, capsys):
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(folder / "formula.toml", alone / "formula.toml")
    assert main(["ripe", "sour", str(alone), "--room", "24", "--feed", "1:4:4", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert facts["hours"]["1:4:4"] == pytest.approx([9.45, 5.25, 17.0], abs=0.01)
    assert (facts["starter"], facts["feed"], facts["feedings"]) == ("sour", "1:4:4", 0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("sour",), "Say two of three: how warm it stands (--room 75F), its feeding"),
        (("sour", "--feed", "1:4:4"), "Say two of three: how warm it stands (--room 75F)"),
        (("sour", "--room", "24", "--feed", "four"), "--feed 'four' cannot be read as a number."),
        (("sour", "--room", "24", "--ph", "4"), "--ph is about a ball; of a starter say --room"),
        (("sour", "--room", "99F"), "--room '99F' is 37.2 °C; that lies outside 8 to 32 °C."),
        (("B01-1", "--feed", "1:4:4"), "'B01-1' is no starter of formula.toml, and --feed goes"),
    ],
)
def test_what_is_not_understood_is_said(folder, say, words, said):
    name, *rest = words
    code, out, err = say("ripe", name, folder, *rest)
    assert (code, out) == (1, "") and said in err


def test_a_feeding_that_changes_the_hydration_is_told(folder, say):
    _, out, _ = say("ripe", "sour", folder, "--room", "24", "--feed", "1:2:1")
    assert "look: 1:2:1 brings it to 50 % water; formula.toml reckons with 100 %" in out


def test_mix_names_the_command_for_its_starter(folder, say):
    code, out, _ = say("mix", folder, "--room", "72F", "--tap", "60F", "--dough", "75F")
    words = f"doughlab ripe sour {folder} --room 72F --feed 1:4:4"
    assert code == 0 and f"next: when the starter is ripe: {words}" in out
    assert say(*words.split()[1:])[0] == 0
