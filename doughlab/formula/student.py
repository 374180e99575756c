"""Student: the quantile of Student's t, without loading a statistics library.

Every range of this room takes it; the commands of the bench have a second to answer, and loading
scipy costs half of it. Checked against scipy and printed tables in tests/formula/test_student.py.
"""

from __future__ import annotations

import math

from doughlab.errors import InputError, NotEstimable


def t_quantile(freedom: float, *, level: float = 0.95) -> float:
    """Give the two-sided quantile of Student's t.

    Parameters
    ----------
    freedom : float
        Degrees of freedom, above 0; infinite gives the normal.
    level : float
        Two-sided, between 0 and 1.

    Raises
    ------
    NotEstimable
        Without degrees of freedom.

    References
    ----------
    The upper tail is half the regularised incomplete beta function of df/(df + t^2), found by its
    continued fraction (modified Lentz); the quantile by Newton steps kept between bounds.

    Examples
    --------
    >>> round(t_quantile(10), 4), round(t_quantile(math.inf), 4)
    (2.2281, 1.96)
    """
    if not freedom > 0:
        raise NotEstimable("Too few values are left over to give a range.")
    if not 0 < level < 1:
        raise InputError(f"level {level:g} must lie between 0 and 1.")
    wanted = (1.0 - level) / 2.0
    freedom = min(freedom, 1e7)  # beyond it the normal is met to eight digits
    low, high = 0.0, 2.0
    while upper_tail(high, freedom) > wanted:
        low, high = high, 2.0 * high
    scale = math.exp(math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2))
    scale /= math.sqrt(freedom * math.pi)
    t = 0.5 * (low + high)
    for _ in range(200):
        off = upper_tail(t, freedom) - wanted
        low, high = (t, high) if off > 0 else (low, t)
        density = scale * (1.0 + t * t / freedom) ** (-(freedom + 1) / 2)
        moved = t + off / density if density > 0 else math.inf
        moved = moved if low < moved < high else 0.5 * (low + high)
        if abs(moved - t) <= 1e-13 * t:
            return moved
        t = moved
    return t


def upper_tail(t: float, freedom: float) -> float:
    """Give the chance of a value above t, for t of 0 or more.

    Examples
    --------
    >>> round(upper_tail(2.228139, 10), 6)
    0.025
    """
    x = freedom / (freedom + t * t)
    a, b = freedom / 2.0, 0.5
    if x > (a + 1.0) / (a + b + 2.0):
        # 1 - x loses its digits for a small t, so the other side is formed on its own
        return 0.5 * (1.0 - _beta_share(t * t / (freedom + t * t), b, a))
    return 0.5 * _beta_share(x, a, b)


def _beta_share(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function for x on the side where the fraction is quick."""
    if x <= 0.0:
        return 0.0
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
        + a * math.log(x) + b * math.log1p(-x)
    )  # fmt: skip
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    value = d
    for m in range(1, 2000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for step in (even, odd):
            d = 1.0 + step * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + step / c
            c = c if abs(c) > tiny else tiny
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return front * value / a
