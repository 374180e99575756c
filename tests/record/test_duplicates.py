"""Duplicate plates: one ball tasted twice under two codes, blind, and what comes of it."""

from datetime import date

import pytest

from doughlab.record.bench_desk import Bench
from doughlab.record.bench_forms import Refused
from doughlab.record.bench_sent import read_sent
from doughlab.record.desk import Asked
from doughlab.record.duplicates import AGAIN, list_duplicates, order_plates, plate_code
from doughlab.record.entry import build_entry
from doughlab.record.scores import ball_scores
from doughlab.record.serving import serve_orders
from doughlab.record.sheets_cards import plates_card
from doughlab.record.sheets_day import build_scores

from .conftest import rome

NOW = rome("03-04T12:00")
SESSION = "S02"


@pytest.fixture
def twice(hand):
    """The trial with one ball of each session tasted twice; all of the session is baked."""
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text().replace("[panel]", "[panel]\nduplicates = 1"))
    for batch, at in (("B01", "03-02T09:45"), ("B02", "03-02T09:00"), ("B03", "03-03T09:00"),
                      ("B04", "03-03T09:45")):  # fmt: skip
        hand.mix(batch, at)
    hand.plan = hand.open().frozen_plan
    for b in hand.plan.balls:
        if b["session"] == SESSION and b["purpose"] == "bake":
            hand.write("bakes", {"ball_id": b["ball_id"], "baked_at": rome("03-04T11:00")})
    return hand


def score(code, judge="ada", *, name, crust="7", crumb="6"):
    return read_sent({"id": name, "action": "score", "about": str(code), "session": SESSION,
                      "values": {"judge": judge, "crust": crust, "crumb": crumb},
                      "at": "2026-03-04T11:50:00+01:00", "by": judge})  # fmt: skip


def pair(hand):
    """The ball that is tasted twice, and its two codes."""
    ((ball, second),) = list_duplicates(hand.plan, SESSION).items()
    return ball, hand.plan.ball(ball)["blind_code"], second


def test_every_judge_has_one_more_plate_apart_from_its_ball(twice):
    ball, _, second = pair(twice)
    planned = twice.plan.serving_orders(SESSION)
    codes = {b["blind_code"] for b in twice.plan.balls if b["session"] == SESSION}
    assert second not in codes and 100 <= second <= 999
    for judge, order in serve_orders(twice.plan, twice.open().records, SESSION).items():
        plates = [plate for _, plate in order]
        assert [i for i, _ in order] == list(range(1, len(planned[judge]) + 2))
        assert [p for p in plates if p != ball + AGAIN] == planned[judge]
        assert abs(plates.index(ball) - plates.index(ball + AGAIN)) > 1
        assert plate_code(twice.plan, SESSION, ball + AGAIN) == second
    assert list_duplicates(twice.plan, SESSION) == list_duplicates(twice.plan, SESSION)


def test_without_duplicates_the_orders_are_those_of_the_plan(hand):
    for judge, order in hand.plan.serving_orders(SESSION).items():
        assert order_plates(hand.plan, SESSION, judge, order) == order


def test_both_plates_are_scored_and_the_mean_counts(twice):
    _, first, second = pair(twice)
    bench = Bench(twice.folder, clock=lambda: NOW)
    assert bench.store(score(first, name="entry-001", crust="7", crumb="6"))["warnings"] == []
    card = {c["code"]: c["done"] for c in bench.card("ada", SESSION)["codes"]}
    assert (card[first], card[second]) == (True, False)
    assert bench.store(score(second, name="entry-002", crust="8", crumb="7"))["warnings"] == []
    assert all(c["done"] == (c["code"] in {first, second}) for c in
               bench.card("ada", SESSION)["codes"])  # fmt: skip
    trial = twice.open()
    assert not [p for p in trial.problems if p.level == "error"]
    (found,) = ball_scores(trial.records, trial.settings, "bake")
    one = (2 * 7 + 6) / 3  # crust weighs 2, crumb 1
    assert found.plates == pytest.approx((one, one + 1))
    assert found.value == pytest.approx(one + 0.5)
    assert found.spread == pytest.approx(0.5**0.5)  # two values 1 apart: SD is 1 / sqrt(2)


def test_a_second_plate_scored_twice_is_refused_by_its_own_code(twice):
    ball, first, second = pair(twice)
    bench = Bench(twice.folder, clock=lambda: NOW)
    bench.store(score(first, name="entry-001"))
    bench.store(score(second, name="entry-002"))
    with pytest.raises(Refused) as e:
        bench.store(score(second, name="entry-003"))
    said = str(e.value) + " ".join(e.value.fields.values())
    assert f"ada scored crust of code {second} already" in said
    assert str(first) not in said and ball not in said


def test_the_code_of_a_second_plate_is_known_to_the_command_line(twice):
    ball, _, second = pair(twice)
    words = (str(second), "ada", "crust=7", "crumb=6")
    entry = build_entry(twice.open().contents, Asked("score", words, NOW))
    assert {(r["ball_id"], r["blind_code"]) for r in entry.rows} == {(ball, second)}


def test_sheets_and_plates_have_the_second_code(twice):
    ball, first, second = pair(twice)
    contents = twice.open().contents
    for sheet in build_scores(contents, date(2026, 3, 4), SESSION):
        codes = [line.item for line in sheet.parts[0].lines]
        assert {str(first), str(second)} <= set(codes) and len(set(codes)) == len(codes)
    rows = plates_card(contents, [SESSION], date(2026, 3, 4))["parts"][1]["rows"]
    assert [r[2] for r in rows if ball in r[1]] == [f"{first} and {second}"]


def test_judges_repeat_within_the_spread_of_their_pairs():
    """Pairs d apart: SD of one score is sqrt(sum d^2 / 2n) (algebra of duplicates)."""
    from types import SimpleNamespace

    import pandas as pd

    from doughlab.analysis.agreement import PanelCheck

    d = [1.0, -0.5, 0.0, 2.0]
    frame = pd.DataFrame({
        "ball": ["a", "b", "c", "d", "e"], "judge": ["ada", "ada", "ben", "ben", "ben"],
        "y": [6.0, 5.0, 7.0, 4.0, 8.0], "n_readings": [2, 2, 2, 2, 1],
        "spread": [abs(x) / 2**0.5 for x in d] + [None],
    })  # fmt: skip
    found = PanelCheck(SimpleNamespace(dataset=SimpleNamespace(frame=frame)))
    table = found.duplicates.table.set_index("judge")
    assert table.loc["all", "sd"] == pytest.approx((sum(x * x for x in d) / 8) ** 0.5)
    assert table.loc["ada", "sd"] == pytest.approx(((1 + 0.25) / 4) ** 0.5)
    assert "on a second plate of the same ball within SD 0.81 (" in found.duplicates.sentence
    assert "4 balls tasted twice); the mean of both plates is analysed." in (
        found.duplicates.sentence
    )
