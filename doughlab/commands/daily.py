"""The command `daily`: settle a recipe once, then a reading and an answer every day.

The daily room charts, advises and walks the faults; this module asks, stores and answers.
A reading is stored before anything is said about it. It never judges food.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, UnknownName
from doughlab.record.clock import parse_when
from doughlab.units import format_quantity, parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.daily.journals import DailyRecords
    from doughlab.daily.recipe import Recipe
    from doughlab.record.folder import TrialFolder

Row = dict[str, Any]
_LOT_TIMES = ("mixed_at", "balled_at", "cooled_at")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab daily`."""
    add = parser.add_argument
    add("folder", nargs="?", default=".", help="the trial folder (here)")
    add("--read", nargs="+", metavar="PH", help="pH read now, one of each ball of the lot")
    add("--hold", metavar="TIME", help="its hold, as 48h (or from the lot)")
    add("--room", metavar="TEMP", help="the room it warms in")
    add("--cooler", metavar="TEMP", help="what its cooler says")
    add("--out", metavar="TIME", help="how long it is out of the cooler (default: as usual)")
    add("--warm", metavar="TIME", help="all its warm time so far, where you know it")
    add("--lot", metavar="NAME", help="which lot")
    add("--at", default="now", metavar="TIME", help="another time, as 14:10")
    add("--by", default="", metavar="NAME", help="who")
    add("--note", default="", metavar="TEXT", help="a note to the reading")
    add("--new-lot", nargs="+", metavar="WORD", help="NAME mixed_at=9:05 trays=6 place=shelf")
    add("--change", nargs="+", metavar="NAME=VALUE", help="change --lot, as left=2")
    add("--void", metavar="ENTRY", help="take an entry back")
    add("--replaces", metavar="ENTRY", help="--read corrects this reading")
    add("--reason", default="", metavar="TEXT", help="why it is changed or settled anew")
    add("--settle", action="store_true", help="write down what decide recommends")
    add("--expires", default="", metavar="DATE", help="with --settle: until when, 2027-03-01")
    add("--expires-when", action="append", default=[], metavar="TEXT", help="or until this")
    add("--limits", action="store_true", help="compute the limits anew from your own lots")
    add("--rules", default="western electric 1956", metavar="SET", help="or 'nelson 1984'")
    add("--faults", action="store_true", help="walk the faults though nothing signals")
    add("--checklist", metavar="LIST", help="show one: opening or mixing")
    add("--tick", nargs="+", metavar="WORD", help="tick points, as opening 1 3-5")


def run(args: argparse.Namespace) -> Outcome:
    """Settle, store or answer."""
    from doughlab.record.folder import read_folder

    contents = read_folder(Path(args.folder))
    desk = _Desk(args, contents)
    if args.settle:
        return desk.settle()
    if args.new_lot or args.change or (args.void and not args.read):
        return desk.keep_lot()
    if args.limits:
        return desk.keep_limits()
    if args.checklist or args.tick:
        return desk.checklist()
    return desk.answer()


