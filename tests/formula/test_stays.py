"""Stays of recorded balls: what was recorded counts, what was not is taken as usual."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import pytest

from doughlab.formula.stays import (
    COLD_PLACES,
    UsualDay,
    ball_steps,
    count_ripening,
    find_cooler,
    find_room,
    is_place,
)
from doughlab.formula.steps import usual_body

T0 = datetime.fromisoformat("2026-03-02T10:00+01:00")


@dataclass(frozen=True)
class Ball:
    batch_id: str = "B1"
    balled_at: datetime | None = T0
    cooled_at: datetime | None = T0 + timedelta(minutes=20)
    pulled_at: datetime | None = T0 + timedelta(hours=46)
    used_at: datetime | None = T0 + timedelta(hours=48)


def reading(place, hours, temp_c):
    return {"place": place, "at": T0 + timedelta(hours=hours), "temp_c": temp_c}


MIXES = [
    {"batch_id": "B1", "balled_at": T0, "cooled_at": T0 + timedelta(minutes=20),
     "dough_temp_c": 23.0, "room_temp_c": 20.0}
]  # fmt: skip
TEMPS = [reading("cooler", h, 4.0) for h in (5, 25, 45)] + [reading("room", 46.2, 19.0)]
USUAL = UsualDay.of(MIXES, TEMPS, warm_min=90)
BODY = usual_body()


def test_the_usual_day_is_the_middle_of_what_was_recorded():
    assert USUAL.bench_h == pytest.approx(1 / 3)
    assert (USUAL.warm_h, USUAL.dough_c, USUAL.room_c, USUAL.cooler_c) == (1.5, 23.0, 20.0, 4.0)
    bare = UsualDay.of([], [], limit_c=3.0)
    assert (bare.dough_c, bare.room_c, bare.cooler_c) == (24.0, 22.0, 3.0)
    steps = USUAL.steps(48.0)
    assert (steps.bench_h, steps.warm_h) == (pytest.approx(1 / 3), 1.5)
    assert steps.hold_h == pytest.approx(48.0)


def test_a_ball_has_the_steps_that_were_recorded():
    cooler = find_cooler(TEMPS, T0, T0 + timedelta(hours=46))
    steps = ball_steps(Ball(), Ball().used_at, mix=MIXES[0], cooler=cooler, room_c=19.0,
                       usual=USUAL)  # fmt: skip
    assert (steps.bench_h, steps.cooler_h, steps.warm_h) == pytest.approx((1 / 3, 45 + 2 / 3, 2.0))
    assert (steps.dough_c, steps.bench_c, steps.cooler_c, steps.room_c) == (23.0, 20.0, 4.0, 19.0)
    early = ball_steps(Ball(), T0 + timedelta(hours=10), mix={}, cooler=cooler, room_c=19.0,
                       usual=USUAL)  # fmt: skip
    assert (early.warm_h, early.hold_h) == (0.0, 10.0)
    assert (
        ball_steps(Ball(balled_at=None), T0, mix={}, cooler=cooler, room_c=19, usual=USUAL) is None
    )


def test_the_cooler_is_that_of_the_hold_else_of_other_days():
    own = find_cooler(TEMPS, T0, T0 + timedelta(hours=30))
    assert (own.words, own.known, own.warmest_c) == ("2 readings", True, 4.0)
    other = find_cooler(TEMPS, T0 + timedelta(days=9), T0 + timedelta(days=10))
    assert (other.words, other.known, other.mean_c) == ("readings of other days", False, 4.0)
    none = find_cooler([], T0, T0, limit_c=5.0)
    assert (none.words, none.known, none.mean_c) == ("not recorded", False, 4.0)
    assert is_place({"place": "Shelf 3"}, ("shelf",)) and not is_place({"place": "oven"}, ("room",))


def test_a_room_is_that_of_the_nearest_reading_within_three_hours():
    assert find_room(TEMPS, T0 + timedelta(hours=47)) == 19.0
    assert find_room(TEMPS, T0 + timedelta(hours=60)) is None


def test_ripening_of_recorded_balls():
    """The longer a ball warmed, and the warmer its cooler, the riper; unused ones are left out."""
    balls = {
        "short": Ball(pulled_at=T0 + timedelta(hours=47)),
        "long": Ball(pulled_at=T0 + timedelta(hours=45)),
        "unknown": Ball(pulled_at=None),
        "unused": Ball(used_at=None),
        "unballed": Ball(balled_at=None),
    }
    hours = count_ripening(balls, MIXES, TEMPS, body=BODY, usual=USUAL)
    assert set(hours) == {"short", "long", "unknown"}
    assert 48.0 < hours["short"] < hours["unknown"] < hours["long"]
    warm = [replace_temp(r, 4.8) if r["place"] == "cooler" else r for r in TEMPS]
    warmer = count_ripening(balls, MIXES, warm, body=BODY, usual=USUAL)
    assert warmer["short"] - hours["short"] == pytest.approx(46.7 * (2.6**0.08 - 1), rel=0.05)
    set_apart = count_ripening(balls, MIXES, TEMPS, body=BODY, usual=USUAL,
                               coolers_c={"short": 10.0})  # fmt: skip
    assert set_apart["short"] > 1.5 * hours["short"] and set_apart["long"] == hours["long"]


def replace_temp(row, temp_c):
    return row | {"temp_c": temp_c}


def test_a_ball_without_its_time_of_cooling_takes_the_usual_bench():
    ball = replace(Ball(), cooled_at=None)
    steps = ball_steps(ball, ball.used_at, mix={}, cooler=find_cooler(TEMPS, T0, T0), room_c=20,
                       usual=USUAL)  # fmt: skip
    assert steps.bench_h == pytest.approx(1 / 3)


@pytest.mark.parametrize(
    "place",
    ["Refrigerator 2", "walk-in", "Walk in left", "retarder", "chiller", "blast chiller",
     "cool room", "coolbox", "fridge", "cold shelf"],
)  # fmt: skip
def test_every_usual_name_of_a_cooler_is_known_as_one(place):
    """Names of the trade, common practice: a warm one that is not known would go unsaid."""
    from doughlab.record.warmth import COOLERS, is_cooler

    assert is_place({"place": place}, COLD_PLACES) and is_cooler(place)
    assert COOLERS == COLD_PLACES
    assert find_cooler([reading(place, 5, 8.0)], T0, T0 + timedelta(hours=20)).warmest_c == 8.0


def test_rooms_are_no_coolers():
    for place in ("kitchen", "room", "bench", "store", "prep table"):
        assert not is_place({"place": place}, COLD_PLACES)
