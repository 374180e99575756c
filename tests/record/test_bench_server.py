"""The bench over the wire: who may ask, what it answers, and nothing lost when it is killed."""

import asyncio
import contextlib
import csv
import inspect
import json
import os
import random
import re
import socket
import subprocess
import sys
import threading
import time
from urllib.parse import quote

import pytest

from doughlab.record.bench import ASSETS, listen, page_version
from doughlab.record.bench_address import KEY_FILE, read_kept
from doughlab.record.bench_desk import MOST_ENTRIES

from .bench_server import Server, entry
from .conftest import picture

THREE = {"ph#1": "5.41", "ph#2": "5.42", "ph#3": "5.43"}
JPEG = picture()


@pytest.fixture
def server(hand):
    running = Server(hand.folder).start()
    yield running
    if running.process.poll() is None:
        running.kill()


@pytest.fixture(scope="module")
def asked(resting):
    """One server for the tests that only ask, or whose every entry is refused."""
    running = Server(resting.folder).start()
    yield running
    assert running.process.poll() is None  # nothing that was asked brought it down
    running.kill()


def stored(folder, table="temperatures"):
    with (folder / "record" / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_page_and_its_parts_come_with_headers_that_keep_it_to_itself(asked):
    own = f"v{page_version()}/"
    kinds = {"": "text/html", f"{own}bench.css": "text/css", "overview": "application/json"}
    kinds |= {f"{own}{name}": "text/javascript" for name in ASSETS if name.endswith(".js")}
    for path, kind in kinds.items():
        status, headers, body = asked.ask(path)
        assert (status, headers["Content-Type"].split(";")[0]) == (200, kind)
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Referrer-Policy"] == "no-referrer" and "Server" not in headers
        kept = "no-store" if path == "overview" else "private, max-age=604800"
        assert headers["Cache-Control"] == kept and body  # the page opens again without the server


def test_nothing_on_the_page_asks_another_machine(asked):
    for path in ("", *(f"v{page_version()}/{name}" for name in ASSETS)):
        text = asked.ask(path)[2].decode()
        assert not re.search(r"https?://[a-z0-9]|//cdn", text)


def test_it_stops_with_a_word_and_keeps_its_address(server, hand):
    first = server.url
    code, out, err = server.stop()
    assert (code, err) == (0, "")
    assert "the bench is closed" in json.dumps(json.loads(out))
    again = Server(hand.folder, port=server.port).start()
    assert again.url == first
    assert (hand.folder / KEY_FILE).stat().st_mode & 0o077 == 0
    again.kill()


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://evil.example"}, {"Origin": None}, {"Origin": "null"},
     {"Host": "evil.example"}, {"Sec_Fetch_Site": "cross-site"},
     {"Origin": "http://127.0.0.1:1"}],
)  # fmt: skip
def test_another_origin_or_name_is_refused(asked, resting, headers):
    data = json.dumps({"entries": [entry("entry-001")]}).encode()
    status, _, body = asked.ask("entries", data, **headers)
    assert status == 403 and json.loads(body) == {"words": "not from here"}
    assert not (resting.folder / "record" / "temperatures.csv").exists()


def test_a_wrong_random_part_finds_nothing(asked):
    for path in ("/", "/wrong/", "/wrong/entries", "/wrong/overview", "/../trial.toml"):
        status, _, body = asked.ask(f"{asked.origin}{path}")
        assert status == 404 and json.loads(body) == {"words": "nothing here"}


@pytest.mark.parametrize(
    "path",
    ["../trial.toml", "..%2f..%2ftrial.toml", "%2e%2e/trial.toml", "bench.py", "page.html",
     "v00000000/page.html", "v00000000/bench.py", "v00000000/..%2f..%2fbench.py",
     ".bench", "record/.bench", "bench.js/../../trial.toml", "ball?id=../../trial.toml",
     "card?judge=../x&session=..", "photo"],
)  # fmt: skip
def test_tricks_with_paths_reach_no_file(asked, path):
    status, _, body = asked.ask(path)
    assert status in {403, 404, 405, 422}
    assert b"Two waters" not in body and b"factors" not in body and b"import" not in body


