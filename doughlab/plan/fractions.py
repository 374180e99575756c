"""Fractions: a half, a quarter or less of all combinations of two settings each.

`designs` takes its batches from here, `facts` says what is mixed up with what. How terms that
cannot be told apart are fitted is left to `model`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

from doughlab.errors import PlanError, UnknownName, listed

if TYPE_CHECKING:
    from doughlab.plan.factors import Levels
    from doughlab.sections import Factor
    from doughlab.settings import Settings

_MOST = 9  # settings for which the best fraction is looked for
_UNITS = ("", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX")

Word = tuple[int, int]
"""Settings as bits, and the sign of their product."""


@dataclass(frozen=True)
class Fraction:
    """A regular fraction of the combinations of two settings each.

    Attributes
    ----------
    names : tuple of str
        The factors.
    generators : tuple of (str, tuple of str, int)
        Factor, the factors whose product gives it, and the sign.

    References
    ----------
    Box, Hunter and Hunter (1978), Statistics for Experimenters, chapter 12, from memory. Alias
    tables are checked in tests/reference/test_fractions_box1978.py.

    Examples
    --------
    >>> half = Fraction(("A", "B", "C", "D"), (("D", ("A", "B", "C"), 1),))
    >>> half.roman, half.defining, len(half.codes())
    ('IV', ('A*B*C*D',), 8)
    >>> ["=".join("".join(t) for t in chain) for chain in half.aliases() if len(chain) > 1]
    ['AB=CD', 'AC=BD', 'AD=BC']
    """

    names: tuple[str, ...]
    generators: tuple[tuple[str, tuple[str, ...], int], ...]

    @property
    def words(self) -> tuple[Word, ...]:
        """All products that never change, shortest first."""
        made = [self._word(name, product_of, sign) for name, product_of, sign in self.generators]
        found = []
        for n in range(1, len(made) + 1):
            for group in combinations(made, n):
                mask, sign = 0, 1
                for bits, one in group:
                    mask, sign = mask ^ bits, sign * one
                found.append((mask, sign))
        return tuple(sorted(found, key=lambda w: (w[0].bit_count(), self._order(w[0]))))

    def _word(self, name: str, product_of: Sequence[str], sign: int) -> Word:
        return sum(1 << self.names.index(n) for n in (name, *product_of)), sign

    def _order(self, mask: int) -> tuple[int, ...]:
        return tuple(i for i in range(len(self.names)) if mask >> i & 1)

    @property
    def resolution(self) -> int:
        """The length of the shortest product that never changes."""
        return min(mask.bit_count() for mask, _ in self.words)

    @property
    def roman(self) -> str:
        """The resolution as it is printed."""
        tens, units = divmod(self.resolution, 10)
        return "X" * tens + _UNITS[units]

    @property
    def defining(self) -> tuple[str, ...]:
        """The products that never change, in the factors' names."""
        return tuple(
            ("-" if sign < 0 else "") + "*".join(self.names[i] for i in self._order(mask))
            for mask, sign in self.words
        )

    @property
    def lengths(self) -> tuple[int, ...]:
        """How many of these products have 3, 4, 5, ... factors."""
        counts = [mask.bit_count() for mask, _ in self.words]
        return tuple(counts.count(n) for n in range(3, len(self.names) + 1))

    def codes(self) -> tuple[tuple[int, ...], ...]:
        """List the combinations: -1 for the first setting or the low, 1 for the other."""
        made = {name for name, _, _ in self.generators}
        base = [n for n in self.names if n not in made]
        rows = []
        for signs in product((-1, 1), repeat=len(base)):
            row = dict(zip(reversed(base), signs, strict=True))  # the first runs fastest
            for name, product_of, sign in self.generators:
                row[name] = sign
                for n in product_of:
                    row[name] *= row[n]
            rows.append(tuple(row[n] for n in self.names))
        return tuple(rows)

    def aliases(self) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """Group single factors and pairs that cannot be told apart.

        Returns
        -------
        tuple of tuple of tuple of str
            Each group: its factors and pairs, single ones first. Products of three and more are
            not listed.
        """
        masks = [mask for mask, _ in self.words]
        k = len(self.names)
        terms = [1 << i for i in range(k)]
        terms += [1 << i | 1 << j for i, j in combinations(range(k), 2)]
        groups, seen = [], set()
        for term in terms:
            if term in seen:
                continue
            group = [term, *(t for t in terms if t != term and t ^ term in masks)]
            seen.update(group)
            groups.append(tuple(tuple(self.names[i] for i in self._order(t)) for t in group))
        return tuple(groups)


def find_fraction(settings: Settings) -> Fraction | None:
    """Give the fraction that trial.toml asks for; None where it asks for another plan.

    Raises
    ------
    PlanError
        Where it cannot be cut as asked.
    UnknownName
        Where a generator names no factor.
    """
    if settings.plan.design != "fraction":
        return None
    names = tuple(f.name for f in fraction_factors(settings))
    if len(names) < 3:
        raise PlanError(
            "trial.toml, [plan]: a fraction is cut from three or more factors of two settings, set "
            f'per batch; found {len(names)}. Take design = "fraction" away.'
        )
    if settings.plan.generators:
        return read_fraction(settings.plan.generators, names)
    return choose_fraction(names, settings.plan.runs)


