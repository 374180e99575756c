"""The bench server: one small page for phones and laptops at the bench.

`doughlab bench` starts it. It listens on this machine only, unless the local network is asked for;
where it is found stands in `bench_address`. What the page shows and what an entry must be stands
in `bench_desk`.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from hashlib import blake2b
from importlib.resources import files
from pathlib import Path
from typing import Any

import tornado.httpserver
import tornado.web

from doughlab.errors import DoughlabError, InputError
from doughlab.record.bench_address import (
    PORTS,
    Address,
    Kept,
    keep,
    moved_words,
    read_kept,
    taken_words,
)
from doughlab.record.bench_desk import MOST_ENTRIES, Bench
from doughlab.record.bench_forms import Refused
from doughlab.record.bench_photo import LARGEST_PHOTO, keep_photo
from doughlab.record.bench_scan import read_code
from doughlab.record.bench_sent import read_sent
from doughlab.record.place import place_words
from doughlab.record.storage import NotStored

LARGEST_BODY = 300_000
BODY_S = 30.0
KINDS = {"html": "text/html", "css": "text/css", "js": "text/javascript"}
PAGE = "page.html"
ASSETS = ("bench.css", "bench.js", "form.js", "judge.js", "page.js", "queue.js")
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
# The page itself may be kept by the phone: opened again without the server it still shows what
# waits. It asks which version the server has, and loads itself again where that is another one.
KEEP_PAGE = "private, max-age=604800"


def _own_file(name: str) -> bytes:
    return (files("doughlab.record") / "bench_page" / name).read_bytes()


@cache
def page_version() -> str:
    """Tell the page's files from those of another version of doughlab.

    Examples
    --------
    >>> len(page_version())
    8
    """
    seen = blake2b(digest_size=4)
    for name in (PAGE, *ASSETS):
        seen.update(_own_file(name))
    return seen.hexdigest()


def local_addresses() -> list[str]:
    """List the addresses of this machine in the local network; empty without one."""
    found: list[str] = []
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))  # documentation range (RFC 5737): nothing is sent
            found.append(str(probe.getsockname()[0]))
    except OSError:
        pass
    return [a for a in found if not a.startswith(("127.", "0."))]


@tornado.web.stream_request_body
class _Page(tornado.web.RequestHandler):
    """What every answer has in common: who may ask, and headers that keep the page to itself.

    Who asks is looked at before a body is taken; nobody else can fill this machine's memory.
    """

    largest = 0

    def initialize(self, bench: Bench, hosts: frozenset[str]) -> None:
        self.bench, self.hosts, self.body = bench, hosts, bytearray()

    def prepare(self) -> None:
        """Refuse other names and other origins: a page elsewhere must not reach the trial."""
        if self.request.host not in self.hosts:
            raise tornado.web.HTTPError(403)
        origin = self.request.headers.get("Origin")
        if self.request.method == "POST" and origin != f"http://{self.request.host}":
            raise tornado.web.HTTPError(403)
        if self.request.headers.get("Sec-Fetch-Site", "same-origin") == "cross-site":
            raise tornado.web.HTTPError(403)
        length = self.request.headers.get("Content-Length", "0")
        if not (length.isascii() and length.isdigit()) or int(length) > self.largest:
            raise tornado.web.HTTPError(413)

    def data_received(self, chunk: bytes) -> None:
        """Gather the body, up to what this address takes."""
        if len(self.body) + len(chunk) > self.largest:
            raise tornado.web.HTTPError(413)
        self.body += chunk

    def set_default_headers(self) -> None:
        for name, value in HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    def write_error(self, status_code: int, **_: Any) -> None:
        """Answer briefly; what went wrong inside is for the terminal."""
        self.set_header("Content-Type", "application/json")
        words = {403: "not from here", 404: "nothing here", 413: "too large"}
        self.finish(json.dumps({"words": words.get(status_code, "that did not work")}))

    def answer(self, found: Any) -> None:
        """Send JSON."""
        self.set_header("Content-Type", "application/json; charset=utf-8")
        self.finish(json.dumps(found, ensure_ascii=False))

    def try_to(self, act: Callable[[], Any]) -> None:
        """Answer with what is found, or with the sentence that refuses it."""
        try:
            self.answer(act())
        except Refused as error:
            self.set_status(422)
            self.answer({"words": str(error), "fields": error.fields})
        except NotStored as error:
            self.set_status(503)
            self.answer({"words": str(error), "wait": True})
        except DoughlabError as error:
            self.set_status(409)
            self.answer({"words": str(error), "fields": {}})


class _Front(_Page):
    def get(self) -> None:
        """Send the page, its parts named by version."""
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.set_header("Cache-Control", KEEP_PAGE)
        self.finish(_own_file(PAGE).replace(b"{version}", page_version().encode()))


class _Asset(_Page):
    def get(self, name: str) -> None:
        """Send one of the page's own files."""
        if name not in ASSETS:
            raise tornado.web.HTTPError(404)
        self.set_header("Content-Type", f"{KINDS[name.split('.')[1]]}; charset=utf-8")
        self.set_header("Cache-Control", KEEP_PAGE)
        self.finish(_own_file(name))


