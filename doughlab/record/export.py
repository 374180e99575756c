"""Export: the whole trial in one file, as an open data package that other programs read.

`doughlab check --zip FILE` calls it. Nothing is left out but
generated pages, locks, the random part of the bench's address, and what a link fetches from
elsewhere. The journals stay as they were typed; in the zip a text that a
spreadsheet would run as a formula carries a sign in front, see `neutral_table`.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

from doughlab.errors import InputError
from doughlab.record.checks import PACKAGE_FILE
from doughlab.record.folder import FORMULA_FILE
from doughlab.settings import FILE

TEXTS = (FILE, FORMULA_FILE, "report-texts.toml", "plan/plan.lock")
SETTLED = "daily/settled*.toml"  # the settled recipe, and those that it took the place of
PHOTOS = (".jpg", ".jpeg", ".png", ".webp")
FORMULA_WORDS = (
    "Texts that begin with = + - @, a tab or a return carry one ' in front here, so that no "
    "spreadsheet runs them. To have them back take one ' away from each text that begins with ' "
    "and then one of these signs."
)
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_SAME_DATE = (1980, 1, 1, 0, 0, 0)  # so that the same trial gives the same file


def neutral_table(data: bytes, columns: Collection[str]) -> bytes:
    r"""Put a ' before texts of a CSV that a spreadsheet would take for formulas.

    Parameters
    ----------
    data : bytes
        The CSV.
    columns : collection of str
        The columns that hold texts; numbers such as -5.3 are left alone.

    Returns
    -------
    bytes
        The same bytes where no text is one.

    References
    ----------
    OWASP, CSV Injection: cells that begin with = + - @, a tab or a return.

    Examples
    --------
    >>> neutral_table(b"note,temp_c\n=1+1,-5\n", ["note"])
    b"note,temp_c\n'=1+1,-5\n"
    """
    try:
        rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return data  # a damaged file goes as it is: `check` says so
    head = rows[0] if rows else []
    wanted = [i for i, name in enumerate(head) if name in columns]
    changed = False
    for row in rows[1:]:
        for i in wanted:
            if i < len(row) and _FORMULA.match(row[i]):
                row[i] = f"'{row[i]}"
                changed = True
    if not changed:
        return data
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8")


def _text_columns(package: dict[str, Any]) -> dict[str, list[str]]:
    """Give the columns of every table that hold texts."""
    return {
        r["path"]: [f["name"] for f in r["schema"]["fields"] if f["type"] == "string"]
        for r in package["resources"]
    }


def _is_own(folder: Path, name: str) -> bool:
    """Tell whether a file is one of the folder's own, and no link to another or to a hidden one.

    A link to a file of the same kind within the folder is followed; one out of it, to a lock or to
    the random part of the bench's address is not.
    """
    home, real = folder.resolve(), (folder / name).resolve()
    if not real.is_relative_to(home):
        return False
    hidden = any(part.startswith(".") for part in real.relative_to(home).parts)
    return not hidden and real.suffix.lower() == Path(name).suffix.lower()


def zip_package(folder: Path, path: Path, package: dict[str, Any]) -> tuple[Path, int, list[str]]:
    """Write every table, the settings, the formula, the lock of the plan and photos into one zip.

    Parameters
    ----------
    folder : Path
        A trial folder; it is only read.
    path : Path
        A new file that ends in .zip; written aside first.
    package : dict
        As `checks.describe_folder` gives it.

    Returns
    -------
    Path, int, list of str
        The file, how many files it holds, and what was left out, being a link to something else.

    Raises
    ------
    InputError
        When the file is there already, has another ending, or cannot be written.

    References
    ----------
    Frictionless Data Package: datapackage.json at the root of the zip (open standard).
    """
    folder, path = Path(folder), Path(path)
    if path.suffix.lower() != ".zip":
        raise InputError(f"{path} must end in .zip: doughlab check FOLDER --zip {path.stem}.zip")
    if path.exists():
        raise InputError(f"{path} is there already. Nothing is overwritten: name a new file.")
    names = [PACKAGE_FILE, *(r["path"] for r in package["resources"])]
    names += [name for name in TEXTS if (folder / name).exists()]
    names += [p.relative_to(folder).as_posix() for p in sorted(folder.glob(SETTLED))]
    record = folder / "record"
    photos = sorted(p for p in record.rglob("*") if p.suffix.lower() in PHOTOS and p.is_file())
    names += [p.relative_to(folder).as_posix() for p in photos]
    left = [name for name in names if not _is_own(folder, name)]
    names = [name for name in names if name not in left]
    kept = [r for r in package["resources"] if r["path"] not in left]
    package = {**package, "resources": kept}
    aside = path.with_name(f"{path.name}.new")
    try:
        with zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as package_file:
            for name, data in _contents(folder, names, package):
                entry = zipfile.ZipInfo(name, _SAME_DATE)
                entry.compress_type = zipfile.ZIP_DEFLATED
                entry.external_attr = 0o644 << 16
                package_file.writestr(entry, data)
        aside.replace(path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        raise InputError(
            f"{path} cannot be written ({error.strerror}). Choose another place."
        ) from None
    return path, len(names), left


def _contents(
    folder: Path, names: Sequence[str], package: dict[str, Any]
) -> Iterator[tuple[str, bytes]]:
    """Give every file: the package first, then one by one, so that photos need little room.

    Tables with formulas are made harmless, and the package says so.
    """
    texts = _text_columns(package)
    tables = {name: (folder / name).read_bytes() for name in names if name in texts}
    neutral = {name: neutral_table(data, texts[name]) for name, data in tables.items()}
    told = package if neutral == tables else package | {"description": FORMULA_WORDS}
    yield PACKAGE_FILE, (json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode("utf-8")
    for name in names:
        if name != PACKAGE_FILE:
            yield name, neutral[name] if name in neutral else (folder / name).read_bytes()
