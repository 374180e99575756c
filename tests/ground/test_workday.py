"""The working day in trial.toml: hands, warm places, panel hours, steps; whole sentences."""

import pytest

from doughlab.settings import parse_settings

HEAD = "format = 1\nname = 'x'\ncode = 'X1'\n"


def problems(text):
    return [str(p) for p in parse_settings(HEAD + text)[1]]


def test_reads_what_a_day_can_hold():
    settings, found = parse_settings(
        HEAD + "[kitchen]\nhands = 3\nwarm_places = 24\nmixer_balls = 8\nstaff_h = 16\n"
        "hold_tolerance_min = 15\nread_at_night = true\ngrid_min = 15\n"
        "[panel]\nfrom_at = '11:00'\nuntil_at = '15:00'\n[steps.read]\nminutes = 8\nhands_min = 8\n"
    )
    assert found == []
    k, p = settings.kitchen, settings.panel
    assert (k.hands, k.warm_places, k.mixer_balls, k.staff_h) == (3, 24, 8, 16.0)
    assert (k.hold_tolerance_min, k.read_at_night, k.grid_min) == (15.0, True, 15)
    assert (p.from_at, p.until_at) == ("11:00", "15:00")
    assert (settings.steps["read"].minutes, settings.steps["read"].hands_min) == (8.0, 8.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "[kitchen]\ngrid_min = 20\n",
            "trial.toml, row 5, column kitchen.grid_min: grid_min 20 is not known. Known: 5, 10, "
            "15 and 30 minutes.",
        ),
        (
            "[panel]\nfrom_at = '15:00'\nuntil_at = '11:00'\n",
            "trial.toml, row 6, column panel.until_at: until_at 11:00 must lie after from_at "
            "15:00 on the same day.",
        ),
        (
            "[steps.raed]\nminutes = 5\n",
            "trial.toml, row 4, column steps.raed: step 'raed' is not known. Did you mean 'read'? "
            "Known: bake, ball, blend, carry, divide, dose, mix, preferment and 4 more.",
        ),
        (
            "[steps.mix]\nminutes = 5\n",
            "trial.toml, row 4, column steps.mix: the minutes of 'mix' stand in [[steps]] of "
            "formula.toml; only hands_min stands here.",
        ),
        (
            "[steps.take_out]\nminutes = 5\n",
            "trial.toml, row 4, column steps.take_out: the minutes of 'take_out' stand in "
            "warm_min in [kitchen] of trial.toml; only hands_min stands here.",
        ),
    ],
)
def test_says_what_is_wrong(text, said):
    assert problems(text) == [said]
