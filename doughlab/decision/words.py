"""Words: a decision as lines of at most 80 characters, whole or short.

`Decision.text` and `str` come from here. Numbers are rounded here only.
What is recommended stands in `choose`; nothing here says that food may be eaten.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughlab.analysis.wording import WIDTH, fold, joined, level_words, more_line
from doughlab.decision.chance import tenths, tenths_span
from doughlab.decision.hourwords import hours_words as hours_words
from doughlab.decision.limits import BALLS
from doughlab.decision.next_words import full_words
from doughlab.decision.options import find_setting
from doughlab.decision.unasked import unasked_words
from doughlab.stats.verdicts import DIFFERS, MATTERS, NOT_SETTLED, SAME

if TYPE_CHECKING:
    from doughlab.decision.decided import Decision
    from doughlab.decision.options import Cell, Choice, Option

SHORT = 15
MOST_ROWS = 12
BALLS_COUNTED = 1000
HERE = "at these settings"
NO_DAYS = ", if no day differs from the ones tried"
WATER_CAUTION = "About the dough only; whether a water is fit to drink is not judged here."
BAND_CAUTION = "The band is about handling and baking; food safety follows your own plan."


def full_lines(decision: Decision) -> list[str]:
    """Give the whole decision.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    list of str
        Each at most 80 characters.
    """
    blocks = [*must_words(decision), *_more(decision)]
    lines = [line for text in blocks for line in fold(text, indent="  ")]
    return [*lines, *table_lines(decision), *cautions(decision)]


def short_lines(decision: Decision) -> list[str]:
    """Give the decision in at most 15 lines; `text()` has what does not fit."""
    cautious = cautions(decision)
    room = SHORT - len(cautious) - 1
    kept: list[str] = []
    hidden = len(table_lines(decision))
    for text in [*must_words(decision), *_more(decision)]:
        lines = fold(text, indent="  ")
        if len(kept) + len(lines) <= room:
            kept += lines
        else:
            hidden += len(lines)
    more = more_line(hidden, "print(decision.text())")
    return [*kept, *more, *cautious]


def must_words(decision: Decision, *, brief: bool = False) -> list[str]:
    """Say what was changed, what is recommended, and how sure that is.

    Parameters
    ----------
    decision : Decision
    brief : bool
        Of the hours only those on average and those with enough balls inside.
    """
    if decision.confirmed is not None:
        return list(decision.confirmed.sentences)
    out = [f"Mind: {s}" for s in decision.changed]
    if decision.interim:
        out.append("Interim: records are still to come.")
    out += decision.standing
    if decision.early is not None:
        return [*out, *decision.early.sentences]
    if not decision.recommended:
        return [*out, decision.window.sentence,
                "So no settings are recommended; the answers of the analysis stand."]  # fmt: skip
    start = "So far, and provisional: use" if decision.provisional else "Use"
    out.append(f"{start} {setting_words(decision)}.")
    if not decision.window.given:
        out.append(decision.window.sentence)
    out.append(chance_words(decision))
    out += all_words(decision)
    if decision.hours is not None:
        hours = hours_words(decision.hours, band_words(decision))
        out += [hours[0], *hours[2:]] if brief else hours
    return out


def _more(decision: Decision) -> list[str]:
    out = [s for c in decision.choices for s in choice_words(decision, c)]
    out += confirm_words(decision)
    out += ahead_words(decision)
    return [*out, *(f"Note: {s}" for s in decision.notes)]


def ahead_words(decision: Decision) -> list[str]:
    """Say everything about what comes next: steps, moves, where curves are level."""
    ahead = decision.ahead
    if ahead is None:
        return []
    open_ = [f"Open: {s}" for s in ahead.unanswered]
    return [*open_, *full_words(ahead.steps, levers=ahead.levers, surfaces=ahead.surfaces)]


def confirm_words(decision: Decision) -> list[str]:
    """Say what a few new batches should give; nothing without a plan to confirm."""
    c, hold = decision.confirmation, decision.settings.hold
    if c is None:
        return []
    at = f" at {level_words(hold, decision.recommended[hold.name])}" if hold else ""
    balls = c.batches * c.balls
    many = f"up to {c.outside}" if c.outside else "none"
    outside = "" if c.outside is None else f", {many} of them outside the window"
    return [
        f"Confirm with {_counted(c.batches, 'batch', 'batches')}{at} on "
        f"{_counted(c.days, 'day', 'days')}: their mean should lie between "
        f"{c.low:.2f} and {c.high:.2f}, all {balls} balls between {c.single_low:.2f} and "
        f"{c.single_high:.2f}{outside}{'' if decision.days > 1 else NO_DAYS}."
    ]


def row_words(decision: Decision, at: int) -> str:
    """Write the setting at a position of the table, short."""
    factors = decision.settings.factors
    row = decision.table.iloc[at]
    return ", ".join(level_words(factors[n], str(row[n])) for n in factors)


def setting_words(decision: Decision) -> str:
    """Write the recommended settings as a cook reads them."""
    factors = decision.settings.factors
    parts = []
    for name, level in decision.recommended.items():
        shown = level_words(factors[name], level)
        parts.append(shown if factors[name].kind == "water" else f"{factors[name].words} {shown}")
    return ", ".join(parts)


def band_words(decision: Decision) -> str:
    """Write the window with what it is of.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> band_words(decide_demo())
    'pH 5.35-5.75'
    """
    window = decision.window
    if window.ends is None:
        return window.text
    return f"{decision.settings.response(window.response).words} {window.text}"


def chance_words(decision: Decision) -> str:
    """Say how many of ten new balls lie inside the window, at every tried hold."""
    hold, chance, window = decision.settings.hold, decision.chance, band_words(decision)
    if chance is None:
        return f"How many new balls lie inside {window} cannot be told."
    days = "other mixing days left out, since the trial does not tell how days differ"
    if decision.days > 1:
        days = f"new days included as far as {decision.days} days tell"
    head = (
        f"about {tenths(chance[0])} of 10 new balls are inside {window} ({_span(chance)}), {days}"
    )
    if hold is None:
        return f"{head[0].upper()}{head[1:]}."
    here = decision.recommended[hold.name]
    others = [
        f"{tenths(row['chance'])} ({_span((row['chance'], row['chance_low'], row['chance_high']))})"
        f" at {level_words(hold, str(row[hold.name]))}"
        for _, row in decision.at_holds().iterrows()
        if row[hold.name] != here
    ]
    tail = f"; of the other holds {joined(others)}" if others else ""
    return f"At {level_words(hold, here)} {head}{tail}."


def all_words(decision: Decision) -> list[str]:
    """Say how many of ten new balls meet all limits at once, and what is not judged.

    Where the window alone is a limit, only what is not judged.
    """
    chance, weighing = decision.chance_of_all, decision.weighing
    if chance is None or weighing is None:
        return [*blocked_words(decision), *unasked_words(decision)]
    at = find_position(decision)
    parts = []
    for limit in weighing.limits:
        alone = weighing.joint.alone[limit.what][:, at]
        if limit.kind == BALLS:
            low, middle, high = np.quantile(alone, [0.025, 0.5, 0.975])
            parts.append(f"{limit.words} {tenths(middle)} ({tenths_span(low, high)})")
        else:
            parts.append(f"{limit.words} {'met' if alone[0] else 'not met'} (a price or a plan, "
                         "so no range)")  # fmt: skip
    return [
        f"All limits at once: about {tenths(chance[0])} of 10 new balls ({_span(chance)}). By "
        f"themselves: {'; '.join(parts)}.",
        *blocked_words(decision),
        *unasked_words(decision),
    ]


def blocked_words(decision: Decision) -> list[str]:
    """Name the limits that trial.toml sets and nothing recorded can be judged by."""
    weighing = decision.weighing
    if weighing is None or not weighing.blocked:
        return []
    return [f"Not judged, though trial.toml sets a limit: {'; '.join(weighing.blocked)}."]


def find_position(decision: Decision) -> int:
    """Find the position of the recommended setting in the table."""
    return find_setting(decision.table, decision.recommended) or 0


def _span(chance: tuple[float, float, float]) -> str:
    return tenths_span(chance[1], chance[2])


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def choice_words(decision: Decision, choice: Choice) -> list[str]:
    """Say how every other level of a factor stands against the chosen one."""
    factor, out = choice.factor, []
    name = "" if factor.kind == "water" else f"{factor.words} "
    chosen = level_words(factor, choice.chosen)
    either = [o for o in choice.options if o.either]
    if either:
        levels = joined([level_words(factor, o.level) for o in either])
        about = joined(either[0].verdicts)
        why = "; either will do"
        if choice.demands:
            why = "".join(f", {demand_words(decision, choice, o.level)}" for o in either)
        taken = {"cost": f" {chosen} is taken for its cost.",
                 "ease": f" {chosen} is taken as less to do."}.get(choice.why, "")  # fmt: skip
        taken = taken[:1] + taken[1:2].upper() + taken[2:]
        out.append(f"{name}{levels}: the same {about} as {chosen} {HERE}{why}.{taken}")
    for option in choice.options:
        if not option.either:
            level = level_words(factor, option.level)
            out.append(f"{name}{level}: {option_words(decision, choice, option)}.")
    return [s[0].upper() + s[1:] for s in out]


def option_words(decision: Decision, choice: Choice, option: Option) -> str:
    """Say what is shown about a level that cannot stand in for the chosen one."""
    chosen = level_words(choice.factor, choice.chosen)
    words = {MATTERS: "another {} than {}", DIFFERS: "another {} than {}",
             SAME: "the same {} as {}", NOT_SETTLED: "{} not settled against {}"}  # fmt: skip
    parts = []
    for response, verdict in option.verdicts.items():
        answered = option.answered[response]
        said = words[verdict].format(response, chosen)
        if verdict == NOT_SETTLED and answered != NOT_SETTLED:
            said = f"{words[answered].format(response, chosen)} as answered, not settled {HERE}"
        parts.append(said)
    swapped, best = option.swapped, option.best
    inside = "meeting all limits" if decision.chance_of_all else "inside"
    if swapped is not None and swapped.setting != best.setting:
        parts.append(f"{tenths(swapped.chance)} of 10 {inside} {HERE}, "
                     f"{against_words(swapped)}")  # fmt: skip
    span = (best.chance, best.chance_low, best.chance_high)
    where = _where(decision, choice, best)
    parts.append(f"at best {tenths(best.chance)} of 10 {inside} {where} ({_span(span)}), "
                 f"{against_words(best)}")  # fmt: skip
    if choice.demands:
        parts.append(demand_words(decision, choice, option.level))
    return "; ".join(p for p in parts if p)


def _where(decision: Decision, choice: Choice, cell: Cell) -> str:
    """Name what a setting has other than the recommended one, beside the factor spoken of."""
    factors = decision.settings.factors
    parts = []
    for name, level in cell.setting.items():
        if name == choice.factor.name or level == decision.recommended[name]:
            continue
        shown = level_words(factors[name], level)
        parts.append(shown if factors[name].kind == "water" else f"{factors[name].words} {shown}")
    return f"with {joined(parts)}" if parts else HERE


def against_words(cell: Cell) -> str:
    """Say whether a setting does as well as the recommended one."""
    if cell.as_good:
        return "as many as recommended to within 1 of 10"
    if cell.less_high < 0:
        return "fewer than recommended"
    less, more = (math.ceil(10.0 * x - 1e-9) for x in (-cell.less_low, cell.less_high))
    return f"not settled: {less} fewer to {more} more of 10"


def demand_words(decision: Decision, choice: Choice, level: str) -> str:
    """Compare what a water costs and asks for with the chosen one."""
    mine, other = choice.demands[choice.chosen].to_do, choice.demands[level].to_do
    more, less = [w for w in other if w not in mine], [w for w in mine if w not in other]
    parts = [_cost(decision, choice, level)] if choice.factor.kind == "water" else []
    parts += [f"more to do: {joined(more)}"] if more else []
    parts += [f"less to do: no {joined(less, last='or')}"] if less else []
    return "; ".join(parts)


def _cost(decision: Decision, choice: Choice, level: str) -> str:
    """Compare the cost of a water with the chosen one."""
    if choice.chosen not in choice.costs or level not in choice.costs:
        return "which is cheaper is not known (cost_per_l in waters.csv)"
    more = choice.costs[level] - choice.costs[choice.chosen]
    currency = f" {decision.settings.currency}" if decision.settings.currency else ""
    if decision.water_g_per_ball is None:
        amount, what = abs(more), "a litre"
    else:
        amount = abs(more) * decision.water_g_per_ball / 1000.0 * BALLS_COUNTED
        what = f"for {BALLS_COUNTED} balls"
    return f"{amount:.2g}{currency} {'more' if more >= 0 else 'less'} {what}"


def table_lines(decision: Decision) -> list[str]:
    """Lay out the tried settings that are not shown to be worse, in planned order."""
    if not decision.recommended:
        return []
    shown = decision.table[decision.table["less_high"] >= 0]
    words = [row_words(decision, int(i)) for i in shown.index]
    width = min(max(map(len, words)), 42)
    scores = [n for n, r in decision.settings.responses.items()
              if r.kind == "score" and n in decision.table]  # fmt: skip
    head = f"  {'tried':<{width}}  mean  of 10 inside  "
    lines = [(head + "  ".join(decision.settings.responses[n].words for n in scores))[:WIDTH]]
    for text, (_, row) in list(zip(words, shown.iterrows(), strict=True))[:MOST_ROWS]:
        span = (row["chance"], row["chance_low"], row["chance_high"])
        inside = f"{tenths(span[0])} ({_span(span)})"
        line = f"  {text[:width]:<{width}}  {row['estimate']:.2f}  {inside:<14}"
        line += "".join(f"  {row[n]:.1f}" if pd.notna(row[n]) else "  -" for n in scores)
        lines.append(line.rstrip()[:WIDTH])
    more = max(0, len(words) - MOST_ROWS)
    fewer = len(decision.table) - len(shown)
    tail = [f"{more} more like these"] if more else []
    tail += [f"{fewer} settings with fewer inside"] if fewer else []
    ranges = "  (mean and score: their 95 % ranges stand in decide --json)"
    return [*lines, *([f"  and {joined(tail)}"] if tail else []), ranges]


def cautions(decision: Decision) -> list[str]:
    """Give the cautions that end every decision."""
    out = []
    if decision.window.ends is not None:
        out.append(BAND_CAUTION)
    if any(f.kind == "water" for f in decision.settings.factors.values()):
        out.append(WATER_CAUTION)
    return out
