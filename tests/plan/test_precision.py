"""What a plan will find: by algebra, against invented trials, and in words."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr
from scipy.stats import chi2, nct
from scipy.stats import t as student

from doughlab.cli import main
from doughlab.commands.ready import READY
from doughlab.errors import NotEstimable
from doughlab.plan.chances import smallest_difference
from doughlab.plan.foresee import ask, compare, foresee
from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import chance_words, count_units, plan_precision
from doughlab.settings import read_settings
from doughlab.stats.simulate import FixedDesign

S_BATCH, S_BALL = 0.05, 0.03  # as assumed in the invented trial


@pytest.fixture(scope="module")
def two_waters(without, change):
    """Two waters x 6 batches on one day, one pH ball at 24, 48, 72 h each; no session term."""
    small = without("mixing_water", "hydration", "score")
    water = replace(small.factors["water"], levels=("tap", "bottled"))
    return change(
        small,
        factors={**small.factors, "water": water},
        blocks={"days": 1, "batches_per_day": 12, "replicates": 6},
    )


def layout_of(settings, response="ph"):
    plan = build_plan(settings)
    return build_layout(settings, plan.batches, plan.balls, settings.responses[response])


def sight_of(settings, response="ph"):
    return foresee(settings, layout_of(settings, response), settings.responses[response])


def sight_without_sessions(settings):
    """On one day sessions hide in the holds, which are then not judged: as if there were none."""
    layout, own = layout_of(settings), settings.responses["ph"]
    terms = replace(choose_terms(settings, layout, own), not_estimable=())
    return foresee(settings, layout, own, terms=terms)


def only(seen):
    assert len(seen) == 1
    return seen[0]


# closed forms of the balanced split plot: expected mean squares are s2 + 3 sb2 between batches
# (12 - 2 = 10 df) and s2 within (2 x (12 - 2) = 20 df)


def test_water_over_all_holds_is_judged_between_batches(two_waters):
    seen = only(compare(sight_of(two_waters), two_waters.factors["water"]))
    assert seen.std_error == pytest.approx((2 / 6 * (S_BATCH**2 + S_BALL**2 / 3)) ** 0.5)
    assert seen.df == pytest.approx(10)
    assert seen.critical == pytest.approx(student.ppf(0.975, 10), rel=1e-6)


def test_water_at_one_hold_mixes_both_strata(two_waters):
    """Var = 2/6 x (MSb + 2 MSe)/3, df by Satterthwaite (1946) on the two mean squares."""
    seen = only(compare(sight_of(two_waters), two_waters.factors["water"], hold="48"))
    between, within = S_BALL**2 + 3 * S_BATCH**2, S_BALL**2
    total = between + 2 * within
    assert seen.std_error == pytest.approx((2 / 6 * total / 3) ** 0.5)
    assert seen.df == pytest.approx(total**2 / (between**2 / 10 + (2 * within) ** 2 / 20))


def test_hold_is_judged_within_batches(two_waters):
    seen = compare(sight_without_sessions(two_waters), two_waters.factors["hold"])
    assert [s.std_error for s in seen] == pytest.approx([(2 / 12 * S_BALL**2) ** 0.5] * 3)
    assert [s.df for s in seen] == pytest.approx([20] * 3)


def test_line_through_the_holds_is_the_difference_of_its_ends(two_waters):
    """Three equal steps: the ends of a least-squares line differ by the outer means' difference."""
    sight = sight_without_sessions(two_waters)
    line = only(compare(sight, two_waters.factors["hold"], contrast="slope"))
    assert (line.level, line.other) == ("72", "24")
    assert line.std_error == pytest.approx((2 / 12 * S_BALL**2) ** 0.5)
    assert line.critical == pytest.approx(student.ppf(0.975, 20), rel=1e-6)


