"""Spreads: how much days, batches, balls and judges differ, as an earlier trial measured it.

`analysis.earlier` reads them off a trial's records, `precision` plans with them and `pilot` draws
from what they leave possible. Stated spreads without a source are left to [assumed] of trial.toml.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError
from doughlab.sections import Assumed

if TYPE_CHECKING:
    from doughlab.settings import Settings

Floats = NDArray[np.floating[Any]]
_LEAST_DF = 0.5
ENDS = (0.025, 0.975)  # of a 95 % range
FIELDS = {"day": "day_sd", "lot": "lot_sd", "session": "session_sd", "batch": "batch_sd",
           "ball": "ball_sd", "judge": "judge_sd"}  # fmt: skip
MANY = {"day": "days", "lot": "water lots", "session": "sessions", "batch": "batches",
         "ball": "balls", "judge": "single scores"}  # fmt: skip


@dataclass(frozen=True)
class Spread:
    """One spread as it was measured.

    Attributes
    ----------
    name : str
        "day", "lot", "session", "batch", "ball" or "judge".
    variance : float
        Estimate, 0 or more, in the unit of the response squared.
    df : float
        Degrees of freedom of its mean square, above 0.
    shares : mapping of str to float
        Inner spreads to the part of their variance that stands in its mean square as well: balls
        to 1/n for batches of n balls; nothing for the innermost.
    """

    name: str
    variance: float
    df: float
    shares: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Spreads:
    """The spreads of one response, measured in an earlier trial.

    Attributes
    ----------
    response : str
    parts : tuple of Spread
        Outer ones first; the last is the innermost, whose repeats judge the others.
    source : str
        The trial they come from, in words.
    notes : tuple of str
        What could not be told apart there.

    Examples
    --------
    Six batches of four balls, mean squares 0.0109 (5 df) and 0.0009 (18 df):

    >>> parts = Spread("batch", 0.0025, 5, {"ball": 0.25}), Spread("ball", 0.0009, 18)
    >>> pilot = Spreads("ph", parts)
    >>> pilot.as_assumed().batch_sd, [round(float(x), 3) for x in pilot.range("ball")]
    (0.05, [0.023, 0.044])
    """

    response: str
    parts: tuple[Spread, ...]
    source: str = "an earlier trial"
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn from."""
        for p in self.parts:
            if p.name not in FIELDS or p.variance < 0 or not p.df > 0:
                raise InputError(
                    f"Spread '{p.name}' with variance {p.variance:g} on {p.df:g} degrees of "
                    f"freedom cannot be used: names are {', '.join(FIELDS)}, variances 0 or more."
                )
        if not self.parts or self.parts[-1].variance <= 0:
            raise InputError(f"{self.source} shows no spread of {self.response} that repeats.")

    def as_assumed(self) -> Assumed:
        """Give the estimates as [assumed] of trial.toml would; reading is part of the balls'."""
        sds = {FIELDS[p.name]: float(p.variance**0.5) for p in self.parts}
        return Assumed(self.response, **({"batch_sd": 0.0, "ball_sd": 0.0} | sds))

    def draw(self, count: int, *, seed: int = 0) -> dict[str, Floats]:
        """Draw variances that the measured ones leave possible.

        Parameters
        ----------
        count : int
        seed : int

        Returns
        -------
        dict of str to array, shape (count,)
            Name to variance.

        Notes
        -----
        Each mean square over its expectation is a chi-square over its degrees of freedom, so that
        expectation = mean square x df / chi-square; what inner spreads add to it is taken off, down
        to 0 (generalized pivotal quantities: Weerahandi, S. (1993), J. Am. Stat.
        Assoc. 88, 899, from memory). Coverage is checked in tests/plan/test_pilot.py.
        """
        rng = np.random.default_rng([seed, 977])
        known = {p.name: p.variance for p in self.parts}
        drawn: dict[str, Floats] = {}
        for p in reversed(self.parts):
            square = p.variance + sum(share * known[n] for n, share in p.shares.items())
            inner = sum((share * drawn[n] for n, share in p.shares.items()), np.zeros(count))
            chance = np.maximum(rng.chisquare(p.df, count), 1e-9)
            drawn[p.name] = np.maximum(square * p.df / chance - inner, 0.0)
        return {p.name: drawn[p.name] for p in self.parts}

    def range(self, name: str, *, seed: int = 0) -> tuple[float, float]:
        """Give the 95 % range of a spread (standard deviation)."""
        drawn = np.sqrt(self.draw(20_000, seed=seed)[name])
        return float(np.quantile(drawn, ENDS[0])), float(np.quantile(drawn, ENDS[1]))

    @property
    def sentence(self) -> str:
        """Say what was measured, each with its 95 % range."""
        said = []
        for p in self.parts:
            low, high = self.range(p.name)
            sd = p.variance**0.5
            said.append(f"{MANY[p.name]} differ by {sd:.2g} ({low:.2g} to {high:.2g})")
        return f"measured in {self.source} (95 % ranges): {'; '.join(said)}"


