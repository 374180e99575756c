"""Due: what is to do at a time, what is late, what is missing, and what to watch.

`Trial.due`, `doughlab today` and the bench show it; the schedule of the frozen plan is its base.
It never judges food: warm-up advice ends at the user's own limit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.instruments import Meter
from doughlab.plan.meters import StudyState, count_readings, follow_study, is_meter_study
from doughlab.record.balls import BallState, ball_states, hours_between
from doughlab.record.meter import age_months, calibration_faults
from doughlab.record.mixing import mix_words
from doughlab.record.panel import waiting_judges
from doughlab.record.records import Records
from doughlab.record.serving import stand_ins
from doughlab.record.warmth import is_cooler
from doughlab.settings import Settings
from doughlab.tables import PIERCED
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

Row = dict[str, Any]

GRACE = timedelta(minutes=15)
KEEP_PLANNED_H = 0.5  # a mix this much off its hour leaves the schedule of its balls as it is
DAYS_FROM_H = 96.0  # longer times are said in days
WHEN = ("late", "now", "later", "missing")
STEP_WORDS = {
    "preferment": "preferment", "mix": "mix", "ball": "ball", "take_out": "take out",
    "read": "read", "bake": "bake", "score": "score",
}  # fmt: skip
TOO_OLD = "over your longest hold"
KEEPS = "it keeps its"
FOOD_SAFETY = "follow your food-safety plan"


@dataclass(frozen=True)
class Due:
    """One thing to do.

    Attributes
    ----------
    item : str
        Batch, ball or lot.
    step : str
        One of preferment, mix, ball, take_out, read, bake, score.
    due_at : datetime
    late : bool
        More than a quarter of an hour past.
    place : str
    words : str
        What to know while doing it.
    when : str
        "late" (today, past), "now", "later" (today) or "missing" (due on an earlier day).
    """

    item: str
    step: str
    due_at: datetime
    late: bool
    place: str = ""
    words: str = ""
    when: str = "now"


def due(plan: Plan, records: Records, at: datetime, *, formula: Formula | None = None) -> list[Due]:
    """List what is not done yet and due up to the end of the day of `at`.

    A batch mixed off its hour takes the steps of its balls with it, so that each ball keeps its
    hold. Balls of a batch that was not mixed are not listed; the mix is. A time gone by shows the
    day as it was then.

    Parameters
    ----------
    plan : Plan
        The frozen plan, with its schedule.
    records : Records
    at : datetime
        With offset.
    formula : Formula, optional
        For the grams of the mixes.

    Returns
    -------
    list of Due
        In order of time.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> step = {"step": "mix", "item": "B01", "due_at": at, "place": None}
    >>> plan = Plan(Settings("Demo", "DE"), (), (), (step,), 1, "0")
    >>> [(d.step, d.item, d.when) for d in due(plan, Records(), at + timedelta(hours=1))]
    [('mix', 'B01', 'late')]
    """
    day = _Day(at, ZoneInfo(plan.settings.timezone))
    records = records.until(at)
    states = ball_states(plan, records)
    mixes = {m["batch_id"]: m for m in reversed(records.mixes)}
    shifts = _shifts(plan.schedule, mixes)
    too_warm = bool(cooler_words(plan.settings, records, at))
    out = []
    firsts = _first_readings(plan.schedule)
    instead = stand_ins(plan, records)
    for planned in plan.schedule:
        row = planned
        if planned["step"] in {"take_out", "bake"} and planned["item"] in instead:
            row = {**planned, "item": instead[planned["item"]], "place": None}
        state = states.get(str(row["item"]))
        wanted = _readings_wanted(row, state, plan.settings, firsts)
        if _done(row, state, mixes, records, wanted):
            continue
        shift = shifts.get(state.batch_id, timedelta()) if state else timedelta()
        if row["due_at"] + shift < day.end:
            words = _words(row["step"], state, plan.settings, at, too_warm=too_warm, wanted=wanted)
            if row["step"] == "mix":
                words = mix_words(plan, str(row["item"]), formula=formula)
            if row is not planned:
                words = f"the spare, in place of {planned['item']}; {words}"
            if shift:
                was = row["due_at"].astimezone(day.zone)
                shut = closed_words(plan.settings, (row["due_at"] + shift).astimezone(day.zone))
                words = f"{words}; moved with its mix from {was:%a %H:%M}; {shut}"
            out.append(day.due(row, row["due_at"] + shift, words))
    out += _scores_due(states, records, plan.settings, day)
    return sorted(out, key=lambda d: d.due_at)


def closed_words(settings: Settings, day: date) -> str:
    """Say that the kitchen is closed on a day of the week; empty where it is open.

    Examples
    --------
    >>> from doughlab.workday import Kitchen
    >>> settings = Settings("Demo", "DE", kitchen=Kitchen(closed=("Mon",)))
    >>> closed_words(settings, date(2026, 3, 2)), closed_words(settings, date(2026, 3, 3))
    ('the kitchen is closed on Mondays', '')
    """
    shut = f"{day:%a}" in settings.kitchen.closed
    return f"the kitchen is closed on {day:%A}s" if shut else ""


def idle_words(plan: Plan, at: datetime) -> str:
    """Say when the plan goes on after the day of `at`, or when it ended.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> steps = tuple({"step": "mix", "item": b, "due_at": at, "place": None} for b in ("B1", "B2"))
    >>> plan = Plan(Settings("Demo", "DE"), (), (), steps, 1, "0")
    >>> idle_words(plan, at - timedelta(days=2)), idle_words(plan, at)
    ('the plan goes on Monday 2 March, 09:00: mix B1 B2', 'the plan ended on Monday 2 March')
    """
    zone = ZoneInfo(plan.settings.timezone)
    if not plan.schedule:
        return ""
    end = _Day(at, zone).end
    ahead = [r for r in plan.schedule if r["due_at"] >= end]
    first = min((r["due_at"] for r in ahead), default=None)
    local = (first or max(r["due_at"] for r in plan.schedule)).astimezone(zone)
    day = f"{local:%A} {local.day} {local:%B}"
    if first is None:
        return f"the plan ended on {day}"
    step = next(r["step"] for r in ahead if r["due_at"] == first)
    items = [str(r["item"]) for r in ahead if (r["due_at"], r["step"]) == (first, step)]
    more = f" and {len(items) - 6} more" if len(items) > 6 else ""
    named = f"{STEP_WORDS[step]} {' '.join(items[:6])}{more}"
    return f"the plan goes on {day}, {local:%H:%M}: {named}"


@dataclass(frozen=True)
class _Day:
    """The time asked about, in the time zone of the trial."""

    at: datetime
    zone: ZoneInfo

    @property
    def end(self) -> datetime:
        """Midnight after it."""
        local = self.at.astimezone(self.zone)
        return datetime.combine(local.date() + timedelta(days=1), time(), self.zone)

    def due(self, row: Mapping[str, Any], due_at: datetime, words: str) -> Due:
        """Tell how one step stands to that time."""
        local, at = due_at.astimezone(self.zone), self.at.astimezone(self.zone)
        late = at > due_at + GRACE
        if late:
            when = "late" if local.date() == at.date() else "missing"
        else:
            when = "now" if due_at <= at + GRACE else "later"
        place = row.get("place") or ""
        return Due(str(row["item"]), row["step"], local, late, place, words.strip("; "), when)


def _shifts(schedule: Iterable[Row], mixes: dict[str, Row]) -> dict[str, timedelta]:
    """Tell how far each batch was mixed or balled off its planned hour."""
    shifts: dict[str, timedelta] = {}
    for step, column in (("mix", "mixed_at"), ("ball", "balled_at")):
        for row in schedule:
            actual = mixes.get(row["item"], {}).get(column) if row["step"] == step else None
            if actual is not None:
                off = actual - row["due_at"]
                keep = abs(off) <= timedelta(hours=KEEP_PLANNED_H)
                shifts[row["item"]] = timedelta() if keep else off
    return shifts


def _first_readings(schedule: Iterable[Row]) -> set[tuple[str, datetime]]:
    """Find the readings of pairs that come first, at the take-out."""
    reads: dict[str, list[datetime]] = {}
    for row in schedule:
        if row["step"] == "read":
            reads.setdefault(str(row["item"]), []).append(row["due_at"])
    return {(item, min(times)) for item, times in reads.items() if len(times) > 1}


def _readings_wanted(
    row: Row, state: BallState | None, settings: Settings, firsts: set[tuple[str, datetime]]
) -> int:
    """Count the readings that a ball has once a step is done."""
    each = count_readings(settings)
    twice = state is not None and state.purpose == "pair"
    return 2 * each if twice and (str(row["item"]), row["due_at"]) not in firsts else each


def _done(
    row: Row, state: BallState | None, mixes: dict[str, Row], records: Records, wanted: int
) -> bool:
    step, item = row["step"], row["item"]
    if step == "preferment":
        return any(lot["lot_id"] == item for lot in records.lots)
    if step in {"mix", "ball"}:
        lost = any(n["kind"] == "lost" and n["about"] == item for n in records.notes)
        mix = mixes.get(item)
        if mix is None:
            return lost or step == "ball"
        return lost or step == "mix" or mix["balled_at"] is not None
    if state is None or state.state in {"planned", "lost"}:
        return True
    if step == "take_out":
        return state.state in {"pulled", "read", "baked", "scored"}
    if step == "read":
        return state.readings >= wanted
    if step == "bake":
        return state.state in {"baked", "scored"} or state.pierced
    return state.state == "scored"


def _words(
    step: str, state: BallState | None, settings: Settings, at: datetime, *, too_warm: bool,
    wanted: int,
) -> str:  # fmt: skip
    if step in {"take_out", "read", "bake"} and state is not None:
        limit = settings.limits.max_hold_h
        since = state.balled_at or state.mixed_at
        if since is not None and hours_between(since, at - GRACE) > limit:
            n = state.readings  # a ball that was read cannot be marked lost too
            tail = f"{KEEPS} {n} reading{'s' * (n > 1)}" if n else "mark it lost"
            return (
                f"if it was done, write it down with its time; else it is {TOO_OLD} of {limit:g} h "
                f"and not used any more: {tail}"
            )
    if step == "take_out" and state is not None:
        if too_warm:
            return f"no warm-up advice: the cooler is too warm; {FOOD_SAFETY}"
        return warm_up_words(state, settings, at)
    if step == "read" and state is not None:
        left = min(wanted - state.readings, count_readings(settings))
        if state.readings and state.purpose != "pair":
            return f"{left} of {wanted} readings still to take"
        words = f"{left} reading{'s' if left > 1 else ''}, on a piece you throw away"
        return f"{words}; warm-up pair" if state.purpose == "pair" else words
    if step == "bake":
        return "by blind code, in the order of the judges' sheets" if settings.panel.judges else ""
    return ""


def warm_up_words(state: BallState, settings: Settings, at: datetime) -> str:
    """Say how long a ball should warm, up to the user's limit of time at room temperature.

    Parameters
    ----------
    state : BallState
    settings : Settings
        `kitchen.warm_min` and `limits.warm_h`.
    at : datetime

    Returns
    -------
    str
        Advice, or that it ends here and the food-safety plan decides.

    Examples
    --------
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> ball = BallState("B01-1", "B01", "ph", mixed_at=at, cooled_at=at + timedelta(hours=1))
    >>> warm_up_words(ball, Settings("Demo", "DE"), at)
    '90 min to warm; 1 h of your 4 h used'
    """
    spent, limit = state.warm_h(at), settings.limits.warm_h
    wanted = settings.kitchen.warm_min / 60
    if spent + wanted > limit:
        return f"no warm-up advice: {clock(spent)} of your {clock(limit)} are used; {FOOD_SAFETY}"
    return (
        f"{settings.kitchen.warm_min:.0f} min to warm; {clock(spent)} of your {clock(limit)} used"
    )


def list_needs(plan: Plan, records: Records, ball_id: str) -> list[str]:
    """Say what one ball still needs, in the order of its steps.

    Returns
    -------
    list of str
        Such as "take out", "2 of 3 readings still to take"; empty where it needs nothing.

    Raises
    ------
    UnknownName
        For a ball that is not in the plan.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> ball = {"ball_id": "B01-1", "batch_id": "B01", "purpose": "ph"}
    >>> list_needs(Plan(Settings("Demo", "DE"), (), (ball,), (), 1, "0"), Records(), "B01-1")
    ['take out', '3 readings']
    """
    ball, states = plan.ball(ball_id), ball_states(plan, records)
    state = states[ball_id]
    if state.state == "lost":
        return []
    out = []
    step = "read" if ball["purpose"] in PIERCED else "bake"
    per_ball = count_readings(plan.settings)
    if ball["purpose"] == "pair":
        per_ball *= 2
    stands_in = ball["purpose"] == "spare" and ball_id in stand_ins(plan, records).values()
    if ball["purpose"] == "spare" and not stands_in:
        return []
    if state.state in {"planned", "mixed", "held"}:
        out.append("take out")
    if step == "read" and state.readings < per_ball:
        left = per_ball - state.readings
        of = f" of {per_ball}" if state.readings else ""
        out.append(f"{left}{of} reading{'s' if max(left, per_ball if of else left) > 1 else ''}")
    if step == "bake" and not state.pierced:
        waiting = waiting_judges(plan.settings, records)
        if state.state not in {"baked", "scored"}:
            out.append("bake")
        elif waiting.get(ball_id):
            out.append(f"scores of {', '.join(waiting[ball_id])}")
    return out


def _scores_due(
    states: dict[str, BallState], records: Records, settings: Settings, day: _Day
) -> list[Due]:
    out = []
    for ball, waiting in waiting_judges(settings, records).items():
        state = states.get(ball)
        if not waiting or state is None or state.used_at is None or state.state == "lost":
            continue
        if state.used_at <= day.at:
            row = {"item": ball, "step": "score"}
            out.append(day.due(row, state.used_at, f"still to come: {', '.join(waiting)}"))
    return out


@dataclass(frozen=True)
class WarmBall:
    """A ball that is out of the cooler and not used yet.

    `spent_h` counts the time before the cooler too; at or over `limit_h` the advice ends.

    Examples
    --------
    >>> WarmBall("B01-1", 1.5, 4.0).words
    '1 h 30 of your 4 h at room temperature'
    """

    ball_id: str
    spent_h: float
    limit_h: float

    @property
    def over(self) -> bool:
        """Whether the user's limit is reached."""
        return self.spent_h >= self.limit_h

    @property
    def words(self) -> str:
        """What to tell."""
        used = f"{clock(self.spent_h)} of your {clock(self.limit_h)} at room temperature"
        return f"{used}: no further advice, {FOOD_SAFETY}" if self.over else used


