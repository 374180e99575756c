"""The command `new`: a trial folder from a few questions, each of which may stay open.

Every answer can be an option; what is not known becomes a default that stands in the file.
The answers are understood by `answers`; nothing that exists is overwritten.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import shlex
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from doughlab.commands import answers
from doughlab.commands.lines import wrap
from doughlab.commands.new_formula import formula_text
from doughlab.commands.outcome import Outcome
from doughlab.commands.ready import READY, find_ready, ready_formula, ready_trial, ready_waters
from doughlab.errors import InputError
from doughlab.sections import WEEKDAYS, Factor, Kitchen, Panel, ReadingMethod
from doughlab.settings import FILE
from doughlab.tables import WATER_KINDS, table
from doughlab.trial import Trial
from doughlab.units import typed_unit

FORMULA_FILE = "formula.toml"
BATCHES_A_DAY = 6
LEAST_A_DAY = 4  # fewer would stretch a trial of many holds over weeks
LEAST_BATCHES = 12
MOST_BATCHES = 120
WAIT_MIN = 60  # balls leave the cooler 90 min before use, and are made 45 min after mixing begins
_RESPONSES = {"ph": "pH", "bake": "bake"}
_BAKE_WORDS = re.compile(
    r"\b(bak(e|es|ed|ing)|breads?|loaf|crusts?|crumbs?|tast\w*|flavou?rs?|scor\w*)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Question:
    """One question: the words, how the answer is read, what is taken where it stays open."""

    option: str
    words: str
    example: str
    read: Callable[[str], Any]
    otherwise: str
    taken: Any
    help: str = ""


QUESTIONS = (
    Question("dough", "Which dough?", "house dough, 260 g balls, 18 a batch", answers.read_dough,
             "a house dough, 260 g balls", answers.DoughAnswer(),
             "Its name, the weight of a ball (9 oz will do), and how many balls you mix at once."),
    Question("question", "What do you want to know?", "Which water for the new building?",
             str.strip, "the question is taken from what is varied", "",
             "In your own words; it heads every answer. pH is asked about, unless you name the "
             "bake."),
    Question("waters", "Which waters can you get?", "tap, reverse osmosis, bottled",
             answers.read_waters, "tap and bottled", {"tap": "tap", "bottled": "bottled"},
             "Name those that you want to compare, with commas between. One is enough if the "
             "water stays as it is."),
    Question("vary", "What else may move?", "hydration 60 or 65 %; hold 24, 48, 72 h",
             answers.read_factors, "the hold: 24 and 48 h", answers.read_factors("hold 24, 48 h"),
             "What you would change on purpose, each with its settings: mixing water 55 or 65 F; "
             "hold 1, 2 days. Or: nothing."),
    Question("window", "Which pH should a ball have in use?", "5.35 to 5.75", answers.read_window,
             "I'll look for it: the trial will score the bake as well", None,
             "The lowest and the highest pH at which your dough works well. Few know it: don't "
             "know is a good answer."),
    Question("difference", "A difference you would notice?", "pH 0.10, score 1",
             answers.read_margins,
             "pH 0.10, score 1 of 10 (change them before the trial, not after)",
             answers.Margins(),
             "The smallest difference that would make you change something. A smaller one takes "
             "more batches to see."),
    Question("kitchen", "Mixers, cooler places, oven slots, hours?",
             "1, 120, 6 an hour, 9-21, closed Mondays", answers.read_kitchen,
             "1 mixer, 120 places, 12 bakes an hour, 9 to 21", answers.KitchenAnswer(),
             "Cooler places are balls that fit the cooler; oven slots are bakes in an hour. 11am-"
             "10pm will do."),
    Question("meter", "Meter?", "yes, reads 0.01; buffers 4 and 7", answers.read_meter,
             "a meter that reads 0.01", answers.MeterAnswer(),
             "The step its display moves in, such as 0.1 or 0.01, and your buffers. Strips or no "
             "are answers, too."),
)  # fmt: skip


@dataclass
class Answers:
    """What was answered, and what was taken where it was not known."""

    values: dict[str, Any] = field(default_factory=dict)
    taken: list[str] = field(default_factory=list)
    said: set[str] = field(default_factory=set)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab new`: the folder, and an option for every question."""
    parser.add_argument("folder", help="the new trial folder, such as trials/harbour")
    parser.add_argument(
        "--for",
        dest="ready",
        metavar="NAME",
        help=f"a ready trial, nothing is asked: {', '.join(READY)}",
    )
    for q in QUESTIONS:
        shown = f'{q.words} "{q.example}"'.replace("%", "%%")
        parser.add_argument(f"--{q.option}", metavar="TEXT", help=shown)


