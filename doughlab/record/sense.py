"""Sense: what records say about each other, about the plan and about the settings.

`checks` calls it; every finding names file, row and column and says what to do.
Errors cannot be used by the analysis; notes are used, but somebody should look.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from doughlab.errors import Problem, UnknownName, listed, suggest
from doughlab.record.balls import BallState, BallStates, hours_between
from doughlab.record.duplicates import AGAIN, second_codes
from doughlab.record.method import check_sample_temperatures
from doughlab.record.panel import check_consent
from doughlab.record.records import Records
from doughlab.record.serving import stand_ins
from doughlab.record.trainee import check_trainees
from doughlab.record.trust import check_calibrations
from doughlab.record.unlikely import (
    check_mix_slips,
    check_reading_counts,
    check_reading_slips,
    name_entries,
)
from doughlab.record.warmth import check_temperatures
from doughlab.settings import Settings
from doughlab.tables import PIERCED
from doughlab.water.targets import gate_words

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

Row = dict[str, Any]

MIXES, READINGS, BAKES = "record/mixes.csv", "record/readings.csv", "record/bakes.csv"
SCORES, NOTES, LOTS = "record/scores.csv", "record/notes.csv", "record/lots.csv"
ADD_JUDGE = "A new judge is added to judges in [panel] of trial.toml."
HOLD_OFF_H = 2.0
HOLD_OFF_SHARE = 0.05
FAR_OFF_H, FAR_OFF_SHARE = 12.0, 0.5  # so far off the planned hold is a problem; rule of ours
WARM_OFF_MIN = 10.0
MIX_OFF = timedelta(hours=12)
LOT_COLUMNS = {"flour_lot": "flour", "water_lot": "water", "preferment_lot": "preferment"}
FITTING_LOTS = {
    ("flour", "flour"), ("water", "water"), ("preferment", "preferment"), ("preferment", "starter"),
}  # fmt: skip


@dataclass
class _Look:
    """Settings, plan and records side by side, with what is looked up again and again."""

    settings: Settings
    plan: Plan | None
    records: Records

    @cached_property
    def states(self) -> Mapping[str, BallState]:
        """The state of every ball, each worked out where a record needs it."""
        return BallStates(self.plan, self.records) if self.plan is not None else {}

    @cached_property
    def balls(self) -> dict[str, Row]:
        """The plan's balls by id."""
        return {str(b["ball_id"]): b for b in self.plan.balls} if self.plan is not None else {}

    @cached_property
    def codes(self) -> dict[str, Any]:
        """The blind codes by ball; a spare has that of the ball in whose place it is."""
        codes = {ball: row.get("blind_code") for ball, row in self.balls.items()}
        instead = stand_ins(self.plan, self.records)
        return codes | {spare: codes[ball] for ball, spare in instead.items()}

    @cached_property
    def seconds(self) -> dict[str, int]:
        """The codes of second plates by ball, spares in place; empty without duplicates."""
        codes: dict[str, int] = second_codes(self.plan)
        instead = stand_ins(self.plan, self.records) if codes else {}
        return codes | {spare: codes[ball] for ball, spare in instead.items() if ball in codes}

    @cached_property
    def last_at(self) -> datetime | None:
        """The time of the last record."""
        return self.records.last_at

    @cached_property
    def batches(self) -> dict[str, Row]:
        """The plan's batches by id."""
        rows = self.plan.batches if self.plan is not None else ()
        return {str(b["batch_id"]): b for b in rows}


def check_sense(
    settings: Settings, plan: Plan | None, records: Records, *, formula: Formula | None = None
) -> list[Problem]:
    """List what does not make sense in the records of a trial.

    Parameters
    ----------
    settings : Settings
    plan : Plan or None
        Without a plan only what needs none is checked.
    records : Records
    formula : Formula, optional
        What a batch weighs, to find slips in its grams.

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> check_sense(Settings("Demo", "DE"), None, Records())
    []
    """
    look = _Look(settings, plan, records)
    return [
        *_check_mixes(look),
        *check_mix_slips(plan, records, formula),
        *_check_readings(look),
        *check_reading_counts(settings, records),
        *check_reading_slips(settings, records),
        *check_calibrations(settings, records),
        *_check_bakes(look),
        *_check_scores(look),
        *_check_score_doubles(look),
        *_check_sessions(look),
        *_check_holds(look),
        *_check_lost(look),
        *_check_notes(look),
        *check_temperatures(settings, records),
        *check_consent(settings, records),
        *check_trainees(settings, records),
        *check_sample_temperatures(settings, records),
    ]


