"""The look study, a small part of it again, and what its table says."""

import csv
from math import sqrt
from pathlib import Path

import pytest

from ..loading import load_script

HERE = Path(__file__).parent
FEW = 2000


study = load_script(HERE / "look_study.py")


def table(**wanted):
    with (HERE / "look_study.csv").open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file)
                if all(r[k] == v for k, v in wanted.items())]  # fmt: skip
    assert rows
    return rows


def within(share, trials, *, limit=0.05):
    """Tell whether a share is at most the limit, give or take three standard errors."""
    return share <= limit + 3 * sqrt(limit * (1 - limit) / trials)


@pytest.mark.parametrize("spend", ["late", "even"])
def test_planned_looks_keep_five_per_cent_for_8_to_24_batches(spend):
    rows = table(table="looks", term="water", spend=spend)
    assert {r["bench"] for r in rows} == {b.name for b in study.BENCHES}
    assert {r["batches"].split("/")[-1] for r in rows} == {"8", "12", "16", "18", "20", "24"}
    assert all(within(float(r["overall"]), int(r["trials"])) for r in rows)


def test_looks_add_nothing_to_what_one_look_errs_within_batches():
    """Holds are compared within batches: one look errs in up to 5.9 % where batches do not differ.

    That is the batch variance estimated at zero, not the looks; with them it is no more.
    """
    late = table(table="looks", term="hold", spend="late")
    once = table(table="looks", term="hold", spend="once")
    for a, b in zip(late, once, strict=True):
        assert (a["bench"], a["batch_ratio"]) == (b["bench"], b["batch_ratio"])
        limit = max(0.05, float(b["overall"]))
        assert float(a["overall"]) <= limit + 3 * sqrt(2 * limit * (1 - limit) / int(a["trials"]))


def test_looks_that_do_not_share_the_error_do_not_keep_it():
    rows = table(table="looks", term="water", spend="none", batch_ratio="4")
    assert all(float(r["overall"]) > 0.07 for r in rows)
    four = table(table="looks", spend="none", bench="24 four looks", batch_ratio="4")[0]
    assert float(four["overall"]) > 0.12


def test_a_new_part_judged_alone_keeps_five_per_cent_whenever_it_is_added():
    rows = table(table="extend", spend="alone")
    few = [int(r["trials"]) * float(r["extended"]) for r in rows]
    assert all(within(float(r["judged"]), n) for r, n in zip(rows, few, strict=True))


def test_two_parts_judged_alone_are_two_trials():
    """Each keeps its 5 %; a false alarm in either is as likely as in two trials."""
    for r in table(table="extend", spend="alone"):
        expected = float(r["first"]) + float(r["extended"]) * 0.05
        assert float(r["overall"]) <= expected + 3 * float(r["error"])


def test_planned_extensions_keep_five_per_cent_in_all():
    rows = table(table="extend", spend="looks")
    assert all(within(float(r["overall"]), int(r["trials"])) for r in rows)


def test_pooling_after_an_unplanned_look_does_not():
    rows = table(table="extend", spend="pooled", bench="24", margin="1.7000")
    few = [int(r["trials"]) * float(r["extended"]) for r in rows]
    assert not any(within(float(r["judged"]), n) for r, n in zip(rows, few, strict=True))
    assert not within(float(rows[-1]["overall"]), int(rows[-1]["trials"]))


@pytest.mark.parametrize("bench", [study.BENCHES[1], study.BENCHES[4], study.BENCHES[7]])
def test_a_few_trials_again(bench):
    row = study.study_looks(bench, 1.0, spend="late", term="water", trials=FEW)
    assert within(float(row["overall"]), FEW)


@pytest.mark.parametrize("way", ["looks", "alone", "pooled"])
def test_a_few_extensions_again_agree_with_the_table(way):
    bench = study.BENCHES[6]
    row = study.study_extension(bench, 0.25, way=way, trials=FEW)
    kept = table(table="extend", spend=way, bench="24", batch_ratio="0.25", margin="1.7000")[0]
    for column in ("extended", "first", "overall"):
        p = float(kept[column])
        assert abs(float(row[column]) - p) <= 4 * sqrt(p * (1 - p) / FEW) + 2e-4