def test_years_and_lengths_that_no_clock_or_wire_has_are_refused_not_a_fault(asked):
    """Years 1 and 9999 leave the calendar in another zone; a raised 2 is a digit and no number."""
    for at in ("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"):
        mix = entry("entry-001", action="mix", about="B02", at=at)
        typed = entry("entry-002", action="mix", about="B02", mixed_at=at)
        for got in asked.send(mix | {"values": {}}, typed):
            assert not got["saved"] and "lies in the year" in got["words"] + str(got["fields"])
        status, _, body = asked.ask(f"photo?id=photo-0001&about=B01&at={quote(at)}", JPEG)
        assert status == 422 and b"lies in the year" in body
    for now in ("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", 5, {"a": 1}):
        body = json.dumps({"entries": [{"nonsense": 1}], "now": now}).encode()
        assert asked.ask("entries", body)[0] == 200
    host = f"127.0.0.1:{asked.port}"
    head = f"POST {asked.url.partition(host)[2]}entries HTTP/1.1\r\nHost: {host}\r\n"
    for length in ("\xb2", "-1", "+1", "1e3", "\u0662".encode().decode("latin1")):
        with socket.create_connection(("127.0.0.1", asked.port), timeout=10) as wire:
            lines = f"{head}Origin: http://{host}\r\nContent-Length: {length}\r\n\r\n"
            wire.sendall(lines.encode("latin1"))
            assert wire.recv(100).startswith((b"HTTP/1.1 413", b"HTTP/1.1 400"))


def test_bodies_that_are_too_large_or_no_json_are_refused(server, hand):
    assert server.ask("entries", b"x" * 400_000)[0] == 413
    many = json.dumps({"entries": [entry(f"entry-{i:04d}") for i in range(MOST_ENTRIES + 1)]})
    assert server.ask("entries", many.encode())[0] == 413
    for body in (b"", b"{", b"[]", b'{"entries": 5}', b'{"entries": null}', b"\xff\xfe",
                 b'{"entries": [' + b"[" * 5000 + b"]" * 5000 + b"]}"):  # fmt: skip
        assert server.ask("entries", body)[0] in {400, 200}
    assert server.send(entry("entry-001"))[0]["saved"]
    assert len(stored(hand.folder)) == 1


def test_a_photo_over_the_wire_and_one_that_is_too_large(server, hand):
    path = "photo?id=photo-0001&about=B01&at="
    status, _, body = server.ask(path, JPEG)
    assert status == 200 and json.loads(body)["saved"], body
    try:
        status = server.ask("photo?id=photo-0002&about=B01&at=", JPEG + b"0" * 13_000_000)[0]
    except OSError:  # closed while the rest was on its way
        status = 413
    assert status in {400, 413}
    assert len(list((hand.folder / "record" / "photos").iterdir())) == 1


def test_a_body_is_taken_only_from_who_may_send_one(asked):
    """A wrong name, path or length is answered before the body is there; nothing is buffered."""
    host = asked.origin.removeprefix("http://")
    for path, name in ((f"/{'x' * 16}/entries", host), ("/x", host), ("/photo", "evil.example")):
        with socket.create_connection(("127.0.0.1", asked.port), timeout=10) as wire:
            head = f"POST {path} HTTP/1.1\r\nHost: {name}\r\nOrigin: {asked.origin}\r\n"
            wire.sendall(f"{head}Content-Length: 3900000\r\n\r\n".encode())
            assert wire.recv(100).startswith((b"HTTP/1.1 404", b"HTTP/1.1 403"))
    for path in ("overview", "ball", "card", ""):  # these take none at all
        assert asked.ask(path, b"x" * 1000)[0] == 413


def test_a_body_that_dawdles_is_cut_off_and_others_are_served_meanwhile(hand):
    """One byte a tenth of a second: the limit is on the whole body, not on its silences."""

    def dawdle(address):
        host = f"127.0.0.1:{address.port}"
        head = f"HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
        with contextlib.ExitStack() as wires:
            slow, quick = (
                wires.enter_context(socket.create_connection(("127.0.0.1", address.port), 10))
                for _ in range(2)
            )
            slow.sendall(f"POST /{address.key}/entries {head}Content-Length: 1000\r\n\r\n".encode())
            slow.settimeout(0.1)
            start, answer = time.monotonic(), None
            quick.sendall(f"GET /{address.key}/overview {head}\r\n".encode())
            served = quick.recv(100)
            while answer is None and time.monotonic() - start < 10:
                try:
                    slow.sendall(b" ")
                    answer = slow.recv(100)
                except ConnectionError:
                    answer = b""
                except TimeoutError:
                    continue
            return served, answer, time.monotonic() - start

    async def serve():
        server, address = listen(hand.folder, port=0, body_s=0.4)
        try:
            return await asyncio.to_thread(dawdle, address)
        finally:
            server.stop()

    served, answer, spent = asyncio.run(serve())
    assert served.startswith(b"HTTP/1.1 200")
    assert answer == b"" and 0.3 < spent < 5  # closed without an answer: the phone sends again
    assert not (hand.folder / "record/temperatures.csv").exists()
    assert inspect.signature(listen).parameters["body_s"].default == 30.0