def test_readings_of_a_ball_count_by_their_mean(two_waters, change):
    """Three readings with an SD of 0.06 add 0.06^2 / 3 to each ball (by algebra)."""
    noisy = replace(two_waters.assumed["ph"], reading_sd=0.06)
    settings = change(two_waters, assumed={"ph": noisy}, reading_method={"readings_per_ball": 3})
    seen = compare(sight_without_sessions(settings), settings.factors["hold"])
    assert seen[0].std_error == pytest.approx((2 / 12 * (S_BALL**2 + 0.06**2 / 3)) ** 0.5)


def test_days_and_sessions_add_what_is_assumed(kitchen, change):
    """Water set per day: two days of each level, so Var = 2/2 x (day + batch/6 + ball/18)."""
    water = replace(kitchen.factors["water"], set="day", levels=("tap", "bottled"))
    assumed = {"ph": replace(kitchen.assumed["ph"], day_sd=0.04)}
    settings = change(factors={**kitchen.factors, "water": water}, assumed=assumed,
                      blocks={"days": 4, "batches_per_day": 4, "replicates": 2})  # fmt: skip
    sight = sight_of(settings)
    assert sight.variances["block"] == pytest.approx(0.04**2)
    seen = only(compare(sight, water))
    wanted = 0.04**2 + S_BATCH**2 / 4 + S_BALL**2 / 12
    assert seen.std_error == pytest.approx(wanted**0.5, rel=0.01)


def test_published_cake_layout_has_the_published_degrees_of_freedom(kitchen, change):
    """Cochran and Cox (1957), 3 recipes x 15 batches x 6 temperatures: 42 and 210."""
    from doughlab.sections import Assumed, Blocks, Factor, Response

    factors = {
        "recipe": Factor("recipe", "batch", "category", ("A", "B", "C")),
        "temperature": Factor("temperature", "ball", "number", tuple("123456"), "temp_c",
                              values=(175, 185, 195, 205, 215, 225)),
    }  # fmt: skip
    cake = change(
        kitchen, factors=factors, questions=(),
        responses={"angle": Response("angle", "bakes", "angle_deg", margin=5)},
        assumed={"angle": Assumed("angle", 41.837037**0.5, 20.470899**0.5)},
        blocks=Blocks(kind="none", replicates=15, spares=0),
    )  # fmt: skip
    sight = sight_of(cake, "angle")
    recipe, temperature = (compare(sight, factors[n]) for n in ("recipe", "temperature"))
    assert {round(s.df, 6) for s in recipe} == {42} and len(recipe) == 3
    assert {round(s.df, 6) for s in temperature} == {210} and len(temperature) == 15
    # at the published variances the standard errors are the published ones (lme4, data `cake`)
    assert recipe[0].std_error == pytest.approx(2.456253, abs=5e-7)
    assert temperature[0].std_error == pytest.approx(0.9538437, abs=5e-8)


def test_score_rests_on_batch_bake_and_judges(two_waters, kitchen, change):
    """Var of a batch mean over 3 bakes and 4 judges: 0.16 + (0.25 + 1/4)/3 (by algebra)."""
    settings = change(two_waters, responses=kitchen.responses)
    seen = only(compare(sight_of(settings, "score"), settings.factors["water"]))
    assert seen.std_error == pytest.approx((2 / 6 * (0.16 + 0.5 / 3)) ** 0.5)
    assert seen.df == pytest.approx(10)


def test_a_score_of_one_ball_a_batch_has_the_judges_averaged_once(without, kitchen, change):
    """Var of a batch: 0.16 + 0.25 + 1/4 (by algebra), two waters x 6 batches, 10 df."""
    own = replace(kitchen.factors["water"], levels=("tap", "bottled"))
    settings = change(
        without("mixing_water", "hydration", "hold", "ph"), factors={"water": own}, questions=(),
        blocks={"days": 1, "batches_per_day": 12, "replicates": 6},
    )  # fmt: skip
    seen = only(compare(sight_of(settings, "score"), own))
    assert seen.std_error == pytest.approx((2 / 6 * (0.16 + 0.25 + 0.25)) ** 0.5)
    assert seen.df == pytest.approx(10)


