"""What single batches, days and judges do to the answers; nothing is ever dropped."""

from dataclasses import replace

import numpy as np
import pytest

from doughlab.analysis import analyse
from doughlab.analysis.contrasts import FIXED, compare_levels
from doughlab.analysis.influence import joined_or, leave_out
from doughlab.analysis.models import fit_model
from doughlab.errors import InputError, UnknownName
from doughlab.stats.influence import NOT_ESTIMABLE


def fit_by_hand(model, group, level):
    """The planned model on the records of the other groups."""
    frame = model.dataset.frame
    dataset = replace(model.dataset, frame=frame[frame[group].astype(str) != level])
    return fit_model(model.settings, dataset, model.terms)


def balls_of(trial, batches):
    return [b["ball_id"] for b in trial.frozen_plan.balls if b["batch_id"] in batches]


@pytest.mark.parametrize("group", ["batch", "block", "session"])
def test_differences_without_a_group_are_those_fitted_by_hand(ph, group):
    found = ph.checks.without(group)
    levels = sorted(ph.dataset.frame[group].astype(str).unique())
    assert sorted(found.table["without"].unique()) == levels
    primary = [a for a in ph.answers if a.primary]
    before = [c.verdict for a in primary for c in a.comparisons]
    for level in levels[:6]:
        own = found.table[found.table["without"] == level]
        hand = fit_by_hand(ph.model, group, level)
        wanted = [
            c
            for a in primary
            for c in compare_levels(
                hand,
                ph.settings.factor(a.question.factor),
                contrast=a.question.contrast,
                hold=None if a.at_hold is None else ph.settings.hold.level_of(a.at_hold),
            )
        ]
        values = np.array([[getattr(c, name) for name in FIXED] for c in wanted])
        np.testing.assert_allclose(own[list(FIXED)].to_numpy(float), values, rtol=1e-8)
        assert own["n"].tolist() == [c.basis.n for c in wanted]
        assert own["after"].tolist() == [c.verdict for c in wanted]
        assert own["before"].tolist() == before


def test_a_batch_left_out_is_a_batch_never_recorded(waters_trial, ph):
    """From the records on: the same trial without the readings of one batch."""
    rest = analyse(waters_trial.lose(*balls_of(waters_trial, {"B07"})), "ph")
    table = ph.checks.influence.table
    own = table[table["without"] == "B07"].set_index("contrast")
    for c in rest.answer("water").comparisons:
        assert own.loc[c.words, "estimate"] == pytest.approx(c.estimate, rel=1e-8)
        assert own.loc[c.words, "ci_low"] == pytest.approx(c.ci_low, rel=1e-8)
        assert own.loc[c.words, "after"] == c.verdict


def test_table_has_the_fixed_columns(ph):
    table = ph.checks.influence.table
    first = ["without", "term", "level", "contrast", *FIXED, "unit", "n"]
    assert list(table.columns) == [*first, "change", "share", "before", "after", "changed"]
    whole = {c.words: c for c in ph.answer("water").comparisons}
    row = table.iloc[0]
    assert row["change"] == pytest.approx(row["estimate"] - whole[row["contrast"]].estimate)
    assert row["share"] == pytest.approx(row["change"] / whole[row["contrast"]].std_error)


@pytest.fixture(scope="module")
def carried(kitchen):
    """Tap lies 0.05 above bottled, and one bottled batch 0.2 higher hides it."""
    trial = kitchen.invent(
        kitchen.PLAIN,
        lambda levels: 5.5 + 0.05 * (levels["water"] == "tap"),
        spread=kitchen.Spread(batch=0.01, day=0.0, ball=0.01),
    )
    frame = analyse(trial, "ph").dataset.frame
    name = str(frame.loc[frame["water"] == "bottled", "batch"].iloc[-1])
    high = set(balls_of(trial, {name}))
    rows = [{**r, "ph": r["ph"] + 0.2 * (r["ball_id"] in high)} for r in trial.records.readings]
    return analyse(trial.with_readings(rows), "ph"), name


