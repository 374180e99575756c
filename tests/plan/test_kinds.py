"""Every kind of plan: what it mixes, what stays true of it, and what is said about it."""

from collections import Counter
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughlab.errors import DoughlabError, PlanError
from doughlab.plan.facts import describe_plan
from doughlab.plan.latin import draw_square
from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.order import make_rng
from doughlab.plan.plan import build_plan
from doughlab.plan.searching import list_terms, searched_factors
from doughlab.plan.steps import count_crossed, step_runs
from doughlab.sections import Factor
from doughlab.settings import parse_settings

HEAD = """
format = 1
name = "Invented kitchen"
code = "INV"
source = "invented"
seed = {seed}

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
balls = {balls}

[responses.bake]
table = "scores"
column = "score"
kind = "score"
unit = "score"
margin = 1

[panel]
judges = ["J1", "J2", "J3"]
samples_per_session = 6

[rubric.crust]
title = "crust"

[assumed.ph]
batch_sd = 0.05
ball_sd = 0.03

[assumed.bake]
batch_sd = 0.4
ball_sd = 0.5
judge_sd = 1.0

[blocks]
replicates = {replicates}
spares = {spares}
start_on = "2026-03-02"
batches_per_day = {a_day}
"""

NUMBERS = {
    "hydration": ("[60, 66]", "pct"),
    "salt": ("[2, 3]", "pct"),
    "yeast": ("[0.2, 0.4]", "pct"),
}


def category(name, *levels, per="batch"):
    shown = ", ".join(f'"{v}"' for v in levels)
    return f'\n[factors.{name}]\nset = "{per}"\nkind = "category"\nlevels = [{shown}]\n'


def number(name):
    levels, unit = NUMBERS[name]
    return (
        f'\n[factors.{name}]\nset = "batch"\nkind = "number"\nlevels = {levels}\nunit = "{unit}"\n'
    )


HOLD = '\n[factors.hold]\nset = "ball"\nkind = "number"\nlevels = [24, 48]\nunit = "h"\n'
TWO = "".join(category(n, "low", "high") for n in ("oil", "malt", "flour", "sugar"))
PAIR = number("hydration") + number("salt")
THREE = PAIR + number("yeast")

# name: (factors, [plan], combinations of one replicate, batches mixed once)
KINDS = {
    "full": (category("water", "tap", "well", "ro") + HOLD, 'design = "full"', 3, 0),
    "full with middles": (PAIR + HOLD, 'design = "full"\ncentres = 3', 4, 3),
    "half": (TWO + HOLD, 'design = "fraction"', 8, 0),
    "quarter": (TWO + category("lid", "on", "off") + HOLD, 'design = "fraction"\nruns = 8', 8, 0),
    "fraction by numbers": (
        THREE + HOLD, 'design = "fraction"\ngenerators = ["yeast = hydration*salt"]\ncentres = 2',
        4, 2,
    ),
    "composite": (PAIR + HOLD, 'design = "central-composite"', 8, 5),
    "face-centred": (PAIR, 'design = "central-composite"\nalpha = "face"\ncentres = 2', 8, 2),
    "orthogonal": (PAIR, 'design = "central-composite"\nalpha = "orthogonal"', 8, 5),
    "Box-Behnken": (THREE + HOLD, 'design = "box-behnken"', 12, 3),
    "Latin square": (category("water", *"abcd") + HOLD, 'design = "latin-square"', 16, 0),
    "steps": (TWO, 'design = "steps"', 5, 0),
}  # fmt: skip


def read(name, *, seed=7, replicates=1, balls=1, spares=1, a_day=6, days=""):
    factors, plan, _, _ = KINDS[name]
    head = HEAD.format(seed=seed, replicates=replicates, balls=balls, spares=spares, a_day=a_day)
    found, problems = parse_settings(head + days + factors + f"\n[plan]\n{plan}\n")
    assert found is not None, [str(p) for p in problems]
    return found


def levels_of(settings_, batch):
    return {f.name: f.level_of(batch[f.column]) for f in settings_.factors_set("batch")}


