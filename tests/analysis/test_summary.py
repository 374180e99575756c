"""What is printed: at most 80 columns, 15 lines, and what must never be missing."""

from dataclasses import replace

import pytest

from doughlab.analysis import analyse
from doughlab.analysis.summary import _row
from doughlab.analysis.wording import (
    amount_words,
    decimals_for,
    fold,
    joined,
    range_words,
    signed,
)
from doughlab.sections import Response

CAUTION = "About the dough only; whether a water is fit to drink is not judged here."


def test_text_follows_the_order_of_a_kitchen_answer(ph):
    lines = ph.text().splitlines()
    assert lines[0] == "72 pH balls planned, 72 read"
    assert lines[1] == "pH: 95 % ranges in brackets; margin pH 0.10"
    assert lines[3] == (
        "Which water? (averaged over the holds, which change no difference by the margin)"
    )
    assert [line[2:28].strip() for line in lines[4:7]] == [
        "tap - reverse osmosis", "tap - bottled", "reverse osmosis - bottled",
    ]  # fmt: skip
    alone = next(i for i, line in enumerate(lines) if line.startswith("What else"))
    assert all(" at 48 h alone" in line for line in lines[7:alone] if not line.startswith("   "))
    assert lines[alone] == "What else moves the pH? (noticed, not a primary question)"
    assert "Compared batch against batch for water and mixing water (24 batches), ball" in lines
    assert lines[-1] == CAUTION


@pytest.mark.parametrize("response", ["ph", "score"])
def test_lines_stay_within_80_columns_and_str_within_15_lines(waters_trial, response):
    names = [b["ball_id"] for b in waters_trial.frozen_plan.balls[::8]]
    sentence = "margin of ph changed after the plan: it was 0.1 and is 0.2 now, forced by hand."
    plan = replace(waters_trial.frozen_plan, changed=(sentence,))
    trial = replace(waters_trial.lose(*names, reason="dropped on the floor by the door"),
                    frozen_plan=plan)  # fmt: skip
    result = analyse(trial, response)
    assert max(map(len, result.text().splitlines())) <= 80
    short = str(result).splitlines()
    assert len(short) <= 15 and max(map(len, short)) <= 80
    assert short[-1] == CAUTION
    assert any("changed after the plan" in line for line in short)


def test_short_text_says_how_much_it_leaves_out(score):
    result = score
    assert "more lines: print(result.text())" in str(result)


def test_long_names_of_waters_do_not_break_the_layout(kitchen):
    long = "spring water from the third tap behind the old bakery"
    text = kitchen.PLAIN.replace('"bottled"', f'"{long}"')
    result = analyse(kitchen.invent(text, lambda _: 5.5), "ph")
    assert max(map(len, result.text().splitlines())) <= 80
    assert long in " ".join(result.text().split())


def test_trial_without_a_water_has_no_word_about_drinking(kitchen):
    text = kitchen.PLAIN.replace('kind = "water"', 'kind = "category"')
    result = analyse(kitchen.invent(text, lambda _: 5.5), "ph")
    assert "fit to drink" not in result.text()


def test_interim_is_said_before_the_answers(plain_trial):
    rows = [r for r in plain_trial.records.readings if not r["ball_id"].startswith("B02")]
    text = analyse(plain_trial.with_readings(rows), "ph").text()
    assert "Interim: 3 balls have no pH yet (B02-" in text
    assert text.index("Interim") < text.index("Which water?")


def test_html_holds_the_facts_of_str(ph):
    result = ph
    page = result._repr_html_()
    for c in result.answer("water").comparisons:
        assert c.words in page and c.range_text in page and c.verdict_text in page
    assert CAUTION in page and "72 pH balls planned" in page


def test_sentence_of_an_answer_reads_as_one(ph):
    sentence = ph.answer("mixing_water").sentence
    means = ph.dataset.frame.groupby("mixing_water")["y"].mean()  # balanced: plain means
    by_hand = means["64 F"] - means["54 F"]
    assert sentence.startswith(
        f"Does mixing water move the pH? Compared: 64 F instead of 54 F {by_hand:+.2f} ("
    )


def test_verdict_table_has_the_promised_columns(ph):
    table = ph.verdicts
    assert table.columns.tolist() == [
        "question", "contrast", "estimate", "ci_low", "ci_high", "unit", "verdict", "words",
        "primary",
    ]  # fmt: skip
    assert table["primary"].tolist() == [True] * 3 + [False] * 4


def test_printing_twice_gives_the_same(ph):
    result = ph
    assert str(result) == str(result) and result.text() == ph.text()


def test_wording_of_numbers():
    assert [signed(v, 2) for v in (0.066, -0.31, -0.001, 0.004)] == [
        "+0.07", "-0.31", " 0.00", " 0.00",
    ]  # fmt: skip
    assert range_words(0.0, 0.14, 2) == "( 0.00 to +0.14)"
    assert [decimals_for(m) for m in (0.03, 0.1, 0.5, 1.0, 5.0, 30.0)] == [3, 2, 2, 1, 1, 0]
    assert joined(["a"]) == "a" and joined(["a", "b", "c"]) == "a, b and c"
    score = Response("score", "scores", "score", margin=1.0, kind="score")
    assert amount_words(1.0, score) == "1.0 points"
    angle = Response("angle", "bakes", "angle_deg", margin=5.0)
    assert amount_words(5.0, angle) == "5.0"
    assert max(map(len, fold("word " * 60, indent="  "))) <= 80


@pytest.mark.parametrize(
    ("full", "bare", "below"),
    [("same (real but small)", "same", "(real but small)"),
     ("differs; at least 0.12", "differs", "at least 0.12")],
)  # fmt: skip
def test_what_is_known_beyond_the_verdict_is_never_dropped_for_width(full, bare, below):
    numbers = "+0.5  (+0.1 to +0.9)"
    wide = _row("64 F instead of 54 F at 48 h", 36, numbers, (full, bare))
    assert [line.strip() for line in wide[1:]] == [below]
    assert wide[0].endswith(bare) and max(map(len, wide)) <= 80
    assert _row("tap - bottled", 20, numbers, (full, bare))[0].endswith(full)


def test_every_printed_verdict_is_whole(waters_trial):
    """All verdict words of the table stand in the text, however long the names are."""
    for name in ("ph", "score"):
        result = analyse(waters_trial, name)
        said = " ".join(result.text().split())
        for a in result.answers:
            for c in a.comparisons:
                if c.small:
                    assert "(real but small)" in said
                if c.verdict == "differs":
                    assert "at least" in said


def test_a_hold_judged_within_sessions_names_them(ph):
    sessions = ph.dataset.frame["session"].nunique()
    assert "session" in ph.fit.random_names
    said = " ".join(ph.text().split())
    assert f"ball against ball for hold (72 balls in {sessions} reading sessions)" in said
