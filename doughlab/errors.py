"""The errors of doughlab and the problem record that checks return.

Every room raises these and nothing else for things a user can mend.
How a problem is shown is left to the command line and the notebook.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Problem:
    """One thing found wrong in a trial folder, with the place where it stands.

    Attributes
    ----------
    file : str
        Path relative to the trial folder, with forward slashes.
    message : str
        What was found, with its unit, what would be right and what to do.
    row : int or None
        Line number in the file as an editor counts it (the header is line 1).
    column : str
        Column or key; empty where the whole row or file is meant.
    level : str
        "error" (the value cannot be used) or "note" (used, but look at it).

    Examples
    --------
    >>> print(Problem("record/readings.csv", "ph 56.2 lies outside 2.5 to 9.0.", 31, "ph"))
    record/readings.csv, row 31, column ph: ph 56.2 lies outside 2.5 to 9.0.
    """

    file: str
    message: str
    row: int | None = None
    column: str = ""
    level: str = "error"

    def __str__(self) -> str:
        """Give the place and the message in one line."""
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column:
            place += f", column {self.column}"
        return f"{place}: {self.message}"


class DoughlabError(Exception):
    """Root of everything doughlab raises on purpose.

    Examples
    --------
    >>> try:
    ...     raise MissingRecords("No pH has been recorded yet.")
    ... except DoughlabError as error:
    ...     print(error)
    No pH has been recorded yet.
    """

    def _render_traceback_(self) -> list[str]:
        """Give a notebook the sentence alone: IPython asks for this before it shows a traceback."""
        return [f"{type(self).__name__}: {self}"]


class InputError(DoughlabError, ValueError):
    """Something typed or read cannot be used; says where and what would be right.

    Parameters
    ----------
    message : str
        The whole sentence for the cook.
    problems : sequence of Problem
        All findings, where the error stands for a file with several.

    Examples
    --------
    >>> found = Problem("waters.csv", "ph 79 lies outside 3 to 11.", 2, "ph")
    >>> InputError.from_problems([found]).problems[0].row
    2
    """

    def __init__(self, message: str, *, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message)
        self.problems = tuple(problems)

    def __reduce__(self) -> tuple[Any, ...]:
        """Keep message and facts when the error travels between processes."""
        return _rebuild, (type(self), self.args, self.__dict__)

    @classmethod
    def from_problems(cls, problems: Sequence[Problem], *, shown: int = 5) -> InputError:
        """Join problems into one error that shows the first few.

        Parameters
        ----------
        problems : sequence of Problem
        shown : int
            How many are shown; the error keeps all.

        Examples
        --------
        >>> print(InputError.from_problems([Problem("waters.csv", "ph is empty.", 2, "ph")]))
        waters.csv, row 2, column ph: ph is empty.
        """
        lines = [str(p) for p in problems[:shown]]
        if len(problems) > shown:
            lines.append(f"and {len(problems) - shown} more")
        return cls("\n".join(lines), problems=problems)


class UnknownName(InputError):
    """A name that is not known; carries the known ones and suggests the nearest.

    Parameters
    ----------
    what, name : str
        What kind of name it is, and what was typed.
    known : iterable of str
        What would be right.
    where : str
        File or place, in front of the sentence.

    Examples
    --------
    >>> print(UnknownName("Factor", "watr", ["water", "hold"]))
    Factor 'watr' is not known. Did you mean 'water'? Known: hold, water.
    """

    def __init__(self, what: str, name: str, known: Iterable[str], *, where: str = "") -> None:
        self.name = name
        self.known = tuple(sorted(known))
        head = f"{where}: " if where else ""
        super().__init__(f"{head}{what} '{name}' is not known.{suggest(name, self.known)}")


class OutOfRange(InputError):  # noqa: N818
    """A value outside the range it can have, with the value and both ends.

    Parameters
    ----------
    message : str
        The whole sentence for the cook.
    value : float
        What was found, in the unit that the message names.
    low, high : float or None
        The ends of what would be right; None where there is none.

    Examples
    --------
    >>> error = OutOfRange("ph 56.2 lies outside 2.5 to 9.0.", value=56.2, low=2.5, high=9.0)
    >>> error.value, error.high
    (56.2, 9.0)
    """

    def __init__(
        self, message: str, *, value: float, low: float | None, high: float | None
    ) -> None:
        super().__init__(message)
        self.value, self.low, self.high = value, low, high


def _rebuild(kind: type[InputError], args: tuple[str, ...], facts: dict[str, Any]) -> InputError:
    """Make an error again from its parts, whatever its own arguments are."""
    error = kind.__new__(kind, *args)
    error.__dict__.update(facts)
    return error


class PlanError(DoughlabError):
    """A plan that cannot be made, or a frozen plan that was changed.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from doughlab.notebook import open_demo
    >>> from doughlab.plan import build_plan
    >>> demo = open_demo().settings
    >>> try:
    ...     build_plan(replace(demo, blocks=replace(demo.blocks, days=1)))
    ... except PlanError as error:
    ...     print(str(error)[:77])
    This plan needs 24 batches (12 combinations x 2 batches); 1 day of 6 gives 6.
    """


class CannotSearch(PlanError):  # noqa: N818
    """A model that no plan of this size or freedom can tell; says what would be enough.

    Parameters
    ----------
    message : str
        The whole sentence for the cook.
    needed : dict
        "day", "batch", "ball" to the number that would be enough, where counts are short.
    term : str
        The term that cannot be told apart, where it is one.

    Examples
    --------
    >>> error = CannotSearch("6 batches cannot tell 8 terms; 9 would.", needed={"batch": 9})
    >>> print(error, error.needed)
    6 batches cannot tell 8 terms; 9 would. {'batch': 9}
    """

    def __init__(
        self, message: str, *, needed: Mapping[str, int] | None = None, term: str = ""
    ) -> None:
        super().__init__(message)
        self.needed, self.term = dict(needed or {}), term


class MissingRecords(DoughlabError):
    """Nothing has been recorded yet for what was asked.

    Examples
    --------
    >>> issubclass(MissingRecords, DoughlabError), issubclass(MissingRecords, ValueError)
    (True, False)
    """


class NotEstimable(DoughlabError):  # noqa: N818
    """The records cannot tell two things apart; says which and what would mend it.

    Examples
    --------
    >>> import pandas as pd
    >>> from doughlab.stats import fit_mixed
    >>> rows = pd.DataFrame({"y": [5.6, 5.5, 5.4, 5.3], "water": list("aabb"), "day": list("1122")})
    >>> try:
    ...     fit_mixed(rows, "y ~ day + water")
    ... except NotEstimable as error:
    ...     print(str(error)[:85])
    None of the terms can be estimated. day: It cannot be told from water: every row with
    """


def suggest(name: str, known: Iterable[str]) -> str:
    """Write the ending of a message that offers the nearest known names.

    Parameters
    ----------
    name : str
        What was typed.
    known : iterable of str
        What would be right; at most eight are listed.

    Returns
    -------
    str
        Begins with a space, so that it can follow a sentence; empty without known names.

    Examples
    --------
    >>> suggest("tap-nroth", ["tap-north", "filtered"])
    " Did you mean 'tap-north'? Known: filtered, tap-north."
    """
    names = sorted(set(known))
    if not names:
        return ""
    folded = {one.casefold(): one for one in reversed(names)}
    near = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    hint = f" Did you mean '{folded[near[0]]}'?" if near else ""
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return f"{hint} Known: {', '.join(names[:8])}{more}."


def listed(items: Sequence[str], *, shown: int = 5) -> str:
    """Join names for a sentence, at most a few, then how many more.

    Parameters
    ----------
    items : sequence of str
    shown : int
        How many are named.

    Examples
    --------
    >>> listed(["B01-1", "B02-1", "B03-1"], shown=2)
    'B01-1, B02-1 and 1 more'
    """
    head = ", ".join(items[:shown])
    return head if len(items) <= shown else f"{head} and {len(items) - shown} more"
