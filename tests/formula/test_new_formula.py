"""The formula.toml of a new trial: every section stands there, and each of them can be used."""

import argparse
import importlib
import re

import pytest

from doughlab.commands.answers import DoughAnswer
from doughlab.commands.new_formula import formula_text
from doughlab.formula.formula import parse_formula
from doughlab.formula.reading import _TOP
from doughlab.formula.weighing import weigh_batch
from doughlab.sections import Factor

KEY = re.compile(r"^# (\[|\w+ = )")


def ask(name, *words):
    command = importlib.import_module(f"doughlab.commands.{name}")
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return command.run(parser.parse_args([str(w) for w in words]))


def whole(text):
    """The template with every remark that is a section or key taken in."""
    return "\n".join(line[2:] if KEY.match(line) else line for line in text.splitlines())


def test_every_section_of_the_file_stands_in_the_template():
    text = whole(formula_text(DoughAnswer(), []))
    sections = set(re.findall(r"^\[+(\w+)\]+", text, flags=re.MULTILINE))
    assert sections == set(_TOP) - {"format", "name"}


def test_the_template_as_written_is_read():
    formula, problems = parse_formula(formula_text(DoughAnswer(), []))
    assert problems == [] and formula is not None
    assert formula.percents == {"hydration": 62.0, "salt": 2.5, "yeast": 0.3}
    assert formula.minutes_to_ball() == 35 and formula.minutes_of_mixing() == 15


def test_all_of_it_at_once_is_a_dough():
    """By hand: 62 of water less 10 of the stiff, 10 of the sour, 4.4 of the milk leaves 37.6."""
    formula, problems = parse_formula(whole(formula_text(DoughAnswer(), [])))
    assert problems == [] and formula is not None
    assert formula.water_to_weigh_pct == pytest.approx(37.6)
    card = weigh_batch(formula)
    assert card.steps() == ["preferment stiff", "mix", "second mix"]
    assert (formula.mixer.carries_kg, formula.box.air, formula.yeast_kind) == (20, "box", "fresh")
    names = [p.name for p in card.parts if p.step == "mix"]
    assert {"strong flour", "whole flour", "stiff", "sour", "oil", "malt", "milk"} <= set(names)
    assert "white vinegar 5 %" in names


@pytest.mark.parametrize("section", sorted(set(_TOP) - {"format", "name", "percent", "batch"}))
def test_each_section_can_be_taken_in_alone(section):
    lines, inside = [], False
    for line in formula_text(DoughAnswer(), []).splitlines():
        head = re.match(r"^# \[+(\w+)\]+", line)
        inside = head[1] == section if head else inside and bool(KEY.match(line))
        lines.append(line[2:] if inside else line)
    formula, problems = parse_formula("\n".join(lines))
    assert problems == [] and formula is not None


def test_a_factor_gives_its_first_level_and_the_answers_their_numbers():
    hydration = Factor("hydration", "batch", "number", ("60", "65"), "pct", values=(60.0, 65.0))
    oil = Factor("oil", "batch", "number", ("0", "2"), "pct", values=(0.0, 2.0))
    text = formula_text(DoughAnswer('the "old" dough', 280.0, 14), [hydration, oil])
    formula, problems = parse_formula(text)
    assert problems == [] and formula is not None
    assert (formula.name, formula.ball_g, formula.balls) == ('the "old" dough', 280.0, 14)
    assert (formula.percents["hydration"], formula.percents["oil"]) == (60.0, 0.0)


def test_lines_are_no_wider_than_a_screen():
    assert max(map(len, formula_text(DoughAnswer(), []).splitlines())) <= 80


def test_a_new_trial_plans_mixes_and_ripens(tmp_path):
    """From nothing: new, plan, mix, a recorded mix, ripe; no answer was typed but the folder."""
    from doughlab.record.folder import read_folder
    from doughlab.record.journal import append

    folder = tmp_path / "harbour"
    options = ["dough", "question", "waters", "vary", "window", "difference", "kitchen", "meter"]
    ask("new", folder, *(w for o in options for w in (f"--{o}", "don't know")))
    ask("plan", folder, "--keep")
    mixed = ask("mix", folder, "--room", "72F", "--tap", "60F", "--dough", "75F")
    assert "for a dough of 75 °F" in str(mixed) and mixed.data["water_c"] > 0
    contents = read_folder(folder)
    assert contents.plan is not None
    step = next(r for r in contents.plan.schedule if r["step"] == "ball")
    append(folder, contents.settings.table("mixes"),
           [{"batch_id": step["item"], "mixed_at": step["due_at"], "balled_at": step["due_at"]}],
           now=step["due_at"])  # fmt: skip
    ball = next(b["ball_id"] for b in contents.plan.balls if b["batch_id"] == step["item"])
    later = step["due_at"].isoformat(timespec="minutes")
    shown = " ".join(str(ask("ripe", ball, folder, "--at", later)).split())
    assert "no curve over the hold yet: No pH is recorded yet" in shown
