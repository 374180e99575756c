"""Coordinate exchange: better and better settings, many starts side by side.

`optimal.search_runs` calls it. One setting is changed at a time, in every start at once, to the
level that helps most, until nothing helps (coordinate exchange: Meyer and Nachtsheim (1995),
Technometrics 37, 60-69; for split plots, where a batch or day setting moves all its balls: Jones
and Goos (2007), Applied Statistics 56, 347-364, and Goos and Vandebroek (2001, 2003); volumes and
pages from memory). A ball's own setting is judged by a rank-two update of the inverse information,
for all levels and starts in a few matrix products. Model and levels are left to `candidates`.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from doughlab.plan.candidates import Bans, Coding, Flags, Floats, RunStructure

Ints = npt.NDArray[np.int64]
_BETTER = 1e-8  # smallest relative gain that counts
_RIDGE = 1e-2  # added information per column while a start cannot tell the terms apart
_SWEEPS = 60


def build_weights(structure: RunStructure, day_ratio: float, batch_ratio: float) -> list[Floats]:
    """Invert the covariance of the balls of each day, in units of the ball variance.

    Parameters
    ----------
    structure : RunStructure
    day_ratio, batch_ratio : float
        Variance of days and of batches, divided by that of balls.

    Returns
    -------
    list of arrays, shape (n_d, n_d)
        Inverse of I + batch_ratio (same batch) + day_ratio (same day); empty where both are 0.

    Examples
    --------
    >>> build_weights(RunStructure((1,), (2,)), 0.0, 1.0)[0].round(4).tolist()
    [[0.6667, -0.3333], [-0.3333, 0.6667]]
    """
    if day_ratio == 0 and batch_ratio == 0:
        return []
    batch = structure.batch_of_ball
    out = []
    for rows in structure.slices("day"):
        same = batch[rows][:, None] == batch[rows][None, :]
        out.append(np.linalg.inv(np.eye(len(same)) + batch_ratio * same + day_ratio))
    return out


@dataclass(frozen=True)
class Unit:
    """One setting that can be changed: a factor and the balls that share it.

    `day` holds the balls whose information it touches; `number` is the day's number.
    """

    factor: int
    rows: slice
    day: slice
    number: int


@dataclass(frozen=True)
class Choice:
    """Options of one factor, coded.

    Attributes
    ----------
    options : array, shape (l,)
        Positions.
    basis : array, shape (l, q)
        Codes of each option.
    squares : array, shape (q * q, l)
        Products of the codes of an option.
    masks : array, shape (q, p)
        1 where the model column carries the code.
    parts : array, shape (l, p)
        What an option multiplies into each column.
    """

    options: Floats
    basis: Floats
    squares: Floats
    masks: Floats
    parts: Floats

    @classmethod
    def build(cls, coding: Coding, f: int, options: Floats) -> Choice:
        """Code the options of factor f."""
        basis = coding.basis(f, options)
        q = basis.shape[1]
        squares = (basis[:, :, None] * basis[:, None, :]).reshape(-1, q * q).T.copy()
        masks = (coding.codes[f] == np.arange(q)[:, None]).astype(float)
        return cls(options, basis, squares, masks, coding.parts(f, options))


@dataclass(frozen=True)
class SearchTask:
    """Everything that stays the same while settings change.

    Attributes
    ----------
    base : array, shape (n, p)
        What multiplies each model row: ones, and the codes of fixed days.
    weights : list of arrays
        Of `build_weights`; empty: balls are independent.
    prior : array, shape (p, p)
        Information of the rows that are kept.
    moments : array, shape (p, p)
        Average f f' over the allowed combinations.
    aim : str
        "D" or "I".
    units, choices : tuple
        Settings that can be changed, and the options of each factor.
    plots : bool
        Whether some setting is shared by several balls.
    """

    coding: Coding
    structure: RunStructure
    base: Floats
    weights: list[Floats]
    prior: Floats
    moments: Floats
    bans: Bans
    aim: str
    units: tuple[Unit, ...] = field(init=False)
    choices: tuple[Choice, ...] = field(init=False)
    plots: bool = field(init=False)

    def __post_init__(self) -> None:
        days = self.structure.slices("day")
        number = self.structure.day_of_ball
        units = [
            Unit(f, rows, days[number[rows.start]], int(number[rows.start]))
            for unit in ("day", "batch", "ball")
            for rows in self.structure.slices(unit)
            for f, factor in enumerate(self.coding.factors)
            if factor.set == unit
        ]
        object.__setattr__(self, "units", tuple(units))
        choices = [
            Choice.build(self.coding, f, factor.options)
            for f, factor in enumerate(self.coding.factors)
        ]
        object.__setattr__(self, "choices", tuple(choices))
        object.__setattr__(self, "plots", any(u.rows.stop - u.rows.start > 1 for u in units))

    def information(self, rows: Floats) -> Floats:
        """Sum X'V^-1X of model rows, (s, n, p) to (s, p, p), with the kept rows."""
        if not self.weights:
            return np.swapaxes(rows, 1, 2) @ rows + self.prior
        total = np.broadcast_to(self.prior, (len(rows), *self.prior.shape)).copy()
        for days, weight in zip(self.structure.slices("day"), self.weights, strict=True):
            part = rows[:, days]
            total += np.swapaxes(part, 1, 2) @ (weight @ part)
        return total

    def score(self, positions: Floats) -> Floats:
        """Score starts, higher is better: log determinant, or minus the average variance.

        Parameters
        ----------
        positions : array, shape (s, n, k)

        Returns
        -------
        array, shape (s,)
            -inf where the terms cannot be told apart.
        """
        info = self.information(self.coding.rows(positions) * self.base)
        return score_information(info, self.moments, self.aim)[0]


