"""Three benches of the size and coverage study in the suite.

The study itself is run by command; see size_study.md.
"""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ..loading import load_script

FOLDER = Path(__file__).parent
# benches of the study with the batch variance at which a fit hardly ever touches zero
CHOSEN = {"07": (4.0, 0.0), "10": (4.0, 0.0), "22": (4.0, 1.0)}
TRIALS = 2000


@pytest.fixture(scope="module")
def study():
    """The study as a module."""
    return load_script(FOLDER / "size_study.py")


@pytest.mark.parametrize("name", CHOSEN)
def test_batch_factors_keep_five_percent_and_ranges_cover(study, name):
    # 2,000 null trials: three simulation errors are 1.5 % about 5 %.
    bench = next(b for b in study.BENCHES if b.name == name)
    counts = study.count_chunk(bench, CHOSEN[name], TRIALS // 2, 0)
    counts = counts + study.count_chunk(bench, CHOSEN[name], TRIALS // 2, 1)
    band = 3 * np.sqrt(0.05 * 0.95 / TRIALS)
    assert counts.unsettled == 0
    assert counts.at_zero / TRIALS < 0.10
    terms = [t.name for t in study.prepare(bench).design.prepared.design.terms if t.parts]
    for term, rejected in zip(terms, counts.rejected, strict=True):
        if study.set_of(bench, term) == "batch":
            assert abs(rejected / TRIALS - 0.05) < band, term
    assert abs(counts.covered / TRIALS - 0.95) < band
    assert (np.abs(counts.mean_covered / TRIALS - 0.95) < band).all()


def test_no_batch_variance_errs_on_the_cautious_side(study):
    bench = next(b for b in study.BENCHES if b.name == "10")
    counts = study.count_chunk(bench, (0.0, 0.0), 1000, 0)
    assert counts.at_zero > 300
    assert counts.rejected[1] / 1000 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1000)


def test_the_command_gives_the_same_table_on_one_core_and_on_two(tmp_path):
    for jobs in (1, 2):
        options = ["--bench", "01", "--trials", "1200", "--jobs", str(jobs)]
        done = subprocess.run(
            [sys.executable, FOLDER / "size_study.py", *options, "--out", tmp_path / f"{jobs}.csv"],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout == f"{jobs}.csv: 4 rows; 4 of 4 judged ones keep the bounds.\n"
        assert done.stderr == ""  # no progress line where nobody watches
    assert (tmp_path / "1.csv").read_bytes() == (tmp_path / "2.csv").read_bytes()


def test_chunks_are_different_trials(study):
    first, second = (study.count_chunk(study.BENCHES[0], (1.0, 0.0), 1000, i) for i in (0, 1))
    assert (first.rejected != second.rejected).any() or first.covered != second.covered
