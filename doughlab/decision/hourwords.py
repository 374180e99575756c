"""Hour words: when a ball is inside the window, said to a cook.

`words`, the report and `doughlab decide --more` take their sentences from here.
Nothing is calculated; the hours come from `hours`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from doughlab.analysis.wording import fold, level_words
from doughlab.decision.chance import tenths
from doughlab.formula.shapes import HourRange

if TYPE_CHECKING:
    from doughlab.decision.decided import Decision
    from doughlab.decision.hours import Course

WIDTH = 80
MOST_WORDS = 33  # letters of a setting in the table


def hours_words(course: Course, window: str) -> list[str]:
    """Say when the average, a single new batch and enough balls are inside the window.

    Parameters
    ----------
    course : Course
    window : str
        As it is printed, such as 5.35-5.75.

    Returns
    -------
    list of str
        One to three sentences.
    """
    first, last = course.tried
    if not course.inside_ever:
        early = course.closes.side == "before"
        side = f"has left it before {first:g} h" if early else f"is not there yet at {last:g} h"
        return [f"On average the ball is inside {window} at no hold between {first:g} and "
                f"{last:g} h: it {side}."]  # fmt: skip
    if course.opens.side == "before" and course.closes.side == "after":
        average = (f"On average the ball is inside {window} from {first:g} to {last:g} h, the "
                   "whole range tried.")  # fmt: skip
    else:
        average = (f"On average the ball {_enters(course.opens, window)} and "
                   f"{_leaves(course.closes)}.")  # fmt: skip
    return [average, _single(course), *_enough(course)]


def _enters(opens: HourRange, window: str) -> str:
    if opens.side == "before":
        return f"is inside {window} already at {opens.tried[0]:g} h"
    return f"enters {window} at {opens}"


def _leaves(closes: HourRange) -> str:
    if closes.side == "after":
        late = "" if closes.low is None else f" (may leave from {closes.low:.0f} h on)"
        return f"is still inside at {closes.tried[1]:g} h{late}"
    return f"leaves at {closes}"


def _single(course: Course) -> str:
    """Give the hours of a single new batch of a new day (95 %)."""
    first, last = course.tried
    opens, closes = course.batch_opens, course.batch_closes
    begin = f"before {first:g}" if opens.low is None else f"{opens.low:.0f}"
    until = f"after {last:g}" if opens.high is None else f"{opens.high:.0f}"
    enters = f"may enter from {begin} to {until} h"
    if closes.low is None:
        leaves = f"is still inside at {last:g} h" if closes.side == "after" else "may have left"
    else:
        leaves = f"may leave from {closes.low:.0f} h on"
    return f"A single new batch {enters} and {leaves} (95 %)."


def _enough(course: Course) -> list[str]:
    """Say when enough new balls are inside, and for which hours that is shown."""
    opens, closes = course.share_opens, course.share_closes
    least = f"{course.enough:g} of 10"
    if opens is None or closes is None:
        at = int(course.share.argmax())
        return [f"At no hour tried are {least} new balls inside; at most "
                f"{tenths(float(course.share[at]))} at {course.hours[at]:.0f} h."]  # fmt: skip
    first, last = course.tried
    begin = first if opens.value is None else opens.value
    end = last if closes.value is None else closes.value
    shown = course.hours[course.share_low >= course.enough / 10.0]
    sure = f"shown (95 %) from {shown[0]:.0f} to {shown[-1]:.0f} h" if len(shown) else (
        "the best guess, not shown (95 %) for any hour")  # fmt: skip
    return [f"At least {least} new balls are inside from {begin:.0f} to {end:.0f} h; {sure}."]


def window_lines(decision: Decision) -> list[str]:
    """Lay out the window and the hours of every setting, for `doughlab decide --more`.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    list of str
        Each at most 80 characters; empty where there is no band.
    """
    window, courses = decision.window, decision.courses
    lines = [line for note in window.notes for line in fold(f"Window: {note}", indent="  ")]
    if courses is None or not courses.each:
        return lines
    names = [", ".join(level_words(f, c.setting[n]) for n, f in courses.factors.items()) or "all"
             for c in courses.each]  # fmt: skip
    width = min(max(map(len, names)), MOST_WORDS)
    enough = f"{courses.enough:g} of 10 inside"
    head = f"  {'hours inside ' + window.text:<{width}}  {'enters':<14}{'leaves':<14}{enough}"
    lines.append(head[:WIDTH])
    for name, course in zip(names, courses.each, strict=True):
        cells = (short_hours(course.opens), short_hours(course.closes))
        lines.append(f"  {name[:width]:<{width}}  {cells[0]:<14}{cells[1]:<14}"
                     f"{enough_hours(course)}"[:WIDTH].rstrip())  # fmt: skip
    lines += fold(f"Hours: with 95 % ranges. {courses.notes[0]}", indent="  ")
    return lines


def short_hours(hours: HourRange) -> str:
    """Write an hour with its range for a table: 32 (26-38), <24, >72 (64->72).

    Examples
    --------
    >>> short_hours(HourRange(32.1, 26.0, 38.2, "inside", (24, 72)))
    '32 (26-38)'
    >>> short_hours(HourRange(None, 64.0, None, "after", (24, 72)))
    '>72 (64->72)'
    """
    first, last = hours.tried
    low = f"<{first:g}" if hours.low is None else f"{hours.low:.0f}"
    high = f">{last:g}" if hours.high is None else f"{hours.high:.0f}"
    value = f"{hours.value:.0f}" if hours.value is not None else (
        f"<{first:g}" if hours.side == "before" else f">{last:g}")  # fmt: skip
    outside = hours.value is None and hours.low is None and hours.high is None
    return value if outside else f"{value} ({low}-{high})"


def enough_hours(course: Course) -> str:
    """Write from when to when enough balls are inside: 35-69 h, or never."""
    opens, closes = course.share_opens, course.share_closes
    if opens is None or closes is None:
        return f"never, at most {tenths(float(course.share.max()))}"
    first, last = course.tried
    begin = f"<{first:g}" if opens.value is None else f"{opens.value:.0f}"
    end = f">{last:g}" if closes.value is None else f"{closes.value:.0f}"
    return f"{begin}-{end} h"
