"""Earlier: the spreads that an earlier trial measured, read off its records for the next plan.

`doughlab plan` and the report call `read_spreads` where trial.toml says `assumed_from`. What the
spreads leave open is carried on by `plan.pilot`; what the trial found is left to `analyse`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.analysis.dataset import TrialLike, build_dataset, no_plan
from doughlab.analysis.models import TrialModel, choose_model, fit_model
from doughlab.errors import InputError, MissingRecords, NotEstimable, PlanError
from doughlab.plan.spreads import Spread, Spreads, measure_parts
from doughlab.record.folder import TrialFolder, read_folder

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.record.records import Records
    from doughlab.settings import Settings

LEAST_BATCH_DF = 3.0  # as few as a comparison of batches may be judged by

# random term of the model: whose spread it is
_WHOSE = {"block": "day", "water_lot": "lot", "session": "session", "batch": "batch",
          "ball": "ball"}  # fmt: skip


@dataclass(frozen=True)
class _Earlier:
    """A trial folder as the analysis wants it."""

    contents: TrialFolder

    @property
    def settings(self) -> Settings:
        return self.contents.settings

    @property
    def frozen_plan(self) -> Plan | None:
        return self.contents.plan

    @property
    def records(self) -> Records:
        return self.contents.records

    @property
    def waters(self) -> Mapping[str, Mapping[str, Any]]:
        return self.contents.water_rows


def read_spreads(folder: Path | str) -> dict[str, Spreads]:
    """Read the spreads of every response that an earlier trial recorded.

    Parameters
    ----------
    folder : Path
        The folder of the earlier trial, with its kept plan and records.

    Returns
    -------
    dict of str to Spreads
        By response; those without enough records are left out.

    Raises
    ------
    InputError
        Where the folder is no trial, has no kept plan, or no response tells its spreads.

    Examples
    --------
    >>> read_spreads("nowhere")
    Traceback (most recent call last):
    ...
    doughlab.errors.InputError: assumed_from: 'nowhere' is no trial folder. Name one ...
    """
    path = Path(folder)
    if not (path / "trial.toml").is_file():
        raise InputError(
            f"assumed_from: '{folder}' is no trial folder. Name one that holds a trial.toml, as "
            "seen from this trial's folder."
        )
    trial = _Earlier(read_folder(path))
    if trial.frozen_plan is None:
        raise InputError(f"assumed_from: '{folder}' has no kept plan, so its records say nothing.")
    found: dict[str, Spreads] = {}
    why = []
    for name in trial.settings.responses:
        try:
            found[name] = measure_spreads(trial, name)
        except (InputError, MissingRecords, NotEstimable, PlanError) as error:
            why.append(str(error))
    if not found:
        raise InputError(f"assumed_from: '{folder}' tells no spread. {why[0] if why else ''}")
    return found


def read_earlier(folder: Path, settings: Settings) -> dict[str, Spreads]:
    """Read the spreads that a trial plans with, from the folder that `assumed_from` names.

    Parameters
    ----------
    folder : Path
        Of the trial that is planned.
    settings : Settings

    Returns
    -------
    dict of str to Spreads
        Empty where trial.toml names no earlier trial.

    Raises
    ------
    InputError
        As `read_spreads`.
    """
    return read_spreads(Path(folder) / settings.assumed_from) if settings.assumed_from else {}


def own_spreads(folder: Path) -> dict[str, Spreads]:
    """Read the spreads that a trial's own records show, for an extension of its plan.

    Parameters
    ----------
    folder : Path
        Of the trial that is extended.

    Returns
    -------
    dict of str to Spreads
        Only responses whose batches leave `LEAST_BATCH_DF` degrees of freedom; empty where nothing
        is recorded yet.
    """
    try:
        found = read_spreads(folder)
    except InputError:  # nothing recorded that repeats: what was stated stays
        return {}
    return {
        name: replace(s, source=f"this trial: {s.source}")
        for name, s in found.items()
        if any(p.name == "batch" and p.df >= LEAST_BATCH_DF for p in s.parts)
    }


def measure_spreads(trial: TrialLike, response: str) -> Spreads:
    """Measure how days, batches, balls and judges differ on a response.

    Parameters
    ----------
    trial : TrialLike
        A `doughlab.Trial` with a kept plan and records.
    response : str

    Returns
    -------
    Spreads
        Settings are taken out by the model of the analysis, with mixing days as a spread. The
        spread of balls holds that of reading them.

    Raises
    ------
    InputError
        Where nothing repeats.
    MissingRecords, NotEstimable, PlanError
        Where too little is recorded to fit the model.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> spreads = measure_spreads(open_demo(), "ph")
    >>> {p.name: round(p.variance**0.5, 3) for p in spreads.parts}
    {'day': 0.042, 'batch': 0.034, 'session': 0.006, 'ball': 0.029}
    """
    model = _fit(trial, response)
    names, notes = model.fit.random_names, []
    scored = "judge" in model.frame and model.frame["judge"].nunique() > 1
    keep = [i for i, name in enumerate(names) if name in _WHOSE or name == "residual"]
    labels = [_WHOSE.get(names[i], "judge" if scored else "ball") for i in keep]
    variances = np.maximum(model.fit.variances.to_numpy(dtype=float), 0.0)
    shared = [i for i, name in enumerate(names) if ":" in name]
    variances[-1] += variances[shared].sum()
    covariance = model.fit.moments.w[np.ix_(keep, keep)] * model.fit.scale**4
    parts = measure_parts(labels, list(variances[keep]), covariance)
    words = model.dataset.response.words
    for lot in ("flour_lot", "preferment_lot"):
        if lot in names:
            notes.append(f"{words}: how {lot.replace('_', ' ')}s differ is not carried along.")
    if "batch" not in labels:
        parts = (Spread("batch", parts[-1].variance, parts[-1].df), *parts)
        notes.append(
            f"{words}: one value of each batch does not tell batches from balls, so all of it is "
            "counted twice, once for each."
        )
    return Spreads(response, parts, trial.settings.name, tuple(notes))


def _fit(trial: TrialLike, response: str) -> TrialModel:
    """Fit the planned model with mixing days as a spread, so that they are measured as well."""
    dataset = build_dataset(trial, response)
    plan = trial.frozen_plan
    if plan is None:
        raise no_plan(trial)
    terms = choose_model(trial.settings, plan, dataset)
    random = list(terms.random)
    several = trial.settings.blocks.kind == "day" and dataset.frame["block"].nunique() > 1
    if several and "block" not in random:
        random.insert(0, "block")
    fixed = [t for t in terms.fixed if t != "block"]
    return fit_model(trial.settings, dataset, terms, random=random, fixed=fixed)
