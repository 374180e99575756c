"""Builds the wheel, installs it into a new environment, and uses it as a cook would.

    python tests/house/try_wheel.py [PYTHON]

By command: it installs every dependency. `doughlab demo` must end with its report, and `doughlab
lab --no-browser` must copy the notebooks and answer. Nothing of the checkout is in their reach.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

ROOT = Path(__file__).parents[2]
LIMIT_S = 120


def install(place: Path, python: str) -> Path:
    """Make an environment that holds the wheel; give its folder of programs."""
    run = {"check": True, "cwd": place}
    subprocess.run([python, "-m", "venv", "own"], **run)
    pip = [place / "own/bin/pip"]
    subprocess.run([*pip, "wheel", "-q", "--no-deps", "-w", place, ROOT], **run)
    (wheel,) = place.glob("*.whl")
    subprocess.run([*pip, "install", "-q", wheel, "-c", ROOT / "tests/constraints.txt"], **run)
    return place / "own/bin"


def try_demo(place: Path, programs: Path) -> str:
    """Run the demo in an empty folder."""
    start = time.monotonic()
    done = subprocess.run(
        [programs / "doughlab", "demo"], cwd=place, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    report = place / "doughlab-demo/report/report.html"
    assert report.stat().st_size > 100_000, done.stdout
    return f"demo: {time.monotonic() - start:.0f} s, {len(done.stdout.splitlines())} lines, report"


def try_lab(place: Path, programs: Path) -> str:
    """Open the notebooks on the demo's trial; ask the server for one of them."""
    trial = place / "doughlab-demo"
    settings = place / "jupyter" / "jupyter_server_config.json"
    settings.parent.mkdir()  # a machine that builds and tries often has no other user
    settings.write_text(json.dumps({"ServerApp": {"allow_root": True}}), encoding="utf-8")
    lab = subprocess.Popen(
        [programs / "doughlab", "lab", str(trial), "--no-browser"], cwd=place,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        env={**os.environ, "JUPYTER_RUNTIME_DIR": str(place / "runtime"), "HOME": str(place),
             "JUPYTER_CONFIG_DIR": str(settings.parent)},
    )  # fmt: skip
    try:
        end = time.monotonic() + LIMIT_S
        while not (told := [p.read_text() for p in place.glob("runtime/jpserver-*.json")]) or (
            not told[0].rstrip().endswith("}")  # it is being written
        ):
            assert lab.poll() is None and time.monotonic() < end, "the server never came up"
            time.sleep(0.2)
        server = json.loads(told[0])
        names = sorted(p.name for p in (trial / "notebooks").glob("*.ipynb"))
        assert len(names) >= 9, names
        url = f"{server['url']}api/contents?token={server['token']}"
        while True:
            try:
                with urllib.request.urlopen(url, timeout=10) as answer:
                    assert answer.status == 200
                break
            except OSError:
                assert lab.poll() is None and time.monotonic() < end, "the server never answered"
                time.sleep(0.2)
    finally:
        if lab.poll() is None:
            os.killpg(lab.pid, signal.SIGTERM)
            lab.wait(timeout=30)
    return f"lab: {len(names)} notebooks copied, the server answers"


def main(words: list[str]) -> int:
    """Say what each of the two commands did; any failure raises."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        programs = install(place, words[0] if words else sys.executable)
        version = subprocess.run([programs / "python", "-VV"], capture_output=True, text=True)
        print(version.stdout.strip())
        print(try_demo(place, programs))
        print(try_lab(place, programs))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
