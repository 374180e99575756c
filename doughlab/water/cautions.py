"""The cautions on acid, base and water, each sentence once.

Every dose, card, command answer and report page takes them from here.
It leaves cautions on dough, flour, electrodes and tasting to the rooms that print those.
"""

from __future__ import annotations

from typing import Final

CHECK: Final = "then check with the meter"

CAUTIONS: Final = {
    "food grade": "Food-grade acid or bicarbonate only.",
    "eyes": (
        "Keep acid off eyes and skin; concentrated acid needs goggles and gloves, and goes into "
        "the water, never water into acid."
    ),
    "concentrated": (
        "This acid is concentrated and burns eyes and skin: goggles and gloves on before the "
        "bottle is opened; acid into the water, never water into acid; a splash: rinse with much "
        "water at once and get help."
    ),
    "chlorine": "Never let acid meet chlorine sanitiser: toxic gas.",
    "sealed": (
        "Never dose in a sealed container: gas pressure. 'Closed' here means little air contact, "
        "such as a lid that lies on."
    ),
    "plumbing": "Never dose plumbed lines, tanks of machines or filters; dose what you weigh.",
    "metal": "Water of low alkalinity attacks metal: use plastic, glass or stainless steel.",
    "lemon": "Bottled lemon juice may carry sulphites: an allergen that has to be declared.",
    "dough only": "About the dough only; drinkability not judged.",
    "laboratory": "Laboratory test before anybody tastes it.",
    "local": "Local code and licensed professionals decide.",
}

# The same in one line, where there is room for one only.
SHORT: Final = (
    "Food-grade acid only. Eyes and skin. Never near chlorine sanitiser (toxic gas). Not in a "
    "sealed container, not into plumbed lines."
)

# The same where an answer comes first and the whole stands behind --more: nothing is left out.
_BRIEF: Final = (
    (("concentrated",), CAUTIONS["concentrated"]),
    (("laboratory",), CAUTIONS["laboratory"]),
    (("food grade", "eyes"), "Food-grade acid or bicarbonate only; keep acid off eyes and skin."),
    (("chlorine",), CAUTIONS["chlorine"]),
    (
        ("sealed", "plumbing"),
        "Never dose in a sealed container: gas pressure ('closed' means little air contact). Never "
        "dose plumbed lines.",
    ),
    (("lemon",), CAUTIONS["lemon"]),
    (("metal",), CAUTIONS["metal"]),
    (
        ("dough only", "local"),
        "About the dough only; drinkability not judged. Local code and licensed professionals "
        "decide.",
    ),
)


def brief_cautions(cautions: tuple[str, ...]) -> tuple[str, ...]:
    """Say cautions in fewer words, none of them left out.

    Parameters
    ----------
    cautions : tuple of str
        As from `list_cautions`.

    Examples
    --------
    >>> brief_cautions(list_cautions())[1]
    'Never let acid meet chlorine sanitiser: toxic gas.'
    """
    known = {text: key for key, text in CAUTIONS.items()}
    keys = {known.get(c, "") for c in cautions}
    said = [text for group, text in _BRIEF if keys & set(group)]
    return (*said, *(c for c in cautions if c not in known))


def list_cautions(
    *,
    lemon: bool = False,
    low_alkalinity: bool = False,
    laboratory: bool = False,
    concentrated: bool = False,
) -> tuple[str, ...]:
    """List the cautions for an answer, those of the case first.

    Parameters
    ----------
    lemon : bool
        Whether bottled juice may be used.
    low_alkalinity : bool
        Whether the water, before or after dosing, holds little alkalinity.
    laboratory : bool
        Whether the water's source or smell asks for a laboratory first.
    concentrated : bool
        Whether the acid is stronger than any vinegar; its caution then comes before all others.

    Examples
    --------
    >>> list_cautions()[0]
    'Food-grade acid or bicarbonate only.'
    """
    keys = ["food grade", "eyes", "chlorine", "sealed", "plumbing"]
    if laboratory:
        keys.insert(0, "laboratory")
    if concentrated:
        keys.insert(0, "concentrated")
    keys += ["metal"] if low_alkalinity else []
    keys += ["lemon"] if lemon else []
    return tuple(CAUTIONS[k] for k in (*keys, "dough only", "local"))


def list_water_cautions(
    *, low_alkalinity: bool = False, laboratory: bool = False
) -> tuple[str, ...]:
    """List the cautions for an answer on a water to which nothing is added.

    Parameters
    ----------
    low_alkalinity : bool
        Whether the water holds little alkalinity.
    laboratory : bool
        Whether the water's source or smell asks for a laboratory first.

    Examples
    --------
    >>> list_water_cautions(laboratory=True)[0]
    'Laboratory test before anybody tastes it.'
    """
    keys = ["laboratory"] if laboratory else []
    keys += ["metal"] if low_alkalinity else []
    return tuple(CAUTIONS[k] for k in (*keys, "dough only", "local"))
