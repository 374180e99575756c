"""Confirmed: what a confirming trial gave, held against the ranges written down before it.

`decide` and `doughlab analyse` call `judge_confirmation` for a trial with a [confirm] section.
Ranges for what was lost are made by the same rule, `confirm.adapt_ranges`; whether to go on with
the setting is left to the owner.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from doughlab.analysis.dataset import TrialLike, build_dataset, no_plan
from doughlab.analysis.wording import decimals_for, fold, joined
from doughlab.confirming import Confirm
from doughlab.decision.confirm import Ranges, adapt_ranges, most_outside, spread_batches
from doughlab.errors import MissingRecords, PlanError

CONFIRMED, NOT_CONFIRMED, NOT_YET = "confirmed", "not confirmed", "not yet"
LEAST_BATCHES = 2


@dataclass(frozen=True)
class Held:
    """One value against its range.

    Attributes
    ----------
    what : str
        "mean", or the id of a batch or ball.
    value, low, high : float
    """

    what: str
    value: float
    low: float
    high: float

    @property
    def beyond(self) -> float:
        """How far outside it lies; below 0 under the range, 0 inside."""
        return min(0.0, self.value - self.low) + max(0.0, self.value - self.high)


@dataclass(frozen=True)
class ConfirmVerdict:
    """What a confirming trial says.

    Attributes
    ----------
    confirm : Confirm
        What was written down.
    verdict : str
        "confirmed" (mean, batches and balls inside), "not confirmed" or "not yet".
    mean : Held or None
        None before anything is read.
    batches, balls : tuple of Held
    missing : tuple of str
        Balls that are due and neither read nor marked lost.
    lost : dict of str to str
        Lost balls with the reason.
    adapted : bool
        Whether the ranges were made again, by the same rule, for what came.
    look_at : tuple of str
        What to look at first where something lies outside.
    notes : tuple of str
    changed : tuple of str
        "changed after the plan" sentences: said with every result.
    words : str
        Words of the response.
    decimals : int
    window : tuple of float or None
        In which a ball is ready to use; None where trial.toml gives none.
    most_outside : int or None
        Of the balls that came, so many or fewer may lie outside the window in 95 of 100 where
        nothing changed.
    """

    confirm: Confirm
    verdict: str
    mean: Held | None = None
    batches: tuple[Held, ...] = ()
    balls: tuple[Held, ...] = ()
    missing: tuple[str, ...] = ()
    lost: dict[str, str] | None = None
    adapted: bool = False
    look_at: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    words: str = "pH"
    decimals: int = 2
    window: tuple[float, float] | None = None
    most_outside: int | None = None

    @property
    def outside_window(self) -> tuple[Held, ...]:
        """Balls outside the window, whatever their range says."""
        if self.window is None:
            return ()
        low, high = self.window
        return tuple(h for h in self.balls if not low <= h.value <= high)

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say it for a cook, in whole sentences."""
        out = [f"Mind: {s}." for s in self.changed]
        out.append(_head(self))
        if self.mean is not None:
            out += _inside_words(self, self.mean)
        out += [f"Look first at {s}" for s in self.look_at]
        return (*out, *self.notes)

    def text(self) -> str:
        """Give all of it, lines of at most 80 characters."""
        return "\n".join(line for s in self.sentences for line in fold(s, indent="  "))

    __str__ = text


def judge_confirmation(trial: TrialLike) -> ConfirmVerdict:
    """Hold what a confirming trial gave against its ranges.

    Parameters
    ----------
    trial : TrialLike
        With a [confirm] section and a kept plan.

    Returns
    -------
    ConfirmVerdict
        "not yet" while balls are due, or with fewer than two batches read.

    Raises
    ------
    PlanError
        Where the trial confirms nothing, or no plan is kept.
    """
    confirm, plan = trial.settings.confirm, trial.frozen_plan
    if confirm is None:
        raise PlanError(
            "This trial confirms nothing: trial.toml has no [confirm]. Write a confirming trial: "
            "doughlab decide --confirm NEWFOLDER"
        )
    if plan is None:
        raise no_plan(trial)
    response = trial.settings.response(confirm.response)
    rest: dict[str, Any] = {
        "words": response.words, "decimals": decimals_for(response.margin),
        "changed": tuple(plan.changed),
    }  # fmt: skip
    try:
        data = build_dataset(trial, confirm.response)
    except MissingRecords:
        due = tuple(b["ball_id"] for b in plan.balls if b["purpose"] == response.purpose)
        return ConfirmVerdict(confirm, NOT_YET, missing=due, **rest)
    frame = data.frame.drop_duplicates("ball")
    ranges, adapted = _ranges_for(confirm, frame)
    mean, batches, balls = _hold(frame, ranges)
    outside = [h for h in (mean, *batches, *balls) if h.beyond]
    verdict = NOT_CONFIRMED if outside else CONFIRMED
    if data.missing or len(batches) < LEAST_BATCHES:
        verdict = NOT_YET
    notes = (*_meter_notes(confirm, trial), *data.left_out, *data.notes)
    look = _look_at(mean, batches, balls, frame, trial) if outside else ()
    ends = _window(trial, confirm)
    if ends is not None:
        came = [(day, len(values)) for day, _, values in _by_batch(frame)]
        rest |= {"window": ends, "most_outside": most_outside(confirm, came, ends)}
    return ConfirmVerdict(confirm, verdict, mean, batches, balls, data.missing, dict(data.lost),
                          adapted, look, notes, **rest)  # fmt: skip


