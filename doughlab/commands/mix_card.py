"""The kitchen card of the command `mix`: room by room, the water, ice, warm-up and hold to use.

What was tried is read from the records of a trial; cells outside it stay blank.
The formula room works the card out; this module only brings the facts together.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import fold, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.formula.formula import FILE, read_formula
from doughlab.settings import FILE as TRIAL_FILE
from doughlab.units import convert, parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.formula.card import CardBasis, KitchenCard
    from doughlab.formula.formula import Formula
    from doughlab.record.folder import TrialFolder

_ROOMS_C = tuple(float(t) for t in range(16, 33))
_ROOMS_F = tuple(float(t) for t in range(60, 93, 2))


def run_card(args: argparse.Namespace) -> Outcome:
    """Make the card from the records of a trial.

    Raises
    ------
    InputError
        Where nothing says how warm the dough shall be.
    """
    from doughlab.formula.card import build_card

    folder = Path(args.folder)
    formula = read_formula(folder / FILE)
    contents = None
    if (folder / TRIAL_FILE).exists():
        from doughlab.record.folder import read_folder

        contents = read_folder(folder)
    texts = [t for t in (args.tap, args.dough, args.core, args.room) if t]
    show = next((u for t in texts if (u := typed_unit(t))), "")
    show = show or (contents.settings.show_temperature if contents else "C")
    too_warm = _cooler_words(contents)
    card = build_card(_rooms(show), _within_cooler(_basis(args, formula, contents), too_warm))
    found = [*_shown_lines(card, show), *_blank_lines(card, too_warm)]
    nexts = ["record the room with every mix, take-out and reading: it fills the card"]
    if all(r.water_c is None for r in card.rows):
        nexts.append(_today_command(args))
    return Outcome(read=[str(folder)], found=found, next=nexts, data=_data(card))


def card_of_trial(folder: Path, *, dough_c: float | None = None) -> KitchenCard | None:
    """Make the card of a trial for its report; None without a formula or a mix to learn from.

    Parameters
    ----------
    folder : Path
    dough_c : float, optional
        Wanted dough, degrees Celsius; the usual one of all mixes without it.
    """
    from doughlab.formula.card import build_card
    from doughlab.record.folder import read_folder

    contents = read_folder(folder)
    if contents.formula is None or not contents.records.mixes:
        return None
    dough = None if dough_c is None else f"{dough_c:.2f} C"
    asked = argparse.Namespace(dough=dough, tap=None, core=None, room=None)
    try:
        basis = _basis(asked, contents.formula, contents)
    except InputError:  # no mix has a dough temperature
        return None
    show = contents.settings.show_temperature
    return build_card(_rooms(show), _within_cooler(basis, _cooler_words(contents)))


def _within_cooler(basis: CardBasis, too_warm: str) -> CardBasis:
    """Blank warm-up and hold where the cooler was too warm."""
    return replace(basis, warm_rooms_c=None, hold_rooms_c=None) if too_warm else basis


def _shown_lines(card: KitchenCard, show: str) -> list[str]:
    """Set the rooms from the first to the last that was tried; without one there is no table."""
    tried = [i for i, r in enumerate(card.rows) if (r.water_c, r.warm_h, r.hold_h) != (None,) * 3]
    if not tried:
        *_, said = replace(card, rows=(), notes=()).lines(show=show)
        return ["The card is empty so far: no room was tried.", said, *card.notes]
    return replace(card, rows=card.rows[tried[0] : tried[-1] + 1]).lines(show=show)


def _today_command(args: argparse.Namespace) -> str:
    """Write the command that answers for one room, which needs no tried rooms."""
    parts = ["until then day by day: doughlab mix"]
    parts += [shlex.quote(args.folder)] if args.folder != "." else []
    parts += ["--room 72F", f"--tap {shlex.quote(args.tap)}"]
    return fold(parts + ([f"--dough {shlex.quote(args.dough)}"] if args.dough else []))


def _rooms(show: str) -> list[float]:
    if show == "F":
        return [convert(t, "temp_f", "temp_c") for t in _ROOMS_F]
    return list(_ROOMS_C)


def _basis(args: argparse.Namespace, formula: Formula, contents: TrialFolder | None) -> CardBasis:
    from doughlab.formula.card import CardBasis
    from doughlab.formula.mixwater import learn_from_mixes

    def temp(name: str, low: float, high: float) -> float | None:
        text = getattr(args, name)
        if text is None:
            return None
        return parse_quantity(text, "temp_c", what=f"--{name}", low=low, high=high)

    mixes = contents.records.mixes if contents else []
    own = learn_from_mixes(mixes, formula, levels=_levels(contents))
    dough_c = temp("dough", 5.0, 40.0)
    dough_c = own.dough_c if dough_c is None else dough_c
    if dough_c is None:
        raise InputError(
            "No mix with a dough temperature is recorded yet: say the wanted one, as --dough 75F."
        )
    tap_c = temp("tap", 0.0, 45.0)
    core_c = temp("core", 0.0, 40.0)
    more = _tried(contents) if contents else {}
    if core_c is not None:
        more["core_c"] = core_c
    return CardBasis(
        formula, own, dough_c, 15.0 if tap_c is None else tap_c,
        mix_rooms_c=_span(m.get("room_temp_c") for m in mixes), film=formula.box.film, **more,
    )  # fmt: skip


def _levels(contents: TrialFolder | None) -> dict[str, dict[str, Any]]:
    """Give the levels of every planned batch."""
    if contents is None or contents.plan is None:
        return {}
    factors = contents.settings.factors_set("day", "batch")
    return {
        str(row["batch_id"]): {f.name: row[f.column] for f in factors}
        for row in contents.plan.batches
    }


def _span(found: Iterable[Any]) -> tuple[float, float] | None:
    known = [float(v) for v in found if v is not None]
    return (min(known), max(known)) if known else None


def _tried(contents: TrialFolder) -> dict[str, Any]:
    """Say in which rooms balls warmed up and were used, and what is usual."""
    from doughlab.commands.ripe_facts import kept_plan, usual_day
    from doughlab.formula.stays import find_room
    from doughlab.record.balls import ball_states, hours_between

    records, settings = contents.records, contents.settings
    usual = usual_day(contents)
    states = ball_states(kept_plan(contents), records).values() if contents.plan else []
    used = [s for s in states if s.used_at is not None]
    read = [*records.temperatures, *({"place": "room", "at": m["mixed_at"],
            "temp_c": m["room_temp_c"]} for m in records.mixes
            if m["mixed_at"] is not None and m["room_temp_c"] is not None)]  # fmt: skip
    rooms = [find_room(read, s.used_at) for s in used if s.used_at]
    cores = [b["core_temp_c"] for b in records.bakes if b["core_temp_c"] is not None]
    spent = [
        hours_between(m["mixed_at"], m["cooled_at"]) for m in records.mixes
        if m["mixed_at"] is not None and m["cooled_at"] is not None
    ]  # fmt: skip
    window = settings.window
    asked = settings.responses.get(window.response if window else "ph")
    return {
        "warm_rooms_c": _span(rooms),
        "hold_rooms_c": _span(rooms),
        "core_c": median(cores) if cores else None,
        "hold_h": asked.use_hold_h if asked else None,
        "warm_h": usual.warm_h,
        "bench_h": usual.bench_h,
        "usual_room_c": usual.room_c,
        "cooler_c": usual.cooler_c,
        "warm_limit_h": settings.limits.warm_h,
        "spent_h": median(spent) if spent else 1.0,
    }


def _cooler_words(contents: TrialFolder | None) -> str:
    """Say that the cooler was too warm when it was read last; empty where it was not."""
    if contents is None or contents.records.last_at is None:
        return ""
    from doughlab.record.due import cooler_words

    return cooler_words(contents.settings, contents.records, contents.records.last_at)


def _blank_lines(card: KitchenCard, too_warm: str) -> list[str]:
    """Say what would fill the columns that are blank throughout."""
    if too_warm:
        return wrap(f"look: {too_warm}", indent=2)
    said = []
    if all(r.water_c is None for r in card.rows):
        said.append("no water column yet: no mix has its room recorded")
    if card.basis.core_c is None:
        said.append("no warm-up column: say the core wanted in use, as --core 64F")
    elif card.basis.warm_rooms_c is None:
        said.append("no warm-up column yet: no ball was used with its room recorded")
    elif all(r.warm_h is None for r in card.rows):
        said.append("no warm-up column: your limit of warm time comes before the core wanted")
    if card.basis.hold_h is None:
        said.append("no hold column: no hold is settled, as use_hold_h in trial.toml")
    elif all(r.hold_h is None for r in card.rows):
        said.append("no hold column yet: no ball was used with its room recorded")
    return [line for words in said for line in wrap(f"look: {words}", indent=2)]


def _data(card: KitchenCard) -> dict[str, Any]:
    return {
        "dough_c": card.basis.dough_c,
        "tap_c": card.basis.tap_c,
        "rows": [
            {
                "room_c": r.room_c, "water_c": r.water_c, "ice_g": r.ice_g, "warm_h": r.warm_h,
                "warm_low_h": r.warm_low_h, "warm_high_h": r.warm_high_h, "hold_h": r.hold_h,
            }
            for r in card.rows
        ],
        "notes": list(card.notes),
    }  # fmt: skip
