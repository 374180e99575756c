"""Ready trials: complete folders for questions that every kitchen meets sooner or later.

`new` writes one with --for. Texts stand in templates/ready; every number of a water is invented
and says so, to be replaced. Planning is left to `plan`.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from string import Template
from typing import Any

from doughlab.errors import UnknownName

INVENTED = "invented: put your own report, label or titration here"


@dataclass(frozen=True)
class Ready:
    """One ready trial.

    Attributes
    ----------
    title, code : str
        Name and label code of the trial.
    about : str
        What it is for, in a few words.
    waters : tuple of str
        Ids in waters.csv.
    balls : int
        Balls for pH per batch and hold.
    scored : bool
        Whether a panel scores bakes.
    use_hold_h : str
        Hold at which levels are compared; empty without a hold.
    by_hand : bool
        Whether the dough is scored under the hands, in place of the bake.
    days : tuple of str
        What to do on each day, where the trial is a week of its own.
    """

    title: str
    code: str
    about: str
    waters: tuple[str, ...] = ("tap",)
    balls: int = 1
    scored: bool = True
    use_hold_h: str = ""
    by_hand: bool = False
    days: tuple[str, ...] = ()


FIRST_WEEK = (
    "day 1: read both buffers; titrate the tap water (doughlab water titrate tap); mix two "
    "batches, and write down room, flour, water, dough and minutes of each",
    "day 2: mix two batches as on day 1, from the same flour; read two balls of each batch of "
    "day 1",
    "day 3: mix two more; read what is 24 and 48 h old; the cooler's temperature each time",
    "day 4: mix the last two; read what is 24 and 48 h old",
    "day 5: read what is 24 and 48 h old; bake the spare balls and look at them",
    "day 6: read the last balls; read one buffer again, and say how far the meter moved",
    "day 7: doughlab analyse and doughlab overview: how far days, batches and balls differ; "
    "doughlab mix: how much your mixer warms the dough. The next trial takes the spreads: "
    "assumed_from in its trial.toml, in place of its [assumed.ph]",
)

READY: dict[str, Ready] = {
    "choose-water": Ready("Which water", "WATER", "which water to build the dough on",
                          ("tap", "reverse osmosis", "bottled"), use_hold_h="48"),
    "water-ph": Ready("Source or pH", "WPH", "a water's pH, or the rest of it",
                      ("tap", "bottled"), scored=False, use_hold_h="48"),
    "hardness-back": Ready("Hardness added back", "HARD", "osmosis water with hardness added back",
                           ("tap", "reverse osmosis", "ro hardness 60", "ro hardness 120"),
                           use_hold_h="48"),
    "hold-temperature": Ready("Temperature and hold", "HOLD", "how cold to mix, how long to keep",
                              use_hold_h="48"),
    "first-week": Ready("First week", "WEEK", "seven days from nothing: meter, water, mixer",
                        balls=2, scored=False, use_hold_h="48", days=FIRST_WEEK),
    "pilot": Ready("Pilot", "PILOT", "how far batches differ by themselves", balls=3,
                   scored=False),
    "scale-up": Ready("Scale-up bridge", "SCALE", "service-size batches against trial size",
                      use_hold_h="48"),
    "flour-lot": Ready("Flour lot", "FLOUR", "a new flour lot before service", balls=3,
                       scored=False),
    "meter-study": Ready("Meter study", "METER", "persons and meters reading the same balls",
                         balls=5, scored=False),
    "dough-by-hand": Ready("Dough by hand", "HAND", "how a dough handles, scored by blind code",
                           use_hold_h="48", by_hand=True),
}  # fmt: skip

_SAMPLES: dict[str, dict[str, Any]] = {
    "tap": {"kind": "tap", "ph": 7.8, "temp_c": 14.0, "alkalinity_mg_l": 150.0,
            "calcium_mg_l": 58.0, "magnesium_mg_l": 9.0, "sodium_mg_l": 18.0},
    "reverse osmosis": {"kind": "reverse osmosis", "ph": 6.2, "temp_c": 14.0,
                        "alkalinity_mg_l": 8.0, "calcium_mg_l": 1.0, "magnesium_mg_l": 0.3,
                        "sodium_mg_l": 4.0},
    "bottled": {"kind": "bottled", "ph": 7.2, "temp_c": 14.0, "alkalinity_mg_l": 240.0,
                "calcium_mg_l": 80.0, "magnesium_mg_l": 22.0, "sodium_mg_l": 7.0},
    "ro hardness 60": {"kind": "adjusted", "ph": 6.4, "temp_c": 14.0, "alkalinity_mg_l": 8.0,
                       "calcium_mg_l": 18.0, "magnesium_mg_l": 4.0, "sodium_mg_l": 4.0,
                       "treatment": "reverse osmosis, calcium chloride and magnesium sulphate "
                                    "weighed in"},
    "ro hardness 120": {"kind": "adjusted", "ph": 6.4, "temp_c": 14.0, "alkalinity_mg_l": 8.0,
                        "calcium_mg_l": 36.0, "magnesium_mg_l": 7.5, "sodium_mg_l": 4.0,
                        "treatment": "reverse osmosis, calcium chloride and magnesium sulphate "
                                     "weighed in"},
}  # fmt: skip

_HEAD = """# $title: $about.
# A ready trial: everything may be edited until a plan is kept (doughlab plan --keep).
# The waters in waters.csv are invented: put your own there first.
format = 1
name = "$title"
code = "$code"
dough = "house dough"
timezone = "$timezone"
seed = $seed                 # the seed of every random order
source = "own"              # own, invented or published: stated in the report

