"""The answer of `doughlab daily`: advice, chart, faults, water and trays, in that order.

Only `daily` calls it. Numbers come from the daily room and the warm-up of the formula room; where
a cooler was too warm, nothing is said about pH at all.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from doughlab.commands.daily_words import (
    BAND_CAUTION,
    chart_lines,
    due_lines,
    recipe_lines,
    recipe_notes,
    spread_lines,
    standing_facts,
    tray_lines,
)
from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import NotEstimable
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.commands.daily import Desk
    from doughlab.daily.advice import Today, Tray
    from doughlab.daily.expiry import Ended
    from doughlab.daily.journals import DailyRecords
    from doughlab.daily.recipe import Recipe
    from doughlab.daily.standing import Standing
    from doughlab.formula.warmup import Warmth, WarmUpModel

Row = dict[str, Any]
PLAN = "follow the food-safety plan of the kitchen"
STILL_TOLD = {"recipe", "problems", "advice", "warm_h", "warm_limit_h", "cooler_c", "ended"}


def build_answer(desk: Desk, recipe: Recipe, records: DailyRecords, reading: Row | None) -> Outcome:
    """Say where the dough stands, and what to do.

    Parameters
    ----------
    desk : Desk
        The call.
    recipe : Recipe
    records : DailyRecords
        The reading included.
    reading : dict or None
        What was stored just now; pH as the mean of its balls.
    """
    from doughlab.daily.standing import find_standing

    standing = find_standing(recipe, records, rules=desk.args.rules)
    answer = Answer(desk, recipe, records, standing)
    texts = answer.today(reading) if reading else [*recipe_lines(recipe), *answer.last_cooler()]
    if answer.kind != "none":
        texts += answer.off_chart(reading)
        texts += chart_lines(recipe, standing)
        texts += answer.faults()
        texts += spread_lines(recipe, standing)
        texts += answer.due()
        texts += tray_lines(answer.trays)
    texts += answer.notes(reading)
    found = [line for text in texts for line in wrap(text, indent=4 if text[:1] == " " else 2)]
    data = {**standing_facts(recipe, records, standing), **answer.data}
    if answer.kind == "none":  # no advice on pH to machines either
        data = {k: v for k, v in data.items() if k in STILL_TOLD}
    problems = [str(p) for p in records.problems if p.level == "error"]
    found += [line for p in problems for line in wrap(f"look: {p}")]
    return Outcome(found=found, next=answer.nexts(reading), data=data, code=1 if problems else 0)


class Answer:
    """Puts the parts of the answer together."""

    def __init__(
        self, desk: Desk, recipe: Recipe, records: DailyRecords, standing: Standing
    ) -> None:
        self.desk, self.recipe, self.records, self.standing = desk, recipe, records, standing
        self.limits = desk.settings.limits
        self.kind = ""
        self.data: dict[str, Any] = {}
        self.trays = self.order()

    def order(self) -> list[Tray]:
        """Order the lots that are left; none is advised on whose cooler was too warm."""
        from doughlab.daily.advice import order_trays
        from doughlab.daily.glance import lots_too_warm

        temperatures = self.desk.contents.records.temperatures
        warm = lots_too_warm(self.records, temperatures, at=self.desk.at,
                             most_c=min(self.limits.cooler_c, 5.0))  # fmt: skip
        found = order_trays(self.recipe, self.records, at=self.desk.at, too_warm=warm,
                            max_hold_h=self.limits.max_hold_h)  # fmt: skip
        self.data["trays"] = [vars(t) for t in found]
        return found

    def cooler(self, lot: Row | None, since: datetime) -> float | None:
        """Give the warmest that the cooler of a lot was recorded since a time."""
        from doughlab.daily.journals import warmest_cooler

        temperatures = self.desk.contents.records.temperatures
        return warmest_cooler(self.records, temperatures, lot=lot, since=since, at=self.desk.at)

    def warmth(self, reading: Row) -> Warmth:
        """Bring together what is known of the ball, warm time spent included."""
        from doughlab.daily.journals import out_minutes, spent_h
        from doughlab.formula.warmup import Warmth

        args, at = self.desk.args, self.desk.at
        lot = self.records.lots.get(reading["lot"] or "")
        name, usual = reading["lot"] or "", self.recipe.usual
        typed = reading["out_min"]
        sure = out_minutes(self.records, name, hold_h=reading["hold_h"], at=at, usual_min=0.0)
        out = out_minutes(self.records, name, hold_h=reading["hold_h"], at=at,
                          usual_min=usual.warm_h * 60.0) if typed is None else typed  # fmt: skip
        spent = spent_h(lot, max(out, sure), usual_before_h=usual.before_h)
        stated = self.desk.number(args.warm, "h", "--warm", 0.0, 96.0)
        if stated is not None:
            spent = max(stated, spent_h(lot, max(typed or 0.0, sure), usual_before_h=0.0))
        since = lot["mixed_at"] if lot else at - timedelta(hours=reading["hold_h"])
        assumed = self.desk.settings.assumed.get("ph")
        sd = max(assumed.reading_sd if assumed else 0.0,
                 self.desk.settings.reading_method.resolution)  # fmt: skip
        room = reading["room_c"] if reading["room_c"] is not None else usual.room_c
        return Warmth(
            reading["ph"], room, warmed_min=out, spent_h=spent, limit_h=self.limits.warm_h,
            cooler_c=self.cooler(lot, since), cooler_limit_c=self.limits.cooler_c, reading_sd=sd,
        )  # fmt: skip

    def today(self, reading: Row) -> list[str]:
        """Say what to do with the lot that was read."""
        from doughlab.daily.advice import advise_today

        warmth = self.warmth(reading)
        wanted = warmth.ph > self.recipe.high and warmth.left_min > 0 and not warmth.cooler_too_warm
        today = advise_today(
            self.recipe, warmth, hold_h=reading["hold_h"], max_hold_h=self.limits.max_hold_h,
            model=self.model() if wanted else None, show=self.desk.show,
        )  # fmt: skip
        self.kind = today.kind
        self.data |= {
            "advice": today.kind, "more_min": today.minutes,
            "more_min_range": [today.low_min, today.high_min], "warm_h": warmth.spent_h,
            "warm_limit_h": warmth.limit_h, "cooler_c": warmth.cooler_c,
        }  # fmt: skip
        texts = list(today.words)
        if today.kind == "none":
            from doughlab.daily.faults import CHECKS

            return [*texts, f"Cooler: {CHECKS['cooler']}."]
        return texts + self.assumed(reading, today)

    def last_cooler(self) -> list[str]:
        """Say nothing on pH where the last cooler that was written down was too warm."""
        from doughlab.daily.faults import CHECKS

        most = min(self.limits.cooler_c, 5.0)
        known = [r for r in self.records.readings if r["cooler_c"] is not None]
        if not known or known[-1]["cooler_c"] <= most:
            return []
        self.kind = "none"
        self.data["advice"] = "none"
        found, limit = (format_quantity(t, "temp_c", show=self.desk.show)
                        for t in (known[-1]["cooler_c"], most))  # fmt: skip
        return [f"The cooler was last at {found}, above {limit}: no advice on pH; {PLAN}.",
                f"Cooler: {CHECKS['cooler']}."]  # fmt: skip

    def off_chart(self, reading: Row | None) -> list[str]:
        """Say that a reading far from the checkpoint is no point of the chart."""
        from doughlab.daily.standing import CHECKPOINT_H

        hold, point = (reading or {}).get("hold_h"), self.recipe.hold_h
        if hold is None or abs(hold - point) <= CHECKPOINT_H:
            return []
        return [f"Read at {hold:.3g} h, more than {CHECKPOINT_H:g} h from the checkpoint "
                f"({point:g} h): it is no point of the chart."]  # fmt: skip

    def assumed(self, reading: Row, today: Today) -> list[str]:
        """Say what was taken as usual, since it was not typed."""
        from doughlab.formula.core import clock_words

        usual, out = self.recipe.usual, []
        if self.desk.args.warm is None and reading["out_min"] is None:
            out.append(f"{clock_words(usual.warm_h)} out of the cooler, or longer if it was read "
                       "before (--out)")  # fmt: skip
        lot = self.records.lots.get(reading["lot"] or "")
        if self.desk.args.warm is None and (lot is None or lot["cooled_at"] is None):
            out.append(f"{clock_words(usual.before_h)} before it (--warm gives all)")
        if reading["room_c"] is None and today.kind in {"warm", "cannot"}:
            out.append("the room of the trial (--room)")
        said = [f"Taken as usual: {', '.join(out)}."] if out else []
        if today.kind == "stop" and reading["lot"] is None:
            said.append("A ball read earlier this half day without a lot counts as the same one; "
                        "name the lot (--lot) where it is another.")  # fmt: skip
        return said

    def model(self) -> WarmUpModel | NotEstimable:
        """Learn the warm-up from the trial's pairs and the lots read twice every day."""
        from doughlab.commands.ripe_facts import find_pairs, trial_body, trial_film
        from doughlab.daily.warmpairs import daily_pairs
        from doughlab.formula.warmup import fit_warm_up

        contents = self.desk.contents
        pairs = find_pairs(contents) if contents.plan is not None else []
        try:
            return fit_warm_up(
                [*pairs, *daily_pairs(self.records)], body=trial_body(contents, self.levels()),
                film=trial_film(contents), cooler_c=self.recipe.usual.cooler_c,
            )  # fmt: skip
        except NotEstimable as error:
            return error

    def levels(self) -> dict[str, Any]:
        """Give the settled numbers that the formula knows."""
        factors = self.desk.settings.factors
        return {n: factors[n].value_of(v) for n, v in self.recipe.setting.items()
                if n in factors and factors[n].kind == "number"}  # fmt: skip

    def faults(self) -> list[str]:
        """Walk the faults where a chart signals or somebody asks; then tomorrow's water."""
        from doughlab.commands.ripe_facts import trial_body, trial_film
        from doughlab.daily.advice import advise_water
        from doughlab.daily.faults import fault_lines, rank_faults, walk_faults

        standing, contents = self.standing, self.desk.contents
        if not standing.points or not (standing.now or self.desk.args.faults):
            return []
        shift = standing.shift
        if shift is None:
            return []
        suspects = walk_faults(
            self.recipe, standing, self.records, body=trial_body(contents, self.levels()),
            film=trial_film(contents), show=self.desk.show,
        )  # fmt: skip
        self.data["faults"] = [vars(s) for s in suspects]
        self.data["check_first"] = [s.name for s in rank_faults(suspects, shift[0])]
        lots = len(standing.points) - standing.first
        water = advise_water(self.recipe, standing, self.records, show=self.desk.show)
        self.data["water_c"] = None if water is None else water.wanted_c
        return fault_lines(suspects, shift, lots=lots) + ([water.words] if water else [])

    def due(self) -> list[str]:
        """Say which lots are to be read today."""
        from doughlab.daily.shop import due_readings

        found = due_readings(self.recipe, self.records, at=self.desk.at, zone=self.desk.zone)
        self.data["due"] = [{"lot": d.lot, "at": d.at.isoformat(), "late": d.late} for d in found]
        return due_lines(self.recipe, found)

    def ended(self) -> list[Ended]:
        """List what ends the recipe and has come true."""
        from doughlab.daily.expiry import find_ended

        contents = self.desk.contents
        found = find_ended(
            self.recipe, self.records, day=self.desk.at.astimezone(self.desk.zone).date(),
            waters=contents.water_rows, calibrations=contents.records.calibrations,
            show=self.desk.show,
        )  # fmt: skip
        self.data["ended"] = [{"what": e.what, "words": e.words} for e in found]
        return found

    def notes(self, reading: Row | None) -> list[str]:
        """Say what has ended the recipe, and where today lies outside of it."""
        from doughlab.daily.expiry import ended_lines

        ended = self.ended()
        known = {e.what for e in ended}
        room = (reading or {}).get("room_c")
        out = recipe_notes(self.recipe, room_c=None if "room" in known else room,
                           show=self.desk.show)  # fmt: skip
        return [*out, *ended_lines(ended), BAND_CAUTION]

    def nexts(self, reading: Row | None) -> list[str]:
        """Say what to type next."""
        if self.kind == "warm" and reading is not None:
            lot = f" --lot {reading['lot']}" if reading["lot"] else ""
            return [self.desk.command(f"--read PH --hold TIME{lot} --out MINUTES")]
        if reading is None:
            return [self.desk.command("--read PH --hold 48h --room TEMP")]
        return []
