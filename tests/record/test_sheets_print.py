"""Sheets on paper: labels decoded from the printed page, cards, and text that stays text.

The pages are set as pictures and looked at with Pillow; codes are decoded by ZXing, another
program than the one that drew them, one label at a time.
"""

import io
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image

from doughlab.instruments import Buffer, Meter
from doughlab.record.folder import read_folder
from doughlab.record.records import Records
from doughlab.record.sheets_cards import (
    buffer_card,
    meter_card,
    plates_card,
    study_card,
    wall_card,
)
from doughlab.record.sheets_day import build_bench, build_scores
from doughlab.record.sheets_print import (
    CODE_MM,
    LABELS,
    bench_data,
    labels_data,
    print_pages,
    scores_data,
)
from doughlab.sections import Criterion
from doughlab.settings import Settings

from .conftest import rome
from .sheets_hand import DAY, EVE

ROOT = Path(__file__).parents[2]
PPI = 150
SIZES = {"a4": (595, 842), "letter": (612, 792)}  # points: ISO 216; 8.5 x 11 in


def mm(length):
    return round(length / 25.4 * PPI)


def labels_of(page, paper):
    """Cut a page into its labels, row by row."""
    (left, top), (wide, high), gap = LABELS[paper]
    rows = round((page.height / PPI * 25.4 - 2 * top) / high)
    for row in range(rows):
        for column in range(3):
            x, y = left + column * (wide + gap), top + row * high
            yield page.crop((mm(x), mm(y), mm(x + wide), mm(y + high)))


def edges_mm(position):
    """Lengths of the four edges of a code, between the corners that the decoder found."""
    corners = [getattr(position, n)
               for n in ("top_left", "top_right", "bottom_right", "bottom_left")]  # fmt: skip
    pairs = zip(corners, [*corners[1:], corners[0]], strict=True)
    return [((a.x - b.x) ** 2 + (a.y - b.y) ** 2) ** 0.5 / PPI * 25.4 for a, b in pairs]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_label_is_decoded_from_the_page_and_is_25_mm_wide(hand, paper):
    contents = read_folder(hand.folder)
    balls = [str(b["ball_id"]) for b in contents.plan.balls]
    balls = (balls * 2)[:25]  # more than one page
    pages = print_pages(labels_data(contents, balls, paper=paper), form="png", ppi=PPI)
    pictures = [Image.open(io.BytesIO(p)) for p in pages]
    assert len(pictures) == 2
    read, sizes = [], []
    for label in [x for page in pictures for x in labels_of(page, paper)][: len(balls)]:
        found = zxingcpp.read_barcodes(label)
        read += [f.text for f in found]
        sizes += [edge for f in found for edge in edges_mm(f.position)]
    assert read == [f"TW/{ball}" for ball in balls]
    pixel = 25.4 / PPI
    assert min(sizes) >= 25.0 - pixel and max(sizes) <= CODE_MM + pixel
    assert sum(sizes) / len(sizes) >= 25.0


def test_a_label_says_what_it_must_and_no_use_by_date(hand):
    hand.mix("B01", "03-02T23:30")
    contents = read_folder(hand.folder)
    first, *_, last = labels_data(contents, ["B01-1", "B04-5"])["labels"]
    said = [first[k] for k in ("ball", "mixed", "allergen", "trial")]
    assert said == ["B01-1", "2026-03-02", "contains wheat", "trial, not for sale"]
    assert last["mixed"] == "2026-03-03"  # planned, not mixed yet
    assert not [v for v in first.values() if "use" in str(v).split()]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_page_is_of_the_paper_that_was_asked_for(hand, paper):
    contents = read_folder(hand.folder)
    sheet = build_bench(contents, DAY, now=EVE)
    mixing = build_bench(contents, date(2026, 3, 2), now=rome("03-01T20:00"))
    upright = [
        scores_data(build_scores(contents, DAY, "S02"), contents, paper=paper),
        wall_card(contents, DAY, now=EVE, paper=paper),
        plates_card(contents, ["S02"], DAY, paper=paper),
        buffer_card(contents.settings, paper=paper), meter_card(contents.settings, paper=paper),
    ]  # fmt: skip
    for data in [*upright, bench_data(sheet, paper=paper), bench_data(mixing, paper=paper)]:
        pages = [Image.open(io.BytesIO(p)) for p in print_pages(data, form="png", ppi=72)]
        want = SIZES[paper] if data in upright else SIZES[paper][::-1]
        assert all(abs(a - b) <= 1 for p in pages for a, b in zip(p.size, want, strict=True))
        grey = [p.convert("RGB").getcolors(1_000_000) for p in pages]
        assert all(max(rgb) - min(rgb) <= 8 for page in grey for _, rgb in page)  # black and white
        assert len(pages) <= 3


