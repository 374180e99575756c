"""One table of sentences: replaceable, complete, and each of them used."""

import ast
import codecs
import re
import tomllib
from pathlib import Path

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.report.findings import ORDER
from doughlab.report.methods import choose_cautions
from doughlab.report.page import compose_document, render_document
from doughlab.report.page_short import compose_short
from doughlab.report.text import (
    ENGLISH,
    OWN,
    Texts,
    column_texts,
    names_in,
    read_texts,
    write_texts,
)
from doughlab.sources import CAUTIONS
from doughlab.tables import PURPOSES, RECORDS

ROOM = Path(__file__).parents[2] / "doughlab" / "report"
SOURCE = "\n".join(
    p.read_text(encoding="utf-8")
    for p in [*ROOM.glob("*.py"), *ROOM.glob("templates/*")]
    if p.name not in ("text.py", "texts.toml")
)
# keys that are put together: the verdicts, the purposes and sources of the trial folder
MADE = {f"{head}_{v.replace(' ', '_')}" for v in ORDER for head in ("sum", "sum_one", "sum_all",
                                                                    "count")}  # fmt: skip
MADE |= {f"purpose_{p}" for p in PURPOSES}
MADE |= {f"plan_for_{p}" for p in PURPOSES}
MADE |= {f"source_{s}" for s in ("own", "invented", "published")}
MADE |= {f"kind_{s}" for s in ("own", "invented", "published")}
MADE |= {f"unit_{s}" for s in ("day", "batch", "ball")}
MADE |= {f"mark_{s}" for s in ("lost", "due")}
MADE |= {f"{head}{name}{tail}" for name in RECORDS
         for head, tail in (("record_", ""), ("appendix_", ""),
                            ("appendix_", "_caption"))}  # fmt: skip
MADE |= {f"verdict_{v.replace(' ', '_')}" for v in ORDER}
MADE |= {f"place_{n}" for n in ("room", "cooler")}
MADE |= {f"weekday_{n}" for n in range(1, 8)}
MADE |= {f"head_{name}" for name in ("opening", "mixing")}


def test_every_sentence_is_used_somewhere():
    quoted = set(re.findall(r"[\"']([a-z_0-9]+)[\"']", SOURCE))
    columns = {f"col_{name}" for name in quoted}
    heads = set(column_texts())
    unused = [key for key in ENGLISH if key not in quoted | columns | MADE | heads]
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


def own_file(folder, text):
    folder.mkdir(exist_ok=True)
    (folder / OWN).write_text(text, encoding="utf-8")
    return folder


def test_texts_of_a_folder_take_the_place_of_ours(tmp_path):
    own_file(tmp_path, 'head_plan = "Der Plan"\nbased_batches = "{n} Teige"\n')
    texts = read_texts(tmp_path)
    assert texts.say("head_plan") == "Der Plan"
    assert texts.say("based_batches", n=24) == "24 Teige"
    assert read_texts(tmp_path / "elsewhere") == Texts()


WRONG = {
    'head_plam = "x"': "report-texts.toml: text 'head_plam' is not known. Did you mean "
    "'head_plan'?",
    "head_plan = 3": "report-texts.toml: text 'head_plan' must stand in quotation marks; found 3. "
    'Write head_plan = "The plan and why" and change the words.',
    'based_batches = "{m} Teige"': "report-texts.toml: text 'based_batches' uses {m}, which it "
    "does not have. Names it has: n.",
    'based_batches = "viele"': "report-texts.toml: text 'based_batches' leaves {n} out, so that a "
    'number or a name would be missing. Put it in; ours is: "{n} batches"',
    'based_batches = "{n"': "report-texts.toml: text 'based_batches' cannot be read: expected '}' "
    "before end of string. Write names as {name}, and {{ for a brace.",
    'based_batches = "{n:3d}"': "report-texts.toml: text 'based_batches': write {n} with nothing "
    "else inside the braces.",
    r'head_plan = "a\u0007b"': "report-texts.toml: text 'head_plan' holds a letter that cannot be "
    "printed. Take it out.",
}


@pytest.mark.parametrize("line", WRONG)
def test_a_wrong_line_of_own_texts_is_named(tmp_path, line):
    with pytest.raises(InputError) as caught:
        read_texts(own_file(tmp_path, line + "\n"))
    assert str(caught.value).startswith(WRONG[line])


def test_own_texts_in_another_encoding_are_refused(tmp_path):
    (tmp_path / OWN).write_bytes('head_plan = "über"'.encode("latin-1"))
    with pytest.raises(InputError) as caught:
        read_texts(tmp_path)
    assert str(caught.value) == ("report-texts.toml is not in UTF-8. Save it again as UTF-8 text.")


def test_the_table_that_is_written_says_every_text_and_changes_none(tmp_path):
    path = write_texts(tmp_path)
    assert read_texts(tmp_path).own == {}
    lines = path.read_text(encoding="utf-8").splitlines()
    assert tomllib.loads("\n".join(x[2:] for x in lines if " = " in x)) == ENGLISH


def test_own_texts_are_never_overwritten(tmp_path):
    own_file(tmp_path, 'head_plan = "Der Plan"\n')
    assert write_texts(tmp_path) is None
    assert read_texts(tmp_path).say("head_plan") == "Der Plan"


