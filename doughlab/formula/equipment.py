"""Equipment: the mixer a formula is mixed in, and the air around its balls.

formula.toml names them in [mixer] and [box]; `doughlab mix` and `doughlab ripe` work with them.
What mixing warms stands in `friction`, how a ball warms in `core`.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.errors import InputError
from doughlab.formula.heat import FILMS, Film


@dataclass(frozen=True)
class Mixer:
    """The mixer of a formula.

    Attributes
    ----------
    name, speed : str
        As they are written down with a mix; the warming is learned for each pair apart.
    carries_kg : float or None
        Most dough in one mixing, kilograms.

    Examples
    --------
    >>> Mixer("spiral", "2", 20.0).kind
    ('spiral', '2')
    """

    name: str = ""
    speed: str = ""
    carries_kg: float | None = None

    @property
    def kind(self) -> tuple[str, str]:
        """Mixer and speed."""
        return (self.name, self.speed)


@dataclass(frozen=True)
class Box:
    """What stands around a ball in the cooler and out of it.

    Attributes
    ----------
    air : str
        A key of `heat.FILMS`: "open", "box", "stack" or "fan".
    w_m2k, low_w_m2k, high_w_m2k : float or None
        Film coefficient of the kitchen's own, W/(m2 K), from two probe readings; None takes the
        usual range for the air.

    Raises
    ------
    InputError
        Where only some of the three stand there, or not in order.

    Examples
    --------
    >>> Box("stack").film.value_w_m2k, Box("box", 6.0, 5.0, 7.5).film.value_w_m2k
    (3.0, 6.0)
    """

    air: str = "box"
    w_m2k: float | None = None
    low_w_m2k: float | None = None
    high_w_m2k: float | None = None

    def __post_init__(self) -> None:
        """Refuse a range that is none."""
        given = [v for v in (self.low_w_m2k, self.w_m2k, self.high_w_m2k) if v is not None]
        if given and (len(given) < 3 or given != sorted(given)):
            raise InputError(
                "w_m2k, low_w_m2k and high_w_m2k belong together: all three, the low one at most "
                "w_m2k and the high one at least. doughlab ripe BALL --probe works them out."
            )

    @property
    def film(self) -> Film:
        """The film around a ball."""
        if self.w_m2k is None or self.low_w_m2k is None or self.high_w_m2k is None:
            return FILMS[self.air]
        return Film(self.w_m2k, self.low_w_m2k, self.high_w_m2k, "calibrated, in formula.toml")