def test_foreseen_score_is_that_of_the_full_model(two_waters, kitchen, change):
    """The model with ball and judge as random terms, fitted to strata that are as assumed.

    A response is built whose four strata have exactly the expected mean squares; the fit must
    then return the assumed variances, and the ranges that were foreseen from ball means.
    """
    from doughlab.plan.foresee import build_frame
    from doughlab.plan.model import choose_terms
    from doughlab.stats import fit_mixed

    settings = change(two_waters, responses=kitchen.responses)
    own = settings.responses["score"]
    plan = build_plan(settings)
    layout = build_layout(settings, plan.batches, plan.balls, own)
    terms = choose_terms(settings, layout, own)
    assert terms.random == ("batch", "ball", "judge")
    frame = build_frame(settings, layout, terms)
    frame["y"] = exact_strata(frame, {"batch": 0.16, "ball": 0.25, "judge": 1.0, "residual": 1.0})
    fit = fit_mixed(frame, terms.formula, random=list(terms.random))
    assert list(fit.variances) == pytest.approx([0.16, 0.25, 1.0, 1.0])
    row = fit.contrasts("water").iloc[0]
    seen = only(compare(foresee(settings, layout, own), settings.factors["water"]))
    assert (row["std_error"], row["df"]) == pytest.approx((seen.std_error, seen.df))
    assert row["ci_high"] - row["ci_low"] == pytest.approx(2 * seen.std_error * seen.critical)


def exact_strata(frame, variances):
    """Draw numbers and scale each stratum of the balanced layout to its expected mean square."""
    rng = np.random.default_rng(3)
    cell = pd.get_dummies(frame["water"].astype(str) + frame["hold"].astype(str)).to_numpy(float)
    judge = pd.get_dummies(frame["judge"]).to_numpy(float)
    batch = pd.get_dummies(frame["batch"]).to_numpy(float)
    ball = pd.get_dummies(frame["ball"]).to_numpy(float)
    seen = np.zeros((len(frame), 0))
    y = np.zeros(len(frame))
    s = variances
    expected = [
        (cell, 0.0),
        (judge, s["residual"] + ball.shape[1] * s["judge"]),
        (batch, s["residual"] + 4 * s["ball"] + 12 * s["batch"]),
        (ball, s["residual"] + 4 * s["ball"]),
        (np.eye(len(frame)), s["residual"]),
    ]
    for columns, square in expected:
        rest = columns - seen @ (seen.T @ columns)
        u, size, _ = np.linalg.svd(rest, full_matrices=False)
        own = u[:, size > 1e-8]
        draw = rng.normal(size=own.shape[1])
        y += own @ draw * (square * own.shape[1] / (draw @ draw)) ** 0.5
        seen = np.hstack([seen, own])
    return y


def test_smallest_difference_is_that_of_the_noncentral_t():
    """By scipy's noncentral t, where the wrong tail is below 1e-6: an independent way."""
    se, df, critical = np.array([0.2, 0.5]), np.array([10.0, 30.0]), np.array([2.4, 2.6])
    for chance in (0.8, 0.9):
        found = smallest_difference(se, df, critical, chance=chance)
        assert nct.sf(critical, df, found / se) == pytest.approx(chance, abs=1e-5)


def test_chance_to_show_same_by_integration(two_waters):
    """P(|d| + c s < margin), s on 10 df: integrated over chi-square with scipy."""
    line = plan_precision(two_waters, build_plan(two_waters)).table
    row = line[(line.term == "water") & (line.level == "")].iloc[0]
    x = np.linspace(1e-6, 60, 200_001)
    s = row.std_error * np.sqrt(x / row.df)
    room = np.maximum(0.1 - row.critical * s, 0.0) / row.std_error
    inside = np.where(room > 0, ndtr(room) - ndtr(-room), 0.0)
    assert row.same_if_zero == pytest.approx(
        np.trapezoid(inside * chi2.pdf(x, row.df), x), abs=2e-5
    )


