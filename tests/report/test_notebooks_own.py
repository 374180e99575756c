"""The notebooks on a trial of the user's own: they run, and write nothing into it."""

import contextlib
import hashlib
import io
import shutil
from pathlib import Path

import matplotlib as mpl
import nbformat
import pandas as pd
import pytest

import doughlab as dl
from doughlab.cli import main
from doughlab.starter import starter_folder
from doughlab.trial import Trial

ROOT = Path(__file__).parents[2]


def fingerprint(folder):
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file() and p.name != ".lock"}  # fmt: skip


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A trial with other holds and without mixing water and hydration: the second of the demo."""
    folder = tmp_path / "own"
    shutil.copytree(starter_folder("trials") / "lantern-quay-second", folder)
    monkeypatch.setenv("DOUGHLAB_TRIAL", str(folder))
    monkeypatch.chdir(tmp_path)
    return folder


@pytest.fixture
def pilot(tmp_path, monkeypatch, capsys):
    """A pilot as `new` makes it, its plan kept: no factor, no hold, nothing recorded yet."""
    folder = tmp_path / "pilot"
    monkeypatch.chdir(tmp_path)
    assert main(["new", "pilot", "--for", "pilot"]) == 0
    assert main(["plan", "pilot", "--keep"]) == 0
    monkeypatch.setenv("DOUGHLAB_TRIAL", str(folder))
    return folder


def run(name):
    """Run every code cell of a notebook in turn; give what was printed."""
    book = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    space: dict = {"__name__": "__main__"}
    said = io.StringIO()
    leave = pd.option_context("display.width", 80)
    with mpl.rc_context(), leave, contextlib.redirect_stdout(said):
        for number, cell in enumerate(c for c in book.cells if c.cell_type == "code"):
            exec(compile(cell.source, f"{name}, cell {number + 1}", "exec"), space)
    return said.getvalue()


@pytest.mark.parametrize(
    "name", ["01_plan", "02_record", "03_analyse", "06_scale_to_oven", "07_bench"]
)
def test_a_notebook_runs_on_an_own_trial_and_leaves_its_files_alone(name, own):
    before = fingerprint(own)
    assert run(name).strip()
    assert fingerprint(own) == before


def test_every_day_shows_an_own_trial_that_has_lots_and_else_says_it_is_the_demo(own):
    """The name of the trial shown, and the date of its last lot, are of the folder's files."""
    assert "Your trial has no settled dough with lots read in daily/ yet" in run("09_every_day")
    shipped = starter_folder("trials") / "lantern-quay"
    shutil.copytree(shipped, own, dirs_exist_ok=True)
    text = (own / "trial.toml").read_text(encoding="utf-8")
    (own / "trial.toml").write_text(text.replace("Lantern Quay: which", "My own: which"))
    rows = (own / "daily" / "readings.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [r for r in rows if "2026-04-29" not in r]
    assert 10 < len(kept) < len(rows)
    (own / "daily" / "readings.csv").write_text("".join(kept), encoding="utf-8")
    before, said = fingerprint(own), run("09_every_day")
    assert "Shown: My own: which water" in said and "28 April:" in said
    assert "29 April:" not in said and "decide asked for" not in said
    assert fingerprint(own) == before


def test_the_analysis_on_an_own_trial_says_nothing_of_the_demo(own):
    """Prose is the same for every trial: no number, water or verdict of the demo stands in it."""
    book = nbformat.read(ROOT / "notebooks" / "03_analyse.ipynb", as_version=4)
    prose = " ".join(c.source for c in book.cells if c.cell_type == "markdown")
    for of_the_demo in ("24 batches", "70 balls", "osmosis", "bottled", "5.35", "Tap "):
        assert of_the_demo not in prose
    said = run("03_analyse")
    batches = Trial.open(own).frozen_plan.batches
    assert f"{len(batches)} batches, " in said


@pytest.mark.parametrize("name", ["01_plan", "02_record", "07_bench"])
def test_a_notebook_runs_on_a_pilot_before_its_first_record(name, pilot):
    before = fingerprint(pilot)
    assert run(name).strip()
    assert fingerprint(pilot) == before


def test_a_notebook_shows_the_sentence_of_an_error_and_no_traceback():
    """IPython calls `_render_traceback_` where an exception has it (IPython documentation)."""
    from IPython.core.interactiveshell import InteractiveShell

    shell, said = InteractiveShell(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        shell.run_cell("from doughlab.errors import MissingRecords\n"
                       "raise MissingRecords('No pH has been recorded yet.')")  # fmt: skip
    text = said.getvalue()
    assert "MissingRecords: No pH has been recorded yet." in text
    assert "Traceback" not in text


def test_the_practice_bench_is_the_demo_whatever_the_own_trial_is(own):
    bench = dl.notebook.open_practice("2026-03-05T11:05-05:00")
    assert bench.contents.settings.code == "LQ"
    assert dl.notebook.open_bench("2026-03-05T11:05-05:00").folder == own