def run(args: argparse.Namespace) -> Outcome:
    """Ask what is not given as an option, and write the folder; nothing is asked with --for."""
    folder = Path(args.folder)
    file = next((p for p in (folder, *folder.parents) if p.exists() and not p.is_dir()), None)
    if file is not None:
        raise InputError(
            f"{file} is a file, and a trial is a folder. Name a new folder: "
            f"doughlab new {shlex.quote(str(file.parent / 'harbour'))}"
        )
    names = (FILE, table("waters").path, FORMULA_FILE)
    there = [name for name in names if (folder / name).exists()]
    if there:
        raise InputError(
            f"{folder} already holds {', '.join(there)}. Nothing is overwritten: choose another "
            "folder, or edit the files."
        )
    if args.ready is not None:
        return _write_ready(folder, args)
    try:
        found = _ask(args)
    except KeyboardInterrupt:
        raise InputError(f"stopped: no file was written and {folder} is not begun.") from None
    texts = _Texts(folder, found)
    waters = [{"water_id": w, "kind": k or "tap"} for w, k in texts.waters.items()]
    trial = Trial.create(folder, texts.trial(), waters=waters, formula=texts.formula())
    needed = [*_said_at_once(found), *_still_needed(trial, texts.waters, folder)]
    understood = texts.understood()
    return Outcome(
        found=[line for words in understood[:1] for line in wrap(f"understood: {words}")]
        + [line for words in understood[1:] for line in wrap(f"  {words}", indent=4)]
        + [line for words in found.taken for line in wrap(f"taken: {words}")]
        + [line for words in needed for line in wrap(words)],
        wrote=[f"{', '.join(names)} in {folder}"],
        next=[f"doughlab plan {shlex.quote(str(folder))}"],
        data={
            "folder": str(folder),
            "understood": understood,
            "taken": found.taken,
            "needed": needed,
        },
    )


_UNITS = (
    "temperatures may be typed as 54F; to see them in °F, too, write into trial.toml: [units] and "
    'under it temperature = "F"'
)


def _write_ready(folder: Path, args: argparse.Namespace) -> Outcome:
    """Write a ready trial; the questions are not asked, so none may be answered."""
    ready = find_ready(args.ready)
    given = [f"--{q.option}" for q in QUESTIONS if getattr(args, q.option) is not None]
    if given:
        raise InputError(
            f"--for {args.ready} is ready as it stands, so {' and '.join(given)} is not used. "
            "Take it away, and edit trial.toml afterwards."
        )
    text = ready_trial(
        args.ready,
        start_on=_first_day(()),
        timezone=_local_zone(),
        seed=sum(map(ord, args.ready + folder.name)) % 9000 + 1000,
    )
    waters = ready_waters(args.ready)
    trial = Trial.create(folder, text, waters=waters, formula=ready_formula())
    invented = ", ".join(f"'{row['water_id']}'" for row in waters)
    needed = [
        f"still needed: your own numbers of {invented} in waters.csv (invented for now)",
        *(f"still needed: {p}" for p in trial.problems),
    ]
    names = (FILE, table("waters").path, FORMULA_FILE)
    return Outcome(
        found=[
            line
            for words in (f"ready trial: {ready.about}", *needed, _UNITS, *ready.days)
            for line in wrap(words)
        ],
        wrote=[f"{', '.join(names)} in {folder}"],
        next=[f"doughlab plan {shlex.quote(str(folder))}"],
        data={
            "folder": str(folder),
            "ready": args.ready,
            "needed": needed,
            "days": list(ready.days),
        },
    )


