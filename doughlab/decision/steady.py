"""Steady: which tried setting minds a warmer or cooler room least.

`doughlab decide --steady` asks here. It looks at the rooms that the mixes happened to have; nobody
set them, so it is a hint and no verdict, and it never moves the choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.models import TrialModel, fit_model
from doughlab.analysis.wording import level_words
from doughlab.decision.chance import Predictor
from doughlab.decision.options import CHANCE_MARGIN, find_setting
from doughlab.decision.weigh import Weighing
from doughlab.errors import NotEstimable
from doughlab.settings import Settings
from doughlab.stats.scale import student_quantile
from doughlab.units import convert

Floats = NDArray[np.floating]

ROOM = "room_c"
FEWEST = 6  # batches with a room temperature


@dataclass(frozen=True)
class Steady:
    """The slope of the window's response along the room for every tried setting.

    Attributes
    ----------
    slope, low, high : array, shape (m,)
        Per degree of the room in the unit that is shown, with its 95 % range; empty where it cannot
        be told.
    best : int or None
        Position of the setting with the least slope among those that do as well.
    shown : bool
        Whether its slope is shown to differ from the chosen one's.
    sentences : tuple of str
    """

    slope: Floats = field(default_factory=lambda: np.zeros(0))
    low: Floats = field(default_factory=lambda: np.zeros(0))
    high: Floats = field(default_factory=lambda: np.zeros(0))
    best: int | None = None
    shown: bool = False
    sentences: tuple[str, ...] = ()


def find_steady(weighing: Weighing, table: pd.DataFrame, recommended: Mapping[str, str]) -> Steady:
    """Find which setting minds the room least, among those that do as well as the chosen one.

    Parameters
    ----------
    weighing : Weighing
    table : DataFrame
        With less_low, where something is recommended.
    recommended : mapping of str to str
        Level text of every factor; may be empty.

    Returns
    -------
    Steady
        Without slopes where the records cannot tell, with the reason as its sentence.

    Notes
    -----
    The planned model with the room's temperature at mixing, and with the room times every factor,
    so that each setting has a slope of its own. Judged as all is, by batches (Kenward-Roger).
    """
    settings = weighing.settings
    predictor = next(iter(weighing.predictors.values()))
    frame = predictor.model.dataset.frame
    rooms = frame.drop_duplicates("batch")["room_temp_c"].dropna()
    if len(rooms) < FEWEST or np.isclose(rooms.max(), rooms.min()):
        return _cannot(f"{len(rooms)} batches have a room temperature, and "
                       f"{FEWEST} that differ are needed")  # fmt: skip
    try:
        model = _fit(predictor, float(rooms.mean()))
    except NotEstimable as error:
        return _cannot(str(error).rstrip("."))
    if f"{ROOM}" in model.left_out or ROOM in model.unjudged or not model.holds_term(ROOM):
        return _cannot("the records cannot tell the room from the planned settings")
    degree = convert(1.0, settings.show_temperature, "temp_c") - convert(
        0.0, settings.show_temperature, "temp_c")  # fmt: skip
    rows = degree * _slope_rows(model, weighing.setting)
    test = model.fit.test_rows(rows)
    half = student_quantile(test.df, 0.975) * test.std_error
    slopes = test.estimate, test.estimate - half, test.estimate + half
    at = find_setting(weighing.setting, recommended) if recommended else None
    as_good = np.ones(len(rows), dtype=bool)
    if at is not None and "less_low" in table:
        as_good = table["less_low"].to_numpy(dtype=float) > -CHANCE_MARGIN
        as_good[at] = True
    usable = as_good & np.isfinite(test.estimate) & np.isfinite(half)
    if not usable.any():
        return _cannot("no setting has a slope that can be judged")
    best = int(np.where(usable, np.abs(test.estimate), np.inf).argmin())
    shown = at is not None and best != at and _differs(model, rows, best, at)
    span = float(rooms.min()), float(rooms.max())
    said = _say(settings, weighing, slopes, best, at, shown=shown, rooms=span)
    return Steady(*slopes, best, shown, tuple(said))


def _cannot(why: str) -> Steady:
    return Steady(sentences=(f"Which setting minds the room least cannot be told: {why}.",))


def _fit(predictor: Predictor, centre: float) -> TrialModel:
    """Fit the planned model with the room, and the room times every factor."""
    model = predictor.model
    dataset = model.dataset
    frame = dataset.frame.assign(**{ROOM: dataset.frame["room_temp_c"] - centre})
    frame = frame.dropna(subset=[ROOM])
    own = replace(dataset, frame=frame)
    fixed = [*model.fixed, ROOM, *(f"{ROOM}:{n}" for n in model.settings.factors
                                   if model.holds_term(n))]  # fmt: skip
    random = [n for n in model.fit.random_names if n != "residual"]
    return fit_model(model.settings, own, model.terms, random=random, fixed=fixed)


def _slope_rows(model: TrialModel, setting: pd.DataFrame) -> Floats:
    """Give rows whose value is the change for 1 °C more of the room."""
    design = model.fit.design
    codes, numbers = {}, {}
    for name, factor in model.settings.factors.items():
        coded = [model.coded(factor, str(v)) for v in setting[name]]
        if name in design.numbers:
            numbers[name] = np.array(coded, dtype=float)
        elif name in design.factors:
            codes[name] = np.array([design.factors[name].levels.index(c) for c in coded])
    count = len(setting)
    codes |= {n: np.zeros(count, dtype=np.int64) for n in design.factors if n not in codes}
    warm, cool = (design.build_rows(codes, numbers | {ROOM: np.full(count, v)}) for v in (1.0, 0.0))
    return np.asarray(warm - cool)


def _differs(model: TrialModel, rows: Floats, one: int, other: int) -> bool:
    test = model.fit.test_rows(rows[[one]] - rows[[other]])
    half = float(student_quantile(float(test.df[0]), 0.975)) * float(test.std_error[0])
    return bool(abs(float(test.estimate[0])) > half)


def _say(
    settings: Settings,
    weighing: Weighing,
    slopes: tuple[Floats, Floats, Floats],
    best: int,
    at: int | None,
    *,
    shown: bool,
    rooms: tuple[float, float],
) -> list[str]:
    unit = f"°{settings.show_temperature}"
    response = settings.responses[weighing.limits[0].what].words
    low, high = (convert(v, "temp_c", settings.show_temperature) for v in rooms)

    def told(i: int) -> str:
        row = weighing.setting.iloc[i]
        words = ", ".join(level_words(f, str(row[n])) for n, f in settings.factors.items())
        return (f"{words} moves by {slopes[0][i]:+.3f} {response} ({slopes[1][i]:+.3f} to "
                f"{slopes[2][i]:+.3f}) for 1 {unit} more of the room")  # fmt: skip

    out = [f"{told(at if at is not None else best)}, in rooms of {low:.0f} to {high:.0f} {unit}."]
    if at is not None and best != at:
        verdict = "a difference is shown" if shown else "which minds it less is not settled"
        out.append(f"Of those that do as well, {told(best)}: {verdict}.")
    elif at is not None:
        out.append("None of those that do as well has a smaller slope.")
    out.append("Nobody set the room, so something that came with it may be at work; of several "
               "settings the smallest slope is partly luck.")  # fmt: skip
    return out
