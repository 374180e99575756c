"""The cook's page: one sheet, the recommended batch, the window, and what to do when."""

import csv
import re
import statistics
import zlib
from contextlib import suppress
from dataclasses import replace

import html5lib
import pytest

from doughlab.cli import main
from doughlab.report.blocks import Grid, Listing, Words
from doughlab.report.cards import decide_if_possible
from doughlab.report.kitchen import kitchen_card, usual_dough_c
from doughlab.report.page import render_document
from doughlab.report.page_pdf import document_data, print_document, print_short
from doughlab.report.page_short import SHORT, SHORT_PAGE, build_short, compose_short
from doughlab.report.text import Texts


@pytest.fixture(scope="module")
def document(demo, decision):
    return compose_short(demo, decision, why="", texts=Texts())


def section(document, key):
    return next(s for s in document.sections if s.key == key)


def page_count(made):
    """The /Count of the page tree (ISO 32000-1, 7.7.3.2), wherever it is packed."""
    whole = made
    for found in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", made, flags=re.DOTALL):
        with suppress(zlib.error):
            whole += zlib.decompress(found[1])
    (count,) = {int(n) for n in re.findall(rb"/Type ?/Pages\b[^>]*?/Count (\d+)", whole)}
    return count


def pages(document, size=11.0):
    data = {**document_data(document, Texts()), "short": True, "size": size}
    return len(print_document(data, form="png", ppi=10.0))


def test_the_demo_fits_on_one_tagged_page_of_either_paper(document):
    for paper in ("a4", "letter"):
        made = print_short(document, Texts(), paper=paper)
        assert b"/StructTreeRoot" in made
        assert page_count(made) == 1


def test_more_words_are_set_smaller_until_they_fit(document):
    more = Words("One more line for the cook to read before the dough is mixed. " * 16)
    when = section(document, "when")
    longer = replace(
        document,
        sections=tuple(
            replace(s, blocks=(*s.blocks, more)) if s is when else s for s in document.sections
        ),
    )
    assert pages(longer) == 2
    made = print_short(longer, Texts())
    assert made == print_short(longer, Texts()), "the same document gives the same bytes"
    assert page_count(made) == 1


def test_the_batch_is_the_recommended_one(document, demo, decision):
    """Baker's percentages: water is hydration per cent of flour; the sum is the balls and the
    loss."""
    (grid,) = (b for b in section(document, "batch").blocks if isinstance(b, Grid))
    grams = {row[0]: float(row[2]) for row in grid.rows}
    hydration = float(decision.recommended["hydration"].split()[0])
    assert grams["water"] / grams["bread flour"] == pytest.approx(hydration / 100, abs=0.001)
    whole = demo.formula.ball_g * 7 / (1 - demo.formula.loss_pct / 100)
    assert sum(grams.values()) == pytest.approx(whole, abs=2)


def test_the_page_says_what_to_do_and_the_window(document, decision):
    do = " ".join(b.text for b in section(document, "do").blocks)
    for level in decision.recommended.values():
        assert level.split()[0] in do
    (listing,) = (b for b in section(document, "when").blocks if isinstance(b, Listing))
    said = " ".join(listing.items)
    assert "pH reads above 5.75: not there yet." in said
    assert "pH reads below 5.35: past the window." in said
    assert "Time at room temperature adds up to 4 h at most" in said
    assert "Cooler warmer than 41 °F" in said
    assert "Confirm with " in said


def test_the_card_has_only_rooms_in_which_batches_were_mixed(document, demo):
    """The span of room_temp_c in mixes.csv, in Fahrenheit, half a degree Celsius more each way."""
    (grid,) = (b for b in section(document, "rooms").blocks if isinstance(b, Grid))
    with (demo.folder / "record" / "mixes.csv").open(encoding="utf-8") as file:
        rooms = [float(r["room_temp_c"]) * 1.8 + 32 for r in csv.DictReader(file)]
    shown = [float(row[0]) for row in grid.rows]
    assert shown and min(rooms) - 1 <= min(shown) and max(shown) <= max(rooms) + 1
    assert grid.caption.startswith("In another room this water gives the same dough, ")


def test_the_wanted_dough_is_that_of_batches_mixed_as_recommended(demo, decision):
    want = decision.recommended
    with (demo.folder / "plan" / "batches.csv").open(encoding="utf-8") as file:
        ids = {
            r["batch_id"] for r in csv.DictReader(file)
            if r["water"] == want["water"]
            and abs(float(r["hydration_pct"]) - float(want["hydration"].split()[0])) < 0.01
            and abs(float(r["mixing_water_temp_c"]) * 1.8 + 32
                    - float(want["mixing_water"].split()[0])) < 0.1
        }  # fmt: skip
    with (demo.folder / "record" / "mixes.csv").open(encoding="utf-8") as file:
        found = [float(r["dough_temp_c"]) for r in csv.DictReader(file) if r["batch_id"] in ids]
    assert found
    assert usual_dough_c(demo, want) == pytest.approx(statistics.median(found))


