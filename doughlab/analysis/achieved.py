"""Achieved: a labelled second look at a response, by what the batches got.

`doughlab analyse --achieved` and notebooks call `second_look` after `analyse`.
The planned levels stay the answer: no verdict is given here, and none is changed.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.covariates import (
    COVARIATES,
    PH_FACTOR,
    Achieved,
    Covariate,
    collect_achieved,
)
from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.models import TrialModel, fit_model, term_words
from doughlab.analysis.summary import CAUTION, LONGEST_WORDS
from doughlab.analysis.wording import (
    WIDTH,
    agreeing_decimals,
    decimals_for,
    fold,
    more_line,
    signed,
)
from doughlab.errors import InputError, MissingRecords, NotEstimable, listed
from doughlab.sections import Response

TITLE = "A second look, not the answer: what was achieved"
BESIDE = "beside the plan"
SAME_PH = "at the same water pH"
PH_COLUMN = "achieved_water_ph"
SHORT = 15
COLUMNS = ["term", "level", "contrast", "estimate", "std_error", "df", "statistic", "p_value",
           "ci_low", "ci_high", "unit", "n"]  # fmt: skip
ALIKE = 1e-7  # of the spread: less than this is rounding
GENERAL = (
    "Beside the plan, batches of the same planned settings are compared by what they happened to "
    "get. Nobody set it, so something that came with it may be at work.",
    "Error of the meter or thermometer draws such a slope towards zero.",
    "Each range holds for itself; with several values looked at, one may exclude zero by chance.",
)
TOGETHER = (
    "Nothing is put in place of {water}: a water brings its pH, its alkalinity and all else in it "
    "together. A plan that also sets the pH of each water (factor water_ph) tells them apart."
)


@dataclass(frozen=True)
class SecondLook:
    """Slopes of a response along what the batches got; no verdicts.

    Attributes
    ----------
    response : Response
    table : DataFrame
        term (column of the measured value), level ("beside the plan", or "in place of" the planned
        factor), contrast ("per 1 °C"), estimate (in the unit of the response, for one unit more),
        std_error, df (Kenward-Roger), statistic, p_value, ci_low, ci_high (95 %, each for itself),
        unit (of the response), n (batches).
    achieved : Achieved
        The values of the batches.
    unanswered : tuple of str
        What cannot be told, and from what.
    notes : tuple of str
        What is missing, and how to read the slopes.
    how : str
        The models as formulas.
    judges_water : bool
        Whether the caution about drinking stands.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo, open_demo
    >>> look = second_look(analyse_demo("ph"), open_demo())
    >>> look.table.columns.tolist()[:6]
    ['term', 'level', 'contrast', 'estimate', 'std_error', 'df']
    >>> look.text().splitlines()[0][:40]
    'A second look, not the answer: what was '
    """

    response: Response
    table: pd.DataFrame = field(repr=False)
    achieved: Achieved = field(repr=False)
    unanswered: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    how: str = ""
    judges_water: bool = False

    def text(self) -> str:
        """Give the whole look, lines of at most 80 characters."""
        said = [*_unanswered_lines(self), *_note_lines(self)]
        return "\n".join([*_head(self), *_row_lines(self), *said, *_caution(self)])

    def __str__(self) -> str:
        """Give the look in at most 15 lines of 80 characters."""
        head, caution = _head(self), _caution(self)
        body, notes = [*_row_lines(self), *_unanswered_lines(self)], _note_lines(self)
        room = SHORT - len(head) - len(caution) - 1
        hidden = max(0, len(body) - room) + len(notes)
        more = more_line(hidden, "print(look.text())")
        return "\n".join([*head, *body[:room], *more, *caution])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        titles = ("measured value", "how", "change", "95 % range", "df", "batches")
        columns = "".join(f"<th>{t}</th>" for t in titles)
        rows = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
            for cells in (_cells(r) for r in self.table.to_dict("records"))
        )
        head = "".join(f"<p>{html.escape(line)}</p>" for line in _head(self))
        tail = [*self.unanswered, *_caution(self)]
        foot = "".join(f"<p>{html.escape(line)}</p>" for line in tail)
        return f"{head}<table><tr>{columns}</tr>{rows}</table>{foot}"


def second_look(analysis: Analysis, trial: TrialLike) -> SecondLook:
    """Look again at a response, by what was achieved; the answer stays.

    Every measured value of a batch enters the planned model once, whatever comes out: beside all
    planned terms (batches of the same planned settings, by what they got), and, where a planned
    factor is the aim of that very value, once in place of it. Random terms are those of the plan.
    Where the plan crosses waters with `water_ph`, the waters are also compared at one achieved
    pH: the slope is what their pH does, these differences are the rest of them.

    Parameters
    ----------
    analysis : Analysis
        The answer, from `analyse(trial, ...)`.
    trial : TrialLike
        The same trial.

    Returns
    -------
    SecondLook

    Raises
    ------
    InputError
        Where the analysis belongs to another trial.
    MissingRecords
        Where no mix is recorded.

    Notes
    -----
    A value that is one and the same within each level of a planned factor, such as one alkalinity
    for each water, cannot be told from that factor; the sentence names both. Batches without the
    value are left out of its rows and counted.

    Examples
    --------
    >>> import doughlab as dl
    >>> trial = dl.Trial.open("trials/lantern-quay")
    >>> look = second_look(dl.analyse(trial, "ph"), trial)
    >>> print(str(look).splitlines()[0])
    A second look, not the answer: what was achieved
    """
    if analysis.settings != trial.settings:
        raise InputError("This analysis belongs to another trial. Run analyse(trial, ...) first.")
    batches = sorted(set(analysis.dataset.frame["batch"]))
    achieved = collect_achieved(trial, batches)
    if not achieved.frame["mixed"].any():
        raise MissingRecords(
            f"No mix is recorded for any of the {len(batches)} batches, so nothing can be said "
            "about what they got. Enter mixes: doughlab record mix"
        )
    looks = [_Look(analysis, achieved, c) for c in COVARIATES]
    for look in looks:
        look.run()
    return SecondLook(
        response=analysis.response,
        table=pd.DataFrame([r for look in looks for r in look.rows], columns=COLUMNS),
        achieved=achieved,
        unanswered=tuple(dict.fromkeys(s for look in looks for s in look.unanswered)),
        notes=tuple(_notes(analysis, achieved, looks)),
        how=" ".join(h for look in looks for h in look.how),
        judges_water=analysis.judges_water,
    )


class _Look:
    """Fits one measured value and keeps what it gave, or why it gave nothing."""

    def __init__(self, analysis: Analysis, achieved: Achieved, covariate: Covariate) -> None:
        self.analysis, self.achieved, self.covariate = analysis, achieved, covariate
        self.settings = analysis.settings
        self.rows: list[dict[str, Any]] = []
        self.unanswered: list[str] = []
        self.notes: list[str] = []
        self.how: list[str] = []
        self.spread = ""
        known = achieved.frame.dropna(subset=[covariate.column]).set_index("batch")
        self.values: pd.Series = known[covariate.column]
        frame = analysis.model.dataset.frame
        centred = frame["batch"].map(self.values - self.values.mean())
        self.frame = frame.assign(**{covariate.column: centred})[centred.notna().to_numpy()]

    def run(self) -> None:
        """Look beside the plan and in place of a factor; say why where that cannot be."""
        words, total = self.covariate.words, len(self.achieved.frame)
        why = self.achieved.unusable.get(self.covariate.column)
        if why or self.values.empty:
            none = f"{words}: not recorded for any of {total} batches ({self.covariate.needs})."
            self.unanswered.append(why or none)
            return
        if _is_constant(self.values):
            self.unanswered.append(
                f"{words}: {self.values.iloc[0]:g} in every batch that has one, so there is "
                "nothing to compare."
            )
            return
        planned = list(self.analysis.terms.fixed)
        spread = self._spread_within()
        if spread is None:
            self.unanswered.append(self._collinear())
        else:
            self.spread = f"{words} {spread:.2g}"
            self._fit(BESIDE, [*planned, self.covariate.column])
        name = self.covariate.replaces(self.settings)
        if name:
            level = f"in place of {self.settings.factors[name].words}"
            model = self._fit(level, swap_factor(planned, name, self.covariate.column))
            if model is not None and self.covariate.column == PH_COLUMN:
                self._rest_of_water(model)

    def _fit(self, level: str, fixed: Sequence[str]) -> TrialModel | None:
        """Fit one model; a slope that cannot be judged becomes a sentence."""
        column, words = self.covariate.column, self.covariate.words
        dataset = replace(self.analysis.dataset, frame=self.frame)
        try:
            model = fit_model(self.settings, dataset, self.analysis.terms, fixed=fixed)
        except NotEstimable as error:
            self.unanswered.append(f"{words}, {level}: {error}")
            return None
        why = (model.left_out | model.fit.not_estimable | model.unjudged).get(column)
        if why is None:
            row = model.fit.slope(column, at=model.at()).to_dict("records")[0]
            if np.isfinite(row["ci_low"]) and np.isfinite(row["df"]):
                self._keep(level, row, model)
                return model
            why = "the records cannot tell it from the planned settings."
        self.unanswered.append(f"{words}, {level}: {why}")
        return None

    def _keep(self, level: str, row: dict[Any, Any], model: TrialModel) -> None:
        self.rows.append({
            **row,
            "term": self.covariate.column,
            "level": level,
            "contrast": f"per {self.covariate.step}",
            "unit": self.analysis.response.unit,
            "n": int(self.frame["batch"].nunique()),
        })  # fmt: skip
        label = f"{self.covariate.words} {level}"
        self.how.append(f"{label}: {model.fit.how}")
        usual = set(self.analysis.model.left_out)
        less = [term_words(self.settings, t) for t in model.left_out if t not in usual]
        if less:
            self.notes.append(f"{label}: fitted without {listed(less, shown=3)}.")
        zero = [n for n in model.fit.notes if n.startswith(("The variance of", "The search"))]
        self.notes += [f"{label}: {n}" for n in zero if n not in self.analysis.model.fit.notes]

    def _rest_of_water(self, model: TrialModel) -> None:
        """Compare waters at one achieved pH: what is left of them besides their pH."""
        waters = [f for f in self.settings.factors_set("day", "batch")
                  if f.kind == "water" and model.is_judged(f.name)]  # fmt: skip
        for water in waters:
            reach = {
                level: (self.values[list(set(rows["batch"]))].min(),
                        self.values[list(set(rows["batch"]))].max())
                for level, rows in self.frame.groupby(water.name, observed=True)
            }  # fmt: skip
            for one, other in combinations(model.levels(water), 2):
                low = max(reach[one][0], reach[other][0])
                high = min(reach[one][1], reach[other][1])
                if low > high:
                    self.unanswered.append(
                        f"{one} - {other} {SAME_PH}: no pH was reached by both, so the rest of "
                        "these waters cannot be told from their pH."
                    )
                    continue
                self._keep_rest(model, water.name, (one, other), (low + high) / 2)

    def _keep_rest(
        self, model: TrialModel, water: str, pair: tuple[str, str], water_ph: float
    ) -> None:
        """Keep the difference of two waters at one pH."""
        at = model.at() | {PH_COLUMN: water_ph - self.values.mean(), water: list(pair)}
        table = model.fit.contrasts(water, adjust="none", at=at)
        row: dict[Any, Any] = table.to_dict("records")[0]
        if not np.isfinite(row["ci_low"]):
            return
        self.rows.append({
            **row,
            "term": water,
            "level": SAME_PH,
            "contrast": f"{pair[0]} - {pair[1]} at pH {water_ph:.1f}",
            "unit": self.analysis.response.unit,
            "n": int(self.frame.loc[self.frame[water].isin(pair), "batch"].nunique()),
        })  # fmt: skip

    def _spread_within(self) -> float | None:
        """Give the SD between batches of the same planned settings; None where they fix it."""
        design, levels = self.analysis.fit.design, self.analysis.terms.level
        columns = [
            i for t in design.terms if levels.get(t.name) != "ball" for i in range(t.start, t.stop)
        ]
        rows = pd.DataFrame(design.matrix[:, columns], index=design.index)
        first = self.frame.loc[self.frame.index.isin(rows.index)].drop_duplicates("batch")
        x = first[self.covariate.column].to_numpy()
        matrix = rows.loc[first.index].to_numpy()
        solution, _, rank, _ = np.linalg.lstsq(matrix, x, rcond=None)
        left = x - matrix @ solution
        if np.abs(left).max() <= ALIKE * np.ptp(x):
            return None
        return float(np.sqrt(left @ left / max(len(x) - int(rank), 1)))

    def _collinear(self) -> str:
        """Name the planned settings that fix the value."""
        words = self.covariate.words
        first = self.frame.drop_duplicates("batch")
        names = [f.name for f in self.settings.factors_set("day", "batch")]
        names += ["block"] if first["block"].nunique() > 1 else []
        for size in (1, 2):
            for group in combinations(names, size):
                cells = first.groupby(list(group), observed=True)[self.covariate.column]
                if (cells.agg(np.ptp) <= ALIKE * np.ptp(first[self.covariate.column])).all():
                    shown = " x ".join(_setting_words(self.settings, n) for n in group)
                    return (
                        f"{words} cannot be told from {shown}: each {shown} has one {words} in "
                        "these records, and whatever else comes with it moves along."
                    )
        shown = listed([_setting_words(self.settings, n) for n in names])
        return (
            f"{words} cannot be told from {shown}: the planned settings alone give it in these "
            "records."
        )


def swap_factor(terms: Sequence[str], name: str, column: str) -> list[str]:
    """Put a measured value in place of a factor, in its interactions too.

    Parameters
    ----------
    terms : sequence of str
        Fixed terms, interactions as "a:b".
    name, column : str
        The factor, and what stands in its place.

    Examples
    --------
    >>> swap_factor(["block", "water_ph", "water:water_ph"], "water_ph", "x")
    ['block', 'x', 'water:x']
    """
    return [":".join(column if p == name else p for p in t.split(":")) for t in terms]


def _is_constant(values: pd.Series) -> bool:
    return bool(np.ptp(values.to_numpy()) <= 1e-9 * max(1.0, float(values.abs().max())))


def _setting_words(settings: Any, name: str) -> str:
    return "mixing day" if name == "block" else term_words(settings, name)


def _notes(analysis: Analysis, achieved: Achieved, looks: Sequence[_Look]) -> list[str]:
    """Say what is missing, then how to read the slopes."""
    total, notes = len(achieved.frame), []
    if achieved.without_mix:
        notes.append(f"{len(achieved.without_mix)} of {total} batches have no mix recorded "
                     f"({listed(list(achieved.without_mix), shown=3)}).")  # fmt: skip
    for look in looks:
        gone = [b for b in achieved.without(look.covariate.column)
                if b not in achieved.without_mix]  # fmt: skip
        if look.rows and gone:
            notes.append(f"{look.covariate.words}: missing for {len(gone)} of {total} batches "
                         f"({listed(gone, shown=3)}), left out of its rows.")  # fmt: skip
    waters = [f for f in analysis.settings.factors.values() if f.kind == "water"]
    if waters and PH_FACTOR not in analysis.settings.factors:
        notes.append(TOGETHER.format(water=waters[0].words))
    spreads = [look.spread for look in looks if look.spread]
    if spreads:
        notes.append("Between batches of the same planned settings they differed by (standard "
                     f"deviation): {listed(spreads, shown=9)}.")  # fmt: skip
    return [*notes, *achieved.notes, *(n for look in looks for n in look.notes), *GENERAL]


def _head(look: SecondLook) -> list[str]:
    """Say what this is, and how many batches it rests on."""
    frame, gone = look.achieved.frame, look.achieved.without_mix
    counted = f"{len(frame)} batches, {len(frame) - len(gone)} with a mix recorded"
    if gone:
        counted += f" (none for {listed(list(gone), shown=3)})"
    change = f"Change in {look.response.words}; 95 % ranges in brackets, each for itself."
    return [TITLE, *fold(f"{counted}. Verdicts stay as they are.", indent="  "), *fold(change)]


def _cells(row: dict[Any, Any]) -> tuple[str, ...]:
    """Write a row of the table for print."""
    words = [f"{c.words}, {row['contrast']}" for c in COVARIATES if c.column == row["term"]]
    low, high = row["ci_low"], row["ci_high"]
    d = agreeing_decimals((low, high), decimals_for((high - low) / 2), lambda a, b: (a > 0, b < 0))
    shown = f"({signed(low, d)} to {signed(high, d)})"
    df = f"{row['df']:.2g}" if row["df"] < 100 else f"{row['df']:.0f}"
    change = signed(row["estimate"], d)
    return words[0] if words else row["contrast"], row["level"], change, shown, df, str(row["n"])


def _row_lines(look: SecondLook) -> list[str]:
    """Lay the slopes out, those beside the plan first."""
    cells = [_cells(r) for r in look.table.to_dict("records")]
    if not cells:
        return []
    sizes = [max(len(c[i]) for c in cells if i or len(c[0]) <= LONGEST_WORDS) for i in (0, 2)]
    lines = []
    for level in dict.fromkeys(sorted((c[1] for c in cells), key=lambda t: t != BESIDE)):
        lines.append(f"{level[0].upper()}{level[1:]}:")
        for words, own, change, shown, df, n in cells:
            if own == level:
                numbers = f"{change:>{sizes[1]}} {shown}  df {df}, {n} batches"
                line = f"  {words:<{sizes[0]}}  {numbers}"
                lines += [line] if len(line) <= WIDTH else [*fold(f"  {words}"), f"    {numbers}"]
    return lines


def _unanswered_lines(look: SecondLook) -> list[str]:
    return [line for s in look.unanswered for line in fold(f"Not told: {s}", indent="  ")]


def _note_lines(look: SecondLook) -> list[str]:
    return [line for s in look.notes for line in fold(f"Note: {s}", indent="  ")]


def _caution(look: SecondLook) -> list[str]:
    return [CAUTION] if look.judges_water else []
