"""The parser of a command line: a slip is answered in a sentence, not with a page of usage.

`cli` makes one for each command. What the options mean is left to the commands.
"""

from __future__ import annotations

import argparse
import difflib
import re
import shlex
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from doughlab.commands.lines import wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import suggest

TRIAL = "trial.toml"
_CHOICE = re.compile(r"argument (.+?): invalid choice: (.+) \(choose from (.*)\)", re.DOTALL)
_VALUE = re.compile(r"argument (.+?): invalid (\w+) value: (.*)", re.DOTALL)
_EMPTY = re.compile(r"argument (.+?): expected (?:one|at least one|\d+) arguments?")
_MISSING = re.compile(r"the following arguments are required: (.*)")
_SURPLUS = re.compile(r"unrecognized arguments: (.*)", re.DOTALL)
_KINDS = {"int": "a whole number", "float": "a number"}


class Parser(argparse.ArgumentParser):
    """An argument parser that says what to type instead.

    Examples
    --------
    >>> parser = Parser(prog="doughlab mix", allow_abbrev=False)
    >>> _ = parser.add_argument("--tap", required=True, metavar="TEMP", help="water from the tap")
    >>> parser.say("the following arguments are required: --tap")
    '--tap TEMP is missing: water from the tap.'
    >>> parser.say("unrecognized arguments: --tapp")
    "There is no option '--tapp'. Did you mean '--tap'?"
    """

    typed: Sequence[str] = ()

    def error(self, message: str) -> NoReturn:
        """Leave with the sentence; the exit code is 2, as for every wrong use."""
        words = f"{self.prog}: {self.say(message)} All of it: {self.prog} --help"
        self.exit(2, "\n".join(wrap(words)) + "\n")

    def say(self, message: str) -> str:
        """Put a message of the library into words for the kitchen."""
        if found := _MISSING.fullmatch(message):
            return " ".join(self._say_missing(name) for name in found[1].split(", "))
        if found := _SURPLUS.fullmatch(message):
            return self._say_surplus(found[1].split())
        if found := _CHOICE.fullmatch(message):
            known = [k.strip().strip("'") for k in found[3].split(",")]
            typed = found[2].strip("'")
            return f"{found[1]} '{typed}' is not known.{suggest(typed, known)}"
        if found := _VALUE.fullmatch(message):
            return f"{found[1]} {found[3]} is not {_KINDS.get(found[2], 'what is wanted')}."
        if found := _EMPTY.fullmatch(message):
            return f"Nothing stands behind {found[1]}. {self._say_option(found[1])}"
        return f"{message[:1].upper()}{message[1:]}."

    def _find(self, name: str) -> argparse.Action | None:
        wanted = name.split("/")[0].strip()
        for action in self._actions:
            if wanted in {*action.option_strings, action.metavar, action.dest}:
                return action
        return None

    def _say_missing(self, name: str) -> str:
        action = self._find(name)
        if action is None or not action.help:
            return f"{name} is missing."
        value = f" {action.metavar}" if name.startswith("-") and action.metavar else ""
        return f"{name}{value} is missing: {action.help % vars(action)}."

    def _say_option(self, name: str) -> str:
        action = self._find(name)
        if action is None or not action.help:
            return ""
        metavar = action.metavar if isinstance(action.metavar, str) else ""
        return f"Write {name} {metavar}: {action.help % vars(action)}."

    def _say_surplus(self, words: Sequence[str]) -> str:
        first = words[0]
        if first.startswith("-"):
            known = [o for a in self._actions for o in a.option_strings
                     if a.help != argparse.SUPPRESS]  # fmt: skip
            name = first.split("=")[0]
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
            return f"There is no option '{name}'." + (f" Did you mean '{near[0]}'?" if near else "")
        typed = list(self.typed)
        at = typed.index(first) if first in typed else 0
        before = typed[at - 1] if at and not typed[at - 1].startswith("-") else ""
        hint = ""
        if before:
            whole = shlex.quote(f"{before} {first}")
            hint = f" If it belongs to the word before it, put both in quotation marks: {whole}"
        return f"'{first}' was not expected.{hint}{'.' if hint else ''}"


def build_parser(
    prog: str, line: str, add_arguments: Callable[[Parser], None], words: Sequence[str]
) -> Parser:
    """Make the parser of a command: its own arguments, --json, and --folder where it takes one.

    Parameters
    ----------
    prog : str
        As it is typed: "doughlab plan".
    line : str
        What it does, in one line.
    add_arguments : callable
        The command's own; a command may change the parser too.
    words : sequence of str
        What was typed behind it, for the messages.

    Examples
    --------
    >>> parser = build_parser("doughlab demo", "copy the demo", lambda parser: None, [])
    >>> parser.parse_args(["--json"]).json
    True
    """
    parser = Parser(
        prog=prog,
        description=f"{line[0].upper()}{line[1:]}.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    add_arguments(parser)
    parser.add_argument("--json", action="store_true", help="answer as JSON, for machines")
    add_folder_option(parser)
    parser.typed = words
    return parser


def add_folder_option(parser: argparse.ArgumentParser) -> None:
    """Let --folder name the trial folder wherever a command takes one as its last word.

    Examples
    --------
    >>> parser = Parser()
    >>> _ = parser.add_argument("folder", nargs="?", default=".")
    >>> add_folder_option(parser)
    >>> args = parser.parse_args(["--folder", "trials/mine"])
    >>> settle_folder(args)
    >>> args.folder
    'trials/mine'
    """
    names = {a.dest for a in parser._actions if not a.option_strings and a.nargs in ("?", "*")}
    if names & {"folder", "folders"}:
        parser.add_argument("--folder", dest="folder_named", help=argparse.SUPPRESS)


def settle_folder(args: argparse.Namespace) -> None:
    """Take the folder from --folder, and the folder of a trial.toml that was named.

    Examples
    --------
    >>> args = argparse.Namespace(folder=".", folder_named=None)
    >>> settle_folder(args)
    >>> args.folder
    '.'
    """
    if not hasattr(args, "folder_named"):
        return
    named = args.folder_named
    if named is not None and hasattr(args, "folders"):
        args.folders = [*args.folders, named]
    elif named is not None:
        args.folder = type(args.folder)(named)
    if hasattr(args, "ball") and (Path(args.ball) / TRIAL).is_file():
        args.ball, args.folder = str(args.folder), args.ball  # typed the other way round
    if hasattr(args, "folder"):
        args.folder = _of_trial(args.folder)
    if isinstance(getattr(args, "folders", None), list):
        args.folders = [_of_trial(f) for f in args.folders]


def quote_folder(outcome: Outcome, args: argparse.Namespace) -> Outcome:
    """Set a folder with a space into quotation marks in the commands to copy.

    Examples
    --------
    >>> args = argparse.Namespace(folder="our dough")
    >>> quote_folder(Outcome(next=["doughlab plan our dough --keep"]), args).next
    ["doughlab plan 'our dough' --keep"]
    """
    raw = str(getattr(args, "folder", ""))
    quoted = shlex.quote(raw)
    if not raw or quoted == raw:
        return outcome
    found = re.compile(rf"(?<= ){re.escape(raw)}(?=\s|$)")
    return replace(outcome, next=[found.sub(lambda m: quoted, line) for line in outcome.next])


def _of_trial(folder: Any) -> Any:
    """Give the folder of a trial.toml; anything else as it is."""
    path = Path(folder) if isinstance(folder, str | Path) else None
    if path is None or path.name != TRIAL or not path.is_file():
        return folder
    return type(folder)(path.parent) if isinstance(folder, str) else path.parent
