"""Score curve: the bake score along the pH in use, corrected for the error of the pH.

`window` reads the band from it; drawing is left to the report.
A scored ball is never pierced, so that its pH is told by its batch and its twins, with an error.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.decision.chance import Predictor, build_predictor
from doughlab.errors import NotEstimable
from doughlab.plan.model import LOTS
from doughlab.stats import MixedFit, fit_mixed
from doughlab.stats.inference import f_test
from doughlab.stats.scale import student_quantile

Floats = NDArray[np.floating]

FEWEST = 6  # pH values that differ, for a curve of second degree
TURNS, RINGS = 360, (0.25, 0.5, 0.75, 1.0)
DOUBT = 0.05  # p value under which the curve's shape is doubted


@dataclass(frozen=True)
class End:
    """One end of the band with its 95 % range.

    Attributes
    ----------
    value, low, high : float
        In the unit of the pH; an end at the edge of what was tried may lie beyond it.
    edge : float
        The edge of what was tried on this side.

    Examples
    --------
    >>> End(5.31, 5.24, 5.37, 5.1).text
    '5.31 (5.24 to 5.37)'
    """

    value: float
    low: float
    high: float
    edge: float

    @property
    def at_edge(self) -> bool:
        """Whether the end itself lies at the edge of what was tried, or beyond."""
        return self.value == self.edge

    @property
    def at_edge_surely(self) -> bool:
        """Whether all of its range does."""
        return self.low == self.edge == self.high

    @property
    def text(self) -> str:
        """Value and range; what lies beyond the edge is called so."""
        beyond = ("below", "above")[self.edge >= max(self.value, self.high)]
        ends = [f"{beyond} {e:.2f}" if e == self.edge else f"{e:.2f}"
                for e in (self.value, self.low, self.high)]  # fmt: skip
        return f"{ends[0]} ({ends[1]} to {ends[2]})"


@dataclass(frozen=True)
class ScoreCurve:
    """Score as a curve of second degree of the pH in use.

    Attributes
    ----------
    slope, bend : float
        Coefficients of (pH - centre) and its square.
    covariance : array, shape (2, 2)
    df : float
    centre, first, last : float
        Middle, lowest and highest pH that was tried.
    margin : float
        Of the score.
    batches : int
    response, of, words : str
        Name of the pH's response, its words, and those of the score.
    apart : float or None
        p value that batches and holds do not go with the score alike; None where only one of them
        moves the pH.
    notes : tuple of str
    """

    slope: float
    bend: float
    covariance: Floats = field(repr=False)
    df: float
    centre: float
    first: float
    last: float
    margin: float
    batches: int = 0
    response: str = "ph"
    of: str = "pH"
    words: str = "bake score"
    apart: float | None = None
    notes: tuple[str, ...] = ()

    def ends(self, *, times: float = 1.0) -> tuple[End, End]:
        """Find both ends of the range not worse than the best by the margin.

        Parameters
        ----------
        times : float
            As if so many times as many batches had told the same curve.

        Returns
        -------
        End, End
        """
        t = float(student_quantile(self.df * times, 0.975))
        values, vectors = np.linalg.eigh(self.covariance / times)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        angle = 2.0 * np.pi * np.arange(TURNS) / TURNS
        ring = t * np.stack([np.cos(angle), np.sin(angle)])
        around = np.concatenate([(root @ ring) * share for share in RINGS], axis=1)
        b, c = np.array([[self.slope], [self.bend]]) + np.hstack([np.zeros((2, 1)), around])
        span = (self.first - self.centre, self.last - self.centre)
        low, high = margin_ends(b, c, span, self.margin)
        return self._end(low, span[0], self.first), self._end(high, span[1], self.last)

    def _end(self, found: Floats, edge: float, tried: float) -> End:
        """Give the first of some ends with the range of all of them."""
        value, low, high = (
            tried if abs(v - edge) < 1e-12 else float(v) + self.centre
            for v in (found[0], found.min(), found.max())
        )
        return End(value, low, high, tried)


def margin_ends(
    slope: Floats, bend: Floats, span: tuple[float, float], margin: float
) -> tuple[Floats, Floats]:
    """Find where curves of second degree stay within a margin of their best.

    Parameters
    ----------
    slope, bend : array, shape (m,)
        The curve slope x + bend x squared.
    span : tuple of float
        Where x was tried; the best is that within it.
    margin : float
        Above 0.

    Returns
    -------
    low, high : array, shape (m,)
        Ends of the stretch that holds the best; the edge of the span where it reaches that.

    Examples
    --------
    >>> low, high = margin_ends(np.array([0.0]), np.array([-4.0]), (-1.0, 1.0), 1.0)
    >>> print(low, high)
    [-0.5] [0.5]
    """
    first, last = span
    with np.errstate(divide="ignore", invalid="ignore"):
        top = np.where(bend < 0, -slope / (2.0 * bend), np.inf)
    ends = np.stack([slope * x + bend * x**2 for x in span])
    best = np.where(ends[0] >= ends[1], first, last)
    best = np.where((top > first) & (top < last), top, best)
    goal = slope * best + bend * best**2 - margin
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(slope**2 + 4.0 * bend * goal)
        # both roots of bend x^2 + slope x = goal, written so that neither loses its digits
        q = -0.5 * (slope + np.where(slope >= 0, root, -root))
        roots = np.stack([q / bend, -goal / q])
    roots = np.where(np.isfinite(roots), roots, np.nan)
    below = np.where(roots < best, roots, -np.inf)
    above = np.where(roots > best, roots, np.inf)
    return np.maximum(below.max(axis=0), first), np.minimum(above.min(axis=0), last)


def fit_score_curve(measured: Analysis, scored: Analysis) -> ScoreCurve:
    """Fit the bake score as a curve of the pH in use.

    Parameters
    ----------
    measured, scored : Analysis

    Returns
    -------
    ScoreCurve

    Raises
    ------
    NotEstimable
        With fewer than six different pH values, or where scores do not vary.

    Notes
    -----
    A score falls on the ball's own pH; a reading of its twin misses that by ball, session and
    meter. A curve along such readings comes out too flat (regression dilution). So the pH of a
    scored ball is what the model of the pH expects of it: mean of its setting plus the predicted
    deviations of its day, lots and batch. What is missed then is independent of what is used, and
    moves the level of the curve only, not its slope and bend (regression calibration: Carroll,
    Ruppert, Stefanski, Crainiceanu 2006, Measurement Error in Nonlinear Models, chapter 4, from
    memory). Batch means of the pH and its square are then added and tested (Mundlak 1978,
    Econometrica 46, 69, from memory): if pH alone were at work they would say nothing.
    """
    predictor = build_predictor(measured)
    keys = ["batch", *(f.name for f in scored.settings.factors_set("ball"))]
    read = measured.dataset.frame.groupby(keys, observed=True)["y"].mean().rename("read")
    frame = scored.dataset.frame.merge(read.reset_index(), on=keys, how="inner")
    if frame["read"].nunique() < FEWEST:
        raise NotEstimable(f"fewer than {FEWEST} settings have both a pH and a bake score.")
    frame = frame.assign(x=expected_values(predictor, frame))
    random = [t for t in scored.terms.random if set(t.split(":")) <= set(frame.columns)]
    if "block" in scored.terms.fixed and "block" not in random:
        random.insert(0, "block")
    return curve_of(
        frame, random, margin=scored.response.margin, response=measured.response.name,
        of=measured.response.words, words=scored.response.words,
    )  # fmt: skip


def expected_values(predictor: Predictor, frame: pd.DataFrame) -> Floats:
    """Give the value that a model expects of each row's ball, its day, lots and batch known.

    Parameters
    ----------
    predictor : Predictor
    frame : DataFrame
        Columns of the factors, block, batch and lots.

    Returns
    -------
    array, shape (n,)
        Sessions are left out: they are taken for the meter's.
    """
    model = predictor.model
    names = list(model.settings.factors)
    texts = frame[names].astype(str)
    known = texts.drop_duplicates()
    means = model.fit.test_rows(predictor.rows(known)).estimate
    place = {tuple(row): mean for row, mean in zip(known.to_numpy(), means, strict=True)}
    out = np.array([place[tuple(row)] for row in texts.to_numpy()], dtype=float)
    for term in model.fit.random_names[:-1]:
        if term not in {"block", "batch", *LOTS}:
            continue
        effects = model.fit.random_effects(term).set_index("level")["estimate"]
        out += frame[term].astype(str).map(effects).fillna(0.0).to_numpy(dtype=float)
    return out


def curve_of(
    frame: pd.DataFrame,
    random: list[str],
    *,
    margin: float,
    response: str = "ph",
    of: str = "pH",
    words: str = "bake score",
) -> ScoreCurve:
    """Fit y along x with the random terms of the score.

    Parameters
    ----------
    frame : DataFrame
        Columns y, x (pH expected), read (pH read of the twins), batch and those of `random`.
    random : list of str
    margin : float
    response, of, words : str

    Returns
    -------
    ScoreCurve
    """
    centre = float(frame["x"].mean())
    x = frame["x"] - centre
    frame = frame.assign(x=x, x2=x**2)
    fit = fit_mixed(frame, "y ~ x + x2", random=random)
    tests = fit.test_rows(np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]))
    apart, told = _apart(frame, random)
    cells = frame.drop_duplicates(["batch", "x"])
    notes = [_dilution(cells["read"].to_numpy(dtype=float), cells["x"].to_numpy(dtype=float)),
             told, *_shape_note(frame, random)]  # fmt: skip
    return ScoreCurve(
        float(tests.estimate[0]), float(tests.estimate[1]), tests.covariance,
        float(tests.df.min()), centre, float(x.min()) + centre, float(x.max()) + centre, margin,
        int(frame["batch"].nunique()), response, of, words, apart, tuple(n for n in notes if n),
    )  # fmt: skip


def _dilution(read: Floats, expected: Floats) -> str:
    """Say how much flatter a curve along the readings would be."""
    spread = float(np.var(read))
    if spread <= 0:
        return ""
    share = float(np.cov(read, expected)[0, 1] / np.var(read, ddof=1))
    flatter = 100.0 * max(0.0, 1.0 - share)
    return (f"The pH of a scored ball is that expected of its setting, day and batch; along single "
            f"readings the curve would come out {flatter:.0f} % flatter.")  # fmt: skip


def _apart(frame: pd.DataFrame, random: list[str]) -> tuple[float | None, str]:
    """Test whether batches and holds go with the score alike: p value and sentence."""
    means = frame.groupby("batch", observed=True)[["x", "x2"]].transform("mean")
    within = float((frame["x"] - means["x"]).std())
    between = float(means["x"].std())
    if within < 1e-6 or between < 1e-6:
        where = "batches" if within < 1e-6 else "holds"
        return None, f"Only {where} move the pH here; whether pH itself is at work is not tested."
    more = frame.assign(xm=means["x"], xm2=means["x2"])
    fit = _try_fit(more, "y ~ x + x2 + xm + xm2", random)
    if fit is None:
        return None, "Batches and holds cannot be told apart in what they do to the score."
    rows = np.zeros((2, 5))
    rows[0, 3] = rows[1, 4] = 1.0
    p_value = float(f_test(fit.moments, fit.coordinates.convert(rows)[0]).p_value)
    found = fit.test_rows(np.array([[0.0, 1, 0, 0, 0], [0.0, 1, 0, 1, 0]]))
    half = student_quantile(found.df, 0.975) * found.std_error
    slopes = [f"{v / 10:+.2f} ({(v - h) / 10:+.2f} to {(v + h) / 10:+.2f})"
              for v, h in zip(found.estimate, half, strict=True)]  # fmt: skip
    return p_value, (
        f"For 0.1 pH more the score changes by {slopes[0]} within batches and by {slopes[1]} "
        f"between them, at pH {frame['read'].mean():.2f}: alike as far as this trial tells "
        f"(p = {p_value:.2f})."
        if p_value >= DOUBT
        else f"For 0.1 pH more the score changes by {slopes[0]} within batches, by {slopes[1]} "
        f"between them: not alike (p = {p_value:.2g})."
    )


def _shape_note(frame: pd.DataFrame, random: list[str]) -> list[str]:
    fit = _try_fit(frame.assign(x3=frame["x"] ** 3), "y ~ x + x2 + x3", random)
    if fit is None:
        return []
    p_value = float(fit.test_rows(np.array([[0.0, 0, 0, 1]])).p_value[0])
    if not p_value < DOUBT:
        return []
    return [f"The score does not follow a curve of second degree well (p = {p_value:.2g}); read "
            "the ends of the band with care."]  # fmt: skip


def _try_fit(frame: pd.DataFrame, formula: str, random: list[str]) -> MixedFit | None:
    """Fit a check; None where the rows cannot tell it."""
    try:
        fit = fit_mixed(frame, formula, random=random)
    except NotEstimable:
        return None
    return None if fit.not_estimable.keys() & set(formula.split()) else fit
