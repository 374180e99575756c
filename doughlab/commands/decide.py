"""`doughlab decide`: recommended settings, hours and what to try next.

Called by `cli`; it calls the decision room.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doughlab.commands.decide_confirm import add_confirm_arguments, run_confirm
from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, MissingRecords

if TYPE_CHECKING:
    from doughlab.decision import Decision
    from doughlab.sections import Factor


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder, how much is said, and questions about one setting."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder (here)")
    parser.add_argument("--more", action="store_true", help="everything, not only what comes first")
    parser.add_argument(
        "--at", action="append", default=[], metavar="FACTOR=VALUE",
        help="judge a setting between the tried ones, as hold=40h; may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--steady", action="store_true", help="which setting minds a warmer or cooler room least"
    )
    add_confirm_arguments(parser)


def run(args: argparse.Namespace) -> Outcome:
    """Decide, as far as the trial can tell."""
    from doughlab.decision import decide
    from doughlab.decision.brief import brief_lines, more_facts, more_lines
    from doughlab.decision.choose import analyse_all
    from doughlab.trial import Trial

    trial = Trial.open(args.folder)
    confirming = run_confirm(trial, args)
    if confirming is not None:
        return confirming
    analyses = analyse_all(trial)
    decision = decide(trial, analyses=analyses)
    problems = [p for p in trial.problems if p.level == "error"]
    if args.at or args.steady:
        found, data = _ask(decision, args)
    elif args.more:
        found = [*decision.text().splitlines(), *more_lines(decision, analyses)]
        data = {}
    else:
        found, data = brief_lines(decision, analyses), {}
    if problems:
        count = counted(len(problems), "problem")
        found += ["", f"{count} in the folder: doughlab check {args.folder}"]
    return Outcome(
        read=[str(args.folder)],
        found=found,
        next=[
            f"doughlab decide {args.folder} --more"
            if not args.more
            else f"doughlab report {args.folder}"
        ],
        data=facts(decision) | more_facts(decision, analyses) | data,
        code=1 if problems else 0,
    )


def _ask(decision: Decision, args: argparse.Namespace) -> tuple[list[str], dict[str, Any]]:
    """Answer a question about one setting, or about the room."""
    from doughlab.analysis.wording import fold
    from doughlab.decision.between import judge_between
    from doughlab.decision.steady import find_steady

    weighing = decision.weighing
    if weighing is None:
        why = decision.early.sentences if decision.early else (decision.window.sentence,)
        raise MissingRecords("Nothing can be judged yet. " + " ".join(why))
    sentences: list[str] = []
    data: dict[str, Any] = {}
    if args.at:
        found = judge_between(
            weighing, decision.recommended, read_at(args.at, weighing.settings.factors)
        )
        sentences += found.sentences
        data["at"] = vars(found)
    if args.steady:
        steady = find_steady(weighing, decision.table, decision.recommended)
        sentences += steady.sentences
        data["steady"] = {k: v.tolist() if hasattr(v, "tolist") else v
                          for k, v in vars(steady).items()}  # fmt: skip
    return [line for s in sentences for line in fold(s, indent="  ")], data


def ahead_facts(decision: Decision) -> dict[str, Any] | None:
    """Give what comes next as plain values for machines."""
    from doughlab.decision.next_words import next_facts

    ahead = decision.ahead
    if ahead is None:
        return None
    return next_facts(ahead.steps, levers=ahead.levers, surfaces=ahead.surfaces)


def read_at(typed: Sequence[str], factors: Mapping[str, Factor]) -> dict[str, str]:
    """Split FACTOR=VALUE; a factor's title, or the beginning of either, may stand for its name.

    Parameters
    ----------
    typed : sequence of str
        Such as "mixing water=59 F".
    factors : mapping of str to Factor
        Of the trial.

    Returns
    -------
    dict of str to str
        Factor to what was typed; a name that fits none or several stays as it is.

    Raises
    ------
    InputError
        Where there is no name or no value.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> own = Factor("water_temp_c", "batch", "number", ("12", "18"), "temp_c", "mixing water")
    >>> read_at(["mixing_water=59 F", "hold=40h"], {"water_temp_c": own})
    {'water_temp_c': '59 F', 'hold': '40h'}
    """
    out = {}
    for text in typed:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise InputError(f"--at '{text}' is no FACTOR=VALUE. Write it as hold=40h.")
        word = _plain(name)
        names = {n: {_plain(n), _plain(f.words), _plain(f.column)} for n, f in factors.items()}
        fits = [n for n, own in names.items() if word in own]
        fits = fits or [n for n, own in names.items() if any(o.startswith(word) for o in own)]
        out[fits[0] if len(fits) == 1 else word] = value.strip()
    return out


def _plain(name: str) -> str:
    return name.strip().casefold().replace(" ", "_").replace("-", "_")


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
        "next": ahead_facts(decision),
        "notes": [*decision.changed, *decision.notes],
        "interim": decision.interim,
        "provisional": decision.provisional,
        "standing": list(decision.standing),
    }  # fmt: skip
