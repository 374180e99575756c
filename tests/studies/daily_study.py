"""Balls inside the window with the daily advice and with fixed hours, over invented months.

    python tests/studies/daily_study.py [MONTHS]

Writes tests/studies/daily_study.csv. The kitchen is that of tests/daily/plant.py: another curve and
another clock than the recipe's, a cooler that drifts, a hot week. One lot a day, two balls read at
the checkpoint. Fixed hours: every lot is used then. With advice: a lot above the window is warmed
on for the minutes that are told, or baked later where none are; water changes as it is told.
"""

import csv
import importlib.util
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

from doughlab.daily.advice import advise_today, advise_water, hours_until
from doughlab.daily.journals import DailyRecords
from doughlab.daily.standing import find_standing
from doughlab.formula.heat import FILMS
from doughlab.formula.steps import usual_body
from doughlab.formula.warmup import WarmPair, Warmth, fit_warm_up

HERE = Path(__file__).parent
TABLE = HERE / "daily_study.csv"
DAYS, LIMIT_H, LAST_H, BALLS = 30, 4.0, 60.0, 8
WATER_SLOPE = -0.02  # pH for 1 °C of mixing water, in the kitchen
COLUMNS = ("seed", "balls", "fixed", "advised", "warmed", "later", "water_changes", "over_limit")


def load_plant():
    name = "doughlab_tests_plant"
    if name not in sys.modules:
        path = HERE.parent / "daily" / "plant.py"
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def learn_warm_up(plant):
    """Pairs as a kitchen would read them: four lots in two rooms, 20 and 110 min out."""
    rng, pairs = np.random.default_rng(1), []
    for i, room in enumerate((18.0, 18.0, 24.0, 24.0)):
        k = plant.Kitchen(room_c=room)
        read = []
        for out in (20.0, 110.0):
            hold = 46.5 + out / 60.0
            hours = plant.ripened(replace(k, warm_h=out / 60.0), hold, lambda _, c=k.cooler_c: c)
            read.append(float(plant.ph_of(hours) + rng.normal(0, 0.005)))
        pairs.append(WarmPair(f"P{i}", f"P{i}", room, 20.0, 110.0, *read))
    return fit_warm_up(pairs, body=usual_body(), film=FILMS["box"], cooler_c=3.6)


def weather(rng):
    """Cooler and room of every day: a cooler that drifts, one hot week; never above 5 °C."""
    drift = rng.uniform(-2.5, 1.0) * np.clip((np.arange(DAYS + 3) - rng.integers(3, 18)) / 8, 0, 1)
    room = 21.0 + rng.normal(0, 0.7, DAYS + 3)
    start = rng.integers(0, DAYS - 6)
    room[start : start + 7] += 6.0
    cooler = 3.6 + drift
    cooler[start : start + 7] += 0.5
    return np.minimum(cooler, 4.9), room


def run_month(plant, seed, *, recipe, model):
    """Follow one month; give a row of the table."""
    rng = np.random.default_rng(seed)
    coolers, rooms = weather(rng)
    found = dict.fromkeys(COLUMNS, 0) | {"seed": seed}
    water, waters = 15.0, []
    lots, readings = {}, []
    for day in range(DAYS):
        waters.append(water)
        own = waters[max(0, day - 2)]  # mixed two days ago
        off = rng.normal(0, plant.Kitchen().lot_sd)
        balls = rng.normal(0, plant.Kitchen().ball_sd, BALLS + 2)

        def mean(more_warm_h=0.0, later_h=0.0, *, wet=own, day=day, off=off):
            k = plant.Kitchen(room_c=rooms[day], warm_h=1.5 + more_warm_h)
            at = lambda hour: coolers[min(DAYS + 2, day + int(hour // 24))]  # noqa: E731
            hours = plant.ripened(k, 48.0 + more_warm_h + later_h, at)
            return float(plant.ph_of(hours)) + WATER_SLOPE * (wet - 15.0) + off

        at = plant.START + timedelta(days=day)
        now = mean()
        name = f"L{day:02d}"
        lots[name] = plant.lot_row(name, at - timedelta(hours=48, minutes=42), water_temp_c=own)
        both = [round(now + b, 2) for b in balls[-2:]]
        cold = round(float(coolers[day + 1]), 1)
        readings += [plant.reading_row(name, at, ph, room_c=float(rooms[day]), cooler_c=cold)
                     for ph in both]  # fmt: skip
        warmth = Warmth(sum(both) / 2, float(rooms[day]), warmed_min=90.0, spent_h=2.5,
                        limit_h=LIMIT_H, cooler_c=cold)  # fmt: skip
        today = advise_today(recipe, warmth, hold_h=48.0, max_hold_h=96.0, model=model)
        used = now
        if today.kind == "warm":
            used = mean(more_warm_h=today.minutes / 60.0)
            found["warmed"] += 1
            found["over_limit"] += warmth.spent_h + today.high_min / 60.0 > LIMIT_H + 1e-9
        elif today.kind in {"cannot", "stop"} and warmth.ph > recipe.high:
            wait = hours_until(recipe, warmth.ph, recipe.high, sd=0.01)[0]
            used = mean(later_h=min(wait + 1.0, LAST_H - 48.0))
            found["later"] += 1
        fixed = now if not found["water_changes"] else mean(wet=15.0)
        found["balls"] += BALLS
        found["fixed"] += inside(recipe, fixed + balls[:BALLS])
        found["advised"] += inside(recipe, used + balls[:BALLS])
        records = DailyRecords(lots, readings)
        advice = advise_water(recipe, find_standing(recipe, records), records)
        if advice is not None and advice.wanted_c != water:
            water = advice.wanted_c
            found["water_changes"] += 1
    return found


def inside(recipe, values):
    return int(((values >= recipe.low) & (values <= recipe.high)).sum())


def run(months, *, first=0):
    plant = load_plant()
    recipe, model = plant.settled(), learn_warm_up(plant)
    return [run_month(plant, first + n, recipe=recipe, model=model) for n in range(months)]


def main(words):
    rows = run(int(words[0]) if words else 500)
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    balls = sum(r["balls"] for r in rows)
    print({k: round(sum(r[k] for r in rows) / balls, 4) for k in ("fixed", "advised")})
    print({k: sum(r[k] for r in rows) for k in COLUMNS[4:]})


if __name__ == "__main__":
    main(sys.argv[1:])
