"""Precision: what a plan will find, question by question, before anything is mixed.

`doughlab plan` and the report show it. The verdict rule is that of `stats.verdicts`, the model
that of `model`; each comparison is a `lines.Line`. Choosing another plan is left to the reader.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doughlab.errors import NotEstimable
from doughlab.plan.enough import Known, is_weak, judge_line
from doughlab.plan.foresee import Foresight, foresee
from doughlab.plan.instrument import instrument_warnings
from doughlab.plan.lines import Line, build_lines, chance_words, count_units, fill_chances
from doughlab.plan.model import build_layout
from doughlab.plan.purchase import Purchase, compare_instruments
from doughlab.plan.spreads import Spreads, use_spreads

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.plan.plan import Plan
    from doughlab.sections import Response
    from doughlab.settings import Settings

__all__ = ["Line", "Precision", "chance_words", "count_units", "plan_precision"]


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
    purchases : tuple of Purchase
        For each pH that is read: what strips and meters would find instead.
    left_out : tuple of str
        Those of the notes that say what is not in the model or cannot be told apart.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> from doughlab.plan import plan_precision
    >>> trial = open_demo()
    >>> print(plan_precision(trial.settings, trial.frozen_plan).text())
                    on                  based on    finds 4 in 5  shows "same"
      water         pH at 48 h          24 batches          0.10  6 in 10
                    bake score at 48 h  24 batches           1.3  1 in 10
      mixing water  pH at 48 h          24 batches          0.07  9 in 10
                    bake score at 48 h  24 batches           1.0  7 in 10
      hydration     pH at 48 h          24 batches          0.07  9 in 10
                    bake score at 48 h  24 batches           1.0  7 in 10
      hold          pH                  72 balls            0.04  surely
                    bake score          72 balls             0.8  9 in 10
    assumed, since there is no earlier trial (standard deviations): pH: batches
    differ by 0.05, balls by 0.03, readings by 0.02; bake score: batches differ by
    0.4, balls by 0.5, single scores by 1
    >>> found = plan_precision(trial.settings, trial.frozen_plan)
    >>> found.table.shape[0] == len(found.lines) + len(found.others)
    True
    """

    lines: tuple[Line, ...]
    others: tuple[Line, ...] = ()
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    assumed: str = ""
    purchases: tuple[Purchase, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """All lines as a DataFrame.

        Columns term, level (of the hold; empty: averaged), contrast (the least sure one),
        std_error, df, unit, n, then response, question, based_on, critical, found_80, found_90,
        found_margin, same_if_zero, same_if_half, half_width, margin.
        """
        import pandas as pd

        return pd.DataFrame([line.as_row() for line in (*self.lines, *self.others)])

    def __str__(self) -> str:
        """Give the table in at most 15 lines of 80 characters."""
        lines = self.text().splitlines() or ["nothing that can be compared, so nothing is foreseen"]
        if len(lines) <= 15:
            return "\n".join(lines)
        return "\n".join([*lines[:14], f"and {len(lines) - 14} more lines: see text() or table"])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        return f"<pre>{html.escape(str(self))}</pre>"

    def text(self, *, full: bool = False) -> str:
        """Lay all printed lines out in at most 80 columns.

        Parameters
        ----------
        full : bool
            With what is found 9 times in 10, the width of the ranges, and how often "same" shows
            when half the margin is true, instead of what each line is based on.
        """
        head: tuple[str, ...] = ("", "on", "based on", "finds 4 in 5", 'shows "same"')
        if full:
            head = ("", "on", "4 in 5", "9 in 10", "range", "same at 0", "at half")
        rows: list[tuple[str, ...]] = [head]
        last = ""
        for line in self.lines:
            name = line.factor.words if line.factor.name != last else ""
            last = line.factor.name
            rows.append((name, line.scope, *(_full_cells(line) if full else _cells(line))))
        if not self.lines:
            return ""
        numbers = frozenset({2, 3, 4} if full else {3})
        return "\n".join([*_lay_out(rows, numbers), *textwrap.wrap(self.assumed, 80)])


def _cells(line: Line) -> tuple[str, str, str]:
    if line.chances is None:
        return line.based_on, "-", "-"
    c = line.chances
    return line.based_on, line.size(c.found_80), chance_words(c.same_if_zero)


def _full_cells(line: Line) -> tuple[str, ...]:
    if line.chances is None:
        return ("-",) * 5
    c = line.chances
    sizes = line.size(c.found_80), line.size(c.found_90), f"+-{line.size(c.half_width)}"
    return *sizes, chance_words(c.same_if_zero), chance_words(c.same_if_half)


def _lay_out(rows: Sequence[tuple[str, ...]], numbers: frozenset[int]) -> list[str]:
    """Align the columns within 80; the first two are cut where they are too long."""
    count = len(rows[0])
    w = [max(len(row[i]) for row in rows) for i in range(count)]
    w[1] = min(w[1], 22)
    w[0] = min(w[0], 80 - 2 * count - sum(w[1:]))
    out = []
    for a, b, *rest in rows:
        cells = [_cut(a, w[0]), _cut(b, w[1]), *rest]
        aligned = [f"{c:>{n}}" if i in numbers else f"{c:<{n}}"
                   for i, (c, n) in enumerate(zip(cells, w, strict=True))]  # fmt: skip
        out.append(("  " + "  ".join(aligned)).rstrip())
    return out


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 2] + ".."


