"""Words of `doughlab daily`: the standing of lots, their spread and their trays, in lines.

Only `daily` calls it; numbers come from the daily room, and are rounded here only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.daily.advice import Tray
    from doughlab.daily.journals import DailyRecords
    from doughlab.daily.recipe import Recipe
    from doughlab.daily.shop import DueReading
    from doughlab.daily.standing import Standing

FEWEST_LIMITS = 12
BAND_CAUTION = "The window is about handling and baking; food safety follows your own plan."


def recipe_lines(recipe: Recipe) -> list[str]:
    """Say what was settled, on what, and until when."""
    until = f", until {recipe.expires_on}" if recipe.expires_on else ""
    return [
        f"{recipe.dough}: {', '.join(recipe.words.values())}; window {recipe.low:.2f} to "
        f"{recipe.high:.2f} at {recipe.hold_h:g} h.",
        f"Expected there {recipe.expected:.2f} on average ({recipe.expected_low:.2f} to "
        f"{recipe.expected_high:.2f}); one ball of one lot {recipe.single_low:.2f} to "
        f"{recipe.single_high:.2f} (95 % ranges, as below).",
        f"Settled {recipe.settled_at} by {recipe.settled_by}, from {recipe.evidence} of "
        f"{recipe.trial.rstrip('.?')}{until}.",
        *(f"It also stands on {e.trial.rstrip('.?')}: {e.words}." for e in recipe.also),
    ]


def recipe_notes(recipe: Recipe, *, room_c: float | None, show: str) -> list[str]:
    """Say where the room of one reading lies outside what the recipe stands on."""
    usual = recipe.usual
    if room_c is None or usual.room_low_c - 1 <= room_c <= usual.room_high_c + 1:
        return []
    room, low, high = (format_quantity(v, "temp_c", show=show, digits=0)
                       for v in (room_c, usual.room_low_c, usual.room_high_c))  # fmt: skip
    return [f"The room is at {room}; the recipe was tried at {low} to {high} only, so what it "
            "expects is a guess there."]  # fmt: skip


def due_lines(recipe: Recipe, due: Sequence[DueReading]) -> list[str]:
    """Say which lots are to be read today at the checkpoint."""
    if not due:
        return []
    return [f"To read today at {recipe.hold_h:g} h: {'; '.join(d.words for d in due)}."]


def chart_lines(recipe: Recipe, standing: Standing) -> list[str]:
    """Set the last lot against its history, the named rules, drift and sums."""
    if not standing.points:
        return ["No reading near the checkpoint yet, so no chart."]
    from doughlab.daily.standing import FALSE_LOTS, false_calls

    limits, last = standing.chart.limits, standing.points[-1]
    off = last.off - limits.centre
    side = "above" if off >= 0 else "below"
    number = len(standing.points)
    out = [
        f"Lot {number} on the chart: {abs(off):.2f} {side} what is expected at "
        f"{last.hold_h:.3g} h; limits {3 * limits.sd:.2f} to each side, from {limits.how} "
        f"({standing.chart.since})."
    ]
    if limits.how == "the settled recipe":
        half = (recipe.expected_high - recipe.expected_low) / 2.0
        out.append(f"The trial knows that centre to {half:.2f}; from {FEWEST_LIMITS} lots on, your "
                   "own limits: --limits --reason TEXT.")  # fmt: skip
    found = "; ".join(standing.now) if standing.now else "no rule is met"
    out.append(f"Rules ({standing.rules}, EWMA, CUSUM, moving range): {found}.")
    if standing.now:
        of_ten = 10 * false_calls(recipe, standing)
        out.append(f"Even if nothing moves, about {of_ten:.0f} of 10 kitchens with limits like "
                   f"these see some call within {FALSE_LOTS} lots.")  # fmt: skip
    recent = [p.off - limits.centre for p in standing.points[-5:]]
    high, low = (sum(s * v > limits.sd for v in recent) for s in (1.0, -1.0))
    if standing.now and max(high, low) > 1:
        word = "high" if high >= low else "low"
        out.append(f"{max(high, low)} of the last {len(recent)} lots lie {word}.")
    if standing.average is not None:
        out.append(
            f"Drift (EWMA) {standing.average - limits.centre:+.3f}, limit "
            f"{(standing.average_high or 0) - limits.centre:.3f}; sums (CUSUM) "
            f"{standing.upper or 0:.1f} up, {standing.lower or 0:.1f} down, limit 5."
        )
    return out


def spread_lines(recipe: Recipe, standing: Standing) -> list[str]:
    """Set the spread of lots, and of balls in a lot, against the window."""
    from doughlab.daily.spread import between_spread, share_inside, uneven_lot
    from doughlab.daily.standing import measure_against_window

    out = []
    points = standing.points
    uneven = uneven_lot(points[-1], standing.chart.ball_sd) if points else None
    if uneven is not None:
        out.append(f"The balls of this lot lie {uneven[0]:.2f} apart, above their limit of "
                   f"{uneven[1]:.2f} (range chart): read an outer and an inmost tray, and look at "
                   "how the dough was mixed.")  # fmt: skip
    if standing.within_sd is not None:
        sd, low, high = standing.within_sd
        between = between_spread(points)
        lots = "" if between is None else (f", lots by SD {between.sd:.3f} ({between.low:.3f} to "
                                           f"{between.high:.3f})")  # fmt: skip
        out.append(f"Balls of one lot differ by SD {sd:.3f} ({low:.3f} to {high:.3f}){lots}; in "
                   f"the trial {recipe.ball_sd:.3f}, lots there {recipe.lot_sd:.3f}.")  # fmt: skip
    found = measure_against_window(recipe, points)
    if found is None:
        return out
    inside = sum(recipe.low <= recipe.expected + p.raw <= recipe.high for p in points)
    out.append(
        f"{len(points)} lots against {recipe.low:.2f} to {recipe.high:.2f}: {inside} "
        f"inside; the nearer end is {3 * found.cpk:.1f} SD away (Cpk {found.cpk:.2f}, "
        f"{found.cpk_range[0]:.2f} to {found.cpk_range[1]:.2f}; Cp {found.cp:.2f}, "
        f"{found.cp_range[0]:.2f} to {found.cp_range[1]:.2f})."
    )
    share = share_inside(recipe, points)
    if share is not None and share.balls > share.lots:
        out.append(f"Of {share.balls} balls in the last four weeks {share.inside} lay inside "
                   f"(95 % range by {share.lots} lots: {100 * share.low:.0f} to "
                   f"{100 * share.high:.0f} of 100).")  # fmt: skip
    if standing.calls:
        out.append("Not all these lots looked alike on the chart, so this speaks of the past only.")
    return out


def tray_lines(trays: list[Tray]) -> list[str]:
    """Set the lots that are left in the order of use."""
    if not trays:
        return []
    past = [t for t in trays if t.state == "past"]
    head = "Which tray next" + (" (those below the window: read first)" if past else "") + ":"
    return [head, *(f"  {n} {t.words}" for n, t in enumerate(trays, start=1))]


def standing_facts(recipe: Recipe, records: DailyRecords, standing: Standing) -> dict[str, Any]:
    """Give the standing as plain values for machines; pH and degrees Celsius."""
    from doughlab.daily.standing import measure_against_window

    capability = measure_against_window(recipe, standing.points)
    return {
        "recipe": {"settled_at": recipe.settled_at, "settled_by": recipe.settled_by,
                   "setting": recipe.setting, "low": recipe.low, "high": recipe.high,
                   "hold_h": recipe.hold_h, "expected": recipe.expected, "plan": recipe.plan,
                   "data": recipe.data, "version": recipe.version,
                   "expires_on": recipe.expires_on},
        "points": [{"lot": p.lot, "at": p.at.isoformat(), "ph": p.ph, "off": p.off,
                    "balls": list(p.balls)} for p in standing.points],
        "rules": standing.rules, "signals": list(standing.now),
        "limits": {"centre": standing.chart.limits.centre, "sd": standing.chart.limits.sd,
                   "since": standing.chart.since, "how": standing.chart.limits.how,
                   "room_slope": standing.chart.room_slope},
        "ewma": standing.average, "cusum": [standing.upper, standing.lower],
        "shift": list(standing.shift) if standing.shift else None,
        "within_sd": list(standing.within_sd) if standing.within_sd else None,
        "cpk": None if capability is None else [capability.cpk, *capability.cpk_range],
        "problems": [str(p) for p in records.problems],
    }  # fmt: skip
