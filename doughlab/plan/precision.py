"""Precision: what a plan will find, question by question, before anything is mixed.

`doughlab plan` and the report show it. The verdict rule is that of `stats.verdicts`, the model
that of `model`; covariances come from `foresee`. Choosing another plan is left to the reader.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.errors import NotEstimable
from doughlab.plan.foresee import (
    Chances,
    Foreseen,
    Foresight,
    compare,
    copy_layout,
    find_chances,
    foresee,
    found_chance,
    match_df,
)
from doughlab.plan.instrument import instrument_warnings
from doughlab.plan.model import build_layout

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.plan.plan import Plan, Row
    from doughlab.sections import Factor, Question, Response
    from doughlab.settings import Settings

_MOST_COPIES = 40  # beyond forty times the plan no number of batches is named
_HARDLY, _SURELY = 0.1, 0.95


@dataclass(frozen=True)
class Line:
    """What the plan will find about one factor and response.

    Attributes
    ----------
    factor : Factor
    response : Response
    question : Question or None
        None where nobody asked.
    hold : str
        Level of the hold the comparison stands at; empty where averaged over all holds.
    level : str
        "day", "lot", "batch" or "ball": the units compared.
    units : int
        How many of them.
    least : Foreseen or None
        The least sure comparison of the family; None where nothing can be judged.
    reason : str
        Why not, in that case.
    chances : Chances or None
        What it will find; None where nothing can be judged.
    """

    factor: Factor
    response: Response
    question: Question | None
    hold: str
    level: str
    units: int
    least: Foreseen | None = None
    reason: str = ""
    chances: Chances | None = None

    @property
    def based_on(self) -> str:
        """The units in words, as in "24 batches"."""
        return count_units(self.units, self.level)


@dataclass(frozen=True, repr=False)
class Precision:
    """What a plan will find, for every factor and response.

    Attributes
    ----------
    lines : tuple of Line
        Those that are printed first: at the hold of use where there is one.
    others : tuple of Line
        The same averaged over all holds.
    warnings : tuple of str
        Primary questions that the plan cannot answer, and how many batches would do; then steps
        of the instrument that are too coarse.
    notes : tuple of str
        Weak spots: other questions, chances between one half and 4 in 5, terms left out.
    assumed : str
        The spreads all of it rests on.
    """

    lines: tuple[Line, ...]
    others: tuple[Line, ...] = ()
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    assumed: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """All lines as a DataFrame.

        Columns term, level (of the hold; empty: averaged), contrast (the least sure one),
        std_error, df, unit, n, then response, question, based_on, critical, found_80, found_90,
        found_margin, same_if_zero, same_if_half, margin.
        """
        import pandas as pd

        return pd.DataFrame([_record(line) for line in (*self.lines, *self.others)])

    def __str__(self) -> str:
        """Give the table in at most 15 lines of 80 characters."""
        lines = self.text().splitlines()
        if len(lines) <= 15:
            return "\n".join(lines)
        return "\n".join([*lines[:14], f"and {len(lines) - 14} more lines: see text() or table"])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        return f"<pre>{html.escape(str(self))}</pre>"

    def text(self) -> str:
        """Lay all printed lines out in at most 80 columns."""
        rows = [("", "on", "based on", "finds 4 in 5", 'shows "same"')]
        last = ""
        for line in self.lines:
            name = line.factor.words if line.factor.name != last else ""
            last = line.factor.name
            found = same = "-"
            if line.chances is not None:
                found = _size_words(line.chances.found_80, line.response)
                same = chance_words(line.chances.same_if_zero)
            rows.append((name, _scope(line), line.based_on, found, same))
        said = textwrap.wrap(self.assumed, 80)
        return "\n".join([*(_lay_out(rows) if self.lines else []), *said])


def _lay_out(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Align five columns within 80; the first two are cut where they are too long."""
    w = [max(len(row[i]) for row in rows) for i in range(5)]
    w[1] = min(w[1], 22)
    w[0] = min(w[0], 70 - sum(w[1:]))
    cut = [(_cut(a, w[0]), _cut(b, w[1]), *rest) for a, b, *rest in rows]
    return [
        f"  {a:<{w[0]}}  {b:<{w[1]}}  {c:<{w[2]}}  {d:>{w[3]}}  {e}".rstrip()
        for a, b, c, d, e in cut
    ]


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 2] + ".."


