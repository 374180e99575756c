"""The address of the bench: the same for a trial every time it is opened.

A phone keeps what waits by host and port, so an address that moves strands entries. `bench` asks
here for the random part and the port, and for what to say where either had to change.
"""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass, replace
from hashlib import blake2b
from pathlib import Path

from doughlab.errors import InputError

PORT, PORTS = 8341, 100
KEY_FILE = "record/.bench"


@dataclass(frozen=True)
class Kept:
    """What a trial keeps of its address.

    Attributes
    ----------
    key : str
        The random part.
    port : int
        0 before the first start.
    host : str
        Number in the local network when phones were last let in; empty before.
    home : str
        Where the folder stood, so that a copy is told from a folder that was moved.

    Examples
    --------
    >>> Kept("k" * 16).first_port in range(PORT, PORT + PORTS)
    True
    """

    key: str
    port: int = 0
    host: str = ""
    home: str = ""

    @property
    def first_port(self) -> int:
        """Where to try first: spread, so that two trials rarely want the same."""
        return self.port or PORT + int.from_bytes(blake2b(self.key.encode()).digest()[:4]) % PORTS


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
    said : tuple of str
        What the cook has to know of it, in sentences; usually nothing.
    """

    hosts: tuple[str, ...]
    port: int
    key: str
    said: tuple[str, ...] = ()

    @property
    def urls(self) -> tuple[str, ...]:
        """Every address of the page, the one for other devices last."""
        return tuple(f"http://{host}:{self.port}/{self.key}/" for host in self.hosts)


def _fits(key: str) -> bool:
    return len(key) >= 16 and key.replace("-", "").replace("_", "").isalnum()


def read_kept(folder: Path) -> Kept:
    """Read what is kept; a key is made where there is none, or where the folder is a copy.

    Parameters
    ----------
    folder : Path
        The trial folder.

    Raises
    ------
    InputError
        When it cannot be read or kept.
    """
    home = str(Path(folder).resolve())
    found = _parse(_text(Path(folder)))
    if not _fits(found.key) or _is_copy(found, home):
        found = Kept(secrets.token_urlsafe(12))
    if found.home != home:
        found = replace(found, home=home)
        keep(folder, found)
    return found


def _text(folder: Path) -> str:
    path = folder / KEY_FILE
    try:
        return path.read_text(encoding="utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise _unkept(error) from None


def _parse(text: str) -> Kept:
    first, *lines = text.split("\n")
    told = dict(line.split(" ", 1) for line in lines if " " in line)
    port = told.get("port", "")
    number = int(port) if port.isascii() and port.isdigit() and len(port) < 6 else 0
    return Kept(first.strip(), number, told.get("host", ""), told.get("home", ""))


def _is_copy(found: Kept, home: str) -> bool:
    """Tell whether the folder that the key was made for is still there, beside this one."""
    if not found.home or found.home == home:
        return False
    try:
        other = _parse(_text(Path(found.home)))
    except InputError:
        return False
    return other.key == found.key and not Path(found.home).samefile(home)


def keep(folder: Path, kept: Kept) -> None:
    """Write it beside the records, for this user only.

    Raises
    ------
    InputError
        When it cannot be kept.
    """
    path = Path(folder) / KEY_FILE
    told = {"port": kept.port, "host": kept.host, "home": kept.home}
    lines = [kept.key, *(f"{name} {value}" for name, value in told.items() if value)]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(f"{path.name}.new")
        handle = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
        aside.replace(path)
    except OSError as error:
        raise _unkept(error) from None


def _unkept(error: Exception) -> InputError:
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return InputError(
        f"{KEY_FILE} cannot be kept ({why}). Look at the rights of the folder, then try again."
    )


def taken_words(port: int, *, kept: bool) -> str:
    """Say that a port is taken, and what hangs on it.

    Examples
    --------
    >>> print(taken_words(8341, kept=False))
    Port 8341 is taken. Close the other bench, or name another port with --port.
    """
    if not kept:
        return f"Port {port} is taken. Close the other bench, or name another port with --port."
    return (
        f"Port {port}, where the phones of this trial send, is taken. A phone keeps what waits by "
        "this number: close the other program (another bench?), then start again. To move all the "
        f"same: --port with another number; what waits on a phone then stays there until the bench "
        f"is at {port} again, or until its page hands it over."
    )


def moved_words(before: Kept, port: int, host: str) -> list[str]:
    """Say which part of the address is not what phones know.

    Parameters
    ----------
    before : Kept
    port : int
        In use now.
    host : str
        Number in the local network now; empty where only this machine may ask.

    Examples
    --------
    >>> moved_words(Kept("k", 8341, "10.0.0.4"), 8341, "10.0.0.4")
    []
    >>> print(moved_words(Kept("k", 8341), 8350, "")[0])
    the address moved: port 8341 before, 8350 now. Entries that wait on a phone under the old ...
    """
    said = []
    rest = (
        "Entries that wait on a phone under the old address are not seen from the new one: on the "
        "phone's old page take 'Hand them over', or open the bench at the old address once more."
    )
    if before.port and before.port != port:
        said.append(f"the address moved: port {before.port} before, {port} now. {rest}")
    if host and before.host and before.host != host:
        said.append(f"the address moved: {before.host} before, {host} now. {rest}")
    return said
