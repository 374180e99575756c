"""`doughlab report`: what it says, writes and answers to machines."""

import json

from doughlab.cli import main
from doughlab.report.page import REPORT
from doughlab.report.text import OWN


def test_command_writes_the_page_and_says_so(tmp_path, capsys, monkeypatch):
    settings = """
format = 1
name = "Small"
code = "SM"
[factors.salt]
set = "batch"
kind = "category"
levels = ["fine", "coarse"]
[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
"""
    (tmp_path / "trial.toml").write_text(settings, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert main(["report"]) == 0
    shown = capsys.readouterr().out
    assert "ph: not analysed. This folder has no plan yet." in shown
    assert "problem" not in shown
    assert f"wrote {REPORT} (" in shown
    assert max(map(len, shown.splitlines())) <= 80
    bad = tmp_path / "waters.csv"
    for kinds, words in ((("tea",), "1 problem in the folder was not used"),
                         (("tea", "milk"), "2 problems in the folder were not used")):  # fmt: skip
        rows = [f"w{i},{kind}" for i, kind in enumerate(kinds)]
        bad.write_text("\n".join(["water_id,kind", *rows, ""]), encoding="utf-8")
        assert main(["report"]) == 1
        assert words in capsys.readouterr().out
    bad.unlink()
    assert main(["report", ".", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["report"] == REPORT and facts["bytes"] == (tmp_path / REPORT).stat().st_size


def test_command_refuses_a_folder_that_is_no_trial(tmp_path, capsys):
    assert main(["report", str(tmp_path / "nothing")]) == 1
    assert "does not exist" in capsys.readouterr().err


def test_command_puts_the_texts_into_the_folder_once(tmp_path, capsys, monkeypatch):
    (tmp_path / "trial.toml").write_text('format = 1\nname = "S"\ncode = "SM"\n')
    monkeypatch.chdir(tmp_path)
    assert main(["report", ".", "--texts"]) == 0
    shown = capsys.readouterr().out
    assert "texts, every line out of force by its #" in shown and f"wrote {OWN}" in shown
    assert not (tmp_path / REPORT).exists()
    (tmp_path / OWN).write_text('head_plan = "Der Plan"\n')
    assert main(["report", ".", "--texts", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["written"] is False
    assert (tmp_path / OWN).read_text() == 'head_plan = "Der Plan"\n'
    (tmp_path / OWN).write_text('head_plam = "Der Plan"\n')
    assert main(["report", "."]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "report-texts.toml: text 'head_plam' is not known. Did you mean 'head_plan'?" in said
