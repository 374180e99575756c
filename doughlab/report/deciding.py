"""The chapter on the decision: what is recommended, how sure that is, what comes next.

`page` calls `decision_chapter`; its first sentences also open the report.
Nothing is decided here: the decision room chooses, and the call stays with the owner.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.analysis.wording import decimals_for, level_words
from doughlab.decision.brief import desirability_words, option_line
from doughlab.decision.chance import tenths, tenths_ends
from doughlab.decision.choose import decide
from doughlab.decision.decided import Decision
from doughlab.decision.told import told_sentences
from doughlab.decision.words import (
    BAND_CAUTION,
    all_words,
    band_words,
    chance_words,
    choice_words,
    hours_words,
    setting_words,
)
from doughlab.errors import MissingRecords, NotEstimable, PlanError
from doughlab.report.blocks import Block, Grid, Head, Listing, Section, Words, grid_of
from doughlab.report.figures import axis_words
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.report.subject import Subject


@dataclass(frozen=True)
class Told:
    """The decision as chapter, and the sentences of it that open the report.

    Attributes
    ----------
    section : Section
    lead : tuple of str
        What to use, and how many balls are then inside; empty without a recommendation.
    others : tuple of str
        How every setting that was not chosen stands beside the one that was.
    """

    section: Section
    lead: tuple[str, ...] = ()
    others: tuple[str, ...] = ()


def decision_chapter(
    trial: Subject,
    analyses: Mapping[str, Analysis],
    decision: Decision | None,
    texts: Texts,
) -> Told:
    """Tell the decision.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis
        By response; without any there is no decision.
    decision : Decision or None
        None lets the decision room decide.
    texts : Texts
    """
    title = texts.say("head_decision")
    if decision is None:
        if not analyses:
            why = texts.say("no_record")
            return Told(Section("decision", title, (Words(texts.say("decision_none", why=why)),)))
        try:
            decision = decide(trial, analyses=analyses)
        except (PlanError, MissingRecords, NotEstimable) as error:
            text = texts.say("decision_none", why=str(error))
            return Told(Section("decision", title, (Words(text),)))
    blocks = tuple(_blocks(decision, texts, analyses))
    others = tuple(option_line(decision, c, o) for c in decision.choices for o in c.options)
    lead = _lead(decision, texts)
    return Told(Section("decision", title, blocks), lead, others if lead else ())


def _lead(decision: Decision, texts: Texts) -> tuple[str, ...]:
    if not decision.recommended:
        return ()
    key = "decision_so_far" if decision.provisional else "decision_use"
    chance = without_keys(" ".join([chance_words(decision), *all_words(decision)]))
    return (texts.say(key, settings=setting_words(decision)), chance)


def _blocks(decision: Decision, texts: Texts, analyses: Mapping[str, Analysis]) -> list[Block]:
    say = texts.say
    blocks: list[Block] = [Words(say("interim_decision"), "caution")] if decision.interim else []
    blocks += [Words(sentence, "caution") for sentence in decision.standing]
    if decision.recommended:
        use, chance = _lead(decision, texts)
        blocks += [Words(use, "decision"), Words(f"{_band(decision, texts)} {chance}")]
    elif decision.early is not None:
        blocks += [Words(s) for s in decision.early.sentences]
    else:
        blocks += [Words(decision.window.sentence), Words(say("decision_no_settings"))]
    if decision.hours is not None:
        blocks.append(Words(" ".join(hours_words(decision.hours, band_words(decision)))))
    choices = tuple(s for c in decision.choices for s in choice_words(decision, c))
    if choices:
        blocks.append(Listing(choices))
    behind = (*told_sentences(decision, analyses), *desirability_words(decision))
    if behind:
        blocks.append(Listing(tuple(without_keys(s) for s in behind)))
    if decision.confirmation is not None:
        blocks.append(Words(confirm_words(decision, texts)))
    if decision.window.ends is not None:
        blocks.append(Words(BAND_CAUTION, "note"))
    if not decision.table.empty:
        blocks.append(_table(decision, texts))
    if decision.notes:
        blocks.append(Listing(decision.notes))
    return blocks


def _band(decision: Decision, texts: Texts) -> str:
    """Say where the window comes from, without the file it stands in."""
    window = decision.window
    return texts.say("band_given", band=band_words(decision)) if window.given else window.sentence


_KEY = re.compile(r" \((?:[a-z_]+ in )?\[[a-z_.]+\](?: in trial\.toml)?\)")


def without_keys(sentence: str) -> str:
    """Leave out where a setting stands in trial.toml: a client reads the page, not the file.

    Examples
    --------
    >>> without_keys("Not judged: cost of water (water_cost_a_year in [limits]); looks ([looks]).")
    'Not judged: cost of water; looks.'
    """
    return _KEY.sub("", sentence)


def confirm_words(decision: Decision, texts: Texts) -> str:
    """Say how to confirm the recommendation; empty where nothing is to be confirmed."""
    c = decision.confirmation
    if c is None:
        return ""
    hold = decision.settings.hold
    at = ""
    if hold is not None and hold.name in decision.recommended:
        at = " " + texts.say("at_hold", hold=level_words(hold, decision.recommended[hold.name]))
    d = decimals_for(decision.settings.response(decision.window.response).margin)
    ends = {name: f"{getattr(c, name):.{d}f}" for name in ("low", "high", "single_low",
                                                           "single_high")}  # fmt: skip
    outside = ""
    if c.outside is not None:
        key = "confirm_most_outside" if c.outside else "confirm_none_outside"
        outside = texts.say(key, count=c.outside)
    return texts.say("decision_confirm", batches=c.batches, days=c.days, at=at,
                     balls=c.batches * c.balls, outside=outside, **ends)  # fmt: skip


def _table(decision: Decision, texts: Texts) -> Grid:
    """List every tried setting in planned order, with its chance and its scores."""
    say, settings = texts.say, decision.settings
    main = settings.response(decision.window.response)
    d = decimals_for(main.margin)
    scores = [r for n, r in settings.responses.items()
              if r.kind == "score" and n in decision.table]  # fmt: skip
    heads = [Head(f.words, number=f.kind == "number") for f in settings.factors.values()]
    heads += [Head(say("col_mean_of", response=axis_words(main))), Head(say("col_chance")),
              Head(say("col_chance_range"), say("range", level="95"))]  # fmt: skip
    heads += [Head(say("col_mean_of", response=axis_words(r))) for r in scores]
    rows = []
    for r in decision.table.to_dict("records"):
        cells = [level_words(f, str(r[name])) for name, f in settings.factors.items()]
        cells.append(f"{r['estimate']:.{d}f}")
        cells += _chance_cells(r, texts)
        cells += [_score_cell(r.get(s.name), s.margin) for s in scores]
        rows.append(cells)
    return grid_of(say("decision_caption"), heads, rows)


def _chance_cells(row: Mapping[Any, Any], texts: Texts) -> list[str]:
    if row["chance"] != row["chance"]:  # a blank: the chance cannot be told
        return ["", ""]
    low, high = tenths_ends(row["chance_low"], row["chance_high"])
    return [tenths(row["chance"]), texts.say("from_to", low=low, high=high)]


def _score_cell(value: Any, margin: float) -> str:
    if value is None or value != value:
        return ""
    return f"{value:.{decimals_for(margin)}f}"
