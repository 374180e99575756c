"""Messages: every sentence with which doughlab refuses or warns, read from its own source.

`guide` shows them as `doughlab help messages`. Reading the source keeps the list from falling
behind; how a message is raised is left to the rooms.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

UNKNOWN = " '{name}' is not known. Did you mean '{near}'? Known: {known}."
MOST_TEXTS = 12  # that one place in the source can say
WRONG_USE, PARSER = "wrong use", "commands/parser"  # said of a command line, by the parser
AS_IT_IS = {"format", "strip", "rstrip", "lstrip", "removesuffix", "replace", "capitalize"}


@dataclass(frozen=True)
class Message:
    """One sentence that doughlab can say when something is wrong.

    Attributes
    ----------
    place : str
        Module, as "record/journal".
    line : int
    kind : str
        Name of the error, "Problem" for a finding of a check, "wrong use" for a command line.
    text : str
        With a name in braces where a value goes.

    Examples
    --------
    >>> Message("record/clock", 12, "InputError", "{time} lies in the future.").kind
    'InputError'
    """

    place: str
    line: int
    kind: str
    text: str

    @property
    def speaks(self) -> bool:
        """Tell whether it has two words of its own, beside what is filled in."""
        return len(re.findall(r"[A-Za-z]{2,}", re.sub(r"\{.*?\}", "", self.text))) > 1


def list_messages(word: str = "") -> list[Message]:
    """List every message of the package, read from its source.

    Parameters
    ----------
    word : str
        Only messages that hold it, large or small letters; or a whole message as it was shown,
        with the names and numbers that were filled in.

    Returns
    -------
    list of Message
        By module, then line; nearest first for a whole message.

    Examples
    --------
    >>> list_messages("one hold gives no curve")[0].place
    'formula/shapes'
    """
    found = _all_messages()
    wanted = " ".join(word.casefold().split())
    holding = [m for m in found if wanted in m.text.casefold()]
    if holding or len(wanted.split()) < 3:
        return holding
    known = {m: _known_part(m.text, wanted) for m in found}
    most = max(known.values())
    return [m for m in found if known[m] == most] if most >= len(wanted) / 3 else []


def _known_part(text: str, shown: str) -> int:
    """Count the letters of a message that stand in words as shown, in their order."""
    at = letters = 0
    for piece in re.split(r"\{.*?\}", text.casefold()):
        words = piece.strip(" .,:;'\"()")
        if len(words) > 4 and (place := shown.find(words, at)) >= 0:
            at, letters = place + len(words), letters + len(words)
    return letters


@cache
def _all_messages() -> tuple[Message, ...]:
    reader = _Reader(_read_sources())
    found = dict.fromkeys(m for place in reader.trees for m in reader.read(place) if m.speaks)
    return tuple(sorted(found, key=lambda m: (m.place, m.line)))


@cache
def _read_sources() -> dict[str, ast.Module]:
    root = Path(__file__).parent
    return {
        path.relative_to(root).with_suffix("").as_posix(): ast.parse(
            path.read_text(encoding="utf-8")
        )
        for path in sorted(root.rglob("*.py"))
    }


Function = ast.FunctionDef | ast.AsyncFunctionDef
Said = tuple[str, str, int]  # text, module, line


class _Reader:
    """Finds where errors and problems are made, and the words they are made with."""

    def __init__(self, trees: Mapping[str, ast.Module]) -> None:
        self.trees = trees
        self.kinds = _kinds(trees.values())
        self.functions: dict[str, list[tuple[str, Function]]] = {}
        for place, tree in trees.items():
            for node in ast.walk(tree):
                if isinstance(node, Function):
                    self.functions.setdefault(node.name, []).append((place, node))

    def read(self, place: str) -> Iterator[Message]:
        """List the messages of one module."""
        handed: dict[str, tuple[str, int]] = {}  # functions that are given the words of a message
        calls = list(_calls_with_scope(self.trees[place]))
        for call, scope in calls:
            node = self._words_node(call)
            if isinstance(node, ast.Name) and scope is not None:
                names = [a.arg for a in scope.args.args if a.arg not in {"self", "cls"}]
                if node.id in names:
                    handed[scope.name] = (_name(call), names.index(node.id))
        for call, scope in calls:
            kind, node = _name(call), self._words_node(call)
            if node is None and kind in handed and len(call.args) > handed[kind][1]:
                kind, at = handed[kind]
                node = call.args[at]
            if (
                node is None
                and len(call.args) > 1
                and ast.unparse(call.args[-1]).endswith("sys.stderr")
            ):
                kind, node = WRONG_USE, call.args[0]
            if node is not None:
                yield from self._messages(kind, node, place, scope)
        if place == PARSER:
            for where, function in itertools.chain.from_iterable(self.functions.values()):
                if where == place and function.name.startswith(("say", "_say")):
                    for text, _, line in self._returned(function.name, place, 2):
                        yield Message(place, line, WRONG_USE, text)

    def _words_node(self, call: ast.Call) -> ast.expr | None:
        kind = _name(call)
        if kind not in self.kinds:
            return None
        said = call.args[1:] if kind == "Problem" else call.args
        return said[0] if said else None

    def _messages(
        self, kind: str, node: ast.expr, place: str, scope: Function | None
    ) -> Iterator[Message]:
        every = self.texts(node, place, scope)
        if kind == "UnknownName":
            every = [
                (text + UNKNOWN, p, n) for text, p, n in every or [("{what}", place, node.lineno)]
            ]
        for text, where, line in every:
            yield Message(where, line, kind, text)

    def texts(
        self, node: ast.expr, place: str, scope: Function | None, deep: int = 3
    ) -> list[Said]:
        """Give every text that an expression can be, as far as the source tells."""

        def of(*nodes: ast.expr) -> list[Said]:
            return [t for n in nodes for t in self.texts(n, place, scope, deep)][:MOST_TEXTS]

        if isinstance(node, ast.Constant | ast.JoinedStr):
            return [(_text(node), place, node.lineno)]
        if isinstance(node, ast.IfExp):
            return of(node.body, node.orelse)
        if isinstance(node, ast.BoolOp):
            return of(*node.values)
        if isinstance(node, ast.Dict):
            return of(*node.values)
        if isinstance(node, ast.List | ast.Tuple):
            return of(*node.elts)
        if isinstance(node, ast.Starred):
            return of(node.value)
        if isinstance(node, ast.GeneratorExp | ast.ListComp):
            return of(node.elt, *(g.iter for g in node.generators))
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            right = of(node.right) or [("{...}", place, node.lineno)]
            return [(a + b, p, n) for a, p, n in of(node.left) for b, _, _ in right][:MOST_TEXTS]
        if isinstance(node, ast.Name) and deep:
            return of(*_assigned(node.id, scope, self.trees[place]))
        if isinstance(node, ast.Call) and deep:
            if isinstance(node.func, ast.Attribute) and node.func.attr in AS_IT_IS:
                return of(node.func.value)
            if _name(node) in {"join", "_fit"}:
                return of(*node.args)
            return self._returned(_name(node), place, deep - 1)
        return []

    def _returned(self, name: str, place: str, deep: int) -> list[Said]:
        """Give the texts that a function of the package returns."""
        every = self.functions.get(name, [])
        own = [f for f in every if f[0] == place] or (every if len(every) == 1 else [])
        return [
            said
            for where, function in own
            for node in ast.walk(function)
            if isinstance(node, ast.Return) and node.value is not None
            for said in self.texts(node.value, where, function, deep)
        ][:MOST_TEXTS]


def _assigned(name: str, scope: Function | None, tree: ast.Module) -> list[ast.expr]:
    """Find what a name is set to in a function, else at the top of the module."""
    for body in ([] if scope is None else list(ast.walk(scope)), tree.body):
        found: list[ast.expr] = []
        for node in body:
            targets = node.targets if isinstance(node, ast.Assign) else [
                getattr(node, "target", None)]  # fmt: skip
            value = getattr(node, "value", None)
            if value is not None and any(isinstance(t, ast.Name) and t.id == name
                                         for t in targets):  # fmt: skip
                found.append(value)
        if found:
            return found
    return []


def _calls_with_scope(
    node: ast.AST, scope: Function | None = None
) -> Iterator[tuple[ast.Call, Function | None]]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Call):
            yield child, scope
        yield from _calls_with_scope(child, child if isinstance(child, Function) else scope)


def _name(node: ast.Call) -> str:
    if isinstance(node.func, ast.Attribute):
        return node.func.attr
    return node.func.id if isinstance(node.func, ast.Name) else ""


def _kinds(trees: Iterable[ast.Module]) -> set[str]:
    """Collect the names of all errors: a class is one when a class above it is."""
    bases = {
        node.name: {b.id for b in node.bases if isinstance(b, ast.Name)}
        for tree in trees
        for node in tree.body
        if isinstance(node, ast.ClassDef)
    }
    known = {"DoughlabError"}
    while more := {name for name, above in bases.items() if above & known} - known:
        known |= more
    return {*known, "Problem"}


def _text(node: ast.expr) -> str:
    """Write a string of the source with a name in braces where a value goes."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(v) for v in node.values)
    if isinstance(node, ast.FormattedValue):
        name = re.split(r"[(\[]", ast.unparse(node.value))[0].rsplit(".", 1)[-1]
        plain = name.strip("_").casefold()  # a reader of the list is shown no code
        return "{" + (plain if re.fullmatch(r"\w+", plain) else "...") + "}"
    return ""
