"""`doughlab analyse`, and how a notebook finds its trial."""

import json

import pytest

from doughlab.cli import main
from doughlab.plan.plan import write_plan
from doughlab.record.journal import append
from doughlab.trial import Trial


@pytest.fixture(scope="module")
def folder(kitchen, tmp_path_factory):
    """A small trial on disk."""
    invented = kitchen.invent(kitchen.PLAIN, lambda x: 6 - 0.01 * float(x["hold"]))
    folder = Trial.create(tmp_path_factory.mktemp("trials") / "plain", kitchen.PLAIN).folder
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


def test_unknown_response_is_refused_with_the_known_ones(folder, capsys):
    assert main(["analyse", str(folder), "phh"]) == 1
    assert "Did you mean 'ph'?" in capsys.readouterr().err


def test_empty_trial_says_what_to_do(kitchen, tmp_path, capsys):
    folder = Trial.create(tmp_path / "t", kitchen.PLAIN).folder
    assert main(["analyse", str(folder)]) == 1
    assert "doughlab plan" in capsys.readouterr().err
    write_plan(kitchen.invent(kitchen.PLAIN, lambda _: 5.5).frozen_plan, folder)
    assert main(["analyse", str(folder)]) == 1
    assert "Enter readings: doughlab record reading" in capsys.readouterr().err


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
