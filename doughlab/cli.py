"""The command line: finds a command, calls it, prints what it has to say.

`doughlab --help` and mistyped names are answered without loading any command.
What a command does stands in `commands/`, one module each.
"""

from __future__ import annotations

import sys

TYPE_CHECKING = False  # typing itself is not loaded: help must come at once
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import TextIO

    from doughlab.errors import DoughlabError

PROG = "doughlab"

# name: (module in commands/, the line that help shows for it)
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "copy the demo trial and run the whole line on it"),
    "new": ("new", "start a trial folder from a few questions"),
    "plan": ("plan", "show what a plan needs and will find; --keep freezes it"),
    "mix": ("mix", "today's mixing water: how warm, how much ice"),
    "record": ("record", "write down a mix, a reading, a bake, a score, a lost ball"),
    "bench": ("bench", "a page for phones at the bench; nothing typed there is lost"),
    "sheets": ("sheets", "a day on paper and as .xlsx, labels, cards; read filled ones"),
    "today": ("today", "what is due now, what is late, what is missing"),
    "ripe": ("ripe", "one ball: how far it is, and when it is ready"),
    "check": ("check", "list every problem of a trial folder in one pass"),
    "analyse": ("analyse", "answer the trial's questions from its records"),
    "decide": ("decide", "settings, hours and what to try next"),
    "report": ("report", "write the report as one file"),
    "daily": ("daily", "keep a settled dough: a reading and an answer every day"),
    "overview": ("overview", "all trials: state, next due, and what they say together"),
    "lab": ("lab", "put the notebooks into a trial folder and open JupyterLab"),
    "water": ("water", "know a water, dose it, blend it, compare its cost"),
}


def help_text() -> str:
    """Write the help of the program: every command with one line.

    Examples
    --------
    >>> "analyse" in help_text()
    True
    """
    width = max(map(len, COMMANDS)) + 2
    lines = [f"  {name:<{width}}{line}" for name, (_, line) in COMMANDS.items()]
    return "\n".join(
        [
            "Settle a dough's water, temperature, hydration and hold by trial bakes.",
            "",
            f"usage: {PROG} COMMAND [FOLDER] [options]",
            "",
            *lines,
            "",
            f"{PROG} COMMAND --help tells the options; --json answers for machines.",
            f"{PROG} help words, questions, messages: the glossary, which question is",
            f"answered where, and every message there is; {PROG} help WORD looks it up.",
        ]
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Without the program's name; `sys.argv[1:]` when left out.

    Returns
    -------
    int
        0 fine, 1 problems in the data, 2 wrong use.

    Examples
    --------
    >>> main(["analize"])
    2
    """
    words = list(sys.argv[1:] if argv is None else argv)
    if not words or words[0] in {"-h", "--help", "help"}:
        return _help(words[1:] if words[:1] == ["help"] else [])
    if words[0] == "--version":
        from doughlab import __version__

        print(f"{PROG} {__version__}")
        return 0
    name = words[0]
    if name not in COMMANDS:
        from doughlab.errors import suggest

        known = suggest(name, COMMANDS)
        _say(_fit(f"{PROG}: there is no command '{name}'.{known}"), sys.stderr)
        return 2
    return _run(name, words[1:])


def _help(words: list[str]) -> int:
    """Show the commands, or a page of the guide."""
    if not words:
        print(help_text())
        return 0
    from doughlab.guide import PAGES, guide_lines, look_up

    if words[0] in COMMANDS:
        return _run(words[0], ["--help"])
    if words[0] not in PAGES and (found := look_up(" ".join(words))):
        _say("\n".join(found), sys.stdout)
        return 0
    if words[0] not in PAGES:
        from doughlab.errors import suggest

        known = suggest(words[0], PAGES)
        _say(_fit(f"{PROG} help: there is no page '{words[0]}'.{known}"), sys.stderr)
        return 2
    lines = guide_lines(words[0], " ".join(words[1:]))
    if not lines:
        _say(f"{PROG} help {words[0]}: nothing holds '{' '.join(words[1:])}'.", sys.stderr)
        return 1
    _say("\n".join(lines), sys.stdout)
    return 0


def _run(name: str, words: list[str]) -> int:
    import importlib
    import json
    import os

    # matrices here are small: threads that wait for each other take twice the time
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from doughlab.commands.parser import build_parser, quote_folder, settle_folder
    from doughlab.errors import DoughlabError

    module, line = COMMANDS[name]
    command = importlib.import_module(f"doughlab.commands.{module}")
    parser = build_parser(f"{PROG} {name}", line, command.add_arguments, words)
    try:
        args = parser.parse_args(words)
        settle_folder(args)
    except SystemExit as leaving:
        return int(leaving.code or 0)
    try:
        outcome = command.run(args)
    except DoughlabError as error:
        return _refuse(error, name, as_json=args.json)
    except KeyboardInterrupt:
        _say("stopped; nothing further is stored.", sys.stderr)
        return 1
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        _say(_fit(f"{PROG} {name}: {place}{error.strerror or error}."), sys.stderr)
        return 1
    if args.json:
        _say(json.dumps(outcome.as_json(), indent=1, ensure_ascii=False), sys.stdout)
    else:
        _say(_fit(str(quote_folder(outcome, args))), sys.stdout)
    return outcome.code


def _refuse(error: DoughlabError, name: str, *, as_json: bool) -> int:
    import json

    from doughlab.errors import InputError

    if as_json:
        problems = [str(p) for p in error.problems] if isinstance(error, InputError) else []
        facts = {"error": str(error), "kind": type(error).__name__, "problems": problems}
        _say(json.dumps(facts, indent=1, ensure_ascii=False), sys.stdout)
    else:
        _say(_fit(f"{PROG} {name}: {error}"), sys.stderr)
    return 1


def _fit(text: str) -> str:
    """Cut the lines that are too long for a terminal; paths and commands to copy stay whole."""
    from doughlab.commands.lines import WIDTH, wrap

    out: list[str] = []
    for line in text.splitlines():
        start = len(line) - len(line.lstrip())
        whole = len(line) <= WIDTH or line.startswith(("next: ", "read ", "wrote "))
        out += [line] if whole else wrap(line, indent=start + 2)
    return "\n".join(out)


def _say(text: str, stream: TextIO) -> None:
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        print(text.encode(encoding, "replace").decode(encoding), file=stream)
        stream.flush()
    except BrokenPipeError:
        sys.stderr.close()


if __name__ == "__main__":
    sys.exit(main())
