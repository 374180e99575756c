"""Friction: how much mixing warms a dough, learned from the kitchen's own mixes.

`doughlab mix` and the kitchen card take the rise of the next mix, with its range, from here.
What the water must be for it stands in `temperature`; records are read by whoever calls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from doughlab.errors import OutOfRange
from doughlab.formula.student import t_quantile

# What is believed before the first mix: common practice, no source, and wide.
# A factor-rule friction of 8 C is a warming of 8/3 C.
PRIOR_RISE_C = 8.0 / 3.0
USUAL_MIN = 10.0
PRIOR_SD_C = 2.0  # of the rise in this kitchen
PRIOR_MIXER_SD_C = 1.0  # between mixers, or speeds of one
PRIOR_SLOPE_C = 0.15  # per minute
PRIOR_SLOPE_SD_C = 0.15
PRIOR_SIZE_SD_C = 0.7  # for a dough e times as heavy
PRIOR_NOISE_C = 0.8  # from mix to mix of the same kind
PRIOR_WORTH = 4.0  # how many mixes the belief about the noise is worth
FEW = 5  # below it a mix is drawn to the usual figure, and that is said; rule of this project


@dataclass(frozen=True)
class MixRecord:
    """One mix whose warming is known.

    Attributes
    ----------
    rise_c : float
        How much mixing warmed the dough, a difference in degrees Celsius, -5 to 20.
    minutes : float or None
        Minutes of mixing; None counts as usual.
    dough_kg : float or None
        Mass of the dough; None counts as usual.
    mixer : str
        Which mixer.
    speed : str
        Which speed or programme.

    Examples
    --------
    >>> MixRecord(2.4, minutes=12, dough_kg=5).kind
    ('', '')
    """

    rise_c: float
    minutes: float | None = None
    dough_kg: float | None = None
    mixer: str = ""
    speed: str = ""

    def __post_init__(self) -> None:
        """Refuse a mix that cannot have been."""
        if not -5 <= self.rise_c <= 20:
            raise OutOfRange(
                f"A mix that warmed its dough by {self.rise_c:.1f} °C lies outside -5 to 20 °C. "
                "Check the temperatures of flour, water and dough.",
                value=self.rise_c,
                low=-5,
                high=20,
            )
        for name, value in (("minutes", self.minutes), ("dough_kg", self.dough_kg)):
            if value is not None and not 0 < value <= 1000:
                raise OutOfRange(
                    f"{name} {value:g} of a mix must lie above 0 and up to 1000.",
                    value=value,
                    low=0,
                    high=1000,
                )

    @property
    def kind(self) -> tuple[str, str]:
        """Mixer and speed."""
        return (self.mixer, self.speed)


@dataclass(frozen=True)
class Rise:
    """The warming to expect of the next mix.

    Attributes
    ----------
    value_c : float
        Difference in degrees Celsius.
    low_c, high_c : float
        95 % range of the next single mix.
    mean_low_c, mean_high_c : float
        95 % range of the average of such mixes.
    n : int
        Mixes it was learned from; 0 where it is only the usual figure.
    n_alike : int
        Of these, with the same mixer and speed.

    Examples
    --------
    >>> fit_friction([]).foresee().words[:23]
    'usual figure, no source'
    """

    value_c: float
    low_c: float
    high_c: float
    mean_low_c: float
    mean_high_c: float
    n: int
    n_alike: int

    @property
    def words(self) -> str:
        """Say where the number comes from."""
        if self.n == 0:
            return "usual figure, no source: no mix of yours has flour, water and dough measured"
        mixes = "1 mix" if self.n == 1 else f"{self.n} mixes"
        if self.n_alike < FEW:
            return f"from {mixes} of yours, {self.n_alike} of this kind: drawn to the usual figure"
        return f"from {mixes} of yours"


@dataclass(frozen=True)
class FrictionModel:
    """What the kitchen's mixes say about warming; see `fit_friction`.

    Attributes
    ----------
    kinds : tuple of (mixer, speed)
    usual_min, usual_log_kg : float
        Where the minutes and the mass are counted from.
    mean, precision, scale : array
        Of the coefficients, given the mixes.
    freedom : float
        Degrees of freedom of the ranges.
    records : tuple of MixRecord

    References
    ----------
    See `fit_friction`.

    Examples
    --------
    >>> model = fit_friction([MixRecord(3.2, minutes=12), MixRecord(3.0, minutes=12)])
    >>> len(model.records), round(model.usual_min)
    (2, 12)
    >>> seen = model.foresee(minutes=12)
    >>> bool(seen.low_c < 3.1 < seen.high_c)
    True
    """

    kinds: tuple[tuple[str, str], ...]
    usual_min: float
    usual_log_kg: float
    mean: np.ndarray
    precision: np.ndarray
    scale: float
    freedom: float
    records: tuple[MixRecord, ...]

    def foresee(
        self,
        *,
        minutes: float | None = None,
        dough_kg: float | None = None,
        mixer: str = "",
        speed: str = "",
    ) -> Rise:
        """Foresee the warming of a mix.

        Parameters
        ----------
        minutes, dough_kg : float, optional
            The usual ones unless given.
        mixer, speed : str

        Returns
        -------
        Rise
        """
        record = MixRecord(0.0, minutes, dough_kg, mixer, speed)
        row = _row(record, self.kinds, self.usual_min, self.usual_log_kg)
        spread = float(row @ np.linalg.solve(self.precision, row))
        if record.kind not in self.kinds:
            spread += (PRIOR_MIXER_SD_C / PRIOR_NOISE_C) ** 2
        value = float(row @ self.mean)
        t = t_quantile(self.freedom)
        single = t * math.sqrt(self.scale * (1.0 + spread))
        average = t * math.sqrt(self.scale * spread)
        alike = sum(r.kind == record.kind for r in self.records)
        return Rise(value, value - single, value + single, value - average, value + average,
                    len(self.records), alike)  # fmt: skip


def fit_friction(records: Sequence[MixRecord]) -> FrictionModel:
    """Learn the warming from mixes, drawn towards the usual figure where they are few.

    A straight line in minutes and in the logarithm of the mass, a step for each mixer and speed;
    every coefficient starts from a wide belief (common practice, no source), so that one mix
    already helps and twenty speak for themselves.

    Parameters
    ----------
    records : sequence of MixRecord
        May be empty.

    Returns
    -------
    FrictionModel

    References
    ----------
    Normal linear model with a conjugate normal and inverse gamma prior, as in any text on
    Bayesian regression; the ranges are Student's t. Cover is checked by simulation in
    tests/formula/test_friction.py.

    Examples
    --------
    >>> model = fit_friction([MixRecord(3.2, minutes=12), MixRecord(3.0, minutes=12)])
    >>> rise = model.foresee(minutes=12)
    >>> rise.n, bool(2.7 < rise.value_c < 3.2)
    (2, True)
    """
    kinds = tuple(dict.fromkeys(r.kind for r in records))
    minutes = [r.minutes for r in records if r.minutes is not None]
    masses = [math.log(r.dough_kg) for r in records if r.dough_kg is not None]
    usual_min = median(minutes) if minutes else USUAL_MIN
    usual_log_kg = median(masses) if masses else 0.0
    noise = PRIOR_NOISE_C
    sds = [PRIOR_SD_C, PRIOR_SLOPE_SD_C, PRIOR_SIZE_SD_C, *[PRIOR_MIXER_SD_C] * len(kinds)]
    prior = np.diag([(noise / sd) ** 2 for sd in sds])
    start = np.zeros(len(sds))
    start[0] = PRIOR_RISE_C + PRIOR_SLOPE_C * (usual_min - USUAL_MIN)
    start[1] = PRIOR_SLOPE_C
    rows = np.array([_row(r, kinds, usual_min, usual_log_kg) for r in records])
    rises = np.array([r.rise_c for r in records])
    if len(records):
        precision = prior + rows.T @ rows
        mean = np.linalg.solve(precision, prior @ start + rows.T @ rises)
        misfit = float(np.sum((rises - rows @ mean) ** 2))
        misfit += float((mean - start) @ prior @ (mean - start))
    else:
        precision, mean, misfit = prior, start, 0.0
    freedom = PRIOR_WORTH + len(records)
    scale = (PRIOR_WORTH * noise**2 + misfit) / freedom
    return FrictionModel(kinds, usual_min, usual_log_kg, mean, precision, scale, freedom,
                         tuple(records))  # fmt: skip


def _row(
    record: MixRecord, kinds: Sequence[tuple[str, str]], usual_min: float, usual_log_kg: float
) -> np.ndarray:
    minutes = 0.0 if record.minutes is None else record.minutes - usual_min
    mass = 0.0 if record.dough_kg is None else math.log(record.dough_kg) - usual_log_kg
    return np.array([1.0, minutes, mass, *(float(record.kind == k) for k in kinds)])


def factor_rule_friction(
    dough_c: float, *, flour_c: float, room_c: float, water_c: float,
    preferment_c: float | None = None,
) -> float:  # fmt: skip
    """Work out the factor rule's friction of a mix that was measured.

    Returns
    -------
    float
        Difference in degrees Celsius; with it the rule finds that mix's water again.

    Examples
    --------
    >>> factor_rule_friction(24, flour_c=21, room_c=22, water_c=21)
    8
    """
    if preferment_c is None:
        return 3 * dough_c - flour_c - room_c - water_c
    return 4 * dough_c - flour_c - room_c - water_c - preferment_c
