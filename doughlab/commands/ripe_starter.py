"""A starter that formula.toml names: feeding, temperature and hours, each from the other two.

`doughlab ripe STARTER` comes here. The rule is that of `formula.feeding`; own feedings are read
from record/lots.csv where the folder is a trial.
"""

from __future__ import annotations

import argparse
import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import counted, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.formula.core import clock_words
from doughlab.formula.formula import FILE, Formula, Preferment, read_formula
from doughlab.settings import FILE as TRIAL_FILE
from doughlab.units import format_quantity, parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.formula.feeding import FeedRule, Ratio, Watched

RIPE = (
    "Ripe is what your kitchen calls so (risen, domed, before it falls): common practice, no source"
)
RAW = "Raw starter is raw dough: it is not eaten; wheat is an allergen."


@dataclass(frozen=True)
class Starter:
    """A starter and the formula it stands in.

    Attributes
    ----------
    part : Preferment
    formula : Formula
    """

    part: Preferment
    formula: Formula


def find_starter(args: argparse.Namespace) -> Starter | None:
    """Find the starter that is asked about; None for a ball.

    Raises
    ------
    InputError
        For --feed where the name is no starter.
    """
    path = Path(args.folder) / FILE
    formula = read_formula(path) if path.exists() else None
    known = {p.name: p for p in (formula.preferments if formula else ()) if p.kind == "starter"}
    wanted = args.ball.casefold()
    found = next((p for name, p in known.items() if name.casefold() == wanted), None)
    if found is not None and formula is not None:
        return Starter(found, formula)
    if args.feed is not None:
        names = f"Known: {', '.join(known)}." if known else (
            'Name one there: [[preferments]] with kind = "starter".')  # fmt: skip
        raise InputError(
            f"'{args.ball}' is no starter of {FILE}, and --feed goes with one. {names}"
        )
    return None


def run_starter(args: argparse.Namespace, starter: Starter) -> Outcome:
    """Answer for a starter what is asked: hours, feeding or temperature.

    Raises
    ------
    InputError
        For options about a ball, or where too little is said.
    """
    from doughlab.formula.feeding import LEAST_C, MOST_C, watch_feedings

    for option in ("ph", "core", "probe", "log"):
        if getattr(args, option):
            raise InputError(f"--{option} is about a ball; of a starter say --room and --feed.")
    lots, show = _from_trial(args)
    watched = watch_feedings(lots, hydration_pct=starter.part.hydration_pct)
    rule = watched.rule()
    ratio, hours = read_feed(args.feed or "", hydration_pct=starter.part.hydration_pct)
    temp_c = None
    if args.room is not None:
        temp_c = parse_quantity(args.room, "temp_c", what="--room", low=LEAST_C, high=MOST_C)
    show = (typed_unit(args.room) if args.room else "") or show
    asked = _Asked(starter, rule, ratio, temp_c, hours, show)
    found, data = asked.answer()
    found += _basis_lines(rule, watched)
    found += wrap(f"{RIPE}. {RAW}")
    where = "" if args.folder == "." else f" --folder {shlex.quote(args.folder)}"
    stood = format_quantity(data["temp_c"], "temp_c", show=show, digits=0).replace(" °", "")
    fed = data["feed"] or "1:4:4"
    nexts = [
        f"write it down: doughlab record lot S01 starter fed={fed} stood_temp_c={stood} "
        f"ripe_h=HOURS{where}"
    ]
    return Outcome(read=[str(Path(args.folder) / FILE)], found=found, next=nexts, data=data)


def _from_trial(args: argparse.Namespace) -> tuple[list[dict[str, Any]], str]:
    """Read the lots of a trial and the unit it shows; none where it is only a formula's folder."""
    if not (Path(args.folder) / TRIAL_FILE).exists():
        return [], "C"
    from doughlab.record.folder import read_folder

    contents = read_folder(Path(args.folder))
    return list(contents.records.lots), contents.settings.show_temperature


def read_feed(text: str, *, hydration_pct: float) -> tuple[Ratio | None, float | None]:
    """Read a feeding, hours, or both in any order.

    Raises
    ------
    InputError
        For words that are neither.

    Examples
    --------
    >>> ratio, hours = read_feed("1:4:4 in 10 h", hydration_pct=100)
    >>> str(ratio), hours
    ('1:4:4', 10.0)
    """
    from doughlab.formula.feeding import read_ratio

    found = re.search(r"[0-9.,]+\s*:\s*[0-9.,]+(\s*:\s*[0-9.,]+)?", text)
    ratio = read_ratio(found[0], hydration_pct=hydration_pct) if found else None
    rest = text.replace(found[0], " ") if found else text
    rest = re.sub(r"\b(in|for|after)\b", " ", rest).strip()
    if not rest:
        return ratio, None
    return ratio, parse_quantity(rest, "h", what="--feed", low=0.5, high=96.0)


