"""The desk: words as typed at the bench, made into drafts of rows.

`entry` calls the builder of an action and judges what comes out. Nothing is stored or judged
here; a draft keeps apart what was typed and what was only assumed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError, UnknownName, listed
from doughlab.record.clock import parse_when
from doughlab.record.draft import JOURNAL_NAMES, Draft, name_item
from doughlab.record.duplicates import find_duplicate
from doughlab.record.folder import TrialFolder
from doughlab.record.meter import (
    fit_calibration,
    free_calibration_id,
    known_buffers,
    last_calibration,
    read_points,
)
from doughlab.record.names import find_column, find_id, list_bare
from doughlab.record.records import STATED_AT
from doughlab.record.series import GAP_MIN
from doughlab.record.serving import code_of, stand_ins
from doughlab.tables import Table
from doughlab.units import format_quantity

Row = dict[str, Any]
_SLOPE = re.compile(r"[0-9]+(?:[.,][0-9]+)? ?%?")
_PAIR = re.compile(r"([a-z][a-z0-9_ -]*)=(.*)", re.DOTALL | re.IGNORECASE)
_BARE_CLOCK = re.compile(r"\d{1,2}([:.h]\d{2})?(:\d{2})?\s*([ap]\.?m\.?)?|noon", re.IGNORECASE)
_LISTED = re.compile(r"[,;]|\band\b", re.IGNORECASE)


@dataclass(frozen=True)
class Asked:
    """What was asked to be written down.

    Attributes
    ----------
    action : str
        A key of `ACTIONS`.
    words : tuple of str
        Item, numbers, text and column=value pairs, as typed.
    now : datetime
        When it is entered, with offset.
    at : str
        When it happened, as typed; empty means now.
    replaces, void : str
        Id, or the beginning of the id, of the entry that is corrected or taken back.
    reason : str
        Why it is corrected.
    device : bool
        Whether the time is that of a phone's clock: one that runs ahead is said, not refused.
    """

    action: str
    words: tuple[str, ...]
    now: datetime
    at: str = ""
    replaces: str = ""
    void: str = ""
    reason: str = ""
    device: bool = False


class Desk:
    """One request with the trial it is about; the builders take what they need from it."""

    def __init__(self, contents: TrialFolder, asked: Asked, table: Table) -> None:
        self.contents = contents
        self.settings = contents.settings
        self.asked = asked
        self.table = table
        self.at = self.when(asked.at or "now", "--at")
        self.words: list[str] = []
        self.clocks: set[str] = set()  # columns whose time was typed without a day
        self.pairs: Row = {}
        self.criteria: dict[str, str] = {}
        self._part(asked.words)

    def when(self, text: str, what: str, *, day: datetime | None = None) -> datetime:
        """Read a time as typed, at the place of the trial; without a day it is of `day`, or now."""
        now, zone = day or self.asked.now, self.settings.timezone
        near = None if text == "now" or text[:2] == "20" else self.contents.plan_day(now)
        return parse_when(text, timezone=zone, now=now, what=what, near=near)

    def _part(self, words: Sequence[str]) -> None:
        rubric = self.settings.rubric if self.table.name == "scores" else {}
        columns = {c.name: c for c in self.table.columns if c.name not in JOURNAL_NAMES}
        for word in words:
            found = _PAIR.fullmatch(word)
            name, text = self._named(found, columns) if found else ("", "")
            free = self.table.name in ("notes", "calibrations")  # text and buffers have an = too
            if found is None or (free and name not in columns):
                self.words.append(word)
            elif name in rubric:
                self.criteria[name] = text
            elif name not in columns:
                raise self._unknown(name, text, [*columns, *rubric])
            elif columns[name].kind == "datetime" and text:
                self.pairs[name] = self._column_time(name, text)
            else:
                self.pairs[name] = text

    def _named(self, found: re.Match[str], columns: Mapping[str, Column]) -> tuple[str, str]:
        """Give the column and the text of a pair; a kitchen word finds its column."""
        name, text = found[1].strip(), found[2].strip()
        if name.casefold() in self.settings.rubric and self.table.name == "scores":
            return name.casefold(), text
        if self.table.name == "notes":
            return name, text
        if name.casefold() in {"temp", "temp_c"} and self.table.name == "readings":
            return "sample_temp_c", text  # as a calibration says it
        return find_column(name, text, columns), text

    def _unknown(self, name: str, text: str, known: Sequence[str]) -> InputError:
        word = name.casefold()
        fits = [k for k in known if k.startswith(f"{word}_")]
        fits = fits or [k for k in known if f"_{word}_" in k]
        if len(fits) > 1:
            pairs = [(m[1], m[2]) for w in self.asked.words if (m := _PAIR.fullmatch(w))]
            bare = list_bare(pairs, {c.name: c for c in self.table.columns})
            fahrenheit = bare and self.settings.show_temperature == "F"
            more = f" The others need F or C too: {' '.join(bare)}." if fahrenheit else ""
            return InputError(
                f"{name}={text} may be {', '.join(fits[:-1])} or {fits[-1]}. Write the whole name, "
                f"or the unit behind the number, such as {fits[0]}=54F or {name}=54F.{more}"
            )
        return UnknownName(f"column of {self.table.path}", name, known)

    def _column_time(self, name: str, text: str) -> datetime:
        """Read the time of a column; a bare clock time is of the day that --at names."""
        if _BARE_CLOCK.fullmatch(text) and not self.asked.at:
            self.clocks.add(name)
        return self.when(text, name, day=self.at if self.asked.at else None)

    def draft(self, typed: Mapping[str, Any], **assumed: Any) -> Draft:
        """Make a draft of what the builder found, the pairs and the time."""
        given = {k: v for k, v in typed.items() if v not in (None, "")} | self.pairs
        column = STATED_AT[self.table.name][0]
        if self.asked.at:
            given.setdefault(column, self.at)
        return Draft(given, {column: self.at, **assumed})

    def item(self, what: str) -> str:
        """Take the first plain word: the item that the entry is about."""
        if self.words:
            return self.words.pop(0)
        if self.asked.replaces:
            return ""
        raise InputError(f"Name the {what}: {self.example}")

    @property
    def example(self) -> str:
        """How the action is typed."""
        return f"doughlab record {self.asked.action} {ACTIONS[self.asked.action].example}"

    def nothing_more(self) -> None:
        """Refuse plain words that nobody asked for."""
        if self.words:
            raise InputError(
                f"'{self.words[0]}' was not expected. Write a column as name=value: {self.example}"
            )

    def ball(self, word: str) -> str:
        """Find the ball of an id, of a label or of a blind code."""
        code, slash, rest = word.partition("/")
        if slash:
            if code != self.settings.code:
                raise InputError(
                    f"'{word}' is a label of another trial: this one has the code "
                    f"{self.settings.code}. Look at the label, or name the right folder."
                )
            word = rest
        if self.contents.plan is not None and re.fullmatch(r"[1-9][0-9]{2}", word):
            return self._blind(int(word))
        return self.known("ball_id", word)

    def ball_only(self, word: str) -> str:
        """Find a ball; for the id of a batch name its balls that would fit."""
        found = self.ball(word)
        plan = self.contents.plan
        batch = self.batch(word)
        if plan is None or all(b["batch_id"] != batch for b in plan.batches):
            return found
        fitting = {"reading": ("ph",), "bake": ("bake", "spare"), "score": ("bake", "spare")}
        wanted = fitting.get(self.asked.action)
        own = [
            str(b["ball_id"])
            for b in plan.balls
            if b["batch_id"] == batch and (wanted is None or b["purpose"] in wanted)
        ]
        raise InputError(f"{batch} is a batch. Name the ball: {listed(own, shown=8)}.")

    def batch(self, word: str) -> str:
        """Find the batch of an id as it is typed."""
        return self.known("batch_id", word)

    def known(self, key: str, word: str) -> str:
        """Find an id of the plan as it is typed; the word itself where there is none."""
        plan = self.contents.plan
        rows = () if plan is None else plan.balls if key == "ball_id" else plan.batches
        return find_id(word, (str(r[key]) for r in rows))

    def _blind(self, code: int) -> str:
        plan = self.contents.plan
        balls = [b for b in (plan.balls if plan else ()) if b.get("blind_code") == code]
        if len(balls) > 1:
            baked = {b["ball_id"] for b in self.contents.records.bakes}
            scored = {s["ball_id"] for s in self.contents.records.scores}
            fresh = [b for b in balls if b["ball_id"] in baked - scored]
            balls = fresh if len(fresh) == 1 else balls
        twice = find_duplicate(plan, code)
        if len(twice) == 1 and not balls:  # the second plate of a ball
            balls = [self.planned(twice[0])]
            self.pairs.setdefault("blind_code", str(code))
        if len(balls) == 1:
            ball = str(balls[0]["ball_id"])
            return stand_ins(plan, self.contents.records).get(ball, ball)
        if not balls:
            raise InputError(f"No ball has the blind code {code}. Look at the sheet again.")
        sessions = ", ".join(str(b["session"]) for b in balls)
        raise InputError(
            f"Blind code {code} stands in several sessions ({sessions}). Give the ball instead."
        )

    def planned(self, ball: str) -> Row:
        """Give the plan's row of a ball; empty where there is none."""
        plan = self.contents.plan
        return next((dict(b) for b in (plan.balls if plan else ()) if b["ball_id"] == ball), {})

    def numbers(self) -> tuple[str, list[str]]:
        """Take the plain words as numbers, with the column that they belong to."""
        own = [r.column for r in self.settings.responses.values() if r.table == self.table.name]
        columns = list(dict.fromkeys(own))
        column = "ph" if "ph" in columns else columns[0] if len(columns) == 1 else ""
        numbers, self.words = self.words, []
        if numbers and not column:
            names = ", ".join(n for n in self.table.names if n not in JOURNAL_NAMES)
            raise InputError(f"Say what {numbers[0]} is: write name=value. Known: {names}.")
        return column, numbers