class _Overview(_Page):
    def get(self) -> None:
        """Send what is due, what to watch and the forms."""
        self.try_to(lambda: self.bench.overview() | {"version": page_version()})


class _Ball(_Page):
    def get(self) -> None:
        """Send what one ball is and still needs."""
        self.try_to(lambda: self.bench.ball(self.get_query_argument("id", "")))


class _Card(_Page):
    def get(self) -> None:
        """Send one judge's card: codes only."""
        ask = self.get_query_argument
        self.try_to(lambda: self.bench.card(ask("judge", ""), ask("session", "")))


class _Entries(_Page):
    largest = LARGEST_BODY

    def post(self) -> None:
        """Store entries one by one; each is answered by itself."""
        try:
            raw = json.loads(bytes(self.body))
            entries, off = list(raw["entries"]), self._clock_off(raw.get("now"))
        except (ValueError, TypeError, KeyError, RecursionError):
            raise tornado.web.HTTPError(400) from None
        if len(entries) > MOST_ENTRIES:
            raise tornado.web.HTTPError(413)
        results: list[dict[str, Any]] = []
        for entry in entries:  # where the disk cannot take one, it is not asked for the rest
            last = results[-1] if results else {}
            results.append(last | {"id": _id(entry)} if last.get("wait") else self._one(entry, off))
        self.answer({"results": results})

    def _clock_off(self, text: Any) -> timedelta:
        """Tell how far the phone's clock is ahead of this machine's."""
        if not isinstance(text, str):
            return timedelta()
        try:
            stated = datetime.fromisoformat(text)
        except ValueError:
            return timedelta()
        return stated - self.bench.now if stated.tzinfo is not None else timedelta()

    def _one(self, raw: Any, off: timedelta) -> dict[str, Any]:
        try:
            return self.bench.store(read_sent(raw, off=off))
        except NotStored as error:
            return {"id": _id(raw), "saved": False, "wait": True, "words": str(error)}
        except DoughlabError as error:
            fields = error.fields if isinstance(error, Refused) else {}
            return {"id": _id(raw), "saved": False, "words": str(error), "fields": fields}


def _id(raw: Any) -> Any:
    return raw.get("id", "") if isinstance(raw, dict) else ""


class _Photo(_Page):
    largest = LARGEST_PHOTO

    def post(self) -> None:
        """Store one photo and a note that names it."""
        ask = self.get_query_argument
        self.try_to(
            lambda: keep_photo(
                self.bench, bytes(self.body), entry_id=ask("id", ""), about=ask("about", ""),
                at=ask("at", ""), by=ask("by", "")
            )
        )  # fmt: skip


