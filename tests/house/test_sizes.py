"""Modules and functions stay small enough to be read in one go."""

import ast
import statistics
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted(p for p in (ROOT / "doughlab").rglob("*.py") if "_starter" not in p.parts)
HARD_LIMIT = 600
FUNCTION_LIMIT = 40


def code_lines(node):
    """Lines of a function without its docstring, comments and blank lines are not discounted."""
    body = node.body
    if isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
        body = body[1:]
    return 1 + (body[-1].end_lineno - body[0].lineno + 1 if body else 0)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_module_is_at_most_600_lines(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= HARD_LIMIT


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_functions_have_at_most_40_lines_of_code(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    long = [
        f"{path.relative_to(ROOT)}:{n.lineno} {n.name} has {code_lines(n)}"
        for n in ast.walk(tree)
        if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef) and code_lines(n) > FUNCTION_LIMIT
    ]
    assert not long, "\n".join(long)


def test_median_module_is_small():
    sizes = [len(p.read_text(encoding="utf-8").splitlines()) for p in MODULES]
    assert statistics.median(sizes) <= 320


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_module_opens_with_what_it_does(path):
    doc = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    assert doc and doc.splitlines()[0].rstrip().endswith((".", ":")), path
