"""One day is one day, one problem is one problem: counts and words agree."""

from types import SimpleNamespace

import pytest

from doughlab.decision.words import chance_words
from doughlab.record.due import list_needs
from doughlab.record.records import Records
from doughlab.sections import ReadingMethod
from doughlab.settings import Settings


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (1, "other mixing days left out, since the trial does not tell how days differ."),
        (4, "new days included as far as 4 days tell."),
    ],
)
def test_the_days_that_tell(days, told):
    decision = SimpleNamespace(settings=Settings("Demo", "DE"), chance=(0.7, 0.5, 0.9), days=days,
                               window=SimpleNamespace(text="5.35 to 5.75", ends=None))  # fmt: skip
    assert chance_words(decision).endswith(told)


@pytest.mark.parametrize(
    ("each", "taken", "needs"),
    [
        (1, 0, "1 reading"),
        (3, 0, "3 readings"),
        (3, 2, "1 of 3 readings"),
        (2, 1, "1 of 2 readings"),
    ],
)
def test_the_readings_that_a_ball_needs(each, taken, needs):
    from doughlab.plan.plan import Plan

    settings = Settings("Demo", "DE", reading_method=ReadingMethod(readings_per_ball=each))
    ball = {"ball_id": "B01-1", "batch_id": "B01", "purpose": "ph"}
    rows = [{"ball_id": "B01-1", "ph": 5.4, "read_at": None}] * taken
    plan = Plan(settings, (), (ball,), (), 1, "0")
    assert list_needs(plan, Records.of(readings=rows), "B01-1")[-1] == needs


@pytest.mark.parametrize("name", ["analyse", "decide"])
def test_a_single_problem_is_one_problem(name, tmp_path):
    """One reading with a number that cannot be, in a copy of the demo (invented)."""
    import argparse
    import importlib
    import shutil
    from pathlib import Path

    demo = Path(__file__).parents[2] / "trials" / "lantern-quay"
    folder = tmp_path / "copy"
    shutil.copytree(demo, folder, ignore=shutil.ignore_patterns("report", "notebooks"))
    path = folder / "record" / "temperatures.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    at = lines[0].split(",").index("temp_c")
    cells = lines[1].split(",")
    cells[at] = "99"
    lines[1] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    command = importlib.import_module(f"doughlab.commands.{name}")
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    shown = " ".join(str(command.run(parser.parse_args([str(folder)]))).split())
    assert "1 problem in the folder: doughlab check" in shown
