"""`doughlab overview`: every trial of a desk, and what they say together.

Called by `cli`; it finds and opens the folders and sets lines. What is told stands in
`report.overview`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import column, counted, wrap
from doughlab.commands.outcome import Outcome

if TYPE_CHECKING:
    from doughlab.analysis.experience import OverTrials, PooledSpread
    from doughlab.report.overview import Experience, TrialLine, Verdict
    from doughlab.sections import Response

DEPTH = 3
HEAD = 10
LONG_AGO_DAYS = 14  # since a step was due; then dough is gone and only the record is left
MOST = 6  # differences of a question that are listed one by one


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folders and the time."""
    parser.add_argument(
        "folders", nargs="*", metavar="FOLDER",
        help="trial folders, or folders that hold some (trials, or here)",
    )  # fmt: skip
    parser.add_argument("--at", default="now", metavar="TIME", help="another time, as 14:10")


def run(args: argparse.Namespace) -> Outcome:
    """Look over every trial found.

    Raises
    ------
    InputError
        Where no trial is found, or the time cannot be read.
    """
    from doughlab.errors import InputError
    from doughlab.record.clock import parse_when
    from doughlab.report.overview import gather_experience, look_over
    from doughlab.trial import Trial

    places = [Path(f) for f in args.folders] or [Path("trials" if Path("trials").is_dir() else ".")]
    folders = list(dict.fromkeys(f for place in places for f in find_trials(place)))
    now = datetime.now().astimezone()
    lines: list[TrialLine] = []
    failed: dict[str, str] = {}
    at = now
    for folder in folders:
        try:
            trial = Trial.open(folder)
        except InputError as error:
            failed[str(folder)] = str(error)
            continue
        at = parse_when(args.at, timezone=trial.settings.timezone, now=now, what="--at")
        lines.append(look_over(trial, at=at))
    together = gather_experience(lines)
    found = [text for line in lines for text in [*_trial_lines(line, at), ""]]
    for folder_name, why in failed.items():
        found += [*wrap(f"{folder_name}: cannot be opened. {why}"), ""]
    found += _experience_lines(together, lines)
    while found and not found[-1]:
        found.pop()
    bad = bool(failed) or any(line.errors for line in lines)
    return Outcome(
        read=[counted(len(folders), "trial folder")],
        found=found,
        next=_next(lines, failed),
        data=_as_json(lines, failed, together, at),
        code=1 if bad else 0,
    )


def find_trials(place: Path) -> Iterator[Path]:
    """Find trial folders: the place itself, or what lies up to three folders down in it.

    Raises
    ------
    InputError
        Where there is none.
    """
    from doughlab.errors import InputError

    if (place / "trial.toml").exists():
        yield place
        return
    if not place.is_dir():
        raise InputError(
            f"'{place}' is no folder. Name a trial folder, or one that holds trials: doughlab "
            "overview trials"
        )
    found = sorted(_below(place, DEPTH))
    if not found:
        raise InputError(
            f"No trial.toml stands in '{place}' or in the folders below it. Start a trial: "
            "doughlab new trials/my-trial"
        )
    yield from found


def _below(place: Path, depth: int) -> Iterator[Path]:
    for child in place.iterdir():
        if not child.is_dir() or child.name.startswith((".", "_")):
            continue
        if (child / "trial.toml").exists():
            yield child
        elif depth > 1:
            yield from _below(child, depth - 1)


def _trial_lines(line: TrialLine, at: datetime) -> list[str]:
    marked = {"invented": " (invented)", "published": " (published)"}.get(line.source, "")
    said = wrap(f"{line.folder}: {line.name} ({line.code}), {line.dough}{marked}")
    state = line.state
    if line.last_at is not None and line.days_since is not None:
        ago = {0: "today", 1: "yesterday"}.get(line.days_since, f"{line.days_since} days ago")
        if line.days_since < 0:
            ago = "after the time asked about"
        state += f"; last record {line.last_at:%Y-%m-%d}, {ago}"
    said += column("  state", state, width=HEAD)
    said += _due_lines(line, at)
    if line.errors or line.warnings:
        count = [counted(line.errors, "problem")] if line.errors else []
        count += [counted(line.warnings, "remark")] if line.warnings else []
        text = f"{' and '.join(count)}: doughlab check {line.folder}"
        said += column("  open", text, width=HEAD)
    for text in _answers(line):
        said += column("  answer", text, width=HEAD)
    ends = line.settled.words(at.date()) if line.settled is not None else ""
    said += column("  settled", ends, width=HEAD) if ends else []
    for text in line.daily:
        said += column("  daily", text, width=HEAD)
    return said


def _due_lines(line: TrialLine, at: datetime) -> list[str]:
    """Say what is due next; what has long been left undone is not asked for any more."""
    d = line.next_due
    if d is None:
        return []
    step = f"{d.step.replace('_', ' ')} {d.item}, {d.due_at:%Y-%m-%d %H:%M}"
    if line.late and (at - d.due_at).days > LONG_AGO_DAYS:
        text = f"{counted(line.late, 'step')} never done, the first {step}"
        return column("  undone", text, width=HEAD)
    late = f" ({counted(line.late, 'step')} late or missing)" if line.late else ""
    return column("  next", f"{step}{late}", width=HEAD)


def _answers(line: TrialLine) -> list[str]:
    """Give every difference of a question, or their count where they are many."""
    groups: dict[tuple[str, str], list[Verdict]] = {}
    for v in line.verdicts:
        groups.setdefault((v.response, v.question), []).append(v)
    said = []
    for (response, question), own in groups.items():
        if len(own) <= MOST:
            said += [f"{response}, {v.difference}: {v.number}" for v in own]
            continue
        counts = [f"{sum(v.verdict == word for v in own)} {word}"
                  for word in dict.fromkeys(v.verdict for v in own)]  # fmt: skip
        said.append(f"{response}, {question} {len(own)} differences: {', '.join(counts)}")
    return said


