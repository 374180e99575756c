"""The wheel holds what git knows of the package, the notebooks and the trials, and nothing else.

Built here by the project's own build backend; installed and run by `tests/house/try_wheel.py`.
"""

import subprocess
import sys
import zipfile

import pytest

from .read_code import ROOT

STARTER = "doughlab/_starter/"


@pytest.fixture(scope="module")
def held(tmp_path_factory):
    """Names in a wheel that was built from this checkout."""
    place = tmp_path_factory.mktemp("wheel")
    build = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", build, str(place)], cwd=ROOT, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    with zipfile.ZipFile(place / done.stdout.split()[-1]) as wheel:
        return [n for n in wheel.namelist() if ".dist-info/" not in n]


def files_of(*folders, others=False):
    """The files that git knows; with `others` also those it does not know and does not ignore."""
    more = ["--cached", "--others", "--exclude-standard"] if others else []
    done = subprocess.run(
        ["git", "ls-files", "-z", *more, "--", *folders], cwd=ROOT, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    return {n for n in done.stdout.split("\0") if n and (ROOT / n).exists()}


def test_everything_git_knows_is_held(held):
    wanted = files_of("doughlab") | {STARTER + n for n in files_of("notebooks", "trials")}
    assert len(held) == len(set(held))
    assert wanted - set(held) == set()


def test_nothing_git_ignores_is_held(held):
    """A lock, a bench's own address or a finished report stays where it was made."""
    known = files_of("doughlab", others=True)
    known |= {STARTER + n for n in files_of("notebooks", "trials", others=True)}
    assert set(held) - known == set()
