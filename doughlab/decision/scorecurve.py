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
POINTS = 201  # of the pH that was tried
AROUND, RINGS = 720, (0.5, 1.0)  # curves looked at, on shells of the region that is not excluded
BOW = 0.25  # of a margin; how far the curve may depart from second degree at the ends (SD)
DOUBT = 0.05  # p value under which batches and holds are said not to agree


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
    """Score along the pH in use: of second degree, with a bow of third degree as far as data say.

    Attributes
    ----------
    coefficients : array, shape (2,) or (3,)
        Of (pH - centre), its square, and the third Chebyshev polynomial over the tried range, as
        estimated.
    covariance : array, shape (2, 2) or (3, 3)
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

    Notes
    -----
    The bow is taken as nil give or take a quarter of the margin (standard deviation; rule of this
    project) and joined with its estimate, each weighed by its variance (Theil and Goldberger 1961,
    Int. Econ. Rev. 2, 65, from memory). Without it, skew curves had ends outside their ranges in 2
    to 4 of 10 invented trials; with a free one, bands would be narrower than data allow.
    """

    coefficients: Floats
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

    def joined(self, *, times: float = 1.0) -> tuple[Floats, Floats]:
        """Give coefficients and covariance, the bow held by what is taken for it beforehand."""
        data = np.linalg.inv(self.covariance / times)
        held = np.zeros_like(data)
        if len(self.coefficients) > 2:
            held[2, 2] = 1.0 / (BOW * self.margin) ** 2
        covariance = np.linalg.inv(data + held)
        return covariance @ (data @ self.coefficients), covariance

    def values(self, ph: Floats, coefficients: Floats | None = None) -> Floats:
        """Give the score at some pH, up to a constant.

        Parameters
        ----------
        ph : array, shape (m,)
        coefficients : array, shape (n, k), optional
            Several curves; the joined one unless given.

        Returns
        -------
        array, shape (n, m) or (m,)
        """
        x = ph - self.centre
        u = (2.0 * ph - self.first - self.last) / (self.last - self.first)
        columns = np.stack([x, x**2, 4.0 * u**3 - 3.0 * u])[: len(self.coefficients)]
        return (self.joined()[0] if coefficients is None else coefficients) @ columns

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
        middle, covariance = self.joined(times=times)
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        shell = t * directions(len(middle)) @ root.T
        curves = np.concatenate([middle[None], *(middle + share * shell for share in RINGS)])
        ph = np.linspace(self.first, self.last, POINTS)
        low, high = margin_ends(ph, self.values(ph, curves), self.margin)
        return _end(low, self.first), _end(high, self.last)


def _end(found: Floats, edge: float) -> End:
    """Give the first of some ends with the range of all of them."""
    return End(float(found[0]), float(found.min()), float(found.max()), edge)


def directions(k: int) -> Floats:
    """Spread directions evenly: on a circle, or on a sphere along a spiral.

    Examples
    --------
    >>> bool(abs(directions(3).mean(axis=0)).max() < 1e-3)
    True
    """
    at = np.arange(AROUND) + 0.5
    if k == 2:
        turn = 2.0 * np.pi * at / AROUND
        return np.stack([np.cos(turn), np.sin(turn)], axis=1)
    height = 1.0 - 2.0 * at / AROUND
    turn = np.pi * (1.0 + np.sqrt(5.0)) * at
    wide = np.sqrt(1.0 - height**2)
    return np.stack([wide * np.cos(turn), wide * np.sin(turn), height], axis=1)


def margin_ends(x: Floats, values: Floats, margin: float) -> tuple[Floats, Floats]:
    """Find where curves stay within a margin of their best.

    Parameters
    ----------
    x : array, shape (m,)
        Rising.
    values : array, shape (n, m)
        Curves at x.
    margin : float
        Above 0.

    Returns
    -------
    low, high : array, shape (n,)
        Ends of the stretch that holds the best; the first and last x where it reaches those.

    Examples
    --------
    >>> x = np.linspace(-1.0, 1.0, 401)
    >>> low, high = margin_ends(x, -4.0 * x[None] ** 2, 1.0)
    >>> print(low.round(4), high.round(4))
    [-0.5] [0.5]
    """
    best = values.argmax(axis=1)
    rows = np.arange(len(values))
    over = values - (values[rows, best] - margin)[:, None]
    place = np.arange(len(x))
    before = np.where((over < 0) & (place < best[:, None]), place, -1).max(axis=1)
    after = np.where((over < 0) & (place > best[:, None]), place, len(x)).min(axis=1)

    def between(out: NDArray[np.int64], step: int, edge: float) -> Floats:
        there = (out >= 0) & (out < len(x))
        i = np.clip(out, 0, len(x) - 1)
        j = np.clip(out + step, 0, len(x) - 1)
        a, b = over[rows, i], over[rows, j]
        with np.errstate(divide="ignore", invalid="ignore"):
            found = x[i] + (x[j] - x[i]) * a / (a - b)
        return np.where(there, found, edge)

    return between(before, 1, float(x[0])), between(after, -1, float(x[-1]))


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
    centre, first, last = (float(f) for f in (frame["x"].mean(), frame["x"].min(),
                                              frame["x"].max()))  # fmt: skip
    x = frame["x"] - centre
    u = (2.0 * frame["x"] - first - last) / max(last - first, 1e-9)
    frame = frame.assign(x=x, x2=x**2, x3=4.0 * u**3 - 3.0 * u)
    fit = _try_fit(frame, "y ~ x + x2 + x3", random)
    if fit is None:
        fit = fit_mixed(frame, "y ~ x + x2", random=random)
    tests = fit.test_rows(np.eye(fit.design.matrix.shape[1])[1:])
    apart, told = _apart(frame, random)
    cells = frame.drop_duplicates(["batch", "x"])
    notes = [_dilution(cells["read"].to_numpy(dtype=float), cells["x"].to_numpy(dtype=float)),
             told]  # fmt: skip
    return ScoreCurve(
        tests.estimate, tests.covariance, float(tests.df.min()), centre, first, last, margin,
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
    fit = _try_fit(more, "y ~ x + x2 + x3 + xm + xm2", random)
    if fit is None:
        return None, "Batches and holds cannot be told apart in what they do to the score."
    rows = np.eye(6)[4:]
    p_value = float(f_test(fit.moments, fit.coordinates.convert(rows)[0]).p_value)
    u = -2.0 * frame["x"].min() / max(float(np.ptp(frame["x"])), 1e-9) - 1.0
    bow = (12.0 * u**2 - 3.0) * 2.0 / max(float(np.ptp(frame["x"])), 1e-9)  # slope of x3 at x = 0
    found = fit.test_rows(np.array([[0.0, 1, 0, bow, 0, 0], [0.0, 1, 0, bow, 1, 0]]))
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


def _try_fit(frame: pd.DataFrame, formula: str, random: list[str]) -> MixedFit | None:
    """Fit a check; None where the rows cannot tell it."""
    try:
        fit = fit_mixed(frame, formula, random=random)
    except NotEstimable:
        return None
    return None if fit.not_estimable.keys() & set(formula.split()) else fit
