"""Kitchen words for the phone: sentences without command lines, file names and column names.

The sentences are made where their facts are, for the terminal. `bench_desk` passes everything that
a phone shows through `say`; which field a refusal stands beside is found by `place_lines`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import cache, partial
from typing import Any
from zoneinfo import ZoneInfo

from doughlab.record.bench_forms import FORMS, LABELS, Form
from doughlab.settings import Settings
from doughlab.tables import RECORDS, TABLES

_BACK = "open the ball and take it back there"
_FILES = {
    "readings": "the readings", "bakes": "the bakes", "mixes": "the mixes", "scores": "the scores",
    "notes": "the notes", "lots": "the lots", "calibrations": "the buffers",
    "temperatures": "the temperatures", "trainees": "the trainees",
}  # fmt: skip
_RULES: tuple[tuple[str, str], ...] = (
    (r", yesterday 14:10 or 2026-03-05 14:10", " or yesterday 14:10"),
    (r"To change it say why: --reason TEXT", "To change it, say why in the last field."),
    (r" To say it better: doughlab record lost .*? --reason TEXT", ""),
    (r"take that entry back first: doughlab record \w+ --void \S+ --reason TEXT\.?", f"{_BACK}."),
    (r"Take one of them back: doughlab record \w+ --void \S+ --reason TEXT\.?",
     "Open the ball and take one back there."),
    (r"Take the last (?:one|set) back: doughlab record \w+ --void \S+ --reason TEXT\.?",
     "Open the ball and take one back there."),
    (r"doughlab record \w+ --void \S+ --reason TEXT\.?", f"{_BACK}."),
    (r"until one (of the two )?is taken back: --void ENTRY --reason TEXT",
     r"until one \1is taken back: " + _BACK),
    (r"doughlab record pulled (\S+) --at TIME", r"\1, Taken out, with its time"),
    (r"doughlab record mix (\S+) balled_at=TIME", r"Mix \1, with its time of balling"),
    (r"doughlab record lost \S+ [\w ]+", "fill in the note"),
    (r"; doughlab record consent \S+ \"[^\"]*\"", "; ask before the first sample"),
    (r"doughlab record calibration slope_pct=\S+ or the millivolts in each buffer: doughlab "
     r"record calibration .*?temp_c=\d+\.", "its slope, or the millivolts in each buffer."),
    (r' A meter that shows neither: note="no slope shown"\.',
     ' A meter that shows neither: note "no slope shown".'),
    (r": add temp_c=\S+ as the", ": fill it in, as the"),
    (r"Add to it with name=value, such as \S+\.", "Add to it in the fields below."),
    (r"Give the scores by criterion:.*", "Give one score at least."),
    (r"(?:Write it like|Write a column as name=value|Give the \w+ too): doughlab record .*",
     "Fill in the fields below."),
    (r"; (\w+) --replaces with its id, and name=value\.", "; enter it anew."),
    (r" Correct it with --replaces and a reason\.", " Take the first one back, then enter it."),
    (r"have phones enter through doughlab bench on it", "have phones enter through this page"),
    (r"have others enter through doughlab bench --lan", "have others enter through this page"),
    (r"before this one: doughlab record reading --replaces \S+ calibration_id=\S+ --reason TEXT",
     "before this one, have it name them at the laptop"),
    (r", temp_c=\S+; where it was forgotten: doughlab record reading \S+ temp_c=\S+", "."),
    (r"doughlab record (\w+) (\S+)", "{title} \\2"),
    (r"(\S+)=([-+]?[\d.,]+) ?mV", r"\2 mV in buffer \1"),
    (r"waters\.csv", "the waters"),
    (r" in record/(\w+)\.csv(?:, row \d+)?", " in {file}"),
    (r" ?\(?record/(\w+)\.csv(?:, row \d+)?(?:\)|(?=[,;:. ]))", " ({file})"),
    (r"plan/balls\.csv|plan/batches\.csv", "the plan"),
    (r" in row \d+", ""),
    (r" \(row \d+\)", ""),
    (r"in \[\w+\] of trial\.toml", "at the laptop, in trial.toml"),
)  # fmt: skip
_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d)?(?:[+-]\d\d:\d\d|Z)?")
_NAME = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b")


@cache
def _titles(table: str) -> dict[str, str]:
    """Give the words of every column that stands in a table, one table before the others."""
    found: dict[str, str] = {}
    for name in sorted(RECORDS, key=lambda n: n != table):
        for column in TABLES[name].columns:
            words = LABELS.get((name, column.name), column.title).partition(";")[0]
            found.setdefault(column.name, words)
    return found


def say(text: str, settings: Settings, *, now: datetime, table: str = "") -> str:
    """Write a sentence of the terminal for the phone.

    Parameters
    ----------
    text : str
    settings : Settings
        Its time zone, for times.
    now : datetime
        Times of the same day are written without it.
    table : str
        What the sentence is about, where several tables have a column of one name.

    Examples
    --------
    >>> now = datetime.fromisoformat("2026-11-29T16:00+13:00")
    >>> here = Settings("Demo", "DE", timezone="Pacific/Auckland")
    >>> print(say("B05-2: core_temp_c is 18 °C, baked_at is 2026-11-29T15:34:15+13:00 already. "
    ...           "To change it say why: --reason TEXT", here, now=now))
    B05-2: "Core of the dough, before the oven" is 18 °C, "Baked at" is 15:34 already. To change
    it, say why in the last field.
    """
    for pattern, words in _RULES:
        text = re.sub(pattern, partial(_fill, words), text)
    text = _ISO.sub(lambda found: _clock(found[0], settings, now), text)
    titles = _titles(table)
    return _NAME.sub(lambda f: f'"{titles[f[0]]}"' if f[0] in titles else f[0], text)


def _fill(words: str, found: re.Match[str]) -> str:
    if "{title}" in words:
        form = FORMS.get(found[1])
        return f"{form.title if form else found[1]} {found[2]}"
    if "{file}" in words:
        return words.replace("{file}", _FILES.get(found[1], found[1]))
    return found.expand(words)


def _clock(text: str, settings: Settings, now: datetime) -> str:
    """Write a time as people say it, where the trial is."""
    zone = ZoneInfo(settings.timezone)
    try:
        at = datetime.fromisoformat(text)
        at = at.astimezone(zone) if at.tzinfo is not None else at.replace(tzinfo=zone)
    except (ValueError, OverflowError):  # no time, or the year 1 in another zone
        return text
    same = at.date() == now.astimezone(zone).date()
    return f"{at:%H:%M}" if same else f"{at:%a} {at.day} {at:%b} {at:%H:%M}"


def say_all(lines: Iterable[str], settings: Settings, *, now: datetime) -> list[str]:
    """Write several sentences for the phone, each once."""
    return list(dict.fromkeys(say(line, settings, now=now) for line in lines))


def place_lines(
    lines: Sequence[str], form: Form, fields: Sequence[Mapping[str, Any]]
) -> tuple[dict[str, str], list[str]]:
    """Find the field that each sentence is about.

    Parameters
    ----------
    lines : sequence of str
        As made for the terminal: columns by their names.
    form : Form
    fields : sequence of mapping
        Of the form, as the page shows them.

    Returns
    -------
    dict of str to str
        Field to sentence.
    list of str
        Sentences about none.

    Examples
    --------
    >>> shown = [{"name": "balled_at", "kind": "time"}]
    >>> place_lines(["balled_at '25:10' is no time of the day."], FORMS["mix"], shown)
    ({'balled_at': "balled_at '25:10' is no time of the day."}, [])
    """
    placed: dict[str, str] = {}
    rest = []
    names = [str(f["name"]) for f in fields]
    for line in lines:
        name = _field_of(line, form, names)
        if not name:
            rest.append(line)
            continue
        placed[name] = f"{placed[name]} {line}" if name in placed else line
    return placed, rest


def _field_of(line: str, form: Form, names: Sequence[str]) -> str:
    if "--reason TEXT" in line and "To change it" in line:
        return "reason"
    if form.action == "calibration":
        if "need its temperature" in line:
            return "temp_c"
        if "slope of" in line or " mV" in line or "pH apart" in line:
            return next((n for n in names if n.startswith("buffer")), "")
    if "without a unit" in line and "temp_c" in names:
        return "temp_c"
    said = _NAME.findall(line)
    first = next((n for n in said if n in names), "")
    return first or next((n for n in names if line.startswith(f"{n} ")), "")
