"""A shop of several doughs, looked over: what is due of each, and which tray next.

Only `daily` calls it, for a folder that holds trial folders. Which dough lives where is told by
`doughlab.daily.shop`; the answer for one dough is `daily_answer`'s.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.daily_words import BAND_CAUTION, due_lines, tray_lines
from doughlab.commands.lines import counted, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.daily.shop import KeptDough

MOST_TRAYS = 3


def find_dough(place: Path, name: str) -> Path:
    """Find the folder of a dough in a shop.

    Raises
    ------
    InputError
        Where there is no such dough, or several; the names are given.
    """
    from doughlab.daily.shop import choose_dough

    return choose_dough(_doughs(place), name).folder


def _doughs(place: Path) -> list[KeptDough]:
    from doughlab.commands.overview import find_trials
    from doughlab.daily.shop import list_doughs

    return list_doughs(find_trials(place))


def show_shop(args: argparse.Namespace) -> Outcome:
    """Show every dough of a shop: what is due, which tray next, what has ended its recipe."""
    place = Path(args.folder)
    doughs = _doughs(place)
    settled = [d for d in doughs if d.recipe is not None]
    if not settled:
        names = "; ".join(d.words for d in doughs)
        raise InputError(
            f"No dough of '{place}' is settled yet: {names}. Settle one in its folder: doughlab "
            "daily FOLDER --settle --by NAME"
        )
    found: list[str] = []
    data = []
    for dough in settled:
        lines, facts = _show(args, dough)
        found += [line for text in lines for line in wrap(text, indent=4 if text[:1] == " " else 2)]
        found.append("")
        data.append(facts)
    for dough in doughs:
        if dough.recipe is None:
            found += wrap(f"{dough.words}")
    found += wrap(BAND_CAUTION)
    first = settled[0]
    return Outcome(
        read=[f"{counted(len(doughs), 'trial folder')} of {place}"], found=found,
        next=[f"doughlab daily {place} --dough '{first.dough}'"], data={"doughs": data},
        code=1 if any(d.problem for d in doughs) else 0,
    )  # fmt: skip


def _show(args: argparse.Namespace, dough: KeptDough) -> tuple[list[str], dict[str, Any]]:
    """Give the lines and the facts of one dough."""
    from doughlab.commands.daily import Desk
    from doughlab.daily.expiry import ended_lines
    from doughlab.daily.glance import take_glance
    from doughlab.record.folder import read_folder

    contents = read_folder(dough.folder)
    desk = Desk(args, contents)
    seen = take_glance(
        dough.folder, contents.settings, records=contents.records, waters=contents.water_rows,
        at=desk.at, rules=args.rules, show=desk.show,
    )  # fmt: skip
    facts: dict[str, Any] = {"dough": dough.dough, "folder": str(dough.folder)}
    if seen is None:
        return [], facts
    recipe = seen.recipe
    lines = [f"{dough.dough} ({dough.folder}): window {recipe.low:.2f} to {recipe.high:.2f} at "
             f"{recipe.hold_h:g} h, settled {recipe.settled_at}"]  # fmt: skip
    facts["ended"] = [vars(e) for e in seen.ended]
    if seen.too_warm_c is not None:
        shown = format_quantity(seen.too_warm_c, "temp_c", show=desk.show)
        lines.append(f"  The cooler was last at {shown}: no advice on pH; follow the food-safety "
                     "plan of the kitchen.")  # fmt: skip
        return lines + [f"  {text}" for text in ended_lines(seen.ended)], facts
    facts |= {
        "due": [{"lot": d.lot, "at": d.at.isoformat(), "late": d.late} for d in seen.due],
        "trays": [vars(t) for t in seen.trays], "signals": list(seen.standing.now),
    }  # fmt: skip
    lines += [f"  {text}" for text in due_lines(recipe, seen.due)]
    if seen.standing.now:
        lines.append(f"  Chart: {'; '.join(seen.standing.now)}. What to check first: "
                     f"{desk.command('').strip()}")  # fmt: skip
    lines += [f"  {text}" for text in tray_lines(list(seen.trays[:MOST_TRAYS]))]
    more = len(seen.trays) - MOST_TRAYS
    lines += [f"    and {counted(more, 'lot')} more"] if more > 0 else []
    lines += [] if seen.trays else ["  No trays are left."]
    return lines + [f"  {text}" for text in ended_lines(seen.ended)], facts
