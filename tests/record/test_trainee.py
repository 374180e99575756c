"""Trainees: pairs of numbers, agreement within the stated band, and once more after a year."""

import numpy as np
import pytest

from doughlab.cli import main
from doughlab.errors import InputError
from doughlab.record.bench_desk import Bench
from doughlab.record.trainee import (
    block_factor,
    check_trainees,
    differences,
    fit_agreement,
    judge_blocks,
    trainee_standings,
    trainee_words,
    write_card,
)
from doughlab.settings import parse_settings

from .conftest import TOML, rome

SECTION = '\n[training]\ntrainees = ["ben"]\nexperienced = ["ada"]\npairs = 5\n'


@pytest.fixture
def school(hand):
    """The small trial with a trainee."""
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text() + SECTION)
    hand.settings = hand.open().settings
    return hand


def pair(hand, at, own, other, kind="reading"):
    hand.write("trainees", {"trainee": "ben", "kind": kind, "at": rome(at), "trainee_value": own,
                            "experienced": "ada", "experienced_value": other})  # fmt: skip


def stand(hand, at, nth=0):
    trial = hand.open()
    return trainee_standings(trial.settings, trial.records, rome(at))[nth]


def test_limits_are_the_mean_and_196_standard_deviations():
    """Algebra: differences of -1 and 1 have mean 0 and standard deviation the root of 2."""
    found = fit_agreement([-1.0, 1.0])
    assert (found.mean, found.sd) == (0.0, pytest.approx(2**0.5))
    assert found.high == -found.low == pytest.approx(1.96 * 2**0.5)
    assert found.within(2.78) and not found.within(2.77)
    with pytest.raises(InputError, match=r"^1 pair tells nothing about agreement\. Take two or"):
        fit_agreement([0.1])


def test_doses_are_compared_in_per_cent():
    assert differences([{"trainee_value": 9.5, "experienced_value": 10.0}], "dose") == [-5.0]


def test_pairs_are_wanted_until_they_agree(school):
    assert stand(school, "03-03T09:00").words == (
        "ben, readings: 0 of 5 pairs beside an experienced person"
    )
    for day, off in enumerate((0.3, -0.2, 0.02, -0.02, 0.0), start=3):
        pair(school, f"03-0{day}T09:00", 5.4 + off, 5.4)
    found = stand(school, "03-08T09:00")
    assert found.due and found.words == (
        "ben, readings: by block 1 of 5 pairs, 95 in 100 may lie as far as -1.1 to +1.1 pH "
        "(tolerance range), the band is 0.1; look at it together and take 5 fresh pairs (0 taken)"
    )
    for day, off in enumerate((0.01, -0.01, 0.0, 0.0, 0.0), start=8):
        pair(school, f"03-{day:02d}T09:00", 5.4 + off, 5.4)
    assert stand(school, "03-10T09:00").words.endswith("take 5 fresh pairs (3 taken)")
    found = stand(school, "03-12T10:00")
    assert (found.due, found.again_on) == (False, "2027-03-12")
    assert found.words == (
        "ben, readings: agreed within 0.1 pH on 2026-03-12; repeat by 2027-03-12"
    )
    trial = school.open()
    assert trainee_words(trial.settings, trial.records, rome("03-12T10:00")) == ""
    assert stand(school, "03-08T09:00").due  # a time gone by shows what was known then


def test_agreement_ends_when_later_pairs_lie_outside(school):
    for day in range(3, 8):
        pair(school, f"03-0{day}T09:00", 5.41, 5.40)
    assert not stand(school, "03-07T10:00").due
    pair(school, "03-08T09:00", 5.9, 5.4)
    assert not stand(school, "03-08T10:00").due  # one in a block may happen to anybody
    pair(school, "03-09T09:00", 4.9, 5.4)
    found = stand(school, "03-09T10:00")
    assert found.due and found.words == (
        "ben, readings: agreement ended on 2026-03-09: pairs after it lie outside 0.1 pH; look at "
        "it together and take 5 fresh pairs (0 taken)"
    )


def test_ten_good_pairs_and_twenty_bad_ones_do_not_agree():
    found = judge_blocks([0.01, -0.01] * 5 + [0.5, -0.5] * 10, band=0.1, wanted=10)
    assert found.agreed is None and found.fallen == 11


def test_a_block_whose_limits_lie_outside_ends_an_agreement_too():
    """All pairs inside 0.1, but their limits of agreement (mean 0, SD 0.095 x 1.05) are not."""
    found = judge_blocks([0.0] * 10 + [0.095, -0.095] * 5, band=0.1, wanted=10)
    assert (found.agreed, found.fallen) == (None, 19)


def test_no_pair_is_judged_twice_so_that_waiting_does_not_help():
    """Eight good pairs after two bad ones are no block of ten."""
    off = [0.3, -0.3, *[0.0] * 8]
    assert judge_blocks(off + [0.0] * 9, band=0.1, wanted=10).agreed is None
    assert judge_blocks(off + [0.0] * 10, band=0.1, wanted=10).agreed == 19


