"""The report on paper: tagged, the same words as the page, typed text never read as markup."""

import re
import shutil
import subprocess
import sys
from importlib.resources import files

import pytest
from matplotlib.text import Text

from doughlab.cli import main
from doughlab.errors import InputError
from doughlab.report.blocks import Drawing, Finding, Grid, Head, Listing, Section, Words, typeset
from doughlab.report.page import Document, compose_document
from doughlab.report.page_pdf import (
    PDF,
    build_pdf,
    column_widths,
    document_data,
    print_document,
)
from doughlab.report.picture import Picture
from doughlab.report.text import Texts
from doughlab.trial import Trial

STRUCTURE = (b"/StructTreeRoot", b"/MarkInfo", b"/Lang")  # ISO 32000-1, 14.7 and 14.8: tagged PDF


def all_texts(data):
    """Every text the layout is given, markup and drawings apart."""
    if isinstance(data, dict):
        for key, value in data.items():
            if key not in {"svg", "type", "kind"}:
                yield from all_texts(value)
    elif isinstance(data, list):
        for value in data:
            yield from all_texts(value)
    elif isinstance(data, str):
        yield data


@pytest.fixture(scope="module")
def document(whole):
    return whole


@pytest.fixture(scope="module")
def data(document):
    return document_data(document, Texts())


@pytest.fixture(scope="module")
def printed(data):
    (made,) = print_document(data)
    return made


def blocks_of(section):
    yield from section.blocks
    for part in section.parts:
        yield from blocks_of(part)


def test_pdf_is_tagged_has_a_language_and_a_title(printed):
    assert printed.startswith(b"%PDF-1.7")
    assert all(word in printed for word in STRUCTURE)


def test_pdf_says_that_it_follows_pdf_ua(printed):
    """ISO 14289-1, clause 5: the metadata names part 1 of pdfuaid."""
    metadata = re.search(rb"<x:xmpmeta.*?</x:xmpmeta>", printed, flags=re.DOTALL)[0]
    assert re.search(rb"<pdfuaid:part>1</pdfuaid:part>", metadata)
    assert b"Lantern Quay" in metadata, "the title stands in the metadata, as clause 7.1 asks"
    assert b"CreateDate" not in metadata and b"/CreationDate" not in printed


def test_every_text_of_every_chapter_goes_to_paper(document, data):
    given = list(all_texts(data))
    words = {re.sub(r"\s+", " ", text) for text in given}

    def there(text):
        assert re.sub(r"\s+", " ", typeset(text)) in words, text

    for section in document.sections:
        assert section.empty or section.title in words
        for block in blocks_of(section):
            if isinstance(block, Words):
                there(block.text)
            elif isinstance(block, Listing):
                for item in block.items:
                    there(item)
            elif isinstance(block, Finding):
                there(block.sentence)
                for row in block.rows:
                    there(row[0])
                    assert row[2] in words
            elif isinstance(block, Grid):
                there(block.caption)
                for row in block.rows:
                    for cell in row:
                        there(cell)
            else:
                assert re.sub(r"\s+", " ", block.picture.alt) in words
                there(block.picture.caption)


def test_every_drawing_keeps_its_alternative_text(document, printed):
    """ISO 14289-1, 7.3: a Figure has an Alt. As many figures of the page, as many Alt entries."""
    drawn = [b for s in document.sections for b in blocks_of(s) if isinstance(b, Drawing)]
    import zlib

    whole = printed
    for found in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", printed, flags=re.DOTALL):
        try:
            whole += zlib.decompress(found[1])
        except zlib.error:
            continue
    assert len(drawn) >= 12
    assert len(re.findall(rb"/Alt ?[(<]", whole)) >= len(drawn)


NASTY = '#panic("no") $x$ *b* _i_ `c` <label> @ref \\ // [a] "q" #import "x"'


def test_letters_of_a_smaller_picture_stay_readable(document):
    """8 pt is about the smallest print of newspapers (common practice, no source)."""
    layout = files("doughlab.report").joinpath("templates", "report.typ").read_text("utf-8")
    shown = float(re.search(r"#let shown = ([\d.]+)", layout)[1])
    drawn = [b.picture for s in document.sections for b in blocks_of(s) if isinstance(b, Drawing)]
    sizes = [t.get_fontsize() for p in drawn for t in p.fig.findobj(Text) if t.get_text().strip()]
    assert min(sizes) * shown >= 8


def test_no_long_table_begins_with_a_few_rows_at_the_foot_of_a_sheet(printed):
    """Ten lines or more of each stand below its head, where pdftotext (poppler) can read them."""
    assert b"/StructTreeRoot" in printed
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-layout", "-", "-"], input=printed, check=True,
                              capture_output=True).stdout.decode()  # fmt: skip
        for head in ("Settings tried, and the chance", "Readings, one row", "Bakes, one row",
                     "Scores, one row"):  # fmt: skip
            (sheet,) = (s for s in text.split("\f") if head in s)
            rows = [r for r in sheet.partition(head)[2].splitlines() if re.search(r"\d", r)]
            assert len(rows) >= 10, head


