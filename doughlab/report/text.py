"""Texts: every sentence of the report by its key, ours or the consultant's own.

Ours stand in `texts.toml`, the heads of columns in `doughlab.tables`; own ones in report-texts.toml
of a trial folder take their place, a second language among them. Cautions come from
`doughlab.sources` and the water room, findings from the rooms that made them.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from string import Formatter

from doughlab.errors import InputError, UnknownName
from doughlab.slips import read_toml
from doughlab.tables import RECORDS, table

OWN = "report-texts.toml"
MARK, MARKS = "decimal_mark", (".", ",")
TABLE = Path(__file__).with_name("texts.toml")
_COLUMNS_OF = ("waters", *RECORDS)


def column_texts() -> dict[str, str]:
    """Give the heads of the columns that a report shows: column_<table>_<column> to its words.

    Examples
    --------
    >>> column_texts()["column_readings_ph"]
    'pH'
    """
    return {f"column_{name}_{c.name}": c.title for name in _COLUMNS_OF for c in table(name).columns}


ENGLISH: dict[str, str] = tomllib.loads(TABLE.read_text(encoding="utf-8")) | column_texts()


@dataclass(frozen=True)
class Texts:
    """The sentences of a report, with some replaced by one's own.

    Attributes
    ----------
    own : mapping of str to str
        Key of `ENGLISH` to one's own words, with the same names in braces.
    where : str
        The file they come from, for messages.

    Raises
    ------
    UnknownName
        For a key that is not in the table.
    InputError
        For words that are no text, for letters that cannot be printed, and for a name in braces
        that the sentence does not have, or that was left out.

    Examples
    --------
    >>> Texts().say("based_batches", n=24)
    '24 batches'
    >>> Texts({"based_batches": "{n} Teige"}).say("based_batches", n=24)
    '24 Teige'
    """

    own: Mapping[str, str] = field(default_factory=dict)
    where: str = ""

    def __post_init__(self) -> None:
        for key, text in self.own.items():
            check_text(key, text, where=self.where)

    def say(self, key: str, /, **values: object) -> str:
        """Fill in a sentence.

        Raises
        ------
        UnknownName
            For a key that is not in the table.
        """
        if key not in ENGLISH:
            raise UnknownName("text", key, ENGLISH)
        return self.own.get(key, ENGLISH[key]).format(**values)

    def weekday(self, on: date) -> str:
        """Name the day of the week in short.

        Examples
        --------
        >>> Texts().weekday(date(2026, 3, 4))
        'We'
        """
        return self.say(f"weekday_{on.isoweekday()}")


def check_text(key: str, text: object, *, where: str = "") -> None:
    """Check one text of a consultant's own against the one whose place it takes.

    Parameters
    ----------
    key : str
    text : object
        A str where it is right.
    where : str
        The file it stands in.

    Raises
    ------
    UnknownName, InputError
        As `Texts`.

    Examples
    --------
    >>> check_text("based_batches", "{n} Teige")
    """
    head = f"{where}: " if where else ""
    if key not in ENGLISH:
        raise UnknownName("text", key, ENGLISH, where=where)
    if not isinstance(text, str):
        raise InputError(
            f"{head}text '{key}' must stand in quotation marks; found {text!r}. Write {key} = "
            f'"{ENGLISH[key]}" and change the words.'
        )
    if any(not c.isprintable() and c != "\n" for c in text):
        raise InputError(f"{head}text '{key}' holds a letter that cannot be printed. Take it out.")
    if key == MARK and text not in MARKS:
        raise InputError(f'{head}text \'{key}\' is "{text}". Take "." or ",".')
    known, used = names_in(ENGLISH[key]), names_in(text, what=f"{head}text '{key}'")
    for name in sorted(used - known):
        raise InputError(
            f"{head}text '{key}' uses {{{name}}}, which it does not have. "
            f"Names it has: {', '.join(sorted(known)) or 'none'}."
        )
    for name in sorted(known - used):
        raise InputError(
            f"{head}text '{key}' leaves {{{name}}} out, so that a number or a name would be "
            f'missing. Put it in; ours is: "{ENGLISH[key]}"'
        )


def names_in(text: str, *, what: str = "") -> set[str]:
    """List the names in braces of a sentence.

    Parameters
    ----------
    text : str
    what : str
        How a message names the sentence; its beginning without it.

    Raises
    ------
    InputError
        For braces that do not close, or that hold more than a name.

    Examples
    --------
    >>> names_in("{n} of {planned}") == {"n", "planned"}
    True
    """
    what = what or f"text '{text[:40]}'"
    try:
        parts = [part for part in Formatter().parse(text) if part[1] is not None]
    except ValueError as error:
        raise InputError(
            f"{what} cannot be read: {error}. Write names as {{name}}, and {{{{ for a brace."
        ) from None
    for _, name, spec, how in parts:
        if spec or how:
            raise InputError(f"{what}: write {{{name}}} with nothing else inside the braces.")
    return {str(name) for _, name, _, _ in parts}


_COMMAND = re.compile(r"[:;,]? *\bdoughlab [a-z].*?(?=[;.] |\.?$)")


def without_commands(sentence: str) -> str:
    """Leave out what to type: a client and a cook read the page, not a terminal.

    Examples
    --------
    >>> without_commands("Write the lot down: doughlab daily --new-lot NAME mixed_at=9:05 trays=6")
    'Write the lot down.'
    >>> without_commands("Written by doughlab 0.1.0.")
    'Written by doughlab 0.1.0.'
    """
    kept = _COMMAND.sub("", sentence)
    return kept if kept == sentence or kept.endswith(".") else f"{kept}."


def read_texts(folder: Path) -> Texts:
    """Read the texts of a trial: ours, with those of report-texts.toml in their place.

    Parameters
    ----------
    folder : Path
        A trial folder.

    Returns
    -------
    Texts

    Raises
    ------
    UnknownName, InputError
        With the file and the key; for a file that is no TOML with its line.

    Examples
    --------
    >>> read_texts(Path("no such folder")).say("based_batches", n=24)
    '24 batches'
    """
    path = Path(folder) / OWN
    if not path.exists():
        return Texts()
    try:
        own, hint, row = read_toml(path.read_bytes().decode("utf-8"))
    except UnicodeDecodeError:
        raise InputError(f"{OWN} is not in UTF-8. Save it again as UTF-8 text.") from None
    if own is None:
        raise InputError(
            f'{OWN}, row {row}: cannot be read: {hint} Each line is: key = "words". '
            'A quotation mark inside the words is written \\".'
        )
    return Texts(own, OWN)


def write_texts(folder: Path) -> Path | None:
    """Put the table of all texts into a trial folder, every line out of force.

    Parameters
    ----------
    folder : Path
        A trial folder.

    Returns
    -------
    Path or None
        The file; None where one is there already, which is never overwritten.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_texts(Path(folder)).name, write_texts(Path(folder)) is None
    ('report-texts.toml', True)
    """
    path = Path(folder) / OWN
    if path.exists():
        return None
    lines = TABLE.read_text(encoding="utf-8").splitlines()
    lines += ["", "# heads of the tables in the appendix"]
    lines += [f"{key} = {json.dumps(text, ensure_ascii=False)}"
              for key, text in column_texts().items()]  # fmt: skip
    out = [f"# {line}" if line and not line.startswith("#") else line for line in lines]
    path.write_text("\n".join(out) + "\n", encoding="utf-8")
    return path
