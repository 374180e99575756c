"""The one decision on model terms, shared by the plan and the analysis.

`precision` foresees ranges with it and the analysis fits with it, so the two never disagree.
It looks at the planned layout only, never at a result; fitting is left to `stats`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import prod
from typing import TYPE_CHECKING, Any

from doughlab.designed import LATIN, LINES, SEARCH
from doughlab.plan.lots import LEAST_LEFT, rest_on_lots, say_hidden
from doughlab.plan.mixed import find_mixed
from doughlab.plan.span import Numbers, Row, Span, key_of, leans_on, parts_of, square_of
from doughlab.plan.termwords import confounded_words, mixed_words, term_words, unjudged_words

if TYPE_CHECKING:
    from doughlab.sections import Factor, Response
    from doughlab.settings import Settings

RANDOM_BLOCKS_FROM = 6
LOTS = ("water_lot", "flour_lot", "preferment_lot")
PLACE = "order"  # the place of a batch in its mixing day, told apart in a Latin square
_APART = {"block", PLACE}  # terms that nobody asks about
_DEPTH = {"day": 0, "batch": 1, "ball": 2}
_LEFT_OVER = 3  # units wanted to judge by: with fewer the 95 % t value exceeds 4
_LEAST = {
    "day": 2,
    "batch": _LEFT_OVER,
    "ball": 1,
    "session": 2,
}  # fewer left over: no verdict, see choose_terms


@dataclass(frozen=True)
class ModelTerms:
    """Say which terms a response is fitted with, and why.

    Attributes
    ----------
    fixed : tuple of str
        Fixed terms by factor name, block first; interactions as "a:b", the square of a number,
        which lets it bend, as "I(a ** 2)".
    random : tuple of str
        Random terms in order block, lots, batch, batch by ball setting, session, ball, judge.
    as_number : tuple of str
        Numbers that enter as slopes, with two levels or along a curve: value in the factor's unit
        minus `centres`.
    not_estimable : tuple of str
        Fixed terms with too few units left over to judge them by: no range and no verdict.
    reasons : dict of str to str
        Why, for each of them.
    notes : tuple of str
        What was left out and why, and what cannot be told apart.
    level : dict of str to str
        Fixed term to "day", "lot" (fillings of water that batches share), "batch" or "ball": the
        unit its comparison rests on.
    centres : dict of str to float
        Slope factor to the middle of its low and high, in its unit.

    Examples
    --------
    >>> terms = ModelTerms(fixed=("block", "water"), random=("batch",))
    >>> terms.formula
    'y ~ block + water'
    >>> sorted(terms.as_dict())[:2]
    ['as_number', 'fixed']
    """

    fixed: tuple[str, ...]
    random: tuple[str, ...]
    as_number: tuple[str, ...] = ()
    not_estimable: tuple[str, ...] = ()
    reasons: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    level: dict[str, str] = field(default_factory=dict)
    centres: dict[str, float] = field(default_factory=dict)

    @property
    def formula(self) -> str:
        """The fixed part as a model formula of the column y."""
        return "y ~ " + (" + ".join(self.fixed) if self.fixed else "1")

    def as_dict(self) -> dict[str, Any]:
        """Give the decision as plain values, for plan.lock."""
        return {
            "fixed": list(self.fixed),
            "random": list(self.random),
            "as_number": list(self.as_number),
            "not_estimable": list(self.not_estimable),
        }


def build_layout(
    settings: Settings, batches: Iterable[Row], balls: Iterable[Row], response: Response
) -> list[dict[str, Any]]:
    """Lay out one row for each value that the plan foresees for a response.

    Parameters
    ----------
    settings : Settings
    batches, balls : iterable of dict
        Rows of plan/batches.csv and plan/balls.csv with parsed values.
    response : Response
        Decides which balls count; a score gives one row for each judge and ball.

    Returns
    -------
    list of dict
        Keys: factor names (level texts), block, batch, ball, session, judge (scores only) and
        the lot columns; order (the place in the day) for a Latin square.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> plan, ph = trial.frozen_plan, trial.settings.responses["ph"]
    >>> rows = build_layout(trial.settings, plan.batches, plan.balls, ph)
    >>> len(rows)
    72
    """
    by_id = {b["batch_id"]: b for b in batches}
    judges: tuple[str, ...] = settings.panel.judges or ("judge",)
    factors = settings.factors.values()
    rows: list[dict[str, Any]] = []
    for ball in balls:
        if ball["purpose"] != response.purpose:
            continue
        batch = by_id[ball["batch_id"]]
        row: dict[str, Any] = {f.name: f.level_of(_cell(batch, ball, f)) for f in factors}
        row |= {
            "block": batch["block"],
            "batch": batch["batch_id"],
            "ball": ball["ball_id"],
            "session": ball.get("session"),
        }
        row |= {lot: batch.get(lot) for lot in LOTS}
        if settings.plan.design == LATIN:
            row[PLACE] = str(batch["order"])
        if response.kind == "score":
            rows += [row | {"judge": judge} for judge in judges]
        else:
            rows.append(row)
    return rows


def _cell(batch: Row, ball: Row, factor: Factor) -> Any:
    return (ball if factor.set == "ball" else batch)[factor.column]


def choose_terms(settings: Settings, layout: Sequence[Row], response: Response) -> ModelTerms:
    """Choose fixed and random terms for a response from the layout alone.

    Parameters
    ----------
    settings : Settings
    layout : sequence of dict
        The planned rows as from `build_layout`, not the surviving ones: lost balls change what
        can be estimated, never the model.
    response : Response

    Returns
    -------
    ModelTerms
        Without rows, every term that could stand, and a note.

    Notes
    -----
    Block is fixed below six blocks, random from six on or when a factor is set per day. Batch,
    and balls that share a batch and a ball setting, always stand where several rows share them:
    without batches to spare a comparison cannot be judged, and is never judged by balls instead.
    Wanted are three batches and two mixing days more than the fixed terms use up. In 1000 to 2000
    invented trials without a difference, 95 % ranges of waters hold together in 80 to 83 % with
    one batch left over (its variance is often estimated at zero), 93 to 94 % with two or three,
    94 to 96 % with four; those of a setting by day in 98 % with two days
    (tests/plan/test_left_over.py). A hold is judged by the sessions that are left over after it:
    with none of them, and a session SD of two thirds of the ball SD, its ranges held together in
    43 %; with one in 89 to 95 %, with two in 94 to 99 %.
    Lot and session enter only where the fixed terms do not explain them (the rank of the model
    matrix grows when their groups are added). Terms that a lot cannot be told from, or that rest
    on fewer than three lots left over, get no verdict. A batch without a lot has one of its own.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> plan, ph = trial.frozen_plan, trial.settings.responses["ph"]
    >>> rows = build_layout(trial.settings, plan.batches, plan.balls, ph)
    >>> choose_terms(trial.settings, rows, ph).random
    ('batch', 'session')
    """
    chooser = _Chooser(settings, layout, response)
    fixed = chooser.fixed_terms()
    reasons = chooser.unjudged(fixed)
    random = chooser.random_terms(fixed)
    numbers = tuple(f.name for f in chooser.factors if is_slope(f))
    chosen = ModelTerms(
        fixed=tuple(fixed),
        random=tuple(random),
        as_number=numbers,
        not_estimable=tuple(reasons),
        reasons=reasons,
        notes=tuple(chooser.notes),
        level={term: chooser.level(term) for term in fixed},
        centres={name: centre(settings.factors[name]) for name in numbers},
    )
    return rest_on_lots(settings, layout, chosen)


def find_unjudged(
    settings: Settings, rows: Sequence[Row], response: Response, fixed: Sequence[str]
) -> dict[str, str]:
    """Find the fixed terms that recorded rows leave too few units over to judge by.

    Parameters
    ----------
    settings : Settings
    rows : sequence of dict
        Recorded rows with the keys of `build_layout`; levels as texts.
    response : Response
    fixed : sequence of str
        The fixed terms that are fitted. A name that is no factor is a number measured on batches;
        terms of the judge stand within balls and are not looked at.

    Returns
    -------
    dict of str to str
        Term to reason.
    """
    chooser, own = _recorded(settings, rows, response, fixed)
    return chooser.unjudged(own)


def find_unaffordable(
    settings: Settings, rows: Sequence[Row], response: Response, fixed: Sequence[str]
) -> dict[str, str]:
    """Find the interactions that use up the batches, or balls, of recorded rows.

    Parameters
    ----------
    settings, rows, response, fixed
        As for `find_unjudged`.

    Returns
    -------
    dict of str to str
        Interaction to reason. Dropped by the rule of the plan, so that more records never answer
        less: the last one first, until three units are left over.
    """
    chooser, own = _recorded(settings, rows, response, fixed)
    mains, pairs = ([t for t in own if (len(parts_of(t)) > 1) is two] for two in (False, True))
    kept = chooser.affordable(mains, pairs)
    words = "too few {} recorded to tell it from the {}' own differences; it is taken as nil."
    units = {"batch": ("batches are", "batches"), "ball": ("balls are", "balls")}
    return {t: words.format(*units[chooser.level(t)]) for t in pairs if t not in kept}


def _recorded(
    settings: Settings, rows: Sequence[Row], response: Response, fixed: Sequence[str]
) -> tuple[_Chooser, list[str]]:
    """Set up for recorded rows; give the terms that name factors or the block."""
    chooser = _Chooser(settings, rows, response)
    chooser.block_random = len(chooser.blocks) > 1 and "block" not in fixed
    known = {*_APART, *settings.factors}
    own = [t for t in fixed if "judge" not in parts_of(t)]
    chooser.measured = [t for t in own if not known.issuperset(parts_of(t))]
    return chooser, [t for t in own if t not in chooser.measured]


def is_slope(factor: Factor) -> bool:
    """Tell whether a factor enters as a slope: a number with two levels, or along a curve."""
    return factor.kind == "number" and (len(factor.levels) == 2 or is_curve(factor))


def is_curve(factor: Factor) -> bool:
    """Tell whether the plan lets a number bend: its square is in the model."""
    return factor.shape == "square" and len(factor.levels) > 2


def centre(factor: Factor) -> float:
    """Give the middle of a number factor's low and high, in its unit."""
    ends = factor.span or factor.values
    return (min(ends) + max(ends)) / 2


