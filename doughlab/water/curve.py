"""The curve of a bench titration: what readings an alkalinity would give.

Used by titration, which fits it, and by its advice; the chemistry comes from chemistry.
It leaves estimates, ranges and words to those two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from doughlab.errors import OutOfRange
from doughlab.water.chemistry import (
    acid_needed,
    after_loss,
    closed,
    in_air,
    known_water,
    with_acid,
)
from doughlab.water.constants import CACO3_MG_PER_MEQ, HARDNESS_MMOL_L, WATER_KG_PER_L
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import Totals
from doughlab.water.species import Array

_STEPS = np.array([1e-4, 1e-4, 1e-4])  # of ln alkalinity, starting pH, ln strength
_Z95 = 1.96


@dataclass(frozen=True)
class Setup:
    """Hold how well a titration was done.

    Attributes
    ----------
    ph_sd : float
        Scatter of one pH reading, standard deviation, 0.005 to 0.5.
    meter_sd : float
        How far the whole meter may be off after its buffers, standard deviation, pH.
    scale_g : float
        Resolution of the scale; a total is off by up to half of it.
    temp_c : float
        Temperature of the sample, 0 to 50.
    acid : str
        acetic, citric or lactic.
    known_alkalinity_mg_l : tuple of float or None
        (value, 95 % half width) from elsewhere; lets the acid's strength be measured.

    Examples
    --------
    >>> Setup(ph_sd=0.02).scale_g
    0.1
    """

    ph_sd: float = 0.05
    meter_sd: float = 0.03
    scale_g: float = 0.1
    temp_c: float = 20.0
    acid: str = "acetic"
    known_alkalinity_mg_l: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        """Refuse what no bench has."""
        limits = {
            "ph_sd": (self.ph_sd, 0.005, 0.5),
            "meter_sd": (self.meter_sd, 0.0, 1.0),
            "scale_g": (self.scale_g, 0.0001, 10.0),
            "temp_c": (self.temp_c, 0.0, 50.0),
        }
        for name, (value, low, high) in limits.items():
            if not low <= value <= high:
                raise OutOfRange(
                    f"{name} {value:g} lies outside {low:g} to {high:g}.",
                    value=value, low=low, high=high,
                )  # fmt: skip


@dataclass
class Curve:
    """Hold readings and the model that would give them.

    The parameters are ln alkalinity (meq/kg), the true starting pH, ln of strength over label and
    the meter's offset. What is known beforehand of the last two, and of a known alkalinity, is
    added as further residuals.
    """

    table: Array  # (n, 2) grams, pH
    sample_kg: float
    product: AcidProduct
    setup: Setup
    water: WaterSample | None = None
    offset_sd: float | None = None  # wider than the setup's, to ask whether the meter is off
    lost_share: float = 0.0  # of the dissolved CO2 between start and each reading
    _last: tuple[bytes, tuple[Array, Array]] | None = field(default=None, init=False, repr=False)

    @property
    def grams(self) -> Array:
        """Give the totals added, g."""
        return np.asarray(self.table[:, 0])

    @property
    def readings(self) -> Array:
        """Give the pH readings."""
        return np.asarray(self.table[:, 1])

    @property
    def count(self) -> int:
        """Give how many readings there are."""
        return len(self.table)

    @property
    def strength_sd(self) -> float:
        """Give the label's doubt as a standard deviation of ln strength."""
        return max(self.product.doubt_pct / 100.0 / _Z95, 1e-4)

    def alkalinity_mg_l(self, theta: Array) -> float:
        """Give the alkalinity in mg/L as CaCO3."""
        return float(math.exp(theta[0]) * CACO3_MG_PER_MEQ * WATER_KG_PER_L)

    def waters(self, thetas: Array) -> Totals:
        """Solve the untouched water of each row of parameters, shape (k, 4)."""
        meq = np.exp(thetas[:, 0])
        calcium, magnesium = self._metals(meq)
        sodium = np.maximum(meq - 2 * (calcium + magnesium), 0.0)
        totals = known_water(
            ph=thetas[:, 1],
            alkalinity_meq_kg=meq,
            temp_c=self.setup.temp_c,
            refuse=False,
            calcium=calcium,
            magnesium=magnesium,
            sodium=sodium,
            inert=np.maximum(2 * (calcium + magnesium) - meq, 0.0),
        ).totals
        # On its way the fit may try a pH and an alkalinity that no water has: then no carbon.
        return totals.changed(carbon=np.nan_to_num(totals.carbon, nan=0.0))

    def _metals(self, meq: Array) -> tuple[Array, Array]:
        """Give calcium and magnesium, mmol/kg: known, or half of the alkalinity as calcium."""
        if self.water is None or self.water.known_hardness_mg_l is None:
            return meq / 4, np.zeros_like(meq)
        calcium = self.water.mmol_kg("calcium")
        whole = self.water.known_hardness_mg_l / HARDNESS_MMOL_L / WATER_KG_PER_L
        first = 0.75 * whole if calcium is None else calcium
        return np.full_like(meq, first), np.full_like(meq, max(whole - first, 0.0))

    def ph(self, thetas: Array, grams: Array, *, open_air: bool = False) -> Array:
        """Give the true pH of each row of parameters at each amount, shape (k, n).

        With `open_air` that of the dosed waters after they have stood open.
        """
        start = self.waters(thetas)
        rows = np.repeat(np.arange(len(thetas)), len(grams))
        mol = np.exp(thetas[:, 2])[:, None] * grams[None, :]
        mol = mol / self.product.grams_per_mol(self.setup.acid) / self.sample_kg
        dosed_totals = with_acid(start.part(rows), self.setup.acid, mol.ravel())
        if open_air:
            return in_air(dosed_totals).ph.reshape(len(thetas), len(grams))
        dosed = closed(dosed_totals)
        if self.lost_share > 0:
            share = np.where(np.tile(grams, len(thetas)) > 0, self.lost_share, 0.0)
            dosed = after_loss(dosed, share)
        return dosed.ph.reshape(len(thetas), len(grams))

    def predict(self, theta: Array) -> Array:
        """Give what the meter would read at every point."""
        return np.asarray(self.slopes(theta)[0] + theta[3])

    def slopes(self, theta: Array, grams: Array | None = None) -> tuple[Array, Array]:
        """Give the pH at the amounts, and its slope by the first three parameters, (n, 3).

        At the readings' own amounts the last answer is kept: a fit asks for value and slope at
        the same parameters, one after the other.
        """
        if grams is not None:
            return self._slopes(theta, grams)
        key = theta.tobytes()
        if self._last is None or self._last[0] != key:
            self._last = (key, self._slopes(theta, self.grams))
        return self._last[1]

    def _slopes(self, theta: Array, grams: Array) -> tuple[Array, Array]:
        """Solve the curve at the parameters and one step beside each."""
        shifted = np.vstack([theta, *(theta + np.eye(4)[i] * _STEPS[i] for i in range(3))])
        ph = self.ph(shifted, grams)
        return ph[0], ((ph[1:] - ph[0]) / _STEPS[:, None]).T

    def spreads(self, theta: Array, grams: Array | None = None) -> Array:
        """Give the standard deviation of each reading: meter scatter and weighing.

        A total shown to the scale's resolution is off by up to half of it, evenly: its standard
        deviation is the resolution over the square root of 12.
        """
        at = self.grams if grams is None else grams
        _, slopes = self.slopes(theta, grams)
        per_gram = np.divide(slopes[:, 2], at, out=np.zeros_like(at), where=at > 0)
        return np.asarray(np.hypot(self.setup.ph_sd, per_gram * self.setup.scale_g / math.sqrt(12)))

    def residuals(self, theta: Array, spread: Array) -> Array:
        """Give the residuals over their spread, those of what is known beforehand last."""
        own = (self.predict(theta) - self.readings) / spread
        return np.concatenate([own, self._prior(theta)])

    def jacobian(self, theta: Array, spread: Array) -> Array:
        """Give the slope of every residual by every parameter."""
        _, slopes = self.slopes(theta)
        own = np.column_stack([slopes, np.ones(self.count)]) / spread[:, None]
        zero = self._prior(np.zeros(4))
        prior = np.column_stack([self._prior(np.eye(4)[i]) - zero for i in range(4)])
        return np.vstack([own, prior])

    def _prior(self, theta: Array) -> Array:
        """Give the residuals of what is known before the readings; linear in the parameters."""
        offset_sd = self.setup.meter_sd if self.offset_sd is None else self.offset_sd
        known = [theta[2] / self.strength_sd, theta[3] / max(offset_sd, 1e-4)]
        # A starting pH that nobody read: natural waters lie between 6 and 9 (weak on purpose).
        known.append((theta[1] - 7.5) / 1.5)
        if self.setup.known_alkalinity_mg_l is not None:
            value, half = self.setup.known_alkalinity_mg_l
            meq = value / CACO3_MG_PER_MEQ / WATER_KG_PER_L
            known.append((theta[0] - math.log(meq)) / (half / value / _Z95))
        return np.array(known)

    def start(self) -> Array:
        """Give parameters to start from: the best of a row of alkalinities."""
        first = self.readings[0] if self.grams[0] == 0 else 7.5
        trial = np.geomspace(0.03, 20.0, 40)
        meq = trial[trial > 2.0 * 10.0 ** (first - 14.0) * 1e3 * 2]
        thetas = np.column_stack(
            [np.log(meq), np.full_like(meq, first), np.zeros_like(meq), np.zeros_like(meq)]
        )
        miss = np.clip(np.abs(self.ph(thetas, self.grams) - self.readings), 0, 1.0).sum(axis=1)
        return np.asarray(thetas[int(np.argmin(miss))])

    def dose_grams(
        self, theta: Array, covariance: Array, target_ph: float
    ) -> tuple[float, float, float]:
        """Give the grams for the sample to a pH, with the 95 % range."""
        shifted = np.vstack([theta, *(theta + np.eye(4)[i] * _STEPS[i] for i in range(3))])
        needed = acid_needed(self.waters(shifted), target_ph, acid=self.setup.acid).added
        grams = needed * self.sample_kg * self.product.grams_per_mol(self.setup.acid)
        log_grams = np.log(grams) - shifted[:, 2]
        gradient = np.append((log_grams[1:] - log_grams[0]) / _STEPS, 0.0)
        half = _Z95 * math.sqrt(float(gradient @ covariance @ gradient))
        value = float(np.exp(log_grams[0]))
        return value, value * math.exp(-half), value * math.exp(half)

    def carbon(self, theta: Array, covariance: Array) -> tuple[float, float, float]:
        """Give the inorganic carbon of the untouched water, mmol/kg, with the 95 % range."""
        shifted = np.vstack([theta, *(theta + np.eye(4)[i] * _STEPS[i] for i in range(2))])
        log_c = np.log(self.waters(shifted).carbon * 1e3)
        gradient = np.append((log_c[1:] - log_c[0]) / _STEPS[:2], [0.0, 0.0])
        half = _Z95 * math.sqrt(float(gradient @ covariance @ gradient))
        value = float(np.exp(log_c[0]))
        return value, value * math.exp(-half), value * math.exp(half)