class _Desk:
    """One call: what was typed, the folder, and what is stored so far."""

    def __init__(self, args: argparse.Namespace, contents: TrialFolder) -> None:
        self.args, self.contents, self.settings = args, contents, contents.settings
        self.folder = contents.path
        self.zone = ZoneInfo(self.settings.timezone)
        self.now = datetime.now().astimezone(self.zone).replace(microsecond=0)
        self.at = self.when(args.at, "--at")
        typed = (u for t in (args.room, args.cooler) if t and (u := typed_unit(t)))
        self.show = next(typed, self.settings.show_temperature)

    def when(self, text: str, what: str) -> datetime:
        return parse_when(text, timezone=self.settings.timezone, now=self.now, what=what)

    def number(self, text: str | None, unit: str, what: str, low: float, high: float
               ) -> float | None:  # fmt: skip
        if text is None:
            return None
        return parse_quantity(text, unit, what=what, low=low, high=high)

    def command(self, rest: str) -> str:
        place = "" if str(self.folder) == "." else f" {shlex.quote(str(self.folder))}"
        return f"doughlab daily{place} {rest}"

    def recipe(self) -> Recipe:
        from doughlab.daily.recipe import read_recipe

        found = read_recipe(self.folder)
        if found is None:
            raise InputError(
                "Nothing is settled here yet, so there is nothing to keep. Write down what decide "
                f"recommends, with your name: {self.command('--settle --by NAME')}"
            )
        return found

    def settle(self) -> Outcome:
        """Write the settled recipe, on purpose and with a name."""
        from doughlab import __version__
        from doughlab.commands.daily_words import BAND_CAUTION, recipe_lines
        from doughlab.daily.recipe import FILE, write_recipe
        from doughlab.daily.settle import build_recipe
        from doughlab.trial import Trial

        if not self.args.by.strip():
            raise InputError("Say who settles it: --settle --by NAME. The name stays in the file.")
        if (self.folder / FILE).exists() and not self.args.reason.strip():
            raise InputError(
                f"{FILE} is there already; it is changed on purpose only. Say why: "
                "--settle --by NAME --reason TEXT (the earlier file is kept)."
            )
        _day(self.args.expires)
        recipe = build_recipe(
            Trial(self.contents), by=self.args.by.strip(), now=self.now, version=__version__,
            expires_on=self.args.expires, expires_when=self.args.expires_when,
            reason=self.args.reason,
        )  # fmt: skip
        written = write_recipe(self.folder, recipe, now=self.now)
        found = [line for text in recipe_lines(recipe) for line in wrap(text)]
        found += wrap(f"It ends when: {'; '.join(recipe.expires_when)}.")
        found += wrap(BAND_CAUTION)
        return Outcome(
            read=[str(self.args.folder)], found=found, wrote=written,
            next=[self.command("--checklist mixing"), self.command("--read PH --hold 48h")],
            data={"setting": recipe.setting, "expected": recipe.expected, "hold_h": recipe.hold_h,
                  "plan": recipe.plan, "data": recipe.data},
        )  # fmt: skip

    def keep_lot(self) -> Outcome:
        """Store a new lot, a change of one, or take an entry back."""
        from doughlab.daily.journals import change_lot, correct, store_lot

        by, reason = self.args.by, self.args.reason
        if self.args.void:
            entry = correct(self.folder, self.args.void, None, reason=reason, by=by, now=self.now)
            words = f"took back {self.args.void}: {reason}"
        elif self.args.new_lot:
            name, *rest = self.args.new_lot
            values = {"dough": self.settings.dough, "mixed_at": self.at, **self.typed(rest)}
            values.setdefault("left", values.get("trays"))
            entry = store_lot(self.folder, {**values, "lot": name}, by=by, now=self.now)
            words = f"stored lot {name}"
        else:
            if not self.args.lot:
                raise InputError("Say which lot: --lot NAME --change left=2.")
            values = self.typed(self.args.change)
            reason = reason or ("trays used" if set(values) == {"left"} else "")
            entry = change_lot(
                self.folder, self.args.lot, values, reason=reason, by=by, now=self.now
            )
            words = f"changed lot {self.args.lot}: {', '.join(self.args.change)}"
        found = wrap(f"{words} (entry {entry[:8]})")
        return Outcome(found=found, wrote=["daily/"], next=[self.command("").strip()],
                       data={"entry": entry})  # fmt: skip

    def typed(self, words: Sequence[str]) -> Row:
        """Read name=value words for a lot."""
        from doughlab.daily.journals import LOTS
        from doughlab.tables import JOURNAL_COLUMNS

        ours = {c.name for c in JOURNAL_COLUMNS} | {"lot"}
        names = [n for n in LOTS.names if n not in ours]
        values: Row = {}
        for word in words:
            name, sign, value = word.partition("=")
            if not sign or name not in names:
                raise UnknownName("column", name[:40], names, where="--new-lot NAME trays=6")
            values[name] = self.when(value, name) if name in _LOT_TIMES else value
        for name in ("trays", "left"):
            if name in values:
                values[name] = LOTS.column(name).read(str(values[name]))
        return values

    def keep_limits(self) -> Outcome:
        """Compute the limits anew, on purpose and with a reason."""
        from doughlab.daily.journals import LIMITS, read_daily
        from doughlab.daily.standing import new_limits
        from doughlab.record.journal import append

        recipe, reason = self.recipe(), self.args.reason.strip()
        if not reason:
            raise InputError("Limits are computed anew on purpose only: --limits --reason TEXT.")
        row = {**new_limits(recipe, read_daily(self.folder)), "at": self.at, "reason": reason}
        entry = append(self.folder, LIMITS, [row], by=self.args.by, now=self.now)[0]
        text = (
            f"Limits from {row['n']} lots of your own: {row['centre']:+.3f} off what the recipe "
            f"expects, {3 * row['sd']:.3f} to each side. They stay until --limits is asked again."
        )
        if row["room_slope"]:
            text += f" The room moves pH by {row['room_slope']:+.3f} for 1 °C; it is counted."
        facts = {k: v for k, v in row.items() if k != "at"}
        return Outcome(found=wrap(text), wrote=[LIMITS.path], next=[self.command("").strip()],
                       data={"entry": entry, **facts})  # fmt: skip

    def checklist(self) -> Outcome:
        """Show a checklist, and store what was ticked."""
        from doughlab.daily.checklist import list_points, read_ticks, ticked_today
        from doughlab.daily.journals import TICKS, read_daily
        from doughlab.record.journal import append

        recipe = self.recipe()
        name, *points = self.args.tick or [self.args.checklist]
        words = list_points(name, recipe, self.settings.limits, show=self.show)
        wrote = []
        if self.args.tick:
            rows = [{"at": self.at, "checklist": name, "point": n, "words": words[n - 1],
                     "recipe": recipe.settled_at} for n in read_ticks(points, words)]  # fmt: skip
            append(self.folder, TICKS, rows, by=self.args.by, now=self.now)
            wrote = [TICKS.path]
        day = self.at.astimezone(self.zone).date()
        done = ticked_today(read_daily(self.folder).ticks, name, day, words, self.zone)
        found = [f"{name[0].upper()}{name[1:]}, {day}: {len(done)} of {len(words)} ticked"]
        for n, text in enumerate(words, start=1):
            found += wrap(f"{'[x]' if n in done else '[ ]'} {n} {text}", indent=6)
        left = [str(n) for n in range(1, len(words) + 1) if n not in done]
        nexts = [self.command(f"--tick {name} {' '.join(left)}")] if left else []
        data = {"checklist": name, "points": words, "ticked": sorted(done)}
        return Outcome(found=found, wrote=wrote, next=nexts, data=data)

    def answer(self) -> Outcome:
        """Store a reading where one was typed, then say where the dough stands."""
        from doughlab.daily.journals import read_daily

        stored: list[str] = []
        reading: Row | None = None
        if self.args.read:
            reading, stored = self.store()
        recipe = self.recipe() if reading is None else self.recipe_or_none()
        if recipe is None:
            text = "Stored, but nothing is settled here yet, so it cannot be placed."
            return Outcome(found=[*stored, *wrap(text)], wrote=["daily/readings.csv"],
                           next=[self.command("--settle --by NAME")], code=1)  # fmt: skip
        from doughlab.commands.daily_answer import build_answer

        records = read_daily(self.folder)
        outcome = build_answer(self, recipe, records, reading)
        wrote = ["daily/readings.csv"] if reading else []
        return replace(outcome, found=[*stored, *outcome.found], wrote=wrote)

    def recipe_or_none(self) -> Recipe | None:
        from doughlab.daily.recipe import read_recipe

        return read_recipe(self.folder)

    def store(self) -> tuple[Row, list[str]]:
        """Store the balls that were read; give what they share, and say so."""
        from doughlab.daily.journals import READINGS, correct, read_daily
        from doughlab.record.journal import append

        records = read_daily(self.folder)
        row = self.reading_row(records)
        phs = [parse_quantity(t, "ph", what="--read", low=2.5, high=9.0) for t in self.args.read]
        if self.args.replaces:
            if len(phs) != 1:
                raise InputError("One reading replaces one: --read 5.64 --replaces ENTRY.")
            values = {k: v for k, v in {**row, "ph": phs[0]}.items() if v is not None}
            ids = [correct(self.folder, self.args.replaces, values, reason=self.args.reason,
                           by=self.args.by, now=self.now)]  # fmt: skip
        else:
            rows = [{**row, "ph": v} for v in phs]
            ids = append(self.folder, READINGS, rows, by=self.args.by, now=self.now)
        mean = sum(phs) / len(phs)
        parts = [f"{', '.join(f'{v:.2f}' for v in phs)} at {row['hold_h']:.3g} h"]
        parts += [f"lot {row['lot']}"] if row["lot"] else []
        for name, words in (("room_c", "room"), ("cooler_c", "cooler")):
            if row[name] is not None:
                parts.append(f"{words} {format_quantity(row[name], 'temp_c', show=self.show)}")
        names = f"entry {', '.join(i[:8] for i in ids)}"
        return {**row, "ph": mean}, wrap(f"stored {', '.join(parts)} ({names})")

    def reading_row(self, records: DailyRecords) -> Row:
        """Read lot, hold, room and cooler as typed; the hold from the lot where it is left out."""
        from doughlab.daily.journals import find_lot, guess_lot, hold_of

        args = self.args
        hold = self.number(args.hold, "h", "--hold", 0.0, 240.0)
        lot = args.lot or ("" if hold is None else guess_lot(records, hold, self.at))
        if lot:
            hold = hold if hold is not None else hold_of(find_lot(records, lot), self.at)
            find_lot(records, lot)
        if hold is None:
            raise InputError("Say how long the ball was held: --hold 48h, or name its --lot.")
        if hold < 0:
            raise InputError(f"Lot {lot} was mixed after the time of the reading. Look at --at.")
        return {
            "lot": lot or None, "at": self.at, "hold_h": round(hold, 2),
            "room_c": self.number(args.room, "temp_c", "--room", 0.0, 45.0),
            "cooler_c": self.number(args.cooler, "temp_c", "--cooler", -10.0, 45.0),
            "out_min": self.number(args.out, "min", "--out", 0.0, 1440.0),
            "note": args.note or None,
        }  # fmt: skip


def _day(text: str) -> None:
    if not text:
        return
    try:
        date.fromisoformat(text)
    except ValueError:
        raise InputError(f"--expires '{text[:40]}' is no date. Write it like 2027-03-01.") from None
