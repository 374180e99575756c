"""Several limits at once, the trade-off, another view, and what a wrong choice may cost."""

from dataclasses import replace

import numpy as np
import pytest

from doughlab.decision import decide
from doughlab.decision.brief import brief_lines, more_facts, more_lines, option_line
from doughlab.decision.choose import analyse_all
from doughlab.decision.desirability import combine, find_desirability, peak, rise
from doughlab.decision.effort import count_effort
from doughlab.decision.limits import list_limits
from doughlab.decision.options import find_setting
from doughlab.decision.told import find_wrong, told_sentences
from doughlab.decision.tradeoff import find_tradeoff
from doughlab.decision.unasked import find_unasked, unasked_words
from doughlab.decision.window import WindowFound
from doughlab.decision.words import must_words
from doughlab.decision.wrong import WrongChoice, wrong_words
from doughlab.formula import Formula
from doughlab.water.constants import WATER_KG_PER_L

LIMITS = '\n[limits]\nwater_cost_a_year = 500\n\n[kitchen]\nballs_a_day = 100\nclosed = ["Mon"]\n'


@pytest.fixture(scope="module")
def trial(windowed, kitchen, band):
    """The invented trial with limits on bake score and money; what is tried stays the same."""
    text = (kitchen.WATERS + band).replace(
        'title = "bake score"', 'title = "bake score"\nlow = 0\nhigh = 10\nat_least = 5.5'
    )
    formula = Formula(percents={"hydration": 60, "salt": 2.5}, ball_g=250, balls=20)
    own = replace(windowed, settings=kitchen.read(text + LIMITS))
    object.__setattr__(own, "formula", formula)
    return own


@pytest.fixture(scope="module")
def analyses(trial):
    return analyse_all(trial)


@pytest.fixture(scope="module")
def judged(trial, analyses):
    return decide(trial, analyses=analyses)


def test_water_costs_what_balls_days_and_grams_make_of_its_price(judged):
    """100 balls on 365.25 x 6/7 days; 60 g of water in 162.5 g of dough; 0.03 a litre."""
    litres = 100 * 365.25 * 6 / 7 * 0.250 * 60 / 162.5 / WATER_KG_PER_L
    rows = judged.table[judged.table["water"] == "reverse osmosis"]
    assert rows["water_cost_a_year"].to_numpy() == pytest.approx(litres * 0.03)


def test_a_water_beyond_its_limit_is_never_chosen_and_says_so(judged):
    assert judged.recommended["water"] != "bottled"
    choice = next(c for c in judged.choices if c.factor.name == "water")
    bottled = next(o for o in choice.options if o.level == "bottled")
    assert "none within water 500 a year or less" in option_line(judged, choice, bottled)
    assert (judged.table.loc[judged.table["water"] == "bottled", "all"] == 0).all()


def test_the_joint_chance_stands_beside_each_limit_with_its_range(judged):
    chance = judged.chance_of_all
    assert chance[1] <= chance[0] <= chance[2] <= judged.chance[2] + 1e-9
    text = " ".join(judged.text().split())
    assert "All limits at once: about" in text
    assert "bake score 5.5 or more" in text and "pH in 5.35-5.75" in text
    assert "water 500 a year or less met (a price or a plan, so no range)" in text


def test_what_has_no_limit_is_not_judged_and_named(judged, analyses, decided):
    assert judged.weighing.not_judged == ("hours of work (work_h_a_day in [limits])",)
    assert decided.weighing.not_judged[0] == "bake score (at_least in [responses.score])"
    said = " ".join(" ".join(more_lines(decided, analyses)).split())
    assert "Not judged, for want of a limit: bake score (at_least in [responses.score]);" in said


def test_a_limit_that_cannot_be_reckoned_names_what_is_missing(windowed, analyses, kitchen, band):
    settings = kitchen.read(kitchen.WATERS + band + "\n[limits]\nwater_cost_a_year = 500\n")
    decision = decide(replace(windowed, settings=settings), analyses=analyses)
    assert not decision.weighing.several
    why = "water cost (balls_a_day in [kitchen] and formula.toml missing)"
    assert why in decision.weighing.blocked
    said = " ".join(" ".join(brief_lines(decision, analyses)).split())
    assert f"Not judged, though trial.toml sets a limit: {why}." in said


