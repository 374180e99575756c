"""One table of sentences: replaceable, complete, and each of them used."""

import re
from pathlib import Path

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.report.findings import ORDER
from doughlab.report.text import ENGLISH, Texts, names_in
from doughlab.tables import PURPOSES

ROOM = Path(__file__).parents[2] / "doughlab" / "report"
SOURCE = "\n".join(
    p.read_text(encoding="utf-8")
    for p in [*ROOM.glob("*.py"), *ROOM.glob("templates/*")]
    if p.name != "text.py"
)
# keys that are put together: the verdicts, the purposes and sources of the trial folder
MADE = {f"{head}_{v.replace(' ', '_')}" for v in ORDER for head in ("sum", "sum_one", "sum_all",
                                                                    "count")}  # fmt: skip
MADE |= {f"purpose_{p}" for p in PURPOSES}
MADE |= {f"plan_for_{p}" for p in PURPOSES}
MADE |= {f"source_{s}" for s in ("own", "invented", "published")}
MADE |= {f"unit_{s}" for s in ("day", "batch", "ball")}
MADE |= {f"mark_{s}" for s in ("lost", "due")}


def test_every_sentence_is_used_somewhere():
    quoted = set(re.findall(r"[\"']([a-z_0-9]+)[\"']", SOURCE))
    columns = {f"col_{name}" for name in quoted}
    unused = [key for key in ENGLISH if key not in quoted | columns | MADE]
    assert not unused


def test_every_key_that_is_asked_for_exists():
    asked = set(re.findall(r"say\(\s*[\"']([a-z_0-9]+)[\"']", SOURCE))
    assert asked and asked | MADE <= set(ENGLISH)


def test_sentences_speak_no_words_that_promise_too_much():
    for key, text in ENGLISH.items():
        assert not re.search(r"\b(safe|safely|pass|passes|passed|release[sd]?)\b", text), key


def test_own_words_take_the_place_of_ours():
    assert Texts({"head_plan": "Der Plan"}).say("head_plan") == "Der Plan"
    assert Texts({"head_plan": "Der Plan"}).say("head_course") == ENGLISH["head_course"]


def test_own_words_for_an_unknown_key_are_refused():
    with pytest.raises(UnknownName) as caught:
        Texts({"head_plam": "x"})
    assert str(caught.value).startswith("text 'head_plam' is not known. Did you mean 'head_plan'?")


def test_own_words_with_an_unknown_name_are_refused():
    with pytest.raises(InputError) as caught:
        Texts({"based_batches": "{batches} Teige"})
    assert str(caught.value) == (
        "text 'based_batches' uses {batches}, which it does not have. Names it has: n."
    )


def test_own_words_with_an_open_brace_are_refused():
    with pytest.raises(InputError, match="cannot be read"):
        Texts({"based_batches": "{n Teige"})


def test_own_words_that_reach_into_a_value_are_refused():
    with pytest.raises(InputError, match="which it does not have"):
        Texts({"based_batches": "{n.__class__}"})


def test_an_unknown_key_is_an_error():
    with pytest.raises(UnknownName):
        Texts().say("no_such_text")


def test_names_of_a_sentence_are_listed():
    assert names_in("{n} of {planned}") == {"n", "planned"}