def test_the_card_gives_the_water_that_was_used_where_it_was_tried(demo, decision):
    """Closed circle: at the room of batches mixed as recommended, their own water comes out.

    Water and room are read from mixes.csv; single mixes differ by themselves, so 1 C is allowed.
    """
    card = kitchen_card(demo, decision.recommended)
    rows = [r for r in card.rows if r.water_c is not None]
    with (demo.folder / "record" / "mixes.csv").open(encoding="utf-8") as file:
        mixes = {r["batch_id"]: r for r in csv.DictReader(file)}
    for batch in ("B09", "B20"):  # tap, 64 F, 65 % in plan/batches.csv
        room, water = (float(mixes[batch][n]) for n in ("room_temp_c", "water_temp_c"))
        (a, b) = sorted(rows, key=lambda r: abs(r.room_c - room))[:2]
        share = (room - a.room_c) / (b.room_c - a.room_c)
        assert a.water_c + share * (b.water_c - a.water_c) == pytest.approx(water, abs=1.0)


def test_the_hold_of_the_card_is_the_recommended_one_and_the_batch_the_kitchens_own(demo, decision):
    """Rooms near the trial's ask for nearly those hours; balls = 12 is a batch of 12."""
    other = replace(decision, recommended={**decision.recommended, "hold": "24"})
    for chosen, hours in ((other, 24), (decision, 48)):
        found = [r.hold_h for r in kitchen_card(demo, chosen.recommended).rows if r.hold_h]
        assert found == pytest.approx([hours] * len(found), abs=2) and found
    big = replace(demo, contents=replace(demo.contents, formula=replace(demo.formula, balls=12)))
    page = compose_short(big, decision, why="", texts=Texts())
    (grid,) = (b for b in section(page, "batch").blocks if isinstance(b, Grid))
    whole = 12 * demo.formula.ball_g / (1 - demo.formula.loss_pct / 100)
    assert sum(float(row[2]) for row in grid.rows) == pytest.approx(whole, abs=2)


def test_every_caution_of_the_report_stands_on_the_sheet(document, demo):
    from doughlab.report.methods import choose_cautions

    (listed,) = section(document, "cautions").blocks
    assert listed.items == choose_cautions(demo)


def test_a_trial_without_a_plan_gets_a_sheet_that_says_so(unplanned):
    decision, why = decide_if_possible(unplanned, {}, Texts())
    document = compose_short(unplanned, decision, why=why, texts=Texts())
    said = [b.text for s in document.sections for b in s.blocks if isinstance(b, Words)]
    assert "No decision: No plan is kept in this folder." in said
    assert "No formula stands in the folder." in said
    assert any(text.startswith("No room was tried yet:") for text in said)
    paper, page = build_short(unplanned, analyses={})
    assert paper.read_bytes().startswith(b"%PDF")
    assert page.read_text(encoding="utf-8") == render_document(document, Texts())
    assert usual_dough_c(unplanned, {}) is None and kitchen_card(unplanned, {}) is None


def test_an_interim_trial_says_so_on_the_sheet(tiny):
    from doughlab.report.page import analyse_all

    decision, why = decide_if_possible(tiny, analyse_all(tiny)[0], Texts())
    document = compose_short(tiny, decision, why=why, texts=Texts())
    do = " ".join(b.text for b in section(document, "do").blocks)
    assert "Interim: records are still to come." in do or do.startswith("No decision: ")


def test_command_writes_the_sheet(tiny, monkeypatch, capsys):
    monkeypatch.chdir(tiny.folder)
    assert main(["report", "--short", "--paper", "letter"]) == 0
    assert "wrote report/cook.pdf (" in capsys.readouterr().out
    assert (tiny.folder / SHORT).read_bytes().startswith(b"%PDF")


def test_without_a_recommendation_the_sheet_points_to_the_report(copy_trial):
    from doughlab.report.page import analyse_all
    from doughlab.trial import Trial

    trial = Trial.open(copy_trial("cake"))
    decision, why = decide_if_possible(trial, analyse_all(trial)[0], Texts())
    document = compose_short(trial, decision, why=why, texts=Texts())
    do = " ".join(b.text for b in section(document, "do").blocks)
    assert "So no settings are recommended; what was found stands in the report." in do
    assert "pH reads" not in " ".join(section(document, "when").blocks[0].items)


def test_the_cooks_page_for_a_phone_is_valid_html(document):
    page = render_document(document, Texts())
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<nav" not in page and "<script" not in page
    assert SHORT_PAGE == "report/cook.html"