@settings(max_examples=20)
@given(
    name=st.sampled_from(list(KINDS)),
    seed=st.integers(0, 10_000),
    replicates=st.integers(1, 2),
    balls=st.integers(1, 2),
    spares=st.integers(0, 2),
    a_day=st.integers(4, 8),
)
def test_every_plan_keeps_what_a_plan_promises(name, seed, replicates, balls, spares, a_day):
    """No pierced ball baked; ids once; counts as published; orders whole; the same each time."""
    asked = read(name, seed=seed, replicates=replicates, balls=balls, spares=spares, a_day=a_day)
    plan = build_plan(asked)
    _, _, runs, once = KINDS[name]
    assert len(plan.batches) == runs * replicates + once
    check_promises(asked, plan, a_day)


@settings(max_examples=12)
@given(
    seed=st.integers(0, 10_000),
    runs=st.integers(8, 10),
    model=st.sampled_from(["lines", "pairs"]),
    criterion=st.sampled_from(["D", "I"]),
    balls=st.sampled_from(["", "\nballs = 2"]),
    banned=st.booleans(),
)
def test_every_searched_plan_keeps_them_too(seed, runs, model, criterion, balls, banned):
    text = HEAD.format(seed=seed, replicates=1, balls=1, spares=1, a_day=5)
    text += category("water", "tap", "well") + category("oil", "low", "high") + HOLD
    plan = f'design = "search"\nruns = {runs}\nmodel = "{model}"\ncriterion = "{criterion}"'
    text += f"\n[plan]\n{plan}{balls}\n"
    text += '\n[[forbidden]]\nwater = "well"\noil = "high"\n' if banned else ""
    asked, problems = parse_settings(text)
    assert asked is not None, problems
    plan = build_plan(asked)
    assert len(plan.batches) == runs
    mixed = {(b["water"], b["oil"]) for b in plan.batches}
    assert (("well", "high") in mixed) == (not banned)
    sizes = Counter(b["block"] for b in plan.batches).values()
    assert max(sizes) - min(sizes) <= 1
    check_promises(asked, plan, 5)


def check_promises(asked, plan, a_day):
    ids = [b["ball_id"] for b in plan.balls]
    assert len(set(ids)) == len(ids)
    assert len({b["batch_id"] for b in plan.batches}) == len(plan.batches)
    assert {b["batch_id"] for b in plan.balls} == {b["batch_id"] for b in plan.batches}
    steps = {}
    for row in plan.schedule:
        steps.setdefault(row["item"], set()).add(row["step"])
    for ball in plan.balls:
        own = steps.get(ball["ball_id"], set())
        assert not {"read", "bake"} <= own  # a pierced ball is never baked
        assert ("bake" in own) == (ball["purpose"] == "bake")
        assert (ball["blind_code"] is not None) == (ball["purpose"] == "bake")
    for session in plan.sessions:
        baked = {b["ball_id"] for b in plan.balls
                 if b["session"] == session and b["purpose"] == "bake"}  # fmt: skip
        for order in plan.serving_orders(session).values():
            assert set(order) == baked and len(order) == len(baked)
    per_day = Counter(b["block"] for b in plan.batches)
    assert max(per_day.values()) <= a_day
    assert build_plan(asked).batches == plan.batches


@settings(max_examples=12)
@given(name=st.sampled_from(["full", "half", "quarter"]), seed=st.integers(0, 10_000))
def test_days_are_balanced_as_far_as_arithmetic_allows(name, seed):
    """Two replicates on two days: every level stands on each day as often as on the other."""
    plan = build_plan(read(name, seed=seed, replicates=2, a_day=8))
    asked = plan.settings
    days = {}
    for b in plan.batches:
        days.setdefault(b["block"], []).append(levels_of(asked, b))
    for f in asked.factors_set("batch"):
        for rows in days.values():
            counts = [sum(r[f.name] == v for r in rows) for v in f.levels]
            assert max(counts) - min(counts) <= 1


@settings(max_examples=15)
@given(n=st.integers(3, 9), seed=st.integers(0, 10_000))
def test_squares_have_every_setting_once_in_each_row_and_column(n, seed):
    square = draw_square(n, make_rng(seed, "x"))
    assert all(sorted(line) == list(range(n)) for line in (*square, *zip(*square, strict=True)))
    if n % 2 == 0:  # Williams (1949): each follows each other once
        follows = Counter(pair for row in square for pair in pairwise(row))
        assert set(follows.values()) == {1} and len(follows) == n * (n - 1)


