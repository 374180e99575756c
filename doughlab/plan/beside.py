"""Beside: plans side by side, what each needs and what each finds.

`doughlab plan A --beside B` and notebooks call `compare_plans`. Counts are those of `facts`,
chances those of `precision`; which plan is better is left to the reader.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.errors import InputError
from doughlab.plan.facts import PlanFacts, describe_plan
from doughlab.plan.lines import Line, chance_words
from doughlab.plan.precision import Precision, plan_precision

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.plan.spreads import Spreads

_MOST = 4  # plans whose columns fit 80 characters
_SAID = 4  # sentences on what is mixed up, of each plan


@dataclass(frozen=True)
class Standing:
    """One plan as it stands beside others.

    Attributes
    ----------
    name : str
    facts : PlanFacts
    precision : Precision
    span_days : int or None
        Days from the first mixing to the last reading or bake, both counted; None without dates.
    """

    name: str
    facts: PlanFacts
    precision: Precision
    span_days: int | None

    @property
    def lines(self) -> dict[tuple[str, str], Line]:
        """Its lines by the words of factor and response."""
        return {(line.factor.words, line.response.words): line for line in self.precision.lines}

    @property
    def mixed_up(self) -> tuple[str, ...]:
        """Say what cannot be told apart, and what is taken as nil."""
        return tuple(dict.fromkeys((*self.facts.kind, *self.precision.left_out)))


@dataclass(frozen=True, repr=False)
class PlansBeside:
    """Plans side by side.

    Attributes
    ----------
    plans : tuple of Standing
        In the order that was given.

    Examples
    --------
    >>> from doughlab.plan.plan import build_plan
    >>> from doughlab.sections import Assumed, Blocks, Factor, Question, Response
    >>> from doughlab.settings import Settings
    >>> plan = build_plan(Settings(
    ...     "x", "X1", factors={"water": Factor("water", "batch", "water", ("tap", "bottled"))},
    ...     responses={"ph": Response("ph", "readings", "ph", margin=0.1, unit="ph")},
    ...     questions=(Question("Which water?", "water", "ph"),),
    ...     blocks=Blocks(days=2, replicates=4), assumed={"ph": Assumed("ph", 0.05, 0.03)}))
    >>> beside = compare_plans([plan, plan], names=["kept", "the same"])
    >>> len(beside.table) > 0, beside.keys[0], beside.text().splitlines()[0]
    (True, ('water', 'pH'), 'A  kept')
    """

    plans: tuple[Standing, ...]

    @property
    def table(self) -> pd.DataFrame:
        """All of it as a DataFrame, one column for each plan after what, of and unit.

        `what` is a count (batches, balls, flour, ...) or one of finds_4_in_5, finds_9_in_10,
        range, found_margin, same_if_zero and same_if_half; `of` is then the factor and response.
        """
        import pandas as pd

        rows = [
            {"what": what, "of": of, "unit": unit}
            | {p.name: value for p, value in zip(self.plans, values, strict=True)}
            for what, of, unit, values in (*self._needs(), *self._chances())
        ]
        return pd.DataFrame(rows)

    def _needs(self) -> list[tuple[str, str, str, list[Any]]]:
        def each(name: str) -> list[Any]:
            return [getattr(p.facts, name) for p in self.plans]

        return [
            ("batches", "", "", each("batches")),
            ("balls", "", "", each("balls")),
            ("flour, kg", "", "kg", each("flour_kg")),
            ("mixing days", "", "", each("days")),
            ("half days of reading and baking", "", "", [len(s) for s in each("sessions")]),
            ("days from first mixing to last", "", "", [p.span_days for p in self.plans]),
            ("balls in the cooler at most", "", "", each("cooler_peak")),
            ("batches, one thing at a time", "", "", each("one_factor_batches")),
        ]

    @property
    def keys(self) -> list[tuple[str, str]]:
        """Every factor and response that one of the plans foresees, in words."""
        return list(dict.fromkeys(key for p in self.plans for key in p.lines))

    def _chances(self) -> list[tuple[str, str, str, list[Any]]]:
        names = {"finds_4_in_5": "found_80", "finds_9_in_10": "found_90", "range": "half_width",
                 "found_margin": "found_margin", "same_if_zero": "same_if_zero",
                 "same_if_half": "same_if_half"}  # fmt: skip
        rows = []
        for key in self.keys:
            lines = [p.lines.get(key) for p in self.plans]
            own = next(line for line in lines if line is not None)
            for what, name in names.items():
                sized = name in {"found_80", "found_90", "half_width"}
                values = [
                    getattr(line.chances, name) if line is not None and line.chances else None
                    for line in lines
                ]
                rows.append((what, ": ".join(key), own.response.unit if sized else "", values))
        return rows

    def text(self) -> str:
        """Lay it out in at most 80 columns: needs, what is found, what is mixed up."""
        marks = [chr(ord("A") + i) for i in range(len(self.plans))]
        lines = [
            line
            for mark, p in zip(marks, self.plans, strict=True)
            for line in textwrap.wrap(f"{mark}  {p.name}", 80, subsequent_indent="   ")
        ]
        rows = [("", *marks)]
        rows += [(what, *map(_plain, values)) for what, _, _, values in self._needs()
                 if any(v not in (None, 0) for v in values)]  # fmt: skip
        head = 'finds 4 times in 5; shows "same" if it is so'
        found = [(f"  {': '.join(key)}", *self._found(key)) for key in self.keys]
        widths = _widths([*rows, *found])
        lines += [_aligned(row, widths) for row in rows]
        if found:
            lines += [head, *(_aligned(row, widths) for row in found)]
        return "\n".join([*lines, *self._said(marks)])

    def _found(self, key: tuple[str, str]) -> list[str]:
        """Give a factor and response of each plan in one cell: size and chance."""
        cells = []
        for plan in self.plans:
            line = plan.lines.get(key)
            if line is None:
                cells.append("not in it")
            elif line.chances is None:
                cells.append("-")
            else:
                same = chance_words(line.chances.same_if_zero)
                cells.append(f"{line.size(line.chances.found_80)}; {same}")
        return cells

    def _said(self, marks: Sequence[str]) -> list[str]:
        out = []
        for mark, plan in zip(marks, self.plans, strict=True):
            said = [*plan.precision.warnings, *plan.mixed_up]
            kept = said[:_SAID]
            if len(said) > _SAID:
                kept.append(f"and {len(said) - _SAID} more: see this plan alone")
            for sentence in kept:
                out += textwrap.wrap(
                    sentence, 80, initial_indent=f"{mark}: ", subsequent_indent="   "
                )
        return out

    def __str__(self) -> str:
        """Give the text in at most 15 lines of 80 characters."""
        lines = self.text().splitlines()
        if len(lines) <= 15:
            return "\n".join(lines)
        return "\n".join([*lines[:14], f"and {len(lines) - 14} more lines: see text() or table"])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        return f"<pre>{html.escape(str(self))}</pre>"


def _plain(value: Any) -> str:
    if value is None:
        return "-"
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def _widths(rows: Sequence[tuple[str, ...]]) -> list[int]:
    """Find the widths of the columns; the first one wraps where 80 would be passed."""
    w = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    w[0] = min(w[0], 80 - sum(n + 2 for n in w[1:]))
    return w


def _aligned(row: tuple[str, ...], widths: Sequence[int]) -> str:
    wide = max(12, widths[0])
    first, *more = textwrap.wrap(row[0], wide, subsequent_indent="    ") or [""]
    cells = [f"{c:>{n}}" for c, n in zip(row[1:], widths[1:], strict=True)]
    return "\n".join(["  ".join([f"{first:<{wide}}", *cells]).rstrip(), *more])


def compare_plans(
    plans: Sequence[Plan],
    *,
    names: Sequence[str] = (),
    formulas: Sequence[Formula | None] = (),
    spreads: Sequence[Mapping[str, Spreads]] = (),
    seed: int = 0,
) -> PlansBeside:
    """Set plans side by side: what each needs, finds and mixes up.

    Parameters
    ----------
    plans : sequence of Plan
        Two to four; each with its own settings, margins and assumed spreads.
    names : sequence of str
        One for each; the names of the trials unless given, numbered where they are alike.
    formulas : sequence of Formula or None
        One for each, for the flour.
    spreads : sequence of mappings
        One for each, of spreads that an earlier trial measured; by response.
    seed : int
        Of the invented trials, where algebra does not do.

    Returns
    -------
    PlansBeside

    Raises
    ------
    InputError
        For one plan, more than four, or a list of names or formulas of another length.

    Examples
    --------
    >>> from doughlab.plan.plan import build_plan
    >>> from doughlab.sections import Assumed, Blocks, Factor, Question, Response
    >>> from doughlab.settings import Settings
    >>> def trial(days):
    ...     water = Factor("water", "batch", "water", ("tap", "bottled"))
    ...     ph = Response("ph", "readings", "ph", margin=0.1, unit="ph")
    ...     return build_plan(Settings("x", "X1", factors={"water": water}, responses={"ph": ph},
    ...         questions=(Question("Which water?", "water", "ph"),),
    ...         blocks=Blocks(days=days, replicates=2 * days),
    ...         assumed={"ph": Assumed("ph", 0.05, 0.03)}))
    >>> print(compare_plans([trial(2), trial(4)], names=["two days", "four days"]))
    A  two days
    B  four days
    ...
    """
    if not 2 <= len(plans) <= _MOST:
        raise InputError(f"{len(plans)} plans cannot stand side by side: give 2 to {_MOST}.")
    for given, what in ((names, "names"), (formulas, "formulas"), (spreads, "spreads")):
        if given and len(given) != len(plans):
            raise InputError(f"{len(given)} {what} for {len(plans)} plans: give one for each.")
    own = _distinct(list(names) or [p.settings.name for p in plans])
    dough = list(formulas) or [None] * len(plans)
    measured = list(spreads) or [{}] * len(plans)
    return PlansBeside(
        tuple(
            Standing(
                name,
                describe_plan(plan.settings, plan, formula),
                plan_precision(plan.settings, plan, seed=seed, spreads=known),
                _span_days(plan),
            )
            for plan, name, formula, known in zip(plans, own, dough, measured, strict=True)
        )
    )


def _distinct(names: Sequence[str]) -> list[str]:
    """Add a number to names that are alike."""
    return [
        f"{n} ({names[: i + 1].count(n)})" if names.count(n) > 1 else n for i, n in enumerate(names)
    ]


def _span_days(plan: Plan) -> int | None:
    if not plan.schedule:
        return None
    days = [row["due_at"].date() for row in plan.schedule]
    return (max(days) - min(days)).days + 1
