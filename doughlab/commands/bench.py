"""Start the page for the bench: on this machine, or for phones in the same wifi.

A thin door to the record room; it runs until it is stopped. What the page does stands in
`record.bench`.
"""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

from doughlab.commands.outcome import Outcome

if TYPE_CHECKING:
    import asyncio

    from doughlab.record.bench_address import Address

HYGIENE = "wash hands after the phone and before the dough, or keep it in a clean bag"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab bench`."""
    parser.add_argument("folder", nargs="?", default=".", help="the trial folder")
    parser.add_argument(
        "--lan",
        action="store_true",
        help="also for phones in the same wifi",
    )
    parser.add_argument("--port", type=int, help="another port (default: the one this trial has)")


def run(args: argparse.Namespace) -> Outcome:
    """Serve the page until it is stopped with Ctrl-C.

    Raises
    ------
    InputError
        When the folder is no trial, or no port is free.
    """
    import asyncio

    from doughlab.record.bench import listen

    folder = Path(args.folder)

    async def serve() -> None:
        stopped = _heed_stops()  # before the address is told: whoever reads it may stop it at once
        server, address = listen(folder, lan=args.lan, port=args.port)
        _tell(address, folder, lan=args.lan, as_json=args.json)
        try:
            await stopped.wait()
        finally:
            server.stop()

    asyncio.run(serve())
    return Outcome(
        found=["the bench is closed; what the page said was saved is in record/"],
        next=[f"doughlab check {args.folder}"],
    )


def _heed_stops() -> asyncio.Event:
    """Give an event that Ctrl-C, or the machine ending the program, sets."""
    import asyncio
    import signal

    stopped = asyncio.Event()
    loop = asyncio.get_running_loop()
    if sys.platform != "win32":  # there Ctrl-C raises by itself
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stopped.set)
    return stopped


def _tell(address: Address, folder: Path, *, lan: bool, as_json: bool) -> None:
    """Say where the page is, before anything waits for it."""
    urls = address.urls
    if as_json:
        print(json.dumps({"urls": list(urls), "said": list(address.said)}), flush=True)
        return
    shown = urls[-1] if lan else urls[0]
    lines = [f"the bench is open: {shown}", *(fill(words, 79) for words in address.said)]
    if lan:
        from doughlab.record.sheets_code import terminal_code

        lines += [
            terminal_code(shown),
            "scan it with a phone in the same wifi. Whoever has this address can write into",
            "the trial, and it crosses the wifi in clear: use your own wifi only, show it to",
            "your people only, and close the bench when you are done.",
            "A name that stays when the wifi gives another number, where phones find it:",
            urls[2],
            "labels: a phone in the wifi takes a photo of the code (a live camera needs a",
            "secure page, which this is not)",
        ]
    else:
        place = "" if folder == Path() else f" {shlex.quote(str(folder))}"
        lines.append("for this machine only; phones in the same wifi:")
        lines.append(f"doughlab bench{place} --lan")
    lines += [fill(f"phones: {HYGIENE}", 79), "stop it: Ctrl-C"]
    print("\n".join(lines), file=sys.stdout, flush=True)
