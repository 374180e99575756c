"""Words for what comes next: at most eight lines for a cook, and everything for those who ask.

`words` and `doughlab decide` print them, the report takes the sentences. Nothing is worked out
here; the steps stand in `nextstep`, the moves in `levers`, the surfaces in `surface`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from doughlab.analysis.wording import fold
from doughlab.decision.chance import tenths
from doughlab.decision.nextstep import STOP, NextSteps, Settles, Step

if TYPE_CHECKING:
    from doughlab.decision.levers import Lever
    from doughlab.decision.surface import Surface

MOST_LINES = 8


def next_words(steps: NextSteps) -> list[str]:
    """Say what to do next and what it costs, in at most eight lines of 80 characters.

    Parameters
    ----------
    steps : NextSteps

    Returns
    -------
    list of str
        Empty where nothing is open and nothing is left to try.

    Examples
    --------
    >>> next_words(NextSteps())
    []
    """
    if not steps.steps:
        return []
    head = _head(steps)
    shown = list(steps.steps)
    lines: list[str] = []
    for number, step in enumerate(shown, start=1):
        own = _short(step, number)
        left = len(shown) - number
        if len(lines) + len(own) + bool(left) > MOST_LINES - len(head):
            break
        lines += own
    else:
        return [*head, *lines]
    said = sum(line[:2] == "  " and line[2].isdigit() for line in lines)
    rest = len(shown) - said
    more = f"  {rest} more: decide --more" if rest else ""
    return [*head, *lines, *([more] if more else [])]


def _head(steps: NextSteps) -> list[str]:
    if not steps.open:
        return ["What next (no question is open):" if steps.answered else "What next:"]
    count = len(steps.open)
    what = steps.open[0] if count == 1 else f"{count} differences, such as {steps.open[0]}"
    return fold(f"What next (open: {what}):", indent="  ")


def _short(step: Step, number: int) -> list[str]:
    """Give one step in one or two lines."""
    if step.kind == STOP:
        return fold(f"  {number} {step.words}. {step.why}", indent="    ")[:2]
    first = f"  {number} {step.words}"
    if step.settles:
        first += f": settles it {chance_words(step)}"
    cost = step.effort.words if step.effort is not None else ""
    lines = fold(first, indent="    ")
    return [*lines, *fold(f"    {cost}", indent="    ")] if cost else lines


def chance_words(step: Step) -> str:
    """Say how often a step settles what it is about, with the worst and best end.

    Examples
    --------
    >>> from doughlab.decision.outlook import Chances
    >>> one = Settles("pH, tap - bottled", -0.1, 0.2, Chances(0.6, 0.7, 0.99, 0.8))
    >>> chance_words(Step("extend", "extend", settles=(one,)))
    'in 8 of 10 cases (6 to 9.9, as the truth lies)'
    """
    ends = [p for s in step.settles
            for p in (s.chances.at_low, s.chances.at_estimate, s.chances.at_high)]  # fmt: skip
    span = f"{tenths(min(ends))} to {tenths(max(ends))}"
    return f"in {tenths(step.chance)} of 10 cases ({span}, as the truth lies)"


def full_words(
    steps: NextSteps, *, levers: Sequence[Lever] = (), surfaces: Sequence[Surface] = ()
) -> list[str]:
    """Say everything about what comes next: every step, lever and surface; whole sentences.

    Parameters
    ----------
    steps : NextSteps
    levers : sequence of Lever
    surfaces : sequence of Surface

    Returns
    -------
    list of str
        To be folded by the caller.
    """
    out = [sentence for surface in surfaces for sentence in surface.sentences]
    for number, step in enumerate(steps.steps, start=1):
        head = f"Next, {number}: {step.words}."
        cost = f" {step.effort.words[0].upper()}{step.effort.words[1:]}." if step.effort else ""
        why = f" {step.why}" if step.why else ""
        command = f" Command: {step.command}" if step.command else ""
        out.append(f"{head}{cost}{why}{command}")
        out += [settle_words(s) for s in step.settles]
    out += [f"Or move one setting: {lever.words}." for lever in levers]
    return out


def settle_words(settles: Settles) -> str:
    """Say how often a difference is settled, at both ends of its range and at the estimate."""
    c = settles.chances
    return (
        f"{settles.words}: settled in {tenths(c.average)} of 10 cases on average; in "
        f"{tenths(c.at_low)} if it is really {settles.low:+.2g}, {tenths(c.at_estimate)} at the "
        f"estimate, {tenths(c.at_high)} if {settles.high:+.2g}."
    )


def next_facts(
    steps: NextSteps, *, levers: Sequence[Lever] = (), surfaces: Sequence[Surface] = ()
) -> dict[str, Any]:
    """Give what comes next as plain values for machines."""
    return {
        "open": list(steps.open),
        "steps": [asdict(step) | {"chance": step.chance} for step in steps.steps],
        "levers": [
            {"factor": x.factor.name, "change": x.change, "distance": x.distance,
             "distance_low": x.distance_low, "distance_high": x.distance_high, "unit": x.unit,
             "beyond": x.beyond, "words": x.words}
            for x in levers
        ],
        "surfaces": [
            {"response": s.response, "factors": [f.name for f in s.factors],
             "nature": s.point.nature, "where": s.where,
             "location": s.natural(s.point.location).tolist(),
             "low": [_plain(v) for v in s.natural(s.point.low)],
             "high": [_plain(v) for v in s.natural(s.point.high)],
             "value": s.point.value, "bends": s.point.bends.tolist(),
             "words": list(s.sentences)}
            for s in surfaces
        ],
    }  # fmt: skip


def _plain(value: float) -> float | None:
    """Give a number, or nothing where the range is open."""
    return float(value) if abs(value) < float("inf") else None
