"""What another instrument is worth in batches, and what a coarse scale does to a small dose."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.instruments import ReadingMethod
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"


@pytest.fixture(scope="module")
def with_meter(without, change):
    """Three waters, one pH ball a batch: nothing but batches, balls and readings differ."""
    small = without("mixing_water", "hydration", "hold", "score")
    small = change(small, blocks={"days": 6, "batches_per_day": 3, "replicates": 6})

    def make(kind, step, reading_sd, *, batch_sd=0.05, replicates=6, n=3):
        return change(
            small,
            reading_method=ReadingMethod(kind, resolution=step, readings_per_ball=n),
            assumed={"ph": replace(small.assumed["ph"], reading_sd=reading_sd, batch_sd=batch_sd)},
            blocks={"days": replicates, "replicates": replicates},
        )

    return make


def bought(settings):
    (purchase,) = plan_precision(settings, build_plan(settings)).purchases
    return purchase


def test_the_coarse_meter_finds_what_a_plan_with_it_finds(with_meter):
    """The offer of 0.1 beside an own meter of 0.01 is the plan whose own meter has steps of 0.1."""
    fine = bought(with_meter("slurry", 0.01, 0.02))
    coarse = next(o for o in fine.offers if o.step == 0.1)
    sd = (0.1**2 / 12 + (0.02**2 - 0.01**2 / 12)) ** 0.5  # same repeatability, other rounding
    own = bought(with_meter("slurry", 0.1, sd)).own
    assert own.spread == pytest.approx(coarse.spread)
    assert own.chances.found_80 == pytest.approx(coarse.chances.found_80, rel=1e-6)


def test_so_many_more_batches_find_as_much_with_the_coarse_meter(with_meter):
    """The number is checked by building that plan with the coarse meter, and one day less."""
    fine = bought(with_meter("slurry", 0.01, 0.02, batch_sd=0.02))
    coarse = next(o for o in fine.offers if o.step == 0.1)
    assert coarse.as_finest > 18
    sd = (0.1**2 / 12 + (0.02**2 - 0.01**2 / 12)) ** 0.5
    days = -(-coarse.as_finest // 3)
    for replicates, enough in ((days, True), (days - 1, False)):
        larger = bought(with_meter("slurry", 0.1, sd, batch_sd=0.02, replicates=replicates))
        found = larger.own.chances.found_80
        assert (found <= fine.own.chances.found_80 * 1.005) is enough


def test_a_finer_meter_never_finds_less_and_one_lost_batch_never_more(with_meter):
    purchase = bought(with_meter("slurry", 0.01, 0.02))
    assert [o.step for o in purchase.offers] == [0.5, 0.1, 0.01]
    assert purchase.own is purchase.finest
    assert purchase.offers[1].chances.found_margin <= purchase.own.chances.found_margin
    assert purchase.lost.found_margin < purchase.own.chances.found_margin


def test_a_step_wider_than_the_margin_is_reckoned_with_no_number(with_meter):
    purchase = bought(with_meter("strip", 0.5, 0.29))
    strip = purchase.own
    assert (strip.sees, strip.units, strip.as_finest) == (False, None, None)
    assert purchase.sentence == (
        'For "Which water?" the margin of 0.10 needs a meter with steps of 0.1: no number of '
        "batches makes up for a strip with steps of 0.5."
    )
    assert "cannot see it" in str(purchase)


def test_the_sentence_counts_the_finer_meter_in_batches(with_meter):
    purchase = bought(with_meter("slurry", 0.1, 0.031, batch_sd=0.02))
    more = purchase.own.as_finest - 18
    assert more > 1
    assert purchase.sentence.startswith(
        f'For "Which water?" your meter with steps of 0.1 needs {more} more batches for what a '
        "meter with steps of 0.01 finds: the finer one pays where it costs less. 0.10 is then "
        "found "
    )
    assert max(map(len, str(purchase).splitlines())) <= 80
    assert len(purchase.table) == 3 and "<pre>" in purchase._repr_html_()


def test_an_instrument_of_ones_own_stands_in_the_table(with_meter):
    purchase = bought(with_meter("slurry", 0.05, 0.03))
    assert [o.step for o in purchase.offers] == [0.5, 0.1, 0.05, 0.01]
    assert purchase.own.step == 0.05


def test_where_batches_differ_most_the_coarse_meter_does_as_well(with_meter):
    purchase = bought(with_meter("slurry", 0.01, 0.02, batch_sd=0.4))
    assert purchase.sentence == (
        'For "Which water?" a meter with steps of 0.1 would find as much as your meter with steps '
        "of 0.01."
    )


def test_the_plan_says_the_sentence_among_its_notes(with_meter):
    settings = with_meter("slurry", 0.01, 0.02)
    precision = plan_precision(settings, build_plan(settings))
    assert precision.purchases[0].sentence in precision.notes


def test_without_a_question_on_a_ph_nothing_is_weighed(kitchen, change):
    settings = change(questions=tuple(q for q in kitchen.questions if q.response != "ph"))
    assert plan_precision(settings, build_plan(settings)).purchases == ()


def test_the_command_gives_machines_the_table_and_cooks_the_sentence(tmp_path, capsys):
    for name in ("trial.toml", "waters.csv", "formula.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    assert main(["plan", str(tmp_path), "--json"]) == 0
    facts = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    rows = {row["step"]: row for row in facts["instruments"]}
    assert list(rows) == [0.5, 0.1, 0.01]
    assert rows[0.5]["found_80"] is None and rows[0.01]["own"] is True
    assert rows[0.01]["as_finest"] == 24 < rows[0.1]["as_finest"]
    assert facts["carried"] == [] and "1 g are up to" in facts["doses"][0]
    said = " ".join(facts["found"])
    assert 'For "Which water?" a meter with steps of 0.1 would' in said
    assert facts["doses"][0] in " ".join(said.split())
