"""Find a water's alkalinity from a few grams of acid and pH readings.

Called by the water command and notebooks; the curve itself comes from chemistry.
It leaves the card for the wall and the drift over a year to card.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from textwrap import wrap

import numpy as np
from scipy import special
from scipy.optimize import least_squares

from doughlab.errors import InputError
from doughlab.water.cautions import CHECK
from doughlab.water.curve import Curve, Setup
from doughlab.water.dose import check_ask
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample
from doughlab.water.species import Array
from doughlab.water.titration_advice import disagreement, next_addition

_NAMES = ("ln alkalinity", "starting pH", "ln strength", "meter offset")
_DISAGREE = 0.01  # chance below which the points are said to disagree with any water
_OPEN = 3.0  # standard error of log alkalinity: a range of a factor of 350 either way says nothing
_RISE = 0.3  # pH; less may be the meter
_MOST_MG_L = 800.0  # plausible range of waters.csv
_KNOWN_SHARE = 0.7  # the strength counts as measured when its range shrinks below this share


@dataclass(frozen=True)
class BatchDose:
    """Hold the dose for a batch as the titration gives it.

    Attributes
    ----------
    target_ph, water_kg : float
        What was asked for.
    product_g, low_g, high_g : float
        Grams of the titrated product, with the 95 % range.
    """

    target_ph: float
    water_kg: float
    product_g: float
    low_g: float
    high_g: float

    def __str__(self) -> str:
        """Give the dose in one sentence that ends with the meter."""
        digits = 1 if self.product_g < 100 else 0
        low, high = f"{self.low_g:.{digits}f}", f"{self.high_g:.{digits}f}"
        return (
            f"pH {self.target_ph:g}: {self.product_g:.{digits}f} g ({low} to {high}), weighed, "
            f"into {self.water_kg:.4g} kg; {CHECK}"
        )


@dataclass(frozen=True)
class TitrationFit:
    """Hold what a bench titration says, with 95 % ranges.

    Attributes
    ----------
    alkalinity_mg_l, alkalinity_low, alkalinity_high : float
        mg/L as CaCO3.
    carbon_mmol_kg, carbon_low, carbon_high : float
        Inorganic carbon, mmol per kg of water.
    ph_start : float
        True pH of the untouched water.
    strength_pct, strength_low, strength_high : float
        Strength of the acid on the basis of its label.
    strength_measured : bool
        Whether the points say more on the strength than the label does. Without a known
        alkalinity they hardly can: a weaker acid and a lower alkalinity give the same curve.
    offset_ph : float
        What the meter seems to read too high.
    residuals : tuple of float
        Reading minus curve, pH.
    agrees : bool
        False where the points disagree with any water.
    p_value : float
        Chance of points that lie this badly or worse, were the model true.
    next_grams : float or None
        Best next total of product, grams; None where another point hardly helps.
    notes : tuple of str
        In words.

    Examples
    --------
    >>> vinegar = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
    >>> points = [(0, 7.9), (1.0, 6.74), (2.0, 6.27), (3.0, 5.82)]
    >>> fit = fit_titration(points, sample_kg=1, product=vinegar)
    >>> fit.alkalinity_low < fit.alkalinity_mg_l < fit.alkalinity_high, fit.agrees
    (True, True)
    >>> low, high = fit.confidence_interval()
    >>> round(low) == round(fit.alkalinity_low), fit.as_sample("tap").name
    (True, 'tap')
    """

    alkalinity_mg_l: float
    alkalinity_low: float
    alkalinity_high: float
    carbon_mmol_kg: float
    carbon_low: float
    carbon_high: float
    ph_start: float
    strength_pct: float
    strength_low: float
    strength_high: float
    strength_measured: bool
    offset_ph: float
    residuals: tuple[float, ...]
    agrees: bool
    p_value: float
    next_grams: float | None
    notes: tuple[str, ...]
    estimate: Array = field(repr=False, compare=False)
    covariance: Array = field(repr=False, compare=False)
    curve: Curve = field(repr=False, compare=False)

    def dose(self, target_ph: float, *, water_kg: float) -> BatchDose:
        """Give the grams of the titrated product for a batch.

        The strength of the acid cancels: what is measured is how much of this bottle the water
        takes, and the range carries that.

        Parameters
        ----------
        target_ph : float
            4.5 to 8.3, below the starting pH.
        water_kg : float
            Water of the batch, 0.05 to 5000 kg.

        Raises
        ------
        OutOfRange
            For a target outside 4.5 to 8.3, or an amount that is not dosed.
        InputError
            When the water is at that pH already.

        Examples
        --------
        >>> vinegar = AcidProduct("white vinegar", 5, "w/v")
        >>> points = [(0, 7.9), (1.0, 6.74), (2.0, 6.27), (3.0, 5.82)]
        >>> fit = fit_titration(points, sample_kg=1, product=vinegar)
        >>> round(fit.dose(6.2, water_kg=12).product_g)
        26
        """
        check_ask(target_ph, water_kg)
        grams, low, high = self.curve.dose_grams(self.estimate, self.covariance, target_ph)
        if not math.isfinite(grams):
            raise InputError(
                f"The titrated water is at pH {self.ph_start:.2f}; pH {target_ph:g} needs no acid. "
                "Read it again before mixing; to raise it ask for sodium bicarbonate (soda)."
            )
        each = water_kg / self.curve.sample_kg
        return BatchDose(target_ph, water_kg, grams * each, low * each, high * each)

    def ph_after_air(self, product_g: Sequence[float], *, water_kg: float) -> list[float]:
        """Give the pH of dosed batches that have stood open until they agree with the air.

        Parameters
        ----------
        product_g : sequence of float
            Grams of the titrated product, a batch each.
        water_kg : float
            Water of a batch.

        Examples
        --------
        >>> vinegar = AcidProduct("white vinegar", 5, "w/v")
        >>> points = [(0, 7.9), (1.0, 6.74), (2.0, 6.27), (3.0, 5.82)]
        >>> fit = fit_titration(points, sample_kg=1, product=vinegar)
        >>> [round(ph, 1) for ph in fit.ph_after_air([26.0], water_kg=12)]
        [8.2]
        """
        per_kg = np.asarray(product_g, dtype=float) / water_kg
        aired = self.curve.ph(self.estimate[None], per_kg * self.curve.sample_kg, open_air=True)
        return [float(ph) for ph in aired[0]]

    def confidence_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Give the range of the alkalinity at another level, mg/L as CaCO3.

        Examples
        --------
        >>> vinegar = AcidProduct("white vinegar", 5, "w/v")
        >>> points = [(0, 7.9), (1.0, 6.74), (2.0, 6.27), (3.0, 5.82)]
        >>> fit = fit_titration(points, sample_kg=1, product=vinegar)
        >>> low, high = fit.confidence_interval(0.5)
        >>> fit.alkalinity_low < low < high < fit.alkalinity_high
        True
        """
        z = float(special.ndtri(0.5 + level / 2))
        half = z * math.sqrt(self.covariance[0, 0])
        return self.alkalinity_mg_l * math.exp(-half), self.alkalinity_mg_l * math.exp(half)

    def as_sample(self, name: str, **fields: object) -> WaterSample:
        """Make a water sample of the result, said by own titration."""
        half = 100.0 * (math.exp(1.96 * math.sqrt(self.covariance[0, 0])) - 1.0)
        known = {"kind": "tap", **fields}
        return WaterSample(
            name,
            ph=round(self.ph_start, 2),
            alkalinity_mg_l=round(self.alkalinity_mg_l, 1),
            temp_c=self.curve.setup.temp_c,
            said_by="own titration",
            uncertainty_pct=round(min(half, 100.0), 1),
            **known,  # type: ignore[arg-type]
        )

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = [
            f"alkalinity {self.alkalinity_mg_l:.0f} mg/L ({self.alkalinity_low:.0f} to "
            f"{self.alkalinity_high:.0f}), from {len(self.residuals)} readings",
            f"inorganic carbon {self.carbon_mmol_kg:.2f} mmol/kg ({self.carbon_low:.2f} to "
            f"{self.carbon_high:.2f}), starting pH {self.ph_start:.2f}",
        ]
        said = [line for n in self.notes for line in wrap(n, 80)]
        return "\n".join((lines + said)[:15])

    def _repr_html_(self) -> str:
        """Give the same facts for a notebook."""
        from html import escape

        return "<pre>" + escape(str(self)) + "</pre>"


