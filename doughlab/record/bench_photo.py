"""Photos from the bench: one file each under record/photos, and a note that names it.

The name of the file is made here from the ball and the entry's id; nothing that a phone sends
becomes a path. What a photo shows is for people.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from doughlab.errors import InputError
from doughlab.record.bench_desk import Bench, Refused
from doughlab.record.desk import Asked
from doughlab.record.entry import build_entry
from doughlab.record.journal import append
from doughlab.record.storage import storage_words

PHOTOS = "record/photos"
LARGEST_PHOTO = 12_000_000
_ID = re.compile(r"[A-Za-z0-9-]{8,48}")
_STARTS = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}


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


def keep_photo(
    bench: Bench, data: bytes, *, entry_id: str, about: str, at: str = "", by: str = ""
) -> dict[str, Any]:
    """Store a photo, then the note that names it; sent twice it is stored once.

    Raises
    ------
    Refused
        When it is no picture, or about nothing in this trial; nothing is stored.
    """
    kind = photo_kind(data)
    if not kind:
        raise Refused("This is no photo (JPEG, PNG or WebP). Take it again.")
    if not _ID.fullmatch(entry_id):
        raise Refused("The photo has no id of its own. Open the page again.")
    trial = bench.contents
    saved = {"id": entry_id, "saved": True, "words": "saved"}
    if any(r["entry_id"] == entry_id for r in trial.records.history("notes")):
        return saved
    name = f"{PHOTOS}/{re.sub(r'[^A-Za-z0-9-]', '_', about)[:40]}_{entry_id}.{kind}"
    asked = Asked("note", (about, "kind=photo", f"note={name}"), bench.now, at=at)
    try:
        entry = build_entry(trial, asked)
        _write(bench.folder / name, data)
        append(bench.folder, entry.table, [{**entry.rows[0], "entry_id": entry_id}], by=by[:40],
               now=bench.now)  # fmt: skip
    except InputError as error:
        raise Refused(str(error)) from None
    except OSError as error:
        raise Refused(storage_words(error, name)) from None
    return saved


def _write(path: Path, data: bytes) -> None:
    """Write aside, wait for the disk, then give it its name."""
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
