"""Facts for the command `ripe`: one ball's steps, its cooler, the curve of its trial.

Only `ripe` asks here. Records are read by the record room, everything is worked out by the
formula room with the plan's terms; this module brings the two together, without pandas.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean, median
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.curvedesign import CurveRows, CurveTerms
from doughlab.formula.heat import FILMS, Body
from doughlab.formula.holdcurve import HoldCurve, fit_hold_curve
from doughlab.formula.ripening import Q10Model
from doughlab.formula.steps import BallSteps, cover, usual_body
from doughlab.formula.warmup import WarmPair, WarmUpModel, fit_warm_up
from doughlab.plan.model import build_layout, choose_terms
from doughlab.record.balls import BallState, ball_states, hours_between
from doughlab.record.readings import ball_values

if TYPE_CHECKING:
    from doughlab.formula.logger import LoggerSeries
    from doughlab.plan.plan import Plan
    from doughlab.record.folder import TrialFolder
    from doughlab.sections import Response

USUAL_ROOM_C = 22.0
USUAL_DOUGH_C = 24.0
COLD_PLACES = ("cooler", "fridge", "cold", "shelf")
ROOM_PLACES = ("room", "kitchen", "bench")
PAIR_MIN = 20.0
NEAR_H = 3.0


@dataclass(frozen=True)
class Cooler:
    """The cooler of a ball.

    Attributes
    ----------
    mean_c, warmest_c : float
    history : TemperatureHistory or None
        From a log.
    words : str
        Where it comes from.
    known : bool
        False where nothing is recorded and the limit is taken.
    """

    mean_c: float
    warmest_c: float
    history: TemperatureHistory | None
    words: str
    known: bool


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
    usual : BallSteps
        A usual ball of the trial over the same hold.
    cooler : Cooler
    room_c : float
    body : Body
    """

    ball_id: str
    batch_id: str
    at: datetime
    state: BallState
    setting: dict[str, str]
    steps: BallSteps
    usual: BallSteps
    cooler: Cooler
    room_c: float
    body: Body

    @property
    def clock(self) -> Q10Model:
        """The clock, with a usual hour in the cooler as its hour."""
        cold = self.usual.cooler_c
        return Q10Model(reference_c=cold if isinstance(cold, float) else self.cooler.mean_c)

    @property
    def ripening_h(self) -> float:
        """Hours at the usual cooler that the ball's steps are worth so far."""
        return self.steps.ripening_h(self.body, self.clock)

    @property
    def riper_h(self) -> float:
        """How many hours riper than a usual ball it is, the warm-up left out."""
        own, usual = (replace(s, warm_h=0.0) for s in (self.steps, self.usual))
        usual = replace(usual, cooler_h=max(0.0, own.hold_h - usual.bench_h))
        return own.ripening_h(self.body, self.clock) - usual.ripening_h(self.body, self.clock)


def collect_facts(
    contents: TrialFolder,
    ball_id: str,
    at: datetime,
    *,
    room_c: float | None = None,
    log: LoggerSeries | None = None,
) -> BallFacts:
    """Bring together what is known of a ball at a time.

    Raises
    ------
    InputError
        For a ball that is not balled yet, lost, or asked about before its time.
    """
    plan = kept_plan(contents)
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
    end = min(at, state.used_at) if state.used_at else at
    cooler = _find_cooler(contents, state, end, log)
    mix = next((m for m in contents.records.mixes if m["batch_id"] == state.batch_id), {})
    usual_room = _usual(contents, "room_temp_c", USUAL_ROOM_C)
    room = room_c if room_c is not None else usual_room
    steps = _own_steps(state, end, cooler, mix, room)
    usual = _usual_steps(contents, steps, usual_room)
    formula = contents.formula
    levels = _levels(contents, plan, ball)
    if formula is None:
        body = usual_body()
    else:
        changed = formula.with_levels(levels)
        body = usual_body(changed.ball_g, changed.percents.get("hydration", 62.0))
    texts = {n: f.level_of(plan.batch(state.batch_id)[f.column])
             for n, f in contents.settings.factors.items() if f.set != "ball"}  # fmt: skip
    return BallFacts(ball_id, state.batch_id, end, state, texts, steps, usual, cooler, room, body)


def kept_plan(contents: TrialFolder) -> Plan:
    """Give the kept plan.

    Raises
    ------
    InputError
        Where none is kept.
    """
    if contents.plan is None:
        raise InputError(
            f"{contents.path} has no plan yet, so it has no balls. Keep one: doughlab plan --keep"
        )
    return contents.plan


def _levels(contents: TrialFolder, plan: Plan, ball: dict[str, Any]) -> dict[str, Any]:
    batch = plan.batch(str(ball["batch_id"]))
    factors = contents.settings.factors.values()
    found = {f.name: (ball if f.set == "ball" else batch).get(f.column) for f in factors}
    return {n: v for n, v in found.items() if v is not None}


def _own_steps(
    state: BallState, end: datetime, cooler: Cooler, mix: dict[str, Any], room_c: float
) -> BallSteps:
    balled = state.balled_at or end
    into = min(state.cooled_at or balled, end)
    out = min(state.pulled_at or end, end)
    bench_h = max(0.0, hours_between(balled, into))
    cooler_h = max(0.0, hours_between(into, out))
    warm_h = max(0.0, hours_between(out, end)) if state.pulled_at else 0.0
    surroundings: float | TemperatureHistory = cooler.mean_c
    if cooler.history is not None and cooler_h > 0:
        surroundings = cover(cooler.history, cooler_h)
    return BallSteps(
        bench_h, cooler_h, warm_h,
        dough_c=_value(mix, "dough_temp_c", USUAL_DOUGH_C),
        bench_c=_value(mix, "room_temp_c", USUAL_ROOM_C),
        cooler_c=surroundings, room_c=room_c,
    )  # fmt: skip


