"""The overview: every trial of a desk in a line, and what they say together.

`doughlab overview` calls it with folders that are read already; opening them is left to the
command. A trial is analysed on its own; what trials share stands in `analysis.experience`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from doughlab.analysis.earlier import measure_spreads
from doughlab.analysis.experience import (
    OverTrials,
    PooledSpread,
    compare_over_trials,
    find_copies,
    pool_spreads,
)
from doughlab.daily.glance import take_glance
from doughlab.errors import DoughlabError, InputError
from doughlab.record.due import Due, due
from doughlab.report.page import analyse_all

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.plan.spreads import Spreads
    from doughlab.report.subject import Subject

STATES = ("no plan", "planned", "running", "interim", "answered")
SETTLED = "daily/settled.toml"
SOON = timedelta(days=30)


@dataclass(frozen=True)
class Settled:
    """A settled recipe and how long it holds.

    Attributes
    ----------
    expires_on : date or None
        None where it names no date.
    problem : str
        Why the file cannot be read; empty where it can.
    """

    expires_on: date | None = None
    problem: str = ""

    def words(self, today: date) -> str:
        """Say when it ends, or that it has; empty where that is more than 30 days away.

        Examples
        --------
        >>> Settled(date(2026, 4, 1)).words(date(2026, 3, 20))
        'ends on 2026-04-01, in 12 days: look whether it still holds'
        """
        if self.problem:
            return self.problem
        if self.expires_on is None or self.expires_on > today + SOON:
            return ""
        left = (self.expires_on - today).days
        if left < 0:
            return f"ended on {self.expires_on}: look whether it still holds"
        when = "today" if not left else f"in {left} day{'s' if left > 1 else ''}"
        return f"ends on {self.expires_on}, {when}: look whether it still holds"


@dataclass(frozen=True)
class Verdict:
    """One difference that a primary question asked about.

    Attributes
    ----------
    response, question, difference : str
    number : str
        With its range and verdict; why there is none where it is not answered.
    verdict : str
        The verdict alone; "not answered" where there is none.
    """

    response: str
    question: str
    difference: str
    number: str
    verdict: str


@dataclass(frozen=True)
class TrialLine:
    """One trial as the overview shows it.

    Attributes
    ----------
    folder : Path
    name, code, dough, source : str
    state : str
        One of `STATES`: no plan is kept; nothing is recorded; records that cannot be analysed
        yet; some balls or scores still to come; all there.
    next_due : Due or None
        The earliest step not done, late ones included.
    late : int
        Steps that are late or missing.
    errors, warnings : int
        Problems of the folder.
    verdicts : tuple of Verdict
        Of primary questions.
    last_at : datetime or None
    days_since : int or None
        Whole days from the last record to the time asked about.
    settled : Settled or None
    daily : tuple of str
        What waits of the settled dough, in short sentences.
    analyses : mapping of str to Analysis
    spreads : mapping of str to Spreads
    entries : frozenset of str
        Ids of all that was recorded, so that a copy of the trial is known.
    """

    folder: Path
    name: str
    code: str
    dough: str
    source: str
    state: str
    next_due: Due | None = None
    late: int = 0
    errors: int = 0
    warnings: int = 0
    verdicts: tuple[Verdict, ...] = ()
    last_at: datetime | None = None
    days_since: int | None = None
    settled: Settled | None = None
    daily: tuple[str, ...] = ()
    analyses: Mapping[str, Analysis] = field(default_factory=dict, repr=False)
    spreads: Mapping[str, Spreads] = field(default_factory=dict, repr=False)
    entries: frozenset[str] = field(default=frozenset(), repr=False)


@dataclass(frozen=True)
class Experience:
    """What the answered trials say together; invented ones never with a kitchen's own.

    Attributes
    ----------
    spreads : mapping of (str, str, str) to tuple of PooledSpread
        By response, unit and source of the trials: own, invented or published.
    over_trials : tuple of OverTrials
        Each over trials of one source.
    copies : mapping of str to str
        Folder to the folder whose records it holds; such a trial is not counted again.
    """

    spreads: Mapping[tuple[str, str, str], tuple[PooledSpread, ...]]
    over_trials: tuple[OverTrials, ...]
    copies: Mapping[str, str] = field(default_factory=dict)


def look_over(trial: Subject, *, at: datetime) -> TrialLine:
    """Look over one trial.

    Parameters
    ----------
    trial : Trial
    at : datetime
        With offset.

    Returns
    -------
    TrialLine
    """
    settings, records = trial.settings, trial.records
    analyses: Mapping[str, Analysis] = {}
    if trial.frozen_plan is not None and not records.empty:
        analyses, _ = analyse_all(trial)
    steps = _next_steps(trial, at)
    last = records.last_at
    zone = ZoneInfo(settings.timezone)
    since = None
    if last is not None:
        since = (at.astimezone(zone).date() - last.astimezone(zone).date()).days
    return TrialLine(
        folder=trial.folder, name=settings.name, code=settings.code, dough=settings.dough,
        source=settings.source, state=_state(trial, analyses),
        next_due=steps[0] if steps else None,
        late=sum(d.when in {"late", "missing"} for d in steps),
        errors=sum(p.level == "error" for p in trial.problems),
        warnings=sum(p.level != "error" for p in trial.problems),
        verdicts=_verdicts(analyses), last_at=last, days_since=since,
        settled=read_settled(trial.folder), daily=_daily(trial, at),
        analyses=analyses, spreads=_spreads(trial, analyses),
        entries=list_entries(trial),
    )  # fmt: skip


def list_entries(trial: Subject) -> frozenset[str]:
    """List the ids of all that was recorded in a trial, corrections included."""
    return frozenset(
        str(row["entry_id"])
        for journal in trial.records.journals.values()
        for row in journal.history
        if row.get("entry_id")
    )


def _state(trial: Subject, analyses: Mapping[str, Analysis]) -> str:
    if trial.frozen_plan is None:
        return STATES[0]
    if trial.records.empty:
        return STATES[1]
    if not analyses:
        return STATES[2]
    asked = {q.response for q in trial.settings.questions} or set(trial.settings.responses)
    open_ones = any(a.dataset.interim for a in analyses.values()) or asked - set(analyses)
    return STATES[3] if open_ones else STATES[4]


def _next_steps(trial: Subject, at: datetime) -> list[Due]:
    """List what is due on the day of a time; where nothing is, on the next day that has work."""
    plan = trial.frozen_plan
    if plan is None:
        return []
    zone = ZoneInfo(trial.settings.timezone)
    later = {row["due_at"].astimezone(zone).date() for row in plan.schedule}
    today = at.astimezone(zone).date()
    days = [at, *(datetime(d.year, d.month, d.day, tzinfo=zone)
                  for d in sorted(later) if d > today)]  # fmt: skip
    for moment in days:
        steps = due(plan, trial.records, moment, formula=trial.formula)
        if steps:
            return steps
    return []


def _verdicts(analyses: Mapping[str, Analysis]) -> tuple[Verdict, ...]:
    said = []
    for a in analyses.values():
        for answer in (x for x in a.answers if x.primary):
            words, text = a.response.words, answer.question.text
            if answer.unanswered:
                said.append(Verdict(words, text, text, answer.unanswered, "not answered"))
            for c in answer.comparisons:
                where = f" at {c.at}" if c.at else ""
                number = f"{c.estimate_text.strip()} {c.range_text}, {c.verdict_text}"
                said.append(Verdict(words, text, f"{c.words}{where}", number, c.verdict))
    return tuple(said)


def _spreads(trial: Subject, analyses: Mapping[str, Analysis]) -> dict[str, Spreads]:
    found = {}
    for name in analyses:
        try:
            found[name] = measure_spreads(trial, name)
        except DoughlabError:  # nothing repeats there: this trial says nothing about it
            continue
    return found


def _daily(trial: Subject, at: datetime) -> tuple[str, ...]:
    """Say what waits of the settled dough; a file that cannot be read is told by `read_settled`."""
    if not (Path(trial.folder) / SETTLED).exists():
        return ()
    try:
        seen = take_glance(
            trial.folder, trial.settings, records=trial.records, waters=trial.waters, at=at
        )
    except InputError:
        return ()
    if seen is None:
        return ()
    return replace(seen, ended=tuple(e for e in seen.ended if e.what != "date")).words


def read_settled(folder: Path) -> Settled | None:
    """Read how long the settled recipe of a folder holds; None where nothing is settled.

    Examples
    --------
    >>> print(read_settled(Path("no such folder")))
    None
    """
    path = Path(folder) / SETTLED
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, UnicodeDecodeError) as error:
        return Settled(problem=f"{SETTLED} cannot be read ({type(error).__name__})")
    try:
        day = tomllib.loads(text).get("expires_on", "")
        day = date.fromisoformat(day) if isinstance(day, str) and day else day
    except (tomllib.TOMLDecodeError, ValueError) as error:
        return Settled(problem=f"{SETTLED} cannot be read: {error}")
    if isinstance(day, datetime):
        day = day.date()
    return Settled(day if isinstance(day, date) else None)


def gather_experience(lines: Sequence[TrialLine]) -> Experience:
    """Put together what the answered trials of a desk say.

    Parameters
    ----------
    lines : sequence of TrialLine
        Only those in state "answered" are used, a copy of another once.

    Returns
    -------
    Experience
    """
    past = [line for line in lines if line.state == STATES[4]]
    copies = find_copies({str(x.folder): x.entries for x in past})
    past = [line for line in past if str(line.folder) not in copies]
    groups: dict[tuple[str, str, str], dict[str, Spreads]] = {}
    for line in past:
        for name, spreads in line.spreads.items():
            unit = line.analyses[name].response.unit
            groups.setdefault((name, unit, line.source), {})[str(line.folder)] = spreads
    pooled = {key: pool_spreads(found) for key, found in groups.items()}
    over = [
        row
        for source in dict.fromkeys(x.source for x in past)
        for row in compare_over_trials(
            {str(x.folder): x.analyses.values() for x in past if x.source == source}
        )
    ]
    return Experience(pooled, tuple(over), copies)
