"""Find the free components of many waters by Newton's method in logarithms.

Called by speciation, which says which sums must be met; plain numpy, no chemistry in it but the
activity coefficient. It leaves first guesses and what the numbers mean to speciation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doughlab.water.species import Array, Stoichiometry

SETTLED = 1e-4  # largest step; the error that it leaves is about its square
_MOST_ROUNDS = 80
_MOST_STEP = 2.5
_MOST_LN = 3.0  # ln of 20 mol/kg: no free component goes beyond while the solution is sought
_FEW = 128  # waters; below it numpy's own solver is quicker
_BLOCK = 128


@dataclass(frozen=True)
class Equations:
    """Hold which sums must equal what, and which logarithms are moved to get there.

    Attributes
    ----------
    rows : array, shape (m, s)
        Each equation's weight on each species.
    goal : array, shape (m, n)
        What the sums must be, mol/kg.
    columns : array, shape (s, m)
        Each species' power of each unknown.
    unknown : tuple of str
        Components, and "h" last where pH is sought.
    inert : array, shape (n,)
        Singly charged ions outside the species, mol/kg.
    """

    rows: Array
    goal: Array
    columns: Array
    unknown: tuple[str, ...]
    inert: Array


def davies(ionic: Array, a_ln10: Array) -> Array:
    """Give ln of the activity coefficient of a single charge (Davies 1962).

    Examples
    --------
    >>> round(float(davies(np.array(0.01), np.array(0.509 * 2.302585))), 4)
    -0.103
    """
    root = np.sqrt(ionic)
    return np.asarray(-a_ln10 * (root / (1.0 + root) - 0.3 * ionic))


def settle(
    table: Stoichiometry,
    equations: Equations,
    start: tuple[Array, Array, Array],
    ln_k: Array,
    a_ln10: Array,
    tie: Array | None,
) -> tuple[Array, Array, Array, Array]:
    """Move free components, ionic strength and (where sought) pH until every sum is met.

    Parameters
    ----------
    table : Stoichiometry
        Species and their parts.
    equations : Equations
        What must be met.
    start : tuple of array
        ln of the free components (c, n), ln of the hydrogen activity (n,), ionic strength (n,).
    ln_k : array, shape (s, n) or (s, 1)
        ln of the constants.
    a_ln10 : array, shape (n,)
        Debye-Hueckel constant times ln 10.
    tie : array, shape (n,), or None
        ln of carbonate activity times h squared where a gas holds the CO2.

    Returns
    -------
    tuple of array
        free, ln_h, ln of the single-charge activity coefficient, and the last step of each water.
    """
    free, ln_h, ionic = start
    n, m = ln_h.size, len(equations.unknown)
    place = [table.columns.index(u) for u in equations.unknown if u in table.columns]
    carbon = table.columns.index("carbon")
    rows, goal, products = _with_ionic_strength(table, equations, tie is not None)
    powers = np.empty((len(free) + 2, n))  # kept between rounds: fresh pages cost more
    amount = np.empty((len(table.species), n))
    slopes = np.empty(((m + 1) ** 2, n))
    moved = np.full(n, np.inf)
    for _ in range(_MOST_ROUNDS):
        log_g = davies(ionic, a_ln10)
        if tie is not None:
            free[carbon] = tie - 2.0 * ln_h - 4.0 * log_g
        powers[:-2], powers[-2], powers[-1] = free, ln_h, log_g
        _product(table.exponents, powers, amount)
        amount += ln_k
        np.exp(amount, out=amount)
        residual = goal - _product(rows, amount, np.empty_like(goal))
        residual[-1] += ionic
        slope = _product(products, amount, slopes).reshape(m + 1, m + 1, n)
        root = np.sqrt(ionic)
        slope[:, -1] *= -a_ln10 * (0.5 * root / (1.0 + root) ** 2 - 0.3 * ionic)
        slope[-1, -1] -= ionic
        step = np.clip(_eliminate(slope, residual), -_MOST_STEP, _MOST_STEP)
        free[place] = np.minimum(free[place] + step[: len(place)], _MOST_LN)
        if "h" in equations.unknown:
            ln_h = ln_h + step[-2]
        ionic = ionic * np.exp(step[-1])
        moved = np.abs(step).max(axis=0)
        if moved.max() < SETTLED:
            break
    log_g = davies(ionic, a_ln10)
    if tie is not None:
        free[carbon] = tie - 2.0 * ln_h - 4.0 * log_g
    return free, ln_h, log_g, moved


def _with_ionic_strength(
    table: Stoichiometry, equations: Equations, tied: bool
) -> tuple[Array, Array, Array]:
    """Add the ionic strength as last unknown: 0.5 sum(z^2 m) - I = -0.5 inert.

    Returns the rows, the goals and, for each pair of equation and unknown, the weights of the
    species in its slope, shape ((m + 1)^2, s).
    """
    carbon = table.columns.index("carbon")
    gamma = table.gamma - (4.0 * table.parts[:, carbon] if tied else 0.0)
    rows = np.vstack([equations.rows, 0.5 * table.charge**2])
    goal = np.vstack([equations.goal, -0.5 * equations.inert])
    columns = np.column_stack([equations.columns, gamma])
    products = rows[:, None, :] * columns.T[None, :, :]
    return rows, goal, products.reshape(-1, products.shape[-1])


def _product(weights: Array, columns: Array, out: Array) -> Array:
    """Multiply a small matrix (m, s) with many columns (s, n).

    In blocks, each too small for the linear algebra library to spread over threads: on a busy
    machine threads that wait for each other made the whole solution ten times slower.
    """
    n = columns.shape[1]
    whole = n // _BLOCK * _BLOCK

    def blocks(a: Array) -> Array:
        return a[:, :whole].reshape(len(a), -1, _BLOCK).transpose(1, 0, 2)

    if whole > 0:
        np.matmul(weights, blocks(columns), out=blocks(out))
    if whole < n:
        out[:, whole:] = weights @ columns[:, whole:]
    return out


def _eliminate(matrix: Array, right: Array) -> Array:
    """Solve n small linear systems side by side; matrix (m, m, n), right (m, n).

    For many waters Gauss without pivoting (the rows are mass balances with the unknown's own
    species on the diagonal): working along n is several times as fast as numpy.linalg.solve on
    (n, m, m), which wins for few.
    """
    m, n = right.shape
    if n < _FEW:
        few = np.linalg.solve(matrix.transpose(2, 0, 1), right.T[:, :, None])
        return np.asarray(few[:, :, 0].T)
    for k in range(m - 1):
        inverse = 1.0 / matrix[k, k]
        for i in range(k + 1, m):
            factor = matrix[i, k] * inverse
            matrix[i, k + 1 :] -= factor * matrix[k, k + 1 :]
            right[i] -= factor * right[k]
    for k in range(m - 1, -1, -1):
        for j in range(k + 1, m):
            right[k] -= matrix[k, j] * right[j]
        right[k] /= matrix[k, k]
    return right
