"""Days: how many there are, and which runs are mixed on which day.

`build_plan` calls it between `factors` and `order`. Complete blocks where the runs fit a day,
else blocks balanced as far as arithmetic allows. Dates are left to `schedule`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import ceil
from random import Random
from typing import TYPE_CHECKING

from doughlab.designed import FULL, LATIN, SEARCH
from doughlab.errors import PlanError
from doughlab.plan.factors import Levels, check_levels_used, list_day_settings
from doughlab.plan.latin import latin_days
from doughlab.plan.order import shuffled
from doughlab.plan.runs import list_parts, list_runs
from doughlab.plan.searching import search_days

if TYPE_CHECKING:
    from doughlab.settings import Settings

_STARTS = 24
_SWAPS = 400_000  # swaps tried in all, so that a large plan still answers within seconds


@dataclass(frozen=True)
class DayPlan:
    """The runs of one mixing day.

    Attributes
    ----------
    day : dict
        Levels of the day factors.
    runs : tuple of dict
        Day and batch levels of each batch.
    placed : bool
        Whether they stand in the order they are mixed; left to chance otherwise.
    balls : tuple of tuple of dict
        Ball settings of each batch; empty where every batch takes all that are allowed.
    """

    day: Levels
    runs: tuple[Levels, ...]
    placed: bool = False
    balls: tuple[tuple[Levels, ...], ...] = ()


def assign_days(settings: Settings, rng: Random) -> list[DayPlan]:
    """Decide how many mixing days there are and which batches each gets.

    Parameters
    ----------
    settings : Settings
    rng : random.Random

    Returns
    -------
    list of DayPlan
        In random order.

    Raises
    ------
    PlanError
        When the batches do not fit the days, or a level never occurs.
    """
    if settings.plan.design == SEARCH:
        return [
            DayPlan(day, runs, placed=True, balls=balls)
            for day, runs, balls in search_days(settings, rng)
        ]
    if settings.plan.design == LATIN:
        runs = list_runs(settings, {})
        square = latin_days(settings, runs, rng)
        check_levels_used(settings, runs)
        return [DayPlan({}, day, placed=True) for day in square]
    groups = _list_groups(settings)
    counts = count_days(settings, [len(g) for _, g in groups])
    found: list[DayPlan] = []
    for (day, group), count in zip(groups, counts, strict=True):
        sizes = spread(len(group), count)
        found += [DayPlan(day, part) for part in split_runs(group, shuffled(sizes, rng), rng)]
    return shuffled(found, rng)


def _list_groups(settings: Settings) -> list[tuple[Levels, list[Levels]]]:
    """List the batches of each day setting; corners and outer points apart where days allow."""
    days = list_day_settings(settings)
    parts = [list_parts(settings, day) for day in days]
    check_levels_used(settings, [r for own in parts for p in own for r in (*p.runs, *p.once)])
    batches = [
        [list(p.runs) * settings.blocks.replicates + list(p.once) for p in own] for own in parts
    ]
    limit = batches_a_day(settings)
    least = sum(ceil(len(group) / limit) for own in batches for group in own)
    given = settings.blocks.days
    if given is not None and given < least:
        batches = [[[run for group in own for run in group]] for own in batches]
    return [(day, group) for day, own in zip(days, batches, strict=True) for group in own if group]


def count_days(settings: Settings, batches: Sequence[int]) -> list[int]:
    """Count the mixing days for each day setting.

    Parameters
    ----------
    settings : Settings
    batches : sequence of int
        Batches of each day setting; one entry without day factors.

    Returns
    -------
    list of int
        One for each day setting.

    Raises
    ------
    PlanError
        With what is needed, what the days give, and what would mend it.
    """
    limit = batches_a_day(settings)
    total, settings_n = sum(batches), len(batches)
    least = [ceil(b / limit) for b in batches]
    if settings.blocks.days is None:
        twice = 2 if settings.factors_set("day") and settings.blocks.replicates > 1 else 1
        return [max(n, min(twice, b)) for n, b in zip(least, batches, strict=True)]
    days = settings.blocks.days
    if days < sum(least):
        what = f"{total} batches ({_counted(settings, total)})"
        kinds = "" if settings_n == 1 else f" for {settings_n} day settings"
        if settings_n > 1 and not settings.factors_set("day"):
            kinds = ""
        raise PlanError(
            f"This plan needs {what}; {days} {_plural(days, 'day')} of {limit} "
            f"{'gives' if days == 1 else 'give'} {days * limit}{kinds}. "
            f"Set days = {sum(least)} in [blocks], or take one level or replicate away."
        )
    if days > total:
        raise PlanError(
            f"{days} mixing days for {total} batches: some days would stay empty. "
            f"Set days = {total} or fewer in [blocks], or more replicates."
        )
    counts = list(least)
    for _ in range(days - sum(counts)):
        thin = [b / c if c < b else 0.0 for b, c in zip(batches, counts, strict=True)]
        counts[thin.index(max(thin))] += 1
    return counts


def batches_a_day(settings: Settings) -> int:
    """Give how many batches fit a mixing day: as set, else by mixers and opening hours.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> batches_a_day(Settings("x", "X1"))
    16
    """
    if settings.blocks.batches_per_day:
        return settings.blocks.batches_per_day
    kitchen = settings.kitchen
    minutes = clock_minutes(kitchen.close_at) - clock_minutes(kitchen.mix_at)
    return max(1, int(minutes // kitchen.mix_min) * kitchen.mixers)


def clock_minutes(text: str) -> int:
    """Give the minutes since midnight of a time of day, "09:30" to 570."""
    hours, minutes = text.split(":")[:2]
    return int(hours) * 60 + int(minutes)


def spread(total: int, parts: int) -> list[int]:
    """Divide a number into parts that differ by at most one.

    Examples
    --------
    >>> spread(24, 5)
    [5, 5, 5, 5, 4]
    """
    return [total // parts + (i < total % parts) for i in range(parts)]


def split_runs(
    runs: Sequence[Levels], sizes: Sequence[int], rng: Random
) -> list[tuple[Levels, ...]]:
    """Divide runs over days so that every day is as balanced as arithmetic allows.

    Minimised in this order: unequal counts of each level within days, of each pair of levels, of
    the same run, and unequal meetings of runs (so that a balanced incomplete block design is
    found where one exists and the search reaches it).

    Parameters
    ----------
    runs : sequence of dict
        One for each batch; replicates stand several times.
    sizes : sequence of int
        Batches of each day; their sum is the number of runs.
    rng : random.Random

    Returns
    -------
    list of tuple of dict
        The runs of each day.
    """
    names = [n for n in (runs[0] if runs else {}) if len({r[n] for r in runs}) > 1]
    margins = _margins(runs, names)
    goal = _lowest(margins, sizes)
    best: _Split | None = None
    tried = 0
    for _ in range(_STARTS):
        split = _Split(margins, _deal(shuffled(range(len(runs)), rng), sizes))
        tried += split.improve(rng, _SWAPS // 4)
        if best is None or split.score() < best.score():
            best = split
        if best.score() <= goal or tried > _SWAPS:
            break
    if best is None:
        return []
    return [tuple(runs[i] for i in day) for day in best.days]


def _deal(items: Sequence[int], sizes: Sequence[int]) -> list[list[int]]:
    out, start = [], 0
    for size in sizes:
        out.append(list(items[start : start + size]))
        start += size
    return out


Margin = tuple[int, list[int], int]
"""Rank of importance (0 first), the cell of each run, and how many cells there are."""


def _margins(runs: Sequence[Mapping[str, str]], names: Sequence[str]) -> list[Margin]:
    margins = [_margin(0, [r[n] for r in runs]) for n in names]
    margins += [_margin(1, [(r[a], r[b]) for r in runs]) for a, b in combinations(names, 2)]
    margins.append(_margin(2, [tuple(r[n] for n in names) for r in runs]))
    return margins


def _margin(rank: int, cells: Sequence[Hashable]) -> Margin:
    number = {cell: i for i, cell in enumerate(dict.fromkeys(cells))}
    return rank, [number[cell] for cell in cells], len(number)


def _lowest(margins: Sequence[Margin], sizes: Sequence[int]) -> tuple[int, ...]:
    """Give a score that no split can beat: every margin even in every day."""
    score = [0, 0, 0]
    for rank, _, k in margins:
        score[rank] += sum(c * c for size in sizes for c in spread(size, k))
    kinds = margins[-1][2]
    pairs = kinds * (kinds - 1) // 2
    meetings = sum(size * (size - 1) // 2 for size in sizes)
    meet = sum(c * c for c in spread(meetings, pairs)) if pairs else 0
    return (*score, meet)


class _Split:
    """A division of runs over days, improved by swapping two batches at a time."""

    def __init__(self, margins: Sequence[Margin], days: list[list[int]]) -> None:
        self.margins = margins
        self.days = days
        self.counts = [[_count(cells, k, day) for day in days] for _, cells, k in margins]
        self.run = margins[-1][1]
        self.met: Counter[tuple[int, int]] = Counter()
        for day in days:
            for a, b in combinations(day, 2):
                self._meet(a, b, 1)

    def _meet(self, a: int, b: int, by: int) -> None:
        x, y = self.run[a], self.run[b]
        if x != y:
            self.met[(x, y) if x < y else (y, x)] += by

    def score(self) -> tuple[int, ...]:
        score = [0, 0, 0]
        for (rank, _, _), tables in zip(self.margins, self.counts, strict=True):
            score[rank] += sum(n * n for table in tables for n in table)
        return (*score, sum(n * n for n in self.met.values()))

    def improve(self, rng: Random, most: int) -> int:
        """Swap while it helps; give the number of swaps tried."""
        tried, moved = 0, True
        while moved and tried < most:
            moved = False
            for d, e in shuffled(list(combinations(range(len(self.days)), 2)), rng):
                for i in range(len(self.days[d])):
                    for j in range(len(self.days[e])):
                        tried += 1
                        moved |= self._swap_if_better(d, i, e, j)
        return tried

    def _swap_if_better(self, d: int, i: int, e: int, j: int) -> bool:
        x, y = self.days[d][i], self.days[e][j]
        if self.run[x] == self.run[y]:
            return False
        change = [0, 0, 0]
        for (rank, cells, _), tables in zip(self.margins, self.counts, strict=True):
            a, b = cells[x], cells[y]
            if a != b:
                change[rank] += tables[d][b] - tables[d][a] + tables[e][a] - tables[e][b] + 2
        if change > [0, 0, 0]:
            return False
        if change < [0, 0, 0]:
            self._swap(d, i, e, j)
            return True
        before = sum(n * n for n in self.met.values())
        self._swap(d, i, e, j)
        if sum(n * n for n in self.met.values()) < before:
            return True
        self._swap(d, i, e, j)
        return False

    def _swap(self, d: int, i: int, e: int, j: int) -> None:
        x, y = self.days[d][i], self.days[e][j]
        for day, out, into, place in ((d, x, y, i), (e, y, x, j)):
            for other in self.days[day]:
                if other != out:
                    self._meet(out, other, -1)
                    self._meet(into, other, 1)
            for (_, cells, _), tables in zip(self.margins, self.counts, strict=True):
                tables[day][cells[out]] -= 1
                tables[day][cells[into]] += 1
            self.days[day][place] = into


def _count(cells: Sequence[int], k: int, day: Sequence[int]) -> list[int]:
    table = [0] * k
    for i in day:
        table[cells[i]] += 1
    return table


def _counted(settings: Settings, total: int) -> str:
    replicates = settings.blocks.replicates
    combos, rest = divmod(total, replicates)
    if rest or settings.plan.design != FULL or settings.plan.centres:
        return settings.plan.design.replace("-", " ")
    return (
        f"{combos} {_plural(combos, 'combination')} x {replicates} {_plural(replicates, 'batch')}"
    )


def _plural(n: int, word: str) -> str:
    if n == 1:
        return word
    return f"{word}es" if word.endswith("ch") else f"{word}s"
