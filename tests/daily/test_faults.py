"""The fault finder and the invented month: the cooler is found, within two days."""

import math
from datetime import date

import numpy as np
import pytest

from doughlab.daily.chart import (
    RULES,
    Limits,
    Signal,
    cusum,
    ewma,
    find_signals,
    individuals_limits,
)
from doughlab.daily.faults import Suspect, fault_lines, rank_faults, walk_faults
from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import Usual, example_recipe
from doughlab.daily.spread import share_inside
from doughlab.daily.standing import (
    FALSE_LOTS,
    FALSE_OWN,
    FALSE_SETTLED,
    LIMIT,
    SLACK,
    WEIGHT,
    WIDTH,
    find_standing,
    measure_against_window,
    new_limits,
    within_spread,
)
from doughlab.formula.steps import usual_body

BODY = usual_body()


def first_signal(plant, recipe, records, start, *, days=30):
    """The first day from a start on which the chart signals, with its standing."""
    for day in range(start, days):
        standing = find_standing(recipe, plant.upto(records, day))
        if standing.now:
            return day, standing
    return None, None


@pytest.mark.parametrize(
    ("fault_c", "shown"), [(0.0, True), (0.0, False), (6.8, False)],
    ids=["too cold", "too cold, display stuck", "too warm, display stuck"],
)  # fmt: skip
def test_a_cooler_fault_is_found_within_two_days(plant, fault_c, shown):
    """A month of another curve and another clock than the recipe's; the cooler moves on day 20.

    Of 60 months each, 59 were found by day 22, and the cooler stood among the first two in all 60
    (first in 54 to 59). Where the display shows more than 5 °C, the display itself is the answer.
    """
    recipe = plant.settled()
    for seed in range(6):
        records = plant.month(seed, fault_day=20, fault_c=fault_c, shown=shown)
        day, standing = first_signal(plant, recipe, records, 20)
        assert day is not None and day <= 22
        suspects = walk_faults(recipe, standing, records, body=BODY)
        ranked = [s.name for s in rank_faults(suspects, standing.shift[0])]
        assert "cooler" in ranked[:2]
        assert (standing.shift[0] > 0) == (fault_c < 3.6)


def test_a_quiet_month_signals_on_few_days(plant):
    """Twelve quiet months of 30 lots: measured 1.2 % of lots; the rules alone 1.1 % (Champ and
    Woodall 1987), means of two balls rarer against limits for one."""
    recipe, signals, lots = plant.settled(), 0, 0
    for seed in range(100, 104):
        records = plant.month(seed)
        for day in range(0, 30, 2):
            signals += bool(find_standing(recipe, plant.upto(records, day)).now)
            lots += 1
    assert signals / lots < 0.1


def steady(**changes):
    """A recipe whose balls stay in the cooler all the time, at its temperature."""
    usual = Usual(18, 24, 21.0, 4.0, 4.0, 0.0, 0.0, 0.0)
    return example_recipe(usual=usual, **changes)


def standing_of(plant, recipe, off, **values):
    at = plant.START
    rows = [plant.reading_row("L1", at, recipe.expected + off, **values)]
    return find_standing(recipe, DailyRecords({}, rows))


def test_what_a_cooler_explains_is_slope_times_hours(plant):
    """Limit: 48 h at 2 instead of 4 °C are worth 48 x 2.6^(-0.2) h, but for the first hours in
    which the ball still cools from 4; by algebra for a ball that is there at once."""
    recipe = steady()
    standing = standing_of(plant, recipe, 0.09, cooler_c=2.0)
    found = walk_faults(recipe, standing, DailyRecords({}, []), body=BODY)[4]
    expected = -0.00875 * 48.0 * (2.6 ** (-0.2) - 1.0)
    assert found.recorded and found.shift == pytest.approx(expected, rel=0.06)
    assert found.low < found.shift < found.high
    at_once = [s * 48.0 * (1.0 - q**-0.2) for s in (0.010, 0.0075) for q in (2.0, 4.0)]
    assert (found.low, found.high) == pytest.approx((min(at_once), max(at_once)), rel=0.08)


def test_the_water_explains_the_slope_of_the_trial(plant):
    recipe = steady()
    rows = {"L1": plant.lot_row("L1", plant.START, water_temp_c=12.0)}
    standing = standing_of(plant, recipe, 0.09)
    water = walk_faults(recipe, standing, DailyRecords(rows, []), body=BODY, show="F")[0]
    assert (water.shift, water.low, water.high) == pytest.approx((0.06, 0.03, 0.09))
    assert water.words == "54 °F, usual 59 °F"
    rows["L1"]["water"] = "bottled"
    other = walk_faults(recipe, standing, DailyRecords(rows, []), body=BODY)[0]
    assert (other.shift, other.words) == (-0.08, "bottled was used, settled on tap")


