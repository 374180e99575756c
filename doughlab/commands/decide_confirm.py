"""Confirm a decision: write the small trial that tests it, and say what it gave.

`doughlab decide --confirm` comes here, and `decide` and `analyse` for a trial that confirms
another. Ranges and verdict are made by the decision room.
"""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError

if TYPE_CHECKING:
    import argparse

    from doughlab.decision.confirm_folder import Written
    from doughlab.decision.confirmed import ConfirmVerdict, Held
    from doughlab.trial import Trial

_GIVEN = ("batches", "days", "balls", "start_on")


def add_confirm_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder of a confirming trial and how large it is."""
    parser.add_argument("--confirm", metavar="NEWFOLDER", help="write a trial that confirms it")
    parser.add_argument("--batches", type=int, metavar="N", help="its batches (4)")
    parser.add_argument("--days", type=int, metavar="N", help="its mixing days (2)")
    parser.add_argument("--balls", type=int, metavar="N", help="balls read of each batch (2)")
    parser.add_argument("--start-on", metavar="DATE", help="its first mixing day, 2026-05-04")


def run_confirm(trial: Trial, args: argparse.Namespace) -> Outcome | None:
    """Write a confirming trial, or judge one; None where neither is asked for.

    Raises
    ------
    InputError
        When an option has nothing to belong to, or the new folder is not empty.
    NotEstimable
        When no setting is recommended.
    """
    given = {name: getattr(args, name) for name in _GIVEN if getattr(args, name) is not None}
    if args.confirm is None:
        if given:
            option = "--" + next(iter(given)).replace("_", "-")
            raise InputError(f"{option} goes with --confirm: name the new folder, as --confirm "
                             "trials/harbour-check.")  # fmt: skip
        return run_verdict(trial, str(args.folder)) if trial.settings.confirm else None
    from doughlab.decision.confirm_folder import write_confirmation

    written = write_confirmation(trial, args.confirm, **given)
    place = shlex.quote(str(args.confirm))
    after = [f"doughlab sheets {place}", f"doughlab today {place}"]
    return Outcome(
        read=[str(args.folder)],
        found=written_lines(written, trial),
        wrote=[f"{args.confirm}/{name}" for name in written.files],
        next=after,
        data=_written_facts(written),
    )


def written_lines(written: Written, trial: Trial) -> list[str]:
    """Say what was written down before the batches, lines of at most 80 characters."""
    from doughlab.analysis.wording import decimals_for, fold

    c, r = written.confirm, written.ranges
    response = trial.settings.response(c.response)
    d = decimals_for(response.margin)

    def span(ends: tuple[float, float]) -> str:
        return f"{ends[0]:.{d}f} to {ends[1]:.{d}f}"

    balls = c.batches * c.balls
    days = " and days do not differ" if c.day_sd == 0 and c.days > 1 else ""
    outside = [] if written.outside is None else [
        f"{f'Up to {written.outside}' if written.outside else 'None'} of the {balls} balls may lie "
        "outside the window where nothing changed (95 of 100); the verdict names those that do."
    ]  # fmt: skip
    spares = [] if not written.spares else [
        f"Of each batch {counted(c.balls, 'ball')} {'is' if c.balls == 1 else 'are'} read; the "
        f"other {written.spares} make it as large as a batch of the first trial, and stand in for "
        "a lost one."
    ]  # fmt: skip
    sentences = [
        f"To confirm: {', '.join(c.setting)}. Recommended by: {c.of.rstrip('.?')}.",
        f"Written down before the batches, {response.words}: mean of {c.batches} batches "
        f"{span(r.mean)}; all {c.batches} batches at once {span((c.batch_low, c.batch_high))}; "
        f"all {balls} balls at once {span(r.ball)}.",
        f"Each of the three holds in 95 of 100 kitchens where nothing changed{days}, all three in "
        f"about {100 * r.together:.0f}. They are sealed with the plan.",
        *outside,
        f"It takes {written.effort.words}.",
        *spares,
        *(f"Note: {s}" for s in written.notes),
    ]
    return [line for s in sentences for line in fold(s, indent="  ")]


def _written_facts(written: Written) -> dict[str, Any]:
    r = written.ranges
    return {
        "confirm": written.confirm.as_dict(),
        "mean": list(r.mean),
        "batches": [list(b) for b in r.batches],
        "ball": list(r.ball),
        "together": r.together,
        "most_outside_window": written.outside,
        "effort": vars(written.effort),
        "notes": list(written.notes),
    }


def run_verdict(trial: Trial, folder: str) -> Outcome:
    """Say what a confirming trial gave."""
    from doughlab.decision.confirmed import judge_confirmation

    verdict = judge_confirmation(trial)
    found = verdict.text().splitlines()
    problems = [p for p in trial.problems if p.level == "error"]
    if problems:
        count = counted(len(problems), "problem")
        found += ["", f"{count} in the folder: doughlab check {folder}"]
    place = "" if folder == "." else f" {shlex.quote(folder)}"
    after = f"doughlab today{place}" if verdict.verdict == "not yet" else f"doughlab report{place}"
    return Outcome(read=[folder], found=found, next=[after], data=verdict_facts(verdict),
                   code=1 if problems else 0)  # fmt: skip


def verdict_facts(verdict: ConfirmVerdict) -> dict[str, Any]:
    """Give a verdict as plain values for machines.

    Parameters
    ----------
    verdict : ConfirmVerdict
    """

    def held(h: Held) -> dict[str, Any]:
        return {"what": h.what, "value": h.value, "low": h.low, "high": h.high,
                "beyond": h.beyond}  # fmt: skip

    return {
        "verdict": verdict.verdict,
        "confirm": verdict.confirm.as_dict(),
        "mean": None if verdict.mean is None else held(verdict.mean),
        "batches": [held(h) for h in verdict.batches],
        "balls": [held(h) for h in verdict.balls],
        "outside_window": [h.what for h in verdict.outside_window],
        "most_outside_window": verdict.most_outside,
        "missing": list(verdict.missing),
        "lost": verdict.lost or {},
        "adapted": verdict.adapted,
        "look_at": list(verdict.look_at),
        "notes": list(verdict.notes),
        "changed": list(verdict.changed),
    }
