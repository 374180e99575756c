"""The trial folder as it stands: every file read once, with what is wrong in each.

`Trial.open` and the checks start from here; reading never fails because of a bad row.
What the findings mean together is left to `checks`.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.errors import InputError, Problem
from doughlab.files import Rows, collector_paused, read_rows, say_unopened
from doughlab.nearby import missing_words
from doughlab.record.records import Records, read_records
from doughlab.settings import FILE, Settings, parse_settings

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

FORMULA_FILE = "formula.toml"
_PLAN_FILES = ("plan/batches.csv", "plan/balls.csv", "plan/schedule.csv")


@dataclass(frozen=True)
class TrialFolder:
    """Everything a trial folder holds.

    Attributes
    ----------
    path : Path
    settings : Settings
    waters : Rows
        waters.csv with its problems.
    formula : Formula or None
        None where formula.toml is missing or cannot be used.
    plan : Plan or None
        The frozen plan; None where none is kept or it cannot be read.
    records : Records
    problems : list of Problem
        What was found while reading, file by file; links and sense are for `checks`.
    """

    path: Path
    settings: Settings
    waters: Rows = field(default_factory=Rows)
    formula: Formula | None = None
    plan: Plan | None = None
    records: Records = field(default_factory=Records)
    problems: list[Problem] = field(default_factory=list)

    @property
    def water_rows(self) -> dict[str, dict[str, Any]]:
        """The rows of waters.csv by water id."""
        return {str(r["water_id"]): r for r in self.waters.rows if r["water_id"] is not None}

    @property
    def has_preferment(self) -> bool:
        """Whether the formula has a preferment, so that its temperature is asked for."""
        return self.formula is not None and bool(self.formula.preferments)

    def plan_day(self, now: datetime) -> date | None:
        """Give the day of the plan that lies nearest to now: a date without a year is near it.

        Examples
        --------
        >>> TrialFolder(Path("none"), Settings("Demo", "DE")).plan_day(datetime.now().astimezone())
        """
        if self.plan is None or not self.plan.schedule:
            return None
        times = [r["due_at"] for r in self.plan.schedule]
        at = min(max(now, min(times)), max(times))
        return at.astimezone(ZoneInfo(self.settings.timezone)).date()


def read_trial_toml(folder: Path) -> tuple[Settings | None, list[Problem]]:
    """Read trial.toml of a folder; whatever is wrong comes back as problems.

    Returns
    -------
    Settings or None, list of Problem
        None where the file cannot be used.

    Examples
    --------
    >>> settings, problems = read_trial_toml(Path("no such folder"))
    >>> print(settings, problems[0].file)
    None trial.toml
    """
    path = Path(folder) / FILE
    if Path(folder).is_file():
        parent = Path(folder).parent
        where = "this one is '.'" if str(parent) == "." else f"it stands in '{parent}'"
        message = f"'{folder}' is a file. Give the folder of the trial instead; {where}."
        return None, [Problem(FILE, message)]
    if path.is_dir():
        return None, [Problem(FILE, "is a folder, where a file should stand. Move it away.")]
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return None, [Problem(FILE, missing_words(Path(folder)))]
    except UnicodeDecodeError:
        return None, [Problem(FILE, "not UTF-8 text. Save it as UTF-8.")]
    except OSError as error:
        message = say_unopened(error)
        return None, [Problem(FILE, message)]
    return parse_settings(text)


def no_plan_words(folder: Path) -> str:
    """Say that no plan is kept, or that a part of it is gone, and what to do.

    Examples
    --------
    >>> no_plan_words(Path("cake"))
    'cake has no plan yet. Look at one, then keep it: doughlab plan cake --keep'
    """
    folder = Path(folder)
    there = [n for n in _PLAN_FILES if (folder / n).exists()]
    gone = [n for n in _PLAN_FILES if n not in there]
    place = "" if str(folder) == "." else f" {shlex.quote(str(folder))}"
    name = "This folder" if str(folder) == "." else str(folder)
    if there and gone:
        return (
            f"{name}: the plan is kept, but {', '.join(gone)} is gone. Bring it back from a copy; "
            f"then: doughlab check{place}"
        )
    if there:
        return f"{name}: the kept plan cannot be read. What is wrong says: doughlab check{place}"
    return f"{name} has no plan yet. Look at one, then keep it: doughlab plan{place} --keep"


def read_folder(folder: Path) -> TrialFolder:
    """Read a whole trial folder.

    Raises
    ------
    InputError
        Only where trial.toml itself cannot be used, with every problem in it.

    Examples
    --------
    >>> read_folder(Path("no such folder"))
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: trial.toml: does not exist, so this is no trial folder. ...
    """
    folder = Path(folder)
    settings, problems = read_trial_toml(folder)
    if settings is None:
        raise InputError.from_problems(problems, shown=12)
    waters = read_rows(folder, settings.table("waters"))
    problems = [*problems, *waters.problems]
    formula = _read_formula(folder, problems)
    plan = _read_plan(folder, settings, problems)
    with collector_paused():
        records = read_records(folder, settings)
    problems += records.problems
    return TrialFolder(folder, settings, waters, formula, plan, records, problems)


def _read_formula(folder: Path, problems: list[Problem]) -> Formula | None:
    path = folder / FORMULA_FILE
    if not path.exists():
        return None
    from doughlab.formula.formula import read_formula

    try:
        return read_formula(path)
    except InputError as error:
        problems.extend(error.problems or [Problem(FORMULA_FILE, str(error))])
    except OSError as error:
        message = say_unopened(error)
        problems.append(Problem(FORMULA_FILE, message))
    return None


def _read_plan(folder: Path, settings: Settings, problems: list[Problem]) -> Plan | None:
    if not (folder / "plan").exists():
        return None
    from doughlab.plan.plan import read_plan

    plan, found = read_plan(folder, settings)
    problems.extend(found)
    return plan
