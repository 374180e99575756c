"""Durability: faults made on purpose, not imagined. An acknowledged row is never lost."""

import os
import resource
import subprocess
import sys
import tempfile
import textwrap
import time
from datetime import datetime
from pathlib import Path

import pytest

from doughlab.record import storage
from doughlab.record.journal import append, read_journal
from doughlab.record.storage import NotStored
from doughlab.tables import table

TEMPERATURES = table("temperatures")
NOW = datetime.fromisoformat("2026-03-05T14:10+01:00")
DAY = "2026-03-05T09:00+01:00"
NAME = "record/temperatures.csv"

WRITER = """
    import sys
    from datetime import datetime
    from pathlib import Path
    from doughlab.record.journal import append
    from doughlab.tables import table

    folder, who, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    for i in range(count):
        row = {"place": "cooler", "at": "2026-03-05T09:00+01:00", "temp_c": i % 50,
               "entry_id": f"{who}-{i}", "note": "x" * 200}
        print(append(folder, table("temperatures"), [row])[0], flush=True)
"""


def put(folder, *temps):
    rows = [{"place": "cooler", "at": DAY, "temp_c": t} for t in temps]
    return append(folder, TEMPERATURES, rows, now=NOW)


def start_writer(folder, who, count, **more):
    code = textwrap.dedent(WRITER)
    command = [sys.executable, "-c", code, str(folder), who, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                            **more)  # fmt: skip


def stored_ids(folder):
    return [r["entry_id"] for r in read_journal(folder, TEMPERATURES).rows]


def test_a_line_cut_anywhere_loses_no_whole_line_and_is_set_aside(tmp_path):
    put(tmp_path, 1, 2, 3)
    path = tmp_path / NAME
    whole = path.read_bytes()
    last = whole.rstrip(b"\n").rfind(b"\n") + 1
    for cut in range(last + 1, len(whole)):
        path.write_bytes(whole[:cut])
        before = read_journal(tmp_path, TEMPERATURES)
        assert [r["temp_c"] for r in before.rows] == [1.0, 2.0]
        assert before.torn
        assert [(p.row, p.level) for p in before.problems] == [(4, "error")]
        put(tmp_path, 9)
        after = read_journal(tmp_path, TEMPERATURES)
        assert [r["temp_c"] for r in after.rows] == [1.0, 2.0, 9.0]
        torn = storage.torn_path(path)
        assert torn.read_bytes() == whole[last:cut] + b"\n"
        assert [str(p) for p in after.problems] == [
            f"{NAME}.torn: a line that was cut off while being written was set aside in "
            f"{NAME}.torn. Enter it again if it is missing, then delete that file."
        ]
        torn.unlink()


def test_a_first_line_cut_off_is_set_aside_too(tmp_path):
    path = tmp_path / NAME
    path.parent.mkdir()
    path.write_bytes(b"entry_id,entered_at,act")
    put(tmp_path, 4)
    assert [r["temp_c"] for r in read_journal(tmp_path, TEMPERATURES).rows] == [4.0]
    assert storage.torn_path(path).read_bytes() == b"entry_id,entered_at,act\n"


def test_reading_changes_no_file(tmp_path):
    put(tmp_path, 1)
    path = tmp_path / NAME
    path.write_bytes(path.read_bytes() + b"half a li")
    before = path.read_bytes()
    assert read_journal(tmp_path, TEMPERATURES).torn
    assert path.read_bytes() == before
    assert not storage.torn_path(path).exists()


def test_two_programs_that_write_at_once_lose_nothing(tmp_path):
    writers = [start_writer(tmp_path, who, 200) for who in ("a", "b")]
    said = [w.communicate(timeout=120) for w in writers]
    assert [w.returncode for w in writers] == [0, 0], said
    acknowledged = [line for out, _ in said for line in out.split()]
    assert len(acknowledged) == 400
    stored = stored_ids(tmp_path)
    assert sorted(stored) == sorted(acknowledged)
    assert read_journal(tmp_path, TEMPERATURES).problems == []
    firsts = {who: [s for s in stored if s.startswith(who)] for who in "ab"}
    assert all(ids == [f"{who}-{i}" for i in range(200)] for who, ids in firsts.items())


def test_a_killed_writer_keeps_what_it_acknowledged(tmp_path):
    for round_ in range(3):
        writer = start_writer(tmp_path, f"k{round_}", 100_000)
        for _ in range(5 + 7 * round_):
            writer.stdout.readline()
        writer.kill()
        rest, _ = writer.communicate(timeout=30)
        acknowledged = rest.split()
        stored = stored_ids(tmp_path)
        assert len(stored) == len(set(stored))
        assert set(acknowledged) <= set(stored)
        assert {f"k{round_}-{i}" for i in range(5 + 7 * round_)} <= set(stored)
    put(tmp_path, 4)
    assert len(stored_ids(tmp_path)) == len(stored) + 1


