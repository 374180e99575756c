"""Order and blinding: what is left to chance, and how chance is drawn.

`build_plan` shuffles, codes and places with it; judges' serving orders are balanced here.
Every draw follows from a seed and a purpose, so that the same seed gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from random import Random
from typing import TypeVar

from doughlab.errors import PlanError

T = TypeVar("T")

CODES = range(100, 1000)
ROUND_MIN = 60.0  # bakes due within an hour are tasted as one round


def make_rng(seed: int, purpose: str) -> Random:
    """Make the random numbers of one purpose; other purposes do not disturb them.

    Examples
    --------
    >>> make_rng(7, "days").random() == make_rng(7, "days").random()
    True
    """
    return Random(f"doughlab/{seed}/{purpose}")


def shuffled(items: Iterable[T], rng: Random) -> list[T]:
    """Give the items in random order.

    Examples
    --------
    >>> sorted(shuffled([3, 1, 2], make_rng(1, "x")))
    [1, 2, 3]
    """
    drawn = [(rng.random(), place, item) for place, item in enumerate(items)]
    return [item for _, _, item in sorted(drawn, key=lambda d: d[:2])]


def draw_codes(count: int, rng: Random) -> list[int]:
    """Draw three-digit blind codes, each once.

    Raises
    ------
    PlanError
        For more than 900 samples in one session.
    """
    if count > len(CODES):
        raise PlanError(
            f"{count} bakes in one session, but there are only {len(CODES)} three-digit codes. "
            "Spread the batches over more mixing days: days in [blocks]."
        )
    return shuffled(CODES, rng)[:count]


def williams_rows(n: int) -> list[list[int]]:
    """List serving orders in which every sample follows every other equally often.

    Parameters
    ----------
    n : int
        Samples, 1 or more.

    Returns
    -------
    list of list of int
        n orders for even n, 2 n for odd n; each a permutation of 0 to n - 1. Over all of them
        each sample stands equally often at each place and follows each other sample equally
        often.

    References
    ----------
    Williams, E. J. (1949), Aust. J. Sci. Res. A 2, 149-168. Checked in
    tests/plan/test_order.py.

    Examples
    --------
    >>> ["".join(map(str, row)) for row in williams_rows(4)]
    ['0132', '1203', '2310', '3021']
    """
    first = [0]
    for k in range(1, n):
        first.append((k + 1) // 2 if k % 2 else n - k // 2)
    rows = [[(v + shift) % n for v in first] for shift in range(n)]
    if n % 2 and n > 1:
        rows += [row[::-1] for row in rows]
    return rows


def serve_rounds(due: dict[str, datetime], most: int | None = None) -> list[list[str]]:
    """Gather bakes into rounds: what is due within an hour is tasted together.

    Parameters
    ----------
    due : dict of str to datetime
        Ball to the time it is baked.
    most : int, optional
        Samples that a judge tastes at a sitting; a larger round is cut into even parts.

    Returns
    -------
    list of list of str
        Rounds in time order.
    """
    rounds: list[list[str]] = []
    start: datetime | None = None
    for ball in sorted(due, key=lambda b: (due[b], b)):
        if start is None or due[ball] - start >= timedelta(minutes=ROUND_MIN):
            rounds.append([])
            start = due[ball]
        rounds[-1].append(ball)
    if most is None:
        return rounds
    return [part for own in rounds for part in _cut(own, -(-len(own) // most))]


def _cut(items: Sequence[str], parts: int) -> list[list[str]]:
    """Cut a list into parts that differ by at most one, in order."""
    ends = [len(items) * k // parts for k in range(parts + 1)]
    return [list(items[a:b]) for a, b in pairwise(ends)]


def list_sittings(due: dict[str, datetime], most: int) -> list[list[str]]:
    """Gather the rounds of a session into sittings of at most so many samples.

    Between two sittings a judge rests; one sitting is all that most sessions need.

    Examples
    --------
    >>> on = datetime(2026, 3, 2, 10)
    >>> bakes = {f"b{i}": on + timedelta(minutes=45 * i) for i in range(5)}
    >>> list_sittings(bakes, 3)
    [['b0', 'b1'], ['b2', 'b3', 'b4']]
    """
    sittings: list[list[str]] = []
    for own in serve_rounds(due, most):
        if not sittings or len(sittings[-1]) + len(own) > most:
            sittings.append([])
        sittings[-1] += own
    return sittings


def serve_judges(
    rounds: Sequence[Sequence[str]], judges: Sequence[str], rng: Random
) -> dict[str, list[str]]:
    """Give each judge an order of all samples, round by round.

    Within a round the judges' orders are different rows of a Williams square, so that samples
    and neighbours are shared out as evenly as the number of judges allows.

    Returns
    -------
    dict of str to list of str
        Judge to balls in serving order; each is a permutation of all balls.
    """
    orders: dict[str, list[str]] = {judge: [] for judge in judges}
    for samples in rounds:
        named = shuffled(samples, rng)
        rows: list[list[int]] = []
        while len(rows) < len(judges):
            rows += shuffled(williams_rows(len(named)), rng)
        for judge, row in zip(shuffled(judges, rng), rows, strict=False):
            orders[judge] += [named[k] for k in row]
    return orders


def assign_places(
    stays: Sequence[tuple[str, str, datetime, datetime]], places: int, shelves: int, rng: Random
) -> dict[str, str]:
    """Give every ball a place in the cooler; a batch is dealt out over the shelves.

    Parameters
    ----------
    stays : sequence of (ball, batch, in, out)
        When each ball enters and leaves the cooler.
    places, shelves : int
        What the cooler holds: places in all, 1 or more, dealt evenly to the shelves.
    rng : random.Random

    Returns
    -------
    dict of str to str
        Ball to "shelf 2, place 14", places counted on each shelf from 1; "no place free" where
        the cooler is full.
    """
    shelves = min(shelves, places)
    free = [[(s, p + 1) for p in range(len(range(s, places, shelves)))] for s in range(shelves)]
    taken: list[tuple[datetime, tuple[int, int]]] = []
    out: dict[str, str] = {}
    batches: dict[str, list[tuple[str, str, datetime, datetime]]] = {}
    for stay in sorted(stays, key=lambda s: (s[2], s[1], s[0])):
        batches.setdefault(stay[1], []).append(stay)
    for group in batches.values():
        entered = group[0][2]
        for leave, place in [t for t in taken if t[0] <= entered]:
            taken.remove((leave, place))
            free[place[0]].append(place)
        turn = shuffled(range(shelves), rng)
        for k, (ball, _, _, leave) in enumerate(shuffled(group, rng)):
            open_shelves = [turn[(k + i) % shelves] for i in range(shelves)]
            shelf = next((s for s in open_shelves if free[s]), None)
            if shelf is None:
                out[ball] = "no place free"
                continue
            free[shelf].sort()
            place = free[shelf].pop(int(rng.random() * len(free[shelf])))
            taken.append((leave, place))
            out[ball] = f"shelf {place[0] + 1}, place {place[1]}"
    return out


def peak_stays(stays: Sequence[tuple[str, str, datetime, datetime]]) -> int:
    """Count the most balls that are in the cooler at one time."""
    steps = sorted([(s[2], 1) for s in stays] + [(s[3], -1) for s in stays])
    peak = now = 0
    for _, step in steps:
        now += step
        peak = max(peak, now)
    return peak
