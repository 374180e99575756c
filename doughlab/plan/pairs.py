"""Pairs: balls that are read at take-out and again in use, so that the warm-up can be learned.

`build_plan` reserves them where trial.toml has [warm_up]; `doughlab ripe` learns from them. They
are balls of their own: pierced twice, thrown away, and never part of an average of the trial.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doughlab.errors import PlanError
from doughlab.plan.order import make_rng, shuffled

if TYPE_CHECKING:
    from doughlab.settings import Settings

Row = dict[str, Any]
PAIR = "pair"


def paired_batches(
    settings: Settings, batches: Sequence[Mapping[str, Any]], *, seed: int
) -> set[str]:
    """Draw the batches that give pairs, as evenly over the mixing days as can be.

    Parameters
    ----------
    settings : Settings
    batches : sequence of mapping
        Rows with batch_id and block.
    seed : int

    Returns
    -------
    set of str
        Empty without [warm_up].

    Raises
    ------
    PlanError
        Where the trial has fewer batches than shall give pairs.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> paired_batches(Settings("Demo", "DE"), [], seed=1)
    set()
    """
    wanted = settings.warm_up
    if not wanted.rooms:
        return set()
    if len(batches) < wanted.batches:
        raise PlanError(
            f"trial.toml: [warm_up] asks for pairs of {wanted.batches} batches, the trial has "
            f"{len(batches)}. Make it longer with replicates in [blocks]."
        )
    days: dict[Any, list[str]] = {}
    for batch in batches:
        days.setdefault(batch["block"], []).append(str(batch["batch_id"]))
    drawn = [shuffled(own, make_rng(seed, f"pairs/{day}")) for day, own in days.items()]
    drawn = shuffled(drawn, make_rng(seed, "pairs"))
    longest = max(len(own) for own in drawn)
    in_turn = [own[i] for i in range(longest) for own in drawn if i < len(own)]
    return set(in_turn[: wanted.batches])


def pair_level(settings: Settings) -> str:
    """Give the hold of the pairs, as typed: the one at which levels are compared, else the middle.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> hold = Factor("hold", "ball", "number", ("24", "48", "72"), "h", values=(24.0, 48.0, 72.0))
    >>> pair_level(Settings("Demo", "DE", factors={"hold": hold}))
    '48'
    """
    hold = settings.hold
    if hold is None:  # the settings refuse it
        raise PlanError("trial.toml: [warm_up] needs a hold, since a ball warms after the cooler.")
    ordered = sorted(hold.levels, key=lambda level: float(hold.value_of(level)))
    response = settings.responses.get("ph")
    asked = response.use_hold_h if response else None
    close = [level for level in ordered if asked is not None
             and abs(float(hold.value_of(level)) - asked) < 1e-6]  # fmt: skip
    return close[0] if close else ordered[len(ordered) // 2]


def pairs_of_batch(
    settings: Settings, choices: Sequence[Mapping[str, str]]
) -> list[tuple[str, dict[str, Any]]]:
    """List the pair balls of one batch: one for each room, at one hold.

    Parameters
    ----------
    settings : Settings
    choices : sequence of mapping
        Ball settings that the batch may have, factor to level as text.

    Returns
    -------
    list of (purpose, values)
        Values by column of plan/balls.csv.
    """
    hold = settings.hold
    if hold is None or not choices:
        return []
    level = pair_level(settings)
    levels = next((c for c in choices if c[hold.name] == level), choices[0])
    factors = settings.factors_set("ball")
    values = {f.column: f.value_of(levels[f.name]) for f in factors}
    return [(PAIR, dict(values)) for _ in settings.warm_up.rooms]


def rooms_of_pairs(settings: Settings, balls: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Tell in which room each pair ball warms: those of a batch take the rooms in turn.

    Examples
    --------
    >>> from doughlab.sections import WarmUp
    >>> from doughlab.settings import Settings
    >>> rows = [{"ball_id": f"B01-{i}", "batch_id": "B01", "purpose": "pair"} for i in (7, 8)]
    >>> rooms_of_pairs(Settings("Demo", "DE", warm_up=WarmUp(("bench", "store"))), rows)
    {'B01-7': 'bench', 'B01-8': 'store'}
    """
    rooms = settings.warm_up.rooms
    seen: dict[str, int] = {}
    found = {}
    for ball in balls:
        if ball["purpose"] != PAIR or not rooms:
            continue
        batch = str(ball["batch_id"])
        found[str(ball["ball_id"])] = rooms[seen.get(batch, 0) % len(rooms)]
        seen[batch] = seen.get(batch, 0) + 1
    return found


def add_first_readings(
    settings: Settings, balls: Sequence[Mapping[str, Any]], schedule: Sequence[Row]
) -> tuple[Row, ...]:
    """Read every pair ball when it is taken out, too, and say in which room.

    Parameters
    ----------
    settings : Settings
    balls : sequence of mapping
    schedule : sequence of dict
        Rows of plan/schedule.csv in time order, with the take-out and one reading of each pair.

    Returns
    -------
    tuple of dict
        In time order; the first reading of a pair stands behind its take-out.
    """
    rooms = rooms_of_pairs(settings, balls)
    if not rooms:
        return tuple(schedule)
    rows: list[Row] = []
    for row in schedule:
        room = rooms.get(str(row["item"]))
        if room is not None and row["step"] == "read":
            row = row | {"place": room}
        rows.append(row)
        if room is not None and row["step"] == "take_out":
            rows.append(row | {"step": "read", "place": room})
    return tuple(rows)
