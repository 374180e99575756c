"""Fixtures that every room may use."""

import os
import sys

# two workers on two cores: threads inside linear algebra would only wait for each other
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import pytest
from hypothesis import settings

# the suite starts some hundred processes; they share byte-code, also where none is to be kept
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# the suite draws the same examples each time, so that a failure can be repeated and a pass stays
# one; DOUGHLAB_EXAMPLES=new draws others
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("new", deadline=None)
settings.load_profile(os.environ.get("DOUGHLAB_EXAMPLES", "same"))


@pytest.fixture(autouse=True)
def close_figures():
    """Close what a test drew, without loading the drawing library for tests that do not draw."""
    yield
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close("all")
