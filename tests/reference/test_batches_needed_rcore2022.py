"""Plans of two waters against R's power.t.test (R 4.2.2, R Core Team 2022) and statsmodels 0.15."""

import re

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
    for replicates in (2, whole - 1, whole):
        line = plan_of(replicates, sd=sd, margin=0.1).lines[0]
        assert (line.chances.found_margin >= 0.8) is (replicates >= whole)


@pytest.mark.parametrize(("sd", "whole"), [(0.03, 3), (0.05, 6), (0.08, 12)])
def test_plan_of_two_batches_names_the_number_that_would_do(sd, whole):
    precision = plan_of(2, sd=sd, margin=0.1)
    (sentence,) = precision.warnings or [n for n in precision.notes if "Which water?" in n]
    assert f" {whole} batches for each" in sentence or re.search(
        rf"best\. {whole} would find 0\.10", sentence
    )


def test_power_of_two_groups_of_twenty():
    """power.t.test(n = 20, delta = 1, sd = 1, strict = TRUE): 0.8689530."""
    line = plan_of(20, sd=1.0, margin=1.0).lines[0]
    assert line.chances.found_margin == pytest.approx(0.8689530, abs=5e-8)


def test_groups_for_nine_in_ten():
    """power.t.test(delta = 1, sd = 1, power = 0.9)$n is 22.02110: 23 do, 22 do not."""
    at22, at23 = (plan_of(n, sd=1.0, margin=1.0).lines[0].chances for n in (22, 23))
    assert at22.found_margin < 0.9 < at23.found_margin
    assert at22.found_90 > 1.0 > at23.found_90