def measure_parts(
    names: Sequence[str], variances: Sequence[float], covariance: Floats
) -> tuple[Spread, ...]:
    """Turn estimated variances and their covariance into spreads that can be drawn from.

    Parameters
    ----------
    names : sequence of str
        Of the spreads, the innermost last.
    variances : sequence of float
    covariance : array, shape (k, k)
        Of the estimated variances, as from the expected information.

    Returns
    -------
    tuple of Spread

    Notes
    -----
    Each variance is joined with so much of the inner ones that the sum is uncorrelated with
    them: with balanced data that is its mean square, up to a factor, and its degrees of freedom
    2 m^2 / Var(m) are the exact ones (Satterthwaite, F. E. (1946), Biometrics Bull. 2, 110).
    Spreads of which nothing is known (fewer than half a degree of freedom) are left out.

    Examples
    --------
    Six batches of four balls: Var(MS) = 2 MS^2 / df on 5 and 18 df.

    >>> square, repeat = 2 * 0.0109**2 / 5, 2 * 0.0009**2 / 18
    >>> cov = np.array([[(square + repeat) / 16, -repeat / 4], [-repeat / 4, repeat]])
    >>> parts = measure_parts(["batch", "ball"], [0.0025, 0.0009], cov)
    >>> [(p.name, round(p.df, 6), p.shares) for p in parts]
    [('batch', 5.0, {'ball': 0.25}), ('ball', 18.0, {})]
    """
    parts: list[Spread] = []
    for i in reversed(range(len(names))):
        inner = [j for j in range(i + 1, len(names)) if any(p.name == names[j] for p in parts)]
        shares, spread = np.zeros(len(inner)), float(covariance[i, i])
        if inner:
            own = covariance[np.ix_(inner, inner)]
            shares = np.maximum(-np.linalg.solve(own, covariance[inner, i]), 0.0)
            spread += float(2.0 * shares @ covariance[inner, i] + shares @ own @ shares)
        square = float(variances[i] + sum(shares * np.asarray(variances)[inner]))
        df = 2.0 * square**2 / spread if spread > 0 else 0.0
        if df >= _LEAST_DF or not parts:
            added = {names[j]: round(float(s), 12) for j, s in zip(inner, shares, strict=True)}
            parts.insert(0, Spread(names[i], float(variances[i]), df, added))
    return tuple(parts)


def use_spreads(settings: Settings, spreads: Mapping[str, Spreads]) -> Settings:
    """Put measured spreads where trial.toml assumes none; what it states itself goes first.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> parts = Spread("batch", 0.0025, 5, {"ball": 0.25}), Spread("ball", 0.0009, 18)
    >>> pilot = Spreads("ph", parts)
    >>> use_spreads(Settings("x", "X1"), {"ph": pilot}).assumed["ph"].batch_sd
    0.05
    """
    measured = {name: s.as_assumed() for name, s in spreads.items()}
    return replace(settings, assumed=measured | settings.assumed)
