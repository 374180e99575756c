"""The command `water` without Python: asked, answered, refused, in 80 columns."""

import argparse
import io
import json
import subprocess
import sys
import time
from itertools import product

import pytest

from doughlab.commands import water, water_words
from doughlab.errors import InputError, UnknownName
from doughlab.tables import table
from doughlab.water.cautions import brief_cautions, list_cautions

POINTS = ["0:7.9", "1:6.74", "2:6.27", "3:5.82"]  # our own curve of 150 mg/L, used as input only
TAP = ["--given", "ph=7.9", "alkalinity=150", "calcium=60", "sodium=20", "temp=18"]


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    """Every test has its own empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def ask(*typed):
    """Run the command with words as they are typed."""
    parser = argparse.ArgumentParser()
    water.add_arguments(parser)
    return water.run(parser.parse_args(list(typed)))


def lines(outcome):
    """The printed answer, line by line; never wider than a terminal."""
    out = str(outcome).splitlines()
    assert max(map(len, out)) <= 80, max(out, key=len)
    json.dumps(outcome.as_json())
    return out


def text(outcome):
    """The printed answer with its line breaks taken out."""
    return " ".join(" ".join(lines(outcome)).split())


def test_titrate_with_options_finds_keeps_and_cards(own_folder):
    outcome = ask(
        "titrate", "tap", "--points", *POINTS, "--sample", "1kg", "--card", "12kg", "--keep"
    )
    assert lines(outcome)[0].startswith("tap: alkalinity 150 mg/L (")
    assert "measured in the pot" in text(outcome)
    assert "6.00" in text(outcome)
    assert outcome.wrote == ["waters.csv: tap added"]
    assert "check with the meter" in lines(outcome)[-1]
    row = water_words.read_waters(own_folder / "waters.csv")["tap"]
    assert row.said_by == "own titration"
    assert row.alkalinity_mg_l == pytest.approx(150, rel=0.01)
    again = ask("dose", "tap", "--ph", "6.2", "--water", "12kg")
    assert again.data["product_g"] == pytest.approx(26, abs=1)


def test_titrate_asks_for_what_is_not_given(monkeypatch, capsys):
    typed = "vinegar 5%\n1kg\n20C\n0 7.9\n1 6.74\nnonsense\n2 6.27\n3 5.82\n\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    outcome = ask("titrate", "tap")
    assert "tap: alkalinity 150 mg/L" in text(outcome)
    shown = capsys.readouterr()
    assert shown.out == ""  # questions go to the error stream, the answer stands alone
    assert "Which acid?" in shown.err
    assert "'nonsense' was not understood" in shown.err
    assert "Best next: add to a total of" in shown.err


def test_titrate_without_an_answer_says_which_option_helps(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    with pytest.raises(InputError) as error:
        ask("titrate", "tap")
    assert str(error.value) == (
        "'Which acid?' was not answered. Give it as an option: --acid 'vinegar 5%'."
    )


def test_titrate_keeps_what_else_is_known_of_the_water(own_folder):
    head = ",".join(table("waters").names)
    (own_folder / "waters.csv").write_text(
        f"{head}\ntap,well,7.5,10,100,60,,,,,,,,,,,,,,,tap in the yard,,,,,,,\nro,reverse osmosis"
        + "," * (len(table("waters").names) - 2) + "\n"
    )  # fmt: skip
    outcome = ask("titrate", "tap", "--points", *POINTS, "--sample", "1kg", "--keep")
    kept = water_words.read_waters(own_folder / "waters.csv")
    assert outcome.wrote == ["waters.csv: tap replaced"]
    assert list(kept) == ["tap", "ro"]
    assert kept["tap"].kind == "well"
    assert kept["tap"].calcium_mg_l == 60
    assert kept["tap"].sampling_point == "tap in the yard"
    assert "Laboratory test before anybody tastes it." in text(outcome)


@pytest.mark.parametrize("more", [(), ("--more",)])
def test_dose_ends_with_the_meter_and_carries_every_caution(more):
    outcome = ask("dose", "tap", "--ph", "6.2", "--water", "12kg", "--flour", "19kg", *more, *TAP)
    out = text(outcome)
    assert out.startswith("26.")
    assert lines(outcome)[-1].startswith("next: stir it in, then check with the meter")
    for words in ("Food-grade acid or bicarbonate only", "off eyes and skin",
                  "chlorine sanitiser: toxic gas", "sealed container: gas pressure",
                  "means little air contact", "plumbed lines", "drinkability not judged",
                  "g acetic acid per kg flour", "standing open it ends at pH 8."):  # fmt: skip
        assert words in out
    assert outcome.data["ph_reached"] == pytest.approx(6.2, abs=0.01)
    assert outcome.data["cautions"]


def test_the_usual_dose_stands_in_fourteen_lines_and_the_rest_behind_more():
    """What is left out first stands behind --more, word for word; no caution is left out."""
    typed = ["dose", "tap", "--ph", "6.2", "--water", "12kg"]
    short, whole = ask(*typed, *TAP), ask(*typed, "--more", *TAP)
    assert len(lines(short)) <= 14 < len(lines(whole))
    assert lines(short)[-1].endswith("every note in full: add --more")
    assert text(short).startswith(text(whole).split(";")[0])
    assert "Read at 18 C" not in text(short) and "Read at 18 C" in text(whole)
    assert short.data == whole.data and set(short.data["cautions"]) == set(list_cautions())
    assert all(f"caution: {c}" in text(whole) for c in list_cautions())


def test_what_matters_most_is_never_left_to_more():
    """A water that cannot be held, a laboratory, few steps of the scale, another water."""
    low = text(ask("dose", "ro", "--ph", "5.5", "--water", "12kg", "--given", "ph=5.9",
                   "alkalinity=6", "kind=well"))  # fmt: skip
    for said in ("its pH cannot be held", "Laboratory before anybody tastes", "weigh ten times the",
                 "attacks metal", "Laboratory test before anybody tastes it."):  # fmt: skip
        assert said in low
    given = ["--given", "ph=7.4", "alkalinity=600", "temp=18"]
    high = text(ask("dose", "town", "--ph", "4.6", "--water", "12kg", *given))
    assert "instead: " in high and "instead, 2" not in high


@pytest.mark.parametrize("case", list(product([False, True], repeat=4)))
def test_cautions_in_fewer_words_leave_none_out(case):
    """Every full caution has its word in the short ones, whatever the case."""
    names = ("lemon", "low_alkalinity", "laboratory", "concentrated")
    full = list_cautions(**dict(zip(names, case, strict=True)))
    short = " ".join(brief_cautions(full))
    marks = {"Food-grade": "Food-grade acid", "Keep acid off": "off eyes and skin",
             "chlorine": "toxic gas", "sealed container": "gas pressure",
             "plumbed": "plumbed lines", "low alkalinity": "attacks metal",
             "lemon": "sulphites", "dough only": "drinkability",
             "Local code": "licensed professionals", "Laboratory": "Laboratory test",
             "concentrated and burns": "goggles and gloves on"}  # fmt: skip
    for sentence in full:
        (mark,) = [short_word for key, short_word in marks.items() if key in sentence]
        assert mark in short, sentence
    assert brief_cautions((*full, "A caution of tomorrow."))[-1] == "A caution of tomorrow."


def test_dose_of_bottled_lemon_and_of_soda():
    lemon = ask("dose", "tap", "--ph", "6.2", "--water", "12kg", "--acid", "bottled lemon", *TAP)
    assert "sulphites" in text(lemon)
    given = ["--given", "ph=5.6", "alkalinity=2", "temp=20", "kind=reverse osmosis"]
    soda = ask("dose", "ro", "--ph", "6.5", "--water", "10kg", "--acid", "soda", "--scale", "0.01g",
               "--more", *given)  # fmt: skip
    assert "sodium bicarbonate" in text(soda)
    assert "mg sodium per kg of water" in text(soda)


def test_dose_takes_units_and_open_vessels():
    given = ["--given", "ph=7,9", "alkalinity=8.4 dH", "temp=64.4 F", "calcium=60", "sodium=20"]
    shut = ask("dose", "tap", "--ph", "6.2", "--water", "26 lb 7 oz", *given)
    assert shut.data["product_g"] == pytest.approx(26, abs=0.5)
    wide = ask("dose", "tap", "--ph", "6.2", "--water", "12kg", "--vessel", "open", *given)
    assert wide.data["product_g"] > 1.5 * shut.data["product_g"]


def test_dose_without_alkalinity_says_how_to_get_it():
    with pytest.raises(InputError, match="doughlab water titrate"):
        ask("dose", "tap", "--ph", "6.2", "--water", "12kg", "--given", "ph=7.9")


def test_dose_of_an_unknown_water_says_what_is_known(own_folder):
    with pytest.raises(InputError) as error:
        ask("dose", "tap", "--ph", "6.2", "--water", "12kg")
    assert str(error.value) == (
        "Nothing is known of 'tap': there is no waters.csv here. Give what you know, such as "
        "--given ph=7.9 alkalinity=150, or titrate it first."
    )
    ask("titrate", "tap", "--points", *POINTS, "--sample", "1kg", "--keep")
    with pytest.raises(UnknownName, match="Did you mean 'tap'"):
        ask("dose", "tpa", "--ph", "6.2", "--water", "12kg")


def test_a_damaged_waters_file_is_said_with_row_and_column(own_folder):
    (own_folder / "waters.csv").write_text("water_id,kind,ph\ntap,tap,79\n")
    with pytest.raises(InputError, match=r"waters\.csv, row 2, column ph"):
        ask("dose", "tap", "--ph", "6.2", "--water", "12kg")
    before = (own_folder / "waters.csv").read_text()
    with pytest.raises(InputError):
        ask("titrate", "tap", "--points", *POINTS, "--sample", "1kg", "--keep")
    assert (own_folder / "waters.csv").read_text() == before


def test_card_and_its_check():
    card = ask("card", "tap", "--water", "12kg", *TAP)
    assert "6.00" in text(card)
    assert card.code == 0
    fits = ask("card", "tap", "--water", "12kg", "--check", "26:6.2", *TAP)
    assert "the card still fits" in text(fits)
    assert fits.next == [
        "go on with this card; check it again when the season or the bottle changes"
    ]
    off = ask("card", "tap", "--water", "12kg", "--check", "26:6.9", *TAP)
    assert off.code == 1
    assert "titrate anew" in text(off)
    assert off.next == ["doughlab water titrate tap --keep"]


def test_blend_by_shares_by_target_and_through_a_membrane():
    given = ["--given", "tap.ph=7.8", "tap.alkalinity=150", "tap.hardness=200", "tap.temp=20",
             "ro.ph=5.8", "ro.alkalinity=5", "ro.hardness=0", "ro.temp=20",
             "ro.kind=reverse osmosis"]  # fmt: skip
    half = ask("blend", "tap=50", "ro=50", *given)
    assert "alkalinity 78 mg/L" in text(half)
    assert half.data["sample"]["ph"] == pytest.approx(7.172, abs=0.03)  # PHREEQC, same waters
    target = ask("blend", "tap", "ro", "--alkalinity", "63", *given)
    assert text(target).startswith("40 % tap, 60 % ro")
    assert target.next[0] == "read its pH with the meter"
    assert target.next[1].startswith("doughlab water dose blend --ph 6.2 --water 12kg")
    assert "alkalinity=63 hardness=80 temp=20" in target.next[1]  # 5 + 0.4 x 145; 0.4 x 200
    membrane = ask("blend", "tap", "ro", "--membrane", "96", "--hardness", "50", *given)
    assert "hardness 50 mg/L" in text(membrane)
    soft = ask("blend", "tap", "soft", "--soften", "5", *given)
    assert "alkalinity 150 mg/L" in text(soft)
    with pytest.raises(InputError, match="exactly two waters"):
        ask("blend", "tap", "--alkalinity", "63", *given)


def test_bare_facts_never_stand_over_two_waters(own_folder):
    ask("titrate", "tap", "--points", *POINTS, "--sample", "1kg", "--keep")
    for words in (["blend", "tap", "ro"], ["site", "tap", "ro"]):
        with pytest.raises(InputError) as refused:
            ask(*words, "--given", "ph=6", "alkalinity=5")
        assert str(refused.value) == (
            "--given ph=... does not say which of tap and ro it is about. Write the water in "
            "front: --given ro.ph=..."
        )
    named = ask("blend", "tap", "ro", "--given", "ro.ph=6", "ro.alkalinity=5")
    kept = water_words.read_waters(own_folder / "waters.csv")["tap"].alkalinity_mg_l
    assert named.data["sample"]["alkalinity_mg_l"] == pytest.approx((kept + 5) / 2, abs=0.1)
    made = ask("blend", "tap", "ro", "--membrane", "96", "--given", "hardness=200")
    assert made.data["sample"]["alkalinity_mg_l"] == pytest.approx(kept * 1.04 / 2, abs=0.1)
    with pytest.raises(InputError) as unknown:
        ask("blend", "tap", "ro", "--alkalinity", "60")
    assert str(unknown.value) == (
        "Nothing is known of 'ro'. Let it be tap through a membrane: --membrane 95 (per cent held "
        "back); or give its facts: --given ro.ph=5.8 ro.alkalinity=5."
    )


def test_a_temperature_from_the_file_is_answered_in_both_units(own_folder):
    ask("titrate", "tap", "--points", *POINTS, "--sample", "1kg", "--temp", "64.4F", "--keep")
    said = text(ask("dose", "tap", "--ph", "6.2", "--water", "12kg", "--more"))
    assert "at 18 C (64.4 F) in a closed vessel" in said
    assert "The same water at 4 C (39.2 F) truly has pH" in said
    site = ask("site", "tap")
    assert site.next[1] == ("write it down: doughlab water site tap --given smell=none --keep")


def test_without_a_part_the_command_names_its_parts():
    outcome = ask()
    assert outcome.code == 2
    assert lines(outcome)[0] == "Say what you want to know of a water: doughlab water PART"
    for part in ("titrate", "dose", "card", "blend", "site", "cost", "compare"):
        assert any(line.startswith(f"  {part} ") for line in lines(outcome))
    assert outcome.next == ["doughlab water site tap", "doughlab water titrate tap"]


def test_litres_of_water_are_sent_to_the_scale():
    with pytest.raises(InputError) as refused:
        ask("dose", "tap", "--ph", "6.2", "--water", "12 l", *TAP)
    assert str(refused.value) == (
        "--water '12 l' is a volume. Weigh it: 12 L of water weighs close to 12 kg; type 12kg."
    )


@pytest.mark.parametrize(
    ("typed", "kg"),
    [("3gal", "3 US gal of water weighs close to 11.36 kg; type 11.36kg."),
     ("10 quarts", "10 US qt of water weighs close to 9.464 kg; type 9.464kg."),
     ("2 pints", "2 US pt of water weighs close to 0.9464 kg; type 0.9464kg."),
     ("750 ml", "750 ml of water weighs close to 0.75 kg; type 0.75kg.")],
)  # fmt: skip
def test_other_volumes_are_sent_to_the_scale_too(typed, kg):
    """A US gallon is 3.785411784 L, a quart a fourth of it: NIST Handbook 44 (2023), appendix C."""
    with pytest.raises(InputError) as refused:
        ask("dose", "tap", "--ph", "6.2", "--water", typed, *TAP)
    assert str(refused.value) == f"--water '{typed}' is a volume. Weigh it: {kg}"


def test_facts_of_a_water_are_kept_by_a_command(own_folder):
    told = ask("site", "spring jug", "--given", "kind=bottled", "bicarbonate=183", "said_by=label",
               "--keep")  # fmt: skip
    assert told.wrote == ["waters.csv: spring jug added"]
    row = water_words.read_waters(own_folder / "waters.csv")["spring jug"]
    # 61.017 g of bicarbonate are one mole, 50.04 g of CaCO3 one equivalent: IUPAC weights (2021)
    assert row.alkalinity_mg_l == pytest.approx(183 * 50.04 / 61.017, rel=1e-3)
    assert (row.kind, row.said_by) == ("bottled", "label")
    ask("site", "spring jug", "--given", "temp=64F", "ph=7.4", "--keep")
    text_kept = (own_folder / "waters.csv").read_text(encoding="utf-8")
    assert ",7.4,17.7778,150.08" in text_kept
    with pytest.raises(
        UnknownName, match=r"water 'spring jgu' is not known\. Did you mean 'spring jug'"
    ):
        ask("site", "spring jgu")
    with pytest.raises(InputError, match="--keep writes what is given, and nothing is"):
        ask("site", "spring jug", "--keep")


def test_a_titration_that_was_asked_is_kept_or_given_back(own_folder, monkeypatch, capsys):
    typed = "vinegar 5%\n1kg\n64 F\n0 7.9\n1 6.74\n2 6.27\n3 5.82\ndone\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed + "\n"))
    kept = ask("titrate", "tap")
    assert "Write it into waters.csv, as 'tap'? (empty: yes)" in capsys.readouterr().err
    assert kept.wrote == ["waters.csv: tap added"]
    assert "from 4 points in 1 kg at 64 °F" in text(kept)
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed + "no\n"))
    (own_folder / "waters.csv").unlink()
    left = ask("titrate", "tap")
    assert left.wrote == []
    assert left.next[0] == (
        "keep it: doughlab water titrate tap --points 0:7.9 1:6.74 2:6.27 3:5.82 \\\n"
        "    --sample 1kg --temp '64 F' --keep"
    )
    assert not (own_folder / "waters.csv").exists()


def test_a_titration_beside_a_trial_says_where_its_own_file_is(own_folder, monkeypatch, capsys):
    (own_folder / "trials" / "week").mkdir(parents=True)
    (own_folder / "trials" / "week" / "trial.toml").write_text("", encoding="utf-8")
    typed = "vinegar 5%\n1kg\n64 F\n0 7.9\n1 6.74\n2 6.27\n3 5.82\n\nno\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    assert ask("titrate", "tap").wrote == []
    assert (
        "There is no waters.csv here. For a trial's own answer no, and type the line that is then "
        "shown with --folder trials/week. Write it into waters.csv, as 'tap'? (empty: yes)"
    ) in " ".join(capsys.readouterr().err.split())


def test_a_reading_that_fits_no_water_is_said_while_it_can_be_read_again(monkeypatch, capsys):
    # a bare 1 for the sample; then pH 5.32 where the curve of the other points has 5.8
    typed = "\n1,0\n1kg\n18C\n0 7.9\n0,5 7.1\n1 6.74\n2 6.27\n3 5.32\ndrop\n3 5.82\n\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    outcome = ask("titrate", "tap")
    assert outcome.data["agrees"]
    shown = capsys.readouterr().err
    said = " ".join(shown.split())
    assert "Type 1,0kg if kilograms are meant. Please answer again." in said
    assert "These points disagree with any water" in said
    assert "Likely one wrong reading: pH 5.32 at 3 g. Read it again, or weigh anew." in said
    assert "'drop' takes the last point back. point 6: Taken back: 3 g, pH 5.32." in said
    assert said.count("disagree") == 1  # good points are not nagged at


def test_site_guides_from_nothing_and_sends_a_well_to_the_laboratory():
    blank = ask("site", "tap")
    assert "not known yet: pH, alkalinity, temperature, sodium" in text(blank)
    assert lines(blank)[-2:] == [
        "next: smell, look and taste of cold water",
        "next: write it down: doughlab water site tap --given smell=none --keep",
    ]
    told = ask("site", "tap", "--given", "smell=none", "look=clear", "taste=none", "ph=7.6")
    assert "[x] smell, look and taste of cold water" in text(told)
    well = ask("site", "bore", "--given", "kind=well")
    assert lines(well)[-2] == "next: laboratory test"
    odd = ask("site", "tap", "--given", "ph=3.5", "alkalinity=150", "temp=18")
    assert odd.code == 1


def test_site_with_several_samples_shows_the_drift(own_folder):
    names = table("waters").names
    rows = []
    for name, value, day in (("a", 150, "2026-01-10"), ("b", 90, "2026-06-10")):
        cells = dict.fromkeys(names, "")
        cells |= {"water_id": name, "kind": "tap", "alkalinity_mg_l": str(value), "ph": "7.8",
                  "sampled_at": f"{day}T09:00+01:00", "uncertainty_pct": "5"}  # fmt: skip
        rows.append(",".join(cells.values()))
    (own_folder / "waters.csv").write_text("\n".join([",".join(names), *rows]) + "\n")
    assert "The supply changes. Use the newest (90 mg/L)" in text(ask("site", "a", "b"))


def test_cost_from_an_example_that_is_not_overwritten(own_folder):
    assert "an example with invented prices" in text(ask("cost", "--example"))
    with pytest.raises(InputError, match="is there already; nothing is overwritten"):
        ask("cost", "--example")
    outcome = ask("cost", "--between", "bottled", "reverse osmosis")
    out = text(outcome)
    assert "costs in EUR, your own prices" in out
    assert "bottled is cheaper below" in out
    assert outcome.data["levers"][0]["what"] == "price_per_l"
    more = ask("cost", "--dough", "60000kg")
    assert more.data["costs"][0]["per_year"] > outcome.data["costs"][0]["per_year"]
    with pytest.raises(UnknownName, match="Did you mean 'bottled'"):
        ask("cost", "--between", "botled", "tap")


def test_cost_without_a_file_says_how_to_start():
    with pytest.raises(InputError) as error:
        ask("cost")
    assert str(error.value) == (
        "supply.toml is not there. Write an example to start from: "
        "doughlab water cost supply.toml --example"
    )


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("[use]\ndough_kg = 3\n", "Did you mean 'dough_kg_per_year'"),
        ("[usage]\n", "Did you mean 'use'"),
        ("currency = 'EUR'\n", "[use] is missing; it needs dough_kg_per_year."),
        ("[use]\ndough_kg_per_year = 'much'\n", "dough_kg_per_year 'much' is not a number."),
        ("[use\n", "row 1: cannot be read: A section name stands between brackets: [use]"),
        ("[use]\ndough_kg_per_year = 100,5\n",
         "row 2: cannot be read: Write decimals with a point: dough_kg_per_year = 100.5"),
        ("[use]\ndough_kg_per_year = 100\n[[supply]]\nkind = 'tap'\n", "'name' is missing"),
        ("[use]\ndough_kg_per_year = 100\n[[offer]]\nsupplier = 'a'\nanswered = ['tank']\n",
         "Did you mean 'tank_l'"),
        ("[use]\ndough_kg_per_year = 100\nsupply = 3\n", "key 'supply' is not known"),
    ],
)  # fmt: skip
def test_mistakes_in_a_supply_file_are_named(own_folder, content, sentence):
    (own_folder / "supply.toml").write_text(content)
    with pytest.raises(InputError) as error:
        ask("cost")
    assert sentence in str(error.value)


def test_compare_offers_questions_and_delivery():
    ask("cost", "--example")
    offers = ask("compare")
    assert [o["supplier"] for o in offers.data["offers"]] == ["first", "second"]
    assert "not answered, counted as nothing" in text(offers)
    assert "What rejection do you guarantee" in text(ask("compare", "--questions"))
    given = ["--given", "feed.conductivity=600", "out.conductivity=60"]
    check = ask("compare", "--check", "out", "feed", "--promised", "96", *given)
    assert check.code == 1
    assert "rejection 90.0 %, from conductivity" in text(check)
    free = ask("compare", "--check", "out", "feed", *given)
    assert (free.code, free.data["as_promised"]) == (0, None)
    assert "measured 90.0 %; nothing was promised here" in text(free)


@pytest.mark.parametrize(
    ("typed", "acid", "strength"),
    [("vinegar 6%", "acetic", 6), ("white vinegar", "acetic", 5), ("vinegar 5 % w/w", "acetic", 5),
     ("lemon", "citric", 4.8), ("bottled lemon 3.6%", "citric", 3.6), ("citric", "citric", 100),
     ("citric acid monohydrate", "citric", 91.4), ("lactic 80% w/w", "lactic", 80)],
)  # fmt: skip
def test_acids_are_understood(typed, acid, strength):
    name, product = water_words.read_acid(typed)
    assert name == acid
    assert product.strength_pct == pytest.approx(strength, abs=0.05)


def test_acids_that_are_not_understood_say_what_is():
    with pytest.raises(UnknownName, match="Did you mean 'vinegar'"):
        water_words.read_acid("vinegr 5%")
    with pytest.raises(InputError, match="Give the strength on the label"):
        water_words.read_acid("lactic")
    with pytest.raises(InputError, match="weighed as powder"):
        water_words.read_acid("citric 20%")


def test_facts_that_are_not_understood_say_what_is():
    with pytest.raises(UnknownName, match="Did you mean 'alkalinity'"):
        water_words.read_facts(["alkalnity=3"])
    with pytest.raises(InputError, match="Write name=value"):
        water_words.read_facts(["ph"])
    with pytest.raises(UnknownName, match="unit in alkalinity_mg_l=3 mmhos"):
        water_words.read_facts(["alkalinity=3 mmhos"])
    hard = water_words.read_facts(["hardness=2 mmol/L"])[""]["hardness_mg_l"]
    assert hard == pytest.approx(200.17, abs=0.01)  # 2 x 100.0869


@pytest.mark.parametrize("part", water._PARTS)
def test_every_part_has_help_of_at_most_ten_options(part, capsys):
    parser = argparse.ArgumentParser(prog="doughlab water")
    water.add_arguments(parser)
    with pytest.raises(SystemExit):
        parser.parse_args([part, "--help"])
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 100
    assert shown.count("\n  --") <= 8


def test_each_answer_comes_within_a_second():
    """In a running interpreter; what starting Python and numpy costs comes on top."""
    ask("cost", "--example")
    for typed in (
        ["dose", "tap", "--ph", "6.2", "--water", "12kg", *TAP],
        ["titrate", "tap", "--points", *POINTS, "--sample", "1kg"],
        ["card", "tap", "--water", "12kg", *TAP],
        ["site", "tap", *TAP],
        ["cost"],
        ["compare"],
    ):
        began = time.process_time()
        ask(*typed)
        assert time.process_time() - began < 1.0, typed


def test_the_whole_program_answers_in_json():
    typed = [sys.executable, "-W", "error", "-m", "doughlab", "water", "dose", "tap", "--ph", "6.2",
             "--water", "12kg", *TAP, "--json"]  # fmt: skip
    done = subprocess.run(typed, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["product_g"] == pytest.approx(26, abs=0.5)


def test_commands_load_nothing_heavy_until_they_calculate():
    code = (
        "import sys, argparse\nfrom doughlab.commands import water\n"
        "water.add_arguments(argparse.ArgumentParser())\n"
        "print([m for m in ('numpy', 'scipy', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
