"""Settings: what a trial asks and how it is run, parsed and checked from trial.toml.

Plan, record and analysis take a `Settings`; every problem of the file is found in one go.
Sections and their keys are listed in `sections`; what follows from them is left to the rooms.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from doughlab.cells import Column
from doughlab.confirming import Confirm
from doughlab.designed import DESIGNS, LISTENS, Design
from doughlab.errors import InputError, Problem, UnknownName
from doughlab.levels import widen_levels
from doughlab.looks import Looks
from doughlab.nearby import missing_words
from doughlab.sections import (
    QUESTION,
    SECTIONS,
    TOP,
    Assumed,
    Blocks,
    Buffer,
    Criterion,
    Factor,
    Kitchen,
    Limits,
    Meter,
    Panel,
    Prices,
    Question,
    ReadingMethod,
    Response,
    Section,
    Step,
    WarmUp,
    Window,
)
from doughlab.slips import read_toml
from doughlab.tables import TABLES, Table
from doughlab.training import Training
from doughlab.units import explain_out_of_range

FORMAT = 1
FILE = "trial.toml"


@dataclass(frozen=True)
class Settings:
    """Everything trial.toml says, checked.

    Attributes
    ----------
    name, code : str
        What people call the trial, and the short code on labels (A-Z, 0-9).
    dough, timezone, currency : str
        The dough's name, an IANA time zone, the user's own currency.
    seed : int
        Seed of every random order of this trial.
    questions : tuple of Question
    factors : dict of str to Factor
    responses : dict of str to Response
    rubric : dict of str to Criterion
    steps : dict of str to Step
        By step name, where trial.toml says how long one lasts or needs hands.
    assumed : dict of str to Assumed
        By response name.
    meter : Meter
    buffers : dict of str to Buffer
        Own bottles, by name.
    training : Training
        Who learns beside whom.
    looks : Looks
        When the trial is looked at before its end.
    confirm : Confirm or None
        What this trial confirms: then its factors have one level each.
    prices : Prices
    forbidden : tuple of dict
        Combinations of levels (as text) that are never mixed.
    window : Window or None
        None where the pH band is not known yet.
    blocks, plan, kitchen, panel, reading_method, warm_up, limits
        The sections of the same names, with their usual values where trial.toml is silent.
    about, show_temperature : str
        What the trial is about, and the unit that temperatures are shown in, "C" or "F".
    source : str
        "invented", "published" or "own": where the records come from; stated in every report.
    assumed_from : str
        Folder of an earlier trial, seen from this one's, whose spreads are planned with where
        [assumed] states none; empty where there is none.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> settings = open_demo().settings
    >>> settings.hold.name, [f.name for f in settings.factors_set("batch")]
    ('hold', ['water', 'mixing_water', 'hydration'])
    >>> settings.factor("water").levels, settings.response("ph").margin
    (('tap', 'reverse osmosis', 'bottled'), 0.1)
    >>> "ph" in settings.table("readings").names
    True
    """

    name: str
    code: str
    dough: str = "house dough"
    timezone: str = "UTC"
    currency: str = ""
    seed: int = 1
    source: str = "own"
    about: str = ""
    assumed_from: str = ""
    show_temperature: str = "C"
    questions: tuple[Question, ...] = ()
    factors: dict[str, Factor] = field(default_factory=dict)
    responses: dict[str, Response] = field(default_factory=dict)
    forbidden: tuple[dict[str, str], ...] = ()
    window: Window | None = None
    blocks: Blocks = field(default_factory=Blocks)
    plan: Design = field(default_factory=Design)
    looks: Looks = field(default_factory=Looks)
    confirm: Confirm | None = None
    kitchen: Kitchen = field(default_factory=Kitchen)
    panel: Panel = field(default_factory=Panel)
    rubric: dict[str, Criterion] = field(default_factory=dict)
    steps: dict[str, Step] = field(default_factory=dict)
    reading_method: ReadingMethod = field(default_factory=ReadingMethod)
    meter: Meter = field(default_factory=Meter)
    buffers: dict[str, Buffer] = field(default_factory=dict)
    warm_up: WarmUp = field(default_factory=WarmUp)
    limits: Limits = field(default_factory=Limits)
    assumed: dict[str, Assumed] = field(default_factory=dict)
    training: Training = field(default_factory=Training)
    prices: Prices = field(default_factory=Prices)

    def factors_set(self, *levels: str) -> list[Factor]:
        """List the factors set per "day", "batch" or "ball", in file order."""
        return [f for f in self.factors.values() if f.set in levels]

    @property
    def hold(self) -> Factor | None:
        """The ball factor measured in hours, where there is one."""
        for f in self.factors_set("ball"):
            if f.unit == "h":
                return f
        return None

    def response(self, name: str) -> Response:
        """Look a response up by its name.

        Raises
        ------
        UnknownName
            With the nearest name.
        """
        if name not in self.responses:
            raise UnknownName("response", name, self.responses, where=FILE)
        return self.responses[name]

    def factor(self, name: str) -> Factor:
        """Look a factor up by its name.

        Raises
        ------
        UnknownName
            With the nearest name.
        """
        if name not in self.factors:
            raise UnknownName("factor", name, self.factors, where=FILE)
        return self.factors[name]

    def table(self, name: str) -> Table:
        """Give a table with this trial's factor columns and own responses added.

        `low` and `high` of a response narrow its column: what lies outside is refused.
        """
        own: list[Column] = []
        if name == "batches":
            own = [f.as_column() for f in self.factors_set("day", "batch")]
        elif name == "balls":
            # a spare ball has no ball setting; `read_plan` checks the others
            own = [replace(f.as_column(), required=False) for f in self.factors_set("ball")]
        else:
            own = [r.as_column() for r in self.responses.values() if r.table == name]
        return TABLES[name].narrowed(own).extended(own)


def read_settings(path: Path) -> Settings:
    """Read and check a trial.toml.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        With every problem of the file, each with line and key.

    Examples
    --------
    >>> read_settings(Path("nowhere/trial.toml"))
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: trial.toml: does not exist, so this is no trial folder. ...
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{FILE}: {missing_words(Path(path).parent)}") from None
    except UnicodeDecodeError:
        raise InputError(f"{FILE}: not UTF-8 text. Save it as UTF-8.") from None
    settings, problems = parse_settings(text)
    if settings is None:
        raise InputError.from_problems(problems, shown=12)
    return settings