def test_a_square_stands_in_the_order_of_mixing():
    plan = build_plan(read("Latin square"))
    at = {(b["block"], b["order"]): b["water"] for b in plan.batches}
    for place in range(1, 5):
        assert sorted(at[(f"D{d}", place)] for d in range(1, 5)) == list("abcd")
    layout = build_layout(plan.settings, plan.batches, plan.balls, plan.settings.responses["ph"])
    terms = choose_terms(plan.settings, layout, plan.settings.responses["ph"])
    assert terms.fixed == ("block", "order", "water", "hold", "water:hold")
    assert terms.not_estimable == ()


def test_corners_and_outer_batches_stand_on_days_of_their_own():
    plan = build_plan(read("composite"))
    wet = plan.settings.factors["hydration"]
    kinds = {}
    for b in plan.batches:
        codes = [round((b[f.column] - sum(f.span) / 2) / (f.span[1] - sum(f.span) / 2), 1)
                 for f in (wet, plan.settings.factors["salt"])]  # fmt: skip
        kind = "corner" if all(abs(c) == 1 for c in codes) else "outer" if any(codes) else ""
        kinds.setdefault(b["block"], set()).add(kind)
    assert all(len(found - {""}) == 1 for found in kinds.values())


def test_days_that_are_too_few_take_corners_and_outer_batches_together():
    plan = build_plan(read("face-centred", a_day=10, days="days = 1\n"))
    assert {b["block"] for b in plan.batches} == {"D1"}


def terms_of(name, **changed):
    plan = build_plan(read(name, **changed))
    response = plan.settings.responses["ph"]
    layout = build_layout(plan.settings, plan.batches, plan.balls, response)
    return choose_terms(plan.settings, layout, response)


def test_no_two_terms_of_a_fraction_are_aliases():
    """Half of 2^4, I = ABCD: of each pair of aliased pairs one stands in the model, and it says
    which stands for which (table 4.3: AB=CD AC=BD AD=BC)."""
    terms = terms_of("half", replicates=2)
    pairs = {frozenset(t.split(":")) for t in terms.fixed if ":" in t and "hold" not in t}
    four = frozenset({"oil", "malt", "flour", "sugar"})
    assert len(pairs) == 3
    assert all(four - pair not in pairs for pair in pairs)
    assert (
        "oil x malt cannot be told from flour x sugar: what shows for oil x malt may come from it; "
        "it is not in the model and taken as nil." in terms.notes
    )


def test_a_setting_that_is_mixed_up_with_a_pair_is_named():
    terms = terms_of("fraction by numbers", replicates=2)
    assert (
        "yeast cannot be told from hydration x salt: what shows for yeast may come from it; it is "
        "not in the model and taken as nil." in terms.notes
    )
    assert (
        "bend of hydration cannot be told from bend of salt and bend of yeast: what shows for bend "
        "of hydration may come from them; they are not in the model and taken as nil."
        in terms.notes
    )


def test_surfaces_are_fitted_with_slopes_bends_and_products():
    terms = terms_of("composite")
    assert set(terms.fixed) >= {
        "hydration", "salt", "I(hydration ** 2)", "I(salt ** 2)", "hydration:salt",
    }  # fmt: skip
    assert terms.centres["hydration"] == 63.0 and terms.notes == ()


SAID = {
    "full": (),
    "full with middles": (
        "3 batches in the middle of hydration, salt: they show whether anything bends, not which "
        "of the numbers does",
    ),
    "half": (
        "8 of the 16 combinations of two settings each (a half; resolution IV): single settings "
        "are told from pairs, but not every pair from every other",
        "never changes (defining words): oil x malt x flour x sugar",
        "not told apart (aliases): oil x malt = flour x sugar; oil x flour = malt x sugar; oil x "
        "sugar = malt x flour",
    ),
    "composite": (
        "4 corners, 4 outer batches and 5 in the middle (central composite); the outer ones 1.414 "
        "half ranges from the middle (rotatable: equally sure in every direction)",
        "rounded to what can be set: hydration 58.8, 60, 63, 66, 67.2; salt 1.79, 2, 2.5, 3, 3.21",
    ),
    "Box-Behnken": (
        "12 batches with some numbers at an end and the others in the middle, 3 with all in the "
        "middle (Box-Behnken); none has all numbers at an end at once",
        "rounded to what can be set: hydration 60, 63, 66; salt 2, 2.5, 3; yeast 0.2, 0.3, 0.4",
    ),
    "Latin square": (
        "every setting is mixed on every day, and once at each place of the day in each square (a "
        "Latin square)",
    ),
    "steps": (
        "one setting is moved at a time from oil low, malt low, flour low, sugar low: whether "
        "settings change each other cannot be seen",
        "crossed, the same answers would take about 4 batches instead of 5, and show how settings "
        "change each other",
    ),
}


