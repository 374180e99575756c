"""Facts for the command `ripe`: one ball's steps, its cooler, the curve of its trial.

Only `ripe` asks here. Records are read by the record room, everything is worked out by the
formula room with the plan's terms; this module brings the two together, without pandas.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.curvedesign import CurveRows, CurveTerms
from doughlab.formula.heat import FILMS, Body, Film
from doughlab.formula.holdcurve import HoldCurve, count_hours, fit_hold_curve
from doughlab.formula.ripening import Q10Model
from doughlab.formula.stays import (
    Cooler,
    UsualDay,
    ball_steps,
    count_ripening,
    find_cooler,
    find_room,
)
from doughlab.formula.steps import BallSteps, usual_body
from doughlab.formula.warmup import WarmPair, WarmUpModel, fit_warm_up
from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.pairs import rooms_of_pairs
from doughlab.record.balls import BallState, ball_states, hours_between
from doughlab.record.folder import no_plan_words
from doughlab.record.names import find_id
from doughlab.record.readings import ball_values
from doughlab.record.series import part_balls

if TYPE_CHECKING:
    from doughlab.formula.logger import LoggerSeries
    from doughlab.plan.plan import Plan
    from doughlab.record.folder import TrialFolder
    from doughlab.sections import Response


@dataclass(frozen=True)
class BallFacts:
    """One ball at one time.

    Attributes
    ----------
    ball_id, batch_id : str
    at : datetime
    state : BallState
    setting : dict of str to str
        Levels of its batch.
    steps : BallSteps
        Up to `at`.
    usual : UsualDay
        What is usual in the trial.
    cooler : Cooler
    room_c : float
    body : Body
    film : Film
        Around the ball, in the cooler and out of it.
    """

    ball_id: str
    batch_id: str
    at: datetime
    state: BallState
    setting: dict[str, str]
    steps: BallSteps
    usual: UsualDay
    cooler: Cooler
    room_c: float
    body: Body
    film: Film = FILMS["box"]

    @property
    def clock(self) -> Q10Model:
        """The clock, with an hour in the usual cooler as its hour."""
        return self.usual.clock

    @property
    def ripening_h(self) -> float:
        """Hours at the usual cooler that the ball's steps are worth so far."""
        return self.steps.ripening_h(self.body, self.clock)

    @property
    def riper_h(self) -> float:
        """How many hours riper than a usual ball it is, the warm-up left out."""
        own = replace(self.steps, warm_h=0.0)
        usual = with_film(self.usual.steps(own.hold_h, warm_h=0.0), self.film)
        return own.ripening_h(self.body, self.clock) - usual.ripening_h(self.body, self.clock)


def collect_facts(
    contents: TrialFolder,
    ball_id: str,
    at: datetime,
    *,
    room_c: float | None = None,
    log: LoggerSeries | None = None,
    film: Film | None = None,
) -> BallFacts:
    """Bring together what is known of a ball at a time; a film takes the place of the formula's.

    Raises
    ------
    InputError
        For a ball that is not balled yet, lost, or asked about before its time.
    """
    plan = kept_plan(contents)
    ball_id = find_id(ball_id, (str(b["ball_id"]) for b in plan.balls))
    ball = plan.ball(ball_id)
    state = ball_states(plan, contents.records)[ball_id]
    if state.state == "lost":
        raise InputError(f"Ball {ball_id} is lost ({state.lost_reason}).")
    if state.balled_at is None:
        raise InputError(
            f"Ball {ball_id} is not balled yet, as far as the records say. Record the mix with its "
            f"time of balling: doughlab record mix {state.batch_id} balled_at=10:40"
        )
    if at < state.balled_at:
        raise InputError(f"Ball {ball_id} was balled at {state.balled_at:%Y-%m-%d %H:%M}, after "
                         f"the time asked about ({at:%Y-%m-%d %H:%M}).")  # fmt: skip
    state = _as_of(state, at)
    end = state.used_at or at
    usual = usual_day(contents)
    cooler = _logged_cooler(state, end, log) or find_cooler(
        contents.records.temperatures,
        state.cooled_at or state.balled_at or end,
        min(state.pulled_at or end, end),
        limit_c=contents.settings.limits.cooler_c,
    )
    mix = next((m for m in contents.records.mixes if m["batch_id"] == state.batch_id), {})
    room = room_c if room_c is not None else usual.room_c
    steps = ball_steps(state, end, mix=mix, cooler=cooler, room_c=room, usual=usual)
    if steps is None:
        raise InputError(f"Ball {ball_id} has no time of balling that fits {end:%Y-%m-%d %H:%M}.")
    body = trial_body(contents, _levels(contents, plan, ball))
    texts = {n: f.level_of(plan.batch(state.batch_id)[f.column])
             for n, f in contents.settings.factors.items() if f.set != "ball"}  # fmt: skip
    around = film or trial_film(contents)
    return BallFacts(ball_id, state.batch_id, end, state, texts, with_film(steps, around), usual,
                     cooler, room, body, around)  # fmt: skip


