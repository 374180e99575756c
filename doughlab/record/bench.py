"""The bench server: one small page for phones and laptops at the bench.

`doughlab bench` starts it. It listens on this machine only, unless the local network is asked for;
the address holds a random part that is kept with the trial, so that a phone finds it again after
a stop. What the page shows and what an entry must be stands in `bench_desk`.
"""

from __future__ import annotations

import json
import os
import secrets
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import tornado.httpserver
import tornado.netutil
import tornado.web

from doughlab.errors import DoughlabError, InputError
from doughlab.record.bench_desk import MOST_ENTRIES, Bench, Refused, read_sent
from doughlab.record.bench_photo import LARGEST_PHOTO, keep_photo

PORT = 8341
LARGEST_BODY = 300_000
KEY_FILE = "record/.bench"
ASSETS = {
    "": ("page.html", "text/html"),
    "bench.css": ("bench.css", "text/css"),
    "bench.js": ("bench.js", "text/javascript"),
    "queue.js": ("queue.js", "text/javascript"),
}
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True)
class Address:
    """Where the page is found.

    Attributes
    ----------
    hosts : tuple of str
        Names by which a browser may ask for it.
    port : int
    key : str
        The random part.
    """

    hosts: tuple[str, ...]
    port: int
    key: str

    @property
    def urls(self) -> tuple[str, ...]:
        """Every address of the page, the one for other devices last."""
        return tuple(f"http://{host}:{self.port}/{self.key}/" for host in self.hosts)


def read_key(folder: Path) -> str:
    """Give the random part of the address; made once for a trial and kept beside its records.

    Raises
    ------
    InputError
        When it cannot be kept.
    """
    path = Path(folder) / KEY_FILE
    try:
        known = path.read_text(encoding="ascii").strip() if path.exists() else ""
        if len(known) >= 16 and known.replace("-", "").replace("_", "").isalnum():
            return known
        path.parent.mkdir(parents=True, exist_ok=True)
        key = secrets.token_urlsafe(12)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            file.write(key + "\n")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{KEY_FILE} cannot be kept ({error}). Look at the rights of the folder, then try "
            "again."
        ) from None
    return key


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


class _Page(tornado.web.RequestHandler):
    """What every answer has in common: who may ask, and headers that keep the page to itself."""

    def initialize(self, bench: Bench, hosts: frozenset[str]) -> None:
        self.bench, self.hosts = bench, hosts

    def prepare(self) -> None:
        """Refuse other names and other origins: a page elsewhere must not reach the trial."""
        if self.request.host not in self.hosts:
            raise tornado.web.HTTPError(403)
        origin = self.request.headers.get("Origin")
        if self.request.method == "POST" and origin != f"http://{self.request.host}":
            raise tornado.web.HTTPError(403)
        if self.request.headers.get("Sec-Fetch-Site", "same-origin") == "cross-site":
            raise tornado.web.HTTPError(403)

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
        except DoughlabError as error:
            self.set_status(409)
            self.answer({"words": str(error), "fields": {}})


class _Asset(_Page):
    def get(self, name: str = "") -> None:
        """Send one of the page's own files."""
        if name not in ASSETS:
            raise tornado.web.HTTPError(404)
        file, kind = ASSETS[name]
        self.set_header("Content-Type", f"{kind}; charset=utf-8")
        self.finish((files("doughlab.record") / "bench_page" / file).read_bytes())


class _Overview(_Page):
    def get(self) -> None:
        """Send what is due, what to watch and the forms."""
        self.try_to(self.bench.overview)


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
    def post(self) -> None:
        """Store entries one by one; each is answered by itself."""
        if len(self.request.body) > LARGEST_BODY:
            raise tornado.web.HTTPError(413)
        try:
            raw = json.loads(self.request.body)
            entries, off = list(raw["entries"]), self._clock_off(raw.get("now"))
        except (ValueError, TypeError, KeyError, RecursionError):
            raise tornado.web.HTTPError(400) from None
        if len(entries) > MOST_ENTRIES:
            raise tornado.web.HTTPError(413)
        self.answer({"results": [self._one(entry, off) for entry in entries]})

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
        entry_id = raw.get("id", "") if isinstance(raw, dict) else ""
        try:
            return self.bench.store(read_sent(raw, off=off))
        except DoughlabError as error:
            fields = error.fields if isinstance(error, Refused) else {}
            return {"id": entry_id, "saved": False, "words": str(error), "fields": fields}


class _Photo(_Page):
    def post(self) -> None:
        """Store one photo and a note that names it."""
        ask = self.get_query_argument
        self.try_to(
            lambda: keep_photo(
                self.bench, self.request.body, entry_id=ask("id", ""), about=ask("about", ""),
                at=ask("at", ""), by=ask("by", "")
            )
        )  # fmt: skip


def build_app(bench: Bench, address: Address) -> tornado.web.Application:
    """Build the application: every path lies under the random part of the address."""
    own = {"bench": bench, "hosts": frozenset(f"{h}:{address.port}" for h in address.hosts)}
    root = f"/{address.key}"
    return tornado.web.Application(
        [
            (f"{root}/overview", _Overview, own),
            (f"{root}/ball", _Ball, own),
            (f"{root}/card", _Card, own),
            (f"{root}/entries", _Entries, own),
            (f"{root}/photo", _Photo, own),
            (f"{root}/([a-z.]*)", _Asset, own),
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
    folder: Path, *, lan: bool = False, port: int | None = None
) -> tuple[tornado.httpserver.HTTPServer, Address]:
    """Start to listen; the caller runs the loop.

    Parameters
    ----------
    folder : Path
        The trial folder.
    lan : bool
        Also on the local network; this machine only otherwise.
    port : int, optional
        8341, or the next free one, unless given; 0 takes any.

    Raises
    ------
    InputError
        When no port is free, the trial cannot be read, or there is no network.
    """
    bench = Bench(folder)
    trial = bench.contents  # a folder that is no trial is refused before anything listens
    key = read_key(folder)
    hosts = ["127.0.0.1", "localhost"]
    if lan:
        found = local_addresses()
        if not found:
            raise InputError(
                "This machine has no address in a local network. Join the wifi, or leave --lan out."
            )
        hosts += found
    sockets, used = _bind("0.0.0.0" if lan else "127.0.0.1", port)
    address = Address(tuple(hosts), used, key)
    server = tornado.httpserver.HTTPServer(
        build_app(bench, address), max_buffer_size=LARGEST_PHOTO + 100_000,
        max_body_size=LARGEST_PHOTO, idle_connection_timeout=60,
    )  # fmt: skip
    server.add_sockets(sockets)
    del trial
    return server, address


def _bind(host: str, port: int | None) -> tuple[list[socket.socket], int]:
    ports: Iterable[int] = range(PORT, PORT + 20) if port is None else (port,)
    for number in ports:
        try:
            sockets = tornado.netutil.bind_sockets(number, host, family=socket.AF_INET)
        except OSError:
            continue
        return sockets, int(sockets[0].getsockname()[1])
    asked = f"port {port} is" if port is not None else f"ports {PORT} to {PORT + 19} are"
    raise InputError(f"{asked[0].upper()}{asked[1:]} taken. Close the other bench, or use --port.")