def _ask(args: argparse.Namespace) -> Answers:
    """Ask what is not given as an option; "back" returns to the question before."""
    found = Answers()
    silent = bool(getattr(args, "json", False))
    open_ones = [q for q in QUESTIONS if getattr(args, q.option) is None]
    for q in QUESTIONS:
        if q not in open_ones:
            _take(q, getattr(args, q.option), found, given=True)
    if open_ones and not silent and sys.stdin.isatty():
        _say("? explains a question, back returns to the one before, don't know is an answer.")
    at = 0
    while at < len(open_ones):
        typed = None if silent else _hear(open_ones[at])
        silent = silent or typed is None
        if typed is not None and typed.strip().casefold() == "back":
            at = max(0, at - 1)
        elif _take(open_ones[at], typed or "", found):
            at += 1
    found.taken = [f"{q.words} {q.otherwise}" for q in QUESTIONS if q.option not in found.said]
    return found


def _take(q: Question, typed: str, found: Answers, *, given: bool = False) -> bool:
    """Read one answer into what was found; False where it has to be asked again."""
    found.said.discard(q.option)
    if answers.is_unknown(typed):
        found.values[q.option] = q.taken
        return True
    try:
        found.values[q.option] = q.read(typed)
    except InputError as error:
        if given:
            raise InputError(f"--{q.option}: {error}") from None
        _say(f"{str(error).rstrip('.')}. Or type: don't know.")
        return False
    found.said.add(q.option)
    return True


def _hear(q: Question) -> str | None:
    """Ask one question, explain it once where "?" is typed; None where nobody answers any more."""
    asked = "\n".join([*wrap(f"{q.words} ({q.example})"), "  "])
    try:
        typed = input(asked)
        if typed.strip().casefold() in {"quit", "exit"}:
            raise KeyboardInterrupt
        if typed.strip() != "?":
            return typed
        _say(q.help)
        return input(asked)
    except EOFError:
        return None


def _say(words: str) -> None:
    print("\n".join(wrap(words)), file=sys.stderr)


def _said_at_once(found: Answers) -> list[str]:
    return [*_coarse_meter(found), *_small_mixes(found)]


def _coarse_meter(found: Answers) -> list[str]:
    """Say at once that a strip or a coarse meter cannot see the difference that is asked for."""
    meter, margin = found.values["meter"], found.values["difference"].ph
    if meter.resolution <= margin:
        return []
    return [
        f"still needed: a meter with steps of {margin:g} or finer: {meter}, and a pH difference of "
        f"{margin:g} does not show on them"
    ]


def _small_mixes(found: Answers) -> list[str]:
    """Say that a trial mixes fewer balls at once than the kitchen does, and what that changes."""
    balls = found.values["dough"].balls
    if not balls:
        return []
    return [
        f"{balls} a batch is your kitchen's own mix. The trial mixes only the balls it needs "
        "(doughlab plan says how many); so small a mix warms otherwise in the same mixer. Expect "
        "another dough temperature: doughlab mix learns it from every mix that is written down"
    ]


