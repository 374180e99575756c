"""`doughlab plan`: shows, warns first, keeps, and refuses."""

import json
import re
import shutil
from pathlib import Path

import pytest

from doughlab.cli import main

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
FILES = ("trial.toml", "waters.csv", "formula.toml")


@pytest.fixture
def folder(tmp_path):
    """The demo's settings, without its plan and records."""
    for name in FILES:
        shutil.copy(DEMO / name, tmp_path / name)
    return tmp_path


@pytest.fixture
def small(folder):
    """The same with the waters and the holds alone, judged on pH: 6 batches on 2 days."""
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    kept = []
    for section in re.split(r"^(?=\[)", text, flags=re.MULTILINE):
        if re.match(
            r"\[(factors\.(mixing_water|hydration)|responses\.score|assumed\.score)\]", section
        ):
            continue
        if section.startswith("[[questions]]") and not re.search(
            r'factor = "(water|hold)"\nresponse = "ph"', section
        ):
            continue
        kept.append(section)
    text = "".join(kept).replace("days = 4", "days = 2").replace("per_day = 6", "per_day = 3")
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def say(capsys):
    def run(*words):
        code = main(list(map(str, words)))
        out, err = capsys.readouterr()
        return code, out, err

    return run


def edit(folder, pattern, new, name="trial.toml"):
    file = folder / name
    text, count = re.subn(pattern, new, file.read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert count == 1, pattern
    file.write_text(text, encoding="utf-8")


def test_shows_what_the_plan_needs_and_finds_and_writes_nothing(folder, say):
    code, out, err = say("plan", folder)
    lines = out.splitlines()
    assert code == 0 and err == ""
    assert re.fullmatch(
        r"24 batches on 4 mixing days, 6 a day; 7 balls each: 168 balls, 26\.\d kg flour", lines[0]
    )
    assert re.match(r"reading and baking in \d sessions; 4 of them serve two holds", lines[1])
    assert lines[2] == "moving one thing at a time, differences as sure would take 51 batches"
    assert lines[3].split() == ["on", "based", "on", "finds", "4", "in", "5", "shows", '"same"']
    for word in ("water", "mixing water", "hydration", "hold"):
        assert any(line.startswith(f"  {word} ") for line in lines[4:12])
    assert lines[-2] == "nothing is written yet"
    assert lines[-1] == f"next: keep this plan: doughlab plan {folder} --keep"
    assert all(len(line) <= 80 for line in lines[:-1])
    assert not (folder / "plan").exists()


def test_more_adds_what_is_found_nine_times_in_ten(folder, say):
    short = say("plan", folder)[1].splitlines()
    code, out, _ = say("plan", folder, "--more")
    lines = out.splitlines()
    assert code == 0 and [line for line in short if line not in lines] == []
    head = next(line for line in lines if line.endswith("at half"))
    rows = lines[lines.index(head) + 1 :][:8]
    assert all(re.search(r"\d\.\d+ +\d\.\d+ +\+-\d\.\d+", row) for row in rows)


def test_keeps_the_plan_that_was_shown(small, say):
    code, out, _ = say("plan", small, "--keep")
    assert code == 0
    for name in ("batches.csv", "balls.csv", "schedule.csv", "plan.lock"):
        assert f"wrote plan/{name}" in out and (small / "plan" / name).exists()
    kept = {p.name: p.read_bytes() for p in (small / "plan").iterdir()}
    code, out, _ = say("plan", small, "--keep")
    assert code == 0 and "wrote" not in out and "this plan is kept" in out
    assert {p.name: p.read_bytes() for p in (small / "plan").iterdir()} == kept


def test_another_seed_is_another_order_until_there_are_records(small, say):
    say("plan", small, "--keep")
    one = (small / "plan/batches.csv").read_text()
    code, out, _ = say("plan", small, "--seed", 5)
    assert code == 0 and out.splitlines()[-1].endswith("--seed 5 --keep")
    assert (small / "plan/batches.csv").read_text() == one
    assert say("plan", small, "--seed", 5, "--keep")[0] == 0
    two = (small / "plan/batches.csv").read_text()
    assert two != one
    assert json.loads((small / "plan/plan.lock").read_text())["seed"] == 5
    (small / "record").mkdir()
    (small / "record/notes.csv").write_text("entry_id\n1\n", encoding="utf-8")
    code, out, err = say("plan", small, "--seed", 6, "--keep")
    assert code == 1 and out == ""
    assert err.startswith(
        "doughlab plan: A plan is kept already and record/notes.csv holds records"
    )
    assert (small / "plan/batches.csv").read_text() == two


def test_a_kept_plan_shows_what_was_changed_since(small, say):
    say("plan", small, "--keep")
    edit(small, r"^margin = 0\.10", "margin = 0.20")
    code, out, _ = say("plan", small)
    assert code == 0
    assert "changed after the plan: the margin of 'ph' was 0.1, is 0.2" in " ".join(out.split())


def test_a_plan_that_cannot_answer_says_so_first(folder, say):
    edit(folder, r"^replicates = 2.*", "replicates = 1")
    edit(folder, r"^days = 4", "days = 2")
    code, out, _ = say("plan", folder)
    assert code == 0
    assert out.startswith(
        'This plan cannot answer "Which water?" (pH): 4 batches for each level of'
    )
    assert " ".join(out.split()).count("This plan cannot answer") >= 2
    assert "More batches: replicates in [blocks] of trial.toml (now 1), then days" in out


def test_a_factor_is_asked_about_by_its_title_or_the_beginning_of_its_name():
    from doughlab.commands.decide import read_at
    from doughlab.sections import Factor

    own = {
        "water": Factor("water", "batch", "water", ("tap", "ro")),
        "water_temp_c": Factor(
            "water_temp_c", "batch", "number", ("12", "18"), "temp_c", "mixing water"
        ),
        "hold": Factor("hold", "ball", "number", ("24", "48"), "h"),
    }
    for name in ("mixing_water", "Mixing water", "mixing", "water_temp_c", "water temp"):
        assert read_at([f"{name}=59 F"], own) == {"water_temp_c": "59 F"}, name
    assert read_at(["water=ro", "hold_h=40"], own) == {"water": "ro", "hold": "40"}
    assert read_at(["salt=2"], own) == {"salt": "2"}


def test_json_says_the_same(folder, say):
    code, out, _ = say("plan", folder, "--json")
    facts = json.loads(out, parse_constant=pytest.fail)
    assert code == 0 and facts["kept"] is False
    assert (facts["batches"], facts["balls"], facts["days"]) == (24, 168, 4)
    assert facts["one_factor_batches"] == 51
    lines = {(row["term"], row["response"], row["level"]): row for row in facts["precision"]}
    assert lines["water", "ph", "48"]["n"] == 24
    assert lines["hold", "ph", ""]["based_on"] == "72 balls"


def test_days_that_do_not_fit_are_refused_with_what_would(folder, say):
    edit(folder, r"^days = 4", "days = 3")
    code, out, err = say("plan", folder)
    assert (code, out) == (1, "")
    said = " ".join(err.split())
    assert "This plan needs 24 batches (12 combinations x 2 batches); 3 days of 6 give 18." in said


def test_a_water_that_is_not_there_is_refused(small, say):
    edit(small, r"^bottled,", "botled,", name="waters.csv")
    code, _, err = say("plan", small)
    assert code == 1 and "Did you mean 'botled'?" in " ".join(err.split())


def test_a_wrong_formula_is_refused_with_its_line(small, say):
    edit(small, r"^salt = .*", "sallt = 2.5", name="formula.toml")
    code, _, err = say("plan", small)
    assert code == 1 and "formula.toml, row" in err and "Did you mean 'salt'?" in err


def test_a_plan_without_dates_is_not_kept(small, say):
    edit(small, r"^start_on = .*", "")
    assert say("plan", small)[0] == 0
    code, _, err = say("plan", small, "--keep")
    assert code == 1 and 'start_on = "YYYY-MM-DD" in [blocks]' in err
    assert not (small / "plan").exists()


def test_without_formula_and_waters_it_still_plans(small, say):
    (small / "formula.toml").unlink()
    (small / "waters.csv").unlink()
    code, out, _ = say("plan", small)
    assert code == 0 and "24 balls\n" in out, out
    assert "- No formula.toml yet, so the flour is not counted." in out.splitlines()


def test_a_folder_that_is_no_trial_says_what_to_do(tmp_path, say):
    code, _, err = say("plan", tmp_path / "nowhere")
    assert code == 1 and "trial.toml: does not exist, so this is no trial folder." in err


def test_a_kept_plan_gives_way_to_a_changed_one_until_there_are_records(small, say):
    """Without this a change of trial.toml after --keep was passed over in silence."""
    assert say("plan", small, "--keep")[0] == 0
    before = (small / "plan" / "batches.csv").read_text(encoding="utf-8")
    assert "asks for another plan" not in say("plan", small)[1]
    edit(small, r"^replicates = \d+", "replicates = 3")
    said = " ".join(say("plan", small)[1].split())
    assert "trial.toml asks for a plan by now that cannot be made; the kept one stays: " in said
    assert say("plan", small, "--keep")[0] == 1
    edit(small, r"^days = 2", "days = 3")
    _, out, _ = say("plan", small)
    said = " ".join(out.split())
    assert "trial.toml asks for another plan by now: 9 batches, " in said
    assert "; kept is one of 6 batches, " in said
    assert f"it can be kept anew: doughlab plan {small} --keep" in said
    assert (small / "plan" / "batches.csv").read_text(encoding="utf-8") == before
    code, out, _ = say("plan", small, "--keep")
    assert (code, out.splitlines()[-2]) == (0, "wrote plan/plan.lock")
    assert len((small / "plan" / "batches.csv").read_text(encoding="utf-8").splitlines()) == 10
    assert say("record", "temperature", "cooler", "38F", small)[0] == 0
    edit(small, r"^replicates = \d+", "replicates = 2")
    _, out, _ = say("plan", small, "--keep")
    said = " ".join(out.split())
    assert "Records are made under the kept one, so it stays: change trial.toml back" in said
    assert len((small / "plan" / "batches.csv").read_text(encoding="utf-8").splitlines()) == 10


def test_a_first_day_that_is_put_off_is_another_plan(small, say):
    assert say("plan", small, "--keep")[0] == 0
    edit(small, r'^start_on = ".*"', 'start_on = "2026-06-15"')
    said = " ".join(say("plan", small)[1].split())
    assert re.search(r"asks for another plan by now: 6 batches, .* 2 days from 2026-06-1", said)


def test_keeping_a_plan_that_cannot_answer_says_until_when_it_can_be_changed(small, say):
    edit(small, r"^replicates = \d+", "replicates = 1")
    code, out, _ = say("plan", small, "--keep")
    assert code == 0
    assert (
        "It cannot answer what stands first. Until the first record it can be kept anew: change "
        f"trial.toml, then again doughlab plan {small} --keep"
    ) in " ".join(out.split())