def fit_titration(
    points: Sequence[tuple[float, float]],
    *,
    sample_kg: float,
    product: AcidProduct,
    setup: Setup | None = None,
    water: WaterSample | None = None,
) -> TitrationFit:
    """Fit alkalinity and carbon to (grams added, pH) readings.

    Parameters
    ----------
    points : sequence of (float, float)
        Total grams of the product added so far and the pH then read; best with (0, pH) first.
    sample_kg : float
        Weighed water, 0.05 to 50 kg. 1 to 2 kg suit a scale of 0.1 g.
    product : AcidProduct
        What is added; vinegar is best (calcium does not bind it).
    setup : Setup, optional
        Noise of meter and scale, temperature, a known alkalinity.
    water : WaterSample, optional
        Its hardness and sodium, where known; only with citric acid they matter.

    Returns
    -------
    TitrationFit
        Alkalinity, carbon and strength with 95 % ranges, advice and what does not fit.

    Raises
    ------
    InputError
        With fewer than two different amounts, or readings that no titration gives.

    Notes
    -----
    Errors in the readings and in the weighed grams, the label's strength and the meter's
    calibration each have a stated spread (see Setup); the last two enter as what is known
    before the readings. Ranges are widened where the points scatter more than stated.

    References
    ----------
    Alkalinity and carbon as in `acid_dose` (constants of Plummer & Busenberg 1982); least
    squares with what is known before. Checked against PHREEQC in
    tests/reference/test_titration_phreeqc.py.

    Examples
    --------
    >>> vinegar = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
    >>> points = [(0, 7.9), (1.0, 6.74), (2.0, 6.27), (3.0, 5.82)]
    >>> fit = fit_titration(points, sample_kg=1, product=vinegar)
    >>> round(fit.alkalinity_mg_l / 10)
    15
    """
    setup = setup or Setup()
    curve = Curve(_checked(points, sample_kg), sample_kg, product, setup, water)
    estimate, covariance, chi2 = _fit(curve)
    _refuse_open(curve, estimate, covariance)
    freedom = max(curve.count - 2 + (setup.known_alkalinity_mg_l is not None), 1)
    p_value = float(special.chdtrc(freedom, chi2)) if curve.count > 2 else 1.0
    covariance = covariance * max(1.0, chi2 / freedom)
    return _result(curve, estimate, covariance, p_value)