def warm_balls(plan: Plan, records: Records, at: datetime) -> list[WarmBall]:
    """List the balls that stand out of the cooler, the longest first.

    Parameters
    ----------
    plan : Plan
    records : Records
    at : datetime
        With offset.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> ball = {"ball_id": "B01-1", "batch_id": "B01", "purpose": "ph"}
    >>> plan = Plan(Settings("Demo", "DE"), (), (ball,), (), 1, "0")
    >>> out = {"about": "B01-1", "kind": "pulled", "at": at}
    >>> warm_balls(plan, Records.of(notes=[out]), at + timedelta(hours=1))
    [WarmBall(ball_id='B01-1', spent_h=1.0, limit_h=4.0)]
    """
    limit = plan.settings.limits.warm_h
    out = [
        WarmBall(s.ball_id, s.warm_h(at), limit)
        for s in ball_states(plan, records.until(at)).values()
        if s.state == "pulled" and s.pulled_at is not None and s.pulled_at <= at
    ]
    return sorted(out, key=lambda w: (-w.spent_h, w.ball_id))


def meter_words(settings: Settings, records: Records, at: datetime) -> str:
    """Say how old the last calibration is, and when buffers are due.

    Returns
    -------
    str
        Empty where the trial reads no pH by a meter.

    Examples
    --------
    >>> from doughlab.sections import Response
    >>> settings = Settings("Demo", "DE", responses={"ph": Response("ph", "readings", "ph", 0.1)})
    >>> meter_words(settings, Records(), datetime.fromisoformat("2026-03-02T09:00+00:00"))
    'no buffers recorded: do them before the first reading'
    """
    reads_ph = any(r.table == "readings" and r.column == "ph" for r in settings.responses.values())
    if not reads_ph or settings.reading_method.kind == "strip":
        return ""
    last: dict[str, Row] = {}
    for row in sorted(records.calibrations, key=lambda c: c["calibrated_at"]):
        if row["calibrated_at"] <= at:
            last[row["instrument"]] = row
    if not last:
        return "no buffers recorded: do them before the first reading"
    own = settings.reading_method.instrument
    if own and own not in last:
        return f"no buffers recorded for {own}: do them before the first reading"
    rows = [last[own]] if own else list(last.values())
    said = [_buffer_words(row, settings, at) for row in rows]
    if len(rows) == 1:
        return said[0]
    return "; ".join(f"{row['instrument']}: {words}" for row, words in zip(rows, said, strict=True))