def test_the_disk_has_the_rows_before_they_are_acknowledged(tmp_path, monkeypatch):
    put(tmp_path, 1)
    seen = []
    real = os.fsync

    def watch(handle):
        real(handle)
        seen.append((os.fstat(handle).st_ino, os.fstat(handle).st_size))

    monkeypatch.setattr(storage.os, "fsync", watch)
    put(tmp_path, 2)
    stat = (tmp_path / NAME).stat()
    assert seen[-1] == (stat.st_ino, stat.st_size)


def test_a_new_file_makes_its_name_durable_too(tmp_path, monkeypatch):
    seen = []
    real = os.fsync
    monkeypatch.setattr(storage.os, "fsync", lambda h: (seen.append(os.fstat(h).st_ino), real(h)))
    put(tmp_path, 1)
    assert seen == [(tmp_path / NAME).stat().st_ino, (tmp_path / "record").stat().st_ino]


def test_a_full_disk_is_said_and_nothing_is_half_written(tmp_path):
    put(tmp_path, 1)
    size = (tmp_path / NAME).stat().st_size

    def limit():
        import signal

        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 1000, size + 1000))

    writer = start_writer(tmp_path, "full", 50, preexec_fn=limit)
    out, err = writer.communicate(timeout=60)
    assert writer.returncode == 1
    assert (
        err.strip()
        .splitlines()[-1]
        .endswith(
            f"NotStored: {NAME}: The disk is full. Make room, then enter it again. Nothing was "
            "stored; what was stored before is whole."
        )
    )
    journal = read_journal(tmp_path, TEMPERATURES)
    assert [r["entry_id"] for r in journal.rows[1:]] == out.split() != []
    assert (journal.torn, journal.problems) == (False, [])


def test_a_write_that_fails_half_way_is_cut_back(tmp_path, monkeypatch):
    put(tmp_path, 1)
    before = (tmp_path / NAME).read_bytes()
    real = os.write

    def half(handle, data):
        if len(data) > 10:
            return real(handle, bytes(data[:10]))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(storage.os, "write", half)
    with pytest.raises(NotStored, match="The disk is full"):
        put(tmp_path, 2)
    assert (tmp_path / NAME).read_bytes() == before


def test_an_interrupt_leaves_no_half_line(tmp_path, monkeypatch):
    put(tmp_path, 1)
    before = (tmp_path / NAME).read_bytes()
    real = os.write

    def stop(handle, data):
        real(handle, bytes(data[:10]))
        raise KeyboardInterrupt

    monkeypatch.setattr(storage.os, "write", stop)
    with pytest.raises(KeyboardInterrupt):
        put(tmp_path, 2)
    assert (tmp_path / NAME).read_bytes() == before


@pytest.fixture
def read_only():
    """A folder with one entry that this test may read and not write, even when run as root."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        put(folder, 1)
        (folder / NAME).chmod(0o444)
        (folder / "record" / ".lock").chmod(0o444)
        (folder / "record").chmod(0o555)
        folder.chmod(0o555)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        yield folder
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
        (folder / "record").chmod(0o755)


def test_a_folder_that_may_only_be_read_is_said(read_only):
    with pytest.raises(NotStored) as caught:
        put(read_only, 2)
    assert str(caught.value) == (
        "record/.lock: This folder may only be read. Allow writing to it, then enter it again. "
        "Nothing was stored."
    )
    assert [r["temp_c"] for r in read_journal(read_only, TEMPERATURES).rows] == [1.0]


def test_a_new_journal_in_a_read_only_folder_is_said(read_only):
    with pytest.raises(NotStored, match=r"This folder may only be read. Allow writing to it"):
        append(read_only, table("notes"), [{"about": "B01", "at": DAY, "kind": "note"}], now=NOW)
    assert sorted(p.name for p in (read_only / "record").glob("*.csv")) == ["temperatures.csv"]


def test_a_lock_that_is_held_is_said_in_the_end(tmp_path, monkeypatch):
    from filelock import FileLock

    put(tmp_path, 1)
    monkeypatch.setattr(storage, "WAIT_S", 0.2)
    with FileLock(tmp_path / storage.LOCK_FILE):
        start = time.monotonic()
        with pytest.raises(NotStored) as caught:
            put(tmp_path, 2)
        assert time.monotonic() - start >= 0.2
    assert str(caught.value) == (
        "Another program has held record/.lock for 0 s. Nothing was stored. Close other doughlab "
        "windows, then try again."
    )
    put(tmp_path, 3)
    assert [r["temp_c"] for r in read_journal(tmp_path, TEMPERATURES).rows] == [1.0, 3.0]


def test_a_long_file_is_read_in_one_go(tmp_path):
    put(tmp_path, 1)
    path = tmp_path / NAME
    head, row = path.read_text().splitlines()
    rows = [row.replace(row[:36], f"e{i}", 1) for i in range(20_000)]
    path.write_text("\n".join([head, *rows]) + "\n")
    start = time.perf_counter()
    journal = read_journal(tmp_path, TEMPERATURES)
    spent = time.perf_counter() - start
    assert len(journal.rows) == 20_000
    assert journal.problems == []
    assert spent < 3.0
    put(tmp_path, 2)
    assert stored_ids(tmp_path)[:2] == ["e0", "e1"]
    assert len(stored_ids(tmp_path)) == 20_001