def test_a_longer_bench_and_a_warmer_dough_lower_the_ph(plant):
    recipe = example_recipe()
    late = plant.lot_row("L1", plant.START, dough_temp_c=26.0)
    late["cooled_at"] = late["mixed_at"].replace(hour=late["mixed_at"].hour + 2)
    standing = standing_of(plant, recipe, -0.2)
    found = {s.name: s for s in walk_faults(recipe, standing, DailyRecords({"L1": late}, []),
                                            body=BODY)}  # fmt: skip
    assert found["minutes"].shift < 0 and found["minutes"].recorded
    assert found["dough"].shift < 0 and found["stacking"].shift < 0 and found["room"].shift < 0
    assert found["minutes"].words == "120 min to the cooler, usual 60"


def suspect(name, shift, *, recorded=True):
    return Suspect(name, "as found", recorded, shift, shift - 0.02, shift + 0.02, f"look at {name}")


def test_the_walk_is_told_whole():
    walk = [suspect("water", 0.03, recorded=False), suspect("cooler", 0.08), suspect("room", -0.01)]
    assert fault_lines(walk, (0.1, 0.05, 0.15)) == [
        "Fault finder: the last 2 lots lie 0.10 high (+0.05 to +0.15). Read the meter's buffers "
        "before anything else.",
        "Check first: cooler: door and logger (as found): look at cooler.",
        "Then: water: look at water.",
        "  1 water: as found explain +0.03 (+0.01 to +0.05)",
        "  2 cooler: door and logger: as found; explains +0.08 (+0.06 to +0.10)",
        "  3 room: as found; explains -0.01 (-0.03 to +0.01)",
    ]
    small = fault_lines([suspect("room", 0.01)], (-0.1, -0.2, 0.0), lots=1)
    assert small[0] == (
        "Fault finder: this lot lies 0.10 low (-0.20 to 0.00). Read the meter's buffers before "
        "anything else, and a second ball of this lot."
    )
    assert small[1] == "Nothing on the walk explains it: look at yeast, flour lot and scales."


def test_a_recorded_cause_comes_before_one_that_only_could():
    could, was = suspect("stacking", 0.09, recorded=False), suspect("minutes", 0.06)
    assert [s.name for s in rank_faults([could, was], 0.1)] == ["minutes", "stacking"]


def test_balls_of_a_lot_and_lots_are_told_apart(plant):
    """Pooled variance within lots by algebra; its range by chi-square of as many df (scipy)."""
    from scipy.stats import chi2

    recipe = example_recipe()
    rows = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1), 5.56 + 0.05 * i + d)
            for i in range(4) for d in (0.0, 0.02)]  # fmt: skip
    standing = find_standing(recipe, DailyRecords({}, rows))
    sd, low, high = within_spread(standing.points)
    assert sd == pytest.approx(0.02 / math.sqrt(2.0))
    assert (low, high) == pytest.approx((sd * math.sqrt(4 / chi2.ppf(0.975, 4)),
                                         sd * math.sqrt(4 / chi2.ppf(0.025, 4))))  # fmt: skip
    assert [p.off for p in standing.points] == pytest.approx([0.01, 0.06, 0.11, 0.16])


def test_capability_speaks_of_lots_at_the_checkpoint(plant):
    """Cpk by its definition from mean and standard deviation of the lots."""
    recipe = example_recipe()
    off = np.array([0.02, -0.03, 0.05, 0.0, -0.06, 0.04, 0.01, -0.02, 0.03, -0.01, 0.0])
    rows = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1), 5.56 + d)
            for i, d in enumerate(off)]  # fmt: skip
    points = find_standing(recipe, DailyRecords({}, rows)).points
    found = measure_against_window(recipe, points)
    mean, sd = 5.56 + off.mean(), off.std(ddof=1)
    assert found.cpk == pytest.approx(min(5.75 - mean, mean - 5.35) / (3 * sd))
    assert measure_against_window(recipe, points[:9]) is None


def test_the_stretch_looks_back_as_far_as_the_signal(plant):
    recipe = example_recipe()
    rows = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1), 5.56 + d)
            for i, d in enumerate((0.0, 0.0, 0.13, 0.0, 0.14))]  # fmt: skip
    standing = find_standing(recipe, DailyRecords({}, rows))
    assert Signal("two of three beyond two standard deviations on one side", 4, 2) in list(
        standing.signals
    )
    assert standing.first == 2
    assert standing.shift[0] == pytest.approx((0.13 + 0.0 + 0.14) / 3)


def calls_within(z, rules):
    """Whether any chart calls in values that are counted in standard deviations off centre."""
    if find_signals(z, Limits(0.0, -3.0, 3.0, 1.0), rules=rules):
        return True
    average, low, high = ewma(z, centre=0.0, sd=1.0, weight=WEIGHT, width=WIDTH)
    steps = np.abs(np.diff(z)) > 3.2665 * 1.1284  # D4 and d2 of facts 5.1
    sums = cusum(z, centre=0.0, slack=SLACK, limit=LIMIT)[2]
    return bool(((average < low) | (average > high)).any() or steps.any() or sums is not None)


def own_lots(n, rng):
    """Limits from n lots of one's own: their mean and moving ranges."""
    found = individuals_limits(rng.standard_normal(n).tolist())
    return found.centre, found.sd