def curve_numbers(settings: Settings) -> Numbers:
    """Give the numbers along which the plan follows a curve: level to whole number."""
    return {
        f.name: {
            text: round((value - centre(f)) * 10_000)
            for text, value in zip(f.levels, f.values, strict=True)
        }
        for f in settings.factors.values()
        if is_curve(f)
    }


class _Chooser:
    """Holds the layout while the terms are chosen; every reason becomes a note."""

    def __init__(self, settings: Settings, layout: Sequence[Row], response: Response) -> None:
        self.settings = settings
        self.rows = [_with_own_lots(r) for r in layout]
        self.balls = _distinct(self.rows, "ball")  # judges do not change what can be told apart
        self.response = response
        self.factors = list(settings.factors.values())
        self.numbers = curve_numbers(settings)
        self.notes: list[str] = []
        self.aliased: dict[str, str] = {}
        self.hidden: set[str] = set()  # groups that took the verdict of a fixed term away
        self.measured: list[str] = []  # further numbers that the fit takes from the batches
        self.blocks = {r["block"] for r in layout} if settings.blocks.kind == "day" else set()
        day_factors = bool(settings.factors_set("day"))
        several = len(self.blocks) > 1
        self.block_random = several and (day_factors or len(self.blocks) >= RANDOM_BLOCKS_FROM)
        self.block_fixed = several and not self.block_random

    def level(self, term: str) -> str:
        """Name the unit that a fixed term is compared on."""
        sets = [self.settings.factors[p].set for p in parts_of(term)
                if p in self.settings.factors]  # fmt: skip
        if term == PLACE:
            return "batch"
        return max(sets, key=lambda s: _DEPTH[s]) if sets else "day"

    def fixed_terms(self) -> list[str]:
        mains = ["block"] if self.block_fixed else []
        mains += [PLACE] if len({r.get(PLACE) for r in self.rows}) > 1 else []
        mains += [f.name for f in self.factors]
        pairs = [square_of(name) for name in self.numbers]
        pairs += [f"{a.name}:{b.name}" for a, b in combinations(self.factors, 2)]
        pairs = self._asked_for(pairs)
        if not self.rows:
            return mains + pairs
        pairs = self._estimable(mains, pairs)
        return mains + self.affordable(mains, pairs)

    def _asked_for(self, pairs: list[str]) -> list[str]:
        """Leave out pairs of settings that a search for single settings took as nil."""
        design = self.settings.plan
        if design.design != SEARCH or design.model != LINES:
            return pairs
        inner = self.settings.factors_set("ball")
        all_balls = design.balls is None or design.balls >= prod(len(f.levels) for f in inner)
        apart = {f.name for f in inner} if all_balls else set()
        nil = [t for t in pairs if not apart & set(parts_of(t))]
        if nil:
            names = " and ".join(term_words(self.settings, t) for t in nil)
            they = "it is" if len(nil) == 1 else "they are"
            self.notes.append(
                f"{names}: the plan is searched for single settings; {they} not in the model and "
                "taken as nil."
            )
        return [t for t in pairs if t not in nil]

    def _estimable(self, mains: list[str], pairs: list[str]) -> list[str]:
        """Keep the interactions and squares whose every column can be told from the rest."""
        span = Span(self.balls, self.numbers)
        for term in mains:
            if span.add([term]) < self._size(term):
                self.aliased[term] = (
                    f"{term_words(self.settings, term)} changes only together with the mixing "
                    "day or another setting; the two cannot be told apart."
                )
                self.notes.append(self.aliased[term])
        kept: list[str] = []
        mixed: dict[tuple[str, ...], list[str]] = {}
        for term in pairs:
            parts = parts_of(term)
            wanted = self._size(term)
            trial = span.copy()
            if trial.add(parts) == wanted and wanted:
                span = trial
                kept.append(term)
                continue
            found = [{r[p] for r in self.balls} for p in parts]
            cells = len({key_of(r, parts) for r in self.balls})
            words = term_words(self.settings, term)
            levels = not self.numbers.keys() & set(parts)
            if levels and cells < len(found[0]) * len(found[1]):
                self.notes.append(
                    f"{words}: not every combination is in the plan; it is not in the model and "
                    "taken as nil."
                )
                continue
            mixed.setdefault(tuple(self._mixed_with(term, mains, kept)), []).append(term)
        self.notes += [mixed_words(self.settings, *item) for item in mixed.items()]
        return kept

    def _size(self, term: str) -> int:
        """Count the columns that a term needs."""
        size = 1
        for p in parts_of(term):
            size *= 1 if p in self.numbers else len({r[p] for r in self.balls}) - 1
        return size

    def _mixed_with(self, term: str, mains: list[str], kept: list[str]) -> list[str]:
        """Name the terms of the model that a term cannot be told from."""
        depth = _DEPTH[self.level(term)]
        others = [t for t in (*mains, *kept) if _DEPTH[self.level(t)] <= depth]
        return find_mixed(self.balls, term, others, self.numbers)

    def affordable(self, mains: list[str], pairs: list[str]) -> list[str]:
        """Drop interactions that would leave too few batches, or balls, to judge by."""
        kept = list(pairs)
        for name, unit in (("batch", "batches"), ("ball", "balls")):
            while self._left_over(name, mains + kept) < _LEFT_OVER:
                droppable = [t for t in kept if self.level(t) == name]
                if not droppable:
                    break
                kept.remove(droppable[-1])
                words = term_words(self.settings, droppable[-1])
                self.notes.append(
                    f"{words}: too few {unit} to tell this from the {unit}' own differences; "
                    "it is not in the model and taken as nil."
                )
        return kept

    def _left_over(self, name: str, terms: Sequence[str]) -> int:
        """Count the units of a level that no term of it, or above it, uses up."""
        inner = tuple(f.name for f in self.factors if f.set == "ball")
        columns, above = {
            "day": (("block",), ()),
            "batch": (("batch",), ("block",) if self.block_random else ()),
            "ball": (("batch", *inner), ("batch",)),
        }[name]
        units = list({key_of(r, columns): r for r in self.balls}.values())
        span = Span(units, self.numbers)
        for term in terms:
            if _DEPTH[self.level(term)] <= _DEPTH[name]:
                span.add(parts_of(term))
        for column in above:
            span.add([column])
        return len(units) - span.rank

    def random_terms(self, fixed: list[str]) -> list[str]:
        candidates: list[tuple[str, tuple[str, ...]]] = []
        if self.block_random:
            candidates.append(("block", ("block",)))
        candidates += [(lot, (lot,)) for lot in LOTS]
        candidates.append(("batch", ("batch",)))
        candidates += [(":".join(c), c) for c in self._shared_settings()]
        if self.settings.hold is not None:
            candidates.append(("session", ("session",)))
        if self.response.kind == "score":
            candidates += [("ball", ("ball",)), ("judge", ("judge",))]
        if not self.rows:
            return [n for n, _ in candidates if n in {"block", "batch", "ball", "judge"}]
        base = Span(self.balls, self.numbers)
        for term in fixed:
            base.add(parts_of(term))
        found: list[str] = []
        seen: set[frozenset[frozenset[int]]] = set()
        for name, columns in candidates:
            partition = self._shared(name, columns)
            if partition is None or partition in seen:
                continue
            hides = name in LOTS and not self._lots_left(name, fixed)
            if hides or (name == "session" and not base.grows(columns)):
                if name not in self.hidden:
                    self.notes.append(confounded_words(name))
                continue
            seen.add(partition)
            found.append(name)
        return found

    def _shared_settings(self) -> list[tuple[str, ...]]:
        """Name the groups of balls that share a batch and a ball setting."""
        hold = self.settings.hold
        inner = [f.name for f in self.factors if f.set == "ball"]
        groups: list[tuple[str, ...]] = []
        if hold is not None:
            groups.append(("batch", hold.name))
        if inner and (hold is None or len(inner) > 1):
            groups.append(("batch", *inner))
        return [g for g in groups if len({key_of(r, g) for r in self.balls}) < len(self.balls)]

    def _shared(self, name: str, columns: tuple[str, ...]) -> frozenset[frozenset[int]] | None:
        """Group the rows; None where a group is not known or nothing is shared."""
        if any(r.get(c) is None for r in self.rows for c in columns):
            return None
        groups: dict[Hashable, set[int]] = {}
        for i, r in enumerate(self.rows):
            groups.setdefault(key_of(r, columns), set()).add(i)
        if (len(groups) < 2 and name != "batch") or len(groups) == len(self.rows):
            return None
        if name in LOTS and len(groups) == len({r["batch"] for r in self.rows}):
            return None
        return frozenset(frozenset(g) for g in groups.values())

    def unjudged(self, fixed: Sequence[str]) -> dict[str, str]:
        """Find the fixed terms that have too few units left over to judge by, with the reason."""
        found = dict(self.aliased)
        for name in ("day", "batch", "ball") if self.rows else ():
            judged = [t for t in fixed if t not in {*_APART, *found} and self.level(t) == name]
            left = self._left_over(name, fixed)
            if name == "batch":
                judged += self.measured
                left = max(0, left - len(self.measured))
            if judged and left < _LEAST[name]:
                sentence = unjudged_words(
                    self.settings, judged, name, left=left, least=_LEAST[name]
                )
                found |= dict.fromkeys(judged, sentence)
                self.notes.append(sentence)
        if self.settings.hold is not None:
            found |= self._unjudged_by_session(fixed, found)
        for lot in LOTS if self.rows else ():
            found |= self._unjudged_by_lot(lot, fixed, found)
        return found

    def _lot_units(self, lot: str) -> tuple[list[Row], list[Hashable | None]]:
        """Give the batches, and of each the lot that is named for it."""
        units = _distinct(self.balls, "batch")
        return units, [None if r[lot] == r["batch"] else r[lot] for r in units]

    def _lots_left(self, lot: str, fixed: Sequence[str]) -> int:
        """Count the named lots that the fixed terms do not use up."""
        units, names = self._lot_units(lot)
        span = Span(units, self.numbers)
        for term in fixed:
            if self.level(term) != "ball":
                span.add(parts_of(term))
        return span.add_groups(names)

    def _unjudged_by_lot(
        self, lot: str, fixed: Sequence[str], found: Mapping[str, str]
    ) -> dict[str, str]:
        """Find the terms that shared lots, too few of them, cannot be told from."""
        groups = self._shared(lot, (lot,))
        day = self._shared("block", ("block",)) if self.block_random else None
        left = self._lots_left(lot, fixed)
        if groups is None or groups == day or left >= LEAST_LEFT:
            return {}
        units, names = self._lot_units(lot)
        terms = [t for t in fixed if self.level(t) != "ball"]
        open_terms = [t for t in terms if t not in {*_APART, *found}]
        hit = [t for t in open_terms if leans_on(units, t, terms, names, self.numbers)]
        if not hit:
            return {}
        self.hidden.add(lot)
        sentence = say_hidden(", ".join(term_words(self.settings, t) for t in hit), lot, left)
        self.notes.append(sentence)
        return dict.fromkeys(hit, sentence)

    def _unjudged_by_session(
        self, fixed: Sequence[str], found: Mapping[str, str]
    ) -> dict[str, str]:
        """Find the terms that sessions, too few of them, cannot be told from."""
        columns = ("block", "session", *(f.name for f in self.factors))
        known = [r for r in self.balls if r.get("session") is not None]
        rows = list({key_of(r, columns): r for r in known}.values())
        terms = [*fixed, "block"]
        span = Span(rows, self.numbers)
        for term in terms:
            span.add(parts_of(term))
        left = span.add(["session"])
        if left >= _LEAST["session"]:
            return {}
        labels = [r["session"] for r in rows]
        open_terms = [t for t in fixed if t not in {*_APART, *found}]
        hit = [t for t in open_terms if leans_on(rows, t, terms, labels, self.numbers)]
        if not hit:
            return {}
        self.hidden.add("session")
        sentence = unjudged_words(self.settings, hit, "session", left=left, least=_LEAST["session"])
        self.notes.append(sentence)
        return dict.fromkeys(hit, sentence)


def _with_own_lots(row: Row) -> Row:
    """Give a batch without a lot one of its own, under the name of the batch."""
    return {**row, **{lot: row["batch"] for lot in LOTS if row.get(lot) is None}}


def _distinct(rows: Sequence[Row], column: str) -> list[Row]:
    return list({r[column]: r for r in rows}.values())
