"""Habits of the code that a reader may rely on."""

import ast
import re
import subprocess
import sys

import pytest

from .read_code import MODULES, ROOT, read_code

TESTS = sorted(p for p in (ROOT / "tests").rglob("*.py"))
NETWORK = ("requests", "urllib.request", "http.client", "socket", "ftplib", "smtplib", "httpx")
IDS = [str(p.relative_to(ROOT)) for p in MODULES]


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_no_quiet_except(path):
    """A catch-all hides the day something breaks, unless it raises again what it caught."""
    for caught, again, line in read_code(path).handlers:
        assert caught is not None, f"{path.name}:{line}: bare except"
        broad = re.search(r"\b(Base)?Exception\b", caught)
        assert again or not broad, f"{path.name}:{line}: {caught}"


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_no_broad_suppress(path):
    assert not re.search(r"suppress\((Base)?Exception\)", read_code(path).text)


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_no_assert_for_input(path):
    """An assert vanishes under -O."""
    asserts = read_code(path).asserts
    assert not asserts, f"{path}: assert in lines {asserts}"


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_no_network_client_is_imported(path):
    for name, _, _, line in read_code(path).imports:
        listens = name == "socket" and path.name == "bench.py" and path.parent.name == "record"
        assert listens or not name.startswith(NETWORK), f"{path}:{line} imports {name}"


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_no_unfinished_marks(path):
    found = re.search(r"\b(TODO|FIXME|XXX|NotImplementedError)\b", read_code(path).text)
    assert not found, path


def test_every_test_function_is_collected():
    """A function without `test_` that asserts, in a test module, never runs."""
    orphans = []
    for path in TESTS:
        if not path.name.startswith("test_"):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        called = set()
        for n in ast.walk(tree):
            if isinstance(n, ast.Name):
                called.add(n.id)
            elif isinstance(n, ast.Attribute):
                called.add(n.attr)
            elif isinstance(n, ast.arg):
                called.add(n.arg)
        for node in tree.body:
            plain = isinstance(node, ast.FunctionDef) and not node.decorator_list
            if plain and not node.name.startswith("test") and node.name not in called:
                orphans.append(f"{path.relative_to(ROOT)}:{node.lineno} {node.name}")
    assert not orphans, "\n".join(orphans)


QUICK = {
    "help": "from doughlab.cli import main; main(['--help'])",
    "new": "import doughlab.commands.new",
    "record": "import doughlab.commands.record",
    "today": "import doughlab.commands.today",
    "check": "import doughlab.commands.check",
    "front door": "import doughlab",
}


@pytest.mark.parametrize("name", QUICK)
def test_quick_commands_load_no_statistics(name):
    heavy = [
        "numpy",
        "pandas",
        "scipy",
        "statsmodels",
        "pingouin",
        "matplotlib",
        "seaborn",
        "pint",
        "formulaic",
    ]
    look = f"print([m for m in {heavy} if m in sys.modules])"
    code = f"{QUICK[name]}\nimport sys\n{look}"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_words_that_are_never_printed():
    """The tool gives no verdict on food safety."""
    banned = re.compile(r"\b(is|are|be) safe\b|\bsafe to (eat|drink|serve)\b", re.IGNORECASE)
    hits = [
        f"{p.relative_to(ROOT)}: {m.group(0)}"
        for p in MODULES
        for m in banned.finditer(p.read_text(encoding="utf-8"))
    ]
    assert not hits, hits


def test_no_machine_path_and_no_registry_host():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    machine = re.compile(r"(?<![\w.:/])/(home|root|Users|tmp|mnt|opt|work)(/[\w.]|[\"'])")
    hosts = re.compile("|".join(["py" + "pi", "files.python" + "hosted", "registry.npm"]) + r"\.\w")
    wrong = []
    for name in tracked:
        path = ROOT / name
        if path.suffix in {".png", ".pdf", ".xlsx"} or not path.exists():
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        if machine.search(text) or hosts.search(text):
            wrong.append(name)
    assert not wrong, wrong