"""

_FORMULA = """# The dough in baker's percentages: flour is 100. The numbers are common practice
# without a source: put your own. A factor of the same name takes their place.

format = 1
name = "house dough"

[percent]
hydration = 62
salt = 2.5
yeast = 0.3

[batch]
ball_g = 260
loss_pct = 1.5              # dough that never becomes a ball, per cent

[[steps]]
name = "mix"
minutes = 15

[[steps]]
name = "rest"
minutes = 20

[[steps]]
name = "ball"
minutes = 10
"""


def find_ready(name: str) -> Ready:
    """Look a ready trial up.

    Raises
    ------
    UnknownName
        With the nearest name and all others.

    Examples
    --------
    >>> find_ready("pilot").about
    'how far batches differ by themselves'
    """
    if name not in READY:
        raise UnknownName("ready trial", name, READY)
    return READY[name]


def ready_trial(name: str, *, start_on: str, timezone: str, seed: int) -> str:
    """Write the trial.toml of a ready trial.

    Parameters
    ----------
    name : str
        One of `READY`.
    start_on : str
        First mixing day, as 2026-03-02.
    timezone : str
        IANA name.
    seed : int

    Returns
    -------
    str
        Complete and commented.
    """
    ready = find_ready(name)
    use = ""
    if ready.use_hold_h:
        use = (
            f"use_hold_h = {ready.use_hold_h}             # the hold at which levels are compared\n"
        )
    scored = ["hand", "hand_panel"] if ready.by_hand else ["bake", "panel"]
    parts = [name, "ph", *(scored if ready.scored else []), "kitchen", "assumed"]
    parts += ["assumed_hand" if ready.by_hand else "assumed_bake"] if ready.scored else []
    place = files("doughlab.commands") / "templates" / "ready"
    body = "\n".join((place / f"{p}.toml").read_text(encoding="utf-8") for p in parts)
    return Template(_HEAD + body).substitute(
        title=ready.title, about=ready.about, code=ready.code, timezone=timezone, seed=seed,
        start_on=start_on, balls=ready.balls, use=use,
    )  # fmt: skip


def ready_waters(name: str) -> list[dict[str, Any]]:
    """Give the rows of waters.csv of a ready trial; each says that it is invented.

    Examples
    --------
    >>> [row["water_id"] for row in ready_waters("water-ph")]
    ['tap', 'bottled']
    """
    return [{"water_id": w, **_SAMPLES[w], "said_by": INVENTED} for w in find_ready(name).waters]


def ready_formula() -> str:
    """Give the text of formula.toml of a ready trial."""
    return _FORMULA