def test_entries_behind_one_that_must_wait_are_not_tried(server, hand):
    (hand.folder / "record").mkdir(exist_ok=True)
    (hand.folder / "record/temperatures.csv").mkdir()
    results = server.send(entry("entry-001"), entry("entry-002"), entry("entry-003"))
    assert [(r["id"], r["saved"], r["wait"]) for r in results] == [
        (f"entry-00{i}", False, True) for i in (1, 2, 3)
    ]
    assert len({r["words"] for r in results}) == 1
    (hand.folder / "record/temperatures.csv").rmdir()
    assert all(r["saved"] for r in server.send(entry("entry-001"), entry("entry-002")))


def test_markup_and_formulas_in_a_note_stay_text(server, hand):
    texts = ["<script>alert(1)</script>", "=HYPERLINK(1)", '"><img src=x onerror=alert(1)>']
    for i, text in enumerate(texts):
        got = server.send(entry(f"entry-{i:03d}", action="note", about="B01", note=text))
        assert got[0]["saved"]
    assert [r["note"] for r in stored(hand.folder, "notes")] == texts
    for name in ASSETS:  # texts are only ever set as text
        assert b"innerHTML" not in server.ask(f"v{page_version()}/{name}")[2]


def test_a_refused_entry_does_not_stop_the_others(server):
    results = server.send(
        entry("entry-001"), entry("entry-002", temp_c="380"), {"nonsense": 1}, entry("entry-003")
    )
    assert [r["saved"] for r in results] == [True, False, False, True]
    assert results[1]["fields"]["temp_c"].startswith("380 lies outside -30 to 60")


def test_a_folder_that_is_no_trial_never_listens(tmp_path):
    done = subprocess.run([sys.executable, "-m", "doughlab", "bench", str(tmp_path)],
                          capture_output=True, text=True, check=False)  # fmt: skip
    assert done.returncode == 1
    said = " ".join(done.stderr.split())
    assert "so this is no trial folder. Make one: doughlab new FOLDER" in said


