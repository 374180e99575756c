"""The place of a trial folder: whether something else writes into it, or a network lies between.

`checks` and the bench tell it; nothing is refused. Locks and fsync stand in `storage`: they hold on
a disk of this machine, and not everywhere else.
"""

from __future__ import annotations

from pathlib import Path, PureWindowsPath

# Names that sync programs give the folder they keep alike on several machines; compared without
# case, as a whole or before a blank or a hyphen ("... - Kitchen").
SYNCED = ("dropbox", "onedrive", "google drive", "googledrive", "my drive", "iclouddrive",
          "icloud drive", "mobile documents", "cloudstorage", "nextcloud", "owncloud", "pcloud",
          "pclouddrive", "box sync", "syncthing", "mega", "megasync", "seafile")  # fmt: skip
MARKERS = (
    ".stfolder",
    ".dropbox",
    ".dropbox.cache",
    ".sync",
    ".owncloudsync.log",
    ".csync_journal.db",
)
NETWORK = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "ncpfs", "9p", "davfs", "fuse.sshfs",
           "fuse.davfs2", "fuse.rclone", "fuse.gvfsd-fuse", "ceph", "glusterfs",
           "fuse.glusterfs")  # fmt: skip
MOUNTS = Path("/proc/self/mounts")


def place_words(folder: Path, *, mounts: str | None = None) -> str:
    """Say that a folder is synced or lies across a network, and what to do about it.

    Parameters
    ----------
    folder : Path
    mounts : str, optional
        Text like /proc/self/mounts; read from there when left out, and empty where there is none.

    Returns
    -------
    str
        Empty where nothing was found.

    Examples
    --------
    >>> place_words(Path("trials/harbour"), mounts="")
    ''
    """
    whole = Path(folder).absolute()
    found = _synced_by(whole)
    if found:
        return (
            f"stands in a folder that a sync program writes too ({found}). When two machines enter "
            "at once, it may keep two copies of a file, and one set of rows is missing. Let one "
            "machine write, have phones enter through doughlab bench on it, and copy the folder "
            "there afterwards."
        )
    kind = _network(whole, _read_mounts() if mounts is None else mounts)
    if kind:
        return (
            f"lies on another machine, across a network ({kind}). Locks may not hold there, and an "
            "entry may be lost when the network stops. Keep it on the disk of this machine, have "
            "others enter through doughlab bench --lan, and copy it there afterwards."
        )
    return ""


def _synced_by(folder: Path) -> str:
    for part in folder.parts:
        name = part.casefold()
        if any(name == s or name.startswith((f"{s} ", f"{s}-")) for s in SYNCED):
            return f"'{part}' in its path"
    for parent in (folder, *folder.parents):
        for marker in MARKERS:
            if (parent / marker).exists():
                return f"{marker} in {parent}"
    return ""


def _read_mounts() -> str:
    try:
        return MOUNTS.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def _network(folder: Path, mounts: str) -> str:
    """Give the kind of file system, where a folder lies on one of another machine."""
    if PureWindowsPath(str(folder)).drive.startswith("\\\\"):
        return "a network path"
    best, kind = -1, ""
    for line in mounts.splitlines():
        cells = line.split(" ")
        if len(cells) < 3:
            continue
        point = Path(cells[1].replace("\\040", " "))
        if (point == folder or point in folder.parents) and len(point.parts) >= best:
            best, kind = len(point.parts), cells[2]
    return kind if kind in NETWORK else ""
