"""The rooms stand in one order; a module imports from its own room and from rooms above it."""

import re

import pytest

from .read_code import MODULES, ROOT, read_code

PACKAGE = ROOT / "doughlab"

GROUND = (
    "errors",
    "typed",
    "units",
    "cells",
    "tables",
    "files",
    "sources",
    "nearby",
    "slips",
    "keys",
    "designed",
    "instruments",
    "looks",
    "confirming",
    "training",
    "workday",
    "prices",
    "sections",
    "levels",
    "settings",
)
ORDER = (
    *GROUND,
    "stats", "water", "formula", "plan", "record", "analysis", "decision", "daily", "report",
    "starter", "trial", "notebook", "commands", "messages", "guide", "cli", "__main__",
)  # fmt: skip

# third party: the rooms or modules that may import it (prefix of the dotted name)
THIRD_PARTY = {
    "matplotlib": ("report",),
    "seaborn": ("report",),
    "pingouin": ("analysis", "plan"),
    "scipy": ("water", "formula", "plan", "stats", "analysis", "decision", "daily"),
    "pint": ("units",),
    "tornado": ("record.bench",),
    "zxingcpp": ("record.bench",),
    "typst": ("record.sheets", "report.page"),
    "segno": ("record.sheets", "report.page"),
    "openpyxl": ("record.sheets", "report.page"),
}


def dotted(path):
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(p for p in parts if p != "__init__") or "__init__"


def imports(path):
    """Every imported module name with its line, imports inside functions included."""
    for module, names, level, line in read_code(path).imports:
        assert level == 0, f"{path}:{line}: write imports with the full name"
        yield from ((f"{module}.{n}", line) for n in names if module == "doughlab")
        if not names or module != "doughlab":
            yield module, line


def room(name):
    return name.split(".")[0]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: dotted(p))
def test_modules_import_from_their_own_room_or_above(path):
    own = room(dotted(path))
    if own == "__init__":
        return  # the front door hands out names from every room, lazily
    assert own in ORDER, f"doughlab/{own} is not in the order of the rooms"
    wrong = []
    for name, line in imports(path):
        if not name.startswith("doughlab."):
            continue
        other = room(name.removeprefix("doughlab."))
        if other not in ORDER:
            continue  # a name of the front door itself, such as __version__
        if ORDER.index(other) > ORDER.index(own):
            wrong.append(f"{path.relative_to(ROOT)}:{line} imports {name}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: dotted(p))
def test_third_party_stays_behind_its_border(path):
    own = dotted(path)
    wrong = []
    for name, line in imports(path):
        allowed = THIRD_PARTY.get(name.split(".")[0])
        if allowed is not None and not any(
            own == a or own.startswith((f"{a}.", f"{a}_")) for a in allowed
        ):
            wrong.append(f"{path.relative_to(ROOT)}:{line} imports {name}")
    assert not wrong, "\n".join(wrong)


def test_the_layout_for_contributors_names_every_room_and_module():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    words = set(re.findall(r"\w+", text.split("## Layout")[1].split("Data flows")[0]))
    assert [name for name in ORDER if name not in words and name != "__main__"] == []


def test_plan_never_takes_a_trial():
    for path in (PACKAGE / "plan").glob("*.py"):
        assert not any("trial" in name for name, _ in imports(path)), path
