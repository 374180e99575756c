"""The lines of the README are what the commands take, and one of each command is run."""

import argparse
import importlib
import io
import re
import shlex
import shutil
from contextlib import redirect_stdout
from pathlib import Path
from time import process_time

import pytest

from doughlab.cli import COMMANDS, main
from doughlab.guide import PAGES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"^ {4}.*?bin/doughlab ((?!demo$).+)$", README, flags=re.MULTILINE)
HELP = [line for line in SHOWN if line.startswith("help ")]
LINES = [line for line in SHOWN if line not in HELP]

# run as a user does by a test of their own: servers, and what takes seconds
ELSEWHERE = {
    "bench": ROOT / "tests/record/test_bench_server.py",
    "lab": ROOT / "tests/report/test_lab_command.py",
    "report": ROOT / "tests/report/test_report_command.py",
}


def build_parser(name: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(allow_abbrev=False)
    importlib.import_module(f"doughlab.commands.{COMMANDS[name][0]}").add_arguments(parser)
    parser.add_argument("--json", action="store_true")
    return parser


def words_of(line: str) -> list[str]:
    return shlex.split(line, comments=True)


@pytest.mark.parametrize("line", LINES)
def test_every_line_is_what_its_command_takes(line):
    name, *rest = words_of(line)
    build_parser(name).parse_args(rest)


def test_every_page_of_the_guide_is_shown():
    assert [words_of(line)[1] for line in HELP] == list(PAGES)


@pytest.mark.parametrize("line", HELP)
def test_a_line_of_help_answers(line, capsys):
    words = words_of(line)
    assert main(words) == 0
    said = capsys.readouterr()
    assert said.out.strip() and not said.err
    if words[2:]:
        assert words[2] in said.out


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Run the demo as the first of the two commands does: folder, what it said, its seconds."""
    folder = tmp_path_factory.mktemp("kitchen")
    said, began = io.StringIO(), process_time()
    with redirect_stdout(said), pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert main(["demo"]) == 0
    return folder, said.getvalue(), process_time() - began


@pytest.fixture(scope="module")
def kitchen(shown):
    """Make what the lines speak of: the demo, and a planned trial of six batches."""
    folder = shown[0]
    demo, own = folder / "doughlab-demo", folder / "trials/my-trial"
    assert main(["new", str(own), "--for", "pilot"]) == 0
    for name in ("waters.csv", "formula.toml"):
        shutil.copy(demo / name, own / name)
    assert main(["plan", str(own), "--keep"]) == 0
    return folder


def test_the_demo_gives_answer_verdicts_and_report_within_its_time(shown):
    folder, said, seconds = shown
    assert "Which water?" in said and "not settled" in said and "\nUse " in said
    (page,) = re.findall(r"^wrote (\S+\.html)$", said, flags=re.MULTILINE)
    assert (folder / page).is_file()
    assert seconds < 15  # the promise of the README's first command; processor time


def example_of(name: str) -> str:
    """Take the first line of a command that needs no file of the reader's own."""
    mine = [line for line in LINES if words_of(line)[0] == name]
    ready = [line for line in mine if not re.search(r"--read |--beside|--log ", line)]
    return (ready or mine)[0]


@pytest.mark.parametrize("name", [n for n in COMMANDS if n not in {*ELSEWHERE, "demo"}])
def test_an_example_of_the_command_runs(name, kitchen, monkeypatch, capsys):
    line = example_of(name)
    words = words_of(line)
    monkeypatch.chdir(kitchen)
    if name == "new":
        words = ["new", "trials/another", "--for", "pilot"]  # the first line asks on a terminal
    if name == "water":
        monkeypatch.chdir(kitchen / "trials/my-trial")
        words = words_of(next(x for x in LINES if x.startswith("water site")))
    if name == "ripe":
        words[-1] = "doughlab-demo"  # the trial of the line has no ball yet
    code = main(words)
    said = capsys.readouterr()
    assert code == 0, f"{line}\n{said.out}{said.err}"
    assert said.out.strip() and not said.err


@pytest.mark.parametrize("name", ELSEWHERE)
def test_a_command_that_is_run_elsewhere_is_named_there(name):
    text = ELSEWHERE[name].read_text(encoding="utf-8")
    assert re.search(rf'"{name}"', text)


def test_every_file_of_ours_that_is_named_is_there():
    named = re.findall(
        r"\b((?:trials/(?:lantern-quay|cake)|tests|notebooks)/?[\w./-]*\w/?|[A-Z]+\.md)\b", README
    )
    assert {"CHANGELOG.md", "trials/lantern-quay/trial.toml", "tests/axe"} <= set(named)
    assert [n for n in named if not (ROOT / n).exists()] == []


def test_the_demo_is_of_the_size_that_is_said():
    from doughlab.notebook import open_demo

    demo = open_demo()
    plan, days = demo.frozen_plan, {b["block"] for b in demo.frozen_plan.batches}
    said = f"{len(plan.batches)} batches on {len(days)} mixing days, {len(plan.balls)} balls"
    numbers = {3: "three", 4: "four"}
    holds, judges = demo.settings.hold.levels, {row["judge"] for row in demo.records.scores}
    said += f", {numbers[len(holds)]} holds, {numbers[len(judges)]} judges"
    assert said in " ".join(README.split())


def test_kinds_of_plans_and_ready_trials_are_those_that_there_are():
    from doughlab.commands.ready import READY
    from doughlab.designed import DESIGNS

    kinds = re.search(
        r"says which kind of plan: (.+?)\. Ready trials: (.+?)\.\n", README, re.DOTALL
    )
    assert set(re.findall(r"`([a-z-]+)`", kinds[1])) == set(DESIGNS)
    assert set(re.findall(r"`([a-z-]+)`", kinds[2])) == set(READY)


def test_the_course_names_every_notebook():
    words = " ".join(README.split())
    course = re.search(r"`notebooks/` is a course: (.+?)\. ## ", words)[1]
    assert len(course.replace(" and five", ", five").split(", ")) == len(
        list((ROOT / "notebooks").glob("[0-9]*.ipynb"))
    )
