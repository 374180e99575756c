"""Every number that the formula room keeps says where it comes from; every author is in sources."""

import ast
import re
from pathlib import Path

import pytest

import doughlab.formula
from doughlab.sources import CITATIONS

FOLDER = Path(doughlab.formula.__file__).parent
MODULES = sorted(FOLDER.glob("*.py"))
SAID = re.compile(r"sources?\b|memory|rules? of this project|common practice|\b(19|20)\d\d\b", re.I)
AUTHOR = re.compile(
    r"([A-Z][\wä]+)(?:,? et al\.|, [A-Z]\.[^()]*?|\s+and\s+\w+)\s*\((1[89]\d\d|20\d\d)\)"
)
# bounds of what may be typed, and files: they are checked where they are read
NUMBERS = (int, float)
NO_FIGURES = {"FORMAT", "PERCENTS", "BATCH", "OWN", "SHARE"}


def list_numbers():
    """Every constant of a module with a figure in it: module, name, line, lines above it."""
    for path in MODULES:
        lines = path.read_text(encoding="utf-8").splitlines()
        for node in ast.parse("\n".join(lines)).body:
            targets = getattr(node, "targets", [getattr(node, "target", None)])
            if not isinstance(node, ast.Assign | ast.AnnAssign):
                continue
            names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
            parts = list(ast.walk(node.value))
            figures = [c for c in parts if isinstance(c, ast.Constant) and type(c.value) in NUMBERS]
            called = {c.func.id for c in parts
                      if isinstance(c, ast.Call) and isinstance(c.func, ast.Name)}  # fmt: skip
            plain = names and names[0].isupper() and names[0].lstrip("_") not in NO_FIGURES
            if figures and plain and path.name != "reading.py" and not called & {"Column"}:
                yield path.name, names[0], node, lines


CASES = list(list_numbers())


def test_the_list_is_not_empty():
    """Guards the search itself: these are known to stand there."""
    names = {name for _, name, *_ in CASES}
    assert {"YEAST_GRAMS", "PRIOR_RISE_C", "HOTTEST_WATER_C", "_CHOI_OKOS", "ORGANISMS"} <= names


@pytest.mark.parametrize(("module", "name", "node", "lines"), CASES,
                         ids=[f"{m}-{n}" for m, n, *_ in CASES])  # fmt: skip
def test_a_kept_number_says_its_source_or_that_it_has_none(module, name, node, lines):
    """In its own lines, or in the remark above the group of numbers that it stands in."""
    own = "\n".join(lines[node.lineno - 1 : node.end_lineno])
    start = node.lineno - 2
    above = []
    while start >= 0 and lines[start].strip():
        above.append(lines[start])
        start -= 1
    assert SAID.search(own) or SAID.search("\n".join(above)), f"{module}: {name} has no source"


def find_authors():
    text = {p.name: p.read_text(encoding="utf-8") for p in MODULES}
    return sorted({(m.group(1), m.group(2)) for t in text.values() for m in AUTHOR.finditer(t)})


@pytest.mark.parametrize(("author", "year"), find_authors())
def test_every_author_named_in_the_formula_room_has_a_full_reference(author, year):
    assert any(author in text and f"({year})" in text for text in CITATIONS.values()), author


def test_the_authors_that_are_known_to_be_named_are_found():
    named = dict(find_authors())
    assert {"Rosso", "Ratkowsky", "Lindstrom", "Schnute", "Carslaw", "Choi"} <= set(named)