def test_a_score_with_a_limit_and_no_scores_is_named_as_not_judged(analyses, kitchen):
    """A kitchen that asks for a bake score and scored nothing must not read "all limits met"."""
    text = kitchen.WATERS.replace('title = "bake score"', 'title = "bake score"\nat_least = 6')
    given = WindowFound(5.35, 5.75, "ph", given=True, sentence="")
    limits, _, blocked = list_limits(kitchen.read(text), {"ph": analyses["ph"]}, given)
    assert [x.what for x in limits] == ["ph"]
    assert blocked == ("bake score (nothing could be analysed)",)


def test_nothing_is_recommended_where_none_meets_all_limits(windowed, analyses, kitchen, band):
    text = (kitchen.WATERS + band).replace('title = "bake score"',
                                           'title = "bake score"\nat_least = 9.5')  # fmt: skip
    decision = decide(replace(windowed, settings=kitchen.read(text)), analyses=analyses)
    assert decision.recommended == {}
    text = " ".join(decision.text().split())
    assert "of 10 new balls meet all limits at once; hardest to meet is bake score 9.5 or" in text
    assert "What is missing: a wider limit, or settings that were not tried yet." in text


def test_only_what_is_shown_to_be_beaten_leaves_the_trade_off(judged):
    """By hand over the draws: the winner is no worse in all of them but a few, and better."""
    weighing, found = judged.weighing, find_tradeoff(judged.weighing)
    assert found.judged == ("share inside", "bake score", "cost of water", "hours of work")
    assert set(found.kept) | set(found.beaten_by) == set(range(len(weighing.setting)))
    assert found.beaten_by  # 24 h is far outside the window, and 48 h is the same water
    share, score = weighing.joint.alone["ph"], weighing.joint.means["score"]
    for loser, winner in found.beaten_by.items():
        worse = (share[:, winner] < share[:, loser] - 0.1) | (
            score[:, winner] < score[:, loser] - 1.0)  # fmt: skip
        assert worse.mean() <= 0.05 / (len(weighing.setting) - 1)
        assert weighing.costs[winner] <= weighing.costs[loser]
    assert find_setting(judged.table, judged.recommended) in found.kept


def test_desirability_keeps_its_identities():
    x = np.linspace(0, 10, 7)
    assert combine(rise(x, low=2, target=8)) == pytest.approx(rise(x, low=2, target=8))
    assert combine(np.zeros(1), np.ones(1), np.ones(1)) == 0
    assert rise(np.array([5.0]), low=2, target=8, power=2) == pytest.approx(0.25)  # (1/2)^2
    assert peak(x, low=0, target=5, high=10) == pytest.approx(
        peak(10 - x, low=0, target=5, high=10)
    )


def test_desirability_is_another_view_and_says_so(judged, analyses, decided):
    assert find_desirability(decided.weighing) is None  # one limit needs no weighing
    found = find_desirability(judged.weighing)
    assert ((found.low <= found.middle) & (found.middle <= found.high)).all()
    dear = (judged.table["water"] == "bottled").to_numpy()
    assert (found.high[dear] == 0).all()
    said = " ".join(" ".join(more_lines(judged, analyses)).split())
    assert "Another view, no verdict: overall desirability (Derringer and Suich 1980) of" in said


def test_a_wrong_choice_costs_what_the_draws_make_of_it(judged, analyses):
    """By hand: the best rival's chance minus the chosen one's, averaged; 0.5 for a ball."""
    wrong = find_wrong(judged, analyses)
    joint, at = judged.weighing.joint, find_setting(judged.table, judged.recommended)
    rivals = judged.table["less_high"].to_numpy() >= 0
    loss = np.array([max(0.0, max(row[rivals]) - row[at]) for row in joint.every])
    assert wrong.share[0] == pytest.approx(loss.mean())
    assert wrong.lost[0] == pytest.approx(loss.mean() * 100 * 365.25 * 6 / 7)
    assert wrong.money[2] == pytest.approx(np.quantile(loss, 0.975) * 100 * 365.25 * 3 / 7)
    assert "a ball 0.5" in wrong.assumed