@pytest.mark.parametrize("name", SAID)
def test_the_kind_of_plan_is_said(name):
    asked = read(name)
    facts = describe_plan(asked, build_plan(asked))
    assert facts.kind == SAID[name]
    assert max(map(len, str(facts).splitlines())) <= 80


@pytest.mark.parametrize("k", [2, 3, 4, 6])
@pytest.mark.parametrize("each", [2, 4, 8])
def test_steps_cost_half_the_factors_and_one_more(k, each):
    """k factors of two settings, r batches of each run: steps take r (k + 1) batches, a crossed
    plan 2 r, evenly over each pair: 4 ceil(2 r / 4). Algebra: 4 s^2 / N = 2 s^2 / r."""
    factors = [Factor(f"f{i}", "batch", "category", ("-", "+")) for i in range(k)]
    batches = [row for row in step_runs(factors) for _ in range(each)]
    assert len(batches) == each * (k + 1)
    assert count_crossed(factors, batches) == 4 * -(-2 * each // 4)


REFUSED = [
    ("half", {"design": "fraction", "generators": ("sugar = oil+malt",)},
     "trial.toml, [plan] generators: 'sugar = oil+malt' cannot be read. Write it as \"flour = "
     'water*salt".'),
    ("half", {"design": "fraction", "generators": ("sugar = oil*mlat",)},
     "trial.toml, [plan] generators: factor of two settings set per batch 'mlat' is not known. Did "
     "you mean 'malt'? Known: flour, malt, oil, sugar."),
    ("half", {"design": "fraction", "generators": ("sugar = oil*malt", "flour = oil*sugar")},
     "trial.toml, [plan] generators: 'flour = oil*sugar' uses a factor that another generator "
     "makes. On the right only these stand: oil, malt."),
    ("half", {"design": "fraction", "generators": ("sugar = oil*oil",)},
     "trial.toml, [plan] generators: 'sugar = oil*oil' names a factor twice. Take one away."),
    ("half", {"design": "fraction", "generators": ("sugar = oil*malt", "flour = oil*malt")},
     "trial.toml, [plan] generators: flour and sugar would always change together. Change one "
     "generator."),
    ("half", {"design": "fraction", "runs": 12},
     "trial.toml, [plan]: runs = 12 is no fraction of 16 combinations of 4 factors. Choose 8."),
    ("composite", {"design": "fraction"},
     "trial.toml, [plan]: a fraction is cut from three or more factors of two settings, set per "
     'batch; found 2. Take design = "fraction" away.'),
    ("half", {"design": "full", "centres": 2},
     "trial.toml, [plan]: centres are batches in the middle of numbers that are set per batch; "
     "there is none. Take centres away."),
    ("Latin square", {"design": "search"},
     "trial.toml, [plan]: a search needs to know how many batches you can mix. Write runs = 12, or "
     "batches = [4, 4, 4] for each mixing day."),
    ("Latin square", {"design": "search", "batches": (9,)},
     "trial.toml, [plan]: batches has a day of 9; 6 fit one. Spread them over more days, or raise "
     "batches_per_day in [blocks]."),
]  # fmt: skip


@pytest.mark.parametrize(("name", "plan", "words"), REFUSED)
def test_plans_that_cannot_be_are_refused_with_a_way_out(name, plan, words):
    asked = read(name)
    blank = replace(asked.plan, generators=(), runs=None, centres=None)
    with pytest.raises(DoughlabError) as error:
        build_plan(replace(asked, plan=replace(blank, **plan)))
    assert str(error.value) == words


@pytest.mark.parametrize(
    ("blocks", "words"),
    [
        ({"days": 3},
         "A Latin square of 4 settings takes 4 mixing days, and 4 with replicates = 1; found days "
         "= 3. Set days = 4 in [blocks]."),
        ({"batches_per_day": 3},
         "A Latin square of 4 settings mixes 4 batches a day; 3 fit one. Take settings away, or "
         "raise batches_per_day in [blocks]."),
    ],
)  # fmt: skip
def test_squares_that_do_not_fit_are_refused(blocks, words):
    asked = read("Latin square")
    with pytest.raises(PlanError) as error:
        build_plan(replace(asked, blocks=replace(asked.blocks, **blocks)))
    assert str(error.value) == words


def test_searched_plans_keep_their_counts_and_forbidden_pairs():
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=1, a_day=6)
    text += category("water", "tap", "well", "ro") + number("hydration") + HOLD
    text += '\n[plan]\ndesign = "search"\nbatches = [4, 3, 3]\nmodel = "pairs"\n'
    text += '\n[[forbidden]]\nwater = "ro"\nhydration = 66\n'
    asked, problems = parse_settings(text)
    assert asked is not None, problems
    plan = build_plan(asked)
    assert sorted(Counter(b["block"] for b in plan.batches).values()) == [3, 3, 4]
    assert not any(b["water"] == "ro" and b["hydration_pct"] == 66 for b in plan.batches)
    assert {b["water"] for b in plan.batches} == {"tap", "well", "ro"}
    assert build_plan(asked).balls == plan.balls
    (said,) = describe_plan(asked, plan).kind
    assert said.startswith(
        "searched for single settings and how they change each other: the settings as sharp as "
        "possible (D-criterion); D-efficiency "
    )


