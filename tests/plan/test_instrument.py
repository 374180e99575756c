"""What the steps of an instrument can show.

step / sqrt(12): JCGM 100:2008 (GUM), F.2.2.1, from memory: an indicating device with resolution dx
has a standard uncertainty u = 0.29 dx.
"""

from dataclasses import replace

import numpy as np
import pytest

from doughlab.cli import main
from doughlab.plan.instrument import instrument_warnings, mean_spread
from doughlab.sections import Assumed, ReadingMethod, Response
from doughlab.settings import Settings, read_settings

PH = Response("ph", "readings", "ph", 0.1, unit="ph")


def make(resolution, *, kind="slurry", reading_sd=1.0, margin=0.1):
    return Settings(
        "x", "X1",
        responses={"ph": replace(PH, margin=margin)},
        reading_method=ReadingMethod(kind, resolution=resolution),
        assumed={"ph": Assumed("ph", 0.05, 0.03, reading_sd=reading_sd)},
    )  # fmt: skip


def test_steps_leave_the_spread_that_the_guide_gives():
    for step in (0.01, 0.1, 0.5):
        assert ReadingMethod(resolution=step).rounding_sd == pytest.approx(
            0.29 * step, abs=0.005 * step
        )


@pytest.mark.parametrize(
    ("step", "kind", "sd"),
    [(0.01, "slurry", 0.0104), (0.1, "direct", 0.0306), (0.5, "strip", 0.2887)],
)
def test_rounding_and_repeatability_add_as_variances(step, kind, sd):
    """By hand: root of step^2/12 plus 0.01^2, or for strips (step/2)^2."""
    assert ReadingMethod(kind, resolution=step).reading_sd == pytest.approx(sd, abs=5e-5)


@pytest.mark.parametrize(("step", "scatter", "n"), [(0.1, 0.01, 3), (0.1, 0.03, 3), (0.5, 0.1, 2)])
def test_rounding_stays_in_the_mean_of_repeated_readings(step, scatter, n):
    """200,000 invented balls, true pH anywhere within a step: spread of the mean of n readings."""
    rng = np.random.default_rng(5)
    true = rng.uniform(5.0, 5.0 + step, 200_000)
    readings = true + rng.normal(0.0, scatter, (n, true.size))
    error = (np.round(readings / step) * step).mean(axis=0) - true
    method = ReadingMethod(resolution=step, readings_per_ball=n)
    total = (step**2 / 12 + scatter**2) ** 0.5
    assert mean_spread(method, total) == pytest.approx(error.std(), rel=0.01)


def test_fine_steps_leave_the_plain_mean_and_none_assumed_adds_nothing():
    fine = ReadingMethod(resolution=0.01, readings_per_ball=3)
    assert mean_spread(fine, 0.02) == pytest.approx(0.02 / 3**0.5, rel=1e-6)
    assert mean_spread(fine, 0.0) == 0.0
    coarse = ReadingMethod(resolution=0.1, readings_per_ball=9)
    assert mean_spread(coarse, 0.02) == pytest.approx(0.02)  # the limit: no scatter, all shared


def test_a_step_wider_than_the_margin_cannot_see_it():
    (line,) = instrument_warnings(make(0.5, kind="strip"))
    assert line.startswith("Strips that read in steps of 0.5 cannot see a pH difference of 0.1:")
    (line,) = instrument_warnings(make(0.2))
    assert line.startswith("A meter that reads in steps of 0.2 cannot see")
    assert instrument_warnings(make(0.1)) == []
    assert instrument_warnings(make(0.5, margin=0.5)) == []


def test_a_spread_below_the_steps_own_is_said():
    (line,) = instrument_warnings(make(0.1, reading_sd=0.01))
    assert "reading_sd = 0.01 in [assumed.ph] is less than steps of 0.1" in line
    assert "(0.029). Set reading_sd = 0.031" in line
    assert instrument_warnings(make(0.1, reading_sd=0.03)) == []


def test_a_response_that_is_no_ph_reading_is_left_alone():
    rise = Response("rise", "readings", "rise_mm", 0.1)
    assert instrument_warnings(replace(make(0.5), responses={"rise": rise})) == []


@pytest.mark.parametrize(
    ("meter", "sd"), [("strips", 0.29), ("no", 0.29), ("reads 0.1", 0.031), ("yes", 0.01)]
)
def test_a_new_trial_assumes_what_its_instrument_leaves(tmp_path, capsys, meter, sd):
    folder = tmp_path / "harbour"
    assert main(["new", str(folder), "--meter", meter, "--json"]) == 0
    assert read_settings(folder / "trial.toml").assumed["ph"].reading_sd == sd
    capsys.readouterr()
    assert main(["plan", str(folder)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert ("cannot see a pH difference of 0.1" in out) == (sd == 0.29)
    assert f"readings by {sd:g}" in out
