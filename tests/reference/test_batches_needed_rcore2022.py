"""Plans of two waters against R's power.t.test (R 4.2.2, R Core Team 2022) and statsmodels 0.15."""

import pytest

from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision
from doughlab.sections import Assumed, Blocks, Factor, Question, Response
from doughlab.settings import Settings


def plan_of(replicates, *, sd, margin):
    """Two waters, one pH ball from each batch, no blocks: two independent groups of batches."""
    settings = Settings(
        "Invented",
        "INV",
        questions=(Question("Which water?", "water", "ph"),),
        factors={"water": Factor("water", "batch", "water", ("tap", "bottled"))},
        responses={"ph": Response("ph", "readings", "ph", margin=margin, unit="ph")},
        assumed={"ph": Assumed("ph", batch_sd=sd, ball_sd=0.0)},
        blocks=Blocks(kind="none", days=1, batches_per_day=60, replicates=replicates, spares=0),
    )
    return plan_precision(settings, build_plan(settings))


# power.t.test(delta = 0.1, sd = ..., power = 0.8)$n, printed to two decimals
@pytest.mark.parametrize(
    ("sd", "n", "whole"), [(0.03, 2.78, 3), (0.05, 5.09, 6), (0.08, 11.09, 12)]
)
def test_batches_to_find_a_tenth_of_a_ph(sd, n, whole):
    assert n < whole < n + 1
    for replicates in {max(3, whole - 1), whole}:
        line = plan_of(replicates, sd=sd, margin=0.1).lines[0]
        assert (line.chances.found_margin >= 0.8) is (replicates >= whole)


def test_two_batches_of_each_leave_too_few_to_judge_by():
    """Four batches less two waters leave two: no range is promised on so few."""
    precision = plan_of(2, sd=0.03, margin=0.1)
    assert precision.lines[0].chances is None
    assert "too few batches are left over to judge by (2; 3 are wanted)" in precision.warnings[0]


@pytest.mark.parametrize(("sd", "whole"), [(0.05, 6), (0.08, 12)])
def test_plan_of_three_batches_names_the_number_that_would_do(sd, whole):
    sentence = plan_of(3, sd=sd, margin=0.1).warnings[0]
    assert f"at best. {whole} would find 0.10" in sentence


def test_power_of_two_groups_of_twenty():
    """power.t.test(n = 20, delta = 1, sd = 1, strict = TRUE): 0.8689530."""
    line = plan_of(20, sd=1.0, margin=1.0).lines[0]
    assert line.chances.found_margin == pytest.approx(0.8689530, abs=5e-8)


def test_groups_for_nine_in_ten():
    """power.t.test(delta = 1, sd = 1, power = 0.9)$n is 22.02110: 23 do, 22 do not."""
    at22, at23 = (plan_of(n, sd=1.0, margin=1.0).lines[0].chances for n in (22, 23))
    assert at22.found_margin < 0.9 < at23.found_margin
    assert at22.found_90 > 1.0 > at23.found_90