def plan_precision(settings: Settings, plan: Plan, *, seed: int = 0) -> Precision:
    """Say what a plan will find, by the rule that will give the verdicts.

    Parameters
    ----------
    settings : Settings
        Questions, margins and assumed spreads.
    plan : Plan
    seed : int
        Of the invented trials, where algebra does not do.

    Returns
    -------
    Precision

    Notes
    -----
    "Found" means that the simultaneous 95 % range of the question leaves zero out. A range is the
    foreseen standard error times the Tukey, Dunnett or t value at the degrees of freedom that
    Kenward and Roger (1997) give at the assumed spreads; its estimated length varies as the root
    of a chi-square over its degrees of freedom. Exact where the layout is balanced. Where their
    adjusted covariance differs from the plain one (a session's spread told by few days), 3000
    trials are invented and fitted instead; chances are then true to one in a hundred.
    """
    lines: list[Line] = []
    others: list[Line] = []
    warnings: list[str] = []
    notes: list[str] = []
    known: dict[str, _Known] = {}
    for response in settings.responses.values():
        if response.name not in settings.assumed:
            notes.append(
                f"No spread is assumed for {response.words}, so nothing is foreseen: add "
                f"[assumed.{response.name}] with batch_sd and ball_sd to trial.toml."
            )
            continue
        layout = build_layout(settings, plan.batches, plan.balls, response)
        try:
            sight = foresee(settings, layout, response)
        except NotEstimable as error:
            first, rest = _unanswered(settings, response, str(error))
            warnings += first
            notes += rest
            continue
        known[response.name] = _Known(sight, layout, seed)
        notes += [n for n in (*sight.terms.notes, *_lot_note(sight)) if n not in notes]
        for factor in settings.factors.values():
            main, *average = _holds(settings, factor, response)
            lines.append(_line(sight, layout, factor, main, seed))
            others += [_line(sight, layout, factor, hold, seed) for hold in average]
    full = _fill([*lines, *others])
    lines, others = (_sorted(settings, p) for p in (full[: len(lines)], full[len(lines) :]))
    for line in lines:
        sentence = _judge_line(line, known[line.response.name])
        if sentence:
            primary = line.question is not None and line.question.primary
            (warnings if primary and _is_weak(line) else notes).append(sentence)
    warnings += instrument_warnings(settings)
    return Precision(
        tuple(lines), tuple(others), tuple(warnings), tuple(notes), _assumed_words(settings)
    )


def _lot_note(sight: Foresight) -> list[str]:
    """Say that fillings of a water count as equal, where nobody gave their spread."""
    name = sight.response.name
    if "water_lot" not in sight.terms.random or sight.settings.assumed[name].lot_sd > 0:
        return []
    return [
        f"No spread is assumed between fillings of one water for {sight.response.words}, so they "
        f"count as alike: add lot_sd to [assumed.{name}]."
    ]


@dataclass(frozen=True)
class _Known:
    """A response's foresight and layout, and foresights of larger plans as they are asked for."""

    sight: Foresight
    layout: Sequence[Row]
    seed: int
    larger: dict[int, Foresight] = field(default_factory=dict)

    def at(self, copies: int, *, same_terms: bool) -> Foresight:
        if copies not in self.larger:
            terms = self.sight.terms if same_terms else None
            layout = copy_layout(self.layout, copies)
            self.larger[copies] = foresee(
                self.sight.settings, layout, self.sight.response, terms=terms
            )
        return self.larger[copies]


def _unanswered(settings: Settings, response: Response, reason: str) -> tuple[list[str], list[str]]:
    """Say of every question about a response that nothing can be foreseen: warnings, notes."""
    asked = [q for q in settings.questions if q.response == response.name]
    sentences = {
        q.text: f'This plan cannot answer "{q.text}" ({response.words}): {reason}' for q in asked
    }
    warnings = [sentences[q.text] for q in asked if q.primary]
    notes = [sentences[q.text] for q in asked if not q.primary]
    return warnings, notes if asked else [f"{response.words}: {reason}"]


