"""What came after the trial: the settled recipe, its every day, and what a later trial settled.

`page` puts it on the first page and beside what the trial left open. Everything is read from the
folder: daily/settled.toml names the trials that the recipe stands on, daily/ holds the lots.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from doughlab.analysis.wording import joined
from doughlab.daily.journals import read_daily
from doughlab.daily.recipe import Recipe, read_recipe
from doughlab.daily.standing import Standing, find_standing
from doughlab.errors import InputError
from doughlab.report.blocks import Block, Listing, Section, Words
from doughlab.report.daily_pictures import lot_ph
from doughlab.report.text import Texts
from doughlab.stats.verdicts import NOT_SETTLED

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.report.subject import Subject


@dataclass(frozen=True)
class Since:
    """The settled recipe of a trial and where its lots stand.

    Attributes
    ----------
    recipe : Recipe
    standing : Standing
    """

    recipe: Recipe
    standing: Standing

    @property
    def last_at(self) -> datetime | None:
        """When the last lot was read; None without a lot."""
        return self.standing.points[-1].at if self.standing.points else None


def read_since(trial: Subject) -> Since | None:
    """Read what came after a trial; None where no recipe was settled or it cannot be used.

    Parameters
    ----------
    trial : Trial

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> since = read_since(open_demo())
    >>> since.recipe.settled_at, f"{since.last_at:%Y-%m-%d}"
    ('2026-03-28', '2026-04-29')
    """
    try:
        recipe = read_recipe(trial.folder)
    except InputError:
        return None  # the chapter on every day says why
    if recipe is None:
        return None
    return Since(recipe, find_standing(recipe, read_daily(trial.folder, (trial.settings.dough,))))


def since_blocks(since: Since | None, texts: Texts) -> list[Block]:
    """Say on the first page what was settled since, how its lots lie, and what a chart calls.

    Parameters
    ----------
    since : Since or None
    texts : Texts

    Returns
    -------
    list of Block
        Empty without a settled recipe. A call of the last lot is a caution.
    """
    if since is None:
        return []
    recipe, standing, say = since.recipe, since.standing, texts.say
    settled = say("since_settled", at=recipe.settled_at, by=recipe.settled_by,
                  settings=joined(recipe.words.values()))  # fmt: skip
    said = [settled, *also_words(recipe, texts)]
    blocks: list[Block] = []
    if standing.points:
        daily = _daily_words(recipe, standing, texts)
        if standing.now:
            blocks.append(Words(" ".join([daily, _called_words(standing, texts)]), "caution"))
        else:
            said.append(f"{daily} {say('since_quiet')}")
    return [Words(" ".join(said)), *blocks]


def _daily_words(recipe: Recipe, standing: Standing, texts: Texts) -> str:
    """Count the lots inside, and say where the last one lies."""
    values = [round(lot_ph(recipe, p), 2) for p in standing.points]
    inside = [recipe.low <= v <= recipe.high for v in values]
    last = standing.points[-1]
    return texts.say(
        "since_daily", at=f"{last.at:%Y-%m-%d}", lots=len(values), inside=sum(inside),
        low=f"{recipe.low:.2f}", high=f"{recipe.high:.2f}", lot=last.lot or f"{last.at:%m-%d}",
        ph=f"{values[-1]:.2f}", where=texts.say("inside" if inside[-1] else "outside"),
    )  # fmt: skip


def _called_words(standing: Standing, texts: Texts) -> str:
    """Say which charts call at the last lot, and by how much the lots lie off."""
    shift = standing.shift or (0.0, 0.0, 0.0)
    off, low, high = (f"{v:+.2f}" for v in shift)
    n = len(standing.points) - standing.first
    lots = texts.say("last_lots", n=n) if n > 1 else texts.say("last_lot")
    return texts.say("since_called", why="; ".join(standing.now), off=off, low=low, high=high,
                     lots=lots)  # fmt: skip


def also_words(recipe: Recipe, texts: Texts) -> list[str]:
    """Name the later trials that a settled recipe stands on, with what they answered.

    Parameters
    ----------
    recipe : Recipe
    texts : Texts
    """
    return [texts.say("since_also", trial=e.trial.rstrip("?!. "), words=e.words)
            for e in recipe.also]  # fmt: skip


def settled_since(since: Since | None, what: str) -> tuple[str, str] | None:
    """Find what a later trial settled of a difference that was left open.

    Parameters
    ----------
    since : Since or None
    what : str
        Response and difference: "bake score, tap - reverse osmosis".

    Returns
    -------
    (str, str) or None
        The trial and its answer; None where none settled it.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> settled_since(read_since(open_demo()), "bake score, tap - reverse osmosis")[1]
    '+0.1 (-0.6 to +0.7), same'
    """
    for evidence in since.recipe.also if since is not None else ():
        for part in evidence.words.split("; "):
            name, _, answer = part.partition(": ")
            if name == what and answer and NOT_SETTLED not in answer:
                return evidence.trial.rstrip("?!. "), answer
    return None


def settle_open(
    section: Section,
    analyses: Mapping[str, Analysis],
    found: Sequence[tuple[tuple[str, ...], str]],
    since: Since | None,
    texts: Texts,
) -> Section:
    """Put the answer of a later trial in the place of a difference that was left open.

    Parameters
    ----------
    section : Section
        What was not settled.
    analyses : mapping of str to Analysis
    found : sequence of (tuple of str, str)
        Key and sentence of every open difference.
    since : Since or None
    texts : Texts
    """
    answers: dict[str, str] = {}
    for (name, _, _, words, *_), sentence in found:
        what = f"{analyses[name].response.words}, {words}"
        later = settled_since(since, what)
        if later is not None:
            answers[sentence] = texts.say("open_since", what=what, trial=later[0], answer=later[1])
    if not answers:
        return section
    blocks = tuple(
        Listing(tuple(answers.get(i, i) for i in b.items)) if isinstance(b, Listing) else b
        for b in section.blocks
    )
    return replace(section, blocks=blocks)
