"""Read model formulas and turn columns of a table into factors and covariates.

Called by design.py, which builds the model matrix from what is found here.
Leaves the matrix, the coding and every estimate to the modules below it.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.errors import InputError, UnknownName

if TYPE_CHECKING:
    import pandas as pd

FUNCTIONS: dict[str, Callable[..., Any]] = {
    "log": np.log,
    "log10": np.log10,
    "exp": np.exp,
    "sqrt": np.sqrt,
    "abs": np.abs,
}
OPERATORS: dict[type, Callable[..., Any]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.divide,
    ast.Pow: np.power,
    ast.USub: np.negative,
    ast.UAdd: np.positive,
}


@dataclass(frozen=True)
class Part:
    """One factor or one covariate expression inside a term.

    Attributes
    ----------
    name : str
        What tables print: the column, or the expression for a covariate such as ``I(x ** 2)``.
    kind : str
        "column" (factor or number, by its values), "factor" (``C(x)``), "number" (an
        expression) or "poly" (orthogonal polynomial of one column).
    column : str
        The column of a factor or of ``poly``; empty for an expression.
    degree : int
        Degree of ``poly``; 0 otherwise.
    tree : ast node or None
        The expression, checked and ready to evaluate.
    """

    name: str
    kind: str
    column: str = ""
    degree: int = 0
    tree: Any = field(default=None, compare=False)


@dataclass(frozen=True)
class ModelFormula:
    """A parsed formula: the response and the fixed terms in order.

    Attributes
    ----------
    text : str
        The formula as typed.
    response : Part
        Column or expression left of the tilde.
    intercept : bool
        False when the formula says ``0 +`` or ``- 1``.
    terms : tuple of tuple of Part
        Each term as its parts; main effects before interactions.
    """

    text: str
    response: Part
    intercept: bool
    terms: tuple[tuple[Part, ...], ...]


@lru_cache(maxsize=256)
def parse_formula(text: str) -> ModelFormula:
    """Parse a model formula and keep the answer for the next call.

    Parameters
    ----------
    text : str
        ``y ~ a * b + x + I(x**2) + poly(z, 2)``; ``C(x)`` makes a factor of a number;
        names with blanks stand in back quotes. Random terms are not written here.

    Returns
    -------
    ModelFormula

    Raises
    ------
    InputError
        When the formula cannot be read, has no response or contains a random term.

    Examples
    --------
    >>> model = parse_formula("y ~ a * C(dose)")
    >>> [":".join(part.name for part in term) for term in model.terms]
    ['a', 'dose', 'a:dose']
    """
    from formulaic import Formula
    from formulaic.errors import FormulaicError

    if "~" not in text:
        raise InputError(f"Formula '{text}' has no '~'. Write it as 'response ~ term + term'.")
    if "|" in text:
        raise InputError(
            f"Formula '{text}' contains '|'. Give random terms apart, as in "
            'random=["plot"]; only random intercepts are fitted.'
        )
    try:
        parsed = Formula(text)
        left, right = list(parsed.lhs), list(parsed.rhs)
    except (FormulaicError, AttributeError, SyntaxError) as err:
        raise InputError(f"Formula '{text}' cannot be read: {err}") from err
    if len(left) != 1 or len(left[0].factors) != 1:
        raise InputError(f"Formula '{text}' needs exactly one response left of '~'.")
    response = _read_part(left[0].factors[0].expr, text)
    numbers = {name for term in right for name in _number_columns(term, text)}
    intercept, terms = False, []
    for term in right:
        exprs = [f.expr for f in term.factors]
        if exprs == ["1"]:
            intercept = True
        else:
            terms.append(tuple(_read_part(e, text, taken=numbers) for e in exprs))
    return ModelFormula(text, response, intercept, tuple(terms))


def _number_columns(term: Any, text: str) -> list[str]:
    """List the plain columns and expression columns of a parsed term."""
    names: list[str] = []
    for item in term.factors:
        part = _read_part(item.expr, text) if item.expr != "1" else None
        if part is not None and part.kind != "factor":
            names.append(part.column or part.name)
            if part.tree is not None:
                names.extend(sorted(used_columns(part)))
    return names


def _read_part(expr: str, text: str, *, taken: set[str] | frozenset[str] = frozenset()) -> Part:
    """Decide what one factor expression of a formula is."""
    expr = expr.strip()
    try:
        node: ast.expr | None = ast.parse(expr, mode="eval").body
    except SyntaxError:
        node = None
    if node is None or isinstance(node, ast.Name) or ("(" not in expr and not _has_operator(node)):
        return Part(expr, "column", column=expr)
    if isinstance(node, ast.Call):
        name = _call_name(node)
        if name == "C":
            if len(node.args) != 1 or node.keywords:
                raise InputError(
                    f"Formula '{text}': write C(column) alone; the coding is chosen by coding=."
                )
            column = _column_text(node.args[0])
            return Part(f"C({column})" if column in taken else column, "factor", column=column)
        if name == "poly":
            return _read_poly(node, text)
        if name == "I":
            _check_tree(node.args[0], text)
            return Part(expr, "number", tree=node.args[0])
    _check_tree(node, text)
    return Part(expr, "number", tree=node)


def _has_operator(node: ast.expr) -> bool:
    return isinstance(node, ast.BinOp | ast.UnaryOp | ast.Constant)


def _call_name(node: ast.Call) -> str:
    func = node.func
    if isinstance(func, ast.Attribute) and isinstance(func.value, ast.Name):
        return func.attr if func.value.id in ("np", "numpy") else ""
    return func.id if isinstance(func, ast.Name) else ""


def _column_text(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else ast.unparse(node)


def _read_poly(node: ast.Call, text: str) -> Part:
    """Read ``poly(column, degree)``."""
    degree = node.args[1] if len(node.args) == 2 else None
    value = degree.value if isinstance(degree, ast.Constant) else None
    if not isinstance(value, int) or value < 1 or node.keywords:
        raise InputError(f"Formula '{text}': write poly(column, degree), degree 1 or more.")
    column = _column_text(node.args[0])
    return Part(f"poly({column}, {value})", "poly", column=column, degree=value)


def _check_tree(node: ast.AST, text: str) -> None:
    """Refuse anything but arithmetic, columns and the known functions."""
    for item in ast.walk(node):
        if isinstance(item, ast.Call) and _call_name(item) not in FUNCTIONS:
            known = ["C", "I", "poly", *FUNCTIONS]
            raise UnknownName("Function", ast.unparse(item.func), known, where=f"Formula '{text}'")
        allowed = (ast.BinOp, ast.UnaryOp, ast.Name, ast.Constant, ast.Call, ast.Attribute)
        if isinstance(item, ast.expr) and not isinstance(item, allowed):
            raise InputError(f"Formula '{text}': '{ast.unparse(item)}' is not arithmetic.")


def used_columns(part: Part) -> set[str]:
    """Name the table columns a part needs.

    Examples
    --------
    >>> used_columns(parse_formula("y ~ I(x**2)").terms[0][0])
    {'x'}
    """
    if part.tree is None:
        return {part.column}
    called = {id(n.func) for n in ast.walk(part.tree) if isinstance(n, ast.Call)}
    inner = {
        id(n.func.value)
        for n in ast.walk(part.tree)
        if isinstance(n, ast.Call) and isinstance(n.func, ast.Attribute)
    }
    return {
        n.id
        for n in ast.walk(part.tree)
        if isinstance(n, ast.Name) and id(n) not in called and id(n) not in inner
    }


def evaluate_part(part: Part, values: Mapping[str, np.ndarray]) -> np.ndarray:
    """Evaluate a covariate expression on columns of numbers.

    Parameters
    ----------
    part : Part
        A part of kind "number".
    values : mapping of str to array, shape (n,)
        The numeric columns.

    Returns
    -------
    array, shape (n,)
    """

    def walk(node: ast.AST) -> Any:
        if isinstance(node, ast.Name):
            return values[node.id]
        if isinstance(node, ast.Constant):
            return node.value
        if isinstance(node, ast.BinOp):
            return OPERATORS[type(node.op)](walk(node.left), walk(node.right))
        if isinstance(node, ast.UnaryOp):
            return OPERATORS[type(node.op)](walk(node.operand))
        if isinstance(node, ast.Call):
            return FUNCTIONS[_call_name(node)](*[walk(a) for a in node.args])
        raise InputError(f"'{part.name}' is not arithmetic.")

    with np.errstate(all="ignore"):
        return np.asarray(walk(part.tree), dtype=float)


@lru_cache(maxsize=256)
def expand_random(random: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """Expand random terms: ``a/b`` stands for a and a:b.

    Parameters
    ----------
    random : tuple of str
        Such as ``("block/plot", "rater")``.

    Returns
    -------
    tuple of tuple of str
        The columns whose combination numbers the levels of each term, in order, each once.

    Raises
    ------
    InputError
        For random slopes and other forms that are not fitted.

    Examples
    --------
    >>> expand_random(("block/plot", "rater"))
    (('block',), ('block', 'plot'), ('rater',))
    """
    found: list[tuple[str, ...]] = []
    for text in random:
        bare = text.strip().removeprefix("(").removesuffix(")")
        bare = bare.split("|", 1)[1] if bare.replace(" ", "").startswith("1|") else bare
        if "|" in bare or "+" in bare or "*" in bare or not bare.strip():
            raise InputError(
                f"Random term '{text}' cannot be read. Only random intercepts are fitted: write "
                "'plot', 'block/plot' or 'rater:plot', each as its own entry of random=[...]."
            )
        path: tuple[str, ...] = ()
        for step in bare.split("/"):
            path = (*path, *(name.strip().strip("`") for name in step.split(":")))
            if path not in found:
                found.append(path)
    return tuple(found)


def level_text(value: Any) -> str:
    """Write a level as it was typed: 175.0 as "175", text unchanged.

    Examples
    --------
    >>> level_text(175.0), level_text(0.2), level_text("None")
    ('175', '0.2', 'None')
    """
    if isinstance(value, str):
        return value
    if isinstance(value, float | np.floating):
        number = float(value)
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    if isinstance(value, bool | np.bool_):
        return str(bool(value))
    return str(value)


def sort_levels(levels: Sequence[str]) -> list[str]:
    """Sort level texts: by size where all are numbers, by text otherwise.

    Examples
    --------
    >>> sort_levels(["24", "8", "16"]), sort_levels(["low", "high"])
    (['8', '16', '24'], ['high', 'low'])
    """
    try:
        sizes = {text: float(text) for text in levels}
    except ValueError:
        return sorted(levels)
    if all(math.isfinite(size) for size in sizes.values()):
        return sorted(levels, key=lambda text: (sizes[text], text))
    return sorted(levels)


def encode_column(column: pd.Series) -> tuple[np.ndarray, tuple[str, ...]]:
    """Give each level of a column a number; blanks get -1.

    Parameters
    ----------
    column : Series, shape (n,)
        Text, numbers, truth values or a Categorical (whose order is kept).

    Returns
    -------
    codes : int array, shape (n,)
        Position of each row's level, -1 for a blank.
    levels : tuple of str
        Level texts; a Categorical may bring levels without rows.
    """
    import pandas as pd

    if isinstance(column.dtype, pd.CategoricalDtype):
        codes = column.cat.codes.to_numpy().astype(np.int64)
        return codes, tuple(level_text(v) for v in column.cat.categories)
    codes, found = pd.factorize(column.to_numpy())
    codes = codes.astype(np.int64, copy=False)
    texts = [level_text(v) for v in found]
    order = sort_levels([t for t in dict.fromkeys(texts) if t.strip()])
    place = {text: k for k, text in enumerate(order)}
    lookup = np.array([place.get(text, -1) for text in texts] + [-1], dtype=np.int64)
    return lookup[codes], tuple(order)
