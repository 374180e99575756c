"""Serving: allergens named everywhere, who said no is not served, a spare for a pierced ball."""

import io
import json

import pytest
from openpyxl import load_workbook

from doughlab.cli import main
from doughlab.record.bench_forms import Refused
from doughlab.record.bench_views import view_card
from doughlab.record.folder import read_folder
from doughlab.record.panel import find_barred, meets
from doughlab.record.serving import code_of, serve_orders, serve_session, stand_ins
from doughlab.record.sheets_cards import plates_card, wall_card
from doughlab.record.sheets_day import ASK_FIRST, build_bench, build_scores
from doughlab.record.sheets_keep import keep
from doughlab.record.sheets_print import bench_data, labels_data, scores_data
from doughlab.record.sheets_read import read_book

from .conftest import TOML, rome
from .sheets_hand import DAY, EVE, NIGHT, filled, score_bytes


@pytest.fixture
def soya(hand):
    """The small trial, its dough with soya in it, and two samples at a sitting."""
    path = hand.folder / "trial.toml"
    panel = """contains = "wheat, soya"
ideal = "thin and crisp"
reference = "yesterday's service"
samples_per_session = 2"""
    path.write_text(TOML.replace('judges = ["ada", "ben"]', f'judges = ["ada", "ben"]\n{panel}'))
    for i, batch in enumerate(("B01", "B02", "B03", "B04")):
        hand.mix(batch, f"03-0{2 + i // 2}T09:{45 * (i % 2):02d}")
    hand.settings, hand.plan = hand.open().settings, hand.open().frozen_plan
    return hand


def agree(hand, judge, words, at="03-03T08:00"):
    hand.note(judge, "consent", at, words)


@pytest.mark.parametrize(
    ("said", "contains", "hit"),
    [
        ("no allergies", "wheat", ""), ("none", "wheat, soya", ""),
        ("allergic to soya", "wheat, soya", "soya"), ("Soy!", "wheat, soya", "soya"),
        ("coeliac", "wheat", "wheat"), ("lactose intolerant", "wheat and milk", "milk"),
        ("allergic to nuts", "wheat", ""), ("not allergic to wheat", "wheat", ""),
        ("no nuts, gluten", "rye", "rye"), ("no nuts but gluten", "rye", "rye"),
        ("hazelnuts", "wheat, nuts", "nuts"), ("no wheat", "wheat", "wheat"),
        ("No gluten please.", "wheat", "wheat"), ("never eats soy", "soya", "soya"),
        ("no problem with gluten", "wheat", ""), ("no nut allergy", "nuts", ""),
    ],
)  # fmt: skip
def test_what_a_judge_says_is_compared_with_what_the_dough_contains(said, contains, hit):
    """Families of allergens: Annex II of Regulation (EU) 1169/2011 (from memory)."""
    assert meets(said, contains) == hit


@pytest.mark.parametrize(
    "words", ["no", "No.", "no thanks", "refuses", "does not taste", "not tasting", "opted out"]
)
def test_a_no_is_a_no(soya, words):
    agree(soya, "ben", words)
    assert find_barred(soya.settings, soya.open().records) == {"ben": f"said '{words}'"}