def test_searched_balls_take_as_many_settings_as_a_batch_holds():
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=0, a_day=6)
    text += category("water", "tap", "well") + HOLD.replace("[24, 48]", "[24, 48, 72]")
    text += '\n[plan]\ndesign = "search"\nbatches = [6, 6]\nballs = 2\n'
    asked, _ = parse_settings(text)
    plan = build_plan(asked)
    held = {}
    for ball in plan.balls:
        held.setdefault(ball["batch_id"], []).append(ball["hold_h"])
    assert all(len(set(own)) == 2 and len(own) == 4 for own in held.values())
    pairs = Counter(frozenset(own) for own in held.values())
    assert set(pairs) == {frozenset(c) for c in combinations((24.0, 48.0, 72.0), 2)}


@pytest.mark.parametrize(("model", "pairs"), [("lines", []), ("pairs", ["water:oil"])])
def test_the_model_of_a_searched_plan_is_the_one_it_was_searched_for(model, pairs):
    """By definition; a hold that every batch takes is no part of the search."""
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=0, a_day=6)
    text += category("water", "tap", "well") + category("oil", "low", "high") + HOLD
    text += f'\n[plan]\ndesign = "search"\nruns = 12\nmodel = "{model}"\n'
    asked, _ = parse_settings(text)
    plan = build_plan(asked)
    ph = asked.responses["ph"]
    terms = choose_terms(asked, build_layout(asked, plan.batches, plan.balls, ph), ph)
    held = ["water:hold", "oil:hold"]
    assert list(terms.fixed) == ["block", "water", "oil", "hold", *pairs, *held]
    said = (
        "water x oil: the plan is searched for single settings; it is not in the model and taken "
        "as nil."
    )
    assert (said in terms.notes) == (model == "lines")


def test_a_curve_with_a_forbidden_end_is_searched_with_its_pairs():
    """Rank by numpy: 1, two mills, the curve and its bend, and a slope more for two mills: 7."""
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=0, a_day=12)
    text += category("flour", "a", "b", "c") + number("hydration")
    text += '\n[plan]\ndesign = "search"\nruns = 12\nmodel = "curves"\n'
    asked, _ = parse_settings(text + '\n[[forbidden]]\nflour = "c"\nhydration = 66\n')
    plan = build_plan(asked)
    ph = asked.responses["ph"]
    terms = choose_terms(asked, build_layout(asked, plan.batches, plan.balls, ph), ph)
    assert terms.fixed == ("flour", "hydration", "I(hydration ** 2)", "flour:hydration")
    wet = np.array([(b["hydration_pct"] - 63) / 3 for b in plan.batches])
    b, c = (np.array([row["flour"] == v for row in plan.batches], float) for v in "bc")
    columns = np.column_stack([np.ones(12), b, c, wet, wet**2, b * wet, c * wet])
    assert np.linalg.matrix_rank(columns) == 7
    assert len(list_terms(asked, searched_factors(asked))) == len(terms.fixed)


