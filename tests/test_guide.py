"""The guide is true: its commands are taken, its calls exist, its messages are in the source."""

import importlib
import re
import shlex
from pathlib import Path

import pytest

from doughlab.cli import COMMANDS, main
from doughlab.guide import PAGES, QUESTIONS, WORDS, guide_lines, list_messages
from tests.house.test_readme import build_parser

NAMES = " '{name}' is not known. Did you mean '{near}'? Known: {known}."
PACKAGE = Path(__file__).parents[1] / "doughlab"


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda q: q.words)
def test_a_question_names_a_command_and_a_call_that_exist(question):
    name, *rest = shlex.split(question.command)
    build_parser(name).parse_args(rest)
    found = importlib.import_module("doughlab")
    for part in question.call.split(".")[1:]:
        if not hasattr(found, part):
            importlib.import_module(f"{found.__name__}.{part}")
        found = getattr(found, part)
    assert found.__doc__


def test_every_command_that_answers_stands_in_the_questions():
    asked = {shlex.split(q.command)[0] for q in QUESTIONS}
    assert set(COMMANDS) - asked == {"demo", "new", "record", "bench", "sheets", "lab"}


def test_messages_are_those_of_the_source():
    messages = list_messages()
    assert len(messages) >= 700
    for message in messages[::25]:
        source = (PACKAGE / f"{message.place}.py").read_text(encoding="utf-8").splitlines()
        assert message.kind in source[message.line - 1]
        said = re.split(r"[{}'\"\\\\]", message.text.removesuffix(NAMES))[0].split("  ")[0][:12]
        assert said.strip() in "\n".join(source[message.line - 1 : message.line + 12])


def test_a_message_that_a_cook_meets_is_found_by_a_word(capsys):
    assert main(["help", "messages", "no curve over the hold"]) == 0
    assert "formula/shapes.py" in capsys.readouterr().out


def test_pages_stay_within_80_columns():
    for page in PAGES:
        lines = guide_lines(page, "" if page != "messages" else "hold")
        assert lines and max(map(len, lines)) <= 80, page


def test_the_verdicts_stand_among_the_words():
    from doughlab.stats.verdicts import VERDICTS

    assert set(VERDICTS) <= set(WORDS)


def test_an_unknown_page_or_word_is_answered(capsys):
    assert main(["help", "glossary"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("doughlab help: there is no page 'glossary'.") and "words" in said
    assert main(["help", "words", "zebra"]) == 1
    assert capsys.readouterr().err == "doughlab help words: nothing holds 'zebra'.\n"
