"""Formulas: arithmetic by hand, and every problem of the file with its place."""

import pytest

from doughlab.errors import InputError
from doughlab.formula import Formula, batch_grams, parse_formula, read_formula

DOUGH = Formula(
    percents={"hydration": 62.0, "salt": 2.5, "yeast": 0.3, "oil": 1.5},
    balls=12, ball_g=260.0, loss_pct=1.5,
)  # fmt: skip

TEXT = """format = 1
name = "house dough"

[[flours]]
name = "bread flour"
share_pct = 80

[[flours]]
name = "rye"
share_pct = 20

[percent]
hydration = 62
salt = 2.5
yeast = 0.3
oil = 1.5

[own]
sugar = 1

[batch]
balls = 12
ball_g = "9 1/4 oz"
loss_pct = 1.5

[[steps]]
name = "preferment"
minutes = "12 h"

[[steps]]
name = "mix"
minutes = 12

[[steps]]
name = "bulk"
minutes = "1 h"

[[steps]]
name = "ball"
minutes = 15
"""


def test_total_of_the_percentages():
    """100 + 62 + 2.5 + 0.3 + 1.5 (by hand)."""
    assert DOUGH.total_pct == pytest.approx(166.3)


def test_twelve_balls_of_260_g_with_losses():
    """12 x 260 / 0.985 = 3167.513 g dough; divided by 1.663 (by hand, printed to these digits)."""
    grams = batch_grams(DOUGH)
    assert sum(grams.values()) == pytest.approx(3167.513, abs=5e-4)
    assert grams["flour"] == pytest.approx(1904.698, abs=5e-4)
    assert grams["water"] == pytest.approx(1180.91, abs=5e-3)
    assert grams["salt"] == pytest.approx(47.62, abs=5e-3)
    assert grams["yeast"] == pytest.approx(5.71, abs=5e-3)
    assert grams["oil"] == pytest.approx(28.57, abs=5e-3)
    assert list(grams) == ["flour", "water", "salt", "yeast", "oil"]


@pytest.mark.parametrize("levels", [{"hydration": 65.0}, {"hydration_pct": "65 %"},
                                    {"hydration": "65", "water": "tap", "hold": "48"}])  # fmt: skip
def test_a_factor_of_the_trial_takes_the_place_of_an_ingredient(levels):
    grams = batch_grams(DOUGH, levels=levels)
    assert grams["water"] / grams["flour"] == pytest.approx(0.65)
    assert sum(grams.values()) == pytest.approx(12 * 260 / 0.985)


def test_ball_mass_and_count_may_be_a_level():
    assert sum(batch_grams(DOUGH, levels={"ball_g": 200.0}, balls=7).values()) == pytest.approx(
        7 * 200 / 0.985
    )


def test_water_of_a_trial_is_not_the_hydration():
    assert batch_grams(DOUGH, levels={"water": "tap"}) == batch_grams(DOUGH)


def test_a_level_out_of_range_says_what_it_looks_like():
    with pytest.raises(InputError, match=r"hydration.*lies outside 30 to 120"):
        batch_grams(DOUGH, levels={"hydration": 0.65})


def test_the_whole_file_is_read():
    formula, problems = parse_formula(TEXT)
    assert problems == []
    assert formula.name == "house dough"
    assert formula.flours == {"bread flour": 80.0, "rye": 20.0}
    assert formula.own == {"sugar": 1.0}
    assert formula.ball_g == pytest.approx(9.25 * 28.349523125)
    assert formula.steps[0] == ("preferment", 720.0)
    assert formula.minutes_to_ball() == 72.0
    assert formula.split_flours(1000) == {"bread flour": 800.0, "rye": 200.0}
    assert batch_grams(formula)["sugar"] == pytest.approx(batch_grams(formula)["flour"] / 100)


def test_without_a_ball_step_the_minutes_are_not_known():
    assert DOUGH.minutes_to_ball() is None