def _error(path: str, row: Row, column: str, words: str) -> Problem:
    return Problem(path, words, row.get("_row"), column)


def _note(path: str, row: Row, column: str, words: str) -> Problem:
    return Problem(path, words, row.get("_row"), column, "note")


def _check_mixes(look: _Look) -> Iterator[Problem]:
    planned_at = {}
    if look.plan is not None:
        planned_at = {r["item"]: r["due_at"] for r in look.plan.schedule if r["step"] == "mix"}
    lots = {lot["lot_id"]: lot["kind"] for lot in look.records.lots}
    for row in look.records.mixes:
        order = [("mixed_at", row["mixed_at"]), ("balled_at", row["balled_at"]),
                 ("cooled_at", row["cooled_at"])]  # fmt: skip
        known = [(name, at) for name, at in order if at is not None]
        for (first, before), (second, after) in pairwise(known):
            if after < before:
                words = f"{second} lies before {first}. Correct the time that is wrong."
                yield _error(MIXES, row, second, words)
            elif hours_between(before, after) > 12:
                words = (
                    f"{second} lies {hours_between(before, after):.0f} h after {first}. "
                    "Is the date right?"
                )
                yield _note(MIXES, row, second, words)
        due_at = planned_at.get(row["batch_id"])
        if due_at is not None and abs(row["mixed_at"] - due_at) > MIX_OFF:
            words = (
                f"{row['batch_id']} was to be mixed on {due_at:%Y-%m-%d %H:%M}; this says "
                f"{row['mixed_at']:%Y-%m-%d %H:%M}. Is the date right?"
            )
            yield _note(MIXES, row, "mixed_at", words)
        yield from _check_mix_settings(look, row)
        words = gate_words(look.settings, look.batches.get(row["batch_id"], {}), row)
        if words:
            yield _note(MIXES, row, "water_ph", f"{row['batch_id']}: {words}")
        yield from _check_mix_lots(look.batches.get(row["batch_id"], {}), row, lots)


def _check_mix_settings(look: _Look, row: Row) -> Iterator[Problem]:
    """Compare what was done with the level that was planned."""
    batch = look.batches.get(row["batch_id"])
    for factor in look.settings.factors_set("day", "batch"):
        done = row.get(factor.column)
        if batch is None or done is None or not factor.values:
            continue
        nearest = min(factor.values, key=lambda v: abs(v - done))
        wanted = batch[factor.column]
        if abs(nearest - wanted) > 1e-6:
            words = (
                f"{factor.column} {done:g} is nearer to the level {nearest:g} than to "
                f"{wanted:g}, which {row['batch_id']} was planned with. The planned level is "
                "analysed; look whether the batch is the right one."
            )
            yield _note(MIXES, row, factor.column, words)
    if row["flour_g"] and row["water_g"] and row["water_g"] > 1.5 * row["flour_g"]:
        words = f"water_g {row['water_g']:g} is over one and a half times the flour."
        yield _note(MIXES, row, "water_g", f"{words} Are the two in the right columns?")


def _check_mix_lots(batch: Row, row: Row, lots: dict[str, str]) -> Iterator[Problem]:
    for column, kind in LOT_COLUMNS.items():
        lot, planned = row[column], batch.get(column)
        if lot is None:
            continue
        if planned is not None and lot != planned:
            words = f"{column} is '{lot}', the plan has '{planned}' for {row['batch_id']}."
            yield _note(MIXES, row, column, f"{words} Correct it, or leave a note on why.")
        elif (
            lot in lots
            and lots[lot] != kind
            and not (kind == "preferment" and lots[lot] == "starter")
        ):
            words = f"lot '{lot}' is a {lots[lot]} lot in {LOTS}; {kind} is wanted here."
            yield _error(MIXES, row, column, words)
        elif lot not in lots and (lots or planned is None):
            words = f"lot '{lot}' is not in {LOTS}.{suggest(lot, lots)}"
            yield _note(MIXES, row, column, f"{words} Write it down: doughlab record lot {lot}")


