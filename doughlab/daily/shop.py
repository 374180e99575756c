"""A shop keeps several doughs: each lives in the trial folder that settled it.

`doughlab daily` asks which folder keeps the dough that was named; the overview lists them.
Window, checkpoint, limits and journals stay in that folder, so two doughs never share any.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import Recipe, read_recipe
from doughlab.daily.standing import CHECKPOINT_H
from doughlab.errors import InputError, UnknownName
from doughlab.record.folder import read_trial_toml


@dataclass(frozen=True)
class KeptDough:
    """One dough and the folder it lives in.

    Attributes
    ----------
    folder : Path
    dough : str
        Name, from the settled recipe where there is one, else from trial.toml.
    recipe : Recipe or None
        None where nothing is settled there yet.
    problem : str
        Why the folder or its recipe cannot be read; empty where they can.

    Examples
    --------
    >>> print(KeptDough(Path("pan"), "pan dough").words)
    pan dough (pan, not settled yet)
    """

    folder: Path
    dough: str
    recipe: Recipe | None = None
    problem: str = ""

    @property
    def words(self) -> str:
        """Name the dough with its folder and since when it is settled."""
        since = f"settled {self.recipe.settled_at}" if self.recipe else "not settled yet"
        return f"{self.dough} ({self.folder}, {self.problem or since})"


def list_doughs(folders: Iterable[Path]) -> list[KeptDough]:
    """List the doughs of trial folders, settled ones first, then by name.

    Parameters
    ----------
    folders : iterable of Path

    Returns
    -------
    list of KeptDough
        One for each folder.

    Examples
    --------
    >>> list_doughs([Path("no such folder")])[0].problem
    'trial.toml cannot be used'
    """
    found = []
    for folder in folders:
        settings, _ = read_trial_toml(folder)
        if settings is None:
            found.append(KeptDough(folder, "?", problem="trial.toml cannot be used"))
            continue
        try:
            recipe = read_recipe(folder)
        except InputError as error:
            found.append(KeptDough(folder, settings.dough, problem=str(error)))
            continue
        name = recipe.dough if recipe is not None else settings.dough
        found.append(KeptDough(folder, name, recipe))
    return sorted(found, key=lambda k: (k.recipe is None, k.dough.casefold(), str(k.folder)))


def choose_dough(kept: Sequence[KeptDough], name: str) -> KeptDough:
    """Choose the folder of a dough by its name, or by words that only one name begins with.

    Parameters
    ----------
    kept : sequence of KeptDough
    name : str
        As typed, such as "house"; empty takes the only settled one.

    Raises
    ------
    UnknownName
        Where no dough is called so, with the names.
    InputError
        Where several are, or one is settled in several folders.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> house = KeptDough(Path("a"), "house dough", example_recipe())
    >>> pan = KeptDough(Path("b"), "pan dough", example_recipe(dough="pan dough"))
    >>> choose_dough([house, pan], "house").folder.name
    'a'
    """
    fits = [k for k in kept if matches(k.dough, name)]
    exact = [k for k in kept if k.dough.casefold() == name.strip().casefold()]
    fits = exact or fits
    if not fits:
        raise UnknownName("dough", name, sorted({k.dough for k in kept}))
    settled = [k for k in fits if k.recipe is not None]
    if len({k.dough.casefold() for k in settled or fits}) > 1:
        typed = f"'{name}' fits" if name else "Here are"
        names = ", ".join(sorted({k.dough for k in settled or fits}))
        raise InputError(f"{typed} several doughs: {names}. Say which: --dough NAME")
    if len(settled or fits) > 1:
        places = "; ".join(k.words for k in settled or fits)
        raise InputError(
            f"'{(settled or fits)[0].dough}' is kept in several folders: {places}. Name the folder "
            "itself: doughlab daily FOLDER"
        )
    return (settled or fits)[0]


def matches(dough: str, typed: str) -> bool:
    """Tell whether every typed word begins a word of a dough's name.

    Examples
    --------
    >>> matches("house dough", "Hou"), matches("house dough", "pan")
    (True, False)
    """
    own = dough.casefold().split()
    return all(any(w.startswith(t) for w in own) for t in typed.casefold().split())


@dataclass(frozen=True)
class DueReading:
    """One lot that is to be read at its checkpoint.

    Examples
    --------
    >>> DueReading("L07", datetime(2026, 4, 3, 10), late=True).words
    'L07 was due 10:00'
    """

    lot: str
    at: datetime
    late: bool

    @property
    def words(self) -> str:
        """Name the lot and when it is due."""
        return f"{self.lot} {'was due ' if self.late else ''}{self.at:%H:%M}"


def due_readings(
    recipe: Recipe, records: DailyRecords, *, at: datetime, zone: ZoneInfo
) -> list[DueReading]:
    """List the lots whose checkpoint is today and that were not read near it.

    Parameters
    ----------
    recipe : Recipe
    records : DailyRecords
    at : datetime
        With offset; the day of the shop's own zone is taken.
    zone : ZoneInfo

    Returns
    -------
    list of DueReading
        By time; a lot stays due until a reading would no longer stand for it on the chart.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> now = datetime(2026, 4, 3, 9, tzinfo=ZoneInfo("UTC"))
    >>> mixed = now - timedelta(hours=47)
    >>> lot = {"lot": "L1", "mixed_at": mixed, "balled_at": None, "left": 4}
    >>> zone = ZoneInfo("UTC")
    >>> due_readings(example_recipe(), DailyRecords({"L1": lot}), at=now, zone=zone)[0].words
    'L1 10:00'
    """
    near = timedelta(hours=CHECKPOINT_H)
    today = at.astimezone(zone).date()
    read = {
        r["lot"] for r in records.readings
        if r["lot"] and abs(r["hold_h"] - recipe.hold_h) <= CHECKPOINT_H
    }  # fmt: skip
    found = []
    for name, row in records.lots.items():
        start = row["balled_at"] or row["mixed_at"]
        due = (start + timedelta(hours=recipe.hold_h)).astimezone(zone)
        if row["left"] == 0 or name in read or due + near < at or due.date() > today:
            continue
        found.append(DueReading(name, due, due < at))
    return sorted(found, key=lambda d: d.at)