# against invented trials


@pytest.mark.parametrize("response", ["ph", "score"])
def test_stated_chances_come_true(kitchen, response):
    """1200 invented trials for each line of the demo's table, fitted with the analysis' model.

    Truth: the assumed spreads; a difference as large as `found_80`, or none. A share of 1200 has
    a standard error of at most 0.0145; the band is three and a half of them.
    """
    plan = build_plan(kitchen)
    table = plan_precision(kitchen, plan).table
    layout = build_layout(kitchen, plan.batches, plan.balls, kitchen.responses[response])
    sight = foresee(kitchen, layout, kitchen.responses[response])
    frame, noise = invent(kitchen, layout, response, 1200)
    fixed = FixedDesign(frame, sight.terms.formula, random=list(sight.terms.random))
    rows = table[table.response == response]
    if response == "score":  # four times the rows: a batch line and a ball line will do
        rows = rows[rows.term.isin(["water", "hold"])]
    for row in rows.itertuples():
        at = dict.fromkeys(sight.terms.centres, 0.0)
        if row.level:
            at["hold"] = row.level
        first, last = row.contrast.split(" - ")
        if row.term in sight.terms.centres:
            asked = fixed.build_contrasts(row.term, at=dict(at))
            size = row.found_80 / float(np.ptp(frame[row.term]))
            effect, scale = frame[row.term].to_numpy() * size, float(np.ptp(frame[row.term]))
        else:
            asked = fixed.build_contrasts(row.term, at=at)
            effect, scale = (frame[row.term] == first).to_numpy() * row.found_80, 1.0
        place = 0 if scale != 1.0 else labels_of(asked).index({first, last})
        for truth, claim in ((effect, 0.8), (effect * 0.0, row.same_if_zero)):
            tests = fixed.test_many(noise + truth[:, None], terms=["hold"], contrasts=asked)
            low, high = (e[:, place] * scale for e in tests.intervals())
            if truth.any():
                share = np.mean((low > 0) | (high < 0))
            else:
                share = np.mean((low > -row.margin) & (high < row.margin))
            assert share == pytest.approx(claim, abs=0.05), (row.term, row.level, claim)


def labels_of(asked):
    return [set(label.split(" - ")) for label in asked.labels]


def invent(settings, layout, response, count):
    """Errors of trials from the assumed spreads, term by term, without the package's help."""
    rng = np.random.default_rng(20260302)
    frame = pd.DataFrame(layout)
    spread = {"ph": {"batch": 0.05, "ball": 0.03},
              "score": {"batch": 0.4, "ball": 0.5, "judge": 1.0}}[response]  # fmt: skip
    noise = np.zeros((len(frame), count))
    for name, sd in spread.items():
        codes, levels = pd.factorize(frame[name])
        noise += rng.normal(0, sd, (len(levels), count))[codes]
    if response == "score":
        noise += rng.normal(0, 1.0, noise.shape)
    for f in settings.factors.values():
        if len(f.levels) == 2:
            middle = sum(f.values) / 2
            frame[f.name] = [f.values[f.levels.index(v)] - middle for v in frame[f.name]]
        else:
            frame[f.name] = pd.Categorical(frame[f.name], categories=f.levels)
    return frame, noise


# in words


def test_demo_table_in_words(kitchen):
    text = str(plan_precision(kitchen, build_plan(kitchen)))
    assert text.splitlines()[:3] == [
        '                on          based on    finds 4 in 5  shows "same"',
        "  water         pH at 48 h  24 batches          0.10  6 in 10",
        "                bake score  24 batches           1.0  6 in 10",
    ]
    assert max(map(len, text.splitlines())) <= 80 and len(text.splitlines()) <= 15