def _check_readings(look: _Look) -> Iterator[Problem]:
    kind = look.settings.reading_method.kind
    wanted = {r.column for r in look.settings.responses.values() if r.table == "readings"}
    for row in look.records.readings:
        state = look.states.get(row["ball_id"])
        if row["method"] not in (None, kind):
            words = (
                f"read by {row['method']}; this trial reads by {kind}. Methods are never pooled: "
                "the reading is left out."
            )
            yield _error(READINGS, row, "method", words)
        if wanted and all(row.get(c) is None for c in ("ph", "acidity_ml", *wanted)):
            words = f"there is no number in {', '.join(sorted(wanted))}. Enter it, or void the row."
            yield _error(READINGS, row, min(wanted), words)
        if state is None:
            continue
        if state.purpose == "bake" and state.readings and not _baked(look, state):
            words = (
                f"{state.ball_id} was planned for the bake. It is pierced now: never bake or "
                "serve it; take a spare."
            )
            yield _note(READINGS, row, "ball_id", words)
        if state.mixed_at is not None and row["read_at"] < state.mixed_at:
            words = _before(row["read_at"], "read_at", state.batch_id, "mixed", state.mixed_at)
            yield _error(READINGS, row, "read_at", words)
        elif state.balled_at is not None and row["read_at"] < state.balled_at:
            words = _before(row["read_at"], "read_at", state.batch_id, "balled", state.balled_at)
            yield _error(READINGS, row, "read_at", words)


def _before(at: datetime, name: str, item: str, done: str, since: datetime) -> str:
    """Say which two times cannot both be right, so that the wrong one can be found."""
    return (
        f"{name} {at.astimezone(since.tzinfo):%Y-%m-%d %H:%M} lies before {item} was {done} "
        f"({since:%Y-%m-%d %H:%M}). Correct the time that is wrong."
    )


def _baked(look: _Look, state: BallState) -> bool:
    return any(b["ball_id"] == state.ball_id for b in look.records.bakes)


def _check_bakes(look: _Look) -> Iterator[Problem]:
    seen: dict[str, Any] = {}
    for row in look.records.bakes:
        ball, state = row["ball_id"], look.states.get(row["ball_id"])
        if ball in seen:
            words = (
                f"{ball} was baked already in row {seen[ball]}. Take one of them back: "
                "doughlab record bake --void ENTRY --reason TEXT."
            )
            yield _error(BAKES, row, "ball_id", words)
        seen.setdefault(ball, row.get("_row"))
        if state is not None and (state.pierced or state.purpose in PIERCED):
            words = (
                f"{ball} is a ball for reading: it is pierced and never baked or served. Take the "
                "entry back, or correct the ball."
            )
            yield _error(BAKES, row, "ball_id", words)
        if state is not None and state.balled_at is not None and row["baked_at"] < state.balled_at:
            words = _before(row["baked_at"], "baked_at", state.batch_id, "balled", state.balled_at)
            yield _error(BAKES, row, "baked_at", words)
        yield from _check_bake_warmth(look, row, state)