@dataclass(frozen=True)
class _Asked:
    """What is known of a feeding, and the answer to what is not."""

    starter: Starter
    rule: FeedRule
    ratio: Ratio | None
    temp_c: float | None
    hours: float | None
    show: str

    def answer(self) -> tuple[list[str], dict[str, Any]]:
        """Give lines and plain values."""
        part = self.starter.part
        head = f"{part.name}, {part.hydration_pct:g} % water"
        if self.temp_c is not None and self.hours is not None and self.ratio is None:
            return self._feeding(head)
        if self.hours is not None and self.ratio is not None and self.temp_c is None:
            return self._temperature(head)
        if self.temp_c is not None:
            return self._hours(head)
        raise InputError(
            "Say two of three: how warm it stands (--room 75F), its feeding (--feed 1:4:4), and "
            "in how many hours it shall be ripe (--feed 10h)."
        )

    def _hours(self, head: str) -> tuple[list[str], dict[str, Any]]:
        from doughlab.formula.feeding import list_common

        warm = self._temp(self.temp_c)
        own = self.rule.dilutions
        ratios = [self.ratio] if self.ratio is not None else [
            r for r in list_common() if own is None or 0.7 * own[0] <= r.dilution <= 1.4 * own[1]
        ]  # fmt: skip
        if not ratios:
            raise InputError("Say how it is fed: --feed 1:4:4.")
        lines = wrap(f"{head}, at {warm}:")
        spans = {str(r): self.rule.hours(r.dilution, self.temp_c or 0.0) for r in ratios}
        for name, (value, low, high) in spans.items():
            lines += wrap(f"  fed {name} it is ripe in {clock_words(value)} "
                          f"({clock_words(low)} to {clock_words(high)}, 95 % range)")  # fmt: skip
        if self.ratio is not None and self.hours is not None:
            _, low, high = spans[str(self.ratio)]
            inside = "may well be" if low <= self.hours <= high else "will hardly be"
            lines += wrap(f"  in {clock_words(self.hours)} it {inside} ripe")
        lines += self._grams(self.ratio) if self.ratio is not None else []
        data = self._data(self.ratio, self.temp_c) | {
            "hours": {n: list(s) for n, s in spans.items()}
        }
        return lines, data

    def _feeding(self, head: str) -> tuple[list[str], dict[str, Any]]:
        from doughlab.formula.feeding import Ratio

        hydration = self.starter.part.hydration_pct
        spans = self.rule.dilution(self.hours or 0.0, self.temp_c or 0.0)
        best, low, high = (Ratio.of_dilution(d, hydration_pct=hydration) for d in spans)
        lines = wrap(
            f"{head}: to be ripe in {clock_words(self.hours or 0.0)} at {self._temp(self.temp_c)} "
            f"feed it {best} ({low} to {high}, 95 % range)"
        )
        data = self._data(best, self.temp_c) | {"range": [str(low), str(high)]}
        return lines + self._grams(best), data

    def _temperature(self, head: str) -> tuple[list[str], dict[str, Any]]:
        ratio = self.ratio
        if ratio is None or self.hours is None:
            return [], {}
        value, low, high = self.rule.temperature(self.hours, ratio.dilution)
        coldest = self._temp(low) if low is not None else "colder than is reckoned"
        warmest = self._temp(high) if high is not None else "warmer than is reckoned"
        lines = wrap(
            f"{head}: fed {ratio}, to be ripe in {clock_words(self.hours)} keep it at "
            f"{self._temp(value)} ({coldest} to {warmest}, 95 % range)"
        )
        return lines + self._grams(ratio), self._data(ratio, value) | {"range": [low, high]}

    def _temp(self, value: float | None) -> str:
        return format_quantity(value or 0.0, "temp_c", show=self.show, digits=0)

    def _grams(self, ratio: Ratio) -> list[str]:
        """Say the grams for a batch, as much left over as was taken."""
        from doughlab.formula.feeding import feed_for
        from doughlab.formula.weighing import weigh_batch

        card = weigh_batch(self.starter.formula)
        needed = card.grams(self.starter.part.name)
        if needed <= 0:
            return []
        g = feed_for(needed, ratio)
        lines = wrap(
            f"  for a batch of {card.balls} balls ({needed:.0f} g of it): {g['starter']:.0f} g "
            f"starter, {g['flour']:.0f} g flour, {g['water']:.0f} g water; as much is left to feed "
            "again", indent=4,
        )  # fmt: skip
        own, fed = self.starter.part.hydration_pct, 100.0 * ratio.water / ratio.flour
        if abs(own - fed) > 2.0:
            lines += wrap(f"  look: {ratio} brings it to {fed:.0f} % water; {FILE} reckons with "
                          f"{own:g} %", indent=4)  # fmt: skip
        return lines

    def _data(self, ratio: Ratio | None, temp_c: float | None) -> dict[str, Any]:
        return {
            "starter": self.starter.part.name,
            "feed": None if ratio is None else str(ratio),
            "temp_c": temp_c,
            "asked_h": self.hours,
            "feedings": self.rule.feedings,
        }


def _basis_lines(rule: FeedRule, watched: Watched) -> list[str]:
    """Say what the hours rest on: own feedings, or common practice."""
    from doughlab.formula.feeding import USUAL_SPREAD
    from doughlab.formula.starter import LEAST_FEEDINGS

    lines: list[str] = []
    if rule.feedings:
        lines += wrap(f"from {counted(rule.feedings, 'feeding')} of yours; the hours go with the "
                      "logarithm of the thinning (growth)")  # fmt: skip
    else:
        had = len(watched.feedings)
        lines += wrap(
            f"hours: common practice, no source, up to {USUAL_SPREAD:g} times shorter or longer; "
            f"{LEAST_FEEDINGS - had} {'more ' if had else ''}of your own feedings, written down, "
            "take their place"
        )
    lines += wrap(f"other temperatures: {getattr(rule.clock, 'source', 'the clock')}")
    return lines + [x for words in watched.left_out for x in wrap(f"left out: {words}")]
