"""The calendar against exhaustive search, against the replay, and where nothing fits."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import combinations, pairwise, product
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from doughlab.errors import PlanError
from doughlab.formula.formula import Formula, read_formula
from doughlab.plan import calendar
from doughlab.plan.calendar import CalendarImpossible, Search, WeekPlan, lay_calendar
from doughlab.plan.calendar_dates import Aims, DateProgram
from doughlab.plan.calendar_hours import HourProgram
from doughlab.plan.plan import build_plan
from doughlab.plan.program import UNKNOWN
from doughlab.plan.relax import explain, find_way_out, list_ways
from doughlab.plan.replay import replay
from doughlab.plan.work import list_times, list_work
from doughlab.settings import read_settings

SCORED = """
[responses.score]
table = "scores"
column = "score"
kind = "score"
margin = 1

[rubric.crust]
title = "Crust"

[panel]
judges = ["J1"]
"""

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"


def due(plan):
    return {(r["step"], r["item"]): r["due_at"] for r in plan.schedule}


def off_hold_min(plan):
    """Minutes by which each ball is used off its hold, counted in UTC."""
    at, out = due(plan), []
    for b in plan.balls:
        if b["purpose"] != "spare":
            step = "read" if b["purpose"] == "ph" else "bake"
            used = at[step, b["ball_id"]].astimezone(UTC)
            spent = used - at["ball", b["batch_id"]].astimezone(UTC)
            out.append(spent.total_seconds() / 60 - b["hold_h"] * 60)
    return out


# ---- the demo: 24 batches, 4 mixing days, 144 balls used


@pytest.fixture(scope="module")
def demo():
    formula = read_formula(DEMO / "formula.toml")
    plan = build_plan(read_settings(DEMO / "trial.toml"), formula=formula)
    return plan, formula, lay_calendar(plan, formula=formula, seconds=300)


def test_a_case_of_24_batches_is_proven_and_passes_its_replay(demo):
    plan, formula, week = demo
    assert len(plan.batches) == 24 and week.proven and week.tidy and week.gap == (0, 0, 0)
    assert replay(week.plan, formula=formula) == []
    assert max(abs(m) for m in off_hold_min(week.plan)) <= 30
    assert week.plan.batches == plan.batches
    assert [b["ball_id"] for b in week.plan.balls] == [b["ball_id"] for b in plan.balls]


def test_the_demo_serves_as_many_holds_together_as_any_dates_can(demo):
    """Every set of four dates in three weeks, Mondays closed: at best 8 of 12 holds meet."""
    _, _, week = demo
    first = date(2026, 3, 2)
    best = 0
    for days in combinations(range(21), 4):
        if any((first + timedelta(d)).weekday() == 0 for d in days):
            continue
        served = {}
        for d, hold in product(days, (1, 2, 3)):
            served.setdefault(d + hold, []).append(hold)
        if all((first + timedelta(d)).weekday() for d in served):
            met = sum(len(h) for h in served.values() if len(h) > 1)
            if met > best:
                best, sessions = met, len(served)
    assert (best, sessions) == (8, 8)
    assert week.aims.alone == 12 - best and len(week.plan.sessions) == sessions


def test_codes_and_places_are_drawn_again(demo):
    plan, _, week = demo
    for session in week.plan.sessions:
        codes = [b["blind_code"] for b in week.plan.balls
                 if b["session"] == session and b["purpose"] == "bake"]  # fmt: skip
        assert len(set(codes)) == len(codes) and None not in codes
    assert all(b["place"].startswith("shelf ") for b in week.plan.balls)
    assert {b["purpose"] for b in week.plan.balls if b["session"] is None} == {"spare"}
    first = week.plan.sessions[0]
    orders = week.plan.serving_orders(first)
    assert set(orders) == set(plan.settings.panel.judges)


# ---- small kitchens against every calendar there is


def every_calendar(settings, batches, holds, *, to_ball=30, warm=90, read=10):
    """Search dates, mixes and uses of a kitchen with one mixer, without a cooler limit.

    Written from the words of the settings alone; yields nothing but the best found: (holds
    alone, working days, end in half days), and the least sum of mixing minutes with it.
    """
    k, zone = settings.kitchen, ZoneInfo(settings.timezone)
    first = date.fromisoformat(settings.blocks.start_on)
    opens, closes = (int(t[:2]) * 60 + int(t[3:]) for t in (k.open_at, k.close_at))
    shut = {("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun").index(d) for d in k.closed}
    slots = range(opens, closes, k.grid_min)

    def moment(day, minute):
        at = datetime.combine(first + timedelta(day), datetime.min.time(), zone)
        return (at.replace(hour=minute // 60, minute=minute % 60)).astimezone(UTC)

    def inside(at, minutes):
        local = at.astimezone(zone)
        m = local.hour * 60 + local.minute
        return local.weekday() not in shut and opens <= m and m + minutes <= closes

    best = None
    days_of = [n for n, count in enumerate(batches) for _ in range(count)]
    for dates in combinations(range(12), len(batches)):
        if dates[0] > 6 or any((first + timedelta(d)).weekday() in shut for d in dates):
            continue
        for mixes in product(slots, repeat=len(days_of)):
            if any(
                a == b and y < x + k.mix_min
                for (a, x), (b, y) in zip(
                    zip(days_of, mixes, strict=True),
                    list(zip(days_of, mixes, strict=True))[1:],
                    strict=False,
                )
            ):
                continue
            starts = [moment(dates[n], m) for n, m in zip(days_of, mixes, strict=True)]
            balled = [s + timedelta(minutes=to_ball) for s in starts]
            if not all(inside(s, to_ball) for s in starts):
                continue
            if not all(inside(b, 10) for b in balled):
                continue
            aims = judge(dates, days_of, balled, holds, zone, first, (opens + closes) / 2)
            score = (*aims, sum(mixes))
            if best is not None and score[:3] > best[:3]:
                continue
            if best is not None and score[:3] == best[:3] and score[3] >= best[3]:
                continue
            if fits(starts, balled, holds, k, inside, warm, read):
                best = score
    return best


def judge(dates, days_of, balled, holds, zone, first, middle):
    served, worked = {}, set(dates)
    for n in range(len(dates)):
        own = [b for b, d in zip(balled, days_of, strict=True) if d == n]
        for hold in holds:
            at = own[0] + (own[-1] - own[0]) / 2 + timedelta(hours=hold)
            local = at.astimezone(zone)
            key = ((local.date() - first).days, local.hour * 60 + local.minute >= middle)
            served.setdefault(key, []).append(hold)
            worked.add(key[0])
    alone = sum(len(h) for h in served.values() if len(set(h)) == 1)
    return alone, len(worked), max(2 * day + half for day, half in served)


def fits(starts, balled, holds, k, inside, warm, read):
    """Tell whether the uses can be laid so that hands are enough at every minute."""
    fixed = [(s, s + timedelta(minutes=20)) for s in starts]
    fixed += [(b, b + timedelta(minutes=10)) for b in balled]
    options = []
    for b in balled:
        for hold in holds:
            ideal, own = b + timedelta(hours=hold), []
            for off in range(-int(k.hold_tolerance_min), int(k.hold_tolerance_min) + 1, k.grid_min):
                at = ideal + timedelta(minutes=off)
                if inside(at, read) and inside(at - timedelta(minutes=warm), 0):
                    own.append((at, at + timedelta(minutes=read)))
            options.append(own)
    for chosen in product(*options):
        work = [*fixed, *chosen]
        if all(sum(a <= start < b for a, b in work) <= k.hands for start, _ in work):
            return True
    return False


FORMULA = Formula(steps=(("mix", 30.0), ("ball", 10.0)))
CASES = [
    ("two days, two people", {}, "hands = 2"),
    ("one pair of hands", {}, "hands = 1"),
    ("no tolerance", {}, "hands = 1\nhold_tolerance_min = 0"),
    ("a closed day", {}, 'closed = ["Tue"]\nhands = 1'),
    ("two closed days", {}, 'closed = ["Wed", "Thu"]'),
    ("clocks go forward", {"zone": "Europe/Rome", "start": "2026-03-27"}, "hands = 1"),
    ("half a day's hold", {"holds": (5, 24)}, "hands = 1"),
]


@pytest.mark.parametrize(("parts", "kitchen"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_a_small_calendar_is_the_best_of_all(parts, kitchen, small):
    hours = 'open_at = "09:00"\nclose_at = "16:00"\nmix_at = "09:00"\nmix_min = 30\ngrid_min = 30\n'
    settings = small(kitchen=hours + kitchen, days=2, **parts)
    plan = build_plan(settings, formula=FORMULA)
    week = lay_calendar(plan, formula=FORMULA)
    best = every_calendar(settings, (1, 1), settings.hold.values)
    assert best is not None and week.proven and week.tidy
    assert (week.aims.alone, week.aims.days, week.aims.end) == best[:3]
    mixed = [at for (step, _), at in due(week.plan).items() if step == "mix"]
    assert sum(m.hour * 60 + m.minute for m in mixed) >= best[3]
    assert replay(week.plan, formula=FORMULA) == []


def test_the_mixes_of_a_day_are_as_early_as_any(small):
    hours = 'open_at = "09:00"\nclose_at = "15:00"\nmix_at = "09:00"\nmix_min = 30\ngrid_min = 30\n'
    settings = small(kitchen=hours + "hands = 1", days=1, holds=(24, 25))
    plan = build_plan(settings, formula=FORMULA)
    week = lay_calendar(plan, formula=FORMULA)
    best = every_calendar(settings, (2,), (24.0, 25.0))
    mixed = [at for (step, _), at in due(week.plan).items() if step == "mix"]
    assert sum(m.hour * 60 + m.minute for m in mixed) == best[3]


# ---- clocks, nights, preferments, panels


def test_a_hold_is_exact_when_the_clocks_change(small_plan):
    """Europe/Rome goes forward at 02:00 on 29 March 2026 (IANA time zone database)."""
    plan = small_plan(zone="Europe/Rome", start="2026-03-28", days=1, kitchen="grid_min = 15")
    week = lay_calendar(plan)
    at = due(week.plan)
    assert set(off_hold_min(week.plan)) == {0.0}
    balled, used = at["ball", "B01"], at["read", "B01-1"]
    clock = (used.hour * 60 + used.minute) - (balled.hour * 60 + balled.minute)
    assert clock == 60 and used.utcoffset() - balled.utcoffset() == timedelta(hours=1)


def test_nobody_reads_at_night_unless_it_is_allowed(small_plan):
    hours = 'open_at = "09:00"\nclose_at = "17:00"\nmix_at = "09:00"\n'
    plan = small_plan(holds=(12, 13), days=1, kitchen=hours)
    with pytest.raises(CalendarImpossible, match=r"read_at_night = true in \[kitchen\]"):
        lay_calendar(plan)
    night = replace(plan.settings.kitchen, read_at_night=True)
    week = lay_calendar(replace(plan, settings=replace(plan.settings, kitchen=night)))
    used = [at for (step, _), at in due(week.plan).items() if step == "read"]
    assert all(at.hour >= 17 or at.hour < 9 for at in used)


def test_a_preferment_is_begun_in_the_opening_hours_of_the_evening_before(small):
    formula = Formula(steps=(("preferment", 900.0), ("mix", 15.0), ("rest", 30.0),
                             ("second mix", 10.0), ("bulk", 60.0), ("ball", 15.0)))  # fmt: skip
    plan = build_plan(small(days=2), formula=formula)
    week = lay_calendar(plan, formula=formula)
    assert replay(week.plan, formula=formula) == []
    at = due(week.plan)
    for batch in ("B01", "B02"):
        begun, mixed = at["preferment", batch], at["mix", batch]
        assert mixed - begun == timedelta(hours=15)
        assert begun.date() == mixed.date() - timedelta(days=1) and 9 <= begun.hour < 21
        assert at["ball", batch] - mixed == timedelta(minutes=115)


def test_a_warm_up_pair_is_read_when_it_is_taken_out_and_in_use(small):
    settings = small(replicates=2, more='[warm_up]\nrooms = ["bench", "store"]\nbatches = 4\n')
    week = lay_calendar(build_plan(settings))
    pairs = [b["ball_id"] for b in week.plan.balls if b["purpose"] == "pair"]
    assert len(pairs) == 8 and replay(week.plan) == []
    for ball in pairs:
        rows = [(r["step"], r["due_at"]) for r in week.plan.schedule if r["item"] == ball]
        assert [step for step, _ in rows] == ["take_out", "read", "read"]
        assert rows[0][1] == rows[1][1] and rows[2][1] - rows[0][1] == timedelta(minutes=90)
    rows = [r for r in week.plan.schedule if (r["step"], r["item"]) != ("read", pairs[0])]
    late = next(r for r in reversed(week.plan.schedule) if r["item"] == pairs[0])
    assert f"{pairs[0]} is not read when it is taken out." in replay(
        replace(week.plan, schedule=(*rows, late))
    )


def test_bakes_are_tasted_while_the_judges_are_there(small):
    more = SCORED + 'from_at = "13:00"\nuntil_at = "14:00"\n'
    plan = build_plan(small(more=more, replicates=2))
    week = lay_calendar(plan)
    bakes = [at for (step, _), at in due(week.plan).items() if step == "bake"]
    assert bakes and all(12 * 60 + 50 <= at.hour * 60 + at.minute <= 13 * 60 + 40 for at in bakes)


# ---- where nothing fits


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        (
            {"replicates": 2, "spares": 3, "kitchen": "cooler_places = 8\ngrid_min = 15"},
            "No calendar fits this kitchen (proven, on a grid of 15 minutes). The limit that "
            "breaks it: cooler_places = 8 in [kitchen] (balls that fit the cooler: 8). The "
            "cheapest way out: cooler_places = 10 in [kitchen], 2 more.",
        ),
        (
            {"days": 1, "kitchen": 'closed = ["Tue", "Thu", "Sat", "Sun"]\ngrid_min = 15'},
            "No calendar fits this kitchen (proven, on a grid of 15 minutes). The limit that "
            'breaks it: closed = ["Tue", "Thu", "Sat", "Sun"] in [kitchen] (closed days: Tue, Thu, '
            'Sat, Sun). The cheapest way out: closed = ["Thu", "Sat", "Sun"] in [kitchen], which '
            "opens Tue.",
        ),
        (
            {"spares": 3, "kitchen": "mixer_balls = 4\ngrid_min = 15"},
            "No calendar fits this kitchen (proven, on a grid of 15 minutes). The limit that "
            "breaks it: spares = 3 in [blocks] (spare balls in each batch: 3). The cheapest way "
            "out: spares = 2 in [blocks], 1 fewer.",
        ),
    ],
)  # fmt: skip
def test_an_impossible_calendar_names_the_limit_and_the_cheapest_way_out(parts, said, small):
    settings = small(**parts)
    plan = build_plan(settings)
    with pytest.raises(CalendarImpossible) as caught:
        lay_calendar(plan)
    assert str(caught.value) == said
    out = find_way_out(plan)
    assert out is not None and out.proven
    mended = build_plan(out.apply(settings))
    assert replay(lay_calendar(mended).plan) == []


@pytest.mark.parametrize(
    "parts",
    [
        {"days": 1, "kitchen": 'closed = ["Tue", "Thu", "Sat", "Sun"]\ngrid_min = 30'},
        {"spares": 3, "kitchen": "mixer_balls = 3\ngrid_min = 30"},
        {"replicates": 2, "spares": 3, "kitchen": "cooler_places = 8\ngrid_min = 30"},
    ],
)
def test_no_cheaper_change_of_one_limit_is_enough(parts, small):
    plan = build_plan(small(**parts))
    out = find_way_out(plan)
    assert out is not None and len(out.changes) == 1
    tried = 0
    for way in list_ways(plan.settings, list_work(plan)):
        for value in way.values:
            if way.price(value) < out.price - 1e-9:
                changed = way.apply(plan.settings, value)
                search = Search(changed, list_work(build_plan(changed)), list_times(changed))
                assert search.run(60, tidy=False) is None, way.words(value)
                tried += 1
    assert tried > 0


def test_several_limits_together_are_told_as_such(small):
    kitchen = 'open_at = "09:00"\nclose_at = "17:00"\nmixer_balls = 1\nclosed = ["Tue", "Wed"]'
    settings = small(days=1, holds=(12, 36), kitchen=kitchen + "\ngrid_min = 30")
    plan = build_plan(settings)
    with pytest.raises(CalendarImpossible) as caught:
        lay_calendar(plan)
    assert "No single limit is the reason; these are together: " in str(caught.value)
    assert "mixer_balls = 1 in [kitchen]" in str(caught.value)
    out = find_way_out(plan)
    assert out is not None and len(out.changes) > 1
    mended = replace(plan, settings=out.apply(settings))
    assert replay(lay_calendar(mended).plan) == []


def test_a_calendar_needs_a_first_day(small):
    settings = small()
    undated = replace(settings, blocks=replace(settings.blocks, start_on=""))
    with pytest.raises(PlanError) as caught:
        lay_calendar(build_plan(undated))
    assert str(caught.value) == (
        'A calendar needs its first mixing day: set start_on = "YYYY-MM-DD" in [blocks] of '
        "trial.toml."
    )


def test_no_time_at_all_is_said_and_not_guessed(small_plan):
    with pytest.raises(PlanError) as caught:
        lay_calendar(small_plan(), seconds=0)
    assert str(caught.value) == (
        "No calendar was found in 0 s, and none was ruled out. Look longer (--minutes 5), or take "
        "a wider grid_min in [kitchen] or fewer batches a day."
    )


# ---- any kitchen


@pytest.mark.parametrize("seed", range(6))
def test_the_replay_finds_nothing_in_any_kitchen(seed, small):
    draw = Random(seed)
    days = draw.sample(["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], draw.choice([0, 1]))
    lines = [
        f"hands = {draw.choice([2, 3])}",
        f"mixers = {draw.choice([1, 2])}",
        f"grid_min = {draw.choice([15, 30])}",
        f"oven_slots_per_h = {draw.choice([2, 6])}",
        f"cooler_places = {draw.choice([24, 40])}",
        f"warm_places = {draw.choice([8, 12])}",
        f"hold_tolerance_min = {draw.choice([15, 45])}",
        f"mix_min = {draw.choice([20, 40])}",
        "closed = [" + ", ".join(f'"{d}"' for d in days) + "]",
    ]
    holds = draw.choice([(24, 48), (6, 24), (18, 42, 72)])
    zone, start = draw.choice([("UTC", "2026-06-01"), ("America/New_York", "2026-10-30")])
    settings = small(zone=zone, start=start, holds=holds, days=2, replicates=draw.choice([1, 2]),
                     spares=draw.choice([0, 1]), kitchen="\n".join(lines),
                     more=draw.choice(["", SCORED]))  # fmt: skip
    plan = build_plan(settings, seed=seed)
    try:
        week = lay_calendar(plan, seconds=60)
    except CalendarImpossible as error:  # the way out has tests of its own
        assert "cheapest way out" in str(error)
    else:
        assert replay(week.plan) == [] and week.proven


def test_a_calendar_that_is_not_proven_says_how_far_it_may_be_from_the_best(small):
    plan = build_plan(small())
    week = WeekPlan(plan, Aims(3, 6, 9), False, Aims(2, 5, 7), False, 20.0, early_min=100.0)
    assert week.gap == (1, 1, 2) and len(plan.batches) == 2  # 50 for each
    assert week.notes == (
        "Times stand on a grid of 10 minutes; holds are exact within 30 minutes.",
        "Not proven, the time was up. Reached: holds that meet no other hold in their session: 3, "
        "6 working days, the last session on Fri 2026-06-05. At best: holds that meet no other "
        "hold in their session: 2, 5 working days, the last session on Thu 2026-06-04.",
        "The hours fit every limit. Not proven, since 20 s were up: that mixes stand as early as "
        "they can (at most 50 minutes earlier each, on average). To look longer: --minutes 5.",
    )
    unknown = replace(week, best=None, early_min=0.0)
    assert unknown.notes[1].endswith("the last session on Fri 2026-06-05.")
    assert "that no hold could be nearer to what was asked" in unknown.notes[2]


def test_where_the_time_is_up_the_mixing_days_are_set_apart_and_it_is_said(small, monkeypatch):
    """No time for the best dates: each day then begins after all of the one before is used."""
    monkeypatch.setattr(calendar, "AIMS_SHARE", 0.0)
    week = lay_calendar(build_plan(small(holds=(24, 48), days=3, replicates=3)))
    assert replay(week.plan) == [] and not week.proven and week.best is None
    assert week.notes[1].startswith("Not proven, the time was up. Reached:")
    block = {b["batch_id"]: b["block"] for b in week.plan.batches}
    block |= {b["ball_id"]: block[b["batch_id"]] for b in week.plan.balls}
    dates = {}
    for row in week.plan.schedule:
        dates.setdefault(block[row["item"]], set()).add(row["due_at"].date())
    spans = sorted((min(d), max(d)) for d in dates.values())
    assert len(spans) == 3
    assert all(before[1] < after[0] for before, after in pairwise(spans))


def test_days_that_share_no_date_are_solved_apart_and_the_same_hours_are_found(small, monkeypatch):
    """Solving all days at once is the reference: same aims, same sums of mixing minutes."""
    settings = small(
        holds=(20, 24), days=3, replicates=3, kitchen='closed = ["Wed", "Thu"]\nhands = 1'
    )
    plan = build_plan(settings)
    apart = lay_calendar(plan)
    monkeypatch.setattr(Search, "_groups", lambda self, choices, kept: [list(kept)])
    whole = lay_calendar(plan)
    assert apart.proven and whole.proven and apart.tidy and whole.tidy
    assert apart.aims == whole.aims
    minutes = [
        sum(at.hour * 60 + at.minute for (step, _), at in due(w.plan).items() if step == "mix")
        for w in (apart, whole)
    ]
    assert minutes[0] == minutes[1]


def test_dates_that_are_not_proven_are_never_called_proven(small, monkeypatch):
    """The time of the dates was up: what they reach is said, and that it is not proven."""
    solve = DateProgram.solve
    monkeypatch.setattr(
        DateProgram, "solve", lambda self, s: replace(solve(self, s), status=UNKNOWN)
    )
    week = lay_calendar(build_plan(small()))
    assert not week.proven and week.best is None and replay(week.plan) == []
    assert week.notes[1].startswith("Not proven, the time was up. Reached:")


@pytest.mark.parametrize(("start", "programs"), [("2026-06-02", 1), ("2026-03-24", 2)])
def test_hours_of_the_same_shape_are_found_once_except_over_a_change_of_the_clocks(
    small, monkeypatch, start, programs
):
    """Europe/Rome, mixed on Tuesdays and used on Wednesdays; 29 March 2026 has 23 hours (IANA)."""
    count = []
    solve = HourProgram.solve
    monkeypatch.setattr(HourProgram, "solve", lambda self, s: count.append(1) or solve(self, s))
    holds = (24, 96) if programs == 2 else (22, 24)
    closed = '["Thu", "Fri", "Mon"]' if programs == 2 else '["Mon", "Thu", "Fri", "Sat", "Sun"]'
    settings = small(zone="Europe/Rome", start=start, days=2, replicates=2, holds=holds,
                     kitchen=f"closed = {closed}\ngrid_min = 30")  # fmt: skip
    monkeypatch.setattr(Search, "_groups", lambda self, choices, kept: [[d] for d in kept])
    week = lay_calendar(build_plan(settings))
    assert replay(week.plan) == [] and len(set(off_hold_min(week.plan))) == 1
    assert len(count) == programs


def test_an_unfinished_search_for_a_way_out_says_so(small_plan):
    """Where the time is up, nothing is claimed about longer hours or more hands."""
    plan = small_plan(replicates=2, spares=3, kitchen="cooler_places = 8\ngrid_min = 30")
    said = explain(plan, seconds=0)
    assert said == (
        "No calendar fits this kitchen (proven, on a grid of 30 minutes). Which limit to change "
        "was not found in 0 s: look longer (--minutes 5), or mix fewer batches a day (days in "
        "[blocks])."
    )


def test_a_trial_with_one_hold_says_nothing_of_meeting(small):
    settings = small()
    factors = {n: f for n, f in settings.factors.items() if n != "hold"}
    week = lay_calendar(build_plan(replace(settings, factors=factors)))
    assert week.notes[1] == (
        "Proven: no calendar does better in this order: 2 working days, the last session on Tue "
        "2026-06-02."
    )
    assert replay(week.plan) == []


def test_the_last_minute_of_the_opening_hours_is_used_where_it_must_be(small):
    """By hand: warm-up from 09:00 ends at 10:30, a reading of 10 minutes at 10:40, closing time."""
    hours = 'open_at = "09:00"\nclose_at = "10:40"\nmix_at = "09:00"\nmix_min = 30'
    plan = build_plan(small(kitchen=hours), formula=FORMULA)
    week = lay_calendar(plan, formula=FORMULA)
    reads = {at.strftime("%H:%M") for (step, _), at in due(week.plan).items() if step == "read"}
    assert reads == {"10:30"}
