"""Search study: are the best-known D-efficiencies reached in every seed, and how fast?

Run by hand: ``python tests/studies/search_study.py``; it writes search_study.csv beside it. The six
cases and their best-known values are those of tests/reference/test_search_meyer1995.py, searched
with the default number of starts. `reached` counts seeds within 0.00005 of the four printed
decimals, `within` those within 0.1 %. Times are processor milliseconds of one core for one search;
they depend on the machine and what else it does, all other columns do not.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import os
import sys
import time
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from doughlab.plan.candidates import RunStructure
from doughlab.plan.optimal import search_runs

SEEDS = 20
TABLE = Path(__file__).with_suffix(".csv")
COLUMNS = (
    "runs", "columns", "values", "best_known", "seeds", "reached", "within", "lowest", "highest",
    "starts_most", "cpu_ms_median", "cpu_ms_most",
)  # fmt: skip


def load_cases():
    """The module with the cases and their best-known values."""
    place = Path(__file__).parents[1] / "reference" / "test_search_meyer1995.py"
    spec = importlib.util.spec_from_file_location("doughlab_tests_search_cases", place)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def study_case(cases, case: tuple, seeds: int) -> dict[str, str]:
    """Search one case with every seed from 0."""
    runs, model, steps = case
    best = cases.BEST_KNOWN[case]
    found, times = [], []
    for seed in range(seeds):
        start = time.process_time()
        found.append(
            search_runs(
                cases.quadratic_factors(steps),
                model=model,
                structure=RunStructure((1,), (runs,)),
                variance_ratios={},
                seed=seed,
            )
        )
        times.append(1000 * (time.process_time() - start))
    reached = [f.efficiency for f in found]
    values = (
        runs, cases.COLUMNS[model], steps, f"{best:.4f}", seeds,
        sum(e > best - 5.1e-5 for e in reached), sum(e > 0.999 * best for e in reached),
        f"{min(reached):.6f}", f"{max(reached):.6f}", max(f.starts for f in found),
        f"{median(times):.0f}", f"{max(times):.0f}",
    )  # fmt: skip
    return dict(zip(COLUMNS, map(str, values), strict=True))


def main(arguments: list[str] | None = None) -> None:
    """Run the study and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--out", type=Path, default=TABLE)
    options = parser.parse_args(arguments)
    cases = load_cases()
    rows = [study_case(cases, case, options.seeds) for case in cases.BEST_KNOWN]
    with options.out.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    reached = sum(int(r["reached"]) for r in rows)
    print(f"{options.out.name}: best known reached in {reached} of {6 * options.seeds} searches.")


if __name__ == "__main__":
    main()