def test_the_full_table_has_the_second_chance_the_range_and_half_a_margin(kitchen):
    precision = plan_precision(kitchen, build_plan(kitchen))
    lines = precision.text(full=True).splitlines()
    heads = "on 4 in 5 9 in 10 range same at 0 at half"
    assert " ".join(lines[0].split()) == heads
    assert lines[1].startswith("  water ") and "+-0.0" in lines[1] and lines[1].endswith("2 in 10")
    assert max(map(len, lines)) <= 80
    row = precision.table.iloc[0]
    assert row.half_width == pytest.approx(row.std_error * row.critical)
    assert row.found_80 < row.found_90 and row.same_if_half < row.same_if_zero


def test_a_plan_that_cannot_answer_says_so_and_what_would(without, change):
    """Three batches a water: the first line names the question, what is found, and what would do.

    The number that would do is checked by building that plan.
    """
    small = change(
        without("mixing_water", "hydration", "hold", "score"),
        blocks={"days": 3, "replicates": 3, "batches_per_day": 3},
    )
    warnings = plan_precision(small, build_plan(small)).warnings
    assert len(warnings) == 1
    assert warnings[0].startswith(
        'This plan cannot answer "Which water?" (pH): 3 batches for each level of water will find '
    )
    need = int(warnings[0].split(" at best. ")[1].split(" would find")[0])
    assert warnings[0].endswith(f"{need} would find 0.10.")
    for replicates, enough in ((need, True), (need - 2, False)):
        larger = change(small, blocks={"days": replicates, "replicates": replicates})
        line = plan_precision(larger, build_plan(larger)).lines[0]
        assert (line.chances.found_80 <= 0.1005) is enough


def test_a_weak_question_is_a_note_with_its_chance(kitchen, change):
    half = change(kitchen, blocks={"days": 3, "batches_per_day": 8})
    precision = plan_precision(half, build_plan(half))
    assert precision.warnings == ()
    note = next(n for n in precision.notes if "Which water?" in n)
    assert "is found" in note and "times in 100" in note and "4 times in 5" in note


@pytest.fixture(scope="module")
def scored(kitchen, without, change):
    """Three waters x 8 batches scored once each by two judges who differ by 2 points a ball."""
    asked = (replace(kitchen.questions[0], response="score"),)
    base = change(without("mixing_water", "hydration", "hold", "ph"), questions=asked,
                  panel={"judges": ("J1", "J2")},
                  blocks={"days": 4, "batches_per_day": 6, "replicates": 8})  # fmt: skip

    def make(batch_sd, judge_sd, margin=1.5):
        assumed = replace(kitchen.assumed["score"], batch_sd=batch_sd, judge_sd=judge_sd)
        score = replace(base.responses["score"], margin=margin)
        return change(base, assumed={"score": assumed}, responses={"score": score})

    return make


def test_a_weak_panel_is_said_with_the_judges_that_would_do(scored, change):
    """The number that would do is checked by planning with that panel and with one judge less."""
    settings = scored(0.3, 2.0)
    precision = plan_precision(settings, build_plan(settings))
    said = " ".join((*precision.warnings, *precision.notes))
    found = re.search(r"So would (\d+) judges instead of 2\.", said)
    assert found is not None, said
    for judges, enough in ((int(found[1]), True), (int(found[1]) - 1, False)):
        larger = change(settings, panel={"judges": tuple(f"J{i}" for i in range(judges))})
        line = plan_precision(larger, build_plan(larger)).lines[0]
        assert (line.chances.found_margin >= 0.795) is enough


def test_a_panel_that_cannot_mend_it_is_said_with_what_twelve_would_find(scored, change):
    settings = scored(1.2, 1.0)
    precision = plan_precision(settings, build_plan(settings))
    said = " ".join((*precision.warnings, *precision.notes))
    found = re.search(
        r"2 judges are a weak panel, but even 12 would find it (\d+) times in 100 only\.", said
    )
    assert found is not None, said
    twelve = change(settings, panel={"judges": tuple(f"J{i}" for i in range(12))})
    line = plan_precision(twelve, build_plan(twelve)).lines[0]
    assert round(100 * line.chances.found_margin) == int(found[1])


