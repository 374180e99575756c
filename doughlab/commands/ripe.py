"""The command `ripe`: how far one ball is, when its window opens, how long it should warm.

Facts come from `ripe_facts`; clock, core and advice from the formula room. It never judges food:
advice ends at the kitchen's own limit, and a cooler that was too warm ends every word on pH.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, NotEstimable
from doughlab.record.clock import parse_when
from doughlab.record.folder import TrialFolder, read_folder
from doughlab.units import format_quantity, parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.commands.ripe_facts import BallFacts
    from doughlab.formula.holdcurve import HoldCurve
    from doughlab.formula.logger import LoggerSeries
    from doughlab.formula.loggerguess import LoggerGuess
    from doughlab.sections import Response

PLAN = "follow the food-safety plan of the kitchen"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab ripe`."""
    parser.add_argument(
        "ball", metavar="BALL", help="which ball, as B07-3; or a starter of formula.toml"
    )
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder")
    parser.add_argument("--at", default="now", metavar="TIME", help="another time, as 14:10")
    parser.add_argument("--room", metavar="TEMP", help="the room it warms in (default: as usual)")
    parser.add_argument("--ph", metavar="PH", help="pH read just now, for how long it should warm")
    parser.add_argument("--core", metavar="TEMP", help="core wanted in use (default: as baked)")
    parser.add_argument(
        "--probe", metavar="READINGS",
        help="two cores of one ball since it came out, as '20 min 7C, 60 min 13C'",
    )  # fmt: skip
    parser.add_argument(
        "--feed", metavar="WORDS", help="a starter's feeding or hours, as 1:4:4, 10h, '1:4:4 10h'"
    )
    parser.add_argument("--log", metavar="FILE", help="CSV of a logger in its cooler")
    parser.add_argument(
        "--log-is", default="", metavar="ANSWERS",
        help="confirm the log: ok, or unit=F,order=day-month-year,column=2,fast=5",
    )  # fmt: skip


def run(args: argparse.Namespace) -> Outcome:
    """Say how far a ball is."""
    from doughlab.commands.ripe_facts import collect_facts
    from doughlab.commands.ripe_starter import find_starter, run_starter

    starter = find_starter(args)
    if starter is not None:
        return run_starter(args, starter)
    contents = read_folder(Path(args.folder))
    if args.ball == ".":  # a folder alone was typed
        raise _no_ball(contents, args.folder)
    settings = contents.settings
    now = datetime.now().astimezone()
    at = parse_when(args.at, timezone=settings.timezone, now=now, what="--at")
    show = settings.show_temperature
    room_c = _temperature(args.room, "--room", 0.0, 45.0)
    core_c = _temperature(args.core, "--core", 0.0, 40.0)
    show = next((u for t in (args.room, args.core) if t and (u := typed_unit(t))), show)
    ph = None
    if args.ph is not None:
        ph = parse_quantity(args.ph, "ph", what="--ph", low=2.5, high=9.0)
    log, asked, confirm = _read_log(args, settings.timezone, now, show)
    if confirm:
        return Outcome(found=asked, next=[confirm], code=1)
    facts = collect_facts(contents, args.ball, at, room_c=room_c, log=log)
    probed: list[str] = []
    if args.probe:
        from doughlab.commands.ripe_probe import calibrate

        film, probed = calibrate(args.probe, facts)
        facts = collect_facts(contents, args.ball, at, room_c=room_c, log=log, film=film)
    answer = _Answer(contents, facts, show)
    found = [*asked, *probed, *answer.ball_lines(), *answer.core_lines(core_c)]
    found += [*answer.window_lines(), *answer.warm_lines()]
    if ph is not None:
        found += answer.advice_lines(ph)
    return Outcome(found=found, next=answer.nexts(ph), data=answer.data())


def _no_ball(contents: TrialFolder, folder: str) -> InputError:
    """Ask for the ball, with one of the plan as the example."""
    balls = contents.plan.balls if contents.plan else ()
    ball = next((str(b["ball_id"]) for b in balls), "B01-1")
    return InputError(f"Which ball? Name it too: doughlab ripe {ball} {shlex.quote(str(folder))}")


def _temperature(text: str | None, what: str, low: float, high: float) -> float | None:
    if text is None:
        return None
    return parse_quantity(text, "temp_c", what=what, low=low, high=high)


_UNTOLD = {"unit": "unit=F", "order": "order=...", "column": "column=..."}  # a cooler is cold


