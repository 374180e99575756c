"""Notebook: opens the trial a notebook is about.

Every notebook begins with `open_trial()`; which trial that is stands in one environment variable.
Where the demo stands is known to `starter`; what is done with the trial is left to the notebook.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from doughlab.errors import InputError
from doughlab.starter import DEMO, starter_folder
from doughlab.trial import Trial

if TYPE_CHECKING:
    from doughlab.analysis import Analysis
    from doughlab.decision import Decision
    from doughlab.record.bench_desk import Bench

VARIABLE = "DOUGHLAB_TRIAL"


def open_trial(default: str = DEMO) -> Trial:
    """Open the trial named by DOUGHLAB_TRIAL, else one that comes with doughlab.

    Parameters
    ----------
    default : str
        Name of the shipped trial to open where the variable is not set.

    Returns
    -------
    Trial

    Raises
    ------
    InputError
        Where the folder is not there, or its trial.toml cannot be used.

    Examples
    --------
    >>> open_trial("cake").settings.code
    'CAKE'
    """
    named = os.environ.get(VARIABLE, "").strip()
    if not named:
        return Trial.open(starter_folder("trials") / default)
    folder = Path(named)
    if not folder.is_dir():
        raise InputError(
            f"{VARIABLE} names '{named}', which is no folder. Set it to a trial folder, or unset "
            "it to open the demo."
        )
    return Trial.open(folder)


@cache
def open_demo() -> Trial:
    """Open the demo that comes with doughlab, whatever DOUGHLAB_TRIAL says.

    Returns
    -------
    Trial
        The same one at every call: the examples of the documentation start from it.

    Examples
    --------
    >>> open_demo().settings.name
    'Lantern Quay: which water for the new building?'
    """
    return Trial.open(starter_folder("trials") / DEMO)


@cache
def analyse_demo(response: str = "ph") -> Analysis:
    """Analyse a response of the demo; computed once, then kept.

    Parameters
    ----------
    response : str
        "ph" or "score".

    Returns
    -------
    Analysis

    Raises
    ------
    UnknownName
        Where the demo has no such response.

    Examples
    --------
    >>> [round(v, 5) for v in analyse_demo("ph").fit.variances]
    [0.00118, 4e-05, 0.00085]
    """
    from doughlab.analysis import analyse

    return analyse(open_demo(), response)


@cache
def decide_demo() -> Decision:
    """Decide the demo; computed once, then kept.

    Returns
    -------
    Decision

    Examples
    --------
    >>> decide_demo().window.text, decide_demo().recommended["hold"]
    ('5.35-5.75', '48')
    """
    from doughlab.decision import decide

    return decide(open_demo(), analyses={r: analyse_demo(r) for r in ("ph", "score")})


def open_settled() -> Trial:
    """Open the trial named by DOUGHLAB_TRIAL where its dough is kept every day, else the demo.

    Returns
    -------
    Trial
        The own one where a recipe is settled and a lot was read at its checkpoint; else
        `open_demo()` itself.

    Raises
    ------
    InputError
        As `open_trial`, and where daily/ cannot be read.

    Examples
    --------
    >>> open_settled() is open_demo()
    True
    """
    from doughlab.daily import find_standing, read_daily, read_recipe

    if is_own():
        trial = open_trial()
        recipe = read_recipe(trial.folder)
        if (
            recipe is not None
            and find_standing(recipe, read_daily(trial.folder, [recipe.dough])).points
        ):
            return trial
    return open_demo()


def is_own() -> bool:
    """Tell whether the notebook runs on a trial of the user's own.

    Examples
    --------
    >>> is_own()
    False
    """
    return bool(os.environ.get(VARIABLE, "").strip())


def open_bench(at: str) -> Bench:
    """Open the bench of the user's own trial, or of a copy of the demo as it stood at a time.

    Parameters
    ----------
    at : str
        ISO 8601 with offset: the time of the demo's bench. An own trial has the clock of this
        machine.

    Returns
    -------
    Bench
        Entries go into the folder that it names.

    Raises
    ------
    InputError
        As `open_trial`.

    Examples
    --------
    >>> bench = open_bench("2026-03-05T14:10:00-05:00")
    >>> bench.folder.name, bench.now.hour
    ('demo', 14)
    """
    from doughlab.record.bench_desk import Bench

    return Bench(open_trial().folder) if is_own() else open_practice(at)


def open_practice(at: str) -> Bench:
    """Open the bench of a copy of the demo as it stood at a time, whatever DOUGHLAB_TRIAL says.

    For entries that are made up: none of them gets into a trial of the user's own.

    Parameters
    ----------
    at : str
        ISO 8601 with offset.

    Returns
    -------
    Bench
        Of a new copy in a temporary folder at every call.

    Examples
    --------
    >>> bench = open_practice("2026-03-05T11:05:00-05:00")
    >>> len(bench.contents.records.calibrations), bench.folder == open_demo().folder
    (2, False)
    """
    from doughlab.record.bench_desk import Bench
    from doughlab.tables import RECORDS, table

    now = datetime.fromisoformat(at)
    folder = Path(tempfile.mkdtemp()) / "demo"
    shutil.copytree(open_demo().folder, folder, ignore=shutil.ignore_patterns("report", ".lock"))
    for name in RECORDS:
        path = folder / table(name).path
        if path.exists():
            head, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
            known = [r for r in rows if datetime.fromisoformat(r.split(",")[1]) <= now]
            path.write_text("".join([head, *known]), encoding="utf-8", newline="\n")
    return Bench(folder, clock=lambda: now)