def test_a_question_without_a_batch_to_spare_names_the_reason(without, change):
    small = change(
        without("mixing_water", "hydration", "score"),
        blocks={"days": 1, "replicates": 1, "batches_per_day": 3},
    )
    precision = plan_precision(small, build_plan(small))
    assert precision.warnings == (
        'This plan cannot answer "Which water?" (pH): water: no batch is left over to judge by, so '
        "no range and no verdict. Mix each setting in two or more batches (replicates).",
    )
    assert np.isnan(precision.table.found_80.iloc[0]) and "  -" in str(precision)


def test_without_assumed_spreads_it_says_what_to_add(change):
    precision = plan_precision(change(assumed={}), build_plan(change(assumed={})))
    assert precision.lines == ()
    assert precision.warnings == ()
    assert precision.notes[0] == (
        "No spread is assumed for pH, so nothing is foreseen: add [assumed.ph] with batch_sd and "
        "ball_sd to trial.toml."
    )


def test_a_response_that_cannot_be_fitted_at_all_is_said_of_each_question(without, change):
    """One batch with one ball at each hold: three rows, three coefficients."""
    one = change(
        without("water", "mixing_water", "hydration", "score"),
        blocks={"days": 1, "replicates": 1},
    )
    asked = tuple(replace(q, primary=True) for q in one.questions)
    precision = plan_precision(change(one, questions=asked), build_plan(one))
    assert len(precision.warnings) == 1
    assert str(precision) == "nothing that can be compared, so nothing is foreseen"
    assert precision.warnings[0].startswith('This plan cannot answer "Which hold?" (pH): ')


def test_long_names_stay_within_80_columns(kitchen, change):
    long = replace(kitchen.factors["water"], title="water from the five possible sources of town")
    tall = replace(kitchen.responses["ph"], title="pH of the ball as it is read on the bench")
    settings = change(
        factors={**kitchen.factors, "water": long}, responses={**kitchen.responses, "ph": tall}
    )
    text = str(plan_precision(settings, build_plan(settings)))
    assert max(map(len, text.splitlines())) <= 80 and "water from" in text


def test_many_lines_are_shortened_on_the_screen_only(kitchen, change):
    many = {f"r{i}": replace(kitchen.responses["ph"], name=f"r{i}") for i in range(4)}
    assumed = {n: replace(kitchen.assumed["ph"], name=n) for n in many}
    settings = change(responses=many, assumed=assumed, questions=())
    precision = plan_precision(settings, build_plan(settings))
    shown = str(precision).splitlines()
    assert len(shown) == 15 and shown[-1].startswith("and ")
    assert len(precision.text().splitlines()) > 16
    assert repr(precision) == str(precision) and "<pre>" in precision._repr_html_()


def test_a_ball_spread_of_zero_is_refused(change, kitchen):
    assumed = {"ph": replace(kitchen.assumed["ph"], ball_sd=0.0)}
    settings = change(assumed=assumed)
    with pytest.raises(NotEstimable, match="Nothing varies so little"):
        sight_of(settings)


def test_comparison_with_one_level_uses_its_own_width(two_waters, kitchen, change):
    """Three waters against one: Dunnett (1955), 2 comparisons, narrower than all three pairs."""
    three = change(two_waters, factors={**two_waters.factors, "water": kitchen.factors["water"]},
                   blocks={"batches_per_day": 18})  # fmt: skip
    sight = sight_of(three)
    versus = compare(sight, three.factors["water"], contrast="vs:bottled")
    pairs = compare(sight, three.factors["water"])
    assert [(v.level, v.other) for v in versus] == [("tap", "bottled"),
                                                    ("reverse osmosis", "bottled")]  # fmt: skip
    assert student.ppf(0.975, versus[0].df) < versus[0].critical < pairs[0].critical


