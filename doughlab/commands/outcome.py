"""What a command has to say: read, found, wrote, next.

Every command returns one Outcome; the command line prints it or turns it into JSON.
It leaves layout to `str()` and the exit code to `code`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Outcome:
    """Carry the four parts of a command's answer.

    Attributes
    ----------
    read, found, wrote, next : list of str
        Lines of at most 80 characters, in the order they are printed.
    data : dict
        The same facts for machines; must be serialisable as JSON.
    code : int
        0 fine, 1 problems in the data, 2 wrong use.

    Examples
    --------
    >>> print(Outcome(found=["24 batches"], next=["doughlab plan --keep"]))
    24 batches
    next: doughlab plan --keep
    """

    read: list[str] = field(default_factory=list)
    found: list[str] = field(default_factory=list)
    wrote: list[str] = field(default_factory=list)
    next: list[str] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)
    code: int = 0

    def __str__(self) -> str:
        """Give the four parts as text, each only where it has something to say."""
        lines = [f"read {line}" for line in self.read] + list(self.found)
        lines += [f"wrote {line}" for line in self.wrote]
        lines += [f"next: {line}" for line in self.next]
        return "\n".join(lines)

    def as_json(self) -> dict[str, Any]:
        """Give the same as one dictionary.

        Examples
        --------
        >>> Outcome(found=["x"]).as_json()["found"]
        ['x']
        """
        return {
            "read": self.read,
            "found": self.found,
            "wrote": self.wrote,
            "next": self.next,
            "code": self.code,
            **self.data,
        }