def _sorted(settings: Settings, lines: Sequence[Line]) -> list[Line]:
    order = list(settings.factors)
    return sorted(lines, key=lambda line: order.index(line.factor.name))


def _holds(settings: Settings, factor: Factor, response: Response) -> list[str]:
    """List where a factor is compared: at the hold of use first, then over all holds."""
    hold = settings.hold
    if hold is None or hold.name == factor.name or response.use_hold_h is None:
        return [""]
    return [hold.level_of(response.use_hold_h), ""]


def _question(settings: Settings, factor: Factor, response: Response) -> Question | None:
    asked = [
        q for q in settings.questions if q.factor == factor.name and q.response == response.name
    ]
    return min(asked, key=lambda q: not q.primary) if asked else None


def _line(sight: Foresight, layout: Sequence[Row], factor: Factor, hold: str, seed: int) -> Line:
    question = _question(sight.settings, factor, sight.response)
    level = sight.terms.level.get(factor.name, factor.set)
    column = {"day": "block", "lot": "water_lot", "batch": "batch", "ball": "ball"}[level]
    line = Line(factor, sight.response, question, hold, level, len({r[column] for r in layout}))
    contrast = question.contrast if question else "pairs"
    try:
        found = compare(sight, factor, contrast=contrast, hold=hold or None, seed=seed)
    except NotEstimable as error:
        return replace(line, reason=str(error))
    if not found:
        return replace(line, reason=f"{factor.words}: the plan cannot tell its levels apart.")
    return replace(line, least=_least_sure(found))


def _least_sure(found: Sequence[Foreseen]) -> Foreseen:
    """Choose the widest range; the first of those that differ by rounding only."""
    return max(found, key=lambda c: float(f"{c.std_error * c.critical:.9g}"))


def _fill(lines: Sequence[Line]) -> list[Line]:
    """Find the chances of all lines in one go."""
    live = [line.least for line in lines if line.least is not None]
    margins = [line.response.margin for line in lines if line.least is not None]
    found = iter(find_chances(live, margins))
    return [line if line.least is None else replace(line, chances=next(found)) for line in lines]


def _is_weak(line: Line) -> bool:
    return line.chances is None or line.chances.found_margin < 0.5


def _judge_line(line: Line, known: _Known) -> str:
    """Say that a question cannot be answered, or only weakly; empty where it can."""
    if line.question is None:
        return ""
    asked = f'"{line.question.text}" ({line.response.words})'
    if line.chances is None:
        return f"This plan cannot answer {asked}: {line.reason}"
    if line.chances.found_margin >= 0.795:  # said in whole times of 100
        return ""
    margin = format_size(line.response.margin, line.response)
    more = _enough(line, known)
    if _is_weak(line):
        found = format_size(line.chances.found_80, line.response)
        have = _per_level(line, line.units)
        mend = f"No plan of this kind up to {_MOST_COPIES} times the size would find {margin}."
        if more is not None:
            mend = f"{_each(line, more)} would find {margin}."
        return f"This plan cannot answer {asked}: {have} will find {found} at best. {mend}"
    often = f"{100 * line.chances.found_margin:.0f} times in 100"
    mend = f" {_per_level(line, more)} would find it 4 times in 5." if more is not None else ""
    return f"{asked}: a difference of {margin} is found {often}.{mend}"