def parse_settings(text: str) -> tuple[Settings | None, list[Problem]]:
    r"""Parse the text of a trial.toml.

    Returns
    -------
    Settings or None, list of Problem
        None where a problem of level "error" was found.

    Examples
    --------
    >>> settings, problems = parse_settings("format = 1\nname = 'x'\ncode = 'X1'\nsede = 3")
    >>> print(problems[0].message)
    key 'sede' is not known. Did you mean 'seed'? Known: ...
    """
    data, hint, row = read_toml(text)
    if data is None:
        return None, [Problem(FILE, f"cannot be read: {hint}", row)]
    reader = _Reader(data, text)
    settings = reader.settings()
    if any(p.level == "error" for p in reader.problems):
        return None, reader.problems
    return settings, reader.problems


def find_line(lines: Sequence[str], section: str, key: str = "", *, nth: int = 0) -> int | None:
    """Find the line of a key among the lines of a TOML file, or of its section.

    `nth` counts sections of the same name, as [[questions]], from 0.

    Examples
    --------
    >>> find_line(["format = 1", "[blocks]", "days = 2"], "blocks", "days")
    3
    """
    inside, start, seen = not section, 0, -1
    for number, line in enumerate(lines, start=1):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
        if header:
            named = header.group(1).replace('"', "").replace("'", "") == section
            seen += named
            inside = named and seen == nth
            start = number if inside else start
        elif inside and key and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return number
    return start or None


