"""Cards for the wall: the day by the hour, the plates, the buffers, the care of the meter.

`sheets_print` sets them. What is due is asked of `due`, the numbers of the buffers of `buffers`;
this module writes the words, and beside each where it comes from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.errors import OutOfRange
from doughlab.plan.meters import follow_study, is_meter_study
from doughlab.record.due import FOOD_SAFETY, Due, clock
from doughlab.record.duplicates import AGAIN, list_duplicates, plate_code, plated_ball
from doughlab.record.meter import known_buffers
from doughlab.record.panel import tell_served
from doughlab.record.serving import (
    list_hours,
    serve_orders,
    serve_session,
    unwritten_batches,
)
from doughlab.record.sheets_day import day_words, list_day, need_plan, sessions_of
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.record.buffers import BufferTable
    from doughlab.record.folder import TrialFolder
    from doughlab.settings import Settings

Json = dict[str, Any]

STEP_WORDS = {"mix": "mix", "ball": "ball", "take_out": "take out", "read": "read", "bake": "bake",
              "preferment": "preferment"}  # fmt: skip
TEMPS_C = (5.0, 10.0, 15.0, 18.0, 20.0, 22.0, 25.0, 30.0)
TEMPS_F = (40.0, 50.0, 60.0, 65.0, 70.0, 75.0, 77.0, 85.0)
MOST_OWN = 5
PRACTICE = "common practice, no source"
NOT_FOOD = (
    "Buffers, storage and cleaning solutions are not food: keep them away from dough, rinse the "
    "probe before and after, wash your hands."
)


def day_caution(settings: Settings) -> str:
    """Give the caution of a day's cards, with the allergens of [panel].

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> day_caution(Settings("Demo", "DE"))[:37]
    'Trial, not for sale. Contains wheat. '
    """
    return (
        f"Trial, not for sale. Contains {settings.panel.contains}. Raw flour and raw dough are not "
        "eaten. A pierced ball is thrown away, never baked or served. Wash hands after the phone "
        "and after raw dough. Never let acid meet chlorine sanitiser: the gas is toxic. Local code "
        "and licensed people decide."
    )


def wall_card(contents: TrialFolder, day: date, *, now: datetime, paper: str = "a4") -> Json:
    """Give the card of a day: what is due by the hour, the limits, and room for names."""
    settings = contents.settings
    steps = list_day(contents, day, now=now)
    rows = [[*row, ""] for row in _by_hour(steps)]
    limits = settings.limits
    cooler = format_quantity(limits.cooler_c, "temp_c", show=settings.show_temperature)
    lines = [
        f"At room temperature: {clock(limits.warm_h)} in all for each ball, before the cooler and "
        f"after it together (your limit, in trial.toml). Beyond it: {FOOD_SAFETY}.",
        f"Cooler: {cooler} or below. Warmer than that: no warm-up and no pH advice; {FOOD_SAFETY}.",
        f"A ball warms {settings.kitchen.warm_min:.0f} min before use unless its row says "
        "otherwise. Write down when it came out.",
        *_sitting_lines(contents, day, now),
    ]
    parts: list[Json] = [
        {"title": "By the hour", "heads": ["Hour", "What", "Which, and where", "To know", "Who"],
         "widths": [0, 0, 34, 32, 16], "size": 12, "rows": rows},
        {"title": "Limits of the day", "lines": lines},
    ]  # fmt: skip
    return _card(settings, f"{day_words(day)}   {settings.code}", settings.name, parts,
                 caution=day_caution(settings), paper=paper)  # fmt: skip


def _sitting_lines(contents: TrialFolder, day: date, now: datetime) -> list[str]:
    """Say when the panel sits, where it sits more than once, and who is not served."""
    plan = need_plan(contents)
    lines = []
    sessions = sessions_of(contents, day, now=now)
    for session in sessions:
        hours = list(dict.fromkeys(sorted(list_hours(plan, session).values())))
        if hours:
            lines.append(f"Panel {session}: sittings at {', '.join(hours)}, a rest between them.")
    return lines + (tell_served(contents.settings, contents.records) if sessions else [])


def _by_hour(steps: Sequence[Due]) -> list[tuple[str, str, str, str]]:
    """Set steps of one hour with the same words beside each other."""
    groups: dict[tuple[str, str, str], list[Due]] = {}
    for d in steps:
        groups.setdefault((f"{d.due_at:%H:%M}", d.step, d.words), []).append(d)
    out = []
    for (hour, step, words), same in groups.items():
        placed = [f"{d.item}   {d.place}" for d in same if d.place]
        items = "\n".join(placed) if len(placed) == len(same) else "   ".join(d.item for d in same)
        out.append((hour, STEP_WORDS[step], items, words))
    return out


def plates_card(
    contents: TrialFolder,
    sessions: Sequence[str],
    day: date,
    *,
    paper: str = "a4",
    now: datetime | None = None,
) -> Json:
    """Give the card for whoever plates: which code each baked ball gets. Not for judges.

    Balls that were pierced or lost are not on it; a spare stands in their place, with their code.
    """
    plan, zone = need_plan(contents), ZoneInfo(contents.settings.timezone)
    due_at = {str(r["item"]): r["due_at"] for r in plan.schedule if r["step"] == "bake"}
    late = set() if now is None else unwritten_batches(plan, contents.records, now)
    parts: list[Json] = []
    for session in sessions:
        hours = list_hours(plan, session)
        served = serve_session(plan, contents.records, session)
        planned = sorted(served, key=lambda b: (str(due_at.get(b, "")), b))
        for hour in dict.fromkeys(hours.get(b, "") for b in planned):
            rows = [
                [f"{due_at[b].astimezone(zone):%H:%M}" if b in due_at else "",
                 _plated(b, served[b], unwritten=plan.ball(b)["batch_id"] in late),
                 _codes(plan, session, b), ""]
                for b in planned if hours.get(b, "") == hour
            ]  # fmt: skip
            title = f"Session {session}" + (f", sitting at {hour}" if hour else "")
            parts.append({"title": title, "size": 14, "rows": rows,
                          "heads": ["Due", "Ball", "Code on the plate", "Done"],
                          "widths": [12, 26, 24, 14]})  # fmt: skip
        orders = [
            [judge, _order_words(plan, session, order, hours)]
            for judge, order in serve_orders(plan, contents.records, session).items()
        ]
        parts.append({"title": "Order of serving", "size": 12, "rows": orders,
                      "heads": ["Judge", "Codes, first to last"], "widths": [0, 60]})  # fmt: skip
    served_words = tell_served(contents.settings, contents.records)
    if served_words:
        parts.insert(0, {"title": "Before anybody tastes", "lines": served_words})
    return _card(
        contents.settings, f"Plates   {day_words(day)}   {contents.settings.code}",
        "For whoever plates. Judges do not see this card.", parts,
        caution=day_caution(contents.settings), paper=paper,
    )  # fmt: skip


def _plated(planned: str, served: str, *, unwritten: bool = False) -> str:
    words = served if planned == served else f"{served}, spare for {planned}"
    return f"{words}; was it mixed?" if unwritten else words


def _codes(plan: Plan, session: str, ball: str) -> str:
    """Write the code of a ball's plate, and of its second one where it is tasted twice."""
    plates = (ball, ball + AGAIN) if ball in list_duplicates(plan, session) else (ball,)
    return " and ".join(str(plate_code(plan, session, plate)) for plate in plates)