def fraction_factors(settings: Settings) -> list[Factor]:
    """List the factors of two settings that are set per batch."""
    return [f for f in settings.factors_set("batch") if f.span or len(f.levels) == 2]


def read_fraction(texts: Sequence[str], names: Sequence[str]) -> Fraction:
    """Read generators written as "d = a*b*c" or "d = -a*b".

    Parameters
    ----------
    texts : sequence of str
        One generator each.
    names : sequence of str
        The factors of the trial.

    Returns
    -------
    Fraction

    Raises
    ------
    PlanError, UnknownName
        Where a generator cannot be read, or two factors would always change together.

    Examples
    --------
    >>> read_fraction(["flour = water*hydration"], ["water", "hydration", "flour"]).roman
    'III'
    """
    where = "trial.toml, [plan] generators"
    made: list[tuple[str, tuple[str, ...], int]] = []
    for text in texts:
        found = re.fullmatch(r"\s*(\w+)\s*=\s*([-+]?)\s*(\w+(?:\s*\*\s*\w+)+)\s*", text)
        if found is None:
            raise PlanError(
                f"{where}: '{text}' cannot be read. Write it as \"flour = water*salt\"."
            )
        product_of = tuple(n.strip() for n in found[3].split("*"))
        for name in (found[1], *product_of):
            if name not in names:
                raise UnknownName("factor of two settings set per batch", name, names, where=where)
        made.append((found[1], product_of, -1 if found[2] == "-" else 1))
    left = [name for name, _, _ in made]
    for text, (name, product_of, _) in zip(texts, made, strict=True):
        if left.count(name) > 1 or set(product_of) & set(left):
            raise PlanError(
                f"{where}: '{text}' uses a factor that another generator makes. On the right only "
                f"these stand: {listed([n for n in names if n not in left])}."
            )
        if len(set(product_of)) < len(product_of):
            raise PlanError(f"{where}: '{text}' names a factor twice. Take one away.")
    fraction = Fraction(tuple(names), tuple(made))
    if fraction.resolution < 3:
        word = fraction.defining[0].lstrip("-").replace("*", " and ")
        raise PlanError(f"{where}: {word} would always change together. Change one generator.")
    return fraction


def choose_fraction(names: Sequence[str], runs: int | None = None) -> Fraction:
    """Choose the best fraction: highest resolution, then fewest short words.

    Parameters
    ----------
    names : sequence of str
        3 to 9 factors.
    runs : int, optional
        Combinations, a power of two; by default the fewest with resolution IV or more, or a half
        where there is none.

    Raises
    ------
    PlanError
        Where there is no fraction of that size.

    Examples
    --------
    >>> fraction = choose_fraction(list("ABCDEF"))
    >>> len(fraction.codes()), fraction.roman, fraction.defining
    (16, 'IV', ('A*B*C*E', 'A*B*D*F', 'C*D*E*F'))
    """
    k = len(names)
    if k > _MOST:
        raise PlanError(
            f"trial.toml, [plan]: the best fraction is looked for up to {_MOST} factors; found "
            f'{k}. Write generators = ["d = a*b*c", ...] yourself.'
        )
    sizes = [2**q for q in range(2, k) if 2**q > k]
    if runs is not None and runs not in sizes:
        raise PlanError(
            f"trial.toml, [plan]: runs = {runs} is no fraction of {2**k} combinations of {k} "
            f"factors. Choose {' or '.join(map(str, sizes))}."
        )
    if runs is not None:
        return _best(tuple(names), runs.bit_length() - 1)
    for size in sizes:
        found = _best(tuple(names), size.bit_length() - 1)
        if found.resolution >= 4:
            return found
    return found


def _best(names: tuple[str, ...], free: int) -> Fraction:
    """Try all generators on the first factors; the earliest of the best ones is taken."""
    extra = len(names) - free
    products = [m for m in range(1 << free) if m.bit_count() > 1]
    products.sort(key=lambda m: (m.bit_count(), [i for i in range(free) if m >> i & 1]))
    best = min(combinations(products, extra), key=lambda chosen: _word_counts(chosen, free))
    made = [
        (names[free + j], tuple(names[i] for i in range(free) if m >> i & 1), 1)
        for j, m in enumerate(best)
    ]
    return Fraction(names, tuple(made))


def _word_counts(chosen: Sequence[int], free: int) -> tuple[int, ...]:
    """Count the words of 3, 4, 5, ... factors: fewer short ones are better."""
    words = [0]
    for j, m in enumerate(chosen):
        words += [w ^ m ^ (1 << (free + j)) for w in words]
    counts = [0] * (free + len(chosen) + 1)
    for w in words:
        counts[w.bit_count()] += 1
    return tuple(counts[1:])


def fraction_runs(settings: Settings, fraction: Fraction) -> list[Levels]:
    """List the combinations of a fraction as level texts."""
    factors = {f.name: f for f in fraction_factors(settings)}
    return [
        {n: end_level(factors[n], code) for n, code in zip(fraction.names, row, strict=True)}
        for row in fraction.codes()
    ]


def end_level(factor: Factor, code: int) -> str:
    """Give the level at -1 or 1: first or second as typed, the low or high of a number."""
    if factor.kind != "number":
        return factor.levels[code > 0]
    low, high = factor.span or (min(factor.values), max(factor.values))
    return factor.level_of(low if code < 0 else high)