def _build_mix(desk: Desk) -> list[Draft]:
    batch = desk.batch(desk.item("batch"))
    desk.nothing_more()
    before = [m for m in desk.contents.records.mixes if m["batch_id"] == batch]
    if before:
        _date_clocks(desk, before[0]["mixed_at"])
    draft = desk.draft({"batch_id": batch})
    if before and not desk.asked.replaces:
        return [_completed(desk, before[0], draft.typed)]
    return [draft]


def _date_clocks(desk: Desk, mixed_at: datetime | None) -> None:
    """Set times typed without a day into the day after the mix: they are typed in later."""
    for name in desk.clocks & {"balled_at", "cooled_at"}:
        at = desk.pairs[name]
        if mixed_at is not None:
            days = (at - mixed_at).days  # whole days, rounded down: also for a time before it
            desk.pairs[name] = at - timedelta(days=days)


def _completed(desk: Desk, base: Row, typed: Row) -> Draft:
    """Add to an entry that is written down; a change of what stands there needs a reason."""
    item, (stated, *_) = base[name_item(desk.table)], STATED_AT[desk.table.name]
    changed, added = [], False
    for name, value in typed.items():
        column = desk.table.column(name)
        new = column.read(value if isinstance(value, str) else column.write(value))
        added = added or base[name] != new
        if base[name] not in (None, new):
            changed.append(f"{name} is {_cell_words(desk, column, base[name])}")
    done, example = {
        "mixes": ("mixed", "balled_at=now"), "bakes": ("baked", "core_temp_c=64F"),
    }[desk.table.name]  # fmt: skip
    if not added:
        raise InputError(
            f"{item} is written down already, {done} {base[stated]:%Y-%m-%d %H:%M}. "
            f"Add to it with name=value, such as {example}."
        )
    if changed and not desk.asked.reason:
        words = f"{item}: {', '.join(changed)} already."
        if len(changed) == 1 and desk.asked.at and stated not in desk.pairs:
            words += f" To add to it leave --at out: an hour is taken of the day it was {done}."
        raise InputError(f"{words} To change it say why: --reason TEXT")
    return Draft(typed, {}, base)


