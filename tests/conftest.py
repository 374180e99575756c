"""Fixtures that every room may use."""

import pytest


@pytest.fixture(autouse=True)
def close_figures():
    """Close what a test drew, without loading the drawing library for tests that do not draw."""
    yield
    import sys

    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close("all")
