"""Recommendations: tried settings, by verdict and not by rank, and what is not settled."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from doughlab.analysis import analyse
from doughlab.analysis.contrasts import compare_levels
from doughlab.decision import decide
from doughlab.decision.brief import brief_lines
from doughlab.decision.choose import analyse_all
from doughlab.decision.early import _under_half
from doughlab.decision.options import Cell, verdict_of_settings
from doughlab.decision.words import against_words
from doughlab.errors import MissingRecords, PlanError
from doughlab.record.records import Records

FLAT = {"24": 0.30, "48": 0.0, "72": -0.30}


def same_waters(levels):
    return 5.55 + FLAT[levels["hold"]]


@pytest.fixture(scope="module")
def precise(kitchen):
    return kitchen.Spread(day=0.005, batch=0.01, ball=0.01, score=0.05, judge=0.2)


def test_recommended_setting_was_tried(decided):
    assert decided.row_of(decided.recommended) is not None
    assert set(decided.recommended) == {"water", "mixing_water", "hold"}
    assert decided.recommended["hold"] == "48"


def test_forbidden_combinations_are_never_recommended(kitchen, band):
    text = kitchen.WATERS_PH + band + '\n[[forbidden]]\nwater = "tap"\nmixing_water = "64 F"\n'
    trial = kitchen.invent(text, kitchen.usual_truth)
    decision = decide(trial)
    assert len(decision.table) == 15
    assert decision.row_of(decision.recommended) is not None


def test_among_the_same_waters_the_cheaper_is_taken_and_named(kitchen, band, precise):
    costs = {"tap": 0.40, "reverse osmosis": 0.35, "bottled": 0.05}
    waters = {w: {"cost_per_l": c} for w, c in costs.items()}
    text = kitchen.WATERS_PH + band
    trial = kitchen.invent(text, same_waters, spread=precise, waters=waters)
    decision = decide(trial)
    assert decision.recommended["water"] == "bottled"
    choice = next(c for c in decision.choices if c.factor.name == "water")
    assert {o.level for o in choice.options if o.either} == {"tap", "reverse osmosis"}
    text = " ".join(decision.text().split())
    assert (
        "Tap and reverse osmosis: the same pH as bottled at these settings, 0.35 more a litre, "
        "0.3 more"
    ) in text
    assert "Mixing water" in text and "either will do" in text


def test_without_costs_the_same_waters_are_named_together(kitchen, band, precise):
    trial = kitchen.invent(kitchen.WATERS_PH + band, same_waters, spread=precise)
    text = " ".join(decide(trial).text().split())
    assert "which is cheaper is not known (cost_per_l in waters.csv)" in text


def test_a_water_that_is_not_settled_never_moves_the_choice(kitchen, band):
    """Batches spread so much that no two waters can be told apart or called the same."""
    waters = {"tap": {"cost_per_l": 0.9}, "reverse osmosis": {"cost_per_l": 0.001},
              "bottled": {"cost_per_l": 0.001}}  # fmt: skip
    text = kitchen.WATERS_PH + band.replace("margin = 0.10", "margin = 0.02")

    def truth(levels):
        return same_waters(levels) + 0.03 * (levels["water"] == "tap")

    spread = kitchen.Spread(batch=0.12)
    for seed in range(20):
        decision = decide(kitchen.invent(text, truth, seed=seed, spread=spread, waters=waters))
        choice = next(c for c in decision.choices if c.factor.name == "water")
        if decision.recommended["water"] == "tap":
            break
    assert decision.recommended["water"] == "tap"  # the dearest one, since nothing is shown
    assert not choice.cheapest
    assert {v for o in choice.options for v in o.verdicts.values()} == {"not settled"}
    text = " ".join(decision.text().split())
    assert "not settled against tap" in text
    assert "pH, tap - reverse osmosis: settled in " in text


def test_a_cheaper_water_with_another_ph_is_taken_only_where_it_does_as_well(
    kitchen, band, precise
):
    """Tap is 0.6 higher and its best hold is another: as many balls inside, and cheaper."""
    costs = {"tap": 0.01, "reverse osmosis": 0.3, "bottled": 0.3}
    waters = {w: {"cost_per_l": c} for w, c in costs.items()}

    def shifted(levels):
        return 5.55 + {"24": 0.60, "48": 0.0, "72": -0.60}[levels["hold"]] + (
            0.60 * (levels["water"] == "tap")
        )  # fmt: skip

    decision = decide(
        kitchen.invent(kitchen.WATERS_PH + band, shifted, spread=precise, waters=waters)
    )
    assert (decision.recommended["water"], decision.recommended["hold"]) == ("tap", "72")
    text = " ".join(decision.text().split())
    assert (
        "another pH than tap; 0.1 of 10 inside at these settings, fewer than recommended; at best "
        "9.9 of 10 inside with hold 48 h"
    ) in text
    assert "as many as recommended to within 1 of 10" in text


def test_a_score_that_is_not_settled_keeps_the_cheaper_water_open(kitchen, band, precise):
    text = (
        kitchen.WATERS
        + band
        + ('\n[[questions]]\ntext = "Which bakes better?"\nfactor = "water"\nresponse = "score"\n')
    )
    spread = replace(precise, score=3.0)
    waters = {"tap": {"cost_per_l": 0.01}, "reverse osmosis": {"cost_per_l": 0.3},
              "bottled": {"cost_per_l": 0.3}}  # fmt: skip
    decision = decide(kitchen.invent(text, same_waters, spread=spread, waters=waters,
                                     score=lambda *_: 6.0))  # fmt: skip
    choice = next(c for c in decision.choices if c.factor.name == "water")
    assert all(o.verdicts["bake score"] == "not settled" for o in choice.options)
    assert not choice.cheapest
    assert "bake score not settled against" in " ".join(decision.text().split())


def test_without_a_window_nothing_is_recommended(kitchen):
    decision = decide(kitchen.invent(kitchen.PLAIN, lambda _: 5.5))
    assert decision.recommended == {} and decision.chance is None
    assert "cannot tell one" in str(decision)
    assert decision.table["chance"].isna().all()
    assert np.isfinite(decision.table["estimate"]).all()


def test_score_means_stand_beside_the_chances(decided):
    assert {"score", "score_low", "score_high"} <= set(decided.table.columns)
    assert decided.table["score"].between(0, 10).all()


def test_confirmation_is_wider_for_one_ball_than_for_the_mean(decided):
    c = decided.confirmation
    assert c.single_low < c.low < c.high < c.single_high
    row = decided.row_of(decided.recommended)
    # the middle of 4,000 draws of the mean, written with six digits
    assert (c.low + c.high) / 2 == pytest.approx(row["estimate"], abs=0.002)


def test_lines_fit_and_say_what_must_be_said(decided):
    text = decided.text()
    assert max(map(len, text.splitlines())) <= 80
    short = str(decided).splitlines()
    assert len(short) <= 15 and max(map(len, short)) <= 80
    for shown in (text, str(decided)):
        assert "whether a water is fit to drink is not judged here." in shown
        assert "food safety follows your own plan" in shown
        assert " safe" not in shown.replace("food safety", "")
    assert "new days included as far as 4 days tell" in " ".join(text.split())
    assert "about" in decided._repr_html_()


def test_same_trial_gives_the_same_words(windowed_ph):
    assert decide(windowed_ph).text() == decide(windowed_ph).text()


def test_nothing_recorded_or_planned_is_said(windowed_ph):

    with pytest.raises(MissingRecords, match="No pH has been recorded"):
        decide(replace(windowed_ph, records=Records()))
    with pytest.raises(PlanError):
        decide(replace(windowed_ph, frozen_plan=None))


def test_interim_decisions_say_so(windowed_ph):
    trial = windowed_ph.with_readings(windowed_ph.records.readings[:-6])
    assert "Interim: records are still to come." in decide(trial).text()


def test_command_prints_the_decision_and_json_its_numbers(kitchen, band, tmp_path, capsys):
    from doughlab.cli import main
    from doughlab.plan.plan import write_plan
    from doughlab.record.journal import append
    from doughlab.trial import Trial

    text = kitchen.PLAIN + band
    invented = kitchen.invent(text, lambda x: 6.0 - float(x["hold"]) / 100)
    folder = str(Trial.create(tmp_path / "t", text).folder)
    write_plan(invented.frozen_plan, folder)
    keep = {"ball_id", "read_at", "ph", "method"}
    rows = [{k: v for k, v in r.items() if k in keep} for r in invented.records.readings]
    append(tmp_path / "t", invented.settings.table("readings"), rows)
    main(["decide", folder])
    out = capsys.readouterr().out
    assert out.startswith(f"read {folder}\nUse ")
    main(["decide", folder, "--json"])
    data = json.loads(capsys.readouterr().out)
    assert (data["window"]["low"], data["window"]["high"]) == (5.35, 5.75)
    assert data["window"]["words"] == "The band 5.35-5.75 is the one that trial.toml gives."
    assert set(data["recommended"]) == {"water", "hold"}
    assert len(data["settings"]) == 6 and 0 < data["chance"][0] < 1


def test_pairs_are_judged_also_where_the_question_was_a_slope(kitchen, precise):
    text = kitchen.PLAIN.replace(
        '[factors.hold]', '[factors.yeast]\nset = "batch"\nkind = "number"\n'
        'levels = [0.1, 0.2, 0.4]\nunit = "pct"\n\n[factors.hold]'
    ) + (
        '\n[[questions]]\ntext = "How much yeast?"\nfactor = "yeast"\nresponse = "ph"\n'
        'contrast = "slope"\n\n[window]\nlow = 5.35\nhigh = 5.75\n'
    )  # fmt: skip
    trial = kitchen.invent(text, lambda x: 5.6 - 0.5 * float(x["yeast"]), spread=precise)
    decision = decide(trial)
    choice = next(c for c in decision.choices if c.factor.name == "yeast")
    verdicts = {o.level: o.verdicts["pH"] for o in choice.options}
    assert "not settled" not in verdicts.values()
    assert "matters" in verdicts.values() or "differs" in verdicts.values()


def test_waters_alike_at_the_hold_of_use_are_not_swapped_where_they_are_apart(kitchen, precise):
    """Alike at 24 and 48 h (use_hold_h), 0.2 apart at 72 h, where the only good setting lies."""
    text = kitchen.WATERS_PH + "\n[window]\nlow = 5.45\nhigh = 5.65\n"

    def truth(levels):
        apart = levels["hold"] == "72" and levels["water"] != "reverse osmosis"
        temperature = {"54 F": 0.02, "64 F": -0.02}[levels["mixing_water"]]
        return {"24": 6.0, "48": 5.85, "72": 5.55}[levels["hold"]] + 0.2 * apart + temperature

    costs = {"tap": 0.002, "reverse osmosis": 0.03, "bottled": 0.35}
    waters = {w: {"cost_per_l": c} for w, c in costs.items()}
    decision = decide(kitchen.invent(text, truth, spread=precise, waters=waters))
    assert decision.recommended["water"] == "reverse osmosis"
    assert decision.recommended["hold"] == "72"
    tap = next(o for c in decision.choices for o in c.options if o.level == "tap")
    assert tap.answered == {"pH": "same"} and tap.verdicts == {"pH": "matters"}
    assert not tap.either and tap.swapped.less_high < 0
    said = " ".join(decision.text().split())
    assert "Tap: another pH than reverse osmosis" in said and "the same pH as tap" not in said


@pytest.mark.parametrize("seed", range(4))
def test_no_tried_setting_is_shown_to_beat_the_recommended_one_by_one_of_ten(kitchen, seed):
    """Random cell means: whatever verdicts say, the chance of the choice is never far below."""
    rng = np.random.default_rng(100 + seed)
    text = kitchen.WATERS_PH + "\n[window]\nlow = 5.45\nhigh = 5.65\n"
    shift = {(w, h): rng.normal(0, 0.1) for w in ("tap", "reverse osmosis", "bottled")
             for h in ("24", "48", "72")}  # fmt: skip
    waters = {w: {"cost_per_l": c} for w, c in (("tap", 0.01), ("reverse osmosis", 0.02),
                                                ("bottled", 0.03))}  # fmt: skip
    trial = kitchen.invent(text, lambda x: 5.55 + shift[x["water"], x["hold"]], seed=seed,
                           waters=waters)  # fmt: skip
    decision = decide(trial)
    best = decision.table["chance"].max()
    row = decision.row_of(decision.recommended)
    assert row["chance"] > best - 0.1
    assert not any(o.either and o.swapped.less_low <= -0.1
                   for c in decision.choices for o in c.options)  # fmt: skip


def test_a_setting_of_another_hold_is_named_with_all_it_changes(decided):
    said = " ".join(decided.text().split())
    for choice in decided.choices:
        for option in choice.options:
            changed = {n for n, level in option.best.setting.items()
                       if n != choice.factor.name and level != decided.recommended[n]}  # fmt: skip
            assert option.best.setting[choice.factor.name] == option.level
            if not option.either and not changed:
                assert "inside at these settings" in said
            for name in changed if not option.either else ():
                assert f"{option.best.setting[name]}" in said.split("at best", 1)[1]


def test_settings_are_compared_within_a_mixing_day(kitchen, band):
    """Two settings that differ in one factor get the verdict of that factor's difference there.

    Mixing days are fixed terms here; their level falls out of the difference.
    """
    trial = kitchen.invent(kitchen.WATERS_PH + band, kitchen.usual_truth)
    analysis = analyse(trial, "ph")
    assert "block" in analysis.model.fixed
    factor = analysis.settings.factor("mixing_water")
    for water in ("tap", "bottled"):
        for hold in ("24", "72"):
            setting = {"water": water, "hold": hold}
            one, other = (setting | {"mixing_water": level} for level in ("64 F", "54 F"))
            told = compare_levels(analysis.model, factor, setting=setting)[0]
            assert verdict_of_settings(analysis, one, other) == told.verdict


@pytest.mark.parametrize(
    ("left", "missing"),
    [
        (0, "No pH has been recorded for any of the 72 balls planned. Enter readings: doughlab "
            "record reading."),
        (1, "1 ball of 1 batch does not tell the planned comparisons yet. Record more balls, of "
            "other batches first."),
    ],
)  # fmt: skip
def test_without_readings_the_reason_is_said_and_no_question_counts_as_closed(
    windowed, left, missing
):
    bare = windowed.with_readings(list(windowed.records.readings[:left]))
    found = analyse_all(bare)
    said = " ".join(" ".join(brief_lines(decide(bare, analyses=found), found)).split())
    assert said.startswith(
        "Too early: nothing is recommended yet, because pH cannot be judged yet. What is missing: "
        f"{missing} Open: pH: Which water? Not answered: it cannot be analysed yet."
    )
    assert "no question is open" not in said and "What next: 1 " in said


def test_a_band_narrower_than_the_spread_asks_for_a_wider_one():
    """Means lie beside the band; by the normal law 12 of 100 at best are inside 0.02 with SD 0.065,
    so no other setting would help, while 98 of 100 would be inside 0.30."""
    best = pd.Series({"estimate": 5.53, "sd": 0.065, "chance": 0.1})
    for ends, missing in (
        ((5.54, 5.56), "balls that differ less from one another, or a wider band"),
        ((5.54, 5.84), "settings that were not tried yet and give a higher value"),
    ):
        assert _under_half(best, SimpleNamespace(ends=ends, text=""))[1] == missing


def test_one_wild_reading_is_named_before_a_wider_band_is_asked_for(windowed_ph):
    rows = [dict(r) for r in windowed_ph.records.readings]
    rows[5]["ph"] = 8.8
    early = decide(windowed_ph.with_readings(rows)).early
    assert early.missing.startswith(
        f"a second look at {rows[5]['ball_id']}, far from its setting; or "
    )


def test_how_many_fewer_is_rounded_outwards():
    """By hand: 1.04 fewer is not "1 fewer", which would be as good to within one of ten."""
    cell = Cell({}, 0.9, 0.8, 0.95, less_low=-0.104, less_high=0.021)
    assert not cell.as_good
    assert against_words(cell) == "not settled: 2 fewer to 1 more of 10"