def _buffer_words(last: Row, settings: Settings, at: datetime) -> str:
    """Say how old the last calibration of one meter is, and what is wrong with it."""
    age = hours_between(last["calibrated_at"], at)
    words = f"{clock(age)} since buffers"
    if last["slope_pct"] is not None:
        words += f"; last {last['slope_pct']:g} %"
    faults = calibration_faults(last, settings.meter)
    if faults:
        return f"{words}. The last one failed: {faults[0]}"
    words += _slow_words(last, settings.meter) + _probe_words(settings.meter, at)
    if age > settings.reading_method.calibrate_every_h:
        words += ": do the buffers before the next reading"
    return words


def _slow_words(calibration: Row, meter: Meter) -> str:
    """Say that the number took long to stand still in a buffer."""
    settle_s = calibration.get("settle_s")
    if settle_s is None or settle_s <= meter.settle_s:
        return ""
    return (
        f"; the number took {settle_s:g} s to stand still ({meter.settle_s:g} at most): clean the "
        "probe of protein and do them again"
    )


def _probe_words(meter: Meter, at: datetime) -> str:
    """Say that a probe is past the life that trial.toml gives it."""
    months = age_months(meter.probe_since, at) if meter.probe_since else 0.0
    if months <= meter.probe_life_months:
        return ""
    return (
        f"; the probe is {months:.0f} months old ({meter.probe_life_months:g} expected): watch "
        "slope and response time, have another one at hand"
    )


