"""Steps: the stays of one ball from balling to use, and the ripening hours they are worth.

The curve of the hold, `doughlab ripe` and the kitchen card count a ball's hours with it.
Conduction stands in `core`, rates in `ripening`; where the times come from is left to the callers.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.errors import InputError
from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.core import CoreCourse, Stage, follow_core
from doughlab.formula.heat import FILMS, Body, Film, estimate_dough_heat
from doughlab.formula.ripening import RipeningModel


@dataclass(frozen=True)
class BallSteps:
    """Where a ball stood, for how long, and how warm it was there.

    Attributes
    ----------
    bench_h, cooler_h, warm_h : float
        Hours on the bench after balling, in the cooler, and out of it before use.
    dough_c : float
        The dough when it was balled, degrees Celsius.
    bench_c, room_c : float
        Surroundings on the bench and out of the cooler, degrees Celsius.
    cooler_c : float or TemperatureHistory
        The cooler; a logged one begins when the ball came in.
    bench_film, cooler_film, room_film : Film

    Examples
    --------
    >>> BallSteps(bench_h=0.5, cooler_h=46, warm_h=1.5).hold_h
    48.0
    >>> usual = BallSteps(bench_h=0.5, cooler_h=46, warm_h=1.5)
    >>> [stage.hours for stage in usual.stages()]
    [0.5, 46, 1.5]
    >>> round(usual.follow(usual_body(260, 62)).history().duration_h, 6)
    48.0
    """

    bench_h: float
    cooler_h: float
    warm_h: float
    dough_c: float = 24.0
    bench_c: float = 22.0
    cooler_c: float | TemperatureHistory = 4.0
    room_c: float = 22.0
    bench_film: Film = FILMS["open"]
    cooler_film: Film = FILMS["box"]
    room_film: Film = FILMS["box"]

    def __post_init__(self) -> None:
        """Refuse a stay of less than no time."""
        for name in ("bench_h", "cooler_h", "warm_h"):
            if getattr(self, name) < 0:
                raise InputError(
                    f"{name} {getattr(self, name):g} is shorter than nothing: look at the times of "
                    "balling, cooler and use."
                )

    @property
    def hold_h(self) -> float:
        """Hours from balling to use."""
        return self.bench_h + self.cooler_h + self.warm_h

    def stages(self) -> list[Stage]:
        """Give the stays in order, empty ones left out."""
        found = [
            Stage(self.bench_h, self.bench_c, self.bench_film),
            Stage(self.cooler_h, self.cooler_c, self.cooler_film),
            Stage(self.warm_h, self.room_c, self.room_film),
        ]
        return [s for s in found if s.hours > 0] or found[:1]

    def follow(self, body: Body, *, side: str = "value", step_min: float = 10.0) -> CoreCourse:
        """Follow the ball's own temperature through its stays."""
        return follow_core(body, self.stages(), start=self.dough_c, side=side, step_min=step_min)

    def ripening_h(self, body: Body, clock: RipeningModel) -> float:
        """Count the hours at the clock's reference that the stays are worth.

        The mean temperature over the ball counts.

        Examples
        --------
        >>> from doughlab.formula.ripening import Q10Model
        >>> cold = BallSteps(0, 48, 0, dough_c=4, cooler_c=4)
        >>> round(cold.ripening_h(usual_body(260, 62), Q10Model(2.6, reference_c=4)), 6)
        48.0
        """
        return equivalent_hours(self.follow(body).history(), clock)


def usual_body(ball_g: float = 260.0, hydration_pct: float = 62.0) -> Body:
    """Make a ball from its mass and hydration.

    Parameters
    ----------
    ball_g : float
        Grams, 20 to 5000.
    hydration_pct : float
        30 to 120.

    Examples
    --------
    >>> usual_body(260, 62).shape
    'sphere'
    """
    return Body.ball(ball_g, estimate_dough_heat(hydration_pct))


def cover(
    history: TemperatureHistory, hours: float, *, bridge_h: float = 1.0
) -> TemperatureHistory:
    """Draw a logged history out to a stay, where it ends short of it by an hour at most.

    Parameters
    ----------
    history : TemperatureHistory
        Hour 0 is when the ball came in.
    hours : float
        Length of the stay.
    bridge_h : float
        How far the first and the last reading may be carried on.

    Raises
    ------
    InputError
        Where the log misses more than that.

    Examples
    --------
    >>> log = TemperatureHistory((0.2, 9.9), (3.5, 3.7))
    >>> cover(log, 10.0).hours
    (0.0, 0.2, 9.9, 10.0)
    """
    if history.first_h > bridge_h or history.last_h < hours - bridge_h:
        raise InputError(
            f"The log runs from {history.first_h:.1f} to {history.last_h:.1f} h of a stay of "
            f"{hours:.1f} h; more than {bridge_h:g} h is not guessed. Bring a log of the whole "
            "stay."
        )
    places, temps = list(history.hours), list(history.temps_c)
    if places[0] > 0:
        places, temps = [0.0, *places], [temps[0], *temps]
    if places[-1] < hours:
        places, temps = [*places, hours], [*temps, temps[-1]]
    return TemperatureHistory(tuple(places), tuple(temps), history.start)
