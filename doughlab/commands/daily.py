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
from doughlab.settings import FILE
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
    add("folder", nargs="?", default=".", help="the trial folder, or a shop of several (here)")
    add("--dough", default="", metavar="NAME", help="which dough of the shop, as house")
    add("--read", nargs="+", metavar="PH", help="pH read now, one of each ball of the lot")
    add("--hold", metavar="TIME", help="its hold, as 48h (or from the lot)")
    add("--room", metavar="TEMP", help="the room it warms in")
    add("--cooler", metavar="TEMP", help="what its cooler says")
    add("--out", metavar="TIME", help="how long it is out of the cooler (default: as usual)")
    add("--warm", metavar="TIME", help="all its warm time so far, where you know it")
    add("--lot", metavar="NAME", help="which lot")
    add("--meter", default="", metavar="NAME", help="which meter")
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
    add("--also", action="append", default=[], metavar="FOLDER",
        help="with --settle: another trial that it stands on")  # fmt: skip
    add("--limits", action="store_true", help="compute the limits anew from your own lots")
    add("--since", default="", metavar="DATE", help="with --limits: only lots read from then on")
    add("--rules", default="western electric 1956", metavar="SET", help="or 'nelson 1984'")
    add("--faults", action="store_true", help="walk the faults though nothing signals")
    add("--checklist", metavar="LIST", help="show one: opening or mixing")
    add("--tick", nargs="+", metavar="WORD", help="tick points, as opening 1 3-5")


def run(args: argparse.Namespace) -> Outcome:
    """Settle, store or answer; a shop of several doughs is looked over."""
    from doughlab.record.folder import read_folder

    place = Path(args.folder)
    if not (place / FILE).exists() and place.is_dir():
        from doughlab.commands.daily_shop import find_dough, show_shop

        if not args.dough and not _acts(args):
            return show_shop(args)
        place = find_dough(place, args.dough)
    contents = read_folder(place)
    return answer_in(args, contents)


def answer_in(args: argparse.Namespace, contents: TrialFolder) -> Outcome:
    """Settle, store or answer in the folder of one dough."""
    desk = Desk(args, contents)
    desk.check_dough()
    if args.settle:
        return desk.settle()
    if args.new_lot or args.change or (args.void and not args.read):
        return desk.keep_lot()
    if args.limits:
        return desk.keep_limits()
    if args.checklist or args.tick:
        return desk.checklist()
    return desk.answer()


def _acts(args: argparse.Namespace) -> bool:
    """Tell whether something is to be stored, or shown of one dough only."""
    return bool(
        args.read or args.new_lot or args.change or args.void or args.settle or args.limits
        or args.checklist or args.tick or args.faults
    )  # fmt: skip


