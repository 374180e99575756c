"""Limits that settings are chosen by, and prices, as trial.toml gives them."""

from pathlib import Path

import pytest

from doughlab.settings import parse_settings

TEXT = Path("trials/lantern-quay/trial.toml")


@pytest.fixture(scope="module")
def text():
    return (Path(__file__).parents[2] / TEXT).read_text(encoding="utf-8")


def read(text):
    settings, problems = parse_settings(text)
    return settings, [p.message for p in problems]


def test_limits_and_prices_are_read(text):
    text = text.replace('title = "bake score"', 'title = "bake score"\nat_least = 6.5')
    text = text.replace("max_hold_h = 96", "max_hold_h = 96\nwater_cost_a_year = 600")
    settings, problems = read(text + "\n[prices]\nflour_kg = 1.4\n")
    assert problems == []
    assert settings.responses["score"].at_least == 6.5
    assert settings.limits.water_cost_a_year == 600
    assert settings.limits.work_h_a_day is None
    assert (settings.prices.flour_kg, settings.prices.hour) == (1.4, None)


def test_a_limit_may_follow_the_best_setting(text):
    settings, problems = read(text.replace('title = "bake score"', 'at_least = "Best"'))
    assert problems == []
    assert settings.responses["score"].at_least == "best"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (
            'at_least = "good"',
            "at_least 'good' is not known. Write a number, or \"best\" for no more than the margin "
            "under the best setting.",
        ),
        ("at_least = 8\nat_most = 7", "at_least must lie under at_most."),
    ],
)
def test_a_limit_that_cannot_be_is_named(text, line, words):
    _, problems = read(text.replace('title = "bake score"', line))
    assert problems == [words]


def test_open_days_follow_from_the_closed_ones(text):
    """One of seven days closed: 365.25 times 6/7."""
    settings, _ = read(text)
    assert settings.kitchen.closed == ("Mon",)
    assert settings.kitchen.days_a_year == pytest.approx(313.07, abs=0.005)
