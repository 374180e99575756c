"""Parts: what a kept plan was extended by, and the plan of some batches alone.

`lock` writes parts down and `extend` adds them; the analysis asks which batch belongs to which.
How a new part is laid out is left to `extend`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan


@dataclass(frozen=True)
class PlanPart:
    """The batches that were planned in one go.

    Attributes
    ----------
    number : int
        1 for the first plan, then one more for each extension.
    first, last : str
        Ids of its first and last batch.
    reason : str
        Why it was planned; given by the person who extended.
    at : str
        When it was kept, ISO 8601 with offset; empty for the first part.
    seed : int
        Every random order of the part follows from it.
    version : str
        The doughlab that laid it out; empty where it is that of the plan.

    Examples
    --------
    >>> str(PlanPart(2, "B13", "B24", "water not settled"))
    'part 2 (B13 to B24)'
    """

    number: int
    first: str
    last: str
    reason: str = ""
    at: str = ""
    seed: int = 0
    version: str = ""

    def __str__(self) -> str:
        """Name it with its batches."""
        span = self.first if self.first == self.last else f"{self.first} to {self.last}"
        return f"part {self.number} ({span})"


def batches_by_part(plan: Plan) -> list[tuple[str, ...]]:
    """List the batch ids of each part, in file order.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of tuple of str
        One for each part; one in all for a plan that was never extended. A batch that stands
        behind the last of its part belongs to the next one.
    """
    ids = [str(b["batch_id"]) for b in plan.batches]
    found, start = [], 0
    for part in plan.parts[:-1]:
        end = ids.index(part.last) + 1 if part.last in ids[start:] else start
        found.append(tuple(ids[start:end]))
        start = end
    return [*found, tuple(ids[start:])]


def take_batches(plan: Plan, batch_ids: Collection[str]) -> Plan:
    """Give the plan of some batches alone, with their balls and what is due for them.

    Parameters
    ----------
    plan : Plan
    batch_ids : collection of str

    Returns
    -------
    Plan
        As the plan otherwise; the parts stay those of the whole.
    """
    wanted = set(batch_ids)
    batches = tuple(b for b in plan.batches if b["batch_id"] in wanted)
    balls = tuple(b for b in plan.balls if b["batch_id"] in wanted)
    items = {*wanted, *(b["ball_id"] for b in balls)}
    schedule = tuple(r for r in plan.schedule if r["item"] in items)
    return replace(plan, batches=batches, balls=balls, schedule=schedule)


def describe_parts(plan: Plan) -> list[str]:
    """Say of each extension what it added, when and why.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of str
        Sentences; empty for a plan that was never extended.
    """
    found = []
    for part, ids in zip(plan.parts[1:], batches_by_part(plan)[1:], strict=True):
        count = "1 batch" if len(ids) == 1 else f"{len(ids)} batches"
        found.append(f"Extended on {part.at[:10]} by {count}, {part}: {part.reason}")
    return found
