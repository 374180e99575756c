"""Alias tables, resolution and run counts of two-level fractions, and run counts of surfaces.

Alias tables: defining words and two-factor aliases of the usual generators, computed by algebra
(products of letters, squares cancel) and given in the project's table of check values, 4.3; the
designs are those of Box, Hunter and Hunter (1978), Statistics for Experimenters, table 12.15, from
memory. Signs are checked against pyDOE3's `fracfact`, an independent implementation.
Surfaces: points and distances of table 4.4 (counting; 2^(k/4)), usual numbers of centres as printed
by most texts (from memory), Box-Behnken runs 15, 27, 46 (Box and Behnken 1960, from memory).
"""

import numpy as np
import pytest
from pyDOE3 import bbdesign, fracfact

from doughlab.designed import Design
from doughlab.levels import axial_distance
from doughlab.plan.fractions import choose_fraction, read_fraction
from doughlab.plan.surfaces import surface_parts

# generators; words; resolution; aliases, products of three and more left out
PUBLISHED = {
    "2^(3-1)": ("C=AB", "ABC", "III", "A=BC B=AC C=AB"),
    "2^(4-1)": ("D=ABC", "ABCD", "IV", "AB=CD AC=BD AD=BC"),
    "2^(5-1)": ("E=ABCD", "ABCDE", "V", ""),
    "2^(5-2)": (
        "D=AB E=AC", "ABD ACE BCDE", "III",
        "A=BD=CE B=AD C=AE D=AB E=AC BC=DE BE=CD",
    ),
    "2^(6-2)": (
        "E=ABC F=BCD", "ABCE BCDF ADEF", "IV",
        "AB=CE AC=BE AD=EF AE=BC=DF AF=DE BD=CF BF=CD",
    ),
    "2^(6-3)": (
        "D=AB E=AC F=BC", None, "III",
        "A=BD=CE B=AD=CF C=AE=BF D=AB=EF E=AC=DF F=BC=DE AF=BE=CD",
    ),
    "2^(7-4)": (
        "D=AB E=AC F=BC G=ABC", None, "III",
        "A=BD=CE=FG B=AD=CF=EG C=AE=BF=DG D=AB=CG=EF E=AC=BG=DF F=AG=BC=DE G=AF=BE=CD",
    ),
    "2^(7-3)": (
        "E=ABC F=BCD G=ACD", None, "IV",
        "AB=CE=FG AC=BE=DG AD=CG=EF AE=BC=DF AF=BG=DE AG=BF=CD BD=CF=EG",
    ),
}  # fmt: skip


def made(name):
    texts = [f"{g[0]} = {'*'.join(g[2:])}" for g in PUBLISHED[name][0].split()]
    return read_fraction(texts, list("ABCDEFG"[: int(name[3])]))


@pytest.mark.parametrize("name", PUBLISHED)
def test_aliases_are_the_published_ones(name):
    _, words, roman, aliases = PUBLISHED[name]
    fraction = made(name)
    found = {"=".join("".join(t) for t in chain) for chain in fraction.aliases() if len(chain) > 1}
    assert {frozenset(c.split("=")) for c in found} == {
        frozenset(c.split("=")) for c in aliases.split()
    }
    assert fraction.roman == roman
    if words is not None:
        assert {frozenset(w.split("*")) for w in fraction.defining} == {
            frozenset(w) for w in words.split()
        }


@pytest.mark.parametrize(("factors", "roman"), [(10, "X"), (11, "XI"), (14, "XIV")])
def test_a_half_of_many_factors_has_their_number_as_resolution(factors, roman):
    """Algebra: the one word of a half cut by the product of all others is all of them."""
    names = [f"f{i}" for i in range(factors)]
    half = read_fraction([f"{names[-1]} = {'*'.join(names[:-1])}"], names)
    assert (half.resolution, half.roman) == (factors, roman)


@pytest.mark.parametrize(
    ("name", "lengths"),
    [("2^(6-3)", (4, 3)), ("2^(7-4)", (7, 7, 0, 0, 1)), ("2^(7-3)", (0, 7))],
)
def test_word_lengths_are_the_published_ones(name, lengths):
    """Words of 3, 4, ... letters: table 4.3."""
    found = made(name).lengths
    assert found[: len(lengths)] == lengths
    assert not any(found[len(lengths) :])


@pytest.mark.parametrize("name", PUBLISHED)
def test_combinations_are_those_of_pydoe3(name):
    generators = PUBLISHED[name][0].split()
    k, p = int(name[3]), len(generators)
    wanted = fracfact(" ".join([*"abcdefg"[: k - p], *(g[2:].lower() for g in generators)]))
    found = np.array(made(name).codes())
    assert sorted(map(tuple, found)) == sorted(tuple(map(int, row)) for row in wanted)
    assert len(found) == 2 ** (k - p)


@pytest.mark.parametrize(
    ("factors", "runs", "roman", "shortest"),
    [(3, 4, "III", 1), (4, 8, "IV", 1), (5, 8, "III", 2), (5, 16, "V", 1), (6, 16, "IV", 3),
     (6, 32, "VI", 1), (7, 8, "III", 7), (7, 16, "IV", 7), (7, 32, "IV", 1), (8, 16, "IV", 14)],
)  # fmt: skip
def test_chosen_fractions_have_the_highest_resolution_and_fewest_short_words(
    factors, runs, roman, shortest
):
    """Minimum aberration: resolutions and counts of shortest words as in Montgomery's table of
    fractions (Design and Analysis of Experiments, appendix), from memory."""
    fraction = choose_fraction("ABCDEFGH"[:factors], runs)
    assert len(fraction.codes()) == runs
    assert fraction.roman == roman
    assert next(n for n in fraction.lengths if n) == shortest


@pytest.mark.parametrize(
    ("numbers", "points", "runs"), [(2, 8, 13), (3, 14, 20), (4, 24, 30), (5, 42, 52), (6, 76, 91)]
)
def test_central_composite_counts_are_the_published_ones(numbers, points, runs):
    parts = surface_parts(Design("central-composite"), numbers)
    rows = [row for part in parts for row in part]
    assert len(rows) == runs
    assert sum(any(row) for row in rows) == points


@pytest.mark.parametrize(
    ("numbers", "cube", "alpha"),
    [(2, "full", 1.4142), (3, "full", 1.6818), (4, "full", 2.0), (5, "full", 2.3784),
     (6, "full", 2.8284), (7, "full", 3.3636), (5, "half", 2.0), (6, "half", 2.3784),
     (7, "half", 2.8284)],
)  # fmt: skip
def test_rotatable_distances_are_the_published_ones(numbers, cube, alpha):
    design = Design("central-composite", cube=cube)
    assert axial_distance(design, numbers) == pytest.approx(alpha, abs=5e-5)


@pytest.mark.parametrize(("numbers", "runs"), [(3, 15), (4, 27), (5, 46)])
def test_box_behnken_has_the_published_runs(numbers, runs):
    (rows,) = surface_parts(Design("box-behnken"), numbers)
    assert len(rows) == runs
    moved = {sum(map(abs, row)) for row in rows}
    assert moved == {0.0, 2.0}  # two numbers at an end, the others in the middle
    assert sorted(rows) == sorted(map(tuple, bbdesign(numbers).tolist()))
