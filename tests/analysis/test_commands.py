"""`doughlab analyse`, and how a notebook finds its trial."""

import json
import shutil

import pytest

from doughlab.cli import main
from doughlab.plan.plan import write_plan
from doughlab.record.journal import append
from doughlab.trial import Trial


@pytest.fixture(scope="module")
def folder(kitchen, tmp_path_factory):
    """A small trial on disk."""
    invented = kitchen.invent(kitchen.DAYS, lambda x: 6 - 0.01 * float(x["hold"]))
    folder = Trial.create(tmp_path_factory.mktemp("trials") / "plain", kitchen.DAYS).folder
    write_plan(invented.frozen_plan, folder)
    keep = {"ball_id", "read_at", "ph", "method"}
    rows = [{k: v for k, v in r.items() if k in keep} for r in invented.records.readings]
    append(folder, invented.settings.table("readings"), rows)
    return folder


def test_command_says_what_it_read_found_and_what_is_next(folder, capsys):
    main(["analyse", str(folder)])
    out = capsys.readouterr().out
    assert out.startswith(f"read {folder}\n30 pH balls planned, 30 read")
    assert "48 h instead of 24 h" in out and "matters" in out
    assert f"next: doughlab decide {folder}" in out


def test_json_holds_the_verdicts_unrounded(folder, capsys):
    main(["analyse", str(folder), "ph", "--json"])
    data = json.loads(capsys.readouterr().out)
    verdicts = data["responses"]["ph"]["verdicts"]
    assert {v["verdict"] for v in verdicts if "h instead" in v["contrast"]} == {"matters"}
    assert data["responses"]["ph"]["recorded"] == 30


def test_second_look_is_shown_only_when_asked_for(folder, kitchen, tmp_path, capsys):
    main(["analyse", str(folder), "ph"])
    plain = capsys.readouterr().out
    assert "second look" not in plain
    main(["analyse", str(folder), "ph", "--achieved"])
    out = capsys.readouterr().out
    assert "No second look at pH: No mix is recorded for any of the 10 batches" in out
    again = tmp_path / "again"
    shutil.copytree(folder, again)
    plan = Trial.open(folder).frozen_plan
    mixes = [
        {"batch_id": b["batch_id"], "mixed_at": kitchen.START, "dough_temp_c": 23.0 + 0.1 * (i % 4)}
        for i, b in enumerate(plan.batches)
    ]
    append(again, Trial.open(again).settings.table("mixes"), mixes)
    main(["analyse", str(again), "ph", "--achieved"])
    out = capsys.readouterr().out
    assert "A second look, not the answer: what was achieved" in out
    assert "dough temperature, per 1 °C" in out
    look = out[out.index("A second look") :].split("\n\n")[0].split("\nnext:")[0]
    assert max(len(line) for line in look.splitlines()) <= 80
    main(["analyse", str(again), "ph", "--achieved", "--json"])
    data = json.loads(capsys.readouterr().out)["responses"]["ph"]
    slope = data["achieved"]["slopes"][0]
    assert (slope["term"], slope["n"]) == ("achieved_dough_temp_c", 10)
    assert slope["ci_low"] < slope["estimate"] < slope["ci_high"]
    assert data["achieved"]["batches"][0]["achieved_water_ph"] is None
    main(["analyse", str(again), "ph", "--json"])
    alone = json.loads(capsys.readouterr().out)["responses"]["ph"]
    assert alone["verdicts"] == data["verdicts"]


def test_unknown_response_is_refused_with_the_known_ones(folder, capsys):
    assert main(["analyse", str(folder), "phh"]) == 1
    assert "Did you mean 'ph'?" in capsys.readouterr().err


def test_empty_trial_says_what_to_do(kitchen, tmp_path, capsys):
    folder = Trial.create(tmp_path / "t", kitchen.DAYS).folder
    assert main(["analyse", str(folder)]) == 1
    assert "doughlab plan" in " ".join(capsys.readouterr().err.split())
    write_plan(kitchen.invent(kitchen.DAYS, lambda _: 5.5).frozen_plan, folder)
    assert main(["analyse", str(folder)]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "Enter readings: doughlab record reading" in said


def test_notebook_opens_the_named_trial_else_the_demo(folder, monkeypatch):
    from doughlab.errors import InputError
    from doughlab.notebook import open_trial

    monkeypatch.setenv("DOUGHLAB_TRIAL", str(folder))
    assert open_trial().settings.code == "INV"
    monkeypatch.delenv("DOUGHLAB_TRIAL")
    assert open_trial().settings.code == "LQ"
    monkeypatch.setenv("DOUGHLAB_TRIAL", "no/such/folder")
    with pytest.raises(InputError, match="'no/such/folder', which is no folder"):
        open_trial()