def test_the_same_data_gives_the_same_bytes(hand):
    contents = read_folder(hand.folder)
    for data in (labels_data(contents, ["B01-1"]), meter_card(contents.settings)):
        first, second = print_pages(data), print_pages(data)
        assert first == second and first[0].startswith(b"%PDF-")


HOSTILE = ['#panic("read as markup")', "*bold* _it_ $x^2$ #1", '] } ) \\ "', "<b>&amp;", "@ref"]


@pytest.mark.parametrize("text", HOSTILE)
def test_what_people_wrote_is_printed_and_never_run(hand, text):
    """Markup in a text would stop the page, or change what stands on it."""
    contents = read_folder(hand.folder)
    sheet = build_bench(contents, DAY, now=EVE)
    part = sheet.parts[0]
    lines = tuple(replace(x, place=text, words=text) for x in part.lines)
    data = bench_data(replace(sheet, name=text, parts=(replace(part, lines=lines),)))
    (plain,) = print_pages(data | {"title": "A" * len(text)}, form="png", ppi=40)
    (shown,) = print_pages(data | {"title": text}, form="png", ppi=40)
    assert shown != plain


def test_the_buffer_card_begins_with_the_own_bottle_and_names_its_sources(hand):
    """Numbers: JIS Z 8802 on a public page; one instrument manual (technical buffers)."""
    own = {"blue 7": Buffer("blue 7", (15.0, 25.0), (7.05, 7.01))}
    settings = replace(hand.settings, buffers=own, show_temperature="F")
    table, sources, steps, bands = buffer_card(settings)["parts"]
    assert [row[0] for row in table["rows"]][:2] == ["blue 7", "technical 4"]
    rows = {
        temp: {row[0]: row[i] for row in table["rows"]}
        for i, temp in enumerate(table["heads"]) if temp
    }  # fmt: skip
    # 70 F is 21.11 C: 0.222 of the way from the numbers at 20 C to those at 25 C
    assert rows["70 °F"] == {"blue 7": "7.03", "technical 4": "4.00", "technical 7": "7.02",
                             "technical 10": "10.05", "phthalate": "4.00", "phosphate": "6.88",
                             "borax": "9.21", "carbonate": "10.06"}  # fmt: skip
    assert rows["40 °F"]["blue 7"] == "–"
    assert sources["lines"][0] == "blue 7: the bottle."
    assert any("JIS Z 8802" in line for line in sources["lines"])
    assert len(steps["steps"]) == 5 and "common practice, no source" in steps["title"]
    assert bands["lines"][0] == (
        "Slope 85 to 105 %, offset within 30 mV at pH 7, every 24 h. From: a training page; see "
        "the manual of your meter."
    )


def test_the_meter_card_says_where_each_line_comes_from(hand):
    settings = replace(hand.settings, meter=Meter(probe="spear 2", probe_since="2025-11-01"))
    care, _log = meter_card(settings)["parts"]
    assert all(row[2] for row in care["rows"])
    rows = {row[0]: row[1:] for row in care["rows"]}
    assert rows["Protein"][1] == "common practice, no source"
    assert rows["Age"][0].startswith("Probe spear 2, in use since 2025-11-01; 12 months expected.")
    assert rows["Near food"][0].startswith("A spear tip, or a probe without glass.")


def test_the_card_of_the_day_says_the_limits_and_leaves_room_for_names(hand):
    hours, limits = wall_card(read_folder(hand.folder), DAY, now=EVE)["parts"]
    assert hours["rows"][0][:3] == [
        "08:15", "take out", "B01-1   shelf 1, place 1\nB01-3   shelf 3, place 1\n"
        "B03-2   shelf 2, place 3\nB03-4   shelf 4, place 3",
    ]  # fmt: skip
    assert hours["heads"][-1] == "Who" and all(row[-1] == "" for row in hours["rows"])
    assert limits["lines"][0] == (
        "At room temperature: 4 h in all for each ball, before the cooler and after it together "
        "(your limit, in trial.toml). Beyond it: follow your food-safety plan."
    )