def _still_needed(trial: Trial, waters: dict[str, str], folder: Path) -> list[str]:
    """Say what the trial still lacks, of what the checks found and of what was guessed."""
    out = []
    dry = [str(r["water_id"]) for r in trial.waters.values() if r["alkalinity_mg_l"] is None]
    if dry:
        names = " and ".join(f"'{w}'" for w in dry)
        out.append(
            f"still needed: alkalinity of {names}. Copy the label or the water report: "
            f"doughlab water site {shlex.quote(dry[0])} --given bicarbonate=183 --keep; or measure "
            f"it with vinegar, a scale and your meter: doughlab water titrate "
            f"{shlex.quote(dry[0])}; both with --folder {shlex.quote(str(folder))}"
        )
    guessed = [w for w, kind in waters.items() if not kind]
    if guessed:
        out.append(
            f"still needed: the kind of {', '.join(guessed)} in waters.csv (written as tap for "
            f"now): {', '.join(WATER_KINDS[:-1])} or {WATER_KINDS[-1]}"
        )
    other = [p for p in trial.problems if p.column != "alkalinity_mg_l"]
    return out + [f"still needed: {p}" for p in other]


class _Texts:
    """Writes the files from the answers."""

    def __init__(self, folder: Path, found: Answers) -> None:
        self.values = found.values
        self.found = found
        self.name = folder.resolve().name.replace("-", " ").replace("_", " ").title() or "Trial"
        self.waters: dict[str, str] = self.values["waters"]
        self.factors = self._list_factors()

    def _list_factors(self) -> list[Factor]:
        factors = list(self.values["vary"])
        if len(self.waters) > 1:
            factors.insert(0, Factor("water", "batch", "water", tuple(self.waters), "", "water"))
        if not factors:
            factors = answers.read_factors("hold 24, 48 h")
            self.found.taken.append("Something must be varied: the hold, 24 and 48 h")
        return factors

    def understood(self) -> list[str]:
        """Say again what was answered, one line for each answer that was given."""
        waters = ", ".join(f"{w} ({k})" if k else w for w, k in self.waters.items())
        levels = "; ".join(f"{f.words} {', '.join(f.levels)}" for f in self.values["vary"])
        low, high = self.values["window"] or (0.0, 0.0)
        lines = {
            "dough": str(self.values["dough"]),
            "waters": f"waters: {waters}",
            "vary": f"varied: {levels or 'nothing else'}",
            "window": f"pH in use {low:g} to {high:g}",
            **{name: str(self.values[name]) for name in ("difference", "kitchen", "meter")},
        }
        shown = [words for option, words in lines.items() if option in self.found.said]
        by_ounces = self._shown() == "F" and not self._typed_unit()
        return shown + ["temperatures are shown in °F, since you weigh in ounces"] * by_ounces

    def trial(self) -> str:
        """Give the text of trial.toml."""
        kitchen: answers.KitchenAnswer = self.values["kitchen"]
        meter: answers.MeterAnswer = self.values["meter"]
        method = ReadingMethod(meter.kind, resolution=meter.resolution)
        days, replicates = self._days()
        hold = self._hold()
        text = (files("doughlab.commands") / "templates" / "trial.toml").read_text(encoding="utf-8")
        text = Template(text).substitute(
            name=self.name,
            taken="".join(f"# - {words}\n" for words in self.found.taken) or "# - nothing\n",
            toml_name=_toml(self.name),
            toml_code=_toml(self._code()),
            toml_dough=_toml(self.values["dough"].name),
            toml_timezone=_toml(_local_zone()),
            seed=sum(map(ord, self.name)) % 9000 + 1000,
            questions=self._questions(),
            factors=self._factors(),
            responses=self._responses(hold),
            window=self._window(),
            temperature=self._shown(),
            days=days,
            replicates=replicates,
            start_on=_first_day(kitchen.closed),
            mixers=kitchen.mixers,
            cooler_places=kitchen.cooler_places,
            oven_slots_per_h=kitchen.oven_slots_per_h,
            open_at=kitchen.open_at,
            close_at=kitchen.close_at,
            mix_at=self._mix_at(kitchen),
            closed=_toml(list(kitchen.closed)),
            judges=_toml(["judge1", "judge2", "judge3", "judge4"]),
            reading_kind=meter.kind,
            readings_per_ball=3 if meter.kind != "strip" else 1,
            resolution=meter.resolution,
            buffers=f"; yours: {meter.buffers}" if meter.buffers else "",
            max_hold_h=f"{max(96.0, (max(hold.values) + 24) if hold else 0):g}",
            assumed=Template(_ASSUMED).substitute(reading_sd=f"{method.reading_sd:.2g}"),
        )
        return "\n".join(_set_comment(line) for line in text.split("\n"))

    def _shown(self) -> str:
        """Choose the unit of temperatures: as typed, else F for who weighs in ounces."""
        return self._typed_unit() or ("F" if self.values["dough"].ball else "C")

    def _typed_unit(self) -> str:
        typed = {typed_unit(v) for f in self.factors if f.kind == "number" for v in f.levels}
        return "F" if "F" in typed else "C" if "C" in typed else ""

    def _code(self) -> str:
        letters = re.sub(r"[^A-Z0-9]", "", self.name.upper())
        words = re.findall(r"[A-Z0-9]+", self.name.upper())
        code = "".join(w[0] for w in words) if len(words) > 1 else letters[:4]
        return code[:8] if re.fullmatch(r"[A-Z][A-Z0-9]+", code) else "T1"

    def _hold(self) -> Factor | None:
        return next((f for f in self.factors if f.set == "ball" and f.unit == "h"), None)

    def _days(self) -> tuple[int, int]:
        """Give days and replicates: enough batches to compare, few enough for a day.

        Bakes of several holds can fall into one session, and a judge tastes only so many.
        """
        runs = math.prod(len(f.levels) for f in self.factors if f.set == "batch")
        inner = math.prod(len(f.levels) for f in self.factors if f.set == "ball")
        replicates = max(2, math.ceil(LEAST_BATCHES / runs))
        batches = runs * replicates
        if batches > MOST_BATCHES:
            raise InputError(
                f"What you want to vary makes {runs} combinations, {batches} batches with two of "
                f"each; a trial here takes up to {MOST_BATCHES}. Vary fewer things at once, or "
                "give each fewer settings."
            )
        a_day = min(BATCHES_A_DAY, max(LEAST_A_DAY, Panel().samples_per_session // inner))
        return max(2, math.ceil(batches / a_day)), replicates

    def _mix_at(self, kitchen: answers.KitchenAnswer) -> str:
        """Begin mixing late enough that a ball taken out a day later finds the kitchen open."""
        opens, closes = _minutes(kitchen.open_at), _minutes(kitchen.close_at)
        wanted = opens + WAIT_MIN
        room = wanted + BATCHES_A_DAY * Kitchen().mix_min <= closes
        begin = wanted if self._hold() and room else opens
        return f"{begin // 60:02d}:{begin % 60:02d}"

    def _questions(self) -> str:
        """Ask the cook's question on the response it names, then the other response."""
        asked: str = self.values["question"]
        # "mixing water" names more than "water" does
        first = max(self.factors, key=lambda f: _words_named(asked, f))
        bakes = bool(_BAKE_WORDS.search(asked)) and not re.search(r"\bph\b", asked, re.IGNORECASE)
        order = ("bake", "ph") if bakes else ("ph", "bake")
        other = f"{_capital(first.words)}: what does it do to the {_RESPONSES[order[1]]}?"
        texts = (asked or f"Which {first.words}?", other)
        out = [
            _section("questions", text=text, factor=first.name, response=response, primary=True)
            for text, response in zip(texts, order, strict=True)
        ]
        for f in self.factors:
            if f is not first:
                text = f"{_capital(f.words)}: what does it do to the pH?"
                out.append(
                    _section("questions", text=text, factor=f.name, response="ph", primary=False)
                )
        return "\n".join(out)

    def _factors(self) -> str:
        out = []
        for f in self.factors:
            lines = [f"[factors.{f.name}]", f'set = "{f.set}"', f'kind = "{f.kind}"']
            lines.append(f"levels = {_toml(list(f.levels))}")
            lines += [f'unit = "{f.unit}"'] if f.unit else []
            lines += [f"title = {_toml(f.title)}"] if f.title else []
            out.append("\n".join(lines) + "\n")
        return "\n".join(out)

    def _responses(self, hold: Factor | None) -> str:
        margins: answers.Margins = self.values["difference"]
        used = "# use_hold_h = 48\n"
        if hold:
            middle = hold.values[len(hold.values) // 2]
            used = f"use_hold_h = {middle:g}   # the hold at which levels are compared\n"
        ph = ["[responses.ph]", 'table = "readings"', 'column = "ph"', 'unit = "ph"',
              'title = "pH"', f"margin = {margins.ph:g}",
              "low = 3.5   # outside low and high a reading is refused", "high = 7.5",
              f"{used}balls = 1   # per batch and hold; pierced, never baked", ""]  # fmt: skip
        bake = ["[responses.bake]", 'table = "scores"', 'column = "score"', 'kind = "score"',
                'unit = "score"', 'title = "bake score"', f"margin = {margins.score:g}",
                f"{used}balls = 1", ""]  # fmt: skip
        return "\n".join([*ph, *bake])

    def _window(self) -> str:
        window = self.values["window"]
        about = "# The pH band in which a ball is ready to use.\n"
        if window is None:
            return (
                f"{about}# Not known yet: this trial looks for it, and scores the bake as well.\n"
                "# [window]\n# low = 5.35\n# high = 5.75\n"
            )
        return f"{about}[window]\nlow = {window[0]:g}\nhigh = {window[1]:g}\n"

    def formula(self) -> str:
        """Give the text of formula.toml."""
        return formula_text(self.values["dough"], self.factors)


_ASSUMED = """[assumed.ph]
batch_sd = 0.05
ball_sd = 0.03
reading_sd = $reading_sd
# lot_sd = 0.02             # between fillings of one water, with water_lots

[assumed.bake]
batch_sd = 0.4
ball_sd = 0.5
judge_sd = 1.0
"""


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _words_named(question: str, factor: Factor) -> int:
    """Count the words by which a question names a factor; 0 where it does not."""
    names = (factor.words, factor.name.replace("_", " "))
    found = [
        len(name.split())
        for name in names
        if re.search(rf"\b{re.escape(name)}s?\b", question, re.IGNORECASE)
    ]
    return max(found, default=0)


def _minutes(clock: str) -> int:
    hour, minute = clock.split(":")
    return 60 * int(hour) + int(minute)


def _section(name: str, *, text: str, factor: str, response: str, primary: bool) -> str:
    return (
        f"[[{name}]]\ntext = {_toml(text)}\nfactor = {_toml(factor)}\n"
        f'response = {_toml(response)}\ncontrast = "pairs"\nprimary = {str(primary).lower()}\n'
    )


def _toml(value: str | Sequence[str]) -> str:
    """Write a text or a list of texts as TOML, whose basic strings escape as JSON does."""
    return json.dumps(value, ensure_ascii=False)


def _set_comment(line: str) -> str:
    """Set the remark behind a key at one place, where it is no part of a text."""
    key, mark, remark = line.partition("  #")
    if not mark or not key.strip() or key.startswith("#") or key.count('"') % 2:
        return line
    return f"{key.rstrip():<27} #{remark}"


def _first_day(closed: Sequence[str]) -> str:
    """Choose the first open day at least a week ahead."""
    day = date.today() + timedelta(days=7)
    while WEEKDAYS[day.weekday()] in closed:
        day += timedelta(days=1)
    return day.isoformat()


def _local_zone() -> str:
    """Name the time zone of this machine; UTC where it does not say."""
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    named = os.environ.get("TZ", "").lstrip(":")
    if not named:
        place = Path("/etc/localtime")
        parts = place.resolve().parts if place.exists() else ()
        named = "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else ""
    try:
        return ZoneInfo(named).key if named else "UTC"
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return "UTC"
