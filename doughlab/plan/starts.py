"""Starts of a search: drawn at random, then the best ones shaken up, in rounds.

`optimal.search_runs` runs them. Each round is improved side by side by `exchange`; what a setting
may be is left to `candidates`.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np

from doughlab.errors import CannotSearch
from doughlab.plan.candidates import Flags, Floats
from doughlab.plan.exchange import SearchTask, improve

_ROUND = 128  # starts side by side
_AGREED = 24  # starts at the same best that end a search, not before the second round
_POOL = 6  # best plans that are shaken up for a second look
_SHARE = 0.12  # chance of a day, batch or ball to be drawn again when shaken
_PATIENCE = 3.0  # gains of the last sweep that must suffice to catch up, or the start is given up
_EFFORT = 250_000  # starts x rows x columns, when the number of starts is not given
_LIMITS = (32, 384)  # fewest and most starts, when their number is not given


def count_starts(task: SearchTask) -> int:
    """Choose the number of starts by the size of the plan."""
    n, p = task.base.shape
    return int(np.clip(_EFFORT // (n * p), *_LIMITS))


def run_rounds(
    task: SearchTask, rng: np.random.Generator, limit: int, deadline: float | None
) -> tuple[Floats, Floats]:
    """Run rounds of starts: random ones, then best ones shaken up, with one random in four.

    Returns the best positions (n, k) and the score at which each start ended.
    """
    pool, pool_scores = np.empty((0, *_shape(task))), np.empty(0)
    every = np.empty(0)
    size = min(_ROUND, max(_LIMITS[0], limit // 3))
    while len(every) < limit:
        count = min(size, limit - len(every))
        shaken = count * 3 // 4 if len(pool) else 0
        fresh = draw_positions(task, rng, count=count - shaken)
        if shaken:
            seeds = pool[np.arange(shaken) % len(pool)]
            again = draw_positions(task, rng, seeds=seeds, share=_SHARE)
            fresh = np.concatenate([fresh, again])
        allowed = ~task.bans.hit(fresh).any(1)
        ahead = pool_scores[0] if len(pool) else -np.inf
        found, scores = improve(
            task, fresh, deadline=deadline, patience=_PATIENCE, ahead=float(ahead)
        )
        scores[~allowed] = -np.inf
        every = np.concatenate([every, scores])
        pool, pool_scores = distinct_best(
            np.concatenate([pool, found]), np.concatenate([pool_scores, scores]), _POOL
        )
        if deadline is not None and time.monotonic() > deadline:
            break
        agreed = count_agreeing(every, pool_scores[0]) if len(pool) else 0
        if len(every) > size and agreed >= _AGREED:
            break
    if not len(pool) and deadline is not None and time.monotonic() > deadline:
        raise CannotSearch(
            "The time limit ended the search before any start could tell all terms apart. "
            "Allow more seconds, or set no limit."
        )
    if not len(pool):
        raise CannotSearch(
            f"None of {len(every)} starts could tell all terms apart with these batches and "
            "balls. Add batches or balls, take a term away, or allow more combinations."
        )
    return pool[0], every


def _shape(task: SearchTask) -> tuple[int, int]:
    """Rows and factors of a plan."""
    return len(task.base), len(task.coding.factors)


def draw_positions(
    task: SearchTask,
    rng: np.random.Generator,
    *,
    seeds: Floats | None = None,
    count: int = 1,
    share: float = 1.0,
) -> Floats:
    """Draw allowed settings at random.

    Parameters
    ----------
    task : SearchTask
    rng : numpy.random.Generator
    seeds : array, shape (count, n, k), optional
        Settings of which only a share is drawn again.
    count : int
        Starts to draw without seeds.
    share : float
        Chance of each day, batch and ball to be drawn again.

    Returns
    -------
    array, shape (count, n, k)
        Forbidden rows that could not be mended after 200 draws remain: see `Bans.hit`.
    """
    structure, n = task.structure, len(task.base)
    if seeds is None:
        seeds = np.zeros((count, n, len(task.choices)))
    out = seeds.copy()
    owner = {
        "day": structure.day_of_ball,
        "batch": structure.batch_of_ball,
        "ball": np.arange(n),
    }
    for name in owner:
        _redraw(task, rng, out, name, rng.random((len(out), owner[name][-1] + 1)) < share)
    for attempt in range(200):
        bad = task.bans.hit(out)
        if not bad.any():
            break
        upto = ("ball", "batch", "day")[: 1 + (attempt % 4 > 0) + (attempt % 4 > 2)]
        for name in upto:
            hit = np.zeros((len(out), owner[name][-1] + 1), dtype=bool)
            start, ball = np.nonzero(bad)
            hit[start, owner[name][ball]] = True
            _redraw(task, rng, out, name, hit)
    return out


def _redraw(
    task: SearchTask, rng: np.random.Generator, out: Floats, name: str, which: Flags
) -> None:
    """Draw the factors of some days, batches or balls afresh, in place."""
    structure = task.structure
    sizes = {
        "day": np.bincount(structure.day_of_ball),
        "batch": np.array(structure.balls),
        "ball": np.ones(len(task.base), dtype=int),
    }[name]
    wide = np.repeat(which, sizes, axis=1)
    for f, factor in enumerate(task.coding.factors):
        if factor.set == name:
            options = task.choices[f].options
            drawn = rng.integers(len(options), size=which.shape)
            values = np.repeat(options[drawn], sizes, axis=1)
            out[..., f] = np.where(wide, values, out[..., f])


def distinct_best(positions: Floats, scores: Floats, count: int) -> tuple[Floats, Floats]:
    """Keep the best starts, one for each score."""
    order = np.argsort(-scores, kind="stable")
    kept: list[int] = []
    for s in order:
        if len(kept) == count or not np.isfinite(scores[s]):
            break
        if not kept or scores[kept[-1]] - scores[s] > 1e-7 * max(1.0, abs(scores[s])):
            kept.append(int(s))
    return positions[kept], scores[kept]


def count_agreeing(scores: Sequence[float] | Floats, best: float) -> int:
    """How many starts ended at the best score, to 1e-7."""
    return int((np.asarray(scores) > best - 1e-7 * max(1.0, abs(best))).sum())