def _checked(points: Sequence[tuple[float, float]], sample_kg: float) -> Array:
    """Refuse what is not a titration, with the place."""
    if not 0.05 <= sample_kg <= 50:
        raise InputError(
            f"sample_kg {sample_kg:g} lies outside 0.05 to 50. Give the weighed water in kg."
        )
    table = np.array([[float(g), float(ph)] for g, ph in points]).reshape(-1, 2)
    for i, (grams, ph) in enumerate(table, start=1):
        if not (math.isfinite(grams) and 0 <= grams <= 1000 * sample_kg):
            raise InputError(f"Point {i}: {grams:g} g added is not an amount for this sample.")
        if not 2.5 <= ph <= 11:
            raise InputError(
                f"Point {i}: pH {ph:g} lies outside 2.5 to 11. A decimal point may be missing."
            )
    if len(np.unique(table[:, 0])) < 2:
        raise InputError(
            "A titration needs at least two different amounts, best the untouched water (0 g) and "
            "three additions. Add some acid, stir, read, and enter that point too."
        )
    order = np.argsort(table[:, 0], kind="stable")
    if table[order[0], 1] <= table[order[-1], 1]:
        raise InputError(
            f"The pH did not fall from {table[order[0], 1]:g} while acid was added. Check that "
            "the grams are totals since the start, and the meter in its buffers."
        )
    rows = table[order]
    for (less, before), (more, after) in pairwise(rows):
        if after > before + _RISE:
            raise InputError(
                f"The pH rose from {before:g} at {less:g} g to {after:g} at {more:g} g although "
                "acid was added. Stir, read both again, and enter the totals since the start."
            )
    return rows


