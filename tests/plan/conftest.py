"""Settings of invented trials, small and large, for the tests of the plan room."""

from dataclasses import replace

import pytest

from doughlab.plan.plan import build_plan
from doughlab.settings import parse_settings

TRIAL = """
format = 1
name = "Invented kitchen"
code = "INV"
timezone = "America/New_York"
seed = 7
source = "invented"

[[questions]]
text = "Which water?"
factor = "water"
response = "ph"

[[questions]]
text = "Which hold?"
factor = "hold"
response = "ph"
primary = false

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "reverse osmosis", "bottled"]

[factors.mixing_water]
set = "batch"
kind = "number"
levels = ["54 F", "64 F"]
unit = "temp_c"
title = "mixing water"

[factors.hydration]
set = "batch"
kind = "number"
levels = [60, 65]
unit = "pct"

[factors.hold]
set = "ball"
kind = "number"
levels = [24, 48, 72]
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.10
low = 4
high = 7
use_hold_h = 48

[responses.score]
table = "scores"
column = "score"
unit = "score"
kind = "score"
margin = 1.0
low = 0
high = 10
title = "bake score"

[rubric.crust]
title = "Crust"

[blocks]
kind = "day"
days = 4
batches_per_day = 6
replicates = 2
spares = 1
start_on = "2026-03-02"

[kitchen]
mixers = 1
cooler_places = 120
shelves = 4
open_at = "09:00"
close_at = "21:00"
mix_at = "10:00"
mix_min = 40
warm_min = 90

[panel]
judges = ["J1", "J2", "J3", "J4"]
samples_per_session = 18

[assumed.ph]
batch_sd = 0.05
ball_sd = 0.03

[assumed.score]
batch_sd = 0.4
ball_sd = 0.5
judge_sd = 1.0
"""


def read(text):
    settings, problems = parse_settings(text)
    assert settings is not None, [str(p) for p in problems]
    return settings


@pytest.fixture(scope="session")
def kitchen():
    """The whole invented trial: 24 batches on 4 mixing days, holds of 24, 48 and 72 h."""
    return read(TRIAL)


@pytest.fixture(scope="session")
def change(kitchen):
    """Change whole parts of the invented trial: change(blocks={...}, kitchen={...}, ...)."""

    def changed(settings=kitchen, **parts):
        made = {}
        for name, value in parts.items():
            old = getattr(settings, name)
            fields = isinstance(value, dict) and hasattr(old, "__dataclass_fields__")
            made[name] = replace(old, **value) if fields else value
        return replace(settings, **made)

    return changed


@pytest.fixture(scope="session")
def without(kitchen, change):
    """Take factors or responses out of the invented trial, with the questions about them."""

    def fewer(*names, settings=kitchen):
        factors = {n: f for n, f in settings.factors.items() if n not in names}
        responses = {n: r for n, r in settings.responses.items() if n not in names}
        if "hold" in names:
            responses = {n: replace(r, use_hold_h=None) for n, r in responses.items()}
        questions = tuple(
            q for q in settings.questions if q.factor in factors and q.response in responses
        )
        return change(settings, factors=factors, responses=responses, questions=questions)

    return fewer


SMALL = """
format = 1
name = "Small"
code = "SM"
timezone = "{zone}"
seed = {seed}

[factors.water]
set = "batch"
kind = "category"
levels = ["a", "b"]

[factors.hold]
set = "ball"
kind = "number"
levels = {holds}
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
margin = 0.1

[blocks]
days = {days}
replicates = {replicates}
spares = {spares}
start_on = "{start}"

[kitchen]
{kitchen}
"""


@pytest.fixture(scope="session")
def small_text():
    """The trial.toml of a small kitchen: lines of [kitchen], and `more` whole sections."""

    def made(*, zone="UTC", seed=1, holds=(24, 48), days=2, replicates=1, spares=0,
             start="2026-06-01", kitchen="", more=""):  # fmt: skip
        text = SMALL.format(zone=zone, seed=seed, holds=list(holds), days=days,
                            replicates=replicates, spares=spares, start=start,
                            kitchen=kitchen)  # fmt: skip
        return text + more

    return made


@pytest.fixture(scope="session")
def small(small_text):
    """The settings of a small kitchen."""
    return lambda **parts: read(small_text(**parts))


@pytest.fixture(scope="session")
def small_plan(small):
    """The plan of a small kitchen."""
    return lambda **parts: build_plan(small(**parts))
