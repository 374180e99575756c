"""`doughlab analyse`: answer a trial's questions from its records.

Called by `cli`; it calls the analysis room once for each response.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from doughlab.commands.outcome import Outcome

if TYPE_CHECKING:
    from doughlab.analysis import Analysis
    from doughlab.settings import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder and the response."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder (here)")
    parser.add_argument(
        "response", nargs="?", help="one response of trial.toml, such as ph (all that are asked)"
    )


def run(args: argparse.Namespace) -> Outcome:
    """Analyse one response, or every response that a question asks about."""
    from doughlab.analysis import analyse
    from doughlab.errors import MissingRecords, NotEstimable
    from doughlab.trial import Trial

    trial = Trial.open(args.folder)
    names = [args.response] if args.response else _asked(trial.settings)
    found: list[str] = []
    data: dict[str, Any] = {}
    for name in names:
        try:
            result = analyse(trial, name)
        except (MissingRecords, NotEstimable) as error:
            if len(names) == 1:
                raise
            found += [*([""] if found else []), f"{name}: not answered. {error}"]
            continue
        found += [*([""] if found else []), *result.text().splitlines()]
        data[name] = facts(result)
    if not data:
        raise MissingRecords(f"Nothing can be analysed yet in {args.folder}. {found[0]}")
    problems = [p for p in trial.problems if p.level == "error"]
    if problems:
        found += ["", f"{len(problems)} problems in the folder: doughlab check {args.folder}"]
    return Outcome(
        read=[str(args.folder)],
        found=found,
        next=[f"doughlab decide {args.folder}", f"doughlab report {args.folder}"],
        data={"responses": data},
        code=1 if problems else 0,
    )


def _asked(settings: Settings) -> list[str]:
    asked = {q.response for q in settings.questions}
    return [name for name in settings.responses if name in asked] or list(settings.responses)


def facts(result: Analysis) -> dict[str, Any]:
    """Give an analysis as plain values for machines.

    Parameters
    ----------
    result : Analysis
    """
    data = result.dataset
    return {
        "planned": data.planned,
        "recorded": data.recorded,
        "lost": data.lost,
        "missing": list(data.missing),
        "interim": data.interim,
        "margin": result.response.margin,
        "verdicts": result.verdicts.to_dict("records"),
        "unanswered": [a.sentence for a in result.answers if a.unanswered],
        "anova": result.anova.to_dict("records"),
        "variances": {str(k): float(v) for k, v in result.fit.variances.items()},
        "noticed": list(result.noticed),
        "notes": list(result.notes),
        "how": result.how,
    }
