"""The card of a batch: waters counted, roundings shown, levels change what they should."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.formula import (
    AcidInWater,
    Formula,
    Preferment,
    Scale,
    batch_grams,
    convert_yeast,
    parse_formula,
    percents_from_grams,
    split_day,
    weigh_batch,
)
from doughlab.formula.weighing import choose_scale, find_misfit

PLAIN = Formula(
    percents={"hydration": 62.0, "salt": 2.5, "yeast": 0.3, "oil": 1.5},
    flours={"strong": 80.0, "rye": 20.0}, balls=12, ball_g=260.0, loss_pct=1.5,
)  # fmt: skip
STIFF = Preferment("stiff", 20.0, 50.0, yeast_pct=0.5)
WET = Preferment("wet", 30.0, 100.0, yeast_pct=0.2)
FINE = (Scale("exact", 1e-6, 1e9),)


def waters(card, formula):
    """All water of a card, added up here from its lines."""
    total = 0.0
    for p in card.parts:
        if p.made:
            continue
        starter = next(
            (f for f in formula.preferments if f.kind == "starter" and f.name == p.name), None
        )
        if p.name == "water":
            total += p.grams
        elif formula.acid is not None and p.name == formula.acid.product:
            total += p.grams * (1 - formula.acid.acid_pct / 100)
        elif starter is not None:
            total += p.grams * starter.hydration_pct / (100 + starter.hydration_pct)
        else:
            total += p.grams * formula.own_water_pct.get(p.name, 0.0) / 100
    return total


def flours(card, formula):
    total = sum(p.grams for p in card.parts if p.name in formula.flours and not p.made)
    for f in formula.preferments:
        if f.kind == "starter":
            total += card.grams(f.name) * 100 / (100 + f.hydration_pct)
    return total


VARIANTS = {
    "plain": PLAIN,
    "stiff": replace(PLAIN, preferments=(STIFF,)),
    "stiff and wet": replace(PLAIN, preferments=(STIFF, WET)),
    "all the flour": replace(PLAIN, preferments=(Preferment("all", 100.0, 50.0, yeast_pct=0.3),)),
    "rye starter": replace(
        PLAIN, preferments=(Preferment("levain", 15.0, 80.0, flour="rye", kind="starter"),)
    ),
    "second mix": replace(PLAIN, water_split={"mix": 85.0, "second mix": 15.0}),
    "acid": replace(PLAIN, acid=AcidInWater("white vinegar 5 %", 1.6, 5.0)),
    "milk": replace(PLAIN, own={"milk": 10.0}, own_water_pct={"milk": 88.0}),
    "everything": replace(
        PLAIN,
        preferments=(STIFF, Preferment("levain", 10.0, 80.0, flour="rye", kind="starter")),
        water_split={"mix": 90.0, "second mix": 10.0},
        acid=AcidInWater("citric 10 %", 2.0, 10.0),
        own={"milk": 5.0, "sugar": 1.0},
        own_water_pct={"milk": 88.0},
    ),
}


@pytest.mark.parametrize("name", VARIANTS)
def test_all_waters_over_all_flour_is_the_hydration(name):
    formula = replace(VARIANTS[name], scales=FINE)
    card = weigh_batch(formula)
    assert waters(card, formula) / flours(card, formula) == pytest.approx(0.62, abs=1e-9)
    assert card.hydration_weighed_pct == pytest.approx(62.0, abs=1e-4)


@pytest.mark.parametrize("name", VARIANTS)
def test_everything_weighed_is_the_dough(name):
    """12 x 260 / 0.985 g (by hand 3167.513)."""
    card = weigh_batch(VARIANTS[name])
    assert sum(p.grams for p in card.parts if not p.made) == pytest.approx(3167.513, abs=5e-4)
    assert card.dough_g == pytest.approx(3167.513, abs=5e-4)


@pytest.mark.parametrize("name", VARIANTS)
def test_salt_yeast_and_oil_are_those_of_the_formula(name):
    formula = replace(VARIANTS[name], scales=FINE)
    card = weigh_batch(formula)
    for key in ("salt", "yeast", "oil"):
        expected = card.flour_g * formula.percents[key] / 100
        assert card.grams(key) == pytest.approx(expected, rel=1e-9)


def test_a_batch_of_ten_by_hand():
    """60 %, 20 % of the flour stiff at 50 %: 1000 g flour, 100 + 500 g water, 20 g salt."""
    formula = Formula(
        percents={"hydration": 60, "salt": 2}, balls=10, ball_g=162,
        preferments=(Preferment("stiff", 20, 50),),
    )  # fmt: skip
    lines = [(p.step, p.name, round(p.grams, 9), p.made) for p in weigh_batch(formula).parts]
    assert lines == [
        ("preferment stiff", "flour", 200, False),
        ("preferment stiff", "water", 100, False),
        ("mix", "flour", 800, False),
        ("mix", "water", 500, False),
        ("mix", "stiff", 300, True),
        ("mix", "salt", 20, False),
    ]


def test_salt_and_yeast_of_a_preferment_are_shares_of_its_own_flour():
    """By hand: 1000 g flour, a fifth of it apart: 2 % salt and 0.5 % yeast of 200 g, 4 g and 1 g.

    The rest of 20 g salt and 3 g yeast comes at the mix: 16 g and 2 g.
    """
    formula = Formula(
        percents={"hydration": 60, "salt": 2, "yeast": 0.3}, balls=10, ball_g=162.3, scales=FINE,
        preferments=(Preferment("stiff", 20, 50, salt_pct=2, yeast_pct=0.5),),
    )  # fmt: skip
    card = weigh_batch(formula)
    grams = {(p.step, p.name): p.grams for p in card.parts}
    assert grams["preferment stiff", "salt"] == pytest.approx(4)
    assert grams["preferment stiff", "yeast"] == pytest.approx(1)
    assert grams["mix", "salt"] == pytest.approx(16)
    assert grams["mix", "yeast"] == pytest.approx(2)


def test_all_the_flour_in_the_preferment_leaves_water_for_the_second_mix():
    card = weigh_batch(
        replace(VARIANTS["all the flour"], water_split={"mix": 40.0, "second mix": 60.0})
    )
    assert card.steps() == ["preferment all", "mix", "second mix"]
    assert card.grams("strong", step="mix") == 0
    left = card.flour_g * 0.12
    assert card.grams("water", step="mix") == pytest.approx(0.4 * left)
    assert card.grams("water", step="second mix") == pytest.approx(0.6 * left)


def test_a_preferment_of_one_flour_takes_it_from_that_flour():
    card = weigh_batch(VARIANTS["rye starter"])
    assert card.grams("rye") == pytest.approx(card.flour_g * 0.05)
    assert card.grams("strong") == pytest.approx(card.flour_g * 0.80)
    assert card.grams("levain") == pytest.approx(card.flour_g * 0.15 * 1.8)


def test_water_of_the_acid_is_counted():
    """By hand: 62 = w (1 + 0.0016 x 0.95), so w = 61.9059 and the product is 0.09905 per 100."""
    card = weigh_batch(VARIANTS["acid"])
    assert card.grams("water") / card.flour_g * 100 == pytest.approx(61.9059, abs=5e-5)
    assert card.grams("white vinegar 5 %") / card.flour_g * 100 == pytest.approx(0.09905, abs=5e-6)
    assert card.notes[-1] == (
        "the acid's own water is counted; dose just before mixing, check by meter"
    )


def test_rounding_is_shown_and_a_coarse_one_is_named():
    coarse = replace(PLAIN, percents=PLAIN.percents | {"yeast": 0.06},
                     scales=(Scale("bench scale", 1.0, 15_000.0),))  # fmt: skip
    card = weigh_batch(coarse)
    yeast = next(p for p in card.parts if p.name == "yeast")
    assert yeast.weighed_g == 1.0 and yeast.grams == pytest.approx(1.144, abs=5e-4)
    assert yeast.error_pct == pytest.approx(-12.6, abs=0.05)
    assert card.notes == (
        "yeast 1.14 g: the bench scale shows 1 g steps, 13 % off. Use a finer scale, or weigh it "
        "for several batches",
    )
    assert yeast.scale_words == "1.1 g on a finer scale"  # 13 % off: 1 g is not offered
    fine = weigh_batch(replace(coarse, scales=PLAIN.scales))
    assert next(p for p in fine.parts if p.name == "yeast").scale_words == "1.1 g"
    assert next(p for p in fine.parts if p.name == "yeast").weighed_g == 1.1


def test_a_rounding_that_moves_the_hydration_is_said():
    small = replace(PLAIN, balls=1, ball_g=30, scales=(Scale("bench scale", 5.0, 15_000.0),))
    card = weigh_batch(small)
    assert any(n.startswith("hydration as weighed") for n in card.notes)


def test_a_load_beyond_the_scale_is_told():
    card = weigh_batch(replace(PLAIN, balls=200))
    assert "strong: 2 loads on the bench scale" in card.notes
    assert choose_scale(1e9, PLAIN.scales).name == "bench scale"


@given(st.floats(0, 100), st.floats(30, 120), st.floats(0, 3))
def test_a_preferment_that_fits_never_changes_the_whole(share, wet, salt):
    formula = replace(PLAIN, preferments=(Preferment("part", share, wet, salt_pct=salt),))
    if find_misfit(formula):
        assert share * wet / 100 > 62 - 1e-6 or share * salt / 100 > 2.5 - 1e-6
        return
    assert batch_grams(formula) == batch_grams(PLAIN)
    assert sum(p.grams for p in weigh_batch(formula).parts if not p.made) == pytest.approx(
        12 * 260 / 0.985
    )


@pytest.mark.parametrize(
    ("levels", "unchanged"),
    [
        ({"hydration": 65}, ("salt", "yeast", "oil")),
        ({"salt_pct": 2.8}, ("water", "yeast", "oil")),
        ({"yeast": 0.5}, ("water", "salt", "oil")),
        ({"rye": 40}, ("water", "salt", "yeast", "oil")),
        ({"stiff_pct": 10}, ("water", "salt", "yeast", "oil")),
        ({"ball_g": 280}, ("water", "salt", "yeast", "oil")),
        ({"water": "tap", "hold": 48, "mixing_water": "54 F"}, ("water", "salt", "yeast", "oil")),
    ],
)
def test_a_level_changes_what_it_names_and_nothing_else(levels, unchanged):
    formula = replace(PLAIN, preferments=(STIFF,), scales=FINE)
    before, after = weigh_batch(formula), weigh_batch(formula, levels=levels)
    for name in unchanged:
        shares = [c.grams(name) / c.flour_g for c in (before, after)]
        assert shares[0] == pytest.approx(shares[1], rel=1e-9), name


def test_a_share_of_the_blend_is_taken_from_the_others_in_proportion():
    blend = replace(PLAIN, flours={"strong": 60.0, "soft": 20.0, "rye": 20.0})
    assert blend.with_levels({"rye": 40}).flours == {"strong": 45.0, "soft": 15.0, "rye": 40.0}
    with pytest.raises(InputError, match="no other flour to change against"):
        replace(PLAIN, flours={"strong": 100.0, "rye": 0.0}).with_levels({"strong": 50})


def test_a_category_named_flour_changes_no_grams():
    single = replace(PLAIN, flours={"flour": 100.0})
    assert batch_grams(single, levels={"flour": "pallet B"}) == batch_grams(single)


def test_another_yeast_kind_keeps_the_work():
    """Common practice, no source: 1 g instant is 1.25 g active dry is 3 g fresh."""
    fresh = replace(PLAIN, preferments=(STIFF,)).with_levels({"yeast_kind": "fresh"})
    assert fresh.percents["yeast"] == pytest.approx(0.9)
    assert fresh.preferments[0].yeast_pct == pytest.approx(1.5)
    assert "fresh yeast; yeast kinds are converted by common practice, no source" in (
        weigh_batch(fresh).notes
    )
    assert convert_yeast(2.5, "active dry", "fresh") == pytest.approx(6.0)
    with pytest.raises(UnknownName, match="Did you mean 'fresh'"):
        convert_yeast(1, "instant", "frehs")


@pytest.mark.parametrize("name", ["plain", "milk"])
def test_grams_and_percentages_go_back_and_forth(name):
    formula = VARIANTS[name]
    grams = batch_grams(formula)
    back = percents_from_grams(grams, own_water_pct=formula.own_water_pct)
    assert back == pytest.approx(formula.percents | formula.own)


def test_percentages_count_the_flours_named():
    back = percents_from_grams({"strong": 400, "rye": 100, "water": 300, "salt": 10},
                               flours=("strong", "rye"))  # fmt: skip
    assert back == {"hydration": 60.0, "salt": 2.0}
    with pytest.raises(InputError, match="No flour stands in the grams"):
        percents_from_grams({"water": 300})


def test_a_day_is_divided_evenly_and_nothing_is_lost():
    for balls in (1, 7, 90, 101):
        batches = split_day(balls, formula=PLAIN, mixer_kg=8)
        assert sum(batches) == balls and max(batches) - min(batches) <= 1
        assert max(batches) * 260 / 0.985 <= 8000
    with pytest.raises(InputError, match="cannot mix one ball of 264 g"):
        split_day(10, formula=PLAIN, mixer_kg=0.2)
    with pytest.raises(OutOfRange, match="0 balls are no day"):
        split_day(0, formula=PLAIN, mixer_kg=8)


@pytest.mark.parametrize(
    ("formula", "words"),
    [
        (replace(PLAIN, preferments=(Preferment("wet", 80, 90),)),
         "the waters before the mix are 72 % of the flour, the formula has 62 %. Lower the share "
         "or the water of a preferment."),
        (replace(PLAIN, preferments=(Preferment("a", 60, 50), Preferment("b", 50, 50))),
         "the preferments take 110 % of the flour; 100 % is all of it."),
        (replace(PLAIN, preferments=(Preferment("a", 10, 50, flour="spelt"),)),
         "preferment flour 'spelt' is not a flour of the formula."),
        (replace(PLAIN, preferments=(Preferment("a", 30, 50, flour="rye"),)),
         "the preferments take more 'rye' than the formula has: 10 % of the flour is missing."),
        (replace(PLAIN, preferments=(Preferment("a", 30, 50, yeast_pct=2),)),
         "the preferments hold 0.6 % yeast, the formula has 0.3 %. The formula counts all of it."),
    ],
)  # fmt: skip
def test_parts_that_do_not_fit_are_said(formula, words):
    assert find_misfit(formula) == words
    with pytest.raises(InputError) as raised:
        weigh_batch(formula)
    assert str(raised.value) == f"house dough: {words}"


TEXT = """format = 1

