"""Modules and functions stay small enough to be read in one go."""

import statistics

import pytest

from .read_code import MODULES, ROOT, read_code

HARD_LIMIT = 600
FUNCTION_LIMIT = 40
IDS = [str(p.relative_to(ROOT)) for p in MODULES]


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_module_is_at_most_600_lines(path):
    assert len(read_code(path).text.splitlines()) <= HARD_LIMIT


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_functions_have_at_most_40_lines_of_code(path):
    long = [
        f"{path.relative_to(ROOT)}:{line} {name} has {lines}"
        for name, line, lines in read_code(path).functions
        if lines > FUNCTION_LIMIT
    ]
    assert not long, "\n".join(long)


def test_median_module_is_small():
    sizes = [len(read_code(p).text.splitlines()) for p in MODULES]
    assert statistics.median(sizes) <= 320


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_module_opens_with_what_it_does(path):
    doc = read_code(path).doc
    assert doc and doc.splitlines()[0].rstrip().endswith((".", ":")), path
