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


PEOPLE = """
[panel]
judges = ["ada", "ben"]
[training]
trainees = ["ben"]
experienced = ["ada"]
"""
# what speaks of records is answered from the demo's: the planned trial has hardly any
ANSWERED = ("analyse", "decide", "ripe B", "daily", "mix trials/my-trial --batch",
            "mix trials/my-trial --card")  # fmt: skip
STARTER = """
[[preferments]]
name = "sour"
kind = "starter"
flour_pct = 10
hydration = 100
"""


@pytest.fixture(scope="module")
def kitchen(shown):
    """Make what the lines speak of: the demo, a planned trial of six batches, their files."""
    folder = shown[0]
    demo, own = folder / "doughlab-demo", folder / "trials/my-trial"
    with redirect_stdout(io.StringIO()):
        assert main(["new", str(own), "--for", "pilot"]) == 0
        for name in ("waters.csv", "formula.toml"):
            shutil.copy(demo / name, own / name)
        text = (own / "trial.toml").read_text(encoding="utf-8")
        (own / "trial.toml").write_text(text + PEOPLE, encoding="utf-8")
        shutil.copy(own / "trial.toml", own / "half.toml")
        with (own / "formula.toml").open("a", encoding="utf-8") as file:
            file.write(STARTER)
        shutil.copytree(demo, folder / "fresh", ignore=shutil.ignore_patterns("daily"))
        shutil.copytree(demo, folder / "shop/house")  # a shop of two doughs
        shutil.copytree(own, folder / "shop/pan")
        settings = folder / "shop/pan/trial.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace('"house dough"', '"pan dough"'), encoding="utf-8")
    hours = [f"2026-03-0{3 + h // 24} {h % 24:02d}:00,3.6" for h in range(120)]
    log = "\n".join(["time,temp C", *hours])
    (folder / "cooler.csv").write_text(log, encoding="utf-8")
    return folder


def test_the_demo_gives_answer_verdicts_and_report_within_its_time(shown):
    folder, said, seconds = shown
    assert "Which water?" in said and "not settled" in said and "\nUse " in said
    (page,) = re.findall(r"^wrote (\S+\.html)$", said, flags=re.MULTILINE)
    assert (folder / page).is_file()
    assert seconds < 15  # the promise of the README's first command; processor time


# lines that no test can run as they stand, and where the same is run
OTHERWISE = {
    "new trials/my-trial": ROOT / "tests/record/test_new_answers.py",  # asks on a terminal
    "water titrate tap": ROOT / "tests/water/test_kitchen.py",  # asks for grams and pH
    # the demo's dough has no starter
    "ripe sour trials/my-trial --room 75F --feed 1:4:4": ROOT / "tests/formula/test_feeding.py",
}
RUN = [
    line for line in LINES
    if words_of(line)[0] not in ELSEWHERE and line.split("#")[0].strip() not in OTHERWISE
]  # fmt: skip


def as_it_is_here(line: str, kitchen: Path) -> list[str]:
    """Put the reader's own names in: of an entry, of a filled sheet, of a trial with records."""
    words = words_of(line)
    if line.startswith(ANSWERED) and "trials/my-trial" in words:
        place = "fresh" if "--settle" in words else "doughlab-demo"
        words[words.index("trials/my-trial")] = place
    if words[:2] == ["daily", "trials"]:
        words[1] = "shop"
    if "--log" in words:
        words += ["--log-is", "ok"]  # what the line's own comment says to type then
    if "--void" in words:
        rows = (kitchen / "trials/my-trial/record/readings.csv").read_text().splitlines()
        words[words.index("--void") + 1] = rows[-1][:8]
        words += ["--folder", "trials/my-trial"]
    if "--read" in words and words[0] == "sheets":
        (filled,) = (kitchen / "trials/my-trial/sheets").glob("*/bench.xlsx")
        words[words.index("--read") + 1] = str(filled)
    return words


def keep_answers(monkeypatch):
    """Analyse and decide a folder once: many lines ask the same records."""
    from doughlab import decision
    from doughlab.daily import settle
    from doughlab.decision import choose, confirm_folder

    for name in ("analyse_all", "decide"):
        memory, work = {}, getattr(choose, name)

        def call(trial, memory=memory, work=work, **given):
            key = str(Path(trial.folder).resolve())
            return memory[key] if key in memory else memory.setdefault(key, work(trial, **given))

        for module in (choose, confirm_folder, settle, decision):
            if hasattr(module, name):
                monkeypatch.setattr(module, name, call)


def test_every_line_runs_in_the_order_of_the_page(kitchen, monkeypatch, capsys):
    keep_answers(monkeypatch)
    refused = []
    for line in RUN:
        monkeypatch.chdir(kitchen / ("trials/my-trial" if line.startswith("water ") else "."))
        code = main(as_it_is_here(line, kitchen))
        said = capsys.readouterr()
        if code != 0 or said.err or not said.out.strip():
            refused.append(f"{line}: {' '.join((said.out + said.err).split())}")
    assert not refused, "\n".join(refused)


def test_every_command_has_a_line_that_is_run():
    run = {words_of(line)[0] for line in RUN}
    assert set(COMMANDS) - run == set(ELSEWHERE)


@pytest.mark.parametrize(("line", "path"), OTHERWISE.items())
def test_a_line_that_is_run_otherwise_is_run_there(line, path):
    text = path.read_text(encoding="utf-8")
    assert all(re.search(rf"\b{w}\b", text) for w in line.split()[:2] if "/" not in w)


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
