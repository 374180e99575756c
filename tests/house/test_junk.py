"""Bad input: junk in any cell is named with file, row and column, and never raises."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from doughlab.formula import parse_formula
from doughlab.settings import parse_settings

from ..loading import load_script

HERE = Path(__file__).parent
junk_sweep = load_script(HERE / "junk_sweep.py")

CELLS = 5
SEED = 20260302


@pytest.fixture(scope="module")
def sweep():
    return junk_sweep.Sweep(junk_sweep.DEMO)


def test_the_demo_itself_has_no_problem(sweep):
    assert sweep.clean == set()


@pytest.mark.parametrize("name", [n for n in junk_sweep.TABLES if n != "trainees"])
def test_junk_in_any_cell_is_named_with_its_place(sweep, name):
    """Five cells of every column, each replaced by junk in turn, the kinds of junk drawn.

    The demo has no trainees; `tests/record/test_trainee.py` refuses what cannot be there.
    """
    cases = [c for c in sweep.sample(CELLS, SEED) if c.table == name]
    assert len(cases) == CELLS * len(sweep.lines[name][0])
    missed = [str(case) for case in cases if sweep.missed(case)]
    assert missed == []


@pytest.mark.parametrize(("name", "column"), sorted(junk_sweep.KEYS))
def test_a_name_that_others_use_is_missed_there(sweep, name, column):
    """Another name in the place where it is given is readable; who uses it must say so."""
    case = junk_sweep.Case(name, column, 0, "nobody")
    said = sweep.found(case)
    assert any(p.row is not None and p.column for p in said)
    lost = sweep.lines[name][1][sweep.lines[name][0].index(column)]
    assert any(f"'{lost}'" in p.message for p in said)


def test_the_short_way_of_the_sweep_agrees_with_the_disk(sweep, tmp_path):
    """One cell of every table through files and the check of the whole folder."""
    cases = {}
    for case in sweep.sample(1, SEED + 1):
        cases.setdefault((case.table, isinstance(case.junk, bytes)), case)
    assert len(cases) >= len(sweep.lines)
    for case in cases.values():
        assert not sweep.missed(case, tmp_path / "trial"), str(case)


NOWHERE = ["{}", '"open', '"x\\u0007y"', "[[1]]", '""" a\nb"""', f'"{"x" * 3000}"', "="]
NO_NUMBER = ['"banana"', '""', "true", '"9 parsecs"', "nan", "inf", "[1, 2]", "2026-03-05",
             '"1_0"', '"4-5"']  # fmt: skip


def values_of(lines):
    """Lines of a TOML file with a value: number of the line, what stands before, the value."""
    for number, line in enumerate(lines):
        found = re.match(r"(\s*[\w.]+\s*=\s*)([^#]*?)(\s*#.*)?$", line)
        if found and found[2]:
            yield number, found[1], found[2]


@pytest.mark.parametrize(
    ("name", "parse", "least"),
    [("trial.toml", parse_settings, 90), ("formula.toml", parse_formula, 10)],
)
def test_junk_in_any_value_of_a_toml_file_is_named_with_its_line(name, parse, least):
    """Two kinds that no key takes in every value; everything that is no number in every number."""
    lines = (junk_sweep.DEMO / name).read_text(encoding="utf-8").splitlines()
    places, missed = list(values_of(lines)), []
    for i, (number, before, value) in enumerate(places):
        kinds = [NOWHERE[(2 * i + k) % len(NOWHERE)] for k in (0, 1)]
        kinds += NO_NUMBER if re.fullmatch(r"-?[\d.]+", value) else []
        for junk in kinds:
            text = "\n".join([*lines[:number], before + junk, *lines[number + 1 :]])
            _, problems = parse(text)
            if not any(p.file == name and p.row == number + 1 for p in problems):
                missed.append(f"{name}, row {number + 1}: {before}{junk:.20}")
    assert len(places) >= least and missed == []


@pytest.mark.parametrize("command", ["check", "today"])
def test_a_command_on_junk_says_it_and_shows_no_traceback(sweep, tmp_path, command):
    import shutil

    folder = tmp_path / "trial"
    shutil.copytree(sweep.source, folder)
    case = junk_sweep.Case("readings", "ph", 3, "lots")
    (folder / "record" / "readings.csv").write_bytes(sweep.data(case))
    done = subprocess.run(
        [sys.executable, "-m", "doughlab", command, str(folder)], capture_output=True, text=True
    )
    assert "Traceback" not in done.stderr
    if command == "check":
        assert done.returncode == 1
        assert "record/readings.csv, row 5, column ph: ph 'lots' " in done.stdout
    else:
        assert done.returncode == 0
        assert "1 thing cannot be used: doughlab check" in " ".join(done.stdout.split())