def score_information(info: Floats, moments: Floats, aim: str) -> tuple[Floats, Floats]:
    """Score information matrices (s, p, p) and invert them.

    Returns
    -------
    tuple of arrays, shapes (s,) and (s, p, p)
        Log determinant (D) or minus the average variance (I), -inf where terms cannot be told
        apart; and the inverses, of no use there.
    """
    own = np.einsum("sjj->sj", info)
    size = np.sqrt(np.where(own > 1e-12, own, 1.0))
    scale = size[:, :, None] * size[:, None, :]
    unit = info / scale + 1e-15 * np.eye(info.shape[1])
    inverse = np.linalg.inv(unit)
    spread = np.einsum("sjj->sj", inverse)
    ok = (spread > 0).all(1) & (spread.sum(1) < 1e10)
    inverse = inverse / scale
    if aim == "D":
        sign, value = np.linalg.slogdet(unit)
        value = value + 2.0 * np.log(size).sum(1)
        return np.where(ok & (sign > 0), value, -np.inf), inverse
    return np.where(ok, -np.einsum("sij,ji->s", inverse, moments), -np.inf), inverse


class Starts:
    """Settings of many starts with their information, changed in place.

    Attributes
    ----------
    positions : array, shape (s, n, k)
    parts : array, shape (s, k, n, p)
        What each factor multiplies into each model row.
    codes : list of arrays, shape (s, n, q)
        Codes of each factor.
    rows : array, shape (s, n, p)
        Model rows.
    scores : array, shape (s,)
        At the beginning.
    info, inverse : arrays, shape (s, p, p)
        Between two calls of `renew` the information is kept up only where settings are shared.
    size : array, shape (s,)
        Log determinant of the information, also only there.
    """

    def __init__(self, task: SearchTask, positions: Floats) -> None:
        self.task = task
        self.positions = positions.copy()
        count, n, k = positions.shape
        self.codes = [task.coding.basis(f, positions[:, :, f]) for f in range(k)]
        self.parts = np.empty((count, k, n, task.base.shape[1]))
        for f in range(k):
            self.parts[:, f] = self.codes[f][..., task.coding.codes[f]]
        self.rows = task.base * self.parts.prod(1)
        self.size = np.zeros(count)
        self.scores = self.renew()

    def renew(self) -> Floats:
        """Compute information and inverse afresh and return the scores, shape (s,).

        Starts that cannot tell the terms apart get a ridge, so that the exchange can go on.
        """
        self.info = self.task.information(self.rows)
        scores, self.inverse = score_information(self.info, self.task.moments, self.task.aim)
        weak = ~np.isfinite(scores)
        if weak.any():
            self.info[weak] += _RIDGE * np.eye(self.info.shape[1])
            self.inverse[weak] = np.linalg.inv(self.info[weak])
        if self.task.plots:
            self.size = np.linalg.slogdet(self.info)[1]
        return scores

    def keep(self, which: Flags) -> None:
        """Drop the other starts."""
        for name in ("positions", "parts", "rows", "info", "inverse", "size"):
            setattr(self, name, getattr(self, name)[which])
        self.codes = [code[which] for code in self.codes]

    def others(self, unit: Unit) -> Floats:
        """Product of all factors but the unit's, shape (s, m, p)."""
        out = self.task.base[None, unit.rows]
        for g in range(self.parts.shape[1]):
            if g != unit.factor:
                out = out * self.parts[:, g, unit.rows]
        return out if len(out) == len(self.rows) else np.repeat(out, len(self.rows), axis=0)

    def set(
        self, which: Ints, unit: Unit, choice: Choice, best: Ints, *, model_rows: Floats
    ) -> None:
        """Write the best options (r,) and model rows (r, m, p) of one unit."""
        f = unit.factor
        self.positions[which, unit.rows, f] = choice.options[best][:, None]
        self.codes[f][which, unit.rows] = choice.basis[best][:, None, :]
        self.parts[which, f, unit.rows] = choice.parts[best][:, None, :]
        self.rows[which, unit.rows] = model_rows


