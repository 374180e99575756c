"""Notebook: opens the trial a notebook is about.

Every notebook begins with `open_trial()`; which trial that is stands in one environment variable.
Where the demo stands is known to `starter`; what is done with the trial is left to the notebook.
"""

from __future__ import annotations

import os
from pathlib import Path

from doughlab.errors import InputError
from doughlab.starter import DEMO, starter_folder
from doughlab.trial import Trial

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
