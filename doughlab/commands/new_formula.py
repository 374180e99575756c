"""The formula.toml that `doughlab new` writes: a dough with every section that it may have.

Only `new` asks here. What the sections mean stands in the formula room, which reads the file.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.commands.answers import DoughAnswer
    from doughlab.sections import Factor

# Common practice, no source: the file says so.
_USUAL = {"hydration": 62.0, "salt": 2.5, "yeast": 0.3}
_MORE = {"oil": 1.5, "malt": 0.5}


def formula_text(dough: DoughAnswer, factors: Iterable[Factor]) -> str:
    """Write formula.toml for a new trial.

    Parameters
    ----------
    dough : DoughAnswer
        Name, grams of a ball, and balls in a batch where they were said.
    factors : iterable of Factor
        A factor named like an ingredient gives it its first level.

    Returns
    -------
    str

    Examples
    --------
    >>> from doughlab.commands.answers import DoughAnswer
    >>> formula_text(DoughAnswer(), []).splitlines()[0]
    "# The dough in baker's percentages: all the flour is 100, the rest is weighed"
    """
    percents = dict(_USUAL) | ({"hydration": dough.hydration} if dough.hydration else {})
    for f in factors:
        if f.name in {*_USUAL, *_MORE} and f.values:
            percents[f.name] = f.values[0]
    lines = [f"{name} = {value:g}" for name, value in percents.items()]
    lines += [f"# {name} = {value:g}" for name, value in _MORE.items() if name not in percents]
    balls = f"balls = {dough.balls}" if dough.balls else "# balls = 18"
    text = (files("doughlab.commands") / "templates" / "formula.toml").read_text(encoding="utf-8")
    return Template(text).substitute(
        toml_name=json.dumps(dough.name, ensure_ascii=False),
        percents="\n".join(lines),
        balls=f"{balls:<27} # balls in a batch",
        ball_g=json.dumps(dough.ball) if dough.ball else f"{dough.ball_g:g}",
    )