def test_typed_text_is_never_read_as_markup():
    """Characters that the layout language reads as commands print as they were typed."""
    grid = Grid(NASTY, (Head(NASTY), Head("n")), ((NASTY, "1"),))
    blocks = (Words(NASTY), Words(NASTY, "decision"), Words(NASTY, "caution"), Listing((NASTY,)),
              Listing((NASTY,), ordered=True),
              Finding(NASTY, NASTY, ((NASTY, "1", "same", "same"),)),
              grid)  # fmt: skip
    section = Section("a", NASTY, blocks, (Section("b", NASTY, (Words(NASTY),)),))
    page = Document(NASTY, NASTY, (NASTY,), (section,), (NASTY,))
    (made,) = print_document(document_data(page, Texts()))
    assert made.startswith(b"%PDF")
    if shutil.which("pdftotext"):
        said = subprocess.run(["pdftotext", "-raw", "-", "-"], input=made, capture_output=True,
                              check=True).stdout.decode()  # fmt: skip
        squeezed = re.sub(r"\s+", "", said)
        assert squeezed.count(re.sub(r"\s+", "", NASTY)) >= 14


def test_same_folder_gives_the_same_bytes(tiny, tmp_path):
    path = build_pdf(tiny)
    assert path == tiny.folder / PDF
    first = path.read_bytes()
    assert str(tiny.folder).encode() not in first
    other = tmp_path / "copy"
    shutil.copytree(tiny.folder, other, ignore=shutil.ignore_patterns("report"))
    code = ("import sys\nfrom doughlab.report.page_pdf import build_pdf\n"
            "from doughlab.trial import Trial\nbuild_pdf(Trial.open(sys.argv[1]))")  # fmt: skip
    subprocess.run([sys.executable, "-W", "error", "-c", code, str(other)], cwd=tmp_path,
                   check=True, capture_output=True)  # fmt: skip
    assert (other / PDF).read_bytes() == first


def test_a_trial_without_a_plan_gets_a_pdf_too(unplanned):
    assert build_pdf(unplanned, paper="letter").read_bytes().startswith(b"%PDF")


def test_a_paper_that_is_not_known_is_refused(unplanned):
    with pytest.raises(InputError) as refused:
        build_pdf(unplanned, paper="a3")
    assert str(refused.value) == "There is no paper 'a3'. Take a4 or letter."


def test_columns_break_only_where_the_page_is_too_narrow():
    heads = (Head("ball"), Head("reason"))
    assert column_widths(Grid("", heads, (("B01-1", "dropped on the floor by the oven"),))) == [
        0,
        0,
    ]
    assert column_widths(Grid("", heads, (("B01-1", "long " * 30),)))[0] == 0


def test_command_writes_page_and_pdf(tiny, monkeypatch, capsys):
    monkeypatch.chdir(tiny.folder)
    assert main(["report", "--pdf"]) == 0
    shown = capsys.readouterr().out
    assert "wrote report/report.html (" in shown and "wrote report/report.pdf (" in shown
    assert (tiny.folder / PDF).read_bytes().startswith(b"%PDF")


def test_reading_the_trial_again_gives_the_same_document(tiny):
    one = compose_document(tiny, texts=Texts())
    two = compose_document(Trial.open(tiny.folder), texts=Texts())
    assert document_data(one, Texts()) == document_data(two, Texts())


def test_a_high_drawing_and_its_caption_stay_above_the_foot_of_the_sheet():
    """Letter is 279.4 mm high (ISO 216 does not list it; ANSI/ASME Y14.1, A); the foot is 24 mm."""
    import io

    from matplotlib.figure import Figure
    from matplotlib.image import imread

    def foot(height_in):
        drawn = Picture(Figure(figsize=(4.4, height_in)), "a drawing", "It rises. " * 40)
        page = Document("Trial", "Trial X", (), (Section("a", "A", (Drawing(drawn),)),), ())
        data = document_data(page, Texts(), paper="letter")
        sheets = [imread(io.BytesIO(s)) for s in print_document(data, form="png", ppi=40.0)]
        return [s[round(len(s) * (1 - 23 / 279.4)) :] for s in sheets]

    low, high = foot(1.0), foot(9.4)
    half = low[0].shape[1] // 2  # the docket; the number of the sheet stands at the right
    assert len(low) == 1 and low[0][:, :half].min() < 0.9, "the docket is there"
    for sheet in high:
        assert (sheet[:, :half] == low[0][:, :half]).all()