class Desk:
    """One call: what was typed, the folder, and what is stored so far."""

    def __init__(self, args: argparse.Namespace, contents: TrialFolder) -> None:
        self.args, self.contents, self.settings = args, contents, contents.settings
        self.folder = contents.path
        self.zone = ZoneInfo(self.settings.timezone)
        self.now = datetime.now().astimezone(self.zone).replace(microsecond=0)
        self.at = self.when(args.at, "--at")
        typed = (u for t in (args.room, args.cooler) if t and (u := typed_unit(t)))
        self.show = next(typed, self.settings.show_temperature)

    @property
    def doughs(self) -> tuple[str, ...]:
        """The names under which this folder keeps its dough: settled, and as trial.toml says."""
        settled = self.recipe_or_none()
        names = [*([settled.dough] if settled else []), self.settings.dough]
        return tuple(dict.fromkeys(names))

    def check_dough(self) -> None:
        """Refuse where another dough is asked for than this folder keeps."""
        from doughlab.daily.shop import matches

        typed = self.args.dough
        if typed and not any(matches(d, typed) for d in self.doughs):
            raise UnknownName("dough", typed, self.doughs, where=str(self.folder))

    def records(self) -> DailyRecords:
        """Read the daily journals of this dough."""
        from doughlab.daily.journals import read_daily

        return read_daily(self.folder, self.doughs)

    def when(self, text: str, what: str) -> datetime:
        """Read a time as typed."""
        return parse_when(text, timezone=self.settings.timezone, now=self.now, what=what)

    def number(self, text: str | None, unit: str, what: str, low: float, high: float
               ) -> float | None:  # fmt: skip
        """Read a quantity as typed."""
        if text is None:
            return None
        return parse_quantity(text, unit, what=what, low=low, high=high)

    def command(self, rest: str) -> str:
        """Write a command of this folder."""
        place = "" if str(self.folder) == "." else f" {shlex.quote(str(self.folder))}"
        return f"doughlab daily{place} {rest}"

    def recipe(self) -> Recipe:
        """Read the settled recipe; raises InputError where nothing is settled."""
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
        from doughlab.daily.recipe import FILE as SETTLED
        from doughlab.daily.recipe import write_recipe
        from doughlab.daily.settle import build_recipe
        from doughlab.trial import Trial

        if not self.args.by.strip():
            raise InputError("Say who settles it: --settle --by NAME. The name stays in the file.")
        if (self.folder / SETTLED).exists() and not self.args.reason.strip():
            raise InputError(
                f"{SETTLED} is there already; it is changed on purpose only. Say why: "
                "--settle --by NAME --reason TEXT (the earlier file is kept)."
            )
        _day(self.args.expires, "--expires")
        also = [Trial.open(Path(folder)) for folder in self.args.also]
        recipe = build_recipe(
            Trial(self.contents), by=self.args.by.strip(), now=self.now, version=__version__,
            expires_on=self.args.expires, expires_when=self.args.expires_when,
            reason=self.args.reason, also=also,
        )  # fmt: skip
        written = write_recipe(self.folder, recipe, now=self.now)
        found = [line for text in recipe_lines(recipe) for line in wrap(text)]
        found += wrap(f"It ends when: {'; '.join(recipe.expires_when)}.")
        if self.records().limits:
            found += wrap("The limits of the chart are those of this recipe again; your own lots "
                          "give new ones: --limits --reason TEXT.")  # fmt: skip
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
            values = {"dough": self.doughs[0], "mixed_at": self.at, **self.typed(rest)}
            if values["dough"].casefold() not in {d.casefold() for d in self.doughs}:
                raise InputError(
                    f"This folder keeps {self.doughs[0]}, not {values['dough']}. Enter the lot "
                    "in the folder of its own dough, so that the two never share limits."
                )
            values.setdefault("left", values.get("trays"))
            entry = store_lot(self.folder, {**values, "lot": name}, by=by, now=self.now)
            words = f"stored lot {name}: {self.lot_words(values)}"
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
        if self.args.new_lot and values["mixed_at"] > self.now:
            found += wrap("look: it is mixed later than now. Was it yesterday? Take it back: "
                          + self.command(f"--void {entry[:8]} --reason TEXT"))  # fmt: skip
        return Outcome(found=found, wrote=["daily/"], next=[self.command("").strip()],
                       data={"entry": entry})  # fmt: skip

    def lot_words(self, values: Row) -> str:
        """Say a lot again: its times with their day, and what else was typed."""
        parts = []
        for name, value in values.items():
            if isinstance(value, datetime):
                parts.append(f"{name.removesuffix('_at')} {value.astimezone(self.zone):%a %H:%M}")
            elif value is not None and name not in {"dough", "left"}:
                parts.append(f"{name} {value}")
        return ", ".join(parts)

    def hold_look(self, row: Row, records: DailyRecords) -> list[str]:
        """Ask about a hold that the lot's own times do not give."""
        from doughlab.daily.journals import find_lot, hold_of

        if not (self.args.lot and self.args.hold):
            return []
        lot = find_lot(records, self.args.lot)
        own = hold_of(lot, row["at"])
        if abs(own - row["hold_h"]) <= max(2.0, 0.1 * row["hold_h"]):
            return []
        held = f"it is held {own:.3g} h" if own >= 0 else "it is not made yet"
        mixed = f"{lot['mixed_at'].astimezone(self.zone):%a %d %b %H:%M}"
        return wrap(f"look: lot {lot['lot']} was mixed {mixed}, so {held}, not "
                    f"{row['hold_h']:.3g} h. Which lot was read?")  # fmt: skip

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
        from doughlab.daily.journals import LIMITS
        from doughlab.daily.standing import find_standing, new_limits
        from doughlab.record.journal import append

        recipe, reason = self.recipe(), self.args.reason.strip()
        if not reason:
            raise InputError("Limits are computed anew on purpose only: --limits --reason TEXT.")
        records, since = self.records(), _day(self.args.since, "--since")
        row = {**new_limits(recipe, records, since=since), "at": self.at, "reason": reason,
               "dough": recipe.dough}  # fmt: skip
        standing = find_standing(recipe, records)
        called = sum(not since or standing.points[i].at.date() >= since for i in standing.calls)
        entry = append(self.folder, LIMITS, [row], by=self.args.by, now=self.now)[0]
        text = (
            f"Limits from {row['n']} lots of your own: {row['centre']:+.3f} off what the recipe "
            f"expects, {3 * row['sd']:.3f} to each side. They stay until --limits is asked again."
        )
        if row["room_slope"]:
            text += f" The room moves pH by {row['room_slope']:+.3f} for 1 °C; it is counted."
        if called:
            text += (f" The limits before them called at {called} of these lots: where a fault was "
                     "behind it, it is in the new limits; take the lots after it only: --since "
                     "DATE.")  # fmt: skip
        facts = {k: v for k, v in row.items() if k != "at"}
        return Outcome(found=wrap(text), wrote=[LIMITS.path], next=[self.command("").strip()],
                       data={"entry": entry, **facts})  # fmt: skip

    def checklist(self) -> Outcome:
        """Show a checklist, and store what was ticked."""
        from doughlab.daily.checklist import list_points, read_ticks, ticked_today
        from doughlab.daily.journals import TICKS
        from doughlab.record.journal import append

        recipe = self.recipe()
        name, *points = self.args.tick or [self.args.checklist]
        words = list_points(name, recipe, self.settings.limits, show=self.show)
        wrote = []
        if self.args.tick:
            rows = [{"at": self.at, "dough": recipe.dough, "checklist": name, "point": n,
                     "words": words[n - 1], "recipe": recipe.settled_at}
                    for n in read_ticks(points, words)]  # fmt: skip
            append(self.folder, TICKS, rows, by=self.args.by, now=self.now)
            wrote = [TICKS.path]
        day = self.at.astimezone(self.zone).date()
        done = ticked_today(self.records().ticks, name, day, words, self.zone)
        found = [f"{name[0].upper()}{name[1:]}, {day}: {len(done)} of {len(words)} ticked"]
        for n, text in enumerate(words, start=1):
            found += wrap(f"{'[x]' if n in done else '[ ]'} {n} {text}", indent=6)
        left = [str(n) for n in range(1, len(words) + 1) if n not in done]
        nexts = [self.command(f"--tick {name} {' '.join(left)}")] if left else []
        data = {"checklist": name, "points": words, "ticked": sorted(done)}
        return Outcome(found=found, wrote=wrote, next=nexts, data=data)

    def answer(self) -> Outcome:
        """Store a reading where one was typed, then say where the dough stands."""
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

        records = self.records()
        outcome = build_answer(self, recipe, records, reading)
        wrote = ["daily/readings.csv"] if reading else []
        return replace(outcome, found=[*stored, *outcome.found], wrote=wrote)

    def recipe_or_none(self) -> Recipe | None:
        """Read the settled recipe, where there is one."""
        from doughlab.daily.recipe import read_recipe

        return read_recipe(self.folder)

    def store(self) -> tuple[Row, list[str]]:
        """Store the balls that were read; give what they share, and say so."""
        from doughlab.daily.journals import READINGS, correct
        from doughlab.record.journal import append

        records = self.records()
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
        said = wrap(f"stored {', '.join(parts)} ({names})")
        return {**row, "ph": mean}, said + self.hold_look(row, records)

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
            "dough": self.doughs[0], "lot": lot or None, "at": self.at, "hold_h": round(hold, 2),
            "room_c": self.number(args.room, "temp_c", "--room", 0.0, 45.0),
            "cooler_c": self.number(args.cooler, "temp_c", "--cooler", -10.0, 45.0),
            "out_min": self.number(args.out, "min", "--out", 0.0, 1440.0),
            "instrument": args.meter or None, "note": args.note or None,
        }  # fmt: skip


def _day(text: str, option: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option} '{text[:40]}' is no date. Write it like 2027-03-01.") from None
