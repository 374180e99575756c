"""The kitchen card of the command `mix`: room by room, the water, ice, warm-up and hold to use.

What was tried is read from the records of a trial; cells outside it stay blank.
The formula room works the card out; this module only brings the facts together.
"""

from __future__ import annotations

import argparse
import shlex
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import fold, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.formula.formula import FILE, read_formula
from doughlab.report.kitchen import (
    TAP_C,
    batch_levels,
    card_rooms,
    flour_off,
    formula_at,
    like_recommended,
    span_of,
    too_warm,
    usual_dough,
    what_was_tried,
    within_cooler,
)
from doughlab.settings import FILE as TRIAL_FILE
from doughlab.units import parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.formula.card import CardBasis, KitchenCard
    from doughlab.formula.formula import Formula
    from doughlab.record.folder import TrialFolder


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
    warm = too_warm(contents.settings, contents.records) if contents else ""
    card = build_card(card_rooms(show), within_cooler(_basis(args, formula, contents), warm))
    found = [*_shown_lines(card, show), *_blank_lines(card, warm)]
    nexts = ["record the room with every mix, take-out and reading: it fills the card"]
    if all(r.water_c is None for r in card.rows):
        nexts.append(_today_command(args))
    return Outcome(read=[str(folder)], found=found, next=nexts, data=_data(card))


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


def _basis(args: argparse.Namespace, formula: Formula, contents: TrialFolder | None) -> CardBasis:
    from doughlab.formula.card import CardBasis
    from doughlab.formula.mixwater import learn_from_mixes

    def temp(name: str, low: float, high: float) -> float | None:
        text = getattr(args, name)
        if text is None:
            return None
        return parse_quantity(text, "temp_c", what=f"--{name}", low=low, high=high)

    mixes = contents.records.mixes if contents else []
    own = learn_from_mixes([], formula)
    usual_c = None
    if contents:
        setting = _settled(Path(args.folder))
        levels = batch_levels(contents.settings, contents.plan)
        like = like_recommended(contents.settings, contents.plan, mixes, setting)
        own = learn_from_mixes(like, formula, levels=levels)
        usual_c = usual_dough(contents.plan, mixes, setting) if setting else None
        formula = formula_at(formula, contents.settings, setting)
    dough_c = next((t for t in (temp("dough", 5.0, 40.0), usual_c, own.dough_c)
                    if t is not None), None)  # fmt: skip
    if dough_c is None:
        raise InputError(
            "No mix with a dough temperature is recorded yet: say the wanted one, as --dough 75F."
        )
    tap_c = temp("tap", 0.0, 45.0)
    core_c = temp("core", 0.0, 40.0)
    more: dict[str, Any] = {}
    if contents:
        more = what_was_tried(contents.settings, contents.records, contents.plan)
    if core_c is not None:
        more["core_c"] = core_c
    return CardBasis(
        formula, own, dough_c, TAP_C if tap_c is None else tap_c,
        mix_rooms_c=span_of(m.get("room_temp_c") for m in mixes), film=formula.box.film,
        flour_off_c=flour_off(mixes), **more,
    )  # fmt: skip


def _settled(folder: Path) -> dict[str, str]:
    """Give the settled settings of a trial; empty where none are, or they cannot be read."""
    from doughlab.daily.recipe import read_recipe

    try:
        recipe = read_recipe(folder)
    except InputError:
        return {}
    return dict(recipe.setting) if recipe is not None else {}


def _blank_lines(card: KitchenCard, warm: str) -> list[str]:
    """Say what would fill the columns that are blank throughout."""
    if warm:
        return wrap(f"look: {warm}", indent=2)
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