def _window(trial: TrialLike, confirm: Confirm) -> tuple[float, float] | None:
    """Give the window of the response that is confirmed; None where there is none."""
    window = trial.settings.window
    if window is None or window.response != confirm.response:
        return None
    return window.low, window.high


def _ranges_for(confirm: Confirm, frame: pd.DataFrame) -> tuple[Ranges, bool]:
    """Take the ranges as written, or make them for what came where it is another layout."""
    came = [(day, len(values)) for day, _, values in _by_batch(frame)]
    asked = spread_batches(confirm.batches, confirm.days, confirm.balls)
    if _shape(came) == _shape(asked):
        batch = (confirm.batch_low, confirm.batch_high)
        return Ranges((confirm.mean_low, confirm.mean_high), (batch,) * len(came),
                      (confirm.ball_low, confirm.ball_high), float("nan")), False  # fmt: skip
    return adapt_ranges(confirm, came), True


def _shape(layout: Sequence[tuple[str, int]]) -> list[list[int]]:
    days: dict[str, list[int]] = {}
    for day, balls in layout:
        days.setdefault(day, []).append(balls)
    return sorted(sorted(counts) for counts in days.values())


def _hold(frame: pd.DataFrame, ranges: Ranges) -> tuple[Held, tuple[Held, ...], tuple[Held, ...]]:
    """Hold the mean, every batch and every ball against its range."""
    found = [(name, sum(values) / len(values)) for _, name, values in _by_batch(frame)]
    batches = tuple(Held(name, value, *ends)
                    for (name, value), ends in zip(found, ranges.batches, strict=True))  # fmt: skip
    balls = tuple(Held(str(b), float(y), *ranges.ball)
                  for b, y in zip(frame["ball"], frame["y"], strict=True))  # fmt: skip
    mean = sum(value for _, value in found) / len(found)
    return Held("mean", mean, *ranges.mean), batches, balls


def _by_batch(frame: pd.DataFrame) -> list[tuple[str, str, list[float]]]:
    """List day, batch and values of every batch, in the order of days and batches."""
    rows = zip(frame["block"].astype(str), frame["batch"].astype(str), frame["y"], strict=True)
    found: dict[tuple[str, str], list[float]] = {}
    for day, batch, value in rows:
        found.setdefault((day, batch), []).append(float(value))
    return [(day, batch, values) for (day, batch), values in sorted(found.items())]


def _meter_notes(confirm: Confirm, trial: TrialLike) -> list[str]:
    """Say where it was read with another instrument than the first trial."""
    used = {str(r["instrument"]) for r in trial.records.readings if r.get("instrument")}
    known = {s.strip() for s in confirm.instrument.split(",") if s.strip()}
    other = sorted(used - known)
    if not known or not other:
        return []
    return [
        f"Read with {joined(other)}; the first trial was read with {confirm.instrument}. How two "
        "meters differ is not in the ranges: read one ball with both before trusting either."
    ]


def _look_at(
    mean: Held, batches: Sequence[Held], balls: Sequence[Held], frame: pd.DataFrame,
    trial: TrialLike,
) -> tuple[str, ...]:  # fmt: skip
    """Name what the values outside share, most of them first."""
    confirm = trial.settings.confirm
    if confirm is not None and _meter_notes(confirm, trial):
        return ("the meter: it is another one, and all readings share it.",)
    day = dict(zip(frame["batch"].astype(str), frame["block"].astype(str), strict=True))
    out = [h for h in batches if h.beyond]
    days = {day[h.what] for h in out}
    every = sorted(set(day.values()))
    sides = {h.value > (h.low + h.high) / 2.0 for h in batches}
    if mean.beyond and len(sides) == 1:
        return (
            "what all batches share: the meter and its buffers, the water as it comes now, the "
            "flour lot, the cooler.",
        )
    if out and len(days) == 1 and len(every) > 1 and len(out) > 1:
        (one,) = days
        return (f"what the batches of {one} share: that day's room, its meter calibration, its "
                "place in the cooler.",)  # fmt: skip
    if out:
        return tuple(_batch_words(h, trial) for h in out)
    single = [h.what for h in balls if h.beyond]
    if single:
        return (f"the reading of {joined(single)}: read a spare of the same batch, and look where "
                "it stood in the cooler.",)  # fmt: skip
    return ("how far the days lie apart: no single batch is outside, but together they are.",)


