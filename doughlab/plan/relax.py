"""Relax: which limit keeps a plan from having a calendar, and the cheapest way out.

`calendar` calls `explain` when it is proven that nothing fits. Every limit that may give way has a
price; each is widened alone until a calendar fits, and the cheapest is told. Only where no single
one is enough are several taken together. Whether the kitchen wants to pay is left to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from time import monotonic
from typing import TYPE_CHECKING, Any

from doughlab.errors import PlanError
from doughlab.plan.designs import clock_minutes
from doughlab.plan.work import BatchWork, DayWork, is_scored, list_times, list_work

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings


@dataclass(frozen=True)
class Way:
    """One limit that may give way.

    Attributes
    ----------
    section, key : str
        Where it stands in trial.toml.
    now : object
        What stands there.
    values : tuple
        What it could be, from the least change to the greatest.
    price : callable
        Value to price, in points: an hour of somebody's time is 2.
    """

    section: str
    key: str
    now: Any
    values: tuple[Any, ...]
    price: Callable[[Any], float]

    def apply(self, settings: Settings, value: Any) -> Settings:
        """Give settings in which the limit has another value."""
        part = replace(getattr(settings, self.section), **{self.key: value})
        return replace(settings, **{self.section: part})

    def words(self, value: Any) -> str:
        """Write it as it stands in trial.toml."""
        return f"{self.key} = {_toml(value)} in [{self.section}]"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(f'"{v}"' for v in value) + "]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


@dataclass(frozen=True)
class WayOut:
    """Limits with the values at which a calendar fits.

    Attributes
    ----------
    changes : tuple of (Way, value)
    price : float
    proven : bool
        Whether every cheaper single change is proven not to be enough.
    """

    changes: tuple[tuple[Way, Any], ...]
    price: float
    proven: bool

    def apply(self, settings: Settings) -> Settings:
        """Give settings with every change."""
        for way, value in self.changes:
            settings = way.apply(settings, value)
        return settings


def list_ways(settings: Settings, works: Sequence[DayWork]) -> list[Way]:
    """List the limits that may give way, each with its values and prices.

    The prices are ours (no source): 15 minutes on a hold 2 points, an hour more of opening or of
    judges 2, a sample more to taste 1, ten places or two bakes an hour 1, an hour of hands 2, a
    spare ball less 2, a pair of hands 6, a closed day opened 8, reading at night 10, a mixer 20.

    Parameters
    ----------
    settings : Settings
    works : sequence of DayWork

    Returns
    -------
    list of Way
    """
    ways = [*_kitchen_ways(settings, works), *_rule_ways(settings, works)]
    if is_scored(settings):
        ways += _panel_ways(settings)
    return [w for w in ways if w.values]


def _kitchen_ways(settings: Settings, works: Sequence[DayWork]) -> list[Way]:
    k = settings.kitchen
    balls = sum(b.balls for w in works for b in w.batches)
    spares = settings.blocks.spares
    off = k.hold_tolerance_min
    return [
        Way("kitchen", "hold_tolerance_min", off, tuple(off + 15.0 * i for i in range(1, 9)),
            lambda v: (v - off) / 7.5),
        Way("kitchen", "close_at", k.close_at, _clocks(k.close_at, 60, "23:59"),
            lambda v: _apart(v, k.close_at) / 30),
        Way("kitchen", "open_at", k.open_at, _clocks(k.open_at, -60, "00:00"),
            lambda v: _apart(v, k.open_at) / 30),
        Way("kitchen", "mix_at", k.mix_at, _clocks(k.mix_at, -60, k.open_at),
            lambda v: _apart(v, k.mix_at) / 60),
        Way("kitchen", "hands", k.hands, tuple(range(k.hands + 1, k.hands + 5)),
            lambda v: 6.0 * (v - k.hands)),
        Way("kitchen", "mixers", k.mixers, (k.mixers + 1, k.mixers + 2),
            lambda v: 20.0 * (v - k.mixers)),
        Way("kitchen", "cooler_places", k.cooler_places, _above(k.cooler_places, balls),
            lambda v: (v - k.cooler_places) / 10),
        Way("kitchen", "warm_places", k.warm_places, _above(k.warm_places, balls),
            lambda v: (v - k.warm_places) / 10),
        Way("kitchen", "oven_slots_per_h", k.oven_slots_per_h, _above(k.oven_slots_per_h, balls),
            lambda v: (v - k.oven_slots_per_h) / 2),
        Way("blocks", "spares", spares, tuple(range(spares - 1, -1, -1)),
            lambda v: 2.0 * (spares - v)),
    ]  # fmt: skip


def _rule_ways(settings: Settings, works: Sequence[DayWork]) -> list[Way]:
    """List closed days, nights, hours of hands and the size of the mixer."""
    k = settings.kitchen
    ways = []
    for weekday in k.closed:
        fewer = tuple(d for d in k.closed if d != weekday)
        ways.append(Way("kitchen", "closed", k.closed, (fewer,), lambda v: 8.0))
    if not k.read_at_night:
        ways.append(Way("kitchen", "read_at_night", False, (True,), lambda v: 10.0))
    if k.staff_h is not None:
        now = k.staff_h
        ways.append(Way("kitchen", "staff_h", now, tuple(now + i for i in range(1, 25)),
                        lambda v: 2.0 * (v - now)))  # fmt: skip
    if k.mixer_balls is not None:
        most, now_balls = max(b.balls for w in works for b in w.batches), k.mixer_balls
        ways.append(Way("kitchen", "mixer_balls", now_balls, tuple(range(now_balls + 1, most + 1)),
                        lambda v: 2.0 * (v - now_balls)))  # fmt: skip
    return ways


def _above(now: int, most: int) -> tuple[int, ...]:
    return tuple(range(now + 1, most + 1))


def _panel_ways(settings: Settings) -> list[Way]:
    panel, k = settings.panel, settings.kitchen
    limit = panel.samples_per_session
    out = [Way("panel", "samples_per_session", limit, _above(limit, 30),
               lambda v: float(v - limit))]  # fmt: skip
    if panel.until_at and panel.until_at < k.close_at:
        until = panel.until_at
        out.append(Way("panel", "until_at", until, _clocks(until, 60, k.close_at),
                       lambda v: _apart(v, until) / 30))  # fmt: skip
    if panel.from_at and panel.from_at > k.open_at:
        came = panel.from_at
        out.append(Way("panel", "from_at", came, _clocks(came, -60, k.open_at),
                       lambda v: _apart(v, came) / 30))  # fmt: skip
    return out


def _clocks(start: str, by: int, end: str) -> tuple[str, ...]:
    """List the full steps of an hour from a time of day towards an end, the end included."""
    out, at, stop = [], clock_minutes(start) + by, clock_minutes(end)
    while (stop - at) * by > 0:
        out.append(f"{at // 60:02d}:{at % 60:02d}")
        at += by
    return (*out, end) if start != end else ()


def _apart(a: str, b: str) -> float:
    return float(abs(clock_minutes(a) - clock_minutes(b)))


class Relaxer:
    """Tries widened limits on one plan.

    Parameters
    ----------
    plan : Plan
    formula : Formula or None
    seconds : float
        Time for all trials together.
    """

    def __init__(self, plan: Plan, formula: Formula | None, seconds: float) -> None:
        self.plan, self.formula = plan, formula
        self.works = list_work(plan)
        self.ways = list_ways(plan.settings, self.works)
        self.end = monotonic() + seconds
        self.unsure = False

    def fits(self, changes: Sequence[tuple[Way, Any]], *, dates_only: bool = False) -> bool:
        """Tell whether a calendar fits after some changes; by its dates alone it may seem so."""
        from doughlab.plan.calendar import Search

        settings = self.plan.settings
        for way, value in changes:
            settings = way.apply(settings, value)
        spares = settings.blocks.spares - self.plan.settings.blocks.spares
        works = tuple(_with_spares(w, spares) for w in self.works)
        search = Search(settings, works, list_times(settings, self.formula), aimless=True)
        left = self.end - monotonic()
        if left <= 0:
            self.unsure = True
            return False
        if dates_only:
            return search.may_fit(left)
        try:
            return search.run(left, tidy=False) is not None
        except PlanError:
            self.unsure = True
            return False

    def cheapest(self) -> WayOut | None:
        """Find the cheapest change of one limit; None where no single one is enough.

        Dates alone are solved in no time, so they sort out first what cannot be enough.
        """
        least: list[tuple[float, int, Way]] = []
        for way in self.ways:
            if self.fits([(way, way.values[-1])], dates_only=True):
                first = self._least(way, 0, (), dates_only=True)
                least.append((way.price(way.values[first]), first, way))
        best: WayOut | None = None
        for price, first, way in sorted(least, key=lambda t: t[:2]):
            if best is not None and price >= best.price:
                break
            top = max(
                i for i, v in enumerate(way.values) if best is None or way.price(v) < best.price
            )
            if self.fits([(way, way.values[first])]):
                found = first
            elif top > first and self.fits([(way, way.values[top])]):
                found = self._least(way, first + 1, (), last=top)
            else:
                continue
            best = WayOut(((way, way.values[found]),), way.price(way.values[found]), True)
        return replace(best, proven=not self.unsure) if best else None

    def together(self) -> WayOut | None:
        """Find several limits that are enough together, the dearest left out first."""
        kept = [(w, w.values[-1]) for w in self.ways]
        if not self.fits(kept):
            return None
        for pair in sorted(kept, key=lambda p: -p[0].price(p[1])):
            fewer = [k for k in kept if k is not pair]
            if self.fits(fewer):
                kept = fewer
        for i, (way, _) in enumerate(kept):
            others = [k for j, k in enumerate(kept) if j != i]
            kept[i] = (way, way.values[self._least(way, 0, others)])
        return WayOut(tuple(kept), sum(w.price(v) for w, v in kept), False)

    def _least(
        self,
        way: Way,
        first: int,
        others: Sequence[tuple[Way, Any]],
        *,
        last: int | None = None,
        dates_only: bool = False,
    ) -> int:
        """Halve down to the least value that is enough; the last one is known to be."""
        low, high = first, len(way.values) - 1 if last is None else last
        while low < high:
            middle = (low + high) // 2
            if self.fits([*others, (way, way.values[middle])], dates_only=dates_only):
                high = middle
            else:
                low = middle + 1
        return high


def _with_spares(work: DayWork, more: int) -> DayWork:
    batches = [BatchWork(b.batch_id, b.balls + (more if b.spares else 0), b.uses)
               for b in work.batches]  # fmt: skip
    return DayWork(work.block, tuple(batches))


def find_way_out(
    plan: Plan, *, formula: Formula | None = None, seconds: float = 120.0
) -> WayOut | None:
    """Find the cheapest change of limits at which a calendar fits.

    Parameters
    ----------
    plan : Plan
        One that has no calendar.
    formula : Formula, optional
    seconds : float
        Time for the search.

    Returns
    -------
    WayOut or None
        One limit where one is enough, else several; None where even all of them are not, or
        none was found in time.
    """
    return _look(Relaxer(plan, formula, seconds))


def _look(relaxer: Relaxer) -> WayOut | None:
    return relaxer.cheapest() or relaxer.together()


def explain(plan: Plan, *, formula: Formula | None = None, seconds: float = 120.0) -> str:
    """Say why a plan has no calendar, and the cheapest way out.

    Returns
    -------
    str
        Sentences for the cook.
    """
    grid = plan.settings.kitchen.grid_min
    head = f"No calendar fits this kitchen (proven, on a grid of {grid} minutes)."
    relaxer = Relaxer(plan, formula, seconds)
    out = _look(relaxer)
    if out is not None:
        return " ".join([head, *_sentences(out)])
    if relaxer.unsure:
        return (
            f"{head} Which limit to change was not found in {seconds:.0f} s: look longer "
            "(--minutes 5), or mix fewer batches a day (days in [blocks])."
        )
    return (
        f"{head} Longer hours, more hands and more places are not enough either: mix fewer "
        "batches a day (days in [blocks]), or take a hold away."
    )


def _sentences(out: WayOut) -> Iterator[str]:
    limits = [f"{way.words(way.now)}" for way, _ in out.changes]
    values = [f"{way.words(value)}" for way, value in out.changes]
    if len(out.changes) > 1:
        yield f"No single limit is the reason; these are together: {', '.join(limits)}."
        yield f"It fits with {', '.join(values)} (a way out, perhaps not the cheapest)."
        return
    way, value = out.changes[0]
    yield f"The limit that breaks it: {limits[0]}{_meaning(way, way.now)}."
    word = "The cheapest way out" if out.proven else "The cheapest way out that was found in time"
    yield f"{word}: {values[0]}{_gain(way, value)}."


_MEANINGS = {
    "hold_tolerance_min": "a hold may be {now} minutes off",
    "close_at": "the kitchen closes at {now}",
    "open_at": "the kitchen opens at {now}",
    "mix_at": "mixing starts at {now} or later",
    "hands": "people who can work at one time: {now}",
    "mixers": "mixers: {now}",
    "cooler_places": "balls that fit the cooler: {now}",
    "warm_places": "balls that can stand out of the cooler: {now}",
    "oven_slots_per_h": "bakes an hour: {now}",
    "spares": "spare balls in each batch: {now}",
    "closed": "closed days: {now}",
    "read_at_night": "nobody reads while the kitchen is closed",
    "staff_h": "hours of hands in one day: {now}",
    "mixer_balls": "balls that one mix gives: {now}",
    "samples_per_session": "samples a judge tastes in a session: {now}",
    "until_at": "the judges leave at {now}",
    "from_at": "the judges come at {now}",
}


def _meaning(way: Way, now: Any) -> str:
    said = (
        ", ".join(now)
        if isinstance(now, tuple)
        else f"{now:g}"
        if not isinstance(now, str)
        else now
    )
    return f" ({_MEANINGS[way.key].format(now=said)})"


def _gain(way: Way, value: Any) -> str:
    if way.key == "closed":
        opened = [d for d in way.now if d not in value]
        return f", which opens {opened[0]}"
    if way.key in {"close_at", "open_at", "mix_at", "until_at", "from_at"}:
        hours = _apart(value, way.now) / 60
        word = "hour" if hours == 1 else "hours"
        return f", {hours:.3g} {word} {'later' if value > way.now else 'earlier'}"
    if isinstance(value, bool):
        return ""
    more = value - way.now
    return f", {abs(more):g} {'more' if more > 0 else 'fewer'}"
