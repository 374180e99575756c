"""The panel: what every judge is told, asked once, and still owes.

The bench shows it on a judge's card, `doughlab today` what is missing. No sentence names a ball:
a judge reads codes. How scores become numbers stands in `scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from doughlab.record.records import Records
from doughlab.settings import Settings

CONSENT = "You may stop at any time, and say no to any sample."


def tell_judges(settings: Settings) -> list[str]:
    """Say how samples are tasted, in the order in which it is needed.

    Parameters
    ----------
    settings : Settings
        Section [panel].

    Returns
    -------
    list of str
        Sentences for the head of a judge's card.

    Examples
    --------
    >>> print(tell_judges(Settings("Demo", "DE"))[-2])
    The samples contain wheat. Allergic to any of it, or not feeling well: do not taste.
    """
    panel = settings.panel
    best = f"The best one, as agreed before the first bake: {panel.ideal}." if panel.ideal else (
        "Nobody has written down yet what the best one is: ideal in [panel] of trial.toml."
    )  # fmt: skip
    said = [best]
    if panel.reference:
        said.append(f"Taste first, by its name and without a score: {panel.reference}.")
    said.append(
        f"Each sample {panel.from_oven_min:g} min from the oven; {panel.palate_rest_min:g} min, "
        "water and a bite of plain bread between two."
    )
    said.append(
        f"The samples contain {panel.contains}. Allergic to any of it, or not feeling well: do "
        "not taste."
    )
    return [*said, CONSENT]


def list_unasked(settings: Settings, records: Records) -> list[str]:
    """List the judges whose allergies and consent are not written down.

    Examples
    --------
    >>> from doughlab.sections import Panel
    >>> settings = Settings("Demo", "DE", panel=Panel(judges=("ada", "ben")))
    >>> asked = Records.of(notes=[{"about": "ada", "kind": "consent", "note": "none"}])
    >>> list_unasked(settings, asked)
    ['ben']
    """
    asked = {row["about"] for row in records.notes if row["kind"] == "consent"}
    return [judge for judge in settings.panel.judges if judge not in asked]


def count_owed(settings: Settings, records: Records, at: datetime | None = None) -> dict[str, int]:
    """Count, for each judge, the baked balls whose card is not whole.

    Parameters
    ----------
    settings : Settings
    records : Records
    at : datetime, optional
        Bakes after it are not counted.

    Returns
    -------
    dict of str to int
        Judges who owe nothing are left out.

    Examples
    --------
    >>> count_owed(Settings("Demo", "DE"), Records())
    {}
    """
    owed: dict[str, int] = {}
    lost = {row["about"] for row in records.notes if row["kind"] == "lost"}
    baked = {
        row["ball_id"]
        for row in records.bakes
        if (at is None or row["baked_at"] is None or row["baked_at"] <= at)
        and row["ball_id"] not in lost
    }
    for ball, judges in waiting_judges(settings, records).items():
        for judge in judges if ball in baked else ():
            owed[judge] = owed.get(judge, 0) + 1
    return {judge: owed[judge] for judge in settings.panel.judges if judge in owed}


def waiting_judges(settings: Settings, records: Records) -> Mapping[str, list[str]]:
    """List for every baked ball the judges whose card is not whole.

    Examples
    --------
    >>> waiting_judges(Settings("Demo", "DE"), Records())
    {}
    """
    judges = settings.panel.judges
    if not judges or not any(r.kind == "score" for r in settings.responses.values()):
        return {}
    needed = {name for name, c in settings.rubric.items() if c.weight > 0}
    given: dict[tuple[str, str], set[str]] = {}
    for row in records.scores:
        if row["score"] is not None:
            given.setdefault((row["ball_id"], row["judge"]), set()).add(row["criterion"])
    return {
        bake["ball_id"]: [j for j in judges if needed - given.get((bake["ball_id"], j), set())]
        for bake in records.bakes
    }


def panel_words(settings: Settings, records: Records, at: datetime | None = None) -> str:
    """Say which judges owe scores and who was not asked yet; empty where all is there.

    Examples
    --------
    >>> panel_words(Settings("Demo", "DE"), Records())
    ''
    """
    owed = count_owed(settings, records, at)
    said = []
    if owed:
        named = ", ".join(f"{judge} {n}" for judge, n in owed.items())
        said.append(f"cards not whole: {named}")
    unasked = list_unasked(settings, records)
    if unasked and (records.bakes or records.scores):
        said.append(
            f"allergies and consent not written down: {', '.join(unasked)}; "
            f'doughlab record consent {unasked[0]} "no allergies"'
        )
    return "; ".join(said)
