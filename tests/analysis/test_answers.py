"""Answers of trials that are under way: which hold, what cannot be told yet, what would settle."""

from contextlib import suppress

import pytest

from doughlab.analysis import analyse
from doughlab.errors import NotEstimable


@pytest.fixture(scope="module")
def tables(waters_ph):
    """Batch and hold of every ball."""
    balls = {b["ball_id"]: b for b in waters_ph.frozen_plan.balls}
    return {name: (b["batch_id"], b.get("hold_h")) for name, b in balls.items()}


@pytest.fixture(scope="module")
def waters_ph(kitchen):
    """24 batches on 4 days, pH only."""
    return kitchen.invent(kitchen.WATERS_PH, kitchen.usual_truth)


def only(trial, keep):
    return trial.with_readings([r for r in trial.records.readings if keep(r["ball_id"])])


def test_an_answer_at_the_only_recorded_hold_names_it(waters_ph, tables):
    result = analyse(only(waters_ph, lambda b: tables[b][1] == 24), "ph")
    answer = result.answer("water")
    assert [c.at for c in answer.comparisons] == ["24 h"] * 3
    assert answer.at_hold == 24.0 and not answer.averaged_over_holds
    said = " ".join(result.text().split())
    assert "tap - bottled at 24 h" in said
    assert "compared at 24 h; the hold of use, 48 h, is not recorded yet." in said


def test_a_hold_of_use_that_is_set_but_not_recorded_is_not_asked_for(kitchen, waters_ph, tables):
    def truth(x):
        return kitchen.usual_truth(x) + 0.2 * (x["hold"] == "72" and x["water"] == "tap")

    trial = kitchen.invent(kitchen.WATERS_PH, truth)
    said = " ".join(analyse(only(trial, lambda b: tables[b][1] != 48), "ph").text().split())
    assert "the hold of use, 48 h, is not recorded yet." in said
    assert "set use_hold_h" not in said


def test_means_at_the_only_recorded_hold_are_given_and_at_others_refused(waters_ph, tables):
    result = analyse(only(waters_ph, lambda b: tables[b][1] == 24), "ph")
    means = result.means("water", hold=24).set_index("level")["estimate"]
    plain = result.dataset.frame.groupby("water", observed=True)["y"].mean()
    assert means.to_dict() == pytest.approx({str(k): v for k, v in plain.items()})
    with pytest.raises(NotEstimable, match="nothing is recorded at 48 h yet"):
        result.means("water", hold=48)


def test_every_hold_recorded_is_said_as_before(waters_ph):
    result = analyse(waters_ph, "ph")
    assert not any("not recorded yet" in n for n in result.notes)


@pytest.mark.parametrize("batches", range(5, 13))
def test_what_a_few_batches_cannot_tell_has_no_range(waters_ph, tables, batches):
    """Below one degree of freedom a range is millions of pH wide: "cannot be told yet"."""
    names = [b["batch_id"] for b in waters_ph.frozen_plan.batches][:batches]
    result = analyse(only(waters_ph, lambda b: tables[b][0] in names), "ph")
    found = [c for a in result.answers for c in a.comparisons]
    for name in result.settings.factors:
        with suppress(NotEstimable):
            assert (result.means(name)["df"] >= 1).all()
    assert all(c.df >= 1 and c.ci_high - c.ci_low < 14 for c in found)
    said = result.text()
    assert "mixing_water" not in said
    for a in result.answers:
        assert bool(a.comparisons) != bool(a.unanswered)
        if a.unanswered:
            assert "yet" in a.unanswered or "no verdict" in a.unanswered


def test_seven_batches_cannot_tell_the_hold_yet(waters_ph, tables):
    names = [b["batch_id"] for b in waters_ph.frozen_plan.batches][:7]
    result = analyse(only(waters_ph, lambda b: tables[b][0] in names), "ph")
    answer = result.answer("hold")
    if answer.comparisons:
        assert min(c.df for c in answer.comparisons) >= 1
    else:
        assert "cannot be told yet" in answer.unanswered or "no verdict" in answer.unanswered
        assert "for hold" not in result.text().split("Compared", 1)[-1].split("Note", 1)[0]
