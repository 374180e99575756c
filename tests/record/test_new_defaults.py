"""`doughlab new`: questions meet the right response, and defaults plan without strain."""

import json

import pytest

from doughlab.cli import main
from doughlab.commands.new import FORMULA_FILE
from doughlab.settings import read_settings


@pytest.fixture
def make(tmp_path):
    def run(**options):
        words = [f"--{k}={v}" for k, v in options.items()]
        assert main(["new", str(tmp_path / "harbour"), *words, "--json"]) == 0
        return read_settings(tmp_path / "harbour" / "trial.toml")

    return run


@pytest.mark.parametrize(
    ("question", "factor", "response"),
    [
        ("Which water bakes best", "water", "bake"),
        ("Which water for the new building?", "water", "ph"),
        ("Which water gives the better crust?", "water", "bake"),
        ("Which water holds the pH while it bakes?", "water", "ph"),
        ("How long a hold?", "hold", "ph"),
        ("How cold should the mixing water be?", "water_temp_c", "ph"),
        ("Does hold change the taste?", "hold", "bake"),
        ("Will it work?", "water", "ph"),
    ],
)
def test_a_question_is_stored_with_what_it_asks_about(make, question, factor, response):
    s = make(question=question, vary="mixing water 54F or 64F; hold 24, 48 h")
    first, second, *others = s.questions
    assert (first.text, first.factor, first.response) == (question, factor, response)
    assert {first.response, second.response} == {"ph", "bake"} and second.factor == factor
    assert first.primary and second.primary and not any(q.primary for q in others)
    asked = [(q.factor, q.response) for q in s.questions]
    assert len(set(asked)) == len(asked) and {f for f, _ in asked} == set(s.factors)


@pytest.mark.parametrize("typed", ["54F or 64F", "54 F or 64 F", "54 to 64 °F"])
def test_fahrenheit_typed_is_fahrenheit_shown(make, typed):
    assert make(vary=f"mixing water {typed}").show_temperature == "F"


def test_celsius_typed_or_a_level_named_f_shows_celsius(make):
    assert make(vary="mixing water 12 or 18 C; flour F or G").show_temperature == "C"


@pytest.mark.parametrize("kitchen", ["?", "9-21", "7-19, closed Mondays"])
def test_what_is_taken_for_dont_know_plans_without_a_strain(make, tmp_path, capsys, kitchen):
    make(kitchen=kitchen)
    capsys.readouterr()
    assert main(["plan", str(tmp_path / "harbour"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["warnings"] == []
    assert said["batches"] >= 12


def test_a_short_day_mixes_from_the_opening(make):
    s = make(kitchen="9-13")
    assert s.kitchen.mix_at == "09:00"


def test_too_many_combinations_are_refused_in_the_words_of_the_question(tmp_path, capsys):
    wish = "hydration 58, 60, 62, 64, 66, 68 %; salt 2, 2.5, 3 %; yeast 0.1, 0.2, 0.3, 0.4 %"
    assert main(["new", str(tmp_path / "big"), "--vary", wish, "--json"]) == 1
    said = capsys.readouterr()
    words = " ".join((said.out + said.err).split())
    # 2 waters x 6 x 3 x 4 = 144 combinations, two batches of each
    assert "makes 144 combinations, 288 batches" in words and "Vary fewer things" in words
    assert not (tmp_path / "big" / FORMULA_FILE).exists()