def _confirm_command(args: argparse.Namespace, questions: Sequence[str]) -> str:
    """Write the command that confirms a log; what only a person knows is left as dots."""
    words = ["doughlab ripe", shlex.quote(args.ball)]
    words += [shlex.quote(args.folder)] if args.folder != "." else []
    for option in ("at", "room", "ph", "core", "probe"):
        value = getattr(args, option)
        if value and value != "now":
            words.append(f"--{option} {shlex.quote(value)}")
    answer = ",".join(_UNTOLD[q.split(":", 1)[0]] for q in questions) or "ok"
    return " ".join([*words, f"--log {shlex.quote(args.log)}", f"--log-is {answer}"])


def _span_lines(text: str, guess: LoggerGuess) -> list[str]:
    """Show the first and the last row as the file has them: a wrong clock is seen in them."""
    rows = [line.strip() for line in text.splitlines()[guess.first_row - 1 :] if line.strip()]
    return [
        f"  first row: {rows[0][:60]}",
        f"  last row:  {rows[-1][:60]}",
        "  are these the true times? A clock that is 5 min fast: fast=5; slow: fast=-5",
    ]


def _read_log(
    args: argparse.Namespace, timezone: str, now: datetime, show: str
) -> tuple[LoggerSeries | None, list[str], str]:
    """Guess the logger file, and read it once the guess is confirmed; else say how to."""
    if not args.log:
        return None, [], ""
    from doughlab.formula.logger import read_logger
    from doughlab.formula.loggerguess import guess_logger

    try:
        text = Path(args.log).read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        raise InputError(f"{args.log} cannot be opened ({error.strerror}).") from None
    guess = guess_logger(text)
    answers = _answers(args.log_is)
    if not answers:
        head = wrap(f"{Path(args.log).name} would be read so:")
        lines = [part for line in str(guess).splitlines() for part in wrap(f"  {line}", indent=4)]
        shown = head + lines + _span_lines(text, guess)
        return None, shown, _confirm_command(args, guess.questions)
    guess = guess.confirmed(
        unit=answers.get("unit", ""),
        order=answers.get("order", ""),
        temp_column=int(answers.get("column", "0")),
    )
    fast = float(answers.get("fast", "0"))
    series = read_logger(
        text, guess, timezone=timezone, now=now, clock_fast_min=fast, file=Path(args.log).name
    )
    words = [f"log: {w}" for w in series.words(show=show)]
    return series, [line for w in words for line in wrap(w)], ""


def _answers(text: str) -> dict[str, str]:
    """Read "ok" or "unit=F,order=...,column=2,fast=5"."""
    known = {"unit", "order", "column", "fast"}
    out = {}
    for part in filter(None, (p.strip() for p in text.split(","))):
        name, _, value = part.partition("=")
        if name == "ok" and not value:
            out["ok"] = "yes"
            continue
        plain = value.isdigit() and len(value) <= 3
        number = value.lstrip("-").replace(".", "", 1).isdigit() and len(value) <= 8
        odd = (name == "column" and (not plain or value.strip("0") == "")) or (
            name == "fast" and not number
        )
        if name not in known or not value or odd:
            raise InputError(
                f"--log-is '{part[:40]}' is not understood. Say ok, or correct it: unit=F, "
                "order=day-month-year, column=2, fast=5 (minutes that its clock runs fast)."
            )
        out[name] = value
    return out