PROBLEMS = [
    ("salt = 2.5", "sallt = 2.5",
     "formula.toml, row 14, column percent.sallt: percentage 'sallt' is not known. Did you mean "
     "'salt'? Known: hydration, malt, oil, salt, yeast. An ingredient of your own stands in "
     "[own]."),
    ("salt = 2.5", "salt = 25",
     "formula.toml, row 14, column percent.salt: salt 25 lies outside 0 to 10 %. A "
     "decimal point may be missing (2.5)."),
    ("hydration = 62", "hydration = 0.62",
     "formula.toml, row 13, column percent.hydration: hydration 0.62 lies outside 30 to "
     "120 %. 0.62 looks like a fraction of 1. Type 62 if 62 % is meant."),
    ("hydration = 62\n", "",
     "formula.toml, row 12, column percent: 'hydration' is missing: water in per cent of flour."),
    ("share_pct = 20", "share_pct = 30",
     "formula.toml, row 6, column flours.share_pct: the shares of the flours add up to 110 %, not "
     "100 %."),
    ('name = "rye"', 'name = "bread flour"',
     "formula.toml, row 9, column flours.name: flour 'bread flour' stands twice."),
    ("share_pct = 20", "share = 20",
     "formula.toml, row 10, column flours.share: key 'share' is not known. Did you mean "
     "'share_pct'? Known: lot, name, share_pct."),
    ("balls = 12", "balls = 12.5",
     "formula.toml, row 22, column batch.balls: balls 12.5 is not a whole number."),
    ('name = "bulk"', 'name = "bulks"',
     "formula.toml, row 35, column steps.name: name 'bulks' is not known. Did you mean 'bulk'?"),
    ("sugar = 1", "oil = 1",
     "formula.toml, row 19, column own.oil: 'oil' belongs into [percent]."),
    ("[batch]", "[batsch]",
     "formula.toml, row 21, column batsch: key 'batsch' is not known. Did you mean 'batch'?"),
    ("format = 1", "format = 2",
     "formula.toml, row 1, column format: format must be 1; found 2. Update doughlab."),
    ("format = 1", 'format = "1"',
     "formula.toml, row 1, column format: format must be 1; found '1'. Write format = 1 on the "
     "first line."),
    ("yeast = 0.3", "yeast = [0.3]",
     "formula.toml, row 15, column percent.yeast: yeast must be one value; found [0.3]."),
    ("hydration = 62", 'hydration = ""',
     "formula.toml, row 13, column percent.hydration: hydration has no value. Type a number, or "
     "take the line out."),
    ("balls = 12", 'balls = " "',
     "formula.toml, row 22, column batch.balls: balls has no value. Type a number, or take the "
     "line out."),
    ("yeast = 0.3", "yeast =",
     "formula.toml, row 15: cannot be read:"),
    ("minutes = 15", 'minutes = "soon"',
     "formula.toml, row 40, column steps.minutes:"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), PROBLEMS, ids=[p[1] for p in PROBLEMS])
def test_a_problem_is_said_with_its_place(old, new, message):
    assert old in TEXT
    formula, problems = parse_formula(TEXT.replace(old, new, 1))
    assert formula is None
    assert any(str(p).startswith(message) for p in problems), [str(p) for p in problems]


def test_all_problems_come_in_one_go():
    text = TEXT.replace("salt = 2.5", "salt = 25").replace("oil = 1.5", "oyl = 1.5")
    _, problems = parse_formula(text.replace("minutes = 12\n", "minutes = -1\n"))
    assert [p.row for p in problems] == [14, 16, 32]


def test_a_section_of_the_wrong_kind_is_no_traceback():
    for junk in (
        "percent = 3",
        "batch = []",
        "steps = 1",
        "flours = {}",
        "own = 'x'",
        "steps = [1]",
    ):
        formula, problems = parse_formula(f"format = 1\n{junk}\n")
        assert formula is None and problems, junk


def test_a_file_is_read_and_its_problems_raised(tmp_path):
    file = tmp_path / "formula.toml"
    with pytest.raises(InputError) as missing:
        read_formula(file)
    assert str(missing.value) == (
        f"{file} does not exist. doughlab new FOLDER writes one with every line explained; put "
        "your own numbers in."
    )
    file.write_text(TEXT, encoding="utf-8")
    assert read_formula(file).balls == 12
    file.write_text(TEXT.replace("salt = 2.5", "sallt = 2.5"), encoding="utf-8")
    with pytest.raises(InputError, match="Did you mean 'salt'"):
        read_formula(file)
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        read_formula(file)
