"""Every public name shows how it is used, in an example that the doctest run proves."""

import ast
import dataclasses
import doctest
import importlib
import inspect
import pkgutil
import re
import textwrap

import pytest

import doughlab

ROOMS = ["stats", "water", "formula", "plan", "analysis", "decision", "daily", "report"]
DOORS = ["doughlab", "doughlab.notebook", "doughlab.errors", "doughlab.settings", "doughlab.trial"]
# shown by the function that does the work, since each takes half a second or more
SHOWN_BY = {
    "PanelCheck.agreement": "doughlab.analysis.agreement.agreement_by_model",
    "PanelCheck.intraclass": "doughlab.analysis.agreement.intraclass",
    "PanelCheck.ordered": "doughlab.analysis.ordered.check_ordered",
    "PanelCheck.without_judge": "doughlab.analysis.judges.drop_judges",
    "ModelChecks.influence": "doughlab.analysis.influence.leave_out",
}


def public_names():
    """List what the doors and rooms hand out: a name without __all__ is public where it lives."""
    found = {}
    for door in [*DOORS, *(f"doughlab.{room}" for room in ROOMS)]:
        module = importlib.import_module(door)
        names = getattr(module, "__all__", None) or [
            n for n, v in vars(module).items()
            if not n.startswith("_") and getattr(v, "__module__", "") == door
        ]  # fmt: skip
        for name in names:
            value = getattr(module, name)
            if callable(value):
                found[f"{value.__module__}.{name}"] = value
    return found


def examples_of(value):
    """Give the source of the examples in the docstring of a class or function."""
    parsed = doctest.DocTestParser().get_examples(value.__doc__ or "")
    return "\n".join(e.source for e in parsed)


def members_of(cls):
    """List the public methods and properties that a class itself writes, as functions."""
    for name, value in vars(cls).items():
        inner = value.fget if isinstance(value, property) else getattr(value, "__func__", value)
        inner = getattr(inner, "func", inner)
        own = inspect.isfunction(inner) and inner.__module__ == cls.__module__
        if own and not name.startswith("_"):
            yield name, inner


PUBLIC = public_names()
CLASSES = {k: v for k, v in PUBLIC.items() if inspect.isclass(v)}
FUNCTIONS = {k: v for k, v in PUBLIC.items() if inspect.isfunction(v)}


def test_the_list_is_long_enough_to_mean_something():
    assert len(PUBLIC) > 200 and len(CLASSES) > 60 and len(FUNCTIONS) > 100


@pytest.mark.parametrize("name", PUBLIC)
def test_public_name_has_an_example(name):
    assert examples_of(PUBLIC[name]), f"{name} shows no example"


@pytest.mark.parametrize("name", CLASSES)
def test_every_method_stands_in_an_example_of_its_class(name):
    cls = CLASSES[name]
    shown = "\n".join([examples_of(cls), *(examples_of(f) for _, f in members_of(cls))])
    unseen = [n for n, _ in members_of(cls) if not re.search(rf"\.{n}\b", shown)]
    unseen = [n for n in unseen if f"{cls.__name__}.{n}" not in SHOWN_BY]
    assert not unseen, f"{name}: no example uses {', '.join(unseen)}"


@pytest.mark.parametrize(("method", "function"), SHOWN_BY.items())
def test_what_is_shown_elsewhere_is_shown_there(method, function):
    cls, member = method.split(".")
    home = next(v for k, v in CLASSES.items() if k.endswith(f".{cls}"))
    module, name = function.rsplit(".", 1)
    work = getattr(importlib.import_module(module), name)
    assert examples_of(work)
    assert re.search(rf"\b{name}\(", inspect.getsource(dict(members_of(home))[member]))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_argument_of_a_function_is_described(name):
    doc = inspect.getdoc(FUNCTIONS[name])
    names = inspect.signature(FUNCTIONS[name]).parameters
    silent = [n for n in names if not re.search(rf"\b{n}\b", doc)]
    assert not silent, f"{name}: {', '.join(silent)}"


@pytest.mark.parametrize("name", [k for k, v in CLASSES.items() if dataclasses.is_dataclass(v)])
def test_every_field_of_a_result_is_described(name):
    doc = inspect.getdoc(CLASSES[name])
    names = [f.name for f in dataclasses.fields(CLASSES[name]) if not f.name.startswith("_")]
    silent = [n for n in names if not re.search(rf"\b{n}\b", doc)]
    assert not silent, f"{name}: {', '.join(silent)}"


def raised_by(function):
    """Name the errors that a function raises in its own lines."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            called = node.exc.func
            if isinstance(called, ast.Attribute):  # as InputError.from_problems(...)
                called = called.value
            if isinstance(called, ast.Name) and called.id[0].isupper():
                yield called.id


@pytest.mark.parametrize("name", PUBLIC)
def test_every_error_is_named_where_it_is_raised(name):
    value = PUBLIC[name]
    functions = dict(members_of(value)) if inspect.isclass(value) else {"": value}
    silent = [
        f"{n} {error}" for n, f in functions.items() for error in raised_by(f)
        if error not in (inspect.getdoc(f) or "")
    ]  # fmt: skip
    assert not silent, f"{name}: {'; '.join(silent)}"


def house_classes():
    """Find every class of the package by its name; names that two classes have are left out."""
    found = {}
    for module in pkgutil.walk_packages(doughlab.__path__, "doughlab."):
        if module.name.endswith("__main__") or ".commands" in module.name:
            continue
        for name, value in vars(importlib.import_module(module.name)).items():
            if inspect.isclass(value) and value.__module__ == module.name:
                found.setdefault(name, []).append(value)
    return {name: classes[0] for name, classes in found.items() if len(classes) == 1}


def test_what_a_public_call_gives_back_has_an_example_too():
    known = house_classes()
    functions = [*FUNCTIONS.values(), *(f for c in CLASSES.values() for _, f in members_of(c))]
    given = {
        known[word]
        for function in functions
        for word in re.findall(r"\w+", str(function.__annotations__.get("return", "")))
        if word in known and not word.startswith("_")
    }
    assert len(given) > 80
    silent = sorted(f"{c.__module__}.{c.__name__}" for c in given if not examples_of(c))
    assert not silent