def _order_words(
    plan: Plan, session: str, order: Sequence[tuple[int, str]], hours: Mapping[str, str]
) -> str:
    """Write a judge's codes in order, each sitting in a line of its own."""
    sittings: dict[str, list[str]] = {}
    for _, plate in order:
        own = sittings.setdefault(hours.get(plated_ball(plate), ""), [])
        own.append(str(plate_code(plan, session, plate)))
    return "\n".join(
        f"{hour}:  {'  '.join(own)}" if hour else "  ".join(own) for hour, own in sittings.items()
    )


def study_card(contents: TrialFolder, *, paper: str = "a4") -> Json | None:
    """Give the readings of a meter study that are left, in their order, with boxes; None without.

    The order is drawn by lot and counts: each line is one sample by one person with one meter.
    """
    plan, settings = need_plan(contents), contents.settings
    if not is_meter_study(settings):
        return None
    lost = {str(n["about"]) for n in contents.records.notes if n["kind"] == "lost"}
    state = follow_study(plan, contents.records.readings, lost=lost)
    if not state.left:
        return None
    show = settings.show_temperature
    parts: list[Json] = []
    number = state.taken
    for repeat in dict.fromkeys(r.repeat for r in state.left):
        rows = []
        for r in state.left:
            if r.repeat == repeat:
                number += 1
                rows.append([str(number), r.ball, r.reader, r.meter, "", "", ""])
        parts.append({"title": f"Round {repeat}", "size": 19, "rows": rows,
                      "heads": ["", "Ball", "Who", "Meter", "pH", f"Sample, °{show}", "Time"],
                      "widths": [0, 12, 14, 16, 14, 14, 12]})  # fmt: skip
    total = state.taken + len(state.left)
    hint = (
        f"{len(state.left)} of {total} readings are left. Line by line, a fresh piece for each; "
        "nobody looks at what the other read. Type them in by the ball, with who and which meter."
    )
    return _card(settings, f"Readings in order   {settings.code}", hint, parts,
                 caution=day_caution(settings), paper=paper)  # fmt: skip