def test_steps_from_a_forbidden_base_are_refused():
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=1, a_day=6) + TWO
    forbidden = '\n[[forbidden]]\noil = "low"\nmalt = "low"\n'
    asked, _ = parse_settings(text + '\n[plan]\ndesign = "steps"\n' + forbidden)
    with pytest.raises(PlanError) as info:
        build_plan(asked)
    assert str(info.value) == (
        "trial.toml, [plan]: steps are taken from the first setting of everything, and oil low, "
        "malt low, flour low, sugar low is among [[forbidden]]. Write first, in levels, a setting "
        "of each that can be mixed together."
    )


def test_forbidden_batches_of_a_fraction_are_counted():
    forbidden = '\n[[forbidden]]\noil = "low"\nmalt = "low"\n'
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=1, a_day=6) + TWO
    asked, _ = parse_settings(text + '\n[plan]\ndesign = "fraction"\n' + forbidden)
    plan = build_plan(asked)
    assert len(plan.batches) == 6
    assert describe_plan(asked, plan).kind[-1] == (
        "2 of its 8 combinations are forbidden and left out, so it tells less than said here; "
        'design = "search" plans around them'
    )


PASSED_OVER = [
    ('design = "full"\nalpha = "face"',
     'design = "full" takes no alpha; "central-composite" does. Take it away, or choose that '
     "design."),
    ('design = "steps"\nruns = 8',
     'design = "steps" takes no runs; "fraction" or "search" does. Take it away, or choose that '
     "design."),
    ('design = "fraction"\nruns = 8\ngenerators = ["sugar = oil*malt*flour"]',
     "generators say how many runs there are. Take runs away."),
    ('meters = ["meter_a"]', "a meter study needs readers and meters, one or more of each."),
]  # fmt: skip


@pytest.mark.parametrize(("plan", "words"), PASSED_OVER)
def test_a_key_that_the_plan_passes_over_is_a_problem(plan, words):
    text = HEAD.format(seed=3, replicates=1, balls=1, spares=1, a_day=6) + TWO
    asked, problems = parse_settings(text + f"\n[plan]\n{plan}\n")
    assert asked is None
    assert words in [p.message for p in problems]


def made(text, plan, **blocks):
    head = HEAD.format(seed=3, replicates=1, balls=1, spares=1, a_day=6)
    asked, problems = parse_settings(head + text + f"\n[plan]\n{plan}\n")
    assert asked is not None, [str(p) for p in problems]
    return replace(asked, blocks=replace(asked.blocks, **blocks))


MORE_REFUSED = [
    (category("water", "tap", "ro", "well") + category("room", "cold", "warm", per="day"),
     'design = "latin-square"', {},
     "trial.toml, [plan]: in a Latin square every setting is mixed on every day, so none is set "
     'per day. Set it per batch, or take design = "latin-square" away.'),
    (category("water", "tap", "ro"), 'design = "latin-square"', {},
     "trial.toml, [plan]: a Latin square is for 3 to 12 settings; found 2. Take design = "
     '"latin-square" away.'),
    (HOLD, 'design = "search"\nruns = 6', {},
     "trial.toml, [plan]: a search needs a factor that is set per day or per batch. Take design = "
     '"search" away.'),
    (TWO, 'design = "search"\nruns = 12', {"replicates": 2},
     "trial.toml: a search decides itself which batches are repeated. Take replicates out of "
     "[blocks], and say the number of batches: runs in [plan]."),
    (TWO, 'design = "search"\nruns = 14', {"days": 2},
     "trial.toml, [plan]: 14 batches do not fit 2 days of 6. Set days = 3 in [blocks], or runs = "
     "12."),
    ("".join(category(f"f{i}", "low", "high") for i in range(10)), 'design = "fraction"', {},
     "trial.toml, [plan]: the best fraction is looked for up to 9 factors; found 10. Write "
     'generators = ["d = a*b*c", ...] yourself.'),
]  # fmt: skip


@pytest.mark.parametrize(("text", "plan", "blocks", "words"), MORE_REFUSED)
def test_factors_that_a_kind_of_plan_cannot_take_are_refused(text, plan, blocks, words):
    with pytest.raises(DoughlabError) as error:
        build_plan(made(text, plan, **blocks))
    assert str(error.value) == words