def test_same_plan_and_seed_give_the_same_numbers(without, change):
    """Few days: some lines come from invented trials, whose seed decides the last digits."""
    small = change(
        without("mixing_water", "hydration", "score"), blocks={"days": 2, "replicates": 4}
    )
    plan = build_plan(small)
    one, two, other = (plan_precision(small, plan, seed=seed).table for seed in (4, 4, 5))
    pd.testing.assert_frame_equal(one, two)
    assert not one.found_80.equals(other.found_80)
    assert one.found_80.to_numpy() == pytest.approx(other.found_80.to_numpy(), rel=0.1)


@pytest.fixture(scope="module")
def few_days(without, change):
    """Two mixing days: what is said of the hold comes from invented trials."""
    fewer = without("mixing_water", "hydration", "score")
    return change(fewer, blocks={"days": 2, "replicates": 4})


def test_chances_from_invented_trials_are_those_counted_in_others(few_days):
    """4000 other trials, each with its own error and range; bands of 3.5 errors of both.

    The layout's own model fits them; whether the range leaves zero out, or lies inside the margin,
    is counted without the algebra that the chances rest on.
    """
    settings = few_days
    plan = build_plan(settings)
    lines = [x for x in plan_precision(settings, plan).lines
             if x.least is not None and x.least.draws is not None]  # fmt: skip
    assert lines
    sight = sight_of(settings)
    rng = np.random.default_rng(77)
    noise = rng.normal(0, sight.variances["residual"] ** 0.5, (sight.fixed.n, 4000))
    for g in sight.prepared.groupings:
        own = rng.normal(0, sight.variances[g.name] ** 0.5, (len(g.levels), 4000))
        noise += own[g.codes]
    for line in lines:
        asked = ask(sight, line.factor, contrast=line.contrast, hold=line.hold or None)
        tests = sight.fixed.test_many(noise, terms=[], contrasts=asked.as_family())
        place = asked.pairs.index((line.least.level, line.least.other))
        error, half = tests.estimate[:, place], tests.half_widths()[:, place]
        chances, margin = line.chances, line.response.margin

        def found(size, error=error, half=half):
            return np.mean(np.abs(size + error) > half)

        def same(truth, error=error, half=half, margin=margin):
            return np.mean(np.abs(truth + error) + half < margin)

        for counted, said in (
            (found(chances.found_80), 0.8),
            (found(chances.found_90), 0.9),
            (found(margin), chances.found_margin),
            (same(0.0), chances.same_if_zero),
            (same(margin / 2), chances.same_if_half),
        ):
            spread = (0.25 / 4000 + 0.007**2) ** 0.5
            assert counted == pytest.approx(said, abs=3.5 * spread), line.factor.name
        assert chances.half_width == pytest.approx(np.median(half), rel=0.05)


@pytest.mark.parametrize("name", READY)
def test_a_ready_trial_is_foreseen_with_few_invented_trials(name, tmp_path, monkeypatch):
    """The work is bounded: so many invented trials in all, and 12 layouts reduced.

    The first week, a hold alone on four days, reaches its stated error after 1800 (1 s in all).
    """
    assert main(["new", str(tmp_path / "it"), "--for", name]) == 0
    settings = read_settings(tmp_path / "it" / "trial.toml")
    drawn, reduced = [], []
    once, start = FixedDesign.test_many, FixedDesign.__init__

    def test_many(self, y, **options):
        drawn.append(y.shape[1])
        return once(self, y, **options)

    def init(self, *given, **options):
        reduced.append(self)
        start(self, *given, **options)

    monkeypatch.setattr(FixedDesign, "test_many", test_many)
    monkeypatch.setattr(FixedDesign, "__init__", init)
    plan_precision(settings, build_plan(settings))
    assert sum(drawn) <= (2000 if name == "first-week" else 1500), drawn
    assert len(reduced) <= 12


def test_words_of_chances_and_counts():
    assert [chance_words(c) for c in (0.0, 0.099, 0.1, 0.55, 0.949, 0.95, 1.0)] == [
        "hardly", "hardly", "1 in 10", "6 in 10", "9 in 10", "surely", "surely",
    ]  # fmt: skip
    assert count_units(4, "day") == "4 mixing days"