def _enough(line: Line, known: _Known) -> int | None:
    """Find how many units find the margin 4 times in 5, adding days like the planned ones."""
    contrast = line.question.contrast if line.question else "pairs"
    steps: list[tuple[int, Foreseen]] = [(1, line.least)] if line.least else []
    for copies in (2, 3):
        if len(steps) == 2:
            break
        try:
            sight = known.at(copies, same_terms=line.least is not None)
            found = compare(
                sight, line.factor, contrast=contrast, hold=line.hold or None, seed=known.seed
            )
        except NotEstimable:
            continue
        steps.append((copies, _least_sure(found)))
    if len(steps) < 2:
        return None
    (k0, first), (k1, second) = ((copies, match_df(seen)) for copies, seen in steps)
    part = (second.std_error**2 - first.std_error**2) / (1.0 / k1 - 1.0 / k0)
    rest = max(first.std_error**2 - part / k0, 0.0)

    def suffices(units: Any) -> Any:
        copies_at = units / line.units
        df = first.df + (second.df - first.df) * (copies_at - k0) / (k1 - k0)
        se = np.sqrt(rest + part / copies_at)
        margin = np.full(len(units), line.response.margin)
        return found_chance(margin, se, df, first.critical_at(df)) >= 0.8

    ends = np.geomspace(k0 * line.units, _MOST_COPIES * line.units, 24).round()
    if not suffices(ends[-1:])[0]:
        return None
    at = int(suffices(ends).argmax())
    between = np.arange(ends[max(at - 1, 0)], ends[at] + 1)
    return int(between[int(suffices(between).argmax())])


def _each(line: Line, units: int) -> str:
    return str(ceil(units / len(line.factor.levels)))


def _per_level(line: Line, units: int) -> str:
    each = ceil(units / len(line.factor.levels))
    return f"{count_units(each, line.level)} for each level of {line.factor.words}"


def count_units(n: int, level: str) -> str:
    """Count units in words.

    Examples
    --------
    >>> count_units(24, "batch"), count_units(1, "ball")
    ('24 batches', '1 ball')
    """
    one, many = {"day": ("mixing day", "mixing days"), "lot": ("water lot", "water lots"),
                 "batch": ("batch", "batches"), "ball": ("ball", "balls")}[level]  # fmt: skip
    return f"{n} {one if n == 1 else many}"


def chance_words(chance: float) -> str:
    """Say a chance in words.

    Examples
    --------
    >>> [chance_words(c) for c in (0.03, 0.68, 0.97)]
    ['hardly', '7 in 10', 'yes']
    """
    if chance < _HARDLY:
        return "hardly"
    return "yes" if chance >= _SURELY else f"{min(9, max(1, round(chance * 10)))} in 10"


def _size_words(size: float, response: Response) -> str:
    """Write a size; a score that would need more than its scale is never found."""
    low, high = response.low, response.high
    if response.kind == "score" and low is not None and high is not None and size > high - low:
        return "none"
    return format_size(size, response)


def format_size(size: float, response: Response) -> str:
    """Write a size with the digits that its margin deserves: pH 0.096 is 0.10."""
    if response.unit == "ph":
        return f"{size:.2f}"
    digits = max(0, 1 - int(np.floor(np.log10(response.margin))))
    return f"{size:.{digits}f}"


def _scope(line: Line) -> str:
    if not line.hold:
        return line.response.words
    bare = line.hold.replace(".", "").isdigit()
    return f"{line.response.words} at {line.hold}{' h' if bare else ''}"


def _record(line: Line) -> dict[str, Any]:
    nan = float("nan")
    least, chances = line.least, line.chances or Chances(nan, nan, nan, nan, nan)
    return {
        "term": line.factor.name,
        "level": line.hold,
        "contrast": f"{least.level} - {least.other}" if least else "",
        "std_error": least.std_error if least else nan,
        "df": least.df if least else nan,
        "unit": line.response.unit,
        "n": line.units,
        "response": line.response.name,
        "question": line.question.text if line.question else "",
        "based_on": line.based_on,
        "critical": least.critical if least else nan,
        **asdict(chances),
        "margin": line.response.margin,
    }


def _assumed_words(settings: Settings) -> str:
    parts = []
    for name, a in settings.assumed.items():
        if name not in settings.responses:
            continue
        words = settings.responses[name].words
        said = [f"batches differ by {a.batch_sd:g}", f"balls by {a.ball_sd:g}"]
        for label, size in (("days", a.day_sd), ("sessions", a.session_sd),
                            ("judges", a.judge_sd), ("readings", a.reading_sd),
                            ("water lots", a.lot_sd)):  # fmt: skip
            if size:
                said.append(f"{label} by {size:g}")
        parts.append(f"{words}: {', '.join(said)}")
    if not parts:
        return ""
    return f"assumed, since there is no earlier trial (standard deviations): {'; '.join(parts)}"