def _cell_words(desk: Desk, column: Column, value: Any) -> str:
    """Write a value as people read it, temperatures in the unit of the trial."""
    if column.kind == "number" and column.unit:
        show = desk.settings.show_temperature if column.unit == "temp_c" else ""
        return format_quantity(value, column.unit, show=show)
    return column.write(value)


def _build_reading(desk: Desk) -> list[Draft]:
    ball = desk.ball_only(desk.item("ball"))
    if not desk.asked.replaces and any(b["ball_id"] == ball for b in desk.contents.records.bakes):
        raise InputError(
            f"{ball} is baked already, so no dough of it is left to read. Nothing was stored. "
            "Look at the label of the ball that was read."
        )
    column, numbers = desk.numbers()
    given = bool(numbers) or bool(set(desk.pairs) & {column, "ph", "acidity_ml"})
    if not given and not desk.asked.replaces:
        return _beside_readings(desk, ball)
    method = desk.settings.reading_method
    read_at = desk.pairs.get("read_at") or desk.at
    instrument = desk.pairs.get("instrument") or method.instrument or None
    calibration = _last_calibration(desk, read_at, instrument)
    assumed = {
        "method": method.kind,
        "prepared": method.prepared,
        "instrument": instrument or (calibration or {}).get("instrument"),
        "calibration_id": (calibration or {}).get("calibration_id"),
        "session": desk.planned(ball).get("session"),
    }
    values = [{column: n} for n in numbers] or [{}]
    return [desk.draft({"ball_id": ball, **value}, **assumed) for value in values]


