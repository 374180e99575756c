"""Control charts against the NIST/SEMATECH e-Handbook, printed constants and published run lengths.

Chart data and answers: e-Handbook 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA), 6.1.6
(capability). Constants: numerical integration done apart from this project; standard tables print
three digits of them. Run lengths from memory: Lucas & Saccucci (1990) for EWMA, Montgomery's table
for CUSUM with slack 0.5.
"""

import pytest

from doughlab.daily import (
    chart_constants,
    cusum,
    cusum_run_length,
    ewma,
    ewma_run_length,
    find_signals,
    individuals_limits,
    measure_capability,
    moving_range_limit,
)
from doughlab.daily.chart import Limits

# n: d2, d3, c4, A2, A3, D3, D4, B3, B4
CONSTANTS = {
    2: (1.1284, 0.8525, 0.7979, 1.8800, 2.6587, 0, 3.2665, 0, 3.2665),
    3: (1.6926, 0.8884, 0.8862, 1.0233, 1.9544, 0, 2.5746, 0, 2.5682),
    4: (2.0588, 0.8798, 0.9213, 0.7286, 1.6281, 0, 2.2821, 0, 2.2660),
    5: (2.3259, 0.8641, 0.9400, 0.5768, 1.4273, 0, 2.1145, 0, 2.0890),
    6: (2.5344, 0.8480, 0.9515, 0.4832, 1.2871, 0, 2.0038, 0.0304, 1.9696),
    7: (2.7044, 0.8332, 0.9594, 0.4193, 1.1819, 0.0757, 1.9243, 0.1177, 1.8823),
    8: (2.8472, 0.8198, 0.9650, 0.3725, 1.0991, 0.1362, 1.8638, 0.1851, 1.8149),
    9: (2.9700, 0.8078, 0.9693, 0.3367, 1.0317, 0.1840, 1.8160, 0.2391, 1.7609),
    10: (3.0775, 0.7971, 0.9727, 0.3083, 0.9754, 0.2230, 1.7770, 0.2837, 1.7163),
}
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
AVERAGE = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
           49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
         324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875,
         328.350]  # fmt: skip


@pytest.mark.parametrize(("n", "printed"), CONSTANTS.items())
def test_constants(n, printed):
    c = chart_constants(n)
    found = (c.d2, c.d3, c.c4, c.a2, c.a3, *c.range_factors, *c.spread_factors)
    assert found == pytest.approx(printed, abs=5.1e-5)


def test_individuals():
    found = individuals_limits(FLOW)
    assert found.centre == pytest.approx(50.81)
    assert found.sd * chart_constants(2).d2 == pytest.approx(1.877778, abs=5e-7)
    assert (found.high, found.low) == pytest.approx((55.8024, 45.8176), abs=5e-5)
    assert moving_range_limit(FLOW) == pytest.approx(6.1347, abs=1.5e-3)  # printed with 3.267


def test_ewma():
    average, low, high = ewma(EWMA, centre=50.0, sd=2.0539)
    assert average == pytest.approx(AVERAGE, abs=5.1e-3)
    assert (high[-1], low[-1]) == pytest.approx((52.5884, 47.4116), abs=6e-4)
    assert ((low < average) & (average < high)).all()


def test_cusum():
    upper, lower, first = cusum(CUSUM, centre=325, slack=0.3175, limit=4.1959)
    assert first == 13  # the fourteenth
    assert upper[12] == pytest.approx(3.0075, abs=5.1e-3)
    assert upper[13:] == pytest.approx([4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035],
                                       abs=5.1e-3)  # fmt: skip
    assert lower.max() == pytest.approx(0.715, abs=5.1e-3) and lower.argmax() == 7


def test_capability():
    found = measure_capability(16, 2, low=8, high=20, df=50, target=14)
    assert found.cp == pytest.approx(1.0)
    assert (found.low_side, found.high_side, found.cpk) == pytest.approx(
        (1.3333, 0.6667, 0.6667), abs=5e-5
    )
    assert found.cpm == pytest.approx(0.7071, abs=5e-5)


@pytest.mark.parametrize(
    ("weight", "width", "shift", "printed"),
    [(0.1, 2.814, 0, 500), (0.1, 2.814, 0.5, 31.3), (0.1, 2.814, 1, 10.3), (0.1, 2.814, 2, 4.36),
     (0.25, 2.998, 0, 500), (0.25, 2.998, 0.5, 48.2), (0.25, 2.998, 1, 11.1),
     (0.4, 3.054, 0, 500), (0.4, 3.054, 1, 14.3)],
)  # fmt: skip
def test_ewma_run_lengths(weight, width, shift, printed):
    """Printed to three figures, limits to four; from memory."""
    assert ewma_run_length(weight, width, shift=shift) == pytest.approx(printed, rel=6e-3)


@pytest.mark.parametrize(
    ("limit", "shift", "printed"),
    [(4, 0, 168), (4, 0.25, 74.2), (4, 0.5, 26.6), (4, 0.75, 13.3), (4, 1, 8.38), (4, 1.5, 4.75),
     (4, 2, 3.34), (4, 3, 2.19), (5, 0, 465), (5, 0.25, 139), (5, 0.5, 38.0), (5, 1, 10.4),
     (5, 2, 4.01)],
)  # fmt: skip
def test_cusum_run_lengths(limit, shift, printed):
    """Two sides, slack 0.5; printed to three figures, from memory."""
    assert cusum_run_length(0.5, limit, shift=shift) == pytest.approx(printed, rel=6e-3)


def test_a_weight_of_one_is_the_chart_of_single_values():
    """Its run length is one over the tail of the normal: 370.4 for three standard deviations."""
    assert ewma_run_length(1.0, 3.0, points=301) == pytest.approx(370.398, rel=1e-4)


@pytest.mark.parametrize(
    ("values", "rules", "at"),
    [
        ([0, 3.1], "western electric 1956", [1]),
        ([0, 2.1, 0, 2.2], "western electric 1956", [3]),
        ([0, 2.1, 0, -2.2], "western electric 1956", []),
        ([1.1, 1.2, 0.5, 1.3, 1.4], "western electric 1956", [4]),
        ([0.1] * 8, "western electric 1956", [7]),
        ([0.1] * 8, "nelson 1984", []),
        ([0.1] * 9, "nelson 1984", [8]),
        ([-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], "nelson 1984", [5]),
        ([0.4, -0.4] * 7, "nelson 1984", [13]),
        ([0.9, -0.8, 0.7, 0.9, -0.5, 0.3, 0.2] * 2 + [0.5], "nelson 1984", [14]),
        ([1.2, -1.3, 1.1, 1.4, -1.2, -1.1, 1.5, 1.2], "nelson 1984", [7]),
    ],
)
def test_run_rules_as_worded(values, rules, at):
    """Each value stream is made from the wording of one rule; nothing else may signal."""
    found = find_signals(values, Limits(0.0, -3.0, 3.0, 1.0), rules=rules)
    assert [s.at for s in found] == at
