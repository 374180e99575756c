"""`doughlab lab`: put the notebooks into a trial folder and open JupyterLab there.

Called by `cli`; it runs until it is stopped. Which notebooks there are is known to `starter`,
which trial they open to `notebook`; JupyterLab itself is a program of its own.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome

QUIET = (  # nothing is asked from outside, and Ctrl-C ends it at once
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
    "--ServerApp.answer_yes=True",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder and how to start."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder (here)")
    parser.add_argument(
        "--no-browser", action="store_true", help="start it and only say the address"
    )
    parser.add_argument("--port", type=int, help="another port (8888 or the next free)")
    parser.add_argument(
        "--check", action="store_true", help="copy, say what would be started, start nothing"
    )


def run(args: argparse.Namespace) -> Outcome:
    """Copy missing notebooks and run JupyterLab until it is stopped.

    Raises
    ------
    InputError
        When the folder is no trial.
    """
    from doughlab.errors import InputError
    from doughlab.starter import copy_notebooks

    folder = Path(args.folder)
    if not (folder / "trial.toml").is_file():
        raise InputError(
            f"'{args.folder}' is no trial folder: there is no trial.toml in it. Name one that has "
            "one, or start one: doughlab new trials/my-trial"
        )
    copied, kept = copy_notebooks(folder)
    call, extra = lab_call(folder, browser=not args.no_browser, port=args.port)
    found = [f"notebooks: {counted(len(copied), 'copy', 'copies')} new, {len(kept)} kept as they "
             "are"]  # fmt: skip
    found += [f"  kept {name}" for name in kept]
    data = {"copied": copied, "kept": kept, "start": call, "environment": dict(extra)}
    wrote = [f"{folder / 'notebooks' / name}" for name in copied]
    if args.check:
        found += ["would start, for this machine only:", *(f"  {word}" for word in call)]
        found += [f"with {name}={value}" for name, value in extra.items()]
        again = f"doughlab lab {args.folder}"
        return Outcome([str(folder)], found, wrote, [again], data)
    _tell(found, wrote, data, as_json=args.json)
    code = _serve(call, extra)
    if code:
        raise InputError(
            f"JupyterLab stopped by itself (code {code}); its own words stand above. If it says "
            "that the port is taken, name another: doughlab lab --port 8899. It refuses the "
            "administrator (root): start it as another user."
        )
    return Outcome(found=["JupyterLab is closed; the notebooks stay in the folder"])


def lab_call(
    folder: Path, *, browser: bool = True, port: int | None = None
) -> tuple[list[str], dict[str, str]]:
    """Give the call that opens JupyterLab on a trial, and what it is told beside.

    Parameters
    ----------
    folder : Path
        The trial folder.
    browser : bool
        Open a browser window on it.
    port : int, optional
        This port or none; without it 8888 or the next free one.

    Returns
    -------
    list of str
        The program with its options; it listens on this machine only.
    dict of str to str
        Variables of the environment to add: the trial that every notebook opens.

    Examples
    --------
    >>> call, extra = lab_call(Path("trials/mine"), browser=False, port=8899)
    >>> call[-1], Path(extra["DOUGHLAB_TRIAL"]).name
    ('--no-browser', 'mine')
    """
    from doughlab.notebook import VARIABLE

    whole = folder.resolve()
    books = sorted(p.name for p in (whole / "notebooks").glob("*.ipynb"))
    first = f"/lab/tree/notebooks/{books[0]}" if books else "/lab"
    call = [sys.executable, "-m", "jupyterlab", "--ServerApp.ip=127.0.0.1",
            f"--ServerApp.root_dir={whole}", f"--LabApp.default_url={first}", *QUIET]  # fmt: skip
    if port is not None:
        call += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]
    if not browser:
        call.append("--no-browser")
    return call, {VARIABLE: str(whole)}


def _tell(found: Sequence[str], wrote: Sequence[str], data: object, *, as_json: bool) -> None:
    """Say what was copied before anything waits for the program."""
    if as_json:
        print(json.dumps(data), flush=True)
        return
    lines = [*found, *(f"wrote {name}" for name in wrote), "JupyterLab starts; stop it: Ctrl-C"]
    print("\n".join(lines), flush=True)


def _serve(call: Sequence[str], extra: Mapping[str, str]) -> int:
    """Run the program until it ends or is stopped; give its code, 0 where it was stopped."""
    import os
    import signal

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    program = subprocess.Popen(call, env={**os.environ, **extra})
    try:
        return program.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        signal.signal(signal.SIGTERM, before)
        _end(program)


def _end(program: subprocess.Popen[bytes]) -> None:
    """Ask the program to end, and end it where it does not within some seconds."""
    if program.poll() is None:
        program.terminate()
    try:
        program.wait(timeout=20)
    except subprocess.TimeoutExpired:
        program.kill()
        program.wait()
