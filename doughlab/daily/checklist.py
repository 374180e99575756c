"""Checklists for opening and for mixing, made from the settled recipe.

`doughlab daily` shows and ticks them; ticks are stored with the words that were ticked, so that a
recipe settled anew does not change what was done.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from doughlab.daily.recipe import Recipe
from doughlab.errors import InputError, UnknownName
from doughlab.sections import Limits
from doughlab.units import format_quantity

LISTS = ("opening", "mixing")


def list_points(name: str, recipe: Recipe, limits: Limits, *, show: str = "") -> list[str]:
    """Give the points of a checklist.

    Parameters
    ----------
    name : {"opening", "mixing"}
    recipe : Recipe
    limits : Limits
        The user's own, from the local rule.
    show : str
        Unit of temperature.

    Raises
    ------
    UnknownName
        For another list.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> list_points("opening", example_recipe(), Limits())[0]
    'Cooler: read it and write it down; 5 °C or below, usual 4 °C.'
    """
    if name not in LISTS:
        raise UnknownName("checklist", name, LISTS)

    def temp(value_c: float) -> str:
        return format_quantity(value_c, "temp_c", show=show, digits=0)

    make = _opening if name == "opening" else _mixing
    return make(recipe, limits, temp)


def _opening(recipe: Recipe, limits: Limits, temp: Any) -> list[str]:
    usual = recipe.usual
    cooler = temp(min(limits.cooler_c, 5.0))
    rooms = f"{temp(usual.room_low_c)} to {temp(usual.room_high_c)}"
    return [
        f"Cooler: read it and write it down; {cooler} or below, usual {temp(usual.cooler_c)}.",
        "Meter: rinse it, read both buffers, calibrate where it is due.",
        f"Room: read it; the recipe was tried at {rooms}.",
        f"Read one ball of each lot at {recipe.hold_h:g} h on a sample that is thrown away; a "
        "pierced ball is never baked or served.",
        "Put the trays in the order of the list: doughlab daily.",
        f"Nothing has changed that ends the recipe: {'; '.join(recipe.expires_when)}.",
    ]


def _mixing(recipe: Recipe, limits: Limits, temp: Any) -> list[str]:
    usual = recipe.usual
    settings = [w for n, w in recipe.words.items() if n in recipe.setting and not _is_hold(w, n)]
    flour = f" ({', '.join(recipe.flour_lots)} was tried)" if recipe.flour_lots else ""
    minutes = round(usual.before_h * 60)
    return [
        *(f"{w[0].upper()}{w[1:]}." for w in settings),
        f"Flour lot: write it down{flour}.",
        f"Dough after mixing: probe it and write it down; usual {temp(usual.dough_c)}.",
        f"Last tray in the cooler, usual {minutes} min after the flour was wetted; this counts "
        f"as warm time ({limits.warm_h:g} h in all by your limit).",
        "Label every tray: lot, date, wheat. Raw flour and raw dough are not eaten.",
        "Acids: food-grade only, mind eyes and skin, never near chlorine sanitiser, never in a "
        "closed container.",
        "Write the lot down: doughlab daily --new-lot NAME mixed_at=9:05 trays=6",
    ]


def _is_hold(words: str, name: str) -> bool:
    return name == "hold" or re.search(r"\d h$", words) is not None


def ticked_today(
    ticks: Iterable[dict[str, Any]], name: str, day: date, words: Sequence[str], zone: Any
) -> set[int]:
    """Give the points of a list ticked on a day, as far as their words still stand."""
    return {
        int(t["point"])
        for t in ticks
        if t["checklist"] == name
        and t["at"].astimezone(zone).date() == day
        and int(t["point"]) <= len(words)
        and t["words"] == words[int(t["point"]) - 1]
    }


def read_ticks(text: Sequence[str], words: Sequence[str]) -> list[int]:
    """Read the points that were typed, such as "1 3-5"; raises InputError for one not there.

    Examples
    --------
    >>> read_ticks(["1", "3-4"], ["a", "b", "c", "d"])
    [1, 3, 4]
    """
    found: list[int] = []
    for part in ",".join(text).split(","):
        span = re.fullmatch(r"\s*(\d{1,2})(?:-(\d{1,2}))?\s*", part)
        first, last = (int(span[1]), int(span[2] or span[1])) if span else (0, 0)
        if not 1 <= first <= last <= len(words):
            raise InputError(
                f"'{part.strip()[:20]}' is no point of this list: it has 1 to {len(words)}. Type "
                "--tick opening 1 3-5."
            )
        found += range(first, last + 1)
    return sorted(set(found))