def test_a_taken_port_is_said(server, hand):
    done = subprocess.run(
        [sys.executable, "-m", "doughlab", "bench", str(hand.folder), "--port", str(server.port)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    words = f"Port {server.port} is taken. Close the other bench, or name another port with --port."
    assert words in " ".join(done.stderr.split())


def test_the_local_network_only_on_request(hand, monkeypatch):
    monkeypatch.setattr("doughlab.record.bench.local_addresses", lambda: ["127.0.0.1"])

    async def serve(lan):
        server, address = listen(hand.folder, lan=lan, port=0)
        heard = [s.getsockname()[0] for s in server._sockets.values()]
        server.stop()
        return heard, address

    heard, _ = asyncio.run(serve(lan=False))
    assert heard == ["127.0.0.1"]
    heard, address = asyncio.run(serve(lan=True))
    assert heard == ["0.0.0.0"]
    assert address.urls[-1] == f"http://127.0.0.1:{address.port}/{read_kept(hand.folder).key}/"
    assert re.fullmatch(rf"http://[a-z0-9-]+\.local:{address.port}/.*/", address.urls[2])


def test_a_full_disk_is_said_and_nothing_stored_is_hurt(hand):
    """A limit on the size of files stands for the disk: the same refusal by the system."""
    server = Server(hand.folder, limit_bytes=2500).start()
    results = [server.send(entry(f"entry-{i:03d}"))[0] for i in range(40)]
    saved = [r["id"] for r in results if r["saved"]]
    refused = [r["words"] for r in results if not r["saved"]]
    assert saved and refused
    assert all(
        r["wait"] for r in results if not r["saved"]
    )  # the phone keeps them, and sends again
    assert all("Nothing was stored; what was stored before is whole." in w for w in refused)
    server.kill()
    assert [r["entry_id"] for r in stored(hand.folder)] == saved
    assert not [p for p in hand.open().problems if p.level == "error"]


class Writer(threading.Thread):
    """One phone: sends what waits, a few at a time, until it is acknowledged, as the page does."""

    def __init__(self, server, number, count):
        super().__init__()
        self.server, self.rng = server, random.Random(number)
        self.waiting = [self.make(f"phone-{number}-{i:05d}", i) for i in range(count)]
        self.acknowledged, self.resent, self.failed = [], 0, None

    @staticmethod
    def make(name, i):
        """A temperature; every twentieth time three readings of a ball, which are three rows."""
        if i % 20:
            return entry(name, temp_c=f"{1 + i % 40 / 10:.1f}")
        which = 1 + i // 80 % 2  # the first ball is held 48 h, the second 24 h
        at = f"2026-03-0{5 - which}T10:00:00+01:00"
        return entry(name, action="reading", about=f"B0{1 + i // 20 % 4}-{which}", at=at, **THREE)

    def run(self):
        for _ in range(2000):
            if not self.waiting:
                return
            few = self.waiting[: self.rng.randint(1, 6)]
            try:
                results = self.server.send(*few)
            except (OSError, AssertionError, ValueError):
                self.resent += 1
                time.sleep(0.05)
                continue
            if [r["id"] for r in results if r["saved"]] != [e["id"] for e in few]:
                self.failed = results
                return
            self.acknowledged += [e["id"] for e in few]
            del self.waiting[: len(few)]
        self.failed = "never answered"


class CommandLine:
    """`doughlab` in a process of its own, word for word as typed, one command after the other."""

    PROGRAM = (
        "import json, sys\nfrom doughlab.cli import main\n"
        "for line in sys.stdin:\n    print(main(json.loads(line)), flush=True)\n"
    )

    def __init__(self):
        self.process = subprocess.Popen(
            [sys.executable, "-c", self.PROGRAM], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip

    def type(self, *words):
        """Run a command with --json; give what it said."""
        self.process.stdin.write(json.dumps([*words, "--json"]) + "\n")
        self.process.stdin.flush()
        said = ""
        while (line := self.process.stdout.readline()).strip() not in {"0", "1", "2"}:
            assert line, said
            said += line
        assert line.strip() == "0", said
        return json.loads(said)

    def close(self):
        """End it as the end of its input does."""
        self.process.communicate(timeout=20)
        assert self.process.returncode == 0


@pytest.mark.slow
def test_killed_again_and_again_every_acknowledged_entry_is_there_once(hand):
    """2,000 entries, 8 writers and the command line beside them, 12 kills at random moments."""
    rng = random.Random(20261128)
    for batch in ("B01", "B02", "B03", "B04"):
        hand.mix(batch, "03-02T09:00")
    server = Server(hand.folder).start()
    writers = [Writer(server, k, 1960 // 8) for k in range(8)]
    moments = sorted(rng.sample(range(20, 1900), 12))  # so many acknowledged, and then a moment
    line = CommandLine()
    for writer in writers:
        writer.start()
    typed, kills = [], 0
    while any(w.is_alive() for w in writers) or len(typed) < 40:
        done = sum(len(w.acknowledged) for w in writers)
        if len(typed) < min(40, 1 + done // 45):
            words = ("note", "B01", f"typed {len(typed)}", "--folder", str(hand.folder))
            typed += line.type("record", *words)["entries"]
        if kills < 12 and done >= moments[kills]:
            time.sleep(rng.uniform(0, 0.05))
            server.kill()
            kills += 1
            server.start()
        time.sleep(0.002)
    for writer in writers:
        writer.join()
    server.kill()
    line.close()
    assert [w.failed for w in writers] == [None] * 8
    assert sum(w.resent for w in writers) >= 12  # the kills fell between sending and answering
    acknowledged = [i for w in writers for i in w.acknowledged]
    assert len(acknowledged) == 1960 and len(set(typed)) == 40 and kills == 12
    there = [r["entry_id"] for r in stored(hand.folder)]
    threes = [i for i in acknowledged if int(i.rsplit("-", 1)[1]) % 20 == 0]
    assert sorted(there) == sorted(set(acknowledged) - set(threes))
    rows = {r["entry_id"]: float(r["ph"]) for r in stored(hand.folder, "readings")}
    assert len(threes) == 104 and len(stored(hand.folder, "readings")) == 3 * len(threes)
    for i in threes:  # of every entry all its rows, each once
        assert [rows[f"{i}.{k}"] for k in (1, 2, 3)] == [5.41, 5.42, 5.43]
    notes = [r["entry_id"] for r in stored(hand.folder, "notes")]
    assert notes == typed
    trial = hand.open()
    assert not [str(p) for p in trial.problems if p.level == "error" and "cut off" not in str(p)]
    for row in trial.records.temperatures:
        number = int(row["entry_id"].rsplit("-", 1)[1])
        assert row["temp_c"] == pytest.approx(1 + number % 40 / 10)