def with_film(steps: BallSteps, film: Film) -> BallSteps:
    """Set the film around a ball, in the cooler and out of it."""
    return replace(steps, cooler_film=film, room_film=film)


def trial_film(contents: TrialFolder) -> Film:
    """Give the film of the trial's boxes, as formula.toml says."""
    return FILMS["box"] if contents.formula is None else contents.formula.box.film


def _as_of(state: BallState, at: datetime) -> BallState:
    """Forget what happened to a ball after a time."""

    def known(time: datetime | None) -> datetime | None:
        return time if time is not None and time <= at else None

    return replace(
        state, cooled_at=known(state.cooled_at), pulled_at=known(state.pulled_at),
        used_at=known(state.used_at),
    )  # fmt: skip


def usual_day(contents: TrialFolder) -> UsualDay:
    """Take what is usual from the records of a trial."""
    records, settings = contents.records, contents.settings
    return UsualDay.of(
        records.mixes, records.temperatures, warm_min=settings.kitchen.warm_min,
        limit_c=settings.limits.cooler_c,
    )  # fmt: skip


def trial_body(contents: TrialFolder, levels: dict[str, Any] | None = None) -> Body:
    """Make a ball of the trial's formula."""
    if contents.formula is None:
        return usual_body()
    changed = contents.formula.with_levels(levels)
    return usual_body(changed.ball_g, changed.percents.get("hydration", 62.0))


def kept_plan(contents: TrialFolder) -> Plan:
    """Give the kept plan.

    Raises
    ------
    InputError
        Where none is kept.
    """
    if contents.plan is None:
        raise InputError(no_plan_words(contents.path))
    return contents.plan


def _levels(contents: TrialFolder, plan: Plan, ball: dict[str, Any]) -> dict[str, Any]:
    batch = plan.batch(str(ball["batch_id"]))
    factors = contents.settings.factors.values()
    found = {f.name: (ball if f.set == "ball" else batch).get(f.column) for f in factors}
    return {n: v for n, v in found.items() if v is not None}


def _logged_cooler(state: BallState, end: datetime, log: LoggerSeries | None) -> Cooler | None:
    """Give the logged cooler of a ball; None without a log."""
    into = state.cooled_at or state.balled_at or end
    out = min(state.pulled_at or end, end)
    if log is None or out <= into:
        return None
    inside = log.between(into, out)
    whole = inside.history()
    shift = hours_between(into, inside.times[0])
    history = TemperatureHistory(tuple(h + shift for h in whole.hours), whole.temps_c, whole.start)
    return Cooler(whole.mean_c, whole.warmest_c, history, "logged", True)