def test_nothing_printed_gives_a_verdict_on_food_safety(hand):
    import re

    contents = read_folder(hand.folder)
    pages = [bench_data(build_bench(contents, DAY, now=EVE)), wall_card(contents, DAY, now=EVE),
             buffer_card(contents.settings), meter_card(contents.settings),
             labels_data(contents, ["B01-1"])]  # fmt: skip
    assert not re.search(r"\b(safe|pass|release|use by)\b", str(pages), re.IGNORECASE)


def test_the_buffer_card_has_round_temperatures_in_fahrenheit_too():
    """Facts 2.2, along straight lines: 40 F is 4.44 C, 65 F 18.33 C, 77 F 25 C, 85 F 29.44 C."""
    table = buffer_card(Settings("Demo", "DE", show_temperature="F"))["parts"][0]
    assert table["heads"][1:] == [f"{t} °F" for t in (40, 50, 60, 65, 70, 75, 77, 85)]
    rows = {row[0]: row[1:] for row in table["rows"]}
    assert [rows["technical 7"][i] for i in (0, 3, 6, 7)] == ["7.09", "7.03", "7.00", "6.99"]
    assert [rows["borax"][i] for i in (0, 1, 6)] == ["9.40", "9.33", "9.18"]


def test_a_meter_study_has_its_readings_in_the_drawn_order_with_boxes(hand):
    """8 balls, 2 readers, 2 meters, 2 rounds: 64 readings; one taken is on the card no more."""
    contents = read_folder(hand.folder)
    assert study_card(contents) is None
    design = replace(contents.settings.plan, readers=("ada", "ben"), meters=("pen", "spear"),
                     repeats=2)  # fmt: skip
    settings = replace(contents.settings, plan=design)
    study = replace(contents, settings=settings, plan=replace(contents.plan, settings=settings))
    rounds = study_card(study)["parts"]
    rows = [row for part in rounds for row in part["rows"]]
    assert [part["title"] for part in rounds] == ["Round 1", "Round 2"] and len(rows) == 64
    assert [row[0] for row in rows] == [str(i) for i in range(1, 65)]
    assert len({tuple(row[1:4]) for row in rounds[0]["rows"]}) == 32  # each once in a round
    first = rows[0]
    row = {"ball_id": first[1], "ph": 5.4, "entered_by": first[2], "instrument": first[3]}
    left = study_card(replace(study, records=Records.of(readings=[row])))["parts"]
    assert [r[1:4] for r in left[0]["rows"]] == [r[1:4] for r in rounds[0]["rows"][1:]]
    assert left[0]["rows"][0][0] == "2" and first[4:] == ["", "", ""]


def test_a_score_sheet_that_runs_over_is_known_by_its_judge_on_every_page(hand):
    """Many words to a criterion make the head long; the left of each foot is looked at."""
    contents = read_folder(hand.folder)
    rubric = {n: Criterion(n, words="in so many words " * 20) for n in "abcdefghi"}
    long = replace(contents.settings, rubric=rubric)
    contents = replace(contents, settings=long, plan=replace(contents.plan, settings=long))
    sheets = build_scores(contents, DAY, "S02")
    pages = print_pages(scores_data(sheets, contents), form="png", ppi=60)
    feet = []
    for page in pages:
        with Image.open(io.BytesIO(page)) as picture:
            wide, tall = picture.size
            feet.append(picture.convert("L").crop((0, tall - 32, wide // 2, tall)).tobytes())
    each = len(pages) // len(sheets)
    assert len(sheets) == 2 and each > 1  # they do run over
    assert len(set(feet[:each])) == len(set(feet[each:])) == 1 and feet[0] != feet[-1]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_twelve_samples_of_the_demo_stand_on_one_page(paper):
    contents = read_folder(ROOT / "trials" / "lantern-quay")
    contents = replace(contents, records=Records())
    session = contents.plan.sessions[1]
    sheets = build_scores(contents, date(2026, 3, 5), session)
    assert [len(s.parts[0].lines) for s in sheets] == [12] * 4
    data = scores_data(sheets, contents, paper=paper)
    assert len(print_pages(data, form="png", ppi=30)) == 4
