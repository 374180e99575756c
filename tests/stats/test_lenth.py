"""Lenth's method: what it refuses, and what must not change its answer."""

import numpy as np
import pytest

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.lenth import judge_effects


def test_scaling_and_signs_change_nothing_that_must_not_change():
    values = np.random.default_rng(1).normal(size=15)
    plain, scaled = judge_effects(values), judge_effects(-10.0 * values)
    assert scaled.pse == pytest.approx(10.0 * plain.pse)
    np.testing.assert_allclose(scaled.table["p_value"], plain.table["p_value"])


def test_noise_alone_passes_the_published_critical_values_as_often_as_it_should():
    # Ye & Hamada (2000), J. Qual. Technol. 32, 57-66 (from memory): for 15 effects 2.156 is passed
    # by 5 % of null effects, 4.240 by any effect in 5 % of null experiments. 800 sets, seed 3;
    # bands of three simulation errors. Lenth's own margins lie above both: they are cautious.
    rng = np.random.default_rng(3)
    found = [judge_effects(rng.normal(size=15)) for _ in range(800)]
    t = np.abs([f.table["statistic"] for f in found])
    assert abs((t > 2.156).mean() - 0.05) < 0.01
    assert abs((t > 4.240).any(axis=1).mean() - 0.05) < 0.023
    assert found[0].margin_of_error > 2.156 * found[0].pse
    assert found[0].simultaneous_margin > 4.240 * found[0].pse


def test_what_cannot_be_judged_is_refused():
    with pytest.raises(InputError, match="2 effects; at least three are needed"):
        judge_effects([1.0, 2.0])
    with pytest.raises(InputError, match="exactly zero"):
        judge_effects([0.0, 0.0, 0.0, 5.0])
    with pytest.raises(OutOfRange, match="level is 2; it must be above 0 and below 1"):
        judge_effects([1.0, 2.0, 3.0], level=2.0)


def test_names_are_optional_and_printed():
    found = judge_effects([30.0, 1.0, -1.2, 0.8, 1.1, -0.9, 1.0])
    assert list(found.table["term"]) == list("1234567")
    assert str(found).splitlines()[1].endswith("(one effect): 1")