class _Reader:
    """Walks the parsed TOML once and keeps every problem."""

    def __init__(self, data: Mapping[str, Any], text: str) -> None:
        self.data = data
        self.lines = text.splitlines()
        self.problems: list[Problem] = []
        self.question_places: list[int] = []

    def problem(self, message: str, section: str = "", key: str = "", *, nth: int = 0) -> None:
        place = f"{section}.{key}" if section and key else section or key
        line = find_line(self.lines, section, key, nth=nth)
        self.problems.append(Problem(FILE, message, line, place))

    def section(self, section: Section, data: Any, where: str, *, nth: int = 0) -> dict[str, Any]:
        """Read one section against its keys; wrong ones become problems and are left out."""
        out: dict[str, Any] = {}
        if not isinstance(data, Mapping):
            self.problem(f"'{where}' must be a section: write [{where}] on a line.", "", where)
            return out
        for key, value in data.items():
            if key not in section.keys:
                error = UnknownName("key", str(key), section.keys)
                self.problem(str(error), where, str(key), nth=nth)
                continue
            try:
                out[key] = section.keys[key].read(value)
            except InputError as error:
                self.problem(str(error), where, key, nth=nth)
        for key, spec in section.keys.items():
            if spec.required and key not in data:
                self.problem(f"'{key}' is missing. {spec.help}", where, key, nth=nth)
        return out

    def settings(self) -> Settings | None:
        data = dict(self.data)
        if not self._format(data.pop("format", None)):
            return None
        nested = {k: data.pop(k) for k in SECTIONS if k in data}
        questions = data.pop("questions", [])
        forbidden = data.pop("forbidden", [])
        self._unknown_sections(data)
        values = self.section(TOP, data, "")
        values |= self._nested(nested)
        values["factors"] = self._widen(values.get("factors", {}), values.get("plan", Design()))
        values["questions"] = self._questions(questions)
        values["forbidden"] = self._forbidden(forbidden, values.get("factors", {}))
        settings = Settings(**({"name": "", "code": ""} | values))
        self._cross_checks(settings)
        return settings

    def _unknown_sections(self, data: dict[str, Any]) -> None:
        """Take sections that nobody knows out of the keys at the top, and name the nearest."""
        for name, value in list(data.items()):
            many = isinstance(value, list) and any(isinstance(v, Mapping) for v in value)
            if name not in TOP.keys and (many or isinstance(value, Mapping)):
                del data[name]
                words = str(UnknownName("section", name, [*SECTIONS, "questions", "forbidden"]))
                inner = "" if many or find_line(self.lines, name) else f".{next(iter(value), '')}"
                self.problem(words, name + inner)

    def _format(self, value: Any) -> bool:
        if value == FORMAT and not isinstance(value, bool):
            return True
        if isinstance(value, int) and not isinstance(value, bool) and value > FORMAT:
            self.problem(
                f"format {value} is newer than this doughlab reads ({FORMAT}). Update doughlab.",
                key="format",
            )
        else:
            self.problem(f"format must be {FORMAT}; found {value!r}.", key="format")
        return False

    def _nested(self, nested: dict[str, Any]) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for name, section in SECTIONS.items():
            if name not in nested:
                continue
            data = nested[name]
            if not section.many:
                found = self.section(section, data, name)
                if name == "units":
                    values["show_temperature"] = found.get("temperature", "C")
                elif not any(p.column.startswith(name) for p in self.problems):
                    values[name] = section.make(**found)
                continue
            if not isinstance(data, Mapping):
                self.problem(f"write [{name}.<name>] sections.", "", name)
                continue
            values[name] = {}
            for key, inner in data.items():
                where = f"{name}.{key}"
                if not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", key):
                    self.problem(
                        f"'{key}' cannot be a column name: use small letters, digits and _.", where
                    )
                    continue
                found = self.section(section, inner, where)
                if any(p.column.startswith(where) for p in self.problems):
                    continue
                try:
                    more = {"least": 1} if name == "factors" and "confirm" in self.data else {}
                    values[name][key] = section.make(name=key, **more, **found)
                except InputError as error:
                    self.problem(str(error), where)
        return values

    def _widen(self, factors: dict[str, Factor], design: Design) -> dict[str, Factor]:
        """Add the levels that the plan needs beside the low and high of numbers."""
        try:
            return widen_levels(factors, design)
        except InputError as error:
            self.problem(str(error), "plan")
            return factors

    def _questions(self, data: Any) -> tuple[Question, ...]:
        if not isinstance(data, list):
            self.problem("write [[questions]] with two brackets.", "questions")
            return ()
        out = []
        for nth, inner in enumerate(data):
            before = len(self.problems)
            found = self.section(QUESTION, inner, "questions", nth=nth)
            if len(self.problems) == before:
                out.append(Question(**found))
                self.question_places.append(nth)
        return tuple(out)

    def _forbidden(self, data: Any, factors: dict[str, Factor]) -> tuple[dict[str, str], ...]:
        if not isinstance(data, list):
            self.problem("write [[forbidden]] with two brackets.", "forbidden")
            return ()
        out = []
        for nth, pair in enumerate(data):
            texts = {}
            if not isinstance(pair, Mapping):
                self.problem("write [[forbidden]] with two brackets.", "forbidden", nth=nth)
                continue
            for key, value in pair.items():
                if key not in factors:
                    if not self._named("factors", key):
                        words = str(UnknownName("factor", key, factors))
                        self.problem(words, "forbidden", key, nth=nth)
                    continue
                try:
                    texts[key] = factors[key].level_of(value)
                except InputError as error:
                    self.problem(str(error), "forbidden", key, nth=nth)
            out.append(texts)
        return tuple(out)

    def _named(self, section: str, name: str) -> bool:
        """Tell whether a section of that name stands in the file, though it cannot be used."""
        there = self.data.get(section)
        return isinstance(there, Mapping) and name in there

    def _cross_checks(self, s: Settings) -> None:
        for q, nth in zip(s.questions, self.question_places, strict=True):
            self._check_question(s, q, nth)
        if sum(q.primary for q in s.questions) > 3:
            self.problem(
                "at most three primary questions: each further one weakens all. "
                "Set primary = false on the others.",
                "questions",
                "primary",
            )
        for name in s.assumed:
            if name not in s.responses and not self._named("responses", name):
                self.problem(str(UnknownName("response", name, s.responses)), f"assumed.{name}")
        if s.looks.check():
            self.problem(s.looks.check(), "looks", "after_batches")
        if s.confirm is not None and s.confirm.check()[0]:
            self.problem(s.confirm.check()[1], "confirm", s.confirm.check()[0])
        if s.training.check():
            self.problem(s.training.check(), "training", "experienced")
        method = s.reading_method
        if None not in (method.temp_low_c, method.temp_high_c) and not method.temp_in_order:
            self.problem("temp_low_c must lie under temp_high_c.", "reading_method", "temp_low_c")
        found = s.warm_up.check(
            warm_min=s.kitchen.warm_min, warm_h=s.limits.warm_h, hold=s.hold is not None
        )
        if found:
            self.problem(found, "warm_up", "rooms")
        self._check_factors(s)
        self._check_times(s)
        self._check_plan(s)
        self._check_responses(s)
        self._check_panel(s)

    def _check_question(self, s: Settings, q: Question, nth: int) -> None:
        if q.response not in s.responses and not self._named("responses", q.response):
            words = str(UnknownName("response", q.response, s.responses))
            self.problem(words, "questions", "response", nth=nth)
        if q.factor not in s.factors:
            if not self._named("factors", q.factor):
                words = str(UnknownName("factor", q.factor, s.factors))
                self.problem(words, "questions", "factor", nth=nth)
            return
        factor = s.factors[q.factor]
        if q.reference is not None and q.reference not in factor.levels:
            error = UnknownName(f"level of {q.factor}", q.reference, factor.levels)
            self.problem(str(error), "questions", "contrast", nth=nth)
        if q.contrast == "slope" and factor.kind != "number":
            words = f"a slope needs a number; '{q.factor}' is a {factor.kind}. Use \"pairs\"."
            self.problem(words, "questions", "contrast", nth=nth)

    def _check_factors(self, s: Settings) -> None:
        for f in s.factors.values():
            where = f"factors.{f.name}"
            taken = TABLES["balls" if f.set == "ball" else "batches"]
            if f.column in taken.names:
                words = f"'{f.column}' is a column of {taken.path} already. Choose another name."
                self.problem(words, where)
            if f.set == "ball" and f.unit == "h" and max(f.values) > s.limits.max_hold_h:
                words = explain_out_of_range(
                    max(f.values), "h", None, s.limits.max_hold_h, what=f.words
                )
                words += " Take the level away, or raise max_hold_h in [limits]."
                self.problem(words, where, "levels")

    def _check_plan(self, s: Settings) -> None:
        """Find keys that this kind of plan passes over."""
        given = self.data.get("plan")
        for key in given if isinstance(given, Mapping) else ():
            kinds = LISTENS.get(str(key), DESIGNS)
            if s.plan.design not in kinds:
                known = " or ".join(f'"{kind}"' for kind in kinds)
                words = (
                    f'design = "{s.plan.design}" takes no {key}; {known} does. Take it away, or '
                    "choose that design."
                )
                self.problem(words, "plan", str(key))
        if s.plan.generators and s.plan.runs:
            words = "generators say how many runs there are. Take runs away."
            self.problem(words, "plan", "runs")
        if bool(s.plan.readers) != bool(s.plan.meters):
            words = "a meter study needs readers and meters, one or more of each."
            self.problem(words, "plan", "meters" if s.plan.meters else "readers")

    def _check_panel(self, s: Settings) -> None:
        if len(set(s.panel.judges)) < len(s.panel.judges):
            self.problem("a judge is named twice.", "panel", "judges")
        if not s.rubric:
            return
        if not any(c.weight > 0 for c in s.rubric.values()):
            self.problem("no criterion has a weight above 0.", "rubric")
        first = next(iter(s.rubric.values()))
        for c in s.rubric.values():
            where = f"rubric.{c.name}"
            if c.low >= c.high:
                self.problem("low must lie under high.", where, "low")
            elif (c.low, c.high) != (first.low, first.high):
                words = (
                    f"goes from {c.low:g} to {c.high:g}, '{first.name}' from {first.low:g} to "
                    f"{first.high:g}. Give all criteria one range, so that their mean means one "
                    "thing."
                )
                self.problem(words, where, "high")
        for r in (r for r in s.responses.values() if r.kind == "score"):
            for key, own, end in (("low", r.low, first.low), ("high", r.high, first.high)):
                if own is not None and own != end:
                    words = f"{key} {own:g} is not that of the rubric. Write {key} = {end:g}."
                    self.problem(words, f"responses.{r.name}", key)

    def _check_times(self, s: Settings) -> None:
        from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

        try:
            ZoneInfo(s.timezone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            self.problem(
                f"timezone '{s.timezone}' is not known. Write it like 'Europe/Rome'.",
                key="timezone",
            )
        if s.kitchen.open_at >= s.kitchen.close_at:
            self.problem("close_at must lie after open_at on the same day.", "kitchen", "close_at")
        came, left = s.panel.from_at or s.kitchen.open_at, s.panel.until_at or s.kitchen.close_at
        if came >= left and (s.panel.from_at or s.panel.until_at):
            self.problem(
                f"until_at {left} must lie after from_at {came} on the same day.",
                "panel",
                "until_at" if s.panel.until_at else "from_at",
            )

    def _check_responses(self, s: Settings) -> None:
        holds = s.hold
        for r in s.responses.values():
            where = f"responses.{r.name}"
            known = TABLES[r.table].names
            own = r.column not in known
            if not own and TABLES[r.table].column(r.column).kind not in {"number", "integer"}:
                self.problem(f"column '{r.column}' does not hold numbers.", where, "column")
            if r.kind == "score" and (r.table, r.column) != ("scores", "score"):
                key = "column" if r.table == "scores" else "table"
                self.problem('a score stands in table = "scores", column = "score".', where, key)
            if r.use_hold_h is not None and holds and r.use_hold_h not in holds.values:
                self.problem(
                    f"use_hold_h {r.use_hold_h:g} is not a tried hold "
                    f"({', '.join(holds.levels)}). Choose one of them.",
                    where,
                    "use_hold_h",
                )
            if r.low is not None and r.high is not None and r.low >= r.high:
                self.problem("low must lie under high.", where, "low")
            if isinstance(r.at_least, float) and r.at_most is not None and r.at_least >= r.at_most:
                self.problem("at_least must lie under at_most.", where, "at_least")
        if any(r.kind == "score" for r in s.responses.values()) and not self.data.get("rubric"):
            self.problem("a score needs criteria: add [rubric.<name>] sections.", "rubric")
        if s.window and s.window.low >= s.window.high:
            self.problem("low must lie under high.", "window", "low")
        there = s.window is None or s.window.response in s.responses
        if s.window and not there and not self._named("responses", s.window.response):
            words = str(UnknownName("response", s.window.response, s.responses))
            self.problem(words, "window", "response")
