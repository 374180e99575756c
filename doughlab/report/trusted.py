"""What the records themselves put in question: notes of the check, the meter, the judges' consent.

`page` puts them under what happened, and the meter beside the decision and on the first page.
Nothing is left out of an analysis here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from doughlab.analysis.wording import amount_words, joined
from doughlab.record.panel import count_owed, list_unasked
from doughlab.record.trust import find_moves
from doughlab.report.blocks import Block, Listing, Words
from doughlab.report.text import Texts, without_commands

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.errors import Problem
    from doughlab.report.subject import Subject

_VALUE = re.compile(r"'[^']*'|\bB\d+(?:-\d+)?\b|[-+]?\d[\d.,:T+-]*")


def meter_words(trial: Subject, texts: Texts) -> list[str]:
    """Say between which calibrations the meter moved too far, and how many readings that touches.

    Parameters
    ----------
    trial : Trial
    texts : Texts

    Returns
    -------
    list of str
        One sentence for each such move; empty where the meter stood within [meter] drift_ph.
    """
    settings, records = trial.settings, trial.records
    response = next((r for r in settings.responses.values()
                     if (r.table, r.column) == ("readings", "ph")), None)  # fmt: skip
    if response is None:
        return []
    named = {c["calibration_id"]: c for c in records.calibrations}
    said = []
    for d in find_moves(settings, records):
        first, then = (named[i]["calibrated_at"] for i in (d.first_id, d.then_id))
        every = {r["ball_id"] for r in records.readings}
        on = {r["ball_id"] for r in records.readings if r["calibration_id"] == d.first_id}
        key = "meter_moved_high" if d.ph > 0 else "meter_moved_low"
        said.append(texts.say(
            key, by=f"{abs(d.ph):.2f}", first=f"{first:%Y-%m-%d %H:%M}",
            then=f"{then:%Y-%m-%d %H:%M}", n=len(on), of=len(every),
            margin=amount_words(response.margin, response),
        ))  # fmt: skip
    return said


def meter_cautions(
    trial: Subject, analyses: Mapping[str, Analysis], texts: Texts
) -> tuple[Words, ...]:
    """Give the moves of the meter as a caution, with what the answers are without its readings.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis
        By response.
    texts : Texts
    """
    said = meter_words(trial, texts)
    without = [s for a in analyses.values() if a.doubted is not None
               for s in a.doubted.sentences[1:]]  # fmt: skip
    return (Words(" ".join([*said, *without]), "caution"),) if said and analyses else ()


def consent_words(trial: Subject, texts: Texts) -> list[str]:
    """Say whether allergies, consent and all scores were written down; empty without a tasting.

    Parameters
    ----------
    trial : Trial
    texts : Texts
    """
    settings, records = trial.settings, trial.records
    judges = settings.panel.judges
    if not judges or not records.scores:
        return []
    unasked = list_unasked(settings, records)
    asked = (texts.say("consent_missing", judges=joined(unasked)) if unasked
             else texts.say("consent_all", n=len(judges)))  # fmt: skip
    owed = count_owed(settings, records, records.last_at)
    absent = ", ".join(f"{judge} {n}" for judge, n in owed.items())
    return [asked, *([texts.say("scores_absent", judges=absent)] if owed else [])]


def notes_of_check(trial: Subject, texts: Texts) -> list[Block]:
    """List what the check of the folder noted: each kind once, with how many are alike.

    Parameters
    ----------
    trial : Trial
    texts : Texts
    """
    kinds: dict[tuple[str, str, str], list[Problem]] = {}
    for p in trial.problems:
        if p.level != "error":
            kinds.setdefault((p.file, p.column, _VALUE.sub("#", p.message)), []).append(p)
    items = [
        without_commands(str(found[0])) if len(found) == 1
        else texts.say("note_alike", first=without_commands(str(found[0])), n=len(found) - 1)
        for found in kinds.values()
    ]  # fmt: skip
    return [Words(texts.say("notes_of_check")), Listing(tuple(items))] if items else []
