"""`doughlab demo`: copy the demo trial and run the whole line on it.

Called by `cli`; it calls the same doors that the single commands call.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from shutil import which
from typing import TYPE_CHECKING

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome

if TYPE_CHECKING:
    from doughlab.trial import Trial

AT = "%Y-%m-%d %H:%M"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder, and which of the demo's two trials."""
    parser.add_argument(
        "folder", nargs="?", default="", help="where the copy goes (doughlab-demo, a new folder)"
    )
    parser.add_argument(
        "--second", action="store_true", help="the second trial, which settles what was left open"
    )


def run(args: argparse.Namespace) -> Outcome:
    """Copy, check, show the plan, analyse every response, decide, report."""
    from doughlab.analysis import analyse
    from doughlab.decision import decide
    from doughlab.report import build_report
    from doughlab.starter import DEMO, SECOND, copy_demo
    from doughlab.trial import Trial

    usual = "doughlab-demo-second" if args.second else "doughlab-demo"
    folder = Path(args.folder or usual)
    copied = copy_demo(folder, SECOND if args.second else DEMO)
    trial = Trial.open(folder)
    plan = trial.frozen_plan
    found = [
        f"{trial.settings.name} ({trial.settings.source})",
        f"{len(plan.batches)} batches, {len(plan.balls)} balls; {_problems(trial)}"
        if plan else "no plan yet",
    ]  # fmt: skip
    analyses = {name: analyse(trial, name) for name in trial.settings.responses}
    for name, result in analyses.items():
        whole = f"doughlab analyse {folder} {name}"
        found += ["", *str(result).replace("print(result.text())", whole).splitlines()]
    decision = decide(trial, analyses=analyses)
    whole = f"doughlab decide {folder} --more"
    found += ["", *str(decision).replace("print(decision.text())", whole).splitlines()]
    page = build_report(trial, analyses=analyses, decision=decision)
    return Outcome(
        read=[f"{folder} ({'a copy of the demo' if copied else 'already there, used as it is'})"],
        found=found,
        wrote=[str(page)],
        next=_next(folder),
        data={"folder": str(folder), "report": str(page), "copied": copied},
        code=1 if any(p.level == "error" for p in trial.problems) else 0,
    )


def _problems(trial: Trial) -> str:
    """Count what stands in the folder that cannot be used, and what is only looked at."""
    errors = sum(p.level == "error" for p in trial.problems)
    notes = len(trial.problems) - errors
    said = f"{counted(errors, 'problem')} in the folder"
    look = f": doughlab check {trial.folder}" if trial.problems else ""
    return f"{said}{', ' + counted(notes, 'note') if notes else ''}{look}"


def _from_here(path: Path) -> str:
    """Write a path as it can be typed here."""
    here = Path.cwd()
    return shlex.quote(str(path.relative_to(here) if path.is_relative_to(here) else path))


def _next(folder: Path) -> list[str]:
    """Name what to look at next: every day after, as of its last reading, where one is kept."""
    from doughlab.daily.journals import read_daily

    out = ["open the report in a browser; then: doughlab new trials/my-trial"]
    if which("doughlab") is None and (Path(sys.prefix) / "bin" / "activate").exists():
        activate = _from_here(Path(sys.prefix) / "bin" / "activate")
        out.insert(0, f"once in each terminal: source {activate}; then doughlab alone is enough")
    readings = read_daily(folder).readings
    if readings:
        out.append(
            f'a month of every day: doughlab daily {folder} --at "{readings[-1]["at"]:{AT}}"'
        )
    return out