def share_that_agrees(sd, *, blocks, band=0.1, n=10, people=20_000):
    """Invented trainees, normal differences, by numpy: who agrees within some blocks."""
    off = np.random.default_rng(3).normal(0.0, sd, (people, blocks, n))
    mean, own = np.abs(off.mean(axis=2)), off.std(axis=2, ddof=1)
    factors = np.array([block_factor(n, j + 1) for j in range(blocks)])
    return float((mean + factors * own <= band).any(axis=1).mean())


def test_those_who_do_not_agree_agree_by_luck_in_less_than_5_of_100():
    """Limits of 0.1 (the band itself), 0.118, 0.137: within four blocks, as the rule says."""
    shares = [share_that_agrees(limit / 1.96, blocks=4) for limit in (0.1, 0.118, 0.137)]
    assert shares[0] <= 0.05 and shares[1] <= 0.01 and shares[2] <= 0.001
    assert share_that_agrees(0.1 / 1.96, blocks=12) <= 0.05
    able = [share_that_agrees(sd, blocks=2) for sd in (0.015, 0.02, 0.025)]
    assert [round(100 * share) for share in able] == [100, 97, 73]


def test_a_year_later_it_is_due_again(school):
    for day in range(3, 8):
        pair(school, f"03-0{day}T09:00", 5.41, 5.40)
    late = rome("03-07T09:00").replace(year=2027)
    trial = school.open()
    (found,) = trainee_standings(trial.settings, trial.records, late)
    assert found.due and found.words.endswith("on 2026-03-07; repeat it now")


def test_a_card_holds_initials_date_and_band(school):
    for day in range(3, 8):
        pair(school, f"03-0{day}T09:00", 9.9, 10.0, kind="dose")
    card = write_card(school.settings, stand(school, "03-10T09:00", nth=1))
    assert card.splitlines() == [
        "Two waters (TW)",
        "ben, doses: agreed within 5 % on 2026-03-07; repeat by 2027-03-07",
        "5 pairs differ by -1 on average; 95 in 100 lie within -1 to -1.",
        "Each pair is one water, dosed by both without seeing the other's number.",
        "Pairs are judged in blocks, once each; of people who do not agree, at most 5 in 100 would "
        "be taken to agree by luck.",
        "Signed: trainee ________  experienced ________  date ________",
    ]


def test_the_doors_store_a_pair_and_say_who_is_due(school, capsys):
    folder = str(school.folder)
    words = ["record", "trainee", "ben", "reading", "5,42", "5.40", "--folder", folder]
    assert main(words) == 0
    row = school.open().records.trainees[0]
    assert (row["trainee_value"], row["experienced"]) == (5.42, "ada")
    capsys.readouterr()
    assert main(["today", folder]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "pairs ben, readings: 1 of 5 pairs beside an experienced person" in said
    overview = Bench(school.folder).overview()
    assert "trainee" in {f["action"] for f in overview["forms"]}
    assert any(w.startswith("ben, readings: 1 of 5") for w in overview["watch"])
    assert main(["record", "trainee", "ben", "reading", "5.42", "--folder", folder]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab record: Give reading or dose, then the trainee's number and the experienced "
        "person's: doughlab record trainee ben reading 5.42 5.40 experienced=ada"
    )
    assert main(["record", "trainee", "bob", "reading", "5.4", "5.4", "--folder", folder]) == 1
    assert (
        "trainee 'bob' is not named in [training] of trial.toml. Add the initials there, or "
        in (" ".join(capsys.readouterr().err.split()))
    )
    assert main(["record", "trainee", "ben", "reading", "54.2", "5.4", "--folder", folder]) == 1
    assert "a reading lies outside pH 2.5 to 9. A decimal point may be missing." in (
        " ".join(capsys.readouterr().err.split())
    )


def test_readings_of_a_trainee_before_agreement_are_flagged_and_used(school):
    school.mix("B01", "03-02T09:00")
    school.read("B01-2", "03-03T09:45", 5.4, 5.41, entered_by="ben")
    trial = school.open()
    (found,) = check_trainees(trial.settings, trial.records)
    assert str(found) == (
        "record/readings.csv, row 2, column entered_by: 2 readings entered by ben, who had no "
        "agreement within 0.1 pH on that day. They are used; let somebody experienced read beside."
    )
    assert found.level == "note"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('trainees = ["ben"]',
         'a trainee needs somebody to be compared with: experienced = ["ada"].'),
        ('trainees = ["ben"]\nexperienced = ["ben"]',
         "ben stands under trainees and under experienced. Take one away."),
    ],
)  # fmt: skip
def test_a_section_that_cannot_work_says_why(text, words):
    _, problems = parse_settings(f"{TOML}\n[training]\n{text}\n")
    assert [p.message for p in problems] == [words]
