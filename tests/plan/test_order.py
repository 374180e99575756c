"""Order, blinding and places."""

from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from doughlab.errors import PlanError
from doughlab.plan.order import (
    assign_places,
    draw_codes,
    make_rng,
    peak_stays,
    serve_judges,
    serve_rounds,
    shuffled,
    williams_rows,
)

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


# Williams, E. J. (1949), Aust. J. Sci. Res. A 2, 149: number of sequences for n samples; each
# sample at each place, and each ordered pair of neighbours, equally often (counts by algebra:
# sequences / n and sequences (n - 1) / (n (n - 1))).
@pytest.mark.parametrize(
    ("n", "sequences", "often"),
    [(2, 2, 1), (3, 6, 2), (4, 4, 1), (5, 10, 2), (6, 6, 1), (7, 14, 2), (8, 8, 1)],
)
def test_williams_rows_balance_places_and_neighbours(n, sequences, often):
    rows = williams_rows(n)
    assert len(rows) == sequences
    places = Counter((place, v) for row in rows for place, v in enumerate(row))
    pairs = Counter(pair for row in rows for pair in pairwise(row))
    assert set(places.values()) == {often} and len(places) == n * n
    assert set(pairs.values()) == {often} and len(pairs) == n * (n - 1)


def test_williams_rows_for_four_are_the_published_ones():
    """First row 0, 1, n-1, 2, then add 1 modulo n (Williams 1949)."""
    assert ["".join(map(str, r)) for r in williams_rows(4)] == ["0132", "1203", "2310", "3021"]


def test_shuffling_is_the_same_for_a_seed_and_keeps_everything():
    items = list(range(40))
    one, two = (shuffled(items, make_rng(5, "a")) for _ in range(2))
    assert one == two != items and sorted(one) == items
    assert shuffled(items, make_rng(5, "b")) != one != shuffled(items, make_rng(6, "a"))


def test_shuffling_puts_every_item_everywhere():
    """Each of 5 items at each of 5 places in 4000 shuffles: 800 +- 5 standard errors (126)."""
    seen = Counter()
    for seed in range(4000):
        seen.update(enumerate(shuffled("abcde", make_rng(seed, "fair"))))
    assert len(seen) == 25
    assert all(abs(n - 800) < 5 * (4000 * 0.2 * 0.8) ** 0.5 for n in seen.values())


def test_blind_codes_are_three_digits_and_all_different():
    codes = draw_codes(900, make_rng(1, "codes"))
    assert sorted(codes) == list(range(100, 1000))


def test_more_samples_than_codes_is_refused():
    with pytest.raises(PlanError) as error:
        draw_codes(901, make_rng(1, "codes"))
    assert str(error.value) == (
        "901 bakes in one session, but there are only 900 three-digit codes. Spread the batches "
        "over more mixing days: days in [blocks]."
    )


def test_four_judges_and_four_samples_are_served_a_whole_williams_square():
    orders = serve_judges([["a", "b", "c", "d"]], ["J1", "J2", "J3", "J4"], make_rng(3, "serve"))
    pairs = Counter(p for row in orders.values() for p in pairwise(row))
    assert len(pairs) == 12 and set(pairs.values()) == {1}
    for place in range(4):
        assert {row[place] for row in orders.values()} == set("abcd")


def test_every_judge_tastes_every_sample_round_by_round():
    rounds = [["a", "b", "c"], ["d", "e"], ["f"]]
    judges = [f"J{i}" for i in range(9)]
    for row in serve_judges(rounds, judges, make_rng(4, "serve")).values():
        assert sorted(row[:3]) == list("abc") and sorted(row[3:5]) == list("de") and row[5] == "f"


def test_rounds_gather_what_is_due_within_an_hour():
    due = {f"b{m}": NOON + timedelta(minutes=m) for m in (0, 40, 59, 60, 100, 125)}
    assert serve_rounds(due) == [["b0", "b40", "b59"], ["b60", "b100"], ["b125"]]


def stay(ball, batch, start, end):
    return (ball, batch, NOON + timedelta(hours=start), NOON + timedelta(hours=end))


def test_no_place_is_given_twice_at_a_time():
    stays = [
        stay(f"B{d}-{i}", f"B{d}", 24 * d, 24 * d + 24 + i) for d in range(6) for i in range(7)
    ]
    places = assign_places(stays, 16, 4, make_rng(1, "places"))
    assert peak_stays(stays) <= 16 and "no place free" not in places.values()
    for i, a in enumerate(stays):
        for b in stays[i + 1 :]:
            if a[2] < b[3] and b[2] < a[3]:
                assert places[a[0]] != places[b[0]]


def test_a_batch_is_dealt_out_over_the_shelves():
    stays = [stay(f"B1-{i}", "B1", 0, 24) for i in range(8)]
    places = assign_places(stays, 40, 4, make_rng(2, "places"))
    assert Counter(p.split(",")[0] for p in places.values()) == {
        f"shelf {s}": 2 for s in (1, 2, 3, 4)
    }


def test_places_are_counted_on_each_shelf_from_one():
    """10 places on 4 shelves: the first two shelves hold 3, the others 2 (division by hand)."""
    stays = [stay(f"B1-{i}", "B1", 0, 24) for i in range(10)]
    places = assign_places(stays, 10, 4, make_rng(2, "places"))
    sizes = {1: 3, 2: 3, 3: 2, 4: 2}
    assert sorted(places.values()) == [
        f"shelf {s}, place {p}" for s, size in sizes.items() for p in range(1, size + 1)
    ]


def test_a_full_cooler_is_said_not_hidden():
    stays = [stay(f"B1-{i}", "B1", 0, 24) for i in range(8)]
    places = assign_places(stays, 5, 2, make_rng(2, "places"))
    assert sum(p == "no place free" for p in places.values()) == 3
    assert peak_stays(stays) == 8


def test_a_ball_that_leaves_makes_room_for_one_that_comes():
    stays = [stay("a", "A", 0, 24), stay("b", "B", 24, 48)]
    assert peak_stays(stays) == 1
    assert "no place free" not in assign_places(stays, 1, 1, make_rng(1, "p")).values()
