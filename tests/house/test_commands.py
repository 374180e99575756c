"""Every command has help and stands in the README, and the reverse."""

import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

from doughlab.cli import COMMANDS, help_text

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_command_answers_help(name, capsys):
    from doughlab.cli import main

    assert main([name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert f"doughlab {name}" in shown
    assert max(map(len, shown.splitlines())) <= 100


@pytest.mark.parametrize("name", COMMANDS)
def test_command_module_keeps_the_two_names(name):
    module = importlib.import_module(f"doughlab.commands.{COMMANDS[name][0]}")
    assert callable(module.add_arguments) and callable(module.run)


@pytest.mark.parametrize("name", COMMANDS)
def test_command_stands_in_the_readme(name):
    assert re.search(rf"doughlab {name}\b", README), f"README does not show `doughlab {name}`"


def test_readme_names_only_commands_that_exist():
    named = set(re.findall(r"(?:^|[`$/ ])doughlab ([a-z]+)\b", README, flags=re.MULTILINE))
    words = named - {*COMMANDS, "help"}  # the program's own help; its lines run in test_readme
    prose = {w for w in words if not re.search(rf"(?:`|\$ |bin/)doughlab {w}\b", README)}
    assert words <= prose, sorted(words - prose)


def test_help_lists_every_command_within_80_columns():
    lines = help_text().splitlines()
    assert all(any(line.startswith(f"  {name} ") for line in lines) for name in COMMANDS)
    assert max(map(len, lines)) <= 80


def test_mistyped_command_suggests_the_nearest():
    done = subprocess.run(
        [sys.executable, "-m", "doughlab", "analize"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Did you mean 'analyse'?" in done.stderr


def test_a_long_refusal_is_cut_to_80_columns(tmp_path, capsys):
    from doughlab.cli import main

    folder = tmp_path / ("a-rather-long-name-for-a-trial-folder-" * 2)
    assert main(["check", str(folder)]) != 0
    shown = capsys.readouterr()
    lines = (shown.out + shown.err).splitlines()
    assert len(lines) > 1
    kept_whole = ("next: ", "read ", "wrote ")  # paths and commands to copy
    long = [x for x in lines if len(x) > 80 and " " in x.strip() and not x.startswith(kept_whole)]
    assert long == []


def test_refusals_go_to_stderr_and_machines_get_them_as_json(tmp_path, capsys):
    import json

    from doughlab.cli import main

    assert main(["analyse", str(tmp_path), "--json"]) == 1
    facts = json.loads(capsys.readouterr().out)
    assert facts["kind"] == "InputError" and "trial.toml" in facts["error"]
