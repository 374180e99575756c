"""Split-plot plans by search: the settings that tell most about a stated model.

`search_runs` finds them for given days, batches and balls; `judge_runs` gives the same figures for
any plan, so that a found one can be laid beside a plan by hand. `designs` turns the result into
batches and balls; levels and codes are in `candidates`, starts in `starts`, moves in `exchange`.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from doughlab.errors import CannotSearch, InputError, OutOfRange, UnknownName, listed
from doughlab.plan.candidates import (
    SETS,
    Ban,
    Bans,
    Coding,
    Floats,
    Row,
    RunStructure,
    SearchFactor,
    build_bans,
    build_coding,
    build_moments,
    find_inestimable,
)
from doughlab.plan.exchange import SearchTask, build_weights, refine
from doughlab.plan.starts import count_agreeing, count_starts, run_rounds


@dataclass(frozen=True)
class RunScores:
    """How much a plan tells about a model.

    Attributes
    ----------
    efficiency : float
        D-efficiency, 100 |X'V^-1X / n|^(1/p), with V in units of the ball variance; categories
        sum-to-zero, numbers -1 to 1. Without random days and batches 100 |X'X / n|^(1/p).
    prediction_variance : float
        Average variance of the predicted mean over every allowed combination of levels, in units
        of the ball variance (I-criterion); with fixed days, on an average day.
    columns : int
        p, the number of columns, fixed days among them.
    balls : int
        n, kept balls among them.
    combinations : int
        Allowed combinations of levels in the average.
    """

    efficiency: float
    prediction_variance: float
    columns: int
    balls: int
    combinations: int

    def relative_to(self, other: RunScores, *, criterion: str = "D") -> float:
        """Percent of what the other plan tells per ball (D), or in all (I); above 100 is better.

        Examples
        --------
        >>> RunScores(45.0, 0.5, 6, 18, 9).relative_to(RunScores(50.0, 0.4, 6, 18, 9))
        90.0
        """
        if criterion == "D":
            return 100.0 * self.efficiency / other.efficiency
        return 100.0 * other.prediction_variance / self.prediction_variance


@dataclass(frozen=True)
class FoundRuns:
    """A plan found by search.

    Attributes
    ----------
    rows : tuple of dict
        One for each ball: "day" and "batch" (from 0, batches numbered through), and the level
        text or number of every factor. Kept rows come first, as they were.
    kept : int
        How many rows were kept.
    criterion : str
        "D" or "I".
    scores : RunScores
        Of all rows together.
    terms : tuple of str
        Terms of the model, the mean first.
    starts, agreed : int
        Starts that were tried, and how many ended at the best plan's score.
    notes : tuple of str
        Plain sentences: how sure the search is, what was assumed, what was not used.
    """

    rows: tuple[Row, ...]
    kept: int
    criterion: str
    scores: RunScores
    terms: tuple[str, ...]
    starts: int
    agreed: int
    notes: tuple[str, ...]

    @property
    def efficiency(self) -> float:
        """D-efficiency in percent, see `RunScores`."""
        return self.scores.efficiency

    @property
    def prediction_variance(self) -> float:
        """Average prediction variance, see `RunScores`."""
        return self.scores.prediction_variance

    def __str__(self) -> str:
        """Give the efficiency, the average variance and the notes."""
        head = (
            f"{len(self.rows)} balls, {len(self.terms)} terms: D-efficiency "
            f"{self.efficiency:.2f} %, average prediction variance {self.prediction_variance:.3f}"
        )
        return "\n".join([head, *self.notes])


def search_runs(
    factors: Sequence[SearchFactor],
    *,
    model: str | Sequence[str],
    structure: RunStructure,
    variance_ratios: Mapping[str, float],
    criterion: str = "D",
    forbidden: Sequence[Ban] = (),
    kept: Sequence[Row] | None = None,
    seed: int = 0,
    starts: int | None = None,
    seconds: float | None = None,
) -> FoundRuns:
    """Search the settings of days, batches and balls that tell most about a model.

    Coordinate exchange from many random starts, then from the best ones shaken up. The same
    arguments give the same plan, unless `seconds` cut the search short.

    Parameters
    ----------
    factors : sequence of SearchFactor
    model : str or sequence of str
        "mains", "two-way", "quadratic", or terms; see `candidates.build_coding`.
    structure : RunStructure
        Days, batches and balls to be found, without the kept ones.
    variance_ratios : dict
        "day" and "batch": their variance divided by that of balls, 0 or more; absent is 0.
    criterion : str
        "D" (all terms as sharp as possible together) or "I" (predictions as sharp as possible
        on average over the allowed combinations).
    forbidden : sequence of dict
        Factor to level, number or (low, high) range; all of them together are never made.
    kept : sequence of dict, optional
        Rows of an earlier part on days of their own, as in `FoundRuns.rows`. They count, but
        stay as they are.
    seed : int
    starts : int, optional
        Starts at most; otherwise 32 to 384 by the size of the plan. From the second round of
        128 on, the search ends when 24 starts have found the same best plan.
    seconds : float, optional
        Begin no further sweep after this time.

    Returns
    -------
    FoundRuns

    Raises
    ------
    CannotSearch
        When there are more terms than days, batches or balls can tell apart, or forbidden
        combinations leave a term without contrast.
    InputError
        When a name, level or number is not usable.

    References
    ----------
    Meyer and Nachtsheim (1995), Technometrics 37, 60-69; Jones and Goos (2007), Applied
    Statistics 56, 347-364; Goos and Vandebroek (2001, 2003) on D-optimal split plots (all from
    memory). Best-known values: tests/reference/test_search_meyer1995.py.

    Examples
    --------
    >>> water = SearchFactor("water", "batch", levels=("tap", "spring"))
    >>> hold = SearchFactor("hold", "ball", values=(24, 48))
    >>> found = search_runs([water, hold], model="two-way", structure=RunStructure((4,), (2,) * 4),
    ...                     variance_ratios={"batch": 0.0})
    >>> round(found.efficiency, 6)
    100.0
    """
    ratios = _read_ratios(variance_ratios, structure)
    if criterion not in ("D", "I"):
        raise UnknownName("criterion", criterion, ("D", "I"))
    if (starts is not None and starts < 1) or (seconds is not None and not seconds > 0):
        raise InputError("The search needs at least 1 start and more than 0 seconds.")
    coding, bans = build_coding(factors, model), build_bans(factors, forbidden)
    old = _read_rows(factors, kept or (), "kept")
    moments, combinations = build_moments(coding, bans)
    _check_terms(coding, moments, bans)
    _check_counts(coding, structure, old)
    task = _build_task(coding, structure, old, bans, moments, ratios=ratios, aim=criterion)
    start = time.monotonic()
    deadline = None if seconds is None else start + seconds
    limit = starts or count_starts(task)
    best, ends = run_rounds(task, np.random.default_rng(seed), limit, deadline)
    best = refine(task, best)
    scores = _score(task, best, old, combinations)
    rows = _write_rows(task, best, old)
    cut = deadline is not None and time.monotonic() > deadline
    notes = (
        *_describe_search(task, ends, cut=cut),
        *_write_notes(task, rows, old, ratios, scores),
    )
    agreed = count_agreeing(ends, ends.max())
    return FoundRuns(
        rows, len(old.positions), criterion, scores, coding.terms, len(ends), agreed, notes
    )


def judge_runs(
    factors: Sequence[SearchFactor],
    rows: Sequence[Row],
    *,
    model: str | Sequence[str],
    variance_ratios: Mapping[str, float],
    forbidden: Sequence[Ban] = (),
    fixed_days: bool = False,
) -> RunScores:
    """Score a plan that exists, in the figures of a searched one.

    Parameters
    ----------
    rows : sequence of dict
        As in `FoundRuns.rows`.

    Returns
    -------
    RunScores
        Efficiency 0 and variance infinite where the plan cannot tell the terms apart.

    Examples
    --------
    >>> hold = SearchFactor("hold", "ball", values=(24, 48))
    >>> rows = [{"day": 0, "batch": 0, "hold": h} for h in (24, 24, 48)]
    >>> round(judge_runs([hold], rows, model="mains", variance_ratios={}).efficiency, 4)
    94.2809
    """
    coding, bans = build_coding(factors, model), build_bans(factors, forbidden)
    plan = _read_rows(factors, rows, "given", fixed_days=fixed_days)
    if plan.structure is None:
        raise InputError("There is no row to judge.")
    moments, combinations = build_moments(coding, bans)
    ratios = _read_ratios(variance_ratios, plan.structure)
    none = _Part(np.empty((0, len(coding.factors))), None)
    task = _build_task(coding, plan.structure, none, bans, moments, ratios=ratios, aim="D")
    return _score(task, plan.positions, none, combinations)


@dataclass(frozen=True)
class _Part:
    """Rows that exist: positions (n, k) and their days and batches; None without rows."""

    positions: Floats
    structure: RunStructure | None


def _read_ratios(given: Mapping[str, float], structure: RunStructure) -> tuple[float, float]:
    """Check the variance ratios; returns those of day and batch."""
    for name, value in given.items():
        if name not in ("day", "batch"):
            raise UnknownName("variance ratio", name, ("day", "batch"))
        if not 0 <= value < 1e6:
            raise OutOfRange(
                f"variance ratio of {name}: {value:g} lies outside 0 to 1,000,000. "
                f"Give the variance of the {name} divided by that of the balls.",
                value=value, low=0.0, high=1e6,
            )  # fmt: skip
    day = 0.0 if structure.fixed_days else float(given.get("day", 0.0))
    return day, float(given.get("batch", 0.0))


def _read_rows(
    factors: Sequence[SearchFactor],
    rows: Sequence[Row],
    what: str,
    *,
    fixed_days: bool = False,
) -> _Part:
    """Read existing rows; days and batches are renumbered in the order they are counted."""
    if not rows:
        return _Part(np.empty((0, len(factors))), None)
    for number, row in enumerate(rows, start=1):
        missing = [n for n in ("day", "batch", *(f.name for f in factors)) if n not in row]
        if missing:
            raise InputError(f"{what} row {number} has no {listed(missing)}. Give every factor.")
    places = [(int(row["day"]), int(row["batch"])) for row in rows]
    order = sorted(range(len(rows)), key=lambda r: places[r])
    batches = sorted(set(places))
    counts = [places.count(b) for b in batches]
    days = sorted({day for day, _ in batches})
    structure = RunStructure(
        tuple(sum(day == d for d, _ in batches) for day in days), tuple(counts), fixed_days
    )
    positions = np.array([[f.place(rows[r][f.name]) for f in factors] for r in order])
    for f, factor in enumerate(factors):
        for number, balls in enumerate(structure.slices(factor.set)):
            if np.ptp(positions[balls, f]) > 0:
                raise InputError(
                    f"{what} rows: {factor.set} {number + 1} has more than one {factor.name}, "
                    f"which is set per {factor.set}. Give its balls the same level."
                )
    return _Part(positions, structure)


def _check_terms(coding: Coding, moments: Floats, bans: Bans) -> None:
    """Refuse a term that no plan of the allowed rows could estimate."""
    term = find_inestimable(coding, moments)
    if not term:
        return
    if bans.ranges:
        raise CannotSearch(
            f"The forbidden combinations leave '{term}' without a contrast of its own: on the "
            "allowed combinations it says the same as the terms before it. Allow one of the "
            "combinations, or take the term out of the model.",
            term=term,
        )
    raise CannotSearch(
        f"'{term}' says the same as the terms before it on the levels given. Give its factor "
        "one more level, or take the term out of the model.",
        term=term,
    )


def _check_counts(coding: Coding, structure: RunStructure, old: _Part) -> None:
    """Refuse a model with more columns than days, batches or balls."""
    units = coding.unit_of_columns()
    parts = [s for s in (structure, old.structure) if s is not None]
    have = {
        "day": sum(len(s.batches) for s in parts),
        "batch": sum(len(s.balls) for s in parts),
        "ball": sum(sum(s.balls) for s in parts),
    }
    terms = {u: _terms_of(coding, units, u) for u in SETS}
    if structure.fixed_days and terms["day"]:
        raise CannotSearch(
            f"With fixed days, {listed(terms['day'])} cannot be told from the days, since every "
            "ball of a day shares it. Count days as random (give their variance ratio), or set "
            "the factor per batch.",
            term=terms["day"][0],
        )
    blocks = have["day"] - 1 if structure.fixed_days else 0
    need, short = {}, []
    for depth, unit in enumerate(SETS):
        need[unit] = sum(u in SETS[: depth + 1] for u in units) + (blocks if depth else 0)
        if terms[unit] and need[unit] > have[unit]:
            short.append(
                f"{_number(need[unit], unit)} for the mean{', the days' if blocks else ''} "
                f"and {listed(terms[unit])}; there {_is(have[unit])} {have[unit]}"
            )
    if short:
        raise CannotSearch(
            f"This model needs at least {'; and '.join(short)}. "
            f"{_enough(need, terms)} would be enough; or take a term away.",
            needed=need,
        )


def _terms_of(coding: Coding, units: Sequence[str], unit: str) -> list[str]:
    """Terms judged at one level, without the mean."""
    of = [coding.terms[t] for t, u in zip(coding.term_of, units, strict=True) if u == unit and t]
    return list(dict.fromkeys(of))


def _enough(need: Mapping[str, int], terms: Mapping[str, Sequence[str]]) -> str:
    """Give the counts that suffice, each level in turn."""
    named = [_number(need[u], u) for u in SETS if terms[u]]
    return " and ".join([", ".join(named[:-1]), named[-1]] if len(named) > 1 else named)


def _number(count: int, unit: str) -> str:
    """Count days, batches or balls in words of the plan."""
    many = {"day": "days", "batch": "batches", "ball": "balls"}
    return f"{count} {unit if count == 1 else many[unit]}"


def _is(count: int) -> str:
    return "is" if count == 1 else "are"


def _build_task(
    coding: Coding,
    structure: RunStructure,
    old: _Part,
    bans: Bans,
    moments: Floats,
    *,
    ratios: tuple[float, float],
    aim: str,
) -> SearchTask:
    """Put the search together: fixed days become columns, kept rows information."""
    before = 0 if old.structure is None else len(old.structure.batches)
    days = before + len(structure.batches)
    n, p = sum(structure.balls), coding.codes.shape[1]
    base, kept_base = np.ones((n, p)), np.ones((len(old.positions), p))
    if structure.fixed_days and days > 1:
        coding = coding.with_days(days)
        code = np.vstack([np.eye(days - 1), -np.ones(days - 1)])
        base = np.hstack([base, code[before + structure.day_of_ball]])
        if old.structure is not None:
            kept_base = np.hstack([kept_base, code[old.structure.day_of_ball]])
        wide = np.zeros((p + days - 1, p + days - 1))
        wide[:p, :p] = moments
        moments = wide
    prior = np.zeros((base.shape[1], base.shape[1]))
    if old.structure is not None:
        rows = coding.rows(old.positions) * kept_base
        weights = build_weights(old.structure, *ratios)
        if not weights:
            prior = rows.T @ rows
        for balls, weight in zip(old.structure.slices("day"), weights, strict=False):
            prior += rows[balls].T @ weight @ rows[balls]
    weights = build_weights(structure, *ratios)
    return SearchTask(coding, structure, base, weights, prior, moments, bans, aim)


def _score(task: SearchTask, positions: Floats, old: _Part, combinations: int) -> RunScores:
    """Give both figures of all rows together."""
    rows = task.coding.rows(positions) * task.base
    info = task.information(rows[None])[0]
    n, p = len(positions) + len(old.positions), task.base.shape[1]
    if not np.isfinite(task.score(positions[None])[0]):
        return RunScores(0.0, float("inf"), p, n, combinations)
    log_det = np.linalg.slogdet(info)[1]
    variance = float(np.trace(np.linalg.solve(info, task.moments)))
    return RunScores(100.0 * float(np.exp(log_det / p)) / n, variance, p, n, combinations)


def _write_rows(task: SearchTask, positions: Floats, old: _Part) -> tuple[Row, ...]:
    """Turn positions into levels, kept rows first."""
    out: list[Row] = []
    day = batch = 0
    for part in (old, _Part(positions, task.structure)):
        if part.structure is None:
            continue
        days, batches = part.structure.day_of_ball, part.structure.batch_of_ball
        for ball, place in enumerate(part.positions):
            row: Row = {"day": day + int(days[ball]), "batch": batch + int(batches[ball])}
            for factor, position in zip(task.coding.factors, place, strict=True):
                row[factor.name] = factor.read(float(position))
            out.append(row)
        day, batch = day + len(part.structure.batches), batch + len(part.structure.balls)
    return tuple(out)


def _describe_search(task: SearchTask, ends: Floats, *, cut: bool) -> list[str]:
    """Say how sure the search is, from the scores at which the starts ended."""
    best, middle = ends.max(), float(np.median(ends))
    agreed = count_agreeing(ends, best)
    times = "once" if agreed == 1 else f"{agreed} times"
    notes = [f"The best of {len(ends)} starts was found {times}."]
    if 2 * agreed < len(ends) and np.isfinite(middle):
        d_gap = 100.0 * -np.expm1((middle - best) / len(task.prior))
        gap = d_gap if task.aim == "D" else 100.0 * (middle / best - 1.0)
        notes.append(f"Half of the starts came within {gap:.2g} % of it.")
    if agreed == 1 and len(ends) > 1:
        notes.append("A better plan may exist: try another seed or more starts.")
    if cut:
        notes.append("The search was cut short by its time limit; another run may differ.")
    return notes


def _write_notes(
    task: SearchTask,
    rows: Sequence[Row],
    old: _Part,
    ratios: tuple[float, float],
    scores: RunScores,
) -> tuple[str, ...]:
    """Say what the search assumed, and what stays unused."""
    notes = []
    day = "with days as blocks" if task.structure.fixed_days else f"days {ratios[0]:g}"
    notes.append(f"Variances in units of a ball's: batches {ratios[1]:g}, {day}.")
    notes.append(
        f"Predictions are averaged over {scores.combinations:,} allowed combinations of levels, "
        "each counted once."
    )
    if len(old.positions):
        notes.append(f"{len(old.positions)} balls of an earlier part were kept and counted.")
    unused = [
        f"{f.name} {level}"
        for f in task.coding.factors
        for level in (f.levels or f.values)
        if all(row[f.name] != level for row in rows)
    ]
    if unused and len(unused) <= 20:
        notes.append(f"Not used, since the model gains nothing from it: {listed(unused)}.")
    units = task.coding.unit_of_columns()
    for unit in ("day", "batch"):
        spare = _spare(task, old, units, unit)
        if spare == 0:
            notes.append(
                f"No {unit} is left over to show how much {_number(2, unit)[2:]} differ by "
                f"themselves; one more {unit} would."
            )
    return tuple(notes)


def _spare(task: SearchTask, old: _Part, units: Sequence[str], unit: str) -> int | None:
    """Days or batches beyond the columns judged on them; None where none is judged there."""
    if unit not in units[1:]:
        return None
    parts = [s for s in (task.structure, old.structure) if s is not None]
    have = sum(len(s.batches if unit == "day" else s.balls) for s in parts)
    below = SETS[: SETS.index(unit) + 1]
    fixed = task.coding.terms[-1] == "day" and unit == "day"
    return None if fixed else have - sum(u in below for u in units)