def _batch_words(held: Held, trial: TrialLike) -> str:
    """Set the mix of a batch outside beside the others'."""
    mixes = {str(m["batch_id"]): m for m in trial.records.mixes}
    own, told = mixes.get(held.what, {}), []
    for column, words in (("dough_temp_c", "dough"), ("water_temp_c", "water"),
                          ("room_temp_c", "room")):  # fmt: skip
        rest = [m[column] for name, m in mixes.items()
                if name != held.what and m.get(column) is not None]  # fmt: skip
        value = own.get(column)
        if value is not None and rest:
            gap = float(value) - sum(map(float, rest)) / len(rest)
            shown = _degrees(gap, trial.settings.show_temperature)
            told.append(f"{words} {shown} {'warmer' if gap > 0 else 'cooler'}")
    beside = f" Beside the others: {joined(told)}." if told else ""
    return f"batch {held.what}: its weights, its water and its temperatures.{beside}"


def _degrees(gap_c: float, show: str) -> str:
    return f"{abs(gap_c) * 1.8:.0f} F" if show == "F" else f"{abs(gap_c):.1f} C"


def _head(v: ConfirmVerdict) -> str:
    what = f"{', '.join(v.confirm.setting)} (recommended by: {v.confirm.of})"
    if v.verdict == CONFIRMED:
        but = ""
        if v.outside_window:
            out = len(v.outside_window)
            but = f", but {out} of {len(v.balls)} balls {'lies' if out == 1 else 'lie'} outside"
            but += " the window"
        return (f"Confirmed: {what}. Mean, batches and balls lie inside their ranges{but}."
                f"{_blind(v)}")  # fmt: skip
    if v.verdict == NOT_CONFIRMED:
        return f"Not confirmed: {what}."
    if v.mean is None:
        return f"Not yet: nothing is read. To confirm: {what}."
    if v.missing:
        count = "1 ball is" if len(v.missing) == 1 else f"{len(v.missing)} balls are"
        return f"Not yet: {count} still due. To confirm: {what}. So far:"
    return f"Not yet: fewer than {LEAST_BATCHES} batches are left to tell. To confirm: {what}."


def _blind(v: ConfirmVerdict) -> str:
    """Say what the ranges hardly show: a mean off by half their width is outside 1 in 2."""
    if v.mean is None:
        return ""
    half = (v.mean.high - v.mean.low) / 2.0
    return (f" That a mean is off by {half:.{v.decimals}f} they would show about every second "
            "time only.")  # fmt: skip


def _inside_words(v: ConfirmVerdict, mean: Held) -> list[str]:
    d = v.decimals
    out = [f"{_capital(v.words)}, mean of {len(v.batches)} batches: {mean.value:.{d}f}, "
           f"{_against(mean, d)}."]  # fmt: skip
    for name, helds in (("batch", v.batches), ("ball", v.balls)):
        far = [h for h in helds if h.beyond]
        many = "batches" if name == "batch" else "balls"
        if far:
            said = "; ".join(f"{h.what} {h.value:.{d}f}, {_against(h, d)}" for h in far)
            out.append(f"{_capital(many)} outside: {said}.")
        elif helds:
            low, high = min(h.low for h in helds), max(h.high for h in helds)
            out.append(f"All {len(helds)} {many} lie inside {low:.{d}f} to {high:.{d}f} (a range "
                       "for all of them at once).")  # fmt: skip
    out += _window_words(v)
    if v.lost:
        out.append(f"Lost: {joined(v.lost)}.")
    if v.adapted:
        c = v.confirm
        out.append(
            f"Written down for {c.batches} batches of {c.balls} balls: mean {c.mean_low:.{d}f} to "
            f"{c.mean_high:.{d}f}; for what came the ranges are made by the same rule."
        )
    return out


def _window_words(v: ConfirmVerdict) -> list[str]:
    """Name the balls outside the window, and say how many were to be expected."""
    if v.window is None or v.most_outside is None or not v.balls:
        return []
    d, out = v.decimals, v.outside_window
    span = f"the window {v.window[0]:.{d}f} to {v.window[1]:.{d}f}"
    may = f"up to {v.most_outside} of {len(v.balls)} may" if v.most_outside else "none should"
    if not out:
        return [f"No ball lies outside {span}; by the first trial {may} (95 of 100)."]
    named = ", ".join(f"{h.what} {h.value:.{d}f}" for h in out)
    over = ", so these are too many" if len(out) > v.most_outside else ""
    return [f"Outside {span}: {named}; by the first trial {may} (95 of 100){over}."]


def _against(held: Held, d: int) -> str:
    span = f"{held.low:.{d}f} to {held.high:.{d}f}"
    if not held.beyond:
        return f"inside {span}"
    side = "under" if held.beyond < 0 else "over"
    return f"{abs(held.beyond):.{d + 1 if abs(held.beyond) < 10**-d else d}f} {side} {span}"


def _capital(words: str) -> str:
    return words if words == "pH" else words[:1].upper() + words[1:]