def plan_precision(
    settings: Settings,
    plan: Plan,
    *,
    seed: int = 0,
    spreads: Mapping[str, Spreads] | None = None,
) -> Precision:
    """Say what a plan will find, by the rule that will give the verdicts.

    Parameters
    ----------
    settings : Settings
        Questions, margins and assumed spreads.
    plan : Plan
    seed : int
        Of the invented trials, where algebra does not do.
    spreads : mapping of str to Spreads, optional
        By response, as an earlier trial measured them (`doughlab.analysis.read_spreads`); taken
        where [assumed] states none.

    Returns
    -------
    Precision

    Notes
    -----
    "Found" means that the simultaneous 95 % range of the question leaves zero out. A range is the
    foreseen standard error times the Tukey, Dunnett or t value at the degrees of freedom that
    Kenward and Roger (1997) give at the assumed spreads; its estimated length varies as the root
    of a chi-square over its degrees of freedom. Exact where the layout is balanced. Where their
    adjusted covariance differs from the plain one (a session's spread told by few days),
    trials are invented and fitted instead, for the widths of the ranges; the error of the best
    estimate, independent of them, is by algebra. They are as many as bring the standard error of
    every chance below 0.007, 3000 at most: chances are then true to one in a hundred, and the
    usual half width to about one in seventy.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> found = plan_precision(trial.settings, trial.frozen_plan)
    >>> found.table[["term", "response", "found_80"]].drop_duplicates(["term", "response"]).round(2)
               term response  found_80
    0         water       ph      0.10
    1         water    score      1.35
    2  mixing_water       ph      0.07
    3  mixing_water    score      0.96
    4     hydration       ph      0.07
    5     hydration    score      0.96
    6          hold       ph      0.04
    7          hold    score      0.82
    >>> found.assumed[:70]
    'assumed, since there is no earlier trial (standard deviations): pH: ba'
    """
    measured = {n: s for n, s in (spreads or {}).items() if n not in settings.assumed}
    settings = use_spreads(settings, measured)
    known, warnings, notes = _foresee_all(settings, plan, seed)
    lines: list[Line] = []
    others: list[Line] = []
    for own in known.values():
        shown, averaged = build_lines(own.sight, own.layout, seed=seed)
        lines += shown
        others += averaged
    full = fill_chances([*lines, *others])
    lines, others = (_sorted(settings, p) for p in (full[: len(lines)], full[len(lines) :]))
    for line in lines:
        sentence = judge_line(line, known[line.response.name])
        if sentence:
            (warnings if line.primary and is_weak(line) else notes).append(sentence)
    warnings += instrument_warnings(settings)
    purchases = _purchases(lines, known)
    return Precision(
        tuple(lines),
        tuple(others),
        tuple(warnings),
        (*notes, *(p.sentence for p in purchases)),
        _assumed_words(settings, measured),
        purchases,
        tuple(dict.fromkeys(n for own in known.values() for n in own.sight.terms.notes)),
    )


def _foresee_all(
    settings: Settings, plan: Plan, seed: int
) -> tuple[dict[str, Known], list[str], list[str]]:
    """Foresee every response that spreads are assumed for; warnings and notes about the rest."""
    known: dict[str, Known] = {}
    warnings: list[str] = []
    notes: list[str] = []
    for response in settings.responses.values():
        if response.name not in settings.assumed:
            notes.append(_nothing_assumed(settings, response))
            continue
        layout = build_layout(settings, plan.batches, plan.balls, response)
        try:
            sight = foresee(settings, layout, response)
        except NotEstimable as error:
            first, rest = _unanswered(settings, response, str(error))
            warnings += first
            notes += rest
            continue
        known[response.name] = Known(sight, layout, seed)
        notes += [n for n in (*sight.terms.notes, *_lot_note(sight)) if n not in notes]
    return known, warnings, notes


def _purchases(lines: Sequence[Line], known: Mapping[str, Known]) -> tuple[Purchase, ...]:
    """Weigh other instruments for every response that is a pH."""
    found = (
        compare_instruments([x for x in lines if x.response.name == name], own)
        for name, own in known.items()
    )
    return tuple(p for p in found if p is not None)


def _nothing_assumed(settings: Settings, response: Response) -> str:
    if settings.assumed_from:
        return (
            f"'{settings.assumed_from}' tells no spread of {response.words}, so nothing is "
            f"foreseen: add [assumed.{response.name}] with batch_sd and ball_sd to trial.toml."
        )
    return (
        f"No spread is assumed for {response.words}, so nothing is foreseen: add "
        f"[assumed.{response.name}] with batch_sd and ball_sd to trial.toml."
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


def _assumed_words(settings: Settings, measured: Mapping[str, Spreads]) -> str:
    parts = []
    for name, a in settings.assumed.items():
        if name not in settings.responses or name in measured:
            continue
        words = settings.responses[name].words
        said = [f"batches differ by {a.batch_sd:g}", f"balls by {a.ball_sd:g}"]
        for label, size in (("days", a.day_sd), ("sessions", a.session_sd),
                            ("single scores", a.judge_sd), ("readings", a.reading_sd),
                            ("water lots", a.lot_sd)):  # fmt: skip
            if size:
                said.append(f"{label} by {size:g}")
        parts.append(f"{words}: {', '.join(said)}")
    out = [f"{settings.responses[n].words} as {s.sentence}" for n, s in measured.items()
           if n in settings.responses]  # fmt: skip
    if parts:
        why = "" if measured else ", since there is no earlier trial"
        out.append(f"assumed{why} (standard deviations): {'; '.join(parts)}")
    return "; ".join(out)
