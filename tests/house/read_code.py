"""What the house's tests ask about a module, read once for all of them."""

import ast
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
MODULES = sorted(p for p in (ROOT / "doughlab").rglob("*.py") if "_starter" not in p.parts)


@dataclass(frozen=True)
class Facts:
    """One module: its text and what stands in it, each with its line."""

    text: str
    doc: str
    imports: tuple[tuple[str, tuple[str, ...], int, int], ...]  # module, names, level, line
    handlers: tuple[tuple[str | None, bool, int], ...]  # what is caught, raised again, line
    asserts: tuple[int, ...]
    functions: tuple[tuple[str, int, int], ...]  # name, line, lines of code


def count_code(node):
    """Lines of a function without its docstring; comments and blank lines are counted."""
    body = node.body
    if isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
        body = body[1:]
    return 1 + (body[-1].end_lineno - body[0].lineno + 1 if body else 0)


def find_handler(node):
    """Say what an `except` catches, and whether it ends by raising it again."""
    again = isinstance(node.body[-1], ast.Raise) and node.body[-1].exc is None
    return node.type and ast.unparse(node.type), again, node.lineno


@cache
def read_code(path):
    """Read a module; imports inside functions are listed too."""
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    imports, handlers, asserts, functions = [], [], [], []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imports += [(a.name, (), 0, node.lineno) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = tuple(a.name for a in node.names)
            imports.append((node.module or "", names, node.level, node.lineno))
        elif isinstance(node, ast.ExceptHandler):
            handlers.append(find_handler(node))
        elif isinstance(node, ast.Assert):
            asserts.append(node.lineno)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            functions.append((node.name, node.lineno, count_code(node)))
    parts = map(tuple, (imports, handlers, asserts, functions))
    return Facts(text, ast.get_docstring(tree) or "", *parts)
