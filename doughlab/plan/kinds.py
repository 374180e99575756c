"""What kind of plan it is: what it mixes, what it leaves out, and what that costs.

`facts` shows the sentences before anything is written, and the report repeats them. A plan of all
combinations needs none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from doughlab.designed import BEHNKEN, COMPOSITE, FACE, FRACTION, LATIN, ORTHOGONAL, SEARCH, STEPS
from doughlab.levels import axial_distance, count_corners, moved_numbers
from doughlab.plan.factors import list_day_settings
from doughlab.plan.fractions import Fraction, find_fraction
from doughlab.plan.meters import say_readings
from doughlab.plan.rough import say_roughly
from doughlab.plan.runs import list_runs
from doughlab.plan.searching import judge_search, variance_ratios
from doughlab.plan.steps import count_crossed

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.sections import Factor
    from doughlab.settings import Settings

_PARTS = {2: "a half", 4: "a quarter", 8: "an eighth", 16: "a sixteenth"}
_TOLD = {
    3: "what one setting does may be mixed up with what two others do together",
    4: "single settings are told from pairs, but not every pair from every other",
}


def describe_kind(settings: Settings, plan: Plan) -> tuple[str, ...]:
    """Say what kind of plan it is, in a few sentences without a full stop.

    Parameters
    ----------
    settings : Settings
    plan : Plan

    Returns
    -------
    tuple of str
        Empty for a plan of all combinations.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> describe_kind(trial.settings, trial.frozen_plan)  # every combination: nothing to explain
    ()
    """
    kind = settings.plan.design
    return (*_kind_words(settings, plan, kind), *_left_out(settings, kind))


def _left_out(settings: Settings, kind: str) -> tuple[str, ...]:
    """Say that forbidden combinations are missing where a plan rests on all of its batches."""
    if kind not in (FRACTION, COMPOSITE, BEHNKEN) or not settings.forbidden:
        return ()
    whole = count_runs(replace(settings, forbidden=()))
    left = whole - count_runs(settings)
    if not left:
        return ()
    return (
        f"{left} of its {whole} combinations are forbidden and left out, so it tells less than "
        'said here; design = "search" plans around them',
    )


def count_runs(settings: Settings) -> int:
    """Count the combinations that a plan mixes, repeats left out."""
    return sum(len(list_runs(settings, day)) for day in list_day_settings(settings))


def _kind_words(settings: Settings, plan: Plan, kind: str) -> tuple[str, ...]:
    if kind == STEPS:
        return _steps(settings, plan)
    if kind == LATIN:
        return (
            "every setting is mixed on every day, and once at each place of the day in each "
            "square (a Latin square)",
        )
    if kind == COMPOSITE:
        return _composite(settings)
    if kind == BEHNKEN:
        return _behnken(settings)
    if kind == SEARCH:
        return _searched(settings, plan)
    fraction = find_fraction(settings)
    said = _fraction(settings, fraction) if fraction is not None else ()
    study = say_readings(settings, plan)
    return (*said, *_middle(settings), *(study or say_roughly(settings, plan)))


def _names(settings: Settings, names: tuple[str, ...]) -> str:
    return " x ".join(settings.factors[n].words for n in names)


def _fraction(settings: Settings, fraction: Fraction) -> tuple[str, ...]:
    """Say size, resolution, what never changes, and what is not told apart."""
    k, runs = len(fraction.names), len(fraction.codes())
    part = _PARTS.get(2**k // runs, f"1 in {2**k // runs}")
    told = _TOLD.get(fraction.resolution, "single settings and pairs are all told apart")
    words = [
        ("-" if w.startswith("-") else "") + _names(settings, tuple(w.lstrip("-").split("*")))
        for w in fraction.defining
    ]
    said = [
        f"{runs} of the {2**k} combinations of two settings each ({part}; resolution "
        f"{fraction.roman}): {told}",
        f"never changes (defining words): {'; '.join(words)}",
    ]
    mixed = list_mixed(settings, fraction)
    if mixed:
        said.append(f"not told apart (aliases): {'; '.join(mixed)}")
    return tuple(said)


def list_mixed(settings: Settings, fraction: Fraction) -> tuple[str, ...]:
    """List the settings and pairs that cannot be told apart, in the words of the trial.

    Examples
    --------
    >>> from doughlab.plan.fractions import choose_fraction
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> made = {n: Factor(n, "batch", "category", ("-", "+")) for n in ("salt", "oil", "malt")}
    >>> list_mixed(Settings("Demo", "DE", factors=made), choose_fraction(list(made)))[0]
    'salt = oil x malt'
    """
    groups = [chain for chain in fraction.aliases() if len(chain) > 1]
    return tuple(" = ".join(_names(settings, term) for term in chain) for chain in groups)


def _composite(settings: Settings) -> tuple[str, ...]:
    design = settings.plan
    moved = moved_numbers(settings.factors, design)
    k = len(moved)
    corners, a = count_corners(design, k), axial_distance(design, k)
    why = {
        FACE: "at low and high, so three settings of each do",
        ORTHOGONAL: "so that the days of corners and outer batches change no other answer",
    }.get(design.alpha, "rotatable: equally sure in every direction")
    half = ", half of them" if design.cube == "half" else ""
    return (
        f"{corners} corners{half}, {2 * k} outer batches and {design.count_centres(k)} in the "
        f"middle (central composite); the outer ones {a:.4g} half ranges from the middle ({why})",
        *_levels(moved),
    )


def _behnken(settings: Settings) -> tuple[str, ...]:
    design = settings.plan
    moved = moved_numbers(settings.factors, design)
    edges = {3: 12, 4: 24, 5: 40}[len(moved)]
    return (
        f"{edges} batches with some numbers at an end and the others in the middle, "
        f"{design.count_centres(len(moved))} with all in the middle (Box-Behnken); none has all "
        "numbers at an end at once",
        *_levels(moved),
    )


def _levels(moved: list[Factor]) -> tuple[str, ...]:
    said = [f"{f.words} {', '.join(f.levels)}" for f in moved]
    return (f"rounded to what can be set: {'; '.join(said)}",)


def _middle(settings: Settings) -> tuple[str, ...]:
    """Say what batches in the middle are for, where a plan of ends has some."""
    moved = moved_numbers(settings.factors, settings.plan)
    if not moved:
        return ()
    count = settings.plan.count_centres(len(moved))
    if len(moved) == 1:
        return (f"{count} batches in the middle of {moved[0].words}: they show whether it bends",)
    return (
        f"{count} batches in the middle of {', '.join(f.words for f in moved)}: they show whether "
        "anything bends, not which of the numbers does",
    )


_MODELS = {
    "lines": "single settings",
    "pairs": "single settings and how they change each other",
    "curves": "single settings, how they change each other, and bends",
}


def _searched(settings: Settings, plan: Plan) -> tuple[str, ...]:
    """Say what was searched for and how good the batches are."""
    design = settings.plan
    scores = judge_search(settings, plan.batches, plan.balls)
    aim = "the settings as sharp as possible" if design.criterion == "D" else (
        "predictions as sharp as possible on average")  # fmt: skip
    ratios = variance_ratios(settings)
    below = "balls" if ratios["batch"] else "batches"
    vary = [f"{k} {ratios[n]:.3g} times" for n, k in (("batch", "batches"), ("day", "days"))
            if ratios[n]]  # fmt: skip
    spread = f"; {' and '.join(vary)} the variance of {below}, assumed" if vary else ""
    return (
        f"searched for {_MODELS[design.model]}: {aim} ({design.criterion}-criterion{spread}); "
        f"D-efficiency {scores.efficiency:.4g} %",
    )


def _steps(settings: Settings, plan: Plan) -> tuple[str, ...]:
    factors = settings.factors_set("batch")
    base = ", ".join(f"{f.words} {f.levels[0]}" for f in factors)
    said = [
        f"one setting is moved at a time from {base}: whether settings change each other cannot "
        "be seen"
    ]
    crossed = count_crossed(factors, plan.batches)
    if crossed is not None:
        said.append(
            f"crossed, the same answers would take about {crossed} batches instead of "
            f"{len(plan.batches)}, and show how settings change each other"
        )
    return tuple(said)