def buffer_card(settings: Settings, *, paper: str = "a4") -> Json:
    """Give the buffer card: pH by temperature, own bottles first, and the work in five steps."""
    tables, rows = _buffer_rows(settings)
    show = settings.show_temperature
    meter, every = settings.meter, settings.reading_method.calibrate_every_h
    warm = format_quantity(25.0, "temp_c", show=show)
    typed = "70F" if show == "F" else "21"
    steps = [
        "Let buffers and probe come to one temperature, and measure it in the buffer.",
        "Rinse the probe with pure water, dab it, do not rub. Pour fresh buffer; never pour back.",
        "Buffer 7 first: wait until it stands still, write the millivolts down.",
        "Rinse. Then the buffer on the other side of your window, 4 for dough: the same.",
        f"Write it down: doughlab record calibration 7.00=-12mV 4.01=165mV temp_c={typed}. Set "
        f"the meter to the pH of this table at that temperature, not to the number at {warm}.",
    ]
    sources = [f"{', '.join(n)}: {source}." for source, n in _sources(tables).items()]
    bands = [
        f"Slope {meter.slope_low_pct:g} to {meter.slope_high_pct:g} %, offset within "
        f"{meter.offset_mv:g} mV at pH 7, every {every:g} h. From: {meter.bands_source}.",
        "Outside: clean the probe, fresh buffers, once more; if it stays so, another probe. "
        "Readings after it are marked, not thrown away.",
        "The meter's temperature compensation corrects its own slope. It does not move the "
        f"dough's pH to {warm}: note the sample's temperature.",
    ]
    parts: list[Json] = [
        {"title": "pH of the buffer at its temperature", "size": 13, "rows": rows,
         "heads": ["", *(format_quantity(t, "temp_c", show=show) for t in _card_temps(settings))],
         "widths": [0, *([10] * len(TEMPS_C))]},
        {"title": "Where the numbers come from",
         "lines": [*sources, "The table printed on your bottle wins: [buffers.<name>] in "
                             "trial.toml."]},
        {"title": f"Five steps ({PRACTICE})", "steps": steps},
        {"title": "When to believe it", "lines": bands},
    ]  # fmt: skip
    return _card(settings, "Buffers", "pH 7 and 4 before the first reading", parts,
                 caution=NOT_FOOD, paper=paper)  # fmt: skip


