"""The guide is true: its commands are taken, its calls exist, its messages are in the source."""

import importlib
import inspect
import re
import shlex
from pathlib import Path

import pytest

from doughlab.cli import COMMANDS, main
from doughlab.guide import PAGES, QUESTIONS, WORDS, guide_lines
from doughlab.messages import list_messages
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


def test_every_command_and_every_call_of_the_front_door_has_a_question():
    import doughlab

    assert {shlex.split(q.command)[0] for q in QUESTIONS} == set(COMMANDS)
    called = {q.call for q in QUESTIONS}
    functions = [n for n in doughlab.__all__ if inspect.isfunction(getattr(doughlab, n))]
    silent = [n for n in functions if f"doughlab.{n}" not in called]
    # pictures are what plots of the same name draw, with words for those who do not see them
    assert [n for n in silent if n.replace("picture_", "plot_") not in functions] == []


# words that only statistics, chemistry or charts use, as the outputs have them
HARD = re.findall(
    r"\S+",
    "EWMA CUSUM Cpk Cp SD p Kenward-Roger Tukey intraclass variance interaction aliased titration "
    "slope offset buffer calibration alkalinity hardness dose blend preferment desirability "
    "trade-off moving pilot look extension session sitting replicate fingerprint bends noticed "
    "interim core drift Q10 capability",
)


@pytest.mark.parametrize("word", HARD)
def test_a_hard_word_is_explained(word):
    known = " ".join(f"{name} {text}" for name, text in WORDS.items())
    assert re.search(rf"\b{word}\b", known)


def test_messages_are_those_of_the_source():
    messages = list_messages()
    assert len(messages) >= 1000
    for message in messages[::25]:
        source = (PACKAGE / f"{message.place}.py").read_text(encoding="utf-8").splitlines()
        said = re.split(r"[{}'\"\\]", message.text.removesuffix(NAMES))[0].split("  ")[0][:12]
        assert said.strip() in "\n".join(source[message.line - 1 : message.line + 12])


def test_nearly_every_place_that_raises_is_in_the_list():
    """The rest hands on words that were made, and are listed, elsewhere."""
    kinds = "|".join({m.kind for m in list_messages()})
    listed = {(m.place, m.kind) for m in list_messages()}
    raised = {
        (path.relative_to(PACKAGE).with_suffix("").as_posix(), kind)
        for path in PACKAGE.rglob("*.py")
        for kind in re.findall(rf"^\s+raise ({kinds})\(", path.read_text("utf-8"), re.MULTILINE)
    }
    assert len(raised) > 200
    assert len(raised - listed) <= 0.06 * len(raised), sorted(raised - listed)


def test_a_message_as_it_was_shown_finds_its_place():
    shown = "trial.toml, row 3, column format: format 2 is newer than this doughlab reads (1)."
    assert [m.place for m in list_messages(shown)] == ["settings"]
    shown = "No pH has been recorded for any of the 72 balls planned."
    assert [m.kind for m in list_messages(shown)] == ["MissingRecords"]
    assert list_messages("a sentence about trams that nobody here has ever said") == []


def test_a_message_that_a_cook_meets_is_found_by_a_word(capsys):
    assert main(["help", "messages", "no curve over the hold"]) == 0
    assert "formula/shapes.py" in capsys.readouterr().out


def test_pages_stay_within_80_columns():
    for page in PAGES:
        lines = guide_lines(page, "" if page != "messages" else "hold")
        assert lines and max(map(len, lines)) <= 80, page


def test_the_words_stand_in_their_column():
    assert max(map(len, WORDS)) <= 14
    assert all(text[:1] == text[:1].lower() or text[:2].isupper() for text in WORDS.values())


def test_the_verdicts_stand_among_the_words():
    from doughlab.stats.verdicts import VERDICTS

    assert set(VERDICTS) <= set(WORDS)


def test_a_word_without_a_page_is_looked_up(capsys):
    assert main(["help", "margin"]) == 0
    first, *rest = capsys.readouterr().out.splitlines()
    assert first.startswith("margin  ") and any(line.startswith("matters") for line in rest)
    assert main(["help", "vinegar"]) == 0
    assert "doughlab water dose tap" in capsys.readouterr().out


def test_two_words_without_quotes_are_looked_up_each(capsys):
    assert main(["help", "between", "judges"]) == 0
    out = capsys.readouterr().out
    assert "How did the judges work?" in out and "blind code" in out
    assert main(["help", "single", "scores"]) == 0
    assert capsys.readouterr().out.startswith("single scores  what differs when one judge")


def test_an_unknown_page_or_word_is_answered(capsys):
    assert main(["help", "glossary"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("doughlab help: there is no page 'glossary'.") and "words" in said
    assert main(["help", "words", "zebra"]) == 1
    assert capsys.readouterr().err == "doughlab help words: nothing holds 'zebra'.\n"


def test_words_are_found_where_they_begin_and_no_code_is_shown():
    """ "hold" is a word of the house; "hold together" and "can hold" are not about it."""
    held = guide_lines("words", "hold")
    assert held[0].startswith("hold ")
    assert not [line for line in held if line.startswith(("rounding", "Tukey"))]
    for word in ("tub", "biga", "poolish"):
        assert guide_lines("words", word), word
    names = {n for m in list_messages() for n in re.findall(r"\{([^{}]*)\}", m.text)}
    assert not [n for n in names if "[" in n or n.isupper()]
