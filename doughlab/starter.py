"""Finds the demo trials and notebooks that come with doughlab.

`notebook`, `demo` and `lab` ask here; an installed wheel carries them inside, a checkout beside.
Copying never overwrites; what is done with a copy is left to the callers.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from doughlab.errors import InputError

PACKAGE = Path(__file__).parent
DEMO = "lantern-quay"


def starter_folder(kind: str) -> Path:
    """Find the folder of things that come along.

    Parameters
    ----------
    kind : str
        "trials" or "notebooks".

    Returns
    -------
    Path

    Raises
    ------
    InputError
        When the installation is not complete.

    Examples
    --------
    >>> (starter_folder("trials") / DEMO / "trial.toml").exists()
    True
    """
    for place in (PACKAGE / "_starter" / kind, PACKAGE.parent / kind):
        if place.is_dir():
            return place
    raise InputError(f"The {kind} that come with doughlab are not there. Install doughlab again.")


def copy_demo(folder: Path) -> bool:
    """Copy the demo trial to a folder, unless something stands there already.

    Returns
    -------
    bool
        True when it was copied, False when a trial was there and is used as it is.

    Raises
    ------
    InputError
        When the folder holds something else.
    """
    source = starter_folder("trials") / DEMO
    if (folder / "trial.toml").exists():
        return False
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder} holds something else. Name a new folder: doughlab demo NAME")
    leave = shutil.ignore_patterns("report", "notebooks", ".lock", "*.torn")
    shutil.copytree(source, folder, dirs_exist_ok=True, ignore=leave)
    return True