def fit_trial_curve(contents: TrialFolder, response: Response) -> HoldCurve:
    """Fit the curve of a response over the hold from plain rows.

    Raises
    ------
    NotEstimable
        Where holds or balls are too few.
    """
    plan, settings = kept_plan(contents), contents.settings
    hold = settings.hold
    if hold is None or response.kind == "score":
        raise NotEstimable("No hold varies in this trial, so there is no curve over it.")
    paired = {str(b["ball_id"]) for b in plan.balls if b["purpose"] == "pair"}
    values = ball_values(contents.records, settings, response, without=paired)
    states = ball_states(plan, contents.records)
    balls = [b for b in plan.balls if b["ball_id"] in values and b.get(hold.column) is not None]
    if not balls:
        raise NotEstimable(f"No {response.words} is recorded yet for a ball with a planned hold.")
    planned = np.array([float(b[hold.column]) for b in balls])
    held = [states[str(b["ball_id"])].hold_h for b in balls]
    held_h = np.array([p if h is None else h for p, h in zip(planned, held, strict=True)])
    usual, names = usual_day(contents), [str(b["ball_id"]) for b in balls]
    ripening = count_ripening(
        {n: states[n] for n in names}, contents.records.mixes, contents.records.temperatures,
        body=trial_body(contents), usual=usual, film=trial_film(contents),
    )  # fmt: skip
    hours, extra, words = count_hours(names, held_h, ripening, usual.clock)
    layout = build_layout(settings, plan.batches, plan.balls, response)
    terms = choose_terms(settings, layout, response)
    numbers = {
        n: {v: float(settings.factors[n].value_of(v)) - terms.centres[n]
            for v in settings.factors[n].levels}
        for n in terms.as_number
    }  # fmt: skip
    asked = CurveTerms(terms.fixed, terms.random, hold.name, numbers)
    columns = _columns(contents, plan, balls)
    rows = CurveRows(
        np.array([values[str(b["ball_id"])].value for b in balls]), planned, hours, columns
    )
    return fit_hold_curve(rows, asked, words=response.words, unit=response.unit,
                          clock_words=words, extra_h=extra)  # fmt: skip


def _columns(
    contents: TrialFolder, plan: Plan, balls: list[dict[str, Any]]
) -> dict[str, list[str]]:
    settings = contents.settings
    mixes = {m["batch_id"]: m for m in contents.records.mixes}
    found: dict[str, list[str]] = {}
    for ball in balls:
        batch = plan.batch(str(ball["batch_id"]))
        row = {"batch": ball["batch_id"], "block": batch["block"], "session": ball["session"]}
        for lot in ("flour_lot", "water_lot", "preferment_lot"):
            row[lot] = mixes.get(ball["batch_id"], {}).get(lot) or batch.get(lot)
        for f in settings.factors.values():
            value = (ball if f.set == "ball" else batch).get(f.column)
            row[f.name] = None if value is None else f.level_of(value)
        for name, value in row.items():
            found.setdefault(name, []).append("" if value is None else str(value))
    return {n: v for n, v in found.items() if all(v)}


def find_pairs(contents: TrialFolder) -> list[WarmPair]:
    """Find balls that were read twice while they warmed up, with their room.

    A ball that the plan reserves for it warms in the room that the plan names; another one in
    whatever room was read near the time.
    """
    plan = kept_plan(contents)
    records, settings = contents.records, contents.settings
    states = ball_states(plan, records)
    rooms = rooms_of_pairs(settings, plan.balls)
    rows = [r for r in records.readings if r["ph"] is not None]
    pairs = []
    for ball, series in part_balls(records, rows, warm_min=settings.kitchen.warm_min).items():
        state = states.get(ball)
        if state is None or state.pulled_at is None or not series.others:
            continue
        groups = sorted([series.used, *series.others], key=lambda g: g[0]["read_at"])
        early, late = groups[0], groups[-1]
        room = find_room(records.temperatures, early[0]["read_at"], place=rooms.get(ball, ""))
        minutes = [
            fmean(hours_between(state.pulled_at, r["read_at"]) * 60 for r in group)
            for group in (early, late)
        ]
        if room is not None and minutes[0] >= 0:
            pairs.append(WarmPair(ball, state.batch_id, room, minutes[0], minutes[1],
                                  fmean(r["ph"] for r in early),
                                  fmean(r["ph"] for r in late)))  # fmt: skip
    return pairs


def fit_trial_warm_up(contents: TrialFolder, facts: BallFacts) -> WarmUpModel:
    """Learn the warm-up of a trial; raises NotEstimable with what to record."""
    return fit_warm_up(
        find_pairs(contents), body=facts.body, film=facts.film, cooler_c=facts.usual.cooler_c
    )
