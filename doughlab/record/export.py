"""Export: the whole trial in one file, as an open data package that other programs read.

`doughlab check --zip FILE` calls it after datapackage.json was written. Nothing is left out but
generated pages, locks and the random part of the bench's address.
"""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

from doughlab.errors import InputError
from doughlab.record.checks import PACKAGE_FILE
from doughlab.record.folder import FORMULA_FILE
from doughlab.settings import FILE

TEXTS = (FILE, FORMULA_FILE, "report-texts.toml", "plan/plan.lock")
SETTLED = "daily/settled*.toml"  # the settled recipe, and those that it took the place of
PHOTOS = (".jpg", ".jpeg", ".png", ".webp")
_SAME_DATE = (1980, 1, 1, 0, 0, 0)  # so that the same trial gives the same file


def zip_package(folder: Path, path: Path) -> tuple[Path, int]:
    """Write every table, the settings, the formula, the lock of the plan and photos into one zip.

    Parameters
    ----------
    folder : Path
        A trial folder with datapackage.json.
    path : Path
        A new file that ends in .zip; written aside first.

    Returns
    -------
    Path, int
        The file, and how many files it holds.

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
    package = json.loads((folder / PACKAGE_FILE).read_text(encoding="utf-8"))
    names = [PACKAGE_FILE, *(r["path"] for r in package["resources"])]
    names += [name for name in TEXTS if (folder / name).exists()]
    names += [p.relative_to(folder).as_posix() for p in sorted(folder.glob(SETTLED))]
    record = folder / "record"
    photos = sorted(p for p in record.rglob("*") if p.suffix.lower() in PHOTOS and p.is_file())
    names += [p.relative_to(folder).as_posix() for p in photos]
    aside = path.with_name(f"{path.name}.new")
    try:
        with zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as package_file:
            for name in names:
                entry = zipfile.ZipInfo(name, _SAME_DATE)
                entry.compress_type = zipfile.ZIP_DEFLATED
                entry.external_attr = 0o644 << 16
                package_file.writestr(entry, (folder / name).read_bytes())
        aside.replace(path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        raise InputError(
            f"{path} cannot be written ({error.strerror}). Choose another place."
        ) from None
    return path, len(names)
