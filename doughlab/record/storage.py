"""Storage: bytes at the end of a file that are whole, or not there at all.

`journal` writes through here: one lock for a trial, append, flush, fsync, then acknowledge.
What the bytes mean is left to `journal`; it knows lines and nothing else.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from doughlab.errors import DoughlabError

LOCK_FILE = "record/.lock"
WAIT_S = 30.0
FULL = frozenset({errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)})


class NotStored(DoughlabError):  # noqa: N818
    """An entry that was not stored; says why, and that nothing was changed."""


def cut_tail(data: bytes) -> tuple[bytes, bytes]:
    r"""Part the whole lines from a last line without an end.

    Examples
    --------
    >>> cut_tail(b"one\ntwo\nthr")
    (b'one\ntwo\n', b'thr')
    """
    end = data.rfind(b"\n") + 1
    return data[:end], data[end:]


def torn_path(path: Path) -> Path:
    """Give the file in which cut-off lines of a journal are set aside.

    Examples
    --------
    >>> torn_path(Path("record/readings.csv")).name
    'readings.csv.torn'
    """
    return path.with_name(f"{path.name}.torn")


@contextlib.contextmanager
def locked(folder: Path, wait_s: float | None = None) -> Iterator[None]:
    """Hold the lock of a trial's records; wait for it some seconds, `WAIT_S` unless given."""
    from filelock import FileLock, Timeout

    wait_s = WAIT_S if wait_s is None else wait_s
    lock = FileLock(folder / LOCK_FILE, timeout=wait_s)
    try:
        lock.acquire()
    except Timeout:
        raise NotStored(
            f"Another program has held {LOCK_FILE} for {wait_s:.0f} s. Nothing was stored. "
            "Close other doughlab windows, then try again."
        ) from None
    except OSError as error:
        raise NotStored(f"{LOCK_FILE}: {_reason(error)} Nothing was stored.") from error
    try:
        yield
    finally:
        lock.release()


def read_ends(path: Path) -> tuple[bytes, int, bytes]:
    """Give the first line, where the last whole line ends, and what stands after it.

    Examples
    --------
    >>> read_ends(Path("no such file"))
    (b'', 0, b'')
    """
    if not path.exists():
        return b"", 0, b""
    with path.open("rb") as file:
        first = file.readline()
        size = file.seek(0, os.SEEK_END)
        tail = b""
        while len(tail) < size and b"\n" not in tail:
            start = max(0, size - len(tail) - 65536)
            file.seek(start)
            tail = file.read(size - start)
    rest = tail[tail.rfind(b"\n") + 1 :]
    return first if first.endswith(b"\n") else b"", size - len(rest), rest


def set_aside(path: Path, end: int, tail: bytes) -> None:
    """Move a line without an end into the .torn file, then cut it off."""
    with torn_path(path).open("ab") as torn:
        torn.write(tail + b"\n")
        torn.flush()
        os.fsync(torn.fileno())
    with path.open("r+b") as file:
        file.truncate(end)
        file.flush()
        os.fsync(file.fileno())


def widen(path: Path, missing: Sequence[str]) -> int:
    """Add columns to the header and empty cells to the rows: write aside, then replace."""
    head, *lines = path.read_bytes().decode("utf-8-sig", "surrogateescape").split("\n")
    out = [head.removesuffix("\r") + "".join(f",{name}" for name in missing)]
    for line in lines[:-1]:
        text = line.removesuffix("\r")
        out.append(text + "," * len(missing) if text.strip() else text)
    data = ("\n".join(out) + "\n").encode("utf-8", "surrogateescape")
    aside = path.with_name(f"{path.name}.new")
    try:
        with aside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except OSError:
        aside.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)
    return len(data)


def write_end(path: Path, end: int, data: bytes) -> None:
    """Append the bytes and wait for the disk; on any failure cut back to what was there."""
    fresh = not path.exists()
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o644)
    try:
        try:
            os.ftruncate(file, end)
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(file, rest) :]
            os.fsync(file)
        except BaseException:  # an interrupt too must not leave half a line
            with contextlib.suppress(OSError):
                os.ftruncate(file, end)
            raise
    finally:
        os.close(file)
    if fresh:
        _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make a new file name durable, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _reason(error: OSError) -> str:
    if error.errno in FULL:
        return "The disk is full. Make room, then enter it again."
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return "This folder may only be read. Allow writing to it, then enter it again."
    return f"The disk says: {error.strerror}. Look at it, then enter it again."


def storage_words(error: OSError, name: str) -> str:
    """Say for a cook why the disk refused, and that nothing was lost.

    Examples
    --------
    >>> print(storage_words(OSError(errno.ENOSPC, "No space left on device"), "record/lots.csv"))
    record/lots.csv: The disk is full. Make room, then enter it again. Nothing was stored; ...
    """
    return f"{name}: {_reason(error)} Nothing was stored; what was stored before is whole."
