"""Extend: add batches to a kept plan, and leave everything of the first part as it is.

`doughlab plan --extend` calls it. The same runs are mixed again on new days, as evenly as
arithmetic allows; a searched plan is searched on, with what was made kept. Whether old and new are
judged together is left to `looks` and the analysis.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from math import ceil
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from doughlab.designed import SEARCH
from doughlab.errors import InputError, PlanError
from doughlab.files import read_header, write_csv
from doughlab.plan.calendar import SECONDS, lay_calendar
from doughlab.plan.dating import date_balls
from doughlab.plan.designs import split_runs, spread
from doughlab.plan.factors import list_ball_settings
from doughlab.plan.lock import FIRST, LOCK, add_part, read_lock, write_lock
from doughlab.plan.lots import name_water_lots
from doughlab.plan.order import make_rng, shuffled
from doughlab.plan.pairs import PAIR, add_first_readings, paired_batches, pairs_of_batch
from doughlab.plan.parts import PlanPart, batches_by_part, take_batches
from doughlab.plan.plan import PARTS, Plan, lay_balls, put_files, software_version
from doughlab.plan.searching import judge_search, search_more
from doughlab.tables import Table

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula

Row = dict[str, Any]
MOST = 500
_WISH = re.compile(
    r"\s*(?P<count>\d{1,4})\s*(?P<unit>batch(?:es)?|days?|replicates?)?"
    r"(?:\s+from\s+(?P<start>\d{4}-\d{2}-\d{2}))?\s*",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Wish:
    """How much is to be added.

    Attributes
    ----------
    count : int
    unit : str
        "batch", "day" (as many batches as a day of the kept plan has) or "replicate" (one more
        batch of every combination).
    start_on : date or None
        Earliest mixing day of the new part.
    """

    count: int
    unit: str = "batch"
    start_on: date | None = None


def read_wish(text: str) -> Wish:
    """Read how much is to be added.

    Raises
    ------
    InputError
        With what would be right.

    Examples
    --------
    >>> read_wish("12").count, read_wish("2 days from 2026-05-04").start_on.isoformat()
    (12, '2026-05-04')
    """
    found = _WISH.fullmatch(text)
    if found is None or not 0 < int(found["count"]) <= MOST:
        raise InputError(
            f"--extend '{text}' cannot be read. Write a number of batches, days or replicates, as "
            f'12, "2 days" or "1 replicate from 2026-05-04"; at most {MOST}.'
        )
    unit = (found["unit"] or "batch").lower()
    try:
        start = date.fromisoformat(found["start"]) if found["start"] else None
    except ValueError:
        raise InputError(
            f"--extend '{text}': {found['start']} is no date. Write it as 2026-05-04."
        ) from None
    kind = "batch" if unit.startswith("batch") else unit.rstrip("s")
    return Wish(int(found["count"]), kind, start)


def extend_plan(
    plan: Plan,
    wish: Wish,
    *,
    reason: str,
    at: datetime,
    formula: Formula | None = None,
    seed: int | None = None,
    calendar: bool = False,
    seconds: float = SECONDS,
) -> Plan:
    """Lay out more batches of a kept plan; nothing is written.

    Parameters
    ----------
    plan : Plan
        As it was kept.
    wish : Wish
    reason : str
        Why; it is kept with the new part.
    at : datetime
        Now, with offset. The new part is mixed after this day and after the last ball of the old
        part is due.
    formula : Formula, optional
    seed : int, optional
        Of the random orders of the new part; one more than that of the part before unless given.
    calendar : bool
        Lay every step of the new part within what the kitchen holds (`lay_calendar`).
    seconds : float
        How long the best calendar is looked for.

    Returns
    -------
    Plan
        Old rows first, as they were; new batches, days, sessions and lots are numbered on.

    Raises
    ------
    InputError
        Without a reason.
    PlanError
        When the new part would begin before the old one ends, the kitchen is closed every day, or
        no calendar fits.

    Notes
    -----
    A new batch copies a batch of the first part: its settings, and the purposes and settings of
    its balls. Combinations come as often, one against the other, as they did there; where the
    number does not go up, those with the fewest batches so far come first, and of these the ones
    that leave the levels most even. Which ball gets which setting, the order in the day and the
    blind codes are drawn anew, and so are the batches that give pairs for the warm-up: as many as
    [warm_up] asks for, or all of a smaller part.

    A searched plan is not copied: its search runs again for the new days alone, with the batches
    that are there counted as they stand, so that the new ones are the best beside them.
    """
    if not reason.strip():
        raise InputError(
            'An extension needs its reason, which is kept: --reason "water not settled".'
        )
    ends = (plan.batches[0]["batch_id"], plan.batches[-1]["batch_id"])
    parts = plan.parts or (PlanPart(1, *ends, FIRST, seed=plan.seed),)
    last = parts[-1]
    number = last.number + 1
    seed = (last.seed + 1) % 2**31 if seed is None else seed
    rows = _Rows(plan, make_rng(seed, f"extend/{number}"))
    batches, balls = rows.lay(wish, seed)
    settings = _started(plan, wish, at)
    schedule = date_balls(settings, batches, balls, formula=formula, seed=seed)
    schedule = add_first_readings(settings, balls, schedule)
    if calendar:
        new = replace(plan, settings=settings, batches=tuple(batches), balls=tuple(balls),
                      schedule=schedule, seed=seed, parts=())  # fmt: skip
        week = lay_calendar(new, formula=formula, seconds=seconds).plan
        batches, schedule = list(week.batches), week.schedule
        balls = [dict(ball) for ball in week.balls]
    sessions = _highest(b["session"] for b in plan.balls)
    for ball in balls:
        ball["session"] = _moved(ball["session"], sessions)
    part = PlanPart(number, batches[0]["batch_id"], batches[-1]["batch_id"], reason.strip(),
                    at.isoformat(timespec="seconds"), seed, software_version())  # fmt: skip
    return replace(
        plan,
        batches=(*plan.batches, *batches),
        balls=(*plan.balls, *balls),
        schedule=(*plan.schedule, *schedule),
        parts=(*parts, part),
    )


def _started(plan: Plan, wish: Wish, at: datetime) -> Any:
    """Give the settings with the first day of the new part; undated plans stay undated."""
    settings = plan.settings
    if not settings.blocks.start_on or not plan.schedule:
        return settings
    ended = max(row["due_at"] for row in plan.schedule).date()
    if wish.start_on is not None and wish.start_on <= ended:
        raise PlanError(
            f"The kept plan runs until {ended.isoformat()}; the new part cannot begin on "
            f"{wish.start_on.isoformat()}. Begin on {(ended + timedelta(days=1)).isoformat()} or "
            "later."
        )
    start = wish.start_on or max(ended, at.date()) + timedelta(days=1)
    return replace(settings, blocks=replace(settings.blocks, start_on=start.isoformat()))


class _Rows:
    """Copies batches of the first part into a new one."""

    def __init__(self, plan: Plan, rng: Random) -> None:
        self.plan = plan
        self.rng = rng
        self.settings = plan.settings
        self.factors = plan.settings.factors_set("day", "batch")
        self.first = take_batches(plan, batches_by_part(plan)[0])
        self.balls: dict[str, list[Row]] = {b["batch_id"]: [] for b in plan.batches}
        for ball in plan.balls:
            self.balls[ball["batch_id"]].append(ball)
        self.kinds: dict[Any, Row] = {}
        for batch in self.first.batches:
            self.kinds.setdefault(self._kind(batch), batch)
        self.weight = Counter(self._kind(b) for b in self.first.batches)
        self.so_far = Counter(self._kind(b) for b in plan.batches)

    def _kind(self, batch: Row) -> Any:
        """Tell batches apart by their settings and those of their balls."""
        inner = self.settings.factors_set("ball")
        own = Counter((b["purpose"], *(b[f.column] for f in inner))
                      for b in self.balls[batch["batch_id"]] if b["purpose"] != PAIR)  # fmt: skip
        return (*(batch[f.column] for f in self.factors), frozenset(own.items()))

    def count(self, wish: Wish) -> int:
        """Count the batches that are wished for."""
        if wish.unit == "replicate":
            return wish.count * len(self.kinds)
        return wish.count * (self.a_day if wish.unit == "day" else 1)

    @property
    def a_day(self) -> int:
        """The most batches on a mixing day of the first part."""
        return max(Counter(b["block"] for b in self.first.batches).values())

    def choose(self, count: int) -> list[Any]:
        """Choose kinds one by one: the one that lags most behind, then the most even levels."""
        new: Counter[Any] = Counter()
        levels: Counter[tuple[int, Any]] = Counter()
        order = shuffled(list(self.kinds), self.rng)
        for _ in range(count):
            best = min(order, key=lambda k: (
                new[k] / self.weight[k], self.so_far[k] / self.weight[k],
                sum(levels[(i, level)] for i, level in enumerate(k[:-1]))))  # fmt: skip
            new[best] += 1
            levels.update(enumerate(best[:-1]))
        return list(new.elements())

    def days(self, kinds: Sequence[Any], wish: Wish) -> list[list[Any]]:
        """Deal the batches to days, those of one day setting together."""
        own = [i for i, f in enumerate(self.factors) if f.set == "day"]
        groups: dict[Any, list[Any]] = {}
        for kind in kinds:
            groups.setdefault(tuple(kind[i] for i in own), []).append(kind)
        counts = [ceil(len(g) / self.a_day) for g in groups.values()]
        if wish.unit == "day" and wish.count > sum(counts):
            counts[0] += wish.count - sum(counts)
        found: list[list[Any]] = []
        for group, days in zip(groups.values(), counts, strict=True):
            named = [{str(i): str(kind[i]) for i in range(len(kind) - 1)} for kind in group]
            pool: dict[Any, list[Any]] = {}
            for name, kind in zip(named, group, strict=True):
                pool.setdefault(tuple(name.items()), []).append(kind)
            sizes = shuffled(spread(len(group), min(days, len(group))), self.rng)
            for day in split_runs(named, sizes, self.rng):
                found.append([pool[tuple(name.items())].pop() for name in day])
        return shuffled(found, self.rng)

    def lay(self, wish: Wish, seed: int) -> tuple[list[Row], list[Row]]:
        """Lay out batches and balls under the next free ids."""
        count = self.count(wish)
        if count > MOST:
            raise PlanError(f"{count} batches more are too many; at most {MOST} can be added.")
        if self.settings.plan.design == SEARCH:
            batches, balls = self._search(count, wish, seed)
        else:
            batches, balls = self.copy(count, wish, seed)
        lots = _highest(b["water_lot"] for b in self.plan.batches)
        for row, lot in zip(batches, name_water_lots(self.settings, batches), strict=True):
            row["water_lot"] = _moved(lot, lots)
        return batches, balls

    def copy(self, count: int, wish: Wish, seed: int) -> tuple[list[Row], list[Row]]:
        """Lay out copies of batches that were made."""
        batches: list[Row] = []
        models: list[Row] = []
        balls: list[Row] = []
        for d, kinds in enumerate(self.days(self.choose(count), wish)):
            rng = make_rng(seed, f"order/{self._day(d)[1:]}")
            for order, kind in enumerate(shuffled(kinds, rng), start=1):
                like = self.kinds[kind]
                models.append(like)
                batches.append({**like, "batch_id": self._name(len(batches)), "block": self._day(d),
                                "order": order,
                                **dict.fromkeys(("flour_lot", "preferment_lot"))})  # fmt: skip
        paired = self._paired(batches, seed)
        for row, like in zip(batches, models, strict=True):
            name = row["batch_id"]
            balls += self._copy_balls(like, name, seed, paired=name in paired)
        return batches, balls

    def _search(self, count: int, wish: Wish, seed: int) -> tuple[list[Row], list[Row]]:
        """Lay out the best batches beside those that were made, for the model of the search."""
        days = wish.count if wish.unit == "day" else ceil(count / self.a_day)
        sizes = [n for n in spread(count, days) if n]
        found = search_more(self.settings, self.plan.batches, self.plan.balls, sizes, self.rng)
        batches: list[Row] = []
        chosen: list[tuple[dict[str, str], Sequence[dict[str, str]]]] = []
        for d, (_, runs, own) in enumerate(found):
            for order, run in enumerate(runs, start=1):
                row: Row = dict.fromkeys(self.settings.table("batches").names)
                row |= {"batch_id": self._name(len(batches)), "block": self._day(d), "order": order}
                batches.append(row | {f.column: f.value_of(run[f.name]) for f in self.factors})
                chosen.append((run, own[order - 1] if own else ()))
        paired = self._paired(batches, seed)
        balls: list[Row] = []
        for row, (run, own_balls) in zip(batches, chosen, strict=True):
            settings = own_balls or list_ball_settings(self.settings, run)
            balls += lay_balls(self.settings, row, settings, seed, paired=row["batch_id"] in paired)
        return batches, balls

    def _name(self, number: int) -> str:
        """Give the id of a new batch, counted from 0."""
        start = _highest(b["batch_id"] for b in self.plan.batches)
        return _numbered(str(self.plan.batches[-1]["batch_id"]), start + number + 1)

    def _day(self, number: int) -> str:
        """Give the name of a new mixing day, counted from 0."""
        return f"D{_highest(b['block'] for b in self.plan.batches) + number + 1}"

    def _paired(self, batches: Sequence[Row], seed: int) -> set[str]:
        """Draw the new batches that give pairs; all of them where the part is smaller."""
        wanted = self.settings.warm_up
        fewer = replace(wanted, batches=min(wanted.batches, len(batches)))
        return paired_batches(replace(self.settings, warm_up=fewer), batches, seed=seed)

    def _copy_balls(self, like: Row, name: str, seed: int, *, paired: bool) -> list[Row]:
        """Copy the balls of a batch; which of them gets which setting is left to chance."""
        there = self.balls[like["batch_id"]]
        used = shuffled([b for b in there if b["purpose"] not in {"spare", PAIR}],
                        make_rng(seed, f"balls/{name}"))  # fmt: skip
        ordered = [*used, *(self._pairs(used) if paired else ()),
                   *(b for b in there if b["purpose"] == "spare")]  # fmt: skip
        width = len(str(len(ordered)))
        blank = dict.fromkeys(("session", "blind_code", "place"))
        return [
            {**ball, "ball_id": f"{name}-{i:0{width}d}", "batch_id": name, **blank}
            for i, ball in enumerate(ordered, start=1)
        ]

    def _pairs(self, used: Sequence[Row]) -> list[Row]:
        """Lay out the pairs of a batch beside the balls that it has."""
        inner = self.settings.factors_set("ball")
        choices = [{f.name: f.level_of(b[f.column]) for f in inner} for b in used]
        blank = dict.fromkeys(self.settings.table("balls").names)
        return [{**blank, "purpose": purpose, **values}
                for purpose, values in pairs_of_batch(self.settings, choices)]  # fmt: skip


@dataclass(frozen=True)
class Searched:
    """How much a searched plan tells before and after it is extended, in D-efficiency.

    Attributes
    ----------
    before, after : float
        Per cent, of the batches made so far, and of all together.
    copied : float
        Of all together, had the new batches copied those that were made.
    """

    before: float
    after: float
    copied: float

    def __str__(self) -> str:
        """Say it in one sentence."""
        return (
            "The new batches are the best that the search finds beside those already planned: "
            f"D-efficiency {self.before:.4g} % so far, {self.after:.4g} % with them "
            f"({self.copied:.4g} % had they copied batches that are there)."
        )


def judge_extension(plan: Plan, new: Plan, wish: Wish) -> Searched | None:
    """Compare a searched extension with the plan before it, and with copies.

    Parameters
    ----------
    plan : Plan
        Before.
    new : Plan
        From `extend_plan`, of the same wish.
    wish : Wish

    Returns
    -------
    Searched or None
        None for a plan that was not searched.
    """
    settings = plan.settings
    if settings.plan.design != SEARCH:
        return None
    count, seed = len(new.batches) - len(plan.batches), new.parts[-1].seed
    rows = _Rows(plan, make_rng(seed, f"extend/{new.parts[-1].number}"))
    batches, balls = rows.copy(count, wish, seed)
    scores = [
        judge_search(settings, b, u).efficiency
        for b, u in (
            (plan.batches, plan.balls),
            (new.batches, new.balls),
            ((*plan.batches, *batches), (*plan.balls, *balls)),
        )
    ]
    return Searched(*scores)


def _highest(ids: Any) -> int:
    """Give the highest number in ids such as B07; 0 where there is none."""
    numbers = [int(m[0]) for i in ids if i and (m := re.search(r"\d+$", str(i)))]
    return max(numbers, default=0)


def _numbered(like: str, number: int) -> str:
    """Write an id like another one: the same letters, digits at least as wide."""
    found = re.fullmatch(r"(.*?)(\d+)", like)
    head, digits = (found[1], found[2]) if found else (like, "00")
    return f"{head}{number:0{len(digits)}d}"


def _moved(name: str | None, by: int) -> str | None:
    """Count an id on by a number."""
    return None if name is None else _numbered(name, _highest([name]) + by)


def write_extension(plan: Plan, folder: Path | str) -> list[str]:
    """Keep the last part of an extended plan: rows are added, none is touched.

    Parameters
    ----------
    plan : Plan
        From `extend_plan`.
    folder : Path
        The trial folder; its plan files stand as they were when `plan` was extended.

    Returns
    -------
    list of str
        The files written, relative to the folder.

    Raises
    ------
    PlanError
        Where plan.lock is missing or names other parts.
    """
    folder = Path(folder)
    lock, problems = read_lock(folder)
    named = lock.get("parts", []) if lock else []
    if lock is None or len(named) != len(plan.parts) - 1:
        why = str(problems[0]) if problems else (
            "plan/plan.lock is missing." if lock is None else
            "The kept plan was extended by someone else meanwhile.")  # fmt: skip
        raise PlanError(f"The plan cannot be extended. {why} Look at it: doughlab check")
    new = take_batches(plan, batches_by_part(plan)[-1])
    texts = {}
    for name in PARTS:
        table = plan.settings.table(name)
        texts[table.path] = _appended(folder, table, getattr(new, name))
    texts[LOCK] = write_lock(add_part(lock, plan.parts[-1], new))
    put_files(folder, texts)
    return list(texts)


def _appended(folder: Path, table: Table, rows: Sequence[Mapping[str, Any]]) -> str:
    """Give the text of a file with rows added below, in the order of its own columns."""
    there = (folder / table.path).read_bytes().decode("utf-8")
    names = read_header(folder, table)
    own = replace(table, columns=tuple(table.column(n) for n in names))
    added = write_csv(own, map(dict, rows)).split("\n", 1)[1]
    end = "" if there.endswith("\n") else "\n"
    return there + end + added