def test_an_allergy_acts_at_once_and_everywhere(soya, capsys):
    folder = str(soya.folder)
    words = ["record", "consent", "ben", "allergic to soya", "--folder", folder, "--json"]
    assert main([*words, "--at", "2026-03-03 08:00"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["warnings"] == [
        "ben said 'allergic to soya', and the samples contain soya: ben is not served, gets no "
        "card and no score sheet. If it was written down wrongly, take it back: doughlab record "
        f"consent --void {answer['entries'][0][:8]} --reason TEXT"
    ]
    contents = read_folder(soya.folder)
    assert list(serve_orders(soya.plan, contents.records, "S02")) == ["ada"]
    assert [s.judge for s in build_scores(contents, DAY, "S02")] == ["ada"]
    not_served = "Not served: ben, who said 'allergic to soya', and the samples contain soya."
    plates = plates_card(contents, ["S02"], DAY)["parts"]
    assert plates[0]["title"] == "Before anybody tastes" and plates[0]["lines"] == [
        not_served,
        "Not asked yet, so no plate before the answer is written down: ada. Allergies? Agrees to "
        "taste?",
    ]
    assert not_served in wall_card(contents, DAY, now=EVE)["parts"][1]["lines"]
    with pytest.raises(Refused) as e:
        view_card(contents, "ben", "S02")
    assert str(e.value) == (
        "ben said 'allergic to soya', and the samples contain soya: not served here. Ask at the "
        "laptop."
    )
    assert main(["today", folder, "--at", "2026-03-04 08:00"]) == 0
    assert "panel not served: ben, who said 'allergic to soya', and the samples contain soya" in (
        " ".join(capsys.readouterr().out.split())
    )
    assert main(["sheets", folder, "--day", "2026-03-04"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "not served, no score sheet: ben, who said 'allergic to soya', and the" in said


def test_who_was_not_asked_or_named_another_allergy_stands_on_the_paper(soya, capsys):
    """ada named what is not in the dough, ben was not asked; then he answers."""
    agree(soya, "ada", "allergic to nuts")
    contents = read_folder(soya.folder)
    nuts = (
        "ada said 'allergic to nuts'. The samples contain wheat, soya: look at sauce and topping "
        "too."
    )
    wall = wall_card(contents, DAY, now=EVE)["parts"][1]["lines"]
    assert nuts in wall and any(w.startswith("Not asked yet") and "ben." in w for w in wall)
    ada, ben = build_scores(contents, DAY, "S02")
    assert ben.guide[0] == ASK_FIRST and ASK_FIRST not in ada.guide
    pages = scores_data([ada, ben], contents)["pages"]
    assert [page["told"][0] == ASK_FIRST for page in pages] == [False, True]
    assert "nuts" not in str(ben.guide) + str(pages[1])  # no judge reads what another one said
    assert main(["sheets", str(soya.folder), "--day", "2026-03-04"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "not asked yet, so ask before the first plate: ben" in said
    assert "the judges do not know" not in said  # ideal stands in this trial.toml
    agree(soya, "ben", "no allergies")
    assert all(ASK_FIRST not in s.guide for s in build_scores(read_folder(soya.folder), DAY, "S02"))


def test_scores_of_who_is_not_served_are_refused(soya, capsys):
    agree(soya, "ben", "no")
    soya.write("bakes", {"ball_id": "B01-3", "baked_at": rome("03-04T09:45")})
    words = ["record", "score", "B01-3", "ben", "crust=6", "--at", "2026-03-04 10:00"]
    assert main([*words, "--folder", str(soya.folder)]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab record: ben is not served since 2026-03-03 08:00: said 'no'. Look who tasted."
    )


def test_a_later_word_does_not_undo_an_allergy(soya):
    agree(soya, "ben", "allergic to soya")
    agree(soya, "ben", "no allergies", at="03-03T09:00")
    assert "ben" in find_barred(soya.settings, soya.open().records)
    assert any(
        "ben said 'allergic to soya' before, and that stands until it is taken back" in w
        for w in soya.said()
    )


def test_the_allergens_stand_on_everything_printed(soya):
    contents = read_folder(soya.folder)
    sheets = build_scores(contents, DAY, "S02")
    pages = {
        "bench": bench_data(build_bench(contents, DAY, now=EVE)),
        "scores": scores_data(sheets, contents), "labels": labels_data(contents, ["B01-1"]),
        "plates": plates_card(contents, ["S02"], DAY), "day": wall_card(contents, DAY, now=EVE),
    }  # fmt: skip
    for name, data in pages.items():
        assert "ontains wheat, soya" in str(data), name
    book = load_workbook(io.BytesIO(score_bytes(soya.folder, "ada")))
    assert "Contains wheat, soya: tell us of allergies" in book["Scores"]["A3"].value


def test_paper_tells_a_judge_what_the_phone_tells(soya):
    """Ideal, reference first, minutes from the oven, rest, sittings, and what points mean."""
    contents = read_folder(soya.folder)
    (page, _) = scores_data(build_scores(contents, DAY, "S02"), contents)["pages"]
    assert page["told"] == [ASK_FIRST, *view_card(contents, "ada", "S02")["told"]]
    assert page["told"][2].startswith("Taste first, by its name and without a score: yesterday's")
    assert [s["title"] for s in page["sittings"]] == ["Sitting at 09:45", "Sitting at 10:30"]
    assert [len(s["part"]["lines"]) for s in page["sittings"]] == [2, 2]
    book = load_workbook(io.BytesIO(score_bytes(soya.folder, "ada")))
    guide = [row[0].value for row in book["How to score"].iter_rows()]
    assert set(page["told"]) <= set(guide)
    assert "Sitting at 10:30: places 3 to 4; then rest until the next." in guide
    assert "crust: 0 to 10." in guide
    titles = [p["title"] for p in plates_card(contents, ["S02"], DAY)["parts"]]
    assert titles[1:3] == ["Session S02, sitting at 09:45", "Session S02, sitting at 10:30"]
    assert (
        "Panel S02: sittings at 09:45, 10:30, a rest between them."
        in (wall_card(contents, DAY, now=EVE)["parts"][1]["lines"])
    )


def test_a_pierced_ball_is_not_served_and_its_spare_takes_place_and_code(soya, capsys):
    soya.read("B01-3", "03-03T09:00", 5.4)
    contents = read_folder(soya.folder)
    plan, records = soya.plan, contents.records
    assert stand_ins(plan, records) == {"B01-3": "B01-5"}
    assert serve_session(plan, records, "S02")["B01-3"] == "B01-5"
    code = plan.ball("B01-3")["blind_code"]
    assert code_of(plan, records, "B01-5") == code
    rows = [r for p in plates_card(contents, ["S02"], DAY)["parts"] for r in p.get("rows", [])]
    assert ["09:45", "B01-5, spare for B01-3", str(code), ""] in rows
    assert not any(r[1] == "B01-3" for r in rows if len(r) == 4)
    assert main(["today", str(soya.folder), "--at", "2026-03-04"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "bake B01-5 the spare, in place of B01-3; by blind code" in said
    soya.write("bakes", {"ball_id": "B01-5", "baked_at": rome("03-04T09:45")})
    words = ["record", "score", str(code), "ada", "crust=6", "crumb=5", "--folder",
             str(soya.folder), "--at", "2026-03-04 10:00"]  # fmt: skip
    assert main(words) == 0
    out = capsys.readouterr().out
    assert f"code {code}" in out and "B01-" not in out
    (first, _) = soya.open().records.scores
    assert (first["ball_id"], first["blind_code"]) == ("B01-5", code)
    assert not [p for p in soya.open().problems if p.level == "error" and "blind" in str(p)]


def test_a_score_sheet_of_a_session_with_a_spare_is_read_into_the_spare(soya):
    soya.note("B01-3", "lost", "03-03T09:00", "dropped")
    soya.write("bakes", {"ball_id": "B01-5", "baked_at": rome("03-04T09:45")})
    contents = read_folder(soya.folder)
    code = str(soya.plan.ball("B01-3")["blind_code"])
    (sheet, _) = build_scores(contents, DAY, "S02")
    line = next(x for x in sheet.parts[0].lines if x.item == code)
    cells = {(line.key, "Time"): "10:05", (line.key, "crust"): 7, (line.key, "crumb"): 6}
    read = read_book(filled(score_bytes(soya.folder, "ada"), cells), contents)
    assert keep(read, contents, now=NIGHT).problems == []
    assert {r["ball_id"] for r in soya.open().records.scores} == {"B01-5"}


def test_without_a_spare_the_code_is_gone(soya):
    for ball in ("B01-5", "B01-3"):
        soya.note(ball, "lost", "03-03T09:00", "dropped")
    records = soya.open().records
    assert stand_ins(soya.plan, records) == {}
    assert "B01-3" not in serve_session(soya.plan, records, "S02")
    places = [i for i, _ in serve_orders(soya.plan, records, "S02")["ada"]]
    assert len(places) == 3 and max(places) <= 4  # the planned places do not move


def test_a_batch_that_nobody_wrote_down_is_asked_about_on_the_plates(hand):
    rows = plates_card(read_folder(hand.folder), ["S02"], DAY, now=EVE)["parts"][1]["rows"]
    assert [r[1] for r in rows][:2] == ["B01-3; was it mixed?", "B03-4; was it mixed?"]


def test_a_score_before_any_bake_gets_a_look(hand):
    hand.mix("B01", "03-02T09:00")
    hand.write("scores", {"ball_id": "B01-3", "judge": "ada", "criterion": "crust", "score": 5,
                          "scored_at": rome("03-04T10:00")})  # fmt: skip
    assert any("B01-3 has scores, but no bake." in w for w in hand.said(level="note"))
