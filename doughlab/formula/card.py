"""Card: for each room temperature the water, ice, warm-up and hold to use; blank where untried.

The hand-over page and notebooks print it. Water comes from `mixwater`, warm-up from `core`, the
hold from `steps`; what was tried is told by whoever calls.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.core import time_until_core
from doughlab.formula.formula import Formula
from doughlab.formula.heat import FILMS, Film
from doughlab.formula.mixwater import Kitchen, OwnMixes, plan_mix
from doughlab.formula.ripening import Q10Model, RipeningModel
from doughlab.formula.steps import BallSteps, usual_body
from doughlab.formula.warmup import COOLER_MOST_C, PLAN
from doughlab.units import format_quantity

EDGE_C = 0.5  # how far beyond the tried rooms a row is still filled; rule of this project
Rooms = tuple[float, float]


@dataclass(frozen=True)
class CardBasis:
    """What the card is worked out from, and what was tried.

    Attributes
    ----------
    formula : Formula
    own : OwnMixes
        Warming by the mixer.
    dough_c, tap_c : float
        Wanted dough and tap water, degrees Celsius.
    mix_rooms_c, warm_rooms_c, hold_rooms_c : (float, float) or None
        Coldest and warmest room in which batches were mixed, balls warmed, holds read; None where
        nothing was tried.
    core_c : float or None
        Core wanted in use.
    hold_h, warm_h, bench_h : float or None
        Settled hold from balling to use in the usual room, and its warm-up and bench.
    usual_room_c, cooler_c : float
        Degrees Celsius.
    warm_limit_h : float
        The kitchen's own limit of time at room temperature.
    spent_h : float
        Of it, usually spent before the cooler.
    film : Film
        Around a ball that warms up.
    clock : RipeningModel or None
        A factor 2.6 for ten degrees, counted at the cooler, unless given.
    flour_off_c : float
        By how much the flour is usually warmer than the room; below zero colder.

    Examples
    --------
    >>> from doughlab.formula.mixwater import learn_from_mixes
    >>> dough = Formula(percents={"hydration": 62})
    >>> basis = CardBasis(dough, learn_from_mixes([], dough), 24, 18, mix_rooms_c=(20, 24))
    >>> basis.dough_c, basis.tap_c
    (24, 18)
    """

    formula: Formula
    own: OwnMixes
    dough_c: float
    tap_c: float
    mix_rooms_c: Rooms | None = None
    warm_rooms_c: Rooms | None = None
    hold_rooms_c: Rooms | None = None
    core_c: float | None = None
    hold_h: float | None = None
    warm_h: float = 1.5
    bench_h: float = 0.5
    usual_room_c: float = 22.0
    cooler_c: float = 4.0
    warm_limit_h: float = 4.0
    spent_h: float = 1.0
    film: Film = field(default_factory=lambda: FILMS["box"])
    clock: RipeningModel | None = None
    flour_off_c: float = 0.0


@dataclass(frozen=True)
class CardRow:
    """One room temperature; None is a blank cell.

    Attributes
    ----------
    room_c : float
    water_c : float or None
        Below zero it stands for ice.
    ice_g : float or None
        For the formula's batch.
    warm_h, warm_low_h, warm_high_h : float or None
        Until the core is ready, with the film's range, never beyond the kitchen's limit.
    hold_h : float or None
        From balling to use.

    Examples
    --------
    >>> CardRow(22.0).water_c is None
    True
    """

    room_c: float
    water_c: float | None = None
    ice_g: float | None = None
    warm_h: float | None = None
    warm_low_h: float | None = None
    warm_high_h: float | None = None
    hold_h: float | None = None


@dataclass(frozen=True)
class KitchenCard:
    """The card; see `build_card`.

    Attributes
    ----------
    basis : CardBasis
    rows : tuple of CardRow
    notes : tuple of str

    Examples
    --------
    >>> from doughlab.formula.mixwater import learn_from_mixes
    >>> dough = Formula(percents={"hydration": 62})
    >>> basis = CardBasis(dough, learn_from_mixes([], dough), 24, 18, mix_rooms_c=(20, 24))
    >>> card = build_card([22], basis)
    >>> round(card.rows[0].water_c), len(card.lines()) > 2
    (21, True)
    """

    basis: CardBasis
    rows: tuple[CardRow, ...]
    notes: tuple[str, ...] = ()

    def lines(self, *, show: str = "") -> list[str]:
        """Set the card in lines of at most 80 characters.

        Parameters
        ----------
        show : str
            "C" or "F".
        """

        def temp(value: float | None, digits: int = 0) -> str:
            if value is None:
                return ""
            return format_quantity(value, "temp_c", show=show, digits=digits)

        def cell(value: float | None, words: str) -> str:
            return "" if value is None else words.format(value)

        head = f"{'room':>8}{'water':>10}{'ice':>9}{'warm up':>22}{'hold':>9}"
        lines = [head]
        for r in self.rows:
            warm = ""
            if r.warm_h is not None:
                low, high = r.warm_low_h or 0.0, r.warm_high_h or r.warm_h
                warm = f"{60 * r.warm_h:.0f} min ({60 * low:.0f}-{60 * high:.0f})"
            lines.append(
                f"{temp(r.room_c):>8}{temp(r.water_c):>10}{cell(r.ice_g, '{:.0f} g'):>9}"
                f"{warm:>22}{cell(r.hold_h, '{:.0f} h'):>9}".rstrip()
            )
        b = self.basis
        balls = "1 ball" if b.formula.balls == 1 else f"{b.formula.balls} balls"
        tail = f"for {balls}, dough {temp(b.dough_c)}, tap {temp(b.tap_c)}"
        return [*lines, f"{tail}; blank: not tried", *self.notes]

    def __str__(self) -> str:
        """Give the lines in Celsius."""
        return "\n".join(self.lines())


def build_card(rooms_c: Sequence[float], basis: CardBasis) -> KitchenCard:
    """Build the kitchen-temperature card.

    Flour is taken to be as warm as the room, but for its usual difference. A cell stays blank
    where its room was not tried, or where the answer lies beyond the kitchen's own limit of warm
    time. With a cooler above 5 C no warm-up and no hold stands on it.

    Parameters
    ----------
    rooms_c : sequence of float
        Room temperatures, degrees Celsius, 0 to 45.
    basis : CardBasis

    Returns
    -------
    KitchenCard

    Raises
    ------
    InputError
        Without room temperatures.

    Examples
    --------
    >>> from doughlab.formula.mixwater import learn_from_mixes
    >>> dough = Formula(percents={"hydration": 62})
    >>> basis = CardBasis(dough, learn_from_mixes([], dough), 24, 18, mix_rooms_c=(20, 24))
    >>> card = build_card([18, 22], basis)
    >>> [None if r.water_c is None else round(r.water_c) for r in card.rows]
    [None, 21]
    """
    if not rooms_c:
        raise InputError("Give the room temperatures that the card shall have.")
    rows = [_row(float(room), basis) for room in sorted(rooms_c)]
    notes = []
    if any(r.warm_h is not None for r in rows):
        notes.append("time at room temperature adds up; at your limit the advice ends")
    if basis.cooler_c > COOLER_MOST_C:
        notes.append(f"cooler over {COOLER_MOST_C:g} °C: no warm-up or hold; {PLAN}")
    if basis.own.model.foresee().n == 0:
        notes.append("warming by the mixer: usual figure, no mix of yours is measured yet")
    return KitchenCard(basis, tuple(rows), tuple(notes))


def _tried(room_c: float, rooms: Rooms | None) -> bool:
    return rooms is not None and rooms[0] - EDGE_C <= room_c <= rooms[1] + EDGE_C


def _row(room_c: float, basis: CardBasis) -> CardRow:
    row = CardRow(room_c)
    if _tried(room_c, basis.mix_rooms_c):
        kitchen = Kitchen(room_c, room_c + basis.flour_off_c, basis.tap_c)
        plan = plan_mix(basis.formula, kitchen, basis.own, dough_c=basis.dough_c)
        if plan.water.reached:
            row = replace(row, water_c=plan.water_c, ice_g=plan.water.ice_g)
    if basis.cooler_c > COOLER_MOST_C:
        return row
    if basis.core_c is not None and _tried(room_c, basis.warm_rooms_c):
        row = _with_warm_up(row, basis, basis.core_c)
    if basis.hold_h is not None and _tried(room_c, basis.hold_rooms_c):
        with suppress(NotEstimable):  # the cell stays blank
            row = replace(row, hold_h=hold_for_room(room_c, basis))
    return row


def _with_warm_up(row: CardRow, basis: CardBasis, core_c: float) -> CardRow:
    left = basis.warm_limit_h - basis.spent_h
    body = usual_body(basis.formula.ball_g, basis.formula.percents.get("hydration", 62.0))
    span = time_until_core(
        body, start=basis.cooler_c, surroundings_c=row.room_c, wanted_c=core_c, film=basis.film
    )
    if span.value is None or span.low is None or span.value > left:
        return row
    high = left if span.high is None else min(span.high, left)
    return replace(row, warm_h=span.value, warm_low_h=span.low, warm_high_h=high)


def hold_for_room(room_c: float, basis: CardBasis) -> float:
    """Work out the hold at another room temperature that ripens as much as the settled one.

    Bench and warm-up run at the room; the cooler makes up for the difference.

    Raises
    ------
    NotEstimable
        Without a settled hold, or where the cooler's share would be less than nothing.

    Examples
    --------
    >>> from doughlab.formula.mixwater import learn_from_mixes
    >>> dough = Formula(percents={"hydration": 62})
    >>> basis = CardBasis(dough, learn_from_mixes([], dough), 24, 18, hold_h=48)
    >>> hold_for_room(28, basis) < hold_for_room(22, basis)
    True
    """
    if basis.hold_h is None:
        raise NotEstimable("No hold is settled yet, so none can be worked out for another room.")
    clock = basis.clock or Q10Model(2.6, reference_c=basis.cooler_c)
    body = usual_body(basis.formula.ball_g, basis.formula.percents.get("hydration", 62.0))
    cold_h = basis.hold_h - basis.bench_h - basis.warm_h

    def worth(room: float) -> float:
        steps = BallSteps(
            basis.bench_h, cold_h, basis.warm_h, dough_c=basis.dough_c, bench_c=room,
            cooler_c=basis.cooler_c, room_c=room, room_film=basis.film,
        )  # fmt: skip
        return steps.ripening_h(body, clock)

    more = worth(room_c) - worth(basis.usual_room_c)
    hold = basis.hold_h - more / float(clock.rate(basis.cooler_c))
    if hold <= basis.bench_h + basis.warm_h:
        raise NotEstimable(
            f"At {room_c:g} °C bench and warm-up alone ripen the dough as much as the settled hold."
        )
    return hold
