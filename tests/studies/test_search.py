"""The committed table of the search study, and one of its cases again.

The study itself is run by command; see search_study.py.
"""

import csv
from pathlib import Path

from ..loading import load_script

FOLDER = Path(__file__).parent


def load_study():
    """The study as a module."""
    return load_script(FOLDER / "search_study.py")


def read_table():
    """Rows of the committed table."""
    with (FOLDER / "search_study.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_seed_of_every_case_reached_the_best_known():
    rows = read_table()
    cases = load_study().load_cases()
    assert [float(r["best_known"]) for r in rows] == list(cases.BEST_KNOWN.values())
    for row in rows:
        assert row["seeds"] == row["reached"] == row["within"] == "20"
        assert float(row["lowest"]) > float(row["best_known"]) - 5.1e-5
        assert float(row["cpu_ms_most"]) <= 500  # as measured when the table was made


def test_a_case_comes_out_as_in_the_table():
    study = load_study()
    cases = study.load_cases()
    case = (18, "quadratic", 3)
    row = study.study_case(cases, case, 2)
    kept = read_table()[list(cases.BEST_KNOWN).index(case)]
    assert row["reached"] == "2"
    assert float(kept["lowest"]) <= float(row["lowest"]) <= float(row["highest"])
    assert row["highest"] == kept["highest"]
