"""The demo cut down to its first readings: commands answer a cook, never with a traceback."""

import re
import shutil
from pathlib import Path

import pytest

from doughlab.cli import main

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
ROWS = [0, 1, 3, 6, 9, 12, 18, 24, 54, 100]
STATISTICS = re.compile(r"Kenward|Satterthwaite|coefficient|complete rows|p = \d\.?\d*e-|print\(")


def cut(folder, rows):
    """Copy the demo and keep the first rows of readings and scores."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("report"))
    for name in ("readings", "scores"):
        path = folder / "record" / f"{name}.csv"
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text("".join(lines[: rows + 1]), encoding="utf-8")
    return folder


def say(capsys, monkeypatch, folder, command):
    """Run a command from the trial's parent; whatever it raises fails the test."""
    monkeypatch.chdir(folder.parent)
    code = main([command, folder.name])
    out, err = capsys.readouterr()
    text = out + err
    assert code in (0, 1) and text.strip()
    assert [line for line in text.splitlines() if len(line) > 80] == []
    assert not STATISTICS.search(re.sub(r"\([^)]*\)", "()", text)), text
    return text


@pytest.mark.parametrize("rows", ROWS)
@pytest.mark.parametrize("command", ["analyse", "decide"])
def test_a_few_rows_are_answered(tmp_path, monkeypatch, capsys, rows, command):
    text = say(capsys, monkeypatch, cut(tmp_path / "few", rows), command)
    if command == "decide" and rows <= 24:
        assert "\nUse " not in text and "Confirm with" not in text


@pytest.mark.parametrize("rows", [0, 9, 54])
def test_a_few_rows_make_a_report(tmp_path, monkeypatch, capsys, rows):
    folder = cut(tmp_path / "few", rows)
    say(capsys, monkeypatch, folder, "report")
    page = (folder / "report" / "report.html").read_text(encoding="utf-8")
    assert rows > 24 or ">Use " not in page


@pytest.mark.parametrize("command", ["analyse", "decide", "report"])
def test_a_row_missing_in_the_plan_is_answered(tmp_path, monkeypatch, capsys, command):
    folder = cut(tmp_path / "row", 100)
    path = folder / "plan" / "balls.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(x for x in lines if not x.startswith("B01-2,")), encoding="utf-8")
    assert "problem" in say(capsys, monkeypatch, folder, command)
