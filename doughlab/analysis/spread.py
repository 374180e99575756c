"""Spread of readings by meter, person and ball, and how sure the limits of a trainee are.

Called by `doughlab analyse --spread` and the notebook of the bench; a plan for it is the ready
trial `meter-study`. The split itself stands in `stats.components`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from doughlab.errors import MissingRecords, NotEstimable
from doughlab.record.trainee import Agreement
from doughlab.stats.components import SpreadStudy, study_spread

if TYPE_CHECKING:
    from doughlab.analysis.dataset import TrialLike

SOURCES = {"person": "entered_by", "meter": "instrument"}


def spread_of_readings(trial: TrialLike, column: str = "ph") -> SpreadStudy:
    """Split the spread of a trial's readings by ball, person and meter.

    The person is who entered a reading, the meter its instrument; either is left out where all
    readings share it. Only readings by the trial's own method are used.

    Parameters
    ----------
    trial : TrialLike
        A `doughlab.Trial`.
    column : str
        Of record/readings.csv.

    Returns
    -------
    SpreadStudy
        Sources ball, person, meter, then repeat, measuring and total, each with its 95 % range.

    Raises
    ------
    MissingRecords
        Without readings.
    NotEstimable
        With one ball, or one reading for each; what has to be read.

    References
    ----------
    See `doughlab.stats.components.study_spread`.
    """
    import pandas as pd

    kind = trial.settings.reading_method.kind
    rows = [
        r for r in trial.records.readings
        if r.get(column) is not None and r["method"] in (None, kind)
    ]  # fmt: skip
    if not rows:
        raise MissingRecords(
            f"There are no readings of {column} yet. A plan for them: doughlab new FOLDER --for "
            "meter-study"
        )
    data = pd.DataFrame({"ball": [r["ball_id"] for r in rows], "y": [r[column] for r in rows]})
    for name, source in SOURCES.items():
        data[name] = [r[source] or "not said" for r in rows]
    used = [name for name in SOURCES if data[name].nunique() > 1]
    if data["ball"].nunique() < 2 or not data.duplicated(["ball", *used]).any():
        raise NotEstimable(
            "The spread of readings needs two balls or more, and some ball read twice by one "
            "person with one meter. Read again, or plan it: doughlab new FOLDER --for meter-study"
        )
    return study_spread(data, "y", part="ball", measured_by=used)


def agreement_ranges(found: Agreement, *, level: float = 0.95) -> dict[str, tuple[float, float]]:
    """Give ranges of the mean difference of paired numbers and of its limits of agreement.

    Parameters
    ----------
    found : Agreement
        From `record.trainee.fit_agreement`.
    level : float

    Returns
    -------
    dict of str to (float, float)
        "mean", "low", "high".

    References
    ----------
    Bland & Altman (1986), Lancet 327, 307-310: standard errors s / sqrt(n) and, near enough,
    sqrt(3 s^2 / n), with Student's t. Checked in tests/reference/test_trainee_bland1986.py.

    Examples
    --------
    >>> low, high = agreement_ranges(Agreement(17, -2.1, 38.8))["high"]
    >>> round(low, 1), round(high, 1)
    (39.4, 108.5)
    """
    from scipy.special import stdtrit

    t = float(stdtrit(found.n - 1, 0.5 + level / 2))
    mean, limit = found.sd / math.sqrt(found.n), found.sd * math.sqrt(3.0 / found.n)
    ends = (("mean", found.mean, mean), ("low", found.low, limit), ("high", found.high, limit))
    return {name: (at - t * error, at + t * error) for name, at, error in ends}
