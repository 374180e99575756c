"""Finds the demo trials and notebooks that come with doughlab.

`notebook`, `demo` and `lab` ask here; an installed wheel carries them inside, a checkout beside.
Copying never overwrites; what is done with a copy is left to the callers.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from doughlab.errors import InputError

PACKAGE = Path(__file__).parent
DEMO = "lantern-quay"
SECOND = "lantern-quay-second"  # the demo's follow-up


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


def copy_demo(folder: Path, name: str = DEMO) -> bool:
    """Copy the demo trial to a folder, unless something stands there already.

    Parameters
    ----------
    folder : Path
    name : str
        `DEMO`, or `SECOND` for the trial that settles what the first left open.

    Returns
    -------
    bool
        True when it was copied, False when a trial was there and is used as it is.

    Raises
    ------
    InputError
        When the folder holds something else.
    """
    source = starter_folder("trials") / name
    if (folder / "trial.toml").exists():
        return False
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder} holds something else. Name a new folder: doughlab demo NAME")
    leave = shutil.ignore_patterns("report", "notebooks", ".lock", "*.torn")
    shutil.copytree(source, folder, dirs_exist_ok=True, ignore=leave)
    return True


def copy_notebooks(folder: Path) -> tuple[list[str], list[str]]:
    """Copy the notebooks that are not there yet into notebooks/ of a folder.

    What a notebook printed about the demo is left out of the copy, so that no number of another
    trial stands in it before it is run.

    Parameters
    ----------
    folder : Path
        A trial folder.

    Returns
    -------
    copied, kept : list of str
        File names in order; a file that was there is kept as it is.

    Raises
    ------
    InputError
        When the installation is not complete, or notebooks is a file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as trial:
    ...     copied, kept = copy_notebooks(Path(trial))
    ...     again = copy_notebooks(Path(trial))
    >>> kept, again == ([], copied)
    ([], True)
    """
    source, there = starter_folder("notebooks"), folder / "notebooks"
    if there.exists() and not there.is_dir():
        raise InputError(f"{there} is a file. Rename it: the notebooks go into a folder there.")
    there.mkdir(exist_ok=True)
    copied, kept = [], []
    for path in sorted(source.glob("*.ipynb")):
        text = without_outputs(path.read_text(encoding="utf-8"))
        try:  # "x" never overwrites, not even what appeared a moment ago
            with (there / path.name).open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except FileExistsError:
            kept.append(path.name)
        else:
            copied.append(path.name)
    return copied, kept


def without_outputs(text: str) -> str:
    """Empty the outputs of a notebook and keep everything else.

    Examples
    --------
    >>> cell = {"cell_type": "code", "execution_count": 3, "outputs": [1], "source": "x"}
    >>> json.loads(without_outputs(json.dumps({"cells": [cell]})))["cells"][0]["outputs"]
    []
    """
    book = json.loads(text)
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            cell["outputs"], cell["execution_count"] = [], None
    return json.dumps(book, indent=1, ensure_ascii=False) + "\n"