def _check_bake_warmth(look: _Look, row: Row, state: BallState | None) -> Iterator[Problem]:
    out_at, warm_min = row["out_at"], row["warm_min"]
    if out_at is not None:
        minutes = hours_between(out_at, row["baked_at"]) * 60
        if minutes < 0:
            yield _error(BAKES, row, "out_at", "out_at lies after baked_at. Correct the time.")
        elif warm_min is not None and abs(minutes - warm_min) > WARM_OFF_MIN:
            words = f"warm_min {warm_min:g} and the two times ({minutes:.0f} min) do not agree."
            yield _note(BAKES, row, "warm_min", f"{words} Correct one of them.")
        elif minutes > 24 * 60:
            words = f"out_at lies {minutes / 60:.0f} h before baked_at. Is the date right?"
            yield _note(BAKES, row, "out_at", words)
    limit = look.settings.limits.warm_h
    if state is not None:
        spent = state.warm_h(row["baked_at"])
        if out_at is None and state.pulled_at is None and warm_min is not None:
            spent += warm_min / 60
        if spent > limit:
            words = (
                f"{row['ball_id']} spent {spent:.1f} h at room temperature; your limit is "
                f"{limit:g} h. Follow your food-safety plan."
            )
            yield _note(BAKES, row, "warm_min", words)


def _check_scores(look: _Look) -> Iterator[Problem]:
    settings = look.settings
    judges, rubric = settings.panel.judges, settings.rubric
    baked = {b["ball_id"] for b in look.records.bakes}
    for row in look.records.scores:
        if judges and row["judge"] not in judges:
            words = f"{UnknownName('judge', row['judge'], judges)} {ADD_JUDGE}"
            yield _error(SCORES, row, "judge", words)
        criterion = rubric.get(row["criterion"])
        if criterion is None:
            words = str(UnknownName("criterion", row["criterion"], rubric))
            yield _error(SCORES, row, "criterion", words)
        elif row["score"] is None:
            words = f"score for {row['criterion']} is empty. Enter it, or void the row."
            yield _error(SCORES, row, "score", words)
        elif not criterion.low <= row["score"] <= criterion.high:
            words = (
                f"score {row['score']:g} lies outside {criterion.low:g} to {criterion.high:g} "
                f"for {row['criterion']}. Correct it with a new entry and a reason."
            )
            yield _error(SCORES, row, "score", words)
        yield from _check_score_ball(look, row, baked)


def _check_score_ball(look: _Look, row: Row, baked: set[str]) -> Iterator[Problem]:
    ball, state = look.balls.get(row["ball_id"]), look.states.get(row["ball_id"])
    if ball is None or state is None:
        return
    code = look.codes.get(row["ball_id"])
    if row["blind_code"] not in (None, code, look.seconds.get(row["ball_id"])):
        words = (
            f"blind code {row['blind_code']} is not the one of {row['ball_id']}. Look on the "
            "sheet which ball was tasted."
        )
        yield _error(SCORES, row, "blind_code", words)
    if state.pierced or state.purpose in PIERCED:
        words = f"{row['ball_id']} is a ball for reading: pierced, never baked or served."
        yield _error(SCORES, row, "ball_id", f"{words} Correct the ball.")
    elif row["ball_id"] not in baked:
        words = f"{row['ball_id']} has scores, but no bake. Write the bake down, or the right ball."
        yield _note(SCORES, row, "ball_id", words)
    if state.used_at is not None and row["scored_at"] is not None:
        hours = hours_between(state.used_at, row["scored_at"])
        if hours < 0:
            words = _before(row["scored_at"], "scored_at", row["ball_id"], "baked", state.used_at)
            yield _error(SCORES, row, "scored_at", words)
        elif hours > 12:
            words = f"scored_at lies {hours:.0f} h after the bake. Is the time right?"
            yield _note(SCORES, row, "scored_at", words)