def test_a_cook_reads_at_most_35_lines_and_machines_get_all(judged, analyses):
    lines = brief_lines(judged, analyses)
    assert len(lines) <= 35 and max(map(len, lines)) <= 80
    text = " ".join(" ".join(lines).split())
    assert "which weighs more is yours to judge." in text
    assert "Stands until water, flour lot, cooler, mixer or meter change, or the" in text
    assert max(map(len, more_lines(judged, analyses))) <= 80
    facts = more_facts(judged, analyses)
    assert facts["chance_of_all"] == list(judged.chance_of_all)
    assert {"tradeoff", "desirability", "wrong_choice", "kept", "stands_until"} <= set(facts)


def test_the_report_gets_the_same_sentences(judged, analyses):
    said = told_sentences(judged, analyses)
    more = " ".join(" ".join(more_lines(judged, analyses)).split())
    assert len(said) >= 4
    for sentence in said:
        assert " ".join(sentence.split()) in more


def test_what_would_probably_never_be_settled_is_said_beside_what_would(trial):
    """Dropping the ends that no number of batches settles would make going on look cheap."""
    three = (0.01, 0.0, 0.05)
    some = WrongChoice(three, 1000, False, (10, 0, 50), (5, 0, 25), never=True)
    assert "More batches would probably never settle what is open;" in wrong_words(some, "")
    effort = count_effort(trial.frozen_plan, 6)
    both = replace(some, fewest=effort, most=effort, price=(1.0, 1.0))
    assert ", and is probably never done at one end of it;" in wrong_words(both, "")


def test_money_lost_and_money_spent_stand_on_one_footing(trial):
    """By hand: 840 for the batches; 6 in 1000 balls are 840 after 140 000, 50 after 16 800."""
    three = (0.012, 0.0, 0.1)
    effort = count_effort(trial.frozen_plan, 6)
    per = WrongChoice(three, 1000, False, (12, 0, 100), (6, 0, 50), fewest=effort, most=effort,
                      price=(840.0, 840.0))  # fmt: skip
    said = wrong_words(per, "USD")
    assert "would take 6 more batches, 840 USD once, rep" in wrong_words(per, "USD", brief=True)
    assert "840 USD once, repaid after 140000 balls or more, 17000 at the upper end; which" in said
    assert "score" not in said  # no maximum over many noisy means is told as a loss
    year = wrong_words(replace(per, a_year=True), "USD")
    assert "840 USD once, repaid after 140 years or more, 17 at the upper end;" in year
    free = wrong_words(replace(per, money=(0.0, 0.0, 0.0)), "USD")
    assert "repaid" not in free


def test_a_score_without_a_limit_is_said_to_take_no_part_at_once(decided, judged):
    """By hand over the table and the draws: one difference, of the two settings named."""
    (one,) = find_unasked(decided)
    table, at = decided.table, find_setting(decided.table, decided.recommended)
    rivals = table[(table["less_high"] >= 0) | (table.index == at)]
    assert one.of == len(rivals) and one.top == pytest.approx(rivals["score"].max())
    assert one.here == pytest.approx(table["score"][at])
    draws = decided.weighing.joint.means["score"]
    gain = draws[:, one.at] - draws[:, at]
    assert (one.more_low, one.more_high) == pytest.approx(tuple(np.quantile(gain, [0.025, 0.975])))
    (said,) = unasked_words(decided)
    assert said.startswith(
        "Bake score takes no part in this choice, for want of a limit (at_least in "
        f"[responses.score]): {one.here:.1f} here"
    )
    assert said in must_words(decided) and said in must_words(decided, brief=True)
    assert find_unasked(judged) == ()  # there it has a limit, and takes part
