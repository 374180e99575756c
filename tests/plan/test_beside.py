"""Plans side by side: every number is the one that the plan shows alone."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.errors import InputError
from doughlab.plan.beside import compare_plans
from doughlab.plan.facts import describe_plan
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"


@pytest.fixture(scope="module")
def pair(without, change):
    """Three waters on pH, 18 and 6 batches; the smaller one varies hydration as well."""
    one = change(
        without("mixing_water", "hydration", "hold", "score"),
        blocks={"days": 6, "batches_per_day": 3, "replicates": 6},
    )
    two = change(
        without("mixing_water", "hold", "score"),
        name="with hydration",
        blocks={"days": 2, "batches_per_day": 3, "replicates": 1},
    )
    return build_plan(one), build_plan(two)


def test_each_column_is_what_the_plan_says_alone(pair):
    beside = compare_plans(pair)
    table = beside.table.set_index(["what", "of"])
    for plan, own in zip(pair, beside.plans, strict=True):
        facts = describe_plan(plan.settings, plan)
        assert table.loc[("batches", ""), own.name] == facts.batches
        assert table.loc[("balls", ""), own.name] == facts.balls
        assert table.loc[("mixing days", ""), own.name] == facts.days
        line = plan_precision(plan.settings, plan).table.iloc[0]
        columns = {"finds_4_in_5": "found_80", "finds_9_in_10": "found_90",
                   "range": "half_width", "same_if_half": "same_if_half"}  # fmt: skip
        for what, column in columns.items():
            shown, alone = table.loc[(what, "water: pH"), own.name], line[column]
            assert shown == alone or (shown != shown and alone != alone)


def test_days_are_counted_from_the_first_mixing_to_the_last_reading(pair):
    beside = compare_plans(pair)
    for plan, own in zip(pair, beside.plans, strict=True):
        on = {row["due_at"].date() for row in plan.schedule}
        assert own.span_days == (max(on) - min(on)).days + 1


def test_what_one_plan_does_not_vary_is_said_to_be_missing(pair):
    text = compare_plans(pair, names=["waters", "waters and hydration"]).text()
    lines = text.splitlines()
    assert lines[:2] == ["A  waters", "B  waters and hydration"]
    wet = next(line for line in lines if line.startswith("  hydration: pH"))
    assert "not in it" in wet
    assert any(line.startswith("batches ") and line.split()[1:] == ["18", "6"] for line in lines)
    assert max(map(len, lines)) <= 80
    words = " ".join(" ".join(lines).split())
    assert not any(line.partition("  ")[0].endswith("..") for line in lines)  # wrapped, never cut
    assert "half days of" in words and "baking" in words


def test_what_is_mixed_up_or_not_answered_stands_below(pair):
    beside = compare_plans(pair)
    small = beside.plans[1]
    said = [*small.precision.warnings, *small.mixed_up]
    assert said
    text = " ".join(beside.text().split())
    assert f"B: {said[0]}" in text


def test_plans_of_one_name_are_numbered_and_the_short_form_says_what_is_left(pair):
    beside = compare_plans([pair[0], pair[0]])
    assert [p.name for p in beside.plans] == ["Invented kitchen (1)", "Invented kitchen (2)"]
    shown = str(beside).splitlines()
    assert len(shown) <= 15 and "<pre>" in beside._repr_html_() and repr(beside) == str(beside)


def test_four_plans_with_long_names_stay_within_80_columns(kitchen, change):
    long = replace(kitchen.factors["water"], title="water from the five possible sources of town")
    settings = change(factors={**kitchen.factors, "water": long})
    plan = build_plan(settings)
    lines = compare_plans([plan] * 4, names=["a" * 90, "b", "c", "d"]).text().splitlines()
    assert max(map(len, lines)) <= 80


def test_one_plan_or_five_are_refused(pair):
    with pytest.raises(InputError, match=r"^1 plans cannot stand side by side: give 2 to 4\.$"):
        compare_plans(pair[:1])
    with pytest.raises(InputError, match=r"^5 plans cannot stand side by side: give 2 to 4\.$"):
        compare_plans([pair[0]] * 5)
    with pytest.raises(InputError, match=r"^1 names for 2 plans: give one for each\.$"):
        compare_plans(pair, names=["a"])


@pytest.fixture
def folders(tmp_path):
    """The demo without plan and records, and beside it half of it as half.toml."""
    for name in ("trial.toml", "waters.csv", "formula.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    half = text.replace("days = 4", "days = 2").replace("replicates = 2", "replicates = 1")
    assert half != text
    (tmp_path / "half.toml").write_text(half, encoding="utf-8")
    return tmp_path


def test_the_command_sets_another_trial_file_beside(folders, capsys):
    assert main(["plan", str(folders), "--beside", str(folders / "half.toml")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("batches ") and line.split()[1:] == ["24", "12"] for line in lines)
    assert any(line.startswith("flour, kg ") for line in lines)
    assert "nothing is written" in lines and not (folders / "plan").exists()
    assert all(len(x) <= 80 for x in lines if not x.startswith(("next: ", "A  ", "B  ", "   ")))


def test_the_command_gives_machines_every_number(folders, capsys):
    args = ["plan", str(folders), "--beside", str(folders / "half.toml"), "--json"]
    assert main(args) == 0
    facts = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    rows = {(r["what"], r["of"]): r for r in facts["beside"]}
    one, two = facts["plans"]
    water = rows["finds_4_in_5", "water: pH"]
    assert 0 < water[one] < water[two]
    assert facts["warnings"][one] == [] and len(facts["warnings"][two]) == 2


def test_beside_writes_nothing_and_refuses_to_keep(folders, capsys):
    assert main(["plan", str(folders), "--beside", str(folders), "--keep"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab plan: --beside only looks. Keep one of the plans: doughlab plan FOLDER --keep"
    )
