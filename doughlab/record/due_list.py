"""The list of what is due as a notebook shows it: the steps, then what to watch.

`Trial.due` gives one. What is due is worked out by `due`; `doughlab today` sets its own lines.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from doughlab.record.due import WHEN, Due

_SHOWN = 12


class DueList(list[Due]):
    """A list of `Due` that reads well.

    Parameters
    ----------
    steps : iterable of Due
    watch : iterable of str
        Warm time used, the cooler, the meter, the panel.

    Examples
    --------
    >>> from datetime import datetime
    >>> at = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> DueList([Due("B01", "mix", at, True, when="late")], ["3 h since buffers"])
    late    09:00  mix       B01
    watch   3 h since buffers
    """

    def __init__(self, steps: Iterable[Due] = (), watch: Iterable[str] = ()) -> None:
        super().__init__(steps)
        self.watch = tuple(watch)

    def _lines(self) -> list[tuple[str, str, str, str]]:
        ordered = [d for when in WHEN for d in self if d.when == when]
        return [
            (d.when, f"{d.due_at:%H:%M}", d.step.replace("_", " "), "   ".join(
                p for p in (d.item, d.place, d.words) if p))
            for d in ordered
        ]  # fmt: skip

    def __repr__(self) -> str:
        """Give at most 12 steps, then what to watch, in lines of 80 characters."""
        lines = [f"{when:<8}{at}  {step:<10}{what}" for when, at, step, what in self._lines()]
        if len(lines) > _SHOWN:
            lines = [*lines[:_SHOWN], f"and {len(self) - _SHOWN} more"]
        lines += [f"watch   {words}" for words in self.watch]
        return "\n".join(
            line if len(line) <= 80 else f"{line[:76]} ..." for line in lines
        ) or "nothing is due"  # fmt: skip

    __str__ = __repr__

    def _repr_html_(self) -> str:
        """Give every step and everything to watch, whole."""
        rows = "".join(
            "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in line) + "</tr>"
            for line in self._lines()
        )
        watch = "".join(f"<li>{escape(words)}</li>" for words in self.watch)
        body = f"<table>{rows}</table>" if rows else "<p>nothing is due</p>"
        return f"{body}<ul>{watch}</ul>" if watch else body
