"""`doughlab demo`: copy the demo trial and run the whole line on it.

Called by `cli`; it calls the same doors that the single commands call.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the one argument of the command."""
    parser.add_argument(
        "folder", nargs="?", default="doughlab-demo", help="where the copy goes (new folder)"
    )


def run(args: argparse.Namespace) -> Outcome:
    """Copy, check, show the plan, analyse every response, decide, report."""
    from doughlab.analysis import analyse
    from doughlab.decision import decide
    from doughlab.report import build_report
    from doughlab.starter import copy_demo
    from doughlab.trial import Trial

    folder = Path(args.folder)
    copied = copy_demo(folder)
    trial = Trial.open(folder)
    plan = trial.frozen_plan
    found = [
        f"{trial.settings.name} ({trial.settings.source})",
        f"{len(plan.batches)} batches, {len(plan.balls)} balls; "
        f"{counted(len(trial.problems), 'problem')} in the folder" if plan else "no plan yet",
    ]  # fmt: skip
    analyses = {name: analyse(trial, name) for name in trial.settings.responses}
    for name, result in analyses.items():
        whole = f"doughlab analyse {folder} {name}"
        found += ["", *str(result).replace("print(result.text())", whole).splitlines()]
    decision = decide(trial, analyses=analyses)
    whole = f"doughlab decide {folder}"
    found += ["", *str(decision).replace("print(decision.text())", whole).splitlines()]
    page = build_report(trial, analyses=analyses, decision=decision)
    return Outcome(
        read=[f"{folder} ({'a copy of the demo' if copied else 'already there, used as it is'})"],
        found=found,
        wrote=[str(page)],
        next=["open the report in a browser; then: doughlab new trials/my-trial"],
        data={"folder": str(folder), "report": str(page), "copied": copied},
        code=1 if any(p.level == "error" for p in trial.problems) else 0,
    )