[[flours]]
name = "strong"
share_pct = 80
lot = "F12"

[[flours]]
name = "rye"
share_pct = 20

[percent]
hydration = 62
salt = 2.5
yeast = 0.9

[own]
sugar = 1
milk = { pct = 5, water_pct = 88 }

[yeast]
kind = "fresh"

[[preferments]]
name = "stiff"
flour_pct = 20
hydration = 50
yeast = 1

[[preferments]]
name = "levain"
flour_pct = 10
hydration = 80
flour = "rye"
kind = "starter"

[[water]]
step = "mix"
share_pct = 90

[[water]]
step = "second mix"
share_pct = 10

[acid]
product = "white vinegar 5 %"
g_per_kg = 1.6
acid_pct = 5

[[scales]]
name = "pocket scale"
resolution_g = "0.01 g"
capacity_g = 100

[[scales]]
name = "floor scale"
resolution_g = 5
capacity_g = "60 kg"
"""


def test_the_wider_file_is_read():
    formula, problems = parse_formula(TEXT)
    assert problems == []
    assert formula.flour_lots == {"strong": "F12"}
    assert formula.own == {"sugar": 1.0, "milk": 5.0}
    assert formula.own_water_pct == {"milk": 88.0}
    assert formula.yeast_kind == "fresh"
    assert formula.preferments == (
        Preferment("stiff", 20.0, 50.0, yeast_pct=1.0),
        Preferment("levain", 10.0, 80.0, flour="rye", kind="starter"),
    )
    assert formula.water_split == {"mix": 90.0, "second mix": 10.0}
    assert formula.acid == AcidInWater("white vinegar 5 %", 1.6, 5.0)
    assert formula.scales == (
        Scale("pocket scale", 0.01, 100.0), Scale("floor scale", 5.0, 60_000.0),
    )  # fmt: skip


PROBLEMS = [
    ("share_pct = 10\n", "share_pct = 20\n", "formula.toml, row 39, column water.share_pct: the "
     "shares of the water add up to 110 %, not 100 %."),
    ('kind = "fresh"', 'kind = "frehs"', "formula.toml, row 22, column yeast.kind: kind 'frehs' is "
     "not known. Did you mean 'fresh'? Known: active dry, fresh, instant."),
    ("hydration = 50", "hydration = 300", "formula.toml, row 24, column preferments: the waters "
     "before the mix are 72.4 % of the flour, the formula has 62 %."),
    ('name = "levain"', 'name = "stiff"', "formula.toml, row 31, column preferments.name: the name "
     "'stiff' is taken already."),
    ("acid_pct = 5\n", "", "formula.toml, row 45, column acid: 'acid_pct' is missing."),
    ("acid_pct = 5\n", "acid_pctt = 5\n", "formula.toml, row 48, column acid.acid_pctt: key "
     "'acid_pctt' is not known. Did you mean 'acid_pct'?"),
    ("milk = { pct = 5, water_pct = 88 }", "milk = { percent = 5 }",
     "formula.toml, row 19, column own.milk: 'milk' must be a number or { pct = 5, water_pct = 88 "
     "}."),
    ("capacity_g = 100\n", "", "formula.toml, row 50, column scales: 'capacity_g' is missing."),
    ("flour_pct = 20\n", "flour_pct = 200\n", "formula.toml, row 26, column preferments.flour_pct: "
     "flour_pct 200 lies outside 0 to 100 %."),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), PROBLEMS, ids=[p[1].strip() for p in PROBLEMS])
def test_a_problem_of_the_wider_file_is_said_with_its_place(old, new, message):
    assert old in TEXT
    formula, problems = parse_formula(TEXT.replace(old, new, 1))
    assert formula is None
    assert any(str(p).startswith(message) for p in problems), [str(p) for p in problems]


@pytest.mark.parametrize("section", ["preferments", "yeast", "water", "acid", "scales", "own"])
@pytest.mark.parametrize("junk", ["3", "'x'", "[]", "[1]", "{}", "{ a = 1 }", "true"])
def test_a_section_of_the_wrong_kind_is_no_traceback(section, junk):
    formula, problems = parse_formula(
        f"format = 1\n{section} = {junk}\n[percent]\nhydration = 60\n"
    )
    empty = junk == "[]" and section in {"preferments", "water", "scales"}
    fine = empty or (section == "own" and junk in {"{}", "{ a = 1 }"})  # an ingredient "a"
    assert (formula is not None and not problems) if fine else (formula is None and problems)
