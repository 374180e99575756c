"""`doughlab report`: write the report of a trial as one file.

Called by `cli`; it calls the analysis room once for each response, then the report room.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
import textwrap

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder (here)")


def run(args: argparse.Namespace) -> Outcome:
    """Write report/report.html into the trial folder."""
    from doughlab.report.page import REPORT, analyse_all, build_report
    from doughlab.trial import Trial

    trial = Trial.open(args.folder)
    analyses, failed = analyse_all(trial)
    path = build_report(trial, analyses=analyses, failed=failed)
    size_kb = round(path.stat().st_size / 1000)
    found = [f"{a.response.words}: {a.dataset.recorded} of {a.dataset.planned} balls"
             + (", interim" if a.dataset.interim else "") for a in analyses.values()]  # fmt: skip
    for name, why in failed.items():
        found += textwrap.wrap(f"{name}: not analysed. {why}", 80, subsequent_indent="  ")
    problems = [p for p in trial.problems if p.level == "error"]
    then = ["open it in a browser; it prints as it is and needs no network"]
    if problems:
        were = "was" if len(problems) == 1 else "were"
        found.append(f"{counted(len(problems), 'problem')} in the folder {were} not used")
        then = [f"doughlab check {args.folder}"]
    return Outcome(
        read=[str(args.folder)],
        found=found,
        wrote=[f"{path} ({size_kb} kB)"],
        next=then,
        data={"report": REPORT, "bytes": path.stat().st_size, "not_analysed": failed},
        code=1 if problems else 0,
    )
