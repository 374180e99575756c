"""Experience: what several trials say together, about spreads and about the same factor.

`doughlab overview` calls it; each trial was analysed on its own before. Spreads become the start
of the next plan, the same difference gets a mean over trials; no verdict is changed by it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from doughlab.plan.spreads import ENDS, FIELDS, Spreads
from doughlab.stats.combine import Combined, combine_estimates

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.analysis.contrasts import Comparison

DRAWS = 20_000
LEAST_TRIALS = 3  # that tell how far trials differ: two leave one degree of freedom
HOW = (
    "Each trial counts by one over its squared error plus a spread between trials "
    "(Paule and Mandel); ranges by t with one less than the trials (Hartung and Knapp)."
)

TWO = (
    "Two trials hardly tell how far trials differ (one degree of freedom): a range over two would "
    "be wider than that of either, so none is given; each trial's own stands."
)


def find_copies(entries: Mapping[str, AbstractSet[str]]) -> dict[str, str]:
    """Find the trials that hold records of another: copies count once, as batches do.

    Parameters
    ----------
    entries : mapping of str to set of str
        By trial, the ids of its record entries; an id is made once, on the device that enters.

    Returns
    -------
    dict of str to str
        Copy to the trial that stands for it: the one with most entries, the first of equals.

    Examples
    --------
    >>> find_copies({"a": {"1", "2"}, "copy of a": {"1", "2", "3"}, "b": {"9"}})
    {'a': 'copy of a'}
    """
    order = sorted(entries, key=lambda name: -len(entries[name]))
    kept: list[str] = []
    copies = {}
    for name in order:
        first = next((k for k in kept if entries[k] & entries[name]), None)
        if first is None:
            kept.append(name)
        else:
            copies[name] = first
    return copies


def over_two(rows: Iterable[OverTrials]) -> tuple[str, ...]:
    """Say how means over trials were taken, and what two trials alone can tell."""
    ranged = [o.ranged for o in rows]
    return (*([HOW] if any(ranged) else []), *([] if all(ranged) else [TWO]))


@dataclass(frozen=True)
class PooledSpread:
    """One spread as several trials measured it.

    Attributes
    ----------
    name : str
        "day", "lot", "session", "batch", "ball" or "judge".
    sd, low, high : float
        Standard deviation with its 95 % range, in the unit of the response.
    df : float
        Degrees of freedom of all trials together.
    trials : tuple of str
        Those that measured it.
    """

    name: str
    sd: float
    low: float
    high: float
    df: float
    trials: tuple[str, ...]


def pool_spreads(found: Mapping[str, Spreads]) -> tuple[PooledSpread, ...]:
    """Pool the spreads of one response over trials, variances weighted by degrees of freedom.

    Parameters
    ----------
    found : mapping of str to Spreads
        By trial; all of the same response in the same unit.

    Returns
    -------
    tuple of PooledSpread
        In the order of `doughlab.plan.spreads.FIELDS`. Ranges come from draws of each trial's own
        (see `Spreads.draw`), averaged with the same weights.

    Examples
    --------
    >>> from doughlab.plan.spreads import Spread
    >>> one = Spreads("ph", (Spread("ball", 0.0009, 18),))
    >>> two = Spreads("ph", (Spread("ball", 0.0016, 6),))
    >>> pooled = pool_spreads({"a": one, "b": two})[0]
    >>> round(pooled.sd**2, 6), pooled.df
    (0.001075, 24.0)
    """
    drawn = {trial: s.draw(DRAWS, seed=i) for i, (trial, s) in enumerate(found.items())}
    pooled = []
    for name in FIELDS:
        own = {trial: p for trial, s in found.items() for p in s.parts if p.name == name}
        if not own:
            continue
        df = float(sum(p.df for p in own.values()))
        variance = sum(p.df * p.variance for p in own.values()) / df
        draws = sum(p.df * drawn[trial][name] for trial, p in own.items()) / df
        low, high = (float(np.quantile(draws, end)) ** 0.5 for end in ENDS)
        pooled.append(PooledSpread(name, float(variance) ** 0.5, low, high, df, tuple(own)))
    return tuple(pooled)


@dataclass(frozen=True)
class OverTrials:
    """One difference as several trials measured it.

    Attributes
    ----------
    factor, words, at, response, unit : str
        `words` and `at` as the first trial writes them.
    trials : tuple of str
    estimates, std_errors : tuple of float
        One for each trial, all in the direction of `words`.
    combined : Combined
        Shown where `ranged` only.
    """

    factor: str
    words: str
    at: str
    response: str
    unit: str
    trials: tuple[str, ...]
    estimates: tuple[float, ...]
    std_errors: tuple[float, ...]
    combined: Combined

    @property
    def ranged(self) -> bool:
        """Whether there are trials enough for a mean with a range: three or more."""
        return len(self.trials) >= LEAST_TRIALS


@dataclass
class _Gathered:
    """What is found of one difference, trial by trial."""

    first: Comparison
    response: str
    rows: dict[str, tuple[float, float]] = field(default_factory=dict)


def compare_over_trials(found: Mapping[str, Iterable[Analysis]]) -> tuple[OverTrials, ...]:
    """Find the differences that two trials or more measured, and take their mean.

    The same difference is one of the same factor and levels (by name), at the same hold, on the
    same response in the same unit. Levels the other way round are turned.

    Parameters
    ----------
    found : mapping of str to iterable of Analysis
        By trial.

    Returns
    -------
    tuple of OverTrials
        In the order in which they are met.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> both = compare_over_trials({"first": [analyse_demo()], "once more": [analyse_demo()]})
    >>> both[0].words, both[0].trials
    ('tap - reverse osmosis', ('first', 'once more'))
    >>> round(both[0].combined.estimate, 3) == round(both[0].estimates[0], 3)
    True
    """
    gathered: dict[tuple[str, ...], _Gathered] = {}
    for trial, analyses in found.items():
        for a in analyses:
            for c in (c for answer in a.answers for c in answer.comparisons):
                if not (np.isfinite(c.estimate) and np.isfinite(c.std_error) and c.std_error > 0):
                    continue
                row = gathered.setdefault(_key(a, c), _Gathered(c, a.response.name))
                sign = 1.0 if (row.first.level, row.first.other) == (c.level, c.other) else -1.0
                row.rows[trial] = (sign * c.estimate, c.std_error)
    return tuple(_combined(g) for g in gathered.values() if len(g.rows) > 1)


def _key(analysis: Analysis, c: Comparison) -> tuple[str, ...]:
    pair = sorted((c.level, c.other)) if c.other else [c.level, c.words]
    return (analysis.response.name, c.unit, c.factor, c.at, *pair)


def _combined(g: _Gathered) -> OverTrials:
    estimates: Sequence[float] = [estimate for estimate, _ in g.rows.values()]
    errors = [error for _, error in g.rows.values()]
    c = g.first
    return OverTrials(
        c.factor, c.words, c.at, g.response, c.unit, tuple(g.rows), tuple(estimates),
        tuple(errors), combine_estimates(estimates, errors),
    )  # fmt: skip
