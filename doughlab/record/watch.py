"""What to watch: balls that stand warm, the cooler, the meter, the panel, trainees, in sentences.

The bench and the notebook show it beside what is due; each sentence is made where its facts are.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from doughlab.record.due import cooler_words, meter_words, study_words, warm_balls
from doughlab.record.panel import panel_words
from doughlab.record.records import Records
from doughlab.record.trainee import trainee_words
from doughlab.settings import Settings

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan


def list_watch(settings: Settings, plan: Plan | None, records: Records, at: datetime) -> list[str]:
    """List what to watch at a time.

    Parameters
    ----------
    settings : Settings
    plan : Plan or None
    records : Records
    at : datetime
        With offset.

    Examples
    --------
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> list_watch(Settings("Demo", "DE"), None, Records(), now)
    []
    """
    said = [
        cooler_words(settings, records, at), meter_words(settings, records, at),
        panel_words(settings, records.until(at), at), trainee_words(settings, records, at),
    ]  # fmt: skip
    study = study_words(plan, records, at) if plan is not None else ""
    said += [f"next reading: {study}"] if study else []
    warm = warm_balls(plan, records, at) if plan is not None else []
    return [*(words for words in said if words), *(f"{w.ball_id}: {w.words}" for w in warm)]