def _card_temps(settings: Settings) -> tuple[float, ...]:
    """Give the temperatures of the buffer card, in degrees Celsius: round ones as they are shown.

    77 F is 25 C, where most bottles state their pH.
    """
    if settings.show_temperature == "F":
        return tuple((t - 32.0) / 1.8 for t in TEMPS_F)
    return TEMPS_C


def _buffer_rows(settings: Settings) -> tuple[list[BufferTable], list[list[str]]]:
    """Give the buffers, own bottles first, and their pH at each temperature."""
    known = known_buffers(settings)
    own = [b for b in known if b.name in settings.buffers][:MOST_OWN]
    tables = [*own, *(b for b in known if b.name not in settings.buffers)]
    rows = []
    for table in tables:
        cells = []
        for temp_c in _card_temps(settings):
            try:
                cells.append(f"{table.ph_at(temp_c):.2f}")
            except OutOfRange:
                cells.append("–")
        rows.append([table.name, *cells])
    return tables, rows


def _sources(tables: Sequence[Any]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for table in tables:
        found.setdefault(table.source, []).append(table.name)
    return found


def meter_card(settings: Settings, *, paper: str = "a4") -> Json:
    """Give the card of the care of the meter; what has no source says so."""
    meter = settings.meter
    probe = meter.probe or "______________"
    since = meter.probe_since or "______________"
    rows = [
        ["Store", "Tip wet in storage solution (potassium chloride), cap on. Never dry, never in "
                  "pure water.",
         "KCl: 21 CFR 114.90; pure water: a supplier's note"],
        ["Rinse", "Pure water before and after each sample, dab, do not rub.", PRACTICE],
        ["Protein", "Dough leaves a film: after each reading day a protein cleaner (pepsin in "
                    "acid) as its label says, rinse, an hour in storage solution, buffers again.",
         PRACTICE],
        ["Response", "In fresh buffer 7, then 4: time until it stands still. Over a minute where "
                     "it took seconds: clean, then replace.", PRACTICE],
        ["Age", f"Probe {probe}, in use since {since}; {meter.probe_life_months:g} months "
                "expected. Watch slope and response from then on.",
         "your setting in trial.toml; " + PRACTICE],
        ["Replace", f"Slope under {meter.slope_low_pct:g} % or offset beyond {meter.offset_mv:g} "
                    "mV after cleaning and fresh buffers; a crack; slow for good.",
         meter.bands_source],
        ["Near food", "A spear tip, or a probe without glass. Glass only on a piece that is thrown "
                      "away. The bulb broke: throw that dough and all near it away.",
         "glass in food: FDA CPG 555.425; the rule is ours"],
        ["Strips", "A strip and what it touched are thrown away.", "our rule"],
    ]  # fmt: skip
    log = [["", "", "", "", ""] for _ in range(6)]
    parts: list[Json] = [
        {"title": "Care", "heads": ["", "What to do", "Where it comes from"], "widths": [0, 52, 24],
         "size": 12, "rows": rows},
        {"title": "Log", "heads": ["Date", "Slope, %", "Offset, mV", "Seconds to stand", "Who"],
         "widths": [10, 10, 10, 12, 10], "size": 14, "rows": log},
    ]  # fmt: skip
    return _card(settings, "Care of the pH meter", settings.reading_method.instrument, parts,
                 caution=NOT_FOOD, paper=paper)  # fmt: skip


def _card(
    settings: Settings, title: str, hint: str, parts: Sequence[Json], *, caution: str, paper: str
) -> Json:
    invented = "   invented" if settings.source == "invented" else ""
    return {"kind": "card", "paper": paper, "title": title, "hint": hint,
            "foot": f"{settings.code}{invented}", "caution": caution,
            "parts": list(parts)}  # fmt: skip
