"""Nearby: the trial folders near a place that is none, so that a slip is named and mended.

`settings` and the record room ask here when trial.toml is not found. Nothing is opened.
"""

from __future__ import annotations

import difflib
import shlex
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

FILE = "trial.toml"
_MOST = 500  # folders looked at
_SHOWN = 4


def find_trials(folder: Path) -> list[Path]:
    """Find trial folders beside and under a folder that is none.

    Parameters
    ----------
    folder : Path
        As typed; it may not exist.

    Returns
    -------
    list of Path
        In alphabetical order, as they can be typed from here.

    Examples
    --------
    >>> find_trials(Path("no/such/folder"))
    []
    """
    found = {p.parent for root, pattern in _places(Path(folder)) for p in _glob(root, pattern)}
    return sorted(p for p in found if p != Path(folder))


def _places(folder: Path) -> Iterator[tuple[Path, str]]:
    """Give where to look: under a folder that is there, else beside it and under this one."""
    if folder.is_dir():
        yield folder, f"*/{FILE}"
    else:
        yield folder.parent, f"*/{FILE}"
    if not folder.is_absolute() and len(folder.parts) < 3:
        yield Path(), f"*/{FILE}"
        yield Path(), f"*/*/{FILE}"


def _glob(root: Path, pattern: str) -> list[Path]:
    try:
        return list(islice(root.glob(pattern), _MOST))
    except OSError:
        return []


def missing_words(folder: Path) -> str:
    """Say that a folder holds no trial, and which one may be meant.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    str
        What follows "trial.toml".

    Examples
    --------
    >>> missing_words(Path("no/such/folder"))
    'does not exist, so this is no trial folder. Make one: doughlab new FOLDER'
    """
    folder = Path(folder)
    head = "does not exist, so this is no trial folder."
    near = find_trials(folder)
    if not near:
        return f"{head} Make one: doughlab new FOLDER"
    meant = _likest(folder, near)
    if meant is not None:
        return f"{head} Did you mean {shlex.quote(str(meant))}?"
    shown = ", ".join(str(p) for p in near[:_SHOWN])
    more = f" and {len(near) - _SHOWN} more" if len(near) > _SHOWN else ""
    return (
        f"{head} Trials here: {shown}{more}. Name one, as --folder {shlex.quote(str(near[0]))}, "
        "or make one: doughlab new FOLDER"
    )


def _likest(folder: Path, near: list[Path]) -> Path | None:
    """Choose the folder of the same or nearly the same name."""
    if folder == Path():
        return None
    same = [p for p in near if p.name == folder.name]
    if len(same) == 1:
        return same[0]
    names = {p.name: p for p in reversed(near)}
    close = difflib.get_close_matches(folder.name, names, 1, 0.75)
    return names[close[0]] if close else None
