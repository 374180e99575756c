"""Plain: notes of the fit, said as a cook reads them, the statistical word once in brackets.

`models` and `summary` put what they print through here.
What a note means for an answer is left to them; numbers are not changed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from doughlab.analysis.wording import in_words
from doughlab.sections import Factor

_GROUPS = {
    "block": "mixing days",
    "batch": "batches",
    "ball": "balls",
    "judge": "judges",
    "session": "reading sessions",
    "residual": "single balls",
}
# what is compared on a group: how sure its ranges are where the group's spread shows as nothing
_NARROW = {
    "batch": " If batches do differ, ranges of what is set for each batch are too narrow.",
    "session": " If sessions do differ, ranges between holds are too narrow.",
}
_ZERO = re.compile(r"The variance of ([\w:]+) is estimated (?:at|below) zero[.,][^.]*\.")
_FEW = re.compile(
    r"\d+ complete rows? (?:is|are) not enough for [^.]*\. Take terms out, or record more\."
)
_TERM = re.compile(r"\b([a-z]\w*):(?=[a-z])")


def plain_words(text: str, factors: Mapping[str, Factor]) -> str:
    """Write a note of the fit in kitchen words.

    Parameters
    ----------
    text : str
    factors : mapping of str to Factor

    Examples
    --------
    >>> plain_words("It cannot be told from water:hydration.", {})
    'It cannot be told from water x hydration.'
    >>> plain_words("The variance of batch is estimated at zero. Kenward-Roger tests wait.", {})
    'No difference between batches shows beyond the rest (variance estimated at zero). If ...'
    """
    text = _ZERO.sub(_zero_words, text)
    text = re.sub(r" ?Kenward-Roger[^.]*\.", "", text)
    text = _FEW.sub("Record more balls, of other batches first.", text)
    return in_words(_TERM.sub(r"\1 x ", text), factors)


def _zero_words(found: re.Match[str]) -> str:
    parts = found[1].split(":")
    group = _GROUPS.get(parts[0], parts[0]) if len(parts) == 1 else " x ".join(parts)
    narrow = _NARROW.get(found[1], "")
    shows = "shows beyond the rest (variance estimated at zero)"
    return f"No difference between {group} {shows}.{narrow}"