def _refuse_open(curve: Curve, estimate: Array, covariance: Array) -> None:
    """Refuse points that leave the alkalinity open, or that no water in a kitchen gives."""
    carbon = float(curve.waters(estimate[None]).carbon[0])
    if not 0 <= covariance[0, 0] < _OPEN**2 or carbon <= 0:
        raise InputError(
            "These points leave the alkalinity open: the first addition took nearly all of it. "
            "The water holds very little; start again with additions of 0.1 g, or with the acid "
            "diluted (1 g in 9 g of this same water) and its strength divided by ten."
        )
    alkalinity = curve.alkalinity_mg_l(estimate)
    if alkalinity > _MOST_MG_L:
        raise InputError(
            f"These points would mean an alkalinity of {alkalinity:.0f} mg/L, more than a "
            f"kitchen's water has ({_MOST_MG_L:.0f}). Check that the acid is as strong as its "
            "label, that the grams are totals since the start, and the weight of the sample."
        )


def _fit(curve: Curve) -> tuple[Array, Array, float]:
    """Fit by least squares, weights renewed from the slope of the curve; give chi square."""
    theta = curve.start()
    spread = curve.spreads(theta)
    for _ in range(3):
        found = least_squares(
            curve.residuals, theta, jac=curve.jacobian, args=(spread,), method="lm", xtol=1e-9
        )
        theta = found.x
        renewed = curve.spreads(theta)
        settled = np.max(np.abs(renewed / spread - 1.0)) < 0.02
        spread = renewed
        if settled:
            break
    jacobian = curve.jacobian(theta, spread)
    gram = jacobian.T @ jacobian
    try:
        covariance = np.asarray(np.linalg.inv(gram), dtype=float)
    except np.linalg.LinAlgError:
        covariance = np.full(gram.shape, np.inf)  # the points leave something quite open
    return theta, covariance, float(np.sum(curve.residuals(theta, spread) ** 2))


def _result(curve: Curve, estimate: Array, covariance: Array, p_value: float) -> TitrationFit:
    """Put estimate, ranges and advice together."""
    error = np.sqrt(np.diag(covariance))
    alkalinity = curve.alkalinity_mg_l(estimate)
    strength = curve.product.strength_pct * math.exp(estimate[2])
    widen = [math.exp(-1.96 * error[i]) for i in (0, 2)]
    carbon, carbon_low, carbon_high = curve.carbon(estimate, covariance)
    measured = error[2] < _KNOWN_SHARE * curve.strength_sd
    agrees = p_value >= _DISAGREE
    advice, next_grams = next_addition(curve, estimate, covariance)
    notes = [] if agrees else disagreement(curve, estimate, _fit)
    notes += _strength_notes(curve, strength, measured)
    notes.append(advice)
    return TitrationFit(
        alkalinity, alkalinity * widen[0], alkalinity / widen[0],
        carbon, carbon_low, carbon_high, float(estimate[1]),
        strength, strength * widen[1], strength / widen[1], bool(measured),
        float(estimate[3]), tuple(float(r) for r in curve.readings - curve.predict(estimate)),
        agrees, p_value, next_grams, tuple(notes), estimate, covariance, curve,
    )  # fmt: skip


def _strength_notes(curve: Curve, strength: float, measured: bool) -> list[str]:
    """Say whether the strength was measured or taken from the label."""
    label = curve.product.strength_pct
    if measured:
        side = "weaker than" if strength < label else "stronger than"
        far = abs(strength / label - 1.0) > 2 * curve.strength_sd
        off = f", {side} its label ({label:g} %)" if far else ""
        return [f"Strength of {curve.product.name}: {strength:.2f} %{off}."]
    return [
        f"The points cannot tell the acid's strength; the label's {label:g} % is taken. The dose "
        "in grams of this bottle does not depend on it, the alkalinity does."
    ]