def test_own_texts_that_are_no_toml_are_refused(tmp_path):
    with pytest.raises(InputError) as caught:
        read_texts(own_file(tmp_path, 'head_plan "x"'))
    said = str(caught.value)
    assert said.startswith("report-texts.toml, row 1: cannot be read: ")
    assert said.endswith(
        'Each line is: key = "words". A quotation mark inside the words is written \\".'
    )


# Literals of the report room that are no words of a sentence: signs, units and names of styles.
NO_WORDS = {
    " x ", " as CaCO3", " min", " h ", " g ", "to  ", "center right", "upper left", "lower left",
    "offset points", "axes fraction", "not settled", "STIXGeneral", "DejaVu Serif", "dough only",
    "About the dough only", "Local code", "Date", "Creator", "Software", "Analysis", "Picture",
    "Texts",
}  # fmt: skip
# Modules whose sentences come from other rooms, go to a terminal, or hold the texts themselves.
OTHERS = {"overview.py", "window_pictures.py", "text.py", "picture.py"}  # fmt: skip


@pytest.mark.parametrize("path", [p for p in ROOM.glob("*.py") if p.name not in OTHERS],
                         ids=lambda p: p.name)  # fmt: skip
def test_no_sentence_stands_in_the_code(path):
    """Every literal with a blank beside a word is a docstring, a message or listed above."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    let_be = set()
    for node in ast.walk(tree):
        if isinstance(node, (ast.Module, ast.FunctionDef, ast.ClassDef)):
            let_be |= {id(e.value) for e in node.body[:1] if isinstance(e, ast.Expr)}
        if isinstance(node, ast.Raise) or (
            isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Path"
        ):
            let_be |= {id(inner) for inner in ast.walk(node)}
    said = [
        f"{path.name}:{node.lineno} {node.value!r}"
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        and id(node) not in let_be and node.value not in NO_WORDS
        and re.search(r"[A-Za-z]{2,} | [A-Za-z]{2,}|^[A-Z][a-z]+$", node.value)
        and not re.search(r"[<>\\\\]", node.value)
    ]  # fmt: skip
    assert not said


def strings_in(document):
    """Everything that a document says: blocks, tables, pictures and the letters on them."""
    from matplotlib.text import Text

    def of(section):
        yield section.title
        for block in section.blocks:
            if block.type == "words":
                yield block.text
            elif block.type == "listing":
                yield from block.items
            elif block.type == "finding":
                yield from (block.question, block.sentence)
                for row in block.rows:
                    yield from row[:3]
            elif block.type == "grid":
                yield block.caption
                yield from (h.words for h in block.heads)
                for row in block.rows:
                    yield from row
            else:
                yield from (block.picture.alt, block.picture.caption)
                yield from (t.get_text() for t in block.picture.fig.findobj(Text))
        for part in section.parts:
            yield from of(part)

    yield from (document.title, document.docket, *document.under_title, *document.footer)
    for section in document.sections:
        yield from of(section)


def turned(text):
    """The same text with its letters thirteen further on, names in braces as they are."""
    parts = re.split(r"({[a-z_0-9]+})", text)
    return "".join(p if p.startswith("{") else codecs.encode(p, "rot13") for p in parts)


def plain(text):
    return " ".join(text.replace("\u2212", "-").replace("\u00a0", " ").split())


def test_a_report_with_every_text_replaced_holds_none_of_ours(demo, analyses, decision):
    """What is still ours comes from other rooms: cautions, findings, and what they decide."""
    texts = Texts({key: turned(text) for key, text in ENGLISH.items()})
    whole = compose_document(demo, analyses=analyses, decision=decision, texts=texts)
    short = compose_short(demo, decision, why="", texts=texts)
    said = {plain(s) for document in (whole, short) for s in strings_in(document)}
    others = " ".join([*choose_cautions(demo), *(str(c) for c in CAUTIONS.values())])
    left = {
        key: piece
        for key, text in ENGLISH.items()
        for piece in map(plain, re.split(r"{[a-z_0-9]+}", text))
        if len(re.findall(r"[A-Za-z]{2,}", piece)) > 5 and piece not in others
        and any(piece in s for s in said)
    }  # fmt: skip
    assert not left, [s for s in said for piece in left.values() if piece in s][:3]
    short_ones = {plain(t) for t in ENGLISH.values() if "{" not in t and len(t) > 2}
    own = {f.words for f in demo.settings.factors.values()} | {"water"}
    assert not {s for s in said & short_ones if s.casefold() not in own and s not in others}
    heads = {h.words for document in (whole, short) for h in heads_in(document)}
    ours = {t for k, t in ENGLISH.items() if re.match(r"col(umn)?_", k) and len(t) > 2}
    assert not (heads & ours) - own
    page = render_document(whole, texts)
    for key in ("skip", "contents"):
        assert turned(ENGLISH[key]) in page and ENGLISH[key] not in page


def heads_in(document):
    def of(section):
        for block in section.blocks:
            if block.type == "grid":
                yield from block.heads
        for part in section.parts:
            yield from of(part)

    for section in document.sections:
        yield from of(section)
