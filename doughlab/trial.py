"""Trial: one experiment and its folder, opened.

The front door for notebooks and commands; composes settings, plan and records.
It reads and shows; what the records say about the questions is left to the analysis.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.errors import InputError, PlanError, Problem
from doughlab.files import write_csv
from doughlab.record.balls import BallState, ball_states
from doughlab.record.checks import check_trial_folder
from doughlab.record.clock import parse_when
from doughlab.record.due import due
from doughlab.record.due_list import DueList
from doughlab.record.folder import FORMULA_FILE, TrialFolder, no_plan_words, read_folder
from doughlab.record.records import Records
from doughlab.record.watch import list_watch
from doughlab.settings import FILE, Settings, parse_settings
from doughlab.tables import table

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan


@dataclass(frozen=True)
class Trial:
    r"""One experiment: its settings, its frozen plan and what was recorded.

    Attributes
    ----------
    contents : TrialFolder
        Every file of the folder as it was read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     trial = Trial.create(Path(folder), "format = 1\nname = 'Small'\ncode = 'SM'")
    ...     print(trial)
    Small (SM), house dough
    no plan is kept yet
    recorded: 0 mixes, 0 readings, 0 bakes, 0 scores
    >>> from doughlab.notebook import open_demo
    >>> demo = open_demo()
    >>> demo.folder.name, demo.settings.code, demo.formula.ball_g, list(demo.waters)
    ('lantern-quay', 'LQ', 260.0, ['tap', 'reverse osmosis', 'bottled'])
    >>> len(demo.frozen_plan.balls), len(demo.records.mixes)
    (168, 24)
    >>> [p for p in demo.problems if p.level == "error"]
    []
    >>> demo.ball_states["B01-1"].state
    'scored'
    >>> len(demo.plan), int((demo.balls["state"] == "read").sum()), len(demo.readings)
    (24, 70, 210)
    >>> demo.scores["judge"].nunique()
    4
    >>> noon = datetime.fromisoformat("2026-03-05T12:00:00-05:00")
    >>> len(demo.due(noon)) > 0
    True
    >>> demo.due("2026-03-05 12:00") == demo.due(noon)
    True
    >>> Trial.open(demo.folder).settings.code
    'LQ'
    """

    contents: TrialFolder

    @classmethod
    def open(cls, folder: str | Path) -> Trial:
        """Open a trial folder.

        Bad rows do not stop it: they stand in `problems` and are not used.

        Raises
        ------
        InputError
            Where trial.toml cannot be used, with every problem in it.
        """
        return cls(read_folder(Path(folder)))

    @classmethod
    def create(
        cls,
        folder: str | Path,
        settings: str,
        *,
        waters: Iterable[Mapping[str, Any]] = (),
        formula: str = "",
    ) -> Trial:
        """Make a new trial folder from the text of its trial.toml and open it.

        Parameters
        ----------
        folder : str or Path
            A new folder, or one without trial.toml.
        settings : str
            Text of trial.toml; `doughlab new` writes one from a few answers.
        waters : iterable of mapping
            Rows of waters.csv.
        formula : str
            Text of formula.toml.

        Raises
        ------
        InputError
            When the settings cannot be used or a file is already there; nothing is written then.
        """
        path = Path(folder)
        parsed, problems = parse_settings(settings)
        if parsed is None:
            raise InputError.from_problems(problems, shown=12)
        texts = {FILE: settings}
        if waters:
            texts[table("waters").path] = write_csv(table("waters"), map(dict, waters))
        if formula:
            texts[FORMULA_FILE] = formula
        there = [name for name in texts if (path / name).exists()]
        if there:
            raise InputError(
                f"{path} already holds {', '.join(there)}. Nothing is overwritten: "
                "choose another folder, or edit the files."
            )
        path.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            with (path / name).open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        return cls.open(path)

    @property
    def folder(self) -> Path:
        """Where the trial stands."""
        return self.contents.path

    @property
    def settings(self) -> Settings:
        """What the trial asks and how it is run."""
        return self.contents.settings

    @property
    def formula(self) -> Formula | None:
        """The dough's formula; None where formula.toml is missing or cannot be used."""
        return self.contents.formula

    @property
    def waters(self) -> dict[str, dict[str, Any]]:
        """The water samples by id."""
        return self.contents.water_rows

    @property
    def frozen_plan(self) -> Plan | None:
        """The plan that was kept; None where none is."""
        return self.contents.plan

    @property
    def records(self) -> Records:
        """What was recorded, corrections applied."""
        return self.contents.records

    @cached_property
    def problems(self) -> list[Problem]:
        """Every problem of the folder, found in one pass."""
        return check_trial_folder(self.contents)

    @cached_property
    def ball_states(self) -> dict[str, BallState]:
        """The state of every planned ball; empty without a plan."""
        return ball_states(self.frozen_plan, self.records) if self.frozen_plan else {}

    def due(self, at: datetime | str | None = None) -> DueList:
        """List what is to do on the day of a time; shown with the warm time used and the meter.

        Parameters
        ----------
        at : datetime or str, optional
            Typed as for ``doughlab today --at``; without an offset it is a time of the trial's
            place. The clock of this machine when left out.

        Raises
        ------
        PlanError
            Where no plan is kept.
        InputError
            Where the text is no time.
        """
        moment = self._moment(at)
        steps = due(self._kept_plan(), self.records, moment, formula=self.formula)
        return DueList(steps, list_watch(self.settings, self.frozen_plan, self.records, moment))

    def _moment(self, at: datetime | str | None) -> datetime:
        now, zone = datetime.now().astimezone(), self.settings.timezone
        if at is None:
            return now
        if isinstance(at, datetime):
            return at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))
        return parse_when(at, timezone=zone, now=now)

    def _kept_plan(self) -> Plan:
        if self.frozen_plan is None:
            raise PlanError(no_plan_words(self.folder))
        return self.frozen_plan

    @property
    def plan(self) -> pd.DataFrame:
        """The planned batches, one row each."""
        return self._kept_plan().batches_frame

    @property
    def balls(self) -> pd.DataFrame:
        """The planned balls with what happened to them.

        Columns of the plan, then state, lost_reason, mixed_at, used_at, actual_hold_h, age_h,
        warm_min, readings.
        """
        frame = self._kept_plan().balls_frame
        states = [self.ball_states[str(ball)] for ball in frame["ball_id"]]
        return frame.assign(
            state=[s.state for s in states],
            lost_reason=[s.lost_reason for s in states],
            mixed_at=_times([s.mixed_at for s in states]),
            used_at=_times([s.used_at for s in states]),
            actual_hold_h=_numbers([s.hold_h for s in states]),
            age_h=_numbers([s.age_h for s in states]),
            warm_min=_numbers([s.warm_min for s in states]),
            readings=[s.readings for s in states],
        )

    @property
    def readings(self) -> pd.DataFrame:
        """The readings as they count now, one row each."""
        return self._frame("readings")

    @property
    def scores(self) -> pd.DataFrame:
        """The scores as they count now, one row each."""
        return self._frame("scores")

    def _frame(self, name: str) -> pd.DataFrame:
        import pandas as pd

        t = self.settings.table(name)
        rows = getattr(self.records, name)
        frame = pd.DataFrame({c: [r[c] for r in rows] for c in t.names})
        for c in t.columns:
            if c.kind == "datetime":
                frame[c.name] = _times(list(frame[c.name]))
            elif c.kind in {"number", "integer"}:
                frame[c.name] = _numbers(list(frame[c.name]))
        return frame

    def __str__(self) -> str:
        """Say in a few lines what the trial is and how far it has come."""
        s = self.settings
        lines = [f"{s.name} ({s.code}), {s.dough}"]
        lines += [f"asks: {q.text}" for q in s.questions]
        if self.frozen_plan is None:
            lines.append("no plan is kept yet")
        else:
            lines.append(
                f"planned: {len(self.frozen_plan.batches)} batches, "
                f"{len(self.frozen_plan.balls)} balls"
            )
        counts = {
            "mixes": "mixes", "readings": "readings", "bakes": "bakes", "scores": "scores",
        }  # fmt: skip
        found = [f"{len(getattr(self.records, k))} {v}" for k, v in counts.items()]
        lines.append(f"recorded: {', '.join(found)}")
        last = self.records.last_at
        if last is not None:
            lines.append(f"last record: {last:%Y-%m-%d %H:%M}")
        if self.problems:
            count = len(self.problems)
            words = "1 problem" if count == 1 else f"{count} problems"
            lines.append(f"{words}: doughlab check {self.folder}")
        return "\n".join(line[:80] for line in lines)

    def __repr__(self) -> str:
        """Give the same words as `str`."""
        return str(self)


def _times(values: list[Any]) -> Any:
    """Make one column of times in UTC, blanks included."""
    import pandas as pd

    return pd.to_datetime(pd.Series(values, dtype="object"), utc=True).to_numpy()


def _numbers(values: list[Any]) -> Any:
    import numpy as np

    return np.array([np.nan if v is None else float(v) for v in values], dtype=float)
