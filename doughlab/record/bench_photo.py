"""Photos from the bench: one file each under record/photos, and a note that names it.

The name of the file is made here from the ball and the entry's id; nothing that a phone sends
becomes a path. What a photo shows is for people.
"""

from __future__ import annotations

import errno
import io
import os
import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.errors import InputError
from doughlab.record.bench_desk import WAIT_S, Bench
from doughlab.record.bench_forms import Refused
from doughlab.record.bench_sent import local_time
from doughlab.record.bench_views import refuse_code
from doughlab.record.bench_words import say
from doughlab.record.desk import Asked
from doughlab.record.entry import build_entry
from doughlab.record.journal import append
from doughlab.record.storage import NotStored, storage_words

if TYPE_CHECKING:
    from PIL.Image import Image

PHOTOS = "record/photos"
LARGEST_PHOTO = 4_000_000  # the page makes a photo smaller first: 1,600 dots wide
_ID = re.compile(r"[A-Za-z0-9-]{8,48}")
_STARTS = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}
MOST_PIXELS = 30_000_000
FORMATS = ("JPEG", "PNG", "WEBP")


def photo_kind(data: bytes) -> str:
    """Tell by its first bytes what a picture is: "jpg", "png", "webp", or "" for anything else.

    Examples
    --------
    >>> photo_kind(b"<html>"), photo_kind(bytes.fromhex("ffd8ffe0"))
    ('', 'jpg')
    """
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "webp"
    return next((kind for start, kind in _STARTS.items() if data.startswith(start)), "")


def open_photo(data: bytes, *, again: str = "Take it again.") -> Image:
    """Read a photo as a whole: every line of it is decoded, so that half of one is noticed.

    Parameters
    ----------
    data : bytes
    again : str
        What to do where it is none.

    Returns
    -------
    Image
        As Pillow has it.

    Raises
    ------
    Refused
        When it is no JPEG, PNG or WebP, is cut off or damaged, or has over 30 million dots.

    Examples
    --------
    >>> open_photo(bytes.fromhex("ffd8ffe0"))
    Traceback (most recent call last):
    doughlab.record.bench_forms.Refused: The photo is damaged or cut off. Take it again.
    """
    from PIL import Image

    if not photo_kind(data):
        raise Refused("This is no photo (JPEG, PNG or WebP). Take it again.")
    try:
        with warnings.catch_warnings():  # a size that Pillow warns of is refused below
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(data), formats=FORMATS)
        if picture.width * picture.height > MOST_PIXELS:
            raise Refused(f"The photo is too large to read. {again}")
        picture.load()
    except Image.DecompressionBombError:
        raise Refused(f"The photo is too large to read. {again}") from None
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise Refused(f"The photo is damaged or cut off. {again}") from error
    return picture


def keep_photo(
    bench: Bench, data: bytes, *, entry_id: str, about: str, at: str = "", by: str = ""
) -> dict[str, Any]:
    """Store a photo, then the note that names it; sent twice it is stored once.

    Raises
    ------
    Refused
        When it is no picture, or about nothing in this trial; nothing is stored.
    NotStored
        When the disk cannot take it just now; the phone keeps it and sends it again.
    """
    open_photo(data).close()
    kind = photo_kind(data)
    if not _ID.fullmatch(entry_id):
        raise Refused("The photo has no id of its own. Open the page again.")
    trial = bench.contents
    refuse_code(trial, about)
    saved = {"id": entry_id, "saved": True, "words": "saved"}
    for row in trial.records.history("notes"):
        if row["entry_id"] == entry_id:
            if row["kind"] == "photo" and str(row["note"]).endswith(f"_{entry_id}.{kind}"):
                return saved
            raise Refused("Another entry is stored under this id. Take the photo again.")
    name = f"{PHOTOS}/{re.sub(r'[^A-Za-z0-9-]', '_', about)[:40]}_{entry_id}.{kind}"
    at = local_time(at, trial.settings.timezone)
    asked = Asked("note", (about, "kind=photo", f"note={name}"), bench.now, at=at, device=True)
    try:
        entry = build_entry(trial, asked)
        _write(bench.folder / name, data)
        append(bench.folder, entry.table, [{**entry.rows[0], "entry_id": entry_id}], by=by[:40],
               now=bench.now, wait_s=WAIT_S)  # fmt: skip
    except InputError as error:
        raise Refused(say(str(error), trial.settings, now=bench.now)) from None
    except OSError as error:
        raise NotStored(storage_words(error, "The photo")) from None
    return saved


def _write(path: Path, data: bytes) -> None:
    """Write aside, wait for the disk, then give it its name; never through a link."""
    if path.parent.is_symlink():
        raise OSError(errno.EPERM, "a link")
    path.parent.mkdir(parents=True, exist_ok=True)
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
