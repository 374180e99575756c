"""Every time that `ripe` names for warming ends at the kitchen's limit, whatever is asked.

The ceiling is design section 9: the user's limit of time at room temperature in all, the time
before the cooler counted; a cooler above 5 C ends every word on warming and pH.
"""

import argparse
import re
from datetime import timedelta
from itertools import product

import pytest

from doughlab.commands import ripe

TIME = r"(?:(\d+) h ?(\d+)?|(\d+) min)"


def ask(*words):
    parser = argparse.ArgumentParser()
    ripe.add_arguments(parser)
    return ripe.run(parser.parse_args([str(w) for w in words]))


def minutes(told):
    """Minutes of "1 h 30", "2 h" or "45 min"."""
    hours, more, alone = told
    return int(alone) if alone else 60 * int(hours) + int(more or 0)


def warm_times(shown):
    """Every number of minutes that is named as a time in the room still to come."""
    found = []
    for words in re.findall(r"it reaches \S+ \S+ in ([^)]*\))", shown):
        found += [minutes(t) for t in re.findall(TIME, words)]
    for value, low, high in re.findall(r"More warm-up: (\d+) min \((\d+) to (\d+)\)", shown):
        found += [int(value), int(low), int(high)]
    return found + [int(n) for n in re.findall(r"take it out (\d+) min before use", shown)]


def test_no_time_that_is_named_passes_the_limit(make_trial):
    folder, plan, balled = make_trial()
    ball = next(str(b["ball_id"]) for b in plan.balls if b["purpose"] == "spare")
    when = (balled[ball.split("-")[0]] + timedelta(hours=30)).isoformat(timespec="minutes")
    toml = (folder / "trial.toml").read_text()
    named = 0
    for limit, room, core in product((4.0, 2.2, 1.3, 1.02, 0.5), ("19", "23"), ("9", "14")):
        (folder / "trial.toml").write_text(toml.replace("warm_h = 4", f"warm_h = {limit}"))
        said = ask(ball, folder, "--at", when, "--room", room, "--core", core, "--ph", "5.78")
        shown = " ".join(" ".join(said.found).split())
        left = max((limit - said.data["warm_h"]) * 60, 0.0)
        times = warm_times(shown)
        named += len(times)
        assert all(t <= left + 0.5 for t in times), (limit, room, core, shown)  # told in minutes
        assert 60 * said.data.get("core_ready_h", 0.0) <= left
        if not times:
            assert "follow the food-safety plan of the kitchen" in shown
    assert named > 20


@pytest.mark.parametrize("ph", [None, "5.78", "5.50", "5.20"])
def test_a_cooler_above_5_c_names_no_time_at_all(make_trial, ph):
    folder, plan, balled = make_trial(cooler_c=5.3)
    ball = next(str(b["ball_id"]) for b in plan.balls if b["purpose"] == "spare")
    when = (balled[ball.split("-")[0]] + timedelta(hours=30)).isoformat(timespec="minutes")
    more = [] if ph is None else ["--ph", ph]
    said = ask(ball, folder, "--at", when, "--room", "21", "--core", "12", *more)
    shown = " ".join(" ".join(said.found).split())
    assert warm_times(shown) == [] and said.next == []
    assert "no advice on pH or warm-up; follow the food-safety plan of the kitchen" in shown
    assert not {"advice", "core_ready_h", "opens_h", "expected"} & set(said.data)
