"""nbval compares text, not HTML: the text of each result holds the same facts."""


def pytest_collectstart(collector):
    """Leave HTML out of the comparison."""
    if hasattr(collector, "skip_compare"):
        collector.skip_compare += ("text/html",)
