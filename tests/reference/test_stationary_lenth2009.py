"""Stationary points against printed worked examples of second-order surfaces.

1. A chemical reaction, 14 runs in two blocks (central composite). Data: Myers, Montgomery and
   Anderson-Cook (2009), Response Surface Methodology, table 7.6; as the data set ChemReact in the
   documentation of the open R package rsm. Location, original units and eigenvalues as printed in
   Lenth (2009), J. Stat. Software 32(7), section 5. Data and values typed from memory; they agree
   with each other to every printed digit.
2. Odour of a chemical, 15 runs (Box-Behnken): Schneider and Stockett (1963), data in John (1971),
   Statistical Design and Analysis of Experiments. Data from a documentation page that reprints
   them; the optimum (84.88, 0.54, 7.54) and eigenvalues from memory.
"""

import numpy as np
import pytest

from doughlab.stats.stationary import build_terms, find_stationary

REACTION = {
    1: [(80, 170, 80.5), (80, 180, 81.5), (90, 170, 82.0), (90, 180, 83.5),
        (85, 175, 83.9), (85, 175, 84.3), (85, 175, 84.0)],
    2: [(85, 175, 79.7), (85, 175, 79.8), (85, 175, 79.5), (92.07, 175, 78.4),
        (77.93, 175, 75.6), (85, 182.07, 78.5), (85, 167.93, 77.0)],
}  # fmt: skip

ODOUR = [
    (66, 40, 0.3, 4), (39, 120, 0.3, 4), (43, 40, 0.7, 4), (49, 120, 0.7, 4),
    (58, 40, 0.5, 2), (17, 120, 0.5, 2), (-5, 40, 0.5, 6), (-40, 120, 0.5, 6),
    (65, 80, 0.3, 2), (7, 80, 0.7, 2), (43, 80, 0.3, 6), (-22, 80, 0.7, 6),
    (-31, 80, 0.5, 4), (-35, 80, 0.5, 4), (-26, 80, 0.5, 4),
]  # fmt: skip


def fit(x, y, extra=None):
    """Ordinary least squares by numpy; the surface's coefficients, their covariance, df."""
    matrix = build_terms(x)
    size = matrix.shape[1]
    if extra is not None:
        matrix = np.column_stack([matrix, extra])
    inverse = np.linalg.inv(matrix.T @ matrix)
    c = inverse @ matrix.T @ y
    df = len(y) - matrix.shape[1]
    variance = float(((y - matrix @ c) ** 2).sum()) / df
    return c[:size], variance * inverse[:size, :size], df


@pytest.fixture(scope="module")
def reaction():
    rows = np.array([(block, *row) for block, own in REACTION.items() for row in own])
    x = (rows[:, 1:3] - [85, 175]) / 5
    return find_stationary(*fit(x, rows[:, 3], extra=rows[:, 0] - 1))


def test_the_reaction_is_level_where_it_is_printed_to_be(reaction):
    assert reaction.location == pytest.approx([0.3722954, 0.3343802], abs=5e-8)
    assert 5 * reaction.location + [85, 175] == pytest.approx([86.86148, 176.67190], abs=5e-6)


def test_the_reaction_bends_as_it_is_printed_to_do(reaction):
    assert reaction.bends == pytest.approx([-0.9233027, -1.3186949], abs=5e-8)


def test_the_reaction_is_a_top_inside_what_was_tried(reaction):
    """Lenth (2009): both eigenvalues negative, a maximum near the design's centre."""
    assert reaction.nature == "top"
    assert reaction.inside([-1.414, -1.414], [1.414, 1.414]) == "inside"


def test_the_odour_is_lowest_at_the_published_place():
    rows = np.array(ODOUR, dtype=float)
    x = (rows[:, 1:] - [80, 0.5, 4]) / [40, 0.2, 2]
    point = find_stationary(*fit(x, rows[:, 0]))
    natural = point.location * [40, 0.2, 2] + [80, 0.5, 4]
    assert natural == pytest.approx([84.876502, 0.539915, 7.541050], abs=1e-5)
    assert point.value == pytest.approx(-52.024631, abs=1e-5)
    assert point.bends == pytest.approx([48.858807, 31.103461, 6.037732], abs=1e-5)
    assert point.looks == "bottom"
