"""Sheets of a day: what stands on the bench sheet and on the judges' score sheets.

`sheets_book` and `sheets_print` set it as .xlsx and PDF, `sheets_read` reads it back by the same
fields. What is due is asked of `due`; nothing is judged or stored here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.errors import InputError
from doughlab.plan.lock import checksum
from doughlab.record.bench_forms import FORMS, asked_fields
from doughlab.record.due import Due, due
from doughlab.record.duplicates import plate_code, plated_ball
from doughlab.record.folder import TrialFolder, no_plan_words
from doughlab.record.journal import Journal
from doughlab.record.panel import list_unasked, tell_judges
from doughlab.record.records import Records
from doughlab.record.serving import list_hours, serve_orders
from doughlab.tables import TABLES

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

Json = dict[str, Any]
Row = dict[str, Any]

AT = "at"
NOTE_LINES = 8
ASK_FIRST = (
    "Not asked yet. Before the first sample: which allergies, and do you agree to taste? Answer "
    "and initials: ____________________ Whoever plates writes it down, then serves."
)
NOTE_KINDS = ("note", "lost")
# worksheet: (action, column that names the item, fields of the form beside the time)
PARTS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "Preferment": ("lot", "Lot", ("kind", "water_id", "ph", "note")),
    "Mix": ("mix", "Batch", (
        "mixed_at", "balled_at", "cooled_at", "room_temp_c", "flour_temp_c", "water_temp_c",
        "dough_temp_c", "mix_min", "water_ph", "acid", "acid_g", "flour_lot", "water_lot",
        "preferment_lot", "preferment_temp_c", "note")),
    "Take out": ("pulled", "Ball", ()),
    "Read": ("reading", "Ball", ("ph", "sample_temp_c", "note")),
    "Bake": ("bake", "Ball", ("core_temp_c", "oven_temp_c", "bake_s", "note")),
    "Temperature": ("temperature", "Place", ("temp_c", "note")),
    "Buffers": ("calibration", "Meter", ("temp_c", "buffer", "slope_pct", "note")),
    "Notes": ("note", "", ("note",)),
    "Scores": ("score", "Code", ()),
}  # fmt: skip
STEPS = {
    "preferment": "Preferment",
    "mix": "Mix",
    "take_out": "Take out",
    "read": "Read",
    "bake": "Bake",
}


@dataclass(frozen=True)
class Line:
    """One row of a sheet.

    Attributes
    ----------
    key : str
        The row's name, the same however often the sheet is made: "read B07-3".
    item : str
        Batch, ball, place, meter or blind code; empty where it is filled in.
    due : str
        Hour and minute.
    place, words : str
        Where it stands, and what to know while doing it.
    """

    key: str
    item: str
    due: str = ""
    place: str = ""
    words: str = ""


@dataclass(frozen=True)
class Part:
    """One worksheet: rows of one kind.

    Attributes
    ----------
    title : str
        A key of `PARTS`.
    fields : tuple of dict
        What is filled in: name, label, kind (time, number, choice, text), low, high, choices.
    lines : tuple of Line
    """

    title: str
    fields: tuple[Json, ...]
    lines: tuple[Line, ...]

    @property
    def action(self) -> str:
        """As of `doughlab record`."""
        return PARTS[self.title][0]

    @property
    def heads(self) -> tuple[str, ...]:
        """The labels of the fixed columns."""
        item = PARTS[self.title][1]
        if self.action == "score":
            return ("Row", item)
        if self.action in {"note", "temperature", "calibration"}:
            return ("Row", item) if item else ("Row",)
        return ("Row", "Due", item, "Place", "What to do")

    def cells(self, line: Line) -> tuple[str, ...]:
        """Give the texts of the fixed columns."""
        texts = {"Row": line.key, "Due": line.due, "Place": line.place, "What to do": line.words}
        texts |= {PARTS[self.title][1]: line.item} if PARTS[self.title][1] else {}
        return tuple(texts[h] for h in self.heads)


@dataclass(frozen=True)
class Sheet:
    """A file to fill in.

    Attributes
    ----------
    kind : str
        "bench" or "scores".
    code, name : str
        Of the trial.
    day : date
    mark : str
        Checksum of the plan's rows that the sheet is about; see `plan_mark`.
    parts : tuple of Part
    judge, session : str
        Of a score sheet.
    source : str
        Where the records come from, as of trial.toml.
    contains : str
        Allergens of the samples.
    guide : tuple of str
        What a judge is told before the first sample.
    breaks : tuple of str
        Of a score sheet: the hour of the sitting of each line; empty where one sitting is all.
    """

    kind: str
    code: str
    name: str
    day: date
    mark: str
    parts: tuple[Part, ...]
    judge: str = ""
    session: str = ""
    source: str = "own"
    contains: str = "wheat"
    guide: tuple[str, ...] = ()
    breaks: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """What stands on top."""
        invented = ", invented" if self.source == "invented" else ""
        who = f"Scores of {self.judge}, {self.session}" if self.judge else "Bench sheet"
        return f"{who}   {day_words(self.day)}   {self.code}{invented}"


def day_words(day: date) -> str:
    """Write a day as people say it.

    Examples
    --------
    >>> day_words(date(2026, 3, 5))
    'Thursday 5 March 2026'
    """
    return f"{day:%A} {day.day} {day:%B} {day.year}"


def need_plan(contents: TrialFolder) -> Plan:
    """Give the kept plan, with its dates.

    Raises
    ------
    InputError
        Where none is kept, or it has no dates.
    """
    if contents.plan is None:
        raise InputError(no_plan_words(contents.path))
    if not contents.plan.schedule:
        raise InputError(
            "The plan has no dates, so no day has a sheet: start_on in [blocks] of trial.toml was "
            "empty when it was kept."
        )
    return contents.plan


def list_day(contents: TrialFolder, day: date, *, now: datetime) -> list[Due]:
    """List what is due on a day and not done yet, in order of time.

    Batches that are still to be mixed before it are taken as mixed and balled on their hour.

    Parameters
    ----------
    contents : TrialFolder
    day : date
        At the place of the trial.
    now : datetime
        With offset.

    Returns
    -------
    list of Due
        Without the scores: they follow from the bakes.
    """
    plan = need_plan(contents)
    zone = ZoneInfo(plan.settings.timezone)
    end = datetime.combine(day, time(23, 59), zone)
    at = max(end, now)
    until = [_as_planned(plan, contents.records, datetime.combine(day, time(), zone)),
             _as_planned(plan, contents.records, end)]  # fmt: skip
    early, whole = (due(plan, r, at, formula=contents.formula) for r in until)
    first = [d for d in early if d.step in {"mix", "ball", "preferment"}]
    rest = [d for d in whole if d.step in {"take_out", "read", "bake"}]
    found = [d for d in first + rest if d.due_at.astimezone(zone).date() == day]
    return sorted(found, key=lambda d: d.due_at)


def _as_planned(plan: Plan, records: Records, until: datetime) -> Records:
    """Add the mixes that are still to come before a time, as the plan has them."""
    done = {m["batch_id"] for m in records.mixes}
    done |= {n["about"] for n in records.notes if n["kind"] == "lost"}
    times: dict[str, Row] = {}
    for row in plan.schedule:
        column = {"mix": "mixed_at", "ball": "balled_at"}.get(row["step"])
        if column and row["item"] not in done:
            times.setdefault(str(row["item"]), {})[column] = row["due_at"]
    table = plan.settings.table("mixes")
    blank = dict.fromkeys(table.names)
    rows = [
        {**blank, "balled_at": own["mixed_at"], **own, "batch_id": batch}
        for batch, own in times.items()
        if "mixed_at" in own and own["mixed_at"] < until
    ]
    journal = Journal(table, [*records.mixes, *rows])
    return Records({**records.journals, "mixes": journal})


def choose_day(contents: TrialFolder, *, now: datetime) -> date:
    """Choose the next day with something due, today included.

    Raises
    ------
    InputError
        Where nothing is due from today on.
    """
    plan = need_plan(contents)
    zone = ZoneInfo(plan.settings.timezone)
    today = now.astimezone(zone).date()
    planned = {r["due_at"].astimezone(zone).date() for r in plan.schedule}
    days = planned | {d + timedelta(days=1) for d in planned}  # a late mix moves its balls
    for day in sorted(d for d in days if d >= today):
        if list_day(contents, day, now=now):
            return day
    first, last = min(planned), max(planned)
    raise InputError(
        f"Nothing is due from today on; the plan goes from {first} to {last}. Name a day of it: "
        f"--day {last}"
    )


def build_bench(contents: TrialFolder, day: date, *, now: datetime) -> Sheet:
    """Build the bench sheet of a day.

    Parameters
    ----------
    contents : TrialFolder
    day : date
        At the place of the trial.
    now : datetime
        With offset; what is done by then does not stand on it.

    Returns
    -------
    Sheet
    """
    plan = need_plan(contents)
    settings = contents.settings
    steps = list_day(contents, day, now=now)
    parts = []
    for step, title in STEPS.items():
        lines = _numbered([d for d in steps if d.step == step], title)
        if lines:
            fields = list_fields(settings, title, preferment=contents.has_preferment)
            parts.append(Part(title, fields, lines))
    free = {"Temperature": ("cooler", "cooler", "room"), "Notes": ("",) * NOTE_LINES}
    if reads_by_meter(settings):
        meter = settings.reading_method.instrument or "meter"
        free = {"Temperature": free["Temperature"], "Buffers": (meter, meter),
                "Notes": free["Notes"]}  # fmt: skip
    for title, items in free.items():
        lines = tuple(Line(f"{title.lower()} {i}", item) for i, item in enumerate(items, start=1))
        parts.append(Part(title, list_fields(settings, title), lines))
    mark = plan_mark(plan, [line.item for p in parts for line in p.lines])
    return Sheet("bench", settings.code, settings.name, day, mark, tuple(parts),
                 source=settings.source, contains=settings.panel.contains)  # fmt: skip


def _numbered(steps: Sequence[Due], title: str) -> tuple[Line, ...]:
    """Make the rows of one kind; a ball that comes twice in a day is counted."""
    seen: dict[str, int] = {}
    lines = []
    for d in steps:
        seen[d.item] = seen.get(d.item, 0) + 1
        again = f" {seen[d.item]}" if seen[d.item] > 1 else ""
        key = f"{title.lower()} {d.item}{again}"
        lines.append(Line(key, d.item, f"{d.due_at:%H:%M}", d.place, d.words))
    return tuple(lines)


def reads_by_meter(settings: Settings) -> bool:
    """Tell whether the trial reads pH by a meter."""
    ph = any(r.table == "readings" and r.column == "ph" for r in settings.responses.values())
    return ph and settings.reading_method.kind != "strip"


def sessions_of(contents: TrialFolder, day: date, *, now: datetime) -> list[str]:
    """List the sessions whose bakes are due on a day."""
    plan = need_plan(contents)
    if not contents.settings.panel.judges or not any(
        r.kind == "score" for r in contents.settings.responses.values()
    ):
        return []
    balls = {d.item for d in list_day(contents, day, now=now) if d.step == "bake"}
    found = {str(plan.ball(b)["session"]) for b in balls if plan.ball(b)["session"]}
    return sorted(found)


def build_scores(contents: TrialFolder, day: date, session: str) -> list[Sheet]:
    """Build the score sheet of each judge of a session: codes in the judge's own order.

    No ball stands on it, shown or hidden; the codes are found again in the plan. What was pierced
    or lost is not on it, nor has a judge one who said no or is allergic to what the samples hold.

    Returns
    -------
    list of Sheet
        One for each judge.
    """
    plan = need_plan(contents)
    settings = contents.settings
    mark = plan_mark(plan, [str(b["ball_id"]) for b in plan.balls if b["session"] == session])
    fields = list_fields(settings, "Scores")
    out = []
    hours = list_hours(plan, session)
    for judge, order in serve_orders(plan, contents.records, session).items():
        if not order:
            continue
        lines = tuple(Line(f"place {i}", str(plate_code(plan, session, b))) for i, b in order)
        breaks = tuple(hours[plated_ball(b)] for _, b in order) if hours else ()
        part = Part("Scores", fields, lines)
        out.append(Sheet("scores", settings.code, settings.name, day, mark, (part,), judge,
                         session, settings.source, settings.panel.contains,
                         tuple(_ask_first(contents, judge) + _guide(settings, lines, breaks)),
                         breaks))  # fmt: skip
    return out


def _ask_first(contents: TrialFolder, judge: str) -> list[str]:
    """Say on the sheet of a judge who was not asked yet what is asked, with room to answer."""
    return [ASK_FIRST] if judge in list_unasked(contents.settings, contents.records) else []


def _guide(settings: Settings, lines: Sequence[Line], breaks: Sequence[str]) -> list[str]:
    """Write what a judge is told, when each sitting is, and what the points mean."""
    said = list(tell_judges(settings))
    sittings: dict[str, list[str]] = {}
    for line, hour in zip(lines, breaks, strict=False):
        sittings.setdefault(hour, []).append(line.key.rpartition(" ")[2])
    said += [f"Sitting at {hour}: places {own[0]} to {own[-1]}; then rest until the next."
             for hour, own in sittings.items()]  # fmt: skip
    return said + [
        f"{c.title or c.name.replace('_', ' ')}: {c.low:g} to {c.high:g}. {c.words}".strip()
        for c in settings.rubric.values() if c.weight > 0
    ]  # fmt: skip


def plan_mark(plan: Plan, items: Iterable[str]) -> str:
    """Give the checksum of the plan's rows of some batches and balls.

    An extension of the plan leaves it as it is; another plan changes it.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.settings import Settings
    >>> ball = {"ball_id": "B01-1", "batch_id": "B01", "purpose": "ph"}
    >>> plan = Plan(Settings("Demo", "DE"), (), (ball,), (), 1, "0")
    >>> plan_mark(plan, ["B01-1"]) == plan_mark(plan, ["B01-1", "cooler"])
    True
    """
    wanted = set(items)
    balls = [b for b in plan.balls if b["ball_id"] in wanted]
    mixed = wanted | {b["batch_id"] for b in balls}
    batches = [b for b in plan.batches if b["batch_id"] in mixed]
    return checksum([batches, balls])


def list_fields(settings: Settings, title: str, *, preferment: bool = True) -> tuple[Json, ...]:
    """List what is filled in on one worksheet, in the order of its columns.

    The temperature of a preferment is asked for where the formula has one.
    """
    action, _, wanted = PARTS[title]
    given = asked_fields(FORMS[action].fields(settings), preferment=preferment)
    if action == "score":
        own = [f for f in given if f["name"] != "judge"]
    else:
        own = [f for name in wanted for f in given if f["name"].partition("#")[0] == name]
    clock: Json = {"name": AT, "label": "Time", "kind": "time"}
    lead = [] if action == "mix" else [clock]
    if action == "note":
        lead += [
            {"name": "about", "label": "Ball, batch or trial", "kind": "text"},
            {"name": "kind", "label": "What", "kind": "choice", "choices": list(NOTE_KINDS)},
        ]
    if any(r.column == "acidity_ml" for r in settings.responses.values()) and action == "reading":
        extra = [f for f in given if f["name"] == "acidity_ml"]
        own = [*own[:-1], *extra, own[-1]]
    return tuple({**f, "strict": f["kind"] != "text"} for f in [*lead, *own])


def with_lots(sheet: Sheet, records: Records) -> Sheet:
    """Offer the lots that are written down as lists beside the lot columns of the mixes."""

    def offer(field: Json) -> Json:
        kind = str(field["name"]).removesuffix("_lot")
        kinds = {kind, "starter"} if kind == "preferment" else {kind}
        lots = [str(lot["lot_id"]) for lot in records.lots if lot["kind"] in kinds]
        fits = field["name"] in {"flour_lot", "water_lot", "preferment_lot"} and lots
        return {**field, "choices": list(dict.fromkeys(lots))} if fits else field

    parts = [replace(p, fields=tuple(map(offer, p.fields))) for p in sheet.parts]
    return replace(sheet, parts=tuple(parts))


def column_of(action: str, name: str) -> str:
    """Give the table column of a field."""
    base = name.partition("#")[0]
    own = {c.name for c in TABLES[FORMS[action].table].columns}
    return base if base in own else ""
