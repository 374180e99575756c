"""Brief: what a cook needs first, in about 35 lines; the rest stands behind --more.

`doughlab decide` prints `brief_lines`, with --more the whole text and `more_lines`. Numbers are
those of the whole text; nothing is decided here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from doughlab.analysis.wording import fold, joined, level_words
from doughlab.decision.chance import tenths, tenths_span
from doughlab.decision.desirability import find_desirability
from doughlab.decision.expiry import expiry_conditions
from doughlab.decision.hourwords import window_lines
from doughlab.decision.kept import find_kept
from doughlab.decision.next_words import next_words
from doughlab.decision.told import expiry_line, find_wrong, told_sentences
from doughlab.decision.tradeoff import find_tradeoff
from doughlab.decision.words import (
    HERE,
    cautions,
    confirm_words,
    demand_words,
    find_position,
    must_words,
    row_words,
)
from doughlab.decision.wrong import WrongChoice, wrong_words
from doughlab.stats.verdicts import DIFFERS, MATTERS, SAME

if TYPE_CHECKING:
    from collections.abc import Mapping

    from doughlab.analysis.analyse import Analysis
    from doughlab.decision.decided import Decision
    from doughlab.decision.options import Choice, Option

MOST_ROWS = 8


def brief_lines(decision: Decision, found: Mapping[str, Analysis]) -> list[str]:
    """Give what a cook needs first.

    Parameters
    ----------
    decision : Decision
    found : mapping of str to Analysis
        The responses, as they were analysed.

    Returns
    -------
    list of str
        Each at most 80 characters.
    """
    blocks = must_words(decision, brief=True)
    if decision.recommended:
        for choice in decision.choices:
            blocks += [option_line(decision, choice, option) for option in choice.options]
        blocks += confirm_words(decision)
        wrong = find_wrong(decision, found)
        if wrong is not None:
            blocks.append(wrong_words(wrong, decision.settings.currency, brief=True))
        blocks += expiry_line(decision)
    ahead = decision.ahead
    if ahead is not None:
        blocks += [surface.sentences[0] for surface in ahead.surfaces]
        blocks += [f"Open: {s}" for s in ahead.unanswered]
    lines = [line for text in blocks for line in fold(text, indent="  ")]
    return [*lines, *(next_words(ahead.steps) if ahead else []), *cautions(decision)]


def option_line(decision: Decision, choice: Choice, option: Option) -> str:
    """Say in one sentence how a level that was not chosen stands against the one that was."""
    factor = choice.factor
    name = "" if factor.kind == "water" else f"{factor.words} "
    verdicts = set(option.verdicts.values())
    another = [w for w, v in option.verdicts.items() if v in (MATTERS, DIFFERS)]
    if option.either:
        said = f"the same {joined(option.verdicts)}, will do as well"
    elif another:
        said = f"another {joined(another)}"
    elif verdicts == {SAME}:
        said = f"the same {joined(option.verdicts)}"
    else:
        open_ = [w for w, v in option.verdicts.items() if v != SAME]
        said = f"whether it gives the same {joined(open_)} {HERE} is not settled"
    cell = option.swapped or option.best
    where = "here" if option.swapped is not None else "at best"
    inside = "meet all limits" if decision.chance_of_all else "inside"
    parts = [said]
    if cell.chance > 0:
        span = tenths_span(cell.chance_low, cell.chance_high)
        parts.append(f"{tenths(cell.chance)} of 10 {inside} {where} ({span})")
    else:
        parts.append(beyond_words(decision, option))
    if choice.demands:
        parts.append(demand_words(decision, choice, option.level))
    taken = {"cost": "taken for its cost", "ease": "taken as less to do"}.get(choice.why, "")
    if taken and option.either:
        parts.append(f"{level_words(factor, choice.chosen)} is {taken}")
    text = f"{name}{level_words(factor, option.level)}: {'; '.join(p for p in parts if p)}."
    return text[0].upper() + text[1:]


def beyond_words(decision: Decision, option: Option) -> str:
    """Name the limits on money or hands that no setting with this level meets."""
    weighing = decision.weighing
    if weighing is None:
        return ""
    factor = next(n for n, v in option.best.setting.items() if v == option.level)
    rows = (weighing.setting[factor] == option.level).to_numpy()
    missed = [x.words for x in weighing.limits if x.what in weighing.met
              and not weighing.met[x.what][rows].any()]  # fmt: skip
    return f"none within {joined(missed)}" if missed else "none meet all limits"


def more_lines(decision: Decision, found: Mapping[str, Analysis]) -> list[str]:
    """Give what stands behind --more beside the whole text of the decision.

    Parameters
    ----------
    decision : Decision
    found : mapping of str to Analysis

    Returns
    -------
    list of str
        Each at most 80 characters.
    """
    weighing = decision.weighing
    if weighing is None or not decision.recommended:
        return []
    blocks = [*told_sentences(decision, found), *desirability_words(decision)]
    return [*(line for text in blocks for line in fold(text, indent="  ")),
            *tradeoff_lines(decision), *window_lines(decision)]  # fmt: skip


def desirability_words(decision: Decision) -> list[str]:
    """Name the overall desirability beside the choice, as another view and no verdict."""
    weighing = decision.weighing
    found = None if weighing is None else find_desirability(weighing)
    if found is None:
        return []
    at, top = find_position(decision), int(np.nanargmax(found.middle))

    def shown(i: int) -> str:
        return f"{found.middle[i]:.2f} ({found.low[i]:.2f} to {found.high[i]:.2f})"

    if top == at:
        where = "the highest of those tried"
    else:
        where = f"the highest is {shown(top)} at {row_words(decision, top)}"
    return [
        f"Another view, no verdict: overall desirability (Derringer and Suich 1980) of "
        f"{'; '.join(found.parts)} is {shown(at)} here, {where}."
    ]


def tradeoff_lines(decision: Decision) -> list[str]:
    """Lay out the settings that no other is shown to beat, in planned order."""
    weighing = decision.weighing
    if weighing is None:
        return []
    found = find_tradeoff(weighing)
    total = len(weighing.setting)
    head = fold(f"{len(found.kept)} of {total} settings are not shown to be beaten in "
                f"{joined(found.judged)} at once:", indent="  ")  # fmt: skip
    fewer = decision.table["less_high"].to_numpy(dtype=float) < 0
    order = sorted(found.kept, key=lambda i: (bool(fewer[i]), i))
    shown = [i for i in order if not fewer[i]][:MOST_ROWS]
    rows = [(row_words(decision, i), _facts(decision, i)) for i in shown]
    width = max((len(words) for words, _ in rows), default=0)
    lines = [f"  {words:<{width}}  {facts}"[:80] for words, facts in rows]
    left = len(found.kept) - len(rows)
    less = sum(bool(fewer[i]) for i in found.kept)
    tail = f", {less} of them with fewer inside" if less else ""
    return [*head, *lines, *([f"  and {left} more{tail}"] if left > 0 else [])]


def _facts(decision: Decision, at: int) -> str:
    """Give one row of the trade-off: share inside, scores, water a year, hours a day."""
    row = decision.table.iloc[at]
    span = tenths_span(row["chance_low"], row["chance_high"], between="-")
    parts = [f"{tenths(row['chance'])} ({span})"]
    for name, response in decision.settings.responses.items():
        if response.kind == "score" and name in row and row[name] == row[name]:
            parts.append(f"{row[name]:.1f} ({row[f'{name}_low']:.1f}-{row[f'{name}_high']:.1f})")
    if row["water_cost_a_year"] == row["water_cost_a_year"]:
        parts.append(f"{row['water_cost_a_year']:.0f} a year")
    return "  ".join(parts)


def more_facts(decision: Decision, found: Mapping[str, Analysis]) -> dict[str, Any]:
    """Give everything behind --more as plain values for machines.

    Parameters
    ----------
    decision : Decision
    found : mapping of str to Analysis
    """
    weighing = decision.weighing
    if weighing is None or not decision.recommended:
        return {}
    tradeoff, desirability = find_tradeoff(weighing), find_desirability(weighing)
    wrong = find_wrong(decision, found)
    kept, missing = find_kept(weighing, decision.recommended)
    at = find_position(decision)
    joint = weighing.joint
    alone = {x.what: np.quantile(joint.alone[x.what][:, at], [0.5, 0.025, 0.975]).tolist()
             for x in weighing.limits}  # fmt: skip
    return {
        "limits": [{"what": x.what, "words": x.words, "chance": alone[x.what]}
                   for x in weighing.limits],
        "not_judged": list(weighing.not_judged),
        "chance_of_all": list(decision.chance_of_all) if decision.chance_of_all else None,
        "tie": joint.tie.words if joint.tie else None,
        "tradeoff": {"judged": list(tradeoff.judged), "kept": list(tradeoff.kept),
                     "beaten_by": {str(k): v for k, v in tradeoff.beaten_by.items()}},
        "desirability": None if desirability is None else {
            "parts": list(desirability.parts), "middle": desirability.middle.tolist(),
            "low": desirability.low.tolist(), "high": desirability.high.tolist()},
        "running": [vars(r) | {"to_do": list(r.to_do)} for r in weighing.running],
        "wrong_choice": None if wrong is None else _wrong_facts(wrong),
        "kept": [{"factor": k.factor.name, "unit": k.factor.unit, "n": k.n, "offset": k.offset,
                  "sd": k.sd, "slope": k.slope, "part_of_variance": k.part} for k in kept],
        "kept_unknown": list(missing),
        "stands_until": [vars(c) for c in expiry_conditions(weighing.trial, decision)],
    }  # fmt: skip


def _wrong_facts(wrong: WrongChoice) -> dict[str, Any]:
    plain = dict(vars(wrong))
    for name in ("fewest", "most"):
        effort = plain[name]
        plain[name] = None if effort is None else vars(effort)
    plain["price"] = [None if v != v else v for v in wrong.price]
    return plain