class _Scan(_Page):
    largest = LARGEST_PHOTO

    def post(self) -> None:
        """Read the code on a photo of a label; nothing is kept."""
        self.try_to(lambda: {"text": read_code(bytes(self.body))})


def build_app(bench: Bench, address: Address) -> tornado.web.Application:
    """Build the application: every path lies under the random part of the address."""
    own = {"bench": bench, "hosts": frozenset(f"{h}:{address.port}" for h in address.hosts)}
    root = f"/{address.key}"
    return tornado.web.Application(
        [
            (f"{root}/", _Front, own),
            (f"{root}/overview", _Overview, own),
            (f"{root}/ball", _Ball, own),
            (f"{root}/card", _Card, own),
            (f"{root}/entries", _Entries, own),
            (f"{root}/photo", _Photo, own),
            (f"{root}/scan", _Scan, own),
            (f"{root}/v[0-9a-f]{{8}}/([a-z]+[.][a-z]+)", _Asset, own),
        ],
        default_handler_class=_Nothing,
        default_handler_args=own,
        log_function=lambda handler: None,
    )


class _Nothing(_Page):
    def prepare(self) -> None:
        """Say the same for every other path, so that the random part cannot be guessed by it."""
        raise tornado.web.HTTPError(404)


def listen(
    folder: Path, *, lan: bool = False, port: int | None = None, body_s: float = BODY_S
) -> tuple[tornado.httpserver.HTTPServer, Address]:
    """Start to listen; call it inside a running asyncio loop, which then serves.

    Parameters
    ----------
    folder : Path
        The trial folder.
    lan : bool
        Also on the local network; this machine only otherwise.
    port : int, optional
        The trial's own unless given: chosen at the first start and kept, since phones keep what
        waits by it. 0 takes any and keeps none.
    body_s : float
        Seconds that a request may take to arrive, more than 0; whoever dawdles is cut off, so that
        half-sent requests cannot hold the bench. The phone sends again.

    Raises
    ------
    InputError
        When the port is taken, the trial cannot be read, or there is no network.
    """
    bench = Bench(folder)
    said = [f"this trial {words}"] if (words := place_words(folder)) else []
    trial = bench.contents  # a folder that is no trial is refused before anything listens
    kept, hosts = read_kept(folder), ["127.0.0.1", "localhost"]
    if lan:
        found = local_addresses()
        if not found:
            raise InputError(
                "This machine has no address in a local network. Join the wifi, or leave --lan out."
            )
        hosts += [f"{socket.gethostname().partition('.')[0].lower()}.local", *found]
    sockets, used = _bind("0.0.0.0" if lan else "127.0.0.1", kept, port)
    number = hosts[-1] if lan else ""
    if port != 0:
        said += moved_words(kept, used, number)
        keep(folder, replace(kept, port=used, host=number or kept.host))
    address = Address(tuple(hosts), used, kept.key, tuple(said))
    server = tornado.httpserver.HTTPServer(
        build_app(bench, address), max_buffer_size=LARGEST_PHOTO + 100_000,
        max_body_size=LARGEST_PHOTO, idle_connection_timeout=60, body_timeout=body_s,
    )  # fmt: skip
    server.add_sockets(sockets)
    del trial
    return server, address


def _bind(host: str, kept: Kept, port: int | None) -> tuple[list[socket.socket], int]:
    """Take the port that was asked for, the trial's own, or at the first start a free one."""
    own = port is None and bool(kept.port)
    first = kept.first_port if port is None else port
    last = first if own or port is not None else first + PORTS - 1
    for number in range(first, last + 1):
        made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name != "nt":  # there it would share the port with another program
                made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made.setblocking(False)
            made.bind((host, number))
            made.listen(128)
        except (OSError, OverflowError):
            made.close()
            continue
        return [made], int(made.getsockname()[1])
    raise InputError(taken_words(first, kept=own))