class _Answer:
    """Sets the facts of a ball in lines."""

    def __init__(self, contents: TrialFolder, facts: BallFacts, show: str) -> None:
        self.contents, self.facts, self.show = contents, facts, show
        self.settings = contents.settings
        self.zone = ZoneInfo(self.settings.timezone)
        limits = self.settings.limits
        self.spent_h = facts.state.warm_h(facts.at)
        self.left_h = limits.warm_h - self.spent_h
        self.too_warm = facts.cooler.warmest_c > min(limits.cooler_c, 5.0)
        self.found: dict[str, Any] = {}

    def temp(self, value_c: float) -> str:
        return format_quantity(value_c, "temp_c", show=self.show, digits=0)

    def clock(self, time: datetime) -> str:
        local = time.astimezone(self.zone)
        return f"{local:%a} {local.day} {local:%B %H:%M}"

    def ball_lines(self) -> list[str]:
        from doughlab.formula.core import clock_words

        f, steps = self.facts, self.facts.steps
        levels = ", ".join(f.setting.values())
        balled = self.clock(f.state.balled_at or f.at)
        lines = wrap(f"{f.ball_id} of batch {f.batch_id} ({levels}), balled {balled}")
        parts = [f"bench {clock_words(steps.bench_h)}"]
        cold = f"cooler {clock_words(steps.cooler_h)} at {self.temp(f.cooler.mean_c)}"
        parts.append(f"{cold} ({f.cooler.words})")
        if f.state.pulled_at is not None:
            parts.append(f"out {clock_words(steps.warm_h)} at {self.temp(f.room_c)}")
        held = clock_words(steps.hold_h)
        lines += wrap(f"held {held} by {self.clock(f.at)}: {', '.join(parts)}")
        riper = f.riper_h
        self.found |= {"held_h": steps.hold_h, "ripening_h": f.ripening_h, "riper_h": riper}
        side = "riper" if riper > 0 else "less ripe"
        usual = "as ripe as a usual ball at that hold"
        if abs(riper) >= 0.5:
            usual = f"{clock_words(abs(riper))} {side} than a usual ball at that hold"
        return lines + wrap(
            f"ripening: worth {f.ripening_h:.0f} h at {self.temp(f.clock.reference_c)}; {usual}"
        )

    def core_lines(self, core_c: float | None) -> list[str]:
        """Say how warm the ball is itself, and when its core is ready to use."""
        from doughlab.formula.core import clock_words, time_until_core

        f = self.facts
        course = f.steps.follow(f.body)
        words = f"core about {self.temp(course.centre_c[-1])}"
        self.found["core_c"] = course.centre_c[-1]
        wanted = core_c if core_c is not None else self._usual_core()
        if self.too_warm or f.state.used_at is not None:  # then no word on warming up
            return wrap(words)
        if wanted is None or wanted <= course.centre_c[-1] + 0.2:
            return wrap(words)
        span = time_until_core(
            f.body, start=course.end, surroundings_c=f.room_c, wanted_c=wanted, film=f.film
        )
        where = f"in a room of {self.temp(f.room_c)}"
        if span.value is None or span.low is None:
            return wrap(f"{words}; {where} it never reaches {self.temp(wanted)}")
        if span.value > self.left_h:
            return wrap(f"{words}; the limit of warm time comes before {self.temp(wanted)}: {PLAN}")
        high = span.high if span.high is not None and span.high < self.left_h else None
        last = clock_words(high) if high is not None else f"your limit, {clock_words(self.left_h)}"
        self.found["core_ready_h"] = span.value
        return wrap(
            f"{words}; {where} it reaches {self.temp(wanted)} in {clock_words(span.value)} "
            f"({clock_words(span.low)} to {last})"
        )

    def _usual_core(self) -> float | None:
        from statistics import median

        found = [b["core_temp_c"] for b in self.contents.records.bakes if b["core_temp_c"]]
        return median(found) if found else None

    def window_lines(self) -> list[str]:
        """Say when the window opens and closes; nothing where the cooler was too warm."""
        from doughlab.commands.ripe_facts import fit_trial_curve

        if self.too_warm:
            return wrap(self._cooler_words())
        window = self.settings.window
        name = window.response if window else "ph"
        if name not in self.settings.responses:
            return []
        response = self.settings.response(name)
        try:
            curve = fit_trial_curve(self.contents, response)
        except NotEstimable as error:
            return wrap(f"no curve over the hold yet: {error}")
        setting = {n: v for n, v in self.facts.setting.items() if v in curve.levels.get(n, ())}
        lines = self._now_lines(curve, setting, response)
        if window is None:
            return lines
        hours = curve.window_hours(window.low, window.high, setting=setting)
        self.found |= {"opens_h": hours.opens.value, "closes_h": hours.closes.value}
        lines += wrap(
            f"window {window.low:.2f} to {window.high:.2f}: on average opens at {hours.opens} "
            f"of hold{self._when(hours.opens.value)}, closes {_at(hours.closes)}"
        )
        return lines + wrap(
            f"  a single batch: opens {_at(hours.batch_opens)}, closes {_at(hours.batch_closes)}"
        )

    def _now_lines(
        self, curve: HoldCurve, setting: dict[str, str], response: Response
    ) -> list[str]:
        first, last = curve.holds_h[0], curve.holds_h[-1]
        at_h = self.facts.ripening_h - curve.extra_h
        if self.facts.state.used_at is not None or not first <= at_h <= last:
            return []
        from doughlab.formula.student import t_quantile

        found = curve.predict([at_h], setting=setting)
        spread = found.std_error[0] ** 2 + found.group_variance[0]
        spread += curve.fit.variances["residual"]
        half = t_quantile(float(found.df[0])) * float(spread) ** 0.5
        value = float(found.value[0])
        self.found["expected"] = value
        return wrap(
            f"expected {response.words} now: {value:.2f} ({value - half:.2f} to {value + half:.2f}"
            ") by its hours; a meter knows better"
        )

    def _when(self, hold_h: float | None) -> str:
        """Give the time of an hour of hold for this ball, riper or not."""
        if hold_h is None or self.facts.state.balled_at is None:
            return ""
        hours = hold_h - self.facts.riper_h
        return f" ({self.clock(self.facts.state.balled_at + timedelta(hours=hours))} for this one)"

    def _cooler_words(self) -> str:
        limit = min(self.settings.limits.cooler_c, 5.0)
        return (
            f"The cooler was at {self.temp(self.facts.cooler.warmest_c)}, above "
            f"{self.temp(limit)}: no advice on pH or warm-up; {PLAN}."
        )

    def warm_lines(self) -> list[str]:
        """Say how much warm time is spent, and how long to warm where that is allowed."""
        from doughlab.formula.core import clock_words

        limit = self.settings.limits.warm_h
        used = f"warm time so far {clock_words(self.spent_h)} of your {clock_words(limit)}"
        self.found |= {"warm_h": self.spent_h, "warm_limit_h": limit}
        if self.too_warm or self.facts.state.used_at is not None:
            return wrap(used)
        if self.left_h <= 0:
            return wrap(f"{used}: the limit is reached, {PLAN}")
        minutes = self.settings.kitchen.warm_min
        if self.facts.state.pulled_at is not None:
            return wrap(used)
        if minutes / 60.0 > self.left_h:
            return wrap(f"{used}: the usual {minutes:.0f} min to warm would pass it; {PLAN}")
        return wrap(f"{used}; take it out {minutes:.0f} min before use")

    def advice_lines(self, ph: float) -> list[str]:
        """Say how long to warm from a reading; never beyond the limit."""
        if self.too_warm:
            return []
        from doughlab.commands.ripe_facts import fit_trial_warm_up
        from doughlab.formula.warmup import Warmth, advise_warm_up

        window, limits, f = self.settings.window, self.settings.limits, self.facts
        if window is None:
            return wrap("no window is set in trial.toml, so a reading cannot be placed")
        warmth = Warmth(
            ph,
            f.room_c,
            f.steps.warm_h * 60.0,
            self.spent_h,
            limits.warm_h,
            f.cooler.warmest_c if f.cooler.known else None,
            limits.cooler_c,
            self._reading_sd(),
        )
        try:
            if window.low <= ph <= window.high or ph < window.low or self.left_h <= 0:
                model = None
            else:
                model = fit_trial_warm_up(self.contents, f)
            advice = advise_warm_up(model, warmth, low=window.low, high=window.high, show=self.show)
        except NotEstimable as error:
            return wrap(f"{ph:.2f}: above the window. {error}")
        self.found |= {"advice": advice.kind, "more_min": advice.minutes}
        return wrap(advice.words)

    def _reading_sd(self) -> float:
        known = self.settings.assumed.get("ph")
        stated = known.reading_sd if known else 0.0
        return max(stated, self.settings.reading_method.resolution)

    def nexts(self, ph: float | None) -> list[str]:
        """Say what to do next."""
        f = self.facts
        if self.too_warm or f.state.used_at is not None or ph is not None:
            return []
        folder = str(self.contents.path)
        place = "" if folder == "." else shlex.quote(folder)
        if f.state.pulled_at is None:
            where = f" --folder {place}" if place else ""
            return [f"doughlab record pulled {f.ball_id}{where}"]
        room = self.temp(f.room_c).replace(" °", "")
        where = f" {place}" if place else ""
        return [f"doughlab ripe {f.ball_id}{where} --ph READING --room {room}"]

    def data(self) -> dict[str, Any]:
        """Give the facts for machines; temperatures in Celsius."""
        f = self.facts
        return {
            "ball": f.ball_id,
            "at": f.at.isoformat(),
            "state": f.state.state,
            "cooler_c": f.cooler.mean_c,
            "cooler_warmest_c": f.cooler.warmest_c,
            "cooler_too_warm": self.too_warm,
            **self.found,
        }


def _at(hour: Any) -> str:
    text = str(hour)
    return f"at {text}" if text[0].isdigit() else text
