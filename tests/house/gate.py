"""Checks a finished test run: nothing skipped, ignored or blanked out that is not listed.

Called by the check script with the JUnit file of the run; prints every finding and exits 1.
"""

import configparser
import json
import sys
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

ROOT = Path(__file__).parents[2]
TAGS = {"nbval-skip", "nbval-ignore-output", "nbval-raises-exception"}
MARKS = ("# NBVAL_IGNORE_OUTPUT", "# NBVAL_SKIP", "# NBVAL_RAISES_EXCEPTION", "#NBVAL_")


def skipped(junit):
    """Names of tests that were skipped or expected to fail."""
    cases = ET.parse(junit).getroot().iter("testcase")
    return [
        f"{c.get('classname')}::{c.get('name')}" for c in cases if c.find("skipped") is not None
    ]


def collected(junit):
    """How many tests ran or were skipped."""
    return sum(1 for _ in ET.parse(junit).getroot().iter("testcase"))


def ignored_cells(folder):
    """Notebook cells that nbval would not compare."""
    found = []
    for path in sorted(folder.glob("*.ipynb")):
        for number, cell in enumerate(json.loads(path.read_text("utf-8"))["cells"]):
            tags = TAGS & set(cell.get("metadata", {}).get("tags", []))
            marks = [m for m in MARKS if m in "".join(cell["source"])]
            if cell["cell_type"] == "code" and (tags or marks):
                found.append((path.name, number))
    return found


def sanitise_rules(path):
    """Section names of the sanitise file."""
    parser = configparser.RawConfigParser()
    parser.read(path, encoding="utf-8")
    return parser.sections()


def findings(junit, *, root=ROOT, allowed_file=None):
    """Everything that is not in the committed list, as sentences."""
    listed = tomllib.loads((allowed_file or root / "tests/house/allowed.toml").read_text("utf-8"))
    out = []
    count = collected(junit)
    if count < listed["minimum_tests"]:
        out.append(f"{count} tests were collected; at least {listed['minimum_tests']} are expected")
    known = {entry["test"] for entry in listed.get("skipped", [])}
    out += [f"skipped and not listed: {name}" for name in skipped(junit) if name not in known]
    cells = {(e["notebook"], e["cell"]) for e in listed.get("ignored_cell", [])}
    for name, number in ignored_cells(root / "notebooks"):
        if (name, number) not in cells:
            out.append(f"ignored cell and not listed: {name}, cell {number}")
    rules = {entry["rule"] for entry in listed.get("sanitise", [])}
    for rule in sanitise_rules(root / "notebooks/sanitize.cfg"):
        if rule not in rules:
            out.append(f"sanitise rule and not listed: {rule}")
    reasons = [*listed.get("skipped", []), *listed.get("ignored_cell", [])]
    reasons += listed.get("sanitise", [])
    out += [f"listed without a reason: {e}" for e in reasons if not e.get("reason", "").strip()]
    return out


if __name__ == "__main__":
    problems = findings(Path(sys.argv[1]))
    print("\n".join(problems) or f"gate: {collected(sys.argv[1])} tests, nothing left out")
    sys.exit(1 if problems else 0)
