"""`doughlab lab`: what it copies, what it never overwrites, and one server really started."""

import json
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import nbformat
import pytest

from doughlab.cli import main
from doughlab.commands.lab import lab_call
from doughlab.starter import copy_notebooks, starter_folder

ROOT = Path(__file__).parents[2]
SHIPPED = sorted(p.name for p in (ROOT / "notebooks").glob("*.ipynb"))


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "mine").mkdir()
    shutil.copy(ROOT / "trials" / "cake" / "trial.toml", tmp_path / "mine" / "trial.toml")
    return tmp_path / "mine"


def test_every_notebook_is_copied_once_and_what_is_there_is_kept(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder.parent)
    own = folder / "notebooks" / SHIPPED[1]
    own.parent.mkdir()
    own.write_text("mine", encoding="utf-8")
    assert main(["lab", "mine", "--check"]) == 0
    shown = capsys.readouterr().out
    assert f"notebooks: {len(SHIPPED) - 1} copies new, 1 kept as they are\n" in shown
    assert f"  kept {SHIPPED[1]}\n" in shown
    assert f"wrote mine/notebooks/{SHIPPED[0]}\n" in shown.replace("\\", "/")
    assert "next: doughlab lab mine" in shown
    assert own.read_text(encoding="utf-8") == "mine"
    assert sorted(p.name for p in own.parent.iterdir()) == SHIPPED, "notebooks only"
    changed = folder / "notebooks" / SHIPPED[0]
    changed.write_text("changed", encoding="utf-8")
    assert copy_notebooks(folder) == ([], SHIPPED)
    assert changed.read_text(encoding="utf-8") == "changed"


def test_copies_hold_the_same_cells_and_no_number_of_the_demo(folder):
    copy_notebooks(folder)
    for name in SHIPPED:
        given = nbformat.read(starter_folder("notebooks") / name, as_version=4)
        copy = nbformat.read(folder / "notebooks" / name, as_version=4)
        nbformat.validate(copy)
        assert [c.source for c in copy.cells] == [c.source for c in given.cells]
        assert copy.metadata == given.metadata
        assert not any(c.get("outputs") or c.get("execution_count") for c in copy.cells)


def test_check_tells_machines_what_would_be_started(folder, capsys):
    assert main(["lab", str(folder), "--check", "--no-browser", "--port", "8899", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["copied"] == SHIPPED and facts["kept"] == []
    assert facts["environment"] == {"DOUGHLAB_TRIAL": str(folder.resolve())}
    for word in ("--ServerApp.ip=127.0.0.1", "--ServerApp.port=8899", "--no-browser",
                 f"--ServerApp.root_dir={folder.resolve()}"):  # fmt: skip
        assert word in facts["start"]


def test_a_browser_is_opened_unless_told_otherwise(folder):
    assert "--no-browser" not in lab_call(folder)[0]
    assert "--no-browser" in lab_call(folder, browser=False)[0]


def test_a_folder_that_is_no_trial_gets_no_notebooks(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("empty").mkdir()
    assert main(["lab", "empty", "--check"]) == 1
    assert " ".join(capsys.readouterr().err.split()) == (
        "doughlab lab: 'empty' is no trial folder: there is no trial.toml in it. Name one that "
        "has one, or start one: doughlab new trials/my-trial"
    )
    assert list(Path("empty").iterdir()) == []


def test_a_file_in_the_way_is_not_touched(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    Path("notebooks").write_text("a list", encoding="utf-8")
    assert main(["lab", "--check"]) == 1
    assert " ".join(capsys.readouterr().err.split()) == (
        "doughlab lab: notebooks is a file. Rename it: the notebooks go into a folder there."
    )
    assert Path("notebooks").read_text(encoding="utf-8") == "a list"


def _free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def _ask(url, until):
    while True:
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                return json.load(answer)
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            if time.monotonic() > until:
                raise
            time.sleep(0.2)


@pytest.fixture
def apart(tmp_path, monkeypatch):
    """JupyterLab with a home of its own; it refuses the superuser, whom containers have."""
    for name in ("CONFIG", "RUNTIME", "DATA"):
        (tmp_path / name).mkdir()
        monkeypatch.setenv(f"JUPYTER_{name}_DIR", str(tmp_path / name))
    monkeypatch.setenv("JUPYTER_TOKEN", "dough")
    allow = {"ServerApp": {"allow_root": True}}
    own = tmp_path / "CONFIG" / "jupyter_server_config.json"
    own.write_text(json.dumps(allow), encoding="utf-8")
    return tmp_path


@pytest.mark.slow
def test_the_command_serves_the_folder_on_this_machine_and_stops_when_asked(folder, apart):
    port, tmp_path = _free_port(), apart
    call = [
        sys.executable,
        "-m",
        "doughlab",
        "lab",
        str(folder),
        "--no-browser",
        "--port",
        str(port),
    ]
    with (tmp_path / "said").open("wb") as said:
        command = subprocess.Popen(call, stdout=said, stderr=said)
    try:
        url = f"http://127.0.0.1:{port}/api/contents/notebooks?token=dough"
        found = _ask(url, time.monotonic() + 60)
        assert sorted(entry["name"] for entry in found["content"]) == SHIPPED
        with pytest.raises(OSError), socket.create_connection(("127.0.0.2", port), timeout=1):
            pass
    finally:
        command.send_signal(signal.SIGTERM)
        code = command.wait(timeout=60)
    assert code == 0, (tmp_path / "said").read_text()
    with pytest.raises(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        pass
    assert "JupyterLab is closed; the notebooks stay in the folder" in (
        (tmp_path / "said").read_text()
    )


def test_a_server_that_cannot_start_is_told_with_the_next_step(folder, apart, capfd):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["lab", str(folder), "--no-browser", "--port", str(port)]) == 1
    said = " ".join(capfd.readouterr().err.split())
    assert said.endswith(
        "doughlab lab: JupyterLab stopped by itself (code 1); its own words stand above. If it "
        "says that the port is taken, name another: doughlab lab --port 8899. It refuses the "
        "administrator (root): start it as another user."
    )
