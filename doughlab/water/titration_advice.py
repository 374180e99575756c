"""Advise on a titration: the best next addition, and what may be wrong.

Called by titration with its curve and estimate.
It leaves fitting to titration and the model of the readings to curve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from doughlab.water.curve import Curve
from doughlab.water.species import Array

Fitter = Callable[[Curve], tuple[Array, Array, float]]
_LOWEST_PH = 4.3  # below it the readings speak of the acid, not of the water
_ENOUGH = 0.97  # a further point that shrinks the range by less than 3 % is not asked for
_FAR = 3.0  # standard deviations


def next_addition(curve: Curve, theta: Array, covariance: Array) -> tuple[str, float | None]:
    """Choose the total of product at which the next reading tells most on the alkalinity.

    Candidates lie between the last addition and pH 4.3. For each the range of the alkalinity
    after one more reading is worked out from the slopes; the smallest wins.

    Returns
    -------
    tuple of (str, float or None)
        The advice in words, and the grams; None where another point hardly helps.
    """
    last = float(curve.grams[-1])
    step = curve.setup.scale_g
    most = max(curve.dose_grams(theta, covariance, 4.5)[0], last) * 1.1
    amounts = np.unique(np.round(np.linspace(last, most, 40) / step) * step)
    amounts = amounts[amounts > last + 0.5 * step]
    if amounts.size == 0:
        return _enough(curve), None
    ph, slopes = curve.slopes(theta, amounts)
    spread = curve.spreads(theta, amounts)
    rows = np.column_stack([slopes, np.ones(amounts.size)])
    moved = rows @ covariance
    left = covariance[0, 0] - moved[:, 0] ** 2 / (spread**2 + np.sum(moved * rows, axis=1))
    left[ph + theta[3] < _LOWEST_PH] = np.inf
    best = int(np.argmin(left))
    if not np.isfinite(left[best]) or np.sqrt(left[best] / covariance[0, 0]) > _ENOUGH:
        return _enough(curve), None
    grams = float(amounts[best])
    after = 100 * (np.exp(1.96 * np.sqrt(left[best])) - 1)
    return (
        f"Best next: add to a total of {grams:.4g} g (about pH {ph[best] + theta[3]:.1f}); the "
        f"alkalinity would then be good to about {after:.0f} %.",
        grams,
    )


def _enough(curve: Curve) -> str:
    """Say that more points do not help, and what would."""
    return (
        "Another addition hardly helps. A larger weighed sample, fresh buffers or an acid of known "
        "strength would."
    )


def disagreement(curve: Curve, theta: Array, fit: Fitter) -> list[str]:
    """Say that no water gives these points, and the likeliest reasons, best first.

    Each reason is tried as a model of its own: one reading wrong, the meter off as a whole, CO2
    lost while stirring. The one that explains most comes first.
    """
    plain = float(np.sum(curve.residuals(theta, curve.spreads(theta))[: curve.count] ** 2))
    tried = [*_one_wrong(curve, fit), *_meter_off(curve, fit), *_gas_lost(curve, fit)]
    tried = [t for t in sorted(tried, key=lambda t: t[0]) if t[0] < 0.5 * plain]
    worst = int(np.argmax(np.abs(curve.readings - curve.predict(theta))))
    off = float(curve.readings[worst] - curve.predict(theta)[worst])
    head = (
        f"These points disagree with any water: at {curve.grams[worst]:g} g the reading lies "
        f"{abs(off):.2f} pH {'above' if off > 0 else 'below'} the curve. The range is widened."
    )
    words = [w for _, w in tried[:2]]
    if not words:
        words = ["Check the meter in its buffers, the acid's label and the grams, then repeat."]
    return [head, *words]


def _one_wrong(curve: Curve, fit: Fitter) -> list[tuple[float, str]]:
    """Leave each reading out in turn; keep the best."""
    if curve.count < 4:
        return []
    best: tuple[float, str] | None = None
    for i in range(curve.count):
        rest = replace(curve, table=np.delete(curve.table, i, axis=0))
        if len(np.unique(rest.grams)) < 2:
            continue
        _, _, chi2 = fit(rest)
        if best is None or chi2 < best[0]:
            grams, ph = curve.table[i]
            best = (
                chi2,
                f"Likely one wrong reading: pH {ph:.2f} at {grams:g} g. Read it again, or weigh "
                "anew.",
            )
    return [] if best is None else [best]


def _meter_off(curve: Curve, fit: Fitter) -> list[tuple[float, str]]:
    """Let the whole meter be off by any amount."""
    free = replace(curve, offset_sd=1.0)
    theta, covariance, chi2 = fit(free)
    if abs(theta[3]) < _FAR * curve.setup.meter_sd:
        return []
    side = "high" if theta[3] > 0 else "low"
    return [
        (
            chi2,
            f"The meter may read {abs(theta[3]):.1f} pH too {side} (give or take "
            f"{2 * np.sqrt(covariance[3, 3]):.1f}): put it into its buffers.",
        )
    ]


def _gas_lost(curve: Curve, fit: Fitter) -> list[tuple[float, str]]:
    """Let CO2 escape between addition and reading."""
    found = []
    for share in (0.1, 0.25, 0.5):
        _, _, chi2 = fit(replace(curve, lost_share=share))
        found.append(
            (
                chi2,
                f"CO2 may have escaped while stirring (about {100 * share:.0f} % of it): stir "
                "gently under a lid that lies on, read within a minute.",
            )
        )
    return [min(found)]