def _check_score_doubles(look: _Look) -> Iterator[Problem]:
    seen: dict[tuple[Any, ...], Any] = {}
    places: dict[tuple[Any, ...], tuple[str, Any]] = {}
    cards: dict[tuple[str, str], Any] = {}
    for row in look.records.scores:
        ball, judge, position = row["ball_id"], row["judge"], row["position"]
        second = row["blind_code"] is not None and row["blind_code"] == look.seconds.get(ball)
        plate = f"{ball}{AGAIN}" if second else ball
        key = (plate, judge, row["criterion"])
        if key in seen:
            words = (
                f"{judge} scored {row['criterion']} of {ball} already in row {seen[key]}. "
                "Neither is used until one is taken back: --void ENTRY --reason TEXT."
            )
            if (row.get("_row") or 0) < 0 < (seen[key] or 0):
                words = (
                    f"{judge} scored {row['criterion']} of {ball} already in row {seen[key]} of "
                    f"{SCORES}. The first one stays."
                )
            yield _error(SCORES, row, "criterion", words)
        seen.setdefault(key, row.get("_row"))
        if position is None:
            continue
        card = cards.setdefault((plate, judge), position)
        if card != position:
            words = f"{judge} tasted {ball} at place {card} and at place {position}. Correct one."
            yield _note(SCORES, row, "position", words)
            continue
        session = look.balls.get(ball, {}).get("session")
        other, where = places.setdefault((session, judge, position), (plate, row.get("_row")))
        if session is not None and other != plate:
            words = f"{judge} tasted {other} at place {position} of {session} too (row {where})."
            yield _note(SCORES, row, "position", f"{words} Correct one.")


def _check_sessions(look: _Look) -> Iterator[Problem]:
    if look.plan is None:
        return
    sessions = {b["session"] for b in look.plan.balls if b.get("session") is not None}
    for row in look.records.readings:
        planned = look.balls.get(row["ball_id"], {}).get("session")
        if row["session"] is None or row["session"] == planned:
            continue
        if row["session"] not in sessions:
            words = str(UnknownName("session", row["session"], sessions))
            yield _error(READINGS, row, "session", words)
        elif planned is not None:
            words = (
                f"session {row['session']} is given; {row['ball_id']} was planned for {planned}."
            )
            yield _note(READINGS, row, "session", words)


def _first_rows(look: _Look) -> dict[str, tuple[str, Row, str]]:
    """Find for every ball the row of its use: file, row and time column."""
    found: dict[str, tuple[str, Row, str]] = {}
    for path, rows, column in (
        (READINGS, look.records.readings, "read_at"),
        (BAKES, look.records.bakes, "baked_at"),
    ):
        for row in rows:
            have = found.get(row["ball_id"])
            if have is None or row[column] < have[1][have[2]]:
                found[row["ball_id"]] = (path, row, column)
    return found


def _check_holds(look: _Look) -> Iterator[Problem]:
    if look.settings.hold is None:
        return
    unknown: dict[str, list[str]] = {}
    for ball, (path, row, column) in _first_rows(look).items():
        state = look.states.get(ball)
        if state is None:
            continue
        if state.balled_at is None:
            unknown.setdefault(state.batch_id, []).append(ball)
        else:
            yield from _check_hold(look, state, path, row, column)
    for batch, balls in unknown.items():
        what = "balling time" if look.states[balls[0]].mixed_at else "mix"
        words = (
            f"no {what} of {batch} is recorded, so the hold of {listed(balls)} is not known. "
            f"Write it down: doughlab record mix {batch} balled_at=TIME"
        )
        yield Problem(MIXES, words, None, "batch_id")


def _check_hold(
    look: _Look, state: BallState, path: str, row: Row, column: str
) -> Iterator[Problem]:
    """Compare the hold of a ball with its planned one; far off it is a problem, once stored."""
    held, planned = state.hold_h, state.planned_hold_h
    if held is None or planned is None:
        return
    off = abs(held - planned)
    if off <= max(HOLD_OFF_H, HOLD_OFF_SHARE * planned):
        return
    words = f"{state.ball_id} was held {held:.1f} h, planned were {planned:g} h"
    longest = max(look.settings.limits.max_hold_h, planned) + HOLD_OFF_H
    if held <= longest and off <= max(FAR_OFF_H, FAR_OFF_SHARE * planned):
        words += ". The planned hold is analysed. Is the time right?"
        yield _note(path, row, column, words)
        return
    if held > longest:
        words += f" and your longest hold is {look.settings.limits.max_hold_h:g} h"
    words += (
        f". It is analysed as {planned:g} h all the same. If the time is wrong: "
        f"{_void_words(path, row, look.records.readings)}. Then write it down with its time."
    )
    stored = (row.get("_row") or 0) >= 0
    yield Problem(path, words, row.get("_row"), column, "error" if stored else "note")


