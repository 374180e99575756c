"""Ready trials: each is written, planned, kept and checked without a question."""

import csv
import json

import pytest

from doughlab.cli import main
from doughlab.commands.ready import INVENTED, READY

SIZES = {
    "choose-water": (24, 8), "water-ph": (16, 4), "hardness-back": (32, 8),
    "hold-temperature": (15, 5), "pilot": (6, 3), "scale-up": (20, 5), "flour-lot": (4, 1),
    "meter-study": (2, 1), "dough-by-hand": (16, 4), "first-week": (8, 4),
}  # fmt: skip


@pytest.mark.parametrize("name", READY)
def test_a_ready_trial_is_planned_kept_and_checked(name, tmp_path, capsys):
    folder = tmp_path / "ready"
    assert main(["new", str(folder), "--for", name]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert f"ready trial: {READY[name].about} still needed: your own numbers of 'tap'" in said
    assert main(["plan", str(folder), "--keep", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert (data["batches"], data["days"]) == SIZES[name]
    assert main(["check", str(folder)]) == 0
    with (folder / "waters.csv").open(encoding="utf-8", newline="") as file:
        assert {row["said_by"] for row in csv.DictReader(file)} == {INVENTED}
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    assert "$" not in text and max(map(len, text.splitlines())) <= 100


def test_an_unknown_ready_trial_names_the_nearest(tmp_path, capsys):
    assert main(["new", str(tmp_path / "x"), "--for", "pilto"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said.startswith(
        "doughlab new: ready trial 'pilto' is not known. Did you mean 'pilot'? Known: "
    )


def test_a_ready_trial_takes_no_answers(tmp_path, capsys):
    assert main(["new", str(tmp_path / "x"), "--for", "pilot", "--vary", "hold 24, 48 h"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab new: --for pilot is ready as it stands, so --vary is not used. Take it away, and "
        "edit trial.toml afterwards."
    )
    assert not (tmp_path / "x" / "trial.toml").exists()


def test_a_ready_trial_says_how_to_see_fahrenheit(tmp_path, capsys):
    folder = tmp_path / "pilot"
    assert main(["new", str(folder), "--for", "pilot"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert 'write into trial.toml: [units] and under it temperature = "F"' in said
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(f'{text}\n[units]\ntemperature = "F"\n', encoding="utf-8")
    assert main(["record", "temperature", "cooler", "3.5C", str(folder)]) == 0
    capsys.readouterr()
    from doughlab.trial import Trial

    assert Trial.open(folder).settings.show_temperature == "F"
