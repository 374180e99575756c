"""The decision room: what to use, how sure that is, and what to try next.

`decide(trial)` gives a `Decision`: the window (given, or found from the bake scores as a
`WindowFound`), the tried settings with the chance that a new ball lies inside, the recommended
one by verdict and not by rank, the hours of the window, what confirms it and what is still open.
`hours_table(decision)` gives the hours of every setting, `decision.courses` all curves and shares.
"""

from doughlab.decision.choose import decide
from doughlab.decision.decided import Decision
from doughlab.decision.followup import Confirmation
from doughlab.decision.hours import Course, Courses, hours_table
from doughlab.decision.options import Choice
from doughlab.decision.window import WindowFound

__all__ = [
    "Choice",
    "Confirmation",
    "Course",
    "Courses",
    "Decision",
    "WindowFound",
    "decide",
    "hours_table",
]
