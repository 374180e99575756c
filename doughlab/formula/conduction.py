"""Heat conduction in a sphere or a slab with a film of air: roots, series, changing surroundings.

The ball's own temperature in `core` is worked out with it, in numbers without a unit.
Dough, boxes, films of air and hours are left to `core`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import OutOfRange, UnknownName

Floats = NDArray[np.float64]

SHAPES = ("sphere", "slab")
# the 40th dies away within a thousandth of a Fourier number; rule of this project
MODES = 40
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(128)
PLACES = 0.5 * (_NODES + 1.0)  # share of the radius or half thickness, centre 0, surface 1
_PLACE_WEIGHTS = 0.5 * _WEIGHTS


@lru_cache(maxsize=256)
def find_roots(shape: str, biot: float, *, count: int = MODES) -> Floats:
    """Find the roots that make the modes of conduction in a body.

    Sphere: 1 - z cot z = Bi. Slab: z tan z = Bi.

    Parameters
    ----------
    shape : str
        "sphere" or "slab" (cooled from both sides, or half of one that rests on an insulator).
    biot : float
        Film coefficient times radius (half thickness) over conductivity; 1e-6 to 1e6.
    count : int
        How many.

    Returns
    -------
    array, shape (count,)
        Rising.

    Raises
    ------
    UnknownName
        For a shape that is not known.
    OutOfRange
        For a Biot number that no body has.

    References
    ----------
    Carslaw, H. S., Jaeger, J. C. (1959). Conduction of Heat in Solids, sections 3.11 and 9.4
    [from memory]. Checked in tests/reference/test_conduction_incropera2007.py.

    Examples
    --------
    >>> import math
    >>> bool(abs(find_roots("sphere", 1.0)[0] - math.pi / 2) < 1e-12)
    True
    """
    _check_shape(shape)
    if not 1e-6 <= biot <= 1e6:
        raise OutOfRange(
            f"The Biot number {biot:g} lies outside 1e-6 to 1e6. Look at film coefficient, size "
            "and conductivity.",
            value=biot,
            low=1e-6,
            high=1e6,
        )
    first: Floats = math.pi * np.arange(count, dtype=np.float64)
    low, high = first.copy(), first + (math.pi if shape == "sphere" else math.pi / 2)
    low[0] = 1e-9
    below = _root_function(shape, low, biot) < 0
    for _ in range(60):
        middle = 0.5 * (low + high)
        same = (_root_function(shape, middle, biot) < 0) == below
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    roots: Floats = 0.5 * (low + high)
    roots.flags.writeable = False
    return roots


def _root_function(shape: str, z: Floats, biot: float) -> Floats:
    """Vanishes at the roots and has no pole."""
    if shape == "sphere":
        return (1.0 - biot) * np.sin(z) - z * np.cos(z)
    return z * np.sin(z) - biot * np.cos(z)


def series_constants(shape: str, roots: Floats) -> Floats:
    """Give the constants of the series for a body of even temperature in new surroundings.

    Sphere: 4 (sin z - z cos z) / (2z - sin 2z). Slab: 4 sin z / (2z + sin 2z).

    Examples
    --------
    >>> round(float(series_constants("sphere", find_roots("sphere", 1.0))[0]), 4)
    1.2732
    """
    _check_shape(shape)
    z = roots
    if shape == "sphere":
        return 4.0 * (np.sin(z) - z * np.cos(z)) / (2.0 * z - np.sin(2.0 * z))
    return 4.0 * np.sin(z) / (2.0 * z + np.sin(2.0 * z))


def mode_values(shape: str, roots: Floats, places: Floats) -> Floats:
    """Give each mode at places between centre (0) and surface (1).

    Returns
    -------
    array, shape (k places, n modes)
        1 at the centre.

    Examples
    --------
    >>> float(mode_values("slab", find_roots("slab", 1.0), np.array([0.0]))[0, 0])
    1.0
    """
    angle = np.asarray(places, dtype=float)[:, None] * roots[None, :]
    return np.sinc(angle / math.pi) if shape == "sphere" else np.cos(angle)


def mode_means(shape: str, roots: Floats) -> Floats:
    """Give the mean of each mode over the volume.

    Examples
    --------
    >>> round(float(mode_means("slab", find_roots("slab", 1.0))[0]), 4)
    0.8811
    """
    z = roots
    if shape == "sphere":
        return 3.0 * (np.sin(z) - z * np.cos(z)) / z**3
    return np.sin(z) / z


@dataclass(frozen=True)
class Profile:
    """Temperatures in a body from centre to surface.

    Attributes
    ----------
    shape : str
    inside : array, shape (128,)
        Temperature at `PLACES`.
    centre, mean, surface : float
        In the same unit.

    Examples
    --------
    >>> Profile.even("sphere", 24.0).mean
    24.0
    """

    shape: str
    inside: Floats
    centre: float
    mean: float
    surface: float

    @classmethod
    def even(cls, shape: str, temp: float) -> Profile:
        """Make a body of one temperature throughout."""
        _check_shape(shape)
        return cls(shape, np.full(len(PLACES), float(temp)), temp, temp, temp)


@dataclass(frozen=True)
class March:
    """What happened to a body over some steps.

    Attributes
    ----------
    centre, mean, surface : array, shape (m + 1,)
        Temperature before the first step and after each of the m steps.
    end : Profile
    """

    centre: Floats
    mean: Floats
    surface: Floats
    end: Profile


def march(profile: Profile, *, biot: float, fourier: Floats, surroundings: Floats) -> March:
    """Follow a body through surroundings that change along straight lines.

    Each mode is solved exactly over each step, so the steps may be long.

    Parameters
    ----------
    profile : Profile
        At the start.
    biot : float
    fourier : array, shape (m,)
        Length of each step: diffusivity times time over radius (half thickness) squared. A step
        of length 0 is a jump of the surroundings.
    surroundings : array, shape (m + 1,)
        Temperature before the first step and after each.

    Returns
    -------
    March

    References
    ----------
    Superposition in time (Duhamel), mode by mode: da/dFo = -z^2 a - C dT/dFo.

    Examples
    --------
    >>> done = march(Profile.even("sphere", 24.0), biot=0.8289, fourier=np.array([1.188]),
    ...              surroundings=np.array([4.0, 4.0]))
    >>> round(float(done.centre[-1]), 2)
    6.0
    """
    shape = profile.shape
    z = find_roots(shape, biot)
    square, constants = z**2, series_constants(shape, z)
    ends = mode_values(shape, z, np.array([0.0, 1.0]))
    rows = np.vstack([ends[0], mode_means(shape, z), ends[1]])
    a = _project(profile, z, float(surroundings[0]))
    found = np.empty((3, len(fourier) + 1))
    found[:, 0] = profile.centre, profile.mean, profile.surface
    lengths = np.asarray(fourier, dtype=float)
    if not (lengths > 0).any():
        found[:] = found[:, :1]
        return March(found[0], found[1], found[2], profile)
    if np.ptp(surroundings) == 0.0:
        # constant surroundings: all times at once
        left = np.exp(-np.outer(np.cumsum(lengths), square)) * a
        found[:, 1:] = surroundings[0] + rows @ left.T
        a = left[-1]
    else:
        for i, length in enumerate(lengths):
            rise = float(surroundings[i + 1] - surroundings[i])
            if length > 0:
                decay = np.exp(-square * length)
                a = a * decay - rise / length * constants * (1.0 - decay) / square
                found[:, i + 1] = surroundings[i + 1] + rows @ a
            else:
                a = a - rise * constants
                found[:, i + 1] = found[:, i]
    last = float(surroundings[-1])
    inside = last + mode_values(shape, z, PLACES) @ a
    end = Profile(shape, inside, *(float(f) for f in found[:, -1]))
    return March(found[0], found[1], found[2], end)


def fourier_until(
    profile: Profile, *, biot: float, surroundings: float, wanted: float, longest: float = 1e4
) -> float | None:
    """Find when the centre reaches a temperature in constant surroundings.

    Parameters
    ----------
    profile : Profile
    biot : float
    surroundings, wanted : float
        Temperatures.
    longest : float
        Where the search ends, in Fourier numbers.

    Returns
    -------
    float or None
        Fourier number of the first time; 0 where the centre stands there already, None where it
        does not reach it.

    Examples
    --------
    >>> ball = Profile.even("sphere", 24.0)
    >>> round(fourier_until(ball, biot=0.8289, surroundings=4.0, wanted=6.0), 3)
    1.188
    """
    if profile.centre == wanted:
        return 0.0
    z = find_roots(profile.shape, biot)
    a, square = _project(profile, z, surroundings), z**2
    sign = math.copysign(1.0, wanted - profile.centre)

    def short_of(fourier: float) -> float:
        return sign * (wanted - surroundings - float(np.sum(a * np.exp(-square * fourier))))

    grid = np.concatenate([np.geomspace(1e-4, 1.0, 60), np.geomspace(1.02, longest, 300)])
    low = 0.0
    for high in grid:
        if short_of(float(high)) <= 0:
            break
        low = float(high)
    else:
        return None
    high = float(high)
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if short_of(middle) > 0 else (low, middle)
    return 0.5 * (low + high)


def _project(profile: Profile, z: Floats, surroundings: float) -> Floats:
    """Take a profile apart into modes, as difference from the surroundings."""
    excess = profile.inside - surroundings
    if np.ptp(profile.inside) == 0.0:
        return float(excess[0]) * series_constants(profile.shape, z)
    values = mode_values(profile.shape, z, PLACES)
    share = _PLACE_WEIGHTS * (PLACES**2 if profile.shape == "sphere" else 1.0)
    if profile.shape == "sphere":
        norm = (0.5 - np.sin(2.0 * z) / (4.0 * z)) / z**2
    else:
        norm = 0.5 + np.sin(2.0 * z) / (4.0 * z)
    return (share * excess) @ values / norm


def _check_shape(shape: str) -> None:
    if shape not in SHAPES:
        raise UnknownName("shape", str(shape), SHAPES)