def improve(
    task: SearchTask,
    positions: Floats,
    *,
    deadline: float | None = None,
    patience: float = np.inf,
    ahead: float = -np.inf,
) -> tuple[Floats, Floats]:
    """Exchange coordinates in all starts until no single change helps.

    Parameters
    ----------
    task : SearchTask
    positions : array, shape (s, n, k)
        Allowed settings. Not changed.
    deadline : float or None
        Moment of `time.monotonic` after which no new sweep begins.
    patience : float
        A start is given up when this many gains of its last sweep would not bring it to the best.
    ahead : float
        Best score so far.

    Returns
    -------
    tuple of arrays, shapes (s, n, k) and (s,)
        Settings and their scores; never worse than at the start.
    """
    starts = Starts(task, positions)
    done, scores = positions.copy(), starts.scores.copy()
    active = np.arange(len(positions))
    for _ in range(_SWEEPS):
        if deadline is not None and time.monotonic() > deadline:
            break
        moved = np.zeros(len(active), dtype=bool)
        for unit in task.units:
            moved |= exchange(starts, unit, task.choices[unit.factor])
        new, old = starts.renew(), scores[active]
        better = new > old
        done[active[better]], scores[active[better]] = starts.positions[better], new[better]
        if np.isfinite(patience):
            ahead = max(ahead, float(scores.max()))
            known = np.isfinite(old) & better
            gain = np.where(known, new, 0.0) - np.where(known, old, 0.0)
            moved &= ~known | (new + patience * gain >= ahead)
        if not moved.any():
            break
        active = active[moved]
        starts.keep(moved)
    return done, scores


def exchange(starts: Starts, unit: Unit, choice: Choice) -> Flags:
    """Change one unit to its best option in every start where that helps.

    Returns
    -------
    bool array, shape (s,)
        Starts that were changed.
    """
    settings = starts.positions[:, unit.rows]
    closed = starts.task.bans.closed(settings, unit.factor, choice.options)
    if unit.rows.stop - unit.rows.start == 1:
        return _exchange_ball(starts, unit, choice, closed)
    return _exchange_plot(starts, unit, choice, closed)