def _usual_steps(contents: TrialFolder, own: BallSteps, room_c: float) -> BallSteps:
    bench = [
        hours_between(m["balled_at"], m["cooled_at"])
        for m in contents.records.mixes
        if m["balled_at"] is not None and m["cooled_at"] is not None
    ]
    cold = [r["temp_c"] for r in contents.records.temperatures if _is_place(r, COLD_PLACES)]
    cooler_c = fmean(cold) if cold else min(contents.settings.limits.cooler_c, 4.0)
    bench_h = max(0.0, median(bench)) if bench else own.bench_h
    return BallSteps(
        bench_h, max(0.0, own.hold_h - bench_h), 0.0,
        dough_c=_usual(contents, "dough_temp_c", USUAL_DOUGH_C), bench_c=room_c,
        cooler_c=float(cooler_c), room_c=room_c,
    )  # fmt: skip


def _value(row: dict[str, Any], column: str, otherwise: float) -> float:
    return otherwise if row.get(column) is None else float(row[column])


def _usual(contents: TrialFolder, column: str, otherwise: float) -> float:
    found = [float(m[column]) for m in contents.records.mixes if m[column] is not None]
    return median(found) if found else otherwise


def _is_place(row: dict[str, Any], words: tuple[str, ...]) -> bool:
    return any(w in str(row["place"]).casefold() for w in words)


def _find_cooler(
    contents: TrialFolder, state: BallState, end: datetime, log: LoggerSeries | None
) -> Cooler:
    """Take the log, else the readings of a cooler while the ball was in it, else any."""
    into = state.cooled_at or state.balled_at or end
    out = min(state.pulled_at or end, end)
    if log is not None and out > into:
        inside = log.between(into, out)
        whole = inside.history()
        shift = hours_between(into, inside.times[0])
        history = TemperatureHistory(
            tuple(h + shift for h in whole.hours), whole.temps_c, whole.start
        )
        return Cooler(whole.mean_c, whole.warmest_c, history, "logged", True)
    rows = [r for r in contents.records.temperatures if _is_place(r, COLD_PLACES)]
    own = [r["temp_c"] for r in rows if into <= r["at"] <= out]
    if own:
        count = f"{len(own)} reading{'s' if len(own) > 1 else ''}"
        return Cooler(fmean(own), max(own), None, count, True)
    limit = contents.settings.limits.cooler_c
    if rows:
        every = [r["temp_c"] for r in rows]
        return Cooler(fmean(every), fmean(every), None, "readings of other days", False)
    return Cooler(min(limit, 4.0), min(limit, 4.0), None, "not recorded", False)


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
    values = ball_values(contents.records, settings, response)
    states = ball_states(plan, contents.records)
    balls = [b for b in plan.balls if b["ball_id"] in values and b.get(hold.column) is not None]
    if not balls:
        raise NotEstimable(f"No {response.words} is recorded yet for a ball with a planned hold.")
    planned = np.array([float(b[hold.column]) for b in balls])
    held = [states[str(b["ball_id"])].hold_h for b in balls]
    hours = np.array([p if h is None else h for p, h in zip(planned, held, strict=True)])
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
    return fit_hold_curve(rows, asked, words=response.words, unit=response.unit)


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
    """Find balls that were read twice while they warmed up, with their room."""
    plan = kept_plan(contents)
    states = ball_states(plan, contents.records)
    by_ball: dict[str, list[dict[str, Any]]] = {}
    for row in contents.records.readings:
        if row["ph"] is not None:
            by_ball.setdefault(row["ball_id"], []).append(row)
    pairs = []
    for ball, rows in by_ball.items():
        state = states.get(ball)
        if state is None or state.pulled_at is None:
            continue
        rows.sort(key=lambda r: r["read_at"])
        first_at, last_at = rows[0]["read_at"], rows[-1]["read_at"]
        room = _room_near(contents, first_at)
        if hours_between(first_at, last_at) * 60 < PAIR_MIN or room is None:
            continue
        early = [r for r in rows if hours_between(first_at, r["read_at"]) * 60 < PAIR_MIN / 2]
        late = [r for r in rows if hours_between(r["read_at"], last_at) * 60 < PAIR_MIN / 2]
        minutes = [
            fmean(hours_between(state.pulled_at, r["read_at"]) * 60 for r in group)
            for group in (early, late)
        ]
        if minutes[0] >= 0:
            pairs.append(WarmPair(ball, state.batch_id, room, minutes[0], minutes[1],
                                  fmean(r["ph"] for r in early),
                                  fmean(r["ph"] for r in late)))  # fmt: skip
    return pairs


def _room_near(contents: TrialFolder, at: datetime) -> float | None:
    rows = [r for r in contents.records.temperatures if _is_place(r, ROOM_PLACES)]
    near = [r for r in rows if abs(hours_between(r["at"], at)) <= NEAR_H]
    if not near:
        return None
    return float(min(near, key=lambda r: abs(hours_between(r["at"], at)))["temp_c"])


def fit_trial_warm_up(contents: TrialFolder, facts: BallFacts) -> WarmUpModel:
    """Learn the warm-up of a trial; raises NotEstimable with what to record."""
    cold = facts.usual.cooler_c
    cooler_c = cold if isinstance(cold, float) else facts.cooler.mean_c
    return fit_warm_up(find_pairs(contents), body=facts.body, film=FILMS["box"], cooler_c=cooler_c)