def _beside_readings(desk: Desk, ball: str) -> list[Draft]:
    """Add what was forgotten beside readings, such as the sample's temperature.

    The ball's last readings of one time are meant, those that lack it.
    """
    stored = [r for r in desk.contents.records.readings if r["ball_id"] == ball]
    added = [n for n in desk.pairs if n != "read_at"]
    if not stored or not added:
        raise InputError(f"Give the number too: {desk.example}")
    last = max(r["read_at"] for r in stored)
    set_ = [r for r in stored if last - r["read_at"] < timedelta(minutes=GAP_MIN)]
    lacking = [r for r in set_ if all(r[n] is None for n in added)]
    if not lacking:
        names = ", ".join(f"{n} {_cell_words(desk, desk.table.column(n), set_[0][n])}"
                          for n in added if set_[0][n] is not None)  # fmt: skip
        raise InputError(
            f"The readings of {ball} have {names} already. To change one: --replaces with its "
            "entry, and --reason TEXT."
        )
    return [Draft({n: desk.pairs[n] for n in added}, {}, r) for r in lacking]


def _last_calibration(desk: Desk, at: datetime, instrument: str | None) -> Row | None:
    if desk.settings.reading_method.kind == "strip":
        return None
    return last_calibration(desk.contents.records.calibrations, at, instrument)


def _build_bake(desk: Desk) -> list[Draft]:
    ball = desk.ball_only(desk.item("ball"))
    more = [w for w in desk.words if desk.planned(desk.known("ball_id", w))]
    if more:
        raise InputError(
            f"One ball at a time: {more[0]} has a time and a core of its own. Nothing was stored."
        )
    column, numbers = desk.numbers()
    if len(numbers) > 1:
        raise InputError(f"One bake has one {column}; {len(numbers)} numbers were given.")
    out = [
        n["at"]
        for n in desk.contents.records.notes
        if n["kind"] == "pulled" and n["about"] == ball and n["at"] is not None
    ]
    value = {column: numbers[0]} if numbers else {}
    draft = desk.draft({"ball_id": ball, **value}, out_at=min(out, default=None))
    before = [b for b in desk.contents.records.bakes if b["ball_id"] == ball]
    if before and not desk.asked.replaces:
        return [_completed(desk, before[0], draft.typed)]
    return [draft]


def _build_score(desk: Desk) -> list[Draft]:
    ball = desk.ball_only(desk.item("ball or blind code"))
    judge = desk.words.pop(0) if desk.words else ""
    desk.nothing_more()
    alone = desk.asked.replaces or "criterion" in desk.pairs
    if not desk.criteria and not alone:
        known = " ".join(f"{name}=" for name in desk.settings.rubric)
        raise InputError(f"Give the scores by criterion: {known or 'criterion=NAME score=N'}")
    code = code_of(desk.contents.plan, desk.contents.records, ball)
    cards = [{"criterion": c, "score": s} for c, s in desk.criteria.items()] or [{}]
    return [desk.draft({"ball_id": ball, "judge": judge, **c}, blind_code=code) for c in cards]


def _build_lot(desk: Desk) -> list[Draft]:
    lot = desk.item("lot")
    kind = desk.words.pop(0) if desk.words else ""
    desk.nothing_more()
    return [desk.draft({"lot_id": lot, "kind": kind})]


def _build_note(desk: Desk) -> list[Draft]:
    about = desk.batch(desk.ball(desk.item("trial, day, batch or ball")))
    return [desk.draft({"about": about, "note": " ".join(desk.words)}, kind="note")]


