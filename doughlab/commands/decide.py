"""`doughlab decide`: recommended settings, hours and what to try next.

Called by `cli`; it calls the decision room.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome

if TYPE_CHECKING:
    from doughlab.decision import Decision


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder (here)")


def run(args: argparse.Namespace) -> Outcome:
    """Decide, as far as the trial can tell."""
    from doughlab.decision import decide
    from doughlab.trial import Trial

    trial = Trial.open(args.folder)
    decision = decide(trial)
    problems = [p for p in trial.problems if p.level == "error"]
    found = decision.text().splitlines()
    if problems:
        count = counted(len(problems), "problem")
        found += ["", f"{count} in the folder: doughlab check {args.folder}"]
    return Outcome(
        read=[str(args.folder)],
        found=found,
        next=[f"doughlab report {args.folder}"],
        data=facts(decision),
        code=1 if problems else 0,
    )


def facts(decision: Decision) -> dict[str, Any]:
    """Give a decision as plain values for machines.

    Parameters
    ----------
    decision : Decision
    """
    confirmation = decision.confirmation
    table = decision.table.astype(object).where(decision.table.notna(), None)
    return {
        "window": {"low": decision.window.low, "high": decision.window.high,
                   "given": decision.window.given, "words": decision.window.sentence},
        "recommended": decision.recommended,
        "chance": list(decision.chance) if decision.chance else None,
        "settings": table.to_dict("records"),
        "confirm": None if confirmation is None else vars(confirmation),
        "too_early": " ".join(decision.early.sentences) if decision.early else None,
        "open": list(decision.open_questions),
        "notes": [*decision.changed, *decision.notes],
        "interim": decision.interim,
        "provisional": decision.provisional,
        "standing": list(decision.standing),
    }  # fmt: skip