def study_words(plan: Plan, records: Records, at: datetime) -> str:
    """Say which ball of a meter study is read next, by whom and with which meter.

    Returns
    -------
    str
        Empty without a meter study, and before its day.
    """
    state = study_state(plan, records, at)
    return "" if state is None else state.words


def study_state(plan: Plan, records: Records, at: datetime) -> StudyState | None:
    """Tell how far a meter study has come; None without one, and before its day."""
    if not is_meter_study(plan.settings):
        return None
    known = records.until(at)
    reads = [r["due_at"] for r in plan.schedule if r["step"] == "read"]
    begun = not reads or min(reads).date() <= at.astimezone(min(reads).tzinfo).date()
    if not begun and not known.readings:
        return None
    states = ball_states(plan, known)
    lost = [name for name, state in states.items() if state.state == "lost"]
    return follow_study(plan, known.readings, lost=lost)


def cooler_words(settings: Settings, records: Records, at: datetime) -> str:
    """Say where the last temperature of a cooler lies above the user's limit.

    A place counts as a cooler when its name says so; see `is_cooler`.

    Returns
    -------
    str
        Empty where no cooler is too warm.

    Examples
    --------
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> records = Records.of(temperatures=[{"place": "cooler", "at": at, "temp_c": 6.2}])
    >>> cooler_words(Settings("Demo", "DE"), records, at)
    'cooler 6.2 °C at 09:00, above 5 °C: no warm-up and no pH advice; follow your...
    """
    last: dict[str, Row] = {}
    for row in records.temperatures:
        place = row["place"].casefold()
        if row["at"] <= at and is_cooler(place):
            known = last.get(place)
            if known is None or row["at"] >= known["at"]:
                last[place] = row
    warm = [r for r in last.values() if r["temp_c"] > settings.limits.cooler_c]
    if not warm:
        return ""
    zone = ZoneInfo(settings.timezone)
    show = settings.show_temperature
    found = ", ".join(
        f"{r['place']} {format_quantity(r['temp_c'], 'temp_c', show=show)} "
        f"at {r['at'].astimezone(zone):%H:%M}"
        for r in warm
    )
    limit = format_quantity(settings.limits.cooler_c, "temp_c", show=show)
    return f"{found}, above {limit}: no warm-up and no pH advice; {FOOD_SAFETY}"


def clock(hours: float) -> str:
    """Write hours as a cook says them.

    Examples
    --------
    >>> clock(1.5), clock(4), clock(0.25), clock(27.4), clock(6151)
    ('1 h 30', '4 h', '15 min', '27 h', '256 days')
    """
    if hours > DAYS_FROM_H:
        return f"{hours / 24:.0f} days"
    minutes = round(hours * 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 24 * 60 or minutes % 60 == 0:
        return f"{round(minutes / 60)} h"
    return f"{minutes // 60} h {minutes % 60:02d}"
