"""What is mixed up with what: the terms of a plan that cannot be told from each other.

`model` asks it about every term that it has to leave out, and says so. Which terms stay in the
model is decided there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from typing import Any

from doughlab.plan.span import Numbers, Row, Span, key_of, parts_of


def find_mixed(
    rows: Sequence[Row], term: str, others: Sequence[str], numbers: Numbers | None = None
) -> list[str]:
    """Find the fewest of some terms that a term cannot be told from.

    Parameters
    ----------
    rows : sequence of dict
        Levels as texts.
    term : str
        The term asked about.
    others : sequence of str
        Terms it may be mixed up with; those that come first are named where there is a choice.
    numbers : mapping, optional
        Factors that enter by their number: level text to a whole number.

    Returns
    -------
    list of str
        Empty where the term can be told from all of them.

    Examples
    --------
    Half of the combinations of three settings, where c is the product of a and b:

    >>> rows = [{"a": a, "b": b, "c": a * b} for a in (-1, 1) for b in (-1, 1)]
    >>> find_mixed(rows, "a:b", ["a", "b", "c"]), find_mixed(rows[:3], "a:b", ["a", "b", "c"])
    (['c'], ['a', 'b'])
    """
    columns = list(dict.fromkeys(p for t in (term, *others) for p in parts_of(t)))
    few = list({key_of(r, columns): r for r in rows}.values())
    made = {t: code_columns(few, t, numbers or {}) for t in (term, *others)}
    left = list(others)
    reach = _gain(few, made, term, left)
    if reach == _gain(few, made, term, []):
        return []
    for other in reversed(others):
        without = [t for t in left if t != other]
        if _gain(few, made, term, without) == reach:
            left = without
    return left


def _gain(
    rows: Sequence[Row], made: Mapping[str, list[list[int]]], term: str, terms: Sequence[str]
) -> int:
    span = Span(rows)
    for t in terms:
        span.add_columns(made[t])
    return span.add_columns(made[term])


def code_columns(rows: Sequence[Row], term: str, numbers: Numbers) -> list[list[int]]:
    """Give the columns of a term alone: numbers, levels against the last one, and products.

    Examples
    --------
    >>> code_columns([{"w": "tap"}, {"w": "ro"}, {"w": "well"}], "w", {})
    [[1, 0, -1], [0, 1, -1]]
    """
    parts = [_code_part(rows, p, numbers) for p in parts_of(term)]
    found = []
    for chosen in product(*parts):
        column = [1] * len(rows)
        for own in chosen:
            column = [a * b for a, b in zip(column, own, strict=True)]
        found.append(column)
    return found


def _code_part(rows: Sequence[Row], name: str, numbers: Numbers) -> list[list[int]]:
    if name in numbers:
        return [[numbers[name][r[name]] for r in rows]]
    levels: list[Any] = list(dict.fromkeys(r.get(name) for r in rows))
    *first, last = levels
    return [[(r.get(name) == v) - (r.get(name) == last) for r in rows] for v in first]