def _void_words(path: str, row: Row, readings: Sequence[Row] = ()) -> str:
    """Say how an entry is taken back, with the readings of the same ball stored with it."""
    action = {READINGS: "reading", BAKES: "bake"}[path]
    own = [row]
    if path == READINGS:
        own = [r for r in readings if r["ball_id"] == row["ball_id"]]
        own = [r for r in own if r.get("entered_at") == row.get("entered_at")]
    entry = name_entries(own or [row])
    return f"doughlab record {action} --void {entry} --reason TEXT"


def _check_lost(look: _Look) -> Iterator[Problem]:
    first = _first_rows(look)
    for row in look.records.notes:
        if row["kind"] != "lost":
            continue
        about = row["about"]
        if look.plan is not None and about not in look.balls and about not in look.batches:
            words = f"'{about}' is no ball or batch of the plan, so it cannot be lost."
            yield _error(NOTES, row, "about", words + suggest(about, look.balls))
        if about in first and (row.get("_row") or 0) < 0:
            path, used, _ = first[about]
            words = (
                f"{about} is used already ({path}, row {used.get('_row')}), so it cannot be "
                "marked lost too. Nothing was stored. If it was lost after all, take that entry "
                f"back first: {_void_words(path, used)}"
            )
            yield _error(NOTES, row, "about", words)
        elif about in first:
            path, used, _ = first[about]
            words = (
                f"{about} is marked lost, but {path}, row {used.get('_row')}, used it. It is left "
                "out until one of the two is taken back: --void ENTRY --reason TEXT."
            )
            yield _error(NOTES, row, "about", words)


def _check_notes(look: _Look) -> Iterator[Problem]:
    if look.plan is None:
        return
    known = {look.settings.code, "trial", *look.balls, *look.batches}
    known |= {str(b["block"]) for b in look.plan.batches}
    known |= {str(b["session"]) for b in look.plan.balls if b.get("session") is not None}
    known |= {lot["lot_id"] for lot in look.records.lots}
    known |= {c["calibration_id"] for c in look.records.calibrations}
    for row in look.records.notes:
        if row["kind"] == "pulled":
            state = look.states.get(row["about"])
            if state is None:
                words = (
                    f"'{row['about']}' is no ball of the plan.{suggest(row['about'], look.balls)}"
                )
                yield _error(NOTES, row, "about", words)
            elif state.balled_at is not None and row["at"] < state.balled_at:
                words = _before(row["at"], "at", state.batch_id, "balled", state.balled_at)
                yield _error(NOTES, row, "at", words)
            elif state.used_at is not None and row["at"] > state.used_at:
                words = f"at lies after {row['about']} was used. Correct the time."
                yield _error(NOTES, row, "at", words)
        elif row["kind"] == "consent":
            judges = look.settings.panel.judges
            if judges and row["about"] not in judges:
                words = f"{UnknownName('judge', row['about'], judges)} {ADD_JUDGE}"
                yield _error(NOTES, row, "about", words)
        elif row["kind"] not in {"lost", "care"} and row["about"] not in known:
            words = f"'{row['about']}' is nothing of this trial.{suggest(row['about'], known)}"
            yield _error(NOTES, row, "about", words)
    yield from _check_lot_times(look)


def _check_lot_times(look: _Look) -> Iterator[Problem]:
    """Find lots that were used before they were made."""
    made = {lot["lot_id"]: lot for lot in look.records.lots if lot["made_at"] is not None}
    first: dict[str, Row] = {}
    for mix in look.records.mixes:
        for column in LOT_COLUMNS:
            lot = mix[column]
            if lot in made and mix["mixed_at"] < first.get(lot, mix)["mixed_at"]:
                first[lot] = mix
            elif lot in made:
                first.setdefault(lot, mix)
    for lot_id, mix in first.items():
        lot = made[lot_id]
        if lot["made_at"] > mix["mixed_at"]:
            words = f"made_at lies after {mix['batch_id']} was mixed with it. Correct the time."
            yield _error(LOTS, lot, "made_at", words)
