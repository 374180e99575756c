"""Solve how much of each species a water holds, for many waters at once.

Called by chemistry, which turns samples and doses into totals; plain numpy, no kitchen words.
It leaves the list of species to species, and units, limits and doses to the modules above it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from doughlab.errors import NotEstimable
from doughlab.water.constants import ACIDS, LN10, LOG_K
from doughlab.water.newton import SETTLED, Equations, davies, settle
from doughlab.water.species import (
    COMPONENTS,
    Array,
    Stoichiometry,
    debye_hueckel_a,
    log_constants,
    log_k,
    stoichiometry,
)

_FLOOR = 1e-18  # mol/kg; stands in for a total of zero, far below anything that counts
_CHUNK = 2048  # waters solved together, so that the work arrays stay in the processor's cache
_UNSETTLED = (
    "{count} of {all} waters did not settle to a solution. Check alkalinity, pH and temperature of "
    "the sample."
)


@dataclass(frozen=True)
class Totals:
    """Hold what mixes linearly: the totals of a water, in mol per kg of water.

    Attributes
    ----------
    alkalinity : array, shape (n,)
        Equivalents of strong base over strong acid, eq/kg, counted from dissolved CO2, water and
        the fully protonated food acid. Adding a food acid or CO2 does not change it.
    carbon, calcium, magnesium, sodium, sulphate : array, shape (n,)
        Total inorganic carbon and total ions, mol/kg.
    inert : array, shape (n,)
        Sum of further singly charged ions (chloride, nitrate, potassium, what balances the
        charges), mol/kg; they only count in the ionic strength.
    acid : array, shape (n,)
        Total food acid, mol/kg.
    temp_c : array, shape (n,)
        Degrees Celsius, 0 to 50.
    acid_name : str
        acetic, citric, lactic, or empty without acid.

    Examples
    --------
    >>> Totals.of(alkalinity=2e-3, sodium=2e-3, carbon=2e-3, temp_c=20).sodium
    array([0.002])
    """

    alkalinity: Array
    carbon: Array
    calcium: Array
    magnesium: Array
    sodium: Array
    sulphate: Array
    inert: Array
    acid: Array
    temp_c: Array
    acid_name: str = ""

    @classmethod
    def of(cls, *, acid_name: str = "", temp_c: Any = 20.0, **amounts: Any) -> Totals:
        """Build totals from numbers or arrays; what is not given is zero.

        Examples
        --------
        >>> Totals.of(alkalinity=[1e-3, 2e-3]).carbon
        array([0., 0.])
        """
        raw = [np.asarray(amounts.pop(n, 0.0), dtype=float) for n in AMOUNTS]
        if amounts:
            raise TypeError(f"unknown totals: {sorted(amounts)}")
        full = np.broadcast_arrays(*raw, np.asarray(temp_c, dtype=float))
        flat = [np.atleast_1d(np.array(a, dtype=float)) for a in full]
        return cls(**dict(zip([*AMOUNTS, "temp_c"], flat, strict=True)), acid_name=acid_name)

    def __len__(self) -> int:
        """Give the number of waters."""
        return int(self.alkalinity.size)

    def changed(self, **fields: Any) -> Totals:
        """Give a copy with some totals replaced.

        Examples
        --------
        >>> Totals.of(alkalinity=1e-3).changed(carbon=np.array([2e-3])).carbon
        array([0.002])
        """
        return replace(self, **fields)

    def part(self, rows: Any) -> Totals:
        """Give some of the waters, by index, slice or mask.

        Examples
        --------
        >>> len(Totals.of(alkalinity=[1e-3, 2e-3]).part(slice(0, 1)))
        1
        """
        return replace(self, **{n: getattr(self, n)[rows] for n in (*AMOUNTS, "temp_c")})


AMOUNTS = (
    "alkalinity", "carbon", "calcium", "magnesium", "sodium", "sulphate", "inert", "acid",
)  # fmt: skip


@dataclass(frozen=True)
class State:
    """Hold a solved water: totals, pH and every species.

    Attributes
    ----------
    totals : Totals
        Complete: what was unknown is filled in.
    ph : array, shape (n,)
        Minus log10 of the hydrogen ion activity, as a calibrated meter reads it.
    added : array, shape (n,)
        Acid or base that was solved for, mol/kg; zero without one, nan where no amount does it.
    species : dict of array
        Molality of each species, mol/kg.
    charges : dict of int
        Charge of each species.
    ionic_strength : array, shape (n,)
        mol/kg.
    log_gamma1 : array, shape (n,)
        log10 of the activity coefficient of a single charge (Davies).
    """

    totals: Totals
    ph: Array
    added: Array
    species: dict[str, Array]
    charges: dict[str, int]
    ionic_strength: Array
    log_gamma1: Array

    @property
    def co2(self) -> Array:
        """Give dissolved CO2, mol/kg."""
        return self.species["CO2"]

    def part(self, rows: Any) -> State:
        """Give some of the waters, by index, slice or mask."""
        return State(
            self.totals.part(rows),
            self.ph[rows],
            self.added[rows],
            {n: m[rows] for n, m in self.species.items()},
            self.charges,
            self.ionic_strength[rows],
            self.log_gamma1[rows],
        )


def solve(
    totals: Totals,
    *,
    find: str,
    ph: Any = None,
    co2: Any = None,
    complexes: bool = True,
) -> State:
    """Solve waters for pH, carbon, alkalinity or an acid dose.

    Parameters
    ----------
    totals : Totals
        n waters. What is to be found is ignored there.
    find : str
        "ph" (all totals known), "carbon" (pH and alkalinity known), "acid" (food acid that
        brings the water to `ph`), "alkalinity" (pH and carbon known).
    ph : float or array, optional
        The pH that is known or wanted; not used where pH is to be found.
    co2 : float or array, optional
        Dissolved CO2 held by a gas, mol/kg ("open"); carbon then follows from it.
    complexes : bool
        Count the metal complexes of the food acid. Carbonate and sulphate pairs always count.

    Returns
    -------
    State
        `added` is nan where no amount of the acid reaches the pH, carbon is nan where no carbon
        agrees with pH and alkalinity.

    Raises
    ------
    NotEstimable
        When a water does not settle to a solution.

    References
    ----------
    Mass action with Davies activity coefficients, Newton's method in the logarithms of the free
    concentrations. Checked against PHREEQC in tests/reference/test_phreeqc_live.py.

    Examples
    --------
    >>> t = Totals.of(alkalinity=2e-3, sodium=2e-3)
    >>> found = solve(t, find="carbon", ph=8.0)
    >>> back = solve(found.totals, find="ph")
    >>> round(float(back.ph[0]), 6)
    8.0
    """
    known = np.broadcast_to(np.asarray(7.0 if ph is None else ph, dtype=float), (len(totals),))
    gas = None if co2 is None else np.broadcast_to(np.asarray(co2, dtype=float), (len(totals),))
    parts = []
    for start in range(0, len(totals), _CHUNK):
        rows = slice(start, start + _CHUNK)
        held = None if gas is None else gas[rows]
        parts.append(_solve(totals.part(rows), find, known[rows], held, complexes))
    return parts[0] if len(parts) == 1 else _joined(parts)


def _joined(parts: list[State]) -> State:
    """Put the pieces of a long list of waters together again."""
    first = parts[0]

    def join(get: Any) -> Array:
        return np.concatenate([get(p) for p in parts])

    totals = first.totals.changed(
        **{n: join(lambda p, n=n: getattr(p.totals, n)) for n in (*AMOUNTS, "temp_c")}
    )
    species = {n: join(lambda p, n=n: p.species[n]) for n in first.species}
    return State(
        totals,
        join(lambda p: p.ph),
        join(lambda p: p.added),
        species,
        first.charges,
        join(lambda p: p.ionic_strength),
        join(lambda p: p.log_gamma1),
    )


def _solve(totals: Totals, find: str, ph: Array, co2: Array | None, complexes: bool) -> State:
    """Solve one chunk of waters."""
    present = tuple(
        c
        for c in COMPONENTS
        if c == "carbon" or (c == find == "acid") or np.any(getattr(totals, c) > 0)
    )
    acid_name = totals.acid_name if "acid" in present else ""
    table = stoichiometry(acid_name, complexes, present)
    # One temperature for all waters is the usual case: then one column of constants will do.
    same = bool(np.all(totals.temp_c == totals.temp_c[0]))
    temp = totals.temp_c[:1] if same else totals.temp_c
    ln_k = _constants_at(table, float(temp[0])) if same else log_constants(table.species, temp)
    tie = None if co2 is None else _carbonate_tie(co2, temp)
    equations = _equations(table, totals, find, open_air=co2 is not None)
    ln_h = _guess_ln_h(totals, co2) if find == "ph" else -LN10 * ph
    ionic = _first_ionic(totals)
    if co2 is not None:
        ionic = np.maximum(ionic, _ionic_of_gas(totals, co2, ln_h))
    free = _first_guess(table, totals, find, ln_h, ln_k, ionic)
    davies_a = LN10 * debye_hueckel_a(totals.temp_c)
    try:
        solution = settle(table, equations, (free, ln_h, ionic), ln_k, davies_a, tie)
    except np.linalg.LinAlgError:
        raise NotEstimable(_UNSETTLED.format(count="Some", all=len(totals))) from None
    return _state(table, totals, find, solution, ln_k)


@lru_cache(maxsize=64)
def _constants_at(table: Stoichiometry, temp_c: float) -> Array:
    """Keep the constants of one temperature: a titration asks for them many times."""
    return log_constants(table.species, np.array([temp_c]))


def _carbonate_tie(co2: Array, temp_c: Array) -> Array:
    """Give ln of the carbonate activity times h squared that a held CO2 fixes."""
    k = log_k(LOG_K["carbonic 1"], temp_c) + log_k(LOG_K["carbonic 2"], temp_c)
    return np.asarray(np.log(np.maximum(co2, _FLOOR)) + LN10 * k)


def _equations(table: Stoichiometry, totals: Totals, find: str, *, open_air: bool) -> Equations:
    """Choose the sums to meet and the unknowns to move for what is to be found."""
    names = list(table.columns)
    weights = {c: table.parts[:, i].copy() for i, c in enumerate(names)}
    goals = {c: np.maximum(getattr(totals, c), _FLOOR) for c in names}
    powers = {c: table.parts[:, i] for i, c in enumerate(names)}
    alkalinity, wanted = table.alkalinity, totals.alkalinity
    if find in ("carbon", "acid"):
        weights[find], goals[find] = alkalinity, wanted
    elif find == "ph":
        weights["h"], goals["h"] = alkalinity, wanted
        held = table.parts[:, names.index("carbon")] if open_air else 0.0
        powers["h"] = table.protons - 2.0 * held
        names.append("h")
    if open_air:
        names.remove("carbon")
    # In pure water under a gas nothing but the ionic strength is left to find: no row at all.
    shape = (len(names), len(table.species))
    return Equations(
        np.array([weights[n] for n in names]).reshape(shape),
        np.array([goals[n] for n in names]).reshape(len(names), len(totals)),
        np.array([powers[n] for n in names]).reshape(shape).T,
        tuple(names),
        totals.inert,
    )


def _guess_ln_h(totals: Totals, co2: Array | None) -> Array:
    """Give ln of the hydrogen activity to start from, ideal and without any complex.

    Newton from a fixed pH can circle where two steps of a titration curve meet; a look at the
    ideal curve on a grid of half pH units puts the start on the right branch.
    """
    ph = np.arange(1.5, 12.1, 0.5)[:, None]
    h = 10.0**-ph
    first = h * 10 ** -log_k(LOG_K["carbonic 1"], totals.temp_c)
    second = 10 ** log_k(LOG_K["carbonic 2"], totals.temp_c) / h
    share = (1.0 + 2.0 * second) / (first + 1.0 + second)
    carbon = totals.carbon * share if co2 is None else co2 * (1.0 + 2.0 * second) / first
    held = carbon + 10 ** log_k(LOG_K["water"], totals.temp_c) / h - h
    if totals.acid_name:
        acid = ACIDS[totals.acid_name]
        bound = [10 ** log_k(c, totals.temp_c) * h**p for p, c in enumerate(acid.protonation, 1)]
        parts = np.array([np.ones_like(bound[0]), *bound])
        lost = np.arange(acid.protons, -1, -1.0)[:, None, None]
        held = held + totals.acid * (lost * parts).sum(axis=0) / parts.sum(axis=0)
    over = held - totals.alkalinity  # rises with pH
    after = np.clip((over < 0).sum(axis=0), 1, len(ph) - 1)
    each = np.arange(len(totals))
    low, high = over[after - 1, each], over[after, each]
    weight = np.clip(-low / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return -LN10 * (ph[after - 1, 0] + 0.5 * weight)


def _first_ionic(totals: Totals) -> Array:
    """Give the ionic strength of a water without pairs, to start from."""
    double = totals.calcium + totals.magnesium + totals.sulphate
    single = totals.sodium + totals.inert + np.abs(totals.alkalinity)
    return np.maximum(2.0 * double + 0.5 * single, 1e-7)


def _ionic_of_gas(totals: Totals, co2: Array, ln_h: Array) -> Array:
    """Give the ionic strength of the bicarbonate and carbonate that a held CO2 makes at a pH.

    Newton cannot climb to it from far below: there the strength seems to feed on itself.
    """
    single = co2 * np.exp(LN10 * log_k(LOG_K["carbonic 1"], totals.temp_c) - ln_h)
    double = single * np.exp(LN10 * log_k(LOG_K["carbonic 2"], totals.temp_c) - ln_h)
    return np.asarray(np.minimum(single + 2.0 * double, 1.0))


def _first_guess(
    table: Stoichiometry, totals: Totals, find: str, ln_h: Array, ln_k: Array, ionic: Array
) -> Array:
    """Give ln of the free components to start from, shape (c, n).

    Metals and sulphate start mostly free; carbon and the acid then follow from what they make
    per unit, by mass or by alkalinity, whichever is known. Citric acid binds much of the metals:
    there metals and acid are adjusted to each other twice.
    """
    log_g = davies(ionic, LN10 * debye_hueckel_a(totals.temp_c))
    free = np.array([np.log(np.maximum(0.93 * getattr(totals, c), _FLOOR)) for c in table.columns])
    left = np.maximum(totals.alkalinity, 1e-8)
    metals = [i for i, c in enumerate(table.columns) if c in ("calcium", "magnesium")]
    for name in ("carbon", "acid"):
        if name not in table.columns:
            continue
        place = table.columns.index(name)
        own = np.flatnonzero(table.parts[:, place] > 0)
        fixed = ln_k[own] + table.exponents[own, -2:] @ np.vstack([ln_h, log_g])
        passes = 3 if name == "acid" and totals.acid_name == "citric" else 1
        free_metals = free[metals].copy()
        for _ in range(passes):
            free[place] = 0.0
            per_unit = np.exp(table.parts[own] @ free + fixed)
            by_alkalinity = table.alkalinity[own] @ per_unit
            if find == name:
                amount = left / by_alkalinity
            else:
                amount = getattr(totals, name) / per_unit.sum(axis=0)
            if passes > 1:
                bound = table.parts[own][:, metals].T @ per_unit * amount
                share = bound / np.exp(free[metals])
                free[metals] = free_metals - np.log1p(share)
        left = np.maximum(left - amount * by_alkalinity, 0.02 * left)
        free[place] = np.log(np.maximum(amount, _FLOOR))
    return free


def _state(
    table: Stoichiometry,
    totals: Totals,
    find: str,
    solution: tuple[Array, Array, Array, Array],
    ln_k: Array,
) -> State:
    """Write the species out, fill in what was found and refuse what did not settle."""
    free, ln_h, log_g, moved = solution
    amount = np.exp(table.exponents @ np.vstack([free, ln_h, log_g]) + ln_k)
    species = dict(zip([s.name for s in table.species], amount, strict=True))
    sums = dict(zip(table.columns, table.parts.T @ amount, strict=True))
    held = table.alkalinity @ amount
    added = np.zeros_like(ln_h)
    settled = moved < SETTLED
    if find == "acid":
        added = sums["acid"]
        settled = settled & (added > 1e-12)
    elif find == "carbon":
        settled = settled & (sums["carbon"] > 1e-12)
    elif not np.all(settled):
        raise NotEstimable(_UNSETTLED.format(count=int(np.sum(~settled)), all=settled.size))
    added = np.where(settled, added, np.nan)
    filled = totals.changed(carbon=np.where(settled, sums["carbon"], np.nan))
    if find == "acid":
        filled = filled.changed(acid=added)
    elif find == "alkalinity":
        filled = filled.changed(alkalinity=held)
    charges = {s.name: s.charge for s in table.species}
    ionic = 0.5 * (table.charge**2 @ amount + totals.inert)
    return State(filled, -ln_h / LN10, added, species, charges, ionic, log_g / LN10)
