"""Datasets: one value per ball, or per judge and ball, joined with the frozen plan.

`analyse`, the decision room and the figures start here. What is missing, lost or left out is said.
Fitting is left to `models`; corrections and problems of the records are resolved by `record`.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd

from doughlab.analysis.standing import Standing, find_standing
from doughlab.analysis.wording import level_words
from doughlab.designed import LATIN
from doughlab.errors import MissingRecords, PlanError, listed
from doughlab.plan.model import PLACE
from doughlab.record.balls import BallState, ball_states
from doughlab.record.folder import no_plan_words
from doughlab.record.panel import find_barred
from doughlab.record.readings import ball_values, left_out
from doughlab.record.scores import ball_scores
from doughlab.sections import Factor, Response

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.record.records import Records
    from doughlab.settings import Settings

LOT_COLUMNS = ("flour_lot", "water_lot", "preferment_lot")
MIX_COLUMNS = ("room_temp_c", "dough_temp_c")
HOLD_SLACK_H = 2.0
ALL = Standing()


class TrialLike(Protocol):
    """What an analysis needs of a trial; `doughlab.Trial` has it.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> all(hasattr(trial, name) for name in ("settings", "records", "frozen_plan", "waters"))
    True
    >>> trial.settings.code, len(trial.frozen_plan.batches)
    ('LQ', 24)
    >>> len(trial.records.mixes), len(trial.waters)
    (24, 3)
    """

    @property
    def settings(self) -> Settings:
        """What trial.toml says."""
        ...

    @property
    def frozen_plan(self) -> Plan | None:
        """The plan as it was frozen, or None."""
        ...

    @property
    def records(self) -> Records:
        """All records, corrections resolved."""
        ...

    @property
    def waters(self) -> Mapping[str, Mapping[str, Any]]:
        """Rows of waters.csv by water_id."""
        ...


@dataclass(frozen=True)
class Dataset:
    """One response of a trial, ready to be fitted.

    Attributes
    ----------
    frame : DataFrame, one row per ball (per judge and ball for a score)
        y (in the response's unit), n_readings, spread (SD of the ball's readings), ball, batch,
        block, session, one column per factor (level as typed, ordered as in trial.toml), the lots
        that are planned or recorded (a batch without one has its own, under the batch's id),
        judge for scores, hold_actual_h (hours), room_temp_c and dough_temp_c at mixing; blank
        where not recorded.
    response : Response
    planned : int
        Balls that the plan reserves for it.
    missing : tuple of str
        Balls without a value that are not lost.
    lost : dict of str to str
        Lost balls without a value, with the reason.
    left_out : tuple of str
        What was recorded but not used, each with its reason.
    notes : tuple of str
        What was used, but should be known.
    changed : tuple of str
        "changed after the plan" sentences of the frozen plan.
    absent : dict of str to int
        Judge of the panel to the scores that are still due: of balls that others scored, in the
        last session that this judge scored or later, and not noted as staying away.
    standing : Standing
        Which batches the verdicts stand on, at which level, and why.
    whole : Dataset or None
        All that is recorded, where the verdicts stand on a part of it.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> data = analyse_demo("ph").dataset
    >>> data.recorded, data.interim
    (70, False)
    >>> data.batches
    24
    """

    frame: pd.DataFrame
    response: Response
    planned: int
    missing: tuple[str, ...] = ()
    lost: dict[str, str] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    absent: dict[str, int] = field(default_factory=dict)
    standing: Standing = ALL
    whole: Dataset | None = None

    @property
    def interim(self) -> bool:
        """Tell whether records are still to come."""
        return bool(self.missing) or bool(self.absent)

    @property
    def recorded(self) -> int:
        """Count the balls that have a value."""
        return int(self.frame["ball"].nunique())

    @property
    def batches(self) -> int:
        """Count the batches that have a value."""
        return int(self.frame["batch"].nunique())


def no_plan(trial: TrialLike) -> PlanError:
    """Make the error of a trial without a kept plan; it names the trial's folder.

    Examples
    --------
    >>> print(no_plan(None))
    This folder has no plan yet. Look at one, then keep it: doughlab plan --keep
    """
    return PlanError(no_plan_words(Path(getattr(trial, "folder", "."))))


def build_dataset(trial: TrialLike, response_name: str) -> Dataset:
    """Collect what one response of a trial is judged by: one value per ball, or judge and ball.

    The planned level of each factor stands in the frame, also where the kitchen missed it. Only
    batches that the verdicts stand on are in it: those of the last planned look that is reached,
    or of a part that is judged alone.

    Parameters
    ----------
    trial : TrialLike
        With a frozen plan.
    response_name : str
        A response of trial.toml, such as "ph".

    Returns
    -------
    Dataset

    Raises
    ------
    UnknownName
        For a response that trial.toml does not have.
    PlanError
        Where no plan was kept.
    MissingRecords
        Where nothing was recorded for the response.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> data = build_dataset(open_demo(), "ph")
    >>> data.frame[["ball", "batch", "y"]].head(2).round(2)
        ball batch     y
    0  B01-2   B01  5.62
    1  B01-3   B01  5.82
    """
    response = trial.settings.response(response_name)
    plan = trial.frozen_plan
    if plan is None:
        raise no_plan(trial)
    whole = _collect(trial, plan, response)
    every = {str(b["batch_id"]) for b in plan.batches}

    def collect(batch_ids: Sequence[str]) -> Dataset | None:
        if set(batch_ids) == every:
            return whole
        with suppress(MissingRecords):
            return _collect(trial, plan, response, frozenset(batch_ids))
        return None

    standing = find_standing(plan, collect)
    judged = collect(tuple(standing.batches)) if standing.batches is not None else whole
    if judged is None or judged is whole:
        return replace(whole, standing=replace(standing, batches=None))
    return replace(judged, standing=standing, whole=whole)


def _collect(
    trial: TrialLike, plan: Plan, response: Response, batches: frozenset[str] | None = None
) -> Dataset:
    """Collect all values of a response, or those of some batches."""
    settings = trial.settings
    states = ball_states(plan, trial.records)
    known = _planned_settings(plan, settings, trial.records)
    said = _Said()
    collect = _score_rows if response.table == "scores" else _measure_rows
    values = _without_pierced(collect(trial, response, known, said), response, trial.records, said)
    if batches is not None:
        values = [v for v in values if known[v["ball"]]["batch"] in batches]
    wanted = [b["ball_id"] for b in plan.balls if b["purpose"] == response.purpose
              and (batches is None or b["batch_id"] in batches)]  # fmt: skip
    rows = [v | known[v["ball"]] | _hold_of(states.get(v["ball"])) for v in values]
    rows = _with_settings(rows, known, settings, said)
    if not rows:
        raise MissingRecords(_nothing_words(response, len(wanted), said))
    have = {r["ball"] for r in rows}
    lost = {b: _reason(states[b]) for b in wanted if b not in have and _is_lost(states.get(b))}
    missing = tuple(b for b in wanted if b not in have and b not in lost)
    _note_odd(rows, states, response, said)
    _note_holds(rows, settings, said)
    _note_lots(rows, plan, said)
    return Dataset(
        frame=_frame(rows, settings),
        response=response,
        planned=len(wanted),
        missing=missing,
        lost=lost,
        left_out=tuple(said.left_out + _unreadable(trial.records, response)),
        notes=tuple(said.notes),
        changed=tuple(plan.changed),
        absent=_due_scores(rows, trial) if response.table == "scores" else {},
    )


@dataclass
class _Said:
    """Sentences gathered on the way."""

    left_out: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def _planned_settings(
    plan: Plan, settings: Settings, records: Records
) -> dict[str, dict[str, Any]]:
    """Give each ball of the plan its batch, block, session, levels and lots."""
    mixed = {row["batch_id"]: row for row in records.mixes}
    batches: dict[str, dict[str, Any]] = {}
    for row in plan.batches:
        name = row["batch_id"]
        out = {"batch": name, "block": row["block"]}
        for lot in LOT_COLUMNS:
            out[lot] = mixed.get(name, {}).get(lot) or row.get(lot)
        out |= {c: mixed.get(name, {}).get(c) for c in MIX_COLUMNS}
        for f in settings.factors_set("day", "batch"):
            out[f.name] = f.level_of(row[f.column])
        if settings.plan.design == LATIN:
            out[PLACE] = str(row["order"])
        batches[name] = out
    balls = {}
    for row in plan.balls:
        out = {"session": row.get("session"), "purpose": row["purpose"]}
        for f in settings.factors_set("ball"):
            value = row.get(f.column)
            out[f.name] = None if value is None else f.level_of(value)
        balls[row["ball_id"]] = batches[row["batch_id"]] | out
    return balls


def _measure_rows(
    trial: TrialLike, response: Response, known: Mapping[str, Any], said: _Said
) -> list[dict[str, Any]]:
    pairs = {ball for ball, own in known.items() if own["purpose"] == "pair"}
    found = ball_values(trial.records, trial.settings, response, without=pairs)
    said.left_out += left_out(trial.records, trial.settings, response, without=pairs)
    _leave_out_strangers([b for b in found if b not in known], response, said)
    return [
        {"ball": ball, "y": value.value, "n_readings": value.n, "spread": value.spread}
        for ball, value in found.items()
        if ball in known
    ]


def _score_rows(
    trial: TrialLike, response: Response, known: Mapping[str, Any], said: _Said
) -> list[dict[str, Any]]:
    found = ball_scores(trial.records, trial.settings, response)
    strangers = sorted({s.ball_id for s in found if s.ball_id not in known})
    _leave_out_strangers(strangers, response, said)
    rows, gaps, doubles = [], [], []
    for s in found:
        if s.ball_id not in known:
            continue
        if s.value is not None:
            rows.append({"ball": s.ball_id, "judge": s.judge, "y": s.value,
                         "n_readings": len(s.plates) or 1, "spread": s.spread})  # fmt: skip
        elif s.doubled:
            doubles.append(f"{s.judge} on {s.ball_id} ({', '.join(s.doubled)})")
        else:
            gaps.append(f"{s.judge} on {s.ball_id} ({', '.join(s.missing)})")
    for hit, words in ((gaps, "without a criterion"), (doubles, "with a criterion twice")):
        if hit:
            count = f"{len(hit)} scores" if len(hit) > 1 else "1 score"
            said.left_out.append(f"{count} {words} left out: {listed(hit, shown=3)}.")
    return rows


def _due_scores(rows: list[dict[str, Any]], trial: TrialLike) -> dict[str, int]:
    """Count for each judge of the panel the scores that are still to come.

    A session that a judge left out and scored later ones was missed, and counts as absent only.
    What is entered without a criterion is left out elsewhere, and is no longer due.
    """
    balls = {r["ball"]: r for r in rows}
    given: dict[str, set[str]] = {judge: set() for judge in trial.settings.panel.judges}
    for row in trial.records.scores:
        if row.get("judge") in given and row.get("ball_id") in balls:
            given[row["judge"]].add(row["ball_id"])
    found = {}
    for judge, scored in given.items():
        last = max((_order(balls[b]["session"]) for b in scored), default=(0, ""))
        due = [b for b, r in balls.items() if b not in scored and _order(r["session"]) >= last
               and not _is_away(judge, r, trial)]  # fmt: skip
        if due:
            found[judge] = len(due)
    return found


def _order(session: str | None) -> tuple[int, str]:
    """Sort sessions in time order: S9 before S10."""
    return (len(session or ""), session or "")


def _is_away(judge: str, row: Mapping[str, Any], trial: TrialLike) -> bool:
    """Tell whether a note about a ball, its batch, session or day, or the trial names a judge."""
    if judge in find_barred(trial.settings, trial.records):
        return True  # said no, or is allergic: no score of theirs is still to come
    places = {row["ball"], row["batch"], row["session"], row["block"], trial.settings.code}
    return any(
        n.get("about") in places and re.search(rf"\b{re.escape(judge)}\b", n.get("note") or "")
        for n in trial.records.notes
    )


def _leave_out_strangers(balls: list[str], response: Response, said: _Said) -> None:
    if balls:
        said.left_out.append(
            f"{response.words} of {listed(balls)} left out: not in the plan. See doughlab check."
        )


def _without_pierced(
    rows: list[dict[str, Any]], response: Response, records: Records, said: _Said
) -> list[dict[str, Any]]:
    """Leave out bakes and scores of balls that were pierced for a reading."""
    if response.purpose != "bake":
        return rows
    pierced = {r["ball_id"] for r in records.readings if r.get("ball_id")}
    hit = sorted({r["ball"] for r in rows if r["ball"] in pierced})
    if hit:
        said.left_out.append(
            f"{response.words} of {listed(hit)} left out: the ball was pierced for a reading "
            "before it was baked."
        )
    return [r for r in rows if r["ball"] not in pierced]


def _with_settings(
    rows: list[dict[str, Any]], known: Mapping[str, Any], settings: Settings, said: _Said
) -> list[dict[str, Any]]:
    """Give spare balls the tried hold they were used at; leave out what has no setting."""
    hold = settings.hold
    sessions = {} if hold is None else {
        (b["batch"], b[hold.name]): b["session"] for b in known.values() if b["session"]
    }  # fmt: skip
    kept, spares, without = [], [], []
    for row in rows:
        level = _nearest_hold(hold, row) if hold is not None and row[hold.name] is None else None
        if hold is not None and level is not None:
            session = row["session"] or sessions.get((row["batch"], level))
            row = row | {hold.name: level, "session": session}
            spares.append(row["ball"])
        if any(row[f] is None for f in settings.factors):
            without.append(row["ball"])
        else:
            kept.append(row)
    if spares:
        said.notes.append(f"Spares used: {listed(sorted(set(spares)))}, at the hold they had.")
    if without:
        said.left_out.append(
            f"{listed(sorted(set(without)))} left out: a spare used at none of the tried holds."
        )
    return kept


def _nearest_hold(hold: Factor, row: Mapping[str, Any]) -> str | None:
    """Find the tried hold that a ball was used at, within the slack."""
    actual = row["hold_actual_h"]
    if actual is None:
        return None
    nearest = min(hold.levels, key=lambda level: abs(_hours(hold, level) - actual))
    return nearest if abs(_hours(hold, nearest) - actual) <= HOLD_SLACK_H else None


def _hours(hold: Factor, level: str) -> float:
    return float(hold.value_of(level))


def _nothing_words(response: Response, planned: int, said: _Said) -> str:
    how = {
        "readings": "Enter readings: doughlab record reading",
        "bakes": "Enter bakes: doughlab record bake",
        "scores": "Enter scores: doughlab record score",
    }[response.table]
    why = " ".join(said.left_out)
    head = f"No {response.words} has been recorded for any of the {planned} balls planned."
    return " ".join(part for part in (head, why, how) if part)


def _hold_of(state: BallState | None) -> dict[str, Any]:
    return {"hold_actual_h": None if state is None else state.hold_h}


def _is_lost(state: BallState | None) -> bool:
    return state is not None and state.state == "lost"


def _reason(state: BallState) -> str:
    return state.lost_reason or "no reason given"


def _note_odd(
    rows: list[dict[str, Any]], states: Mapping[str, BallState], response: Response, said: _Said
) -> None:
    """Note lost balls that have a value, and balls planned for something else."""
    kept = sorted({r["ball"] for r in rows if _is_lost(states.get(r["ball"]))})
    if kept:
        said.notes.append(f"{listed(kept)} marked lost but recorded: the value counts.")
    other = sorted({r["ball"] for r in rows if r["purpose"] not in (response.purpose, "spare")})
    if other:
        said.notes.append(f"{listed(other)} planned for something else; the value counts.")


def _note_holds(rows: list[dict[str, Any]], settings: Settings, said: _Said) -> None:
    """Note balls that were used well off their planned hold."""
    hold = settings.hold
    if hold is None:
        return
    off = {}
    for r in rows:
        actual, level = r["hold_actual_h"], r[hold.name]
        if actual is not None and abs(actual - _hours(hold, level)) > HOLD_SLACK_H:
            off[r["ball"]] = f"{r['ball']} {actual:.1f} h instead of {level_words(hold, level)}"
    if off:
        balls = listed(list(off.values()), shown=3)
        said.notes.append(
            f"Held more than {HOLD_SLACK_H:g} h off the plan, which is analysed: {balls}."
        )


def _note_lots(rows: list[dict[str, Any]], plan: Plan, said: _Said) -> None:
    """Note lots that the plan does not name so, and batches without one."""
    for lot in LOT_COLUMNS:
        words = lot.replace("_", " ")
        planned = {b["batch_id"]: b.get(lot) for b in plan.batches}
        used = {r["batch"]: r[lot] for r in rows}
        named = {batch: name for batch, name in sorted(used.items()) if name is not None}
        if not 0 < len(set(named.values())) < len(named):
            continue
        lots = len(set(named.values()))
        if lots > 1 and not any(planned[batch] for batch in named):
            said.notes.append(
                f"{lots} {words}s were used, which the plan does not name: batches of one "
                f"{words} are not counted as independent of each other."
            )
        other = [f"{b} {n} instead of {planned[b]}" for b, n in named.items()
                 if planned[b] not in (None, n)]  # fmt: skip
        if other:
            said.notes.append(f"Another {words} than planned counts: {listed(other, shown=3)}.")
        blank = sorted(batch for batch in used if batch not in named)
        if blank:
            said.notes.append(
                f"No {words} is recorded for {listed(blank, shown=3)}: each counts as having one "
                "of its own."
            )


def _unreadable(records: Records, response: Response) -> list[str]:
    """Say which rows of the response's own table could not be read."""
    file = f"record/{response.table}.csv"
    hit = [p for p in records.problems if p.file == file and p.level == "error"]
    if not hit:
        return []
    lines = sorted({p.row for p in hit if p.row is not None})
    where = f", row {listed([str(n) for n in lines])}" if lines else ""
    return [f"{file}{where}: cannot be used. See doughlab check."]


def _frame(rows: Iterable[Mapping[str, Any]], settings: Settings) -> pd.DataFrame:
    """Make the frame; factor levels keep the order of trial.toml."""
    frame = pd.DataFrame(list(rows))
    for f in settings.factors.values():
        frame[f.name] = pd.Categorical(frame[f.name], categories=list(f.levels))
    for lot in LOT_COLUMNS:
        if frame[lot].isna().all():
            frame = frame.drop(columns=lot)
        else:
            frame[lot] = frame[lot].where(frame[lot].notna(), frame["batch"])
    for number in ("y", "spread", "hold_actual_h", *MIX_COLUMNS):
        frame[number] = frame[number].astype(float)
    order = ["y", "ball", "batch", "block", "session", *settings.factors]
    order += [c for c in (PLACE, *LOT_COLUMNS, "judge") if c in frame]
    order += ["n_readings", "spread", "hold_actual_h", *MIX_COLUMNS]
    return frame[order].sort_values(["ball", *(["judge"] if "judge" in frame else [])],
                                    ignore_index=True)  # fmt: skip


def count_levels(dataset: Dataset, factor: str) -> Counter[str]:
    """Count the batches that carry each level of a factor.

    Examples
    --------
    For a dataset of 24 batches with three waters: Counter({'tap': 8, 'bottled': 8, ...}).
    """
    pairs = dataset.frame[["batch", factor]].dropna().drop_duplicates()
    return Counter(pairs[factor].astype(str))