def _exchange_ball(starts: Starts, unit: Unit, choice: Choice, closed: Flags | None) -> Flags:
    """Change one row: d = new - old row, g = X'V^-1 e_i, w = V^-1_ii, M' = M + dg' + gd' + wdd'.

    All rows on offer are codes of the factor (q of them) times a fixed rest, so every quadratic
    form is a q x q matrix between code vectors. With D = M^-1, a = d'Dd, b = 1 + d'Dg and
    c = g'Dg - w: det M' / det M = b^2 - ac, and D' = D - [Dd Dg] [[a, b], [b, c]]^-1 [Dd Dg]'.
    """
    task, i, inverse = starts.task, unit.rows.start, starts.inverse
    row, now = starts.rows[:, i], starts.codes[unit.factor][:, i]
    rest = starts.others(unit)[:, 0]
    spread = rest[:, None, :] * choice.masks
    through = spread @ inverse
    near, weight = _pull(starts, unit, row)
    into = None if near is None else (inverse @ near[:, :, None])[:, :, 0]
    linear = None if near is None or into is None else _pairs(through, near, into)
    a, b, c = _forms(through @ spread.transpose(0, 2, 1), choice, now, weight, linear)
    b, c = b + 1.0, c[:, None] - weight
    gain = b * b - a * c - 1.0
    if task.aim == "I":
        carried = through @ task.moments
        linear = None if into is None else _pairs(carried, into, into @ task.moments)
        e1, e2, e3 = _forms(carried @ np.swapaxes(through, 1, 2), choice, now, weight, linear)
        drop = c * e1 - 2.0 * b * e2 + a * e3[:, None]
        total = np.einsum("sij,ji->s", inverse, task.moments)[:, None]
        possible = gain > 1e-9 - 1.0
        gain = np.where(possible, -drop / np.where(possible, gain + 1.0, 1.0) / total, -np.inf)
    chosen = _choose(gain, closed)
    (which,) = (chosen >= 0).nonzero()
    if which.size:
        best = chosen[which]
        fresh = rest[which] * choice.parts[best]
        pull = weight * row[which] + (0.0 if near is None else near[which])
        _update(starts, which, fresh - row[which], pull, weight)
        starts.set(which, unit, choice, best, model_rows=fresh[:, None, :])
    return chosen >= 0


def _pull(starts: Starts, unit: Unit, row: Floats) -> tuple[Floats | None, float]:
    """Give what the other balls of the day add to X'V^-1 e_i, and V^-1_ii."""
    if not starts.task.weights:
        return None, 1.0
    local = unit.rows.start - unit.day.start
    weights = starts.task.weights[unit.number][local]
    weight = float(weights[local])
    return weights @ starts.rows[:, unit.day] - weight * row, weight


def _pairs(left: Floats, right: Floats, inner: Floats) -> tuple[Floats, Floats]:
    """Products of the code vectors, and of the pull with itself, through the same matrix."""
    return (left @ right[:, :, None])[:, :, 0], (right * inner).sum(1)


def _forms(
    between: Floats,
    choice: Choice,
    now: Floats,
    weight: float,
    linear: tuple[Floats, Floats] | None,
) -> tuple[Floats, Floats, Floats]:
    """Give d'Qd and d'Qg for every option (s, l), and g'Qg (s,), from q x q products."""
    old = (between @ now[:, :, None])[:, :, 0]
    cross, own = old @ choice.basis.T, (old * now).sum(1)
    step = cross - own[:, None]
    a = between.reshape(len(now), -1) @ choice.squares - cross - step
    b = step if weight == 1.0 else weight * step
    c = own if weight == 1.0 else weight * weight * own
    if linear is not None:
        first = (linear[0] * now).sum(1)
        b = b + linear[0] @ choice.basis.T - first[:, None]
        c = c + linear[1] + 2.0 * weight * first
    return a, b, c


def _choose(gain: Floats, closed: Flags | None) -> Ints:
    """Give the best option of each start, or -1 where none is better or allowed."""
    if closed is not None:
        gain = np.where(closed, -np.inf, gain)
    return np.where(gain.max(1) > _BETTER, gain.argmax(1), -1)


def _update(starts: Starts, which: Ints, d: Floats, g: Floats, weight: float) -> None:
    """Bring information and inverse up to date after a rank-two change."""
    sides = np.empty((len(d), 2, d.shape[1]))
    sides[:, 0], sides[:, 1] = d, g
    inner = sides @ starts.inverse[which]
    core = inner @ sides.transpose(0, 2, 1)
    a, b, c = core[:, 0, 0], 1.0 + core[:, 0, 1], core[:, 1, 1] - weight
    turn = np.array([[c, -b], [-b, a]]).transpose(2, 0, 1) / (a * c - b * b)[:, None, None]
    starts.inverse[which] -= inner.transpose(0, 2, 1) @ (turn @ inner)
    if starts.task.plots:
        middle = np.array([[weight, 1.0], [1.0, 0.0]])
        starts.info[which] += sides.transpose(0, 2, 1) @ (middle @ sides)
        starts.size[which] += np.log(b * b - a * c)