def test_the_batch_that_decides_is_named_with_its_numbers(carried):
    result, name = carried
    found = result.checks.influence
    assert found.decisive[0] == name
    whole = result.answer("water").comparisons[0]
    row = found.table.set_index("without").loc[name]
    assert (whole.verdict, row["after"]) == ("not settled", "same")
    sentence = next(s for s in found.sentences if s.startswith(f"Without {name}"))
    assert sentence == (
        f"Without {name} tap - bottled would be {row['estimate']:+.2f} "
        f"({row['ci_low']:+.2f} to {row['ci_high']:+.2f}) instead of {whole.estimate:+.2f} "
        f"({whole.ci_low:+.2f} to {whole.ci_high:+.2f}); its verdict would change from "
        "not settled to same. Used all the same."
    )
    assert found.line == f"without one of 10 batches: 1 of 1 verdicts could change ({name})"
    assert found.study.table.set_index("level")["statistic"].idxmax() == name
    assert name in set(result.dataset.frame["batch"])
    assert result.fit.n_used == len(result.dataset.frame)


def test_where_no_verdict_hangs_on_a_batch_the_largest_shift_is_told(kitchen):
    trial = kitchen.invent(
        kitchen.PLAIN,
        lambda levels: 5.5 + 0.5 * (levels["water"] == "tap"),
        spread=kitchen.Spread(batch=0.01, day=0.0, ball=0.01),
    )
    found = analyse(trial, "ph").checks.influence
    worst = found.table.loc[found.table["change"].abs().idxmax()]
    assert found.decisive == []
    assert found.sentences == ()
    assert found.line.startswith("without one of 10 batches: no verdict changes; largest shift ")
    assert found.line.endswith(f"({worst['without']})")


def test_nothing_is_fitted_again_until_it_is_looked_at(waters_trial):
    result = analyse(waters_trial, "ph")
    assert str(result) and result.text() and result._repr_html_()
    said = [*result.noticed, *result.notes]
    assert said and not any(s.startswith("Without ") for s in said)
    assert "influence" not in vars(result.checks)
    lines = str(result.checks).splitlines()
    assert [line for line in lines if line.startswith("without one of")] == [
        result.checks.influence.line
    ]
    assert len(lines) <= 15 and max(map(len, lines)) <= 80
    assert len(str(result).splitlines()) <= 15


def test_judges_of_a_score_can_be_left_out(score):
    found = score.checks.without("judge")
    hand = fit_by_hand(score.model, "judge", "J2")
    own = found.study.omissions[1]
    assert own.level == "J2"
    np.testing.assert_allclose(own.fit.variances, hand.fit.variances, rtol=1e-8, atol=1e-12)
    assert found.line.startswith("without one of 3 judges: ")


def test_a_level_that_only_one_batch_carries_goes_with_it(plain_trial):
    frame = analyse(plain_trial, "ph").dataset.frame
    bottled = sorted(frame.loc[frame["water"] == "bottled", "batch"].unique())
    result = analyse(plain_trial.lose(*balls_of(plain_trial, set(bottled[1:]))), "ph")
    found = result.checks.influence
    row = found.table.set_index("without").loc[bottled[0]]
    assert row["after"] == NOT_ESTIMABLE and row["changed"]
    assert np.isnan(row["estimate"]) and row["n"] == 0
    assert found.sentences[0] == (
        f"Without {bottled[0]} tap - bottled at 48 h could not be compared at all."
    )
    assert any("no row has water bottled" in note for note in found.notes)


def test_a_group_that_is_not_there_is_refused(ph, plain):
    with pytest.raises(UnknownName, match="Did you mean 'batch'"):
        ph.checks.without("batches")
    with pytest.raises(UnknownName, match="judge"):
        ph.checks.without("judge")
    with pytest.raises(InputError, match="has one level"):
        leave_out(plain.model, "block")


def test_one_batch_has_no_influence_to_speak_of(carried):
    result, _ = carried
    frame = result.dataset.frame
    one = frame.assign(batch="B01")
    checks = replace(
        result.checks, model=replace(result.model, dataset=replace(result.dataset, frame=one))
    )
    assert checks.influence is None
    assert "without one" not in str(checks)


def test_long_lists_of_names_are_cut():
    assert joined_or(["B1"]) == "B1"
    assert joined_or([f"B{i}" for i in range(1, 8)]) == "B1, B2, B3, B4, B5 and 2 more"