def _build_lost(desk: Desk) -> list[Draft]:
    about = desk.batch(desk.ball(desk.item("ball")))
    note = " ".join(desk.words)
    if not desk.asked.replaces:
        _check_first_loss(desk, about)
        plan = desk.contents.plan
        batches = {str(b["batch_id"]) for b in plan.batches} if plan is not None else set()
        if about in batches and not note and not desk.pairs.get("note"):
            raise InputError(
                f"{about} is a whole batch. Say why it is lost: "
                f"doughlab record lost {about} mixer stopped"
            )
    return [desk.draft({"about": about, "note": note, "kind": "lost"})]


def _build_consent(desk: Desk) -> list[Draft]:
    judge = desk.item("judge")
    known = {j.casefold(): j for j in desk.settings.panel.judges}
    if judge and judge.casefold() not in known:
        unknown = UnknownName("judge", judge, desk.settings.panel.judges)
        raise InputError(f"{unknown} A new judge is added to judges in [panel] of trial.toml.")
    note = " ".join(desk.words)
    if not note and not desk.pairs.get("note") and not desk.asked.replaces:
        raise InputError(f"Say which allergies were told, or that there are none: {desk.example}")
    return [desk.draft({"about": known.get(judge.casefold(), ""), "note": note}, kind="consent")]


def _build_trainee(desk: Desk) -> list[Draft]:
    trainee = desk.item("trainee")
    words, desk.words = desk.words, []
    typed = dict(zip(("kind", "trainee_value", "experienced_value"), words, strict=False))
    if len(words) > 3:
        raise InputError(f"'{words[3]}' was not expected. Write it like: {desk.example}")
    given = {*typed, *desk.pairs}
    needed = {"kind", "trainee_value", "experienced_value"}
    if not needed <= given and not desk.asked.replaces:
        raise InputError(
            "Give reading or dose, then the trainee's number and the experienced person's: "
            f"{desk.example}"
        )
    known = desk.settings.training.experienced
    assumed = {"experienced": known[0]} if len(known) == 1 else {}
    return [desk.draft({"trainee": trainee, **typed}, **assumed)]


def _build_care(desk: Desk) -> list[Draft]:
    words, desk.words = " ".join(desk.words), []
    if not words and not desk.pairs.get("note") and not desk.asked.replaces:
        raise InputError(f"Say what was done to the meter: {desk.example}")
    meter = desk.settings.reading_method.instrument or "meter"
    return [desk.draft({"note": words}, about=meter, kind="care")]


def _check_first_loss(desk: Desk, about: str) -> None:
    """Refuse to mark the same ball or batch, or a ball of a lost batch, as lost once more."""
    batch = desk.planned(about).get("batch_id")
    for row in desk.contents.records.notes:
        if row["kind"] == "lost" and row["about"] in {about, batch}:
            why = f" ({row['note']})" if row["note"] else ""
            raise InputError(
                f"{row['about']} is marked lost already{why}. Nothing was stored. To say it "
                f"better: doughlab record lost {row['about']} WHY "
                f"--replaces {str(row['entry_id'])[:8]} --reason TEXT"
            )


def _build_pulled(desk: Desk) -> list[Draft]:
    first = desk.item("ball")
    named = [w.strip() for word in (first, *desk.words) for w in _LISTED.split(word)]
    balls = [desk.ball_only(word) for word in named if word]
    return [desk.draft({"about": ball, "kind": "pulled"}) for ball in balls]


def _build_calibration(desk: Desk) -> list[Draft]:
    known = {c["calibration_id"] for c in desk.contents.records.calibrations}
    name, buffers = "", []
    for word in desk.words:
        if _SLOPE.fullmatch(word):
            desk.pairs.setdefault("slope_pct", word)
        elif "=" in word or ":" in word:
            buffers.append(word)
        elif name:
            raise InputError(f"'{word}' was not expected. Write it like: {desk.example}")
        else:
            name = word
    desk.words = []
    if buffers:
        _work_out(desk, buffers)
    told = {"slope_pct", "offset_mv", "buffers", "note"} & set(desk.pairs)
    if not told and not desk.asked.replaces:
        raise InputError(
            "Say what the meter showed, so that the buffers count: "
            "doughlab record calibration slope_pct=97.8, or the millivolts in each buffer: "
            "doughlab record calibration 7.00=-12mV 4.01=165mV temp_c=21. A meter that shows "
            'neither: note="no slope shown".'
        )
    meter = desk.settings.reading_method.instrument or "meter"
    assumed = {"calibration_id": free_calibration_id(known), "instrument": meter}
    return [desk.draft({"calibration_id": name}, **assumed)]


