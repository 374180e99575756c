"""Studies in seeded chunks: the same answers whatever the number of processes."""

import io
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from doughlab.errors import OutOfRange, UnknownName
from doughlab.stats import FixedDesign, Study, build_responses, run_study
from doughlab.stats.repeat import monte_carlo_error


@pytest.fixture(scope="module")
def design():
    rows = pd.DataFrame({"dose": list("aabbcc") * 2, "plot": list("stuvwxstuvwx")})
    return FixedDesign(rows, "~ dose", random=["plot"])


@pytest.fixture(scope="module")
def draw(design):
    return build_responses(design, {"plot": 0.5, "residual": 1.0}, mean=5.5)


SCRIPT = """
import numpy as np, pandas as pd
from doughlab.stats import FixedDesign, Study, build_responses, run_study

rows = pd.DataFrame({"dose": list("aabbcc") * 2, "plot": list("stuvwxstuvwx")})
design = FixedDesign(rows, "~ dose", random=["plot"])
draw = build_responses(design, {"plot": 0.5, "residual": 1.0}, mean=5.5)
contrasts = design.build_contrasts("dose")
one, two = (
    run_study(design, draw, study=Study(2500, seed=4, jobs=jobs), contrasts=contrasts)
    for jobs in (1, 2)
)
assert one.estimate.shape == (2500, 3)
np.testing.assert_array_equal(one.p_value, two.p_value)
np.testing.assert_array_equal(one.half_widths(), two.half_widths())
print("same")
"""


def test_the_number_of_processes_changes_nothing():
    # In an interpreter of its own, so that the classes sent to other processes are the plain ones.
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True)
    assert done.stdout == "same\n", done.stderr


def test_a_longer_study_begins_like_a_shorter_one(design, draw):
    short = run_study(design, draw, study=Study(1000, seed=4))
    long = run_study(design, draw, study=Study(3000, seed=4))
    np.testing.assert_array_equal(long.p_value[:1000], short.p_value)
    other = run_study(design, draw, study=Study(1000, seed=5))
    assert not np.array_equal(other.p_value, short.p_value)


def test_progress_is_said_on_a_terminal_only(design, draw, monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for stream, wanted in (
        (
            Terminal(),
            "\rtested 1,000 of 1,500 drawn data sets\rtested 1,500 of 1,500 drawn data sets\n",
        ),
        (io.StringIO(), ""),
    ):
        monkeypatch.setattr("sys.stderr", stream)
        run_study(design, draw, study=Study(1500, seed=1))
        assert stream.getvalue() == wanted


def test_no_data_sets_are_refused(design, draw):
    with pytest.raises(OutOfRange) as caught:
        run_study(design, draw, study=Study(0, seed=1))
    assert str(caught.value) == "0 data sets were asked for; ask for 1 or more."


def test_the_monte_carlo_error_is_the_binomial_one():
    draws = np.random.default_rng(1).binomial(400, 0.05, size=20000) / 400
    assert monte_carlo_error(0.05, 400) == pytest.approx(draws.std(), rel=0.02)


def test_drawn_responses_have_the_spreads_and_steps_asked_for(design):
    mean = np.arange(12.0)
    draw = build_responses(design, {"plot": 0.6, "residual": 0.8}, mean=mean)
    y = draw(np.random.default_rng(3), 40000)
    np.testing.assert_allclose(y.mean(axis=1), mean, atol=0.02)
    np.testing.assert_allclose(y.std(axis=1), 1.0, atol=0.02)
    # Rows 0 and 6 share plot s: covariance 0.36; rows 0 and 1 share nothing.
    assert np.cov(y[0], y[6])[0, 1] == pytest.approx(0.36, abs=0.02)
    assert np.cov(y[0], y[1])[0, 1] == pytest.approx(0.0, abs=0.02)
    stepped = build_responses(design, {"residual": 1.0}, step=0.25)(np.random.default_rng(1), 5)
    np.testing.assert_array_equal(stepped * 4, np.round(stepped * 4))
    with pytest.raises(UnknownName) as caught:
        build_responses(design, {"plt": 1.0})
    assert str(caught.value) == (
        "Design: Random term 'plt' is not known. Did you mean 'plot'? Known: plot, residual."
    )
