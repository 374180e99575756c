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


# these take five seconds or more; they start first, so that no core waits for another at the end
LONGEST = {
    "test_bench_page.py", "test_sheets_damaged.py", "test_first_readings.py",
    "test_bench_server.py", "test_page.py", "test_readme.py", "test_calendar.py",
    "test_residuals.py", "test_page_pdf.py", "test_sheets.py", "test_axe.py", "test_choose.py",
}  # fmt: skip


def pytest_configure(config):
    """Keep the files in this order over several cores, not in that of their numbers of tests."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items):
    """Put the longest files first; all else stays as it was collected."""
    items.sort(key=lambda item: item.path.name not in LONGEST)


@pytest.fixture(autouse=True)
def close_figures():
    """Close what a test drew, without loading the drawing library for tests that do not draw."""
    yield
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close("all")
