"""`doughlab plan --extend`: shows, keeps, refuses; the folder works on as one trial."""

import json
import shutil
from pathlib import Path

import pytest

from doughlab.cli import main

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
LOOKS = "\n[looks]\nafter_batches = [24, 36]\n"


@pytest.fixture
def say(capsys):
    def run(*words):
        code = main(list(map(str, words)))
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.fixture
def folder(tmp_path):
    """The demo with its kept plan and its records."""
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("report", "notebooks"))
    return tmp_path / "demo"


def extend(say, folder, *more):
    return say("plan", folder, "--extend", "1 day", "--reason", "tap is open", *more)


def test_it_shows_and_writes_nothing(say, folder):
    before = {p.name: p.read_bytes() for p in (folder / "plan").iterdir()}
    code, out, _ = extend(say, folder)
    assert code == 0
    assert out.startswith("Part 2 (B25 to B30): 6 batches and ")
    assert "nothing is written yet" in out
    assert "as measured in this trial" in out and "no earlier trial" not in out
    assert before == {p.name: p.read_bytes() for p in (folder / "plan").iterdir()}
    assert max(map(len, [x for x in out.splitlines() if not x.startswith("next: ")])) <= 80


def test_what_to_type_next_keeps_what_was_shown(say, folder):
    _, out, _ = extend(say, folder, "--seed", "5")
    assert out.splitlines()[-1] == (
        f"next: keep it: doughlab plan {folder} --extend \"1 day\" --reason 'tap is open' "
        "--seed 5 --keep"
    )


def test_the_extended_trial_works_on(say, folder):
    code, out, _ = extend(say, folder, "--keep")
    assert code == 0
    assert "this part is kept; what was there stays as it was" in out
    code, out, _ = say("plan", folder)
    flat = " ".join(out.split())
    assert "by 6 batches, part 2 (B25 to B30): tap is open" in flat
    assert "No look was planned for part 2 (B25 to B30), so it is judged alone" in flat
    code, out, _ = say("today", folder)
    assert code == 0
    code, out, _ = say("check", folder)
    assert "changed after the plan" not in out
    package = json.loads((folder / "datapackage.json").read_text())
    assert "batches" in {r["name"] for r in package["resources"]}


def test_a_new_batch_is_recorded_like_any_other(say, folder):
    extend(say, folder, "--keep")
    code, _, _ = say("record", "mix", "B25", "--folder", folder)
    assert code == 0
    assert ",B25," in (folder / "record" / "mixes.csv").read_text().splitlines()[-1]
    code, _, err = say("record", "mix", "B31", "--folder", folder)
    assert code != 0
    assert "B31" in err


def test_a_changed_cell_of_the_first_part_is_found_beside_a_new_part(say, folder):
    extend(say, folder, "--keep")
    path = folder / "plan" / "batches.csv"
    lines = path.read_text().splitlines(keepends=True)
    cells = lines[1].split(",")
    cells[2] = str(int(cells[2]) + 5)
    path.write_text("".join([lines[0], ",".join(cells), *lines[2:]]))
    _, out, _ = say("check", folder)
    flat = " ".join(out.split())
    assert "a value in plan/batches.csv of part 1 (B01 to B24)." in flat
    assert "plan/batches.csv, row 2, column order: order is " in flat


def test_machines_get_the_same(say, folder):
    _, out, _ = extend(say, folder, "--json")
    data = json.loads(out)["data"] if "data" in json.loads(out) else json.loads(out)
    assert data["judged"] == "alone"
    assert data["batches"] == [f"B{i}" for i in range(25, 31)]
    assert data["reason"] == "tap is open"
    assert data["kept"] is False


def test_a_planned_extension_is_judged_together(say, tmp_path):
    for name in ("trial.toml", "waters.csv", "formula.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    with (tmp_path / "trial.toml").open("a", encoding="utf-8") as file:
        file.write(LOOKS)
    assert say("plan", tmp_path, "--keep")[0] == 0
    _, out, _ = extend(say, tmp_path)
    flat = " ".join(out.split())
    assert "The extension was planned before the data" in flat
    assert "The plan has 30 batches and no look is planned there; the next is after 36" in flat
    assert "What all parts together will find:" in out


def test_what_is_refused(say, tmp_path, folder):
    for name in ("trial.toml", "waters.csv", "formula.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    code, _, err = extend(say, tmp_path)
    flat = " ".join(err.split())
    assert code == 1
    assert flat.endswith(
        "No plan is kept here that could be extended. Keep one first: doughlab plan "
        f"{tmp_path} --keep"
    )
    code, _, err = say("plan", folder, "--reason", "so")
    assert " ".join(err.split()).endswith(
        "--reason goes with --extend: say how much is added, as --extend 12."
    )
    code, _, err = say("plan", folder, "--extend", "6", "--beside", folder)
    assert " ".join(err.split()).endswith(
        "--beside and --extend do not go together: extend first, then compare."
    )
    code, _, err = say("plan", folder, "--extend", "6")
    assert " ".join(err.split()).endswith(
        'An extension needs its reason, which is kept: --reason "water not settled".'
    )
    with (tmp_path / "trial.toml").open("a", encoding="utf-8") as file:
        file.write("\n[looks]\nafter_batches = [6, 12]\n")
    code, _, err = say("plan", tmp_path, "--keep")
    assert " ".join(err.split()).endswith(
        "trial.toml, [looks]: the last look is after 12 batches, the plan has 24. End "
        "after_batches with 24, or with more where an extension is planned."
    )