def _exchange_plot(starts: Starts, unit: Unit, choice: Choice, closed: Flags | None) -> Flags:
    """Change a setting that several rows share.

    All rows take the same factor code T, so that their information is (T T') o P + T o H + (T o H)'
    with P and H from the other factors and the other rows of the day: one p x p matrix per option.
    """
    task, rest = starts.task, starts.others(unit)
    own, other = _split_day(starts, unit)
    turned = np.swapaxes(rest, 1, 2)
    fixed = turned @ (rest if own is None else own @ rest)
    cross = None if other is None else turned @ other
    before = starts.parts[:, unit.factor, unit.rows.start]
    other_options = _other_options(starts, unit, choice)
    base = starts.info - _plot_information(before, fixed, cross)
    info = base[:, None] + _plot_information(
        choice.parts[other_options], fixed[:, None], None if cross is None else cross[:, None]
    )
    sign, size = np.linalg.slogdet(info)
    grown = size - starts.size[:, None]
    possible = (sign > 0) & (grown > -20.0)
    if task.aim == "D":
        gain = np.where(possible, np.expm1(np.minimum(grown, 50.0)), -np.inf)
    else:
        gain = np.full(size.shape, -np.inf)
        total = np.einsum("sij,ji->s", starts.inverse, task.moments)[:, None]
        new = np.einsum("rij,ji->r", np.linalg.inv(info[possible]), task.moments)
        gain[possible] = 1.0 - new / np.broadcast_to(total, size.shape)[possible]
    if closed is not None:
        closed = np.take_along_axis(closed, other_options, axis=1)
    chosen = _choose(gain, closed)
    (which,) = (chosen >= 0).nonzero()
    if which.size:
        place = chosen[which]
        best = other_options[which, place]
        starts.info[which], starts.size[which] = info[which, place], size[which, place]
        starts.inverse[which] = np.linalg.inv(starts.info[which])
        model_rows = rest[which] * choice.parts[best][:, None, :]
        starts.set(which, unit, choice, best, model_rows=model_rows)
    return chosen >= 0


def _other_options(starts: Starts, unit: Unit, choice: Choice) -> Ints:
    """Give the options of each start that it does not have now, shape (s, l - 1)."""
    now = starts.positions[:, unit.rows.start, unit.factor]
    current = np.abs(choice.options - now[:, None]).argmin(1)
    rest = np.arange(len(choice.options) - 1)
    return rest + (rest >= current[:, None])


def _split_day(starts: Starts, unit: Unit) -> tuple[Floats | None, Floats | None]:
    """V^-1 within the unit's rows, and what the other rows of the day add through V^-1."""
    if not starts.task.weights:
        return None, None
    weights = starts.task.weights[unit.number]
    local = slice(unit.rows.start - unit.day.start, unit.rows.stop - unit.day.start)
    own = weights[local, local]
    if unit.rows == unit.day:
        return own, None
    return own, weights[local] @ starts.rows[:, unit.day] - own @ starts.rows[:, unit.rows]


def _plot_information(codes: Floats, fixed: Floats, cross: Floats | None) -> Floats:
    """(T T') o P + T o H + (T o H)' for codes T (..., p)."""
    out = codes[..., :, None] * codes[..., None, :] * fixed
    if cross is not None:
        half = codes[..., :, None] * cross
        out = out + half + np.swapaxes(half, -1, -2)
    return out


def refine(task: SearchTask, positions: Floats, *, finest: float = 2e-3) -> Floats:
    """Move the numbers that may lie between their values, in halving steps.

    Parameters
    ----------
    task : SearchTask
    positions : array, shape (n, k)
    finest : float
        Last step, on the scale -1 to 1.

    Returns
    -------
    array, shape (n, k)
        Never worse; forbidden combinations stay out.
    """
    free = [unit for unit in task.units if task.coding.factors[unit.factor].refine]
    if not free:
        return positions
    starts = Starts(task, positions[None])
    step = max(np.diff(task.choices[unit.factor].options).max() for unit in free) / 2.0
    while True:
        for _ in range(_SWEEPS):
            if not sum(_nudge(starts, unit, step) for unit in free):
                break
        if step <= finest:
            break
        step = max(finest, step / 2.0)
    pair = np.stack([positions, starts.positions[0]])
    return pair[int(np.argmax(task.score(pair)))]


def _nudge(starts: Starts, unit: Unit, step: float) -> bool:
    """Try one unit a step up and down, on the lattice of that step."""
    now = starts.positions[0, unit.rows.start, unit.factor]
    options = np.unique(np.clip([now - step, now, now + step], -1.0, 1.0))
    choice = Choice.build(starts.task.coding, unit.factor, options)
    return bool(exchange(starts, unit, choice)[0])