def a_trial(error, rng):
    """Limits of a settled recipe: a centre known to so many SD, a spread of 8 df."""
    return error * rng.standard_normal(), (rng.chisquare(8) / 8) ** 0.5


@pytest.mark.parametrize("rules", list(RULES))
@pytest.mark.parametrize(
    ("share", "limits"),
    [
        (FALSE_OWN[0][1], lambda rng: own_lots(FALSE_OWN[0][0], rng)),
        (FALSE_OWN[2][1], lambda rng: own_lots(FALSE_OWN[2][0], rng)),
        (FALSE_SETTLED[2][1], lambda rng: a_trial(0.5, rng)),
        (FALSE_SETTLED[4][1], lambda rng: a_trial(1.0, rng)),
    ],
    ids=["12 own lots", "24 own lots", "trial, centre known to half a SD", "to one SD"],
)  # fmt: skip
def test_all_charts_together_call_as_seldom_as_is_said(rules, share, limits):
    """Simulation: nothing moved, limits as a kitchen has them; 1,200 runs made the tables.

    With limits that are known without error the share is 0.30.
    """
    rng, runs, called = np.random.default_rng(3), 400, 0
    for _ in range(runs):
        centre, sd = limits(rng)
        called += calls_within((rng.standard_normal(FALSE_LOTS) - centre) / sd, rules)
    assert called / runs == pytest.approx(share, abs=3 * (0.25 / runs) ** 0.5)


def test_sums_start_anew_after_a_call_so_that_a_mended_fault_is_quiet(plant):
    """By hand: lots 3.2 SD high add 2.7, over 5 with every second; one after takes 0.5 off."""
    recipe = example_recipe()
    off = [0.0, 0.0] + [3.2] * 5 + [0.0] * 4
    rows = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1),
                              recipe.expected + z * recipe.single_sd)
            for i, z in enumerate(off)]  # fmt: skip
    upper = [find_standing(recipe, DailyRecords({}, rows[:n])).upper for n in range(3, 12)]
    assert upper == pytest.approx([2.7, 5.4, 2.7, 5.4, 2.7, 2.2, 1.7, 1.2, 0.7])
    assert "adding up (CUSUM)" not in find_standing(recipe, DailyRecords({}, rows)).now
    second = find_standing(recipe, DailyRecords({}, rows[:4]))
    assert "adding up (CUSUM)" in second.now and second.since == 2
    assert find_standing(recipe, DailyRecords({}, rows[:7])).since == 6


def test_a_hot_week_counts_against_the_window_though_its_room_is_explained(plant):
    """Rooms of 31 °C move pH by -0.3 below the window; limits count that, shares must not."""
    recipe = example_recipe()
    hot = [i >= 8 for i in range(12)]
    rows = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1),
                              5.56 + 0.01 * (-1) ** i - 0.3 * h, room_c=31.0 if h else 21.0)
            for i, h in enumerate(hot)]  # fmt: skip
    own = {"at": plant.START.replace(day=20), "centre": 0.0, "sd": 0.02, "n": 12,
           "room_slope": -0.03, "room_ref_c": 21.0, "ball_sd": None}  # fmt: skip
    points = find_standing(recipe, DailyRecords({}, rows, [own])).points
    assert max(abs(p.off) for p in points) < 0.02
    assert [p.raw for p in points] == pytest.approx([p.ph - 5.56 for p in points])
    found = share_inside(recipe, points)
    assert (found.inside, found.balls) == (8, 12)
    assert measure_against_window(recipe, points).cpk < 0.5


def test_limits_of_the_recipe_are_for_as_many_balls_as_are_read(plant):
    """By algebra: lots 0.05 and balls 0.03 apart give sqrt(0.05^2 + 0.03^2 / k) for k balls."""
    recipe = example_recipe()
    for k in (1, 2, 4):
        rows = [plant.reading_row("L1", plant.START, 5.56) for _ in range(k)]
        limits = find_standing(recipe, DailyRecords({}, rows)).chart.limits
        assert limits.sd == pytest.approx(math.sqrt(0.05**2 + 0.03**2 / k))
        assert (limits.low, limits.high) == pytest.approx((-3 * limits.sd, 3 * limits.sd))


def test_limits_of_the_lots_after_a_fault_leave_the_fault_out(plant):
    """By hand: six lots lay 0.2 high; without them the mean is none, with them 1.2 / 22."""
    recipe = example_recipe()
    off = [0.02, -0.02] * 2 + [0.20] * 6 + [0.02, -0.02] * 6
    rows = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1), 5.56 + d)
            for i, d in enumerate(off)]  # fmt: skip
    records = DailyRecords({}, rows)
    every, good = new_limits(recipe, records), new_limits(recipe, records, since=date(2026, 4, 11))
    assert (every["n"], good["n"]) == (22, 12)
    assert (every["centre"], good["centre"]) == pytest.approx((1.2 / 22, 0.0), abs=1e-9)
    assert good["sd"] == pytest.approx(0.04 / 1.1284, rel=1e-3)  # d2 of facts 5.1
