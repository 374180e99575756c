"""Cards for the wall: the day by the hour, the plates, the buffers, the care of the meter.

`sheets_print` sets them. What is due is asked of `due`, the numbers of the buffers of `buffers`;
this module writes the words, and beside each where it comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from doughlab.errors import OutOfRange
from doughlab.record.due import FOOD_SAFETY, Due, clock
from doughlab.record.meter import known_buffers
from doughlab.record.sheets_day import day_words, list_day, need_plan
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.record.buffers import BufferTable
    from doughlab.record.folder import TrialFolder
    from doughlab.settings import Settings

Json = dict[str, Any]

STEP_WORDS = {"mix": "mix", "ball": "ball", "take_out": "take out", "read": "read", "bake": "bake",
              "preferment": "preferment"}  # fmt: skip
TEMPS_C = (5.0, 10.0, 15.0, 18.0, 20.0, 22.0, 25.0, 30.0)
MOST_OWN = 5
PRACTICE = "common practice, no source"
NOT_FOOD = (
    "Buffers, storage and cleaning solutions are not food: keep them away from dough, rinse the "
    "probe before and after, wash your hands."
)
DAY_CAUTION = (
    "Trial, not for sale. Contains wheat. Raw flour and raw dough are not eaten. A pierced ball is "
    "thrown away, never baked or served. Wash hands after the phone and after raw dough. Never let "
    "acid meet chlorine sanitiser: the gas is toxic. Local code and licensed people decide."
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
    ]
    parts: list[Json] = [
        {"title": "By the hour", "heads": ["Hour", "What", "Which, and where", "To know", "Who"],
         "widths": [0, 0, 34, 32, 16], "size": 12, "rows": rows},
        {"title": "Limits of the day", "lines": lines},
    ]  # fmt: skip
    return _card(settings, f"{day_words(day)}   {settings.code}", settings.name, parts,
                 caution=DAY_CAUTION, paper=paper)  # fmt: skip


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
    contents: TrialFolder, sessions: Sequence[str], day: date, *, paper: str = "a4"
) -> Json:
    """Give the card for whoever plates: which code each baked ball gets. Not for judges."""
    plan = need_plan(contents)
    due_at = {str(r["item"]): r["due_at"] for r in plan.schedule if r["step"] == "bake"}
    parts = []
    for session in sessions:
        balls = [b for b in plan.balls if b["session"] == session and b["purpose"] == "bake"]
        balls.sort(key=lambda b: (str(due_at.get(str(b["ball_id"]), "")), str(b["ball_id"])))
        rows = [
            [f"{due_at[b['ball_id']]:%H:%M}" if b["ball_id"] in due_at else "", str(b["ball_id"]),
             str(b["blind_code"]), ""]
            for b in balls
        ]  # fmt: skip
        parts.append({"title": f"Session {session}", "size": 14, "rows": rows,
                      "heads": ["Due", "Ball", "Code on the plate", "Done"],
                      "widths": [12, 20, 24, 20]})  # fmt: skip
        orders = [
            [judge, "  ".join(str(plan.ball(b)["blind_code"]) for b in order)]
            for judge, order in plan.serving_orders(session).items()
        ]
        parts.append({"title": "Order of serving", "size": 12, "rows": orders,
                      "heads": ["Judge", "Codes, first to last"], "widths": [0, 60]})  # fmt: skip
    return _card(
        contents.settings, f"Plates   {day_words(day)}   {contents.settings.code}",
        "For whoever plates. Judges do not see this card.", parts, caution=DAY_CAUTION, paper=paper,
    )  # fmt: skip


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
         "heads": ["", *(b.name for b in tables)], "widths": [0, *([10] * len(tables))]},
        {"title": "Where the numbers come from",
         "lines": [*sources, "The table printed on your bottle wins: [buffers.<name>] in "
                             "trial.toml."]},
        {"title": f"Five steps ({PRACTICE})", "steps": steps},
        {"title": "When to believe it", "lines": bands},
    ]  # fmt: skip
    return _card(settings, "Buffers", "pH 7 and 4 before the first reading", parts,
                 caution=NOT_FOOD, paper=paper)  # fmt: skip


def _buffer_rows(settings: Settings) -> tuple[list[BufferTable], list[list[str]]]:
    """Give the buffers, own bottles first, and their pH at each temperature."""
    show = settings.show_temperature
    known = known_buffers(settings)
    own = [b for b in known if b.name in settings.buffers][:MOST_OWN]
    tables = [*own, *(b for b in known if b.name not in settings.buffers)]
    rows = []
    for temp_c in TEMPS_C:
        cells = []
        for table in tables:
            try:
                cells.append(f"{table.ph_at(temp_c):.2f}")
            except OutOfRange:
                cells.append("–")
        rows.append([format_quantity(temp_c, "temp_c", show=show), *cells])
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