def _experience_lines(together: Experience, lines: Sequence[TrialLine]) -> list[str]:
    said: list[str] = []
    for copy, first in together.copies.items():
        said += wrap(f"{copy}: holds records of {first}, so it is not counted again below")
    said += [""] if said else []
    for (response, _, source), parts in together.spreads.items():
        trials = dict.fromkeys(name for p in parts for name in p.trials)
        which = " trial" if source == "own" else f" {source} trial"
        said += wrap(f"{response}: how much it varies, over {len(trials)}{which}"
                     f"{'s' if len(trials) > 1 else ''} ({', '.join(trials)})")  # fmt: skip
        said += [text for p in parts for text in _spread_lines(p)]
        said += ["  the start for the next plan, for trial.toml:", f"    [assumed.{response}]"]
        sds = {"batch": 0.0, "ball": 0.0} | {p.name: p.sd for p in parts}
        said += [f"    {name}_sd = {_plain(sd)}" for name, sd in sds.items()]
        said.append("")
    if together.over_trials:
        from doughlab.analysis.experience import over_two

        responses = {n: a.response for line in lines for n, a in line.analyses.items()}
        ranges = "95 % ranges; " if any(o.ranged for o in together.over_trials) else ""
        said.append(f"The same difference in several trials ({ranges}no verdict rests on it):")
        said += [text for row in together.over_trials
                 for text in _over_lines(row, responses[row.response])]  # fmt: skip
        said += [text for words in over_two(together.over_trials) for text in wrap(words)]
    return said


def _spread_lines(p: PooledSpread) -> list[str]:
    from doughlab.plan.spreads import MANY

    text = f"{_plain(p.sd)} (95 % range {_plain(p.low)} to {_plain(p.high)}, {p.df:.0f} df)"
    label = MANY[p.name] if p.name == "judge" else f"between {MANY[p.name]}"  # one judge, one ball
    return column(f"  {label}", text, width=24)


def _plain(value: float) -> str:
    """Write a spread with two digits that count."""
    return f"{float(f'{value:.2g}'):.10g}"


def _over_lines(row: OverTrials, response: Response) -> list[str]:
    from doughlab.analysis.wording import decimals_for, range_words, signed

    c, where = row.combined, f" at {row.at}" if row.at else ""
    d = decimals_for(response.margin)
    each = ", ".join(f"{name} {signed(x, d).strip()}"
                     for name, x in zip(row.trials, row.estimates, strict=True))  # fmt: skip
    what = f"  {response.words}, {row.words}{where}:"
    if not row.ranged:
        return wrap(f"{what} {each}", indent=4)
    between = f"; trials differ by {c.between_sd:.{d + 1}f} (SD)" if c.between_sd else ""
    return [*wrap(f"{what} {signed(c.estimate, d).strip()} "
                  f"{range_words(c.low, c.high, d)}{between}", indent=4),
            *wrap(f"    {each}", indent=4)]  # fmt: skip


def _next(lines: Sequence[TrialLine], failed: dict[str, str]) -> list[str]:
    """Give one command for each trial that waits for something."""
    out = [f"doughlab check {name}" for name in failed]
    for line in lines:
        if line.errors:
            out.append(f"doughlab check {line.folder}")
        elif line.state == "no plan":
            out.append(f"doughlab plan {line.folder}")
        elif line.daily:
            out.append(f"doughlab daily {line.folder}")
        elif line.next_due is not None:
            out.append(f"doughlab today {line.folder}")
    return out[:5]


def _as_json(
    lines: Sequence[TrialLine], failed: dict[str, str], together: Experience, at: datetime
) -> dict[str, Any]:
    return {
        "at": at.isoformat(),
        "trials": [_line_json(line, at) for line in lines],
        "not_opened": failed,
        "copies": dict(together.copies),
        "spreads": [
            {"response": response, "unit": unit, "source": source, "spread": p.name, "sd": p.sd,
             "low": p.low, "high": p.high, "df": p.df, "trials": list(p.trials)}
            for (response, unit, source), parts in together.spreads.items() for p in parts
        ],
        "over_trials": [
            {"response": o.response, "factor": o.factor, "difference": o.words, "at": o.at,
             "unit": o.unit, "trials": list(o.trials), "estimates": list(o.estimates),
             "std_errors": list(o.std_errors),
             **{name: getattr(o.combined, value) if o.ranged else None for name, value in
                (("mean", "estimate"), ("low", "low"), ("high", "high"),
                 ("between_sd", "between_sd"))}}
            for o in together.over_trials
        ],
    }  # fmt: skip


def _line_json(line: TrialLine, at: datetime) -> dict[str, Any]:
    d = line.next_due
    expires = line.settled.expires_on if line.settled else None
    return {
        "folder": str(line.folder), "name": line.name, "code": line.code, "dough": line.dough,
        "source": line.source, "state": line.state, "errors": line.errors,
        "warnings": line.warnings, "late": line.late,
        "next_due": None if d is None else
        {"step": d.step, "item": d.item, "due_at": d.due_at.isoformat()},
        "last_record": line.last_at.isoformat() if line.last_at else None,
        "days_since": line.days_since,
        "verdicts": [asdict(v) for v in line.verdicts],
        "settled_until": expires.isoformat() if expires else None,
        "settled": line.settled.words(at.date()) if line.settled else "",
        "daily": list(line.daily),
    }  # fmt: skip
