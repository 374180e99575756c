"""`doughlab analyse`: answer a trial's questions from its records.

Called by `cli`; it calls the analysis room once for each response.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import counted, wrap
from doughlab.commands.outcome import Outcome

if TYPE_CHECKING:
    from doughlab.analysis import Analysis, SecondLook
    from doughlab.settings import Settings
    from doughlab.trial import Trial


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder and the response."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder (here)")
    parser.add_argument(
        "response", nargs="?", help="one response of trial.toml, such as ph (all that are asked)"
    )
    parser.add_argument(
        "--achieved",
        action="store_true",
        help="look a second time, by the pH, acid and temperatures that the batches got",
    )
    parser.add_argument(
        "--spread",
        action="store_true",
        help="how far readings differ by meter, person and ball, instead of the questions",
    )


def run(args: argparse.Namespace) -> Outcome:
    """Analyse one response, or every response that a question asks about."""
    from doughlab.trial import Trial

    trial = Trial.open(args.folder)
    if args.spread:
        return _spread(trial, args)
    if trial.settings.confirm is not None:
        from doughlab.commands.decide_confirm import run_verdict

        return run_verdict(trial, str(args.folder))
    return _answer(trial, args)


def _answer(trial: Trial, args: argparse.Namespace) -> Outcome:
    from doughlab.analysis import analyse
    from doughlab.errors import MissingRecords, NotEstimable

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
        if args.achieved:
            lines, data[name]["achieved"] = _second_look(result, trial)
            found += ["", *lines]
    if not data:
        raise MissingRecords(f"Nothing can be analysed yet in {trial.settings.name!r}. {found[0]}")
    problems = [p for p in trial.problems if p.level == "error"]
    if problems:
        count = counted(len(problems), "problem")
        found += ["", f"{count} in the folder: doughlab check {args.folder}"]
    return Outcome(
        read=[str(args.folder)],
        found=found,
        next=[f"doughlab decide {args.folder}", f"doughlab report {args.folder}"],
        data={"responses": data},
        code=1 if problems else 0,
    )


def _spread(trial: Trial, args: argparse.Namespace) -> Outcome:
    """Say where the spread of readings comes from."""
    from doughlab.analysis.spread import spread_of_readings

    response = trial.settings.response(args.response or "ph")
    study = spread_of_readings(trial, response.column)
    table = study.table.astype(object)
    what = (
        "ball: all that differs from ball to ball, settings, batch and hold too; measuring: what "
        "one reading adds, whoever takes it with whichever meter"
    )
    return Outcome(
        read=[str(args.folder)],
        found=[*str(study).splitlines(), *wrap(what)],
        next=[f"doughlab check {args.folder}"],
        data={"spread": table.where(table.notna(), None).to_dict("records")},
    )


def _second_look(result: Analysis, trial: Trial) -> tuple[list[str], dict[str, Any]]:
    """Give the second look as lines and as plain values, or say why there is none."""
    from doughlab.analysis import second_look
    from doughlab.analysis.wording import fold
    from doughlab.errors import MissingRecords

    try:
        look = second_look(result, trial)
    except MissingRecords as error:
        lines = fold(f"No second look at {result.response.words}: {error}", indent="  ")
        return lines, {"slopes": [], "unanswered": [str(error)], "notes": []}
    return look.text().splitlines(), achieved_facts(look)


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
        "absent": data.absent,
        "interim": data.interim,
        "standing": {
            "level": data.standing.level,
            "provisional": data.standing.provisional,
            "alone": data.standing.alone,
            "words": list(data.standing.sentences),
        },
        "second_view": [
            {"contrast": c.words, "estimate": c.estimate, "ci_low": c.ci_low, "ci_high": c.ci_high}
            for a in result.second_view
            for c in a.comparisons
        ],
        "margin": result.response.margin,
        "verdicts": result.verdicts.to_dict("records"),
        "unanswered": [a.sentence for a in result.answers if a.unanswered],
        "anova": result.anova.to_dict("records"),
        "variances": {str(k): float(v) for k, v in result.fit.variances.items()},
        "noticed": list(result.noticed),
        "notes": list(result.notes),
        "how": result.how,
    }


def achieved_facts(look: SecondLook) -> dict[str, Any]:
    """Give a second look as plain values for machines.

    Parameters
    ----------
    look : SecondLook
    """
    values = look.achieved.frame.astype(object)
    return {
        "slopes": look.table.to_dict("records"),
        "batches": values.where(values.notna(), None).to_dict("records"),
        "without_mix": list(look.achieved.without_mix),
        "unanswered": list(look.unanswered),
        "notes": list(look.notes),
        "how": look.how,
    }