def _work_out(desk: Desk, buffers: Sequence[str]) -> None:
    """Work slope and offset out from millivolts in buffers; what was typed stays."""
    column = desk.table.column("temp_c")
    typed = desk.pairs.get("temp_c")
    if not typed:
        raise InputError(
            "The millivolts of a buffer need its temperature: add temp_c=21, as the thermometer "
            "in the buffer shows."
        )
    temp_c = float(column.read(str(typed)))
    tables = known_buffers(desk.settings)
    points = read_points(buffers, temp_c=temp_c, tables=tables)
    found = fit_calibration(points, temp_c=temp_c)
    desk.pairs.setdefault("offset_mv", f"{found.offset_mv:.1f}")
    if found.slope_pct is not None:
        _refuse_slope(found.slope_pct, buffers, desk)
        desk.pairs.setdefault("slope_pct", f"{found.slope_pct:.1f}")
    desk.pairs.setdefault("buffers", "; ".join(f"{p.ph:.2f} {p.mv:+g} mV" for p in points))


def _refuse_slope(slope_pct: float, buffers: Sequence[str], desk: Desk) -> None:
    """Refuse millivolts that no working probe shows, with what is usually wrong."""
    column = desk.table.column("slope_pct")
    low, high = column.low or 0.0, column.high or math.inf
    if not low <= slope_pct <= high:
        raise InputError(
            f"{' and '.join(buffers)} would be a slope of {slope_pct:.0f} % ({low:g} to {high:g} % "
            "is stored). Check that each number stands at its own buffer, with its sign; then "
            "rinse the probe, take fresh buffers and read again. Nothing was stored."
        )


def _build_temperature(desk: Desk) -> list[Draft]:
    place = desk.item("place")
    temp = " ".join(desk.words)
    if re.match(r"-?[0-9]", place) and temp and not re.match(r"-?[0-9]", temp):
        place, temp = temp, place  # "38F cooler"
    if not temp and "temp_c" not in desk.pairs and not desk.asked.replaces:
        raise InputError(f"Give the temperature too: {desk.example}")
    return [desk.draft({"place": place, "temp_c": temp})]


@dataclass(frozen=True)
class Action:
    """One thing that can be written down: where, how, and how it is typed."""

    table: str
    build: Callable[[Desk], list[Draft]]
    example: str
    help: str


ACTIONS: dict[str, Action] = {
    "mix": Action("mixes", _build_mix, 'B03 water_temp_c="59 F"',
                  "a batch was mixed; say it again to add to it"),
    "pulled": Action("notes", _build_pulled, "B03-2 B07-1", "balls came out of the cooler"),
    "reading": Action("readings", _build_reading, "B03-2 5.41 5.43 5.40",
                      "the meter's numbers, on a piece thrown away"),
    "bake": Action("bakes", _build_bake, "B03-4 core_temp_c=64F",
                   "a ball was baked; core_temp_c is of the dough, before the oven"),
    "score": Action("scores", _build_score, "417 ada crust=7 crumb=6.5",
                    "one judge's points, by blind code or ball"),
    "lot": Action("lots", _build_lot, "F2 flour", "a tank, flour, preferment or starter"),
    "note": Action("notes", _build_note, "B03 dough felt stiff", "anything worth keeping"),
    "lost": Action("notes", _build_lost, "B05-2 dropped", "a ball or a batch is lost"),
    "consent": Action("notes", _build_consent, 'ada "no allergies"',
                      "a judge agrees to taste, allergies told"),
    "care": Action("notes", _build_care, "protein cleaning, new storage liquid",
                   "something was done to the meter or its probe"),
    "trainee": Action("trainees", _build_trainee, "ben reading 5.42 5.40 experienced=ada",
                      "a trainee's number beside an experienced person's"),
    "calibration": Action("calibrations", _build_calibration, "7.00=-12mV 4.01=165mV temp_c=20",
                          "buffers were done"),
    "temperature": Action("temperatures", _build_temperature, "cooler 38F",
                          "of a room or cooler"),
}  # fmt: skip
