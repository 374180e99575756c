"""A glance at one dough: what is due, which tray next, what signals, what has ended its recipe.

`doughlab daily` shows one for each dough of a shop, the overview one for each settled trial. The
whole answer for one dough is the command's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.daily.advice import Tray, order_trays
from doughlab.daily.expiry import Ended, find_ended
from doughlab.daily.journals import DailyRecords, Row, read_daily, warmest_cooler
from doughlab.daily.recipe import Recipe, read_recipe
from doughlab.daily.shop import DueReading, due_readings
from doughlab.daily.standing import STANDARD_RULES, Standing, find_standing

if TYPE_CHECKING:
    from doughlab.record.records import Records
    from doughlab.settings import Settings

SAFE_COOLER_C = 5.0  # above it there is no advice on pH, whatever the user's own limit


@dataclass(frozen=True)
class Glance:
    """One dough at one time.

    Attributes
    ----------
    recipe : Recipe
    standing : Standing
    due : tuple of DueReading
    trays : tuple of Tray
        In the order of use.
    ended : tuple of Ended
    too_warm_c : float or None
        The last cooler where it was too warm: then nothing is said about pH.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> recipe = example_recipe()
    >>> still = find_standing(recipe, DailyRecords())
    >>> Glance(recipe, still, (), (), (), too_warm_c=7.0).words
    ('the cooler was too warm at the last reading: no advice on pH',)
    """

    recipe: Recipe
    standing: Standing
    due: tuple[DueReading, ...]
    trays: tuple[Tray, ...]
    ended: tuple[Ended, ...]
    too_warm_c: float | None = None

    @property
    def words(self) -> tuple[str, ...]:
        """Say in short sentences what waits."""
        if self.too_warm_c is not None:
            return ("the cooler was too warm at the last reading: no advice on pH",
                    *(e.words for e in self.ended))  # fmt: skip
        out = [f"to read today: {'; '.join(d.words for d in self.due)}"] if self.due else []
        out += [f"next tray: {self.trays[0].words}"] if self.trays else []
        out += [f"chart: {'; '.join(self.standing.now)}"] if self.standing.now else []
        return (*out, *(e.words for e in self.ended))


def take_glance(
    folder: Path,
    settings: Settings,
    *,
    records: Records,
    waters: Mapping[str, Mapping[str, Any]],
    at: datetime,
    rules: str = STANDARD_RULES,
    show: str = "",
) -> Glance | None:
    """Look at the dough of a trial folder.

    Parameters
    ----------
    folder : Path
    settings : Settings
    records : Records
        Of the trial: its temperatures and calibrations count on.
    waters : mapping of str to dict
        Rows of waters.csv.
    at : datetime
        With offset.
    rules : str
        A published rule set.
    show : str
        Unit of temperature; the trial's own where empty.

    Returns
    -------
    Glance or None
        None where nothing is settled.

    Raises
    ------
    InputError
        Where the settled recipe cannot be read.

    Examples
    --------
    >>> from doughlab.record.records import Records
    >>> from doughlab.settings import Settings
    >>> now = datetime(2026, 4, 1, tzinfo=ZoneInfo("UTC"))
    >>> take_glance(Path("none"), Settings("D", "D"), records=Records(), waters={}, at=now)
    """
    recipe = read_recipe(folder)
    if recipe is None:
        return None
    zone = ZoneInfo(settings.timezone)
    daily = read_daily(folder, (recipe.dough, settings.dough))
    most = min(settings.limits.cooler_c, SAFE_COOLER_C)
    warm = lots_too_warm(daily, records.temperatures, at=at, most_c=most)
    known = [r["cooler_c"] for r in daily.readings if r["cooler_c"] is not None]
    ended = find_ended(
        recipe, daily, day=at.astimezone(zone).date(), waters=waters,
        calibrations=records.calibrations, show=show or settings.show_temperature,
    )  # fmt: skip
    return Glance(
        recipe, find_standing(recipe, daily, rules=rules),
        tuple(due_readings(recipe, daily, at=at, zone=zone)),
        tuple(order_trays(recipe, daily, at=at, too_warm=warm,
                          max_hold_h=settings.limits.max_hold_h)), tuple(ended),
        float(known[-1]) if known and known[-1] > most else None,
    )  # fmt: skip


def lots_too_warm(
    daily: DailyRecords, temperatures: Sequence[Row], *, at: datetime, most_c: float
) -> dict[str, bool]:
    """Tell for every lot whether its cooler was too warm while it was in it.

    Examples
    --------
    >>> lots_too_warm(DailyRecords(), [], at=datetime(2026, 4, 1), most_c=5.0)
    {}
    """

    def warmest(row: dict[str, Any]) -> float:
        found = warmest_cooler(daily, temperatures, lot=row, since=row["mixed_at"], at=at)
        return -99.0 if found is None else found

    return {name: warmest(row) > most_c for name, row in daily.lots.items()}
